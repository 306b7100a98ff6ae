//! The keys of the index on disk, as sorted runs.
//!
//! A row for every key costs a tree a walk and a rewritten page for every event, for keys are hashes
//! and lie anywhere. So the keys of one take are one row; when enough of them have come together
//! they become a run, sorted and cut into parts; and [`FAN`] runs of one level are merged into one of
//! the next. A key is written once a level: ten million keys have three levels.
//! ```text
//! t<first seq>                      keys of one take: key and seq of each
//! h<level><from>                    head of a run: entries up to where, parts, chunks of the sieve
//! r<level><from> 0 <part>           keys of a run in ascending order: key and seq of each
//! r<level><from> 1 <chunk>          its sieve
//! g<level><from>                    the run of this name has no head (yet, or any more): remove it
//! ```
//! In memory stay the keys that are in no run yet and the sieve of each run: 10 bits a key that say
//! "not here" of 99 in 100 keys that are not there, and the first key of each part. A new key, as
//! nearly all are, costs a look at each sieve and no read.
//!
//! A run counts when its head stands; head and cursor change in batches, so a crash leaves either
//! the old runs or the new one, and a `g` row for what is in the way.

use std::collections::HashMap;
use std::sync::Arc;

use super::disk::{Db, text};
use crate::submission::{KEY_BYTES, Key};

/// Keys in memory that are written as a run, and keys of a part. In tests a few entries make runs.
const YOUNG_KEYS: usize = if cfg!(test) { 3 } else { 65_536 };
const PART_KEYS: usize = if cfg!(test) { 2 } else { 682 };
/// Runs of one level that are merged.
const FAN: usize = if cfg!(test) { 3 } else { 8 };
/// Bytes of one row of a sieve.
const CHUNK_BYTES: usize = 64 << 10;
/// Key and seq.
const RECORD_BYTES: usize = KEY_BYTES + 8;
/// Rows of takes that are removed in one batch.
const REMOVED_AT_ONCE: usize = 1_024;

/// Which run: a level, and the entry its keys begin at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Name {
    level: u8,
    from: u64,
}

impl Name {
    fn row(self, kind: u8) -> Vec<u8> {
        [&[kind, self.level][..], &self.from.to_be_bytes()].concat()
    }

    fn part(self, kind: u8, number: u32) -> Vec<u8> {
        [&self.row(b'r')[..], &[kind], &number.to_be_bytes()].concat()
    }

    fn of_row(row: &[u8]) -> Option<Self> {
        let (level, from) = row.get(1..)?.split_first()?;
        Some(Self { level: *level, from: u64::from_be_bytes(from.try_into().ok()?) })
    }
}

/// What tells most keys that are not in a run from those that are, and where to look for the rest.
#[derive(Debug, PartialEq, Eq)]
struct Sieve {
    /// Blocks of 512 bits; a key belongs to one and sets six bits of it.
    bits: Vec<[u64; 8]>,
    /// The first key of each part.
    firsts: Vec<Key>,
}

impl Sieve {
    /// Room for so many keys, 10 bits each.
    fn for_keys(keys: usize) -> Self {
        Self { bits: vec![[0; 8]; keys * 10 / 512 + 1], firsts: Vec::new() }
    }

    /// Block of a key, and its bits there as word and mask. Keys are hashes: their own bytes do.
    fn place(&self, key: &Key) -> (usize, [(usize, u64); 6]) {
        let (high, low) = key.halves();
        let block = (u128::from(high) * self.bits.len() as u128) >> 64;
        let bit = |n: usize| {
            let bit = low >> (9 * n) & 511;
            (usize::try_from(bit / 64).unwrap_or(0), 1 << (bit % 64))
        };
        (usize::try_from(block).unwrap_or(0), std::array::from_fn(bit))
    }

    fn add(&mut self, key: &Key) {
        let (block, bits) = self.place(key);
        bits.iter().for_each(|(word, mask)| self.bits[block][*word] |= mask);
    }

