//! Clocks and records of the law, generator categories, two weights of a drum, custody.

#[path = "../../tests/waste_support/mod.rs"]
mod shop;

use jiff::Timestamp;
use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Value, json};
use shopfloor::common::Day;
use shopfloor::ids::Code;
use shopfloor::record::SiteConfig;
use shopfloor::waste::category::{self, Amounts, Month};
use shopfloor::waste::law::Law;
use shopfloor::waste::{Kg, clocks, discrepancy, view};

use crate::{Computation, inputs};
use shop::{Shop, label};

/// What this module answers.
pub(crate) const COMPUTATIONS: &[Computation] = &[
    ("waste.last_day", last_day),
    ("waste.keep_until", keep_until),
    ("waste.return_due", return_due),
    ("waste.biennial_due", biennial_due),
    ("waste.category", category_of),
    ("waste.months", months),
    ("waste.forecast", forecast),
    ("waste.two_weights", two_weights),
    ("waste.pieces", pieces),
    ("waste.custody", custody),
];

fn config(jurisdiction: &str, parameters: &[(&str, &str)]) -> Result<SiteConfig, String> {
    let code = |text: &str| Code::new(text).map_err(|e| e.to_string());
    let mut config =
        SiteConfig { jurisdiction: Some(code(jurisdiction)?), ..SiteConfig::default() };
    for (name, value) in parameters {
        config.parameters.insert(code(name)?, (*value).to_owned());
    }
    Ok(config)
}

fn decimal(digits: &str) -> Result<Decimal, String> {
    digits.parse().map_err(|e| format!("`{digits}`: {e}"))
}

/// A value of the law and the day from which it is counted.
#[derive(Deserialize)]
struct Clock {
    jurisdiction: String,
    rule: String,
    start: Day,
    #[serde(default)]
    strict: bool,
}

/// C20: the last day of a limit, and the value used.
fn last_day(given: Value) -> Result<Value, String> {
    let given: Clock = inputs(given)?;
    let strict = if given.strict { "1" } else { "0" };
    let config = config(&given.jurisdiction, &[("shop_day_count_strict", strict)])?;
    let law = Law::of(&config);
    let limit = law.find(&given.rule, given.start).ok_or("no such value on that day")?;
    Ok(json!({ "value": limit.rule.value, "last_day": law.last_day(given.start, &limit) }))
}

/// The last day on which a record is kept.
fn keep_until(given: Value) -> Result<Value, String> {
    let given: Clock = inputs(given)?;
    let config = config(&given.jurisdiction, &[])?;
    let law = Law::of(&config);
    let period = law.find(&given.rule, given.start).ok_or("no such value on that day")?;
    Ok(json!(law.keep_until(given.start, &period)))
}

/// The day a facility's quarterly return is due.
fn return_due(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        received: Day,
    }
    let given: Inputs = inputs(given)?;
    let config = config("uk_eng", &[])?;
    let law = Law::of(&config);
    let limit = law.find("uk.consignee.return_months", given.received).ok_or("no such value")?;
    Ok(json!(clocks::return_due(given.received, &limit)))
}

/// The day the report of a year is due, if one is.
fn biennial_due(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        year: i16,
    }
    let given: Inputs = inputs(given)?;
    let config = config("us", &[])?;
    Ok(json!(clocks::biennial_due(&Law::of(&config), given.year).map(|(due, _)| due)))
}

/// C21: the category of one month's masses in kg.
fn category_of(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        acute: String,
        non_acute: String,
        residue: String,
        on: Day,
    }
    let given: Inputs = inputs(given)?;
    let amounts = Amounts {
        acute_kg: Kg(decimal(&given.acute)?),
        non_acute_kg: Kg(decimal(&given.non_acute)?),
        spill_residue_kg: Kg(decimal(&given.residue)?),
        ..Amounts::default()
    };
    let config = config("us", &[])?;
    let counted = category::category(&amounts, &Law::of(&config), given.on);
    Ok(json!(counted.map(|(counted, _)| counted)))
}

/// Waste that was put into a drum.
#[derive(Deserialize)]
struct Added {
    at: Timestamp,
    value: String,
    unit: String,
}

