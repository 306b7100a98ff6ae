//! What an audit sees beyond the chain: times against witnesses, keys the log enrolled, reports
//! worked out again, logs that continue each other, excerpts.

mod logs;

use auditor::client_keys::Signed;
use auditor::paper::{Anchor, Contained};
use auditor::reports::Compared;
use auditor::{Audit, AuditError, CLOCKS_DIFFER_MS_MAX, Trusted, audit, show};
use chain::bundle::{self, Bundle, BundleVerdict};
use chain::keys::Keys;
use chain::note::Ed25519Signer;
use logs::{Log, MINUTE_MS, START_MS};
use report::disposal::{DisposalReport, Head, Options, Print};
use report::evidence::evidence;
use report::maintenance::MaintenanceReport;
use report::pdf::Language;
use report::{About, Period, Report};
use serde_json::json;

fn audited(files: &Bundle) -> Audit {
    let audit = audit(files, &Trusted::default(), &[], 2).expect("the audit can be made");
    let unreadable = audit.replay.iter().map(|replay| replay.unreadable.len());
    assert_eq!(unreadable.sum::<usize>(), 0, "the test's own entries are of the catalogue");
    audit
}

fn abouts(audit: &Audit) -> Vec<(Option<u64>, &str)> {
    audit.differences().map(|d| (d.seq, d.about.as_str())).collect()
}

#[test]
fn recorded_times_lie_between_anchor_and_cosignature() {
    let slack = CLOCKS_DIFFER_MS_MAX;
    let start_s = START_MS.unsigned_abs() / 1000;
    // When the witness cosigned the anchor, when the log says to have kept it and to have recorded
    // the entry after it, when the witness cosigned a checkpoint that covers both; at which entry
    // it shows.
    let hour_ms = 60 * MINUTE_MS;
    let cases = [
        (0, MINUTE_MS, MINUTE_MS, hour_ms, None),
        (hour_ms, hour_ms - slack, hour_ms, 2 * hour_ms, None),
        // Backdated: what holds the cosignature is said to be older than the cosignature.
        (hour_ms, hour_ms - slack - 1000, hour_ms, 2 * hour_ms, Some(2)),
        (0, MINUTE_MS, hour_ms + slack, hour_ms, None),
        // Dated forward: a witness saw the entry before it was recorded.
        (0, MINUTE_MS, hour_ms + slack + 1000, hour_ms, Some(3)),
    ];
    for case @ (anchored_ms, kept_ms, recorded_ms, cosigned_ms, seq) in cases {
        let mut log = Log::open("north/2026", None);
        log.read_meter("12.5");
        let anchor = log.checkpoint(Some(start_s + anchored_ms.unsigned_abs() / 1000));
        log.now_ms = START_MS + kept_ms;
        log.own("anchor.kept", json!({ "note": anchor }));
        log.now_ms = START_MS + recorded_ms;
        log.read_meter("12.6");
        let last = log.checkpoint(Some(start_s + cosigned_ms.unsigned_abs() / 1000));
        let found = audited(&log.bundle(&[&last]));
        let expected: Vec<_> = seq.map(|seq| (Some(seq), "recorded time")).into_iter().collect();
        assert_eq!(abouts(&found), expected, "{case:?}");
        assert_eq!(found.is_sound(), seq.is_none());
    }
}

#[test]
fn an_anchor_of_another_history_is_no_anchor() {
    let mut other = Log::open("north/2026", None);
    other.read_meter("99.9");
    let foreign = other.checkpoint(Some(START_MS.unsigned_abs() / 1000));
    for note in [foreign, "no note at all\n".to_owned()] {
        let mut log = Log::open("north/2026", None);
        log.read_meter("12.5");
        log.own("anchor.kept", json!({ "note": note }));
        let last = log.checkpoint(None);
        let found = audited(&log.bundle(&[&last]));
        assert!(matches!(
            abouts(&found)[..],
            [(Some(2), "kept anchor" | "kept anchor of 2 entries")]
        ));
    }
}

