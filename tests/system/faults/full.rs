//! A disk that is full to the last page (promise P6): a clean refusal, reading goes on, no damage, and
//! it works again when there is room, without a restart.

use std::time::Duration;

use tests::mount::{Mount, fill};
use tests::programs::run;
use tests::receipts::Receipts;
use tests::recorder::Place;

use super::{SMALL_SEGMENTS, is_whole_again};

/// Size of the disk: room for the index and a few dozen segments.
const DISK_KIB: u64 = 8 << 10;
/// Bytes left free when the disk is filled. Up to two segments, page by page at first.
const FREE_KIB: [u64; 12] = [0, 4, 8, 12, 16, 20, 24, 28, 32, 48, 64, 128];
/// Events sent at most until one is refused: more than there can be room for.
const SENT_MAX: usize = 2_000;

#[test]
fn a_full_disk_refuses_and_takes_events_again_when_there_is_room() {
    let probe = tempfile::tempdir().expect("a folder");
    if let Err(why) = Mount::tmpfs(&probe.path().join("disk"), 64) {
        eprintln!("SKIPPED: a full disk: this machine does not allow a small one: {why}");
        return;
    }
    let acknowledged: usize = std::thread::scope(|scope| {
        let runs: Vec<_> =
            FREE_KIB.into_iter().map(|free| scope.spawn(move || fill_up(free))).collect();
        runs.into_iter().map(|run| run.join().expect("no panic")).sum()
    });
    println!(
        "{} disks filled up to 0 .. 128 KiB: {acknowledged} events acknowledged, 0 lost, each disk \
         took events again when there was room",
        FREE_KIB.len()
    );
}

/// Fills the disk but for `free_kib`, sends until it is full, makes room, goes on; then fills it
/// again, kills, and starts on a full disk.
fn fill_up(free_kib: u64) -> usize {
    let folder = tempfile::tempdir().expect("a folder");
    let _disk = Mount::tmpfs(&folder.path().join("data"), DISK_KIB).expect("as the probe was");
    let place = Place::with_log(folder.path(), SMALL_SEGMENTS);
    let filler = place.data().join("filler");
    let token = place.token("svc_mes", &["service"]);
    let running = place.start();
    let api = running.client(&token);
    let mut receipts = Receipts::default();
    for round in ["first", "second"] {
        fill(&filler, free_kib << 10);
        let refused = (0..SENT_MAX).any(|n| !receipts.send(&api, &format!("{round}-{n}")));
        assert!(refused, "{free_kib} KiB: never full");
        assert_eq!(api.get("/log/checkpoint").expect("an answer").status, 200, "reading goes on");
        std::fs::remove_file(&filler).expect("removed");
        // The writer takes events again when a watermark could be written.
        let retries = 0..600;
        let again = retries.into_iter().any(|n| {
            std::thread::sleep(Duration::from_millis(50));
            receipts.send(&api, &format!("{round}-again-{n}"))
        });
        assert!(again, "{free_kib} KiB: it does not take events although there is room");
    }
    fill(&filler, free_kib << 10);
    let _refused = (0..SENT_MAX).any(|n| !receipts.send(&api, &format!("third-{n}")));
    running.kill();
    // On a full disk it may start for reading or say what is wrong; it must not do harm.
    match place.try_start(&mut place.command(&["serve"])) {
        Ok(running) => drop(running.stop_if_running()),
        Err(ended) => assert!(ended.said.contains("No space"), "{free_kib} KiB: {ended}"),
    }
    assert!(run(&mut place.command(&["check"])).status.success(), "{free_kib} KiB: damaged");
    std::fs::remove_file(&filler).expect("removed");
    is_whole_again(&place, &["serve"], &token, &mut receipts);
    let kept_aside = std::fs::read_dir(place.data())
        .expect("listed")
        .any(|file| file.expect("listed").file_name().to_string_lossy().starts_with("index.bad"));
    assert!(!kept_aside, "{free_kib} KiB: nothing was wrong with the index");
    receipts.acknowledged()
}
