//! Plays a script over HTTP, as the shop's systems and people would: a MES in batches and in
//! binary mode, people one event at a time, every client with its own token.
//!
//! Each site has a lane that sends one post after the other, because a shop waits for one thing
//! before it does the next; the lanes run beside each other and stay within [`DRIFT`] of shop time.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use indicatif::ProgressBar;
use jiff::SignedDuration;
use reqwest::header::CONTENT_TYPE;
use reqwest::{Method, RequestBuilder};
use serde_json::{Value, json};
use tokio::sync::Notify;

use super::clock::ShopClock;
use super::played::{Answer, Played};
use super::shop::{Deposit, EventNo, Item, Mode, Post, Script};

/// How far the shop time of one lane may run ahead of another's. Below the tolerance for clocks
/// that differ, so that the lanes cannot make each other's events look late or early.
const DRIFT: SignedDuration = SignedDuration::from_mins(4);

/// How often a post is sent again when the service is busy or the line breaks.
const TRIES_MAX: u32 = 8;

/// Time a request may take.
const REQUEST_TIME_MAX: Duration = Duration::from_secs(30);

/// Time to wait when the service is busy.
const BUSY_WAIT: Duration = Duration::from_millis(200);

/// What stands before a commitment in an event.
const COMMITMENT: &str = "{\"c\":\"";

/// What stands before the code in a problem's `type`.
const PROBLEM_PREFIX: &str = crate::problem::TYPE_PREFIX;

/// Where the script is played, and with which tokens.
pub struct Stage {
    /// Address of the service, without a slash at the end.
    pub base: String,
    /// Tokens, by client of the script.
    pub tokens: Vec<String>,
}

/// Why the script could not be played to its end.
#[derive(Debug, thiserror::Error)]
pub enum PlayError {
    /// The service could not be reached, or went silent.
    #[error("the service did not answer a post of `{client}` after {TRIES_MAX} tries")]
    Unanswered {
        /// Who posted.
        client: String,
        /// The last try.
        #[source]
        cause: reqwest::Error,
    },
    /// The answer is not what the API description promises.
    #[error("the answer to a post of `{client}` cannot be read: {what}")]
    Unreadable {
        /// Who posted.
        client: String,
        /// What is wrong with it.
        what: String,
    },
    /// An event names one that has no entry.
    #[error("event {event} names event {needs}, which has no entry")]
    Unnamed {
        /// The event.
        event: usize,
        /// The one it names.
        needs: usize,
    },
}

/// What a play leaves.
#[derive(Debug)]
pub struct Performance {
    /// The answers.
    pub played: Played,
    /// Leaf hashes as acknowledged, by entry number.
    pub leaves: BTreeMap<u64, String>,
    /// Requests sent, repeats after a broken line included.
    pub requests: u64,
    /// How long it took.
    pub took: Duration,
}

#[derive(Default)]
struct Receipts {
    played: Played,
    leaves: BTreeMap<u64, String>,
    requests: u64,
}

struct Stand<'a> {
    script: &'a Script,
    stage: &'a Stage,
    clock: &'a ShopClock,
    bar: &'a ProgressBar,
    http: reqwest::Client,
    receipts: Mutex<Receipts>,
    /// Words by their commitment.
    deposits: BTreeMap<&'a str, &'a Deposit>,
    /// Shop time in ms of the next post of each lane.
    next_ms: Vec<AtomicI64>,
    moved: Notify,
}

/// Plays the whole script.
///
/// # Errors
/// [`PlayError`]; what was sent before stays recorded.
pub async fn play(
    script: &Script,
    stage: &Stage,
    clock: &ShopClock,
    bar: &ProgressBar,
) -> Result<Performance, PlayError> {
    let began = Instant::now();
    let mut lanes: BTreeMap<Option<&str>, Vec<&Post>> = BTreeMap::new();
    for post in &script.posts {
        lanes.entry(post.site).or_default().push(post);
    }
    let first = |posts: &Vec<&Post>| posts.first().map_or(i64::MAX, |p| p.at.as_millisecond());
    let stand = Stand {
        script,
        stage,
        clock,
        bar,
        http: client(),
        receipts: Mutex::default(),
        deposits: script.deposits.iter().map(|d| (d.commitment.as_str(), d)).collect(),
        next_ms: lanes.values().map(|posts| AtomicI64::new(first(posts))).collect(),
        moved: Notify::new(),
    };
    let lanes = lanes.values().enumerate().map(|(n, posts)| stand.lane(n, posts));
    futures_util::future::try_join_all(lanes).await?;
    let receipts = stand.receipts.into_inner().unwrap_or_else(PoisonError::into_inner);
    Ok(Performance {
        played: receipts.played,
        leaves: receipts.leaves,
        requests: receipts.requests,
        took: began.elapsed(),
    })
}

