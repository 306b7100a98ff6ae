//! The polymer room (`north`): lots of PA12, blends of fresh and used powder, builds, sieving.
//!
//! Figures of trade-values.md B1: 80 to 90 % of the powder in a chamber stays unsintered; about
//! 30 % fresh powder in a blend (a recycling-optimised grade). The rest is common practice.

use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::{Value, json};

use super::calendar::{Shift, Site, minutes};
use super::cast::team;
use super::floor::{MachineId, Shop, Turn, checks, kg, scale_of};
use super::script::EventNo;

const SITE: Site = Site::North;
pub(super) const PRINTERS: [MachineId; 3] = ["P-01", "P-02", "P-03"];
pub(super) const STATIONS: [MachineId; 2] = ["S-01", "S-02"];
pub(super) const RECIPE: &str = "PA12-STD";
pub(super) const UNSIEVED: &str = "bin/UN-01";
pub(super) const SIEVED: &str = "bin/US-01";

/// A build that runs or cools.
#[derive(Debug, Clone)]
pub(super) struct Build {
    pub(super) id: String,
    /// When the heating began.
    pub(super) from: Timestamp,
    /// Minutes at bed temperature.
    pub(super) heat_min: i64,
    /// When it can be opened.
    pub(super) cool_at: Timestamp,
    /// Powder it draws.
    pub(super) draws_g: i64,
    /// Run hours already on the meter, tenths.
    pub(super) counted: i64,
}

/// A delivered lot and what is left in its containers.
#[derive(Debug, Clone)]
pub(super) struct Lot {
    pub(super) id: String,
    pub(super) containers: Vec<String>,
    pub(super) tested: bool,
    pub(super) released: bool,
    pub(super) held: bool,
}

/// What the room keeps in mind.
#[derive(Debug, Default)]
pub(super) struct Polymer {
    pub(super) running: [Option<Build>; 3],
    pub(super) lots: Vec<Lot>,
    /// Blended lots with powder left, oldest first.
    pub(super) blends: Vec<String>,
    pub(super) vacuum_bag: String,
    pub(super) builds_done: u32,
    /// A printer that cannot be used for now.
    pub(super) out_of_use: Option<usize>,
    /// Nothing is started while quality looks into something.
    pub(super) paused: bool,
    next_station: usize,
    pub(super) ordered_for: Option<Date>,
}

/// Advances the run meter of a printer by what its build has run until `now`.
pub(super) fn advance(shop: &mut Shop, printer: MachineId, build: &mut Build, now: Timestamp) {
    let ran_min = now.duration_since(build.from).as_mins().clamp(0, build.heat_min);
    let tenths = ran_min / 6;
    shop.run(printer, "run", tenths - build.counted);
    build.counted = tenths;
}

/// Brings the run meters of the printers up to date.
pub(super) fn advance_all(shop: &mut Shop, now: Timestamp) {
    for (i, printer) in PRINTERS.into_iter().enumerate() {
        if let Some(mut build) = shop.polymer.running[i].take() {
            advance(shop, printer, &mut build, now);
            shop.polymer.running[i] = Some(build);
        }
    }
}

/// One shift of production.
pub(super) fn produce(shop: &mut Shop, turn: &mut Turn) {
    receive(shop, turn);
    for i in 0..PRINTERS.len() {
        let cool = shop.polymer.running[i].as_ref().is_some_and(|b| b.cool_at <= turn.now);
        if cool {
            unpack(shop, turn, i);
        }
    }
    if shop.stock.truth(UNSIEVED) > 9_000 {
        sieve(shop, turn);
    }
    if shop.polymer.paused {
        return tidy(shop, turn);
    }
    if blended_g(shop) < 75_000 {
        blend(shop, turn);
    }
    for i in 0..PRINTERS.len() {
        let usable = shop.polymer.out_of_use != Some(i);
        if usable && shop.polymer.running[i].is_none() && shop.rng.chance(92) {
            prepare(shop, turn, i);
        }
    }
    tidy(shop, turn);
}

fn blended_g(shop: &Shop) -> i64 {
    shop.polymer.blends.iter().map(|b| shop.stock.truth(&lot_container(b))).sum()
}

pub(super) fn lot_container(id: &str) -> String {
    format!("lot_container/{id}")
}

/// Fresh powder in released lots, grams.
fn fresh_g(shop: &Shop) -> i64 {
    let usable = shop.polymer.lots.iter().filter(|l| l.released && !l.held);
    usable.flat_map(|l| &l.containers).map(|c| shop.stock.truth(&lot_container(c))).sum()
}

