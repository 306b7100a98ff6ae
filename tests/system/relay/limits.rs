//! A spool that is full, and a disk that is: machines are told to wait, and nothing is lost.

use std::collections::BTreeMap;

use tests::mount::Mount;
use tests::relay::{Machine, assert_whole_and_in_order, machine_event, nth};

use super::Shop;

/// Least spool a relay can be given.
const SPOOL: &str = "[spool]\nbytes_max = 4194304\n";
const BATCH: usize = 256;

/// Sends batches until one is put off; returns how many events were acknowledged.
fn fill(machine: &Machine, from: usize) -> usize {
    let mut next = from;
    loop {
        let batch: Vec<_> =
            (next..next + BATCH).map(|n| machine_event("m", &nth("m", n))).collect();
        if !machine.send_batch(&batch) {
            return next;
        }
        next += BATCH;
    }
}

/// Fills it, lets it run empty, fills it again across a restart.
fn fill_up(shop: &Shop) -> usize {
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);
    let first = fill(&machine, 0);
    assert!(first > 0, "there was room at first");
    let one_more = machine_event("m", &nth("m", first)).to_string();
    let media_type = "application/cloudevents+json";
    let refused = (0..BATCH)
        .map(|_| machine.api.post("/v1/events", media_type, &[], one_more.as_bytes()))
        .map(|answer| answer.expect("an answer"))
        .find(|answer| answer.status != 202);
    // There may have been room for one event where there was none for a batch.
    let first = first + usize::from(refused.is_none());

    let recorder = shop.start_recorder();
    shop.relay.wait_until_delivered(&relay);
    // A recorder that keeps up with the machine would never let the spool fill.
    assert!(recorder.stop().success());
    let second = fill(&machine, first);
    assert!(second > first, "it takes events again when there is room");
    relay.kill();
    let relay = shop.relay.start();
    let recorder = shop.start_recorder();
    shop.relay.wait_until_delivered(&relay);
    relay.stop();
    // A batch that was put off may be there in part when the disk was full in the middle of it; it is
    // sent again, as a machine would.
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);
    let batch: Vec<_> =
        (second..second + BATCH).map(|n| machine_event("m", &nth("m", n))).collect();
    assert!(machine.send_batch(&batch));
    shop.relay.wait_until_delivered(&relay);
    relay.stop();
    let log = shop.log(recorder);
    assert_whole_and_in_order(&log, &BTreeMap::from([("m".to_owned(), second + BATCH)]));
    second + BATCH
}

#[test]
fn a_full_spool_puts_machines_off_and_goes_on_when_there_is_room() {
    let folder = tempfile::tempdir().expect("a folder");
    let sent = fill_up(&Shop::new(folder.path(), SPOOL));
    println!("a spool of 4 MiB filled twice: {sent} events, 0 lost, 0 twice, in order");
}

#[test]
fn a_full_disk_puts_machines_off_and_goes_on_when_there_is_room() {
    let folder = tempfile::tempdir().expect("a folder");
    let disk = Mount::tmpfs(&folder.path().join("relay/data"), 1 << 10);
    if let Err(why) = disk {
        eprintln!(
            "SKIPPED: a full disk of the relay: this machine does not allow a small one: {why}"
        );
        return;
    }
    let sent = fill_up(&Shop::new(folder.path(), SPOOL));
    println!("a disk of 1 MiB filled twice: {sent} events, 0 lost, 0 twice, in order");
}
