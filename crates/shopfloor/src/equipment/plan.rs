//! One planned task over time: its running cycle, what was done, and how far it is from its limits
//! (computations.md C1).
//!
//! A cycle begins when the task was done, or when it first stood in a plan. It ends when the task
//! is done again. What fell due stays fallen due: neither a deferral nor a new plan moves the
//! original day, only the limit to work to.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::events::{PlannedTask, TaskAction, TaskDeferred};
use super::meter::{DayNumber, MeterTrack, day_number};
use crate::common::Outcome;
use crate::forms::words;
use crate::ids::{Code, Label, PersonId, Reason};
use crate::packed::Packed;

words! {
    /// How a task stands, as of a day and the last accepted readings; most urgent first.
    pub enum DueState {
        /// A limit is reached, or a failed check asks for the work.
        Due = "due",
        /// The share of a limit at which the plan warns is reached.
        DueSoon = "due_soon",
        /// Its meter was not read yet, so nobody can tell.
        NoReading = "no_reading_yet",
        /// Below every limit.
        WithinLimit = "within_limit",
    }
}

words! {
    /// What a cycle counts from.
    pub enum StartKind {
        /// The task was done.
        Done = "done",
        /// The task first stood in a plan and was never done on record.
        PlanSet = "plan_set",
    }
}

/// Where a cycle begins.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Start {
    pub(crate) kind: StartKind,
    pub(crate) seq: u64,
    pub(crate) day: DayNumber,
    /// Where each meter stood. A meter that had not been read then joins at its first reading.
    pub(crate) usage: BTreeMap<Label, Decimal>,
}

/// The day on which a cycle was first seen at a limit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct FellDue {
    pub(crate) day: DayNumber,
    pub(crate) seq: u64,
    /// Whether it was an earlier plan's limit; later limits do not undo it.
    pub(crate) by_earlier_plan: bool,
}

/// A signed decision to do a task later.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Deferral {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) until_usage: Option<(Label, Decimal)>,
    pub(crate) until_day: Option<DayNumber>,
    pub(crate) approved_by: PersonId,
    pub(crate) reason: Reason,
}

impl Deferral {
    pub(crate) fn new(
        seq: u64,
        time_ms: i64,
        form: &TaskDeferred,
        meters: &BTreeMap<Label, MeterTrack>,
    ) -> Self {
        let until_usage = form.until_reading.as_ref().map(|reading| {
            let shown = reading.value.base();
            let usage = meters.get(&reading.meter).map_or(shown, |m| m.usage_at(shown));
            (reading.meter.clone(), usage)
        });
        Self {
            seq,
            time_ms,
            until_usage,
            until_day: form.until_day.map(|d| day_number(d.0)),
            approved_by: form.approved_by.clone(),
            reason: form.reason.clone(),
        }
    }
}

/// The run from one doing of a task to the next.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Cycle {
    pub(crate) start: Start,
    pub(crate) fell_due: Option<FellDue>,
    pub(crate) deferral: Option<Deferral>,
}

/// A task that was done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Done {
    pub(crate) seq: u64,
    pub(crate) day: DayNumber,
    pub(crate) person: Option<PersonId>,
    pub(crate) result: Option<Outcome>,
    /// The task whose doing also did this one.
    pub(crate) through: Option<Code>,
}

/// A cycle that ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Completed {
    pub(crate) start_seq: u64,
    pub(crate) done: Done,
    /// Day it fell due, when it was done late.
    pub(crate) late_since: Option<DayNumber>,
    pub(crate) deferred_by: Option<u64>,
}

/// What of a task's state does not depend on the day of asking.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Gauge {
    /// State by meter and share of the limit in basis points (1/100 %), rounded down.
    meter: Option<(DueState, u32)>,
    start_day: DayNumber,
    warn_day: Option<DayNumber>,
    due_day: Option<DayNumber>,
    condition: bool,
}

/// Share of a limit in basis points, rounded down and capped.
fn basis_points(used: Decimal, limit: Decimal) -> u32 {
    use rust_decimal::prelude::ToPrimitive;
    if limit <= Decimal::ZERO {
        return 10_000;
    }
    let share = used.max(Decimal::ZERO).checked_mul(Decimal::from(10_000));
    share.and_then(|s| s.checked_div(limit)).and_then(|s| s.trunc().to_u32()).unwrap_or(u32::MAX)
}

