//! Sending events: single, in batches, in binary mode (CloudEvents 1.0, HTTP protocol binding).

use std::collections::HashMap;

use actix_web::http::StatusCode;
use actix_web::http::header::HeaderMap;
use actix_web::{HttpRequest, HttpResponse, post, web};
use chain::canon::{self, Limits, Value};
use chain::entry::ClientSignature;
use chain::limits::EVENT_DEPTH_MAX;
use chain::note::{KeyKind, VerifierKey};
use edge::event::{self, BATCH_TYPE, Binary, EVENT_TYPE, SIGNATURE_HEADER, percent_decoded};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use shopfloor::Event;
use shopfloor::record::events::KeyUse;
use tracing::Instrument as _;

use super::wire::{BatchItemView, BatchView, FindingView, ReceiptView, TrialView, cautions};
use crate::app::{Caller, Recorder};
use crate::authz;
use crate::http::{body, prefer};
use crate::limits::{BATCH_BODY_BYTES_MAX, BATCH_EVENTS_MAX, EVENT_BODY_BYTES_MAX};
use crate::log::{Handling, Outcome, ReadEvent, Submission};
use crate::problem::{Kind, Problem, Result, echo};
use crate::telemetry;

/// Parameters of sending.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema, utoipa::IntoParams)]
#[serde(deny_unknown_fields, default)]
#[into_params(parameter_in = Query)]
pub struct RecordQuery {
    /// Judge the event and tell the findings; record nothing.
    pub dry_run: bool,
}

/// What an event says where its attributes stand, and how events are wrapped.
enum Sent {
    One(Value),
    Many(Vec<Value>),
}

/// Record one event or a batch
///
/// The answer comes when the events are on disk. Send again with the same `source` and `id` until
/// there is one: an event is never recorded twice.
#[utoipa::path(
    operation_id = "recordEvents", tag = "events",
    params(RecordQuery),
    responses(
        (status = 201, description = "Recorded now.", body = ReceiptView),
    ),
)]
#[post("/v1/events")]
pub(super) async fn record_events(
    recorder: web::Data<Recorder>,
    caller: Caller,
    request: HttpRequest,
    query: web::Query<RecordQuery>,
    payload: web::Payload,
) -> Result<HttpResponse> {
    let handling = Handling { dry_run: query.dry_run, ..prefer::read(request.headers()) };
    let signature = signature(request.headers())?;
    let reading = tracing::info_span!(target: telemetry::STEP, "read");
    let response = match read(&request, payload).instrument(reading).await? {
        Sent::One(event) => one(&recorder, &caller, &event, signature, handling).await?,
        Sent::Many(_) if signature.is_some() => {
            let detail = "a signature belongs to one event: send signed events one by one";
            return Err(Problem::parameter(SIGNATURE_HEADER, detail));
        }
        Sent::Many(events) => many(&recorder, &caller, &events, handling).await?,
    };
    Ok(response)
}

async fn read(request: &HttpRequest, payload: web::Payload) -> Result<Sent> {
    let depth = EVENT_DEPTH_MAX;
    match body::media_type(request)?.as_str() {
        EVENT_TYPE => {
            let bytes = body::read(request, payload, EVENT_BODY_BYTES_MAX).await?;
            parse(&bytes, EVENT_BODY_BYTES_MAX, depth).map(Sent::One)
        }
        BATCH_TYPE => {
            let bytes = body::read(request, payload, BATCH_BODY_BYTES_MAX).await?;
            match parse(&bytes, BATCH_BODY_BYTES_MAX, depth + 1)? {
                Value::Array(events) if events.len() > BATCH_EVENTS_MAX => {
                    let detail = format!("a batch has at most {BATCH_EVENTS_MAX} events");
                    Err(Problem::new(Kind::BodyTooLarge, detail))
                }
                Value::Array(events) => Ok(Sent::Many(events)),
                _ => Err(Problem::new(Kind::WrongType, "a batch is an array of events").at("")),
            }
        }
        "application/json" if request.headers().contains_key("ce-specversion") => {
            let bytes = body::read(request, payload, EVENT_BODY_BYTES_MAX).await?;
            let data =
                parse(&bytes, EVENT_BODY_BYTES_MAX, depth - 1).map_err(|problem| match problem
                    .pointer
                    .clone()
                {
                    Some(pointer) => problem.at(format!("/data{pointer}")),
                    None => problem,
                })?;
            binary(request.headers(), data).map(Sent::One)
        }
        other => {
            let detail = format!(
                "`{}` is not understood: send `{EVENT_TYPE}`, `{BATCH_TYPE}`, or `application/json` \
                 with `ce-` headers",
                echo(other)
            );
            Err(Problem::new(Kind::UnsupportedMediaType, detail))
        }
    }
}

fn parse(bytes: &[u8], max_bytes: usize, max_depth: u8) -> Result<Value> {
    Ok(canon::parse_with(bytes, Limits { max_depth, max_bytes })?)
}

