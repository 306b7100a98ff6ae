//! The threads of a running ledger, each a loop over its calls.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, TryRecvError};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use chain::entry::EntryView;
use tokio::sync::watch;

use super::timing::{Appends, Timings, Turn};
use super::{Answer, NotaryCall, Pace, Request, Shared, locked};
use crate::audit::{Scrub, Scrubbed};
use crate::core::Core;
use crate::engine::recovery::Tip;
use crate::error::{LedgerError, Result};
use crate::index::Fresh;
use crate::limits::{BATCH_ENTRIES_MAX, FOLLOW_MS, SCRUB_STEP_BYTES};
use crate::notary::{Notary, Signed};
use crate::shop::keep;
use crate::submission::Submission;

/// How often the index thread looks for new entries when nobody wakes it.
const INDEX_WAKE: Duration = Duration::from_millis(200);

/// Least time between two takes of the index, so that under load many entries share one transaction
/// and the thread does not take turns with the writer for every event. The first event after a
/// pause is taken in at once.
const INDEX_REST: Duration = Duration::from_millis(10);

/// How many times as long as a snapshot took there is none.
const SNAPSHOT_REST: u32 = 19;

/// The part of a commit's time for which more requests are waited for before one begins.
const GATHER_PART: u32 = 4;

/// How often a shared log is looked at for what others appended.
const FOLLOW: Duration = Duration::from_millis(FOLLOW_MS);

/// Rest of the scrub while the database is away.
const SCRUB_WHEN_AWAY: Duration = Duration::from_secs(5);

/// The one writer.
pub(super) struct Writer {
    pub(super) core: Core,
    /// What the engine of `core` wrote in this turn.
    pub(super) appends: Arc<Mutex<Appends>>,
    pub(super) shared: Arc<Shared>,
    pub(super) requests: Receiver<Request>,
    pub(super) counts: watch::Sender<u64>,
    pub(super) notary: Sender<NotaryCall>,
    pub(super) index: SyncSender<()>,
    pub(super) linger: Duration,
    pub(super) cover_every: u64,
    pub(super) covered_at: u64,
    pub(super) last: LastTurn,
}

/// What the writer remembers of its last turn.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct LastTurn {
    requests: usize,
    commit: Duration,
}

impl Writer {
    pub(super) fn run(mut self) -> Core {
        while let Some(requests) = self.next_requests() {
            let taken = Instant::now();
            let mut replies = Vec::with_capacity(requests.len());
            let mut submissions = Vec::new();
            let only_at = requests.iter().find_map(|request| request.only_at);
            for request in requests {
                submissions.extend(request.submissions);
                replies.push((request.load, request.queued, request.reply));
            }
            let mut answers: VecDeque<Answer> = self.process(submissions, only_at).into();
            let done = Instant::now();
            let appends = std::mem::take(&mut *locked(&self.appends));
            let commit = appends.span;
            let took = commit.map_or(Duration::ZERO, |(begun, ended)| ended.duration_since(begun));
            self.last = LastTurn { requests: replies.len(), commit: took };
            if let Some(watcher) = self.shared.watcher.get() {
                let oldest = replies.iter().map(|(_, queued, _)| *queued).min();
                let waited = oldest.map_or(Duration::ZERO, |queued| taken - queued);
                let Appends { commits, failed, .. } = appends;
                watcher.turn(&Turn { waited, commits, failed });
            }
            for (load, queued, reply) in replies {
                {
                    let mut waiting = locked(&self.shared.waiting);
                    *waiting = waiting.without(load);
                }
                // A client that went away does not change what was recorded.
                let answers = answers.drain(..load.submissions).collect();
                let _ = reply.send((answers, Timings { queued, taken, commit, done }));
            }
        }
        self.core
    }