#[test]
fn enrolled_keys_are_told_with_what_they_signed_and_what_is_suspect() {
    let client = Ed25519Signer::new("mes.example.org/north", &[3; 32]).unwrap();
    let mut log = Log::open("north/2026", None);
    let key = client.verifier().to_string();
    let enrolled =
        |by| json!({ "key": key, "usage": "client", "owner": "svc_mes", "approved_by": by });
    log.office("key.enrolled", enrolled("op_second"));
    log.approve("op_second", 1);
    for reading in ["1.0", "2.0", "3.0"] {
        log.read_meter_signed(reading, &client);
    }
    let revoked =
        json!({ "key": key, "reason": "stolen", "suspect_from": 4, "approved_by": "op_second" });
    log.office("key.revoked", revoked);
    let last = log.checkpoint(None);
    let found = audited(&log.bundle(&[&last]));
    assert!(found.is_sound(), "{}", show::text(&found));
    let stories = &found.replay.as_ref().unwrap().keys;
    let [story] = &stories[..] else { panic!("one key") };
    assert_eq!(story.key.enrolled.approved_in, Some(2));
    assert_eq!(story.signed, Some(Signed { first: 3, last: 5, entries: 3 }));
    assert_eq!(story.suspect, Some(Signed { first: 4, last: 5, entries: 2 }));
    let text = show::text(&found);
    assert!(text.contains("SUSPECT: 2 entries, from 4 to 5"), "{text}");
    assert!(text.contains("NOT APPROVED by op_second"), "the revocation: {text}");

    // What is signed with a key that is not in force counts for nothing, whatever the server did:
    // revoked, not yet approved, approved by whoever enrolled it.
    log.read_meter_signed("4.0", &client);
    assert_eq!(
        abouts(&audited(&log.bundle(&[&log.checkpoint(None)]))),
        [(Some(7), "client signature")]
    );
    for (second, signer) in
        [("op_second", None), ("op_second", Some("op_third")), ("op_first", Some("op_first"))]
    {
        let mut log = Log::open("north/2026", None);
        log.office("key.enrolled", enrolled(second));
        if let Some(signer) = signer {
            log.approve(signer, 1);
        }
        log.read_meter_signed("1.0", &client);
        let at = log.size() - 1;
        let found = audited(&log.bundle(&[&log.checkpoint(None)]));
        assert_eq!(abouts(&found), [(Some(at), "client signature")], "{second} {signer:?}");
    }

    // Enrolled by one person alone: told. A weak key (the identity point): told, never used.
    let mut log = Log::open("north/2026", None);
    log.office("key.enrolled", enrolled("op_first"));
    let weak = logs::vkey_of_point("mes.example.org/weak", 1, &logs::IDENTITY_POINT);
    log.office(
        "key.enrolled",
        json!({ "key": weak, "usage": "client", "owner": "svc_mes", "approved_by": "op_second" }),
    );
    let last = log.checkpoint(None);
    let text = show::text(&audited(&log.bundle(&[&last])));
    assert!(text.contains("ONE PERSON ALONE") && text.contains("CANNOT BE USED"), "{text}");

    // A signature that the enrolled key did not make.
    let mut log = Log::open("north/2026", None);
    log.office("key.enrolled", enrolled("op_second"));
    log.read_meter_signed("1.0", &Ed25519Signer::new("mes.example.org/north", &[9; 32]).unwrap());
    log.forge_last_signature_for(&client);
    let last = log.checkpoint(None);
    assert_eq!(abouts(&audited(&log.bundle(&[&last]))), [(Some(2), "client signature")]);
}

/// A stream is determined and a drum with 12.5 kg is started: entries 1 to 3.
fn a_drum(log: &mut Log) {
    let kg = |digits: &str| json!({ "value": digits, "unit": "kg" });
    log.work(
        "stream.determined",
        "stream/PA-DUST",
        json!({
            "material": "PA12", "description": "dust and filters", "determination": "hazardous",
            "codes": { "rcra": ["D001"] }, "decided_by": "op_first", "basis": "knowledge",
            "jurisdiction": "us",
        }),
    );
    log.work(
        "container.opened",
        "container/D-1",
        json!({ "stream": "PA-DUST", "tare": kg("9.80"), "area": "central", "location": "CAA-1" }),
    );
    log.work(
        "waste.added",
        "container/D-1",
        json!({ "what": "powder", "mass": kg("12.5"), "checks": [] }),
    );
}

