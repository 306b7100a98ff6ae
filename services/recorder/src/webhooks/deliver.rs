//! One delivery: the request, what its answer means, and how long to wait after it.

use std::error::Error;
use std::time::Duration;

use chain::entry::leaf_hash;
use jiff::Timestamp;
use jiff::fmt::rfc2822;
use reqwest::header::{CONTENT_TYPE, HeaderMap, RETRY_AFTER};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use super::allow::Inside;
use super::signature::{Message, content_digest};
use super::{Inner, Subscription};
use crate::limits::WEBHOOK_RETRY_AFTER_MAX;
use crate::selection::Chosen;

/// Media type of a delivery.
pub(super) const MEDIA_TYPE: &str = "application/json";

/// What a receiver is sent: one entry of the log.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "WebhookDelivery")]
pub struct Delivery {
    /// Origin of the log. With `seq` it names the entry once and for all: what was received before
    /// is dropped by these two.
    pub log: String,
    /// Number of the entry.
    pub seq: u64,
    /// Its leaf hash.
    pub leaf: String,
    /// The entry, byte for byte.
    #[schemars(schema_with = "crate::api::feed::entry_schema")]
    pub entry: Box<RawValue>,
}

/// Why an entry was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No connection, or none with a certificate that is trusted.
    #[error("the receiver could not be reached")]
    Unreachable,
    /// No answer in time.
    #[error("the receiver did not answer in time")]
    TooSlow,
    /// Its name leads to an address inside that is not listed.
    #[error("the receiver's address is inside and does not stand in `webhooks.allow`")]
    Inside,
    /// A redirect; none is followed.
    #[error("the receiver answered with status {0}; redirects are not followed")]
    Redirected(u16),
    /// Another status than 2xx.
    #[error("the receiver answered with status {status}")]
    Refused {
        /// The status.
        status: u16,
        /// How long it asks to be left alone.
        retry_after: Option<Duration>,
    },
    /// 410: it wants no more.
    #[error("the receiver answered with status 410 and wants no more")]
    Gone,
}

impl Trouble {
    /// A word from a closed set, for counters.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Unreachable => "unreachable",
            Self::TooSlow => "too_slow",
            Self::Inside => "inside",
            Self::Redirected(_) => "redirected",
            Self::Refused { .. } => "refused",
            Self::Gone => "gone",
        }
    }

    pub(super) fn retry_after(&self) -> Option<Duration> {
        match self {
            Self::Refused { retry_after, .. } => *retry_after,
            Self::Unreachable | Self::TooSlow | Self::Inside | Self::Redirected(_) | Self::Gone => {
                None
            }
        }
    }

    fn of(error: &reqwest::Error) -> Self {
        let mut cause: Option<&(dyn Error + 'static)> = Some(error);
        while let Some(error) = cause {
            if error.is::<Inside>() {
                return Self::Inside;
            }
            cause = error.source();
        }
        if error.is_timeout() { Self::TooSlow } else { Self::Unreachable }
    }
}

/// The body of a delivery.
///
/// # Errors
/// In words, if the entry is not JSON, which recovery and every reader before would have found.
pub(super) fn body(log: &str, chosen: &Chosen) -> Result<Vec<u8>, String> {
    let text = String::from_utf8_lossy(&chosen.line).into_owned();
    let entry = RawValue::from_string(text).map_err(|error| error.to_string())?;
    let leaf = leaf_hash(&chosen.line).to_string();
    let delivery = Delivery { log: log.to_owned(), seq: chosen.seq, leaf, entry };
    serde_json::to_vec(&delivery).map_err(|error| error.to_string())
}

impl Inner {
    /// Sends a body once. It is signed anew each time: the signature tells when it was sent.
    pub(super) async fn send(
        &self,
        subscription: &Subscription,
        body: Vec<u8>,
    ) -> Result<(), Trouble> {
        let mut nonce = [0; 16];
        (self.random)().fill(&mut nonce);
        let now_ms = self.clock.now_ms();
        let digest = content_digest(&body);
        let message =
            Message { url: &subscription.url, content_type: MEDIA_TYPE, content_digest: &digest };
        let Some(signer) = &self.signer else { return Err(Trouble::Unreachable) };
        let fields = signer.sign(&message, now_ms.div_euclid(1_000), &nonce);
        let request = self
            .http
            .post(subscription.url.clone())
            .header(CONTENT_TYPE, MEDIA_TYPE)
            .header("content-digest", &digest)
            .header("signature-input", fields.signature_input)
            .header("signature", fields.signature)
            .body(body);
        let result = match request.send().await {
            // The body of the answer is not read: the status says all.
            Ok(answer) => verdict(answer.status().as_u16(), answer.headers(), now_ms),
            Err(error) => Err(Trouble::of(&error)),
        };
        let outcome = result.as_ref().map_or_else(Trouble::code, |()| "delivered");
        let labels = [subscription.name.as_str(), outcome];
        self.metrics.webhook_attempts.with_label_values(&labels).inc();
        result
    }
}

