//! The examples of the API description: a short history of an invented shop is told to a real
//! service, every operation is asked, and the answers are what the description shows. So an example
//! is a request that works and an answer that was given.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use ledger::sim::{Seeded, SimClock};
use recorder::authz::OPERATIONS;
use serde_json::{Map, Value, json};
use shopfloor::people::events::Role::{self, Admin, Ehs, Lead, Quality, Technician};

use crate::bench::{Answer, BATCH, Bench, EVENT};

/// Where the examples are kept; the description is built from this file.
fn committed() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src/openapi/examples.json")
}

/// Who posts under which role.
fn subject(role: Role) -> &'static str {
    match role {
        Technician => "op_k7m2q9xd",
        Lead => "op_d6zc4k8m",
        Quality => "op_q3hn9t7v",
        Ehs => "op_w5yr2b4j",
        Admin => "op_v5kz6q8b",
        Role::Auditor => "op_n2wm5t8r",
        Role::Authority => "op_a4tx7c2p",
        Role::Service => "svc_mes",
    }
}

fn kg(value: &str) -> Value {
    json!({ "value": value, "unit": "kg" })
}

fn h(value: &str) -> Value {
    json!({ "value": value, "unit": "h" })
}

/// What happened: role, day of February 2026, type, subject, data.
fn history() -> Vec<(Role, u8, &'static str, &'static str, Value)> {
    let plan = json!({ "tasks": [
        { "task": "sieve_clean", "action": "clean", "target": "deck",
          "every": { "meter": "sift", "quantity": h("20") }, "warn_percent": 80,
          "cautions": ["isolation"], "source": { "basis": "common_practice" } },
        { "task": "earthing_check", "action": "check", "target": "frame", "calendar": "P1M",
          "warn_percent": 80, "source": { "basis": "common_practice" } },
    ] });
    let loaded = json!([
        { "check": "seal_removed_whole", "ok": true }, { "check": "bonded", "ok": true },
    ]);
    vec![
        (
            Admin,
            1,
            "config.changed",
            "site/north",
            json!({
            "time_zone": "Europe/Berlin", "jurisdiction": "us", "working_days": [1, 2, 3, 4, 5],
            "reason": "first_settings", "approved_by": subject(Lead) }),
        ),
        (
            Admin,
            1,
            "person.enrolled",
            "person/op_k7m2q9xd",
            json!({ "identity": { "c": format!("{}U=", "V".repeat(42)) }, "roles": ["technician"] }),
        ),
        (
            Lead,
            1,
            "equipment.registered",
            "equipment/S-02",
            json!({
            "kind": "sieving_station", "label": "Sieving station 2", "room": "powder-1",
            "meters": [{ "id": "sift", "unit": "h" }],
            "positions": [{ "id": "deck", "part_kind": "sieve" }] }),
        ),
        (
            Lead,
            1,
            "equipment.registered",
            "equipment/P-01",
            json!({
            "kind": "printer", "label": "Printer 1", "room": "powder-1",
            "meters": [{ "id": "run", "unit": "h" }], "positions": [] }),
        ),
        (
            Lead,
            1,
            "equipment.registered",
            "equipment/W-01",
            json!({
            "kind": "scale", "label": "Scale 1", "room": "powder-1", "meters": [], "positions": [],
            "scale": { "interval": kg("0.005"), "capacity": kg("60") } }),
        ),
        (Lead, 2, "plan.set", "equipment/S-02", plan),
        (
            Technician,
            2,
            "part.fitted",
            "equipment/S-02",
            json!({
            "position": "deck",
            "in": { "serial": "SV-0007", "spec": {
                "aperture": { "value": "63", "unit": "um" }, "spec_id": "ISO3310-1" } },
            "reading": { "meter": "sift", "value": h("300.0") } }),
        ),
        (
            Technician,
            9,
            "meter.read",
            "equipment/S-02",
            json!({ "meter": "sift", "reading": h("308.5") }),
        ),
        (
            Technician,
            16,
            "meter.read",
            "equipment/S-02",
            json!({ "meter": "sift", "reading": h("316.0") }),
        ),
        (
            Quality,
            3,
            "lot.received",
            "lot/PA-0417",
            json!({
            "material": "PA12", "supplier": "SUP-A", "supplier_lot": "A-99812",
            "containers": [{ "id": "PA-0417-1", "gross": kg("26.10"), "tare": kg("1.10") }],
            "certificate": { "number": "C-551", "digest": "a".repeat(64) },
            "expires": "2027-12-31", "seals_whole": true, "scale": "W-01" }),
        ),
        (Quality, 4, "lot.released", "lot/PA-0417", json!({ "meaning": "released" })),
        (
            Technician,
            5,
            "powder.loaded",
            "equipment/P-01",
            json!({
            "from": "lot_container/PA-0417-1", "into": "hopper/P-01.A", "mass": kg("18.40"),
            "scale": "W-01", "checks": loaded }),
        ),
        (
            Technician,
            5,
            "build.started",
            "build/B-101",
            json!({ "printer": "P-01", "hopper": "hopper/P-01.A" }),
        ),
        (
            Technician,
            6,
            "build.finished",
            "build/B-101",
            json!({
            "mass_used": kg("15.20"), "parts_mass": kg("1.90"),
            "hours_at_temperature": h("14.5"), "scale": "W-01" }),
        ),
        (
            Technician,
            6,
            "powder.recovered",
            "build/B-101",
            json!({ "into": "bin/BN-1", "mass": kg("12.90"), "scale": "W-01" }),
        ),
        (
            Technician,
            7,
            "powder.sieved",
            "equipment/S-02",
            json!({
            "sieve": "SV-0007", "aperture": { "value": "63", "unit": "um" }, "from": "bin/BN-1",
            "through": { "mass": kg("12.40"), "into": "bin/BN-2" },
            "oversize": { "mass": kg("0.30"), "into": "oversize/OV-1" },
            "duration": { "value": "42", "unit": "min" }, "scale": "W-01" }),
        ),
        (
            Ehs,
            2,
            "stream.determined",
            "stream/ST-PA",
            json!({
            "material": "PA12", "description": "Polymer powder and filters",
            "determination": "non_hazardous", "codes": { "list_of_waste": "12 01 05" },
            "decided_by": subject(Ehs), "basis": "safety_data_sheet", "jurisdiction": "us" }),
        ),
        (
            Ehs,
            8,
            "container.opened",
            "container/D-118",
            json!({
            "stream": "ST-PA", "tare": kg("9.20"), "area": "central", "location": "CAA-1",
            "container_type": "DF" }),
        ),
        (
            Technician,
            9,
            "waste.added",
            "container/D-118",
            json!({ "what": "wipes", "mass": kg("1.35"), "scale": "W-01" }),
        ),
        (
            Technician,
            10,
            "container.weighed",
            "container/D-118",
            json!({ "gross": kg("10.55"), "scale": "W-01" }),
        ),
        (
            Technician,
            10,
            "container.closed",
            "container/D-118",
            json!({ "checks": [{ "check": "lid_tight", "ok": true }] }),
        ),
        (
            Ehs,
            11,
            "shipment.offered",
            "shipment/SH-7",
            json!({
            "document": { "kind": "transport_document", "number": "TD 2026/7" },
            "containers": ["D-118"], "transporter": "TR-1", "facility": "FAC-1",
            "offered_by": subject(Ehs) }),
        ),
        (
            Ehs,
            11,
            "shipment.accepted",
            "shipment/SH-7",
            json!({ "transporter": "TR-1", "leg": 1, "day": "2026-02-11" }),
        ),
        (
            Ehs,
            12,
            "shipment.delivered",
            "shipment/SH-7",
            json!({
            "facility": "FAC-1", "received": [{ "container": "D-118", "mass": kg("1.30") }],
            "pieces": 1, "day": "2026-02-12" }),
        ),
        (
            Lead,
            13,
            "handover.given",
            "handover/HO-1",
            json!({
            "shift": "late", "open": [{ "about": "equipment/S-02", "what": "sieve_due" }] }),
        ),
        (
            Technician,
            17,
            "deviation.opened",
            "deviation/DV-1",
            json!({
            "about": ["shipment/SH-7"], "entries": [23], "what": "weight_differs",
            "severity": "minor" }),
        ),
        (
            Ehs,
            18,
            "dust.surveyed",
            "site/north",
            json!({
            "room": "powder-1", "footprint": { "value": "200", "unit": "m2" },
            "height": { "value": "3", "unit": "m" },
            "bulk_density": { "value": "450", "unit": "kg/m3" },
            "layers": [{
                "depth": { "value": "0.1", "unit": "mm" },
                "area": { "value": "12", "unit": "m2" } }] }),
        ),
        (
            Ehs,
            18,
            "exposure.measured",
            "person/op_k7m2q9xd",
            json!({
            "room": "powder-1", "fraction": "respirable",
            "samples": [{
                "concentration": { "value": "0.8", "unit": "mg/m3" },
                "duration": h("2"), "assumed": false }],
            "density": { "value": "1.01", "unit": "g/cm3" } }),
        ),
    ]
}

