//! Safe use: isolation, return to service, what must be in order before a machine or scale is used.

use super::*;
use crate::common::Outcome;
use crate::equipment::due::{config_of, day_of};
use crate::equipment::events::{CheckKind, CleaningMethod, EquipmentReturned};
use crate::equipment::meter::local_day;

pub(super) const NOT_VACUUMED: Rule = rule(
    "equipment.not_vacuumed",
    Level::Warn,
    "Dust is vacuumed up; brushing and blowing raise a cloud",
    "NFPA 654 on cleaning methods, quoted at plantengineering.com (trade-values.md B4)",
    Confidence::Secondary,
);
pub(super) const NOT_ISOLATED: Rule = rule(
    "equipment.not_isolated",
    Level::Stop,
    "A machine is isolated before work inside, where the site asks for it",
    "29 CFR 1910.147",
    Confidence::Memory,
);
pub(super) const ENERGY_NOT_CHECKED: Rule = rule(
    "equipment.energy_not_checked",
    Level::Stop,
    "Isolation ends with a check that no energy is left",
    "29 CFR 1910.147",
    Confidence::Memory,
);
pub(super) const RETURNED_WITH_LOCK: Rule = rule(
    "equipment.returned_with_lock",
    Level::Stop,
    "A machine is returned to use when every lock is off",
    "29 CFR 1910.147",
    Confidence::Memory,
);
pub(super) const RETURNED_WITH_FAILED_TEST: Rule = rule(
    "equipment.returned_with_failed_test",
    Level::Stop,
    "A machine is returned to use when every test after the work passed",
    TRADE,
    Confidence::CommonPractice,
);
pub(super) const USED_WHILE_ISOLATED: Rule = rule(
    "equipment.used_while_isolated",
    Level::Stop,
    "An isolated machine is not used",
    "29 CFR 1910.147",
    Confidence::Memory,
);
pub(super) const USED_UNRELEASED: Rule = rule(
    "equipment.used_unreleased",
    Level::Stop,
    "A machine that failed a test after the work is not used",
    TRADE,
    Confidence::CommonPractice,
);
pub(super) const USED_WITHOUT_LEAK_CHECK: Rule = rule(
    "equipment.used_without_leak_check",
    Level::Stop,
    "After a filter was changed, its leak check passes before the machine is used",
    TRADE,
    Confidence::CommonPractice,
);
pub(super) const SCALE_FAILED: Rule = rule(
    "equipment.scale_failed",
    Level::Stop,
    "Nothing is weighed on a scale that failed its last check",
    "ISO 9001:2015, 7.1.5.2; computations.md C16",
    Confidence::Memory,
);
pub(super) const SCALE_OVERDUE: Rule = rule(
    "equipment.scale_overdue",
    Level::Warn,
    "A scale is used while its check is in date",
    "ISO 9001:2015, 7.1.5.2",
    Confidence::Memory,
);

/// Site parameter: `1` when work inside a machine needs an isolation on record.
pub const ISOLATION_REQUIRED: &str = "isolation_required";

pub(super) fn judge(case: &Case<'_>, what: &What, judge: &mut Judge<'_>) {
    match what {
        What::Cleaned(form) => {
            match form.method {
                CleaningMethod::Vacuum | CleaningMethod::Wipe => {}
                CleaningMethod::Brush | CleaningMethod::Other => {
                    let detail = format!("`{}` was cleaned by `{}`", form.target, form.method);
                    judge.raise(&NOT_VACUUMED, [], detail);
                }
            }
            isolated(case, judge);
        }
        What::Swapped(_) | What::Fitted(_) | What::Removed(_) => isolated(case, judge),
        What::Isolated(form) if !form.energy_checked => {
            let detail = format!("`{}` with lock `{}`", case.id, form.lock);
            judge.raise(&ENERGY_NOT_CHECKED, [], detail);
        }
        What::Returned(form) => returned(case, form, judge),
        What::Isolated(_)
        | What::Registered { .. }
        | What::Retired(_)
        | What::PlanSet(_)
        | What::Read { .. }
        | What::MeterReplaced(_)
        | What::Inspected(_)
        | What::Checked(_)
        | What::Deferred(_)
        | What::BagChanged => {}
    }
}

fn isolated(case: &Case<'_>, judge: &mut Judge<'_>) {
    let config = config_of(&case.state.record, case.fact.site.as_ref());
    let required = crate::equipment::checks::parameter(config, ISOLATION_REQUIRED)
        .is_some_and(|v| v == rust_decimal::Decimal::ONE);
    if required && case.before.locks.is_empty() {
        judge.raise(&NOT_ISOLATED, [], format!("`{}` carries no lock", case.id));
    }
}

fn returned(case: &Case<'_>, form: &EquipmentReturned, judge: &mut Judge<'_>) {
    let left = case.before.locks.iter().filter(|(lock, _)| form.lock.as_ref() != Some(*lock));
    for (lock, on) in left {
        let detail = format!("lock `{lock}` is still on `{}`", case.id);
        judge.raise(&RETURNED_WITH_LOCK, [on.seq], detail);
    }
    for test in form.tests.iter().filter(|t| !t.ok) {
        let detail = format!("`{}` failed on `{}`", test.check, case.id);
        judge.raise(&RETURNED_WITH_FAILED_TEST, [], detail);
    }
}

/// A machine is used: powder runs through it, or it is filled.
pub(super) fn judge_work(case: &Case<'_>, judge: &mut Judge<'_>) {
    for (lock, on) in &case.before.locks {
        let detail = format!("lock `{lock}` is on `{}`", case.id);
        judge.raise(&USED_WHILE_ISOLATED, [on.seq], detail);
    }
    if let Some(returned) = &case.before.returned
        && let Some(test) = returned.failed_tests.first()
    {
        let detail = format!("`{test}` failed when `{}` was returned", case.id);
        judge.raise(&USED_UNRELEASED, [returned.seq], detail);
    }
    for (position, seq) in &case.before.leak_check_pending {
        let detail = format!("the filter in `{position}` of `{}` was changed", case.id);
        judge.raise(&USED_WITHOUT_LEAK_CHECK, [*seq], detail);
    }
}

/// Something is weighed on a scale.
pub(super) fn judge_weighing(case: &Case<'_>, judge: &mut Judge<'_>) {
    let last = case.before.last_check(CheckKind::Scale);
    match last.map(|l| (l.result, l.seq)) {
        Some((Outcome::Fail, seq)) => {
            judge.raise(&SCALE_FAILED, [seq], format!("`{}` failed its last check", case.id));
        }
        Some((Outcome::Pass, _)) => {}
        None => {
            judge.raise(&SCALE_OVERDUE, [], format!("`{}` was never checked", case.id));
        }
    }
    let day = local_day(case.fact.time.ms(), case.fact.time.offset_s);
    for (task, since, seq) in case.before.overdue(day) {
        let detail = format!("`{task}` of `{}` is overdue since {}", case.id, day_of(since));
        judge.raise(&SCALE_OVERDUE, [seq], detail);
    }
}
