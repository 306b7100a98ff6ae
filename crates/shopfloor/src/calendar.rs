//! Calendar arithmetic of the site's local days.

use jiff::civil::Date;

/// `start` plus whole months: the same day of the month; where that month is shorter, the last
/// day, except that 29 February in a common year becomes 1 March (waste-rules.md, "Dates": the
/// later, conservative day; 28 February is also arguable).
pub fn add_months(start: Date, months: i32) -> Date {
    let moved = start.saturating_add(jiff::Span::new().months(months));
    if start.month() == 2 && start.day() == 29 && moved.month() == 2 && moved.day() == 28 {
        moved.saturating_add(jiff::Span::new().days(1))
    } else {
        moved
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn leap_day_goes_to_the_first_of_march() {
        assert_eq!(add_months(date(2028, 2, 29), 36), date(2031, 3, 1));
        assert_eq!(add_months(date(2028, 2, 29), 48), date(2032, 2, 29));
        assert_eq!(add_months(date(2026, 1, 31), 1), date(2026, 2, 28));
    }
}
