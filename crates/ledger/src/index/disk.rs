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
//!
//! A full disk is no damage. sled does nothing any more after a write that failed, so the tree is closed,
//! and opened again with what comes next; questions, which need what is in memory and the runs, are
//! answered meanwhile.

use std::collections::BTreeMap;
use std::fs::TryLockError;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};
use std::time::{Duration, Instant};

use chain::Digest;

use super::fault::Fault;
use super::merger::Merger;
use super::runs::{Done, Runs, Work, remove_unneeded};
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

/// Entries after which the young are tried again to be written as a run, if they could not be.
const RUN_RETRY_ENTRIES: u64 = if cfg!(test) { 2 } else { 8_192 };

/// An index in a directory.
#[derive(Debug)]
pub struct DiskIndex {
    pub(super) held: Arc<Held>,
    merger: Merger,
    /// Those of each fold that was asked for. Taken after [`ALONE`], never before.
    snapshots: Mutex<BTreeMap<String, Snapshots>>,
}

/// What the thread that takes in, the one that merges and those that ask have in common.
#[derive(Debug)]
pub(super) struct Held {
    dir: PathBuf,
    origin: Arc<str>,
    kept: RwLock<Kept>,
}

#[derive(Debug)]
pub(super) struct Kept {
    pub(super) tree: Tree,
    runs: Runs,
    cursor: Tip,
    /// How many entries there are when the young may be written as a run.
    run_not_before: u64,
}

/// The tree, as far as it works.
#[derive(Debug)]
pub(super) enum Tree {
    Open(Db),
    /// There was no room for it: the next [`take`](Index::take) opens it again.
    Closed,
    /// It or a run was damaged: the next `take` builds a new index.
    GivenUp,
}

#[derive(Debug, Clone)]
pub(super) struct Db {
    pub(super) tree: sled::Tree,
    db: sled::Db,
    /// Where the files of runs lie.
    pub(super) dir: Arc<dyn Dir>,
}

/// Runs a piece of work on the index; a panic in it is damage like any other.
fn guarded<T>(work: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| Err("it panicked".into()))
}

/// Whoever changes or flushes an index does it alone in this process. sled 0.34 has one lock for
/// all its databases: a batch waits for it alone, a flush (also the one when the last handle goes)
/// holds it together with others while it waits for a thread that needs it too. If a batch of any
/// database queues between the two, all stand still for ever (seen with three in one process).
static ALONE: Mutex<()> = Mutex::new(());

fn alone() -> MutexGuard<'static, ()> {
    ALONE.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Drop for Held {
    fn drop(&mut self) {
        let _alone = alone();
        drop(self.write().let_go(Tree::Closed));
    }
}

