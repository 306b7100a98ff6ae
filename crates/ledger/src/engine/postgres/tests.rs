//! What only a database can do to a log: commits whose outcome is unknown, other writers, servers that
//! are away, went back, or do not keep what they acknowledge.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use cluster::{Authority, Mood, Server, Setup, Wire};

use super::bed::PgBed;
use super::{ConnectedPg, PgOptions};
use crate::core::Core;
use crate::disk::{Disk, OsDisk};
use crate::engine::files::FilesOptions;
use crate::engine::{Engine, Store};
use crate::error::LedgerError;
use crate::moving::move_log;
use crate::notary::Notary;
use crate::opening::{IndexPlace, LogPlace, Opened, create, open};
use crate::people::{Deposit, PeopleStore, salt};
use crate::sim::{Seeded, SimClock};
use crate::testing::{
    Bed as _, START_MS, Sealer, all_entries, append, bytes_of, note_event, remark, seams,
};
use crate::{Handling, Outcome, Result, Seams, Submission};

/// What an append sends and nothing else does: the beginning of an entry.
const MARKER: &[u8] = br#"{"actor":{"#;

fn seams_of(seed: u64) -> Seams {
    let disk: Arc<dyn Disk> = Arc::new(OsDisk);
    seams(&disk, &SimClock::new(START_MS), seed)
}

fn options(server: &Server, database: &str, head: &Path) -> PgOptions {
    PgOptions::parse(&server.socket_address(database), None, head).expect("an address")
}

/// A recorder's view of a log: its own core and notary, and where its head directory is.
struct Process {
    core: Core,
    notary: Notary,
    store: Arc<dyn Store>,
}

impl Process {
    fn open(bed: &PgBed, seed: u64) -> Self {
        let place = LogPlace::Postgres(bed.options.clone());
        let opened: Opened = open(seams_of(seed), &place, &IndexPlace::Memory).expect("opened");
        assert_eq!(opened.report.stop(), None);
        let (core, store) = (opened.core, opened.store);
        Self { core, store, notary: opened.notary.expect("not read-only") }
    }

    fn record(&mut self, events: Vec<Submission>) -> Vec<Outcome> {
        let answers = self.core.process(events);
        answers.into_iter().map(|answer| answer.expect("answered")).collect()
    }
}

fn seq(outcome: &Outcome) -> u64 {
    outcome.receipt().expect("a receipt").seq
}

fn new_log(server: &Server, database: &str) -> PgBed {
    let bed = PgBed::new(server, database);
    let place = LogPlace::Postgres(bed.options.clone());
    create(seams_of(1), &place, None).expect("created");
    bed
}

#[test]
fn a_database_is_a_home_for_a_log() {
    if !cluster::is_installed("logs in PostgreSQL") {
        return;
    }
    let server = Server::start("logs", "").expect("a server");
    a_commit_whose_answer_was_lost_counts_once(&server);
    what_never_answers_is_not_acknowledged(&server);
    the_same_key_sent_to_two_recorders_is_one_event(&server);
    two_busy_recorders_both_get_on(&server);
    one_judges_on_what_the_other_recorded(&server);
    two_notaries_sign_one_history(&server);
    a_database_that_went_back_is_not_written_to(&server);
    a_log_is_created_once(&server);
    a_log_moves_there_and_back(&server);
    the_people_store_is_shared(&server);
}

