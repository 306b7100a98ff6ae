//! Signed notes (C2SP signed-note v1.0.0): a text and signature lines, and the keys behind them.
//!
//! Two kinds of key are known: plain Ed25519 (type 0x01), with which logs and clients sign, and
//! timestamped cosignatures (type 0x04, C2SP tlog-cosignature v1), with which witnesses sign.
//! Signature lines of any other key are ignored, as the specification demands.

use std::fmt;
use std::str::FromStr;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use ed25519_dalek::{Signature, SigningKey, VerifyingKey};

use ed25519_dalek::Signer as _;

use crate::digest::Digest;
use crate::entry::{is_key_name, is_note_name};
use crate::limits::{NOTE_BYTES_MAX, NOTE_SIGNATURES_MAX};

/// Bytes that are not a signed note, or a note that is not signed as it should be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoteError {
    /// Longer than [`NOTE_BYTES_MAX`].
    #[error("the note is longer than {NOTE_BYTES_MAX} bytes")]
    TooLong,
    /// Not UTF-8, or a control character other than the line feed.
    #[error("a note is UTF-8 text without control characters other than line feeds")]
    Text,
    /// No blank line with signature lines behind it, or the text does not end in a line feed.
    #[error("a note is a text, a blank line and signature lines, each ended by a line feed")]
    Shape,
    /// A signature line that is not dash, key name, base64 of more than four bytes.
    #[error("signature line `{line}` of the note has not the form `— name base64`")]
    SignatureLine {
        /// The line, from 1.
        line: usize,
    },
    /// More than [`NOTE_SIGNATURES_MAX`] signature lines.
    #[error("the note has more than {NOTE_SIGNATURES_MAX} signature lines")]
    TooManySignatures,
    /// A known key's signature that does not verify; the whole note is worth nothing.
    #[error("the signature by `{key}` is not valid")]
    BadSignature {
        /// Name and key id.
        key: String,
    },
    /// None of the known keys has signed.
    #[error("no known key has signed the note")]
    NotSigned,
}

/// Text that is not a verification key, or a key that must not be trusted.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum KeyError {
    /// Not `name+keyid+base64`.
    #[error("a verification key has the form `name+keyid+base64`")]
    Shape,
    /// The name is empty, too long, or holds a space or a plus.
    #[error("a key name is not empty and has no spaces and no `+`")]
    Name,
    /// A type of signature this program does not know.
    #[error("key type `{0:#04x}` is not known, only 0x01 and 0x04 are")]
    Kind(u8),
    /// The key id is not the one that follows from name, type and key.
    #[error("the key id is not the one that belongs to this name and key")]
    Id,
    /// Not an Ed25519 public key in its one canonical encoding.
    #[error("the key is not a canonical Ed25519 public key")]
    Point,
    /// A point of small order, for which one signature can fit many messages.
    #[error("the key is weak: a point of small order")]
    Weak,
}

/// What a key signs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum KeyKind {
    /// The text of a note, or a client's event (type 0x01).
    Ed25519,
    /// A checkpoint with a time stamp (type 0x04).
    CosignatureV1,
}

impl KeyKind {
    /// The type byte of C2SP signed-note.
    pub const fn byte(self) -> u8 {
        match self {
            Self::Ed25519 => 0x01,
            Self::CosignatureV1 => 0x04,
        }
    }

    fn from_byte(byte: u8) -> Result<Self, KeyError> {
        match byte {
            0x01 => Ok(Self::Ed25519),
            0x04 => Ok(Self::CosignatureV1),
            other => Err(KeyError::Kind(other)),
        }
    }
}

/// `SHA-256(name || 0x0a || type || key)`, first four bytes (C2SP signed-note, "Signatures").
fn key_id(name: &str, kind: KeyKind, key: &[u8; 32]) -> [u8; 4] {
    let mut input = Vec::with_capacity(name.len() + 34);
    input.extend_from_slice(name.as_bytes());
    input.extend_from_slice(&[b'\n', kind.byte()]);
    input.extend_from_slice(key);
    let [a, b, c, d, ..] = *Digest::of(&input).as_bytes();
    [a, b, c, d]
}

/// A key to verify with: name, kind, public key.
#[derive(Clone, PartialEq, Eq)]
pub struct VerifierKey {
    name: String,
    kind: KeyKind,
    id: [u8; 4],
    key: VerifyingKey,
}

