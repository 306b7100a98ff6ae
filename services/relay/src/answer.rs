//! What an answer to a delivery means. Only the recorder's own word moves an event: an answer that
//! does not look like one of its answers (a proxy's page, another service at the address) neither
//! counts as recorded nor as refused.

use std::time::Duration;

use serde_json::Value;

use crate::limits::RETRY_AFTER_MAX;
use crate::problem::{MEDIA_TYPE, TYPE_PREFIX};

/// An answer as it came.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Response {
    /// HTTP status.
    pub status: u16,
    /// `Content-Type`, without parameters.
    pub media_type: String,
    /// `Retry-After` as sent.
    pub retry_after: Option<String>,
    /// The body.
    pub body: Vec<u8>,
}

/// What became of one event.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// It stands in the log at this number; `new` if since this request.
    Recorded {
        /// Sequence number.
        seq: u64,
        /// Recorded now, not before.
        new: bool,
    },
    /// It will never be recorded as it is; why.
    Refused(Value),
    /// It may be recorded later.
    Later,
}

/// What an answer means.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Each event was judged.
    Judged(Vec<Verdict>),
    /// Nothing was judged; the same may go well later.
    Later {
        /// Code of the problem, or the status.
        why: String,
        /// How long the recorder asks to wait.
        wait: Option<Duration>,
    },
    /// The request as a whole cannot be taken, however often it is sent.
    Refused(Value),
    /// 401, or 403 for the request as a whole: the relay's own token.
    Token(Value),
    /// Not an answer of a recorder.
    Stranger,
}

/// Reads an answer to `count` events; `alone` if it was a single event, not a batch.
pub fn read(response: &Response, count: usize, alone: bool) -> Answer {
    let body = serde_json::from_slice::<Value>(&response.body).unwrap_or_default();
    let wait = response
        .retry_after
        .as_deref()
        .and_then(|text| text.trim().parse().ok())
        .map(|seconds| Duration::from_secs(seconds).min(RETRY_AFTER_MAX));
    let problem = code(&body).filter(|_| response.media_type == MEDIA_TYPE);
    match (response.status, problem) {
        (200 | 201, None) if alone => match receipt(&body, response.status) {
            Some(verdict) => Answer::Judged(vec![verdict]),
            None => Answer::Stranger,
        },
        (200 | 207, None) => match verdicts(&body, count) {
            Some(verdicts) => Answer::Judged(verdicts),
            None => Answer::Stranger,
        },
        (401 | 403, Some(_)) => Answer::Token(body),
        (408 | 425 | 429 | 500.., Some(code)) => Answer::Later { why: code.to_owned(), wait },
        // A proxy in front of a recorder that is away.
        (408 | 425 | 429 | 502..=504, None) => {
            Answer::Later { why: response.status.to_string(), wait }
        }
        // An address at which a recorder has nothing.
        (404 | 405, Some(_)) => Answer::Stranger,
        (400..=499, Some(_)) => Answer::Refused(body),
        (_, _) => Answer::Stranger,
    }
}

/// The code of a problem of the recorder.
pub fn code(problem: &Value) -> Option<&str> {
    problem["type"].as_str()?.strip_prefix(TYPE_PREFIX)
}

fn receipt(body: &Value, status: u16) -> Option<Verdict> {
    let seq = body["seq"].as_u64().filter(|_| body["leaf"].is_string())?;
    Some(Verdict::Recorded { seq, new: status == 201 })
}

fn verdicts(body: &Value, count: usize) -> Option<Vec<Verdict>> {
    let results = body["results"].as_array().filter(|results| results.len() == count)?;
    let verdict = |(index, result): (usize, &Value)| {
        let status = result["status"].as_u64().and_then(|status| u16::try_from(status).ok())?;
        let in_place = result["index"].as_u64() == u64::try_from(index).ok();
        match status {
            200 | 201 => receipt(&result["receipt"], status),
            408 | 425 | 429 | 500.. => Some(Verdict::Later),
            400..=499 if code(&result["problem"]).is_some() => {
                Some(Verdict::Refused(result["problem"].clone()))
            }
            _ => None,
        }
        .filter(|_| in_place)
    };
    results.iter().enumerate().map(verdict).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn problem(code: &str) -> Value {
        json!({ "type": format!("{TYPE_PREFIX}{code}") })
    }

    fn response(status: u16, body: &Value) -> Response {
        let media_type = if status < 400 { "application/json" } else { MEDIA_TYPE };
        let body = body.to_string().into_bytes();
        Response { status, media_type: media_type.into(), retry_after: None, body }
    }

    #[test]
    fn each_event_of_a_batch_has_its_own_verdict() {
        let body = json!({ "recorded": 2, "refused": 1, "results": [
            { "index": 0, "status": 201, "receipt": { "seq": 7, "leaf": "aa" } },
            { "index": 1, "status": 422, "problem": problem("unknown-member") },
            { "index": 2, "status": 200, "receipt": { "seq": 3, "leaf": "bb" } },
        ]});
        assert_eq!(
            read(&response(207, &body), 3, false),
            Answer::Judged(vec![
                Verdict::Recorded { seq: 7, new: true },
                Verdict::Refused(problem("unknown-member")),
                Verdict::Recorded { seq: 3, new: false },
            ])
        );
        assert_eq!(read(&response(207, &body), 2, false), Answer::Stranger, "not our batch");
    }

    #[test]
    fn a_single_event_is_recorded_refused_or_put_off() {
        let receipt = json!({ "seq": 7, "leaf": "aa" });
        let recorded = |new| Answer::Judged(vec![Verdict::Recorded { seq: 7, new }]);
        assert_eq!(read(&response(201, &receipt), 1, true), recorded(true));
        assert_eq!(read(&response(200, &receipt), 1, true), recorded(false));
        let id_reused = problem("id-reused");
        assert_eq!(read(&response(409, &id_reused), 1, true), Answer::Refused(id_reused));
        for status in [401, 403] {
            let answer = read(&response(status, &problem("forbidden")), 1, true);
            assert_eq!(answer, Answer::Token(problem("forbidden")));
        }
        for status in [429, 500, 503, 507] {
            let mut busy = response(status, &problem("busy"));
            busy.retry_after = Some("7".into());
            let wait = Some(Duration::from_secs(7));
            assert_eq!(read(&busy, 1, true), Answer::Later { why: "busy".into(), wait });
            busy.retry_after = Some("999999999".into());
            let Answer::Later { wait, .. } = read(&busy, 1, true) else { panic!("later") };
            assert_eq!(wait, Some(RETRY_AFTER_MAX));
        }
    }

    #[test]
    fn a_stranger_neither_records_nor_refuses() {
        let page = |status| Response {
            status,
            media_type: "text/html".into(),
            retry_after: None,
            body: b"<html>sign in to the network</html>".to_vec(),
        };
        for status in [200, 201, 204, 301, 302, 400, 401, 403, 404, 409, 413, 422, 500] {
            for alone in [true, false] {
                assert_eq!(read(&page(status), 1, alone), Answer::Stranger, "{status}");
            }
        }
        let why = "503".to_owned();
        assert_eq!(read(&page(503), 1, false), Answer::Later { why, wait: None });
        assert_eq!(read(&response(200, &json!({})), 1, true), Answer::Stranger);
        assert_eq!(read(&response(404, &problem("not-found")), 1, true), Answer::Stranger);
    }
}
