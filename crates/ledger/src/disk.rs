//! The few file-system operations the log needs, and nothing else.
//!
//! Everything that touches a disk in this crate goes through [`Disk`], [`Dir`] and [`File`], so that
//! the same code runs on the real file system ([`OsDisk`]) and on one in memory that fails, tears,
//! forgets and lies under a seed ([`SimDisk`](crate::sim::SimDisk)).
//!
//! # Contract
//! - Names are relative to an open directory and never followed through a symlink.
//! - Written bytes may vanish at a power cut until [`File::sync_data`] returned `Ok`; names (created,
//!   renamed, removed) until [`Dir::sync`] of their directory did.
//! - After a failed sync the bytes' fate is unknown although reading shows them; a later sync that
//!   succeeds proves nothing (fsync failure, USENIX ATC'20). Only writing them again does.
//! - Short writes and interrupted calls are handled inside; a failed write may have left any prefix.

mod os;

use std::fmt;
use std::io;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

pub use os::OsDisk;

/// Opens directories. See the [module](self) for the contract.
pub trait Disk: fmt::Debug + Send + Sync {
    /// Opens an existing directory. A symlink in the last place is refused.
    fn open_dir(&self, path: &Path) -> io::Result<Arc<dyn Dir>>;

    /// Opens a directory, creating it and its missing parents durably first (mode 0700).
    fn create_dir_all(&self, path: &Path) -> io::Result<Arc<dyn Dir>>;
}

/// An open directory. All names are single path components.
pub trait Dir: fmt::Debug + Send + Sync {
    /// Names in the directory, sorted, without `.` and `..`.
    fn list(&self) -> io::Result<Vec<String>>;
    /// What stands under a name, not following symlinks; `None` if nothing does.
    fn stat(&self, name: &str) -> io::Result<Option<Stat>>;
    /// Opens an existing regular file. A symlink is refused.
    fn open(&self, name: &str, access: Access) -> io::Result<Arc<dyn File>>;
    /// Creates a regular file for reading and writing; fails if the name is taken.
    fn create(&self, name: &str, mode: u32) -> io::Result<Arc<dyn File>>;
    /// Renames within this directory, replacing the target.
    fn rename(&self, from: &str, to: &str) -> io::Result<()>;
    /// Removes a file.
    fn remove(&self, name: &str) -> io::Result<()>;
    /// Opens a sub-directory; a symlink is refused.
    fn open_dir(&self, name: &str) -> io::Result<Arc<dyn Dir>>;
    /// Creates a sub-directory (mode 0700), or opens it if it is there. Not durable before
    /// [`sync`](Self::sync).
    fn create_dir(&self, name: &str) -> io::Result<Arc<dyn Dir>>;
    /// Makes creations, renames and removals of this directory durable.
    fn sync(&self) -> io::Result<()>;
    /// Takes the exclusive advisory lock of the directory itself until the returned value is dropped;
    /// `None` if some other process (or handle) holds it. There is no lock file to be deleted.
    fn lock(&self) -> io::Result<Option<Box<dyn Lock>>>;
    /// The kind of file system the directory lies on.
    fn file_system(&self) -> io::Result<FileSystem>;
    /// Bytes that are free on the file system, for those who are not root.
    fn free_bytes(&self) -> io::Result<u64>;
    /// Whether the device below keeps written bytes in a cache that forgets them without power
    /// unless it is flushed; `None` if the system does not tell.
    fn has_volatile_cache(&self) -> Option<bool>;
    /// Reads up to `len` bytes at `offset` from the device itself, past the page cache as far as the
    /// system allows (`O_DIRECT`; where that is refused the cached pages are dropped first). Short
    /// only at the end of the file.
    fn read_from_device(&self, name: &str, offset: u64, len: usize) -> io::Result<Vec<u8>>;
}

/// An open regular file.
pub trait File: fmt::Debug + Send + Sync {
    /// Writes all bytes at `offset`, extending the file if needed.
    fn write_all_at(&self, bytes: &[u8], offset: u64) -> io::Result<()>;
    /// Reads into `buf` from `offset` until it is full or the file ends; returns the bytes read.
    fn read_at(&self, buf: &mut [u8], offset: u64) -> io::Result<usize>;
    /// Makes the written bytes and the length durable (`fdatasync`).
    fn sync_data(&self) -> io::Result<()>;
    /// Makes bytes, length and mode durable (`fsync`).
    fn sync_all(&self) -> io::Result<()>;
    /// Length in bytes.
    fn size(&self) -> io::Result<u64>;
    /// Cuts the file or extends it with zeros.
    fn set_len(&self, len: u64) -> io::Result<()>;
    /// Sets the permission bits.
    fn set_mode(&self, mode: u32) -> io::Result<()>;
}

/// Held for as long as the lock is.
pub trait Lock: fmt::Debug + Send + Sync {}