fn event(number: usize, day: u8, type_: &str, subject: &str, data: &Value) -> Value {
    json!({
        "specversion": "1.0", "id": format!("h-{number:02}"), "source": "/history",
        "type": format!("pulverlog.{type_}"), "subject": subject, "site": "north",
        "time": format!("2026-02-{day:02}T{:02}:{:02}:00+01:00", 8 + number / 60, number % 60),
        "latereason": "taken_from_paper", "data": data,
    })
}

/// What is asked of every operation: its id and its path with parameters. The bodies of those that
/// send stand in [`bodies`].
pub(crate) const ASKED: &[(&str, &str)] = &[
    ("readFeed", "/v1/feed?subject=equipment/S-02&limit=1"),
    ("readEntry", "/v1/entries/7"),
    ("readStanding", "/v1/entries/7/standing"),
    ("proveEntry", "/v1/entries/7/proof"),
    ("proveConsistency", "/v1/proofs/consistency?from=20"),
    ("readCheckpoint", "/log/checkpoint"),
    ("readKeys", "/log/keys"),
    ("readPolicy", "/log/policy"),
    ("readAnchors", "/v1/anchors"),
    ("listLogs", "/v1/logs"),
    ("listDueEverywhere", "/v1/logs/due?state=within_limit"),
    ("listClocksEverywhere", "/v1/logs/clocks"),
    ("listFindingsEverywhere", "/v1/logs/findings?limit=2"),
    ("findLotEverywhere", "/v1/logs/lots/PA-0417"),
    ("readFollowedEntry", "/v1/logs/south/entries/7"),
    ("proveFollowedEntry", "/v1/logs/south/entries/7/proof"),
    ("listFindings", "/v1/findings"),
    ("listCautions", "/v1/cautions"),
    ("readCatalogue", "/v1/catalogue"),
    ("listEquipment", "/v1/equipment"),
    ("readMachine", "/v1/equipment/S-02"),
    ("readReadiness", "/v1/equipment/S-02/readiness"),
    ("readHistory", "/v1/equipment/S-02/history?as_of=9"),
    ("readScale", "/v1/equipment/W-01/scale"),
    ("readPressure", "/v1/equipment/S-02/pressure"),
    ("suggestPlan", "/v1/equipment/S-02/starter-plan"),
    ("listDue", "/v1/due"),
    ("listParts", "/v1/parts"),
    ("readPart", "/v1/parts/SV-0007"),
    ("readPartLives", "/v1/part-lives?kind=sieve"),
    ("readPartStock", "/v1/part-stock?kind=sieve"),
    ("listDustSurveys", "/v1/dust"),
    ("listExposures", "/v1/exposures"),
    ("listLots", "/v1/lots"),
    ("readLot", "/v1/lots/PA-0417"),
    ("listPlaces", "/v1/places"),
    ("readPlace", "/v1/places/bin/BN-2"),
    ("balancePlace", "/v1/places/bin/BN-1/balances"),
    ("readBuild", "/v1/builds/B-101"),
    ("balanceBuild", "/v1/builds/B-101/balance"),
    ("balanceLot", "/v1/lots/PA-0417/balance"),
    ("balanceBuilds", "/v1/balances/builds?from=2026-02-01&to=2026-02-28"),
    ("balanceSite", "/v1/sites/north/balances?from=2026-02-01&to=2026-02-28"),
    ("readEconomy", "/v1/sites/north/economy?from=2026-02-01&to=2026-02-28&price_per_kg=100"),
    ("readSieve", "/v1/sieves/SV-0007"),
    ("drawSample", "/v1/samples?of=entries&bad=4"),
    ("drawTrace", "/v1/trace/picture?of=build/B-101"),
    ("compileLotReport", "/v1/reports/lots/PA-0417"),
    ("traceBack", "/v1/trace/back?of=build/B-101"),
    ("traceForward", "/v1/trace/forward?of=lot/PA-0417"),
    ("askImpact", "/v1/impact?suspect=lot/PA-0417"),
    ("listContainers", "/v1/containers"),
    ("readContainer", "/v1/containers/D-118"),
    ("listShipments", "/v1/shipments"),
    ("readShipment", "/v1/shipments/SH-7"),
    ("listClocks", "/v1/clocks?site=north"),
    ("listMonths", "/v1/months?site=north&from=2026-02-01&to=2026-02-28"),
    ("listRetention", "/v1/retention?site=north"),
    ("listKeptApart", "/v1/kept-apart?site=north"),
    ("listRules", "/v1/rules?site=north&on=2026-02-28"),
    ("listPeople", "/v1/people"),
    ("readPerson", "/v1/people/op_k7m2q9xd"),
    ("listDeviations", "/v1/deviations"),
    ("listActions", "/v1/actions"),
    ("listHandovers", "/v1/handovers"),
    ("listIncidents", "/v1/incidents"),
    ("compileDisposalReport", "/v1/reports/disposal?site=north&from=2026-02-01&to=2026-02-28"),
    (
        "compileMaintenanceReport",
        "/v1/reports/maintenance?site=north&from=2026-02-01&to=2026-02-28",
    ),
    ("listKeys", "/v1/keys"),
    ("listReports", "/v1/reports"),
    ("listWebhooks", "/v1/webhooks"),
    ("listDeadLetters", "/v1/webhooks/mes/dead-letters"),
    ("readWebhookKeys", "/.well-known/jwks.json"),
    ("live", "/healthz"),
    ("ready", "/readyz"),
];

