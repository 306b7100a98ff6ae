//! Waste over HTTP: no double booking however many ask at once, labels and custody sheets to print,
//! values of law with what a site set.

use futures_util::future::join_all;
use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bench::{Answer, Bench, EVENT};

/// Clients that act at the same moment.
const CLIENTS: usize = 64;

/// An event at site `north`, done a few minutes before the bench's noon.
fn event(id: &str, name: &str, subject: &str, data: Value) -> Value {
    json!({
        "specversion": "1.0", "id": id, "source": "/mes/line-1",
        "type": format!("pulverlog.{name}"), "subject": subject, "site": "north",
        "time": "2026-03-05T12:55:00+01:00", "operator": "op_k7", "data": data,
    })
}

fn kg(digits: &str) -> Value {
    json!({ "value": digits, "unit": "kg" })
}

/// Somebody who works on the floor and answers for waste.
fn ehs(bench: &Bench) -> String {
    bench.token("op_k7", &[Role::Ehs, Role::Technician], None)
}

/// A stream, and drums of it that stand open in the central area with 10 kg each.
async fn drums(bench: &Bench, drums: usize) {
    let token = ehs(bench);
    let mut all = vec![event(
        "s",
        "stream.determined",
        "stream/PA-DUST",
        json!({
            "material": "PA12", "description": "dust and filters", "determination": "hazardous",
            "codes": { "rcra": ["D001"] }, "decided_by": "op_k7", "basis": "knowledge",
            "jurisdiction": "us",
        }),
    )];
    for n in 0..drums {
        let subject = format!("container/D-{n}");
        all.push(event(
            &format!("o{n}"),
            "container.opened",
            &subject,
            json!({ "stream": "PA-DUST", "tare": kg("9.80"), "area": "central", "location": "CAA-1" }),
        ));
        let powder = json!({ "what": "powder", "mass": kg("10.00"), "checks": [] });
        all.push(event(&format!("p{n}"), "waste.added", &subject, powder));
    }
    for event in all {
        let answer = bench.record(&token, &event).await;
        assert_eq!(answer.status, 201, "{}", answer.json());
    }
}

/// The same bag into a drum of its own for each client.
fn bag(client: usize) -> Value {
    let data = json!({ "what": "vacuum_bag", "item": "B-1", "mass": kg("3.00"), "checks": [] });
    event(&format!("bag-{client}"), "waste.added", &format!("container/D-{client}"), data)
}

/// The same drum on a shipment of its own for each client.
fn shipment(client: usize) -> Value {
    let data = json!({
        "document": { "kind": "manifest", "number": format!("{client:09}ABC") },
        "containers": ["D-0"], "transporter": "TR-1", "facility": "FA-1", "offered_by": "op_k7",
    });
    event(&format!("ship-{client}"), "shipment.offered", &format!("shipment/S-{client}"), data)
}

/// Every client posts at once, each over a connection of its own.
async fn at_once(bench: &Bench, what: fn(usize) -> Value, strict: bool) -> Vec<Answer> {
    let token = ehs(bench);
    let posts = (0..CLIENTS).map(|client| {
        let (http, token) = (reqwest::Client::new(), token.clone());
        let mut request = http
            .post(format!("{}/v1/events", bench.base))
            .bearer_auth(token)
            .header("content-type", EVENT)
            .body(what(client).to_string());
        if strict {
            request = request.header("prefer", "handling=strict");
        }
        async move { Answer::of(request.send().await.unwrap()).await }
    });
    join_all(posts).await
}

fn rules(findings: &Value) -> Vec<&str> {
    findings.as_array().into_iter().flatten().filter_map(|f| f["rule"].as_str()).collect()
}

