//! Machines: meters, plans, what is due, parts, checks.
//!
//! The fold keeps the facts of each machine in order of work and derives the machine's state from
//! them step by step. A fact that comes in order is one step; a late fact, a correction or a void
//! derives that one machine again, so that no answer depends on the order of arrival.

mod as_of;
mod checks;
mod due;
mod dust;
pub mod events;
mod exposure;
mod history;
mod kept;
mod machine;
mod machine_view;
mod meter;
mod opening;
mod parts;
mod plan;
mod ranking;
mod readiness;
pub mod rules;
mod series;
mod starter;
mod told;
mod upkeep;
mod workdays;

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

pub(crate) use checks::parameter;
pub use checks::{DUST_BULK_DENSITY, EARTHING_LIMIT_OHM, mpe_in_service_kg};
pub(crate) use due::config_of;
pub use due::*;
pub use dust::*;
pub use exposure::*;
pub use history::HistoryLine;
pub use machine_view::*;
pub use meter::{DAYS_KEPT, HoldReason, TOLERANCE_MS};
pub(crate) use meter::{DayNumber, date_of, day_number, local_day};
pub(crate) use opening::reading_of;
pub use parts::{
    LifeEnd, LifeQuery, LifeRecord, PartLives, PartState, PartView, StayView, StockQuery, StockView,
};
pub use plan::{DueState, StartKind};
pub use readiness::*;
pub use rules::ISOLATION_REQUIRED;
pub use series::*;
pub use starter::starter_plan;
pub use told::{BAG_TARGET, UseKind};
pub use upkeep::*;

use crate::fact::Fact;
use crate::ids::{Code, Label, Subject};
use crate::timeline::Timeline;
use events::{DustSurveyed, ExposureMeasured, PartKind, PartReceived};
use kept::Machine;
use machine::Derived;
pub(crate) use told::machines_told_of;
use told::{Survey, Told, Trace, machine_of};

/// A reading that is held: its entry, and the entry of the reading it was compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct HeldSince {
    pub(crate) seq: u64,
    pub(crate) against: Option<u64>,
}

/// The fold of this subject.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Equipment {
    machines: BTreeMap<Label, Machine>,
    /// Machines that a serial was fitted in or taken out of.
    serials: BTreeMap<Label, BTreeSet<Label>>,
    /// Spare parts received, by serial.
    received: BTreeMap<Label, Timeline<PartReceived>>,
    dust_surveys: Timeline<InRoom<DustSurveyed>>,
    exposures: Timeline<InRoom<ExposureMeasured>>,
}

/// What was measured in a room.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct InRoom<T> {
    site: Option<Label>,
    subject: Subject,
    form: T,
}

impl Equipment {
    /// Folds a fact in; facts of other subjects are passed over.
    pub(crate) fn apply(&mut self, fact: &Fact) {
        let (time_ms, seq) = (fact.time.ms(), fact.seq);
        let trace = Trace::of(fact);
        if let (Some(what), Some(id)) = (trace.life, machine_of(fact)) {
            let told = Told::by(fact, what);
            let machine = self.machines.entry(id.clone()).or_default();
            if machine.is_newest(time_ms, seq) {
                let known = machine.now.stays.len();
                machine.insert(time_ms, seq, told);
                for stay in machine.now.stays.since(known) {
                    self.serials.entry(stay.serial.clone()).or_default().insert(id.clone());
                }
            } else {
                self.rewrite(&id, |machine| machine.insert(time_ms, seq, told));
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
        let place = (fact.site.clone(), fact.subject.clone());
        match trace.room {
            Some(Survey::Dust(form)) => {
                let ((site, subject), form) = (place, form.clone());
                self.dust_surveys.insert(time_ms, seq, InRoom { site, subject, form });
            }
            Some(Survey::Air(form)) => {
                let ((site, subject), form) = (place, form.clone());
                self.exposures.insert(time_ms, seq, InRoom { site, subject, form });
            }
            None => {}
        }
    }

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, fact: &Fact) {
        let time_ms = fact.time.ms();
        let trace = Trace::of(fact);
        if let (Some(_), Some(id)) = (trace.life, machine_of(fact)) {
            self.rewrite(&id, |machine| machine.remove(time_ms, fact.seq));
            self.drop_if_empty(&id);
        }
        for (machine, _) in trace.uses {
            if let Ok(id) = Label::new(machine) {
                if let Some(machine) = self.machines.get_mut(&id) {
                    machine.uses.remove(time_ms, fact.seq);
                }
                self.drop_if_empty(&id);
            }
        }
        if let Some(part) = trace.received {
            let serial = &part.part.serial;
            if let Some(list) = self.received.get_mut(serial) {
                list.remove(time_ms, fact.seq);
                if list.is_empty() {
                    self.received.remove(serial);
                }
            }
        }
        match trace.room {
            Some(Survey::Dust(_)) => _ = self.dust_surveys.remove(time_ms, fact.seq),
            Some(Survey::Air(_)) => _ = self.exposures.remove(time_ms, fact.seq),
            None => {}
        }
    }

    /// Readings of a fact's machine that are held, from the fact on. Only a fact that comes late, or
    /// is amended, has any after it.
    pub(crate) fn held_since(&self, fact: &Fact) -> Vec<HeldSince> {
        let place = (fact.time.ms(), fact.seq);
        let machine = machine_of(fact).and_then(|id| self.machines.get(&id));
        let meters = machine.into_iter().flat_map(|m| m.now.meters.values());
        let held = meters.flat_map(|meter| {
            meter.held.iter().rev().take_while(move |h| (h.time_ms, h.seq) >= place)
        });
        held.map(|h| HeldSince { seq: h.seq, against: h.against }).collect()
    }

    /// A machine as it stood just before a fact, by time of work.
    pub(crate) fn before(&self, id: &Label, fact: &Fact) -> Cow<'_, Derived> {
        match self.machines.get(id) {
            Some(machine) => machine.before(fact.time.ms(), fact.seq),
            None => Cow::Owned(Derived::default()),
        }
    }

