//! The first day: settings, people, machines, plans, recipes, streams, first lots.

use serde_json::json;

use super::calendar::{FIRST_DAY, Shift, Site};
use super::cast::{ADMIN, PEOPLE, TECHNICIAN_TASKS, Who, machines, room, team};
use super::desk::Work;
use super::floor::{Shop, Turn};
use super::{metal, polymer, upkeep, waste};

/// Model of the particle mask that the shop prescribes, by its own label.
const MASK: &str = "MASK-A";

/// Roles that sign entries.
const SIGNERS: [&str; 4] = ["technician", "lead", "quality", "ehs"];

/// Everything that must be known before the first build.
pub(super) fn open(shop: &mut Shop) {
    for site in Site::BOTH {
        let mut turn = shop.turn(site, FIRST_DAY, Shift::Early);
        // `north` begins with the settings; the office of `south` is seven hours behind.
        settings(shop, &mut turn);
        people(shop, &mut turn);
        equipment(shop, &mut turn);
        recipes(shop, &mut turn);
        streams(shop, &mut turn);
        first_stock(shop, &mut turn);
        shop.desk.flush(site);
    }
}

fn say(
    shop: &mut Shop,
    turn: &mut Turn,
    who: Who,
    name: &str,
    subject: String,
    data: serde_json::Value,
) {
    turn.now += jiff::SignedDuration::from_secs(shop.rng.range(20, 50));
    shop.desk.person(who, Work { name, subject, site: turn.site, at: turn.now, data });
}

fn settings(shop: &mut Shop, turn: &mut Turn) {
    let site = turn.site;
    let data = json!({
        "time_zone": site.zone_name(),
        "jurisdiction": site.jurisdiction(),
        "late_after": { "value": "24", "unit": "h" },
        "working_days": site.working_days(),
        "signing_policy": signing_policy(),
        "reason": "first_settings",
        "approved_by": team(site).lead.id(),
    });
    say(shop, turn, ADMIN, "config.changed", format!("site/{}", site.label()), data);
}

/// The written policy of the shop on what a signature means. The document itself is nobody's business here.
fn signing_policy() -> serde_json::Value {
    let document = "Whoever signs an entry answers for it as for a signature by hand.";
    json!({ "version": "SP-1", "document": chain::Digest::of(document.as_bytes()).to_string() })
}

fn people(shop: &mut Shop, turn: &mut Turn) {
    let team = team(turn.site);
    let here: Vec<Who> = (0..PEOPLE.len())
        .map(Who)
        .filter(|w| match PEOPLE[w.0].site {
            Some(site) => site == turn.site,
            None => turn.site == Site::North,
        })
        .collect();
    // The log keeper first: nobody else is known yet.
    let keeper_first =
        here.iter().filter(|w| **w == ADMIN).chain(here.iter().filter(|w| **w != ADMIN));
    for who in keeper_first {
        let identity = shop.desk.identity(*who);
        let data = json!({ "identity": identity, "roles": [PEOPLE[who.0].role] });
        say(shop, turn, ADMIN, "person.enrolled", format!("person/{}", who.id()), data);
    }
    for who in here.iter().filter(|who| SIGNERS.contains(&PEOPLE[who.0].role)) {
        // No dice: what follows is drawn as if nobody had to acknowledge anything.
        turn.now += jiff::SignedDuration::from_secs(30);
        let (site, at, subject) = (turn.site, turn.now, format!("person/{}", who.id()));
        let data = json!({ "policy": signing_policy() });
        let name = "signing_policy.acknowledged";
        shop.desk.person(*who, Work { name, subject, site, at, data });
    }
    let on_the_floor: Vec<Who> =
        team.technicians.iter().copied().chain([team.lead, team.ehs]).collect();
    for who in on_the_floor {
        let subject = format!("person/{}", who.id());
        let data = json!({ "topic": "powder_safety", "valid_to": "2027-10-31", "evidence": shop.desk.digest() });
        say(shop, turn, team.ehs, "training.done", subject.clone(), data);
        let mut data = json!({
            "model": MASK,
            "size": if who.0 % 3 == 0 { "S" } else { "M" },
            "method": "quantitative",
            "fit_factor": { "value": shop.rng.range(118, 190).to_string(), "unit": "1" },
            "result": "pass",
        });
        if let Some(day) = super::troubles::fit_test_until(who) {
            data["valid_to"] = day.into();
        }
        say(shop, turn, team.ehs, "fit_test.done", subject.clone(), data);
        for task in TECHNICIAN_TASKS {
            let valid_to = super::troubles::authorised_until(who, task);
            let data =
                json!({ "task": task, "valid_to": valid_to, "evidence": shop.desk.digest() });
            // Nobody grants to oneself.
            let granter = if who == team.lead { team.ehs } else { team.lead };
            say(shop, turn, granter, "authorisation.granted", subject.clone(), data);
        }
    }
}

