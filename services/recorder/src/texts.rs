//! The people store: free text and identities beside the log, with their salts, erasable.
//!
//! The log holds only the commitment SHA-256(salt || text). Each text is one file, named by its
//! commitment, mode 0600; erasing it makes the commitment one that nobody can open any more, and
//! the chain verifies as before. Trusted for nothing: a text is checked against its commitment each
//! time it is read.

use std::fs;
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use ledger::seams::Random;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

/// Bytes of a salt: as many as the hash, so that a short text cannot be guessed.
pub const SALT_BYTES: usize = 32;

/// Largest file, in bytes: the longest text, every character escaped.
const FILE_BYTES_MAX: u64 = 64 << 10;

/// A text that cannot be kept or opened.
#[derive(Debug, thiserror::Error)]
pub enum TextError {
    /// The file system said no.
    #[error("could not {doing} `{name}`")]
    Io {
        /// What was tried.
        doing: &'static str,
        /// File or directory.
        name: String,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// The file is not what was stored.
    #[error("`{name}` is not the text that was committed to")]
    Changed {
        /// The file.
        name: String,
    },
}

/// SHA-256(salt || text).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Commitment([u8; 32]);

impl Commitment {
    /// Commits to a text.
    pub fn to(salt: &[u8; SALT_BYTES], text: &str) -> Self {
        Self(Sha256::new().chain_update(salt).chain_update(text.as_bytes()).finalize().into())
    }

    /// As it stands in events: base64.
    pub fn to_base64(self) -> String {
        BASE64.encode(self.0)
    }

    /// As it stands in addresses: lower-case hexadecimal digits.
    pub fn to_hex(self) -> String {
        hex::encode(self.0)
    }

    /// Reads 64 lower-case hexadecimal digits.
    pub fn from_hex(text: &str) -> Option<Self> {
        let mut bytes = [0; 32];
        let lower = !text.bytes().any(|b| b.is_ascii_uppercase());
        (lower && hex::decode_to_slice(text, &mut bytes).is_ok()).then_some(Self(bytes))
    }
}

/// A text as stored.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kept {
    /// 32 bytes, base64.
    pub salt: String,
    /// The words.
    pub text: String,
    /// Who deposited them.
    pub by: String,
    /// When, ms since 1970.
    pub deposited_at_ms: i64,
}

/// The store.
pub struct TextStore {
    dir: PathBuf,
    random: Mutex<Box<dyn Random>>,
    writers: AtomicU64,
}

impl std::fmt::Debug for TextStore {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("TextStore").field("dir", &self.dir).finish_non_exhaustive()
    }
}

fn doing<'a>(doing: &'static str, path: &'a Path) -> impl FnOnce(io::Error) -> TextError + 'a {
    move |source| TextError::Io { doing, name: path.display().to_string(), source }
}

impl TextStore {
    /// Opens the store below a data directory, creating it if there is none (mode 0700).
    ///
    /// # Errors
    /// [`TextError::Io`].
    pub fn open(data_dir: &Path, random: Box<dyn Random>) -> Result<Self, TextError> {
        let dir = data_dir.join("people").join("texts");
        fs::DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(&dir)
            .map_err(doing("create", &dir))?;
        Ok(Self { dir, random: Mutex::new(random), writers: AtomicU64::new(0) })
    }

    /// A fresh salt.
    pub fn salt(&self) -> [u8; SALT_BYTES] {
        let mut salt = [0; SALT_BYTES];
        self.random.lock().unwrap_or_else(std::sync::PoisonError::into_inner).fill(&mut salt);
        salt
    }

