//! Impact (C8): a sieve was torn, a scale was wrong, a lot was bad. From the last time it was
//! known good to when it was found failed: what was done with it, where did that powder go, and
//! what is still to be put on hold?

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use crate::common::Outcome;
use crate::forms::words;
use crate::ids::{Label, Place, Subject};
use crate::quantity::Mass;

use super::Powder;
use super::amount::Kg;
use super::books::MoveId;
use super::genealogy::{Met, Reach};
use super::kept::{Deed, Key, Moment, Verdict};
use super::lots::{self, Hold, Life};
use super::moves::MoveKind;
use super::trace::{self, Seeds};
use super::views::{AsOf, LISTED_MAX, Unanswered};

/// What is suspect.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Suspect {
    /// A sieve, by serial: what passed it.
    Sieve(Label),
    /// A scale, by label: what was weighed on it.
    Scale(Label),
    /// A lot: all of it.
    Lot(Label),
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImpactQuestion {
    /// What is suspect.
    pub suspect: Suspect,
    /// Entry that found it failed; `None`: the latest such entry, or, when there is none, the
    /// moment of the question.
    pub found: Option<u64>,
    /// Uncertainty of the clocks, ms: widens the window on both sides.
    pub clock_uncertainty_ms: i64,
}

words! {
    /// Where the window of suspicion begins.
    pub enum WindowStart {
        /// At the last time it was found in order.
        LastPass = "last_pass",
        /// No pass is on record: when it was put in.
        Installation = "installation",
        /// Neither is on record: at the beginning of the log.
        BeginningOfLog = "beginning_of_log",
        /// A lot is suspect as a whole.
        WholeLot = "whole_lot",
    }
}

/// A use within the window.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SuspectUse {
    /// Entry of the use.
    pub entry: u64,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// What the entry is about.
    pub subject: Subject,
    /// Mass that is suspect by it.
    pub mass: Mass,
    /// Where it went.
    pub into: Vec<Place>,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Impact {
    /// What is suspect, for example `sieve/SV-7`.
    pub suspect: String,
    /// Why the window begins where it does.
    pub window_start: WindowStart,
    /// Entry the window begins at.
    pub good_entry: Option<u64>,
    /// Begin of the window (included), ms since 1970 UTC, clock uncertainty taken off.
    pub from_ms: Option<i64>,
    /// Entry that found it failed.
    pub failed_entry: Option<u64>,
    /// End of the window (not included), ms since 1970 UTC, clock uncertainty added.
    pub to_ms: Option<i64>,
    /// Uses in the window, in order of work (at most [`LISTED_MAX`]).
    pub uses: Vec<SuspectUse>,
    /// How many uses.
    pub uses_total: usize,
    /// What the powder of these uses reached. Fractions: f(seed) = 1, f(unaffected) = 0,
    /// f(blend) = sum of w_i f(i); an upper bound for dilution, not a permission to release.
    pub reach: Reach,
    /// Lot under whose label a hold of the places `reach.to_hold` is recorded (`lot.held` with
    /// `scope`): the one most of the first suspect powder came from. `None` when its source is
    /// unknown or nothing is suspect.
    pub hold_under: Option<Label>,
    /// Whether everything that was reached and could still be used or handed on was decided on by
    /// two people since the failure: nothing is left to hold and nothing waits for a decision.
    pub settled: bool,
}

/// The window of suspicion.
struct Window {
    start: WindowStart,
    good: Option<Moment>,
    failed: Option<Moment>,
    from_ms: Option<i64>,
    to_ms: Option<i64>,
}

impl Window {
    fn holds(&self, time_ms: i64) -> bool {
        self.from_ms.is_none_or(|from| time_ms >= from) && self.to_ms.is_none_or(|to| time_ms < to)
    }
}

