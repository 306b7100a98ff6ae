//! The files engine: entries as lines in segment files, to the rules R1 to R16 of `DURABILITY.md`.
//!
//! ```text
//! <log>/entries/00000000000000000000.log   sealed segment, named by its first seq, mode 0440
//! <log>/entries/00000000000000032768.log   active segment: lines, then zeros, mode 0640
//! <log>/entries/spare.tmp                  the next segment being got ready
//! <log>/tile/, <log>/checkpoints/          see `shelf`
//! <log>/cut/                               bytes removed by recovery, kept for a person to look at
//! <log>/clean                              left by a clean stop, removed at the next start
//! <log>/moved                              names the place where the log went on; never removed
//! <head>/watermark                         the last signed checkpoint
//! ```
//!
//! Both directories are locked (`flock`) while a writer lives.
//!
//! What is trusted: the segments (their loss is the loss of entries) and the watermark (its owner
//! can hide a cut tail). What a power cut may lose: nothing acknowledged, on ext4 or XFS and a disk
//! that honours flush. Tiles can be rebuilt.

mod bytes;
mod open;
mod shelf;
mod survey;
#[cfg(test)]
mod tests;

use std::io;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};

use chain::Digest;
use chain::entry::leaf_hash;
use chain::tile::Tile;

pub(crate) use bytes::root_from_bytes;
pub(crate) use open::look_at_entries;
pub use open::{CutBytes, LockedFiles, Outcome, Recovered};

use self::shelf::Shelf;
use super::line::{next_line, write_trailer};
use super::recovery::{Stop, Tip};
use super::{Chunk, Engine, Line, Store, is_line};
use crate::disk::{Access, Dir, File, FileSystemPolicy, Lock, is_full, write_durably};
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::{OFFSET_EVERY, SEGMENT_BYTES};

const SPARE: &str = "spare.tmp";
const CLEAN: &str = "clean";
/// Names the place where the log went on.
const MOVED: &str = "moved";
const MOVED_BYTES_MAX: u64 = 4_096;
const ACTIVE_MODE: u32 = 0o640;
const SEALED_MODE: u32 = 0o440;
/// Zeros written in one call while a segment is pre-allocated.
const ZEROS_BYTES: usize = 1 << 20;

/// Bytes read at once while a segment is mapped: more than the longest line.
const MAP_PIECE_BYTES: usize = 256 << 10;

/// Where a log lies and how it is laid out.
#[derive(Debug, Clone)]
pub struct FilesOptions {
    /// Directory of segments, tiles and checkpoints.
    pub log_dir: PathBuf,
    /// Directory of the watermark; better on another disk than `log_dir`.
    pub head_dir: PathBuf,
    /// Size of a pre-allocated segment, in bytes.
    pub segment_bytes: u64,
    /// Which file systems are good enough.
    pub file_systems: FileSystemPolicy,
}

impl FilesOptions {
    /// The usual layout below one data directory.
    #[must_use]
    pub fn under(data_dir: &std::path::Path) -> Self {
        Self {
            log_dir: data_dir.join("log"),
            head_dir: data_dir.join("head"),
            segment_bytes: SEGMENT_BYTES,
            file_systems: FileSystemPolicy::Durable,
        }
    }
}

/// The writing half; see [`Engine`].
#[derive(Debug)]
pub struct FilesEngine {
    shared: Arc<Shared>,
    log: Arc<dyn Dir>,
    /// `None` if the log is read-only.
    active: Option<Active>,
    stop: Option<Stop>,
    poison: Option<String>,
    tip_leaf: Digest,
    buf: Vec<u8>,
    _locks: Vec<Box<dyn Lock>>,
}

/// The segment that is written. Its descriptor is never closed while the process lives (R11).
#[derive(Debug)]
struct Active {
    segment: Arc<Segment>,
    file: Arc<dyn File>,
    /// Bytes of lines.
    end: u64,
    /// Bytes of the file that are there already, as lines or zeros.
    capacity: u64,
}

