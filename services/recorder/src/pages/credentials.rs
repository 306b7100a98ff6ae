//! Badges and PINs: who may sign in at a terminal without an identity provider.
//!
//! A PIN of a few digits is guessed in seconds by whoever holds its hash, whatever the hash. So the
//! file alone is not enough: badge and PIN are hashed with a secret that lies with the keys, and
//! guessing at the door is stopped by a lock-out. The file is no part of the record; it can be
//! erased with the person.

use std::collections::HashMap;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use argon2::{Algorithm, Argon2, Params, Version};
use ledger::seams::Random;
use serde::{Deserialize, Serialize};
use shopfloor::ids::{Label, PersonId};
use shopfloor::people::events::Role;
use subtle::ConstantTimeEq as _;

use crate::config::Config;
use crate::secret;

/// Failures in a row after which a badge is locked. Common practice, no source.
pub(crate) const FAILURES_MAX: u32 = 5;
/// How long a badge is locked, ms.
pub(crate) const LOCKED_MS: i64 = 15 * 60 * 1_000;
/// Shortest PIN, in characters.
pub const PIN_CHARS_MIN: usize = 4;
/// Longest badge number or PIN, in bytes.
const SECRET_BYTES_MAX: usize = 64;
/// Most badges whose failures are remembered; then the oldest memory goes first.
const FAILURES_KEPT_MAX: usize = 10_000;
/// Argon2id: memory in KiB and passes (RFC 9106 gives the function; the values are the minimum of
/// common practice for interactive sign-in).
const MEMORY_KIB: u32 = 19_456;
const PASSES: u32 = 2;

/// Credentials that cannot be kept or read.
#[derive(Debug, thiserror::Error)]
pub enum CredentialsError {
    /// The file system said no.
    #[error("could not use `{name}`")]
    Io {
        /// The file.
        name: String,
        /// The cause.
        #[source]
        source: std::io::Error,
    },
    /// The file is not ours.
    #[error("`{name}` is no credentials file: move it away and enrol the badges again")]
    Form {
        /// The file.
        name: String,
        /// The cause.
        #[source]
        source: serde_json::Error,
    },
    /// The secret that is mixed in.
    #[error("the secret for badges cannot be used")]
    Secret(#[source] secret::SecretError),
    /// A badge or PIN that cannot be used.
    #[error("{0}")]
    Unusable(String),
}

/// What a badge stands for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Holder {
    /// Pseudonym.
    pub person: PersonId,
    /// Roles.
    pub roles: Vec<Role>,
    /// Sites; absent: all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sites: Option<Vec<Label>>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Credential {
    holder: Holder,
    /// Hash of the badge number: who reads the file cannot make a badge from it.
    badge: String,
    salt: String,
    pin: String,
}

#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    version: u8,
    credentials: Vec<Credential>,
}

/// Why nobody was let in. What is told to the person differs only between the last and the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Denied {
    /// No such badge, or not its PIN.
    Wrong,
    /// Too many failures.
    Locked,
}

#[derive(Debug, Default, Clone, Copy)]
struct Failures {
    in_a_row: u32,
    last_ms: i64,
}

/// The credentials of a recorder.
#[derive(Debug)]
pub struct Credentials {
    file: PathBuf,
    pepper_file: PathBuf,
    failures: Mutex<HashMap<String, Failures>>,
}

impl Credentials {
    /// The credentials in a recorder's data directory.
    pub fn of(config: &Config) -> Self {
        Self {
            file: config.log.data_dir.join("people").join("credentials.json"),
            pepper_file: config.keys_dir().join("badges.key"),
            failures: Mutex::new(HashMap::new()),
        }
    }

