//! Plain-data answers about containers and shipments, each with the entries it rests on.

use std::cell::Cell;
use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Kg;
use super::compatibility;
use super::container::{Container, ContainerState, CustodyEvent, Holder};
use super::discrepancy::{self, ShipmentTests};
use super::events::{
    AreaKind, AreaRef, DiscrepancyKind, ReactivityGroup, Separation, ShipmentDelivered,
    ShipmentDocument, WasteCodes, WasteItem,
};
use super::facts::{ShipmentFact, Told};
use super::law::Law;
use super::shipment::Shipment;
use crate::State;
use crate::common::Day;
use crate::forms::words;
use crate::ids::{FileDigest, Label, PersonId, Place};
use crate::quantity::AnyQuantity;
use crate::record::SiteConfig;
use crate::timeline::Moment;

/// The site's local calendar.
///
/// Facts come in order of time, so the day and the offset last found are kept: looking at the
/// rules of a time zone for each of a year's facts would be most of the work of a report.
#[derive(Debug, Clone)]
pub struct LocalDays {
    tz: TimeZone,
    day: Cell<Option<DaySpan>>,
}

/// A local day and the instants that belong to it.
#[derive(Debug, Clone, Copy)]
struct DaySpan {
    /// First millisecond.
    from_ms: i64,
    /// First millisecond of the day after.
    until_ms: i64,
    day: Day,
    /// Offset from UTC in seconds, where it is the same all day.
    offset_s: Option<i32>,
}

impl LocalDays {
    /// The calendar of a site.
    pub fn of(site: &SiteConfig) -> Self {
        Self { tz: site.tz(), day: Cell::new(None) }
    }

    /// The local day of an instant, ms since 1970 UTC.
    pub fn day(&self, ms: i64) -> Day {
        self.span(ms).day
    }

    /// The instant as local time with its offset, to the second (RFC 3339).
    pub fn stamp(&self, ms: i64) -> String {
        let span = self.span(ms);
        match span.offset_s.filter(|s| s % 60 == 0) {
            Some(offset_s) => stamp(span, ms, offset_s),
            None => self.zoned(ms).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
        }
    }

    /// The first millisecond of a local day.
    pub fn start_ms(&self, day: Day) -> i64 {
        let start = day.0.to_zoned_datetime(self.tz.clone());
        start.map_or(i64::MAX, |start| start.timestamp().as_millisecond())
    }

    /// The last millisecond of a local day.
    pub fn end_ms(&self, day: Day) -> i64 {
        let next = day.0.saturating_add(jiff::Span::new().days(1));
        match self.start_ms(Day(next)) {
            i64::MAX => i64::MAX,
            start => start - 1,
        }
    }

    fn span(&self, ms: i64) -> DaySpan {
        if let Some(span) = self.day.get().filter(|s| s.from_ms <= ms && ms < s.until_ms) {
            return span;
        }
        let zoned = self.zoned(ms);
        let day = Day(zoned.date());
        let (from_ms, last_ms) = (self.start_ms(day), self.end_ms(day));
        let offset_s = |ms: i64| self.zoned(ms).offset().seconds();
        let whole = from_ms <= ms && ms <= last_ms && last_ms < i64::MAX;
        if !whole {
            // The ends of the calendar: a day by itself.
            let until_ms = ms.saturating_add(1);
            return DaySpan { from_ms: ms, until_ms, day, offset_s: None };
        }
        // A day of 24 hours that begins and ends at one offset keeps it in between.
        let first = offset_s(from_ms);
        let even = last_ms - from_ms + 1 == 86_400_000 && offset_s(last_ms) == first;
        let span = DaySpan { from_ms, until_ms: last_ms + 1, day, offset_s: even.then_some(first) };
        self.day.set(Some(span));
        span
    }

    fn zoned(&self, ms: i64) -> jiff::ZonedDateTime {
        // Recorded times lie between the years 1970 and 9999, which the calendar holds.
        let at = Timestamp::from_millisecond(ms).unwrap_or(Timestamp::UNIX_EPOCH);
        at.to_zoned_datetime(self.tz.clone())
    }
}

/// RFC 3339 of an instant in a day of one offset, which is whole minutes.
fn stamp(span: DaySpan, ms: i64, offset_s: i32) -> String {
    use std::fmt::Write as _;
    let second = (ms - span.from_ms).div_euclid(1_000);
    let (sign, offset) = if offset_s < 0 { ('-', -offset_s) } else { ('+', offset_s) };
    let mut text = String::with_capacity(25);
    let (hour, minute) = (second / 3_600, second / 60 % 60);
    // Writing into a string cannot fail.
    let _ = write!(
        text,
        "{}T{hour:02}:{minute:02}:{:02}{sign}{:02}:{:02}",
        span.day,
        second % 60,
        offset / 3_600,
        offset / 60 % 60,
    );
    text
}

