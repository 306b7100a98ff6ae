//! Mass balance of a site over a period, with the same rules as every other balance.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use crate::ids::{Label, Place, PlaceKind};
use crate::waste::events::WasteItem;

use super::Powder;
use super::amount::Kg;
use super::balance::{Balance, Sum, Term, out_term};
use super::books::{Move, MoveId, PlaceId, UNKNOWN_PLACE};
use super::kept::{Deed, Moment};
use super::moves::MoveKind;
use super::weighing::{Count, Scales};

/// How a place's estimate is anchored at a moment: from `bound` on the book counts, on top of
/// `base`.
#[derive(Clone, Copy)]
struct Anchor {
    bound: MoveId,
    base: Kg,
    count: Option<Count>,
}

/// Whether what lies in such a place is stock of a site.
fn is_stock(kind: PlaceKind) -> bool {
    match kind {
        PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Build
        | PlaceKind::Bin
        | PlaceKind::Oversize
        | PlaceKind::VacuumBag => true,
        PlaceKind::Supplier
        | PlaceKind::Parts
        | PlaceKind::Waste
        | PlaceKind::Sample
        | PlaceKind::Loss => false,
    }
}

impl Powder {
    /// Balance of a site over a period (start included, end not): D = opening + received +
    /// transferred in - (closing + parts + waste + samples + losses + returned + transferred out).
    ///
    /// Stock is what lies in containers of lots, hoppers, builds not unpacked, bins, oversize and
    /// vacuum bags, each at its last count plus what moved since. Filters, sieves and wipes in
    /// waste containers are no powder and stay out. Powder that was found without a recorded
    /// source (a vacuum bag heavier than the book says) makes up for powder missed elsewhere.
    pub fn site_balance(&self, site: &Label, from: Timestamp, to: Timestamp) -> Balance {
        SiteBooks::new(self, site).period(from, to, Kg::ZERO).0
    }

    /// Balances of a site over consecutive periods (each from one bound to the next), for example
    /// the months of a year, with the cumulative unaccounted mass.
    pub fn site_balances(&self, site: &Label, bounds: &[Timestamp]) -> Vec<Balance> {
        let books = SiteBooks::new(self, site);
        let mut earlier = Kg::ZERO;
        bounds
            .windows(2)
            .map(|w| {
                let (balance, difference) = books.period(w[0], w[1], earlier);
                earlier += difference;
                balance
            })
            .collect()
    }
}

/// What a question about a site looks up once.
pub(super) struct SiteBooks<'a> {
    powder: &'a Powder,
    scales: Scales<'a>,
    /// By place: whether it belongs to the site. A place belongs to the site whose fact first
    /// touched it.
    here: Vec<bool>,
    /// By place: whether it belongs to the site and holds stock.
    stock: Vec<bool>,
    /// Counts of places, in order of work.
    counts: BTreeMap<PlaceId, Vec<Count>>,
}

/// One end of a period.
struct End {
    moment: Moment,
    bound: MoveId,
    /// By place: from which move on the book counts, on top of the anchor.
    since: Vec<MoveId>,
}

impl<'a> SiteBooks<'a> {
    pub(super) fn new(powder: &'a Powder, site: &Label) -> Self {
        let books = &powder.books;
        let mut here = vec![false; books.place_count()];
        let mut stock = here.clone();
        for (id, place) in books.place_list() {
            let Some(first) = books.touches(id).next() else { continue };
            let first = books.moves()[first as usize].kept as usize;
            let ours = powder.kept[first].site.as_ref() == Some(site);
            here[id as usize] = ours;
            stock[id as usize] = ours && is_stock(place.kind);
        }
        let mut counts = BTreeMap::new();
        for place in books.counted_places() {
            if let Some(id) = books.find_place(place) {
                counts.insert(id, powder.counts(place, (i64::MAX, u64::MAX)));
            }
        }
        Self { powder, scales: Scales::new(powder), here, stock, counts }
    }

    /// How the estimate of a stock place is anchored before a moment: at its last count, or, for a
    /// build, at its last unpacking, after which nothing is left that anybody could find.
    fn anchor(&self, id: PlaceId, place: &Place, end: &End) -> Anchor {
        if place.kind == PlaceKind::Build {
            let unpacked = self.powder.last_unpack(id, end.bound).map(|m| m + 1);
            return Anchor { bound: unpacked.unwrap_or(0), base: Kg::ZERO, count: None };
        }
        let count = self.counts.get(&id).and_then(|counts| {
            let before = |c: &&Count| self.powder.kept[c.kept].moment() < end.moment;
            counts.iter().rev().find(before)
        });
        match count {
            Some(count) => Anchor { bound: count.bound, base: count.counted, count: Some(*count) },
            None => Anchor { bound: 0, base: Kg::ZERO, count: None },
        }
    }

    /// Whether a place belongs to the site.
    pub(super) fn is_here(&self, place: PlaceId) -> bool {
        self.here[place as usize]
    }

    fn period(&self, from: Timestamp, to: Timestamp, earlier: Kg) -> (Balance, Kg) {
        let sum = self.summed(from, to);
        let difference = sum.difference;
        let period = (Some(from.as_millisecond()), Some(to.as_millisecond()));
        (sum.balance(period, earlier), difference)
    }

