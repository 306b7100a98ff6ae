//! Rules of the powder room, each with its source. What breaks them is kept and told.
//!
//! Every rule is judged on what the record says up to the moment of the work, so that a late
//! entry is judged as if it had come in time, and a correction without its own original.

mod account;
mod lots;
mod using;

use std::collections::BTreeMap;

use crate::State;
use crate::catalogue::Event;
use crate::fact::Fact;
use crate::finding::{Confidence, Judge, Level, Rule};
use crate::ids::{Label, Place, PlaceKind};

use super::Powder;
use super::amount::Kg;
use super::books::{Content, MoveId};
use super::kept::Moment;

macro_rules! rules {
    ($($name:ident = $id:literal, $level:ident, $title:literal, $source:literal, $confidence:ident;)+) => {
        $(pub(super) const $name: Rule = Rule {
            id: $id, level: Level::$level, title: $title, source: $source,
            confidence: Confidence::$confidence,
        };)+
        /// Every rule of this subject.
        pub const RULES: &[Rule] = &[$($name),+];
    };
}

rules! {
    // ---- using powder
    NOT_RELEASED = "powder.lot_not_released", Stop,
        "Powder is loaded and blended only from released lots",
        "ISO/ASTM 52904, 5.2, certificate of conformance for all feedstock; release before use is common practice", Seen;
    EXPIRED = "powder.lot_expired", Stop,
        "A lot is used up to its last day; a blend inherits the earliest of its lots",
        "common practice, no source", CommonPractice;
    ON_HOLD = "powder.on_hold", Stop,
        "Powder on hold is not used until two people have decided",
        "ISO 9001:2015, 8.7, control of nonconforming outputs", Memory;
    SCRAPPED = "powder.lot_scrapped", Stop,
        "Powder that was decided to be scrap is not used",
        "ISO 9001:2015, 8.7, control of nonconforming outputs", Memory;
    DOWNGRADED = "powder.lot_downgraded", Warn,
        "Powder that was downgraded goes into less demanding parts only",
        "ISO 9001:2015, 8.7, control of nonconforming outputs", Memory;
    SEAL_NOT_SHOWN = "powder.seal_not_shown", Stop,
        "When a container is first opened, its foil or seal is removed whole and that is recorded",
        "common practice, no source", CommonPractice;
    NOT_BONDED = "powder.not_bonded", Stop,
        "Container and machine are bonded and earthed while powder is filled",
        "NFPA 77, bonding and earthing of conductive equipment", Secondary;
    BOND_NOT_SHOWN = "powder.bond_not_shown", Warn,
        "It is recorded that container and machine were bonded while powder was filled",
        "NFPA 77, bonding and earthing of conductive equipment", Secondary;
    UNSIEVED = "powder.used_unsieved", Stop,
        "Powder that was in a build is sieved before it is used again",
        "common practice, no source", CommonPractice;
    REFRESH_BELOW = "powder.refresh_below_minimum", Stop,
        "A blend holds at least the recipe's share of fresh powder, by the recipe's decision rule",
        "ISO/ASTM 52904, 5.6, proportion recorded for each run; decision rules Eurachem/CITAC 2021", Seen;
    REFRESH_UNDECIDED = "powder.refresh_undecided", Warn,
        "A guarded decision about the fresh share needs scales whose interval is on record",
        "Eurachem/CITAC 2021, guard bands", Seen;
    AGED_ABOVE = "powder.aged_above_limit", Stop,
        "No more of the powder of a build is old, and it is no longer at temperature, than the recipe allows",
        "ISO/ASTM 52904, 5.6, reuse of powder; share instead of highest age: definition", Seen;
    AGED_UNDECIDED = "powder.aged_undecided", Warn,
        "The share of old powder can be told although the age of some of it is unknown",
        "definition: powder of unknown age may be old", Definition;
    RECIPE_UNKNOWN = "powder.recipe_unknown", Warn,
        "A recipe that is named was set before",
        "definition", Definition;
    RECIPE_MATERIAL = "powder.material_not_the_recipes", Warn,
        "The powder is of the recipe's material",
        "definition", Definition;
    APERTURE_RECIPE = "powder.aperture_not_the_recipes", Stop,
        "Aperture and its specification are those of the recipe for the material",
        "ISO 3310-1 and ASTM E11 differ in apertures and tolerances", Secondary;
    APERTURE_FITTED = "powder.aperture_not_as_fitted", Warn,
        "The aperture of a pass is that of the sieve as it was fitted",
        "definition", Definition;
    SIEVE_NOT_SOUND = "powder.sieve_not_sound", Stop,
        "A sieve that was found failed or taken out is not used",
        "common practice, no source", CommonPractice;
    SIEVE_TREND = "powder.sieve_trend", Note,
        "Oversize and rate of a sieve stay within the limits of its first passes after fitting",
        "individuals chart of 20 passes, limits widened for a short baseline by Student's law; NIST/SEMATECH e-Handbook 6.3, ISO 16269-8 (from memory)", Memory;
    // ---- lots
    LOT_TWICE = "powder.lot_made_twice", Stop,
        "A lot label is used once, for one delivery or one blend",
        "ISO 22095:2020, identity preserved", Seen;
    CONTAINER_TWICE = "powder.container_used_twice", Stop,
        "The id of a delivered container is used once",
        "definition: one label, one container", Definition;
    LOT_UNKNOWN = "powder.lot_unknown", Warn,
        "A lot is received or blended before it is tested, released, held or decided on",
        "definition", Definition;
    TEST_CONTRADICTS = "powder.test_contradicts_limit", Warn,
        "The result of a test agrees with the measured value and its limit",
        "arithmetic", Definition;
    RELEASE_MEANING = "powder.release_meaning", Stop,
        "A release is signed with the meaning `released` or `approved`",
        "21 CFR 11.50(a)(3), meaning of a signature", Seen;
    RELEASE_WITHOUT_CERTIFICATE = "powder.released_without_certificate", Stop,
        "A delivered lot is released when its certificate is there and its seals were whole",
        "ISO/ASTM 52904, 5.2, certificate of conformance for all feedstock", Seen;
    RELEASE_UNTESTED = "powder.released_untested", Warn,
        "A delivered lot is tested before it is released",
        "common practice, no source", CommonPractice;
    RELEASE_FAILED = "powder.released_after_failed_test", Stop,
        "A lot is not released on a failed test",
        "ISO 9001:2015, 8.6, release of products", Memory;
    RELEASE_ON_HOLD = "powder.released_on_hold", Stop,
        "A lot on hold is released only after two people decided on it",
        "ISO 9001:2015, 8.7, control of nonconforming outputs", Memory;
    DECIDED_BY_ONE = "powder.decided_by_one", Stop,
        "A held lot is decided on by two different people",
        "common practice, no source; two-person rule", CommonPractice;
    NOTHING_HELD = "powder.decided_without_hold", Warn,
        "A decision is about a lot on hold",
        "definition", Definition;
    // ---- the account
    MASS_NOT_POSITIVE = "powder.mass_not_positive", Stop,
        "A mass that moves is greater than zero, and gross is greater than tare",
        "definition", Definition;
    SAME_PLACE = "powder.same_place", Stop,
        "Powder moves from one place to another one",
        "definition", Definition;
    OVERDRAWN = "powder.place_overdrawn", Warn,
        "No more is taken from a place than the book says it holds; the rest is UNKNOWN powder",
        "definition: conservation of mass", Definition;
    MORE_OUT = "powder.recovered_more_than_used", Warn,
        "A build gives back no more, as parts and powder, than it drew",
        "definition: conservation of mass", Definition;
    MATERIALS_MIXED = "powder.materials_mixed", Warn,
        "Powders of different materials do not meet in one place",
        "ISO/ASTM 52904, 5.5, protection against contamination", Seen;
    RESIDUE = "powder.blended_on_residue", Warn,
        "A blend is made in an empty place",
        "common practice, no source", CommonPractice;
    STARTED_TWICE = "powder.build_started_twice", Stop,
        "A build label is started once",
        "definition: one label, one build", Definition;
    PRINTER_BUSY = "powder.printer_busy", Warn,
        "A printer runs one build at a time",
        "definition", Definition;
    NOT_STARTED = "powder.build_not_started", Stop,
        "A build is started before it is finished; else nobody knows its hopper",
        "definition", Definition;
    FINISHED_TWICE = "powder.build_finished_twice", Stop,
        "A build is finished once",
        "definition", Definition;
    RECOVERED_EARLY = "powder.recovered_before_end", Warn,
        "Powder is recovered after the build was finished; else its hours are not known",
        "definition", Definition;
    COUNT_DIFFERS = "powder.count_differs", Warn,
        "A count agrees with the book within the uncertainty of the weighings (k = 2)",
        "JCGM 100:2008, 5.1.2 and 6.2; limits of error OIML R 76-1, Table 6", Secondary;
    COUNT_UNDECIDED = "powder.count_undecided", Note,
        "A count that differs can be judged only when every weighing states an uncertainty",
        "JCGM 100:2008, 5.1.2 and 6.2", Memory;
}

