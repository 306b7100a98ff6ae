//! Machines: meters, plans, what is due, parts, checks.
//!
//! The fold keeps the facts of each machine in order of work and derives the machine's state from
//! them step by step. A fact that comes in order is one step; a late fact, a correction or a void
//! derives that one machine again, so that no answer depends on the order of arrival.

mod due;
pub mod events;
mod machine;
mod meter;
mod parts;
mod plan;
pub mod rules;
mod told;

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

pub use due::*;
pub use machine::BAG_TARGET;
pub use meter::{DAYS_KEPT, HoldReason, TOLERANCE_MS};
pub use plan::{DueState, StartKind};
pub use told::UseKind;

use crate::fact::Fact;
use crate::ids::Label;
use crate::timeline::Timeline;
use events::PartReceived;
use machine::Derived;
use told::{Told, Trace, machine_of};

/// One machine: its facts, and what follows from them.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Machine {
    facts: Timeline<Told>,
    uses: Timeline<UseKind>,
    pub(crate) now: Derived,
}

/// The fold of this subject.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Equipment {
    machines: BTreeMap<Label, Machine>,
    /// Machines that a serial was fitted in or taken out of.
    serials: BTreeMap<Label, BTreeSet<Label>>,
    /// Spare parts received, by serial.
    received: BTreeMap<Label, Timeline<PartReceived>>,
}

impl Equipment {
    /// Folds a fact in; facts of other subjects are passed over.
    pub(crate) fn apply(&mut self, fact: &Fact) {
        let (time_ms, seq) = (fact.time.ms(), fact.seq);
        let trace = Trace::of(fact);
        if let (Some(what), Some(id)) = (trace.life, machine_of(fact)) {
            let person = fact.performer.person().cloned();
            let told = Told { person, offset_s: fact.time.offset_s, what };
            let machine = self.machines.entry(id.clone()).or_default();
            if machine.facts.insert(time_ms, seq, told) {
                let stays_before = machine.now.stays.len();
                if let Some(last) = machine.facts.last() {
                    machine.now.step(last);
                }
                for stay in machine.now.stays.iter().skip(stays_before) {
                    self.serials.entry(stay.serial.clone()).or_default().insert(id.clone());
                }
            } else {
                self.derive_again(&id);
            }
        }
        for (machine, kind) in trace.uses {
            if let Ok(id) = Label::new(machine) {
                self.machines.entry(id).or_default().uses.insert(time_ms, seq, kind);
            }
        }
        if let Some(part) = trace.received {
            let list = self.received.entry(part.part.serial.clone()).or_default();
            list.insert(time_ms, seq, part.clone());
        }
    }

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, fact: &Fact) {
        let trace = Trace::of(fact);
        if let (Some(_), Some(id)) = (trace.life, machine_of(fact))
            && self.machines.get_mut(&id).is_some_and(|m| m.facts.remove(fact.seq))
        {
            self.derive_again(&id);
        }
        for (machine, _) in trace.uses {
            if let Ok(id) = Label::new(machine) {
                if let Some(machine) = self.machines.get_mut(&id) {
                    machine.uses.remove(fact.seq);
                }
                self.drop_if_empty(&id);
            }
        }
        if let Some(part) = trace.received {
            let serial = &part.part.serial;
            if let Some(list) = self.received.get_mut(serial) {
                list.remove(fact.seq);
                if list.is_empty() {
                    self.received.remove(serial);
                }
            }
        }
    }

    fn derive_again(&mut self, id: &Label) {
        let Some(machine) = self.machines.get_mut(id) else { return };
        let before: BTreeSet<Label> = machine.now.stays.iter().map(|s| s.serial.clone()).collect();
        machine.now = Derived::from_facts(machine.facts.iter());
        let after: BTreeSet<Label> = machine.now.stays.iter().map(|s| s.serial.clone()).collect();
        for gone in before.difference(&after) {
            if let Some(machines) = self.serials.get_mut(gone) {
                machines.remove(id);
                if machines.is_empty() {
                    self.serials.remove(gone);
                }
            }
        }
        for serial in after {
            self.serials.entry(serial).or_default().insert(id.clone());
        }
        self.drop_if_empty(id);
    }

    fn drop_if_empty(&mut self, id: &Label) {
        if self.machines.get(id).is_some_and(|m| m.facts.is_empty() && m.uses.is_empty()) {
            self.machines.remove(id);
        }
    }
}
