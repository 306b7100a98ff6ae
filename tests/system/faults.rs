//! Faults made on purpose, on the program as it is shipped: every call that touches the data
//! directory fails or is the last one; disks that are full; a sync that fails and then works again.
//!
//! Whether a faulted run succeeds does not matter. What counts is what clients were told and what is
//! in the log afterwards (promises P1, P2, P5, P6, P7; rules of `crates/ledger/DURABILITY.md`).

mod full;
mod sweep;
mod sync;

use tests::programs::{printed, run};
use tests::receipts::{Receipts, kept_on_disk};
use tests::recorder::Place;

/// Small, so that a few events change the segment.
const SMALL_SEGMENTS: &str = "segment_bytes = 16384\n";

/// After the fault is gone: starts the recorder again, sends again what got no answer, stops it, and
/// compares log and receipts. Panics on anything lost, doubled or damaged.
fn is_whole_again(place: &Place, start: &[&str], token: &str, receipts: &mut Receipts) {
    let running = match place.try_start(&mut place.command(start)) {
        Ok(running) => running,
        Err(ended) => panic!("it does not start again: {ended}"),
    };
    receipts.send_again(&running.client(token));
    assert!(running.stop_if_running().success(), "it does not stop in good order");
    let lost = receipts.not_in(&kept_on_disk(place));
    assert!(lost.is_empty(), "lost or doubled: {lost:?}");
    for words in [&["check"][..], &["check", "--bytes"]] {
        let checked = run(&mut place.command(words));
        assert!(checked.status.success(), "{}", printed(&checked));
    }
}
