//! The spool: parcels that were acknowledged to a machine and are not yet recorded, in order, on disk.
//!
//! Append-only segments `<number of the first frame>.seg`, a `cursor` with the number of the first
//! frame that is not delivered, and `damaged/` for bytes that could not be read.
//!
//! - **Commit point**: [`Spool::append`] returns after the parcel's segment is synced; only then may
//!   anybody be told that it was taken. Appends that wait for a sync share the next one.
//! - **Delivered** parcels are forgotten by moving the cursor, and deleted segment by segment. A cursor
//!   that is lost or behind costs repeated deliveries, which the recorder answers with the receipt
//!   it gave before; a cursor is never ahead.
//! - **Start**: every frame that is whole is kept, wherever it lies; bytes that are none are copied to
//!   `damaged/` and reported. The newest segment, the only one that can be torn, is written again with
//!   the same bytes and synced before anything in it counts as durable: after a failed sync the page
//!   cache may show what the disk never got. Nothing is appended to a segment of an earlier run.
//! - **After a failed write or sync** nothing is taken until a restart; only a disk that is full is
//!   outlived, because the write that found no room is taken back whole, and emptying
//!   the spool needs no room.

mod frame;
#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, HashSet, VecDeque};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, ErrorKind, Write as _};
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::limits::{SEGMENT_BYTES, SEGMENTS_MIN};
use crate::parcel::{Parcel, ParcelId};

/// Why the spool cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    /// The file system said no.
    #[error("could not {what} `{path}`")]
    File {
        /// What was tried.
        what: &'static str,
        /// On which path.
        path: PathBuf,
        /// Why it failed.
        #[source]
        cause: io::Error,
    },
    /// Another process uses it.
    #[error("`{0}` is in use by another relay")]
    InUse(PathBuf),
}

/// Why nothing was taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum AppendError {
    /// The bound of the spool is reached.
    #[error("the spool is full")]
    Full,
    /// The disk is full.
    #[error("the disk of the spool is full")]
    NoRoom,
    /// A write or sync failed before; a restart is needed.
    #[error("the spool takes nothing after an error of the disk")]
    Broken,
}

/// What became of parcels that were appended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Appended {
    /// Parcels that are new.
    pub new: usize,
    /// Parcels that were in the spool already.
    pub known: usize,
}

/// A parcel that waits, and its number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Waiting {
    /// Number of its frame; higher is later.
    pub number: u64,
    /// What is to be delivered.
    pub parcel: Parcel,
}

/// How full the spool is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Standing {
    /// Parcels that wait.
    pub parcels: usize,
    /// Bytes its segments take.
    pub bytes: u64,
    /// Bytes they may take.
    pub bytes_max: u64,
    /// Places where bytes could not be read, since the start.
    pub damaged: u64,
    /// Nothing is taken until a restart.
    pub broken: bool,
}

/// Where a frame lies.
#[derive(Debug, Clone, Copy)]
struct Slot {
    number: u64,
    segment: u64,
    offset: u64,
    len: u32,
}

/// The segment that is written to.
#[derive(Debug)]
struct Active {
    segment: u64,
    file: Arc<File>,
    len: u64,
}

#[derive(Debug)]
struct Inner {
    /// Frames that are not delivered, in order.
    slots: VecDeque<Slot>,
    /// The parcels in them.
    known: HashSet<ParcelId>,
    /// Length of each segment, by number of its first frame.
    segments: BTreeMap<u64, u64>,
    active: Option<Active>,
    next: u64,
    /// Frames below are synced.
    durable: u64,
    bytes: u64,
    damaged: u64,
    broken: bool,
}

/// The spool. One process at a time, held by a lock on its folder.
#[derive(Debug)]
pub struct Spool {
    folder: PathBuf,
    bytes_max: u64,
    segment_bytes: u64,
    inner: Mutex<Inner>,
    /// One sync at a time; whoever waits for it shares the next.
    syncing: Mutex<()>,
    cursor: File,
    _lock: File,
}

fn failed<'p>(what: &'static str, path: &'p Path) -> impl FnOnce(io::Error) -> SpoolError + 'p {
    move |cause| SpoolError::File { what, path: path.to_owned(), cause }
}

