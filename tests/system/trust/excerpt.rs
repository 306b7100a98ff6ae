//! One line of an issued report, proved to a stranger: the report, the excerpt, the key. No log, no
//! recorder, no code of ours but a page of Python.

use std::io::{Cursor, Read as _, Write as _};
use std::path::Path;
use std::process::Command;

use chain::note::Ed25519Signer;
use serde_json::Value;
use tests::programs::{printed, program, run, workspace};
use zip::write::SimpleFileOptions;

use super::shop::{ORIGIN, Shop};

/// What the script says of three files in a folder of their own.
fn verdict(files: [&[u8]; 3], line: Option<&str>) -> (i32, String) {
    let folder = tempfile::tempdir().expect("a folder");
    let names = ["report.json", "excerpt.zip", "keys.txt"];
    let paths = names.map(|name| folder.path().join(name));
    for (path, bytes) in paths.iter().zip(files) {
        std::fs::write(path, bytes).expect("a file");
    }
    let script = workspace().join("tests/python/verify_entry.py");
    let output = run(Command::new("python3").arg(script).args(&paths).args(line));
    let said = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    (output.status.code().expect("an exit code"), said)
}

/// The archive with some of its files changed.
fn repacked(archive: &[u8], change: impl Fn(&str, Vec<u8>) -> Option<Vec<u8>>) -> Vec<u8> {
    let mut from = zip::ZipArchive::new(Cursor::new(archive)).expect("an archive");
    let mut to = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for index in 0..from.len() {
        let mut file = from.by_index(index).expect("a file");
        let name = file.name().expect("a name").into_owned();
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).expect("bytes");
        if let Some(bytes) = change(&name, bytes) {
            to.start_file(name, SimpleFileOptions::default()).expect("a file");
            to.write_all(&bytes).expect("bytes");
        }
    }
    to.finish().expect("an archive").into_inner()
}

fn replaced(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let text = std::str::from_utf8(bytes).expect("text");
    assert!(text.contains(from), "{from} is there");
    text.replacen(from, to, 1).into_bytes()
}

