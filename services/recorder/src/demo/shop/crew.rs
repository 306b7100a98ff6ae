//! Handovers, signatures, remarks, weekly rounds: what people leave beside the powder.

use serde_json::json;

use super::calendar::{Shift, Site, is_monday};
use super::cast::{Who, team};
use super::floor::{Shop, Turn};
use super::script::{EventNo, Template};
use super::waste;

/// Remarks people make; only their commitments reach the log.
const REMARKS: &[&str] = &[
    "hopper level glass looks dusty, please wipe before the next fill",
    "lid of the jug was stiff, needed two hands",
    "vacuum hose coupling a little loose, tightened",
    "delivery came with one dented jug, content looks fine",
    "station louder than usual at the end of the pass",
    "new gloves, size smaller than marked",
    "build cake broke at one corner while lifting",
    "scale pan moved after cleaning, levelled again",
];

/// Takes the shift over from the one before.
pub(super) fn take_over(shop: &mut Shop, turn: &mut Turn) {
    let unaccepted = super::troubles::leaves_unaccepted(shop, turn.site);
    if let Some(handover) = shop.handover.remove(&turn.site).filter(|_| !unaccepted) {
        // Whoever gave it does not accept it.
        let gave = shop.gave.get(&turn.site).copied();
        let who = turn.crew.into_iter().find(|w| Some(*w) != gave).unwrap_or(turn.crew[0]);
        shop.note(turn, who, "handover.accepted", format!("handover/{handover}"), json!({}));
    }
}

/// Hands the shift over.
pub(super) fn hand_over(shop: &mut Shop, turn: &mut Turn) {
    shop.pass(turn, 1, 3);
    let shift = format!("{}-{}", turn.day, turn.shift.label());
    let id = format!("{}-{shift}", if turn.site == Site::North { "N" } else { "S" });
    let mut open = Vec::new();
    if turn.site == Site::North {
        for build in shop.polymer.running.iter().flatten() {
            open.push(json!({ "about": format!("build/{}", build.id), "what": "build_running" }));
        }
    } else {
        for build in shop.metal.running.iter().flatten() {
            open.push(json!({ "about": format!("build/{}", build.id), "what": "build_running" }));
        }
    }
    let data = json!({ "shift": shift, "open": open });
    let who = turn.crew[0];
    shop.note(turn, who, "handover.given", format!("handover/{id}"), data);
    shop.handover.insert(turn.site, id);
    shop.gave.insert(turn.site, who);
}

/// The lead verifies work, quality reviews it, a remark is left now and then.
pub(super) fn sign_off(shop: &mut Shop, turn: &mut Turn) {
    if turn.shift != Shift::Early {
        return;
    }
    let team = team(turn.site);
    let done: Vec<(EventNo, Who)> = shop.done.remove(&turn.site).unwrap_or_default();
    for (n, (no, by)) in done.iter().enumerate() {
        if n % 14 == 4 && *by != team.lead {
            shop.pass(turn, 1, 2);
            let data = json!({ "meaning": "verified" });
            shop.note(turn, team.lead, "entry.signed", Template::subject_hole(*no), data);
        } else if n % 41 == 11 && *by != team.quality {
            shop.pass(turn, 1, 2);
            let data = json!({ "meaning": "reviewed" });
            shop.note(turn, team.quality, "entry.signed", Template::subject_hole(*no), data);
        }
    }
    if shop.rng.chance(40) {
        shop.pass(turn, 1, 3);
        let remark = *shop.rng.pick(REMARKS);
        let text = shop.desk.words(remark);
        let who = turn.hand();
        if let Some((no, _)) = done.last() {
            let subject = shop.desk.subject(*no).to_owned();
            let data = json!({ "text": text, "entry": Template::value_hole(*no) });
            shop.note(turn, who, "note.added", subject, data);
        }
    }
}

/// The rounds of a week and a month (job map section 3).
pub(super) fn rounds(shop: &mut Shop, turn: &mut Turn) {
    if turn.shift != Shift::Early {
        return;
    }
    if waste::inspection_is_due(shop, turn) && !super::troubles::skips_inspection(shop, turn) {
        waste::inspect(shop, turn);
    }
    waste::paperwork(shop, turn);
    let last = shop.yard.last_pickup.get(&turn.site).copied();
    let days = last.map_or(999, |day| (turn.day - day).get_days());
    let due = match turn.site {
        Site::North => turn.day.day() >= 18 && days > 20,
        Site::South => days >= 56 && !super::troubles::safety_office_away(turn),
    };
    if turn.site == Site::South && days >= 42 && !shop.yard.central.contains_key(&Site::South) {
        waste::clear_satellite(shop, turn);
    }
    if due {
        waste::ship(shop, turn);
    }
    if turn.day.day() == 15 || (turn.day.day() == 16 && is_monday(turn.day)) {
        count_stock(shop, turn);
    }
}

/// Bins and hoppers are weighed (job map row 40).
fn count_stock(shop: &mut Shop, turn: &mut Turn) {
    let places: Vec<String> = match turn.site {
        Site::North => vec![super::polymer::UNSIEVED.into(), super::polymer::SIEVED.into()],
        Site::South => super::metal::LINES
            .iter()
            .flat_map(|l| [l.used.to_owned(), l.ready.to_owned()])
            .collect(),
    };
    for place in places {
        shop.pass(turn, 3, 6);
        let step = super::cast::step_g(turn.site);
        let found = shop.stock.weigh(&place, step);
        let who = turn.hand();
        let data = json!({
            "place": place,
            "mass": super::floor::kg(turn.site, found),
            "scale": super::floor::scale_of(turn.site),
        });
        let subject = format!("site/{}", turn.site.label());
        shop.note(turn, who, "stock.counted", subject, data);
    }
}
