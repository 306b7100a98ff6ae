//! What keeps an index from doing something.

use std::io;

use crate::disk::is_full;
use crate::error::LedgerError;

/// Why an index could not do what was asked of it.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Fault {
    /// What is there is not what was written, or cannot be read: it is built anew.
    Damaged(String),
    /// It did not work this time, for want of room for example. What is there is sound.
    Passing(String),
    /// The index closes, and nobody waits for this any more.
    Stopped,
}

impl Fault {
    pub(super) fn passing(name: &str, error: &io::Error) -> Self {
        Self::Passing(format!("`{name}`: {error}"))
    }

    /// What was wrong.
    pub(super) fn what(&self) -> &str {
        match self {
            Self::Damaged(what) | Self::Passing(what) => what,
            Self::Stopped => "it is being closed",
        }
    }
}

impl From<String> for Fault {
    fn from(what: String) -> Self {
        Self::Damaged(what)
    }
}

impl From<&str> for Fault {
    fn from(what: &str) -> Self {
        Self::Damaged(what.to_owned())
    }
}

impl From<sled::Error> for Fault {
    fn from(error: sled::Error) -> Self {
        let what = error.to_string();
        match error {
            sled::Error::Io(error) if is_full(&error) => Self::Passing(what),
            sled::Error::Io(_)
            | sled::Error::CollectionNotFound(_)
            | sled::Error::Unsupported(_)
            | sled::Error::ReportableBug(_)
            | sled::Error::Corruption { .. } => Self::Damaged(what),
        }
    }
}

impl From<Fault> for LedgerError {
    fn from(fault: Fault) -> Self {
        Self::Index { what: fault.what().to_owned() }
    }
}