impl Held {
    fn read(&self) -> RwLockReadGuard<'_, Kept> {
        self.kept.read().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn write(&self) -> RwLockWriteGuard<'_, Kept> {
        self.kept.write().unwrap_or_else(PoisonError::into_inner)
    }

    /// Looks something up among the entries before `before`. After damage the index is given up until
    /// the next `take`.
    fn ask<T>(&self, before: u64, question: impl FnOnce(&Runs) -> Result<T, Fault>) -> Result<T> {
        let found = {
            // Held while looking, so that nobody starts anew between the check and the look.
            let kept = self.read();
            not_there_yet(kept.cursor.count, before)?;
            kept.is_not_given_up()?;
            guarded(|| question(&kept.runs))
        };
        let found = found.inspect_err(|fault| {
            let let_go = self.write().let_go_after(fault);
            let _alone = alone();
            drop(let_go);
        });
        Ok(found?)
    }

    /// Works on the tree, for what changes it or flushes, [`alone`] already. After a failure the tree is
    /// let go of.
    fn change<T>(&self, work: impl FnOnce(&Db) -> Result<T, Fault>) -> Result<T, Fault> {
        let db = self.read().open()?.clone();
        guarded(|| work(&db)).inspect_err(|fault| drop(self.write().let_go_after(fault)))
    }

    /// Takes rows in. `anew` is called when the directory was moved aside.
    fn take_in(&self, rows: &[Row], tip: Tip, anew: impl FnOnce()) -> Result<(), Fault> {
        if matches!(self.read().tree, Tree::Closed) {
            // As in `DiskIndex::open_within`, before nobody else may change an index.
            wait_for_lock(&self.dir, LOCK_PATIENCE)?;
        }
        let _alone = alone();
        let mut kept = self.write();
        match &kept.tree {
            Tree::Open(_) => {}
            Tree::Closed => {
                let opened = open_whole(&self.dir, &self.origin, |_| Ok(()));
                *kept = opened.inspect_err(|fault| drop(kept.let_go_after(fault)))?;
                tracing::info!("the index is written again");
            }
            Tree::GivenUp => {
                let db = start_anew(&self.dir, tip.count)?;
                anew();
                *kept = Kept::empty(db);
            }
        }
        let db = kept.open()?.clone();
        let Some(first) = rows.first() else { return Ok(()) };
        if first.seq != kept.cursor.count {
            // What the tree had not written yet when it was closed is taken in again.
            return Err(Fault::Passing(format!(
                "it goes on at entry `{}`, not at `{}`",
                kept.cursor.count, first.seq
            )));
        }
        let taken = guarded(|| {
            let mut batch = sled::Batch::default();
            Runs::write(rows, &mut batch)?;
            batch.insert(CURSOR, cursor_bytes(&self.origin, tip));
            Ok(db.tree.apply_batch(batch)?)
        });
        drop(db);
        taken.inspect_err(|fault| drop(kept.let_go_after(fault)))?;
        kept.runs.taken(rows);
        kept.cursor = tip;
        Ok(())
    }

    /// Writes the young as a run when there are enough. If that fails they stay where they are.
    fn write_young(&self) -> Result<(), Fault> {
        let (dir, work) = {
            let kept = self.read();
            let count = kept.cursor.count;
            let due = (count >= kept.run_not_before).then(|| kept.runs.young_due(count)).flatten();
            let (Tree::Open(db), Some(work)) = (&kept.tree, due) else { return Ok(()) };
            (Arc::clone(&db.dir), work)
        };
        let done = guarded(|| work.write(&*dir, &AtomicBool::new(false)));
        let done = done.inspect_err(|_| {
            let mut kept = self.write();
            kept.run_not_before = kept.cursor.count + RUN_RETRY_ENTRIES;
        });
        self.put(&*dir, done?)
    }

    /// Merges what is due.
    pub(super) fn merge(&self, stopping: &AtomicBool) -> Result<(), Fault> {
        while let Some((dir, work)) = self.merge_due() {
            let merged = work.merged().to_vec();
            let done = guarded(|| work.has_room(&*dir).and_then(|()| work.write(&*dir, stopping)));
            let done = done.inspect_err(|fault| {
                let _alone = alone();
                let mut kept = self.write();
                // Somebody may have come upon the damage before, and what is here was built since.
                if matches!(fault, Fault::Damaged(_)) && kept.runs.has(&merged) {
                    drop(kept.let_go_after(fault));
                }
            });
            self.put(&*dir, done?)?;
        }
        Ok(())
    }

    fn merge_due(&self) -> Option<(Arc<dyn Dir>, Work)> {
        let kept = self.read();
        let Tree::Open(db) = &kept.tree else { return None };
        Some((Arc::clone(&db.dir), kept.runs.merge_due()?))
    }

    /// Makes a run count, and removes what is not needed any more. Readers wait only while it is put in
    /// its place.
    fn put(&self, dir: &dyn Dir, done: Done) -> Result<(), Fault> {
        let (file, mut unneeded) = (done.file(), done.unneeded());
        let _alone = alone();
        let is_put = {
            let mut kept = self.write();
            let put = kept.put(done);
            put.inspect_err(|fault| drop(kept.let_go_after(fault)))?
        };
        if !is_put {
            unneeded = vec![file];
        } else if !unneeded.is_empty() {
            // Not before the head that does without them is there to stay, in this very tree.
            self.change(make_durable)?;
        }
        unneeded.iter().for_each(|name| remove_unneeded(dir, name));
        Ok(())
    }
}

