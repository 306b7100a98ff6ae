//! Opening a log: locks first, then the walk and the table, then the repairs a crash needs.
//!
//! Nothing is changed before the decision is made, and nothing at all if it is "stop".

use std::io;
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, RwLock};

use super::shelf::{Shelf, read_watermark};
use super::survey::{Depth, ENTRIES, Survey, Tail, list_segments, stop_at, survey};
use super::{
    ACTIVE_MODE, Active, CLEAN, FilesEngine, FilesOptions, MOVED, MOVED_BYTES_MAX, Offsets,
    RoomError, SEALED_MODE, SPARE, Segment, Shared, clean_text, extend_with_zeros, locked,
    segment_name,
};
use crate::disk::{
    Access, Dir, Disk, File, FileSystemPolicy, Lock, TEMP_SUFFIX, read_whole, write_durably,
};
use crate::engine::line::{TRAILER_BYTES_MAX, write_trailer};
use crate::engine::recovery::{Stop, StopCause, Tip};
use crate::error::{Doing as _, LedgerError, Result};
use crate::limits::SEGMENT_BYTES_MAX;

const CREATING: &str = "creating";

/// What opening found and did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recovered {
    /// The newest end of the log.
    pub tip: Tip,
    /// How it was opened.
    pub outcome: Outcome,
}

/// How a log was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The last stop was in good order.
    Clean,
    /// No clean stop was proven: the tail was written again with identical bytes, synced and read
    /// back from the device (R6). A new watermark is due before anything is acknowledged.
    Rewritten {
        /// Bytes written again.
        bytes: u64,
    },
    /// As `Rewritten`, and bytes at the end were removed (R8).
    Cut(CutBytes),
    /// Reading only.
    Stopped(Stop),
}

/// Bytes that recovery removed from the end of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CutBytes {
    /// The segment.
    pub name: String,
    /// Where they stood.
    pub offset: u64,
    /// How many, up to the last that was not zero; 0 if only a trailer was missing.
    pub bytes: u64,
    /// The side file that keeps them, below the log directory.
    pub kept_as: Option<String>,
}

/// A log whose directories are locked for this process and not yet opened.
#[derive(Debug)]
pub struct LockedFiles {
    options: FilesOptions,
    log: Arc<dyn Dir>,
    head: Arc<dyn Dir>,
    locks: Vec<Box<dyn Lock>>,
}

impl LockedFiles {
    /// Makes the directories of a new log and locks them. Until
    /// [`finish_creating`](Self::finish_creating) a marker tells that nothing was promised to anybody
    /// yet; creating again then begins anew.
    ///
    /// # Errors
    /// [`LedgerError::Exists`] if there are entries or a watermark already.
    pub fn create(disk: &dyn Disk, options: FilesOptions) -> Result<Self> {
        let log_name = options.log_dir.display().to_string();
        let head_name = options.head_dir.display().to_string();
        let log = disk.create_dir_all(&options.log_dir).doing("create", &log_name)?;
        let head = disk.create_dir_all(&options.head_dir).doing("create", &head_name)?;
        for name in [ENTRIES, "tile", "checkpoints", "cut"] {
            log.create_dir(name).doing("create", name)?;
        }
        log.sync().doing("sync", &log_name)?;
        let this = Self::lock(log, head, options)?;
        if this.log.stat(CREATING).doing("look for", CREATING)?.is_some() {
            this.wipe()?;
        }
        let entries = this.entries()?.list().doing("list", ENTRIES)?;
        if entries.iter().any(|name| name.ends_with(".log")) || this.watermark()?.is_some() {
            return Err(LedgerError::Exists { name: log_name });
        }
        write_durably(&*this.log, CREATING, b"", 0o600).doing("write", CREATING)?;
        Ok(this)
    }

    /// Removes what an unfinished creation left.
    fn wipe(&self) -> Result<()> {
        let checkpoints = self.log.open_dir("checkpoints").doing("open", "checkpoints")?;
        for (dir, ours) in [
            (&self.entries()?, ".log"),
            (&checkpoints, super::shelf::NOTE_SUFFIX),
            (&self.head, super::shelf::WATERMARK),
        ] {
            for name in dir.list().doing("list", "the unfinished log")? {
                if name.ends_with(ours) || name.ends_with(TEMP_SUFFIX) {
                    dir.remove(&name).doing("remove", &name)?;
                }
            }
            dir.sync().doing("sync", "the unfinished log")?;
        }
        Ok(())
    }

