//! Each kind of fault, the order in which they are looked for, and the attacks of the threat model.

mod common;

use chain::Digest;
use chain::checkpoint::{Checkpoint, cosign};
use chain::entry::{Actor, ClientSignature, Draft, Head, Link, genesis_prev, leaf_hash};
use chain::keys::Keys;
use chain::note::{Ed25519Signer, Note, Signer as _};
use chain::policy::Policy;
use chain::verify::{
    CannotCheck, CheckpointFile, Evidence, Fault, FaultKind, Receipt, Summary, Verdict, verify,
    verify_ndjson,
};
use common::{ORIGIN, SmallLog};

fn fault(evidence: Evidence, entries: &[Vec<u8>]) -> Fault {
    match verify(evidence, entries).unwrap() {
        Verdict::Broken(fault) => fault,
        Verdict::Sound(summary) => panic!("{summary}"),
    }
}

fn sound(evidence: Evidence, entries: &[Vec<u8>]) -> Summary {
    match verify(evidence, entries).unwrap() {
        Verdict::Sound(summary) => summary,
        Verdict::Broken(fault) => panic!("{fault}"),
    }
}

fn named(evidence: Evidence, entries: &[Vec<u8>]) -> (u64, FaultKind) {
    let fault = fault(evidence, entries);
    (fault.seq, fault.kind)
}

fn file(name: &str, note: &Note) -> CheckpointFile {
    CheckpointFile { name: name.into(), note: note.to_string().into_bytes(), outside: false }
}

/// An entry with one part of its text replaced.
fn changed(entry: &[u8], from: &str, to: &str) -> Vec<u8> {
    let text = std::str::from_utf8(entry).unwrap();
    assert_eq!(text.matches(from).count(), 1, "`{from}` in {text}");
    text.replace(from, to).into_bytes()
}

/// A history that goes before the first entry, hidden in front of it, with everything behind linked.
#[test]
fn the_first_entry_follows_nothing() {
    let log = SmallLog::new(3, &[3]);
    let mut entries = log.entries.clone();
    let hidden = log.leaves[2].to_string();
    entries[0] = changed(&entries[0], &genesis_prev().to_string(), &hidden);
    let relinked = leaf_hash(&entries[0]).to_string();
    entries[1] = changed(&entries[1], &log.leaves[0].to_string(), &relinked);
    assert_eq!(named(log.evidence(), &entries), (0, FaultKind::Link));
    assert_eq!(named(log.evidence(), &entries[..1]), (0, FaultKind::Link));
}

#[test]
fn what_one_line_can_get_wrong() {
    use FaultKind::{Canonical, ClientSignature, Form, Seq, Version};
    let log = SmallLog::new(6, &[6]);
    for (seq, from, to, kind) in [
        (2, "\"seq\":2", "\"seq\": 2", Canonical),
        (2, "\"seq\":2", "\"seq\":2.0", Canonical),
        (2, "\"seq\":2", "\"seq\":02", Canonical),
        (2, "-7", "[[[[[[-7]]]]]]", Canonical),
        (2, "\"target\"", "\"Target\"", Canonical),
        (2, "\"v\":1}", "\"v\":1}}", Canonical),
        (2, "\"v\":1}", "\"v\":2}", Version),
        (2, "\"v\":1}", "\"v\":\"1\"}", Version),
        (2, "\"v\":1}", "\"v\":true}", Version),
        (2, ",\"v\":1}", "}", Form),
        (2, ",\"v\":1}", ",\"v\":1,\"w\":1}", Form),
        (2, "\"salt\":\"13", "\"salt\":\"1G", Form),
        (2, "\"recorded_at\":\"2026", "\"recorded_at\":\"1969", Form),
        (2, "\"seq\":2", "\"seq\":-2", Form),
        (2, "\"seq\":2", "\"seq\":\"2\"", Form),
        (2, "\"id\":\"op_k3f9\"", "\"id\":\"ana\"", Form),
        (2, "\"via\":\"badge\"", "\"via\":\"system\"", Form),
        (2, "\"via\":\"badge\"", "\"via\":\"phone\"", Form),
        (1, "\"for\":\"op_k3f9\"", "\"for\":\"svc_k3f9\"", Form),
        (1, "\"id\":\"svc_mes\"", "\"id\":\"op_mes\"", Form),
        (1, "\"by\":\"mes.example.org/north+", "\"by\":\"mes.example.org/north", Form),
        (2, "\"seq\":2", "\"seq\":3", Seq),
        (2, "\"seq\":2", "\"seq\":9007199254740991", Seq),
        (1, "12.340", "12.341", ClientSignature),
    ] {
        let mut entries = log.entries.clone();
        entries[seq] = changed(&entries[seq], from, to);
        assert_eq!(named(log.evidence(), &entries), (seq as u64, kind), "{from} -> {to}");
    }
}

