//! A MES client in one file: record, retry safely, send batches, follow the feed.
//!
//!     PULVERLOG_TOKEN=... cargo run -p tests --example mes_client -- http://127.0.0.1:8780
//!
//! Prints one JSON object for each step.

use std::collections::BTreeSet;
use std::time::Duration;

use anyhow::{Context as _, bail};
use serde_json::{Value, json};

const EVENT: &str = "application/cloudevents+json";
const BATCH: &str = "application/cloudevents-batch+json";
const TRIES: u32 = 6;

struct Client {
    base: String,
    token: String,
    http: ureq::Agent,
}

impl Client {
    fn new(base: &str, token: String) -> Self {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(60)))
            .build();
        Self { base: base.trim_end_matches('/').to_owned(), token, http: config.into() }
    }

    /// Answer as JSON. Waits and asks again while the service is away or busy.
    fn ask(&self, path: &str, body: Option<(&str, &Value)>) -> anyhow::Result<Value> {
        let (url, token) = (format!("{}{path}", self.base), format!("Bearer {}", self.token));
        for attempt in 0..TRIES {
            let sent = match body {
                None => self.http.get(&url).header("authorization", &token).call(),
                Some((media_type, body)) => self
                    .http
                    .post(&url)
                    .header("authorization", &token)
                    .header("content-type", media_type)
                    .send(body.to_string()),
            };
            let mut wait_s = 1 << attempt;
            // No answer says nothing about whether it was recorded; the same bytes are safe.
            if let Ok(mut answer) = sent {
                let status = answer.status();
                let text = answer.body_mut().read_to_string()?;
                if status.is_success() {
                    return Ok(serde_json::from_str(&text)?);
                }
                if !matches!(status.as_u16(), 429 | 503) {
                    // For good: the problem (RFC 9457) has a pointer to the member at fault.
                    bail!("refused: {text}");
                }
                let told = answer.headers().get("retry-after").and_then(|v| v.to_str().ok());
                wait_s = told.and_then(|told| told.parse().ok()).unwrap_or(wait_s);
            }
            std::thread::sleep(Duration::from_secs(wait_s));
        }
        bail!("no answer after {TRIES} tries: keep the event and try later")
    }

    /// Records one event and returns its receipt. Safe to call again with the same event.
    fn record(&self, event: &Value) -> anyhow::Result<Value> {
        self.ask("/v1/events", Some((EVENT, event)))
    }

    /// Records what can be recorded; the result tells of each event, in order.
    fn record_batch(&self, events: &[Value]) -> anyhow::Result<Value> {
        self.ask("/v1/events", Some((BATCH, &json!(events))))
    }

    /// The next entries in order, without gap or double, and where to go on from.
    fn follow(&self, after: Option<u64>) -> anyhow::Result<(Vec<u64>, Option<u64>)> {
        let query = after.map(|after| format!("&after={after}")).unwrap_or_default();
        let page = self.ask(&format!("/v1/feed?wait_s=20{query}"), None)?;
        let items = page["items"].as_array().context("a list of items")?;
        let seqs = items.iter().filter_map(|item| item["seq"].as_u64()).collect();
        Ok((seqs, page["next_after"].as_u64()))
    }
}

/// A meter reading as an event of the catalogue. `now` is RFC 3339.
fn reading(id: u32, now: &str, hours: &str) -> Value {
    json!({
        "specversion": "1.0",
        "id": format!("{now}-{id}"),
        "source": "/mes/line-3",
        "type": "pulverlog.meter.read",
        "subject": "equipment/S-02",
        "site": "north",
        "time": now,
        "operator": "op_k7m2q9xd",
        "data": { "meter": "sift", "reading": { "value": hours, "unit": "h" } },
    })
}

/// RFC 3339, UTC.
#[expect(clippy::disallowed_methods, reason = "a client of its own has no clock but this one")]
fn now() -> String {
    jiff::Timestamp::now().to_string()
}

fn main() -> anyhow::Result<()> {
    let base = std::env::args().nth(1).context("the address of the recorder is needed")?;
    let token = std::env::var("PULVERLOG_TOKEN").context("`PULVERLOG_TOKEN` is needed")?;
    let client = Client::new(&base, token);
    let now = now();

    let event = reading(1, &now, "12.0");
    let (receipt, again) = (client.record(&event)?, client.record(&event)?);
    let first = receipt["seq"].as_u64().context("a receipt")?;
    println!("{}", json!({ "recorded": first, "again": again["seq"] }));

    let events = [reading(2, &now, "12.5"), reading(3, &now, "twelve"), reading(4, &now, "13.0")];
    let result = client.record_batch(&events)?;
    let results = result["results"].as_array().context("a result for each event")?;
    let refused = results.iter().find_map(|one| one["problem"]["pointer"].as_str());
    println!("{}", json!({ "recorded": result["recorded"], "pointer": refused }));

    let mut wanted: BTreeSet<u64> =
        results.iter().filter_map(|one| one["receipt"]["seq"].as_u64()).chain([first]).collect();
    let (mut seen, mut after) = (Vec::new(), first.checked_sub(1));
    while !wanted.is_empty() {
        let (seqs, next) = client.follow(after)?;
        wanted.retain(|seq| !seqs.contains(seq));
        seen.extend(seqs);
        after = next;
    }
    println!("{}", json!({ "followed": seen }));
    Ok(())
}
