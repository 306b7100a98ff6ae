//! The kept facts in order of work, of which old ones lie packed until somebody looks at them.
//!
//! The account of a shop has millions of facts after some years, and work touches those of the last
//! days: a block opens with the first look at one of its facts and stays open, so that a reference
//! into it can be handed out, until a later change closes what lies open beyond a limit.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde::{Deserialize, Serialize, Serializer};

use crate::pieces::Compressed;

use super::kept::{Kept, Moment};

/// Facts of a block.
const BLOCK: usize = 256;

/// With more blocks open than this (some 50 MB of facts), the next change closes all of them.
const OPEN_MAX: usize = 512;

/// Facts in order of work: those of the last work open, all before in blocks.
///
/// Appending in order is O(1). A late fact or a correction is O(n) of the facts after it, as folding
/// the books again from there is.
#[derive(Debug, Default)]
pub(crate) struct Archive {
    /// When the work of each fact was done: looked up without opening a block.
    moments: Vec<Moment>,
    blocks: Vec<Block>,
    /// The facts behind the blocks, fewer than two blocks of them.
    recent: Vec<Kept>,
    /// How many blocks were opened since all were closed.
    opened: AtomicUsize,
}

/// Exactly [`BLOCK`] facts.
#[derive(Debug)]
struct Block {
    packed: Compressed,
    open: OnceLock<Box<[Kept]>>,
}

impl Block {
    fn of(facts: &[Kept]) -> Self {
        Self { packed: Compressed::pack(facts), open: OnceLock::new() }
    }

    fn facts(&self) -> Vec<Kept> {
        self.packed.unpack()
    }
}

/// A copy shares what is packed and has nothing open.
impl Clone for Archive {
    fn clone(&self) -> Self {
        let closed = |block: &Block| Block { packed: block.packed.clone(), open: OnceLock::new() };
        Self {
            moments: self.moments.clone(),
            blocks: self.blocks.iter().map(closed).collect(),
            recent: self.recent.clone(),
            opened: AtomicUsize::new(0),
        }
    }
}

impl std::ops::Index<usize> for Archive {
    type Output = Kept;

    fn index(&self, at: usize) -> &Kept {
        match self.blocks.get(at / BLOCK) {
            Some(block) => {
                let facts = block.open.get_or_init(|| {
                    self.opened.fetch_add(1, Ordering::Relaxed);
                    block.facts().into_boxed_slice()
                });
                &facts[at % BLOCK]
            }
            None => &self.recent[at - self.blocks.len() * BLOCK],
        }
    }
}

impl Archive {
    /// How many facts.
    pub(crate) fn len(&self) -> usize {
        self.moments.len()
    }

    /// When the work of a fact was done.
    pub(crate) fn moment(&self, at: usize) -> Moment {
        self.moments[at]
    }

    /// When the last work was done.
    pub(crate) fn last_moment(&self) -> Option<Moment> {
        self.moments.last().copied()
    }

    /// How many facts are of work before a moment.
    pub(crate) fn before(&self, moment: Moment) -> usize {
        match self.moments.last() {
            // Nearly always: what is told now was done last.
            Some(last) if *last < moment => self.moments.len(),
            Some(_) | None => self.moments.partition_point(|other| *other < moment),
        }
    }

    /// How many facts are of work before an instant, ms since 1970 UTC.
    pub(crate) fn before_ms(&self, time_ms: i64) -> usize {
        self.moments.partition_point(|(other_ms, _)| *other_ms < time_ms)
    }

    /// The place of a fact.
    pub(crate) fn find(&self, moment: Moment) -> Option<usize> {
        self.moments.binary_search(&moment).ok()
    }

    /// All facts, read without leaving blocks open.
    pub(crate) fn scan(&self) -> impl Iterator<Item = Kept> {
        let packed = self.blocks.iter().flat_map(Block::facts);
        packed.chain(self.recent.iter().cloned())
    }

    /// Whether each fact comes after the one before it.
    pub(crate) fn is_sorted(&self) -> bool {
        self.moments.is_sorted_by(|a, b| a < b)
    }

    /// The facts, to be written as any list is.
    pub(crate) fn listed(&self) -> impl Serialize {
        struct List<'a>(&'a Archive);
        impl Serialize for List<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_seq(self.0.scan())
            }
        }
        List(self)
    }

    /// Puts a fact at its place.
    pub(crate) fn insert(&mut self, at: usize, kept: Kept) {
        self.reopen(at);
        self.moments.insert(at, kept.moment());
        self.recent.insert(at - self.blocks.len() * BLOCK, kept);
        self.settle();
    }

    /// Takes a fact out.
    pub(crate) fn remove(&mut self, at: usize) {
        self.reopen(at);
        self.moments.remove(at);
        self.recent.remove(at - self.blocks.len() * BLOCK);
        self.settle();
    }

    /// Takes the facts from a place on out of their blocks.
    fn reopen(&mut self, at: usize) {
        if at / BLOCK < self.blocks.len() {
            let later = self.blocks.split_off(at / BLOCK);
            let facts = later.iter().flat_map(Block::facts);
            let facts: Vec<Kept> = facts.chain(std::mem::take(&mut self.recent)).collect();
            self.recent = facts;
        }
    }

    /// Packs what lies open too long, and closes blocks when many were opened.
    fn settle(&mut self) {
        let blocks = (self.recent.len() / BLOCK).saturating_sub(1);
        if blocks > 0 {
            let rest = self.recent.split_off(blocks * BLOCK);
            let old = std::mem::replace(&mut self.recent, rest);
            self.blocks.extend(old.chunks(BLOCK).map(Block::of));
        }
        if *self.opened.get_mut() > OPEN_MAX {
            self.close();
        }
    }

    /// Closes every block.
    fn close(&mut self) {
        self.blocks.iter_mut().for_each(|block| drop(block.open.take()));
        *self.opened.get_mut() = 0;
    }
}