/// Makes a file of this name whole or not at all, and durable.
pub(crate) fn write_durably(path: &Path, bytes: &[u8]) -> Result<(), SpoolError> {
    let temporary = path.with_extension("new");
    let mut file = File::create(&temporary).map_err(failed("create", &temporary))?;
    file.write_all(bytes).map_err(failed("write", &temporary))?;
    file.sync_all().map_err(failed("sync", &temporary))?;
    fs::rename(&temporary, path).map_err(failed("rename", &temporary))?;
    sync_folder(path.parent().unwrap_or(Path::new(".")))
}

/// Makes the names in a folder durable.
pub(crate) fn sync_folder(folder: &Path) -> Result<(), SpoolError> {
    File::open(folder).and_then(|f| f.sync_all()).map_err(failed("sync", folder))
}

/// Whether an error says that the disk is full.
fn is_full(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded)
}

impl Spool {
    /// Opens the spool in `folder`, creating it when it is not there.
    ///
    /// # Errors
    /// [`SpoolError`].
    pub fn open(folder: &Path, bytes_max: u64) -> Result<Self, SpoolError> {
        Self::open_with(folder, bytes_max, SEGMENT_BYTES.min(bytes_max / SEGMENTS_MIN))
    }

    fn open_with(folder: &Path, bytes_max: u64, segment_bytes: u64) -> Result<Self, SpoolError> {
        fs::create_dir_all(folder).map_err(failed("create", folder))?;
        let path = folder.join("lock");
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(failed("open", &path))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(SpoolError::InUse(folder.to_owned())),
            Err(TryLockError::Error(cause)) => {
                return Err(SpoolError::File { what: "lock", path, cause });
            }
        }
        let (cursor_file, cursor) = open_cursor(&folder.join("cursor"))?;
        let mut inner = Inner {
            slots: VecDeque::new(),
            known: HashSet::new(),
            segments: BTreeMap::new(),
            active: None,
            next: cursor,
            durable: cursor,
            bytes: 0,
            damaged: 0,
            broken: false,
        };
        let segments = segments_in(folder)?;
        let newest = segments.last().copied();
        for segment in segments {
            take_in(&mut inner, folder, segment, cursor, Some(segment) == newest)?;
        }
        inner.durable = inner.next;
        Ok(Self {
            folder: folder.to_owned(),
            bytes_max,
            segment_bytes,
            inner: Mutex::new(inner),
            syncing: Mutex::new(()),
            cursor: cursor_file,
            _lock: lock,
        })
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes parcels, all or none, and returns when they would survive a power cut. One that is in
    /// the spool already is not taken again. Blocks for a sync of the disk.
    ///
    /// # Errors
    /// [`AppendError`]: none of them was taken. After [`AppendError::Broken`] some may be on the disk
    /// all the same; sent again they are the same events.
    pub fn append(&self, parcels: &[Parcel]) -> Result<Appended, AppendError> {
        let (appended, through) = self.write(parcels)?;
        self.sync_through(through)?;
        Ok(appended)
    }

    /// Writes parcels without syncing; returns the number below which a sync must reach.
    fn write(&self, parcels: &[Parcel]) -> Result<(Appended, u64), AppendError> {
        let mut inner = self.inner();
        if inner.broken {
            return Err(AppendError::Broken);
        }
        let mut appended = Appended::default();
        let mut ids = Vec::with_capacity(parcels.len());
        let mut places = Vec::with_capacity(parcels.len());
        let mut bytes = Vec::new();
        for parcel in parcels {
            let id = parcel.id();
            if inner.known.contains(&id) || ids.contains(&id) {
                appended.known += 1;
                continue;
            }
            let (number, start) = (inner.next + ids.len() as u64, bytes.len());
            frame::write(&mut bytes, number, &parcel.encode());
            places.push((number, start, bytes.len() - start));
            ids.push(id);
            appended.new += 1;
        }
        if ids.is_empty() {
            return Ok((appended, inner.next));
        }
        if inner.bytes + bytes.len() as u64 > self.bytes_max {
            return Err(AppendError::Full);
        }
        let (segment, offset) = self.write_bytes(&mut inner, &bytes)?;
        for (number, start, len) in places {
            let len = u32::try_from(len).unwrap_or(u32::MAX);
            inner.slots.push_back(Slot { number, segment, offset: offset + start as u64, len });
        }
        inner.next += ids.len() as u64;
        inner.known.extend(ids);
        Ok((appended, inner.next))
    }

