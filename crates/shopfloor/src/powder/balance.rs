//! Mass balances with combined uncertainty (C6): what a place, a build, a lot or a site took in
//! and gave out, what is missing, and whether that is more than the scales can tell.
//!
//! The difference D is linear in the weighed masses, D = sum of c_i m_i with c_i of -1, 0 or 1;
//! its standard uncertainty is sqrt(sum c_i^2 u_i^2) with u_i = limit of error / sqrt(3) of the
//! scale in service. A weighing on a scale whose verification interval is not on record counts in
//! D and is reported as stating no uncertainty; nothing is assumed for it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::forms::words;
use crate::ids::{Label, Place, PlaceKind};
use crate::quantity::Mass;

use super::Powder;
use super::amount::Kg;
use super::books::{Move, MoveId, PlaceId, UNKNOWN_PLACE};
use super::figures::{COVERAGE_FACTOR, sqrt};
use super::kept::{Deed, Key, Moment};

use super::lots::{self, Life};
use super::moves::MoveKind;
use super::trace;
use super::views::{AsOf, LISTED_MAX, Unanswered};
use super::weighing::{Count, Scales, Weighed};

words! {
    /// A term of a balance.
    pub enum Term {
        /// What was there at the beginning.
        Opening = "opening",
        /// Deliveries.
        Received = "received",
        /// Came from another site.
        TransferredIn = "transferred_in",
        /// Drawn from the hopper.
        Drawn = "drawn",
        /// Came in otherwise.
        OtherIn = "other_in",
        /// What was there at the end.
        Closing = "closing",
        /// Became parts.
        Parts = "parts",
        /// Recovered from the build.
        Recovered = "recovered",
        /// Went into waste containers.
        Waste = "waste",
        /// Handed out as samples.
        Samples = "samples",
        /// Lost by a recorded spill or move to loss.
        Losses = "losses",
        /// Went back to a supplier.
        Returned = "returned",
        /// Went to another site.
        TransferredOut = "transferred_out",
        /// Went out otherwise.
        OtherOut = "other_out",
        /// Lies in containers of lots.
        InContainers = "in_containers",
        /// Lies in hoppers.
        InHoppers = "in_hoppers",
        /// Lies in bins.
        InBins = "in_bins",
        /// Lies in builds that were not unpacked yet.
        InBuilds = "in_builds",
        /// Lies as oversize.
        InOversize = "in_oversize",
        /// Lies in vacuum bags.
        InVacuumBags = "in_vacuum_bags",
    }
}

impl Term {
    /// Whether the term is on the side of what came in.
    pub(super) fn comes_in(self) -> bool {
        match self {
            Term::Opening | Term::Received | Term::TransferredIn | Term::Drawn | Term::OtherIn => {
                true
            }
            Term::Closing
            | Term::Parts
            | Term::Recovered
            | Term::Waste
            | Term::Samples
            | Term::Losses
            | Term::Returned
            | Term::TransferredOut
            | Term::OtherOut
            | Term::InContainers
            | Term::InHoppers
            | Term::InBins
            | Term::InBuilds
            | Term::InOversize
            | Term::InVacuumBags => false,
        }
    }
}

/// One term of a balance.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct BalanceTerm {
    /// Which.
    pub term: Term,
    /// Whether it adds to what came in (else to what went out or is there).
    pub comes_in: bool,
    /// Its mass.
    pub mass: Mass,
}

/// Net mass on one scale in a balance: a pure span error of that scale acts on D only by its
/// product with this mass, because it cancels between what came in and what went out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct OnScale {
    /// The scale.
    pub scale: Label,
    /// Weighings on it.
    pub weighings: usize,
    /// What came in minus what went out on it.
    pub net: Mass,
}

