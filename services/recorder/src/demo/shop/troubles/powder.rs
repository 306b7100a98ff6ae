//! Troubles of powder: lots, sieves, blends, stock.

use serde_json::json;

use super::super::cast::team;
use super::super::desk::{Sending, Work};
use super::super::floor::{Shop, Turn, checks, kg, scale_of};
use super::super::polymer::{self, lot_container};
use super::super::script::{Expect, Template};
use super::super::upkeep::{self, Swap};
use super::super::{metal, waste};
use super::{Must, days_after};

/// Rule that a load from a lot breaks that nobody released.
const NOT_RELEASED: &str = "powder.lot_not_released";

pub(super) fn unreleased_lot(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let lot = shop.polymer.lots.iter().find(|l| !l.released)?.clone();
    let free = (0..3).find(|i| shop.polymer.running[*i].is_none()).unwrap_or(1);
    let printer = polymer::PRINTERS[free];
    let from = lot_container(&lot.containers[1]);
    let about = shop.stock.book(&from) - 40;
    let hopper = format!("hopper/{printer}.main");
    let shown = shop.carry(turn.site, &from, &hopper, about);
    let event = polymer::load(shop, turn, printer, &from, shown);
    shop.pass(turn, 20, 40);
    let deviation = shop.label("DV");
    let data = json!({
        "about": [format!("lot/{}", lot.id), format!("equipment/{printer}")],
        "entries": [Template::value_hole(event)],
        "what": "loaded_before_release",
        "severity": "major",
        "immediate_action": "lot_tested_first",
    });
    let team = team(turn.site);
    shop.note(turn, team.lead, "deviation.opened", format!("deviation/{deviation}"), data);
    shop.troubles.owe(turn.site, days_after(turn.day, 12), move |shop, turn| {
        let data =
            json!({ "cause": "jugs_of_two_lots_on_one_pallet", "approved_by": team.lead.id() });
        shop.note(turn, team.quality, "deviation.closed", format!("deviation/{deviation}"), data);
    });
    Some(vec![Must::Finding { rule: NOT_RELEASED, event }])
}

pub(super) fn strict_stop(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let (i, lot) = shop
        .metal
        .lots
        .iter()
        .enumerate()
        .find_map(|(i, lots)| lots.iter().find(|l| !l.released).map(|l| (i, l.clone())))?;
    let line = &metal::LINES[i];
    let who = turn.hand();
    let data = json!({
        "from": lot_container(&lot.containers[0]),
        "into": format!("hopper/{}.main", line.printer),
        "mass": kg(turn.site, 9_900),
        "scale": scale_of(turn.site),
        "checks": checks(&["seal_removed_whole", "area_vacuumed_first", "bonded", "mask_worn"]),
    });
    let how = Sending::strict().expecting(Expect::Stopped(NOT_RELEASED));
    let work = ("powder.loaded", format!("equipment/{}", line.printer), data);
    let event = shop.note_with(turn, who, work, how);
    Some(vec![Must::Answer { event }, Must::Entry { name: "attempt.refused" }])
}

/// The weekly look at S-02 finds a tear. What lies about is held, taken back and sieved again.
pub(super) fn torn_sieve(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let team = team(turn.site);
    if shop.polymer.blends.is_empty() {
        return None;
    }
    let machine = upkeep::machine("S-02");
    let look = upkeep::task_of(machine, "sieve_inspect");
    let serial = shop.parts[&("S-02", "deck")].serial.clone();
    let event = upkeep::inspect(shop, turn, machine, look, "fail", &["torn", "foreign_matter"]);
    upkeep::mark(shop, "S-02", look, turn.day);
    let held: Vec<String> = std::mem::take(&mut shop.polymer.blends);
    shop.polymer.paused = true;
    for lot in &held {
        shop.pass(turn, 2, 4);
        let data = json!({ "reason": "torn_sieve" });
        shop.note(turn, team.quality, "lot.held", format!("lot/{lot}"), data);
    }
    let deviation = shop.label("DV");
    shop.pass(turn, 5, 10);
    let mut about = vec!["equipment/S-02".to_owned()];
    about.extend(held.iter().map(|lot| format!("lot/{lot}")));
    let data = json!({
        "about": about,
        "entries": [Template::value_hole(event)],
        "what": "torn_sieve",
        "severity": "major",
        "immediate_action": "powder_held",
    });
    shop.note(turn, team.lead, "deviation.opened", format!("deviation/{deviation}"), data);

    let swap = upkeep::task_of(machine, "sieve_replace");
    let why = Swap { who: turn.hand(), reason: "torn", condition: "failed" };
    upkeep::replace(shop, turn, machine, swap, why);
    for task in [swap, upkeep::task_of(machine, "sieve_clean")] {
        upkeep::mark(shop, "S-02", task, turn.day);
    }
    take_back(shop, turn);
    settle_hold(shop, turn, held.clone(), deviation);
    Some(vec![
        Must::Finding { rule: "equipment.check_failed", event },
        Must::Suspect { sieve: serial, lot: held.last()?.clone() },
    ])
}

