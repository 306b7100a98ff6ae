//! What the services share at their edges, written once: how an event travels, the words of problems, the
//! series of metrics, the clock of the machine.
//!
//! Deliberately absent: HTTP frameworks, files, any knowledge of an event beyond the attributes every event
//! has.

pub mod event;
pub mod metrics;
pub mod problem;

/// The clock of the machine, ms since 1970 UTC. Only a `main` calls it: everywhere else the time is an
/// argument.
#[expect(clippy::disallowed_methods, reason = "the one place where the real clock is read")]
pub fn now_ms() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    since.map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