impl Powder {
    /// What a failed sieve, a failed scale or a bad lot reached.
    ///
    /// A use at the very moment of the last pass counts as suspect, one at the moment it was found
    /// failed does not (with no clock uncertainty).
    pub fn impact(&self, question: &ImpactQuestion, as_of: AsOf) -> Result<Impact, Unanswered> {
        let (moment, bound) = self.bound(as_of)?;
        let (name, window, uses) = match &question.suspect {
            Suspect::Sieve(serial) => {
                let verdicts = self.sieve_verdicts(serial, moment);
                if !self.knows_sieve(serial) && verdicts.is_empty() {
                    return Err(Unanswered::Sieve(serial.clone()));
                }
                let window = window(&verdicts, question, self)?;
                let passes = self.books.facts(&Key::Passes(serial.clone()));
                let uses = passes
                    .map(|i| i as usize)
                    .filter(|i| self.kept.moment(*i) < moment)
                    .filter(|i| window.holds(self.kept.moment(*i).0))
                    .collect();
                (format!("sieve/{serial}"), window, uses)
            }
            Suspect::Scale(scale) => {
                let verdicts = self.scale_verdicts(scale, moment);
                let window = window(&verdicts, question, self)?;
                let uses = self.weighed_on(scale, &window, moment);
                if verdicts.is_empty() && uses.is_empty() {
                    return Err(Unanswered::Scale(scale.clone()));
                }
                (format!("scale/{scale}"), window, uses)
            }
            Suspect::Lot(lot) => {
                let life = Life::of(&self.books, &self.kept, lot, moment);
                let origin = life.origin.ok_or_else(|| Unanswered::Lot(lot.clone()))?;
                let window = Window {
                    start: WindowStart::WholeLot,
                    good: None,
                    failed: None,
                    from_ms: None,
                    to_ms: None,
                };
                (format!("lot/{lot}"), window, vec![origin])
            }
        };
        let seeds = match &question.suspect {
            Suspect::Lot(lot) => {
                let life = Life::of(&self.books, &self.kept, lot, moment);
                lots::whole_lot(&self.books, &self.kept, lot, &life)
            }
            Suspect::Sieve(_) => self.seeds_by(&uses, |kind| kind == MoveKind::Sieved),
            Suspect::Scale(_) => self.seeds_by(&uses, |kind| kind != MoveKind::Overdrawn),
        };
        let mut met = Met::new(&self.books, &seeds);
        let walk = trace::forward_with(&self.books, seeds, bound, |id, share| {
            met.moved(&self.books, id, share);
        });
        // A hold from before the failure was about something else.
        let answers = |hold: &Hold| match (&question.suspect, window.failed) {
            (Suspect::Lot(_), _) | (_, None) => true,
            (Suspect::Sieve(_) | Suspect::Scale(_), Some(failed)) => hold.moment >= failed,
        };
        let reach = self.reach(&walk, &met, (moment, bound), answers);
        let suspect_kind = |kind: MoveKind| match &question.suspect {
            Suspect::Sieve(_) => kind == MoveKind::Sieved,
            Suspect::Scale(_) | Suspect::Lot(_) => kind != MoveKind::Overdrawn,
        };
        Ok(Impact {
            suspect: name,
            window_start: window.start,
            good_entry: window.good.map(|m| m.1),
            from_ms: window.from_ms,
            failed_entry: window.failed.map(|m| m.1),
            to_ms: window.to_ms,
            uses_total: uses.len(),
            hold_under: match &question.suspect {
                Suspect::Lot(lot) => Some(lot.clone()),
                Suspect::Sieve(_) | Suspect::Scale(_) => self.main_lot(&uses),
            },
            settled: reach.to_hold_total == 0 && reach.on_hold_total == 0,
            uses: uses
                .iter()
                .take(LISTED_MAX)
                .map(|i| self.suspect_use(*i, suspect_kind))
                .collect(),
            reach,
        })
    }

    fn seeds_by(&self, uses: &[usize], wanted: impl Fn(MoveKind) -> bool) -> Seeds {
        let moves = uses.iter().flat_map(|i| self.books.moves_of(*i));
        let wanted = |m: &MoveId| wanted(self.books.moves()[*m as usize].kind);
        Seeds::of_moves(moves.filter(wanted).collect())
    }

    /// The lot that most of what the first of these uses moved came from.
    fn main_lot(&self, uses: &[usize]) -> Option<Label> {
        let mut moves = uses.iter().flat_map(|i| self.books.moves_of(*i));
        let content = moves.find(|m| {
            self.books.moves()[*m as usize].kind != MoveKind::Overdrawn
                && !self.books.mark(*m).known.is_zero()
        })?;
        let lots = trace::composition(&self.books, content).lots;
        lots.first().map(|(lot, _)| self.books.lot(*lot).clone())
    }

    fn suspect_use(&self, at: usize, wanted: impl Fn(MoveKind) -> bool) -> SuspectUse {
        let kept = &self.kept[at];
        let moves: Vec<_> = self
            .books
            .moves_of(at)
            .map(|m| self.books.moves()[m as usize])
            .filter(|m| wanted(m.kind))
            .collect();
        let mut into: Vec<Place> =
            moves.iter().filter_map(|m| self.books.place(m.into).cloned()).collect();
        into.sort_unstable();
        into.dedup();
        SuspectUse {
            entry: kept.seq,
            time_ms: kept.time_ms,
            subject: kept.subject.clone(),
            mass: moves.iter().map(|m| m.mass).sum::<Kg>().shown(),
            into,
        }
    }

