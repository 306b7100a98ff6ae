//! The check values of computations.md on posted events: the figures a technician sees are those of
//! the sources, not only those of the formulas.

mod equipment_shop;

use equipment_shop::*;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use shopfloor::common::Day;
use shopfloor::equipment::events::PartKind;
use shopfloor::equipment::{DueQuery, DueTask, LifeQuery, StockQuery};

const LEAD: &str = "op_lead1";
const STATION: &str = "equipment/S-02";
const START: &str = "2026-03-02T06:00:00+01:00";

fn day(text: &str) -> Day {
    serde_json::from_value(json!(text)).unwrap()
}

/// Noon in UTC so many days after 2 March 2026.
fn noon(days: i64) -> String {
    let start = at("2026-03-02T12:00:00Z");
    (start + jiff::SignedDuration::from_hours(24 * days)).to_string()
}

fn read(shop: &mut Shop, time: &str, shown: &str) {
    shop.post(time, "meter.read", STATION, json!({ "meter": "run", "reading": h(shown) }));
}

fn station(tasks: Value) -> Shop {
    let mut shop = Shop::default();
    shop.post_as(LEAD, START, "equipment.registered", STATION, sieving_station());
    shop.post_as(LEAD, START, "plan.set", STATION, json!({ "tasks": tasks }));
    shop
}

fn first_task(shop: &Shop, now: &str) -> DueTask {
    let list = shop.state.equipment.due(&shop.state.record, &DueQuery::default(), at(now));
    list.tasks.into_iter().next().unwrap()
}

/// C1: service at 1000.0 h, limit 500 h, warning at 0.9; and a due day of 1 March 2027.
#[test]
fn hours_since_service() {
    let mut task = by_hours("service", "clean", "main-sieve", "500");
    task["calendar"] = json!("P364D");
    let cases = [
        ("1449.9", "2026-06-01T12:00:00Z", "within_limit"),
        ("1450.0", "2026-06-01T12:00:00Z", "due_soon"),
        ("1500.0", "2026-06-01T12:00:00Z", "due"),
        ("1120.0", "2027-03-01T12:00:00Z", "due"),
    ];
    for (shown, now, state) in cases {
        let mut shop = station(json!([task]));
        read(&mut shop, START, "1000.0");
        let clean = json!({ "task": "service", "target": "main-sieve", "method": "vacuum" });
        shop.post(START, "cleaning.done", STATION, clean);
        read(&mut shop, "2026-05-20T12:00:00Z", shown);
        assert_eq!(first_task(&shop, now).state.as_str(), state, "{shown} h on {now}");
    }
}

/// C2: 198 h remain; 8.619048 h a day give 22.97238 days (15.93103 to 42), and on five-day weeks
/// 12.06667 h a working day give 16.40884 working days. A day is named when it is reached.
#[test]
fn forecast_of_the_due_day() {
    let shop_with = |working_days: Value| {
        let mut shop = station(json!([by_hours("service", "clean", "main-sieve", "500")]));
        let config = json!({ "working_days": working_days, "reason": "first_settings" });
        shop.post_as(LEAD, START, "config.changed", "site/north", config);
        // The fourth reading is a mis-read that could be true.
        for (week, shown) in ["1000", "1062", "1121", "1236", "1240", "1302"].iter().enumerate() {
            read(&mut shop, &noon(7 * week as i64), shown);
        }
        first_task(&shop, &noon(35)).forecast
    };
    let every_day = shop_with(json!([1, 2, 3, 4, 5, 6, 7]));
    assert_eq!(every_day.per_working_day.as_deref(), Some("8.62"));
    let after = |days: i64| Some(day(&noon(35 + days)[..10]));
    assert_eq!(every_day.expected, after(23));
    assert_eq!((every_day.earliest, every_day.latest), (after(16), after(42)));
    let weekdays = shop_with(json!([1, 2, 3, 4, 5]));
    assert_eq!(weekdays.per_working_day.as_deref(), Some("12.07"));
    assert_eq!(weekdays.expected, Some(day("2026-04-29")), "17 working days after Monday 6 April");

    let mut shop = station(json!([by_hours("service", "clean", "main-sieve", "500")]));
    for days in 0..3 {
        read(&mut shop, &noon(days), &format!("{}", 1000 + 10 * days));
    }
    assert_eq!(first_task(&shop, &noon(3)).forecast.outlook.as_str(), "not enough data");
    for days in 3..6 {
        read(&mut shop, &noon(days), "1020");
    }
    let mut still = station(json!([by_hours("service", "clean", "main-sieve", "500")]));
    for days in 0..6 {
        read(&mut still, &noon(days), "1020");
    }
    assert_eq!(first_task(&still, &noon(6)).forecast.outlook.as_str(), "not moving");
}