/// If a line has several faults, the first in the documented order is the verdict.
#[test]
fn the_first_fault_in_order_is_named() {
    let log = SmallLog::new(6, &[6]);
    let mut line = log.entries[4].clone();
    let mut expect = |from: &str, to: &str, kind| {
        line = changed(&line, from, to);
        let mut entries = log.entries.clone();
        entries[4] = line.clone();
        // Twice, so that the entry after it is wrong as well.
        entries[5] = b"{}".to_vec();
        assert_eq!(named(log.evidence(), &entries), (4, kind), "{from} -> {to}");
    };
    // From the last check to the first, each new fault goes before the ones already there.
    expect("12.340", "12.341", FaultKind::ClientSignature);
    expect("\"recorded_at\":\"2026", "\"recorded_at\":\"2025", FaultKind::Time);
    let prev = format!("\"prev\":\"{}", log.leaves[3]);
    expect(&prev, &format!("\"prev\":\"{}", log.leaves[2]), FaultKind::Link);
    expect("\"seq\":4", "\"seq\":5", FaultKind::Seq);
    expect("\"salt\":\"15", "\"salt\":\"1_", FaultKind::Form);
    expect("\"v\":1}", "\"v\":0}", FaultKind::Version);
    expect("\"v\":0}", "\"v\":0} ", FaultKind::Canonical);
    assert!(FaultKind::ALL.is_sorted(), "the order of the enum is the order of the checks");
}

/// What an auditor reads: which entry, what is wrong with it, what should be there and what is.
#[test]
fn the_verdict_is_a_sentence() {
    let log = SmallLog::new(6, &[2, 6]);
    let words =
        |evidence: Evidence, entries: &[Vec<u8>]| verify(evidence, entries).unwrap().to_string();
    let mut entries = log.entries.clone();
    entries[4] = changed(&entries[4], "\"seq\":4", "\"seq\":5");
    assert_eq!(
        words(log.evidence(), &entries),
        "broken at entry 4: another sequence number stands in its place; expected 4, found 5"
    );
    let mut rewritten = SmallLog::new(6, &[]);
    rewritten.rewrite_from(3);
    let (signed, found) = (log.head(6).root(), rewritten.head(6).root());
    assert_eq!(
        words(log.evidence(), &rewritten.entries),
        format!(
            "broken at entry 5: the entries up to it do not have the root that was signed; expected \
             {signed}, found {found} (checkpoint `checkpoints/6.note`); the fault lies among entries 2 to 5"
        )
    );
    let sound = format!(
        "sound: 6 entries, root {signed}, newest checkpoint covers 6, no outside checkpoint covers 0, \
         4 lack a client signature"
    );
    assert_eq!(words(log.evidence(), &log.entries), sound);
    let mut evidence = log.evidence();
    evidence.keys.clients.clear();
    let unknown = format!("{sound}, 2 are signed by a key that is not known");
    assert_eq!(words(evidence, &log.entries), unknown);
}

#[test]
fn every_kind_says_something_of_its_own() {
    let texts: std::collections::BTreeSet<_> = FaultKind::ALL.map(FaultKind::text).into();
    assert_eq!(texts.len(), FaultKind::ALL.len());
    assert!(texts.iter().all(|text| text.contains(' ')), "each is a clause: {texts:?}");
}

#[test]
fn every_kind_has_a_stable_code_of_its_own() {
    let codes: std::collections::BTreeSet<_> = FaultKind::ALL.map(FaultKind::code).into();
    assert_eq!(codes.len(), FaultKind::ALL.len());
    let format =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/FORMAT.md")).unwrap();
    for kind in FaultKind::ALL {
        assert!(format.contains(&format!("`{}`", kind.code())), "{kind:?} is not in FORMAT.md");
    }
}

