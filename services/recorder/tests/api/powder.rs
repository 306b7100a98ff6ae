//! Powder over HTTP: a torn sieve from the question to the last decision, traces as of any time,
//! balances, samples that anybody draws again, pictures and the report of a lot.

use chain::Digest;
use serde_json::{Value, json};
use shopfloor::people::events::Role::{Auditor, Quality};

use crate::bench::{BATCH, Bench};

fn kg(value: &str) -> Value {
    json!({ "value": value, "unit": "kg" })
}

fn event(number: usize, name: &str, subject: &str, data: &Value) -> Value {
    json!({
        "specversion": "1.0", "id": format!("p{number}"), "source": "/mes/powder",
        "type": format!("pulverlog.{name}"), "subject": subject, "site": "north",
        "time": format!("2026-03-03T08:{number:02}:00Z"), "operator": "op_k7m2q9xd", "data": data,
    })
}

/// A lot, a sieve seen whole, two passes over it, a bin moved on, the sieve found torn.
fn story() -> Vec<Value> {
    let pass = |into: &str| {
        json!({ "sieve": "SV-7", "aperture": { "value": "150", "unit": "um" },
            "from": "lot_container/LC-1", "through": { "mass": kg("10"), "into": into },
            "oversize": { "mass": kg("0.1"), "into": "oversize/O" },
            "duration": { "value": "20", "unit": "min" } })
    };
    let seen = |result: &str| json!({ "target": "deck", "result": result, "serial": "SV-7" });
    let lot = json!({ "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X-1",
        "containers": [{ "id": "LC-1", "gross": kg("50.5"), "tare": kg("0.5") }] });
    let moved = json!({ "from": "bin/1", "into": "bin/3", "mass": kg("4") });
    let told = [
        ("lot.received", "lot/PA-1", lot),
        ("inspection.done", "equipment/S-02", seen("pass")),
        ("powder.sieved", "equipment/S-02", pass("bin/1")),
        ("powder.sieved", "equipment/S-02", pass("bin/2")),
        ("powder.moved", "equipment/S-02", moved),
        ("inspection.done", "equipment/S-02", seen("fail")),
    ];
    let numbered = told.iter().enumerate();
    numbered.map(|(n, (name, subject, data))| event(n, name, subject, data)).collect()
}

/// A service with the story; the entry of its first event.
async fn told() -> (Bench, u64) {
    let bench = Bench::start().await;
    let first = bench.head().0;
    let body = Value::from(story()).to_string();
    let answer = bench.post("/v1/events", &bench.mes(), &[("content-type", BATCH)], body).await;
    assert_eq!(answer.status, 200, "{}", answer.json());
    (bench, first)
}

fn quality(bench: &Bench) -> String {
    bench.token("op_q3hn9t7v", &[Quality], None)
}

