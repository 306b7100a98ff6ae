//! What stood at the end of a closed log stands in the one that continues it, told again by
//! `recorder carry-over`: what is due, which lots lie where, which containers stand on site, who may do
//! what. Also when the command is killed on its way.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::{Value, json};
use tests::programs::{printed, program, run};
use tests::recorder::{Client, Place, Running};

const TECHNICIAN: &str = "op_k7";
const LEAD: &str = "op_lead";
const QUALITY: &str = "op_quality";
const EHS: &str = "op_ehs";
const ADMIN: &str = "op_admin";

/// A shop that has worked for some weeks, and its two logs.
struct Shop {
    folder: tempfile::TempDir,
    old: Place,
    new: Place,
    key: String,
}

fn place(folder: &Path, year: &str) -> Place {
    let sub = folder.join(year);
    Place::named(&sub, &format!("records.brackwater.example/{year}"))
}

/// Runs a command that must do what it should.
fn said(place: &Place, words: &[&str]) -> String {
    let output = run(&mut place.command(words));
    assert!(output.status.success(), "{words:?}: {}", printed(&output));
    String::from_utf8(output.stdout).expect("text")
}

fn kg(digits: &str) -> Value {
    json!({ "value": digits, "unit": "kg" })
}

fn h(digits: &str) -> Value {
    json!({ "value": digits, "unit": "h" })
}

/// A task that falls due by hours of `sift` or by the calendar.
fn task(name: &str, action: &str, hours: &str, calendar: &str) -> Value {
    json!({
        "task": name, "action": action, "target": "deck", "warn_percent": 80,
        "every": { "meter": "sift", "quantity": h(hours) }, "calendar": calendar,
        "source": { "basis": "site" },
    })
}