    /// Writes bytes at the end of the active segment, which is changed before if it is long enough.
    /// Returns where they lie.
    fn write_bytes(&self, inner: &mut Inner, bytes: &[u8]) -> Result<(u64, u64), AppendError> {
        let broken = |inner: &mut Inner, error: &dyn std::fmt::Display| {
            inner.broken = true;
            tracing::error!(%error, "the spool cannot be written: nothing is taken until a restart");
            AppendError::Broken
        };
        if inner.active.as_ref().is_some_and(|active| active.len >= self.segment_bytes) {
            // A segment that is not the newest is durable: only the newest is mended at a start.
            let sealed = inner.active.take();
            if let Some(Err(error)) = sealed.map(|sealed| sealed.file.sync_data()) {
                return Err(broken(inner, &error));
            }
            inner.durable = inner.next;
            self.forget_segments(inner);
        }
        let (segment, file, len) = match &inner.active {
            Some(active) => (active.segment, Arc::clone(&active.file), active.len),
            None => {
                let segment = inner.next;
                let path = segment_path(&self.folder, segment);
                let made = OpenOptions::new().create_new(true).read(true).write(true).open(&path);
                let file = match made {
                    Ok(file) => Arc::new(file),
                    Err(error) if is_full(&error) => return Err(AppendError::NoRoom),
                    Err(error) => return Err(broken(inner, &error)),
                };
                if let Err(error) = sync_folder(&self.folder) {
                    return Err(broken(inner, &error));
                }
                inner.active = Some(Active { segment, file: Arc::clone(&file), len: 0 });
                inner.segments.insert(segment, 0);
                (segment, file, 0)
            }
        };
        if let Err(error) = file.write_all_at(bytes, len) {
            // Taken back whole, so that what comes next stands where a reader looks for it.
            return match file.set_len(len) {
                Ok(()) if is_full(&error) => Err(AppendError::NoRoom),
                Ok(()) | Err(_) => Err(broken(inner, &error)),
            };
        }
        let len = len + bytes.len() as u64;
        if let Some(active) = &mut inner.active {
            active.len = len;
        }
        inner.segments.insert(segment, len);
        inner.bytes += bytes.len() as u64;
        Ok((segment, len - bytes.len() as u64))
    }

    /// Returns when every frame below `through` is durable.
    fn sync_through(&self, through: u64) -> Result<(), AppendError> {
        let _one = self.syncing.lock().unwrap_or_else(PoisonError::into_inner);
        let (file, written) = {
            let inner = self.inner();
            if inner.broken {
                return Err(AppendError::Broken);
            }
            if inner.durable >= through {
                return Ok(());
            }
            // What is not durable lies in the active segment.
            let Some(active) = &inner.active else { return Err(AppendError::Broken) };
            (Arc::clone(&active.file), inner.next)
        };
        let synced = file.sync_data();
        let mut inner = self.inner();
        match synced {
            Ok(()) => {
                inner.durable = inner.durable.max(written);
                Ok(())
            }
            Err(error) => {
                inner.broken = true;
                tracing::error!(%error, "a sync failed: nothing is taken until a restart");
                Err(AppendError::Broken)
            }
        }
    }

