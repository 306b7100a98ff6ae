//! The notary: reads back what was committed, hashes it again, keeps the tiles, signs.
//!
//! It has its own tree, built only from bytes read back, and compares its end with the end the
//! writer committed: one leaf, which through `prev` stands for all entries. Only when they agree is
//! anything signed, and only when the signed note is durable is it shown to anybody.
//!
//! Two kinds of checkpoint: the **watermark** is signed often, replaced each time and stays in the
//! head store, where it tells recovery what must not be missing; a **published** checkpoint has left
//! the process and is kept for ever.

use std::sync::{Arc, Mutex, PoisonError};

use chain::Digest;
use chain::checkpoint::Checkpoint;
use chain::entry::Head;
use chain::note::{Note, Signer, VerifierKey};

use crate::engine::Store;
use crate::engine::recovery::{Stop, StopCause, Tip};
use crate::error::{LedgerError, Result};
use crate::tree::{Levels, Look, TILES_AT_ONCE, extend, head_at};

/// A signing key that may be shared between threads.
pub type SharedSigner = Arc<dyn Signer + Send + Sync>;

/// A checkpoint that is durable.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signed {
    /// Entries covered.
    pub size: u64,
    /// Root over them.
    pub root: Digest,
    /// The signed note.
    pub note: String,
}

/// See the [module](self).
pub struct Notary {
    store: Arc<dyn Store>,
    signer: SharedSigner,
    committed: Arc<Mutex<Tip>>,
    head: Head,
    levels: Levels,
    watermark: Option<Signed>,
    published: Option<Signed>,
}

impl std::fmt::Debug for Notary {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Notary").field("size", &self.head.size()).finish_non_exhaustive()
    }
}

impl Notary {
    /// Compares the log with the last signed checkpoints and follows it from there.
    ///
    /// # Errors
    /// Outer: the log cannot be read. Inner: the entries are not those that were signed; nothing
    /// may be written then.
    pub fn open(
        store: Arc<dyn Store>,
        signer: SharedSigner,
        committed: Arc<Mutex<Tip>>,
        anchors: &Anchors,
    ) -> Result<std::result::Result<Self, Stop>> {
        let size = anchors.size().unwrap_or(0);
        let (levels, head) = match follow_from_tiles(&*store, anchors, size)? {
            Some(found) => found,
            // The tiles were missing or wrong: begin at the first entry.
            None => match follow_from_entries(&*store, anchors, size)? {
                Some(found) => found,
                None => {
                    let name = "entries".to_owned();
                    return Ok(Err(Stop {
                        cause: StopCause::OtherHistory,
                        seq: size,
                        name,
                        offset: 0,
                    }));
                }
            },
        };
        let (watermark, published) = (anchors.watermark.clone(), anchors.published.clone());
        Ok(Ok(Self { store, signer, committed, head, levels, watermark, published }))
    }

    /// The last watermark.
    #[must_use]
    pub fn watermark(&self) -> Option<&Signed> {
        self.watermark.as_ref()
    }

    /// The last published checkpoint.
    #[must_use]
    pub fn published(&self) -> Option<&Signed> {
        self.published.as_ref()
    }

    /// Whether entries were committed that no watermark covers.
    #[must_use]
    pub fn is_behind(&self) -> bool {
        let committed = self.committed.lock().unwrap_or_else(PoisonError::into_inner).count;
        self.watermark.as_ref().is_none_or(|signed| signed.size < committed)
    }

    /// Reads back, keeps tiles, signs a watermark over everything committed.
    ///
    /// # Errors
    /// [`LedgerError::Damaged`] if what is read back is not what was committed: the writer must
    /// stop. I/O errors of the tile and head stores.
    pub fn cover(&mut self) -> Result<&Signed> {
        let tip = *self.committed.lock().unwrap_or_else(PoisonError::into_inner);
        take_in(&mut self.head, &mut self.levels, &*self.store, tip.count)?;
        if self.head.prev() != tip.leaf {
            return Err(LedgerError::Damaged {
                seq: tip.count.saturating_sub(1),
                name: "entries".to_owned(),
                offset: 0,
                what: "what is read back is not what was committed".to_owned(),
            });
        }
        let signed = match self.watermark.take() {
            Some(signed) if signed.size == tip.count => signed,
            before => match self.sign() {
                Ok(signed) => signed,
                Err(error) => {
                    self.watermark = before;
                    return Err(error);
                }
            },
        };
        Ok(self.watermark.insert(signed))
    }

    fn sign(&self) -> Result<Signed> {
        let checkpoint = Checkpoint {
            origin: self.signer.name().to_owned(),
            size: self.head.size(),
            root: self.head.root(),
            extensions: Vec::new(),
        };
        let note = checkpoint.sign(&*self.signer);
        self.store.store_watermark(note.as_bytes())?;
        Ok(Signed { size: checkpoint.size, root: checkpoint.root, note })
    }

