//! A list that only grows at its end and is cheap to copy.
//!
//! Folds remember earlier states of a subject, and a state holds lists that grow as long as the
//! subject lives. Copies share the full pages of such a list: copying costs one pointer a page
//! and the elements of the last, unfinished one. An earlier state need not hold the list at all: how
//! long it was is enough, and what it was then is [`Growing::first`] of what it is now.
//!
//! Full pages are [pieces](crate::pieces) of a snapshot: they are read when somebody looks.

use std::sync::atomic::{AtomicUsize, Ordering};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::pieces::{Content, Page, apart};

/// Elements of a page; few in unit tests.
const PAGE: usize = if cfg!(test) { 16 } else { 256 };

/// After so many pages were opened or new, those that nobody looked at meanwhile are closed.
const OPEN_MAX: usize = if cfg!(test) { 4 } else { 256 };

/// The list. In digests it is written like any other list.
pub(crate) struct Growing<T> {
    /// Pages of exactly [`PAGE`] elements.
    full: Vec<Page<Vec<T>>>,
    /// Fewer than [`PAGE`] elements.
    rest: Vec<T>,
    /// Pages opened, and new ones, since some were closed.
    opened: AtomicUsize,
}

impl<T: Clone> Clone for Growing<T> {
    fn clone(&self) -> Self {
        Self::of(self.full.clone(), self.rest.clone())
    }
}

impl<T> Growing<T> {
    fn of(full: Vec<Page<Vec<T>>>, rest: Vec<T>) -> Self {
        Self { full, rest, opened: AtomicUsize::new(0) }
    }

    pub(crate) fn len(&self) -> usize {
        self.full.len() * PAGE + self.rest.len()
    }
}

impl<T: Content> Growing<T> {
    pub(crate) fn push(&mut self, element: T) {
        self.rest.push(element);
        if self.rest.len() == PAGE {
            self.full.push(Page::new(std::mem::take(&mut self.rest)));
            *self.opened.get_mut() += 1;
        }
        if *self.opened.get_mut() > OPEN_MAX {
            *self.opened.get_mut() = 0;
            self.full.iter_mut().for_each(Page::close);
        }
    }

    /// What a full page holds.
    fn page(&self, at: usize) -> Option<&[T]> {
        let page = self.full.get(at)?;
        if page.opened().is_none() {
            self.opened.fetch_add(1, Ordering::Relaxed);
        }
        Some(page.get())
    }

    pub(crate) fn get(&self, at: usize) -> Option<&T> {
        match self.page(at / PAGE) {
            Some(page) => page.get(at % PAGE),
            None => self.rest.get(at - self.full.len() * PAGE),
        }
    }

    /// An element to change. What other copies hold of it stays as it is.
    pub(crate) fn get_mut(&mut self, at: usize) -> Option<&mut T> {
        let full = self.full.len();
        match self.full.get_mut(at / PAGE) {
            Some(page) => page.change().get_mut(at % PAGE),
            None => self.rest.get_mut(at - full * PAGE),
        }
    }

    pub(crate) fn iter(&self) -> impl DoubleEndedIterator<Item = &T> {
        self.since(0)
    }

    /// The elements from a place on.
    pub(crate) fn since(&self, from: usize) -> impl DoubleEndedIterator<Item = &T> {
        (from..self.len()).filter_map(|at| self.get(at))
    }

    /// All elements, read without leaving pages open.
    pub(crate) fn scan(&self) -> impl Iterator<Item = T> {
        self.full.iter().flat_map(Page::read).chain(self.rest.iter().cloned())
    }

    /// The first element that is not below, in a list in which those that are come first.
    pub(crate) fn first_not(&self, below: impl Fn(&T) -> bool) -> Option<&T> {
        self.get(self.partition_point(below))
    }

    /// How many elements are below, in a list in which those that are come first.
    pub(crate) fn partition_point(&self, below: impl Fn(&T) -> bool) -> usize {
        let page = self.full.partition_point(|page| page.last().is_some_and(&below));
        let of_page = self.page(page).unwrap_or(&self.rest);
        page * PAGE + of_page.partition_point(below)
    }

    /// The last element.
    pub(crate) fn last(&self) -> Option<&T> {
        self.rest.last().or_else(|| self.full.last()?.last())
    }

    /// The list as it was when it had `len` elements, if it only grew since: all of it, if it has
    /// fewer. It shares the full pages.
    pub(crate) fn first(&self, len: usize) -> Self {
        let full = len.min(self.len()) / PAGE;
        let rest = self.page(full).unwrap_or(&self.rest);
        let more = len.saturating_sub(full * PAGE).min(rest.len());
        Self::of(self.full[..full].to_vec(), rest[..more].to_vec())
    }

    /// Takes the elements from a place on out.
    pub(crate) fn split_off(&mut self, from: usize) -> Vec<T> {
        let taken = self.since(from).cloned().collect();
        self.truncate(from);
        taken
    }

    /// Forgets the elements from a place on.
    pub(crate) fn truncate(&mut self, len: usize) {
        let full = len / PAGE;
        if let Some(cut) = self.page(full) {
            self.rest = cut[..len % PAGE].to_vec();
            self.full.truncate(full);
        } else {
            self.rest.truncate(len - self.full.len() * PAGE);
        }
    }
}

impl<T> Default for Growing<T> {
    fn default() -> Self {
        Self::of(Vec::new(), Vec::new())
    }
}

