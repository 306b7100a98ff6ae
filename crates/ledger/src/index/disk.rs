//! The index on disk: sled, and sorted files beside it; fast to look up, never trusted.
//!
//! One tree, keys by prefix, so that one batch is atomic with the cursor in it:
//! ```text
//! c            cursor: format, log id, count, leaf, time
//! t, h         what was taken in last, and heads of runs: see [`runs`](super::runs)
//! ```
//! Runs grow with the log and lie beside the tree in files of their own, so that it does not.
//!
//! A snapshot of the state grows with the shop and lies there, too, as `<fold>.snapshot` and the pieces it
//! refers to (see [`snapshot`](crate::snapshot)).
//!
//! sled says of itself that it is beta, syncs in its own time and may refuse to open what it wrote
//! (README of sled 0.34.7; its issues 1527 and 1533). So: opening is guarded against errors and panics; a cursor
//! that is missing, foreign, ahead of the log or not on it, and every damage, leads to the same
//! cure. The directory is moved aside as `index.bad-<count>` and a new one is built from the log.

use std::collections::BTreeMap;
use std::fs::TryLockError;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};
use std::time::{Duration, Instant};

use chain::Digest;

use super::runs::{Done, Runs};
use super::{Index, Row, SnapshotOf, not_there_yet};
use crate::disk::{Access, Dir, Disk as _, OsDisk};
use crate::engine::Store;
use crate::engine::recovery::Tip;
use crate::error::{LedgerError, Result};
use crate::limits::INDEX_CACHE_BYTES;
use crate::snapshot::{Snapshots, StateRead, WriteState, parse_tip, tip_bytes};
use crate::submission::Key;

/// First byte of the cursor: the layout above. Raise it whenever the layout changes.
const FORMAT: u8 = 4;
const CURSOR: &[u8] = b"c";
/// The file sled keeps a tree in, and locks.
const FILE: &str = "db";
/// How often sled writes by itself, in ms. A crash loses at most so much of the index.
const FLUSH_EVERY_MS: u64 = 1_000;
/// How long opening waits for whoever holds the lock of the directory. Work of sled that outlives
/// the last handle holds it a moment longer, and an index that was just closed must open again.
const LOCK_PATIENCE: Duration = Duration::from_secs(20);
/// How often it looks meanwhile.
const LOCK_RETRY: Duration = Duration::from_millis(20);

/// An index in a directory.
#[derive(Debug)]
pub struct DiskIndex {
    dir: PathBuf,
    origin: Arc<str>,
    pub(super) kept: RwLock<Kept>,
    /// Those of each fold that was asked for. Taken after [`ALONE`], never before.
    snapshots: Mutex<BTreeMap<String, Snapshots>>,
}

#[derive(Debug)]
pub(super) struct Kept {
    /// `None` after it failed: a new one is built at the next [`take`](Index::take).
    pub(super) db: Option<Db>,
    runs: Runs,
    cursor: Tip,
}

#[derive(Debug, Clone)]
pub(super) struct Db {
    pub(super) tree: sled::Tree,
    db: sled::Db,
    /// Where the files of runs lie.
    pub(super) dir: Arc<dyn Dir>,
}

fn failed(what: impl Into<String>) -> LedgerError {
    LedgerError::Index { what: what.into() }
}

/// Runs a piece of sled work; a panic in it is an error like any other.
fn guarded<T>(work: impl FnOnce() -> Result<T, String>) -> Result<T> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(result) => result.map_err(failed),
        Err(_) => Err(failed("it panicked")),
    }
}

pub(super) fn text<T>(result: std::result::Result<T, sled::Error>) -> Result<T, String> {
    result.map_err(|error| error.to_string())
}

/// Whoever changes or flushes an index does it alone in this process. sled 0.34 has one lock for
/// all its databases: a batch waits for it alone, a flush (also the one when the last handle goes)
/// holds it together with others while it waits for a thread that needs it too. If a batch of any
/// database queues between the two, all stand still for ever (seen with three in one process).
static ALONE: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Drop for DiskIndex {
    fn drop(&mut self) {
        let _alone = alone();
        drop(self.give_up());
    }
}

