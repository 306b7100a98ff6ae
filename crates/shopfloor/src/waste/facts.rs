//! What the fold keeps of each event, and which container an event puts mass into.

use serde::{Deserialize, Serialize};

use super::Kg;
use super::events::*;
use crate::catalogue::Event;
use crate::equipment::events::PartOut;
use crate::fact::Fact;
use crate::ids::{Label, PersonId, Place, PlaceKind};
use crate::quantity::Mass;

/// What one entry told about a thing, where, and who told it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told<T> {
    /// The site.
    pub site: Option<Label>,
    /// The person who did the work, as far as the record says.
    pub by: Option<PersonId>,
    /// What was told.
    pub fact: T,
}

/// An event in the life of a container, additions apart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum ContainerFact {
    /// It was started.
    Opened(ContainerOpened),
    /// It was closed for good.
    Closed(ContainerClosed),
    /// It was weighed.
    Weighed(ContainerWeighed),
    /// It was marked.
    Labelled(ContainerLabelled),
    /// It changed place and hands.
    Moved(ContainerMoved),
    /// More time was granted.
    Extended(AccumulationExtended),
}

/// Mass that went into a container, by whatever event.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Addition {
    /// What kind of thing.
    pub what: WasteItem,
    /// Net mass.
    pub mass_kg: Kg,
    /// Powder place it came from.
    pub from: Option<Place>,
    /// The one thing that went in, when it can go in only once: `bag/<id>` or `part/<serial>`.
    pub item: Option<String>,
    /// Number of pieces.
    pub pieces: Option<u32>,
    /// Entry that tells how it arose.
    pub cites: Option<u64>,
    /// What it must be kept apart for, where a person said so.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reactivity: Vec<ReactivityGroup>,
}

/// An event in the life of a shipment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum ShipmentFact {
    /// It was offered.
    Offered(ShipmentOffered),
    /// A transporter took it over.
    Accepted(ShipmentAccepted),
    /// The facility received it.
    Delivered(ShipmentDelivered),
    /// The facility refused containers.
    Rejected(ShipmentRejected),
    /// The missing signed copy was asked for.
    Queried(ShipmentQueried),
    /// A discrepancy was found.
    Discrepancy(DiscrepancyFound),
    /// A discrepancy was settled.
    Settled(DiscrepancySettled),
    /// The missing signed copy was reported.
    Exception(ExceptionReported),
    /// Disposal was certified.
    Certified(DisposalCertified),
}

/// One effect of an event on the fold: whose timeline it goes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Effect {
    /// A determination of a stream.
    Stream(Label, StreamDetermined),
    /// A fact of a container.
    Container(Label, ContainerFact),
    /// Mass into a container.
    Added(Label, Addition),
    /// A fact of a shipment.
    Shipment(Label, ShipmentFact),
    /// An inspection of an area.
    Inspected(Label, AreaInspected),
}

