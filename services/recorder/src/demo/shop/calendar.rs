//! Days, shifts and local times of the two sites.

use jiff::civil::{Date, Time, Weekday, date, time};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};

/// First day of the year the demo plays.
pub(super) const FIRST_DAY: Date = date(2025, 11, 1);
/// Its last day.
pub(super) const LAST_DAY: Date = date(2026, 10, 31);

/// The two sites of the invented shop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Site {
    /// The polymer room: PA12.
    North,
    /// The metal room: a titanium and an aluminium alloy.
    South,
}

impl Site {
    pub(super) const BOTH: [Site; 2] = [Site::North, Site::South];

    pub(super) fn label(self) -> &'static str {
        match self {
            Site::North => "north",
            Site::South => "south",
        }
    }

    pub(super) fn zone_name(self) -> &'static str {
        match self {
            Site::North => "Europe/Berlin",
            Site::South => "America/Chicago",
        }
    }

    pub(super) fn jurisdiction(self) -> &'static str {
        match self {
            Site::North => "eu",
            Site::South => "us",
        }
    }

    /// 1 = Monday to 7 = Sunday.
    pub(super) fn working_days(self) -> &'static [i8] {
        match self {
            Site::North => &[1, 2, 3, 4, 5, 6],
            Site::South => &[1, 2, 3, 4, 5],
        }
    }

    /// Days on which the site rests although its week says otherwise. Invented.
    fn closed(self) -> &'static [Date] {
        const NORTH: &[Date] = &[
            date(2025, 12, 24),
            date(2025, 12, 25),
            date(2025, 12, 26),
            date(2025, 12, 27),
            date(2025, 12, 31),
            date(2026, 1, 1),
            date(2026, 4, 3),
            date(2026, 4, 6),
            date(2026, 5, 1),
            date(2026, 5, 14),
        ];
        const SOUTH: &[Date] = &[
            date(2025, 11, 27),
            date(2025, 12, 24),
            date(2025, 12, 25),
            date(2026, 1, 1),
            date(2026, 5, 25),
            date(2026, 7, 3),
            date(2026, 9, 7),
        ];
        match self {
            Site::North => NORTH,
            Site::South => SOUTH,
        }
    }

    pub(super) fn works_on(self, day: Date) -> bool {
        let weekday = day.weekday().to_monday_one_offset();
        self.working_days().contains(&weekday) && !self.closed().contains(&day)
    }

    /// The instant of a local day and hour. Both zones resolve the hour that spring skips to the
    /// later one and the hour that autumn repeats to the earlier one.
    pub(super) fn at(self, day: Date, hour: i8, minute: i8) -> Timestamp {
        self.instant(day, time(hour, minute, 0, 0))
    }

    fn instant(self, day: Date, time: Time) -> Timestamp {
        day.to_datetime(time)
            .to_zoned_datetime(self.zone())
            .expect("a local time of this century")
            .timestamp()
    }

    pub(super) fn zone(self) -> TimeZone {
        TimeZone::get(self.zone_name()).expect("a zone of the built-in database")
    }

    /// RFC 3339 with the site's offset from UTC, whole seconds.
    pub(super) fn text(self, at: Timestamp) -> String {
        at.to_zoned_datetime(self.zone()).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
    }
}

/// The two shifts of a working day.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Shift {
    Early,
    Late,
}

impl Shift {
    pub(super) fn label(self) -> &'static str {
        match self {
            Shift::Early => "early",
            Shift::Late => "late",
        }
    }

    /// First hour of the shift; it lasts eight hours.
    pub(super) fn hour(self) -> i8 {
        match self {
            Shift::Early => 6,
            Shift::Late => 14,
        }
    }
}

pub(super) fn minutes(n: i64) -> SignedDuration {
    SignedDuration::from_mins(n)
}

pub(super) fn is_monday(day: Date) -> bool {
    day.weekday() == Weekday::Monday
}

/// Every day of the year the demo plays.
pub(super) fn days() -> impl Iterator<Item = Date> {
    std::iter::successors(Some(FIRST_DAY), |day| day.tomorrow().ok())
        .take_while(|day| *day <= LAST_DAY)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn local_hours_follow_the_clock_changes() {
        // computations.md C3: 24 Oct 2026 22:00 to 25 Oct 06:00 Europe/Berlin is 9 h,
        // 28 Mar 22:00 to 29 Mar 06:00 is 7 h (computed there with Python zoneinfo).
        let hours = |a: Date, b: Date| {
            Site::North.at(b, 6, 0).duration_since(Site::North.at(a, 22, 0)).as_hours()
        };
        assert_eq!(hours(date(2026, 10, 24), date(2026, 10, 25)), 9);
        assert_eq!(hours(date(2026, 3, 28), date(2026, 3, 29)), 7);
    }

    #[test]
    fn texts_carry_the_offset() {
        let at = Site::South.at(date(2026, 7, 1), 6, 30);
        assert_eq!(Site::South.text(at), "2026-07-01T06:30:00-05:00");
        assert_eq!(Site::North.text(at), "2026-07-01T13:30:00+02:00");
        assert_eq!(days().count(), 365);
    }
}
