//! Waste law and practice as versioned data: what a value is, from when until when, where it
//! stands, and how sure that is. The code holds only operations: compare, add days, sum.
//!
//! * The version in force on the day a clock starts governs the clock (project convention; no
//!   transition text was confirmed). Old versions keep answering for old dates.
//! * A site may set a *parameter* freely and make a *confirmed* value stricter, never laxer, by a
//!   parameter named like the value with `_` for `.` (`us_exception_lqg_report_days`).
//! * Every computed date carries a [`RuleUsed`].

pub mod tables;

use std::collections::HashMap;
use std::str::FromStr;
use std::sync::OnceLock;

use jiff::civil::Date;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::view::LocalDays;
use crate::calendar::add_months;
use crate::common::Day;
use crate::finding::Confidence;
use crate::forms::words;
use crate::ids::Code;
use crate::record::SiteConfig;

words! {
    /// Whether a value may be relied on as it stands.
    pub enum Status {
        /// Confirmed as far as its confidence says.
        Confirmed = "confirmed",
        /// Not confirmed: a parameter that the site may set, shown as such.
        Parameter = "parameter",
    }
}

words! {
    /// Which side of a value is stricter.
    pub enum Stricter {
        /// A smaller value.
        Lower = "lower",
        /// A larger value.
        Higher = "higher",
        /// Neither: the value is not a limit.
        Neither = "none",
    }
}

words! {
    /// How a measured value is held against a limit; the boundary is part of the rule.
    pub enum Compare {
        /// Reached only above.
        Above = ">",
        /// Reached at the value itself.
        AtLeast = ">=",
        /// Within up to the value itself.
        AtMost = "<=",
        /// No comparison of size.
        Equal = "=",
    }
}

/// A number to hold a measured value against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limit {
    /// The number.
    pub value: Decimal,
    /// How a measured value is held against it.
    pub compare: Compare,
}

impl Limit {
    /// Whether a measured value reaches it, boundary included or not as the rule says.
    pub fn reached_by(self, measured: Decimal) -> bool {
        match self.compare {
            Compare::Above => measured > self.value,
            Compare::AtLeast => measured >= self.value,
            Compare::AtMost => measured <= self.value,
            Compare::Equal => measured == self.value,
        }
    }
}

/// One version of one value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleValue {
    /// Stable name, for example `us.exception.lqg.report_days`.
    pub id: String,
    /// `US`, `EU`, `EU-DE`, `UK-ENG`, or `SHOP` for common practice.
    pub jurisdiction: String,
    /// Decimal digits, or words for what is no number.
    pub value: String,
    /// Unit of the value.
    pub unit: String,
    /// How a measured value is held against it.
    pub compare: Compare,
    /// First day in force.
    pub from: Option<Day>,
    /// Last day in force.
    pub until: Option<Day>,
    /// What starts the clock and picks the version.
    pub clock_start: String,
    /// Title of the source.
    pub source: String,
    /// Section.
    pub section: String,
    /// How sure it is.
    pub confidence: Confidence,
    /// Confirmed, or a parameter.
    pub status: Status,
    /// Which side is stricter.
    pub stricter: Stricter,
    /// Conventions and open points.
    pub note: String,
}

/// A set of values that share an author and a state of the rules.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RuleSet {
    /// `us`, `eu`, `uk_eng` or `practice`.
    pub id: String,
    /// What it covers.
    pub title: String,
    /// Day as of which it was put together.
    pub state: Day,
    /// Its values.
    pub values: Vec<RuleValue>,
}

const FILES: [&str; 4] = [
    include_str!("rulesets/us.toml"),
    include_str!("rulesets/eu.toml"),
    include_str!("rulesets/uk_eng.toml"),
    include_str!("rulesets/practice.toml"),
];

/// Every rule set, read once.
pub fn sets() -> &'static [RuleSet] {
    static SETS: OnceLock<Vec<RuleSet>> = OnceLock::new();
    // The files are part of the program and a test reads every one of them.
    SETS.get_or_init(|| FILES.iter().map(|f| read(f).expect("a built-in rule set")).collect())
}

/// Every value of every set.
pub fn values() -> impl Iterator<Item = &'static RuleValue> {
    sets().iter().flat_map(|set| &set.values)
}

/// Every version of the values of one name. Found by name, as a report asks thousands of times.
fn versions(id: &str) -> &'static [&'static RuleValue] {
    static BY_ID: OnceLock<HashMap<&str, Vec<&RuleValue>>> = OnceLock::new();
    let by_id = BY_ID.get_or_init(|| {
        let mut by_id: HashMap<&str, Vec<&RuleValue>> = HashMap::new();
        for value in values() {
            by_id.entry(&value.id).or_default().push(value);
        }
        by_id
    });
    by_id.get(id).map_or(&[], Vec::as_slice)
}

