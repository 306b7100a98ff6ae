//! What earlier releases left on a disk is read, checked, gone on with and restored by today's programs.

use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use tests::programs::{printed, program, run, workspace};
use tests::receipts::{kept_on_disk, reading};
use tests::recorder::Place;

fn fixtures() -> Vec<PathBuf> {
    let folder = workspace().join("tests/fixtures");
    let mut found: Vec<PathBuf> = std::fs::read_dir(folder)
        .expect("fixtures")
        .map(|item| item.expect("a fixture").path())
        .filter(|path| path.is_dir())
        .collect();
    found.sort();
    found
}

/// Copies a fixture to where it can be written to, with the modes that version control forgot: secrets
/// are for the service alone, and every segment but the last one is sealed.
fn copy_tree(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    let mut segments = Vec::new();
    for item in std::fs::read_dir(from).expect("files") {
        let (source, target) = item.map(|i| (i.path(), to.join(i.file_name()))).expect("a file");
        if source.is_dir() {
            copy_tree(&source, &target);
        } else {
            std::fs::copy(&source, &target).expect("copied");
            set_mode(&target, 0o600);
            if target.extension().is_some_and(|end| end == "log") {
                segments.push(target);
            }
        }
    }
    segments.sort();
    segments.pop();
    segments.iter().for_each(|sealed| set_mode(sealed, 0o440));
}

fn set_mode(file: &Path, mode: u32) {
    std::fs::set_permissions(file, std::fs::Permissions::from_mode(mode)).expect("its mode");
}

fn audit(fixture: &Path, what: &str) -> Value {
    let mut command = Command::new(program("auditor"));
    command.args(["check", "--json", "--keys"]).arg(fixture.join("keys.txt"));
    let output = run(command.arg(fixture.join(what)));
    let verdict = serde_json::from_slice(&output.stdout).expect("one JSON object");
    assert_eq!(output.status.code(), Some(0), "{what} of {}: {verdict}", fixture.display());
    verdict
}

/// Starts a recorder on a data directory of that release: what was recorded is known, what is new is
/// recorded, and all of it is sound afterwards.
fn goes_on(place: &Place, entries: usize) {
    let token = place.token("svc_mes", &["service"]);
    let running = place.start();
    let api = running.client(&token);
    let known = api.record(&reading("r7")).expect("an answer");
    assert_eq!(known.status, 200, "{}", known.text());
    let new = api.record(&reading("of-today")).expect("an answer");
    assert_eq!(new.status, 201, "{}", new.text());
    assert!(running.stop().success());
    assert_eq!(kept_on_disk(place).len(), entries + 1);
    let check = run(&mut place.command(&["check"]));
    assert!(check.status.success(), "{}", printed(&check));
}

#[test]
fn what_earlier_releases_wrote_is_read_and_gone_on_with() {
    let fixtures = fixtures();
    assert!(!fixtures.is_empty(), "no fixtures");
    for fixture in &fixtures {
        let entries =
            usize::try_from(audit(fixture, "bundle")["entries"].as_u64().expect("a size"));
        let entries = entries.expect("small");
        assert_eq!(audit(fixture, "copy")["entries"], entries, "{}", fixture.display());
        let folder = tempfile::tempdir().expect("a folder");

        let place = Place::new(&folder.path().join("data-of-then"));
        copy_tree(&fixture.join("data"), &place.data());
        goes_on(&place, entries);

        let restored = |name: &str, words: &[&str]| {
            let place = Place::new(&folder.path().join(name));
            let output = run(&mut place.command(&[&["restore"], words].concat()));
            assert!(output.status.success(), "{words:?}: {}", printed(&output));
            goes_on(&place, entries);
        };
        let text = |path: &Path| path.to_str().expect("text").to_owned();
        let backup = folder.path().join("backup");
        copy_tree(&fixture.join("backup"), &backup);
        let (backup, copy) = (text(&backup), text(&fixture.join("copy")));
        restored("from-the-backup", &["--from", &backup]);
        restored("from-the-copy", &["--from", &copy, "--beside", &backup, "--go-on"]);
    }
    println!("{} releases read, gone on with and restored", fixtures.len());
}
