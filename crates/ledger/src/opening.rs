//! Creating and opening a whole log: engine, state, keys, notary, in the order that keeps the
//! promises. Threads come later, in [`ledger`](crate::Ledger); a simulator stops here.

use std::path::PathBuf;
use std::sync::Arc;

use chain::canon::Value;
use chain::entry::Entry;
use chain::note::VerifierKey;

use crate::core::{Core, Parts};
use crate::disk::Disk;
pub(crate) use crate::engine::files::Outcome as Opening;
use crate::engine::files::{FilesOptions, LockedFiles, Recovered};
use crate::engine::postgres::{self, ConnectedPg, PgEngine, PgOptions};
use crate::engine::recovery::{Stop, StopCause, Tip};
use crate::engine::{Engine, Store};
use crate::error::{LedgerError, Result};
use crate::index::{DiskIndex, Index, MemIndex, follow};
use crate::notary::{Anchors, Notary, SharedSigner, Signed, read_checkpoint};
use crate::seams::{Clock, Random};
use crate::shop::Shop;
use crate::submission::{LOG_SUBJECT, Outcome, Submission};

/// `schema` of `log.opened`: version of the event catalogue this program writes.
pub const SCHEMA_VERSION: u16 = 1;

/// What the ledger takes from outside.
pub struct Seams {
    /// The disk of the log and the head store.
    pub disk: Arc<dyn Disk>,
    /// Tells the time.
    pub clock: Arc<dyn Clock>,
    /// Makes salts.
    pub random: Box<dyn Random>,
    /// The log's key; its name is the origin of the log.
    pub signer: SharedSigner,
}

impl std::fmt::Debug for Seams {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Seams").field("origin", &self.signer.name()).finish_non_exhaustive()
    }
}

/// Where a log lies.
#[derive(Debug, Clone)]
pub enum LogPlace {
    /// In files of its own.
    Files(FilesOptions),
    /// In a database, which several recorders may share.
    Postgres(PgOptions),
}

impl LogPlace {
    /// Its name, for messages; nothing secret.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::Files(files) => files.log_dir.display().to_string(),
            Self::Postgres(options) => options.name().to_owned(),
        }
    }
}

impl From<&FilesOptions> for LogPlace {
    fn from(files: &FilesOptions) -> Self {
        Self::Files(files.clone())
    }
}

impl From<&LogPlace> for LogPlace {
    fn from(place: &LogPlace) -> Self {
        place.clone()
    }
}

/// Where the index is kept.
#[derive(Debug, Clone)]
pub enum IndexPlace {
    /// In memory: built again at every start. For tests and small logs.
    Memory,
    /// In this directory.
    Dir(PathBuf),
}

/// An opened log without threads.
#[derive(Debug)]
pub struct Opened {
    /// The writer's work.
    pub core: Core,
    /// Signs and keeps tiles; `None` if the log is read-only.
    pub notary: Option<Notary>,
    /// The index, caught up.
    pub index: Arc<dyn Index>,
    /// The reading half of the engine.
    pub store: Arc<dyn Store>,
    /// How it was opened.
    pub report: OpenReport,
}

/// How a log was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OpenReport {
    /// Name of the log.
    pub origin: String,
    /// Entries.
    pub count: u64,
    /// What recovery found and did.
    pub opening: Opening,
    /// What happened to the index.
    pub index: IndexReport,
}

impl OpenReport {
    /// Why the log is read-only, if it is.
    #[must_use]
    pub fn stop(&self) -> Option<&Stop> {
        match &self.opening {
            Opening::Stopped(stop) => Some(stop),
            Opening::Clean | Opening::Rewritten { .. } | Opening::Cut(_) => None,
        }
    }
}

/// What happened to the index while opening.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum IndexReport {
    /// It fitted the log and took in what was missing.
    Followed {
        /// Entries taken in.
        entries: u64,
    },
    /// It could not be used: moved aside and built anew.
    Rebuilt {
        /// Why.
        why: String,
    },
}