fn quarter() -> Period {
    let day = |text: &str| shopfloor::common::Day(text.parse().unwrap());
    let site = shopfloor::ids::Label::new("north").unwrap();
    Period { site, from: day("2026-01-01"), to: day("2026-02-28") }
}

/// A log with a waste report in its bundle.
fn reported(change: impl Fn(&mut DisposalReport)) -> Bundle {
    let mut log = Log::open("north/2026", None);
    a_drum(&mut log);
    issued(&mut log, About::Disposal(quarter()), |report| match report {
        Report::Disposal(report) => change(report),
        other => panic!("{other:?}"),
    })
}

/// A bundle of the log with a report about all its entries, changed before it was issued.
fn issued(log: &mut Log, about: About, change: impl Fn(&mut Report)) -> Bundle {
    let note = log.checkpoint(None);
    let head = Head::new(log.origin(), log.size(), log.root(), log.key().label(), &note, None);
    let options = Options { at: "2026-03-01T08:00:00Z".parse().unwrap() };
    let mut report = Report::compile(&log.state(), &about, head, &options).unwrap();
    let language = Language::German;
    let rests_on = report.rests_on();
    let entry = |seq| log.line(seq);
    let evidence =
        evidence(report.head(), &rests_on, language, log.key(), entry, log.leaves()).unwrap();
    change(&mut report);
    let json = report.to_json().unwrap();
    let told = |as_of, digest: chain::Digest| {
        let digest = shopfloor::ids::FileDigest::new(&digest.to_string()).unwrap();
        serde_json::to_value(about.issued(as_of, digest, None).unwrap()).unwrap()
    };
    log.own("report.issued", told(report.head().size, chain::Digest::of(&json)));
    log.own("report.issued", told(1, chain::Digest::of(b"another")));
    let last = log.checkpoint(None);
    let mut files = log.bundle(&[&note, &last]);
    files.insert("report.json", json).unwrap();
    let german = Print { language, evidence, ..Print::default() };
    files.insert("report.pdf", report.to_pdf(&german).unwrap()).unwrap();
    files.insert("report.csv", report.to_csv()).unwrap();
    files
}

/// A sieve that is to be cleaned every 10 hours and is after 25: entries 1 to 5.
fn a_late_cleaning(log: &mut Log) {
    const STATION: &str = "equipment/S-02";
    let h = |hours: &str| json!({ "value": hours, "unit": "h" });
    let station = json!({
        "kind": "sieving_station", "label": "Sieving station 2", "room": "R-12",
        "meters": [{ "id": "run", "unit": "h" }],
        "positions": [{ "id": "main-sieve", "part_kind": "sieve" }],
    });
    log.work("equipment.registered", STATION, station);
    let task = json!({
        "task": "clean_sieve", "action": "clean", "target": "main-sieve", "warn_percent": 90,
        "every": { "meter": "run", "quantity": h("10") }, "source": { "basis": "common_practice" },
    });
    log.work("plan.set", STATION, json!({ "tasks": [task] }));
    log.work("meter.read", STATION, json!({ "meter": "run", "reading": h("0") }));
    let read = json!({ "meter": "run", "reading": h("25") });
    log.work_at("2026-02-05T08:00:00Z", "meter.read", STATION, read);
    let done = json!({
        "task": "clean_sieve", "target": "main-sieve", "method": "vacuum",
        "reading": { "meter": "run", "value": h("25") },
    });
    log.work_at("2026-02-05T09:00:00Z", "cleaning.done", STATION, done);
}

