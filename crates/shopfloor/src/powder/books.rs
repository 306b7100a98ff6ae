//! The account itself: every move in order of work, what each place held after it, and of which
//! earlier contents it consists. Derived from the kept facts; a late fact or a correction cuts the
//! books at its moment and folds the rest again, so the answer never depends on arrival order.
//!
//! A *content* is named by the move that last brought mass into a place: taking out changes how
//! much is there, not of what it consists (perfect mixing in a vessel is the stated assumption).
//! Contents and the two links of each (what was there before, what came in) are the genealogy.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::growing::Growing;
use crate::ids::{Label, Place, PlaceKind};
use crate::pieces;
use crate::sorted::Sorted;

use super::amount::{Kg, Share};
use super::archive::Archive;
use super::kept::{Deed, Kept, Key, Moment};
use super::lots::{self, Life, LotStatus};
use super::moves::{self, Leg, MoveKind, Source};

/// Index of a place in the books.
pub(crate) type PlaceId = u32;
/// Index of a move, and name of the content it made.
pub(crate) type MoveId = u32;
/// Index of a lot that was delivered.
pub(crate) type LotId = u32;

/// The place of everything whose source nobody recorded.
pub(crate) const UNKNOWN_PLACE: PlaceId = 0;
/// Its name in answers.
pub(crate) const UNKNOWN: &str = "UNKNOWN";

/// What a portion consisted of when it moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Origin {
    /// A delivery of a lot.
    Lot(LotId),
    /// Nobody knows.
    Unknown,
    /// The content that this move made.
    Content(MoveId),
}

/// Packed links of a content: scanned by the traces, hence small and apart from the moves.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Link {
    origin: u32,
    before: u32,
    /// Share of what came in, in the content it made.
    pub(crate) inflow: Share,
}

const NONE: u32 = u32::MAX;
const LOT_BIT: u32 = 1 << 31;

impl Link {
    fn new(origin: Origin, before: Option<MoveId>, inflow: Share) -> Self {
        let origin = match origin {
            Origin::Lot(lot) => lot | LOT_BIT,
            Origin::Unknown => NONE,
            Origin::Content(id) => id,
        };
        Self { origin, before: before.unwrap_or(NONE), inflow }
    }
    /// Of what the portion consisted that came in.
    #[inline]
    pub(crate) fn origin(self) -> Origin {
        match self.origin {
            NONE => Origin::Unknown,
            lot if lot & LOT_BIT != 0 => Origin::Lot(lot & !LOT_BIT),
            id => Origin::Content(id),
        }
    }
    /// The content that was there before; `None` when the place was empty.
    #[inline]
    pub(crate) fn before(self) -> Option<MoveId> {
        (self.before != NONE).then_some(self.before)
    }
}

/// One booked move.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Move {
    /// Index of the kept fact that tells it.
    pub(crate) kept: u32,
    pub(crate) from: PlaceId,
    pub(crate) into: PlaceId,
    /// The kept `build.finished` whose build this portion went through, when it left a build.
    finish: u32,
    pub(crate) kind: MoveKind,
    /// Whether the portion left a build: its powder aged by one build.
    pub(crate) aged: bool,
    pub(crate) mass: Kg,
    pub(crate) from_after: Kg,
    pub(crate) into_after: Kg,
}

impl Move {
    /// The kept `build.finished` of the build the portion came from.
    pub(crate) fn finish(&self) -> Option<usize> {
        (self.finish != NONE).then_some(self.finish as usize)
    }
}

/// What rules ask of a content at every step, carried along so that no trace is needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Mark {
    /// Share with a known source lot (C23).
    pub(crate) known: Share,
    /// Share that was never in a build.
    pub(crate) fresh: Share,
    /// Share that was in a build and was not sieved since (gate 31).
    pub(crate) unsieved: Share,
    /// Share that left the container of its lot before the lot was released, or is still in it.
    pub(crate) unreleased: Share,
    /// Which material.
    pub(crate) material: Only,
    /// Which delivered lot, as long as it was in no build.
    pub(crate) lot: Only,
}

/// What all of a content with a known source has in common, by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum Only {
    /// Nothing has a known source.
    Untold,
    /// One, by index.
    One(u32),
    /// More than one.
    Mixed,
}

