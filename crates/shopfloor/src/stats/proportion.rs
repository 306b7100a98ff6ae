//! Confidence of a rate counted from few cases (computations.md C14).

use schemars::JsonSchema;
use serde::Serialize;

use super::special::beta_quantile;
use super::theil_sen::Z_95;

/// A rate with a 95 % interval, each between 0 and 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Share of successes.
    pub rate: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Wilson's interval (Wilson 1927, JASA 22:209) of `hits` out of `of`; `None` when `of` is 0.
pub fn wilson(hits: u64, of: u64) -> Option<Rate> {
    if of == 0 {
        return None;
    }
    let (n, z2) = (of as f64, Z_95 * Z_95);
    let rate = hits as f64 / n;
    let centre = (rate + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let spread = (rate * (1.0 - rate) / n + z2 / (4.0 * n * n)).sqrt();
    let half = Z_95 / (1.0 + z2 / n) * spread;
    Some(Rate { rate, low: (centre - half).max(0.0), high: (centre + half).min(1.0) })
}

/// The exact interval of Clopper and Pearson by beta quantiles; `None` when `of` is 0.
pub fn exact(hits: u64, of: u64) -> Option<Rate> {
    if of == 0 || hits > of {
        return None;
    }
    let (x, n) = (hits as f64, of as f64);
    let low = if hits == 0 { 0.0 } else { beta_quantile(0.025, x, n - x + 1.0) };
    let high = if hits == of { 1.0 } else { beta_quantile(0.975, x + 1.0, n - x) };
    Some(Rate { rate: x / n, low, high })
}

/// A rate with its 95 % interval by Wilson, as shown, in percent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct RateView {
    /// Successes.
    pub hits: u64,
    /// Cases.
    pub of: u64,
    /// Share in percent.
    pub percent: String,
    /// Lower end of the interval in percent.
    pub low_percent: String,
    /// Upper end in percent.
    pub high_percent: String,
}

impl RateView {
    /// The rate of `hits` out of `of`; `None` when there is no case.
    pub fn of(hits: u64, of: u64) -> Option<Self> {
        let percent = |share: f64| format!("{:.1}", share * 100.0);
        wilson(hits, of).map(|found| Self {
            hits,
            of,
            percent: percent(found.rate),
            low_percent: percent(found.low),
            high_percent: percent(found.high),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::close;

    #[test]
    fn on_time_rates() {
        // computations.md C14; values computed there with statsmodels, `proportion_confint`.
        let found = wilson(46, 50).unwrap();
        close(found.rate, 0.92, "rate");
        close(found.low, 0.811618, "Wilson low");
        close(found.high, 0.968450, "Wilson high");
        let found = exact(46, 50).unwrap();
        close(found.low, 0.807657, "exact low");
        close(found.high, 0.977772, "exact high");
        let all = wilson(12, 12).unwrap();
        close(all.low, 0.757506, "12 of 12, low");
        close(all.high, 1.0, "12 of 12, high");
        assert_eq!(wilson(0, 0), None, "no tasks due");
    }
}
