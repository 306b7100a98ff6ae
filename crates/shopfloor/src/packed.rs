//! A timeline of which all but the newest facts lie packed.
//!
//! A machine that a system reads every quarter of an hour has a million facts after some years, and
//! nearly all of them are only asked for when somebody looks back. Packed they take a part of the
//! room, a copy of the list shares them, and a snapshot writes them as they lie.

use std::borrow::Cow;
use std::ops::RangeInclusive;
use std::sync::Arc;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::timeline::Moment;

/// Facts of a block when it is packed; twice as many lie open before.
const BLOCK: usize = 128;

/// When the work was done (ms since 1970 UTC), and the entry that tells it.
type Place = (i64, u64);

/// Facts as compressed MessagePack.
pub(crate) fn pack<T: Serialize + ?Sized>(facts: &T) -> Box<[u8]> {
    let plain = rmp_serde::to_vec_named(facts).expect("a recorded form can be written");
    lz4_flex::block::compress_prepend_size(&plain).into_boxed_slice()
}

/// What was packed by this process, or by one that wrote the same version of the folds into a snapshot
/// with a digest: that it cannot be read is a fault of this program.
pub(crate) fn unpack<T: DeserializeOwned>(bytes: &[u8]) -> T {
    let plain = lz4_flex::block::decompress_size_prepended(bytes).expect("a block is whole");
    rmp_serde::from_slice(&plain).expect("a block is read as it was written")
}

fn place_of<T>(moment: &Moment<T>) -> Place {
    (moment.time_ms, moment.seq)
}

/// Facts that follow each other, at least one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Block {
    first: Place,
    last: Place,
    /// Smallest and largest number of the entries; late ones make them others than at the ends.
    seqs: (u64, u64),
    facts: usize,
    /// Compressed MessagePack of the facts.
    #[serde(with = "serde_bytes")]
    bytes: Box<[u8]>,
}

impl Block {
    fn pack<T: Serialize>(facts: &[Moment<T>]) -> Option<Self> {
        let (first, last) = (place_of(facts.first()?), place_of(facts.last()?));
        let bytes = pack(facts);
        let seqs = || facts.iter().map(|moment| moment.seq);
        let seqs = (seqs().min()?, seqs().max()?);
        Some(Self { first, last, seqs, facts: facts.len(), bytes })
    }

    fn unpack<T: DeserializeOwned>(&self) -> Vec<Moment<T>> {
        unpack(&self.bytes)
    }
}

/// What [`Timeline`](crate::timeline::Timeline) is, in less room: appending in order is O(1), looking
/// at facts unpacks the blocks they lie in.
///
/// Where blocks end depends on the order in which facts came; two lists with the same facts are equal
/// all the same, and digests see the facts alone.
#[derive(Debug, Clone)]
pub(crate) struct Packed<T> {
    blocks: Vec<Arc<Block>>,
    /// Facts in the blocks.
    packed: usize,
    /// The newest facts, fewer than two blocks; empty only if there is no fact at all.
    recent: Vec<Moment<T>>,
}

impl<T> Default for Packed<T> {
    fn default() -> Self {
        Self { blocks: Vec::new(), packed: 0, recent: Vec::new() }
    }
}

impl<T> Packed<T> {
    /// How many facts.
    pub(crate) fn len(&self) -> usize {
        self.packed + self.recent.len()
    }

    /// Whether there is none.
    pub(crate) fn is_empty(&self) -> bool {
        self.recent.is_empty()
    }

    /// The last fact.
    pub(crate) fn last(&self) -> Option<&Moment<T>> {
        self.recent.last()
    }
}

impl<T: Clone + Serialize + DeserializeOwned> Packed<T> {
    /// Puts a fact at its time.
    pub(crate) fn insert(&mut self, time_ms: i64, seq: u64, value: T) {
        let (place, moment) = ((time_ms, seq), Moment { time_ms, seq, value });
        match self.block_of(place) {
            Some(block) => self.change(block, |facts| {
                facts.insert(facts.partition_point(|m| place_of(m) < place), moment);
            }),
            None => {
                let at = self.recent.partition_point(|m| place_of(m) < place);
                self.recent.insert(at, moment);
                self.settle();
            }
        }
    }

    /// Takes the facts of one entry, whose work was done at `time_ms`, out. Returns how many facts
    /// lie before them; `None` if there was none.
    pub(crate) fn remove(&mut self, time_ms: i64, seq: u64) -> Option<usize> {
        let place = (time_ms, seq);
        let (at, before) = (self.place_of(time_ms, seq), self.len());
        match self.block_of(place) {
            Some(block) => self.change(block, |facts| facts.retain(|m| place_of(m) != place)),
            None => self.recent.retain(|m| place_of(m) != place),
        }
        self.settle();
        (self.len() < before).then_some(at)
    }

