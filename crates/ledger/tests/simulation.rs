//! The whole core under one seed: clients that retry, a clock that jumps, a disk that fails, tears
//! and forgets, processes that are killed, indexes that are lost.
//!
//! `PULVERLOG_SIM_SEEDS=10000` runs more seeds, `PULVERLOG_SIM_SEED=17` runs one. A failing seed is
//! printed and replays exactly.

use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use chain::Digest;
use chain::entry::{Actor, EntryView, Head, Via, leaf_hash};
use chain::note::Ed25519Signer;
use ledger::disk::Disk;
use ledger::engine::files::{FilesOptions, Outcome as Opening};
use ledger::index::{Index, MemIndex, follow};
use ledger::sim::{Fault, FaultKind, Op, Seeded, SimClock, SimDisk};
use ledger::{
    Handling, IndexPlace, LedgerError, Opened, Outcome, Receipt, Seams, Shop, Submission, create,
    open,
};

const ORIGIN: &str = "records.example.org/north/2026";
const START_MS: i64 = 1_772_352_000_000;
const SEEDS: u64 = 200;
const LIVES: u64 = 7;

fn env(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|text| text.parse().ok())
}

/// The commit a failing seed belongs to; with it the failure replays exactly.
fn commit() -> String {
    let git = |words: &[&str]| {
        let output = std::process::Command::new("git").args(words).output().ok()?;
        Some(String::from_utf8_lossy(&output.stdout).trim().to_owned())
    };
    let changed = git(&["status", "--porcelain", "-uno"]).is_some_and(|text| !text.is_empty());
    let commit = git(&["rev-parse", "HEAD"]).unwrap_or_else(|| "unknown".to_owned());
    if changed { format!("{commit} with changes") } else { commit }
}

#[test]
fn no_seed_loses_doubles_or_reorders_anything() {
    let seeds = match env("PULVERLOG_SIM_SEED") {
        Some(seed) => seed..seed + 1,
        None => 0..env("PULVERLOG_SIM_SEEDS").unwrap_or(SEEDS),
    };
    let totals = Mutex::new(Totals::default());
    let next = AtomicU64::new(seeds.start);
    let work = || {
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= seeds.end {
                return;
            }
            match catch_unwind(AssertUnwindSafe(|| Shift::new(seed).run())) {
                Ok(done) => totals.lock().expect("lock").add(&done),
                Err(panic) => {
                    eprintln!(
                        "simulation failed: PULVERLOG_SIM_SEED={seed} at commit {}",
                        commit()
                    );
                    next.store(seeds.end, Ordering::Relaxed);
                    std::panic::resume_unwind(panic);
                }
            }
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(work);
        }
    });
    let totals = totals.into_inner().expect("lock");
    println!("seeds {}..{}: {totals:?}", seeds.start, seeds.end);
    if seeds.end - seeds.start > 20 {
        // A simulation in which nothing happens proves nothing.
        assert!(
            totals.acknowledged > 0 && totals.retried > 0 && totals.conflicts > 0,
            "{totals:?}"
        );
        assert!(totals.power_cuts > 0 && totals.kills > 0 && totals.clean_stops > 0, "{totals:?}");
        assert!(totals.failed > 0 && totals.full > 0 && totals.cuts > 0, "{totals:?}");
        assert!(totals.stopped_by_rules > 0 && totals.index_losses > 0, "{totals:?}");
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    for seed in [3, 14, 15] {
        let files = || {
            let mut shift = Shift::new(seed);
            shift.live_and_die();
            shift.sim.files()
        };
        assert_eq!(files(), files(), "seed {seed}");
    }
}

#[test]
fn a_disk_that_lies_about_sync_is_found_out_at_the_next_start() {
    let mut found_out = 0;
    for seed in 0..40 {
        let mut shift = Shift::new(seed);
        let mut opened = shift.open().expect("opened");
        shift.sim.plan(Fault {
            op: Op::Sync,
            path_part: "/log/entries/",
            skip: 0,
            sticky: true,
            kind: FaultKind::Lie,
        });
        for id in 0..4 {
            let event = shift.event(&format!("lie-{id}"), 0, Handling::Lenient);
            opened.core.process(vec![event]).remove(0).expect("the disk says it is durable");
        }
        let covered = opened.notary.as_mut().expect("signs").cover().expect("covered").size;
        drop(opened);
        shift.sim.heal();
        shift.sim.power_cycle();
        let opened = shift.open().expect("opened");
        match opened.report.stop() {
            None => assert!(opened.store.count() >= covered, "seed {seed}: nothing was lost"),
            Some(_) => found_out += 1,
        }
    }
    assert!(found_out > 10, "{found_out} of 40 lost something");
}

