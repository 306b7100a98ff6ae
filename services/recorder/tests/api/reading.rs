//! Reading: entries, feed, stream, proofs, texts, probes, and what every answer has in common.

use std::time::Duration;

use chain::Digest;
use chain::canon;
use chain::checkpoint::Checkpoint;
use chain::keys::Keys;
use chain::merkle::{leaf_hash, root_of, verify_consistency};
use chain::proof::TlogProof;
use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bench::{BATCH, Bench, reading};

/// Records `count` readings.
async fn fill(bench: &Bench, count: usize) {
    for (n, chunk) in (0..count).collect::<Vec<_>>().chunks(256).enumerate() {
        let events: Vec<Value> = chunk.iter().map(|i| reading(&format!("{n}-{i}"), "1")).collect();
        let body = Value::from(events).to_string();
        let answer = bench.post("/v1/events", &bench.mes(), &[("content-type", BATCH)], body).await;
        assert_eq!(answer.status, 200);
    }
}

#[actix_web::test]
async fn an_entry_is_proved_without_trusting_the_service() {
    let bench = Bench::start().await;
    fill(&bench, 600).await;
    let token = bench.mes();
    let keys = bench.get("/log/keys", "").await;
    let keys = Keys::parse(&keys.body).unwrap();
    for seq in [0_u64, 1, 255, 256, 600] {
        let entry = bench.get(&format!("/v1/entries/{seq}"), &token).await;
        assert!(canon::check(&entry.body).is_ok(), "entry {seq} is served as it was hashed");
        let proof = bench.get(&format!("/v1/entries/{seq}/proof"), &token).await;
        let proof = TlogProof::parse(&proof.body).unwrap();
        assert_eq!(proof.index, seq);
        let signed =
            proof.verify(&leaf_hash(&entry.body), std::slice::from_ref(&keys.log), None).unwrap();
        assert!(signed.checkpoint.size > seq);
    }
    assert_eq!(bench.get("/v1/entries/601/proof", &token).await.code(), "not-found");
    assert_eq!(bench.get("/v1/entries/601", &token).await.code(), "not-found");
    assert_eq!(bench.get("/v1/entries/x", &token).await.code(), "bad-parameter");

    // Tiles: the leaf hashes of the first 601 entries give the root that was signed.
    let note = bench.get("/log/checkpoint", "").await;
    let checkpoint = Checkpoint::open(&note.body, &[keys.log]).unwrap().checkpoint;
    assert_eq!(checkpoint.size, 601);
    let mut hashes = Vec::new();
    for tile in ["0/000", "0/001", "0/002.p/89"] {
        let answer = bench.get(&format!("/log/tile/{tile}"), "").await;
        assert_eq!(answer.status, 200, "{tile}");
        let (leaves, rest) = answer.body.as_chunks::<32>();
        assert!(rest.is_empty());
        hashes.extend(leaves.iter().map(|hash| Digest::from_bytes(*hash)));
        let caching = answer.header("cache-control").unwrap();
        assert_eq!(caching.contains("immutable"), !tile.contains(".p/"), "{tile}: {caching}");
    }
    assert_eq!(root_of(&hashes), checkpoint.root);
    let above = bench.get("/log/tile/1/000.p/2", "").await;
    assert_eq!(above.body.len(), 64);
    assert_eq!(bench.get("/log/tile/0/003", "").await.code(), "not-found");
    assert_eq!(bench.get("/log/tile/0/3", "").await.code(), "bad-parameter");

    let auditor = bench.token("op_audit", &[Role::Auditor], None);
    let bundle = bench.get("/log/tile/entries/000", &auditor).await;
    let tile: chain::tile::Tile = "tile/entries/000".parse().unwrap();
    assert_eq!(tile.entries(&bundle.body).unwrap().len(), 256);
    assert_eq!(bench.get("/log/tile/entries/000", &token).await.code(), "forbidden");
    let north = bench.token("op_audit", &[Role::Auditor], Some(&["north"]));
    assert_eq!(bench.get("/log/tile/entries/000", &north).await.code(), "forbidden-site");

    let proof = bench.get("/v1/proofs/consistency?from=200&to=601", "").await.json();
    let digest = |value: &Value| Digest::from_base64(value.as_str().unwrap()).unwrap();
    let path: Vec<Digest> = proof["hashes"].as_array().unwrap().iter().map(digest).collect();
    let (from, to) = (digest(&proof["from_root"]), digest(&proof["to_root"]));
    assert_eq!(to, checkpoint.root);
    assert_eq!(from, root_of(&hashes[..200]));
    verify_consistency(200, 601, &from, &to, &path).unwrap();
    for bad in
        ["from=0", "from=5&to=4", "from=1&to=602", "from=-1", "", "from=1&from=2", "from=1&x=2"]
    {
        let answer = bench.get(&format!("/v1/proofs/consistency?{bad}"), "").await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    bench.stop().await;
}

#[actix_web::test]
async fn the_feed_goes_on_without_gap_or_double() {
    let bench = Bench::start().await;
    fill(&bench, 300).await;
    let token = bench.mes();
    let (mut seen, mut after) = (Vec::new(), String::new());
    loop {
        let page = bench.get(&format!("/v1/feed?limit=64{after}"), &token).await.json();
        assert_eq!(page["as_of"], 301);
        for item in page["items"].as_array().unwrap() {
            seen.push(item["seq"].as_u64().unwrap());
            assert_eq!(item["entry"]["seq"], item["seq"]);
        }
        after = format!("&after={}", page["next_after"]);
        if page["more"] == false {
            break;
        }
    }
    assert_eq!(seen, (0..301).collect::<Vec<u64>>());

    // Filters; a filtered page goes on as well.
    let page = bench.get("/v1/feed?type=log.opened", &token).await.json();
    assert_eq!((page["items"].as_array().unwrap().len(), &page["next_after"]), (1, &json!(300)));
    for (filter, count) in [
        ("type=pulverlog.meter.read&limit=1000", 300),
        ("subject=equipment/S-02&limit=1000", 300),
        ("subject=equipment/S-03", 0),
        ("site=north&limit=1000", 300),
        ("site=south", 0),
    ] {
        let page = bench.get(&format!("/v1/feed?{filter}"), &token).await.json();
        assert_eq!(page["items"].as_array().unwrap().len(), count, "{filter}");
    }
    for bad in [
        "limit=0",
        "limit=1001",
        "limit=x",
        "after=301",
        "after=-1",
        "after=18446744073709551616",
        "type=meter.guessed",
        "subject=S-02",
        "site=a%20b",
        "wait_s=31",
        "colour=red",
    ] {
        let answer = bench.get(&format!("/v1/feed?{bad}"), &token).await;
        assert_eq!(answer.code(), "bad-parameter", "{bad}");
    }
    let south = bench.token("svc_south", &[Role::Service], Some(&["south"]));
    let page = bench.get("/v1/feed?limit=1000", &south).await.json();
    assert_eq!(page["items"].as_array().unwrap().len(), 0, "entries of other sites are left out");
    bench.stop().await;
}

#[actix_web::test]
async fn a_long_poll_is_answered_by_the_next_entry_and_by_the_end_of_its_time() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let waiting = bench.get("/v1/feed?after=0&wait_s=30", &token);
    let sending = async {
        // Not before the poll waits: that is what is to be shown.
        while bench.recorder.waiting() == 0 {
            tokio::task::yield_now().await;
        }
        bench.record(&token, &reading("news", "1")).await
    };
    let (page, _) =
        tokio::time::timeout(Duration::from_secs(20), futures_util::future::join(waiting, sending))
            .await
            .expect("the poll is answered long before its time is over");
    assert_eq!(page.json()["items"][0]["seq"], 1);
    let page = bench.get("/v1/feed?after=1&wait_s=1", &token).await.json();
    assert_eq!((page["items"].as_array().unwrap().len(), &page["next_after"]), (0, &json!(1)));
    bench.stop().await;
}

