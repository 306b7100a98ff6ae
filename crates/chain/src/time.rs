//! RFC 3339 time stamps in the one spelling entries use: UTC, milliseconds, `Z`.
//!
//! No clock is read here and no time zone is known; a time is a count of milliseconds since
//! 1970-01-01T00:00:00Z without leap seconds.

/// `9999-12-31T23:59:59.999Z`, the last instant four digits of a year can write.
pub const TIME_MS_MAX: i64 = 253_402_300_799_999;

/// Length of a time stamp in bytes.
pub const TIME_LEN: usize = 24;

const DAY_MS: i64 = 86_400_000;

/// The time cannot be written, or the text is not a time stamp.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TimeError {
    /// Before 1970 or after 9999.
    #[error("time `{0}` ms is outside the years 1970 to 9999")]
    Range(i64),
    /// Not `YYYY-MM-DDThh:mm:ss.mmmZ`, or no such day or time of day.
    #[error("a time stamp has the form `YYYY-MM-DDThh:mm:ss.mmmZ`, years 1970 to 9999")]
    Form,
}

/// Writes `time_ms` as `YYYY-MM-DDThh:mm:ss.mmmZ`.
///
/// # Errors
/// [`TimeError::Range`] outside 1970..=9999.
pub fn format_ms(time_ms: i64) -> Result<String, TimeError> {
    let text = ascii_ms(time_ms)?;
    Ok(std::str::from_utf8(&text).expect("digits are ASCII").to_owned())
}

/// [`format_ms`] without an allocation: every entry has a time.
pub(crate) fn ascii_ms(time_ms: i64) -> Result<[u8; TIME_LEN], TimeError> {
    if !(0..=TIME_MS_MAX).contains(&time_ms) {
        return Err(TimeError::Range(time_ms));
    }
    let (year, month, day) = civil_from_days(time_ms / DAY_MS);
    let ms = time_ms % DAY_MS;
    let (hour, minute, second) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1_000 % 60);
    let mut text = *b"0000-00-00T00:00:00.000Z";
    for (place, number) in [
        (0..4, year),
        (5..7, month),
        (8..10, day),
        (11..13, hour),
        (14..16, minute),
        (17..19, second),
        (20..23, ms % 1_000),
    ] {
        let mut rest = number;
        for digit in text[place].iter_mut().rev() {
            *digit += (rest % 10) as u8;
            rest /= 10;
        }
    }
    Ok(text)
}

/// Reads exactly what [`format_ms`] writes: no other precision, no offset, no leap second.
///
/// # Errors
/// [`TimeError::Form`].
pub fn parse_ms(text: &str) -> Result<i64, TimeError> {
    let bytes: &[u8; TIME_LEN] = text.as_bytes().try_into().map_err(|_| TimeError::Form)?;
    let mask = b"dddd-dd-ddTdd:dd:dd.dddZ";
    let fits = |(b, m): (&u8, &u8)| if *m == b'd' { b.is_ascii_digit() } else { b == m };
    if !bytes.iter().zip(mask).all(fits) {
        return Err(TimeError::Form);
    }
    let number = |at: usize, len: usize| {
        bytes[at..at + len].iter().fold(0, |n, b| n * 10 + i64::from(b - b'0'))
    };
    let (year, month, day) = (number(0, 4), number(5, 2), number(8, 2));
    let (hour, minute, second) = (number(11, 2), number(14, 2), number(17, 2));
    let day_exists = year >= 1970 && (1..=12).contains(&month) && {
        let days = days_from_civil(year, month, day);
        day >= 1 && civil_from_days(days) == (year, month, day)
    };
    if !day_exists || hour > 23 || minute > 59 || second > 59 {
        return Err(TimeError::Form);
    }
    let seconds = (hour * 60 + minute) * 60 + second;
    Ok(days_from_civil(year, month, day) * DAY_MS + seconds * 1_000 + number(20, 3))
}

