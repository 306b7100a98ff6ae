//! The real file system, by way of `rustix`: no `unsafe`, no memory maps (rule R12).

use std::fs;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustix::fs::{
    Advice, AtFlags, FileType, FlockOperation, Mode, OFlags, fadvise, fchmod, fdatasync, flock,
    fstat, fstatfs, fstatvfs, fsync, ftruncate, mkdirat, openat, renameat, statat, unlinkat,
};
use rustix::io::{Errno, pread, pwrite, retry_on_intr};

use super::{Access, Dir, Disk, File, FileSystem, Kind, Lock, Stat};

/// Alignment that satisfies `O_DIRECT` on every supported device, in bytes.
const DIRECT_ALIGN: usize = 4096;

/// The file system of the operating system.
#[derive(Debug, Clone, Copy, Default)]
pub struct OsDisk;

impl Disk for OsDisk {
    fn open_dir(&self, path: &Path) -> io::Result<Arc<dyn Dir>> {
        let fd = open_dir_at(rustix::fs::CWD, path)?;
        Ok(Arc::new(OsDir { fd, path: path.to_owned() }))
    }

    fn create_dir_all(&self, path: &Path) -> io::Result<Arc<dyn Dir>> {
        let missing: Vec<&Path> = path
            .ancestors()
            .take_while(|ancestor| !ancestor.as_os_str().is_empty())
            .filter(|ancestor| matches!(ancestor.try_exists(), Ok(false)))
            .collect();
        for dir in missing.into_iter().rev() {
            match mkdirat(rustix::fs::CWD, dir, Mode::from_raw_mode(0o700)) {
                Ok(()) | Err(Errno::EXIST) => {}
                Err(error) => return Err(error.into()),
            }
            let parent = match dir.parent() {
                Some(parent) if !parent.as_os_str().is_empty() => parent,
                _ => Path::new("."),
            };
            retry_on_intr(|| fsync(fs::File::open(parent).map_err(to_errno)?))?;
        }
        self.open_dir(path)
    }
}

fn to_errno(error: io::Error) -> Errno {
    error.raw_os_error().map_or(Errno::IO, Errno::from_raw_os_error)
}

fn open_dir_at<Fd: AsFd>(at: Fd, path: &Path) -> io::Result<OwnedFd> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    Ok(retry_on_intr(|| openat(&at, path, flags, Mode::empty()))?)
}

#[derive(Debug)]
struct OsDir {
    fd: OwnedFd,
    /// Only for messages and for listing.
    path: PathBuf,
}

impl Dir for OsDir {
    fn list(&self) -> io::Result<Vec<String>> {
        let mut names = Vec::new();
        for entry in rustix::fs::Dir::read_from(&self.fd)? {
            let entry = entry?;
            match entry.file_name().to_str() {
                Ok("." | "..") => {}
                Ok(name) => names.push(name.to_owned()),
                Err(_) => {
                    let message = format!("a name in `{}` is not UTF-8", self.path.display());
                    return Err(io::Error::new(io::ErrorKind::InvalidData, message));
                }
            }
        }
        names.sort_unstable();
        Ok(names)
    }

    fn stat(&self, name: &str) -> io::Result<Option<Stat>> {
        match statat(&self.fd, name, AtFlags::SYMLINK_NOFOLLOW) {
            Ok(stat) => Ok(Some(Stat {
                kind: match FileType::from_raw_mode(stat.st_mode) {
                    FileType::RegularFile => Kind::File,
                    FileType::Directory => Kind::Dir,
                    FileType::Symlink => Kind::Symlink,
                    _ => Kind::Other,
                },
                len: u64::try_from(stat.st_size).unwrap_or(0),
                mode: stat.st_mode & 0o7777,
            })),
            Err(Errno::NOENT) => Ok(None),
            Err(error) => Err(error.into()),
        }
    }