    /// How many facts lie before a place in time.
    pub(crate) fn place_of(&self, time_ms: i64, seq: u64) -> usize {
        let place = (time_ms, seq);
        let Some(block) = self.block_of(place) else {
            return self.packed + self.recent.partition_point(|m| place_of(m) < place);
        };
        let before: usize = self.blocks[..block].iter().map(|block| block.facts).sum();
        match &self.blocks[block] {
            block if block.first >= place => before,
            block => before + block.unpack::<T>().partition_point(|m| place_of(m) < place),
        }
    }

    /// The facts that `keep` chooses by their entries, and how many of the first ones are the same
    /// in both lists. `all` tells of a range of entries whether they are all chosen, or none, as far
    /// as that can be said without a look; such blocks stay packed.
    pub(crate) fn filtered(
        &self,
        keep: impl Fn(u64) -> bool,
        all: impl Fn(RangeInclusive<u64>) -> Option<bool>,
    ) -> (Self, usize) {
        let (mut list, mut same, mut ended) = (Self::default(), 0, false);
        for block in &self.blocks {
            let chosen = all(block.seqs.0..=block.seqs.1);
            ended |= chosen != Some(true);
            match chosen {
                Some(true) if list.recent.is_empty() => {
                    list.packed += block.facts;
                    list.blocks.push(Arc::clone(block));
                }
                Some(false) => {}
                Some(true) | None => {
                    block.unpack().into_iter().filter(|m| keep(m.seq)).for_each(|m| list.push(m));
                }
            }
            same += if ended { 0 } else { block.facts };
        }
        self.recent.iter().filter(|m| keep(m.seq)).for_each(|m| list.push(m.clone()));
        list.settle();
        (list, same)
    }

    /// Puts a fact behind all others.
    fn push(&mut self, moment: Moment<T>) {
        self.recent.push(moment);
        self.settle();
    }

    /// All facts in order of work.
    pub(crate) fn iter(&self) -> impl Iterator<Item = Cow<'_, Moment<T>>> {
        self.since(0)
    }

    /// The facts from a place in the order of work on.
    pub(crate) fn since(&self, at: usize) -> impl Iterator<Item = Cow<'_, Moment<T>>> {
        let (mut skipped, mut first) = (0, 0);
        while let Some(block) = self.blocks.get(first).filter(|block| skipped + block.facts <= at) {
            skipped += block.facts;
            first += 1;
        }
        self.since_block(first).skip(at - skipped)
    }

    /// The facts of work done between two instants (each included), in order of work. What lies
    /// outside stays packed.
    pub(crate) fn within(
        &self,
        from_ms: i64,
        to_ms: i64,
    ) -> impl Iterator<Item = Cow<'_, Moment<T>>> {
        let first = self.blocks.partition_point(|block| block.last.0 < from_ms);
        self.since_block(first)
            .skip_while(move |moment| moment.time_ms < from_ms)
            .take_while(move |moment| moment.time_ms <= to_ms)
    }

    fn since_block(&self, first: usize) -> impl Iterator<Item = Cow<'_, Moment<T>>> {
        let packed = self.blocks[first..].iter();
        let packed = packed.flat_map(|block| block.unpack().into_iter().map(Cow::Owned));
        packed.chain(self.recent.iter().map(Cow::Borrowed))
    }

    /// The block in which a place lies, or before which; `None` if it lies behind all of them.
    fn block_of(&self, place: Place) -> Option<usize> {
        let block = self.blocks.partition_point(|block| block.last < place);
        (block < self.blocks.len()).then_some(block)
    }

    /// Changes the facts of a block and packs them again: into none, one or two.
    fn change(&mut self, block: usize, change: impl FnOnce(&mut Vec<Moment<T>>)) {
        let mut facts = self.blocks[block].unpack();
        self.packed -= facts.len();
        change(&mut facts);
        self.packed += facts.len();
        let parts = facts.chunks(if facts.len() < 2 * BLOCK { 2 * BLOCK } else { BLOCK });
        let packed: Vec<Arc<Block>> = parts.filter_map(Block::pack).map(Arc::new).collect();
        self.blocks.splice(block..=block, packed);
    }

    /// Packs what lies open too long, and opens the last block when nothing else is open.
    fn settle(&mut self) {
        if self.recent.len() >= 2 * BLOCK {
            let rest = self.recent.split_off(BLOCK);
            self.blocks.extend(Block::pack(&self.recent).map(Arc::new));
            self.packed += BLOCK;
            self.recent = rest;
        }
        if self.recent.is_empty()
            && let Some(last) = self.blocks.pop()
        {
            self.recent = last.unpack();
            self.packed -= self.recent.len();
        }
    }
}

impl<T: Clone + Serialize + DeserializeOwned> FromIterator<Moment<T>> for Packed<T> {
    /// From facts in order of work.
    fn from_iter<I: IntoIterator<Item = Moment<T>>>(facts: I) -> Self {
        let mut list = Self::default();
        facts.into_iter().for_each(|moment| list.push(moment));
        list
    }
}

impl<T: Clone + PartialEq + Serialize + DeserializeOwned> PartialEq for Packed<T> {
    fn eq(&self, other: &Self) -> bool {
        self.len() == other.len() && self.iter().eq(other.iter())
    }
}