/// C14: 46 of 50 on time: 92 %, Wilson 81.1618 to 96.8450 %.
#[test]
fn rate_done_on_time() {
    let mut shop = station(json!([by_calendar("weekly", "check", "earthing", "P1W")]));
    let none = shop.state.equipment.upkeep(None, day("2026-03-02"), day("2026-03-05"));
    assert_eq!(none.rate, None, "no tasks due");
    let mut days = 0;
    for n in 0..50 {
        // Four of them come a day after the day they were due.
        days += if n % 12 == 5 { 8 } else { 7 };
        let check = json!({
            "task": "weekly", "check": "earthing", "measured": { "value": "3", "unit": "Ohm" },
            "limit": { "at_most": { "value": "10", "unit": "Ohm" } }, "result": "pass",
        });
        shop.post(&noon(days), "check.done", STATION, check);
    }
    let upkeep = shop.state.equipment.upkeep(None, day("2026-03-02"), day(&noon(days)[..10]));
    assert_eq!((upkeep.on_time, upkeep.late, upkeep.open), (46, 4, 0));
    let rate = upkeep.rate.unwrap();
    assert_eq!(
        (rate.percent.as_str(), rate.low_percent.as_str(), rate.high_percent.as_str()),
        ("92.0", "81.2", "96.8")
    );
}

/// Fits a sieve, runs it so long, takes it out in a state and fits the next one.
fn lives(shop: &mut Shop, lives: &[(&str, i64, &str)]) -> i64 {
    let (mut hours, mut days) = (1000, 0);
    let first = json!({
        "position": "main-sieve", "in": sieve(lives[0].0), "checks": yes(&["seal_seated"]),
        "reading": reading(&hours.to_string()),
    });
    shop.post(&noon(days), "part.fitted", STATION, first);
    for (n, (serial, ran, condition)) in lives.iter().enumerate() {
        // Twenty hours a day at most: every reading can be true.
        (hours, days) = (hours + ran, days + ran / 20 + 1);
        let shown = reading(&hours.to_string());
        let next = lives.get(n + 1).map_or("SV-last", |(serial, ..)| *serial);
        let swap = json!({
            "position": "main-sieve", "in": sieve(next), "checks": yes(&["seal_seated"]),
            "out": { "serial": serial, "reason": "see_condition", "condition": condition },
            "reading": shown,
        });
        shop.post(&noon(days), "part.swapped", STATION, swap);
    }
    days
}

/// C15, Kaplan-Meier: 220 failed, 310 sound, 400 failed, 480 worn, 520 failed, 600 still in use.
#[test]
fn lives_of_sieves() {
    let mut shop = station(json!([]));
    let days = lives(
        &mut shop,
        &[
            ("SV-1", 220, "failed"),
            ("SV-2", 310, "sound"),
            ("SV-3", 400, "failed"),
            ("SV-4", 480, "worn"),
            ("SV-5", 520, "failed"),
        ],
    );
    read(&mut shop, &noon(days + 31), "3530");
    let mut query = LifeQuery {
        part_kind: PartKind::Sieve,
        site: None,
        cost_ratio: Some(Decimal::from(5)),
        midpoint: false,
    };
    let found = shop.state.equipment.part_lives(&query);
    let lives: Vec<String> =
        found.lives.iter().map(|l| format!("{} {} {}", l.serial, l.hours, l.end)).collect();
    assert_eq!(
        lives,
        [
            "SV-1 220 h failed",
            "SV-2 310 h taken_out",
            "SV-3 400 h failed",
            "SV-4 480 h taken_out",
            "SV-5 520 h failed",
            "SV-last 600 h in_use",
        ]
    );
    let survival: Vec<&str> =
        found.summary.survival.iter().map(|s| s.survive_percent.as_str()).collect();
    assert_eq!(survival, ["83.3", "62.5", "31.2"]);
    assert_eq!((found.summary.parts, found.summary.failures), (6, 3));
    assert!(
        found.summary.remarks.iter().any(|r| r.contains("3 failures say little")),
        "{:?}",
        found.summary.remarks
    );

    // A failure found at an inspection lies between the last good one and the finding.
    let sound = json!({ "target": "main-sieve", "result": "pass", "reading": reading("3540") });
    shop.post(&noon(days + 32), "inspection.done", STATION, sound);
    let swap = json!({
        "position": "main-sieve", "in": sieve("SV-9"), "checks": yes(&["seal_seated"]),
        "out": { "serial": "SV-last", "reason": "torn", "condition": "failed" },
        "reading": reading("3560"),
    });
    shop.post(&noon(days + 34), "part.swapped", STATION, swap);
    query.midpoint = true;
    let found = shop.state.equipment.part_lives(&query);
    let last = found.lives.iter().find(|l| l.serial.as_str() == "SV-last").unwrap();
    assert_eq!(last.sound_at.as_ref().unwrap().value, "610");
    assert_eq!((last.hours.value.as_str(), found.at_midpoint), ("630", 1));
    assert_eq!(found.summary.survival.last().unwrap().hours, "620.0");
}

