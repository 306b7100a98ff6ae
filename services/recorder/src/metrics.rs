//! What an operator watches, in the Prometheus text format.
//!
//! Labels come from closed sets (operation ids, problem codes, configured keys), never from input, so that a client
//! cannot make the number of series grow.

use edge::metrics::Series;
use ledger::{Turn, Watcher};
use prometheus::{Histogram, HistogramVec, IntCounter, IntCounterVec, IntGauge, IntGaugeVec};

/// Every series of the service.
#[derive(Debug, Clone)]
pub struct Metrics {
    series: Series,
    /// Answers by operation and status.
    pub answers: IntCounterVec,
    /// Time from request head to answer by operation, in seconds.
    pub answer_s: HistogramVec,
    /// Problems answered by code, also those inside a batch.
    pub problems: IntCounterVec,
    /// Tokens not accepted by reason.
    pub rejections: IntCounterVec,
    /// Events sent by what became of them.
    pub events: IntCounterVec,
    /// Refusals that were recorded as entries.
    pub refusals_recorded: IntCounter,
    /// Refusals that were only counted, to keep the log from growing.
    pub refusals_skipped: IntCounter,
    /// Entries in the log.
    pub entries: IntGauge,
    /// Entries the last whole reading of the log found as they were signed.
    pub scrubbed: IntGauge,
    /// 1 if reading the log in the background found damage.
    pub damaged: IntGauge,
    /// Requests that wait for news.
    pub waiters: IntGauge,
    /// Panics caught in handlers.
    pub panics: IntCounter,
    /// Entries that no witnessed checkpoint covers.
    pub uncovered: IntGauge,
    /// Age of the oldest of them, in seconds.
    pub uncovered_s: IntGauge,
    /// Size of the newest checkpoint each witness cosigned, by key.
    pub witness_size: IntGaugeVec,
    /// Answers of witnesses by key and what became of them.
    pub witness_answers: IntCounterVec,
    /// Attempts to deliver by subscription and what became of them.
    pub webhook_attempts: IntCounterVec,
    /// Entries each subscription has not dealt with.
    pub webhook_behind: IntGaugeVec,
    /// Deliveries given up, by subscription.
    pub webhook_dead_letters: IntGaugeVec,
    /// 1 for each subscription that is suspended.
    pub webhook_suspended: IntGaugeVec,
    /// Entries each copy does not have.
    pub copy_behind: IntGaugeVec,
    /// Age of the oldest of them, in seconds.
    pub copy_behind_s: IntGaugeVec,
    /// Entries the newest signed checkpoint of each copy covers.
    pub copy_signed: IntGaugeVec,
    /// 1 for each copy that does not go on.
    pub copy_trouble: IntGaugeVec,
    /// Looks at followed logs by log and what came of them.
    pub followed_looks: IntCounterVec,
    /// Entries kept and checked of each followed log.
    pub followed_entries: IntGaugeVec,
    /// Entries a followed log showed and that are not here yet.
    pub followed_behind: IntGaugeVec,
    /// 1 for each followed log that contradicted what was kept of it.
    pub followed_disputed: IntGaugeVec,
    /// Submissions in the queue or in the writer's hands.
    pub queue: IntGauge,
    /// Time the oldest request of each turn of the writer waited in the queue, in seconds.
    pub queue_s: Histogram,
    /// Time of a write with its sync, in seconds.
    pub commit_s: Histogram,
    /// Entries of a write.
    pub batch_entries: Histogram,
    /// Writes or syncs that failed.
    pub commit_failures: IntCounter,
    /// 1 if the log takes entries of clients.
    pub writing: IntGauge,
    /// 1 for each condition that stands, by its code.
    pub conditions: IntGaugeVec,
    /// Segments of the log.
    pub segments: IntGauge,
    /// Bytes on the disk by part of the data directory.
    pub data_bytes: IntGaugeVec,
    /// Free bytes by place, `data` and `head`.
    pub free_bytes: IntGaugeVec,
    /// Growth of the log, in bytes a day; no series while it cannot be told.
    pub growth: IntGaugeVec,
    /// Seconds until the disk is full; no series while it cannot be told or nothing grows.
    pub full_in_s: IntGaugeVec,
    /// Size of the newest published checkpoint.
    pub checkpoint_entries: IntGauge,
    /// Age of the oldest entry that no published checkpoint covers, in seconds.
    pub unpublished_s: IntGauge,
    /// Entries the index has not taken in.
    pub index_behind: IntGauge,
    /// How far the clock stands behind the newest entry, in ms.
    pub clock_behind_ms: IntGauge,
    /// Age of keys that sign, in seconds, by what for.
    pub key_age_s: IntGaugeVec,
    /// When certificates end, in seconds since 1970.
    pub certificate_end_s: IntGaugeVec,
    /// Memory of the process, in bytes.
    pub resident_bytes: IntGauge,
    /// Open files of the process.
    pub open_files: IntGauge,
    /// When the process was started, in seconds since 1970.
    pub started_s: IntGauge,
    /// Always 1; its labels tell what runs.
    pub build: IntGaugeVec,
}

