//! The thread that keeps one copy up to date, and what it tells of it.

use std::sync::Arc;
use std::sync::mpsc;
use std::time::Duration;

use chain::note::VerifierKey;
use tokio::sync::watch;

use super::{Copier, CopyError, Source, Vault, VaultError};
use crate::error::{LedgerError, Result};
use crate::limits::{COPY_LOOK_MS, COPY_RETRY_MS, COPY_STOP_MS};
use crate::seams::Clock;

/// Opens the vault; asked again after every failure, because a share may be mounted meanwhile.
pub type OpenVault = Box<dyn FnMut() -> Result<Box<dyn Vault>, VaultError> + Send>;

/// How a copy stands.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Standing {
    /// Entries of the copy, as far as this process knows; `None` before it was reached.
    pub copied: Option<u64>,
    /// When the last of them was recorded, ms since 1970.
    pub recorded_at_ms: i64,
    /// Entries that the newest signed checkpoint of the copy covers.
    pub signed: u64,
    /// What keeps it from going on.
    pub trouble: Option<Trouble>,
}

/// What keeps a copy from going on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// In words; holds no secret.
    pub what: String,
    /// Since when, ms since 1970.
    pub since_ms: i64,
    /// Whether somebody has to look: it will not go away by itself.
    pub alarm: bool,
    /// Whether the copy proves that this log must not be written to.
    pub contradicts: bool,
}

/// Keeps a copy up to date in a thread of its own.
#[derive(Debug)]
pub struct Courier {
    standing: watch::Receiver<Standing>,
    stop: watch::Sender<bool>,
    ended: mpsc::Receiver<()>,
}

impl Courier {
    /// Starts it. It rests for `interval` after each round; with none it ships every commit at once.
    ///
    /// # Errors
    /// If the thread cannot be started.
    pub fn start(
        name: &str,
        open: OpenVault,
        source: Source,
        key: VerifierKey,
        counts: watch::Receiver<u64>,
        interval: Duration,
        clock: Arc<dyn Clock>,
    ) -> Result<Self> {
        let (tell, standing) = watch::channel(Standing::default());
        let (stop, stopping) = watch::channel(false);
        let (end, ended) = mpsc::channel();
        let failed = |source| LedgerError::Io {
            doing: "start the copying to",
            name: name.to_owned(),
            source,
        };
        let waiter =
            tokio::runtime::Builder::new_current_thread().enable_time().build().map_err(failed)?;
        let name_of_copy = name.to_owned();
        let round = Round { name: name_of_copy, open, source, key, interval, clock, tell, waiter };
        std::thread::Builder::new()
            .name(format!("ledger-copy-{name}"))
            .spawn(move || {
                round.run(counts, stopping);
                // Nobody may wait for it any more.
                let _ = end.send(());
            })
            .map_err(failed)?;
        Ok(Self { standing, stop, ended })
    }

    /// How the copy stands, and what becomes of it.
    #[must_use]
    pub fn standing(&self) -> watch::Receiver<Standing> {
        self.standing.clone()
    }

    /// Ships what is left, as far as that goes in the time allowed, and stops.
    pub fn stop(self) {
        self.stop.send_replace(true);
        let _ = self.ended.recv_timeout(Duration::from_millis(COPY_STOP_MS));
    }
}

struct Round {
    name: String,
    open: OpenVault,
    source: Source,
    key: VerifierKey,
    interval: Duration,
    clock: Arc<dyn Clock>,
    tell: watch::Sender<Standing>,
    waiter: tokio::runtime::Runtime,
}