    /// What waits in the queue, up to one batch; `None` when the ledger closes.
    fn next_requests(&mut self) -> Option<Vec<Request>> {
        let first = self.first_request()?;
        if first.only_at.is_some() {
            return Some(vec![first]);
        }
        let mut entries = first.submissions.len();
        let mut requests = vec![first];
        let gathers = self.gathers();
        let begun = Instant::now();
        while entries < BATCH_ENTRIES_MAX {
            match self.requests.try_recv() {
                Ok(request) => {
                    entries += request.submissions.len();
                    let is_apart = request.only_at.is_some();
                    requests.push(request);
                    if is_apart {
                        break;
                    }
                }
                Err(TryRecvError::Empty)
                    if requests.len() < self.last.requests && begun.elapsed() < gathers =>
                {
                    std::thread::yield_now();
                }
                Err(TryRecvError::Empty | TryRecvError::Disconnected) => break,
            }
        }
        Some(requests)
    }

    /// How long the writer waits for as many requests as it answered in its last turn: those who got an
    /// answer send their next event soon, and the first of them would otherwise have a commit to
    /// themselves while all others wait. A part of what that commit would take; nothing where a commit is
    /// a sync of a local file, which is over before the others have come.
    fn gathers(&self) -> Duration {
        if self.core.is_shared() { self.last.commit / GATHER_PART } else { Duration::ZERO }
    }

    /// Takes in what others appended, unless somebody needs the log to stand still.
    fn follow(&mut self) {
        let shared = Arc::clone(&self.shared);
        let Ok(_moving) = shared.still.try_lock() else { return };
        if shared.halted().is_some() {
            return;
        }
        let core = &mut self.core;
        let followed = catch_unwind(AssertUnwindSafe(|| core.follow()));
        match followed {
            Ok(Ok(_)) => *locked(&shared.away) = None,
            Ok(Err(error)) if error.is_passing() => *locked(&shared.away) = Some(error.to_string()),
            Ok(Err(LedgerError::ReadOnly { .. })) => {}
            Ok(Err(error)) => {
                shared.halt(format!("what others recorded could not be taken in: {error}"));
            }
            Err(_) => shared.halt("the writer panicked".to_owned()),
        }
        self.tell();
    }

    /// Tells everybody who follows the log how long it is.
    fn tell(&mut self) {
        let count = self.core.tip().count;
        if self.counts.send_if_modified(|seen| std::mem::replace(seen, count) != count) {
            let _ = self.index.try_send(());
            if count - self.covered_at >= self.cover_every {
                self.covered_at = count;
                let _ = self.notary.send(NotaryCall::Cover);
            }
        }
    }

    /// Waits for a request. Whoever waits for an answer sends the next event soon after it, and a thread
    /// that sleeps takes as long to wake as half a sync: so the writer stays awake a moment, giving way
    /// to every other thread that wants to run. While nothing comes, what other processes appended is
    /// taken in.
    fn first_request(&mut self) -> Option<Request> {
        let begun = Instant::now();
        while begun.elapsed() < self.linger {
            match self.requests.try_recv() {
                Ok(request) => return Some(request),
                Err(TryRecvError::Disconnected) => return None,
                Err(TryRecvError::Empty) => std::thread::yield_now(),
            }
        }
        if !self.core.is_shared() {
            return self.requests.recv().ok();
        }
        loop {
            match self.requests.recv_timeout(FOLLOW) {
                Ok(request) => return Some(request),
                Err(RecvTimeoutError::Timeout) => self.follow(),
                Err(RecvTimeoutError::Disconnected) => return None,
            }
        }
    }

    fn process(&mut self, submissions: Vec<Submission>, only_at: Option<u64>) -> Vec<Answer> {
        let count = submissions.len();
        if let Some(since) = self.shared.halted() {
            return all_failed(count, LedgerError::Poisoned { since });
        }
        if self.shared.full.load(Ordering::Acquire) {
            let source = std::io::ErrorKind::StorageFull.into();
            return all_failed(count, LedgerError::Full { source });
        }
        let core = &mut self.core;
        let answers = catch_unwind(AssertUnwindSafe(|| core.process_at(submissions, only_at)));
        let Ok(answers) = answers else {
            // Whether the batch was committed is unknown: stop, and let the next start decide.
            let since = "the writer panicked".to_owned();
            self.shared.halt(since.clone());
            return all_failed(count, LedgerError::Poisoned { since });
        };
        if self.core.is_shared() {
            let away = answers.iter().find_map(|answer| match answer {
                Err(failure) if matches!(**failure, LedgerError::Away { .. }) => {
                    Some(failure.to_string())
                }
                Ok(_) | Err(_) => None,
            });
            *locked(&self.shared.away) = away;
        }
        for answer in &answers {
            if let Err(failure) = answer
                && let LedgerError::Poisoned { since } = &**failure
            {
                self.shared.halt(since.clone());
            }
        }
        self.shared.clock_behind_ms.store(self.core.clock_behind_ms(), Ordering::Release);
        self.tell();
        answers
    }
}