/// C19: 12 pieces in 150 days, lead time 30 days: demand 2.4, five pieces cover it with 96.4 %.
#[test]
fn stock_and_reorder_point() {
    let mut shop = station(json!([]));
    let serials: Vec<String> = (1..=11).map(|n| format!("SV-{n}")).collect();
    let worn: Vec<(&str, i64, &str)> = serials.iter().map(|s| (s.as_str(), 40, "worn")).collect();
    let days = lives(&mut shop, &worn);
    let today = day(&noon(days)[..10]);
    for (serial, use_before) in [("SV-a", None), ("SV-b", Some("2026-01-31")), ("SV-3", None)] {
        let mut part = sieve(serial);
        if let Some(day) = use_before {
            part["use_before"] = json!(day);
        }
        let received = json!({ "part_kind": "sieve", "part": part, "bin": "B-7" });
        shop.post(START, "part.received", "site/north", received);
    }
    let query = StockQuery {
        part_kind: PartKind::Sieve,
        window_days: 150,
        lead_time_days: 30,
        service_percent: 95,
    };
    let stock = shop.state.equipment.stock(&query, today);
    assert_eq!(stock.in_stock, [label("SV-a")], "SV-3 was fitted, SV-b is past its last day");
    assert_eq!(stock.past_last_day, [label("SV-b")]);
    assert_eq!((stock.fitted, stock.reorder_at, stock.order_now), (12, Some(5), Some(true)));
    assert_eq!(stock.service_percent.as_deref(), Some("96.4"));
}

/// C8 and C16: the last pass 5 March 17:00, the failure 12 March 9:00. A weighing at the moment of
/// the pass is suspect, one at the moment of the failure is not in the window before it.
#[test]
fn weighings_that_a_failed_scale_makes_suspect() {
    let mut shop = Shop::default();
    let scale = json!({
        "kind": "scale", "label": "Floor scale", "room": "R-12",
        "scale": {
            "interval": { "value": "0.02", "unit": "kg" },
            "capacity": { "value": "150", "unit": "kg" },
        },
    });
    shop.post_as(LEAD, START, "equipment.registered", "equipment/W-01", scale);
    let check = |shop: &mut Shop, time: &str, shown: &str, result: &str| {
        let data = json!({
            "check": "scale", "target": "pan", "measured": { "value": shown, "unit": "kg" },
            "reference": { "value": "20.00", "unit": "kg" },
            "limit": { "at_most": { "value": "20.04", "unit": "kg" } }, "result": result,
        });
        shop.post(time, "check.done", "equipment/W-01", data)
    };
    let weigh = |shop: &mut Shop, time: &str| {
        let data = json!({ "gross": { "value": "19.40", "unit": "kg" }, "scale": "W-01" });
        shop.post(time, "container.weighed", "container/D-118", data)
    };
    let passed = check(&mut shop, "2026-03-05T17:00:00+01:00", "20.02", "pass");
    let before = weigh(&mut shop, "2026-03-05T15:00:00+01:00");
    let at_pass = weigh(&mut shop, "2026-03-05T17:00:00+01:00");
    let between = weigh(&mut shop, "2026-03-09T10:00:00+01:00");
    let failed = check(&mut shop, "2026-03-12T09:00:00+01:00", "20.06", "fail");
    let late_entry = weigh(&mut shop, "2026-03-12T08:00:00+01:00");
    let at_failure = weigh(&mut shop, "2026-03-12T09:00:00+01:00");
    let view = shop.state.equipment.scale(&label("W-01"), 0).unwrap();
    let window = &view.windows[0];
    assert_eq!(window.suspect, [at_pass, between, late_entry]);
    assert_eq!(window.after_failure, [at_failure]);
    assert_eq!((window.passed_by, window.failed_by), (Some(passed), failed));
    assert_eq!((window.closed_by, view.last_passed), (None, Some(false)));
    let found: Vec<_> = view
        .checks
        .iter()
        .map(|c| (c.error_kg.as_deref(), c.largest_error_kg.as_deref()))
        .collect();
    assert_eq!(found, [(Some("0.02"), Some("0.040")), (Some("0.06"), Some("0.040"))]);
    // Clocks that may differ by two hours and more widen the window on both sides.
    let wide = shop.state.equipment.scale(&label("W-01"), 2 * 3_600_000).unwrap();
    assert_eq!(wide.windows[0].suspect, [before, at_pass, between, late_entry, at_failure]);
    let closed = check(&mut shop, "2026-03-13T09:00:00+01:00", "20.00", "pass");
    let view = shop.state.equipment.scale(&label("W-01"), 0).unwrap();
    assert_eq!(view.windows[0].closed_by, Some(closed));
}

