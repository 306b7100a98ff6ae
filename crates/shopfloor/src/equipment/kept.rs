//! The facts of one machine in order of work, and the state that follows from them.

use std::borrow::Cow;
use std::sync::Arc;

use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize, Serializer};

use super::events::MeterValue;
use super::machine::{Derived, Mark};
use super::meter::Verdict;
use super::told::{Told, Trace, UseKind};
use crate::fact::Fact;
use crate::growing::Growing;
use crate::ids::Label;
use crate::packed::Packed;
use crate::pieces::{Compressed, Content};
use crate::timeline::Moment;

/// Facts between two remembered states that lie closest together; fewer in unit tests.
const REMEMBER_EVERY: usize = if cfg!(test) { 8 } else { 32 };

/// Facts between two states that are kept for good: with 2 kB of a packed state (one meter, six tasks)
/// this is a byte a fact, and an earlier answer takes two milliseconds.
pub(super) const KEEP_EVERY: usize = if cfg!(test) { 256 } else { 2048 };

/// One machine: its facts, and what follows from them.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
pub(crate) struct Machine {
    pub(crate) facts: Packed<Told>,
    pub(crate) uses: Packed<UseKind>,
    pub(crate) now: Derived,
    #[serde(default)]
    remembered: Remembered,
}

/// A JSON form, over which digests are, leaves out what is remembered: it follows from the facts, and
/// which of it there is depends on the order in which they came.
impl Serialize for Machine {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self { facts, uses, now, remembered } = self;
        let whole = !serializer.is_human_readable();
        let mut machine = serializer.serialize_struct("Machine", 3 + usize::from(whole))?;
        machine.serialize_field("facts", facts)?;
        machine.serialize_field("uses", uses)?;
        machine.serialize_field("now", now)?;
        if whole {
            machine.serialize_field("remembered", remembered)?;
        }
        machine.end()
    }
}

/// Earlier states, each after so many facts, the oldest first. They only save work: two machines with
/// the same facts are equal whatever they remember.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Remembered {
    /// The further back, the further apart they lie, so that a fact that comes `n` places late
    /// derives some multiple of `n` facts again ([`is_near`]). None lies further back than
    /// [`KEEP_EVERY`] facts; a snapshot leaves them out.
    #[serde(skip)]
    near: Vec<(usize, Arc<Mark>)>,
    /// After every [`KEEP_EVERY`]th fact of the machine's whole life, so that what was true at any
    /// time is at most so many facts away.
    far: Growing<Far>,
}

impl PartialEq for Remembered {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}
impl Eq for Remembered {}

/// A state of long ago.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Far {
    /// Facts that it holds.
    facts: usize,
    /// A [`Mark`].
    mark: Compressed,
}

impl Content for Far {
    const HOLDS_PIECES: bool = true;
}

/// Whether the state after `at` facts is remembered as a near one once there are `facts`: of the
/// states at multiples of each power of two, the two newest are. Then some state lies at most four
/// times as far back as whatever is changed, or [`REMEMBER_EVERY`] facts, whichever is more; and there
/// are about as many as [`KEEP_EVERY`] has binary digits.
fn is_near(at: usize, facts: usize) -> bool {
    let (block, newest) = (at / REMEMBER_EVERY, facts / REMEMBER_EVERY);
    facts - at <= KEEP_EVERY && (newest - block) >> block.trailing_zeros() < 2
}

impl Remembered {
    /// Notes the state after `facts` facts, and forgets what lies closer together than it need.
    fn note(&mut self, facts: usize, now: &Derived) {
        let newest = self.near.last().map_or(0, |(at, _)| *at);
        if facts <= newest || !facts.is_multiple_of(REMEMBER_EVERY) {
            return;
        }
        let mark = now.mark();
        if facts.is_multiple_of(KEEP_EVERY) && self.far.last().is_none_or(|far| far.facts < facts) {
            self.far.push(Far { facts, mark: Compressed::pack(&mark) });
        }
        self.near.retain(|(at, _)| is_near(*at, facts));
        self.near.push((facts, Arc::new(mark)));
    }

    /// Forgets states that a change at place `at` made wrong.
    fn forget_after(&mut self, at: usize) {
        let right = self.near.partition_point(|(facts, _)| *facts <= at);
        self.near.truncate(right);
        self.far.split_off(self.far.partition_point(|far| far.facts <= at));
    }

