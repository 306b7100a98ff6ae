//! What is kept of one thing a machine sent: the event as canonical bytes, and what the recorder must be
//! told beside it.
//!
//! The canonical form is what a client signs and what the recorder hashes, so keeping it alters
//! nothing: a signature made on the machine is still good when the event arrives.

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use crate::limits::BATCH_EVENTS_MAX;

/// One event, or several that are recorded as a whole or not at all.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parcel {
    /// What was sent beside the events.
    pub head: Head,
    /// The events, canonical JSON. More than one only if they are a [`Head::whole`].
    pub events: Vec<Vec<u8>>,
}

/// What was sent beside the events, and when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Who sent it: the name of a local client, or `mqtt`.
    pub from: String,
    /// When the relay took it, in ms since 1970.
    pub taken_ms: i64,
    /// The header `Prefer` as it was sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prefer: Option<String>,
    /// The header `Pulverlog-Signature` as it was sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<String>,
    /// The events are recorded as a whole or not at all.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub whole: bool,
}

/// Names a parcel by what it says, whenever and from whoever it came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ParcelId([u8; 16]);

impl std::fmt::Display for ParcelId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

impl Parcel {
    /// Names it: the same events with the same preferences have the same id.
    pub fn id(&self) -> ParcelId {
        let mut hash = Sha256::new();
        let Head { from: _, taken_ms: _, prefer, signature, whole } = &self.head;
        for part in [prefer, signature] {
            hash.update(part.as_deref().unwrap_or_default());
            hash.update([0]);
        }
        hash.update([u8::from(*whole)]);
        for event in &self.events {
            // Canonical JSON holds no line feed.
            hash.update(event);
            hash.update(b"\n");
        }
        let mut id = [0; 16];
        id.copy_from_slice(&hash.finalize()[..16]);
        ParcelId(id)
    }

    /// The bytes in the spool: the head as a line of JSON, then a line for each event.
    pub fn encode(&self) -> Vec<u8> {
        // A head of text and numbers always has a JSON form.
        let mut bytes = serde_json::to_vec(&self.head).unwrap_or_default();
        for event in &self.events {
            bytes.push(b'\n');
            bytes.extend_from_slice(event);
        }
        bytes
    }

    /// Reads [`encode`](Self::encode)d bytes; `None` if they are none.
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        let mut lines = bytes.split(|byte| *byte == b'\n');
        let head: Head = serde_json::from_slice(lines.next()?).ok()?;
        let events: Vec<Vec<u8>> = lines.map(<[u8]>::to_vec).collect();
        let counted = if head.whole { 1..=BATCH_EVENTS_MAX } else { 1..=1 };
        let formed = counted.contains(&events.len()) && events.iter().all(|e| e.starts_with(b"{"));
        formed.then_some(Self { head, events })
    }

    /// Bytes of its events in a batch.
    pub fn body_len(&self) -> usize {
        self.events.iter().map(|event| event.len() + 1).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_parcel_is_read_back_as_it_was() {
        let head = Head {
            from: "press-1".into(),
            taken_ms: 1_764_201_600_000,
            prefer: Some("handling=strict".into()),
            signature: None,
            whole: true,
        };
        let parcel = Parcel { head, events: vec![br#"{"id":"1"}"#.to_vec(), b"{}".to_vec()] };
        assert_eq!(Parcel::decode(&parcel.encode()), Some(parcel.clone()));
        let mut two_alone = parcel.clone();
        two_alone.head.whole = false;
        for bad in [&b"{}\n{}"[..], b"", b"x\n{}", &two_alone.encode()] {
            assert_eq!(Parcel::decode(bad), None, "{}", String::from_utf8_lossy(bad));
        }

        let mut later = parcel.clone();
        later.head.taken_ms += 1;
        later.head.from = "press-2".into();
        assert_eq!(later.id(), parcel.id(), "who sent it and when does not matter");
        later.head.prefer = None;
        assert_ne!(later.id(), parcel.id());
    }
}
