//! Rules of using powder: what may be loaded, sieved, blended and built with.

use rust_decimal::Decimal;

use crate::common::answered;
use crate::ids::{Label, Place};
use crate::powder::ages;
use crate::powder::books::{MoveId, Only};
use crate::powder::events::{
    AgedLimit, BuildStarted, DecisionRule, LotDecision, PowderBlended, PowderLoaded, PowderSieved,
    RecipeSet,
};
use crate::powder::figures::{self, COVERAGE_FACTOR, Component};
use crate::powder::kept::{Deed, Kept, Key, Verdict};
use crate::powder::lots::{self, Life};
use crate::powder::moves::MoveKind;

use super::*;

/// Load of a hopper (gate 29).
pub(super) fn loaded(case: &mut Case<'_, '_, '_>, d: &PowderLoaded) {
    usable(case, &d.from);
    sieved_before_use(case, &d.from);
    if first_opening(case, &d.from) && answered(&d.checks, "seal_removed_whole") != Some(true) {
        let detail = match answered(&d.checks, "seal_removed_whole") {
            Some(_) => format!("`{}`: the seal was not removed whole", d.from),
            None => format!("`{}`: nobody recorded how the seal came off", d.from),
        };
        let entry = case.entry_of(case.content(&d.from).id);
        case.raise(&SEAL_NOT_SHOWN, entry, detail);
    }
    match answered(&d.checks, "bonded") {
        Some(true) => {}
        Some(false) => {
            case.raise(&NOT_BONDED, [], format!("`{}` into `{}`: not bonded", d.from, d.into));
        }
        None => {
            let detail = format!("`{}` into `{}`: not recorded", d.from, d.into);
            case.raise(&BOND_NOT_SHOWN, [], detail);
        }
    }
}

/// Whether the place is a delivered container from which nothing was taken yet.
fn first_opening(case: &Case<'_, '_, '_>, from: &Place) -> bool {
    let books = &case.powder.books;
    let Some(id) = books.find_place(from) else { return false };
    let Some(content) = books.content(id, case.bound).id else { return false };
    books.moves()[content as usize].kind == MoveKind::Received
        && !books.touches_between(id, 0, case.bound).any(|t| books.moves()[t as usize].from == id)
}

/// Powder to be used is released, in date, not on hold, not scrap.
pub(super) fn usable(case: &mut Case<'_, '_, '_>, from: &Place) {
    let Some(content) = case.content(from).id else { return };
    let (powder, moment) = (case.powder, case.moment);
    let (books, all) = (&powder.books, &powder.kept);
    for lot in lots::unreleased(books, all, content, moment) {
        let entries = Life::of(books, all, &lot, moment).entries;
        let detail = format!("lot `{lot}` in `{from}` is not released");
        case.raise(&NOT_RELEASED, entries.first().copied(), detail);
    }
    let open = lots::open_holds(books, all, moment);
    for (hold, share) in lots::on_content(books, open, content, case.bound) {
        let percent = percent(share.decimal());
        let detail = format!("{percent} % of `{from}` is on hold with lot `{}`", hold.lot);
        case.raise(&ON_HOLD, [hold.seq], detail);
    }
    let restricted = lots::restricted(books, all, moment);
    for (hold, share) in lots::on_content(books, restricted, content, case.bound) {
        let Some((decision, seq)) = hold.decided else { continue };
        let rule = if decision == LotDecision::Scrap { &SCRAPPED } else { &DOWNGRADED };
        let percent = percent(share.decimal());
        let detail = format!("{percent} % of `{from}` was decided to `{decision}`");
        case.raise(rule, [hold.seq, seq], detail);
    }
    if let Some(lot) = lots::direct_lot(books, all, content) {
        decided(case, &lot, from);
    }
    if let Some(lot) = lots::dated_lot(books, all, content) {
        in_date(case, &lot, from);
    }
}

fn decided(case: &mut Case<'_, '_, '_>, lot: &Label, from: &Place) {
    let life = Life::of(&case.powder.books, &case.powder.kept, lot, case.moment);
    if let Some(seq) = life.scrapped {
        case.raise(&SCRAPPED, [seq], format!("lot `{lot}` in `{from}` is scrap"));
    } else if let Some(seq) = life.downgraded {
        case.raise(&DOWNGRADED, [seq], format!("lot `{lot}` in `{from}` was downgraded"));
    }
}

fn in_date(case: &mut Case<'_, '_, '_>, lot: &Label, from: &Place) {
    let Some(site) = &case.fact.site else { return };
    let day = case.state.record.site(site).day(case.fact.time.at);
    let (books, all) = (&case.powder.books, &case.powder.kept);
    if let Some((expires, seq)) = lots::expires(books, all, lot, case.moment)
        && day > expires
    {
        let detail = format!("lot `{lot}` in `{from}` was to be used until {expires}");
        case.raise(&EXPIRED, [seq], detail);
    }
}

