//! How full the disk is and when it will be: measured from the log's own recent growth.

use std::fs;
use std::io;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::config::Config;
use crate::log::{Log, LogError};

const DAY_MS: i64 = 86_400_000;
const DAY_S: u64 = 86_400;

/// Growth is taken from so much of the log's newest past, in days.
pub const HISTORY_DAYS: i64 = 30;
/// A log younger than this, in ms, has no history to tell its growth from.
pub const HISTORY_MS_MIN: i64 = 3_600_000;
/// A disk that is full sooner than this is nearly full, in seconds: two weeks to get a larger one
/// (common practice, no source).
pub const NEARLY_FULL_S: u64 = 14 * DAY_S;
/// ... and so is one with room for fewer segments than this.
pub const NEARLY_FULL_SEGMENTS: u64 = 4;

/// Files are counted anew when the last count is older than this.
const COUNT_AGE_MAX: Duration = Duration::from_secs(600);
/// Entries whose bytes are looked at to tell how long an entry is, in bytes of them.
const SAMPLE_BYTES: usize = 256 << 10;
/// Fewest of the newest entries that lie in such a sample if there are as many.
const SAMPLE_ENTRIES: u64 = 256;

/// What of a data directory grows, each a directory below it.
const PARTS: [(&str, &str); 6] = [
    ("entries", "log/entries"),
    ("tiles", "log/tile"),
    ("checkpoints", "log/checkpoints"),
    ("index", "index"),
    ("people", "people"),
    ("reports", "reports"),
];

/// The newest past of a log, and the room that is left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct History {
    /// How much of the past this is, in ms.
    pub ms: i64,
    /// Entries recorded in it.
    pub entries: u64,
    /// Bytes on the disk for each entry, with all that is kept beside it.
    pub bytes_per_entry: u64,
    /// Free bytes.
    pub free_bytes: u64,
    /// Bytes of these that are as good as taken: the next segment is filled with zeros beforehand.
    pub reserve_bytes: u64,
}

/// When the disk is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Forecast {
    /// Growth in bytes a day.
    pub bytes_per_day: u64,
    /// Seconds until there is no room for the next segment; `None` if the log does not grow.
    pub full_in_s: Option<u64>,
}

impl Forecast {
    /// What follows if the log goes on growing as it did; `None` if its past is too short to tell. What
    /// others write to the same disk is not foreseen: it shows in the free bytes only.
    #[must_use]
    pub fn of(history: &History) -> Option<Self> {
        let History { ms, entries, bytes_per_entry, free_bytes, reserve_bytes } = *history;
        if ms < HISTORY_MS_MIN {
            return None;
        }
        let ms = u128::from(ms.unsigned_abs());
        let grown = u128::from(entries) * u128::from(bytes_per_entry);
        let room = u128::from(free_bytes.saturating_sub(reserve_bytes));
        let narrow = |value: u128| u64::try_from(value).unwrap_or(u64::MAX);
        Some(Self {
            bytes_per_day: narrow(grown.saturating_mul(u128::from(DAY_MS.unsigned_abs())) / ms),
            // Multiplied first: a log of few entries a day must not be said to stand still.
            full_in_s: (room * ms / 1_000).checked_div(grown).map(narrow),
        })
    }
}

/// Files of one part of the data directory.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Used {
    /// Bytes on the disk, in whole blocks.
    pub bytes: u64,
    /// Files.
    pub files: u64,
}

/// What was measured.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Measured {
    /// Used by part.
    pub parts: Vec<(&'static str, Used)>,
    /// Free bytes of the disk of the data directory.
    pub free_bytes: u64,
    /// Free bytes of the disk of the head store.
    pub head_free_bytes: u64,
    /// When the disk is full; `None` if that cannot be told yet.
    pub forecast: Option<Forecast>,
    /// Whether the disk is nearly full: soon, or with room for a few segments only.
    pub nearly_full: bool,
}

