//! Control limits of single values on a named baseline (computations.md C22).
//!
//! A value outside the limits is worth a look; it stops nothing.
//!
//! The limits of C22 take the spread of the baseline as known. After few values it is not: of a sound
//! process some 3 % of the values lie outside the limits of 8 values and 1 % outside those of 20, not
//! the 0.27 % that three standard deviations promise. [`next_value`] widens the limits by what a
//! short baseline leaves open; for a long one both are the same.

use std::sync::OnceLock;

use super::special::beta_quantile;

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

/// Share of the values of a sound process outside the limits, both sides together: that of three
/// standard deviations of the normal law.
pub const FALSE_ALARMS: f64 = 0.0027;

/// Degrees of freedom that a moving range adds: the mean of n - 1 ranges knows the spread as well as
/// a standard deviation of 0.605 (n - 1) degrees of freedom. From memory (relative variance of the
/// mean moving range, 0.826/(n - 1)); a test counts the false alarms it leads to.
const FREEDOM_OF_RANGE: f64 = 0.605;

/// Limits for the next value of a process, from a baseline of at least two values: mean
/// +- t s sqrt(1 + 1/n), where s = mean moving range x sqrt(pi)/2 as in C22 and t is the quantile of
/// Student's law that leaves [`FALSE_ALARMS`] outside.
///
/// Source: prediction interval of a single future value (NIST/SEMATECH e-Handbook, prediction
/// intervals; ISO 16269-8), limits from a short first stage (Hillier 1969, Journal of Quality
/// Technology 1:17), both from memory.
pub fn next_value(baseline: &[f64], floor: Option<f64>) -> Option<Limits> {
    let Limits { mean, mean_moving_range, .. } = individuals(baseline, None)?;
    let n = baseline.len() as f64;
    let spread = mean_moving_range * std::f64::consts::PI.sqrt() / 2.0;
    let t = quantile_of(baseline.len());
    let reach = t * spread * (1.0 + 1.0 / n).sqrt();
    let low = mean - reach;
    Some(Limits {
        mean,
        mean_moving_range,
        low: floor.map_or(low, |floor| low.max(floor)),
        high: mean + reach,
    })
}

/// The quantile for a baseline of so many values. A pass of a sieve is judged on a baseline of always
/// the same length, and to find the quantile takes longer than all the rest: it is kept.
fn quantile_of(values: usize) -> f64 {
    static KEPT: [OnceLock<f64>; 64] = [const { OnceLock::new() }; 64];
    let quantile = || student_quantile(FALSE_ALARMS, FREEDOM_OF_RANGE * (values as f64 - 1.0));
    KEPT.get(values).map_or_else(quantile, |kept| *kept.get_or_init(quantile))
}

/// The value that Student's law exceeds, in size, with probability `outside`.
fn student_quantile(outside: f64, degrees: f64) -> f64 {
    // t^2 = v (1 - x) / x, where x follows the beta law of v/2 and 1/2.
    let x = beta_quantile(outside, degrees / 2.0, 0.5);
    (degrees * (1.0 - x) / x).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::close;

    #[test]
    fn a_short_baseline_widens_the_limits_and_a_long_one_does_not() {
        // Table of Student's law, two-sided 0.05: 12.706, 2.228; 0.0027 at 1e6 degrees: 3.
        close(student_quantile(0.05, 1.0), 12.7062, "t of 1 degree");
        close(student_quantile(0.05, 10.0), 2.22814, "t of 10 degrees");
        let wave: Vec<f64> = (0..20_000).map(|n| f64::from(n % 7)).collect();
        let (known, next) = (individuals(&wave, None).unwrap(), next_value(&wave, None).unwrap());
        assert!((next.high / known.high - 1.0).abs() < 0.002, "{next:?} {known:?}");
        let few = next_value(&wave[..8], None).unwrap();
        let known = individuals(&wave[..8], None).unwrap();
        assert!(few.high - few.mean > 1.5 * (known.high - known.mean), "{few:?}");
    }

    #[test]
    fn a_sound_process_is_outside_as_rarely_as_promised() {
        // Normal values from a fixed generator; at most 0.0027 is promised for any baseline.
        let mut seed = 7_u64;
        let mut uniform = || {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((seed >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        };
        let mut normal = || {
            let (r, angle) = ((-2.0 * uniform().ln()).sqrt(), std::f64::consts::TAU * uniform());
            r * angle.cos()
        };
        for n in [8_usize, 20] {
            let trials = 20_000;
            let (mut widened, mut plain) = (0, 0);
            let factor = {
                let unit: Vec<f64> = (0..n).map(|i| f64::from(u8::from(i % 2 == 0))).collect();
                let limits = next_value(&unit, None).unwrap();
                (limits.high - limits.mean) / limits.mean_moving_range
            };
            for _ in 0..trials {
                let baseline: Vec<f64> = (0..n).map(|_| normal()).collect();
                let known = individuals(&baseline, None).unwrap();
                let distance = (normal() - known.mean).abs();
                widened += usize::from(distance > factor * known.mean_moving_range);
                plain += usize::from(distance > RANGE_FACTOR * known.mean_moving_range);
            }
            let share = |count: usize| count as f64 / f64::from(trials);
            assert!((0.0002..0.004).contains(&share(widened)), "{n}: {}", share(widened));
            assert!(share(plain) > 3.0 * share(widened), "{n}: {}", share(plain));
        }
    }

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
