//! The verifier in Python (`tests/python/verify_log.py`), written from FORMAT.md alone, gives the
//! same verdict as the one in this crate: same exit code, same entry, same kind of fault.

mod common;

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use chain::keys::Keys;
use chain::policy::Policy;
use chain::verify::{CheckpointFile, Evidence, Verdict, verify_ndjson};
use common::SmallLog;

/// Names and contents of the files of a bundle.
type Files = BTreeMap<String, Vec<u8>>;

fn files_of(log: &SmallLog) -> Files {
    let mut files = Files::new();
    files.insert("entries.ndjson".into(), SmallLog::file(&log.entries));
    files.insert("keys.txt".into(), log.keys().to_string().into_bytes());
    files.insert("policy.txt".into(), log.policy().to_string().into_bytes());
    for (name, note) in &log.checkpoints {
        files.insert(name.clone(), note.clone().into_bytes());
    }
    files
}

/// This crate's verdict, in the words of the Python program.
fn verdict(files: &Files) -> String {
    let evidence = || {
        let checkpoint = |(name, note): (&String, &Vec<u8>)| CheckpointFile {
            name: name.clone(),
            note: note.clone(),
            outside: false,
        };
        let checkpoints = files.iter().filter(|(name, _)| name.starts_with("checkpoints/"));
        Some(Evidence {
            keys: Keys::parse(&files["keys.txt"]).ok()?,
            policy: Some(Policy::parse(&files["policy.txt"]).ok()?),
            checkpoints: checkpoints.map(checkpoint).collect(),
            receipts: vec![],
        })
    };
    let verdict = evidence().and_then(|e| verify_ndjson(e, &files["entries.ndjson"], 1).ok());
    match verdict {
        None => "2 could not check".into(),
        Some(Verdict::Broken(fault)) => {
            format!("1 broken at entry {}: {}", fault.seq, fault.kind.code())
        }
        Some(Verdict::Sound(summary)) => format!(
            "0 sound {} entries, root {}, {} not covered outside, {} without client signature",
            summary.entries,
            summary.root,
            summary.not_covered_outside(),
            summary.unsigned
        ),
    }
}

/// Compares both verdicts on the base and on each case, which replaces some of its files.
fn compare(base: &Files, cases: Vec<Files>) -> BTreeMap<String, usize> {
    let scripts = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/python");
    let mut python = Command::new("python3")
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .arg(scripts.join("judge_cases.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 is needed to compare the two verifiers");
    let lines: Vec<String> = std::iter::once(base)
        .chain(&cases)
        .map(|files| {
            let hex: BTreeMap<_, _> =
                files.iter().map(|(name, content)| (name, hex::encode(content))).collect();
            serde_json::to_string(&hex).unwrap() + "\n"
        })
        .collect();
    let mut stdin = python.stdin.take().unwrap();
    let writer = std::thread::spawn(move || stdin.write_all(lines.concat().as_bytes()).unwrap());
    let output = python.wait_with_output().unwrap();
    writer.join().unwrap();
    let theirs: Vec<&str> = std::str::from_utf8(&output.stdout).unwrap().lines().collect();
    assert_eq!(theirs.len(), cases.len() + 1, "a verdict for each case");

    let mut kinds = BTreeMap::new();
    for (i, theirs) in theirs.into_iter().enumerate() {
        let mut files = base.clone();
        files.extend(i.checked_sub(1).map(|i| cases[i].clone()).unwrap_or_default());
        let ours = verdict(&files);
        let same = if ours.starts_with('2') { theirs.starts_with('2') } else { theirs == ours };
        assert!(same, "case {i}: Rust says `{ours}`, Python `{theirs}`");
        let kind = ours.rsplit(": ").next().unwrap().split(',').next().unwrap().to_owned();
        *kinds.entry(kind).or_insert(0) += 1;
    }
    kinds
}

fn entries(content: Vec<u8>) -> Files {
    Files::from([("entries.ndjson".to_owned(), content)])
}

/// One flipped bit in each byte, and the bit that makes letters capital and braces brackets.
fn flips(content: &[u8]) -> impl Iterator<Item = Vec<u8>> {
    let masks = |i: usize| [1_u8 << (i % 8), 0x20].into_iter().take(if i % 8 == 5 { 1 } else { 2 });
    (0..content.len()).flat_map(move |i| masks(i).map(move |mask| (i, mask))).map(|(i, mask)| {
        let mut changed = content.to_vec();
        changed[i] ^= mask;
        changed
    })
}

#[test]
fn on_every_tampered_log() {
    let log = SmallLog::new(5, &[0, 2, 5]);
    let base = files_of(&log);
    let mut cases: Vec<Files> = flips(&base["entries.ndjson"]).map(entries).collect();
    for a in 0..5 {
        let mut deleted = log.entries.clone();
        deleted.remove(a);
        cases.push(entries(SmallLog::file(&deleted)));
        cases.push(entries(SmallLog::file(&log.entries[..a])));
        for b in a + 1..=5 {
            let mut doubled = log.entries.clone();
            doubled.insert(b, log.entries[a].clone());
            cases.push(entries(SmallLog::file(&doubled)));
        }
        for b in a + 1..5 {
            let mut swapped = log.entries.clone();
            swapped.swap(a, b);
            cases.push(entries(SmallLog::file(&swapped)));
        }
    }
    let file = &base["entries.ndjson"];
    cases.extend((0..file.len()).step_by(7).map(|length| entries(file[..length].to_vec())));
    let kinds = compare(&base, cases);
    eprintln!("both verifiers agree: {kinds:?}");
    for kind in ["canonical", "form", "seq", "link", "altered", "client-signature", "root"] {
        assert!(kinds.contains_key(kind), "no case of {kind}");
    }
}

#[test]
fn on_tampered_evidence_and_open_ends() {
    let mut kinds = BTreeMap::new();
    // Tails no checkpoint covers, a log without policy support, foreign checkpoints.
    let whole = SmallLog::new(6, &[0, 3, 6]);
    let base = files_of(&whole);
    let note = |size: usize| format!("checkpoints/{size}.note");
    let mut cases = Vec::new();
    for size in [3, 6] {
        let name = note(size);
        cases.extend(flips(&base[&name]).map(|note| Files::from([(name.clone(), note)])));
    }
    let quorum_none = whole.policy().to_string().replace("quorum w1", "quorum none");
    cases.push(Files::from([("policy.txt".into(), quorum_none.into_bytes())]));
    let group = whole.policy().to_string().replace("quorum w1", "group g any w1\nquorum g");
    cases.push(Files::from([("policy.txt".into(), group.into_bytes())]));
    // Only the log's signature is left on every checkpoint: the quorum is not met.
    let uncosigned = whole.checkpoints.iter().map(|(name, note)| {
        let lines: Vec<&str> = note.lines().filter(|line| !line.contains("witness.")).collect();
        (name.clone(), format!("{}\n", lines.join("\n")).into_bytes())
    });
    cases.push(uncosigned.collect());
    // A checkpoint of another size in the place of one, and a second history of the same size.
    let other = files_of(&SmallLog::new(9, &[3, 9]));
    cases.push(Files::from([(note(6), other[&note(9)].clone())]));
    cases.push(Files::from([("entries.ndjson".into(), other["entries.ndjson"].clone())]));
    for (kind, count) in compare(&base, cases) {
        *kinds.entry(kind).or_insert(0) += count;
    }
    eprintln!("both verifiers agree: {kinds:?}");
    for kind in ["checkpoint-signature", "quorum", "tail-cut", "2 could not check"] {
        assert!(kinds.contains_key(kind), "no case of {kind}");
    }
}
