//! The facts of one machine in order of work, and the state that follows from them.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::events::MeterValue;
use super::machine::Derived;
use super::meter::Verdict;
use super::told::{Told, Trace, UseKind};
use crate::fact::Fact;
use crate::ids::Label;
use crate::packed::Packed;
use crate::timeline::{Moment, Timeline};

/// Facts between two remembered states that lie closest together.
const REMEMBER_EVERY: usize = 32;

/// One machine: its facts, and what follows from them.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Machine {
    pub(crate) facts: Packed<Told>,
    pub(crate) uses: Timeline<UseKind>,
    pub(crate) now: Derived,
    #[serde(skip)]
    remembered: Remembered,
}

/// Earlier states, each after so many facts, the oldest first. The further back, the further apart
/// they lie, so that a fact that comes `n` places late derives some multiple of `n` facts again
/// ([`is_kept`]) however long the machine's life is. They only save work: two machines with the same
/// facts are equal whatever they remember, and snapshots leave them out.
#[derive(Debug, Clone, Default)]
struct Remembered(Vec<(usize, Derived)>);

impl PartialEq for Remembered {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}
impl Eq for Remembered {}

/// Whether the state after `at` facts is kept once there are `facts`: of the states at multiples of
/// each power of two, the two newest are. Then some state lies at most four times as far back as
/// whatever is changed, or [`REMEMBER_EVERY`] facts, whichever is more; and there are about as many
/// as the number of facts has binary digits.
fn is_kept(at: usize, facts: usize) -> bool {
    let (block, newest) = (at / REMEMBER_EVERY, facts / REMEMBER_EVERY);
    (newest - block) >> block.trailing_zeros() < 2
}

impl Remembered {
    /// Notes the state after `facts` facts, and forgets what lies closer together than it need.
    fn note(&mut self, facts: usize, now: &Derived) {
        let newest = self.0.last().map_or(0, |(at, _)| *at);
        if facts > newest && facts.is_multiple_of(REMEMBER_EVERY) {
            self.0.retain(|(at, _)| is_kept(*at, facts));
            self.0.push((facts, now.clone()));
        }
    }

    /// Forgets states that a change at place `at` made wrong.
    fn forget_after(&mut self, at: usize) {
        let right = self.0.partition_point(|(facts, _)| *facts <= at);
        self.0.truncate(right);
    }

    /// The latest state that holds at most `at` facts: after how many, and the state.
    fn up_to(&self, at: usize) -> (usize, Derived) {
        let known = self.0.iter().rev().find(|(facts, _)| *facts <= at);
        known.cloned().unwrap_or_default()
    }
}

impl Machine {
    /// A machine of which these facts are told; the first `same` of them are those of this one.
    pub(crate) fn with(&self, facts: Packed<Told>, same: usize, uses: Timeline<UseKind>) -> Self {
        let (known, now) = self.remembered.up_to(same);
        let mut machine = Self { facts, uses, now, ..Self::default() };
        for moment in machine.facts.since(known) {
            machine.now.step(&moment);
        }
        machine
    }

    /// Whether a fact at this place would come after all others.
    pub(crate) fn is_newest(&self, time_ms: i64, seq: u64) -> bool {
        self.facts.last().is_none_or(|m| (m.time_ms, m.seq) < (time_ms, seq))
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

    /// The state after the first `facts` facts.
    fn state_after(&self, facts: usize) -> Derived {
        let (known, mut state) = self.remembered.up_to(facts);
        for moment in self.facts.since(known).take(facts - known) {
            state.step(&moment);
        }
        state
    }

    /// Derives again what follows from the facts, which changed at place `at`.
    fn derive_from(&mut self, at: usize) {
        self.remembered.forget_after(at);
        let (known, mut state) = self.remembered.up_to(at);
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
    use super::*;
    use crate::equipment::told::What;
    use proptest::prelude::*;

    /// A reading that counts or is held, depending on its neighbours.
    fn reading(shown: u32) -> Told {
        let what = What::Read {
            meter: Label::new("run").unwrap(),
            reading: MeterValue::new(&shown.to_string(), "h").unwrap(),
        };
        Told { person: None, offset_s: 0, what }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

        /// Most facts come in order, some a little late, some very late, some are taken out again:
        /// what is remembered of earlier states never shows.
        #[test]
        fn remembered_states_never_show(
            deeds in proptest::collection::vec((0..10u8, 0..400i64, 0..300u32), 100..400),
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
                    1 | 2 => machine.insert(times_ms[n], seq, reading(*shown)),
                    _ => machine.insert(times_ms[n], seq, reading(hour as u32 / 2)),
                }
                if *kind < 3 {
                    let fresh = Machine { facts: machine.facts.clone(), ..Machine::default() };
                    prop_assert_eq!(&machine.now, &fresh.state_after(fresh.facts.len()));
                    let at = (hour - back) * 3_600_000;
                    prop_assert_eq!(machine.before(at, seq), fresh.before_slowly(at, seq));
                }
            }
        }
    }

    /// Work, not time: how many facts are derived again after a change so many places back.
    #[test]
    fn a_late_fact_derives_a_multiple_of_its_lateness_again() {
        let mut remembered = Remembered::default();
        let now = Derived::default();
        for facts in 1..=180_000 {
            remembered.note(facts, &now);
            let dense = facts % 10_007 == 0 || facts < 300;
            for back in (0..18).map(|power| 1 << power).filter(|back| dense && *back <= facts) {
                let again = facts - remembered.up_to(facts - back).0;
                let most = 4 * back.max(REMEMBER_EVERY);
                assert!(again <= most, "{facts} facts, {back} back: {again}");
            }
            assert!(remembered.0.len() <= 2 + facts.ilog2() as usize, "{facts} facts");
        }
    }

    impl Machine {
        fn before_slowly(&self, time_ms: i64, seq: u64) -> Cow<'_, Derived> {
            let earlier = self.facts.iter().take_while(|m| (m.time_ms, m.seq) < (time_ms, seq));
            let mut state = Derived::default();
            earlier.for_each(|moment| state.step(&moment));
            Cow::Owned(state)
        }
    }
}
