//! What must happen by when, from which rule.
//!
//! Only open duties are told: one that was met is gone. Each clock names the day it started, the
//! last day on which it is met in time, the values it rests on with their versions, and the
//! entries. Days are those of the site's local calendar.

mod areas;
mod filings;
mod shipments;

use std::cell::OnceCell;
use std::rc::Rc;

use jiff::Timestamp;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SiteWaste;
use super::category::{self, Category};
use super::container::{Container, ContainerState, CustodyEvent};
use super::events::Determination;
use super::facts::ContainerFact;
use super::law::{Applied, Law, RuleUsed, plus_days};
use crate::State;
use crate::common::Day;
use crate::forms::words;
use crate::ids::{Label, Subject, SubjectKind};

pub use filings::biennial_due;
pub use shipments::return_due;

words! {
    /// What a clock is about.
    pub enum ClockKind {
        /// A container must leave the site.
        Accumulation = "accumulation",
        /// Waste on site reached a quantity.
        SiteQuantity = "site_quantity",
        /// What is too much in a satellite area must leave it.
        SatelliteExcess = "satellite_excess",
        /// An area must be inspected.
        Inspection = "inspection",
        /// Transporter or facility must be asked for the missing signed copy.
        AskForCopy = "ask_for_copy",
        /// The missing signed copy must be reported.
        ExceptionReport = "exception_report",
        /// A discrepancy must be settled or reported.
        Discrepancy = "discrepancy",
        /// The certificate of disposal should be there.
        Certificate = "certificate",
        /// The facility's return for the quarter should be there.
        ConsigneeReturn = "consignee_return",
        /// A determination should be looked at again.
        DeterminationReview = "determination_review",
        /// The biennial report must be filed.
        BiennialReport = "biennial_report",
        /// The site must notify the agency again.
        Renotification = "renotification",
    }
}

impl ClockKind {
    /// What must happen, in words.
    pub fn what(self) -> &'static str {
        match self {
            ClockKind::Accumulation => "ship the container",
            ClockKind::SiteQuantity => "bring the waste on site below the quantity",
            ClockKind::SatelliteExcess => "move the excess out of the satellite area",
            ClockKind::Inspection => "inspect the area",
            ClockKind::AskForCopy => "ask transporter or facility for the signed copy",
            ClockKind::ExceptionReport => "report the missing signed copy",
            ClockKind::Discrepancy => "settle the discrepancy or report it",
            ClockKind::Certificate => "get the certificate of disposal",
            ClockKind::ConsigneeReturn => "get the facility's return for the quarter",
            ClockKind::DeterminationReview => "look at the determination again",
            ClockKind::BiennialReport => "file the biennial report",
            ClockKind::Renotification => "notify the agency again",
        }
    }
}

words! {
    /// Where a clock stands.
    pub enum ClockState {
        /// Enough time is left.
        WithinLimit = "within_limit",
        /// The last day is near.
        DueSoon = "due_soon",
        /// Today is the last day.
        Due = "due",
        /// The last day has passed.
        Overdue = "overdue",
    }
}

words! {
    /// What is to be said with a clock.
    pub enum ClockNote {
        /// An extension is counted in.
        Extended = "extended",
        /// An extension above the maximum was told and is not counted.
        ExtensionRefused = "extension_refused",
        /// The longer limit for a far facility is used.
        FarFacility = "far_facility",
        /// The container came back after a refusal and started again.
        StartedAgain = "started_again",
        /// Nobody determined the stream: shown as if it were hazardous.
        Undetermined = "undetermined",
        /// The comparison finds a significant difference that nobody recorded as a discrepancy.
        NotRecorded = "not_recorded",
        /// The report is filed electronically only.
        Electronic = "electronic",
        /// Filing happens in the regulator's system and cannot be seen here.
        FiledElsewhere = "filed_elsewhere",
        /// The acute limit is the one that is exceeded.
        Acute = "acute",
    }
}

/// One open duty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Clock {
    /// What it is about.
    pub kind: ClockKind,
    /// The thing it is about.
    pub subject: Subject,
    /// What must happen, in words.
    pub what: String,
    /// Day it started.
    pub start: Day,
    /// Last day on which it is met in time.
    pub last_day: Day,
    /// Days left; negative: days late.
    pub margin_days: i32,
    /// Where it stands.
    pub state: ClockState,
    /// Where it stands, in words and numbers.
    pub words: String,
    /// Generator category it rests on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub category: Option<Category>,
    /// Whether the start day is counted as day 1.
    pub strict_count: bool,
    /// Whether an unconfirmed value is among those it rests on.
    pub unconfirmed: bool,
    /// Values it rests on, with their versions.
    pub rules: Vec<RuleUsed>,
    /// What is to be said with it.
    pub notes: Vec<ClockNote>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// Limits of accumulation in days or months, the shortest of each jurisdiction first.
pub(super) const ACCUMULATION_LIMITS: [&str; 3] =
    ["us.accumulation.lqg_days", "eu.storage.disposal_months", "uk.storage.production_months"];