/// Puts an event together from its headers and its data (HTTP protocol binding, section 3.1).
fn binary(headers: &HeaderMap, data: Value) -> Result<Value> {
    let mut event = Binary::of(data);
    for (name, value) in headers {
        let Some(attribute) = name.as_str().strip_prefix("ce-") else { continue };
        let bad =
            |what: &dyn std::fmt::Display| Problem::parameter(name.as_str(), what.to_string());
        let text = value.to_str().ok().and_then(percent_decoded);
        let text = text.ok_or_else(|| bad(&"the value is not percent-encoded UTF-8"))?;
        event.put(attribute, text).map_err(|error| bad(&error))?;
    }
    Ok(event.event())
}

/// Reads the client's signature.
fn signature(headers: &HeaderMap) -> Result<Option<ClientSignature>> {
    let mut all = headers.get_all(SIGNATURE_HEADER);
    let value = match (all.next(), all.next()) {
        (None, _) => return Ok(None),
        (Some(value), None) => value.to_str().ok(),
        (Some(_), Some(_)) => None,
    };
    let read = value.and_then(event::signature);
    read.map(Some).ok_or_else(|| Problem::parameter(SIGNATURE_HEADER, event::SIGNATURE_FORM))
}

/// Reads an event, checks the right to record it and prepares it for the writer.
fn prepare(
    recorder: &Recorder,
    caller: &Caller,
    event: &Value,
    signature: Option<ClientSignature>,
    handling: Handling,
) -> Result<Submission> {
    let read = ReadEvent::read(event)?;
    let (envelope, kind) = (read.envelope(), read.event().kind());
    authz::may_record(caller, envelope, kind)?;
    let now_s = recorder.now().as_second();
    authz::may_sign(caller, kind, &recorder.config.auth, now_s)?;
    check_keys(recorder, caller, read.event())?;
    let operator = envelope.operator.as_ref().filter(|_| caller.is_service());
    let actor = caller.actor(operator);
    if let Some(signature) = &signature {
        recorder.log.check_signature(signature, read.bytes())?;
    }
    Submission::new(actor, read, signature, handling)
}

/// A key that is told to the log can be used and is asked for by one of two people. What cannot be
/// used must not look as if it protected anything; what one person does alone, a thief does.
fn check_keys(recorder: &Recorder, caller: &Caller, event: &Event) -> Result<()> {
    let invalid = |detail: String, at: &str| Problem::new(Kind::InvalidValue, detail).at(at);
    let approver = match event {
        Event::KeyEnrolled(enrolled) => {
            let key: VerifierKey = enrolled.key.parse().map_err(|error| {
                invalid(format!("the key cannot be used: {error}"), "/data/key")
            })?;
            if key.kind() != KeyKind::Ed25519 {
                return Err(invalid("a key that signs is of type 0x01".to_owned(), "/data/key"));
            }
            if enrolled.usage == KeyUse::Log && key.name() == recorder.log.origin() {
                let detail = "a log keeps its key: this names that of the next log, by its origin";
                return Err(invalid(detail.to_owned(), "/data/key"));
            }
            &enrolled.approved_by
        }
        Event::KeyRevoked(revoked) => &revoked.approved_by,
        _ => return Ok(()),
    };
    if approver.as_str() == caller.subject {
        let detail = "whoever asks does not approve: name the second person";
        return Err(invalid(detail.to_owned(), "/data/approved_by"));
    }
    Ok(())
}

async fn one(
    recorder: &Recorder,
    caller: &Caller,
    event: &Value,
    signature: Option<ClientSignature>,
    handling: Handling,
) -> Result<HttpResponse> {
    let counted = |result: &'static str| {
        recorder.metrics.events.with_label_values(&[result]).inc();
    };
    let submission = prepare(recorder, caller, event, signature, handling)
        .inspect_err(|_| counted("refused"))?;
    let caution_ids = submission.kind().cautions;
    let mut outcomes = recorder.log.submit(vec![submission], handling).await?;
    let outcome = outcomes.pop().ok_or_else(|| Problem::new(Kind::Unanswered, "no answer"))?;
    let item = item(recorder, outcome, caution_ids);
    let mut response = HttpResponse::build(status(item.status));
    if let Some(applied) = prefer::applied(handling) {
        response.insert_header((prefer::PREFERENCE_APPLIED, applied));
    }
    counted(item.word());
    match item.result {
        Ok(Answer::Receipt(receipt)) => {
            response.insert_header(("location", format!("/v1/entries/{}", receipt.seq)));
            Ok(response.json(receipt))
        }
        Ok(Answer::Trial(trial)) => Ok(response.json(trial)),
        Err(problem) => Err(problem),
    }
}

