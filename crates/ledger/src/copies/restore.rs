//! A log made again from a copy.

use std::collections::BTreeMap;

use chain::copy::{self, Name};
use chain::entry::{EntryView, Head, leaf_hash};
use chain::keys::Keys;
use chain::note::{Note, VerifierKey};

use super::copier::{Extent, extent, newest_note, tail_from};
use super::{CopyError, Vault};
use crate::disk::Disk;
use crate::engine::files::{FilesOptions, LockedFiles};
use crate::engine::{Engine, Line};
use crate::limits::{BATCH_BYTES_MAX, BATCH_ENTRIES_MAX};
use crate::notary::{Signed, read_checkpoint};
use crate::tree::rebuild_tiles;

/// A copy, opened for reading.
#[derive(Debug)]
pub struct CopyReader<'a> {
    vault: &'a dyn Vault,
    key: VerifierKey,
    order: Vec<Name>,
    /// Entries that stand in the copy without a gap.
    pub entries: u64,
    /// The newest checkpoint of it that the log's key signed.
    pub signed: Option<Signed>,
}

impl<'a> CopyReader<'a> {
    /// Lists a copy. `key` is the log's key from elsewhere; without it the copy's own is taken, which
    /// shows damage, but not a copy that was replaced as a whole.
    ///
    /// # Errors
    /// [`CopyError`].
    pub fn open(vault: &'a dyn Vault, key: Option<VerifierKey>) -> Result<Self, CopyError> {
        let unreadable = |what: &str| CopyError::Unreadable(what.to_owned());
        let keys = vault.get(copy::KEYS)?.ok_or_else(|| unreadable("it has no `keys.txt`"))?;
        let keys = Keys::parse(&keys).map_err(|e| unreadable(&format!("`keys.txt`: {e}")))?;
        if let Some(key) = key
            && key != keys.log
        {
            return Err(CopyError::OtherLog(keys.log.label()));
        }
        let Extent { sealed, copied: entries, .. } = extent(vault)?;
        let parsed = |names: Vec<String>| -> Vec<Name> {
            names.iter().filter_map(|name| Name::parse(name)).collect()
        };
        let mut names = parsed(vault.list(copy::ENTRIES, "")?);
        names.extend(parsed(vault.list(copy::TAIL, &tail_from(sealed))?));
        let (order, _) = copy::reading_order(&names, 0);
        let notes = parsed(vault.list(copy::CHECKPOINTS, "")?);
        let signed = newest_note(vault, &keys.log, names.iter().chain(&notes))?;
        Ok(Self { vault, key: keys.log, order, entries, signed })
    }

    /// The key of the log.
    #[must_use]
    pub fn key(&self) -> &VerifierKey {
        &self.key
    }

    /// Shows every entry up to `end` to `each`, in order.
    ///
    /// # Errors
    /// [`CopyError`]; those of `each`.
    pub fn each_entry<E: From<CopyError>>(
        &self,
        end: u64,
        mut each: impl FnMut(u64, &[u8]) -> Result<(), E>,
    ) -> Result<(), E> {
        let mut at = 0;
        for name in &self.order {
            let (Name::Segment(piece) | Name::Tail(piece)) = name else { continue };
            if at >= end {
                break;
            }
            let object = name.to_string();
            let bytes = self.vault.get(&object).map_err(CopyError::from)?;
            let bytes = bytes.unwrap_or_default();
            let lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
            let whole = bytes.ends_with(b"\n") && lines.len() as u64 == piece.end - piece.first + 1;
            if !whole {
                let what = format!("`{object}` does not hold the entries its name says");
                return Err(CopyError::Unreadable(what).into());
            }
            for (seq, line) in (piece.first..).zip(lines) {
                if seq == at && at < end.min(piece.end) {
                    each(seq, line)?;
                    at += 1;
                }
            }
        }
        Ok(())
    }

    /// The published checkpoints, of each size the one with the most signatures, smallest first.
    ///
    /// # Errors
    /// [`CopyError`].
    pub fn checkpoints(&self) -> Result<Vec<Signed>, CopyError> {
        let mut found: BTreeMap<u64, (usize, Signed)> = BTreeMap::new();
        for name in self.vault.list(copy::CHECKPOINTS, "")? {
            let Some(Name::Checkpoint { size, .. }) = Name::parse(&name) else { continue };
            let note = self.vault.get(&name)?.unwrap_or_default();
            let signed = read_checkpoint(&note, &self.key, &name)?;
            let Some(signed) = signed.filter(|signed| signed.size == size) else {
                return Err(CopyError::Unreadable(format!(
                    "`{name}` is no checkpoint of this log"
                )));
            };
            let lines = Note::parse(&note).map_or(0, |note| note.signatures.len());
            let kept = found.entry(size).or_insert_with(|| (lines, signed.clone()));
            if kept.0 < lines {
                *kept = (lines, signed);
            }
        }
        Ok(found.into_values().map(|(_, signed)| signed).collect())
    }
}

