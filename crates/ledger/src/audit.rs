//! Looking at a log from outside the writer: check, export, scrub, rebuild.

#[cfg(test)]
mod tests;

use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

use chain::bundle;
use chain::entry::Head;
use chain::keys::Keys;
use chain::policy::Policy;
use chain::tile::Tile;
use chain::verify::{CannotCheck, CheckpointFile, Evidence, Verdict, Verifier};

use crate::disk::Disk;
use crate::engine::Store;
use crate::engine::files::{FilesOptions, look_at_entries, root_from_bytes};
use crate::engine::recovery::Stop;
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::SCAN_BYTES_MAX;
use crate::notary::Signed;
use crate::opening::{IndexPlace, OpenReport, Seams, open};
use crate::shop::keep;
use crate::tree::{Look, extend, rebuild_tiles, tile_is_right};

/// What a check of a data directory found.
#[derive(Debug)]
pub struct CheckReport {
    /// Entries that stand in whole batches.
    pub entries: u64,
    /// The first line of a segment that is not what should stand there.
    pub damage: Option<Stop>,
    /// Bytes behind the last whole batch: one under way beside a running writer, or one that a crash
    /// tore and the next start will cut.
    pub unfinished: Option<Stop>,
    /// What the entries, links, tree and signed checkpoints come to.
    pub verdict: std::result::Result<Verdict, CannotCheck>,
    /// Full hash tiles that are kept and right.
    pub tiles: u64,
    /// Hash tiles that are not what the entries give. They can be built again.
    pub wrong_tiles: Vec<Tile>,
}

impl CheckReport {
    /// Whether nothing that matters is wrong. Tiles do not matter: they are derived.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.damage.is_none() && matches!(self.verdict, Ok(Verdict::Sound(_)))
    }
}

/// Checks every byte of a data directory without changing any: lines, trailers, links, tree, the
/// watermark and every published checkpoint, tiles. May run beside a writer; it then sees the
/// batches that were whole when it came by.
///
/// # Errors
/// If something cannot be read. What it finds is in the report.
pub fn check(
    disk: &dyn Disk,
    files: &FilesOptions,
    keys: Keys,
    policy: Option<Policy>,
) -> Result<CheckReport> {
    // Checkpoints first: entries only grow, so the walk below covers what was signed before it.
    let found = look_at_entries(disk, files)?;
    let store = &*found.store;
    let note = |size: u64| -> Result<Option<CheckpointFile>> {
        let note = store.checkpoint(size)?;
        let name = bundle::checkpoint_name(size);
        Ok(note.map(|note| CheckpointFile { name, note, outside: false }))
    };
    let mut checkpoints = Vec::new();
    for size in store.checkpoint_sizes()? {
        checkpoints.extend(note(size)?);
    }
    if let Some(note) = store.watermark()? {
        // The head store is a place of its own: it vouches against the rest of the directory.
        checkpoints.push(CheckpointFile { name: "head/watermark".to_owned(), note, outside: true });
    }
    let evidence = Evidence { keys, policy, checkpoints, receipts: Vec::new() };
    let verdict = Verifier::new(evidence).map(|mut verifier| {
        let (mut at, mut broken) = (0, false);
        while at < store.count() && !broken {
            // What cannot be read is in `damage`; for the verifier the log ends there.
            let Ok(chunk) = store.scan(at, SCAN_BYTES_MAX) else { break };
            if chunk.is_empty() {
                break;
            }
            broken = chunk.iter().any(|(_, line)| verifier.push(line).is_break());
            at = chunk.end();
        }
        verifier.finish()
    });
    let (mut tiles, mut wrong_tiles) = (0, Vec::new());
    for tile in Tile::changed_hashes(0, store.count()).filter(Tile::is_full) {
        match tile_is_right(store, tile)? {
            Some(true) => tiles += 1,
            Some(false) => wrong_tiles.push(tile),
            None => {}
        }
    }
    let (damage, unfinished) = (found.damage, found.unfinished);
    Ok(CheckReport { entries: store.count(), damage, unfinished, verdict, tiles, wrong_tiles })
}

/// Writes the first `size` entries, one a line, without trailers: `entries.ndjson`.
///
/// # Errors
/// If the log cannot be read or `out` cannot be written.
pub fn export_entries(store: &dyn Store, size: u64, out: &mut dyn Write) -> Result<()> {
    let mut at = 0;
    while at < size {
        let chunk = store.scan(at, SCAN_BYTES_MAX)?;
        if chunk.is_empty() {
            return Err(LedgerError::NoLog {
                name: format!("entry {at}"),
                what: "the log is shorter than what was asked for",
            });
        }
        for (_, line) in chunk.iter().take_while(|(seq, _)| *seq < size) {
            out.write_all(line)
                .and_then(|()| out.write_all(b"\n"))
                .doing("write", bundle::ENTRIES)?;
        }
        at = chunk.end();
    }
    Ok(())
}

