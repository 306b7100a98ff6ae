//! The way to the database: sessions that are checked before they are used, and made again when they
//! break.
//!
//! The ledger's threads wait for answers; the driver is asynchronous. Questions are answered by a small
//! runtime of its own, so that a thread of any kind can wait, also one that serves requests. The writer's
//! session is driven by the thread that waits for it: it sleeps at the socket itself, and no other thread
//! has to be woken on the way there and on the way back. Between two statements nobody reads from that
//! session.
//!
//! # Why a session begins with a commit
//! A server that crashed while a commit waited for its standby shows that commit after its restart,
//! although no standby has it. What is seen over a new session counts only after a commit of our own:
//! when that was acknowledged, everything before it in the server's journal is where it must be. The
//! same commit finds out that a server takes no writes, or lost its standby and so takes none to the
//! end.

use std::future::{Future, poll_fn};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::time::{Duration, Instant};

use tokio::runtime::{Handle, Runtime};
use tokio::task::AbortHandle;
use tokio_postgres::error::{Severity, SqlState};
use tokio_postgres::tls::{MakeTlsConnect, TlsConnect};
use tokio_postgres::types::{ToSql, Type};
use tokio_postgres::{AsyncMessage, Client, Config, NoTls, Row, Socket, Statement};
use tokio_postgres_rustls::MakeRustlsConnect;

use super::url::PgOptions;
use crate::error::{LedgerError, Result};

/// Time the database has for one answer. A commit waits for disks and a standby, not for people.
const ANSWER_MAX: Duration = Duration::from_secs(5);
/// After a failed attempt everybody is told so at once for this long: who serves requests must not
/// wait in turn for a server that is away.
const REST_WHEN_AWAY: Duration = Duration::from_millis(300);
/// A turn at the end of the log that is not used is taken back by the server after this long.
const TURN_MAX_MS: u32 = 3_000;

/// A parameter and its type.
pub(crate) type Param<'p> = (&'p (dyn ToSql + Sync), Type);

/// What a link is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// To record: only a server that keeps what it acknowledges will do.
    Record,
    /// To look, beside those who record. Changes nothing.
    Look,
}

/// Sessions with a database. Dropping it ends them.
pub(crate) struct Link {
    /// Runs questions in a thread of its own.
    asking: Option<Runtime>,
    /// Runs the writer's work in whatever thread waits for it.
    writing: Option<Runtime>,
    pub(crate) ways: Arc<Ways>,
}

/// What the tasks of a link share.
pub(crate) struct Ways {
    name: String,
    hosts: Vec<Config>,
    tls: Option<MakeRustlsConnect>,
    purpose: Purpose,
    /// The writer's; a transaction may be open in it.
    pub(crate) writing: Slot,
    /// Everybody else's: questions run side by side in it.
    pub(crate) reading: Slot,
}

/// A place for a session.
#[derive(Default)]
pub(crate) struct Slot {
    session: tokio::sync::Mutex<Option<Arc<Session>>>,
    away: Mutex<Option<(Instant, String)>>,
}

/// A session that was checked.
pub(crate) struct Session {
    pub(crate) client: Client,
    /// Statements the server has read and planned, by their text.
    prepared: Mutex<Vec<(&'static str, Statement)>>,
    /// How often the server warned of something.
    warnings: Arc<AtomicU64>,
    driver: AbortHandle,
}

impl Drop for Session {
    fn drop(&mut self) {
        // It would wait for a server that is away to take leave.
        self.driver.abort();
    }
}

impl std::fmt::Debug for Link {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Link").field("name", &self.ways.name).finish_non_exhaustive()
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        // A runtime must not be waited for where requests are served.
        for runtime in [self.asking.take(), self.writing.take()].into_iter().flatten() {
            runtime.shutdown_background();
        }
    }
}

/// The database did not answer, or not in time.
fn away(what: impl Into<String>) -> LedgerError {
    LedgerError::Away { what: what.into() }
}

