//! What a fact about a machine contradicts, one row a case. The rule names its source in the list
//! of rules; here stands what raises it and what does not.

mod equipment_shop;

use equipment_shop::{Shop, by_calendar, by_hours, h, reading, sieve, sieving_station, yes};
use serde_json::{Value, json};

const LEAD: &str = "op_lead1";
const STATION: &str = "equipment/S-02";

/// A sieving station with a plan, a sieve, a filter, and 100.0 h on its meter on 2 March, 6:00.
fn station() -> Shop {
    let mut shop = Shop::default();
    let t = "2026-03-02T06:00:00+01:00";
    shop.post_as(LEAD, t, "equipment.registered", STATION, sieving_station());
    let tasks = json!({ "tasks": [
        by_hours("clean_sieve", "clean", "main-sieve", "20"),
        by_hours("replace_sieve", "replace", "main-sieve", "50"),
        by_calendar("test_earthing", "check", "earthing", "P1M"),
    ] });
    shop.post_as(LEAD, t, "plan.set", STATION, tasks);
    let part =
        json!({ "position": "main-sieve", "in": sieve("SV-1"), "checks": yes(&["seal_seated"]) });
    shop.post(t, "part.fitted", STATION, part);
    let part = json!({
        "position": "exhaust", "in": { "serial": "HF-1", "spec": { "filter_class": "H14" } },
        "checks": yes(&["airflow_arrow_matches", "gasket_seated"]),
    });
    shop.post(t, "part.fitted", STATION, part);
    shop.post(t, "meter.read", STATION, json!({ "meter": "run", "reading": h("100.0") }));
    assert!(shop.state.findings.is_empty(), "{:?}", shop.state.findings);
    shop
}

/// Records one event at 2 March, 14:00 and gives the rules it broke.
#[track_caller]
fn check(shop: &mut Shop, kind: &str, data: Value, rules: &[&str]) {
    let seq = shop.post("2026-03-02T14:00:00+01:00", kind, STATION, data);
    assert_eq!(shop.equipment_rules(seq), rules, "{kind}: {:?}", shop.found(seq));
}

#[test]
fn readings() {
    let read = |meter: &str, value: Value| json!({ "meter": meter, "reading": value });
    let cases = [
        (read("run", h("108.1")), &[][..]),
        (read("run", h("108.2")), &["equipment.meter_faster_than_time"]),
        (read("run", h("99.9")), &["equipment.meter_backwards"]),
        (read("run", json!({ "value": "104", "unit": "1" })), &["equipment.meter_unreadable"]),
        (read("lamp", h("5.0")), &["equipment.unknown_meter"]),
    ];
    for (data, rules) in cases {
        check(&mut station(), "meter.read", data, rules);
    }
    let along = json!({ "target": "main-sieve", "method": "vacuum", "reading": reading("190.0") });
    check(&mut station(), "cleaning.done", along, &["equipment.meter_faster_than_time"]);
}

#[test]
fn a_late_reading_fits_between_its_neighbours() {
    let mut shop = station();
    shop.post(
        "2026-03-03T06:00:00+01:00",
        "meter.read",
        STATION,
        json!({ "meter": "run", "reading": h("110.0") }),
    );
    let between = |value: &str| json!({ "meter": "run", "reading": h(value) });
    let fits = shop.post("2026-03-02T16:00:00+01:00", "meter.read", STATION, between("106.0"));
    assert_eq!(shop.rules(fits), [""; 0]);
    let odd = shop.post("2026-03-03T05:00:00+01:00", "meter.read", STATION, between("112.0"));
    assert_eq!(shop.rules(odd), ["equipment.meter_disagrees_with_later"]);
    assert!(shop.findings(odd)[0].entries.contains(&5), "names the later reading");
}