impl DiskIndex {
    /// Opens the index of the log `origin`, or builds a new one if it cannot be used. The second
    /// value tells why it was moved aside.
    ///
    /// # Errors
    /// If another holds it (then it is left where it is), or not even a new one can be made there.
    pub fn open(dir: &Path, origin: Arc<str>, store: &dyn Store) -> Result<(Self, Option<String>)> {
        Self::open_within(dir, origin, store, LOCK_PATIENCE)
    }

    /// As [`open`](Self::open), waiting `patience` for the lock.
    pub(super) fn open_within(
        dir: &Path,
        origin: Arc<str>,
        store: &dyn Store,
        patience: Duration,
    ) -> Result<(Self, Option<String>)> {
        // Before nobody else may change an index: whoever holds this one may have to, to let go.
        wait_for_lock(dir, patience)?;
        let _alone = alone();
        let opened = open_db(dir).and_then(|db| {
            let cursor = read_cursor(&db, &origin)?;
            fits(cursor, store)?;
            let runs = guarded(|| Runs::open(&db, cursor.count))?;
            Ok((db, runs, cursor))
        });
        let (db, runs, cursor, why) = match opened {
            Ok((db, runs, cursor)) => (db, runs, cursor, None),
            Err(error) => {
                let why = error.to_string();
                tracing::error!(%why, dir = %dir.display(), "the index is moved aside and built anew");
                let db = start_anew(dir, store.count())?;
                (db, Runs::default(), Tip::genesis(), Some(why))
            }
        };
        let kept = RwLock::new(Kept { db: Some(db), runs, cursor });
        let snapshots = Mutex::default();
        Ok((Self { dir: dir.to_owned(), origin, kept, snapshots }, why))
    }

    /// Looks something up among the entries before `before`. After a failure the index is given up until
    /// the next `take`.
    fn ask<T>(&self, before: u64, question: impl FnOnce(&Runs) -> Result<T, String>) -> Result<T> {
        let found = {
            // Held while looking, so that nobody starts anew between the check and the look.
            let kept = self.kept.read().unwrap_or_else(PoisonError::into_inner);
            not_there_yet(kept.cursor.count, before)?;
            kept.db.as_ref().ok_or_else(|| failed("it is being built anew"))?;
            guarded(|| question(&kept.runs))
        };
        found.inspect_err(|_| {
            let given_up = self.give_up();
            let _alone = alone();
            drop(given_up);
        })
    }

    /// Works on the tree, for what changes it or flushes. After a failure the index is given up, too.
    fn change<T>(&self, work: impl FnOnce(&Db) -> Result<T, String>) -> Result<T> {
        let _alone = alone();
        let db = self.kept.read().unwrap_or_else(PoisonError::into_inner).db.clone();
        let db = db.ok_or_else(|| failed("it is being built anew"))?;
        guarded(|| work(&db)).inspect_err(|_| drop(self.give_up()))
    }

    /// Works on the snapshots of a fold.
    fn with_snapshots<T>(
        &self,
        fold: &str,
        work: impl FnOnce(&mut Snapshots) -> Result<T>,
    ) -> Result<T> {
        let mut all = self.snapshots.lock().unwrap_or_else(PoisonError::into_inner);
        let worked = match all.get_mut(fold) {
            Some(snapshots) => work(snapshots),
            None => {
                let dir = OsDisk.create_dir_all(&self.dir);
                let dir = dir.map_err(|error| failed(error.to_string()))?;
                let snapshots = Snapshots::new(dir, &format!("{fold}.snapshot"));
                work(all.entry(fold.to_owned()).or_insert(snapshots))
            }
        };
        worked.map_err(|error| failed(error.to_string()))
    }

    /// Gives the index up; its last handle is to be dropped [`alone`].
    fn give_up(&self) -> Option<Db> {
        let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        kept.give_up()
    }

