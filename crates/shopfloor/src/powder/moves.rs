//! Every powder and waste event as double entry: which mass goes from where to where.

use crate::forms::words;
use crate::ids::{Label, Place, PlaceKind};
use crate::waste::events::{BagChanged, WasteAdded};

use super::amount::Kg;
use super::archive::Archive;
use super::books::Books;
use super::kept::{Deed, Kept, Key};

words! {
    /// Why a mass moved.
    pub enum MoveKind {
        /// A lot came in.
        Received = "received",
        /// Powder was filled into a hopper.
        Loaded = "loaded",
        /// Powder passed a sieve.
        Sieved = "sieved",
        /// Powder stayed on a sieve.
        Oversize = "oversize",
        /// Powder went into a blend.
        Blended = "blended",
        /// A build drew powder.
        Drawn = "drawn",
        /// Powder became parts.
        Parts = "parts",
        /// Used powder was taken out of a build.
        Recovered = "recovered",
        /// Powder was moved, unchanged.
        Moved = "moved",
        /// Residue of a cleaning.
        Residue = "residue",
        /// Content of a vacuum bag that no earlier entry tells.
        Vacuumed = "vacuumed",
        /// A bag that went into a waste container.
        Bag = "bag",
        /// A used filter, sieve or other part that went into a waste container.
        UsedPart = "used_part",
        /// Something put into a waste container.
        Waste = "waste",
        /// A spill.
        Spilled = "spilled",
        /// Mass that a place must have held beyond the book, because more was taken out.
        Overdrawn = "overdrawn",
    }
}

/// Where a mass comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Source {
    /// A place.
    Place(Place),
    /// A delivery of this lot.
    Delivery {
        /// The supplier's place.
        supplier: Place,
        /// The lot.
        lot: Label,
    },
    /// Nobody recorded where.
    Unknown,
}

/// One mass that an event moves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Leg {
    pub(crate) from: Source,
    pub(crate) into: Place,
    pub(crate) mass: Kg,
    pub(crate) kind: MoveKind,
}

fn leg(from: &Place, into: &Place, mass: Kg, kind: MoveKind) -> Leg {
    Leg { from: Source::Place(from.clone()), into: into.clone(), mass, kind }
}

/// A place with the id of `label`; every label is a valid place id.
pub(crate) fn place(kind: PlaceKind, label: &Label) -> Option<Place> {
    Place::new(kind, label.as_str()).ok()
}

/// The moves of one fact, in order. Masses that are not positive are left in; the books skip them
/// and a rule tells. `books` holds every earlier move.
pub(crate) fn legs(kept: &Kept, books: &Books, all: &Archive) -> Vec<Leg> {
    use MoveKind as K;
    match &kept.deed {
        Deed::LotReceived(_) => received(kept),
        Deed::PowderLoaded(d) => vec![leg(&d.from, &d.into, Kg::of(&d.mass), K::Loaded)],
        Deed::PowderSieved(d) => vec![
            leg(&d.from, &d.through.into, Kg::of(&d.through.mass), K::Sieved),
            leg(&d.from, &d.oversize.into, Kg::of(&d.oversize.mass), K::Oversize),
        ],
        Deed::PowderBlended(d) => {
            let mut components: Vec<_> = d.components.iter().collect();
            components.sort_by_key(|c| c.order);
            components
                .into_iter()
                .map(|c| leg(&c.from, &d.into, Kg::of(&c.mass), K::Blended))
                .collect()
        }
        Deed::BuildFinished(d) => {
            let Some(build) = kept.label().and_then(|b| place(PlaceKind::Build, &b)) else {
                return Vec::new();
            };
            let mut legs = Vec::new();
            let mass = Kg::of(&d.mass_used);
            // Without a start nobody recorded the hopper.
            let from = match books.hopper_of(&build, all) {
                Some(hopper) => Source::Place(hopper),
                None => Source::Unknown,
            };
            legs.push(Leg { from, into: build.clone(), mass, kind: K::Drawn });
            if let Ok(parts) = Place::new(PlaceKind::Parts, build.id()) {
                legs.push(leg(&build, &parts, Kg::of(&d.parts_mass), K::Parts));
            }
            legs
        }
        Deed::PowderRecovered(d) => {
            let build = kept.label().and_then(|b| place(PlaceKind::Build, &b));
            build.map(|b| leg(&b, &d.into, Kg::of(&d.mass), K::Recovered)).into_iter().collect()
        }
        Deed::PowderMoved(d) => vec![leg(&d.from, &d.into, Kg::of(&d.mass), K::Moved)],
        Deed::CleaningDone(d) => d.residue.iter().map(residue).collect(),
        Deed::PartSwapped(_) | Deed::PartRemoved(_) if told_before(kept, books, all) => Vec::new(),
        Deed::PartSwapped(d) => used_part(&d.out),
        Deed::PartRemoved(d) => used_part(&d.out),
        Deed::BagChanged(d) => bag_changed(d, books, told_before(kept, books, all)),
        Deed::WasteAdded(_) if told_before(kept, books, all) => Vec::new(),
        Deed::WasteAdded(d) => waste_added(kept, d, books),
        Deed::IncidentReported(d) => {
            let loss = kept.label().and_then(|l| place(PlaceKind::Loss, &l));
            match (&d.from, &d.mass, loss) {
                (Some(from), Some(mass), Some(loss)) => {
                    vec![leg(from, &loss, Kg::of(mass), K::Spilled)]
                }
                (Some(_) | None, Some(_) | None, Some(_) | None) => Vec::new(),
            }
        }
        Deed::LotTested(_)
        | Deed::LotReleased(_)
        | Deed::LotHeld(_)
        | Deed::LotDisposedOf(_)
        | Deed::BuildStarted(_)
        | Deed::StockCounted(_)
        | Deed::RecipeSet(_)
        | Deed::EquipmentRegistered(_)
        | Deed::PartFitted(_)
        | Deed::InspectionDone(_)
        | Deed::CheckDone(_)
        | Deed::ContainerOpened(_)
        | Deed::ContainerWeighed(_)
        | Deed::ShipmentOffered(_)
        | Deed::ShipmentAccepted(_)
        | Deed::ShipmentRejected(_) => Vec::new(),
    }
}