/// One holding of a container.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CustodyStep {
    /// What began it.
    pub event: CustodyEvent,
    /// Who holds: a pseudonym, `area/..`, `transporter/..` or `facility/..`.
    pub holder: String,
    /// Who gave it, as told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub giver: Option<String>,
    /// Local time at which it began.
    pub from: String,
    /// Local time at which the next one began.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
    /// Whether the giver named is not the holder before.
    pub gap: bool,
    /// For a move on site: whether giver and receiver both stand for it, by having recorded it or
    /// by a signature of the entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub both_signed: Option<bool>,
    /// Shipment it belongs to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shipment: Option<Label>,
    /// Entry that tells it.
    pub entry: u64,
}

/// One thing that was put in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct AdditionView {
    /// Entry that tells it.
    pub entry: u64,
    /// Local time.
    pub time: String,
    /// What it is.
    pub what: WasteItem,
    /// Net mass in kg.
    pub mass_kg: Kg,
    /// Powder place it came from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Place>,
    /// The one thing it is, `bag/<id>` or `part/<serial>`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub item: Option<String>,
    /// Who put it in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<PersonId>,
    /// Entry that told the same waste before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told_before: Option<u64>,
}

/// One container.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ContainerView {
    /// Its label.
    pub container: Label,
    /// Site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<Label>,
    /// Stream it takes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<Label>,
    /// Codes of the stream when the container was opened, as a person determined them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub codes: Option<WasteCodes>,
    /// Container type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub container_type: Option<Label>,
    /// Where it is in its life.
    pub state: ContainerState,
    /// Kind of area where it stands or stood last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub area: Option<AreaKind>,
    /// Area where it stands or stood last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub location: Option<Label>,
    /// Who holds it now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub holder: Option<String>,
    /// Day it was opened.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened: Option<Day>,
    /// Day on which waste was first put in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_waste: Option<Day>,
    /// Day the accumulation clock started.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clock_start: Option<Day>,
    /// Day it was closed for good.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closed: Option<Day>,
    /// Day it left the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left: Option<Day>,
    /// Shipment it was last offered on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shipment: Option<Label>,
    /// Mass of the empty container in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tare_kg: Option<Kg>,
    /// Last weighing in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gross_kg: Option<Kg>,
    /// Gross minus tare in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub net_kg: Option<Kg>,
    /// Groups of what it holds, as determined for its stream and told of single things.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reactivity: Vec<ReactivityGroup>,
    /// Groups that are kept out of it and apart from it, as far as the list of examples goes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kept_from: Vec<ReactivityGroup>,
    /// What separates it from others in its area, as last told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub separated_by: Option<Separation>,
    /// Sum of what was put in, in kg.
    pub added_kg: Kg,
    /// Whether weighing and additions agree within the uncertainty of weighing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub agrees: Option<bool>,
    /// What was put in.
    pub additions: Vec<AdditionView>,
    /// Who held it, from first to last.
    pub custody: Vec<CustodyStep>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// The view of one container as of `at`; `None` when nothing was told of it.
pub fn container(state: &State, id: &Label, at: Timestamp) -> Option<ContainerView> {
    let container = state.waste.container(id)?;
    let config = site_config(state, container.site());
    let days = LocalDays::of(config);
    let at_ms = at.as_millisecond();
    let opened = container.opened();
    let codes = opened.and_then(|(m, e)| {
        let determined = state.waste.determination(&e.stream, m.time_ms)?;
        Some(determined.value.fact.codes.clone())
    });
    let area: Option<AreaRef> = container.area(at_ms);
    let weighed = container.weighed(at_ms);
    let custody = custody(state, &container, &days);
    let inside = compatibility::inside(&state.waste, &container, at_ms);
    let reactivity: BTreeSet<ReactivityGroup> =
        inside.into_iter().map(|(group, _)| group).collect();
    let reactivity: Vec<ReactivityGroup> = reactivity.into_iter().collect();
    let mut entries: BTreeSet<u64> = container.entries().into_iter().collect();
    entries.extend(custody.iter().map(|c| c.entry));
    Some(ContainerView {
        container: id.clone(),
        site: container.site().cloned(),
        stream: container.stream().cloned(),
        codes,
        container_type: opened.and_then(|(_, e)| e.container_type.clone()),
        state: container.state(at).0,
        area: area.as_ref().map(|a| a.area),
        location: area.map(|a| a.location),
        holder: custody.last().map(|c| c.holder.clone()),
        opened: opened.map(|(m, _)| days.day(m.time_ms)),
        first_waste: container.additions().next().map(|a| days.day(a.moment.time_ms)),
        clock_start: container.clock_start().map(|(ms, _)| days.day(ms)),
        closed: container.closed(at_ms).map(|m| days.day(m.time_ms)),
        left: container.left().map(|(ms, _)| days.day(ms)),
        shipment: state.waste.offers_of(id).last().map(|m| m.value.clone()),
        tare_kg: opened.map(|(_, e)| Kg(e.tare.base())),
        gross_kg: weighed.map(|w| w.gross_kg),
        net_kg: weighed.map(|w| w.net_kg),
        kept_from: compatibility::kept_from(&reactivity),
        reactivity,
        separated_by: container.separation(at_ms),
        added_kg: container.added_kg(at_ms),
        agrees: container.sum_agrees(&Law::of(config), at_ms),
        additions: additions(&container, &days),
        custody,
        entries: entries.into_iter().collect(),
    })
}

