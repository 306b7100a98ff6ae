//! One container: where it stands, who holds it, what is in it.

use std::cell::OnceCell;

use jiff::Timestamp;

use super::events::{AreaKind, AreaRef, ContainerOpened, RejectionCourse, Separation};
use super::facts::{Addition, ContainerFact, ShipmentFact, Told};
use super::law::Law;
use super::{ContainerFacts, Kg, Waste};
use crate::forms::words;
use crate::ids::{Label, PersonId};
use crate::timeline::Moment;

words! {
    /// Where a container is in its life.
    pub enum ContainerState {
        /// On the generator's site.
        OnSite = "on_site",
        /// With a transporter.
        InTransit = "in_transit",
        /// At a facility, disposal not yet certified.
        Received = "received",
        /// Disposal or recovery certified.
        Disposed = "disposed",
        /// Refused by the facility and on its way back.
        Returned = "returned",
    }
}

words! {
    /// What changed the custody of a container.
    pub enum CustodyEvent {
        /// It was started.
        Opened = "opened",
        /// It changed hands on site.
        Moved = "moved",
        /// A transporter took it over.
        Accepted = "accepted",
        /// A facility received it.
        Delivered = "delivered",
        /// A facility refused it: back to the generator.
        SentBack = "sent_back",
        /// A facility refused it: on to another facility.
        Forwarded = "forwarded",
        /// Disposal was certified.
        Certified = "certified",
    }
}

/// Who holds a container.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Holder {
    /// A person, by pseudonym.
    Person(PersonId),
    /// The keeper of an area, when the record names no person.
    Area(Label),
    /// A transporter.
    Transporter(Label),
    /// A facility.
    Facility(Label),
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Holder::Person(person) => write!(f, "{person}"),
            Holder::Area(area) => write!(f, "area/{area}"),
            Holder::Transporter(label) => write!(f, "transporter/{label}"),
            Holder::Facility(label) => write!(f, "facility/{label}"),
        }
    }
}

/// One holding of a container, from one instant until the next holding begins.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Holding {
    /// What began it.
    pub event: CustodyEvent,
    /// Who holds it.
    pub holder: Holder,
    /// When it began, ms since 1970 UTC.
    pub from_ms: i64,
    /// Entry that tells it.
    pub seq: u64,
    /// Who gave it, as told.
    pub giver: Option<Holder>,
    /// Whether the giver named is not the holder before: a gap.
    pub gap: bool,
    /// Shipment it belongs to.
    pub shipment: Option<Label>,
}

/// A weighing of the whole container.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Weighing {
    /// Mass with container.
    pub gross_kg: Kg,
    /// Gross minus tare.
    pub net_kg: Kg,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// Entry that tells it.
    pub seq: u64,
}

/// One addition as it counts.
#[derive(Debug, Clone, Copy)]
pub struct Added<'a> {
    /// The fact at its time.
    pub moment: &'a Moment<Told<Addition>>,
    /// The entry that told the same waste before, and the container it named.
    pub told_before: Option<(u64, &'a Label)>,
}

impl Added<'_> {
    /// What it adds.
    pub fn addition(&self) -> &Addition {
        &self.moment.value.fact
    }
}

/// Reading handle of one container. Keep it for as long as a question lasts: who held the container
/// is worked out once.
#[derive(Debug, Clone)]
pub struct Container<'a> {
    waste: &'a Waste,
    /// Its label.
    pub id: &'a Label,
    facts: &'a ContainerFacts,
    /// An entry that is left out.
    except: Option<u64>,
    custody: OnceCell<Vec<Holding>>,
}

impl<'a> Container<'a> {
    pub(super) fn new(waste: &'a Waste, id: &'a Label, facts: &'a ContainerFacts) -> Self {
        #[cfg(test)]
        super::tests::LOOKS.with(|looks| looks.set(looks.get() + 1));
        Self { waste, id, facts, except: None, custody: OnceCell::new() }
    }