    fn take_in(&self, rows: &[Row], tip: Tip) -> Result<()> {
        let _alone = alone();
        let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        let db = match &kept.db {
            Some(db) => db.clone(),
            None => {
                let db = start_anew(&self.dir, tip.count)?;
                // Theirs is the directory that was moved aside.
                self.snapshots.lock().unwrap_or_else(PoisonError::into_inner).clear();
                drop(kept.give_up());
                kept.db = Some(db.clone());
                db
            }
        };
        let Some(first) = rows.first() else { return Ok(()) };
        if first.seq != kept.cursor.count {
            return Err(failed("rows do not begin at the cursor"));
        }
        let taken = guarded(|| {
            let mut batch = sled::Batch::default();
            Runs::write(rows, &mut batch)?;
            batch.insert(CURSOR, cursor_bytes(&self.origin, tip));
            text(db.tree.apply_batch(batch))
        });
        match taken {
            Ok(()) => {
                kept.runs.taken(rows);
                kept.cursor = tip;
                Ok(())
            }
            Err(error) => {
                drop(kept.give_up());
                Err(error)
            }
        }
    }

    /// Writes the runs that are due. Readers wait only while one is put in its place.
    fn tend_runs(&self) -> Result<()> {
        loop {
            let (dir, work) = {
                let kept = self.kept.read().unwrap_or_else(PoisonError::into_inner);
                let (Some(db), Some(work)) = (&kept.db, kept.runs.work(kept.cursor.count)) else {
                    return Ok(());
                };
                (Arc::clone(&db.dir), work)
            };
            let done = guarded(|| work.write(&*dir));
            let strays = {
                let _alone = alone();
                let mut kept = self.kept.write().unwrap_or_else(PoisonError::into_inner);
                let put = done.and_then(|done| kept.put(done));
                put.inspect_err(|_| drop(kept.give_up()))?
            };
            if !strays.is_empty() {
                // Not before the head that does without them is there to stay.
                self.change(make_durable)?;
                let removed = strays.iter().try_for_each(|stray| dir.remove(stray));
                if let Err(error) = removed {
                    tracing::warn!(%error, "files of merged runs stay until the next start");
                }
            }
        }
    }
}

impl Kept {
    /// Makes a run count; returns the files that are not needed any more.
    fn put(&mut self, done: Done) -> Result<Vec<String>> {
        let db = self.db.as_ref().ok_or_else(|| failed("it is being built anew"))?;
        guarded(|| {
            let mut batch = sled::Batch::default();
            done.write_head(db, &mut batch)?;
            text(db.tree.apply_batch(batch))
        })?;
        let strays = done.strays();
        self.runs.replace(done);
        Ok(strays)
    }

    fn give_up(&mut self) -> Option<Db> {
        self.cursor = Tip::genesis();
        self.runs = Runs::default();
        self.db.take()
    }
}

/// Makes what was written survive a power cut, too: a flush of sled gives it to the device, which may
/// forget it (`DURABILITY.md`).
fn make_durable(db: &Db) -> Result<(), String> {
    text(db.db.flush())?;
    let synced = db.dir.open(FILE, Access::Read).and_then(|file| file.sync_all());
    synced.map_err(|error| format!("`{FILE}`: {error}"))
}

/// Waits until nobody holds the lock that sled takes on its file. A damaged index is moved aside,
/// one in use must not be, so the two are told apart before sled mixes them up in one error.
fn wait_for_lock(dir: &Path, patience: Duration) -> Result<()> {
    // What cannot be opened or locked at all is not in use: sled has the word then.
    let Ok(file) = std::fs::File::open(dir.join(FILE)) else { return Ok(()) };
    let deadline = Instant::now() + patience;
    while let Err(TryLockError::WouldBlock) = file.try_lock() {
        if Instant::now() >= deadline {
            return Err(failed(format!(
                "another process holds `{}`: stop it, or give this log an index of its own",
                dir.display()
            )));
        }
        std::thread::sleep(LOCK_RETRY);
    }
    Ok(())
}

