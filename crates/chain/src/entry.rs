//! Entries: one canonical JSON object for each recorded event, linked by its hash.
//!
//! The stored bytes are the hashed bytes. `L(i) = SHA-256(0x00 || entry bytes)` is the leaf hash of
//! the Merkle tree and the `prev` of entry `i + 1`: one hash, two structures.
//!
//! Writing: [`Draft::new`] does all the work that needs no place in the log, so that it can be done
//! beside the one writer; [`Draft::seal`] only adds the closing members. Reading: [`EntryView`]
//! borrows from the bytes, [`Entry`] owns what it says. Following: [`Head`] holds the state that
//! the next entry must fit, for the writer, for recovery and for the auditor alike.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use sha2::{Digest as _, Sha256};

use crate::canon::{self, CanonError, Limits, Value};
use crate::digest::Digest;
use crate::limits::{
    ACTOR_ID_BYTES_MAX, ENTRY_BYTES_MAX, EVENT_BYTES_MAX, EVENT_DEPTH_MAX, KEY_NAME_BYTES_MAX,
    SALT_BYTES, SEQ_MAX,
};
use crate::merkle::Frontier;
use crate::time::{self, TimeError};

pub use crate::merkle::leaf_hash;

/// The version of the record format, member `v`. It fixes every algorithm.
pub const FORMAT_VERSION: i64 = 1;

/// The `prev` of entry 0: SHA-256 of nothing, which is also the root of the empty tree.
pub fn genesis_prev() -> Digest {
    Digest::of(b"")
}

/// Bytes that are not an entry, or values that cannot become one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum EntryError {
    /// Not canonical JSON of the profile.
    #[error("the entry is not canonical")]
    Canon(#[source] CanonError),
    /// A version this program does not know; it fixes the meaning of all else.
    #[error("the entry has version `{0}`, only 1 is known")]
    Version(String),
    /// Members are missing or unknown.
    #[error("an entry has the members {expected}, not {found}", expected = EXPECTED_MEMBERS)]
    Members {
        /// The names found, in order.
        found: String,
    },
    /// A member that has not the form it must have.
    #[error("member `{member}` is not {expected}")]
    Format {
        /// The member, as a path: `actor.id`.
        member: &'static str,
        /// What it must be.
        expected: &'static str,
    },
    /// The event is not canonical JSON of the profile.
    #[error("the event is not canonical")]
    Event(#[source] CanonError),
    /// The event is too long to become an entry.
    #[error("the event has `{bytes}` bytes, at most {EVENT_BYTES_MAX} are allowed")]
    EventTooLong {
        /// Its length in bytes.
        bytes: usize,
    },
    /// The sequence number is beyond 2^53 - 1.
    #[error("sequence number `{0}` is beyond 2^53 - 1")]
    Seq(u64),
    /// The time cannot be written.
    #[error("the time of the entry cannot be written")]
    Time(#[source] TimeError),
}

const EXPECTED_MEMBERS: &str = "actor, event, prev, recorded_at, salt, seq, [sig,] v";

/// How the server came to know who acts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Via {
    /// A token of the shop's identity provider.
    Oidc,
    /// A badge and its PIN at a shared terminal.
    Badge,
    /// A service's own credentials.
    Service,
    /// The log itself.
    System,
}

impl Via {
    /// Every way, for tests and documents.
    pub const ALL: [Self; 4] = [Self::Oidc, Self::Badge, Self::Service, Self::System];

    /// The word in the entry.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Oidc => "oidc",
            Self::Badge => "badge",
            Self::Service => "service",
            Self::System => "system",
        }
    }

    fn from_bytes(word: &[u8]) -> Option<Self> {
        Self::ALL.into_iter().find(|via| via.as_str().as_bytes() == word)
    }
}

/// Whom the server authenticated: member `actor`.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Actor {
    /// `op_...` a person's pseudonym, `svc_...` a system, `sys` the log itself.
    pub id: String,
    /// How the actor was authenticated; `system` exactly for `sys`.
    pub via: Via,
    /// The enrolled person (`op_...`) a service posts for; JSON member `for`.
    pub on_behalf_of: Option<String>,
}

