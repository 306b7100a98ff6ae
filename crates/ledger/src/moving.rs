//! Moving a log: the same entries under the same head, in another kind of place.
//!
//! The source is read, the destination filled while nobody can use it, then read back: its entries
//! must be chained, its root that of the newest signed checkpoint, its end the end of the source. Only
//! then the source is ended for good, provided that nobody appended meanwhile, and only after that the
//! destination becomes usable: at no moment can a log grow in two places. Interrupted anywhere, the
//! move is begun anew; a source that was ended already names its destination and can still be read.

use chain::entry::{Head, leaf_hash};
use chain::note::VerifierKey;

use crate::engine::{Engine, Line, Store};
use crate::error::{LedgerError, Result};
use crate::limits::{BATCH_BYTES_MAX, BATCH_ENTRIES_MAX};
use crate::notary::{Signed, read_checkpoint};
use crate::opening::{LogPlace, Opening, Seams, begin, open_engine, verifier_of};
use crate::people::PeopleStore;
use crate::tree::{Look, extend};

/// Rounds of copying what was appended meanwhile before the move gives up.
const ROUNDS_MAX: usize = 16;

/// What was moved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Moved {
    /// The newest signed checkpoint, which the copy was checked against.
    pub signed: Signed,
    /// Entries.
    pub entries: u64,
    /// Published checkpoints.
    pub checkpoints: usize,
    /// Records of the people store.
    pub people: u64,
}

/// Moves a log and its people store. `open_people` opens that of a place whose tables or directories
/// are there.
///
/// # Errors
/// [`LedgerError::Exists`] if the destination holds anything; [`LedgerError::ReadOnly`] if the source
/// does not open in good order; [`LedgerError::Damaged`] if the copy is not what was signed;
/// [`LedgerError::Busy`] if others append to the source faster than it is copied; I/O errors.
pub fn move_log(
    mut seams: Seams,
    from: &LogPlace,
    to: &LogPlace,
    open_people: impl Fn(&LogPlace) -> Result<PeopleStore>,
) -> Result<Moved> {
    let key = verifier_of(&seams)?;
    let (mut source, found, _) = open_engine(&*seams.disk, from, &key, Some(to.name().as_str()))?;
    if let Opening::Stopped(reason) = found.outcome {
        return Err(LedgerError::ReadOnly { reason });
    }
    let (mut target, _, unfinished) = begin(&mut seams, to)?;
    let from_people = open_people(from)?;
    let to_people = open_people(to)?;
    // What an interrupted move left there is as good as empty.
    if !to_people.is_part_of(&from_people)? {
        return Err(LedgerError::Exists { name: format!("the people store of {}", to.name()) });
    }
    for _ in 0..ROUNDS_MAX {
        source.follow()?;
        let (read, written) = (source.store(), target.store());
        copy_entries(&*read, &mut *target)?;
        let signed = check(&*read, &*written, &key)?;
        let sizes = read.checkpoint_sizes()?;
        for size in &sizes {
            if let Some(note) = read.checkpoint(*size)? {
                written.store_checkpoint(*size, &note)?;
            }
        }
        if let Some(note) = read.watermark()? {
            written.store_watermark(&note)?;
        }
        let people = from_people.copy_to(&to_people)?;
        // Ended only where the copy ends.
        if source.retire(&to.name())? {
            let entries = target.count();
            target.close()?;
            drop((source, target, read, written));
            unfinished.finish()?;
            return Ok(Moved { signed, entries, checkpoints: sizes.len(), people });
        }
    }
    Err(LedgerError::Busy)
}

fn copy_entries(source: &dyn Store, target: &mut dyn Engine) -> Result<()> {
    while target.count() < source.count() {
        let chunk = source.scan(target.count(), BATCH_BYTES_MAX / 4)?;
        let lines: Vec<Line<'_>> = chunk
            .iter()
            .take(BATCH_ENTRIES_MAX)
            .map(|(_, bytes)| Line { bytes, leaf: leaf_hash(bytes) })
            .collect();
        target.append(target.count(), &lines)?;
    }
    Ok(())
}

/// Reads the copy back, link by link, and compares its root with the newest checkpoint of the source.
fn check(source: &dyn Store, copy: &dyn Store, key: &VerifierKey) -> Result<Signed> {
    let not_signed = |what: &str| LedgerError::Damaged {
        seq: copy.count(),
        name: "the copy".to_owned(),
        offset: 0,
        what: what.to_owned(),
    };
    let published = match source.checkpoint_sizes()?.last() {
        Some(size) => source.checkpoint(*size)?,
        None => None,
    };
    let mut newest: Option<Signed> = None;
    for note in [source.watermark()?, published].into_iter().flatten() {
        let signed = read_checkpoint(&note, key, "the source")?;
        if signed.as_ref().map(|signed| signed.size) > newest.as_ref().map(|newest| newest.size) {
            newest = signed;
        }
    }
    let newest = newest.ok_or_else(|| not_signed("the source has no signed checkpoint"))?;
    let mut head = Head::empty();
    extend(&mut head, copy, newest.size, Look::Whole, |_, _| Ok(()))?;
    if head.root() != newest.root {
        return Err(not_signed("its root is not that of the newest signed checkpoint"));
    }
    extend(&mut head, copy, copy.count(), Look::Whole, |_, _| Ok(()))?;
    Ok(newest)
}
