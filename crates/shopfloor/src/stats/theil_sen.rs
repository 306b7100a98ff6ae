//! Robust slope of readings over days: one mis-read does not bend it (computations.md C2).

/// z of a two-sided 95 % band.
pub const Z_95: f64 = 1.959_964;

/// A slope with its band, in y units per x unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slope {
    /// Median of the slopes of all pairs.
    pub slope: f64,
    /// Lower end of the band.
    pub low: f64,
    /// Upper end of the band.
    pub high: f64,
    /// Number of pairs with different x.
    pub pairs: usize,
}

/// Theil-Sen slope of `points` (x, y) with the band of P. K. Sen 1968, JASA 63:1379, ties in x and
/// y counted out. `None` when no two points differ in x or a value is not finite.
pub fn theil_sen(points: &[(f64, f64)], z: f64) -> Option<Slope> {
    if points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return None;
    }
    let mut slopes = Vec::with_capacity(points.len() * points.len().saturating_sub(1) / 2);
    for (i, (x0, y0)) in points.iter().enumerate() {
        for (x1, y1) in &points[i + 1..] {
            if x0 != x1 {
                slopes.push((y1 - y0) / (x1 - x0));
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let pairs = slopes.len();
    let middle = pairs / 2;
    let slope =
        if pairs % 2 == 1 { slopes[middle] } else { (slopes[middle - 1] + slopes[middle]) / 2.0 };

    let n = points.len() as f64;
    let ties = |values: &mut Vec<f64>| -> f64 {
        values.sort_unstable_by(f64::total_cmp);
        values.chunk_by(|a, b| a == b).map(|run| term(run.len() as f64)).sum()
    };
    let tied_x = ties(&mut points.iter().map(|p| p.0).collect());
    let tied_y = ties(&mut points.iter().map(|p| p.1).collect());
    let sigma = ((term(n) - tied_x - tied_y) / 18.0).max(0.0).sqrt();
    let count = pairs as f64;
    let low = ((count - z * sigma) / 2.0).round_ties_even() - 1.0;
    let high = ((count + z * sigma) / 2.0).round_ties_even();
    let at = |rank: f64| slopes[(rank.max(0.0) as usize).min(pairs - 1)];
    Some(Slope { slope, low: at(low), high: at(high), pairs })
}

/// k(k-1)(2k+5), the variance term of Kendall's statistic.
fn term(k: f64) -> f64 {
    k * (k - 1.0) * (2.0 * k + 5.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::close;

    // computations.md C2; values computed there with SciPy 1.17.1, `scipy.stats.theilslopes`.
    const READINGS: [(f64, f64); 6] = [
        (0.0, 1000.0),
        (7.0, 1062.0),
        (14.0, 1121.0),
        (21.0, 1236.0), // mis-read
        (28.0, 1240.0),
        (35.0, 1302.0),
    ];

    #[test]
    fn one_mis_read_does_not_bend_the_slope() {
        let found = theil_sen(&READINGS, Z_95).unwrap();
        close(found.slope, 8.619048, "slope");
        close(found.low, 4.714286, "low");
        close(found.high, 12.428571, "high");
        assert_eq!(found.pairs, 15);
        // Due at 1500 h: 198 h remain.
        close(198.0 / found.slope, 22.97238, "days");
        close(198.0 / found.high, 15.93103, "earliest");
        close(198.0 / found.low, 42.0, "latest");
    }

    #[test]
    fn the_axis_of_working_days_gives_the_rate_per_working_day() {
        let working: Vec<_> = READINGS.iter().map(|(day, h)| (day * 5.0 / 7.0, *h)).collect();
        let found = theil_sen(&working, Z_95).unwrap();
        close(found.slope, 12.06667, "slope per working day");
        close(198.0 / found.slope, 16.40884, "working days");
    }

    #[test]
    fn equal_days_give_no_slope() {
        assert_eq!(theil_sen(&[(1.0, 2.0), (1.0, 3.0)], Z_95), None);
        assert_eq!(theil_sen(&[], Z_95), None);
        assert_eq!(theil_sen(&[(0.0, f64::NAN), (1.0, 1.0)], Z_95), None);
    }
}
