//! A timeline of which all but the newest facts lie packed.
//!
//! A machine that a system reads every quarter of an hour has a million facts after some years, and
//! nearly all of them are only asked for when somebody looks back. Packed they take a part of the
//! room, a copy of the list shares them, and a snapshot writes them as they lie.

use std::borrow::Cow;
use std::ops::RangeInclusive;

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::growing::Growing;
use crate::pieces::{Compressed, Content, apart};
use crate::timeline::Moment;

/// Facts of a block when it is packed; twice as many lie open before.
const BLOCK: usize = 128;

/// When the work was done (ms since 1970 UTC), and the entry that tells it.
type Place = (i64, u64);

fn place_of<T>(moment: &Moment<T>) -> Place {
    (moment.time_ms, moment.seq)
}

/// Facts that follow each other, at least one. Where it lies is told beside the bytes, so that a
/// search over blocks reads little memory.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Block {
    /// Facts before it.
    start: usize,
    first: Place,
    last: Place,
    /// Smallest and largest number of the entries; late ones make them others than at the ends.
    seqs: (u64, u64),
    facts: usize,
    bytes: Compressed,
}

impl Content for Block {
    const HOLDS_PIECES: bool = true;
}

impl Block {
    fn pack<T: Serialize>(facts: &[Moment<T>]) -> Option<Self> {
        let (first, last) = (place_of(facts.first()?), place_of(facts.last()?));
        let seqs = || facts.iter().map(|moment| moment.seq);
        let seqs = (seqs().min()?, seqs().max()?);
        let bytes = Compressed::pack(facts);
        Some(Self { start: 0, first, last, seqs, facts: facts.len(), bytes })
    }

    fn unpack<T: DeserializeOwned>(&self) -> Vec<Moment<T>> {
        self.bytes.unpack()
    }

    /// How many facts lie before its end.
    fn end(&self) -> usize {
        self.start + self.facts
    }

    fn seqs(&self) -> RangeInclusive<u64> {
        self.seqs.0..=self.seqs.1
    }
}

/// What [`Timeline`](crate::timeline::Timeline) is, in less room: appending in order is O(1), looking
/// at facts unpacks the blocks they lie in, and finding these is O(log n). Copies share the blocks.
///
/// Where blocks end depends on the order in which facts came; two lists with the same facts are equal
/// all the same, and digests see the facts alone.
#[derive(Debug, Clone)]
pub(crate) struct Packed<T> {
    blocks: Growing<Block>,
    /// Facts in the blocks.
    packed: usize,
    /// The newest facts, fewer than two blocks; empty only if there is no fact at all.
    recent: Vec<Moment<T>>,
}