/// The connection breaks before the batch is sent, right behind it, and when the server has answered
/// it: each time the batch counts once.
fn a_commit_whose_answer_was_lost_counts_once(server: &Server) {
    let mut bed = PgBed::new(server, "lost_answers");
    drop(bed.create());
    let wire = Wire::to(server.listens(), MARKER).expect("a wire");
    let address = format!("postgres://log@{}/lost_answers", wire.address());
    let far = PgBed::at(&address);
    let connected = ConnectedPg::existing(&OsDisk, &far.options).expect("connected");
    let mut engine = connected.open(Some(0)).expect("opened").0;
    let mut sealer = Sealer::new(3);
    let mut expected = Vec::new();
    let moods = [Mood::LosesTheAnswer, Mood::BreaksBefore, Mood::BreaksBehind];
    for (round, mood) in moods.into_iter().cycle().take(9).enumerate() {
        let batch = sealer.batch(1 + round * 3, 200);
        wire.be(mood);
        append(&mut engine, &batch).expect("resolved");
        expected.extend(bytes_of(&[batch]));
        assert_eq!(wire.broken(), round as u64 + 1, "{mood:?}");
        assert_eq!(all_entries(&engine, 1 << 20), expected, "{mood:?}");
    }
    // The same while the row is held.
    for mood in moods {
        engine.take_turn().expect("held");
        let batch = sealer.batch(2, 10);
        wire.be(mood);
        append(&mut engine, &batch).expect("resolved");
        expected.extend(bytes_of(&[batch]));
    }
    wire.be(Mood::Carries);
    assert_eq!(all_entries(&*bed.reopen(), 1 << 20), expected);
}

/// A partition: nothing is acknowledged, the engine works again when it heals, and what became of the
/// batch is whatever the database says.
fn what_never_answers_is_not_acknowledged(server: &Server) {
    let near = new_log(server, "partition");
    let wire = Wire::to(server.listens(), MARKER).expect("a wire");
    let far = PgBed::at(&format!("postgres://log@{}/partition", wire.address()));
    let mut cut = Process::open(&far, 2);
    let mut other = Process::open(&near, 3);
    wire.be(Mood::Swallows);
    let answer = cut.core.process(vec![remark("cut", "said to the cut one")]).remove(0);
    let failure = answer.expect_err("no acknowledgement");
    assert!(failure.is_passing(), "{failure}");
    let meanwhile = other.record(vec![remark("other", "said to the other one")]);
    wire.be(Mood::Carries);
    wire.break_all();
    let again = loop {
        match cut.core.process(vec![remark("cut", "said to the cut one")]).remove(0) {
            Ok(outcome) => break outcome,
            Err(failure) => assert!(failure.is_passing(), "{failure}"),
        }
    };
    assert_ne!(seq(&again), seq(&meanwhile[0]));
    other.core.follow().expect("followed");
    let known = other.record(vec![remark("cut", "said to the cut one")]);
    assert!(matches!(known[0], Outcome::Known { .. }), "{known:?}");
    assert_eq!(seq(&known[0]), seq(&again));
}

fn the_same_key_sent_to_two_recorders_is_one_event(server: &Server) {
    let bed = new_log(server, "one_key");
    let elsewhere = PgBed::at(&server.socket_address("one_key"));
    let (mut one, mut two) = (Process::open(&bed, 2), Process::open(&elsewhere, 3));
    for round in 0..20 {
        let event = || remark(&format!("e-{round}"), "seen by both");
        let first = one.record(vec![event()]);
        // It has not looked since.
        let second = two.record(vec![event()]);
        assert!(matches!(first[0], Outcome::Recorded { .. }), "{first:?}");
        assert!(matches!(second[0], Outcome::Known { .. }), "{second:?}");
        assert_eq!(first[0].receipt(), second[0].receipt());
        let other = two.record(vec![remark(&format!("e-{round}"), "other words")]);
        assert!(matches!(other[0], Outcome::Conflict { .. }), "{other:?}");
    }
}