/// What is sent.
struct Sent {
    /// Id of the operation.
    id: &'static str,
    /// Name of the example.
    name: &'static str,
    media_type: &'static str,
    /// What stands behind the path.
    query: &'static str,
    body: Value,
}

fn sent(id: &'static str, name: &'static str, media_type: &'static str, body: Value) -> Sent {
    Sent { id, name, media_type, query: "", body }
}

/// What is sent, in this order.
fn bodies() -> Vec<Sent> {
    let reading = |id: &str, hours: &str| {
        json!({
            "specversion": "1.0", "id": id, "source": "/mes/line-1",
            "type": "pulverlog.meter.read", "subject": "equipment/S-02", "site": "north",
            "time": "2026-03-05T12:55:00+01:00", "operator": "op_k7m2q9xd",
            "data": { "meter": "sift", "reading": { "value": hours, "unit": "h" } },
        })
    };
    let cleaning = json!({
        "specversion": "1.0", "id": "7c1", "source": "/mes/line-1",
        "type": "pulverlog.cleaning.done", "subject": "equipment/S-02", "site": "north",
        "time": "2026-03-05T12:50:00+01:00", "operator": "op_k7m2q9xd",
        "data": { "target": "deck", "method": "vacuum", "task": "sieve_clean" },
    });
    let trial = Sent {
        query: "?dry_run=true",
        ..sent("recordEvents", "tried, not recorded", EVENT, reading("7c2", "200.0"))
    };
    let remark = json!({ "text": "Seam of the lid looked thin." });
    let month = json!({ "site": "north", "from": "2026-02-01", "to": "2026-02-28", "lang": "en" });
    vec![
        sent("depositText", "a remark", "application/json", remark),
        sent("recordEvents", "one event", EVENT, cleaning.clone()),
        sent("recordEvents", "the same again", EVENT, cleaning),
        trial,
        sent(
            "recordEvents",
            "several",
            BATCH,
            json!([reading("7c3", "318.0"), reading("7c4", "-1")]),
        ),
        sent("issueLotReport", "of a lot", "application/json", json!({ "lang": "en" })),
        sent("issueDisposalReport", "a month", "application/json", month.clone()),
        sent("issueMaintenanceReport", "a month", "application/json", month),
    ]
}

