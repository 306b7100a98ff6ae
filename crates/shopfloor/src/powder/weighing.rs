//! What is known of the weighings behind masses: scales, their limits of error, counts of places.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;

use crate::fact::Fact;
use crate::finding::{Findings, Rule};
use crate::ids::{Label, Place};

use super::Powder;
use super::amount::Kg;
use super::books::MoveId;
use super::kept::{Deed, Key, Moment};
use super::moves::MoveKind;
use super::rules::{COUNT_DIFFERS, COUNT_UNDECIDED, MORE_OUT, OVERDRAWN};
use super::views::CountView;

/// Rules whose findings end when what they were raised for is put right elsewhere.
const ACCOUNT_RULES: &[Rule] = &[OVERDRAWN, MORE_OUT, COUNT_DIFFERS, COUNT_UNDECIDED];

/// Findings of the account: the rule, and the entry that raised it.
pub(crate) type AccountFindings = BTreeSet<(&'static Rule, u64)>;

/// Limits of error of the weighings behind one mass, and the scale.
pub(super) struct Weighed<'a> {
    pub(super) scale: &'a Label,
    pub(super) weighings: usize,
    /// Sum of the squares of the limits of error.
    pub(super) squares_kg2: Decimal,
}

/// A count of a place as the books see it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Count {
    pub(crate) kept: usize,
    pub(crate) seq: u64,
    /// Number of moves before it.
    pub(crate) bound: MoveId,
    pub(crate) counted: Kg,
    pub(crate) book: Kg,
}

impl Count {
    pub(crate) fn view(self) -> CountView {
        CountView {
            entry: self.seq,
            counted: self.counted.shown(),
            book: self.book.shown(),
            missing: (self.book - self.counted).shown(),
        }
    }
}

/// Verification intervals of the scales, looked up once per question.
pub(super) struct Scales<'a> {
    powder: &'a Powder,
    known: BTreeMap<&'a Label, Vec<(Moment, Kg)>>,
}

impl<'a> Scales<'a> {
    pub(super) fn new(powder: &'a Powder) -> Self {
        let mut known: BTreeMap<&Label, Vec<(Moment, Kg)>> = BTreeMap::new();
        for (label, key) in powder.books.scales() {
            let intervals = powder.books.facts(key).filter_map(|i| {
                let kept = &powder.kept[i as usize];
                match &kept.deed {
                    Deed::EquipmentRegistered(d) => {
                        Some((kept.moment(), Kg::of(&d.scale.as_ref()?.interval)))
                    }
                    _ => None,
                }
            });
            known.insert(label, intervals.collect());
        }
        Self { powder, known }
    }

    /// Verification interval of a scale at a moment.
    pub(super) fn interval(&self, scale: &Label, moment: Moment) -> Option<Kg> {
        let intervals = self.known.get(scale)?;
        let at = intervals.partition_point(|(since, _)| *since <= moment);
        at.checked_sub(1).map(|i| intervals[i].1).filter(|e| e.is_positive())
    }

    /// Squares of the limits of error of these loads on one scale.
    pub(super) fn loads<'s>(
        &self,
        moment: Moment,
        scale: &'s Label,
        loads: &[Kg],
    ) -> Option<Weighed<'s>> {
        let e = self.interval(scale, moment)?;
        let mut squares_kg2 = Decimal::ZERO;
        for load in loads {
            // Table 6 of OIML R 76-1 with the factor 2 in service, as in `figures`.
            let steps = if load.abs() <= e.times_whole(500) {
                1
            } else if load.abs() <= e.times_whole(2000) {
                2
            } else {
                3
            };
            let limit = e.times_whole(steps).decimal();
            squares_kg2 += limit * limit;
        }
        Some(Weighed { scale, weighings: loads.len(), squares_kg2 })
    }

    /// What is known of the weighing behind a booked move.
    pub(super) fn of_move(&self, id: MoveId) -> Option<Weighed<'a>> {
        let moved = self.powder.books.moves()[id as usize];
        let kept = &self.powder.kept[moved.kept as usize];
        match (&kept.deed, moved.kind) {
            (Deed::LotReceived(d), _) => {
                let into = self.powder.books.place(moved.into)?;
                let container = d.containers.iter().find(|c| c.id.as_str() == into.id())?;
                let loads = [Kg::of(&container.gross), Kg::of(&container.tare)];
                self.loads(kept.moment(), d.scale.as_ref()?, &loads)
            }
            (Deed::BuildFinished(d), MoveKind::Drawn) => {
                // Hopper before and after: the load is not on record; the drawn mass is the
                // smallest it can have been.
                self.loads(kept.moment(), d.hopper_scale.as_ref()?, &[moved.mass, moved.mass])
            }
            (Deed::BagChanged(d), _) => {
                let loads = [Kg::of(&d.bag.gross), Kg::of(&d.bag.tare)];
                self.loads(kept.moment(), d.scale.as_ref()?, &loads)
            }
            _ => self.loads(kept.moment(), kept.scale()?, &[moved.mass]),
        }
    }

    /// What is known of the weighing behind a count.
    pub(super) fn of_count(&self, count: &Count) -> Option<Weighed<'a>> {
        let kept = &self.powder.kept[count.kept];
        match &kept.deed {
            // Net found as gross minus tare from two weighings counts both.
            Deed::ContainerWeighed(d) => {
                let gross = Kg::of(&d.gross);
                self.loads(kept.moment(), &d.scale, &[gross, gross - count.counted])
            }
            _ => self.loads(kept.moment(), kept.scale()?, &[count.counted]),
        }
    }
}