#[test]
fn entry_0_opens_this_log() {
    let log = SmallLog::new(3, &[3]);
    let foreign = Ed25519Signer::new(ORIGIN, &[9; 32]).unwrap();
    let key = foreign.vkey();
    for (from, to) in [
        ("pulverlog.log.opened", "pulverlog.log.closed"),
        (&*format!("\"origin\":\"{ORIGIN}\""), "\"origin\":\"records.example.org/south\""),
        (&*log.log.vkey(), &*key),
        (",\"schema\":1}", "}"),
    ] {
        let mut entries = log.entries.clone();
        entries[0] = changed(&entries[0], from, to);
        let expected =
            if from.contains("schema") { FaultKind::Altered } else { FaultKind::Opening };
        assert_eq!(named(log.evidence(), &entries), (0, expected), "{from}");
    }
    // Keys of another log: everything it would say is about another log.
    let mut evidence = log.evidence();
    evidence.keys.log = foreign.verifier().clone();
    evidence.policy = None;
    assert_eq!(named(evidence, &log.entries), (0, FaultKind::Opening));
}

#[test]
fn checkpoints_that_are_not_properly_signed() {
    let log = SmallLog::new(6, &[2, 6]);
    let head = log.head(4);
    let text = log.sign(&head, 1).text;
    let stranger = Ed25519Signer::new(ORIGIN, &[9; 32]).unwrap();
    let south = Ed25519Signer::new("records.example.org/south", &[1; 32]).unwrap();
    let southern =
        Checkpoint { origin: south.name().into(), size: 4, root: head.root(), extensions: vec![] };
    let mut bad_log = log.sign(&head, 1);
    bad_log.signatures[0].signature[5] ^= 1;
    let mut bad_witness = log.sign(&head, 1);
    bad_witness.signatures[1].signature[7] ^= 1;
    let mut late_witness = log.sign(&head, 1);
    late_witness.signatures[1] = cosign(&text, 1 << 63, &log.witness);
    for (note, what) in [
        (Note::sign(&text, &stranger), "signed by an unknown key"),
        (Note::sign(&southern.to_text(), &south), "of another log"),
        (bad_log, "with a bad signature"),
        (bad_witness, "with another time than was cosigned"),
        (late_witness, "with a time beyond 2^63"),
    ] {
        let mut evidence = log.evidence();
        evidence.checkpoints.push(file("4", &note));
        let fault = fault(evidence, &log.entries);
        assert_eq!((fault.seq, fault.kind), (3, FaultKind::CheckpointSignature), "{what}: {fault}");
        assert_eq!(fault.checkpoint.as_deref(), Some("4"));
    }
    // Beyond the end of the log a checkpoint must be signed to show that the tail is missing.
    for (note, expected) in [
        (log.sign(&log.head(6), 1), (5, FaultKind::TailCut)),
        (
            Note::sign(&log.sign(&log.head(6), 1).text, &stranger),
            (5, FaultKind::CheckpointSignature),
        ),
    ] {
        let mut evidence = log.evidence();
        evidence.checkpoints = vec![file("6", &note)];
        assert_eq!(named(evidence, &log.entries[..5]), expected);
    }
    // Lines of unknown keys are no fault, whatever they hold (C2SP signed-note).
    let mut crowded = log.sign(&head, 1);
    for i in 0..30_u8 {
        let mut line = crowded.signatures[usize::from(i % 2)].clone();
        line.key_id = [i; 4];
        line.signature = vec![i; if i == 7 { 5_000 } else { 1 + usize::from(i) }];
        crowded.signatures.push(line);
    }
    let mut evidence = log.evidence();
    evidence.checkpoints.push(file("4", &crowded));
    sound(evidence, &log.entries);
}

#[test]
fn two_histories_signed_for_one_size() {
    let mut log = SmallLog::new(6, &[2, 6]);
    let first = log.sign(&log.head(5), 1);
    let evidence = log.evidence();
    let entries = log.entries.clone();
    log.rewrite_from(3);
    let second = log.sign(&log.head(5), 2);
    for (a, b) in [(&first, &second), (&second, &first)] {
        let mut evidence = evidence.clone();
        evidence.checkpoints.extend([file("a", a), file("b", b)]);
        let fault = fault(evidence, &entries);
        assert_eq!((fault.seq, fault.kind), (4, FaultKind::SplitView), "{fault}");
    }
}

