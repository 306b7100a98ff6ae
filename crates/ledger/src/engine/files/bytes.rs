//! The root over the first entries from their bytes alone, segment by segment on all processors.
//!
//! Nothing is parsed: whoever has a signed root needs no more to know that every bit of every entry
//! is as it was when it was signed. What an entry says was checked before it was signed.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use chain::Digest;
use chain::limits::TILE_WIDTH;
use chain::merkle::{Frontier, leaf_hash, root_of};

use super::survey::{ENTRIES, Found, list_segments};
use super::{FilesOptions, locked};
use crate::disk::{Access, Dir, Disk};
use crate::engine::line::next_line;
use crate::error::{Doing as _, Result};

/// Entries whose subtree is computed where they are read; the tree is put together from those.
const BLOCK: u64 = TILE_WIDTH as u64;

/// Bytes read at once: more than the longest line, and few enough to be hashed while they lie in the
/// processor's cache.
const PIECE_BYTES: usize = 512 << 10;

/// While one thread waits for the disk another one hashes.
const THREADS_A_PROCESSOR: usize = 2;

/// What one segment adds to the tree.
struct Part {
    /// Leaves up to the first whole block.
    before: Vec<Digest>,
    /// Roots of whole blocks.
    blocks: Vec<Digest>,
    /// Leaves behind them.
    behind: Vec<Digest>,
}

/// The root over the first `size` entries; `None` if there are fewer whole lines than that.
///
/// # Errors
/// If a segment cannot be read.
pub(crate) fn root_from_bytes(
    disk: &dyn Disk,
    options: &FilesOptions,
    size: u64,
    threads: usize,
) -> Result<Option<Digest>> {
    let name = options.log_dir.display().to_string();
    let log = disk.open_dir(&options.log_dir).doing("open", &name)?;
    let entries = log.open_dir(ENTRIES).doing("open", ENTRIES)?;
    let mut segments = list_segments(&*entries)?;
    segments.retain(|segment| segment.first < size);
    let ends = segments.iter().skip(1).map(|next| next.first).chain([size]);
    let work: Vec<(&Found, u64)> = segments.iter().zip(ends).collect();
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Result<Option<Part>>)>> = Mutex::new(Vec::new());
    let hash_some = || {
        let mut piece = vec![0; PIECE_BYTES];
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some((segment, end)) = work.get(at) else { return };
            let part = part_of(&entries, segment, *end, &mut piece);
            locked(&done).push((at, part));
        }
    };
    std::thread::scope(|scope| {
        for _ in 1..threads.max(1) * THREADS_A_PROCESSOR {
            scope.spawn(hash_some);
        }
        hash_some();
    });
    let mut done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    done.sort_unstable_by_key(|(at, _)| *at);
    let mut parts = Vec::with_capacity(done.len());
    for (_, part) in done {
        match part? {
            Some(part) => parts.push(part),
            None => return Ok(None),
        }
    }
    Ok(put_together(size, parts))
}

/// Hashes the entries of a segment up to the entry `end`; `None` if they are not all there.
/// `piece` is where they are read to.
fn part_of(
    entries: &Arc<dyn Dir>,
    segment: &Found,
    end: u64,
    piece: &mut [u8],
) -> Result<Option<Part>> {
    let file = entries.open(&segment.name, Access::Read).doing("open", &segment.name)?;
    let mut part = Part { before: Vec::new(), blocks: Vec::new(), behind: Vec::new() };
    let (mut seq, mut at) = (segment.first, 0);
    while seq < end {
        let got = file.read_at(piece, at).doing("read", &segment.name)?;
        let mut taken = 0;
        while seq < end
            && let Some((line, line_end)) = next_line(&piece[..got], taken)
        {
            taken = line_end;
            if line.first() == Some(&b'#') {
                continue;
            }
            let leaf = leaf_hash(line);
            let in_first_block = seq / BLOCK * BLOCK < segment.first;
            seq += 1;
            if in_first_block {
                part.before.push(leaf);
                continue;
            }
            part.behind.push(leaf);
            if seq.is_multiple_of(BLOCK) {
                part.blocks.push(root_of(&part.behind));
                part.behind.clear();
            }
        }
        if taken == 0 {
            return Ok(None);
        }
        at += taken as u64;
    }
    Ok(Some(part))
}

fn put_together(size: u64, parts: Vec<Part>) -> Option<Digest> {
    let width = usize::from(TILE_WIDTH);
    let (mut blocks, mut open): (Vec<Digest>, Vec<Digest>) = (Vec::new(), Vec::new());
    for part in parts {
        open.extend(part.before);
        if open.len() == width {
            blocks.push(root_of(&open));
            open.clear();
        }
        blocks.extend(part.blocks);
        open.extend(part.behind);
    }
    // Complete subtrees in the order of the binary digits of the size.
    let mut complete = Vec::new();
    for mut rest in [&blocks[..], &open[..]] {
        while !rest.is_empty() {
            let (subtree, others) = rest.split_at(1 << rest.len().ilog2());
            complete.push(root_of(subtree));
            rest = others;
        }
    }
    Frontier::from_parts(size, complete).ok().map(|frontier| frontier.root())
}
