//! Days counted on the site's working days only.

use super::meter::{DayNumber, day_number};
use crate::record::SiteConfig;

/// Days counted on the site's working days only: its days of the week, without its holidays.
pub(crate) struct WorkingDays {
    /// 0 = Monday to 6 = Sunday, ascending.
    week: Vec<i32>,
    /// Holidays on those days of the week, ascending.
    holidays: Vec<DayNumber>,
}

impl WorkingDays {
    /// The working days of a site; every day of the week when none is configured.
    pub(crate) fn of(config: &SiteConfig) -> Self {
        let mut week: Vec<i32> = config
            .working_days
            .iter()
            .filter(|d| (1..=7).contains(*d))
            .map(|d| i32::from(*d) - 1)
            .collect();
        week.sort_unstable();
        week.dedup();
        if week.is_empty() {
            week = (0..7).collect();
        }
        let holidays = config.holidays.iter().map(|day| day_number(day.0));
        let mut holidays: Vec<DayNumber> =
            holidays.filter(|day| week.contains(&weekday(*day))).collect();
        holidays.sort_unstable();
        holidays.dedup();
        Self { week, holidays }
    }

    fn per_week(&self) -> i32 {
        i32::try_from(self.week.len()).unwrap_or(7)
    }

    /// Holidays up to and including `day`.
    fn holidays_to(&self, day: DayNumber) -> i32 {
        i32::try_from(self.holidays.partition_point(|h| *h <= day)).unwrap_or(i32::MAX)
    }

    /// Number of working days up to and including `day`, from a fixed Monday.
    pub(crate) fn count(&self, day: DayNumber) -> i32 {
        let in_week = self.week.iter().filter(|d| **d <= weekday(day)).count();
        let weeks = day.saturating_add(MONDAY_BEFORE).div_euclid(7);
        weeks * self.per_week() + i32::try_from(in_week).unwrap_or(7) - self.holidays_to(day)
    }

    /// The working day with that number.
    pub(crate) fn day(&self, count: i32) -> DayNumber {
        let mut skipped = 0;
        loop {
            let day = self.day_of_week(count + skipped);
            // Holidays on the way move the day on, and there may be more of them then.
            match self.holidays_to(day) {
                passed if passed == skipped => return day,
                passed => skipped = passed,
            }
        }
    }

    /// The working day with that number, holidays left aside.
    fn day_of_week(&self, count: i32) -> DayNumber {
        let (weeks, rest) =
            ((count - 1).div_euclid(self.per_week()), (count - 1).rem_euclid(self.per_week()));
        let weekday = usize::try_from(rest).ok().and_then(|r| self.week.get(r)).copied();
        weeks * 7 + weekday.unwrap_or(0) - MONDAY_BEFORE
    }
}

/// 1970-01-01 was a Thursday: day 0 lies three days after a Monday.
const MONDAY_BEFORE: i32 = 3;

/// Day of the week, 0 = Monday.
fn weekday(day: DayNumber) -> i32 {
    day.saturating_add(MONDAY_BEFORE).rem_euclid(7)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::common::Day;

    #[test]
    fn working_days_are_counted_and_found_again() {
        let config =
            |days: &[u8]| SiteConfig { working_days: days.to_vec(), ..SiteConfig::default() };
        let day = |text: &str| day_number(text.parse().unwrap());
        // 2026-03-06 is a Friday.
        let week = WorkingDays::of(&config(&[1, 2, 3, 4, 5]));
        let friday = week.count(day("2026-03-06"));
        assert_eq!(week.count(day("2026-03-08")), friday, "the weekend adds nothing");
        assert_eq!(week.day(friday + 1), day("2026-03-09"), "the next one is Monday");
        let shutdown = ["2026-03-02", "2026-03-03", "2026-03-05", "2026-03-07", "2026-03-10"];
        for holidays in [&[][..], &shutdown, &["1969-12-25", "1970-01-01"]] {
            for working in [&[1, 2, 3, 4, 5][..], &[7, 1], &[3], &[], &[1, 2, 3, 4, 5, 6, 7]] {
                let holidays = holidays.iter().map(|day| Day(day.parse().unwrap())).collect();
                let week = WorkingDays::of(&SiteConfig { holidays, ..config(working) });
                for first in ["1969-12-20", "2026-02-25"].map(|from| week.count(day(from))) {
                    for count in first..first + 40 {
                        assert_eq!(week.count(week.day(count)), count, "{working:?}");
                        assert_eq!(week.count(week.day(count) - 1), count - 1, "{working:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn nobody_works_on_holidays() {
        // Good Friday and Easter Monday 2026: 3 and 6 April. The 4th is a Saturday anyhow.
        let holidays = ["2026-04-03", "2026-04-04", "2026-04-06"];
        let holidays = holidays.iter().map(|day| Day(day.parse().unwrap())).collect();
        let week = WorkingDays::of(&SiteConfig { holidays, ..SiteConfig::default() });
        let day = |text: &str| day_number(text.parse().unwrap());
        let thursday = week.count(day("2026-04-02"));
        assert_eq!(week.count(day("2026-04-06")), thursday, "four days without work");
        assert_eq!(week.day(thursday + 1), day("2026-04-07"));
    }
}
