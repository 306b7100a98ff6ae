//! What a client of the ledger can count on, on a simulated disk.

use std::sync::Arc;

use chain::entry::Entry;

use crate::disk::Disk;
use crate::engine::files::{FilesOptions, Outcome as Opening};
use crate::engine::recovery::StopCause;
use crate::error::LedgerError;
use crate::sim::{SimClock, SimDisk};
use crate::testing::{START_MS, note_event, options, remark, seams, signer};
use crate::{Handling, IndexPlace, Opened, Outcome, Receipt, Submission, create, open};

const SEGMENT: u64 = 8192;

/// A log on a simulated disk, with its clock.
struct Bench {
    sim: SimDisk,
    disk: Arc<dyn Disk>,
    clock: SimClock,
    files: FilesOptions,
    salt_seed: u64,
}

impl Bench {
    fn new() -> Self {
        let sim = SimDisk::new(42);
        let bench = Self {
            disk: Arc::new(sim.clone()),
            sim,
            clock: SimClock::new(START_MS),
            files: options(SEGMENT),
            salt_seed: 1,
        };
        create(seams(&bench.disk, &bench.clock, 0), &bench.files, None).expect("created");
        bench
    }

    fn open(&mut self) -> Opened {
        self.salt_seed += 1;
        self.try_open().expect("opened")
    }

    fn open_after(&mut self, core: crate::core::Core) -> Opened {
        drop(core);
        self.open()
    }

    fn try_open(&self) -> crate::Result<Opened> {
        let seams = seams(&self.disk, &self.clock, self.salt_seed);
        open(seams, &self.files, &IndexPlace::Memory)
    }
}

fn record(opened: &mut Opened, submission: Submission) -> Outcome {
    opened.core.process(vec![submission]).remove(0).expect("an answer")
}

fn receipt(outcome: &Outcome) -> Receipt {
    outcome.receipt().unwrap_or_else(|| panic!("no receipt in {outcome:?}")).clone()
}

#[test]
fn a_new_log_begins_with_its_own_opening_under_a_published_checkpoint() {
    let mut bench = Bench::new();
    let opened = bench.open();
    assert_eq!(opened.report.opening, Opening::Clean);
    let entry = Entry::parse(&opened.store.read(0).expect("read").expect("there")).expect("entry");
    assert_eq!(entry.actor.id, "sys");
    let data = entry.event.get("data").expect("data");
    assert_eq!(data.get("origin").and_then(|v| v.as_str()), Some(crate::testing::ORIGIN));
    assert_eq!(data.get("key").and_then(|v| v.as_str()), Some(signer(1).vkey().as_str()));
    let published = opened.notary.as_ref().and_then(|notary| notary.published()).expect("signed");
    assert_eq!(published.size, 1);
    assert_eq!(opened.core.shop().read().expect("lock").as_of(), 1);
}

#[test]
fn a_receipt_names_entry_link_and_time_and_the_same_event_gets_the_same_receipt() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let first = receipt(&record(&mut opened, remark("a", "sieve looks worn")));
    bench.clock.jump(5_000);
    let second = receipt(&record(&mut opened, remark("b", "other")));
    assert_eq!((first.seq, second.seq), (1, 2));
    assert_eq!(second.prev, first.leaf);
    assert_eq!(second.recorded_at_ms, first.recorded_at_ms + 5_000);
    let line = opened.store.read(1).expect("read").expect("there");
    assert_eq!(chain::entry::leaf_hash(&line), first.leaf);

    let again = record(&mut opened, remark("a", "sieve looks worn"));
    assert_eq!(again, Outcome::Known { receipt: first.clone() });
    let other = record(&mut opened, remark("a", "sieve looks fine"));
    assert_eq!(other, Outcome::Conflict { seq: 1 });
    assert_eq!(opened.store.count(), 3, "neither wrote anything");

    drop(opened);
    let mut opened = bench.open();
    let again = record(&mut opened, remark("a", "sieve looks worn"));
    assert_eq!(again, Outcome::Known { receipt: first }, "after a restart without any index");
}

