//! What an operator watches, in the Prometheus text format.
//!
//! Labels come from closed sets (operation ids, problem codes, configured keys), never from input, so that a client
//! cannot make the number of series grow.

use prometheus::{
    Encoder as _, HistogramOpts, HistogramVec, IntCounter, IntCounterVec, IntGauge, IntGaugeVec,
    Opts, Registry, TextEncoder,
};

/// Every series of the service.
#[derive(Debug, Clone)]
pub struct Metrics {
    registry: Registry,
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
        let registry = Registry::new();
        let counters = |name: &str, help: &str, labels: &[&str]| {
            let vec = IntCounterVec::new(Opts::new(name, help), labels)?;
            registry.register(Box::new(vec.clone()))?;
            Ok::<_, prometheus::Error>(vec)
        };
        let counter = |name: &str, help: &str| {
            let counter = IntCounter::new(name, help)?;
            registry.register(Box::new(counter.clone()))?;
            Ok::<_, prometheus::Error>(counter)
        };
        let gauge = |name: &str, help: &str| {
            let gauge = IntGauge::new(name, help)?;
            registry.register(Box::new(gauge.clone()))?;
            Ok::<_, prometheus::Error>(gauge)
        };
        let answer_s = HistogramVec::new(
            HistogramOpts::new(
                "pulverlog_answer_seconds",
                "Time from request head to answer, by operation",
            )
            .buckets(vec![0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0, 30.0]),
            &["operation"],
        )?;
        registry.register(Box::new(answer_s.clone()))?;
        let gauges = |name: &str, help: &str, labels: &[&str]| {
            let vec = IntGaugeVec::new(Opts::new(name, help), labels)?;
            registry.register(Box::new(vec.clone()))?;
            Ok::<_, prometheus::Error>(vec)
        };
        Ok(Self {
            answers: counters(
                "pulverlog_answers_total",
                "Answers by operation and status",
                &["operation", "status"],
            )?,
            answer_s,
            problems: counters(
                "pulverlog_problems_total",
                "Problems answered by code, also inside batches",
                &["code"],
            )?,
            rejections: counters(
                "pulverlog_tokens_rejected_total",
                "Tokens not accepted by reason",
                &["reason"],
            )?,
            events: counters(
                "pulverlog_events_total",
                "Events sent by what became of them",
                &["outcome"],
            )?,
            refusals_recorded: counter(
                "pulverlog_refusals_recorded_total",
                "Refused requests that were recorded as entries",
            )?,
            refusals_skipped: counter(
                "pulverlog_refusals_not_recorded_total",
                "Refused requests that were counted only",
            )?,
            entries: gauge("pulverlog_entries", "Entries in the log")?,
            scrubbed: gauge(
                "pulverlog_scrubbed_entries",
                "Entries the last whole background reading found as they were signed",
            )?,
            damaged: gauge(
                "pulverlog_damage_found",
                "1 if the background reading found entries that changed on the disk",
            )?,
            waiters: gauge("pulverlog_waiting_requests", "Requests that wait for news")?,
            panics: counter("pulverlog_panics_total", "Panics caught in handlers")?,
            uncovered: gauge(
                "pulverlog_uncovered_entries",
                "Entries that no witnessed checkpoint covers",
            )?,
            uncovered_s: gauge(
                "pulverlog_uncovered_seconds",
                "Age of the oldest entry that no witnessed checkpoint covers",
            )?,
            witness_size: gauges(
                "pulverlog_witness_cosigned_entries",
                "Size of the newest checkpoint each witness cosigned",
                &["witness"],
            )?,
            witness_answers: counters(
                "pulverlog_witness_answers_total",
                "Answers of witnesses by what became of them",
                &["witness", "outcome"],
            )?,
            webhook_attempts: counters(
                "pulverlog_webhook_attempts_total",
                "Attempts to deliver an entry by what became of them",
                &["subscription", "outcome"],
            )?,
            webhook_behind: gauges(
                "pulverlog_webhook_behind_entries",
                "Entries a subscription has not dealt with",
                &["subscription"],
            )?,
            webhook_dead_letters: gauges(
                "pulverlog_webhook_dead_letters",
                "Deliveries that were given up and wait for somebody",
                &["subscription"],
            )?,
            webhook_suspended: gauges(
                "pulverlog_webhook_suspended",
                "1 if a subscription is suspended",
                &["subscription"],
            )?,
            registry,
        })
    }

    /// The text form.
    pub fn text(&self) -> String {
        let mut out = Vec::new();
        // Writing into memory cannot fail; a family without series is left out by the encoder.
        let _ = TextEncoder::new().encode(&self.registry.gather(), &mut out);
        String::from_utf8_lossy(&out).into_owned()
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
