//! The service as a whole: what handlers share, and how it is put together.

use std::collections::BTreeMap;
use std::future::{Ready, ready};
use std::net::{SocketAddr, TcpListener};
use std::ops::Deref;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use actix_web::dev::{Payload, Server};
use actix_web::middleware::from_fn;
use actix_web::{
    App, FromRequest, HttpMessage as _, HttpRequest, HttpServer, ResponseError as _, web,
};
use jiff::Timestamp;
use ledger::people::PeopleStore;
use ledger::seams::{Clock, Random};
use shopfloor::State;
use shopfloor::ids::PersonId;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use utoipa_actix_web::AppExt as _;

use crate::authn::{Authenticator, Identity};
use crate::cli::Seams;
use crate::config::Config;
use crate::copies::Copies;
use crate::following::Following;
use crate::http::gate;
use crate::http::rates::Rates;
use crate::limits::{
    EXPORTS_MAX, FEED_WAITERS_MAX, HEAD_TIME_MAX, KEEP_ALIVE, RETRY_WAITING_S, STOP_TIME_MAX,
};
use crate::log::{Log, Signed};
use crate::metrics::Metrics;
use crate::problem::{Kind, Problem};
use crate::refusals::Refusals;
use crate::reports::{ReportStore, Still};
use crate::storage::Storage;
use crate::webhooks::Webhooks;
use crate::witnesses::Witnesses;

/// What every handler shares.
pub struct Recorder {
    /// Configuration.
    pub config: Config,
    /// The log.
    pub log: Log,
    /// Verifies tokens.
    pub authn: Authenticator,
    /// How fast clients may ask.
    pub rates: Rates,
    /// What is counted.
    pub metrics: Metrics,
    /// Tells the time.
    pub clock: Arc<dyn Clock>,
    /// Names and free text, erasable.
    pub people: PeopleStore,
    /// Makes sources of random bytes.
    pub random: fn() -> Box<dyn Random>,
    /// Reports as they were issued.
    pub reports: ReportStore,
    /// Who else remembers the log.
    pub witnesses: Witnesses,
    /// Who is sent entries.
    pub webhooks: Webhooks,
    /// The disk of the log.
    pub storage: Storage,
    /// When the certificate of the service ends, in seconds since 1970, if it offers TLS itself.
    pub certificate_end_s: Option<i64>,
    /// Other logs that are followed.
    pub following: Following,
    /// Where the log is kept too.
    pub copies: Copies,
    refusals: Refusals,
    requests: AtomicU64,
    started_ms: i64,
    waiters: Arc<Semaphore>,
    exports: Arc<Semaphore>,
    stopping: watch::Sender<bool>,
}

impl std::fmt::Debug for Recorder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recorder").field("log", &self.log).finish_non_exhaustive()
    }
}

impl Recorder {
    /// Puts the parts together.
    ///
    /// # Errors
    /// [`prometheus::Error`], which a test would show; [`LogError`](crate::log::LogError).
    pub fn new(
        config: Config,
        log: Log,
        authn: Authenticator,
        people: PeopleStore,
        reports: ReportStore,
        seams: &Seams,
    ) -> anyhow::Result<Self> {
        let metrics = Metrics::new()?;
        let (clock, random) = (Arc::clone(&seams.clock), seams.random);
        let witnesses = Witnesses::of(&config, log.clone(), Arc::clone(&clock), &metrics)?;
        let webhooks = Webhooks::of(&config, log.clone(), seams, &metrics)?;
        log.watch(Arc::new(metrics.clone()));
        let tls = config.listen.tls.as_ref();
        let certificate_end_s =
            tls.map(|tls| crate::tls::end_s(&tls.certificate_file)).transpose()?;
        let following = Following::of(&config, log.clone(), Arc::clone(&clock), &metrics)?;
        let copies = Copies::start(&config, &log, &clock, &metrics)?;
        Ok(Self {
            storage: Storage::of(&config),
            certificate_end_s,
            waiters: Arc::new(Semaphore::new(FEED_WAITERS_MAX)),
            stopping: watch::channel(false).0,
            exports: Arc::new(Semaphore::new(EXPORTS_MAX)),
            people,
            random,
            reports,
            rates: Rates::new(&config.limits),
            metrics,
            witnesses,
            webhooks,
            following,
            copies,
            refusals: Refusals::new(),
            requests: AtomicU64::new(0),
            started_ms: clock.now_ms(),
            config,
            log,
            authn,
            clock,
        })
    }

    /// A name for one answered problem: the start of the process and a number.
    pub fn next_instance(&self) -> String {
        let number = self.requests.fetch_add(1, Ordering::Relaxed);
        format!("urn:pulverlog:request:{:x}-{number}", self.started_ms)
    }

    /// When the process was started, ms since 1970.
    pub fn started_ms(&self) -> i64 {
        self.started_ms
    }

