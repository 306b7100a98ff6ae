//! Episodic events and results of the toxicity test: aids for a person who plans or decides.
//! They stand on no event of the log.

use rust_decimal::Decimal;

use super::law::{Law, RuleUsed, plus_days, values};
use crate::common::Day;

/// Dates of an episodic event (40 CFR 262.232).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EpisodicPlan {
    /// Last day to notify a planned event.
    pub notify_by: Day,
    /// Last day to conclude it and ship.
    pub conclude_by: Day,
    /// Values used.
    pub rules: Vec<RuleUsed>,
}

/// The dates of a planned event that starts on a day; `None` where no rule of the site knows it.
pub fn plan(law: &Law<'_>, start: Day) -> Option<EpisodicPlan> {
    let notify = law.find("us.episodic.notify_days", start)?;
    let conclude = law.find("us.episodic.conclude_days", start)?;
    Some(EpisodicPlan {
        notify_by: Day(plus_days(start.0, -notify.whole())),
        conclude_by: law.last_day(start, &conclude),
        rules: vec![notify.rule, conclude.rule],
    })
}

/// Whether one more event is allowed in a calendar year that has had some.
pub fn allowed(law: &Law<'_>, start: Day, had: u32, petition_granted: bool) -> Option<bool> {
    let limit = law.find("us.episodic.per_year", start)?;
    let with_this = Decimal::from(had) + Decimal::ONE;
    let second_by_petition = petition_granted && had == 1;
    Some(!limit.reached_by(with_this) || second_by_petition)
}

/// Codes whose limit a TCLP result reaches, for a person to consider (40 CFR 261.24).
pub fn toxicity_codes(law: &Law<'_>, metal: &str, mg_per_l: Decimal, on: Day) -> Vec<String> {
    let prefix = "us.tclp.";
    values()
        .filter_map(|v| v.id.strip_prefix(prefix))
        .filter(|name| name.split_once('_').is_some_and(|(_, m)| m == metal))
        .filter_map(|name| {
            let limit = law.find(&format!("{prefix}{name}"), on)?;
            let code = name.split('_').next()?.to_uppercase();
            limit.reached_by(mg_per_l).then_some(code)
        })
        .collect()
}
