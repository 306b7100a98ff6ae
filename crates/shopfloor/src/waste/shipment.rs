//! One shipment: its document, the chain of transporters, what the facility found.

use super::events::*;
use super::facts::{ShipmentFact, Told};
use super::{Kg, Waste};
use crate::ids::Label;
use crate::timeline::{Moment, Timeline};

/// One leg of the way.
#[derive(Debug, Clone, Copy)]
pub struct Leg<'a> {
    /// The fact.
    pub accepted: &'a ShipmentAccepted,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// Entry that tells it.
    pub seq: u64,
}

/// What the facility found of one container.
#[derive(Debug, Clone, Copy)]
pub struct Received {
    /// Net mass found.
    pub mass_kg: Kg,
    /// Entry that tells it.
    pub seq: u64,
}

/// Reading handle of one shipment.
#[derive(Debug, Clone, Copy)]
pub struct Shipment<'a> {
    waste: &'a Waste,
    /// Its label.
    pub id: &'a Label,
    facts: &'a Timeline<Told<ShipmentFact>>,
    /// An entry that is left out.
    except: Option<u64>,
}

/// Facts of one kind out of a shipment's timeline.
macro_rules! of_kind {
    ($self:ident, $kind:ident) => {
        $self.told().filter_map(|m| match &m.value.fact {
            ShipmentFact::$kind(e) => Some((m, e)),
            _ => None,
        })
    };
}

type At<'a, T> = (&'a Moment<Told<ShipmentFact>>, &'a T);

impl<'a> Shipment<'a> {
    pub(super) fn new(
        waste: &'a Waste,
        id: &'a Label,
        facts: &'a Timeline<Told<ShipmentFact>>,
    ) -> Self {
        Self { waste, id, facts, except: None }
    }

    /// As it would be without an entry: what a correction of that entry is judged against.
    pub(super) fn without(self, seq: u64) -> Self {
        Self { except: Some(seq), ..self }
    }

    fn told(&self) -> impl DoubleEndedIterator<Item = &'a Moment<Told<ShipmentFact>>> + use<'a> {
        let except = self.except;
        self.facts.iter().filter(move |m| Some(m.seq) != except)
    }

