//! A set in order that may be far larger than what anybody looks at.
//!
//! A tree of three levels: leaves of elements, branches of leaves, and the branches. Leaves and
//! branches are [pieces](crate::pieces) of a snapshot: a start reads the list of branches, a look at
//! an element its branch and its leaf. A change copies what a snapshot that is being written shares.
//!
//! Elements lie in the order of their keys, each of which is there once. Mostly an element is its key.

use std::borrow::Borrow;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::pieces::{Content, Page, apart};

/// Most elements of a leaf and leaves of a branch; few in unit tests.
const MOST: usize = if cfg!(test) { 8 } else { 256 };

/// After so many leaves were opened or new, the next change closes those that nobody looked at meanwhile.
const OPEN_MAX: usize = if cfg!(test) { 6 } else { 1_024 };

/// The same for leaves whose elements open pages of their own.
const OPEN_MAX_OF_PAGES: usize = if cfg!(test) { 2 } else { 64 };

type Leaf<T, K> = Part<K, Vec<T>>;
type Branch<T, K> = Part<K, Vec<Leaf<T, K>>>;

/// A page, and a key that is not above any in it nor below any before it.
#[derive(Clone, Serialize, Deserialize)]
#[serde(bound = "K: Content, C: Content")]
struct Part<K, C> {
    first: K,
    page: Page<C>,
}

impl<T: Content, K: Content> Content for Leaf<T, K> {
    const HOLDS_PIECES: bool = true;
}

/// The set of elements `T` in the order of their keys `K`. In digests it is a list of its elements in
/// order.
pub(crate) struct Sorted<T, K = T> {
    branches: Vec<Branch<T, K>>,
    /// Leaves opened, and new ones, since some were closed.
    opened: AtomicUsize,
}

impl<T, K> Sorted<T, K> {
    fn of(branches: Vec<Branch<T, K>>) -> Self {
        Self { branches, opened: AtomicUsize::new(0) }
    }

    /// Whether there is none.
    pub(crate) fn is_empty(&self) -> bool {
        self.branches.is_empty()
    }
}

impl<T, K> Default for Sorted<T, K> {
    fn default() -> Self {
        Self::of(Vec::new())
    }
}

impl<T: Clone, K: Clone> Clone for Sorted<T, K> {
    fn clone(&self) -> Self {
        Self::of(self.branches.clone())
    }
}

/// Branch, leaf, element: where an element is, or would be put, in the order of places.
type At = (usize, usize, usize);

/// The last part that begins below, or the first one.
fn part<K, C>(parts: &[Part<K, C>], below: impl Fn(&K) -> bool) -> usize {
    parts.partition_point(|part| below(&part.first)).saturating_sub(1)
}

/// Puts `new` into a list of at most [`MOST`]; returns what has to lie in a list behind it.
fn put<E>(list: &mut Vec<E>, at: usize, new: E) -> Option<Vec<E>> {
    if list.len() < MOST {
        list.insert(at, new);
        return None;
    }
    if at == list.len() {
        // What comes in order fills its pages.
        return Some(vec![new]);
    }
    let mut behind = list.split_off(MOST / 2);
    match at.checked_sub(MOST / 2).filter(|at| *at > 0) {
        Some(at) => behind.insert(at, new),
        None => list.insert(at, new),
    }
    Some(behind)
}

impl<T: Content + Borrow<K>, K: Content> Sorted<T, K> {
    fn branch(&self, at: usize) -> Option<&[Leaf<T, K>]> {
        Some(self.branches.get(at)?.page.get())
    }

    fn leaf(&self, (branch, leaf, _): At) -> Option<&[T]> {
        let page = &self.branch(branch)?.get(leaf)?.page;
        if page.opened().is_none() {
            self.opened.fetch_add(1, Ordering::Relaxed);
        }
        Some(page.get())
    }

    fn element(&self, at: At) -> Option<&T> {
        self.leaf(at)?.get(at.2)
    }

