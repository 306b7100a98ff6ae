//! Continuous counters over meters that roll over, are replaced and are mis-read
//! (computations.md C3).
//!
//! A reading is accepted only when it can be true: it does not go back, and an hour meter does not
//! run faster than time. What cannot be true is held for review and does not touch the count; the
//! next reading is compared with the last accepted one.

use std::collections::VecDeque;

use jiff::civil::Date;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::events::{Meter, MeterReplaced, MeterUnit, MeterValue};
use crate::forms::words;
use crate::growing::Growing;

/// What an hour meter may run ahead of real time, ms: 0.1 h for reading and rounding (C3).
pub const TOLERANCE_MS: i64 = 360_000;
/// Days of readings kept for the forecast: one reading a day, the newest ones.
pub const DAYS_KEPT: usize = 60;
const MS_PER_H: i64 = 3_600_000;
pub(super) const MS_PER_DAY: i64 = 86_400_000;

/// A calendar day as a number: days since 1970-01-01.
pub(crate) type DayNumber = i32;

/// Local day of an instant on the clock of whoever recorded it.
pub(crate) fn local_day(time_ms: i64, offset_s: i32) -> DayNumber {
    let days = (time_ms + i64::from(offset_s) * 1000).div_euclid(MS_PER_DAY);
    DayNumber::try_from(days).unwrap_or(DayNumber::MAX)
}

/// Number of a calendar day.
pub(crate) fn day_number(date: Date) -> DayNumber {
    let midnight = date.duration_since(Date::constant(1970, 1, 1));
    DayNumber::try_from(midnight.as_secs() / 86_400).unwrap_or(DayNumber::MAX)
}

/// Calendar day of a number; the last day the calendar knows when it lies beyond.
pub(crate) fn date_of(day: DayNumber) -> Date {
    Date::constant(1970, 1, 1)
        .saturating_add(jiff::Span::new().days(day.clamp(-719_162, 2_932_896)))
}

words! {
    /// Why a reading was not counted.
    pub enum HoldReason {
        /// It lies below the last accepted reading, and no rollover or replacement explains it.
        WentBackwards = "went_backwards",
        /// It needs more hours than passed since the last accepted reading.
        FasterThanTime = "faster_than_time",
        /// It lies outside the range the meter can show.
        OutOfRange = "out_of_range",
        /// Its unit is not the unit of the meter.
        WrongUnit = "wrong_unit",
    }
}

/// An accepted reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Reading {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) day: DayNumber,
    /// What the meter showed.
    pub(crate) shown: Decimal,
    /// The continuous counter: what was shown first, plus everything counted since.
    pub(crate) usage: Decimal,
}

/// A reading that was not counted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct HeldReading {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) shown: MeterValue,
    pub(crate) why: HoldReason,
    /// Entry of the accepted reading it was compared with.
    pub(crate) against: Option<u64>,
}

impl crate::pieces::Content for HeldReading {}

/// The last accepted usage of one day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct DayUsage {
    pub(crate) day: DayNumber,
    pub(crate) usage: Decimal,
    pub(crate) seq: u64,
}

/// One meter of a machine.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct MeterTrack {
    /// Unit by registration; until then the unit of the first reading.
    pub(crate) unit: Option<MeterUnit>,
    pub(crate) registered: bool,
    rolls_over_at: Option<Decimal>,
    pub(crate) last: Option<Reading>,
    pub(crate) days: VecDeque<DayUsage>,
    /// In order of work.
    pub(crate) held: Growing<HeldReading>,
}

/// What becomes of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// It counts; the counter then stands at `usage`.
    Counts { usage: Decimal },
    /// It is held for review.
    Held(HoldReason),
}

/// When and where a reading stands in the record.
#[derive(Debug, Clone, Copy)]
pub(crate) struct At {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) day: DayNumber,
}

/// The meter unit of a value, when it is one.
pub(crate) fn unit_of(value: &MeterValue) -> Option<MeterUnit> {
    match value.base_unit() {
        "h" => Some(MeterUnit::Hours),
        "1" => Some(MeterUnit::Count),
        _ => None,
    }
}

/// Whether `hours` can have run in `elapsed_ms` of real time.
fn fits_in_time(hours: Decimal, elapsed_ms: i64) -> bool {
    hours
        .checked_mul(Decimal::from(MS_PER_H))
        .is_some_and(|ms| ms <= Decimal::from(elapsed_ms.saturating_add(TOLERANCE_MS)))
}

impl MeterTrack {
    /// Takes over what the registration says of the meter. Counts go on.
    pub(crate) fn register(&mut self, meter: &Meter) {
        self.unit = Some(meter.unit);
        self.registered = true;
        self.rolls_over_at = match meter.unit {
            MeterUnit::Hours => meter.rolls_over_at.as_ref().map(|h| h.base()),
            // A count has no clock to tell a rollover from a mis-read: it must not go back.
            MeterUnit::Count => None,
        };
    }

