//! The second half of an audit: what follows from the entries, worked out again.
//!
//! The chain shows that the entries are the ones that were recorded. This part replays them through
//! the same pure folds and compares what the log says of itself: digests of fold states and of
//! issued reports. A difference means that the software that wrote the log computed something else
//! than this program does from the same facts.

use chain::entry::Entry;
use shopfloor::catalogue::Event;
use shopfloor::{Fact, State};

/// What the replay found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Refold {
    /// Entries whose event could not be read by this version's catalogue.
    pub unreadable: Vec<u64>,
    /// Fold digests recorded in the log that were reached again.
    pub digests_equal: u64,
    /// Fold digests of another fold version, which cannot be compared.
    pub digests_of_another_version: u64,
    /// Findings the replay raised.
    pub findings: u64,
    /// The first difference between what the log says and what follows from it.
    pub difference: Option<Difference>,
}

/// A statement of the log about itself that does not follow from its entries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Entry that makes the statement.
    pub seq: u64,
    /// What it is about.
    pub about: String,
    /// What the entry says.
    pub recorded: String,
    /// What follows from the entries before it.
    pub computed: String,
}

/// Replays verified entries in order.
pub fn refold(entries: &[&[u8]]) -> (Refold, State) {
    let mut refold = Refold::default();
    let mut state = State::default();
    for (seq, bytes) in (0_u64..).zip(entries) {
        let Some(fact) = read(bytes) else {
            refold.unreadable.push(seq);
            continue;
        };
        compare(&state, &fact, &mut refold);
        // The entry this one is about is read again: few entries are, and none need be kept.
        let original = fact
            .about_entry()
            .and_then(|about| read(entries.get(usize::try_from(about).ok()?)?))
            .and_then(|original| state.record.effective(original));
        refold.findings += state.apply(&fact, original.as_ref()).len() as u64;
    }
    (refold, state)
}

fn read(bytes: &[u8]) -> Option<Fact> {
    Entry::parse(bytes).ok().and_then(|entry| Fact::from_entry(&entry).ok())
}

fn compare(state: &State, fact: &Fact, refold: &mut Refold) {
    let Event::FoldDigested(digested) = &fact.event else { return };
    if digested.version != shopfloor::state::FOLD_VERSION {
        refold.digests_of_another_version += 1;
        return;
    }
    let computed = state
        .digests()
        .ok()
        .and_then(|all| all.into_iter().find(|(name, _)| *name == digested.fold.as_str()))
        .map_or_else(|| "no such fold".to_owned(), |(_, digest)| digest.to_string());
    let same_prefix = digested.as_of == state.as_of;
    if same_prefix && computed == digested.digest.as_str() {
        refold.digests_equal += 1;
    } else if refold.difference.is_none() {
        refold.difference = Some(Difference {
            seq: fact.seq,
            about: format!("fold `{}` as of {} entries", digested.fold, digested.as_of),
            recorded: digested.digest.to_string(),
            computed: format!("{computed} as of {} entries", state.as_of),
        });
    }
}