impl Only {
    fn with(self, other: Only) -> Only {
        match (self, other) {
            (Only::Untold, m) | (m, Only::Untold) => m,
            (Only::One(a), Only::One(b)) if a == b => self,
            (Only::One(_) | Only::Mixed, Only::One(_) | Only::Mixed) => Only::Mixed,
        }
    }
}

/// What a place holds at a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Content {
    pub(crate) held: Kg,
    /// Name of the content; `None` when nothing ever came in or all was taken out.
    pub(crate) id: Option<MoveId>,
}

/// In pages records are lists without names: there are many of them.
macro_rules! recorded_as_list {
    ($record:ident { $($member:ident),+ }) => {
        impl pieces::Content for $record {}

        impl Serialize for $record {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                ($(&self.$member),+).serialize(serializer)
            }
        }

        impl<'de> Deserialize<'de> for $record {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let ($($member),+) = Deserialize::deserialize(deserializer)?;
                Ok(Self { $($member),+ })
            }
        }
    };
}

recorded_as_list!(Link { origin, before, inflow });
recorded_as_list!(Move { kept, from, into, finish, kind, aged, mass, from_after, into_after });
recorded_as_list!(Mark { known, fresh, unsieved, unreleased, material, lot });

/// The derived account. A snapshot holds it, so that a start folds nothing again.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Books {
    /// Names by [`PlaceId`]; `None` for [`UNKNOWN_PLACE`].
    places: Growing<Option<Place>>,
    place_ids: Sorted<(Place, PlaceId)>,
    lots: Growing<Label>,
    lot_ids: Sorted<(Label, LotId)>,
    materials: Vec<Label>,
    moves: Growing<Move>,
    links: Growing<Link>,
    marks: Growing<Mark>,
    /// First move of each kept fact.
    first_move: Growing<MoveId>,
    /// Moves by the places that they touch.
    touches: Sorted<(PlaceId, MoveId)>,
    /// Facts by key.
    index: Sorted<(Key, u32)>,
    /// Facts by entry.
    by_seq: Sorted<(u64, u32)>,
    /// Lots that must not be used now, with where they stand.
    kept_back: BTreeMap<Label, LotStatus>,
}

impl Default for Books {
    fn default() -> Self {
        Self {
            places: [None].into_iter().collect(),
            place_ids: Sorted::default(),
            lots: Growing::default(),
            lot_ids: Sorted::default(),
            materials: Vec::new(),
            moves: Growing::default(),
            links: Growing::default(),
            marks: Growing::default(),
            first_move: Growing::default(),
            touches: Sorted::default(),
            index: Sorted::default(),
            by_seq: Sorted::default(),
            kept_back: BTreeMap::new(),
        }
    }
}

/// A list index as stored. More than 2^31 facts or moves do not fit into memory anyway.
fn small(index: usize) -> u32 {
    u32::try_from(index).unwrap_or(LOT_BIT - 1)
}

impl Books {
    /// Forgets everything from the kept fact `at` on. `all` is the list as it was folded.
    pub(crate) fn cut(&mut self, all: &Archive, at: usize) {
        let mut lots = BTreeSet::new();
        for i in (at..self.first_move.len()).rev() {
            let kept = &all[i];
            for key in kept.keys() {
                if let Key::Lot(lot) = &key {
                    lots.insert(lot.clone());
                }
                self.index.remove(&(key, small(i)));
            }
            self.by_seq.remove(&(kept.seq, small(i)));
        }
        if let Some(first) = self.first_move.get(at).copied() {
            for id in first..small(self.moves.len()) {
                let m = self.moves[id as usize];
                self.touches.remove(&(m.from, id));
                self.touches.remove(&(m.into, id));
            }
            self.moves.truncate(first as usize);
            self.links.truncate(first as usize);
            self.marks.truncate(first as usize);
        }
        self.first_move.truncate(at);
        lots.iter().for_each(|lot| self.derive_kept_back(all, lot));
    }

