//! What the tests of this crate share: sealed entries and engines to put them in.

use std::path::Path;
use std::sync::Arc;

use chain::entry::{Actor, Draft, Link, Sealed};

use crate::disk::Disk;
use crate::engine::files::{FilesEngine, FilesOptions, LockedFiles, Recovered};
use crate::engine::recovery::Tip;
use crate::engine::{Engine, Line};
use crate::error::Result;
use crate::seams::Random as _;
use crate::sim::{Seeded, SimDisk};

/// Seals entries one after the other, as the core does.
#[derive(Debug, Clone)]
pub(crate) struct Sealer {
    pub(crate) tip: Tip,
    rng: Seeded,
}

impl Sealer {
    pub(crate) fn new(seed: u64) -> Self {
        Self { tip: Tip::genesis(), rng: Seeded::new(seed) }
    }

    /// The next entry, with about `padding` bytes of data.
    pub(crate) fn entry(&mut self, padding: usize) -> Sealed {
        let event = event_bytes(&format!("ev-{}", self.tip.count), padding);
        let draft = Draft::new(&Actor::system(), &event).expect("a canonical event");
        let mut salt = [0; 16];
        self.rng.fill(&mut salt);
        let link = Link {
            seq: self.tip.count,
            prev: self.tip.leaf,
            recorded_at_ms: 1_700_000_000_000 + i64::try_from(self.tip.count).expect("small"),
            salt,
        };
        let recorded_at_ms = link.recorded_at_ms;
        let sealed = draft.seal(link, None).expect("a sealed entry");
        self.tip = Tip { count: self.tip.count + 1, leaf: sealed.leaf, recorded_at_ms };
        sealed
    }

    pub(crate) fn batch(&mut self, entries: usize, padding: usize) -> Vec<Sealed> {
        (0..entries).map(|_| self.entry(padding)).collect()
    }
}

/// A canonical CloudEvent.
pub(crate) fn event_bytes(id: &str, padding: usize) -> Vec<u8> {
    let note = "x".repeat(padding);
    format!(
        r#"{{"data":{{"note":"{note}"}},"id":"{id}","source":"/test","specversion":"1.0","time":"2026-03-01T08:00:00Z","type":"pulverlog.note.added"}}"#
    )
    .into_bytes()
}

pub(crate) fn append(engine: &mut dyn Engine, batch: &[Sealed]) -> Result<()> {
    let lines: Vec<Line<'_>> =
        batch.iter().map(|sealed| Line { bytes: &sealed.bytes, leaf: sealed.leaf }).collect();
    engine.append(engine.count(), &lines)
}

/// Every entry, read in chunks of `bytes_max`.
pub(crate) fn all_entries(engine: &dyn Engine, bytes_max: usize) -> Vec<Vec<u8>> {
    let store = engine.store();
    let mut out = Vec::new();
    loop {
        let chunk = store.scan(out.len() as u64, bytes_max).expect("readable");
        if chunk.is_empty() {
            return out;
        }
        out.extend(chunk.iter().map(|(_, line)| line.to_vec()));
    }
}

pub(crate) fn bytes_of(batches: &[Vec<Sealed>]) -> Vec<Vec<u8>> {
    batches.iter().flatten().map(|sealed| sealed.bytes.clone()).collect()
}

pub(crate) fn options(segment_bytes: u64) -> FilesOptions {
    FilesOptions { segment_bytes, ..FilesOptions::under(Path::new("/data")) }
}

/// A new, empty log on a simulated disk.
pub(crate) fn create_files(disk: &SimDisk, segment_bytes: u64) -> FilesEngine {
    let locked = LockedFiles::create(disk, options(segment_bytes)).expect("created");
    let engine = locked.open(None).expect("opened").0;
    LockedFiles::finish_creating(disk, &options(segment_bytes).log_dir).expect("finished");
    engine
}

pub(crate) fn open_files(
    disk: &SimDisk,
    segment_bytes: u64,
    watermark_size: Option<u64>,
) -> Result<(FilesEngine, Recovered)> {
    LockedFiles::existing(disk, options(segment_bytes))?.open(watermark_size)
}

/// Something that makes the same log again after a restart.
pub(crate) trait Bed {
    fn create(&mut self) -> Box<dyn Engine>;
    /// Opens it again after the engine was dropped.
    fn reopen(&mut self) -> Box<dyn Engine>;
}

#[derive(Debug)]
pub(crate) struct FilesBed {
    pub(crate) disk: Arc<dyn Disk>,
    pub(crate) options: FilesOptions,
}

impl Bed for FilesBed {
    fn create(&mut self) -> Box<dyn Engine> {
        let locked = LockedFiles::create(&*self.disk, self.options.clone()).expect("created");
        let engine = locked.open(None).expect("opened").0;
        LockedFiles::finish_creating(&*self.disk, &self.options.log_dir).expect("finished");
        Box::new(engine)
    }

    fn reopen(&mut self) -> Box<dyn Engine> {
        let locked = LockedFiles::existing(&*self.disk, self.options.clone()).expect("locked");
        Box::new(locked.open(Some(0)).expect("opened").0)
    }
}

/// Origin of the logs in these tests.
pub(crate) const ORIGIN: &str = "records.example.org/north/2026";
/// 2026-03-01T08:00:00Z, when the tests begin.
pub(crate) const START_MS: i64 = 1_772_352_000_000;

pub(crate) fn signer(seed: u8) -> crate::notary::SharedSigner {
    Arc::new(chain::note::Ed25519Signer::new(ORIGIN, &[seed; 32]).expect("a signer"))
}

pub(crate) fn seams(disk: &Arc<dyn Disk>, clock: &crate::sim::SimClock, seed: u64) -> crate::Seams {
    crate::Seams {
        disk: Arc::clone(disk),
        clock: Arc::new(clock.clone()),
        random: Box::new(Seeded::new(seed)),
        signer: signer(1),
    }
}

/// A remark on a machine, as a service posts it; `remark` makes the bytes differ.
pub(crate) fn remark(id: &str, remark: &str) -> crate::Submission {
    note_event(id, remark, "2026-03-01T07:59:00Z", crate::Handling::Lenient)
}

/// A remark said to be made at `time`.
pub(crate) fn note_event(
    id: &str,
    remark: &str,
    time: &str,
    handling: crate::Handling,
) -> crate::Submission {
    let actor = Actor {
        id: "svc_mes".to_owned(),
        via: chain::entry::Via::Service,
        on_behalf_of: Some("op_k7".to_owned()),
    };
    let commitment = chain::Digest::of(remark.as_bytes()).to_base64();
    let event = format!(
        r#"{{"data":{{"text":{{"c":"{commitment}"}}}},"id":"{id}","operator":"op_k7","site":"north","source":"/mes","specversion":"1.0","subject":"equipment/S-02","time":"{time}","type":"pulverlog.note.added"}}"#
    );
    crate::Submission::prepare(actor, event.as_bytes(), handling, None).expect("acceptable")
}
