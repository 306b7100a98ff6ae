//! Troubles of people: authorisations, masks, handovers, spills.

use jiff::civil::{Date, date};
use serde_json::json;

use super::super::cast::{Who, team};
use super::super::floor::{Shop, Turn, checks, kg};
use super::super::metal::LINES;
use super::super::script::Template;
use super::super::upkeep::{self, Swap};
use super::super::waste;
use super::{Must, days_after};

/// Whose authorisation to change sieves is not renewed in time, and its last day.
const LAPSED: (Who, Date) = (Who(2), date(2026, 4, 30));
/// Whose fit test runs out in September, and its last day (a Sunday).
const MASK_LAPSED: (Who, Date) = (Who(8), date(2026, 9, 13));

/// Last day of an authorisation granted at the start of the year.
pub(in super::super) fn authorised_until(who: Who, task: &str) -> String {
    match task {
        "sieve_change" if who == LAPSED.0 => LAPSED.1.to_string(),
        _ => "2026-12-31".to_owned(),
    }
}

/// Last day of a fit test of the start of the year, when it is shorter than a year.
pub(in super::super) fn fit_test_until(who: Who) -> Option<String> {
    (who == MASK_LAPSED.0).then(|| MASK_LAPSED.1.to_string())
}

/// Whether the shop lets somebody change sieves on this day, trouble apart.
pub(in super::super) fn may_change_sieves(shop: &Shop, who: Who, day: Date) -> bool {
    who != LAPSED.0 || day <= LAPSED.1 || shop.troubles.sieves_allowed_again
}

pub(super) fn expired_authorisation(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let (who, _) = LAPSED;
    if !turn.crew.contains(&who) {
        return None;
    }
    let machine = upkeep::machine("S-01");
    let task = upkeep::task_of(machine, "sieve_replace");
    let why = Swap { who, reason: "oversize_rising", condition: "worn" };
    let event = upkeep::replace(shop, turn, machine, task, why);
    for task in [task, upkeep::task_of(machine, "sieve_clean")] {
        upkeep::mark(shop, "S-01", task, turn.day);
    }
    shop.troubles.owe(turn.site, days_after(turn.day, 1), move |shop, turn| {
        let data = json!({
            "task": "sieve_change",
            "valid_to": "2027-04-30",
            "evidence": shop.desk.digest(),
        });
        let lead = team(turn.site).lead;
        shop.note(turn, lead, "authorisation.granted", format!("person/{}", who.id()), data);
        shop.troubles.sieves_allowed_again = true;
    });
    Some(vec![Must::Finding { rule: "people.not_authorised", event }])
}

pub(super) fn fit_test_lapsed(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let (who, _) = MASK_LAPSED;
    if !turn.crew.contains(&who) {
        return None;
    }
    let data = json!({
        "target": "surfaces",
        "method": "vacuum",
        "checks": checks(&["top_to_bottom", "airflow_off", "vacuum_bonded", "mask_worn"]),
    });
    let event = shop.note(turn, who, "cleaning.done", "equipment/S-11".into(), data);
    shop.troubles.owe(turn.site, days_after(turn.day, 1), move |shop, turn| {
        let data = json!({
            "model": "MASK-A",
            "size": "M",
            "method": "quantitative",
            "fit_factor": { "value": "141", "unit": "1" },
            "result": "pass",
        });
        let ehs = team(turn.site).ehs;
        shop.note(turn, ehs, "fit_test.done", format!("person/{}", who.id()), data);
    });
    Some(vec![Must::Finding { rule: "people.no_fit_test", event }])
}

pub(super) fn handover_not_accepted(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    shop.troubles.skip_acceptance.insert(turn.site, true);
    let handover = format!("N-{}-{}", turn.day, turn.shift.label());
    Some(vec![Must::Unaccepted { handover }])
}

/// A spill: reported, swept up, looked into (job map row 46).
pub(super) fn spill(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let line = &LINES[0];
    if shop.stock.truth(line.ready) < 5_000 {
        return None;
    }
    let (who, team) = (turn.hand(), team(turn.site));
    let incident = shop.label("IN");
    let spilled = shop.carry(turn.site, line.ready, &format!("loss/{incident}"), 860);
    let data = json!({
        "kind": "spill",
        "room": "metal-room",
        "from": line.ready,
        "mass": kg(turn.site, spilled),
        "ignition_sources_off": true,
        "somebody_hurt": false,
        "immediate_action": "room_cleared_and_vacuumed",
    });
    let event = shop.note(turn, who, "incident.reported", format!("incident/{incident}"), data);
    shop.pass(turn, 25, 40);
    let from = format!("loss/{incident}");
    waste::add_powder(shop, turn, line.powder_stream, &from, "spill_residue", spilled - 60);
    let deviation = shop.label("DV");
    shop.pass(turn, 10, 20);
    let data = json!({
        "about": [format!("incident/{incident}")],
        "entries": [Template::value_hole(event)],
        "what": "spill_while_filling",
        "severity": "critical",
        "immediate_action": "room_cleared_and_vacuumed",
    });
    shop.note(turn, team.ehs, "deviation.opened", format!("deviation/{deviation}"), data);
    let closed = deviation.clone();
    shop.troubles.owe(turn.site, days_after(turn.day, 20), move |shop, turn| {
        let data = json!({ "cause": "clamp_of_the_funnel_worn", "approved_by": team.ehs.id() });
        shop.note(turn, team.quality, "deviation.closed", format!("deviation/{deviation}"), data);
    });
    Some(vec![Must::Incident { incident, deviation: closed }])
}
