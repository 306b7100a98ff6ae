//! What an operator watches, in the Prometheus text format. Labels come from closed sets.

use edge::metrics::Series;
use prometheus::{IntCounterVec, IntGauge};

/// Every series of the service.
#[derive(Debug, Clone)]
pub struct Metrics {
    series: Series,
    /// Events that machines sent, by what became of them: `new`, `known`, `refused`, `put_off`.
    pub taken: IntCounterVec,
    /// Events of which the recorder said what became: `recorded`, `known`, `refused`.
    pub delivered: IntCounterVec,
    /// Deliveries that did not go well, by reason.
    pub failures: IntCounterVec,
    /// Events and whole batches that wait.
    pub waiting: IntGauge,
    /// Age of the oldest, in seconds.
    pub oldest_s: IntGauge,
    /// Bytes of the spool.
    pub spool_bytes: IntGauge,
    /// Bytes it may have.
    pub spool_bytes_max: IntGauge,
    /// Places of the spool that could not be read, since the start.
    pub damaged: IntGauge,
    /// Entries in the refused store.
    pub refused: IntGauge,
    /// 1 if somebody has to mend something before events go on.
    pub blocked: IntGauge,
    /// 1 if there is a connection to the broker.
    pub mqtt_connected: IntGauge,
}

impl Metrics {
    /// A registry with every series at its start.
    ///
    /// # Errors
    /// [`prometheus::Error`] if a name were used twice, which a test would show.
    pub fn new() -> Result<Self, prometheus::Error> {
        let series = Series::default();
        Ok(Self {
            taken: series.counters(
                "pulverlog_relay_taken_total",
                "Events that machines sent, by what became of them",
                &["outcome"],
            )?,
            delivered: series.counters(
                "pulverlog_relay_delivered_total",
                "Events of which the recorder said what became",
                &["outcome"],
            )?,
            failures: series.counters(
                "pulverlog_relay_failures_total",
                "Deliveries that did not go well, by reason",
                &["reason"],
            )?,
            waiting: series
                .gauge("pulverlog_relay_waiting", "Events and whole batches that wait")?,
            oldest_s: series
                .gauge("pulverlog_relay_oldest_seconds", "Age of the oldest that waits")?,
            spool_bytes: series.gauge("pulverlog_relay_spool_bytes", "Bytes of the spool")?,
            spool_bytes_max: series
                .gauge("pulverlog_relay_spool_bytes_max", "Bytes it may have")?,
            damaged: series.gauge(
                "pulverlog_relay_damage_found",
                "Places of the spool that could not be read, since the start",
            )?,
            refused: series.gauge("pulverlog_relay_refused", "Entries in the refused store")?,
            blocked: series.gauge(
                "pulverlog_relay_blocked",
                "1 if somebody has to mend something before events go on",
            )?,
            mqtt_connected: series.gauge(
                "pulverlog_relay_mqtt_connected",
                "1 if there is a connection to the broker",
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
        metrics.delivered.with_label_values(&["known"]).inc();
        assert!(metrics.text().contains("pulverlog_relay_delivered_total{outcome=\"known\"} 1"));
    }
}
