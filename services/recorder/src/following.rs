//! Other logs that this one follows: the view of a head office over the logs of its sites.
//!
//! Each site keeps a log of its own, works without us and signs its own checkpoints. Here one task a
//! followed log asks for its newest checkpoint, fetches the entries up to it from its feed, checks
//! every one of them against the signature of that log, and keeps them in a mirror. In the own log
//! stands, from time to time, the checkpoint that was kept (`log.followed`), and at once, for ever,
//! when a site shows something that contradicts it (`log.disputed`): whoever rewrites a site's log has
//! to rewrite the head office's log too, and that of its witnesses.
//!
//! A mirror that was lost is fetched anew, and then compared with the checkpoint that the own log keeps.
//!
//! Deliberately absent: any way to write to a followed log; entries that are not under a signed
//! checkpoint; words and names of people, which stay in the erasable store of their site.

mod look;

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chain::note::{KeyKind, VerifierKey};
use ledger::LedgerError;
use ledger::disk::{Disk, FileSystemPolicy, OsDisk};
use ledger::engine::files::FilesOptions;
use ledger::mirror::{Mirror, MirrorView};
use ledger::seams::Clock;
use shopfloor::Event;
use shopfloor::ids::Label;
use shopfloor::record::events::{Contradiction, LogDisputed, LogFollowed};
use tokio::sync::watch;
use tokio::task::JoinHandle;

use crate::config::{Config, ConfigError, FollowingConfig};
use crate::limits::{FOLLOWED_MAX, LOOKS_BEFORE_DISPUTE};
use crate::log::Log;
use crate::metrics::Metrics;
pub use look::Trouble;

/// Followed logs that cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum FollowingError {
    /// The configuration.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The mirror of one of them.
    #[error("the mirror of the followed log `{name}` cannot be opened")]
    Mirror {
        /// Its name in the configuration.
        name: Label,
        /// The cause.
        #[source]
        source: Box<LedgerError>,
    },
    /// The authorities of their certificates.
    #[error("`following.authorities_file`, `{name}`, holds no usable certificates")]
    Authorities {
        /// The file.
        name: String,
        /// The cause.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// The HTTP client.
    #[error("the client of the followed logs cannot be built")]
    Client(#[source] reqwest::Error),
}

/// The logs that are followed.
#[derive(Clone)]
pub struct Following(Arc<Inner>);

struct Inner {
    log: Log,
    clock: Arc<dyn Clock>,
    http: reqwest::Client,
    rule: FollowingConfig,
    followed: Vec<Followed>,
    metrics: Metrics,
    tasks: Mutex<Vec<JoinHandle<()>>>,
}

/// One followed log.
pub struct Followed {
    name: Label,
    url: String,
    key: VerifierKey,
    token_file: PathBuf,
    view: MirrorView,
    /// Held for the time of one look; `None` after the end.
    mirror: Arc<Mutex<Option<Mirror>>>,
    standing: Mutex<Standing>,
    /// One look at a time.
    looking: tokio::sync::Mutex<()>,
}

/// What came of looking at a followed log.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Standing {
    /// When it was looked at last, ms since 1970.
    pub looked_at_ms: Option<i64>,
    /// When it last agreed with what is here, ms since 1970.
    pub agreed_at_ms: Option<i64>,
    /// Entries under the checkpoint it showed last.
    pub shown: Option<u64>,
    /// What was wrong the last time.
    pub trouble: Option<Trouble>,
    /// How often in a row it contradicted.
    contradicted: u32,
    /// Entry of the own log with whose checkpoint the mirror was compared.
    remembered: Option<u64>,
}