impl Actor {
    /// The log itself, for the entries it writes about its own life.
    pub fn system() -> Self {
        Self { id: "sys".to_owned(), via: Via::System, on_behalf_of: None }
    }

    /// Checks ids and how they go together.
    ///
    /// # Errors
    /// [`EntryError::Format`].
    pub fn validate(&self) -> Result<(), EntryError> {
        let for_id = self.on_behalf_of.as_deref().map(str::as_bytes);
        validate_actor(self.id.as_bytes(), self.via, for_id)
    }

    fn write(&self, out: &mut Vec<u8>) {
        out.push(b'{');
        if let Some(person) = &self.on_behalf_of {
            out.extend_from_slice(b"\"for\":");
            canon::write_string(person, out);
            out.push(b',');
        }
        out.extend_from_slice(b"\"id\":");
        canon::write_string(&self.id, out);
        out.extend_from_slice(b",\"via\":");
        canon::write_string(self.via.as_str(), out);
        out.push(b'}');
    }
}

fn validate_actor(id: &[u8], via: Via, for_id: Option<&[u8]>) -> Result<(), EntryError> {
    let has_prefix = |id: &[u8], prefix: &[u8]| {
        let fits = |b: u8| b.is_ascii_alphanumeric() || b == b'_' || b == b'-';
        id.len() <= ACTOR_ID_BYTES_MAX
            && id.strip_prefix(prefix).is_some_and(|r| !r.is_empty() && r.iter().all(|b| fits(*b)))
    };
    let format = |member, expected| Err(EntryError::Format { member, expected });
    if !(id == b"sys" || has_prefix(id, b"op_") || has_prefix(id, b"svc_")) {
        return format("actor.id", "`sys`, or `op_` or `svc_` and letters, digits, `_`, `-`");
    }
    if (id == b"sys") != (via == Via::System) {
        return format("actor.via", "`system` for the actor `sys` and another word for all others");
    }
    match for_id {
        None => Ok(()),
        Some(person) if !has_prefix(person, b"op_") => {
            format("actor.for", "`op_` and letters, digits, `_`, `-`")
        }
        Some(_) if has_prefix(id, b"svc_") => Ok(()),
        Some(_) => format("actor.for", "absent: only a service posts for a person"),
    }
}

/// A client's signature of its event: member `sig`.
///
/// The signed message is made by [`crate::checkpoint::event_message`]; the server checks it on the
/// way in, the auditor again.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct ClientSignature {
    /// The key, as `name+keyid` (C2SP signed-note key name, eight hexadecimal digits).
    pub by: String,
    /// The Ed25519 signature.
    pub value: [u8; 64],
}

impl ClientSignature {
    /// Checks the form of `by`.
    ///
    /// # Errors
    /// [`EntryError::Format`].
    pub fn validate(&self) -> Result<(), EntryError> {
        let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
        match self.by.rsplit_once('+') {
            Some((name, id)) if is_key_name(name) && id.len() == 8 && id.bytes().all(hex) => Ok(()),
            Some(_) | None => Err(EntryError::Format {
                member: "sig.by",
                expected: "a key name, `+` and eight lower-case hexadecimal digits",
            }),
        }
    }
}

/// Whether `name` can name a key of ours: a name of C2SP signed-note of a bounded length.
pub(crate) fn is_key_name(name: &str) -> bool {
    name.len() <= KEY_NAME_BYTES_MAX && is_note_name(name)
}

/// Whether `name` can stand in a signature line (C2SP signed-note, "Format"): not empty, no Unicode
/// spaces, no plus, and no control characters below U+0020, which no note may hold.
pub(crate) fn is_note_name(name: &str) -> bool {
    !name.is_empty() && !name.contains(|c: char| c.is_whitespace() || c < ' ' || c == '+')
}

/// An event on its way into the log: everything of the entry that does not depend on its place.
#[derive(Clone)]
pub struct Draft {
    prefix: Vec<u8>,
    midstate: Sha256,
}

/// The place of an entry in the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// Index of the entry, from 0.
    pub seq: u64,
    /// Leaf hash of the entry before; [`genesis_prev`] for entry 0.
    pub prev: Digest,
    /// Server time in milliseconds since 1970, never earlier than that of the entry before.
    pub recorded_at_ms: i64,
    /// Fresh random bytes.
    pub salt: [u8; SALT_BYTES],
}

