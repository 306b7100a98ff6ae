//! Plans, checks of every shift, meters, and the maintenance that falls due.
//!
//! Intervals: trade-values.md B9 (about 20, 50 and 100 hours) and the rest are common practice, no
//! source; the examination of extraction at most every 14 months is UK COSHH reg. 9 (B10).

use jiff::SignedDuration;
use jiff::civil::Date;
use serde_json::{Value, json};

use super::calendar::{Shift, Site, minutes};
use super::cast::{MACHINES, Machine, Team, Who, machines, room, scale, team};
use super::desk::{Sending, Work};
use super::floor::{MachineId, Shop, Turn, checks, kg, scale_of, shown};
use super::script::EventNo;
use super::{metal, polymer, waste};

/// A task of a plan.
pub(super) struct Task {
    pub(super) task: &'static str,
    pub(super) action: &'static str,
    pub(super) target: &'static str,
    /// Meter and limit in tenths.
    pub(super) meter: Option<(&'static str, i64)>,
    /// Interval and its days, for the calendar.
    pub(super) calendar: Option<(&'static str, i64)>,
    also_does: &'static [&'static str],
    cautions: &'static [&'static str],
    citation: Option<&'static str>,
}

const fn task(task: &'static str, action: &'static str, target: &'static str) -> Task {
    Task {
        task,
        action,
        target,
        meter: None,
        calendar: None,
        also_does: &[],
        cautions: &["combustible_dust", "ignition_and_earthing", "breathing_protection"],
        citation: None,
    }
}

const SIEVING: &[Task] = &[
    Task { meter: Some(("sift", 200)), ..task("sieve_clean", "clean", "deck") },
    Task {
        meter: Some(("sift", 500)),
        also_does: &["sieve_clean", "sieve_inspect"],
        cautions: &["isolation", "combustible_dust", "breathing_protection"],
        ..task("sieve_replace", "replace", "deck")
    },
    Task { calendar: Some(("P1W", 7)), ..task("sieve_inspect", "inspect", "deck") },
    Task {
        meter: Some(("sift", 1_000)),
        cautions: &["isolation", "combustible_dust", "breathing_protection"],
        ..task("hepa_replace", "replace", "exhaust")
    },
    Task { meter: Some(("sift", 400)), ..task("prefilter_clean", "clean", "intake") },
    Task { calendar: Some(("P1M", 28)), ..task("earthing_check", "check", "frame") },
];
const POLYMER_PRINTER: &[Task] = &[
    Task {
        meter: Some(("builds", 10)),
        cautions: &["hot_powder", "combustible_dust", "breathing_protection"],
        ..task("chamber_clean", "clean", "chamber")
    },
    Task { meter: Some(("builds", 50)), ..task("window_clean", "clean", "window") },
    Task { meter: Some(("run", 9_000)), ..task("recoater_replace", "replace", "recoater") },
    Task { meter: Some(("run", 12_000)), ..task("hepa_replace", "replace", "exhaust") },
];
const METAL_PRINTER: &[Task] = &[
    Task {
        meter: Some(("builds", 10)),
        cautions: &["reactive_metal", "combustible_dust", "breathing_protection"],
        ..task("chamber_clean", "clean", "chamber")
    },
    Task { meter: Some(("builds", 20)), ..task("window_clean", "clean", "window") },
    Task { meter: Some(("run", 5_000)), ..task("recoater_replace", "replace", "recoater") },
    Task {
        meter: Some(("run", 6_000)),
        cautions: &["reactive_metal", "isolation", "breathing_protection"],
        ..task("hepa_replace", "replace", "exhaust")
    },
    Task { calendar: Some(("P1M", 28)), ..task("oxygen_check", "check", "oxygen") },
];
const VACUUM: &[Task] = &[
    Task { calendar: Some(("P1M", 28)), ..task("hose_check", "check", "hose") },
    Task { meter: Some(("run", 800)), ..task("hepa_replace", "replace", "exhaust") },
];
const BLENDER: &[Task] =
    &[Task { calendar: Some(("P1M", 28)), ..task("earthing_check", "check", "frame") }];
const SCALE: &[Task] =
    &[Task { calendar: Some(("P1W", 7)), cautions: &[], ..task("scale_check", "check", "pan") }];