/// Bounds of times of the disk and the queue, in seconds.
const DISK_S: [f64; 13] =
    [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0, 30.0];
/// Bounds of sizes of a batch, in entries.
const BATCH: [f64; 11] = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0, 1024.0];

impl Watcher for Metrics {
    fn turn(&self, turn: &Turn) {
        self.queue_s.observe(turn.waited.as_secs_f64());
        for (entries, took) in &turn.commits {
            self.commit_s.observe(took.as_secs_f64());
            // At most 1,024.
            self.batch_entries.observe(u32::try_from(*entries).map_or(f64::INFINITY, f64::from));
        }
        self.commit_failures.inc_by(turn.failed as u64);
    }
}

/// A number as a gauge takes it.
pub fn gauge(value: impl TryInto<i64>) -> i64 {
    value.try_into().unwrap_or(i64::MAX)
}

impl Metrics {
    /// A registry with every series at its start.
    ///
    /// # Errors
    /// [`prometheus::Error`] if a name were used twice, which a test would show.
    pub fn new() -> Result<Self, prometheus::Error> {
        let series = Series::default();
        Ok(Self {
            answers: series.counters(
                "pulverlog_answers_total",
                "Answers by operation and status",
                &["operation", "status"],
            )?,
            answer_s: series.histograms(
                "pulverlog_answer_seconds",
                "Time from request head to answer, by operation",
                &["operation"],
                &[0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0, 30.0],
            )?,
            problems: series.counters(
                "pulverlog_problems_total",
                "Problems answered by code, also inside batches",
                &["code"],
            )?,
            rejections: series.counters(
                "pulverlog_tokens_rejected_total",
                "Tokens not accepted by reason",
                &["reason"],
            )?,
            events: series.counters(
                "pulverlog_events_total",
                "Events sent by what became of them",
                &["outcome"],
            )?,
            refusals_recorded: series.counter(
                "pulverlog_refusals_recorded_total",
                "Refused requests that were recorded as entries",
            )?,
            refusals_skipped: series.counter(
                "pulverlog_refusals_not_recorded_total",
                "Refused requests that were counted only",
            )?,
            entries: series.gauge("pulverlog_entries", "Entries in the log")?,
            scrubbed: series.gauge(
                "pulverlog_scrubbed_entries",
                "Entries the last whole background reading found as they were signed",
            )?,
            damaged: series.gauge(
                "pulverlog_damage_found",
                "1 if the background reading found entries that changed on the disk",
            )?,
            waiters: series.gauge("pulverlog_waiting_requests", "Requests that wait for news")?,
            panics: series.counter("pulverlog_panics_total", "Panics caught in handlers")?,
            uncovered: series.gauge(
                "pulverlog_uncovered_entries",
                "Entries that no witnessed checkpoint covers",
            )?,
            uncovered_s: series.gauge(
                "pulverlog_uncovered_seconds",
                "Age of the oldest entry that no witnessed checkpoint covers",
            )?,
            witness_size: series.gauges(
                "pulverlog_witness_cosigned_entries",
                "Size of the newest checkpoint each witness cosigned",
                &["witness"],
            )?,
            witness_answers: series.counters(
                "pulverlog_witness_answers_total",
                "Answers of witnesses by what became of them",
                &["witness", "outcome"],
            )?,
            webhook_attempts: series.counters(
                "pulverlog_webhook_attempts_total",
                "Attempts to deliver an entry by what became of them",
                &["subscription", "outcome"],
            )?,
            webhook_behind: series.gauges(
                "pulverlog_webhook_behind_entries",
                "Entries a subscription has not dealt with",
                &["subscription"],
            )?,
            webhook_dead_letters: series.gauges(
                "pulverlog_webhook_dead_letters",
                "Deliveries that were given up and wait for somebody",
                &["subscription"],
            )?,
            webhook_suspended: series.gauges(
                "pulverlog_webhook_suspended",
                "1 if a subscription is suspended",
                &["subscription"],
            )?,
            copy_behind: series.gauges(
                "pulverlog_copy_behind_entries",
                "Entries a copy does not have",
                &["copy"],
            )?,
            copy_behind_s: series.gauges(
                "pulverlog_copy_behind_seconds",
                "Age of the oldest entry a copy does not have",
                &["copy"],
            )?,
            copy_signed: series.gauges(
                "pulverlog_copy_signed_entries",
                "Entries the newest signed checkpoint of a copy covers",
                &["copy"],
            )?,
            copy_trouble: series.gauges(
                "pulverlog_copy_trouble",
                "1 if a copy does not go on; the program log says why",
                &["copy"],
            )?,
            followed_looks: series.counters(
                "pulverlog_followed_looks_total",
                "Looks at followed logs by what came of them",
                &["log", "outcome"],
            )?,
            followed_entries: series.gauges(
                "pulverlog_followed_entries",
                "Entries kept and checked of a followed log",
                &["log"],
            )?,
            followed_behind: series.gauges(
                "pulverlog_followed_behind_entries",
                "Entries a followed log showed and that are not here yet",
                &["log"],
            )?,
            followed_disputed: series.gauges(
                "pulverlog_followed_disputed",
                "1 if a followed log contradicted what was kept of it",
                &["log"],
            )?,
            queue: series.gauge("pulverlog_queue_submissions", "Events that wait for the writer")?,
            queue_s: series.histogram(
                "pulverlog_queue_seconds",
                "Time the oldest request of each turn of the writer waited",
                &DISK_S,
            )?,
            commit_s: series.histogram(
                "pulverlog_commit_seconds",
                "Time of a write to the log with its sync",
                &DISK_S,
            )?,
            batch_entries: series.histogram(
                "pulverlog_commit_entries",
                "Entries of a write to the log",
                &BATCH,
            )?,
            commit_failures: series.counter(
                "pulverlog_commit_failures_total",
                "Writes or syncs of the log that failed",
            )?,
            writing: series
                .gauge("pulverlog_writing", "1 if the log takes entries of clients")?,
            conditions: series.gauges(
                "pulverlog_condition",
                "1 for each condition of the service that stands, as GET /readyz names it",
                &["condition"],
            )?,
            segments: series.gauge("pulverlog_segments", "Segments of the log")?,
            data_bytes: series.gauges(
                "pulverlog_data_bytes",
                "Bytes on the disk by part of the data directory",
                &["part"],
            )?,
            free_bytes: series.gauges(
                "pulverlog_disk_free_bytes",
                "Free bytes of the disks of the data directory and of the head store",
                &["place"],
            )?,
            growth: series.gauges(
                "pulverlog_growth_bytes_per_day",
                "Growth of the data directory, from the log's newest 30 days",
                &["place"],
            )?,
            full_in_s: series.gauges(
                "pulverlog_disk_full_in_seconds",
                "Time until the disk has no room for another segment, if the log goes on growing so",
                &["place"],
            )?,
            checkpoint_entries: series.gauge(
                "pulverlog_checkpoint_entries",
                "Size of the newest published checkpoint",
            )?,
            unpublished_s: series.gauge(
                "pulverlog_unpublished_seconds",
                "Age of the oldest entry that no published checkpoint covers",
            )?,
            index_behind: series.gauge(
                "pulverlog_index_behind_entries",
                "Entries the index has not taken in",
            )?,
            clock_behind_ms: series.gauge(
                "pulverlog_clock_behind_milliseconds",
                "How far the clock stands behind the newest entry",
            )?,
            key_age_s: series.gauges(
                "pulverlog_key_age_seconds",
                "Age of the keys that sign",
                &["key"],
            )?,
            certificate_end_s: series.gauges(
                "pulverlog_certificate_end_timestamp_seconds",
                "When the certificates of the service end, in seconds since 1970",
                &["certificate"],
            )?,
            resident_bytes: series
                .gauge("process_resident_memory_bytes", "Memory of the process")?,
            open_files: series.gauge("process_open_fds", "Open files of the process")?,
            started_s: series.gauge(
                "process_start_time_seconds",
                "When the process was started, in seconds since 1970",
            )?,
            build: series.gauges(
                "pulverlog_build_info",
                "Always 1; its labels tell what runs",
                &["version", "api", "log"],
            )?,
            series,
        })
    }

    /// The text form.
    pub fn text(&self) -> String {
        self.series.text()
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn every_series_has_a_name_of_its_own() {
        let metrics = super::Metrics::new().unwrap();
        metrics.problems.with_label_values(&["busy"]).inc();
        assert!(metrics.text().contains("pulverlog_problems_total{code=\"busy\"} 1"));
    }
}