/// What came back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Restored {
    /// Entries, linked one to the other.
    pub entries: u64,
    /// When the last one was recorded, ms since 1970.
    pub recorded_to_ms: i64,
    /// Published checkpoints.
    pub checkpoints: u64,
    /// The newest signed checkpoint: entries from its size on nobody signed for.
    pub signed: Option<Signed>,
}

/// Makes a log from the first `end` entries of a copy: segments, tiles, published checkpoints. Every
/// entry is hashed and linked, and the tree compared with every checkpoint, on the way.
///
/// `watermark` decides what may be done with it: without one the log opens for reading only, and with
/// one that covers more than was restored too. It is the only thing that lets the log go on.
///
/// # Errors
/// [`CopyError`]; the log that was begun then counts as never created.
pub fn restore(
    copy: &CopyReader<'_>,
    end: u64,
    disk: &dyn Disk,
    files: &FilesOptions,
    watermark: Option<&[u8]>,
) -> Result<Restored, CopyError> {
    let published = copy.checkpoints()?;
    let mut roots: BTreeMap<u64, Vec<&Signed>> = BTreeMap::new();
    for signed in published.iter().chain(&copy.signed).filter(|signed| signed.size <= end) {
        roots.entry(signed.size).or_default().push(signed);
    }
    let (mut engine, _) = LockedFiles::create(disk, files.clone())?.open(None)?;
    let store = Engine::store(&engine);
    let mut head = Head::empty();
    let mut batch: Vec<(Vec<u8>, chain::Digest)> = Vec::new();
    let mut bytes = 0;
    copy.each_entry(end, |seq, line| -> Result<(), CopyError> {
        let bad = |what: String| CopyError::Unreadable(format!("entry `{seq}`: {what}"));
        let entry = EntryView::parse(line).map_err(|error| bad(error.to_string()))?;
        let leaf = leaf_hash(line);
        head.advance(entry.seq, entry.prev, entry.recorded_at_ms, leaf)
            .map_err(|error| bad(error.to_string()))?;
        let other = |signed: &&Signed| signed.root != head.root();
        if roots.get(&head.size()).is_some_and(|signed| signed.iter().any(other)) {
            return Err(CopyError::Contradicted { size: head.size() });
        }
        bytes += line.len() + 1;
        batch.push((line.to_vec(), leaf));
        if batch.len() >= BATCH_ENTRIES_MAX
            || bytes + chain::limits::ENTRY_BYTES_MAX > BATCH_BYTES_MAX
        {
            append(&mut engine, &mut batch)?;
            bytes = 0;
        }
        Ok(())
    })?;
    append(&mut engine, &mut batch)?;
    if head.size() < end {
        let what = format!("it ends with {} entries, not {end}", head.size());
        return Err(CopyError::Unreadable(what));
    }
    rebuild_tiles(&*store)?;
    let mut checkpoints = 0;
    for signed in published.iter().filter(|signed| signed.size <= end) {
        store.store_checkpoint(signed.size, signed.note.as_bytes())?;
        checkpoints += 1;
    }
    if let Some(note) = watermark {
        store.store_watermark(note)?;
    }
    engine.close()?;
    LockedFiles::finish_creating(disk, &files.log_dir)?;
    let recorded_to_ms = head.recorded_at_ms();
    let signed = copy.signed.clone().filter(|signed| signed.size <= end);
    Ok(Restored { entries: head.size(), recorded_to_ms, checkpoints, signed })
}

fn append(
    engine: &mut dyn Engine,
    batch: &mut Vec<(Vec<u8>, chain::Digest)>,
) -> Result<(), CopyError> {
    if !batch.is_empty() {
        let lines: Vec<Line<'_>> =
            batch.iter().map(|(bytes, leaf)| Line { bytes, leaf: *leaf }).collect();
        engine.append(engine.count(), &lines)?;
    }
    batch.clear();
    Ok(())
}