/// C22 with C2: the slope of the pressure drop since the filter was fitted, to the limit.
#[test]
fn pressure_drop_grows_to_its_limit() {
    let mut shop = station(json!([]));
    let pressure = |shop: &mut Shop, days: i64, pa: i64| {
        let data = json!({
            "check": "pressure_drop", "target": "exhaust",
            "measured": { "value": pa.to_string(), "unit": "Pa" },
            "limit": { "at_most": { "value": "3.5", "unit": "hPa" } }, "result": "pass",
        });
        shop.post(&noon(days), "check.done", STATION, data)
    };
    pressure(&mut shop, 0, 340);
    let filter = json!({
        "position": "exhaust", "in": { "serial": "HF-2", "spec": { "filter_class": "H14" } },
        "checks": yes(&["airflow_arrow_matches", "gasket_seated"]),
    });
    let fitted = shop.post(&noon(1), "part.fitted", STATION, filter);
    // Monday to Friday, 10 Pa a day; the day that stands out does not bend the slope.
    for (days, pa) in [(7, 100), (8, 110), (9, 160), (10, 130), (11, 140), (14, 150)] {
        pressure(&mut shop, days, pa);
    }
    let trends = shop.state.equipment.pressure_trends(&shop.state.record, &label("S-02"));
    let trend = &trends[0];
    assert_eq!((trend.since, trend.last_pa.as_str()), (Some(fitted), "150"));
    assert_eq!(trend.limit_pa.as_deref(), Some("350"));
    assert_eq!(trend.forecast.per_working_day.as_deref(), Some("10.00"));
    // 200 Pa at 10 Pa a working day: 20 working days after Monday 16 March.
    assert_eq!(trend.forecast.expected, Some(day("2026-04-13")));
}

/// A part carries its hours from machine to machine.
#[test]
fn hours_of_a_part_over_machines() {
    let mut shop = station(json!([]));
    shop.post_as(LEAD, START, "equipment.registered", "equipment/S-03", sieving_station());
    let fit = |machine: &str, shown: &str, time: &str, shop: &mut Shop| {
        let data = json!({
            "position": "main-sieve", "in": sieve("SV-1"), "checks": yes(&["seal_seated"]),
            "reading": reading(shown),
        });
        shop.post(time, "part.fitted", machine, data)
    };
    let take = |machine: &str, shown: &str, time: &str, shop: &mut Shop| {
        let out = json!({ "serial": "SV-1", "reason": "moved", "condition": "sound" });
        let data = json!({ "position": "main-sieve", "out": out, "reading": reading(shown) });
        shop.post(time, "part.removed", machine, data)
    };
    fit(STATION, "100.0", &noon(0), &mut shop);
    take(STATION, "112.5", &noon(1), &mut shop);
    fit("equipment/S-03", "800.0", &noon(2), &mut shop);
    let shown = json!({ "meter": "run", "reading": h("804.0") });
    shop.post(&noon(3), "meter.read", "equipment/S-03", shown);
    let part = shop.state.equipment.part(&label("SV-1"), day("2026-03-10")).unwrap();
    assert_eq!((part.state.as_str(), part.hours.to_string()), ("fitted", "16.5 h".to_owned()));
    let stays: Vec<String> =
        part.stays.iter().map(|s| format!("{} {}", s.machine, s.hours.as_ref().unwrap())).collect();
    assert_eq!(stays, ["S-02 12.5 h", "S-03 4.0 h"]);
}
