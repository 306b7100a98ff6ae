//! The relay is killed under load, over and over; what comes over HTTP and over MQTT goes through it.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use tests::broker::{BrokerPlace, publish};
use tests::relay::{assert_whole_and_in_order, machine_event, nth, wait_until};

use super::Shop;

const KILLS: usize = 20;
const MACHINES: usize = 4;
/// The relay is killed when so many events of a round are acknowledged, while all machines go on.
const ACKNOWLEDGED_BEFORE_KILL: usize = 60;

#[test]
fn twenty_kills_under_load_lose_nothing_and_double_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let broker = BrokerPlace::new(&folder.path().join("broker"));
    if let Err(why) = &broker {
        eprintln!("SKIPPED: the half of the kills that comes over MQTT: {why}");
    }
    let section = broker.as_ref().map(BrokerPlace::section).unwrap_or_default();
    let running_broker = broker.as_ref().ok().map(BrokerPlace::start);
    let shop = Shop::new(folder.path(), &section);
    let recorder = shop.start_recorder();
    if running_broker.is_some() {
        // What is published before anybody has subscribed is for nobody.
        let relay = shop.relay.start();
        let machine = shop.relay.machine(&relay);
        wait_until("the relay is connected", || machine.status()["mqtt_connected"] == true);
    }

    // Of each machine how many events are acknowledged. The next one is sent until it is.
    let sent: Mutex<BTreeMap<String, usize>> = Mutex::default();
    let (stop, published) = (AtomicBool::new(false), AtomicUsize::new(0));
    let mut over_mqtt = 0;
    std::thread::scope(|scope| {
        let publisher = broker.as_ref().ok().map(|broker| {
            let (stop, published) = (&stop, &published);
            scope.spawn(move || publish(broker.port, "press", stop, published))
        });
        for _ in 0..KILLS {
            round(&shop, &sent);
        }
        stop.store(true, Ordering::SeqCst);
        over_mqtt = publisher.map_or(0, |publisher| publisher.join().expect("no panic"));
    });

    let mut sent = sent.into_inner().expect("no panic");
    let over_http: usize = sent.values().sum();
    let relay = shop.relay.start();
    let machine = shop.relay.machine(&relay);
    for machine_name in sent.keys() {
        // What was sent last without an answer may be in the spool all the same; then it is recorded.
        assert!(machine.send(&machine_event(machine_name, &nth(machine_name, sent[machine_name]))));
    }
    sent.values_mut().for_each(|count| *count += 1);
    if over_mqtt > 0 {
        sent.insert("press".into(), over_mqtt);
        shop.wait_until_recorded(&recorder, &nth("press", over_mqtt - 1));
    }
    shop.relay.wait_until_delivered(&relay);
    assert_eq!(machine.status()["refused"], 0);
    relay.stop();
    drop(running_broker);
    assert_whole_and_in_order(&shop.log(recorder), &sent);
    println!(
        "{KILLS} kills: {over_http} events acknowledged over HTTP and {over_mqtt} over MQTT, 0 lost, 0 \
         twice, in order"
    );
}

/// Machines send until the relay is killed.
fn round(shop: &Shop, sent: &Mutex<BTreeMap<String, usize>>) {
    let relay = shop.relay.start();
    let acknowledged = AtomicUsize::new(0);
    std::thread::scope(|scope| {
        for machine in 0..MACHINES {
            let (api, acknowledged) = (shop.relay.machine(&relay), &acknowledged);
            scope.spawn(move || {
                let name = format!("m{machine}");
                let mut next = *sent.lock().expect("no panic").entry(name.clone()).or_default();
                while api.send(&machine_event(&name, &nth(&name, next))) {
                    next += 1;
                    acknowledged.fetch_add(1, Ordering::SeqCst);
                }
                sent.lock().expect("no panic").insert(name, next);
            });
        }
        while acknowledged.load(Ordering::SeqCst) < ACKNOWLEDGED_BEFORE_KILL {
            std::thread::yield_now();
        }
        relay.kill();
    });
}