impl std::fmt::Debug for Following {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_list().entries(self.0.followed.iter().map(|followed| &followed.name)).finish()
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Name and key of each followed log, checked.
///
/// # Errors
/// [`ConfigError::Value`].
pub fn check(config: &Config) -> Result<Vec<(Label, VerifierKey)>, ConfigError> {
    let wrong = |name, what: String| Err(ConfigError::Value { name, what });
    let rule = &config.following;
    let mut read: Vec<(Label, VerifierKey)> = Vec::new();
    for followed in &rule.logs {
        let Ok(name) = Label::new(&followed.name) else {
            return wrong("following.logs.name", "is a label such as `north`".to_owned());
        };
        if read.iter().any(|(other, _)| *other == name) {
            return wrong("following.logs.name", format!("`{name}` stands there twice"));
        }
        let loopback = ["http://127.0.0.1:", "http://[::1]:"];
        if !followed.url.starts_with("https://")
            && !loopback.iter().any(|start| followed.url.starts_with(start))
        {
            let what = "is not `https`: the token would be anybody's who listens".to_owned();
            return wrong("following.logs.url", what);
        }
        if followed.url.contains(['?', '#', '@', ' ']) {
            let what = "is an address without query, fragment or user".to_owned();
            return wrong("following.logs.url", what);
        }
        let key = match followed.key.parse::<VerifierKey>() {
            Ok(key) if key.kind() == KeyKind::Ed25519 => key,
            Ok(_) => return wrong("following.logs.key", "is not the key of a log".to_owned()),
            Err(error) => return wrong("following.logs.key", format!("cannot be used: {error}")),
        };
        if key.name() == config.log.origin {
            return wrong("following.logs.key", "is that of this log itself".to_owned());
        }
        if read.iter().any(|(_, other)| other.name() == key.name()) {
            return wrong("following.logs.key", format!("`{}` stands there twice", key.name()));
        }
        read.push((name, key));
    }
    if read.len() > FOLLOWED_MAX {
        return wrong("following.logs", format!("are more than {FOLLOWED_MAX}"));
    }
    if rule.look_s == 0 {
        return wrong("following.look_s", "is at least 1".to_owned());
    }
    if !(100..=120_000).contains(&rule.answer_ms_max) {
        return wrong("following.answer_ms_max", "is 100 to 120000".to_owned());
    }
    Ok(read)
}

fn client(rule: &FollowingConfig) -> Result<reqwest::Client, FollowingError> {
    let mut client = reqwest::Client::builder()
        .redirect(reqwest::redirect::Policy::none())
        .no_proxy()
        .referer(false)
        .user_agent("pulverlog")
        .timeout(Duration::from_millis(u64::from(rule.answer_ms_max)));
    if let Some(file) = &rule.authorities_file {
        let name = file.display().to_string();
        let unusable = |source| FollowingError::Authorities { name: name.clone(), source };
        let pem = std::fs::read(file).map_err(|error| unusable(error.into()))?;
        let all = reqwest::Certificate::from_pem_bundle(&pem).map_err(|e| unusable(e.into()))?;
        if all.is_empty() {
            return Err(unusable("it holds none".into()));
        }
        client = client.tls_certs_only(all);
    }
    client.build().map_err(FollowingError::Client)
}

impl Following {
    /// The followed logs of a configuration, with what is kept of each. Nobody is asked yet.
    ///
    /// # Errors
    /// [`FollowingError`].
    pub fn of(
        config: &Config,
        log: Log,
        clock: Arc<dyn Clock>,
        metrics: &Metrics,
    ) -> Result<Self, FollowingError> {
        let rule = config.following.clone();
        let mut followed = Vec::new();
        for ((name, key), logged) in check(config)?.into_iter().zip(&rule.logs) {
            let dir = config.log.data_dir.join("followed").join(name.as_str());
            let mut files = FilesOptions::under(&dir);
            files.segment_bytes = config.log.segment_bytes;
            if config.log.allow_tmpfs {
                files.file_systems = FileSystemPolicy::TestsOnly;
            }
            let disk = Arc::new(OsDisk) as Arc<dyn Disk>;
            let mirror = Mirror::open(disk, files, &dir.join("state"), key.clone());
            let mirror = mirror.map_err(|source| FollowingError::Mirror {
                name: name.clone(),
                source: Box::new(source),
            })?;
            followed.push(Followed {
                name,
                url: logged.url.trim_end_matches('/').to_owned(),
                key,
                token_file: logged.token_file.clone(),
                view: mirror.view(),
                mirror: Arc::new(Mutex::new(Some(mirror))),
                standing: Mutex::default(),
                looking: tokio::sync::Mutex::default(),
            });
        }
        let (http, metrics) = (client(&rule)?, metrics.clone());
        let tasks = Mutex::default();
        Ok(Self(Arc::new(Inner { log, clock, http, rule, followed, metrics, tasks })))
    }

