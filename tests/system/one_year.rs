//! `demo --once`: a year of the invented shop, its evidence, and every way to tamper with it.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use serde_json::Value;
use tests::programs::{printed, program, run, workspace};

/// The demo runs once for all tests of this file.
fn year() -> &'static Path {
    static YEAR: OnceLock<tempfile::TempDir> = OnceLock::new();
    YEAR.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let output =
            run(Command::new(program("recorder")).args(["demo", "--once"]).arg(folder.path()));
        println!("{}", printed(&output));
        assert!(output.status.success(), "the demo ends well");
        folder
    })
    .path()
}

/// Verdict of the auditor: exit code and, when broken, the entry it names.
fn auditor(evidence: &Path) -> (i32, Option<u64>) {
    let output = run(Command::new(program("auditor")).args(["check", "--json"]).arg(evidence));
    let verdict: Value = serde_json::from_slice(&output.stdout).expect("one JSON object");
    (output.status.code().expect("an exit code"), verdict["seq"].as_u64())
}

/// Verdict of the Python script.
fn python(evidence: &Path) -> (i32, Option<u64>) {
    let script = workspace().join("tests/python/verify_log.py");
    let output = run(Command::new("python3").arg(script).arg(evidence));
    let text = String::from_utf8_lossy(&output.stdout);
    let seq = text
        .strip_prefix("broken at entry ")
        .and_then(|rest| rest.split(|c: char| !c.is_ascii_digit()).next())
        .and_then(|digits| digits.parse().ok());
    (output.status.code().expect("an exit code"), seq)
}

/// A copy of the evidence with other entries; everything else is linked, not copied.
fn tampered(folder: &Path, lines: &[&[u8]]) -> PathBuf {
    let evidence = year().join("evidence");
    let copy = folder.join("evidence");
    std::fs::create_dir_all(copy.join("checkpoints")).expect("a folder");
    for name in ["keys.txt", "policy.txt"] {
        std::fs::copy(evidence.join(name), copy.join(name)).expect("a copy");
    }
    for note in std::fs::read_dir(evidence.join("checkpoints")).expect("checkpoints") {
        let note = note.expect("a checkpoint");
        std::fs::copy(note.path(), copy.join("checkpoints").join(note.file_name()))
            .expect("a copy");
    }
    let mut bytes = lines.join(&b'\n');
    bytes.push(b'\n');
    std::fs::write(copy.join("entries.ndjson"), bytes).expect("the entries");
    copy
}

fn newest_checkpoint_size() -> usize {
    std::fs::read_dir(year().join("evidence/checkpoints"))
        .expect("checkpoints")
        .map(|note| std::fs::read_to_string(note.expect("a note").path()).expect("text"))
        .map(|note| note.lines().nth(1).expect("a size").parse().expect("a number"))
        .max()
        .expect("at least one checkpoint")
}

#[test]
fn a_year_is_recorded_reported_and_sound() {
    let folder = year();
    for name in
        ["report.pdf", "report.csv", "report.json", "evidence.zip", "evidence/READ-ME-FIRST.txt"]
    {
        let size = std::fs::metadata(folder.join(name)).map(|m| m.len()).unwrap_or(0);
        assert!(size > 0, "`{name}` is there");
    }
    let entries = std::fs::read(folder.join("evidence/entries.ndjson")).expect("entries");
    let count = entries.iter().filter(|b| **b == b'\n').count();
    assert!(count >= 25_000, "{count} entries");
    assert_eq!(auditor(&folder.join("evidence")), (0, None));
    assert_eq!(auditor(&folder.join("evidence.zip")), (0, None));
    assert_eq!(python(&folder.join("evidence")), (0, None));
}

#[test]
fn both_verifiers_name_the_entry_that_was_tampered_with() {
    let entries = std::fs::read(year().join("evidence/entries.ndjson")).expect("entries");
    let lines: Vec<&[u8]> =
        entries.strip_suffix(b"\n").expect("lines").split(|b| *b == b'\n').collect();
    let last = newest_checkpoint_size() - 1;
    let (early, middle) = (1, last / 2);
    let flip = |at: usize, byte: usize| -> Vec<u8> {
        let mut line = lines[at].to_vec();
        let byte = byte % line.len();
        line[byte] ^= 0x01;
        line
    };
    // (what was done, the entries, the entry to be named)
    let mut cases: Vec<(String, Vec<Vec<u8>>, u64)> = Vec::new();
    let owned = || lines.iter().map(|l| l.to_vec()).collect::<Vec<_>>();
    for at in [0, early, middle, last - 1, last] {
        for byte in [0, 40, lines[at].len() / 2, lines[at].len() - 8, lines[at].len() - 1] {
            let mut entries = owned();
            entries[at] = flip(at, byte);
            cases.push((format!("byte {byte} of line {at} flipped"), entries, at as u64));
        }
    }
    for at in [early, middle, last] {
        let mut entries = owned();
        entries.remove(at);
        cases.push((format!("line {at} deleted"), entries, at as u64));
        let mut entries = owned();
        entries.insert(at, lines[at].to_vec());
        cases.push((format!("line {at} doubled"), entries, at as u64 + 1));
    }
    for at in [early, middle, last - 1] {
        let mut entries = owned();
        entries.swap(at, at + 1);
        cases.push((format!("lines {at} and {} swapped", at + 1), entries, at as u64));
    }
    let mut entries = owned();
    entries.truncate(last - 3);
    cases.push(("tail cut behind the newest checkpoint".into(), entries, last as u64 - 3));

    for (case, entries, seq) in cases {
        let folder = tempfile::tempdir().expect("a folder");
        let refs: Vec<&[u8]> = entries.iter().map(Vec::as_slice).collect();
        let evidence = tampered(folder.path(), &refs);
        assert_eq!(auditor(&evidence), (1, Some(seq)), "auditor: {case}");
        assert_eq!(python(&evidence), (1, Some(seq)), "python: {case}");
    }
}

#[test]
fn evidence_that_cannot_be_read_is_not_called_broken() {
    let folder = tempfile::tempdir().expect("a folder");
    assert_eq!(auditor(&folder.path().join("nowhere")), (2, None));
    let lines: Vec<&[u8]> = vec![b"{}"];
    let evidence = tampered(folder.path(), &lines);
    std::fs::remove_dir_all(evidence.join("checkpoints")).expect("removed");
    assert_eq!(auditor(&evidence), (2, None));
    assert_eq!(python(&evidence), (2, None));
}