/// A value as it was used: enough to look it up and to see how sure it is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub struct RuleUsed {
    /// Stable name of the value.
    pub id: String,
    /// Whose rule.
    pub jurisdiction: String,
    /// The value used.
    pub value: String,
    /// Its unit.
    pub unit: String,
    /// First day of the version in force.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Day>,
    /// Last day of the version in force.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<Day>,
    /// Section it stands in.
    pub section: String,
    /// Title of the source in which it was seen.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub source: String,
    /// How sure it is.
    pub confidence: Confidence,
    /// Confirmed, or a parameter that is not.
    pub status: Status,
    /// The built-in value, when the site set its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site_instead_of: Option<String>,
    /// The site's value that was not used because it is laxer than a confirmed one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site_refused: Option<String>,
    /// Conventions and open points.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub note: String,
}

impl RuleUsed {
    /// Whether the value is unconfirmed and must be shown as such.
    pub fn unconfirmed(&self) -> bool {
        self.status == Status::Parameter && self.site_instead_of.is_none()
    }

    /// Name of the parameter by which a site sets a value of its own.
    pub fn parameter(&self) -> String {
        parameter_of(&self.id)
    }

    /// `id (from 2025-01-22)`: the name with its version.
    pub fn version(&self) -> String {
        match (self.from, self.until) {
            (Some(from), Some(until)) => format!("{} ({from} to {until})", self.id),
            (Some(from), None) => format!("{} (from {from})", self.id),
            (None, Some(until)) => format!("{} (until {until})", self.id),
            (None, None) => self.id.clone(),
        }
    }
}

/// A value in force, ready to be compared or counted with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Applied {
    /// The number.
    pub value: Decimal,
    /// How a measured value is held against it.
    pub compare: Compare,
    /// What to show with the result.
    pub rule: RuleUsed,
}

impl Applied {
    /// Whether a measured value reaches the limit, boundary included or not as the rule says.
    pub fn reached_by(&self, measured: Decimal) -> bool {
        Limit { value: self.value, compare: self.compare }.reached_by(measured)
    }

    /// The value as a whole number of days, months, years or the like.
    pub fn whole(&self) -> i32 {
        i32::try_from(self.value.trunc().mantissa()).unwrap_or(i32::MAX)
    }
}

/// The values that bind one site, and its calendar.
#[derive(Debug, Clone)]
pub struct Law<'a> {
    config: &'a SiteConfig,
    /// Jurisdictions, the narrowest first: `eu_de` gives `EU-DE`, `EU`; then `SHOP`.
    jurisdictions: Vec<String>,
    /// The site's calendar.
    pub days: LocalDays,
}

impl<'a> Law<'a> {
    /// The law of a site.
    pub fn of(config: &'a SiteConfig) -> Self {
        let mut jurisdictions = Vec::new();
        if let Some(code) = &config.jurisdiction {
            let mut name = code.as_str().to_uppercase().replace('_', "-");
            jurisdictions.push(name.clone());
            while let Some(cut) = name.rfind('-') {
                name.truncate(cut);
                jurisdictions.push(name.clone());
            }
        }
        jurisdictions.push("SHOP".into());
        Self { config, jurisdictions, days: LocalDays::of(config) }
    }

    /// Whether rules of a jurisdiction bind the site.
    pub fn binds(&self, jurisdiction: &str) -> bool {
        self.jurisdictions.iter().any(|j| j == jurisdiction)
    }

    /// The version of a value in force on a day, with what the site set; `None` when the value
    /// does not bind the site, has no version for that day, or is no number.
    pub fn find(&self, id: &str, on: Day) -> Option<Applied> {
        let (value, chosen) = self.choose(id, on)?;
        let mut rule = used(value, &value.value);
        match chosen.own {
            Own::None => {}
            Own::Used(text) => {
                rule.value = text.to_owned();
                rule.site_instead_of = Some(value.value.clone());
            }
            Own::Refused(text) => rule.site_refused = Some(text.to_owned()),
        }
        Some(Applied { value: chosen.number, compare: value.compare, rule })
    }

    /// The same without what is shown with it, for comparing only.
    pub(super) fn limit(&self, id: &str, on: Day) -> Option<Limit> {
        let (value, chosen) = self.choose(id, on)?;
        Some(Limit { value: chosen.number, compare: value.compare })
    }