const EXTRACTION: &[Task] = &[
    Task {
        calendar: Some(("P1W", 7)),
        cautions: &[],
        ..task("pressure_check", "check", "exhaust")
    },
    Task { meter: Some(("run", 20_000)), ..task("hepa_replace", "replace", "exhaust") },
    Task {
        calendar: Some(("P14M", 420)),
        cautions: &[],
        citation: Some("UK COSHH reg. 9"),
        ..task("examination", "inspect", "system")
    },
];

/// The plan of a machine.
pub(super) fn plan(machine: &Machine) -> &'static [Task] {
    match (machine.kind, machine.site) {
        ("printer", Site::North) => POLYMER_PRINTER,
        ("printer", Site::South) => METAL_PRINTER,
        ("sieving_station", _) => SIEVING,
        ("vacuum", _) => VACUUM,
        ("blender", _) => BLENDER,
        ("scale", _) => SCALE,
        ("extraction", _) => EXTRACTION,
        (kind, _) => unreachable!("no plan for `{kind}`"),
    }
}

/// The `data` of a `plan.set`.
pub(super) fn plan_data(machine: &Machine) -> Value {
    let tasks: Vec<Value> = plan(machine)
        .iter()
        .map(|t| {
            let mut task = json!({
                "task": t.task,
                "action": t.action,
                "target": t.target,
                "warn_percent": 90,
                "cautions": t.cautions,
                "also_does": t.also_does,
                "source": match t.citation {
                    Some(title) => json!({ "basis": "published", "citation": title }),
                    None => json!({ "basis": "common_practice" }),
                },
            });
            if let Some((meter, tenths)) = t.meter {
                task["every"] = json!({ "meter": meter, "quantity": shown(meter, tenths) });
            }
            if let Some((interval, _)) = t.calendar {
                task["calendar"] = interval.into();
            }
            task
        })
        .collect();
    json!({ "tasks": tasks })
}

/// What a part of a position is specified to be.
pub(super) fn spec(site: Site, position: &str) -> Value {
    match (position, site) {
        ("deck", Site::North) => {
            json!({ "aperture": { "value": "160", "unit": "um" }, "spec_id": "ISO3310-1" })
        }
        ("deck", Site::South) => {
            json!({ "aperture": { "value": "75", "unit": "um" }, "spec_id": "ISO3310-1" })
        }
        ("exhaust", _) => json!({ "filter_class": "H14" }),
        ("intake", _) => json!({ "filter_class": "M5" }),
        _ => json!({}),
    }
}

/// Checks at the start of a shift (job map rows 5, 21, 42, 44).
pub(super) fn begin_shift(shop: &mut Shop, turn: &mut Turn) {
    shop.pass(turn, 3, 7);
    scale_check(shop, turn);
    if turn.shift == Shift::Late {
        return;
    }
    for machine in machines(turn.site) {
        match machine.kind {
            "sieving_station" | "blender" | "vacuum" => {
                shop.pass(turn, 2, 4);
                earthing(shop, turn, machine);
            }
            "printer" if turn.site == Site::South => {
                shop.pass(turn, 2, 4);
                oxygen(shop, turn, machine.id);
            }
            _ => {}
        }
        if matches!(machine.kind, "sieving_station" | "extraction") {
            shop.pass(turn, 1, 3);
            pressure_drop(shop, turn, machine);
        }
    }
    shop.pass(turn, 3, 6);
    dust_layer(shop, turn);
    if turn.day.day() <= 7 {
        air_and_dust(shop, turn);
    }
}

/// A scale against a reference weight. Limit: in-service error of a class III scale, which is
/// twice the initial one (OIML R 76-1 Table 6): 0.04 kg for 20 kg at e = 0.02 kg (C16).
pub(super) fn scale_check(shop: &mut Shop, turn: &mut Turn) -> EventNo {
    let site = turn.site;
    let (weight, error, step) = match site {
        Site::North => (20_000, 40, 20),
        Site::South => (10_000, 10, 5),
    };
    let shown = weight + shop.rng.range(-1, 1) * step;
    let data = json!({
        "task": "scale_check",
        "check": "scale",
        "target": "pan",
        "measured": kg(site, shown),
        "reference": kg(site, weight),
        "limit": { "at_least": kg(site, weight - error), "at_most": kg(site, weight + error) },
        "result": "pass",
        "instrument": format!("RW-{}", weight / 1_000),
    });
    let who = turn.hand();
    shop.note(turn, who, "check.done", format!("equipment/{}", scale(site)), data)
}

