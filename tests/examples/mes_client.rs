//! A MES client in one file: record, retry safely, send batches, follow the feed, check webhooks.
//!
//!     PULVERLOG_TOKEN=... cargo run -p tests --example mes_client -- http://127.0.0.1:8780
//!     mes_client http://127.0.0.1:8780 check-delivery mes.example.org < request
//!
//! Prints one JSON object for each step. The second form checks a request that a webhook sent to the
//! host `mes.example.org`, byte for byte as it came, and ends with 1 if it is not to be believed.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read as _;
use std::time::Duration;

use anyhow::{Context as _, bail, ensure};
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD as BASE64, URL_SAFE_NO_PAD as BASE64_URL};
use ed25519_dalek::{Signature, VerifyingKey};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

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

/// A request as it came.
struct Request<'r> {
    /// Path and query.
    target: &'r str,
    /// With lower-case names.
    headers: BTreeMap<String, &'r str>,
    body: &'r [u8],
}

impl<'r> Request<'r> {
    fn read(raw: &'r [u8]) -> anyhow::Result<Self> {
        let end = raw.windows(4).position(|four| four == b"\r\n\r\n").context("a head")?;
        let mut lines = std::str::from_utf8(&raw[..end])?.split("\r\n");
        let target = lines.next().and_then(|line| line.split(' ').nth(1)).context("a target")?;
        let pairs = lines.filter_map(|line| line.split_once(": "));
        let headers = pairs.map(|(name, value)| (name.to_ascii_lowercase(), value)).collect();
        Ok(Self { target, headers, body: &raw[end + 4..] })
    }

    fn header(&self, name: &str) -> &'r str {
        self.headers.get(name).copied().unwrap_or_default()
    }

    /// The delivery as JSON, checked as the description says (RFC 9421, RFC 9530). `host`, with its
    /// port unless it is 443, is the receiver's own, not one that a proxy wrote; `keys` is the key
    /// set of the service, `now_s` is in seconds since 1970.
    fn check_delivery(&self, host: &str, keys: &Value, now_s: i64) -> anyhow::Result<Value> {
        let digest = BASE64.encode(Sha256::digest(self.body));
        let sent = format!("sha-256=:{digest}:");
        ensure!(self.header("content-digest") == sent, "the body is not the one that was sent");
        let input = self.header("signature-input").strip_prefix("pulverlog=");
        let input = input.context("it is not signed")?;
        let list = input.strip_prefix('(').and_then(|rest| rest.split_once(')'));
        let (list, parameters) = list.context("it is not signed")?;
        let names: Vec<&str> = list.split(' ').map(|name| name.trim_matches('"')).collect();
        for name in ["@method", "@authority", "@path", "@query", "content-type", "content-digest"] {
            ensure!(names.contains(&name), "not everything is signed");
        }
        let pairs = parameters.split(';').filter_map(|one| one.split_once('='));
        let parameters: BTreeMap<&str, &str> =
            pairs.map(|(name, value)| (name, value.trim_matches('"'))).collect();
        let is_ours = parameters.get("tag") == Some(&"pulverlog-webhook")
            && parameters.get("alg") == Some(&"ed25519");
        ensure!(is_ours, "it is signed for something else");
        let created_s: i64 = parameters.get("created").context("a time")?.parse()?;
        let is_new = now_s.abs_diff(created_s) <= 300;
        ensure!(is_new, "it is too old, or one of the clocks is wrong");
        let mut known = keys["keys"].as_array().into_iter().flatten();
        let key = known
            .find(|key| key["kid"].as_str() == parameters.get("keyid").copied())
            .context("the key is unknown: fetch the keys again, at most once a minute")?;
        let x = BASE64_URL.decode(key["x"].as_str().context("a key")?)?;
        let key = VerifyingKey::from_bytes(x.as_slice().try_into()?)?;

        let (path, query) = self.target.split_once('?').unwrap_or((self.target, ""));
        let mut base = String::new();
        for name in names {
            let value = match name {
                "@method" => "POST",
                "@authority" => host,
                "@path" => path,
                "@query" => &format!("?{query}"),
                name => self.header(name),
            };
            base.push_str(&format!("\"{name}\": {value}\n"));
        }
        base.push_str(&format!("\"@signature-params\": {input}"));
        let signature = self.header("signature").strip_prefix("pulverlog=:");
        let signature = signature.and_then(|rest| rest.strip_suffix(':')).context("a signature")?;
        let signature = Signature::from_slice(&BASE64.decode(signature)?)?;
        let fits = key.verify_strict(base.as_bytes(), &signature).is_ok();
        ensure!(fits, "the signature does not fit");
        Ok(serde_json::from_slice(self.body)?)
    }
}

/// Checks the request on the standard input.
fn check_delivery(base: &str, host: &str) -> anyhow::Result<()> {
    // Over TLS, and kept: asked again only for an unknown `keyid`.
    let url = format!("{}/.well-known/jwks.json", base.trim_end_matches('/'));
    let keys = ureq::get(&url).call()?.body_mut().read_to_string()?;
    let mut raw = Vec::new();
    std::io::stdin().read_to_end(&mut raw)?;
    let keys = serde_json::from_str(&keys)?;
    let delivery = Request::read(&raw)?.check_delivery(host, &keys, now().as_second())?;
    // What was received before has the same two.
    println!("{}", json!({ "log": delivery["log"], "seq": delivery["seq"] }));
    Ok(())
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

#[expect(clippy::disallowed_methods, reason = "a client of its own has no clock but this one")]
fn now() -> jiff::Timestamp {
    jiff::Timestamp::now()
}

fn main() -> anyhow::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let base = match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [base, "check-delivery", host] => return check_delivery(base, host),
        [base] => base,
        _ => bail!("the address of the recorder is needed"),
    };
    let token = std::env::var("PULVERLOG_TOKEN").context("`PULVERLOG_TOKEN` is needed")?;
    let client = Client::new(base, token);
    let now = now().to_string();

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