#[test]
fn machines() {
    let mut shop = station();
    let read = json!({ "meter": "run", "reading": h("1.0") });
    let seq = shop.post("2026-03-02T14:00:00+01:00", "meter.read", "equipment/S-99", read.clone());
    assert_eq!(shop.equipment_rules(seq), ["equipment.unknown_machine"]);
    shop.post_as(
        LEAD,
        "2026-03-02T13:00:00+01:00",
        "equipment.retired",
        STATION,
        json!({ "reason": "sold" }),
    );
    check(
        &mut shop,
        "meter.read",
        json!({ "meter": "run", "reading": h("101.0") }),
        &["equipment.retired"],
    );
    let before = shop.post(
        "2026-03-02T12:00:00+01:00",
        "meter.read",
        STATION,
        json!({ "meter": "run", "reading": h("101.0") }),
    );
    assert_eq!(shop.rules(before), [""; 0], "work before the machine was retired counts");
}

#[test]
fn plans() {
    let plan = |task: Value| json!({ "tasks": [task] });
    let mut empty = by_hours("x", "clean", "main-sieve", "20");
    empty.as_object_mut().unwrap().remove("every");
    let mut lost = by_hours("x", "clean", "main-sieve", "20");
    lost["also_does"] = json!(["y"]);
    lost["cautions"] = json!(["dragons"]);
    let mut lamp = by_hours("x", "clean", "main-sieve", "20");
    lamp["every"]["meter"] = json!("lamp");
    let mut cycles = by_hours("x", "clean", "main-sieve", "20");
    cycles["every"]["quantity"]["unit"] = json!("1");
    let unusable = "equipment.plan_task_unusable";
    let cases = [
        (by_hours("x", "clean", "main-sieve", "20"), &[][..]),
        (empty, &[unusable]),
        (lost, &[unusable, unusable]),
        (lamp, &[unusable]),
        (cycles, &[unusable]),
        (by_hours("x", "clean", "main-sieve", "0"), &[unusable]),
    ];
    for (task, rules) in cases {
        check(&mut station(), "plan.set", plan(task), rules);
    }
}

#[test]
fn work_on_a_plan() {
    let clean = |task: &str| json!({ "task": task, "target": "main-sieve", "method": "vacuum" });
    check(&mut station(), "cleaning.done", clean("clean_sieve"), &[]);
    check(&mut station(), "cleaning.done", clean("polish"), &["equipment.unknown_task"]);

    let mut late = station();
    late.post(
        "2026-03-04T18:00:00+01:00",
        "meter.read",
        STATION,
        json!({ "meter": "run", "reading": h("121.0") }),
    );
    let done =
        late.post("2026-03-05T08:00:00+01:00", "cleaning.done", STATION, clean("clean_sieve"));
    assert_eq!(
        late.found(done),
        ["equipment.done_late: `clean_sieve` of `S-02` was due since 2026-03-04"]
    );

    let mut at_the_limit = station();
    at_the_limit.post(
        "2026-03-04T18:00:00+01:00",
        "meter.read",
        STATION,
        json!({ "meter": "run", "reading": h("120.0") }),
    );
    let done = at_the_limit.post(
        "2026-03-05T08:00:00+01:00",
        "cleaning.done",
        STATION,
        clean("clean_sieve"),
    );
    assert_eq!(at_the_limit.rules(done), [""; 0], "done at the limit is on time");

    let defer = |approved_by: &str, until: Option<&str>| {
        let mut data =
            json!({ "task": "clean_sieve", "reason": "no_spare", "approved_by": approved_by });
        if let Some(day) = until {
            data["until_day"] = json!(day);
        }
        data
    };
    let cases = [
        (defer("op_lead2", Some("2026-03-10")), &[][..]),
        (defer("op_lead2", None), &["equipment.deferral_without_limit"]),
        (defer(LEAD, Some("2026-03-10")), &["equipment.deferral_self_approved"]),
    ];
    for (data, rules) in cases {
        let mut shop = station();
        let seq = shop.post_as(LEAD, "2026-03-02T14:00:00+01:00", "task.deferred", STATION, data);
        assert_eq!(shop.equipment_rules(seq), rules);
    }
}