fn earthing(shop: &mut Shop, turn: &mut Turn, machine: &Machine) {
    let (task, target) = match machine.kind {
        "vacuum" => ("hose_check", "hose"),
        _ => ("earthing_check", "frame"),
    };
    let tenths = shop.rng.range(8, 61);
    let data = json!({
        "task": task,
        "check": "earthing",
        "target": target,
        "measured": { "value": format!("{}.{}", tenths / 10, tenths % 10), "unit": "Ohm" },
        "limit": { "at_most": { "value": "10", "unit": "Ohm" } },
        "result": "pass",
        "instrument": format!("OM-{}", turn.site.label()),
    });
    let who = turn.hand();
    shop.note(turn, who, "check.done", format!("equipment/{}", machine.id), data);
}

fn oxygen(shop: &mut Shop, turn: &mut Turn, machine: MachineId) {
    let ppm = shop.rng.range(180, 720);
    let data = json!({
        "task": "oxygen_check",
        "check": "oxygen",
        "target": "oxygen",
        "measured": { "value": ppm.to_string(), "unit": "[ppm]" },
        "limit": { "at_most": { "value": "1000", "unit": "[ppm]" } },
        "result": "pass",
        "instrument": "OX-REF",
    });
    let who = turn.hand();
    shop.note(turn, who, "check.done", format!("equipment/{machine}"), data);
}

/// Brings the meters up to date that run by themselves: printers, and the extraction through the
/// shift.
pub(super) fn advance(shop: &mut Shop, turn: &mut Turn) {
    match turn.site {
        Site::North => polymer::advance_all(shop, turn.now),
        Site::South => metal::advance_all(shop, turn.now),
    }
    let extraction = if turn.site == Site::North { "X-01" } else { "X-11" };
    let ran = turn.now.duration_since(turn.extracted).as_mins() / 6;
    shop.run(extraction, "run", ran);
    turn.extracted += minutes(ran * 6);
}

/// The pressure drop over a filter grows with the hours it has worked.
fn pressure_drop(shop: &mut Shop, turn: &mut Turn, machine: &Machine) {
    advance(shop, turn);
    let (meter, _) = machine.meters[0];
    let hours = (shop.meter(machine.id, meter) - shop.parts[&(machine.id, "exhaust")].since) / 10;
    let (base, gain) = if machine.kind == "extraction" { (140, 12) } else { (95, 1) };
    let pa = base + hours / gain + shop.rng.range(-4, 4);
    let data = json!({
        "check": "pressure_drop",
        "target": "exhaust",
        "measured": { "value": pa.to_string(), "unit": "Pa" },
        "limit": { "at_most": { "value": "350", "unit": "Pa" } },
        "result": if pa <= 350 { "pass" } else { "fail" },
        "instrument": format!("PG-{}", machine.id),
        "reading": shop.reading(machine.id, meter),
    });
    let mut data = data;
    if machine.kind == "extraction" {
        data["task"] = "pressure_check".into();
    }
    let who = turn.hand();
    shop.note(turn, who, "check.done", format!("equipment/{}", machine.id), data);
}

/// Depth of the dust layer. No evaluation is needed up to 1/64 in, 0.4 mm (NFPA 654 TIA 06-1
/// 6.1.1.1, trade-values.md B4).
fn dust_layer(shop: &mut Shop, turn: &mut Turn) {
    let hundredths = shop.rng.range(2, 28);
    let machine = if turn.site == Site::North { "X-01" } else { "X-11" };
    let data = json!({
        "check": "dust_layer",
        "target": room(turn.site),
        "measured": { "value": format!("0.{hundredths:02}"), "unit": "mm" },
        "limit": { "at_most": { "value": "0.4", "unit": "mm" } },
        "result": "pass",
    });
    let who = turn.hand();
    shop.note(turn, who, "check.done", format!("equipment/{machine}"), data);
}

