//! The part of the check that looks at one line alone, and can therefore run on many threads.

use std::collections::BTreeMap;

use crate::canon::{self, Value};
use crate::digest::Digest;
use crate::entry::{ClientSignature, EntryError, EntryView, leaf_hash};
use crate::keys::Keys;
use crate::note::VerifierKey;

/// What one line says and whether it may say so.
pub(super) struct Examined {
    pub(super) leaf: Digest,
    pub(super) facts: Result<Facts, EntryError>,
}

/// What an entry claims.
pub(super) struct Facts {
    pub(super) seq: u64,
    pub(super) prev: Digest,
    pub(super) recorded_at_ms: i64,
    pub(super) signature: SignatureState,
}

/// What is known of an entry's client signature.
pub(super) enum SignatureState {
    Absent,
    /// Valid, by this key.
    Valid(String),
    /// By a key that is not known.
    UnknownKey,
    /// Not valid, although by this known key.
    Bad(String),
}

/// The keys with which clients sign, by `name+keyid`, and the log they sign for.
#[derive(Clone)]
pub(super) struct Clients {
    origin: String,
    keys: BTreeMap<String, VerifierKey>,
}

impl Clients {
    pub(super) fn new(keys: &Keys) -> Self {
        let by_label = |key: &VerifierKey| (key.label(), key.clone());
        Self { origin: keys.origin().to_owned(), keys: keys.clients.iter().map(by_label).collect() }
    }

    /// Reads and hashes one line and checks its client signature.
    pub(super) fn examine(&self, line: &[u8]) -> Examined {
        let facts = EntryView::parse(line).map(|entry| Facts {
            seq: entry.seq,
            prev: entry.prev,
            recorded_at_ms: entry.recorded_at_ms,
            signature: entry.sig.map_or(SignatureState::Absent, |s| self.check(s, entry.event)),
        });
        Examined { leaf: leaf_hash(line), facts }
    }

    fn check(&self, signature: ClientSignature, event: &[u8]) -> SignatureState {
        match self.keys.get(&signature.by) {
            None => SignatureState::UnknownKey,
            Some(key) if signature.verify(key, &self.origin, event) => {
                SignatureState::Valid(signature.by)
            }
            Some(_) => SignatureState::Bad(signature.by),
        }
    }
}

/// What entry 0 names: type of event, origin, key; one that is missing is empty.
pub(super) fn opening(line: &[u8]) -> (String, String, String) {
    let event = EntryView::parse(line).ok().and_then(|entry| canon::check(entry.event).ok());
    let event = event.unwrap_or(Value::Null);
    let text = |value: Option<&Value>| value.and_then(Value::as_str).unwrap_or_default().to_owned();
    let data = |name| event.get("data").and_then(|data| data.get(name));
    (text(event.get("type")), text(data("origin")), text(data("key")))
}