    /// The part this key is in, if it is in the run; `None` if it is not.
    fn part_of(&self, key: &Key) -> Option<u32> {
        let (block, bits) = self.place(key);
        if !bits.iter().all(|(word, mask)| self.bits[block][*word] & mask != 0) {
            return None;
        }
        let part = self.firsts.partition_point(|first| first <= key).checked_sub(1)?;
        u32::try_from(part).ok()
    }

    fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = Vec::with_capacity(self.bits.len() * 64 + self.firsts.len() * KEY_BYTES);
        for word in self.bits.iter().flatten() {
            bytes.extend_from_slice(&word.to_le_bytes());
        }
        self.firsts.iter().for_each(|first| bytes.extend_from_slice(first.as_bytes()));
        bytes
    }

    fn parse(bytes: &[u8], parts: u32) -> Option<Self> {
        let firsts = usize::try_from(parts).ok()? * KEY_BYTES;
        let (bits, firsts) = bytes.split_at(bytes.len().checked_sub(firsts)?);
        let (words, []) = bits.as_chunks::<8>() else { return None };
        let words: Vec<u64> = words.iter().map(|word| u64::from_le_bytes(*word)).collect();
        let (blocks, []) = words.as_chunks::<8>() else { return None };
        if blocks.is_empty() {
            return None;
        }
        let firsts = firsts.as_chunks().0.iter().map(|first| Key::from_bytes(*first)).collect();
        Some(Self { bits: blocks.to_vec(), firsts })
    }
}

/// A run whose head stands.
#[derive(Debug)]
struct Run {
    name: Name,
    /// The entry after its last.
    to: u64,
    sieve: Sieve,
}

impl Run {
    fn head(&self, chunks: u32) -> Vec<u8> {
        let parts = u32::try_from(self.sieve.firsts.len()).unwrap_or(u32::MAX);
        [&self.to.to_be_bytes()[..], &parts.to_be_bytes(), &chunks.to_be_bytes()].concat()
    }

    fn open(db: &Db, name: Name, head: &[u8]) -> Result<Self, String> {
        let damaged = || format!("the run of level `{}` at `{}` is damaged", name.level, name.from);
        let (to, rest) = head.split_first_chunk().ok_or_else(damaged)?;
        let (parts, chunks) = rest.split_first_chunk().ok_or_else(damaged)?;
        let chunks = u32::from_be_bytes(chunks.try_into().map_err(|_| damaged())?);
        let mut bytes = Vec::new();
        for chunk in 0..chunks {
            let row = text(db.tree.get(name.part(1, chunk)))?.ok_or_else(damaged)?;
            bytes.extend_from_slice(&row);
        }
        let sieve = Sieve::parse(&bytes, u32::from_be_bytes(*parts)).ok_or_else(damaged)?;
        Ok(Self { name, to: u64::from_be_bytes(*to), sieve })
    }

    fn records(&self, db: &Db, part: u32) -> Result<Records, String> {
        let Name { level, from } = self.name;
        let row = text(db.tree.get(self.name.part(0, part)))?;
        row.filter(|row| !row.is_empty() && row.len().is_multiple_of(RECORD_BYTES))
            .map(Records)
            .ok_or_else(|| {
                format!("part `{part}` of the run of level `{level}` at `{from}` is gone")
            })
    }

    fn seq_of(&self, db: &Db, key: &Key) -> Result<Option<u64>, String> {
        match self.sieve.part_of(key) {
            Some(part) => Ok(self.records(db, part)?.find(key)),
            None => Ok(None),
        }
    }
}

/// Keys with their entries, as they stand in a row.
struct Records(sled::IVec);

impl Records {
    fn all(&self) -> &[[u8; RECORD_BYTES]] {
        self.0.as_chunks().0
    }

    fn find(&self, key: &Key) -> Option<u64> {
        let all = self.all();
        let at = all.binary_search_by(|record| record[..KEY_BYTES].cmp(key.as_bytes())).ok()?;
        Some(parse(&all[at]).1)
    }
}

fn parse(record: &[u8; RECORD_BYTES]) -> (Key, u64) {
    let (mut key, mut seq) = ([0; KEY_BYTES], [0; 8]);
    key.copy_from_slice(&record[..KEY_BYTES]);
    seq.copy_from_slice(&record[KEY_BYTES..]);
    (Key::from_bytes(key), u64::from_be_bytes(seq))
}

