//! Meters, lives of parts, rates, slopes, stock, dust and exposure.

#[path = "../../tests/equipment_shop/mod.rs"]
mod shop;

use rust_decimal::Decimal;
use serde::Deserialize;
use serde_json::{Value, json};
use shopfloor::equipment::{DueQuery, assess, exposure, mpe_in_service_kg};
use shopfloor::stats::life::{Life, Weibull, kaplan_meier, mean_life, weibull};
use shopfloor::stats::proportion::{Rate, exact, wilson};
use shopfloor::stats::theil_sen::{Z_95, theil_sen};
use shopfloor::stats::{chart, stock};

use crate::{Computation, inputs};
use shop::{Shop, at, label};

/// What this module answers.
pub(crate) const COMPUTATIONS: &[Computation] = &[
    ("meter.count", meter_count),
    ("task.state", task_state),
    ("slope.robust", slope_robust),
    ("forecast.day", forecast_day),
    ("rate.wilson", |given| rate(given, wilson)),
    ("rate.exact", |given| rate(given, exact)),
    ("life.survival", life_survival),
    ("life.weibull", life_weibull),
    ("life.replace_at", life_replace_at),
    ("life.mean", life_mean),
    ("stock.spares", stock_spares),
    ("chart.limits", chart_limits),
    ("dust.assess", dust_assess),
    ("exposure.average", exposure_average),
    ("scale.largest_error", scale_largest_error),
];

/// C3, by events: the continuous count of one meter after readings and replacements, and the
/// numbers of those that were held.
fn meter_count(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        rolls_over_at: Option<String>,
        told: Vec<Reading>,
    }
    #[derive(Deserialize)]
    struct Reading {
        time: String,
        shown: String,
        /// First reading of the new meter, when this one was the last of the old.
        first_new: Option<String>,
    }
    let given: Inputs = inputs(given)?;
    let mut station = shop::sieving_station();
    if let Some(modulus) = given.rolls_over_at {
        station["meters"][0]["rolls_over_at"] = shop::h(&modulus);
    }
    let mut shop = Shop::default();
    let first = given.told.first().ok_or("no reading")?;
    shop.post(&first.time, "equipment.registered", "equipment/S-02", station);
    for told in &given.told {
        match &told.first_new {
            None => {
                let read = json!({ "meter": "run", "reading": shop::h(&told.shown) });
                shop.post(&told.time, "meter.read", "equipment/S-02", read);
            }
            Some(first_new) => {
                let swap = json!({
                    "meter": "run", "last_old": shop::h(&told.shown),
                    "first_new": shop::h(first_new), "reason": "broken",
                });
                shop.post(&told.time, "meter.replaced", "equipment/S-02", swap);
            }
        }
    }
    let machine = shop.state.equipment.machine(&label("S-02")).ok_or("no machine")?;
    let meter = machine.meters.first().ok_or("no meter")?;
    let mut held: Vec<u64> = meter.held.iter().map(|h| h.entry - 1).collect();
    held.sort_unstable();
    Ok(json!({ "counted": meter.counted.as_ref().map(|c| &c.value), "held": held }))
}

/// C1, by events: how a task stands after a service and a later reading, as of a day.
fn task_state(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        limit: String,
        warn_percent: u8,
        interval: Option<String>,
        serviced_at: String,
        serviced: String,
        read_at: String,
        shown: String,
        now: String,
    }
    let given: Inputs = inputs(given)?;
    let mut task = shop::by_hours("service", "clean", "main-sieve", &given.limit);
    task["warn_percent"] = json!(given.warn_percent);
    if let Some(interval) = given.interval {
        task["calendar"] = json!(interval);
    }
    let mut shop = Shop::default();
    let station = "equipment/S-02";
    shop.post(&given.serviced_at, "equipment.registered", station, shop::sieving_station());
    shop.post(&given.serviced_at, "plan.set", station, json!({ "tasks": [task] }));
    let clean = json!({
        "task": "service", "target": "main-sieve", "method": "vacuum",
        "reading": shop::reading(&given.serviced),
    });
    shop.post(&given.serviced_at, "cleaning.done", station, clean);
    let read = json!({ "meter": "run", "reading": shop::h(&given.shown) });
    shop.post(&given.read_at, "meter.read", station, read);
    let list = shop.state.equipment.due(&shop.state.record, &DueQuery::default(), at(&given.now));
    let task = list.tasks.first().ok_or("no task")?;
    Ok(json!({ "state": task.state.as_str(), "percent": task.percent }))
}

/// C2: the robust slope of points (x, y) with its 95 % band.
fn slope_robust(given: Value) -> Result<Value, String> {
    let points: Vec<(f64, f64)> = inputs(given)?;
    let found = theil_sen(&points, Z_95);
    Ok(found.map_or(Value::Null, |s| json!({ "slope": s.slope, "low": s.low, "high": s.high })))
}

/// C14: an interval of `hits` out of `of`.
fn rate(given: Value, interval: fn(u64, u64) -> Option<Rate>) -> Result<Value, String> {
    let (hits, of): (u64, u64) = inputs(given)?;
    Ok(interval(hits, of).map_or(Value::Null, |r| json!({ "low": r.low, "high": r.high })))
}

