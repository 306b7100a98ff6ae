//! Machines as the record told of them at an earlier number of entries.

use super::Equipment;
use super::kept::Machine;
use super::told::{Told, Trace, machine_of};
use crate::ids::Label;
use crate::record::Record;
use crate::timeline::Timeline;

impl Equipment {
    /// A machine, alone, as the record told of it when the log held `known` entries: later entries
    /// are left out, and of entries that were corrected or voided later stands what stood then.
    /// Every question about the machine can be asked of the answer, with
    /// [`Record::settings_as_of`] for the settings; parts are seen on this machine only.
    ///
    /// The work is that of the machine's own facts, however long the log is.
    pub fn machine_as_of(&self, record: &Record, id: &Label, known: u64) -> Equipment {
        let amended = record.amended_of_machine(id);
        let stands = |seq: u64| seq < known && !amended.contains(&seq);
        let (mut facts, mut uses) = match self.machines.get(id) {
            Some(machine) => (
                machine.facts.filtered(|m| stands(m.seq)),
                machine.uses.filtered(|m| stands(m.seq)),
            ),
            None => (Timeline::default(), Timeline::default()),
        };
        for fact in amended.range(..known).filter_map(|seq| record.amended_as_of(*seq, known)) {
            let (time_ms, trace) = (fact.time.ms(), Trace::of(&fact));
            for (_, kind) in trace.uses.iter().filter(|(machine, _)| *machine == id.as_str()) {
                uses.insert(time_ms, fact.seq, *kind);
            }
            if let Some(what) = trace.life.filter(|_| machine_of(&fact).as_ref() == Some(id)) {
                facts.insert(time_ms, fact.seq, Told::by(&fact, what));
            }
        }
        let mut then = Equipment::default();
        if !facts.is_empty() || !uses.is_empty() {
            let machine = Machine::of(facts, uses);
            for stay in machine.now.stays.iter() {
                then.serials.entry(stay.serial.clone()).or_default().insert(id.clone());
            }
            then.machines.insert(id.clone(), machine);
        }
        then
    }
}
