//! Known vulnerabilities of dependencies, where that can be known: the advisory database is a
//! repository of its own that no package registry carries.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};

/// Environment variable that names the directory into which `cargo deny fetch db` put a copy of the
/// RustSec advisory database.
pub const DATABASE: &str = "PULVERLOG_ADVISORY_DB";

/// Checks the lock file against a copy of the advisory database. Says loudly if there is none: then
/// nothing is known, which is not the same as nothing found.
///
/// # Errors
/// If `cargo deny` finds something, or cannot be run although there is a database.
pub fn check(root: &Path) -> Result<()> {
    let Some(database) = std::env::var_os(DATABASE).map(PathBuf::from) else {
        eprintln!(
            "\n*** SKIPPED: no advisory database. Known vulnerabilities of dependencies were NOT looked\n\
             *** for. To look: install cargo-deny, `cargo deny fetch db` where there is a network, and\n\
             *** {DATABASE}=\"$CARGO_HOME/advisory-dbs\" cargo xtask advisories\n"
        );
        return Ok(());
    };
    let is_there = database.try_exists().unwrap_or(false);
    ensure!(is_there, "`{DATABASE}` names `{}`, which is not there", database.display());
    let config = std::fs::read_to_string(root.join(".deny.toml")).context("`.deny.toml`")?;
    // The place of the copy is the machine's, so it cannot stand in the file.
    let place = format!("[advisories]\ndb-path = {:?}", database.display().to_string());
    let file = root.join("target/deny.toml");
    std::fs::write(&file, config.replacen("[advisories]", &place, 1))?;
    let status = Command::new("cargo")
        .args(["deny", "--offline", "--locked", "check", "--config"])
        .arg(&file)
        .args(["--disable-fetch", "advisories"])
        .current_dir(root)
        .status()
        .context(
            "`cargo deny` does not run: install it with `cargo install --locked cargo-deny`",
        )?;
    ensure!(status.success(), "`cargo deny check advisories` found something");
    Ok(())
}
