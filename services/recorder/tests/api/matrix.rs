//! Roles and sites against every operation of the API description.

use std::collections::BTreeSet;

use recorder::authz::{Access, OPERATIONS, Operation};
use serde_json::Value;
use shopfloor::people::events::Role;

use crate::bench::{BATCH, Bench, EVENT, reading};

/// A minimal valid request of an operation: path and body. `None`: the operation has none here,
/// which must never be.
fn minimal(id: &str) -> Option<(&'static str, Option<(&'static str, String)>)> {
    // Without a body.
    let get = |path| Some((path, None));
    match id {
        // An empty batch: the right to send is what is asked for, not that to a type of event.
        "recordEvents" => Some(("/v1/events", Some((BATCH, "[]".to_owned())))),
        "readFeed" => get("/v1/feed"),
        "streamFeed" => get("/v1/feed/stream"),
        "readEntry" => get("/v1/entries/1"),
        "readStanding" => get("/v1/entries/1/standing"),
        "proveEntry" => get("/v1/entries/1/proof"),
        "proveConsistency" => get("/v1/proofs/consistency?from=1"),
        "readCheckpoint" => get("/log/checkpoint"),
        "readKeys" => get("/log/keys"),
        "readPolicy" => get("/log/policy"),
        "readAnchors" => get("/v1/anchors"),
        "readEntryTile" => get("/log/tile/entries/000.p/1"),
        "readHashTile" => get("/log/tile/0/000.p/1"),
        "listFindings" => get("/v1/findings"),
        "listCautions" => get("/v1/cautions"),
        "readCatalogue" => get("/v1/catalogue"),
        "listEquipment" => get("/v1/equipment"),
        "readMachine" => get("/v1/equipment/S-02"),
        "listDue" => get("/v1/due"),
        "readReadiness" => get("/v1/equipment/S-02/readiness"),
        "readHistory" => get("/v1/equipment/S-02/history"),
        "readScale" => get("/v1/equipment/S-02/scale"),
        "readPressure" => get("/v1/equipment/S-02/pressure"),
        "suggestPlan" => get("/v1/equipment/S-02/starter-plan"),
        "listParts" => get("/v1/parts"),
        "readPart" => get("/v1/parts/SV-1"),
        "readPartLives" => get("/v1/part-lives?kind=sieve"),
        "readPartStock" => get("/v1/part-stock?kind=sieve"),
        "listDustSurveys" => get("/v1/dust"),
        "listExposures" => get("/v1/exposures"),
        "listLots" => get("/v1/lots"),
        "readLot" => get("/v1/lots/PA-0417"),
        "listPlaces" => get("/v1/places"),
        "readPlace" => get("/v1/places/lot_container/LC-1"),
        "balancePlace" => get("/v1/places/lot_container/LC-1/balances"),
        "readBuild" => get("/v1/builds/B-1"),
        "balanceBuild" => get("/v1/builds/B-1/balance"),
        "balanceLot" => get("/v1/lots/PA-0417/balance"),
        "balanceBuilds" => get("/v1/balances/builds?from=2026-01-01&to=2026-12-31"),
        "balanceSite" => get("/v1/sites/north/balances?from=2026-01-01&to=2026-12-31"),
        "readEconomy" => get("/v1/sites/north/economy?from=2026-01-01&to=2026-12-31"),
        "readSieve" => get("/v1/sieves/SV-7"),
        "drawSample" => get("/v1/samples?of=entries&bad=1"),
        "drawTrace" => get("/v1/trace/picture?of=lot/PA-0417"),
        "compileLotReport" => get("/v1/reports/lots/PA-0417"),
        "traceBack" => get("/v1/trace/back?of=lot/PA-0417"),
        "traceForward" => get("/v1/trace/forward?of=lot/PA-0417"),
        "askImpact" => get("/v1/impact?suspect=lot/PA-0417"),
        "listContainers" => get("/v1/containers"),
        "readContainer" => get("/v1/containers/D-118"),
        "listShipments" => get("/v1/shipments"),
        "readShipment" => get("/v1/shipments/SH-1"),
        "listClocks" => get("/v1/clocks?site=north"),
        "listMonths" => get("/v1/months?site=north&from=2026-01-01&to=2026-12-31"),
        "printLabel" => get("/v1/containers/D-118/label"),
        "printCustodySheet" => get("/v1/shipments/SH-1/custody-sheet"),
        "listRetention" => get("/v1/retention?site=north"),
        "listKeptApart" => get("/v1/kept-apart?site=north"),
        "listRules" => get("/v1/rules?site=north"),
        "listPeople" => get("/v1/people"),
        "readPerson" => get("/v1/people/op_x"),
        "listDeviations" => get("/v1/deviations"),
        "listActions" => get("/v1/actions"),
        "listHandovers" => get("/v1/handovers"),
        "listIncidents" => get("/v1/incidents"),
        "listKeys" => get("/v1/keys"),
        "compileDisposalReport" => {
            get("/v1/reports/disposal?site=north&from=2026-01-01&to=2026-12-31")
        }
        "compileMaintenanceReport" => {
            get("/v1/reports/maintenance?site=north&from=2026-01-01&to=2026-12-31")
        }
        "issueDisposalReport" => Some((
            "/v1/reports/disposal",
            Some((
                "application/json",
                r#"{"site":"north","from":"2026-01-01","to":"2026-12-31"}"#.to_owned(),
            )),
        )),
        "issueMaintenanceReport" => Some((
            "/v1/reports/maintenance",
            Some((
                "application/json",
                r#"{"site":"north","from":"2026-01-01","to":"2026-12-31"}"#.to_owned(),
            )),
        )),
        "issueLotReport" => {
            Some(("/v1/reports/lots/PA-0417", Some(("application/json", "{}".to_owned()))))
        }
        "listReports" => get("/v1/reports"),
        "readReport" => {
            get("/v1/reports/0000000000000000000000000000000000000000000000000000000000000000")
        }
        "takeEvidence" => get("/v1/evidence"),
        "takeExcerpt" => get("/v1/excerpt?entries=1"),
        "proveReportLine" => get(
            "/v1/reports/0000000000000000000000000000000000000000000000000000000000000000/excerpt?line=/a",
        ),
        // Its own name for a person; a service names whom it stands for.
        "depositText" => {
            let body = r#"{"text":"x","operator":"op_x"}"#.to_owned();
            Some(("/v1/texts", Some(("application/json", body))))
        }
        "eraseText" => {
            let body = r#"{"reason":"on_request"}"#.to_owned();
            Some((
                "/v1/texts/0000000000000000000000000000000000000000000000000000000000000000/erasure",
                Some(("application/json", body)),
            ))
        }
        "keepIdentity" => {
            let body = r#"{"name":"Orsel Vandrim"}"#.to_owned();
            Some(("/v1/people/op_x/identity", Some(("application/json", body))))
        }
        "readIdentity" => get("/v1/people/op_x/identity"),
        "erasePerson" => {
            let body = r#"{"reason":"on_request"}"#.to_owned();
            Some(("/v1/people/op_nobody/erasure", Some(("application/json", body))))
        }
        "openText" => {
            get("/v1/texts/0000000000000000000000000000000000000000000000000000000000000000")
        }
        "listLogs" => get("/v1/logs"),
        "listDueEverywhere" => get("/v1/logs/due"),
        "listClocksEverywhere" => get("/v1/logs/clocks"),
        "listFindingsEverywhere" => get("/v1/logs/findings"),
        "findLotEverywhere" => get("/v1/logs/lots/PA-0417"),
        "readFollowedEntry" => get("/v1/logs/south/entries/0"),
        "proveFollowedEntry" => get("/v1/logs/south/entries/0/proof"),
        "listWebhooks" => get("/v1/webhooks"),
        "listDeadLetters" => get("/v1/webhooks/nobody/dead-letters"),
        "retryDeadLetter" => get("/v1/webhooks/nobody/dead-letters/1/retry"),
        "resumeWebhook" => get("/v1/webhooks/nobody/resume"),
        "readWebhookKeys" => get("/.well-known/jwks.json"),
        "live" => get("/healthz"),
        "ready" => get("/readyz"),
        "readMetrics" => get("/metrics"),
        _ => None,
    }
}

