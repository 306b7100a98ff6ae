//! `recorder rebuild`: index and snapshots made anew from the entries.

use std::fs;
use std::io::Write as _;

use anyhow::Context as _;

use super::{Seams, serve};
use crate::config::Config;
use crate::log::Log;

/// Moves the index aside, builds it anew from the entries and removes the old one.
///
/// # Errors
/// If the service runs, or the log cannot be opened.
pub fn run(config: &Config, seams: &Seams) -> anyhow::Result<()> {
    let (parts, _) = serve::parts(config, seams)?;
    // Opened once before anything is moved: this fails while the service runs.
    Log::open(&parts).context("the service must be stopped")?.close()?;
    let (index, aside) = (&parts.places.index_dir, parts.places.index_dir.with_extension("old"));
    if aside.try_exists()? {
        fs::remove_dir_all(&aside).with_context(|| aside.display().to_string())?;
    }
    if index.try_exists()? {
        fs::rename(index, &aside).with_context(|| index.display().to_string())?;
    }
    let log = Log::open(&parts)?;
    let (entries, health) = (log.size(), log.health());
    log.close()?;
    if aside.try_exists()? {
        fs::remove_dir_all(&aside).with_context(|| aside.display().to_string())?;
    }
    let indexed = health.index_count;
    writeln!(
        std::io::stdout(),
        "{entries} entries, {indexed} in the index, {} skipped",
        health.skipped
    )?;
    Ok(())
}
