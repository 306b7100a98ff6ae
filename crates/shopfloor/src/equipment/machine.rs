//! The state of one machine, derived step by step from its facts in order of work.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::events::*;
use super::meter::{At, MeterTrack, Verdict, local_day};
use super::parts::{Fit, Removal, SoundAt, Stay};
use super::plan::{Cycle, Deferral, Done, Gauge, Start, StartKind, TaskTrack, done_by};
use super::told::{Told, What};
use crate::common::{Outcome, answered};
use crate::growing::Growing;
use crate::ids::{Code, Label, PersonId};
use crate::quantity::{AnyQuantity, Limit};
use crate::timeline::Moment;

/// What a machine is, by its newest registration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Registration {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) site: Option<Label>,
    pub(crate) form: EquipmentRegistered,
}

/// A plan in force.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Plan {
    pub(crate) seq: u64,
    pub(crate) tasks: Vec<PlannedTask>,
    /// How each of the tasks stands, in the same order: the due list reads nothing else.
    pub(crate) gauges: Vec<Gauge>,
}

/// A lock that is on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Lock {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) person: Option<PersonId>,
    pub(crate) energy_checked: bool,
}

/// The last return to use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Return {
    pub(crate) seq: u64,
    pub(crate) released_by: PersonId,
    pub(crate) failed_tests: Vec<Code>,
}

/// A check or inspection that failed and was not followed by a pass or by the work it asks for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Failing {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) target: Label,
}

/// The last result of one kind of check or inspection on one target.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct LastResult {
    pub(crate) seq: u64,
    pub(crate) time_ms: i64,
    pub(crate) result: Outcome,
    /// For a check: the value and the limit it was held against.
    pub(crate) measured: Option<(AnyQuantity, Limit)>,
}

/// What follows from the facts of one machine.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Derived {
    pub(crate) registration: Option<Registration>,
    pub(crate) retired_by: Option<u64>,
    pub(crate) meters: BTreeMap<Label, MeterTrack>,
    pub(crate) plan: Option<Plan>,
    pub(crate) tasks: BTreeMap<Code, TaskTrack>,
    /// Work that no plan named, by `action target`: a later plan counts from it.
    loose: BTreeMap<String, (Done, BTreeMap<Label, Decimal>)>,
    pub(crate) stays: Growing<Stay>,
    /// Index into `stays` of what is fitted, by position.
    pub(crate) fitted: BTreeMap<Label, usize>,
    pub(crate) locks: BTreeMap<Label, Lock>,
    pub(crate) returned: Option<Return>,
    /// By `kind target`.
    pub(crate) results: BTreeMap<String, LastResult>,
    /// By `kind target`.
    pub(crate) failing: BTreeMap<String, Failing>,
    /// Filters swapped since the last leak check, by position.
    pub(crate) leak_check_pending: BTreeMap<Label, u64>,
}