    /// After how many facts the latest state was remembered that holds at most `at`, and its mark.
    fn up_to(&self, at: usize) -> Option<(usize, Mark)> {
        let near = self.near.iter().rev().find(|(facts, _)| *facts <= at);
        let far = self.far.partition_point(|far| far.facts <= at).checked_sub(1);
        match (near, far.and_then(|far| self.far.get(far))) {
            (Some((facts, mark)), far) if far.is_none_or(|far| far.facts <= *facts) => {
                Some((*facts, Mark::clone(mark)))
            }
            (Some(_) | None, far) => far.map(|far| (far.facts, far.mark.unpack())),
        }
    }
}

impl Machine {
    /// A machine of which these facts are told; the first `same` of them are those of this one.
    pub(crate) fn with(&self, facts: Packed<Told>, same: usize, uses: Packed<UseKind>) -> Self {
        let (known, now) = self.known_up_to(same);
        let mut machine = Self { facts, uses, now, ..Self::default() };
        for moment in machine.facts.since(known) {
            machine.now.step(&moment);
        }
        machine
    }

    /// Whether a fact at this place would come after all others.
    pub(crate) fn is_newest(&self, time_ms: i64, seq: u64) -> bool {
        self.facts.is_newest(time_ms, seq)
    }

    /// Puts a fact at its time: one step when it is the newest.
    pub(crate) fn insert(&mut self, time_ms: i64, seq: u64, told: Told) {
        if self.is_newest(time_ms, seq) {
            self.facts.insert(time_ms, seq, told);
            if let Some(newest) = self.facts.last() {
                self.now.step(newest);
            }
            self.remembered.note(self.facts.len(), &self.now);
        } else {
            let at = self.facts.place_of(time_ms, seq);
            self.facts.insert(time_ms, seq, told);
            self.derive_from(at);
        }
    }

    /// Takes the fact of an entry, whose work was done at `time_ms`, out, if there is one.
    pub(crate) fn remove(&mut self, time_ms: i64, seq: u64) {
        if let Some(at) = self.facts.remove(time_ms, seq) {
            self.derive_from(at);
        }
    }

    /// The latest state at hand that holds at most `at` facts: how many, and the state.
    fn known_up_to(&self, at: usize) -> (usize, Derived) {
        if at == self.facts.len() {
            return (at, self.now.clone());
        }
        let known = self.remembered.up_to(at);
        known.map_or_else(Default::default, |(facts, mark)| (facts, self.now.back_to(mark)))
    }

    /// The state after the first `facts` facts.
    fn state_after(&self, facts: usize) -> Derived {
        let (known, mut state) = self.known_up_to(facts);
        for moment in self.facts.since(known).take(facts - known) {
            state.step(&moment);
        }
        state
    }

    /// Derives again what follows from the facts, which changed at place `at`.
    fn derive_from(&mut self, at: usize) {
        self.remembered.forget_after(at);
        let known = self.remembered.up_to(at);
        let (known, mut state) = known.map_or_else(Default::default, |(facts, mark)| {
            // The state of today still follows from what was there before the change.
            (facts, self.now.back_to(mark))
        });
        for (facts, moment) in (known + 1..).zip(self.facts.since(known)) {
            state.step(&moment);
            self.remembered.note(facts, &state);
        }
        self.now = state;
    }

