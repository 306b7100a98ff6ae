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

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender, TryRecvError};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tokio::sync::{oneshot, watch};

use crate::core::{Core, Failure};
use crate::engine::Store;
use crate::error::{LedgerError, Result};
use crate::index::{Index, follow};
use crate::limits::{
    BATCH_ENTRIES_MAX, PUBLISH_AGE_MS, QUEUE_SUBMISSIONS_MAX, SNAPSHOT_ENTRIES, WATERMARK_AGE_MS,
    WATERMARK_ENTRIES,
};
use crate::notary::{Notary, Signed};
use crate::opening::{OpenReport, Opened};
use crate::shop::{Shop, snapshot};
use crate::submission::{Outcome, Submission};

/// How often the index thread looks for new entries when nobody wakes it.
const INDEX_WAKE: Duration = Duration::from_millis(200);

/// Pace of the background work. The defaults are those of [`limits`](crate::limits).
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// A watermark is due after so many entries.
    pub watermark_entries: u64,
    /// ... or when the oldest entry without one is so old.
    pub watermark_age: Duration,
    /// A checkpoint is published when the log grew since one this old.
    pub publish_age: Duration,
    /// A snapshot of the state is due after so many entries.
    pub snapshot_entries: u64,
}

impl Default for Pace {
    fn default() -> Self {
        let ms = |ms: i64| Duration::from_millis(ms.unsigned_abs());
        Self {
            watermark_entries: WATERMARK_ENTRIES,
            watermark_age: ms(WATERMARK_AGE_MS),
            publish_age: ms(PUBLISH_AGE_MS),
            snapshot_entries: SNAPSHOT_ENTRIES,
        }
    }
}

/// A running log. Dropping it stops it in good order; [`close`](Self::close) tells how that went.
#[derive(Debug)]
pub struct Ledger {
    shared: Arc<Shared>,
    queue: Option<Sender<Request>>,
    notary: Sender<NotaryCall>,
    index_wake: Sender<()>,
    counts: watch::Receiver<u64>,
    published: watch::Receiver<Option<Arc<Signed>>>,
    writer: Option<JoinHandle<Core>>,
    notary_thread: Option<JoinHandle<()>>,
    index_thread: Option<JoinHandle<()>>,
    report: OpenReport,
}

/// What the threads and the readers share.
#[derive(Debug)]
struct Shared {
    store: Arc<dyn Store>,
    index: Arc<dyn Index>,
    shop: Arc<RwLock<Shop>>,
    /// Submissions in the queue or in the writer's hands.
    waiting: AtomicUsize,
    /// Why the writer stopped, once it has.
    halted: Mutex<Option<String>>,
    /// The last reason why background work failed for want of room.
    full: AtomicBool,
    clock_behind_ms: AtomicI64,
    watermark_size: Mutex<u64>,
    index_error: Mutex<Option<String>>,
    stopping: AtomicBool,
}

impl Shared {
    fn halt(&self, why: String) {
        tracing::error!(%why, "the writer of the log stopped");
        self.halted.lock().unwrap_or_else(PoisonError::into_inner).get_or_insert(why);
    }