    fn open(&self, name: &str, access: Access) -> io::Result<Arc<dyn File>> {
        let access = match access {
            Access::Read => OFlags::RDONLY,
            Access::ReadWrite => OFlags::RDWR,
        };
        // NONBLOCK: a pipe put in the place of a file must not hang the start.
        let flags = access | OFlags::NOFOLLOW | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let fd = retry_on_intr(|| openat(&self.fd, name, flags, Mode::empty()))?;
        if FileType::from_raw_mode(fstat(&fd)?.st_mode) != FileType::RegularFile {
            return Err(io::Error::new(io::ErrorKind::InvalidData, "not a regular file"));
        }
        Ok(Arc::new(OsFile { fd }))
    }

    fn create(&self, name: &str, mode: u32) -> io::Result<Arc<dyn File>> {
        let flags =
            OFlags::RDWR | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let mode = Mode::from_raw_mode(mode);
        let fd = retry_on_intr(|| openat(&self.fd, name, flags, mode))?;
        // The process mask must not decide who may read the log.
        fchmod(&fd, mode)?;
        Ok(Arc::new(OsFile { fd }))
    }

    fn rename(&self, from: &str, to: &str) -> io::Result<()> {
        Ok(renameat(&self.fd, from, &self.fd, to)?)
    }

    fn remove(&self, name: &str) -> io::Result<()> {
        Ok(unlinkat(&self.fd, name, AtFlags::empty())?)
    }

    fn open_dir(&self, name: &str) -> io::Result<Arc<dyn Dir>> {
        let fd = open_dir_at(&self.fd, Path::new(name))?;
        Ok(Arc::new(Self { fd, path: self.path.join(name) }))
    }

    fn create_dir(&self, name: &str) -> io::Result<Arc<dyn Dir>> {
        match mkdirat(&self.fd, name, Mode::from_raw_mode(0o700)) {
            Ok(()) | Err(Errno::EXIST) => self.open_dir(name),
            Err(error) => Err(error.into()),
        }
    }

    fn sync(&self) -> io::Result<()> {
        Ok(fsync(&self.fd)?)
    }

    fn lock(&self) -> io::Result<Option<Box<dyn Lock>>> {
        // A descriptor of its own: a lock belongs to the open file description.
        let fd = open_dir_at(&self.fd, Path::new("."))?;
        match flock(&fd, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => {}
            Err(Errno::WOULDBLOCK) => return Ok(None),
            Err(error) => return Err(error.into()),
        }
        Ok(Some(Box::new(OsLock { _fd: fd })))
    }

    fn file_system(&self) -> io::Result<FileSystem> {
        // Type numbers from statfs(2).
        let magic = fstatfs(&self.fd)?.f_type;
        #[allow(clippy::unnecessary_cast, reason = "the field's type differs between targets")]
        let magic = magic as u64 & 0xffff_ffff;
        Ok(match magic {
            0xef53 => FileSystem::Ext,
            0x5846_5342 => FileSystem::Xfs,
            0x0102_1994 => FileSystem::Tmpfs,
            0x6969 | 0xfe53_4d42 | 0xff53_4d42 | 0x517b => FileSystem::Network,
            0x794c_7630 => FileSystem::Overlay,
            other => FileSystem::Other(other),
        })
    }

    fn free_bytes(&self) -> io::Result<u64> {
        let room = fstatvfs(&self.fd)?;
        Ok(room.f_bavail.saturating_mul(room.f_frsize))
    }

    fn has_volatile_cache(&self) -> Option<bool> {
        let device = fstat(&self.fd).ok()?.st_dev;
        let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
        // A partition has no queue of its own; its disk lies one directory up (sysfs-block ABI,
        // "queue/write_cache").
        let below = format!("/sys/dev/block/{major}:{minor}");
        let read = |queue: &str| fs::read_to_string(format!("{below}/{queue}/write_cache")).ok();
        let cache = read("queue").or_else(|| read("../queue"))?;
        Some(cache.trim() != "write through")
    }

