//! A log of somebody else, kept here as a mirror: its entries byte for byte, checked against its own
//! signed checkpoints before they are kept, and folded like the own log.
//!
//! Nothing is sealed or signed here. What a mirror holds is a complete log directory: an auditor can
//! check it as if the other log had handed it over, and it can be opened as a copy when the other
//! site lost its disk. What it adds is memory: a log that was followed cannot be shortened or rewritten
//! before the kept checkpoint without [`compare`](Mirror::compare) telling.

#[cfg(test)]
mod tests;

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, RwLock};

use chain::canon::Value;
use chain::entry::{Entry, EntryView, Head, leaf_hash};
use chain::merkle::verify_consistency;
use chain::note::VerifierKey;
use shopfloor::State;
use shopfloor::record::events::Contradiction;

use crate::disk::Disk;
use crate::engine::files::{FilesEngine, FilesOptions, LockedFiles, Outcome as Opening};
use crate::engine::recovery::Tip;
use crate::engine::{Engine, Line, Store};
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::SNAPSHOT_ENTRIES;
use crate::notary::{Signed, read_checkpoint};
use crate::shop::{FOLD_VERSION, Shop, restore_from};
use crate::snapshot::Snapshots;
use crate::tree::{Levels, Look, extend, head_at, rebuild_tiles};

/// Name of the snapshots of the state.
const STATE: &str = "state";

/// The writing half: one follower owns it.
#[derive(Debug)]
pub struct Mirror {
    key: VerifierKey,
    disk: Arc<dyn Disk>,
    files: FilesOptions,
    /// Where the state is kept between starts; may be deleted.
    snapshots: Snapshots,
    engine: FilesEngine,
    head: Head,
    levels: Levels,
    /// Until a first checkpoint is kept; an interrupted beginning begins anew.
    beginning: bool,
    snapshot_at: u64,
    shared: MirrorView,
}

/// The reading half, shared by whoever asks.
#[derive(Debug, Clone)]
pub struct MirrorView {
    store: Arc<dyn Store>,
    shop: Arc<RwLock<Shop>>,
    kept: Arc<Mutex<Option<Signed>>>,
}

/// What a shown checkpoint says about the entries that are here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Comparison {
    /// It is over exactly these entries.
    Same,
    /// It is over more: the entries behind the last one here are wanted.
    Longer,
    /// Both cannot be true, from this entry on at the latest.
    Contradicts(Contradiction, u64),
}

/// Why entries were not taken in. Nothing of the batch was kept.
#[derive(Debug, thiserror::Error)]
pub enum NotTaken {
    /// They are not those under the signed checkpoint.
    #[error("entry `{at}` and what follows are not under the checkpoint that was shown: {what}")]
    NotAsSigned {
        /// The first entry in doubt.
        at: u64,
        /// What was found.
        what: String,
    },
    /// The mirror itself failed.
    #[error(transparent)]
    Failed(#[from] LedgerError),
}

impl Mirror {
    /// Opens the mirror of the log with this verification key, or begins one.
    ///
    /// # Errors
    /// [`LedgerError::ReadOnly`] or [`LedgerError::Damaged`] if what was kept is damaged: it is never
    /// begun anew silently, because it remembers what the other log showed. [`LedgerError::WrongKey`],
    /// [`LedgerError::Locked`], I/O errors.
    pub fn open(
        disk: Arc<dyn Disk>,
        files: FilesOptions,
        state_dir: &Path,
        key: VerifierKey,
    ) -> Result<Self> {
        let state_name = state_dir.display().to_string();
        let state = disk.create_dir_all(state_dir).doing("create", &state_name)?;
        let (locked, beginning) = match LockedFiles::existing(&*disk, files.clone()) {
            Err(LedgerError::NoLog { .. }) => (LockedFiles::create(&*disk, files.clone())?, true),
            locked => (locked?, false),
        };
        let head_name = files.head_dir.display().to_string();
        let kept = match locked.watermark()? {
            Some(note) => Some(read_checkpoint(&note, &key, &head_name)?.ok_or_else(|| {
                LedgerError::Damaged {
                    seq: 0,
                    name: head_name.clone(),
                    offset: 0,
                    what: "the kept checkpoint cannot be read".to_owned(),
                }
            })?),
            None => None,
        };
        let (engine, recovered) = locked.open(kept.as_ref().map(|kept| kept.size))?;
        if let Opening::Stopped(reason) = recovered.outcome {
            return Err(LedgerError::ReadOnly { reason });
        }
        let store = engine.store();
        let (levels, head) = tree_of(&*store, kept.as_ref(), recovered.tip)?;
        // One that cannot be read is as good as none.
        let mut snapshots = Snapshots::new(state, STATE);
        let kept_state = snapshots.read(FOLD_VERSION).ok().flatten();
        let mut shop = restore_from(kept_state, &*store, recovered.tip.count);
        let snapshot_at = shop.as_of();
        shop.catch_up(&*store, recovered.tip.count)?;
        let shop = Arc::new(RwLock::new(shop));
        let shared = MirrorView { store, shop, kept: Arc::new(Mutex::new(kept)) };
        Ok(Self {
            key,
            disk,
            files,
            snapshots,
            engine,
            head,
            levels,
            beginning,
            snapshot_at,
            shared,
        })
    }

