//! What must happen by when, from which rule.
//!
//! Only open duties are told: one that was met is gone. Each clock names the day it started, the
//! last day on which it is met in time, the values it rests on with their versions, and the
//! entries. Days are those of the site's local calendar.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::areas;
use super::category::{self, Category, Class, Month, Totals};
use super::container::{Container, ContainerState, CustodyEvent};
use super::discrepancy;
use super::events::{AreaKind, Determination, DiscrepancyKind};
use super::facts::ContainerFact;
use super::law::{Applied, Law, RuleUsed, next_date, plus_days};
use super::quantity_on_site::{Stretch, on_site_stretches, satellite_excesses};
use super::shipment::Shipment;
use crate::State;
use crate::calendar::add_months;
use crate::common::Day;
use crate::forms::words;
use crate::ids::{Label, Subject, SubjectKind};

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

/// Every open duty of a site as of `now`, the most pressing first.
pub fn clocks(state: &State, site: &Label, now: Timestamp) -> Vec<Clock> {
    let law = Law::of(state.record.site(site));
    let today = law.days.day(now.as_millisecond());
    let months = category::all_months(state, site, &law);
    let desk = Desk { state, site, law, months, now, today };
    let mut clocks = Vec::new();
    desk.containers(&mut clocks);
    desk.site_quantities(&mut clocks);
    desk.satellite_areas(&mut clocks);
    desk.inspections(&mut clocks);
    desk.shipments(&mut clocks);
    desk.determinations(&mut clocks);
    desk.biennial(&mut clocks);
    clocks.sort_by(|a, b| {
        let key = |c: &Clock| (c.last_day, c.kind, c.subject.clone(), c.start);
        key(a).cmp(&key(b))
    });
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
    let law = Law::of(state.record.site(site));
    let today = law.days.day(now.as_millisecond());
    let day = |a: super::container::Added<'_>| law.days.day(a.moment.time_ms);
    let filled = (container.additions().next().map(day)?, container.additions().last().map(day)?);
    let months = category::months(state, site, &law, filled.0, filled.1);
    let desk = Desk { state, site, law, months, now, today };
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

struct Desk<'a> {
    state: &'a State,
    site: &'a Label,
    law: Law<'a>,
    months: BTreeMap<Month, Totals>,
    now: Timestamp,
    today: Day,
}

