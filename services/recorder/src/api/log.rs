//! The log as C2SP tlog-tiles has it: checkpoint, hash tiles, entry bundles.

use actix_web::{HttpResponse, get, web};

use crate::app::Recorder;
use crate::problem::Result;

/// The newest signed checkpoint, a C2SP signed note.
#[utoipa::path(
    operation_id = "readCheckpoint", tag = "log",
    responses((status = 200, description = "A signed note.", body = String, content_type = "text/plain")),
)]
#[get("/log/checkpoint")]
pub async fn read_checkpoint(recorder: web::Data<Recorder>) -> Result<HttpResponse> {
    let signed = match recorder.log.published() {
        Some(signed) => signed,
        None => recorder.log.publish().await?,
    };
    Ok(HttpResponse::Ok().content_type("text/plain; charset=utf-8").body(signed.note.clone()))
}