fn write(key: &Key, seq: u64, out: &mut Vec<u8>) {
    out.extend_from_slice(key.as_bytes());
    out.extend_from_slice(&seq.to_be_bytes());
}

/// All keys that were taken in.
#[derive(Debug, Default)]
pub(super) struct Keys {
    /// In order of their entries, without gaps.
    runs: Vec<Arc<Run>>,
    /// Keys of the entries after those of the runs.
    young: HashMap<Key, u64>,
}

/// Runs a piece of work that changes the index, alone.
type Change<'c> = dyn Fn(&dyn Fn(&Db) -> Result<(), String>) -> Result<(), String> + 'c;

/// Work on runs that is to be done: which keys become which run.
#[derive(Debug)]
pub(super) struct Work {
    name: Name,
    to: u64,
    from: Source,
}

#[derive(Debug)]
enum Source {
    Young(Vec<(Key, u64)>),
    Runs(Vec<Arc<Run>>),
}

impl Keys {
    /// Reads what is needed in memory, and removes what a crash left in the way. `count` entries were
    /// taken in.
    pub(super) fn open(db: &Db, count: u64) -> Result<Self, String> {
        let gone: Vec<sled::IVec> =
            db.tree.scan_prefix(b"g").keys().map(text).collect::<Result<_, _>>()?;
        for row in gone {
            let name = Name::of_row(&row).ok_or("a row of runs has no name")?;
            remove_run(db, name)?;
        }
        let mut keys = Self::default();
        for row in db.tree.scan_prefix(b"h") {
            let (row, head) = text(row)?;
            let name = Name::of_row(&row).ok_or("a row of runs has no name")?;
            keys.runs.push(Arc::new(Run::open(db, name, &head)?));
        }
        keys.runs.sort_by_key(|run| run.name.from);
        let mut end = 0;
        for run in &keys.runs {
            if run.name.from != end || run.to <= end {
                return Err(format!("the runs of keys have a gap at entry `{end}`"));
            }
            end = run.to;
        }
        while remove_some_takes(db, end)? {}
        for row in db.tree.scan_prefix(b"t") {
            let (row, records) = text(row)?;
            if row.get(1..) != Some(&end.to_be_bytes()) {
                return Err(format!("the keys of entry `{end}` are missing"));
            }
            let records = Records(records);
            for (key, seq) in records.all().iter().map(parse) {
                keys.young.entry(key).or_insert(seq);
            }
            end += records.all().len() as u64;
        }
        if end != count {
            return Err(format!("it has the keys of `{end}` entries, not of `{count}`"));
        }
        Ok(keys)
    }

    /// Puts the keys of a take into a batch.
    pub(super) fn write<'k>(
        first_seq: u64,
        keys: impl Iterator<Item = (&'k Key, u64)>,
        batch: &mut sled::Batch,
    ) {
        let mut records = Vec::new();
        keys.for_each(|(key, seq)| write(key, seq, &mut records));
        batch.insert(take_row(first_seq), records);
    }

