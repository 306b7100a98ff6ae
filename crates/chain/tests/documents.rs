//! The documents of a bundle: keys, policy, the bundle itself and what it says of itself.

mod common;

use std::io::Write as _;
use std::process::{Command, Stdio};

use chain::bundle::{
    self, Bundle, BundleError, BundleKind, BundleVerdict, OwnEvidence, ReadMe, checkpoint_name,
    proof_name,
};
use chain::keys::{Keys, KeysFault};
use chain::merkle;
use chain::note::{Ed25519Signer, KeyError, KeyKind, Signer as _, VerifierKey};
use chain::policy::{Policy, PolicyFault};
use chain::proof::TlogProof;
use chain::verify::{CheckpointFile, ExcerptEntry, FaultKind, Receipt, Verdict, verify_excerpt};
use common::{ORIGIN, SmallLog};

fn witness(name: &str, seed: u8) -> String {
    Ed25519Signer::witness(name, &[seed; 32]).unwrap().vkey()
}

fn log(name: &str, seed: u8) -> String {
    Ed25519Signer::new(name, &[seed; 32]).unwrap().vkey()
}

/// C2SP tlog-policy, "Example policy": two levels of groups.
#[test]
fn a_policy_of_groups() {
    let names = ["X1", "X2", "X3", "Y1", "Y2", "Y3"];
    let mut text =
        format!("# example\n\nlog {} https://example.org/log\n", log("example.org/l", 1));
    for (i, name) in names.iter().enumerate() {
        text += &format!("  witness\t{name} {}  \n", witness(name, 10 + i as u8));
    }
    text += "group X-witnesses 2 X1 X2 X3\ngroup Y-witnesses any Y1 Y2 Y3\n";
    text += "group X-and-Y all X-witnesses Y-witnesses\nquorum X-and-Y\n";
    let policy = Policy::parse(text.as_bytes()).unwrap();
    assert_eq!(Policy::parse(policy.to_string().as_bytes()).as_ref(), Ok(&policy));
    for (cosigners, met) in [
        ("", false),
        ("X1 X2 X3", false),
        ("X1 Y1", false),
        ("Y1 Y2 Y3", false),
        ("X1 X3 Y2", true),
        ("X1 X2 X3 Y1 Y2 Y3", true),
    ] {
        let has = |key: &VerifierKey| cosigners.split(' ').any(|name| name == key.name());
        assert_eq!(policy.is_met(has), met, "{cosigners}");
    }
}

#[test]
fn what_is_no_policy() {
    let (l, w1, w2) = (log("l", 1), witness("w1", 2), witness("w2", 3));
    let start = format!("log {l}\nwitness a {w1}\nwitness b {w2}\ngroup g any a\n");
    let check = |rest: &str, line, fault| {
        let error = Policy::parse(format!("{start}{rest}").as_bytes()).unwrap_err();
        assert_eq!((error.line, error.fault), (line, fault), "{rest}");
    };
    let name = str::to_owned;
    check("", 5, PolicyFault::OneQuorum);
    check("quorum a\nquorum a\n", 6, PolicyFault::OneQuorum);
    check("quorum a", 5, PolicyFault::Unterminated);
    check("quorum c\n", 5, PolicyFault::UnknownName(name("c")));
    check("quorum\n", 5, PolicyFault::Shape);
    check("quorum a b\n", 5, PolicyFault::Shape);
    check("quorums a\n", 5, PolicyFault::Shape);
    check("group h 0 b\n", 5, PolicyFault::Threshold);
    check("group h 2 b\n", 5, PolicyFault::Threshold);
    check("group h +1 b\n", 5, PolicyFault::Shape);
    check("group h all\n", 5, PolicyFault::Threshold);
    check("group h any a\n", 5, PolicyFault::SecondMembership(name("a")));
    check("group h any b b\n", 5, PolicyFault::SecondMembership(name("b")));
    check("group h any h\n", 5, PolicyFault::UnknownName(name("h")));
    check("group h any none\n", 5, PolicyFault::UnknownName(name("none")));
    check("group a any b\n", 5, PolicyFault::NameTaken(name("a")));
    check("group none any b\n", 5, PolicyFault::NameTaken(name("none")));
    check(&format!("witness g {}\n", witness("w3", 4)), 5, PolicyFault::NameTaken(name("g")));
    // The same key under another name is the same witness (C2SP: duplicate).
    check(&format!("witness c {}\n", witness("other", 2)), 5, PolicyFault::DuplicateKey);
    check(&format!("log {}\n", log("other", 1)), 5, PolicyFault::DuplicateKey);
    check(&format!("log {w1}\n"), 5, PolicyFault::KeyKind);
    check(&format!("witness c {l}\n"), 5, PolicyFault::KeyKind);
    check("witness c x\n", 5, PolicyFault::Key(KeyError::Shape));
    check("quorum a\r\n", 5, PolicyFault::Text);
    let many: String =
        (0..65).map(|i| format!("witness m{i} {}\n", witness("m", 100 + i))).collect();
    check(&many, 67, PolicyFault::TooMany);
    assert_eq!(Policy::parse(b"\xff\n").unwrap_err().fault, PolicyFault::Text);
    assert_eq!(Policy::parse(&[b'#'; 70_000]).unwrap_err().fault, PolicyFault::TooLong);
}

