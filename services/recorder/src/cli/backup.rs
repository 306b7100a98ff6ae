//! `recorder backup`, `verify-backup` and `restore-drill`: the data directory without what can be
//! rebuilt.
//!
//! A backup may be taken while the service runs. What was signed is copied before the entries, so
//! the copy holds every entry that its checkpoints cover; entries that were being written may be
//! half there, and the next start removes them as after a power cut. A copy is checked before it
//! counts.

use std::fs;
use std::io::{self, Write as _};
use std::ops::ControlFlow;
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context as _, bail, ensure};
use chain::verify::Verdict;

use ledger::disk::OsDisk;
use ledger::people::PeopleStore;

use super::check::{self, CheckArgs};
use super::{Seams, disk, serve};
use crate::config::Config;
use crate::log::Log;
use crate::secret;

/// What is copied, in this order: first what was promised, then what must keep the promise.
/// The index is left out: it is built anew.
const PARTS: [&str; 6] =
    ["head", "log/checkpoints", "log/tile", "log/entries", "people", "reports"];

/// Where a backup goes.
#[derive(Debug, Clone, clap::Args)]
pub struct BackupArgs {
    /// Directory; must be new or empty.
    pub dir: PathBuf,
    /// Copy the secret keys too. Without them the copy can be read and checked, but not continued.
    #[arg(long)]
    pub with_keys: bool,
}

/// Which backup to check.
#[derive(Debug, Clone, clap::Args)]
pub struct VerifyArgs {
    /// Directory of the backup.
    pub dir: PathBuf,
    /// Keys (`keys.txt`) that did not come from this machine. Without them those in the backup are
    /// taken, and the check shows damage only, not a backup that was replaced as a whole.
    #[arg(long)]
    pub keys: Option<PathBuf>,
}

/// What to practise with.
#[derive(Debug, Clone, clap::Args)]
pub struct DrillArgs {
    /// Directory of the backup.
    pub dir: PathBuf,
    /// Directory for the copy; must be new or empty, and is emptied again.
    #[arg(long, value_name = "DIR")]
    pub into: PathBuf,
}

/// A configuration that has a backup as its data directory.
fn config_of(config: &Config, dir: &Path) -> Config {
    let mut copy = config.clone();
    copy.log.data_dir = dir.to_owned();
    copy.log.head_dir = None;
    copy.log.store = String::new();
    copy
}

/// Checks a backup where it lies, every entry against keys and checkpoints. Exit code as of `check`.
pub fn verify(config: &Config, args: &VerifyArgs) -> ExitCode {
    let keys = args.keys.clone().unwrap_or_else(|| args.dir.join("keys.txt"));
    let check = CheckArgs { keys: Some(keys), bytes: false };
    check::run(&config_of(config, &args.dir), &check)
}

/// Restores a backup into a directory of its own, opens it as a service would, reads every entry, and
/// takes the copy away again. The log itself is not touched, and nothing is written that anybody could
/// take for its continuation: without the log's key in the backup the copy is read and not opened.
///
/// # Errors
/// If there is no room, the backup is not sound, or what was restored cannot be opened and read.
pub fn drill(config: &Config, seams: &Seams, args: &DrillArgs) -> anyhow::Result<()> {
    let started = std::time::Instant::now();
    demand_empty(&args.into)?;
    let copy = config_of(config, &args.into);
    let made = DrillCopy(&args.into);
    put_back(&copy, &args.dir)?;
    let entries = disk::each_entry(&copy, |_| Ok(ControlFlow::Continue(())))?;
    let folded = if secret::is_there(&serve::log_key_file(&copy))? {
        let (parts, _) = serve::parts(&copy, seams)?;
        let log = Log::open(&parts).context("the restored log cannot be opened")?;
        ensure!(log.size() == entries, "{} of {entries} entries could be opened", log.size());
        if let Some(why) = log.health().not_writing {
            bail!("the restored log opens for reading only: {why}");
        }
        let people = PeopleStore::open(&OsDisk, &copy.log.data_dir.join("people"))?.persons()?;
        let folded = log.ask(|state| state.as_of);
        log.close()?;
        format!("{folded} folded, identities of {} people", people.len())
    } else {
        "opened by nobody, since the backup holds no keys".to_owned()
    };
    drop(made);
    let took = started.elapsed().as_secs_f64();
    Ok(writeln!(io::stdout(), "drill: {entries} entries restored and read, {folded}; {took:.1} s")?)
}

/// The copy of a drill; goes away whatever comes of it.
struct DrillCopy<'a>(&'a Path);

