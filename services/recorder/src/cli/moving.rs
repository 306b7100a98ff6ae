//! `recorder move`: the log into another kind of place.

use std::io::Write as _;

use anyhow::{Context as _, bail};
use ledger::LogPlace;
use ledger::engine::postgres::is_database;
use ledger::moving::move_log;

use super::{Seams, serve};
use crate::config::Config;
use crate::log::Places;
use crate::secret;

/// From where to where.
#[derive(Debug, Clone, clap::Args)]
pub struct MoveArgs {
    /// Where the log lies now: `files`, which is the configured data directory, or the address of a
    /// database.
    #[arg(long, value_name = "PLACE")]
    pub from: String,
    /// Where it goes: `files` or the address of a database. It must hold no log.
    #[arg(long, value_name = "PLACE")]
    pub to: String,
}

/// Copies everything, checks the copy against the newest signed checkpoint, ends the log in its old
/// place and makes it usable in the new one. Begun anew if it was interrupted.
///
/// # Errors
/// If the source is not sound or in use, the destination holds anything, or the copy is not right.
pub fn run(config: &Config, seams: &Seams, args: &MoveArgs) -> anyhow::Result<()> {
    let (from, to) = (place(config, &args.from)?, place(config, &args.to)?);
    if from.name() == to.name() {
        bail!("`--from` and `--to` name the same place");
    }
    if !secret::is_there(&serve::log_key_file(config))? {
        bail!("the key of the log is not in `{}`", config.keys_dir().display());
    }
    let (parts, _) = serve::parts(config, seams)?;
    let people = |log: &LogPlace| Places::people(log, &config.log.data_dir);
    let moved = move_log(parts.seams(), &from, &to, people)
        .with_context(|| format!("the log was not moved to `{}`", to.name()))?;
    let mut out = std::io::stdout();
    writeln!(
        out,
        "{} entries, {} checkpoints and {} records of people are in {} now; checked against the \
         checkpoint of {} entries, root {}",
        moved.entries,
        moved.checkpoints,
        moved.people,
        to.name(),
        moved.signed.size,
        moved.signed.root
    )?;
    match to {
        LogPlace::Files(_) => writeln!(out, "take `log.store` out of the configuration")?,
        LogPlace::Postgres(_) => writeln!(out, "set `log.store` in the configuration to it")?,
    }
    Ok(())
}

fn place(config: &Config, text: &str) -> anyhow::Result<LogPlace> {
    match text {
        "files" => Ok(LogPlace::Files(Places::files(config))),
        address if is_database(address) => {
            Ok(LogPlace::Postgres(Places::database(config, address)?))
        }
        other => {
            bail!("`{other}` is neither `files` nor an address that begins with `postgres://`")
        }
    }
}