    fn halted(&self) -> Option<String> {
        self.halted.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

struct Request {
    submissions: Vec<Submission>,
    reply: oneshot::Sender<Vec<Answer>>,
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
    /// How the log was opened.
    pub report: OpenReport,
}

impl Ledger {
    /// Starts the threads over an opened log.
    ///
    /// # Errors
    /// If a thread cannot be started.
    pub fn start(opened: Opened, pace: Pace) -> Result<Self> {
        let Opened { core, notary, index, store, report } = opened;
        let watermark = notary.as_ref().and_then(Notary::watermark).map_or(0, |signed| signed.size);
        let shared = Arc::new(Shared {
            store,
            index,
            shop: core.shop(),
            waiting: AtomicUsize::new(0),
            halted: Mutex::new(None),
            full: AtomicBool::new(false),
            clock_behind_ms: AtomicI64::new(0),
            watermark_size: Mutex::new(watermark),
            index_error: Mutex::new(None),
            stopping: AtomicBool::new(false),
        });
        let published = notary.as_ref().and_then(Notary::published).cloned().map(Arc::new);
        let (published_tx, published) = watch::channel(published);
        let (counts_tx, counts) = watch::channel(core.tip().count);
        let (queue, requests) = mpsc::channel();
        let (notary_calls, calls) = mpsc::channel();
        let (index_wake, wakes) = mpsc::channel();

        let writer = Writer {
            core,
            shared: Arc::clone(&shared),
            requests,
            counts: counts_tx,
            notary: notary_calls.clone(),
            index: index_wake.clone(),
            cover_every: pace.watermark_entries,
            covered_at: watermark,
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
            spawn("ledger-index", move || index_loop(&shared, &wakes, pace))?
        };
        Ok(Self {
            shared,
            queue: Some(queue),
            notary: notary_calls,
            index_wake,
            counts,
            published,
            writer: Some(writer),
            notary_thread: Some(notary_thread),
            index_thread: Some(index_thread),
            report,
        })
    }

    /// Records events, in order. Each answer stands for one of them; an answer that says recorded
    /// is given only after the entry is durable.
    ///
    /// # Errors
    /// [`LedgerError::Busy`] at once if too much is waiting, [`LedgerError::Poisoned`] if the writer
    /// stopped.
    pub async fn submit(&self, submissions: Vec<Submission>) -> Result<Vec<Answer>> {
        let reply = self.enqueue(submissions)?;
        reply.await.map_err(|_| self.stopped())
    }

    /// [`submit`](Self::submit) for a thread of its own.
    ///
    /// # Errors
    /// As [`submit`](Self::submit).
    pub fn submit_blocking(&self, submissions: Vec<Submission>) -> Result<Vec<Answer>> {
        let reply = self.enqueue(submissions)?;
        reply.blocking_recv().map_err(|_| self.stopped())
    }

    fn enqueue(&self, submissions: Vec<Submission>) -> Result<oneshot::Receiver<Vec<Answer>>> {
        let count = submissions.len();
        let room = |waiting: usize| {
            // A request alone is always taken, however large.
            (waiting == 0 || waiting + count <= QUEUE_SUBMISSIONS_MAX).then_some(waiting + count)
        };
        self.shared
            .waiting
            .fetch_update(Ordering::AcqRel, Ordering::Acquire, room)
            .map_err(|_| LedgerError::Busy)?;
        let (reply, answers) = oneshot::channel();
        let sent = self.queue.as_ref().map(|queue| queue.send(Request { submissions, reply }));
        match sent {
            Some(Ok(())) => Ok(answers),
            Some(Err(_)) | None => Err(self.stopped()),
        }
    }

    fn stopped(&self) -> LedgerError {
        let since = self.shared.halted().unwrap_or_else(|| "it was closed".to_owned());
        LedgerError::Poisoned { since }
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
        let full = || {
            let full = shared.full.load(Ordering::Acquire);
            full.then(|| "the disk is full".to_owned())
        };
        Health {
            count: shared.store.count(),
            as_of,
            watermark_size: *shared.watermark_size.lock().unwrap_or_else(PoisonError::into_inner),
            index_count: shared.index.cursor().count,
            index_error: shared.index_error.lock().unwrap_or_else(PoisonError::into_inner).clone(),
            skipped,
            clock_behind_ms: shared.clock_behind_ms.load(Ordering::Acquire),
            waiting: shared.waiting.load(Ordering::Acquire),
            not_writing: shared
                .halted()
                .or_else(|| self.report.stop().map(ToString::to_string))
                .or_else(full),
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
        let _ = self.index_wake.send(());
        for thread in [self.notary_thread.take(), self.index_thread.take()].into_iter().flatten() {
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

/// The one writer.
struct Writer {
    core: Core,
    shared: Arc<Shared>,
    requests: Receiver<Request>,
    counts: watch::Sender<u64>,
    notary: Sender<NotaryCall>,
    index: Sender<()>,
    cover_every: u64,
    covered_at: u64,
}

impl Writer {
    fn run(mut self) -> Core {
        while let Some(requests) = self.next_requests() {
            let sizes: Vec<usize> = requests.iter().map(|r| r.submissions.len()).collect();
            let mut replies = Vec::with_capacity(requests.len());
            let mut submissions = Vec::with_capacity(sizes.iter().sum());
            for request in requests {
                submissions.extend(request.submissions);
                replies.push(request.reply);
            }
            let mut answers: VecDeque<Answer> = self.process(submissions).into();
            for (size, reply) in sizes.into_iter().zip(replies) {
                self.shared.waiting.fetch_sub(size, Ordering::AcqRel);
                // A client that went away does not change what was recorded.
                let _ = reply.send(answers.drain(..size).collect());
            }
        }
        self.core
    }

    /// What waits in the queue, up to one batch; `None` when the ledger closes.
    fn next_requests(&self) -> Option<Vec<Request>> {
        let first = self.requests.recv().ok()?;
        let mut entries = first.submissions.len();
        let mut requests = vec![first];
        while entries < BATCH_ENTRIES_MAX {
            match self.requests.try_recv() {
                Ok(request) => {
                    entries += request.submissions.len();
                    requests.push(request);
                }
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => break,
            }
        }
        Some(requests)
    }

    fn process(&mut self, submissions: Vec<Submission>) -> Vec<Answer> {
        let count = submissions.len();
        if let Some(since) = self.shared.halted() {
            return all_failed(count, LedgerError::Poisoned { since });
        }
        if self.shared.full.load(Ordering::Acquire) {
            let source = std::io::ErrorKind::StorageFull.into();
            return all_failed(count, LedgerError::Full { source });
        }
        let core = &mut self.core;
        let answers = catch_unwind(AssertUnwindSafe(|| core.process(submissions)));
        let Ok(answers) = answers else {
            // Whether the batch was committed is unknown: stop, and let the next start decide.
            let since = "the writer panicked".to_owned();
            self.shared.halt(since.clone());
            return all_failed(count, LedgerError::Poisoned { since });
        };
        for answer in &answers {
            if let Err(failure) = answer
                && let LedgerError::Poisoned { since } = &**failure
            {
                self.shared.halt(since.clone());
            }
        }
        let count = self.core.tip().count;
        self.shared.clock_behind_ms.store(self.core.clock_behind_ms(), Ordering::Release);
        if self.counts.send_if_modified(|seen| std::mem::replace(seen, count) != count) {
            let _ = self.index.send(());
            if count - self.covered_at >= self.cover_every {
                self.covered_at = count;
                let _ = self.notary.send(NotaryCall::Cover);
            }
        }
        answers
    }
}

fn all_failed(count: usize, error: LedgerError) -> Vec<Answer> {
    let failure = Arc::new(error);
    (0..count).map(|_| Err(Arc::clone(&failure))).collect()
}

/// The notary's thread.
struct NotaryLoop {
    notary: Option<Notary>,
    shared: Arc<Shared>,
    published: watch::Sender<Option<Arc<Signed>>>,
    pace: Pace,
}

impl NotaryLoop {
    fn run(mut self, calls: &Receiver<NotaryCall>) {
        let mut published_at = Instant::now();
        loop {
            let call = calls.recv_timeout(self.pace.watermark_age);
            let outcome = match call {
                Ok(NotaryCall::Publish(reply)) => {
                    let outcome = self.publish();
                    let failed = outcome.as_ref().err().map(ToString::to_string);
                    let _ = reply.send(outcome);
                    // The caller got the error itself; here only its consequence counts.
                    match failed {
                        Some(_) if self.notary.is_some() => self.cover(),
                        Some(_) | None => Ok(()),
                    }
                }
                Ok(NotaryCall::Stop) | Err(RecvTimeoutError::Disconnected) => {
                    if let Err(error) = self.publish() {
                        self.note_failure(&error);
                    }
                    return;
                }
                Ok(NotaryCall::Cover) | Err(RecvTimeoutError::Timeout) => {
                    if published_at.elapsed() >= self.pace.publish_age && self.is_unpublished() {
                        published_at = Instant::now();
                        self.publish().map(drop)
                    } else {
                        self.cover()
                    }
                }
            };
            match outcome {
                Ok(()) => self.shared.full.store(false, Ordering::Release),
                Err(error) => self.note_failure(&error),
            }
            // Get the next segment ready off the writer's thread; failing is no harm.
            if self.notary.is_some()
                && let Err(error) = self.shared.store.prepare()
            {
                tracing::warn!(%error, "the next segment could not be got ready");
            }
        }
    }

    fn is_unpublished(&self) -> bool {
        let size = |signed: Option<&Signed>| signed.map_or(0, |signed| signed.size);
        self.notary.as_ref().is_some_and(|notary| {
            notary.is_behind() || size(notary.published()) < size(notary.watermark())
        })
    }

    fn cover(&mut self) -> Result<()> {
        match &mut self.notary {
            Some(notary) if notary.is_behind() => {
                let size = notary.cover()?.size;
                *self.shared.watermark_size.lock().unwrap_or_else(PoisonError::into_inner) = size;
                Ok(())
            }
            Some(_) | None => Ok(()),
        }
    }

    fn publish(&mut self) -> Result<Arc<Signed>> {
        let Some(notary) = &mut self.notary else {
            let since = "the log is read-only, so nothing is signed".to_owned();
            return Err(LedgerError::Poisoned { since });
        };
        let signed = Arc::new(notary.publish()?.clone());
        *self.shared.watermark_size.lock().unwrap_or_else(PoisonError::into_inner) = signed.size;
        self.published.send_replace(Some(Arc::clone(&signed)));
        Ok(signed)
    }

    /// Out of room: the writer refuses until a watermark could be written again. Anything else
    /// means that what is stored, or the head store, cannot be trusted: the writer stops.
    fn note_failure(&self, error: &LedgerError) {
        if self.notary.is_none() {
            return;
        }
        if error.is_full() {
            tracing::warn!(%error, "no room for a watermark");
            self.shared.full.store(true, Ordering::Release);
        } else {
            self.shared.halt(format!("the last entries could not be signed: {error}"));
        }
    }
}

/// The index thread: follows the log, takes snapshots, never stops the log.
fn index_loop(shared: &Shared, wakes: &Receiver<()>, pace: Pace) {
    let mut snapshot_at = shared.index.cursor().count;
    loop {
        match wakes.recv_timeout(INDEX_WAKE) {
            Ok(()) | Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        while wakes.try_recv().is_ok() {}
        let step = || -> Result<()> {
            while follow(&*shared.index, &*shared.store)? > 0 {}
            if shared.index.cursor().count >= snapshot_at + pace.snapshot_entries {
                snapshot_at = take_snapshot(shared)?;
            }
            Ok(())
        };
        let outcome = catch_unwind(AssertUnwindSafe(step))
            .unwrap_or_else(|_| Err(LedgerError::Index { what: "it panicked".to_owned() }));
        let error = outcome.err().map(|error| error.to_string());
        if let Some(error) = &error {
            tracing::error!(%error, "the index failed");
        }
        *shared.index_error.lock().unwrap_or_else(PoisonError::into_inner) = error;
        if shared.stopping.load(Ordering::Acquire) {
            if let Err(error) = take_snapshot(shared).and_then(|_| shared.index.flush()) {
                tracing::warn!(%error, "no last snapshot was taken");
            }
            return;
        }
    }
}

/// Keeps the state as it is now; returns as of how many entries. The state is copied under the lock
/// and written outside it, so the writer waits for the copy only.
fn take_snapshot(shared: &Shared) -> Result<u64> {
    let shop = shared.shop.read().unwrap_or_else(PoisonError::into_inner).clone();
    let count = shop.as_of();
    let Some(last) = count.checked_sub(1) else { return Ok(0) };
    let Some(line) = shared.store.read(last)? else { return Ok(0) };
    let entry = chain::entry::EntryView::parse(&line)
        .map_err(|source| LedgerError::Entry { seq: last, source })?;
    let tip = crate::engine::recovery::Tip {
        count,
        leaf: chain::entry::leaf_hash(&line),
        recorded_at_ms: entry.recorded_at_ms,
    };
    shared.index.store_snapshot(&snapshot(&shop, tip)?)?;
    Ok(count)
}