#[test]
fn a_maintenance_report_is_worked_out_again_like_any_other() {
    let files = |change: &dyn Fn(&mut MaintenanceReport)| {
        let mut log = Log::open("north/2026", None);
        a_late_cleaning(&mut log);
        issued(&mut log, About::Maintenance(quarter()), |report| match report {
            Report::Maintenance(report) => change(report),
            other => panic!("{other:?}"),
        })
    };
    let good = audited(&files(&|report| assert_eq!(report.work.len(), 1, "{report:?}")));
    assert!(good.is_sound(), "{}", show::text(&good));
    let [check] = &good.replay.as_ref().unwrap().reports[..] else { panic!("one report") };
    assert_eq!((&check.compared, check.issued_in, check.as_of), (&Compared::Same, Some(6), 6));

    let nicer = audited(&files(&|report| report.late = 0));
    assert_eq!(
        abouts(&nicer),
        [(None, "content of `report.json`"), (None, "table of `report.json`")]
    );
    // The entry tells of another period than the report it bears the digest of.
    let longer = audited(&files(&|report| report.to = report.from));
    assert_eq!(abouts(&longer)[0], (Some(6), "issue of `report.json`"));
}

#[test]
fn a_report_follows_from_the_entries_or_is_told() {
    let good = audited(&reported(|_| {}));
    assert!(good.is_sound(), "{}", show::text(&good));
    let replay = good.replay.as_ref().unwrap();
    let [check] = &replay.reports[..] else { panic!("one report") };
    assert_eq!((&check.compared, check.issued_in, check.as_of), (&Compared::Same, Some(4), 4));
    assert_eq!(replay.reports_absent, [5]);

    // The signed digest is that of the falsified report: only working it out again shows it.
    let falsified = audited(&reported(|report| {
        report.shipped_kg = serde_json::from_value(json!("12")).unwrap()
    }));
    let both = [(None, "content of `report.json`"), (None, "table of `report.json`")];
    assert_eq!(abouts(&falsified), both[..1]);
    let elsewhere = audited(&reported(|report| report.head.root = "x".into()));
    assert_eq!(abouts(&elsewhere), both);
    // A moment at which nothing is overdue yet cannot be chosen.
    let early = audited(&reported(|report| report.at = "2026-03-01T07:00:00Z".into()));
    assert_eq!(abouts(&early), both);
    let ahead = audited(&reported(|report| report.head.size = 40));
    assert_eq!(ahead.replay.as_ref().unwrap().reports[0].compared, Compared::Beyond);
}