impl DiskIndex {
    /// Opens the index of the log `origin`, or builds a new one if it cannot be used. The second
    /// value tells why it was moved aside.
    ///
    /// # Errors
    /// If another holds it or the disk is full (then it is left where it is), or not even a new one can be
    /// made there.
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
        let opened = {
            let _alone = alone();
            match open_whole(dir, &origin, |cursor| fits(cursor, store)) {
                Ok(kept) => (kept, None),
                Err(fault @ (Fault::Passing(_) | Fault::Stopped)) => return Err(fault.into()),
                Err(Fault::Damaged(why)) => {
                    tracing::error!(%why, dir = %dir.display(), "the index is moved aside and built anew");
                    (Kept::empty(start_anew(dir, store.count())?), Some(why))
                }
            }
        };
        let (kept, why) = opened;
        let held = Arc::new(Held { dir: dir.to_owned(), origin, kept: RwLock::new(kept) });
        let merger = Merger::start(Arc::clone(&held)).map_err(|error| LedgerError::Index {
            what: format!("no thread can be started: {error}"),
        })?;
        merger.wake();
        Ok((Self { held, merger, snapshots: Mutex::default() }, why))
    }

    /// Waits until no runs are left to be merged, or they cannot be.
    #[cfg(test)]
    pub(super) fn settle(&self) {
        self.merger.settle();
    }

    /// Works on the snapshots of a fold.
    fn with_snapshots<T>(
        &self,
        fold: &str,
        work: impl FnOnce(&mut Snapshots) -> Result<T>,
    ) -> Result<T> {
        let failed = |what: String| LedgerError::Index { what };
        let mut all = self.snapshots.lock().unwrap_or_else(PoisonError::into_inner);
        let worked = match all.get_mut(fold) {
            Some(snapshots) => work(snapshots),
            None => {
                let dir = OsDisk.create_dir_all(&self.held.dir);
                let dir = dir.map_err(|error| failed(error.to_string()))?;
                let snapshots = Snapshots::new(dir, &format!("{fold}.snapshot"));
                work(all.entry(fold.to_owned()).or_insert(snapshots))
            }
        };
        worked.map_err(|error| failed(error.to_string()))
    }
}

impl Kept {
    fn empty(db: Db) -> Self {
        let (runs, cursor) = (Runs::default(), Tip::genesis());
        Self { tree: Tree::Open(db), runs, cursor, run_not_before: 0 }
    }

    fn open(&self) -> Result<&Db, Fault> {
        self.is_not_given_up()?;
        match &self.tree {
            Tree::Open(db) => Ok(db),
            Tree::Closed | Tree::GivenUp => Err(Fault::Passing("it is being opened again".into())),
        }
    }

    fn is_not_given_up(&self) -> Result<(), Fault> {
        match self.tree {
            Tree::Open(_) | Tree::Closed => Ok(()),
            Tree::GivenUp => Err(Fault::Passing("it is being built anew".into())),
        }
    }

    /// Makes a run count, if what it was made of is still here.
    fn put(&mut self, done: Done) -> Result<bool, Fault> {
        let db = self.open()?;
        let Some(place) = self.runs.place_of(&done) else { return Ok(false) };
        guarded(|| {
            let mut batch = sled::Batch::default();
            done.write_head(db, &mut batch)?;
            Ok(db.tree.apply_batch(batch)?)
        })?;
        self.runs.replace(place, done);
        Ok(true)
    }

    /// Lets go of the tree; its last handle is to be dropped [`alone`].
    fn let_go(&mut self, then: Tree) -> Option<Db> {
        if matches!(then, Tree::GivenUp) {
            self.cursor = Tip::genesis();
            self.runs = Runs::default();
        }
        match std::mem::replace(&mut self.tree, then) {
            Tree::Open(db) => Some(db),
            Tree::Closed | Tree::GivenUp => None,
        }
    }