#[derive(Debug, Default)]
struct Totals {
    acknowledged: u64,
    retried: u64,
    conflicts: u64,
    stopped_by_rules: u64,
    failed: u64,
    full: u64,
    power_cuts: u64,
    kills: u64,
    clean_stops: u64,
    cuts: u64,
    index_losses: u64,
}

impl Totals {
    fn add(&mut self, other: &Self) {
        self.acknowledged += other.acknowledged;
        self.retried += other.retried;
        self.conflicts += other.conflicts;
        self.stopped_by_rules += other.stopped_by_rules;
        self.failed += other.failed;
        self.full += other.full;
        self.power_cuts += other.power_cuts;
        self.kills += other.kills;
        self.clean_stops += other.clean_stops;
        self.cuts += other.cuts;
        self.index_losses += other.index_losses;
    }
}

/// One seed: a log, its clients and what they remember.
struct Shift {
    rng: Seeded,
    sim: SimDisk,
    disk: Arc<dyn Disk>,
    clock: SimClock,
    files: FilesOptions,
    salts: u64,
    /// What clients were promised.
    receipts: BTreeMap<String, (Receipt, Digest)>,
    /// What clients sent and got no answer for: id and version.
    unknown: BTreeMap<String, u64>,
    /// Checkpoints that left the process.
    published: Vec<(u64, Digest)>,
    next_id: u64,
    totals: Totals,
}

impl Shift {
    fn new(seed: u64) -> Self {
        let mut rng = Seeded::new(seed ^ 0x5eed);
        let sim = SimDisk::new(seed);
        let disk: Arc<dyn Disk> = Arc::new(sim.clone());
        let segment_bytes = [1_500, 4_096, 20_000][usize::try_from(rng.below(3)).expect("small")];
        let files = FilesOptions { segment_bytes, ..FilesOptions::under(Path::new("/data")) };
        let mut shift = Self {
            rng,
            sim,
            disk,
            clock: SimClock::new(START_MS),
            files,
            salts: seed << 8,
            receipts: BTreeMap::new(),
            unknown: BTreeMap::new(),
            published: Vec::new(),
            next_id: 0,
            totals: Totals::default(),
        };
        let signed = create(shift.seams(), &shift.files, None).expect("created");
        shift.published.push((signed.size, signed.root));
        shift
    }

    fn seams(&mut self) -> Seams {
        self.salts += 1;
        Seams {
            disk: Arc::clone(&self.disk),
            clock: Arc::new(self.clock.clone()),
            random: Box::new(Seeded::new(self.salts)),
            signer: Arc::new(Ed25519Signer::new(ORIGIN, &[7; 32]).expect("a signer")),
        }
    }

    fn open(&mut self) -> Result<Opened, LedgerError> {
        let seams = self.seams();
        open(seams, &self.files, &IndexPlace::Memory)
    }

    /// A remark; another `version` has other bytes under the same id, an odd one is of the future.
    fn event(&self, id: &str, version: u64, handling: Handling) -> Submission {
        let commitment = Digest::of(format!("{id} {version}").as_bytes()).to_base64();
        let time = if version % 2 == 1 { "9000-01-01T00:00:00Z" } else { "2026-02-01T07:00:00Z" };
        let event = format!(
            r#"{{"data":{{"text":{{"c":"{commitment}"}}}},"id":"{id}","operator":"op_k7","site":"north","source":"/mes","specversion":"1.0","subject":"equipment/S-02","time":"{time}","type":"pulverlog.note.added"}}"#
        );
        let actor = Actor {
            id: "svc_mes".to_owned(),
            via: Via::Service,
            on_behalf_of: Some("op_k7".to_owned()),
        };
        Submission::prepare(actor, event.as_bytes(), handling, None).expect("acceptable")
    }

    fn run(mut self) -> Totals {
        for _ in 0..LIVES {
            self.live_and_die();
        }
        self.settle();
        self.totals
    }