/// Everything `fact` does to the waste fold. One exhaustive match, so that a new kind of event
/// has to say whether it can put mass into a waste container.
pub(super) fn effects(fact: &Fact) -> Vec<Effect> {
    use ContainerFact as C;
    use ShipmentFact as S;
    let Ok(subject) = Label::new(fact.subject.id()) else { return Vec::new() };
    let one = |effect: Effect| vec![effect];
    match &fact.event {
        Event::StreamDetermined(e) => one(Effect::Stream(subject, e.clone())),
        Event::ContainerOpened(e) => one(Effect::Container(subject, C::Opened(e.clone()))),
        Event::ContainerClosed(e) => one(Effect::Container(subject, C::Closed(e.clone()))),
        Event::ContainerWeighed(e) => one(Effect::Container(subject, C::Weighed(e.clone()))),
        Event::ContainerLabelled(e) => one(Effect::Container(subject, C::Labelled(e.clone()))),
        Event::ContainerMoved(e) => one(Effect::Container(subject, C::Moved(e.clone()))),
        Event::AccumulationExtended(e) => one(Effect::Container(subject, C::Extended(e.clone()))),
        Event::WasteAdded(e) => one(Effect::Added(subject, added(e))),
        Event::BagChanged(e) => bag(e).into_iter().collect(),
        Event::PartSwapped(e) => part(&e.out).into_iter().collect(),
        Event::PartRemoved(e) => part(&e.out).into_iter().collect(),
        Event::CleaningDone(e) => e
            .residue
            .as_ref()
            .and_then(|r| moved(&r.into, &r.mass, r.from.as_ref(), WasteItem::Powder))
            .into_iter()
            .collect(),
        Event::PowderSieved(e) => [
            moved(&e.through.into, &e.through.mass, Some(&e.from), WasteItem::Powder),
            moved(&e.oversize.into, &e.oversize.mass, Some(&e.from), WasteItem::Oversize),
        ]
        .into_iter()
        .flatten()
        .collect(),
        Event::PowderMoved(e) => {
            moved(&e.into, &e.mass, Some(&e.from), WasteItem::Powder).into_iter().collect()
        }
        Event::PowderLoaded(e) => {
            moved(&e.into, &e.mass, Some(&e.from), WasteItem::Powder).into_iter().collect()
        }
        Event::PowderRecovered(e) => {
            moved(&e.into, &e.mass, None, WasteItem::Powder).into_iter().collect()
        }
        Event::AreaInspected(e) => one(Effect::Inspected(subject, e.clone())),
        Event::ShipmentOffered(e) => one(Effect::Shipment(subject, S::Offered(e.clone()))),
        Event::ShipmentAccepted(e) => one(Effect::Shipment(subject, S::Accepted(e.clone()))),
        Event::ShipmentDelivered(e) => one(Effect::Shipment(subject, S::Delivered(e.clone()))),
        Event::ShipmentRejected(e) => one(Effect::Shipment(subject, S::Rejected(e.clone()))),
        Event::ShipmentQueried(e) => one(Effect::Shipment(subject, S::Queried(e.clone()))),
        Event::DiscrepancyFound(e) => one(Effect::Shipment(subject, S::Discrepancy(e.clone()))),
        Event::DiscrepancySettled(e) => one(Effect::Shipment(subject, S::Settled(e.clone()))),
        Event::ExceptionReported(e) => one(Effect::Shipment(subject, S::Exception(e.clone()))),
        Event::DisposalCertified(e) => one(Effect::Shipment(subject, S::Certified(e.clone()))),

        Event::EquipmentRegistered(_)
        | Event::EquipmentRetired(_)
        | Event::PlanSet(_)
        | Event::MeterRead(_)
        | Event::MeterReplaced(_)
        | Event::PartFitted(_)
        | Event::PartReceived(_)
        | Event::InspectionDone(_)
        | Event::CheckDone(_)
        | Event::EquipmentIsolated(_)
        | Event::EquipmentReturned(_)
        | Event::TaskDeferred(_)
        | Event::DustSurveyed(_)
        | Event::ExposureMeasured(_)
        | Event::LotReceived(_)
        | Event::LotTested(_)
        | Event::LotReleased(_)
        | Event::LotHeld(_)
        | Event::LotDisposedOf(_)
        | Event::PowderBlended(_)
        | Event::BuildStarted(_)
        | Event::BuildFinished(_)
        | Event::StockCounted(_)
        | Event::RecipeSet(_)
        | Event::PersonEnrolled(_)
        | Event::PersonLeft(_)
        | Event::AuthorisationGranted(_)
        | Event::AuthorisationWithdrawn(_)
        | Event::FitTestDone(_)
        | Event::TrainingDone(_)
        | Event::SigningPolicyAcknowledged(_)
        | Event::DeviationOpened(_)
        | Event::DeviationClosed(_)
        | Event::ActionOpened(_)
        | Event::ActionChecked(_)
        | Event::HandoverGiven(_)
        | Event::HandoverAccepted(_)
        | Event::IncidentReported(_)
        | Event::NoteAdded(_)
        | Event::EntrySigned(_)
        | Event::EntryCorrected(_)
        | Event::EntryVoided(_)
        | Event::ConfigChanged(_)
        | Event::KeyEnrolled(_)
        | Event::KeyRevoked(_)
        | Event::LogOpened(_)
        | Event::AnchorKept(_)
        | Event::LogFollowed(_)
        | Event::LogDisputed(_)
        | Event::ReportIssued(_)
        | Event::FoldDigested(_)
        | Event::DataErased(_)
        | Event::AttemptRefused(_)
        | Event::AccessRefused(_)
        | Event::LogClosed(_) => Vec::new(),
    }
}

