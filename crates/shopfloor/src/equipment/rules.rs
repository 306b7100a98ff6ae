//! Rules about machines, each with its source.
//!
//! A fact is judged against the machine as it stood at the time of the work, also when the fact
//! comes late. The lists below are in the order in which findings are raised.

mod checks;
mod parts;
mod plans;
mod readings;
mod rooms;
mod safe_use;

use std::borrow::Cow;

use super::machine::Derived;
use super::told::{Trace, UseKind, What, machine_of};
use crate::State;
use crate::fact::Fact;
use crate::finding::{Confidence, Judge, Level, Rule};
use crate::ids::Label;

pub use safe_use::ISOLATION_REQUIRED;

/// Source of rules that follow from what a record is.
const RECORD: &str = "definition: a record refers to what is known";
/// Source of rules of the trade.
const TRADE: &str = "common practice, no source";

const fn rule(
    id: &'static str,
    level: Level,
    title: &'static str,
    source: &'static str,
    confidence: Confidence,
) -> Rule {
    Rule { id, level, title, source, confidence }
}

const UNKNOWN_MACHINE: Rule = rule(
    "equipment.unknown_machine",
    Level::Warn,
    "A machine is registered before it is used or worked on",
    RECORD,
    Confidence::Definition,
);
const RETIRED: Rule = rule(
    "equipment.retired",
    Level::Stop,
    "A retired machine is not used or worked on",
    RECORD,
    Confidence::Definition,
);

/// Every rule about machines.
pub const RULES: &[Rule] = &[
    UNKNOWN_MACHINE,
    RETIRED,
    readings::UNKNOWN_METER,
    readings::BACKWARDS,
    readings::FASTER_THAN_TIME,
    readings::UNREADABLE,
    readings::DISAGREES_WITH_LATER,
    plans::UNKNOWN_TASK,
    plans::DONE_LATE,
    plans::TASK_UNUSABLE,
    plans::DEFERRAL_WITHOUT_LIMIT,
    plans::DEFERRAL_SELF_APPROVED,
    parts::UNKNOWN_POSITION,
    parts::DIRECTION_OR_SEAL,
    parts::SIEVE_UNDOCUMENTED,
    parts::OUT_IS_NOT_FITTED,
    parts::POSITION_OCCUPIED,
    parts::FITTED_TWICE,
    parts::PAST_LAST_DAY,
    parts::SIEVE_IN_USE_NOT_FITTED,
    parts::RECEIVED_TWICE,
    checks::PASS_OUTSIDE_LIMIT,
    checks::FAIL_WITHIN_LIMIT,
    checks::LIMIT_NOT_COMPARABLE,
    checks::LIMIT_LAXER,
    checks::FAILED,
    checks::INSTRUMENT_OVERDUE,
    safe_use::NOT_VACUUMED,
    safe_use::NOT_ISOLATED,
    safe_use::ENERGY_NOT_CHECKED,
    safe_use::RETURNED_WITH_LOCK,
    safe_use::RETURNED_WITH_FAILED_TEST,
    safe_use::USED_WHILE_ISOLATED,
    safe_use::USED_UNRELEASED,
    safe_use::USED_WITHOUT_LEAK_CHECK,
    safe_use::SCALE_FAILED,
    safe_use::SCALE_OVERDUE,
    rooms::DUST_OVER_CRITERION,
    rooms::EXPOSURE_OVER_LIMIT,
    rooms::EXPOSURE_WITHOUT_LIMIT,
    rooms::NOT_COMPUTABLE,
];

/// Rules that are raised by an entry whose own reading is held.
pub(crate) const HELD_READING: &[Rule] =
    &[readings::BACKWARDS, readings::FASTER_THAN_TIME, readings::UNREADABLE];
/// Rules that are raised by an entry that makes a later reading be held.
pub(crate) const HELD_LATER: &[Rule] = &[readings::DISAGREES_WITH_LATER];

/// What a rule needs to know.
struct Case<'a> {
    state: &'a State,
    fact: &'a Fact,
    /// The machine the fact is about, or that it used.
    id: Label,
    /// That machine just before the fact.
    before: Cow<'a, Derived>,
}

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(state: &State, fact: &Fact, judge: &mut Judge<'_>) {
    let trace = Trace::of(fact);
    let case = |id: Label| {
        let before = state.equipment.before(&id, fact);
        Case { state, fact, id, before }
    };
    if let (Some(what), Some(id)) = (&trace.life, machine_of(fact)) {
        let case = case(id);
        let registers = matches!(what, What::Registered { .. });
        if registers || known(&case, judge) {
            readings::judge(&case, what, judge);
            plans::judge(&case, what, judge);
            parts::judge(&case, what, judge);
            checks::judge(&case, what, judge);
            safe_use::judge(&case, what, judge);
        }
    }
    for (machine, kind) in &trace.uses {
        let Ok(id) = Label::new(machine) else { continue };
        let case = case(id);
        if !known(&case, judge) {
            continue;
        }
        match kind {
            UseKind::Work => {
                safe_use::judge_work(&case, judge);
                parts::judge_sieving(&case, judge);
            }
            UseKind::Weighing => safe_use::judge_weighing(&case, judge),
        }
    }
    if let Some(part) = trace.received {
        parts::judge_receipt(state, fact, part, judge);
    }
    if let Some(survey) = trace.room {
        rooms::judge(survey, judge);
    }
}

/// Whether the machine is registered and in service at the time; raises the finding if not.
fn known(case: &Case<'_>, judge: &mut Judge<'_>) -> bool {
    let id = &case.id;
    if case.before.registration.is_none() {
        judge.raise(&UNKNOWN_MACHINE, [], format!("`{id}` is not registered"));
        return false;
    }
    if let Some(seq) = case.before.retired_by {
        judge.raise(&RETIRED, [seq], format!("`{id}` was retired"));
    }
    true
}
