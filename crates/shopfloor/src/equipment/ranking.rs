//! The most urgent of many tasks.

use std::cmp::Reverse;

use super::plan::DueState;

/// Rank of a task in the due list: state, share of the limit, machine, place in the plan.
pub(crate) type Rank = (DueState, Reverse<u32>, u32, u32);

/// Keeps the best of many ranks without sorting all of them.
pub(crate) struct MostUrgent {
    limit: usize,
    kept: Vec<Rank>,
    /// The worst rank that can still be among the best, once known.
    bar: Option<Rank>,
}

impl MostUrgent {
    pub(crate) fn new(limit: usize) -> Self {
        Self { limit, kept: Vec::new(), bar: None }
    }

    pub(crate) fn offer(&mut self, rank: Rank) {
        if self.bar.is_some_and(|bar| rank > bar) {
            return;
        }
        self.kept.push(rank);
        if self.kept.len() >= self.limit.saturating_mul(2).max(1024) {
            self.cut();
        }
    }

    fn cut(&mut self) {
        match self.limit.checked_sub(1) {
            Some(last) if self.kept.len() > last => {
                let (_, bar, _) = self.kept.select_nth_unstable(last);
                self.bar = Some(*bar);
            }
            Some(_) | None => {}
        }
        self.kept.truncate(self.limit);
    }

    pub(crate) fn sorted(mut self) -> Vec<Rank> {
        self.cut();
        self.kept.sort_unstable();
        self.kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn the_most_urgent_are_those_of_a_full_sort(
            points in proptest::collection::vec((0..3usize, 0..50u32), 0..5000),
            limit in prop_oneof![0..20usize, 900..1500usize, Just(usize::MAX)],
        ) {
            let states = [DueState::Due, DueState::DueSoon, DueState::WithinLimit];
            let ranks = (0u32..).zip(points).map(|(n, (s, p))| (states[s], Reverse(p), n, 0));
            let mut sorted: Vec<Rank> = ranks.collect();
            let mut best = MostUrgent::new(limit);
            for rank in &sorted {
                best.offer(*rank);
            }
            sorted.sort_unstable();
            sorted.truncate(limit);
            prop_assert_eq!(best.sorted(), sorted);
        }
    }
}