    /// Works out again whether a lot must not be used, from what is folded of it.
    fn derive_kept_back(&mut self, all: &Archive, lot: &Label) {
        match Life::of(self, all, lot, (i64::MAX, u64::MAX)).status(all) {
            Some(status @ (LotStatus::Held | LotStatus::Quarantined)) => {
                self.kept_back.insert(lot.clone(), status);
            }
            Some(
                LotStatus::Received
                | LotStatus::Tested
                | LotStatus::Blended
                | LotStatus::Released
                | LotStatus::Scrapped,
            )
            | None => _ = self.kept_back.remove(lot),
        }
    }

    /// Folds what is not folded yet.
    pub(crate) fn fold(&mut self, all: &Archive) {
        for i in self.first_move.len()..all.len() {
            let kept = &all[i];
            self.first_move.push(small(self.moves.len()));
            let mut of_lot = None;
            for key in kept.keys() {
                if let Key::Lot(lot) = &key {
                    of_lot = Some(lot.clone());
                }
                self.index.insert((key, small(i)));
            }
            for leg in moves::legs(kept, self, all) {
                self.book(all, i, leg);
            }
            self.by_seq.insert((kept.seq, small(i)));
            if let Some(lot) = of_lot {
                self.derive_kept_back(all, &lot);
            }
        }
    }

    fn book(&mut self, all: &Archive, i: usize, leg: Leg) {
        if !leg.mass.is_positive() {
            return;
        }
        let (from, origin) = match leg.from {
            Source::Delivery { supplier, lot } => {
                (self.place_id(&supplier), Origin::Lot(self.lot_id(&lot)))
            }
            Source::Unknown => (UNKNOWN_PLACE, Origin::Unknown),
            Source::Place(place) if place == leg.into => return,
            Source::Place(place) if place.kind == PlaceKind::Supplier => {
                (self.place_id(&place), Origin::Unknown)
            }
            Source::Place(place) => {
                let id = self.place_id(&place);
                let missing = leg.mass - self.content_now(id).held;
                if missing.is_positive() {
                    // Never forced: what the book lacks came from somewhere nobody recorded.
                    let unknown = (UNKNOWN_PLACE, Origin::Unknown);
                    self.push(all, i, unknown, id, missing, MoveKind::Overdrawn);
                }
                let origin = self.content_now(id).id.map_or(Origin::Unknown, Origin::Content);
                (id, origin)
            }
        };
        let into = self.place_id(&leg.into);
        self.push(all, i, (from, origin), into, leg.mass, leg.kind);
    }

    fn push(
        &mut self,
        all: &Archive,
        i: usize,
        (from, origin): (PlaceId, Origin),
        into: PlaceId,
        mass: Kg,
        kind: MoveKind,
    ) {
        let (source, target) = (self.content_now(from), self.content_now(into));
        // A supplier that takes powder back starts from a negative book: nothing is mixed there.
        let before = target.id.filter(|_| target.held.is_positive());
        let inflow = match before {
            Some(_) => Share::ratio(mass, target.held + mass),
            None => Share::ONE,
        };
        let build = self.kind_of(from).filter(|k| *k == PlaceKind::Build);
        let finish = build.and_then(|_| self.finish_of(from, all)).unwrap_or(NONE);
        let moved = Move {
            kept: small(i),
            from,
            into,
            finish,
            kind,
            aged: build.is_some(),
            mass,
            from_after: source.held - mass,
            into_after: target.held + mass,
        };
        let portion = self.portion(all, i, &moved, origin);
        let mark = match before.map(|b| self.mark(b)) {
            Some(there) => Mark {
                known: inflow.mix(there.known, portion.known),
                fresh: inflow.mix(there.fresh, portion.fresh),
                unsieved: inflow.mix(there.unsieved, portion.unsieved),
                unreleased: inflow.mix(there.unreleased, portion.unreleased),
                material: there.material.with(portion.material),
                lot: there.lot.with(portion.lot),
            },
            None => portion,
        };
        let id = small(self.moves.len());
        self.moves.push(moved);
        self.links.push(Link::new(origin, before, inflow));
        self.marks.push(mark);
        self.touches.insert((from, id));
        self.touches.insert((into, id));
    }