/// Exactly one client wins; every other is told 409 with the rule and the entry of the winner.
async fn one_wins(bench: &Bench, what: fn(usize) -> Value, rule: &str) -> (u64, Vec<Answer>) {
    let from = bench.recorder.log.size();
    let answers = at_once(bench, what, true).await;
    let won: Vec<&Answer> = answers.iter().filter(|answer| answer.status == 201).collect();
    assert_eq!(won.len(), 1, "{:?}", answers.iter().map(|a| a.status).collect::<Vec<_>>());
    let winner = won[0].json()["seq"].as_u64().unwrap();
    for answer in answers.iter().filter(|answer| answer.status != 201) {
        let problem = answer.json();
        assert_eq!((answer.status, answer.code().as_str()), (409, "stopped"), "{problem}");
        assert!(rules(&problem["findings"]).contains(&rule), "{problem}");
        let entries = problem["findings"].as_array().unwrap().iter();
        let named = entries.flat_map(|f| f["entries"].as_array().unwrap().clone());
        assert!(named.into_iter().any(|seq| seq == winner), "{problem}");
    }
    // One fact, and every attempt that was stopped.
    let names = bench.names(from);
    let stopped = names.iter().filter(|name| *name == "attempt.refused").count();
    assert_eq!((names.len(), stopped), (CLIENTS, CLIENTS - 1));
    (winner, answers)
}

/// All are kept; all but the first are told the contradiction.
async fn all_but_one_found(bench: &Bench, what: fn(usize) -> Value, rule: &str) {
    let answers = at_once(bench, what, false).await;
    assert!(answers.iter().all(|answer| answer.status == 201), "facts are kept");
    let told = answers.iter().filter(|a| rules(&a.json()["findings"]).contains(&rule)).count();
    assert_eq!(told, CLIENTS - 1);
}

#[actix_web::test]
async fn of_64_clients_one_puts_the_same_bag_into_a_drum() {
    let bench = Bench::start().await;
    drums(&bench, CLIENTS).await;
    one_wins(&bench, bag, "waste.item_in_two_containers").await;
    // 64 x 10 kg and one bag: nothing was counted twice.
    let months = "/v1/months?site=north&from=2026-03-01&to=2026-03-31";
    let token = ehs(&bench);
    let month = bench.get(months, &token).await.json();
    assert_eq!(month["items"][0]["non_acute_kg"], "643.00", "{month}");
    bench.stop().await;
}

#[actix_web::test]
async fn of_64_clients_one_puts_the_same_drum_on_a_shipment() {
    let bench = Bench::start().await;
    drums(&bench, 1).await;
    for (name, data) in [
        ("container.closed", json!({ "checks": [] })),
        ("container.weighed", json!({ "gross": kg("19.80"), "scale": "SC-1" })),
    ] {
        let answer = bench.record(&ehs(&bench), &event(name, name, "container/D-0", data)).await;
        assert_eq!(answer.status, 201, "{}", answer.json());
    }
    let (winner, _) = one_wins(&bench, shipment, "waste.on_two_shipments").await;
    let shipments = bench.get("/v1/shipments", &ehs(&bench)).await.json();
    let items = shipments["items"].as_array().unwrap();
    assert_eq!((items.len(), &items[0]["entry"]), (1, &json!(winner)));
    bench.stop().await;
}

#[actix_web::test]
async fn without_strict_handling_64_clients_are_recorded_and_63_are_found() {
    let bench = Bench::start().await;
    drums(&bench, CLIENTS).await;
    all_but_one_found(&bench, bag, "waste.item_in_two_containers").await;
    all_but_one_found(&bench, shipment, "waste.on_two_shipments").await;
    // What was told 64 times counts once.
    let token = ehs(&bench);
    let months = "/v1/months?site=north&from=2026-03-01&to=2026-03-31";
    let month = bench.get(months, &token).await.json();
    assert_eq!(month["items"][0]["non_acute_kg"], "643.00", "{month}");
    bench.stop().await;
}