/// Creates a log: entry 0 is `log.opened`, covered by the first published checkpoint.
///
/// # Errors
/// [`LedgerError::Exists`] if there is a log already; I/O errors. An interrupted creation is begun
/// anew by the next call.
pub fn create(seams: Seams, place: impl Into<LogPlace>, continues: Option<&str>) -> Result<Signed> {
    let mut data = serde_json::json!({
        "key": seams.signer.vkey(),
        "origin": seams.signer.name(),
        "schema": SCHEMA_VERSION,
    });
    if let Some(checkpoint) = continues {
        data["continues"] = checkpoint.into();
    }
    let opened = Submission::by_the_log("log.opened", "log-opened", LOG_SUBJECT, &data)
        .map_err(|source| LedgerError::OwnEvent { name: "log.opened", source })?;

    let mut seams = seams;
    let place = place.into();
    let (engine, tip, unfinished) = begin(&mut seams, &place)?;
    let mut core = Core::new(
        Parts {
            engine,
            index: Arc::new(MemIndex::new()),
            origin: seams.signer.name().into(),
            tip,
            clock: seams.clock,
            random: seams.random,
        },
        Shop::new(),
    );
    let answer = core.process(vec![opened]).pop();
    match answer {
        Some(Ok(Outcome::Recorded { .. })) => {}
        Some(Err(failure)) => return Err(LedgerError::Failed { failure }),
        Some(Ok(_)) | None => {
            return Err(LedgerError::Exists { name: place.name() });
        }
    }
    let (store, committed) = (core.store(), core.committed());
    let notary = Notary::open(store, seams.signer, committed, &Anchors::default())?;
    let signed = match notary {
        Ok(mut notary) => notary.publish()?.clone(),
        Err(reason) => return Err(LedgerError::ReadOnly { reason }),
    };
    core.close()?;
    unfinished.finish()?;
    Ok(signed)
}

/// A log that is being created and may be begun anew until it is finished.
pub(crate) enum Unfinished {
    Files(Arc<dyn Disk>, PathBuf),
    Postgres(postgres::Unfinished),
}

impl Unfinished {
    pub(crate) fn finish(self) -> Result<()> {
        match self {
            Self::Files(disk, log_dir) => LockedFiles::finish_creating(&*disk, &log_dir),
            Self::Postgres(unfinished) => unfinished.finish(),
        }
    }
}

/// An empty engine for a new log.
pub(crate) fn begin(
    seams: &mut Seams,
    place: &LogPlace,
) -> Result<(Box<dyn Engine>, Tip, Unfinished)> {
    let disk = Arc::clone(&seams.disk);
    match place {
        LogPlace::Files(files) => {
            let (engine, recovered) = LockedFiles::create(&*disk, files.clone())?.open(None)?;
            let unfinished = Unfinished::Files(disk, files.log_dir.clone());
            Ok((Box::new(engine), recovered.tip, unfinished))
        }
        LogPlace::Postgres(options) => {
            let connected = ConnectedPg::create(&*disk, options, &mut *seams.random)?;
            let unfinished = Unfinished::Postgres(connected.unfinished());
            let (engine, tip, _) = connected.open(None)?;
            Ok((Box::new(engine), tip, unfinished))
        }
    }
}

