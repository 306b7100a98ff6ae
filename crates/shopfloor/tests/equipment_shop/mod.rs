//! A small shop for tests: events go in as JSON through the strict reading, facts get their
//! sequence numbers, corrections find their originals.

#![allow(dead_code, reason = "each test file uses its own part of the shop")]

use chain::entry::Actor;
use jiff::Timestamp;
use serde_json::{Value, json};
use shopfloor::fact::Envelope;
use shopfloor::ids::Label;
use shopfloor::{Fact, Finding, State};

/// The person who records, unless a test says otherwise.
pub(crate) const TECHNICIAN: &str = "op_t7";

/// Brackwater Works, site `north`.
#[derive(Default)]
pub(crate) struct Shop {
    pub(crate) state: State,
    /// Every fact as it was recorded.
    pub(crate) recorded: Vec<Fact>,
}

pub(crate) fn label(text: &str) -> Label {
    Label::new(text).unwrap()
}

/// Reads an event strictly and makes it the fact with number `seq`, recorded at the time of work.
pub(crate) fn fact(
    seq: u64,
    time: &str,
    who: &str,
    kind: &str,
    subject: &str,
    data: Value,
) -> Fact {
    let event = json!({
        "specversion": "1.0", "id": format!("e{seq}"), "source": "/test",
        "type": format!("pulverlog.{kind}"), "subject": subject, "site": "north",
        "time": time, "data": data,
    });
    let canonical = chain::canon::parse(event.to_string().as_bytes()).unwrap();
    let (envelope, event) =
        Envelope::read(&canonical).unwrap_or_else(|e| panic!("{kind}: {e} at {}", e.pointer));
    let recorded_at = envelope.time.unwrap().at;
    let actor = Actor { id: who.into(), via: chain::entry::Via::Badge, on_behalf_of: None };
    Fact::new(envelope, event, &actor, seq, recorded_at)
}

impl Shop {
    /// Records an event by the technician; gives its entry.
    pub(crate) fn post(&mut self, time: &str, kind: &str, subject: &str, data: Value) -> u64 {
        self.post_as(TECHNICIAN, time, kind, subject, data)
    }

    /// Records an event by `who`.
    pub(crate) fn post_as(
        &mut self,
        who: &str,
        time: &str,
        kind: &str,
        subject: &str,
        data: Value,
    ) -> u64 {
        let seq = self.recorded.len() as u64;
        self.record(fact(seq, time, who, kind, subject, data));
        seq
    }

    /// Corrects the content of entry `seq`.
    pub(crate) fn correct(&mut self, time: &str, seq: u64, data: Value) -> u64 {
        let data = json!({ "reason": "mis_read", "approver": "op_lead1", "data": data });
        self.post(time, "entry.corrected", &format!("entry/{seq}"), data)
    }

    /// Declares entry `seq` void.
    pub(crate) fn void(&mut self, time: &str, seq: u64) -> u64 {
        let data = json!({ "reason": "never_happened", "approver": "op_lead2" });
        self.post_as("op_lead1", time, "entry.voided", &format!("entry/{seq}"), data)
    }

    /// Records a fact that has its sequence number.
    pub(crate) fn record(&mut self, fact: Fact) {
        let original = fact.about_entry().and_then(|seq| {
            let recorded = self.recorded.get(seq as usize)?.clone();
            self.state.record.effective(recorded)
        });
        self.state.apply(&fact, original.as_ref());
        self.recorded.push(fact);
    }

    /// Findings that entry `seq` raised, as `rule: detail`.
    pub(crate) fn found(&self, seq: u64) -> Vec<String> {
        self.findings(seq).iter().map(|f| format!("{}: {}", f.rule, f.detail)).collect()
    }

    /// Names of the rules that entry `seq` raised.
    pub(crate) fn rules(&self, seq: u64) -> Vec<&str> {
        self.findings(seq).iter().map(|f| f.rule.as_str()).collect()
    }

    /// Names of the rules about machines that entry `seq` broke; other subjects have their own.
    pub(crate) fn equipment_rules(&self, seq: u64) -> Vec<&str> {
        let mut rules = self.rules(seq);
        rules.retain(|r| r.starts_with("equipment."));
        rules
    }

    pub(crate) fn findings(&self, seq: u64) -> &[Finding] {
        self.state.findings.of_entry(seq)
    }
}

/// An instant, `2026-03-02T08:00:00+01:00`.
pub(crate) fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// Hours as recorded.
pub(crate) fn h(value: &str) -> Value {
    json!({ "value": value, "unit": "h" })
}

/// A reading taken along with other work.
pub(crate) fn reading(value: &str) -> Value {
    json!({ "meter": "run", "value": h(value) })
}

/// A task of a plan with a limit in hours of the meter `run`.
pub(crate) fn by_hours(task: &str, action: &str, target: &str, every: &str) -> Value {
    json!({
        "task": task, "action": action, "target": target, "warn_percent": 90,
        "every": { "meter": "run", "quantity": h(every) },
        "source": { "basis": "common_practice" },
    })
}

/// A task of a plan with a limit by calendar.
pub(crate) fn by_calendar(task: &str, action: &str, target: &str, interval: &str) -> Value {
    json!({
        "task": task, "action": action, "target": target, "warn_percent": 90,
        "calendar": interval, "source": { "basis": "common_practice" },
    })
}

/// Checks answered yes.
pub(crate) fn yes(names: &[&str]) -> Value {
    names.iter().map(|name| json!({ "check": name, "ok": true })).collect()
}

/// A sieve with its papers.
pub(crate) fn sieve(serial: &str) -> Value {
    json!({
        "serial": serial,
        "spec": { "aperture": { "value": "150", "unit": "um" }, "spec_id": "ISO3310-1" },
        "certificate": "0f".repeat(32),
    })
}

/// What registers a sieving station with one hour meter and positions for a sieve and a filter.
pub(crate) fn sieving_station() -> Value {
    json!({
        "kind": "sieving_station", "label": "Sieving station 2", "room": "R-12",
        "meters": [{ "id": "run", "unit": "h" }],
        "positions": [
            { "id": "main-sieve", "part_kind": "sieve" },
            { "id": "exhaust", "part_kind": "hepa_filter" },
        ],
    })
}
