//! Powder: where every kilogram came from and went.
//!
//! Double entry: every event moves mass from one place to another, in exact decimals. The kept
//! facts are the ground; the books (moves, contents, genealogy) are derived from them in order of
//! work. What does not add up stays visible: as `UNKNOWN` powder where more was taken than a place
//! held, as a difference where less was found than the book says.
//!
//! Stated assumptions: perfect mixing inside a place; ids of places are unique in the log; powder
//! that leaves a build place has aged by one build.

mod ages;
mod amount;
mod archive;
pub mod balance;
mod books;
pub mod economy;
pub mod events;
pub mod figures;
pub mod genealogy;
pub mod impact;
mod kept;
pub mod lineage;
mod lots;
mod moves;
mod opening;
mod refresh;
pub mod rules;
pub mod sampling;
pub mod sieving;
mod site;
mod trace;
pub mod views;
mod weighing;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use crate::fact::Fact;
use crate::pieces::apart;

use archive::Archive;
use books::Books;
use kept::Kept;
pub use lots::LotStatus;
pub use moves::MoveKind;
pub use refresh::{RefreshPart, RefreshView};
pub use views::{AsOf, Unanswered};
pub(crate) use weighing::AccountFindings;

/// The fold of this subject.
#[derive(Debug, Clone, Default)]
pub struct Powder {
    /// Ground: the facts in order of work.
    kept: Archive,
    /// Derived from `kept`, always.
    books: Books,
}

impl Powder {
    /// Folds a fact in; facts of other subjects are passed over.
    ///
    /// In order of work this costs the fact's own moves. A late fact folds everything after its
    /// moment again.
    pub(crate) fn apply(&mut self, fact: &Fact) {
        let Some(kept) = Kept::of(fact) else { return };
        let at = self.kept.before(kept.moment());
        self.books.cut(&self.kept, at);
        self.kept.insert(at, kept);
        self.books.fold(&self.kept);
    }

    /// Whether work that is on record came after that of a fact.
    pub(crate) fn comes_late(&self, fact: &Fact) -> bool {
        self.kept.last_moment().is_some_and(|last| last > (fact.time.ms(), fact.seq))
    }

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, fact: &Fact) {
        let moment = (fact.time.ms(), fact.seq);
        if let Some(at) = self.kept.find(moment) {
            self.books.cut(&self.kept, at);
            self.kept.remove(at);
            self.books.fold(&self.kept);
        }
    }
}

/// Two accounts are equal when they rest on the same facts: the books follow from them.
impl PartialEq for Powder {
    fn eq(&self, other: &Self) -> bool {
        self.kept == other.kept
    }
}
impl Eq for Powder {}

/// Alone, as digests have it, the facts: the books follow from them. Where pieces lie apart, both.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Listed<K> {
    kept: K,
}

impl Serialize for Powder {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match apart(s.is_human_readable()) {
            Some(_) => (&self.kept, &self.books).serialize(s),
            None => Listed { kept: self.kept.listed() }.serialize(s),
        }
    }
}

impl<'de> Deserialize<'de> for Powder {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        if apart(d.is_human_readable()).is_some() {
            let (kept, books) = Deserialize::deserialize(d)?;
            return Ok(Powder { kept, books });
        }
        let kept: Archive = Listed::<Vec<Kept>>::deserialize(d)?.kept.into_iter().collect();
        if !kept.is_sorted() {
            return Err(de::Error::custom("the facts of a powder account are in order of work"));
        }
        let mut books = Books::default();
        books.fold(&kept);
        Ok(Powder { kept, books })
    }
}
