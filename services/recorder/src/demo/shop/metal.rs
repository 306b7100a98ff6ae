//! The metal room (`south`): a titanium and an aluminium alloy, each with its own printer, sieving
//! station and vacuum cleaner, so that the two never meet.
//!
//! Metal powder is topped up, not refreshed: what the parts take is replaced by fresh powder.
//! Canisters are emptied at the end of every shift (job map row 11). All common practice.

use serde_json::json;

use super::calendar::{Shift, Site, minutes};
use super::cast::team;
use super::floor::{MachineId, Shop, Turn, checks, kg, scale_of};
use super::polymer::{Build, Lot, hours, lot_container};
use super::script::EventNo;

const SITE: Site = Site::South;

/// What belongs to one of the two alloys.
#[derive(Debug)]
pub(super) struct Line {
    pub(super) material: &'static str,
    pub(super) lot_prefix: &'static str,
    pub(super) supplier: &'static str,
    pub(super) recipe: &'static str,
    pub(super) printer: MachineId,
    pub(super) station: MachineId,
    pub(super) vacuum: MachineId,
    pub(super) used: &'static str,
    pub(super) ready: &'static str,
    pub(super) powder_stream: &'static str,
    pub(super) solids_stream: &'static str,
    pub(super) bag_prefix: &'static str,
    pub(super) aperture_um: &'static str,
}

/// The two lines: titanium, aluminium.
pub(super) const LINES: [Line; 2] = [
    Line {
        material: "TI64",
        lot_prefix: "TI",
        supplier: "SUP-B",
        recipe: "TI64-STD",
        printer: "P-11",
        station: "S-11",
        vacuum: "V-11",
        used: "bin/TI-USED",
        ready: "bin/TI-READY",
        powder_stream: "TI-POWDER",
        solids_stream: "TI-SOLIDS",
        bag_prefix: "CT",
        aperture_um: "75",
    },
    Line {
        material: "ALSI10MG",
        lot_prefix: "AL",
        supplier: "SUP-C",
        recipe: "AL-STD",
        printer: "P-12",
        station: "S-12",
        vacuum: "V-12",
        used: "bin/AL-USED",
        ready: "bin/AL-READY",
        powder_stream: "AL-POWDER",
        solids_stream: "AL-SOLIDS",
        bag_prefix: "CA",
        aperture_um: "75",
    },
];

/// What the room keeps in mind, per line.
#[derive(Debug, Default)]
pub(super) struct Metal {
    pub(super) running: [Option<Build>; 2],
    pub(super) lots: [Vec<Lot>; 2],
    pub(super) canister: [String; 2],
    ordered: [bool; 2],
}

/// Brings the run meters of the printers up to date.
pub(super) fn advance_all(shop: &mut Shop, now: jiff::Timestamp) {
    for (i, line) in LINES.iter().enumerate() {
        if let Some(mut build) = shop.metal.running[i].take() {
            super::polymer::advance(shop, line.printer, &mut build, now);
            shop.metal.running[i] = Some(build);
        }
    }
}

/// One shift of production.
pub(super) fn produce(shop: &mut Shop, turn: &mut Turn) {
    for (i, line) in LINES.iter().enumerate() {
        receive(shop, turn, i);
        if shop.metal.running[i].as_ref().is_some_and(|b| b.cool_at <= turn.now) {
            unpack(shop, turn, i);
        }
        if shop.stock.truth(line.used) > 6_000 {
            sieve(shop, turn, i);
        }
        if shop.metal.running[i].is_none() && shop.rng.chance(80) {
            prepare(shop, turn, i);
        }
        wipe_down(shop, turn, i);
    }
    for line in &LINES {
        let tray = format!("oversize/{}.tray", line.station);
        if shop.stock.truth(&tray) > 600 {
            shop.pass(turn, 4, 9);
            let all = shop.stock.truth(&tray).min(shop.stock.book(&tray)) - 5;
            super::waste::add_powder(shop, turn, line.powder_stream, &tray, "oversize", all);
        }
    }
}

