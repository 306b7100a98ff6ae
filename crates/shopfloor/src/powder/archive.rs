//! The kept facts in order of work.
//!
//! The account of a shop has millions of facts after some years, and work touches those of the last
//! days: pages of them open with the first look.

use serde::{Deserialize, Serialize, Serializer};

use crate::growing::Growing;
use crate::pieces::Content;

use super::kept::{Kept, Moment};

impl Content for Kept {}

/// Facts in order of work.
///
/// Appending in order is O(1). A late fact or a correction is O(n) of the facts after it, as folding
/// the books again from there is.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Archive {
    /// When the work of each fact was done: looked up without opening the facts.
    moments: Growing<Moment>,
    facts: Growing<Kept>,
}

impl std::ops::Index<usize> for Archive {
    type Output = Kept;

    fn index(&self, at: usize) -> &Kept {
        &self.facts[at]
    }
}

impl Archive {
    /// How many facts.
    pub(crate) fn len(&self) -> usize {
        self.moments.len()
    }

    /// When the work of a fact was done.
    pub(crate) fn moment(&self, at: usize) -> Moment {
        self.moments[at]
    }

    /// When the last work was done.
    pub(crate) fn last_moment(&self) -> Option<Moment> {
        self.moments.last().copied()
    }

    /// How many facts are of work before a moment.
    pub(crate) fn before(&self, moment: Moment) -> usize {
        match self.moments.last() {
            // Nearly always: what is told now was done last.
            Some(last) if *last < moment => self.moments.len(),
            Some(_) | None => self.moments.partition_point(|other| *other < moment),
        }
    }

    /// How many facts are of work before an instant, ms since 1970 UTC.
    pub(crate) fn before_ms(&self, time_ms: i64) -> usize {
        self.moments.partition_point(|(other_ms, _)| *other_ms < time_ms)
    }

    /// The place of a fact.
    pub(crate) fn find(&self, moment: Moment) -> Option<usize> {
        let at = self.before(moment);
        (self.moments.get(at) == Some(&moment)).then_some(at)
    }

    /// Whether each fact comes after the one before it.
    pub(crate) fn is_sorted(&self) -> bool {
        self.moments.iter().is_sorted_by(|a, b| a < b)
    }

    /// The facts, to be written as any list is.
    pub(crate) fn listed(&self) -> impl Serialize {
        struct List<'a>(&'a Archive);
        impl Serialize for List<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_seq(self.0.facts.scan())
            }
        }
        List(self)
    }

    /// Puts a fact at its place.
    pub(crate) fn insert(&mut self, at: usize, kept: Kept) {
        self.change_from(at, |later| later.insert(0, kept));
    }

    /// Takes a fact out.
    pub(crate) fn remove(&mut self, at: usize) {
        self.change_from(at, |later| _ = later.remove(0));
    }

    fn change_from(&mut self, at: usize, change: impl FnOnce(&mut Vec<Kept>)) {
        let mut later = self.facts.split_off(at);
        self.moments.truncate(at);
        change(&mut later);
        for kept in later {
            self.moments.push(kept.moment());
            self.facts.push(kept);
        }
    }
}

impl FromIterator<Kept> for Archive {
    /// From facts in order of work.
    fn from_iter<I: IntoIterator<Item = Kept>>(facts: I) -> Self {
        let mut archive = Self::default();
        facts.into_iter().for_each(|kept| archive.insert(archive.len(), kept));
        archive
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::{Label, Subject};
    use crate::pieces::tests::{in_memory, kept_and_read};
    use crate::powder::events::LotReleased;
    use crate::powder::kept::Deed;
    use proptest::prelude::*;

    fn kept(time_ms: i64, seq: u64) -> Kept {
        let released: LotReleased =
            serde_json::from_value(serde_json::json!({ "meaning": "released" })).unwrap();
        let subject: Subject = format!("lot/L-{seq}").parse().unwrap();
        let deed = Deed::LotReleased(Box::new(released));
        Kept { time_ms, seq, site: Label::new("north").ok(), subject, by: None, deed }
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 32, ..ProptestConfig::default() })]

        /// Whatever is put in late, taken out again and looked at between, it is a sorted list.
        #[test]
        fn it_is_a_sorted_list(
            deeds in proptest::collection::vec((0..20_u8, 0..400_i64, any::<prop::sample::Index>()), 60..400),
        ) {
            let (mut archive, mut list) = (Archive::default(), Vec::<Kept>::new());
            for (n, (kind, back, which)) in deeds.iter().enumerate() {
                let (seq, now) = (n as u64, n as i64);
                if *kind == 0 && !list.is_empty() {
                    let at = which.index(list.len());
                    prop_assert_eq!(archive.find(list[at].moment()), Some(at));
                    archive.remove(at);
                    list.remove(at);
                    continue;
                }
                let late = if *kind == 1 { now - back } else { now };
                let kept = kept(late, seq);
                let at = list.partition_point(|other| other.moment() < kept.moment());
                prop_assert_eq!(archive.before(kept.moment()), at);
                archive.insert(at, kept.clone());
                list.insert(at, kept);
                let looked = which.index(list.len());
                prop_assert_eq!(&archive[looked], &list[looked]);
                prop_assert_eq!(archive.moment(looked), list[looked].moment());
                if n % 90 == 80 {
                    archive = kept_and_read(&in_memory(), &archive).1;
                }
            }
            prop_assert_eq!(archive.len(), list.len());
            prop_assert!(archive.is_sorted());
            prop_assert_eq!(
                serde_json::to_value(archive.listed()).unwrap(), serde_json::to_value(&list).unwrap()
            );
            let plain: Archive = list.into_iter().collect();
            prop_assert_eq!(&plain, &archive);
        }
    }
}