    /// Its facts in order of the work.
    pub fn facts(&self) -> impl DoubleEndedIterator<Item = &'a Moment<Told<ShipmentFact>>> {
        self.told()
    }

    /// The offer.
    pub fn offered(&self) -> Option<At<'a, ShipmentOffered>> {
        of_kind!(self, Offered).next()
    }

    /// Every offer; more than one contradicts itself.
    pub fn offers(&self) -> impl Iterator<Item = At<'a, ShipmentOffered>> {
        of_kind!(self, Offered)
    }

    /// The site it left from.
    pub fn site(&self) -> Option<&'a Label> {
        self.facts.iter().find_map(|m| m.value.site.as_ref())
    }

    /// The legs in order of time.
    pub fn legs(&self) -> impl DoubleEndedIterator<Item = Leg<'a>> {
        of_kind!(self, Accepted).map(|(m, accepted)| Leg {
            accepted,
            time_ms: m.time_ms,
            seq: m.seq,
        })
    }

    /// Acceptance by the initial transporter: day 0 of every clock of the generator
    /// (40 CFR 262.40, 262.42).
    pub fn first_leg(&self) -> Option<Leg<'a>> {
        self.legs().min_by_key(|l| (l.accepted.leg, l.time_ms, l.seq))
    }

    /// The transporter that took over last, at or before an instant.
    pub(super) fn last_transporter(&self, at_ms: i64) -> Option<Label> {
        self.legs()
            .rfind(|l| l.time_ms <= at_ms)
            .map(|l| l.accepted.transporter.clone())
            .or_else(|| self.offered().map(|(_, o)| o.transporter.clone()))
    }

    pub(super) fn transporter_of_leg(&self, leg: u8) -> Option<Label> {
        self.legs().find(|l| l.accepted.leg == leg).map(|l| l.accepted.transporter.clone())
    }

    /// Every delivery; a signed copy that comes later is told by a second one.
    pub fn deliveries(&self) -> impl DoubleEndedIterator<Item = At<'a, ShipmentDelivered>> {
        of_kind!(self, Delivered)
    }

    /// The facility that received it, else the one it was meant for.
    pub fn facility(&self) -> Option<&'a Label> {
        let received = self.deliveries().last().map(|(_, d)| &d.facility);
        received.or_else(|| self.offered().map(|(_, o)| &o.facility))
    }

    /// What the facility last told of a container.
    pub fn received(&self, container: &Label) -> Option<Received> {
        self.deliveries().rev().find_map(|(m, d)| {
            let found = d.received.iter().rfind(|r| &r.container == container)?;
            Some(Received { mass_kg: Kg(found.mass.base()), seq: m.seq })
        })
    }

    /// What the facility found of everything shipped, and of how many containers.
    pub fn received_total(&self) -> (Kg, usize) {
        let labels = self.offered().map_or(&[] as &[Label], |(_, o)| &o.containers);
        labels
            .iter()
            .filter_map(|label| self.received(label))
            .fold((Kg::ZERO, 0), |(sum, n), found| (sum + found.mass_kg, n + 1))
    }

    /// The delivery that brought the signed copy.
    pub fn signed_copy(&self) -> Option<At<'a, ShipmentDelivered>> {
        self.deliveries().find(|(_, d)| d.signed_copy.is_some())
    }

    /// Refusals.
    pub fn rejections(&self) -> impl DoubleEndedIterator<Item = At<'a, ShipmentRejected>> {
        of_kind!(self, Rejected)
    }

    /// Queries after a missing signed copy.
    pub fn queries(&self) -> impl Iterator<Item = At<'a, ShipmentQueried>> {
        of_kind!(self, Queried)
    }

    /// Discrepancies that were found.
    pub fn discrepancies(&self) -> impl Iterator<Item = At<'a, DiscrepancyFound>> {
        of_kind!(self, Discrepancy)
    }

    /// Settlements.
    pub fn settlements(&self) -> impl Iterator<Item = At<'a, DiscrepancySettled>> {
        of_kind!(self, Settled)
    }

    /// Exception reports.
    pub fn exceptions(&self) -> impl Iterator<Item = At<'a, ExceptionReported>> {
        of_kind!(self, Exception)
    }

    /// Certificates.
    pub fn certificates(&self) -> impl DoubleEndedIterator<Item = At<'a, DisposalCertified>> {
        of_kind!(self, Certified)
    }

    /// Whether the facility kept a container at an instant: received there and not refused after.
    pub(super) fn holds_at_facility(&self, container: &Label, at_ms: i64) -> bool {
        let mut held = false;
        for moment in self.told().filter(|m| m.time_ms <= at_ms) {
            match &moment.value.fact {
                ShipmentFact::Delivered(d) => {
                    held |= d.received.iter().any(|r| &r.container == container);
                }
                ShipmentFact::Rejected(r) if r.containers.contains(container) => held = false,
                ShipmentFact::Rejected(_)
                | ShipmentFact::Offered(_)
                | ShipmentFact::Accepted(_)
                | ShipmentFact::Queried(_)
                | ShipmentFact::Discrepancy(_)
                | ShipmentFact::Settled(_)
                | ShipmentFact::Exception(_)
                | ShipmentFact::Certified(_) => {}
            }
        }
        held
    }

    /// Whether a container was refused on this shipment, at or before an instant.
    pub fn refused(&self, container: &Label, at_ms: i64) -> bool {
        self.rejections().any(|(m, r)| m.time_ms <= at_ms && r.containers.contains(container))
    }

    /// Net mass of one container as shipped: the last weighing before it was offered, else what
    /// was put in by then.
    pub fn shipped_kg(&self, container: &Label) -> Option<Kg> {
        let (offer, _) = self.offered()?;
        Some(self.waste.container(container)?.content_kg(offer.time_ms))
    }

    /// Every entry that tells something of it, ascending.
    pub fn entries(&self) -> Vec<u64> {
        let mut entries: Vec<u64> = self.facts.iter().map(|m| m.seq).collect();
        entries.sort_unstable();
        entries.dedup();
        entries
    }
}