fn fresh_g(shop: &Shop, i: usize) -> i64 {
    let usable = shop.metal.lots[i].iter().filter(|l| l.released && !l.held);
    usable.flat_map(|l| &l.containers).map(|c| shop.stock.truth(&lot_container(c))).sum()
}

/// Cans of lots that may be used, oldest first.
fn open_cans(shop: &Shop, i: usize) -> Vec<String> {
    let usable = shop.metal.lots[i].iter().filter(|l| l.released && !l.held);
    usable.flat_map(|l| l.containers.clone()).collect()
}

fn receive(shop: &mut Shop, turn: &mut Turn, i: usize) {
    if turn.shift != Shift::Early {
        return;
    }
    let quality = team(SITE).quality;
    for n in 0..shop.metal.lots[i].len() {
        let lot = shop.metal.lots[i][n].clone();
        if !lot.tested {
            shop.pass(turn, 4, 9);
            test_lot(shop, turn, &lot.id);
            shop.metal.lots[i][n].tested = true;
        } else if !lot.released {
            shop.pass(turn, 3, 8);
            let data = json!({ "meaning": "released" });
            shop.note(turn, quality, "lot.released", format!("lot/{}", lot.id), data);
            shop.metal.lots[i][n].released = true;
        }
    }
    if fresh_g(shop, i) < 22_000 {
        if shop.metal.ordered[i] {
            shop.pass(turn, 6, 12);
            delivery(shop, turn, i, 6);
        }
        shop.metal.ordered[i] = !shop.metal.ordered[i];
    }
}

/// A delivery of cans of about 10 kg.
pub(super) fn delivery(
    shop: &mut Shop,
    turn: &mut Turn,
    i: usize,
    cans: usize,
) -> (String, EventNo) {
    let line = &LINES[i];
    let id = shop.label(line.lot_prefix);
    let (mut containers, mut listed) = (Vec::new(), Vec::new());
    for n in 1..=cans {
        let container = format!("{id}-{n:02}");
        let net = shop.rng.range(1_996, 2_004) * 5;
        let from = format!("supplier/{}", line.supplier);
        let shown = shop.carry(SITE, &from, &lot_container(&container), net);
        listed.push(json!({
            "id": container,
            "gross": kg(SITE, shown + 845),
            "tare": kg(SITE, 845),
        }));
        containers.push(container);
    }
    let data = json!({
        "material": line.material,
        "supplier": line.supplier,
        "supplier_lot": format!("{}", shop.rng.range(1_000_000, 9_999_999)),
        "containers": listed,
        "certificate": { "number": format!("C-{id}"), "digest": shop.desk.digest() },
        "expires": turn.day.saturating_add(jiff::Span::new().days(1_080)).to_string(),
        "seals_whole": true,
    });
    let who = turn.hand();
    let no = shop.note(turn, who, "lot.received", format!("lot/{id}"), data);
    shop.metal.lots[i].push(Lot {
        id: id.clone(),
        containers,
        tested: false,
        released: false,
        held: false,
    });
    (id, no)
}

pub(super) fn test_lot(shop: &mut Shop, turn: &Turn, lot: &str) {
    let oxygen = shop.rng.range(620, 1_150);
    let data = json!({
        "test": "oxygen",
        "measured": { "value": oxygen.to_string(), "unit": "[ppm]" },
        "limit": { "at_most": { "value": "1300", "unit": "[ppm]" } },
        "result": "pass",
        "instrument": "LAB-2",
    });
    let subject = format!("lot/{lot}");
    shop.note(turn, team(SITE).quality, "lot.tested", subject, data);
}

