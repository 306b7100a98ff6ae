//! Ours: the whole ledger with its threads (state, index, notary), as the service runs it; and its
//! core alone, called directly.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use anyhow::{Context as _, Result, ensure};
use chain::entry::{Actor, Via};
use chain::keys::Keys;
use chain::note::Ed25519Signer;
use ledger::audit;
use ledger::disk::{FileSystemPolicy, OsDisk};
use ledger::engine::files::{FilesEngine, FilesOptions, LockedFiles};
use ledger::engine::recovery::Tip;
use ledger::engine::{Engine as _, Store};
use ledger::index::DiskIndex;
use ledger::notary::{Anchors, Notary, read_checkpoint};
use ledger::seams::{Clock, OsRandom, Random};
use ledger::{IndexPlace, Ledger, Opened, Outcome, Pace, Seams, create, open};

use crate::event::Events;
use crate::measure::{CLIENTS, LARGE_BATCH, Sample, guard, one_after_the_other, side_by_side};

/// Name of the logs made here.
pub(crate) const ORIGIN: &str = "records.example.org/bench";

/// The clock of the machine.
pub(crate) struct SystemClock;

impl Clock for SystemClock {
    fn now_ms(&self) -> i64 {
        edge::now_ms()
    }
}

/// Who sends the events: a service, for the person who did the work.
pub(crate) fn actor() -> Actor {
    let on_behalf_of = Some("op_k7".to_owned());
    Actor { id: "svc_mes".to_owned(), via: Via::Service, on_behalf_of }
}

/// The seed of the key of the logs made here.
const SEED: [u8; 32] = [7; 32];

pub(crate) fn signer() -> Ed25519Signer {
    Ed25519Signer::new(ORIGIN, &SEED).expect("the origin can name a key")
}

/// Puts the key where the service looks for it, so that it can serve a log made here.
pub(crate) fn keep_key(dir: &Path) -> Result<()> {
    struct Fixed;
    impl Random for Fixed {
        fn fill(&mut self, bytes: &mut [u8]) {
            bytes.copy_from_slice(&SEED);
        }
    }
    recorder::secret::create(&dir.join("data/keys/log.key"), &mut Fixed)?;
    Ok(())
}

fn seams() -> Seams {
    Seams {
        disk: Arc::new(OsDisk),
        clock: Arc::new(SystemClock),
        random: Box::new(OsRandom),
        signer: Arc::new(signer()),
    }
}

/// Where a log of the benchmark lies.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    pub(crate) files: FilesOptions,
    pub(crate) index: PathBuf,
}

impl Place {
    pub(crate) fn under(dir: &Path) -> Self {
        let files = FilesOptions {
            file_systems: FileSystemPolicy::TestsOnly,
            ..FilesOptions::under(&dir.join("data"))
        };
        Self { files, index: dir.join("data/index") }
    }

    pub(crate) fn create(dir: &Path) -> Result<Self> {
        let place = Self::under(dir);
        create(seams(), &place.files, None)?;
        Ok(place)
    }

    /// Opened, with the index on disk as in service.
    pub(crate) fn open(&self) -> Result<Opened> {
        Ok(open(seams(), &self.files, &IndexPlace::Dir(self.index.clone()))?)
    }

    /// The log alone: engine and tree, no folds.
    pub(crate) fn open_log(&self) -> Result<(FilesEngine, Arc<Mutex<Tip>>, Notary)> {
        let signer = Arc::new(signer());
        let key = signer.verifier().clone();
        let locked = LockedFiles::existing(&OsDisk, self.files.clone())?;
        let read = |note: Option<Vec<u8>>| match note {
            Some(note) => read_checkpoint(&note, &key, "head"),
            None => Ok(None),
        };
        let anchors = Anchors {
            watermark: read(locked.watermark()?)?,
            published: read(locked.newest_checkpoint()?)?,
            ..Anchors::default()
        };
        let (engine, recovered) = locked.open(anchors.size())?;
        let committed = Arc::new(Mutex::new(recovered.tip));
        let notary = Notary::open(engine.store(), signer, Arc::clone(&committed), &anchors)?
            .map_err(|stop| anyhow::anyhow!("{stop}"))?;
        Ok((engine, committed, notary))
    }

    /// The index on disk.
    pub(crate) fn open_index(&self, store: &dyn Store) -> Result<DiskIndex> {
        Ok(DiskIndex::open(&self.index, ORIGIN.into(), store)?.0)
    }

