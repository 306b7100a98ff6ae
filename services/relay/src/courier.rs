//! The one delivery loop: takes the oldest parcels from the spool, sends them on, and moves on only when
//! the recorder has said of each what became of it.
//!
//! One request is under way at a time, and the next begins with the oldest parcel that is not
//! delivered: what arrives at the recorder has the order in which it was taken. What is sent twice
//! because an answer was lost, the recorder knows by `source` and `id`; that, and not this loop, is
//! what makes it exactly once.

use std::sync::Arc;
use std::time::Duration;

use serde_json::Value;

use crate::Clock;
use crate::answer::{self, Answer, Response, Verdict};
use crate::limits::{BATCH_BODY_BYTES_MAX, BATCH_EVENTS_MAX, PAUSE_MIN};
use crate::line::{Line, State};
use crate::metrics::Metrics;
use crate::refused::{Entry, Refused};
use crate::spool::{Spool, Waiting};
use crate::wire::{BATCH_TYPE, EVENT_TYPE};

/// One request to the recorder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shipment {
    /// `Content-Type`.
    pub media_type: &'static str,
    /// `Prefer`, as it was sent to us.
    pub prefer: Option<String>,
    /// The client's signature, as it was sent to us.
    pub signature: Option<String>,
    /// The body.
    pub body: Vec<u8>,
}

/// The way to the recorder.
pub trait Upstream: Send {
    /// Posts to `/v1/events`.
    ///
    /// # Errors
    /// Why there was no answer; whether the events were recorded is then unknown.
    fn post(&mut self, shipment: &Shipment) -> Result<Response, String>;
}

/// What a step of the loop came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Nothing waits.
    Idle,
    /// Something was delivered; go on.
    Moved,
    /// Try again after this time.
    Pause(Duration),
}

/// The loop's state.
pub struct Courier<U> {
    /// Where parcels wait.
    pub spool: Arc<Spool>,
    /// Where refused ones go.
    pub refused: Arc<Refused>,
    /// Most of them.
    pub refused_max: usize,
    /// The way to the recorder.
    pub upstream: U,
    /// What everybody may see of the loop.
    pub line: Arc<Line>,
    /// Counters.
    pub metrics: Metrics,
    /// The time.
    pub clock: Clock,
    /// Random numbers, for jitter.
    pub random: Box<dyn FnMut() -> u32 + Send>,
    /// Longest pause of our own accord.
    pub pause_max: Duration,
    /// Failures in a row.
    pub failures: u32,
    /// Most parcels in the next request: halved while a request as a whole cannot be taken.
    pub most: usize,
}

/// How many of the oldest parcels can go in one request: signed events and batches that are recorded
/// as a whole go alone, others with those of the same preferences.
fn together(waiting: &[Waiting]) -> usize {
    let Some(first) = waiting.first() else { return 0 };
    let alone = |one: &Waiting| one.parcel.head.whole || one.parcel.head.signature.is_some();
    if alone(first) {
        return 1;
    }
    let prefer = &first.parcel.head.prefer;
    waiting.iter().take_while(|one| !alone(one) && one.parcel.head.prefer == *prefer).count()
}

fn shipment(waiting: &[Waiting]) -> Shipment {
    let head = waiting.first().map(|one| &one.parcel.head);
    let prefer = head.and_then(|head| head.prefer.clone());
    let signature = head.and_then(|head| head.signature.clone());
    let events = waiting.iter().flat_map(|one| &one.parcel.events);
    if signature.is_some() {
        let body = events.flatten().copied().collect();
        return Shipment { media_type: EVENT_TYPE, prefer, signature, body };
    }
    let mut body = vec![b'['];
    for event in events {
        if body.len() > 1 {
            body.push(b',');
        }
        body.extend_from_slice(event);
    }
    body.push(b']');
    Shipment { media_type: BATCH_TYPE, prefer, signature, body }
}

impl<U: Upstream> Courier<U> {
    /// Delivers the next parcels, or says what to do instead.
    pub fn step(&mut self) -> Step {
        let waiting = match self.spool.waiting(self.most, BATCH_BODY_BYTES_MAX - 2) {
            Ok(waiting) => waiting,
            Err(error) => return self.disk(&error),
        };
        if waiting.is_empty() {
            self.line.set(State::Idle, "", "", (self.clock)());
            return Step::Idle;
        }
        if self.refused.count() >= self.refused_max {
            let detail =
                "as many refused events are kept as may be: look at them and send them again";
            return self.pause(State::Blocked, "refused-full", detail, None);
        }
        let waiting = &waiting[..together(&waiting)];
        let sent = shipment(waiting);
        let alone = sent.signature.is_some();
        let count = waiting.iter().map(|one| one.parcel.events.len()).sum();
        let answer = match self.upstream.post(&sent) {
            Ok(response) => answer::read(&response, count, alone),
            Err(why) => return self.pause(State::Waiting, "no-answer", &why, None),
        };
        match answer {
            Answer::Judged(verdicts) => self.settle(waiting, verdicts),
            // Of a single event it may be the event that is forbidden, not the token.
            Answer::Token(problem) if alone && self.may_send() => {
                self.settle(waiting, vec![Verdict::Refused(problem)])
            }
            Answer::Token(problem) => self.pause(State::Blocked, "token", &words(&problem), None),
            Answer::Refused(_) if waiting.len() > 1 => {
                // One of them spoils the request: find it.
                self.most = waiting.len() / 2;
                Step::Moved
            }
            Answer::Refused(problem) => {
                let verdicts = vec![Verdict::Refused(problem); count];
                self.settle(waiting, verdicts)
            }
            Answer::Later { why, wait } => {
                self.pause(State::Waiting, "put-off", &format!("the recorder says `{why}`"), wait)
            }
            Answer::Stranger => {
                let detail = "what answers at `recorder.url` is no recorder, or a proxy before it";
                self.pause(State::Blocked, "stranger", detail, None)
            }
        }
    }

