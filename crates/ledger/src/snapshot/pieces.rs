//! Where pieces of a state lie: in a file, or in memory.

use std::io;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use shopfloor::pieces::Pieces;

use super::Root;
use crate::disk::File;

/// Bytes that are gathered before they are written.
const GATHERED_BYTES: usize = 1 << 18;

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn not_there(at: u64, len: usize) -> io::Error {
    let message = format!("no `{len}` bytes were written at `{at}`");
    io::Error::new(io::ErrorKind::UnexpectedEof, message)
}

/// A pieces file. Whoever reads what was written waits for nobody; what was only gathered yet is
/// read from memory.
#[derive(Debug)]
pub(super) struct PiecesFile {
    root: Arc<Root>,
    number: u64,
    name: String,
    file: Arc<dyn File>,
    /// Bytes that were written: they do not change any more.
    written: AtomicU64,
    /// The bytes behind them.
    gathered: Mutex<Vec<u8>>,
    /// How much of it a power cut cannot take.
    synced: AtomicU64,
    /// Whether a sync failed: a later one that succeeds would prove nothing.
    in_doubt: AtomicBool,
}

impl PiecesFile {
    /// A file that holds `len` bytes, which are durable.
    pub(super) fn new(root: Arc<Root>, number: u64, file: Arc<dyn File>, len: u64) -> Self {
        let name = root.pieces_name(number);
        Self {
            root,
            number,
            name,
            file,
            written: AtomicU64::new(len),
            gathered: Mutex::new(Vec::new()),
            synced: AtomicU64::new(len),
            in_doubt: AtomicBool::new(false),
        }
    }

    pub(super) fn number(&self) -> u64 {
        self.number
    }

    pub(super) fn name(&self) -> &str {
        &self.name
    }

    /// Where the next piece will begin.
    pub(super) fn end(&self) -> u64 {
        let gathered = locked(&self.gathered);
        self.written.load(Ordering::Acquire) + gathered.len() as u64
    }

    /// Whether nothing is to be appended any more.
    pub(super) fn is_in_doubt(&self) -> bool {
        self.in_doubt.load(Ordering::Acquire)
    }

    /// Makes everything durable that was appended; returns how many bytes the file holds.
    pub(super) fn sync(&self) -> io::Result<u64> {
        let len = {
            let mut gathered = locked(&self.gathered);
            self.write_gathered(&mut gathered)?
        };
        if len > self.synced.load(Ordering::Acquire) {
            let synced = self.file.sync_all();
            synced.inspect_err(|_| self.in_doubt.store(true, Ordering::Release))?;
            self.synced.store(len, Ordering::Release);
        }
        Ok(len)
    }

    /// Writes what was gathered, which stays gathered if that fails; returns where the file ends.
    fn write_gathered(&self, gathered: &mut Vec<u8>) -> io::Result<u64> {
        let at = self.written.load(Ordering::Acquire);
        if gathered.is_empty() {
            return Ok(at);
        }
        self.file.write_all_at(gathered, at)?;
        let end = at + gathered.len() as u64;
        self.written.store(end, Ordering::Release);
        gathered.clear();
        Ok(end)
    }
}

impl Pieces for PiecesFile {
    fn append(&self, bytes: &[u8]) -> io::Result<u64> {
        let mut gathered = locked(&self.gathered);
        if gathered.len() + bytes.len() > GATHERED_BYTES {
            self.write_gathered(&mut gathered)?;
        }
        let at = self.written.load(Ordering::Acquire) + gathered.len() as u64;
        if bytes.len() > GATHERED_BYTES {
            self.file.write_all_at(bytes, at)?;
            self.written.store(at + bytes.len() as u64, Ordering::Release);
        } else {
            gathered.extend_from_slice(bytes);
        }
        Ok(at)
    }

    fn read(&self, at: u64, len: usize) -> io::Result<Vec<u8>> {
        let end = at.checked_add(len as u64).ok_or_else(|| not_there(at, len))?;
        let mut written = self.written.load(Ordering::Acquire);
        let mut behind = Vec::new();
        if end > written {
            let gathered = locked(&self.gathered);
            written = self.written.load(Ordering::Acquire);
            if end > written + gathered.len() as u64 {
                return Err(not_there(at, len));
            }
            if end > written {
                let place = |at: u64| usize::try_from(at.saturating_sub(written)).unwrap_or(0);
                behind.extend_from_slice(&gathered[place(at)..place(end)]);
            }
        }
        let in_file = len - behind.len();
        let mut bytes = vec![0; in_file];
        if in_file > 0 && self.file.read_at(&mut bytes, at)? < in_file {
            return Err(not_there(at, len));
        }
        bytes.append(&mut behind);
        Ok(bytes)
    }

    fn lost(&self, why: &str) -> ! {
        let name = &self.name;
        tracing::error!(
            why,
            "a piece of the state in `{name}` is not what was written: the recorder stops, and its next \
             start folds the log anew"
        );
        self.root.give_up()
    }
}

/// Pieces in memory: for tests, the simulator and what has no index on disk.
#[derive(Debug, Default)]
pub struct MemPieces(Mutex<Vec<u8>>);

impl MemPieces {
    /// Bytes that were appended.
    #[must_use]
    pub fn len(&self) -> usize {
        locked(&self.0).len()
    }

    /// Whether nothing was.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

impl Pieces for MemPieces {
    fn append(&self, bytes: &[u8]) -> io::Result<u64> {
        let mut all = locked(&self.0);
        let at = all.len() as u64;
        all.extend_from_slice(bytes);
        Ok(at)
    }

    fn read(&self, at: u64, len: usize) -> io::Result<Vec<u8>> {
        let piece =
            || locked(&self.0).get(usize::try_from(at).ok()?..)?.get(..len).map(<[u8]>::to_vec);
        piece().ok_or_else(|| not_there(at, len))
    }

    fn lost(&self, why: &str) -> ! {
        panic!("a piece of the state in memory is not what was written: {why}")
    }
}
