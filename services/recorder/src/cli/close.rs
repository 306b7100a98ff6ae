//! `recorder close`: ends a log, so that another can continue it.
//!
//! A log keeps one key for its whole life. Its key is changed by ending the log and beginning the
//! next one with a key of its own:
//!
//! 1. `recorder --config next.toml keys` makes the next log's key and prints it.
//! 2. Two people enrol it in the log that runs (`key.enrolled` with `usage: log`, then the second
//!    person's `entry.signed` with `meaning: approved`).
//! 3. The service is stopped; `recorder --config old.toml close --reason year_end > final.note`.
//! 4. `recorder --config next.toml serve --create --continues final.note`.
//!
//! `auditor check OLD --keys KEY-OF-OLD --next NEW` then follows from one to the other with the old
//! key alone.

use std::io::Write as _;
use std::sync::Arc;

use anyhow::{Context as _, bail};
use chain::bundle;
use shopfloor::Event;
use shopfloor::ids::{Code, Reason};
use shopfloor::record::events::{KeyUse, LogClosed};
use shopfloor::record::keys::EnrolledKey;

use super::{Seams, serve};
use crate::config::Config;
use crate::copies::Copies;
use crate::log::Log;
use crate::metrics::Metrics;
use crate::witnesses::Witnesses;

/// Why the log ends.
#[derive(Debug, Clone, clap::Args)]
pub struct CloseArgs {
    /// A code such as `year_end`, `key_change` or `key_lost`.
    #[arg(long)]
    pub reason: String,
}

/// Records `log.closed`, signs the final checkpoint, asks the witnesses to cosign it, and prints it.
/// Nothing can be recorded afterwards; everything can still be read. Asked again, it prints the same
/// checkpoint, with whatever cosignatures there are by then.
///
/// # Errors
/// If the log cannot be opened for writing or its end not be recorded.
pub async fn run(config: &Config, seams: &Seams, args: &CloseArgs) -> anyhow::Result<()> {
    let reason = Reason::Code(Code::new(&args.reason)?);
    let (parts, _) = serve::parts(config, seams)?;
    let log = Log::open(&parts)?;
    if let Some(why) = log.health().not_writing {
        bail!("the log takes no entries: {why}");
    }
    let (closed_by, next_key) = log.ask(|state| {
        let next = |key: &EnrolledKey| key.usage == KeyUse::Log && key.is_in_force();
        (state.record.closed_by(), state.record.keys().iter().any(next))
    });
    if !next_key {
        tracing::warn!(
            "no key of a next log is enrolled by two people: an auditor will have to get it on \
             another way"
        );
    }
    if closed_by.is_none() {
        log.record_own(&Event::LogClosed(LogClosed { reason }), None).await?;
    }
    let signed = log.publish().await?;
    let metrics = Metrics::new()?;
    let witnesses = Witnesses::of(config, log.clone(), Arc::clone(&seams.clock), &metrics)?;
    let signed = witnesses.cosigned(signed).await;
    drop(witnesses);
    // The end belongs into every copy; where one does not answer, the next `serve` ships it.
    let couriers = Copies::start(config, &log, &seams.clock, &metrics)?.couriers();
    log.close().context("the log was not closed in good order; the next start mends it")?;
    couriers.stop();
    let name = bundle::checkpoint_name(signed.size);
    tracing::info!(entries = signed.size, name, "the log is closed; this is its final checkpoint");
    write!(std::io::stdout(), "{}", signed.note)?;
    Ok(())
}