/// A mass balance. "Unaccounted D ± U (k = 2)": positive is missing, negative is surplus.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Balance {
    /// Beginning of the period, ms since 1970 UTC; `None`: the beginning of the log.
    pub from_ms: Option<i64>,
    /// End of the period, ms since 1970 UTC (not included); `None`: as of the question.
    pub to_ms: Option<i64>,
    /// The terms that are not zero.
    pub terms: Vec<BalanceTerm>,
    /// D: what came in minus what went out and is there.
    pub unaccounted: Mass,
    /// D of this and all earlier periods or builds of the same series.
    pub cumulative: Mass,
    /// U, k = 2, of the weighings that state one; `None` when none does.
    pub expanded_uncertainty: Option<Mass>,
    /// |D| / U, six decimals.
    #[schemars(with = "Option<String>")]
    pub normalised_error: Option<Decimal>,
    /// Whether |D| <= U. `None` when some weighing states no uncertainty, or when nothing was
    /// compared (no count closes the period): then nobody can tell.
    pub closed: Option<bool>,
    /// Weighings that state an uncertainty.
    pub weighings: usize,
    /// Masses without a stated uncertainty.
    pub weighings_unstated: usize,
    /// Net mass by scale, for common span errors.
    pub scales: Vec<OnScale>,
    /// Mass that came out of nowhere recorded (`UNKNOWN`) in the period.
    pub from_unknown: Mass,
    /// Entries it rests on, in order of work (at most [`LISTED_MAX`]).
    pub entries: Vec<u64>,
    /// How many entries there are.
    pub entries_total: usize,
}

/// Collects the terms of one balance.
#[derive(Default)]
pub(super) struct Sum {
    terms: BTreeMap<Term, Kg>,
    pub(super) difference: Kg,
    squares_kg2: Decimal,
    weighings: usize,
    unstated: usize,
    scales: BTreeMap<Label, (usize, Kg)>,
    pub(super) from_unknown: Kg,
    pub(super) entries: Vec<u64>,
}

impl Sum {
    pub(super) fn term(&mut self, term: Term, mass: Kg) {
        *self.terms.entry(term).or_default() += mass;
        self.difference += if term.comes_in() { mass } else { -mass };
    }

    /// Mass of a term.
    pub(super) fn mass(&self, term: Term) -> Kg {
        self.terms.get(&term).copied().unwrap_or_default()
    }

    /// A weighed mass that acts on D with its sign.
    pub(super) fn weighed(&mut self, signed: Kg, weighed: Option<&Weighed<'_>>) {
        match weighed {
            Some(w) => {
                self.weighings += w.weighings;
                self.squares_kg2 += w.squares_kg2;
                let on = self.scales.entry(w.scale.clone()).or_default();
                *on = (on.0 + w.weighings, on.1 + signed);
            }
            None => self.unstated += 1,
        }
    }

    pub(super) fn balance(mut self, period: (Option<i64>, Option<i64>), earlier: Kg) -> Balance {
        let expanded = (self.weighings > 0)
            .then(|| sqrt(self.squares_kg2 / Decimal::from(3)) * COVERAGE_FACTOR);
        let difference = self.difference.decimal();
        let normalised = expanded
            .filter(|u| !u.is_zero())
            .map(|u| (difference.abs() / u).round_dp(6).normalize());
        let decided = self.unstated == 0 && self.weighings > 0;
        self.entries.dedup();
        Balance {
            from_ms: period.0,
            to_ms: period.1,
            terms: self
                .terms
                .iter()
                .filter(|(_, mass)| **mass != Kg::ZERO)
                .map(|(term, mass)| BalanceTerm {
                    term: *term,
                    comes_in: term.comes_in(),
                    mass: mass.shown(),
                })
                .collect(),
            unaccounted: self.difference.shown(),
            cumulative: (earlier + self.difference).shown(),
            expanded_uncertainty: expanded.map(|u| Mass::from_base(u.round_dp(9).normalize())),
            normalised_error: normalised,
            closed: decided.then(|| difference.abs() <= expanded.unwrap_or_default()),
            weighings: self.weighings,
            weighings_unstated: self.unstated,
            scales: self
                .scales
                .into_iter()
                .map(|(scale, (weighings, net))| OnScale { scale, weighings, net: net.shown() })
                .collect(),
            from_unknown: self.from_unknown.shown(),
            entries_total: self.entries.len(),
            entries: self.entries.into_iter().take(LISTED_MAX).collect(),
        }
    }
}

