//! What was taken in, by key and by subject, as sorted runs.
//!
//! A row for every key and subject costs a tree a walk and a rewritten page for every event, for keys are
//! hashes and lie anywhere, and a tree that grows with the log takes ever longer to open. So only what
//! came last, the young, is in the tree, as it came; when enough has come together it becomes a
//! [`Run`], and [`FAN`] runs of one level are merged into one of the next. An entry is written once a level:
//! ten million have three levels.
//! ```text
//! t<first entry>        young: key and subject of each entry of a take, or of a piece of it
//! h<level><from>        head of a run
//! ```
//! In memory stay the young and the foot of each run. A new key, as nearly all are, costs a look at
//! each sieve and no read.
//!
//! A run counts when its head stands, which comes in one batch with the removal of what it was made of,
//! after its file is durable. Files without a head are removed when the index opens.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use super::Row;
use super::disk::{Db, text};
use super::run::{Head, KeysReader, ListsReader, Name, Run, Writer, split_subject, write_subject};
use crate::disk::Dir;
use crate::submission::Key;

/// Young entries that become a run. In tests a few do.
const YOUNG_ENTRIES: u64 = if cfg!(test) { 3 } else { 65_536 };
/// Runs of one level that are merged.
const FAN: usize = if cfg!(test) { 3 } else { 8 };
/// Bytes after which a row of the young ends: sled gives greater ones files of their own.
const TAKE_BYTES: usize = 16 << 10;

/// Everything that was taken in.
#[derive(Debug, Default)]
pub(super) struct Runs {
    /// In order of their entries, without gaps.
    runs: Vec<Arc<Run>>,
    /// The entries after those of the runs.
    young: Young,
}

#[derive(Debug, Default)]
struct Young {
    keys: HashMap<Key, u64>,
    lists: BTreeMap<Box<str>, Vec<u64>>,
}

impl Young {
    fn take(&mut self, seq: u64, key: Key, subject: &str) {
        // The first entry with a key is the one that counts.
        self.keys.entry(key).or_insert(seq);
        match self.lists.get_mut(subject) {
            Some(list) => list.push(seq),
            None => _ = self.lists.insert(subject.into(), vec![seq]),
        }
    }

    fn forget_before(&mut self, to: u64) {
        self.keys.retain(|_, seq| *seq >= to);
        self.lists.retain(|_, list| {
            list.retain(|seq| *seq >= to);
            !list.is_empty()
        });
    }
}

/// A run that is to be written.
#[derive(Debug)]
pub(super) struct Work {
    name: Name,
    to: u64,
    from: Source,
}

#[derive(Debug)]
enum Source {
    Young { keys: Vec<(Key, u64)>, lists: Vec<(Box<str>, Vec<u64>)> },
    Runs(Vec<Arc<Run>>),
}

/// A run that was written and has no head yet.
#[derive(Debug)]
pub(super) struct Done {
    run: Run,
    merged: Vec<Name>,
}

impl Runs {
    /// Reads what is needed in memory; `count` entries were taken in. Files that no head names are
    /// removed.
    pub(super) fn open(db: &Db, count: u64) -> Result<Self, String> {
        let mut runs = Vec::new();
        for row in db.tree.scan_prefix(b"h") {
            let (row, head) = text(row)?;
            let named = Name::of_row(&row).zip(Head::parse(&head));
            let (name, head) = named.ok_or("the head of a run is damaged")?;
            runs.push(Arc::new(Run::open(&*db.dir, name, head)?));
        }
        runs.sort_by_key(|run| run.name.from);
        let mut end = 0;
        for run in &runs {
            if run.name.from != end || run.head.to <= end {
                return Err(format!("its runs have a gap at entry `{end}`"));
            }
            end = run.head.to;
        }
        let mut young = Young::default();
        for row in db.tree.scan_prefix(b"t") {
            let (row, take) = text(row)?;
            if row != take_row(end) {
                return Err(format!("what it knew of entry `{end}` is missing"));
            }
            let mut rest = &take[..];
            while !rest.is_empty() {
                let (key, subject, behind) = parse_taken(rest).ok_or("a take is damaged")?;
                young.take(end, key, subject);
                end += 1;
                rest = behind;
            }
        }
        if end != count {
            return Err(format!("it knows `{end}` entries, not `{count}`"));
        }
        remove_strays(&*db.dir, &runs)?;
        Ok(Self { runs, young })
    }