    /// Whether any log is followed.
    pub fn is_empty(&self) -> bool {
        self.0.followed.is_empty()
    }

    /// Every followed log, in the order of the configuration.
    pub fn logs(&self) -> &[Followed] {
        &self.0.followed
    }

    /// The followed log with this name.
    pub fn log(&self, name: &str) -> Option<&Followed> {
        self.0.followed.iter().find(|followed| followed.name.as_str() == name)
    }

    /// Looks at each log from time to time, until the service stops.
    pub fn start(&self, stopping: &watch::Receiver<bool>) {
        let pause = Duration::from_secs(u64::from(self.0.rule.look_s));
        let task = |at: usize| {
            let (this, mut stopping) = (self.clone(), stopping.clone());
            actix_web::rt::spawn(async move {
                loop {
                    this.look(at).await;
                    tokio::select! {
                        () = tokio::time::sleep(pause) => {}
                        _ = stopping.wait_for(|stopping| *stopping) => return,
                    }
                }
            })
        };
        *locked(&self.0.tasks) = (0..self.0.followed.len()).map(task).collect();
    }

    /// Waits until nobody looks any more, and ends the mirrors in good order.
    pub async fn join(&self) {
        let tasks = std::mem::take(&mut *locked(&self.0.tasks));
        for task in tasks {
            // A look under way is given up between two answers, never inside the mirror.
            task.abort();
            let _ = task.await;
        }
        for followed in &self.0.followed {
            let _alone = followed.looking.lock().await;
            let mirror = Arc::clone(&followed.mirror);
            let closed = tokio::task::spawn_blocking(move || {
                locked(&mirror).take().map_or(Ok(()), Mirror::close)
            });
            if let Ok(Err(error)) = closed.await {
                let log = followed.name.as_str();
                tracing::error!(log, %error, "a mirror was not closed in good order");
            }
        }
    }

    /// Looks at every log once.
    pub async fn look_at_all(&self) {
        for at in 0..self.0.followed.len() {
            self.look(at).await;
        }
    }