async fn many(
    recorder: &Recorder,
    caller: &Caller,
    events: &[Value],
    handling: Handling,
) -> Result<HttpResponse> {
    let mut items: Vec<Option<Item>> = events.iter().map(|_| None).collect();
    let mut submissions = Vec::with_capacity(events.len());
    let mut places = Vec::with_capacity(events.len());
    for (index, event) in events.iter().enumerate() {
        match prepare(recorder, caller, event, None, handling) {
            Ok(submission) => {
                places.push((index, submission.kind().cautions));
                submissions.push(submission);
            }
            Err(problem) => items[index] = Some(Item::refused(problem)),
        }
    }
    let all_readable = submissions.len() == events.len();
    if handling.whole && !all_readable {
        for (index, _) in places {
            items[index] = Some(Item::with_its_batch());
        }
    } else if !submissions.is_empty() {
        let outcomes = recorder.log.submit(submissions, handling).await?;
        for ((index, caution_ids), outcome) in places.into_iter().zip(outcomes) {
            items[index] = Some(item(recorder, outcome, caution_ids));
        }
    }
    Ok(answer_many(recorder, caller, items, handling))
}

/// What became of one event, before it is written down.
struct Item {
    status: u16,
    result: Result<Answer>,
}

enum Answer {
    Receipt(ReceiptView),
    Trial(TrialView),
}

impl Item {
    fn refused(problem: Problem) -> Self {
        Self { status: problem.kind.row().status, result: Err(problem) }
    }

    fn with_its_batch() -> Self {
        let detail = "another event of the batch was refused, and the batch is recorded as a whole";
        Self::refused(Problem::new(Kind::BatchRefused, detail))
    }

    /// The word in the metrics.
    fn word(&self) -> &'static str {
        match (&self.result, self.status) {
            (Ok(Answer::Receipt(_)), 201) => "recorded",
            (Ok(Answer::Receipt(_)), _) => "known",
            (Ok(Answer::Trial(_)), _) => "tried",
            (Err(_), _) => "refused",
        }
    }
}

fn item(recorder: &Recorder, outcome: Outcome, caution_ids: &[&str]) -> Item {
    let receipt = |status, receipt: &_, findings: &[_]| Item {
        status,
        result: Ok(Answer::Receipt(ReceiptView::new(
            recorder.log.origin(),
            receipt,
            findings,
            caution_ids,
        ))),
    };
    match outcome {
        Outcome::Recorded(r, findings) => receipt(201, &r, &findings),
        Outcome::Known(r, findings) => receipt(200, &r, &findings),
        Outcome::Tried { as_of, would_stop, findings } => {
            let trial = TrialView {
                dry_run: true,
                as_of,
                would_stop,
                findings: findings.iter().map(FindingView::from).collect(),
                cautions: cautions(caution_ids),
            };
            Item { status: 200, result: Ok(Answer::Trial(trial)) }
        }
        Outcome::IdReused(seq) => {
            let earlier =
                seq.map_or("an event before it".to_owned(), |seq| format!("entry `{seq}`"));
            let detail = format!("{earlier} has this `source` and `id` and another content");
            let mut problem = Problem::new(Kind::IdReused, detail).at("/id");
            problem.seq = seq;
            Item::refused(problem)
        }
        Outcome::Stopped { findings, refused_in } => {
            let rules: Vec<String> = findings.iter().map(|f| format!("`{}`", f.rule)).collect();
            let detail = format!("stopped by {}", rules.join(", "));
            let mut problem = Problem::new(Kind::Stopped, detail);
            problem.findings = findings.iter().map(FindingView::from).collect();
            problem.seq = Some(refused_in);
            Item::refused(problem)
        }
        Outcome::Refused(refusal) => Item::refused(refusal.into()),
        Outcome::NotTried => Item::with_its_batch(),
    }
}

fn answer_many(
    recorder: &Recorder,
    caller: &Caller,
    items: Vec<Option<Item>>,
    handling: Handling,
) -> HttpResponse {
    let mut counts: HashMap<&'static str, u64> = HashMap::new();
    let mut view = BatchView { recorded: 0, refused: 0, results: Vec::with_capacity(items.len()) };
    for (index, item) in items.into_iter().enumerate() {
        let item = item.unwrap_or_else(Item::with_its_batch);
        *counts.entry(item.word()).or_default() += 1;
        let mut line =
            BatchItemView { index, status: item.status, receipt: None, trial: None, problem: None };
        match item.result {
            Ok(Answer::Receipt(receipt)) => line.receipt = Some(receipt),
            Ok(Answer::Trial(trial)) => line.trial = Some(trial),
            Err(problem) => {
                recorder.count_problem(problem.kind);
                if problem.kind.status() == StatusCode::FORBIDDEN {
                    recorder.note_refusal(caller, "recordEvents");
                }
                line.problem = Some(problem.body(None));
            }
        }
        match line.problem {
            Some(_) => view.refused += 1,
            None => view.recorded += 1,
        }
        view.results.push(line);
    }
    for word in ["recorded", "known", "tried", "refused"] {
        let count = counts.get(word).copied().unwrap_or(0);
        recorder.metrics.events.with_label_values(&[word]).inc_by(count);
    }
    let status = if view.refused == 0 { StatusCode::OK } else { StatusCode::MULTI_STATUS };
    let mut response = HttpResponse::build(status);
    if let Some(applied) = prefer::applied(handling) {
        response.insert_header((prefer::PREFERENCE_APPLIED, applied));
    }
    response.json(view)
}

fn status(code: u16) -> StatusCode {
    StatusCode::from_u16(code).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
}