    /// Lets go of a tree that did not do what it should.
    pub(super) fn let_go_after(&mut self, fault: &Fault) -> Option<Db> {
        match (fault, &self.tree) {
            (Fault::Stopped, _) | (Fault::Passing(_), Tree::GivenUp) => None,
            (Fault::Passing(_), Tree::Open(_) | Tree::Closed) => self.let_go(Tree::Closed),
            (Fault::Damaged(_), _) => self.let_go(Tree::GivenUp),
        }
    }
}

/// Makes what was written survive a power cut, too: a flush of sled gives it to the device, which may
/// forget it (`DURABILITY.md`).
fn make_durable(db: &Db) -> Result<(), Fault> {
    db.db.flush()?;
    let synced = db.dir.open(FILE, Access::Read).and_then(|file| file.sync_all());
    Ok(synced.map_err(|error| format!("`{FILE}`: {error}"))?)
}

/// Waits until nobody holds the lock that sled takes on its file. A damaged index is moved aside,
/// one in use must not be, so the two are told apart before sled mixes them up in one error.
fn wait_for_lock(dir: &Path, patience: Duration) -> Result<(), Fault> {
    // What cannot be opened or locked at all is not in use: sled has the word then.
    let Ok(file) = std::fs::File::open(dir.join(FILE)) else { return Ok(()) };
    let deadline = Instant::now() + patience;
    while let Err(TryLockError::WouldBlock) = file.try_lock() {
        if Instant::now() >= deadline {
            return Err(Fault::Passing(format!(
                "another process holds `{}`: stop it, or give this log an index of its own",
                dir.display()
            )));
        }
        std::thread::sleep(LOCK_RETRY);
    }
    Ok(())
}

/// Opens the index in a directory if it is whole and `fits` takes its cursor.
fn open_whole(
    dir: &Path,
    origin: &str,
    fits: impl FnOnce(Tip) -> Result<(), Fault>,
) -> Result<Kept, Fault> {
    let db = open_db(dir)?;
    let cursor = read_cursor(&db, origin)?;
    fits(cursor)?;
    let runs = guarded(|| Runs::open(&db, cursor.count))?;
    Ok(Kept { tree: Tree::Open(db), runs, cursor, run_not_before: 0 })
}

fn open_db(dir: &Path) -> Result<Db, Fault> {
    guarded(|| {
        remove_half_tables(dir)?;
        let config = sled::Config::new()
            .path(dir)
            .cache_capacity(INDEX_CACHE_BYTES)
            .flush_every_ms(Some(FLUSH_EVERY_MS))
            .mode(sled::Mode::LowSpace);
        let db = config.open()?;
        let tree = db.open_tree("index")?;
        let dir = OsDisk.open_dir(dir).map_err(|error| error.to_string())?;
        Ok(Db { tree, db, dir })
    })
}

/// Removes page tables that sled had not finished writing, of a full disk or a power cut: it would
/// take one for the newest and refuse to open. It renames those that are whole (`write_snapshot` of
/// sled 0.34.7).
fn remove_half_tables(dir: &Path) -> Result<(), Fault> {
    // What is no directory, or none yet, is left to sled.
    let Ok(dir) = OsDisk.open_dir(dir) else { return Ok(()) };
    let removed = dir.list().and_then(|names| {
        let is_half = |name: &&String| name.starts_with("snap.") && name.ends_with(".generating");
        names.iter().filter(is_half).try_for_each(|half| dir.remove(half))
    });
    Ok(removed.map_err(|error| error.to_string())?)
}

