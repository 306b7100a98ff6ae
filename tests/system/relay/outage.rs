//! The recorder is away while machines work.

use std::collections::BTreeMap;

use tests::relay::{Machine, assert_whole_and_in_order, machine_event, nth};

use super::Shop;

/// Thirty machines that report every thirty seconds make 3,600 events in an hour.
const MACHINES: usize = 30;
const EVENTS_OF_EACH: usize = 120;
/// Every machine sends some events alone and some as batches.
const BATCH: usize = 20;
/// As many send at the same time.
const THREADS: usize = 10;

/// Sends the events `from..to` of a machine.
fn work(machine: &Machine, name: &str, from: usize, to: usize) {
    let event = |n| machine_event(name, &nth(name, n));
    let half = from.midpoint(to);
    for n in from..half {
        assert!(
            machine.send(&event(n)),
            "the relay takes events whether or not the recorder is there"
        );
    }
    for start in (half..to).step_by(BATCH) {
        let batch: Vec<_> = (start..to.min(start + BATCH)).map(event).collect();
        assert!(machine.send_batch(&batch));
    }
}

fn all_work(machine: &Machine, from: usize, to: usize) {
    std::thread::scope(|scope| {
        for thread in 0..THREADS {
            scope.spawn(move || {
                for name in (0..MACHINES).filter(|name| name % THREADS == thread) {
                    work(machine, &format!("m{name:02}"), from, to);
                }
            });
        }
    });
}

#[test]
fn an_hour_of_events_outlives_the_recorder_being_away() {
    let folder = tempfile::tempdir().expect("a folder");
    let shop = Shop::new(folder.path(), "");
    let recorder = shop.start_recorder();
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);

    // It goes away in the middle of the work, and the relay is restarted meanwhile.
    std::thread::scope(|scope| {
        let working = scope.spawn(|| all_work(&machine, 0, EVENTS_OF_EACH / 2));
        machine.send(&machine_event("early", &nth("early", 0)));
        recorder.kill();
        working.join().expect("no panic");
    });
    let waited = machine.status()["waiting"].as_u64().expect("a number");
    assert!(waited > 0, "the recorder was away");
    relay.stop();
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);
    all_work(&machine, EVENTS_OF_EACH / 2, EVENTS_OF_EACH);
    // A machine that is not sure sends again; it is the same event.
    work(&machine, "m00", EVENTS_OF_EACH / 2, EVENTS_OF_EACH);

    let recorder = shop.start_recorder();
    shop.relay.wait_until_delivered(&relay);
    work(&machine, "m01", 0, EVENTS_OF_EACH / 2);
    shop.relay.wait_until_delivered(&relay);
    assert_eq!(machine.status()["refused"], 0);
    relay.stop();

    let log = shop.log(recorder);
    let mut sent: BTreeMap<String, usize> =
        (0..MACHINES).map(|name| (format!("m{name:02}"), EVENTS_OF_EACH)).collect();
    sent.insert("early".into(), 1);
    assert_whole_and_in_order(&log, &sent);
    println!(
        "an hour of {MACHINES} machines, {} events: {waited} waited when the recorder went away; 0 lost, \
         0 twice, in order",
        MACHINES * EVENTS_OF_EACH
    );
}
