//! Sending: every mode, idempotency, preferences, trial runs, batches as a whole.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as B64;
use chain::checkpoint::event_message;
use chain::note::{Ed25519Signer, Signer as _};
use ledger::sim::SimClock;
use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bad_input::gzip;
use crate::bench::{BATCH, Bench, EVENT, NOON_MS, on_disk, reading, with_index_on_disk};

#[actix_web::test]
async fn one_event_in_every_mode_gets_one_receipt() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let event = reading("m1", "412.5");
    let first = bench.record(&token, &event).await;
    assert_eq!(first.status, 201, "{}", first.json());
    assert_eq!(first.header("location"), Some("/v1/entries/1"));
    let receipt = first.json();
    assert_eq!(receipt["origin"], "records.brackwater.example/test");
    assert_eq!(receipt["recorded_at"], "2026-03-05T12:00:00.000Z");

    let entry = bench.get("/v1/entries/1", &token).await;
    let leaf = chain::entry::leaf_hash(&entry.body).to_string();
    assert_eq!(receipt["leaf"], leaf, "the receipt names the hash of the bytes served");
    let before = bench.recorder.log.entry(0).unwrap().unwrap();
    assert_eq!(receipt["prev"], chain::entry::leaf_hash(&before).to_string());

    // White space, order of members, gzip, binary mode: the same event, the same receipt.
    let mut ce = vec![("content-type", "application/json".to_owned())];
    for (name, value) in event.as_object().unwrap() {
        if let Some(text) = value.as_str() {
            ce.push((leak(format!("ce-{name}")), text.replace('/', "%2F")));
        }
    }
    let ce: Vec<(&str, &str)> = ce.iter().map(|(n, v)| (*n, v.as_str())).collect();
    let again = [
        bench.record(&token, &event).await,
        bench.post("/v1/events", &token, &[("content-type", EVENT)], format!(" {event:#}\n")).await,
        bench
            .post(
                "/v1/events",
                &token,
                &[("content-type", EVENT), ("content-encoding", "gzip")],
                gzip(event.to_string().as_bytes()),
            )
            .await,
        bench.post("/v1/events", &token, &ce, event["data"].to_string()).await,
        bench
            .post(
                "/v1/events",
                &token,
                &[("content-type", "application/cloudevents+json; charset=UTF-8")],
                event.to_string(),
            )
            .await,
    ];
    for (n, answer) in again.iter().enumerate() {
        assert_eq!((answer.status, answer.json()), (200, receipt.clone()), "mode {n}");
    }
    assert_eq!(bench.recorder.log.size(), 2);
    bench.stop().await;
}

fn leak(text: String) -> &'static str {
    Box::leak(text.into_boxed_str())
}

/// security-tests.md H15.
#[actix_web::test]
async fn an_id_is_one_event_for_ever() {
    let _alone = with_index_on_disk().await;
    let bench = Bench::start_with(on_disk).await;
    let token = bench.mes();
    let event = reading("h15", "1.0");

    // In flight 64 times at once: one is recorded, all hear the same.
    let posts = (0..64).map(|_| bench.record(&token, &event));
    let answers = futures_util::future::join_all(posts).await;
    let recorded = answers.iter().filter(|answer| answer.status == 201).count();
    let known = answers.iter().filter(|answer| answer.status == 200).count();
    assert_eq!((recorded, known), (1, 63));
    let receipt = answers[0].json();
    assert!(answers.iter().all(|answer| answer.json()["leaf"] == receipt["leaf"]));

    let conflict = bench.record(&token, &reading("h15", "1.00")).await;
    assert_eq!((conflict.status, conflict.code().as_str()), (409, "id-reused"));
    assert_eq!(conflict.json()["seq"], 1);
    let other = bench.token("svc_other", &[Role::Service], None);
    assert_eq!(bench.record(&other, &event).await.status, 200, "from another client");
    let mut elsewhere = event.clone();
    elsewhere["source"] = json!("/mes/line-2");
    assert_eq!(bench.record(&token, &elsewhere).await.status, 201, "another source, another event");

    // After a restart, and after the index was deleted.
    let dir = bench.stop().await;
    let bench = Bench::start_in(dir, SimClock::new(NOON_MS + 1), on_disk).await;
    let after_restart = bench.record(&bench.mes(), &event).await;
    assert_eq!((after_restart.status, after_restart.json()), (200, receipt.clone()));
    let dir = bench.stop().await;
    std::fs::remove_dir_all(dir.path().join("data/index")).unwrap();
    let bench = Bench::start_in(dir, SimClock::new(NOON_MS + 2), on_disk).await;
    let without_index = bench.record(&bench.mes(), &event).await;
    assert_eq!((without_index.status, without_index.json()), (200, receipt));
    assert_eq!(bench.recorder.log.size(), 3, "one opening, two events");
    bench.stop().await;
}

