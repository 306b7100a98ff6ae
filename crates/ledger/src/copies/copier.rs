//! What is shipped, in which order, and how it is checked before it leaves.

use std::collections::BTreeSet;
use std::sync::Arc;

use chain::copy::{self, Name, Piece, SEGMENT_ENTRIES};
use chain::entry::{EntryView, Head, leaf_hash};
use chain::keys::Keys;
use chain::merkle;
use chain::note::VerifierKey;
use chain::tile::{Tile, TileCache};

use super::{CopyError, Put, Source, Vault, VaultError};
use crate::engine::Store;
use crate::error::LedgerError;
use crate::limits::{
    COPY_CHECKPOINTS_AT_ONCE, COPY_CHECKPOINTS_LOOKED_AT, COPY_PIECE_BYTES, SCAN_BYTES_MAX,
};
use crate::notary::{Signed, read_checkpoint};
use crate::tree;

/// Ships a log to one vault. See the [module](super).
#[derive(Debug)]
pub struct Copier {
    vault: Box<dyn Vault>,
    source: Source,
    key: VerifierKey,
    tiles: Arc<TileCache>,
    /// The end of what stands in `entries/`.
    sealed: Head,
    /// The end of the copy.
    copied: Head,
    /// Size of the newest signed checkpoint of the copy.
    signed: u64,
    /// Published checkpoints that were not shipped yet, ascending.
    waiting: BTreeSet<u64>,
    /// Size of the newest published checkpoint that was seen here.
    seen: u64,
    /// The newest of those that were shipped, as they were: they may gain cosignatures.
    newest: Vec<Name>,
}

impl Copier {
    /// Looks how far the copy is and whether it is one of this log.
    ///
    /// # Errors
    /// [`CopyError`].
    pub fn begin(
        vault: Box<dyn Vault>,
        source: Source,
        key: VerifierKey,
    ) -> Result<Self, CopyError> {
        claim(&*vault, &key)?;
        let here = source.tip().count;
        let Extent { sealed, tail, copied } = extent(&*vault)?;
        let notes = vault.list(copy::CHECKPOINTS, "")?;
        let heads = vault.list(copy::TAIL, &tail_from(sealed))?;
        let parsed = |names: &[String]| -> Vec<Name> {
            names.iter().filter_map(|name| Name::parse(name)).collect()
        };
        let (notes, heads) = (parsed(&notes), parsed(&heads));
        let signed = newest_note(&*vault, &key, notes.iter().chain(&heads))?;
        if let Some(signed) = &signed {
            let follows = signed.size <= here
                && tree::head_at(&*source.store, signed.size)?.root() == signed.root;
            if !follows {
                return Err(CopyError::Contradicted { size: signed.size });
            }
        }
        if copied > here {
            return Err(CopyError::Ahead { here, there: copied });
        }
        // What is there by its name counts only when it is what it should be: an alarm that stopped the
        // copying must not be forgotten by the next start.
        for name in newest_segment(sealed).iter().chain(&tail) {
            compare(&*vault, &*source.store, name)?;
        }
        let seen = notes.iter().filter_map(checkpoint_size).max().unwrap_or(0);
        let mut newest = notes;
        newest.drain(..newest.len().saturating_sub(COPY_CHECKPOINTS_LOOKED_AT));
        let store = &source.store;
        let (sealed, copied) = (tree::head_at(&**store, sealed)?, tree::head_at(&**store, copied)?);
        Ok(Self {
            vault,
            key,
            tiles: Arc::default(),
            sealed,
            copied,
            signed: signed.map_or(0, |signed| signed.size),
            waiting: BTreeSet::new(),
            seen,
            newest,
            source,
        })
    }

    /// Entries of the copy.
    #[must_use]
    pub fn copied(&self) -> u64 {
        self.copied.size()
    }

    /// When the last entry of the copy was recorded, ms since 1970; 0 if there is none.
    #[must_use]
    pub fn recorded_at_ms(&self) -> i64 {
        self.copied.recorded_at_ms()
    }

    /// Entries that the newest signed checkpoint of the copy covers.
    #[must_use]
    pub fn signed(&self) -> u64 {
        self.signed
    }