/// A finished entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    /// The entry bytes, without a line feed.
    pub bytes: Vec<u8>,
    /// Their leaf hash.
    pub leaf: Digest,
}

impl Draft {
    /// Prepares an entry: writes and hashes its beginning, which is all but a few hundred bytes.
    /// `event` is the canonical JSON object as it will be recorded.
    ///
    /// # Errors
    /// [`EntryError::Event`] if `event` is not canonical or deeper than
    /// [`EVENT_DEPTH_MAX`](crate::limits::EVENT_DEPTH_MAX), [`EntryError::EventTooLong`],
    /// [`EntryError::Format`] for the actor.
    pub fn new(actor: &Actor, event: &[u8]) -> Result<Self, EntryError> {
        actor.validate()?;
        if event.len() > EVENT_BYTES_MAX {
            return Err(EntryError::EventTooLong { bytes: event.len() });
        }
        let limits = Limits { max_depth: EVENT_DEPTH_MAX, max_bytes: EVENT_BYTES_MAX };
        canon::members(event, limits).map_err(EntryError::Event)?;

        let mut prefix = Vec::with_capacity(event.len() + 256);
        prefix.extend_from_slice(b"{\"actor\":");
        actor.write(&mut prefix);
        prefix.extend_from_slice(b",\"event\":");
        prefix.extend_from_slice(event);
        prefix.extend_from_slice(b",\"prev\":\"");
        let midstate = Sha256::new_with_prefix([0]).chain_update(&prefix);
        Ok(Self { prefix, midstate })
    }

    /// Gives the entry its place and finishes bytes and hash.
    ///
    /// # Errors
    /// [`EntryError::Seq`] and [`EntryError::Time`] for a place that cannot be written,
    /// [`EntryError::Format`] for the signature's key name.
    pub fn seal(
        &self,
        link: Link,
        signature: Option<&ClientSignature>,
    ) -> Result<Sealed, EntryError> {
        if link.seq > SEQ_MAX {
            return Err(EntryError::Seq(link.seq));
        }
        let recorded_at = time::format_ms(link.recorded_at_ms).map_err(EntryError::Time)?;

        let mut bytes = Vec::with_capacity(self.prefix.len() + 512);
        bytes.extend_from_slice(&self.prefix);
        bytes.extend_from_slice(&link.prev.to_hex());
        bytes.extend_from_slice(b"\",\"recorded_at\":\"");
        bytes.extend_from_slice(recorded_at.as_bytes());
        bytes.extend_from_slice(b"\",\"salt\":\"");
        bytes.extend_from_slice(hex::encode(link.salt).as_bytes());
        bytes.extend_from_slice(b"\",\"seq\":");
        bytes.extend_from_slice(link.seq.to_string().as_bytes());
        if let Some(signature) = signature {
            signature.validate()?;
            bytes.extend_from_slice(b",\"sig\":{\"by\":");
            canon::write_string(&signature.by, &mut bytes);
            bytes.extend_from_slice(b",\"value\":\"");
            bytes.extend_from_slice(BASE64.encode(signature.value).as_bytes());
            bytes.extend_from_slice(b"\"}");
        }
        bytes.extend_from_slice(b",\"v\":1}");
        // `Draft::new` left room for the longest ending; see the assertion in `limits`.
        assert!(bytes.len() <= ENTRY_BYTES_MAX, "an entry of {} bytes", bytes.len());

        let hash = self.midstate.clone().chain_update(&bytes[self.prefix.len()..]);
        Ok(Sealed { leaf: Digest::from_bytes(hash.finalize().into()), bytes })
    }
}

/// An entry read without building a tree: everything checked, `event` as the canonical bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryView<'a> {
    /// Actor id.
    pub actor_id: &'a str,
    /// How the actor was authenticated.
    pub via: Via,
    /// The person a service posts for.
    pub on_behalf_of: Option<&'a str>,
    /// The event, canonical bytes.
    pub event: &'a [u8],
    /// Leaf hash of the entry before.
    pub prev: Digest,
    /// Server time in milliseconds since 1970.
    pub recorded_at_ms: i64,
    /// The salt.
    pub salt: [u8; SALT_BYTES],
    /// Index of the entry.
    pub seq: u64,
    /// The client's signature.
    pub sig: Option<ClientSignature>,
}