#[actix_web::test]
async fn a_scope_is_held_in_one_action_and_decided_until_it_is_empty() {
    let (bench, first) = told().await;
    let token = quality(&bench);
    let impact = || async {
        let answer = bench.get("/v1/impact?suspect=sieve/SV-7", &token).await;
        answer.json()["item"].clone()
    };
    let found = impact().await;
    assert_eq!(found["failed_entry"], first + 5);
    let uses: Vec<&Value> = found["uses"].as_array().unwrap().iter().map(|u| &u["entry"]).collect();
    assert_eq!(uses, [first + 2, first + 3]);
    let scope = found["reach"]["to_hold"].clone();
    assert_eq!(scope, json!(["bin/2", "bin/1", "bin/3"]), "most suspect powder first");

    let post = |id: &'static str, name: &'static str, data: Value| {
        let mut event = event(30, name, "lot/PA-1", &data);
        (event["id"], event["source"]) = (json!(id), json!("/desk"));
        event.as_object_mut().unwrap().remove("operator");
        let (bench, token) = (&bench, &token);
        async move {
            let answer = bench.record(token, &event).await;
            assert_eq!(answer.status, 201, "{}", answer.json());
        }
    };
    let under = found["hold_under"].as_str().unwrap();
    assert_eq!(under, "PA-1");
    let hold = json!({ "reason": "torn_sieve", "scope": scope, "entries": [first + 5] });
    post("hold", "lot.held", hold).await;
    let held = impact().await;
    assert_eq!(
        (&held["reach"]["to_hold_total"], &held["reach"]["on_hold_total"]),
        (&json!(0), &json!(3))
    );
    assert_eq!(held["settled"], false);

    let decide = |places: Value| {
        json!({ "decision": "use_as_is", "reason": "screened", "scope": places,
            "decided_by": ["op_q3hn9t7v", "op_d6zc4k8m"] })
    };
    post("d1", "lot.disposed_of", decide(json!(["bin/1", "bin/3"]))).await;
    assert_eq!(impact().await["settled"], false);
    post("d2", "lot.disposed_of", decide(json!(["bin/2"]))).await;
    let done = impact().await;
    assert_eq!((&done["settled"], &done["reach"]["decided_total"]), (&json!(true), &json!(3)));
    bench.stop().await;
}