    /// Ships one more object of entries, or what there is of checkpoints. Returns whether there may be
    /// more to do at once.
    ///
    /// # Errors
    /// [`CopyError`]; what was shipped before stays counted, and the next step tries again.
    pub fn step(&mut self) -> Result<bool, CopyError> {
        let (tip, signed) = (self.source.tip(), self.source.signed());
        // First, because under load there is always some tail left; and a long way is made in segments.
        if let Some(signed) = &signed
            && self.sealed.size() + SEGMENT_ENTRIES <= signed.size
        {
            self.seal(signed)?;
            return Ok(true);
        }
        if self.copied.size() < tip.count {
            self.ship_tail(tip.count, tip.leaf)?;
            return Ok(true);
        }
        if let Some(signed) = &signed {
            self.ship_head(signed)?;
        }
        self.ship_checkpoints()
    }

    /// Ships the next segment, and the tiles it fills.
    fn seal(&mut self, signed: &Signed) -> Result<(), CopyError> {
        let mut head = self.sealed.clone();
        let piece = Piece { first: head.size(), end: head.size() + SEGMENT_ENTRIES };
        let bytes = self.read(&mut head, piece.end, usize::MAX)?;
        self.prove(&head, signed, piece)?;
        // The segment last: once it is there, nobody looks whether its tiles are.
        for tile in Tile::changed_hashes(piece.first, piece.end).filter(Tile::is_full) {
            if tree::tile_is_right(&*self.source.store, tile)? == Some(false) {
                // Derived, and wrong here: the copy does without.
                tracing::warn!(%tile, "a hash tile is wrong and is not copied");
                continue;
            }
            if let Some(bytes) = tree::tile_bytes(&*self.source.store, tile)? {
                self.put(&Name::Tile(tile), &bytes)?;
            }
        }
        self.put(&Name::Segment(piece), &bytes)?;
        if head.size() > self.copied.size() {
            self.copied = head.clone();
        }
        self.sealed = head;
        Ok(())
    }

    /// Ships the next entries up to `count`, the end of the log, where the last leaf is `leaf`.
    fn ship_tail(&mut self, count: u64, leaf: chain::Digest) -> Result<(), CopyError> {
        let mut head = self.copied.clone();
        let first = head.size();
        let border = (first / SEGMENT_ENTRIES + 1) * SEGMENT_ENTRIES;
        let bytes = self.read(&mut head, count.min(border), COPY_PIECE_BYTES)?;
        let piece = Piece { first, end: head.size() };
        // The newest entry is what the writer committed; any other is vouched for by the next one.
        let vouched = if piece.end == count {
            leaf
        } else {
            let next = self.source.store.read(piece.end)?.unwrap_or_default();
            let parsed = EntryView::parse(&next);
            parsed.map_err(|source| LedgerError::Entry { seq: piece.end, source })?.prev
        };
        if vouched != head.prev() {
            return Err(CopyError::Rotten { first, end: piece.end });
        }
        self.put(&Name::Tail(piece), &bytes)?;
        self.copied = head;
        Ok(())
    }

    /// Ships the newest signed checkpoint, so that little of the copy is without a signature.
    fn ship_head(&mut self, signed: &Signed) -> Result<(), CopyError> {
        if signed.size <= self.signed || signed.size > self.copied.size() {
            return Ok(());
        }
        self.prove_head(signed)?;
        self.put(&Name::Head(signed.size), signed.note.as_bytes())?;
        self.signed = signed.size;
        Ok(())
    }

    /// Ships published checkpoints, and again the newest ones that gained cosignatures. Returns
    /// whether some are left.
    fn ship_checkpoints(&mut self) -> Result<bool, CopyError> {
        let store = Arc::clone(&self.source.store);
        let published = self.source.published();
        if published > self.seen {
            let sizes = store.checkpoint_sizes()?;
            self.waiting.extend(sizes.into_iter().filter(|size| *size > self.seen));
            self.seen = published;
        }
        let copied = self.copied.size();
        let due: Vec<u64> =
            self.waiting.range(..=copied).take(COPY_CHECKPOINTS_AT_ONCE).copied().collect();
        let grown: BTreeSet<u64> = self.newest.iter().filter_map(checkpoint_size).collect();
        for size in grown.into_iter().chain(due.iter().copied()) {
            let Some(note) = store.checkpoint(size)? else { continue };
            let name = Name::checkpoint(size, &note);
            if !self.newest.contains(&name) {
                let label = name.to_string();
                let read = read_checkpoint(&note, &self.key, &label)?;
                let read = read.ok_or(CopyError::Rotten { first: 0, end: size })?;
                self.prove_head(&read)?;
                self.put(&name, &note)?;
                self.newest.push(name);
                let most = 2 * COPY_CHECKPOINTS_LOOKED_AT;
                if self.newest.len() > most {
                    self.newest.drain(..self.newest.len() - most);
                }
            }
            self.waiting.remove(&size);
        }
        Ok(due.len() == COPY_CHECKPOINTS_AT_ONCE)
    }

