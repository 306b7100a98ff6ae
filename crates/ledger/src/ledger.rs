//! The running ledger: one writer thread, a notary thread, an index thread, many readers.
//!
//! ```text
//! submit -> bounded queue -> WRITER: batch -> judge, seal -> append + sync (COMMIT POINT) -> apply -> answer
//!                              |  while one batch syncs, the next one gathers in the queue
//!                              +-> NOTARY: read back, hash again, tiles, watermark, checkpoints
//!                              +-> INDEX:  keys, subjects, types, times, snapshots
//! ```
//! Readers never touch the writer: they see committed entries through the store and the state as of
//! a count.

#[cfg(test)]
mod tests;
mod threads;
mod timing;

use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::mpsc::{self, Sender, SyncSender};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use chain::entry::EntryView;
use tokio::sync::{oneshot, watch};

use self::threads::{LastTurn, NotaryLoop, Writer, index_loop, scrub_loop};
use self::timing::{Appends, TimedEngine};
pub use self::timing::{Timings, Turn, Watcher};
use crate::copies::Source;
use crate::core::Failure;
use crate::engine::Store;
use crate::engine::recovery::{Stop, Tip};
use crate::error::{LedgerError, Result};
use crate::index::{Index, row_of};
use crate::limits::{
    LINGER_US, PUBLISH_AGE_MS, QUEUE_BYTES_MAX, QUEUE_SUBMISSIONS_MAX, SCAN_BYTES_MAX,
    SCRUB_REST_MS, SNAPSHOT_ENTRIES, WATERMARK_AGE_MS, WATERMARK_ENTRIES,
};
use crate::notary::{Notary, Signed};
use crate::opening::{OpenReport, Opened};
use crate::shop::Shop;
use crate::submission::{Outcome, Submission};

/// Pace of the background work. The defaults are those of [`limits`](crate::limits).
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// A watermark is due after so many entries.
    pub watermark_entries: u64,
    /// ... or when the oldest entry without one is so old.
    pub watermark_age: Duration,
    /// A checkpoint is published when the log grew since one this old.
    pub publish_age: Duration,
    /// How long the writer looks for the next request before it sleeps.
    pub linger: Duration,
    /// A snapshot of the state is due after so many entries, if the last one did not take long.
    pub snapshot_entries: u64,
    /// The background reading of everything rests so long after each step of 256 KiB.
    pub scrub_pause: Duration,
    /// ... and so long when it has read everything.
    pub scrub_rest: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        let ms = |ms: i64| Duration::from_millis(ms.unsigned_abs());
        Self {
            watermark_entries: WATERMARK_ENTRIES,
            watermark_age: ms(WATERMARK_AGE_MS),
            publish_age: ms(PUBLISH_AGE_MS),
            linger: Duration::from_micros(LINGER_US),
            snapshot_entries: SNAPSHOT_ENTRIES,
            scrub_pause: Duration::from_millis(100),
            scrub_rest: ms(SCRUB_REST_MS),
        }
    }
}

/// A running log. Dropping it stops it in good order; [`close`](Self::close) tells how that went.
#[derive(Debug)]
pub struct Ledger {
    shared: Arc<Shared>,
    queue: Option<Sender<Request>>,
    notary: Sender<NotaryCall>,
    index_wake: SyncSender<()>,
    counts: watch::Receiver<u64>,
    published: watch::Receiver<Option<Arc<Signed>>>,
    writer: Option<JoinHandle<crate::core::Core>>,
    notary_thread: Option<JoinHandle<()>>,
    index_thread: Option<JoinHandle<()>>,
    scrub_thread: Option<JoinHandle<()>>,
    scrub_stop: Sender<()>,
    report: OpenReport,
    is_shared: bool,
}