#[actix_web::test]
async fn a_trace_is_answered_as_of_an_entry_or_a_time() {
    let (bench, first) = told().await;
    let token = quality(&bench);
    let entries = |query: String| {
        let (bench, token) = (&bench, &token);
        async move {
            let path = format!("/v1/trace/forward?of=lot/PA-1{query}");
            let answer = bench.get(&path, token).await.json();
            let edges = answer["item"]["edges"].as_array().unwrap().clone();
            let mut entries: Vec<u64> =
                edges.iter().map(|edge| edge["entry"].as_u64().unwrap()).collect();
            entries.dedup();
            entries
        }
    };
    let all: Vec<u64> = [0, 2, 3, 4].map(|n| first + n).into();
    assert_eq!(entries(String::new()).await, all);
    assert_eq!(entries(format!("&as_of={}", first + 2)).await, all[..2]);
    assert_eq!(entries("&at=2026-03-03T08:03:30Z".into()).await, all[..3]);
    for bad in ["&as_of=1&at=2026-03-03T08:03:30Z", "&at=yesterday", "&as_of=0"] {
        let answer = bench.get(&format!("/v1/trace/back?of=lot/PA-1{bad}"), &token).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    bench.stop().await;
}

#[actix_web::test]
async fn a_sample_is_drawn_again_from_seed_and_items_alone() {
    let (bench, _) = told().await;
    let token = quality(&bench);
    let answer = bench.get("/v1/samples?of=entries&bad=3", &token).await.json();
    let sample = &answer["item"];
    let (size, head) = bench.head();
    assert_eq!((&sample["entries"], &sample["seed"]), (&json!(size), &json!(head.to_base64())));
    // What anybody can do with the seed: SHA-256 over seed, line feed and item; the smallest win.
    let seed = sample["seed"].as_str().unwrap();
    let mut ranked: Vec<([u8; 32], String)> = (0..size)
        .map(|seq| (*Digest::of(format!("{seed}\n{seq}").as_bytes()).as_bytes(), seq.to_string()))
        .collect();
    ranked.sort();
    let taken = usize::try_from(sample["size"].as_u64().unwrap()).unwrap();
    let mut drawn: Vec<String> = ranked.into_iter().take(taken).map(|(_, seq)| seq).collect();
    drawn.sort();
    assert_eq!(sample["drawn"], json!(drawn));
    for bad in ["of=entries&bad=0", "of=entries&bad=1&risk=1", "of=people&bad=1"] {
        let answer = bench.get(&format!("/v1/samples?{bad}"), &token).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    bench.stop().await;
}

#[actix_web::test]
async fn books_pictures_and_the_report_of_a_lot() {
    let (bench, first) = told().await;
    let token = bench.token("op_n2wm5t8r", &[Auditor], None);
    let get = |path: &'static str| {
        let (bench, token) = (&bench, &token);
        async move { bench.get(path, token).await }
    };
    // 50 kg came in; what is there now adds up to them.
    let lot = get("/v1/lots/PA-1/balance").await.json();
    assert_eq!(lot["item"]["unaccounted"]["value"], "0");
    let site = get("/v1/sites/north/balances?from=2026-02-01&to=2026-03-31").await.json();
    let months = site["items"].as_array().unwrap();
    assert_eq!(months.len(), 2);
    assert_eq!(months[1]["terms"][0]["term"], "received");
    let sieve = get("/v1/sieves/SV-7").await.json();
    assert_eq!(
        (&sieve["item"]["uses_total"], &sieve["item"]["oversize_percent"]),
        (&json!(2), &json!(null))
    );
    assert_eq!(get("/v1/sieves/SV-8").await.code(), "not-found");
    let economy = get("/v1/sites/north/economy?from=2026-03-01&to=2026-03-31").await.json();
    assert_eq!(economy["item"]["refresh"], Value::Null, "nothing was built");

    let picture = get("/v1/trace/picture?of=bin/3").await;
    assert_eq!(picture.header("content-type"), Some("image/svg+xml"));
    let svg = String::from_utf8(picture.body).unwrap();
    assert!(svg.contains("Where bin/3 came from") && svg.contains("lot/PA-1"), "{svg}");
    let data = get("/v1/trace/picture?of=lot/PA-1&direction=forward&format=json").await.json();
    assert_eq!(data["item"]["places_total"], 6, "{data}");

    let report = get("/v1/reports/lots/PA-1").await.json();
    assert_eq!(
        (&report["report"], &report["head"]["size"]),
        (&json!("lot"), &json!(bench.head().0))
    );
    assert_eq!(report["moves"][0]["entry"], first);
    let pdf = get("/v1/reports/lots/PA-1?format=pdf&lang=de").await;
    assert!(pdf.body.starts_with(b"%PDF-"), "{}", pdf.status);
    let csv = get("/v1/reports/lots/PA-1?format=csv").await;
    assert!(String::from_utf8(csv.body).unwrap().contains("section: moves"));
    assert_eq!(get("/v1/reports/lots/PA-2").await.code(), "not-found");
    // Powder crosses sites: a token of one site does not see where all of it went.
    let one = bench.token("op_q3hn9t7v", &[Quality], Some(&["north"]));
    let answer = bench.get("/v1/reports/lots/PA-1", &one).await;
    assert_eq!(answer.code(), "forbidden-site");
    let (way, json_body) = ("/v1/reports/lots/PA-1", [("content-type", "application/json")]);
    let refused = bench.post(way, &one, &json_body, "{}").await;
    assert_eq!(refused.code(), "forbidden-site");
    // Issued: told by the log, listed, and read again under its digest.
    let every = bench.token("op_q3hn9t7v", &[Quality], None);
    let issued = bench.post(way, &every, &json_body, "{}").await;
    assert_eq!(issued.status, 201);
    let issued = issued.json();
    assert_eq!((&issued["report"], &issued["lot"]), (&json!("lot"), &json!("PA-1")));
    let listed = bench.get("/v1/reports", &every).await.json();
    assert_eq!(listed["items"][0], issued);
    let digest = issued["digest"].as_str().unwrap();
    let again = bench.get(&format!("/v1/reports/{digest}"), &every).await;
    assert_eq!(Digest::of(&again.body).to_string(), digest);
    // The print carries what it takes to check it by itself.
    let print = bench.get(&format!("/v1/reports/{digest}?format=pdf"), &every).await.body;
    let carries = |name: &str| print.windows(name.len()).any(|at| at == name.as_bytes());
    assert!(carries("lot.json") && carries("lot.csv") && carries("evidence.zip"));
    bench.stop().await;
}