    /// Entries from the end of `head` to `end`, or as many as fit in `bytes_max`, one a line, hashed
    /// and linked on the way.
    fn read(&self, head: &mut Head, end: u64, bytes_max: usize) -> Result<Vec<u8>, CopyError> {
        let mut bytes = Vec::new();
        while head.size() < end && (bytes.is_empty() || bytes.len() < bytes_max) {
            let chunk = self.source.store.scan(head.size(), SCAN_BYTES_MAX.min(bytes_max))?;
            if chunk.is_empty() {
                return Err(CopyError::Rotten { first: head.size(), end });
            }
            for (seq, line) in chunk.iter().take_while(|(seq, _)| *seq < end) {
                let entry =
                    EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
                head.advance(entry.seq, entry.prev, entry.recorded_at_ms, leaf_hash(line))
                    .map_err(|_| CopyError::Rotten { first: seq, end })?;
                bytes.extend_from_slice(line);
                bytes.push(b'\n');
            }
        }
        Ok(bytes)
    }

    /// That the entries up to `head`, as they were read, are those of a longer signed checkpoint.
    fn prove(&self, head: &Head, signed: &Signed, piece: Piece) -> Result<(), CopyError> {
        let rotten = || CopyError::Rotten { first: piece.first, end: piece.end };
        self.consistent((head.size(), head.root()), (signed.size, signed.root)).ok_or_else(rotten)
    }

    /// That a signed checkpoint is one of the entries that were copied.
    fn prove_head(&self, signed: &Signed) -> Result<(), CopyError> {
        let (old, new) = ((signed.size, signed.root), (self.copied.size(), self.copied.root()));
        self.consistent(old, new).ok_or(CopyError::Rotten { first: 0, end: signed.size })
    }

    fn consistent(
        &self,
        (old, old_root): (u64, chain::Digest),
        (new, new_root): (u64, chain::Digest),
    ) -> Option<()> {
        let hashes = tree::hashes(&*self.source.store, new, Arc::clone(&self.tiles));
        let proof = merkle::prove_consistency(&hashes, old, new).ok();
        let proved = proof.is_some_and(|p| {
            merkle::verify_consistency(old, new, &old_root, &new_root, &p).is_ok()
        });
        if !proved {
            // Tiles are files that can rot; the next try reads them again.
            self.tiles.clear();
        }
        proved.then_some(())
    }

    fn put(&self, name: &Name, bytes: &[u8]) -> Result<(), CopyError> {
        let name = name.to_string();
        match self.vault.put_new(&name, bytes)? {
            Put::Kept => Ok(()),
            Put::WasThere if self.vault.get(&name)?.as_deref() == Some(bytes) => Ok(()),
            Put::WasThere => Err(CopyError::OtherBytes { name }),
        }
    }
}

fn checkpoint_size(name: &Name) -> Option<u64> {
    match name {
        Name::Checkpoint { size, .. } => Some(*size),
        Name::Keys | Name::Segment(_) | Name::Tail(_) | Name::Head(_) | Name::Tile(_) => None,
    }
}