/// What the threads and the readers share.
#[derive(Debug)]
struct Shared {
    store: Arc<dyn Store>,
    index: Arc<dyn Index>,
    shop: Arc<RwLock<Shop>>,
    /// What is in the queue or in the writer's hands.
    waiting: Mutex<Load>,
    /// Why the writer stopped, once it has.
    halted: Mutex<Option<String>>,
    /// The last reason why background work failed for want of room.
    full: AtomicBool,
    /// Why a log that is shared cannot be reached, while it cannot.
    away: Mutex<Option<String>>,
    /// Held while what others appended is taken in, or must not be.
    still: tokio::sync::Mutex<()>,
    clock_behind_ms: AtomicI64,
    watermark_size: Mutex<u64>,
    index_error: Mutex<Option<String>>,
    /// The last signed checkpoint, for the scrub to work towards and for copies.
    signed: Arc<Mutex<Option<Signed>>>,
    /// The newest committed end.
    committed: Arc<Mutex<Tip>>,
    scrub: Mutex<ScrubReport>,
    stopping: AtomicBool,
    watcher: OnceLock<Arc<dyn Watcher>>,
}

/// What the background reading of everything found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ScrubReport {
    /// Times everything was read and found right since the start.
    pub rounds: u64,
    /// Entries the last whole round covered.
    pub covered: u64,
    /// Entries read in the round under way.
    pub reading: u64,
    /// Damage that was found. Writing goes on: new entries are not made safer by stopping, and the
    /// damaged ones can be put back from a backup.
    pub damage: Option<Stop>,
}

impl Shared {
    fn halt(&self, why: String) {
        tracing::error!(%why, "the writer of the log stopped");
        locked(&self.halted).get_or_insert(why);
    }

    fn halted(&self) -> Option<String> {
        locked(&self.halted).clone()
    }
}

/// How much waits: both are limited (P8).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Load {
    submissions: usize,
    bytes: usize,
}

impl Load {
    fn of(submissions: &[Submission]) -> Self {
        let bytes = submissions.iter().map(|submission| submission.read().bytes().len()).sum();
        Self { submissions: submissions.len(), bytes }
    }

    /// With one more request, if there is room. A request alone is always taken, however large.
    fn with(self, more: Self) -> Option<Self> {
        let submissions = self.submissions + more.submissions;
        let bytes = self.bytes + more.bytes;
        let room = submissions <= QUEUE_SUBMISSIONS_MAX && bytes <= QUEUE_BYTES_MAX;
        (self == Self::default() || room).then_some(Self { submissions, bytes })
    }

    fn without(self, done: Self) -> Self {
        Self {
            submissions: self.submissions.saturating_sub(done.submissions),
            bytes: self.bytes.saturating_sub(done.bytes),
        }
    }
}

struct Request {
    submissions: Vec<Submission>,
    /// To be recorded only behind exactly so many entries.
    only_at: Option<u64>,
    load: Load,
    queued: Instant,
    reply: oneshot::Sender<(Vec<Answer>, Timings)>,
}

/// What a submitter hears about one event.
pub type Answer = Result<Outcome, Failure>;

enum NotaryCall {
    Cover,
    Publish(oneshot::Sender<Result<Arc<Signed>>>),
    Stop,
}

/// How the ledger is, for a health endpoint.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Health {
    /// Entries.
    pub count: u64,
    /// Entries the state shows.
    pub as_of: u64,
    /// Entries the watermark covers.
    pub watermark_size: u64,
    /// Entries the index has taken in.
    pub index_count: u64,
    /// The last error of the index; it is built again by itself.
    pub index_error: Option<String>,
    /// Entries no fold could take in.
    pub skipped: u64,
    /// How far the clock stands behind the newest entry, in ms.
    pub clock_behind_ms: i64,
    /// Submissions waiting.
    pub waiting: usize,
    /// Why nothing can be written, if so.
    pub not_writing: Option<String>,
    /// The same in kind.
    pub not_writing_kind: Option<NotWriting>,
    /// What the background reading of everything found.
    pub scrub: ScrubReport,
    /// How the log was opened.
    pub report: OpenReport,
}

/// Why nothing can be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotWriting {
    /// A write, a sync or a signature failed: the writer stopped until the next start.
    Halted,
    /// Opening found damage or a contradiction: open for reading only.
    ReadOnly,
    /// There is no room; writing goes on by itself when there is.
    Full,
    /// The database that holds the log does not answer; writing goes on by itself when it does.
    Away,
}

