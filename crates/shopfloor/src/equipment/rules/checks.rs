//! Checks that agree with themselves and with published limits.

use super::*;
use crate::common::Outcome;
use crate::equipment::checks::{Published, published};
use crate::equipment::events::CheckDone;
use crate::equipment::meter::local_day;

pub(super) const PASS_OUTSIDE_LIMIT: Rule = rule(
    "equipment.pass_outside_limit",
    Level::Stop,
    "A check passes only when the measured value lies within its limit",
    "definition; Eurachem/CITAC 2021, simple acceptance",
    Confidence::Seen,
);
pub(super) const FAIL_WITHIN_LIMIT: Rule = rule(
    "equipment.fail_within_limit",
    Level::Note,
    "A check whose value lies within its limit passes, unless something else was seen",
    "definition",
    Confidence::Definition,
);
pub(super) const LIMIT_NOT_COMPARABLE: Rule = rule(
    "equipment.limit_not_comparable",
    Level::Warn,
    "A limit has a bound, in a unit that compares with the measured value",
    "definition",
    Confidence::Definition,
);
pub(super) const LIMIT_LAXER: Rule = rule(
    "equipment.limit_laxer_than_published",
    Level::Warn,
    "A limit is not laxer than the published one",
    "NFPA 77 (1 Mohm to earth), OSHA memo of 21 Apr 2015 (dust layer), OIML R 76-1 Table 6 (scale)",
    Confidence::Secondary,
);
pub(super) const FAILED: Rule = rule(
    "equipment.check_failed",
    Level::Warn,
    "What failed a check or inspection is put right before it is used",
    TRADE,
    Confidence::CommonPractice,
);
pub(super) const INSTRUMENT_OVERDUE: Rule = rule(
    "equipment.instrument_overdue",
    Level::Warn,
    "An instrument is used while its own check or calibration is in date",
    "ISO 9001:2015, 7.1.5.2",
    Confidence::Memory,
);

pub(super) fn judge(case: &Case<'_>, what: &What, judge: &mut Judge<'_>) {
    match what {
        What::Checked(form) => check(case, form, judge),
        What::Inspected(form) if form.result == Outcome::Fail => {
            let detail = format!("`{}` of `{}` failed its inspection", form.target, case.id);
            judge.raise(&FAILED, [], detail);
        }
        What::Inspected(_)
        | What::Registered { .. }
        | What::Retired(_)
        | What::PlanSet(_)
        | What::Read { .. }
        | What::MeterReplaced(_)
        | What::Cleaned(_)
        | What::Swapped(_)
        | What::Fitted(_)
        | What::Removed(_)
        | What::Isolated(_)
        | What::Returned(_)
        | What::Deferred(_)
        | What::BagChanged => {}
    }
}

fn check(case: &Case<'_>, form: &CheckDone, judge: &mut Judge<'_>) {
    let measured = &form.measured;
    let by_own_limit = form.limit.holds(measured);
    if by_own_limit.is_none() {
        let detail = format!("`{}`: {measured} cannot be compared with its limit", form.check);
        judge.raise(&LIMIT_NOT_COMPARABLE, [], detail);
    }
    let config = crate::equipment::due::config_of(&case.state.record, case.fact.site.as_ref());
    let scale = case.before.registration.as_ref().and_then(|r| r.form.scale.as_ref());
    let published = published(form, scale, config);
    let by_published = published.as_ref().and_then(|p| p.holds(measured));
    let outside = [(by_own_limit, "its limit"), (by_published, "the published limit")];
    let outside: Vec<&str> =
        outside.iter().filter(|(holds, _)| *holds == Some(false)).map(|(_, of)| *of).collect();
    match (form.result, outside.as_slice()) {
        (Outcome::Pass, []) => {}
        (Outcome::Pass, outside) => {
            let why = explain(published.as_ref(), outside);
            let detail = format!("`{}` passed with {measured}, outside {why}", form.check);
            judge.raise(&PASS_OUTSIDE_LIMIT, [], detail);
        }
        (Outcome::Fail, outside) => {
            let target = form.target.as_ref().map_or(form.check.as_str(), Label::as_str);
            let detail = format!("`{target}` of `{}` failed with {measured}", case.id);
            judge.raise(&FAILED, [], detail);
            if outside.is_empty() && by_own_limit == Some(true) {
                let detail = format!("`{}` failed with {measured}, within its limit", form.check);
                judge.raise(&FAIL_WITHIN_LIMIT, [], detail);
            }
        }
    }
    if let Some(published) = published.filter(|p| p.stricter_than(&form.limit)) {
        let detail = format!("`{}`: the published limit is {published}", form.check);
        judge.raise(&LIMIT_LAXER, [], detail);
    }
    instrument(case, form, judge);
}

fn explain(published: Option<&Published>, outside: &[&str]) -> String {
    let words = outside.join(" and ");
    match published {
        Some(published) if outside.contains(&"the published limit") => {
            format!("{words} ({published})")
        }
        Some(_) | None => words,
    }
}

fn instrument(case: &Case<'_>, form: &CheckDone, judge: &mut Judge<'_>) {
    let Some(instrument) = &form.instrument else { return };
    let own = case.state.equipment.before(instrument, case.fact);
    if own.registration.is_none() {
        return;
    }
    let day = local_day(case.fact.time.ms(), case.fact.time.offset_s);
    for (task, since, seq) in own.overdue(day) {
        let since = crate::equipment::due::day_of(since);
        let detail = format!("`{task}` of `{instrument}` is overdue since {since}");
        judge.raise(&INSTRUMENT_OVERDUE, [seq], detail);
    }
}