fn additions(container: &Container<'_>, days: &LocalDays) -> Vec<AdditionView> {
    container
        .additions()
        .map(|a| AdditionView {
            entry: a.moment.seq,
            time: days.stamp(a.moment.time_ms),
            what: a.addition().what,
            mass_kg: a.addition().mass_kg,
            from: a.addition().from.clone(),
            item: a.addition().item.clone(),
            by: a.moment.value.by.clone(),
            told_before: a.told_before.map(|(seq, _)| seq),
        })
        .collect()
}

/// The custody of a container as plain data.
pub fn custody(state: &State, container: &Container<'_>, days: &LocalDays) -> Vec<CustodyStep> {
    let holdings = container.custody();
    let mut steps: Vec<CustodyStep> = holdings
        .iter()
        .map(|h| CustodyStep {
            event: h.event,
            holder: h.holder.to_string(),
            giver: h.giver.as_ref().map(Holder::to_string),
            from: days.stamp(h.from_ms),
            until: None,
            gap: h.gap,
            both_signed: None,
            shipment: h.shipment.clone(),
            entry: h.seq,
        })
        .collect();
    for (i, holding) in holdings.iter().enumerate() {
        steps[i].until = steps.get(i + 1).map(|next| next.from.clone());
        if let (CustodyEvent::Moved, Some(Holder::Person(giver)), Holder::Person(receiver)) =
            (holding.event, &holding.giver, &holding.holder)
        {
            let recorded_by =
                container.life().find(|m| m.seq == holding.seq).and_then(|m| m.value.by.as_ref());
            let stands = |person: &PersonId| {
                recorded_by == Some(person)
                    || state.record.signatures(holding.seq).any(|s| &s.person == person)
            };
            steps[i].both_signed = Some(stands(giver) && stands(receiver));
        }
    }
    steps
}

/// Settings of a site; defaults where there is none.
pub(crate) fn site_config<'a>(state: &'a State, site: Option<&Label>) -> &'a SiteConfig {
    static NOWHERE: std::sync::OnceLock<SiteConfig> = std::sync::OnceLock::new();
    match site {
        Some(site) => state.record.site(site),
        None => NOWHERE.get_or_init(SiteConfig::default),
    }
}

/// One container of a shipment: shipped against received.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ShippedContainer {
    /// Which.
    pub container: Label,
    /// Net mass as shipped in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shipped_kg: Option<Kg>,
    /// Whether that is a weighing (else the sum of what was put in).
    pub weighed: bool,
    /// Net mass the facility found in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub received_kg: Option<Kg>,
    /// Whether the facility refused it.
    pub refused: bool,
}

/// One leg of a shipment's way.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LegView {
    /// 1 for the first transporter.
    pub leg: u8,
    /// Who.
    pub transporter: Label,
    /// Day of the signature.
    pub day: Day,
    /// Entry that tells it.
    pub entry: u64,
}

/// One certificate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CertificateView {
    /// Its number.
    pub certificate: Label,
    /// Method code.
    pub method: Label,
    /// Mass it covers in kg.
    pub mass_kg: Kg,
    /// Day it was recorded for.
    pub day: Day,
    /// Entry that tells it.
    pub entry: u64,
}