/// The safety officer measures the dust that lies in the room and the dust that one person breathed
/// over a shift, and holds it against the limit the site works to (TRGS 900, 0.5 x density;
/// trade-values.md B5). Densities: PA12 from memory, steel powder invented.
fn air_and_dust(shop: &mut Shop, turn: &Turn) {
    let (bulk, density, limit) = match turn.site {
        Site::North => ("450", "1.01", "0.505"),
        Site::South => ("4500", "7.90", "3.95"),
    };
    let value = |value: &str, unit: &str| json!({ "value": value, "unit": unit });
    let Team { ehs, technicians: [worn_by, ..], .. } = team(turn.site) else { return };
    let (site, at) = (turn.site, turn.now);
    let dust = json!({
        "room": room(turn.site),
        "footprint": value("200", "m2"),
        "height": value("3", "m"),
        "bulk_density": value(bulk, "kg/m3"),
        "layers": [{ "depth": value("0.1", "mm"), "area": value("12", "m2") }],
    });
    let subject = format!("site/{}", site.label());
    shop.desk.person(ehs, Work { name: "dust.surveyed", subject, site, at, data: dust });
    let sample = |concentration: &str, hours: &str, assumed: bool| {
        json!({
            "concentration": value(concentration, "mg/m3"),
            "duration": value(hours, "h"),
            "assumed": assumed,
        })
    };
    let air = json!({
        "room": room(turn.site),
        "fraction": "respirable",
        "samples": [sample("0.8", "2", false), sample("0.3", "5", false), sample("0", "1", true)],
        "limits": [{
            "limit": value(limit, "mg/m3"), "fraction": "respirable", "source": "TRGS 900",
            "conversion": "0.5 x density",
        }],
        "density": value(density, "g/cm3"),
    });
    let subject = format!("person/{}", worn_by.id());
    shop.desk.person(ehs, Work { name: "exposure.measured", subject, site, at, data: air });
}

/// Every meter of the site is read by the MES.
pub(super) fn readings(shop: &mut Shop, turn: &mut Turn) {
    advance(shop, turn);
    let who = turn.hand();
    for machine in machines(turn.site) {
        // Builds are read once a day; hours at the end of every shift.
        let read = |unit: &str| unit == "h" || turn.shift == Shift::Late;
        for (meter, _) in machine.meters.iter().filter(|(_, unit)| read(unit)) {
            read_meter(shop, turn, who, machine.id, meter);
        }
    }
}

fn read_meter(shop: &mut Shop, turn: &Turn, who: Who, machine: MachineId, meter: &'static str) {
    let data = json!({ "meter": meter, "reading": shown(meter, shop.meter(machine, meter)) });
    shop.seen(turn, who, "meter.read", format!("equipment/{machine}"), data);
}

/// The meters are read at the end of the shift.
pub(super) fn end_shift(shop: &mut Shop, turn: &mut Turn) {
    let end = turn.site.at(turn.day, turn.shift.hour(), 0) + minutes(472);
    turn.now = turn.now.max(end);
    for _ in 0..shop.readings_a_shift {
        readings(shop, turn);
        turn.now += SignedDuration::from_secs(15);
    }
}

/// Does what has fallen due, on early shifts while the lead is there.
pub(super) fn maintain(shop: &mut Shop, turn: &mut Turn) {
    if turn.shift != Shift::Early {
        return;
    }
    advance(shop, turn);
    for machine in machines(turn.site) {
        for task in plan(machine) {
            if super::troubles::neglected(shop, machine.id, task.task, turn.day) {
                continue;
            }
            if is_due(shop, machine.id, task, turn.day) {
                perform(shop, turn, machine, task);
            }
        }
    }
}

fn is_due(shop: &Shop, machine: MachineId, task: &Task, day: Date) -> bool {
    let by_meter = task.meter.is_some_and(|(meter, limit)| {
        let since = shop.served.get(&(machine, task.task)).copied().unwrap_or(0);
        // The shift plans ahead: work that would not last until tomorrow is done today.
        let ahead = if meter == "builds" { 100 } else { 92 };
        shop.meter(machine, meter) - since >= limit * ahead / 100
    });
    let by_calendar = task.calendar.is_some_and(|(_, days)| {
        shop.served_on
            .get(&(machine, task.task))
            .is_none_or(|last| (day - *last).get_days() >= i32::try_from(days).expect("days") - 1)
    });
    (by_meter || by_calendar) && !matches!(task.task, "chamber_clean" | "examination")
}