/// Tops the hopper up with ready and fresh powder and starts a build.
fn prepare(shop: &mut Shop, turn: &mut Turn, i: usize) {
    let line = &LINES[i];
    let hopper = format!("hopper/{}.main", line.printer);
    let draws_g = shop.rng.range(4_400, 6_000) * 5;
    let missing = draws_g + 3_000 - shop.stock.truth(&hopper);
    if missing > 500 {
        let ready = shop.stock.truth(line.ready).min(shop.stock.book(line.ready)) - 200;
        let mut fresh = missing - ready.max(0);
        if fresh > 0 && fresh_g(shop, i) < fresh + 500 {
            return;
        }
        if ready > 500 {
            load(shop, turn, i, line.ready, ready.min(missing));
        }
        for can in open_cans(shop, i) {
            let place = lot_container(&can);
            let there = shop.stock.truth(&place).min(shop.stock.book(&place)) - 10;
            if there > 300 && fresh > 300 {
                load(shop, turn, i, &place, there.min(fresh));
                fresh -= there.min(fresh);
            }
        }
    }
    if shop.stock.truth(&hopper) < draws_g + 500 {
        return;
    }
    shop.pass(turn, 6, 12);
    let id = shop.label(if i == 0 { "BT" } else { "BA" });
    let who = turn.hand();
    let data = json!({ "printer": line.printer, "hopper": hopper, "recipe": line.recipe });
    shop.seen(turn, who, "build.started", format!("build/{id}"), data);
    let heat_min = shop.rng.range(26 * 60, 58 * 60) / 6 * 6;
    shop.metal.running[i] = Some(Build {
        id,
        from: turn.now,
        heat_min,
        cool_at: turn.now + minutes(heat_min + shop.rng.range(120, 300)),
        draws_g,
        counted: 0,
    });
}

/// The record of a load.
pub(super) fn load(
    shop: &mut Shop,
    turn: &mut Turn,
    i: usize,
    from: &str,
    about_g: i64,
) -> EventNo {
    let line = &LINES[i];
    shop.pass(turn, 5, 10);
    let hopper = format!("hopper/{}.main", line.printer);
    let shown = shop.carry(SITE, from, &hopper, about_g);
    let who = turn.hand();
    let data = json!({
        "from": from,
        "into": hopper,
        "mass": kg(SITE, shown),
        "scale": scale_of(SITE),
        "checks": checks(&["seal_removed_whole", "area_vacuumed_first", "bonded", "mask_worn"]),
    });
    shop.seen(turn, who, "powder.loaded", format!("equipment/{}", line.printer), data)
}

fn unpack(shop: &mut Shop, turn: &mut Turn, i: usize) {
    let line = &LINES[i];
    let Some(mut build) = shop.metal.running[i].take() else { return };
    shop.pass(turn, 8, 18);
    super::polymer::advance(shop, line.printer, &mut build, turn.now);
    shop.run(line.printer, "builds", 10);
    let place = format!("build/{}", build.id);
    let used = shop.carry(SITE, &format!("hopper/{}.main", line.printer), &place, build.draws_g);
    let share = shop.rng.range(130, 210);
    let parts = shop.carry(SITE, &place, &format!("parts/{}", build.id), used * share / 1_000);
    let who = turn.hand();
    let data = json!({
        "mass_used": kg(SITE, used),
        "parts_mass": kg(SITE, parts),
        "hours_at_temperature": hours(build.heat_min),
        "parts": shop.rng.range(1, 24),
        "scale": scale_of(SITE),
    });
    shop.seen(turn, who, "build.finished", format!("build/{}", build.id), data);

    shop.pass(turn, 15, 25);
    let residue_g = shop.rng.range(16, 60) * 5;
    let rest = shop.stock.truth(&place).min(shop.stock.book(&place)) - residue_g - 15;
    let recovered = shop.carry(SITE, &place, line.used, rest);
    let data = json!({ "into": line.used, "mass": kg(SITE, recovered), "scale": scale_of(SITE) });
    shop.seen(turn, who, "powder.recovered", format!("build/{}", build.id), data);

    shop.pass(turn, 12, 22);
    let canister = format!("vacuum_bag/{}", shop.metal.canister[i]);
    let residue = shop.carry(SITE, &place, &canister, residue_g);
    shop.run(line.vacuum, "run", 4);
    let data = json!({
        "task": "chamber_clean",
        "target": "chamber",
        "method": "vacuum",
        "reading": shop.reading(line.printer, "builds"),
        "residue": { "mass": kg(SITE, residue), "from": place, "into": canister,
            "scale": scale_of(SITE) },
        "checks": checks(&["inert_gas_off", "cooled", "mask_worn", "vacuum_bonded"]),
    });
    shop.note(turn, who, "cleaning.done", format!("equipment/{}", line.printer), data);
    shop.served.insert((line.printer, "chamber_clean"), shop.meter(line.printer, "builds"));
    let dust = shop.stock.truth(&place);
    shop.stock.shift(&place, "loss/dust-south", dust, 0);
    super::waste::wipes(shop, turn, line.solids_stream, 40, 160);
}