/// What speaks against a server over TLS, and what to do; `None` if it was something else. It is mended at
/// the database or in the configuration, and a recorder that runs goes on by itself then.
fn against_tls(error: &tokio_postgres::Error) -> Option<String> {
    let cause = std::error::Error::source(error)?;
    if let Some(error) = cause.downcast_ref::<std::io::Error>() {
        let of_tls = error.get_ref()?.downcast_ref::<rustls::Error>()?;
        return Some(match of_tls {
            rustls::Error::InvalidCertificate(_) => format!(
                "its certificate is not accepted, {of_tls}: check the host in `log.store`, and that \
                 `sslrootcert` holds the authority that signed the certificate"
            ),
            other => format!("TLS failed, {other}"),
        });
    }
    // The driver has no kind for this.
    (cause.to_string() == "server does not support TLS").then(|| {
        "it offers no TLS: turn it on there (`ssl = on`); nothing was sent to it".to_owned()
    })
}

/// What an error of the driver means for us.
pub(crate) fn told(error: &tokio_postgres::Error) -> LedgerError {
    let text = || {
        let all = std::iter::successors(Some(error as &dyn std::error::Error), |e| e.source());
        all.map(ToString::to_string).collect::<Vec<_>>().join(": ")
    };
    let Some(code) = error.code() else {
        return away(against_tls(error).unwrap_or_else(text));
    };
    if *code == SqlState::DISK_FULL {
        return LedgerError::Full { source: std::io::ErrorKind::StorageFull.into() };
    }
    // Classes 08 connection, 40 rolled back, 53 resources, 57 operator; 25006: it is a standby; 25P03:
    // the turn was taken back (documentation of PostgreSQL, appendix A).
    let passing = ["08", "40", "53", "57", "25006", "25P03"];
    if passing.iter().any(|class| code.code().starts_with(class)) {
        return away(text());
    }
    LedgerError::Database { what: text() }
}

impl Link {
    /// A link; nothing is connected yet.
    ///
    /// # Errors
    /// If the authorities of the database's certificate cannot be read.
    pub(crate) fn new(options: &PgOptions, purpose: Purpose) -> Result<Self> {
        let thread = |source| LedgerError::Io {
            doing: "start the thread",
            name: "ledger-database".to_owned(),
            source,
        };
        let asking = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .thread_name("ledger-database")
            .enable_all()
            .build()
            .map_err(thread)?;
        let writing =
            tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(thread)?;
        let tls = options.tls.as_deref().map(trusting).transpose()?;
        let ways = Ways {
            name: options.name().to_owned(),
            hosts: options.hosts.clone(),
            tls,
            purpose,
            writing: Slot::default(),
            reading: Slot::default(),
        };
        Ok(Self { asking: Some(asking), writing: Some(writing), ways: Arc::new(ways) })
    }

    /// Name of the database, for messages.
    pub(crate) fn name(&self) -> &str {
        &self.ways.name
    }

    /// Has the writer's work done, all that concerns its session, and waits for it.
    pub(crate) fn write<T, F>(&self, work: impl FnOnce(Arc<Ways>) -> F) -> Result<T>
    where
        T: Send,
        F: Future<Output = Result<T>> + Send,
    {
        let runtime = self.writing.as_ref().ok_or_else(|| away("it was closed"))?;
        let work = work(Arc::clone(&self.ways));
        let work = async move {
            // What came while nobody read, such as the end of the session, is taken in before it is used:
            // the first pause lets the socket be looked at, the second one its driver run.
            for _ in 0..2 {
                tokio::task::yield_now().await;
            }
            work.await
        };
        if Handle::try_current().is_err() {
            return runtime.block_on(work);
        }
        // A thread of another runtime may not run this one: a program that opens its log there.
        std::thread::scope(|scope| scope.spawn(|| runtime.block_on(work)).join())
            .unwrap_or_else(|_| Err(away("the work was given up")))
    }

