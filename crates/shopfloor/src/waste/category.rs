//! How much waste arose in a calendar month, and what generator category that makes
//! (40 CFR 260.10, 262.13; computations.md C21).

use std::fmt;

use jiff::Timestamp;
use jiff::civil::Date;
use rust_decimal::Decimal;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use super::events::{Determination, WasteItem};
use super::law::{Applied, Law, RuleUsed, plus_days};
use super::{Kg, SiteWaste, Waste};
use crate::State;
use crate::common::Day;
use crate::forms::words;
use crate::ids::Label;

words! {
    /// Generator category of a site in a month, the least strict first.
    pub enum Category {
        /// Very small quantity generator.
        VerySmall = "very_small",
        /// Small quantity generator.
        Small = "small",
        /// Large quantity generator.
        Large = "large",
    }
}

/// A calendar month of the site's calendar, written `2026-06`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Month {
    /// First day.
    first: Date,
}

impl Month {
    /// The month a day lies in.
    pub fn of(day: Day) -> Self {
        Self { first: day.0.first_of_month() }
    }
    /// Its first day.
    pub fn first(self) -> Day {
        Day(self.first)
    }
    /// Its last day.
    pub fn last(self) -> Day {
        Day(self.first.last_of_month())
    }
    /// How many days it has.
    pub fn days(self) -> i64 {
        i64::from(self.first.days_in_month())
    }
    /// Its calendar year.
    pub fn year(self) -> i16 {
        self.first.year()
    }
    /// The month after.
    #[must_use]
    pub fn next(self) -> Self {
        Self::of(Day(plus_days(self.last().0, 1)))
    }
}

impl fmt::Display for Month {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}", self.first.year(), self.first.month())
    }
}
impl Serialize for Month {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}
impl<'de> Deserialize<'de> for Month {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        let first = format!("{text}-01").parse::<Date>();
        first
            .map(|first| Self { first })
            .map_err(|_| de::Error::custom("a month is written `2026-06`"))
    }
}
impl JsonSchema for Month {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Month".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "string", "pattern": "^[0-9]{4}-[0-9]{2}$" })
    }
}

/// How a mass counts, by what a person determined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Acutely hazardous.
    Acute,
    /// Hazardous, not acute.
    NonAcute,
    /// Residue of a spill of acutely hazardous waste.
    Residue,
    /// Determined to be no hazardous waste.
    NonHazardous,
    /// Nobody determined it.
    Undetermined,
}

/// Masses of one month by class.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Amounts {
    /// Acute hazardous waste in kg.
    pub acute_kg: Kg,
    /// Non-acute hazardous waste in kg.
    pub non_acute_kg: Kg,
    /// Residue of spills of acute hazardous waste in kg.
    pub spill_residue_kg: Kg,
    /// Waste determined not to be hazardous in kg.
    pub non_hazardous_kg: Kg,
    /// Waste nobody determined in kg; it counts nowhere, and is told.
    pub undetermined_kg: Kg,
}

/// What arose in one month.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Totals {
    /// Masses by class.
    pub amounts: Amounts,
    /// Entries they rest on, ascending.
    pub entries: Vec<u64>,
}

impl Totals {
    fn add(&mut self, class: Class, mass: Kg, seq: u64) {
        let sum = match class {
            Class::Acute => &mut self.amounts.acute_kg,
            Class::NonAcute => &mut self.amounts.non_acute_kg,
            Class::Residue => &mut self.amounts.spill_residue_kg,
            Class::NonHazardous => &mut self.amounts.non_hazardous_kg,
            Class::Undetermined => &mut self.amounts.undetermined_kg,
        };
        *sum += mass;
        self.entries.push(seq);
    }
}

/// How an addition counts: by the determination of the container's stream in force at its time.
pub(super) fn class(waste: &Waste, container: &Label, what: WasteItem, at_ms: i64) -> Class {
    let stream = waste.container(container).and_then(|c| c.stream());
    let determined = stream.and_then(|s| waste.determination(s, at_ms));
    match determined.map(|m| m.value.fact.determination) {
        Some(Determination::AcuteHazardous) if what == WasteItem::SpillResidue => Class::Residue,
        Some(Determination::AcuteHazardous) => Class::Acute,
        Some(Determination::Hazardous) => Class::NonAcute,
        Some(Determination::NonHazardous) => Class::NonHazardous,
        None => Class::Undetermined,
    }
}

