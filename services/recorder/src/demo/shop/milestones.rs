//! Things that happen once in a while in a year and are no trouble: spare parts, a replaced meter,
//! somebody leaves, a machine is given up, a drum comes back.

use jiff::civil::{Date, date};
use serde_json::json;

use super::calendar::{Shift, Site};
use super::cast::{Who, team};
use super::floor::{Shop, Turn, kg, scale_of, shown};
use super::{polymer, upkeep, waste};

/// Somebody who leaves, and the last day.
pub(super) const LEAVER: (Who, Date) = (Who(3), date(2026, 8, 31));

/// Something that happens on the first early shift from its day on on which it can.
struct Milestone {
    id: &'static str,
    site: Site,
    from: Date,
    act: fn(&mut Shop, &mut Turn) -> Option<()>,
}

const MILESTONES: &[Milestone] = &[
    milestone("retired", Site::North, date(2026, 1, 30), retire_old_vacuum),
    milestone("meter", Site::North, date(2026, 2, 20), replace_meter),
    milestone("window_out", Site::North, date(2026, 3, 24), take_window_out),
    milestone("window_in", Site::North, date(2026, 3, 26), put_window_in),
    milestone("extension", Site::South, date(2026, 9, 2), extend_accumulation),
    milestone("withdrawn", Site::North, date(2026, 8, 31), somebody_leaves),
];

const fn milestone(
    id: &'static str,
    site: Site,
    from: Date,
    act: fn(&mut Shop, &mut Turn) -> Option<()>,
) -> Milestone {
    Milestone { id, site, from, act }
}

/// Lets whatever is due happen, on early shifts.
pub(super) fn pass(shop: &mut Shop, turn: &mut Turn) {
    if turn.shift != Shift::Early {
        return;
    }
    spare_parts(shop, turn);
    for milestone in MILESTONES {
        let waits = milestone.site == turn.site && milestone.from <= turn.day;
        if waits && !shop.passed.contains(&milestone.id) && (milestone.act)(shop, turn).is_some() {
            shop.passed.push(milestone.id);
        }
    }
}

