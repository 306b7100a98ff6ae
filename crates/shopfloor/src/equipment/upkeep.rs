//! Maintenance of a period: what was done, what was late, what is open, and the rate done on time
//! (computations.md C14).

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::Serialize;

use super::due::{Amount, day_of};
use super::events::{MeterUnit, PartCondition, PartKind};
use super::meter::{DayNumber, MS_PER_DAY, day_number, local_day};
use super::parts::hours_of;
use super::plan::Completed;
use super::told::{Told, What};
use super::{Equipment, Machine};
use crate::common::{Day, Outcome};
use crate::forms::words;
use crate::ids::{Code, Label, PersonId};
use crate::stats::proportion::RateView;
use crate::timeline::Moment;

words! {
    /// How a task that fell due in a period stands.
    pub enum Punctuality {
        /// Done before or on the day it fell due.
        OnTime = "on_time",
        /// Done after that day.
        Late = "late",
        /// Fell due and not done yet.
        Open = "open",
    }
}

/// One task of one cycle that counts in a period.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct UpkeepLine {
    /// Machine.
    pub machine: Label,
    /// Task.
    pub task: Code,
    /// How it stands.
    pub punctuality: Punctuality,
    /// Day it fell due by its original limits; none when it was done before.
    pub due_on: Option<Day>,
    /// Day it was done.
    pub done_on: Option<Day>,
    /// Who did it.
    pub person: Option<PersonId>,
    /// Result of an inspection or check.
    pub result: Option<Outcome>,
    /// The other task whose doing also did this one.
    pub through: Option<Code>,
    /// Entry of a deferral in that cycle. It does not move the day it fell due.
    pub deferred_by: Option<u64>,
    /// Entries it rests on: start of the cycle, doing, deferral.
    pub entries: Vec<u64>,
}

/// Maintenance of a site in a period.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Upkeep {
    /// First day.
    pub from: Day,
    /// Last day.
    pub to: Day,
    /// Tasks done on time.
    pub on_time: u64,
    /// Tasks done late.
    pub late: u64,
    /// Tasks that fell due and are open.
    pub open: u64,
    /// Share done on time with its 95 % interval; none: no tasks due.
    pub rate: Option<RateView>,
    /// Every task that counts, by machine and day.
    pub lines: Vec<UpkeepLine>,
}

impl Equipment {
    /// Maintenance of a site (or of all) in a period of days, each included, as it stands at the
    /// end of day `to`.
    ///
    /// A task counts on the day it fell due, or on the day it was done when that came first. Open
    /// tasks that fell due count; a task with a new date counts on its original day.
    pub fn upkeep(&self, site: Option<&Label>, from: Day, to: Day) -> Upkeep {
        let (first, last) = (day_number(from.0), day_number(to.0));
        // Local days begin up to 14 hours before those of UTC.
        let from_ms = (i64::from(first) - 1) * MS_PER_DAY;
        let mut lines = Vec::new();
        for (id, machine) in &self.machines {
            let registration = machine.now.registration.as_ref();
            let here = registration.is_some_and(|r| site.is_none() || r.site.as_ref() == site);
            if !here {
                continue;
            }
            let plan: &[_] = machine.now.plan.as_ref().map_or(&[], |p| &p.tasks);
            for (code, track) in &machine.now.tasks {
                // What was done before cannot count; what was done after may have fallen due.
                let done = track.completed.within(from_ms, i64::MAX);
                lines.extend(done.filter_map(|m| done_line(id, code, &m.value, first, last)));
                let retired = machine.now.retired_by.is_some();
                let Some(cycle) = track.cycle.as_ref().filter(|_| !retired) else { continue };
                let task = plan.iter().find(|t| t.task == *code);
                if let Some(due) = cycle.fell_due_by(task, last).filter(|due| *due >= first) {
                    let deferral = cycle.deferral.as_ref().map(|d| d.seq);
                    lines.push((due, open_line(id, code, due, cycle.start.seq, deferral)));
                }
            }
        }
        lines.sort_by(|(a, x), (b, y)| (&x.machine, a, &x.task).cmp(&(&y.machine, b, &y.task)));
        let lines: Vec<UpkeepLine> = lines.into_iter().map(|(_, line)| line).collect();
        let count = |which| lines.iter().filter(|l| l.punctuality == which).count() as u64;
        let (on_time, late, open) =
            (count(Punctuality::OnTime), count(Punctuality::Late), count(Punctuality::Open));
        let rate = RateView::of(on_time, on_time + late + open);
        Upkeep { from, to, on_time, late, open, rate, lines }
    }
}

fn open_line(
    machine: &Label,
    task: &Code,
    due: DayNumber,
    start: u64,
    deferral: Option<u64>,
) -> UpkeepLine {
    UpkeepLine {
        machine: machine.clone(),
        task: task.clone(),
        punctuality: Punctuality::Open,
        due_on: Some(day_of(due)),
        done_on: None,
        person: None,
        result: None,
        through: None,
        deferred_by: deferral,
        entries: [start].into_iter().chain(deferral).collect(),
    }
}

