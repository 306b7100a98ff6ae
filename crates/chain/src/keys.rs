//! `keys.txt`: the keys a verifier believes.
//!
//! One verification key (C2SP vkey) a line. The first is the log's; its name is the origin. Of the
//! others, keys of type 0x04 are witnesses and keys of type 0x01 are clients. Empty lines and
//! lines that begin with `#` are skipped. Every line ends in a line feed.

use std::fmt;

use crate::limits::KEYS_MAX;
use crate::note::{KeyError, KeyKind, VerifierKey};

/// The keys of one log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keys {
    /// The log's key (type 0x01); its name is the origin of the log.
    pub log: VerifierKey,
    /// The keys of witnesses (type 0x04).
    pub witnesses: Vec<VerifierKey>,
    /// The keys with which clients sign their events (type 0x01).
    pub clients: Vec<VerifierKey>,
}

/// A text that is not a list of keys: the line at fault, from 1, and what is wrong with it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line} of the keys: {fault}")]
pub struct KeysError {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong.
    pub fault: KeysFault,
}

/// What can be wrong with a list of keys.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum KeysFault {
    /// Not UTF-8.
    #[error("a list of keys is UTF-8 text")]
    Text,
    /// The last line has no line feed: the file may be cut.
    #[error("the last line does not end in a line feed")]
    Unterminated,
    /// A key that cannot be used.
    #[error("the key cannot be used: {0}")]
    Key(KeyError),
    /// The same name and key id twice.
    #[error("the key stands in the list twice")]
    Duplicate,
    /// The first key is not of type 0x01.
    #[error("the first key is the log's and of type 0x01")]
    LogKind,
    /// There is no key at all.
    #[error("the list holds no key")]
    Empty,
    /// More than [`KEYS_MAX`] keys.
    #[error("there are more than {KEYS_MAX} keys")]
    TooMany,
}

impl Keys {
    /// Only the log's key, which is of type 0x01.
    pub const fn of_log(log: VerifierKey) -> Self {
        Self { log, witnesses: Vec::new(), clients: Vec::new() }
    }

    /// Reads a list of keys.
    ///
    /// # Errors
    /// [`KeysError`] for the first line at fault.
    pub fn parse(bytes: &[u8]) -> Result<Self, KeysError> {
        let text = std::str::from_utf8(bytes)
            .map_err(|_| KeysError { line: 1, fault: KeysFault::Text })?;
        let mut keys: Vec<VerifierKey> = Vec::new();
        let mut count = 0;
        for line in text.split_inclusive('\n') {
            count += 1;
            let key = read_line(line, &keys).map_err(|fault| KeysError { line: count, fault })?;
            keys.extend(key);
        }
        let mut keys = keys.into_iter();
        let log = keys.next().ok_or(KeysError { line: count + 1, fault: KeysFault::Empty })?;
        let (witnesses, clients) = keys.partition(|key| key.kind() == KeyKind::CosignatureV1);
        Ok(Self { log, witnesses, clients })
    }

    /// The name of the log.
    pub fn origin(&self) -> &str {
        self.log.name()
    }
}

fn read_line(line: &str, before: &[VerifierKey]) -> Result<Option<VerifierKey>, KeysFault> {
    let line = line.strip_suffix('\n').ok_or(KeysFault::Unterminated)?;
    if line.is_empty() || line.starts_with('#') {
        return Ok(None);
    }
    let key: VerifierKey = line.parse().map_err(KeysFault::Key)?;
    if before.is_empty() && key.kind() != KeyKind::Ed25519 {
        return Err(KeysFault::LogKind);
    }
    if before.iter().any(|other| other.label() == key.label()) {
        return Err(KeysFault::Duplicate);
    }
    if before.len() >= KEYS_MAX {
        return Err(KeysFault::TooMany);
    }
    Ok(Some(key))
}

impl fmt::Display for Keys {
    /// The text that [`Keys::parse`] reads back.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "# the log")?;
        writeln!(f, "{}", self.log)?;
        for (title, keys) in [("# witnesses", &self.witnesses), ("# clients", &self.clients)] {
            if !keys.is_empty() {
                writeln!(f, "{title}")?;
            }
            keys.iter().try_for_each(|key| writeln!(f, "{key}"))?;
        }
        Ok(())
    }
}