impl Ledger {
    /// Starts the threads over an opened log.
    ///
    /// # Errors
    /// If a thread cannot be started.
    pub fn start(opened: Opened, pace: Pace) -> Result<Self> {
        let Opened { mut core, notary, index, store, report } = opened;
        let fresh = core.fresh();
        let watermark = notary.as_ref().and_then(Notary::watermark).map_or(0, |signed| signed.size);
        let shared = Arc::new(Shared {
            store,
            index,
            shop: core.shop(),
            waiting: Mutex::new(Load::default()),
            halted: Mutex::new(None),
            full: AtomicBool::new(false),
            away: Mutex::new(None),
            still: tokio::sync::Mutex::new(()),
            clock_behind_ms: AtomicI64::new(0),
            watermark_size: Mutex::new(watermark),
            index_error: Mutex::new(None),
            signed: Arc::new(Mutex::new(notary.as_ref().and_then(Notary::watermark).cloned())),
            committed: core.committed(),
            scrub: Mutex::new(ScrubReport::default()),
            stopping: AtomicBool::new(false),
            watcher: OnceLock::new(),
        });
        let published = notary.as_ref().and_then(Notary::published).cloned().map(Arc::new);
        let (published_tx, published) = watch::channel(published);
        let (counts_tx, counts) = watch::channel(core.tip().count);
        let is_shared = core.is_shared();
        let (queue, requests) = mpsc::channel();
        let (notary_calls, calls) = mpsc::channel();
        // One call that waits says as much as many.
        let (index_wake, wakes) = mpsc::sync_channel(1);

        let appends = Arc::new(Mutex::new(Appends::default()));
        let timed = Arc::clone(&appends);
        let writer = Writer {
            core: core.wrap_engine(|engine| Box::new(TimedEngine::new(engine, timed))),
            appends,
            shared: Arc::clone(&shared),
            requests,
            counts: counts_tx,
            notary: notary_calls.clone(),
            index: index_wake.clone(),
            linger: pace.linger,
            cover_every: pace.watermark_entries,
            covered_at: watermark,
            last: LastTurn::default(),
        };
        let writer = spawn("ledger-writer", move || writer.run())?;
        let notary_thread = {
            let shared = Arc::clone(&shared);
            spawn("ledger-notary", move || {
                NotaryLoop { notary, shared, published: published_tx, pace }.run(&calls);
            })?
        };
        let index_thread = {
            let shared = Arc::clone(&shared);
            spawn("ledger-index", move || index_loop(&shared, &fresh, &wakes, pace))?
        };
        let (scrub_stop, scrub_stopped) = mpsc::channel();
        let scrub_thread = {
            let shared = Arc::clone(&shared);
            spawn("ledger-scrub", move || scrub_loop(&shared, &scrub_stopped, pace))?
        };
        Ok(Self {
            shared,
            scrub_thread: Some(scrub_thread),
            scrub_stop,
            queue: Some(queue),
            notary: notary_calls,
            index_wake,
            counts,
            published,
            writer: Some(writer),
            notary_thread: Some(notary_thread),
            index_thread: Some(index_thread),
            report,
            is_shared,
        })
    }

    /// Records events, in order. Each answer stands for one of them; an answer that says recorded
    /// is given only after the entry is durable.
    ///
    /// # Errors
    /// [`LedgerError::Busy`] at once if too much is waiting, [`LedgerError::Poisoned`] if the writer
    /// stopped.
    pub async fn submit(&self, submissions: Vec<Submission>) -> Result<Vec<Answer>> {
        Ok(self.submit_timed(submissions).await?.0)
    }

    /// [`submit`](Self::submit), with when what happened to the request.
    ///
    /// # Errors
    /// As [`submit`](Self::submit).
    pub async fn submit_timed(
        &self,
        submissions: Vec<Submission>,
    ) -> Result<(Vec<Answer>, Timings)> {
        let reply = self.enqueue(submissions, None)?;
        reply.await.map_err(|_| self.stopped())
    }

    /// [`submit_timed`](Self::submit_timed), provided that the log has exactly `count` entries;
    /// otherwise every answer is [`LedgerError::Behind`] and nothing was written. For events that were
    /// judged on a copy of the state, where another process may append meanwhile. More than one commit
    /// holds may be recorded in part, as when the power fails between two.
    ///
    /// # Errors
    /// As [`submit`](Self::submit).
    pub async fn submit_at(
        &self,
        count: u64,
        submissions: Vec<Submission>,
    ) -> Result<(Vec<Answer>, Timings)> {
        let reply = self.enqueue(submissions, Some(count))?;
        reply.await.map_err(|_| self.stopped())
    }