impl<'a> EntryView<'a> {
    /// Reads an entry: canonical, exactly the members of the format, each of the right form.
    ///
    /// # Errors
    /// [`EntryError`], the first that applies of `Canon`, `Version`, `Members`, `Format` (members
    /// in the order in which they stand).
    pub fn parse(bytes: &'a [u8]) -> Result<Self, EntryError> {
        let members = canon::members(bytes, Limits::ENTRY).map_err(EntryError::Canon)?;
        let version = members.iter().find(|(name, _)| *name == "v").map(|(_, value)| *value);
        if let Some(version) = version.filter(|version| *version != b"1") {
            return Err(EntryError::Version(String::from_utf8_lossy(version).into_owned()));
        }
        let (first, sig) = match &members[..] {
            [first @ .., ("sig", sig), ("v", _)] => (first, Some(*sig)),
            [first @ .., ("v", _)] => (first, None),
            _ => return Err(unknown_members(&members)),
        };
        let [
            ("actor", actor),
            ("event", event),
            ("prev", prev),
            ("recorded_at", recorded_at),
            ("salt", salt),
            ("seq", seq),
        ] = first
        else {
            return Err(unknown_members(&members));
        };
        let (actor_id, via, on_behalf_of) = read_actor(actor)?;
        Ok(Self {
            actor_id,
            via,
            on_behalf_of,
            event: read_event(event)?,
            prev: read_prev(prev)?,
            recorded_at_ms: read_time(recorded_at)?,
            salt: read_salt(salt)?,
            seq: read_seq(seq)?,
            sig: sig.map(read_signature).transpose()?,
        })
    }
}

fn unknown_members(members: &[(&str, &[u8])]) -> EntryError {
    let names: Vec<&str> = members.iter().map(|(name, _)| *name).collect();
    EntryError::Members { found: names.join(", ") }
}

/// The text of a JSON string that holds no escape; the strings read here never need one, but for
/// key names, which are read by [`canon`].
fn plain(value: &[u8]) -> Option<&str> {
    let inner = value.strip_prefix(b"\"")?.strip_suffix(b"\"")?;
    std::str::from_utf8(inner).ok().filter(|text| !text.contains('\\'))
}

fn nested(value: &[u8]) -> Option<Vec<(&str, &[u8])>> {
    // The whole entry is canonical already; this only takes the object apart.
    canon::members(value, Limits::ENTRY).ok()
}

fn read_actor(value: &[u8]) -> Result<(&str, Via, Option<&str>), EntryError> {
    let wrong = EntryError::Format {
        member: "actor",
        expected: "an object of `for` (optional), `id`, `via`",
    };
    let members = nested(value).ok_or_else(|| wrong.clone())?;
    let (id, via, for_id) = match &members[..] {
        [("for", for_id), ("id", id), ("via", via)] => (id, via, Some(for_id)),
        [("id", id), ("via", via)] => (id, via, None),
        _ => return Err(wrong),
    };
    let id = plain(id).ok_or_else(|| wrong.clone())?;
    let via =
        plain(via).and_then(|word| Via::from_bytes(word.as_bytes())).ok_or(EntryError::Format {
            member: "actor.via",
            expected: "one of `oidc`, `badge`, `service`, `system`",
        })?;
    let for_id = for_id.map(|value| plain(value).ok_or(wrong)).transpose()?;
    validate_actor(id.as_bytes(), via, for_id.map(str::as_bytes))?;
    Ok((id, via, for_id))
}

fn read_event(value: &[u8]) -> Result<&[u8], EntryError> {
    if value.first() == Some(&b'{') {
        return Ok(value);
    }
    Err(EntryError::Format { member: "event", expected: "an object" })
}

fn read_prev(value: &[u8]) -> Result<Digest, EntryError> {
    plain(value)
        .and_then(|text| text.parse().ok())
        .ok_or(EntryError::Format { member: "prev", expected: "64 lower-case hexadecimal digits" })
}