#[test]
fn one_batch_keeps_order_and_knows_its_own_keys() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let batch = vec![
        remark("a", "1"),
        remark("b", "2"),
        remark("a", "1"),
        remark("a", "3"),
        remark("c", "4"),
    ];
    let syncs = bench.sim.calls();
    let answers: Vec<_> =
        opened.core.process(batch).into_iter().map(|answer| answer.expect("answered")).collect();
    assert_eq!(bench.sim.calls() - syncs, 2, "one write and one sync for all");
    let seqs: Vec<_> = answers.iter().map(|a| a.receipt().map(|receipt| receipt.seq)).collect();
    assert_eq!(seqs, [Some(1), Some(2), Some(1), None, Some(3)]);
    assert!(matches!(answers[2], Outcome::Known { .. }));
    assert_eq!(answers[3], Outcome::Conflict { seq: 1 });
    assert_eq!(opened.store.count(), 4);
}

#[test]
fn strict_handling_stops_before_writing_and_records_the_refusal_once() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let future = |handling| note_event("f", "x", "2027-01-01T00:00:00Z", handling);
    let Outcome::Stopped { findings, refused_in } = record(&mut opened, future(Handling::Strict))
    else {
        panic!("it was not stopped");
    };
    assert_eq!(findings[0].rule, "record.in_the_future");
    assert_eq!(refused_in, 1);
    let line = opened.store.read(1).expect("read").expect("there");
    let entry = Entry::parse(&line).expect("an entry");
    assert_eq!(entry.event.get("type").and_then(|t| t.as_str()), Some("pulverlog.attempt.refused"));

    let again = record(&mut opened, future(Handling::Strict));
    assert!(matches!(again, Outcome::Stopped { refused_in: 1, .. }), "{again:?}");
    assert_eq!(opened.store.count(), 2, "the same attempt is one entry");

    let Outcome::Recorded { receipt, findings } = record(&mut opened, future(Handling::Lenient))
    else {
        panic!("lenient handling records");
    };
    assert_eq!((receipt.seq, findings.len()), (2, 1), "recorded, and the finding is told");
}

#[test]
fn a_strict_event_is_judged_on_a_state_that_holds_all_before_it() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let strict = note_event("s", "x", "2026-03-01T07:00:00Z", Handling::Strict);
    let calls = bench.sim.calls();
    let answers = opened.core.process(vec![remark("a", "1"), strict, remark("b", "2")]);
    let seqs: Vec<_> =
        answers.iter().map(|answer| receipt(answer.as_ref().expect("answered")).seq).collect();
    assert_eq!(seqs, [1, 2, 3]);
    assert_eq!(bench.sim.calls() - calls, 4, "the strict event began a batch of its own");
}

#[test]
fn an_event_about_an_entry_that_does_not_exist_is_refused_and_writes_nothing() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let event = br#"{"data":{"approver":"op_q1","reason":"misread"},"id":"v","site":"north","source":"/mes","specversion":"1.0","subject":"entry/99","time":"2026-03-01T07:00:00Z","type":"pulverlog.entry.voided"}"#;
    let actor = chain::entry::Actor {
        id: "op_k7".to_owned(),
        via: chain::entry::Via::Oidc,
        on_behalf_of: None,
    };
    let submission = Submission::prepare(actor, event, Handling::Lenient, None);
    let outcome = record(&mut opened, submission.expect("well formed"));
    assert!(matches!(outcome, Outcome::Refused(ref refusal) if refusal.code == "unknown-entry"));
    assert_eq!(opened.store.count(), 1);
}

#[test]
fn the_log_alone_records_its_own_events() {
    let event = br#"{"data":{"reason":"year_end"},"id":"x","source":"/mes","specversion":"1.0","subject":"log/self","type":"pulverlog.log.closed"}"#;
    let actor = chain::entry::Actor {
        id: "op_k7".to_owned(),
        via: chain::entry::Via::Oidc,
        on_behalf_of: None,
    };
    let refused = Submission::prepare(actor, event, Handling::Lenient, None);
    let error = refused.expect_err("not from outside").to_string();
    assert!(error.contains("by the log itself only"), "{error}");
}