words! {
    /// What happened to a shipment.
    pub enum ShipmentEvent {
        /// It was offered.
        Offered = "offered",
        /// A transporter took it over.
        Accepted = "accepted",
        /// The facility received it.
        Delivered = "delivered",
        /// The signed copy came.
        CopyReceived = "copy_received",
        /// The facility refused containers.
        Rejected = "rejected",
        /// The missing copy was asked for.
        Queried = "queried",
        /// A discrepancy was found.
        DiscrepancyFound = "discrepancy_found",
        /// A discrepancy was settled.
        DiscrepancySettled = "discrepancy_settled",
        /// The missing copy was reported.
        ExceptionReported = "exception_reported",
        /// Disposal was certified.
        Certified = "certified",
    }
}

/// One step of a shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ShipmentStep {
    /// What happened.
    pub event: ShipmentEvent,
    /// Local time of the work.
    pub time: String,
    /// Day of the signature, where the event has one of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub day: Option<Day>,
    /// Who: a pseudonym or the label of a company.
    pub who: String,
    /// Numbers and codes that belong to it.
    pub detail: String,
    /// Entry that tells it.
    pub entry: u64,
}

/// One discrepancy.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DiscrepancyView {
    /// What does not agree.
    pub kind: DiscrepancyKind,
    /// Which container, when it is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub container: Option<Label>,
    /// What was expected.
    pub expected: AnyQuantity,
    /// What was found.
    pub found: AnyQuantity,
    /// Entry that tells it.
    pub entry: u64,
    /// Entry that settled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled_by: Option<u64>,
    /// How it was settled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled_how: Option<String>,
}

/// One shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ShipmentView {
    /// Its label.
    pub shipment: Label,
    /// Site it left from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<Label>,
    /// Document that goes with it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub document: Option<ShipmentDocument>,
    /// Day it was offered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offered: Option<Day>,
    /// Legs in order of time.
    pub legs: Vec<LegView>,
    /// Facility that received it, else the one it is meant for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub facility: Option<Label>,
    /// Day of receipt.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub received: Option<Day>,
    /// Digest of the signed copy.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signed_copy: Option<FileDigest>,
    /// Containers: shipped against received.
    pub containers: Vec<ShippedContainer>,
    /// Sum of what was shipped in kg.
    pub shipped_kg: Kg,
    /// Sum of what was received in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub received_kg: Option<Kg>,
    /// Pieces the facility counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pieces_received: Option<u32>,
    /// Legal and metrological comparison of what was shipped and what was received.
    pub tests: ShipmentTests,
    /// Discrepancies that were recorded.
    pub discrepancies: Vec<DiscrepancyView>,
    /// Certificates.
    pub certificates: Vec<CertificateView>,
    /// Everything that happened, in order.
    pub timeline: Vec<ShipmentStep>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// The view of one shipment; `None` when nothing was told of it.
pub fn shipment(state: &State, id: &Label) -> Option<ShipmentView> {
    let shipment = state.waste.shipment(id)?;
    let config = site_config(state, shipment.site());
    let days = LocalDays::of(config);
    let offered = shipment.offered();
    let containers = shipped_containers(state, &shipment);
    let received: Vec<Kg> = containers.iter().filter_map(|c| c.received_kg).collect();
    Some(ShipmentView {
        shipment: id.clone(),
        site: shipment.site().cloned(),
        document: offered.map(|(_, o)| o.document.clone()),
        offered: offered.map(|(m, _)| days.day(m.time_ms)),
        legs: shipment
            .legs()
            .map(|l| LegView {
                leg: l.accepted.leg,
                transporter: l.accepted.transporter.clone(),
                day: l.accepted.day,
                entry: l.seq,
            })
            .collect(),
        facility: shipment.facility().cloned(),
        received: shipment.deliveries().next().map(|(_, d)| d.day),
        signed_copy: shipment.signed_copy().and_then(|(_, d)| d.signed_copy.clone()),
        shipped_kg: containers.iter().filter_map(|c| c.shipped_kg).sum(),
        received_kg: (!received.is_empty()).then(|| received.into_iter().sum()),
        containers,
        pieces_received: shipment.deliveries().last().map(|(_, d)| d.pieces),
        tests: discrepancy::of_shipment(&state.waste, &shipment, &Law::of(config)),
        discrepancies: discrepancies(&shipment),
        timeline: shipment.facts().flat_map(|m| steps(m, &days)).collect(),
        certificates: shipment
            .certificates()
            .map(|(m, c)| CertificateView {
                certificate: c.certificate.clone(),
                method: c.method.clone(),
                mass_kg: Kg(c.mass.base()),
                day: days.day(m.time_ms),
                entry: m.seq,
            })
            .collect(),
        entries: shipment.entries(),
    })
}