#[actix_web::test]
async fn a_stream_is_resumed_where_it_broke_off() {
    let bench = Bench::start().await;
    fill(&bench, 5).await;
    let token = bench.mes();
    let open = async |last: Option<&str>, query: &str| {
        let mut request =
            bench.request("GET", &format!("/v1/feed/stream{query}")).bearer_auth(&token);
        if let Some(last) = last {
            request = request.header("last-event-id", last);
        }
        request.send().await.unwrap()
    };
    /// Reads server-sent events until `count` came; returns ids and data.
    async fn events(response: &mut reqwest::Response, count: usize) -> Vec<(u64, Value)> {
        let mut text = String::new();
        while text.matches("\n\n").count() < count {
            let chunk = tokio::time::timeout(Duration::from_secs(20), response.chunk()).await;
            text.push_str(std::str::from_utf8(&chunk.unwrap().unwrap().unwrap()).unwrap());
        }
        let event = |block: &str| {
            let field = |name: &str| block.lines().find_map(|line| line.strip_prefix(name));
            assert_eq!(field("event: "), Some("entry"));
            let data: Value = serde_json::from_str(field("data: ").unwrap()).unwrap();
            (field("id: ").unwrap().parse().unwrap(), data)
        };
        text.trim_end().split("\n\n").map(event).collect()
    }
    let mut stream = open(None, "?type=meter.read").await;
    assert_eq!(stream.headers()["content-type"], "text/event-stream");
    let first = events(&mut stream, 5).await;
    assert_eq!(first.iter().map(|(id, _)| *id).collect::<Vec<_>>(), [1, 2, 3, 4, 5]);
    assert_eq!(first[0].1["seq"], 1);
    bench.record(&token, &reading("live", "1")).await;
    assert_eq!(events(&mut stream, 1).await[0].0, 6);
    drop(stream);
    let mut resumed = open(Some("4"), "?after=0").await;
    assert_eq!(events(&mut resumed, 2).await.iter().map(|(id, _)| *id).collect::<Vec<_>>(), [5, 6]);
    assert_eq!(open(Some("x"), "").await.status().as_u16(), 400);
    assert_eq!(open(Some("99"), "").await.status().as_u16(), 400);

    // When the service stops the stream ends by itself.
    bench.recorder.stop();
    let end = tokio::time::timeout(Duration::from_secs(20), resumed.chunk()).await.unwrap();
    assert!(matches!(end, Ok(None) | Err(_)));
    drop(resumed);
    bench.stop().await;
}