    /// The terms of a period.
    pub(super) fn summed(&self, from: Timestamp, to: Timestamp) -> Sum {
        let books = &self.powder.books;
        let mut ends = [from, to].map(|at| {
            let moment = (at.as_millisecond(), 0);
            let bound = books.moves_before(&self.powder.kept, moment);
            End { moment, bound, since: vec![0; self.stock.len()] }
        });
        let mut sum = Sum::default();
        // Moves before the period count where a place was counted or unpacked within it.
        let mut earlier_moves = BTreeSet::new();
        for (id, place) in books.place_list().filter(|(id, _)| self.stock[*id as usize]) {
            if books.touches(id).next().is_none_or(|first| first >= ends[1].bound) {
                continue;
            }
            let anchors = [0, 1].map(|i: usize| self.anchor(id, place, &ends[i]));
            self.estimates(&mut sum, id, &anchors, &ends);
            for i in [0, 1] {
                ends[i].since[id as usize] = anchors[i].bound;
            }
            if anchors[0].bound != anchors[1].bound {
                let range = anchors[0].bound..ends[0].bound;
                earlier_moves.extend(self.powder.touches_in(id, &range));
            }
        }
        for id in earlier_moves {
            self.moved(&mut sum, id, &ends);
        }
        for id in ends[0].bound..ends[1].bound {
            self.moved(&mut sum, id, &ends);
        }
        sum
    }

    /// What a place is taken to hold at both ends. A count that anchors both ends cancels.
    fn estimates(&self, sum: &mut Sum, id: PlaceId, anchors: &[Anchor; 2], ends: &[End; 2]) {
        let books = &self.powder.books;
        for (i, term) in [Term::Opening, Term::Closing].into_iter().enumerate() {
            let book = |b: MoveId| books.content(id, b).held;
            let since = if anchors[i].bound == 0 { Kg::ZERO } else { book(anchors[i].bound) };
            sum.term(term, anchors[i].base + book(ends[i].bound) - since);
        }
        let seqs = [0, 1].map(|i: usize| anchors[i].count.map(|c| c.seq));
        if seqs[0] == seqs[1] {
            return;
        }
        for (i, anchor) in anchors.iter().enumerate() {
            if let Some(count) = &anchor.count {
                let signed = if i == 0 { count.counted } else { -count.counted };
                sum.weighed(signed, self.scales.of_count(count).as_ref());
                sum.entries.push(count.seq);
            }
        }
    }

    /// Whether a move counts in the estimate of a place at an end.
    fn counts_in(&self, end: &End, place: PlaceId, id: MoveId) -> i8 {
        let at = place as usize;
        i8::from(self.stock[at] && end.since[at] <= id && id < end.bound)
    }

    /// A move's part in the balance: as a term when it crosses the boundary, and as a weighed mass
    /// with the sign by which D depends on it, through the boundary and both estimates.
    fn moved(&self, sum: &mut Sum, id: MoveId, ends: &[End; 2]) {
        let moved = self.powder.books.moves()[id as usize];
        let in_period = id >= ends[0].bound;
        let crossing = if in_period { self.crossing(&moved) } else { None };
        let ours = self.stock[moved.from as usize] || self.stock[moved.into as usize];
        if !ours && crossing.is_none() {
            return;
        }
        if let Some(term) = crossing {
            sum.term(term, moved.mass);
        }
        let boundary = crossing.map_or(0, |t| if t.comes_in() { 1 } else { -1 });
        let through =
            |end: &End| self.counts_in(end, moved.into, id) - self.counts_in(end, moved.from, id);
        let sign = boundary + through(&ends[0]) - through(&ends[1]);
        if in_period {
            sum.entries.push(self.powder.seq_of_move(id));
            if moved.from == UNKNOWN_PLACE {
                sum.from_unknown += moved.mass;
            }
        }
        if sign != 0 && moved.kind != MoveKind::Overdrawn {
            let signed = if sign > 0 { moved.mass } else { -moved.mass };
            sum.weighed(signed, self.scales.of_move(id).as_ref());
        }
    }

    /// The term of a move that crosses the boundary of the site's stock.
    fn crossing(&self, moved: &Move) -> Option<Term> {
        let (from, into) = (moved.from as usize, moved.into as usize);
        let kind = |id| self.powder.books.kind_of(id);
        match (self.stock[from], self.stock[into]) {
            (true, true) => None,
            (false, true) => match kind(moved.from) {
                // Found without a recorded source: no receipt, hence a surplus.
                None => None,
                Some(PlaceKind::Supplier) => Some(Term::Received),
                Some(_) if self.here[from] => Some(Term::OtherIn),
                Some(_) => Some(Term::TransferredIn),
            },
            (true, false) => kind(moved.into).and_then(out_term).or(Some(Term::TransferredOut)),
            (false, false) => {
                let powder_waste = moved.from == UNKNOWN_PLACE
                    && moved.kind == MoveKind::Waste
                    && self.here[into]
                    && self.is_powder_waste(moved.kept as usize);
                powder_waste.then_some(Term::Waste)
            }
        }
    }

    /// Whether waste without a recorded source is powder, not a used part or a wipe.
    fn is_powder_waste(&self, kept: usize) -> bool {
        match &self.powder.kept[kept].deed {
            Deed::WasteAdded(d) => match d.what {
                WasteItem::VacuumBag
                | WasteItem::Sweepings
                | WasteItem::Oversize
                | WasteItem::Powder => true,
                WasteItem::Filter
                | WasteItem::Sieve
                | WasteItem::Wipes
                | WasteItem::UsedPart
                | WasteItem::SpillResidue => false,
            },
            _ => false,
        }
    }
}
