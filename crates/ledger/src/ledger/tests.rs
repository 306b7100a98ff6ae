//! The running ledger on a real file system, with its threads.

use std::sync::Arc;
use std::time::Duration;

use chain::checkpoint::Checkpoint;

use super::{Ledger, Load, Pace};
use crate::disk::{Disk, FileSystemPolicy, OsDisk};
use crate::engine::files::{FilesOptions, Outcome as Opening};
use crate::error::LedgerError;
use crate::sim::{SimClock, SimDisk};
use crate::testing::{START_MS, options, remark, seams, signer};
use crate::{IndexPlace, Outcome, create, open};

struct Bench {
    dir: tempfile::TempDir,
    disk: Arc<dyn Disk>,
    clock: SimClock,
}

impl Bench {
    fn new() -> Self {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let bench = Self { dir, disk: Arc::new(OsDisk), clock: SimClock::new(START_MS) };
        create(seams(&bench.disk, &bench.clock, 0), &bench.files(), None).expect("created");
        bench
    }

    fn files(&self) -> FilesOptions {
        FilesOptions {
            segment_bytes: 64 << 10,
            file_systems: FileSystemPolicy::TestsOnly,
            ..FilesOptions::under(self.dir.path())
        }
    }

    fn start(&self, seed: u64) -> Ledger {
        let place = IndexPlace::Dir(self.dir.path().join("index"));
        let opened = open(seams(&self.disk, &self.clock, seed), &self.files(), &place);
        Ledger::start(opened.expect("opened"), Pace::default()).expect("started")
    }
}

#[test]
fn many_clients_share_commits_and_each_gets_its_own_receipt() {
    let bench = Bench::new();
    let ledger = bench.start(1);
    let seqs: Vec<u64> = std::thread::scope(|scope| {
        let clients: Vec<_> = (0..16)
            .map(|client| {
                let ledger = &ledger;
                scope.spawn(move || {
                    let post = |n: usize| {
                        let event = remark(&format!("c{client}-{n}"), "x");
                        let answer =
                            ledger.submit_blocking(vec![event]).expect("answered").remove(0);
                        match answer.expect("recorded") {
                            Outcome::Recorded { receipt, .. } => receipt.seq,
                            other => panic!("{other:?}"),
                        }
                    };
                    (0..20).map(post).collect::<Vec<u64>>()
                })
            })
            .collect();
        clients.into_iter().flat_map(|client| client.join().expect("no panic")).collect()
    });
    let mut sorted = seqs.clone();
    sorted.sort_unstable();
    assert_eq!(sorted, (1..=320).collect::<Vec<u64>>(), "each seq once, none missing");
    assert_eq!(*ledger.counts().borrow(), 321);
    assert_eq!(ledger.with_shop(crate::Shop::as_of), 321);
    let signed = ledger.publish_blocking().expect("published");
    assert_eq!(signed.size, 321);
    let key = signer(1).vkey().parse().expect("a key");
    Checkpoint::open(signed.note.as_bytes(), &[key]).expect("a valid signature");
    ledger.close().expect("closed in good order");

    let ledger = bench.start(2);
    let health = ledger.health();
    assert_eq!(health.report.opening, Opening::Clean);
    assert_eq!((health.count, health.as_of, health.watermark_size), (321, 321, 321));
    assert_eq!(health.not_writing, None);
    let again = ledger.submit_blocking(vec![remark("c3-7", "x")]).expect("answered").remove(0);
    assert!(matches!(again.expect("known"), Outcome::Known { .. }), "after a restart");
}