/// Orders, receives, tests and releases lots, on early shifts.
fn receive(shop: &mut Shop, turn: &mut Turn) {
    if turn.shift != Shift::Early {
        return;
    }
    let quality = team(SITE).quality;
    for i in 0..shop.polymer.lots.len() {
        let lot = shop.polymer.lots[i].clone();
        if !lot.tested {
            shop.pass(turn, 5, 12);
            super::milestones::sample(shop, turn, &lot.id, &lot.containers[0]);
            test_lot(shop, turn, &lot.id);
            shop.polymer.lots[i].tested = true;
        } else if !lot.released {
            shop.pass(turn, 3, 8);
            let data = json!({ "meaning": "released" });
            shop.note(turn, quality, "lot.released", format!("lot/{}", lot.id), data);
            shop.polymer.lots[i].released = true;
        }
    }
    match shop.polymer.ordered_for {
        Some(day) if day <= turn.day => {
            shop.polymer.ordered_for = None;
            shop.pass(turn, 6, 15);
            delivery(shop, turn, 9);
        }
        Some(_) => {}
        None if fresh_g(shop) < 130_000 => {
            let days = shop.rng.range(2, 4);
            shop.polymer.ordered_for = Some(turn.day.saturating_add(jiff::Span::new().days(days)));
        }
        None => {}
    }
}

/// A delivery of jugs of about 20 kg.
pub(super) fn delivery(shop: &mut Shop, turn: &mut Turn, jugs: usize) -> (String, EventNo) {
    let id = shop.label("PA");
    let mut containers = Vec::new();
    let mut listed = Vec::new();
    for n in 1..=jugs {
        let container = format!("{id}-{n:02}");
        let net = shop.rng.range(1_990, 2_012) * 10 / 20 * 20;
        let tare = 1_160;
        let shown = shop.carry(SITE, "supplier/SUP-A", &lot_container(&container), net);
        listed.push(json!({
            "id": container,
            "gross": kg(SITE, shown + tare),
            "tare": kg(SITE, tare),
        }));
        containers.push(container);
    }
    let expires = turn.day.saturating_add(jiff::Span::new().days(720));
    let data = json!({
        "material": "PA12",
        "supplier": "SUP-A",
        "supplier_lot": format!("A{}", shop.rng.range(100_000, 999_999)),
        "containers": listed,
        "certificate": { "number": format!("C-{id}"), "digest": shop.desk.digest() },
        "expires": expires.to_string(),
        "seals_whole": true,
    });
    let who = turn.hand();
    let no = shop.note(turn, who, "lot.received", format!("lot/{id}"), data);
    shop.polymer.lots.push(Lot {
        id: id.clone(),
        containers,
        tested: false,
        released: false,
        held: false,
    });
    (id, no)
}

/// The incoming tests of a lot (job map row 26).
pub(super) fn test_lot(shop: &mut Shop, turn: &Turn, lot: &str) {
    let quality = team(SITE).quality;
    let moisture = shop.rng.range(6, 19);
    let flow = shop.rng.range(52, 68);
    let tests = [
        (
            "moisture",
            format!("0.{moisture:02}"),
            "%",
            json!({ "at_most": { "value": "0.25", "unit": "%" } }),
        ),
        (
            "melt_flow",
            flow.to_string(),
            "g/(10.min)",
            json!({
                "at_least": { "value": "45", "unit": "g/(10.min)" },
                "at_most": { "value": "75", "unit": "g/(10.min)" },
            }),
        ),
    ];
    for (test, value, unit, limit) in tests {
        let data = json!({
            "test": test,
            "measured": { "value": value, "unit": unit },
            "limit": limit,
            "result": "pass",
            "instrument": "LAB-1",
        });
        shop.note(turn, quality, "lot.tested", format!("lot/{lot}"), data);
    }
}

/// Takes fresh powder out of released containers: the oldest first. Returns (place, grams shown).
fn take_fresh(shop: &mut Shop, into: &str, mut wanted_g: i64) -> Vec<(String, i64)> {
    let mut taken = Vec::new();
    let open: Vec<String> = shop
        .polymer
        .lots
        .iter()
        .filter(|l| l.released && !l.held)
        .flat_map(|l| l.containers.clone())
        .collect();
    for container in open {
        let place = lot_container(&container);
        // A little always sticks to the jug.
        let there = shop.stock.truth(&place).min(shop.stock.book(&place)) - 30;
        let mass = there.min(wanted_g);
        if mass < 500 || wanted_g < 500 {
            continue;
        }
        let shown = shop.carry(SITE, &place, into, mass);
        wanted_g -= shown;
        taken.push((place, shown));
    }
    taken
}

/// A new blend of used and fresh powder (job map row 32).
fn blend(shop: &mut Shop, turn: &mut Turn) {
    let used_there = shop.stock.truth(SIEVED).min(shop.stock.book(SIEVED)) - 2_000;
    let (used_g, fresh_wanted) = if used_there > 30_000 {
        let used = used_there.min(56_000);
        // 31 to 34 % fresh: above the recipe's 30 % with room for the scale's error.
        (used, used * shop.rng.range(45, 51) / 100)
    } else {
        (0, 60_000)
    };
    blend_of(shop, turn, used_g, fresh_wanted);
}