/// Remembers that a task was done now.
pub(super) fn mark(shop: &mut Shop, machine: MachineId, task: &Task, day: Date) {
    if let Some((meter, _)) = task.meter {
        let at = shop.meter(machine, meter);
        shop.served.insert((machine, task.task), at);
    }
    shop.served_on.insert((machine, task.task), day);
}

/// Does one task of a plan.
pub(super) fn perform(shop: &mut Shop, turn: &mut Turn, machine: &'static Machine, task: &Task) {
    advance(shop, turn);
    match task.action {
        "replace" => {
            let mut who = turn.hand();
            if task.task == "sieve_replace"
                && !super::troubles::may_change_sieves(shop, who, turn.day)
            {
                who = turn.other(who);
            }
            let since = task.meter.map_or(0, |(meter, _)| {
                shop.meter(machine.id, meter) - shop.served[&(machine.id, task.task)]
            });
            let why = Swap { who, reason: "interval_reached", condition: "worn" };
            let no = replace(shop, turn, machine, task, why);
            super::troubles::after_replacement(shop, turn, machine.id, task.task, since, no);
        }
        "clean" => clean(shop, turn, machine, task),
        "inspect" => {
            inspect(shop, turn, machine, task, "pass", &[]);
        }
        // Checks with a number are part of the start of every shift.
        _ => {}
    }
    mark(shop, machine.id, task, turn.day);
    for other in task.also_does {
        if let Some(task) = plan(machine).iter().find(|t| t.task == *other) {
            mark(shop, machine.id, task, turn.day);
        }
    }
}

fn clean(shop: &mut Shop, turn: &mut Turn, machine: &Machine, task: &Task) {
    shop.pass(turn, 10, 20);
    advance(shop, turn);
    let who = turn.hand();
    let (meter, _) = task.meter.expect("a clean goes by a meter");
    let method = if task.target == "window" { "wipe" } else { "vacuum" };
    let mut data = json!({
        "task": task.task,
        "target": task.target,
        "method": method,
        "reading": shop.reading(machine.id, meter),
        "checks": checks(&["airflow_off", "top_to_bottom", "mask_worn", "vacuum_bonded"]),
    });
    if method == "vacuum" && machine.kind == "sieving_station" {
        residue(shop, turn, machine.id, &mut data);
    }
    shop.note(turn, who, "cleaning.done", format!("equipment/{}", machine.id), data);
}

/// What lay on the deck of a station, oversize, is vacuumed off.
fn residue(shop: &mut Shop, turn: &Turn, station: MachineId, data: &mut Value) {
    let bag = match metal::LINES.iter().position(|l| l.station == station) {
        Some(i) => shop.metal.canister[i].clone(),
        None => shop.polymer.vacuum_bag.clone(),
    };
    let from = format!("oversize/{station}.tray");
    let about = shop.rng.range(3, 9) * 20;
    let there = shop.stock.truth(&from).min(shop.stock.book(&from)) - 20;
    if there < about {
        return;
    }
    let into = format!("vacuum_bag/{bag}");
    let shown = shop.carry(turn.site, &from, &into, about);
    data["residue"] = json!({ "mass": kg(turn.site, shown), "from": from, "into": into,
        "scale": scale_of(turn.site) });
}

/// A look at a part (job map row 2).
pub(super) fn inspect(
    shop: &mut Shop,
    turn: &mut Turn,
    machine: &Machine,
    task: &Task,
    result: &str,
    seen: &[&str],
) -> EventNo {
    shop.pass(turn, 6, 12);
    let who = turn.hand();
    let mut data = json!({
        "task": task.task,
        "target": task.target,
        "result": result,
        "observations": if seen.is_empty() { vec!["back_light_even"] } else { seen.to_vec() },
    });
    if let Some((id, position)) =
        machine.positions.iter().map(|(p, _)| (machine.id, *p)).find(|(_, p)| *p == task.target)
    {
        data["serial"] = shop.parts[&(id, position)].serial.clone().into();
    }
    if let Some((meter, _)) = machine.meters.first() {
        data["reading"] = shop.reading(machine.id, meter);
    }
    shop.note(turn, who, "inspection.done", format!("equipment/{}", machine.id), data)
}

/// Who exchanges a part, and why.
#[derive(Debug, Clone, Copy)]
pub(super) struct Swap {
    pub(super) who: Who,
    pub(super) reason: &'static str,
    pub(super) condition: &'static str,
}