    /// Has work done by the thread for questions and waits for it.
    fn wait<T, F>(&self, work: impl FnOnce(Arc<Ways>) -> F) -> Result<T>
    where
        T: Send + 'static,
        F: Future<Output = Result<T>> + Send + 'static,
    {
        let (tell, answer) = mpsc::sync_channel(1);
        let work = work(Arc::clone(&self.ways));
        let runtime = self.asking.as_ref().ok_or_else(|| away("it was closed"))?;
        runtime.spawn(async move {
            let _ = tell.send(work.await);
        });
        answer.recv().unwrap_or_else(|_| Err(away("the work was given up")))
    }

    /// Asks a question of one statement.
    pub(crate) fn ask<T, P>(
        &self,
        sql: &'static str,
        params: P,
        read: fn(&[Row]) -> Result<T>,
    ) -> Result<T>
    where
        T: Send + 'static,
        P: Params,
    {
        self.wait(|ways| async move {
            let rows = ways.rows(&ways.reading, sql, &params.list()).await?;
            read(&rows)
        })
    }

    /// Has one statement done by itself and returns how many rows it concerned.
    pub(crate) fn change<P: Params>(&self, sql: &'static str, params: P) -> Result<u64> {
        self.wait(|ways| async move {
            let session = ways.session(&ways.reading).await?;
            let done = session.commits(session.execute(sql, &params.list())).await;
            ways.keep(&ways.reading, &session, done).await
        })
    }
}

/// Values that go with a statement into the runtime.
pub(crate) trait Params: Send + Sync + 'static {
    /// With their types.
    fn list(&self) -> Vec<Param<'_>>;
}

impl Params for () {
    fn list(&self) -> Vec<Param<'_>> {
        Vec::new()
    }
}

macro_rules! params {
    ($(($($name:ident),+))*) => {$(
        impl<$($name: Value),+> Params for ($($name,)+) {
            #[allow(non_snake_case, reason = "one name for a type and its value")]
            fn list(&self) -> Vec<Param<'_>> {
                let ($($name,)+) = self;
                vec![$(($name as &(dyn ToSql + Sync), $name::TYPE)),+]
            }
        }
    )*};
}

params! { (A) (A, B) (A, B, C) (A, B, C, D) }

/// A value whose type we know without asking the server.
pub(crate) trait Value: ToSql + Send + Sync + 'static {
    /// Its type.
    const TYPE: Type;
}

macro_rules! values {
    ($($rust:ty => $type:ident)*) => {$(
        impl Value for $rust {
            const TYPE: Type = Type::$type;
        }
    )*};
}

values! { i64 => INT8 i32 => INT4 String => TEXT Vec<u8> => BYTEA Vec<i64> => INT8_ARRAY Vec<Vec<u8>> => BYTEA_ARRAY Vec<i32> => INT4_ARRAY }

impl Ways {
    /// A session that works as far as anybody knows.
    pub(crate) async fn session(&self, slot: &Slot) -> Result<Arc<Session>> {
        let was_away = slot.away.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some((since, what)) = &was_away
            && since.elapsed() < REST_WHEN_AWAY
        {
            return Err(away(what.clone()));
        }
        let mut held = match (slot.session.try_lock(), was_away) {
            (Ok(held), _) => held,
            // Somebody tries already; it was away a moment ago.
            (Err(_), Some((_, what))) => return Err(away(what)),
            (Err(_), None) => slot.session.lock().await,
        };
        if let Some(session) = held.as_ref().filter(|session| !session.client.is_closed()) {
            return Ok(Arc::clone(session));
        }
        *held = None;
        let made = self.connect().await;
        let mut away = slot.away.lock().unwrap_or_else(PoisonError::into_inner);
        match made {
            Ok(session) => {
                if away.take().is_some() {
                    tracing::info!(database = self.name, "the database of the log answers again");
                }
                let session = Arc::new(session);
                *held = Some(Arc::clone(&session));
                Ok(session)
            }
            Err(error) => {
                if away.is_none() {
                    tracing::warn!(database = self.name, %error, "the database of the log is away");
                }
                *away = Some((Instant::now(), error.to_string()));
                Err(error)
            }
        }
    }