    /// Declares the creation of the log in `log_dir` finished: from now on it exists.
    ///
    /// # Errors
    /// If the marker cannot be removed durably.
    pub fn finish_creating(disk: &dyn Disk, log_dir: &std::path::Path) -> Result<()> {
        let log = disk.open_dir(log_dir).doing("open", &log_dir.display().to_string())?;
        log.remove(CREATING).doing("remove", CREATING)?;
        log.sync().doing("sync the directory of", CREATING)
    }

    /// Locks the directories of an existing log (R10). Creates nothing.
    ///
    /// # Errors
    /// [`LedgerError::NoLog`], [`LedgerError::Locked`], and [`LedgerError::Foreign`] for a file
    /// system that does not keep what it promises (R15).
    pub fn existing(disk: &dyn Disk, options: FilesOptions) -> Result<Self> {
        Self::existing_for(disk, options, None)
    }

    /// As [`existing`](Self::existing), also if the log was moved on to this very place.
    pub(crate) fn existing_for(
        disk: &dyn Disk,
        options: FilesOptions,
        moving_to: Option<&str>,
    ) -> Result<Self> {
        let open = |path: &std::path::Path| match disk.open_dir(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Err(LedgerError::NoLog {
                name: path.display().to_string(),
                what: "create one first, or check the path",
            }),
            opened => opened.doing("open", &path.display().to_string()),
        };
        let (log, head) = (open(&options.log_dir)?, open(&options.head_dir)?);
        if log.stat(CREATING).doing("look for", CREATING)?.is_some() {
            return Err(LedgerError::NoLog {
                name: options.log_dir.display().to_string(),
                what: "its creation was interrupted: create it again",
            });
        }
        if let Some(to) = read_whole(&*log, MOVED, MOVED_BYTES_MAX).doing("read", MOVED)? {
            let to = String::from_utf8_lossy(&to).into_owned();
            if moving_to != Some(to.as_str()) {
                return Err(LedgerError::Moved { to });
            }
        }
        Self::lock(log, head, options)
    }

    fn lock(log: Arc<dyn Dir>, head: Arc<dyn Dir>, options: FilesOptions) -> Result<Self> {
        if options.segment_bytes == 0 || options.segment_bytes > SEGMENT_BYTES_MAX {
            return Err(LedgerError::Foreign {
                name: "segment_bytes".to_owned(),
                what: format!("must be 1 to {SEGMENT_BYTES_MAX}"),
            });
        }
        let mut locks = Vec::new();
        for (dir, path) in [(&log, &options.log_dir), (&head, &options.head_dir)] {
            let name = path.display().to_string();
            refuse_file_system(&**dir, &name, options.file_systems)?;
            // One directory for both is allowed, and needs one lock only.
            if locks.is_empty() || options.log_dir != options.head_dir {
                let lock = dir.lock().doing("lock", &name)?;
                locks.push(lock.ok_or(LedgerError::Locked { name })?);
            }
        }
        Ok(Self { options, log, head, locks })
    }

    /// The watermark as it stands, to be verified by the caller before [`open`](Self::open).
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn watermark(&self) -> Result<Option<Vec<u8>>> {
        read_watermark(&*self.head)
    }

