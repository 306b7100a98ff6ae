//! Webhooks: entries sent to those whom the administrator named, signed, in order, at least once.
//!
//! One task a subscription walks the log from a durable cursor. An entry is sent until the receiver
//! takes it with 2xx; meanwhile later ones wait. After the stated number of attempts it is put on the
//! list of dead letters, where it is seen and can be sent again, and the next one has its turn. 410
//! suspends the subscription until somebody resumes it.
//!
//! Deliberately absent: addresses from input (only the configuration names a target, and the list of
//! what may be called stands beside it), redirects, proxies, other rights than those of a token of
//! role `service` for the site ([`Selection`] decides, as for the feed), and any entry in the log:
//! what became of a delivery is no fact of the shop floor.
//!
//! [`Selection`]: crate::selection::Selection

mod allow;
mod deliver;
pub mod signature;
mod store;
mod subscription;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chain::entry::EntryView;
use ledger::seams::{Clock, Random};
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;

use crate::cli::Seams;
use crate::config::{Config, ConfigError, WebhooksConfig};
use crate::limits::{
    WEBHOOK_DEAD_LETTERS_MAX, WEBHOOK_KEPT_EACH, WEBHOOK_LOOK, WEBHOOK_LOOK_RETRY,
    WEBHOOK_SKIPPED_KEPT_EACH,
};
use crate::log::{Log, LogError};
use crate::metrics::Metrics;
use crate::secret;
use crate::selection::Chosen;
use allow::{Allow, Resolver};
pub use deliver::{Delivery, Trouble};
use signature::{Jwk, Signer};
pub use store::DeadLetter;
use store::{Kept, Store};
pub use subscription::Subscription;

