//! Dust that lies in rooms and in their air.

use super::*;
use crate::equipment::dust::assess;
use crate::equipment::events::{DustSurveyed, ExposureMeasured};
use crate::equipment::exposure::exposure;
use crate::equipment::told::Survey;

pub(super) const DUST_OVER_CRITERION: Rule = rule(
    "equipment.dust_over_criterion",
    Level::Warn,
    "Dust is taken up well before its layers reach the depth criterion",
    "OSHA memo of 21 Apr 2015 quoting NFPA 654 (2013)",
    Confidence::Memory,
);
pub(super) const EXPOSURE_OVER_LIMIT: Rule = rule(
    "equipment.exposure_over_limit",
    Level::Warn,
    "The average over a shift stays within the limit the site works to",
    "29 CFR 1910.1000(d)(1)(i); the limit as recorded",
    Confidence::Seen,
);
pub(super) const EXPOSURE_WITHOUT_LIMIT: Rule = rule(
    "equipment.exposure_without_limit",
    Level::Note,
    "An exposure is held against a limit for the same fraction of dust",
    "definition; computations.md C12",
    Confidence::Definition,
);
pub(super) const NOT_COMPUTABLE: Rule = rule(
    "equipment.survey_not_computable",
    Level::Warn,
    "Sizes, densities, concentrations and times are not negative, and a room has a size",
    "definition",
    Confidence::Definition,
);

pub(super) fn judge(survey: Survey<'_>, judge: &mut Judge<'_>) {
    match survey {
        Survey::Dust(form) => dust(form, judge),
        Survey::Air(form) => air(form, judge),
    }
}

fn dust(form: &DustSurveyed, judge: &mut Judge<'_>) {
    let room = &form.room;
    match assess(form) {
        None => judge.raise(&NOT_COMPUTABLE, [], format!("dust in room `{room}`")),
        Some(found) if found.over => {
            let detail = format!("room `{room}`: {}", found.reasons.join("; "));
            judge.raise(&DUST_OVER_CRITERION, [], detail);
        }
        Some(_) => {}
    }
}

fn air(form: &ExposureMeasured, judge: &mut Judge<'_>) {
    let room = &form.room;
    let Some(found) = exposure(form) else {
        judge.raise(&NOT_COMPUTABLE, [], format!("exposure in room `{room}`"));
        return;
    };
    let own = || found.against.iter().filter(|a| a.confidence.is_none());
    for over in own().filter(|a| a.within == Some(false)) {
        let (average, limit) = (&found.average_mg_m3, &over.limit_mg_m3);
        let detail = format!("{average} mg/m3 in room `{room}`, the limit is {limit} mg/m3");
        judge.raise(&EXPOSURE_OVER_LIMIT, [], detail);
    }
    if own().all(|a| a.within.is_none()) {
        let detail = format!("no limit for `{}` dust in room `{room}`", found.fraction);
        judge.raise(&EXPOSURE_WITHOUT_LIMIT, [], detail);
    }
}