/// Threads that never pause: nobody starves, nothing is lost, nothing is there twice.
fn two_busy_recorders_both_get_on(server: &Server) {
    const EVENTS: usize = 60;
    let bed = new_log(server, "busy");
    let elsewhere = PgBed::at(&server.socket_address("busy"));
    let receipts: Vec<BTreeMap<String, u64>> = std::thread::scope(|scope| {
        let threads = [(&bed, 2), (&elsewhere, 3)].map(|(bed, seed)| {
            scope.spawn(move || {
                let mut process = Process::open(bed, seed);
                let record = |at: usize| {
                    // Every third event is sent to both.
                    let id = if at.is_multiple_of(3) {
                        format!("both-{at}")
                    } else {
                        format!("p{seed}-{at}")
                    };
                    loop {
                        let mut answers = process.core.process(vec![remark(&id, "busy")]);
                        match answers.remove(0) {
                            Ok(outcome) => break (id, seq(&outcome)),
                            Err(failure) => assert!(failure.is_passing(), "{failure}"),
                        }
                    }
                };
                (0..EVENTS).map(record).collect()
            })
        });
        threads.map(|thread| thread.join().expect("finished")).into()
    });
    let all: BTreeMap<String, u64> =
        receipts.iter().flatten().map(|(k, v)| (k.clone(), *v)).collect();
    for receipts in &receipts {
        assert_eq!(receipts.len(), EVENTS);
        // Whoever was asked about an event that both got gave the same place.
        assert!(receipts.iter().all(|(id, seq)| all[id] == *seq));
    }
    let log = Process::open(&bed, 4);
    assert_eq!(log.store.count(), 1 + all.len() as u64, "entry 0, and each event once");
}

fn one_judges_on_what_the_other_recorded(server: &Server) {
    let bed = new_log(server, "judged");
    let elsewhere = PgBed::at(&server.socket_address("judged"));
    let (mut one, mut two) = (Process::open(&bed, 2), Process::open(&elsewhere, 3));
    let first = one.record(vec![remark("first", "to be seen by the other")]);
    let strict = note_event("strict", "strict", "2026-03-01T07:59:30Z", Handling::Strict);
    two.record(vec![strict]);
    assert_eq!(two.core.tip().count, seq(&first[0]) + 2);
    let as_of = |process: &Process| process.core.shop().read().expect("not poisoned").as_of();
    assert_eq!(as_of(&two), two.core.tip().count);
    assert!(one.core.follow().expect("followed"));
    assert_eq!(as_of(&one), as_of(&two));
    // What was judged on a copy of the state is not recorded behind anything else.
    let stale = one.core.tip().count;
    two.record(vec![remark("between", "between")]);
    let answers = one.core.process_at(vec![remark("whole", "whole")], Some(stale));
    assert!(matches!(&answers[0], Err(failure) if matches!(**failure, LedgerError::Behind { .. })));
    let answers = one.core.process_at(vec![remark("whole", "whole")], Some(stale + 1));
    assert!(matches!(answers[0], Ok(Outcome::Recorded { .. })), "{answers:?}");
}

fn two_notaries_sign_one_history(server: &Server) {
    let bed = new_log(server, "notaries");
    let elsewhere = PgBed::at(&server.socket_address("notaries"));
    let (mut one, mut two) = (Process::open(&bed, 2), Process::open(&elsewhere, 3));
    for round in 0..40 {
        one.record(vec![remark(&format!("a{round}"), "a")]);
        one.notary.cover().expect("covered");
        two.record(vec![remark(&format!("b{round}"), "b")]);
        two.notary.publish().expect("published");
        one.core.follow().expect("followed");
        let ours = one.notary.publish().expect("published").clone();
        let theirs = two.notary.published().expect("there").clone();
        assert_eq!((ours.size, ours.root), (theirs.size, theirs.root));
    }
    // A cosignature that one of them keeps stays when the other one keeps its own.
    let size = one.notary.published().expect("there").size;
    let note = |line: &str| {
        let plain = one.notary.published().expect("there").note.clone();
        format!("{plain}{line}\n")
    };
    one.store.store_checkpoint(size, note("\u{2014} w1 AAAA").as_bytes()).expect("kept");
    two.store.store_checkpoint(size, note("\u{2014} w2 BBBB").as_bytes()).expect("kept");
    let kept = String::from_utf8(two.store.checkpoint(size).expect("read").expect("there"));
    let kept = kept.expect("text");
    assert!(kept.contains("w1 AAAA") && kept.contains("w2 BBBB"), "{kept}");
}