/// Masses of a build place.
pub(crate) struct BuildAccount {
    pub(crate) drawn: Kg,
    pub(crate) parts: Kg,
    pub(crate) recovered: Kg,
    /// Everything that came in, without what the book had to make up.
    pub(crate) in_total: Kg,
    pub(crate) out_total: Kg,
    /// Content of the build place after the last draw.
    pub(crate) drawn_content: Option<MoveId>,
    pub(crate) entries: Vec<u64>,
}

/// A count that closes a period.
struct Closing<'a> {
    seq: u64,
    bound: MoveId,
    counted: Kg,
    weighed: Option<Weighed<'a>>,
}

/// The term of what leaves stock for a place of this kind.
pub(super) fn out_term(into: PlaceKind) -> Option<Term> {
    match into {
        PlaceKind::Parts => Some(Term::Parts),
        PlaceKind::Waste => Some(Term::Waste),
        PlaceKind::Sample => Some(Term::Samples),
        PlaceKind::Loss => Some(Term::Losses),
        PlaceKind::Supplier => Some(Term::Returned),
        PlaceKind::LotContainer
        | PlaceKind::Hopper
        | PlaceKind::Build
        | PlaceKind::Bin
        | PlaceKind::Oversize
        | PlaceKind::VacuumBag => None,
    }
}