fn sieve(shop: &mut Shop, turn: &mut Turn, i: usize) {
    let line = &LINES[i];
    shop.pass(turn, 5, 10);
    let there = shop.stock.truth(line.used).min(shop.stock.book(line.used)) - 30;
    let tray = format!("oversize/{}.tray", line.station);
    let oversize_g = there * shop.rng.range(5, 13) / 1_000;
    let oversize = shop.carry(SITE, line.used, &tray, oversize_g);
    let through = shop.carry(SITE, line.used, line.ready, there - oversize - 10);
    let run_min = through / 1_000 * 60 / shop.rng.range(28, 36) + 1;
    shop.run(line.station, "sift", run_min / 6);
    turn.now += minutes(run_min);
    let who = turn.hand();
    let data = json!({
        "sieve": shop.parts[&(line.station, "deck")].serial.clone(),
        "aperture": { "value": line.aperture_um, "unit": "um" },
        "spec_id": "ISO3310-1",
        "from": line.used,
        "through": { "mass": kg(SITE, through), "into": line.ready },
        "oversize": { "mass": kg(SITE, oversize), "into": tray },
        "duration": { "value": run_min.to_string(), "unit": "min" },
        "scale": scale_of(SITE),
    });
    shop.seen(turn, who, "powder.sieved", format!("equipment/{}", line.station), data);
}

/// The station is wiped down with the vacuum each shift.
pub(super) fn wipe_down(shop: &mut Shop, turn: &mut Turn, i: usize) {
    let line = &LINES[i];
    if turn.shift == Shift::Late || shop.rng.chance(40) {
        super::waste::wipes(shop, turn, line.solids_stream, 90, 280);
    }
    let from = line.ready;
    if shop.stock.truth(from).min(shop.stock.book(from)) < 2_000 {
        return;
    }
    shop.pass(turn, 5, 9);
    let canister = format!("vacuum_bag/{}", shop.metal.canister[i]);
    let about = shop.rng.range(5, 22) * 5;
    let residue = shop.carry(SITE, from, &canister, about);
    shop.run(line.vacuum, "run", 1);
    let data = json!({
        "target": "surfaces",
        "method": "vacuum",
        "residue": { "mass": kg(SITE, residue), "from": from, "into": canister,
            "scale": scale_of(SITE) },
        "checks": checks(&["top_to_bottom", "airflow_off", "vacuum_bonded"]),
    });
    let who = turn.hand();
    shop.note(turn, who, "cleaning.done", format!("equipment/{}", line.station), data);
}

/// Canisters are emptied at shift end.
pub(super) fn empty_canisters(shop: &mut Shop, turn: &mut Turn) {
    for (i, line) in LINES.iter().enumerate() {
        let canister = format!("vacuum_bag/{}", shop.metal.canister[i]);
        if shop.stock.truth(&canister) >= 20 {
            shop.pass(turn, 3, 6);
            super::waste::change_bag(shop, turn, line.vacuum, line.powder_stream);
        }
    }
}
