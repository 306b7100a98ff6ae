//! Plans that can be followed, work that was planned, and work done late.

use super::*;
use crate::equipment::events::{PlanSet, PlannedTask, TaskDeferred};
use crate::equipment::meter::{Verdict, local_day, unit_of};
use crate::equipment::plan::done_by;

pub(super) const UNKNOWN_TASK: Rule = rule(
    "equipment.unknown_task",
    Level::Warn,
    "Work names a task of the plan in force",
    RECORD,
    Confidence::Definition,
);
pub(super) const DONE_LATE: Rule = rule(
    "equipment.done_late",
    Level::Note,
    "A task is done before its limit is passed; a new date does not undo the old one",
    "definition; computations.md C14",
    Confidence::Definition,
);
pub(super) const TASK_UNUSABLE: Rule = rule(
    "equipment.plan_task_unusable",
    Level::Warn,
    "A planned task has a limit that can be reached, and names meters, tasks and cautions that exist",
    RECORD,
    Confidence::Definition,
);
pub(super) const DEFERRAL_WITHOUT_LIMIT: Rule = rule(
    "equipment.deferral_without_limit",
    Level::Warn,
    "A deferral names the new day or reading",
    RECORD,
    Confidence::Definition,
);
pub(super) const DEFERRAL_SELF_APPROVED: Rule = rule(
    "equipment.deferral_self_approved",
    Level::Warn,
    "A deferral is approved by another person than the one who asks",
    "OWASP ASVS 5.0, 2.3.5 multi-user approval",
    Confidence::Seen,
);

pub(super) fn judge(case: &Case<'_>, what: &What, judge: &mut Judge<'_>) {
    match what {
        What::PlanSet(plan) => usable(case, plan, judge),
        What::Deferred(form) => deferred(case, form, judge),
        What::Registered { .. }
        | What::Retired(_)
        | What::Read { .. }
        | What::MeterReplaced(_)
        | What::Cleaned(_)
        | What::Swapped(_)
        | What::Fitted(_)
        | What::Removed(_)
        | What::Inspected(_)
        | What::Checked(_)
        | What::Isolated(_)
        | What::Returned(_)
        | What::BagChanged => done(case, what, judge),
    }
}

/// Tasks of the plan in force.
fn tasks<'a>(case: &'a Case<'_>) -> &'a [PlannedTask] {
    case.before.plan.as_ref().map_or(&[], |p| &p.tasks)
}

fn done(case: &Case<'_>, what: &What, judge: &mut Judge<'_>) {
    let Some((action, target, named)) = what.work() else { return };
    let plan = tasks(case);
    if let Some(task) = named.filter(|n| !plan.iter().any(|t| t.task == **n)) {
        let detail = format!("`{task}` is no task of the plan of `{}`", case.id);
        judge.raise(&UNKNOWN_TASK, case.before.plan.as_ref().map(|p| p.seq), detail);
        return;
    }
    if case.before.takes_over(what) {
        return;
    }
    let day = local_day(case.fact.time.ms(), case.fact.time.offset_s);
    for (code, _) in done_by(plan, named, action, target) {
        let Some(task) = plan.iter().find(|t| t.task == code) else { continue };
        let track = case.before.tasks.get(&code);
        let Some(cycle) = track.and_then(|t| t.cycle.as_ref()) else { continue };
        let usage = task.every.as_ref().and_then(|e| usage_after(case, what, &e.meter));
        if let Some(since) = cycle.late_since(task, day, usage) {
            let since = crate::equipment::due::day_of(since);
            let detail = format!("`{code}` of `{}` was due since {since}", case.id);
            let deferral = cycle.deferral.as_ref().map(|d| d.seq);
            judge.raise(&DONE_LATE, [cycle.start.seq].into_iter().chain(deferral), detail);
        }
    }
}

/// Where the counter of a meter stands once the reading of this fact is taken in.
fn usage_after(case: &Case<'_>, what: &What, meter: &Label) -> Option<rust_decimal::Decimal> {
    let track = case.before.meters.get(meter)?;
    let own = what.reading().filter(|(m, _)| *m == meter);
    match own.map(|(_, value)| track.judge(case.fact.time.ms(), value)) {
        Some(Verdict::Counts { usage }) => Some(usage),
        Some(Verdict::Held(_)) | None => track.usage(),
    }
}

fn usable(case: &Case<'_>, plan: &PlanSet, judge: &mut Judge<'_>) {
    for (number, task) in plan.tasks.iter().enumerate() {
        for fault in faults(case, plan, number, task) {
            let detail = format!("`{}` of `{}`: {fault}", task.task, case.id);
            judge.raise(&TASK_UNUSABLE, [], detail);
        }
    }
}

/// What is wrong with a task of a plan, in words.
fn faults(case: &Case<'_>, plan: &PlanSet, number: usize, task: &PlannedTask) -> Vec<String> {
    let mut faults = Vec::new();
    if task.every.is_none() && task.calendar.is_none() {
        faults.push("it has no limit and never falls due".to_owned());
    }
    if plan.tasks.iter().take(number).any(|t| t.task == task.task) {
        faults.push("the plan holds it twice".to_owned());
    }
    if let Some(every) = &task.every {
        let quantity = &every.quantity;
        match case.before.meters.get(&every.meter).filter(|m| m.registered) {
            None => faults.push(format!("no meter `{}` is registered", every.meter)),
            Some(track) if unit_of(quantity) != track.unit => {
                faults.push(format!("`{}` does not count in `{}`", every.meter, quantity.unit()));
            }
            Some(_) if quantity.base() <= rust_decimal::Decimal::ZERO => {
                faults.push(format!("{quantity} is no interval"));
            }
            Some(_) => {}
        }
    }
    for also in &task.also_does {
        if !plan.tasks.iter().any(|t| t.task == *also) {
            faults.push(format!("it also does `{also}`, which is not in the plan"));
        }
    }
    for caution in &task.cautions {
        if crate::cautions::find(caution.as_str()).is_none() {
            faults.push(format!("there is no caution `{caution}`"));
        }
    }
    faults
}

fn deferred(case: &Case<'_>, form: &TaskDeferred, judge: &mut Judge<'_>) {
    if !tasks(case).iter().any(|t| t.task == form.task) {
        let detail = format!("`{}` is no task of the plan of `{}`", form.task, case.id);
        judge.raise(&UNKNOWN_TASK, case.before.plan.as_ref().map(|p| p.seq), detail);
    }
    if form.until_day.is_none() && form.until_reading.is_none() {
        let detail = format!("`{}` of `{}` is put off without an end", form.task, case.id);
        judge.raise(&DEFERRAL_WITHOUT_LIMIT, [], detail);
    }
    if case.fact.performer.person() == Some(&form.approved_by) {
        let detail = format!("`{}` of `{}` is approved by who asks", form.task, case.id);
        judge.raise(&DEFERRAL_SELF_APPROVED, [], detail);
    }
}