impl Derived {
    /// Folds the next fact in order of work in: first its reading, then what it did.
    pub(crate) fn step(&mut self, moment: &Moment<Told>) {
        let Told { person, offset_s, what } = &moment.value;
        let at = At {
            seq: moment.seq,
            time_ms: moment.time_ms,
            day: local_day(moment.time_ms, *offset_s),
        };
        let person = person.as_ref();
        match what {
            What::Registered { site, form } => self.register(at, site.clone(), form),
            What::Retired(_) => self.retired_by = Some(at.seq),
            What::PlanSet(form) => self.set_plan(at, form),
            What::MeterReplaced(form) => {
                let track = self.meters.entry(form.meter.clone()).or_default();
                if let Verdict::Counts { usage } = track.replace(at, form) {
                    self.note_usage(at, &form.meter, usage);
                }
            }
            What::Deferred(form) => self.defer(at, form),
            What::Read { .. }
            | What::Cleaned(_)
            | What::Swapped(_)
            | What::Fitted(_)
            | What::Removed(_)
            | What::Inspected(_)
            | What::Checked(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::BagChanged => {
                if let Some((meter, value)) = what.reading() {
                    self.read(at, meter, value);
                }
                let takes_over = self.takes_over(what);
                self.act(at, person, what);
                if let Some(work) = what.work() {
                    self.work(at, person, work, what.result(), takes_over);
                }
            }
        }
    }

    /// Whether a fitting only takes a part over into the record: the first one of its position.
    /// Cycles count from it, but it is no maintenance that was on time or late.
    pub(crate) fn takes_over(&self, what: &What) -> bool {
        let What::Fitted(form) = what else { return false };
        !self.stays.iter().any(|stay| stay.position == form.position)
    }

    /// What a piece of work changes on the machine itself.
    fn act(&mut self, at: At, person: Option<&PersonId>, what: &What) {
        match what {
            What::Cleaned(form) => self.remedy(TaskAction::Clean, form.target.as_str()),
            What::Swapped(form) => {
                self.remove(at, person, &form.position, &form.out);
                self.fit(at, person, &form.position, &form.fitted, &form.checks);
                self.remedy(TaskAction::Replace, form.position.as_str());
            }
            What::Fitted(form) => {
                self.fit(at, person, &form.position, &form.fitted, &form.checks);
                self.remedy(TaskAction::Replace, form.position.as_str());
            }
            What::Removed(form) => self.remove(at, person, &form.position, &form.out),
            What::Inspected(form) => self.inspect(at, form),
            What::Checked(form) => self.check(at, form),
            What::Isolated(form) => {
                let lock = Lock {
                    seq: at.seq,
                    time_ms: at.time_ms,
                    person: person.cloned(),
                    energy_checked: form.energy_checked,
                };
                self.locks.insert(form.lock.clone(), lock);
            }
            What::Returned(form) => self.give_back(at, form),
            What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Read { .. }
            | What::MeterReplaced(_)
            | What::Deferred(_)
            | What::BagChanged => {}
        }
    }

    fn register(&mut self, at: At, site: Option<Label>, form: &EquipmentRegistered) {
        for meter in &form.meters {
            self.meters.entry(meter.id.clone()).or_default().register(meter);
        }
        self.retired_by = None;
        let (seq, time_ms) = (at.seq, at.time_ms);
        self.registration = Some(Registration { seq, time_ms, site, form: form.clone() });
    }

    /// Where every meter stands.
    pub(crate) fn usage(&self) -> BTreeMap<Label, Decimal> {
        self.meters.iter().filter_map(|(id, m)| Some((id.clone(), m.usage()?))).collect()
    }

    fn read(&mut self, at: At, meter: &Label, value: &MeterValue) {
        let track = self.meters.entry(meter.clone()).or_default();
        if let Verdict::Counts { usage } = track.read(at, value) {
            self.note_usage(at, meter, usage);
        }
    }

    fn note_usage(&mut self, at: At, meter: &Label, usage: Decimal) {
        // A meter that was not read when a part was fitted counts for it from its first reading.
        for at in self.fitted.values() {
            let fit = self.stays.get(*at).and_then(|stay| stay.fit.as_ref());
            if fit.is_some_and(|fit| !fit.usage.contains_key(meter))
                && let Some(fit) = self.stays.get_mut(*at).and_then(|stay| stay.fit.as_mut())
            {
                fit.usage.insert(meter.clone(), usage);
            }
        }
        let Some(plan) = &self.plan else { return };
        for task in &plan.tasks {
            if task.every.as_ref().is_some_and(|e| e.meter == *meter)
                && let Some(track) = self.tasks.get_mut(&task.task)
            {
                track.note_usage(task, at.seq, at.day, usage);
            }
        }
        self.refresh(|t| t.every.as_ref().is_some_and(|e| e.meter == *meter), Some(meter));
    }

    /// Brings the gauges of some tasks up to date, and of those deferred by `meter`.
    fn refresh(&mut self, wanted: impl Fn(&PlannedTask) -> bool, meter: Option<&Label>) {
        let Some(plan) = &mut self.plan else { return };
        for (task, gauge) in plan.tasks.iter().zip(&mut plan.gauges) {
            let Some(track) = self.tasks.get(&task.task) else { continue };
            let deferred = track.cycle.as_ref().and_then(|c| c.deferral.as_ref());
            let on_meter = deferred.and_then(|d| d.until_usage.as_ref()).map(|(m, _)| m);
            if wanted(task) || (meter.is_some() && on_meter == meter) {
                let failing = failing_for(&self.failing, &plan.tasks, task).map(|f| f.time_ms);
                *gauge = track.gauge(task, &self.meters, failing);
            }
        }
    }

    fn set_plan(&mut self, at: At, form: &PlanSet) {
        for old in self.plan.iter().flat_map(|p| &p.tasks) {
            let same = form.tasks.iter().any(|new| {
                new.task == old.task && new.every == old.every && new.calendar == old.calendar
            });
            if !same && let Some(track) = self.tasks.get_mut(&old.task) {
                let plan_seq = self.plan.as_ref().map_or(at.seq, |p| p.seq);
                track.keep_fallen_due(old, plan_seq, at.day);
            }
        }
        let usage = self.usage();
        for task in &form.tasks {
            let track = self.tasks.entry(task.task.clone()).or_default();
            if track.cycle.is_none() {
                let known = self.loose.get(&loose_key(task.action, task.target.as_str()));
                if let Some((done, usage)) = known {
                    track.finish(None, done.clone(), usage);
                } else {
                    let (seq, day) = (at.seq, at.day);
                    let start = Start { kind: StartKind::PlanSet, seq, day, usage: usage.clone() };
                    track.cycle = Some(Cycle::begin(start));
                }
            }
            // The limits may be new: what is over them now fell due today, not earlier.
            if let Some(usage) = task.every.as_ref().and_then(|e| usage.get(&e.meter)) {
                track.note_usage(task, at.seq, at.day, *usage);
            }
        }
        let gauges = vec![Gauge::default(); form.tasks.len()];
        self.plan = Some(Plan { seq: at.seq, tasks: form.tasks.clone(), gauges });
        self.refresh(|_| true, None);
    }

    fn work(
        &mut self,
        at: At,
        person: Option<&PersonId>,
        (action, target, named): (TaskAction, &str, Option<&Code>),
        result: Option<Outcome>,
        takes_over: bool,
    ) {
        let plan: &[PlannedTask] = self.plan.as_ref().map_or(&[], |p| &p.tasks);
        let usage = self.usage();
        let done = |through: Option<Code>| Done {
            seq: at.seq,
            day: at.day,
            person: person.cloned(),
            result,
            through,
        };
        if named.is_none() {
            self.loose.insert(loose_key(action, target), (done(None), usage.clone()));
        }
        for (code, through) in done_by(plan, named, action, target) {
            let task = plan.iter().find(|t| t.task == code && !takes_over);
            let planned = task.map(|task| (task, at.time_ms));
            self.tasks.entry(code).or_default().finish(planned, done(through), &usage);
        }
        self.refresh(|_| true, None);
    }

    fn inspect(&mut self, at: At, form: &InspectionDone) {
        self.result(at, "inspection", &form.target, form.result, None);
        if form.result == Outcome::Pass {
            let usage = self.usage();
            let fitted = self.fitted.get(&form.target).and_then(|i| self.stays.get_mut(*i));
            if let Some(stay) = fitted {
                stay.sound_at = Some(SoundAt { seq: at.seq, usage });
            }
        }
    }

    fn check(&mut self, at: At, form: &CheckDone) {
        let whole = || Label::new(form.check.as_str()).ok();
        let Some(target) = form.target.clone().or_else(whole) else { return };
        let measured = Some((form.measured.clone(), form.limit.clone()));
        self.result(at, form.check.as_str(), &target, form.result, measured);
        if form.check == CheckKind::Leak && form.result == Outcome::Pass {
            match &form.target {
                Some(position) => {
                    self.leak_check_pending.remove(position);
                }
                None => self.leak_check_pending.clear(),
            }
        }
    }

    fn result(
        &mut self,
        at: At,
        kind: &str,
        target: &Label,
        result: Outcome,
        measured: Option<(AnyQuantity, Limit)>,
    ) {
        let key = format!("{kind} {target}");
        let (seq, time_ms) = (at.seq, at.time_ms);
        match result {
            Outcome::Pass => {
                self.failing.remove(&key);
            }
            Outcome::Fail => {
                let failing = Failing { seq, time_ms, target: target.clone() };
                self.failing.insert(key.clone(), failing);
            }
        }
        self.results.insert(key, LastResult { seq, time_ms, result, measured });
    }

    /// The newest check of a kind, on whatever target.
    pub(crate) fn last_check(&self, kind: CheckKind) -> Option<&LastResult> {
        let prefix = format!("{kind} ");
        let of_kind =
            self.results.range(prefix.clone()..).take_while(|(k, _)| k.starts_with(&prefix));
        of_kind.map(|(_, last)| last).max_by_key(|last| (last.time_ms, last.seq))
    }

    /// Tasks that are late on `day` by their working limits: name, day since, entry the cycle
    /// counts from.
    pub(crate) fn overdue(
        &self,
        day: super::meter::DayNumber,
    ) -> impl Iterator<Item = (&Code, super::meter::DayNumber, u64)> {
        let tasks = self.plan.iter().flat_map(|p| &p.tasks);
        tasks.filter_map(move |task| {
            let cycle = self.tasks.get(&task.task)?.cycle.as_ref()?;
            if cycle.deferral.is_some() {
                return None;
            }
            let usage = task.every.as_ref().and_then(|e| self.meters.get(&e.meter)?.usage());
            Some((&task.task, cycle.late_since(task, day, usage)?, cycle.start.seq))
        })
    }

    /// Work that answers failed checks on its target: a replacement, or a cleaning where the plan
    /// knows no replacement.
    fn remedy(&mut self, action: TaskAction, target: &str) {
        let replaceable = self
            .plan
            .iter()
            .flat_map(|p| &p.tasks)
            .any(|t| t.action == TaskAction::Replace && t.target.as_str() == target);
        if action == TaskAction::Replace || !replaceable {
            self.failing.retain(|_, f| f.target.as_str() != target);
        }
    }

    fn remove(&mut self, at: At, person: Option<&PersonId>, position: &Label, out: &PartOut) {
        let removal = Removal {
            seq: at.seq,
            time_ms: at.time_ms,
            day: at.day,
            person: person.cloned(),
            usage: self.usage(),
            part: Some(out.clone()),
        };
        match self.fitted.remove(position).and_then(|i| self.stays.get_mut(i)) {
            Some(stay) if stay.serial == out.serial => stay.removal = Some(removal),
            other => {
                // What was fitted by the record is gone, and what came out was never recorded in.
                if let Some(stay) = other {
                    stay.removal = Some(Removal { part: None, ..removal.clone() });
                }
                self.stays.push(Stay {
                    position: position.clone(),
                    serial: out.serial.clone(),
                    fit: None,
                    sound_at: None,
                    removal: Some(removal),
                });
            }
        }
    }

    fn fit(
        &mut self,
        at: At,
        person: Option<&PersonId>,
        position: &Label,
        part: &PartIn,
        checks: &[crate::common::Check],
    ) {
        let usage = self.usage();
        if let Some(stay) = self.fitted.remove(position).and_then(|i| self.stays.get_mut(i)) {
            stay.removal = Some(Removal {
                seq: at.seq,
                time_ms: at.time_ms,
                day: at.day,
                person: None,
                usage: usage.clone(),
                part: None,
            });
        }
        // The first part on record was there before: nobody changed it.
        let changed = self.stays.iter().any(|s| s.position == *position);
        if changed && self.part_kind(position).is_some_and(is_filter) {
            self.leak_check_pending.insert(position.clone(), at.seq);
        }
        self.fitted.insert(position.clone(), self.stays.len());
        self.stays.push(Stay {
            position: position.clone(),
            serial: part.serial.clone(),
            fit: Some(Fit {
                seq: at.seq,
                time_ms: at.time_ms,
                day: at.day,
                person: person.cloned(),
                usage,
                part: part.clone(),
                checks: checks.to_vec(),
            }),
            sound_at: None,
            removal: None,
        });
    }

    /// What belongs into a position, by registration.
    pub(crate) fn part_kind(&self, position: &Label) -> Option<PartKind> {
        let form = &self.registration.as_ref()?.form;
        form.positions.iter().find(|p| p.id == *position).map(|p| p.part_kind)
    }

    fn give_back(&mut self, at: At, form: &EquipmentReturned) {
        if let Some(lock) = &form.lock {
            self.locks.remove(lock);
        }
        if answered(&form.tests, CheckKind::Leak.as_str()) == Some(true) {
            self.leak_check_pending.clear();
        }
        let failed_tests = form.tests.iter().filter(|t| !t.ok).map(|t| t.check.clone()).collect();
        let released_by = form.released_by.clone();
        self.returned = Some(Return { seq: at.seq, released_by, failed_tests });
    }

    /// Entry of the failed check that asks for `task`, unless the task was deferred after it.
    pub(crate) fn failed_check(&self, plan: &Plan, task: &PlannedTask) -> Option<u64> {
        let failing = failing_for(&self.failing, &plan.tasks, task)?;
        let cycle = self.tasks.get(&task.task).and_then(|t| t.cycle.as_ref());
        let deferred_ms = cycle.and_then(|c| c.deferral.as_ref()).map(|d| d.time_ms);
        deferred_ms.is_none_or(|d| failing.time_ms > d).then_some(failing.seq)
    }

    fn defer(&mut self, at: At, form: &TaskDeferred) {
        let deferral = Deferral::new(at.seq, at.time_ms, form, &self.meters);
        if let Some(cycle) = self.tasks.get_mut(&form.task).and_then(|t| t.cycle.as_mut())
            && (deferral.until_usage.is_some() || deferral.until_day.is_some())
        {
            cycle.deferral = Some(deferral);
        }
        self.refresh(|t| t.task == form.task, None);
    }
}

/// A state as an earlier one is kept: without what only grows. How much of that there was is enough
/// to have it back from a later state ([`Derived::back_to`]), so that a mark is as large after ten
/// years as after a month.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Mark {
    /// Nothing that grows is in it.
    bare: Derived,
    /// Readings held of each meter, in the order of `bare.meters`.
    held: Vec<usize>,
    /// Cycles that ended of each task, in the order of `bare.tasks`.
    completed: Vec<usize>,
    stays: usize,
    /// The stays of what was fitted, which later facts change, with their places in `stays`.
    open: Vec<(usize, Stay)>,
}