#[test]
fn a_clock_that_is_set_back_never_makes_time_run_backwards() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let mut last = 0;
    for (id, jump) in [("a", 400 * 86_400_000), ("b", -10 * 365 * 86_400_000), ("c", 1), ("d", 0)] {
        bench.clock.jump(jump);
        let at = receipt(&record(&mut opened, remark(id, "x"))).recorded_at_ms;
        assert!(at >= last, "{id}: {at} is before {last}");
        last = at;
    }
    assert!(opened.core.clock_behind_ms() > 0, "and the operator can see it");
}

#[test]
fn a_second_writer_is_refused_while_the_first_lives() {
    let mut bench = Bench::new();
    let opened = bench.open();
    assert!(matches!(bench.try_open(), Err(LedgerError::Locked { .. })));
    drop(opened);
    bench.try_open().expect("now it is free");
}

#[test]
fn another_key_or_another_origin_is_refused() {
    let bench = Bench::new();
    let mut other = seams(&bench.disk, &bench.clock, 1);
    other.signer = signer(2);
    let refused = open(other, &bench.files, &IndexPlace::Memory);
    assert!(matches!(refused, Err(LedgerError::WrongKey { .. })), "{refused:?}");
    let mut other = seams(&bench.disk, &bench.clock, 1);
    let origin = "records.example.org/south/2026";
    let key = chain::note::Ed25519Signer::new(origin, &[1; 32]).expect("a signer");
    other.signer = Arc::new(key);
    let refused = open(other, &bench.files, &IndexPlace::Memory);
    assert!(matches!(refused, Err(LedgerError::WrongKey { .. })), "{refused:?}");
}

#[test]
fn opening_never_creates_and_creating_never_replaces() {
    let sim = SimDisk::new(1);
    let disk: Arc<dyn Disk> = Arc::new(sim.clone());
    let clock = SimClock::new(START_MS);
    let missing = open(seams(&disk, &clock, 1), &options(SEGMENT), &IndexPlace::Memory);
    assert!(matches!(missing, Err(LedgerError::NoLog { .. })), "{missing:?}");
    assert!(sim.files().is_empty());

    let bench = Bench::new();
    let before = bench.sim.files();
    let again = create(seams(&bench.disk, &bench.clock, 9), &bench.files, None);
    assert!(matches!(again, Err(LedgerError::Exists { .. })), "{again:?}");
    assert_eq!(bench.sim.files(), before);
}

#[test]
fn creation_interrupted_at_any_call_can_be_begun_anew() {
    let calls = {
        let bench = Bench::new();
        bench.sim.calls()
    };
    for at in 0..calls {
        let sim = SimDisk::new(at);
        let disk: Arc<dyn Disk> = Arc::new(sim.clone());
        let clock = SimClock::new(START_MS);
        sim.cut_power_at(at);
        let cut = create(seams(&disk, &clock, 0), &options(SEGMENT), None);
        assert!(cut.is_err(), "the power fails at call {at}");
        sim.power_cycle();
        match create(seams(&disk, &clock, 0), &options(SEGMENT), None) {
            // The last call removes the marker: it may have done so.
            Ok(_) | Err(LedgerError::Exists { .. }) => {}
            Err(error) => panic!("power cut at call {at}: {error}"),
        }
        let opened = open(seams(&disk, &clock, 1), &options(SEGMENT), &IndexPlace::Memory);
        assert_eq!(opened.expect("a whole log").store.count(), 1, "power cut at call {at}");
    }
}

