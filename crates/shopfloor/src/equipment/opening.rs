//! What stands of machines at the end of a log: which entries have to be told again, so that the
//! next log knows what is due, what is fitted, and what is locked.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use rust_decimal::Decimal;

use super::events::MeterRead;
use super::kept::Machine;
use super::told::{Trace, What};
use super::{DueQuery, Equipment};
use crate::fact::Fact;
use crate::ids::Label;
use crate::opening::{Again, Summary, Wanted, want};
use crate::record::Record;

/// The reading that an event brings, as an event of its own.
pub(crate) fn reading_of(fact: &Fact) -> Option<MeterRead> {
    let what = Trace::of(fact).life?;
    let (meter, reading) = what.reading()?;
    Some(MeterRead { meter: meter.clone(), reading: reading.clone(), evidence: Vec::new() })
}

impl Equipment {
    /// Entries that what stands rests on.
    pub(crate) fn stands(&self, wanted: &mut Wanted) {
        for machine in self.machines.values().filter(|m| m.now.retired_by.is_none()) {
            stands(machine, wanted);
        }
        // Spare parts that were never fitted are in stores; a fitted one is told by its fitting.
        for (serial, list) in &self.received {
            if let Some(last) = list.last().filter(|_| !self.serials.contains_key(serial)) {
                want(wanted, last.seq, Again::Event);
            }
        }
        let mut newest: BTreeMap<String, u64> = BTreeMap::new();
        for m in self.dust_surveys.iter() {
            newest.insert(format!("{} dust {}", m.value.subject, m.value.form.room), m.seq);
        }
        for m in self.exposures.iter() {
            newest.insert(format!("{} air {}", m.value.subject, m.value.form.room), m.seq);
        }
        newest.into_values().for_each(|seq| want(wanted, seq, Again::Event));
    }

    /// What stands, by name of the thing.
    pub(crate) fn stand_as(&self, record: &Record, at: Timestamp, summary: &mut Summary) {
        let query = DueQuery { limit: usize::MAX, ..DueQuery::default() };
        for task in self.due(record, &query, at).tasks {
            let by_meter = task.by_meter.as_ref().map_or_else(String::new, |by| {
                let shown = |amount: &Option<super::Amount>| {
                    amount.as_ref().map_or("not known".to_owned(), ToString::to_string)
                };
                format!(", {} of {} used", shown(&by.used), shown(&by.limit))
            });
            let day = |words: &str, day: Option<crate::common::Day>| {
                day.map_or_else(String::new, |day| format!(", {words} {day}"))
            };
            let told = format!(
                "{}{by_meter}{}{}{}{}{}",
                task.state,
                day("due on", task.by_day.as_ref().map(|by| by.due_on)),
                day("due since", task.due_since),
                day("counts from", Some(task.counts_from.day)),
                day("put off until", task.deferred.as_ref().and_then(|d| d.until)),
                day("expected on", task.forecast.expected),
            );
            summary.insert(format!("task `{}` of `{}`", task.task, task.machine), told);
        }
        for (id, machine) in self.machines.iter().filter(|(_, m)| m.now.retired_by.is_none()) {
            let now = &machine.now;
            let mut say = |what: String, told: String| {
                summary.insert(format!("{what} of `{id}`"), told);
            };
            if let Some(registration) = &now.registration {
                say("registration".to_owned(), registration.form.label.to_string());
            }
            for (name, meter) in &now.meters {
                if let Some(last) = &meter.last {
                    say(format!("meter `{name}`"), last.shown.normalize().to_string());
                }
            }
            for stay in now.stays.iter().filter(|stay| stay.removal.is_none()) {
                say(format!("part in `{}`", stay.position), stay.serial.to_string());
            }
            for lock in now.locks.keys() {
                say(format!("lock `{lock}`"), "on".to_owned());
            }
            for key in now.failing.keys() {
                say(format!("`{key}`"), "failed".to_owned());
            }
            for position in now.leak_check_pending.keys() {
                say(format!("leak check of `{position}`"), "pending".to_owned());
            }
        }
        for serial in self.received.keys().filter(|serial| !self.serials.contains_key(*serial)) {
            summary.insert(format!("spare part `{serial}`"), "in stores".to_owned());
        }
    }
}

