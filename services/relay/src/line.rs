//! What everybody may see of the delivery loop, and how it is woken.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use serde::Serialize;

/// What the loop is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Nothing waits.
    Idle,
    /// Events go out.
    Delivering,
    /// The recorder or the network is away; it goes on by itself.
    Waiting,
    /// Somebody has to mend something; it goes on by itself once that is done.
    Blocked,
}

/// The loop as others see it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct View {
    /// What it is doing.
    pub state: State,
    /// Why it stands still: a word for programs, empty if it does not.
    pub reason: &'static str,
    /// The same for people.
    pub detail: String,
    /// Since when, in ms since 1970.
    pub since_ms: i64,
    /// Highest sequence number the recorder has named since the start.
    pub last_seq: Option<u64>,
}

/// What wakes the loop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Woken {
    /// There may be work, or the time is over.
    Go,
    /// The service stops.
    Stop,
}

#[derive(Debug)]
struct Inner {
    view: View,
    work: bool,
    now: bool,
    stop: bool,
}

/// Shared between the loop and everybody else.
#[derive(Debug)]
pub struct Line {
    inner: Mutex<Inner>,
    bell: Condvar,
}

impl Line {
    /// A loop that has not begun.
    pub fn new(now_ms: i64) -> Self {
        let view = View {
            state: State::Idle,
            reason: "",
            detail: String::new(),
            since_ms: now_ms,
            last_seq: None,
        };
        let inner = Inner { view, work: false, now: false, stop: false };
        Self { inner: Mutex::new(inner), bell: Condvar::new() }
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What it is doing.
    pub fn view(&self) -> View {
        self.inner().view.clone()
    }

    /// Tells what it is doing from now on. A change is logged once.
    pub fn set(&self, state: State, reason: &'static str, detail: &str, now_ms: i64) {
        let view = &mut self.inner().view;
        view.detail = detail.to_owned();
        if (view.state, view.reason) == (state, reason) {
            return;
        }
        (view.state, view.reason, view.since_ms) = (state, reason, now_ms);
        match state {
            State::Idle | State::Delivering => tracing::info!(?state, "delivery"),
            State::Waiting => tracing::warn!(?state, reason, detail, "delivery"),
            State::Blocked => tracing::error!(?state, reason, detail, "delivery"),
        }
    }

    /// Notes that the recorder named a sequence number.
    pub fn recorded(&self, seq: u64) {
        let last = &mut self.inner().view.last_seq;
        *last = (*last).max(Some(seq));
    }

    /// There is something to deliver.
    pub fn work(&self) {
        self.inner().work = true;
        self.bell.notify_all();
    }

    /// Do not wait any longer: try now.
    pub fn now(&self) {
        self.inner().now = true;
        self.bell.notify_all();
    }

    /// The service stops.
    pub fn stop(&self) {
        self.inner().stop = true;
        self.bell.notify_all();
    }

    /// Whether the service stops.
    pub fn stops(&self) -> bool {
        self.inner().stop
    }

    /// Waits for work.
    pub fn idle(&self) -> Woken {
        let mut inner = self.inner();
        while !(inner.work || inner.now || inner.stop) {
            inner = self.bell.wait(inner).unwrap_or_else(PoisonError::into_inner);
        }
        (inner.work, inner.now) = (false, false);
        if inner.stop { Woken::Stop } else { Woken::Go }
    }

    /// Waits a time, whatever there is to do.
    pub fn pause(&self, time: Duration) -> Woken {
        let end = Instant::now() + time;
        let mut inner = self.inner();
        while !(inner.now || inner.stop) {
            let left = end.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            let waited = self.bell.wait_timeout(inner, left);
            inner = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        inner.now = false;
        if inner.stop { Woken::Stop } else { Woken::Go }
    }
}
