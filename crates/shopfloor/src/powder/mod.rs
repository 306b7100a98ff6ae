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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;
    use crate::ids::Place;
    use crate::pieces::tests::{in_memory, kept_and_read};
    use crate::powder::amount::Kg;
    use crate::powder::kept::{Deed, Key};

    fn kept(time_ms: i64, seq: u64, deed: Deed) -> Kept {
        let subject = "equipment/S-02".parse().unwrap();
        Kept { time_ms, seq, site: None, subject, by: None, deed }
    }

    fn moved(time_ms: i64, seq: u64, from: u8, into: u8) -> Kept {
        let (from, into) = (format!("bin/{from}"), format!("bin/{into}"));
        let mass = json!({ "value": format!("{}.5", seq % 7), "unit": "kg" });
        let data = json!({ "from": from, "into": into, "mass": mass });
        kept(time_ms, seq, Deed::PowderMoved(Box::new(serde_json::from_value(data).unwrap())))
    }

    fn counted(time_ms: i64, seq: u64, place: u8) -> Kept {
        let mass = json!({ "value": "3", "unit": "kg" });
        let data = json!({ "place": format!("bin/{place}"), "mass": mass });
        kept(time_ms, seq, Deed::StockCounted(Box::new(serde_json::from_value(data).unwrap())))
    }

    fn put(powder: &mut Powder, kept: Kept) {
        let at = powder.kept.before(kept.moment());
        powder.books.cut(&powder.kept, at);
        powder.kept.insert(at, kept);
        powder.books.fold(&powder.kept);
    }

    /// A place, what it holds, its moves and its counts.
    type Told = (Place, Kg, Vec<(u64, Kg)>, Vec<u64>);

    /// What the books say, by the names of places.
    fn told(powder: &Powder) -> Vec<Told> {
        let books = &powder.books;
        let of_place = |(id, place): (books::PlaceId, &Place)| {
            let seq = |kept: u32| powder.kept[kept as usize].seq;
            let moves = books.touches(id).map(|t| books.moves()[t as usize]);
            let moves = moves.map(|m| (seq(m.kept), m.mass)).collect();
            let counts = books.facts(&Key::Counted(place.clone())).map(seq).collect();
            (place.clone(), books.content_now(id).held, moves, counts)
        };
        let mut all: Vec<_> = books.place_list().map(of_place).collect();
        all.sort_unstable();
        all
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

        /// Between snapshots, read where it is looked at, told late and taken back: the books are those
        /// that the facts fold to.
        #[test]
        fn books_of_a_snapshot_are_those_that_the_facts_fold_to(
            deeds in prop::collection::vec((0..14_u8, 0..6_u8, 0..6_u8, 0..90_i64), 20..260),
        ) {
            let (mut powder, mut pieces) = (Powder::default(), in_memory());
            for (n, (kind, from, into, back)) in deeds.into_iter().enumerate() {
                let (seq, now) = (n as u64, n as i64);
                match kind {
                    0 if powder.kept.len() > 0 => {
                        let at = usize::from(from) * powder.kept.len() / 6;
                        powder.books.cut(&powder.kept, at);
                        powder.kept.remove(at);
                        powder.books.fold(&powder.kept);
                    }
                    1 => powder = kept_and_read(&pieces, &powder).1,
                    2 if from == 0 => pieces = in_memory(),
                    3 => put(&mut powder, counted(now, seq, into)),
                    4 => put(&mut powder, moved(now - back, seq, from, into)),
                    _ => put(&mut powder, moved(now, seq, from, into)),
                }
            }
            let mut folded = Powder { kept: powder.kept.clone(), ..Powder::default() };
            folded.books.fold(&folded.kept);
            prop_assert_eq!(told(&powder), told(&folded));
            let json = serde_json::to_string(&powder).unwrap();
            prop_assert_eq!(&serde_json::from_str::<Powder>(&json).unwrap(), &powder);
            let (_, again) = kept_and_read(&pieces, &powder);
            prop_assert_eq!(told(&again), told(&folded));
        }
    }
}