/// The same for one machine.
fn stands(machine: &Machine, wanted: &mut Wanted) {
    let now = &machine.now;
    let (mut events, mut readings) = (BTreeSet::new(), BTreeSet::new());
    for task in now.plan.iter().flat_map(|plan| &plan.tasks) {
        let Some(track) = now.tasks.get(&task.task) else { continue };
        events.extend(track.last.as_ref().map(|done| done.seq));
        let Some(cycle) = &track.cycle else { continue };
        events.insert(cycle.start.seq);
        events.extend(cycle.deferral.as_ref().map(|deferral| deferral.seq));
        readings.extend(cycle.fell_due.as_ref().map(|fell| fell.seq));
    }
    events.extend(now.results.values().map(|last| last.seq));
    events.extend(now.failing.values().map(|failing| failing.seq));
    events.extend(now.leak_check_pending.values());
    events.extend(now.locks.values().map(|lock| lock.seq));
    events.extend(now.returned.as_ref().map(|returned| returned.seq));
    // Where a part was put in and is gone again, its going is told too; and of an exchange what was
    // there before, because the first part of a position counts as found there.
    let mut before = BTreeSet::new();
    for stay in now.stays.iter() {
        let Some(fit) = &stay.fit else { continue };
        match &stay.removal {
            None => {
                events.insert(fit.seq);
                events.extend(stay.sound_at.as_ref().map(|sound| sound.seq));
            }
            Some(removal) if events.contains(&fit.seq) => _ = events.insert(removal.seq),
            Some(_) => {}
        }
    }
    for stay in now.stays.iter() {
        if let (Some(fit), Some(removal)) = (&stay.fit, &stay.removal)
            && events.contains(&removal.seq)
        {
            before.insert(fit.seq);
        }
    }
    let is_base = |seq: &u64| events.contains(seq) || before.contains(seq);
    let bases: Vec<(i64, u64)> =
        machine.facts.iter().filter(|m| is_base(&m.seq)).map(|m| (m.time_ms, m.seq)).collect();
    let earliest = bases.first().copied().unwrap_or((i64::MAX, u64::MAX));

    let mut plan_then = None;
    let mut shown: BTreeMap<Label, (Decimal, u64)> = BTreeMap::new();
    for m in machine.facts.iter() {
        let later = (m.time_ms, m.seq) >= earliest;
        match &m.value.what {
            What::Registered { .. } => _ = events.insert(m.seq),
            What::PlanSet(_) if later => _ = events.insert(m.seq),
            What::PlanSet(_) => plan_then = Some(m.seq),
            What::MeterReplaced(form) => {
                if later {
                    events.insert(m.seq);
                }
                shown.insert(form.meter.clone(), (form.first_new.base(), m.seq));
                continue;
            }
            _ => {}
        }
        // Where a meter rolled over, the readings on both sides tell it.
        let Some((meter, value)) = m.value.what.reading() else { continue };
        if now.meters.get(meter).is_some_and(|track| track.held(m.time_ms, m.seq).is_some()) {
            continue;
        }
        let last = shown.insert(meter.clone(), (value.base(), m.seq));
        if let Some((_, last)) = last.filter(|(last, _)| later && value.base() < *last) {
            readings.extend([last, m.seq]);
        }
    }
    events.extend(plan_then);
    // Counts are differences of readings: the last one before each fact that something counts from,
    // the last of all, and one a day for the forecast.
    for (time_ms, seq) in bases {
        let then = machine.before(time_ms, seq);
        for meter in now.meters.keys() {
            let last = then.meters.get(meter).and_then(|track| track.last.as_ref());
            // A meter that was not read then joins at its first reading.
            readings
                .extend(last.map(|r| r.seq).or_else(|| first_read(machine, meter, time_ms, seq)));
        }
    }
    for meter in now.meters.values() {
        readings.extend(meter.last.as_ref().map(|reading| reading.seq));
        readings.extend(meter.days.iter().map(|day| day.seq));
    }
    readings.into_iter().for_each(|seq| want(wanted, seq, Again::Reading));
    before.into_iter().for_each(|seq| want(wanted, seq, Again::Fitting));
    events.into_iter().for_each(|seq| want(wanted, seq, Again::Event));
}

/// The first reading that counts of a meter from a fact on.
fn first_read(machine: &Machine, meter: &Label, time_ms: i64, seq: u64) -> Option<u64> {
    let track = machine.now.meters.get(meter)?;
    let later = machine.facts.iter().filter(|m| (m.time_ms, m.seq) >= (time_ms, seq));
    let mut read = later.filter(|m| m.value.what.reading().is_some_and(|(id, _)| id == meter));
    read.find(|m| track.held(m.time_ms, m.seq).is_none()).map(|m| m.seq)
}