impl Powder {
    /// Counts of a place before a moment, in order of work. A waste container is counted by
    /// weighing it: gross minus the tare of its opening.
    pub(crate) fn counts(&self, place: &Place, moment: Moment) -> Vec<Count> {
        let mut tare = None;
        let mut counts = Vec::new();
        for i in self.books.facts(&Key::Counted(place.clone())) {
            if self.kept.moment(i as usize) >= moment {
                break;
            }
            let kept = &self.kept[i as usize];
            let counted = match &kept.deed {
                Deed::StockCounted(d) => Kg::of(&d.mass),
                Deed::ContainerOpened(d) => {
                    tare = Some(Kg::of(&d.tare));
                    continue;
                }
                Deed::ContainerWeighed(d) => match tare {
                    Some(tare) => Kg::of(&d.gross) - tare,
                    None => continue,
                },
                _ => continue,
            };
            let bound = self.books.moves_of(i as usize).start;
            let id = self.books.find_place(place);
            counts.push(Count {
                kept: i as usize,
                seq: kept.seq,
                bound,
                counted,
                book: id.map_or(Kg::ZERO, |id| self.books.content(id, bound).held),
            });
        }
        counts
    }

    /// Whether a fact says anything to this account.
    pub(crate) fn concerns(fact: &Fact) -> bool {
        Deed::of(&fact.event).is_some()
    }

    /// Findings about work at or after a moment that hold by the books as they are now, as rule
    /// and raising entry: more was taken than was there, or a count does not agree. Other rules are
    /// judged once, on what was known then.
    pub(crate) fn account_findings(&self, findings: &Findings, from_ms: i64) -> AccountFindings {
        let raised = |rule| findings.raised_since(rule, from_ms).map(move |seq| (rule, seq));
        let raised = ACCOUNT_RULES.iter().flat_map(raised);
        raised.filter(|(rule, seq)| self.holds_now(rule, *seq)).collect()
    }

    fn holds_now(&self, rule: &Rule, seq: u64) -> bool {
        let Some(at) = self.books.kept_of(seq) else { return false };
        if [OVERDRAWN, MORE_OUT].contains(rule) {
            let mut moves = self.books.moves_of(at);
            return moves.any(|m| self.books.moves()[m as usize].kind == MoveKind::Overdrawn);
        }
        let kept = &self.kept[at];
        match &kept.deed {
            Deed::StockCounted(d) => {
                let bound = self.books.moves_of(at).start;
                let (mass, scale) = (Kg::of(&d.mass), d.scale.as_ref());
                let balance = self.count_against(&d.place, mass, scale, kept.moment(), bound);
                !balance.unaccounted.base().is_zero() && balance.closed != Some(true)
            }
            _ => false,
        }
    }

    /// The latest count before a moment.
    pub(crate) fn last_count(&self, place: &Place, moment: Moment) -> Option<Count> {
        self.counts(place, moment).pop()
    }

    /// Verification interval of a scale at a moment, when it is on record.
    pub(crate) fn scale_interval(&self, scale: &Label, moment: Moment) -> Option<Kg> {
        Scales::new(self).interval(scale, moment)
    }
}