/// Every open duty of a site as of `now`, the most pressing first.
pub fn clocks(state: &State, site: &Label, now: Timestamp) -> Vec<Clock> {
    SiteWaste::of(state, site).clocks(now)
}

/// See [`SiteWaste::clocks`].
pub(super) fn open(site: &SiteWaste<'_>, now: Timestamp) -> Vec<Clock> {
    let desk = Desk::of(site, now);
    let mut clocks = Vec::new();
    desk.containers(&mut clocks);
    desk.site_quantities(&mut clocks);
    desk.satellite_areas(&mut clocks);
    desk.inspections(&mut clocks);
    desk.shipments(&mut clocks);
    desk.determinations(&mut clocks);
    desk.filings(&mut clocks);
    clocks.sort_by(|a, b| {
        let key = |c: &'_ Clock| (c.last_day, c.kind);
        key(a).cmp(&key(b)).then_with(|| (&a.subject, a.start).cmp(&(&b.subject, b.start)))
    });
    clocks
}

/// The biennial reports that are due as of `now`.
pub(super) fn biennial_reports(site: &SiteWaste<'_>, now: Timestamp) -> Vec<Clock> {
    let mut clocks = Vec::new();
    Desk::of(site, now).biennial(&mut clocks);
    clocks
}

/// The accumulation clock of one container that stands on site as of `now`; `None` where no
/// limit in days binds it.
pub fn accumulation_of(
    state: &State,
    site: &Label,
    container: &Container<'_>,
    now: Timestamp,
) -> Option<Clock> {
    // Nothing was put in: no clock runs.
    container.additions().next()?;
    let site = SiteWaste::of(state, site);
    let desk = Desk::of(&site, now);
    desk.accumulation(container).map(|draft| desk.clock(draft))
}

/// What a clock is made of before it is held against today.
struct Draft {
    kind: ClockKind,
    subject: Subject,
    start: Day,
    last_day: Day,
    category: Option<Category>,
    rules: Vec<RuleUsed>,
    notes: Vec<ClockNote>,
    entries: Vec<u64>,
}

struct Desk<'s, 'a> {
    state: &'a State,
    site: &'s SiteWaste<'a>,
    law: &'s Law<'a>,
    /// What stands on site now.
    here: OnceCell<Vec<Rc<Container<'a>>>>,
    now: Timestamp,
    today: Day,
}

impl<'s, 'a> Desk<'s, 'a> {
    fn of(site: &'s SiteWaste<'a>, now: Timestamp) -> Self {
        Self {
            state: site.state,
            site,
            law: &site.law,
            here: OnceCell::new(),
            now,
            today: site.law.days.day(now.as_millisecond()),
        }
    }

    fn clock(&self, draft: Draft) -> Clock {
        let margin_days = days_between(self.today, draft.last_day);
        let length = days_between(draft.start, draft.last_day);
        let soon = self.law.practice("shop.clock_soon_days");
        let soon = if length <= 7 { soon.min(Decimal::from(3)) } else { soon };
        let state = match margin_days {
            i32::MIN..=-1 => ClockState::Overdue,
            0 => ClockState::Due,
            left if Decimal::from(left) <= soon => ClockState::DueSoon,
            1..=i32::MAX => ClockState::WithinLimit,
        };
        let days = |n: i32| if n == 1 { "1 day".to_owned() } else { format!("{n} days") };
        let words = match state {
            ClockState::Overdue => format!("overdue by {}", days(-margin_days)),
            ClockState::Due => "due today, the last day".to_owned(),
            ClockState::DueSoon => format!("due soon, {} left", days(margin_days)),
            ClockState::WithinLimit => format!("within limit, {} left", days(margin_days)),
        };
        let mut entries = draft.entries;
        entries.sort_unstable();
        entries.dedup();
        Clock {
            kind: draft.kind,
            subject: draft.subject,
            what: draft.kind.what().to_owned(),
            start: draft.start,
            last_day: draft.last_day,
            margin_days,
            state,
            words,
            category: draft.category,
            strict_count: self.law.strict(),
            unconfirmed: draft.rules.iter().any(RuleUsed::unconfirmed),
            rules: draft.rules,
            notes: draft.notes,
            entries,
        }
    }

    /// Containers that stand on site with waste in them.
    fn containers(&self, out: &mut Vec<Clock>) {
        for container in self.on_site() {
            if let Some(draft) = self.accumulation(container) {
                out.push(self.clock(draft));
            }
        }
    }