    /// What was recorded about a sieve before a moment: fittings, inspections, removals.
    pub(crate) fn sieve_verdicts(&self, serial: &Label, moment: Moment) -> Vec<(Moment, Verdict)> {
        let mut verdicts = Vec::new();
        // Each with when the sieve came there first: what was before is of no interest.
        let mut positions = BTreeMap::new();
        for kept in self.books.facts_before(&self.kept, &Key::Part(serial.clone()), moment) {
            verdicts.extend(kept.verdict_on(serial).map(|v| (kept.moment(), v)));
            let position = match &kept.deed {
                Deed::PartSwapped(d) => Some(&d.position),
                Deed::PartFitted(d) => Some(&d.position),
                _ => None,
            };
            if let (Some(machine), Some(position)) = (kept.label(), position) {
                positions.entry((machine, position.clone())).or_insert(kept.moment());
            }
        }
        // Inspections that name no serial are about whatever sat in the position then.
        for ((machine, position), first) in positions {
            let mut sits = None;
            let key = Key::Position(machine, position);
            for kept in self.books.facts_between(&self.kept, &key, Some(first), moment) {
                match &kept.deed {
                    Deed::PartSwapped(d) => sits = Some(&d.fitted.serial),
                    Deed::PartFitted(d) => sits = Some(&d.fitted.serial),
                    Deed::PartRemoved(_) => sits = None,
                    Deed::InspectionDone(_) if sits == Some(serial) => {
                        verdicts.extend(kept.verdict_on(serial).map(|v| (kept.moment(), v)));
                    }
                    _ => {}
                }
            }
        }
        verdicts.sort_by_key(|(moment, _)| *moment);
        verdicts
    }

    fn scale_verdicts(&self, scale: &Label, moment: Moment) -> Vec<(Moment, Verdict)> {
        let facts = |key: Key| self.books.facts_before(&self.kept, &key, moment);
        let registered = facts(Key::Scale(scale.clone()));
        let mut verdicts: Vec<_> =
            registered.map(|kept| (kept.moment(), Verdict::Fitted)).collect();
        for kept in facts(Key::ScaleCheck(scale.clone())) {
            if let Deed::CheckDone(d) = &kept.deed {
                let verdict = match d.result {
                    Outcome::Pass => Verdict::Pass,
                    Outcome::Fail => Verdict::Fail,
                };
                verdicts.push((kept.moment(), verdict));
            }
        }
        verdicts.sort_by_key(|(moment, _)| *moment);
        verdicts
    }

    /// Facts whose masses were read on a scale within a window.
    fn weighed_on(&self, scale: &Label, window: &Window, moment: Moment) -> Vec<usize> {
        let first = window.from_ms.map_or(0, |from| self.kept.before_ms(from));
        (first..self.kept.len())
            .take_while(|i| self.kept.moment(*i) < moment && window.holds(self.kept.moment(*i).0))
            .filter(|i| self.kept[*i].weighed_on(scale))
            .collect()
    }
}

/// The window from the last pass (else the installation, else the beginning) to the failure.
fn window(
    verdicts: &[(Moment, Verdict)],
    question: &ImpactQuestion,
    powder: &Powder,
) -> Result<Window, Unanswered> {
    let failed = match question.found {
        Some(seq) => {
            let at = powder.books.kept_of(seq).ok_or(Unanswered::Entry(seq))?;
            Some(powder.kept[at].moment())
        }
        None => verdicts.iter().rev().find(|(_, v)| *v == Verdict::Fail).map(|(m, _)| *m),
    };
    let earlier = || verdicts.iter().rev().filter(|(m, _)| failed.is_none_or(|f| *m < f));
    let find = |wanted| earlier().find(|(_, v)| *v == wanted).map(|(m, _)| *m);
    let (start, good) = match (find(Verdict::Pass), find(Verdict::Fitted)) {
        (Some(pass), _) => (WindowStart::LastPass, Some(pass)),
        (None, Some(fitted)) => (WindowStart::Installation, Some(fitted)),
        (None, None) => (WindowStart::BeginningOfLog, None),
    };
    let clock_ms = question.clock_uncertainty_ms.max(0);
    Ok(Window {
        start,
        good,
        failed,
        from_ms: good.map(|m| m.0.saturating_sub(clock_ms)),
        to_ms: failed.map(|m| m.0.saturating_add(clock_ms)),
    })
}