#[actix_web::test]
async fn a_batch_has_a_result_for_each_event_in_its_order() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let mut wrong = reading("b2", "2");
    wrong["data"]["reading"]["unit"] = json!("furlong");
    let batch = json!([
        reading("b1", "1"),
        wrong,
        reading("b1", "1"),
        reading("b1", "9"),
        reading("b3", "3")
    ]);
    let answer =
        bench.post("/v1/events", &token, &[("content-type", BATCH)], batch.to_string()).await;
    let result = answer.json();
    assert_eq!(answer.status, 207, "{result}");
    assert_eq!((&result["recorded"], &result["refused"]), (&json!(3), &json!(2)));
    let statuses: Vec<&Value> =
        result["results"].as_array().unwrap().iter().map(|r| &r["status"]).collect();
    assert_eq!(statuses, [201, 422, 200, 409, 201]);
    assert_eq!(result["results"][1]["problem"]["pointer"], "/data/reading/unit");
    assert_eq!(result["results"][2]["receipt"]["seq"], result["results"][0]["receipt"]["seq"]);
    assert_eq!(result["results"][4]["receipt"]["seq"], 2);

    let good = json!([reading("b4", "4"), reading("b5", "5")]);
    let answer =
        bench.post("/v1/events", &token, &[("content-type", BATCH)], good.to_string()).await;
    assert_eq!((answer.status, &answer.json()["recorded"]), (200, &json!(2)));
    let empty = bench.post("/v1/events", &token, &[("content-type", BATCH)], "[]").await;
    assert_eq!((empty.status, &empty.json()["recorded"]), (200, &json!(0)));
    bench.stop().await;
}

/// An event an hour ahead of the clock, which breaks a rule that stops.
fn from_the_future(id: &str) -> Value {
    let mut event = reading(id, "7");
    event["time"] = json!("2026-03-05T13:00:00Z");
    event
}

/// A client whose clock is ahead learns by how much, from the answer to the event itself; the time the
/// log took as now stands beside it.
#[actix_web::test]
async fn a_client_whose_clock_is_ahead_is_told_by_how_many_minutes() {
    let bench = Bench::start().await;
    let token = bench.mes();
    // The log's clock stands at 12:00. Five minutes are the tolerance.
    for (time, minutes) in [
        ("2026-03-05T11:40:00Z", None),
        ("2026-03-05T12:05:00Z", None),
        ("2026-03-05T12:05:00.001Z", Some(5)),
        ("2026-03-05T15:02:30+01:00", Some(122)),
    ] {
        let mut event = reading(time, "7");
        event["time"] = json!(time);
        let told = bench.record(&token, &event).await.json();
        assert_eq!(told["recorded_at"], "2026-03-05T12:00:00.000Z", "{told}");
        let hints: Vec<&str> = told["findings"]
            .as_array()
            .into_iter()
            .flatten()
            .filter(|finding| finding["rule"] == "record.in_the_future")
            .filter_map(|finding| finding["detail"].as_str())
            .collect();
        let hint = minutes.map(|n| format!("the work lies {n} min ahead of the log's clock"));
        assert_eq!(hints, Vec::from_iter(hint.as_deref()), "{time}: {told}");
    }
    bench.stop().await;
}

