//! What machines are told at the door, and what lies in the spool afterwards.

use std::io::Write as _;
use std::sync::Arc;

use actix_web::http::StatusCode;
use actix_web::{App, test, web};
use relay::clients::{Clients, token_sha256};
use relay::door::{Door, routes};
use relay::intake::Intake;
use relay::line::Line;
use relay::metrics::Metrics;
use relay::parcel::Parcel;
use relay::refused::Refused;
use relay::spool::Spool;
use serde_json::{Value, json};

const EVENT: &str = r#"{"data":{"n":1},"id":"7","source":"/m/1","specversion":"1.0","type":"t"}"#;
const ONE: &str = "application/cloudevents+json";
const MANY: &str = "application/cloudevents-batch+json";

struct Place {
    _folder: tempfile::TempDir,
    door: web::Data<Door>,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path();
        let hash = hex::encode(token_sha256("secret"));
        let clients = format!("[press]\ntoken_sha256 = \"{hash}\"\nsources = [\"/m/*\"]\n");
        std::fs::write(path.join("clients.toml"), clients).unwrap();
        let door = Door {
            intake: Intake {
                spool: Arc::new(Spool::open(&path.join("spool"), 1 << 30).unwrap()),
                line: Arc::new(Line::new(0)),
                metrics: Metrics::new().unwrap(),
            },
            refused: Arc::new(Refused::open(&path.join("refused")).unwrap()),
            clients: Clients::read(&path.join("clients.toml")).unwrap(),
            control_token: "local".into(),
            mqtt: false,
            clock: Arc::new(|| 1_772_716_020_000),
        };
        Self { _folder: folder, door: web::Data::new(door) }
    }

    async fn call(&self, request: test::TestRequest) -> (StatusCode, Value, Option<String>) {
        let app = App::new().app_data(self.door.clone()).configure(routes);
        let app = test::init_service(app).await;
        let response = test::call_service(&app, request.to_request()).await;
        let header = |name| response.headers().get(name).and_then(|v| v.to_str().ok());
        let (status, wait) = (response.status(), header("retry-after").map(str::to_owned));
        let body = test::read_body(response).await;
        (status, serde_json::from_slice(&body).unwrap_or_default(), wait)
    }

    /// Posts and returns status and code of the problem, or an empty code.
    async fn posts(
        &self,
        media_type: &str,
        headers: &[(&str, &str)],
        body: impl Into<web::Bytes>,
    ) -> (u16, String) {
        let mut request = test::TestRequest::post().uri("/v1/events").set_payload(body);
        request = request.insert_header(("authorization", "Bearer secret"));
        request = request.insert_header(("content-type", media_type));
        for (name, value) in headers {
            request = request.append_header((*name, *value));
        }
        let (status, body, _) = self.call(request).await;
        let code = body["type"].as_str().and_then(|uri| uri.rsplit(':').next());
        (status.as_u16(), code.unwrap_or_default().to_owned())
    }

    fn spooled(&self) -> Vec<Parcel> {
        let waiting = self.door.intake.spool.waiting(usize::MAX, usize::MAX).unwrap();
        waiting.into_iter().map(|one| one.parcel).collect()
    }
}

fn taken() -> (u16, String) {
    (202, String::new())
}

