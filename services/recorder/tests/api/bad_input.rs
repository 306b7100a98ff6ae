//! Bad input: each row is refused with a stable problem type and a pointer to the member at fault;
//! nothing is written; the refusal is counted.

use serde_json::{Value, json};
use shopfloor::people::events::Role;

use crate::bench::{BATCH, Bench, EVENT, reading};

/// A request that must be refused.
struct Row {
    name: &'static str,
    content_type: &'static str,
    headers: Vec<(&'static str, String)>,
    body: Vec<u8>,
    status: u16,
    code: &'static str,
    /// Pointer or parameter at fault, and the finer reason.
    at: Option<&'static str>,
    reason: Option<&'static str>,
}

fn row(
    name: &'static str,
    body: impl Into<Vec<u8>>,
    (status, code): (u16, &'static str),
    at: Option<&'static str>,
) -> Row {
    let (content_type, headers, reason) = (EVENT, Vec::new(), None);
    Row { name, content_type, headers, body: body.into(), status, code, at, reason }
}

impl Row {
    fn because(mut self, reason: &'static str) -> Self {
        self.reason = Some(reason);
        self
    }
    fn typed(mut self, content_type: &'static str) -> Self {
        self.content_type = content_type;
        self
    }
    fn with(mut self, name: &'static str, value: impl Into<String>) -> Self {
        self.headers.push((name, value.into()));
        self
    }
}

const MALFORMED: (u16, &str) = (400, "malformed-json");
const TOO_LARGE: (u16, &str) = (413, "body-too-large");

fn good() -> String {
    reading("bad-1", "412.5").to_string()
}

/// The good event with one piece of text replaced.
fn but(from: &str, to: &str) -> String {
    let good = good();
    assert!(good.contains(from), "{from}");
    good.replacen(from, to, 1)
}

fn changed(change: impl FnOnce(&mut Value)) -> String {
    let mut event = reading("bad-1", "412.5");
    change(&mut event);
    event.to_string()
}

/// security-tests.md H1, H3, H4: what is no JSON of the profile.
fn json_rows() -> Vec<Row> {
    let deep = |depth: usize| format!("{}1{}", "[".repeat(depth), "]".repeat(depth));
    vec![
        row("empty", "", MALFORMED, None).because("unexpected-end"),
        row("truncated", &good().as_bytes()[..40], MALFORMED, None).because("unexpected-end"),
        row("no JSON", "not json", MALFORMED, None).because("unexpected-byte"),
        row("comment", format!("/* */{}", good()), MALFORMED, None).because("unexpected-byte"),
        row("trailing bytes", format!("{} x", good()), MALFORMED, None).because("trailing-bytes"),
        row("byte order mark", format!("\u{feff}{}", good()), MALFORMED, None)
            .because("byte-order-mark"),
        row(
            "UTF-16",
            good().encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>(),
            MALFORMED,
            None,
        )
        .because("unexpected-byte"),
        row("overlong UTF-8", [b"{\"a\":\"", &[0xc0, 0xaf][..], b"\"}"].concat(), MALFORMED, None)
            .because("invalid-utf8"),
        row("lone surrogate", but("bad-1", "bad\\ud800"), MALFORMED, Some("/id"))
            .because("lone-surrogate"),
        row("NUL", but("bad-1", "bad\0"), MALFORMED, Some("/id")).because("control-character"),
        row("member twice", but("\"id\":", "\"id\":\"x\",\"id\":"), MALFORMED, Some("/id"))
            .because("duplicate-member"),
        row(
            "member twice after unescaping",
            but("\"id\":", "\"i\\u0064\":\"x\",\"id\":"),
            MALFORMED,
            Some("/id"),
        )
        .because("duplicate-member"),
        row(
            "member twice inside",
            but("\"meter\":", "\"meter\":\"a\",\"meter\":"),
            MALFORMED,
            Some("/data/meter"),
        )
        .because("duplicate-member"),
        row("float", but("\"412.5\"", "412.5"), MALFORMED, Some("/data/reading/value"))
            .because("fraction"),
        row("1.0", but("\"412.5\"", "1.0"), MALFORMED, Some("/data/reading/value"))
            .because("fraction"),
        row("exponent", but("\"412.5\"", "1e400"), MALFORMED, Some("/data/reading/value"))
            .because("exponent"),
        row("minus zero", but("\"412.5\"", "-0"), MALFORMED, Some("/data/reading/value"))
            .because("negative-zero"),
        row("2^53", but("\"412.5\"", "9007199254740992"), MALFORMED, Some("/data/reading/value"))
            .because("integer-range"),
        row(
            "10,000 digits",
            but("\"412.5\"", &"9".repeat(10_000)),
            MALFORMED,
            Some("/data/reading/value"),
        )
        .because("integer-range"),
        row("nested one too deep", but("\"412.5\"", &deep(5)), MALFORMED, None).because("too-deep"),
        row("nested 100,000 deep", deep(60_000), MALFORMED, None).because("too-deep"),
        row("name in capitals", but("\"meter\":", "\"Meter\":"), MALFORMED, None)
            .because("member-name"),
        row(
            "name of 41 characters",
            but("\"meter\":", &format!("\"{}\":", "m".repeat(41))),
            MALFORMED,
            None,
        )
        .because("member-name"),
    ]
}

/// What is JSON, but no event.
fn form_rows() -> Vec<Row> {
    let r = |name, body, status, code, at| row(name, body, (status, code), Some(at));
    let owned = |member: &str| but("\"id\":", &format!("\"{member}\":1,\"id\":"));
    let value = "/data/reading/value";
    let mut rows = vec![
        row("no object", "[]", (422, "wrong-type"), Some("")),
        r("unknown attribute", owned("colour"), 422, "unknown-member", "/colour"),
        r(
            "unknown member",
            but("\"meter\":", "\"lens\":1,\"meter\":"),
            422,
            "unknown-member",
            "/data/lens",
        ),
        r("wrong unit", but("\"h\"", "\"furlong\""), 422, "invalid-value", "/data/reading/unit"),
        r("digits with exponent", but("412.5", "4e2"), 422, "invalid-value", value),
        r("digits without a first one", but("412.5", ".5"), 422, "invalid-value", value),
        r("null", but("\"412.5\"", "null"), 422, "invalid-value", value),
        r("attribute of a wrong type", but("\"bad-1\"", "7"), 422, "wrong-type", "/id"),
        r(
            "no such type of event",
            but("meter.read", "meter.guessed"),
            422,
            "unknown-event-type",
            "/type",
        ),
        r(
            "an event of the log itself",
            changed(|e| {
                e["type"] = json!("pulverlog.log.closed");
                e["subject"] = json!("log/x");
                e["data"] = json!({ "reason": "done" });
            }),
            422,
            "unknown-event-type",
            "/type",
        ),
        r(
            "subject of another kind",
            but("equipment/S-02", "lot/S-02"),
            422,
            "invalid-value",
            "/subject",
        ),
        r("id too long", but("bad-1", &"i".repeat(257)), 422, "invalid-value", "/id"),
        r("id empty", but("bad-1", ""), 422, "invalid-value", "/id"),
        r("a name as operator", but("op_k7", "Jane Doe"), 422, "invalid-value", "/operator"),
        r("time without zone", but("+01:00", ""), 422, "invalid-value", "/time"),
        r("leap second", but("12:55:00", "12:55:60"), 422, "invalid-value", "/time"),
        r("specversion", but("\"1.0\"", "\"0.3\""), 422, "invalid-value", "/specversion"),
        r(
            "correction of an entry that does not exist",
            changed(|e| {
                e["type"] = json!("pulverlog.note.added");
                e["subject"] = json!("entry/999");
                e["data"] = json!({ "text": { "c": format!("{}=", "A".repeat(43)) } });
            }),
            422,
            "unknown-entry",
            "/subject",
        ),
    ];
    for (member, at) in [
        ("seq", "/seq"),
        ("prev", "/prev"),
        ("recorded_at", "/recorded_at"),
        ("salt", "/salt"),
        ("actor", "/actor"),
        ("v", "/v"),
    ] {
        rows.push(r("owned by the log", owned(member), 422, "owned-by-the-log", at));
    }
    for (member, at) in [
        ("specversion", "/specversion"),
        ("id", "/id"),
        ("source", "/source"),
        ("type", "/type"),
        ("subject", "/subject"),
        ("time", "/time"),
        ("site", "/site"),
        ("data", "/data"),
    ] {
        let without = changed(|event| drop(event.as_object_mut().unwrap().remove(member)));
        rows.push(r("missing", without, 422, "missing-member", at));
    }
    rows
}

/// Sizes, packings, media types, headers.
fn outer_rows() -> Vec<Row> {
    let batch = |count: usize| {
        let events: Vec<Value> = (0..count).map(|n| reading(&format!("b{n}"), "1")).collect();
        Value::from(events).to_string()
    };
    let type_ = |t| row("media type", good(), (415, "unsupported-media-type"), None).typed(t);
    let param = |name, at| row(name, good(), (400, "bad-parameter"), Some(at));
    vec![
        row("body one byte too long", vec![b' '; 122_881], TOO_LARGE, None),
        row(
            "event one byte too long",
            {
                let length = 61_440 - changed(|e| e["data"]["meter"] = json!("")).len();
                changed(|e| e["data"]["meter"] = json!("m".repeat(length + 1)))
            },
            TOO_LARGE,
            None,
        ),
        row("257 events", batch(257), TOO_LARGE, None).typed(BATCH),
        row("a batch that is one event", good(), (422, "wrong-type"), Some("")).typed(BATCH),
        row("bomb", gzip(&vec![b' '; 8 << 20]), TOO_LARGE, None).with("content-encoding", "gzip"),
        row("broken gzip", good(), (400, "bad-encoding"), None).with("content-encoding", "gzip"),
        row("brotli", good(), (415, "unsupported-encoding"), None).with("content-encoding", "br"),
        row("gzip twice", good(), (415, "unsupported-encoding"), None)
            .with("content-encoding", "gzip, gzip"),
        type_("text/plain"),
        type_("application/json"),
        type_("application/cloudevents+json; charset=latin1"),
        type_("application/cloudevents+xml"),
        param("signature without key", "pulverlog-signature").with("pulverlog-signature", "abc"),
        row("signature by an unknown key", good(), (422, "unknown-key"), None)
            .with("pulverlog-signature", format!("terminal.example+01234567;{}==", "A".repeat(86))),
        row("binary mode, odd attribute", "{}", (422, "unknown-member"), Some("/colour"))
            .typed("application/json")
            .with("ce-specversion", "1.0")
            .with("ce-colour", "red"),
        row("binary mode, broken encoding", "{}", (400, "bad-parameter"), Some("ce-id"))
            .typed("application/json")
            .with("ce-specversion", "1.0")
            .with("ce-id", "%zz"),
        row("binary mode, fault in data", r#"{"a":1.5}"#, MALFORMED, Some("/data/a"))
            .typed("application/json")
            .with("ce-specversion", "1.0")
            .because("fraction"),
    ]
}

pub(crate) fn gzip(bytes: &[u8]) -> Vec<u8> {
    use std::io::Write as _;
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

#[actix_web::test]
async fn bad_input_is_refused_at_the_member_and_nothing_is_written() {
    let bench = Bench::start().await;
    let token = bench.mes();
    let head = bench.head();
    let rows: Vec<Row> = json_rows().into_iter().chain(form_rows()).chain(outer_rows()).collect();
    let count = rows.len();
    for Row { name, content_type, headers, body, status, code, at, reason } in rows {
        let series = format!("pulverlog_problems_total{{code=\"{code}\"}}");
        let before = bench.counter(&series);
        let mut all = vec![("content-type", content_type)];
        all.extend(headers.iter().map(|(name, value)| (*name, value.as_str())));
        let answer = bench.post("/v1/events", &token, &all, body).await;
        let problem = answer.json();
        assert_eq!((answer.status, answer.code().as_str()), (status, code), "{name}: {problem}");
        let member = problem.get("pointer").or(problem.get("parameter"));
        if let Some(at) = at {
            assert_eq!(member.and_then(Value::as_str), Some(at), "{name}: {problem}");
        }
        if let Some(reason) = reason {
            assert_eq!(problem["reason"], reason, "{name}: {problem}");
        }
        assert_eq!(bench.counter(&series), before + 1, "{name}: counted");
        assert_eq!(bench.head(), head, "{name}: something was written");
    }
    assert!(count >= 70, "{count} rows");
    let answer = bench.record(&token, &reading("bad-1", "412.5")).await;
    assert_eq!(answer.status, 201, "the good event behind the rows: {}", answer.json());
    bench.stop().await;
}

#[actix_web::test]
async fn the_largest_event_is_taken_and_keeps_its_bytes() {
    let bench = Bench::start().await;
    let mut event = reading("large", "412.500");
    let room = 61_440 - event.to_string().len();
    // The longest a label may be is 64, so the room is used up by an id that is too long for its
    // own limit: the size limit must not be what refuses it.
    event["id"] = json!("i".repeat(room));
    let answer = bench.record(&bench.mes(), &event).await;
    assert_eq!((answer.status, answer.code().as_str()), (422, "invalid-value"));
    let answer = bench.record(&bench.mes(), &reading("digits", "412.500")).await;
    let seq = answer.json()["seq"].as_u64().unwrap();
    let entry = bench.get(&format!("/v1/entries/{seq}"), &bench.mes()).await.json();
    assert_eq!(entry["event"]["data"]["reading"]["value"], "412.500", "trailing zeros are kept");
    bench.stop().await;
}

#[actix_web::test]
async fn without_a_right_nothing_is_written_but_the_refusal() {
    let bench = Bench::start().await;
    let check = async |name: &str, token: &str, event: &Value, code: &str, recorded: &[&str]| {
        let from = bench.recorder.log.size();
        let answer = bench.record(token, event).await;
        assert_eq!(answer.code(), code, "{name}: {}", answer.json());
        // The refusal is recorded beside the answer, not before it.
        let expected = from + recorded.len() as u64;
        let mut news = bench.recorder.log.news();
        let waited = news.wait_for(|size| *size >= expected);
        tokio::time::timeout(std::time::Duration::from_secs(10), waited).await.unwrap().unwrap();
        assert_eq!(bench.names(from), recorded, "{name}");
    };
    let event = reading("e1", "1");
    check("no token", "", &event, "unauthenticated", &[]).await;
    let auditor = bench.token("op_audit", &[Role::Auditor], None);
    check("role without the operation", &auditor, &event, "forbidden", &["access.refused"]).await;
    check("the same again is counted only", &auditor, &event, "forbidden", &[]).await;
    let quality = bench.token("op_quality", &[Role::Quality], None);
    let mut own = event.clone();
    own.as_object_mut().unwrap().remove("operator");
    check("role without the event", &quality, &own, "forbidden", &["access.refused"]).await;
    let south = bench.token("svc_south", &[Role::Service], Some(&["south"]));
    check("another site", &south, &event, "forbidden-site", &["access.refused"]).await;
    let technician = bench.token("op_tech", &[Role::Technician], None);
    check("another's name", &technician, &event, "forbidden-operator", &["access.refused"]).await;
    assert_eq!(bench.counter("pulverlog_refusals_not_recorded_total"), 1);
    bench.stop().await;
}