/// Blends so much used powder with so much fresh powder; `None` when there is not enough.
pub(super) fn blend_of(
    shop: &mut Shop,
    turn: &mut Turn,
    used_g: i64,
    fresh_wanted: i64,
) -> Option<EventNo> {
    let used_there = shop.stock.truth(SIEVED).min(shop.stock.book(SIEVED)) - 100;
    if fresh_g(shop) < fresh_wanted + 3_000 || (used_g > 0 && used_there < used_g) {
        return None;
    }
    let id = shop.label("BL");
    let place = lot_container(&id);
    shop.pass(turn, 10, 20);
    let mut components = Vec::new();
    if used_g > 0 {
        let shown = shop.carry(SITE, SIEVED, &place, used_g);
        components.push((SIEVED.to_owned(), shown));
    }
    components.extend(take_fresh(shop, &place, fresh_wanted));
    let listed: Vec<Value> = components
        .iter()
        .zip(1..)
        .map(|((from, mass), order)| json!({ "from": from, "mass": kg(SITE, *mass), "order": order }))
        .collect();
    let minutes_run = shop.rng.range(20, 30);
    shop.run("B-01", "run", minutes_run / 6);
    turn.now += minutes(minutes_run);
    let who = turn.hand();
    let data = json!({
        "into": place,
        "components": listed,
        "blender": "B-01",
        "duration": { "value": minutes_run.to_string(), "unit": "min" },
        "recipe": RECIPE,
        "scale": scale_of(SITE),
    });
    let no = shop.seen(turn, who, "powder.blended", format!("lot/{id}"), data);
    shop.polymer.blends.push(id);
    Some(no)
}

/// Fills a hopper and starts a build.
fn prepare(shop: &mut Shop, turn: &mut Turn, i: usize) {
    let printer = PRINTERS[i];
    let hopper = format!("hopper/{printer}.main");
    let draws_g = shop.rng.range(1_200, 1_700) * 20;
    let mut missing = draws_g + 6_000 - shop.stock.truth(&hopper);
    while missing > 2_000 {
        shop.polymer.blends.retain(|b| shop.stock.truth(&format!("lot_container/{b}")) > 1_000);
        let Some(blend) = shop.polymer.blends.first().cloned() else { return };
        let from = lot_container(&blend);
        let there = shop.stock.truth(&from).min(shop.stock.book(&from)) - 40;
        shop.pass(turn, 6, 12);
        let shown = shop.carry(SITE, &from, &hopper, there.min(missing + 1_000));
        missing -= shown;
        load(shop, turn, printer, &from, shown);
    }
    shop.pass(turn, 6, 14);
    let id = shop.label("BN");
    let who = turn.hand();
    let data = json!({ "printer": printer, "hopper": hopper, "recipe": RECIPE });
    shop.seen(turn, who, "build.started", format!("build/{id}"), data);
    let heat_min = shop.rng.range(14 * 60, 22 * 60) / 6 * 6;
    let cool_min = shop.rng.range(9 * 60, 13 * 60);
    shop.polymer.running[i] = Some(Build {
        id,
        from: turn.now,
        heat_min,
        cool_at: turn.now + minutes(heat_min + cool_min),
        draws_g,
        counted: 0,
    });
}

/// The record of a load (job map row 29).
pub(super) fn load(
    shop: &mut Shop,
    turn: &mut Turn,
    printer: MachineId,
    from: &str,
    shown_g: i64,
) -> EventNo {
    let who = turn.hand();
    let data = json!({
        "from": from,
        "into": format!("hopper/{printer}.main"),
        "mass": kg(SITE, shown_g),
        "scale": scale_of(SITE),
        "checks": checks(&["seal_removed_whole", "area_vacuumed_first", "bonded", "mask_worn"]),
    });
    shop.seen(turn, who, "powder.loaded", format!("equipment/{printer}"), data)
}