fn equipment(shop: &mut Shop, turn: &mut Turn) {
    let lead = team(turn.site).lead;
    for machine in machines(turn.site) {
        let subject = format!("equipment/{}", machine.id);
        let mut data = json!({
            "kind": machine.kind,
            "label": machine.label,
            "room": room(turn.site),
            "meters": machine.meters.iter().map(|(id, unit)| json!({ "id": id, "unit": unit })).collect::<Vec<_>>(),
            "positions": machine.positions.iter().map(|(id, kind)| json!({ "id": id, "part_kind": kind })).collect::<Vec<_>>(),
        });
        if let Some((interval, capacity)) = machine.scale {
            data["scale"] = json!({
                "interval": { "value": interval, "unit": "kg" },
                "capacity": { "value": capacity, "unit": "kg" },
            });
        }
        say(shop, turn, lead, "equipment.registered", subject.clone(), data);
        let data = upkeep::plan_data(machine);
        say(shop, turn, lead, "plan.set", subject.clone(), data);
        for (meter, _) in machine.meters {
            let shown = super::floor::shown(meter, shop.meter(machine.id, meter));
            let data = json!({ "meter": meter, "reading": shown });
            say(shop, turn, lead, "meter.read", subject.clone(), data);
        }
        for (position, _) in machine.positions {
            let since = machine.meters.first().map_or(0, |(m, _)| shop.meter(machine.id, m));
            let serial = shop.fit(turn.site, machine.id, position, since);
            let mut data = json!({
                "position": position,
                "in": { "serial": serial, "spec": upkeep::spec(turn.site, position) },
            });
            if matches!(*position, "deck" | "exhaust") {
                data["in"]["certificate"] = shop.desk.digest().into();
                data["checks"] = match *position {
                    "deck" => super::floor::checks(&["seal_seated"]),
                    _ => super::floor::checks(&["airflow_arrow_matches", "gasket_seated"]),
                };
            }
            if let Some((meter, _)) = machine.meters.first() {
                data["reading"] = shop.reading(machine.id, meter);
            }
            say(shop, turn, lead, "part.fitted", subject.clone(), data);
        }
        // The year begins with everything done: intervals count from here.
        for task in upkeep::plan(machine) {
            upkeep::mark(shop, machine.id, task, turn.day);
        }
    }
}

fn recipes(shop: &mut Shop, turn: &mut Turn) {
    let quality = team(turn.site).quality;
    match turn.site {
        Site::North => {
            let data = json!({
                "material": "PA12",
                "fresh_percent_min": 30,
                "decision_rule": "guarded",
                "aperture": { "value": "160", "unit": "um" },
                "spec_id": "ISO3310-1",
            });
            let subject = format!("recipe/{}", polymer::RECIPE);
            say(shop, turn, quality, "recipe.set", subject, data);
        }
        Site::South => {
            for line in &metal::LINES {
                let data = json!({
                    "material": line.material,
                    "aperture": { "value": line.aperture_um, "unit": "um" },
                    "spec_id": "ISO3310-1",
                });
                say(shop, turn, quality, "recipe.set", format!("recipe/{}", line.recipe), data);
            }
        }
    }
}

