//! What the powder account keeps of each fact, and where it looks it up again.

use serde::{Deserialize, Serialize};

use crate::catalogue::Event;
use crate::common::Outcome;
use crate::equipment::events::*;
use crate::fact::Fact;
use crate::ids::{Label, PersonId, Place, PlaceKind, Subject};
use crate::people::events::*;
use crate::pieces::Content;
use crate::powder::events::*;
use crate::waste::events::*;
use crate::waste::facts;

/// Declares the deeds: recorded forms kept boxed, so that a small event costs little.
macro_rules! deeds {
    ($($variant:ident),+ $(,)?) => {
        /// The content of a fact that moves, marks or explains powder.
        #[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
        pub(crate) enum Deed { $($variant(Box<$variant>)),+ }
    };
}

deeds! {
    LotReceived, LotTested, LotReleased, LotHeld, LotDisposedOf, PowderLoaded, PowderSieved,
    PowderBlended, PowderMoved, BuildStarted, BuildFinished, PowderRecovered, StockCounted,
    RecipeSet, EquipmentRegistered, CleaningDone, PartSwapped, PartFitted, PartRemoved,
    InspectionDone, CheckDone, ContainerOpened, WasteAdded, BagChanged, ContainerWeighed,
    ShipmentOffered, ShipmentAccepted, ShipmentRejected, IncidentReported,
}

impl Deed {
    /// What is kept of an event; `None` when it says nothing about powder.
    pub(crate) fn of(event: &Event) -> Option<Deed> {
        macro_rules! keep {
            ($variant:ident, $data:expr) => {
                Some(Deed::$variant(Box::new($data.clone())))
            };
        }
        match event {
            Event::LotReceived(d) => keep!(LotReceived, d),
            Event::LotTested(d) => keep!(LotTested, d),
            Event::LotReleased(d) => keep!(LotReleased, d),
            Event::LotHeld(d) => keep!(LotHeld, d),
            Event::LotDisposedOf(d) => keep!(LotDisposedOf, d),
            Event::PowderLoaded(d) => keep!(PowderLoaded, d),
            Event::PowderSieved(d) => keep!(PowderSieved, d),
            Event::PowderBlended(d) => keep!(PowderBlended, d),
            Event::PowderMoved(d) => keep!(PowderMoved, d),
            Event::BuildStarted(d) => keep!(BuildStarted, d),
            Event::BuildFinished(d) => keep!(BuildFinished, d),
            Event::PowderRecovered(d) => keep!(PowderRecovered, d),
            Event::StockCounted(d) => keep!(StockCounted, d),
            Event::RecipeSet(d) => keep!(RecipeSet, d),
            Event::EquipmentRegistered(d) if d.scale.is_some() => keep!(EquipmentRegistered, d),
            Event::CleaningDone(d) if d.residue.is_some() => keep!(CleaningDone, d),
            Event::PartSwapped(d) => keep!(PartSwapped, d),
            Event::PartFitted(d) => keep!(PartFitted, d),
            Event::PartRemoved(d) => keep!(PartRemoved, d),
            Event::InspectionDone(d) => keep!(InspectionDone, d),
            Event::CheckDone(d) if d.check == CheckKind::Scale => keep!(CheckDone, d),
            Event::ContainerOpened(d) => keep!(ContainerOpened, d),
            Event::WasteAdded(d) => keep!(WasteAdded, d),
            Event::BagChanged(d) => keep!(BagChanged, d),
            Event::ContainerWeighed(d) => keep!(ContainerWeighed, d),
            Event::ShipmentOffered(d) => keep!(ShipmentOffered, d),
            Event::ShipmentAccepted(d) => keep!(ShipmentAccepted, d),
            Event::IncidentReported(d) if d.from.is_some() && d.mass.is_some() => {
                keep!(IncidentReported, d)
            }
            Event::ShipmentRejected(d) if d.course == RejectionCourse::Returned => {
                keep!(ShipmentRejected, d)
            }
            // Nothing about powder. Listed, so that a new event that moves powder cannot be
            // forgotten here.
            Event::EquipmentRegistered(_)
            | Event::EquipmentRetired(_)
            | Event::PlanSet(_)
            | Event::MeterRead(_)
            | Event::MeterReplaced(_)
            | Event::CleaningDone(_)
            | Event::PartReceived(_)
            | Event::CheckDone(_)
            | Event::EquipmentIsolated(_)
            | Event::EquipmentReturned(_)
            | Event::TaskDeferred(_)
            | Event::DustSurveyed(_)
            | Event::ExposureMeasured(_)
            | Event::StreamDetermined(_)
            | Event::ContainerClosed(_)
            | Event::ContainerLabelled(_)
            | Event::ContainerMoved(_)
            | Event::AreaInspected(_)
            | Event::AccumulationExtended(_)
            | Event::ShipmentDelivered(_)
            | Event::ShipmentRejected(_)
            | Event::ShipmentQueried(_)
            | Event::DiscrepancyFound(_)
            | Event::DiscrepancySettled(_)
            | Event::ExceptionReported(_)
            | Event::DisposalCertified(_)
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
            | Event::LogClosed(_) => None,
        }
    }
}