    /// Opened without an index on disk.
    fn open_core(&self) -> Result<Opened> {
        Ok(open(seams(), &self.files, &IndexPlace::Memory)?)
    }

    /// Checks every byte; returns the number of events, without the one that opened the log.
    pub(crate) fn check(&self) -> Result<u64> {
        self.check_with(Keys::of_log(signer().verifier().clone()))
    }

    fn check_with(&self, keys: Keys) -> Result<u64> {
        let report = audit::check(&OsDisk, &self.files, keys, None)?;
        ensure!(report.is_sound(), "the log is not sound: {report:?}");
        Ok(report.entries - 1)
    }
}

impl Place {
    /// As [`check`](Self::check), for a log whose key the service made.
    pub(crate) fn check_as_served(&self) -> Result<u64> {
        let data = self.files.log_dir.parent().context("a data directory")?;
        let key = recorder::secret::read(&data.join("keys/log.key"))?;
        let signer = Ed25519Signer::new(ORIGIN, &key.to_bytes())?;
        self.check_with(Keys::of_log(signer.verifier().clone()))
    }
}

fn recorded(outcome: &Outcome) -> u64 {
    u64::from(matches!(outcome, Outcome::Recorded { .. }))
}

async fn submit(ledger: &Ledger, events: &mut Events, count: usize) -> Result<u64> {
    let submissions = (0..count).map(|_| events.submission()).collect();
    let mut acknowledged = 0;
    for answer in ledger.submit(submissions).await? {
        acknowledged += recorded(&answer.map_err(|failure| anyhow::anyhow!("{failure}"))?);
    }
    Ok(acknowledged)
}

/// The whole ledger: clients that wait, and how many events each sends in a call.
pub(crate) async fn ledger(
    dir: &Path,
    (clients, batch): (usize, usize),
    time: Duration,
) -> Result<Sample> {
    let place = Place::create(dir)?;
    let ledger = Arc::new(Ledger::start(place.open()?, Pace::default())?);
    let sample = side_by_side(clients, time, |number| {
        let events = Arc::new(tokio::sync::Mutex::new(Events::new(format!("o{number}"))));
        let ledger = Arc::clone(&ledger);
        move || {
            let (ledger, events) = (Arc::clone(&ledger), Arc::clone(&events));
            async move { submit(&ledger, &mut *events.lock().await, batch).await }
        }
    })
    .await?;
    let ledger = Arc::into_inner(ledger).ok_or_else(|| anyhow::anyhow!("still in use"))?;
    ledger.close()?;
    guard(place.check()?, &sample)?;
    Ok(sample)
}

/// The core alone: judged, sealed, committed, applied; no index on disk, no queue between threads.
pub(crate) fn core(dir: &Path, batch: usize, time: Duration) -> Result<Sample> {
    let place = Place::create(dir)?;
    let mut opened = place.open_core()?;
    let mut events = Events::new("core");
    let sample = one_after_the_other(time, || {
        let submissions = (0..batch).map(|_| events.submission()).collect();
        let mut acknowledged = 0;
        for answer in opened.core.process(submissions) {
            acknowledged += recorded(&answer.map_err(|failure| anyhow::anyhow!("{failure}"))?);
        }
        while ledger::index::follow(&*opened.index, &*opened.store)? > 0 {}
        Ok(acknowledged)
    })?;
    if let Some(notary) = &mut opened.notary {
        notary.publish()?;
    }
    opened.core.close()?;
    drop(opened);
    guard(place.check()?, &sample)?;
    Ok(sample)
}

/// One client, single events; many clients; large batches.
pub(crate) const SINGLE: (usize, usize) = (1, 1);
pub(crate) const MANY: (usize, usize) = (CLIENTS, 1);
/// Two, so that the next batch is prepared while one is committed.
pub(crate) const LARGE: (usize, usize) = (2, LARGE_BATCH);

/// So many single events through the core, and nothing else.
pub(crate) fn some(dir: &Path, count: u64) -> Result<()> {
    let place = Place::create(dir)?;
    let mut opened = place.open_core()?;
    let mut events = Events::new("some");
    for _ in 0..count {
        for answer in opened.core.process(vec![events.submission()]) {
            answer.map_err(|failure| anyhow::anyhow!("{failure}"))?;
        }
    }
    Ok(())
}
