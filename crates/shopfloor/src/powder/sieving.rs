//! Sieving: what must still be sieved (gate 31), and the yield of a sieve over its uses (C22 is
//! fed from here).

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive as _, ToPrimitive as _};
use schemars::JsonSchema;
use serde::Serialize;

use crate::forms::words;
use crate::ids::{Label, Place, PlaceKind, Subject};
use crate::powder::events::PowderSieved;
use crate::quantity::{Aperture, Mass};
use crate::stats::chart;

use super::Powder;
use super::amount::Kg;
use super::kept::{Deed, Kept, Key, Moment};
use super::views::{AsOf, LISTED_MAX, Unanswered};

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

/// Uses after the fitting of a sieve that its trend is compared with: the usual least number of
/// values for a control chart (20 to 25; NIST/SEMATECH e-Handbook 6.3, ISO 7870-2, from memory). What
/// so few leave open about the spread, the limits allow for ([`chart::next_value`]).
pub const BASELINE_USES: usize = 20;

/// Limits of one figure of a sieve, from its baseline; six decimals.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TrendLimits {
    /// Mean of the baseline.
    #[schemars(with = "String")]
    pub mean: Decimal,
    /// Lower limit.
    #[schemars(with = "String")]
    pub low: Decimal,
    /// Upper limit.
    #[schemars(with = "String")]
    pub high: Decimal,
}

words! {
    /// A figure of a sieve that is watched.
    pub enum Watched {
        /// Oversize in percent of what went in.
        OversizePercent = "oversize_percent",
        /// What passed per minute.
        KgPerMin = "kg_per_min",
    }
}

/// A use outside the limits.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TrendAlarm {
    /// Entry of the pass.
    pub entry: u64,
    /// Which figure.
    pub figure: Watched,
    /// Its value.
    #[schemars(with = "String")]
    pub value: Decimal,
    /// Whether it lies above the limits (else below).
    pub above: bool,
}

/// Yield and oversize of a sieve over its uses since it was last fitted (C22). Limits are those
/// of the first [`BASELINE_USES`] uses; a use outside them is worth a look and stops nothing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SieveTrend {
    /// The sieve, by serial.
    pub sieve: Label,
    /// Entry that fitted it last.
    pub fitted_by: Option<u64>,
    /// Uses since then, in order of work; of more than [`LISTED_MAX`] the newest.
    pub uses: Vec<SieveUse>,
    /// How many there are.
    pub uses_total: usize,
    /// Entries of the baseline.
    pub baseline: Vec<u64>,
    /// Limits of the oversize share; `None` until the baseline is full.
    pub oversize_percent: Option<TrendLimits>,
    /// Limits of the rate.
    pub kg_per_min: Option<TrendLimits>,
    /// Uses outside the limits, in order of work; of more than [`LISTED_MAX`] the newest.
    pub alarms: Vec<TrendAlarm>,
}

impl Watched {
    fn of(self, used: &SieveUse) -> Option<Decimal> {
        match self {
            Watched::OversizePercent => used.oversize_percent,
            Watched::KgPerMin => used.kg_per_min,
        }
    }

    /// Limits from a full baseline.
    fn limits(self, baseline: &[SieveUse]) -> Option<TrendLimits> {
        if baseline.len() < BASELINE_USES {
            return None;
        }
        let values: Option<Vec<f64>> =
            baseline.iter().map(|used| self.of(used)?.to_f64()).collect();
        let limits = chart::next_value(&values?, Some(0.0))?;
        let shown = |value: f64| Some(Decimal::from_f64(value)?.round_dp(6).normalize());
        let (mean, low, high) = (shown(limits.mean)?, shown(limits.low)?, shown(limits.high)?);
        Some(TrendLimits { mean, low, high })
    }
}

/// Figures of uses after the baseline that lie outside its limits.
fn alarms(uses: &[SieveUse]) -> Vec<TrendAlarm> {
    let baseline = &uses[..uses.len().min(BASELINE_USES)];
    let mut found: Vec<TrendAlarm> = Vec::new();
    for figure in Watched::ALL {
        let Some(limits) = figure.limits(baseline) else { continue };
        for used in &uses[baseline.len()..] {
            let Some(value) = figure.of(used) else { continue };
            if value < limits.low || value > limits.high {
                let above = value > limits.high;
                found.push(TrendAlarm { entry: used.entry, figure: *figure, value, above });
            }
        }
    }
    found.sort_by_key(|alarm| alarm.entry);
    found
}

