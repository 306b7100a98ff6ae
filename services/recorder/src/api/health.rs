//! Is the service there, can it record, and what does it count.

use actix_web::http::header::ContentType;
use actix_web::{HttpResponse, get, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::app::Recorder;
use crate::problem::{Problem, Result};

/// Answer of a probe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Probe")]
pub struct ProbeView {
    /// `live` or `ready`.
    pub status: String,
    /// Entries in the log.
    pub entries: u64,
    /// Entries that no witnessed checkpoint covers; left out if the log has no witnesses.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unwitnessed_entries: Option<u64>,
    /// When the first of them was recorded, UTC; left out if there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unwitnessed_since: Option<String>,
}

/// Is the process alive
#[utoipa::path(
    operation_id = "live", tag = "service",
    responses((status = 200, description = "The process runs.", body = ProbeView)),
)]
#[get("/healthz")]
pub(super) async fn live(recorder: web::Data<Recorder>) -> web::Json<ProbeView> {
    let entries = recorder.log.size();
    let (unwitnessed_entries, unwitnessed_since) = (None, None);
    web::Json(ProbeView { status: "live".into(), entries, unwitnessed_entries, unwitnessed_since })
}

/// Does the log take entries
#[utoipa::path(
    operation_id = "ready", tag = "service",
    responses((status = 200, description = "The log takes entries.", body = ProbeView)),
)]
#[get("/readyz")]
pub(super) async fn ready(recorder: web::Data<Recorder>) -> Result<web::Json<ProbeView>> {
    recorder.log.is_writing().map_err(Problem::from)?;
    let entries = recorder.log.size();
    let (mut unwitnessed_entries, mut unwitnessed_since) = (None, None);
    if recorder.witnesses.are_configured() {
        let window = recorder.witnesses.window()?;
        unwitnessed_entries = Some(window.entries);
        unwitnessed_since = window.since_ms.and_then(|ms| chain::time::format_ms(ms).ok());
    }
    let status = "ready".into();
    Ok(web::Json(ProbeView { status, entries, unwitnessed_entries, unwitnessed_since }))
}

/// Read counters in the Prometheus text format
#[utoipa::path(
    operation_id = "readMetrics", tag = "service",
    responses((status = 200, description = "All series.", body = String, content_type = "text/plain")),
)]
#[get("/metrics")]
pub(super) async fn read_metrics(recorder: web::Data<Recorder>) -> HttpResponse {
    recorder.metrics.waiters.set(i64::try_from(recorder.waiting()).unwrap_or(i64::MAX));
    if let Ok(window) = recorder.witnesses.window() {
        recorder.metrics.uncovered.set(i64::try_from(window.entries).unwrap_or(i64::MAX));
        recorder.metrics.uncovered_s.set(i64::try_from(window.age_s).unwrap_or(i64::MAX));
    }
    recorder.webhooks.measure();
    let scrub = recorder.log.health().scrub;
    recorder.metrics.scrubbed.set(i64::try_from(scrub.covered).unwrap_or(i64::MAX));
    recorder.metrics.damaged.set(i64::from(scrub.damage.is_some()));
    recorder.metrics.entries.set(i64::try_from(recorder.log.size()).unwrap_or(i64::MAX));
    HttpResponse::Ok().content_type(ContentType::plaintext()).body(recorder.metrics.text())
}
