//! Writes what this release leaves on a disk, for later releases to read:
//! `cargo run -p tests --example write_fixture -- v1.1`. The release programs must be built. A fixture is
//! never written again: what was released is what it is.

use std::path::Path;

use serde_json::json;
use tests::programs::{printed, program, run, workspace};
use tests::receipts::reading;
use tests::recorder::{Place, event};

fn main() {
    let name = std::env::args().nth(1).expect("the name of the release, such as v1.1");
    let to = workspace().join("tests/fixtures").join(&name);
    assert!(!to.is_dir(), "`{}` is there: a fixture is never written again", to.display());
    let folder = tempfile::tempdir().expect("a folder");
    let copy = folder.path().join("copy");
    std::fs::create_dir(&copy).expect("a folder");
    // The smallest segments there are, so that there is more than one.
    let place = Place::with_log(folder.path(), "segment_bytes = 16384\nindex_in_memory = true");
    place.configure(&format!(
        "[copies]\ninterval_ms = 50\n[[copies.to]]\nname = \"nas\"\nfolder = {copy:?}\nsame_disk = true\n"
    ));
    let token = place.token("svc_mes", &["service"]);
    let running = place.start_with(&["--create"]);
    let api = running.client(&token);
    for number in 0..48 {
        let answer = api.record(&reading(&format!("r{number}"))).expect("an answer");
        assert_eq!(answer.status, 201, "{}", answer.text());
    }
    let time = "2026-03-05T14:07:00+01:00";
    let cleaning = json!({ "target": "sieve", "method": "vacuum" });
    let events = [event("cleaned", "cleaning.done", "equipment/S-02", time, cleaning)];
    for event in events {
        let answer = api.record(&event).expect("an answer");
        assert_eq!(answer.status, 201, "{}", answer.text());
    }
    assert!(running.stop().success(), "the recorder stopped in good order");
    let say = |words: &[&str]| {
        let output = run(&mut place.command(words));
        assert!(output.status.success(), "{words:?}: {}", printed(&output));
        output.stdout
    };
    let text = |path: &Path| path.to_str().expect("text").to_owned();
    std::fs::create_dir_all(&to).expect("a folder");
    std::fs::write(to.join("keys.txt"), say(&["keys"])).expect("written");
    say(&["export", &text(&to.join("bundle"))]);
    say(&["backup", &text(&to.join("backup")), "--with-keys"]);
    copy_tree(&place.data(), &to.join("data"));
    copy_tree(&copy, &to.join("copy"));
    println!("{} written with {}", to.display(), program("recorder").display());
}

/// Copies files and folders, without what is in the making.
fn copy_tree(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a folder");
    for item in std::fs::read_dir(from).expect("files") {
        let item = item.expect("a file");
        let (source, target) = (item.path(), to.join(item.file_name()));
        if source.is_dir() {
            copy_tree(&source, &target);
        } else if source.extension().is_none_or(|end| end != "tmp") {
            std::fs::copy(&source, &target).expect("copied");
        }
    }
}