impl VerifierKey {
    /// A key from its parts.
    ///
    /// Weak keys and odd encodings are refused here, once and for all, so that strict and lenient
    /// verifiers agree on every signature by a key that was let in.
    ///
    /// # Errors
    /// [`KeyError::Name`], [`KeyError::Point`], [`KeyError::Weak`].
    pub fn new(name: &str, kind: KeyKind, public: &[u8; 32]) -> Result<Self, KeyError> {
        if !is_key_name(name) {
            return Err(KeyError::Name);
        }
        let key = VerifyingKey::from_bytes(public).map_err(|_| KeyError::Point)?;
        // Decoding takes some encodings that encoding never gives (y at or above 2^255 - 19).
        if key.to_edwards().compress().as_bytes() != public {
            return Err(KeyError::Point);
        }
        if key.is_weak() {
            return Err(KeyError::Weak);
        }
        Ok(Self { name: name.to_owned(), kind, id: key_id(name, kind, public), key })
    }

    /// The key name; for a log it is the origin.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What the key signs.
    pub const fn kind(&self) -> KeyKind {
        self.kind
    }

    /// The key id.
    pub const fn id(&self) -> [u8; 4] {
        self.id
    }

    /// `name+keyid`, as in a client signature's `by`.
    pub fn label(&self) -> String {
        format!("{}+{}", self.name, hex::encode(self.id))
    }

    /// The 32 bytes of the public key.
    pub fn public(&self) -> &[u8; 32] {
        self.key.as_bytes()
    }

    /// Whether `signature` is this key's Ed25519 signature of `message`, checked strictly: no
    /// small-order points, no second spelling of a signature.
    pub fn verify(&self, message: &[u8], signature: &[u8; 64]) -> bool {
        self.key.verify_strict(message, &Signature::from_bytes(signature)).is_ok()
    }
}

impl FromStr for VerifierKey {
    type Err = KeyError;

    /// Reads a vkey: `name+keyid+base64(type || key)`.
    fn from_str(text: &str) -> Result<Self, KeyError> {
        let mut parts = text.splitn(3, '+');
        let (Some(name), Some(id), Some(key)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(KeyError::Shape);
        };
        let key = BASE64.decode(key).map_err(|_| KeyError::Shape)?;
        let (&kind, key) = key.split_first().ok_or(KeyError::Shape)?;
        let kind = KeyKind::from_byte(kind)?;
        let key = Self::new(name, kind, key.try_into().map_err(|_| KeyError::Point)?)?;
        if hex::encode(key.id) != id {
            return Err(KeyError::Id);
        }
        Ok(key)
    }
}

impl fmt::Display for VerifierKey {
    /// The vkey.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut key = vec![self.kind.byte()];
        key.extend_from_slice(self.public());
        write!(f, "{}+{}+{}", self.name, hex::encode(self.id), BASE64.encode(key))
    }
}

impl fmt::Debug for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Who can sign: a key in memory, or a module that keeps it.
pub trait Signer {
    /// The key name.
    fn name(&self) -> &str;
    /// The key id.
    fn key_id(&self) -> [u8; 4];
    /// The Ed25519 signature of `message`.
    fn sign(&self, message: &[u8]) -> [u8; 64];
    /// The verification key as text.
    fn vkey(&self) -> String;
}

/// An Ed25519 key in memory, wiped when dropped.
#[derive(Clone)]
pub struct Ed25519Signer {
    key: SigningKey,
    verifier: VerifierKey,
}

impl Ed25519Signer {
    /// A key that signs notes and events (type 0x01), from its 32-byte seed (RFC 8032 section
    /// 5.1.5). The seed comes from the operating system's random source; this crate has none.
    ///
    /// # Errors
    /// [`KeyError::Name`].
    pub fn new(name: &str, seed: &[u8; 32]) -> Result<Self, KeyError> {
        Self::of_kind(name, KeyKind::Ed25519, seed)
    }

    /// A key that cosigns checkpoints (type 0x04).
    ///
    /// # Errors
    /// [`KeyError::Name`].
    pub fn witness(name: &str, seed: &[u8; 32]) -> Result<Self, KeyError> {
        Self::of_kind(name, KeyKind::CosignatureV1, seed)
    }

    fn of_kind(name: &str, kind: KeyKind, seed: &[u8; 32]) -> Result<Self, KeyError> {
        let key = SigningKey::from_bytes(seed);
        let verifier = VerifierKey::new(name, kind, key.verifying_key().as_bytes())?;
        Ok(Self { key, verifier })
    }

    /// The key to verify with.
    pub const fn verifier(&self) -> &VerifierKey {
        &self.verifier
    }
}

impl Signer for Ed25519Signer {
    fn name(&self) -> &str {
        self.verifier.name()
    }
    fn key_id(&self) -> [u8; 4] {
        self.verifier.id()
    }
    fn sign(&self, message: &[u8]) -> [u8; 64] {
        self.key.sign(message).to_bytes()
    }
    fn vkey(&self) -> String {
        self.verifier.to_string()
    }
}

impl fmt::Debug for Ed25519Signer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Ed25519Signer({})", self.verifier.label())
    }
}

