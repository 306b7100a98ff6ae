//! Single entries, byte for byte.

use actix_web::{HttpResponse, get, web};
use chain::entry::Entry;
use shopfloor::Envelope;

use crate::app::{Caller, Recorder};
use crate::authz;
use crate::problem::{Problem, Result};

/// The bytes of an entry, exactly as they were hashed.
#[utoipa::path(
    operation_id = "readEntry", tag = "log",
    params(("seq" = u64, Path, description = "Number of the entry, from 0.")),
    responses((status = 200, description = "The entry.", body = serde_json::Value)),
)]
#[get("/v1/entries/{seq}")]
pub async fn read_entry(
    recorder: web::Data<Recorder>,
    caller: Caller,
    seq: web::Path<u64>,
) -> Result<HttpResponse> {
    let bytes = recorder.log.entry(*seq)?.ok_or_else(Problem::not_found)?;
    authz::may_see(&caller, site_of(&bytes).as_ref())?;
    Ok(HttpResponse::Ok().content_type("application/json").body(bytes))
}

/// The site of a stored entry; `None` if its event names none.
pub(crate) fn site_of(entry: &[u8]) -> Option<shopfloor::ids::Label> {
    let entry = Entry::parse(entry).ok()?;
    Envelope::read(&entry.event).ok()?.0.site
}