#[actix_web::test]
async fn strict_handling_stops_before_anything_is_written_but_the_attempt() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let strict = [("content-type", EVENT), ("prefer", "handling=strict")];
    let event = from_the_future("s1");

    let answer = bench.post("/v1/events", &token, &strict, event.to_string()).await;
    let problem = answer.json();
    assert_eq!((answer.status, answer.code().as_str()), (409, "stopped"), "{problem}");
    assert_eq!(problem["findings"][0]["rule"], "record.in_the_future");
    assert!(problem["findings"][0]["source"].as_str().is_some_and(|source| !source.is_empty()));
    assert_eq!(bench.names(1), ["attempt.refused"]);
    assert_eq!(problem["seq"], 1, "the entry of the attempt");

    // Without strict handling the same event is recorded, and the finding told.
    let answer = bench.record(&token, &event).await;
    assert_eq!(answer.status, 201, "{}", answer.json());
    assert_eq!(answer.json()["findings"][0]["rule"], "record.in_the_future");
    let good = bench.post("/v1/events", &token, &strict, reading("s2", "1").to_string()).await;
    assert_eq!((good.status, good.header("preference-applied")), (201, Some("handling=strict")));
    bench.stop().await;
}

#[actix_web::test]
async fn a_trial_run_tells_the_findings_and_writes_nothing() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let head = bench.head();
    let trial = async |event: &Value| {
        let headers = [("content-type", EVENT)];
        bench.post("/v1/events?dry_run=true", &token, &headers, event.to_string()).await
    };
    let answer = trial(&from_the_future("t1")).await;
    assert_eq!(answer.status, 200, "{}", answer.json());
    let told = answer.json();
    assert_eq!((&told["dry_run"], &told["would_stop"]), (&json!(true), &json!(true)));
    assert_eq!(told["findings"][0]["rule"], "record.in_the_future");
    assert_eq!(trial(&reading("t2", "1")).await.json()["would_stop"], false);
    assert_eq!(bench.head(), head);

    bench.record(&token, &reading("t3", "1")).await;
    assert_eq!(trial(&reading("t3", "1")).await.json()["seq"], 1, "known: the first receipt");
    assert_eq!(trial(&reading("t3", "2")).await.code(), "id-reused");
    let wrong =
        bench.post("/v1/events?dry_run=maybe", &token, &[("content-type", EVENT)], "{}").await;
    assert_eq!(wrong.code(), "bad-parameter");
    bench.stop().await;
}

#[actix_web::test]
async fn a_whole_batch_is_recorded_or_refused_as_one() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let send = async |events: &Value, prefer: &str| {
        let headers = [("content-type", BATCH), ("prefer", prefer)];
        bench.post("/v1/events", &token, &headers, events.to_string()).await
    };
    let whole = "pulverlog-batch=whole";
    let size = bench.recorder.log.size();

    // Unreadable, reused id, stopped: nothing of the batch is recorded.
    let mut wrong = reading("w2", "2");
    wrong["data"]["reading"]["unit"] = json!("furlong");
    for (name, bad, prefer, status, others) in [
        ("unreadable", wrong, whole.to_owned(), 422, 0),
        ("id used in the batch", reading("w1", "9"), whole.to_owned(), 409, 0),
        ("stopped", from_the_future("w2"), format!("{whole}, handling=strict"), 409, 1),
    ] {
        let from = bench.recorder.log.size();
        let answer = send(&json!([reading("w1", "1"), bad, reading("w3", "3")]), &prefer).await;
        let result = answer.json();
        assert_eq!((answer.status, &result["recorded"]), (207, &json!(0)), "{name}: {result}");
        let results = result["results"].as_array().unwrap();
        let statuses: Vec<&Value> = results.iter().map(|r| &r["status"]).collect();
        assert_eq!(statuses, [409, status, 409], "{name}: {result}");
        let type_ = results[0]["problem"]["type"].as_str().unwrap();
        assert_eq!(type_, "urn:pulverlog:problem:batch-refused", "{name}");
        let attempts = bench.names(from);
        assert_eq!(attempts, vec!["attempt.refused"; others], "{name}");
    }
    assert_eq!(bench.recorder.log.size(), size + 1);

    let answer = send(&json!([reading("w1", "1"), reading("w2", "2")]), whole).await;
    assert_eq!((answer.status, &answer.json()["recorded"]), (200, &json!(2)));
    assert_eq!(answer.header("preference-applied"), Some(whole));
    let again = send(&json!([reading("w1", "1"), reading("w4", "4")]), whole).await;
    let statuses: Vec<Value> =
        again.json()["results"].as_array().unwrap().iter().map(|r| r["status"].clone()).collect();
    assert_eq!(statuses, [200, 201], "known events do not stand in the way");
    bench.stop().await;
}