/// Moves what is there aside and opens an empty one.
fn start_anew(dir: &Path, count: u64) -> Result<Db, Fault> {
    let io = |error: std::io::Error| Fault::Passing(error.to_string());
    if dir.try_exists().map_err(io)? {
        let name = dir.file_name().and_then(|name| name.to_str()).unwrap_or("index");
        let aside = (0..)
            .map(|again| match again {
                0 => dir.with_file_name(format!("{name}.bad-{count}")),
                again => dir.with_file_name(format!("{name}.bad-{count}-{again}")),
            })
            .find(|aside| matches!(aside.try_exists(), Ok(false)));
        let aside = aside.ok_or("there is no name left to move it to")?;
        std::fs::rename(dir, aside).map_err(io)?;
    }
    // What was made in vain is not moved aside, too, by the next try.
    open_db(dir).inspect_err(|_| drop(std::fs::remove_dir_all(dir)))
}

fn cursor_bytes(origin: &str, tip: Tip) -> Vec<u8> {
    let mut bytes = vec![FORMAT];
    bytes.extend_from_slice(Digest::of(origin.as_bytes()).as_bytes());
    bytes.extend_from_slice(&tip_bytes(tip));
    bytes
}

fn read_cursor(db: &Db, origin: &str) -> Result<Tip, Fault> {
    let bytes = guarded(|| Ok(db.tree.get(CURSOR)?))?;
    let Some(bytes) = bytes else {
        // New, or something else altogether.
        let empty = guarded(|| Ok(db.tree.is_empty()))?;
        return if empty { Ok(Tip::genesis()) } else { Err("it has no cursor".into()) };
    };
    let tip = parse_tip(bytes.get(33..).unwrap_or_default());
    let tip = tip.filter(|tip| bytes == cursor_bytes(origin, *tip));
    Ok(tip.ok_or("its cursor is of another log or another version")?)
}

/// The index may lag and never leads, and it must be of this very log.
fn fits(cursor: Tip, store: &dyn Store) -> Result<(), Fault> {
    if cursor.count > store.count() {
        let ahead = format!(
            "it is ahead of the log: `{}` entries against `{}`",
            cursor.count,
            store.count()
        );
        return Err(ahead.into());
    }
    let Some(last) = cursor.count.checked_sub(1) else { return Ok(()) };
    match store.read(last) {
        Ok(Some(line)) if chain::entry::leaf_hash(&line) == cursor.leaf => Ok(()),
        Ok(Some(_) | None) => Err("it was made from other entries".into()),
        Err(error) if error.is_passing() => Err(Fault::Passing(error.to_string())),
        Err(error) => Err(error.to_string().into()),
    }
}

impl Index for DiskIndex {
    fn cursor(&self) -> Tip {
        self.held.read().cursor
    }

    fn take(&self, rows: &[Row], tip: Tip) -> Result<()> {
        // Theirs is the directory that was moved aside.
        let anew = || self.snapshots.lock().unwrap_or_else(PoisonError::into_inner).clear();
        self.held.take_in(rows, tip, anew)?;
        self.held.write_young()?;
        self.merger.wake();
        Ok(())
    }

    fn seq_of(&self, key: &Key, before: u64) -> Result<Option<u64>> {
        self.held.ask(before, |runs| runs.seq_of(key))
    }

    fn by_subject(&self, subject: &str, from: u64, max: usize) -> Result<Vec<u64>> {
        self.held.ask(0, |runs| runs.by_subject(subject, from, max))
    }

    fn store_snapshot(&self, of: &SnapshotOf, write: &mut WriteState<'_>) -> Result<()> {
        self.with_snapshots(&of.fold, |snapshots| snapshots.store((of.version, of.tip), write))
    }

    fn snapshot(&self, fold: &str, version: u16) -> Result<Option<StateRead>> {
        let failed = |error: std::io::Error| LedgerError::Index { what: error.to_string() };
        self.with_snapshots(fold, |snapshots| snapshots.read(version).map_err(failed))
    }

    fn flush(&self) -> Result<()> {
        let _alone = alone();
        Ok(self.held.change(|db| Ok(db.db.flush().map(drop)?))?)
    }
}