/// A part is exchanged: isolate, swap, book the waste, test, return to use (rows 3, 7, 17, 18).
/// Returns the swap.
pub(super) fn replace(
    shop: &mut Shop,
    turn: &mut Turn,
    machine: &Machine,
    task: &Task,
    why: Swap,
) -> EventNo {
    let who = why.who;
    let subject = format!("equipment/{}", machine.id);
    let lead = team(turn.site).lead;
    let lock = shop.label("LK");
    shop.pass(turn, 4, 8);
    let data = json!({ "lock": lock, "energy_checked": true });
    shop.note(turn, who, "equipment.isolated", subject.clone(), data);
    shop.pass(turn, 12, 25);
    advance(shop, turn);
    let swap = swap(shop, turn, machine, task, why);
    shop.pass(turn, 5, 10);
    if task.target == "exhaust" {
        let data = json!({
            "check": "leak",
            "target": "exhaust",
            "measured": { "value": "0.002", "unit": "%" },
            "limit": { "at_most": { "value": "0.025", "unit": "%" } },
            "result": "pass",
            "instrument": format!("LT-{}", turn.site.label()),
        });
        shop.note(turn, who, "check.done", subject.clone(), data);
        shop.pass(turn, 3, 6);
    }
    let data = json!({
        "lock": lock,
        "tests": checks(&["function", "earthing", "leak"]),
        "released_by": lead.id(),
    });
    let returned =
        Work { name: "equipment.returned", subject, site: turn.site, at: turn.now, data };
    shop.desk.person_with(lead, returned, Sending::default());
    swap
}

fn swap(shop: &mut Shop, turn: &mut Turn, machine: &Machine, task: &Task, why: Swap) -> EventNo {
    let position = machine
        .positions
        .iter()
        .map(|(p, _)| *p)
        .find(|p| *p == task.target)
        .expect("a position of the machine");
    let (meter, _) = task.meter.expect("a replacement goes by a meter");
    let old = shop.parts[&(machine.id, position)].clone();
    let now = shop.meter(machine.id, meter);
    let new = shop.fit(turn.site, machine.id, position, now);
    let mut fitted = json!({ "serial": new, "spec": spec(turn.site, position) });
    if matches!(position, "deck" | "exhaust") {
        fitted["lot"] = format!("PL-{}", shop.rng.range(100, 999)).into();
        fitted["certificate"] = shop.desk.digest().into();
    }
    let steps: &[&str] = match position {
        "exhaust" => &["airflow_arrow_matches", "gasket_seated", "area_vacuumed_first"],
        "deck" => &["seal_seated", "area_vacuumed_first", "airflow_off"],
        _ => &["seated"],
    };
    let data = json!({
        "task": task.task,
        "position": position,
        "out": { "serial": old.serial, "reason": why.reason, "condition": why.condition },
        "in": fitted,
        "checks": checks(steps),
        "reading": shop.reading(machine.id, meter),
    });
    let no = shop.note(turn, why.who, "part.swapped", format!("equipment/{}", machine.id), data);
    let (what, about) = match position {
        "deck" => ("sieve", shop.rng.range(600, 900)),
        "exhaust" => ("filter", shop.rng.range(1_900, 3_400)),
        _ => ("wipes", shop.rng.range(150, 400)),
    };
    shop.pass(turn, 3, 6);
    let stream = solids_stream(machine.id);
    waste::part(shop, turn, stream, what, &old.serial, no, about);
    no
}

/// Stream of used filters, sieves and wipes of a machine.
pub(super) fn solids_stream(machine: MachineId) -> &'static str {
    let line = metal::LINES.iter().find(|l| [l.printer, l.station, l.vacuum].contains(&machine));
    match line {
        Some(line) => line.solids_stream,
        None if machine == "X-11" => "TI-SOLIDS",
        None => "PA12-SOLIDS",
    }
}

/// Looks a machine up.
pub(super) fn machine(id: &str) -> &'static Machine {
    MACHINES.iter().find(|m| m.id == id).expect("a machine of the cast")
}

/// Looks a task of a machine's plan up.
pub(super) fn task_of(machine: &Machine, task: &str) -> &'static Task {
    plan(machine).iter().find(|t| t.task == task).expect("a task of the plan")
}