/// Writes the evidence files for everything up to the newest published checkpoint into a new or
/// empty directory: `entries.ndjson`, `checkpoints/*.note`, `keys.txt`, `policy.txt`. Returns the
/// size covered.
///
/// # Errors
/// [`LedgerError::Foreign`] if the directory is not empty, [`LedgerError::NoLog`] if no checkpoint
/// was published; read and write errors.
pub fn export(store: &dyn Store, keys: &str, policy: &str, dir: &Path) -> Result<u64> {
    let name = dir.display().to_string();
    std::fs::create_dir_all(dir).doing("create", &name)?;
    if std::fs::read_dir(dir).doing("list", &name)?.next().is_some() {
        let what = "is not empty: evidence goes into a directory of its own".to_owned();
        return Err(LedgerError::Foreign { name, what });
    }
    let sizes = store.checkpoint_sizes()?;
    let Some(size) = sizes.last().copied() else {
        return Err(LedgerError::NoLog { name, what: "no checkpoint was published yet" });
    };
    let put = |name: &str, bytes: &[u8]| std::fs::write(dir.join(name), bytes).doing("write", name);
    std::fs::create_dir(dir.join("checkpoints")).doing("create", "checkpoints")?;
    for size in sizes {
        if let Some(note) = store.checkpoint(size)? {
            put(&bundle::checkpoint_name(size), &note)?;
        }
    }
    put(bundle::KEYS, keys.as_bytes())?;
    put(bundle::POLICY, policy.as_bytes())?;
    let file = std::fs::File::create(dir.join(bundle::ENTRIES)).doing("create", bundle::ENTRIES)?;
    let mut out = io::BufWriter::with_capacity(1 << 20, file);
    export_entries(store, size, &mut out)?;
    let file = out.into_inner().map_err(io::IntoInnerError::into_error);
    file.and_then(|file| file.sync_all()).doing("write", bundle::ENTRIES)?;
    Ok(size)
}

/// A slow, repeated reading of everything: bytes that rot on the disk are found before an auditor
/// finds them.
#[derive(Debug)]
pub struct Scrub {
    target: Signed,
    head: Head,
}

/// How far a scrub has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Scrubbed {
    /// Entries found right so far, of how many.
    Going {
        /// Entries read.
        done: u64,
        /// Entries of the checkpoint it works towards.
        of: u64,
    },
    /// All entries a signed checkpoint covers are what was signed.
    Sound {
        /// Entries covered.
        size: u64,
    },
    /// They are not.
    Damaged(Stop),
}

impl Scrub {
    /// A scrub of everything a signed checkpoint covers.
    #[must_use]
    pub fn of(target: Signed) -> Self {
        Self { target, head: Head::empty() }
    }

    /// Reads on, about `bytes` bytes.
    ///
    /// # Errors
    /// If the log cannot be read for another reason than damage.
    pub fn step(&mut self, store: &dyn Store, bytes: usize) -> Result<Scrubbed> {
        let end =
            store.scan(self.head.size(), bytes).map(|chunk| chunk.end().min(self.target.size));
        let read =
            end.and_then(|end| extend(&mut self.head, store, end, Look::Whole, |_, _| Ok(())));
        if let Err(error) = read {
            return error.damage().map(Scrubbed::Damaged).ok_or(error);
        }
        let done = self.head.size();
        if done < self.target.size {
            return Ok(Scrubbed::Going { done, of: self.target.size });
        }
        if self.head.root() == self.target.root {
            return Ok(Scrubbed::Sound { size: done });
        }
        let cause = crate::engine::recovery::StopCause::OtherHistory;
        Ok(Scrubbed::Damaged(Stop { cause, seq: done, name: "entries".to_owned(), offset: 0 }))
    }
}

/// Compares the bytes of all entries a signed checkpoint covers with its root, on `threads` threads,
/// without parsing any: the fastest way to know that no bit of them changed. May run beside a
/// writer. What does not agree is looked at again, entry by entry, to name the place; `None` if all
/// agrees.
///
/// # Errors
/// If the log cannot be read for another reason than damage.
pub fn compare_bytes(
    disk: &dyn Disk,
    files: &FilesOptions,
    signed: &Signed,
    threads: usize,
) -> Result<Option<Stop>> {
    if root_from_bytes(disk, files, signed.size, threads)? == Some(signed.root) {
        return Ok(None);
    }
    let found = look_at_entries(disk, files)?;
    if let Some(damage) = found.damage.or(found.unfinished) {
        return Ok(Some(damage));
    }
    let mut scrub = Scrub::of(signed.clone());
    loop {
        match scrub.step(&*found.store, SCAN_BYTES_MAX)? {
            Scrubbed::Going { .. } => {}
            Scrubbed::Sound { .. } => return Ok(None),
            Scrubbed::Damaged(stop) => return Ok(Some(stop)),
        }
    }
}

/// Builds everything derived again: the index, all full tiles, a snapshot. The service must be
/// stopped. Returns how the log was opened.
///
/// # Errors
/// As [`open`]; [`LedgerError::ReadOnly`] if the log cannot be written to.
pub fn rebuild(seams: Seams, files: &FilesOptions, place: &IndexPlace) -> Result<OpenReport> {
    if let IndexPlace::Dir(dir) = place {
        match std::fs::remove_dir_all(dir) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            removed => removed.doing("remove", &dir.display().to_string())?,
        }
    }
    let mut opened = open(seams, files, place)?;
    if let Some(reason) = opened.report.stop() {
        return Err(LedgerError::ReadOnly { reason: reason.clone() });
    }
    rebuild_tiles(&*opened.store)?;
    let shop = opened.core.shop();
    let shop = shop.read().unwrap_or_else(std::sync::PoisonError::into_inner).clone();
    keep(&*opened.index, &shop, opened.core.tip())?;
    opened.index.flush()?;
    opened.core.close()?;
    Ok(opened.report)
}

/// What [`look_at_entries`] found.
#[derive(Debug)]
pub(crate) struct Found {
    pub(crate) store: Arc<dyn Store>,
    pub(crate) damage: Option<Stop>,
    pub(crate) unfinished: Option<Stop>,
}
