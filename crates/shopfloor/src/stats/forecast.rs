//! When a counter will reach a limit, by the robust slope of its readings (computations.md C2).

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::theil_sen::{Z_95, theil_sen};

/// Days ahead beyond which a forecast says nothing useful: about ten years.
const DAYS_AHEAD_MAX: f64 = 3650.0;

/// What the quotient of two floats may be off, so that 26 days do not become 27 by the last bit.
const LAST_BITS: f64 = 1e-12;

/// Whole days from the last reading until a limit is reached, rounded up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reach {
    /// By the slope.
    pub expected: i32,
    /// By the upper end of its 95 % band.
    pub earliest: i32,
    /// By the lower end; `None`: open, because the band reaches down to no use at all.
    pub latest: Option<i32>,
    /// Use per day of the axis, two digits after the point.
    pub rate: String,
}

/// Forecast from `readings` (day on the axis in use, counter) for what `remaining` is left.
/// `None` when the counter does not move, or so slowly that no day can be named.
pub fn reach(readings: &[(i32, Decimal)], remaining: Decimal) -> Option<Reach> {
    let points: Vec<(f64, f64)> = readings
        .iter()
        .map(|(day, counter)| Some((f64::from(*day), counter.to_f64()?)))
        .collect::<Option<_>>()?;
    let found = theil_sen(&points, Z_95)?;
    let remaining = remaining.to_f64()?;
    let days = |rate: f64| -> Option<i32> {
        let days = (remaining / rate * (1.0 - LAST_BITS)).ceil();
        // The cast is exact: a whole number below the limit.
        (rate > 0.0 && days <= DAYS_AHEAD_MAX).then_some(days as i32)
    };
    Some(Reach {
        expected: days(found.slope)?,
        earliest: days(found.high)?,
        latest: days(found.low),
        rate: format!("{:.2}", found.slope),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_whole_number_of_days_stays_whole() {
        // 5.6 h a day for 26 days are 145.6 h; 145.6 / 5.6 is 26.000000000000004 in binary floats.
        let readings: Vec<(i32, Decimal)> =
            (0..5).map(|day| (day, Decimal::new(56 * i64::from(day), 1))).collect();
        assert_eq!(reach(&readings, Decimal::new(1456, 1)).unwrap().expected, 26);
    }
}