/// How a file is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// For reading.
    Read,
    /// For reading and writing.
    ReadWrite,
}

/// What stands under a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stat {
    /// File, directory, symlink or something else.
    pub kind: Kind,
    /// Length in bytes.
    pub len: u64,
    /// Permission bits (`0o7777`).
    pub mode: u32,
}

/// The kind of thing under a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A regular file.
    File,
    /// A directory.
    Dir,
    /// A symbolic link.
    Symlink,
    /// A device, socket or pipe.
    Other,
}

/// The kind of file system under a directory (rule R15).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileSystem {
    /// ext2, ext3 or ext4 (one magic number): supported.
    Ext,
    /// XFS: supported.
    Xfs,
    /// In memory: a power cut loses everything; only for tests.
    Tmpfs,
    /// Reached over a network: refused.
    Network,
    /// Layers of a container image: refused.
    Overlay,
    /// Anything else: not tried; opens with a warning. The value is the `statfs` type.
    Other(u64),
}

/// What may be opened on which file system.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FileSystemPolicy {
    /// Local file systems that keep what they promise; no tmpfs.
    #[default]
    Durable,
    /// tmpfs too: for tests, where a power cut does not matter.
    TestsOnly,
}

impl FileSystem {
    /// Why this file system is refused under `policy`; `None` if it is not.
    #[must_use]
    pub fn refusal(self, policy: FileSystemPolicy) -> Option<&'static str> {
        match (self, policy) {
            (Self::Network, _) => {
                Some("lies on a network file system, which does not keep locks and syncs")
            }
            (Self::Overlay, _) => Some("lies on an overlay file system: mount a volume there"),
            (Self::Tmpfs, FileSystemPolicy::Durable) => {
                Some("lies in memory (tmpfs), where nothing survives a power cut")
            }
            (Self::Tmpfs, FileSystemPolicy::TestsOnly)
            | (Self::Ext | Self::Xfs | Self::Other(_), _) => None,
        }
    }
}

/// Some bytes of a file, read or written from the first to the last.
pub(crate) struct Span {
    file: Arc<dyn File>,
    at: u64,
    end: u64,
}

impl Span {
    pub(crate) fn new(file: Arc<dyn File>, bytes: Range<u64>) -> Self {
        Self { file, at: bytes.start, end: bytes.end }
    }

    /// All of a file, also what is written behind its end.
    pub(crate) fn from_start(file: Arc<dyn File>) -> Self {
        Self::new(file, 0..u64::MAX)
    }
}

impl io::Read for Span {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let left = usize::try_from(self.end - self.at).unwrap_or(usize::MAX);
        let room = into.len().min(left);
        let read = self.file.read_at(&mut into[..room], self.at)?;
        self.at += read as u64;
        Ok(read)
    }
}

impl io::Write for Span {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write_all_at(bytes, self.at)?;
        self.at += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Whether there was no room: it may work again when space is freed.
pub(crate) fn is_full(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge
    )
}

/// Suffix of files that are still being written; removed at the next start.
pub(crate) const TEMP_SUFFIX: &str = ".tmp";

/// Writes a whole small file so that after a crash either the old or the new content is there:
/// temp file in the same directory, write, sync, rename, sync of the directory (rule R2).
///
/// # Errors
/// Those of the file system; the old content is then still there.
pub fn write_durably(dir: &dyn Dir, name: &str, bytes: &[u8], mode: u32) -> io::Result<()> {
    write_renamed(dir, name, bytes, mode)?;
    dir.sync()
}

/// [`write_durably`] without the last step: the caller syncs the directory, once for many files.
pub(crate) fn write_renamed(dir: &dyn Dir, name: &str, bytes: &[u8], mode: u32) -> io::Result<()> {
    let temp = format!("{name}{TEMP_SUFFIX}");
    if dir.stat(&temp)?.is_some() {
        dir.remove(&temp)?;
    }
    let file = dir.create(&temp, mode)?;
    file.write_all_at(bytes, 0)?;
    file.sync_all()?;
    dir.rename(&temp, name)
}

/// Reads a whole file of at most `len_max` bytes; `None` if the name is free.
///
/// # Errors
/// `InvalidData` if the file is longer or is not a regular file; those of the file system.
pub fn read_whole(dir: &dyn Dir, name: &str, len_max: u64) -> io::Result<Option<Vec<u8>>> {
    let Some(stat) = dir.stat(name)? else { return Ok(None) };
    if stat.kind != Kind::File {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "not a regular file"));
    }
    if stat.len > len_max {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "longer than allowed"));
    }
    let file = dir.open(name, Access::Read)?;
    let mut bytes = vec![0; usize::try_from(stat.len).unwrap_or(usize::MAX)];
    let got = file.read_at(&mut bytes, 0)?;
    bytes.truncate(got);
    Ok(Some(bytes))
}
