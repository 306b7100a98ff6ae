//! Days counted on the site's working days only.

use super::meter::DayNumber;
use crate::record::SiteConfig;

/// Days counted on the site's working days only.
pub(crate) struct WorkingDays {
    /// 0 = Monday to 6 = Sunday, ascending.
    week: Vec<i32>,
}

impl WorkingDays {
    /// The working days of a site; every day when none is configured.
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
        Self { week }
    }

    fn per_week(&self) -> i32 {
        i32::try_from(self.week.len()).unwrap_or(7)
    }

    /// Number of working days up to and including `day`, from a fixed Monday.
    pub(crate) fn count(&self, day: DayNumber) -> i32 {
        // 1970-01-01 was a Thursday: day 0 lies three days after a Monday.
        let since_monday = day.saturating_add(3);
        let weekday = since_monday.rem_euclid(7);
        let in_week = self.week.iter().filter(|d| **d <= weekday).count();
        since_monday.div_euclid(7) * self.per_week() + i32::try_from(in_week).unwrap_or(7)
    }

    /// The working day with that number.
    pub(crate) fn day(&self, count: i32) -> DayNumber {
        let (weeks, rest) =
            ((count - 1).div_euclid(self.per_week()), (count - 1).rem_euclid(self.per_week()));
        let weekday = usize::try_from(rest).ok().and_then(|r| self.week.get(r)).copied();
        weeks * 7 + weekday.unwrap_or(0) - 3
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::equipment::day_number;

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
        for working in [&[1, 2, 3, 4, 5][..], &[7, 1], &[3], &[], &[1, 2, 3, 4, 5, 6, 7]] {
            let week = WorkingDays::of(&config(working));
            let first = week.count(day("1969-12-20"));
            for count in first..first + 40 {
                assert_eq!(week.count(week.day(count)), count, "{working:?}");
                assert_eq!(week.count(week.day(count) - 1), count - 1, "{working:?}");
            }
        }
    }
}
