//! Kill -9 under load: what was acknowledged is there, exactly once (durability.md P1, P2, P7, F1).

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use chain::entry::leaf_hash;
use chain::tile::{Tile, TileKind};
use serde_json::{Value, json};
use tests::recorder::{Client, Place, event};

const ROUNDS: usize = 10;
const CLIENTS: usize = 8;
/// The recorder is killed when so many events of a round are acknowledged, while all clients go on.
const ACKNOWLEDGED_BEFORE_KILL: usize = 150;

/// What a client was told: sequence number and leaf hash.
type Told = BTreeMap<String, (u64, String)>;

fn reading(id: &str) -> Value {
    let data = json!({ "meter": "run", "reading": { "value": "12.5", "unit": "h" } });
    event(id, "meter.read", "equipment/S-02", "2026-03-05T14:07:00+01:00", data)
}

fn told(answer: &Value) -> Option<(u64, String)> {
    Some((answer["seq"].as_u64()?, answer["leaf"].as_str()?.to_owned()))
}

/// Posts with eight clients until the recorder is killed; returns what was acknowledged and what
/// was sent without an answer.
fn load_until_killed(place: &Place, token: &str, round: usize) -> (Told, Vec<String>) {
    let running = place.start();
    let acknowledged = AtomicUsize::new(0);
    let (all_told, unanswered) = (Mutex::new(Told::new()), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for client in 0..CLIENTS {
            let api = running.client(token);
            let (acknowledged, all_told, unanswered) = (&acknowledged, &all_told, &unanswered);
            scope.spawn(move || {
                for number in 0.. {
                    let id = format!("r{round}c{client}n{number}");
                    let Ok(answer) = api.record(&reading(&id)) else {
                        unanswered.lock().expect("no panic").push(id);
                        return;
                    };
                    assert_eq!(answer.status, 201, "{}", answer.text());
                    let receipt = told(&answer.json()).expect("a receipt");
                    all_told.lock().expect("no panic").insert(id, receipt);
                    acknowledged.fetch_add(1, Ordering::SeqCst);
                }
            });
        }
        while acknowledged.load(Ordering::SeqCst) < ACKNOWLEDGED_BEFORE_KILL {
            std::thread::yield_now();
        }
        running.kill();
    });
    (all_told.into_inner().expect("no panic"), unanswered.into_inner().expect("no panic"))
}

/// Every entry of the log through the tile interface, by event id.
fn recorded(api: &Client) -> BTreeMap<String, Vec<(u64, String)>> {
    let head = api.get("/log/checkpoint").expect("an answer").text();
    let size: u64 = head.lines().nth(1).expect("a size").parse().expect("a number");
    let mut found: BTreeMap<String, Vec<(u64, String)>> = BTreeMap::new();
    let mut seq = 0;
    for index in 0..size.div_ceil(256) {
        let tile = Tile::in_tree(TileKind::Entries, index, size).expect("a tile of the tree");
        let answer = api.get(&format!("/log/{tile}")).expect("an answer");
        assert_eq!(answer.status, 200, "{tile}: {}", answer.text());
        for entry in tile.entries(&answer.body).expect("a bundle") {
            let value: Value = serde_json::from_slice(entry).expect("an entry");
            let id = value["event"]["id"].as_str().expect("an id").to_owned();
            found.entry(id).or_default().push((seq, leaf_hash(entry).to_string()));
            seq += 1;
        }
    }
    assert_eq!(seq, size);
    found
}

#[test]
fn ten_kills_under_load_lose_nothing_and_double_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = Place::new(folder.path());
    let token = place.token("svc_mes", &["service"]);
    let mut all = Told::new();
    for round in 0..ROUNDS {
        let (told_now, unanswered) = load_until_killed(&place, &token, round);
        all.extend(told_now);
        // After the restart the unanswered ones are sent again under their own ids: whether they
        // had been recorded or not, each is there once afterwards.
        let running = place.start();
        let api = running.client(&token);
        for id in unanswered {
            let answer = api.record(&reading(&id)).expect("an answer");
            assert!(matches!(answer.status, 200 | 201), "{}", answer.text());
            all.insert(id, told(&answer.json()).expect("a receipt"));
        }
        assert!(running.stop().success());
    }
    let running = place.start();
    let auditor = place.token("op_auditor", &["auditor"]);
    let found = recorded(&running.client(&auditor));
    for (id, receipt) in &all {
        let entries = found.get(id).map_or(&[][..], Vec::as_slice);
        assert_eq!(entries, std::slice::from_ref(receipt), "event `{id}`");
    }
    println!("{ROUNDS} kills: {} events acknowledged, 0 lost, 0 doubled", all.len());
}