    /// What a fact's work is called: planned tasks it does, and the part kind of the position it
    /// names.
    pub(crate) fn work_names(&self, fact: &Fact) -> (Vec<Code>, Option<PartKind>) {
        let (Some(what), Some(id)) = (Trace::of(fact).life, machine_of(fact)) else {
            return (Vec::new(), None);
        };
        let before = self.before(&id, fact);
        let plan: &[_] = before.plan.as_ref().map_or(&[], |p| &p.tasks);
        let tasks = what.work().map_or_else(Vec::new, |(action, target, named)| {
            plan::done_by(plan, named, action, target)
        });
        let direct = tasks.into_iter().filter(|(_, through)| through.is_none());
        (direct.map(|(code, _)| code).collect(), what.position().and_then(|p| before.part_kind(p)))
    }

    /// Where else a serial was fitted at the time of a fact: machine, position, entry.
    pub(crate) fn elsewhere(
        &self,
        serial: &Label,
        machine: &Label,
        position: &Label,
        fact: &Fact,
    ) -> Option<(&Label, &Label, u64)> {
        let time_ms = fact.time.ms();
        let machines = self.serials.get(serial)?.iter();
        let stays = machines.filter_map(|id| {
            let (id, other) = self.machines.get_key_value(id)?;
            Some(other.now.stays.iter().map(move |stay| (id, stay)))
        });
        stays.flatten().find_map(|(id, stay)| {
            let fit = stay.fit.as_ref()?;
            let same_place = id == machine && stay.position == *position;
            let there =
                fit.time_ms <= time_ms && stay.removal.as_ref().is_none_or(|r| r.time_ms > time_ms);
            let other = stay.serial == *serial && !same_place && fit.seq != fact.seq && there;
            other.then_some((id, &stay.position, fit.seq))
        })
    }

    /// Changes the past of a machine, which can also take serials out of it.
    fn rewrite(&mut self, id: &Label, how: impl FnOnce(&mut Machine)) {
        let Some(machine) = self.machines.get_mut(id) else { return };
        let serials = |machine: &Machine| -> BTreeSet<Label> {
            machine.now.stays.iter().map(|s| s.serial.clone()).collect()
        };
        let before = serials(machine);
        how(machine);
        let after = serials(machine);
        for gone in before.difference(&after) {
            if let Some(machines) = self.serials.get_mut(gone) {
                machines.remove(id);
                if machines.is_empty() {
                    self.serials.remove(gone);
                }
            }
        }
        for new in after.difference(&before) {
            self.serials.entry(new.clone()).or_default().insert(id.clone());
        }
    }

    fn drop_if_empty(&mut self, id: &Label) {
        if self.machines.get(id).is_some_and(|m| m.facts.is_empty() && m.uses.is_empty()) {
            self.machines.remove(id);
        }
    }
}