    /// The first address at which a session passes every check.
    async fn connect(&self) -> Result<Session> {
        let mut first: Option<LedgerError> = None;
        for host in &self.hosts {
            let session = match &self.tls {
                Some(tls) => self.connect_to(host, tls.clone()).await,
                None => self.connect_to(host, NoTls).await,
            };
            match session {
                Ok(session) => return Ok(session),
                // Of several reasons that which is no accident is told.
                Err(error) => match &first {
                    Some(known) if !known.is_passing() || error.is_passing() => {}
                    Some(_) | None => first = Some(error),
                },
            }
        }
        Err(first.unwrap_or_else(|| away("no address is known")))
    }

    async fn connect_to<T>(&self, host: &Config, tls: T) -> Result<Session>
    where
        T: MakeTlsConnect<Socket> + Send,
        T::Stream: Send + 'static,
        T::TlsConnect: Send,
        <T::TlsConnect as TlsConnect<Socket>>::Future: Send,
    {
        let connected = within(host.connect(tls)).await?;
        let (client, mut connection) = connected.map_err(|error| told(&error))?;
        let warnings = Arc::new(AtomicU64::new(0));
        let tell = Arc::clone(&warnings);
        let driver = tokio::spawn(async move {
            while let Some(Ok(message)) = poll_fn(|cx| connection.poll_message(cx)).await {
                if let AsyncMessage::Notice(notice) = message
                    && notice.parsed_severity() == Some(Severity::Warning)
                {
                    tell.fetch_add(1, Ordering::AcqRel);
                    tracing::warn!(notice = notice.message(), "the database warns");
                }
            }
        });
        let prepared = Mutex::default();
        let session = Session { client, prepared, warnings, driver: driver.abort_handle() };
        if self.purpose == Purpose::Record {
            let turn = format!("SET idle_in_transaction_session_timeout = {TURN_MAX_MS}");
            within(session.client.batch_execute(&turn)).await?.map_err(|error| told(&error))?;
            super::schema::keeps_its_word(&session).await?;
            pass_the_fence(&session).await?;
        }
        Ok(session)
    }

    /// What a session gave; if that shows that it is broken, the next one is a new one.
    pub(crate) async fn keep<T>(
        &self,
        slot: &Slot,
        session: &Arc<Session>,
        outcome: Result<T>,
    ) -> Result<T> {
        if let Err(error) = &outcome
            // Whatever failed in the writer's session, a transaction may be left open in it.
            && (error.is_passing() || std::ptr::eq(slot, &raw const self.writing))
        {
            let mut held = slot.session.lock().await;
            if held.as_ref().is_some_and(|held| Arc::ptr_eq(held, session)) {
                *held = None;
            }
        }
        outcome
    }