fn all_failed(count: usize, error: LedgerError) -> Vec<Answer> {
    let failure = Arc::new(error);
    (0..count).map(|_| Err(Arc::clone(&failure))).collect()
}

/// The notary's thread.
pub(super) struct NotaryLoop {
    pub(super) notary: Option<Notary>,
    pub(super) shared: Arc<Shared>,
    pub(super) published: watch::Sender<Option<Arc<Signed>>>,
    pub(super) pace: Pace,
}

impl NotaryLoop {
    pub(super) fn run(mut self, calls: &Receiver<NotaryCall>) {
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
                let signed = notary.cover()?;
                *locked(&self.shared.watermark_size) = signed.size;
                *locked(&self.shared.signed) = Some(signed.clone());
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
        *locked(&self.shared.watermark_size) = signed.size;
        *locked(&self.shared.signed) = Some(Signed::clone(&signed));
        self.published.send_replace(Some(Arc::clone(&signed)));
        Ok(signed)
    }

    /// Out of room: the writer refuses until a watermark could be written again. Anything else
    /// means that what is stored, or the head store, cannot be trusted: the writer stops.
    fn note_failure(&self, error: &LedgerError) {
        if self.notary.is_none() {
            return;
        }
        if error.is_passing() {
            tracing::warn!(%error, "no watermark for now");
        } else if error.is_full() {
            tracing::warn!(%error, "no room for a watermark");
            self.shared.full.store(true, Ordering::Release);
        } else {
            self.shared.halt(format!("the last entries could not be signed: {error}"));
        }
    }
}

/// When the next snapshot is due. A state grows with its log: its snapshots take a twentieth of one
/// thread at most, however large it is, and a start after a power cut has to replay what came meanwhile,
/// or so many entries if they are more.
#[derive(Debug)]
struct Snapshots {
    entries: u64,
    last_count: u64,
    not_before: Option<Instant>,
}

impl Snapshots {
    fn since(last_count: u64, entries: u64) -> Self {
        Self { entries, last_count, not_before: None }
    }

    fn are_due(&self, count: u64, now: Instant) -> bool {
        count >= self.last_count + self.entries && self.not_before.is_none_or(|time| now >= time)
    }

    fn taken(&mut self, count: u64, begun: Instant, ended: Instant) {
        self.last_count = count;
        self.not_before = Some(ended + ended.duration_since(begun) * SNAPSHOT_REST);
    }
}

