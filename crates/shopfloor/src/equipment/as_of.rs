//! Machines as the record told of them at an earlier number of entries.

use std::collections::BTreeSet;
use std::ops::RangeInclusive;

use super::Equipment;
use super::kept::Machine;
use super::told::{Told, Trace, machine_of};
use crate::ids::Label;
use crate::record::Record;

impl Equipment {
    /// A machine, alone, as the record told of it when the log held `known` entries: later entries
    /// are left out, and of entries that were corrected or voided later stands what stood then.
    /// Every question about the machine can be asked of the answer, with
    /// [`Record::settings_as_of`] for the settings; parts are seen on this machine only.
    ///
    /// However long the machine and the log live, at most [`KEEP_EVERY`](super::kept::KEEP_EVERY) of
    /// its facts are derived again, or those from the first one on of which something else stood
    /// then; blocks of facts are told by their ends, and only those that the answer cuts are opened.
    pub fn machine_as_of(&self, record: &Record, id: &Label, known: u64) -> Equipment {
        // What was amended before stands as it does today.
        let later = |seq: &u64| record.amendments(*seq).last().is_some_and(|a| a.by >= known);
        let amended: BTreeSet<u64> = record.amended_of_machine(id, known).filter(later).collect();
        let stands = |seq: u64| seq < known && !amended.contains(&seq);
        let all_stand = |seqs: RangeInclusive<u64>| match known {
            known if *seqs.start() >= known => Some(false),
            known if *seqs.end() >= known || amended.range(seqs).next().is_some() => None,
            _ => Some(true),
        };
        let nothing = Machine::default();
        let machine = self.machines.get(id).unwrap_or(&nothing);
        let (mut facts, mut same) = machine.facts.filtered(stands, all_stand);
        let (mut uses, _) = machine.uses.filtered(stands, all_stand);
        for fact in amended.iter().filter_map(|seq| record.amended_as_of(*seq, known)) {
            let (time_ms, trace) = (fact.time.ms(), Trace::of(&fact));
            for (_, kind) in trace.uses.iter().filter(|(machine, _)| *machine == id.as_str()) {
                uses.insert(time_ms, fact.seq, *kind);
            }
            if let Some(what) = trace.life.filter(|_| machine_of(&fact).as_ref() == Some(id)) {
                same = same.min(facts.place_of(time_ms, fact.seq));
                facts.insert(time_ms, fact.seq, Told::by(&fact, what));
            }
        }
        let mut then = Equipment::default();
        if !facts.is_empty() || !uses.is_empty() {
            let machine = machine.with(facts, same, uses);
            for stay in machine.now.stays.iter() {
                then.serials.entry(stay.serial.clone()).or_default().insert(id.clone());
            }
            then.machines.insert(id.clone(), machine);
        }
        then
    }
}