#[test]
fn a_log_put_back_to_an_older_copy_is_not_written_to() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    opened.notary.as_mut().expect("signs").publish().expect("published");
    drop(opened);
    let older: Vec<_> =
        bench.sim.files().into_iter().filter(|(path, _)| path.starts_with("/data/log")).collect();

    let mut opened = bench.open();
    record(&mut opened, remark("b", "2"));
    opened.notary.as_mut().expect("signs").cover().expect("covered");
    drop(opened);

    // The log directory is put back, the head store is on another disk and is not.
    for (path, bytes) in older {
        bench.sim.tamper(&path, Some(&bytes));
    }
    let mut opened = bench.open();
    let stop = opened.report.stop().expect("read-only").clone();
    assert_eq!(stop.cause, StopCause::Shorter);
    assert_eq!(opened.store.count(), 2, "reading goes on");
    let refused = opened.core.process(vec![remark("c", "3")]).remove(0);
    assert!(matches!(&*refused.expect_err("refused"), LedgerError::ReadOnly { .. }));
}

#[test]
fn a_head_store_put_back_to_an_older_copy_does_not_hide_a_shorter_log() {
    let mut bench = Bench::new();
    let older = bench.sim.files();
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    opened.notary.as_mut().expect("signs").publish().expect("published");
    drop(opened);
    // Entries and watermark are put back; the published checkpoint was forgotten.
    for (path, bytes) in older {
        bench.sim.tamper(&path, Some(&bytes));
    }
    let opened = bench.open();
    assert_eq!(opened.report.stop().map(|stop| stop.cause), Some(StopCause::Shorter));
}

#[test]
fn a_watermark_changed_by_somebody_else_stops_the_signing() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    let notary = opened.notary.as_mut().expect("signs");
    notary.cover().expect("covered");
    let path = "/data/head/watermark";
    let ours = bench.sim.files()[path].clone();
    bench.sim.tamper(path, Some(b"somebody else's"));
    record(&mut opened, remark("b", "1"));
    let refused = opened.notary.as_mut().expect("signs").cover();
    assert!(matches!(refused, Err(LedgerError::Foreign { .. })), "{refused:?}");
    assert_eq!(bench.sim.files()[path], b"somebody else's", "and is not overwritten");
    bench.sim.tamper(path, Some(&ours));
    opened.notary.as_mut().expect("signs").cover().expect("put back, it goes on");
}

#[test]
fn what_is_read_back_is_hashed_before_it_is_signed() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    // The newest entry rots between its commit and its checkpoint, and stays canonical.
    let path = "/data/log/entries/00000000000000000000.log";
    let rotten = String::from_utf8(bench.sim.files()[path].clone()).expect("text");
    bench.sim.tamper(path, Some(rotten.replacen("S-02", "S-03", 1).as_bytes()));
    let refused = opened.notary.as_mut().expect("signs").cover();
    assert!(matches!(refused, Err(LedgerError::Damaged { seq: 1, .. })), "{refused:?}");
}

#[test]
fn an_entry_that_rotted_is_reported_and_gets_no_receipt() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    record(&mut opened, remark("b", "1"));
    let path = "/data/log/entries/00000000000000000000.log";
    let rotten = String::from_utf8(bench.sim.files()[path].clone()).expect("text");
    let salt = rotten.match_indices("\"salt\":\"").nth(1).expect("entry 1").0 + 8;
    let digit = if rotten.as_bytes()[salt] == b'0' { "1" } else { "0" };
    bench.sim.tamper(path, Some([&rotten[..salt], digit, &rotten[salt + 1..]].concat().as_bytes()));
    let shown = crate::tree::read_entry(&*opened.store, 1);
    assert!(matches!(shown, Err(LedgerError::Damaged { seq: 1, .. })), "{shown:?}");
    assert!(crate::tree::read_entry(&*opened.store, 2).expect("read").is_some());
    let again = opened.core.process(vec![remark("a", "1")]).remove(0);
    assert!(matches!(&*again.expect_err("no receipt"), LedgerError::Damaged { seq: 1, .. }));
}

