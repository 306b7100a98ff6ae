//! The one file that knows the ledger: what the recorder wants of a log, in the recorder's words.

mod trial;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;

use chain::Digest;
use chain::entry::{Actor, ClientSignature, EntryError, EntryView};
use chain::limits::EVENT_BYTES_MAX;
use chain::merkle::{self, HashSource};
use chain::note::{KeyKind, VerifierKey};
use chain::proof::TlogProof;
use chain::tile::{Tile, TileCache, TileSourceError};
use ledger::copies::{Courier, OpenVault, Standing};
use ledger::disk::{Disk, FileSystemPolicy, OsDisk};
use ledger::engine::files::FilesOptions;
use ledger::engine::postgres::PgOptions;
use ledger::engine::{Chunk, Store};
use ledger::notary::SharedSigner;
use ledger::people::PeopleStore;
use ledger::seams::{Clock, Random};
use ledger::{
    Health, IndexPlace, Ledger, LedgerError, LogPlace, Pace, Seams, Unacceptable, Watcher, tree,
};
use shopfloor::catalogue::EventKind;
use shopfloor::record::Record;
use shopfloor::record::events::KeyUse;
use shopfloor::record::keys::EnrolledKey;
use shopfloor::{Event, Finding, Refusal, State};
use tokio::sync::watch;

use crate::config::Config;
use crate::limits::{FOLLOW_TIME_MAX, RETRY_BUSY_S, STOP_TIME_MAX, TRIALS_MAX, WRITER_TIME_MAX};
use crate::problem::{Kind, Problem};
use crate::reports::Still;

pub use ledger::{ReadEvent, Receipt};

/// An event that was read, checked and prepared, ready for the writer.
#[derive(Debug, Clone)]
pub struct Submission(ledger::Submission);

/// How events are to be handled.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Handling {
    /// Findings that stop refuse the event.
    pub strict: bool,
    /// All events or none.
    pub whole: bool,
    /// Judge only.
    pub dry_run: bool,
}

/// What became of one event.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Recorded now.
    Recorded(Receipt, Vec<Finding>),
    /// Recorded before, with the same bytes.
    Known(Receipt, Vec<Finding>),
    /// `source` and `id` belong to another event, in this entry if it is recorded already.
    IdReused(Option<u64>),
    /// Would be recorded.
    Tried {
        /// Entries it was judged on.
        as_of: u64,
        /// Whether strict handling would stop it.
        would_stop: bool,
        /// What it contradicts.
        findings: Vec<Finding>,
    },
    /// Stopped by strict handling; these findings did it. The attempt is recorded.
    Stopped {
        /// The findings.
        findings: Vec<Finding>,
        /// Entry of the attempt.
        refused_in: u64,
    },
    /// Cannot be read or attributed.
    Refused(Refusal),
    /// Nothing wrong with it, but the batch is recorded as a whole.
    NotTried,
}

impl Outcome {
    /// The entry that the answer tells of as recorded.
    fn told_of(&self) -> Option<u64> {
        match self {
            Self::Recorded(receipt, _) | Self::Known(receipt, _) => Some(receipt.seq),
            Self::Stopped { refused_in, .. } => Some(*refused_in),
            Self::IdReused(_) | Self::Tried { .. } | Self::Refused(_) | Self::NotTried => None,
        }
    }
}

/// Why the log did not answer. Nothing was written unless it says so.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LogError {
    /// The queue is full.
    #[error("the queue of the writer is full")]
    Busy,
    /// No room on the disk.
    #[error("the disk of the log is full")]
    Full,
    /// The writer stopped.
    #[error("the log takes no entries: {0}")]
    Stopped(String),
    /// Clients may not record for now, although the log could; why is no secret.
    #[error("the log takes no entries of clients: {0}")]
    Barred(String),
    /// No answer in time; the events may or may not be recorded.
    #[error("the writer did not answer in time")]
    Unanswered,
    /// Recorded here, but not at every copy that answers wait for.
    #[error("the copy `{0}` does not stand yet")]
    NotCopied(String),
    /// The log cannot be read, or something else failed that should not.
    #[error("the log failed: {0}")]
    Failed(String),
}