/// One fact at its place in time.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Kept {
    /// When the work was done, ms since 1970 UTC.
    pub(crate) time_ms: i64,
    /// Entry that tells it; breaks ties.
    pub(crate) seq: u64,
    /// Site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) site: Option<Label>,
    /// What it is about.
    pub(crate) subject: Subject,
    /// Who did it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) by: Option<PersonId>,
    /// What happened.
    pub(crate) deed: Deed,
}

/// A moment in the order of work: time, then entry.
pub(crate) type Moment = (i64, u64);

impl Kept {
    pub(crate) fn of(fact: &Fact) -> Option<Kept> {
        Some(Kept {
            time_ms: fact.time.ms(),
            seq: fact.seq,
            site: fact.site.clone(),
            subject: fact.subject.clone(),
            by: fact.performer.person().cloned(),
            deed: Deed::of(&fact.event)?,
        })
    }

    pub(crate) fn moment(&self) -> Moment {
        (self.time_ms, self.seq)
    }

    /// The id of the subject as a label; subjects that powder is about all have one.
    pub(crate) fn label(&self) -> Option<Label> {
        Label::new(self.subject.id()).ok()
    }

    /// Where this fact is looked up again.
    pub(crate) fn keys(&self) -> Vec<Key> {
        let Some(own) = self.label() else { return Vec::new() };
        let place = |kind, id: &Label| Place::new(kind, id.as_str()).ok();
        let filled = |p: Option<Place>| p.map(Key::Filled);
        let mut keys = Vec::new();
        match &self.deed {
            Deed::LotReceived(d) => {
                keys.extend([Key::Lot(own.clone()), Key::Made(own)]);
                let containers = d.containers.iter();
                keys.extend(
                    containers.filter_map(|c| filled(place(PlaceKind::LotContainer, &c.id))),
                );
            }
            Deed::PowderBlended(d) => {
                keys.extend([Key::Lot(own.clone()), Key::Made(own), Key::Filled(d.into.clone())])
            }
            Deed::LotHeld(_) | Deed::LotDisposedOf(_) => {
                keys.extend([Key::Lot(own.clone()), Key::Hold(own)]);
            }
            Deed::LotTested(_) | Deed::LotReleased(_) => keys.push(Key::Lot(own)),
            Deed::BuildStarted(d) => {
                keys.extend([Key::Build(own), Key::Printer(d.printer.clone())]);
            }
            Deed::BuildFinished(_) | Deed::PowderRecovered(_) => keys.push(Key::Build(own)),
            Deed::StockCounted(d) => keys.push(Key::Counted(d.place.clone())),
            Deed::RecipeSet(_) => keys.push(Key::Recipe(own)),
            Deed::EquipmentRegistered(_) => keys.push(Key::Scale(own)),
            Deed::CheckDone(_) => keys.push(Key::ScaleCheck(own)),
            Deed::PowderSieved(d) => keys.push(Key::Passes(d.sieve.clone())),
            Deed::PartSwapped(d) => {
                keys.push(Key::Position(own, d.position.clone()));
                keys.push(Key::Part(d.fitted.serial.clone()));
                keys.push(Key::Part(d.out.serial.clone()));
            }
            Deed::PartFitted(d) => {
                keys.push(Key::Position(own, d.position.clone()));
                keys.push(Key::Part(d.fitted.serial.clone()));
            }
            Deed::PartRemoved(d) => {
                keys.push(Key::Position(own, d.position.clone()));
                keys.push(Key::Part(d.out.serial.clone()));
            }
            Deed::InspectionDone(d) => match &d.serial {
                Some(serial) => keys.push(Key::Part(serial.clone())),
                None => keys.push(Key::Position(own, d.target.clone())),
            },
            Deed::ContainerOpened(_) | Deed::ContainerWeighed(_) => {
                keys.extend(place(PlaceKind::Waste, &own).map(Key::Counted));
            }
            Deed::ShipmentOffered(d) => {
                keys.push(Key::Shipment(own));
                let places = d.containers.iter().filter_map(|c| place(PlaceKind::Waste, c));
                keys.extend(places.map(Key::Shipped));
            }
            Deed::ShipmentAccepted(_) => keys.push(Key::Shipment(own)),
            Deed::ShipmentRejected(d) => {
                let places = d.containers.iter().filter_map(|c| place(PlaceKind::Waste, c));
                keys.extend(places.map(Key::Shipped));
            }
            Deed::PowderLoaded(_)
            | Deed::PowderMoved(_)
            | Deed::CleaningDone(_)
            | Deed::WasteAdded(_)
            | Deed::BagChanged(_)
            | Deed::IncidentReported(_) => {}
        }
        keys.extend(self.thrown().map(|(item, _)| Key::Thrown(item)));
        keys.dedup();
        keys
    }

