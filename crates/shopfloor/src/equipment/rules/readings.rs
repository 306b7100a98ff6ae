//! Readings that cannot be true are held for review and told.

use rust_decimal::Decimal;

use super::*;
use crate::equipment::events::MeterValue;
use crate::equipment::meter::{HoldReason, MeterTrack, Verdict};

pub(super) const UNKNOWN_METER: Rule = rule(
    "equipment.unknown_meter",
    Level::Warn,
    "A meter is registered before it is read",
    RECORD,
    Confidence::Definition,
);
pub(super) const BACKWARDS: Rule = rule(
    "equipment.meter_backwards",
    Level::Warn,
    "A meter does not go back unless it rolled over or was replaced",
    "definition; computations.md C3",
    Confidence::Definition,
);
pub(super) const FASTER_THAN_TIME: Rule = rule(
    "equipment.meter_faster_than_time",
    Level::Warn,
    "An hour meter does not run faster than time",
    "definition; computations.md C3",
    Confidence::Definition,
);
pub(super) const UNREADABLE: Rule = rule(
    "equipment.meter_unreadable",
    Level::Warn,
    "A reading has the unit and the range of its meter",
    "definition; computations.md C3",
    Confidence::Definition,
);
pub(super) const DISAGREES_WITH_LATER: Rule = rule(
    "equipment.meter_disagrees_with_later",
    Level::Warn,
    "A reading that is entered later fits between the readings before and after it",
    "definition; computations.md C3",
    Confidence::Definition,
);

pub(super) fn judge(case: &Case<'_>, what: &What, judge: &mut Judge<'_>) {
    let Some((meter, value)) = what.reading() else { return };
    let Some(track) = case.before.meters.get(meter).filter(|t| t.registered) else {
        let detail = format!("`{}` has no registered meter `{meter}`", case.id);
        judge.raise(&UNKNOWN_METER, [], detail);
        return;
    };
    match track.judge(case.fact.time.ms(), value) {
        Verdict::Counts { .. } => later(case, meter, value, judge),
        Verdict::Held(why) => held(case, track, meter, value, why, judge),
    }
}

fn held(
    case: &Case<'_>,
    track: &MeterTrack,
    meter: &Label,
    value: &MeterValue,
    why: HoldReason,
    judge: &mut Judge<'_>,
) {
    let last = track.last.as_ref();
    let seq = last.map(|r| r.seq);
    let shown = last.map_or_else(String::new, |r| r.shown.to_string());
    match why {
        HoldReason::WentBackwards => {
            let detail = format!("`{meter}` shows {value} after {shown}; held for review");
            judge.raise(&BACKWARDS, seq, detail);
        }
        HoldReason::FasterThanTime => {
            let elapsed_ms = last.map_or(0, |r| case.fact.time.ms() - r.time_ms);
            let hours = Decimal::new(elapsed_ms, 0) / Decimal::from(3_600_000);
            let detail = format!(
                "`{meter}` shows {value} after {shown}, {} h later; held for review",
                hours.round_dp(1)
            );
            judge.raise(&FASTER_THAN_TIME, seq, detail);
        }
        HoldReason::OutOfRange | HoldReason::WrongUnit => {
            let detail = format!("`{meter}` cannot show {value}; held for review");
            judge.raise(&UNREADABLE, seq, detail);
        }
    }
}

/// A late reading that counts may make the next one impossible.
fn later(case: &Case<'_>, meter: &Label, value: &MeterValue, judge: &mut Judge<'_>) {
    let Some(machine) = case.state.equipment.machines.get(&case.id) else { return };
    let Some((seq, next)) = machine.next_counted(case.fact, meter) else { return };
    let detail = format!("with {value} on `{meter}`, the later reading {next} cannot be true");
    judge.raise(&DISAGREES_WITH_LATER, [seq], detail);
}
