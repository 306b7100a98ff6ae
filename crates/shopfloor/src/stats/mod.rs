//! Statistics over recorded figures: the only place of this crate where binary floats are allowed.
//!
//! Results never enter a fold's state or the log; they are shown rounded, beside the readings they
//! rest on. Every function is checked against the values of computations.md, which were computed
//! with SciPy 1.17.1, statsmodels 0.15.0 and lifelines 0.30.3.

pub mod chart;
pub mod forecast;
pub mod life;
pub mod proportion;
mod special;
pub mod stock;
pub mod theil_sen;

/// Asserts that `found` agrees with a check value to all digits shown, or to 1e-4 where fewer than
/// five digits are shown (computations.md, "Conventions").
#[cfg(test)]
#[track_caller]
pub(crate) fn close(found: f64, expected: f64, what: &str) {
    let digits = format!("{expected}");
    let shown = digits.trim_start_matches(['0', '.', '-']).chars().filter(char::is_ascii_digit);
    let shown = shown.count().max(1);
    let magnitude = expected.abs().log10().floor();
    let last_digit = 10f64.powf(magnitude - (shown as f64 - 1.0));
    let tolerance = (0.5 * last_digit).max(expected.abs() * if shown < 5 { 1e-4 } else { 0.0 });
    assert!(
        (found - expected).abs() <= tolerance * (1.0 + 1e-9),
        "{what}: found {found}, expected {expected} +- {tolerance}"
    );
}