/// The determinations of the shop's safety officers. The software never makes one: it keeps them.
fn streams(shop: &mut Shop, turn: &mut Turn) {
    let ehs = team(turn.site).ehs;
    let rows: &[(&str, &str, &str, serde_json::Value)] = &match turn.site {
        Site::North => [
            (
                "PA12-POWDER",
                "PA12",
                "Spent PA12 powder and vacuum bags",
                json!({
                    "determination": "non_hazardous",
                    "codes": { "list_of_waste": "12 01 05" },
                    "basis": "safety_data_sheet",
                }),
            ),
            (
                "PA12-SOLIDS",
                "PA12",
                "Filters, sieves and wipes with PA12 dust",
                json!({
                    "determination": "non_hazardous",
                    "codes": { "list_of_waste": "15 02 03" },
                    "basis": "knowledge",
                }),
            ),
        ]
        .to_vec(),
        Site::South => vec![
            (
                "TI-POWDER",
                "TI64",
                "Titanium alloy fines and oversize, dry",
                json!({
                    "determination": "hazardous",
                    "codes": { "rcra": ["D001"] },
                    "transport": { "number": "UN2546", "class": "4.2", "packing_group": "III" },
                    "basis": "test",
                    "document": shop.desk.digest(),
                }),
            ),
            (
                "TI-SOLIDS",
                "TI64",
                "Filters and wipes with titanium alloy fines",
                json!({
                    "determination": "hazardous",
                    "codes": { "rcra": ["D001"] },
                    "transport": { "number": "UN3089", "class": "4.1", "packing_group": "III" },
                    "basis": "knowledge",
                }),
            ),
            (
                "AL-POWDER",
                "ALSI10MG",
                "Aluminium alloy fines and oversize",
                json!({
                    "determination": "hazardous",
                    "codes": { "rcra": ["D001", "D003"] },
                    "transport": { "number": "UN1396", "class": "4.3", "packing_group": "III" },
                    "basis": "test",
                    "document": shop.desk.digest(),
                }),
            ),
            (
                "AL-SOLIDS",
                "ALSI10MG",
                "Filters and wipes with aluminium alloy fines",
                json!({
                    "determination": "hazardous",
                    "codes": { "rcra": ["D001"] },
                    "transport": { "number": "UN3089", "class": "4.1", "packing_group": "III" },
                    "basis": "knowledge",
                }),
            ),
        ],
    };
    for (id, material, description, rest) in rows {
        let mut data = rest.clone();
        data["material"] = (*material).into();
        data["description"] = (*description).into();
        data["decided_by"] = ehs.id().into();
        data["jurisdiction"] = turn.site.jurisdiction().into();
        say(shop, turn, ehs, "stream.determined", format!("stream/{id}"), data);
    }
}

fn first_stock(shop: &mut Shop, turn: &mut Turn) {
    let site = turn.site;
    for stream in waste::STREAMS.iter().filter(|s| s.site == site) {
        turn.now += jiff::SignedDuration::from_secs(40);
        waste::open(shop, turn, stream.id);
    }
    let quality = team(turn.site).quality;
    let mut lots = Vec::new();
    match turn.site {
        Site::North => {
            shop.polymer.vacuum_bag = shop.label("VB");
            for _ in 0..2 {
                lots.push(polymer::delivery(shop, turn, 9).0);
            }
        }
        Site::South => {
            for (i, line) in metal::LINES.iter().enumerate() {
                shop.metal.canister[i] = shop.label(line.bag_prefix);
                for _ in 0..2 {
                    lots.push(metal::delivery(shop, turn, i, 6).0);
                }
            }
        }
    }
    for lot in &lots {
        shop.pass(turn, 1, 2);
        match turn.site {
            Site::North => polymer::test_lot(shop, turn, lot),
            Site::South => metal::test_lot(shop, turn, lot),
        }
        let data = json!({ "meaning": "released" });
        say(shop, turn, quality, "lot.released", format!("lot/{lot}"), data);
    }
    shop.yard.last_pickup.insert(site, turn.day);
    let polymer_lots = shop.polymer.lots.iter_mut();
    let known = polymer_lots.chain(shop.metal.lots.iter_mut().flatten());
    for lot in known.filter(|l| lots.contains(&l.id)) {
        (lot.tested, lot.released) = (true, true);
    }
}