#[test]
fn a_request_that_finds_the_queue_full_is_told_so_at_once() {
    let bench = Bench::new();
    let ledger = bench.start(1);
    let full = [
        Load { submissions: crate::limits::QUEUE_SUBMISSIONS_MAX, bytes: 9 },
        Load { submissions: 1, bytes: crate::limits::QUEUE_BYTES_MAX },
    ];
    for load in full {
        *ledger.shared.waiting.lock().expect("lock") = load;
        let refused = ledger.submit_blocking(vec![remark("a", "x")]);
        assert!(matches!(refused, Err(LedgerError::Busy)), "{refused:?}");
    }
    *ledger.shared.waiting.lock().expect("lock") = Load::default();
    ledger.submit_blocking(vec![remark("a", "x")]).expect("there is room again");
    assert_eq!(ledger.health().waiting, 0, "what was answered does not wait");
}

#[test]
fn after_a_failed_sync_nothing_is_acknowledged_and_reading_goes_on() {
    use crate::sim::{Fault, FaultKind, Op};
    let sim = SimDisk::new(3);
    let disk: Arc<dyn Disk> = Arc::new(sim.clone());
    let clock = SimClock::new(START_MS);
    create(seams(&disk, &clock, 0), &options(8192), None).expect("created");
    let opened = open(seams(&disk, &clock, 1), &options(8192), &IndexPlace::Memory);
    let pace = Pace { watermark_age: Duration::from_secs(3600), ..Pace::default() };
    let ledger = Ledger::start(opened.expect("opened"), pace).expect("started");
    ledger.submit_blocking(vec![remark("a", "x")]).expect("answered").remove(0).expect("recorded");

    sim.plan(Fault {
        op: Op::Sync,
        path_part: "/entries/",
        skip: 0,
        sticky: false,
        kind: FaultKind::Error(std::io::ErrorKind::Other),
    });
    let failed = ledger.submit_blocking(vec![remark("b", "x")]).expect("answered").remove(0);
    assert!(matches!(*failed.expect_err("not acknowledged"), LedgerError::Poisoned { .. }));
    sim.heal();
    for id in ["b", "c"] {
        let failed = ledger.submit_blocking(vec![remark(id, "x")]).expect("answered").remove(0);
        assert!(failed.is_err(), "the writer stays stopped although the device is healthy again");
    }
    assert!(ledger.health().not_writing.is_some());
    assert_eq!(ledger.store().count(), 2);
    assert!(ledger.store().read(1).expect("reading goes on").is_some());
    assert!(ledger.close().is_err(), "no clean mark");

    sim.power_cycle();
    let mut opened =
        open(seams(&disk, &clock, 2), &options(8192), &IndexPlace::Memory).expect("opened");
    let answer = opened.core.process(vec![remark("b", "x")]).remove(0).expect("answered");
    assert!(answer.receipt().is_some_and(|receipt| receipt.seq == 2), "once, whatever survived");
    assert_eq!(opened.store.count(), 3);
}

#[test]
fn what_the_index_has_not_taken_in_yet_is_found_all_the_same() {
    let sim = SimDisk::new(3);
    let disk: Arc<dyn Disk> = Arc::new(sim);
    let clock = SimClock::new(START_MS);
    create(seams(&disk, &clock, 0), &options(8192), None).expect("created");
    let mut opened =
        open(seams(&disk, &clock, 1), &options(8192), &IndexPlace::Memory).expect("opened");
    // An index of its own that nobody feeds: it knows the opening entry only.
    let lagging = Arc::new(crate::index::MemIndex::new());
    crate::index::follow(&*lagging, &*opened.store).expect("follows");
    for id in ["a", "b", "c"] {
        opened.core.process(vec![remark(id, "x")]).remove(0).expect("recorded");
    }
    opened.index = lagging.clone();
    let ledger = Ledger::start(opened, Pace::default()).expect("started");
    for _ in 0..2 {
        assert_eq!(ledger.by_subject("equipment/S-02", 0, 9).expect("found"), [1, 2, 3]);
        assert_eq!(ledger.by_subject("equipment/S-02", 2, 1).expect("found"), [2]);
        assert_eq!(ledger.by_subject("equipment/S-03", 0, 9).expect("found"), [0_u64; 0]);
        // Forgotten altogether, as after a failure.
        lagging.forget();
    }
}