/// Two lists are equal that hold the same facts: which of them lie packed does not show.
impl PartialEq for Archive {
    fn eq(&self, other: &Self) -> bool {
        self.moments == other.moments && self.scan().eq(other.scan())
    }
}
impl Eq for Archive {}

impl FromIterator<Kept> for Archive {
    /// From facts in order of work.
    fn from_iter<I: IntoIterator<Item = Kept>>(facts: I) -> Self {
        let mut archive = Self::default();
        facts.into_iter().for_each(|kept| archive.insert(archive.len(), kept));
        archive
    }
}

/// What a snapshot holds of an archive, and all that a copy made for it needs.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StoredArchive {
    blocks: Vec<Compressed>,
    recent: Vec<Kept>,
}

impl Archive {
    /// A copy for a snapshot: one pointer a block, and the facts behind them.
    pub(crate) fn stored(&self) -> StoredArchive {
        let blocks = self.blocks.iter().map(|block| block.packed.clone());
        StoredArchive { blocks: blocks.collect(), recent: self.recent.clone() }
    }

    /// Reads what a snapshot holds, some blocks at a time, each time with `then`, which may look at
    /// what is read so far.
    pub(crate) fn restore(stored: StoredArchive, mut then: impl FnMut(&Archive)) -> Archive {
        let mut archive = Archive::default();
        for packed in stored.blocks {
            let facts: Vec<Kept> = packed.unpack();
            archive.moments.extend(facts.iter().map(Kept::moment));
            archive.blocks.push(Block { packed, open: OnceLock::from(facts.into_boxed_slice()) });
            *archive.opened.get_mut() += 1;
            if *archive.opened.get_mut() >= OPEN_MAX {
                then(&archive);
                archive.close();
            }
        }
        archive.moments.extend(stored.recent.iter().map(Kept::moment));
        archive.recent = stored.recent;
        then(&archive);
        archive.close();
        archive
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::{Label, Subject};
    use crate::powder::events::LotReleased;
    use crate::powder::kept::Deed;
    use proptest::prelude::*;

    fn kept(time_ms: i64, seq: u64) -> Kept {
        let released: LotReleased =
            serde_json::from_value(serde_json::json!({ "meaning": "released" })).unwrap();
        let subject: Subject = format!("lot/L-{seq}").parse().unwrap();
        let deed = Deed::LotReleased(Box::new(released));
        Kept { time_ms, seq, site: Label::new("north").ok(), subject, by: None, deed }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

        /// Whatever is put in late, taken out again and looked at between, it is a sorted list.
        #[test]
        fn it_is_a_sorted_list(
            deeds in proptest::collection::vec((0..20_u8, 0..4_000_i64, any::<prop::sample::Index>()), 600..2_400),
        ) {
            let (mut archive, mut list) = (Archive::default(), Vec::<Kept>::new());
            for (n, (kind, back, which)) in deeds.iter().enumerate() {
                let (seq, now) = (n as u64, n as i64);
                if *kind == 0 && !list.is_empty() {
                    let at = which.index(list.len());
                    prop_assert_eq!(archive.find(list[at].moment()), Some(at));
                    archive.remove(at);
                    list.remove(at);
                    continue;
                }
                let late = if *kind == 1 { now - back } else { now };
                let kept = kept(late, seq);
                let at = list.partition_point(|other| other.moment() < kept.moment());
                prop_assert_eq!(archive.before(kept.moment()), at);
                archive.insert(at, kept.clone());
                list.insert(at, kept);
                let looked = which.index(list.len());
                prop_assert_eq!(&archive[looked], &list[looked]);
                prop_assert_eq!(archive.moment(looked), list[looked].moment());
            }
            prop_assert_eq!(archive.len(), list.len());
            prop_assert_eq!(&archive.scan().collect::<Vec<_>>(), &list);
            prop_assert!(archive.recent.len() < 2 * BLOCK);

            let bytes = rmp_serde::to_vec_named(&archive.stored()).unwrap();
            let mut seen = 0;
            let again = Archive::restore(rmp_serde::from_slice(&bytes).unwrap(), |so_far| {
                seen = so_far.len();
            });
            prop_assert_eq!(seen, list.len());
            prop_assert_eq!(&again, &archive);
            let plain: Archive = list.into_iter().collect();
            prop_assert_eq!(&plain, &archive, "blocks may end elsewhere");
        }
    }

    /// Work, not time: how many blocks lie open.
    #[test]
    fn what_was_looked_at_is_closed_again() {
        let facts = BLOCK * (OPEN_MAX + 4);
        let mut archive: Archive = (0..facts).map(|n| kept(n as i64, n as u64)).collect();
        assert_eq!(*archive.opened.get_mut(), 0, "appending opens nothing");
        (0..facts).for_each(|at| assert_eq!(archive[at].seq, at as u64));
        assert!(*archive.opened.get_mut() > OPEN_MAX);
        archive.insert(facts, kept(facts as i64, facts as u64));
        assert!(archive.blocks.iter().all(|block| block.open.get().is_none()));
    }
}