/// An element that is there.
impl<T: Content> std::ops::Index<usize> for Growing<T> {
    type Output = T;

    fn index(&self, at: usize) -> &T {
        match self.page(at / PAGE) {
            Some(page) => &page[at % PAGE],
            None => &self.rest[at - self.full.len() * PAGE],
        }
    }
}

impl<T: Content + std::fmt::Debug> std::fmt::Debug for Growing<T> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_list().entries(self.iter()).finish()
    }
}

impl<T: Content + PartialEq> PartialEq for Growing<T> {
    fn eq(&self, other: &Self) -> bool {
        // Pages are cut at the same places.
        self.full == other.full && self.rest == other.rest
    }
}

impl<T: Content + Eq> Eq for Growing<T> {}

impl<T: Content> FromIterator<T> for Growing<T> {
    fn from_iter<I: IntoIterator<Item = T>>(elements: I) -> Self {
        let mut list = Self::default();
        elements.into_iter().for_each(|element| list.push(element));
        list
    }
}

impl<T: Content> Serialize for Growing<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(_) => (&self.full, &self.rest).serialize(serializer),
            None => serializer.collect_seq(self.iter()),
        }
    }
}

impl<'de, T: Content> Deserialize<'de> for Growing<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if apart(deserializer.is_human_readable()).is_some() {
            let (full, rest) = Deserialize::deserialize(deserializer)?;
            return Ok(Self::of(full, rest));
        }
        Ok(Vec::deserialize(deserializer)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pieces::tests::{in_memory, kept_and_read};
    use proptest::prelude::*;

    proptest! {
        /// Whatever is done to it and to its copies, it is the list that a plain one would be.
        #[test]
        fn it_is_a_plain_list(
            deeds in proptest::collection::vec((any::<bool>(), any::<u16>()), 0..400),
        ) {
            let (mut list, mut plain) = (Growing::default(), Vec::new());
            let mut copies = Vec::new();
            for (n, (push, value)) in deeds.into_iter().enumerate() {
                let at = usize::from(value) % (n + 1);
                if push || plain.is_empty() {
                    list.push(value);
                    plain.push(value);
                } else if let Some(element) = list.get_mut(at) {
                    *element = value;
                    plain[at] = value;
                }
                if n % 50 == 0 {
                    copies.push((list.clone(), plain.clone()));
                }
                prop_assert_eq!(list.get(at), plain.get(at));
                prop_assert!(list.since(at).eq(plain.iter().skip(at)));
                prop_assert!(list.iter().rev().eq(plain.iter().rev()));
                prop_assert_eq!(list.last(), plain.last());
                prop_assert!(list.first(at).iter().eq(&plain[..at.min(plain.len())]));
                if value % 97 == 0 {
                    let at = at.min(plain.len());
                    prop_assert_eq!(list.split_off(at), plain.split_off(at));
                    prop_assert!(list.rest.len() < PAGE);
                }
            }
            copies.push((list, plain));
            let pieces = in_memory();
            for (list, plain) in copies {
                prop_assert_eq!(list.len(), plain.len());
                prop_assert!(list.iter().eq(&plain));
                let json = serde_json::to_string(&list).unwrap();
                prop_assert_eq!(&json, &serde_json::to_string(&plain).unwrap());
                prop_assert_eq!(&serde_json::from_str::<Growing<u16>>(&json).unwrap(), &list);
                let (kept, again) = kept_and_read(&pieces, &list);
                prop_assert_eq!(&again, &list);
                prop_assert_eq!(&again.scan().collect::<Vec<_>>(), &plain);
                let (twice, _) = kept_and_read(&pieces, &again);
                prop_assert_eq!(twice, kept, "what lies there is not written again");
            }
        }

        #[test]
        fn a_place_in_order_is_found(mut plain in proptest::collection::vec(0..500u16, 0..300), of in 0..500u16) {
            plain.sort_unstable();
            let list: Growing<u16> = plain.iter().copied().collect();
            prop_assert_eq!(list.first_not(|n| *n < of), plain.iter().find(|n| **n >= of));
            prop_assert_eq!(list.partition_point(|n| *n < of), plain.partition_point(|n| *n < of));
        }
    }

    /// Work, not time: how many pages lie open after somebody looked at all of them.
    #[test]
    fn what_nobody_looks_at_any_more_is_closed() {
        let list: Growing<usize> = (0..40 * PAGE).collect();
        let (_, mut list) = kept_and_read(&in_memory(), &list);
        let open = |list: &Growing<usize>| list.full.iter().filter_map(Page::opened).count();
        assert_eq!(open(&list), 0);
        assert!(list.iter().copied().eq(0..40 * PAGE));
        assert_eq!(open(&list), 40);
        for n in 0..3 * (OPEN_MAX + 1) * PAGE {
            assert_eq!(list.get(7), Some(&7));
            list.push(n);
        }
        assert!(list.full[0].opened().is_some(), "it is looked at");
        assert!(open(&list) <= 2 * (OPEN_MAX + 1), "{}", open(&list));
    }

    #[test]
    fn a_copy_shares_all_but_the_last_page() {
        let list: Growing<usize> = (0..180_000).collect();
        let copy = list.clone();
        assert!(list.full.iter().zip(&copy.full).all(|(a, b)| a.is_shared(b)));
        assert!(copy.rest.len() < PAGE);
    }
}