#[test]
fn the_scrub_reads_everything_and_reports_what_rotted() {
    let sim = SimDisk::new(3);
    let disk: Arc<dyn Disk> = Arc::new(sim.clone());
    let clock = SimClock::new(START_MS);
    create(seams(&disk, &clock, 0), &options(2048), None).expect("created");
    let (scrub_pause, scrub_rest) = (Duration::from_millis(1), Duration::from_millis(1));
    let pace = Pace { scrub_pause, scrub_rest, ..Pace::default() };
    let start = |seed| {
        let opened = open(seams(&disk, &clock, seed), &options(2048), &IndexPlace::Memory);
        Ledger::start(opened.expect("opened"), pace).expect("started")
    };
    let until = |ledger: &Ledger, done: &dyn Fn(&super::ScrubReport) -> bool| {
        let deadline = std::time::Instant::now() + Duration::from_secs(20);
        while !done(&ledger.health().scrub) {
            assert!(std::time::Instant::now() < deadline, "{:?}", ledger.health().scrub);
            std::thread::yield_now();
        }
    };
    let ledger = start(1);
    for id in 0..12 {
        ledger.submit_blocking(vec![remark(&format!("r{id}"), "x")]).expect("answered");
    }
    ledger.close().expect("closed");

    let ledger = start(2);
    until(&ledger, &|scrub| scrub.rounds > 0);
    assert_eq!(ledger.health().scrub.covered, 13);
    assert_eq!(ledger.health().scrub.damage, None);
    let path = "/data/log/entries/00000000000000000000.log";
    let rotten = String::from_utf8(sim.files()[path].clone()).expect("text");
    sim.tamper(path, Some(rotten.replacen("S-02", "S-03", 1).as_bytes()));
    until(&ledger, &|scrub| scrub.damage.is_some());
    let stop = ledger.health().scrub.damage.expect("found");
    assert_eq!(stop.seq, 2, "the link behind the changed entry does not hold");
    ledger
        .submit_blocking(vec![remark("more", "x")])
        .expect("answered")
        .remove(0)
        .expect("recorded");
}

#[test]
fn a_full_disk_refuses_cleanly_and_writing_goes_on_when_there_is_room() {
    let sim = SimDisk::new(3);
    let disk: Arc<dyn Disk> = Arc::new(sim.clone());
    let clock = SimClock::new(START_MS);
    create(seams(&disk, &clock, 0), &options(2048), None).expect("created");
    let opened = open(seams(&disk, &clock, 1), &options(2048), &IndexPlace::Memory);
    let pace = Pace { watermark_age: Duration::from_millis(5), ..Pace::default() };
    let ledger = Ledger::start(opened.expect("opened"), pace).expect("started");
    sim.set_capacity(Some(sim.used() + 300));
    let post = |id: usize| {
        ledger.submit_blocking(vec![remark(&format!("r{id}"), "x")]).expect("answered").remove(0)
    };
    let mut recorded = 1;
    let refused = (0..100).map(post).find_map(|answer| match answer {
        Ok(_) => {
            recorded += 1;
            None
        }
        Err(failure) => Some(failure),
    });
    assert!(refused.expect("the disk fills up").is_full());
    assert!(ledger.health().not_writing.is_none_or(|why| why == "the disk is full"));
    assert_eq!(ledger.store().count(), recorded, "nothing half done");

    sim.set_capacity(None);
    let deadline = std::time::Instant::now() + Duration::from_secs(20);
    while let Err(failure) = post(1_000) {
        // Until the notary has found that there is room again.
        assert!(failure.is_full(), "{failure}");
        assert!(std::time::Instant::now() < deadline);
        std::thread::yield_now();
    }
    assert_eq!(ledger.store().count(), recorded + 1);
    assert_eq!(ledger.health().not_writing, None);
    ledger.close().expect("closed in good order");
}