    /// [`cover`](Self::cover), and keeps the checkpoint for everybody to see.
    ///
    /// # Errors
    /// As [`cover`](Self::cover).
    pub fn publish(&mut self) -> Result<&Signed> {
        let signed = self.cover()?.clone();
        if self.published.as_ref().is_none_or(|published| published.size != signed.size) {
            self.store.store_checkpoint(signed.size, signed.note.as_bytes())?;
            self.published = Some(signed);
        }
        self.published.as_ref().ok_or_else(|| LedgerError::Damaged {
            seq: 0,
            name: "checkpoints".to_owned(),
            offset: 0,
            what: "no checkpoint was published".to_owned(),
        })
    }
}

/// Lets tree and tiles take in the entries up to `size`. Every caller compares the end with what was
/// committed or signed.
fn take_in(head: &mut Head, levels: &mut Levels, store: &dyn Store, size: u64) -> Result<()> {
    let mut full = Vec::new();
    extend(head, store, size, Look::Link, |_, leaf| {
        levels.push(leaf, &mut full);
        if full.len() >= TILES_AT_ONCE {
            store.store_tiles(&full)?;
            full.clear();
        }
        Ok(())
    })?;
    if full.is_empty() { Ok(()) } else { store.store_tiles(&full) }
}

fn follow_from_tiles(
    store: &dyn Store,
    anchors: &Anchors,
    size: u64,
) -> Result<Option<(Levels, Head)>> {
    let begun = Levels::with_head(store, size);
    let Ok((mut levels, mut head)) = begun else { return Ok(None) };
    if take_in(&mut head, &mut levels, store, size).is_err() {
        return Ok(None);
    }
    for anchor in anchors.all() {
        let root = if anchor.size == size {
            Ok(head.root())
        } else {
            head_at(store, anchor.size).map(|head| head.root())
        };
        if root.ok() != Some(anchor.root) {
            return Ok(None);
        }
    }
    Ok(Some((levels, head)))
}

fn follow_from_entries(
    store: &dyn Store,
    anchors: &Anchors,
    size: u64,
) -> Result<Option<(Levels, Head)>> {
    tracing::warn!(size, "hash tiles are missing or damaged and are built again");
    let (mut levels, mut head) = (Levels::default(), Head::empty());
    let mut sizes: Vec<&Signed> = anchors.all().collect();
    sizes.sort_unstable_by_key(|anchor| anchor.size);
    for anchor in sizes {
        match take_in(&mut head, &mut levels, store, anchor.size) {
            Ok(()) if head.root() == anchor.root => {}
            Ok(()) | Err(LedgerError::Damaged { .. } | LedgerError::Entry { .. }) => {
                return Ok(None);
            }
            Err(error) => return Err(error),
        }
    }
    Ok(Some((levels, head)))
}

/// The last signed checkpoints found at start, verified.
#[derive(Debug, Clone, Default)]
pub struct Anchors {
    /// That of the head store.
    pub watermark: Option<Signed>,
    /// The newest that left the process.
    pub published: Option<Signed>,
    /// What this process remembers of a log that lies elsewhere.
    pub remembered: Option<Signed>,
}

impl Anchors {
    /// The largest of their sizes; `None` without a watermark, because a head store that lost it
    /// needs a person to look (E16).
    #[must_use]
    pub fn size(&self) -> Option<u64> {
        self.watermark.as_ref()?;
        self.all().map(|signed| signed.size).max()
    }

    fn all(&self) -> impl Iterator<Item = &Signed> {
        self.watermark.iter().chain(&self.published).chain(&self.remembered)
    }
}

/// Reads a stored checkpoint of the log with this verification key.
///
/// `Ok(None)` if it cannot be read (E16): no note, no checkpoint, or a signature by the right key
/// that does not verify.
///
/// # Errors
/// [`LedgerError::WrongKey`] if it was made by another key or for another log (E17).
pub fn read_checkpoint(note: &[u8], key: &VerifierKey, name: &str) -> Result<Option<Signed>> {
    let wrong = |what: String| Err(LedgerError::WrongKey { name: name.to_owned(), what });
    let Ok(parsed) = Note::parse(note) else { return Ok(None) };
    let Ok(checkpoint) = Checkpoint::parse_text(&parsed.text) else { return Ok(None) };
    if checkpoint.origin != key.name() {
        return wrong(format!("its origin is `{}`, not `{}`", checkpoint.origin, key.name()));
    }
    if !parsed.signatures.iter().any(|line| line.is_by(key)) {
        return wrong(format!("no signature line is by the key `{}`", key.label()));
    }
    if Checkpoint::open(note, std::slice::from_ref(key)).is_err() {
        return Ok(None);
    }
    let note = String::from_utf8_lossy(note).into_owned();
    Ok(Some(Signed { size: checkpoint.size, root: checkpoint.root, note }))
}