    /// When the keys that sign were made, ms since 1970, by what they are for. The log's key is as old
    /// as the log; of the others their files tell.
    pub fn key_ages(&self) -> Vec<(&'static str, i64)> {
        let mut ages = Vec::new();
        ages.extend(self.log.recorded_at_ms(0).ok().flatten().map(|made_ms| ("log", made_ms)));
        for (key, file) in [("webhook", "webhook.key"), ("local_issuer", "issuer.key")] {
            let written = std::fs::metadata(self.config.keys_dir().join(file))
                .and_then(|metadata| metadata.modified())
                .ok()
                .and_then(|at| at.duration_since(std::time::UNIX_EPOCH).ok());
            ages.extend(written.map(|since| (key, crate::metrics::gauge(since.as_millis()))));
        }
        ages
    }

    /// The time.
    pub fn now(&self) -> Timestamp {
        Timestamp::from_millisecond(self.clock.now_ms()).unwrap_or_default()
    }

    /// Does work that takes longer than half a millisecond off the threads that serve requests.
    ///
    /// # Errors
    /// The work's own; [`Kind::Internal`] if it panicked.
    pub async fn blocking<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        // Lines of the log that come from there carry the request's id too.
        let span = tracing::Span::current();
        web::block(move || span.in_scope(work)).await.unwrap_or_else(|_| {
            self.metrics.panics.inc();
            tracing::error!("work off the request threads panicked");
            Err(Problem::new(Kind::Internal, "the service failed"))
        })
    }

    /// Asks the state something, off the threads that serve requests.
    ///
    /// # Errors
    /// The question's own; [`Kind::Internal`] if it panicked.
    pub async fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&State) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let log = self.log.clone();
        self.blocking(move || log.ask(question)).await
    }

    /// A place among those who wait for news.
    ///
    /// # Errors
    /// [`Kind::TooManyWaiting`].
    pub fn waiter(&self) -> Result<OwnedSemaphorePermit, Problem> {
        Arc::clone(&self.waiters).try_acquire_owned().map_err(|_| {
            let kind = Kind::TooManyWaiting;
            Problem::new(kind, kind.row().when).retry_after(RETRY_WAITING_S)
        })
    }

    /// A place among those who take reports or evidence away.
    ///
    /// # Errors
    /// [`Kind::TooManyWaiting`].
    pub fn export(&self) -> Result<OwnedSemaphorePermit, Problem> {
        Arc::clone(&self.exports).try_acquire_owned().map_err(|_| {
            let kind = Kind::TooManyWaiting;
            Problem::new(kind, kind.row().when).retry_after(RETRY_WAITING_S)
        })
    }

    /// How many wait for news.
    pub fn waiting(&self) -> usize {
        FEED_WAITERS_MAX - self.waiters.available_permits()
    }

    /// Asks those who wait for news to let go, because the service stops.
    pub fn stop(&self) {
        self.stopping.send_replace(true);
    }

    /// Asks the witnesses a first time and goes on asking in the background.
    pub async fn ask_witnesses(&self) {
        self.witnesses.start(self.stopping.subscribe()).await;
    }

    /// Begins to send entries to those who are configured.
    pub fn start_webhooks(&self) {
        self.webhooks.start(&self.stopping.subscribe());
    }

    /// Begins to look at the logs that are followed.
    pub fn start_following(&self) {
        self.following.start(&self.stopping.subscribe());
    }

    /// Waits until the service stops.
    pub async fn stopped(&self) {
        let mut stopping = self.stopping.subscribe();
        // An error would mean that the recorder is gone, which is the same to whoever waits.
        let _ = stopping.wait_for(|stopping| *stopping).await;
    }

    /// Refuses whoever has left, however long the token is good.
    ///
    /// # Errors
    /// [`Kind::PersonLeft`].
    pub fn demand_still_here(&self, who: &Identity) -> Result<(), Problem> {
        let Ok(person) = PersonId::new(&who.subject) else { return Ok(()) };
        let now = self.now();
        self.log.ask(|state| state.people.gone(&person, now)).map_or(Ok(()), |last_day| {
            let detail = format!("the last day of `{person}` was {last_day}");
            Err(Problem::new(Kind::PersonLeft, detail))
        })
    }

    /// The names that are known, by pseudonym. For one print, and not kept.
    ///
    /// # Errors
    /// [`Kind::Internal`] if they cannot be read.
    pub fn names(&self) -> Result<BTreeMap<String, String>, Problem> {
        let failed = |error: ledger::LedgerError| Problem::internal(&error);
        let mut names = BTreeMap::new();
        for person in self.people.persons().map_err(failed)? {
            let identity = self.people.person(&person).map_err(failed)?;
            names
                .extend(identity.and_then(|i| crate::api::texts::name_of(&i)).map(|n| (person, n)));
        }
        Ok(names)
    }

    /// The log at one moment, its checkpoint cosigned by whoever of the witnesses answers in time: what
    /// is printed from it is an anchor outside, whoever keeps the sheet.
    ///
    /// # Errors
    /// [`LogError`](crate::log::LogError) as a problem.
    pub async fn still(&self) -> Result<Still, Problem> {
        let Still { signed, state } = self.log.still().await?;
        Ok(Still { signed: self.witnesses.cosigned(signed).await, state })
    }

    /// Works something out from the log at one moment, off the threads that serve requests and as
    /// one of few at a time.
    ///
    /// # Errors
    /// The work's own; those of [`Recorder::export`] and [`Recorder::still`].
    pub async fn from_still<T: Send + 'static, E: Into<Problem>>(
        &self,
        work: impl FnOnce(&Log, &Still) -> Result<T, E> + Send + 'static,
    ) -> Result<T, Problem> {
        let _export = self.export()?;
        let still = self.still().await?;
        let log = self.log.clone();
        self.blocking(move || work(&log, &still).map_err(Into::into)).await
    }

    /// A checkpoint that covers an entry: the newest that enough witnesses cosigned, else the newest
    /// published, else a new one.
    ///
    /// # Errors
    /// [`LogError`](crate::log::LogError) as a problem.
    pub async fn checkpoint_over(&self, seq: u64) -> Result<Arc<Signed>, Problem> {
        let covers = |size: u64| size > seq;
        if let Some(covered) = self.witnesses.covered().filter(|covered| covers(covered.size))
            && let Some(signed) = self.log.signed(covered.size)?
        {
            return Ok(Arc::new(signed));
        }
        match self.log.published().filter(|signed| covers(signed.size)) {
            Some(signed) => Ok(signed),
            None => Ok(self.log.publish().await?),
        }
    }

    /// Counts a problem.
    pub fn count_problem(&self, kind: Kind) {
        self.metrics.problems.with_label_values(&[kind.row().code]).inc();
    }

    /// Has a refused request recorded, unless there were too many; see [`Refusals`].
    pub fn note_refusal(&self, who: &Identity, operation: &'static str) {
        self.refusals.note(self, who, operation);
    }

    /// The access record: notes in the program log that somebody read personal data or records of waste or
    /// exposure, whichever way. `what` is the operation or the page, `path` says about whom or what.
    pub fn note_reading(&self, who: &Identity, what: &'static str, path: &str) {
        // Debug form: control characters of a client stay on their line.
        tracing::info!(
            subject = who.subject,
            via = ?who.via,
            what,
            ?path,
            "personal or waste records were read"
        );
    }
}