/// The index thread: follows the log, takes snapshots, never stops the log.
pub(super) fn index_loop(shared: &Shared, fresh: &Fresh, wakes: &Receiver<()>, pace: Pace) {
    let mut snapshots = Snapshots::since(shared.index.cursor().count, pace.snapshot_entries);
    let mut taken_at: Option<Instant> = None;
    loop {
        match wakes.recv_timeout(INDEX_WAKE) {
            Ok(()) | Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
        if let Some(rest) = taken_at.and_then(|at| INDEX_REST.checked_sub(at.elapsed())) {
            std::thread::sleep(rest);
        }
        while wakes.try_recv().is_ok() {}
        let step = || -> Result<()> {
            while fresh.follow(&*shared.index, &*shared.store)? > 0 {}
            let begun = Instant::now();
            if snapshots.are_due(shared.index.cursor().count, begun) {
                let count = take_snapshot(shared)?;
                snapshots.taken(count, begun, Instant::now());
            }
            Ok(())
        };
        let outcome = catch_unwind(AssertUnwindSafe(step))
            .unwrap_or_else(|_| Err(LedgerError::Index { what: "it panicked".to_owned() }));
        let error = outcome.err().map(|error| error.to_string());
        let told = std::mem::replace(&mut *locked(&shared.index_error), error.clone());
        if let Some(error) = error.filter(|error| Some(error) != told.as_ref()) {
            tracing::error!(%error, "the index failed");
        }
        taken_at = Some(Instant::now());
        if shared.stopping.load(Ordering::Acquire) {
            if let Err(error) = take_snapshot(shared).and_then(|_| shared.index.flush()) {
                tracing::warn!(%error, "no last snapshot was taken");
            }
            return;
        }
    }
}

/// The scrub thread: reads everything that was signed, slowly, again and again, and says so if it is
/// not what was signed.
pub(super) fn scrub_loop(shared: &Shared, stopped: &Receiver<()>, pace: Pace) {
    let mut scrub: Option<Scrub> = None;
    let mut rest = pace.scrub_pause;
    while stopped.recv_timeout(rest) == Err(RecvTimeoutError::Timeout) {
        rest = pace.scrub_pause;
        if scrub.is_none() {
            scrub = locked(&shared.signed).clone().map(Scrub::of);
        }
        let Some(under_way) = &mut scrub else { continue };
        let step = under_way.step(&*shared.store, SCRUB_STEP_BYTES);
        let mut report = locked(&shared.scrub);
        match step {
            Ok(Scrubbed::Going { done, .. }) => report.reading = done,
            Ok(Scrubbed::Sound { size }) => {
                report.rounds += 1;
                (report.covered, report.reading) = (size, 0);
                scrub = None;
                rest = pace.scrub_rest;
            }
            Ok(Scrubbed::Damaged(stop)) => {
                tracing::error!(damage = %stop, "the scrub found damage");
                report.damage = Some(stop);
                scrub = None;
                rest = pace.scrub_rest;
            }
            // It goes on where it is when the database is back.
            Err(error) if error.is_passing() => rest = pace.scrub_pause.max(SCRUB_WHEN_AWAY),
            Err(error) => {
                tracing::warn!(%error, "the scrub could not read on");
                scrub = None;
            }
        }
    }
}

/// Keeps the state as it is now; returns as of how many entries. The state is copied under the lock
/// and written outside it, so the writer waits for the copy only.
fn take_snapshot(shared: &Shared) -> Result<u64> {
    let (shop, count) = {
        let shop = shared.shop.read().unwrap_or_else(PoisonError::into_inner);
        (shop.clone(), shop.as_of())
    };
    let Some(last) = count.checked_sub(1) else { return Ok(0) };
    let Some(line) = shared.store.read(last)? else { return Ok(0) };
    let entry =
        EntryView::parse(&line).map_err(|source| LedgerError::Entry { seq: last, source })?;
    let tip =
        Tip { count, leaf: chain::entry::leaf_hash(&line), recorded_at_ms: entry.recorded_at_ms };
    keep(&*shared.index, &shop, tip)?;
    Ok(count)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn snapshots_take_a_twentieth_of_the_time_however_large_the_state() {
        let second = Duration::from_secs(1);
        let start = Instant::now();
        let mut snapshots = Snapshots::since(0, 100);
        let (mut now, mut count, mut taking, mut taken) = (start, 0, Duration::ZERO, 0);
        for _ in 0..10_000 {
            (now, count) = (now + second, count + 50);
            if snapshots.are_due(count, now) {
                // A millisecond more for every fifty entries.
                let took = Duration::from_millis(count / 50);
                snapshots.taken(count, now, now + took);
                (now, taking, taken) = (now + took, taking + took, taken + 1);
            }
        }
        // The last one has not rested yet.
        let most = (now - start) / 20 + Duration::from_millis(count / 50);
        assert!(taking <= most, "{taking:?} of {:?}", now - start);
        assert!(taken > 100, "{taken}: as many as that allows");
        let mut few = Snapshots::since(1_000, 100);
        assert!(!few.are_due(1_099, start) && few.are_due(1_100, start));
        few.taken(1_100, start, start + second);
        assert!(!few.are_due(1_200, start + 19 * second), "too soon");
        assert!(few.are_due(1_200, start + 20 * second));
    }
}
