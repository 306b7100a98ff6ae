//! The keys that the log enrolled and revoked, and what was signed with them.
//!
//! An enrolment is an entry by two people, visible for ever. After a revocation the entries from
//! `suspect_from` on that were signed with the key are suspect; they are listed, never dropped.

use chain::entry::Entry;
use chain::keys::Keys;
use chain::note::{KeyKind, VerifierKey};
use shopfloor::Fact;
use shopfloor::catalogue::Event;
use shopfloor::record::events::KeyUse;

use crate::replay::Difference;

/// Two people and the entry they stand for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TwoPeople {
    /// The entry.
    pub seq: u64,
    /// Who asked, by pseudonym.
    pub by: String,
    /// Who approved, by pseudonym.
    pub approved_by: String,
}

impl TwoPeople {
    fn of(entry: &Entry, approved_by: &impl ToString) -> Self {
        let by = entry.actor.id.clone();
        Self { seq: entry.seq, by, approved_by: approved_by.to_string() }
    }

    /// Whether they are two.
    #[must_use]
    pub fn are_two(&self) -> bool {
        self.by != self.approved_by
    }
}

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
    /// The key as enrolled.
    pub key: String,
    /// Name and key id; `None` if the key cannot be used: malformed, weak, or not canonical.
    pub label: Option<String>,
    /// What it is for.
    pub usage: KeyUse,
    /// Whose it is.
    pub owner: String,
    /// The enrolment.
    pub enrolled: TwoPeople,
    /// The revocation.
    pub revoked: Option<TwoPeople>,
    /// First entry that the revocation calls suspect.
    pub suspect_from: Option<u64>,
    /// Entries signed with it.
    pub signed: Option<Signed>,
    /// Of these, the suspect ones: from `suspect_from`, else from the revocation on.
    pub suspect: Option<Signed>,
}

struct Enrolled {
    story: KeyStory,
    key: Option<VerifierKey>,
    seqs: Vec<u64>,
}

/// The stories while the entries go by.
pub(crate) struct KeyStories<'a> {
    keys: &'a Keys,
    enrolled: Vec<Enrolled>,
}

impl<'a> KeyStories<'a> {
    pub(crate) fn new(keys: &'a Keys) -> Self {
        Self { keys, enrolled: Vec::new() }
    }

    pub(crate) fn entry(&mut self, entry: &Entry, fact: &Fact, differences: &mut Vec<Difference>) {
        match &fact.event {
            Event::KeyEnrolled(enrolled) => {
                let key: Option<VerifierKey> = enrolled.key.parse().ok();
                let key = key.filter(|key| key.kind() == KeyKind::Ed25519);
                let story = KeyStory {
                    key: enrolled.key.clone(),
                    label: key.as_ref().map(VerifierKey::label),
                    usage: enrolled.usage,
                    owner: enrolled.owner.to_string(),
                    enrolled: TwoPeople::of(entry, &enrolled.approved_by),
                    revoked: None,
                    suspect_from: None,
                    signed: None,
                    suspect: None,
                };
                self.enrolled.push(Enrolled { story, key, seqs: Vec::new() });
            }
            Event::KeyRevoked(revoked) => {
                for Enrolled { story, .. } in &mut self.enrolled {
                    if story.key == revoked.key && story.revoked.is_none() {
                        story.revoked = Some(TwoPeople::of(entry, &revoked.approved_by));
                        story.suspect_from = revoked.suspect_from;
                    }
                }
            }
            _ => {}
        }
        self.signature(entry, differences);
    }

    /// Checks a signature by a key that the log enrolled. Those by keys of `keys.txt` were checked
    /// with the chain.
    fn signature(&mut self, entry: &Entry, differences: &mut Vec<Difference>) {
        let Some(signature) = &entry.sig else { return };
        let of = |enrolled: &&mut Enrolled| {
            enrolled.story.label.as_ref() == Some(&signature.by)
                && enrolled.story.usage == KeyUse::Client
        };
        let Some(Enrolled { key: Some(key), seqs, .. }) = self.enrolled.iter_mut().rev().find(of)
        else {
            return;
        };
        let event = chain::canon::to_bytes(&entry.event);
        if signature.verify(key, self.keys.origin(), &event) {
            seqs.push(entry.seq);
            return;
        }
        differences.push(Difference {
            seq: Some(entry.seq),
            about: "client signature".to_owned(),
            recorded: format!("signed by `{}`, which the log enrolled", signature.by),
            computed: "the signature does not verify".to_owned(),
        });
    }

    pub(crate) fn finish(self) -> Vec<KeyStory> {
        let told = |Enrolled { mut story, seqs, .. }: Enrolled| {
            story.signed = range(&seqs);
            if let Some(revoked) = &story.revoked {
                let from = story.suspect_from.unwrap_or(revoked.seq);
                story.suspect = range(&seqs[seqs.partition_point(|seq| *seq < from)..]);
            }
            story
        };
        self.enrolled.into_iter().map(told).collect()
    }
}

fn range(seqs: &[u64]) -> Option<Signed> {
    let (first, last) = (*seqs.first()?, *seqs.last()?);
    Some(Signed { first, last, entries: seqs.len() as u64 })
}