impl Derived {
    /// What has to be kept of this state.
    pub(crate) fn mark(&self) -> Mark {
        let bare = Derived {
            registration: self.registration.clone(),
            retired_by: self.retired_by,
            meters: self.meters.iter().map(|(id, track)| (id.clone(), track.bare())).collect(),
            plan: self.plan.clone(),
            tasks: self.tasks.iter().map(|(code, track)| (code.clone(), track.bare())).collect(),
            loose: self.loose.clone(),
            stays: Growing::default(),
            fitted: self.fitted.clone(),
            locks: self.locks.clone(),
            returned: self.returned.clone(),
            results: self.results.clone(),
            failing: self.failing.clone(),
            leak_check_pending: self.leak_check_pending.clone(),
        };
        let fitted = self.fitted.values();
        Mark {
            bare,
            held: self.meters.values().map(|track| track.held.len()).collect(),
            completed: self.tasks.values().map(|track| track.completed.len()).collect(),
            stays: self.stays.len(),
            open: fitted.filter_map(|at| Some((*at, self.stays.get(*at)?.clone()))).collect(),
        }
    }

    /// The state that was marked, when this one was derived from it by further facts: a stay changes
    /// only while its part is fitted, and every other list only grows.
    pub(crate) fn back_to(&self, mark: Mark) -> Derived {
        let Mark { bare: mut then, held, completed, stays, open } = mark;
        for ((id, track), held) in then.meters.iter_mut().zip(held) {
            if let Some(now) = self.meters.get(id).filter(|_| held > 0) {
                track.held = now.held.first(held);
            }
        }
        for ((code, track), completed) in then.tasks.iter_mut().zip(completed) {
            if let Some(now) = self.tasks.get(code).filter(|_| completed > 0) {
                track.completed = now.completed.first(completed);
            }
        }
        then.stays = self.stays.first(stays);
        for (at, stay) in open {
            if let Some(then) = then.stays.get_mut(at) {
                *then = stay;
            }
        }
        then
    }
}