/// One signature line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignatureLine {
    /// The key name.
    pub name: String,
    /// The key id.
    pub key_id: [u8; 4],
    /// What stands behind the key id; 64 bytes for type 0x01, 72 for type 0x04.
    pub signature: Vec<u8>,
}

impl SignatureLine {
    /// `name+keyid`, as keys are named.
    pub fn label(&self) -> String {
        let id: String = self.key_id.iter().map(|byte| format!("{byte:02x}")).collect();
        format!("{}+{id}", self.name)
    }

    /// Whether the line claims to be by `key`: same name and same id.
    pub fn is_by(&self, key: &VerifierKey) -> bool {
        self.name == key.name && self.key_id == key.id
    }

    fn parse(line: &str) -> Option<Self> {
        let (name, signature) = line.strip_prefix("\u{2014} ")?.split_once(' ')?;
        let bytes = BASE64.decode(signature).ok()?;
        let (key_id, signature) = bytes.split_first_chunk::<4>()?;
        (is_note_name(name) && !signature.is_empty()).then(|| Self {
            name: name.to_owned(),
            key_id: *key_id,
            signature: signature.to_vec(),
        })
    }
}

impl fmt::Display for SignatureLine {
    /// The line with its line feed.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bytes = [&self.key_id[..], &self.signature].concat();
        writeln!(f, "\u{2014} {} {}", self.name, BASE64.encode(bytes))
    }
}

/// A note as it stands: nothing is verified yet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// The text, its final line feed included.
    pub text: String,
    /// The signature lines in their order.
    pub signatures: Vec<SignatureLine>,
}

impl Note {
    /// Takes a note apart.
    ///
    /// # Errors
    /// [`NoteError`]: `TooLong`, `Text`, `Shape`, `TooManySignatures`, `SignatureLine`.
    pub fn parse(bytes: &[u8]) -> Result<Self, NoteError> {
        if bytes.len() > NOTE_BYTES_MAX {
            return Err(NoteError::TooLong);
        }
        let note = std::str::from_utf8(bytes).map_err(|_| NoteError::Text)?;
        if note.bytes().any(|b| b < 0x20 && b != b'\n') {
            return Err(NoteError::Text);
        }
        // The last empty line divides; the text keeps its own line feed.
        let blank = note.rfind("\n\n").ok_or(NoteError::Shape)?;
        let (text, lines) = (&note[..=blank], &note[blank + 2..]);
        let lines = lines.strip_suffix('\n').ok_or(NoteError::Shape)?;
        let mut signatures = Vec::new();
        for (i, line) in lines.split('\n').enumerate() {
            if i == NOTE_SIGNATURES_MAX {
                return Err(NoteError::TooManySignatures);
            }
            let line =
                SignatureLine::parse(line).ok_or(NoteError::SignatureLine { line: i + 1 })?;
            signatures.push(line);
        }
        Ok(Self { text: text.to_owned(), signatures })
    }

    /// Signs a text, which must end in a line feed, as a note with one signature.
    pub fn sign(text: &str, signer: &(impl Signer + ?Sized)) -> Self {
        let mut note = Self { text: text.to_owned(), signatures: Vec::new() };
        note.add_signature(signer);
        note
    }

    /// Adds a type 0x01 signature.
    pub fn add_signature(&mut self, signer: &(impl Signer + ?Sized)) {
        self.signatures.push(SignatureLine {
            name: signer.name().to_owned(),
            key_id: signer.key_id(),
            signature: signer.sign(self.text.as_bytes()).to_vec(),
        });
    }

    /// The type 0x01 keys of `known` that have signed, each once, in the order of the lines.
    /// Lines of unknown keys are ignored; keys of another kind count as unknown.
    ///
    /// # Errors
    /// [`NoteError::BadSignature`] if a known key's signature does not verify,
    /// [`NoteError::NotSigned`] if there is none.
    pub fn verify<'k>(
        &self,
        known: impl IntoIterator<Item = &'k VerifierKey> + Clone,
    ) -> Result<Vec<&'k VerifierKey>, NoteError> {
        let mut signed: Vec<&VerifierKey> = Vec::new();
        for line in &self.signatures {
            let mut keys = known.clone().into_iter();
            let Some(key) = keys.find(|k| k.kind == KeyKind::Ed25519 && line.is_by(k)) else {
                continue;
            };
            let signature = line.signature.as_slice().try_into();
            if !signature.is_ok_and(|s| key.verify(self.text.as_bytes(), s)) {
                return Err(NoteError::BadSignature { key: key.label() });
            }
            if !signed.contains(&key) {
                signed.push(key);
            }
        }
        if signed.is_empty() { Err(NoteError::NotSigned) } else { Ok(signed) }
    }
}

impl fmt::Display for Note {
    /// The note as it is stored and sent.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.text)?;
        self.signatures.iter().try_for_each(|line| write!(f, "{line}"))
    }
}
