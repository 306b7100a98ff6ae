//! What the end of a log means: one table.
//!
//! At start the segments are walked from the last watermark on. The walk ends at the first place
//! that is not the next entry or a trailer, and [`decide`] says what to do about it. The numbers
//! E1 to E18 are those of the end-of-log table in `DURABILITY.md`.
//!
//! A torn tail and a rotten one look the same to any checksum. Only what is kept outside the log
//! (the watermark, receipts) tells them apart; so bytes the watermark covers are never cut, and what
//! is cut is copied to a side file first.

#[cfg(test)]
mod tests;

use std::fmt;

use chain::Digest;
use chain::entry::genesis_prev;

use super::line::{Digits, Seen, SeenEntry, digits_of, look, next_line};
use crate::limits::OFFSET_EVERY;

/// What stands at the place where the walk ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Nothing: zeros to the end of the segment, or the end of the file (E1).
    End,
    /// No whole line of ours: random, torn, empty, too long, without line feed (E2, E4, E5, E6, E8).
    Junk,
    /// An entry from further back, which does not link to this place (E3).
    Stale,
    /// An entry with the right number and a wrong link or an earlier time (E9).
    WrongLink,
    /// An entry that links but has another number, repeats the one before, or leaves a gap (E10).
    WrongSeq,
    /// Bytes that are no canonical entry although what follows confirms their hash (E10).
    NotCanonical,
    /// A whole trailer that contradicts the batch before it.
    TrailerContradicts,
}

/// What comes after the segment in which the walk ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// No further segment.
    None,
    /// One further segment, empty or all zeros: pre-allocated, not yet used.
    Zeros,
    /// A further segment with something in it.
    Content,
}

/// Everything the decision depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Facts {
    /// What stands at the place.
    pub place: Place,
    /// Entries before the place are not yet closed by a trailer.
    pub batch_open: bool,
    /// The watermark covers the entry that should stand here (n < W).
    pub covered: bool,
    /// Something valid of a later batch follows in this segment.
    pub later_batch: bool,
    /// The segment is read-only: it was closed for good after all of it was durable.
    pub sealed: bool,
    /// What comes after the segment.
    pub next: Next,
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// The segment is whole; the walk goes on in the next one.
    GoOn,
    /// The log ends here and is whole.
    Open,
    /// The log ends here; what stands behind is copied to a side file and replaced by zeros, and an
    /// open batch is closed with a trailer.
    Cut,
    /// Read only: this is no accident of a crash, a person must look.
    Stop(StopCause),
}

/// Why a log is opened for reading only.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StopCause {
    /// E1, E14, E18: fewer entries than the watermark covers.
    Shorter,
    /// Bad bytes where the watermark covers, or in a sealed segment.
    Damaged,
    /// E11: valid entries of a later batch behind bad bytes.
    Hole,
    /// E9.
    WrongLink,
    /// E10.
    WrongSeq,
    /// E10.
    NotCanonical,
    /// A trailer contradicts its batch.
    TrailerContradicts,
    /// E13: entries in a later segment although this one was never sealed.
    NotSealed,
    /// A segment is missing, or two do not follow each other.
    SegmentsDoNotFollow,
    /// E16: entries but no readable watermark.
    NoWatermark,
    /// The entries are there, but are not those the watermark was signed over.
    OtherHistory,
    /// Opened for reading only because somebody asked for that.
    OnlyLooking,
}

impl StopCause {
    /// What the operator is told.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Shorter => "the log is shorter than its last signed checkpoint",
            Self::Damaged => "stored bytes are damaged",
            Self::Hole => "damaged bytes are followed by valid entries of a later batch",
            Self::WrongLink => "an entry does not link to the one before it",
            Self::WrongSeq => "an entry has the wrong sequence number",
            Self::NotCanonical => "an entry has the right hash but is not canonical",
            Self::TrailerContradicts => "a batch trailer contradicts the entries before it",
            Self::NotSealed => "a later segment has content although this one was never sealed",
            Self::SegmentsDoNotFollow => {
                "a segment is missing or does not follow the one before it"
            }
            Self::NoWatermark => {
                "the last signed checkpoint is missing or unreadable: supply one you trust"
            }
            Self::OtherHistory => "the entries are not those of the last signed checkpoint",
            Self::OnlyLooking => "it was opened to look at",
        }
    }
}

/// Why and where a log is read-only.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stop {
    /// Why.
    pub cause: StopCause,
    /// Sequence number that should stand there.
    pub seq: u64,
    /// Segment, or the store the cause lies in.
    pub name: String,
    /// Byte offset in it.
    pub offset: u64,
}

