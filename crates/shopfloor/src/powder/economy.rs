//! Refresh economics of a site as they were (C13): what was drawn, how much of it was fresh, what
//! became parts, what was lost, and how much waste a kilogram of parts made.

use jiff::Timestamp;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::ids::{Label, PlaceKind};
use crate::quantity::Mass;

use super::Powder;
use super::amount::Kg;
use super::balance::Term;
use super::books::{Move, Origin};
use super::figures;
use super::moves::MoveKind;
use super::site::SiteBooks;
use super::views::LISTED_MAX;

/// Decimals of ratios shown.
const SHOWN_DIGITS: u32 = 6;

/// Refresh economics of a site and period. Ratios have six decimals.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Economy {
    /// Begin of the period, ms since 1970 UTC.
    pub from_ms: i64,
    /// End of the period (not included), ms since 1970 UTC.
    pub to_ms: i64,
    /// M: powder that builds drew.
    pub drawn: Mass,
    /// Of it, powder that was never in a build.
    pub fresh: Mass,
    /// What became parts.
    pub parts: Mass,
    /// What was lost: oversize, vacuumed, spilled.
    pub lost: Mass,
    /// Powder that went into waste containers.
    pub waste: Mass,
    /// r: share of fresh powder in what was drawn; `None` when nothing was drawn.
    #[schemars(with = "Option<String>")]
    pub refresh: Option<Decimal>,
    /// p: share that became parts.
    #[schemars(with = "Option<String>")]
    pub part_share: Option<Decimal>,
    /// l: share that was lost.
    #[schemars(with = "Option<String>")]
    pub lost_share: Option<Decimal>,
    /// p + l: the refresh ratio at which no aged powder is left over. Below it the stock of used
    /// powder shrinks.
    #[schemars(with = "Option<String>")]
    pub self_sustaining: Option<Decimal>,
    /// (r - p - l) M: aged powder that such a ratio leaves over in steady state; negative when the
    /// stock of used powder shrinks.
    pub surplus: Option<Mass>,
    /// (r - p) M: waste that such a ratio makes in steady state.
    pub waste_expected: Option<Mass>,
    /// Measured waste per kg of parts; `None` when no parts were made.
    #[schemars(with = "Option<String>")]
    pub waste_per_kg_parts: Option<Decimal>,
    /// (r - p) / p.
    #[schemars(with = "Option<String>")]
    pub waste_per_kg_parts_expected: Option<Decimal>,
    /// Measured waste minus expected. Well above zero: a discard is missing in the blending records
    /// or the ratio is wrong. Well below: waste is missing in the waste record, or stock grows.
    pub waste_above_expected: Option<Mass>,
    /// What the stock of powder of the site grew by.
    pub stock_growth: Mass,
    /// Price of the fresh powder, when a price per kg was given.
    #[schemars(with = "Option<String>")]
    pub fresh_cost: Option<Decimal>,
    /// Draws it rests on, in order of work (at most [`LISTED_MAX`]).
    pub entries: Vec<u64>,
    /// How many.
    pub entries_total: usize,
}

impl Powder {
    /// Refresh economics of a site over a period (start included, end not). `price_per_kg` of
    /// fresh powder, in any currency.
    ///
    /// Source: mass balance, derived (computations.md C13).
    pub fn economy(
        &self,
        site: &Label,
        from: Timestamp,
        to: Timestamp,
        price_per_kg: Option<Decimal>,
    ) -> Economy {
        let here = SiteBooks::new(self, site);
        let sum = here.summed(from, to);
        let (mut drawn, mut fresh, mut lost) = (Kg::ZERO, Kg::ZERO, Kg::ZERO);
        let mut entries = Vec::new();
        let bound = |at: Timestamp| self.books.moves_before(&self.kept, (at.as_millisecond(), 0));
        for id in bound(from)..bound(to) {
            let moved = self.books.moves()[id as usize];
            if !here.is_here(moved.into) {
                continue;
            }
            if moved.kind == MoveKind::Drawn {
                drawn += moved.mass;
                if let Origin::Content(content) = self.books.links()[id as usize].origin() {
                    fresh += moved.mass.times(self.books.mark(content).fresh);
                }
                entries.push(self.seq_of_move(id));
            } else if self.is_lost(&moved) {
                lost += moved.mass;
            }
        }
        let (parts, waste) = (sum.mass(Term::Parts), sum.mass(Term::Waste));
        let ratio =
            |part: Kg, whole: Kg| whole.is_positive().then(|| part.decimal() / whole.decimal());
        let shares = ratio(fresh, drawn).zip(ratio(parts, drawn)).zip(ratio(lost, drawn));
        let steady = shares.map(|((r, p), l)| {
            figures::economics(drawn.decimal(), p, l, r, price_per_kg.unwrap_or_default())
        });
        let shown = |value: Decimal| value.round_dp(SHOWN_DIGITS).normalize();
        let mass = |kg: Decimal| Mass::from_base(shown(kg));
        Economy {
            from_ms: from.as_millisecond(),
            to_ms: to.as_millisecond(),
            drawn: drawn.shown(),
            fresh: fresh.shown(),
            parts: parts.shown(),
            lost: lost.shown(),
            waste: waste.shown(),
            refresh: shares.map(|((r, _), _)| shown(r)),
            part_share: shares.map(|((_, p), _)| shown(p)),
            lost_share: shares.map(|(_, l)| shown(l)),
            self_sustaining: steady.map(|s| shown(s.self_sustaining)),
            surplus: steady.map(|s| mass(s.surplus_kg)),
            waste_expected: steady.map(|s| mass(s.waste_kg)),
            waste_per_kg_parts: ratio(waste, parts).map(shown),
            waste_per_kg_parts_expected: steady.and_then(|s| s.waste_per_kg_parts).map(shown),
            waste_above_expected: steady.map(|s| mass(waste.decimal() - s.waste_kg)),
            stock_growth: (sum.mass(Term::Closing) - sum.mass(Term::Opening)).shown(),
            fresh_cost: price_per_kg.and(steady).map(|s| shown(s.fresh_cost)),
            entries_total: entries.len(),
            entries: entries.into_iter().take(LISTED_MAX).collect(),
        }
    }

    /// Whether a move takes powder out of the cycle on its way to waste.
    fn is_lost(&self, moved: &Move) -> bool {
        let lost = |kind: Option<PlaceKind>| {
            matches!(kind, Some(PlaceKind::Oversize | PlaceKind::VacuumBag | PlaceKind::Loss))
        };
        let kind = |id| self.books.kind_of(id);
        moved.kind != MoveKind::Overdrawn && lost(kind(moved.into)) && !lost(kind(moved.from))
    }
}