    /// Puts a take into a batch.
    pub(super) fn write(rows: &[Row], batch: &mut sled::Batch) -> Result<(), String> {
        let mut rows = rows.iter().peekable();
        while let Some(first) = rows.peek() {
            let (row, mut take) = (take_row(first.seq), Vec::with_capacity(TAKE_BYTES));
            while take.len() < TAKE_BYTES
                && let Some(row) = rows.next()
            {
                take.extend_from_slice(row.key.as_bytes());
                write_subject(&row.subject, &mut take)?;
            }
            batch.insert(row, take);
        }
        Ok(())
    }

    /// Takes in what was written.
    pub(super) fn taken(&mut self, rows: &[Row]) {
        rows.iter().for_each(|row| self.young.take(row.seq, row.key, &row.subject));
    }

    /// The first entry with a key.
    pub(super) fn seq_of(&self, key: &Key) -> Result<Option<u64>, String> {
        for run in &self.runs {
            if let Some(seq) = run.seq_of(key)? {
                return Ok(Some(seq));
            }
        }
        Ok(self.young.keys.get(key).copied())
    }

    /// Entries about a subject, ascending, from `from` on, at most `max`.
    pub(super) fn by_subject(
        &self,
        subject: &str,
        from: u64,
        max: usize,
    ) -> Result<Vec<u64>, String> {
        let mut found = Vec::new();
        let begin = self.runs.partition_point(|run| run.head.to <= from);
        for run in &self.runs[begin..] {
            if found.len() >= max {
                return Ok(found);
            }
            run.entries_about(subject, from, max, &mut found)?;
        }
        let young = self.young.lists.get(subject).map_or(&[][..], Vec::as_slice);
        let room = max - found.len();
        found.extend(young.iter().filter(|seq| **seq >= from).take(room));
        Ok(found)
    }

    /// The run to be written next, if there is one; `count` entries were taken in.
    pub(super) fn work(&self, count: u64) -> Option<Work> {
        let end = self.runs.last().map_or(0, |run| run.head.to);
        if count - end >= YOUNG_ENTRIES {
            let mut keys: Vec<(Key, u64)> =
                self.young.keys.iter().map(|(key, seq)| (*key, *seq)).collect();
            keys.sort_unstable();
            let lists = self.young.lists.iter().map(|(s, list)| (s.clone(), list.clone()));
            let from = Source::Young { keys, lists: lists.collect() };
            return Some(Work { name: Name { level: 0, from: end }, to: count, from });
        }
        // Levels fall from the oldest run to the newest: those of the lowest stand at the end.
        let level = self.runs.last()?.name.level;
        let same = self.runs.iter().rev().take_while(|run| run.name.level == level).count();
        let merged = self.runs.get(self.runs.len() - same..).filter(|_| same >= FAN)?.to_vec();
        let name = Name { level: level.saturating_add(1), from: merged.first()?.name.from };
        Some(Work { name, to: end, from: Source::Runs(merged) })
    }

    /// Puts a run in the place of what it was made of.
    pub(super) fn replace(&mut self, Done { run, .. }: Done) {
        self.runs.retain(|old| old.name.from < run.name.from);
        self.young.forget_before(run.head.to);
        self.runs.push(Arc::new(run));
    }
}

fn take_row(first: u64) -> Vec<u8> {
    [b"t", &first.to_be_bytes()[..]].concat()
}