impl<T> Default for Packed<T> {
    fn default() -> Self {
        Self { blocks: Growing::default(), packed: 0, recent: Vec::new() }
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

    /// Whether a fact at this place would come behind all others.
    pub(crate) fn is_newest(&self, time_ms: i64, seq: u64) -> bool {
        self.last().is_none_or(|last| place_of(last) < (time_ms, seq))
    }

    /// The block in which a place lies, or before which; `None` if it lies behind all of them.
    fn block_of(&self, place: Place) -> Option<usize> {
        // What is asked for is nearly always new.
        if self.recent.first().is_none_or(|first| place_of(first) < place) {
            return None;
        }
        let block = self.blocks.partition_point(|block| block.last < place);
        (block < self.blocks.len()).then_some(block)
    }

    /// Puts a block behind all others, while nothing is open.
    fn append(&mut self, block: Block) {
        let block = Block { start: self.packed, ..block };
        self.packed = block.end();
        self.blocks.push(block);
    }
}

impl<T: Clone + Serialize + DeserializeOwned> Packed<T> {
    /// Puts a fact at its time.
    pub(crate) fn insert(&mut self, time_ms: i64, seq: u64, value: T) {
        if self.is_newest(time_ms, seq) {
            return self.push(time_ms, seq, value);
        }
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

    /// Puts a fact behind all others, whose work was done before it.
    pub(crate) fn push(&mut self, time_ms: i64, seq: u64, value: T) {
        self.recent.push(Moment { time_ms, seq, value });
        self.settle();
    }

    /// Takes the facts of one entry, whose work was done at `time_ms`, out. Returns how many facts
    /// lie before them; `None` if there was none.
    pub(crate) fn remove(&mut self, time_ms: i64, seq: u64) -> Option<usize> {
        let place = (time_ms, seq);
        let (at, before) = (self.place_of(time_ms, seq), self.len());
        // They may lie on both sides of where a block ends.
        while let Some(block) = self.block_of(place)
            && self.blocks.get(block).is_some_and(|block| block.first <= place)
        {
            let had = self.len();
            self.change(block, |facts| facts.retain(|m| place_of(m) != place));
            if self.len() == had {
                break;
            }
        }
        self.recent.retain(|m| place_of(m) != place);
        self.settle();
        (self.len() < before).then_some(at)
    }

    /// How many facts lie before a place in time.
    pub(crate) fn place_of(&self, time_ms: i64, seq: u64) -> usize {
        if self.is_newest(time_ms, seq) {
            return self.len();
        }
        let place = (time_ms, seq);
        match self.block_of(place).and_then(|block| self.blocks.get(block)) {
            None => self.packed + self.recent.partition_point(|m| place_of(m) < place),
            Some(block) if block.first >= place => block.start,
            Some(block) => {
                block.start + block.unpack::<T>().partition_point(|m| place_of(m) < place)
            }
        }
    }

    /// The facts that `keep` chooses by their entries, and how many of the first ones are the same
    /// in both lists. `all` tells of a range of entries whether they are all chosen, or none, as far
    /// as that can be said without a look; such blocks stay packed, and the list shares them.
    pub(crate) fn filtered(
        &self,
        keep: impl Fn(u64) -> bool,
        all: impl Fn(RangeInclusive<u64>) -> Option<bool>,
    ) -> (Self, usize) {
        let alike = self.blocks.iter().take_while(|block| all(block.seqs()) == Some(true)).count();
        let mut list = self.of_blocks(alike);
        let mut same = None;
        for block in self.blocks.since(alike) {
            match all(block.seqs()) {
                Some(true) => {
                    let open = std::mem::take(&mut list.recent);
                    Block::pack(&open).into_iter().for_each(|open| list.append(open));
                    list.append(block.clone());
                }
                Some(false) => _ = same.get_or_insert(list.len()),
                None => {
                    list.choose(block.unpack().into_iter().map(Cow::Owned), &keep, &mut same);
                }
            }
        }
        list.choose(self.recent.iter().map(Cow::Borrowed), &keep, &mut same);
        list.settle();
        let same = same.unwrap_or(list.len());
        (list, same)
    }

    /// Puts those facts behind all others that `keep` chooses; `same` becomes how many were there
    /// when the first one was left out.
    fn choose<'a>(
        &mut self,
        facts: impl Iterator<Item = Cow<'a, Moment<T>>>,
        keep: impl Fn(u64) -> bool,
        same: &mut Option<usize>,
    ) where
        T: 'a,
    {
        for moment in facts {
            if keep(moment.seq) {
                let Moment { time_ms, seq, value } = moment.into_owned();
                self.push(time_ms, seq, value);
            } else {
                same.get_or_insert(self.len());
            }
        }
    }

    /// The list as it was when it had `len` facts, if it only grew at its end since. It shares the
    /// blocks.
    pub(crate) fn first(&self, len: usize) -> Self {
        let mut list = self.of_blocks(self.blocks.partition_point(|block| block.end() <= len));
        let more = len - list.packed;
        list.recent = match self.blocks.get(list.blocks.len()) {
            _ if more == 0 => Vec::new(),
            Some(cut) => cut.unpack().into_iter().take(more).collect(),
            None => self.recent.iter().take(more).cloned().collect(),
        };
        list.settle();
        list
    }

    /// The first blocks alone.
    fn of_blocks(&self, blocks: usize) -> Self {
        let blocks = self.blocks.first(blocks);
        let packed = blocks.last().map_or(0, Block::end);
        Self { blocks, packed, recent: Vec::new() }
    }

    /// All facts in order of work.
    pub(crate) fn iter(&self) -> impl Iterator<Item = Cow<'_, Moment<T>>> {
        self.since(0)
    }

