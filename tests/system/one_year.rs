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
        let mut command = Command::new(program("recorder"));
        command.args(["demo", "--once"]).arg(folder.path());
        let output = run(command.arg("--data").arg(folder.path().join("kept")));
        println!("{}", printed(&output));
        assert!(output.status.success(), "the demo ends well");
        std::fs::write(folder.path().join("said.txt"), printed(&output)).expect("what it said");
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

/// Every name and every word of their own that the people of the shop left, as they lie in the people
/// store.
fn personal_data() -> (Vec<String>, Vec<String>) {
    let people = year().join("kept/data/people");
    let bodies = |kind: &str| -> Vec<String> {
        let read = |file: std::io::Result<std::fs::DirEntry>| {
            let bytes = std::fs::read(file.expect("a file").path()).expect("bytes");
            let kept: Value = serde_json::from_slice(&bytes).expect("a record");
            kept["body"].as_str().expect("a body").to_owned()
        };
        std::fs::read_dir(people.join(kind)).expect("the people store").map(read).collect()
    };
    let name = |body: &String| -> String {
        let identity: Value = serde_json::from_str(body).expect("an identity");
        identity["name"].as_str().expect("a name").to_owned()
    };
    (bodies("persons").iter().map(name).collect(), bodies("texts"))
}

#[test]
fn no_name_and_no_word_of_a_person_is_in_the_log_or_in_what_is_taken_away() {
    let (names, texts) = personal_data();
    assert!(names.len() >= 14 && texts.len() >= 50, "{} names, {} texts", names.len(), texts.len());
    let files = [
        "evidence/entries.ndjson",
        "report.json",
        "report.csv",
        "evidence/READ-ME-FIRST.txt",
        "said.txt",
    ];
    for file in files {
        let text = std::fs::read_to_string(year().join(file)).expect("text");
        // A family name alone would tell as much.
        let parts = names.iter().flat_map(|name| name.split(' '));
        for secret in parts.chain(names.iter().chain(&texts).map(String::as_str)) {
            assert!(!text.contains(secret), "`{secret}` stands in `{file}`");
        }
    }
    println!("{} names and {} texts looked for in {} files", names.len(), texts.len(), files.len());
}

/// Places of `tampering.json`: `[h, o]` is `h` halves of `of`, plus `o`.
fn places(told: &Value, of: usize) -> Vec<usize> {
    let place = |place: &Value| {
        let (halves, more) = (place[0].as_i64()?, place[1].as_i64()?);
        usize::try_from(halves * i64::try_from(of).ok()? / 2 + more).ok()
    };
    let told = told.as_array().expect("places").iter();
    told.map(|told| place(told).expect("a place")).collect()
}

#[test]
fn both_verifiers_name_the_entry_that_was_tampered_with() {
    let entries = std::fs::read(year().join("evidence/entries.ndjson")).expect("entries");
    let lines: Vec<&[u8]> =
        entries.strip_suffix(b"\n").expect("lines").split(|b| *b == b'\n').collect();
    let last = newest_checkpoint_size() - 1;
    let ways: Value = serde_json::from_str(include_str!("../tampering.json")).expect("ways");
    let flip = |at: usize, byte: usize| -> Vec<u8> {
        let mut line = lines[at].to_vec();
        line[byte] ^= 0x01;
        line
    };
    // (what was done, the entries, the entry to be named)
    let mut cases: Vec<(String, Vec<Vec<u8>>, u64)> = Vec::new();
    let owned = || lines.iter().map(|l| l.to_vec()).collect::<Vec<_>>();
    for at in places(&ways["flip"]["lines"], last) {
        for byte in places(&ways["flip"]["bytes"], lines[at].len()) {
            let mut entries = owned();
            entries[at] = flip(at, byte);
            cases.push((format!("byte {byte} of line {at} flipped"), entries, at as u64));
        }
    }
    for at in places(&ways["delete"], last) {
        let mut entries = owned();
        entries.remove(at);
        cases.push((format!("line {at} deleted"), entries, at as u64));
    }
    for at in places(&ways["double"], last) {
        let mut entries = owned();
        entries.insert(at, lines[at].to_vec());
        cases.push((format!("line {at} doubled"), entries, at as u64 + 1));
    }
    for at in places(&ways["swap_with_next"], last) {
        let mut entries = owned();
        entries.swap(at, at + 1);
        cases.push((format!("lines {at} and {} swapped", at + 1), entries, at as u64));
    }
    for at in places(&ways["cut_from"], last) {
        let mut entries = owned();
        entries.truncate(at);
        cases.push((format!("cut from line {at}, behind a checkpoint"), entries, at as u64));
    }
    println!("{} ways to tamper", cases.len());

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