/// A fact on the record before it.
struct Case<'a, 'j, 'f> {
    state: &'a State,
    powder: &'a Powder,
    fact: &'a Fact,
    /// The moment of the work; everything before it counts.
    moment: Moment,
    /// Number of moves before it.
    bound: MoveId,
    judge: &'j mut Judge<'f>,
}

impl Case<'_, '_, '_> {
    /// What a place held before the fact.
    fn content(&self, place: &Place) -> Content {
        let books = &self.powder.books;
        match books.find_place(place) {
            Some(id) => books.content(id, self.bound),
            None => Content { held: Kg::ZERO, id: None },
        }
    }

    fn raise(
        &mut self,
        rule: &'static Rule,
        entries: impl IntoIterator<Item = u64>,
        detail: impl Into<String>,
    ) {
        self.judge.raise(rule, entries, detail);
    }

    /// The subject as a label.
    fn own(&self) -> Option<Label> {
        Label::new(self.fact.subject.id()).ok()
    }

    /// The entry that last brought mass into a content.
    fn entry_of(&self, content: Option<MoveId>) -> Option<u64> {
        content.map(|c| self.powder.seq_of_move(c))
    }
}

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(state: &State, fact: &Fact, judge: &mut Judge<'_>) {
    let powder = &state.powder;
    let moment = (fact.time.ms(), fact.seq);
    let bound = powder.books.moves_before(&powder.kept, moment);
    let mut case = Case { state, powder, fact, moment, bound, judge };
    let case = &mut case;
    account::masses(case);
    match &fact.event {
        Event::LotReceived(d) => lots::received(case, d),
        Event::LotTested(d) => lots::tested(case, d),
        Event::LotReleased(d) => lots::released(case, d),
        Event::LotHeld(_) => lots::held(case),
        Event::LotDisposedOf(d) => lots::disposed_of(case, d),
        Event::PowderLoaded(d) => {
            using::loaded(case, d);
            account::materials(case, &d.into, std::slice::from_ref(&d.from));
        }
        Event::PowderSieved(d) => {
            using::sieved(case, d);
            account::materials(case, &d.through.into, std::slice::from_ref(&d.from));
            account::materials(case, &d.oversize.into, std::slice::from_ref(&d.from));
        }
        Event::PowderBlended(d) => {
            lots::blended(case, d);
            using::blended(case, d);
            let from: Vec<Place> = d.components.iter().map(|c| c.from.clone()).collect();
            account::materials(case, &d.into, &from);
        }
        Event::PowderMoved(d) => {
            if matches!(d.into.kind, PlaceKind::Hopper | PlaceKind::Build) {
                using::usable(case, &d.from);
                using::sieved_before_use(case, &d.from);
            }
            account::materials(case, &d.into, std::slice::from_ref(&d.from));
        }
        Event::BuildStarted(d) => {
            account::started(case, d);
            using::started(case, d);
        }
        Event::BuildFinished(d) => account::finished(case, d),
        Event::PowderRecovered(d) => account::recovered(case, d),
        Event::StockCounted(d) => account::counted(case, d),
        _ => {}
    }
}

/// Masses that an event takes out of places that hold a book, in sum per place.
type Taken = BTreeMap<Place, Kg>;
