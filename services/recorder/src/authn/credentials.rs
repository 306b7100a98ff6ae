//! Badges and PINs: who may sign in at a terminal without an identity provider.
//!
//! A PIN of a few digits is guessed in seconds by whoever holds its hash, whatever the hash. So the
//! file alone is not enough: badge and PIN are hashed with a secret that lies with the keys, and
//! guessing at the door is stopped by a lock-out. The file is no part of the record; it can be
//! erased with the person.

use std::collections::HashMap;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use argon2::{Algorithm, Argon2, Params, Version};
use ledger::seams::Random;
use serde::{Deserialize, Serialize};
use shopfloor::ids::{Label, PersonId};
use shopfloor::people::events::Role;
use subtle::ConstantTimeEq as _;

use super::pins::{self, Guessable, PIN_CHARS_MAX};
use crate::config::Config;
use crate::secret;

/// Failures in a row after which a badge is locked. Common practice, no source.
pub(crate) const FAILURES_MAX: u32 = 5;
/// How long a badge is locked, ms.
pub(crate) const LOCKED_MS: i64 = 15 * 60 * 1_000;
/// Longest badge number, in bytes.
const BADGE_BYTES_MAX: usize = 64;
/// Longest PIN that is looked at, in bytes: as many characters as it may have, at their longest.
const PIN_BYTES_MAX: usize = 4 * PIN_CHARS_MAX;
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
    /// A badge number that cannot be used.
    #[error("a badge number has 1 to {BADGE_BYTES_MAX} bytes")]
    Badge,
    /// A PIN that would be guessed.
    #[error("{0}")]
    Pin(Guessable),
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

/// Somebody whose badge and PIN were checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Admitted {
    pub(crate) holder: Holder,
    /// Mark of this badge with this PIN: another one once either changes.
    pub(super) mark: String,
}

/// Why a PIN was not changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum NotChanged {
    /// Badge and PIN of now do not open.
    Denied(Denied),
    /// They are somebody else's.
    Other,
    /// The new one is the old one.
    Same,
    /// The new one would be guessed.
    Guessable(Guessable),
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Credential {
    holder: Holder,
    /// Hash of the badge number: who reads the file cannot make a badge from it.
    badge: String,
    /// Drawn anew with each PIN, and so the mark of it.
    salt: String,
    pin: String,
}

#[derive(Debug, Default, Clone, Serialize, Deserialize)]
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

/// What tells one version of the file from another: it is never changed in place.
#[derive(Debug, PartialEq, Eq)]
struct FileStand {
    inode: u64,
    bytes: u64,
    changed: (i64, i64),
}

/// The credentials of a recorder.
#[derive(Debug)]
pub struct Credentials {
    file: PathBuf,
    pepper_file: PathBuf,
    pin_chars_min: usize,
    failures: Mutex<HashMap<String, Failures>>,
    /// The file as it was last read.
    seen: Mutex<Option<(FileStand, Arc<File>)>>,
}

impl Credentials {
    /// The credentials in a recorder's data directory.
    pub fn of(config: &Config) -> Self {
        Self {
            file: config.log.data_dir.join("people").join("credentials.json"),
            pepper_file: config.keys_dir().join("badges.key"),
            pin_chars_min: config.auth.pin_chars_min,
            failures: Mutex::new(HashMap::new()),
            seen: Mutex::new(None),
        }
    }