#[actix_web::test]
async fn a_label_and_a_custody_sheet_are_printed_in_both_languages() {
    let bench = Bench::start().await;
    drums(&bench, 1).await;
    bench.record(&ehs(&bench), &shipment(0)).await;
    let token = ehs(&bench);
    for path in ["/v1/containers/D-0/label", "/v1/shipments/S-0/custody-sheet"] {
        let english = bench.get(path, &token).await;
        let type_ = english.header("content-type");
        assert_eq!((english.status, type_), (200, Some("application/pdf")), "{path}");
        assert!(english.body.starts_with(b"%PDF-"), "{path}");
        let again = bench.get(&format!("{path}?lang=en"), &token).await;
        assert!(again.body == english.body, "{path}: the same head, the same bytes");
        let german = bench.get(&format!("{path}?lang=de"), &token).await;
        assert!(german.status == 200 && german.body != english.body, "{path}");
        assert_eq!(bench.get(&format!("{path}?lang=xx"), &token).await.code(), "bad-parameter");
        let south = bench.token("op_ehs", &[Role::Ehs], Some(&["south"]));
        assert_eq!(bench.get(path, &south).await.code(), "not-found", "another site's");
    }
    for path in ["/v1/containers/D-9/label", "/v1/shipments/S-9/custody-sheet"] {
        assert_eq!(bench.get(path, &token).await.code(), "not-found", "{path}");
    }
    bench.stop().await;
}

#[actix_web::test]
async fn the_values_of_a_site_say_where_they_stand_and_what_the_site_set() {
    let bench = Bench::start().await;
    let admin = bench.token("op_admin", &[Role::Admin], None);
    let settings = json!({
        "specversion": "1.0", "id": "c1", "source": "/admin", "type": "pulverlog.config.changed",
        "subject": "site/north", "site": "north", "time": "2026-03-05T11:00:00Z",
        "data": {
            "time_zone": "America/New_York", "jurisdiction": "us", "reason": "set_up",
            "parameters": {
                "us_accumulation_lqg_days": "75", "us_retention_manifest_years": "1",
                "us_discrepancy_settle_days": "20",
            },
        },
    });
    let answer = bench.record(&admin, &settings).await;
    assert_eq!(answer.status, 201, "{}", answer.json());
    let seq = answer.json()["seq"].clone();
    let token = ehs(&bench);
    let on = async |day: &str| bench.get(&format!("/v1/rules?site=north&on={day}"), &token).await;
    let list = on("2026-03-05").await.json();
    assert_eq!(list["as_of"], seq.as_u64().unwrap() + 1, "the setting stands in the record");
    let find = |list: &Value, id: &str| -> Value {
        let items = list["items"].as_array().unwrap();
        items.iter().find(|item| item["id"] == id).cloned().unwrap_or_else(|| panic!("{id}"))
    };
    // Stricter than a confirmed value: used. Laxer: told, not used.
    let stricter = find(&list, "us.accumulation.lqg_days");
    assert_eq!((&stricter["value"], &stricter["site_instead_of"]), (&json!("75"), &json!("90")));
    let laxer = find(&list, "us.retention.manifest_years");
    assert_eq!((&laxer["value"], &laxer["site_refused"]), (&json!("3"), &json!("1")));
    // Not confirmed: marked, until the site sets it.
    assert_eq!(find(&list, "us.discrepancy.settle_days")["unconfirmed"], false);
    let open = find(&list, "us.exception.lqg.report_days");
    assert_eq!((&open["value"], &open["unconfirmed"]), (&json!("60"), &json!(true)));
    assert!(open["section"].as_str().unwrap().contains("262.42"), "{open}");
    assert_eq!(open["parameter"], "us_exception_lqg_report_days");
    // An old day has its own version.
    let old = find(&on("2025-01-21").await.json(), "us.exception.lqg.report_days");
    assert_eq!((&old["value"], &old["until"]), (&json!("45"), &json!("2025-01-21")));
    assert_eq!(on("2026-02-30").await.code(), "bad-parameter");
    bench.stop().await;
}