/// Ages in hours and whether they ended in a failure.
fn lives(given: Value) -> Result<Vec<Life>, String> {
    let lives: Vec<(f64, bool)> = inputs(given)?;
    Ok(lives.into_iter().map(|(hours, failed)| Life { hours, failed }).collect())
}

/// C15: the Kaplan-Meier curve.
fn life_survival(given: Value) -> Result<Value, String> {
    let curve = kaplan_meier(&lives(given)?);
    Ok(curve
        .iter()
        .map(|s| json!({ "hours": s.hours, "at_risk": s.at_risk, "share": s.share }))
        .collect())
}

/// C15: the Weibull fit by maximum likelihood.
fn life_weibull(given: Value) -> Result<Value, String> {
    let Some(fit) = weibull(&lives(given)?) else { return Ok(Value::Null) };
    Ok(json!({
        "shape": fit.shape, "scale": fit.scale, "log_likelihood": fit.log_likelihood,
        "shape_band": fit.shape_band, "scale_band": fit.scale_band,
        "mean": fit.mean(), "standard_deviation": fit.standard_deviation(),
        "ten_percent": fit.age_at(0.1),
    }))
}

/// C15: the age at which replacing early costs least.
fn life_replace_at(given: Value) -> Result<Value, String> {
    let (shape, scale, cost_ratio): (f64, f64, f64) = inputs(given)?;
    let fit = Weibull {
        shape,
        scale,
        failures: 0,
        log_likelihood: 0.0,
        shape_band: (shape, shape),
        scale_band: (scale, scale),
    };
    Ok(fit.age_replacement(cost_ratio).map_or(Value::Null, |found| {
        json!({
            "hours": found.hours, "cost_rate": found.cost_rate,
            "cost_rate_run_to_failure": found.cost_rate_run_to_failure,
        })
    }))
}

/// C15: mean life between failures with its interval.
fn life_mean(given: Value) -> Result<Value, String> {
    let (failures, hours): (u32, f64) = inputs(given)?;
    let (low, high) = mean_life(failures, hours);
    Ok(json!({ "low": low, "high": high }))
}

/// C19: spares for a slow mover.
fn stock_spares(given: Value) -> Result<Value, String> {
    let (demand, service): (f64, f64) = inputs(given)?;
    Ok(stock::spares(demand, service)
        .map_or(Value::Null, |s| json!({ "pieces": s.pieces, "service": s.service })))
}

/// C22: limits of single values.
fn chart_limits(given: Value) -> Result<Value, String> {
    let (baseline, floor): (Vec<f64>, Option<f64>) = inputs(given)?;
    Ok(chart::individuals(&baseline, floor).map_or(
        Value::Null,
        |l| json!({ "mean": l.mean, "range": l.mean_moving_range, "low": l.low, "high": l.high }),
    ))
}

/// C2, by events: the forecast of a task from daily readings, on the working days of a site.
fn forecast_day(given: Value) -> Result<Value, String> {
    #[derive(Deserialize)]
    struct Inputs {
        working_days: Value,
        holidays: Value,
        limit: String,
        told: Vec<(String, String)>,
    }
    let given: Inputs = inputs(given)?;
    let (first, _) = given.told.first().ok_or("no reading")?;
    let mut shop = Shop::default();
    let mut config = json!({ "working_days": given.working_days, "reason": "first_settings" });
    if given.holidays != json!([]) {
        config["holidays"] = given.holidays;
    }
    shop.post(first, "config.changed", "site/north", config);
    let station = "equipment/S-02";
    shop.post(first, "equipment.registered", station, shop::sieving_station());
    let task = shop::by_hours("service", "clean", "main-sieve", &given.limit);
    shop.post(first, "plan.set", station, json!({ "tasks": [task] }));
    for (time, shown) in &given.told {
        let read = json!({ "meter": "run", "reading": shop::h(shown) });
        shop.post(time, "meter.read", station, read);
    }
    let now = given.told.last().map_or(first, |(time, _)| time);
    let list = shop.state.equipment.due(&shop.state.record, &DueQuery::default(), at(now));
    let task = list.tasks.first().ok_or("no task")?;
    serde_json::to_value(&task.forecast).map_err(|e| e.to_string())
}

/// C11: dust layers of a room, as recorded.
fn dust_assess(given: Value) -> Result<Value, String> {
    serde_json::to_value(assess(&inputs(given)?)).map_err(|e| e.to_string())
}

/// C12: the time-weighted average of a shift, as recorded, against its limits.
fn exposure_average(given: Value) -> Result<Value, String> {
    serde_json::to_value(exposure(&inputs(given)?)).map_err(|e| e.to_string())
}

/// C16: largest error in service at a load.
fn scale_largest_error(given: Value) -> Result<Value, String> {
    let (load_kg, e_kg): (Decimal, Decimal) = inputs(given)?;
    Ok(mpe_in_service_kg(load_kg, e_kg).map_or(Value::Null, |e| json!(e.normalize())))
}
