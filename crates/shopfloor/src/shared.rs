//! A value that copies share until one of them changes it: the copy of a fold that a snapshot is
//! written from costs a pointer for each thing, and the writer goes on.

use std::ops::Deref;
use std::sync::Arc;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// The value. It is written as if it were not shared.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Shared<T>(Arc<T>);

impl<T: Clone> Shared<T> {
    /// The value to change; what copies hold stays as it is.
    pub(crate) fn change(&mut self) -> &mut T {
        Arc::make_mut(&mut self.0)
    }
}

impl<T> Deref for Shared<T> {
    type Target = T;

    fn deref(&self) -> &T {
        &self.0
    }
}

impl<T> From<T> for Shared<T> {
    fn from(value: T) -> Self {
        Self(Arc::new(value))
    }
}

impl<T: Serialize> Serialize for Shared<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        (**self).serialize(serializer)
    }
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for Shared<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        T::deserialize(deserializer).map(Self::from)
    }
}
