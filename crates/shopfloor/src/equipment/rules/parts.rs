//! Parts: the right one, the right way round, documented, and in one place at a time.

use super::*;
use crate::catalogue::Event;
use crate::common::{Check, answered};
use crate::equipment::events::{PartIn, PartKind, PartOut, PartReceived};
use crate::equipment::machine::is_filter;
use crate::equipment::meter::{day_number, local_day};

pub(super) const UNKNOWN_POSITION: Rule = rule(
    "equipment.unknown_position",
    Level::Warn,
    "A position is registered before a part is fitted or taken out",
    RECORD,
    Confidence::Definition,
);
pub(super) const DIRECTION_OR_SEAL: Rule = rule(
    "equipment.filter_direction_or_seal",
    Level::Stop,
    "A filter is fitted with its airflow arrow seen to match and its gasket seated",
    TRADE,
    Confidence::CommonPractice,
);
pub(super) const SIEVE_UNDOCUMENTED: Rule = rule(
    "equipment.sieve_undocumented",
    Level::Warn,
    "A sieve is fitted with its aperture, its specification and its certificate on record, and its seal seated",
    "ISO 3310-1 and ASTM E11 (tolerances depend on the specification), trade-values.md B2",
    Confidence::Secondary,
);
pub(super) const OUT_IS_NOT_FITTED: Rule = rule(
    "equipment.part_out_is_not_fitted",
    Level::Warn,
    "The part that comes out is the part that was fitted",
    RECORD,
    Confidence::Definition,
);
pub(super) const POSITION_OCCUPIED: Rule = rule(
    "equipment.position_occupied",
    Level::Warn,
    "A part is fitted into an empty position",
    RECORD,
    Confidence::Definition,
);
pub(super) const FITTED_TWICE: Rule = rule(
    "equipment.part_fitted_twice",
    Level::Warn,
    "A part is in one place at a time",
    RECORD,
    Confidence::Definition,
);
pub(super) const PAST_LAST_DAY: Rule = rule(
    "equipment.part_past_last_day",
    Level::Warn,
    "A part is fitted before its last day of use is past",
    RECORD,
    Confidence::Definition,
);
pub(super) const SIEVE_IN_USE_NOT_FITTED: Rule = rule(
    "equipment.sieve_in_use_is_not_fitted",
    Level::Warn,
    "Powder is sieved over the sieve that is fitted in the station",
    RECORD,
    Confidence::Definition,
);
pub(super) const RECEIVED_TWICE: Rule = rule(
    "equipment.part_received_twice",
    Level::Warn,
    "A serial comes into stores once",
    RECORD,
    Confidence::Definition,
);

pub(super) fn judge(case: &Case<'_>, what: &What, judge: &mut Judge<'_>) {
    match what {
        What::Swapped(form) => {
            known_position(case, &form.position, judge);
            comes_out(case, &form.position, &form.out, judge);
            goes_in(case, &form.position, &form.fitted, &form.checks, judge);
        }
        What::Fitted(form) => {
            known_position(case, &form.position, judge);
            if let Some((serial, seq)) = fitted(case, &form.position) {
                let detail = format!("`{}` holds `{serial}`", form.position);
                judge.raise(&POSITION_OCCUPIED, seq, detail);
            }
            goes_in(case, &form.position, &form.fitted, &form.checks, judge);
        }
        What::Removed(form) => {
            known_position(case, &form.position, judge);
            comes_out(case, &form.position, &form.out, judge);
        }
        What::Registered { .. }
        | What::Retired(_)
        | What::PlanSet(_)
        | What::Read { .. }
        | What::MeterReplaced(_)
        | What::Cleaned(_)
        | What::Inspected(_)
        | What::Checked(_)
        | What::Isolated(_)
        | What::Returned(_)
        | What::Deferred(_)
        | What::BagChanged => {}
    }
}

/// Serial in a position, and the entry that fitted it.
fn fitted<'a>(case: &'a Case<'_>, position: &Label) -> Option<(&'a Label, Option<u64>)> {
    let stay = case.before.stays.get(*case.before.fitted.get(position)?)?;
    Some((&stay.serial, stay.fit.as_ref().map(|f| f.seq)))
}

fn known_position(case: &Case<'_>, position: &Label, judge: &mut Judge<'_>) {
    if case.before.part_kind(position).is_none() {
        let registered = case.before.registration.as_ref().map(|r| r.seq);
        let detail = format!("`{}` has no registered position `{position}`", case.id);
        judge.raise(&UNKNOWN_POSITION, registered, detail);
    }
}