/// A finished cycle, when it counts between two days. One that fell due and was done only after
/// the period is still open at its end.
fn done_line(
    machine: &Label,
    task: &Code,
    completed: &Completed,
    first: DayNumber,
    last: DayNumber,
) -> Option<(DayNumber, UpkeepLine)> {
    let done = &completed.done;
    let counts_on = completed.late_since.unwrap_or(done.day);
    if !(first..=last).contains(&counts_on) {
        return None;
    }
    if done.day > last {
        let line = open_line(machine, task, counts_on, completed.start_seq, completed.deferred_by);
        return Some((counts_on, line));
    }
    let late = completed.late_since.is_some();
    let mut entries = vec![completed.start_seq, done.seq];
    entries.extend(completed.deferred_by);
    let line = UpkeepLine {
        machine: machine.clone(),
        task: task.clone(),
        punctuality: if late { Punctuality::Late } else { Punctuality::OnTime },
        due_on: completed.late_since.map(day_of),
        done_on: Some(day_of(done.day)),
        person: done.person.clone(),
        result: done.result,
        through: done.through.clone(),
        deferred_by: completed.deferred_by,
        entries,
    };
    Some((counts_on, line))
}

/// A signed decision to do a task later.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DeferralLine {
    /// Machine.
    pub machine: Label,
    /// Task.
    pub task: Code,
    /// Local day of the decision.
    pub day: Day,
    /// Why, as a code or `in words (kept outside the log)`.
    pub reason: String,
    /// New last day.
    pub until_day: Option<Day>,
    /// New limit as a reading of the meter.
    pub until_reading: Option<String>,
    /// Who asked.
    pub person: Option<PersonId>,
    /// Who approved.
    pub approved_by: PersonId,
    /// Entry of the decision.
    pub entry: u64,
}

/// A part that went in, came out, or both.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PartChange {
    /// Machine.
    pub machine: Label,
    /// Position.
    pub position: Label,
    /// What belongs there.
    pub part_kind: Option<PartKind>,
    /// Serial that came out.
    pub out: Option<Label>,
    /// In what state it came out.
    pub condition: Option<PartCondition>,
    /// Hours it carried in this stay; none when a meter was not read at an end of it.
    pub hours: Option<Amount>,
    /// Serial that went in.
    pub fitted: Option<Label>,
    /// Local day.
    pub day: Day,
    /// Who did it.
    pub person: Option<PersonId>,
    /// Entry.
    pub entry: u64,
}

impl Equipment {
    /// Facts of the machines of a site (or of all) in a period of days, each included.
    fn told_in(
        &self,
        site: Option<&Label>,
        from: Day,
        to: Day,
    ) -> impl Iterator<Item = (&Label, &Machine, Cow<'_, Moment<Told>>, DayNumber)> {
        let days = day_number(from.0)..=day_number(to.0);
        // Local days begin up to 14 hours before and after those of UTC.
        let from_ms = (i64::from(*days.start()) - 1) * MS_PER_DAY;
        let to_ms = (i64::from(*days.end()) + 2) * MS_PER_DAY;
        let machines = self.machines.iter().filter(move |(_, machine)| {
            let registration = machine.now.registration.as_ref();
            registration.is_some_and(|r| site.is_none() || r.site.as_ref() == site)
        });
        machines
            .flat_map(move |(id, machine)| {
                machine.facts.within(from_ms, to_ms).map(move |m| (id, machine, m))
            })
            .map(|(id, machine, m)| {
                let day = local_day(m.time_ms, m.value.offset_s);
                (id, machine, m, day)
            })
            .filter(move |(_, _, _, day)| days.contains(day))
    }

    /// Decisions to do a task later, by machine and time.
    pub fn deferrals(&self, site: Option<&Label>, from: Day, to: Day) -> Vec<DeferralLine> {
        let told = self.told_in(site, from, to);
        told.filter_map(|(id, _, moment, day)| {
            let What::Deferred(form) = &moment.value.what else { return None };
            Some(DeferralLine {
                machine: id.clone(),
                task: form.task.clone(),
                day: day_of(day),
                reason: form.reason.to_string(),
                until_day: form.until_day,
                until_reading: form
                    .until_reading
                    .as_ref()
                    .map(|r| format!("{} on {}", r.value, r.meter)),
                person: moment.value.person.clone(),
                approved_by: form.approved_by.clone(),
                entry: moment.seq,
            })
        })
        .collect()
    }

    /// Parts that were changed, by machine and time.
    pub fn part_changes(&self, site: Option<&Label>, from: Day, to: Day) -> Vec<PartChange> {
        let told = self.told_in(site, from, to);
        told.filter_map(|(id, machine, moment, day)| {
            let what = &moment.value.what;
            let position = what.position()?;
            let out = what.part_out();
            let stay = machine.now.stays.iter().find(|stay| {
                stay.removal.as_ref().is_some_and(|r| r.seq == moment.seq && r.part.is_some())
            });
            Some(PartChange {
                machine: id.clone(),
                position: position.clone(),
                part_kind: machine.now.part_kind(position),
                out: out.map(|o| o.serial.clone()),
                condition: out.map(|o| o.condition),
                hours: stay
                    .and_then(|stay| hours_of(&machine.now, stay))
                    .map(|hours| Amount::new(hours, MeterUnit::Hours)),
                fitted: what.part_in().map(|part| part.serial.clone()),
                day: day_of(day),
                person: moment.value.person.clone(),
                entry: moment.seq,
            })
        })
        .collect()
    }
}