    /// Where those end that are below; the others follow.
    fn end_of(&self, below: impl Fn(&K) -> bool) -> At {
        let branch = part(&self.branches, &below);
        let leaf = self.branch(branch).map_or(0, |leaves| part(leaves, &below));
        let of_leaf = self.leaf((branch, leaf, 0)).unwrap_or_default();
        (branch, leaf, of_leaf.partition_point(|element| below(element.borrow())))
    }

    /// The place of an element, if one is there or behind.
    fn settle(&self, (mut branch, mut leaf, mut element): At) -> Option<At> {
        loop {
            match self.leaf((branch, leaf, 0)) {
                Some(of_leaf) if element < of_leaf.len() => return Some((branch, leaf, element)),
                Some(_) => (leaf, element) = (leaf + 1, 0),
                None if branch < self.branches.len() => {
                    (branch, leaf, element) = (branch + 1, 0, 0);
                }
                None => return None,
            }
        }
    }

    /// The place of the element before.
    fn before(&self, (branch, leaf, element): At) -> Option<At> {
        if let Some(element) = element.checked_sub(1) {
            return Some((branch, leaf, element));
        }
        // No page is empty.
        let (branch, leaf) = match leaf.checked_sub(1) {
            Some(leaf) => (branch, leaf),
            None => {
                let branch = branch.checked_sub(1)?;
                (branch, self.branch(branch)?.len() - 1)
            }
        };
        Some((branch, leaf, self.leaf((branch, leaf, 0))?.len() - 1))
    }

    /// The elements whose keys are not below `from`, up to those that are not below `to`.
    pub(crate) fn range(
        &self,
        from: impl Fn(&K) -> bool,
        to: impl Fn(&K) -> bool,
    ) -> Range<'_, T, K> {
        Range { of: self, from: self.end_of(from), to: self.end_of(to) }
    }

    /// The first element whose key is not below.
    pub(crate) fn first(&self, below: impl Fn(&K) -> bool) -> Option<&T> {
        self.element(self.settle(self.end_of(below))?)
    }

    /// The last element whose key is below.
    pub(crate) fn last(&self, below: impl Fn(&K) -> bool) -> Option<&T> {
        self.element(self.before(self.end_of(below))?)
    }

    /// The elements whose keys are not below.
    pub(crate) fn since(&self, below: impl Fn(&K) -> bool) -> Range<'_, T, K> {
        Range { of: self, from: self.end_of(below), to: (self.branches.len(), 0, 0) }
    }

    /// All of them.
    pub(crate) fn iter(&self) -> Range<'_, T, K> {
        Range { of: self, from: (0, 0, 0), to: (self.branches.len(), 0, 0) }
    }
}

impl<T: Content + Borrow<K>, K: Content + Ord> Sorted<T, K> {
    /// The place of the element of a key, if it is in there.
    fn find(&self, key: &K) -> Option<At> {
        let at = self.settle(self.end_of(|other| other < key))?;
        (self.element(at)?.borrow() == key).then_some(at)
    }

    /// The element of a key.
    pub(crate) fn get(&self, key: &K) -> Option<&T> {
        self.element(self.find(key)?)
    }

    /// Whether there is an element of this key.
    pub(crate) fn contains(&self, key: &K) -> bool {
        self.find(key).is_some()
    }

    /// The element of a key, to change what there is of it beside the key, which must stay as it is.
    pub(crate) fn change(&mut self, key: &K) -> Option<&mut T> {
        self.settle_down();
        let (branch, leaf, at) = self.find(key)?;
        let leaves = self.branches[branch].page.change();
        leaves[leaf].page.change().get_mut(at)
    }