fn a_database_that_went_back_is_not_written_to(server: &Server) {
    let bed = new_log(server, "went_back");
    let mut process = Process::open(&bed, 2);
    process.record(vec![remark("kept", "kept")]);
    process.notary.cover().expect("covered");
    let dump = |sql: &str| server.sql("went_back", sql).expect("done");
    // As a standby that lags: everything as it was two entries ago.
    dump(
        "CREATE TABLE was AS SELECT * FROM pulverlog_head; \
          CREATE TABLE noted AS SELECT * FROM pulverlog_watermark",
    );
    process.record(vec![remark("lost", "lost"), remark("lost-2", "lost")]);
    process.notary.cover().expect("covered");
    dump(
        "DELETE FROM pulverlog_entries WHERE seq >= (SELECT entries FROM was); \
          DELETE FROM pulverlog_head; INSERT INTO pulverlog_head SELECT * FROM was; \
          UPDATE pulverlog_watermark SET note = (SELECT note FROM noted)",
    );
    // The process that runs notices, for good.
    let refused = process.core.process(vec![remark("more", "more")]).remove(0);
    let refused = refused.expect_err("refused").to_string();
    assert!(refused.contains("went back"), "{refused}");
    assert!(process.core.process(vec![remark("more", "more")]).remove(0).is_err());
    drop(process);
    // One that is started again notices by its own copy of the watermark.
    let place = LogPlace::Postgres(bed.options.clone());
    let opened = open(seams_of(5), &place, &IndexPlace::Memory).expect("opened to look at");
    assert!(opened.report.stop().is_some());
    let mut core = opened.core;
    assert!(core.process(vec![remark("more", "more")]).remove(0).is_err());
}

fn a_log_is_created_once(server: &Server) {
    let bed = new_log(server, "created");
    let place = LogPlace::Postgres(bed.options.clone());
    let again = create(seams_of(1), &place, None);
    assert!(matches!(again, Err(LedgerError::Exists { .. })), "{again:?}");
    let elsewhere = PgBed::at(&server.socket_address("created"));
    let again = create(seams_of(1), LogPlace::Postgres(elsewhere.options.clone()), None);
    assert!(matches!(again, Err(LedgerError::Exists { .. })), "{again:?}");
    // One that was not finished is begun anew, also by somebody else.
    let unfinished = PgBed::new(server, "unfinished");
    let begun =
        ConnectedPg::create(&OsDisk, &unfinished.options, &mut Seeded::new(1)).expect("begun");
    let late = begun.unfinished();
    let mut late_engine = begun.open(None).expect("opened").0;
    let place = LogPlace::Postgres(unfinished.options.clone());
    assert!(matches!(
        open(seams_of(1), &place, &IndexPlace::Memory),
        Err(LedgerError::NoLog { .. })
    ));
    create(seams_of(1), &place, None).expect("created");
    let refused = append(&mut late_engine, &Sealer::new(1).batch(1, 1));
    assert!(refused.is_err() && late.finish().is_err(), "the first one is too late");
}

fn deposit(body: &str) -> Deposit {
    let (person, by) = ("op_k7".to_owned(), "op_lead".to_owned());
    let salt = salt(&mut Seeded::new(9));
    Deposit { person, body: body.to_owned(), by, deposited_at_ms: 1, salt }
}

