//! Two recorders on one log in PostgreSQL, while its servers die and wires are cut: every acknowledged
//! event is there exactly once, in one history (promises P1, P2, P5, P7).
//!
//! `PULVERLOG_FAULTS=all` kills the primary ten times instead of three.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex};
use std::time::{Duration, Instant};

use chain::Digest;
use cluster::{Mood, Server, Wire};
use serde_json::Value;
use tests::programs::{printed, program, run};
use tests::receipts::{Receipts, kept_as_served};
use tests::recorder::{Client, Place, Running};
use tests::witness::WitnessPlace;

const ORIGIN: &str = "records.brackwater.example/shared";
const CLIENTS: usize = 8;
/// The primary is killed when so many events of a round are acknowledged, while all clients go on.
const ACKNOWLEDGED_BEFORE_KILL: usize = 120;
/// Events that must be acknowledged by the new primary before the round ends.
const ACKNOWLEDGED_AFTER: usize = 60;

/// How long a client rests before it tries the other recorder.
const RETRY_AFTER: Duration = Duration::from_millis(50);
/// How long anything may take on a machine that does much else, before the test says what is missing.
const PATIENCE: Duration = Duration::from_secs(300);

fn rounds() -> usize {
    if std::env::var("PULVERLOG_FAULTS").is_ok_and(|which| which == "all") { 10 } else { 3 }
}

fn copy_keys(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    let copied = run(Command::new("cp").arg("-a").arg(from.join("keys")).arg(to));
    assert!(copied.status.success(), "{}", printed(&copied));
}

/// A recorder whose log lies behind this wire.
fn place(folder: &Path, wire: &Wire) -> Place {
    let place = Place::named(folder, ORIGIN);
    let store = format!("postgres://{}@{}/log", cluster::USER, wire.address());
    let file = folder.join("pulverlog.toml");
    let text = std::fs::read_to_string(&file).expect("the configuration");
    let text = text.replace("[log]\n", &format!("[log]\nstore = {store:?}\n"));
    std::fs::write(file, text).expect("the configuration is written");
    place
}

/// The size the witness remembers; 0 if it has cosigned nothing yet.
fn witnessed(url: &str) -> u64 {
    let name = Digest::of(ORIGIN.as_bytes());
    let answer = Client::new(url, "").get(&format!("/latest/{name}")).expect("an answer");
    match answer.status {
        200 => answer.text().lines().nth(1).expect("a size").parse().expect("a number"),
        404 => 0,
        _ => panic!("{}", answer.text()),
    }
}

/// Events acknowledged so far, for somebody who waits until there are more.
#[derive(Default)]
struct Acknowledged {
    count: Mutex<usize>,
    more: Condvar,
}

impl Acknowledged {
    fn add(&self) {
        *self.count.lock().expect("no panic") += 1;
        self.more.notify_all();
    }

    /// Whether so many more come in time.
    fn wait_for(&self, more: usize) -> bool {
        let count = self.count.lock().expect("no panic");
        let until = *count + more;
        let waited = self.more.wait_timeout_while(count, PATIENCE, |count| *count < until);
        !waited.expect("no panic").1.timed_out()
    }
}

/// Ends the work of all clients when it is dropped, also by a panic, which would wait for them otherwise.
struct Ends<'e>(&'e AtomicBool);

impl Drop for Ends<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::SeqCst);
    }
}

/// Waits until a recorder says that it takes events again.
fn wait_until_ready(recorder: &Running) {
    let begun = Instant::now();
    loop {
        let ready = recorder.client("").get("/readyz").expect("an answer");
        if ready.status == 200 {
            return;
        }
        assert!(begun.elapsed() < PATIENCE, "still not ready: {}", ready.text());
        std::thread::sleep(RETRY_AFTER);
    }
}