    /// Itself without the readings that are held.
    pub(crate) fn bare(&self) -> Self {
        Self {
            unit: self.unit,
            registered: self.registered,
            rolls_over_at: self.rolls_over_at,
            last: self.last.clone(),
            days: self.days.clone(),
            held: Growing::default(),
        }
    }

    /// Where the counter stands.
    pub(crate) fn usage(&self) -> Option<Decimal> {
        self.last.as_ref().map(|r| r.usage)
    }

    /// The reading of an entry, by its time of work, if it is held.
    pub(crate) fn held(&self, time_ms: i64, seq: u64) -> Option<&HeldReading> {
        let at = self.held.first_not(|r| (r.time_ms, r.seq) < (time_ms, seq));
        at.filter(|r| r.seq == seq)
    }

    /// What becomes of a reading taken at `time_ms`.
    pub(crate) fn judge(&self, time_ms: i64, value: &MeterValue) -> Verdict {
        let shown = value.base();
        let Some(unit) = unit_of(value).filter(|u| self.unit.is_none_or(|own| own == *u)) else {
            return Verdict::Held(HoldReason::WrongUnit);
        };
        if shown < Decimal::ZERO || self.rolls_over_at.is_some_and(|m| shown >= m) {
            return Verdict::Held(HoldReason::OutOfRange);
        }
        let Some(last) = &self.last else { return Verdict::Counts { usage: shown } };
        let went_back = shown < last.shown;
        let counted = match (went_back, self.rolls_over_at) {
            (false, _) => shown - last.shown,
            (true, Some(modulus)) => shown - last.shown + modulus,
            (true, None) => return Verdict::Held(HoldReason::WentBackwards),
        };
        let possible = match unit {
            MeterUnit::Hours => fits_in_time(counted, time_ms - last.time_ms),
            MeterUnit::Count => true,
        };
        match (possible, went_back) {
            (true, _) => Verdict::Counts { usage: last.usage.saturating_add(counted) },
            // A rollover that would need more hours than passed is no rollover.
            (false, true) => Verdict::Held(HoldReason::WentBackwards),
            (false, false) => Verdict::Held(HoldReason::FasterThanTime),
        }
    }

    /// Folds a reading in.
    pub(crate) fn read(&mut self, at: At, value: &MeterValue) -> Verdict {
        let verdict = self.judge(at.time_ms, value);
        match verdict {
            Verdict::Counts { usage } => {
                self.unit = self.unit.or(unit_of(value));
                self.stand_at(at, value.base(), usage);
            }
            Verdict::Held(why) => self.held.push(HeldReading {
                seq: at.seq,
                time_ms: at.time_ms,
                shown: value.clone(),
                why,
                against: self.last.as_ref().map(|r| r.seq),
            }),
        }
        verdict
    }

    /// Folds a replacement in: usage += (last old - previous reading), then the new meter goes on
    /// from its first reading (C3). When the last old reading cannot be true it is held and the
    /// count goes on without it; what the old meter ran since its last reading is then unknown.
    pub(crate) fn replace(&mut self, at: At, swap: &MeterReplaced) -> Verdict {
        let verdict = self.read(at, &swap.last_old);
        let usage = self.usage().unwrap_or(Decimal::ZERO);
        self.stand_at(at, swap.first_new.base(), usage);
        verdict
    }

    fn stand_at(&mut self, at: At, shown: Decimal, usage: Decimal) {
        self.last = Some(Reading { seq: at.seq, time_ms: at.time_ms, day: at.day, shown, usage });
        if self.days.back().is_some_and(|d| d.day >= at.day) {
            self.days.pop_back();
        }
        self.days.push_back(DayUsage { day: at.day, usage, seq: at.seq });
        if self.days.len() > DAYS_KEPT {
            self.days.pop_front();
        }
    }