    fn io(path: &Path) -> impl FnOnce(std::io::Error) -> CredentialsError + '_ {
        move |source| CredentialsError::Io { name: path.display().to_string(), source }
    }

    /// Read anew each time: what the administrator changes counts at once.
    fn read(&self) -> Result<File, CredentialsError> {
        match fs::read(&self.file) {
            Ok(bytes) => serde_json::from_slice(&bytes).map_err(|source| CredentialsError::Form {
                name: self.file.display().to_string(),
                source,
            }),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(File::default()),
            Err(error) => Err(Self::io(&self.file)(error)),
        }
    }

    /// Whether anybody could sign in with a badge.
    pub(crate) fn are_there(&self) -> bool {
        self.read().is_ok_and(|file| !file.credentials.is_empty())
    }

    /// Keeps a badge and PIN for a person, in place of what was kept for that badge or person.
    ///
    /// # Errors
    /// [`CredentialsError`].
    pub fn enrol(
        &self,
        holder: Holder,
        badge: &str,
        pin: &str,
        random: &mut dyn Random,
    ) -> Result<(), CredentialsError> {
        let unusable = |what: String| Err(CredentialsError::Unusable(what));
        if badge.is_empty() || badge.len() > SECRET_BYTES_MAX {
            return unusable(format!("a badge number has 1 to {SECRET_BYTES_MAX} bytes"));
        }
        if pin.chars().count() < PIN_CHARS_MIN || pin.len() > SECRET_BYTES_MAX {
            return unusable(format!(
                "a PIN has at least {PIN_CHARS_MIN} characters and at most {SECRET_BYTES_MAX} bytes"
            ));
        }
        if !secret::is_there(&self.pepper_file).map_err(CredentialsError::Secret)? {
            secret::create(&self.pepper_file, random).map_err(CredentialsError::Secret)?;
        }
        let pepper = self.pepper()?;
        let mut salt = [0; 16];
        random.fill(&mut salt);
        let mut file = self.read()?;
        let badge = badge_print(&pepper, badge);
        file.version = 1;
        file.credentials.retain(|c| c.badge != badge && c.holder.person != holder.person);
        file.credentials.push(Credential {
            holder,
            badge,
            salt: hex::encode(salt),
            pin: hex::encode(pin_hash(&pepper, &salt, pin)),
        });
        self.write(&file)
    }

    /// Forgets the badges of a person; returns how many those were.
    ///
    /// # Errors
    /// [`CredentialsError`].
    pub(crate) fn erase(&self, person: &PersonId) -> Result<u64, CredentialsError> {
        let mut file = self.read()?;
        let before = file.credentials.len();
        file.credentials.retain(|credential| credential.holder.person != *person);
        let gone = before - file.credentials.len();
        if gone > 0 {
            self.write(&file)?;
        }
        Ok(gone as u64)
    }

    /// Written beside and renamed: a reader sees the old file or the new one.
    fn write(&self, file: &File) -> Result<(), CredentialsError> {
        let dir = self.file.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(dir).map_err(Self::io(dir))?;
        let new = self.file.with_extension("new");
        let bytes = serde_json::to_vec_pretty(file).map_err(|source| CredentialsError::Form {
            name: self.file.display().to_string(),
            source,
        })?;
        let mut out = fs::OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(true)
            .mode(0o600)
            .open(&new)
            .map_err(Self::io(&new))?;
        out.write_all(&bytes).and_then(|()| out.sync_all()).map_err(Self::io(&new))?;
        fs::rename(&new, &self.file).map_err(Self::io(&self.file))?;
        fs::File::open(dir).and_then(|dir| dir.sync_all()).map_err(Self::io(dir))
    }

    fn pepper(&self) -> Result<[u8; 32], CredentialsError> {
        Ok(secret::read(&self.pepper_file).map_err(CredentialsError::Secret)?.to_bytes())
    }

    /// Who holds this badge and knows its PIN. Takes some 30 ms and 19 MiB: off the async threads.
    ///
    /// # Errors
    /// [`CredentialsError`] if it cannot be told.
    pub(crate) fn check(
        &self,
        badge: &str,
        pin: &str,
        now_ms: i64,
    ) -> Result<Result<Holder, Denied>, CredentialsError> {
        let file = self.read()?;
        if file.credentials.is_empty()
            || badge.len() > SECRET_BYTES_MAX
            || pin.len() > SECRET_BYTES_MAX
        {
            return Ok(Err(Denied::Wrong));
        }
        let pepper = self.pepper()?;
        let print = badge_print(&pepper, badge);
        if self.is_locked(&print, now_ms) {
            return Ok(Err(Denied::Locked));
        }
        let found = file.credentials.iter().find(|c| c.badge == print);
        // A badge we do not know takes as long as one we know.
        let salt = found.and_then(|c| hex::decode(&c.salt).ok()).unwrap_or_else(|| vec![0; 16]);
        let hash = pin_hash(&pepper, &salt, pin);
        let kept = found.and_then(|c| hex::decode(&c.pin).ok()).unwrap_or_default();
        let right = !kept.is_empty() && bool::from(hash.ct_eq(&kept[..]));
        match found {
            Some(credential) if right => {
                self.failures().remove(&print);
                Ok(Ok(credential.holder.clone()))
            }
            Some(_) | None => {
                self.note_failure(print, now_ms);
                Ok(Err(Denied::Wrong))
            }
        }
    }

    fn failures(&self) -> std::sync::MutexGuard<'_, HashMap<String, Failures>> {
        self.failures.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn is_locked(&self, print: &str, now_ms: i64) -> bool {
        let failures = self.failures().get(print).copied().unwrap_or_default();
        failures.in_a_row >= FAILURES_MAX
            && now_ms.abs_diff(failures.last_ms) < LOCKED_MS.unsigned_abs()
    }

    fn note_failure(&self, print: String, now_ms: i64) {
        let mut all = self.failures();
        if all.len() >= FAILURES_KEPT_MAX && !all.contains_key(&print) {
            all.retain(|_, f| now_ms.abs_diff(f.last_ms) < LOCKED_MS.unsigned_abs());
        }
        let failures = all.entry(print).or_default();
        // A lock that ran out gives the full number of tries again.
        if now_ms.abs_diff(failures.last_ms) >= LOCKED_MS.unsigned_abs() {
            failures.in_a_row = 0;
        }
        failures.in_a_row += 1;
        failures.last_ms = now_ms;
    }
}