    /// Marks of the portion that moves.
    fn portion(&mut self, all: &Archive, i: usize, moved: &Move, origin: Origin) -> Mark {
        let none = Share::ZERO;
        let mut mark = match origin {
            Origin::Unknown => Mark {
                known: none,
                fresh: none,
                unsieved: none,
                unreleased: none,
                material: Only::Untold,
                lot: Only::Untold,
            },
            Origin::Lot(lot) => {
                let one = Share::ONE;
                let material = match &all[i].deed {
                    Deed::LotReceived(d) => Only::One(self.material_id(&d.material)),
                    _ => Only::Untold,
                };
                Mark {
                    known: one,
                    fresh: one,
                    unsieved: none,
                    unreleased: one,
                    material,
                    lot: Only::One(lot),
                }
            }
            Origin::Content(id) => {
                let mut mark = self.mark(id);
                // Powder counts as released from when it moves on as a released lot.
                if let Only::One(lot) = mark.lot
                    && !mark.unreleased.is_zero()
                    && lots::released(self, all, self.lot(lot), all[i].moment())
                {
                    mark.unreleased = none;
                }
                mark
            }
        };
        if moved.aged {
            mark.lot = Only::Mixed;
            mark.fresh = none;
            mark.unsieved = Share::ONE;
        }
        if moved.kind == MoveKind::Sieved {
            mark.unsieved = none;
        }
        mark
    }

    fn place_id(&mut self, place: &Place) -> PlaceId {
        self.id_of(place).unwrap_or_else(|| {
            let id = small(self.places.len());
            self.places.push(Some(place.clone()));
            self.place_ids.insert((place.clone(), id));
            id
        })
    }

    fn id_of(&self, place: &Place) -> Option<PlaceId> {
        let (found, id) = self.place_ids.first(|(other, _)| other < place)?;
        (found == place).then_some(*id)
    }

    fn lot_id(&mut self, lot: &Label) -> LotId {
        self.find_lot(lot).unwrap_or_else(|| {
            let id = small(self.lots.len());
            self.lots.push(lot.clone());
            self.lot_ids.insert((lot.clone(), id));
            id
        })
    }

    /// Material by its label, as far as any delivery named it.
    pub(crate) fn find_material(&self, material: &Label) -> Only {
        let found = self.materials.iter().position(|m| m == material);
        found.map_or(Only::Untold, |id| Only::One(small(id)))
    }

    fn material_id(&mut self, material: &Label) -> u32 {
        // A shop has a handful of materials.
        let found = self.materials.iter().position(|m| m == material);
        small(found.unwrap_or_else(|| {
            self.materials.push(material.clone());
            self.materials.len() - 1
        }))
    }

    // ---- reading -----------------------------------------------------------------------------

    pub(crate) fn moves(&self) -> &Growing<Move> {
        &self.moves
    }
    pub(crate) fn links(&self) -> &Growing<Link> {
        &self.links
    }
    pub(crate) fn mark(&self, content: MoveId) -> Mark {
        self.marks[content as usize]
    }
    pub(crate) fn material(&self, id: u32) -> &Label {
        &self.materials[id as usize]
    }
    pub(crate) fn lot(&self, id: LotId) -> &Label {
        &self.lots[id as usize]
    }
    pub(crate) fn lot_count(&self) -> usize {
        self.lots.len()
    }
    pub(crate) fn find_lot(&self, lot: &Label) -> Option<LotId> {
        let (found, id) = self.lot_ids.first(|(other, _)| other < lot)?;
        (found == lot).then_some(*id)
    }
    /// A place that was ever touched.
    pub(crate) fn find_place(&self, place: &Place) -> Option<PlaceId> {
        self.id_of(place).filter(|id| self.was_touched(*id))
    }

