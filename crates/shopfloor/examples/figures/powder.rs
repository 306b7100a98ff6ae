//! Refresh, ageing, mass balances, traces, impact and sampling, through real events where there
//! are any.

#[path = "../../tests/powder/shop.rs"]
#[allow(dead_code, reason = "the tests use the rest")]
mod shop;

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Value, json};
use shopfloor::powder::AsOf;
use shopfloor::powder::figures::{self, Component};
use shopfloor::powder::genealogy::{PAGE_MAX, Page, Target};
use shopfloor::powder::impact::{ImpactQuestion, Suspect};
use shopfloor::powder::sampling;

use crate::{Computation, inputs};
use shop::{Shop, kg, label, place};

/// What this module answers.
pub(crate) const COMPUTATIONS: &[Computation] = &[
    ("powder.refresh", refresh),
    ("powder.mean_builds", mean_builds),
    ("powder.balance", balance),
    ("powder.trace", trace),
    ("powder.impact", impact),
    ("powder.sample_size", sample_size),
    ("powder.draw", draw),
];

/// C4: components with mass, fresh share and standard uncertainty.
fn refresh(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Part {
        mass: Decimal,
        fresh: Decimal,
        u: Decimal,
    }
    let given: Vec<Part> = inputs(given)?;
    let parts: Vec<Component> = given
        .iter()
        .map(|p| Component { mass_kg: p.mass, fresh: p.fresh, u_kg: Some(p.u) })
        .collect();
    let found = figures::refresh(&parts).ok_or("nothing was blended")?;
    Ok(json!({ "ratio": found.ratio, "u": found.u }))
}

/// C5: mean age after so many cycles, in closed form.
fn mean_builds(given: Value) -> Result<Value, String> {
    let (ratio, cycles): (Decimal, u32) = inputs(given)?;
    Ok(json!(figures::mean_builds(ratio, cycles)))
}

/// C6, by events: a bin is counted, takes in and gives out, and is counted again, on one scale.
fn balance(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        interval: String,
        first: String,
        moves: Vec<(bool, String)>,
        last: String,
    }
    let given: Inputs = inputs(given)?;
    let mut shop = Shop::default();
    let scale = json!({ "kind": "scale", "label": "Floor scale", "room": "R1",
        "scale": { "interval": kg(&given.interval), "capacity": kg("1500") } });
    shop.note("2026-03-01T00:00:00Z", "equipment.registered", "equipment/W-1", scale);
    shop.receive("2026-03-01T01:00:00Z", "A", "100000");
    let weighed = |from: &str, into: &str, mass: &str| json!({ "from": from, "into": into, "mass": kg(mass), "scale": "W-1" });
    let count = |mass: &str| json!({ "place": "bin/1", "mass": kg(mass), "scale": "W-1" });
    let (store, about) = ("lot_container/A", "equipment/P-01");
    let fill = weighed(store, "bin/1", &given.first);
    shop.note("2026-03-01T02:00:00Z", "powder.moved", about, fill);
    shop.note("2026-03-01T03:00:00Z", "stock.counted", "site/north", count(&given.first));
    for (number, (comes_in, mass)) in given.moves.iter().enumerate() {
        let data = match comes_in {
            true => weighed(store, "bin/1", mass),
            false => weighed("bin/1", "bin/2", mass),
        };
        let time = format!("2026-03-02T{:02}:{:02}:00Z", number / 60, number % 60);
        shop.note(&time, "powder.moved", about, data);
    }
    shop.note("2026-03-09T00:00:00Z", "stock.counted", "site/north", count(&given.last));
    let balances = shop.powder().place_balances(&place("bin/1"), AsOf::Now);
    let found = balances.map_err(|e| e.to_string())?.pop().ok_or("no balance")?;
    Ok(json!({
        "unaccounted": found.unaccounted.base(),
        "expanded": found.expanded_uncertainty.map(|u| u.base()),
        "normalised": found.normalised_error,
        "closed": found.closed,
    }))
}

/// A history of moves: from where, to where, how much, and whether over the sieve.
#[derive(Deserialize)]
struct History {
    lots: Vec<String>,
    kg_each: String,
    moves: Vec<(String, String, String, bool)>,
    /// The sieve was seen whole after so many moves, and found torn after so many.
    #[serde(default)]
    whole_after: usize,
    #[serde(default)]
    torn_after: usize,
}

