//! Opening balances: what stands in one log stands in another that only the events of the opening were
//! told to.

use std::collections::BTreeSet;

use chain::entry::{Actor, Via};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};
use shopfloor::opening::{Difference, End, Opening, differences, opening, summary};
use shopfloor::{Envelope, Fact, State};

const ORIGIN: &str = "records.example/2026";

/// A log in memory.
#[derive(Default)]
struct Log {
    state: State,
    facts: Vec<Fact>,
}

fn begin() -> Timestamp {
    "2026-01-05T06:00:00Z".parse().unwrap()
}

fn hours(n: u64) -> Timestamp {
    begin() + SignedDuration::from_hours(i64::try_from(n).unwrap())
}

impl Log {
    /// Records an event of work done so many hours after the beginning; returns its entry.
    fn tell(&mut self, hour: u64, name: &str, subject: &str, data: Value) -> u64 {
        let seq = u64::try_from(self.facts.len()).unwrap();
        let event = json!({
            "specversion": "1.0", "id": format!("e{seq}"), "source": "/test", "site": "north",
            "type": format!("pulverlog.{name}"), "subject": subject, "data": data,
            "time": hours(hour).to_string(),
        });
        let value = chain::canon::parse(event.to_string().as_bytes()).unwrap();
        let (envelope, event) = Envelope::read(&value).unwrap();
        let actor = Actor { id: "op_k7".into(), via: Via::Badge, on_behalf_of: None };
        let fact = Fact::new(envelope, event, &actor, seq, hours(hour));
        let original = fact.about_entry().map(|n| self.facts[usize::try_from(n).unwrap()].clone());
        let original = original.and_then(|fact| self.state.record.effective(fact));
        self.state.apply(&fact, original.as_ref());
        self.facts.push(fact);
        seq
    }

    fn opening(&self, end: Timestamp) -> Opening {
        let read = |seq: u64| Ok::<_, ()>(self.facts[usize::try_from(seq).unwrap()].clone());
        opening(&self.state, End { at: end }, read).unwrap()
    }

    /// Plays the opening into another log: its state, and what stands otherwise there.
    fn carried(&self, end: Timestamp) -> (State, Vec<Difference>) {
        let by = Actor { id: "svc_carry_over".into(), via: Via::Service, on_behalf_of: None };
        let (next, _) = self.opening(end).play(ORIGIN, &by, end).unwrap();
        let differ = differences(&summary(&self.state, end), &summary(&next, end));
        (next, differ)
    }
}

fn kg(digits: &str) -> Value {
    json!({ "value": digits, "unit": "kg" })
}

fn h(n: u64) -> Value {
    json!({ "value": n.to_string(), "unit": "h" })
}

fn station(log: &mut Log, tasks: &[Value]) {
    let form = json!({
        "kind": "sieving_station", "label": "Station", "room": "powder-1",
        "meters": [{ "id": "run", "unit": "h", "rolls_over_at": h(1000) }],
        "positions": [{ "id": "deck", "part_kind": "sieve" }],
    });
    log.tell(0, "equipment.registered", "equipment/S-02", form);
    log.tell(0, "plan.set", "equipment/S-02", json!({ "tasks": tasks }));
}

fn task(name: &str, action: &str, target: &str, every: u64) -> Value {
    json!({
        "task": name, "action": action, "target": target, "warn_percent": 80,
        "every": { "meter": "run", "quantity": h(every) }, "source": { "basis": "site" },
    })
}

fn read(log: &mut Log, hour: u64, shown: u64) -> u64 {
    log.tell(hour, "meter.read", "equipment/S-02", json!({ "meter": "run", "reading": h(shown) }))
}

