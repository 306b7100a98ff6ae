//! One machine as plain data: what it is, its meters, what is fitted, locks, last results. Every
//! answer names the entries it rests on.

use schemars::JsonSchema;
use serde::Serialize;

use super::events::{EquipmentKind, EquipmentRegistered, MeterUnit, PartKind, PartSpec};
use super::machine::Derived;
use super::meter::{DayUsage, HoldReason, MeterTrack, date_of};
use super::parts::Stay;
use super::{Amount, Equipment, Machine};
use crate::common::{Check, Day, Outcome};
use crate::forms::words;
use crate::ids::{Label, PersonId, Title};
use crate::quantity::Limit;

/// Most readings that were not counted which an answer lists, newest first.
pub const HELD_LISTED_MAX: usize = 50;

words! {
    /// How a machine stands by the record.
    pub enum MachineState {
        /// It may be used, as far as isolation and release go.
        InService = "in_service",
        /// A lock is on.
        Isolated = "isolated",
        /// It was returned with a failed test.
        NotReleased = "not_released",
        /// It is no longer used.
        Retired = "retired",
        /// It was named, but never registered.
        NotRegistered = "not_registered",
    }
}

/// A reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ReadingView {
    /// Entry that tells it.
    pub entry: u64,
    /// When it was read, ms since 1970 UTC.
    pub time_ms: i64,
    /// What the meter showed.
    pub shown: Amount,
}

/// A reading that was not counted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct HeldView {
    /// Entry that tells it.
    pub entry: u64,
    /// When it was read, ms since 1970 UTC.
    pub time_ms: i64,
    /// What was told.
    pub shown: String,
    /// Why it does not count.
    pub why: HoldReason,
    /// Entry of the accepted reading it was compared with.
    pub against: Option<u64>,
}

/// What a meter had counted at the end of a day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DayReading {
    /// Local day.
    pub day: Day,
    /// Continuous count: replacements and rollovers do not set it back.
    pub counted: Amount,
    /// Entry of the day's last accepted reading.
    pub entry: u64,
}

/// One meter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct MeterView {
    /// Its id.
    pub meter: Label,
    /// What it counts.
    pub unit: MeterUnit,
    /// Whether a registration names it.
    pub registered: bool,
    /// The last accepted reading.
    pub last: Option<ReadingView>,
    /// Where the continuous count stands: replacements and rollovers do not set it back.
    pub counted: Option<Amount>,
    /// Days with an accepted reading, oldest first.
    pub days: Vec<DayReading>,
    /// Readings that were not counted, newest first (at most [`HELD_LISTED_MAX`]).
    pub held: Vec<HeldView>,
}

/// One position and the part in it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PositionView {
    /// Its id.
    pub position: Label,
    /// What belongs there, when the registration says so.
    pub part_kind: Option<PartKind>,
    /// Serial of the fitted part; none: empty, or not on record.
    pub serial: Option<Label>,
    /// What it is specified to be.
    pub spec: Option<PartSpec>,
    /// Entry of the fitting.
    pub fitted_by: Option<u64>,
    /// Local day of the fitting.
    pub fitted_on: Option<Day>,
    /// Who fitted it.
    pub person: Option<PersonId>,
    /// Steps that were answered when it was fitted.
    pub checks: Vec<Check>,
    /// Day after which it must not be used.
    pub use_before: Option<Day>,
    /// What each meter of the machine counted since.
    pub carried: Vec<Carried>,
}

/// What a meter counted while a part was fitted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Carried {
    /// Which meter.
    pub meter: Label,
    /// How much.
    pub amount: Amount,
}

/// A lock that is on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LockView {
    /// Its label.
    pub lock: Label,
    /// Entry of the isolation.
    pub entry: u64,
    /// When it was put on, ms since 1970 UTC.
    pub time_ms: i64,
    /// Who put it on.
    pub by: Option<PersonId>,
    /// Whether zero energy was checked.
    pub energy_checked: bool,
}

/// The last result of one kind of check or inspection on one target.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ResultView {
    /// Kind and target, for example `earthing frame`.
    pub what: String,
    /// In order or not.
    pub result: Outcome,
    /// What was measured.
    pub measured: Option<String>,
    /// What it was held against.
    pub limit: Option<Limit>,
    /// Entry that tells it.
    pub entry: u64,
    /// When it was done, ms since 1970 UTC.
    pub time_ms: i64,
}

/// One machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct MachineView {
    /// Its label.
    pub machine: Label,
    /// Display name.
    pub title: Option<Title>,
    /// What it is.
    pub kind: Option<EquipmentKind>,
    /// Room it stands in.
    pub room: Option<Label>,
    /// Site.
    pub site: Option<Label>,
    /// How it stands.
    pub state: MachineState,
    /// Entry of the last return to use.
    pub returned_by: Option<u64>,
    /// Who released it then.
    pub released_by: Option<PersonId>,
    /// Entry of the newest registration.
    pub registered_by: Option<u64>,
    /// Entry that retired it.
    pub retired_by: Option<u64>,
    /// Entry of the plan in force.
    pub plan_by: Option<u64>,
    /// Its meters.
    pub meters: Vec<MeterView>,
    /// Its positions.
    pub positions: Vec<PositionView>,
    /// Locks that are on.
    pub locks: Vec<LockView>,
    /// Last results of checks and inspections.
    pub results: Vec<ResultView>,
}

impl Derived {
    /// How the machine stands.
    pub(crate) fn state(&self) -> MachineState {
        if self.registration.is_none() {
            MachineState::NotRegistered
        } else if self.retired_by.is_some() {
            MachineState::Retired
        } else if !self.locks.is_empty() {
            MachineState::Isolated
        } else if self.returned.as_ref().is_some_and(|r| !r.failed_tests.is_empty()) {
            MachineState::NotReleased
        } else {
            MachineState::InService
        }
    }
}