#[test]
fn lists_of_keys() {
    let (l, w, c) = (log("l", 1), witness("w", 2), log("c", 3));
    let keys = Keys::parse(format!("# keys\n\n{l}\n{c}\n{w}\n").as_bytes()).unwrap();
    assert_eq!((keys.origin(), keys.witnesses.len(), keys.clients.len()), ("l", 1, 1));
    assert_eq!(Keys::parse(keys.to_string().as_bytes()), Ok(keys));
    let point = {
        // y = 1 is the neutral element: a weak key, as a vkey with the id that belongs to it.
        let weak: [u8; 32] = std::array::from_fn(|i| u8::from(i == 0));
        VerifierKey::new("weak", KeyKind::Ed25519, &weak)
    };
    assert_eq!(point, Err(KeyError::Weak));
    // 2^255 - 18 is another spelling of y = 1, refused before its weakness is looked at.
    let mut odd = [0xff; 32];
    (odd[0], odd[31]) = (0xee, 0x7f);
    assert_eq!(VerifierKey::new("odd", KeyKind::Ed25519, &odd), Err(KeyError::Point));
    for name in ["", "a b", "a+b", "a\u{a0}b", "a\nb", &"x".repeat(256)] {
        let key = VerifierKey::new(name, KeyKind::Ed25519, &[2; 32]);
        assert_eq!(key, Err(KeyError::Name), "{name}");
    }
    for (text, line, fault) in [
        (String::new(), 1, KeysFault::Empty),
        ("# nothing\n".into(), 2, KeysFault::Empty),
        (format!("{w}\n"), 1, KeysFault::LogKind),
        (format!("{l}\n{w}"), 2, KeysFault::Unterminated),
        (format!("{l}\n{c}\n{c}\n"), 3, KeysFault::Duplicate),
        (format!("{l}\n {c}\n"), 2, KeysFault::Key(KeyError::Name)),
        (format!("{l}\nx\n"), 2, KeysFault::Key(KeyError::Shape)),
        (format!("{l}\n{}\n", c.replace("+A", "+B")), 2, KeysFault::Key(KeyError::Kind(5))),
    ] {
        let error = Keys::parse(text.as_bytes()).unwrap_err();
        assert_eq!((error.line, error.fault), (line, fault), "{text}");
    }
}

fn full(log: &SmallLog) -> Bundle {
    let mut bundle = Bundle::new();
    let mut add = |name: &str, content: Vec<u8>| bundle.insert(name, content).unwrap();
    add(bundle::ENTRIES, SmallLog::file(&log.entries));
    add(bundle::KEYS, log.keys().to_string().into_bytes());
    add(bundle::POLICY, log.policy().to_string().into_bytes());
    add("disposal-report.pdf", b"not looked at".to_vec());
    for (name, note) in &log.checkpoints {
        add(name, note.clone().into_bytes());
    }
    bundle
}

/// The bundle with some files replaced or left out.
fn with(bundle: &Bundle, changes: &[(&str, Option<Vec<u8>>)]) -> Bundle {
    let mut other = Bundle::new();
    for (name, content) in bundle.iter() {
        if !changes.iter().any(|(changed, _)| *changed == name) {
            other.insert(name, content.to_vec()).unwrap();
        }
    }
    for (name, content) in changes {
        if let Some(content) = content {
            other.insert(name, content.clone()).unwrap();
        }
    }
    other
}

