//! Secret keys on disk: Ed25519 in PKCS #8 PEM (RFC 8410), readable by the service alone.

use std::fs;
use std::io;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _};
use std::path::Path;

use ed25519_dalek::SigningKey;
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey as _, EncodePrivateKey as _};
use ledger::disk::{Disk as _, OsDisk, write_durably};
use ledger::seams::Random;

/// A secret that cannot be kept or used.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
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
    /// Others may read the file.
    #[error(
        "`{name}` may be read by others (mode {mode:04o}): `chmod 600` it, and make a new key if others have read it"
    )]
    Open {
        /// The file.
        name: String,
        /// Its permission bits.
        mode: u32,
    },
    /// Not a key.
    #[error("`{name}` holds no Ed25519 key in PKCS #8 PEM form")]
    Form {
        /// The file.
        name: String,
    },
    /// A key is there already.
    #[error("`{name}` exists: a key is never replaced, move the old one away first")]
    Exists {
        /// The file.
        name: String,
    },
}

fn doing<'a>(doing: &'static str, path: &'a Path) -> impl FnOnce(io::Error) -> SecretError + 'a {
    move |source| SecretError::Io { doing, name: path.display().to_string(), source }
}

/// Makes a key from fresh random bytes and writes it, mode 0600, durably.
///
/// # Errors
/// [`SecretError::Exists`] if there is a key already, [`SecretError::Io`].
pub fn create(path: &Path, random: &mut dyn Random) -> Result<SigningKey, SecretError> {
    let mut seed = [0; 32];
    random.fill(&mut seed);
    let key = SigningKey::from_bytes(&seed);
    let name = || path.display().to_string();
    let pem = key.to_pkcs8_pem(LineEnding::LF).map_err(|_| SecretError::Form { name: name() })?;

    let dir = path.parent().unwrap_or(Path::new("."));
    fs::DirBuilder::new().recursive(true).mode(0o700).create(dir).map_err(doing("create", dir))?;
    // Held until the key stands: of programs that start at once one makes the key.
    let held = fs::File::open(dir).map_err(doing("open", dir))?;
    held.lock().map_err(doing("lock", dir))?;
    if is_there(path)? {
        return Err(SecretError::Exists { name: name() });
    }
    // Whole or not at all: half a key on a full disk could be read by no later start.
    let folder = OsDisk.create_dir_all(dir).map_err(doing("open", dir))?;
    let file = path.file_name().unwrap_or_default().to_string_lossy();
    write_durably(&*folder, &file, pem.as_bytes(), 0o600).map_err(doing("write", path))?;
    Ok(key)
}

/// Reads a key that nobody else may read.
///
/// # Errors
/// [`SecretError`]: `Io`, `Open`, `Form`.
pub fn read(path: &Path) -> Result<SigningKey, SecretError> {
    let name = || path.display().to_string();
    let mode = fs::metadata(path).map_err(doing("read", path))?.mode() & 0o7777;
    if mode & 0o077 != 0 {
        return Err(SecretError::Open { name: name(), mode });
    }
    let pem = fs::read_to_string(path).map_err(doing("read", path))?;
    SigningKey::from_pkcs8_pem(&pem).map_err(|_| SecretError::Form { name: name() })
}

/// Whether a file stands there.
///
/// # Errors
/// [`SecretError::Io`].
pub fn is_there(path: &Path) -> Result<bool, SecretError> {
    path.try_exists().map_err(doing("look for", path))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    #[test]
    fn a_key_is_kept_from_others_and_never_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("keys/log.key");
        let key = create(&path, &mut ledger::seams::OsRandom).unwrap();
        assert_eq!(read(&path).unwrap().to_bytes(), key.to_bytes());
        assert_eq!(fs::metadata(&path).unwrap().mode() & 0o7777, 0o600);
        assert_eq!(fs::metadata(path.parent().unwrap()).unwrap().mode() & 0o7777, 0o700);

        let again = create(&path, &mut ledger::seams::OsRandom);
        assert!(matches!(again, Err(SecretError::Exists { .. })));

        fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
        assert!(matches!(read(&path), Err(SecretError::Open { mode: 0o640, .. })));
    }
    #[test]
    fn what_a_full_disk_left_of_a_key_is_not_in_the_way_of_the_next() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("log.key");
        fs::write(dir.path().join("log.key.tmp"), "-----BEGIN PRIV").unwrap();
        assert!(!is_there(&path).unwrap());
        let key = create(&path, &mut ledger::seams::OsRandom).unwrap();
        assert_eq!(read(&path).unwrap().to_bytes(), key.to_bytes());
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn programs_that_start_at_once_make_one_key() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("log.key");
        let made: Vec<_> = std::thread::scope(|scope| {
            let start = || scope.spawn(|| create(&path, &mut ledger::seams::OsRandom).ok());
            let started: Vec<_> = (0..8).map(|_| start()).collect();
            started.into_iter().filter_map(|thread| thread.join().unwrap()).collect()
        });
        assert_eq!(made.len(), 1);
        assert_eq!(read(&path).unwrap().to_bytes(), made[0].to_bytes());
    }
}