#[test]
fn a_history_rewritten_with_all_links_intact() {
    let mut log = SmallLog::new(9, &[3, 8]);
    let evidence = log.evidence();
    for seq in (1..8).rev() {
        log.rewrite_from(seq);
        let fault = fault(evidence.clone(), &log.entries);
        let (last, among) = if seq < 3 { (2, (0, 2)) } else { (7, (3, 7)) };
        assert_eq!((fault.seq, fault.kind), (last, FaultKind::Root), "{fault}");
        assert_eq!(fault.among, Some(among));
    }
}

#[test]
fn time_does_not_run_backwards() {
    let log = SmallLog::new(2, &[]);
    let mut head = log.head(2);
    let mut entries = log.entries.clone();
    let last = head.recorded_at_ms();
    for recorded_at_ms in [last, last - 1] {
        let draft = Draft::new(&Actor::system(), b"{}").unwrap();
        let (seq, prev) = (head.size(), head.prev());
        let sealed = draft.seal(Link { seq, prev, recorded_at_ms, salt: [0; 16] }, None).unwrap();
        // The live writer's own check refuses what the auditor will refuse.
        let refused = head.advance(seq, prev, recorded_at_ms, sealed.leaf);
        assert_eq!(refused.is_err(), recorded_at_ms < last);
        entries.push(sealed.bytes);
    }
    let mut evidence = log.evidence();
    evidence.policy = None;
    evidence.checkpoints.push(file("0", &log.sign(&Head::empty(), 1)));
    assert_eq!(named(evidence, &entries), (3, FaultKind::Time));
}

#[test]
fn receipts_of_clients() {
    let mut log = SmallLog::new(6, &[2]);
    let receipt = |seq: usize| Receipt { seq: seq as u64, leaf: log.leaves[seq] };
    let mut evidence = log.evidence();
    evidence.receipts = vec![receipt(1), receipt(4), receipt(4)];
    sound(evidence.clone(), &log.entries);
    assert_eq!(named(evidence.clone(), &log.entries[..4]), (4, FaultKind::TailCut));
    log.rewrite_from(4);
    assert_eq!(named(evidence.clone(), &log.entries), (4, FaultKind::Receipt));
    log.rewrite_from(3);
    assert_eq!(named(evidence, &log.entries), (4, FaultKind::Receipt));
}

#[test]
fn what_the_policy_asks_for() {
    let log = SmallLog::new(6, &[2, 6]);
    let other = Ed25519Signer::witness("witness.example.net/w2", &[8; 32]).unwrap();
    let policy = |quorum: &str| {
        let text = format!(
            "log {}\nwitness w1 {}\nwitness w2 {}\ngroup both all w1 w2\n{quorum}\n",
            log.log.vkey(),
            log.witness.vkey(),
            other.vkey()
        );
        Policy::parse(text.as_bytes()).unwrap()
    };
    let with = |quorum: &str| Evidence { policy: Some(policy(quorum)), ..log.evidence() };
    assert_eq!(sound(with("quorum w1"), &log.entries).outside_size, 6);
    assert_eq!(sound(with("quorum none"), &log.entries).outside_size, 6);
    assert_eq!(named(with("quorum w2"), &log.entries), (0, FaultKind::Quorum));
    assert_eq!(named(with("quorum both"), &log.entries), (0, FaultKind::Quorum));
    // One older checkpoint that both have cosigned meets it; what is newer is not covered.
    let mut note = log.sign(&log.head(3), 1);
    note.signatures.push(cosign(&note.text, 2, &other));
    let mut evidence = with("quorum both");
    evidence.checkpoints.push(file("3", &note));
    let summary = sound(evidence, &log.entries);
    assert_eq!((summary.outside_size, summary.not_covered_outside()), (3, 3));
    assert_eq!(summary.witness_keys.len(), 2);
    // A policy for other logs cannot judge this one.
    let foreign = Ed25519Signer::new("records.example.org/south", &[9; 32]).unwrap();
    let text = format!("log {}\nquorum none\n", foreign.vkey());
    let evidence =
        Evidence { policy: Some(Policy::parse(text.as_bytes()).unwrap()), ..log.evidence() };
    let key = log.log.verifier().label();
    assert_eq!(verify(evidence, &log.entries), Err(CannotCheck::LogNotInPolicy { key }));
}