    /// The counter at a future reading of the present meter (for a deferral given as a reading).
    pub(crate) fn usage_at(&self, shown: Decimal) -> Decimal {
        let Some(last) = &self.last else { return shown };
        let ahead = shown - last.shown;
        let rolled = match self.rolls_over_at {
            Some(modulus) if ahead < Decimal::ZERO => ahead + modulus,
            Some(_) | None => ahead,
        };
        last.usage.saturating_add(rolled)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::{Code, Label, Reason};
    use crate::quantity::Hours;

    fn h(digits: &str) -> MeterValue {
        MeterValue::new(digits, "h").unwrap()
    }

    fn meter(rolls_over_at: Option<&str>) -> MeterTrack {
        let mut track = MeterTrack::default();
        track.register(&Meter {
            id: Label::new("run").unwrap(),
            unit: MeterUnit::Hours,
            rolls_over_at: rolls_over_at.map(|m| Hours::new(m, "h").unwrap()),
        });
        track
    }

    /// An event at a local wall-clock time, `2026-10-24T22:00[Europe/Berlin]`.
    fn at(seq: u64, wall: &str) -> At {
        let zoned: jiff::ZonedDateTime = wall.parse().unwrap();
        let time_ms = zoned.timestamp().as_millisecond();
        At { seq, time_ms, day: local_day(time_ms, zoned.offset().seconds()) }
    }

    fn usage(text: &str) -> Verdict {
        Verdict::Counts { usage: text.parse().unwrap() }
    }

    // computations.md C3, check values.

    #[test]
    fn a_meter_rolls_over_at_its_modulus() {
        let mut track = meter(Some("10000"));
        track.read(at(0, "2026-03-02T08:00[UTC]"), &h("9987.5"));
        let rolled = track.read(at(1, "2026-03-03T09:00[UTC]"), &h("12.4"));
        assert_eq!(rolled, usage("10012.4"), "9987.5 + 24.9");
        // The same step in 24.7 h of real time would need 0.1 h more than the tolerance allows.
        let mut track = meter(Some("10000"));
        track.read(at(0, "2026-03-02T08:00[UTC]"), &h("9987.5"));
        let early = track.read(at(1, "2026-03-03T08:42[UTC]"), &h("12.4"));
        assert_eq!(early, Verdict::Held(HoldReason::WentBackwards));
    }

    #[test]
    fn elapsed_hours_are_real_hours_across_clock_changes() {
        let cases = [
            // (from, to, hours that pass), Europe/Berlin
            ("2026-10-24T22:00[Europe/Berlin]", "2026-10-25T06:00[Europe/Berlin]", "9.1", "9.2"),
            ("2026-03-28T22:00[Europe/Berlin]", "2026-03-29T06:00[Europe/Berlin]", "7.1", "7.2"),
        ];
        for (from, to, most, too_much) in cases {
            let mut track = meter(None);
            track.read(at(0, from), &h("0"));
            assert_eq!(track.judge(at(1, to).time_ms, &h(most)), usage(most), "{to}");
            let held = Verdict::Held(HoldReason::FasterThanTime);
            assert_eq!(track.judge(at(1, to).time_ms, &h(too_much)), held, "{to}");
        }
    }

    #[test]
    fn a_replaced_meter_goes_on_counting() {
        let mut track = meter(None);
        track.read(at(0, "2026-03-02T08:00[UTC]"), &h("4200.0"));
        let swap = MeterReplaced {
            meter: Label::new("run").unwrap(),
            last_old: h("4210.0"),
            first_new: h("3.0"),
            reason: Reason::Code(Code::new("broken").unwrap()),
        };
        track.replace(at(1, "2026-03-03T08:00[UTC]"), &swap);
        track.read(at(2, "2026-03-04T08:00[UTC]"), &h("15.5"));
        assert_eq!(track.usage().unwrap(), "4222.5".parse().unwrap(), "4200.0 + 22.5");
    }

    #[test]
    fn a_mis_read_is_held_and_the_count_goes_on_from_the_last_good_reading() {
        let mut track = meter(None);
        track.read(at(0, "2026-03-02T06:00[UTC]"), &h("100.0"));
        let mis_read = track.read(at(1, "2026-03-02T14:00[UTC]"), &h("1080.0"));
        assert_eq!(mis_read, Verdict::Held(HoldReason::FasterThanTime));
        assert_eq!(track.read(at(2, "2026-03-02T22:00[UTC]"), &h("112.0")), usage("112.0"));
        let back = track.read(at(3, "2026-03-03T06:00[UTC]"), &h("11.9"));
        assert_eq!(back, Verdict::Held(HoldReason::WentBackwards));
        let held: Vec<_> = track.held.iter().map(|r| (r.seq, r.against)).collect();
        assert_eq!(held, [(1, Some(0)), (3, Some(2))]);
    }

    #[test]
    fn only_the_unit_of_the_meter_counts() {
        let mut track = meter(None);
        for (value, unit) in [("5", "1"), ("5", "min"), ("5", "kg")] {
            let value = MeterValue::new(value, unit).unwrap();
            let verdict = track.read(at(0, "2026-03-02T06:00[UTC]"), &value);
            assert_eq!(verdict, Verdict::Held(HoldReason::WrongUnit), "{unit}");
        }
        assert_eq!(track.judge(0, &h("-1")), Verdict::Held(HoldReason::OutOfRange));
        assert_eq!(track.usage(), None);
    }
}