/// The one thing that went in, when it can go in only once: `bag/<id>` or `part/<serial>`.
pub(crate) fn item_of(e: &WasteAdded) -> Option<String> {
    let of_place = e.from.as_ref().filter(|p| p.kind == PlaceKind::VacuumBag);
    match (e.what, &e.item, of_place) {
        (_, _, Some(bag)) => Some(format!("bag/{}", bag.id())),
        (WasteItem::VacuumBag, Some(id), None) => Some(bag_item(id)),
        (WasteItem::Filter | WasteItem::Sieve | WasteItem::UsedPart, Some(serial), None) => {
            Some(part_item(serial))
        }
        (
            WasteItem::Wipes
            | WasteItem::Sweepings
            | WasteItem::Oversize
            | WasteItem::Powder
            | WasteItem::SpillResidue,
            _,
            None,
        )
        | (_, None, None) => None,
    }
}

/// The same for a vacuum bag.
pub(crate) fn bag_item(bag: &Label) -> String {
    format!("bag/{bag}")
}

/// The same for a part that came out of a machine.
pub(crate) fn part_item(serial: &Label) -> String {
    format!("part/{serial}")
}

fn added(e: &WasteAdded) -> Addition {
    Addition {
        what: e.what,
        mass_kg: Kg(e.mass.base()),
        from: e.from.clone(),
        item: item_of(e),
        pieces: e.pieces,
        cites: e.entry,
        reactivity: e.reactivity.clone(),
    }
}

fn bag(e: &BagChanged) -> Option<Effect> {
    let addition = Addition {
        what: WasteItem::VacuumBag,
        mass_kg: Kg(e.bag.gross.base() - e.bag.tare.base()),
        from: Place::new(PlaceKind::VacuumBag, e.bag.id.as_str()).ok(),
        item: Some(bag_item(&e.bag.id)),
        pieces: Some(1),
        cites: None,
        reactivity: Vec::new(),
    };
    e.into.clone().map(|into| Effect::Added(into, addition))
}

fn part(out: &PartOut) -> Option<Effect> {
    let (container, mass) = (out.container.clone()?, out.mass.as_ref()?);
    let addition = Addition {
        what: WasteItem::UsedPart,
        mass_kg: Kg(mass.base()),
        from: None,
        item: Some(part_item(&out.serial)),
        pieces: Some(1),
        cites: None,
        reactivity: Vec::new(),
    };
    Some(Effect::Added(container, addition))
}

/// Powder moved into a waste container, when `into` is one.
fn moved(into: &Place, mass: &Mass, from: Option<&Place>, what: WasteItem) -> Option<Effect> {
    let container = match into.kind {
        PlaceKind::Waste => Label::new(into.id()).ok()?,
        PlaceKind::Supplier
        | PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Build
        | PlaceKind::Parts
        | PlaceKind::Bin
        | PlaceKind::Oversize
        | PlaceKind::VacuumBag
        | PlaceKind::Sample
        | PlaceKind::Loss => return None,
    };
    let item =
        from.filter(|p| p.kind == PlaceKind::VacuumBag).map(|bag| format!("bag/{}", bag.id()));
    let addition = Addition {
        what,
        mass_kg: Kg(mass.base()),
        from: from.cloned(),
        item,
        pieces: None,
        cites: None,
        reactivity: Vec::new(),
    };
    Some(Effect::Added(container, addition))
}