    fn read_from_device(&self, name: &str, offset: u64, len: usize) -> io::Result<Vec<u8>> {
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        match openat(&self.fd, name, flags | OFlags::DIRECT, Mode::empty()) {
            Ok(fd) => match read_aligned(&fd, offset, len) {
                Err(error) if error.raw_os_error() == Some(Errno::INVAL.raw_os_error()) => {}
                result => return result,
            },
            Err(Errno::INVAL) => {}
            Err(error) => return Err(error.into()),
        }
        // No O_DIRECT here (tmpfs, some others): drop the cached pages and read again.
        let fd = openat(&self.fd, name, flags, Mode::empty())?;
        fadvise(&fd, 0, None, Advice::DontNeed)?;
        let file = OsFile { fd };
        let mut bytes = vec![0; len];
        let got = file.read_at(&mut bytes, offset)?;
        bytes.truncate(got);
        Ok(bytes)
    }
}

/// Reads with an aligned buffer, offset and length, as `O_DIRECT` wants them.
fn read_aligned(fd: &OwnedFd, offset: u64, len: usize) -> io::Result<Vec<u8>> {
    let skip = usize::try_from(offset % DIRECT_ALIGN as u64).unwrap_or(0);
    let start = offset - skip as u64;
    let span = (skip + len).next_multiple_of(DIRECT_ALIGN);
    let mut backing = vec![0_u8; span + DIRECT_ALIGN];
    let shift = backing.as_ptr().align_offset(DIRECT_ALIGN);
    let buf = backing.get_mut(shift..shift + span).ok_or(io::ErrorKind::OutOfMemory)?;
    let mut got = 0;
    while got < span {
        match retry_on_intr(|| pread(fd, &mut buf[got..], start + got as u64))? {
            0 => break,
            n => got += n,
        }
        if got % DIRECT_ALIGN != 0 {
            break; // the file ends inside a block
        }
    }
    let end = got.min(skip + len);
    Ok(buf.get(skip..end).unwrap_or_default().to_vec())
}

#[derive(Debug)]
struct OsLock {
    _fd: OwnedFd,
}
impl Lock for OsLock {}

#[derive(Debug)]
struct OsFile {
    fd: OwnedFd,
}

impl File for OsFile {
    fn write_all_at(&self, mut bytes: &[u8], mut offset: u64) -> io::Result<()> {
        while !bytes.is_empty() {
            match retry_on_intr(|| pwrite(&self.fd, bytes, offset))? {
                0 => return Err(io::ErrorKind::WriteZero.into()),
                n => {
                    bytes = &bytes[n..];
                    offset += n as u64;
                }
            }
        }
        Ok(())
    }

    fn read_at(&self, buf: &mut [u8], offset: u64) -> io::Result<usize> {
        let mut got = 0;
        while got < buf.len() {
            match retry_on_intr(|| pread(&self.fd, &mut buf[got..], offset + got as u64))? {
                0 => break,
                n => got += n,
            }
        }
        Ok(got)
    }

    fn sync_data(&self) -> io::Result<()> {
        // Never retried, not even when interrupted (R5).
        Ok(fdatasync(&self.fd)?)
    }

    fn sync_all(&self) -> io::Result<()> {
        Ok(fsync(&self.fd)?)
    }

    fn size(&self) -> io::Result<u64> {
        Ok(u64::try_from(fstat(&self.fd)?.st_size).unwrap_or(0))
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        Ok(retry_on_intr(|| ftruncate(&self.fd, len))?)
    }