    /// As it would be without an entry: what a correction of that entry is judged against.
    pub(super) fn without(self, seq: u64) -> Self {
        Self { except: Some(seq), custody: OnceCell::new(), ..self }
    }

    /// Its life in order of the work, additions apart.
    pub fn life(
        &self,
    ) -> impl DoubleEndedIterator<Item = &'a Moment<Told<ContainerFact>>> + use<'a> {
        let except = self.except;
        self.facts.life.iter().filter(move |m| Some(m.seq) != except)
    }

    /// The first fact that opens it.
    pub fn opened(&self) -> Option<(&'a Moment<Told<ContainerFact>>, &'a ContainerOpened)> {
        self.life().find_map(|m| match &m.value.fact {
            ContainerFact::Opened(e) => Some((m, e)),
            ContainerFact::Closed(_)
            | ContainerFact::Weighed(_)
            | ContainerFact::Labelled(_)
            | ContainerFact::Moved(_)
            | ContainerFact::Extended(_) => None,
        })
    }

    /// Its site: where it was opened, else where something was first told of it.
    pub fn site(&self) -> Option<&'a Label> {
        let opened = self.opened().and_then(|(m, _)| m.value.site.as_ref());
        let first = || {
            let life = self.facts.life.iter().next().and_then(|m| m.value.site.as_ref());
            life.or_else(|| self.facts.additions.iter().next().and_then(|m| m.value.site.as_ref()))
        };
        opened.or_else(first)
    }

    /// The stream it takes.
    pub fn stream(&self) -> Option<&'a Label> {
        self.opened().map(|(_, e)| &e.stream)
    }

    /// When it was last closed for good, if before `at_ms`.
    pub fn closed(&self, at_ms: i64) -> Option<&'a Moment<Told<ContainerFact>>> {
        self.life()
            .rfind(|m| m.time_ms <= at_ms && matches!(m.value.fact, ContainerFact::Closed(_)))
    }

    /// The last weighing at or before an instant.
    pub fn weighed(&self, at_ms: i64) -> Option<Weighing> {
        let tare = Kg(self.opened()?.1.tare.base());
        self.life().rev().filter(|m| m.time_ms <= at_ms).find_map(|m| match &m.value.fact {
            ContainerFact::Weighed(e) => {
                let gross_kg = Kg(e.gross.base());
                let net_kg = gross_kg - tare;
                Some(Weighing { gross_kg, net_kg, time_ms: m.time_ms, seq: m.seq })
            }
            ContainerFact::Opened(_)
            | ContainerFact::Closed(_)
            | ContainerFact::Labelled(_)
            | ContainerFact::Moved(_)
            | ContainerFact::Extended(_) => None,
        })
    }

    /// The first and the last instant at which something was told of it on site.
    pub(super) fn told_between(&self) -> Option<(i64, i64)> {
        let (life, added) = (&self.facts.life, &self.facts.additions);
        let firsts = [life.first().map(|m| m.time_ms), added.first().map(|m| m.time_ms)];
        let lasts = [life.last().map(|m| m.time_ms), added.last().map(|m| m.time_ms)];
        firsts.into_iter().flatten().min().zip(lasts.into_iter().flatten().max())
    }

    /// Whether it was ever offered on a shipment.
    pub(super) fn was_offered(&self) -> bool {
        self.waste.offers_of(self.id).next().is_some()
    }

    /// Whether anything was put in after an instant, up to and with another.
    pub(super) fn took_in(&self, after_ms: i64, to_ms: i64) -> bool {
        !self.facts.additions.after(after_ms, to_ms).is_empty()
    }

    /// Everything put in, in order, with what was told before.
    pub fn additions(&self) -> impl DoubleEndedIterator<Item = Added<'a>> + use<'a> {
        let (waste, except) = (self.waste, self.except);
        let told = self.facts.additions.iter().filter(move |m| Some(m.seq) != except);
        told.map(move |moment| {
            let fact = &moment.value.fact;
            Added { moment, told_before: waste.repeats(moment.time_ms, moment.seq, fact) }
        })
    }

    /// Sum of what was put in at or before an instant. A thing that was told twice for this
    /// container counts once.
    pub fn added_kg(&self, at_ms: i64) -> Kg {
        self.additions()
            .filter(|a| a.moment.time_ms <= at_ms)
            .filter(|a| a.told_before.is_none_or(|(_, container)| container != self.id))
            .map(|a| a.addition().mass_kg)
            .sum()
    }

    /// Net mass at an instant: the last weighing plus what was put in since; the sum of what was
    /// put in where it was never weighed.
    pub fn content_kg(&self, at_ms: i64) -> Kg {
        let added = self.added_kg(at_ms);
        match self.weighed(at_ms) {
            Some(weighed) => weighed.net_kg + (added - self.added_kg(weighed.time_ms)),
            None => added,
        }
    }

    /// Whether the last weighing at or before an instant agrees with what had been put in by then;
    /// `None` when it was not weighed.
    pub fn sum_agrees(&self, law: &Law<'_>, at_ms: i64) -> Option<bool> {
        let weighed = self.weighed(at_ms)?;
        let before = self.additions().filter(|a| a.moment.time_ms <= weighed.time_ms).count();
        let difference = weighed.net_kg - self.added_kg(weighed.time_ms);
        Some(super::discrepancy::sum_agrees(law, difference, before))
    }

    /// Where it stands on site at an instant, as last told.
    pub fn area(&self, at_ms: i64) -> Option<AreaRef> {
        self.life().rev().filter(|m| m.time_ms <= at_ms).find_map(|m| match &m.value.fact {
            ContainerFact::Opened(e) => {
                Some(AreaRef { area: e.area, location: e.location.clone() })
            }
            ContainerFact::Moved(e) => Some(e.to.clone()),
            ContainerFact::Closed(_)
            | ContainerFact::Weighed(_)
            | ContainerFact::Labelled(_)
            | ContainerFact::Extended(_) => None,
        })
    }

    /// What separates it from others where it stands, and the entry that tells where that is.
    fn place(&self, at_ms: i64) -> Option<(Option<Separation>, u64)> {
        self.life().rev().filter(|m| m.time_ms <= at_ms).find_map(|m| match &m.value.fact {
            ContainerFact::Opened(e) => Some((e.separated_by, m.seq)),
            ContainerFact::Moved(e) => Some((e.separated_by, m.seq)),
            ContainerFact::Closed(_)
            | ContainerFact::Weighed(_)
            | ContainerFact::Labelled(_)
            | ContainerFact::Extended(_) => None,
        })
    }

    /// What separates it from others where it stands, as last told.
    pub fn separation(&self, at_ms: i64) -> Option<Separation> {
        self.place(at_ms)?.0
    }

    /// The entry that tells where it stands.
    pub(super) fn placed(&self, at_ms: i64) -> Option<u64> {
        self.place(at_ms).map(|(_, seq)| seq)
    }

    /// Whether it stands on the site at an instant.
    pub(super) fn stands(&self, at_ms: i64) -> bool {
        self.custody()
            .iter()
            .rfind(|h| h.from_ms <= at_ms)
            .is_some_and(|h| matches!(h.event, CustodyEvent::Opened | CustodyEvent::Moved))
    }

    /// Whether it stands in an area of a site at an instant, as last told.
    pub(super) fn stands_in(&self, site: &Label, area: &Label, at_ms: i64) -> bool {
        if self.site() != Some(site) || self.area(at_ms).is_none_or(|a| &a.location != area) {
            return false;
        }
        self.stands(at_ms)
    }

    /// Instant and entry from which the accumulation clock runs: the first waste in a container
    /// of the central area (40 CFR 262.16(b)(6)(i)(C), 262.17(a)(5)(i)(C)), or its arrival there
    /// from a satellite area (RCRA Online 14703); after a refusal, its return. Between refusal and
    /// return no clock runs.
    pub fn clock_start(&self) -> Option<(i64, u64)> {
        let custody = self.custody();
        match custody.iter().rposition(|h| h.event == CustodyEvent::SentBack) {
            Some(at) => custody[at..]
                .iter()
                .find(|h| h.event == CustodyEvent::Moved)
                .map(|h| (h.from_ms, h.seq)),
            None => self.first_clock_start(),
        }
    }

    /// The start of its first clock, whatever happened to it later.
    pub(super) fn first_clock_start(&self) -> Option<(i64, u64)> {
        let mut told = self.facts.additions.iter();
        let first = told.find(|m| Some(m.seq) != self.except)?;
        let first_waste = (first.time_ms, first.seq);
        let (opening, opened) = self.opened()?;
        let arrival = match opened.area {
            AreaKind::Central => Some((opening.time_ms, opening.seq)),
            AreaKind::Satellite => self.life().find_map(|m| match &m.value.fact {
                ContainerFact::Moved(e) if e.to.area == AreaKind::Central => {
                    Some((m.time_ms, m.seq))
                }
                ContainerFact::Moved(_)
                | ContainerFact::Opened(_)
                | ContainerFact::Closed(_)
                | ContainerFact::Weighed(_)
                | ContainerFact::Labelled(_)
                | ContainerFact::Extended(_) => None,
            }),
        }?;
        Some(arrival.max(first_waste))
    }

    /// When it last left the site with a transporter, unless it came back since.
    pub fn left(&self) -> Option<(i64, u64)> {
        let mut left = None;
        for holding in self.custody() {
            match holding.event {
                CustodyEvent::Accepted if left.is_none() => {
                    left = Some((holding.from_ms, holding.seq));
                }
                CustodyEvent::Moved | CustodyEvent::SentBack => left = None,
                CustodyEvent::Opened
                | CustodyEvent::Accepted
                | CustodyEvent::Delivered
                | CustodyEvent::Forwarded
                | CustodyEvent::Certified => {}
            }
        }
        left
    }

    /// Every holding in order of time; each ends where the next begins, so there is one holder at
    /// any time (computations.md C9 (a)); a giver who is not the holder is told as a gap (C9 (b)).
    pub fn custody(&self) -> &[Holding] {
        self.custody.get_or_init(|| self.holdings())
    }

    fn holdings(&self) -> Vec<Holding> {
        let mut steps: Vec<Holding> = self.life().filter_map(on_site_step).collect();
        let shipments: std::collections::BTreeSet<&Label> =
            self.waste.offers_of(self.id).map(|m| &m.value).collect();
        for shipment in shipments.into_iter().filter_map(|id| self.waste.shipment(id)) {
            for moment in shipment.facts().filter(|m| Some(m.seq) != self.except) {
                steps.extend(shipment_step(self.id, shipment, moment));
            }
        }
        steps.sort_by_key(|h| (h.from_ms, h.seq));
        let mut holder: Option<Holder> = None;
        let mut on_road_back = false;
        for step in &mut steps {
            step.gap = match (&step.giver, &holder) {
                // Whoever took it back from the road signs for it; the driver is not named.
                (Some(_), Some(_)) if on_road_back => false,
                (Some(giver), Some(holder)) => giver != holder,
                (Some(_), None) | (None, _) => false,
            };
            on_road_back = step.event == CustodyEvent::SentBack;
            if step.event == CustodyEvent::Certified {
                if let Some(holder) = &holder {
                    step.holder = holder.clone();
                }
            } else {
                holder = Some(step.holder.clone());
            }
        }
        steps
    }

    /// Where it is in its life at an instant, and the entry that tells it.
    pub fn state(&self, at: Timestamp) -> (ContainerState, Option<u64>) {
        let at_ms = at.as_millisecond();
        let custody = self.custody();
        match custody.iter().rfind(|h| h.from_ms <= at_ms) {
            None => (ContainerState::OnSite, None),
            Some(last) => {
                let state = match last.event {
                    CustodyEvent::Opened | CustodyEvent::Moved => ContainerState::OnSite,
                    CustodyEvent::Accepted | CustodyEvent::Forwarded => ContainerState::InTransit,
                    CustodyEvent::Delivered => ContainerState::Received,
                    CustodyEvent::SentBack => ContainerState::Returned,
                    CustodyEvent::Certified => ContainerState::Disposed,
                };
                (state, Some(last.seq))
            }
        }
    }

    /// Every entry that tells something of it, ascending.
    pub fn entries(&self) -> Vec<u64> {
        let life = self.facts.life.iter().map(|m| m.seq);
        let mut entries: Vec<u64> =
            life.chain(self.facts.additions.iter().map(|m| m.seq)).collect();
        entries.sort_unstable();
        entries.dedup();
        entries
    }
}