impl Gauge {
    /// State and share of the most advanced limit on a day.
    pub(crate) fn on(&self, day: DayNumber) -> (DueState, u32) {
        let mut state = None;
        let mut share = 0;
        if let Some((by_meter, points)) = self.meter {
            (state, share) = (Some(by_meter), points);
        }
        if let (Some(warn), Some(due)) = (self.warn_day, self.due_day) {
            let by_day = if day >= due {
                DueState::Due
            } else if day >= warn {
                DueState::DueSoon
            } else {
                DueState::WithinLimit
            };
            let elapsed = i64::from(day) - i64::from(self.start_day);
            let total = (i64::from(due) - i64::from(self.start_day)).max(1);
            let points = (elapsed.max(0) * 10_000 / total).min(i64::from(u32::MAX));
            state = Some(state.map_or(by_day, |s: DueState| s.min(by_day)));
            share = share.max(u32::try_from(points).unwrap_or(u32::MAX));
        }
        if self.condition {
            (state, share) = (Some(DueState::Due), share.max(10_000));
        }
        (state.unwrap_or(DueState::NoReading), share)
    }
}

/// A limit by meter within one cycle.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct MeterLimit<'a> {
    pub(crate) meter: &'a Label,
    /// Where the counter stood at the start; `None` while the meter was not read.
    pub(crate) base: Option<Decimal>,
    /// How much may be used from there.
    pub(crate) span: Option<Decimal>,
}

/// Everything known of one task of a machine.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct TaskTrack {
    pub(crate) cycle: Option<Cycle>,
    pub(crate) last: Option<Done>,
    /// At the time of the work that ended each.
    pub(crate) completed: Packed<Completed>,
}

impl Cycle {
    pub(crate) fn begin(start: Start) -> Self {
        Self { start, fell_due: None, deferral: None }
    }

    /// The plan's own limits in this cycle.
    pub(crate) fn original<'a>(
        &self,
        task: &'a PlannedTask,
    ) -> (Option<MeterLimit<'a>>, Option<DayNumber>) {
        let by_meter = task.every.as_ref().map(|every| MeterLimit {
            meter: &every.meter,
            base: self.start.usage.get(&every.meter).copied(),
            span: Some(every.quantity.base()),
        });
        let by_day = task
            .calendar
            .as_ref()
            .map(|c| day_number(c.after(super::meter::date_of(self.start.day))));
        (by_meter, by_day)
    }

    /// The limits to work to: those of a deferral where there is one, else the plan's own.
    pub(crate) fn working<'a>(
        &'a self,
        task: &'a PlannedTask,
    ) -> (Option<MeterLimit<'a>>, Option<DayNumber>) {
        let Some(deferral) = &self.deferral else { return self.original(task) };
        let by_meter = deferral.until_usage.as_ref().map(|(meter, until)| {
            let base = self.start.usage.get(meter).copied();
            MeterLimit { meter, base, span: base.map(|b| *until - b) }
        });
        (by_meter, deferral.until_day)
    }

    /// Day since which the task is late when it is done on `day` with its meter at `usage`;
    /// `None` when that is on time. Judged by the original limits: done at the limit is on time.
    pub(crate) fn late_since(
        &self,
        task: &PlannedTask,
        day: DayNumber,
        usage: Option<Decimal>,
    ) -> Option<DayNumber> {
        let (by_meter, by_day) = self.original(task);
        let over_meter = match (by_meter, usage) {
            (Some(MeterLimit { base: Some(base), span: Some(span), .. }), Some(usage)) => {
                usage - base > span
            }
            (Some(_) | None, Some(_) | None) => false,
        };
        let over_day = by_day.filter(|due| day > *due);
        let earlier = self.fell_due.as_ref().filter(|f| f.by_earlier_plan && day > f.day);
        if !over_meter && over_day.is_none() && earlier.is_none() {
            return None;
        }
        let seen = self.fell_due.as_ref().map(|f| f.day);
        Some([over_day, seen].into_iter().flatten().min().unwrap_or(day))
    }

    /// Day on which the cycle fell due by `day`, open or not: the earliest limit reached.
    pub(crate) fn fell_due_by(
        &self,
        task: Option<&PlannedTask>,
        day: DayNumber,
    ) -> Option<DayNumber> {
        let by_day = task.and_then(|t| self.original(t).1).filter(|due| *due <= day);
        let seen = self.fell_due.as_ref().map(|f| f.day).filter(|d| *d <= day);
        [by_day, seen].into_iter().flatten().min()
    }
}

impl TaskTrack {
    /// Itself without the cycles that ended.
    pub(crate) fn bare(&self) -> Self {
        let (cycle, last) = (self.cycle.clone(), self.last.clone());
        Self { cycle, last, completed: Packed::default() }
    }