    fn choose(&self, id: &str, on: Day) -> Option<(&'static RuleValue, Chosen<'a>)> {
        let value = *versions(id).iter().find(|v| {
            self.binds(&v.jurisdiction)
                && v.from.is_none_or(|from| from <= on)
                && v.until.is_none_or(|until| on <= until)
        })?;
        let built_in = Decimal::from_str(&value.value).ok()?;
        let Some((text, own)) = self.own(id) else {
            return Some((value, Chosen { number: built_in, own: Own::None }));
        };
        let laxer = match value.stricter {
            Stricter::Lower => own > built_in,
            Stricter::Higher => own < built_in,
            Stricter::Neither => own != built_in,
        };
        let chosen = if own == built_in {
            Chosen { number: built_in, own: Own::Used(&value.value) }
        } else if value.status == Status::Confirmed && laxer {
            Chosen { number: built_in, own: Own::Refused(text) }
        } else {
            Chosen { number: own, own: Own::Used(text) }
        };
        Some((value, chosen))
    }

    /// The site's own setting for a value.
    fn own(&self, id: &str) -> Option<(&'a str, Decimal)> {
        if self.config.parameters.is_empty() {
            return None;
        }
        self.parameter(&parameter_of(id))
    }

    /// A parameter of the site that is a number.
    pub fn parameter(&self, name: &str) -> Option<(&'a str, Decimal)> {
        let text = self.config.parameters.get(&Code::new(name).ok()?)?.as_str();
        Some((text, Decimal::from_str(text).ok()?))
    }

    /// A value of common practice; every site has all of them.
    pub(super) fn practice(&self, id: &str) -> Decimal {
        self.limit(id, Day(Date::MAX)).map_or(Decimal::ZERO, |limit| limit.value)
    }

    /// Whether days are counted with the start day as day 1.
    pub fn strict(&self) -> bool {
        self.practice("shop.day_count_strict") == Decimal::ONE
    }

    /// Whether a legal hold lies on the records of the site.
    pub fn hold(&self) -> bool {
        self.practice("shop.legal_hold") == Decimal::ONE
    }

    /// The last day on which a duty that starts on `start` is met in time. Days:
    /// `start + N`, strict `start + N - 1`. Months and years: the same day of the month. A limit
    /// "less than N" (`>=`) ends one day earlier.
    pub fn last_day(&self, start: Day, limit: &Applied) -> Day {
        let n = limit.whole();
        let less = i32::from(limit.compare == Compare::AtLeast);
        let last = match limit.rule.unit.as_str() {
            "month" => plus_days(add_months(start.0, n), -less),
            "year" => plus_days(add_months(start.0, 12 * n), -less),
            _ => plus_days(start.0, n - less - i32::from(self.strict())),
        };
        Day(last)
    }

    /// The last day on which a record must still be kept: at least N months or years.
    pub fn keep_until(&self, start: Day, period: &Applied) -> Day {
        let months = if period.rule.unit == "year" { 12 } else { 1 };
        Day(add_months(start.0, months * period.whole()))
    }

    /// Every value that binds the site in the version of a day, as used.
    pub fn in_force(&self, on: Day) -> Vec<RuleUsed> {
        values()
            .filter(|v| self.binds(&v.jurisdiction))
            .filter(|v| v.from.is_none_or(|f| f <= on) && v.until.is_none_or(|u| on <= u))
            .map(|v| match self.find(&v.id, on) {
                Some(applied) => applied.rule,
                None => used(v, &v.value),
            })
            .collect()
    }

    /// Titles of the rule sets that bind the site, with the day of their state.
    pub fn sets(&self) -> Vec<&'static RuleSet> {
        sets().iter().filter(|s| s.values.iter().any(|v| self.binds(&v.jurisdiction))).collect()
    }
}

/// The number that binds, and what became of the site's own.
struct Chosen<'a> {
    number: Decimal,
    own: Own<'a>,
}

