//! Witnesses: somebody else who remembers how long this log was, and with which root.
//!
//! After each published checkpoint every configured witness is asked to cosign it (C2SP
//! tlog-witness). What they sign is kept with the checkpoint and, once in a while, in the log itself
//! (`anchor.kept`): what stands behind such an entry is younger than the cosignature. While they are
//! away the log works on, and how much no witness covers is told (window D).
//!
//! A witness that remembers more than the log has, or something else, means that an old copy of the
//! data was put back or that somebody else signs with the key. It must show the log's own
//! signature on what it remembers; then nothing more is recorded. Its word alone stops nothing.

mod ask;
mod keep;
#[cfg(test)]
mod tests;

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chain::checkpoint::{Checkpoint, SignedCheckpoint};
use chain::keys::Keys;
use chain::note::VerifierKey;
use chain::policy::{Member, Policy, PolicyGroup, PolicyLog, PolicyWitness};
use ledger::seams::Clock;
use tokio::sync::watch;
use tokio::task::JoinHandle;

use crate::config::{Config, WitnessingConfig};
use crate::limits::{WITNESS_LOOK_BACK_MAX, WITNESS_RETRY};
use crate::log::{Log, LogError, Signed};
use crate::metrics::Metrics;
pub use ask::Trouble;

/// The witnesses of a log and what is known of them.
#[derive(Clone)]
pub struct Witnesses(Arc<Inner>);

struct Inner {
    log: Log,
    clock: Arc<dyn Clock>,
    http: reqwest::Client,
    witnesses: Vec<Witness>,
    rule: WitnessingConfig,
    known: Mutex<Known>,
    metrics: Metrics,
    task: Mutex<Option<JoinHandle<()>>>,
}

/// A witness that may be asked.
#[derive(Debug, Clone)]
struct Witness {
    url: String,
    key: VerifierKey,
}

#[derive(Debug, Default)]
struct Known {
    /// The newest checkpoint that enough witnesses cosigned.
    covered: Option<Covered>,
    /// The last entry that keeps an anchor: its number and when it was recorded.
    anchor: Option<(u64, i64)>,
    standings: Vec<Standing>,
    /// Shown by a witness with the log's own signature; never taken back while the process runs.
    contradiction: Option<String>,
}

impl Known {
    /// An older checkpoint that is cosigned late takes nothing back.
    fn take(&mut self, covered: Covered) {
        if self.covered.as_ref().is_none_or(|known| known.size <= covered.size) {
            self.covered = Some(covered);
        }
    }
}

/// The newest checkpoint that enough witnesses cosigned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Covered {
    /// Its size.
    pub size: u64,
    /// Its root, base64.
    pub root: String,
    /// When the quorum was reached, by the witnesses' clocks, in seconds since 1970.
    pub at_s: u64,
}

/// What is known of one witness.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Standing {
    /// Name and key id.
    pub label: String,
    /// Size of the newest checkpoint it cosigned; 0 if none is known.
    pub size: u64,
    /// When, by its clock, in seconds since 1970.
    pub at_s: Option<u64>,
    /// What was wrong with its last answer.
    pub trouble: Option<Trouble>,
}

/// How much of the log nobody outside stands for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Window {
    /// Entries that no witnessed checkpoint covers.
    pub entries: u64,
    /// When the first of them was recorded, ms since 1970.
    pub since_ms: Option<i64>,
    /// How long ago that is, in seconds.
    pub age_s: u64,
}

impl std::fmt::Debug for Witnesses {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Witnesses").field("witnesses", &self.0.witnesses).finish_non_exhaustive()
    }
}

/// The witnesses of a configuration that was checked.
fn configured(config: &Config) -> Vec<Witness> {
    let witness = |w: &crate::config::WitnessConfig| {
        let key = w.key.parse().ok()?;
        Some(Witness { url: w.url.trim_end_matches('/').to_owned(), key })
    };
    config.witnesses.iter().filter_map(witness).collect()
}

/// `policy.txt` and `keys.txt` of a log, from its configuration, without the service.
pub fn papers(config: &Config, log: &VerifierKey, clients: Vec<VerifierKey>) -> (Policy, Keys) {
    let witnesses = configured(config);
    (policy(log, &witnesses, config.witnessing.quorum), keys(log, &witnesses, clients))
}

