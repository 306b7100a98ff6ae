//! The thread that merges runs of an index on disk.
//!
//! A merge of the largest runs reads and writes what is known of tens of millions of entries, and nothing
//! waits for it: entries are taken in and found meanwhile, and a process that stops gives it up.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, Receiver, SyncSender};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

use super::disk::Held;
use super::fault::Fault;

/// How long there is no merge after one failed: a disk that is full is not written to again and again.
const REST: Duration = Duration::from_secs(60);

/// A call to look whether a merge is due. Whoever sent something along is told by its end.
type Call = Option<SyncSender<()>>;

/// Merges until it is dropped.
#[derive(Debug)]
pub(super) struct Merger {
    calls: Option<SyncSender<Call>>,
    stopping: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Merger {
    /// # Errors
    /// If there can be no more threads.
    pub(super) fn start(held: Arc<Held>) -> io::Result<Self> {
        let (calls, received) = mpsc::sync_channel(1);
        let stopping = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stopping);
        let thread = Builder::new()
            .name("ledger-merge".to_owned())
            .spawn(move || merge_when_called(&held, &received, &seen))?;
        Ok(Self { calls: Some(calls), stopping, thread: Some(thread) })
    }

    /// Lets it look whether a merge is due.
    pub(super) fn wake(&self) {
        if let Some(calls) = &self.calls {
            // If a call waits already, that one does.
            let _ = calls.try_send(None);
        }
    }

    /// Waits until no merge is due.
    #[cfg(test)]
    pub(super) fn settle(&self) {
        let (done, settled) = mpsc::sync_channel(0);
        if let Some(calls) = &self.calls
            && calls.send(Some(done)).is_ok()
        {
            // Nothing is sent: the other end is dropped when it has looked.
            let _ = settled.recv();
        }
    }
}

impl Drop for Merger {
    fn drop(&mut self) {
        self.stopping.store(true, Ordering::Relaxed);
        self.calls = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn merge_when_called(held: &Held, calls: &Receiver<Call>, stopping: &AtomicBool) {
    let mut not_before: Option<Instant> = None;
    while let Ok(_call) = calls.recv() {
        if not_before.is_some_and(|time| Instant::now() < time) {
            continue;
        }
        not_before = match held.merge(stopping) {
            Ok(()) => None,
            Err(Fault::Stopped) => return,
            Err(fault @ (Fault::Damaged(_) | Fault::Passing(_))) => {
                tracing::warn!(error = fault.what(), "runs of the index could not be merged");
                Some(Instant::now() + REST)
            }
        };
    }
}