#[actix_web::test]
async fn records_of_a_shipment_are_kept_for_years_and_longer_under_a_hold() {
    let bench = Bench::start().await;
    let admin = bench.token("op_admin", &[Role::Admin], None);
    let set = async |id: &str, hold: &str| {
        let settings = json!({
            "specversion": "1.0", "id": id, "source": "/admin",
            "type": "pulverlog.config.changed", "subject": "site/north", "site": "north",
            "time": "2026-03-05T11:00:00Z",
            "data": {
                "jurisdiction": "us", "reason": "set_up",
                "parameters": { "shop_legal_hold": hold },
            },
        });
        assert_eq!(bench.record(&admin, &settings).await.status, 201);
    };
    set("c1", "0").await;
    drums(&bench, 1).await;
    bench.record(&ehs(&bench), &shipment(0)).await;
    let accepted = json!({ "transporter": "TR-1", "leg": 1, "day": "2026-03-05" });
    let accepted = event("a", "shipment.accepted", "shipment/S-0", accepted);
    assert_eq!(bench.record(&ehs(&bench), &accepted).await.status, 201);
    let token = ehs(&bench);
    let kept = async || {
        let list = bench.get("/v1/retention?site=north", &token).await.json();
        let items = list["items"].as_array().unwrap().clone();
        items.into_iter().find(|i| i["subject"] == "shipment/S-0").expect("its document")
    };
    let document = kept().await;
    // 40 CFR 262.40(a): three years from the acceptance by the initial transporter.
    assert_eq!(document["keep_until"], "2029-03-05", "{document}");
    assert_eq!((&document["held"], &document["deletable"]), (&json!(false), &json!(false)));
    set("c2", "1").await;
    assert_eq!(kept().await["held"], true, "40 CFR 262.40(d)");
    bench.stop().await;
}

/// A page as somebody sees it who is signed in.
async fn page(bench: &Bench, path: &str, token: &str, language: &str) -> Answer {
    let cookies = format!("pulverlog-session={token}; pulverlog-language={language}");
    Answer::of(bench.request("GET", path).header("cookie", cookies).send().await.unwrap()).await
}

#[actix_web::test]
async fn the_pages_show_the_month_the_clocks_their_values_and_what_to_print() {
    let bench = Bench::start().await;
    let admin = bench.token("op_admin", &[Role::Admin], None);
    let settings = json!({
        "specversion": "1.0", "id": "c1", "source": "/admin", "type": "pulverlog.config.changed",
        "subject": "site/north", "site": "north", "time": "2026-03-05T11:00:00Z",
        "data": { "jurisdiction": "us", "reason": "set_up" },
    });
    assert_eq!(bench.record(&admin, &settings).await.status, 201);
    // 5 x 10 kg by the fifth of March: 310 kg by its end, so the month tips.
    drums(&bench, 5).await;
    bench.record(&ehs(&bench), &shipment(0)).await;
    let token = ehs(&bench);
    // (page, words that must stand there in English, in German)
    let pages = [
        ("/waste", "small quantity generator", "Erzeuger kleiner Mengen"),
        ("/waste", "What changes if the month tips over", "Was sich ändert, wenn der Monat kippt"),
        ("/waste", "310", "310"),
        ("/waste", "180 days", "180 Tage"),
        ("/clocks", "Values of law and practice in force", "Geltende Werte"),
        ("/rules", "us_exception_lqg_report_days", "us_exception_lqg_report_days"),
        ("/rules", "value not confirmed", "Wert nicht bestätigt"),
        ("/rules?on=2025-01-21", "45 days", "45 Tage"),
        ("/containers/D-0", "/containers/D-0/label.pdf", "Etikett drucken"),
        ("/shipments/S-0", "/shipments/S-0/custody.pdf", "Gewahrsamsblatt drucken"),
        ("/shipments/S-0", "The legal test asks", "Die Rechtsprüfung fragt"),
    ];
    for (path, english, german) in pages {
        for (language, words) in [("en", english), ("de", german)] {
            let shown = page(&bench, path, &token, language).await;
            let text = String::from_utf8(shown.body).unwrap();
            assert_eq!(shown.status, 200, "{path}");
            assert!(text.contains(words), "{path} in {language} has no `{words}`: {text}");
        }
    }
    for path in ["/containers/D-0/label.pdf", "/shipments/S-0/custody.pdf"] {
        let printed = page(&bench, path, &token, "de").await;
        assert!(printed.status == 200 && printed.body.starts_with(b"%PDF-"), "{path}");
        let south = bench.token("op_k7", &[Role::Ehs], Some(&["south"]));
        assert_eq!(page(&bench, path, &south, "de").await.status, 404, "{path}: another site's");
    }
    bench.stop().await;
}