    async fn look(&self, at: usize) {
        let followed = &self.0.followed[at];
        let _alone = followed.looking.lock().await;
        let outcome = self.0.fetch(followed).await;
        let now_ms = self.0.clock.now_ms();
        let label = followed.name.as_str();
        let code = outcome.as_ref().map_or_else(Trouble::code, |_| "agreed");
        self.0.metrics.followed_looks.with_label_values(&[label, code]).inc();
        let mut disputed = None;
        {
            let mut standing = locked(&followed.standing);
            standing.looked_at_ms = Some(now_ms);
            match &outcome {
                Ok(shown) => {
                    standing.shown = Some(shown.size);
                    standing.agreed_at_ms = Some(now_ms);
                    standing.contradicted = 0;
                    standing.trouble = None;
                }
                Err(trouble) => {
                    if standing.trouble.as_ref() != Some(trouble) {
                        tracing::warn!(log = label, %trouble, "a followed log gives trouble");
                    }
                    standing.contradicted = match trouble {
                        Trouble::Contradicts { .. } => standing.contradicted + 1,
                        _ => standing.contradicted,
                    };
                    if let Trouble::Contradicts { contradiction, at, kept, shown } = trouble {
                        standing.shown = Some(shown.size);
                        // An old answer out of a cache looks shortened too; two signed roots over the
                        // same entries have no innocent reading.
                        let sure = *contradiction == Contradiction::OtherHistory
                            || standing.contradicted >= LOOKS_BEFORE_DISPUTE;
                        if let (true, Some(kept)) = (sure, kept) {
                            let (kept, shown) = (kept.note.clone(), shown.note.clone());
                            let (contradiction, at) = (*contradiction, Some(*at));
                            disputed = Some(LogDisputed { contradiction, at, kept, shown });
                        }
                    }
                    standing.trouble = Some(trouble.clone());
                }
            }
        }
        self.0.measure(followed);
        let recorded = match (outcome, disputed) {
            (Ok(_), _) => self.0.keep_in_log(followed, now_ms).await,
            (Err(_), Some(disputed)) => self.0.dispute(followed, disputed).await,
            (Err(_), None) => Ok(()),
        };
        if let Err(error) = recorded {
            tracing::warn!(log = label, %error, "what was seen of a followed log is not recorded");
        }
    }
}

impl Inner {
    fn measure(&self, followed: &Followed) {
        let label = followed.name.as_str();
        let kept = followed.view.kept().map_or(0, |kept| kept.size);
        let shown = locked(&followed.standing).shown.unwrap_or(kept);
        let number = |size: u64| i64::try_from(size).unwrap_or(i64::MAX);
        self.metrics.followed_entries.with_label_values(&[label]).set(number(kept));
        let behind = shown.saturating_sub(kept);
        self.metrics.followed_behind.with_label_values(&[label]).set(number(behind));
        let disputed = followed.disputed_by(&self.log).is_some();
        self.metrics.followed_disputed.with_label_values(&[label]).set(i64::from(disputed));
    }

    /// Keeps the newest checkpoint in the own log, when it says more than the one before, and not too
    /// often.
    async fn keep_in_log(
        &self,
        followed: &Followed,
        now_ms: i64,
    ) -> Result<(), crate::log::LogError> {
        let Some(kept) = followed.view.kept() else { return Ok(()) };
        let gap_ms = i64::from(self.rule.kept_gap_s) * 1000;
        let due = self.log.ask(|state| {
            state.record.followed().get(followed.key.name()).is_none_or(|known| {
                kept.size > known.size && now_ms.saturating_sub(known.kept_at_ms) >= gap_ms
            })
        });
        if due {
            let event = Event::LogFollowed(LogFollowed { note: kept.note });
            self.log.record_own(&event, None).await?;
        }
        Ok(())
    }

    /// Records a contradiction, with both signed notes. The first one of a log is enough.
    async fn dispute(
        &self,
        followed: &Followed,
        disputed: LogDisputed,
    ) -> Result<(), crate::log::LogError> {
        if followed.disputed_by(&self.log).is_some() {
            return Ok(());
        }
        let contradiction = disputed.contradiction;
        let receipt = self.log.record_own(&Event::LogDisputed(disputed), None).await?;
        tracing::error!(
            log = followed.name.as_str(),
            entry = receipt.seq,
            %contradiction,
            "a followed log contradicts what was kept of it"
        );
        Ok(())
    }
}

impl Followed {
    /// Its name in the configuration.
    pub fn name(&self) -> &Label {
        &self.name
    }

    /// Where it is served.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// Its verification key; the name is its origin.
    pub fn key(&self) -> &VerifierKey {
        &self.key
    }

    /// What is kept of it.
    pub fn view(&self) -> &MirrorView {
        &self.view
    }

    /// What came of looking at it since the start of the service.
    pub fn standing(&self) -> Standing {
        locked(&self.standing).clone()
    }

    /// The newest entry of the own log that keeps a checkpoint of it.
    pub fn kept_by(&self, log: &Log) -> Option<u64> {
        log.ask(|state| state.record.followed().get(self.key.name())?.kept_by)
    }

    /// The entry of the own log that tells of the first contradiction.
    pub fn disputed_by(&self, log: &Log) -> Option<u64> {
        log.ask(|state| state.record.followed().get(self.key.name())?.disputed_by)
    }
}