/// Who asks. The gate has checked the token and the right to the operation.
#[derive(Debug, Clone)]
pub struct Caller(Arc<Identity>);

impl Caller {
    /// The same, to be kept beyond the request.
    pub fn identity(&self) -> Arc<Identity> {
        Arc::clone(&self.0)
    }

    /// Refuses callers whose token is for certain sites only.
    ///
    /// # Errors
    /// [`Kind::ForbiddenSite`].
    pub fn demand_every_site(&self) -> Result<(), Problem> {
        if self.sites.is_none() {
            return Ok(());
        }
        Err(Problem::new(Kind::ForbiddenSite, "a token for every site is needed"))
    }
}

impl Deref for Caller {
    type Target = Identity;
    fn deref(&self) -> &Identity {
        &self.0
    }
}

impl FromRequest for Caller {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let identity = request.extensions().get::<Arc<Identity>>().cloned();
        let missing = || Problem::new(Kind::Unauthenticated, "a valid bearer token is needed");
        ready(identity.map(Caller).ok_or_else(missing))
    }
}

/// Everything of the application but its shared data: routes, gate, error handlers.
pub fn configure(config: &mut web::ServiceConfig) {
    config
        .app_data(web::QueryConfig::default().error_handler(|error, _| {
            Problem::parameter("query", crate::problem::echo(&error.to_string())).into()
        }))
        .app_data(web::PathConfig::default().error_handler(|error, _| {
            Problem::parameter("path", crate::problem::echo(&error.to_string())).into()
        }));
}

/// Starts to serve on a listener; returns the server and where it listens. The server runs when it
/// is awaited.
///
/// # Errors
/// The listener's.
pub fn start(
    recorder: web::Data<Recorder>,
    listener: TcpListener,
) -> std::io::Result<(Server, SocketAddr)> {
    let address = listener.local_addr()?;
    let listen = recorder.config.listen.clone();
    let mut server = HttpServer::new(move || {
        App::new()
            .into_utoipa_app()
            .app_data(recorder.clone())
            .map(|app| app.configure(configure))
            .configure(crate::api::routes)
            .map(|app| app.configure(crate::pages::configure))
            .map(|app| app.service(crate::openapi::browsable()))
            .map(|app| app.wrap(from_fn(gate::pass)))
            .default_service(web::to(not_found))
            .into_app()
    })
    .client_request_timeout(HEAD_TIME_MAX)
    .keep_alive(KEEP_ALIVE)
    .shutdown_timeout(STOP_TIME_MAX.as_secs())
    .max_connections(listen.connections_per_worker)
    .disable_signals();
    if listen.workers > 0 {
        server = server.workers(listen.workers);
    }
    let server = match &listen.tls {
        None => server.listen(listener)?,
        Some(tls) => {
            let offered = crate::tls::server_config(tls).map_err(std::io::Error::other)?;
            server.listen_rustls_0_23(listener, offered)?
        }
    };
    Ok((server.run(), address))
}

async fn not_found() -> actix_web::HttpResponse {
    Problem::not_found().error_response()
}