    fn io(path: &Path) -> impl FnOnce(std::io::Error) -> CredentialsError + '_ {
        move |source| CredentialsError::Io { name: path.display().to_string(), source }
    }

    /// The file as it stands: what the administrator changes counts at once.
    fn read(&self) -> Result<Arc<File>, CredentialsError> {
        let stand = match fs::metadata(&self.file) {
            Ok(at) => {
                let changed = (at.ctime(), at.ctime_nsec());
                FileStand { inode: at.ino(), bytes: at.size(), changed }
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Arc::default()),
            Err(error) => return Err(Self::io(&self.file)(error)),
        };
        let mut seen = self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((of, file)) = &*seen
            && *of == stand
        {
            return Ok(Arc::clone(file));
        }
        let bytes = fs::read(&self.file).map_err(Self::io(&self.file))?;
        let file = serde_json::from_slice(&bytes).map_err(|source| CredentialsError::Form {
            name: self.file.display().to_string(),
            source,
        })?;
        let (_, file) = seen.insert((stand, Arc::new(file)));
        Ok(Arc::clone(file))
    }

    /// Alone among all processes until the returned file is dropped: a change that was read before
    /// another was written would undo it.
    fn alone(&self) -> Result<fs::File, CredentialsError> {
        let dir = self.file.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(dir).map_err(Self::io(dir))?;
        let path = self.file.with_extension("lock");
        let mut options = fs::OpenOptions::new();
        options.create(true).truncate(false).write(true).mode(0o600);
        let lock = options.open(&path).map_err(Self::io(&path))?;
        lock.lock().map_err(Self::io(&path))?;
        Ok(lock)
    }

    /// Mark of a person's badge and PIN; `None` if there is none, or the file cannot be read.
    pub(crate) fn mark_of(&self, person: &str) -> Option<String> {
        let file = self.read().ok()?;
        let credential = file.credentials.iter().find(|c| c.holder.person.as_str() == person)?;
        Some(credential.salt.clone())
    }

    /// Whether anybody could sign in with a badge.
    pub(crate) fn are_there(&self) -> bool {
        self.read().is_ok_and(|file| !file.credentials.is_empty())
    }

    /// Keeps a badge and PIN for a person, in place of what was kept for that badge or person.
    ///
    /// # Errors
    /// [`CredentialsError`]; [`CredentialsError::Pin`] for a PIN that would be guessed.
    pub fn enrol(
        &self,
        holder: Holder,
        badge: &str,
        pin: &str,
        random: &mut dyn Random,
    ) -> Result<(), CredentialsError> {
        if badge.is_empty() || badge.len() > BADGE_BYTES_MAX {
            return Err(CredentialsError::Badge);
        }
        pins::check(pin, badge, holder.person.as_str(), self.pin_chars_min)
            .map_err(CredentialsError::Pin)?;
        let _alone = self.alone()?;
        if !secret::is_there(&self.pepper_file).map_err(CredentialsError::Secret)? {
            secret::create(&self.pepper_file, random).map_err(CredentialsError::Secret)?;
        }
        let mut file = File::clone(&*self.read()?);
        self.put(&mut file, holder, badge, pin, random)?;
        self.write(&file)
    }

    fn put(
        &self,
        file: &mut File,
        holder: Holder,
        badge: &str,
        pin: &str,
        random: &mut dyn Random,
    ) -> Result<(), CredentialsError> {
        let pepper = self.pepper()?;
        let mut salt = [0; 16];
        random.fill(&mut salt);
        let badge = badge_print(&pepper, badge);
        file.version = 1;
        file.credentials.retain(|c| c.badge != badge && c.holder.person != holder.person);
        file.credentials.push(Credential {
            holder,
            badge,
            salt: hex::encode(salt),
            pin: hex::encode(pin_hash(&pepper, &salt, pin)),
        });
        Ok(())
    }

    /// Changes the PIN of `person`, who shows badge and PIN again. Every session that was opened with
    /// the old PIN is over. Takes some 60 ms and 19 MiB: off the async threads.
    ///
    /// # Errors
    /// [`CredentialsError`] if it cannot be told or kept.
    pub(crate) fn change_pin(
        &self,
        person: &str,
        badge: &str,
        (pin, new): (&str, &str),
        now_ms: i64,
        random: &mut dyn Random,
    ) -> Result<Result<Admitted, NotChanged>, CredentialsError> {
        let _alone = self.alone()?;
        let holder = match self.check(badge, pin, now_ms)? {
            Ok(admitted) => admitted.holder,
            Err(denied) => return Ok(Err(NotChanged::Denied(denied))),
        };
        if holder.person.as_str() != person {
            return Ok(Err(NotChanged::Other));
        }
        if pin == new {
            return Ok(Err(NotChanged::Same));
        }
        if let Err(guessable) = pins::check(new, badge, person, self.pin_chars_min) {
            return Ok(Err(NotChanged::Guessable(guessable)));
        }
        let mut file = File::clone(&*self.read()?);
        self.put(&mut file, holder.clone(), badge, new, random)?;
        self.write(&file)?;
        let mark = file.credentials.last().map(|c| c.salt.clone()).unwrap_or_default();
        Ok(Ok(Admitted { holder, mark }))
    }

    /// Forgets the badges of a person; returns how many those were.
    ///
    /// # Errors
    /// [`CredentialsError`].
    pub(crate) fn erase(&self, person: &PersonId) -> Result<u64, CredentialsError> {
        let _alone = self.alone()?;
        let mut file = File::clone(&*self.read()?);
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
    ) -> Result<Result<Admitted, Denied>, CredentialsError> {
        let file = self.read()?;
        if file.credentials.is_empty() || badge.len() > BADGE_BYTES_MAX || pin.len() > PIN_BYTES_MAX
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
                let (holder, mark) = (credential.holder.clone(), credential.salt.clone());
                Ok(Ok(Admitted { holder, mark }))
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

    const PERSON: &str = "op_k7m2q9xd";

    fn shop() -> (tempfile::TempDir, Credentials) {
        let dir = tempfile::tempdir().unwrap();
        let credentials = again(&dir);
        enrol(&credentials, "4711", "482913").unwrap();
        (dir, credentials)
    }

    /// The same file, as another process has it.
    fn again(dir: &tempfile::TempDir) -> Credentials {
        let mut config = Config::default();
        config.log.data_dir = dir.path().into();
        Credentials::of(&config)
    }

    fn enrol(credentials: &Credentials, badge: &str, pin: &str) -> Result<(), CredentialsError> {
        let holder = Holder {
            person: PersonId::new(PERSON).unwrap(),
            roles: vec![Role::Technician],
            sites: None,
        };
        credentials.enrol(holder, badge, pin, &mut ledger::seams::OsRandom)
    }

    #[test]
    fn a_badge_and_its_pin_open_and_nothing_else_does() {
        let (_dir, credentials) = shop();
        let check = |badge, pin| credentials.check(badge, pin, 0).unwrap();
        assert_eq!(check("4711", "482913").unwrap().holder.person.as_str(), PERSON);
        for (badge, pin) in [
            ("4711", "482914"),
            ("4712", "482913"),
            ("", ""),
            ("4711", ""),
            ("4711", "482913 "),
            ("4711", " 482913"),
        ] {
            assert_eq!(check(badge, pin), Err(Denied::Wrong), "{badge} {pin}");
        }
    }

    #[test]
    fn a_pin_is_taken_as_it_is_typed_up_to_64_characters() {
        let (_dir, credentials) = shop();
        let long = "ä7 ßq-".repeat(10) + " end";
        assert_eq!(long.chars().count(), 64);
        enrol(&credentials, "4711", &long).unwrap();
        assert!(credentials.check("4711", &long, 0).unwrap().is_ok());
        assert_eq!(
            credentials.check("4711", &long[..long.len() - 1], 0).unwrap(),
            Err(Denied::Wrong)
        );
        let too_long = enrol(&credentials, "4711", &format!("{long}x"));
        assert!(matches!(too_long, Err(CredentialsError::Pin(Guessable::Long))), "{too_long:?}");
    }

    #[test]
    fn a_pin_that_would_be_guessed_is_neither_enrolled_nor_changed_to() {
        let (_dir, credentials) = shop();
        let random = &mut ledger::seams::OsRandom;
        for (pin, why) in [
            ("123456", Guessable::Sequence),
            ("777777", Guessable::Repeated),
            ("241284", Guessable::Date),
            ("471193", Guessable::Badge),
            ("48291", Guessable::Short(6)),
        ] {
            let enrolled = enrol(&credentials, "4711", pin);
            assert!(matches!(enrolled, Err(CredentialsError::Pin(is)) if is == why), "{pin}");
            let changed = credentials.change_pin(PERSON, "4711", ("482913", pin), 0, random);
            assert_eq!(changed.unwrap(), Err(NotChanged::Guessable(why)), "{pin}");
        }
        assert!(credentials.check("4711", "482913", 0).unwrap().is_ok(), "the old one is kept");
    }

    #[test]
    fn a_person_changes_her_own_pin_with_badge_and_pin_of_now() {
        let (dir, credentials) = shop();
        let random = &mut ledger::seams::OsRandom;
        let mark = credentials.mark_of(PERSON).unwrap();
        let mut change = |person, pin, new| {
            credentials.change_pin(person, "4711", (pin, new), 0, random).unwrap()
        };
        let wrong = NotChanged::Denied(Denied::Wrong);
        assert_eq!(change(PERSON, "000000", "917364"), Err(wrong));
        assert_eq!(change("op_other", "482913", "917364"), Err(NotChanged::Other));
        assert_eq!(change(PERSON, "482913", "482913"), Err(NotChanged::Same));
        assert_eq!(credentials.mark_of(PERSON), Some(mark.clone()), "nothing was changed");

        let changed = change(PERSON, "482913", "917364").unwrap();
        assert_ne!(changed.mark, mark);
        assert_eq!(again(&dir).mark_of(PERSON), Some(changed.mark), "seen by another process");
        assert_eq!(credentials.check("4711", "482913", 0).unwrap(), Err(Denied::Wrong));
        assert!(credentials.check("4711", "917364", 0).unwrap().is_ok());
    }

    #[test]
    fn failures_lock_a_badge_for_a_while_even_for_the_right_pin() {
        let (_dir, credentials) = shop();
        for _ in 0..FAILURES_MAX {
            assert_eq!(credentials.check("4711", "0000", 1_000).unwrap(), Err(Denied::Wrong));
        }
        assert_eq!(credentials.check("4711", "482913", 2_000).unwrap(), Err(Denied::Locked));
        assert!(credentials.check("4711", "482913", 1_000 + LOCKED_MS).unwrap().is_ok());
    }

    #[test]
    fn a_badge_is_erased_with_its_person() {
        let (dir, credentials) = shop();
        assert_eq!(credentials.erase(&PersonId::new("op_other").unwrap()).unwrap(), 0);
        assert!(credentials.check("4711", "482913", 0).unwrap().is_ok());
        assert_eq!(again(&dir).erase(&PersonId::new(PERSON).unwrap()).unwrap(), 1);
        assert_eq!(credentials.check("4711", "482913", 0).unwrap(), Err(Denied::Wrong));
        assert_eq!(credentials.mark_of(PERSON), None);
    }

    #[test]
    fn the_file_holds_neither_badge_nor_pin() {
        let (dir, _credentials) = shop();
        let text = fs::read_to_string(dir.path().join("people/credentials.json")).unwrap();
        // Four digits can stand in a hash by chance; a name of a member cannot.
        assert!(text.contains(PERSON) && !text.contains("482913"), "{text}");
        assert!(!text.contains("\"4711\""), "{text}");
    }
}