/// Measures a log's disk, not oftener than needed.
#[derive(Debug, Clone)]
pub struct Storage {
    data_dir: PathBuf,
    head_dir: PathBuf,
    segment_bytes: u64,
    /// The entries lie elsewhere: how full that is is the database's business.
    is_elsewhere: bool,
    counted: Arc<Mutex<Option<(Instant, Counted)>>>,
}

/// What is slow to measure.
#[derive(Debug, Clone, Default)]
struct Counted {
    parts: Vec<(&'static str, Used)>,
    ms: i64,
    entries: u64,
    bytes_per_entry: u64,
}

impl Storage {
    /// The disk of a configuration.
    #[must_use]
    pub fn of(config: &Config) -> Self {
        Self {
            data_dir: config.log.data_dir.clone(),
            head_dir: config.head_dir(),
            segment_bytes: config.log.segment_bytes,
            is_elsewhere: config.is_in_database(),
            counted: Arc::default(),
        }
    }

    /// Measures. Walks the data directory if that was not done for ten minutes: not for threads that
    /// serve requests.
    ///
    /// # Errors
    /// If the disk or the log cannot be read.
    pub fn measure(&self, log: &Log, now_ms: i64) -> Result<Measured, LogError> {
        // Held while counting: whoever comes meanwhile waits for the same numbers.
        let mut kept = self.counted.lock().unwrap_or_else(PoisonError::into_inner);
        let fresh = kept.as_ref().filter(|(at, _)| at.elapsed() < COUNT_AGE_MAX);
        let counted = match fresh {
            Some((_, counted)) => counted.clone(),
            None => {
                let counted = self.count(log, now_ms)?;
                *kept = Some((Instant::now(), counted.clone()));
                counted
            }
        };
        drop(kept);
        let free_bytes = free_bytes(&self.data_dir).map_err(|error| failed(&error))?;
        let forecast = Forecast::of(&History {
            ms: counted.ms,
            entries: counted.entries,
            bytes_per_entry: counted.bytes_per_entry,
            free_bytes,
            reserve_bytes: self.segment_bytes,
        })
        .filter(|_| !self.is_elsewhere);
        let soon = forecast.and_then(|f| f.full_in_s).is_some_and(|s| s < NEARLY_FULL_S);
        Ok(Measured {
            parts: counted.parts,
            free_bytes,
            head_free_bytes: free_bytes_of_head(&self.head_dir, free_bytes),
            forecast,
            nearly_full: soon || free_bytes < NEARLY_FULL_SEGMENTS * self.segment_bytes,
        })
    }