    fn on_site(&self) -> impl Iterator<Item = &Container<'a>> {
        let here = self.here.get_or_init(|| {
            let mut here = self.site.since(self.now.as_millisecond());
            here.retain(|c| c.state(self.now).0 == ContainerState::OnSite);
            here
        });
        here.iter().map(Rc::as_ref)
    }

    fn accumulation(&self, container: &Container<'_>) -> Option<Draft> {
        let law = self.law;
        let mut notes: Vec<ClockNote> = Vec::new();
        match self.determination(container) {
            Some(Determination::NonHazardous) => return None,
            Some(Determination::Hazardous | Determination::AcuteHazardous) => {}
            None => notes.push(ClockNote::Undetermined),
        }
        let (mut start_ms, mut seq) = container.clock_start()?;
        if let Some(first) = container.clock_start_before_return() {
            let restarts = law
                .find("us.accumulation.returned_restarts", law.days.day(start_ms))
                .is_none_or(|rule| rule.value == Decimal::ONE);
            if restarts {
                notes.push(ClockNote::StartedAgain);
            } else {
                (start_ms, seq) = first;
            }
        }
        let start = law.days.day(start_ms);
        let category = category::of_container(self.site, container);
        let (limit, mut rules) = self.accumulation_limit(container, category, start)?;
        if limit.rule.id.ends_with("far_days") {
            notes.push(ClockNote::FarFacility);
        }
        let mut last_day = law.last_day(start, &limit);
        rules.push(limit.rule);
        let mut entries = vec![seq];
        entries.extend(container.opened().map(|(m, _)| m.seq));
        if let Some((days, rule, told)) = extension(law, container, start) {
            entries.extend(told);
            if days > 0 {
                last_day = Day(plus_days(last_day.0, days));
                notes.push(ClockNote::Extended);
            } else {
                notes.push(ClockNote::ExtensionRefused);
            }
            rules.push(rule);
        }
        let subject = subject(SubjectKind::Container, container.id)?;
        let kind = ClockKind::Accumulation;
        Some(Draft { kind, subject, start, last_day, category, rules, notes, entries })
    }

    /// The limit in days, months or none for a container, with the values that choose it.
    fn accumulation_limit(
        &self,
        container: &Container<'_>,
        category: Option<Category>,
        start: Day,
    ) -> Option<(Applied, Vec<RuleUsed>)> {
        let law = self.law;
        match category {
            Some(Category::Large) => Some((law.find("us.accumulation.lqg_days", start)?, vec![])),
            Some(Category::Small) => {
                let distance = self.distance_km(container);
                Some(small_limit(law, distance, start, "us.accumulation.sqg"))?
            }
            // A very small generator has no limit in days until a quantity is reached.
            Some(Category::VerySmall) => None,
            None => law
                .find("eu.storage.disposal_months", start)
                .or_else(|| law.find("uk.storage.production_months", start))
                .map(|limit| (limit, vec![])),
        }
    }

    /// Road distance to the facility: of the shipment it was offered on, else the site's usual.
    fn distance_km(&self, container: &Container<'_>) -> Decimal {
        let offered = self
            .state
            .waste
            .offers_of(container.id)
            .last()
            .and_then(|m| self.state.waste.shipment(&m.value))
            .and_then(|s| s.offered().and_then(|(_, o)| o.distance.clone()));
        offered.map_or_else(|| self.law.practice("shop.facility_distance_km"), |d| d.base())
    }

    fn determination(&self, container: &Container<'_>) -> Option<Determination> {
        let stream = container.stream()?;
        let ms = self.now.as_millisecond();
        Some(self.state.waste.determination(stream, ms)?.value.fact.determination)
    }
}

/// The limit of a small generator (or of a very small one that reached a quantity): the longer
/// one when the facility is far enough.
pub fn small_limit(
    law: &Law<'_>,
    distance_km: Decimal,
    start: Day,
    family: &str,
) -> Option<(Applied, Vec<RuleUsed>)> {
    let far = law.find("us.accumulation.far_miles", start)?;
    // Held against each other in metres: 1 mi = 1.609344 km by definition.
    let limit_km = Applied { value: far.value * Decimal::new(1_609_344, 6), ..far.clone() };
    let id = if limit_km.reached_by(distance_km) { "_far_days" } else { "_days" };
    Some((law.find(&format!("{family}{id}"), start)?, vec![far.rule]))
}

/// Days granted, capped at the maximum; a grant above the maximum is not counted.
fn extension(
    law: &Law<'_>,
    container: &Container<'_>,
    start: Day,
) -> Option<(i32, RuleUsed, Vec<u64>)> {
    let max = law.find("us.accumulation.extension_days", start)?;
    let mut told = Vec::new();
    let mut days = 0;
    for m in container.life() {
        if let ContainerFact::Extended(e) = &m.value.fact {
            told.push(m.seq);
            if !max.reached_by(Decimal::from(e.days)) {
                days += i32::from(e.days);
            }
        }
    }
    (!told.is_empty()).then(|| (days.min(max.whole()), max.rule, told))
}

pub(super) fn subject(kind: SubjectKind, id: &Label) -> Option<Subject> {
    Subject::new(kind, id.as_str()).ok()
}

/// Whole days from one day to another; negative when the other lies before.
pub fn days_between(from: Day, to: Day) -> i32 {
    from.0.until(to.0).map_or(0, |span| span.get_days())
}

impl Container<'_> {
    /// For a container that came back after a refusal: the start of its first clock.
    fn clock_start_before_return(&self) -> Option<(i64, u64)> {
        let came_back = self.custody().iter().any(|h| h.event == CustodyEvent::SentBack);
        came_back.then(|| self.first_clock_start()).flatten()
    }
}