/// Opens an existing log; never creates one. What the end-of-log table stops on opens for reading
/// only, and the report says why.
///
/// # Errors
/// [`LedgerError::NoLog`], [`LedgerError::Locked`], [`LedgerError::WrongKey`],
/// [`LedgerError::Foreign`], I/O errors.
pub fn open(seams: Seams, log: impl Into<LogPlace>, place: &IndexPlace) -> Result<Opened> {
    let key = verifier_of(&seams)?;
    let (engine, recovered, anchors) = open_engine(&*seams.disk, &log.into(), &key, None)?;
    let store = engine.store();
    let mut stop = match &recovered.outcome {
        Opening::Stopped(stop) => Some(stop.clone()),
        Opening::Clean | Opening::Rewritten { .. } | Opening::Cut(_) => None,
    };
    // Rot that the walk over the tail did not meet: the log opens, for reading only.
    let note_damage = |error: LedgerError, stop: &mut Option<Stop>| match error.damage() {
        Some(damage) => {
            tracing::error!(%error, "stored entries are damaged");
            stop.get_or_insert(damage);
            Ok(())
        }
        None => Err(error),
    };
    if let Err(error) = check_first_entry(&*store, &key) {
        note_damage(error, &mut stop)?;
    }
    let committed = Arc::new(std::sync::Mutex::new(recovered.tip));
    let mut notary = None;
    if stop.is_none() {
        let signer = Arc::clone(&seams.signer);
        match Notary::open(Arc::clone(&store), signer, Arc::clone(&committed), &anchors)? {
            Ok(opened) => notary = Some(opened),
            Err(other) => stop = Some(other),
        }
    }

    let (index, mut index_report) = open_index(place, &*store, key.name())?;
    match follow_to_end(&*index, &*store) {
        Ok(taken) => {
            if let IndexReport::Followed { entries } = &mut index_report {
                *entries = taken;
            }
        }
        Err(error) => note_damage(error, &mut stop)?,
    }
    let shop = crate::shop::restore(&*index, &*store, recovered.tip.count);
    let parts = Parts {
        engine,
        index: Arc::clone(&index),
        origin: key.name().into(),
        tip: recovered.tip,
        clock: seams.clock,
        random: seams.random,
    };
    let mut core = Core::with_committed(parts, shop, committed);
    if let Err(error) = core.catch_up() {
        note_damage(error, &mut stop)?;
    }
    let opening = match stop {
        Some(stop) => {
            core.stop(stop.clone());
            notary = None;
            Opening::Stopped(stop)
        }
        None => recovered.outcome,
    };
    if let Some(notary) = notary.as_mut().filter(|notary| notary.is_behind()) {
        // R6: the tail was proven to be on the device; a watermark says so before anything else.
        notary.cover()?;
    }
    let origin = key.name().to_owned();
    let report = OpenReport { origin, count: recovered.tip.count, opening, index: index_report };
    Ok(Opened { core, notary, index, store, report })
}

pub(crate) fn verifier_of(seams: &Seams) -> Result<VerifierKey> {
    seams.signer.vkey().parse().map_err(|_| LedgerError::WrongKey {
        name: seams.signer.name().to_owned(),
        what: "it has no well-formed verification key".to_owned(),
    })
}

/// Opens the engine of an existing log, against the checkpoints that were signed over it. One that
/// moved is opened only for whoever moves it on to that very place.
pub(crate) fn open_engine(
    disk: &dyn Disk,
    log: &LogPlace,
    key: &VerifierKey,
    moving_to: Option<&str>,
) -> Result<(Box<dyn Engine>, Recovered, Anchors)> {
    match log {
        LogPlace::Files(files) => {
            let locked = LockedFiles::existing_for(disk, files.clone(), moving_to)?;
            let head_name = files.head_dir.display().to_string();
            let anchors = Anchors {
                watermark: read_anchor(locked.watermark()?, key, &head_name)?,
                published: read_anchor(locked.newest_checkpoint()?, key, &log.name())?,
                remembered: None,
            };
            let (engine, recovered) = locked.open(anchors.size())?;
            Ok((Box::new(engine), recovered, anchors))
        }
        LogPlace::Postgres(options) => {
            let (engine, recovered, anchors) = open_postgres(disk, options, key, moving_to)?;
            Ok((Box::new(engine), recovered, anchors))
        }
    }
}

fn open_postgres(
    disk: &dyn Disk,
    options: &PgOptions,
    key: &VerifierKey,
    moving_to: Option<&str>,
) -> Result<(PgEngine, Recovered, Anchors)> {
    let connected = ConnectedPg::existing_for(disk, options, moving_to)?;
    let copy = connected.copy().map(<[u8]>::to_vec);
    let anchors = Anchors {
        watermark: read_anchor(connected.watermark()?, key, options.name())?,
        published: read_anchor(connected.newest_checkpoint()?, key, options.name())?,
        remembered: read_anchor(copy, key, "the copy in the head directory")?,
    };
    let (engine, tip, stop) = connected.open(anchors.size())?;
    let outcome = stop.map_or(Opening::Clean, Opening::Stopped);
    Ok((engine, Recovered { tip, outcome }, anchors))
}