    fn count(&self, log: &Log, now_ms: i64) -> Result<Counted, LogError> {
        let mut parts = Vec::with_capacity(PARTS.len());
        for (name, below) in PARTS {
            parts.push((name, used(&self.data_dir.join(below)).map_err(|error| failed(&error))?));
        }
        let size = log.size();
        let begun_ms = log.recorded_at_ms(0)?.unwrap_or(now_ms);
        let since_ms = begun_ms.max(now_ms - HISTORY_DAYS * DAY_MS);
        let before = log.recorded_by(since_ms)?;
        // Segments are filled with zeros beforehand, so how long entries are is read from entries.
        let newest = log.scan(size.saturating_sub(SAMPLE_ENTRIES), SAMPLE_BYTES)?;
        let (count, bytes) = newest.iter().fold((0_u64, 0_u64), |(count, bytes), (_, line)| {
            (count + 1, bytes + line.len() as u64 + 1)
        });
        let beside: u64 =
            parts.iter().filter(|(name, _)| *name != "entries").map(|(_, used)| used.bytes).sum();
        let bytes_per_entry = bytes.div_ceil(count.max(1)) + beside.div_ceil(size.max(1));
        Ok(Counted {
            parts,
            ms: now_ms - since_ms,
            entries: size.saturating_sub(before),
            bytes_per_entry,
        })
    }
}

fn failed(error: &io::Error) -> LogError {
    LogError::Failed(error.to_string())
}

/// A head store that cannot be asked lies in the data directory for what is known.
fn free_bytes_of_head(dir: &Path, otherwise: u64) -> u64 {
    free_bytes(dir).unwrap_or(otherwise)
}

/// Free bytes of the disk under a directory, for those who are not root.
///
/// # Errors
/// Those of the file system.
pub fn free_bytes(dir: &Path) -> io::Result<u64> {
    let room = rustix::fs::statvfs(dir)?;
    Ok(room.f_bavail.saturating_mul(room.f_frsize))
}

/// Counts files below a directory. What vanishes meanwhile is not counted; a missing directory is empty.
fn used(dir: &Path) -> io::Result<Used> {
    let mut total = Used::default();
    let mut waiting = vec![dir.to_owned()];
    while let Some(dir) = waiting.pop() {
        let entries = match fs::read_dir(&dir) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error),
        };
        for entry in entries {
            let entry = entry?;
            let metadata = match entry.metadata() {
                Ok(metadata) => metadata,
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                Err(error) => return Err(error),
            };
            if metadata.is_dir() {
                waiting.push(entry.path());
            } else {
                // `st_blocks` counts 512 bytes whatever the file system's block is (POSIX stat.h).
                total.bytes += metadata.blocks() * 512;
                total.files += 1;
            }
        }
    }
    Ok(total)
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_MS: i64 = 3_600_000;
    const GIB: u64 = 1 << 30;

    #[test]
    fn a_disk_is_full_when_growth_has_used_up_the_room() {
        let history = |ms, entries, bytes_per_entry, free_bytes, reserve_bytes| History {
            ms,
            entries,
            bytes_per_entry,
            free_bytes,
            reserve_bytes,
        };
        let forecast = |bytes_per_day, full_in_s| Some(Forecast { bytes_per_day, full_in_s });
        for (what, history, expected) in [
            ("too young to tell", history(HOUR_MS - 1, 10, 1_000, GIB, 0), None),
            (
                "an hour is enough",
                history(HOUR_MS, 1, 1_000, 24_000, 0),
                forecast(24_000, Some(DAY_S)),
            ),
            ("nothing recorded", history(30 * DAY_MS, 0, 1_000, GIB, 0), forecast(0, None)),
            (
                "a day's room",
                history(DAY_MS, 100, 1_000, 100_000, 0),
                forecast(100_000, Some(DAY_S)),
            ),
            (
                "the next segment is as good as taken",
                history(DAY_MS, 100, 1_000, 100_000, 50_000),
                forecast(100_000, Some(DAY_S / 2)),
            ),
            ("no room", history(DAY_MS, 100, 1_000, 10, 50), forecast(100_000, Some(0))),
            (
                "less than a byte a day is still growth",
                history(30 * DAY_MS, 1, 1, 10, 0),
                forecast(0, Some(300 * DAY_S)),
            ),
            (
                "numbers at their end",
                history(DAY_MS, u64::MAX, u64::MAX, u64::MAX, 0),
                forecast(u64::MAX, Some(0)),
            ),
            (
                "a large disk and a small log",
                history(30 * DAY_MS, 1, 1, u64::MAX, 0),
                forecast(0, Some(u64::MAX)),
            ),
        ] {
            assert_eq!(Forecast::of(&history), expected, "{what}");
        }
    }

    #[test]
    fn files_are_counted_with_those_below() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(used(&dir.path().join("missing")).unwrap(), Used::default());
        fs::create_dir_all(dir.path().join("a/b")).unwrap();
        fs::write(dir.path().join("a/b/one"), [1; 5_000]).unwrap();
        fs::write(dir.path().join("two"), [1; 10]).unwrap();
        let used = used(dir.path()).unwrap();
        assert_eq!(used.files, 2);
        assert!(used.bytes >= 5_010, "{used:?}");
        assert!(free_bytes(dir.path()).unwrap() > 0);
    }
}