fn received(kept: &Kept) -> Vec<Leg> {
    let (Deed::LotReceived(d), Some(lot)) = (&kept.deed, kept.label()) else { return Vec::new() };
    let Some(supplier) = place(PlaceKind::Supplier, &d.supplier) else { return Vec::new() };
    d.containers
        .iter()
        .filter_map(|c| {
            Some(Leg {
                from: Source::Delivery { supplier: supplier.clone(), lot: lot.clone() },
                into: place(PlaceKind::LotContainer, &c.id)?,
                mass: Kg::of(&c.gross) - Kg::of(&c.tare),
                kind: MoveKind::Received,
            })
        })
        .collect()
}

fn residue(d: &crate::equipment::events::Residue) -> Leg {
    let from = d.from.clone().map_or(Source::Unknown, Source::Place);
    Leg { from, into: d.into.clone(), mass: Kg::of(&d.mass), kind: MoveKind::Residue }
}

/// The mass of a used part: the part itself and the dust in it, which nobody weighed apart.
fn used_part(out: &crate::equipment::events::PartOut) -> Vec<Leg> {
    let into = out.container.as_ref().and_then(|c| place(PlaceKind::Waste, c));
    match (&out.mass, into) {
        (Some(mass), Some(into)) => {
            vec![Leg { from: Source::Unknown, into, mass: Kg::of(mass), kind: MoveKind::UsedPart }]
        }
        (Some(_) | None, Some(_) | None) => Vec::new(),
    }
}

/// Whether another kind of event told before that this bag or part went into this very container:
/// its mass is there and is not booked twice (the waste account counts it once as well).
fn told_before(kept: &Kept, books: &Books, all: &Archive) -> bool {
    let Some((item, into)) = kept.thrown() else { return false };
    let by_hand = |kept: &Kept| matches!(kept.deed, Deed::WasteAdded(_));
    let same = |other: &Kept| {
        other.moment() < kept.moment()
            && by_hand(other) != by_hand(kept)
            && other.thrown().is_some_and(|(_, container)| container == into)
    };
    books.facts(&Key::Thrown(item)).any(|i| same(&all[i as usize]))
}

/// The net mass of the bag: what earlier entries put into it is known, the rest is not. Of a bag
/// that lies in its drum already, nothing is booked.
fn bag_changed(d: &BagChanged, books: &Books, told_before: bool) -> Vec<Leg> {
    if told_before {
        return Vec::new();
    }
    let Some(bag) = place(PlaceKind::VacuumBag, &d.bag.id) else { return Vec::new() };
    let net = Kg::of(&d.bag.gross) - Kg::of(&d.bag.tare);
    let mut legs = Vec::new();
    let untold = net - books.held_now(&bag);
    if untold.is_positive() {
        legs.push(Leg {
            from: Source::Unknown,
            into: bag.clone(),
            mass: untold,
            kind: MoveKind::Vacuumed,
        });
    }
    if let Some(into) = d.into.as_ref().and_then(|c| place(PlaceKind::Waste, c)) {
        legs.push(leg(&bag, &into, net, MoveKind::Bag));
    }
    legs
}

/// Waste comes from the place it names; else from where the entry it names put the mass; else
/// from nowhere known. When that entry already booked into this container, the mass is there and
/// is not booked twice.
fn waste_added(kept: &Kept, d: &WasteAdded, books: &Books) -> Vec<Leg> {
    let Some(into) = kept.label().and_then(|c| place(PlaceKind::Waste, &c)) else {
        return Vec::new();
    };
    let told = d.entry.map(|seq| books.booked_by(seq)).unwrap_or_default();
    let from = match &d.from {
        Some(from) => Source::Place(from.clone()),
        None if told.contains(&into) => return Vec::new(),
        None => told.into_iter().next_back().map_or(Source::Unknown, Source::Place),
    };
    vec![Leg { from, into, mass: Kg::of(&d.mass), kind: MoveKind::Waste }]
}