/// Posts with eight clients to both recorders, each event until it is acknowledged, every fifth one to
/// both at once, while `trouble` happens.
fn under_load(
    bases: [&Running; 2],
    token: &str,
    round: &str,
    trouble: impl FnOnce(&Acknowledged) -> bool,
) -> Receipts {
    let acknowledged = Acknowledged::default();
    let ended = AtomicBool::new(false);
    let all = Mutex::new(Receipts::default());
    std::thread::scope(|scope| {
        for client in 0..CLIENTS {
            let apis = bases.map(|running| running.client(token));
            let (acknowledged, ended, all) = (&acknowledged, &ended, &all);
            scope.spawn(move || {
                let mut receipts = Receipts::default();
                let mut number = 0;
                'events: while !ended.load(Ordering::SeqCst) {
                    let id = format!("{round}c{client}n{number}");
                    let mut turn = client + number;
                    while !receipts.send(&apis[turn % 2], &id) {
                        if ended.load(Ordering::SeqCst) {
                            // It stays without an answer, and is sent again when all is over.
                            break 'events;
                        }
                        // As the answer asks clients to: not at once.
                        std::thread::sleep(RETRY_AFTER);
                        turn += 1;
                    }
                    if number.is_multiple_of(5) {
                        // To the other one as well: the same place, or an unknown outcome.
                        receipts.send(&apis[(turn + 1) % 2], &id);
                    }
                    number += 1;
                    acknowledged.add();
                }
                all.lock().expect("no panic").extend(receipts);
            });
        }
        let _ends = Ends(&ended);
        let went_on = trouble(&acknowledged);
        assert!(went_on, "{round}: clients are told nothing any more");
    });
    all.into_inner().expect("no panic")
}

#[test]
fn two_recorders_lose_nothing_while_primaries_die_and_wires_are_cut() {
    if !cluster::is_installed("two recorders on one log") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let mut primary = Server::start("p0", "").expect("a primary");
    primary.create_database("log").expect("a database");
    let mut standby = primary.standby("s0").expect("a standby");
    primary.wait_for_standby("s0").expect("a synchronous standby");
    let wires = [(); 2].map(|()| Wire::to(primary.listens(), b"pulverlog").expect("a wire"));

    // The first one makes key and log; the second one is given the keys.
    let one = place(&folder.path().join("one"), &wires[0]);
    let two = place(&folder.path().join("two"), &wires[1]);
    let first = one.start();
    let keys = first.client("").get("/log/keys").expect("keys").text();
    assert!(first.stop().success());
    let log_key = keys.lines().find(|line| !line.starts_with('#')).expect("a key").to_owned();
    copy_keys(&one.data(), &two.data());
    let witness_place = WitnessPlace::new(&folder.path().join("witness"), "witness.example.net/w1");
    let witness = witness_place.start(&[&log_key], None);
    for place in [&one, &two] {
        place.configure(&format!(
            "[[witnesses]]\nurl = {:?}\nkey = {:?}\n",
            witness.url, witness_place.key
        ));
    }
    let (at_one, at_two) = (one.start(), two.start());
    let token = one.token("svc_mes", &["service"]);
    let auditor = one.token("op_auditor", &["auditor"]);
    let mut all = Receipts::default();
    let mut remembered = 0;

    for round in 0..rounds() {
        let receipts = under_load([&at_one, &at_two], &token, &format!("r{round}"), |told| {
            if !told.wait_for(ACKNOWLEDGED_BEFORE_KILL) {
                return false;
            }
            if round.is_multiple_of(2) {
                primary.kill().expect("killed");
            } else {
                primary.stop_at_once().expect("stopped");
            }
            standby.promote().expect("promoted");
            for wire in &wires {
                wire.lead_to(standby.listens());
            }
            told.wait_for(ACKNOWLEDGED_AFTER)
        });
        all.extend(receipts);
        let name = format!("s{}", round + 1);
        let next = standby.standby(&name).expect("a new standby");
        standby.wait_for_standby(&name).expect("a synchronous standby");
        primary = std::mem::replace(&mut standby, next);
        for (running, token) in [(&at_one, &auditor), (&at_two, &auditor)] {
            let head = running.client(token).get("/log/checkpoint").expect("an answer");
            assert_eq!(head.status, 200, "{}", head.text());
        }
        let size = witnessed(&witness.url);
        assert!(size >= remembered, "what a witness remembers only grows");
        remembered = size;
    }

    // A partition: the recorder that is cut off acknowledges nothing and says so.
    wires[0].be(Mood::Swallows);
    let mut cut = Receipts::default();
    for number in 0..3 {
        assert!(!cut.send(&at_one.client(&token), &format!("cut-{number}")));
        let ready = at_one.client("").get("/readyz").expect("an answer");
        assert_eq!(ready.status, 503, "{}", ready.text());
        assert!(all.send(&at_two.client(&token), &format!("free-{number}")));
    }
    wires[0].be(Mood::Carries);
    wires[0].break_all();
    wait_until_ready(&at_one);
    cut.send_again(&at_one.client(&token));
    all.extend(cut);
    all.send_again(&at_two.client(&token));

    // Both show one history, and what one recorded the other one serves.
    assert!(at_one.stop().success());
    assert!(at_two.stop().success());
    let running = two.start();
    let lost = all.not_in(&kept_as_served(&running.client(&auditor)));
    assert!(lost.is_empty(), "lost or doubled: {lost:?}");
    assert!(running.stop().success());
    assert!(witnessed(&witness.url) > remembered, "the witness went on cosigning");

    let checked = run(&mut two.command(&["check"]));
    assert!(checked.status.success(), "{}", printed(&checked));
    let bundle = folder.path().join("bundle");
    let exported = run(two.command(&["export"]).arg(&bundle));
    assert!(exported.status.success(), "{}", printed(&exported));
    let audited = run(Command::new(program("auditor")).arg("check").arg(&bundle));
    assert!(audited.status.success(), "{}", printed(&audited));
    let entries = std::fs::read_to_string(bundle.join("entries.ndjson")).expect("entries");
    let ids: Vec<String> = entries
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).expect("an entry")["event"].clone())
        .map(|event| format!("{} {}", event["source"], event["id"]))
        .collect();
    let different: BTreeSet<&String> = ids.iter().collect();
    assert_eq!(different.len(), ids.len(), "no event is there twice");
    println!(
        "{} primaries lost and one partition: {} events acknowledged, 0 lost, 0 doubled",
        rounds(),
        all.acknowledged()
    );
}