/// What a reader of the PDF alone can check: the entries it carries are in the log.
#[test]
fn the_evidence_inside_a_print_is_taken_out_and_audited() {
    if std::process::Command::new("pdfdetach").arg("-v").output().is_err() {
        let ci = std::env::var("CI").is_ok_and(|value| value == "true");
        assert!(!ci, "`pdfdetach` is missing: install poppler-utils");
        eprintln!("SKIPPED: `pdfdetach` is missing: install poppler-utils");
        return;
    }
    let files = reported(|_| {});
    let folder = tempfile::tempdir().unwrap();
    let pdf = folder.path().join("report.pdf");
    std::fs::write(&pdf, files.get("report.pdf").unwrap()).unwrap();
    let detached = std::process::Command::new("pdfdetach")
        .args(["-saveall", "-o"])
        .args([folder.path(), &pdf])
        .status()
        .unwrap();
    assert!(detached.success());
    let carried = auditor::open(folder.path().join("evidence.zip").to_str().unwrap(), None);
    let carried = carried.unwrap();
    let found = audited(&carried);
    let BundleVerdict::SoundExcerpt(summary) = &found.verdict else { panic!("{found:?}") };
    assert_eq!(summary.entries, 3, "the determination, the drum, what went in");
    let lines = String::from_utf8(carried.get("entries.ndjson").unwrap().to_vec()).unwrap();
    assert!(lines.contains(r#""value":"12.5""#), "{lines}");

    // One digit of one mass changed in the evidence.
    let mut forged = Bundle::new();
    for (name, content) in carried.iter() {
        let content = match name {
            "entries.ndjson" => lines.replace("12.5", "12.4").into_bytes(),
            _ => content.to_vec(),
        };
        forged.insert(name, content).unwrap();
    }
    assert!(matches!(audited(&forged).verdict, BundleVerdict::BrokenExcerpt(_)));
}

#[test]
fn a_print_that_says_something_else_is_told() {
    let mut files = Bundle::new();
    for (name, bytes) in reported(|_| {}).iter() {
        let mut bytes = bytes.to_vec();
        if name == "report.pdf" {
            bytes.extend_from_slice(b"\n% one more line\n");
        }
        files.insert(name, bytes).unwrap();
    }
    assert_eq!(abouts(&audited(&files)), [(None, "print of `report.json`")]);
}

#[test]
fn a_log_is_followed_to_the_one_it_continues() {
    let mut first = Log::open("north/2026", None);
    first.read_meter("12.5");
    first.own("log.closed", json!({ "reason": "year_end" }));
    let end = first.checkpoint(None);
    let mut second = Log::open("north/2027", Some(&end));
    second.read_meter("12.6");
    let (new, old) = (second.bundle(&[&second.checkpoint(None)]), first.bundle(&[&end]));
    let both = |new: &Bundle, old: Bundle| audit(new, &Trusted::default(), &[old], 1);

    let found = both(&new, old).unwrap();
    assert!(found.is_sound(), "{}", show::text(&found));
    assert_eq!(found.before[0].origin, first.origin());
    assert_eq!(found.before[0].window.as_ref().unwrap().entries, 0, "the next log vouches for it");

    // The old log, rewritten with its own key: what the new one cites does not fit.
    let mut rewritten = Log::open("north/2026", None);
    rewritten.read_meter("99.9");
    rewritten.own("log.closed", json!({ "reason": "year_end" }));
    let found = both(&new, rewritten.bundle(&[&rewritten.checkpoint(None)])).unwrap();
    assert!(!found.is_sound());
    // The old log went on after it was closed.
    first.read_meter("12.7");
    let found = both(&new, first.bundle(&[&first.checkpoint(None)])).unwrap();
    assert_eq!(abouts(&found.before[0]), [(Some(3), "end of the log")]);
    // Entry 0 cites nothing.
    let alone = Log::open("north/2027", None);
    let new = alone.bundle(&[&alone.checkpoint(None)]);
    let refused = both(&new, first.bundle(&[&end])).unwrap_err();
    assert!(matches!(refused, AuditError::ContinuesNothing { .. }));
}

#[test]
fn a_log_is_followed_to_its_successor_with_the_first_key_alone() {
    let next_key = Log::open("north/2027", None).key().to_string();
    let enrolment = json!({
        "key": next_key, "usage": "log", "owner": "records", "approved_by": "op_second",
    });
    let first = |approved: bool, closed: bool| {
        let mut log = Log::open("north/2026", None);
        log.read_meter("12.5");
        log.office("key.enrolled", enrolment.clone());
        if approved {
            log.approve("op_second", 2);
        }
        if closed {
            log.own("log.closed", json!({ "reason": "year_end" }));
        }
        log
    };
    let folder = tempfile::tempdir().unwrap();
    let follow = |old: &Log, new: &Bundle| {
        let own = folder.path().join("keys.txt");
        std::fs::write(&own, format!("{}\n", old.key())).unwrap();
        let trusted = Trusted { keys: Some(own), ..Trusted::default() };
        let files = old.bundle(&[&old.checkpoint(None)]);
        let mut found = audit(&files, &trusted, &[], 1).unwrap();
        auditor::follow(&mut found, &files, &trusted, std::slice::from_ref(new), 1).unwrap();
        found
    };
    let second = |cites: Option<&str>| {
        let mut log = Log::open("north/2027", cites);
        log.read_meter("12.6");
        log.bundle(&[&log.checkpoint(None)])
    };

    let old = first(true, true);
    let new = second(Some(&old.checkpoint(None)));
    let found = follow(&old, &new);
    assert!(found.is_sound(), "{}", show::text(&found));
    assert_eq!(found.next[0].keys_from, auditor::KeysFrom::LogBefore);
    assert!(show::text(&found).contains("went on as  records.brackwater.example/north/2027"));

    let why = |old: &Log, new: &Bundle| -> Vec<String> {
        let found = follow(old, new);
        assert!(!found.is_sound());
        found.next[0].succession.iter().map(|d| d.about.clone()).collect()
    };
    // One person alone names the next key: whoever holds the old key could do that, too.
    let one_person = first(false, true);
    let after = second(Some(&one_person.checkpoint(None)));
    assert_eq!(why(&one_person, &after), ["key of the log"]);
    let open = first(true, false);
    let after = second(Some(&open.checkpoint(None)));
    assert_eq!(why(&open, &after), ["end of the log before"]);
    assert_eq!(why(&old, &second(None)), ["entry 0"]);
    let mut elsewhere = Log::open("south/2026", None);
    elsewhere.own("log.closed", json!({ "reason": "year_end" }));
    assert_eq!(why(&old, &second(Some(&elsewhere.checkpoint(None)))), ["entry 0"]);
    // It cites an earlier end than the one the log has.
    let cut = first(true, false);
    let early = cut.checkpoint(None);
    assert_eq!(why(&old, &second(Some(&early))), ["end of the log"]);
}

#[test]
fn an_excerpt_says_that_completeness_is_not_proved() {
    let mut log = Log::open("north/2026", None);
    for reading in ["1.0", "2.0", "3.0"] {
        log.read_meter(reading);
    }
    let files = log.excerpt(&[1, 3]);
    let found = audited(&files);
    assert!(matches!(found.verdict, BundleVerdict::SoundExcerpt(_)) && found.is_sound());
    assert!(show::text(&found).contains("NOT PROVED  completeness"), "{}", show::text(&found));
    assert_eq!(show::as_json(&found)["complete"], false);

    let mut changed = Bundle::new();
    for (name, bytes) in files.iter() {
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        let text = if name == bundle::ENTRIES { text.replace("\"3.0\"", "\"3.1\"") } else { text };
        changed.insert(name, text.into_bytes()).unwrap();
    }
    let found = audited(&changed);
    assert_eq!((show::as_json(&found)["fault"].as_str(), found.is_sound()), (Some("proof"), false));
}

#[test]
fn what_no_outside_checkpoint_covers_is_told_in_entries_and_time() {
    let mut log = Log::open("north/2026", None);
    log.read_meter("1.0");
    let outside = log.checkpoint(Some(START_MS.unsigned_abs() / 1000));
    log.now_ms += 90 * MINUTE_MS;
    log.read_meter("2.0");
    let last = log.checkpoint(None);
    let found = audited(&log.bundle(&[&outside, &last]));
    let window = found.window.as_ref().unwrap();
    assert_eq!((window.entries, window.since_ms), (1, Some(START_MS)));
    let text = show::text(&found);
    assert!(text.contains("1 of 3 entries by any outside checkpoint"), "{text}");
    assert!(text.contains("within 1 h 30 min after 2026-03-01T08:00:00.000Z"), "{text}");
}

#[test]
fn a_paper_anchor_is_looked_for_in_a_log() {
    let mut log = Log::open("north/2026", None);
    log.read_meter("1.0");
    let paper = log.checkpoint(None);
    log.read_meter("2.0");
    let files = log.bundle(&[&log.checkpoint(None)]);
    let keys = Keys::parse(files.get(bundle::KEYS).unwrap()).unwrap();
    let anchor = Anchor::read(paper.as_bytes(), std::slice::from_ref(&keys.log)).unwrap();
    assert_eq!(anchor.is_in(&files, &keys), Contained::Yes);

    let mut other = Log::open("north/2026", None);
    other.read_meter("9.9");
    let rewritten = other.bundle(&[&other.checkpoint(None)]);
    assert!(matches!(anchor.is_in(&rewritten, &keys), Contained::OtherRoot(_)));
    let short = Log::open("north/2026", None);
    let short = short.bundle(&[&short.checkpoint(None)]);
    assert_eq!(anchor.is_in(&short, &keys), Contained::Shorter { entries: 1 });
}
