//! Small file systems for tests that need a full or a failing disk. They need root; where mounting
//! is not allowed, the test says so and is skipped.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A mounted file system; dropping it takes it away.
#[derive(Debug)]
pub struct Mount {
    at: PathBuf,
    /// The loop device below it.
    device: Option<String>,
}

/// Runs a program; `Err` holds what it said.
fn tool(name: &str, args: &[&str]) -> Result<String, String> {
    let output =
        Command::new(name).args(args).output().map_err(|error| format!("`{name}`: {error}"))?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned());
    }
    Err(format!("`{name}` {args:?}: {}", String::from_utf8_lossy(&output.stderr).trim()))
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path of the test is text")
}

impl Mount {
    /// A file system in memory of this size.
    ///
    /// # Errors
    /// Why it cannot be mounted.
    pub fn tmpfs(at: &Path, kib: u64) -> Result<Self, String> {
        std::fs::create_dir_all(at).map_err(|error| error.to_string())?;
        tool("mount", &["-t", "tmpfs", "-o", &format!("size={kib}k"), "tmpfs", text(at)])?;
        Ok(Self { at: at.to_owned(), device: None })
    }

    /// A new ext4 on a loop device over an image file whose blocks are all there.
    ///
    /// # Errors
    /// Why it cannot be mounted.
    pub fn ext4(at: &Path, image: &Path) -> Result<Self, String> {
        std::fs::create_dir_all(at).map_err(|error| error.to_string())?;
        let device = tool("losetup", &["-f", "--show", text(image)])?;
        let mount = Self { at: at.to_owned(), device: Some(device.clone()) };
        // Without discard, which would make holes in the image.
        tool("mkfs.ext4", &["-q", "-b", "4096", "-E", "nodiscard,lazy_itable_init=0", &device])?;
        tool("mount", &[&device, text(at)])?;
        Ok(mount)
    }

    /// Takes it away and mounts it again: whatever only the page cache knew is forgotten.
    ///
    /// # Panics
    /// When that fails.
    pub fn forget_cache(&self) {
        let device = self.device.as_deref().expect("a file system on a device");
        tool("umount", &[text(&self.at)]).expect("nobody uses it");
        tool("blockdev", &["--flushbufs", device]).expect("flushed");
        tool("mount", &[device, text(&self.at)]).expect("mounted again");
    }

    /// Makes the blocks below a file vanish from the image they lie in: they read as zeros, and
    /// writing them takes new space. Returns how many.
    ///
    /// # Errors
    /// Why that cannot be done.
    pub fn punch(&self, image: &Path, file: &Path) -> Result<u64, String> {
        tool("sync", &["-f", text(file)])?;
        let map = tool("filefrag", &["-b4096", "-v", text(file)])?;
        let mut punched = 0;
        // Lines `ext: logical_offset: physical_offset: length: ..` with ranges as `0.. 63`.
        for line in map.lines() {
            let Some((first, last)) =
                line.split(':').nth(2).and_then(|range| range.split_once(".."))
            else {
                continue;
            };
            let (Ok(first), Ok(last)) = (first.trim().parse::<u64>(), last.trim().parse::<u64>())
            else {
                continue;
            };
            let (offset, length) =
                ((first * 4096).to_string(), ((last + 1 - first) * 4096).to_string());
            tool("fallocate", &["-p", "-o", &offset, "-l", &length, text(image)])?;
            punched += last + 1 - first;
        }
        Ok(punched)
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        // What is still mounted or attached when a test failed is taken away as far as it can be.
        let _ = tool("umount", &[text(&self.at)]);
        if let Some(device) = &self.device {
            let _ = tool("losetup", &["-d", device]);
        }
    }
}

/// Fills a file system with a file until this many bytes, in whole pages, are free; if others write
/// meanwhile, fewer are.
///
/// # Panics
/// When the file cannot be made.
pub fn fill(filler: &Path, free_bytes: u64) {
    let folder = filler.parent().expect("a folder");
    let mut file = File::create(filler).expect("the filler");
    loop {
        let free = tool("stat", &["-f", "-c", "%a %S", text(folder)]).expect("free space");
        let (blocks, size) = free.split_once(' ').expect("two numbers");
        let number = |text: &str| text.parse::<u64>().expect("a number");
        let take = (number(blocks) * number(size)).saturating_sub(free_bytes);
        let page = vec![1; usize::try_from(take.min(1 << 20)).expect("small")];
        // What the file system says is free is not exact: full is when a page cannot be written.
        if page.is_empty() && (free_bytes > 0 || file.write_all(&[1; 4096]).is_err())
            || !page.is_empty() && file.write_all(&page).is_err()
        {
            return;
        }
    }
}

/// Reads a block of a file from the device, past the page cache.
///
/// # Panics
/// When it cannot be read.
pub fn read_direct(file: &Path, block: u64) -> Vec<u8> {
    let (input, skip) = (format!("if={}", text(file)), format!("skip={block}"));
    let output = Command::new("dd")
        .args([&input, "bs=4096", "count=1", &skip, "iflag=direct", "status=none"])
        .output()
        .expect("`dd` runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}
