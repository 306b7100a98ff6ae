//! Refresh ratio of a blend as it was made (C4): what went in, how much of it was fresh, and
//! whether that meets the recipe in force, by which decision rule.

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::ids::{Label, Place};
use crate::powder::events::{DecisionRule, PowderBlended};
use crate::quantity::Mass;

use super::Powder;
use super::amount::{Kg, Share};
use super::books::MoveId;
use super::figures::{self, COVERAGE_FACTOR, Component};
use super::kept::{Deed, Key, Moment};

/// Decimals of shares shown.
const SHOWN_DIGITS: u32 = 12;

/// The share of fresh powder in a blend.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct RefreshView {
    /// What went in, in order.
    pub components: Vec<RefreshPart>,
    /// Share of fresh powder (never in a build), 0 to 1.
    #[schemars(with = "String")]
    pub ratio: Decimal,
    /// Its expanded uncertainty, k = 2; `None` when a weighing states none.
    #[schemars(with = "Option<String>")]
    pub expanded_uncertainty: Option<Decimal>,
    /// Recipe the blend was made for.
    pub recipe: Option<Label>,
    /// Entry that set the recipe.
    pub recipe_entry: Option<u64>,
    /// Least share that the recipe asks for.
    #[schemars(with = "Option<String>")]
    pub minimum: Option<Decimal>,
    /// How the share is held against it.
    pub decision_rule: Option<DecisionRule>,
    /// Whether it meets it by that rule; `None` when there is no minimum, or the rule needs an
    /// uncertainty that nobody stated.
    pub accepted: Option<bool>,
}

/// One component of a blend.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct RefreshPart {
    /// Where it came from.
    pub from: Place,
    /// How much.
    pub mass: Mass,
    /// Share of it that was fresh.
    #[schemars(with = "String")]
    pub fresh_fraction: Decimal,
    /// Standard uncertainty of its weighing; `None` when the scale is not on record.
    pub standard_uncertainty: Option<Mass>,
}

impl Powder {
    /// Components of a blend as weighed, in order of going in. What a place lacked is not fresh.
    pub(crate) fn components_of(
        &self,
        d: &PowderBlended,
        moment: Moment,
        bound: MoveId,
    ) -> Vec<(Place, Component)> {
        let mut parts: Vec<_> = d.components.iter().collect();
        parts.sort_by_key(|c| c.order);
        let interval = d.scale.as_ref().and_then(|s| self.scale_interval(s, moment));
        let component = |from: &Place, mass: Kg| {
            let content = self.books.find_place(from).map(|id| self.books.content(id, bound));
            let (held, id) = content.map_or((Kg::ZERO, None), |c| (c.held, c.id));
            let mut fresh = id.map_or(Share::ZERO, |c| self.books.mark(c).fresh).decimal();
            if mass.is_positive() && mass > held {
                fresh *= held.decimal() / mass.decimal();
            }
            let limit = interval
                .and_then(|e| figures::scale_error_in_service_kg(e.decimal(), mass.decimal()));
            Component {
                mass_kg: mass.decimal(),
                fresh,
                u_kg: limit.map(|a| figures::combined_uncertainty_kg(&[a])),
            }
        };
        parts.into_iter().map(|c| (c.from.clone(), component(&c.from, Kg::of(&c.mass)))).collect()
    }

    /// The refresh of the blend that a kept fact made; `None` when it made none.
    pub(crate) fn refresh_of(&self, origin: usize) -> Option<RefreshView> {
        let kept = &self.kept[origin];
        let Deed::PowderBlended(d) = &kept.deed else { return None };
        let bound = self.books.moves_of(origin).start;
        let components = self.components_of(d, kept.moment(), bound);
        let weighed: Vec<Component> = components.iter().map(|(_, c)| *c).collect();
        let refresh = figures::refresh(&weighed)?;
        let set = d.recipe.as_ref().and_then(|name| {
            let key = Key::Recipe(name.clone());
            let last = self.books.facts_before(&self.kept, &key, kept.moment()).next_back()?;
            match &last.deed {
                Deed::RecipeSet(set) => Some((last.seq, set)),
                _ => None,
            }
        });
        let minimum = set.and_then(|(_, set)| set.fresh_percent_min);
        let minimum = minimum.map(|least| Decimal::from(least.0) / Decimal::ONE_HUNDRED);
        let rule =
            minimum.and(set).map(|(_, set)| set.decision_rule.unwrap_or(DecisionRule::Simple));
        let shown = |share: Decimal| share.round_dp(SHOWN_DIGITS).normalize();
        Some(RefreshView {
            components: components
                .into_iter()
                .map(|(from, c)| RefreshPart {
                    from,
                    mass: Mass::from_base(c.mass_kg),
                    fresh_fraction: shown(c.fresh),
                    standard_uncertainty: c.u_kg.map(|u| Mass::from_base(shown(u))),
                })
                .collect(),
            ratio: shown(refresh.ratio),
            expanded_uncertainty: refresh.u.map(|u| shown(u * COVERAGE_FACTOR)),
            recipe: d.recipe.clone(),
            recipe_entry: set.map(|(seq, _)| seq),
            minimum,
            decision_rule: rule,
            accepted: minimum.zip(rule).and_then(|(least, rule)| refresh.meets(least, rule)),
        })
    }
}