    /// Takes keys in that were written.
    pub(super) fn taken<'k>(&mut self, keys: impl Iterator<Item = (&'k Key, u64)>) {
        // The first entry with a key is the one that counts.
        keys.for_each(|(key, seq)| _ = self.young.entry(*key).or_insert(seq));
    }

    /// The first entry with a key.
    pub(super) fn seq_of(&self, db: &Db, key: &Key) -> Result<Option<u64>, String> {
        for run in &self.runs {
            if let Some(seq) = run.seq_of(db, key)? {
                return Ok(Some(seq));
            }
        }
        Ok(self.young.get(key).copied())
    }

    /// What is to be done next, if anything; `count` entries were taken in.
    pub(super) fn work(&self, count: u64) -> Option<Work> {
        let end = self.runs.last().map_or(0, |run| run.to);
        if self.young.len() >= YOUNG_KEYS {
            let mut keys: Vec<(Key, u64)> = self.young.iter().map(|(k, seq)| (*k, *seq)).collect();
            keys.sort_unstable();
            let name = Name { level: 0, from: end };
            return Some(Work { name, to: count, from: Source::Young(keys) });
        }
        // Levels fall from the oldest run to the newest: those of the lowest stand at the end.
        let level = self.runs.last()?.name.level;
        let same = self.runs.iter().rev().take_while(|run| run.name.level == level).count();
        let merged = self.runs.get(self.runs.len() - same..).filter(|_| same >= FAN)?.to_vec();
        let name = Name { level: level.saturating_add(1), from: merged.first()?.name.from };
        Some(Work { name, to: end, from: Source::Runs(merged) })
    }

    /// Puts a run in the place of what it was made of, whose rows remain to be removed.
    pub(super) fn replace(&mut self, Done { run, merged, .. }: Done) -> Remains {
        let remains = Remains { takes_before: run.to, runs: merged };
        self.runs.retain(|old| old.name.from < run.name.from);
        self.young.retain(|_, seq| *seq >= run.to);
        self.runs.push(Arc::new(run));
        remains
    }
}

fn take_row(first_seq: u64) -> Vec<u8> {
    [b"t", &first_seq.to_be_bytes()[..]].concat()
}

/// Removes some of the takes that are in a run; whether there may be more.
fn remove_some_takes(db: &Db, before: u64) -> Result<bool, String> {
    let mut batch = sled::Batch::default();
    let mut removed = 0;
    for row in db.tree.range(take_row(0)..take_row(before)).keys().take(REMOVED_AT_ONCE) {
        batch.remove(text(row)?);
        removed += 1;
    }
    text(db.tree.apply_batch(batch))?;
    Ok(removed == REMOVED_AT_ONCE)
}

/// Removes a run that has no head, and its `g` row.
fn remove_run(db: &Db, name: Name) -> Result<(), String> {
    for row in db.tree.scan_prefix(name.row(b'r')).keys() {
        text(db.tree.remove(text(row)?))?;
    }
    text(db.tree.remove(name.row(b'g')))?;
    Ok(())
}

/// A run that was written and has no head yet.
#[derive(Debug)]
pub(super) struct Done {
    run: Run,
    chunks: u32,
    merged: Vec<Name>,
}

impl Work {
    /// Writes the run, each row by itself, so that nobody waits for the whole of it.
    pub(super) fn write(self, change: &Change<'_>, db: &Db) -> Result<Done, String> {
        let Self { name, to, from } = self;
        change(&|db| {
            // What an earlier try left is in the way, and this one may not come to its end either.
            remove_run(db, name)?;
            text(db.tree.insert(name.row(b'g'), b"")).map(drop)
        })?;
        let mut writer =
            Writer { name, change, sieve: Sieve::for_keys(from.keys_max()), part: Vec::new() };
        let mut merged = Vec::new();
        match from {
            Source::Young(keys) => {
                keys.into_iter().try_for_each(|(key, seq)| writer.push(key, seq))?;
            }
            Source::Runs(runs) => {
                let mut readers = Vec::with_capacity(runs.len());
                for run in &runs {
                    readers.push(Reader::open(db, run)?);
                }
                let mut last = None;
                // Of equal keys the one of the oldest run comes first, and it alone is kept.
                while let Some(reader) = readers
                    .iter_mut()
                    .filter(|reader| reader.next.is_some())
                    .min_by_key(|reader| reader.next)
                {
                    let Some((key, seq)) = reader.advance(db)? else { break };
                    if last.replace(key) != Some(key) {
                        writer.push(key, seq)?;
                    }
                }
                merged.extend(runs.iter().map(|run| run.name));
            }
        }
        let (sieve, chunks) = writer.finish()?;
        Ok(Done { run: Run { name, to, sieve }, chunks, merged })
    }
}

impl Source {
    fn keys_max(&self) -> usize {
        match self {
            Self::Young(keys) => keys.len(),
            Self::Runs(runs) => runs.iter().map(|run| run.sieve.firsts.len() * PART_KEYS).sum(),
        }
    }
}

