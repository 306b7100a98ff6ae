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
//!
//! The young become a run at once, a file of a few megabytes. A merge may be of gigabytes and is another
//! thread's (see [`merger`](super::merger)): meanwhile more runs may gather at a level than are merged.

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::Row;
use super::disk::Db;
use super::fault::Fault;
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
    Merged(Vec<Arc<Run>>),
}

/// A run that was written and has no head yet.
#[derive(Debug)]
pub(super) struct Done {
    run: Run,
    merged: Vec<Arc<Run>>,
}

impl Runs {
    /// Reads what is needed in memory; `count` entries were taken in. Files that no head names are
    /// removed.
    pub(super) fn open(db: &Db, count: u64) -> Result<Self, Fault> {
        let mut runs = Vec::new();
        for row in db.tree.scan_prefix(b"h") {
            let (row, head) = row?;
            let named = Name::of_row(&row).zip(Head::parse(&head));
            let (name, head) = named.ok_or("the head of a run is damaged")?;
            runs.push(Arc::new(Run::open(&*db.dir, name, head)?));
        }
        runs.sort_by_key(|run| run.name.from);
        let mut end = 0;
        for run in &runs {
            if run.name.from != end || run.head.to <= end {
                return Err(format!("its runs have a gap at entry `{end}`").into());
            }
            end = run.head.to;
        }
        let mut young = Young::default();
        for row in db.tree.scan_prefix(b"t") {
            let (row, take) = row?;
            if row != take_row(end) {
                return Err(format!("what it knew of entry `{end}` is missing").into());
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
            return Err(format!("it knows `{end}` entries, not `{count}`").into());
        }
        remove_strays(&*db.dir, &runs)?;
        Ok(Self { runs, young })
    }

    /// Puts a take into a batch.
    pub(super) fn write(rows: &[Row], batch: &mut sled::Batch) -> Result<(), Fault> {
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
    pub(super) fn seq_of(&self, key: &Key) -> Result<Option<u64>, Fault> {
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
    ) -> Result<Vec<u64>, Fault> {
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

    /// The run the young are to become, if there are enough of them; `count` entries were taken in.
    pub(super) fn young_due(&self, count: u64) -> Option<Work> {
        let from = self.runs.last().map_or(0, |run| run.head.to);
        if count - from < YOUNG_ENTRIES {
            return None;
        }
        let mut keys: Vec<(Key, u64)> =
            self.young.keys.iter().map(|(key, seq)| (*key, *seq)).collect();
        keys.sort_unstable();
        let lists = self.young.lists.iter().map(|(s, list)| (s.clone(), list.clone())).collect();
        let name = Name { level: 0, from };
        Some(Work { name, to: count, from: Source::Young { keys, lists } })
    }

    /// The merge that is due next, if there is one: the oldest runs of the lowest level that has enough.
    pub(super) fn merge_due(&self) -> Option<Work> {
        // Levels fall from the oldest run to the newest.
        let mut levels = self.runs.chunk_by(|a, b| a.name.level == b.name.level).rev();
        let merged = levels.find_map(|level| level.first_chunk::<FAN>())?;
        let [first, .., last] = merged;
        let name = Name { level: first.name.level.saturating_add(1), from: first.name.from };
        Some(Work { name, to: last.head.to, from: Source::Merged(merged.to_vec()) })
    }

    /// Where the runs lie that a run was made of; none do if those were young. `None` if they are not here
    /// any more: the index was opened again or built anew meanwhile.
    pub(super) fn place_of(&self, Done { run, merged }: &Done) -> Option<Range<usize>> {
        let at = self.runs.partition_point(|old| old.name.from < run.name.from);
        let place = at..at + merged.len();
        let is_here = if merged.is_empty() { at == self.runs.len() } else { self.has(merged) };
        is_here.then_some(place)
    }

    /// Whether these very runs are here.
    pub(super) fn has(&self, merged: &[Arc<Run>]) -> bool {
        let is_here = |run: &Arc<Run>| self.runs.iter().any(|here| Arc::ptr_eq(here, run));
        merged.iter().all(is_here)
    }

    /// Puts a run in the place of what it was made of.
    pub(super) fn replace(&mut self, place: Range<usize>, done: Done) {
        if place.is_empty() {
            self.young.forget_before(done.run.head.to);
        }
        self.runs.splice(place, [Arc::new(done.run)]);
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
fn remove_strays(dir: &dyn Dir, runs: &[Arc<Run>]) -> Result<(), Fault> {
    let needed: Vec<String> = runs.iter().map(|run| run.name.file()).collect();
    let removed = dir.list().and_then(|names| {
        let is_stray = |name: &&String| name.starts_with(Name::PREFIX) && !needed.contains(name);
        names.iter().filter(is_stray).try_for_each(|stray| dir.remove(stray))
    });
    removed.map_err(|error| format!("a run that does not count cannot be removed: {error}").into())
}

impl Work {
    /// The runs it is merged from; none if it is made of the young.
    pub(super) fn merged(&self) -> &[Arc<Run>] {
        match &self.from {
            Source::Young { .. } => &[],
            Source::Merged(merged) => merged,
        }
    }

    /// Whether the disk has room for it and as much again: the last room is the log's.
    pub(super) fn has_room(&self, dir: &dyn Dir) -> Result<(), Fault> {
        let len: u64 = self.merged().iter().map(|run| run.head.len).sum();
        let free = dir.free_bytes().map_err(|error| Fault::passing(&self.name.file(), &error))?;
        if free / 2 >= len {
            return Ok(());
        }
        let file = self.name.file();
        Err(Fault::Passing(format!(
            "`{file}` needs `{len}` bytes and as many free behind it, not `{free}`"
        )))
    }

    /// Writes the run. Whoever asks the index does not wait meanwhile. If it is stopped or fails, nothing
    /// of the file is left.
    pub(super) fn write(self, dir: &dyn Dir, stopping: &AtomicBool) -> Result<Done, Fault> {
        let name = self.name;
        self.write_file(dir, stopping).inspect_err(|_| remove_unneeded(dir, &name.file()))
    }

    fn write_file(self, dir: &dyn Dir, stopping: &AtomicBool) -> Result<Done, Fault> {
        let Self { name, to, from } = self;
        match from {
            Source::Young { keys, lists } => {
                let mut writer = Writer::begin(dir, name, keys.len() as u64)?;
                keys.iter().try_for_each(|(key, seq)| writer.key(key, *seq))?;
                writer.end_keys()?;
                lists.iter().try_for_each(|(subject, seqs)| writer.list(subject, seqs))?;
                Ok(Done { run: writer.finish(dir, to)?, merged: Vec::new() })
            }
            Source::Merged(merged) => {
                let keys_max = merged.iter().map(|run| run.head.keys).sum();
                let mut writer = Writer::begin(dir, name, keys_max)?;
                merge_keys(&merged, &mut writer, stopping)?;
                writer.end_keys()?;
                merge_lists(&merged, &mut writer, stopping)?;
                Ok(Done { run: writer.finish(dir, to)?, merged })
            }
        }
    }
}

/// Removes a file that is not needed (any more). It does no harm if it stays: the next start removes it.
pub(super) fn remove_unneeded(dir: &dyn Dir, name: &str) {
    let removed = dir.stat(name).and_then(|there| there.map_or(Ok(()), |_| dir.remove(name)));
    if let Err(error) = removed {
        tracing::warn!(%error, file = name, "a run that is not needed stays until the next start");
    }
}

fn go_on(stopping: &AtomicBool) -> Result<(), Fault> {
    if stopping.load(Ordering::Relaxed) { Err(Fault::Stopped) } else { Ok(()) }
}

fn merge_keys(runs: &[Arc<Run>], writer: &mut Writer, stopping: &AtomicBool) -> Result<(), Fault> {
    let mut readers: Vec<KeysReader<'_>> =
        runs.iter().map(|run| KeysReader::open(run)).collect::<Result<_, _>>()?;
    let mut last = None;
    // Of equal keys the one of the oldest run comes first, and it alone is kept.
    while let Some(reader) =
        readers.iter_mut().filter(|reader| reader.next.is_some()).min_by_key(|reader| reader.next)
    {
        go_on(stopping)?;
        let Some((key, seq)) = reader.advance()? else { break };
        if last.replace(key) != Some(key) {
            writer.key(&key, seq)?;
        }
    }
    Ok(())
}

fn merge_lists(runs: &[Arc<Run>], writer: &mut Writer, stopping: &AtomicBool) -> Result<(), Fault> {
    let mut readers: Vec<ListsReader<'_>> =
        runs.iter().map(|run| ListsReader::open(run)).collect::<Result<_, _>>()?;
    // Of equal subjects the oldest run comes first: its entries are the lower ones.
    while let Some(reader) = readers
        .iter_mut()
        .filter(|reader| reader.next.is_some())
        .min_by(|a, b| a.subject().cmp(&b.subject()))
    {
        go_on(stopping)?;
        let Some((subject, seqs)) = reader.advance()? else { break };
        writer.list(&subject, &seqs)?;
    }
    Ok(())
}

impl Done {
    /// Puts what makes the run count into a batch, and removes what it was made of.
    pub(super) fn write_head(&self, db: &Db, batch: &mut sled::Batch) -> Result<(), Fault> {
        batch.insert(self.run.name.row(), self.run.head.to_bytes());
        for row in db.tree.range(take_row(0)..take_row(self.run.head.to)).keys() {
            batch.remove(row?);
        }
        self.merged.iter().for_each(|run| batch.remove(run.name.row()));
        Ok(())
    }

    /// Its file.
    pub(super) fn file(&self) -> String {
        self.run.name.file()
    }

    /// Files that are not needed any more once the batch is durable.
    pub(super) fn unneeded(&self) -> Vec<String> {
        self.merged.iter().map(|run| run.name.file()).collect()
    }
}