/// Every operation of the description: method and id.
fn described() -> BTreeSet<(String, String)> {
    let document = recorder::openapi::document();
    let mut found = BTreeSet::new();
    for methods in document["paths"].as_object().unwrap().values() {
        for (method, operation) in methods.as_object().unwrap() {
            let id = operation["operationId"].as_str().unwrap().to_owned();
            found.insert((method.to_uppercase(), id));
        }
    }
    found
}

#[test]
fn no_operation_is_left_out_of_the_table_or_of_the_matrix() {
    let rows: BTreeSet<_> =
        OPERATIONS.iter().map(|o| (o.method.to_owned(), o.id.to_owned())).collect();
    assert_eq!(described(), rows);
    let not_covered: Vec<String> =
        described().into_iter().map(|(_, id)| id).filter(|id| minimal(id).is_none()).collect();
    assert_eq!(not_covered, Vec::<String>::new());
}

async fn call(bench: &Bench, operation: &Operation, token: Option<&str>) -> u16 {
    let (path, body) = minimal(operation.id).unwrap();
    let mut request = bench.request(operation.method, path);
    if let Some(token) = token {
        request = request.bearer_auth(token);
    }
    if let Some((content_type, body)) = body {
        request = request.header("content-type", content_type).body(body);
    }
    // The body is not read: a stream has no end.
    request.send().await.unwrap().status().as_u16()
}

