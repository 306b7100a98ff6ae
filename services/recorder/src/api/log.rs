//! The log as C2SP tlog-tiles has it: checkpoint, hash tiles, entry bundles; and what else a
//! verifier needs.

use std::str::FromStr as _;

use actix_web::http::header::{CACHE_CONTROL, ContentType};
use actix_web::{HttpResponse, get, web};
use chain::tile::{Tile, TileKind};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::app::{Caller, Recorder};
use crate::problem::{Problem, Result};

const TEXT: &str = "text/plain; charset=utf-8";

/// Read the newest signed checkpoint
///
/// A C2SP signed note. Open to everybody: it tells name, size and root of the log, and nothing of
/// what is in it.
#[utoipa::path(
    operation_id = "readCheckpoint", tag = "proof",
    responses((status = 200, description = "A signed note.", body = String, content_type = "text/plain")),
)]
#[get("/log/checkpoint")]
pub(super) async fn read_checkpoint(recorder: web::Data<Recorder>) -> Result<HttpResponse> {
    let signed = match recorder.log.published() {
        Some(signed) => signed,
        None => recorder.log.publish().await?,
    };
    Ok(HttpResponse::Ok().content_type(TEXT).body(signed.note.clone()))
}

/// Read the verification keys of the log, its witnesses and its clients
///
/// The `keys.txt` of an evidence bundle. Whoever checks the log should have the log's key from
/// another source than the log.
#[utoipa::path(
    operation_id = "readKeys", tag = "proof",
    responses((status = 200, description = "One key (C2SP vkey) a line, the log's first.", body = String, content_type = "text/plain")),
)]
#[get("/log/keys")]
pub(super) async fn read_keys(recorder: web::Data<Recorder>) -> HttpResponse {
    HttpResponse::Ok().content_type(TEXT).body(recorder.witnesses.keys().to_string())
}

/// Read a tile of hashes
///
/// As C2SP tlog-tiles: up to 256 hashes of 32 bytes. Open to everybody: each entry holds 16 random
/// bytes, so its hash tells nothing about it.
#[utoipa::path(
    operation_id = "readHashTile", tag = "proof",
    params(
        ("level" = u8, Path, description = "Level in tiles, 0 to 63; level 0 holds leaf hashes."),
        ("index" = String, Path, description = "Index and width as tlog-tiles writes them: `x001/x234/067`, `067.p/12`."),
    ),
    responses((status = 200, description = "The hashes.", body = Vec<u8>, content_type = "application/octet-stream")),
)]
#[get("/log/tile/{level:[0-9]+}/{index:.*}")]
pub(super) async fn read_hash_tile(
    recorder: web::Data<Recorder>,
    path: web::Path<(String, String)>,
) -> Result<HttpResponse> {
    let (level, index) = path.into_inner();
    let tile = Tile::from_str(&format!("tile/{level}/{index}")).map_err(|_| no_tile())?;
    serve_tile(&recorder, tile).await
}

/// Read a bundle of entries
///
/// As C2SP tlog-tiles: up to 256 entries, each with its length in two bytes before it. For roles
/// that may take the whole record away, and only for tokens of every site.
#[utoipa::path(
    operation_id = "readEntryTile", tag = "proof",
    params(("index" = String, Path, description = "Index and width as tlog-tiles writes them: `x001/x234/067`, `067.p/12`.")),
    responses((status = 200, description = "The entries.", body = Vec<u8>, content_type = "application/octet-stream")),
)]
#[get("/log/tile/entries/{index:.*}")]
pub(super) async fn read_entry_tile(
    recorder: web::Data<Recorder>,
    caller: Caller,
    index: web::Path<String>,
) -> Result<HttpResponse> {
    caller.demand_every_site()?;
    let tile = Tile::from_str(&format!("tile/entries/{index}")).map_err(|_| no_tile())?;
    serve_tile(&recorder, tile).await
}

fn no_tile() -> Problem {
    Problem::parameter(
        "index",
        "a tile is `<level>/<index>` with groups of three digits, see tlog-tiles",
    )
}

async fn serve_tile(recorder: &Recorder, tile: Tile) -> Result<HttpResponse> {
    let log = recorder.log.clone();
    let bytes = recorder.blocking(move || Ok(log.tile(tile)?)).await?;
    let bytes = bytes.ok_or_else(Problem::not_found)?;
    let mut response = HttpResponse::Ok();
    response.content_type(ContentType::octet_stream());
    if tile.is_full() {
        // A full tile never changes. Entries are for the caller alone, whatever caches there are.
        let whose = if tile.kind == TileKind::Entries { "private" } else { "public" };
        response.insert_header((CACHE_CONTROL, format!("{whose}, max-age=31536000, immutable")));
    }
    Ok(response.body(bytes))
}

/// Which sizes to compare.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ConsistencyQuery {
    /// The smaller size, at least 1.
    pub from: u64,
    /// The larger size; the newest published checkpoint's if left out.
    pub to: Option<u64>,
}

/// Proof that a smaller log is the beginning of a larger one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Consistency")]
pub struct ConsistencyView {
    /// The smaller size.
    pub from: u64,
    /// Root over the first `from` entries, base64.
    pub from_root: String,
    /// The larger size.
    pub to: u64,
    /// Root over the first `to` entries, base64.
    pub to_root: String,
    /// The proof (RFC 6962 section 2.1.2), base64.
    pub hashes: Vec<String>,
}

/// Get a proof that a smaller log is the beginning of a larger one
#[utoipa::path(
    operation_id = "proveConsistency", tag = "proof",
    params(ConsistencyQuery),
    responses((status = 200, description = "The proof.", body = ConsistencyView)),
)]
#[get("/v1/proofs/consistency")]
pub(super) async fn prove_consistency(
    recorder: web::Data<Recorder>,
    query: web::Query<ConsistencyQuery>,
) -> Result<web::Json<ConsistencyView>> {
    let log = recorder.log.clone();
    let newest = log.published().map_or(0, |signed| signed.size);
    let (from, to) = (query.from, query.to.unwrap_or(newest));
    // Only what was published: what anybody may ask is no more than what was shown already.
    if to > newest {
        return Err(Problem::parameter("to", format!("the newest checkpoint has size {newest}")));
    }
    if from == 0 || from > to {
        return Err(Problem::parameter("from", format!("a size from 1 to {to} is wanted")));
    }
    let proof = recorder
        .blocking(move || {
            let hashes = log.consistency(from, to)?;
            Ok(ConsistencyView {
                from,
                from_root: log.root(from)?.to_base64(),
                to,
                to_root: log.root(to)?.to_base64(),
                hashes: hashes.iter().map(chain::Digest::to_base64).collect(),
            })
        })
        .await?;
    Ok(web::Json(proof))
}