    /// The newest checkpoint that left the process, to be verified by the caller.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn newest_checkpoint(&self) -> Result<Option<Vec<u8>>> {
        let shelf = self.shelf()?;
        match shelf.checkpoint_sizes()?.last() {
            Some(size) => shelf.checkpoint(*size),
            None => Ok(None),
        }
    }

    fn entries(&self) -> Result<Arc<dyn Dir>> {
        let missing = LedgerError::NoLog { name: ENTRIES.to_owned(), what: "check the path" };
        match self.log.stat(ENTRIES).doing("look for", ENTRIES)? {
            None => Err(missing),
            Some(_) => self.log.open_dir(ENTRIES).doing("open", ENTRIES),
        }
    }

    /// Walks, decides, repairs, opens. `watermark_size` is the size of the verified watermark, or
    /// `None` if there is none that can be read.
    ///
    /// # Errors
    /// [`LedgerError::Foreign`] for things that do not belong there (E15), I/O errors. What the
    /// end-of-log table stops on is no error: the log opens for reading only.
    pub fn open(self, watermark_size: Option<u64>) -> Result<(FilesEngine, Recovered)> {
        let entries = self.entries()?;
        let names = list_segments(&*entries)?;
        let survey = survey(&entries, &names, Depth::SinceWatermark(watermark_size))?;
        match survey.stop.clone() {
            Some(stop) => self.open_stopped(entries, survey, stop),
            None => self.open_writable(entries, survey, watermark_size.unwrap_or(0)),
        }
    }

    fn shelf(&self) -> Result<Shelf> {
        let dir = |name| self.log.create_dir(name).doing("open", name);
        let (checkpoints, tiles) = (dir("checkpoints")?, dir("tile")?);
        Ok(Shelf::new(Arc::clone(&self.head), checkpoints, tiles, self.watermark()?))
    }

    fn open_stopped(
        self,
        entries: Arc<dyn Dir>,
        survey: Survey,
        stop: Stop,
    ) -> Result<(FilesEngine, Recovered)> {
        tracing::error!(reason = %stop, "the log is open for reading only");
        let recovered = Recovered { tip: survey.tip, outcome: Outcome::Stopped(stop.clone()) };
        let shared = self.shared(entries, survey, false)?;
        Ok((self.engine(shared, None, Some(stop), recovered.tip), recovered))
    }

    fn open_writable(
        self,
        entries: Arc<dyn Dir>,
        mut survey: Survey,
        watermark_size: u64,
    ) -> Result<(FilesEngine, Recovered)> {
        let clean = self.take_clean_mark(&survey.tip)?;
        remove_leftovers(&*entries, &survey)?;
        let tip = survey.tip;
        let (active, outcome) = match survey.tail.take() {
            // The last segment is sealed, or there is none: the next one begins here (E14).
            None => {
                if !clean && let Some((name, end)) = &survey.last_sealed {
                    seal_again(&*entries, name, *end)?;
                }
                (self.begin_segment(&entries, tip.count)?, Outcome::Rewritten { bytes: 0 })
            }
            Some(tail) => self.mend(&entries, tail, &tip, watermark_size, clean)?,
        };
        let outcome =
            if clean && !matches!(outcome, Outcome::Cut(_)) { Outcome::Clean } else { outcome };
        let shared = self.shared(entries, survey, true)?;
        shared.add(Arc::clone(&active.segment));
        let recovered = Recovered { tip, outcome };
        Ok((self.engine(shared, Some(active), None, tip), recovered))
    }

    fn shared(&self, entries: Arc<dyn Dir>, survey: Survey, writable: bool) -> Result<Arc<Shared>> {
        let shelf = self.shelf()?;
        let mut segments = survey.segments;
        if !writable {
            segments.extend(survey.tail.map(|tail| Arc::new(tail.segment(None))));
        }
        Ok(Arc::new(Shared {
            entries,
            segments: RwLock::new(segments),
            count: AtomicU64::new(survey.tip.count),
            shelf,
            segment_bytes: self.options.segment_bytes,
            spare_ready: Mutex::new(false),
            writable,
        }))
    }

    fn engine(
        self,
        shared: Arc<Shared>,
        active: Option<Active>,
        stop: Option<Stop>,
        tip: Tip,
    ) -> FilesEngine {
        FilesEngine {
            shared,
            log: self.log,
            active,
            stop,
            poison: None,
            tip_leaf: tip.leaf,
            buf: Vec::new(),
            _locks: self.locks,
        }
    }

    /// Whether the last stop left its mark for exactly this end; the mark is gone, durably, before
    /// anything is written.
    fn take_clean_mark(&self, tip: &Tip) -> Result<bool> {
        let Some(mark) = read_whole(&*self.log, CLEAN, 256).doing("read", CLEAN)? else {
            return Ok(false);
        };
        self.log.remove(CLEAN).doing("remove", CLEAN)?;
        self.log.sync().doing("sync the directory of", CLEAN)?;
        Ok(mark == clean_text(tip).as_bytes())
    }

    fn begin_segment(&self, entries: &Arc<dyn Dir>, first: u64) -> Result<Active> {
        let name = segment_name(first);
        let create = || -> io::Result<Arc<dyn File>> {
            if entries.stat(&name)?.is_some() {
                entries.remove(&name)?;
            }
            let file = entries.create(&name, ACTIVE_MODE)?;
            match extend_with_zeros(&*file, 0, self.options.segment_bytes) {
                Ok(()) => entries.sync().map(|()| file),
                Err(RoomError::Full(error) | RoomError::Broken(_, error)) => Err(error),
            }
        };
        let file = create().doing("pre-allocate", &name)?;
        let segment = Segment {
            first,
            name,
            file: Mutex::new(Some(Arc::clone(&file))),
            offsets: Mutex::new(Some(Offsets::default())),
        };
        Ok(Active {
            segment: Arc::new(segment),
            file,
            end: 0,
            capacity: self.options.segment_bytes,
        })
    }

    /// Makes the unsealed last segment what it must be before the first append: bytes behind the
    /// good end kept aside and zeroed, an open batch closed, the tail since the watermark written
    /// again and proven to be on the device.
    fn mend(
        &self,
        entries: &Arc<dyn Dir>,
        mut tail: Tail,
        tip: &Tip,
        watermark_size: u64,
        clean: bool,
    ) -> Result<(Active, Outcome)> {
        let cut = if tail.cut { Some(self.keep_aside(&tail)?) } else { None };
        // A segment is large: it is mended where it lies in memory.
        let mut bytes = std::mem::take(&mut tail.bytes);
        let name = &tail.name;
        let file = entries.open(name, Access::ReadWrite).doing("open", name)?;

        let len = bytes.len() as u64;
        let dirty_end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
        bytes.truncate(tail.walk.end);
        if tail.walk.batch_open() {
            write_trailer(tip.count - tail.walk.batch_first, &tip.leaf, &mut bytes);
        }
        let end = bytes.len();
        bytes.resize(end.max(dirty_end), 0);
        // Under the zeros of the trailer's place nothing of the old bytes remains either.
        let from =
            if clean && cut.is_none() { bytes.len() } else { tail.rewrite_from(watermark_size) };
        if from < bytes.len() {
            file.write_all_at(&bytes[from..], from as u64).doing("rewrite", name)?;
        }
        let capacity = len.max(self.options.segment_bytes).max((end + TRAILER_BYTES_MAX) as u64);
        if capacity > len {
            match extend_with_zeros(&*file, len.max(bytes.len() as u64), capacity) {
                Ok(()) => {}
                Err(RoomError::Full(error) | RoomError::Broken(_, error)) => {
                    return Err(error).doing("pre-allocate", name);
                }
            }
        }
        file.sync_data().doing("sync", name)?;
        entries.sync().doing("sync the directory of", name)?;
        if from < bytes.len() {
            let read = entries.read_from_device(name, from as u64, bytes.len() - from);
            if read.doing("read back", name)? != bytes[from..] {
                return Err(LedgerError::Damaged {
                    seq: watermark_size.max(tail.first),
                    name: name.clone(),
                    offset: from as u64,
                    what: "the device does not give back what was written: replace it".to_owned(),
                });
            }
        }
        let segment = Arc::new(tail.segment(Some(Arc::clone(&file))));
        if let Some(map) = &mut *locked(&segment.offsets) {
            map.end = end as u64;
        }
        let active = Active { segment, file, end: end as u64, capacity };
        let rewritten = Outcome::Rewritten { bytes: (bytes.len() - from.min(bytes.len())) as u64 };
        Ok((active, cut.map_or(rewritten, Outcome::Cut)))
    }

    /// Copies what will be cut to a side file, durably.
    fn keep_aside(&self, tail: &Tail) -> Result<CutBytes> {
        let offset = tail.walk.end;
        let rest = &tail.bytes[offset..];
        let len = rest.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
        let mut cut = CutBytes {
            name: tail.name.clone(),
            offset: offset as u64,
            bytes: len as u64,
            kept_as: None,
        };
        if len > 0 {
            let dir = self.log.create_dir("cut").doing("create", "cut")?;
            let taken = dir.list().doing("list", "cut")?.len();
            let name = format!("{:020}-{taken:04}.bytes", tail.walk.tip.count);
            write_durably(&*dir, &name, &rest[..len], 0o600).doing("write", &name)?;
            self.log.sync().doing("sync the directory of", "cut")?;
            tracing::warn!(
                count = tail.walk.tip.count, offset, bytes = len, segment = %tail.name, side_file = %name,
                "bytes at the end of the log were cut"
            );
            cut.kept_as = Some(format!("cut/{name}"));
        }
        Ok(cut)
    }
}

