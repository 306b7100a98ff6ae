//! The account itself: every move in order of work, what each place held after it, and of which
//! earlier contents it consists. Derived from the kept facts; a late fact or a correction cuts the
//! books at its moment and folds the rest again, so the answer never depends on arrival order.
//!
//! A *content* is named by the move that last brought mass into a place: taking out changes how
//! much is there, not of what it consists (perfect mixing in a vessel is the stated assumption).
//! Contents and the two links of each (what was there before, what came in) are the genealogy.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use crate::ids::{Label, Place, PlaceKind};

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

    /// What it adds to the sum by which two books are compared.
    fn weight(&self, id: usize) -> u64 {
        let amounts = [self.mass, self.from_after, self.into_after].map(Kg::low_digits);
        let mixed = amounts.iter().fold(0_u64, |mixed, kg| mixed.rotate_left(21) ^ kg);
        (id as u64 + 1).wrapping_mul(mixed)
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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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

#[derive(Debug, Clone)]
struct PlaceBook {
    /// `None` for [`UNKNOWN_PLACE`].
    name: Option<Place>,
    touches: Vec<MoveId>,
}

/// The derived account.
#[derive(Debug, Clone)]
pub(crate) struct Books {
    places: Vec<PlaceBook>,
    place_ids: HashMap<Place, PlaceId>,
    lots: Vec<Label>,
    lot_ids: HashMap<Label, LotId>,
    materials: Vec<Label>,
    moves: Vec<Move>,
    links: Vec<Link>,
    marks: Vec<Mark>,
    /// First move of each kept fact.
    first_move: Vec<MoveId>,
    /// Facts by key; looked up, never walked.
    index: HashMap<Key, Vec<u32>>,
    /// The same for the few keys that questions list ([`Key::is_listed`]).
    listed: BTreeMap<Key, Vec<u32>>,
    by_seq: HashMap<u64, u32>,
    /// Lots that were received or blended, and how many facts say so.
    made: BTreeMap<Label, u32>,
    /// Lots that must not be used now, with where they stand.
    kept_back: BTreeMap<Label, LotStatus>,
    /// Wrapping sum over the moves ([`Move::weight`]).
    sum: u64,
}

impl Default for Books {
    fn default() -> Self {
        Self {
            places: vec![PlaceBook { name: None, touches: Vec::new() }],
            place_ids: HashMap::new(),
            lots: Vec::new(),
            lot_ids: HashMap::new(),
            materials: Vec::new(),
            moves: Vec::new(),
            links: Vec::new(),
            marks: Vec::new(),
            first_move: Vec::new(),
            index: HashMap::new(),
            listed: BTreeMap::new(),
            by_seq: HashMap::new(),
            made: BTreeMap::new(),
            kept_back: BTreeMap::new(),
            sum: 0,
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
            for key in all[i].keys() {
                self.unlist(&key);
                if let Key::Lot(lot) = key {
                    lots.insert(lot);
                }
            }
            self.by_seq.remove(&all[i].seq);
            if let Some(lot) = all[i].made()
                && let Some(facts) = self.made.get_mut(&lot)
            {
                *facts -= 1;
                if *facts == 0 {
                    self.made.remove(&lot);
                }
            }
            let (first, end) = (self.first_move[i] as usize, self.moves.len());
            for (back, m) in self.moves.drain(first..).rev().enumerate() {
                self.sum = self.sum.wrapping_sub(m.weight(end - 1 - back));
                self.places[m.from as usize].touches.pop();
                self.places[m.into as usize].touches.pop();
            }
            self.links.truncate(first);
            self.marks.truncate(first);
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

    /// Takes the last fact under a key away again.
    fn unlist(&mut self, key: &Key) {
        let lists =
            if key.is_listed() { self.listed.get_mut(key) } else { self.index.get_mut(key) };
        let Some(list) = lists else { return };
        list.pop();
        if list.is_empty() {
            self.index.remove(key);
            self.listed.remove(key);
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
                let list = if key.is_listed() {
                    self.listed.entry(key).or_default()
                } else {
                    self.index.entry(key).or_default()
                };
                list.push(small(i));
            }
            for leg in moves::legs(kept, self, all) {
                self.book(all, i, leg);
            }
            self.by_seq.insert(kept.seq, small(i));
            if let Some(lot) = of_lot {
                self.derive_kept_back(all, &lot);
            }
            if let Some(lot) = kept.made() {
                *self.made.entry(lot).or_default() += 1;
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
        let mark = match before.map(|b| self.marks[b as usize]) {
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
        self.sum = self.sum.wrapping_add(moved.weight(id as usize));
        self.moves.push(moved);
        self.links.push(Link::new(origin, before, inflow));
        self.marks.push(mark);
        self.places[from as usize].touches.push(id);
        self.places[into as usize].touches.push(id);
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
                let mut mark = self.marks[id as usize];
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
        if let Some(id) = self.place_ids.get(place) {
            return *id;
        }
        let id = small(self.places.len());
        self.places.push(PlaceBook { name: Some(place.clone()), touches: Vec::new() });
        self.place_ids.insert(place.clone(), id);
        id
    }

    fn lot_id(&mut self, lot: &Label) -> LotId {
        if let Some(id) = self.lot_ids.get(lot) {
            return *id;
        }
        let id = small(self.lots.len());
        self.lots.push(lot.clone());
        self.lot_ids.insert(lot.clone(), id);
        id
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

    /// Two books with other masses have another sum, but for an accident.
    pub(crate) fn sum(&self) -> u64 {
        self.sum
    }

    // ---- reading -----------------------------------------------------------------------------

    pub(crate) fn moves(&self) -> &[Move] {
        &self.moves
    }
    pub(crate) fn links(&self) -> &[Link] {
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
        self.lot_ids.get(lot).copied()
    }
    /// A place that was ever touched.
    pub(crate) fn find_place(&self, place: &Place) -> Option<PlaceId> {
        let id = *self.place_ids.get(place)?;
        (!self.places[id as usize].touches.is_empty()).then_some(id)
    }
    pub(crate) fn place(&self, id: PlaceId) -> Option<&Place> {
        self.places[id as usize].name.as_ref()
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
        self.places
            .iter()
            .enumerate()
            .filter(|(_, p)| !p.touches.is_empty())
            .filter_map(|(i, p)| Some((small(i), p.name.as_ref()?)))
    }
    /// Moves that touched a place, in order.
    pub(crate) fn touches(&self, id: PlaceId) -> &[MoveId] {
        &self.places[id as usize].touches
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
        let touches = &self.places[id as usize].touches;
        let end = if touches.last().is_some_and(|t| *t < bound) {
            touches.len()
        } else {
            touches.partition_point(|t| *t < bound)
        };
        let Some(last) = touches[..end].last().copied() else {
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
        self.place_ids.get(place).map_or(Kg::ZERO, |id| self.content_now(*id).held)
    }

    /// Places into which an entry booked mass.
    pub(crate) fn booked_by(&self, seq: u64) -> Vec<Place> {
        let Some(kept) = self.by_seq.get(&seq) else { return Vec::new() };
        let moves = self.moves_of(*kept as usize);
        let booked = moves.filter(|m| self.moves[*m as usize].kind != MoveKind::Overdrawn);
        booked.filter_map(|m| self.place(self.moves[m as usize].into).cloned()).collect()
    }

    /// Position of an entry in the order of work.
    pub(crate) fn kept_of(&self, seq: u64) -> Option<usize> {
        self.by_seq.get(&seq).map(|i| *i as usize)
    }

    /// Whether no further move of the same fact follows.
    pub(crate) fn is_last_of_fact(&self, id: MoveId) -> bool {
        let next = self.moves.get(id as usize + 1);
        next.is_none_or(|next| next.kept != self.moves[id as usize].kept)
    }

    /// Facts under a key, in order of work.
    pub(crate) fn facts(&self, key: &Key) -> &[u32] {
        let list = if key.is_listed() { self.listed.get(key) } else { self.index.get(key) };
        list.map_or(&[], Vec::as_slice)
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
        let facts = self.facts(key);
        let end = facts.partition_point(|i| all.moment(*i as usize) < before);
        let facts = &facts[..end];
        let earlier = |from| facts.partition_point(|i| all.moment(*i as usize) < from);
        let first = from.map_or(0, earlier);
        facts[first..].iter().map(|i| &all[*i as usize])
    }

    /// Listed keys of one kind: kinds lie together, the few before the many.
    fn list<'a, T>(
        &'a self,
        rank: u8,
        of: impl Fn(&'a Key, &'a [u32]) -> Option<T>,
    ) -> impl Iterator<Item = T> {
        let from = self.listed.iter().skip_while(move |(key, _)| key.rank() < Some(rank));
        from.map_while(move |(key, facts)| of(key, facts))
    }
    /// Lots that were ever on hold or decided on.
    pub(crate) fn held_lots(&self) -> impl Iterator<Item = &Label> {
        self.list(0, |key, _| if let Key::Hold(lot) = key { Some(lot) } else { None })
    }
    /// Printers that ever started a build.
    pub(crate) fn printers(&self) -> impl Iterator<Item = &Key> {
        self.list(1, |key, _| matches!(key, Key::Printer(_)).then_some(key))
    }
    /// Recipes that were ever set: name and key.
    pub(crate) fn recipes(&self) -> impl Iterator<Item = (&Label, &Key)> {
        self.list(
            2,
            |key, _| if let Key::Recipe(recipe) = key { Some((recipe, key)) } else { None },
        )
    }
    /// Scales that were ever registered, with the facts that did it.
    pub(crate) fn scales(&self) -> impl Iterator<Item = (&Label, &[u32])> {
        self.list(
            3,
            |key, facts| if let Key::Scale(scale) = key { Some((scale, facts)) } else { None },
        )
    }
    /// Places that were ever counted or, waste containers, opened.
    pub(crate) fn counted_places(&self) -> impl Iterator<Item = &Place> {
        self.list(4, |key, _| if let Key::Counted(place) = key { Some(place) } else { None })
    }
    /// Waste containers that were ever offered on a shipment.
    pub(crate) fn offered_places(&self) -> impl Iterator<Item = &Place> {
        self.list(5, |key, _| if let Key::Shipped(place) = key { Some(place) } else { None })
    }

    /// Lots that were received or blended, in order of label.
    pub(crate) fn made(&self) -> impl Iterator<Item = &Label> {
        self.made.keys()
    }

    /// Lots that must not be used now, in order of label.
    pub(crate) fn kept_back(&self) -> impl Iterator<Item = (&Label, LotStatus)> {
        self.kept_back.iter().map(|(lot, status)| (lot, *status))
    }

    /// Hopper of a build's start, as far as folded.
    pub(crate) fn hopper_of(&self, build: &Place, all: &Archive) -> Option<Place> {
        let key = Key::Build(Label::new(build.id()).ok()?);
        self.facts(&key).iter().rev().find_map(|i| match &all[*i as usize].deed {
            Deed::BuildStarted(d) => Some(d.hopper.clone()),
            _ => None,
        })
    }

    /// The `build.finished` of a build place, as far as folded.
    fn finish_of(&self, build: PlaceId, all: &Archive) -> Option<u32> {
        let key = Key::Build(Label::new(self.place(build)?.id()).ok()?);
        let finished = |i: &&u32| matches!(all[**i as usize].deed, Deed::BuildFinished(_));
        self.facts(&key).iter().rev().find(finished).copied()
    }
}