impl From<&LedgerError> for LogError {
    fn from(error: &LedgerError) -> Self {
        match error {
            LedgerError::Busy | LedgerError::Behind { .. } => Self::Busy,
            LedgerError::Away { .. } => Self::Unanswered,
            LedgerError::Failed { failure } => Self::from(&**failure),
            LedgerError::Poisoned { .. }
            | LedgerError::ReadOnly { .. }
            | LedgerError::Moved { .. } => Self::Stopped(error.to_string()),
            other if other.is_full() => Self::Full,
            other => Self::Failed(error_chain(other)),
        }
    }
}

impl From<LedgerError> for LogError {
    fn from(error: LedgerError) -> Self {
        Self::from(&error)
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn error_chain(error: &(dyn std::error::Error + 'static)) -> String {
    let all = std::iter::successors(Some(error), |error| error.source());
    all.map(ToString::to_string).collect::<Vec<_>>().join(": ")
}

impl From<Unacceptable> for Problem {
    fn from(error: Unacceptable) -> Self {
        match error {
            Unacceptable::Refused(refusal) => refusal.into(),
            Unacceptable::Entry(EntryError::EventTooLong { .. }) => {
                let detail =
                    format!("an event has at most {EVENT_BYTES_MAX} bytes in canonical form");
                Self::new(Kind::BodyTooLarge, detail)
            }
            Unacceptable::Entry(_) => Self::new(Kind::InvalidValue, error_chain(&error)),
        }
    }
}

impl From<LogError> for Problem {
    fn from(error: LogError) -> Self {
        let kind = match &error {
            LogError::Barred(_) => {
                let problem = Problem::new(Kind::WriterStopped, error.to_string());
                return problem.retry_after(RETRY_BUSY_S);
            }
            LogError::Busy => Kind::Busy,
            LogError::Full => Kind::StorageFull,
            LogError::Stopped(_) => Kind::WriterStopped,
            LogError::Unanswered => Kind::Unanswered,
            LogError::NotCopied(_) => Kind::NotCopied,
            LogError::Failed(_) => return Problem::internal(&error),
        };
        Problem::new(kind, kind.row().when).retry_after(RETRY_BUSY_S)
    }
}

/// A checkpoint that is durable.
pub use ledger::notary::Signed;

/// A log that is open.
#[derive(Clone)]
pub struct Log(Arc<Inner>);

/// Says that the ledger has stopped; dropped right behind it.
#[derive(Default)]
struct Gone(Arc<(Mutex<bool>, Condvar)>);

impl Drop for Gone {
    fn drop(&mut self) {
        *locked(&self.0.0) = true;
        self.0.1.notify_all();
    }
}

struct Inner {
    ledger: Ledger,
    /// Behind the ledger, because fields are dropped in their order.
    gone: Gone,
    key: VerifierKey,
    clock: Arc<dyn Clock>,
    /// Held shared by every submission and alone by a batch that is recorded as a whole, so that
    /// nothing comes between its trial and its record.
    order: tokio::sync::RwLock<()>,
    tiles: Arc<TileCache>,
    /// Part of the ids of the log's own events that no other process has.
    own_prefix: String,
    own_events: AtomicU64,
    /// The newest checkpoint with the cosignatures it was given, if it has any.
    cosigned: Mutex<Option<Arc<Signed>>>,
    /// Why clients may not record, although the log could.
    barred: Mutex<Option<String>>,
    /// Where else the log is kept, and how long answers wait for it.
    second: OnceLock<(Vec<SecondPlace>, Duration)>,
}

/// A place where the log is kept too.
#[derive(Debug, Clone)]
pub struct SecondPlace {
    /// Its name.
    pub name: String,
    /// Whether answers wait until an entry stands there.
    pub acknowledge: bool,
    /// How it stands.
    pub standing: watch::Receiver<Standing>,
}

impl std::fmt::Debug for Log {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Log").field("origin", &self.origin()).field("size", &self.size()).finish()
    }
}

/// Where a log lies, what signs it, and what it takes from outside.
pub struct LogParts {
    /// Directories.
    pub places: Places,
    /// The log's key; its name is the origin.
    pub signer: SharedSigner,
    /// Tells the time.
    pub clock: Arc<dyn Clock>,
    /// Makes sources of random bytes.
    pub random: fn() -> Box<dyn Random>,
    /// Pace of the background work.
    pub pace: Pace,
}

/// Directories of a log.
#[derive(Debug, Clone)]
pub struct Places {
    /// Entries, tiles, checkpoints, watermark.
    pub log: LogPlace,
    /// Index and snapshots; may be deleted while the service is stopped.
    pub index_dir: PathBuf,
    /// Keep the index in memory instead, and build it at every start.
    pub index_in_memory: bool,
}

impl Places {
    /// As the configuration says.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] if the address of the database, or the file of its password, cannot be
    /// used.
    pub fn of(config: &Config) -> Result<Self, LedgerError> {
        let index_dir = config.log.data_dir.join("index");
        let log = match config.is_in_database() {
            true => LogPlace::Postgres(Self::database(config, &config.log.store)?),
            false => LogPlace::Files(Self::files(config)),
        };
        Ok(Self { log, index_dir, index_in_memory: config.log.index_in_memory })
    }

    /// A database with the configured password.
    ///
    /// # Errors
    /// As [`of`](Self::of).
    pub fn database(config: &Config, address: &str) -> Result<PgOptions, LedgerError> {
        let password = match &config.log.store_password_file {
            Some(file) => {
                let text = std::fs::read_to_string(file).map_err(|source| LedgerError::Io {
                    doing: "read the password in",
                    name: file.display().to_string(),
                    source,
                })?;
                Some(text.trim_end_matches(['\r', '\n']).to_owned())
            }
            None => std::env::var("PGPASSWORD").ok(),
        };
        PgOptions::parse(address, password.as_deref(), &config.head_dir())
    }

    /// Segments in the data directory.
    pub fn files(config: &Config) -> FilesOptions {
        let mut files = FilesOptions::under(&config.log.data_dir);
        files.head_dir = config.head_dir();
        files.segment_bytes = config.log.segment_bytes;
        if config.log.allow_tmpfs {
            files.file_systems = FileSystemPolicy::TestsOnly;
        }
        files
    }

    /// Opens the people store of a log that lies in this place.
    ///
    /// # Errors
    /// [`LedgerError`].
    pub fn people(log: &LogPlace, data_dir: &Path) -> Result<PeopleStore, LedgerError> {
        match log {
            LogPlace::Files(_) => PeopleStore::open(&OsDisk, &data_dir.join("people")),
            LogPlace::Postgres(options) => PeopleStore::in_database(options),
        }
    }
}

impl LogParts {
    /// What the ledger takes from outside.
    pub(crate) fn seams(&self) -> Seams {
        Seams {
            disk: Arc::new(OsDisk) as Arc<dyn Disk>,
            clock: Arc::clone(&self.clock),
            random: (self.random)(),
            signer: Arc::clone(&self.signer),
        }
    }
}

impl Log {
    /// Creates a log; entry 0 tells origin and key, and the final checkpoint of the log it continues.
    ///
    /// # Errors
    /// [`LedgerError::Exists`] if a log or its watermark is there already; I/O errors.
    pub fn create(parts: &LogParts, continues: Option<&str>) -> Result<Signed, LedgerError> {
        ledger::create(parts.seams(), &parts.places.log, continues)
    }

    /// Opens a log and starts its threads. What was damaged opens for reading only.
    ///
    /// # Errors
    /// [`LedgerError`].
    pub fn open(parts: &LogParts) -> Result<Self, LedgerError> {
        let place = match parts.places.index_in_memory {
            true => IndexPlace::Memory,
            false => IndexPlace::Dir(parts.places.index_dir.clone()),
        };
        let opened = ledger::open(parts.seams(), &parts.places.log, &place)?;
        let key = parts.signer.vkey().parse().map_err(|_| LedgerError::WrongKey {
            name: parts.signer.name().to_owned(),
            what: "it has no well-formed verification key".to_owned(),
        })?;
        // Unique over restarts: as soon as one of them is recorded, the next start has a greater size;
        // if none is, the id was never used.
        let mut own_prefix = opened.report.count.to_string();
        let ledger = Ledger::start(opened, parts.pace)?;
        if ledger.is_shared() {
            // Two processes may start at the same size.
            let mut token = [0; 8];
            (parts.random)().fill(&mut token);
            own_prefix = format!("{own_prefix}-{}", hex::encode(token));
        }
        Ok(Self(Arc::new(Inner {
            ledger,
            gone: Gone::default(),
            key,
            clock: Arc::clone(&parts.clock),
            order: tokio::sync::RwLock::new(()),
            tiles: Arc::default(),
            own_prefix,
            own_events: AtomicU64::new(0),
            cosigned: Mutex::new(None),
            barred: Mutex::new(None),
            second: OnceLock::new(),
        })))
    }

    /// Stops in good order: answers what waits, signs a last checkpoint. If somebody else still
    /// holds the log, such as a thread that ends at this moment, waits until it lets go and the log
    /// has stopped.
    ///
    /// # Errors
    /// [`LedgerError`]: the next start then mends the tail, which is no loss.
    pub fn close(self) -> Result<(), LedgerError> {
        let gone = Arc::clone(&self.0.gone.0);
        match Arc::try_unwrap(self.0) {
            Ok(inner) => inner.ledger.close(),
            Err(shared) => {
                drop(shared);
                let waiting = locked(&gone.0);
                let waited = gone.1.wait_timeout_while(waiting, STOP_TIME_MAX, |gone| !*gone);
                let (gone, time) = waited.unwrap_or_else(PoisonError::into_inner);
                drop(gone);
                if time.timed_out() {
                    let since = "it is still in use".to_owned();
                    return Err(LedgerError::Poisoned { since });
                }
                Ok(())
            }
        }
    }

    /// Name of the log.
    pub fn origin(&self) -> &str {
        self.0.key.name()
    }

    /// Verification key of the log.
    pub fn key(&self) -> &VerifierKey {
        &self.0.key
    }

    /// Entries that are durable and applied.
    pub fn size(&self) -> u64 {
        *self.0.ledger.counts().borrow()
    }

    /// Waits, where other processes record too, until what they recorded up to `size` was taken in, or
    /// time enough for that has passed. `false` if the log is out of reach, so that nothing can be said
    /// of how long it is.
    pub async fn follows_to(&self, size: u64) -> bool {
        if self.0.ledger.is_shared() {
            let mut news = self.news();
            let reached = news.wait_for(|count| *count >= size);
            if tokio::time::timeout(FOLLOW_TIME_MAX, reached).await.is_err() {
                return self.health().not_writing.is_none();
            }
        }
        true
    }

    /// Follows the number of entries.
    pub fn news(&self) -> tokio::sync::watch::Receiver<u64> {
        self.0.ledger.counts()
    }

    /// How the log is.
    pub fn health(&self) -> Health {
        self.0.ledger.health()
    }

    /// Whether the log takes entries.
    ///
    /// # Errors
    /// [`LogError::Stopped`], [`LogError::Barred`].
    pub fn is_writing(&self) -> Result<(), LogError> {
        self.is_open_to_clients()?;
        self.health().not_writing.map_or(Ok(()), |why| Err(LogError::Stopped(why)))
    }

    /// Lets clients record nothing, for this reason, or lets them again. The log's own events are
    /// recorded all the same.
    pub fn bar_clients(&self, why: Option<String>) {
        *locked(&self.0.barred) = why;
    }

    /// Whether clients may record nothing although the log could; see
    /// [`bar_clients`](Self::bar_clients).
    pub fn is_barred(&self) -> bool {
        locked(&self.0.barred).is_some()
    }

    /// Has somebody told of every turn of the writer.
    pub fn watch(&self, watcher: Arc<dyn Watcher>) {
        self.0.ledger.watch(watcher);
    }

    fn is_open_to_clients(&self) -> Result<(), LogError> {
        self.is_not_closed()?;
        if let Some(why) = locked(&self.0.barred).clone() {
            return Err(LogError::Barred(why));
        }
        let contradicted = self.second().find_map(|place| {
            let standing = place.standing.borrow();
            let trouble = standing.trouble.as_ref().filter(|trouble| trouble.contradicts)?;
            Some(format!("copy `{}`: {}", place.name, trouble.what))
        });
        contradicted.map_or(Ok(()), |why| Err(LogError::Barred(why)))
    }

    fn second(&self) -> impl Iterator<Item = &SecondPlace> {
        self.0.second.get().into_iter().flat_map(|(places, _)| places)
    }

    /// Starts to keep a copy up to date.
    ///
    /// # Errors
    /// [`LogError::Failed`] if its thread cannot be started.
    pub fn start_courier(
        &self,
        name: &str,
        open: OpenVault,
        interval: Duration,
    ) -> Result<Courier, LogError> {
        let (ledger, clock) = (&self.0.ledger, Arc::clone(&self.0.clock));
        let (source, key, counts) = (ledger.source(), self.key().clone(), ledger.counts());
        Ok(Courier::start(name, open, source, key, counts, interval, clock)?)
    }

    /// Tells where the log is kept too. From now on answers wait, at most so long, for the places that
    /// ask for it. Said once, before clients are served.
    pub fn wait_for(&self, places: Vec<SecondPlace>, at_most: Duration) {
        // A second call would be a fault of ours; the first stands.
        let _ = self.0.second.set((places, at_most));
    }

    /// The first place that answers wait for and that does not go on.
    pub fn held_up(&self) -> Option<&SecondPlace> {
        self.second().find(|place| place.acknowledge && place.standing.borrow().trouble.is_some())
    }

    /// Waits until the first `size` entries stand wherever answers wait for it.
    async fn stands_elsewhere(&self, size: u64) -> Result<(), LogError> {
        let Some((places, at_most)) = self.0.second.get() else { return Ok(()) };
        let deadline = tokio::time::Instant::now() + *at_most;
        for place in places.iter().filter(|place| place.acknowledge) {
            let mut standing = place.standing.clone();
            let stands = standing.wait_for(|standing| standing.copied >= Some(size));
            match tokio::time::timeout_at(deadline, stands).await {
                Ok(Ok(_)) => {}
                // Too late, or nobody copies any more.
                Ok(Err(_)) | Err(_) => return Err(LogError::NotCopied(place.name.clone())),
            }
        }
        Ok(())
    }

    /// Nothing follows `log.closed`, not even an event of the log itself.
    fn is_not_closed(&self) -> Result<(), LogError> {
        self.ask(|state| state.record.closed_by())
            .map_or(Ok(()), |seq| Err(LogError::Stopped(format!("it was closed by entry {seq}"))))
    }

    /// Has events recorded, in their order, or tries them.
    ///
    /// With [`Handling::whole`] all events are recorded or none: they are judged one after the
    /// other on a copy of the state while nobody else writes. Should the power fail during their
    /// commit, a prefix may stand that was never acknowledged; sending the batch again completes it.
    ///
    /// # Errors
    /// [`LogError`]; for all events together.
    pub async fn submit(
        &self,
        submissions: Vec<Submission>,
        handling: Handling,
    ) -> Result<Vec<Outcome>, LogError> {
        if handling.dry_run {
            // It tells what is known already.
            self.index_is_current().await?;
            return trial::run(self, self.state(), &submissions, handling);
        }
        self.is_open_to_clients()?;
        let outcomes = self.record_in_order(submissions, handling).await?;
        // Nobody else waits meanwhile.
        if let Some(last) = outcomes.iter().filter_map(Outcome::told_of).max() {
            self.stands_elsewhere(last + 1).await?;
        }
        Ok(outcomes)
    }

    async fn record_in_order(
        &self,
        submissions: Vec<Submission>,
        handling: Handling,
    ) -> Result<Vec<Outcome>, LogError> {
        if handling.whole {
            let _alone = self.0.order.write().await;
            for _ in 0..TRIALS_MAX {
                self.index_is_current().await?;
                let state = self.state();
                let as_of = state.as_of;
                let outcomes = trial::run(self, state, &submissions, handling)?;
                match trial::refusal(outcomes) {
                    Ok(refused) => {
                        return trial::record_attempts(self, &submissions, refused).await;
                    }
                    Err(trial::AllWell) if !self.0.ledger.is_shared() => {
                        return self.record(submissions).await;
                    }
                    // Another process may come between trial and record: then both are done again.
                    Err(trial::AllWell) => {
                        if let Some(outcomes) = self.record_at(as_of, &submissions).await? {
                            return Ok(outcomes);
                        }
                    }
                }
            }
            return Err(LogError::Busy);
        }
        let _shared = self.0.order.read().await;
        self.record(submissions).await
    }

    /// Records events behind exactly so many entries; `None` if there are more by now.
    async fn record_at(
        &self,
        as_of: u64,
        submissions: &[Submission],
    ) -> Result<Option<Vec<Outcome>>, LogError> {
        let prepared = submissions.iter().map(|submission| submission.0.clone()).collect();
        let (answers, _) =
            tokio::time::timeout(WRITER_TIME_MAX, self.0.ledger.submit_at(as_of, prepared))
                .await
                .map_err(|_| LogError::Unanswered)??;
        let is_behind = |answer: &ledger::Answer| {
            answer.as_ref().is_err_and(|error| matches!(**error, LedgerError::Behind { .. }))
        };
        if answers.iter().all(is_behind) {
            return Ok(None);
        }
        let outcomes = answers
            .into_iter()
            .map(|answer| answer.map(|outcome| self.outcome(outcome)).map_err(|e| (&*e).into()));
        outcomes.collect::<Result<_, _>>().map(Some)
    }

    async fn record(&self, submissions: Vec<Submission>) -> Result<Vec<Outcome>, LogError> {
        let prepared = submissions.into_iter().map(|submission| submission.0).collect();
        let asked = self.0.ledger.submit_timed(prepared);
        let (answers, timings) = tokio::time::timeout(WRITER_TIME_MAX, asked)
            .await
            .map_err(|_| LogError::Unanswered)??;
        crate::telemetry::writer_spans(&timings);
        answers
            .into_iter()
            .map(|answer| answer.map(|outcome| self.outcome(outcome)).map_err(|e| (&*e).into()))
            .collect()
    }

    fn outcome(&self, outcome: ledger::Outcome) -> Outcome {
        match outcome {
            ledger::Outcome::Recorded { receipt, findings } => Outcome::Recorded(receipt, findings),
            ledger::Outcome::Known { receipt } => {
                let findings = self.findings_of(receipt.seq);
                Outcome::Known(receipt, findings)
            }
            ledger::Outcome::Conflict { seq } => Outcome::IdReused(Some(seq)),
            ledger::Outcome::Stopped { findings, refused_in } => {
                Outcome::Stopped { findings, refused_in }
            }
            ledger::Outcome::Refused(refusal) => Outcome::Refused(refusal),
        }
    }

    fn findings_of(&self, seq: u64) -> Vec<Finding> {
        self.ask(|state| state.findings.of_entry(seq).to_vec())
    }

    /// Has an event of the log itself recorded and returns its receipt.
    ///
    /// # Errors
    /// [`LogError`].
    pub async fn record_own(
        &self,
        event: &Event,
        subject: Option<&str>,
    ) -> Result<Receipt, LogError> {
        let receipt = self.record_own_in_order(event, subject).await?;
        self.stands_elsewhere(receipt.seq + 1).await?;
        Ok(receipt)
    }

    async fn record_own_in_order(
        &self,
        event: &Event,
        subject: Option<&str>,
    ) -> Result<Receipt, LogError> {
        let name = event.kind().name;
        let _shared = self.0.order.read().await;
        self.is_not_closed()?;
        let number = self.0.own_events.fetch_add(1, Ordering::Relaxed);
        let id = format!("{name}-{}-{number}", self.0.own_prefix);
        let subject = subject.unwrap_or(ledger::LOG_SUBJECT);
        let prepared = ledger::Submission::by_the_log(name, &id, subject, &event.data())
            .map_err(|error| LogError::Failed(error_chain(&error)))?;
        self.record_prepared(prepared).await
    }

    async fn record_prepared(&self, prepared: ledger::Submission) -> Result<Receipt, LogError> {
        let answer = self.0.ledger.submit(vec![prepared]).await?.pop();
        match answer {
            Some(Ok(outcome)) => outcome
                .receipt()
                .cloned()
                .ok_or_else(|| LogError::Failed("the log refused an event of its own".to_owned())),
            Some(Err(failure)) => Err(LogError::from(&*failure)),
            None => Err(LogError::Unanswered),
        }
    }

    /// Waits until the index knows every entry. It lags by milliseconds.
    async fn index_is_current(&self) -> Result<(), LogError> {
        const STEP: std::time::Duration = std::time::Duration::from_millis(2);
        let index = self.0.ledger.index();
        let mut left = WRITER_TIME_MAX;
        while index.cursor().count < self.store().count() {
            left = left.checked_sub(STEP).ok_or(LogError::Busy)?;
            tokio::time::sleep(STEP).await;
        }
        Ok(())
    }

    fn store(&self) -> &dyn Store {
        &**self.0.ledger.store()
    }

    /// The bytes of an entry.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn entry(&self, seq: u64) -> Result<Option<Vec<u8>>, LogError> {
        Ok(self.store().read(seq)?)
    }

    /// Entries from `from` on, as many as fit in `bytes_max`, at least one if there is one.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn scan(&self, from: u64, bytes_max: usize) -> Result<Chunk, LogError> {
        Ok(self.store().scan(from, bytes_max)?)
    }