    /// The oldest parcels that wait and are durable, in order: at most `count`, and at most `bytes` of
    /// events but for the first. Damaged ones are left out, kept in `damaged/` and reported.
    ///
    /// # Errors
    /// [`SpoolError`] if the disk cannot be read.
    pub fn waiting(&self, count: usize, bytes: usize) -> Result<Vec<Waiting>, SpoolError> {
        let slots: Vec<Slot> = {
            let inner = self.inner();
            let durable = |slot: &&Slot| slot.number < inner.durable;
            inner.slots.iter().take_while(durable).take(count).copied().collect()
        };
        let (mut found, mut taken) = (Vec::new(), 0);
        let mut open: Option<(u64, File)> = None;
        for slot in slots {
            let path = segment_path(&self.folder, slot.segment);
            let file = match open.take().filter(|(segment, _)| *segment == slot.segment) {
                Some((_, file)) => file,
                None => File::open(&path).map_err(failed("open", &path))?,
            };
            let mut bytes_of = vec![0; slot.len as usize];
            file.read_exact_at(&mut bytes_of, slot.offset).map_err(failed("read", &path))?;
            open = Some((slot.segment, file));
            let (frames, _) = frame::scan(&bytes_of);
            let parcel = match &frames[..] {
                [one] if one.number == slot.number => Parcel::decode(&bytes_of[one.payload()]),
                _ => None,
            };
            let Some(parcel) = parcel else {
                keep_damaged(&self.folder, slot.segment, slot.offset, &bytes_of)?;
                let mut inner = self.inner();
                inner.damaged += 1;
                inner.slots.retain(|other| other.number != slot.number);
                continue;
            };
            taken += parcel.body_len();
            if taken > bytes && !found.is_empty() {
                break;
            }
            found.push(Waiting { number: slot.number, parcel });
        }
        Ok(found)
    }

    /// Forgets parcels, the oldest ones: they are recorded or kept elsewhere.
    ///
    /// # Errors
    /// [`SpoolError`]: they may come again, after a restart.
    pub fn delivered(&self, parcels: &[Waiting]) -> Result<(), SpoolError> {
        let Some(last) = parcels.last() else { return Ok(()) };
        write_cursor(&self.cursor, last.number + 1)
            .map_err(failed("write", &self.folder.join("cursor")))?;
        let mut inner = self.inner();
        for done in parcels {
            inner.known.remove(&done.parcel.id());
        }
        while inner.slots.front().is_some_and(|slot| slot.number <= last.number) {
            inner.slots.pop_front();
        }
        self.forget_segments(&mut inner);
        Ok(())
    }

    /// Deletes segments that hold nothing that waits. One that cannot be deleted is read again at the
    /// next start and costs nothing but room.
    fn forget_segments(&self, inner: &mut Inner) {
        let oldest = inner.slots.front().map(|slot| slot.segment);
        let active = inner.active.as_ref().map(|active| active.segment);
        while let Some((&segment, &len)) = inner.segments.first_key_value() {
            let held = Some(segment) == active || oldest.is_some_and(|oldest| oldest <= segment);
            if held {
                return;
            }
            if let Err(error) = fs::remove_file(segment_path(&self.folder, segment)) {
                tracing::warn!(%error, segment, "a delivered segment could not be deleted");
            }
            inner.segments.remove(&segment);
            inner.bytes -= len;
        }
    }

    /// How full it is.
    pub fn standing(&self) -> Standing {
        let inner = self.inner();
        Standing {
            parcels: inner.slots.len(),
            bytes: inner.bytes,
            bytes_max: self.bytes_max,
            damaged: inner.damaged,
            broken: inner.broken,
        }
    }
}

/// Opens the cursor and reads the number of the first frame that is not delivered; 0 if it is not
/// known, which is always safe.
fn open_cursor(path: &Path) -> Result<(File, u64), SpoolError> {
    let mut options = OpenOptions::new();
    options.create(true).truncate(false).read(true).write(true);
    let file = options.open(path).map_err(failed("open", path))?;
    let mut bytes = [0; CURSOR_BYTES];
    let number = match file.read_exact_at(&mut bytes, 0) {
        Ok(()) => std::str::from_utf8(&bytes)
            .ok()
            .and_then(|text| text[..20].parse().ok())
            .filter(|number| cursor_line(*number).as_bytes() == bytes),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => None,
        Err(cause) => return Err(failed("read", path)(cause)),
    };
    if number.is_none() {
        tracing::info!(path = %path.display(), "no cursor: whatever is in the spool is sent again");
        write_cursor(&file, 0).map_err(failed("write", path))?;
    }
    Ok((file, number.unwrap_or(0)))
}

/// Length of the cursor: twenty digits, their checksum, a line feed.
const CURSOR_BYTES: usize = 30;