    /// The rows a statement gives.
    pub(crate) async fn rows(
        &self,
        slot: &Slot,
        sql: &str,
        params: &[Param<'_>],
    ) -> Result<Vec<Row>> {
        let session = self.session(slot).await?;
        let rows = session.rows(sql, params).await;
        self.keep(slot, &session, rows).await
    }
}

impl Session {
    /// The rows a statement gives.
    pub(crate) async fn rows(&self, sql: &str, params: &[Param<'_>]) -> Result<Vec<Row>> {
        let params = params.iter().map(|(value, kind)| (*value, kind.clone())).collect::<Vec<_>>();
        within(self.client.query_typed(sql, &params)).await?.map_err(|error| told(&error))
    }

    /// How many rows a statement concerned that is used again and again: the server reads and plans it
    /// once a session. The first use costs a round trip more.
    pub(crate) async fn execute_prepared(
        &self,
        sql: &'static str,
        params: &[Param<'_>],
    ) -> Result<u64> {
        let known = || {
            let prepared = self.prepared.lock().unwrap_or_else(PoisonError::into_inner);
            prepared.iter().find(|(text, _)| *text == sql).map(|(_, statement)| statement.clone())
        };
        let statement = match known() {
            Some(statement) => statement,
            None => {
                let types: Vec<Type> = params.iter().map(|(_, kind)| kind.clone()).collect();
                let made = within(self.client.prepare_typed(sql, &types)).await?;
                let statement = made.map_err(|error| told(&error))?;
                let mut prepared = self.prepared.lock().unwrap_or_else(PoisonError::into_inner);
                prepared.push((sql, statement.clone()));
                statement
            }
        };
        let params: Vec<&(dyn ToSql + Sync)> = params.iter().map(|(value, _)| *value).collect();
        within(self.client.execute(&statement, &params)).await?.map_err(|error| told(&error))
    }

    /// How many rows a statement concerned.
    pub(crate) async fn execute(&self, sql: &str, params: &[Param<'_>]) -> Result<u64> {
        let params = params.iter().map(|(value, kind)| (*value, kind.clone())).collect::<Vec<_>>();
        within(self.client.execute_typed(sql, &params)).await?.map_err(|error| told(&error))
    }

    /// Runs a statement that has neither values nor rows.
    pub(crate) async fn run(&self, sql: &str) -> Result<()> {
        within(self.client.batch_execute(sql)).await?.map_err(|error| told(&error))
    }

    fn warnings(&self) -> u64 {
        self.warnings.load(Ordering::Acquire)
    }

    /// Work that commits. A commit whose wait for the standby was cut short by somebody is reported
    /// as done, with a warning: then one that is acknowledged without a warning says that everything
    /// before it stands everywhere.
    pub(crate) async fn commits<T>(&self, work: impl Future<Output = Result<T>>) -> Result<T> {
        let before = self.warnings();
        let done = work.await?;
        if self.warnings() != before {
            pass_the_fence(self).await?;
        }
        Ok(done)
    }
}

/// A commit that is acknowledged without a warning: everything before it stands where it must.
async fn pass_the_fence(session: &Session) -> Result<()> {
    let before = session.warnings();
    let passed = session.execute("UPDATE pulverlog_fence SET passed = passed + 1", &[]).await;
    match passed {
        // There are no tables yet: nothing was promised.
        Err(LedgerError::Database { .. }) | Ok(0) => return Ok(()),
        other => other?,
    };
    if session.warnings() != before {
        return Err(away("it does not say that a commit stands everywhere"));
    }
    Ok(())
}

async fn within<T>(work: impl Future<Output = T>) -> Result<T> {
    tokio::time::timeout(ANSWER_MAX, work).await.map_err(|_| away("it does not answer"))
}

/// TLS that trusts these authorities and verifies the name.
fn trusting(file: &std::path::Path) -> Result<MakeRustlsConnect> {
    use rustls::pki_types::CertificateDer;
    use rustls::pki_types::pem::PemObject as _;
    let name = || file.display().to_string();
    let wrong = |what: &str| LedgerError::Foreign { name: name(), what: what.to_owned() };
    let mut roots = rustls::RootCertStore::empty();
    let certificates = CertificateDer::pem_file_iter(file)
        .map_err(|_| wrong("cannot be read: it is `sslrootcert`, certificates as PEM"))?;
    for certificate in certificates {
        let certificate = certificate.map_err(|_| wrong("holds what is no certificate"))?;
        roots.add(certificate).map_err(|_| wrong("holds a certificate that cannot be used"))?;
    }
    if roots.is_empty() {
        return Err(wrong("holds no certificate"));
    }
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|_| wrong("cannot be used: there is no version of TLS"))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(MakeRustlsConnect::new(config))
}
