//! Single entries: their bytes, what became of them, and their proof.

use std::sync::Arc;

use actix_web::http::header::ContentType;
use actix_web::{HttpResponse, get, web};
use chain::entry::EntryView;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::ids::Label;

use super::wire::{FindingView, utc};
use crate::app::{Caller, Recorder};
use crate::authn::Identity;
use crate::authz;
use crate::problem::{Problem, Result};

/// Media type of a C2SP tlog-proof file.
pub const PROOF_TYPE: &str = "text/plain; charset=utf-8";

/// A correction or a void.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Amendment")]
pub struct AmendmentView {
    /// Entry of the correction or void.
    pub by: u64,
    /// Why, as a code, or `in words (kept outside the log)`.
    pub reason: String,
    /// Who approved it.
    pub approver: String,
    /// The right `data`; absent: the entry is void.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data: Option<serde_json::Value>,
}

/// A signature that still counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Signature")]
pub struct SignatureView {
    /// Entry of the signature.
    pub by: u64,
    /// Who signed.
    pub person: String,
    /// What it means.
    pub meaning: String,
    /// When it was recorded, UTC.
    pub recorded_at: String,
}

/// What became of an entry after it was recorded. The entry itself never changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Standing")]
pub struct StandingView {
    /// Entries the answer rests on.
    pub as_of: u64,
    /// The entry.
    pub seq: u64,
    /// Leaf hash of the entry.
    pub leaf: String,
    /// Corrections and voids, oldest first.
    pub amendments: Vec<AmendmentView>,
    /// Signatures made after the last amendment; a corrected entry counts as unsigned.
    pub signatures: Vec<SignatureView>,
    /// What it contradicts.
    pub findings: Vec<FindingView>,
}

/// Read an entry, byte for byte as it was hashed
///
/// The body is the entry: canonical JSON of record format 1. Its leaf hash is SHA-256 of a zero
/// byte and these bytes.
#[utoipa::path(
    operation_id = "readEntry", tag = "record",
    params(("seq" = u64, Path, description = "Number of the entry, from 0.")),
    responses((status = 200, description = "The entry.", body = serde_json::Value)),
)]
#[get("/v1/entries/{seq}")]
pub(super) async fn read_entry(
    recorder: web::Data<Recorder>,
    caller: Caller,
    seq: web::Path<u64>,
) -> Result<HttpResponse> {
    let bytes = visible(&recorder, &caller, *seq)?;
    Ok(HttpResponse::Ok().content_type(ContentType::json()).body(bytes))
}

/// Read what became of an entry: corrections, signatures, findings
#[utoipa::path(
    operation_id = "readStanding", tag = "record",
    params(("seq" = u64, Path, description = "Number of the entry, from 0.")),
    responses((status = 200, description = "What became of it.", body = StandingView)),
)]
#[get("/v1/entries/{seq}/standing")]
pub(super) async fn read_standing(
    recorder: web::Data<Recorder>,
    caller: Caller,
    seq: web::Path<u64>,
) -> Result<web::Json<StandingView>> {
    let bytes = visible(&recorder, &caller, *seq)?;
    let leaf = chain::entry::leaf_hash(&bytes).to_string();
    Ok(web::Json(recorder.log.ask(|state| standing(state, *seq, leaf))))
}

fn standing(state: &State, seq: u64, leaf: String) -> StandingView {
    let amendments = state.record.amendments(seq).iter();
    let signatures = state.record.signatures(seq);
    StandingView {
        as_of: state.as_of,
        seq,
        leaf,
        amendments: amendments
            .map(|amendment| AmendmentView {
                by: amendment.by,
                reason: amendment.reason.to_string(),
                approver: amendment.approver.to_string(),
                data: amendment.event.as_ref().map(shopfloor::Event::data),
            })
            .collect(),
        signatures: signatures
            .map(|signature| SignatureView {
                by: signature.seq,
                person: signature.person.to_string(),
                meaning: signature.meaning.to_string(),
                recorded_at: utc(signature.time_ms),
            })
            .collect(),
        findings: state.findings.of_entry(seq).iter().map(FindingView::from).collect(),
    }
}

/// Against which checkpoint.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ProofQuery {
    /// Size of a published checkpoint that covers the entry.
    pub size: Option<u64>,
}

/// Get a proof that an entry is in the log
///
/// A C2SP tlog-proof file against the newest checkpoint that enough witnesses cosigned, else the
/// newest published one, else a new one; or against the one of `size`. It holds hashes only and may
/// be shown to people who may not read the entry.
#[utoipa::path(
    operation_id = "proveEntry", tag = "proof",
    params(("seq" = u64, Path, description = "Number of the entry, from 0."), ProofQuery),
    responses((status = 200, description = "A tlog-proof file.", body = String, content_type = "text/plain")),
)]
#[get("/v1/entries/{seq}/proof")]
pub(super) async fn prove_entry(
    recorder: web::Data<Recorder>,
    seq: web::Path<u64>,
    query: web::Query<ProofQuery>,
) -> Result<HttpResponse> {
    let log = recorder.log.clone();
    if *seq >= log.size() {
        return Err(Problem::not_found());
    }
    let checkpoint = match query.size {
        None => recorder.checkpoint_over(*seq).await?,
        Some(size) if size > *seq => {
            let kept = log.signed(size)?;
            Arc::new(kept.ok_or_else(|| {
                Problem::parameter("size", "no checkpoint of this size was published")
            })?)
        }
        Some(_) => return Err(Problem::parameter("size", "the checkpoint covers the entry")),
    };
    let proof = recorder.blocking(move || Ok(log.proof(*seq, &checkpoint)?)).await?;
    Ok(HttpResponse::Ok().content_type(PROOF_TYPE).body(proof.to_string()))
}

/// The bytes of an entry, if the caller may see it.
pub(super) fn visible(recorder: &Recorder, who: &Identity, seq: u64) -> Result<Vec<u8>> {
    let bytes = recorder.log.entry(seq)?.ok_or_else(Problem::not_found)?;
    authz::may_see(who, site_of(&bytes).as_ref())?;
    Ok(bytes)
}

/// The site of a stored entry; `None` if its event names none.
pub(crate) fn site_of(entry: &[u8]) -> Option<Label> {
    let view = EntryView::parse(entry).ok()?;
    let event = chain::canon::check(view.event).ok()?;
    Label::new(event.get("site")?.as_str()?).ok()
}