enum Own<'a> {
    /// The site set none.
    None,
    /// It is used.
    Used(&'a str),
    /// It is laxer than a confirmed value.
    Refused(&'a str),
}

fn parameter_of(id: &str) -> String {
    id.replace('.', "_")
}

/// A recurring date such as `2021-09-01 every 4 years`: the first one on or after `day`.
pub fn next_date(rule: &str, day: Day) -> Option<Day> {
    let (first, rest) = rule.split_once(" every ")?;
    let years: i32 = rest.strip_suffix(" years")?.parse().ok()?;
    let mut date: Date = first.parse().ok()?;
    while Day(date) < day {
        date = add_months(date, 12 * years);
    }
    Some(Day(date))
}

pub(super) fn plus_days(day: Date, days: i32) -> Date {
    day.saturating_add(jiff::Span::new().days(days))
}

fn used(value: &RuleValue, text: &str) -> RuleUsed {
    RuleUsed {
        id: value.id.clone(),
        jurisdiction: value.jurisdiction.clone(),
        value: text.to_owned(),
        unit: value.unit.clone(),
        from: value.from,
        until: value.until,
        section: value.section.clone(),
        source: value.source.clone(),
        confidence: value.confidence,
        status: value.status,
        site_instead_of: None,
        site_refused: None,
        note: value.note.clone(),
    }
}

// --- the files ---------------------------------------------------------------------------------

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    set: SetRow,
    value: Vec<ValueRow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SetRow {
    id: String,
    title: String,
    jurisdiction: String,
    state: toml::value::Datetime,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Scalar {
    Whole(i64),
    Text(String),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ValueRow {
    id: String,
    jurisdiction: Option<String>,
    value: Scalar,
    unit: String,
    compare: Compare,
    from: Option<toml::value::Datetime>,
    until: Option<toml::value::Datetime>,
    #[serde(default)]
    clock_start: String,
    #[serde(default)]
    source: String,
    section: String,
    confidence: Confidence,
    status: Status,
    stricter: Stricter,
    #[serde(default)]
    note: String,
}

fn read(text: &str) -> Result<RuleSet, String> {
    let file: File = toml::from_str(text).map_err(|e| e.to_string())?;
    let day = |d: toml::value::Datetime| {
        d.to_string().parse::<Date>().map(Day).map_err(|e| format!("`{d}`: {e}"))
    };
    let mut values = Vec::with_capacity(file.value.len());
    for row in file.value {
        let source = if row.source.is_empty() {
            String::new()
        } else {
            tables::source(&row.source).ok_or_else(|| format!("no source `{}`", row.source))?
        };
        values.push(RuleValue {
            jurisdiction: row.jurisdiction.unwrap_or_else(|| file.set.jurisdiction.clone()),
            value: match row.value {
                Scalar::Whole(number) => number.to_string(),
                Scalar::Text(text) => text,
            },
            from: row.from.map(day).transpose()?,
            until: row.until.map(day).transpose()?,
            source,
            id: row.id,
            unit: row.unit,
            compare: row.compare,
            clock_start: row.clock_start,
            section: row.section,
            confidence: row.confidence,
            status: row.status,
            stricter: row.stricter,
            note: row.note,
        });
    }
    let SetRow { id, title, state, .. } = file.set;
    Ok(RuleSet { id, title, state: day(state)?, values })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_built_in_set_reads_and_says_where_it_stands() {
        for text in FILES {
            read(text).unwrap();
        }
        for value in values() {
            assert!(!value.section.is_empty(), "{}", value.id);
            let parameter = parameter_of(&value.id);
            assert!(Code::new(&parameter).is_ok(), "`{parameter}` cannot be set by a site");
            let from_memory = value.confidence == Confidence::Memory;
            assert!(
                !from_memory || value.status == Status::Parameter,
                "`{}` is from memory and must be shown as unconfirmed",
                value.id
            );
        }
    }

    #[test]
    fn versions_of_a_value_follow_each_other_without_overlap() {
        let ids: BTreeSet<(&str, &str)> =
            values().map(|v| (v.id.as_str(), v.jurisdiction.as_str())).collect();
        for (id, jurisdiction) in ids {
            let mut versions: Vec<_> =
                values().filter(|v| v.id == id && v.jurisdiction == jurisdiction).collect();
            versions.sort_by_key(|v| v.from);
            for pair in versions.windows(2) {
                let (until, from) = (pair[0].until.unwrap(), pair[1].from.unwrap());
                assert_eq!(plus_days(until.0, 1), from.0, "{id}");
            }
        }
    }

    #[test]
    fn a_site_may_be_stricter_never_laxer_than_a_confirmed_value() {
        let mut config =
            SiteConfig { jurisdiction: Some(Code::new("us").unwrap()), ..SiteConfig::default() };
        let mut find = |id: &str, own: &str| {
            let name = Code::new(&id.replace('.', "_")).unwrap();
            config.parameters.insert(name, own.into());
            Law::of(&config).find(id, Day(jiff::civil::date(2026, 6, 1))).unwrap()
        };
        // Confirmed limit: only lower.
        assert_eq!(find("us.accumulation.lqg_days", "75").value, Decimal::from(75));
        let laxer = find("us.accumulation.lqg_days", "120");
        assert_eq!(laxer.value, Decimal::from(90));
        assert_eq!(laxer.rule.site_refused.as_deref(), Some("120"));
        // Confirmed retention: only longer.
        assert_eq!(find("us.retention.manifest_years", "5").value, Decimal::from(5));
        assert_eq!(find("us.retention.manifest_years", "1").value, Decimal::from(3));
        // Unconfirmed parameter: the site decides, and it is no longer shown as unconfirmed.
        let own = find("us.discrepancy.settle_days", "20");
        assert_eq!(own.value, Decimal::from(20));
        assert!(!own.rule.unconfirmed());
    }
}