fn a_log_moves_there_and_back(server: &Server) {
    let dir = tempfile::tempdir().expect("a temporary directory");
    let files = |name: &str| {
        let mut files = FilesOptions::under(&dir.path().join(name));
        files.file_systems = crate::disk::FileSystemPolicy::TestsOnly;
        LogPlace::Files(files)
    };
    let people = |place: &LogPlace| -> Result<PeopleStore> {
        match place {
            LogPlace::Files(files) => PeopleStore::open(&OsDisk, &files.log_dir.join("../people")),
            LogPlace::Postgres(options) => PeopleStore::in_database(options),
        }
    };
    let head = dir.path().join("head-of-database");
    server.create_database("moved").expect("a database");
    let (old, new) = (files("old"), files("new"));
    let database = LogPlace::Postgres(options(server, "moved", &head));

    create(seams_of(1), &old, None).expect("created");
    let mut opened = open(seams_of(2), &old, &IndexPlace::Memory).expect("opened");
    for at in 0..300 {
        let answer = opened.core.process(vec![remark(&format!("e{at}"), "to be moved")]);
        answer.into_iter().for_each(|answer| assert!(answer.is_ok()));
    }
    let mut notary = opened.notary.take().expect("not read-only");
    let signed = notary.publish().expect("published").clone();
    let refused = move_log(seams_of(3), &old, &database, people);
    assert!(matches!(refused, Err(LedgerError::Locked { .. })), "in use: {refused:?}");
    opened.core.close().expect("closed");
    drop((opened, notary));
    let words = people(&old).expect("opened").put_text(&deposit("words")).expect("kept");

    // Interrupted: the destination holds a part and cannot be used; the source still can.
    let begun = ConnectedPg::create(&OsDisk, &options(server, "moved", &head), &mut Seeded::new(7));
    let mut part = begun.expect("begun").open(None).expect("opened").0;
    append(&mut part, &Sealer::new(1).batch(3, 3)).expect("a part");
    drop(part);

    let moved = move_log(seams_of(3), &old, &database, people).expect("moved");
    assert_eq!((moved.entries, moved.signed.clone()), (301, signed.clone()));
    assert_eq!(moved.people, 1);
    let ended = open(seams_of(4), &old, &IndexPlace::Memory);
    assert!(matches!(ended, Err(LedgerError::Moved { .. })), "{ended:?}");
    let texts = people(&database).expect("opened");
    assert_eq!(texts.text(&words).expect("read").expect("there").body, "words");
    let again = move_log(seams_of(3), &old, &database, people);
    assert!(matches!(again, Err(LedgerError::Exists { .. })), "{again:?}");

    // Work goes on in the database, then the log comes back, while another process looks on.
    let mut opened = open(seams_of(5), &database, &IndexPlace::Memory).expect("opened");
    let known = opened.core.process(vec![remark("e7", "to be moved"), remark("late", "late")]);
    assert!(matches!(known[0], Ok(Outcome::Known { .. })), "{known:?}");
    let moved = move_log(seams_of(6), &database, &new, people).expect("moved");
    assert_eq!(moved.entries, 302);
    let refused = opened.core.process(vec![remark("too-late", "too late")]).remove(0);
    assert!(refused.expect_err("ended").to_string().contains("moved"));
    drop(opened);
    let opened = open(seams_of(7), &new, &IndexPlace::Memory).expect("opened");
    assert_eq!(opened.report.stop(), None);
    assert_eq!(opened.report.count, 302);
    assert_eq!(
        crate::tree::head_at(&*opened.store, signed.size).expect("read").root(),
        signed.root
    );
}

fn the_people_store_is_shared(server: &Server) {
    let bed = new_log(server, "people");
    let elsewhere = PgBed::at(&server.socket_address("people"));
    let one = PeopleStore::in_database(&bed.options).expect("opened");
    let two = PeopleStore::in_database(&elsewhere.options).expect("opened");
    let words = one.put_text(&deposit("said once")).expect("kept");
    one.put_person(&deposit("{}")).expect("kept");
    assert_eq!(two.text(&words).expect("read").expect("there").body, "said once");
    assert_eq!(two.persons().expect("listed"), ["op_k7"]);
    assert_eq!(two.erase("op_k7").expect("erased").texts, 1);
    assert_eq!(one.text(&words).expect("read"), None);
    assert_eq!(one.persons().expect("listed"), Vec::<String>::new());
    assert!(!one.erase_text(&words).expect("nothing left"));
}