/// Opens a cooled build, takes parts and powder out and cleans the chamber (rows 30 and 10).
fn unpack(shop: &mut Shop, turn: &mut Turn, i: usize) {
    let printer = PRINTERS[i];
    let Some(mut build) = shop.polymer.running[i].take() else { return };
    shop.pass(turn, 8, 18);
    advance(shop, printer, &mut build, turn.now);
    shop.run(printer, "builds", 10);
    let place = format!("build/{}", build.id);
    let used = shop.carry(SITE, &format!("hopper/{printer}.main"), &place, build.draws_g);
    let share = shop.rng.range(85, 145);
    let parts = shop.carry(SITE, &place, &format!("parts/{}", build.id), used * share / 1_000);
    let who = turn.hand();
    let data = json!({
        "mass_used": kg(SITE, used),
        "parts_mass": kg(SITE, parts),
        "hours_at_temperature": hours(build.heat_min),
        "parts": shop.rng.range(6, 90),
        "scale": scale_of(SITE),
    });
    shop.seen(turn, who, "build.finished", format!("build/{}", build.id), data);

    shop.pass(turn, 10, 20);
    let residue_g = shop.rng.range(5, 14) * 20;
    let rest = shop.stock.truth(&place).min(shop.stock.book(&place)) - residue_g - 40;
    let recovered = shop.carry(SITE, &place, UNSIEVED, rest);
    let data = json!({ "into": UNSIEVED, "mass": kg(SITE, recovered), "scale": scale_of(SITE) });
    shop.seen(turn, who, "powder.recovered", format!("build/{}", build.id), data);

    shop.pass(turn, 12, 25);
    let bag = format!("vacuum_bag/{}", shop.polymer.vacuum_bag);
    let residue = shop.carry(SITE, &place, &bag, residue_g);
    shop.run("V-01", "run", 3);
    let data = json!({
        "task": "chamber_clean",
        "target": "chamber",
        "method": "vacuum",
        "reading": shop.reading(printer, "builds"),
        "residue": { "mass": kg(SITE, residue), "from": place, "into": bag,
            "scale": scale_of(SITE) },
        "checks": checks(&["cooled", "mask_worn", "vacuum_bonded"]),
    });
    shop.note(turn, who, "cleaning.done", format!("equipment/{printer}"), data);
    shop.served.insert((printer, "chamber_clean"), shop.meter(printer, "builds"));
    // What is left is dust that nobody weighs.
    let dust = shop.stock.truth(&place);
    shop.stock.shift(&place, "loss/dust-north", dust, 0);
    shop.polymer.builds_done += 1;
    if shop.polymer.builds_done.is_multiple_of(2) {
        super::waste::wipes(shop, turn, "PA12-SOLIDS", 40, 180);
    }
}

pub(super) fn hours(min: i64) -> Value {
    let tenths = min / 6;
    json!({ "value": format!("{}.{}", tenths / 10, tenths % 10), "unit": "h" })
}

/// Sieves what was recovered (job map rows 31 and 4).
fn sieve(shop: &mut Shop, turn: &mut Turn) {
    let station = STATIONS[shop.polymer.next_station % 2];
    shop.polymer.next_station += 1;
    shop.pass(turn, 5, 10);
    let there = shop.stock.truth(UNSIEVED).min(shop.stock.book(UNSIEVED)) - 60;
    let batch = there.min(60_000);
    let oversize_share = shop.rng.range(12, 24);
    let tray = format!("oversize/{station}.tray");
    let oversize = shop.carry(SITE, UNSIEVED, &tray, batch * oversize_share / 1_000);
    let through = shop.carry(SITE, UNSIEVED, SIEVED, batch - oversize - 20);
    let kg_an_hour = shop.rng.range(22, 28);
    let run_min = through / 1_000 * 60 / kg_an_hour + 1;
    shop.run(station, "sift", run_min / 6);
    turn.now += minutes(run_min);
    let who = turn.hand();
    let sieve = shop.parts[&(station, "deck")].serial.clone();
    let data = json!({
        "sieve": sieve,
        "aperture": { "value": "160", "unit": "um" },
        "spec_id": "ISO3310-1",
        "from": UNSIEVED,
        "through": { "mass": kg(SITE, through), "into": SIEVED },
        "oversize": { "mass": kg(SITE, oversize), "into": tray },
        "duration": { "value": run_min.to_string(), "unit": "min" },
        "scale": scale_of(SITE),
    });
    shop.seen(turn, who, "powder.sieved", format!("equipment/{station}"), data);
}

/// Trays, surplus and vacuum bags go to waste when they are full (job map rows 11 and 55).
fn tidy(shop: &mut Shop, turn: &mut Turn) {
    for station in STATIONS {
        let tray = format!("oversize/{station}.tray");
        if shop.stock.truth(&tray) > 2_500 {
            shop.pass(turn, 4, 9);
            let all = shop.stock.truth(&tray).min(shop.stock.book(&tray)) - 20;
            super::waste::add_powder(shop, turn, "PA12-POWDER", &tray, "oversize", all);
        }
    }
    if shop.stock.truth(SIEVED) > 190_000 {
        shop.pass(turn, 5, 10);
        let mass = shop.rng.range(600, 800) * 20;
        super::waste::add_powder(shop, turn, "PA12-POWDER", SIEVED, "powder", mass);
    }
    let bag = format!("vacuum_bag/{}", shop.polymer.vacuum_bag);
    if shop.stock.truth(&bag) > 5_500 {
        shop.pass(turn, 6, 12);
        super::waste::change_bag(shop, turn, "V-01", "PA12-POWDER");
    }
}
