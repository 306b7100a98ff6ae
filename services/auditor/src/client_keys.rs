//! The keys that the log enrolled and revoked, and what was signed with them.
//!
//! An enrolment is an entry by two people, visible for ever. After a revocation the entries from
//! `suspect_from` on that were signed with the key are suspect; they are listed, never dropped.

use std::collections::BTreeMap;

use chain::entry::Entry;
use chain::note::{KeyKind, VerifierKey};
use shopfloor::record::Record;
use shopfloor::record::events::KeyUse;
use shopfloor::record::keys::EnrolledKey;

use crate::replay::Difference;

/// The entries signed with a key within a range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signed {
    /// The first.
    pub first: u64,
    /// The last.
    pub last: u64,
    /// How many.
    pub entries: u64,
}

/// What the log tells of one key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeyStory {
    /// The key as enrolled, and who stands for it.
    pub key: EnrolledKey,
    /// Name and key id; `None` if the key cannot be used: malformed, weak, or not canonical.
    pub label: Option<String>,
    /// Entries signed with it.
    pub signed: Option<Signed>,
    /// Of these, the suspect ones.
    pub suspect: Option<Signed>,
}

/// The key of an enrolment, if it can be used to sign.
pub(crate) fn usable(key: &EnrolledKey) -> Option<VerifierKey> {
    let key: Option<VerifierKey> = key.key.parse().ok();
    key.filter(|key| key.kind() == KeyKind::Ed25519)
}

/// What was signed while the entries go by.
pub(crate) struct KeyStories<'a> {
    origin: &'a str,
    /// Signed entries, by the entry of the key's enrolment.
    signed: BTreeMap<u64, Vec<u64>>,
}

impl<'a> KeyStories<'a> {
    pub(crate) fn new(origin: &'a str) -> Self {
        Self { origin, signed: BTreeMap::new() }
    }

    /// Checks a signature by a key that the log enrolled; `record` is as of the entries before. Those
    /// by keys of `keys.txt` were checked with the chain.
    pub(crate) fn entry(
        &mut self,
        entry: &Entry,
        record: &Record,
        differences: &mut Vec<Difference>,
    ) {
        let Some(signature) = &entry.sig else { return };
        let of = |key: &&EnrolledKey| key.usage == KeyUse::Client && key.is_named(&signature.by);
        let Some((enrolled, key)) =
            record.keys().iter().rev().find(of).and_then(|e| Some((e, usable(e)?)))
        else {
            return;
        };
        let event = chain::canon::to_bytes(&entry.event);
        let computed = if !signature.verify(&key, self.origin, &event) {
            "the signature does not verify"
        } else if enrolled.is_in_force() {
            self.signed.entry(enrolled.enrolled.seq).or_default().push(entry.seq);
            return;
        } else {
            "the key was not in force: two people stand for it, until it is revoked"
        };
        differences.push(Difference {
            seq: Some(entry.seq),
            about: "client signature".to_owned(),
            recorded: format!("signed by `{}`, which the log enrolled", signature.by),
            computed: computed.to_owned(),
        });
    }

    pub(crate) fn finish(self, record: &Record) -> Vec<KeyStory> {
        let none = Vec::new();
        let told = |key: &EnrolledKey| {
            let seqs = self.signed.get(&key.enrolled.seq).unwrap_or(&none);
            let suspect = key.revoked.as_ref().and_then(|revoked| {
                range(&seqs[seqs.partition_point(|seq| *seq < revoked.suspect_from)..])
            });
            let label = usable(key).map(|key| key.label());
            KeyStory { key: key.clone(), label, signed: range(seqs), suspect }
        };
        record.keys().iter().map(told).collect()
    }
}

fn range(seqs: &[u64]) -> Option<Signed> {
    let (first, last) = (*seqs.first()?, *seqs.last()?);
    Some(Signed { first, last, entries: seqs.len() as u64 })
}