impl fmt::Display for Stop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { cause, seq, name, offset } = self;
        write!(f, "{} (entry `{seq}`, `{name}` at byte {offset})", cause.as_str())
    }
}

/// The end-of-log table. Every combination of facts has one answer; if several causes apply, the
/// first row that matches is the one reported.
#[must_use]
pub const fn decide(facts: Facts) -> Decision {
    use Decision::{Cut, GoOn, Open, Stop};
    let Facts { place, batch_open, covered, later_batch, sealed, next } = facts;
    match (place, sealed, next) {
        // No crash makes these, wherever they stand (E9, E10).
        (Place::WrongLink, _, _) => Stop(StopCause::WrongLink),
        (Place::WrongSeq, _, _) => Stop(StopCause::WrongSeq),
        (Place::NotCanonical, _, _) => Stop(StopCause::NotCanonical),
        (Place::TrailerContradicts, _, _) => Stop(StopCause::TrailerContradicts),
        // A segment is sealed after all of it was durable and before the next one is used.
        (Place::Junk | Place::Stale, true, _) => Stop(StopCause::Damaged),
        (Place::End, true, _) if batch_open => Stop(StopCause::Damaged),
        (Place::End, true, Next::Content) => GoOn,
        (_, false, Next::Content) => Stop(StopCause::NotSealed), // E13
        // The end of the log (E1, E13, E14, E18).
        (Place::End, _, Next::None | Next::Zeros) if covered => Stop(StopCause::Shorter),
        (Place::End, false, Next::None | Next::Zeros) if batch_open => Cut, // E4
        (Place::End, _, Next::None | Next::Zeros) => Open,
        // The tail rule R8 (E2 to E6, E8, E11, E12).
        (Place::Junk | Place::Stale, false, Next::None | Next::Zeros) if covered => {
            Stop(StopCause::Damaged)
        }
        (Place::Junk | Place::Stale, false, Next::None | Next::Zeros) if later_batch => {
            Stop(StopCause::Hole)
        }
        (Place::Junk | Place::Stale, false, Next::None | Next::Zeros) => Cut,
    }
}

/// The newest end of the log during a walk: what the next entry must fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tip {
    /// Entries so far: the next sequence number.
    pub count: u64,
    /// Leaf hash of the last entry; SHA-256 of nothing if there is none.
    pub leaf: Digest,
    /// Server time of the last entry, in ms since 1970; 0 if there is none.
    pub recorded_at_ms: i64,
}

impl Tip {
    /// The end of a log without entries.
    #[must_use]
    pub fn genesis() -> Self {
        Self { count: 0, leaf: genesis_prev(), recorded_at_ms: 0 }
    }

    pub(crate) fn after(entry: &SeenEntry) -> Self {
        Self { count: entry.seq + 1, leaf: entry.leaf, recorded_at_ms: entry.recorded_at_ms }
    }
}

/// A walk through one segment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Walk {
    /// The end of the log as far as it is good.
    pub(crate) tip: Tip,
    /// Byte offset after the last good line.
    pub(crate) end: usize,
    /// First entry of the batch not yet closed; equals `tip.count` if none is open.
    pub(crate) batch_first: u64,
    /// Offsets of every [`OFFSET_EVERY`]th entry.
    pub(crate) marks: Vec<u32>,
    pub(crate) place: Place,
    pub(crate) later_batch: bool,
}

impl Walk {
    pub(crate) fn batch_open(&self) -> bool {
        self.batch_first < self.tip.count
    }
}

/// Walks through the bytes of a segment whose first entry must fit `tip`.
pub(crate) fn walk(bytes: &[u8], mut tip: Tip) -> Walk {
    let first = tip.count;
    let mut walk = Walk {
        tip,
        end: 0,
        batch_first: first,
        marks: Vec::new(),
        place: Place::End,
        later_batch: false,
    };
    walk.place = loop {
        let Some((line, line_end)) = next_line(bytes, walk.end) else {
            break place_without_line(&bytes[walk.end..]);
        };
        match look(line) {
            Seen::Entry(entry) => {
                if let Some(place) = misfit(&tip, &entry) {
                    break place;
                }
                if (entry.seq - first).is_multiple_of(OFFSET_EVERY) {
                    walk.marks.push(u32::try_from(walk.end).unwrap_or(u32::MAX));
                }
                tip = Tip::after(&entry);
                walk.tip = tip;
            }
            Seen::Trailer { entries, digits } => {
                if entries != tip.count - walk.batch_first
                    || digits != digits_of(&tip.leaf)
                    || !walk.batch_open()
                {
                    break Place::TrailerContradicts;
                }
                walk.batch_first = tip.count;
            }
            Seen::Junk if confirmed(bytes, line, line_end) => break Place::NotCanonical,
            Seen::Junk => break place_without_line(&bytes[walk.end..]),
        }
        walk.end = line_end;
    };
    walk.later_batch = later_batch_follows(&bytes[walk.end..], &tip, walk.batch_first);
    walk
}