/// A shop with one drum of hazardous waste.
fn drum(zone: &str, begun: Timestamp, added: &[Added]) -> Shop {
    let mut shop = Shop::new("us", zone);
    let determined = json!({
        "material": "PA12", "description": "dust", "determination": "hazardous",
        "codes": { "rcra": ["D001"] }, "decided_by": "op_e1", "basis": "test", "jurisdiction": "us",
    });
    shop.record(begun, begun, "op_e1", "stream.determined", "stream/A", determined);
    let opened = json!({
        "stream": "A", "tare": { "value": "9.80", "unit": "kg" },
        "area": "central", "location": "CAA-1",
    });
    shop.record(begun, begun, "op_t1", "container.opened", "container/D-1", opened);
    for a in added {
        let data = json!({
            "what": "powder", "mass": { "value": a.value, "unit": a.unit }, "checks": [],
        });
        shop.record(a.at, a.at, "op_t1", "waste.added", "container/D-1", data);
    }
    shop
}

/// C21, by events: masses and categories by month of the site's calendar.
fn months(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        zone: String,
        begun: Timestamp,
        added: Vec<Added>,
        from: Day,
        to: Day,
        now: Timestamp,
    }
    let given: Inputs = inputs(given)?;
    let shop = drum(&given.zone, given.begun, &given.added);
    let views = category::month_views(&shop.state, &shop.label(), given.from, given.to, given.now);
    let told = views
        .iter()
        .map(|m| json!({ "month": m.month, "kg": m.amounts.non_acute_kg, "category": m.category }));
    Ok(told.collect())
}

/// C21, by events: where a month stands and what it will come to.
fn forecast(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        zone: String,
        begun: Timestamp,
        added: Vec<Added>,
        month: Day,
        now: Timestamp,
    }
    let given: Inputs = inputs(given)?;
    let shop = drum(&given.zone, given.begun, &given.added);
    let view = category::month(&shop.state, &shop.label(), Month::of(given.month), given.now);
    Ok(json!({
        "category": view.category, "margin": view.margin_kg, "warn": view.warn,
        "kg": view.forecast.as_ref().map(|f| f.non_acute_kg),
        "then": view.forecast.as_ref().map(|f| f.category),
        "changes": view.changes.len(),
    }))
}

/// C7: both tests of two weights.
fn two_weights(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        shipped: String,
        received: String,
        shipped_u: String,
        received_u: String,
        drums: u32,
        bulk: bool,
        on: Day,
    }
    let given: Inputs = inputs(given)?;
    let own =
        [("shop_weighing_u_kg", &*given.shipped_u), ("shop_received_u_kg", &*given.received_u)];
    let config = config("us", &own)?;
    let (shipped, received) = (Kg(decimal(&given.shipped)?), Kg(decimal(&given.received)?));
    let law = Law::of(&config);
    let test = discrepancy::weights(&law, shipped, received, given.drums, given.bulk, given.on);
    Ok(json!({
        "e_n": test.e_n, "percent": test.percent,
        "agree": test.agree, "significant": test.significant,
    }))
}

/// C7: pieces shipped against pieces received.
fn pieces(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        shipped: u32,
        received: u32,
        on: Day,
    }
    let given: Inputs = inputs(given)?;
    let config = config("us", &[])?;
    let test = discrepancy::pieces(&Law::of(&config), given.shipped, given.received, given.on);
    Ok(json!(test.significant))
}

/// C9, by events: who held a container, where the chain has a gap, and whether its sum and its
/// weighing agree. `told` are lines of the language of the scenario scripts.
fn custody(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        zone: String,
        weighing_u: String,
        told: Vec<String>,
        container: String,
        now: Timestamp,
    }
    let given: Inputs = inputs(given)?;
    let mut shop = Shop::new("us", &given.zone);
    shop.parameter("shop_weighing_u_kg", &given.weighing_u);
    let mut twice = 0;
    for line in &given.told {
        let findings = shop.tell(line);
        twice += findings.iter().filter(|f| f.rule == "waste.item_in_two_containers").count();
    }
    let view = view::container(&shop.state, &label(&given.container), given.now);
    let view = view.ok_or("no such container")?;
    let steps = view.custody.iter().map(|step| json!([step.holder, step.gap, step.both_signed]));
    Ok(json!({
        "custody": steps.collect::<Value>(), "state": view.state, "added": view.added_kg,
        "net": view.net_kg, "agrees": view.agrees, "told_twice": twice,
    }))
}
