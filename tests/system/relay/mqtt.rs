//! A real broker, which is restarted in between.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use tests::broker::{BrokerPlace, publish};
use tests::relay::{assert_whole_and_in_order, nth, wait_until};

use super::Shop;

/// Messages the broker acknowledges between two events of the story.
const STRETCH: usize = 40;

/// Stops the publisher also when the test fails: it would be waited for for ever.
struct StopAtTheEnd<'s>(&'s AtomicBool);

impl Drop for StopAtTheEnd<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::SeqCst);
    }
}

#[test]
fn published_events_outlive_the_broker_the_relay_and_the_recorder_being_away() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = match BrokerPlace::new(&folder.path().join("broker")) {
        Ok(broker) => broker,
        Err(why) => return eprintln!("SKIPPED: MQTT against a real broker: {why}"),
    };
    let shop = Shop::new(folder.path(), &broker.section());
    let running = broker.start();
    let relay = shop.relay.start();
    let recorder = shop.start_recorder();
    let is_connected = |relay: &_| shop.relay.machine(relay).status()["mqtt_connected"] == true;
    wait_until("the relay is connected", || is_connected(&relay));

    let (stop, acknowledged) = (AtomicBool::new(false), AtomicUsize::new(0));
    let (sent, running, relay, recorder) = std::thread::scope(|scope| {
        let _stop = StopAtTheEnd(&stop);
        let publisher = scope.spawn(|| publish(broker.port, "press", &stop, &acknowledged));
        let stretch = || {
            let until = acknowledged.load(Ordering::SeqCst) + STRETCH;
            wait_until("messages are published", || acknowledged.load(Ordering::SeqCst) >= until);
        };
        stretch();
        recorder.kill();
        stretch();
        running.stop();
        let running = broker.start();
        stretch();
        relay.kill();
        stretch();
        // The broker is restarted while the relay is away and messages wait for it.
        running.stop();
        let running = broker.start();
        stretch();
        let relay = shop.relay.start();
        let recorder = shop.start_recorder();
        stretch();
        stop.store(true, Ordering::SeqCst);
        (publisher.join().expect("no panic"), running, relay, recorder)
    });

    shop.wait_until_recorded(&recorder, &nth("press", sent - 1));
    assert_eq!(shop.relay.machine(&relay).status()["refused"], 0);
    relay.stop();
    drop(running);
    assert_whole_and_in_order(&shop.log(recorder), &BTreeMap::from([("press".into(), sent)]));
    println!(
        "{sent} messages acknowledged by the broker, restarted twice: 0 lost, 0 twice, in order"
    );
}