fn read_time(value: &[u8]) -> Result<i64, EntryError> {
    plain(value).and_then(|text| time::parse_ms(text).ok()).ok_or(EntryError::Format {
        member: "recorded_at",
        expected: "a time stamp `YYYY-MM-DDThh:mm:ss.mmmZ`",
    })
}

fn read_salt(value: &[u8]) -> Result<[u8; SALT_BYTES], EntryError> {
    let mut salt = [0; SALT_BYTES];
    plain(value)
        .filter(|text| !text.bytes().any(|b| b.is_ascii_uppercase()))
        .and_then(|text| hex::decode_to_slice(text, &mut salt).ok())
        .map(|()| salt)
        .ok_or(EntryError::Format { member: "salt", expected: "32 lower-case hexadecimal digits" })
}

fn read_seq(value: &[u8]) -> Result<u64, EntryError> {
    // Canonical, so at most 2^53 - 1; `parse` refuses everything that is no plain number.
    std::str::from_utf8(value)
        .ok()
        .filter(|text| text.bytes().all(|b| b.is_ascii_digit()))
        .and_then(|text| text.parse().ok())
        .ok_or(EntryError::Format { member: "seq", expected: "an integer, 0 or more" })
}

fn read_signature(value: &[u8]) -> Result<ClientSignature, EntryError> {
    let members = nested(value).unwrap_or_default();
    let [("by", by), ("value", signature)] = &members[..] else {
        return Err(EntryError::Format { member: "sig", expected: "an object of `by`, `value`" });
    };
    let by = canon::check(by)
        .ok()
        .and_then(|by| by.as_str().map(str::to_owned))
        .ok_or(EntryError::Format { member: "sig.by", expected: "a string" })?;
    let value = plain(signature)
        .and_then(|text| BASE64.decode(text).ok())
        .and_then(|bytes| bytes.try_into().ok())
        .ok_or(EntryError::Format {
            member: "sig.value",
            expected: "the standard base64 of 64 bytes",
        })?;
    let signature = ClientSignature { by, value };
    signature.validate()?;
    Ok(signature)
}

/// An entry with everything it says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Index of the entry, from 0.
    pub seq: u64,
    /// Leaf hash of the entry before.
    pub prev: Digest,
    /// Server time in milliseconds since 1970.
    pub recorded_at_ms: i64,
    /// The salt.
    pub salt: [u8; SALT_BYTES],
    /// Whom the server authenticated.
    pub actor: Actor,
    /// The event as sent.
    pub event: Value,
    /// The client's signature of the event.
    pub sig: Option<ClientSignature>,
}

impl Entry {
    /// Reads an entry; see [`EntryView::parse`].
    ///
    /// # Errors
    /// As [`EntryView::parse`].
    pub fn parse(bytes: &[u8]) -> Result<Self, EntryError> {
        let view = EntryView::parse(bytes)?;
        Ok(Self {
            seq: view.seq,
            prev: view.prev,
            recorded_at_ms: view.recorded_at_ms,
            salt: view.salt,
            actor: Actor {
                id: view.actor_id.to_owned(),
                via: view.via,
                on_behalf_of: view.on_behalf_of.map(str::to_owned),
            },
            event: canon::check(view.event).map_err(EntryError::Event)?,
            sig: view.sig,
        })
    }
}

/// The newest end of a log: what the next entry must fit. O(log n) in size.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    frontier: Frontier,
    prev: Digest,
    recorded_at_ms: i64,
}

/// An entry that does not fit the end of the log, in the order in which it is checked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LinkError {
    /// Not the next sequence number.
    #[error("the next entry has seq `{expected}`, not `{found}`")]
    Seq {
        /// The number of entries so far.
        expected: u64,
        /// The entry's own number.
        found: u64,
    },
    /// Not linked to the entry before.
    #[error("prev is `{found}`, the entry before has the hash `{expected}`")]
    Prev {
        /// The leaf hash of the entry before.
        expected: Digest,
        /// The entry's `prev`.
        found: Digest,
    },
    /// Recorded earlier than the entry before.
    #[error("recorded at `{found}` ms, earlier than the entry before at `{earliest}` ms")]
    Time {
        /// The time of the entry before, in milliseconds since 1970.
        earliest: i64,
        /// The entry's time, in milliseconds since 1970.
        found: i64,
    },
}