#[actix_web::test]
async fn a_signature_of_an_enrolled_key_is_kept_with_the_event() {
    let bench = Bench::start().await;
    let signer = Ed25519Signer::new("terminal.north.example", &[7; 32]).unwrap();
    let sign = |signer: &Ed25519Signer, event: &Value| {
        // The canonical form of the profile is sorted compact JSON.
        let message =
            event_message("records.brackwater.example/test", event.to_string().as_bytes());
        let value = B64.encode(signer.sign(&message));
        format!("{};{value}", signer.verifier().label())
    };
    let event = reading("sig-1", "1");
    let send = async |signature: &str, event: &Value| {
        let headers = [("content-type", EVENT), ("pulverlog-signature", signature)];
        bench.post("/v1/events", &bench.mes(), &headers, event.to_string()).await
    };
    let signature = sign(&signer, &event);
    assert_eq!(send(&signature, &event).await.code(), "unknown-key");

    let admin = bench.token("op_admin", &[Role::Admin], None);
    let enrolment = json!({
        "specversion": "1.0", "id": "key-1", "source": "/admin",
        "type": "pulverlog.key.enrolled", "subject": "log/self", "time": "2026-03-05T12:00:00Z",
        "data": {
            "key": signer.vkey(), "usage": "client", "owner": "terminal-1", "approved_by": "op_lead",
        },
    });
    let enrolled = bench.record(&admin, &enrolment).await;
    assert_eq!(enrolled.status, 201, "{}", enrolled.json());
    // One person alone enrols nothing: the other one says so, with a sign-in of their own.
    assert_eq!(send(&signature, &event).await.code(), "unknown-key");
    let approve = async |person: &str, id: &str| {
        let approval = json!({
            "specversion": "1.0", "id": id, "source": "/office", "type": "pulverlog.entry.signed",
            "subject": format!("entry/{}", enrolled.json()["seq"]), "time": "2026-03-05T12:00:00Z",
            "data": { "meaning": "approved" },
        });
        let token = bench.token(person, &[Role::Lead], None);
        let answer = bench.record(&token, &approval).await;
        assert_eq!(answer.status, 201, "{}", answer.json());
    };
    approve("op_other", "a1").await;
    assert_eq!(send(&signature, &event).await.code(), "unknown-key", "not who was named");
    approve("op_lead", "a2").await;
    let auditor = bench.token("op_audit", &[Role::Auditor], None);
    let listed = bench.get("/v1/keys", &auditor).await.json();
    let seq = &enrolled.json()["seq"];
    let two = json!({
        "entry": seq, "by": "op_admin", "approver": "op_lead",
        "approved_in": seq.as_u64().unwrap() + 2,
    });
    let told = json!({
        "key": signer.vkey(), "usage": "client", "owner": "terminal-1", "in_force": true,
        "enrolled": two,
    });
    assert_eq!(listed["items"], json!([told]));
    let recorded = send(&signature, &event).await;
    assert_eq!(recorded.status, 201, "{}", recorded.json());
    let path = format!("/v1/entries/{}", recorded.json()["seq"]);
    let entry = bench.get(&path, &bench.mes()).await.json();
    assert_eq!(entry["sig"]["by"], signer.verifier().label());
    let other = reading("sig-2", "2");
    assert_eq!(send(&signature, &other).await.code(), "bad-signature");
    let keys = bench.get("/log/keys", "").await;
    assert!(String::from_utf8(keys.body).unwrap().contains(&signer.vkey()));

    // Signed for another log: replayed here it is no signature.
    let event = reading("sig-3", "3");
    let message = event_message("records.elsewhere.example/log", event.to_string().as_bytes());
    let elsewhere = format!("{};{}", signer.verifier().label(), B64.encode(signer.sign(&message)));
    assert_eq!(send(&elsewhere, &event).await.code(), "bad-signature");

    // A revocation counts at once.
    let revocation = json!({
        "specversion": "1.0", "id": "key-2", "source": "/admin", "type": "pulverlog.key.revoked",
        "subject": "log/self", "time": "2026-03-05T12:00:00Z",
        "data": { "key": signer.vkey(), "reason": "stolen", "approved_by": "op_lead" },
    });
    assert_eq!(bench.record(&admin, &revocation).await.status, 201);
    let key = bench.get("/v1/keys", &auditor).await.json()["items"][0].clone();
    assert_eq!((&key["in_force"], &key["revoked"]["by"]), (&json!(false), &json!("op_admin")));
    assert_eq!(key["revoked"]["suspect_from"], key["revoked"]["entry"], "none was named");
    assert_eq!(send(&sign(&signer, &event), &event).await.code(), "unknown-key");
    bench.stop().await;
}

