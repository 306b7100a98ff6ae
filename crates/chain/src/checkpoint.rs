//! Checkpoints (C2SP tlog-checkpoint v1.0.0): what a log commits to, signed by the log and
//! cosigned by witnesses (C2SP tlog-cosignature v1).

use crate::digest::Digest;
use crate::entry::ClientSignature;
use crate::limits::{CHECKPOINT_EXTENSIONS_MAX, KEY_NAME_BYTES_MAX};
use crate::note::{KeyKind, Note, NoteError, SignatureLine, Signer, VerifierKey};

/// The head of a log: its name, its size and its root.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// The name of the log; also the name of its key.
    pub origin: String,
    /// The number of entries covered.
    pub size: u64,
    /// The Merkle root over them.
    pub root: Digest,
    /// Further lines; we write none and give them no meaning.
    pub extensions: Vec<String>,
}

/// A text that is not a checkpoint, or a checkpoint not signed as it should be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CheckpointError {
    /// The note around it cannot be read, or its signatures are not what they should be.
    #[error("the checkpoint is not a properly signed note")]
    Note(#[source] NoteError),
    /// Fewer than three lines, an empty line, or no final line feed.
    #[error("a checkpoint has an origin line, a size line and a root line")]
    Lines,
    /// The origin line is empty or too long.
    #[error("the origin of a checkpoint is a name of 1 to {KEY_NAME_BYTES_MAX} bytes")]
    Origin,
    /// The size is not a decimal number without leading zeros below 2^64.
    #[error("the size of a checkpoint is a decimal number without leading zeros")]
    Size,
    /// The root is not the base64 of 32 bytes.
    #[error("the root of a checkpoint is the base64 of 32 bytes")]
    Root,
    /// Too many further lines.
    #[error("a checkpoint has at most {CHECKPOINT_EXTENSIONS_MAX} extension lines")]
    Extensions,
    /// A checkpoint of another log.
    #[error("the checkpoint is by the log `{found}`, not `{expected}`")]
    WrongOrigin {
        /// The log asked for.
        expected: String,
        /// The origin line.
        found: String,
    },
}

/// A valid cosignature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cosignature {
    /// The witness's key.
    pub key: VerifierKey,
    /// When it was made, in seconds since 1970, by the witness's clock.
    pub timestamp_s: u64,
}

/// A checkpoint whose signatures were verified.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignedCheckpoint {
    /// What was signed.
    pub checkpoint: Checkpoint,
    /// The log's key that signed it.
    pub log_key: VerifierKey,
    /// The cosignatures of known witnesses, one for each key, in the order of the lines.
    pub cosignatures: Vec<Cosignature>,
}

impl SignedCheckpoint {
    /// Whether the witness with this key has cosigned.
    pub fn is_cosigned_by(&self, witness: &VerifierKey) -> bool {
        self.cosignatures.iter().any(|cosignature| cosignature.key == *witness)
    }
}

impl Checkpoint {
    /// The text that is signed.
    pub fn to_text(&self) -> String {
        let mut text = format!("{}\n{}\n{}\n", self.origin, self.size, self.root.to_base64());
        for line in &self.extensions {
            text.push_str(line);
            text.push('\n');
        }
        text
    }

    /// Reads what [`Checkpoint::to_text`] writes.
    ///
    /// # Errors
    /// [`CheckpointError`]: `Lines`, `Origin`, `Size`, `Root`, `Extensions`.
    pub fn parse_text(text: &str) -> Result<Self, CheckpointError> {
        let lines = text.strip_suffix('\n').ok_or(CheckpointError::Lines)?;
        let mut lines = lines.split('\n');
        let mut line = || lines.next().ok_or(CheckpointError::Lines);
        let (origin, size, root) = (line()?, line()?, line()?);
        if origin.is_empty() || origin.len() > KEY_NAME_BYTES_MAX {
            return Err(CheckpointError::Origin);
        }
        let size = parse_decimal(size).ok_or(CheckpointError::Size)?;
        let root = Digest::from_base64(root).map_err(|_| CheckpointError::Root)?;
        let extensions: Vec<String> = lines.map(str::to_owned).collect();
        if extensions.iter().any(String::is_empty) {
            return Err(CheckpointError::Lines);
        }
        if extensions.len() > CHECKPOINT_EXTENSIONS_MAX {
            return Err(CheckpointError::Extensions);
        }
        Ok(Self { origin: origin.to_owned(), size, root, extensions })
    }

    /// The checkpoint as a note signed by the log's key, ready to be stored and sent.
    pub fn sign(&self, signer: &(impl Signer + ?Sized)) -> String {
        Note::sign(&self.to_text(), signer).to_string()
    }

