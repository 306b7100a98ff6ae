//! A snapshot of the state that the disk gave back otherwise than it was written.

use std::path::{Path, PathBuf};

use serde_json::json;
use tests::recorder::{Place, event};

/// Files below a folder whose names hold a word.
fn files(folder: &Path, word: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("read"));
    let (folders, files): (Vec<_>, Vec<_>) =
        entries.map(|entry| entry.path()).partition(|path| path.is_dir());
    let is_meant = |path: &PathBuf| path.to_string_lossy().contains(word);
    let below = folders.iter().flat_map(|folder| self::files(folder, word));
    files.into_iter().filter(is_meant).chain(below).collect()
}

/// The log is sound, so the state can be had again: it must never be answered from what is not
/// what was folded, and the next start mends it without anybody's help.
#[test]
fn what_a_damaged_snapshot_holds_is_never_answered() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = Place::new(folder.path());
    let token = place.token("svc_mes", &["service"]);
    let reader = place.token("op_auditor", &["auditor"]);

    let running = place.start();
    let opened = json!({
        "stream": "ST-1", "tare": { "value": "9.80", "unit": "kg" }, "area": "central",
        "location": "CAA-1", "container_type": "DM", "capacity": { "value": "208", "unit": "L" },
    });
    let opened = event("one", "container.opened", "container/D-1", "2026-03-05T09:00:00Z", opened);
    let recorded = running.client(&token).record(&opened).expect("answered");
    assert_eq!(recorded.status, 201, "{}", recorded.text());
    let container =
        |running: &tests::recorder::Running| running.client(&reader).get("/v1/containers/D-1");
    let before = container(&running).expect("answered");
    assert_eq!(before.status, 200, "{}", before.text());
    assert!(running.stop().success());

    let pieces = files(&place.data(), ".pieces-");
    assert_eq!(pieces.len(), 1, "{pieces:?}");
    for file in &pieces {
        let bytes = std::fs::read(file).expect("pieces can be read");
        assert!(!bytes.is_empty(), "the container lies there");
        let flipped: Vec<u8> = bytes.iter().map(|byte| byte ^ 0x01).collect();
        std::fs::write(file, flipped).expect("pieces can be written");
    }

    let running = place.start();
    assert!(container(&running).is_err(), "the process ends instead of answering");
    assert!(!running.stop_if_running().success());

    let running = place.start();
    let after = container(&running).expect("answered");
    let answer = |answer: &tests::recorder::Answer| answer.json()["item"].clone();
    assert_eq!(answer(&after), answer(&before), "folded anew from the log");
    assert_eq!(answer(&after)["container"], "D-1");
    assert!(running.stop().success());
}
