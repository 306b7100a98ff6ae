//! Pieces of a state that lie in a file until somebody looks at them.
//!
//! A state grows with the years of its shop, and work touches the last days of it. So its lists and
//! sets are cut into pages. A snapshot writes each page once, as a *piece* behind all others, and
//! holds where it lies; a start reads the snapshot alone, and a page when somebody looks at it.
//!
//! serde hands nothing down to what is written or read inside, so the place of pieces is known to
//! the thread while [`with`] works: written without one, a state holds everything in itself.

use std::cell::RefCell;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::{fmt, io};

use serde::de::DeserializeOwned;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Where pieces lie: bytes that are only ever added to.
pub trait Pieces: fmt::Debug + Send + Sync {
    /// Puts bytes behind all others; returns where they begin.
    ///
    /// # Errors
    /// If they cannot be written. What was written before stays as it is.
    fn append(&self, bytes: &[u8]) -> io::Result<u64>;

    /// Reads bytes that were appended.
    ///
    /// # Errors
    /// If so many cannot be read there.
    fn read(&self, at: u64, len: usize) -> io::Result<Vec<u8>>;

    /// A piece is not what was written. Nothing that follows from it may be answered or recorded: see
    /// to it that the next start folds the log anew, and end here.
    fn lost(&self, why: &str) -> !;
}

thread_local! {
    static HERE: RefCell<Option<Arc<dyn Pieces>>> = const { RefCell::new(None) };
}

/// Writes or reads a state whose pieces lie there.
pub fn with<R>(pieces: &Arc<dyn Pieces>, work: impl FnOnce() -> R) -> R {
    /// Also when `work` panics.
    struct Restore(Option<Arc<dyn Pieces>>);
    impl Drop for Restore {
        fn drop(&mut self) {
            HERE.with_borrow_mut(|here| std::mem::swap(here, &mut self.0));
        }
    }
    let before = HERE.with_borrow_mut(|here| here.replace(Arc::clone(pieces)));
    let _restore = Restore(before);
    work()
}

fn here() -> Option<Arc<dyn Pieces>> {
    HERE.with_borrow(Clone::clone)
}