/// Seals the last segment again, which looks sealed: the process that did it may have died, or met
/// an error, before length and mode were durable. Its entries were durable before it began.
fn seal_again(entries: &dyn Dir, name: &str, end: u64) -> Result<()> {
    let seal = || -> io::Result<()> {
        let mut file = entries.open(name, Access::Read)?;
        if file.size()? != end {
            // The mode was kept and the new length was not.
            file.set_mode(ACTIVE_MODE)?;
            file = entries.open(name, Access::ReadWrite)?;
            file.set_len(end)?;
        }
        file.set_mode(SEALED_MODE)?;
        file.sync_all()
    };
    seal().doing("seal", name)?;
    entries.sync().doing("sync the directory of", name)
}

fn refuse_file_system(dir: &dyn Dir, name: &str, policy: FileSystemPolicy) -> Result<()> {
    let kind = dir.file_system().doing("ask for the file system of", name)?;
    if let crate::disk::FileSystem::Other(magic) = kind {
        tracing::warn!(%name, magic, "a file system nobody has tried: ext4 and XFS are supported");
    }
    if dir.has_volatile_cache() == Some(true) {
        // Once a process: a process that opens several logs (demo, tests) says nothing new by repeating it.
        static SAID: std::sync::Once = std::sync::Once::new();
        SAID.call_once(|| {
            tracing::warn!(%name, "the disk has a volatile write cache: it must honour flush, or a power cut can take acknowledged entries");
        });
    }
    match kind.refusal(policy) {
        Some(what) => Err(LedgerError::Foreign { name: name.to_owned(), what: what.to_owned() }),
        None => Ok(()),
    }
}