#[actix_web::test]
async fn a_key_that_protects_nothing_is_not_enrolled() {
    let bench = Bench::start().await;
    let admin = bench.token("op_admin", &[Role::Admin], None);
    let enrol = async |key: &str, usage: &str, approver: &str| {
        let enrolment = json!({
            "specversion": "1.0", "id": "key-1", "source": "/admin",
            "type": "pulverlog.key.enrolled", "subject": "log/self",
            "time": "2026-03-05T12:00:00Z",
            "data": { "key": key, "usage": usage, "owner": "terminal-1", "approved_by": approver },
        });
        let answer = bench.record(&admin, &enrolment).await.json();
        (answer["status"].as_u64(), answer["pointer"].as_str().unwrap_or_default().to_owned())
    };
    let vkey = |kind: u8, point: [u8; 32]| {
        let name = "terminal-1";
        let data = [&[kind][..], &point].concat();
        let id = chain::Digest::of(&[name.as_bytes(), b"\n", &data].concat()).to_string();
        format!("{name}+{}+{}", &id[..8], B64.encode(data))
    };
    let mut identity = [0; 32];
    identity[0] = 1;
    // y = 1 in the spelling y + p, where p = 2^255 - 19: a point of order 1 and not canonical.
    let mut other_spelling = [0xff; 32];
    (other_spelling[0], other_spelling[31]) = (0xee, 0x7f);
    let good = *Ed25519Signer::new("terminal-1", &[7; 32]).unwrap().verifier().public();
    let own = bench.recorder.log.key().to_string();
    for (key, usage, approver, at) in [
        (vkey(1, identity), "client", "op_lead", "/data/key"),
        (vkey(1, other_spelling), "client", "op_lead", "/data/key"),
        (vkey(1, [2; 32]), "client", "op_lead", "/data/key"),
        (vkey(4, good), "client", "op_lead", "/data/key"),
        (vkey(1, good).replace('A', "B"), "client", "op_lead", "/data/key"),
        (own, "log", "op_lead", "/data/key"),
        (vkey(1, good), "client", "op_admin", "/data/approved_by"),
    ] {
        assert_eq!(enrol(&key, usage, approver).await, (Some(422), at.to_owned()), "{key}");
    }
    assert_eq!(bench.recorder.log.size(), 1, "nothing was recorded");
    assert_eq!(enrol(&vkey(1, good), "client", "op_lead").await, (None, String::new()));
    bench.stop().await;
}

#[actix_web::test]
async fn a_client_that_asks_too_fast_is_told_to_wait_and_others_are_served() {
    let bench = Bench::start_with(|config| {
        config.limits.requests_per_s = 1;
        config.limits.requests_burst = 3;
    })
    .await;
    let fast = bench.mes();
    let mut statuses = Vec::new();
    for n in 0..6 {
        statuses.push(bench.record(&fast, &reading(&format!("f{n}"), "1")).await);
    }
    let limited = statuses.iter().find(|answer| answer.status == 429).expect("a limit");
    assert_eq!(limited.code(), "rate-limited");
    assert!(
        limited.header("retry-after").is_some_and(|seconds| seconds.parse::<u32>().unwrap() >= 1)
    );
    let other = bench.token("svc_calm", &[Role::Service], None);
    assert_eq!(bench.record(&other, &reading("calm", "1")).await.status, 201);
    bench.stop().await;
}