    /// When an entry was recorded, ms since 1970; `None` if it is not there.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn recorded_at_ms(&self, seq: u64) -> Result<Option<i64>, LogError> {
        let Some(line) = self.entry(seq)? else { return Ok(None) };
        let entry =
            EntryView::parse(&line).map_err(|error| LogError::Failed(error_chain(&error)))?;
        Ok(Some(entry.recorded_at_ms))
    }

    /// How many entries were recorded up to and with a millisecond since 1970. Entries are recorded
    /// in order of time, so this reads about 25 of ten million.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn recorded_by(&self, time_ms: i64) -> Result<u64, LogError> {
        let (mut low, mut high) = (0, self.size());
        while low < high {
            let middle = low + (high - low) / 2;
            if self.recorded_at_ms(middle)?.is_some_and(|recorded| recorded <= time_ms) {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        Ok(low)
    }

    /// Entries about a subject, ascending, from `from` on.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn by_subject(&self, subject: &str, from: u64, max: usize) -> Result<Vec<u64>, LogError> {
        Ok(self.0.ledger.by_subject(subject, from, max)?)
    }

    /// The newest published checkpoint, with the cosignatures it has by now.
    pub fn published(&self) -> Option<Arc<Signed>> {
        let newest = self.0.ledger.published().borrow().clone()?;
        let cosigned = locked(&self.0.cosigned).clone();
        Some(cosigned.filter(|signed| signed.size == newest.size).unwrap_or(newest))
    }

    /// Follows the published checkpoints, as they leave the notary.
    pub fn checkpoints(&self) -> tokio::sync::watch::Receiver<Option<Arc<Signed>>> {
        self.0.ledger.published()
    }

    /// Keeps a published checkpoint with the cosignatures it was given.
    ///
    /// # Errors
    /// [`LogError::Failed`]; the checkpoint then stays as it was.
    pub fn keep_cosigned(&self, signed: Signed) -> Result<(), LogError> {
        self.store().store_checkpoint(signed.size, signed.note.as_bytes())?;
        let mut newest = locked(&self.0.cosigned);
        if newest.as_ref().is_none_or(|known| known.size <= signed.size) {
            *newest = Some(Arc::new(signed));
        }
        Ok(())
    }

    /// A checkpoint over everything recorded so far.
    ///
    /// # Errors
    /// [`LogError`].
    pub async fn publish(&self) -> Result<Arc<Signed>, LogError> {
        Ok(self.0.ledger.publish().await?)
    }

    /// The log at one moment: a checkpoint over everything, and the state that belongs to it.
    /// Writing waits meanwhile.
    ///
    /// # Errors
    /// [`LogError`].
    pub async fn still(&self) -> Result<Still, LogError> {
        let _alone = self.0.order.write().await;
        let _others = self.0.ledger.still().await;
        let signed = self.publish().await?;
        let state = self.state();
        if state.as_of != signed.size {
            let what = format!("{} entries are signed, {} applied", signed.size, state.as_of);
            return Err(LogError::Failed(what));
        }
        Ok(Still { signed, state })
    }

    /// The published checkpoint of exactly this size.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>, LogError> {
        Ok(self.store().checkpoint(size)?)
    }

    /// The same with its root.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn signed(&self, size: u64) -> Result<Option<Signed>, LogError> {
        let Some(note) = self.checkpoint(size)? else { return Ok(None) };
        let name = format!("the checkpoint of {size} entries");
        Ok(ledger::notary::read_checkpoint(&note, self.key(), &name)?)
    }

    /// Sizes of all published checkpoints, ascending.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn checkpoint_sizes(&self) -> Result<Vec<u64>, LogError> {
        Ok(self.store().checkpoint_sizes()?)
    }

    /// The bytes of a tile; `None` if the log has not that many entries.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>, LogError> {
        Ok(tree::tile_bytes(self.store(), tile)?)
    }

    /// The proof file of an entry against a checkpoint that covers it.
    ///
    /// # Errors
    /// [`LogError::Failed`], also if the checkpoint does not cover the entry.
    pub fn proof(&self, seq: u64, checkpoint: &Signed) -> Result<TlogProof, LogError> {
        let Signed { size, root, .. } = checkpoint;
        let source = self.hashes(*size);
        let failed = |error: &dyn std::error::Error| LogError::Failed(error.to_string());
        let path = merkle::prove_inclusion(&source, seq, *size)
            .map_err(|error| LogError::Failed(error_chain(&error)))?;
        // Tiles are files beside the log: what one that rotted gives is no proof.
        let leaf = source.hash(0, seq).map_err(|error| failed(&error))?;
        if let Err(error) = merkle::verify_inclusion(&leaf, seq, *size, &path, root) {
            self.0.tiles.clear();
            return Err(failed(&error));
        }
        Ok(TlogProof { extra: None, index: seq, path, checkpoint: checkpoint.note.clone() })
    }

    /// Hashes of the tree over the first `size` entries, for making proofs: what was read lately is
    /// kept.
    pub fn hashes(
        &self,
        size: u64,
    ) -> impl HashSource<Error = TileSourceError<LedgerError>> + use<'_> {
        tree::hashes(self.store(), size, Arc::clone(&self.0.tiles))
    }

    /// The consistency proof between two sizes, `0 < from <= to <= size`.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn consistency(&self, from: u64, to: u64) -> Result<Vec<Digest>, LogError> {
        merkle::prove_consistency(&self.hashes(to), from, to)
            .map_err(|error| LogError::Failed(error_chain(&error)))
    }

    /// The Merkle root over the first `size` entries.
    ///
    /// # Errors
    /// [`LogError::Failed`].
    pub fn root(&self, size: u64) -> Result<Digest, LogError> {
        Ok(tree::head_at(self.store(), size)?.root())
    }

    /// Asks the state something. The writer waits meanwhile: keep it short.
    pub fn ask<T>(&self, question: impl FnOnce(&State) -> T) -> T {
        self.0.ledger.with_shop(|shop| question(shop.state()))
    }

    /// A copy of the state, for questions that take long.
    pub fn state(&self) -> State {
        self.ask(State::clone)
    }

    /// Checks that a client's signature of an event is by an enrolled key that is in force.
    ///
    /// # Errors
    /// [`Kind::UnknownKey`], [`Kind::BadSignature`].
    pub fn check_signature(
        &self,
        signature: &ClientSignature,
        event: &[u8],
    ) -> Result<(), Problem> {
        let named = |key: &&EnrolledKey| is_client_key(key) && key.is_named(&signature.by);
        let key = self.ask(|state| state.record.keys().iter().find(named).map(|k| k.key.clone()));
        let Some(key) = key.and_then(|key| key.parse::<VerifierKey>().ok()) else {
            let name = crate::problem::echo(&signature.by);
            let detail = format!("key `{name}` is not enrolled, not approved yet, or revoked");
            return Err(Problem::new(Kind::UnknownKey, detail));
        };
        if signature.verify(&key, self.origin(), event) {
            return Ok(());
        }
        let detail = format!("the signature is not by `{}` over this event", signature.by);
        Err(Problem::new(Kind::BadSignature, detail))
    }

    /// The client keys in force, in the order of their enrolment.
    pub fn client_keys(&self) -> Vec<VerifierKey> {
        self.ask(|state| client_keys(&state.record))
    }
}

