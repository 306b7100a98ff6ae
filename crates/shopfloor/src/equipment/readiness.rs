//! What speaks against using a machine, by the record. Whether it may be used is decided by people.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use super::Equipment;
use super::due::{DueQuery, DueTask, config_of};
use super::machine::Derived;
use super::machine_view::MachineState;
use super::plan::DueState;
use crate::common::Day;
use crate::forms::words;
use crate::ids::Label;
use crate::record::Record;

words! {
    /// What speaks against using a machine.
    pub enum HoldKind {
        /// A lock is on.
        Lock = "lock",
        /// A test after the work failed.
        FailedTest = "failed_test",
        /// A filter was changed and its leak check is missing.
        LeakCheckMissing = "leak_check_missing",
        /// A check or inspection failed and was not put right.
        FailedCheck = "failed_check",
        /// A task is due.
        TaskDue = "task_due",
        /// A part is past its last day.
        PartPastLastDay = "part_past_last_day",
    }
}

/// One thing that speaks against using a machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Hold {
    /// What kind.
    pub kind: HoldKind,
    /// In words.
    pub in_words: String,
    /// Entry that tells it.
    pub entry: u64,
}

/// What has to be done before a machine is started, and what speaks against starting it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Readiness {
    /// The machine.
    pub machine: Label,
    /// How it stands.
    pub state: MachineState,
    /// What speaks against using it: locks first, then what failed, then what is due.
    pub holds: Vec<Hold>,
    /// Tasks of its plan, most urgent first.
    pub tasks: Vec<DueTask>,
}

impl Equipment {
    /// A machine before it is started, at `now`; `None` when nothing was told of it.
    pub fn readiness(&self, record: &Record, id: &Label, now: Timestamp) -> Option<Readiness> {
        let derived = &self.machines.get(id)?.now;
        let query =
            DueQuery { machine: Some(id.clone()), limit: usize::MAX, ..DueQuery::default() };
        let tasks = self.due(record, &query, now).tasks;
        let site = derived.registration.as_ref().and_then(|r| r.site.as_ref());
        let today = Day(config_of(record, site).day(now));
        Some(Readiness {
            machine: id.clone(),
            state: derived.state(),
            holds: holds(derived, &tasks, today),
            tasks,
        })
    }
}

fn holds(derived: &Derived, tasks: &[DueTask], today: Day) -> Vec<Hold> {
    let mut holds = Vec::new();
    let mut hold = |kind, entry, in_words| holds.push(Hold { kind, in_words, entry });
    for (lock, on) in &derived.locks {
        hold(HoldKind::Lock, on.seq, format!("lock `{lock}` is on"));
    }
    if let Some(returned) = &derived.returned {
        for test in &returned.failed_tests {
            hold(HoldKind::FailedTest, returned.seq, format!("`{test}` failed after the work"));
        }
    }
    for (position, seq) in &derived.leak_check_pending {
        let words = format!("the filter in `{position}` was changed; its leak check is missing");
        hold(HoldKind::LeakCheckMissing, *seq, words);
    }
    for (key, failing) in &derived.failing {
        let kind = key.split(' ').next().unwrap_or(key);
        let words = format!("`{kind}` of `{}` failed", failing.target);
        hold(HoldKind::FailedCheck, failing.seq, words);
    }
    for task in tasks.iter().filter(|t| t.state == DueState::Due) {
        let words = format!("`{}` is due: {}", task.task, task.in_words);
        hold(HoldKind::TaskDue, task.counts_from.entry, words);
    }
    for stay in derived.fitted.values().filter_map(|at| derived.stays.get(*at)) {
        let Some(fit) = &stay.fit else { continue };
        if let Some(last) = fit.part.use_before.filter(|last| *last < today) {
            let words = format!("`{}` was to be used until {last}", stay.serial);
            hold(HoldKind::PartPastLastDay, fit.seq, words);
        }
    }
    holds
}
