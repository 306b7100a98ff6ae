//! The second half of an audit: what follows from the entries, worked out again.
//!
//! The chain shows that the entries are the ones that were recorded. This part replays them through
//! the same pure folds and compares what the log says of itself with what follows: digests of fold
//! states, reports, anchors and their times, signatures by keys that the log enrolled. A
//! [`Difference`] means that the software that wrote the log computed something else than this
//! program does from the same facts, or that the log tells something of itself that is not so.

use std::collections::{BTreeMap, BTreeSet};

use chain::Digest;
use chain::entry::{Entry, EntryView, leaf_hash};
use chain::keys::Keys;
use chain::merkle::Frontier;
use chain::note::VerifierKey;
use shopfloor::catalogue::Event;
use shopfloor::record::events::FoldDigested;
use shopfloor::{Fact, State};

use crate::bracket::Bracket;
use crate::client_keys::{KeyStories, KeyStory};
use crate::reports::{Prefix, ReportCheck, ReportFile, Reports};

/// What the replay found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Replay {
    /// Entries whose event could not be read by this version's catalogue.
    pub unreadable: Vec<u64>,
    /// Fold digests recorded in the log that were reached again.
    pub digests_equal: u64,
    /// Fold digests of another fold version, which cannot be compared.
    pub digests_of_another_version: u64,
    /// Findings the replay raised.
    pub findings: u64,
    /// Anchors the log kept.
    pub anchors: u64,
    /// Keys the log enrolled, in the order of their enrolment.
    pub keys: Vec<KeyStory>,
    /// The report files that came with the entries, worked out again.
    pub reports: Vec<ReportCheck>,
    /// Entries that tell of a report which did not come with the entries.
    pub reports_absent: Vec<u64>,
    /// Checkpoint of the log this one continues, as entry 0 cites it.
    pub continues: Option<String>,
    /// Entry that closed the log.
    pub closed_by: Option<u64>,
    /// Where the log says something of itself that does not follow from its entries, in order.
    pub differences: Vec<Difference>,
}

/// A statement of the log about itself that does not follow from its entries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Entry that makes the statement, or at which it shows; none if a report file makes it.
    pub seq: Option<u64>,
    /// What it is about.
    pub about: String,
    /// What is said.
    pub recorded: String,
    /// What follows from the entries.
    pub computed: String,
}

/// What the replay compares the entries with.
#[derive(Debug)]
pub struct Against<'a> {
    /// The keys that are believed.
    pub keys: &'a Keys,
    /// Witnesses that are believed, those of the policy included.
    pub witnesses: &'a [VerifierKey],
    /// Every checkpoint held, verbatim. They were verified with the entries.
    pub checkpoints: Vec<&'a [u8]>,
    /// The report files that came with the entries.
    pub reports: Vec<ReportFile<'a>>,
}

/// Replays entries that were found sound.
#[must_use]
pub fn replay(entries: &[&[u8]], against: &Against<'_>) -> Replay {
    let mut found = Replay::default();
    let mut state = State::default();
    let mut keys = KeyStories::new(against.keys.origin());
    let mut bracket = Bracket::new(entries, against);
    let mut reports = Reports::new(&against.reports);
    let wanted: BTreeSet<u64> = bracket.sizes().chain(reports.sizes()).collect();
    let mut roots = Roots::new(wanted);
    for (seq, bytes) in (0_u64..).zip(entries) {
        roots.push(bytes);
        if let Ok(entry) = Entry::parse(bytes) {
            bracket.entry(&entry, &roots.at, &mut found.differences);
            match Fact::from_entry(&entry) {
                Ok(fact) => {
                    keys.entry(&entry, &state.record, &mut found.differences);
                    reports.entry(&fact);
                    found.take(&mut state, &fact, entries);
                }
                Err(_) => found.unreadable.push(seq),
            }
        }
        // As of `seq + 1` entries, whatever of them could be read.
        if let Some(root) = roots.at.get(&(seq + 1)) {
            let recorded_at_ms = EntryView::parse(bytes).map_or(0, |entry| entry.recorded_at_ms);
            let prefix = Prefix { size: seq + 1, root, recorded_at_ms, state: &state, entries };
            reports.compile(&prefix, against);
        }
    }
    found.anchors = bracket.anchors();
    found.keys = keys.finish(&state.record);
    (found.reports, found.reports_absent) = reports.finish(&mut found.differences);
    found
}

impl Replay {
    fn take(&mut self, state: &mut State, fact: &Fact, entries: &[&[u8]]) {
        match &fact.event {
            Event::FoldDigested(digested) => self.compare_fold(state, fact.seq, digested),
            Event::LogOpened(opened) => self.continues = opened.continues.clone(),
            Event::LogClosed(_) => self.closed_by = Some(fact.seq),
            _ => {}
        }
        // The entry this one is about is read again: few entries are, and none need be kept.
        let original = fact
            .about_entry()
            .and_then(|about| read(entries.get(usize::try_from(about).ok()?)?))
            .and_then(|original| state.record.effective(original));
        self.findings += state.apply(fact, original.as_ref()).len() as u64;
    }

    fn compare_fold(&mut self, state: &State, seq: u64, digested: &FoldDigested) {
        if digested.version != shopfloor::state::FOLD_VERSION {
            self.digests_of_another_version += 1;
            return;
        }
        let computed = state
            .digests()
            .ok()
            .and_then(|all| all.into_iter().find(|(name, _)| *name == digested.fold.as_str()))
            .map_or_else(|| "no such fold".to_owned(), |(_, digest)| digest.to_string());
        if digested.as_of == state.as_of && computed == digested.digest.as_str() {
            self.digests_equal += 1;
            return;
        }
        self.differences.push(Difference {
            seq: Some(seq),
            about: format!("fold `{}` as of {} entries", digested.fold, digested.as_of),
            recorded: digested.digest.to_string(),
            computed: format!("{computed} as of {} entries", state.as_of),
        });
    }
}

fn read(bytes: &[u8]) -> Option<Fact> {
    Entry::parse(bytes).ok().and_then(|entry| Fact::from_entry(&entry).ok())
}

/// Roots at the sizes somebody wants, worked out while the entries go by.
struct Roots {
    tree: Frontier,
    wanted: BTreeSet<u64>,
    at: BTreeMap<u64, Digest>,
}

impl Roots {
    fn new(wanted: BTreeSet<u64>) -> Self {
        Self { tree: Frontier::new(), wanted, at: BTreeMap::new() }
    }

    fn push(&mut self, entry: &[u8]) {
        self.tree.push(leaf_hash(entry));
        if self.wanted.contains(&self.tree.size()) {
            self.at.insert(self.tree.size(), self.tree.root());
        }
    }
}
