//! What an operator watches, in the Prometheus text format.
//!
//! Labels come from closed sets (operation ids, problem codes, configured keys), never from input, so that a client
//! cannot make the number of series grow.

use edge::metrics::Series;
use prometheus::{HistogramVec, IntCounter, IntCounterVec, IntGauge, IntGaugeVec};

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