/// What a status means. 410 and `Retry-After` as in CloudEvents, HTTP 1.1 Web Hooks for Event
/// Delivery, section 2.2 (from memory), and RFC 9110 sections 15.5.11 and 10.2.3.
fn verdict(status: u16, headers: &HeaderMap, now_ms: i64) -> Result<(), Trouble> {
    match status {
        200..=299 => Ok(()),
        300..=399 => Err(Trouble::Redirected(status)),
        410 => Err(Trouble::Gone),
        _ => {
            let text = headers.get(RETRY_AFTER).and_then(|value| value.to_str().ok());
            let retry_after = text.and_then(|text| retry_after(text, now_ms));
            Err(Trouble::Refused { status, retry_after })
        }
    }
}

/// `Retry-After` in either of its forms, within [`WEBHOOK_RETRY_AFTER_MAX`].
fn retry_after(text: &str, now_ms: i64) -> Option<Duration> {
    let wait = text.trim().parse().map(Duration::from_secs).ok().or_else(|| {
        let at: Timestamp = rfc2822::DateTimeParser::new().parse_timestamp(text).ok()?;
        let wait_ms = at.as_millisecond().saturating_sub(now_ms);
        Some(Duration::from_millis(wait_ms.max(0).unsigned_abs()))
    })?;
    Some(wait.min(WEBHOOK_RETRY_AFTER_MAX))
}

/// How long to wait after attempt number `attempt` (from 1): twice as long each time up to `longest`,
/// of that a random part between half and all, and at least what the receiver asks for.
pub(super) fn wait(
    attempt: u32,
    (first, longest): (Duration, Duration),
    random: u16,
    asked: Option<Duration>,
) -> Duration {
    let doubled = first.saturating_mul(1_u32.checked_shl(attempt - 1).unwrap_or(u32::MAX));
    let whole = doubled.min(longest);
    let part = whole / 2 + (whole / 2).saturating_mul(u32::from(random)) / u32::from(u16::MAX);
    part.max(asked.unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: Duration = Duration::from_secs(1);

    #[test]
    fn waits_double_up_to_a_limit_and_are_spread() {
        let limits = (S, 3_600 * S);
        for (attempt, random, expected) in [
            (1, u16::MAX, S),
            (2, u16::MAX, 2 * S),
            (12, u16::MAX, 2_048 * S),
            (13, u16::MAX, 3_600 * S),
            (64, u16::MAX, 3_600 * S),
            (3, 0, 2 * S),
        ] {
            assert_eq!(wait(attempt, limits, random, None), expected, "attempt {attempt}");
        }
        assert_eq!(wait(1, limits, 0, Some(90 * S)), 90 * S, "the receiver's word counts");
        assert_eq!(wait(12, limits, u16::MAX, Some(S)), 2_048 * S, "but shortens nothing");
    }

    #[test]
    fn the_receiver_may_ask_for_a_time_in_two_forms_and_not_for_ever() {
        let now_ms = 784_111_777_000; // 1994-11-06T08:49:37Z, the example of RFC 9110 section 5.6.7
        for (text, expected) in [
            ("120", Some(120 * S)),
            ("Sun, 06 Nov 1994 08:50:07 GMT", Some(30 * S)),
            ("Sun, 06 Nov 1994 08:00:00 GMT", Some(Duration::ZERO)),
            ("99999999", Some(WEBHOOK_RETRY_AFTER_MAX)),
            ("soon", None),
            ("-1", None),
        ] {
            assert_eq!(retry_after(text, now_ms), expected, "{text}");
        }
    }

    #[test]
    fn only_2xx_is_a_delivery() {
        let none = HeaderMap::new();
        let verdict = |status| verdict(status, &none, 0);
        assert_eq!(verdict(204), Ok(()));
        assert_eq!(verdict(302), Err(Trouble::Redirected(302)));
        assert_eq!(verdict(410), Err(Trouble::Gone));
        for status in [100, 400, 404, 429, 500, 503, 599] {
            assert_eq!(verdict(status), Err(Trouble::Refused { status, retry_after: None }));
        }
    }
}
