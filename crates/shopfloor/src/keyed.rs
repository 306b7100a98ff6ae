//! A map in order of its keys that may be far larger than what anybody looks at: a [`Sorted`] set
//! whose elements have a value beside their key.

use std::borrow::Borrow;
use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::pieces::{Content, apart};
use crate::sorted::Sorted;

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Entry<K, V>(K, V);

impl<K: Content, V: Content> Content for Entry<K, V> {
    const HOLDS_PIECES: bool = K::HOLDS_PIECES || V::HOLDS_PIECES;
}

/// Entries lie in the order of their keys, and are looked up by them.
impl<K, V> Borrow<K> for Entry<K, V> {
    fn borrow(&self) -> &K {
        &self.0
    }
}

/// The map. Values lie in the pages of their keys: what is large, or seldom looked at when its
/// neighbours are, is better a [`Page`](crate::pieces::Page) of its own. In digests it is written like
/// any other map.
#[derive(Clone)]
pub(crate) struct Keyed<K, V>(Sorted<Entry<K, V>, K>);

impl<K, V> Default for Keyed<K, V> {
    fn default() -> Self {
        Self(Sorted::default())
    }
}

impl<K, V> Keyed<K, V> {
    /// Whether there is nothing.
    pub(crate) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl<K: Content + Ord, V: Content> Keyed<K, V> {
    /// The value of a key.
    pub(crate) fn get(&self, key: &K) -> Option<&V> {
        self.get_key_value(key).map(|(_, value)| value)
    }

    /// The same to change it.
    pub(crate) fn get_mut(&mut self, key: &K) -> Option<&mut V> {
        self.0.change(key).map(|Entry(_, value)| value)
    }

    /// The value with the key that is held.
    pub(crate) fn get_key_value(&self, key: &K) -> Option<(&K, &V)> {
        self.0.get(key).map(|Entry(key, value)| (key, value))
    }

    /// All of them, in order of their keys.
    pub(crate) fn iter(&self) -> impl DoubleEndedIterator<Item = (&K, &V)> {
        self.0.iter().map(|Entry(key, value)| (key, value))
    }

    /// The values in order of their keys.
    pub(crate) fn values(&self) -> impl DoubleEndedIterator<Item = &V> {
        self.0.iter().map(|Entry(_, value)| value)
    }

    /// The value of a key, to change it, after one is made if there was none.
    pub(crate) fn or_insert_with(&mut self, key: &K, make: impl FnOnce() -> V) -> &mut V {
        if !self.0.contains(key) {
            self.0.insert(Entry(key.clone(), make()));
        }
        let Entry(_, value) = self.0.change(key).expect("it is in there");
        value
    }

    /// The same with what is nothing yet.
    pub(crate) fn or_default(&mut self, key: &K) -> &mut V
    where
        V: Default,
    {
        self.or_insert_with(key, V::default)
    }

    /// Gives a key a value, whatever it had before.
    pub(crate) fn insert(&mut self, key: &K, value: V) {
        match self.0.change(key) {
            Some(Entry(_, before)) => *before = value,
            None => _ = self.0.insert(Entry(key.clone(), value)),
        }
    }

    /// Changes the value of a key, if it has one, and takes it out unless `keep` says that something
    /// is left of it.
    pub(crate) fn retain(&mut self, key: &K, keep: impl FnOnce(&mut V) -> bool) {
        if self.0.change(key).is_some_and(|Entry(_, value)| !keep(value)) {
            self.0.remove(key);
        }
    }

    /// Takes a key out.
    pub(crate) fn remove(&mut self, key: &K) {
        self.0.remove(key);
    }
}

impl<K: Content + Ord, V: Content> FromIterator<(K, V)> for Keyed<K, V> {
    fn from_iter<I: IntoIterator<Item = (K, V)>>(entries: I) -> Self {
        Self(entries.into_iter().map(|(key, value)| Entry(key, value)).collect())
    }
}

impl<K, V> fmt::Debug for Keyed<K, V>
where
    K: Content + Ord + fmt::Debug,
    V: Content + fmt::Debug,
{
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_map().entries(self.iter()).finish()
    }
}

impl<K: Content + PartialEq, V: Content + PartialEq> PartialEq for Keyed<K, V> {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}

impl<K: Content + Eq, V: Content + Eq> Eq for Keyed<K, V> {}

impl<K: Content + Ord, V: Content> Serialize for Keyed<K, V> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(_) => self.0.serialize(serializer),
            None => serializer.collect_map(self.iter()),
        }
    }
}

impl<'de, K: Content + Ord, V: Content> Deserialize<'de> for Keyed<K, V> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if apart(deserializer.is_human_readable()).is_some() {
            return Sorted::deserialize(deserializer).map(Self);
        }
        Ok(BTreeMap::<K, V>::deserialize(deserializer)?.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pieces::Page;
    use crate::pieces::tests::{in_memory, kept_and_read};
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

        /// Whatever is put in, changed and taken out, between snapshots too, it and its copies are what
        /// a plain map would be.
        #[test]
        fn it_is_a_plain_map(deeds in prop::collection::vec((0..8_u8, 0..300_u64, any::<u64>()), 0..900)) {
            let mut map = Keyed::<u64, Page<Vec<u64>>>::default();
            let mut plain = BTreeMap::<u64, Vec<u64>>::new();
            let pieces = in_memory();
            let mut copies = Vec::new();
            for (n, (deed, key, value)) in deeds.into_iter().enumerate() {
                match deed {
                    0 => {
                        map.remove(&key);
                        plain.remove(&key);
                    }
                    1 => {
                        map.insert(&key, Page::new(vec![value]));
                        plain.insert(key, vec![value]);
                    }
                    2 => {
                        map.retain(&key, |list| {
                            list.change().pop();
                            !list.is_empty()
                        });
                        let left = plain.get_mut(&key).map(|list| { list.pop(); list.len() });
                        if left == Some(0) {
                            plain.remove(&key);
                        }
                    }
                    _ => {
                        map.or_default(&key).change().push(value);
                        plain.entry(key).or_default().push(value);
                    }
                }
                prop_assert_eq!(map.get(&key).map(|list| &**list), plain.get(&key));
                match n % 300 {
                    100 => copies.push((map.clone(), plain.clone())),
                    200 => map = kept_and_read(&pieces, &map).1,
                    250 => _ = kept_and_read(&pieces, &map),
                    _ => {}
                }
            }
            copies.push((map, plain));
            for (map, plain) in &copies {
                let all = || map.iter().map(|(key, list)| (key, &**list));
                prop_assert!(all().eq(plain));
                prop_assert!(all().rev().eq(plain.iter().rev()));
                prop_assert!(map.values().map(|list| &**list).eq(plain.values()));
                prop_assert_eq!(map.is_empty(), plain.is_empty());
                let json = serde_json::to_string(map).unwrap();
                prop_assert_eq!(&json, &serde_json::to_string(plain).unwrap());
                prop_assert_eq!(&serde_json::from_str::<Keyed<_, _>>(&json).unwrap(), map);
                let binary = rmp_serde::to_vec_named(map).unwrap();
                prop_assert_eq!(&rmp_serde::from_slice::<Keyed<_, _>>(&binary).unwrap(), map);
            }
        }
    }
}
