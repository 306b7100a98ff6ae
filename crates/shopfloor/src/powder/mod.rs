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

use archive::{Archive, StoredArchive};
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

/// As a snapshot holds it: the facts, and a sum over the books, as a check that they fold to the same.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StoredPowder {
    kept: StoredArchive,
    books_sum: u64,
}

/// As JSON has it, over which digests are: the facts alone. The books follow from them.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Listed<K> {
    kept: K,
}

impl Powder {
    /// A copy for a snapshot: what is packed is shared, and the books are left out.
    pub(crate) fn stored(&self) -> StoredPowder {
        StoredPowder { kept: self.kept.stored(), books_sum: self.books.sum() }
    }
}

impl Serialize for Powder {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        if s.is_human_readable() {
            return Listed { kept: self.kept.listed() }.serialize(s);
        }
        self.stored().serialize(s)
    }
}

impl<'de> Deserialize<'de> for Powder {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let mut books = Books::default();
        let (kept, stored_sum) = if d.is_human_readable() {
            let kept: Archive = Listed::<Vec<Kept>>::deserialize(d)?.kept.into_iter().collect();
            books.fold(&kept);
            (kept, None)
        } else {
            let StoredPowder { kept, books_sum } = StoredPowder::deserialize(d)?;
            (Archive::restore(kept, |so_far| books.fold(so_far)), Some(books_sum))
        };
        if !kept.is_sorted() {
            return Err(de::Error::custom("the facts of a powder account are in order of work"));
        }
        if stored_sum.is_some_and(|sum| sum != books.sum()) {
            return Err(de::Error::custom(
                "the powder account folds to other masses than were stored: fold the log again",
            ));
        }
        Ok(Powder { kept, books })
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::powder::kept::Deed;

    fn moved(n: u64) -> Kept {
        let (from, into) = (format!("bin/{}", n % 3), format!("bin/{}", (n + 1) % 3));
        let mass = json!({ "value": "0.5", "unit": "kg" });
        let data = json!({ "from": from, "into": into, "mass": mass });
        let deed = Deed::PowderMoved(Box::new(serde_json::from_value(data).unwrap()));
        let subject = "equipment/S-02".parse().unwrap();
        Kept { time_ms: n.cast_signed(), seq: n, site: None, subject, by: None, deed }
    }

    /// Books that fold to something else, for example after a change of this program without a new
    /// version of the folds, are not believed.
    #[test]
    fn a_snapshot_whose_books_fold_to_other_masses_is_refused() {
        let kept: Archive = (0..1_000).map(moved).collect();
        let mut books = Books::default();
        books.fold(&kept);
        let powder = Powder { kept, books };
        let mut stored = powder.stored();
        let read = |stored: &StoredPowder| {
            rmp_serde::from_slice::<Powder>(&rmp_serde::to_vec_named(stored).unwrap())
        };
        assert_eq!(read(&stored).unwrap(), powder);
        stored.books_sum ^= 1;
        let refused = read(&stored).unwrap_err().to_string();
        assert!(refused.contains("other masses than were stored"), "{refused}");

        let mut cut = powder.clone();
        cut.books.cut(&cut.kept, 400);
        cut.books.fold(&cut.kept);
        assert_eq!(
            cut.books.sum(),
            powder.books.sum(),
            "taking moves back takes them from the sum"
        );
    }
}