    /// Keeps what other processes append from being taken in while the guard lives. Submissions of this
    /// process are not held up by it.
    pub async fn still(&self) -> tokio::sync::MutexGuard<'_, ()> {
        self.shared.still.lock().await
    }

    /// Has somebody told of every turn of the writer from now on. Only the first watcher counts.
    pub fn watch(&self, watcher: Arc<dyn Watcher>) {
        // A second one is a fault of the caller that harms nobody.
        let _ = self.shared.watcher.set(watcher);
    }

    /// [`submit`](Self::submit) for a thread of its own.
    ///
    /// # Errors
    /// As [`submit`](Self::submit).
    pub fn submit_blocking(&self, submissions: Vec<Submission>) -> Result<Vec<Answer>> {
        let reply = self.enqueue(submissions, None)?;
        Ok(reply.blocking_recv().map_err(|_| self.stopped())?.0)
    }

    fn enqueue(
        &self,
        submissions: Vec<Submission>,
        only_at: Option<u64>,
    ) -> Result<oneshot::Receiver<(Vec<Answer>, Timings)>> {
        let queued = Instant::now();
        let load = Load::of(&submissions);
        {
            let mut waiting = locked(&self.shared.waiting);
            *waiting = waiting.with(load).ok_or(LedgerError::Busy)?;
        }
        let (reply, answers) = oneshot::channel();
        let request = Request { submissions, only_at, load, queued, reply };
        let sent = self.queue.as_ref().map(|queue| queue.send(request));
        match sent {
            Some(Ok(())) => Ok(answers),
            Some(Err(_)) | None => Err(self.stopped()),
        }
    }

    fn stopped(&self) -> LedgerError {
        let since = self.shared.halted().unwrap_or_else(|| "it was closed".to_owned());
        LedgerError::Poisoned { since }
    }

    /// Whether other processes append to this log too.
    #[must_use]
    pub fn is_shared(&self) -> bool {
        self.is_shared
    }

    /// The entries.
    #[must_use]
    pub fn store(&self) -> &Arc<dyn Store> {
        &self.shared.store
    }

    /// The index. It may lag behind the entries.
    #[must_use]
    pub fn index(&self) -> &Arc<dyn Index> {
        &self.shared.index
    }

    /// The log as those see it who keep copies of it.
    #[must_use]
    pub fn source(&self) -> Source {
        Source {
            store: Arc::clone(&self.shared.store),
            committed: Arc::clone(&self.shared.committed),
            signed: Arc::clone(&self.shared.signed),
            published: self.published.clone(),
        }
    }

    /// The bytes of an entry, checked against the link of the entry behind it.
    ///
    /// # Errors
    /// If the log cannot be read or the bytes changed since they were recorded.
    pub fn entry(&self, seq: u64) -> Result<Option<Vec<u8>>> {
        crate::tree::read_entry(&*self.shared.store, seq)
    }

    /// Entries about a subject, ascending, from `from` on, at most `max`: from the index as far as it
    /// goes, from the entries themselves beyond it. Slower without an index, never wrong.
    ///
    /// # Errors
    /// If the log cannot be read.
    pub fn by_subject(&self, subject: &str, from: u64, max: usize) -> Result<Vec<u64>> {
        let index = &self.shared.index;
        // The cursor first: it only grows, and an index that fails meanwhile answers with an error.
        let cursor = index.cursor().count;
        let (mut found, mut at) = match index.by_subject(subject, from, max) {
            Ok(found) => (found, cursor.max(from)),
            Err(_) => (Vec::new(), from),
        };
        // What the index took in meanwhile is read below.
        found.retain(|seq| *seq < at);
        while found.len() < max {
            let chunk = self.shared.store.scan(at, SCAN_BYTES_MAX)?;
            if chunk.is_empty() {
                break;
            }
            for (seq, line) in chunk.iter() {
                let entry =
                    EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
                if found.len() < max && row_of(&entry)?.subject == subject {
                    found.push(seq);
                }
            }
            at = chunk.end();
        }
        Ok(found)
    }

    /// Reads the state as of now. Keep it short: the writer waits while the closure runs.
    pub fn with_shop<T>(&self, read: impl FnOnce(&Shop) -> T) -> T {
        read(&self.shared.shop.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Follows the number of committed and applied entries.
    #[must_use]
    pub fn counts(&self) -> watch::Receiver<u64> {
        self.counts.clone()
    }

    /// The newest published checkpoint, and its successors.
    #[must_use]
    pub fn published(&self) -> watch::Receiver<Option<Arc<Signed>>> {
        self.published.clone()
    }

    /// Publishes a checkpoint over everything committed so far.
    ///
    /// # Errors
    /// If it cannot be made durable, or the log is read-only.
    pub async fn publish(&self) -> Result<Arc<Signed>> {
        let (reply, answer) = oneshot::channel();
        self.notary.send(NotaryCall::Publish(reply)).map_err(|_| self.stopped())?;
        answer.await.map_err(|_| self.stopped())?
    }

    /// [`publish`](Self::publish) for a thread of its own.
    ///
    /// # Errors
    /// As [`publish`](Self::publish).
    pub fn publish_blocking(&self) -> Result<Arc<Signed>> {
        let (reply, answer) = oneshot::channel();
        self.notary.send(NotaryCall::Publish(reply)).map_err(|_| self.stopped())?;
        answer.blocking_recv().map_err(|_| self.stopped())?
    }

    /// How the ledger is.
    #[must_use]
    pub fn health(&self) -> Health {
        let shared = &self.shared;
        let (as_of, skipped) = self.with_shop(|shop| (shop.as_of(), shop.skipped()));
        let halted = shared.halted().map(|why| (NotWriting::Halted, why));
        let stopped = || self.report.stop().map(|stop| (NotWriting::ReadOnly, stop.to_string()));
        let full = || {
            let full = shared.full.load(Ordering::Acquire);
            full.then(|| (NotWriting::Full, "the disk is full".to_owned()))
        };
        let away = || locked(&shared.away).clone().map(|why| (NotWriting::Away, why));
        let (not_writing_kind, not_writing) =
            halted.or_else(stopped).or_else(full).or_else(away).unzip();
        Health {
            count: shared.store.count(),
            as_of,
            watermark_size: *locked(&shared.watermark_size),
            index_count: shared.index.cursor().count,
            index_error: locked(&shared.index_error).clone(),
            skipped,
            clock_behind_ms: shared.clock_behind_ms.load(Ordering::Acquire),
            waiting: locked(&shared.waiting).submissions,
            not_writing,
            not_writing_kind,
            scrub: locked(&shared.scrub).clone(),
            report: self.report.clone(),
        }
    }

    /// Answers what waits, signs a last checkpoint, leaves the mark of a clean stop.
    ///
    /// # Errors
    /// If the mark could not be left: the next start then mends the tail, which is no loss.
    pub fn close(mut self) -> Result<()> {
        self.shut_down()
    }

    fn shut_down(&mut self) -> Result<()> {
        self.queue = None;
        let core = self.writer.take().map(JoinHandle::join);
        self.shared.stopping.store(true, Ordering::Release);
        let _ = self.notary.send(NotaryCall::Stop);
        let _ = self.index_wake.try_send(());
        let _ = self.scrub_stop.send(());
        let threads =
            [self.notary_thread.take(), self.index_thread.take(), self.scrub_thread.take()];
        for thread in threads.into_iter().flatten() {
            if thread.join().is_err() {
                self.shared.halt("a background thread panicked".to_owned());
            }
        }
        match core {
            Some(Ok(mut core)) if self.shared.halted().is_none() => core.close(),
            Some(_) => Err(self.stopped()),
            None => Ok(()),
        }
    }
}

impl Drop for Ledger {
    fn drop(&mut self) {
        if self.writer.is_some()
            && let Err(error) = self.shut_down()
        {
            tracing::warn!(%error, "the log was not closed in good order");
        }
    }
}

fn spawn<T: Send + 'static>(
    name: &str,
    run: impl FnOnce() -> T + Send + 'static,
) -> Result<JoinHandle<T>> {
    let thread = std::thread::Builder::new().name(name.to_owned()).spawn(run);
    thread.map_err(|source| LedgerError::Io {
        doing: "start the thread",
        name: name.to_owned(),
        source,
    })
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