#[actix_web::test]
async fn what_became_of_an_entry_stands_beside_it() {
    let bench = Bench::start().await;
    let technician = bench.token("op_tech", &[Role::Technician], None);
    let mut event = reading("r1", "41.25");
    event.as_object_mut().unwrap().remove("operator");
    assert_eq!(bench.record(&technician, &event).await.status, 201);
    let about = |id: &str, type_: &str, data: Value| {
        json!({
            "specversion": "1.0", "id": id, "source": "/terminal/1", "type": type_,
            "subject": "entry/1", "time": "2026-03-05T12:00:00Z", "data": data,
        })
    };
    let signed = about("s1", "pulverlog.entry.signed", json!({ "meaning": "performed" }));
    assert_eq!(bench.record(&technician, &signed).await.status, 201);
    let standing = bench.get("/v1/entries/1/standing", &technician).await.json();
    assert_eq!(
        (&standing["as_of"], standing["signatures"].as_array().unwrap().len()),
        (&json!(3), 1)
    );
    let right = json!({ "meter": "run", "reading": { "value": "412.5", "unit": "h" } });
    let corrected = about(
        "c1",
        "pulverlog.entry.corrected",
        json!({
            "reason": "mis_read", "approver": "op_lead", "data": right,
        }),
    );
    let answer = bench.record(&technician, &corrected).await;
    assert_eq!(answer.status, 201, "{}", answer.json());
    let standing = bench.get("/v1/entries/1/standing", &technician).await.json();
    assert_eq!(standing["signatures"], json!([]), "a corrected entry counts as unsigned");
    assert_eq!(standing["amendments"][0]["data"], right);
    assert_eq!(standing["amendments"][0]["by"], 3);
    let entry = bench.get("/v1/entries/1", &technician).await.json();
    assert_eq!(
        entry["event"]["data"]["reading"]["value"], "41.25",
        "the entry itself never changes"
    );
    bench.stop().await;
}