impl Powder {
    /// Trend of a sieve, by serial, since it was last fitted.
    pub fn sieve_trend(&self, serial: &Label, as_of: AsOf) -> Result<SieveTrend, Unanswered> {
        let (moment, _) = self.bound(as_of)?;
        if !self.knows_sieve(serial) {
            return Err(Unanswered::Sieve(serial.clone()));
        }
        let fitted = self.fitted(serial, moment);
        let mut uses: Vec<SieveUse> = self.uses_since(serial, fitted, moment).collect();
        let baseline = &uses[..uses.len().min(BASELINE_USES)];
        let (oversize_percent, kg_per_min) =
            (Watched::OversizePercent.limits(baseline), Watched::KgPerMin.limits(baseline));
        let baseline = baseline.iter().map(|used| used.entry).collect();
        let mut alarms = alarms(&uses);
        alarms.drain(..alarms.len().saturating_sub(LISTED_MAX));
        let uses_total = uses.len();
        uses.drain(..uses.len().saturating_sub(LISTED_MAX));
        Ok(SieveTrend {
            sieve: serial.clone(),
            fitted_by: fitted.map(|kept| kept.seq),
            uses,
            uses_total,
            baseline,
            oversize_percent,
            kg_per_min,
            alarms,
        })
    }

    /// Alarms of one more use of a sieve, with the entries of the baseline.
    pub(crate) fn alarms_of(
        &self,
        station: &Subject,
        d: &PowderSieved,
        moment: Moment,
    ) -> (Vec<TrendAlarm>, Vec<u64>) {
        let uses = self.uses_since(&d.sieve, self.fitted(&d.sieve, moment), moment);
        let mut uses: Vec<SieveUse> = uses.take(BASELINE_USES).collect();
        let baseline = uses.iter().map(|used| used.entry).collect();
        if uses.len() == BASELINE_USES {
            uses.push(use_of(moment, station, d));
        }
        (alarms(&uses), baseline)
    }

    /// Whether anything was ever told of a sieve.
    pub(crate) fn knows_sieve(&self, serial: &Label) -> bool {
        [Key::Passes(serial.clone()), Key::Part(serial.clone())]
            .iter()
            .any(|key| self.books.facts(key).next().is_some())
    }

    /// The fact that fitted a sieve last before a moment.
    pub(crate) fn fitted(&self, serial: &Label, moment: Moment) -> Option<&Kept> {
        let mut facts = self.books.facts_before(&self.kept, &Key::Part(serial.clone()), moment);
        facts.rfind(|kept| kept.fitted(serial).is_some())
    }

    /// Uses of a sieve since the fact that fitted it, in order of work.
    fn uses_since(
        &self,
        serial: &Label,
        fitted: Option<&Kept>,
        moment: Moment,
    ) -> impl Iterator<Item = SieveUse> {
        let key = Key::Passes(serial.clone());
        let facts = self.books.facts_between(&self.kept, &key, fitted.map(Kept::moment), moment);
        facts.filter_map(sieve_use)
    }

    /// Uses of a sieve, by serial, in order of work.
    pub fn sieve_uses(&self, serial: &Label, as_of: AsOf) -> Result<Vec<SieveUse>, Unanswered> {
        let (moment, _) = self.bound(as_of)?;
        if !self.knows_sieve(serial) {
            return Err(Unanswered::Sieve(serial.clone()));
        }
        Ok(self.uses_since(serial, None, moment).collect())
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
    Some(use_of(kept.moment(), &kept.subject, d))
}

fn use_of((time_ms, entry): Moment, station: &Subject, d: &PowderSieved) -> SieveUse {
    let (through, oversize) = (Kg::of(&d.through.mass), Kg::of(&d.oversize.mass));
    let fed = (through + oversize).decimal();
    let minutes = d.duration.base();
    let share = |part: Decimal, whole: Decimal| {
        (whole > Decimal::ZERO).then(|| (part / whole).round_dp(6).normalize())
    };
    SieveUse {
        entry,
        time_ms,
        station: station.clone(),
        aperture: d.aperture.clone(),
        spec_id: d.spec_id.clone(),
        through: d.through.mass.clone(),
        oversize: d.oversize.mass.clone(),
        oversize_percent: share(oversize.decimal() * Decimal::ONE_HUNDRED, fed),
        kg_per_min: share(through.decimal(), minutes),
    }
}
