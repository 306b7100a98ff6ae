//! Walks along the genealogy: back to the sources of a content, forward to everything a source
//! reached. Shares are exact splits ([`Share`]); what is reached is kept apart from how much, so
//! that a reach never fades away by dilution.

use crate::growing::Growing;

use super::amount::{Kg, Share};
use super::books::{Books, Link, LotId, MoveId, Origin, PlaceId};

/// A set of moves as bits.
pub(crate) struct Bits(Vec<u64>);

impl Bits {
    pub(crate) fn new(len: usize) -> Self {
        Self(vec![0; len.div_ceil(64)])
    }
    #[inline]
    pub(crate) fn has(&self, id: MoveId) -> bool {
        self.0[id as usize / 64] & (1 << (id % 64)) != 0
    }
    /// Every member, ascending.
    pub(crate) fn iter(&self) -> impl Iterator<Item = u32> {
        self.0.iter().zip((0_u32..).step_by(64)).flat_map(|(word, first)| {
            let mut word = *word;
            std::iter::from_fn(move || {
                let bit = (word != 0).then(|| word.trailing_zeros())?;
                word &= word - 1;
                Some(first + bit)
            })
        })
    }
    /// Returns whether it is new.
    #[inline]
    pub(crate) fn set(&mut self, id: MoveId) -> bool {
        let (word, bit) = (&mut self.0[id as usize / 64], 1 << (id % 64));
        let new = *word & bit == 0;
        *word |= bit;
        new
    }
}

/// Walks back from a content over everything it consists of, latest first, down to `floor`.
/// `visit` tells whether to go on behind a content.
pub(crate) fn ancestors(
    links: &Growing<Link>,
    content: MoveId,
    floor: MoveId,
    mut visit: impl FnMut(MoveId) -> bool,
) {
    let mut waiting = std::collections::BTreeSet::from([content]);
    while let Some(id) = waiting.pop_last() {
        if id < floor {
            break;
        }
        if !visit(id) {
            continue;
        }
        let link = links[id as usize];
        if let Origin::Content(origin) = link.origin() {
            waiting.insert(origin);
        }
        waiting.extend(link.before());
    }
}

/// Walks back from a content with the share of it that came in by each move, latest first.
/// `visit` gets the move and its share; moves whose share faded below the smallest unit are
/// visited with zero.
pub(crate) fn shares_back(
    links: &Growing<Link>,
    content: MoveId,
    mut visit: impl FnMut(MoveId, Share),
) {
    let mut share = vec![Share::ZERO; content as usize + 1];
    let mut reached = Bits::new(content as usize + 1);
    share[content as usize] = Share::ONE;
    reached.set(content);
    let mut waiting = 1_usize;
    let mut id = content;
    loop {
        if reached.has(id) {
            waiting -= 1;
            let (link, whole) = (links[id as usize], share[id as usize]);
            let portion = link.inflow.of(whole);
            visit(id, portion);
            let mut pass = |to: MoveId, part: Share| {
                share[to as usize] = share[to as usize].plus(part);
                waiting += usize::from(reached.set(to));
            };
            if let Origin::Content(origin) = link.origin() {
                pass(origin, portion);
            }
            if let Some(before) = link.before() {
                pass(before, whole.minus(portion));
            }
        }
        if waiting == 0 || id == 0 {
            return;
        }
        id -= 1;
    }
}

/// Of which source lots a content consists. Sums to exactly one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Composition {
    /// Shares by lot, largest first.
    pub(crate) lots: Vec<(LotId, Share)>,
    pub(crate) unknown: Share,
}

/// Composition of a content (C4: lots of a blend are resolved to the lots it was made from; C23:
/// unknown powder passes through every blend like a lot).
pub(crate) fn composition(books: &Books, content: MoveId) -> Composition {
    let mut by_lot = vec![Share::ZERO; books.lot_count()];
    let mut there = Bits::new(books.lot_count());
    let mut unknown = Share::ZERO;
    shares_back(books.links(), content, |id, portion| match books.links()[id as usize].origin() {
        Origin::Lot(lot) => {
            by_lot[lot as usize] = by_lot[lot as usize].plus(portion);
            there.set(lot);
        }
        Origin::Unknown => unknown = unknown.plus(portion),
        Origin::Content(_) => {}
    });
    let mut lots: Vec<(LotId, Share)> =
        (0..).zip(by_lot).filter(|(lot, _)| there.has(*lot)).collect();
    lots.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| books.lot(a.0).cmp(books.lot(b.0))));
    Composition { lots, unknown }
}

/// Where a walk forward begins.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Seeds {
    /// Every delivery of a lot, and the first move of the first one.
    lot: Option<(LotId, MoveId)>,
    /// Moves whose portion is meant, ascending.
    moves: Vec<MoveId>,
    /// Contents, each from the number of moves on at which it is meant (what left before is not).
    contents: Vec<(MoveId, MoveId)>,
}