fn check(bundle: &Bundle) -> Result<BundleVerdict, BundleError> {
    bundle.check(OwnEvidence::default(), 2)
}

#[test]
fn a_full_bundle() {
    let log = SmallLog::new(6, &[2, 6]);
    let bundle = full(&log);
    assert_eq!(bundle.kind(), BundleKind::Full);
    let Ok(BundleVerdict::Full(Verdict::Sound(summary))) = check(&bundle) else { panic!() };
    assert_eq!((summary.entries, summary.not_covered_outside()), (6, 0));

    for name in [bundle::ENTRIES, bundle::KEYS, bundle::POLICY] {
        let missing = Err(BundleError::Missing { name: name.into() });
        assert_eq!(check(&with(&bundle, &[(name, None)])), missing);
    }
    let none: Vec<(&str, _)> = log.checkpoints.iter().map(|(name, _)| (&**name, None)).collect();
    assert!(matches!(check(&with(&bundle, &none)), Err(BundleError::CannotCheck(_))));
    let odd = with(&bundle, &[(bundle::KEYS, Some(b"x\n".to_vec()))]);
    assert!(matches!(check(&odd), Err(BundleError::Keys(_))));
    let odd = with(&bundle, &[(bundle::POLICY, Some(b"x\n".to_vec()))]);
    assert!(matches!(check(&odd), Err(BundleError::Policy(_))));

    // Whoever made a bundle with keys of his own convinces nobody who brings the right ones.
    let mut forged = SmallLog::new(6, &[]);
    forged.log = Ed25519Signer::new(ORIGIN, &[66; 32]).unwrap();
    let own = OwnEvidence { keys: Some(forged.keys()), ..OwnEvidence::default() };
    assert!(matches!(bundle.check(own, 1), Err(BundleError::CannotCheck(_))));
    // A checkpoint and a receipt of one's own are checked beside those of the bundle.
    let longer = SmallLog::new(8, &[8]);
    let note = longer.checkpoints[0].1.clone().into_bytes();
    let kept = CheckpointFile { name: "kept".into(), note, outside: true };
    let receipt = Receipt { seq: 7, leaf: longer.leaves[7] };
    for own in [
        OwnEvidence { checkpoints: vec![kept], ..OwnEvidence::default() },
        OwnEvidence { receipts: vec![receipt], ..OwnEvidence::default() },
    ] {
        let Ok(BundleVerdict::Full(Verdict::Broken(fault))) = bundle.check(own, 1) else {
            panic!()
        };
        assert_eq!((fault.seq, fault.kind), (6, FaultKind::TailCut));
    }
}

fn excerpt(log: &SmallLog, seqs: &[u64]) -> Bundle {
    let mut bundle = Bundle::new();
    let entries: Vec<Vec<u8>> = seqs.iter().map(|s| log.entries[*s as usize].clone()).collect();
    bundle.insert(bundle::ENTRIES, SmallLog::file(&entries)).unwrap();
    bundle.insert(bundle::KEYS, log.keys().to_string().into_bytes()).unwrap();
    bundle.insert(bundle::POLICY, log.policy().to_string().into_bytes()).unwrap();
    let size = log.entries.len() as u64;
    for seq in seqs {
        let proof = TlogProof {
            extra: None,
            index: *seq,
            path: merkle::prove_inclusion(&log.leaves[..], *seq, size).unwrap(),
            checkpoint: log.checkpoints.last().unwrap().1.clone(),
        };
        bundle.insert(&proof_name(*seq), proof.to_string().into_bytes()).unwrap();
    }
    bundle
}

