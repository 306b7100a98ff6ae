//! What happens in a powder room: events, rules and folds.
//!
//! Pure: no clock (`now` is an argument), no files, no network, no randomness. One module a
//! subject; each holds its recorded forms (`events`), its rules with their sources (`rules`) and
//! its fold.
//!
//! * [`fact::Envelope::read`] reads an event strictly, once;
//! * [`State::judge`] tells what a fact contradicts, before it is recorded;
//! * [`State::apply`] folds a recorded fact; live work, start-up and replay share it;
//! * everything else answers questions about the [`State`], always as of a number of entries.
//!
//! Deliberately absent: the class of a waste is never computed (a person determines it), mass that
//! does not add up is never forced to zero, and nothing derived is ever written to the log except
//! as a digest.

// The scenario language of `tests/` is used by tests in here too.
#[cfg(test)]
extern crate self as shopfloor;

pub mod calendar;
pub mod catalogue;
pub mod cautions;
pub mod common;
pub mod equipment;
pub mod fact;
pub mod finding;
mod forms;
mod growing;
pub mod ids;
mod keyed;
pub mod opening;
mod packed;
pub mod people;
pub mod pieces;
pub mod powder;
pub mod quantity;
pub mod record;
mod sorted;
pub mod state;
pub mod stats;
pub mod timeline;
pub mod waste;

pub use catalogue::Event;
pub use fact::{Envelope, Fact, Performer, Refusal};
pub use finding::{Finding, Level};
pub use state::State;