impl Equipment {
    /// Every machine that was told of, by label.
    pub fn machines(&self) -> impl Iterator<Item = &Label> {
        self.machines.keys()
    }

    /// One machine; `None` when nothing was told of it.
    pub fn machine(&self, id: &Label) -> Option<MachineView> {
        self.machines.get(id).map(|machine| machine.view(id))
    }

    /// A machine as it was last registered.
    pub fn registered_as(&self, id: &Label) -> Option<&EquipmentRegistered> {
        self.machines.get(id)?.now.registration.as_ref().map(|r| &r.form)
    }

    /// Locks that are on, on every machine.
    pub fn open_locks(&self) -> Vec<(Label, LockView)> {
        let locks = self.machines.iter();
        locks.flat_map(|(id, m)| m.locks().into_iter().map(|l| (id.clone(), l))).collect()
    }

    /// Machines that a serial was fitted in or taken out of.
    pub fn machines_of_serial(&self, serial: &Label) -> impl Iterator<Item = &Label> {
        self.serials.get(serial).into_iter().flatten()
    }
}

impl Machine {
    fn view(&self, id: &Label) -> MachineView {
        let now = &self.now;
        let registration = now.registration.as_ref();
        let form = registration.map(|r| &r.form);
        MachineView {
            machine: id.clone(),
            title: form.map(|f| f.label.clone()),
            kind: form.map(|f| f.kind),
            room: form.map(|f| f.room.clone()),
            site: registration.and_then(|r| r.site.clone()),
            state: now.state(),
            returned_by: now.returned.as_ref().map(|r| r.seq),
            released_by: now.returned.as_ref().map(|r| r.released_by.clone()),
            registered_by: registration.map(|r| r.seq),
            retired_by: now.retired_by,
            plan_by: now.plan.as_ref().map(|p| p.seq),
            meters: now.meters.iter().map(|(id, track)| meter(id, track)).collect(),
            positions: self.positions(),
            locks: self.locks(),
            results: now
                .results
                .iter()
                .map(|(what, last)| ResultView {
                    what: what.clone(),
                    result: last.result,
                    measured: last.measured.as_ref().map(|(value, _)| value.to_string()),
                    limit: last.measured.as_ref().map(|(_, limit)| limit.clone()),
                    entry: last.seq,
                    time_ms: last.time_ms,
                })
                .collect(),
        }
    }

    /// The registered positions, then those that only a fitting names.
    fn positions(&self) -> Vec<PositionView> {
        let registered: Vec<(Label, PartKind)> = match &self.now.registration {
            Some(r) => r.form.positions.iter().map(|p| (p.id.clone(), p.part_kind)).collect(),
            None => Vec::new(),
        };
        let others = self.now.fitted.keys().filter(|p| registered.iter().all(|(id, _)| id != *p));
        let others: Vec<Label> = others.cloned().collect();
        let all = registered.into_iter().map(|(id, kind)| (id, Some(kind)));
        all.chain(others.into_iter().map(|id| (id, None)))
            .map(|(position, kind)| {
                let stay = self.now.fitted.get(&position).and_then(|at| self.now.stays.get(*at));
                self.position(position, kind, stay)
            })
            .collect()
    }

    fn position(
        &self,
        position: Label,
        part_kind: Option<PartKind>,
        stay: Option<&Stay>,
    ) -> PositionView {
        let fit = stay.and_then(|s| s.fit.as_ref());
        let carried = fit.map_or_else(Vec::new, |fit| {
            let counted = fit.usage.iter().filter_map(|(meter, at_fit)| {
                let track = self.now.meters.get(meter)?;
                let amount = Amount::new(track.usage()? - *at_fit, track.unit?);
                Some(Carried { meter: meter.clone(), amount })
            });
            counted.collect()
        });
        PositionView {
            position,
            part_kind,
            serial: stay.map(|s| s.serial.clone()),
            spec: fit.map(|f| f.part.spec.clone()),
            fitted_by: fit.map(|f| f.seq),
            fitted_on: fit.map(|f| Day(date_of(f.day))),
            person: fit.and_then(|f| f.person.clone()),
            checks: fit.map_or_else(Vec::new, |f| f.checks.clone()),
            use_before: fit.and_then(|f| f.part.use_before),
            carried,
        }
    }

    fn locks(&self) -> Vec<LockView> {
        let locks = self.now.locks.iter();
        locks
            .map(|(label, lock)| LockView {
                lock: label.clone(),
                entry: lock.seq,
                time_ms: lock.time_ms,
                by: lock.person.clone(),
                energy_checked: lock.energy_checked,
            })
            .collect()
    }
}

fn meter(id: &Label, track: &MeterTrack) -> MeterView {
    // A meter without any reading and registration counts nothing; hours are the usual unit.
    let unit = track.unit.unwrap_or(MeterUnit::Hours);
    let day = |d: &DayUsage| DayReading {
        day: Day(date_of(d.day)),
        counted: Amount::new(d.usage, unit),
        entry: d.seq,
    };
    let held = track.held.iter().rev().take(HELD_LISTED_MAX).map(|h| HeldView {
        entry: h.seq,
        time_ms: h.time_ms,
        shown: h.shown.to_string(),
        why: h.why,
        against: h.against,
    });
    MeterView {
        meter: id.clone(),
        unit,
        registered: track.registered,
        counted: track.usage().map(|u| Amount::new(u, unit)),
        last: track.last.as_ref().map(|r| ReadingView {
            entry: r.seq,
            time_ms: r.time_ms,
            shown: Amount::new(r.shown, unit),
        }),
        days: track.days.iter().map(day).collect(),
        held: held.collect(),
    }
}