/// Webhooks that cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum WebhookError {
    /// The configuration.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The key that signs.
    #[error("the key of the webhooks cannot be used")]
    Key(#[source] secret::SecretError),
    /// The authorities of the receivers.
    #[error("`webhooks.authorities_file`, `{name}`, holds no usable certificates")]
    Authorities {
        /// The file.
        name: String,
        /// The cause.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The directory of the cursors.
    #[error("the directory of the webhooks cannot be used")]
    Store(#[source] std::io::Error),
    /// The HTTP client.
    #[error("the client of the webhooks cannot be built")]
    Client(#[source] reqwest::Error),
}

/// Checks what is configured.
///
/// # Errors
/// [`ConfigError::Value`].
pub fn check(config: &WebhooksConfig) -> Result<(), ConfigError> {
    subscription::read(config).map(|_| ())
}

/// The subscriptions of a log and how far each is.
#[derive(Clone)]
pub struct Webhooks(Arc<Inner>);

struct Inner {
    log: Log,
    clock: Arc<dyn Clock>,
    random: fn() -> Box<dyn Random>,
    http: reqwest::Client,
    /// `None` if nothing is configured, and then nothing is sent.
    signer: Option<Signer>,
    config: WebhooksConfig,
    subscriptions: Vec<Place>,
    store: Option<Store>,
    metrics: Metrics,
    tasks: Mutex<Vec<JoinHandle<()>>>,
}

/// A subscription and how far it is.
struct Place {
    subscription: Subscription,
    known: Mutex<Known>,
    /// Somebody resumed it or wants what waits to be tried now.
    resumed: Notify,
    /// Held while the file is written, so that no older state follows a newer one.
    writing: tokio::sync::Mutex<()>,
}

#[derive(Debug, Clone)]
struct Known {
    kept: Kept,
    /// What of `kept` is on disk.
    kept_next: u64,
    delivered_since: u64,
    waiting: Option<Waiting>,
}

/// An entry that was tried and waits for its next attempt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Its number.
    pub seq: u64,
    /// How often it was tried since the start of the process.
    pub attempts: u32,
    /// What was wrong the last time.
    pub trouble: Trouble,
    /// When it is tried next, ms since 1970.
    pub next_at_ms: i64,
}

/// How far a subscription is.
#[derive(Debug, Clone)]
pub struct Standing {
    /// What is configured.
    pub subscription: Subscription,
    /// First entry not dealt with.
    pub next: u64,
    /// Entries not dealt with; those it does not want count too until they were looked at.
    pub behind: u64,
    /// Why nothing is delivered.
    pub suspended: Option<String>,
    /// What waits for its next attempt.
    pub waiting: Option<Waiting>,
    /// What was given up, by entry.
    pub dead_letters: BTreeMap<u64, DeadLetter>,
}

/// What ended the attempts to deliver an entry.
enum End {
    /// It was taken or given up: the next one has its turn.
    Done,
    Suspended,
    Stopped,
}

impl std::fmt::Debug for Webhooks {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let names = self.0.subscriptions.iter().map(|place| place.subscription.name.as_str());
        f.debug_list().entries(names).finish()
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Waits until the service stops.
async fn stopped(stopping: &mut watch::Receiver<bool>) {
    // An error would mean that the service is gone, which is the same to whoever waits.
    let _ = stopping.wait_for(|stopping| *stopping).await;
}

/// File of the key that signs.
fn key_file(config: &Config) -> std::path::PathBuf {
    config.keys_dir().join("webhook.key")
}

fn signer(config: &Config, seams: &Seams) -> Result<Signer, secret::SecretError> {
    let path = key_file(config);
    let key = match secret::is_there(&path)? {
        true => secret::read(&path)?,
        false => secret::create(&path, &mut *(seams.random)())?,
    };
    Ok(Signer::new(key))
}

fn client(config: &WebhooksConfig, allow: Allow) -> Result<reqwest::Client, WebhookError> {
    let mut client = reqwest::Client::builder()
        .redirect(reqwest::redirect::Policy::none())
        .no_proxy()
        .referer(false)
        .user_agent("pulverlog")
        .dns_resolver(Resolver(Arc::new(allow)))
        .timeout(Duration::from_millis(u64::from(config.answer_ms_max)));
    if let Some(file) = &config.authorities_file {
        let name = file.display().to_string();
        let unusable = |source| WebhookError::Authorities { name: name.clone(), source };
        let pem = std::fs::read(file).map_err(|error| unusable(error.into()))?;
        let all = reqwest::Certificate::from_pem_bundle(&pem).map_err(|e| unusable(e.into()))?;
        if all.is_empty() {
            return Err(unusable("it holds none".into()));
        }
        // Their word and no other: an authority of the house should not be beside all of the world.
        client = client.tls_certs_only(all);
    }
    client.build().map_err(WebhookError::Client)
}

impl Webhooks {
    /// The subscriptions of a configuration. Nothing is sent yet.
    ///
    /// # Errors
    /// [`WebhookError`].
    pub fn of(
        config: &Config,
        log: Log,
        seams: &Seams,
        metrics: &Metrics,
    ) -> Result<Self, WebhookError> {
        let (allow, subscriptions) = subscription::read(&config.webhooks)?;
        let are_configured = !subscriptions.is_empty();
        let signer = are_configured.then(|| signer(config, seams)).transpose();
        let store = are_configured.then(|| Store::open(&config.log.data_dir)).transpose();
        let store = store.map_err(WebhookError::Store)?;
        let places = subscriptions.into_iter().map(|subscription| {
            let known = Mutex::new(begin(&subscription, store.as_ref(), &log));
            let (resumed, writing) = (Notify::new(), tokio::sync::Mutex::new(()));
            Place { subscription, known, resumed, writing }
        });
        let inner = Inner {
            clock: Arc::clone(&seams.clock),
            random: seams.random,
            http: client(&config.webhooks, allow)?,
            signer: signer.map_err(WebhookError::Key)?,
            config: config.webhooks.clone(),
            subscriptions: places.collect(),
            store,
            log,
            metrics: metrics.clone(),
            tasks: Mutex::new(Vec::new()),
        };
        Ok(Self(Arc::new(inner)))
    }

    /// Begins to deliver in the background, until `stopping` says so.
    pub fn start(&self, stopping: &watch::Receiver<bool>) {
        let task = |at| {
            let (inner, stopping) = (Arc::clone(&self.0), stopping.clone());
            tokio::spawn(async move { inner.run(&inner.subscriptions[at], stopping).await })
        };
        locked(&self.0.tasks).extend((0..self.0.subscriptions.len()).map(task));
    }

    /// Waits until the background work let go of the log, after it was told to stop.
    pub async fn join(&self) {
        let tasks = std::mem::take(&mut *locked(&self.0.tasks));
        for task in tasks {
            // It ends by itself; if it panicked there is nothing left to wait for.
            let _ = task.await;
        }
    }

    /// The public key that signs; `None` if nothing is configured.
    pub fn key(&self) -> Option<Jwk> {
        self.0.signer.as_ref().map(Signer::jwk)
    }

    /// How far each subscription is, in the order of the configuration.
    pub fn standings(&self) -> Vec<Standing> {
        self.0.subscriptions.iter().map(|place| self.0.standing(place)).collect()
    }

    /// How far one is.
    pub fn standing(&self, name: &str) -> Option<Standing> {
        self.0.place(name).map(|place| self.0.standing(place))
    }

    /// Lifts a suspension, and tries at once what waits. `false` if there is no such subscription.
    pub async fn resume(&self, name: &str) -> bool {
        let Some(place) = self.0.place(name) else { return false };
        {
            let mut known = locked(&place.known);
            if known.kept.suspended.take().is_some() {
                tracing::info!(subscription = name, "a suspended subscription is resumed");
            }
        }
        self.0.keep(place).await;
        place.resumed.notify_one();
        true
    }

    /// Sends a dead letter once more, now, whatever else is under way; taken, it leaves the list.
    /// `None` if there is no such letter, or the subscription must not be sent that entry any more.
    ///
    /// # Errors
    /// [`LogError::Failed`] if the entry cannot be read.
    pub async fn retry(
        &self,
        name: &str,
        seq: u64,
    ) -> Result<Option<Result<(), DeadLetter>>, LogError> {
        let Some(place) = self.0.place(name) else { return Ok(None) };
        let Some(letter) = locked(&place.known).kept.dead_letters.get(&seq).cloned() else {
            return Ok(None);
        };
        let Some(line) = self.0.log.entry(seq)? else { return Ok(None) };
        let event = EntryView::parse(&line).map(|entry| entry.event);
        let event = event.map_err(|error| LogError::Failed(format!("entry {seq}: {error}")))?;
        if !place.subscription.selection.wants(event) {
            return Ok(None);
        }
        let body = deliver::body(self.0.log.origin(), &Chosen { seq, line })
            .map_err(|error| LogError::Failed(format!("entry {seq}: {error}")))?;
        let taken = self.0.send(&place.subscription, body).await.map_err(|trouble| DeadLetter {
            attempts: letter.attempts.saturating_add(1),
            at_ms: self.0.clock.now_ms(),
            trouble: trouble.to_string(),
        });
        {
            let mut known = locked(&place.known);
            match &taken {
                Ok(()) => known.kept.dead_letters.remove(&seq),
                Err(letter) => known.kept.dead_letters.insert(seq, letter.clone()),
            };
        }
        self.0.keep(place).await;
        Ok(Some(taken))
    }

    /// Puts the gauges to what they are now.
    pub fn measure(&self) {
        for standing in self.standings() {
            let set = |gauge: &prometheus::IntGaugeVec, value: u64| {
                let gauge = gauge.with_label_values(&[standing.subscription.name.as_str()]);
                gauge.set(i64::try_from(value).unwrap_or(i64::MAX));
            };
            set(&self.0.metrics.webhook_behind, standing.behind);
            set(&self.0.metrics.webhook_dead_letters, standing.dead_letters.len() as u64);
            set(&self.0.metrics.webhook_suspended, u64::from(standing.suspended.is_some()));
        }
    }
}

/// Where a subscription goes on.
fn begin(subscription: &Subscription, store: Option<&Store>, log: &Log) -> Known {
    let name = subscription.name.as_str();
    let anew = || {
        let next = if subscription.from_beginning { 0 } else { log.size() };
        Kept::beginning(log.origin(), next)
    };
    let found = store.map_or(Ok(None), |store| store.get(name, log.origin(), log.size()));
    // A file that cannot be gone on from is left as it is until somebody resumes: to go on in the
    // wrong place would lose entries without a word.
    let kept = match found {
        Ok(kept) => kept.unwrap_or_else(anew),
        Err(why) => {
            tracing::error!(subscription = name, why, "a subscription is suspended");
            let mut kept = anew();
            kept.suspended = Some(why);
            kept
        }
    };
    let known = Known { kept_next: kept.next, kept, delivered_since: 0, waiting: None };
    if known.kept.suspended.is_none()
        && let Some(Err(error)) = store.map(|store| store.keep(name, &known.kept))
    {
        tracing::error!(subscription = name, %error, "how far it is could not be kept");
    }
    known
}

impl Inner {
    fn place(&self, name: &str) -> Option<&Place> {
        self.subscriptions.iter().find(|place| place.subscription.name.as_str() == name)
    }

    fn standing(&self, place: &Place) -> Standing {
        let Known { kept, waiting, .. } = locked(&place.known).clone();
        Standing {
            subscription: place.subscription.clone(),
            next: kept.next,
            behind: self.log.size().saturating_sub(kept.next),
            suspended: kept.suspended,
            waiting,
            dead_letters: kept.dead_letters,
        }
    }

    /// Walks the log until it is told to stop.
    async fn run(&self, place: &Place, mut stopping: watch::Receiver<bool>) {
        let mut news = self.log.news();
        while !*stopping.borrow() {
            let size = *news.borrow_and_update();
            let (next, suspended) = {
                let known = locked(&place.known);
                (known.kept.next, known.kept.suspended.is_some())
            };
            if suspended || next >= size {
                self.keep_if(place, |known| known.delivered_since > 0).await;
                tokio::select! {
                    changed = news.changed() => if changed.is_err() { break },
                    () = place.resumed.notified() => {}
                    changed = stopping.changed() => if changed.is_err() { break },
                }
                continue;
            }
            let (log, wanted) = (self.log.clone(), place.subscription.selection.clone());
            let look = move || wanted.find(&log, next, size, WEBHOOK_LOOK);
            let found = match tokio::task::spawn_blocking(look).await {
                Ok(Ok(found)) => found,
                failed => {
                    let name = place.subscription.name.as_str();
                    tracing::error!(subscription = name, ?failed, "the log could not be read");
                    tokio::select! {
                        () = tokio::time::sleep(WEBHOOK_LOOK_RETRY) => {}
                        changed = stopping.changed() => if changed.is_err() { break },
                    }
                    continue;
                }
            };
            let mut end = End::Done;
            for chosen in &found.items {
                end = self.deliver(place, chosen, &mut stopping).await;
                if !matches!(end, End::Done) {
                    break;
                }
                self.go_on(place, chosen.seq + 1, true).await;
            }
            if matches!(end, End::Done) {
                self.go_on(place, found.end, false).await;
            }
        }
        self.keep_if(place, |known| known.kept.next != known.kept_next).await;
    }

    /// Sends an entry until it is taken or given up.
    async fn deliver(
        &self,
        place: &Place,
        chosen: &Chosen,
        stopping: &mut watch::Receiver<bool>,
    ) -> End {
        let name = place.subscription.name.as_str();
        let body = match deliver::body(self.log.origin(), chosen) {
            Ok(body) => body,
            Err(error) => {
                return self.suspend(place, &format!("an entry is damaged: {error}")).await;
            }
        };
        let mut attempts = 0;
        loop {
            let sent = tokio::select! {
                sent = self.send(&place.subscription, body.clone()) => sent,
                // Whether it was taken is not known: it is sent again after the next start.
                () = stopped(stopping) => return End::Stopped,
            };
            attempts += 1;
            let trouble = match sent {
                Ok(()) => {
                    locked(&place.known).waiting = None;
                    return End::Done;
                }
                Err(Trouble::Gone) => return self.suspend(place, &Trouble::Gone.to_string()).await,
                Err(trouble) => trouble,
            };
            if attempts >= self.config.attempts_max {
                tracing::warn!(subscription = name, seq = chosen.seq, attempts, %trouble, "given up");
                return self.give_up(place, chosen.seq, attempts, &trouble).await;
            }
            let wait = self.wait(attempts, &trouble);
            if attempts == 1 {
                tracing::warn!(subscription = name, seq = chosen.seq, %trouble, "tried again later");
            }
            let wait_ms = i64::try_from(wait.as_millis()).unwrap_or(i64::MAX);
            let next_at_ms = self.clock.now_ms().saturating_add(wait_ms);
            locked(&place.known).waiting =
                Some(Waiting { seq: chosen.seq, attempts, trouble, next_at_ms });
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                () = place.resumed.notified() => {}
                () = stopped(stopping) => return End::Stopped,
            }
        }
    }

    fn wait(&self, attempts: u32, trouble: &Trouble) -> Duration {
        let first = Duration::from_millis(u64::from(self.config.first_wait_ms));
        let longest = Duration::from_secs(u64::from(self.config.longest_wait_s));
        let mut random = [0; 2];
        (self.random)().fill(&mut random);
        let random = u16::from_le_bytes(random);
        deliver::wait(attempts, (first, longest), random, trouble.retry_after())
    }

    async fn suspend(&self, place: &Place, why: &str) -> End {
        tracing::error!(
            subscription = place.subscription.name.as_str(),
            why,
            "a subscription is suspended"
        );
        {
            let mut known = locked(&place.known);
            known.waiting = None;
            known.kept.suspended = Some(why.to_owned());
        }
        self.keep(place).await;
        End::Suspended
    }

    async fn give_up(&self, place: &Place, seq: u64, attempts: u32, trouble: &Trouble) -> End {
        let is_full = {
            let mut known = locked(&place.known);
            known.waiting = None;
            let is_full = known.kept.dead_letters.len() >= WEBHOOK_DEAD_LETTERS_MAX;
            if !is_full {
                let (at_ms, trouble) = (self.clock.now_ms(), trouble.to_string());
                known.kept.dead_letters.insert(seq, DeadLetter { attempts, at_ms, trouble });
                // Together with the letter, so that a power cut leaves neither gap nor double.
                known.kept.next = seq + 1;
            }
            is_full
        };
        if is_full {
            let why = format!("the list of dead letters is full ({WEBHOOK_DEAD_LETTERS_MAX})");
            return self.suspend(place, &why).await;
        }
        self.keep(place).await;
        End::Done
    }

    /// Notes that everything before `next` is dealt with, and keeps it now and then: what is sent
    /// twice after a crash the receiver drops.
    async fn go_on(&self, place: &Place, next: u64, delivered: bool) {
        {
            let mut known = locked(&place.known);
            known.kept.next = known.kept.next.max(next);
            known.delivered_since += u64::from(delivered);
        }
        self.keep_if(place, |known| {
            known.delivered_since >= WEBHOOK_KEPT_EACH
                || known.kept.next - known.kept_next >= WEBHOOK_SKIPPED_KEPT_EACH
        })
        .await;
    }

    async fn keep_if(&self, place: &Place, due: impl FnOnce(&Known) -> bool) {
        let due = due(&locked(&place.known));
        if due {
            self.keep(place).await;
        }
    }

    /// Writes what is known to disk. If that fails it is tried again with the next change; a restart
    /// before then sends some entries twice.
    async fn keep(&self, place: &Place) {
        let Some(store) = self.store.clone() else { return };
        let name = place.subscription.name.clone();
        let _alone = place.writing.lock().await;
        let kept = locked(&place.known).kept.clone();
        let next = kept.next;
        let written = tokio::task::spawn_blocking(move || store.keep(name.as_str(), &kept)).await;
        match written {
            Ok(Ok(())) => {
                let mut known = locked(&place.known);
                known.kept_next = known.kept_next.max(next);
                known.delivered_since = 0;
            }
            failed => {
                let name = place.subscription.name.as_str();
                tracing::error!(subscription = name, ?failed, "how far it is could not be kept");
            }
        }
    }
}