    /// The facts from a place in the order of work on.
    pub(crate) fn since(&self, at: usize) -> impl Iterator<Item = Cow<'_, Moment<T>>> {
        let first = self.blocks.partition_point(|block| block.end() <= at);
        let skipped = self.blocks.get(first).map_or(self.packed, |block| block.start);
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
        let packed = self.blocks.since(first);
        let packed = packed.flat_map(|block| block.unpack().into_iter().map(Cow::Owned));
        packed.chain(self.recent.iter().map(Cow::Borrowed))
    }

    /// Changes the facts of a block and packs them again: into none, one or two.
    fn change(&mut self, block: usize, change: impl FnOnce(&mut Vec<Moment<T>>)) {
        let mut behind = self.blocks.split_off(block).into_iter();
        let Some(changed) = behind.next() else { return };
        self.packed = changed.start;
        let mut facts = changed.unpack();
        change(&mut facts);
        let parts = facts.chunks(if facts.len() < 2 * BLOCK { 2 * BLOCK } else { BLOCK });
        parts.filter_map(Block::pack).chain(behind).for_each(|block| self.append(block));
    }

    /// Packs what lies open too long, and opens the last block when nothing else is open.
    fn settle(&mut self) {
        if self.recent.len() >= 2 * BLOCK {
            let rest = self.recent.split_off(BLOCK);
            Block::pack(&self.recent).into_iter().for_each(|block| self.append(block));
            self.recent = rest;
        }
        if self.recent.is_empty()
            && let Some(last) = self.blocks.len().checked_sub(1)
        {
            for block in self.blocks.split_off(last) {
                self.recent = block.unpack();
                self.packed = block.start;
            }
        }
    }
}

impl<T: Clone + Serialize + DeserializeOwned> FromIterator<Moment<T>> for Packed<T> {
    /// From facts in order of work.
    fn from_iter<I: IntoIterator<Item = Moment<T>>>(facts: I) -> Self {
        let mut list = Self::default();
        facts.into_iter().for_each(|m| list.push(m.time_ms, m.seq, m.value));
        list
    }
}

impl<T: Clone + PartialEq + Serialize + DeserializeOwned> PartialEq for Packed<T> {
    fn eq(&self, other: &Self) -> bool {
        self.len() == other.len() && self.iter().eq(other.iter())
    }
}

impl<T: Clone + Eq + Serialize + DeserializeOwned> Eq for Packed<T> {}

/// Alone the facts, as any list has them: that is what digests are over. Where pieces lie apart, the
/// blocks as they are.
impl<T: Clone + Serialize + DeserializeOwned> Serialize for Packed<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(_) => (&self.blocks, self.packed, &self.recent).serialize(serializer),
            None => serializer.collect_seq(self.iter()),
        }
    }
}

impl<'de, T: Clone + Serialize + DeserializeOwned> Deserialize<'de> for Packed<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if apart(deserializer.is_human_readable()).is_none() {
            return Ok(Vec::<Moment<T>>::deserialize(deserializer)?.into_iter().collect());
        }
        let (blocks, packed, recent) = Deserialize::deserialize(deserializer)?;
        Ok(Self { blocks, packed, recent })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pieces::tests::{in_memory, kept_and_read};
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
                    // An entry may tell two facts.
                    for _ in 0..=usize::from(*kind == 3) {
                        packed.insert(time_ms, seq, format!("fact {seq}"));
                        open.insert(time_ms, seq, format!("fact {seq}"));
                    }
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

            prop_assert_eq!(&facts(&packed.first(from)), &all[..from]);

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
            let alike = all.iter().zip(&stood).take_while(|(now, then)| now == then).count();
            prop_assert_eq!(same, alike);

            prop_assert_eq!(&kept_and_read(&in_memory(), &packed).1, &packed);
            let json = serde_json::to_string(&packed).unwrap();
            prop_assert_eq!(&json, &serde_json::to_string(&all).unwrap(), "digests see the facts alone");
            prop_assert_eq!(&serde_json::from_str::<Packed<String>>(&json).unwrap(), &packed);
        }
    }
    /// Work, not time: what is left out, and where the list ends, is all that is packed anew.
    #[test]
    fn an_earlier_list_shares_its_blocks() {
        let facts = (0..100_000).map(|n| Moment { time_ms: n as i64, seq: n, value: n });
        let list: Packed<u64> = facts.collect();
        let own = |of: &Packed<u64>| {
            let shared =
                |block: &Block| list.blocks.iter().any(|b| b.bytes.is_shared(&block.bytes));
            of.blocks.iter().filter(|block| !shared(block)).count()
        };
        for known in [100, 1_000, 50_000, 99_999] {
            let whole = |gone: Option<u64>| {
                list.filtered(
                    move |seq| seq < known && Some(seq) != gone,
                    move |seqs| match gone {
                        _ if *seqs.start() >= known => Some(false),
                        Some(gone) if seqs.contains(&gone) => None,
                        _ => (*seqs.end() < known).then_some(true),
                    },
                )
            };
            let ((then, same), (without, until)) = (whole(None), whole(Some(known / 2)));
            assert_eq!((then.len() as u64, same as u64, own(&then)), (known, known, 0));
            assert_eq!((without.len() as u64, until as u64), (known - 1, known / 2));
            assert!(own(&without) <= 1, "the block of what is left out");
            let first = list.first(same);
            assert_eq!((own(&first), first), (0, then));
        }
    }
}