/// Spare parts come in once a month (job map row 20).
fn spare_parts(shop: &mut Shop, turn: &mut Turn) {
    let month = (turn.site, turn.day.first_of_month());
    if shop.spares_came.contains(&month) {
        return;
    }
    shop.spares_came.push(month);
    let wanted: &[(&'static str, &str, usize)] = match turn.site {
        Site::North => &[("deck", "sieve", 3), ("exhaust", "hepa_filter", 2)],
        Site::South => &[("deck", "sieve", 1), ("exhaust", "hepa_filter", 2)],
    };
    shop.pass(turn, 4, 8);
    let who = turn.hand();
    for (position, kind, pieces) in wanted {
        for _ in 0..*pieces {
            let serial = shop.new_serial(position);
            let data = json!({
                "part_kind": kind,
                "part": {
                    "serial": serial,
                    "spec": upkeep::spec(turn.site, position),
                    "lot": format!("PL-{}", shop.rng.range(100, 999)),
                    "certificate": shop.desk.digest(),
                },
                "bin": format!("SHELF-{}", turn.site.label()),
            });
            let subject = format!("site/{}", turn.site.label());
            shop.note(turn, who, "part.received", subject, data);
            shop.spares.entry((turn.site, position)).or_default().push_back(serial);
        }
    }
}

/// An old vacuum cleaner that only stood about.
fn retire_old_vacuum(shop: &mut Shop, turn: &mut Turn) -> Option<()> {
    let lead = team(turn.site).lead;
    let subject = "equipment/V-00".to_owned();
    let data = json!({
        "kind": "vacuum",
        "label": "Old vacuum cleaner, not for combustible dust",
        "room": "polymer-room",
    });
    shop.note(turn, lead, "equipment.registered", subject.clone(), data);
    shop.pass(turn, 2, 4);
    let data = json!({ "reason": "not_rated_for_combustible_dust" });
    shop.note(turn, lead, "equipment.retired", subject, data);
    Some(())
}

/// The run meter of the vacuum cleaner is replaced (job map row 16).
fn replace_meter(shop: &mut Shop, turn: &mut Turn) -> Option<()> {
    let last_old = shop.meter("V-01", "run");
    shop.reset("V-01", "run", 0);
    let data = json!({
        "meter": "run",
        "last_old": shown("run", last_old),
        "first_new": shown("run", 0),
        "reason": "display_dark",
    });
    let lead = team(turn.site).lead;
    shop.note(turn, lead, "meter.replaced", "equipment/V-01".into(), data);
    // What counts is the use, not the display: the interval goes on where it was.
    let served = shop.served[&("V-01", "hepa_replace")];
    shop.served.insert(("V-01", "hepa_replace"), served - last_old);
    if let Some(filter) = shop.parts.get_mut(&("V-01", "exhaust")) {
        filter.since -= last_old;
    }
    Some(())
}

/// The window of P-03 goes out to be polished and comes back two days later; no build meanwhile.
fn take_window_out(shop: &mut Shop, turn: &mut Turn) -> Option<()> {
    if shop.polymer.running[2].is_some() {
        return None;
    }
    shop.polymer.out_of_use = Some(2);
    let who = turn.hand();
    let serial = shop.parts[&("P-03", "window")].serial.clone();
    let data = json!({
        "position": "window",
        "out": { "serial": serial, "reason": "polish", "condition": "sound" },
        "reading": shop.reading("P-03", "run"),
    });
    shop.note(turn, who, "part.removed", "equipment/P-03".into(), data);
    Some(())
}

fn put_window_in(shop: &mut Shop, turn: &mut Turn) -> Option<()> {
    if !shop.passed.contains(&"window_out") {
        return None;
    }
    shop.polymer.out_of_use = None;
    let who = turn.hand();
    let serial = shop.parts[&("P-03", "window")].serial.clone();
    let data = json!({
        "position": "window",
        "in": { "serial": serial, "spec": {} },
        "checks": super::floor::checks(&["seated"]),
        "reading": shop.reading("P-03", "run"),
    });
    shop.note(turn, who, "part.fitted", "equipment/P-03".into(), data);
    Some(())
}

/// The authority grants more time for a drum (40 CFR 262.16(d): up to 30 days).
fn extend_accumulation(shop: &mut Shop, turn: &mut Turn) -> Option<()> {
    let drum = shop.yard.open.get("TI-POWDER")?.id.clone();
    let data = json!({ "days": 20, "granted_by": "STATE-AGENCY", "reference": "EXT-2026-03" });
    let ehs = team(turn.site).ehs;
    shop.note(turn, ehs, "accumulation.extended", format!("container/{drum}"), data);
    Some(())
}

fn somebody_leaves(shop: &mut Shop, turn: &mut Turn) -> Option<()> {
    let (who, last_day) = LEAVER;
    let lead = team(turn.site).lead;
    let subject = format!("person/{}", who.id());
    let data = json!({ "task": "sieve_change", "reason": "leaves" });
    shop.note(turn, lead, "authorisation.withdrawn", subject.clone(), data);
    shop.pass(turn, 2, 4);
    let data = json!({ "last_day": last_day.to_string() });
    shop.note(turn, lead, "person.left", subject, data);
    Some(())
}

/// A sample of a new lot goes to the laboratory with its test.
pub(super) fn sample(shop: &mut Shop, turn: &mut Turn, lot: &str, container: &str) {
    let from = polymer::lot_container(container);
    let into = format!("sample/{lot}-1");
    let shown_g = shop.carry(turn.site, &from, &into, 240);
    let data = json!({
        "from": from,
        "into": into,
        "mass": kg(turn.site, shown_g),
        "reason": "laboratory_sample",
        "scale": scale_of(turn.site),
    });
    let who = turn.hand();
    shop.note(turn, who, "powder.moved", format!("lot/{lot}"), data);
}

/// The facility refuses one drum of a shipment of `north`: a lid is dented. It comes back and
/// stands in the central area again.
pub(super) fn refuse_drum(shop: &mut Shop, turn: &mut Turn, shipment: &str, drum: &waste::Drum) {
    shop.pass(turn, 3, 6);
    let data = json!({
        "containers": [drum.id],
        "reason": "lid_dented",
        "course": "returned",
        "day": turn.day.to_string(),
    });
    let ehs = team(turn.site).ehs;
    shop.note(turn, ehs, "shipment.rejected", format!("shipment/{shipment}"), data);
    // The truck brings it back; whoever unloads it hands it over.
    shop.pass(turn, 40, 70);
    let place = json!({ "area": "central", "location": waste::central(turn.site) });
    let data = json!({
        "from": place,
        "to": place,
        "giver": turn.hand().id(),
        "receiver": ehs.id(),
    });
    shop.note(turn, ehs, "container.moved", format!("container/{}", drum.id), data);
}