/// 21 CFR 11.200(a)(1): two components at signing. A token tells when its person gave them.
#[actix_web::test]
async fn a_session_that_was_left_open_signs_nothing() {
    let bench = Bench::start().await;
    assert_eq!(bench.record(&bench.mes(), &reading("r1", "1")).await.status, 201);
    let lead = bench.token("op_lead", &[Role::Lead], None);
    let signed = |meaning: &str| {
        json!({
            "specversion": "1.0", "id": meaning, "source": "/office",
            "type": "pulverlog.entry.signed", "subject": "entry/1",
            "time": "2026-03-05T12:00:00Z", "data": { "meaning": meaning },
        })
    };
    assert_eq!(bench.record(&lead, &signed("verified")).await.status, 201);
    bench.clock.jump(301_000);
    let answer = bench.record(&lead, &signed("reviewed")).await;
    assert_eq!((answer.status, answer.code()), (401, "sign-in-stale".to_owned()));
    let challenge = answer.header("www-authenticate").unwrap();
    assert_eq!(challenge, "Bearer error=\"insufficient_user_authentication\", max_age=300");
    assert_eq!(bench.get("/v1/entries/1", &lead).await.status, 200, "the token is still good");
    // Signed in again, the same event is taken.
    let again = bench.token("op_lead", &[Role::Lead], None);
    assert_eq!(bench.record(&again, &signed("reviewed")).await.status, 201);
    let standing = bench.get("/v1/entries/1/standing", &lead).await.json();
    let told =
        |of: &str| standing["signatures"].as_array().unwrap().iter().any(|s| s["meaning"] == of);
    assert!(told("verified") && told("reviewed"), "{standing}");
    bench.stop().await;
}

/// RFC 9470 section 3, ASVS 5.0 10.3.4: who signs must have signed in the way this log asks for.
#[actix_web::test]
async fn a_signature_needs_a_sign_in_as_strong_as_configured() {
    let acr = ["two-factors".to_owned(), "smart-card".to_owned()];
    let bench = Bench::start_with(|config| config.auth.sign_acr = acr.into()).await;
    assert_eq!(bench.record(&bench.mes(), &reading("r1", "1")).await.status, 201);
    let now_s = 1_772_712_000;
    let token = |acr: Option<Value>| {
        let mut claims = json!({
            "iss": recorder::authn::local::ISSUER, "sub": "op_lead", "aud": "pulverlog", "iat": now_s,
            "exp": now_s + 3_600, "roles": ["lead"],
        });
        if let Some(acr) = acr {
            claims["acr"] = acr;
        }
        let kid = bench.issuer.jwks()["keys"][0]["kid"].clone();
        bench.issuer.sign(&json!({ "alg": "EdDSA", "kid": kid, "typ": "at+jwt" }), &claims)
    };
    let signature = json!({
        "specversion": "1.0", "id": "s", "source": "/office", "type": "pulverlog.entry.signed",
        "subject": "entry/1", "time": "2026-03-05T12:00:00Z", "data": { "meaning": "verified" },
    });
    for weak in [None, Some(json!("password"))] {
        let token = token(weak);
        let answer = bench.record(&token, &signature).await;
        assert_eq!((answer.status, answer.code()), (401, "sign-in-stale".to_owned()));
        let challenge = answer.header("www-authenticate").unwrap();
        let wanted = "Bearer error=\"insufficient_user_authentication\", acr_values=\"two-factors \
                      smart-card\"";
        assert_eq!(challenge, wanted);
        assert_eq!(bench.get("/v1/entries/1", &token).await.status, 200, "good for all else");
    }
    let odd = bench.record(&token(Some(json!(["smart-card"]))), &signature).await;
    assert_eq!(
        (odd.status, odd.code()),
        (401, "unauthenticated".to_owned()),
        "`acr` is one string"
    );
    let strong = bench.record(&token(Some(json!("smart-card"))), &signature).await;
    assert_eq!(strong.status, 201, "{}", strong.json());
    bench.stop().await;
}