    /// Puts an element in, unless there is one of its key; whether there was none.
    pub(crate) fn insert(&mut self, element: T) -> bool {
        let key: &K = element.borrow();
        let (branch, leaf, at) = self.end_of(|other| other < key);
        let there = self.settle((branch, leaf, at)).and_then(|at| self.element(at));
        if there.is_some_and(|found| found.borrow() == key) {
            return false;
        }
        let Some(of_branch) = self.branches.get_mut(branch) else {
            let first = key.clone();
            let leaf = Part { first: first.clone(), page: Page::new(vec![element]) };
            self.branches.push(Part { first, page: Page::new(vec![leaf]) });
            return true;
        };
        if *key < of_branch.first {
            of_branch.first = key.clone();
        }
        let leaves = of_branch.page.change();
        let of_leaf = &mut leaves[leaf];
        if *key < of_leaf.first {
            of_leaf.first = key.clone();
        }
        if let Some(behind) = put(of_leaf.page.change(), at, element) {
            let new = Part { first: behind[0].borrow().clone(), page: Page::new(behind) };
            if let Some(behind) = put(leaves, leaf + 1, new) {
                let new = Part { first: behind[0].first.clone(), page: Page::new(behind) };
                self.branches.insert(branch + 1, new);
            }
            *self.opened.get_mut() += 1;
        }
        self.settle_down();
        true
    }

    /// Takes the element of a key out; whether it was there.
    pub(crate) fn remove(&mut self, key: &K) -> bool {
        let Some((branch, leaf, at)) = self.find(key) else { return false };
        let leaves = self.branches[branch].page.change();
        let of_leaf = leaves[leaf].page.change();
        of_leaf.remove(at);
        if of_leaf.is_empty() {
            leaves.remove(leaf);
        }
        if leaves.is_empty() {
            self.branches.remove(branch);
        }
        self.settle_down();
        true
    }

    /// Closes what nobody looks at any more, when much was opened.
    fn settle_down(&mut self) {
        let most = if T::HOLDS_PIECES { OPEN_MAX_OF_PAGES } else { OPEN_MAX };
        if *self.opened.get_mut() <= most {
            return;
        }
        *self.opened.get_mut() = 0;
        for branch in &mut self.branches {
            if let Some(leaves) = branch.page.opened_mut() {
                leaves.iter_mut().for_each(|leaf| leaf.page.close());
                branch.page.close();
            }
        }
    }
}

/// Elements of a set, from either end.
pub(crate) struct Range<'a, T, K = T> {
    of: &'a Sorted<T, K>,
    from: At,
    to: At,
}

impl<T, K> Clone for Range<'_, T, K> {
    fn clone(&self) -> Self {
        Self { of: self.of, from: self.from, to: self.to }
    }
}

impl<'a, T: Content + Borrow<K>, K: Content> Iterator for Range<'a, T, K> {
    type Item = &'a T;

    fn next(&mut self) -> Option<&'a T> {
        let at = self.of.settle(self.from).filter(|at| *at < self.to)?;
        self.from = (at.0, at.1, at.2 + 1);
        self.of.element(at)
    }
}

impl<T: Content + Borrow<K>, K: Content> DoubleEndedIterator for Range<'_, T, K> {
    fn next_back(&mut self) -> Option<Self::Item> {
        let at = self.of.before(self.to).filter(|at| *at >= self.from)?;
        self.to = at;
        self.of.element(at)
    }
}

impl<T: Content + Borrow<K>, K: Content + Ord> FromIterator<T> for Sorted<T, K> {
    fn from_iter<I: IntoIterator<Item = T>>(elements: I) -> Self {
        let mut set = Self::default();
        elements.into_iter().for_each(|element| _ = set.insert(element));
        set
    }
}

impl<T, K> std::fmt::Debug for Sorted<T, K>
where
    T: Content + Borrow<K> + std::fmt::Debug,
    K: Content,
{
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_set().entries(self.iter()).finish()
    }
}

/// Where leaves end depends on the order in which elements came.
impl<T: Content + Borrow<K> + PartialEq, K: Content> PartialEq for Sorted<T, K> {
    fn eq(&self, other: &Self) -> bool {
        self.iter().eq(other.iter())
    }
}

impl<T: Content + Borrow<K> + Eq, K: Content> Eq for Sorted<T, K> {}

impl<T: Content + Borrow<K>, K: Content> Serialize for Sorted<T, K> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(_) => self.branches.serialize(serializer),
            None => serializer.collect_seq(self.iter()),
        }
    }
}