impl<T: Clone + Eq + Serialize + DeserializeOwned> Eq for Packed<T> {}

/// As a snapshot holds it.
#[derive(Serialize, Deserialize)]
struct Stored<B, R> {
    blocks: B,
    recent: R,
}

/// In JSON the facts, as any list has them: that is what digests are over. In binary forms, which
/// snapshots are, the blocks as they lie.
impl<T: Clone + Serialize + DeserializeOwned> Serialize for Packed<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if serializer.is_human_readable() {
            return serializer.collect_seq(self.iter());
        }
        let blocks: Vec<&Block> = self.blocks.iter().map(Arc::as_ref).collect();
        Stored { blocks, recent: &self.recent }.serialize(serializer)
    }
}

impl<'de, T: Clone + Serialize + DeserializeOwned> Deserialize<'de> for Packed<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if deserializer.is_human_readable() {
            return Ok(Vec::<Moment<T>>::deserialize(deserializer)?.into_iter().collect());
        }
        let Stored { blocks, recent } =
            Stored::<Vec<Block>, Vec<Moment<T>>>::deserialize(deserializer)?;
        let packed = blocks.iter().map(|block| block.facts).sum();
        Ok(Self { blocks: blocks.into_iter().map(Arc::new).collect(), packed, recent })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::timeline::Timeline;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

        /// Whatever is put in late and taken out again, it is the timeline that lies open, also after
        /// a snapshot or a JSON form was read back.
        #[test]
        fn it_is_a_timeline(
            deeds in proptest::collection::vec((0..12u8, 0..900i64, any::<prop::sample::Index>()), 300..1500),
            window in (0..1500i64, 0..400i64),
        ) {
            let (mut packed, mut open) = (Packed::default(), Timeline::default());
            let mut told: Vec<Place> = Vec::new();
            for (n, (kind, back, which)) in deeds.iter().enumerate() {
                let (seq, now) = (n as u64, n as i64);
                if *kind == 0 && !told.is_empty() {
                    let (time_ms, gone) = told[which.index(told.len())];
                    let at = open.iter().take_while(|m| place_of(m) < (time_ms, gone)).count();
                    let was_there = open.remove(time_ms, gone);
                    prop_assert_eq!(packed.remove(time_ms, gone), was_there.then_some(at));
                } else {
                    let time_ms = if *kind < 3 { (now - back).max(0) } else { now };
                    told.push((time_ms, seq));
                    packed.insert(time_ms, seq, format!("fact {seq}"));
                    open.insert(time_ms, seq, format!("fact {seq}"));
                }
                prop_assert_eq!(packed.last(), open.last());
            }
            let all: Vec<Moment<String>> = open.iter().cloned().collect();
            let facts = |list: &Packed<String>| list.iter().map(Cow::into_owned).collect::<Vec<_>>();
            prop_assert_eq!(&facts(&packed), &all);
            prop_assert_eq!(packed.len(), all.len());
            prop_assert!(packed.recent.len() < 2 * BLOCK && packed.blocks.len() <= 2 * all.len() / BLOCK);

            let from = window.0.unsigned_abs() as usize % (all.len() + 1);
            prop_assert_eq!(&packed.since(from).map(Cow::into_owned).collect::<Vec<_>>(), &all[from..]);
            let (from_ms, to_ms) = (window.0, window.0 + window.1);
            let inside: Vec<Moment<String>> =
                all.iter().filter(|m| (from_ms..=to_ms).contains(&m.time_ms)).cloned().collect();
            prop_assert_eq!(packed.within(from_ms, to_ms).map(Cow::into_owned).collect::<Vec<_>>(), inside);
            let before = all.iter().filter(|m| place_of(m) < (from_ms, 7)).count();
            prop_assert_eq!(packed.place_of(from_ms, 7), before);

            let known = deeds.len() as u64 / 2 + 1;
            let gone = [known / 3, known / 2];
            let keep = |seq: u64| seq < known && !gone.contains(&seq);
            let (then, same) = packed.filtered(keep, |seqs| {
                let beyond = *seqs.start() >= known;
                let whole = *seqs.end() < known && !gone.iter().any(|seq| seqs.contains(seq));
                whole.then_some(true).or(beyond.then_some(false))
            });
            let stood: Vec<Moment<String>> = all.iter().filter(|m| keep(m.seq)).cloned().collect();
            prop_assert_eq!(&facts(&then), &stood);
            prop_assert_eq!(then.last(), stood.last());
            prop_assert_eq!(&all[..same], &stood[..same]);

            let snapshot = rmp_serde::to_vec_named(&packed).unwrap();
            prop_assert_eq!(&rmp_serde::from_slice::<Packed<String>>(&snapshot).unwrap(), &packed);
            let json = serde_json::to_string(&packed).unwrap();
            prop_assert_eq!(&json, &serde_json::to_string(&all).unwrap(), "digests see the facts alone");
            prop_assert_eq!(&serde_json::from_str::<Packed<String>>(&json).unwrap(), &packed);
        }
    }
}