    /// Scale the masses of this fact were read on, when it names one.
    pub(crate) fn scale(&self) -> Option<&Label> {
        match &self.deed {
            Deed::PowderLoaded(d) => d.scale.as_ref(),
            Deed::PowderSieved(d) => d.scale.as_ref(),
            Deed::PowderBlended(d) => d.scale.as_ref(),
            Deed::PowderMoved(d) => d.scale.as_ref(),
            Deed::BuildFinished(d) => d.scale.as_ref(),
            Deed::PowderRecovered(d) => d.scale.as_ref(),
            Deed::StockCounted(d) => d.scale.as_ref(),
            Deed::WasteAdded(d) => d.scale.as_ref(),
            Deed::BagChanged(d) => d.scale.as_ref(),
            Deed::ContainerWeighed(d) => Some(&d.scale),
            Deed::LotReceived(d) => d.scale.as_ref(),
            Deed::CleaningDone(d) => d.residue.as_ref().and_then(|r| r.scale.as_ref()),
            Deed::LotTested(_)
            | Deed::LotReleased(_)
            | Deed::LotHeld(_)
            | Deed::LotDisposedOf(_)
            | Deed::BuildStarted(_)
            | Deed::RecipeSet(_)
            | Deed::EquipmentRegistered(_)
            | Deed::PartSwapped(_)
            | Deed::PartFitted(_)
            | Deed::PartRemoved(_)
            | Deed::InspectionDone(_)
            | Deed::CheckDone(_)
            | Deed::ContainerOpened(_)
            | Deed::ShipmentOffered(_)
            | Deed::ShipmentAccepted(_)
            | Deed::ShipmentRejected(_)
            | Deed::IncidentReported(_) => None,
        }
    }

    /// The one bag or part that this fact puts into a waste container, and the container.
    pub(crate) fn thrown(&self) -> Option<(String, Label)> {
        let part = |out: &PartOut| {
            let into = out.mass.as_ref().and(out.container.clone())?;
            Some((facts::part_item(&out.serial), into))
        };
        match &self.deed {
            Deed::WasteAdded(d) => Some((facts::item_of(d)?, self.label()?)),
            Deed::BagChanged(d) => Some((facts::bag_item(&d.bag.id), d.into.clone()?)),
            Deed::PartSwapped(d) => part(&d.out),
            Deed::PartRemoved(d) => part(&d.out),
            _ => None,
        }
    }