fn badge_print(pepper: &[u8; 32], badge: &str) -> String {
    let parts = [b"badge\n", &pepper[..], badge.as_bytes()].concat();
    chain::Digest::of(&parts).to_string()
}

fn pin_hash(pepper: &[u8; 32], salt: &[u8], pin: &str) -> Vec<u8> {
    let mut out = vec![0; 32];
    let hashed = Params::new(MEMORY_KIB, PASSES, 1, Some(out.len()))
        .and_then(|params| {
            Argon2::new_with_secret(pepper, Algorithm::Argon2id, Version::V0x13, params)
        })
        .and_then(|argon| argon.hash_password_into(pin.as_bytes(), salt, &mut out));
    // An empty hash equals none that is kept; only a damaged salt can bring us here.
    if hashed.is_err() { Vec::new() } else { out }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shop() -> (tempfile::TempDir, Credentials) {
        let dir = tempfile::tempdir().unwrap();
        let mut config = Config::default();
        config.log.data_dir = dir.path().into();
        let credentials = Credentials::of(&config);
        let holder = Holder {
            person: PersonId::new("op_k7m2q9xd").unwrap(),
            roles: vec![Role::Technician],
            sites: None,
        };
        credentials.enrol(holder, "4711", "2580", &mut ledger::seams::OsRandom).unwrap();
        (dir, credentials)
    }

    #[test]
    fn a_badge_and_its_pin_open_and_nothing_else_does() {
        let (_dir, credentials) = shop();
        let check = |badge, pin| credentials.check(badge, pin, 0).unwrap();
        assert_eq!(check("4711", "2580").unwrap().person.as_str(), "op_k7m2q9xd");
        for (badge, pin) in [("4711", "2581"), ("4712", "2580"), ("", ""), ("4711", "")] {
            assert_eq!(check(badge, pin), Err(Denied::Wrong), "{badge} {pin}");
        }
    }

    #[test]
    fn failures_lock_a_badge_for_a_while_even_for_the_right_pin() {
        let (_dir, credentials) = shop();
        for _ in 0..FAILURES_MAX {
            assert_eq!(credentials.check("4711", "0000", 1_000).unwrap(), Err(Denied::Wrong));
        }
        assert_eq!(credentials.check("4711", "2580", 2_000).unwrap(), Err(Denied::Locked));
        assert!(credentials.check("4711", "2580", 1_000 + LOCKED_MS).unwrap().is_ok());
    }

    #[test]
    fn a_badge_is_erased_with_its_person() {
        let (_dir, credentials) = shop();
        assert_eq!(credentials.erase(&PersonId::new("op_other").unwrap()).unwrap(), 0);
        assert!(credentials.check("4711", "2580", 0).unwrap().is_ok());
        assert_eq!(credentials.erase(&PersonId::new("op_k7m2q9xd").unwrap()).unwrap(), 1);
        assert_eq!(credentials.check("4711", "2580", 0).unwrap(), Err(Denied::Wrong));
    }

    #[test]
    fn the_file_holds_neither_badge_nor_pin() {
        let (dir, _credentials) = shop();
        let text = fs::read_to_string(dir.path().join("people/credentials.json")).unwrap();
        assert!(
            text.contains("op_k7m2q9xd") && !text.contains("4711") && !text.contains("2580"),
            "{text}"
        );
    }
}