#[test]
fn a_server_that_does_not_keep_its_word_is_refused() {
    if !cluster::is_installed("settings of PostgreSQL") {
        return;
    }
    for (setting, value) in
        [("fsync", "off"), ("full_page_writes", "off"), ("synchronous_commit", "local")]
    {
        let server = Server::start("careless", &format!("{setting} = {value}")).expect("a server");
        let bed = PgBed::new(&server, "careless");
        let refused = create(seams_of(1), LogPlace::Postgres(bed.options.clone()), None);
        let refused = refused.expect_err("refused").to_string();
        assert!(refused.contains(setting) && refused.contains(value), "{refused}");
    }
}

/// The database of a log in another place is spoken to over TLS, by the name in its certificate and an
/// authority that somebody chose. Nothing else will do, nothing is sent to anything else, and what is
/// wrong is said.
#[test]
fn a_database_is_spoken_to_over_tls_and_only_if_it_is_the_right_one() {
    if !cluster::is_installed("TLS to a database") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let [ours, strangers] = ["ours", "strangers"]
        .map(|name| Authority::new(folder.path(), name).expect("an authority"));
    let paper = ours.sign("database", "localhost").expect("a certificate");
    let setup = Setup { certificate: Some(&paper), ..Setup::default() };
    let server = Server::set_up("tls", &setup).expect("a server");
    let plain = Server::start("plain", "").expect("a server without TLS");
    for server in [&server, &plain] {
        server.create_database("log").expect("a database");
    }
    let at = |server: &Server, host: &str, words: &str| {
        let port = server.listens().port();
        PgBed::at(&format!("postgres://{}@{host}:{port}/log?{words}", cluster::USER))
    };
    let verified = |authority: &Authority| {
        format!("sslmode=verify-full&sslrootcert={}", authority.file.display())
    };

    let bed = at(&server, "localhost", &verified(&ours));
    create(seams_of(1), LogPlace::Postgres(bed.options.clone()), None).expect("created");
    let mut process = Process::open(&bed, 2);
    for number in 0..20 {
        process.record(vec![remark(&format!("over-tls-{number}"), "said in confidence")]);
    }
    process.notary.cover().expect("read back and signed");
    let sessions = "SELECT count(*) > 1 AND bool_and(ssl) FROM pg_stat_ssl \
                    JOIN pg_stat_activity USING (pid) WHERE application_name = 'pulverlog'";
    assert_eq!(server.sql("log", sessions).expect("an answer"), "t", "every session is encrypted");
    drop(process);

    for (what, bed, why) in [
        (
            "another authority",
            at(&server, "localhost", &verified(&strangers)),
            "its certificate is not accepted",
        ),
        (
            "another name than the certificate's",
            at(&server, "127.0.0.1", &verified(&ours)),
            "its certificate is not accepted",
        ),
        ("no TLS there", at(&plain, "localhost", &verified(&ours)), "it offers no TLS"),
        ("no TLS here", at(&server, "localhost", "sslmode=disable"), "no encryption"),
    ] {
        let place = LogPlace::Postgres(bed.options.clone());
        for refused in [
            open(seams_of(3), &place, &IndexPlace::Memory).map(drop),
            create(seams_of(3), &place, None).map(drop),
        ] {
            let said = refused.expect_err(what).to_string();
            assert!(said.contains(why), "{what}: {said}");
        }
    }
    let tables = "SELECT count(*) FROM pg_class WHERE relname LIKE 'pulverlog%'";
    assert_eq!(plain.sql("log", tables).expect("an answer"), "0", "nothing was made elsewhere");
    let entries = server.sql("log", "SELECT entries FROM pulverlog_head").expect("an answer");
    assert_eq!(entries, "21", "entry 0 and what was said over TLS");
}