/// Gate 31: each used portion has a pass later than its last build.
pub(super) fn sieved_before_use(case: &mut Case<'_, '_, '_>, from: &Place) {
    let Some(content) = case.content(from).id else { return };
    let unsieved = case.powder.books.mark(content).unsieved;
    if !unsieved.is_zero() {
        let percent = percent(unsieved.decimal());
        let detail = format!("{percent} % of `{from}` was in a build and not sieved since");
        let entry = case.entry_of(Some(content));
        case.raise(&UNSIEVED, entry, detail);
    }
}

/// A share in percent with at most four decimals; what is less is shown as the least.
fn percent(share: Decimal) -> Decimal {
    let least = Decimal::new(1, 4);
    (share * Decimal::ONE_HUNDRED).round_dp(4).max(least).normalize()
}

/// A build starts on powder that may be used, of the recipe's material.
pub(super) fn started(case: &mut Case<'_, '_, '_>, d: &BuildStarted) {
    usable(case, &d.hopper);
    let Some(name) = &d.recipe else { return };
    let content = case.content(&d.hopper).id;
    if let (Some((recipe, seq)), Some(content)) = (recipe_of(case, name, content), content) {
        aged(case, &d.hopper, content, (name, recipe, seq));
    }
}

/// The age of the powder of a build against the recipe. `simple`: the share known to be old is held
/// against the limit, and where powder of unknown age could lift it above, that is told.
/// `guarded`: powder of unknown age counts as old. Hours are those of the powder of known source.
fn aged(
    case: &mut Case<'_, '_, '_>,
    hopper: &Place,
    content: MoveId,
    (name, recipe, seq): (&Label, &RecipeSet, u64),
) {
    if recipe.aged.is_none() && recipe.mean_hours_max.is_none() {
        return;
    }
    let ages = ages::of_content(&case.powder.books, &case.powder.kept, content);
    let unknown = ages.unknown.decimal();
    if let Some(AgedLimit { builds, percent_max }) = &recipe.aged {
        let limit = Decimal::from(percent_max.0) / Decimal::ONE_HUNDRED;
        let old = ages.at_least(usize::from(builds.0)).decimal();
        let rule = recipe.decision_rule.unwrap_or(DecisionRule::Simple);
        let told = |share: Decimal| (share * Decimal::ONE_HUNDRED).round_dp(4).normalize();
        let detail = format!(
            "{} % of `{hopper}` went through {} builds or more, of {} % nobody knows; recipe \
             `{name}` allows {} % ({rule})",
            told(old),
            builds.0,
            told(unknown),
            percent_max.0
        );
        let counted = match rule {
            DecisionRule::Simple => old,
            DecisionRule::Guarded => old + unknown,
        };
        if counted > limit {
            case.raise(&AGED_ABOVE, [seq], detail);
        } else if old + unknown > limit {
            case.raise(&AGED_UNDECIDED, [seq], detail);
        }
    }
    if let Some(most) = &recipe.mean_hours_max
        && ages.mean_hours > most.base()
    {
        let hours = ages.mean_hours.round_dp(2).normalize();
        let detail = format!(
            "`{hopper}` was {hours} h at temperature on average, recipe `{name}` allows {most}"
        );
        case.raise(&AGED_ABOVE, [seq], detail);
    }
}

/// The recipe in force, when it is known; raises when it is not, or is of another material.
fn recipe_of<'a>(
    case: &mut Case<'a, '_, '_>,
    recipe: &Label,
    content: Option<MoveId>,
) -> Option<(&'a RecipeSet, u64)> {
    let powder = case.powder;
    let key = Key::Recipe(recipe.clone());
    let set = powder.books.facts_before(&powder.kept, &key, case.moment).next_back();
    let Some(kept @ Kept { deed: Deed::RecipeSet(set), .. }) = set else {
        case.raise(&RECIPE_UNKNOWN, [], format!("recipe `{recipe}` was never set"));
        return None;
    };
    if let Some(content) = content
        && let Only::One(id) = powder.books.mark(content).material
        && *powder.books.material(id) != set.material
    {
        let found = powder.books.material(id);
        let detail = format!("`{found}` where recipe `{recipe}` asks for `{}`", set.material);
        case.raise(&RECIPE_MATERIAL, [kept.seq], detail);
    }
    Some((set, kept.seq))
}

