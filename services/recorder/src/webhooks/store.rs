//! How far each subscription is, kept in one small file: where to go on, what was given up, whether
//! the receiver wants no more. It is beside the log and no part of it; deleted, the subscription
//! begins anew.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::sync::Arc;

use ledger::disk::{Dir, Disk as _, OsDisk, read_whole, write_durably};
use serde::{Deserialize, Serialize};

use crate::limits::WEBHOOK_STATE_BYTES_MAX;

/// Version of the file.
const VERSION: u8 = 1;

/// What is kept of a subscription.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Kept {
    version: u8,
    /// Origin of the log that the numbers are of.
    log: String,
    /// First entry not dealt with.
    pub(super) next: u64,
    /// Why nothing is delivered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) suspended: Option<String>,
    /// Deliveries that were given up, by entry.
    #[serde(default)]
    pub(super) dead_letters: BTreeMap<u64, DeadLetter>,
}

/// A delivery that was given up.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeadLetter {
    /// How often it was tried.
    pub attempts: u32,
    /// When the last time, ms since 1970.
    pub at_ms: i64,
    /// What was wrong then, in words.
    pub trouble: String,
}

impl Kept {
    /// A subscription that begins at an entry.
    pub(super) fn beginning(log: &str, next: u64) -> Self {
        let (log, suspended, dead_letters) = (log.to_owned(), None, BTreeMap::new());
        Self { version: VERSION, log, next, suspended, dead_letters }
    }

    /// Why the file cannot be gone on from.
    fn fault(&self, log: &str, size: u64) -> Option<String> {
        if self.version != VERSION {
            return Some(format!("its state is of version {}", self.version));
        }
        if self.log != log {
            return Some(format!("its state is of the log `{}`", self.log));
        }
        (self.next > size).then(|| {
            let next = self.next;
            format!(
                "its state is {next} entries on and the log has {size}: was an old copy put back?"
            )
        })
    }
}

/// The directory of the files.
#[derive(Debug, Clone)]
pub(super) struct Store(Arc<dyn Dir>);

impl Store {
    /// Opens it below a data directory, creating it if there is none (mode 0700).
    pub(super) fn open(data_dir: &Path) -> io::Result<Self> {
        OsDisk.create_dir_all(&data_dir.join("webhooks")).map(Self)
    }

    /// What is kept of a subscription; `None` if it is new. What cannot be gone on from is told in
    /// words and left as it is.
    pub(super) fn get(&self, name: &str, log: &str, size: u64) -> Result<Option<Kept>, String> {
        let bytes = read_whole(&*self.0, &file(name), WEBHOOK_STATE_BYTES_MAX)
            .map_err(|error| format!("its state cannot be read: {error}"))?;
        let Some(bytes) = bytes else { return Ok(None) };
        let kept: Kept = serde_json::from_slice(&bytes)
            .map_err(|error| format!("its state cannot be read: {error}"))?;
        kept.fault(log, size).map_or(Ok(Some(kept)), Err)
    }

    /// Keeps it, durably and whole.
    pub(super) fn keep(&self, name: &str, kept: &Kept) -> io::Result<()> {
        let bytes = serde_json::to_vec_pretty(kept)?;
        write_durably(&*self.0, &file(name), &bytes, 0o600)
    }
}

fn file(name: &str) -> String {
    format!("{name}.json")
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOG: &str = "records.example.org/a";

    #[test]
    fn what_is_kept_is_found_again_and_what_does_not_fit_is_told() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(dir.path()).unwrap();
        assert_eq!(store.get("mes", LOG, 9), Ok(None));
        let mut kept = Kept::beginning(LOG, 7);
        let letter = DeadLetter { attempts: 3, at_ms: 5, trouble: "it was away".to_owned() };
        kept.dead_letters.insert(4, letter);
        store.keep("mes", &kept).unwrap();
        assert_eq!(store.get("mes", LOG, 9), Ok(Some(kept)));
        assert!(store.get("mes", "records.example.org/b", 9).unwrap_err().contains(LOG));
        assert!(store.get("mes", LOG, 6).unwrap_err().contains("old copy"));
        for bad in [&b"{"[..], br#"{"version":2,"log":"x","next":0}"#, br#"{"version":1,"next":0}"#]
        {
            std::fs::write(dir.path().join("webhooks/mes.json"), bad).unwrap();
            assert!(store.get("mes", LOG, 9).unwrap_err().contains("its state"));
        }
    }
}