fn on_site_step(m: &Moment<Told<ContainerFact>>) -> Option<Holding> {
    let (event, holder, giver) = match &m.value.fact {
        ContainerFact::Opened(e) => {
            let keeper = m.value.by.clone().map(Holder::Person);
            (CustodyEvent::Opened, keeper.unwrap_or(Holder::Area(e.location.clone())), None)
        }
        ContainerFact::Moved(e) => {
            let (giver, taker) = (e.giver.clone(), e.receiver.clone());
            (CustodyEvent::Moved, Holder::Person(taker), Some(Holder::Person(giver)))
        }
        ContainerFact::Closed(_)
        | ContainerFact::Weighed(_)
        | ContainerFact::Labelled(_)
        | ContainerFact::Extended(_) => return None,
    };
    let (from_ms, seq) = (m.time_ms, m.seq);
    Some(Holding { event, holder, from_ms, seq, giver, gap: false, shipment: None })
}

fn shipment_step(
    container: &Label,
    shipment: super::Shipment<'_>,
    m: &Moment<Told<ShipmentFact>>,
) -> Option<Holding> {
    let carrier = || shipment.last_transporter(m.time_ms);
    let (event, holder, giver) = match &m.value.fact {
        ShipmentFact::Accepted(e) => {
            let giver = if e.leg <= 1 {
                shipment.offered().map(|(_, o)| Holder::Person(o.offered_by.clone()))
            } else {
                shipment.transporter_of_leg(e.leg - 1).map(Holder::Transporter)
            };
            (CustodyEvent::Accepted, Holder::Transporter(e.transporter.clone()), giver)
        }
        ShipmentFact::Delivered(e) => {
            e.received.iter().find(|r| &r.container == container)?;
            (CustodyEvent::Delivered, Holder::Facility(e.facility.clone()), None)
        }
        ShipmentFact::Rejected(e) if e.containers.contains(container) => {
            let event = match e.course {
                RejectionCourse::Returned => CustodyEvent::SentBack,
                RejectionCourse::Forwarded => CustodyEvent::Forwarded,
            };
            (event, carrier().map(Holder::Transporter)?, None)
        }
        ShipmentFact::Certified(_) if shipment.holds_at_facility(container, m.time_ms) => {
            // The holder stays; the caller fills it in.
            (CustodyEvent::Certified, Holder::Facility(shipment.facility()?.clone()), None)
        }
        ShipmentFact::Certified(_)
        | ShipmentFact::Rejected(_)
        | ShipmentFact::Offered(_)
        | ShipmentFact::Queried(_)
        | ShipmentFact::Discrepancy(_)
        | ShipmentFact::Settled(_)
        | ShipmentFact::Exception(_) => return None,
    };
    let shipment = Some(shipment.id.clone());
    Some(Holding { event, holder, from_ms: m.time_ms, seq: m.seq, giver, gap: false, shipment })
}