#[actix_web::test]
async fn every_role_may_do_what_its_rows_say_and_nothing_else() {
    let bench = Bench::start().await;
    bench.record(&bench.mes(), &reading("one", "1")).await;
    let mut pairs = 0;
    for (_, id) in described() {
        let operation = Operation::by_id(&id).unwrap();
        let open = operation.access == Access::Public;
        let none = call(&bench, operation, None).await;
        assert_eq!(none, if open { 200 } else { 401 }, "{id} without a token");
        let stranger = bench.token("op_x", &[], None);
        let stranger = call(&bench, operation, Some(&stranger)).await;
        assert_eq!(stranger == 403, !open, "{id} without a role: {stranger}");
        for role in Role::ALL {
            let subject = if *role == Role::Service { "svc_x" } else { "op_x" };
            let token = bench.token(subject, &[*role], None);
            let status = call(&bench, operation, Some(&token)).await;
            // 404: whoever may ask hears that the thing of the minimal request is not there.
            let may = matches!(status, 200 | 201 | 404);
            let refused = status == 403;
            let expected = operation.allows(&[*role]);
            assert_eq!((may, refused), (expected, !expected), "{id} as {role}: {status}");
            pairs += 1;
        }
    }
    assert_eq!(pairs, OPERATIONS.len() * Role::ALL.len());
    bench.stop().await;
}

#[actix_web::test]
async fn another_site_sees_what_is_not_there() {
    let bench = Bench::start().await;
    bench.record(&bench.mes(), &reading("one", "1")).await;
    let south = bench.token("op_x", &[Role::Lead], Some(&["south"]));
    let north = bench.token("op_x", &[Role::Lead], Some(&["north"]));
    for (yours, missing) in
        [("/v1/entries/1", "/v1/entries/7"), ("/v1/entries/1/standing", "/v1/entries/7/standing")]
    {
        assert_eq!(bench.get(yours, &north).await.status, 200, "{yours}");
        let (other, nothing) = (bench.get(yours, &south).await, bench.get(missing, &south).await);
        let body = |answer: &crate::bench::Answer| {
            let mut body = answer.json();
            body["instance"] = Value::Null;
            body
        };
        assert_eq!((other.status, body(&other)), (404, body(&nothing)), "{yours}");
    }
    bench.stop().await;
}