    /// Reads a note and verifies it: signed by the type 0x01 key among `keys` whose name is the
    /// origin line; cosignatures of type 0x04 keys among `keys` are verified and listed; lines of
    /// other keys are ignored.
    ///
    /// # Errors
    /// [`CheckpointError::Note`] if the note cannot be read, if a known key's signature or
    /// cosignature does not verify, or if the log's key has not signed; else as
    /// [`Checkpoint::parse_text`].
    pub fn open(note: &[u8], keys: &[VerifierKey]) -> Result<SignedCheckpoint, CheckpointError> {
        let note = Note::parse(note).map_err(CheckpointError::Note)?;
        let checkpoint = Self::parse_text(&note.text)?;
        let log_keys = keys.iter().filter(|key| key.name() == checkpoint.origin);
        let signed = note.verify(log_keys).map_err(CheckpointError::Note)?;
        let log_key = signed[0].clone();
        let cosignatures = cosignatures(&note, keys).map_err(CheckpointError::Note)?;
        Ok(SignedCheckpoint { checkpoint, log_key, cosignatures })
    }
}

/// The cosignatures of known witnesses on a note, one for each key.
fn cosignatures(note: &Note, keys: &[VerifierKey]) -> Result<Vec<Cosignature>, NoteError> {
    let mut found: Vec<Cosignature> = Vec::new();
    for line in &note.signatures {
        let witness = |key: &&VerifierKey| key.kind() == KeyKind::CosignatureV1 && line.is_by(key);
        let Some(key) = keys.iter().find(witness) else { continue };
        let bad = || NoteError::BadSignature { key: key.label() };
        let (timestamp_s, signature) = split_cosignature(&line.signature).ok_or_else(bad)?;
        if !key.verify(&cosignature_message(timestamp_s, &note.text), signature) {
            return Err(bad());
        }
        if found.iter().all(|cosignature| cosignature.key != *key) {
            found.push(Cosignature { key: key.clone(), timestamp_s });
        }
    }
    Ok(found)
}

/// The time stamp and the Ed25519 signature of a type 0x04 signature: `u64 || 64 bytes`, the time
/// at most 2^63 - 1. `None` if it has another length or a later time.
pub fn split_cosignature(signature: &[u8]) -> Option<(u64, &[u8; 64])> {
    let (timestamp, signature) = signature.split_first_chunk::<8>()?;
    let timestamp_s = u64::from_be_bytes(*timestamp);
    (timestamp_s >> 63 == 0).then_some((timestamp_s, signature.try_into().ok()?))
}

/// What a witness signs: a header, the time in seconds since 1970, and the checkpoint's text.
pub fn cosignature_message(timestamp_s: u64, checkpoint_text: &str) -> Vec<u8> {
    format!("cosignature/v1\ntime {timestamp_s}\n{checkpoint_text}").into_bytes()
}

/// A witness's signature line for a checkpoint's text. `signer` has a type 0x04 key.
pub fn cosign(
    checkpoint_text: &str,
    timestamp_s: u64,
    signer: &(impl Signer + ?Sized),
) -> SignatureLine {
    let signature = signer.sign(&cosignature_message(timestamp_s, checkpoint_text));
    SignatureLine {
        name: signer.name().to_owned(),
        key_id: signer.key_id(),
        signature: [&timestamp_s.to_be_bytes()[..], &signature].concat(),
    }
}

/// What a client signs: a header, the origin of the log it means, and its event in canonical form.
/// The origin keeps a signature from being used in another log.
pub fn event_message(origin: &str, event: &[u8]) -> Vec<u8> {
    let mut message = format!("pulverlog/event/v1\n{origin}\n").into_bytes();
    message.extend_from_slice(event);
    message
}

impl ClientSignature {
    /// Signs an event, given in canonical form, for the log `origin`. `signer` has a type 0x01 key.
    pub fn sign(origin: &str, event: &[u8], signer: &(impl Signer + ?Sized)) -> Self {
        Self {
            by: format!("{}+{}", signer.name(), hex::encode(signer.key_id())),
            value: signer.sign(&event_message(origin, event)),
        }
    }

    /// Whether this is `key`'s signature of `event` (canonical form) for the log `origin`.
    pub fn verify(&self, key: &VerifierKey, origin: &str, event: &[u8]) -> bool {
        key.kind() == KeyKind::Ed25519
            && self.by == key.label()
            && key.verify(&event_message(origin, event), &self.value)
    }
}

/// A decimal number in ASCII digits without leading zeros.
pub(crate) fn parse_decimal(text: &str) -> Option<u64> {
    let plain = text.bytes().all(|b| b.is_ascii_digit()) && (text == "0" || !text.starts_with('0'));
    if plain { text.parse().ok() } else { None }
}
