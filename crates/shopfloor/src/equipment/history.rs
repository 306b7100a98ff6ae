//! Everything that was ever told about a machine, and every entry that used it.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use super::due::day_of;
use super::meter::local_day;
use super::told::{Told, UseKind, What};
use super::{Equipment, Machine};
use crate::common::Day;
use crate::ids::{Label, PersonId};
use crate::timeline::Moment;

/// One fact of a machine's history.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct HistoryLine {
    /// Entry.
    pub entry: u64,
    /// When the work was done, ms since 1970 UTC.
    pub time_ms: i64,
    /// Local day.
    pub day: Day,
    /// Who did it.
    pub person: Option<PersonId>,
    /// Name of the event without prefix.
    pub event: String,
    /// What was done, in words.
    pub in_words: String,
}

impl Equipment {
    /// Everything told about a machine between two instants (each included), in order of work.
    /// `None`: the machine is not on record.
    pub fn history(
        &self,
        id: &Label,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Option<Vec<HistoryLine>> {
        let machine = self.machines.get(id)?;
        let from_ms = from.map_or(i64::MIN, Timestamp::as_millisecond);
        let to_ms = to.map_or(i64::MAX, Timestamp::as_millisecond);
        let facts = machine.facts.within(from_ms, to_ms);
        Some(facts.map(|m| history_line(machine, &m)).collect())
    }

    /// Entries that used a machine between two instants (each included), in order of work.
    pub fn uses(
        &self,
        id: &Label,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
    ) -> Vec<(u64, UseKind)> {
        let from_ms = from.map_or(i64::MIN, Timestamp::as_millisecond);
        let to_ms = to.map_or(i64::MAX, Timestamp::as_millisecond);
        let machine = self.machines.get(id).into_iter();
        let uses = machine.flat_map(|machine| machine.uses.within(from_ms, to_ms));
        uses.map(|m| (m.seq, m.value)).collect()
    }
}

fn history_line(machine: &Machine, moment: &Moment<Told>) -> HistoryLine {
    let (event, mut in_words) = moment.value.what.words();
    let held = moment.value.what.reading().and_then(|(meter, _)| {
        let track = machine.now.meters.get(meter)?;
        track.held(moment.time_ms, moment.seq)
    });
    if let Some(held) = held {
        in_words.push_str(&format!("; reading held for review: {}", held.why));
    }
    HistoryLine {
        entry: moment.seq,
        time_ms: moment.time_ms,
        day: day_of(local_day(moment.time_ms, moment.value.offset_s)),
        person: moment.value.person.clone(),
        event: event.to_owned(),
        in_words,
    }
}

impl What {
    /// Name of the event and what was done, in words.
    fn words(&self) -> (&'static str, String) {
        let (event, mut words) = match self {
            What::Registered { form, .. } => {
                ("equipment.registered", format!("{} in room {}", form.kind, form.room))
            }
            What::Retired(form) => ("equipment.retired", format!("because {}", form.reason)),
            What::PlanSet(form) => ("plan.set", format!("{} tasks", form.tasks.len())),
            What::Read { meter, reading } => ("meter.read", format!("`{meter}` shows {reading}")),
            What::MeterReplaced(form) => (
                "meter.replaced",
                format!(
                    "`{}` ended at {}, goes on from {}",
                    form.meter, form.last_old, form.first_new
                ),
            ),
            What::Cleaned(form) => {
                ("cleaning.done", format!("`{}` by {}", form.target, form.method))
            }
            What::Swapped(form) => (
                "part.swapped",
                format!(
                    "`{}`: {} ({}) for {}",
                    form.position, form.out.serial, form.out.condition, form.fitted.serial
                ),
            ),
            What::Fitted(form) => {
                ("part.fitted", format!("{} into `{}`", form.fitted.serial, form.position))
            }
            What::Removed(form) => (
                "part.removed",
                format!("{} ({}) out of `{}`", form.out.serial, form.out.condition, form.position),
            ),
            What::Inspected(form) => {
                ("inspection.done", format!("`{}`: {}", form.target, form.result))
            }
            What::Checked(form) => {
                ("check.done", format!("{}: {}, {}", form.check, form.measured, form.result))
            }
            What::Isolated(form) => ("equipment.isolated", format!("lock `{}`", form.lock)),
            What::Returned(form) => {
                let failed = form.tests.iter().filter(|t| !t.ok).count();
                ("equipment.returned", format!("{} tests, {failed} failed", form.tests.len()))
            }
            What::Deferred(form) => ("task.deferred", format!("because {}", form.reason)),
            What::BagChanged => ("bag.changed", "vacuum bag changed".to_owned()),
        };
        let task = match self {
            What::Deferred(form) => Some(&form.task),
            other => other.work().and_then(|(_, _, named)| named),
        };
        if let Some(task) = task {
            words.insert_str(0, &format!("task `{task}`: "));
        }
        (event, words)
    }
}