/// What lies sieved goes back to the unsieved bin.
fn take_back(shop: &mut Shop, turn: &mut Turn) {
    shop.pass(turn, 10, 20);
    let about = shop.stock.truth(polymer::SIEVED).min(shop.stock.book(polymer::SIEVED)) - 40;
    let shown = shop.carry(turn.site, polymer::SIEVED, polymer::UNSIEVED, about);
    let data = json!({
        "from": polymer::SIEVED,
        "into": polymer::UNSIEVED,
        "mass": kg(turn.site, shown),
        "reason": "sieve_again",
        "scale": scale_of(turn.site),
    });
    let who = turn.hand();
    shop.note(turn, who, "powder.moved", "equipment/S-02".into(), data);
}

/// Two days later quality and the lead decide; a month later it is looked at whether it helped.
fn settle_hold(shop: &mut Shop, turn: &Turn, held: Vec<String>, deviation: String) {
    let (site, team) = (turn.site, team(turn.site));
    let action = shop.label("AC");
    let (opened, of) = (action.clone(), deviation.clone());
    shop.troubles.owe(site, days_after(turn.day, 2), move |shop, turn| {
        shop.polymer.paused = false;
        for lot in held {
            let data = json!({
                "decision": "use_as_is",
                "reason": "sieved_again_no_foreign_matter",
                "decided_by": [team.quality.id(), team.lead.id()],
            });
            shop.note(turn, team.quality, "lot.disposed_of", format!("lot/{lot}"), data);
            shop.polymer.blends.insert(0, lot);
        }
        let data = json!({
            "deviation": of,
            "what": "look_at_the_sieve_twice_a_week",
            "owner": team.lead.id(),
            "due": days_after(turn.day, 28).to_string(),
        });
        shop.note(turn, team.quality, "action.opened", format!("action/{opened}"), data);
    });
    shop.troubles.owe(site, days_after(turn.day, 31), move |shop, turn| {
        let data = json!({ "effective": true });
        shop.note(turn, team.quality, "action.checked", format!("action/{action}"), data);
        let data = json!({ "cause": "sieve_worn_at_the_clamp", "approved_by": team.lead.id() });
        shop.note(turn, team.quality, "deviation.closed", format!("deviation/{deviation}"), data);
    });
}

pub(super) fn low_refresh(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    // 22 % fresh, where the recipe wants 30 %.
    let event = polymer::blend_of(shop, turn, 42_000, 12_000)?;
    Some(vec![Must::Finding { rule: "powder.refresh_below_minimum", event }])
}

/// Somebody took a scoop for a trial and told nobody.
pub(super) fn stock_short(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let place = polymer::SIEVED;
    if shop.stock.truth(place) < 30_000 {
        return None;
    }
    shop.stock.shift(place, "loss/unbooked-scoop", 2_600, 0);
    let found = shop.stock.weigh(place, super::super::cast::step_g(turn.site));
    let who = turn.hand();
    let data = json!({
        "place": place,
        "mass": kg(turn.site, found),
        "scale": scale_of(turn.site),
    });
    let subject = format!("site/{}", turn.site.label());
    let event = shop.note(turn, who, "stock.counted", subject, data);
    Some(vec![Must::Finding { rule: "powder.count_differs", event }])
}

/// A lot that fails its test, is held, and is scrapped at a month end.
pub(super) fn bad_lot(shop: &mut Shop, turn: &mut Turn) {
    let team = team(turn.site);
    let (id, _) = metal::delivery(shop, turn, 1, 9);
    shop.pass(turn, 30, 50);
    let data = json!({
        "test": "oxygen",
        "measured": { "value": "1640", "unit": "[ppm]" },
        "limit": { "at_most": { "value": "1300", "unit": "[ppm]" } },
        "result": "fail",
        "instrument": "LAB-2",
    });
    let subject = format!("lot/{id}");
    shop.note(turn, team.quality, "lot.tested", subject.clone(), data);
    shop.pass(turn, 2, 5);
    let data = json!({ "reason": "oxygen_too_high" });
    shop.note(turn, team.quality, "lot.held", subject, data);
    if let Some(lot) = shop.metal.lots[1].iter_mut().find(|l| l.id == id) {
        (lot.tested, lot.released, lot.held) = (true, true, true);
    }
}

/// The bad lot becomes waste, exactly so much that the month ends at `target_g`; what is left
/// waits for the next month. Returns whether it was enough.
pub(super) fn scrap_up_to(shop: &mut Shop, turn: &mut Turn, target_g: i64) -> bool {
    let team = team(turn.site);
    let Some(lot) = shop.metal.lots[1].iter().rev().find(|l| l.held).cloned() else { return false };
    let data = json!({
        "decision": "scrap",
        "reason": "oxygen_too_high",
        "decided_by": [team.quality.id(), team.lead.id()],
    });
    let work = Work {
        name: "lot.disposed_of",
        subject: format!("lot/{}", lot.id),
        site: turn.site,
        at: turn.now,
        data,
    };
    shop.desk.person(team.quality, work);
    let month = turn.day.month();
    for can in &lot.containers {
        let place = lot_container(can);
        let so_far = shop.yard.hazardous_g.get(&month).copied().unwrap_or(0);
        let wanted = (target_g - so_far).min(shop.stock.book(&place) - 10);
        if wanted >= 5 {
            shop.pass(turn, 4, 7);
            waste::add_powder(shop, turn, "AL-POWDER", &place, "powder", wanted);
        }
    }
    shop.yard.hazardous_g.get(&month) == Some(&target_g)
}