impl Drop for DrillCopy<'_> {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir_all(self.0) {
            tracing::warn!(%error, dir = %self.0.display(), "the copy of the drill is still there");
        }
    }
}

/// Copies the data directory and checks the copy.
///
/// # Errors
/// If it cannot be copied, or the copy is not sound.
pub fn backup(config: &Config, args: &BackupArgs) -> anyhow::Result<()> {
    demand_files(config)?;
    demand_empty(&args.dir)?;
    copy_parts(&config.log.data_dir, &args.dir, &config.head_dir(), &args.dir.join("head"))?;
    if args.with_keys {
        copy_tree(&config.keys_dir(), &args.dir.join("keys"))?;
    }
    // The copy is checked with the key of the original, which need not lie in it.
    let copy = config_of(config, &args.dir);
    let keys = args.dir.join("keys.txt");
    write(&keys, check::own_keys(config)?.to_string().as_bytes())?;
    report(check::verdict(&copy, &CheckArgs { keys: Some(keys), bytes: false })?)
}

/// Copies a backup into the configured data directory, which must hold no log, and checks it.
///
/// # Errors
/// If the backup is not sound.
pub(super) fn put_back(config: &Config, from: &Path) -> anyhow::Result<()> {
    copy_parts(from, &config.log.data_dir, &from.join("head"), &config.head_dir())?;
    let keys = from.join("keys");
    if keys.try_exists()? && !config.keys_dir().try_exists()? {
        copy_tree(&keys, &config.keys_dir())?;
    }
    report(check::verdict(config, &CheckArgs { keys: Some(from.join("keys.txt")), bytes: false })?)
}

pub(super) fn demand_files(config: &Config) -> anyhow::Result<()> {
    ensure!(
        !config.is_in_database(),
        "the entries lie in a database: back it up with its own means (`recorder export` writes the \
         evidence, `recorder move` brings a log into files)"
    );
    Ok(())
}

/// Copies what a copy of the log does not hold out of a backup: names and texts, issued reports, and
/// the keys if they are there.
///
/// # Errors
/// If it cannot be copied.
pub(super) fn put_beside(config: &Config, from: &Path) -> anyhow::Result<()> {
    for part in ["people", "reports", "keys"] {
        let (source, target) = (from.join(part), config.log.data_dir.join(part));
        if source.try_exists()? && !target.try_exists()? {
            copy_tree(&source, &target)?;
        }
    }
    Ok(())
}

pub(super) fn report(verdict: Verdict) -> anyhow::Result<()> {
    match verdict {
        Verdict::Sound(summary) => Ok(writeln!(io::stdout(), "{summary}")?),
        Verdict::Broken(fault) => bail!("the copy is not sound: {fault}"),
    }
}

fn demand_empty(dir: &Path) -> anyhow::Result<()> {
    if dir.try_exists()? && fs::read_dir(dir)?.next().is_some() {
        bail!("`{}` is not empty: a backup is never mixed with another", dir.display());
    }
    Ok(())
}

fn copy_parts(from: &Path, to: &Path, head_from: &Path, head_to: &Path) -> anyhow::Result<()> {
    make_dir(to)?;
    for part in PARTS {
        let (source, target) = if part == "head" {
            (head_from.to_owned(), head_to.to_owned())
        } else {
            (from.join(part), to.join(part))
        };
        if source.try_exists()? {
            copy_tree(&source, &target)?;
        }
    }
    Ok(())
}

fn make_dir(dir: &Path) -> anyhow::Result<()> {
    fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(dir)
        .with_context(|| format!("cannot make `{}`", dir.display()))
}

/// Copies files and directories with their modes, durably. Links are not followed, and files that
/// are still being written under another name are left out.
fn copy_tree(from: &Path, to: &Path) -> anyhow::Result<()> {
    make_dir(to)?;
    for entry in fs::read_dir(from).with_context(|| from.display().to_string())? {
        let entry = entry?;
        let (source, target) = (entry.path(), to.join(entry.file_name()));
        let kind = entry.file_type()?;
        let passing =
            source.extension().is_some_and(|end| end == "tmp") || entry.file_name() == "lock";
        if kind.is_dir() {
            copy_tree(&source, &target)?;
        } else if kind.is_file() && !passing {
            let copied =
                fs::copy(&source, &target).and_then(|_| fs::File::open(&target)?.sync_all());
            copied.with_context(|| format!("cannot copy `{}`", source.display()))?;
        }
    }
    fs::File::open(to).and_then(|dir| dir.sync_all()).with_context(|| to.display().to_string())
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    let written = fs::write(path, bytes).and_then(|()| fs::File::open(path)?.sync_all());
    written.with_context(|| format!("cannot write `{}`", path.display()))
}