/// Key of work that no plan named.
fn loose_key(action: TaskAction, target: &str) -> String {
    format!("{action} {target}")
}

/// Whether a part filters air, so that direction, seal and tightness matter.
pub(crate) fn is_filter(kind: PartKind) -> bool {
    match kind {
        PartKind::HepaFilter => true,
        PartKind::Sieve
        | PartKind::PreFilter
        | PartKind::Gasket
        | PartKind::Recoater
        | PartKind::OxygenSensor
        | PartKind::Window
        | PartKind::Hose
        | PartKind::Other => false,
    }
}

/// The newest failed check that asks for `task`: a replacement of its target, or a cleaning where
/// the plan knows no replacement.
fn failing_for<'a>(
    failing: &'a BTreeMap<String, Failing>,
    plan: &[PlannedTask],
    task: &PlannedTask,
) -> Option<&'a Failing> {
    let replaceable =
        || plan.iter().any(|t| t.action == TaskAction::Replace && t.target == task.target);
    let asked = match task.action {
        TaskAction::Replace => true,
        TaskAction::Clean => !replaceable(),
        TaskAction::Inspect | TaskAction::Check => false,
    };
    if !asked {
        return None;
    }
    let on_target = failing.values().filter(|f| f.target == task.target);
    on_target.max_by_key(|f| (f.time_ms, f.seq))
}
