//! Canonical JSON: the profile of RFC 8785 (JCS) in which entries are written, hashed and checked.
//!
//! The profile leaves out everything in JSON that two programs may read differently. What is left
//! has one value for every text and one canonical text for every value:
//!
//! - UTF-8 without byte order mark, no lone surrogates;
//! - integers only, from -(2^53 - 1) to 2^53 - 1; no `-0`, no fraction, no exponent;
//! - member names `[a-z0-9_]{1,40}`, none twice in an object, also not after unescaping;
//! - arrays and objects at most [`ENTRY_DEPTH_MAX`] deep;
//! - at most [`ENTRY_BYTES_MAX`] bytes.
//!
//! The canonical text has no white space, members in ascending order of their names and only the
//! escapes JCS asks for. On this profile that is exactly RFC 8785: its number format (section
//! 3.2.2.3) is plain decimal digits for these integers, and its order of names by UTF-16 code units
//! (section 3.2.3) is the order of bytes for these names.
//!
//! [`parse`] reads any spelling of a value in the profile, [`check`] only the canonical one,
//! [`to_bytes`] writes the canonical one. [`members`] checks without building a tree.

use std::fmt;

use crate::limits::{ENTRY_BYTES_MAX, ENTRY_DEPTH_MAX};

mod error;
mod read;
#[cfg(test)]
mod tests;
mod write;

pub use error::{CanonError, CanonErrorKind};
pub use read::{check, check_with, members, parse, parse_with};
pub use write::{to_bytes, write, write_string};

/// How much a reader accepts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Deepest nesting of arrays and objects; 0 allows a scalar only.
    pub max_depth: u8,
    /// Longest input in bytes.
    pub max_bytes: usize,
}

impl Limits {
    /// What an entry may use.
    pub const ENTRY: Self = Self { max_depth: ENTRY_DEPTH_MAX, max_bytes: ENTRY_BYTES_MAX };
}

impl Default for Limits {
    /// [`Limits::ENTRY`].
    fn default() -> Self {
        Self::ENTRY
    }
}

/// A value of the profile.
///
/// What the readers return is always inside the profile. A value built by hand may not be (an
/// integer above 2^53 - 1, a member name with a space); its bytes then do not pass [`check`].
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Value {
    /// `null`
    Null,
    /// `true` or `false`
    Bool(bool),
    /// An integer, at most 2^53 - 1 in size.
    Int(i64),
    /// Text.
    String(String),
    /// A list of values.
    Array(Vec<Value>),
    /// Named values.
    Object(Object),
}

impl Value {
    /// The member `name`, if this is an object that has it.
    pub fn get(&self, name: &str) -> Option<&Value> {
        self.as_object()?.get(name)
    }

    /// The text, if this is a string.
    pub fn as_str(&self) -> Option<&str> {
        if let Value::String(text) = self { Some(text) } else { None }
    }

    /// The number, if this is an integer.
    pub fn as_int(&self) -> Option<i64> {
        if let Value::Int(number) = self { Some(*number) } else { None }
    }

    /// The flag, if this is `true` or `false`.
    pub fn as_bool(&self) -> Option<bool> {
        if let Value::Bool(flag) = self { Some(*flag) } else { None }
    }

    /// The items, if this is an array.
    pub fn as_array(&self) -> Option<&[Value]> {
        if let Value::Array(items) = self { Some(items) } else { None }
    }

    /// The members, if this is an object.
    pub fn as_object(&self) -> Option<&Object> {
        if let Value::Object(members) = self { Some(members) } else { None }
    }
}

impl fmt::Display for Value {
    /// The canonical text.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(std::str::from_utf8(&to_bytes(self)).expect("canonical bytes are UTF-8"))
    }
}

impl From<bool> for Value {
    fn from(flag: bool) -> Self {
        Value::Bool(flag)
    }
}

impl From<i64> for Value {
    fn from(number: i64) -> Self {
        Value::Int(number)
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Value::String(text.to_owned())
    }
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Value::String(text)
    }
}

impl From<Vec<Value>> for Value {
    fn from(items: Vec<Value>) -> Self {
        Value::Array(items)
    }
}

impl From<Object> for Value {
    fn from(members: Object) -> Self {
        Value::Object(members)
    }
}

/// The members of an object, each name once, in ascending order of names.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Object(Vec<(String, Value)>);

impl Object {
    /// An object without members.
    pub const fn new() -> Self {
        Self(Vec::new())
    }

    /// The number of members.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there are no members.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The value of member `name`.
    pub fn get(&self, name: &str) -> Option<&Value> {
        let found = self.0.binary_search_by(|(n, _)| n.as_str().cmp(name)).ok()?;
        Some(&self.0[found].1)
    }

    /// Whether member `name` is there.
    pub fn contains(&self, name: &str) -> bool {
        self.get(name).is_some()
    }

    /// Sets member `name` and returns the value it had.
    pub fn insert(&mut self, name: impl Into<String>, value: impl Into<Value>) -> Option<Value> {
        let (name, value) = (name.into(), value.into());
        match self.0.binary_search_by(|(n, _)| n.cmp(&name)) {
            Ok(found) => Some(std::mem::replace(&mut self.0[found].1, value)),
            Err(place) => {
                self.0.insert(place, (name, value));
                None
            }
        }
    }

    /// Takes member `name` out.
    pub fn remove(&mut self, name: &str) -> Option<Value> {
        let found = self.0.binary_search_by(|(n, _)| n.as_str().cmp(name)).ok()?;
        Some(self.0.remove(found).1)
    }

    /// The members in order of their names.
    pub fn iter(&self) -> impl ExactSizeIterator<Item = (&str, &Value)> {
        self.0.iter().map(|(name, value)| (name.as_str(), value))
    }
}

impl<N: Into<String>, V: Into<Value>> FromIterator<(N, V)> for Object {
    /// A later value replaces an earlier one of the same name.
    fn from_iter<I: IntoIterator<Item = (N, V)>>(members: I) -> Self {
        let mut object = Self::new();
        for (name, value) in members {
            object.insert(name, value);
        }
        object
    }
}

impl IntoIterator for Object {
    type Item = (String, Value);
    type IntoIter = std::vec::IntoIter<(String, Value)>;

    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter()
    }
}