/// Makes the vault one of this log, or sees that it is; and that it does refuse to replace an object.
fn claim(vault: &dyn Vault, key: &VerifierKey) -> Result<(), CopyError> {
    let theirs = match vault.get(copy::KEYS)? {
        Some(theirs) => theirs,
        None => {
            let ours = Keys::of_log(key.clone()).to_string().into_bytes();
            vault.put_new(copy::KEYS, &ours)?;
            vault.get(copy::KEYS)?.unwrap_or_default()
        }
    };
    match Keys::parse(&theirs) {
        Ok(keys) if keys.log == *key => {}
        Ok(keys) => return Err(CopyError::OtherLog(keys.log.label())),
        Err(_) => return Err(CopyError::OtherBytes { name: copy::KEYS.to_owned() }),
    }
    match vault.put_new(copy::KEYS, &theirs)? {
        Put::WasThere => Ok(()),
        Put::Kept => Err(CopyError::Vault(VaultError::Failed(
            "it replaces objects that are there, so it can keep no copy: it must know conditional \
             writing"
                .to_owned(),
        ))),
    }
}

/// The name behind which the pieces lie that end after `sealed`: a piece never crosses the border of
/// a segment.
pub(super) fn tail_from(sealed: u64) -> String {
    match sealed {
        0 => String::new(),
        sealed => format!("{}{:020}", copy::TAIL, sealed),
    }
}

/// How far a copy reaches, by the names of its objects.
pub(super) struct Extent {
    /// Entries in segments.
    pub(super) sealed: u64,
    /// The objects that hold the entries from there on, in order.
    pub(super) tail: Vec<Name>,
    /// Entries of the whole copy.
    pub(super) copied: u64,
}

/// Looks how far a copy reaches.
pub(super) fn extent(vault: &dyn Vault) -> Result<Extent, CopyError> {
    let parsed = |names: Vec<String>| -> Vec<Name> {
        names.iter().filter_map(|name| Name::parse(name)).collect()
    };
    let (_, sealed) = copy::reading_order(&parsed(vault.list(copy::ENTRIES, "")?), 0);
    let names = parsed(vault.list(copy::TAIL, &tail_from(sealed))?);
    let (tail, copied) = copy::reading_order(&names, sealed);
    Ok(Extent { sealed, tail, copied })
}

/// The last segment before an end.
fn newest_segment(sealed: u64) -> Option<Name> {
    let first = sealed.checked_sub(SEGMENT_ENTRIES)?;
    Some(Name::Segment(Piece { first, end: sealed }))
}

/// Sees that an object holds the entries of this log that its name says.
fn compare(vault: &dyn Vault, store: &dyn Store, name: &Name) -> Result<(), CopyError> {
    let (Name::Segment(piece) | Name::Tail(piece)) = name else { return Ok(()) };
    let object = name.to_string();
    let there = vault.get(&object)?.unwrap_or_default();
    let other = || CopyError::OtherBytes { name: object.clone() };
    let (mut rest, mut at) = (there.as_slice(), piece.first);
    while at < piece.end {
        let chunk = store.scan(at, SCAN_BYTES_MAX)?;
        if chunk.is_empty() {
            return Err(other());
        }
        for (_, line) in chunk.iter().take_while(|(seq, _)| *seq < piece.end) {
            let behind = rest.strip_prefix(line).and_then(|rest| rest.strip_prefix(b"\n"));
            rest = behind.ok_or_else(other)?;
        }
        at = chunk.end();
    }
    if rest.is_empty() { Ok(()) } else { Err(other()) }
}

/// The newest checkpoint that this key signed.
pub(super) fn newest_note<'a>(
    vault: &dyn Vault,
    key: &VerifierKey,
    names: impl Iterator<Item = &'a Name>,
) -> Result<Option<Signed>, CopyError> {
    let mut sized: Vec<(u64, &Name)> = names
        .filter_map(|name| match name {
            Name::Head(size) | Name::Checkpoint { size, .. } => Some((*size, name)),
            Name::Keys | Name::Segment(_) | Name::Tail(_) | Name::Tile(_) => None,
        })
        .collect();
    sized.sort_unstable();
    for (size, name) in sized.into_iter().rev() {
        let name = name.to_string();
        let Some(note) = vault.get(&name)? else { continue };
        match read_checkpoint(&note, key, &name) {
            Ok(Some(signed)) if signed.size == size => return Ok(Some(signed)),
            // Somebody else's, or no note at all: it says nothing of this log.
            _ => tracing::warn!(name, "a checkpoint of the copy cannot be used"),
        }
    }
    Ok(None)
}