fn read_anchor(note: Option<Vec<u8>>, key: &VerifierKey, name: &str) -> Result<Option<Signed>> {
    match note {
        Some(note) => read_checkpoint(&note, key, name),
        None => Ok(None),
    }
}

/// Entry 0 says whose log this is (E17).
fn check_first_entry(store: &dyn Store, key: &VerifierKey) -> Result<()> {
    let Some(line) = store.read(0)? else { return Ok(()) };
    let entry = Entry::parse(&line).map_err(|source| LedgerError::Entry { seq: 0, source })?;
    let data = entry.event.get("data");
    let text = |name| data.and_then(|data| data.get(name)).and_then(Value::as_str);
    if text("origin") == Some(key.name()) && text("key") == Some(key.to_string().as_str()) {
        return Ok(());
    }
    Err(LedgerError::WrongKey {
        name: "entry 0".to_owned(),
        what: format!("it was opened for `{}`", text("key").unwrap_or("nothing readable")),
    })
}

fn open_index(
    place: &IndexPlace,
    store: &dyn Store,
    origin: &str,
) -> Result<(Arc<dyn Index>, IndexReport)> {
    let (index, rebuilt): (Arc<dyn Index>, Option<String>) = match place {
        IndexPlace::Memory => (Arc::new(MemIndex::new()), None),
        IndexPlace::Dir(dir) => {
            let (index, why) = DiskIndex::open(dir, origin.into(), store)?;
            (Arc::new(index), why)
        }
    };
    let report = match rebuilt {
        Some(why) => IndexReport::Rebuilt { why },
        None => IndexReport::Followed { entries: 0 },
    };
    Ok((index, report))
}

/// Lets the index take in everything; returns how many entries that was.
fn follow_to_end(index: &dyn Index, store: &dyn Store) -> Result<u64> {
    let mut entries = 0;
    loop {
        match follow(index, store)? {
            0 => return Ok(entries),
            taken => entries += taken as u64,
        }
    }
}

/// Supplies a watermark by hand when the head store lost it (E16). `note` must be a checkpoint of
/// this log that the operator trusts, for example from a witness or a bundle.
///
/// # Errors
/// [`LedgerError::Foreign`] if a readable watermark is there or the note is not a checkpoint of this
/// log; the usual errors of opening.
pub fn adopt_watermark(seams: &Seams, files: &FilesOptions, note: &[u8]) -> Result<Signed> {
    let foreign = |what: &str| LedgerError::Foreign { name: "watermark".into(), what: what.into() };
    let key = verifier_of(seams)?;
    let signed = read_checkpoint(note, &key, "the supplied checkpoint")?
        .ok_or_else(|| foreign("cannot be replaced by this: it is no checkpoint of this log"))?;
    let locked = LockedFiles::existing(&*seams.disk, files.clone())?;
    let head_name = files.head_dir.display().to_string();
    if read_anchor(locked.watermark()?, &key, &head_name)?.is_some() {
        return Err(foreign("is there and readable: it is not replaced by hand"));
    }
    let (engine, recovered) = locked.open(None)?;
    match &recovered.outcome {
        Opening::Stopped(stop) if stop.cause == StopCause::NoWatermark => {}
        Opening::Stopped(stop) => return Err(LedgerError::ReadOnly { reason: stop.clone() }),
        Opening::Clean | Opening::Rewritten { .. } | Opening::Cut(_) => {
            return Err(foreign("is not needed: the log has no entries"));
        }
    }
    let store = Engine::store(&engine);
    if crate::tree::head_at(&*store, signed.size)?.root() != signed.root {
        return Err(foreign(
            "cannot be replaced by this: the entries are not those it was signed over",
        ));
    }
    store.store_watermark(note)?;
    Ok(signed)
}
