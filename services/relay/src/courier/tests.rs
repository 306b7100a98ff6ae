use std::collections::VecDeque;
use std::sync::Mutex;

use serde_json::json;

use super::*;
use crate::parcel::{Head, Parcel};

/// A recorder that says what it is told to say, and remembers what it was asked.
#[derive(Clone, Default)]
struct Script {
    answers: Arc<Mutex<VecDeque<Result<Response, String>>>>,
    asked: Arc<Mutex<Vec<Shipment>>>,
}

impl Upstream for Script {
    fn post(&mut self, shipment: &Shipment) -> Result<Response, String> {
        self.asked.lock().unwrap().push(shipment.clone());
        self.answers.lock().unwrap().pop_front().expect("no more requests than answers")
    }
}

struct Place {
    _folder: tempfile::TempDir,
    courier: Courier<Script>,
    script: Script,
}

impl Place {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let script = Script::default();
        let courier = Courier {
            spool: Arc::new(Spool::open(&folder.path().join("spool"), 1 << 30).unwrap()),
            refused: Arc::new(Refused::open(&folder.path().join("refused")).unwrap()),
            refused_max: 10,
            upstream: script.clone(),
            line: Arc::new(Line::new(0)),
            metrics: Metrics::new().unwrap(),
            clock: Arc::new(|| 1_000),
            random: Box::new(|| u32::MAX),
            pause_max: Duration::from_secs(30),
            failures: 0,
            most: BATCH_EVENTS_MAX,
        };
        Self { _folder: folder, courier, script }
    }

    fn take(&self, id: &str, head: impl FnOnce(&mut Head)) {
        let mut parcel = Parcel {
            head: Head {
                from: "press-1".into(),
                taken_ms: 0,
                prefer: None,
                signature: None,
                whole: false,
            },
            events: vec![format!(r#"{{"id":"{id}"}}"#).into_bytes()],
        };
        head(&mut parcel.head);
        self.courier.spool.append(&[parcel]).unwrap();
    }

    fn says(&self, status: u16, body: &Value) {
        let media_type = if status < 400 { "application/json" } else { "application/problem+json" };
        let response = Response {
            status,
            media_type: media_type.into(),
            retry_after: None,
            body: body.to_string().into_bytes(),
        };
        self.script.answers.lock().unwrap().push_back(Ok(response));
    }

    fn records(&self, statuses: &[u16]) {
        let result = |(index, status): (usize, &u16)| match status {
            200 | 201 => {
                json!({ "index": index, "status": status, "receipt": { "seq": 1, "leaf": "" } })
            }
            _ => json!({ "index": index, "status": status, "problem": problem("stopped") }),
        };
        let results: Vec<Value> = statuses.iter().enumerate().map(result).collect();
        self.says(207, &json!({ "results": results }));
    }

    fn asked(&self) -> Vec<String> {
        let asked = std::mem::take(&mut *self.script.asked.lock().unwrap());
        asked.into_iter().map(|one| String::from_utf8(one.body).unwrap()).collect()
    }

    fn waiting(&self) -> usize {
        self.courier.spool.standing().parcels
    }
}

fn problem(code: &str) -> Value {
    json!({ "type": format!("urn:pulverlog:problem:{code}") })
}

#[test]
fn events_go_in_order_and_those_of_other_preferences_apart() {
    let mut place = Place::new();
    place.take("1", |_| ());
    place.take("2", |_| ());
    place.take("3", |head| head.prefer = Some("handling=strict".into()));
    place.take("4", |head| head.signature = Some("machine+01234567;AA==".into()));
    place.take("5", |_| ());
    place.records(&[201, 200]);
    place.records(&[201]);
    place.says(201, &json!({ "seq": 7, "leaf": "" }));
    place.records(&[201]);
    for _ in 0..4 {
        assert_eq!(place.courier.step(), Step::Moved);
    }
    assert_eq!(place.courier.step(), Step::Idle);
    let sent = place.script.asked.lock().unwrap().clone();
    assert_eq!(sent[1].prefer.as_deref(), Some("handling=strict"));
    assert_eq!(sent[2].signature.as_deref(), Some("machine+01234567;AA=="));
    assert_eq!(
        place.asked(),
        [r#"[{"id":"1"},{"id":"2"}]"#, r#"[{"id":"3"}]"#, r#"{"id":"4"}"#, r#"[{"id":"5"}]"#,]
    );
    assert_eq!(place.courier.line.view().last_seq, Some(7));
}

#[test]
fn a_refused_event_is_kept_and_does_not_block_the_line() {
    let mut place = Place::new();
    for id in ["1", "2", "3"] {
        place.take(id, |_| ());
    }
    place.records(&[201, 409, 201]);
    assert_eq!(place.courier.step(), Step::Moved);
    assert_eq!((place.waiting(), place.courier.refused.count()), (0, 1));
    let entry = &place.courier.refused.list().unwrap()[0];
    assert_eq!(entry.events, [json!({ "id": "2" })]);
    assert_eq!(entry.problems, [problem("stopped")]);
}

#[test]
fn a_request_that_cannot_be_taken_is_halved_until_the_culprit_stands_alone() {
    let mut place = Place::new();
    for id in ["1", "2", "3", "4"] {
        place.take(id, |_| ());
    }
    let malformed = problem("malformed-json");
    place.says(400, &malformed); // all four
    place.records(&[201, 201]); // 1 and 2
    place.says(400, &malformed); // 3 and 4
    place.says(400, &malformed); // 3
    place.records(&[201]); // 4
    while place.courier.step() != Step::Idle {}
    assert_eq!(place.courier.refused.list().unwrap()[0].events, [json!({ "id": "3" })]);
    assert_eq!(place.asked()[4], r#"[{"id":"4"}]"#);
}

#[test]
fn the_relays_own_token_blocks_the_line_and_refuses_nothing() {
    let mut place = Place::new();
    place.take("1", |head| head.signature = Some("machine+01234567;AA==".into()));
    // A single event is forbidden, and so is an empty batch: it is the token.
    place.says(403, &problem("forbidden"));
    place.says(403, &problem("forbidden"));
    assert!(matches!(place.courier.step(), Step::Pause(_)));
    assert_eq!((place.waiting(), place.courier.refused.count()), (1, 0));
    assert_eq!(place.courier.line.view().state, State::Blocked);
    assert_eq!(place.courier.line.view().reason, "token");
    // The token may send, and this event is forbidden: it is the event.
    place.says(403, &problem("forbidden-site"));
    place.says(200, &json!({ "results": [] }));
    assert_eq!(place.courier.step(), Step::Moved);
    assert_eq!((place.waiting(), place.courier.refused.count()), (0, 1));
    assert_eq!(place.asked()[1], "[]");
}

#[test]
fn pauses_double_up_to_a_bound_and_the_recorders_wish_is_respected() {
    let mut place = Place::new();
    place.take("1", |_| ());
    let seconds = |step| match step {
        Step::Pause(pause) => Duration::as_secs_f64(&pause),
        Step::Idle | Step::Moved => panic!("no pause"),
    };
    for expected in [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0] {
        place.script.answers.lock().unwrap().push_back(Err("connection refused".into()));
        assert!((seconds(place.courier.step()) - expected).abs() < 0.001, "{expected}");
    }
    assert_eq!(place.courier.line.view().state, State::Waiting);
    let busy = Response {
        status: 503,
        media_type: "application/problem+json".into(),
        retry_after: Some("120".into()),
        body: problem("writer-stopped").to_string().into_bytes(),
    };
    place.script.answers.lock().unwrap().push_back(Ok(busy));
    assert!(seconds(place.courier.step()) >= 120.0);
    place.courier.random = Box::new(|| 0);
    place.script.answers.lock().unwrap().push_back(Err("connection refused".into()));
    assert!((seconds(place.courier.step()) - 15.0).abs() < 0.001, "jitter takes up to half");
    place.records(&[201]);
    assert_eq!(place.courier.step(), Step::Moved);
    assert_eq!((place.waiting(), place.courier.failures), (0, 0));
}

#[test]
fn too_many_refused_events_block_the_line_instead_of_being_dropped() {
    let mut place = Place::new();
    place.courier.refused_max = 1;
    place.take("1", |_| ());
    place.records(&[409]);
    assert_eq!(place.courier.step(), Step::Moved);
    place.take("2", |_| ());
    assert!(matches!(place.courier.step(), Step::Pause(_)));
    assert_eq!(place.courier.line.view().reason, "refused-full");
    assert_eq!(place.waiting(), 1);
}
