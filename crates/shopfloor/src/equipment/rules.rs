//! Rules of this subject, each with its source.

use crate::State;
use crate::fact::Fact;
use crate::finding::{Judge, Rule};

/// Every rule of this subject.
pub const RULES: &[Rule] = &[];

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(_state: &State, _fact: &Fact, _judge: &mut Judge<'_>) {}