/// The person whom an event names as the one a system posts for.
fn operator(event: &str) -> Value {
    let event: Value = serde_json::from_str(event).unwrap_or_default();
    event["operator"].clone()
}

fn client() -> reqwest::Client {
    reqwest::Client::builder()
        .timeout(REQUEST_TIME_MAX)
        .no_proxy()
        .build()
        .expect("a client without special settings")
}

impl Stand<'_> {
    async fn lane(&self, n: usize, posts: &[&Post]) -> Result<(), PlayError> {
        for post in posts {
            self.wait_for_turn(n, post).await;
            self.clock.reach(post.at);
            self.send(post).await?;
            self.bar.inc(post.items.len() as u64);
        }
        self.next_ms[n].store(i64::MAX, Ordering::SeqCst);
        self.moved.notify_waiters();
        Ok(())
    }

    /// Waits until no other lane is more than [`DRIFT`] behind.
    async fn wait_for_turn(&self, n: usize, post: &Post) {
        self.next_ms[n].store(post.at.as_millisecond(), Ordering::SeqCst);
        self.moved.notify_waiters();
        let latest_ms = post.at.as_millisecond() - i64::try_from(DRIFT.as_millis()).unwrap_or(0);
        loop {
            let moved = self.moved.notified();
            let mut moved = std::pin::pin!(moved);
            moved.as_mut().enable();
            if self.next_ms.iter().all(|next| next.load(Ordering::SeqCst) >= latest_ms) {
                return;
            }
            moved.await;
        }
    }

    fn fill(&self, item: &Item) -> Result<String, PlayError> {
        let receipts = self.receipts.lock().unwrap_or_else(PoisonError::into_inner);
        item.event
            .fill(|no| receipts.played.seq(no))
            .map_err(|needs| PlayError::Unnamed { event: item.no.0, needs: needs.0 })
    }

    async fn send(&self, post: &Post) -> Result<(), PlayError> {
        let events =
            post.items.iter().map(|item| self.fill(item)).collect::<Result<Vec<_>, _>>()?;
        for event in &events {
            self.deposit(post, event).await?;
        }
        let (status, body) = self.ask(post, || self.request(post, &events)).await?;
        self.note(post, status, &body).map_err(|what| self.unreadable(post, what))
    }

    /// Deposits the words whose commitment an event holds: first the words, then the event.
    async fn deposit(&self, post: &Post, event: &str) -> Result<(), PlayError> {
        for (before, _) in event.match_indices(COMMITMENT) {
            let from = before + COMMITMENT.len();
            let commitment = event[from..].split('"').next().unwrap_or_default();
            let Some(deposit) = self.deposits.get(commitment) else { continue };
            let salt = BASE64.encode(deposit.salt);
            let request = || match deposit.identity {
                Some(person) => self
                    .with_token(post, Method::PUT, &format!("/v1/people/{person}/identity"))
                    .json(&json!({ "name": deposit.text, "salt": salt })),
                None => {
                    let mut words = json!({ "text": deposit.text, "salt": salt });
                    // A system names the person whose words these are, as in its events.
                    if self.client(post).starts_with("svc_") {
                        words["operator"] = operator(event);
                    }
                    self.with_token(post, Method::POST, "/v1/texts").json(&words)
                }
            };
            let (status, body) = self.ask(post, request).await?;
            if body["c"].as_str() != Some(commitment) {
                let what = format!("status {status} for words that were deposited: {body}");
                return Err(self.unreadable(post, what));
            }
        }
        Ok(())
    }

    /// Sends a request until it is answered.
    async fn ask(
        &self,
        post: &Post,
        request: impl Fn() -> RequestBuilder,
    ) -> Result<(u16, Value), PlayError> {
        let unanswered =
            |cause| PlayError::Unanswered { client: self.client(post).to_owned(), cause };
        let mut tries = 0;
        loop {
            tries += 1;
            self.receipts.lock().unwrap_or_else(PoisonError::into_inner).requests += 1;
            let answer = match request().send().await {
                Ok(answer) => answer,
                // The same ids go again: an event that was recorded gives its first receipt.
                Err(_) if tries < TRIES_MAX => continue,
                Err(cause) => return Err(unanswered(cause)),
            };
            let status = answer.status().as_u16();
            if matches!(status, 429 | 503) && tries < TRIES_MAX {
                tokio::time::sleep(BUSY_WAIT).await;
                continue;
            }
            let body = answer.bytes().await.map_err(unanswered)?;
            let body = serde_json::from_slice(&body)
                .map_err(|error| self.unreadable(post, error.to_string()))?;
            return Ok((status, body));
        }
    }

    fn client(&self, post: &Post) -> &str {
        &self.script.clients[post.client].id
    }

    fn unreadable(&self, post: &Post, what: String) -> PlayError {
        PlayError::Unreadable { client: self.client(post).to_owned(), what }
    }

    fn with_token(&self, post: &Post, method: Method, path: &str) -> RequestBuilder {
        let token = &self.stage.tokens[post.client];
        self.http.request(method, format!("{}{path}", self.stage.base)).bearer_auth(token)
    }

    fn request(&self, post: &Post, events: &[String]) -> RequestBuilder {
        let mut request = self.with_token(post, Method::POST, "/v1/events");
        if post.strict {
            request = request.header("prefer", crate::http::prefer::STRICT);
        }
        match post.mode {
            Mode::Batch => request
                .header(CONTENT_TYPE, edge::event::BATCH_TYPE)
                .body(format!("[{}]", events.join(","))),
            Mode::Single => {
                request.header(CONTENT_TYPE, edge::event::EVENT_TYPE).body(events.concat())
            }
            Mode::Binary => binary(request, &events.concat()),
        }
    }

    /// Keeps what an answer says of each event.
    fn note(&self, post: &Post, status: u16, body: &Value) -> Result<(), String> {
        let mut receipts = self.receipts.lock().unwrap_or_else(PoisonError::into_inner);
        match (post.mode, body.get("results")) {
            (Mode::Batch, Some(Value::Array(results))) if results.len() == post.items.len() => {
                for (item, line) in post.items.iter().zip(results) {
                    let status = line["status"].as_u64().and_then(|s| u16::try_from(s).ok());
                    let part = line.get("receipt").or(line.get("problem")).unwrap_or(&Value::Null);
                    receipts.take(item.no, status.unwrap_or(0), part)?;
                }
                Ok(())
            }
            (Mode::Batch, _) => Err(format!("status {status}, no result for each event: {body}")),
            (Mode::Single | Mode::Binary, _) => receipts.take(post.items[0].no, status, body),
        }
    }
}