#[test]
fn a_line_of_a_report_is_proved_with_three_files_and_a_page_of_python() {
    let shop = Shop::open(5);
    shop.fill_drums();
    let issued = shop.issue_report();
    let auditor = shop.auditor();
    let path = format!("/v1/reports/{}", issued["digest"].as_str().expect("a digest"));
    let report = auditor.get(&path).expect("an answer").body;
    let data: Value = serde_json::from_slice(&report).expect("a report");
    assert_eq!(data["containers"][1]["container"], "D-119", "{data}");
    let answer = auditor.get(&format!("{path}/excerpt?line=/containers/1")).expect("an answer");
    assert_eq!(answer.status, 200, "{}", answer.text());
    let excerpt = answer.body;
    // From a source of the stranger's own; here both are the recorder.
    let keys = auditor.get("/log/keys").expect("keys").body;

    let (code, said) = verdict([&report, &excerpt, &keys], Some("/containers/1"));
    assert_eq!(code, 0, "{said}");
    let entries: Vec<String> = data["containers"][1]["entries"]
        .as_array()
        .expect("entries")
        .iter()
        .map(Value::to_string)
        .collect();
    assert!(entries.len() >= 2, "{entries:?}");
    for wanted in [
        format!("entry {}, ", issued["seq"]),
        "cosigned by witness.example.net/w1".to_owned(),
        format!("line /containers/1 rests on entries {}, each", entries.join(", ")),
    ] {
        assert!(said.contains(&wanted), "`{wanted}` in: {said}");
    }
    assert!(!said.contains("/containers/0"), "{said}");
    // The line that was asked for need not be named.
    assert_eq!(verdict([&report, &excerpt, &keys], None).0, 0);
    // The auditor reads the same archive.
    let file = shop.folder.path().join("excerpt.zip");
    std::fs::write(&file, &excerpt).expect("a file");
    let audit = run(Command::new(program("auditor")).arg("check").arg(&file));
    assert!(audit.status.success(), "{}", printed(&audit));
    assert!(printed(&audit).contains("NOT PROVED  completeness"), "{}", printed(&audit));

    // A report with a nicer figure is not the one that was issued.
    let nicer = replaced(&report, "\"added_kg\":\"0.50", "\"added_kg\":\"0.05");
    let (code, said) = verdict([&nicer, &excerpt, &keys], None);
    assert_eq!((code, &said[..12]), (1, "not proved: "), "{said}");
    assert!(said.contains("no entry here says that exactly this report was issued"), "{said}");
    // A line whose entries are not in the excerpt is not proved by it.
    let (code, said) = verdict([&report, &excerpt, &keys], Some("/containers/0"));
    assert_eq!(code, 1, "{said}");
    // An entry that says something else.
    let other = repacked(&excerpt, |name, bytes| {
        Some(if name == "entries.ndjson" { replaced(&bytes, "0.50", "5.00") } else { bytes })
    });
    let (code, said) = verdict([&report, &other, &keys], None);
    assert!(code == 1 && said.contains("the path does not lead to the root"), "{said}");
    // The right entry with the proof of another.
    let swapped = repacked(&excerpt, |name, bytes| {
        let of_issue = format!("proofs/{}.tlog-proof", issued["seq"]);
        let index = format!("index {}\n", issued["seq"]);
        Some(if name == of_issue { replaced(&bytes, &index, "index 0\n") } else { bytes })
    });
    assert_eq!(verdict([&report, &swapped, &keys], None).0, 1);
    // A key of somebody else who calls the log the same.
    let stranger = Ed25519Signer::new(ORIGIN, &[9; 32]).expect("a key");
    let stranger = format!("{}\n", stranger.verifier());
    let (code, said) = verdict([&report, &excerpt, stranger.as_bytes()], None);
    assert!(code == 1 && said.contains("the checkpoint is not properly signed"), "{said}");
    // Without a proof nothing can be checked, and that is not called broken.
    let bare = repacked(&excerpt, |name, bytes| (!name.starts_with("proofs/")).then_some(bytes));
    assert_eq!(verdict([&report, &bare, &keys], None).0, 2);
    assert_eq!(verdict([b"{", &excerpt, &keys], None).0, 1, "another report");
}

#[test]
fn single_entries_are_proved_to_those_who_may_read_them() {
    let shop = Shop::open(5);
    let auditor = shop.auditor();
    let get = |path: &str| auditor.get(path).expect("an answer");
    let one = |seq: u64, proof: &[u8], keys: &[u8]| {
        let entry = get(&format!("/v1/entries/{seq}")).body;
        verdict([&entry, proof, keys], None)
    };
    let keys = get("/log/keys").body;
    let proof = get("/v1/entries/3/proof").body;
    assert_eq!(one(3, &proof, &keys).0, 0);
    assert_eq!(one(2, &proof, &keys).0, 1, "the proof of another entry");
    // Against a checkpoint of the asker's choice, such as one printed last year.
    let size = super::shop::size_of(&get("/log/checkpoint").body);
    let named = get(&format!("/v1/entries/3/proof?size={size}"));
    assert_eq!((named.status, one(3, &named.body, &keys).0), (200, 0));
    for unknown in [3, size + 1000] {
        assert_eq!(get(&format!("/v1/entries/3/proof?size={unknown}")).status, 400);
    }

    let excerpt = get("/v1/excerpt?entries=1,3").body;
    let file = shop.folder.path().join("some.zip");
    std::fs::write(&file, excerpt).expect("a file");
    let check = |file: &Path| run(Command::new(program("auditor")).arg("check").arg(file));
    assert!(check(&file).status.success(), "{}", printed(&check(&file)));
    for bad in ["entries=", "entries=1,x", "entries=-1", "line=/a"] {
        assert_eq!(get(&format!("/v1/excerpt?{bad}")).status, 400, "{bad}");
    }
    assert_eq!(get("/v1/excerpt?entries=1,9999").status, 404);
    let authority = shop.api("op_auth", &["authority"]);
    assert_eq!(authority.get("/v1/excerpt?entries=1").expect("an answer").status, 403);
}