#[test]
fn parts() {
    let out = |serial: &str| json!({ "serial": serial, "reason": "interval_reached", "condition": "worn" });
    let filter = |serial: &str, checks: Value| {
        json!({
            "position": "exhaust", "out": out("HF-1"),
            "in": { "serial": serial, "spec": { "filter_class": "H14" } }, "checks": checks,
        })
    };
    let no_arrow = json!([
        { "check": "airflow_arrow_matches", "ok": false }, { "check": "gasket_seated", "ok": true },
    ]);
    let good = yes(&["airflow_arrow_matches", "gasket_seated"]);
    let direction = "equipment.filter_direction_or_seal";
    let cases = [
        (filter("HF-2", good.clone()), &[][..]),
        (filter("HF-2", no_arrow), &[direction]),
        (filter("HF-2", yes(&[])), &[direction, direction]),
    ];
    for (data, rules) in cases {
        check(&mut station(), "part.swapped", data, rules);
    }

    let swap = |out_serial: &str, part: Value| {
        json!({
            "position": "main-sieve", "out": out(out_serial), "in": part,
            "checks": yes(&["seal_seated"]),
        })
    };
    let mut bare = sieve("SV-2");
    bare.as_object_mut().unwrap().remove("certificate");
    let mut old = sieve("SV-2");
    old["use_before"] = json!("2026-03-01");
    let cases = [
        (swap("SV-1", sieve("SV-2")), &[][..]),
        (swap("SV-7", sieve("SV-2")), &["equipment.part_out_is_not_fitted"]),
        (swap("SV-1", bare), &["equipment.sieve_undocumented"]),
        (swap("SV-1", old), &["equipment.part_past_last_day"]),
        (swap("SV-1", sieve("HF-1")), &["equipment.part_fitted_twice"]),
    ];
    for (data, rules) in cases {
        check(&mut station(), "part.swapped", data, rules);
    }

    let fit = |position: &str| json!({ "position": position, "in": sieve("SV-3"), "checks": yes(&["seal_seated"]) });
    check(&mut station(), "part.fitted", fit("main-sieve"), &["equipment.position_occupied"]);
    check(&mut station(), "part.fitted", fit("second-sieve"), &["equipment.unknown_position"]);
    let mut emptied = station();
    let remove = json!({ "position": "main-sieve", "out": out("SV-1") });
    check(&mut emptied, "part.removed", remove.clone(), &[]);
    check(&mut emptied, "part.removed", remove, &["equipment.part_out_is_not_fitted"]);
    check(&mut emptied, "part.fitted", fit("main-sieve"), &[]);
}

#[test]
fn sieving_over_the_sieve_that_is_fitted() {
    let sieved = |sieve: &str, um: &str| {
        json!({
            "sieve": sieve, "aperture": { "value": um, "unit": "um" }, "from": "bin/UB-3",
            "through": { "mass": { "value": "9.5", "unit": "kg" }, "into": "bin/UB-4" },
            "oversize": { "mass": { "value": "0.5", "unit": "kg" }, "into": "oversize/OV-1" },
            "duration": { "value": "30", "unit": "min" },
        })
    };
    let not_fitted = "equipment.sieve_in_use_is_not_fitted";
    for (data, found) in [(sieved("SV-1", "150"), false), (sieved("SV-9", "150"), true)] {
        let mut shop = station();
        let seq = shop.post("2026-03-02T14:00:00+01:00", "powder.sieved", STATION, data);
        assert_eq!(shop.equipment_rules(seq).contains(&not_fitted), found, "{:?}", shop.found(seq));
    }
}

