//! What clients of a recorder were told, and whether the log kept it.

use std::collections::{BTreeMap, BTreeSet};

use chain::entry::leaf_hash;
use chain::tile::{Tile, TileKind};
use serde_json::{Value, json};

use crate::recorder::{Client, Place, event};

/// Where an event stands: sequence number and leaf hash.
pub type Standing = (u64, String);

/// What clients were told of the events they sent, by event id.
#[derive(Debug, Clone, Default)]
pub struct Receipts {
    told: BTreeMap<String, Standing>,
    unanswered: BTreeSet<String>,
}

/// A reading of a machine's hours.
pub fn reading(id: &str) -> Value {
    let data = json!({ "meter": "run", "reading": { "value": "12.5", "unit": "h" } });
    event(id, "meter.read", "equipment/S-02", "2026-03-05T14:07:00+01:00", data)
}

impl Receipts {
    /// How many events were acknowledged.
    pub fn acknowledged(&self) -> usize {
        self.told.len()
    }

    /// The greatest sequence number that anybody was told.
    pub fn highest(&self) -> Option<u64> {
        self.told.values().map(|(seq, _)| *seq).max()
    }

    /// The receipts as clients keep them, one JSON object a line.
    pub fn lines(&self) -> String {
        let line = |(seq, leaf): &Standing| format!("{}\n", json!({ "seq": seq, "leaf": leaf }));
        self.told.values().map(line).collect()
    }

    /// Takes in what others were told.
    pub fn extend(&mut self, others: Self) {
        self.told.extend(others.told);
        self.unanswered.extend(others.unanswered);
    }

    /// Sends a reading and notes what came of it. False if it was not acknowledged.
    ///
    /// # Panics
    /// On an answer that neither acknowledges nor says that the service failed: the event was good.
    pub fn send(&mut self, api: &Client, id: &str) -> bool {
        let answer = match api.record(&reading(id)) {
            Ok(answer) if matches!(answer.status, 200 | 201) => answer,
            answer => {
                if let Ok(answer) = answer {
                    assert!(answer.status >= 500, "{}", answer.text());
                }
                self.unanswered.insert(id.to_owned());
                return false;
            }
        };
        self.note(id, &answer.json());
        true
    }

    /// Sends readings as one batch and notes what came of each.
    pub fn send_batch(&mut self, api: &Client, ids: &[String]) {
        let batch = Value::from(ids.iter().map(|id| reading(id)).collect::<Vec<_>>());
        let batch_type = "application/cloudevents-batch+json";
        let answer = api.post("/v1/events", batch_type, &[], batch.to_string().as_bytes());
        let answer = answer.map(|answer| answer.json()).unwrap_or_default();
        for (index, id) in ids.iter().enumerate() {
            match &answer["results"][index]["receipt"] {
                Value::Null => drop(self.unanswered.insert(id.clone())),
                receipt => self.note(id, receipt),
            }
        }
    }

    fn note(&mut self, id: &str, receipt: &Value) {
        let seq = receipt["seq"].as_u64().expect("a sequence number");
        let leaf = receipt["leaf"].as_str().expect("a leaf hash").to_owned();
        let before = self.told.insert(id.to_owned(), (seq, leaf.clone()));
        assert!(before.is_none_or(|told| told == (seq, leaf)), "`{id}` was told two things");
        self.unanswered.remove(id);
    }

    /// Sends again, under its own id, everything without an answer: whether it had been recorded or
    /// not, it is there once afterwards.
    ///
    /// # Panics
    /// When one is not acknowledged now.
    pub fn send_again(&mut self, api: &Client) {
        for id in self.unanswered.clone() {
            assert!(self.send(api, &id), "`{id}` is not recorded although nothing is wrong");
        }
    }

    /// Acknowledged events that do not stand in `kept` exactly once, as they were acknowledged.
    pub fn not_in(&self, kept: &Kept) -> Vec<String> {
        let stands = |id, told: &Standing| kept.get(id).is_some_and(|at| *at == [told.clone()]);
        self.told.iter().filter(|(id, told)| !stands(*id, told)).map(|(id, _)| id.clone()).collect()
    }
}

/// Where each event id stands in a log; more than once if something is wrong.
pub type Kept = BTreeMap<String, Vec<Standing>>;

/// The log as its segments hold it: plain lines, to be read while no recorder runs.
///
/// # Panics
/// When it cannot be read.
pub fn kept_on_disk(place: &Place) -> Kept {
    let entries = place.data().join("log/entries");
    let mut segments: Vec<_> = std::fs::read_dir(&entries)
        .expect("segments")
        .map(|segment| segment.expect("a segment").path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "log"))
        .collect();
    segments.sort();
    let mut kept = Kept::new();
    let mut seq = 0;
    for segment in segments {
        let bytes = std::fs::read(&segment).expect("a segment is read");
        for line in bytes.split(|byte| *byte == b'\n').filter(|line| line.starts_with(b"{")) {
            keep(&mut kept, seq, line);
            seq += 1;
        }
    }
    kept
}

fn keep(kept: &mut Kept, seq: u64, entry: &[u8]) {
    let value: Value = serde_json::from_slice(entry).expect("an entry");
    let id = value["event"]["id"].as_str().expect("an id").to_owned();
    kept.entry(id).or_default().push((seq, leaf_hash(entry).to_string()));
}

/// The log up to its newest published checkpoint, through the tile interface.
///
/// # Panics
/// When it cannot be read.
pub fn kept_as_served(api: &Client) -> Kept {
    let head = api.get("/log/checkpoint").expect("an answer").text();
    let size: u64 = head.lines().nth(1).expect("a size").parse().expect("a number");
    let mut kept = Kept::new();
    let mut seq = 0;
    for index in 0..size.div_ceil(256) {
        let tile = Tile::in_tree(TileKind::Entries, index, size).expect("a tile of the tree");
        let answer = api.get(&format!("/log/{tile}")).expect("an answer");
        assert_eq!(answer.status, 200, "{tile}: {}", answer.text());
        for entry in tile.entries(&answer.body).expect("a bundle") {
            keep(&mut kept, seq, entry);
            seq += 1;
        }
    }
    assert_eq!(seq, size);
    kept
}
