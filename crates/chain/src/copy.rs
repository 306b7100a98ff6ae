//! Copies of a log away from its machine: what their files are called and how a log is read from them.
//!
//! A copy is a folder of files that are written once and never changed, in a file system or in object
//! storage. Its entries are the entries of the log, one a line, so that a copy is read with plain
//! tools; nothing in it is a format of its own but the names:
//!
//! ```text
//! keys.txt                                  the key of the log whose copy this is
//! entries/00000000000000000000-00000000000000004096.ndjson    4,096 entries, from first to before end
//! tail/00000000000000004096-00000000000000004110.ndjson       newer entries, as they came
//! tail/00000000000000004110.note            a signed checkpoint of so many entries
//! checkpoints/00000000000000004100-5be4c0e1a2f3b6d7.note      a published checkpoint, with the first
//!                                           digits of its SHA-256: it may gain cosignatures
//! tile/0/000                                full hash tiles, as in tlog-tiles
//! ```
//!
//! What stands in `tail/` is of no use once a file in `entries/` covers it. Pieces may overlap: then
//! they hold the same entries.

use std::collections::BTreeMap;
use std::fmt;

use crate::bundle::{self, Bundle, BundleError};
use crate::checkpoint::Checkpoint;
use crate::digest::Digest;
use crate::note::Note;
use crate::tile::Tile;

/// Entries in a file of `entries/`: 16 full tiles of leaves, some 2 MB of common entries.
pub const SEGMENT_ENTRIES: u64 = 4_096;

/// The file that says whose copy this is.
pub const KEYS: &str = bundle::KEYS;
/// The folder of the entries that will not be written again.
pub const ENTRIES: &str = "entries/";
/// The folder of the newest entries and checkpoints.
pub const TAIL: &str = "tail/";
/// The folder of the published checkpoints.
pub const CHECKPOINTS: &str = "checkpoints/";

/// Digits of a number in a name, so that names are in the order of numbers.
const DIGITS: usize = 20;
/// Digits of a note's SHA-256 in its name.
const NOTE_DIGITS: usize = 16;

/// Consecutive entries, from `first` to before `end`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Piece {
    /// Sequence number of the first entry.
    pub first: u64,
    /// Sequence number behind the last entry.
    pub end: u64,
}

/// A file of a copy.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Name {
    /// The key of the log.
    Keys,
    /// [`SEGMENT_ENTRIES`] entries.
    Segment(Piece),
    /// Newer entries.
    Tail(Piece),
    /// A signed checkpoint of so many entries.
    Head(u64),
    /// A published checkpoint.
    Checkpoint {
        /// The number of entries.
        size: u64,
        /// The first digits of the SHA-256 of the note.
        digits: String,
    },
    /// A full hash tile.
    Tile(Tile),
}

impl Name {
    /// The name of a published checkpoint.
    pub fn checkpoint(size: u64, note: &[u8]) -> Self {
        let hex = Digest::of(note).to_hex();
        let digits = hex[..NOTE_DIGITS].iter().map(|digit| char::from(*digit)).collect();
        Self::Checkpoint { size, digits }
    }

    /// Reads exactly what `Display` writes; `None` for a file that is none of a copy.
    pub fn parse(name: &str) -> Option<Self> {
        if name == KEYS {
            return Some(Self::Keys);
        }
        if let Some(piece) = name.strip_prefix(ENTRIES) {
            let piece = piece_of(piece)?;
            let whole = piece.first.is_multiple_of(SEGMENT_ENTRIES)
                && piece.end - piece.first == SEGMENT_ENTRIES;
            return whole.then_some(Self::Segment(piece));
        }
        if let Some(rest) = name.strip_prefix(TAIL) {
            return match rest.strip_suffix(".note") {
                Some(size) => number(size).map(Self::Head),
                None => piece_of(rest).map(Self::Tail),
            };
        }
        if let Some(rest) = name.strip_prefix(CHECKPOINTS) {
            let (size, digits) = rest.strip_suffix(".note")?.split_once('-')?;
            let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
            let formed = digits.len() == NOTE_DIGITS && digits.bytes().all(hex);
            let digits = digits.to_owned();
            return Some(Self::Checkpoint { size: number(size)?, digits }).filter(|_| formed);
        }
        name.parse().ok().filter(Tile::is_full).map(Self::Tile)
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Keys => f.write_str(KEYS),
            Self::Segment(Piece { first, end }) => {
                write!(f, "{ENTRIES}{first:020}-{end:020}.ndjson")
            }
            Self::Tail(Piece { first, end }) => write!(f, "{TAIL}{first:020}-{end:020}.ndjson"),
            Self::Head(size) => write!(f, "{TAIL}{size:020}.note"),
            Self::Checkpoint { size, digits } => write!(f, "{CHECKPOINTS}{size:020}-{digits}.note"),
            Self::Tile(tile) => tile.fmt(f),
        }
    }
}

fn number(digits: &str) -> Option<u64> {
    let formed = digits.len() == DIGITS && digits.bytes().all(|b| b.is_ascii_digit());
    formed.then(|| digits.parse().ok()).flatten()
}

fn piece_of(name: &str) -> Option<Piece> {
    let (first, end) = name.strip_suffix(".ndjson")?.split_once('-')?;
    let piece = Piece { first: number(first)?, end: number(end)? };
    (piece.first < piece.end).then_some(piece)
}

