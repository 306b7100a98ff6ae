//! Is the service there, can it record, and what does it count.

use actix_web::http::header::ContentType;
use actix_web::{HttpResponse, get, web};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::app::Recorder;
use crate::condition::{self, Condition};
use crate::limits::RETRY_BUSY_S;
use crate::metrics::{Metrics, gauge};
use crate::problem::{Kind, Problem, Result};
use crate::storage::Measured;

/// Answer of a probe.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
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
    /// Entries that the copy furthest behind does not have; left out if there are no copies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncopied_entries: Option<u64>,
    /// When the first of them was recorded, UTC; left out if there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncopied_since: Option<String>,
    /// What stands although events are taken, the worst first; left out if nothing does.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub conditions: Vec<ConditionView>,
    /// Seconds until the disk of the log is full, if the log goes on growing as in its newest 30 days;
    /// left out while that cannot be told, and if it does not grow.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disk_full_in_s: Option<u64>,
}

/// Something that will stand in the way of the service.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Condition")]
pub struct ConditionView {
    /// Its code, such as `disk-nearly-full`: a section of the run book.
    pub code: String,
    /// What it is.
    pub text: String,
}

/// Is the process alive
///
/// Answered as long as requests are served at all, also when nothing can be recorded: a restart does
/// not mend a damaged log or a full disk, and it takes reading away too. Whether events are taken is
/// the question of `GET /readyz`.
#[utoipa::path(
    operation_id = "live", tag = "service",
    responses((status = 200, description = "The process runs.", body = ProbeView)),
)]
#[get("/healthz")]
pub(super) async fn live(recorder: web::Data<Recorder>) -> web::Json<ProbeView> {
    let entries = recorder.log.size();
    let status = "live".into();
    web::Json(ProbeView { status, entries, ..ProbeView::default() })
}

/// Does the log take entries
///
/// 503 while clients cannot record; the detail begins with the code of the worst condition:
/// `writer-stopped`, `read-only`, `log-closed`, `disk-full`, `database-away`, `clients-barred`. Conditions under which
/// events are still taken stand in the answer.
#[utoipa::path(
    operation_id = "ready", tag = "service",
    responses((status = 200, description = "The log takes entries.", body = ProbeView)),
)]
#[get("/readyz")]
pub(super) async fn ready(recorder: web::Data<Recorder>) -> Result<web::Json<ProbeView>> {
    let asked = recorder.clone();
    let (standing, disk) = recorder.blocking(move || condition::standing(&asked)).await?;
    if let Some(worst) = standing.iter().find(|condition| condition.blocks()) {
        let detail = format!("{}: {}", worst.code(), worst.text());
        return Err(Problem::new(Kind::WriterStopped, detail).retry_after(RETRY_BUSY_S));
    }
    let view = |condition: &Condition| ConditionView {
        code: condition.code().to_owned(),
        text: condition.text().to_owned(),
    };
    let mut probe = ProbeView {
        status: "ready".into(),
        entries: recorder.log.size(),
        conditions: standing.iter().map(view).collect(),
        disk_full_in_s: disk.and_then(|disk| disk.forecast).and_then(|f| f.full_in_s),
        ..ProbeView::default()
    };
    let time = |ms: Option<i64>| ms.and_then(|ms| chain::time::format_ms(ms).ok());
    if recorder.witnesses.are_configured() {
        let window = recorder.witnesses.window()?;
        probe.unwitnessed_entries = Some(window.entries);
        probe.unwitnessed_since = time(window.since_ms);
    }
    if let Some(furthest) = recorder.copies.lags()?.into_iter().max_by_key(|lag| lag.behind) {
        probe.uncopied_entries = Some(furthest.behind);
        probe.uncopied_since = time(furthest.since_ms);
    }
    Ok(web::Json(probe))
}