/// The shop after a history, and the entry of each move.
fn played(given: &History) -> (Shop, Vec<u64>) {
    let mut shop = Shop::default();
    for lot in &given.lots {
        shop.receive("2026-03-01T00:00:00Z", lot, &given.kg_each);
    }
    let inspect = |shop: &mut Shop, time: &str, result: &str| {
        let data = json!({ "target": "main", "result": result, "serial": "SV-7" });
        shop.note(time, "inspection.done", "equipment/S-02", data);
    };
    let mut entries = Vec::new();
    for (number, (from, into, mass, sieve)) in given.moves.iter().enumerate() {
        let time =
            |second: u32| format!("2026-03-02T{:02}:{:02}:{second:02}Z", number / 60, number % 60);
        if given.torn_after > 0 && number == given.whole_after {
            inspect(&mut shop, &time(0), "pass");
        }
        if given.torn_after > 0 && number == given.torn_after {
            inspect(&mut shop, &time(0), "fail");
        }
        entries.push(match sieve {
            true => shop.sieve(&time(30), "SV-7", (from, into), mass, "0"),
            false => shop.transfer(&time(30), from, into, mass),
        });
    }
    if given.torn_after >= given.moves.len() && given.torn_after > 0 {
        inspect(&mut shop, "2026-03-03T00:00:00Z", "fail");
    }
    (shop, entries)
}

/// C4, C23: of what every place consists, on which moves that came, and where every lot is.
fn trace(given: Value) -> Result<Value, String> {
    let given: History = inputs(given)?;
    let (shop, entries) = played(&given);
    let powder = shop.powder();
    let page = Page { limit: Some(PAGE_MAX), after: None };
    let mut back = BTreeMap::new();
    for (at, _) in powder.places() {
        let target = Target::Place(at.clone());
        let found = powder.trace_back(&target, AsOf::Now, &page).map_err(|e| e.to_string())?;
        let Some(makeup) = found.makeup else { continue };
        if found.next.is_some() {
            return Err("more moves than one page holds".into());
        }
        let mut shares: BTreeMap<String, Decimal> =
            makeup.lots.into_iter().map(|l| (l.lot.to_string(), l.fraction)).collect();
        shares.insert("UNKNOWN".into(), makeup.unknown_fraction);
        let moves: BTreeSet<usize> = found
            .edges
            .iter()
            .filter_map(|edge| entries.iter().position(|entry| *entry == edge.entry))
            .collect();
        back.insert(at.to_string(), json!({ "shares": shares, "moves": moves }));
    }
    let mut forward = BTreeMap::new();
    for lot in &given.lots {
        let target = Target::Lot(label(lot));
        let found = powder.trace_forward(&target, AsOf::Now, AsOf::Now, &page);
        let reach = found.map_err(|e| e.to_string())?.reach;
        let places: BTreeMap<String, Decimal> =
            reach.places.into_iter().map(|p| (p.place.to_string(), p.fraction)).collect();
        forward.insert(lot.clone(), places);
    }
    Ok(json!({ "back": back, "forward": forward }))
}

/// C8: which moves over the torn sieve are suspect, and what they reached.
fn impact(given: Value) -> Result<Value, String> {
    let given: History = inputs(given)?;
    let (shop, entries) = played(&given);
    let suspect = Suspect::Sieve(label("SV-7"));
    let question = ImpactQuestion { suspect, found: None, clock_uncertainty_ms: 0 };
    let found = shop.powder().impact(&question, AsOf::Now).map_err(|e| e.to_string())?;
    let position = |entry: u64| entries.iter().position(|e| *e == entry);
    let uses: Vec<usize> = found.uses.iter().filter_map(|u| position(u.entry)).collect();
    let places: BTreeMap<String, Decimal> =
        found.reach.places.into_iter().map(|p| (p.place.to_string(), p.fraction)).collect();
    Ok(json!({ "uses": uses, "places": places }))
}

/// C10: sample size of a finite population, with the probability of finding none.
fn sample_size(given: Value) -> Result<Value, String> {
    let (items, bad, risk): (u32, u32, Decimal) = inputs(given)?;
    let found = sampling::sample_size(items, bad, risk).ok_or("no plan")?;
    Ok(json!({ "size": found.0, "missed": found.1 }))
}

/// The items that a seed draws.
fn draw(given: Value) -> Result<Value, String> {
    let (seed, items, size): (String, Vec<String>, usize) = inputs(given)?;
    Ok(json!(sampling::draw(&seed, &items, size)))
}