/// Every role, every operation that is read, another site: whoever has a token for `south` gets, from a
/// log full of what happened at `north`, what an empty log would answer, or a refusal.
#[actix_web::test]
async fn no_operation_tells_another_site_what_happened_here() {
    let (full, empty) = (Bench::start().await, Bench::start().await);
    crate::examples::tell(&full).await;
    // What is open to everybody, and what holds no more than hashes and numbers.
    let not_of_a_site =
        ["proveEntry", "proveConsistency", "readAnchors", "listCautions", "readCatalogue"];
    let plain = |answer: &crate::bench::Answer| {
        let Ok(mut body) = serde_json::from_slice::<Value>(&answer.body) else {
            return answer.body.clone();
        };
        for counted in ["as_of", "instance", "next_after"] {
            body.as_object_mut().map(|members| members.remove(counted));
        }
        body.to_string().into_bytes()
    };
    let asked: Vec<&(&str, &str)> = crate::examples::ASKED
        .iter()
        .filter(|(id, _)| {
            let operation = Operation::by_id(id).unwrap();
            operation.access != Access::Public && !not_of_a_site.contains(id)
        })
        .collect();
    let mut pairs = 0;
    for (id, path) in &asked {
        // The empty log has no ninth entry to stand at.
        let path = path.split("?as_of=").next().unwrap_or(path);
        for role in Role::ALL {
            let who = if *role == Role::Service { "svc_x" } else { "op_x" };
            let ask = async |bench: &Bench| {
                bench.get(path, &bench.token(who, &[*role], Some(&["south"]))).await
            };
            let (here, nothing) = (ask(&full).await, ask(&empty).await);
            assert_eq!(here.status, nothing.status, "{id} as {role}: {path}");
            let text = |answer| String::from_utf8_lossy(&plain(answer)).into_owned();
            assert_eq!(text(&here), text(&nothing), "{id} as {role}: {path}");
            pairs += 1;
        }
    }
    println!("{} operations, {pairs} pairs of operation and role from another site", asked.len());
    full.stop().await;
    empty.stop().await;
}

/// The catalogue's roles, by type of event.
#[actix_web::test]
async fn every_role_may_record_what_the_catalogue_says() {
    let bench = Bench::start().await;
    for role in Role::ALL {
        let service = *role == Role::Service;
        let token = bench.token(if service { "svc_x" } else { "op_x" }, &[*role], None);
        for kind in shopfloor::catalogue::CATALOGUE {
            // No data fits, so nothing is recorded; but what lacks the right is refused as such
            // only when the event can be read. So the check is on the function itself.
            let who = recorder::authn::Identity {
                subject: if service { "svc_x".into() } else { "op_x".into() },
                via: chain::entry::Via::Oidc,
                roles: vec![*role],
                sites: None,
                expires_s: i64::MAX,
                signed_in_s: None,
                acr: None,
            };
            let envelope = shopfloor::Envelope {
                id: "1".into(),
                source: "/x".into(),
                name: kind.name.into(),
                subject: "equipment/S-02".parse().unwrap(),
                time: None,
                site: None,
                operator: None,
                late_reason: None,
            };
            let may = recorder::authz::may_record(&who, &envelope, kind).is_ok();
            assert_eq!(may, kind.roles.contains(role), "{} as {role}", kind.name);
        }
        let answer = bench
            .post("/v1/events", &token, &[("content-type", EVENT)], reading("x", "1").to_string())
            .await;
        let may =
            shopfloor::catalogue::kind_of("meter.read").unwrap().roles.contains(role) && service;
        assert_eq!(matches!(answer.status, 200 | 201), may, "as {role}: {}", answer.status);
    }
    bench.stop().await;
}
