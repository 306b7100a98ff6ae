//! What a witness remembers: the newest checkpoint it cosigned of each log.
//!
//! One file a log, replaced atomically (temporary file, fsync, rename, fsync of the folder) before
//! a cosignature leaves. A witness that forgot could be made to sign a second history, so a memory
//! that cannot be read stops it; it never starts from zero by itself.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use chain::Digest;
use chain::checkpoint::{Checkpoint, CheckpointError};
use chain::note::{Note, NoteError};

/// Why the memory cannot be used. Each of these means: do not sign.
#[derive(Debug, thiserror::Error)]
pub enum MemoryError {
    /// The file system.
    #[error("could not {what} `{path}`")]
    File {
        /// What was tried.
        what: &'static str,
        /// On which path.
        path: PathBuf,
        /// Why it failed.
        #[source]
        cause: std::io::Error,
    },
    /// Another process uses the memory.
    #[error("`{0}` is in use by another witness")]
    InUse(PathBuf),
    /// What is remembered is no note.
    #[error("`{path}` is no signed note: restore it, or retire this witness key")]
    Note {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        #[source]
        cause: NoteError,
    },
    /// What is remembered is no checkpoint.
    #[error("`{path}` is no checkpoint: restore it, or retire this witness key")]
    Checkpoint {
        /// Which file.
        path: PathBuf,
        /// What is wrong.
        #[source]
        cause: CheckpointError,
    },
}

/// The durable memory of a witness: one writer, held by a lock on its folder.
#[derive(Debug)]
pub struct Memory {
    folder: PathBuf,
    _lock: File,
}

fn failed<'p>(
    what: &'static str,
    path: &'p Path,
) -> impl FnOnce(std::io::Error) -> MemoryError + 'p {
    move |cause| MemoryError::File { what, path: path.to_owned(), cause }
}

impl Memory {
    /// Opens the memory in `folder`, creating it when it is not there.
    pub fn open(folder: &Path) -> Result<Self, MemoryError> {
        fs::create_dir_all(folder).map_err(failed("create", folder))?;
        let path = folder.join("lock");
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(failed("open", &path))?;
        match lock.try_lock() {
            Ok(()) => Ok(Self { folder: folder.to_owned(), _lock: lock }),
            Err(TryLockError::WouldBlock) => Err(MemoryError::InUse(folder.to_owned())),
            Err(TryLockError::Error(cause)) => Err(MemoryError::File { what: "lock", path, cause }),
        }
    }

    /// Name under which a log is remembered: hex of SHA-256 of its origin.
    pub fn name(origin: &str) -> String {
        Digest::of(origin.as_bytes()).to_string()
    }

    fn path(&self, origin: &str) -> PathBuf {
        self.folder.join(format!("{}.note", Self::name(origin)))
    }

    /// The note last cosigned for a log, with our cosignature; `None` if there never was one.
    pub fn note(&self, origin: &str) -> Result<Option<Vec<u8>>, MemoryError> {
        let path = self.path(origin);
        match fs::read(&path) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(cause) if cause.kind() == ErrorKind::NotFound => Ok(None),
            Err(cause) => Err(failed("read", &path)(cause)),
        }
    }

    /// The checkpoint last cosigned for a log.
    pub fn latest(&self, origin: &str) -> Result<Option<Checkpoint>, MemoryError> {
        let Some(bytes) = self.note(origin)? else { return Ok(None) };
        let path = self.path(origin);
        let note =
            Note::parse(&bytes).map_err(|cause| MemoryError::Note { path: path.clone(), cause })?;
        Checkpoint::parse_text(&note.text)
            .map(Some)
            .map_err(|cause| MemoryError::Checkpoint { path, cause })
    }

    /// Remembers a cosigned note. When this returns `Ok` it would survive a power cut.
    pub fn keep(&self, origin: &str, note: &[u8]) -> Result<(), MemoryError> {
        self.write_durably(&self.path(origin), note)
    }

    /// Keeps a request signed by the log that contradicts what was cosigned: evidence of a second
    /// history. The first one of each size and root is kept for ever.
    pub fn keep_evidence(
        &self,
        origin: &str,
        note: &Note,
        checkpoint: &Checkpoint,
    ) -> Result<(), MemoryError> {
        let name =
            format!("{}.{}.{}.refused", Self::name(origin), checkpoint.size, checkpoint.root);
        let path = self.folder.join(name);
        if path.try_exists().map_err(failed("look for", &path))? {
            return Ok(());
        }
        self.write_durably(&path, note.to_string().as_bytes())
    }

    fn write_durably(&self, path: &Path, bytes: &[u8]) -> Result<(), MemoryError> {
        let temporary = path.with_extension("new");
        let mut file = File::create(&temporary).map_err(failed("create", &temporary))?;
        file.write_all(bytes).map_err(failed("write", &temporary))?;
        file.sync_all().map_err(failed("sync", &temporary))?;
        fs::rename(&temporary, path).map_err(failed("rename", &temporary))?;
        let folder = File::open(&self.folder).map_err(failed("open", &self.folder))?;
        folder.sync_all().map_err(failed("sync", &self.folder))
    }
}
