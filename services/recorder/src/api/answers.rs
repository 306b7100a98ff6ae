//! What all answers to questions have in common: as of how many entries they are given.

/// Declares answers with a list of items.
macro_rules! lists {
    ($($(#[$doc:meta])* $name:ident of $item:ty;)+) => { $(
        $(#[$doc])*
        #[derive(Debug, Clone, serde::Serialize, schemars::JsonSchema)]
        pub struct $name {
            /// Entries the answer rests on.
            pub as_of: u64,
            /// When it was asked, UTC.
            pub now: String,
            /// The items.
            pub items: Vec<$item>,
        }
    )+ };
}

/// Declares answers about one thing.
macro_rules! singles {
    ($($(#[$doc:meta])* $name:ident of $item:ty;)+) => { $(
        $(#[$doc])*
        #[derive(Debug, Clone, serde::Serialize, schemars::JsonSchema)]
        pub struct $name {
            /// Entries the answer rests on.
            pub as_of: u64,
            /// When it was asked, UTC.
            pub now: String,
            /// The thing.
            pub item: $item,
        }
    )+ };
}

pub(super) use {lists, singles};

use jiff::Timestamp;
use shopfloor::ids::{Label, Place, PlaceKind};

use super::wire::utc;
use crate::problem::{Problem, Result, echo};

/// The moment of an answer in words.
pub(super) fn stamp(now: Timestamp) -> String {
    utc(now.as_millisecond())
}

/// A label in the path. One that cannot be a label names nothing.
pub(super) fn label(text: &str) -> Result<Label> {
    Label::new(text).map_err(|_| Problem::not_found())
}

/// A place in the path.
pub(super) fn place(kind: &str, id: &str) -> Result<Place> {
    let kind = PlaceKind::ALL.iter().find(|known| known.as_str() == kind);
    let place = kind.and_then(|kind| Place::new(*kind, id).ok());
    place.ok_or_else(Problem::not_found)
}

/// A parameter of a closed vocabulary.
pub(super) fn word<T: Copy>(
    name: &str,
    text: &str,
    all: &[T],
    as_str: impl Fn(T) -> &'static str,
) -> Result<T> {
    all.iter().copied().find(|known| as_str(*known) == text).ok_or_else(|| {
        let words: Vec<&str> = all.iter().map(|known| as_str(*known)).collect();
        let detail = format!("`{}` is none of {}", echo(text), words.join(", "));
        Problem::parameter(name, detail)
    })
}