fn policy(log: &VerifierKey, witnesses: &[Witness], quorum: usize) -> Policy {
    let log = PolicyLog { key: log.clone(), url: None };
    let witness = |(at, witness): (usize, &Witness)| PolicyWitness {
        name: format!("w{}", at + 1),
        key: witness.key.clone(),
        url: Some(witness.url.clone()),
    };
    let witnesses: Vec<PolicyWitness> = witnesses.iter().enumerate().map(witness).collect();
    let mut policy = Policy { logs: vec![log], witnesses, ..Policy::default() };
    if !policy.witnesses.is_empty() {
        let members = (0..policy.witnesses.len()).map(Member::Witness).collect();
        policy.groups.push(PolicyGroup { name: "enough".to_owned(), threshold: quorum, members });
        policy.quorum = Some(Member::Group(0));
    }
    policy
}

fn keys(log: &VerifierKey, witnesses: &[Witness], clients: Vec<VerifierKey>) -> Keys {
    let witnesses = witnesses.iter().map(|witness| witness.key.clone()).collect();
    Keys { witnesses, clients, ..Keys::of_log(log.clone()) }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Witnesses {
    /// The witnesses of a configuration that was checked. Nobody is asked yet.
    ///
    /// # Errors
    /// [`LogError::Failed`] if the log cannot be read or the client cannot be built.
    pub fn of(
        config: &Config,
        log: Log,
        clock: Arc<dyn Clock>,
        metrics: &Metrics,
    ) -> Result<Self, LogError> {
        let http = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .timeout(Duration::from_millis(u64::from(config.witnessing.answer_ms_max)))
            .build()
            .map_err(|error| LogError::Failed(error.to_string()))?;
        let witnesses = configured(config);
        let standing = |w: &Witness| Standing { label: w.key.label(), ..Standing::default() };
        let standings = witnesses.iter().map(standing).collect();
        let rule = config.witnessing.clone();
        let known = Mutex::new(Known { standings, ..Known::default() });
        let (metrics, task) = (metrics.clone(), Mutex::new(None));
        let inner = Inner { log, clock, http, witnesses, rule, known, metrics, task };
        let witnesses = Self(Arc::new(inner));
        witnesses.look_back()?;
        Ok(witnesses)
    }

    /// Whether there are any.
    pub fn are_configured(&self) -> bool {
        !self.0.witnesses.is_empty()
    }

    /// Whether one of them showed, with the log's own signature, what this log does not hold.
    pub fn are_contradicting(&self) -> bool {
        locked(&self.0.known).contradiction.is_some()
    }

    /// How many must have cosigned.
    pub fn quorum(&self) -> usize {
        if self.are_configured() { self.0.rule.quorum } else { 0 }
    }

    /// Whether the log works on without them.
    pub fn fail_open(&self) -> bool {
        self.0.rule.fail_open
    }

    /// The newest checkpoint that enough of them cosigned.
    pub fn covered(&self) -> Option<Covered> {
        locked(&self.0.known).covered.clone()
    }

    /// The last entry that keeps an anchor.
    pub fn anchor_entry(&self) -> Option<u64> {
        locked(&self.0.known).anchor.map(|(seq, _)| seq)
    }

    /// What is known of each.
    pub fn standings(&self) -> Vec<Standing> {
        locked(&self.0.known).standings.clone()
    }

    /// Entries that no witnessed checkpoint covers, and since when.
    ///
    /// # Errors
    /// [`LogError::Failed`] if the log cannot be read.
    pub fn window(&self) -> Result<Window, LogError> {
        let covered = self.covered().map_or(0, |covered| covered.size);
        let entries = self.0.log.size().saturating_sub(covered);
        let since_ms = self.0.log.recorded_at_ms(covered)?.filter(|_| entries > 0);
        let age_ms = since_ms.map_or(0, |since| self.0.clock.now_ms().saturating_sub(since));
        Ok(Window { entries, since_ms, age_s: age_ms.max(0).unsigned_abs() / 1000 })
    }

    /// `policy.txt` of this log: which witnesses must have cosigned.
    pub fn policy(&self) -> Policy {
        policy(self.0.log.key(), &self.0.witnesses, self.0.rule.quorum)
    }

    /// `keys.txt` of this log: its key, its witnesses, its clients.
    pub fn keys(&self) -> Keys {
        keys(self.0.log.key(), &self.0.witnesses, self.0.log.client_keys())
    }

    /// Asks every witness once about the newest checkpoint, then goes on in the background until
    /// `stopping` says so. Clients record nothing before the first answers, or the lack of them, are
    /// there: a log that was put back must not grow.
    pub async fn start(&self, mut stopping: watch::Receiver<bool>) {
        if !self.are_configured() {
            return;
        }
        self.0.log.bar_clients(Some("its witnesses are asked first".to_owned()));
        // Also about a checkpoint that they cosigned: in an old copy it is not their newest.
        self.ask_about_newest(true).await;
        let this = self.clone();
        let task = tokio::spawn(async move {
            let mut news = this.0.log.checkpoints();
            while !*stopping.borrow() {
                tokio::select! {
                    changed = news.changed() => if changed.is_err() { break },
                    () = tokio::time::sleep(WITNESS_RETRY) => {}
                    changed = stopping.changed() => { if changed.is_err() { break } continue }
                }
                // What is asked now is newer than every note seen so far.
                news.mark_unchanged();
                this.round().await;
            }
        });
        *locked(&self.0.task) = Some(task);
    }

    /// Waits until the background work let go of the log, after it was told to stop.
    pub async fn join(&self) {
        let task = locked(&self.0.task).take();
        if let Some(task) = task {
            // It ends by itself; if it panicked there is nothing left to wait for.
            let _ = task.await;
        }
    }

    /// A published checkpoint with the cosignatures that its witnesses give within their time limit.
    /// For what is handed out: a report, an excerpt. Those who are away are asked again later.
    pub async fn cosigned(&self, signed: Arc<Signed>) -> Arc<Signed> {
        let kept = self.0.log.signed(signed.size).ok().flatten().map(Arc::new);
        let signed = kept.unwrap_or(signed);
        if !self.are_configured() || self.is_cosigned_by_all(&signed) {
            return signed;
        }
        let lines = self.ask_all(&signed).await;
        if lines.is_empty() {
            return signed;
        }
        self.keep(&signed, lines).await.map_or(signed, Arc::new)
    }

    /// Asks about the newest published checkpoint unless everybody cosigned it.
    async fn round(&self) {
        self.ask_about_newest(false).await;
    }

    /// Asks about the newest published checkpoint, keeps what comes back, and decides whether
    /// clients may record.
    async fn ask_about_newest(&self, anyway: bool) {
        if let Some(signed) = self.0.log.published()
            && (anyway || !self.is_cosigned_by_all(&signed))
        {
            let lines = self.ask_all(&signed).await;
            if !lines.is_empty() {
                self.keep(&signed, lines).await;
            }
        }
        let why = self.bars();
        if let Some(why) = &why {
            tracing::error!(why, "clients cannot record");
        }
        self.0.log.bar_clients(why);
    }

    fn bars(&self) -> Option<String> {
        if let Some(contradiction) = &locked(&self.0.known).contradiction {
            return Some(contradiction.clone());
        }
        if self.0.rule.fail_open {
            return None;
        }
        let window = self.window().ok()?;
        let limit_s = u64::from(self.0.rule.unwitnessed_s_max);
        (window.entries > 0 && window.age_s > limit_s).then(|| {
            format!(
                "no witness covers the last {} s, and at most {limit_s} are allowed",
                window.age_s
            )
        })
    }

    /// Reads a note with the log's key and those of the witnesses.
    fn open(&self, note: &[u8]) -> Option<SignedCheckpoint> {
        let keys = self.0.witnesses.iter().map(|witness| &witness.key);
        let keys: Vec<VerifierKey> =
            std::iter::once(self.0.log.key()).chain(keys).cloned().collect();
        Checkpoint::open(note, &keys).ok()
    }

    fn is_cosigned_by_all(&self, signed: &Signed) -> bool {
        let by = self.open(signed.note.as_bytes()).map_or(0, |opened| opened.cosignatures.len());
        by == self.0.witnesses.len()
    }

    /// When this checkpoint reached the quorum; `None` if it has not.
    fn covered_by(&self, opened: &SignedCheckpoint) -> Option<Covered> {
        let mut times: Vec<u64> = opened.cosignatures.iter().map(|c| c.timestamp_s).collect();
        times.sort_unstable();
        let at_s = *times.get(self.quorum().checked_sub(1)?)?;
        let Checkpoint { size, root, .. } = &opened.checkpoint;
        Some(Covered { size: *size, root: root.to_base64(), at_s })
    }

    /// Finds what was kept before this start.
    fn look_back(&self) -> Result<(), LogError> {
        if !self.are_configured() {
            return Ok(());
        }
        let anchor = self.0.log.ask(|state| state.record.last_anchor());
        let anchor = match anchor {
            Some(seq) => self.0.log.recorded_at_ms(seq)?.map(|at| (seq, at)),
            None => None,
        };
        let mut covered = None;
        let sizes = self.0.log.checkpoint_sizes()?;
        for size in sizes.into_iter().rev().take(WITNESS_LOOK_BACK_MAX) {
            let note = self.0.log.checkpoint(size)?;
            covered = note.and_then(|note| self.covered_by(&self.open(&note)?));
            if covered.is_some() {
                break;
            }
        }
        let mut known = locked(&self.0.known);
        known.anchor = anchor;
        known.covered = covered;
        Ok(())
    }
}