    fn was_touched(&self, id: PlaceId) -> bool {
        self.touches(id).next().is_some()
    }
    pub(crate) fn place(&self, id: PlaceId) -> Option<&Place> {
        self.places[id as usize].as_ref()
    }
    pub(crate) fn place_count(&self) -> usize {
        self.places.len()
    }
    /// Name of a place in answers.
    pub(crate) fn place_name(&self, id: PlaceId) -> String {
        self.place(id).map_or_else(|| UNKNOWN.to_owned(), Place::to_string)
    }
    pub(crate) fn kind_of(&self, id: PlaceId) -> Option<PlaceKind> {
        self.place(id).map(|p| p.kind)
    }
    /// Every place that was ever touched.
    pub(crate) fn place_list(&self) -> impl Iterator<Item = (PlaceId, &Place)> {
        let places = (0..).zip(self.places.iter());
        places.filter(|(id, _)| self.was_touched(*id)).filter_map(|(id, p)| Some((id, p.as_ref()?)))
    }
    /// Moves that touched a place, in order.
    pub(crate) fn touches(&self, id: PlaceId) -> impl DoubleEndedIterator<Item = MoveId> {
        self.touches_between(id, 0, NONE)
    }

    /// The same from one move on, before another.
    pub(crate) fn touches_between(
        &self,
        id: PlaceId,
        from: MoveId,
        before: MoveId,
    ) -> impl DoubleEndedIterator<Item = MoveId> {
        let touches = self.touches.range(move |t| *t < (id, from), move |t| *t < (id, before));
        touches.map(|(_, touch)| *touch)
    }

    /// Number of moves booked before the moment.
    pub(crate) fn moves_before(&self, all: &Archive, moment: Moment) -> MoveId {
        let at = all.before(moment);
        self.first_move.get(at).copied().unwrap_or(small(self.moves.len()))
    }

    /// Moves of a kept fact.
    pub(crate) fn moves_of(&self, kept: usize) -> std::ops::Range<MoveId> {
        let end = self.first_move.get(kept + 1).copied().unwrap_or(small(self.moves.len()));
        self.first_move[kept]..end
    }

    /// What a place held after the first `bound` moves.
    pub(crate) fn content(&self, id: PlaceId, bound: MoveId) -> Content {
        let last = self.touches.last(|touch| *touch < (id, bound)).filter(|touch| touch.0 == id);
        let Some((_, last)) = last.copied() else {
            return Content { held: Kg::ZERO, id: None };
        };
        let m = &self.moves[last as usize];
        let (held, content) = if m.into == id {
            (m.into_after, Some(last))
        } else {
            let content = match self.links[last as usize].origin() {
                Origin::Content(id) => Some(id),
                Origin::Lot(_) | Origin::Unknown => None,
            };
            (m.from_after, content)
        };
        Content { held, id: content.filter(|_| held.is_positive()) }
    }

    pub(crate) fn content_now(&self, id: PlaceId) -> Content {
        self.content(id, NONE)
    }

    /// What a place holds after everything folded so far.
    pub(crate) fn held_now(&self, place: &Place) -> Kg {
        self.id_of(place).map_or(Kg::ZERO, |id| self.content_now(id).held)
    }

    /// Places into which an entry booked mass.
    pub(crate) fn booked_by(&self, seq: u64) -> Vec<Place> {
        let Some(kept) = self.kept_of(seq) else { return Vec::new() };
        let moves = self.moves_of(kept);
        let booked = moves.filter(|m| self.moves[*m as usize].kind != MoveKind::Overdrawn);
        booked.filter_map(|m| self.place(self.moves[m as usize].into).cloned()).collect()
    }

    /// Position of an entry in the order of work.
    pub(crate) fn kept_of(&self, seq: u64) -> Option<usize> {
        let (found, at) = self.by_seq.first(|(other, _)| *other < seq)?;
        (*found == seq).then_some(*at as usize)
    }

    /// Whether no further move of the same fact follows.
    pub(crate) fn is_last_of_fact(&self, id: MoveId) -> bool {
        let next = self.moves.get(id as usize + 1);
        next.is_none_or(|next| next.kept != self.moves[id as usize].kept)
    }