/// Looks at the entries of a log without locking or changing anything, every byte of them.
///
/// # Errors
/// As [`LockedFiles::open`].
pub(crate) fn look_at_entries(
    disk: &dyn Disk,
    options: &FilesOptions,
) -> Result<crate::audit::Found> {
    let open =
        |path: &std::path::Path| disk.open_dir(path).doing("open", &path.display().to_string());
    let (log, head) = (open(&options.log_dir)?, open(&options.head_dir)?);
    let dir = |name| log.open_dir(name).doing("open", name);
    let (entries, checkpoints, tiles) = (dir(ENTRIES)?, dir("checkpoints")?, dir("tile")?);
    let mut survey = survey(&entries, &list_segments(&*entries)?, Depth::Everything)?;
    let mut unfinished = None;
    if let Some(tail) = survey.tail.as_ref().filter(|tail| tail.cut) {
        // A batch under way, or one a crash tore: it is not in the log (yet).
        survey.tip.count = tail.walk.batch_first;
        let offset = tail.walk.end as u64;
        unfinished = Some(stop_at(StopCause::Damaged, tail.walk.tip.count, &tail.name, offset));
    }
    let shelf = Shelf::new(head, checkpoints, tiles, None);
    let mut segments = survey.segments;
    segments.extend(survey.tail.map(|tail| Arc::new(tail.segment(None))));
    let store = Arc::new(Shared {
        entries,
        segments: RwLock::new(segments),
        count: AtomicU64::new(survey.tip.count),
        shelf,
        segment_bytes: options.segment_bytes,
        spare_ready: Mutex::new(false),
        writable: false,
    });
    Ok(crate::audit::Found { store, damage: survey.stop, unfinished })
}

/// Removes what a crash left half made: temporary files and a pre-allocated, unused segment.
fn remove_leftovers(entries: &dyn Dir, survey: &Survey) -> Result<()> {
    let mut changed = false;
    for name in entries.list().doing("list", ENTRIES)? {
        let unused = survey.unused.as_deref() == Some(name.as_str());
        if name.ends_with(TEMP_SUFFIX) || unused || name == SPARE {
            entries.remove(&name).doing("remove", &name)?;
            changed = true;
        }
    }
    if changed { entries.sync().doing("sync", ENTRIES) } else { Ok(()) }
}
