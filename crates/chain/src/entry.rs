//! Entries: one canonical JSON object for each recorded event, linked by its hash.
//!
//! The stored bytes are the hashed bytes. `L(i) = SHA-256(0x00 || entry bytes)` is the leaf hash of
//! the Merkle tree and the `prev` of entry `i + 1`: one hash, two structures.
//!
//! Writing: [`Draft::new`] does all the work that needs no place in the log, so that it can be done
//! beside the one writer; [`Draft::seal`] only adds the closing members. Reading: [`EntryView`]
//! borrows from the bytes, [`Entry`] owns what it says, [`Ending`] is the link alone. Following: [`Head`] holds the state that
//! the next entry must fit, for the writer, for recovery and for the auditor alike.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use sha2::{Digest as _, Sha256};

use crate::canon::{self, CanonError, Limits};
use crate::digest::Digest;
use crate::limits::{
    ACTOR_ID_BYTES_MAX, ENTRY_BYTES_MAX, EVENT_BYTES_MAX, EVENT_DEPTH_MAX, KEY_NAME_BYTES_MAX,
    SALT_BYTES, SEQ_MAX,
};
use crate::time::{self, TimeError};

mod head;
mod read;
#[cfg(test)]
mod tests;

pub use crate::merkle::leaf_hash;
pub use head::{Head, LinkError};
pub use read::{Ending, Entry, EntryView};

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
    /// [`EVENT_DEPTH_MAX`], [`EntryError::EventTooLong`],
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
        let recorded_at = time::ascii_ms(link.recorded_at_ms).map_err(EntryError::Time)?;
        let mut salt = [0; 2 * SALT_BYTES];
        hex::encode_to_slice(link.salt, &mut salt).expect("32 digits hold 16 bytes");

        let mut bytes = Vec::with_capacity(self.prefix.len() + 512);
        bytes.extend_from_slice(&self.prefix);
        bytes.extend_from_slice(&link.prev.to_hex());
        bytes.extend_from_slice(b"\",\"recorded_at\":\"");
        bytes.extend_from_slice(&recorded_at);
        bytes.extend_from_slice(b"\",\"salt\":\"");
        bytes.extend_from_slice(&salt);
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