/// Days in 400 Gregorian years: 400 * 365 + 97 leap days.
const ERA_DAYS: i64 = 146_097;
/// Days from 0000-03-01 to 1970-01-01.
const EPOCH_DAYS: i64 = 719_468;

/// Days since 1970-01-01. Years are counted from 1 March, so that the leap day is the last day of
/// its year and the months before it have a fixed pattern: (153 * m + 2) / 5 days precede month m.
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let month = (month + 9) % 12;
    let leap_days = year / 4 - year / 100 + year / 400;
    year * 365 + leap_days + (153 * month + 2) / 5 + day - 1 - EPOCH_DAYS
}

/// Year, month and day of a count of days since 1970-01-01; inverse of [`days_from_civil`].
fn civil_from_days(days: i64) -> (i64, i64, i64) {
    let days = days + EPOCH_DAYS;
    let (era, day_of_era) = (days / ERA_DAYS, days % ERA_DAYS);
    // Take out the leap days that precede: one in 1,460 days, not in 36,524, again in 146,096.
    let year_of_era =
        (day_of_era - day_of_era / 1_460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month + 2) / 5 + 1;
    let year = era * 400 + year_of_era + i64::from(month >= 10);
    (year, if month < 10 { month + 3 } else { month - 9 }, day)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn known_times() {
        // Counts of seconds by `date -u -d '<time>' +%s` (GNU coreutils).
        for (ms, text) in [
            (0, "1970-01-01T00:00:00.000Z"),
            (951_782_399_999, "2000-02-28T23:59:59.999Z"),
            (951_782_400_000, "2000-02-29T00:00:00.000Z"),
            (951_868_800_000, "2000-03-01T00:00:00.000Z"),
            (1_679_315_147_001, "2023-03-20T12:25:47.001Z"),
            (2_147_483_648_000, "2038-01-19T03:14:08.000Z"),
            (4_107_542_399_000, "2100-02-28T23:59:59.000Z"),
            (4_107_542_400_000, "2100-03-01T00:00:00.000Z"),
            (TIME_MS_MAX, "9999-12-31T23:59:59.999Z"),
        ] {
            assert_eq!(format_ms(ms).as_deref(), Ok(text));
            assert_eq!(parse_ms(text), Ok(ms), "{text}");
        }
    }

    #[test]
    fn every_day_from_1970_to_9999_round_trips() {
        let mut before = String::new();
        for day in 0..=TIME_MS_MAX / DAY_MS {
            let text = format_ms(day * DAY_MS).unwrap();
            assert_eq!(parse_ms(&text), Ok(day * DAY_MS));
            assert!(before < text, "order of text is order of time");
            before = text;
        }
    }

    #[test]
    fn one_spelling_only() {
        for bad in [
            "",
            "2023-03-20T12:25:47Z",
            "2023-03-20T12:25:47.1Z",
            "2023-03-20T12:25:47.0001Z",
            "2023-03-20t12:25:47.001Z",
            "2023-03-20T12:25:47.001z",
            "2023-03-20 12:25:47.001Z",
            "2023-03-20T12:25:47,001Z",
            "2023-03-20T12:25:47.001+00:00",
            "1969-12-31T23:59:59.999Z",
            "2023-00-20T12:25:47.001Z",
            "2023-13-20T12:25:47.001Z",
            "2023-03-00T12:25:47.001Z",
            "2023-04-31T12:25:47.001Z",
            "2023-02-29T12:25:47.001Z",
            "2100-02-29T12:25:47.001Z",
            "2023-03-20T24:00:00.000Z",
            "2023-03-20T12:60:47.001Z",
            "2016-12-31T23:59:60.000Z",
            "2023-03-20T12:25:4\u{0663}.01Z",
        ] {
            assert_eq!(parse_ms(bad), Err(TimeError::Form), "{bad}");
        }
        assert_eq!(format_ms(-1), Err(TimeError::Range(-1)));
        assert_eq!(format_ms(TIME_MS_MAX + 1), Err(TimeError::Range(TIME_MS_MAX + 1)));
    }
}
