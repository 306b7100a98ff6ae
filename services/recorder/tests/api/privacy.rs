//! Names and words: kept beside the log, erased on demand, and people who are gone.

use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bench::{Answer, Bench, reading};

const JSON: [(&str, &str); 1] = [("content-type", "application/json")];

async fn erase(bench: &Bench, token: &str, what: &str) -> Answer {
    bench.post(&format!("{what}/erasure"), token, &JSON, r#"{"reason":"on_request"}"#).await
}

fn entry(bench: &Bench, seq: &Value) -> Value {
    let line = bench.recorder.log.entry(seq.as_u64().unwrap()).unwrap().unwrap();
    serde_json::from_slice(&line).unwrap()
}

async fn keep_name(bench: &Bench, token: &str) -> Answer {
    let request = bench.request("PUT", "/v1/people/op_tech/identity").bearer_auth(token);
    let body = json!({ "name": "Orsel Vandrim" }).to_string();
    let request = request.header("content-type", "application/json").body(body);
    Answer::of(request.send().await.unwrap()).await
}

#[actix_web::test]
async fn a_text_is_erased_and_the_record_says_so() {
    let bench = Bench::start().await;
    let technician = bench.token("op_tech", &[Role::Technician], None);
    let lead = bench.token("op_lead", &[Role::Lead], None);
    let kept = bench.post("/v1/texts", &technician, &JSON, r#"{"text":"told by a friend"}"#).await;
    let path = kept.header("location").unwrap().to_owned();
    assert_eq!(erase(&bench, &technician, &path).await.code(), "forbidden");

    let erased = erase(&bench, &lead, &path).await;
    assert_eq!(erased.status, 200, "{}", erased.json());
    let erased = erased.json();
    assert_eq!((&erased["person"], &erased["texts"]), (&json!("op_tech"), &json!(1)));
    let told = entry(&bench, &erased["seq"]);
    assert_eq!(told["event"]["type"], "pulverlog.data.erased");
    assert_eq!(told["event"]["subject"], "person/op_tech");
    let data = json!({
        "ordered_by": "op_lead", "person": "op_tech", "reason": "on_request",
        "text": { "c": kept.json()["c"] },
    });
    assert_eq!(told["event"]["data"], data);
    assert_eq!(bench.get(&path, &lead).await.code(), "not-found");
    assert_eq!(erase(&bench, &lead, &path).await.code(), "not-found", "erased once");
    bench.stop().await;
}

#[actix_web::test]
async fn a_person_is_erased_with_name_words_and_badge() {
    let bench = Bench::start().await;
    let technician = bench.token("op_tech", &[Role::Technician], None);
    let (lead, admin) =
        (bench.token("op_lead", &[Role::Lead], None), bench.token("op_adm", &[Role::Admin], None));
    let named = keep_name(&bench, &admin).await;
    assert_eq!(named.status, 200, "{}", named.json());
    let who = bench.get("/v1/people/op_tech/identity", &lead).await.json();
    assert_eq!((&who["name"], &who["c"]), (&json!("Orsel Vandrim"), &named.json()["c"]));
    assert_eq!(bench.get("/v1/people/op_tech/identity", &admin).await.code(), "forbidden");
    let kept = bench.post("/v1/texts", &technician, &JSON, r#"{"text":"my words"}"#).await;
    // A system says whose words it deposits; they go with that person.
    let mes = bench.mes();
    let nobodys = bench.post("/v1/texts", &mes, &JSON, r#"{"text":"x"}"#).await;
    assert_eq!(nobodys.code(), "missing-member");
    let by_mes = r#"{"text":"typed at the machine","operator":"op_tech"}"#;
    assert_eq!(bench.post("/v1/texts", &mes, &JSON, by_mes).await.status, 201);
    let others = r#"{"text":"x","operator":"op_other"}"#;
    let others = bench.post("/v1/texts", &technician, &JSON, others).await;
    assert_eq!(others.code(), "forbidden-operator");

    let erased = erase(&bench, &admin, "/v1/people/op_tech").await.json();
    assert_eq!((&erased["identity"], &erased["texts"]), (&json!(true), &json!(2)), "{erased}");
    assert_eq!(entry(&bench, &erased["seq"])["event"]["data"]["text"], Value::Null);
    let path = kept.header("location").unwrap();
    assert_eq!(bench.get(path, &lead).await.code(), "not-found");
    assert_eq!(bench.get("/v1/people/op_tech/identity", &lead).await.code(), "not-found");
    // What the power cut short is finished by asking again.
    let again = erase(&bench, &admin, "/v1/people/op_tech").await.json();
    assert_eq!((&again["identity"], &again["texts"]), (&json!(false), &json!(0)));
    let chunk = bench.recorder.log.scan(0, 1 << 20).unwrap();
    for (seq, line) in chunk.iter() {
        let text = String::from_utf8_lossy(line);
        assert!(!text.contains("Vandrim") && !text.contains("my words"), "entry {seq}");
    }
    bench.stop().await;
}

fn about(person: &str, id: &str, name: &str, data: Value) -> Value {
    json!({
        "specversion": "1.0", "id": id, "source": "/office", "type": format!("pulverlog.{name}"),
        "subject": format!("person/{person}"), "site": "north", "time": "2026-03-05T12:00:00Z",
        "data": data,
    })
}

#[actix_web::test]
async fn whoever_has_left_is_let_in_no_more_however_long_the_token_is_good() {
    let bench = Bench::start().await;
    let admin = bench.token("op_adm", &[Role::Admin], None);
    let technician = bench.token("op_tech", &[Role::Technician], None);
    let status = async |token: &str| bench.get("/v1/cautions", token).await;
    let left = about("op_tech", "l1", "person.left", json!({ "last_day": "2026-03-03" }));
    assert_eq!(status(&technician).await.status, 200);
    assert_eq!(bench.record(&admin, &left).await.status, 201);
    let refused = status(&technician).await;
    assert_eq!((refused.status, refused.code().as_str()), (403, "person-left"));
    // The refusal is recorded with who it was.
    bench.recorder.log.news().wait_for(|size| *size == 3).await.unwrap();
    assert_eq!(bench.names(2), ["access.refused"]);
    let told = entry(&bench, &json!(2));
    let data = json!({ "operation": "listCautions", "roles": ["technician"], "who": "op_tech" });
    assert_eq!(told["event"]["data"], data);
    // What a system posts for such a person is kept: the work may be older, or the list wrong.
    let mut late = reading("late", "1");
    late["operator"] = json!("op_tech");
    assert_eq!(bench.record(&bench.mes(), &late).await.status, 201);
    // Enrolled again, the person is back.
    let identity = json!({ "c": "AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA=" });
    let data = json!({ "identity": identity, "roles": ["technician"] });
    let back = about("op_tech", "e1", "person.enrolled", data);
    assert_eq!(bench.record(&admin, &back).await.status, 201);
    assert_eq!(status(&technician).await.status, 200);
    // The last day itself counts to its end everywhere on earth.
    let today = about("op_tech", "l2", "person.left", json!({ "last_day": "2026-03-05" }));
    assert_eq!(bench.record(&admin, &today).await.status, 201);
    assert_eq!(status(&technician).await.status, 200);
    bench.clock.jump(24 * 3_600_000);
    let technician = bench.token("op_tech", &[Role::Technician], None);
    assert_eq!(status(&technician).await.code(), "person-left");
    bench.stop().await;
}

#[actix_web::test]
async fn an_attempt_that_was_stopped_names_who_made_it() {
    let bench = Bench::start().await;
    let mut future = reading("f1", "1");
    future["time"] = json!("2026-03-06T12:00:00Z");
    let strict = [("content-type", "application/cloudevents+json"), ("prefer", "handling=strict")];
    let send = async |token: &str| {
        bench.post("/v1/events", token, &strict, future.to_string()).await.json()["seq"].clone()
    };
    let first = send(&bench.mes()).await;
    assert_eq!(entry(&bench, &first)["event"]["data"]["who"], "svc_mes");
    assert_eq!(send(&bench.mes()).await, first, "the same attempt is recorded once");
    let other = send(&bench.token("svc_other", &[Role::Service], None)).await;
    assert_ne!(other, first, "the same bytes from somebody else are another attempt");
    assert_eq!(entry(&bench, &other)["event"]["data"]["who"], "svc_other");
    bench.stop().await;
}
