//! What goes into the ledger and what comes back.

use std::sync::Arc;

use chain::Digest;
use chain::canon::{self, Value};
use chain::entry::{Actor, ClientSignature, Draft, EntryError};
use chain::limits::EVENT_BYTES_MAX;
use shopfloor::catalogue::Origin;
use shopfloor::ids::SubjectKind;
use shopfloor::{Envelope, Event, Finding, Refusal};

/// `source` of the events the log records about itself.
pub const LOG_SOURCE: &str = "/log";
/// `subject` of those that are about the log as a whole.
pub const LOG_SUBJECT: &str = "log/self";

/// An event that was read: its canonical bytes and what they say. Reading is done once; everything
/// behind it takes this.
#[derive(Debug, Clone)]
pub struct ReadEvent {
    pub(crate) bytes: Vec<u8>,
    pub(crate) envelope: Envelope,
    pub(crate) event: Event,
}

impl ReadEvent {
    /// Reads the attributes and decodes the data.
    ///
    /// # Errors
    /// [`Unacceptable`]: it is too long, or not as the catalogue says, at the member at fault.
    pub fn read(value: &Value) -> Result<Self, Unacceptable> {
        let bytes = canon::to_bytes(value);
        if bytes.len() > EVENT_BYTES_MAX {
            return Err(Unacceptable::Entry(EntryError::EventTooLong { bytes: bytes.len() }));
        }
        let (envelope, event) = Envelope::read(value).map_err(Unacceptable::Refused)?;
        Ok(Self { bytes, envelope, event })
    }

    /// The canonical bytes.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The attributes.
    #[must_use]
    pub fn envelope(&self) -> &Envelope {
        &self.envelope
    }

    /// What it says happened.
    #[must_use]
    pub fn event(&self) -> &Event {
        &self.event
    }
}

/// An event ready for the writer: everything that does not depend on its place in the log was done
/// when it was prepared, off the writer's thread.
#[derive(Clone)]
pub struct Submission {
    pub(crate) draft: Draft,
    pub(crate) read: ReadEvent,
    pub(crate) actor: Actor,
    pub(crate) handling: Handling,
    pub(crate) signature: Option<ClientSignature>,
    pub(crate) key: Key,
    /// The subject in words, for the index.
    pub(crate) subject: String,
}

impl std::fmt::Debug for Submission {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Submission")
            .field("source", &self.read.envelope.source)
            .field("id", &self.read.envelope.id)
            .field("name", &self.read.envelope.name)
            .finish_non_exhaustive()
    }
}

/// What findings of a stopping rule do to an event (`Prefer: handling=..`, RFC 7240).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Handling {
    /// The event is recorded and the findings are told.
    #[default]
    Lenient,
    /// The event is refused, and the refusal is recorded.
    Strict,
}

/// Why an event cannot be prepared.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unacceptable {
    /// It is not canonical, too large, or the actor is not well formed.
    #[error("the event cannot become an entry")]
    Entry(#[source] EntryError),
    /// Attributes or data are not as the catalogue says.
    #[error(transparent)]
    Refused(Refusal),
}

impl Submission {
    /// Prepares an event that was read.
    ///
    /// # Errors
    /// [`Unacceptable`]; events that only the log itself records are refused from everybody else.
    pub fn new(
        actor: Actor,
        read: ReadEvent,
        handling: Handling,
        signature: Option<ClientSignature>,
    ) -> Result<Self, Unacceptable> {
        let draft = Draft::new(&actor, &read.bytes).map_err(Unacceptable::Entry)?;
        if read.event.kind().origin == Origin::Log && actor.id != "sys" {
            let detail = format!("`{}` is recorded by the log itself only", read.envelope.name);
            return Err(Unacceptable::Refused(Refusal::new("owned-by-the-log", "/type", detail)));
        }
        let key = Key::new(&read.envelope.source, &read.envelope.id);
        let subject = read.envelope.subject.to_string();
        Ok(Self { draft, read, actor, handling, signature, key, subject })
    }