    /// As what a sieve was fitted, when this fact tells it.
    pub(crate) fn fitted(&self, serial: &Label) -> Option<&PartSpec> {
        let fitted = match &self.deed {
            Deed::PartSwapped(d) => &d.fitted,
            Deed::PartFitted(d) => &d.fitted,
            _ => return None,
        };
        (fitted.serial == *serial).then_some(&fitted.spec)
    }

    /// Whether a mass of this fact was read on the scale.
    pub(crate) fn weighed_on(&self, scale: &Label) -> bool {
        let hopper = match &self.deed {
            Deed::BuildFinished(d) => d.hopper_scale.as_ref(),
            _ => None,
        };
        self.scale() == Some(scale) || hopper == Some(scale)
    }

    /// What this fact says about the sieve or part `serial`: fitted, found sound or found failed.
    pub(crate) fn verdict_on(&self, serial: &Label) -> Option<Verdict> {
        let out = |out: &PartOut| {
            (out.serial == *serial).then_some(match out.condition {
                PartCondition::Sound | PartCondition::Worn => Verdict::Out,
                PartCondition::Failed => Verdict::Fail,
            })
        };
        match &self.deed {
            Deed::PartSwapped(d) if d.fitted.serial == *serial => Some(Verdict::Fitted),
            Deed::PartSwapped(d) => out(&d.out),
            Deed::PartFitted(d) => (d.fitted.serial == *serial).then_some(Verdict::Fitted),
            Deed::PartRemoved(d) => out(&d.out),
            // An inspection that names no serial is looked up by its position.
            Deed::InspectionDone(d) => match d.result {
                Outcome::Pass => Some(Verdict::Pass),
                Outcome::Fail => Some(Verdict::Fail),
            },
            _ => None,
        }
    }
}

/// What a record says about a sieve or a scale at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// It was put in.
    Fitted,
    /// It was found in order.
    Pass,
    /// It was found failed.
    Fail,
    /// It was taken out, not failed.
    Out,
}

/// Under what a fact is looked up again. The order matters: those that are listed come first, the
/// few before the many, so that a list of one kind is found without searching.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub(crate) enum Key {
    /// Holds of a lot and what became of them.
    Hold(Label),
    /// Starts of builds on a printer.
    Printer(Label),
    /// A recipe.
    Recipe(Label),
    /// Registrations of a scale.
    Scale(Label),
    /// Counts of a place; for a waste container its tare and weighings.
    Counted(Place),
    /// Shipments a waste container was on, and those it came back from.
    Shipped(Place),
    /// Receipts and blends of a lot.
    Made(Label),
    /// The life of a lot.
    Lot(Label),
    /// The life of a build.
    Build(Label),
    /// Checks of a scale.
    ScaleCheck(Label),
    /// Passes of a sieve by serial.
    Passes(Label),
    /// Fittings, removals and inspections of a sieve or part by serial.
    Part(Label),
    /// What sat in a position of a machine.
    Position(Label, Label),
    /// Receipts into and blends in a place.
    Filled(Place),
    /// A shipment.
    Shipment(Label),
    /// A bag or part that goes into a waste container only once.
    Thrown(String),
}

impl Content for Key {}

impl Key {
    /// Place of the kind among those that questions list; `None` for kinds that are only looked
    /// up. Of the listed ones there are few.
    pub(crate) fn rank(&self) -> Option<u8> {
        match self {
            Key::Hold(_) => Some(0),
            Key::Printer(_) => Some(1),
            Key::Recipe(_) => Some(2),
            Key::Scale(_) => Some(3),
            Key::Counted(_) => Some(4),
            Key::Shipped(_) => Some(5),
            Key::Made(_) => Some(6),
            Key::Lot(_)
            | Key::Build(_)
            | Key::ScaleCheck(_)
            | Key::Passes(_)
            | Key::Part(_)
            | Key::Position(_, _)
            | Key::Filled(_)
            | Key::Shipment(_)
            | Key::Thrown(_) => None,
        }
    }
}