    /// Opens the log with some misfortune ahead, works until it strikes, dies.
    fn live_and_die(&mut self) {
        self.plan_misfortune();
        match self.open() {
            Ok(opened) => self.check_opened(&opened).then(|| self.work(opened)),
            Err(error) => {
                assert!(self.is_injected(&error), "opening failed: {error:?}");
                None
            }
        };
        let struck = self.sim.is_down();
        self.sim.heal();
        self.sim.set_capacity(None);
        if struck || self.rng.percent(40) {
            self.totals.power_cuts += 1;
            self.sim.power_cycle();
        } else {
            self.totals.kills += 1;
            self.sim.kill_process();
        }
    }

    fn plan_misfortune(&mut self) {
        let calls = self.sim.calls();
        match self.rng.below(6) {
            0 | 1 => self.sim.cut_power_at(calls + self.rng.below(60)),
            2 | 3 => {
                let ops = [Op::Write, Op::Sync, Op::SyncDir, Op::Create, Op::Rename, Op::Change];
                let op = ops[usize::try_from(self.rng.below(6)).expect("small")];
                let path_part = ["/entries/", "/head", "/tile", "/log"]
                    [usize::try_from(self.rng.below(4)).expect("small")];
                let kind = FaultKind::Error(ErrorKind::Other);
                let (skip, sticky) = (self.rng.below(12), self.rng.percent(50));
                self.sim.plan(Fault { op, path_part, skip, sticky, kind });
            }
            4 => self.sim.set_capacity(Some(self.sim.used() + self.rng.below(6_000))),
            _ => {}
        }
    }

    fn is_injected(&self, error: &LedgerError) -> bool {
        let io = |kind| matches!(kind, ErrorKind::Other | ErrorKind::BrokenPipe);
        match error {
            LedgerError::Io { source, .. } => io(source.kind()) || error.is_full(),
            LedgerError::Full { .. } | LedgerError::Poisoned { .. } => true,
            LedgerError::Failed { failure } => self.is_injected(failure),
            _ => false,
        }
    }

    /// What must hold after every start. False if the log could not be read because of a fault.
    fn check_opened(&mut self, opened: &Opened) -> bool {
        assert_eq!(opened.report.stop(), None, "a crash never needs a person");
        if matches!(opened.report.opening, Opening::Cut(_)) {
            self.totals.cuts += 1;
        }
        let store = &*opened.store;
        let mut head = Head::empty();
        let mut roots = BTreeMap::new();
        let mut keys = BTreeMap::new();
        while head.size() < store.count() {
            let chunk = store.scan(head.size(), 1 << 16).expect("readable");
            for (seq, line) in chunk.iter() {
                let entry = EntryView::parse(line).expect("an entry");
                head.advance(entry.seq, entry.prev, entry.recorded_at_ms, leaf_hash(line))
                    .expect("each entry follows the one before");
                roots.insert(seq + 1, head.root());
                let event = chain::canon::check(entry.event).expect("canonical");
                let id = event.get("id").and_then(|id| id.as_str()).expect("an id").to_owned();
                let before =
                    keys.insert(id.clone(), (seq, leaf_hash(line), Digest::of(entry.event)));
                assert_eq!(before, None, "`{id}` stands twice");
            }
        }
        for (id, (receipt, event)) in &self.receipts {
            assert_eq!(
                keys.get(id),
                Some(&(receipt.seq, receipt.leaf, *event)),
                "`{id}` was promised"
            );
        }
        for (size, root) in &self.published {
            assert_eq!(
                roots.get(size),
                Some(root),
                "the checkpoint over {size} entries was signed"
            );
        }
        let mut again = Shop::new();
        again.catch_up(store, store.count()).expect("readable");
        let shop = opened.core.shop();
        assert_eq!(
            again.state(),
            shop.read().expect("lock").state(),
            "replay gives the same state"
        );
        true
    }

    fn work(&mut self, mut opened: Opened) {
        let index = Arc::new(MemIndex::new());
        for _ in 0..self.rng.below(30) {
            match self.rng.below(10) {
                0 => self.clock.jump(self.rng.next_u64().cast_signed() % 400_000_000_000),
                1 => self.clock.jump(self.rng.below(5_000).cast_signed()),
                2 | 3 => {
                    let Some(notary) = &mut opened.notary else { break };
                    let signed =
                        if self.rng.percent(50) { notary.publish() } else { notary.cover() };
                    match signed.map(|signed| (signed.size, signed.root)) {
                        Ok(signed) => self.published.push(signed),
                        Err(error) => {
                            assert!(self.is_injected(&error), "signing failed: {error:?}");
                            return;
                        }
                    }
                }
                4 => {
                    let _ = follow(&*index, &*opened.store);
                    let _ = follow(&*opened.index, &*opened.store);
                }
                _ => {
                    if !self.post(&mut opened) {
                        return;
                    }
                }
            }
        }
        if self.rng.percent(30) && opened.core.close().is_ok() {
            self.totals.clean_stops += 1;
        }
        self.totals.index_losses += u64::from(index.cursor().count < opened.store.count());
    }