#[test]
fn what_cannot_be_checked() {
    let log = SmallLog::new(2, &[2]);
    let mut evidence = log.evidence();
    evidence.checkpoints.clear();
    assert_eq!(verify(evidence, &log.entries), Err(CannotCheck::NoCheckpoint));
    for (note, readable) in [("", false), ("x\n\n\u{2014} a AAAAAAA=\n", true)] {
        let mut evidence = log.evidence();
        let note = note.as_bytes().to_vec();
        evidence.checkpoints.push(CheckpointFile { name: "odd".into(), note, outside: false });
        match verify(evidence, &log.entries).unwrap_err() {
            CannotCheck::Note { name, .. } => assert!(!readable && name == "odd"),
            CannotCheck::Checkpoint { name, .. } => assert!(readable && name == "odd"),
            other @ (CannotCheck::NoCheckpoint | CannotCheck::LogNotInPolicy { .. }) => {
                panic!("{other}")
            }
        }
    }
}

/// The attacks of the threat model that change what an export says, with what an auditor
/// who holds one checkpoint from outside (size 4) and the bundle's own (size 8) then sees.
#[test]
fn attacks_of_the_threat_model() {
    let honest = SmallLog::new(8, &[8]);
    let kept =
        CheckpointFile { outside: true, ..file("printed", &honest.sign(&honest.head(4), 1)) };
    // The operator of the log re-signs whatever he now claims; no witness takes part.
    let claimed = |log: &SmallLog| {
        let head = log.head(log.entries.len());
        let checkpoint = Checkpoint {
            origin: ORIGIN.into(),
            size: head.size(),
            root: head.root(),
            extensions: vec![],
        };
        Evidence {
            keys: log.keys(),
            policy: None,
            checkpoints: vec![
                kept.clone(),
                file("own", &Note::sign(&checkpoint.to_text(), &log.log)),
            ],
            receipts: vec![],
        }
    };
    let rewritten = |seq| {
        let mut log = SmallLog::new(8, &[]);
        log.rewrite_from(seq);
        log
    };
    let cut = |count| SmallLog::new(count, &[]);

    // Edit, then recompute chain and tree and sign again: seen before the kept checkpoint,
    // not seen after it, and the summary says how much that is.
    let log = rewritten(2);
    assert_eq!(named(claimed(&log), &log.entries), (3, FaultKind::Root));
    let log = rewritten(5);
    assert_eq!(sound(claimed(&log), &log.entries).not_covered_outside(), 4);
    // Cut the tail: the same.
    let log = cut(3);
    assert_eq!(named(claimed(&log), &log.entries), (3, FaultKind::TailCut));
    let log = cut(6);
    assert_eq!(sound(claimed(&log), &log.entries).not_covered_outside(), 2);
    // An event invented for a client whose key is not on the server.
    let mut log = cut(8);
    let mut head = log.head(8);
    let (actor, event, _) = log.event(1);
    let forger = Ed25519Signer::new(log.client.name(), &[77; 32]).unwrap();
    let mut forged = ClientSignature::sign(ORIGIN, event.as_bytes(), &forger);
    forged.by = log.client.verifier().label();
    log.append(&mut head, &actor, &event, Some(&forged));
    assert_eq!(named(claimed(&log), &log.entries), (8, FaultKind::ClientSignature));
    // A signature copied to another event, or from another log.
    for (signed_event, origin) in
        [(log.event(4).1, ORIGIN), (log.event(1).1, "records.example.org/south")]
    {
        let mut log = cut(8);
        let mut head = log.head(8);
        let copied = ClientSignature::sign(origin, signed_event.as_bytes(), &log.client);
        log.append(&mut head, &actor, &event, Some(&copied));
        assert_eq!(named(claimed(&log), &log.entries), (8, FaultKind::ClientSignature));
    }
    // A key that is not enrolled: not checked, but counted.
    let mut log = cut(8);
    let mut head = log.head(8);
    let unknown = ClientSignature::sign(ORIGIN, event.as_bytes(), &forger);
    log.append(&mut head, &actor, &event, Some(&unknown));
    let summary = sound(claimed(&log), &log.entries);
    assert_eq!((summary.signed_unknown, summary.unsigned), (1, 5));
    assert_eq!(summary.client_keys, [log.client.verifier().label()]);
    // Another log's entries under this log's name.
    let mut evidence = claimed(&honest);
    evidence.keys = Keys::of_log(Ed25519Signer::new(ORIGIN, &[9; 32]).unwrap().verifier().clone());
    assert_eq!(named(evidence, &honest.entries), (0, FaultKind::Opening));
}