/// Waste that arose on a site in a month. Waste told twice (the same bag) counts once.
pub(super) fn totals(state: &State, site: &Label, law: &Law<'_>, month: Month) -> Totals {
    let (from, to) = (law.days.start_ms(month.first()), law.days.end_ms(month.last()));
    let mut totals = Totals::default();
    for (container, moment) in state.waste.generated(site, from, to) {
        let addition = &moment.value.fact;
        if state.waste.repeats(moment.time_ms, moment.seq, addition).is_none() {
            let class = class(&state.waste, container, addition.what, moment.time_ms);
            totals.add(class, addition.mass_kg, moment.seq);
        }
    }
    totals.entries.sort_unstable();
    totals.entries.dedup();
    totals
}

/// The category that amounts make in a month; `None` where no rule of the site makes categories.
/// `LQG if A > 1 or N >= 1000 or R > 100; else SQG if N > 100; else VSQG`, exact values.
pub fn category(amounts: &Amounts, law: &Law<'_>, on: Day) -> Option<(Category, Vec<RuleUsed>)> {
    let limits = Limits::find(law, on)?;
    let large = limits.acute.reached_by(amounts.acute_kg.0)
        || limits.large.reached_by(amounts.non_acute_kg.0)
        || limits.residue.reached_by(amounts.spill_residue_kg.0);
    let counted = if large {
        Category::Large
    } else if limits.small.reached_by(amounts.non_acute_kg.0) {
        Category::Small
    } else {
        Category::VerySmall
    };
    Some((counted.max(floor(law)), limits.rules()))
}

/// The category a site manages itself as at least.
fn floor(law: &Law<'_>) -> Category {
    let floor = law.practice("shop.category_floor");
    if floor >= Decimal::from(3) {
        Category::Large
    } else if floor >= Decimal::from(2) {
        Category::Small
    } else {
        Category::VerySmall
    }
}

struct Limits {
    acute: Applied,
    large: Applied,
    residue: Applied,
    small: Applied,
}

impl Limits {
    fn find(law: &Law<'_>, on: Day) -> Option<Self> {
        Some(Self {
            acute: law.find("us.category.acute_kg", on)?,
            large: law.find("us.category.lqg_kg", on)?,
            residue: law.find("us.category.residue_kg", on)?,
            small: law.find("us.category.sqg_kg", on)?,
        })
    }
    fn rules(&self) -> Vec<RuleUsed> {
        [&self.acute, &self.large, &self.residue, &self.small]
            .map(|applied| applied.rule.clone())
            .to_vec()
    }
}

/// What the month will come to if it goes on as it did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Forecast {
    /// Days of the month that have passed, today included.
    pub days_passed: i64,
    /// Non-acute hazardous waste at the end of the month, in kg, to the gram:
    /// sum + daily mean x days left.
    pub non_acute_kg: Kg,
    /// The category that would make.
    pub category: Category,
}

/// One thing that changes when a site tips into a stricter category.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Consequence {
    /// What changes.
    pub topic: String,
    /// As it is now.
    pub now: String,
    /// As it would be.
    pub then: String,
    /// Section.
    pub section: String,
}

/// One month of a site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MonthView {
    /// The month.
    pub month: Month,
    /// Masses by class.
    #[serde(flatten)]
    pub amounts: Amounts,
    /// Category; absent where no rule of the site makes categories.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub category: Option<Category>,
    /// Category if what nobody determined counted as hazardous, when that differs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub category_with_undetermined: Option<Category>,
    /// Mass left until the next category, in kg of non-acute waste.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub margin_kg: Option<Kg>,
    /// For a month that has not ended: what it will come to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub forecast: Option<Forecast>,
    /// Whether the forecast crosses into a stricter category.
    pub warn: bool,
    /// What changes if it does.
    pub changes: Vec<Consequence>,
    /// Values used.
    pub rules: Vec<RuleUsed>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// One month of a site as of `now`.
pub fn month(state: &State, site: &Label, month: Month, now: Timestamp) -> MonthView {
    let law = Law::of(state.record.site(site));
    let totals = totals(state, site, &law, month);
    view(&law, month, totals, now)
}

/// Every month between two days in which waste arose, as of `now`.
pub fn month_views(
    state: &State,
    site: &Label,
    from: Day,
    to: Day,
    now: Timestamp,
) -> Vec<MonthView> {
    SiteWaste::of(state, site).month_views(from, to, now)
}

/// See [`SiteWaste::month_views`].
pub(super) fn views(site: &SiteWaste<'_>, from: Day, to: Day, now: Timestamp) -> Vec<MonthView> {
    let months = site.months(Month::of(from), Month::of(to)).into_iter();
    months.map(|(month, totals)| view(&site.law, month, Totals::clone(&totals), now)).collect()
}