/// What a summary leaves unsaid somebody will take for checked.
#[test]
fn an_excerpt_counts_what_nobody_vouches_for() {
    let log = SmallLog::new(12, &[12]);
    let cosigned = &log.checkpoints[0].1;
    let alone: String = cosigned
        .lines()
        .filter(|line| !line.contains("witness."))
        .map(|line| format!("{line}\n"))
        .collect();
    // Entries 1 and 4 are signed by a client; 3, 4 and 5 rest on a checkpoint that nobody cosigned.
    let proofs: Vec<(&[u8], TlogProof)> = (1..6_u64)
        .map(|seq| {
            let path = merkle::prove_inclusion(&log.leaves[..], seq, 12).unwrap();
            let checkpoint = if seq < 3 { cosigned.clone() } else { alone.clone() };
            let entry = &log.entries[usize::try_from(seq).unwrap()][..];
            (entry, TlogProof { extra: None, index: seq, path, checkpoint })
        })
        .collect();
    let counts = |keys: &Keys| {
        let entries = proofs.iter().map(|(entry, proof)| ExcerptEntry { entry, proof });
        let summary = verify_excerpt(keys, None, entries).unwrap();
        (summary.entries, summary.unsigned, summary.signed_unknown, summary.not_covered_outside)
    };
    assert_eq!(counts(&log.keys()), (5, 3, 0, 3));
    assert_eq!(counts(&Keys { clients: vec![], ..log.keys() }), (5, 3, 2, 3));
    assert_eq!(counts(&Keys { witnesses: vec![], ..log.keys() }), (5, 3, 0, 5));
}

#[test]
fn an_excerpt() {
    let log = SmallLog::new(12, &[12]);
    let bundle = excerpt(&log, &[1, 7, 10]);
    assert_eq!(bundle.kind(), BundleKind::Excerpt);
    let Ok(BundleVerdict::SoundExcerpt(summary)) = check(&bundle) else { panic!() };
    assert_eq!((summary.entries, summary.checkpoint_size, summary.unsigned), (3, 12, 0));
    assert_eq!(summary.not_covered_outside, 0);

    let broken = |changes: &[(&str, Option<Vec<u8>>)]| match check(&with(&bundle, changes)) {
        Ok(BundleVerdict::BrokenExcerpt(fault)) => (fault.seq, fault.kind),
        other => panic!("{other:?}"),
    };
    let entries = bundle.get(bundle::ENTRIES).unwrap().to_vec();
    let text = String::from_utf8(entries.clone()).unwrap();
    for (from, to, expected) in [
        ("\"seq\":7", "\"seq\":8", (8, FaultKind::Seq)),
        ("\"seq\":7", "\"seq\":7 ", (7, FaultKind::Canonical)),
        ("north-0007", "north-0008", (7, FaultKind::ClientSignature)),
        (&"1b".repeat(16), &"1c".repeat(16), (10, FaultKind::Proof)),
        ("\"salt\":\"18", "\"salt\":\"17", (7, FaultKind::Proof)),
    ] {
        assert_eq!(text.matches(from).count(), 1, "{from}");
        let changed = text.replace(from, to).into_bytes();
        assert_eq!(broken(&[(bundle::ENTRIES, Some(changed))]), expected, "{from}");
    }
    let cut = entries[..entries.len() - 1].to_vec();
    assert_eq!(broken(&[(bundle::ENTRIES, Some(cut))]), (10, FaultKind::LineFeed));
    // The proof of another log's checkpoint, and one that no witness has cosigned.
    let proof = TlogProof::parse(bundle.get(&proof_name(7)).unwrap()).unwrap();
    let of = |checkpoint: String| {
        let proof = TlogProof { checkpoint, ..proof.clone() };
        broken(&[(&proof_name(7), Some(proof.to_string().into_bytes()))])
    };
    let lonely = log.checkpoints[0].1.lines().filter(|line| !line.contains("witness."));
    let lonely = lonely.map(|line| format!("{line}\n")).collect();
    assert_eq!(of(lonely), (7, FaultKind::Quorum));
    assert_eq!(
        of(log.checkpoints[0].1.replace("\n12\n", "\n13\n")),
        (7, FaultKind::CheckpointSignature)
    );
    let shorter = SmallLog::new(11, &[11]).checkpoints[0].1.clone();
    assert_eq!(of(shorter), (7, FaultKind::Proof));

    let unpaired = check(&with(&bundle, &[(&proof_name(7), None)]));
    assert_eq!(unpaired, Err(BundleError::Unpaired { entries: 3, proofs: 2 }));
    let moved = bundle.get(&proof_name(7)).unwrap().to_vec();
    let misnamed = check(&with(&bundle, &[(&proof_name(7), None), (&proof_name(8), Some(moved))]));
    assert_eq!(misnamed, Err(BundleError::ProofName { name: proof_name(8), index: 7 }));
}