/// Kind, subject, day of February 2026, who, data.
type Work = (&'static str, &'static str, u32, &'static str, Value);

fn people_and_machines() -> Vec<Work> {
    let station = json!({
        "kind": "sieving_station", "label": "Sieving station 2", "room": "powder-1",
        "meters": [{ "id": "sift", "unit": "h" }],
        "positions": [{ "id": "deck", "part_kind": "sieve" }],
    });
    let printer = json!({
        "kind": "printer", "label": "Printer 1", "room": "powder-1",
        "meters": [{ "id": "run", "unit": "h" }],
    });
    let plan = json!({ "tasks": [
        task("sieve_clean", "clean", "20", "P14D"), task("sieve_change", "replace", "200", "P1Y"),
    ] });
    let sieve = |serial: &str| json!({ "serial": serial, "spec": { "aperture": { "value": "63", "unit": "um" } } });
    let identity = json!({ "c": format!("{}U=", "V".repeat(42)) });
    let mut work = vec![
        (
            "config.changed",
            "site/north",
            1,
            ADMIN,
            json!({
            "time_zone": "Europe/Berlin", "jurisdiction": "us", "reason": "first_settings",
            "approved_by": LEAD }),
        ),
        (
            "person.enrolled",
            "person/op_k7",
            1,
            ADMIN,
            json!({ "identity": identity, "roles": ["technician"] }),
        ),
        (
            "person.enrolled",
            "person/op_gone",
            1,
            ADMIN,
            json!({ "identity": identity, "roles": ["technician"] }),
        ),
        ("person.left", "person/op_gone", 3, ADMIN, json!({ "last_day": "2026-02-03" })),
        (
            "authorisation.granted",
            "person/op_k7",
            1,
            LEAD,
            json!({ "task": "sieve_change", "valid_to": "2027-01-31" }),
        ),
        ("equipment.registered", "equipment/S-02", 1, LEAD, station),
        ("equipment.registered", "equipment/P-01", 1, LEAD, printer),
        ("plan.set", "equipment/S-02", 1, LEAD, plan),
        (
            "part.fitted",
            "equipment/S-02",
            2,
            TECHNICIAN,
            json!({
            "position": "deck", "in": sieve("SV-0007"),
            "reading": { "meter": "sift", "value": h("300.0") } }),
        ),
        (
            "part.swapped",
            "equipment/S-02",
            5,
            TECHNICIAN,
            json!({
            "position": "deck", "in": sieve("SV-0008"),
            "out": { "serial": "SV-0007", "reason": "worn", "condition": "worn", "mass": kg("0.4"),
                "container": "D-118" },
            "reading": { "meter": "sift", "value": h("310.0") } }),
        ),
        (
            "cleaning.done",
            "equipment/S-02",
            8,
            TECHNICIAN,
            json!({
            "target": "deck", "method": "vacuum",
            "reading": { "meter": "sift", "value": h("317.0") },
            "residue": { "mass": kg("0.2"), "into": "vacuum_bag/VB-1" } }),
        ),
    ];
    for day in 9..28 {
        let hours = 317 + (day - 8);
        let data = json!({ "meter": "sift", "reading": h(&hours.to_string()) });
        work.push(("meter.read", "equipment/S-02", day, TECHNICIAN, data));
    }
    work
}

fn powder_and_waste() -> Vec<Work> {
    vec![
        (
            "lot.received",
            "lot/PA-0417",
            2,
            QUALITY,
            json!({
            "material": "PA12", "supplier": "SUP-A", "supplier_lot": "A-99812",
            "containers": [
                { "id": "PA-0417-1", "gross": kg("26.10"), "tare": kg("1.10") },
                { "id": "PA-0417-2", "gross": kg("26.10"), "tare": kg("1.10") } ],
            "certificate": { "number": "C-551", "digest": "a".repeat(64) },
            "expires": "2027-12-31", "seals_whole": true }),
        ),
        (
            "lot.received",
            "lot/PA-0418",
            2,
            QUALITY,
            json!({
            "material": "PA12", "supplier": "SUP-A", "supplier_lot": "A-99813",
            "containers": [{ "id": "PA-0418-1", "gross": kg("11"), "tare": kg("1") }],
            "seals_whole": true }),
        ),
        ("lot.released", "lot/PA-0417", 3, QUALITY, json!({ "meaning": "released" })),
        ("lot.held", "lot/PA-0418", 3, QUALITY, json!({ "reason": "no_certificate" })),
        (
            "powder.loaded",
            "equipment/P-01",
            4,
            TECHNICIAN,
            json!({
            "from": "lot_container/PA-0417-1", "into": "hopper/P-01.A", "mass": kg("18.40") }),
        ),
        (
            "build.started",
            "build/B-101",
            4,
            TECHNICIAN,
            json!({ "printer": "P-01", "hopper": "hopper/P-01.A" }),
        ),
        (
            "build.finished",
            "build/B-101",
            5,
            TECHNICIAN,
            json!({
            "mass_used": kg("15.20"), "parts_mass": kg("1.90"),
            "hours_at_temperature": h("14.5") }),
        ),
        (
            "powder.recovered",
            "build/B-101",
            5,
            TECHNICIAN,
            json!({ "into": "bin/BN-1", "mass": kg("12.90") }),
        ),
        (
            "powder.moved",
            "lot/PA-0417",
            6,
            TECHNICIAN,
            json!({
            "from": "lot_container/PA-0417-1", "into": "bin/BN-1", "mass": kg("3.333") }),
        ),
        (
            "stream.determined",
            "stream/ST-PA",
            2,
            EHS,
            json!({
            "material": "PA12", "description": "Polymer powder and filters",
            "determination": "non_hazardous", "codes": { "list_of_waste": "12 01 05" },
            "decided_by": EHS, "basis": "safety_data_sheet", "jurisdiction": "us" }),
        ),
        (
            "container.opened",
            "container/D-118",
            3,
            EHS,
            json!({
            "stream": "ST-PA", "tare": kg("9.20"), "area": "central", "location": "CAA-1" }),
        ),
        (
            "waste.added",
            "container/D-118",
            9,
            TECHNICIAN,
            json!({ "what": "powder", "mass": kg("0.9"), "from": "bin/BN-1" }),
        ),
    ]
}

impl Shop {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let (old, new) = (place(folder.path(), "2026"), place(folder.path(), "2027"));
        let key = said(&old, &["keys"]);
        let running = old.start_with(&["--create"]);
        for (number, (name, subject, day, who, data)) in
            people_and_machines().into_iter().chain(powder_and_waste()).enumerate()
        {
            let role = match who {
                ADMIN => "admin",
                LEAD => "lead",
                QUALITY => "quality",
                EHS => "ehs",
                _ => "technician",
            };
            let event = json!({
                "specversion": "1.0", "id": format!("e{number}"), "source": "/mes/test",
                "type": format!("pulverlog.{name}"), "subject": subject, "site": "north",
                "time": format!("2026-02-{day:02}T06:{number:02}:00+01:00"),
                "latereason": "test_data", "data": data,
            });
            let answer = running.client(&old.token(who, &[role])).record(&event);
            let answer = answer.expect("an answer");
            assert_eq!(answer.status, 201, "{event}: {}", answer.text());
        }
        assert!(running.stop().success());
        Self { folder, old, new, key }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn close(&self) {
        let note = said(&self.old, &["close", "--reason", "year_end"]);
        std::fs::write(self.path("final.note"), note).expect("a file");
    }

    fn carry_over(&self, more: &[&str]) -> Command {
        let (old, note) = (self.path("2026/pulverlog.toml"), self.path("final.note"));
        let mut command = self.new.command(&["carry-over", "--from"]);
        command.arg(old).arg("--continues").arg(note).args(more);
        command
    }
}

/// What the pages and the clients ask, without numbers of entries and without how powder was used.
fn answers(place: &Place, running: &Running) -> Vec<(String, Value)> {
    fn without(value: &mut Value) {
        const NUMBERS: [&str; 14] = [
            "now",
            "as_of",
            "entry",
            "entries",
            "entries_total",
            "through",
            "age",
            "fresh_fraction",
            "unsieved_fraction",
            "makeup",
            "opened",
            "additions",
            "custody",
            "failed_check",
        ];
        match value {
            Value::Object(members) => {
                members
                    .retain(|name, _| !NUMBERS.contains(&name.as_str()) && !name.ends_with("_by"));
                members.values_mut().for_each(without);
            }
            Value::Array(items) => items.iter_mut().for_each(without),
            _ => {}
        }
    }
    let api: Client = running.client(&place.token(LEAD, &["lead", "quality", "ehs"]));
    let asked = [
        "/v1/due?site=north",
        "/v1/containers?site=north",
        "/v1/places/lot_container/PA-0417-1",
        "/v1/places/lot_container/PA-0417-2",
        "/v1/places/hopper/P-01.A",
        "/v1/places/bin/BN-1",
        "/v1/people/op_k7",
    ];
    let answer = |path: &str| {
        let answer = api.get(path).expect("an answer");
        assert_eq!(answer.status, 200, "{path}: {}", answer.text());
        let mut json = answer.json();
        without(&mut json);
        (path.to_owned(), json)
    };
    asked.into_iter().map(answer).collect()
}

#[test]
fn what_stood_in_the_closed_log_stands_in_the_next_one() {
    let shop = Shop::new();
    let early = run(&mut shop.carry_over(&["--dry-run"]));
    assert!(!early.status.success(), "the log still runs");
    assert!(printed(&early).contains("is not closed"), "{}", printed(&early));
    shop.close();

    // What would be recorded, and what of it could not be the same.
    let tried = run(&mut shop.carry_over(&["--dry-run"]));
    assert!(tried.status.success(), "{}", printed(&tried));
    let told = String::from_utf8(tried.stdout).expect("text");
    let events: Vec<Value> = told
        .lines()
        .filter(|line| line.starts_with('{'))
        .map(|line| serde_json::from_str(line).expect("an event"))
        .collect();
    let sources = events.iter().map(|event| event["source"].as_str().expect("a source"));
    assert!(sources.into_iter().all(|s| s == "/carried-over/records.brackwater.example/2026"));
    let begun = shop.new.data().join("log").try_exists().expect("a look");
    assert!(!begun, "nothing was begun");
    assert!(told.contains(" that can be carried 0 differ"), "{told}");
    let lost: Vec<&str> = told.lines().filter(|line| line.contains("history of")).collect();
    assert_eq!(lost.len(), 1, "only the bin holds powder that was in a build: {told}");
    assert!(lost[0].contains("`bin/BN-1`"), "{told}");

    let closed = shop.old.start();
    let stood = answers(&shop.old, &closed);
    assert!(closed.stop().success());
    let carried = run(&mut shop.carry_over(&[]));
    assert!(carried.status.success(), "{}", printed(&carried));
    let running = shop.new.start();
    let stands = answers(&shop.new, &running);
    for (before, after) in stood.iter().zip(&stands) {
        assert_eq!(before, after);
    }
    // A hold holds, and the work of then is still that of whoever did it.
    let api = running.client(&shop.new.token(QUALITY, &["quality"]));
    let lot = api.get("/v1/lots/PA-0418").expect("an answer").json();
    assert_eq!(lot["item"]["status"], "held", "{lot}");
    let auditor = running.client(&shop.new.token("op_auditor", &["auditor"]));
    let entry = auditor.get("/v1/entries/5").expect("an answer").json();
    assert_eq!(entry["actor"]["id"], "svc_carry_over", "{entry}");
    assert!(entry["event"]["id"].as_str().expect("an id").ends_with(".1"), "{entry}");
    assert!(running.stop().success());

    // The auditor goes from one to the other.
    let (before, after) = (shop.path("before"), shop.path("after"));
    said(&shop.old, &["export", before.to_str().expect("text")]);
    said(&shop.new, &["export", after.to_str().expect("text")]);
    std::fs::write(shop.path("keys.txt"), &shop.key).expect("a file");
    let mut check = Command::new(program("auditor"));
    check.arg("check").arg("--keys").arg(shop.path("keys.txt")).arg(&before);
    let checked = run(check.arg("--next").arg(&after));
    // Nobody enrolled the key of the next log here (`succession.rs` does): that and nothing else differs.
    let verdict = printed(&checked);
    let differs: Vec<&str> = verdict.lines().filter(|line| line.starts_with("DIFFERS")).collect();
    assert_eq!(differs, ["DIFFERS     key of the log"], "{verdict}");
}

#[test]
fn a_carrying_over_that_was_killed_is_completed() {
    let shop = Shop::new();
    shop.close();
    let mut child = shop.carry_over(&[]).stderr(Stdio::piped()).stdout(Stdio::null()).spawn();
    let child = child.as_mut().expect("the command runs");
    let log = BufReader::new(child.stderr.take().expect("its log"));
    let mut lines = log.lines().map_while(Result::ok);
    assert!(lines.any(|line| line.contains("carried over")), "it says how far it is");
    child.kill().expect("it is killed");
    child.wait().expect("it is gone");

    let again = run(&mut shop.carry_over(&[]));
    assert!(again.status.success(), "{}", printed(&again));
    let told = String::from_utf8(again.stdout).expect("text");
    assert!(told.contains(" that can be carried 0 differ"), "{told}");
    let size = || {
        let running = shop.new.start();
        let auditor = running.client(&shop.new.token("op_auditor", &["auditor"]));
        let size = auditor.get("/readyz").expect("an answer").json();
        assert!(running.stop().success());
        size["entries"].as_u64().expect("a number")
    };
    // Once more changes nothing.
    let before = size();
    assert!(run(&mut shop.carry_over(&[])).status.success());
    assert_eq!(size(), before);
}

#[test]
fn only_the_log_that_continues_it_takes_the_balances_of_a_log() {
    let shop = Shop::new();
    shop.close();
    // Another log, begun for itself.
    let running = shop.new.start_with(&["--create"]);
    assert!(running.stop().success());
    let refused = run(&mut shop.carry_over(&[]));
    assert!(!refused.status.success());
    assert!(printed(&refused).contains("cites no log before it"), "{}", printed(&refused));
    let person = run(&mut shop.carry_over(&["--by", "op_lead"]));
    assert!(printed(&person).contains("is no system"), "{}", printed(&person));
}