#[test]
fn an_index_that_is_lost_while_the_log_runs_never_lets_an_event_in_twice() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    let lost = Arc::new(crate::index::MemIndex::new());
    while crate::index::follow(&*lost, &*opened.store).expect("follows") > 0 {}
    let seams = seams(&bench.disk, &bench.clock, 50);
    drop(opened);
    let (engine, recovered) =
        crate::engine::files::LockedFiles::existing(&bench.sim, bench.files.clone())
            .and_then(|locked| locked.open(Some(1)))
            .expect("opened");
    let parts = crate::core::Parts {
        engine: Box::new(engine),
        index: lost.clone(),
        origin: crate::testing::ORIGIN.into(),
        tip: recovered.tip,
        clock: seams.clock,
        random: seams.random,
    };
    let mut core = crate::core::Core::new(parts, crate::Shop::new());
    core.catch_up().expect("caught up");
    let store = core.store();
    core.process(vec![remark("a", "1")]).remove(0).expect("recorded");
    while crate::index::follow(&*lost, &*store).expect("follows") > 0 {}
    // The writer forgets the key, for the index knows it; then the index loses it.
    core.process(vec![remark("b", "1")]).remove(0).expect("recorded");
    lost.forget();
    for id in ["a", "new"] {
        let answer = core.process(vec![remark(id, "1")]).remove(0);
        assert!(matches!(&*answer.expect_err("cannot tell"), LedgerError::Busy), "{id}");
    }
    while crate::index::follow(&*lost, &*store).expect("follows") > 0 {}
    let answer = core.process(vec![remark("a", "1")]).remove(0).expect("answered");
    assert!(matches!(answer, Outcome::Known { receipt } if receipt.seq == 1));
    core.process(vec![remark("new", "1")]).remove(0).expect("recorded");
    assert_eq!(store.count(), 4);
    opened = bench.open_after(core);
    assert_eq!(opened.store.count(), 4);
}

#[test]
fn a_log_with_another_history_than_was_signed_is_not_written_to() {
    let mut bench = Bench::new();
    let twin = bench.sim.fork(5);
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    opened.notary.as_mut().expect("signs").publish().expect("published");
    drop(opened);

    // The twin records something else, as long, under the same key.
    let disk: Arc<dyn Disk> = Arc::new(twin.clone());
    let mut other =
        open(seams(&disk, &bench.clock, 77), &bench.files, &IndexPlace::Memory).expect("opened");
    record(&mut other, remark("b", "2"));
    drop(other);
    for (path, bytes) in twin.files() {
        if path.starts_with("/data/log/entries") {
            bench.sim.tamper(&path, Some(&bytes));
        }
    }
    let opened = bench.open();
    assert_eq!(opened.report.stop().map(|stop| stop.cause), Some(StopCause::OtherHistory));
}

#[test]
fn a_lost_watermark_makes_the_log_read_only_until_a_trusted_one_is_supplied() {
    let mut bench = Bench::new();
    let mut opened = bench.open();
    record(&mut opened, remark("a", "1"));
    let trusted = opened.notary.as_mut().expect("signs").publish().expect("published").note.clone();
    drop(opened);
    for damage in [None, Some(&b"nonsense"[..]), Some(&trusted.as_bytes()[..50])] {
        bench.sim.tamper("/data/head/watermark", damage);
        let opened = bench.open();
        assert_eq!(opened.report.stop().map(|stop| stop.cause), Some(StopCause::NoWatermark));
        assert_eq!(opened.store.count(), 2, "reading goes on");
    }
    let give = |note: &[u8]| {
        crate::adopt_watermark(&seams(&bench.disk, &bench.clock, 1), &bench.files, note)
    };
    assert!(give(b"nonsense").is_err());
    let flipped = trusted.replace("\n2\n", "\n1\n");
    assert!(give(flipped.as_bytes()).is_err(), "its signature does not hold");
    give(trusted.as_bytes()).expect("adopted");
    assert!(give(trusted.as_bytes()).is_err(), "only when one is missing");
    let opened = bench.open();
    assert_eq!(opened.report.stop(), None);
}