    /// Clients post a batch. False if the writer stopped.
    fn post(&mut self, opened: &mut Opened) -> bool {
        let mut sent = Vec::new();
        let mut batch = Vec::new();
        for _ in 0..=self.rng.below(6) {
            let (id, version) = self.choose_event();
            let handling = if self.rng.percent(15) { Handling::Strict } else { Handling::Lenient };
            let submission = self.event(&id, version, handling);
            sent.push((id, version, Digest::of(submission.read().bytes())));
            batch.push(submission);
        }
        let answers = opened.core.process(batch);
        assert_eq!(answers.len(), sent.len());
        let mut goes_on = true;
        for ((id, version, event), answer) in sent.into_iter().zip(answers) {
            match answer {
                Ok(outcome) => self.remember(&id, event, &outcome),
                Err(failure) => {
                    assert!(self.is_injected(&failure), "posting failed: {failure:?}");
                    if failure.is_full() {
                        self.totals.full += 1;
                    } else {
                        self.totals.failed += 1;
                        goes_on = false;
                    }
                    if !self.receipts.contains_key(&id) {
                        self.unknown.entry(id).or_insert(version);
                    }
                }
            }
        }
        goes_on
    }

    /// Mostly new events; some sent again, some of those with other bytes.
    fn choose_event(&mut self) -> (String, u64) {
        if self.next_id > 0 && self.rng.percent(35) {
            let id = format!("e{}", self.rng.below(self.next_id));
            let version = match self.unknown.get(&id) {
                Some(version) => *version,
                None => self.rng.below(2) * 2,
            };
            return (id, version);
        }
        self.next_id += 1;
        (format!("e{}", self.next_id - 1), self.rng.below(12) / 11)
    }

    fn remember(&mut self, id: &str, event: Digest, outcome: &Outcome) {
        match outcome {
            Outcome::Recorded { receipt, .. } => {
                self.totals.acknowledged += 1;
                let before = self.receipts.insert(id.to_owned(), (receipt.clone(), event));
                assert_eq!(before, None, "`{id}` was recorded before");
                self.unknown.remove(id);
            }
            Outcome::Known { receipt } => {
                self.totals.retried += 1;
                let first = self.receipts.entry(id.to_owned()).or_insert((receipt.clone(), event));
                assert_eq!(*first, (receipt.clone(), event), "the first receipt again");
                self.unknown.remove(id);
            }
            Outcome::Conflict { seq } => {
                self.totals.conflicts += 1;
                if let Some((receipt, first)) = self.receipts.get(id) {
                    assert_eq!(receipt.seq, *seq);
                    assert_ne!(*first, event, "the same bytes are no conflict");
                }
            }
            Outcome::Stopped { findings, .. } => {
                self.totals.stopped_by_rules += 1;
                assert!(!findings.is_empty());
                assert!(!self.receipts.contains_key(id));
            }
            Outcome::Refused(refusal) => panic!("`{id}` was refused: {refusal}"),
        }
    }

    /// The trouble is over: every client sends again what it got no answer for.
    fn settle(&mut self) {
        let mut opened = self.open().expect("a healthy disk opens");
        self.check_opened(&opened);
        for (id, version) in std::mem::take(&mut self.unknown) {
            let submission = self.event(&id, version, Handling::Lenient);
            let event = Digest::of(submission.read().bytes());
            let outcome = opened.core.process(vec![submission]).remove(0).expect("answered");
            self.remember(&id, event, &outcome);
        }
        let signed = opened.notary.as_mut().expect("signs").publish().expect("published");
        self.published.push((signed.size, signed.root));
        opened.core.close().expect("closed");
        drop(opened);
        let opened = self.open().expect("a healthy disk opens");
        assert_eq!(opened.report.opening, Opening::Clean);
        self.check_opened(&opened);
    }
}