#[test]
fn checks() {
    let check_of = |kind: &str, value: &str, unit: &str, at_most: &str, result: &str| {
        json!({
            "check": kind, "measured": { "value": value, "unit": unit },
            "limit": { "at_most": { "value": at_most, "unit": unit } }, "result": result,
        })
    };
    let cases = [
        (check_of("earthing", "4.1", "Ohm", "10", "pass"), &[][..]),
        (check_of("earthing", "14.1", "Ohm", "10", "pass"), &["equipment.pass_outside_limit"]),
        (check_of("earthing", "14.1", "Ohm", "10", "fail"), &["equipment.check_failed"]),
        (
            check_of("earthing", "4.1", "Ohm", "10", "fail"),
            &["equipment.check_failed", "equipment.fail_within_limit"],
        ),
        // NFPA 77 by a secondary source: 1 Mohm drains charge.
        (
            check_of("earthing", "2", "MOhm", "5", "pass"),
            &["equipment.pass_outside_limit", "equipment.limit_laxer_than_published"],
        ),
        // 1/32 in = 0.79 mm without a density of the dust.
        (check_of("dust_layer", "0.3", "mm", "0.4", "pass"), &[]),
        (
            check_of("dust_layer", "0.3", "mm", "2", "pass"),
            &["equipment.limit_laxer_than_published"],
        ),
        (
            json!({
                "check": "pressure_drop", "measured": { "value": "90", "unit": "Pa" },
                "limit": { "at_most": { "value": "5", "unit": "kg" } }, "result": "pass",
            }),
            &["equipment.limit_not_comparable"],
        ),
    ];
    for (data, rules) in cases {
        check(&mut station(), "check.done", data, rules);
    }
    let torn = json!({ "target": "main-sieve", "result": "fail", "observations": ["torn"] });
    check(&mut station(), "inspection.done", torn, &["equipment.check_failed"]);
}