    /// Facts under a key, in order of work.
    pub(crate) fn facts<'a>(&'a self, key: &Key) -> impl DoubleEndedIterator<Item = u32> + use<'a> {
        let facts = self.index.range(|(other, _)| other < key, |(other, _)| other <= key);
        facts.map(|(_, at)| *at)
    }

    /// Facts under a key that come before a moment.
    pub(crate) fn facts_before<'a>(
        &'a self,
        all: &'a Archive,
        key: &Key,
        moment: Moment,
    ) -> impl DoubleEndedIterator<Item = &'a Kept> + use<'a> {
        self.facts_between(all, key, None, moment)
    }

    /// Facts under a key from one moment on, if any is given, that come before another.
    pub(crate) fn facts_between<'a>(
        &'a self,
        all: &'a Archive,
        key: &Key,
        from: Option<Moment>,
        before: Moment,
    ) -> impl DoubleEndedIterator<Item = &'a Kept> + use<'a> {
        let is_before = |at: u32, moment| all.moment(at as usize) < moment;
        let facts = self.index.range(
            |(other, at)| match other.cmp(key) {
                Ordering::Equal => from.is_some_and(|from| is_before(*at, from)),
                of_key => of_key.is_lt(),
            },
            |(other, at)| match other.cmp(key) {
                Ordering::Equal => is_before(*at, before),
                of_key => of_key.is_lt(),
            },
        );
        facts.map(|(_, at)| &all[*at as usize])
    }

    /// Keys of a kind that is listed, each found from the one before without a look at its facts.
    fn list<'a, T: 'a>(
        &'a self,
        rank: u8,
        of: impl Fn(&'a Key) -> Option<T> + 'a,
    ) -> impl Iterator<Item = T> + 'a {
        let first = self.index.first(|(key, _)| key.rank().is_some_and(|other| other < rank));
        let next = |(key, _): &&'a (Key, u32)| self.index.first(|(other, _)| other <= key);
        std::iter::successors(first, next).map_while(move |(key, _)| of(key))
    }
    /// Lots that were ever on hold or decided on.
    pub(crate) fn held_lots(&self) -> impl Iterator<Item = &Label> {
        self.list(0, |key| if let Key::Hold(lot) = key { Some(lot) } else { None })
    }
    /// Printers that ever started a build.
    pub(crate) fn printers(&self) -> impl Iterator<Item = &Key> {
        self.list(1, |key| matches!(key, Key::Printer(_)).then_some(key))
    }
    /// Recipes that were ever set: name and key.
    pub(crate) fn recipes(&self) -> impl Iterator<Item = (&Label, &Key)> {
        self.list(2, |key| if let Key::Recipe(recipe) = key { Some((recipe, key)) } else { None })
    }
    /// Scales that were ever registered.
    pub(crate) fn scales(&self) -> impl Iterator<Item = (&Label, &Key)> {
        self.list(3, |key| if let Key::Scale(scale) = key { Some((scale, key)) } else { None })
    }
    /// Places that were ever counted or, waste containers, opened.
    pub(crate) fn counted_places(&self) -> impl Iterator<Item = &Place> {
        self.list(4, |key| if let Key::Counted(place) = key { Some(place) } else { None })
    }
    /// Waste containers that were ever offered on a shipment.
    pub(crate) fn offered_places(&self) -> impl Iterator<Item = &Place> {
        self.list(5, |key| if let Key::Shipped(place) = key { Some(place) } else { None })
    }
    /// Lots that were received or blended, in order of label.
    pub(crate) fn made(&self) -> impl Iterator<Item = &Label> {
        self.list(6, |key| if let Key::Made(lot) = key { Some(lot) } else { None })
    }

    /// Lots that must not be used now, in order of label.
    pub(crate) fn kept_back(&self) -> impl Iterator<Item = (&Label, LotStatus)> {
        self.kept_back.iter().map(|(lot, status)| (lot, *status))
    }

    /// Hopper of a build's start, as far as folded.
    pub(crate) fn hopper_of(&self, build: &Place, all: &Archive) -> Option<Place> {
        let key = Key::Build(Label::new(build.id()).ok()?);
        self.facts(&key).rev().find_map(|i| match &all[i as usize].deed {
            Deed::BuildStarted(d) => Some(d.hopper.clone()),
            _ => None,
        })
    }

    /// The `build.finished` of a build place, as far as folded.
    fn finish_of(&self, build: PlaceId, all: &Archive) -> Option<u32> {
        let key = Key::Build(Label::new(self.place(build)?.id()).ok()?);
        let finished = |i: &u32| matches!(all[*i as usize].deed, Deed::BuildFinished(_));
        self.facts(&key).rev().find(finished)
    }
}
