//! When a counter will reach a limit, by the robust slope of its readings (computations.md C2).

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;

use super::theil_sen::{Z_95, theil_sen};

/// Days ahead beyond which a forecast says nothing useful: about ten years.
const DAYS_AHEAD_MAX: f64 = 3650.0;

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
        let days = (remaining / rate).ceil();
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
