//! `recorder serve`: the service itself.

use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::Arc;

use actix_web::web;
use anyhow::Context as _;
use chain::note::Ed25519Signer;
use ledger::seams::Random;

use super::Seams;
use crate::app::{self, Recorder};
use crate::authn::Authenticator;
use crate::authn::local::LocalIssuer;
use crate::config::Config;
use crate::log::Log;
use crate::secret;

/// File of the log's signing key.
pub fn log_key_file(config: &Config) -> PathBuf {
    config.keys_dir().join("log.key")
}

/// The log's signer; the key is made if there is none.
///
/// # Errors
/// If the key cannot be read or made.
pub fn signer(config: &Config, random: &mut dyn Random) -> anyhow::Result<Ed25519Signer> {
    let path = log_key_file(config);
    let key = if secret::is_there(&path)? {
        secret::read(&path)?
    } else {
        tracing::info!(file = %path.display(), "a new log key is made");
        secret::create(&path, random)?
    };
    Ed25519Signer::new(&config.log.origin, &key.to_bytes())
        .context("the log's origin cannot name a key")
}

/// Puts a recorder together as the configuration says.
///
/// # Errors
/// If the log cannot be opened or no token could ever be verified.
pub async fn open(config: Config, seams: &Seams) -> anyhow::Result<Recorder> {
    config.check()?;
    let mut random = (seams.random)();
    let signer = signer(&config, &mut *random)?;
    if config.auth.local_issuer {
        LocalIssuer::open_or_create(&config.keys_dir(), &mut *random)?;
        tracing::warn!("tokens of the local issuer are accepted: for development and tests only");
    }
    let authn = Authenticator::new(&config, Arc::clone(&seams.clock)).await?;
    let log = Log::in_memory(signer, Arc::clone(&seams.clock), random);
    Ok(Recorder::new(config, log, authn, Arc::clone(&seams.clock))?)
}

/// Serves until SIGTERM or SIGINT.
///
/// # Errors
/// If the service cannot start.
pub async fn run(config: Config, seams: &Seams) -> anyhow::Result<()> {
    let recorder = web::Data::new(open(config, seams).await?);
    let address = recorder.config.listen.address;
    let listener =
        TcpListener::bind(address).with_context(|| format!("cannot listen on {address}"))?;
    listener.set_nonblocking(true)?;
    let (server, address) = app::start(recorder.clone(), listener)?;
    tracing::info!(%address, origin = recorder.log.origin(), entries = recorder.log.size(), "serving");
    let handle = server.handle();
    let stop = actix_web::rt::spawn(async move {
        signal().await;
        tracing::info!("stopping: running requests are finished first");
        handle.stop(true).await;
    });
    server.await?;
    stop.abort();
    Ok(())
}

async fn signal() {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut terminate) = signal(SignalKind::terminate()) else { return };
    tokio::select! {
        _ = terminate.recv() => {}
        _ = tokio::signal::ctrl_c() => {}
    }
}