/// Read counters in the Prometheus text format
#[utoipa::path(
    operation_id = "readMetrics", tag = "service",
    responses((status = 200, description = "All series.", body = String, content_type = "text/plain")),
)]
#[get("/metrics")]
pub(super) async fn read_metrics(recorder: web::Data<Recorder>) -> Result<HttpResponse> {
    recorder.webhooks.measure();
    recorder.copies.measure();
    let asked = recorder.clone();
    let text = recorder.blocking(move || measure(&asked).map(|()| asked.metrics.text())).await?;
    Ok(HttpResponse::Ok().content_type(ContentType::plaintext()).body(text))
}

/// Brings every gauge up to now.
fn measure(recorder: &Recorder) -> Result<()> {
    let (metrics, log) = (&recorder.metrics, &recorder.log);
    let now_ms = recorder.clock.now_ms();
    metrics.waiters.set(gauge(recorder.waiting()));
    if let Ok(window) = recorder.witnesses.window() {
        metrics.uncovered.set(gauge(window.entries));
        metrics.uncovered_s.set(gauge(window.age_s));
    }
    let health = log.health();
    metrics.scrubbed.set(gauge(health.scrub.covered));
    metrics.damaged.set(i64::from(health.scrub.damage.is_some()));
    metrics.entries.set(gauge(log.size()));
    metrics.queue.set(gauge(health.waiting));
    metrics.index_behind.set(gauge(health.count.saturating_sub(health.index_count)));
    metrics.clock_behind_ms.set(health.clock_behind_ms);
    let published = log.published().map_or(0, |signed| signed.size);
    metrics.checkpoint_entries.set(gauge(published));
    let oldest = log.recorded_at_ms(published).map_err(Problem::from)?;
    metrics.unpublished_s.set(oldest.map_or(0, |ms| (now_ms - ms).max(0) / 1_000));

    let (standing, disk) = condition::standing(recorder)?;
    for condition in Condition::ALL {
        let stands = i64::from(standing.contains(&condition));
        metrics.conditions.with_label_values(&[condition.code()]).set(stands);
    }
    metrics.writing.set(i64::from(!standing.iter().any(|condition| condition.blocks())));
    if let Some(disk) = &disk {
        measure_disk(metrics, disk);
    }
    for (key, made_ms) in recorder.key_ages() {
        metrics.key_age_s.with_label_values(&[key]).set((now_ms - made_ms).max(0) / 1_000);
    }
    if let Some(end_s) = recorder.certificate_end_s {
        metrics.certificate_end_s.with_label_values(&["listen"]).set(end_s);
    }
    metrics.started_s.set(recorder.started_ms() / 1_000);
    let labels = [env!("CARGO_PKG_VERSION"), crate::openapi::API_VERSION, log.origin()];
    metrics.build.with_label_values(&labels).set(1);
    measure_process(metrics);
    Ok(())
}

fn measure_disk(metrics: &Metrics, disk: &Measured) {
    for (part, used) in &disk.parts {
        metrics.data_bytes.with_label_values(&[part]).set(gauge(used.bytes));
        if *part == "entries" {
            metrics.segments.set(gauge(used.files));
        }
    }
    metrics.free_bytes.with_label_values(&["data"]).set(gauge(disk.free_bytes));
    metrics.free_bytes.with_label_values(&["head"]).set(gauge(disk.head_free_bytes));
    // A number that cannot be told has no series: 0 would say that the disk is full.
    metrics.growth.reset();
    metrics.full_in_s.reset();
    if let Some(forecast) = disk.forecast {
        metrics.growth.with_label_values(&["data"]).set(gauge(forecast.bytes_per_day));
        if let Some(s) = forecast.full_in_s {
            metrics.full_in_s.with_label_values(&["data"]).set(gauge(s));
        }
    }
}

/// Memory and open files, as proc(5) tells them; where there is no such thing they stay 0.
fn measure_process(metrics: &Metrics) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let resident = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).and_then(|rest| {
        let kib: i64 = rest.trim().strip_suffix(" kB")?.trim().parse().ok()?;
        kib.checked_mul(1_024)
    });
    metrics.resident_bytes.set(resident.unwrap_or(0));
    let open = std::fs::read_dir("/proc/self/fd").map_or(0, Iterator::count);
    metrics.open_files.set(gauge(open));
}