impl Receipts {
    fn take(&mut self, no: EventNo, status: u16, part: &Value) -> Result<(), String> {
        let answer = match status {
            200 | 201 => {
                let seq = part["seq"].as_u64().ok_or_else(|| format!("no `seq` in {part}"))?;
                let leaf = part["leaf"].as_str().ok_or_else(|| format!("no `leaf` in {part}"))?;
                let before = self.leaves.insert(seq, leaf.to_owned());
                if before.is_some_and(|before| before != leaf) {
                    return Err(format!("two leaf hashes were acknowledged for entry {seq}"));
                }
                if status == 201 { Answer::Recorded(seq) } else { Answer::Known(seq) }
            }
            _ => refused(part),
        };
        self.played.note(no, answer);
        Ok(())
    }
}

fn refused(problem: &Value) -> Answer {
    let code = problem["type"].as_str().and_then(|t| t.strip_prefix(PROBLEM_PREFIX));
    match code {
        Some("id-reused") => Answer::Conflict,
        Some("forbidden") => Answer::Forbidden,
        Some("stopped") => {
            let findings = problem["findings"].as_array().into_iter().flatten();
            let rules = findings.filter_map(|f| f["rule"].as_str().map(str::to_owned));
            Answer::Stopped(rules.collect())
        }
        Some(_) | None => Answer::Other(problem.to_string()),
    }
}

/// CloudEvents binary mode: attributes in headers, data in the body (HTTP protocol binding 3.1).
/// All attributes of the script are printable ASCII and need no percent-encoding.
fn binary(mut request: RequestBuilder, event: &str) -> RequestBuilder {
    let event: Value = serde_json::from_str(event).expect("the script writes JSON");
    for (name, value) in event.as_object().into_iter().flatten() {
        if let (Some(text), false) = (value.as_str(), name == "datacontenttype") {
            request = request.header(format!("ce-{name}"), text);
        }
    }
    request.header(CONTENT_TYPE, "application/json").body(event["data"].to_string())
}
