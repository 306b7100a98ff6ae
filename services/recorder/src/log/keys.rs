//! The keys that clients sign with, as the log tells them.

use std::sync::{Mutex, PoisonError};

use chain::entry::Entry;
use chain::note::{KeyKind, VerifierKey};
use shopfloor::record::events::KeyUse;
use shopfloor::{Event, Fact};

use super::{Log, LogError};

/// Enrolments and revocations looked up in one go.
const STEP: usize = 256;

/// The keys as of the entries looked at so far.
#[derive(Debug, Default)]
pub(super) struct ClientKeys(Mutex<Known>);

#[derive(Debug, Default)]
struct Known {
    /// Entries looked at.
    as_of: u64,
    keys: Vec<VerifierKey>,
}

impl ClientKeys {
    /// Takes in what was enrolled and revoked since the last time and returns the keys.
    pub(super) fn current(&self, log: &Log) -> Result<Vec<VerifierKey>, LogError> {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let ledger = &log.0.ledger;
        let end = log.size();
        let mut changes = Vec::new();
        for name in ["key.enrolled", "key.revoked"] {
            let mut from = known.as_of;
            loop {
                let found = ledger.by_name(name, from, STEP)?;
                let Some(last) = found.last() else { break };
                from = last + 1;
                changes.extend(found);
            }
        }
        changes.sort_unstable();
        for seq in changes.into_iter().filter(|seq| *seq < end) {
            if let Some(event) = effective(log, seq)? {
                known.take(&event);
            }
        }
        known.as_of = end;
        Ok(known.keys.clone())
    }
}

impl Known {
    fn take(&mut self, event: &Event) {
        match event {
            Event::KeyEnrolled(enrolled) if enrolled.usage == KeyUse::Client => {
                let key: Option<VerifierKey> = enrolled.key.parse().ok();
                let fits = |key: &VerifierKey| {
                    key.kind() == KeyKind::Ed25519
                        && self.keys.iter().all(|other| other.label() != key.label())
                };
                self.keys.extend(key.filter(fits));
            }
            Event::KeyRevoked(revoked) => {
                self.keys.retain(|key| key.to_string() != revoked.key);
            }
            _ => {}
        }
    }
}

/// The event of an entry. (Enrolments cannot be amended; they are revoked.)
fn effective(log: &Log, seq: u64) -> Result<Option<Event>, LogError> {
    let Some(line) = log.entry(seq)? else { return Ok(None) };
    let entry = Entry::parse(&line).map_err(|error| LogError::Failed(error.to_string()))?;
    Ok(Fact::from_entry(&entry).ok().map(|fact| fact.event))
}
