//! Refused requests as entries, within bounds: whoever has no right to write must not make the log
//! grow at will.

use std::collections::HashMap;
use std::num::NonZeroU32;
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use governor::{DefaultDirectRateLimiter, Quota, RateLimiter};
use shopfloor::Event;
use shopfloor::ids::Label;
use shopfloor::record::events::AccessRefused;

use crate::app::Recorder;
use crate::authn::Identity;
use crate::limits::{RATE_CLIENTS_MAX, REFUSAL_REPEAT_GAP, REFUSALS_RECORDED_PER_MINUTE};

/// Which refusals were recorded lately.
#[derive(Debug)]
pub(crate) struct Refusals {
    all: DefaultDirectRateLimiter,
    last: Mutex<HashMap<(String, &'static str), Instant>>,
}

impl Refusals {
    pub(crate) fn new() -> Self {
        let quota = NonZeroU32::new(REFUSALS_RECORDED_PER_MINUTE).unwrap_or(NonZeroU32::MIN);
        Self {
            all: RateLimiter::direct(Quota::per_minute(quota)),
            last: Mutex::new(HashMap::new()),
        }
    }

    /// Whether this refusal is worth an entry: the first of this client and operation for a while,
    /// and not too many of all clients.
    fn is_news(&self, subject: &str, operation: &'static str) -> bool {
        let now = Instant::now();
        let mut last = self.last.lock().unwrap_or_else(PoisonError::into_inner);
        last.retain(|_, at| now.duration_since(*at) < REFUSAL_REPEAT_GAP);
        let key = (subject.to_owned(), operation);
        if last.contains_key(&key) || last.len() >= RATE_CLIENTS_MAX || self.all.check().is_err() {
            return false;
        }
        last.insert(key, now);
        true
    }

    /// Records a refusal or counts it only. The client does not wait for the entry.
    pub(crate) fn note(&self, recorder: &Recorder, who: &Identity, operation: &'static str) {
        if !self.is_news(&who.subject, operation) {
            recorder.metrics.refusals_skipped.inc();
            return;
        }
        recorder.metrics.refusals_recorded.inc();
        let event = Event::AccessRefused(AccessRefused {
            operation: operation.to_owned(),
            roles: who.roles.clone(),
            who: Label::new(&who.subject).ok(),
        });
        let log = recorder.log.clone();
        actix_web::rt::spawn(async move {
            if let Err(error) = log.record_own(&event, None).await {
                tracing::warn!(%error, "a refusal could not be recorded");
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refusals_cannot_flood_the_log() {
        let refusals = Refusals::new();
        assert!(refusals.is_news("op_a", "readEntry"));
        assert!(!refusals.is_news("op_a", "readEntry"), "again is no news");
        let recorded = (0..1_000).filter(|n| refusals.is_news(&format!("op_{n}"), "readEntry"));
        assert!(recorded.count() < REFUSALS_RECORDED_PER_MINUTE as usize);
    }
}
