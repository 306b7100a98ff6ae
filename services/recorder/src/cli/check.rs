//! `recorder check`: the log on disk against its keys and checkpoints.

use std::io::Write as _;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context as _, bail};
use chain::keys::Keys;
use chain::note::Ed25519Signer;
use chain::verify::{Evidence, Verdict, Verifier};
use ledger::audit::compare_bytes;
use ledger::copies::CopyReader;
use ledger::disk::OsDisk;
use ledger::notary::read_checkpoint;

use super::disk;
use crate::config::{Config, CopyConfig};
use crate::copies;
use crate::log::Places;
use crate::secret;

/// What the log is checked against.
#[derive(Debug, Clone, clap::Args)]
pub struct CheckArgs {
    /// Keys (`keys.txt`) that did not come from this machine. Without them the key that lies beside
    /// the log is taken, and the check shows damage only, not a log that was replaced as a whole.
    #[arg(long)]
    pub keys: Option<PathBuf>,
    /// Compare the bytes of the entries with the newest signed checkpoint and read nothing of what
    /// they say: many times faster, and no changed bit is missed.
    #[arg(long)]
    pub bytes: bool,
}

/// Exit codes of the check, as of the auditor.
const BROKEN: u8 = 1;
const CANNOT_CHECK: u8 = 2;

/// Prints one line with the verdict. The exit code is 0 for sound, 1 for broken and 2 if it could
/// not be checked.
pub fn run(config: &Config, args: &CheckArgs) -> ExitCode {
    let found = if args.bytes { bytes(config, args) } else { entries(config, args) };
    let (line, code) = match found {
        Ok(Found::Sound(line)) => (line, ExitCode::SUCCESS),
        Ok(Found::Broken(line)) => (line, ExitCode::from(BROKEN)),
        Err(error) => (format!("could not check: {error:#}"), ExitCode::from(CANNOT_CHECK)),
    };
    // Whoever closed standard output still gets the exit code.
    let _ = writeln!(std::io::stdout(), "{line}");
    for to in &config.copies.to {
        let _ = writeln!(std::io::stdout(), "copy `{}`: {}", to.name, copy(config, to));
    }
    code
}

/// How far a copy is, by the names of its objects. It is asked for, not read: whether it is sound,
/// `auditor check` and a restore tell.
fn copy(config: &Config, to: &CopyConfig) -> String {
    let look = || -> anyhow::Result<String> {
        // Only reading: nothing is locked from this time on.
        let vault = copies::open(to, &config.log.data_dir, 0)?;
        let key = own_keys(config).ok().map(|keys| keys.log);
        let there = CopyReader::open(&*vault, key)?;
        let here = disk::each_entry(config, |_| Ok(ControlFlow::Continue(())))?;
        let signed = there.signed.map_or(0, |signed| signed.size);
        let stands = match here.checked_sub(there.entries) {
            Some(behind) => format!("{behind} behind"),
            None => format!("MORE than the {here} here: is this an old copy of the data?"),
        };
        Ok(format!("{} entries, {stands}; a signed checkpoint covers {signed}", there.entries))
    };
    look().unwrap_or_else(|error| format!("not known: {error:#}"))
}

enum Found {
    Sound(String),
    Broken(String),
}

fn entries(config: &Config, args: &CheckArgs) -> anyhow::Result<Found> {
    Ok(match verdict(config, args)? {
        Verdict::Sound(summary) => Found::Sound(summary.to_string()),
        Verdict::Broken(fault) => Found::Broken(fault.to_string()),
    })
}

/// The bytes against the newest signed checkpoint.
fn bytes(config: &Config, args: &CheckArgs) -> anyhow::Result<Found> {
    if config.is_in_database() {
        bail!("`--bytes` is for segments: without it the entries in the database are checked");
    }
    let files = Places::files(config);
    let path = files.head_dir.join("watermark");
    let note = std::fs::read(&path).with_context(|| path.display().to_string())?;
    let name = path.display().to_string();
    let signed = read_checkpoint(&note, &keys(config, args)?.log, &name)?
        .with_context(|| format!("`{name}` is no signed checkpoint of this log"))?;
    Ok(match compare_bytes(&OsDisk, &files, &signed, threads())? {
        Some(damage) => Found::Broken(format!("broken: {damage}")),
        None => Found::Sound(format!(
            "sound: the bytes of {} entries are those that were signed, root {}",
            signed.size, signed.root
        )),
    })
}

fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

fn keys(config: &Config, args: &CheckArgs) -> anyhow::Result<Keys> {
    let Some(path) = &args.keys else { return own_keys(config) };
    let bytes = std::fs::read(path).with_context(|| path.display().to_string())?;
    Ok(Keys::parse(&bytes)?)
}

/// Checks the log on disk.
///
/// # Errors
/// If it cannot be checked.
pub fn verdict(config: &Config, args: &CheckArgs) -> anyhow::Result<Verdict> {
    let keys = keys(config, args)?;
    let checkpoints = disk::checkpoints(config)?;
    let mut verifier =
        Verifier::new(Evidence { keys, policy: None, checkpoints, receipts: vec![] })?;
    disk::each_segment(config, |entries| {
        // As an exported file has them: those are read on all processors.
        let mut file = entries.join(&b'\n');
        file.push(b'\n');
        Ok(verifier.push_file(&file, threads()))
    })?;
    Ok(verifier.finish())
}

/// The log's key as it lies beside the log.
///
/// # Errors
/// If it cannot be read.
pub fn own_keys(config: &Config) -> anyhow::Result<Keys> {
    let key = secret::read(&super::serve::log_key_file(config))
        .context("the log's key cannot be read: give `--keys`")?;
    let signer = Ed25519Signer::new(&config.log.origin, &key.to_bytes())?;
    Ok(Keys::of_log(signer.verifier().clone()))
}
