//! A sync that fails and then works again (promise P5, rules R5 and R6): the page cache shows bytes
//! that the disk does not hold, and every later sync says that all is well.

use std::path::Path;
use std::time::Duration;

use tests::mount::{Mount, fill, read_direct};
use tests::receipts::Receipts;
use tests::recorder::Place;

use super::is_whole_again;

const BLOCK: u64 = 4096;
const SEGMENT_BYTES: u64 = 256 << 10;
const IMAGE_KIB: u64 = 24 << 10;

/// A disk that has room until it is taken away.
struct Disk {
    // In the order in which they are taken away.
    log: Mount,
    _memory: Mount,
    image: std::path::PathBuf,
    filler: std::path::PathBuf,
}

fn disk(folder: &Path) -> Result<Disk, String> {
    let memory = Mount::tmpfs(&folder.join("memory"), IMAGE_KIB + 512)?;
    let image = folder.join("memory/image");
    let zeros = vec![0; usize::try_from(IMAGE_KIB << 10).expect("small")];
    std::fs::write(&image, zeros).map_err(|error| error.to_string())?;
    let log = Mount::ext4(&folder.join("data/log"), &image)?;
    Ok(Disk { log, _memory: memory, image, filler: folder.join("memory/filler") })
}

#[test]
fn what_a_failed_sync_left_in_the_cache_is_never_built_upon() {
    let folder = tempfile::tempdir().expect("a folder");
    let disk = match disk(folder.path()) {
        Ok(disk) => disk,
        Err(why) => {
            eprintln!(
                "SKIPPED: a failing sync on a loop device: this machine does not allow it: {why}"
            );
            return;
        }
    };
    let place = Place::with_log(folder.path(), &format!("segment_bytes = {SEGMENT_BYTES}\n"));
    let token = place.token("svc_mes", &["service"]);
    let running = place.start();
    let api = running.client(&token);
    let mut receipts = Receipts::default();
    let mut ids = (0..).map(|number| format!("e{number}"));
    assert!(receipts.send(&api, &ids.next().expect("an id")));

    // The next segment is got ready in the background; nothing else takes space afterwards.
    let entries = place.data().join("log/entries");
    let spare = entries.join("spare.tmp");
    let ready = (0..3_000).any(|_| {
        std::thread::sleep(Duration::from_millis(10));
        std::fs::metadata(&spare).map_or(0, |spare| spare.len()) >= SEGMENT_BYTES
    });
    assert!(ready, "no next segment was got ready");
    let segment = entries.join("00000000000000000000.log");
    // From the block on that the next write begins in: the loop driver calls a write whose beginning
    // went well a success, and then nobody could notice.
    let punched = disk.log.punch(&disk.image, &segment).expect("punched");
    assert_eq!(punched, SEGMENT_BYTES / BLOCK);
    fill(&disk.filler, 0);

    let batch: Vec<String> = ids.by_ref().take(20).collect();
    receipts.send_batch(&api, &batch);
    assert_eq!(receipts.acknowledged(), 1, "what was not synced is not acknowledged");
    assert_eq!(api.get("/v1/entries/1").expect("an answer").status, 200, "reading goes on");

    // The device is healthy again, and every sync would say so.
    std::fs::remove_file(&disk.filler).expect("removed");
    assert!(!receipts.send(&api, &ids.next().expect("an id")), "healthy again, and too late");
    running.kill();
    let cached = std::fs::read(&segment).expect("read");
    let block = usize::try_from(BLOCK).expect("small");
    assert!(cached[block..2 * block].iter().any(|byte| *byte != 0), "the cache shows the batch");
    let kept = read_direct(&segment, 1);
    assert!(kept.iter().all(|byte| *byte == 0), "the disk does not hold it");

    // The start writes the tail again; what it then acknowledges survives the loss of the cache.
    let running = place.start();
    receipts.send_again(&running.client(&token));
    running.kill();
    disk.log.forget_cache();
    is_whole_again(&place, &["serve"], &token, &mut receipts);
    println!(
        "a failed sync, a healthy device, a restart, a lost page cache: {} events acknowledged, 0 lost",
        receipts.acknowledged()
    );
}