impl Powder {
    /// Balances of a place: one per count, from the count before it (or the beginning) to it, and
    /// a last one, open, since the last count.
    pub fn place_balances(&self, place: &Place, as_of: AsOf) -> Result<Vec<Balance>, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let id = self.books.find_place(place).ok_or_else(|| Unanswered::Place(place.clone()))?;
        let scales = Scales::new(self);
        let counts = self.counts(place, moment);
        let mut balances = Vec::new();
        let (mut start, mut earlier) = (None, Kg::ZERO);
        for count in counts.iter().map(Some).chain([None]) {
            let closing = count.map(|c| Closing {
                seq: c.seq,
                bound: c.bound,
                counted: c.counted,
                weighed: scales.of_count(c),
            });
            let sum = self.place_period(&scales, id, start, closing.as_ref(), bound);
            if count.is_none() && sum.entries.len() <= usize::from(start.is_some()) {
                break;
            }
            let time = |c: Option<&Count>| c.map(|c| self.kept[c.kept].time_ms);
            let difference = sum.difference;
            balances.push(sum.balance((time(start), time(count)), earlier));
            earlier += difference;
            start = count;
        }
        Ok(balances)
    }

    /// What a count that is not recorded yet would find, against the last count (or the
    /// beginning) and what moved since.
    pub(crate) fn count_against(
        &self,
        place: &Place,
        counted: Kg,
        scale: Option<&Label>,
        moment: Moment,
        bound: MoveId,
    ) -> Balance {
        let scales = Scales::new(self);
        let weighed = scale.and_then(|s| scales.loads(moment, s, &[counted]));
        let closing = Closing { seq: moment.1, bound, counted, weighed };
        let sum = match self.books.find_place(place) {
            Some(id) => {
                let start = self.last_count(place, moment);
                self.place_period(&scales, id, start.as_ref(), Some(&closing), bound)
            }
            None => {
                let mut sum = Sum::default();
                sum.term(Term::Closing, counted);
                sum.weighed(-counted, closing.weighed.as_ref());
                sum
            }
        };
        sum.balance((None, None), Kg::ZERO)
    }

    /// What a place took in and gave out between two counts. Without a closing count only an
    /// unpacked build compares anything: what it did not give back is missing. Elsewhere the book
    /// itself is the estimate, and its difference is what it had to make up.
    fn place_period(
        &self,
        scales: &Scales<'_>,
        id: PlaceId,
        start: Option<&Count>,
        end: Option<&Closing<'_>>,
        bound: MoveId,
    ) -> Sum {
        let mut sum = Sum::default();
        let range = start.map_or(0, |c| c.bound)..end.map_or(bound, |c| c.bound);
        let unpacked = self.books.kind_of(id) == Some(PlaceKind::Build)
            && self.last_unpack(id, bound).is_some();
        let compared = end.is_some() || unpacked;
        if let Some(start) = start {
            sum.term(Term::Opening, start.counted);
            sum.entries.push(start.seq);
            if compared {
                sum.weighed(start.counted, scales.of_count(start).as_ref());
            }
        }
        let mut there = start.map_or(Kg::ZERO, |c| c.counted);
        for touch in self.touches_in(id, &range) {
            let moved = self.books.moves()[touch as usize];
            let comes_in = moved.into == id;
            let signed = if comes_in { moved.mass } else { -moved.mass };
            there += signed;
            sum.entries.push(self.seq_of_move(touch));
            if moved.from == UNKNOWN_PLACE {
                sum.from_unknown += moved.mass;
            }
            if moved.kind == MoveKind::Overdrawn {
                continue;
            }
            sum.term(self.place_term(&moved, comes_in), moved.mass);
            if compared {
                sum.weighed(signed, scales.of_move(touch).as_ref());
            }
        }
        match end {
            Some(end) => {
                sum.term(Term::Closing, end.counted);
                sum.weighed(-end.counted, end.weighed.as_ref());
                sum.entries.push(end.seq);
            }
            None if unpacked => {}
            None => sum.term(Term::Closing, there),
        }
        sum
    }

    /// The term of a move in the balance of a place.
    fn place_term(&self, moved: &Move, comes_in: bool) -> Term {
        match (comes_in, moved.kind) {
            (true, MoveKind::Received) => Term::Received,
            (true, MoveKind::Drawn) => Term::Drawn,
            (true, _) => Term::OtherIn,
            (false, MoveKind::Recovered) => Term::Recovered,
            (false, _) => {
                self.books.kind_of(moved.into).and_then(out_term).unwrap_or(Term::OtherOut)
            }
        }
    }

    pub(super) fn touches_in(
        &self,
        id: PlaceId,
        range: &std::ops::Range<MoveId>,
    ) -> impl Iterator<Item = MoveId> {
        self.books.touches_between(id, range.start, range.end)
    }

    /// The last move that took powder (not parts) out of a build place.
    pub(super) fn last_unpack(&self, id: PlaceId, bound: MoveId) -> Option<MoveId> {
        self.books.touches_between(id, 0, bound).rev().find(|t| {
            let m = self.books.moves()[*t as usize];
            m.from == id && m.kind != MoveKind::Parts
        })
    }

    /// Masses of a build place within the first `bound` moves.
    pub(crate) fn build_account(&self, place: &Place, bound: MoveId) -> BuildAccount {
        let zero = Kg::ZERO;
        let mut account = BuildAccount {
            drawn: zero,
            parts: zero,
            recovered: zero,
            in_total: zero,
            out_total: zero,
            drawn_content: None,
            entries: Vec::new(),
        };
        let Some(id) = self.books.find_place(place) else { return account };
        for touch in self.touches_in(id, &(0..bound)) {
            let moved = self.books.moves()[touch as usize];
            account.entries.push(self.seq_of_move(touch));
            if moved.kind == MoveKind::Overdrawn {
                continue;
            }
            if moved.into == id {
                account.in_total += moved.mass;
            } else {
                account.out_total += moved.mass;
            }
            match moved.kind {
                MoveKind::Drawn => {
                    account.drawn += moved.mass;
                    account.drawn_content = Some(touch);
                }
                MoveKind::Parts => account.parts += moved.mass,
                MoveKind::Recovered => account.recovered += moved.mass,
                _ => {}
            }
        }
        account
    }

    /// Balance of a build: what was drawn minus parts and what was recovered. While nothing was
    /// recovered yet, what lies in the build place counts as being there.
    pub fn build_balance(&self, build: &Label, as_of: AsOf) -> Result<Balance, Unanswered> {
        let (_, bound) = self.bound(as_of)?;
        let unknown = || Unanswered::Build(build.clone());
        let place = Place::new(PlaceKind::Build, build.as_str()).map_err(|_| unknown())?;
        let id = self.books.find_place(&place).ok_or_else(unknown)?;
        let sum = self.place_period(&Scales::new(self), id, None, None, bound);
        Ok(sum.balance((None, None), Kg::ZERO))
    }

    /// Balances of the builds finished in a period, in order of work, each with the cumulative
    /// unaccounted mass: a steady leak that each single build hides shows in the sum.
    /// `printer`: only its builds.
    pub fn build_balances(
        &self,
        printer: Option<&Label>,
        from: Timestamp,
        to: Timestamp,
    ) -> Vec<(Label, Balance)> {
        let (from_ms, to_ms) = (from.as_millisecond(), to.as_millisecond());
        let scales = Scales::new(self);
        let bound = self.books.moves_before(&self.kept, (i64::MAX, u64::MAX));
        let first = self.kept.before_ms(from_ms);
        let (mut balances, mut earlier) = (Vec::new(), Kg::ZERO);
        for kept in (first..self.kept.before_ms(to_ms)).map(|at| &self.kept[at]) {
            let (Deed::BuildFinished(_), Some(build)) = (&kept.deed, kept.label()) else {
                continue;
            };
            let on = self.books.facts(&Key::Build(build.clone())).find_map(|i| {
                match &self.kept[i as usize].deed {
                    Deed::BuildStarted(d) => Some(&d.printer),
                    _ => None,
                }
            });
            let place = Place::new(PlaceKind::Build, build.as_str()).ok();
            let id = place.and_then(|p| self.books.find_place(&p));
            let Some(id) = id.filter(|_| printer.is_none() || printer == on) else { continue };
            let sum = self.place_period(&scales, id, None, None, bound);
            let difference = sum.difference;
            balances.push((build, sum.balance((None, Some(kept.time_ms)), earlier)));
            earlier += difference;
        }
        balances
    }

    /// Balance of a lot: what was received or blended against where its powder is now. What lies
    /// in unpacked builds is unaccounted.
    pub fn lot_balance(&self, lot: &Label, as_of: AsOf) -> Result<Balance, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let life = Life::of(&self.books, &self.kept, lot, moment);
        let origin = life.origin.ok_or_else(|| Unanswered::Lot(lot.clone()))?;
        let scales = Scales::new(self);
        let mut sum = Sum::default();
        for id in self.books.moves_of(origin) {
            let moved = self.books.moves()[id as usize];
            if moved.kind == MoveKind::Overdrawn {
                continue;
            }
            sum.term(Term::Received, moved.mass);
            sum.weighed(moved.mass, scales.of_move(id).as_ref());
        }
        sum.entries = life.entries.clone();
        let seeds = lots::whole_lot(&self.books, &self.kept, lot, &life);
        let walk = trace::forward(&self.books, seeds, bound);
        for (id, place) in self.books.place_list() {
            let Some((_, mass)) = walk.in_place(&self.books, id, bound) else { continue };
            let term = match place.kind {
                PlaceKind::Supplier => Term::Returned,
                PlaceKind::LotContainer => Term::InContainers,
                PlaceKind::Hopper => Term::InHoppers,
                PlaceKind::Build if self.last_unpack(id, bound).is_some() => continue,
                PlaceKind::Build => Term::InBuilds,
                PlaceKind::Parts => Term::Parts,
                PlaceKind::Bin => Term::InBins,
                PlaceKind::Oversize => Term::InOversize,
                PlaceKind::VacuumBag => Term::InVacuumBags,
                PlaceKind::Waste => Term::Waste,
                PlaceKind::Sample => Term::Samples,
                PlaceKind::Loss => Term::Losses,
            };
            sum.term(term, mass);
        }
        // Shares are cut at 2^-63, a mass far below a nanogram; that is no missing powder.
        if sum.difference.shown().base().is_zero() {
            sum.difference = Kg::ZERO;
        }
        Ok(sum.balance((None, None), Kg::ZERO))
    }
}