fn discrepancies(shipment: &Shipment<'_>) -> Vec<DiscrepancyView> {
    shipment
        .discrepancies()
        .map(|(m, d)| {
            let settled = shipment.settlements().find(|(_, s)| s.entry == m.seq);
            DiscrepancyView {
                kind: d.kind,
                container: d.container.clone(),
                expected: d.expected.clone(),
                found: d.found.clone(),
                entry: m.seq,
                settled_by: settled.map(|(m, _)| m.seq),
                settled_how: settled.map(|(_, s)| s.how.to_string()),
            }
        })
        .collect()
}

/// A fact of a shipment as one step; a delivery with the signed copy is two.
fn steps(m: &Moment<Told<ShipmentFact>>, days: &LocalDays) -> Vec<ShipmentStep> {
    use ShipmentEvent as E;
    let by = || m.value.by.as_ref().map(PersonId::to_string).unwrap_or_default();
    let list = |labels: &[Label]| labels.iter().map(Label::as_str).collect::<Vec<_>>().join(", ");
    let (event, day, who, detail) = match &m.value.fact {
        ShipmentFact::Offered(e) => {
            let to = format!("{} to {}: {}", e.transporter, e.facility, list(&e.containers));
            (E::Offered, None, e.offered_by.to_string(), to)
        }
        ShipmentFact::Accepted(e) => {
            (E::Accepted, Some(e.day), e.transporter.to_string(), format!("leg {}", e.leg))
        }
        ShipmentFact::Delivered(e) => {
            let found: Vec<String> =
                e.received.iter().map(|r| format!("{} {}", r.container, r.mass)).collect();
            let detail = format!("{}; pieces {}", found.join(", "), e.pieces);
            (E::Delivered, Some(e.day), e.facility.to_string(), detail)
        }
        ShipmentFact::Rejected(e) => {
            let to = e.facility.as_ref().map(|f| format!(" to {f}")).unwrap_or_default();
            let detail = format!("{} {}{to}: {}", list(&e.containers), e.course, e.reason);
            (E::Rejected, Some(e.day), by(), detail)
        }
        ShipmentFact::Queried(e) => (E::Queried, None, by(), format!("{}: {}", e.asked, e.answer)),
        ShipmentFact::Discrepancy(e) => {
            let on = e.container.as_ref().map(|c| format!(" of {c}")).unwrap_or_default();
            let count = |q: &AnyQuantity| match q.unit() {
                "1" => q.digits().to_owned(),
                _ => q.to_string(),
            };
            let (expected, found) = (count(&e.expected), count(&e.found));
            let detail = format!("{}{on}: {expected} expected, {found} found", e.kind);
            (E::DiscrepancyFound, None, by(), detail)
        }
        ShipmentFact::Settled(e) => {
            let detail = format!("entry {}: {} with {}", e.entry, e.how, e.with);
            (E::DiscrepancySettled, None, by(), detail)
        }
        ShipmentFact::Exception(e) => {
            let reference = e.reference.as_ref().map(|r| format!(", {r}")).unwrap_or_default();
            (E::ExceptionReported, None, by(), format!("{}{reference}", e.to))
        }
        ShipmentFact::Certified(e) => {
            (E::Certified, None, by(), format!("{}, {}, {}", e.certificate, e.method, e.mass))
        }
    };
    let step = ShipmentStep { event, time: days.stamp(m.time_ms), day, who, detail, entry: m.seq };
    let copy = match &m.value.fact {
        ShipmentFact::Delivered(ShipmentDelivered { signed_copy: Some(digest), .. }) => {
            let detail = format!("SHA-256 {digest}");
            Some(ShipmentStep {
                event: E::CopyReceived,
                day: None,
                who: by(),
                detail,
                ..step.clone()
            })
        }
        ShipmentFact::Delivered(_)
        | ShipmentFact::Offered(_)
        | ShipmentFact::Accepted(_)
        | ShipmentFact::Rejected(_)
        | ShipmentFact::Queried(_)
        | ShipmentFact::Discrepancy(_)
        | ShipmentFact::Settled(_)
        | ShipmentFact::Exception(_)
        | ShipmentFact::Certified(_) => None,
    };
    std::iter::once(step).chain(copy).collect()
}

fn shipped_containers(state: &State, shipment: &Shipment<'_>) -> Vec<ShippedContainer> {
    let Some((offer, offered)) = shipment.offered() else { return Vec::new() };
    offered
        .containers
        .iter()
        .map(|label| {
            let weighed = state.waste.container(label).and_then(|c| c.weighed(offer.time_ms));
            ShippedContainer {
                container: label.clone(),
                shipped_kg: shipment.shipped_kg(label),
                weighed: weighed.is_some(),
                received_kg: shipment.received(label).map(|r| r.mass_kg),
                refused: shipment.refused(label, i64::MAX),
            }
        })
        .collect()
}