impl<'de, T: Content + Borrow<K>, K: Content + Ord> Deserialize<'de> for Sorted<T, K> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if apart(deserializer.is_human_readable()).is_some() {
            return Ok(Self::of(Vec::deserialize(deserializer)?));
        }
        Ok(Vec::<T>::deserialize(deserializer)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::pieces::tests::{in_memory, kept_and_read};
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

        /// Whatever is put in and taken out, between snapshots too, it and its copies are what a plain
        /// set would be.
        #[test]
        fn it_is_a_plain_set(
            deeds in prop::collection::vec((0..10_u8, 0..2_000_u64), 0..1_500),
            in_order in any::<bool>(),
        ) {
            let (mut set, mut plain) = (Sorted::<u64>::default(), BTreeSet::new());
            let mut pieces = in_memory();
            let mut copies = Vec::new();
            for (n, (deed, value)) in deeds.into_iter().enumerate() {
                let value = if in_order && deed > 2 { 2_000 + n as u64 } else { value };
                if deed == 0 {
                    prop_assert_eq!(set.remove(&value), plain.remove(&value));
                } else {
                    prop_assert_eq!(set.insert(value), plain.insert(value));
                }
                prop_assert!(set.contains(&value) == plain.contains(&value));
                match n % 400 {
                    100 => copies.push((set.clone(), plain.clone())),
                    200 => set = kept_and_read(&pieces, &set).1,
                    300 => _ = kept_and_read(&pieces, &set),
                    399 => pieces = in_memory(),
                    _ => {}
                }
            }
            copies.push((set, plain));
            for (set, plain) in &copies {
                prop_assert!(set.iter().eq(plain.iter()));
                prop_assert!(set.iter().rev().eq(plain.iter().rev()));
                prop_assert_eq!(set.is_empty(), plain.is_empty());
                for (from, to) in [(0, 5), (300, 1_500), (1_999, 2_100), (5, 5)] {
                    let range = || set.range(|n| *n < from, |n| *n < to);
                    prop_assert!(range().eq(plain.range(from..to)));
                    prop_assert!(range().rev().eq(plain.range(from..to).rev()));
                    prop_assert!(set.since(|n| *n < from).eq(plain.range(from..)));
                    prop_assert_eq!(set.first(|n| *n < from), plain.range(from..).next());
                    prop_assert_eq!(set.last(|n| *n < to), plain.range(..to).next_back());
                    let mut both = range();
                    let mut ends = plain.range(from..to);
                    while let Some(first) = both.next() {
                        prop_assert_eq!(Some(first), ends.next());
                        prop_assert_eq!(both.next_back(), ends.next_back());
                    }
                }
                let all: Sorted<u64> = plain.iter().copied().collect();
                prop_assert_eq!(&all, set);
                prop_assert_eq!(
                    serde_json::to_string(set).unwrap(), serde_json::to_string(plain).unwrap()
                );
            }
        }
    }

    /// Work, not time: how much of a large set a look at one element, and a snapshot after one change,
    /// read and write.
    #[test]
    fn a_look_opens_one_branch_and_one_leaf() {
        let pieces = in_memory();
        let set: Sorted<u64> = (0..3_000).map(|n| n * 7 % 3_001).collect();
        let (root, mut again) = kept_and_read(&pieces, &set);
        assert!(root.len() < 3_000, "{} bytes", root.len());
        let open = |set: &Sorted<u64>| {
            let branches = set.branches.iter().filter_map(|branch| branch.page.opened());
            let leaves = branches.clone().flatten().filter_map(|leaf| leaf.page.opened());
            (branches.count(), leaves.count())
        };
        assert_eq!(open(&again), (0, 0));
        assert!(again.contains(&1_234));
        assert_eq!(open(&again), (1, 1));
        let (same, _) = kept_and_read(&pieces, &again);
        assert_eq!(same, root, "nothing is written again");
        again.remove(&1_234);
        assert_eq!(open(&again), (1, 1));
        let (_, again) = kept_and_read(&pieces, &again);
        assert!(again.iter().eq(set.iter().filter(|n| **n != 1_234)));
    }
}