    /// The reading half.
    #[must_use]
    pub fn view(&self) -> MirrorView {
        self.shared.clone()
    }

    /// Verification key of the mirrored log.
    #[must_use]
    pub fn key(&self) -> &VerifierKey {
        &self.key
    }

    /// Entries that are here.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.head.size()
    }

    /// Reads a note as a checkpoint of the mirrored log.
    ///
    /// # Errors
    /// As [`read_checkpoint`].
    pub fn read(&self, note: &[u8]) -> Result<Option<Signed>> {
        read_checkpoint(note, &self.key, "checkpoint")
    }

    /// Compares a checkpoint that the other log shows now with what is here.
    ///
    /// # Errors
    /// If the mirror cannot be read.
    pub fn compare(&self, shown: &Signed) -> Result<Comparison> {
        let here = self.head.size();
        if shown.size > here {
            return Ok(Comparison::Longer);
        }
        let root = match shown.size == here {
            true => self.head.root(),
            false => head_at(&*self.shared.store, shown.size)?.root(),
        };
        Ok(match (root == shown.root, shown.size == here) {
            (true, true) => Comparison::Same,
            (true, false) => Comparison::Contradicts(Contradiction::Shortened, shown.size),
            (false, _) => {
                let at = self.shared.kept().map_or(0, |kept| kept.size.min(shown.size));
                Comparison::Contradicts(Contradiction::OtherHistory, at)
            }
        })
    }

    /// Takes in the entries that follow, if they link to what is here and lead to the signed
    /// checkpoint: `proof` is the consistency proof (RFC 9162 section 2.1.4) from their end to `shown`,
    /// empty if that is their end. When it is, the checkpoint is kept.
    ///
    /// # Errors
    /// [`NotTaken`]; nothing was kept then.
    pub fn take(
        &mut self,
        lines: &[&[u8]],
        shown: &Signed,
        proof: &[chain::Digest],
    ) -> Result<(), NotTaken> {
        let first = self.head.size();
        let doubt = |at: u64, what: String| NotTaken::NotAsSigned { at, what };
        let mut head = self.head.clone();
        let mut batch = Vec::with_capacity(lines.len());
        for (seq, line) in (first..).zip(lines) {
            if seq == 0 {
                self.is_of_this_log(line)?;
            }
            let entry = EntryView::parse(line).map_err(|error| doubt(seq, error.to_string()))?;
            let leaf = leaf_hash(line);
            head.advance(entry.seq, entry.prev, entry.recorded_at_ms, leaf)
                .map_err(|error| doubt(seq, error.to_string()))?;
            batch.push(Line { bytes: line, leaf });
        }
        if head.size() > shown.size {
            return Err(doubt(shown.size, "there are more than it is over".to_owned()));
        }
        verify_consistency(head.size(), shown.size, &head.root(), &shown.root, proof)
            .map_err(|error| doubt(first, error.to_string()))?;
        // COMMIT POINT of the mirror. What follows is derived, and made again at the next start.
        self.engine.append(first, &batch)?;
        let mut full = Vec::new();
        for line in &batch {
            self.levels.push(line.leaf, &mut full);
        }
        self.head = head;
        if !full.is_empty() {
            self.shared.store.store_tiles(&full)?;
        }
        {
            let mut shop = self.shared.shop.write().unwrap_or_else(PoisonError::into_inner);
            shop.catch_up(&*self.shared.store, self.head.size())?;
        }
        if self.head.size() == shown.size { Ok(self.keep(shown)?) } else { Ok(()) }
    }