    /// Reads and prepares an event from its canonical bytes.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    pub fn prepare(
        actor: Actor,
        bytes: &[u8],
        handling: Handling,
        signature: Option<ClientSignature>,
    ) -> Result<Self, Unacceptable> {
        let value =
            canon::check(bytes).map_err(|error| Unacceptable::Entry(EntryError::Event(error)))?;
        let read = ReadEvent::read(&value)?;
        Self::new(actor, read, handling, signature)
    }

    /// An event the log records about itself. `data` is any JSON object of the catalogue's form.
    ///
    /// # Errors
    /// As [`prepare`](Self::prepare).
    pub fn by_the_log(
        name: &str,
        id: &str,
        subject: &str,
        data: &serde_json::Value,
    ) -> Result<Self, Unacceptable> {
        let event = serde_json::json!({
            "data": data,
            "id": id,
            "source": LOG_SOURCE,
            "specversion": "1.0",
            "subject": subject,
            "type": format!("{}{name}", shopfloor::catalogue::TYPE_PREFIX),
        });
        let canonical = |error| Unacceptable::Entry(EntryError::Event(error));
        let value: Value = canon::parse(event.to_string().as_bytes()).map_err(canonical)?;
        let read = ReadEvent::read(&value)?;
        Self::new(Actor::system(), read, Handling::Lenient, None)
    }

    /// What is recorded when strict handling stops an event: which, of whom, and by which rules. The
    /// same attempt of the same sender gives the same id, so that it is recorded once.
    ///
    /// # Errors
    /// As [`prepare`](Self::prepare).
    pub fn stopped_attempt(
        sender: &Actor,
        envelope: &Envelope,
        event: &[u8],
        findings: &[Finding],
    ) -> Result<Self, Unacceptable> {
        let mut rules: Vec<&str> = findings.iter().map(|finding| finding.rule.as_str()).collect();
        rules.sort_unstable();
        rules.dedup();
        let subject = envelope.subject.to_string();
        let data = serde_json::json!({
            "digest": Digest::of(event).to_string(), "event": envelope.name, "rules": rules,
            "subject": subject, "who": sender.id,
        });
        let attempt = Digest::of(&[sender.id.as_bytes(), b"\n", event].concat());
        Self::by_the_log("attempt.refused", &format!("attempt-{attempt}"), &subject, &data)
    }

    /// Name of the event, without prefix.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.read.envelope.name
    }

    /// The event.
    #[must_use]
    pub fn read(&self) -> &ReadEvent {
        &self.read
    }

    /// Who sends it.
    #[must_use]
    pub fn actor(&self) -> &Actor {
        &self.actor
    }

    /// Whether the answer depends on what was recorded before, so that the state must be current.
    pub(crate) fn needs_state(&self) -> bool {
        self.handling == Handling::Strict || self.read.envelope.subject.kind == SubjectKind::Entry
    }
}

/// Length of a [`Key`] in bytes.
pub(crate) const KEY_BYTES: usize = 16;

/// What an event is known by, once and for all: the first 16 bytes of SHA-256 over its `source`, a
/// line feed and its `id`. Neither part can contain a line feed. Two events that share a key without
/// sharing both are as good as impossible (2^64 tries to find a pair on purpose); whoever found one
/// would be told that the second is another event under the id of the first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key([u8; KEY_BYTES]);

impl Key {
    /// The key of an event.
    #[must_use]
    pub fn new(source: &str, id: &str) -> Self {
        let digest = Digest::of(&[source.as_bytes(), b"\n", id.as_bytes()].concat());
        let (key, _) = digest.as_bytes().split_first_chunk().expect("16 of 32 bytes");
        Self(*key)
    }

    /// A key from its bytes.
    pub(crate) const fn from_bytes(bytes: [u8; KEY_BYTES]) -> Self {
        Self(bytes)
    }

    /// Its bytes, for an index.
    #[must_use]
    pub const fn as_bytes(&self) -> &[u8; 16] {
        &self.0
    }

    /// Its bytes as two numbers, the first bytes in the first.
    pub(crate) fn halves(&self) -> (u64, u64) {
        let all = u128::from_be_bytes(self.0);
        ((all >> 64) as u64, all as u64)
    }
}

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Key({:032x})", u128::from_be_bytes(self.0))
    }
}

/// Proof for the writer of an event: commits to this entry and to everything before it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt {
    /// The log.
    pub origin: Arc<str>,
    /// Index of the entry.
    pub seq: u64,
    /// Its leaf hash.
    pub leaf: Digest,
    /// Leaf hash of the entry before.
    pub prev: Digest,
    /// Server time, in ms since 1970.
    pub recorded_at_ms: i64,
}

/// What became of a submission.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Recorded now, durably.
    Recorded {
        /// The receipt.
        receipt: Receipt,
        /// What it contradicts.
        findings: Vec<Finding>,
    },
    /// The same bytes were recorded before: the first receipt again.
    Known {
        /// The first receipt.
        receipt: Receipt,
    },
    /// Another event with this `source` and `id` was recorded before. Nothing was written.
    Conflict {
        /// Its entry.
        seq: u64,
    },
    /// Strict handling stopped it; only the refusal was recorded.
    Stopped {
        /// The findings that stopped it.
        findings: Vec<Finding>,
        /// Entry of the refusal.
        refused_in: u64,
    },
    /// It cannot be attributed: for example it is about an entry that does not exist. Nothing was
    /// written.
    Refused(Refusal),
}

impl Outcome {
    /// The receipt, if the event is in the log.
    #[must_use]
    pub fn receipt(&self) -> Option<&Receipt> {
        match self {
            Self::Recorded { receipt, .. } | Self::Known { receipt } => Some(receipt),
            Self::Conflict { .. } | Self::Stopped { .. } | Self::Refused(_) => None,
        }
    }
}