    /// The state just before the place of a fact.
    pub(crate) fn before(&self, time_ms: i64, seq: u64) -> Cow<'_, Derived> {
        match self.facts.place_of(time_ms, seq) {
            all if all == self.facts.len() => Cow::Borrowed(&self.now),
            some => Cow::Owned(self.state_after(some)),
        }
    }

    /// The next reading of `meter` after a fact, if it counts now and would not count any more
    /// with the fact in its place: its entry and what it showed.
    pub(crate) fn next_counted(&self, fact: &Fact, meter: &Label) -> Option<(u64, MeterValue)> {
        let place = (fact.time.ms(), fact.seq);
        if self.is_newest(place.0, place.1) {
            return None;
        }
        let first = self.facts.place_of(place.0, place.1);
        let mut later = self.facts.since(first).filter(|m| m.seq != fact.seq);
        let (seq, time_ms, value) = later.find_map(|m| {
            let (read, value) = m.value.what.reading()?;
            let track = self.now.meters.get(meter);
            let counts = || track.is_none_or(|t| t.held(m.time_ms, m.seq).is_none());
            (read == meter && counts()).then(|| (m.seq, m.time_ms, value.clone()))
        })?;
        let mut with = self.before(place.0, place.1).into_owned();
        let told = Told { person: None, offset_s: fact.time.offset_s, what: Trace::of(fact).life? };
        with.step(&Moment { time_ms: place.0, seq: place.1, value: told });
        match with.meters.get(meter)?.judge(time_ms, &value) {
            Verdict::Held(_) => Some((seq, value)),
            Verdict::Counts { .. } => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use serde::de::DeserializeOwned;
    use serde_json::{Value, json};

    use super::*;
    use crate::equipment::told::What;
    use proptest::prelude::*;

    fn form<T: DeserializeOwned>(of: Value) -> T {
        serde_json::from_value(of).unwrap()
    }

    fn told(what: What) -> Told {
        Told { person: None, offset_s: 0, what }
    }

    /// A reading that counts or is held, depending on its neighbours.
    fn reading(shown: u32) -> Told {
        told(What::Read {
            meter: Label::new("run").unwrap(),
            reading: MeterValue::new(&shown.to_string(), "h").unwrap(),
        })
    }

    /// What the fact of an hour is when its work is no reading: every list of a state grows, every
    /// element that can change later does.
    fn work(hour: i64, kind: u8) -> Told {
        let limit = |hours: i64| json!({ "meter": "run", "quantity": { "value": hours.to_string(), "unit": "h" } });
        let source = json!({ "basis": "site" });
        told(match kind {
            0 => What::PlanSet(form(json!({ "tasks": [
                { "task": "clean", "action": "clean", "target": "chamber", "every": limit(5 + hour % 7),
                  "warn_percent": 80, "source": source },
                { "task": "look", "action": "inspect", "target": "exhaust", "calendar": "P1D",
                  "warn_percent": 80, "source": source },
            ] }))),
            1 => What::Swapped(form(json!({
                "position": "exhaust", "checks": [],
                "out": { "serial": format!("HF-{}", hour - 1), "reason": "interval", "condition": "worn" },
                "in": { "serial": format!("HF-{hour}"), "spec": { "filter_class": "H13" } },
            }))),
            2 | 3 => What::Inspected(form(json!({
                "target": "exhaust", "result": if hour % 3 == 0 { "fail" } else { "pass" },
            }))),
            _ => What::Cleaned(form(json!({
                "target": "chamber", "method": "vacuum", "checks": [],
            }))),
        })
    }

    /// The state after facts, derived without anything remembered.
    fn slowly<'a>(facts: impl Iterator<Item = Cow<'a, Moment<Told>>>) -> Derived {
        let mut state = Derived::default();
        facts.for_each(|moment| state.step(&moment));
        state
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 16, ..ProptestConfig::default() })]

        /// Most facts come in order, some a little late, some very late, some are taken out again:
        /// what is remembered of earlier states never shows, also not after a snapshot was read, and
        /// neither when it is asked what followed from the entries known earlier.
        #[test]
        fn remembered_states_never_show(
            deeds in proptest::collection::vec((0..48u8, 0..700i64, 0..300u32), 300..800),
        ) {
            let (mut machine, mut times_ms) = (Machine::default(), Vec::new());
            for (n, (kind, back, shown)) in deeds.iter().enumerate() {
                let (seq, hour) = (n as u64, n as i64);
                let late_h = [0, *back, back % 8].get(usize::from(*kind)).copied().unwrap_or(0);
                times_ms.push((hour - late_h) * 3_600_000);
                match kind {
                    0 => {
                        let gone = n.saturating_sub(back.unsigned_abs() as usize);
                        machine.remove(times_ms[gone], gone as u64);
                    }
                    1 | 2 if shown % 2 == 0 => machine.insert(times_ms[n], seq, reading(*shown)),
                    1 | 2 => machine.insert(times_ms[n], seq, work(hour, (shown % 5) as u8)),
                    3..28 => machine.insert(times_ms[n], seq, reading(hour as u32 / 2)),
                    _ => machine.insert(times_ms[n], seq, work(hour, kind % 20)),
                }
                if *kind < 3 {
                    prop_assert_eq!(&machine.now, &slowly(machine.facts.iter()));
                    let at = ((hour - back) * 3_600_000, seq);
                    let before = || machine.facts.iter().take_while(|m| (m.time_ms, m.seq) < at);
                    let state = machine.before(at.0, at.1);
                    prop_assert_eq!(state.as_ref(), &slowly(before()));
                    prop_assert!(bounded(&machine, before().count()));

                    let known = u64::from(*shown) * seq / 300;
                    let (facts, same) = machine.facts.filtered(|seq| seq < known, |_| None);
                    let then = machine.with(facts, same, Packed::default());
                    prop_assert_eq!(&then.now, &slowly(then.facts.iter()), "as of {}", known);
                }
                if *kind == 1 {
                    let snapshot = rmp_serde::to_vec_named(&machine).unwrap();
                    let read: Machine = rmp_serde::from_slice(&snapshot).unwrap();
                    prop_assert_eq!(&read, &machine);
                    prop_assert_eq!(read.remembered.far.len(), machine.remembered.far.len());
                    machine = read;
                }
            }
            let Value::Object(digested) = serde_json::to_value(&machine).unwrap() else { unreachable!() };
            let names: Vec<&str> = digested.keys().map(String::as_str).collect();
            prop_assert_eq!(names, ["facts", "now", "uses"], "what is remembered is in no digest");
        }
    }

    /// Whether the state after `at` facts is derived from so few that it takes the same at any age.
    fn bounded(machine: &Machine, at: usize) -> bool {
        let known = machine.remembered.up_to(at).map_or(0, |(known, _)| known);
        known <= at && at - known < KEEP_EVERY
    }

    /// Work, not time: how many facts are derived again after a change so many places back, and how
    /// many for a state of so many places ago.
    #[test]
    fn a_late_fact_derives_a_multiple_of_its_lateness_again() {
        let mut remembered = Remembered::default();
        let now = Derived::default();
        for facts in 1..=180_000 {
            remembered.note(facts, &now);
            let dense = facts % 10_007 == 0 || facts < 300;
            for back in (0..18).map(|power| 1 << power).filter(|back| dense && *back <= facts) {
                let at = facts - back;
                let known = remembered.up_to(at).map_or(0, |(known, _)| known);
                let most = (4 * back.max(REMEMBER_EVERY)).min(back + KEEP_EVERY);
                assert!(facts - known <= most, "{facts} facts, {back} back: {}", facts - known);
                assert!(at - known < KEEP_EVERY, "{facts} facts, {back} back: {}", at - known);
            }
            let near = remembered.near.len();
            assert!(near <= 3 + KEEP_EVERY.ilog2() as usize, "{facts} facts: {near}");
            assert_eq!(remembered.far.len(), facts / KEEP_EVERY, "{facts} facts");
        }
    }

    /// Memory, not time: a state that is kept holds nothing of the life before it.
    #[test]
    fn a_mark_does_not_grow_with_the_life_of_a_machine() {
        let mut machine = Machine::default();
        // Days, counts and entries have as many digits from the first to the last.
        let hour_ms = |hour: i64| (hour + 480_000) * 3_600_000;
        machine.insert(hour_ms(0), 0, work(0, 0));
        let mut sizes = Vec::new();
        for n in 1..=6_000i64 {
            let fact = match n % 40 {
                0 => work(n, 1),
                // Too much for the hours that passed: held.
                21 => reading(1_000_000),
                odd if odd % 2 == 1 => work(n, if odd % 3 == 0 { 2 } else { 4 }),
                _ => reading(n as u32 + 10_000),
            };
            machine.insert(hour_ms(n), n.unsigned_abs(), fact);
            if n % 2_000 == 0 {
                let mark = machine.now.mark();
                sizes.push(rmp_serde::to_vec_named(&mark).unwrap().len());
                assert_eq!(machine.now.back_to(mark), machine.now);
            }
        }
        assert!(
            machine.now.stays.len() > 100
                && machine.now.tasks.values().all(|t| t.completed.len() > 800)
        );
        assert!(machine.now.meters.values().all(|meter| meter.held.len() > 100));
        assert!(sizes[2] < sizes[0] + 50, "only numbers have more digits: {sizes:?}");
    }
}