fn is_client_key(key: &EnrolledKey) -> bool {
    key.usage == KeyUse::Client && key.is_in_force()
}

/// The client keys in force, in the order of their enrolment.
pub(crate) fn client_keys(record: &Record) -> Vec<VerifierKey> {
    let mut keys: Vec<VerifierKey> = Vec::new();
    for enrolled in record.keys().iter().filter(|key| is_client_key(key)) {
        let key: Option<VerifierKey> = enrolled.key.parse().ok();
        let fits = |key: &VerifierKey| {
            key.kind() == KeyKind::Ed25519 && keys.iter().all(|k| k.label() != key.label())
        };
        keys.extend(key.filter(fits));
    }
    keys
}

impl Submission {
    /// An event that was read, ready for the writer.
    ///
    /// # Errors
    /// [`Kind::BodyTooLarge`], [`Kind::InvalidValue`] and what the reading says.
    pub fn new(
        actor: Actor,
        read: ReadEvent,
        signature: Option<ClientSignature>,
        handling: Handling,
    ) -> Result<Self, Problem> {
        // Events of a whole batch are judged in a trial beforehand. The writer would judge them
        // again on a state that lacks the events of their own batch, and be wrong.
        let handling = match handling {
            Handling { strict: true, whole: false, .. } => ledger::Handling::Strict,
            Handling { .. } => ledger::Handling::Lenient,
        };
        Ok(Self(ledger::Submission::new(actor, read, handling, signature)?))
    }

    /// The row of the catalogue.
    pub fn kind(&self) -> &'static EventKind {
        self.0.read().event().kind()
    }

    /// The canonical bytes.
    pub fn bytes(&self) -> &[u8] {
        self.0.read().bytes()
    }
}
