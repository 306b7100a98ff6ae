//! The troubles of real life, each planted on a known day with what must come out of it.

use jiff::Timestamp;
use jiff::civil::Date;

use super::calendar::Site;
use super::cast::Who;
use super::floor::{MachineId, Shop, Turn};
use super::script::EventNo;
use super::waste::Shipment;

/// What must come out of a trouble.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Must {
    /// Recording `event` raises a finding of `rule`.
    Finding {
        /// Stable name of the rule.
        rule: &'static str,
        /// The event that raises it.
        event: EventNo,
    },
}

/// A trouble that was planted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Planted {
    /// Short name.
    pub id: &'static str,
    /// What happened, in a sentence.
    pub title: &'static str,
    /// Where.
    pub site: &'static str,
    /// When.
    pub at: Timestamp,
    /// What must come out of it.
    pub must: Vec<Must>,
}

/// What was planted so far.
#[derive(Debug, Default)]
pub(super) struct Ledger {
    pub(super) planted: Vec<Planted>,
}

pub(super) fn neglected(_machine: MachineId, _task: &str, _day: Date) -> bool {
    false
}

pub(super) fn after_reading(
    _shop: &mut Shop,
    _turn: &Turn,
    _machine: MachineId,
    _meter: &'static str,
    _no: EventNo,
) {
}

pub(super) fn skips_inspection(_turn: &Turn) -> bool {
    false
}

pub(super) fn authorised_until(_who: Who, _task: &str) -> &'static str {
    "2026-12-31"
}

pub(super) fn light_drum(_shop: &mut Shop, _turn: &mut Turn, _shipment: &Shipment) {}
