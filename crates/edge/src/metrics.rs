//! Series of a service, registered as they are made, and their Prometheus text.

use prometheus::{
    Encoder as _, Histogram, HistogramOpts, HistogramVec, IntCounter, IntCounterVec, IntGauge,
    IntGaugeVec, Opts, Registry, TextEncoder,
};

/// The series of one service. Labels come from closed sets, never from input, so that a client cannot make
/// their number grow.
#[derive(Debug, Clone, Default)]
pub struct Series(Registry);

/// A series that cannot be made: its name is used twice, which a test of the service shows.
pub type Result<T> = std::result::Result<T, prometheus::Error>;

impl Series {
    /// A counter.
    ///
    /// # Errors
    /// If the name is used twice.
    pub fn counter(&self, name: &str, help: &str) -> Result<IntCounter> {
        let counter = IntCounter::new(name, help)?;
        self.0.register(Box::new(counter.clone()))?;
        Ok(counter)
    }

    /// Counters by labels.
    ///
    /// # Errors
    /// If the name is used twice.
    pub fn counters(&self, name: &str, help: &str, labels: &[&str]) -> Result<IntCounterVec> {
        let counters = IntCounterVec::new(Opts::new(name, help), labels)?;
        self.0.register(Box::new(counters.clone()))?;
        Ok(counters)
    }

    /// A gauge.
    ///
    /// # Errors
    /// If the name is used twice.
    pub fn gauge(&self, name: &str, help: &str) -> Result<IntGauge> {
        let gauge = IntGauge::new(name, help)?;
        self.0.register(Box::new(gauge.clone()))?;
        Ok(gauge)
    }

    /// Gauges by labels.
    ///
    /// # Errors
    /// If the name is used twice.
    pub fn gauges(&self, name: &str, help: &str, labels: &[&str]) -> Result<IntGaugeVec> {
        let gauges = IntGaugeVec::new(Opts::new(name, help), labels)?;
        self.0.register(Box::new(gauges.clone()))?;
        Ok(gauges)
    }

    /// A histogram with these upper bounds.
    ///
    /// # Errors
    /// If the name is used twice.
    pub fn histogram(&self, name: &str, help: &str, bounds: &[f64]) -> Result<Histogram> {
        let options = HistogramOpts::new(name, help).buckets(bounds.to_vec());
        let histogram = Histogram::with_opts(options)?;
        self.0.register(Box::new(histogram.clone()))?;
        Ok(histogram)
    }

    /// Histograms by labels, with these upper bounds.
    ///
    /// # Errors
    /// If the name is used twice.
    pub fn histograms(
        &self,
        name: &str,
        help: &str,
        labels: &[&str],
        bounds: &[f64],
    ) -> Result<HistogramVec> {
        let options = HistogramOpts::new(name, help).buckets(bounds.to_vec());
        let histograms = HistogramVec::new(options, labels)?;
        self.0.register(Box::new(histograms.clone()))?;
        Ok(histograms)
    }

    /// The text form.
    pub fn text(&self) -> String {
        let mut out = Vec::new();
        // Writing into memory cannot fail; a family without series is left out by the encoder.
        let _ = TextEncoder::new().encode(&self.0.gather(), &mut out);
        String::from_utf8_lossy(&out).into_owned()
    }
}