/// 21 CFR 11.10(j): under strict handling nobody signs who has not acknowledged the policy in force;
/// otherwise the signature is kept and the lack told.
#[actix_web::test]
async fn who_has_not_acknowledged_the_policy_on_signatures_is_told_what_to_do() {
    let bench = Bench::start().await;
    assert_eq!(bench.record(&bench.mes(), &reading("r1", "1")).await.status, 201);
    let office = |id: &str, name: &str, subject: &str, data: Value| {
        json!({
            "specversion": "1.0", "id": id, "source": "/office", "type": format!("pulverlog.{name}"),
            "subject": subject, "time": "2026-03-05T12:00:00Z", "data": data,
        })
    };
    let policy = json!({ "version": "SP-1", "document": "a".repeat(64) });
    let settings = json!({ "signing_policy": policy, "reason": "first_settings" });
    let admin = bench.token("op_admin", &[Role::Admin], None);
    let set = bench.record(&admin, &office("c", "config.changed", "site/north", settings)).await;
    assert_eq!(set.status, 201, "{}", set.json());

    let lead = bench.token("op_lead", &[Role::Lead], None);
    let sign = async |id: &str, prefer: &str| {
        let event = office(id, "entry.signed", "entry/1", json!({ "meaning": "verified" }));
        let headers = [("content-type", "application/cloudevents+json"), ("prefer", prefer)];
        bench.post("/v1/events", &lead, &headers, event.to_string()).await
    };
    let rule = "record.signing_policy_not_acknowledged";
    let stopped = sign("s1", "handling=strict").await;
    assert_eq!((stopped.status, stopped.code()), (409, "stopped".to_owned()));
    let finding = &stopped.json()["findings"][0];
    assert_eq!(finding["rule"], rule);
    let told = finding["detail"].as_str().unwrap();
    assert!(told.contains("record `signing_policy.acknowledged` about `person/op_lead`"), "{told}");
    let kept = sign("s2", "handling=lenient").await;
    assert_eq!((kept.status, &kept.json()["findings"][0]["rule"]), (201, &json!(rule)));

    let data = json!({ "policy": policy });
    let acknowledged = office("a", "signing_policy.acknowledged", "person/op_lead", data);
    let answer = bench.record(&lead, &acknowledged).await;
    assert_eq!(answer.status, 201, "{}", answer.json());
    let signed = sign("s3", "handling=strict").await;
    let told = signed.json();
    assert_eq!(signed.status, 201, "{told}");
    assert!(told["findings"].as_array().is_none_or(Vec::is_empty), "{told}");
    bench.stop().await;
}

#[actix_web::test]
async fn free_text_lies_beside_the_log() {
    let bench = Bench::start().await;
    let technician = bench.token("op_tech", &[Role::Technician], None);
    let json_type = [("content-type", "application/json")];
    let deposit = async |body: Value| {
        bench.post("/v1/texts", &technician, &json_type, body.to_string()).await
    };
    let kept = deposit(json!({ "text": "the lid was loose" })).await;
    assert_eq!(kept.status, 201, "{}", kept.json());
    let path = kept.header("location").unwrap().to_owned();
    assert_eq!(bench.get(&path, &technician).await.code(), "forbidden");
    let lead = bench.token("op_lead", &[Role::Lead], None);
    let opened = bench.get(&path, &lead).await.json();
    assert_eq!((&opened["text"], &opened["by"]), (&json!("the lid was loose"), &json!("op_tech")));
    assert_eq!(opened["c"], kept.json()["c"]);

    // With a salt of the client's own the commitment is known beforehand.
    let salt = "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=";
    let own = deposit(json!({ "text": "x", "salt": salt })).await.json();
    let expected = chain::Digest::of(&[&[0; 32][..], b"x"].concat());
    assert_eq!(own["c"], expected.to_base64());
    for (body, code, at) in [
        (json!({}), "missing-member", ""),
        (json!({ "text": "" }), "invalid-value", "/text"),
        (json!({ "text": "ä".repeat(4_001) }), "invalid-value", "/text"),
        (json!({ "text": 7 }), "wrong-type", "/text"),
        (json!({ "text": "x", "salt": "AAAA" }), "invalid-value", "/salt"),
        (json!({ "text": "x", "colour": "red" }), "unknown-member", "/colour"),
    ] {
        let answer = deposit(body).await;
        assert_eq!((answer.code().as_str(), &answer.json()["pointer"]), (code, &json!(at)));
    }
    let missing = format!("/v1/texts/{}", "0".repeat(64));
    assert_eq!(bench.get(&missing, &lead).await.code(), "not-found");
    assert_eq!(bench.get("/v1/texts/abc", &lead).await.code(), "bad-parameter");
    assert_eq!(bench.names(1), ["access.refused"], "a text makes no entry");
    bench.stop().await;
}