impl Done {
    /// Puts what makes the run count into a batch.
    pub(super) fn write_head(&self, batch: &mut sled::Batch) {
        batch.insert(self.run.name.row(b'h'), self.run.head(self.chunks));
        batch.remove(self.run.name.row(b'g'));
        for name in &self.merged {
            batch.remove(name.row(b'h'));
            batch.insert(name.row(b'g'), b"");
        }
    }
}

/// Rows nobody looks at any more.
pub(super) struct Remains {
    takes_before: u64,
    runs: Vec<Name>,
}

impl Remains {
    /// Removes some of them; whether there are more.
    pub(super) fn remove_some(&mut self, db: &Db) -> Result<bool, String> {
        match self.runs.pop() {
            Some(name) => remove_run(db, name).map(|()| true),
            None => remove_some_takes(db, self.takes_before),
        }
    }
}

/// Reads a run from its first key to its last.
struct Reader<'r> {
    run: &'r Run,
    records: Records,
    part: u32,
    at: usize,
    /// The key that comes next.
    next: Option<(Key, u64)>,
}

impl<'r> Reader<'r> {
    fn open(db: &Db, run: &'r Run) -> Result<Self, String> {
        let records = run.records(db, 0)?;
        let next = records.all().first().map(parse);
        Ok(Self { run, records, part: 0, at: 0, next })
    }

    fn advance(&mut self, db: &Db) -> Result<Option<(Key, u64)>, String> {
        let here = self.next.take();
        self.at += 1;
        if self.at == self.records.all().len()
            && (self.part as usize) + 1 < self.run.sieve.firsts.len()
        {
            self.part += 1;
            self.at = 0;
            self.records = self.run.records(db, self.part)?;
        }
        self.next = self.records.all().get(self.at).map(parse);
        Ok(here)
    }
}

/// Writes a run, key by key in ascending order.
struct Writer<'c> {
    name: Name,
    change: &'c Change<'c>,
    sieve: Sieve,
    /// Records of the part that is not full yet.
    part: Vec<u8>,
}

impl Writer<'_> {
    fn push(&mut self, key: Key, seq: u64) -> Result<(), String> {
        if self.part.is_empty() {
            self.sieve.firsts.push(key);
        }
        self.sieve.add(&key);
        write(&key, seq, &mut self.part);
        if self.part.len() == PART_KEYS * RECORD_BYTES { self.write_part() } else { Ok(()) }
    }

    fn write_part(&mut self) -> Result<(), String> {
        let number = u32::try_from(self.sieve.firsts.len() - 1).unwrap_or(u32::MAX);
        let part = std::mem::take(&mut self.part);
        self.insert(0, number, &part)
    }

    fn insert(&self, kind: u8, number: u32, bytes: &[u8]) -> Result<(), String> {
        let row = self.name.part(kind, number);
        (self.change)(&|db| text(db.tree.insert(&row, bytes)).map(drop))
    }

    fn finish(mut self) -> Result<(Sieve, u32), String> {
        if !self.part.is_empty() {
            self.write_part()?;
        }
        let mut chunks = 0;
        for chunk in self.sieve.to_bytes().chunks(CHUNK_BYTES) {
            self.insert(1, chunks, chunk)?;
            chunks += 1;
        }
        Ok((self.sieve, chunks))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(number: usize) -> Key {
        Key::new("/test", &number.to_string())
    }

    /// What a sieve says of keys it never saw: too many "perhaps here" and every new event reads.
    #[test]
    fn a_sieve_lets_every_key_through_and_few_others() {
        let mut sieve = Sieve::for_keys(20_000);
        sieve.firsts.push(Key::from_bytes([0; KEY_BYTES]));
        (0..20_000).for_each(|number| sieve.add(&key(number)));
        assert!((0..20_000).all(|number| sieve.part_of(&key(number)).is_some()));
        let others =
            (20_000..40_000).filter(|number| sieve.part_of(&key(*number)).is_some()).count();
        assert!(others < 600, "{others} of 20,000 other keys passed");
        assert_eq!(Sieve::parse(&sieve.to_bytes(), 1), Some(sieve));
    }
}