#[test]
fn a_count_goes_on_over_a_rollover_a_new_meter_and_a_new_year() {
    let mut log = Log::default();
    station(&mut log, &[task("clean", "clean", "deck", 2500), task("oil", "clean", "axis", 9000)]);
    // 980 h are shown when it is cleaned; the readings of the year before it do not matter any more.
    for hour in 1..=980 {
        read(&mut log, hour, hour);
    }
    let cleaned = json!({ "target": "deck", "method": "vacuum" });
    log.tell(981, "cleaning.done", "equipment/S-02", cleaned);
    for hour in 982..3_100 {
        read(&mut log, hour, hour % 1000);
    }
    let replaced = json!({
        "meter": "run", "last_old": h(110), "first_new": h(3), "reason": "broken",
    });
    log.tell(3_110, "meter.replaced", "equipment/S-02", replaced);
    read(&mut log, 3_200, 90);

    let end = hours(3_300);
    let (next, differ) = log.carried(end);
    assert_eq!(differ, [], "{differ:#?}");
    let due = summary(&next, end);
    let told = &due["task `clean` of `S-02`"];
    // 981 to 3,110 h, and 87 h of the new meter.
    assert!(told.contains("2217 h of 2500 h used"), "{told}");
    let events = log.opening(end).events.len();
    assert!(events < 80, "{events} of {} events are told again", log.facts.len());
}

#[test]
fn parts_are_where_they_were_and_a_corrected_entry_is_told_as_corrected() {
    let mut log = Log::default();
    station(&mut log, &[task("change", "replace", "deck", 500)]);
    read(&mut log, 1, 10);
    let sieve = |serial: &str| json!({ "serial": serial, "spec": { "aperture": { "value": "63", "unit": "um" } } });
    let fitted = json!({ "position": "deck", "in": sieve("SV-1") });
    log.tell(2, "part.fitted", "equipment/S-02", fitted);
    read(&mut log, 40, 40);
    let swap = |serial: &str| {
        json!({
            "position": "deck", "in": sieve(serial),
            "out": { "serial": "SV-1", "reason": "worn", "condition": "worn", "mass": kg("0.4"),
                "container": "D-1" },
        })
    };
    let swapped = log.tell(41, "part.swapped", "equipment/S-02", swap("SV-MISREAD"));
    let wrong = read(&mut log, 50, 49);
    log.tell(
        51,
        "entry.corrected",
        &format!("entry/{swapped}"),
        json!({
        "reason": "mis_read", "approver": "op_lead", "data": swap("SV-2") }),
    );
    log.tell(
        52,
        "entry.voided",
        &format!("entry/{wrong}"),
        json!({
        "reason": "mis_read", "approver": "op_lead" }),
    );

    let end = hours(60);
    let (next, differ) = log.carried(end);
    assert_eq!(differ, [], "{differ:#?}");
    assert_eq!(summary(&next, end)["part in `deck` of `S-02`"], "SV-2");
    let cited: BTreeSet<u64> = log.opening(end).events.iter().map(|event| event.entry).collect();
    assert!(cited.contains(&swapped) && !cited.contains(&wrong), "{cited:?}");
}

fn lot(log: &mut Log, hour: u64, id: &str, containers: &[(&str, &str)]) {
    let containers: Vec<Value> = containers
        .iter()
        .map(|(id, gross)| json!({ "id": id, "gross": kg(gross), "tare": kg("1") }))
        .collect();
    let data = json!({
        "material": "PA12", "supplier": "SUP-A", "supplier_lot": id, "containers": containers,
        "certificate": { "number": "C-1", "digest": "a".repeat(64) },
        "expires": "2027-12-31", "seals_whole": true,
    });
    log.tell(hour, "lot.received", &format!("lot/{id}"), data);
}

fn moved(log: &mut Log, hour: u64, from: &str, into: &str, mass: &str) {
    let data = json!({ "from": from, "into": into, "mass": kg(mass) });
    log.tell(hour, "powder.moved", "lot/ANY", data);
}

