//! Copies of the log away from the machine, and a log made again from them.
//!
//! A disk, a machine or a building can be lost; what is recorded must not be lost with it. A
//! [`Copier`] ships entries, tiles and signed checkpoints to a [`Vault`]: a folder on another machine
//! or object storage. What a copy looks like stands in [`chain::copy`]. It is written from the reading
//! half of an engine, so it does not depend on how entries are kept here.
//!
//! - Everything is written once. An object that is there with other bytes is an alarm and is never
//!   replaced; so the credentials need no right to change or delete, and a store that locks what it
//!   was given is a store that works.
//! - Every entry is read back, hashed and linked before it leaves, and what a signed checkpoint covers
//!   is proved against it: bytes that rotted here are never shipped.
//! - A checkpoint is shipped after the entries it covers, so a copy never claims more than it holds.
//! - Where a copy ends is what the copy says, not a note kept here: a new machine goes on where the
//!   old one ended, and a copy that knows more than the log stops the copying.
//!
//! Copies hold no names and no texts: what may have to be erased must not lie where nothing can be
//! erased. The people store goes into backups.

mod copier;
mod courier;
mod folder;
mod restore;
#[cfg(test)]
mod tests;

use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::watch;

use crate::engine::Store;
use crate::engine::recovery::Tip;
use crate::error::LedgerError;
use crate::notary::Signed;

pub use copier::Copier;
pub use courier::{Courier, OpenVault, Standing, Trouble};
pub use folder::Folder;
pub use restore::{CopyReader, Restored, restore};

/// Where a copy is kept. Every call is synchronous and bounded in time by the vault.
///
/// # Contract
/// - [`put_new`](Self::put_new) returns `Ok` only when the object would survive a power cut there, and
///   never replaces one: it is there whole or not at all.
/// - Names are those of [`chain::copy::Name`].
pub trait Vault: std::fmt::Debug + Send {
    /// Keeps an object under a name that is free. If an object is there already, nothing is changed.
    ///
    /// # Errors
    /// [`VaultError`].
    fn put_new(&self, name: &str, bytes: &[u8]) -> Result<Put, VaultError>;

    /// The bytes of an object; `None` if there is none.
    ///
    /// # Errors
    /// [`VaultError`].
    fn get(&self, name: &str) -> Result<Option<Vec<u8>>, VaultError>;

    /// Names that begin with `folder` (which ends with `/`) and come behind `after`, ascending.
    ///
    /// # Errors
    /// [`VaultError`].
    fn list(&self, folder: &str, after: &str) -> Result<Vec<String>, VaultError>;
}

/// What became of an object.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Put {
    /// It was kept.
    Kept,
    /// There was one of that name already; whether it is the same is for the caller to see.
    WasThere,
}

/// Why a vault did not do what it was asked for. Never holds a secret.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VaultError {
    /// Nobody answers, or not in time.
    #[error("no usable answer: {0}")]
    Away(String),
    /// It has no room.
    #[error("it has no room")]
    Full,
    /// It does not let us in, or not do this.
    #[error("it refuses: {0}")]
    Refused(String),
    /// Something else, such as a folder that is not there.
    #[error("{0}")]
    Failed(String),
}

/// Why the copying does not go on.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// The vault.
    #[error(transparent)]
    Vault(#[from] VaultError),
    /// The log here.
    #[error("the log cannot be read")]
    Log(#[from] LedgerError),
    /// An object is there with other bytes. It is not replaced.
    #[error("`{name}` is there with other bytes: it is never written over; find out who wrote it")]
    OtherBytes {
        /// Name of the object.
        name: String,
    },
    /// The place holds the copy of another log.
    #[error("it holds the copy of another log, `{0}`: give each log a place of its own")]
    OtherLog(String),
    /// The copy has more entries than the log.
    #[error("the copy has {there} entries, the log {here}: is this an old copy of the data?")]
    Ahead {
        /// Entries of the log.
        here: u64,
        /// Entries of the copy.
        there: u64,
    },
    /// The copy holds a checkpoint with this log's own signature that this log does not follow from:
    /// proof of two histories, or of an older state that was put back.
    #[error(
        "the copy holds a checkpoint of {size} entries, signed by this log, that this log does not \
         follow from: nothing may be written before somebody has looked"
    )]
    Contradicted {
        /// Entries that checkpoint covers.
        size: u64,
    },
    /// What is read back here is not what was committed or signed. It is not shipped.
    #[error(
        "entries `{first}` to `{end}` are not those that were signed here: they are not shipped"
    )]
    Rotten {
        /// First entry of the range that was about to be shipped.
        first: u64,
        /// Entry behind the last one.
        end: u64,
    },
    /// A copy that cannot be read as one.
    #[error("the copy cannot be read: {0}")]
    Unreadable(String),
}

/// The log as a copier sees it: the entries, the end that was committed, the last signed checkpoint.
#[derive(Debug, Clone)]
pub struct Source {
    pub(crate) store: Arc<dyn Store>,
    pub(crate) committed: Arc<Mutex<Tip>>,
    pub(crate) signed: Arc<Mutex<Option<Signed>>>,
    pub(crate) published: watch::Receiver<Option<Arc<Signed>>>,
}

impl Source {
    fn tip(&self) -> Tip {
        *self.committed.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn signed(&self) -> Option<Signed> {
        self.signed.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Size of the newest published checkpoint.
    fn published(&self) -> u64 {
        self.published.borrow().as_ref().map_or(0, |signed| signed.size)
    }
}