/// Operations that have no example: bytes that say nothing on a page, and what does not end.
const WITHOUT: &[&str] = &[
    "printCustodySheet",
    "printLabel",
    "proveReportLine",
    "readEntryTile",
    "readHashTile",
    "readMetrics",
    "streamFeed",
    "takeEvidence",
    "takeExcerpt",
];

/// Lists are shortened: an example shows the form.
const ITEMS_SHOWN: usize = 2;

fn shortened(mut value: Value) -> Value {
    fn cut(value: &mut Value) {
        match value {
            Value::Array(items) => {
                items.truncate(ITEMS_SHOWN);
                items.iter_mut().for_each(cut);
            }
            Value::Object(members) => members.values_mut().for_each(cut),
            Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
        }
    }
    cut(&mut value);
    value
}

fn told(answer: &Answer, id: &str) -> Value {
    let media_type = answer.header("content-type").unwrap().split(';').next().unwrap().to_owned();
    let body = if media_type == "application/json" {
        shortened(answer.json())
    } else {
        Value::String(String::from_utf8(answer.body.clone()).unwrap())
    };
    assert!((200..300).contains(&answer.status), "{id}: {} {body}", answer.status);
    json!({ "status": answer.status, "media_type": media_type, "body": body })
}

/// A receiver that is away: nobody listens on the discard port (RFC 863) nowadays.
fn webhook(config: &mut recorder::config::Config) {
    config.webhooks.allow = vec!["127.0.0.1".into()];
    config.webhooks.attempts_max = 1;
    config.webhooks.subscriptions = vec![recorder::config::SubscriptionConfig {
        name: "mes".into(),
        url: "http://127.0.0.1:9/hooks/pulverlog".into(),
        site: Some("north".into()),
        types: vec!["lot.released".into()],
        ..Default::default()
    }];
}