fn view(law: &Law<'_>, month: Month, totals: Totals, now: Timestamp) -> MonthView {
    let amounts = totals.amounts;
    let on = month.last();
    let counted = category(&amounts, law, on);
    let (category_now, rules) = match counted {
        Some((category, rules)) => (Some(category), rules),
        None => (None, Vec::new()),
    };
    let with_all =
        Amounts { non_acute_kg: amounts.non_acute_kg + amounts.undetermined_kg, ..amounts.clone() };
    let category_with_undetermined =
        category(&with_all, law, on).map(|(c, _)| c).filter(|c| Some(*c) != category_now);
    let forecast = forecast(law, month, &amounts, now);
    let warn = forecast.as_ref().is_some_and(|f| Some(f.category) > category_now);
    let changes = match (&forecast, category_now) {
        (Some(f), Some(now)) if f.category > now => consequences(law, now, f.category, on),
        (Some(_), _) | (None, _) => Vec::new(),
    };
    MonthView {
        month,
        margin_kg: margin(law, &amounts, category_now, on),
        category: category_now,
        category_with_undetermined,
        forecast,
        warn,
        changes,
        rules,
        entries: totals.entries,
        amounts,
    }
}

fn margin(law: &Law<'_>, amounts: &Amounts, category: Option<Category>, on: Day) -> Option<Kg> {
    let limits = Limits::find(law, on)?;
    let next = match category? {
        Category::VerySmall => limits.small,
        Category::Small => limits.large,
        Category::Large => return None,
    };
    Some(Kg(next.value) - amounts.non_acute_kg)
}

fn forecast(law: &Law<'_>, month: Month, amounts: &Amounts, now: Timestamp) -> Option<Forecast> {
    let today = law.days.day(now.as_millisecond());
    if Month::of(today) != month || today == month.last() {
        return None;
    }
    let days_passed = i64::from(today.0.day());
    let sum = amounts.non_acute_kg.0 * Decimal::from(month.days());
    // Exact until shown: the category is decided on the unrounded quotient.
    let exact = sum.checked_div(Decimal::from(days_passed))?;
    let then = Amounts { non_acute_kg: Kg(exact), ..amounts.clone() };
    let category = category(&then, law, month.last())?.0;
    Some(Forecast { days_passed, non_acute_kg: Kg(exact.round_dp(3).normalize()), category })
}

/// What changes between two categories, with the values in force on a day.
pub fn consequences(law: &Law<'_>, now: Category, then: Category, on: Day) -> Vec<Consequence> {
    let days = |id: &str| law.find(id, on).map(|a| (a.whole(), a.rule.section));
    let mut changes = Vec::new();
    let mut change = |topic: &str, now: String, then: String, section: String| {
        changes.push(Consequence { topic: topic.into(), now, then, section });
    };
    let limit = |category: Category| match category {
        Category::VerySmall => ("no limit in days".to_owned(), String::new()),
        Category::Small => days("us.accumulation.sqg_days")
            .map_or_else(Default::default, |(n, s)| (format!("{n} days"), s)),
        Category::Large => days("us.accumulation.lqg_days")
            .map_or_else(Default::default, |(n, s)| (format!("{n} days"), s)),
    };
    change("accumulation time", limit(now).0, limit(then).0, limit(then).1);
    if now == Category::VerySmall {
        change(
            "inspection of central areas",
            "none prescribed".into(),
            "at least weekly".into(),
            "40 CFR 262.16(b)(2)(iv), 262.17(a)(1)(v)".into(),
        );
        change(
            "manifest and exception report",
            "none prescribed".into(),
            "manifest; report when no signed copy comes back".into(),
            "40 CFR 262.20, 262.42".into(),
        );
    }
    if then == Category::Large {
        let text = days("us.exception.lqg.contact_days")
            .map_or_else(String::new, |(n, _)| format!("ask by day {n}, then report"));
        change("missing signed copy", "report".into(), text, "40 CFR 262.42(a)".into());
        change(
            "biennial report",
            "none".into(),
            "for the whole odd year".into(),
            "40 CFR 262.41".into(),
        );
    }
    changes
}

/// The category that governs a container: the strictest month in which something was put in
/// (project convention, conservative; State practice differs, waste-rules.md section 13 no. 16).
pub(super) fn of_container(
    site: &SiteWaste<'_>,
    container: &super::Container<'_>,
) -> Option<Category> {
    let law = &site.law;
    let mut strictest = None;
    let mut seen: Option<Month> = None;
    for added in container.additions() {
        let month = Month::of(law.days.day(added.moment.time_ms));
        if seen != Some(month) {
            seen = Some(month);
            let category = category(&site.month(month).amounts, law, month.last())?.0;
            strictest = strictest.max(Some(category));
        }
    }
    strictest
}
