//! Troubles of the record itself: repeats, clashes, lateness, clocks, rights.

use jiff::SignedDuration;
use serde_json::{Value, json};

use super::super::cast::team;
use super::super::desk::{Sending, Work};
use super::super::floor::{Shop, Turn, shown};
use super::super::script::{Expect, Template};
use super::super::upkeep;
use super::Must;

pub(super) fn exact_retry(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let who = turn.hand();
    let reading = shown("run", shop.meter("X-01", "run"));
    let data = json!({ "meter": "run", "reading": reading });
    let first = shop.seen(turn, who, "meter.read", "equipment/X-01".into(), data);
    // A person does it too: the page was reloaded after the answer.
    let check = upkeep::scale_check(shop, turn);
    shop.pass(turn, 1, 1);
    let again = [shop.desk.again(first, turn.now), shop.desk.again(check, turn.now)];
    Some(again.into_iter().map(|event| Must::Answer { event }).collect())
}

pub(super) fn id_clash(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let first = upkeep::scale_check(shop, turn);
    shop.pass(turn, 2, 3);
    let event = shop.desk.clash(first, turn.now, |event| {
        event["data"]["measured"]["value"] = Value::from("10.010");
    });
    Some(vec![Must::Answer { event }])
}

pub(super) fn no_right(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let lot = shop.polymer.lots.last()?.id.clone();
    let who = turn.hand();
    let work = ("lot.released", format!("lot/{lot}"), json!({ "meaning": "released" }));
    let event = shop.note_with(turn, who, work, Sending::default().expecting(Expect::Forbidden));
    Some(vec![Must::Answer { event }, Must::Entry { name: "access.refused" }])
}

pub(super) fn late_with_reason(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let who = turn.hand();
    let data = json!({
        "target": "window",
        "method": "wipe",
        "checks": super::super::floor::checks(&["mask_worn"]),
    });
    let how = Sending::late(SignedDuration::from_hours(30), Some("terminal_down"));
    let event = shop.note_with(turn, who, ("cleaning.done", "equipment/P-01".into(), data), how);
    Some(vec![Must::Finding { rule: "record.late", event }])
}

pub(super) fn late_without_reason(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let who = turn.hand();
    let reading = shown("run", shop.meter("V-11", "run"));
    let data = json!({ "meter": "run", "reading": reading });
    let how = Sending::late(SignedDuration::from_hours(73), None);
    let event = shop.note_with(turn, who, ("meter.read", "equipment/V-11".into(), data), how);
    Some(vec![Must::Finding { rule: "record.late_without_reason", event }])
}

pub(super) fn out_of_order(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let who = turn.hand();
    let mut delayed = Vec::new();
    for machine in ["S-01", "S-02", "V-01", "X-01"] {
        let meter = if machine.starts_with('S') { "sift" } else { "run" };
        let data = json!({ "meter": meter, "reading": shown(meter, shop.meter(machine, meter)) });
        let subject = format!("equipment/{machine}");
        let work = Work { name: "meter.read", subject, site: turn.site, at: turn.now, data };
        let how = Sending::late(SignedDuration::from_hours(9), None);
        delayed.push(shop.desk.mes_with(who, work, how));
    }
    shop.pass(turn, 2, 3);
    let later = upkeep::scale_check(shop, turn);
    Some(delayed.into_iter().map(|earlier| Must::OutOfOrder { earlier, later }).collect())
}

pub(super) fn void_entry(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let team = team(turn.site);
    let data = json!({
        "target": "surfaces",
        "method": "wipe",
        "checks": super::super::floor::checks(&["top_to_bottom", "airflow_off"]),
    });
    let subject = "equipment/S-12".to_owned();
    let (first, second) = (turn.crew[0], turn.crew[1]);
    shop.note(turn, first, "cleaning.done", subject.clone(), data.clone());
    shop.pass(turn, 4, 8);
    let event = shop.note(turn, second, "cleaning.done", subject, data);
    shop.pass(turn, 30, 60);
    let data = json!({ "reason": "recorded_twice", "approver": team.quality.id() });
    shop.note(turn, team.lead, "entry.voided", Template::subject_hole(event), data);
    Some(vec![Must::Amended { event }])
}

pub(super) fn self_approval(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let who = turn.hand();
    let data = json!({
        "target": "chamber",
        "method": "wipe",
        "checks": super::super::floor::checks(&["mask_worn"]),
    });
    let wrong = shop.note(turn, who, "cleaning.done", "equipment/P-02".into(), data.clone());
    shop.pass(turn, 10, 20);
    let mut right = data;
    right["target"] = "window".into();
    let data = json!({ "reason": "wrong_target", "approver": who.id(), "data": right });
    let event = shop.note(turn, who, "entry.corrected", Template::subject_hole(wrong), data);
    Some(vec![
        Must::Finding { rule: "record.self_approval", event },
        Must::Amended { event: wrong },
    ])
}

pub(super) fn clock_skew(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let who = turn.hand();
    let skew = SignedDuration::from_mins(182);
    let data = json!({
        "target": "surfaces",
        "method": "wipe",
        "checks": super::super::floor::checks(&["top_to_bottom"]),
    });
    let work = Work {
        name: "cleaning.done",
        subject: "equipment/S-11".into(),
        site: turn.site,
        at: turn.now + skew,
        data,
    };
    let event = shop.desk.person_with(who, work, Sending::late(-skew, None));
    Some(vec![Must::Finding { rule: "record.in_the_future", event }])
}
