//! A copy in a folder: another disk, a mounted share of another machine.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use super::{Put, Vault, VaultError};

/// Mode of an object: nobody writes it again.
const MODE: u32 = 0o440;

/// A folder as a [`Vault`].
///
/// An object is written under a hidden name, synced, linked to its own name (which fails if the name
/// is taken) and its folder synced; so it is there whole or not at all, also on a network share. The
/// folder itself is never made: where a share is not mounted there must be nothing to write into.
#[derive(Debug)]
pub struct Folder {
    root: PathBuf,
}

impl Folder {
    /// A copy in this folder, which must be there. With `apart_from` it must lie on another disk than
    /// that directory: a copy beside the log is lost with it, and an empty mount point is not the
    /// share.
    ///
    /// # Errors
    /// [`VaultError::Failed`].
    pub fn open(root: &Path, apart_from: Option<&Path>) -> Result<Self, VaultError> {
        let name = root.display();
        let failed = |error: io::Error| VaultError::Failed(format!("folder `{name}`: {error}"));
        let found = fs::metadata(root).map_err(failed)?;
        if !found.is_dir() {
            return Err(VaultError::Failed(format!("`{name}` is no folder")));
        }
        if let Some(other) = apart_from
            && fs::metadata(other).map_err(failed)?.dev() == found.dev()
        {
            return Err(VaultError::Failed(format!(
                "`{name}` lies on the disk of the log: is the share mounted? (`same_disk = true` \
                 allows it)"
            )));
        }
        Ok(Self { root: root.to_owned() })
    }

    fn write(&self, name: &str, bytes: &[u8]) -> io::Result<Put> {
        let path = self.root.join(name);
        let parent = path.parent().unwrap_or(&self.root).to_owned();
        let base = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        self.make_folders(&parent)?;
        let temp = parent.join(format!(".{base}.{}.tmp", std::process::id()));
        match fs::remove_file(&temp) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        let written = (|| {
            let mut file =
                OpenOptions::new().write(true).create_new(true).mode(MODE).open(&temp)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            take_name(&temp, &path)
        })();
        let removed = fs::remove_file(&temp);
        let put = written?;
        match removed {
            Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
            _ => {}
        }
        File::open(&parent)?.sync_all()?;
        Ok(put)
    }

    /// Makes what is missing between the root and a folder, durably; never the root.
    fn make_folders(&self, folder: &Path) -> io::Result<()> {
        if folder == self.root || folder.try_exists()? {
            return if self.root.try_exists()? { Ok(()) } else { Err(gone(&self.root)) };
        }
        let parent = folder.parent().unwrap_or(&self.root);
        self.make_folders(parent)?;
        match fs::create_dir(folder) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(error),
            _ => {}
        }
        File::open(parent)?.sync_all()
    }

    fn names_in(&self, folder: &str) -> io::Result<Vec<String>> {
        let mut names = Vec::new();
        let found = match fs::read_dir(self.root.join(folder)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                // Not there yet; or is the whole root away?
                return if self.root.try_exists()? { Ok(names) } else { Err(gone(&self.root)) };
            }
            found => found?,
        };
        for item in found {
            let name = item?.file_name().to_string_lossy().into_owned();
            if !name.starts_with('.') {
                names.push(format!("{folder}{name}"));
            }
        }
        Ok(names)
    }
}

fn gone(root: &Path) -> io::Error {
    io::Error::new(io::ErrorKind::NotFound, format!("`{}` is not there", root.display()))
}

/// Gives a written file its name unless that is taken.
fn take_name(temp: &Path, path: &Path) -> io::Result<Put> {
    match fs::hard_link(temp, path) {
        Ok(()) => return Ok(Put::Kept),
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => return Ok(Put::WasThere),
        // Some shares have no links; those rename without replacing.
        Err(error) if is_not_for_links(&error) => {}
        Err(error) => return Err(error),
    }
    let flags = rustix::fs::RenameFlags::NOREPLACE;
    match rustix::fs::renameat_with(rustix::fs::CWD, temp, rustix::fs::CWD, path, flags) {
        Ok(()) => Ok(Put::Kept),
        Err(rustix::io::Errno::EXIST) => Ok(Put::WasThere),
        Err(error) => Err(error.into()),
    }
}

fn is_not_for_links(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::Unsupported | io::ErrorKind::PermissionDenied)
}

fn vault_error(error: &io::Error) -> VaultError {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => VaultError::Full,
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            VaultError::Refused(error.to_string())
        }
        _ => VaultError::Away(error.to_string()),
    }
}

impl Vault for Folder {
    fn put_new(&self, name: &str, bytes: &[u8]) -> Result<Put, VaultError> {
        self.write(name, bytes).map_err(|error| vault_error(&error))
    }

    fn get(&self, name: &str) -> Result<Option<Vec<u8>>, VaultError> {
        match fs::read(self.root.join(name)) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(vault_error(&error)),
        }
    }

    fn list(&self, folder: &str, after: &str) -> Result<Vec<String>, VaultError> {
        let mut names = self.names_in(folder).map_err(|error| vault_error(&error))?;
        names.retain(|name| name.as_str() > after);
        names.sort_unstable();
        Ok(names)
    }
}