impl Seeds {
    pub(crate) fn of_lot(lot: LotId, first: MoveId) -> Self {
        Self { lot: Some((lot, first)), ..Self::default() }
    }
    pub(crate) fn of_moves(mut moves: Vec<MoveId>) -> Self {
        moves.sort_unstable();
        moves.dedup();
        Self { moves, ..Self::default() }
    }
    pub(crate) fn of_contents(contents: impl IntoIterator<Item = (MoveId, MoveId)>) -> Self {
        let mut contents: Vec<_> = contents.into_iter().collect();
        contents.sort_unstable();
        contents.dedup_by_key(|c| c.0);
        Self { contents, ..Self::default() }
    }
    pub(crate) fn is_empty(&self) -> bool {
        self.lot.is_none() && self.moves.is_empty() && self.contents.is_empty()
    }
    /// Contents that are meant as a whole.
    pub(crate) fn contents(&self) -> impl Iterator<Item = MoveId> {
        self.contents.iter().map(|c| c.0)
    }
    fn first(&self) -> Option<MoveId> {
        let first = [
            self.lot.map(|(_, first)| first),
            self.moves.first().copied(),
            self.contents.first().map(|c| c.0),
        ];
        first.into_iter().flatten().min()
    }
}

/// How far seeds reached within the first `bound` moves, and with which share.
pub(crate) struct Forward {
    first: MoveId,
    share: Vec<Share>,
    reached: Bits,
    seeds: Seeds,
}

/// Walks forward from the seeds (C8: f(seed) = 1, f(unaffected source) = 0,
/// f(blend) = sum of w_i f(i)).
pub(crate) fn forward(books: &Books, seeds: Seeds, bound: MoveId) -> Forward {
    forward_with(books, seeds, bound, |_, _| {})
}

/// The same, telling every move that carried some of the seeds and their share in what it
/// carried, in order of work.
pub(crate) fn forward_with(
    books: &Books,
    seeds: Seeds,
    bound: MoveId,
    mut visit: impl FnMut(MoveId, Share),
) -> Forward {
    let links = books.links();
    let first = seeds.first().map_or(bound, |first| first.min(bound));
    let len = (bound as usize).min(links.len()).saturating_sub(first as usize);
    let mut walk = Forward { first, share: vec![Share::ZERO; len], reached: Bits::new(len), seeds };
    let mut next_seed = 0;
    for at in 0..len {
        let id = first + at as MoveId;
        let link = links[id as usize];
        let seeded = walk.seeds.moves.get(next_seed) == Some(&id);
        next_seed += usize::from(seeded);
        let portion = if seeded { Some(Share::ONE) } else { walk.of_origin(link, id) };
        if let Some(portion) = portion {
            visit(id, portion);
        }
        let own = walk.seeds.contents.binary_search_by_key(&id, |c| c.0).is_ok();
        let before = link.before().and_then(|b| walk.of(b));
        if own {
            walk.share[at] = Share::ONE;
        } else if portion.is_some() || before.is_some() {
            let none = Share::ZERO;
            walk.share[at] = link.inflow.mix(before.unwrap_or(none), portion.unwrap_or(none));
        } else {
            continue;
        }
        walk.reached.set(at as MoveId);
    }
    walk
}

impl Forward {
    /// Share of the seeds in a content; `None` when they did not reach it.
    #[inline]
    pub(crate) fn of(&self, content: MoveId) -> Option<Share> {
        let at = content.checked_sub(self.first)?;
        ((at as usize) < self.share.len() && self.reached.has(at)).then(|| self.share[at as usize])
    }

    /// Share of the seeds in the portion of a move whose link is given.
    #[inline]
    fn of_origin(&self, link: Link, id: MoveId) -> Option<Share> {
        match link.origin() {
            Origin::Lot(lot) => {
                self.seeds.lot.is_some_and(|(seed, _)| seed == lot).then_some(Share::ONE)
            }
            Origin::Unknown => None,
            Origin::Content(content) => {
                if !self.seeds.contents.is_empty()
                    && let Ok(i) = self.seeds.contents.binary_search_by_key(&content, |c| c.0)
                    && id < self.seeds.contents[i].1
                {
                    return None;
                }
                self.of(content)
            }
        }
    }

    /// What a place holds of the seeds after `bound` moves.
    pub(crate) fn in_place(
        &self,
        books: &Books,
        place: PlaceId,
        bound: MoveId,
    ) -> Option<(Share, Kg)> {
        let content = books.content(place, bound);
        let share = self.of(content.id?)?;
        Some((share, content.held.times(share)))
    }
}

/// Share of the seeds in one content, as of the first `bound` moves; `None` when not reached.
pub(crate) fn share_of(
    books: &Books,
    seeds: &Seeds,
    content: MoveId,
    bound: MoveId,
) -> Option<Share> {
    if seeds.is_empty() {
        return None;
    }
    forward(books, seeds.clone(), bound.max(content + 1)).of(content)
}
