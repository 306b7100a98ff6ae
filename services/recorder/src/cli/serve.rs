//! `recorder serve`: the service itself.

use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use actix_web::web;
use anyhow::{Context as _, bail};
use chain::checkpoint::Checkpoint;
use chain::note::{Ed25519Signer, Note};
use ledger::notary::SharedSigner;
use ledger::seams::Random;
use ledger::{LedgerError, Pace};

use super::Seams;
use crate::app::{self, Recorder};
use crate::authn::Authenticator;
use crate::authn::local::LocalIssuer;
use crate::config::Config;
use crate::log::{Log, LogParts, Places};
use crate::reports::ReportStore;
use crate::secret;

/// File of the log's signing key.
pub fn log_key_file(config: &Config) -> PathBuf {
    config.keys_dir().join("log.key")
}

/// Options of serving.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct ServeArgs {
    /// Create the log if there is none. Only needed when there is a key already: a data directory
    /// that has a key and no log usually means that a disk is missing.
    #[arg(long)]
    pub create: bool,
    /// Begin the log as the one that continues another: the final checkpoint of that one, as
    /// `recorder close` printed it. Entry 0 cites it. Only for a log that does not exist yet.
    #[arg(long, value_name = "FILE")]
    pub continues: Option<PathBuf>,
}

/// Whether the log's key was there.
pub(super) enum KeyWas {
    There,
    New,
}

/// The log's signer; the key is made if there is none.
pub(super) fn signer(
    config: &Config,
    random: &mut dyn Random,
) -> anyhow::Result<(SharedSigner, KeyWas)> {
    let path = log_key_file(config);
    let (key, was) = if secret::is_there(&path)? {
        (secret::read(&path)?, KeyWas::There)
    } else {
        tracing::info!(file = %path.display(), "a new log key is made");
        (secret::create(&path, random)?, KeyWas::New)
    };
    let signer = Ed25519Signer::new(&config.log.origin, &key.to_bytes())
        .context("the log's origin cannot name a key")?;
    Ok((Arc::new(signer), was))
}

/// What a log is opened with, and whether its key was there.
pub(super) fn parts(config: &Config, seams: &Seams) -> anyhow::Result<(LogParts, KeyWas)> {
    let (signer, was) = signer(config, &mut *(seams.random)())?;
    let parts = LogParts {
        places: Places::of(config)?,
        signer,
        clock: Arc::clone(&seams.clock),
        random: seams.random,
        pace: Pace::default(),
    };
    Ok((parts, was))
}

/// Opens the configured log, or creates it where that cannot be a mistake.
pub(super) fn open_log(config: &Config, seams: &Seams, args: &ServeArgs) -> anyhow::Result<Log> {
    let (parts, key_was) = parts(config, seams)?;
    match Log::open(&parts) {
        Err(LedgerError::NoLog { name, what }) => {
            if matches!(key_was, KeyWas::There) && !args.create {
                bail!(
                    "`{name}` holds no log ({what}) but there is a key for one: is a disk missing? \
                     `serve --create` begins a new log"
                );
            }
            let cited = args.continues.as_deref().map(|file| final_checkpoint(file, config));
            let signed = Log::create(&parts, cited.transpose()?.as_deref())?;
            tracing::info!(origin = config.log.origin, size = signed.size, "a new log is begun");
            Ok(Log::open(&parts)?)
        }
        Ok(_) if args.continues.is_some() => {
            bail!("the log exists already: it cites the log before it in entry 0 or never")
        }
        opened => Ok(opened?),
    }
}

/// The checkpoint that a new log cites.
fn final_checkpoint(file: &Path, config: &Config) -> anyhow::Result<String> {
    let name = file.display().to_string();
    let note = std::fs::read(file).with_context(|| format!("cannot read `{name}`"))?;
    let text = Note::parse(&note).with_context(|| format!("`{name}` is no signed note"))?.text;
    let cited =
        Checkpoint::parse_text(&text).with_context(|| format!("`{name}` is no checkpoint"))?;
    if cited.origin == config.log.origin {
        bail!("`{name}` is of `{}`: the next log has an origin of its own", cited.origin);
    }
    tracing::info!(origin = cited.origin, size = cited.size, "the log before is cited");
    Ok(String::from_utf8(note)?)
}

/// Puts a recorder together as the configuration says.
///
/// # Errors
/// If the log cannot be opened or no token could ever be verified.
pub async fn open(config: Config, seams: &Seams, args: ServeArgs) -> anyhow::Result<Recorder> {
    config.check()?;
    if config.auth.local_issuer {
        LocalIssuer::open_or_create(&config.keys_dir(), &mut *(seams.random)())?;
        tracing::warn!("tokens of the local issuer are accepted: for development and tests only");
    }
    let authn = Authenticator::new(&config, Arc::clone(&seams.clock)).await?;
    let authn = authn.with_badges(&mut *(seams.random)());
    let log = open_log(&config, seams, &args)?;
    if let Some(why) = log.health().not_writing {
        tracing::error!(why, "the log is open for reading only");
    }
    let people = Places::people(&Places::of(&config)?.log, &config.log.data_dir)?;
    let reports = ReportStore::open(&config.log.data_dir)?;
    let recorder = Recorder::new(config, log, authn, people, reports, seams)?;
    recorder.copies.first_look().await;
    recorder.ask_witnesses().await;
    recorder.start_webhooks();
    Ok(recorder)
}

/// Serves until SIGTERM or SIGINT.
///
/// # Errors
/// If the service cannot start, or the log cannot be closed in good order.
pub async fn run(config: Config, seams: &Seams, args: ServeArgs) -> anyhow::Result<()> {
    let recorder = web::Data::new(open(config, seams, args).await?);
    let (log, witnesses) = (recorder.log.clone(), recorder.witnesses.clone());
    let (webhooks, following) = (recorder.webhooks.clone(), recorder.following.clone());
    let copies = recorder.copies.couriers();
    let address = recorder.config.listen.address;
    let listener =
        TcpListener::bind(address).with_context(|| format!("cannot listen on {address}"))?;
    let (server, address) = app::start(recorder.clone(), listener)?;
    // Before anybody is told that it serves: who asks it to stop at once is heard.
    let asked = asked_to_stop().context("signals cannot be received")?;
    recorder.start_following();
    tracing::info!(%address, origin = log.origin(), entries = log.size(), "serving");
    let handle = server.handle();
    let stop = actix_web::rt::spawn(async move {
        asked.await;
        tracing::info!("stopping: running requests are finished first");
        recorder.stop();
        handle.stop(true).await;
    });
    server.await?;
    // It holds the recorder, and with it the log; let it end before the log is closed.
    stop.abort();
    let _ = stop.await;
    witnesses.join().await;
    webhooks.join().await;
    following.join().await;
    drop((witnesses, webhooks, following));
    let entries = log.size();
    log.close().context("the log was not closed in good order; the next start mends it")?;
    // Behind the close, so that the last checkpoint goes along.
    copies.stop();
    tracing::info!(entries, "stopped");
    Ok(())
}

/// Listens for SIGTERM and SIGINT from now on; the future ends when one came.
pub(crate) fn asked_to_stop() -> std::io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}