/// A broken link at the very end, which no checkpoint covers: nothing tells whose fault it is.
#[test]
fn an_open_end_is_honest_about_what_it_cannot_tell() {
    let log = SmallLog::new(6, &[2]);
    for (seq, from, to) in [(4, "12.340", "12.341"), (5, "\"prev\":\"", "\"prev\":\"0")] {
        let mut entries = log.entries.clone();
        if seq == 4 {
            entries[4] = changed(&entries[4], "\"salt\":\"15", "\"salt\":\"16");
        } else {
            let prev = log.leaves[4].to_string();
            entries[5] = changed(&entries[5], &prev, &Digest::of(from.as_bytes()).to_string());
        }
        let fault = fault(log.evidence(), &entries);
        assert_eq!((fault.seq, fault.kind), (5, FaultKind::Link), "{to}");
        assert_eq!(fault.among, Some((4, 5)));
    }
    // The newest entry of all has no successor and no checkpoint: a change is not seen, and the
    // summary counts it among those not covered.
    let mut entries = log.entries.clone();
    entries[5] = changed(&entries[5], "\"salt\":\"16", "\"salt\":\"17");
    assert_eq!(sound(log.evidence(), &entries).not_covered_outside(), 4);
}

/// A signed root over both entries, or the entry after them, tells whose fault a broken link is.
#[test]
fn what_follows_a_broken_link_tells_whose_fault_it_is() {
    let (covered, followed) = (SmallLog::new(6, &[6]), SmallLog::new(7, &[2]));
    for log in [&covered, &followed] {
        let whose = |entries: &[Vec<u8>]| {
            let fault = fault(log.evidence(), entries);
            (fault.seq, fault.kind, fault.among)
        };
        let mut altered = log.entries.clone();
        altered[4] = changed(&altered[4], "\"salt\":\"15", "\"salt\":\"16");
        assert_eq!(whose(&altered), (4, FaultKind::Altered, None));
        let mut misled = log.entries.clone();
        let elsewhere = Digest::of(b"elsewhere").to_string();
        misled[5] = changed(&misled[5], &log.leaves[4].to_string(), &elsewhere);
        assert_eq!(whose(&misled), (5, FaultKind::Link, None));
    }
}

#[test]
fn the_verdict_does_not_depend_on_the_number_of_threads() {
    let mut log = SmallLog::new(1, &[]);
    let mut head = log.head(1);
    for _ in 1..20_000 {
        let (actor, event, _) = log.event(2);
        log.append(&mut head, &actor, &event, None);
    }
    let note = log.sign(&head, 1);
    let evidence = Evidence { checkpoints: vec![file("all", &note)], ..log.evidence() };
    let whole = SmallLog::file(&log.entries);
    let mut files = vec![whole.clone(), whole[..whole.len() - 1].to_vec()];
    for seq in [0, 4_095, 8_192, 12_345, 19_999] {
        let mut entries = log.entries.clone();
        entries[seq] = changed(&entries[seq], "\"salt\":\"", "\"salt\":\"f");
        files.push(SmallLog::file(&entries));
        let mut entries = log.entries.clone();
        entries.remove(seq);
        files.push(SmallLog::file(&entries));
    }
    let mut kinds = std::collections::BTreeSet::new();
    for file in files {
        let verdict = verify_ndjson(evidence.clone(), &file, 1).unwrap();
        for threads in [0, 2, 3] {
            assert_eq!(verify_ndjson(evidence.clone(), &file, threads).unwrap(), verdict);
        }
        if let Verdict::Broken(fault) = verdict {
            kinds.insert(fault.kind);
        }
    }
    let expected = [FaultKind::LineFeed, FaultKind::Form, FaultKind::Seq, FaultKind::TailCut];
    assert_eq!(kinds, expected.into());
    assert_eq!(genesis_prev(), Digest::of(b""));
}