/// A sieve is sound and of the aperture that the recipe asks for.
pub(super) fn sieved(case: &mut Case<'_, '_, '_>, d: &PowderSieved) {
    let powder = case.powder;
    let verdicts = powder.sieve_verdicts(&d.sieve, case.moment);
    let last = verdicts.last();
    if let Some(((_, seq), Verdict::Fail | Verdict::Out)) = last {
        let detail = format!("sieve `{}` was found failed or taken out", d.sieve);
        case.raise(&SIEVE_NOT_SOUND, [*seq], detail);
    }
    let fitted = powder.fitted(&d.sieve, case.moment);
    if let Some((seq, spec)) = fitted.and_then(|kept| Some((kept.seq, kept.fitted(&d.sieve)?))) {
        let aperture = spec.aperture.as_ref().is_none_or(|a| a.base() == d.aperture.base());
        let same = match (&spec.spec_id, &d.spec_id) {
            (Some(fitted), Some(told)) => fitted == told,
            (Some(_) | None, Some(_) | None) => true,
        };
        if !aperture || !same {
            let detail = format!("{} is not what sieve `{}` was fitted as", d.aperture, d.sieve);
            case.raise(&APERTURE_FITTED, [seq], detail);
        }
    }
    aperture_of_recipes(case, d);
    let (alarms, baseline) = powder.alarms_of(&case.fact.subject, d, case.moment);
    for alarm in alarms {
        let side = if alarm.above { "above" } else { "below" };
        let detail = format!(
            "sieve `{}`: `{}` of {} is {side} the limits of its first passes",
            d.sieve, alarm.figure, alarm.value
        );
        case.raise(&SIEVE_TREND, baseline.iter().copied(), detail);
    }
}

/// A pass names no recipe: any recipe for the material of the powder will do.
fn aperture_of_recipes(case: &mut Case<'_, '_, '_>, d: &PowderSieved) {
    let powder = case.powder;
    let Some(content) = case.content(&d.from).id else { return };
    let Only::One(material) = powder.books.mark(content).material else { return };
    let material = powder.books.material(material);
    let (mut asked, mut entries) = (Vec::new(), Vec::new());
    for (name, key) in powder.books.recipes() {
        let set = powder.books.facts_before(&powder.kept, key, case.moment).next_back();
        let Some(Kept { deed: Deed::RecipeSet(recipe), seq, .. }) = set else { continue };
        let Some(aperture) = recipe.aperture.as_ref().filter(|_| recipe.material == *material)
        else {
            continue;
        };
        let spec = recipe.spec_id.is_none() || recipe.spec_id == d.spec_id;
        if aperture.base() == d.aperture.base() && spec {
            return;
        }
        let spec = recipe.spec_id.as_ref().map_or("any specification", Label::as_str);
        asked.push(format!("`{name}` asks for {aperture} ({spec})"));
        entries.push(*seq);
    }
    if !asked.is_empty() {
        let spec = d.spec_id.as_ref().map_or("no specification", Label::as_str);
        let detail = format!("{} ({spec}); {}", d.aperture, asked.join(", "));
        case.raise(&APERTURE_RECIPE, entries, detail);
    }
}

/// Components may be used, and the fresh share is the recipe's (gate 32, C4).
pub(super) fn blended(case: &mut Case<'_, '_, '_>, d: &PowderBlended) {
    let mut places: Vec<&Place> = d.components.iter().map(|c| &c.from).collect();
    places.sort_unstable();
    places.dedup();
    for from in &places {
        usable(case, from);
        sieved_before_use(case, from);
    }
    let Some(name) = &d.recipe else { return };
    let first = d.components.first().and_then(|c| case.content(&c.from).id);
    let Some((recipe, seq)) = recipe_of(case, name, first) else { return };
    let Some(least) = recipe.fresh_percent_min else { return };
    let least = Decimal::from(least.0) / Decimal::ONE_HUNDRED;
    let components = case.powder.components_of(d, case.moment, case.bound);
    let components: Vec<Component> = components.into_iter().map(|(_, c)| c).collect();
    let Some(refresh) = figures::refresh(&components) else { return };
    let rule = recipe.decision_rule.unwrap_or(DecisionRule::Simple);
    let (shown, limit) = (percent(refresh.ratio), percent(least));
    match (refresh.meets(least, rule), refresh.u) {
        (Some(true), _) => {}
        (Some(false), Some(u)) if rule == DecisionRule::Guarded => {
            let u = percent(u * COVERAGE_FACTOR);
            let detail = format!(
                "{shown} % fresh with U = {u} % (k = 2), recipe `{name}` asks for {limit} % (guarded)"
            );
            case.raise(&REFRESH_BELOW, [seq], detail);
        }
        (Some(false), _) => {
            let detail = format!("{shown} % fresh, recipe `{name}` asks for {limit} % (simple)");
            case.raise(&REFRESH_BELOW, [seq], detail);
        }
        (None, _) => {
            let detail = format!("{shown} % fresh; the weighings state no uncertainty");
            case.raise(&REFRESH_UNDECIDED, [seq], detail);
        }
    }
}
