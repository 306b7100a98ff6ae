//! What the system says of files and processes, for every measurement of the house.

use std::path::Path;

use anyhow::{Context as _, Result};

/// Bytes of all files below.
pub(crate) fn tree_bytes(folder: &Path) -> Result<u64> {
    let mut sum = 0;
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let about = entry.metadata()?;
        sum += if about.is_dir() { tree_bytes(&entry.path())? } else { about.len() };
    }
    Ok(sum)
}

/// Drops the page cache of every file below (`posix_fadvise`).
pub(crate) fn drop_cache(folder: &Path) -> Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            drop_cache(&path)?;
        } else if let Ok(file) = std::fs::File::open(&path) {
            file.sync_all()?;
            rustix::fs::fadvise(&file, 0, None, rustix::fs::Advice::DontNeed)?;
        }
    }
    Ok(())
}

/// `VmRSS` of this process (proc(5)).
pub(crate) fn resident_bytes() -> Result<u64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
    let kib: u64 =
        line.and_then(|line| line.split_whitespace().next()?.parse().ok()).context("VmRSS")?;
    Ok(kib << 10)
}

/// The middle value.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    match values.len() {
        0 => f64::NAN,
        even if even.is_multiple_of(2) => f64::midpoint(values[middle - 1], values[middle]),
        _ => values[middle],
    }
}