/// A class III scale with e = 0.02 kg: 20 kg may show 19.96 to 20.04 in service (OIML R 76-1,
/// computations.md C16).
#[test]
fn scales() {
    let scale = || {
        let mut shop = Shop::default();
        let data = json!({
            "kind": "scale", "label": "Floor scale", "room": "R-12",
            "scale": { "interval": { "value": "0.02", "unit": "kg" }, "capacity": { "value": "150", "unit": "kg" } },
        });
        shop.post_as(
            LEAD,
            "2026-03-02T06:00:00+01:00",
            "equipment.registered",
            "equipment/W-01",
            data,
        );
        let plan = json!({ "tasks": [by_calendar("check_scale", "check", "pan", "P1W")] });
        shop.post_as(LEAD, "2026-03-02T06:00:00+01:00", "plan.set", "equipment/W-01", plan);
        shop
    };
    let check_scale = |shown: &str, result: &str| {
        json!({
            "check": "scale", "target": "pan", "measured": { "value": shown, "unit": "kg" },
            "reference": { "value": "20.00", "unit": "kg" },
            "limit": {
                "at_least": { "value": "19.96", "unit": "kg" },
                "at_most": { "value": "20.04", "unit": "kg" },
            },
            "result": result,
        })
    };
    for (shown, result, rules) in [
        ("20.04", "pass", &[][..]),
        ("20.06", "fail", &["equipment.check_failed"]),
        ("20.06", "pass", &["equipment.pass_outside_limit"]),
    ] {
        let mut shop = scale();
        let seq = shop.post(
            "2026-03-02T07:00:00+01:00",
            "check.done",
            "equipment/W-01",
            check_scale(shown, result),
        );
        assert_eq!(shop.equipment_rules(seq), rules, "{shown} {result}");
    }

    let weigh = |shop: &mut Shop, time: &str| {
        let data = json!({ "gross": { "value": "19.40", "unit": "kg" }, "scale": "W-01" });
        let seq = shop.post(time, "container.weighed", "container/D-118", data);
        shop.equipment_rules(seq).into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    let mut shop = scale();
    assert_eq!(
        weigh(&mut shop, "2026-03-02T06:30:00+01:00"),
        ["equipment.scale_overdue"],
        "never checked"
    );
    shop.post(
        "2026-03-02T07:00:00+01:00",
        "check.done",
        "equipment/W-01",
        check_scale("20.00", "pass"),
    );
    assert_eq!(weigh(&mut shop, "2026-03-09T08:00:00+01:00"), [""; 0]);
    assert_eq!(weigh(&mut shop, "2026-03-10T08:00:00+01:00"), ["equipment.scale_overdue"]);
    shop.post(
        "2026-03-10T09:00:00+01:00",
        "check.done",
        "equipment/W-01",
        check_scale("20.06", "fail"),
    );
    assert_eq!(weigh(&mut shop, "2026-03-10T10:00:00+01:00"), ["equipment.scale_failed"]);
}

#[test]
fn safe_use() {
    let clean = |method: &str| json!({ "target": "main-sieve", "method": method });
    check(&mut station(), "cleaning.done", clean("vacuum"), &[]);
    check(&mut station(), "cleaning.done", clean("wipe"), &[]);
    check(&mut station(), "cleaning.done", clean("brush"), &["equipment.not_vacuumed"]);

    let isolate = |checked: bool| json!({ "lock": "LK-1", "energy_checked": checked });
    check(&mut station(), "equipment.isolated", isolate(true), &[]);
    check(&mut station(), "equipment.isolated", isolate(false), &["equipment.energy_not_checked"]);

    let give_back = |lock: Option<&str>, ok: bool| {
        let mut data = json!({ "tests": [{ "check": "function", "ok": ok }], "released_by": LEAD });
        if let Some(lock) = lock {
            data["lock"] = json!(lock);
        }
        data
    };
    let isolated = || {
        let mut shop = station();
        shop.post("2026-03-02T13:00:00+01:00", "equipment.isolated", STATION, isolate(true));
        shop
    };
    check(&mut isolated(), "equipment.returned", give_back(Some("LK-1"), true), &[]);
    check(
        &mut isolated(),
        "equipment.returned",
        give_back(None, true),
        &["equipment.returned_with_lock"],
    );
    check(
        &mut isolated(),
        "equipment.returned",
        give_back(Some("LK-1"), false),
        &["equipment.returned_with_failed_test"],
    );

    let load = |shop: &mut Shop| -> Vec<String> {
        let data = json!({
            "from": "lot_container/J-1", "into": "hopper/S-02.main",
            "mass": { "value": "5.00", "unit": "kg" },
        });
        let seq = shop.post("2026-03-02T15:00:00+01:00", "powder.loaded", STATION, data);
        shop.equipment_rules(seq).into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(load(&mut station()), [""; 0]);
    assert_eq!(load(&mut isolated()), ["equipment.used_while_isolated"]);
    let mut failed = isolated();
    failed.post_as(
        LEAD,
        "2026-03-02T14:00:00+01:00",
        "equipment.returned",
        STATION,
        give_back(Some("LK-1"), false),
    );
    assert_eq!(load(&mut failed), ["equipment.used_unreleased"]);

    let mut swapped = station();
    let swap = json!({
        "position": "exhaust",
        "out": { "serial": "HF-1", "reason": "interval_reached", "condition": "worn" },
        "in": { "serial": "HF-2", "spec": { "filter_class": "H14" } },
        "checks": yes(&["airflow_arrow_matches", "gasket_seated"]),
    });
    swapped.post("2026-03-02T13:00:00+01:00", "part.swapped", STATION, swap);
    assert_eq!(load(&mut swapped), ["equipment.used_without_leak_check"]);
    let leak = json!({
        "check": "leak", "target": "exhaust", "measured": { "value": "0.002", "unit": "%" },
        "limit": { "at_most": { "value": "0.025", "unit": "%" } }, "result": "pass",
    });
    swapped.post("2026-03-02T14:00:00+01:00", "check.done", STATION, leak);
    assert_eq!(load(&mut swapped), [""; 0]);
}

#[test]
fn a_site_may_ask_for_isolation_before_work_inside() {
    let mut shop = station();
    let config = json!({ "parameters": { "isolation_required": "1" }, "reason": "site_rule" });
    shop.post_as(LEAD, "2026-03-02T12:00:00+01:00", "config.changed", "site/north", config);
    let clean = json!({ "target": "main-sieve", "method": "vacuum" });
    check(&mut shop, "cleaning.done", clean.clone(), &["equipment.not_isolated"]);
    let lock = json!({ "lock": "LK-1", "energy_checked": true });
    shop.post("2026-03-02T13:30:00+01:00", "equipment.isolated", STATION, lock);
    check(&mut shop, "cleaning.done", clean, &[]);
}
