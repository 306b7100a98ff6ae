//! The commands beside `serve`. They speak to the running relay over loopback; address and token lie in
//! a file of the data folder that only the relay's user can read.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::{Context as _, Result, bail};
use serde_json::Value;

use crate::clients::token_sha256;

/// Name of the file in the data folder.
pub const CONTROL_FILE: &str = "control";

/// A running relay.
#[derive(Debug)]
pub struct Relay {
    base: String,
    token: String,
    agent: ureq::Agent,
}

impl Relay {
    /// The relay that runs in a data folder.
    ///
    /// # Errors
    /// When none has run there.
    pub fn find(data_dir: &Path) -> Result<Self> {
        let path = data_dir.join(CONTROL_FILE);
        let text = std::fs::read_to_string(&path).with_context(|| {
            format!(
                "could not read `{}`: the relay does not run, or as another user",
                path.display()
            )
        })?;
        let (base, token) = text.trim().split_once(' ').context("the control file is damaged")?;
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(std::time::Duration::from_secs(30)))
            .build();
        Ok(Self { base: base.to_owned(), token: token.to_owned(), agent: config.into() })
    }

    fn read(mut answer: ureq::http::Response<ureq::Body>) -> Result<Value> {
        let status = answer.status();
        let body = answer.body_mut().with_config().limit(1 << 30).read_to_vec()?;
        let body: Value = serde_json::from_slice(&body).unwrap_or_default();
        if !status.is_success() {
            bail!("{}", body["detail"].as_str().unwrap_or("the relay refused"));
        }
        Ok(body)
    }

    fn get(&self, path: &str) -> Result<Value> {
        let request = self.agent.get(format!("{}{path}", self.base));
        let request = request.header("authorization", format!("Bearer {}", self.token));
        Self::read(request.call().context("the relay does not answer: does it run?")?)
    }

    /// What it is doing.
    ///
    /// # Errors
    /// When it does not answer.
    pub fn status(&self) -> Result<Value> {
        self.get("/v1/status")
    }

    /// The refused entries, the oldest first.
    ///
    /// # Errors
    /// When it does not answer.
    pub fn refused(&self) -> Result<Value> {
        Ok(self.get("/v1/refused")?["items"].take())
    }

    /// Sends an entry again; as `corrected`, if that is not empty.
    ///
    /// # Errors
    /// Why it was not sent.
    pub fn resend(&self, id: &str, corrected: &[u8]) -> Result<()> {
        let request = self.agent.post(format!("{}/v1/refused/{id}/resend", self.base));
        let request = request.header("authorization", format!("Bearer {}", self.token));
        Self::read(request.send(corrected).context("the relay does not answer: does it run?")?)
            .map(drop)
            .with_context(|| format!("`{id}` was not sent again"))
    }
}

/// Ids of the entries that were events.
pub fn resendable(items: &Value) -> Vec<String> {
    let items = items.as_array().map_or(&[][..], Vec::as_slice);
    let was_event = |item: &&Value| item["events"].as_array().is_some_and(|e| !e.is_empty());
    items.iter().filter(was_event).filter_map(|i| i["id"].as_str().map(str::to_owned)).collect()
}

/// Entries for people: two lines each.
pub fn table(items: &Value) -> String {
    let mut out = String::new();
    let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
    for item in items.as_array().map_or(&[][..], Vec::as_slice) {
        let no_events = Vec::new();
        let events = item["events"].as_array().unwrap_or(&no_events);
        let what = match &events[..] {
            [] => "no event".to_owned(),
            [one] => {
                format!("{} {} {}", text(&one["type"]), text(&one["source"]), text(&one["id"]))
            }
            [first, ..] => format!("{} events from {} on", events.len(), text(&first["id"])),
        };
        let (id, at, from) = (text(&item["id"]), text(&item["refused_at"]), &item["head"]["from"]);
        // Writing into a string cannot fail.
        let _ = writeln!(out, "{id}  {at}  {}  {what}", text(from));
        let no_problems = Vec::new();
        for problem in item["problems"].as_array().unwrap_or(&no_problems) {
            if problem.is_null() {
                continue;
            }
            let code = text(&problem["type"]);
            let code = code.rsplit(':').next().unwrap_or_default();
            let pointer = problem["pointer"].as_str().unwrap_or_default();
            let _ = writeln!(out, "    {code} {pointer}: {}", text(&problem["detail"]));
        }
    }
    out
}

/// A new token, with the lines for the clients file.
///
/// # Errors
/// When there is no randomness, or the name is none.
pub fn new_token(name: &str, random: fn(&mut [u8]) -> Result<()>) -> Result<String> {
    let formed = !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
    anyhow::ensure!(formed, "a client's name is letters, digits and hyphens");
    let mut bytes = [0; 32];
    random(&mut bytes)?;
    let token = hex::encode(bytes);
    let hash = hex::encode(token_sha256(&token));
    Ok(format!(
        "# The token, for the machine; it is not kept here:\n{token}\n\
         # For the clients file:\n[{name}]\ntoken_sha256 = \"{hash}\"\n"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn entries_are_listed_with_what_and_why() {
        let items = json!([
            {
                "id": "a1", "refused_at": "2026-03-05T13:07:00.000Z", "head": { "from": "press-1" },
                "events": [{ "type": "pulverlog.meter.read", "source": "/m/1", "id": "7" }],
                "problems": [{ "type": "urn:pulverlog:problem:unknown-member", "pointer": "/data/x",
                    "detail": "`x` is not known" }],
            },
            { "id": "b2", "events": [], "problems": [null] },
        ]);
        let table = table(&items);
        assert!(table.contains("press-1  pulverlog.meter.read /m/1 7"), "{table}");
        assert!(table.contains("    unknown-member /data/x: `x` is not known"), "{table}");
        assert!(table.contains("b2  -  -  no event"), "{table}");
        assert_eq!(resendable(&items), ["a1"]);
    }
}
