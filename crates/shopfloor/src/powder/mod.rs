//! Powder: places, lots, moves, genealogy, mass balance.

pub mod events;
pub mod rules;

use serde::{Deserialize, Serialize};

use crate::fact::Fact;

/// The fold of this subject.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Powder {}

impl Powder {
    /// Folds a fact in; facts of other subjects are passed over.
    pub(crate) fn apply(&mut self, _fact: &Fact) {}

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, _fact: &Fact) {}
}
