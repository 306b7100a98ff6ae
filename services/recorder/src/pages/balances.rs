//! Whether books close: of a site month by month, with what a kilogram of parts cost; of a lot, a
//! place or a build on its own page.

use actix_web::{HttpRequest, HttpResponse};
use rust_decimal::Decimal;
use shopfloor::common::Day;
use shopfloor::powder::balance::Balance;
use shopfloor::quantity::Mass;

use super::parts::{Block, BlocksPage, Cell, Table, facts};
use super::things::percent;
use super::visit::{self, Visit};
use super::words::Words;
use crate::api::powder::{months, span};

/// Months shown on the page of balances.
const MONTHS_SHOWN: i64 = 12;

/// Whether the books of each site close, month by month, and what a kilogram of parts cost.
pub(crate) async fn balances(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let words = visit.words;
        // Working these out takes long: on a copy, so that the writer does not wait.
        let state = visit.recorder.log.state();
        let mut blocks = Vec::new();
        for site in visit.sites(&state) {
            let zone = visit.zone(&state, Some(&site));
            let today = visit.now.to_zoned_datetime(zone.clone()).date();
            let first =
                today.first_of_month().saturating_sub(jiff::Span::new().months(MONTHS_SHOWN - 1));
            let days = (Day(first), Day(today));
            let bounds = months(days, &zone)?;
            let balances = state.powder.site_balances(&site, &bounds);
            blocks.push(Block::Heading(site.to_string()));
            let kg = |mass: Option<&Mass>| match mass {
                Some(m) => {
                    Cell::Number(words.number(&m.base().round_dp(3).normalize().to_string()))
                }
                None => Cell::maybe(None::<String>),
            };
            let rows = balances.iter().rev().map(|b| {
                let closed = verdict(words, b);
                let begin = words.moment(b.from_ms.unwrap_or(0), &zone);
                vec![
                    Cell::Text(begin.split(' ').next().unwrap_or_default().to_owned()),
                    kg(Some(&b.unaccounted)),
                    kg(b.expanded_uncertainty.as_ref()),
                    kg(Some(&b.cumulative)),
                    figure(words, b.normalised_error),
                    closed,
                    Cell::Entries(b.entries.clone()),
                ]
            });
            let columns =
                ["month", "unaccounted", "uncertainty", "cumulative", "e_n", "standing", "entries"];
            blocks.push(Block::Table(Table::new(words, "balance.months", &columns).with(rows)));
            let (from, to) = span(days, &zone)?;
            blocks.push(economy(visit, &state.powder.economy(&site, from, to, None)));
        }
        let top = visit.top(words.t("balance.title"), Some(state.as_of));
        visit.page(&BlocksPage { top, lead: words.t("balance.lead").to_owned(), blocks })
    })
    .await
}

fn economy(visit: &Visit, e: &shopfloor::powder::economy::Economy) -> Block {
    let words = visit.words;
    let of = |mass_of: &Mass| {
        let kg = mass_of.base().round_dp(3).normalize();
        Cell::Text(format!("{} kg", words.number(&kg.to_string())))
    };
    let maybe = |mass_of: Option<&Mass>| mass_of.map_or_else(|| Cell::maybe(None::<String>), of);
    let share = |value: Option<Decimal>| Cell::maybe(value.map(|v| percent(words, &v)));
    let ratio = |value: Option<Decimal>| {
        Cell::maybe(value.map(|v| words.number(&v.round_dp(2).normalize().to_string())))
    };
    facts(
        words,
        vec![
            ("drawn", of(&e.drawn)),
            ("parts_mass", of(&e.parts)),
            ("refresh", share(e.refresh)),
            ("self_sustaining", share(e.self_sustaining)),
            ("waste_powder", of(&e.waste)),
            ("waste_expected", maybe(e.waste_expected.as_ref())),
            ("waste_per_kg", ratio(e.waste_per_kg_parts)),
            ("waste_per_kg_expected", ratio(e.waste_per_kg_parts_expected)),
            ("stock_growth", of(&e.stock_growth)),
        ],
    )
}

/// A figure with two decimals.
fn figure(words: &'static Words, value: Option<Decimal>) -> Cell {
    let shown = value.map(|v| words.number(&v.round_dp(2).normalize().to_string()));
    Cell::Number(shown.unwrap_or_else(|| "–".to_owned()))
}

/// Whether a balance closes: |D| against U at k = 2.
fn verdict(words: &'static Words, balance: &Balance) -> Cell {
    match balance.closed {
        Some(true) => Cell::Text(words.t("balance.closed").to_owned()),
        Some(false) => Cell::Strong(words.t("balance.not_closed").to_owned()),
        None if balance.weighings_unstated == 0 => {
            Cell::Text(words.t("balance.not_compared").to_owned())
        }
        None => Cell::Text(words.n("balance.undecided", balance.weighings_unstated)),
    }
}

/// The terms of one balance, and what is left over.
pub(super) fn of_one(visit: &Visit, balance: &Balance) -> Vec<Block> {
    let words = visit.words;
    let kg = |mass: &Mass| words.number(&mass.base().round_dp(6).normalize().to_string());
    let rows = balance.terms.iter().map(|t| {
        let (here, there) = (Cell::Number(kg(&t.mass)), Cell::Number(String::new()));
        let term = Cell::Text(words.code("term", t.term.as_str()));
        if t.comes_in { vec![term, here, there] } else { vec![term, there, here] }
    });
    let columns = ["term", "comes_in", "goes_out"];
    let terms = Table::new(words, "balance.terms", &columns).with(rows);
    let unaccounted = match &balance.expanded_uncertainty {
        Some(u) => format!("{} ± {} kg (k = 2)", kg(&balance.unaccounted), kg(u)),
        None => format!("{} kg", kg(&balance.unaccounted)),
    };
    let stated = words
        .t("balance.stated")
        .replace("{stated}", &balance.weighings.to_string())
        .replace("{all}", &(balance.weighings + balance.weighings_unstated).to_string());
    let mut rows = vec![
        ("unaccounted", Cell::Text(unaccounted)),
        ("e_n", figure(words, balance.normalised_error)),
        ("standing", verdict(words, balance)),
        ("weighings", Cell::Text(stated)),
    ];
    if !balance.from_unknown.base().is_zero() {
        let unknown = format!("{} kg", kg(&balance.from_unknown));
        rows.push(("from_unknown", Cell::Strong(unknown)));
    }
    rows.push(("rests_on", Cell::Entries(balance.entries.clone())));
    vec![Block::Table(terms), facts(words, rows)]
}
