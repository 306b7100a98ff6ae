//! Control limits of single values on a named baseline (computations.md C22).
//!
//! A value outside the limits is worth a look; it stops nothing.

/// 3/1.128, where 1.128 = 2/√π is the mean range of two normal values.
pub const RANGE_FACTOR: f64 = 2.66;

/// Centre and limits of a baseline.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Mean of the baseline.
    pub mean: f64,
    /// Mean of the moving ranges |x_i - x_(i-1)|.
    pub mean_moving_range: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Limits from a baseline of at least two values. `floor` is the lowest value there can be, for
/// example 0 for a percentage.
pub fn individuals(baseline: &[f64], floor: Option<f64>) -> Option<Limits> {
    if baseline.len() < 2 || baseline.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let mean = baseline.iter().sum::<f64>() / baseline.len() as f64;
    let ranges = baseline.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    let mean_moving_range = ranges.sum::<f64>() / (baseline.len() - 1) as f64;
    let low = mean - RANGE_FACTOR * mean_moving_range;
    Some(Limits {
        mean,
        mean_moving_range,
        low: floor.map_or(low, |floor| low.max(floor)),
        high: mean + RANGE_FACTOR * mean_moving_range,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::close;

    #[test]
    fn limits_of_an_oversize_series() {
        // computations.md C22, arithmetic.
        let limits = individuals(&[2.1, 2.4, 1.9, 2.3, 2.2], Some(0.0)).unwrap();
        close(limits.mean, 2.18, "mean");
        close(limits.mean_moving_range, 0.325, "mean moving range");
        close(limits.low, 1.3155, "low");
        close(limits.high, 3.0445, "high");
        let wide = individuals(&[0.1, 2.0, 0.1], Some(0.0)).unwrap();
        assert_eq!(wide.low, 0.0, "a percentage does not go below 0");
        assert_eq!(individuals(&[1.0], None), None);
    }
}
