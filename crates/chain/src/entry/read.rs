//! Reading entries: strictly, and without building a tree.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use super::{Actor, ClientSignature, EntryError, Via, validate_actor};
use crate::canon::{self, Limits, Value};
use crate::digest::{Digest, decode_hex};
use crate::limits::SALT_BYTES;
use crate::time;

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

/// What links an entry to the one before it, read from its end alone.
///
/// Nothing else is looked at: bytes that are no entry may have one too. It says something only of
/// bytes whose hash is vouched for, and then what [`EntryView`] says. That is what a chain of hashes
/// is good for: if the last leaf is the one expected and every entry names the leaf before it, all
/// bytes are those that were sealed, whose form was checked then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ending {
    /// Index of the entry.
    pub seq: u64,
    /// Leaf hash of the entry before.
    pub prev: Digest,
    /// Server time in milliseconds since 1970.
    pub recorded_at_ms: i64,
}

impl Ending {
    /// Reads the members from `prev` to `seq`; `None` if they do not stand where an entry has them.
    pub fn read(entry: &[u8]) -> Option<Self> {
        const SIG: &[u8] = b",\"sig\":{";
        let rest = entry.strip_suffix(b",\"v\":1}")?;
        let rest = match rest.last()? {
            // Behind this only strings follow, in which every quote has a backslash before it.
            b'}' => &rest[..rest.windows(SIG.len()).rposition(|part| part == SIG)?],
            _ => rest,
        };
        let digits = rest.iter().rev().take_while(|byte| byte.is_ascii_digit()).count();
        let (rest, seq) = rest.split_at(rest.len() - digits);
        let seq = std::str::from_utf8(seq).ok()?.parse().ok()?;
        let rest = rest.strip_suffix(b"\",\"seq\":")?;
        let rest = rest.get(..rest.len().checked_sub(2 * SALT_BYTES)?)?;
        let rest = rest.strip_suffix(b"\",\"salt\":\"")?;
        let (rest, recorded_at) = rest.split_last_chunk::<{ time::TIME_LEN }>()?;
        let rest = rest.strip_suffix(b"\",\"recorded_at\":\"")?;
        let (rest, prev) = rest.split_last_chunk::<{ 2 * Digest::LEN }>()?;
        rest.strip_suffix(b",\"prev\":\"")?;
        let recorded_at_ms = time::parse_ms(std::str::from_utf8(recorded_at).ok()?).ok()?;
        Some(Self { seq, prev: std::str::from_utf8(prev).ok()?.parse().ok()?, recorded_at_ms })
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
    plain(value)
        .and_then(decode_hex)
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