/// Which files together hold the entries from `from` on, without a gap, and up to where. At each
/// place the file that reaches furthest is taken, and of two the one that is not of the tail.
pub fn reading_order<'a>(names: impl IntoIterator<Item = &'a Name>, from: u64) -> (Vec<Name>, u64) {
    let mut pieces: Vec<(Piece, bool)> = names
        .into_iter()
        .filter_map(|name| match name {
            Name::Segment(piece) => Some((*piece, true)),
            Name::Tail(piece) => Some((*piece, false)),
            Name::Keys | Name::Head(_) | Name::Checkpoint { .. } | Name::Tile(_) => None,
        })
        .collect();
    pieces.sort_unstable();
    let (mut order, mut at) = (Vec::new(), from);
    let mut pieces = pieces.into_iter().peekable();
    loop {
        let mut best: Option<(u64, bool, Piece)> = None;
        while let Some((piece, segment)) = pieces.next_if(|(piece, _)| piece.first <= at) {
            let candidate = (piece.end, segment, piece);
            if piece.end > at && best.is_none_or(|best| best < candidate) {
                best = Some(candidate);
            }
        }
        let Some((end, segment, piece)) = best else { return (order, at) };
        order.push(if segment { Name::Segment(piece) } else { Name::Tail(piece) });
        at = end;
    }
}

/// Whether these files are those of a copy.
pub fn is_copy<'a>(mut names: impl Iterator<Item = &'a str>) -> bool {
    names.any(|name| matches!(Name::parse(name), Some(Name::Segment(_) | Name::Tail(_))))
}

/// The evidence that a copy holds, as the files of a full bundle. Of a checkpoint that gained
/// cosignatures the one with the most is taken, and of the signed heads the newest. A copy has no
/// policy: whom to believe comes from elsewhere.
///
/// # Errors
/// [`BundleError`], if there are too many files.
pub fn as_bundle(files: &Bundle) -> Result<Bundle, BundleError> {
    let named: BTreeMap<Name, &[u8]> =
        files.iter().filter_map(|(name, bytes)| Some((Name::parse(name)?, bytes))).collect();
    let mut evidence = Bundle::new();
    if let Some(keys) = named.get(&Name::Keys) {
        evidence.insert(bundle::KEYS, keys.to_vec())?;
    }
    let (order, _) = reading_order(named.keys(), 0);
    let (mut entries, mut at) = (Vec::new(), 0);
    for name in order {
        let (Name::Segment(piece) | Name::Tail(piece)) = &name else { continue };
        let mut lines = named[&name].split_inclusive(|byte| *byte == b'\n');
        for _ in piece.first..at {
            lines.next();
        }
        lines.for_each(|line| entries.extend_from_slice(line));
        at = piece.end;
    }
    evidence.insert(bundle::ENTRIES, entries)?;
    let mut notes: BTreeMap<u64, &[u8]> = BTreeMap::new();
    let signatures = |note: &[u8]| Note::parse(note).map_or(0, |note| note.signatures.len());
    for (name, note) in &named {
        if let Name::Checkpoint { size, .. } = name {
            let kept = notes.entry(*size).or_insert(note);
            if signatures(kept) < signatures(note) {
                *kept = note;
            }
        }
    }
    let newest = named.iter().rev().find_map(|(name, note)| match name {
        Name::Head(size) => Some((*size, *note)),
        _ => None,
    });
    if let Some((size, note)) = newest {
        notes.entry(size).or_insert(note);
    }
    for (size, note) in notes {
        evidence.insert(&bundle::checkpoint_name(size), note.to_vec())?;
    }
    Ok(evidence)
}

/// The size that a checkpoint speaks of, whoever signed it.
pub fn size_of(note: &[u8]) -> Option<u64> {
    let text = Note::parse(note).ok()?.text;
    Some(Checkpoint::parse_text(&text).ok()?.size)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(text: &[&str]) -> Vec<Name> {
        text.iter().map(|name| Name::parse(name).expect("a name")).collect()
    }

    fn tail(first: u64, end: u64) -> Name {
        Name::Tail(Piece { first, end })
    }

    #[test]
    fn names_are_read_as_they_are_written() {
        let all = names(&[
            "keys.txt",
            "entries/00000000000000004096-00000000000000008192.ndjson",
            "tail/00000000000000008192-00000000000000008193.ndjson",
            "tail/00000000000000008193.note",
            "checkpoints/00000000000000000017-5be4c0e1a2f3b6d7.note",
            "tile/0/x001/234",
        ]);
        for name in all {
            assert_eq!(Name::parse(&name.to_string()), Some(name));
        }
        for other in [
            "entries/00000000000000000001-00000000000000004097.ndjson",
            "entries/00000000000000000000-00000000000000008192.ndjson",
            "tail/00000000000000000003-00000000000000000003.ndjson",
            "tail/3.note",
            "checkpoints/17.note",
            "checkpoints/00000000000000000017-5BE4C0E1A2F3B6D7.note",
            "tile/0/001.p/7",
            "tail/.00000000000000008193.note.tmp",
            "READ-ME-FIRST.txt",
        ] {
            assert_eq!(Name::parse(other), None, "{other}");
        }
    }

    #[test]
    fn what_reaches_furthest_is_read_and_a_gap_ends_it() {
        let segment = Name::Segment(Piece { first: 0, end: 4_096 });
        let all = [
            segment.clone(),
            tail(0, 10),
            tail(10, 4_096),
            tail(4_090, 4_099),
            tail(4_096, 4_100),
            tail(4_100, 4_101),
            tail(4_102, 4_110),
        ];
        let expected = vec![segment, tail(4_096, 4_100), tail(4_100, 4_101)];
        assert_eq!(reading_order(&all, 0), (expected, 4_101));
        assert_eq!(reading_order(&all, 4_101), (vec![], 4_101));
        assert_eq!(reading_order(&all[1..3], 0), (vec![tail(0, 10), tail(10, 4_096)], 4_096));
        assert_eq!(reading_order([], 0), (vec![], 0));
    }
}