/// Waits until the webhook dealt with every entry.
async fn webhook_is_through(bench: &Bench) {
    while bench.recorder.webhooks.standings()[0].behind > 0 {
        tokio::task::yield_now().await;
    }
}

/// Has the history recorded.
pub(crate) async fn tell(bench: &Bench) {
    for (number, (role, day, type_, about, data)) in history().into_iter().enumerate() {
        let event = event(number, day, type_, about, &data);
        let token = bench.token(subject(role), &[role], None);
        let answer = bench.record(&token, &event).await;
        assert_eq!(answer.status, 201, "{type_}: {}", answer.json());
    }
}

/// Every example by operation.
async fn given() -> Value {
    let dir = Arc::new(tempfile::tempdir().unwrap());
    let noon = crate::bench::NOON_MS;
    // The same keys, salts and times in every run.
    let south_dir = Arc::new(tempfile::tempdir().unwrap());
    let south = |config: &mut recorder::config::Config| {
        config.log.origin = "records.brackwater.example/south".into();
    };
    let seeded = || Box::new(Seeded::new(8)) as Box<dyn ledger::seams::Random>;
    let south = Bench::start_seeded(south_dir, SimClock::new(noon), seeded, south).await;
    tell(&south).await;
    south.recorder.log.publish().await.unwrap();
    let configured = |config: &mut recorder::config::Config| {
        webhook(config);
        crate::logs::follow(config, "south", &south);
    };
    let seeded = || Box::new(Seeded::new(7)) as Box<dyn ledger::seams::Random>;
    let bench = Bench::start_seeded(dir, SimClock::new(noon), seeded, configured).await;
    let token = |role: Role| bench.token(subject(role), &[role], None);
    tell(&bench).await;
    let mut found: BTreeMap<&str, Map<String, Value>> = BTreeMap::new();
    for Sent { id, name, media_type, query, body } in bodies() {
        let role = if id == "recordEvents" { Role::Service } else { Ehs };
        let operation = OPERATIONS.iter().find(|o| o.id == id).unwrap();
        // The one thing that is named in the address of an order is the lot.
        let path = format!("{}{query}", operation.path.replace("{id}", "PA-0417"));
        let headers = [("content-type", media_type)];
        let answer = bench.post(&path, &token(role), &headers, body.to_string()).await;
        let mut example = told(&answer, id);
        example["request"] = json!({ "media_type": media_type, "body": body });
        found.entry(id).or_default().insert(name.to_owned(), example);
    }
    bench.recorder.log.publish().await.unwrap();
    let role_of = |id: &str| {
        let operation = OPERATIONS.iter().find(|o| o.id == id).unwrap();
        [Lead, Quality, Ehs].into_iter().find(|r| operation.allows(&[*r])).unwrap_or(Admin)
    };
    webhook_is_through(&bench).await;
    bench.recorder.following.look_at_all().await;
    for (id, path) in ASKED {
        let example = told(&bench.get(path, &token(role_of(id))).await, id);
        found.entry(id).or_default().insert((*path).to_owned(), example);
    }
    // What the answers before led to.
    let digest =
        found["listReports"].values().next().unwrap()["body"]["items"][0]["digest"].clone();
    let path = format!("/v1/reports/{}", digest.as_str().unwrap());
    let example = told(&bench.get(&path, &token(Lead)).await, "readReport");
    found.entry("readReport").or_default().insert(path, example);
    let commitment = found["depositText"]["a remark"]["body"]["digest"].clone();
    let path = format!("/v1/texts/{}", commitment.as_str().unwrap());
    let example = told(&bench.get(&path, &token(Lead)).await, "openText");
    found.entry("openText").or_default().insert(path.clone(), example);
    let person = format!("/v1/people/{}", subject(Technician));
    let order = json!({ "reason": "on_request" });
    let letter =
        found["listDeadLetters"].values().next().unwrap()["body"]["items"][0]["seq"].clone();
    let retry = format!("/v1/webhooks/mes/dead-letters/{letter}/retry");
    for (id, method, path, body) in [
        ("retryDeadLetter", "POST", retry, Value::Null),
        ("resumeWebhook", "POST", "/v1/webhooks/mes/resume".to_owned(), Value::Null),
        ("keepIdentity", "PUT", format!("{person}/identity"), json!({ "name": "Orsel Vandrim" })),
        ("readIdentity", "GET", format!("{person}/identity"), Value::Null),
        ("eraseText", "POST", format!("{path}/erasure"), order.clone()),
        ("erasePerson", "POST", format!("{person}/erasure"), order),
    ] {
        let mut request = bench.request(method, &path).bearer_auth(token(role_of(id)));
        if !body.is_null() {
            request = request.header("content-type", "application/json").body(body.to_string());
        }
        let mut example = told(&Answer::of(request.send().await.unwrap()).await, id);
        if !body.is_null() {
            example["request"] = json!({ "media_type": "application/json", "body": body });
        }
        found.entry(id).or_default().insert(path, example);
    }
    bench.stop().await;
    south.stop().await;
    serde_json::to_value(found).unwrap()
}