impl Desk<'_> {
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
            if let Some(draft) = self.accumulation(&container) {
                out.push(self.clock(draft));
            }
        }
    }

    fn on_site(&self) -> impl Iterator<Item = Container<'_>> {
        self.state
            .waste
            .containers()
            .filter(|c| c.site() == Some(self.site))
            .filter(|c| c.state(self.now).0 == ContainerState::OnSite)
    }

    fn accumulation(&self, container: &Container<'_>) -> Option<Draft> {
        let law = &self.law;
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
        let category = category::of_container(law, &self.months, container);
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
        let law = &self.law;
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

    /// Quantities that start a clock or are a breach at once.
    fn site_quantities(&self, out: &mut Vec<Clock>) {
        let strictest = self.on_site().filter_map(|c| {
            let hazardous = self.determination(&c) != Some(Determination::NonHazardous);
            category::of_container(&self.law, &self.months, &c).filter(|_| hazardous)
        });
        match strictest.max() {
            Some(Category::VerySmall) => {
                let non_acute = [Class::NonAcute, Class::Undetermined];
                self.site_quantity(out, "us.accumulation.vsqg_kg", &non_acute, false);
                self.site_quantity(out, "us.accumulation.vsqg_acute_kg", &[Class::Acute], true);
                self.site_quantity(out, "us.accumulation.vsqg_residue_kg", &[Class::Residue], true);
            }
            Some(Category::Small) => {
                let all = [Class::Acute, Class::NonAcute, Class::Residue, Class::Undetermined];
                self.site_quantity(out, "us.accumulation.sqg_site_kg", &all, false);
            }
            Some(Category::Large) | None => {}
        }
    }

    fn site_quantity(&self, out: &mut Vec<Clock>, id: &str, classes: &[Class], acute: bool) {
        let Some(limit) = self.law.find(id, self.today) else { return };
        let reached = |kg: Decimal| limit.reached_by(kg);
        let stretches = on_site_stretches(self.state, self.site, classes, reached);
        let Some(open) = stretches.into_iter().rfind(|s| s.ended_ms.is_none()) else { return };
        if open.began_ms > self.now.as_millisecond() {
            return;
        }
        let start = self.law.days.day(open.began_ms);
        let Some(subject) = subject(SubjectKind::Site, self.site) else { return };
        let mut rules = vec![limit.rule];
        let mut notes = if acute { vec![ClockNote::Acute] } else { vec![] };
        let (last_day, category) = if id == "us.accumulation.sqg_site_kg" {
            // Above the quantity is a breach at once: the last good day was the one before.
            (Day(plus_days(start.0, -1)), Category::Small)
        } else {
            let days = if acute {
                self.law.find("us.accumulation.vsqg_acute_days", start).map(|l| (l, vec![]))
            } else {
                let distance = self.law.practice("shop.facility_distance_km");
                small_limit(&self.law, distance, start, "us.accumulation.vsqg")
            };
            let Some((days, chosen_by)) = days else { return };
            if days.rule.id.ends_with("far_days") {
                notes.push(ClockNote::FarFacility);
            }
            let last_day = self.law.last_day(start, &days);
            rules.extend(chosen_by);
            rules.push(days.rule);
            (last_day, Category::VerySmall)
        };
        out.push(self.clock(Draft {
            kind: ClockKind::SiteQuantity,
            subject,
            start,
            last_day,
            category: Some(category),
            rules,
            notes,
            entries: vec![open.began],
        }));
    }

    fn satellite_areas(&self, out: &mut Vec<Clock>) {
        for excess in satellite_excesses(self.state, self.site, &self.law) {
            let Stretch { began_ms, began, ended_ms, .. } = excess.stretch;
            if ended_ms.is_some() || began_ms > self.now.as_millisecond() {
                continue;
            }
            let start = self.law.days.day(began_ms);
            let Some(limit) = self.law.find("us.satellite.excess_days", start) else { continue };
            let id = if excess.acute { "us.satellite.acute_kg" } else { "us.satellite.volume_gal" };
            let mut rules: Vec<RuleUsed> =
                self.law.find(id, start).map(|l| l.rule).into_iter().collect();
            let last_day = self.law.last_day(start, &limit);
            rules.push(limit.rule);
            let Some(subject) = subject(SubjectKind::Area, &excess.area) else { continue };
            out.push(self.clock(Draft {
                kind: ClockKind::SatelliteExcess,
                subject,
                start,
                last_day,
                category: None,
                rules,
                notes: if excess.acute { vec![ClockNote::Acute] } else { vec![] },
                entries: vec![began],
            }));
        }
    }

    /// Central areas in which waste stands (none is prescribed for satellite areas).
    fn inspections(&self, out: &mut Vec<Clock>) {
        let now = self.now.as_millisecond();
        let areas: BTreeSet<Label> = self
            .on_site()
            .filter_map(|c| c.area(now))
            .filter(|a| a.area == AreaKind::Central)
            .map(|a| a.location)
            .collect();
        for area in areas {
            let counts =
                |c: &Container<'_>| self.determination(c) != Some(Determination::NonHazardous);
            let occupied = areas::occupied(&self.state.waste, self.site, &area, counts);
            let Some((since, _)) = occupied.into_iter().find(|(a, b)| *a <= now && now < *b) else {
                continue;
            };
            let told = self.state.waste.inspections_of(self.site, &area);
            let last = told
                .and_then(|t| t.iter().rfind(|m| m.time_ms <= now))
                .filter(|m| m.time_ms >= since);
            let start = self.law.days.day(last.map_or(since, |m| m.time_ms));
            let Some(limit) = self
                .law
                .find("us.inspection.gap_days", start)
                .or_else(|| self.law.find("shop.inspection_gap_days", start))
            else {
                continue;
            };
            let Some(subject) = subject(SubjectKind::Area, &area) else { continue };
            // The entries: the last inspection, or what brought waste into the area.
            let entries = match last {
                Some(last) => vec![last.seq],
                None => self
                    .on_site()
                    .filter(|c| c.area(now).is_some_and(|a| a.location == area))
                    .filter_map(|c| c.clock_start().map(|(_, seq)| seq))
                    .collect(),
            };
            out.push(self.clock(Draft {
                kind: ClockKind::Inspection,
                subject,
                start,
                // A gap of exactly the limit is in time; the strict day count is for time limits.
                last_day: Day(plus_days(start.0, limit.whole())),
                category: None,
                rules: vec![limit.rule],
                notes: vec![],
                entries,
            }));
        }
    }

    fn shipments(&self, out: &mut Vec<Clock>) {
        for shipment in self.state.waste.shipments().filter(|s| s.site() == Some(self.site)) {
            self.missing_copy(out, &shipment);
            self.discrepancies(out, &shipment);
            self.certificate(out, &shipment);
        }
    }

    /// The category that governs a shipment: the strictest of its containers and of the month in
    /// which it left. `None`: nothing on it counts as hazardous.
    fn shipment_category(&self, shipment: &Shipment<'_>, accepted: Day) -> Option<Category> {
        let (_, offered) = shipment.offered()?;
        let hazardous: Vec<Container<'_>> = offered
            .containers
            .iter()
            .filter_map(|label| self.state.waste.container(label))
            .filter(|c| self.determination(c) != Some(Determination::NonHazardous))
            .collect();
        let containers = hazardous
            .iter()
            .filter_map(|c| category::of_container(&self.law, &self.months, c))
            .max()?;
        let month = Month::of(accepted);
        let nothing = Totals::default();
        let totals = self.months.get(&month).unwrap_or(&nothing);
        let of_month = category::category(&totals.amounts, &self.law, month.last())?.0;
        Some(containers.max(of_month))
    }

    fn missing_copy(&self, out: &mut Vec<Clock>, shipment: &Shipment<'_>) {
        let Some(first) = shipment.first_leg() else { return };
        if first.time_ms > self.now.as_millisecond() || shipment.signed_copy().is_some() {
            return;
        }
        let start = first.accepted.day;
        let category = self.shipment_category(shipment, start);
        let mut draft = |kind: ClockKind, id: &str, notes: Vec<ClockNote>| {
            let Some(limit) = self.law.find(id, start) else { return };
            let Some(subject) = subject(SubjectKind::Shipment, shipment.id) else { return };
            out.push(self.clock(Draft {
                kind,
                subject,
                start,
                last_day: self.law.last_day(start, &limit),
                category,
                rules: vec![limit.rule],
                notes,
                entries: vec![first.seq],
            }));
        };
        let asked = shipment.queries().next().is_some();
        let reported = shipment.exceptions().next().is_some();
        let electronic = self
            .law
            .find("us.exception.electronic", self.today)
            .filter(|e| e.value == Decimal::ONE)
            .map(|_| ClockNote::Electronic);
        let electronic: Vec<ClockNote> = electronic.into_iter().collect();
        match category {
            Some(Category::Large) => {
                if !asked {
                    draft(ClockKind::AskForCopy, "us.exception.lqg.contact_days", vec![]);
                }
                if !reported {
                    let id = "us.exception.lqg.report_days";
                    draft(ClockKind::ExceptionReport, id, electronic);
                }
            }
            Some(Category::Small) => {
                if !reported {
                    let id = "us.exception.sqg.report_days";
                    draft(ClockKind::ExceptionReport, id, electronic);
                }
            }
            Some(Category::VerySmall) | None => {
                if !asked {
                    draft(ClockKind::AskForCopy, "shop.signed_copy_days", vec![]);
                }
            }
        }
    }

    fn discrepancies(&self, out: &mut Vec<Clock>, shipment: &Shipment<'_>) {
        let Some((received, delivered)) = shipment.deliveries().next() else { return };
        let start = delivered.day;
        let settled: BTreeSet<u64> = shipment.settlements().map(|(_, s)| s.entry).collect();
        let mut found: Vec<(u64, Vec<ClockNote>)> = shipment
            .discrepancies()
            .filter(|(m, _)| !settled.contains(&m.seq))
            .map(|(m, _)| (m.seq, vec![]))
            .collect();
        let tests = discrepancy::of_shipment(&self.state.waste, shipment, &self.law);
        let recorded = shipment
            .discrepancies()
            .any(|(_, d)| matches!(d.kind, DiscrepancyKind::Quantity | DiscrepancyKind::Pieces));
        if tests.significant() && !recorded {
            found.push((received.seq, vec![ClockNote::NotRecorded]));
        }
        let Some(limit) = self.law.find("us.discrepancy.settle_days", start) else { return };
        for (seq, notes) in found {
            let Some(subject) = subject(SubjectKind::Shipment, shipment.id) else { return };
            out.push(self.clock(Draft {
                kind: ClockKind::Discrepancy,
                subject,
                start,
                last_day: self.law.last_day(start, &limit),
                category: None,
                rules: vec![limit.rule.clone()],
                notes,
                entries: vec![seq, received.seq],
            }));
        }
    }

    /// A shipment that was received and not certified, unless everything was refused.
    fn certificate(&self, out: &mut Vec<Clock>, shipment: &Shipment<'_>) {
        let Some((received, delivered)) = shipment.deliveries().next() else { return };
        let kept = shipment.deliveries().any(|(_, d)| !d.received.is_empty());
        if shipment.certificates().next().is_some() || !kept {
            return;
        }
        let Some(about) = subject(SubjectKind::Shipment, shipment.id) else { return };
        let receipt = delivered.day;
        let mut push = |kind, start: Day, last_day: Day, rule: RuleUsed| {
            out.push(self.clock(Draft {
                kind,
                subject: about.clone(),
                start,
                last_day,
                category: None,
                rules: vec![rule],
                notes: vec![],
                entries: vec![received.seq],
            }));
        };
        if let Some(limit) = self.law.find("shop.certificate_days", receipt) {
            let last_day = self.law.last_day(receipt, &limit);
            push(ClockKind::Certificate, receipt, last_day, limit.rule);
        }
        if let Some(limit) = self.law.find("uk.consignee.return_months", receipt) {
            let last_day = return_due(receipt, &limit);
            push(ClockKind::ConsigneeReturn, receipt, last_day, limit.rule);
        }
    }

    /// Streams of containers on site, and of those that left in the last year.
    fn determinations(&self, out: &mut Vec<Clock>) {
        let since = self.now.as_millisecond() - 366 * 86_400_000;
        let in_use: BTreeSet<&Label> = self
            .state
            .waste
            .containers()
            .filter(|c| c.site() == Some(self.site))
            .filter(|c| c.left().is_none_or(|(ms, _)| ms >= since))
            .filter_map(|c| c.stream())
            .collect();
        for stream in in_use {
            let now = self.now.as_millisecond();
            let Some(last) = self.state.waste.determination(stream, now) else { continue };
            let start = self.law.days.day(last.time_ms);
            let Some(limit) = self.law.find("shop.determination_review_months", start) else {
                continue;
            };
            let Some(subject) = subject(SubjectKind::Stream, stream) else { continue };
            out.push(self.clock(Draft {
                kind: ClockKind::DeterminationReview,
                subject,
                start,
                last_day: self.law.last_day(start, &limit),
                category: None,
                rules: vec![limit.rule],
                notes: vec![],
                entries: vec![last.seq],
            }));
        }
    }

    /// The biennial report for an odd year with a month as large generator, and the repeated
    /// notification of a small one. Both are filed elsewhere, so they are shown from the year's
    /// end until a quarter after the last day, unless this log issued the report.
    fn biennial(&self, out: &mut Vec<Clock>) {
        let year_of = |m: &Month| m.year();
        let years: BTreeSet<i16> = self.months.keys().map(year_of).collect();
        for year in years {
            let mut entries = Vec::new();
            for (month, totals) in self.months.iter().filter(|(m, _)| m.year() == year) {
                let category = category::category(&totals.amounts, &self.law, month.last());
                if category.is_some_and(|(c, _)| c == Category::Large) {
                    entries.extend(totals.entries.iter().copied());
                }
            }
            if entries.is_empty() {
                continue;
            }
            let Some((last_day, rule)) = biennial_due(&self.law, year) else { continue };
            let Some(start) = jiff::civil::Date::new(year, 12, 31).ok().map(Day) else { continue };
            let shown_until = Day(plus_days(last_day.0, 91));
            if self.today > shown_until || self.issued("biennial", year) {
                continue;
            }
            let Some(subject) = subject(SubjectKind::Site, self.site) else { continue };
            out.push(self.clock(Draft {
                kind: ClockKind::BiennialReport,
                subject,
                start,
                last_day,
                category: Some(Category::Large),
                rules: vec![rule],
                notes: vec![ClockNote::FiledElsewhere],
                entries,
            }));
        }
        self.renotification(out);
    }

    fn issued(&self, report: &str, year: i16) -> bool {
        self.state.record.reports().iter().any(|issued| {
            issued.report.report.as_str() == report
                && &issued.report.site == self.site
                && issued.report.from.0.year() == year
        })
    }

    /// A reminder within the quarter before the date, for a site that was small within a year.
    fn renotification(&self, out: &mut Vec<Clock>) {
        let since = Month::of(Day(plus_days(self.today.0, -365)));
        let recent = self.months.range(since..).filter_map(|(month, totals)| {
            category::category(&totals.amounts, &self.law, month.last()).map(|(c, _)| c)
        });
        if recent.max() != Some(Category::Small) {
            return;
        }
        let rules = self.law.in_force(self.today);
        let Some(rule) = rules.into_iter().find(|r| r.id == "us.renotify.sqg") else { return };
        let Some(last_day) = next_date(&rule.value, self.today) else { return };
        let Some(subject) = subject(SubjectKind::Site, self.site) else { return };
        if days_between(self.today, last_day) <= 92 {
            out.push(self.clock(Draft {
                kind: ClockKind::Renotification,
                subject,
                start: self.today,
                last_day,
                category: Some(Category::Small),
                rules: vec![rule],
                notes: vec![ClockNote::FiledElsewhere],
                entries: vec![],
            }));
        }
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

/// The due date of a quarterly return: the last day of the month N after the quarter.
pub fn return_due(received: Day, limit: &Applied) -> Day {
    let month = i32::from(received.0.month());
    let quarter_end = (month + 2) / 3 * 3;
    let first = received.0.first_of_month();
    Day(add_months(first, quarter_end - month + limit.whole()).last_of_month())
}

/// The due date of the biennial report for a year; `None` for even years.
pub fn biennial_due(law: &Law<'_>, year: i16) -> Option<(Day, RuleUsed)> {
    if year % 2 == 0 {
        return None;
    }
    let new_year = Day(jiff::civil::Date::new(year.checked_add(1)?, 1, 1).ok()?);
    let rule = law.in_force(new_year).into_iter().find(|r| r.id == "us.biennial.due")?;
    Some((next_date(&rule.value, new_year)?, rule))
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