fn comes_out(case: &Case<'_>, position: &Label, out: &PartOut, judge: &mut Judge<'_>) {
    match fitted(case, position) {
        Some((serial, _)) if *serial == out.serial => {}
        Some((serial, seq)) => {
            let detail =
                format!("`{}` came out of `{position}`, which held `{serial}`", out.serial);
            judge.raise(&OUT_IS_NOT_FITTED, seq, detail);
        }
        // Before the first part on record, nobody can say what was there.
        None if !case.before.stays.iter().any(|s| s.position == *position) => {}
        None => {
            let detail = format!("`{}` came out of `{position}`, which was empty", out.serial);
            let last = case.before.stays.iter().rev().find(|s| s.position == *position);
            let seq = last.and_then(|s| s.removal.as_ref()).map(|r| r.seq);
            judge.raise(&OUT_IS_NOT_FITTED, seq, detail);
        }
    }
}

fn goes_in(
    case: &Case<'_>,
    position: &Label,
    part: &PartIn,
    checks: &[Check],
    judge: &mut Judge<'_>,
) {
    let serial = &part.serial;
    if let Some((machine, place, seq)) =
        case.state.equipment.elsewhere(serial, &case.id, position, case.fact)
    {
        let detail = format!("`{serial}` is fitted in `{place}` of `{machine}`");
        judge.raise(&FITTED_TWICE, [seq], detail);
    }
    let day = local_day(case.fact.time.ms(), case.fact.time.offset_s);
    if let Some(last) = part.use_before.filter(|last| day_number(last.0) < day) {
        judge.raise(&PAST_LAST_DAY, [], format!("`{serial}` was to be used until {last}"));
    }
    let asked = |name: &str| match answered(checks, name) {
        Some(true) => None,
        Some(false) => Some(format!("`{name}` was answered no")),
        None => Some(format!("`{name}` was not answered")),
    };
    match case.before.part_kind(position) {
        Some(kind) if is_filter(kind) => {
            for open in ["airflow_arrow_matches", "gasket_seated"].into_iter().filter_map(asked) {
                judge.raise(&DIRECTION_OR_SEAL, [], format!("`{serial}` in `{position}`: {open}"));
            }
        }
        Some(PartKind::Sieve) => {
            let missing = [
                (part.spec.aperture.is_none(), "aperture"),
                (part.spec.spec_id.is_none(), "specification"),
                (part.certificate.is_none(), "certificate"),
            ];
            let mut open: Vec<String> = missing
                .into_iter()
                .filter(|(missing, _)| *missing)
                .map(|(_, what)| format!("no {what}"))
                .collect();
            open.extend(asked("seal_seated"));
            if !open.is_empty() {
                let detail = format!("`{serial}` in `{position}`: {}", open.join(", "));
                judge.raise(&SIEVE_UNDOCUMENTED, [], detail);
            }
        }
        Some(_) | None => {}
    }
}

/// Sieving names the sieve: it is the one that is fitted. Its aperture is compared where powder is
/// judged.
pub(super) fn judge_sieving(case: &Case<'_>, judge: &mut Judge<'_>) {
    let Event::PowderSieved(sieved) = &case.fact.event else { return };
    let in_use = case.before.fitted.iter().filter_map(|(position, at)| {
        let sieve = case.before.part_kind(position) == Some(PartKind::Sieve);
        sieve.then(|| case.before.stays.get(*at)).flatten()
    });
    let in_use: Vec<_> = in_use.collect();
    // Without a sieve on record there is nothing to compare with.
    let Some(other) = in_use.first() else { return };
    if in_use.iter().all(|s| s.serial != sieved.sieve) {
        let detail = format!("`{}` is in use, `{}` is fitted", sieved.sieve, other.serial);
        let seq = other.fit.as_ref().map(|f| f.seq);
        judge.raise(&SIEVE_IN_USE_NOT_FITTED, seq, detail);
    }
}

pub(super) fn judge_receipt(
    state: &State,
    fact: &Fact,
    received: &PartReceived,
    judge: &mut Judge<'_>,
) {
    let serial = &received.part.serial;
    let earlier = state.equipment.received.get(serial).into_iter().flat_map(|t| t.iter());
    let before = (fact.time.ms(), fact.seq);
    let earlier: Vec<u64> =
        earlier.filter(|m| (m.time_ms, m.seq) < before).map(|m| m.seq).collect();
    if !earlier.is_empty() {
        judge.raise(&RECEIVED_TWICE, earlier, format!("`{serial}` was received before"));
    }
}