impl Head {
    /// The end of a log without entries.
    pub fn empty() -> Self {
        Self { frontier: Frontier::new(), prev: genesis_prev(), recorded_at_ms: 0 }
    }

    /// The end of a log as it was saved.
    pub fn from_parts(frontier: Frontier, prev: Digest, recorded_at_ms: i64) -> Self {
        Self { frontier, prev, recorded_at_ms }
    }

    /// The number of entries, which is the next sequence number.
    pub const fn size(&self) -> u64 {
        self.frontier.size()
    }

    /// The Merkle root over all entries.
    pub fn root(&self) -> Digest {
        self.frontier.root()
    }

    /// The tree's right edge.
    pub const fn frontier(&self) -> &Frontier {
        &self.frontier
    }

    /// The `prev` of the next entry.
    pub const fn prev(&self) -> Digest {
        self.prev
    }

    /// The time of the newest entry in milliseconds since 1970, 0 if there is none.
    pub const fn recorded_at_ms(&self) -> i64 {
        self.recorded_at_ms
    }

    /// Checks that an entry fits: sequence number, link, time.
    ///
    /// # Errors
    /// The first [`LinkError`] that applies.
    pub fn check(&self, seq: u64, prev: Digest, recorded_at_ms: i64) -> Result<(), LinkError> {
        if seq != self.size() {
            return Err(LinkError::Seq { expected: self.size(), found: seq });
        }
        if prev != self.prev {
            return Err(LinkError::Prev { expected: self.prev, found: prev });
        }
        if recorded_at_ms < self.recorded_at_ms {
            return Err(LinkError::Time { earliest: self.recorded_at_ms, found: recorded_at_ms });
        }
        Ok(())
    }

    /// Appends an entry with this leaf hash that fits.
    ///
    /// # Errors
    /// As [`Head::check`]; the head is then unchanged.
    pub fn advance(
        &mut self,
        seq: u64,
        prev: Digest,
        recorded_at_ms: i64,
        leaf: Digest,
    ) -> Result<(), LinkError> {
        self.check(seq, prev, recorded_at_ms)?;
        self.frontier.push(leaf);
        self.prev = leaf;
        self.recorded_at_ms = recorded_at_ms;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checkpoint::Checkpoint;
    use crate::note::{Ed25519Signer, Signer as _};

    #[test]
    fn a_sealed_entry_reads_back() {
        let actor =
            Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: Some("op_ana".into()) };
        let event = br#"{"data":{"mass":{"unit":"kg","value":"12.340"}},"id":"1"}"#;
        let draft = Draft::new(&actor, event).unwrap();
        let link = Link { seq: 0, prev: genesis_prev(), recorded_at_ms: 1, salt: [7; 16] };
        let client = Ed25519Signer::new("mes.example.org/north", &[1; 32]).unwrap();
        let sig = ClientSignature::sign("log.example.org/north", event, &client);
        for sig in [None, Some(&sig)] {
            let sealed = draft.seal(link.clone(), sig).unwrap();
            assert_eq!(sealed.leaf, leaf_hash(&sealed.bytes));
            let entry = Entry::parse(&sealed.bytes).unwrap();
            assert_eq!(entry.actor, actor);
            assert_eq!(entry.event, canon::check(event).unwrap());
            assert_eq!((entry.seq, entry.prev, entry.recorded_at_ms), (0, link.prev, 1));
            assert_eq!(entry.sig.as_ref(), sig);
        }
        assert!(sig.verify(client.verifier(), "log.example.org/north", event));
        assert!(!sig.verify(client.verifier(), "log.example.org/south", event));
    }

    #[test]
    fn a_checkpoint_opens_with_the_log_key() {
        let log = Ed25519Signer::new("log.example.org/north", &[2; 32]).unwrap();
        let checkpoint = Checkpoint {
            origin: log.name().to_owned(),
            size: 0,
            root: genesis_prev(),
            extensions: vec![],
        };
        let note = checkpoint.sign(&log);
        let opened = Checkpoint::open(note.as_bytes(), &[log.vkey().parse().unwrap()]).unwrap();
        assert_eq!(opened.checkpoint, checkpoint);
    }
}
