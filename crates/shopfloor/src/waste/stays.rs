//! Which containers were there on a day, without a look at the others.
//!
//! Stays that have ended lie in a relational interval tree (H.-P. Kriegel, M. Poetke, T. Seidl,
//! "Managing Intervals Efficiently in Object-Relational Databases", VLDB 2000): each at one node of a
//! virtual binary tree over the days, so that a question looks at some forty places and at what it
//! finds, however many stays lie before or after. A list in order of the last day alone would do for
//! today, but not for what is told late: it would name all that ended since.

use serde::{Deserialize, Serialize};

use crate::ids::Label;
use crate::sorted::Sorted;

/// A day as the index counts: from 1 on, UTC. Times of the record lie between the years 1970 and
/// 9999; what does not is counted to the nearest of them, which finds too much and never too little.
type DayNo = u32;

const MS_PER_DAY: i64 = 86_400_000;
/// Levels of the tree: the years 1970 to 9999 have fewer than 2^22 days.
const LEVELS: u32 = 22;
const LAST_DAY: DayNo = (1 << LEVELS) - 1;

fn day_no(ms: i64) -> DayNo {
    let day = ms.div_euclid(MS_PER_DAY).clamp(0, i64::from(LAST_DAY) - 1);
    DayNo::try_from(day).unwrap_or(0) + 1
}

/// From when until when something can matter to an answer, in ms since 1970 UTC, both included.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Stay {
    /// The first moment.
    pub(super) from_ms: i64,
    /// The last one; `None`: it has not come.
    pub(super) until_ms: Option<i64>,
}

/// Containers by the days of their stay.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Stays {
    /// Those that have not ended, by the first day.
    open: Sorted<(DayNo, Label)>,
    /// Those that have, by node and first day.
    by_first: Sorted<(DayNo, DayNo, Label)>,
    /// The same by node and last day.
    by_last: Sorted<(DayNo, DayNo, Label)>,
}

/// The node of a stay: of the days in it, the one nearest to the root of the tree.
fn node(first: DayNo, last: DayNo) -> DayNo {
    let level = ((first - 1) ^ last).ilog2();
    (last >> level) << level
}

/// The nodes above a day, and some below it, where nothing is found.
fn path(day: DayNo) -> impl Iterator<Item = DayNo> {
    (0..LEVELS).map(move |level| ((day >> level) | 1) << level)
}

impl Stays {
    /// Whether there is none.
    pub(super) fn is_empty(&self) -> bool {
        self.open.is_empty() && self.by_first.is_empty()
    }

    pub(super) fn insert(&mut self, id: &Label, stay: Stay) {
        let (first, id) = (day_no(stay.from_ms), id.clone());
        match stay.until_ms.map(|ms| day_no(ms).max(first)) {
            None => _ = self.open.insert((first, id)),
            Some(last) => {
                let node = node(first, last);
                self.by_first.insert((node, first, id.clone()));
                self.by_last.insert((node, last, id));
            }
        }
    }

    pub(super) fn remove(&mut self, id: &Label, stay: Stay) {
        let (first, id) = (day_no(stay.from_ms), id.clone());
        match stay.until_ms.map(|ms| day_no(ms).max(first)) {
            None => _ = self.open.remove(&(first, id)),
            Some(last) => {
                let node = node(first, last);
                self.by_last.remove(&(node, last, id.clone()));
                self.by_first.remove(&(node, first, id));
            }
        }
    }

    /// Those whose stay has a day between the days of two instants, both included; in no order.
    pub(super) fn between(&self, from_ms: i64, to_ms: i64) -> Vec<&Label> {
        let (from, to) = (day_no(from_ms), day_no(to_ms));
        if from_ms > to_ms {
            return Vec::new();
        }
        let open = self.open.range(|_| false, |(first, _)| *first <= to).map(|(_, id)| id);
        // At a node in between: all. Before: those that last until then. After: those that began.
        let inside = self.by_first.range(|(node, ..)| *node < from, |(node, ..)| *node <= to);
        let before = path(from).filter(|node| *node < from).flat_map(|at| {
            self.by_last
                .range(|(node, last, _)| (*node, *last) < (at, from), |(node, ..)| *node <= at)
        });
        let after = path(to).filter(|node| *node > to).flat_map(|at| {
            self.by_first
                .range(|(node, ..)| *node < at, |(node, first, _)| (*node, *first) <= (at, to))
        });
        open.chain(inside.chain(before).chain(after).map(|(_, _, id)| id)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn id(n: usize) -> Label {
        Label::new(&format!("D-{n}")).unwrap()
    }

    /// Days of a short time, so that many meet, and of the ends of the calendar.
    fn any_day() -> impl Strategy<Value = i64> {
        prop_oneof![8 => -1..70i64, 1 => 20_000..20_070i64, 1 => 2_932_000..2_933_000i64]
    }

    proptest! {
        /// What is found is what a look at every stay finds, also after some were taken out.
        #[test]
        fn those_that_were_there_are_found(
            told in prop::collection::vec((any_day(), prop::option::of(any_day()), any::<bool>()), 0..60),
            from in any_day(),
            length in 0..40i64,
        ) {
            let stay = |first: i64, last: Option<i64>| Stay {
                from_ms: first * MS_PER_DAY + 7,
                until_ms: last.map(|last| last.max(first) * MS_PER_DAY + 9),
            };
            let mut stays = Stays::default();
            for (n, (first, last, _)) in told.iter().enumerate() {
                stays.insert(&id(n), stay(*first, *last));
            }
            for (n, (first, last, _)) in told.iter().enumerate().filter(|(_, told)| told.2) {
                stays.remove(&id(n), stay(*first, *last));
            }
            let (from, to) = (from.max(0), (from + length).max(0));
            let there = |first: i64, last: Option<i64>| {
                first.max(0) <= to && last.is_none_or(|last| last.max(first).max(0) >= from)
            };
            let mut expected: Vec<Label> = told
                .iter()
                .enumerate()
                .filter(|(_, (first, last, gone))| !gone && there(*first, *last))
                .map(|(n, _)| id(n))
                .collect();
            let mut found: Vec<Label> =
                stays.between(from * MS_PER_DAY, to * MS_PER_DAY).into_iter().cloned().collect();
            expected.sort();
            found.sort();
            prop_assert_eq!(found, expected);
        }
    }
}