fn open_db(dir: &Path) -> Result<Db> {
    guarded(|| {
        let config = sled::Config::new()
            .path(dir)
            .cache_capacity(INDEX_CACHE_BYTES)
            .flush_every_ms(Some(FLUSH_EVERY_MS))
            .mode(sled::Mode::LowSpace);
        let db = text(config.open())?;
        let tree = text(db.open_tree("index"))?;
        let dir = OsDisk.open_dir(dir).map_err(|error| error.to_string())?;
        Ok(Db { tree, db, dir })
    })
}

/// Moves what is there aside and opens an empty one.
fn start_anew(dir: &Path, count: u64) -> Result<Db> {
    let io = |error: std::io::Error| failed(error.to_string());
    if dir.try_exists().map_err(io)? {
        let name = dir.file_name().and_then(|name| name.to_str()).unwrap_or("index");
        let aside = (0..)
            .map(|again| match again {
                0 => dir.with_file_name(format!("{name}.bad-{count}")),
                again => dir.with_file_name(format!("{name}.bad-{count}-{again}")),
            })
            .find(|aside| matches!(aside.try_exists(), Ok(false)));
        let aside = aside.ok_or_else(|| failed("there is no name left to move it to"))?;
        std::fs::rename(dir, aside).map_err(io)?;
    }
    open_db(dir)
}

fn cursor_bytes(origin: &str, tip: Tip) -> Vec<u8> {
    let mut bytes = vec![FORMAT];
    bytes.extend_from_slice(Digest::of(origin.as_bytes()).as_bytes());
    bytes.extend_from_slice(&tip_bytes(tip));
    bytes
}

fn read_cursor(db: &Db, origin: &str) -> Result<Tip> {
    let bytes = guarded(|| text(db.tree.get(CURSOR)))?;
    let Some(bytes) = bytes else {
        // New, or something else altogether.
        let empty = guarded(|| Ok(db.tree.is_empty()))?;
        return if empty { Ok(Tip::genesis()) } else { Err(failed("it has no cursor")) };
    };
    let tip = parse_tip(bytes.get(33..).unwrap_or_default());
    match tip.filter(|tip| bytes == cursor_bytes(origin, *tip)) {
        Some(tip) => Ok(tip),
        None => Err(failed("its cursor is of another log or another version")),
    }
}

/// The index may lag and never leads, and it must be of this very log.
fn fits(cursor: Tip, store: &dyn Store) -> Result<()> {
    if cursor.count > store.count() {
        return Err(failed(format!(
            "it is ahead of the log: `{}` entries against `{}`",
            cursor.count,
            store.count()
        )));
    }
    let Some(last) = cursor.count.checked_sub(1) else { return Ok(()) };
    match store.read(last)? {
        Some(line) if chain::entry::leaf_hash(&line) == cursor.leaf => Ok(()),
        Some(_) | None => Err(failed("it was made from other entries")),
    }
}

impl Index for DiskIndex {
    fn cursor(&self) -> Tip {
        self.kept.read().unwrap_or_else(PoisonError::into_inner).cursor
    }

    fn take(&self, rows: &[Row], tip: Tip) -> Result<()> {
        self.take_in(rows, tip)?;
        self.tend_runs()
    }

    fn seq_of(&self, key: &Key, before: u64) -> Result<Option<u64>> {
        self.ask(before, |runs| runs.seq_of(key))
    }

    fn by_subject(&self, subject: &str, from: u64, max: usize) -> Result<Vec<u64>> {
        self.ask(0, |runs| runs.by_subject(subject, from, max))
    }

    fn store_snapshot(&self, of: &SnapshotOf, write: &mut WriteState<'_>) -> Result<()> {
        self.with_snapshots(&of.fold, |snapshots| snapshots.store((of.version, of.tip), write))
    }

    fn snapshot(&self, fold: &str, version: u16) -> Result<Option<StateRead>> {
        self.with_snapshots(fold, |snapshots| {
            snapshots.read(version).map_err(|error| failed(error.to_string()))
        })
    }

    fn flush(&self) -> Result<()> {
        self.change(|db| text(db.db.flush()).map(drop))
    }
}
