//! Sieving: what must still be sieved (gate 31), and the yield of a sieve over its uses (C22 is
//! fed from here).

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::ids::{Label, Place, PlaceKind, Subject};
use crate::quantity::{Aperture, Mass};

use super::Powder;
use super::amount::Kg;
use super::kept::{Deed, Kept, Key};
use super::views::{AsOf, Unanswered};

/// One use of a sieve.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SieveUse {
    /// Entry of the pass.
    pub entry: u64,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// Station it ran on.
    pub station: Subject,
    /// Aperture as recorded.
    pub aperture: Aperture,
    /// Specification of the aperture as recorded.
    pub spec_id: Option<Label>,
    /// What passed.
    pub through: Mass,
    /// What stayed on top.
    pub oversize: Mass,
    /// Oversize in percent of what went in (through and oversize), six decimals; `None` when
    /// nothing went in.
    #[schemars(with = "Option<String>")]
    pub oversize_percent: Option<Decimal>,
    /// What passed per minute, kg/min, six decimals; `None` when no time passed.
    #[schemars(with = "Option<String>")]
    pub kg_per_min: Option<Decimal>,
}

/// A place with used powder that has to be sieved before re-use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct UnsievedPlace {
    /// The place.
    pub place: Place,
    /// What it holds.
    pub held: Mass,
    /// Fraction that was in a build and not sieved since.
    #[schemars(with = "String")]
    pub unsieved_fraction: Decimal,
    /// Entry that last brought mass in.
    pub entry: u64,
}

impl Powder {
    /// Uses of a sieve, by serial, in order of work.
    pub fn sieve_uses(&self, serial: &Label, as_of: AsOf) -> Result<Vec<SieveUse>, Unanswered> {
        let (moment, _) = self.bound(as_of)?;
        let key = Key::Sieve(serial.clone());
        if self.books.facts(&key).is_empty() {
            return Err(Unanswered::Sieve(serial.clone()));
        }
        Ok(self.books.facts_before(&self.kept, &key, moment).filter_map(sieve_use).collect())
    }

    /// Places from which powder could be used that hold powder to be sieved first, by place.
    pub fn unsieved(&self, as_of: AsOf) -> Result<Vec<UnsievedPlace>, Unanswered> {
        let (_, bound) = self.bound(as_of)?;
        let mut places: Vec<UnsievedPlace> = self
            .books
            .place_list()
            .filter(|(_, place)| can_be_used(place.kind))
            .filter_map(|(id, place)| {
                let content = self.books.content(id, bound);
                let share = self.books.mark(content.id?).unsieved;
                (!share.is_zero()).then(|| UnsievedPlace {
                    place: place.clone(),
                    held: content.held.shown(),
                    unsieved_fraction: share.decimal(),
                    entry: content.id.map_or(0, |c| self.seq_of_move(c)),
                })
            })
            .collect();
        places.sort_by(|a, b| a.place.cmp(&b.place));
        Ok(places)
    }
}

fn can_be_used(kind: PlaceKind) -> bool {
    match kind {
        PlaceKind::LotContainer | PlaceKind::Hopper | PlaceKind::Bin => true,
        PlaceKind::Supplier
        | PlaceKind::Build
        | PlaceKind::Parts
        | PlaceKind::Oversize
        | PlaceKind::VacuumBag
        | PlaceKind::Waste
        | PlaceKind::Sample
        | PlaceKind::Loss => false,
    }
}

fn sieve_use(kept: &Kept) -> Option<SieveUse> {
    let Deed::PowderSieved(d) = &kept.deed else { return None };
    let (through, oversize) = (Kg::of(&d.through.mass), Kg::of(&d.oversize.mass));
    let fed = (through + oversize).decimal();
    let minutes = d.duration.base();
    let share = |part: Decimal, whole: Decimal| {
        (whole > Decimal::ZERO).then(|| (part / whole).round_dp(6).normalize())
    };
    Some(SieveUse {
        entry: kept.seq,
        time_ms: kept.time_ms,
        station: kept.subject.clone(),
        aperture: d.aperture.clone(),
        spec_id: d.spec_id.clone(),
        through: d.through.mass.clone(),
        oversize: d.oversize.mass.clone(),
        oversize_percent: share(oversize.decimal() * Decimal::ONE_HUNDRED, fed),
        kg_per_min: share(through.decimal(), minutes),
    })
}