/// What writer and readers share.
#[derive(Debug)]
struct Shared {
    entries: Arc<dyn Dir>,
    segments: RwLock<Vec<Arc<Segment>>>,
    /// Durable entries; set after the commit point.
    count: AtomicU64,
    shelf: Shelf,
    segment_bytes: u64,
    /// Whether a spare segment is ready. Held while one is made or taken.
    spare_ready: Mutex<bool>,
    writable: bool,
}

#[derive(Debug)]
struct Segment {
    first: u64,
    name: String,
    /// Of the active segment; sealed ones are opened when read, so that descriptors stay few.
    file: Mutex<Option<Arc<dyn File>>>,
    /// Built at the first read for segments sealed before this process began.
    offsets: Mutex<Option<Offsets>>,
}

/// A sparse map of a segment: where every [`OFFSET_EVERY`]th entry begins.
#[derive(Debug, Clone, Default)]
struct Offsets {
    marks: Vec<u32>,
    entries: u64,
    end: u64,
}

fn segment_name(first: u64) -> String {
    format!("{first:020}.log")
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Why room could not be made.
enum RoomError {
    /// The disk is full; nothing was harmed.
    Full(io::Error),
    /// Something else failed: unknown state.
    Broken(&'static str, io::Error),
}

impl FilesEngine {
    /// Stops the writer for good (R5).
    fn poison(&mut self, doing: &'static str, error: &io::Error) -> LedgerError {
        let since = format!("could not {doing}: {error}");
        tracing::error!(%since, count = self.count(), "the writer of the log stopped");
        self.poison = Some(since.clone());
        LedgerError::Poisoned { since }
    }

    fn check(&self, expected_count: u64, lines: &[Line<'_>]) -> Result<()> {
        if let Some(reason) = &self.stop {
            return Err(LedgerError::ReadOnly { reason: reason.clone() });
        }
        if let Some(since) = &self.poison {
            return Err(LedgerError::Poisoned { since: since.clone() });
        }
        if expected_count != self.count() {
            return Err(LedgerError::CountMismatch {
                expected: expected_count,
                found: self.count(),
            });
        }
        match lines.iter().position(|line| !is_line(line.bytes)) {
            Some(index) => Err(LedgerError::NotALine { index }),
            None => Ok(()),
        }
    }

    /// Writes the batch into the buffer and hashes again what stands there (F29): bytes that
    /// changed in memory since they were sealed never count.
    fn encode(&mut self, lines: &[Line<'_>]) -> Result<Vec<u32>> {
        self.buf.clear();
        let mut starts = Vec::with_capacity(lines.len());
        for (seq, line) in (self.count()..).zip(lines) {
            let start = self.buf.len();
            starts.push(u32::try_from(start).unwrap_or(u32::MAX));
            self.buf.extend_from_slice(line.bytes);
            if leaf_hash(&self.buf[start..]) != line.leaf {
                return Err(LedgerError::ChangedInMemory { seq });
            }
            self.buf.push(b'\n');
        }
        if let Some(last) = lines.last() {
            write_trailer(lines.len() as u64, &last.leaf, &mut self.buf);
        }
        Ok(starts)
    }

    /// Makes sure the active segment has `len` zero bytes left, so that the append itself can not
    /// run out of room.
    fn make_room(&mut self, len: u64) -> Result<(), RoomError> {
        let first = self.count();
        let Some(active) = &mut self.active else { return Ok(()) };
        if active.end + len <= active.capacity {
            return Ok(());
        }
        if active.end > 0 {
            let (file, capacity) = self.shared.provision(&segment_name(first))?;
            active
                .seal(&*self.shared.entries)
                .map_err(|error| RoomError::Broken("seal a segment", error))?;
            *locked(&active.segment.file) = None;
            let segment = Arc::new(Segment {
                first,
                name: segment_name(first),
                file: Mutex::new(Some(Arc::clone(&file))),
                offsets: Mutex::new(Some(Offsets::default())),
            });
            self.shared.add(Arc::clone(&segment));
            *active = Active { segment, file, end: 0, capacity };
        }
        let needed = active.end + len;
        if needed > active.capacity {
            extend_with_zeros(&*active.file, active.capacity, needed)?;
            active.capacity = needed;
        }
        Ok(())
    }
}

impl Active {
    /// No zeros behind the lines, durable, read-only: in this order, and all before the first entry
    /// of the next segment.
    fn seal(&self, entries: &dyn Dir) -> io::Result<()> {
        self.file.set_len(self.end)?;
        self.file.set_mode(SEALED_MODE)?;
        self.file.sync_all()?;
        entries.sync()
    }
}

/// Writes zeros from `from` to `to` and makes them durable. A full disk leaves the length as it was.
/// Synced step by step: a commit of the writer waits behind one step, not behind a whole segment.
fn extend_with_zeros(file: &dyn File, from: u64, to: u64) -> Result<(), RoomError> {
    let zeros = vec![0; ZEROS_BYTES.min(usize::try_from(to - from).unwrap_or(ZEROS_BYTES))];
    let mut at = from;
    while at < to {
        let len = (zeros.len() as u64).min(to - at);
        let written = file.write_all_at(&zeros[..usize::try_from(len).unwrap_or(0)], at);
        if let Err(error) = written {
            if is_full(&error) && file.set_len(from).is_ok() {
                return Err(RoomError::Full(error));
            }
            return Err(RoomError::Broken("extend a segment", error));
        }
        at += len;
        let synced = if at < to { file.sync_data() } else { file.sync_all() };
        synced.map_err(|error| RoomError::Broken("sync a segment", error))?;
    }
    Ok(())
}

impl Shared {
    /// A new segment of zeros under its final name, durable (R2, R3).
    fn provision(&self, name: &str) -> Result<(Arc<dyn File>, u64), RoomError> {
        let broken = |error| RoomError::Broken("name a segment", error);
        let mut ready = locked(&self.spare_ready);
        if !*ready {
            self.make_spare()?;
        }
        *ready = false;
        match self.entries.rename(SPARE, name) {
            Err(error) if is_full(&error) => return Err(RoomError::Full(error)),
            renamed => renamed.map_err(broken)?,
        }
        self.entries.sync().map_err(broken)?;
        let file = self.entries.open(name, Access::ReadWrite).map_err(broken)?;
        let capacity = file.size().map_err(broken)?;
        Ok((file, capacity))
    }

    /// A file of zeros under a temporary name.
    fn make_spare(&self) -> Result<(), RoomError> {
        let broken = |error| RoomError::Broken("create a segment", error);
        if self.entries.stat(SPARE).map_err(broken)?.is_some() {
            self.entries.remove(SPARE).map_err(broken)?;
        }
        let file = match self.entries.create(SPARE, ACTIVE_MODE) {
            Ok(file) => file,
            Err(error) if is_full(&error) => return Err(RoomError::Full(error)),
            Err(error) => return Err(broken(error)),
        };
        let made = extend_with_zeros(&*file, 0, self.segment_bytes);
        if matches!(made, Err(RoomError::Full(_))) {
            // Give the room back at once; if that fails the next try removes it.
            let _ = self.entries.remove(SPARE);
        }
        made
    }

    fn add(&self, segment: Arc<Segment>) {
        self.segments.write().unwrap_or_else(PoisonError::into_inner).push(segment);
    }

    fn segment_of(&self, seq: u64) -> Option<(Arc<Segment>, Option<u64>)> {
        let segments = self.segments.read().unwrap_or_else(PoisonError::into_inner);
        let index = segments.partition_point(|segment| segment.first <= seq).checked_sub(1)?;
        let next = segments.get(index + 1).map(|segment| segment.first);
        Some((Arc::clone(&segments[index]), next))
    }
}

impl Segment {
    fn open(&self, entries: &dyn Dir) -> Result<Arc<dyn File>> {
        match &*locked(&self.file) {
            Some(file) => Ok(Arc::clone(file)),
            None => entries.open(&self.name, Access::Read).doing("open", &self.name),
        }
    }

    fn damaged(&self, seq: u64, offset: u64, what: &str) -> LedgerError {
        LedgerError::Damaged { seq, name: self.name.clone(), offset, what: what.to_owned() }
    }

    /// Where to begin reading for `seq`: offset, entries to skip, offset up to which at least one
    /// whole entry lies, end of the lines, entries of the segment.
    fn locate(&self, seq: u64, file: &dyn File, next: Option<u64>) -> Result<Located> {
        let mut offsets = locked(&self.offsets);
        if offsets.is_none() {
            *offsets = Some(self.map(file, next)?);
        }
        let Some(map) = &*offsets else { return Err(self.damaged(seq, 0, "no map")) };
        let within = seq - self.first;
        let mark = usize::try_from(within / OFFSET_EVERY).unwrap_or(usize::MAX);
        let Some(start) = map.marks.get(mark) else {
            return Err(self.damaged(seq, map.end, "the segment ends before it"));
        };
        let block_end = map.marks.get(mark + 1).map_or(map.end, |next| u64::from(*next));
        Ok(Located {
            start: u64::from(*start),
            skip: within % OFFSET_EVERY,
            block_end,
            end: map.end,
            entries: map.entries,
        })
    }

    /// Reads a sealed segment once, a piece at a time, and notes where its entries begin.
    fn map(&self, file: &dyn File, next: Option<u64>) -> Result<Offsets> {
        let len = file.size().doing("measure", &self.name)?;
        let mut piece = vec![0; MAP_PIECE_BYTES];
        let mut map = Offsets::default();
        loop {
            let got = file.read_at(&mut piece, map.end).doing("read", &self.name)?;
            let mut at = 0;
            while let Some((line, end)) = next_line(&piece[..got], at) {
                if line.first() != Some(&b'#') {
                    if map.entries.is_multiple_of(OFFSET_EVERY) {
                        map.marks.push(u32::try_from(map.end + at as u64).unwrap_or(u32::MAX));
                    }
                    map.entries += 1;
                }
                at = end;
            }
            map.end += at as u64;
            if at == 0 {
                break;
            }
        }
        map.marks.shrink_to_fit();
        match next {
            Some(next) if self.first + map.entries != next || len != map.end => {
                let what = format!("it does not end before entry `{next}`, where the next begins");
                Err(self.damaged(self.first + map.entries, map.end, &what))
            }
            _ => Ok(map),
        }
    }
}

struct Located {
    start: u64,
    skip: u64,
    block_end: u64,
    end: u64,
    entries: u64,
}

impl Engine for FilesEngine {
    fn count(&self) -> u64 {
        self.shared.count.load(Ordering::Acquire)
    }

    fn append(&mut self, expected_count: u64, lines: &[Line<'_>]) -> Result<()> {
        self.check(expected_count, lines)?;
        let Some(last) = lines.last() else { return Ok(()) };
        let last_leaf = last.leaf;
        let starts = self.encode(lines)?;
        match self.make_room(self.buf.len() as u64) {
            Ok(()) => {}
            Err(RoomError::Full(source)) => return Err(LedgerError::Full { source }),
            Err(RoomError::Broken(doing, error)) => return Err(self.poison(doing, &error)),
        }
        let Some(active) = &mut self.active else { return Ok(()) };
        let written = active.file.write_all_at(&self.buf, active.end);
        if let Err(error) = written {
            return Err(self.poison("write a batch", &error));
        }
        // Commit point: when this returns, the batch is in the log.
        if let Err(error) = active.file.sync_data() {
            return Err(self.poison("sync a batch", &error));
        }
        active.note(&starts, self.buf.len() as u64);
        self.tip_leaf = last_leaf;
        self.shared.count.store(expected_count + lines.len() as u64, Ordering::Release);
        Ok(())
    }

    fn store(&self) -> Arc<dyn Store> {
        Arc::<Shared>::clone(&self.shared)
    }

    fn stop(&mut self, reason: Stop) {
        tracing::error!(%reason, "the log is open for reading only");
        self.stop = Some(reason);
    }

    fn retire(&mut self, to: &str) -> Result<bool> {
        write_durably(&*self.log, MOVED, to.as_bytes(), SEALED_MODE).doing("write", MOVED)?;
        self.active = None;
        Ok(true)
    }

    fn close(&mut self) -> Result<()> {
        if self.poison.is_none() && self.stop.is_none() {
            let text =
                clean_text(&Tip { count: self.count(), leaf: self.tip_leaf, recorded_at_ms: 0 });
            write_durably(&*self.log, CLEAN, text.as_bytes(), 0o600).doing("write", CLEAN)?;
            self.poison = Some("the log was closed".to_owned());
        }
        Ok(())
    }
}

/// What the clean-stop file says: count and leaf of the last entry.
fn clean_text(tip: &Tip) -> String {
    format!("{} {}\n", tip.count, tip.leaf)
}

impl Active {
    /// Lets readers find the batch just committed.
    fn note(&mut self, starts: &[u32], len: u64) {
        let mut offsets = locked(&self.segment.offsets);
        let map = offsets.get_or_insert_with(Offsets::default);
        for start in starts {
            if map.entries.is_multiple_of(OFFSET_EVERY) {
                let offset = self.end + u64::from(*start);
                map.marks.push(u32::try_from(offset).unwrap_or(u32::MAX));
            }
            map.entries += 1;
        }
        self.end += len;
        map.end = self.end;
    }
}

impl Store for Shared {
    fn count(&self) -> u64 {
        self.count.load(Ordering::Acquire)
    }

    fn scan(&self, from: u64, bytes_max: usize) -> Result<Chunk> {
        let count = self.count();
        if from >= count {
            return Ok(Chunk::new(from));
        }
        let Some((segment, next)) = self.segment_of(from) else { return Ok(Chunk::new(from)) };
        let file = segment.open(&*self.entries)?;
        let at = segment.locate(from, &*file, next)?;
        let read_end = at.end.min(at.block_end.max(at.start + bytes_max as u64));
        let mut bytes = vec![0; usize::try_from(read_end - at.start).unwrap_or(0)];
        let got = file.read_at(&mut bytes, at.start).doing("read", &segment.name)?;
        bytes.truncate(got);

        let wanted = count.min(segment.first + at.entries) - from;
        let (mut offset, mut skip, mut taken) = (0, at.skip, 0);
        let mut spans = Vec::new();
        while (spans.len() as u64) < wanted && (spans.is_empty() || taken < bytes_max) {
            let Some((line, end)) = next_line(&bytes, offset) else { break };
            if line.first() == Some(&b'#') {
            } else if skip > 0 {
                skip -= 1;
            } else {
                spans.push((offset, offset + line.len()));
                taken += line.len();
            }
            offset = end;
        }
        if spans.is_empty() {
            return Err(segment.damaged(from, at.start, "no whole line where it should be"));
        }
        Ok(Chunk::of_parts(from, bytes, spans))
    }

    fn watermark(&self) -> Result<Option<Vec<u8>>> {
        self.shelf.watermark()
    }

    fn store_watermark(&self, note: &[u8]) -> Result<()> {
        self.shelf.store_watermark(note)
    }

    fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>> {
        self.shelf.checkpoint(size)
    }

    fn checkpoint_sizes(&self) -> Result<Vec<u64>> {
        self.shelf.checkpoint_sizes()
    }

    fn store_checkpoint(&self, size: u64, note: &[u8]) -> Result<()> {
        self.shelf.store_checkpoint(size, note)
    }

    fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>> {
        self.shelf.tile(tile)
    }

    fn store_tiles(&self, tiles: &[(Tile, Vec<u8>)]) -> Result<()> {
        self.shelf.store_tiles(tiles)
    }

    fn prepare(&self) -> Result<()> {
        if !self.writable {
            return Ok(());
        }
        let mut ready = locked(&self.spare_ready);
        if *ready {
            return Ok(());
        }
        match self.make_spare() {
            Ok(()) => {
                *ready = true;
                Ok(())
            }
            Err(RoomError::Full(source)) => Err(LedgerError::Full { source }),
            Err(RoomError::Broken(doing, source)) => {
                Err(LedgerError::Io { doing, name: SPARE.to_owned(), source })
            }
        }
    }
}