    /// The gauge of the running cycle by what the meters show. `failing_ms` tells when a check
    /// failed that asks for this work.
    pub(crate) fn gauge(
        &self,
        task: &PlannedTask,
        meters: &BTreeMap<Label, MeterTrack>,
        failing_ms: Option<i64>,
    ) -> Gauge {
        let Some(cycle) = &self.cycle else { return Gauge::default() };
        let (by_meter, due_day) = cycle.working(task);
        let meter = by_meter.map(|limit| {
            let usage = meters.get(limit.meter).and_then(MeterTrack::usage);
            match (usage, limit.base, limit.span) {
                (Some(usage), Some(base), Some(span)) => meter_state(usage - base, span, task),
                (Some(_) | None, Some(_) | None, Some(_) | None) => (DueState::NoReading, 0),
            }
        });
        let start_day = cycle.start.day;
        let warn_day = due_day.map(|due| {
            let total = i64::from(due) - i64::from(start_day);
            let warn = (total * i64::from(task.warn_percent.0) + 99).div_euclid(100);
            DayNumber::try_from(i64::from(start_day) + warn).unwrap_or(DayNumber::MAX)
        });
        let deferred_ms = cycle.deferral.as_ref().map(|d| d.time_ms);
        let condition = failing_ms.is_some_and(|failed| deferred_ms.is_none_or(|d| failed > d));
        Gauge { meter, start_day, warn_day, due_day, condition }
    }

    /// Notes an accepted reading of the task's meter.
    pub(crate) fn note_usage(
        &mut self,
        task: &PlannedTask,
        seq: u64,
        day: DayNumber,
        usage: Decimal,
    ) {
        let (Some(cycle), Some(every)) = (&mut self.cycle, &task.every) else { return };
        let base = *cycle.start.usage.entry(every.meter.clone()).or_insert(usage);
        if cycle.fell_due.is_none() && usage - base >= every.quantity.base() {
            cycle.fell_due = Some(FellDue { day, seq, by_earlier_plan: false });
        }
    }

    /// Keeps what fell due under `old` limits when they change on `day`.
    pub(crate) fn keep_fallen_due(&mut self, old: &PlannedTask, plan_seq: u64, day: DayNumber) {
        let Some(cycle) = &mut self.cycle else { return };
        if let Some(fell) = cycle.fell_due_by(Some(old), day) {
            let seq = cycle.fell_due.as_ref().map_or(plan_seq, |f| f.seq);
            cycle.fell_due = Some(FellDue { day: fell, seq, by_earlier_plan: true });
        }
    }

    /// Ends the running cycle and begins the next one. What a plan asked for is kept, as planned and
    /// with the time at which it was done (ms since 1970 UTC).
    pub(crate) fn finish(
        &mut self,
        planned: Option<(&PlannedTask, i64)>,
        done: Done,
        usage: &BTreeMap<Label, Decimal>,
    ) {
        if let (Some(cycle), Some((task, time_ms))) = (&self.cycle, planned) {
            let on_meter = task.every.as_ref().and_then(|e| usage.get(&e.meter)).copied();
            let completed = Completed {
                start_seq: cycle.start.seq,
                done: done.clone(),
                late_since: cycle.late_since(task, done.day, on_meter),
                deferred_by: cycle.deferral.as_ref().map(|d| d.seq),
            };
            self.completed.push(time_ms, done.seq, completed);
        }
        let (seq, day) = (done.seq, done.day);
        let start = Start { kind: StartKind::Done, seq, day, usage: usage.clone() };
        self.cycle = Some(Cycle::begin(start));
        self.last = Some(done);
    }
}

/// State and share of a limit by meter: `due` at the limit, `due soon` from the warning share on
/// (C1).
fn meter_state(used: Decimal, span: Decimal, task: &PlannedTask) -> (DueState, u32) {
    let warn = span * Decimal::new(i64::from(task.warn_percent.0), 2);
    let state = if used >= span {
        DueState::Due
    } else if used >= warn {
        DueState::DueSoon
    } else {
        DueState::WithinLimit
    };
    (state, basis_points(used, span))
}

/// Tasks of a plan that a piece of work does: the one it names, or those of its action and
/// target; and what those also do, with the task that did it.
pub(crate) fn done_by(
    plan: &[PlannedTask],
    named: Option<&Code>,
    action: TaskAction,
    target: &str,
) -> Vec<(Code, Option<Code>)> {
    let direct: Vec<&Code> = match named {
        Some(code) => vec![code],
        None => plan
            .iter()
            .filter(|t| t.action == action && t.target.as_str() == target)
            .map(|t| &t.task)
            .collect(),
    };
    let mut done: Vec<(Code, Option<Code>)> = direct.iter().map(|c| ((*c).clone(), None)).collect();
    for code in direct {
        for also in plan.iter().filter(|t| t.task == *code).flat_map(|t| &t.also_does) {
            if !done.iter().any(|(c, _)| c == also) {
                done.push((also.clone(), Some(code.clone())));
            }
        }
    }
    done
}