#[actix_web::test]
async fn answers_have_safe_headers_and_unknown_addresses_are_problems() {
    let bench = Bench::start().await;
    let token = bench.mes();
    for (method, path, status) in [
        ("GET", "/v1/events", 405),
        ("DELETE", "/v1/entries/0", 405),
        ("TRACE", "/log/checkpoint", 405),
        ("PATCH", "/v1/texts", 405),
        ("GET", "/v1/nothing", 404),
        ("GET", "/v1", 404),
        ("POST", "/log", 404),
        ("GET", "/log/%2e%2e/%2e%2e/etc/passwd", 404),
        ("GET", "/healthz", 200),
        ("GET", "/readyz", 200),
        ("HEAD", "/log/checkpoint", 200),
    ] {
        let response = bench.request(method, path).bearer_auth(&token).send().await.unwrap();
        let answer = crate::bench::Answer::of(response).await;
        assert_eq!(answer.status, status, "{method} {path}");
        if status == 405 {
            let allow = answer.header("allow").unwrap();
            assert!(!allow.contains(method), "{method} {path}: {allow}");
        }
        if status >= 400 {
            answer.code();
        }
        for (name, value) in [
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "no-referrer"),
            ("x-frame-options", "DENY"),
        ] {
            assert_eq!(answer.header(name), Some(value), "{method} {path}: {name}");
        }
        assert!(
            answer.header("content-security-policy").unwrap().contains("frame-ancestors 'none'")
        );
        assert_eq!(answer.header("server"), None, "no banner");
        assert_eq!(answer.header("access-control-allow-origin"), None);
        if path.starts_with("/v1") {
            assert_eq!(answer.header("cache-control"), Some("no-store"), "{path}");
        }
    }
    bench.stop().await;
}

/// Threat-model window D: what somebody who holds the log key could still rewrite, in entries and in time,
/// is the same figure wherever it is shown.
#[actix_web::test]
async fn how_long_nobody_outside_has_covered_the_log_is_told_in_seconds() {
    let bench = Bench::start().await;
    for (later_s, so_far_s) in [(0, 0), (89, 89), (3_600, 3_689)] {
        bench.clock.jump(later_s * 1_000);
        let admin = bench.token("op_admin", &[Role::Admin], None);
        let auditor = bench.token("op_audit", &[Role::Auditor], None);
        let metrics = bench.get("/metrics", &admin).await;
        let metrics = String::from_utf8(metrics.body).unwrap();
        let series = format!("pulverlog_uncovered_seconds {so_far_s}");
        assert!(metrics.lines().any(|line| line == series), "{series}: {metrics}");
        let anchors = bench.get("/v1/anchors", &auditor).await.json();
        assert_eq!(anchors["uncovered_s"], so_far_s, "{anchors}");
        assert_eq!(anchors["uncovered_since"], "2026-03-05T12:00:00.000Z", "{anchors}");
    }
    bench.stop().await;
}