impl Round {
    fn run(mut self, mut counts: watch::Receiver<u64>, mut stopping: watch::Receiver<bool>) {
        let mut copier = None;
        let (first, longest) = COPY_RETRY_MS;
        let mut retry = first;
        loop {
            let last = *stopping.borrow_and_update();
            counts.mark_unchanged();
            let outcome = self.cycle(&mut copier);
            let well = outcome.is_ok();
            let rest = match outcome {
                Ok(()) => {
                    retry = first;
                    self.all_well();
                    self.interval
                }
                Err(error) => {
                    // Somebody who was away is found where he was left; else everything is looked at
                    // anew, the credentials too.
                    let away = matches!(error, CopyError::Vault(VaultError::Away(_)));
                    copier = copier.take().filter(|_| away);
                    self.in_trouble(&error);
                    let rest = Duration::from_millis(retry);
                    retry = (2 * retry).min(longest);
                    rest
                }
            };
            // Nobody is left who could tell it to stop.
            if last || stopping.has_changed().is_err() {
                return;
            }
            self.waiter.block_on(async {
                let rested = tokio::time::timeout(rest, stopping.changed()).await;
                if rested.is_err() && well {
                    let look = Duration::from_millis(COPY_LOOK_MS);
                    let news = async {
                        if counts.changed().await.is_err() {
                            // The writer is gone; what it left is shipped when we are stopped.
                            tokio::time::sleep(look).await;
                        }
                    };
                    tokio::select! {
                        () = news => {}
                        _ = stopping.changed() => {}
                        () = tokio::time::sleep(look) => {}
                    }
                }
            });
        }
    }

    /// Ships everything there is.
    fn cycle(&mut self, copier: &mut Option<Copier>) -> Result<(), CopyError> {
        let copier = match copier {
            Some(copier) => copier,
            None => {
                let vault = (self.open)()?;
                copier.insert(Copier::begin(vault, self.source.clone(), self.key.clone())?)
            }
        };
        loop {
            let more = copier.step();
            self.tell.send_if_modified(|standing| {
                let before = (standing.copied, standing.signed);
                standing.copied = Some(copier.copied());
                standing.signed = copier.signed();
                standing.recorded_at_ms = copier.recorded_at_ms();
                before != (standing.copied, standing.signed)
            });
            if !more? {
                return Ok(());
            }
        }
    }

    fn all_well(&self) {
        self.tell.send_if_modified(|standing| {
            let over = standing.trouble.take();
            if over.is_some() {
                tracing::info!(copy = self.name, "the copy goes on");
            }
            over.is_some()
        });
    }

    fn in_trouble(&self, error: &CopyError) {
        let what = chain_of(error);
        let contradicts = matches!(error, CopyError::Contradicted { .. });
        let alarm = contradicts
            || match error {
                CopyError::Vault(VaultError::Away(_)) => false,
                CopyError::Vault(
                    VaultError::Full | VaultError::Refused(_) | VaultError::Failed(_),
                )
                | CopyError::Log(_)
                | CopyError::OtherBytes { .. }
                | CopyError::OtherLog(_)
                | CopyError::Ahead { .. }
                | CopyError::Contradicted { .. }
                | CopyError::Rotten { .. }
                | CopyError::Unreadable(_) => true,
            };
        let now_ms = self.clock.now_ms();
        self.tell.send_if_modified(|standing| {
            let before = standing.trouble.take();
            let since_ms = before.as_ref().map_or(now_ms, |trouble| trouble.since_ms);
            let news = before.as_ref().is_none_or(|trouble| trouble.what != what);
            if news && alarm {
                tracing::error!(copy = self.name, what, "the copy does not go on");
            } else if news {
                tracing::warn!(copy = self.name, what, "the copy does not go on");
            }
            // Shown by the log's own signature; not taken back while the process runs.
            let contradicts = contradicts || before.is_some_and(|trouble| trouble.contradicts);
            standing.trouble = Some(Trouble { what: what.clone(), since_ms, alarm, contradicts });
            news
        });
    }
}

fn chain_of(error: &CopyError) -> String {
    let first: Option<&(dyn std::error::Error + 'static)> = Some(error);
    let all = std::iter::successors(first, |error| error.source());
    all.map(ToString::to_string).collect::<Vec<_>>().join(": ")
}