/// "Not proved" alone helps nobody: the fault says what the proof lacks.
#[test]
fn an_excerpt_says_why_a_proof_does_not_hold() {
    let log = SmallLog::new(12, &[12]);
    let bundle = excerpt(&log, &[1, 7, 10]);
    let text = String::from_utf8(bundle.get(bundle::ENTRIES).unwrap().to_vec()).unwrap();
    let altered = text.replace("\"salt\":\"18", "\"salt\":\"17").into_bytes();
    let Ok(BundleVerdict::BrokenExcerpt(fault)) =
        check(&with(&bundle, &[(bundle::ENTRIES, Some(altered))]))
    else {
        panic!()
    };
    assert_eq!(
        fault.to_string(),
        "broken at entry 7: it is not proved to be in the log; expected a proof that the entry is in \
         the log, found the entry is not proved to be entry `7` of the log: the proof does not lead to \
         the root"
    );
}

#[test]
fn names_that_could_lead_out_of_a_bundle() {
    let mut bundle = Bundle::new();
    for name in [
        "",
        "/",
        "/etc/x",
        "a/",
        "a//b",
        "..",
        "../x",
        "a/../b",
        ".hidden",
        "a/.b",
        "a\\b",
        "c:x",
        "a b",
        "ä",
        "a\0",
        "a\n",
        &"x".repeat(201),
    ] {
        let refused = bundle.insert(name, vec![]);
        assert!(matches!(refused, Err(BundleError::Name { .. })), "{name}");
    }
    for name in [bundle::READ_ME, &checkpoint_name(12), &proof_name(3), &"x".repeat(200)] {
        assert_eq!(bundle.insert(name, vec![]), Ok(()));
        let again = bundle.insert(name, vec![]);
        assert_eq!(again, Err(BundleError::Duplicate { name: name.into() }));
    }
}

#[test]
fn the_bundle_explains_itself() {
    let log = SmallLog::new(6, &[6]);
    let (keys, policy) = (log.keys().to_string(), log.policy().to_string());
    for (kind, golden) in
        [(BundleKind::Full, "read-me-full.txt"), (BundleKind::Excerpt, "read-me-excerpt.txt")]
    {
        let text = ReadMe {
            kind,
            origin: ORIGIN,
            entries: 6,
            checkpoint_size: 6,
            root: log.head(6).root(),
            keys: keys.as_bytes(),
            policy: policy.as_bytes(),
        }
        .text();
        let longest = text.lines().map(|line| line.chars().count()).max().unwrap();
        assert!(longest <= 100 && text.is_ascii(), "readable anywhere: {longest} columns");
        let path = format!("{}/tests/golden/{golden}", env!("CARGO_MANIFEST_DIR"));
        if std::env::var_os("PULVERLOG_UPDATE").is_some() {
            std::fs::write(path, text).unwrap();
        } else {
            assert_eq!(std::fs::read_to_string(path).unwrap(), text);
        }
    }
}

/// The command of READ-ME-FIRST.txt gives what it says: the `prev` of the next line.
#[test]
fn the_check_by_hand_works() {
    let log = SmallLog::new(3, &[3]);
    let text = ReadMe {
        kind: BundleKind::Full,
        origin: ORIGIN,
        entries: 3,
        checkpoint_size: 3,
        root: log.head(3).root(),
        keys: b"",
        policy: b"",
    }
    .text();
    let command = text.lines().find(|line| line.contains("sha256sum")).unwrap().trim();
    for (seq, leaf) in log.leaves.iter().enumerate() {
        let line = format!("sed -n {}p", seq + 1);
        // The file comes from standard input here.
        let command = command.replace("sed -n 1p", &line).replace("entries.ndjson", "");
        let mut shell = Command::new("sh")
            .args(["-c", &command])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        shell.stdin.take().unwrap().write_all(&SmallLog::file(&log.entries)).unwrap();
        let output = shell.wait_with_output().unwrap();
        assert_eq!(String::from_utf8(output.stdout).unwrap(), format!("{leaf}  -\n"));
    }
}
