//! Looking at the segments of a log as they lie there, changing nothing: which there are, how far
//! the log reaches, what stands at its end.

use std::sync::{Arc, Mutex};

use super::{ACTIVE_MODE, Offsets, SEALED_MODE, Segment, segment_name};
use crate::disk::{Access, Dir, File, Kind, TEMP_SUFFIX};
use crate::engine::line::{Seen, TRAILER_BYTES_MAX, look};
use crate::engine::recovery::{Decision, Facts, Next, Stop, StopCause, Tip, Walk, decide, walk};
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::SEGMENT_BYTES_MAX;

pub(super) const ENTRIES: &str = "entries";

/// A segment file as found.
#[derive(Debug, Clone)]
pub(super) struct Found {
    pub(super) first: u64,
    pub(super) name: String,
    pub(super) len: u64,
    pub(super) sealed: bool,
}

/// The segments, ascending; refuses everything that does not belong there (E15).
pub(super) fn list_segments(entries: &dyn Dir) -> Result<Vec<Found>> {
    let foreign = |name: &str, what: &str| LedgerError::Foreign {
        name: format!("{ENTRIES}/{name}"),
        what: what.to_owned(),
    };
    let mut found = Vec::new();
    for name in entries.list().doing("list", ENTRIES)? {
        if name.ends_with(TEMP_SUFFIX) {
            continue;
        }
        let first = name.strip_suffix(".log").and_then(|digits| digits.parse().ok());
        let Some(first) = first.filter(|first| segment_name(*first) == name) else {
            return Err(foreign(&name, "does not belong there: move it away"));
        };
        let Some(stat) = entries.stat(&name).doing("look at", &name)? else { continue };
        if stat.kind != Kind::File {
            return Err(foreign(&name, "is not a regular file"));
        }
        if stat.mode & 0o400 == 0 || stat.mode & 0o7133 != 0 {
            let what = format!("has mode {:o}, not {ACTIVE_MODE:o} or {SEALED_MODE:o}", stat.mode);
            return Err(foreign(&name, &what));
        }
        if stat.len > SEGMENT_BYTES_MAX + 2 * crate::limits::BATCH_BYTES_MAX as u64 {
            return Err(foreign(&name, "is longer than a segment can be"));
        }
        found.push(Found { first, name, len: stat.len, sealed: stat.mode & 0o200 == 0 });
    }
    Ok(found)
}

/// What the walk over the segments came to.
#[derive(Debug)]
pub(super) struct Survey {
    /// Whole, sealed segments, ascending.
    pub(super) segments: Vec<Arc<Segment>>,
    /// The unsealed last segment, or the one in which the walk stopped.
    pub(super) tail: Option<Tail>,
    pub(super) tip: Tip,
    pub(super) stop: Option<Stop>,
    /// A pre-allocated segment behind the tail.
    pub(super) unused: Option<String>,
    /// The sealed segment in which the log ends, and where.
    pub(super) last_sealed: Option<(String, u64)>,
}

/// The segment in which the log ends.
#[derive(Debug, Clone)]
pub(super) struct Tail {
    pub(super) first: u64,
    pub(super) name: String,
    pub(super) bytes: Vec<u8>,
    pub(super) walk: Walk,
    pub(super) cut: bool,
}

impl Tail {
    pub(super) fn segment(&self, file: Option<Arc<dyn File>>) -> Segment {
        let offsets = Offsets {
            marks: self.walk.marks.clone(),
            entries: self.walk.tip.count - self.first,
            end: self.walk.end as u64,
        };
        Segment {
            first: self.first,
            name: self.name.clone(),
            file: Mutex::new(file),
            offsets: Mutex::new(Some(offsets)),
        }
    }

    /// Where rewriting begins: at or before the first entry the watermark does not cover.
    pub(super) fn rewrite_from(&self, watermark_size: u64) -> usize {
        let within = watermark_size.saturating_sub(self.first) / crate::limits::OFFSET_EVERY;
        let marks = &self.walk.marks;
        let index =
            usize::try_from(within).unwrap_or(usize::MAX).min(marks.len().saturating_sub(1));
        marks.get(index).map_or(0, |mark| usize::try_from(*mark).unwrap_or(0))
    }
}

/// How much of the log is walked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Depth {
    /// The segments that reach beyond the watermark, if there is one; the others at their seams.
    SinceWatermark(Option<u64>),
    /// Every byte, whatever the watermark says.
    Everything,
}

