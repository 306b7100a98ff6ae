//! Kill -9 under load: what was acknowledged is there, exactly once (promises P1, P2, P7).

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use tests::receipts::{Receipts, kept_as_served};
use tests::recorder::Place;

const ROUNDS: usize = 10;
const CLIENTS: usize = 8;
/// The recorder is killed when so many events of a round are acknowledged, while all clients go on.
const ACKNOWLEDGED_BEFORE_KILL: usize = 150;

/// Posts with eight clients until the recorder is killed; returns what they were told.
fn load_until_killed(place: &Place, token: &str, round: usize) -> Receipts {
    let running = place.start();
    let acknowledged = AtomicUsize::new(0);
    let all = Mutex::new(Receipts::default());
    std::thread::scope(|scope| {
        for client in 0..CLIENTS {
            let api = running.client(token);
            let (acknowledged, all) = (&acknowledged, &all);
            scope.spawn(move || {
                let mut receipts = Receipts::default();
                let mut ids = (0..).map(|number| format!("r{round}c{client}n{number}"));
                while ids.next().is_some_and(|id| receipts.send(&api, &id)) {
                    acknowledged.fetch_add(1, Ordering::SeqCst);
                }
                all.lock().expect("no panic").extend(receipts);
            });
        }
        while acknowledged.load(Ordering::SeqCst) < ACKNOWLEDGED_BEFORE_KILL {
            std::thread::yield_now();
        }
        running.kill();
    });
    all.into_inner().expect("no panic")
}

#[test]
fn ten_kills_under_load_lose_nothing_and_double_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = Place::new(folder.path());
    let token = place.token("svc_mes", &["service"]);
    let mut all = Receipts::default();
    for round in 0..ROUNDS {
        all.extend(load_until_killed(&place, &token, round));
        // After the restart the unanswered ones are sent again under their own ids.
        let running = place.start();
        all.send_again(&running.client(&token));
        assert!(running.stop().success());
    }
    let running = place.start();
    let auditor = place.token("op_auditor", &["auditor"]);
    let lost = all.not_in(&kept_as_served(&running.client(&auditor)));
    assert!(lost.is_empty(), "lost or doubled: {lost:?}");
    println!("{ROUNDS} kills: {} events acknowledged, 0 lost, 0 doubled", all.acknowledged());
}
