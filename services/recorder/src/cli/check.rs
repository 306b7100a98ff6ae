//! `recorder check`: the log on disk against its keys and checkpoints.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use chain::keys::Keys;
use chain::note::Ed25519Signer;
use chain::verify::{Evidence, Verdict, Verifier};

use super::disk;
use crate::config::Config;
use crate::secret;

/// What the log is checked against.
#[derive(Debug, Clone, clap::Args)]
pub struct CheckArgs {
    /// Keys (`keys.txt`) that did not come from this machine. Without them the key that lies beside
    /// the log is taken, and the check shows damage only, not a log that was replaced as a whole.
    #[arg(long)]
    pub keys: Option<PathBuf>,
}

/// Exit codes of the check, as of the auditor.
const BROKEN: u8 = 1;
const CANNOT_CHECK: u8 = 2;

/// Prints one line with the verdict. The exit code is 0 for sound, 1 for broken and 2 if it could
/// not be checked.
pub fn run(config: &Config, args: &CheckArgs) -> ExitCode {
    let (line, code) = match verdict(config, args) {
        Ok(Verdict::Sound(summary)) => (summary.to_string(), ExitCode::SUCCESS),
        Ok(Verdict::Broken(fault)) => (fault.to_string(), ExitCode::from(BROKEN)),
        Err(error) => (format!("could not check: {error:#}"), ExitCode::from(CANNOT_CHECK)),
    };
    // Whoever closed standard output still gets the exit code.
    let _ = writeln!(std::io::stdout(), "{line}");
    code
}

/// Checks the log on disk.
///
/// # Errors
/// If it cannot be checked.
pub fn verdict(config: &Config, args: &CheckArgs) -> anyhow::Result<Verdict> {
    let keys = match &args.keys {
        Some(path) => {
            let bytes = std::fs::read(path).with_context(|| path.display().to_string())?;
            Keys::parse(&bytes)?
        }
        None => own_keys(config)?,
    };
    let checkpoints = disk::checkpoints(config)?;
    let mut verifier =
        Verifier::new(Evidence { keys, policy: None, checkpoints, receipts: vec![] })?;
    disk::each_entry(config, |line| Ok(verifier.push(line)))?;
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