fn place_without_line(rest: &[u8]) -> Place {
    if rest.iter().all(|byte| *byte == 0) { Place::End } else { Place::Junk }
}

/// Why an entry does not fit the end of the log; `None` if it does.
fn misfit(tip: &Tip, entry: &SeenEntry) -> Option<Place> {
    let links = entry.prev == tip.leaf;
    if entry.seq == tip.count {
        let fits = links && entry.recorded_at_ms >= tip.recorded_at_ms;
        return if fits { None } else { Some(Place::WrongLink) };
    }
    let repeats = entry.seq + 1 == tip.count;
    let leaves_gap = entry.seq > tip.count;
    Some(if links || repeats || leaves_gap { Place::WrongSeq } else { Place::Stale })
}

/// Whether the line after a bad one vouches for the bad one's hash.
fn confirmed(bytes: &[u8], line: &[u8], line_end: usize) -> bool {
    let leaf = chain::entry::leaf_hash(line);
    match next_line(bytes, line_end).map(|(next, _)| look(next)) {
        Some(Seen::Trailer { digits, .. }) => digits == digits_of(&leaf),
        Some(Seen::Entry(entry)) => entry.prev == leaf,
        Some(Seen::Junk) | None => false,
    }
}

/// Whether anything valid of a later batch than the one with the bad place follows (E11, E12).
///
/// Sectors of the last, unsynced batch reach the disk in any order, so good entries of the same
/// batch behind a bad place are normal. Three signs tell a later batch:
/// an entry that fits where the bad place is (so only a trailer was lost); a trailer and right
/// behind it an entry that links to it; a trailer, confirmed by the entry before it, whose batch
/// began after the batch of the bad place, or anything valid behind a trailer of the same batch.
fn later_batch_follows(rest: &[u8], tip: &Tip, batch_first: u64) -> bool {
    let mut last_entry: Option<SeenEntry> = None;
    let mut last_trailer: Option<Digits> = None;
    let mut closed = false;
    for (index, line) in lines(rest).enumerate() {
        match if index == 0 { look_behind(line) } else { look_anywhere(line) } {
            Seen::Entry(entry) if entry.seq >= tip.count => {
                let fits_here = entry.seq == tip.count && entry.prev == tip.leaf;
                let links_to_trailer = last_trailer == Some(digits_of(&entry.prev));
                if fits_here || links_to_trailer || closed {
                    return true;
                }
                (last_entry, last_trailer) = (Some(entry), None);
            }
            Seen::Trailer { entries, digits } => {
                if let Some(entry) = last_entry.filter(|e| digits == digits_of(&e.leaf)) {
                    if (entry.seq + 1).saturating_sub(entries) > batch_first {
                        return true;
                    }
                    closed = true;
                }
                (last_entry, last_trailer) = (None, Some(digits));
            }
            Seen::Entry(_) | Seen::Junk => (last_entry, last_trailer) = (None, None),
        }
    }
    false
}

/// The lines of `rest`, however long, each without its line feed; what follows the last one is not
/// a line.
fn lines(rest: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut at = 0;
    memchr::memchr_iter(b'\n', rest).map(move |end| &rest[std::mem::replace(&mut at, end + 1)..end])
}

/// What a line is, or what stands at its end behind bad bytes that swallowed a line feed.
fn look_anywhere(line: &[u8]) -> Seen {
    match look(line) {
        Seen::Junk => look_behind(line),
        seen @ (Seen::Entry(_) | Seen::Trailer { .. }) => seen,
    }
}

/// An entry that begins inside the line and ends with it.
fn look_behind(line: &[u8]) -> Seen {
    /// Every entry begins like this; what begins so inside an entry does not end with the line.
    const BEGIN: &[u8] = b"{\"actor\":{";
    memchr::memmem::find_iter(line, BEGIN)
        .filter(|start| *start > 0)
        .map(|start| look(&line[start..]))
        .find(|seen| *seen != Seen::Junk)
        .unwrap_or(Seen::Junk)
}