    /// Keeps a checkpoint over exactly the entries that are here, for instance one with more
    /// cosignatures than before.
    ///
    /// # Errors
    /// If it cannot be stored.
    pub fn keep(&mut self, shown: &Signed) -> Result<()> {
        self.shared.store.store_checkpoint(shown.size, shown.note.as_bytes())?;
        self.shared.store.store_watermark(shown.note.as_bytes())?;
        if self.beginning {
            LockedFiles::finish_creating(&*self.disk, &self.files.log_dir)?;
            self.beginning = false;
        }
        *locked(&self.shared.kept) = Some(shown.clone());
        if self.head.size() - self.snapshot_at >= SNAPSHOT_ENTRIES {
            self.keep_state()?;
        }
        Ok(())
    }

    fn keep_state(&mut self) -> Result<()> {
        let shop = self.shared.shop.read().unwrap_or_else(PoisonError::into_inner).clone();
        let of = (FOLD_VERSION, self.tip());
        self.snapshots.store(of, &mut |pieces, to| shop.write(pieces, to))?;
        self.snapshot_at = self.head.size();
        Ok(())
    }

    /// Ends in good order.
    ///
    /// # Errors
    /// As [`Engine::close`].
    pub fn close(mut self) -> Result<()> {
        if self.head.size() > self.snapshot_at {
            self.keep_state()?;
        }
        self.engine.close()
    }

    fn tip(&self) -> Tip {
        Tip {
            count: self.head.size(),
            leaf: self.head.prev(),
            recorded_at_ms: self.head.recorded_at_ms(),
        }
    }

    /// Entry 0 says whose log it is. Its key may have been another one, its name may not.
    fn is_of_this_log(&self, line: &[u8]) -> Result<()> {
        let wrong = |what: String| LedgerError::WrongKey { name: "entry 0".to_owned(), what };
        let entry = Entry::parse(line).map_err(|source| LedgerError::Entry { seq: 0, source })?;
        let data = entry.event.get("data");
        let origin = data.and_then(|data| data.get("origin")).and_then(Value::as_str);
        match origin {
            Some(origin) if origin == self.key.name() => Ok(()),
            Some(origin) => Err(wrong(format!("opens `{origin}`, not `{}`", self.key.name()))),
            None => Err(wrong("does not say which log it opens".to_owned())),
        }
    }
}

impl MirrorView {
    /// The newest checkpoint of the other log whose entries are all here and were checked.
    #[must_use]
    pub fn kept(&self) -> Option<Signed> {
        locked(&self.kept).clone()
    }

    /// The entries and what is kept beside them.
    #[must_use]
    pub fn store(&self) -> &Arc<dyn Store> {
        &self.store
    }

    /// Asks the state something. It shows entries that were checked, and nothing else.
    pub fn ask<T>(&self, question: impl FnOnce(&State) -> T) -> T {
        question(self.shop.read().unwrap_or_else(PoisonError::into_inner).state())
    }

    /// Entries that no fold could take in.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        self.shop.read().unwrap_or_else(PoisonError::into_inner).skipped()
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Tree and tiles over everything that is here, after comparing with the kept checkpoint.
fn tree_of(store: &dyn Store, kept: Option<&Signed>, tip: Tip) -> Result<(Levels, Head)> {
    let size = kept.map_or(0, |kept| kept.size);
    let (mut levels, mut head) = match Levels::with_head(store, size) {
        Ok(found) => found,
        // A tile is missing: tiles are derived.
        Err(_) => {
            rebuild_tiles(store)?;
            Levels::with_head(store, size)?
        }
    };
    let take_in = |levels: &mut Levels, head: &mut Head, to: u64| {
        let mut full = Vec::new();
        extend(head, store, to, Look::Whole, |_, leaf| {
            levels.push(leaf, &mut full);
            Ok(())
        })?;
        if full.is_empty() { Ok(()) } else { store.store_tiles(&full) }
    };
    take_in(&mut levels, &mut head, size)?;
    if kept.is_some_and(|kept| kept.root != head.root()) {
        return Err(LedgerError::Damaged {
            seq: size,
            name: "entries".to_owned(),
            offset: 0,
            what: "they are not those under the kept checkpoint".to_owned(),
        });
    }
    take_in(&mut levels, &mut head, tip.count)?;
    Ok((levels, head))
}