    /// Whether the token may send at all: an empty batch records nothing and is answered all the same.
    fn may_send(&mut self) -> bool {
        let nothing = shipment(&[]);
        let answer = self.upstream.post(&nothing).map(|response| answer::read(&response, 0, false));
        answer == Ok(Answer::Judged(Vec::new()))
    }

    /// Moves on past every parcel whose events were all judged, in order.
    fn settle(&mut self, waiting: &[Waiting], verdicts: Vec<Verdict>) -> Step {
        let mut verdicts = verdicts.into_iter();
        let mut done = 0;
        for one in waiting {
            let of_one: Vec<Verdict> = verdicts.by_ref().take(one.parcel.events.len()).collect();
            if of_one.contains(&Verdict::Later) {
                break;
            }
            let refused = of_one.iter().any(|verdict| matches!(verdict, Verdict::Refused(_)));
            if refused && let Err(error) = self.keep(one, &of_one) {
                if done > 0 {
                    break;
                }
                return self.disk(&error);
            }
            for verdict in &of_one {
                self.count(verdict);
            }
            done += 1;
        }
        if done == 0 {
            return self.pause(State::Waiting, "put-off", "the recorder puts events off", None);
        }
        if let Err(error) = self.spool.delivered(&waiting[..done]) {
            return self.disk(&error);
        }
        self.failures = 0;
        self.most = (self.most * 2).min(BATCH_EVENTS_MAX);
        self.line.set(State::Delivering, "", "", (self.clock)());
        Step::Moved
    }

    fn keep(
        &self,
        one: &Waiting,
        verdicts: &[Verdict],
    ) -> Result<(), crate::refused::RefusedError> {
        let problem = |verdict: &Verdict| match verdict {
            Verdict::Refused(problem) => problem.clone(),
            Verdict::Recorded { .. } | Verdict::Later => Value::Null,
        };
        let problems = verdicts.iter().map(problem).collect();
        let entry = Entry::of_parcel(&one.parcel, problems, (self.clock)());
        self.refused.keep(&entry)?;
        let codes: Vec<&str> = entry.problems.iter().filter_map(answer::code).collect();
        tracing::warn!(id = entry.id, from = entry.head.from, ?codes, "an event was refused");
        Ok(())
    }

    fn count(&self, verdict: &Verdict) {
        let outcome = match verdict {
            Verdict::Recorded { seq, new } => {
                self.line.recorded(*seq);
                if *new { "recorded" } else { "known" }
            }
            Verdict::Refused(_) => "refused",
            Verdict::Later => return,
        };
        self.metrics.delivered.with_label_values(&[outcome]).inc();
    }

    fn disk(&mut self, error: &(dyn std::error::Error + 'static)) -> Step {
        let words: Vec<String> = std::iter::successors(Some(error), |error| error.source())
            .map(ToString::to_string)
            .collect();
        self.pause(State::Blocked, "disk", &words.join(": "), None)
    }

    /// Waits longer after each failure in a row, between half of the time and all of it, so that
    /// many relays do not come back at once; and at least as long as the recorder asks.
    fn pause(
        &mut self,
        state: State,
        reason: &'static str,
        why: &str,
        asked: Option<Duration>,
    ) -> Step {
        self.metrics.failures.with_label_values(&[reason]).inc();
        self.line.set(state, reason, why, (self.clock)());
        let full = PAUSE_MIN.saturating_mul(1 << self.failures.min(16)).min(self.pause_max);
        self.failures = self.failures.saturating_add(1);
        let share = f64::from((self.random)()) / f64::from(u32::MAX);
        let pause = full.mul_f64(0.5 + share / 2.0);
        Step::Pause(asked.map_or(pause, |asked| asked + pause.min(PAUSE_MIN)))
    }
}

/// A problem in words that hold nothing of an event.
fn words(problem: &Value) -> String {
    let code = answer::code(problem).unwrap_or("unknown");
    format!("the recorder does not accept the relay's token: `{code}`")
}

#[cfg(test)]
mod tests;