#[actix_web::test]
async fn one_event_in_every_form_is_the_same_event() {
    let place = Place::new();
    assert_eq!(place.posts(ONE, &[], EVENT).await, taken());
    let attributes =
        [("ce-specversion", "1.0"), ("ce-id", "%37"), ("ce-source", "/m/1"), ("ce-type", "t")];
    assert_eq!(place.posts("application/json", &attributes, r#"{ "n": 1 }"#).await, taken());
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gzip.write_all(EVENT.as_bytes()).unwrap();
    let packed = gzip.finish().unwrap();
    assert_eq!(place.posts(ONE, &[("content-encoding", "gzip")], packed).await, taken());
    assert_eq!(place.posts(MANY, &[], format!("[{EVENT},{EVENT}]")).await, taken());
    let spooled = place.spooled();
    assert_eq!(spooled.len(), 1, "accepted five times, kept once");
    assert_eq!(spooled[0].events, [EVENT.as_bytes()]);
    assert_eq!(spooled[0].head.from, "press");
}

#[actix_web::test]
async fn preferences_and_signatures_are_kept_with_the_event() {
    let place = Place::new();
    let signature = format!("press.example.org/1+01234567;{}==", "A".repeat(86));
    let headers = [("prefer", "handling=strict"), ("pulverlog-signature", &signature)];
    assert_eq!(place.posts(ONE, &headers, EVENT).await, taken());
    let head = &place.spooled()[0].head;
    assert_eq!(head.prefer.as_deref(), Some("handling=strict"));
    assert_eq!(head.signature.as_deref(), Some(&*signature));
    for bad in ["x", "a+01234567;AA==", "a;b"] {
        let answer = place.posts(ONE, &[("pulverlog-signature", bad)], EVENT).await;
        assert_eq!(answer, (400, "bad-parameter".into()), "{bad}");
    }
    let batch = place.posts(MANY, &headers, format!("[{EVENT}]")).await;
    assert_eq!(batch, (400, "bad-parameter".into()), "a signature is for one event");
}

#[actix_web::test]
async fn a_batch_is_answered_event_by_event_or_taken_as_a_whole() {
    let place = Place::new();
    let body = format!(r#"[{EVENT},{{"id":"8"}},7]"#);
    let request = |prefer: &'static str| {
        test::TestRequest::post()
            .uri("/v1/events")
            .insert_header(("authorization", "Bearer secret"))
            .insert_header(("content-type", MANY))
            .insert_header(("prefer", prefer))
            .set_payload(body.clone())
    };
    let (status, answer, _) = place.call(request("pulverlog-batch=whole")).await;
    assert_eq!(status, 207);
    assert_eq!((&answer["accepted"], &answer["refused"]), (&json!(0), &json!(3)));
    assert!(place.spooled().is_empty());

    let (status, answer, _) = place.call(request("handling=strict")).await;
    assert_eq!(status, 207);
    let statuses: Vec<_> =
        answer["results"].as_array().unwrap().iter().map(|r| &r["status"]).collect();
    assert_eq!(statuses, [202, 422, 422]);
    assert_eq!(answer["results"][1]["problem"]["pointer"], "/specversion");
    assert_eq!(place.spooled().len(), 1);

    let whole = format!("[{EVENT},{}]", EVENT.replace('7', "8"));
    let answer = place.posts(MANY, &[("prefer", "pulverlog-batch=whole")], whole).await;
    assert_eq!(answer, taken());
    let last = &place.spooled()[1];
    assert!(last.head.whole && last.events.len() == 2, "{last:?}");
}

#[actix_web::test]
async fn what_cannot_be_taken_is_refused_and_leaves_nothing() {
    let place = Place::new();
    let foreign = EVENT.replace("/m/1", "/other");
    let large = EVENT.replace("\"n\":1", &format!("\"n\":\"{}\"", "x".repeat(61_440)));
    let deep = EVENT.replace("\"n\":1", &format!("\"n\":{}{}", "[".repeat(9), "]".repeat(9)));
    for (media_type, headers, body, expected) in [
        (ONE, &[][..], "{", (400, "malformed-json")),
        (ONE, &[], &foreign, (403, "forbidden-source")),
        (ONE, &[], &large, (413, "body-too-large")),
        (ONE, &[], &deep, (400, "malformed-json")),
        (ONE, &[("content-encoding", "br")], EVENT, (415, "unsupported-encoding")),
        (ONE, &[("content-encoding", "gzip")], EVENT, (400, "bad-encoding")),
        ("text/plain", &[], EVENT, (415, "unsupported-media-type")),
        ("application/json", &[], EVENT, (415, "unsupported-media-type")),
        (
            "application/json",
            &[("ce-specversion", "1.0"), ("ce-data", "1")],
            "{}",
            (400, "bad-parameter"),
        ),
        (MANY, &[], EVENT, (422, "wrong-type")),
    ] {
        let answer = place.posts(media_type, headers, body.to_owned()).await;
        assert_eq!(answer, (expected.0, expected.1.to_owned()), "{body:.40}");
    }
    let bomb = {
        let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        gzip.write_all(&vec![b' '; 64 << 20]).unwrap();
        gzip.finish().unwrap()
    };
    let answer = place.posts(ONE, &[("content-encoding", "gzip")], bomb).await;
    assert_eq!(answer, (413, "body-too-large".into()));
    assert!(place.spooled().is_empty());
}

#[actix_web::test]
async fn nobody_sends_or_looks_without_a_token() {
    let place = Place::new();
    let tokens =
        [None, Some("Bearer wrong"), Some("Basic secret"), Some("Bearer "), Some("secret")];
    for token in tokens {
        for (method, uri) in [
            ("POST", "/v1/events"),
            ("GET", "/v1/status"),
            ("GET", "/metrics"),
            ("GET", "/v1/refused"),
            ("POST", "/v1/refused/00000000000000000000000000000000/resend"),
        ] {
            let mut request = test::TestRequest::with_uri(uri).method(method.parse().unwrap());
            if let Some(token) = token {
                request = request.insert_header(("authorization", token));
            }
            assert_eq!(place.call(request).await.0, 401, "{method} {uri} {token:?}");
        }
    }
    let with = |uri, token: &str| {
        test::TestRequest::with_uri(uri).insert_header(("authorization", format!("Bearer {token}")))
    };
    assert_eq!(place.call(with("/v1/status", "secret")).await.0, 200);
    assert_eq!(
        place.call(with("/v1/refused", "secret")).await.0,
        401,
        "for the local command only"
    );
    assert_eq!(place.call(with("/v1/refused", "local")).await.0, 200);
    assert_eq!(place.call(test::TestRequest::with_uri("/healthz")).await.0, 200);
    assert_eq!(place.call(test::TestRequest::with_uri("/readyz")).await.0, 200);
    assert_eq!(place.call(test::TestRequest::with_uri("/v1/events")).await.0, 404);
    let asked = test::TestRequest::post().uri("/v1/events?dry_run=true");
    let asked = asked.insert_header(("authorization", "Bearer secret"));
    assert_eq!(place.call(asked).await.1["parameter"], "query");
}