/// Two lots: one in its containers, a hopper, a used bin and a blend; one that is on hold.
fn powder() -> Log {
    let mut log = Log::default();
    lot(&mut log, 1, "A", &[("A-1", "21"), ("A-2", "21")]);
    lot(&mut log, 1, "B", &[("B-1", "31")]);
    log.tell(2, "lot.released", "lot/A", json!({ "meaning": "released" }));
    log.tell(2, "lot.released", "lot/B", json!({ "meaning": "released" }));
    moved(&mut log, 3, "lot_container/A-1", "hopper/P-01.main", "15");
    log.tell(
        4,
        "build.started",
        "build/B-1",
        json!({ "printer": "P-01", "hopper": "hopper/P-01.main" }),
    );
    log.tell(
        20,
        "build.finished",
        "build/B-1",
        json!({
        "mass_used": kg("12"), "parts_mass": kg("2"), "hours_at_temperature": h(14) }),
    );
    log.tell(21, "powder.recovered", "build/B-1", json!({ "into": "bin/USED", "mass": kg("9.5") }));
    let blended = json!({
        "into": "lot_container/MIX", "blender": "M-01",
        "duration": { "value": "20", "unit": "min" },
        "components": [
            { "from": "bin/USED", "mass": kg("6"), "order": 1 },
            { "from": "lot_container/B-1", "mass": kg("3.333333333"), "order": 2 } ],
    });
    log.tell(30, "powder.blended", "lot/MIX-1", blended);
    // More than the book knows: the rest has no source.
    moved(&mut log, 31, "bin/FOUND", "bin/USED", "0.7");
    log
}

#[test]
fn powder_lies_where_it_lay_by_lot_and_used_powder_is_not_fresh() {
    let log = powder();
    let end = hours(100);
    let (next, differ) = log.carried(end);
    let (lost, wrong): (Vec<_>, Vec<_>) = differ.iter().partition(|d| d.cannot_be_carried());
    assert_eq!(wrong, Vec::<&Difference>::new(), "{wrong:#?}");
    let about: Vec<&str> = lost.iter().map(|d| d.about.as_str()).collect();
    assert_eq!(
        about,
        ["history of the powder in `bin/USED`", "history of the powder in `lot_container/MIX`"]
    );
    let stands = summary(&next, end);
    assert_eq!(stands["lot `A` in `bin/USED`"], "3.5 kg");
    assert_eq!(stands["powder in `bin/USED`"], "4.2 kg");
    assert_eq!(stands["lot alone in `lot_container/MIX`"], "MIX-1");
    assert_eq!(stands["fresh powder in `lot_container/MIX`"], "35.71 %");
    assert_eq!(stands["status of lot `A`"], "released");
}

#[test]
fn a_hold_on_places_holds_where_the_powder_lies_now() {
    let mut log = powder();
    let held = json!({ "reason": "torn_sieve", "scope": ["bin/USED"], "entries": [3] });
    log.tell(40, "lot.held", "lot/A", held);
    moved(&mut log, 41, "bin/USED", "bin/ASIDE", "2");
    let end = hours(100);
    let (next, differ) = log.carried(end);
    let wrong: Vec<_> = differ.iter().filter(|d| !d.cannot_be_carried()).collect();
    assert_eq!(wrong, Vec::<&Difference>::new(), "{wrong:#?}");
    for place in ["bin/USED", "bin/ASIDE"] {
        assert_eq!(summary(&next, end)[&format!("hold of `A` in `{place}`")], "1", "{place}");
    }
}

#[test]
fn the_events_are_the_same_each_time_and_no_two_have_one_id() {
    let log = powder();
    let (first, again) = (log.opening(hours(100)), log.opening(hours(100)));
    assert_eq!(first, again);
    let ids: BTreeSet<String> =
        first.events.iter().map(|event| event.to_json(ORIGIN)["id"].to_string()).collect();
    assert_eq!(ids.len(), first.events.len());
}

#[test]
fn what_differs_is_named() {
    let log = powder();
    let (stood, mut stands) = (summary(&log.state, hours(100)), summary(&log.state, hours(100)));
    stands.insert("powder in `bin/USED`".to_owned(), "4.1 kg".to_owned());
    stands.remove("status of lot `A`");
    let differ: Vec<String> =
        differences(&stood, &stands).iter().map(ToString::to_string).collect();
    assert_eq!(
        differ,
        [
            "powder in `bin/USED`: was 4.2 kg, now 4.1 kg",
            "status of lot `A`: was released, now nothing"
        ]
    );
}