pub(super) fn survey(entries: &Arc<dyn Dir>, found: &[Found], depth: Depth) -> Result<Survey> {
    let covered_count = match depth {
        Depth::SinceWatermark(watermark_size) => watermark_size.unwrap_or(0),
        Depth::Everything => 0,
    };
    let mut this = Survey {
        segments: Vec::new(),
        tail: None,
        tip: Tip::genesis(),
        stop: None,
        unused: None,
        last_sealed: None,
    };
    // Sealed segments wholly below the watermark are only checked at their seams.
    let walk_from =
        found.partition_point(|segment| segment.first < covered_count.max(1)).saturating_sub(1);
    for (index, segment) in found.iter().enumerate() {
        if segment.first != this.tip.count {
            this.stop =
                Some(stop_at(StopCause::SegmentsDoNotFollow, this.tip.count, &segment.name, 0));
            break;
        }
        let next = what_follows(&**entries, &found[index + 1..])?;
        if index < walk_from {
            let Some(tip) = seam(&**entries, segment, &this.tip, found[index + 1].first)? else {
                this.stop =
                    Some(stop_at(StopCause::SegmentsDoNotFollow, segment.first, &segment.name, 0));
                break;
            };
            this.tip = tip;
            this.segments.push(Arc::new(segment.sealed()));
            continue;
        }
        let bytes = read_segment(&**entries, segment)?;
        let walk = walk(&bytes, this.tip);
        let facts = Facts {
            place: walk.place,
            batch_open: walk.batch_open(),
            covered: walk.tip.count < covered_count,
            later_batch: walk.later_batch,
            sealed: segment.sealed,
            next,
        };
        this.tip = walk.tip;
        let decision = decide(facts);
        let offset = walk.end as u64;
        let keep_as_tail = match decision {
            Decision::GoOn => false,
            Decision::Open => !segment.sealed,
            Decision::Cut | Decision::Stop(_) => true,
        };
        if keep_as_tail {
            let cut = decision == Decision::Cut;
            let (first, name) = (segment.first, segment.name.clone());
            this.tail = Some(Tail { first, name, bytes, walk, cut });
        } else {
            this.segments.push(Arc::new(segment.sealed()));
            this.last_sealed = Some((segment.name.clone(), offset));
        }
        match decision {
            Decision::GoOn => continue,
            Decision::Open | Decision::Cut => {
                this.unused = found.get(index + 1).map(|unused| unused.name.clone());
            }
            Decision::Stop(cause) => {
                this.stop = Some(stop_at(cause, this.tip.count, &segment.name, offset));
            }
        }
        break;
    }
    if this.stop.is_none() && this.tip.count < covered_count {
        // No segment at all, or the last one is missing (E14, E18).
        this.stop = Some(stop_at(StopCause::Shorter, this.tip.count, ENTRIES, 0));
    }
    if this.stop.is_none() && depth == Depth::SinceWatermark(None) && this.tip.count > 0 {
        this.stop = Some(stop_at(StopCause::NoWatermark, this.tip.count, "head", 0));
    }
    Ok(this)
}

pub(super) fn stop_at(cause: StopCause, seq: u64, name: &str, offset: u64) -> Stop {
    Stop { cause, seq, name: name.to_owned(), offset }
}

impl Found {
    fn sealed(&self) -> Segment {
        Segment {
            first: self.first,
            name: self.name.clone(),
            file: Mutex::new(None),
            offsets: Mutex::new(None),
        }
    }
}

fn read_segment(entries: &dyn Dir, segment: &Found) -> Result<Vec<u8>> {
    let file = entries.open(&segment.name, Access::Read).doing("open", &segment.name)?;
    let mut bytes = vec![0; usize::try_from(segment.len).unwrap_or(0)];
    let got = file.read_at(&mut bytes, 0).doing("read", &segment.name)?;
    bytes.truncate(got);
    Ok(bytes)
}

fn what_follows(entries: &dyn Dir, rest: &[Found]) -> Result<Next> {
    match rest {
        [] => Ok(Next::None),
        [next] if !next.sealed => {
            let zeros = read_segment(entries, next)?.iter().all(|byte| *byte == 0);
            Ok(if zeros { Next::Zeros } else { Next::Content })
        }
        _ => Ok(Next::Content),
    }
}

/// The end of a sealed segment that is not walked: its last entry, if first and last lines fit.
fn seam(entries: &dyn Dir, segment: &Found, before: &Tip, next_first: u64) -> Result<Option<Tip>> {
    /// Enough for most entries: a log has thousands of segments, and a start looks at all of them.
    const WINDOW: usize = 4 << 10;
    const WIDEST: usize = chain::limits::ENTRY_BYTES_MAX + 1 + TRAILER_BYTES_MAX;
    if !segment.sealed {
        return Ok(None);
    }
    let file = entries.open(&segment.name, Access::Read).doing("open", &segment.name)?;
    for window in [WINDOW, WIDEST] {
        let read = |offset: u64| -> Result<Vec<u8>> {
            let mut bytes = vec![0; window];
            let got = file.read_at(&mut bytes, offset).doing("read", &segment.name)?;
            bytes.truncate(got);
            Ok(bytes)
        };
        let (head, tail) = (read(0)?, read(segment.len.saturating_sub(window as u64))?);
        if let Some(tip) = seam_of(&head, &tail, segment, before).filter(|t| t.count == next_first)
        {
            return Ok(Some(tip));
        }
    }
    Ok(None)
}

/// What the first and the last bytes of a segment say of its end.
fn seam_of(head: &[u8], tail: &[u8], segment: &Found, before: &Tip) -> Option<Tip> {
    let first = head.split(|byte| *byte == b'\n').next().map(look);
    let fits = matches!(first, Some(Seen::Entry(entry))
        if entry.seq == segment.first && entry.prev == before.leaf
            && entry.recorded_at_ms >= before.recorded_at_ms);
    let mut lines = tail.rsplit(|byte| *byte == b'\n');
    let (Some([]), Some(trailer), Some(last)) = (lines.next(), lines.next(), lines.next()) else {
        return None;
    };
    let (Seen::Trailer { digits, .. }, Seen::Entry(entry)) = (look(trailer), look(last)) else {
        return None;
    };
    let closes = digits == crate::engine::line::digits_of(&entry.leaf);
    (fits && closes).then(|| Tip::after(&entry))
}