#[test]
fn a_log_moves_into_a_database_and_its_recorder_goes_on() {
    if !cluster::is_installed("moving a log") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let server = Server::start("moving", "").expect("a server");
    server.create_database("log").expect("a database");
    let place = Place::new(folder.path());
    let token = place.token("svc_mes", &["service"]);
    let mut all = Receipts::default();
    let running = place.start();
    for number in 0..50 {
        assert!(all.send(&running.client(&token), &format!("before-{number}")));
    }
    let address = server.address("log");
    let refused = run(&mut place.command(&["move", "--from", "files", "--to", &address]));
    assert!(!refused.status.success(), "the recorder still runs");
    assert!(running.stop().success());
    let moved = run(&mut place.command(&["move", "--from", "files", "--to", &address]));
    assert!(moved.status.success(), "{}", printed(&moved));
    assert!(place.try_start(&mut place.command(&["serve"])).is_err(), "it is not there any more");

    let running = place.start_with(&["--store", &address]);
    assert!(all.send(&running.client(&token), "before-7"), "known in its new place");
    assert!(all.send(&running.client(&token), "after"));
    assert!(running.stop().success());
    let moved = run(&mut place.command(&["move", "--from", &address, "--to", "files"]));
    assert!(!moved.status.success(), "the data directory holds the old log");
    let auditor = place.token("op_auditor", &["auditor"]);
    let running = place.start_with(&["--store", &address]);
    let lost = all.not_in(&kept_as_served(&running.client(&auditor)));
    assert!(lost.is_empty(), "lost or doubled: {lost:?}");
    let checked = run(&mut place.command(&["--store", &address, "check"]));
    assert!(checked.status.success(), "{}", printed(&checked));
}
