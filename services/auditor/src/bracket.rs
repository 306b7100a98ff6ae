//! Times held against witnesses: an entry lies after the last anchor the log kept before it, and
//! before the first cosigned checkpoint that covers it.
//!
//! Inside that bracket the recorded time is the log's own word. Outside it is a lie or a wrong
//! clock, and both are told.

use std::collections::BTreeMap;

use chain::Digest;
use chain::checkpoint::Checkpoint;
use chain::entry::Entry;
use chain::note::VerifierKey;
use chain::time::format_ms;
use shopfloor::catalogue::{Event, TYPE_PREFIX};

use crate::replay::{Against, Difference};

/// How far the clocks of log and witness may differ, in ms. Common practice, no source: the same
/// five minutes within which the log takes work for done now.
pub const CLOCKS_DIFFER_MS_MAX: i64 = 5 * 60 * 1000;

/// An anchor the log kept, verified.
struct Anchor {
    size: u64,
    root: Digest,
    /// Earliest cosignature of a known witness.
    cosigned_ms: Option<i64>,
}

/// See the [module](self).
pub(crate) struct Bracket {
    /// By the entry that keeps it; `None` if it is no checkpoint of this log.
    anchors: BTreeMap<u64, Option<Anchor>>,
    /// Size of each cosigned checkpoint held, and when it was first cosigned.
    upper: BTreeMap<u64, i64>,
    /// Cosigned when, as the last anchor says, and by which entry that is told.
    lower: Option<(u64, i64)>,
    told: bool,
}

impl Bracket {
    pub(crate) fn new(entries: &[&[u8]], against: &Against<'_>) -> Self {
        let trusted: Vec<VerifierKey> =
            std::iter::once(&against.keys.log).chain(against.witnesses).cloned().collect();
        let mut upper: BTreeMap<u64, i64> = BTreeMap::new();
        for note in &against.checkpoints {
            if let Some((anchor, at)) =
                open(note, &trusted).and_then(|a| a.cosigned_ms.map(|at| (a, at)))
            {
                upper.entry(anchor.size).and_modify(|known| *known = at.min(*known)).or_insert(at);
            }
        }
        let anchors = (0_u64..)
            .zip(entries)
            .filter_map(|(seq, line)| Some((seq, anchor_note(line)?)))
            .map(|(seq, note)| (seq, open(note.as_bytes(), &trusted)))
            .collect();
        Self { anchors, upper, lower: None, told: false }
    }

    /// Sizes whose roots are needed.
    pub(crate) fn sizes(&self) -> impl Iterator<Item = u64> {
        self.anchors.values().flatten().map(|anchor| anchor.size)
    }

    pub(crate) fn anchors(&self) -> u64 {
        self.anchors.len() as u64
    }

    /// Looks at the next entry. `roots` holds the roots of the sizes reached.
    pub(crate) fn entry(
        &mut self,
        entry: &Entry,
        roots: &BTreeMap<u64, Digest>,
        differences: &mut Vec<Difference>,
    ) {
        if let Some(anchor) = self.anchors.get(&entry.seq) {
            match anchor {
                // A kept checkpoint speaks for entries before it, so its size was reached.
                Some(anchor) if anchor.size <= entry.seq => {
                    if let Some(root) = roots.get(&anchor.size).filter(|r| **r != anchor.root) {
                        differences.push(Difference {
                            seq: Some(entry.seq),
                            about: format!("kept anchor of {} entries", anchor.size),
                            recorded: format!("root {}", anchor.root),
                            computed: format!("root {root}"),
                        });
                    }
                    if let Some(at) = anchor.cosigned_ms {
                        self.lower = Some((entry.seq, at));
                    }
                }
                Some(_) | None => differences.push(Difference {
                    seq: Some(entry.seq),
                    about: "kept anchor".to_owned(),
                    recorded: "a checkpoint of this log".to_owned(),
                    computed: "it is none of entries before this one, signed by the log".to_owned(),
                }),
            }
        }
        if !self.told
            && let Some(difference) = self.outside(entry)
        {
            // Later entries are not earlier, so one finding stands for all that follow.
            self.told = true;
            differences.push(difference);
        }
    }

    fn outside(&self, entry: &Entry) -> Option<Difference> {
        let at = entry.recorded_at_ms;
        let says = |computed: String| Difference {
            seq: Some(entry.seq),
            about: "recorded time".to_owned(),
            recorded: time(at),
            computed,
        };
        if let Some((seq, after)) = self.lower
            && at < after - CLOCKS_DIFFER_MS_MAX
        {
            let after = time(after);
            return Some(says(format!(
                "after {after}, when a witness cosigned the anchor that entry {seq} kept"
            )));
        }
        let (size, before) = self.upper.range(entry.seq + 1..).next()?;
        (at > before + CLOCKS_DIFFER_MS_MAX).then(|| {
            let before = time(*before);
            says(format!("before {before}, when a witness cosigned a checkpoint of {size} entries"))
        })
    }
}

fn time(ms: i64) -> String {
    format_ms(ms).unwrap_or_else(|_| format!("{ms} ms"))
}

fn open(note: &[u8], trusted: &[VerifierKey]) -> Option<Anchor> {
    let signed = Checkpoint::open(note, trusted).ok()?;
    let cosigned_s = signed.cosignatures.iter().map(|c| c.timestamp_s).min();
    let cosigned_ms = cosigned_s.and_then(|s| i64::try_from(s).ok()?.checked_mul(1000));
    let Checkpoint { size, root, .. } = signed.checkpoint;
    Some(Anchor { size, root, cosigned_ms })
}

/// The note in an `anchor.kept` entry. Most lines are told apart without reading them: inside a
/// canonical text the type of an event can be spelled in one way only.
fn anchor_note(line: &[u8]) -> Option<String> {
    let wanted = format!("\"type\":\"{TYPE_PREFIX}anchor.kept\"");
    line.windows(wanted.len()).rev().find(|part| *part == wanted.as_bytes())?;
    let entry = Entry::parse(line).ok()?;
    match shopfloor::Fact::from_entry(&entry).ok()?.event {
        Event::AnchorKept(kept) => Some(kept.note),
        _ => None,
    }
}