    fn set_mode(&self, mode: u32) -> io::Result<()> {
        Ok(fchmod(&self.fd, Mode::from_raw_mode(mode))?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::FileSystemPolicy;
    use crate::engine::files::{FilesOptions, LockedFiles};
    use crate::error::LedgerError;

    #[test]
    fn bytes_come_back_from_the_device_wherever_they_begin() {
        let temp = tempfile::tempdir().expect("a directory");
        let dir = OsDisk.open_dir(temp.path()).expect("opened");
        let bytes: Vec<u8> = (0..20_000_u32).flat_map(u32::to_le_bytes).collect();
        let file = dir.create("f", 0o640).expect("created");
        file.write_all_at(&bytes, 0).expect("written");
        file.sync_data().expect("synced");
        for (offset, len) in
            [(0, 80_000), (1, 10), (511, 4097), (4096, 4096), (79_990, 50), (90_000, 5)]
        {
            let read = dir.read_from_device("f", offset as u64, len).expect("read");
            let end = (offset + len).min(bytes.len());
            assert_eq!(read, bytes.get(offset..end).unwrap_or_default(), "{offset}+{len}");
        }
        assert!(dir.create("f", 0o640).is_err(), "the name is taken");
        assert_eq!(dir.list().expect("listed"), ["f"]);
        assert_eq!(
            dir.stat("f").expect("looked").map(|stat| (stat.len, stat.mode)),
            Some((80_000, 0o640))
        );
    }

    /// E15 and F24: a symlink or a directory in the place of a segment, a symlinked log directory.
    #[test]
    fn links_and_directories_in_the_place_of_files_are_refused() {
        let temp = tempfile::tempdir().expect("a directory");
        let options = FilesOptions {
            segment_bytes: 4096,
            file_systems: FileSystemPolicy::TestsOnly,
            ..FilesOptions::under(&temp.path().join("data"))
        };
        drop(
            LockedFiles::create(&OsDisk, options.clone())
                .expect("created")
                .open(None)
                .expect("opened"),
        );
        LockedFiles::finish_creating(&OsDisk, &options.log_dir).expect("finished");
        let segment = options.log_dir.join("entries/00000000000000000000.log");
        let elsewhere = temp.path().join("elsewhere");
        let open = |options: &FilesOptions| {
            LockedFiles::existing(&OsDisk, options.clone()).and_then(|locked| locked.open(Some(0)))
        };
        open(&options).expect("as it was left");

        fs::rename(&segment, &elsewhere).expect("moved");
        std::os::unix::fs::symlink(&elsewhere, &segment).expect("linked");
        let refused = open(&options).expect_err("a symlink").to_string();
        assert!(refused.contains("00000000000000000000.log` is not a regular file"), "{refused}");
        fs::remove_file(&segment).expect("removed");
        fs::create_dir(&segment).expect("made");
        let refused = open(&options).expect_err("a directory").to_string();
        assert!(refused.contains("is not a regular file"), "{refused}");
        fs::remove_dir(&segment).expect("removed");
        fs::rename(&elsewhere, &segment).expect("moved back");

        let link = temp.path().join("link");
        std::os::unix::fs::symlink(&options.log_dir, &link).expect("linked");
        let linked = FilesOptions { log_dir: link, ..options.clone() };
        assert!(open(&linked).is_err(), "a symlinked log directory");
        open(&options).expect("as before");
    }

    /// F24. The lock is that of the directory: no file can be deleted to get round it.
    #[test]
    fn a_second_instance_is_refused_while_the_first_lives() {
        let temp = tempfile::tempdir().expect("a directory");
        let options = FilesOptions {
            segment_bytes: 4096,
            file_systems: FileSystemPolicy::TestsOnly,
            ..FilesOptions::under(temp.path())
        };
        let first = LockedFiles::create(&OsDisk, options.clone()).expect("created");
        LockedFiles::finish_creating(&OsDisk, &options.log_dir).expect("finished");
        let second = || LockedFiles::existing(&OsDisk, options.clone());
        assert!(matches!(second(), Err(LedgerError::Locked { .. })));
        let elsewhere = FilesOptions { head_dir: temp.path().join("other"), ..options.clone() };
        fs::create_dir(&elsewhere.head_dir).expect("made");
        let other = LockedFiles::existing(&OsDisk, elsewhere);
        assert!(matches!(other, Err(LedgerError::Locked { .. })), "with another head store too");
        drop(first);
        second().expect("free again");
    }
}