#[actix_web::test]
async fn the_examples_of_the_description_are_what_the_service_answers() {
    let given = format!("{:#}\n", given().await);
    if std::env::var_os("PULVERLOG_UPDATE").is_some() {
        std::fs::write(committed(), &given).unwrap();
    }
    let found = std::fs::read_to_string(committed()).unwrap_or_default();
    let differs = found.lines().zip(given.lines()).position(|(a, b)| a != b);
    assert!(
        found == given,
        "src/openapi/examples.json differs from line {} on: review the change, then write it with \
         PULVERLOG_UPDATE=1 cargo test -p recorder --test api examples, and the description anew",
        differs.unwrap_or(0) + 1,
    );
}

#[test]
fn every_operation_has_an_example_or_a_reason_for_none() {
    let document = recorder::openapi::document();
    for methods in document["paths"].as_object().unwrap().values() {
        for operation in methods.as_object().unwrap().values() {
            let id = operation["operationId"].as_str().unwrap();
            let responses = operation["responses"].as_object().unwrap();
            let good = responses.iter().filter(|(status, _)| status.starts_with('2'));
            let mut media = good.flat_map(|(_, r)| r["content"].as_object().into_iter().flatten());
            let shown = media.any(|(_, content)| content.get("examples").is_some());
            assert_eq!(shown, !WITHOUT.contains(&id), "{id}");
        }
    }
}
