//! A log as it lies on disk, read without opening it: while the service runs, or where it never will.
//!
//! Only what a batch trailer closes is read (record format, "On disk"): behind it the writer may be
//! at work. Nothing here writes to the log.

use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, ensure};
use chain::verify::CheckpointFile;
use ledger::LogPlace;
use ledger::engine::Store;
use ledger::engine::postgres::ConnectedPg;
use ledger::limits::SCAN_BYTES_MAX;

use crate::config::Config;
use crate::log::Places;

/// Largest segment that is read, in bytes: the most that may be configured, and a batch.
const SEGMENT_BYTES_MAX: u64 = 512 << 20;

/// Segments in order.
fn segments(config: &Config) -> anyhow::Result<Vec<PathBuf>> {
    let dir = config.log.data_dir.join("log").join("entries");
    let mut segments: Vec<PathBuf> = fs::read_dir(&dir)
        .with_context(|| format!("`{}` holds no log", dir.display()))?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<_, _>>()?;
    segments.retain(|path| path.extension().is_some_and(|extension| extension == "log"));
    segments.sort();
    ensure!(!segments.is_empty(), "`{}` holds no segment", dir.display());
    Ok(segments)
}

/// Shows every entry to `each`, in order, until it breaks. Returns how many were shown.
///
/// # Errors
/// If a segment cannot be read.
pub fn each_entry(
    config: &Config,
    mut each: impl FnMut(&[u8]) -> anyhow::Result<ControlFlow<()>>,
) -> anyhow::Result<u64> {
    let mut shown = 0;
    each_segment(config, |entries| {
        for entry in entries {
            shown += 1;
            if each(entry)?.is_break() {
                return Ok(ControlFlow::Break(()));
            }
        }
        Ok(ControlFlow::Continue(()))
    })?;
    Ok(shown)
}

/// Shows the entries of one segment after the other to `each`, until it breaks.
///
/// # Errors
/// If a segment cannot be read.
pub fn each_segment(
    config: &Config,
    mut each: impl FnMut(&[&[u8]]) -> anyhow::Result<ControlFlow<()>>,
) -> anyhow::Result<()> {
    if let Some(store) = database(config)? {
        let mut at = 0;
        while at < store.count() {
            let chunk = store.scan(at, SCAN_BYTES_MAX)?;
            let entries: Vec<&[u8]> = chunk.iter().map(|(_, line)| line).collect();
            if each(&entries)?.is_break() {
                break;
            }
            at = chunk.end();
        }
        return Ok(());
    }
    for path in segments(config)? {
        let name = path.display().to_string();
        let length = fs::metadata(&path).with_context(|| name.clone())?.len();
        ensure!(length <= SEGMENT_BYTES_MAX, "`{name}` is too long for a segment");
        let bytes = fs::read(&path).with_context(|| name.clone())?;
        let lines = closed(&bytes).split(|byte| *byte == b'\n');
        let entries: Vec<&[u8]> =
            lines.filter(|line| !line.is_empty() && line[0] != b'#').collect();
        if !entries.is_empty() && each(&entries)?.is_break() {
            break;
        }
    }
    Ok(())
}

/// The part of a segment that ends with its last whole trailer.
fn closed(segment: &[u8]) -> &[u8] {
    // Behind the lines the segment is pre-allocated with zero bytes.
    let end = segment.iter().position(|byte| *byte == 0).unwrap_or(segment.len());
    let mut closed = 0;
    let mut at = 0;
    for line in segment[..end].split_inclusive(|byte| *byte == b'\n') {
        at += line.len();
        if line.starts_with(b"#") && line.ends_with(b"\n") {
            closed = at;
        }
    }
    &segment[..closed]
}

/// The published checkpoints and the watermark, as they were found.
///
/// # Errors
/// If one cannot be read.
pub fn checkpoints(config: &Config) -> anyhow::Result<Vec<CheckpointFile>> {
    if let Some(store) = database(config)? {
        let mut files = Vec::new();
        for size in store.checkpoint_sizes()? {
            let note = store.checkpoint(size)?;
            let name = chain::bundle::checkpoint_name(size);
            files.extend(note.map(|note| CheckpointFile { name, note, outside: false }));
        }
        let name = "watermark".to_owned();
        files.extend(store.watermark()?.map(|note| CheckpointFile { name, note, outside: false }));
        // What this machine remembers vouches against a database that went back.
        let copy = config.head_dir().join("watermark-of-database");
        if copy.try_exists()? {
            let note = fs::read(&copy).with_context(|| copy.display().to_string())?;
            files.push(CheckpointFile { name: file_name(&copy), note, outside: false });
        }
        return Ok(files);
    }
    let dir = config.log.data_dir.join("log").join("checkpoints");
    let mut files: Vec<PathBuf> = fs::read_dir(&dir)
        .with_context(|| format!("`{}` holds no checkpoints", dir.display()))?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<_, _>>()?;
    files.retain(|path| path.extension().is_some_and(|extension| extension == "note"));
    files.sort();
    let watermark = config.head_dir().join("watermark");
    if watermark.try_exists()? {
        files.push(watermark);
    }
    files
        .into_iter()
        .map(|path| {
            let note = fs::read(&path).with_context(|| path.display().to_string())?;
            Ok(CheckpointFile { name: file_name(&path), note, outside: false })
        })
        .collect()
}

/// The log in its database, if it lies in one, to look at.
fn database(config: &Config) -> anyhow::Result<Option<Arc<dyn Store>>> {
    match Places::of(config)?.log {
        LogPlace::Postgres(options) => Ok(Some(ConnectedPg::look(&options)?)),
        LogPlace::Files(_) => Ok(None),
    }
}

fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::closed;

    #[test]
    fn only_what_a_trailer_closes_is_read() {
        for (segment, expected) in [
            (&b"{1}\n#1 00\n\0\0"[..], &b"{1}\n#1 00\n"[..]),
            (b"{1}\n#1 00\n{2}\n", b"{1}\n#1 00\n"),
            (b"{1}\n#1 00\n{2}\n#1 0", b"{1}\n#1 00\n"),
            (b"{1}\n{2}\n#2 00\n{3", b"{1}\n{2}\n#2 00\n"),
            (b"{1}\n", b""),
            (b"\0\0", b""),
            (b"", b""),
        ] {
            assert_eq!(closed(segment), expected, "{segment:?}");
        }
    }
}
