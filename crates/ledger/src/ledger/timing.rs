//! What the writer's work took: told to whoever watches the log, and to whoever asked for the work.
//!
//! Durations only; nothing here reads what is recorded.

use std::fmt;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::locked;
use crate::engine::recovery::Stop;
use crate::engine::{Engine, Line, Store};
use crate::error::{LedgerError, Result};

/// One turn of the writer: what was in the queue, up to one batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Turn {
    /// Time the oldest request of the turn waited in the queue.
    pub waited: Duration,
    /// What was written, one for each write that was synced: its entries, and how long write and
    /// sync took.
    pub commits: Vec<(usize, Duration)>,
    /// Writes or syncs that failed.
    pub failed: usize,
}

/// Somebody who counts what the writer does. Called on the writer's thread: must be quick.
pub trait Watcher: fmt::Debug + Send + Sync {
    /// A turn is over.
    fn turn(&self, turn: &Turn);
}

/// When what happened to one request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timings {
    /// It was put into the queue.
    pub queued: Instant,
    /// The writer took it.
    pub taken: Instant,
    /// Begin of the first write and end of the last sync of its turn; `None` if nothing was written.
    pub commit: Option<(Instant, Instant)>,
    /// Everything was applied and answered.
    pub done: Instant,
}

/// The writes of a turn.
#[derive(Debug, Default)]
pub(super) struct Appends {
    pub(super) span: Option<(Instant, Instant)>,
    pub(super) commits: Vec<(usize, Duration)>,
    pub(super) failed: usize,
}

/// An engine whose appends are timed.
#[derive(Debug)]
pub(super) struct TimedEngine {
    engine: Box<dyn Engine>,
    appends: Arc<Mutex<Appends>>,
}

impl TimedEngine {
    pub(super) fn new(engine: Box<dyn Engine>, appends: Arc<Mutex<Appends>>) -> Self {
        Self { engine, appends }
    }
}

impl Engine for TimedEngine {
    fn count(&self) -> u64 {
        self.engine.count()
    }

    fn append(&mut self, expected_count: u64, lines: &[Line<'_>]) -> Result<()> {
        let begun = Instant::now();
        let outcome = self.engine.append(expected_count, lines);
        let ended = Instant::now();
        let mut appends = locked(&self.appends);
        let first = appends.span.map_or(begun, |(first, _)| first);
        appends.span = Some((first, ended));
        match &outcome {
            Ok(()) => appends.commits.push((lines.len(), ended.duration_since(begun))),
            // Another process was faster: nothing is wrong with the disk.
            Err(LedgerError::Behind { .. }) => {}
            Err(_) => appends.failed += 1,
        }
        outcome
    }

    fn store(&self) -> Arc<dyn Store> {
        self.engine.store()
    }

    fn stop(&mut self, reason: Stop) {
        self.engine.stop(reason);
    }

    fn close(&mut self) -> Result<()> {
        self.engine.close()
    }

    fn retire(&mut self, to: &str) -> Result<bool> {
        self.engine.retire(to)
    }

    fn is_shared(&self) -> bool {
        self.engine.is_shared()
    }

    fn follow(&mut self) -> Result<u64> {
        self.engine.follow()
    }

    fn take_turn(&mut self) -> Result<u64> {
        self.engine.take_turn()
    }

    fn end_turn(&mut self) {
        self.engine.end_turn();
    }
}