    /// Keeps a text durably. The same salt and text again is no error and changes nothing.
    ///
    /// # Errors
    /// [`TextError::Io`].
    pub fn keep(
        &self,
        salt: &[u8; SALT_BYTES],
        text: &str,
        by: &str,
        now_ms: i64,
    ) -> Result<Commitment, TextError> {
        let commitment = Commitment::to(salt, text);
        let path = self.path(commitment);
        let kept = Kept {
            salt: BASE64.encode(salt),
            text: text.to_owned(),
            by: by.to_owned(),
            deposited_at_ms: now_ms,
        };
        let bytes = serde_json::to_vec(&kept).unwrap_or_default();
        // A name of its own for each writer: two may keep the same text at once.
        let number = self.writers.fetch_add(1, Ordering::Relaxed);
        let temp = self.dir.join(format!("{}-{number}.tmp", commitment.to_hex()));
        let write = || {
            let mut options = fs::OpenOptions::new();
            let mut file =
                options.write(true).create(true).truncate(true).mode(0o600).open(&temp)?;
            file.write_all(&bytes)?;
            file.sync_all()?;
            // A hard link fails if the name is taken: whoever was first stays.
            match fs::hard_link(&temp, &path) {
                Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
                Ok(()) | Err(_) => {}
            }
            fs::remove_file(&temp)?;
            fs::File::open(&self.dir)?.sync_all()
        };
        write().map_err(doing("keep", &path))?;
        Ok(commitment)
    }

    /// Opens a commitment; `None` if the text was never kept, or was erased.
    ///
    /// # Errors
    /// [`TextError`].
    pub fn get(&self, commitment: Commitment) -> Result<Option<Kept>, TextError> {
        let path = self.path(commitment);
        let changed = || TextError::Changed { name: path.display().to_string() };
        let bytes = match fs::metadata(&path) {
            Ok(meta) if meta.len() > FILE_BYTES_MAX => return Err(changed()),
            Ok(_) => fs::read(&path).map_err(doing("read", &path))?,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(doing("read", &path)(error)),
        };
        let kept: Kept = serde_json::from_slice(&bytes).map_err(|_| changed())?;
        let salt = BASE64.decode(&kept.salt).ok().and_then(|salt| salt.try_into().ok());
        match salt {
            Some(salt) if Commitment::to(&salt, &kept.text) == commitment => Ok(Some(kept)),
            Some(_) | None => Err(changed()),
        }
    }

    /// Erases a text. Returns whether there was one.
    ///
    /// # Errors
    /// [`TextError::Io`].
    pub fn erase(&self, commitment: Commitment) -> Result<bool, TextError> {
        let path = self.path(commitment);
        match fs::remove_file(&path) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(false),
            Err(error) => return Err(doing("erase", &path)(error)),
        }
        let sync = fs::File::open(&self.dir).and_then(|dir| dir.sync_all());
        sync.map_err(doing("sync", &self.dir))?;
        Ok(true)
    }

    fn path(&self, commitment: Commitment) -> PathBuf {
        self.dir.join(commitment.to_hex())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn store() -> (tempfile::TempDir, TextStore) {
        let dir = tempfile::tempdir().unwrap();
        let store = TextStore::open(dir.path(), Box::new(ledger::seams::OsRandom)).unwrap();
        (dir, store)
    }

    #[test]
    fn a_text_opens_until_it_is_erased() {
        let (_dir, store) = store();
        let salt = store.salt();
        let kept = store.keep(&salt, "the lid was loose", "op_a", 1).unwrap();
        assert_eq!(store.keep(&salt, "the lid was loose", "op_b", 2).unwrap(), kept);
        let found = store.get(kept).unwrap().unwrap();
        assert_eq!((found.text.as_str(), found.by.as_str()), ("the lid was loose", "op_a"));
        assert!(store.erase(kept).unwrap());
        assert_eq!(store.get(kept).unwrap(), None);
        assert!(!store.erase(kept).unwrap());
    }

    #[test]
    fn a_text_that_was_changed_is_not_passed_off_as_the_one_committed_to() {
        let (_dir, store) = store();
        let kept = store.keep(&store.salt(), "before", "op_a", 1).unwrap();
        let path = store.path(kept);
        let changed = fs::read_to_string(&path).unwrap().replace("before", "after!");
        fs::write(&path, changed).unwrap();
        assert!(matches!(store.get(kept), Err(TextError::Changed { .. })));
    }

    #[test]
    fn equal_texts_have_commitments_that_do_not_show_it() {
        let (_dir, store) = store();
        let one = Commitment::to(&store.salt(), "same");
        assert_ne!(one, Commitment::to(&store.salt(), "same"));
        assert_eq!(Commitment::from_hex(&one.to_hex()), Some(one));
        assert_eq!(Commitment::from_hex(&one.to_hex().to_uppercase()), None);
    }
}