fn cursor_line(number: u64) -> String {
    let digits = format!("{number:020}");
    format!("{digits} {:08x}\n", crc32fast::hash(digits.as_bytes()))
}

/// Writes the cursor where it lies: that needs no room, so a disk that is full can be emptied. Torn, it
/// does not fit its checksum, and counts as unknown.
fn write_cursor(file: &File, number: u64) -> io::Result<()> {
    file.write_all_at(cursor_line(number).as_bytes(), 0)?;
    file.sync_data()
}

fn segment_path(folder: &Path, segment: u64) -> PathBuf {
    folder.join(format!("{segment:020}.seg"))
}

/// Segments by number, ascending.
fn segments_in(folder: &Path) -> Result<Vec<u64>, SpoolError> {
    let mut found = Vec::new();
    for item in fs::read_dir(folder).map_err(failed("list", folder))? {
        let path = item.map_err(failed("list", folder))?.path();
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        if let Some(number) = name.strip_suffix(".seg").and_then(|n| n.parse().ok()) {
            found.push(number);
        }
    }
    found.sort_unstable();
    Ok(found)
}

/// Takes the frames of a segment in at a start.
fn take_in(
    inner: &mut Inner,
    folder: &Path,
    segment: u64,
    cursor: u64,
    newest: bool,
) -> Result<(), SpoolError> {
    let path = segment_path(folder, segment);
    let bytes = fs::read(&path).map_err(failed("read", &path))?;
    let (frames, gaps) = frame::scan(&bytes);
    for gap in gaps {
        // Zeros are room that was made and not written.
        if bytes[gap.clone()].iter().any(|byte| *byte != 0) {
            keep_damaged(folder, segment, gap.start as u64, &bytes[gap])?;
            inner.damaged += 1;
        }
    }
    if newest {
        // The same bytes at the same place: needs no room, and a crash in the middle changes nothing.
        let file = OpenOptions::new().write(true).open(&path).map_err(failed("open", &path))?;
        file.write_all_at(&bytes, 0).map_err(failed("write", &path))?;
        file.sync_all().map_err(failed("sync", &path))?;
    }
    for frame in frames {
        let parcel = Parcel::decode(&bytes[frame.payload()]);
        // A number that does not ascend is a frame that was read before.
        let ascends = inner.slots.back().is_none_or(|slot| slot.number < frame.number);
        inner.next = inner.next.max(frame.number + 1);
        if frame.number < cursor || !ascends {
            continue;
        }
        let Some(parcel) = parcel else {
            keep_damaged(folder, segment, frame.place.start as u64, &bytes[frame.place.clone()])?;
            inner.damaged += 1;
            continue;
        };
        let offset = frame.place.start as u64;
        let len = u32::try_from(frame.place.len()).unwrap_or(u32::MAX);
        inner.slots.push_back(Slot { number: frame.number, segment, offset, len });
        inner.known.insert(parcel.id());
    }
    let held = inner.slots.back().is_some_and(|slot| slot.segment == segment);
    if !held {
        return fs::remove_file(&path).map_err(failed("delete", &path));
    }
    inner.segments.insert(segment, bytes.len() as u64);
    inner.bytes += bytes.len() as u64;
    Ok(())
}

/// Keeps bytes that cannot be read, for whoever looks into it.
fn keep_damaged(folder: &Path, segment: u64, offset: u64, bytes: &[u8]) -> Result<(), SpoolError> {
    let folder = folder.join("damaged");
    let path = folder.join(format!("{segment:020}-{offset}.bin"));
    let kept = fs::create_dir_all(&folder)
        .map_err(failed("create", &folder))
        .and_then(|()| write_durably(&path, bytes));
    match kept {
        Err(SpoolError::File { cause, .. }) if is_full(&cause) => {
            // What is left of them stays in the segment until that is delivered.
            tracing::error!(segment, offset, "no room to keep bytes that cannot be read");
            return Ok(());
        }
        kept => kept?,
    }
    tracing::error!(
        kept_in = %path.display(),
        bytes = bytes.len(),
        "bytes of the spool cannot be read; torn by a crash they were never acknowledged"
    );
    Ok(())
}
