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

use amount::Kg;
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
    kept: Vec<Kept>,
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
        let at = self.kept.partition_point(|k| k.moment() < kept.moment());
        self.books.cut(&self.kept, at);
        self.kept.insert(at, kept);
        self.books.fold(&self.kept);
    }

    /// Whether work that is on record came after that of a fact.
    pub(crate) fn comes_late(&self, fact: &Fact) -> bool {
        self.kept.last().is_some_and(|last| last.moment() > (fact.time.ms(), fact.seq))
    }

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, fact: &Fact) {
        let moment = (fact.time.ms(), fact.seq);
        if let Ok(at) = self.kept.binary_search_by_key(&moment, Kept::moment) {
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

/// As stored: the facts, and what each place holds, as a check that the books fold to the same.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Stored<K> {
    kept: K,
    held_kg: std::collections::BTreeMap<String, Kg>,
}

impl Powder {
    fn held(&self) -> std::collections::BTreeMap<String, Kg> {
        let places = self.books.place_list();
        places.map(|(id, place)| (place.to_string(), self.books.content_now(id).held)).collect()
    }
}

impl Serialize for Powder {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        Stored { kept: &self.kept, held_kg: self.held() }.serialize(s)
    }
}
impl<'de> Deserialize<'de> for Powder {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let stored = Stored::<Vec<Kept>>::deserialize(d)?;
        if !stored.kept.is_sorted_by(|a, b| a.moment() < b.moment()) {
            return Err(de::Error::custom("the facts of a powder account are in order of work"));
        }
        let mut powder = Powder { kept: stored.kept, books: Books::default() };
        powder.books.fold(&powder.kept);
        if powder.held() != stored.held_kg {
            return Err(de::Error::custom(
                "the powder account folds to other masses than were stored: fold the log again",
            ));
        }
        Ok(powder)
    }
}