/// Key and subject of an entry as they stand in a take, and what stands behind them.
fn parse_taken(bytes: &[u8]) -> Option<(Key, &str, &[u8])> {
    let (key, rest) = bytes.split_first_chunk()?;
    let (subject, rest) = split_subject(rest)?;
    Some((Key::from_bytes(*key), subject, rest))
}

/// Removes the files of runs that do not count (yet, or any more).
fn remove_strays(dir: &dyn Dir, runs: &[Arc<Run>]) -> Result<(), String> {
    let needed: Vec<String> = runs.iter().map(|run| run.name.file()).collect();
    let removed = dir.list().and_then(|names| {
        let is_stray = |name: &&String| name.starts_with(Name::PREFIX) && !needed.contains(name);
        names.iter().filter(is_stray).try_for_each(|stray| dir.remove(stray))
    });
    removed.map_err(|error| format!("a run that does not count cannot be removed: {error}"))
}

impl Work {
    /// Writes the run. Whoever asks the index does not wait meanwhile.
    pub(super) fn write(self, dir: &dyn Dir) -> Result<Done, String> {
        let Self { name, to, from } = self;
        match from {
            Source::Young { keys, lists } => {
                let mut writer = Writer::begin(dir, name, keys.len() as u64)?;
                keys.iter().try_for_each(|(key, seq)| writer.key(key, *seq))?;
                writer.end_keys()?;
                lists.iter().try_for_each(|(subject, seqs)| writer.list(subject, seqs))?;
                Ok(Done { run: writer.finish(dir, to)?, merged: Vec::new() })
            }
            Source::Runs(runs) => {
                let keys_max = runs.iter().map(|run| run.head.keys).sum();
                let mut writer = Writer::begin(dir, name, keys_max)?;
                merge_keys(&runs, &mut writer)?;
                writer.end_keys()?;
                merge_lists(&runs, &mut writer)?;
                let merged = runs.iter().map(|run| run.name).collect();
                Ok(Done { run: writer.finish(dir, to)?, merged })
            }
        }
    }
}

fn merge_keys(runs: &[Arc<Run>], writer: &mut Writer) -> Result<(), String> {
    let mut readers: Vec<KeysReader<'_>> =
        runs.iter().map(|run| KeysReader::open(run)).collect::<Result<_, _>>()?;
    let mut last = None;
    // Of equal keys the one of the oldest run comes first, and it alone is kept.
    while let Some(reader) =
        readers.iter_mut().filter(|reader| reader.next.is_some()).min_by_key(|reader| reader.next)
    {
        let Some((key, seq)) = reader.advance()? else { break };
        if last.replace(key) != Some(key) {
            writer.key(&key, seq)?;
        }
    }
    Ok(())
}

fn merge_lists(runs: &[Arc<Run>], writer: &mut Writer) -> Result<(), String> {
    let mut readers: Vec<ListsReader<'_>> =
        runs.iter().map(|run| ListsReader::open(run)).collect::<Result<_, _>>()?;
    // Of equal subjects the oldest run comes first: its entries are the lower ones.
    while let Some(reader) = readers
        .iter_mut()
        .filter(|reader| reader.next.is_some())
        .min_by(|a, b| a.subject().cmp(&b.subject()))
    {
        let Some((subject, seqs)) = reader.advance()? else { break };
        writer.list(&subject, &seqs)?;
    }
    Ok(())
}

impl Done {
    /// Puts what makes the run count into a batch, and removes what it was made of.
    pub(super) fn write_head(&self, db: &Db, batch: &mut sled::Batch) -> Result<(), String> {
        batch.insert(self.run.name.row(), self.run.head.to_bytes());
        for row in db.tree.range(take_row(0)..take_row(self.run.head.to)).keys() {
            batch.remove(text(row)?);
        }
        self.merged.iter().for_each(|name| batch.remove(name.row()));
        Ok(())
    }

    /// Files that are not needed any more once the batch is durable.
    pub(super) fn strays(&self) -> Vec<String> {
        self.merged.iter().map(|name| name.file()).collect()
    }
}
