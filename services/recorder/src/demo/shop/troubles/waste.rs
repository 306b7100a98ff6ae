//! Troubles of waste: bags, drums, shipments, month ends.

use jiff::civil::{Date, Weekday, date};
use serde_json::json;

use super::super::calendar::{Shift, Site};
use super::super::cast::team;
use super::super::floor::{Shop, Turn, checks, kg, kg_digits, scale_of};
use super::super::metal::{self, LINES};
use super::super::polymer;
use super::super::script::{EventNo, Template};
use super::super::waste::{self, Shipment};
use super::{Must, days_after};

/// Months of `south` that end close to the limit of 100 kg (40 CFR 260.10: up to and including
/// 100 kg a very small generator), with the mass they end at and the category that follows.
const MONTH_ENDS: [(i8, i64, &str, &str, &str); 2] = [
    (
        6,
        99_600,
        "very_small",
        "month_end_below",
        "June ends 0.4 kg below the limit of the category",
    ),
    (8, 100_400, "small", "month_end_above", "August ends 0.4 kg above the limit of the category"),
];

pub(super) fn bag_in_two_drums(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let bag = shop.polymer.vacuum_bag.clone();
    let content = shop.stock.weigh(&format!("vacuum_bag/{bag}"), 20);
    if content < 1_000 {
        return None;
    }
    let team = team(turn.site);
    waste::change_bag(shop, turn, "V-01", "PA12-POWDER");
    shop.pass(turn, 15, 30);
    let drum = waste::drum(shop, turn, "PA12-SOLIDS");
    let who = turn.hand();
    let data = json!({
        "what": "vacuum_bag",
        "mass": kg(turn.site, content),
        "pieces": 1,
        "item": bag,
        "scale": scale_of(turn.site),
        "checks": checks(&["container_closed_after"]),
    });
    let event = shop.note(turn, who, "waste.added", format!("container/{drum}"), data);
    shop.pass(turn, 60, 90);
    let data = json!({ "reason": "recorded_twice", "approver": team.lead.id() });
    shop.note(turn, team.ehs, "entry.voided", Template::subject_hole(event), data);
    Some(vec![
        Must::Finding { rule: "waste.item_in_two_containers", event },
        Must::Settled { event },
        Must::Amended { event },
    ])
}

pub(super) fn weighing_corrected(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    if shop.stock.truth(polymer::SIEVED) < 60_000 {
        return None;
    }
    let (who, lead) = (turn.hand(), team(turn.site).lead);
    let drum = waste::drum(shop, turn, "PA12-POWDER");
    let shown = shop.carry(turn.site, polymer::SIEVED, &format!("waste/{drum}"), 14_600);
    waste::book(shop, turn, "PA12-POWDER", shown);
    let mut data = json!({
        "from": polymer::SIEVED,
        "what": "powder",
        "mass": kg(turn.site, shown),
        "scale": scale_of(turn.site),
        "checks": checks(&["earthed", "mask_worn", "container_closed_after"]),
    });
    let right = data.clone();
    data["mass"]["value"] = kg_digits(turn.site, shown / 10).into();
    let event = shop.note(turn, who, "waste.added", format!("container/{drum}"), data);
    shop.pass(turn, 40, 60);
    let data = json!({ "reason": "decimal_point", "approver": lead.id(), "data": right });
    shop.note(turn, who, "entry.corrected", Template::subject_hole(event), data);
    Some(vec![Must::Amended { event }])
}

pub(super) fn wrong_drum(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let canister = format!("vacuum_bag/{}", shop.metal.canister[0]);
    metal::wipe_down(shop, turn, 0);
    if shop.stock.truth(&canister) < 20 {
        return None;
    }
    let (ehs, who) = (team(turn.site).ehs, turn.hand());
    let right = waste::drum(shop, turn, LINES[0].powder_stream);
    let wrong = waste::drum(shop, turn, LINES[1].powder_stream);
    let event = waste::change_bag_told(shop, turn, "V-11", LINES[0].powder_stream, &wrong);
    shop.pass(turn, 70, 110);
    let mut data = shop.desk.data(event).clone();
    data["into"] = right.into();
    let data = json!({ "reason": "wrong_drum", "approver": ehs.id(), "data": data });
    shop.note(turn, who, "entry.corrected", Template::subject_hole(event), data);
    Some(vec![
        Must::Finding { rule: "waste.wrong_stream", event },
        Must::Settled { event },
        Must::Amended { event },
    ])
}

/// The days between the years: nobody of the safety office of `south` is there.
pub(in super::super) fn safety_office_away(turn: &Turn) -> bool {
    const FROM: Date = date(2025, 12, 24);
    const TO: Date = date(2026, 1, 2);
    turn.site == Site::South && (FROM..=TO).contains(&turn.day)
}

/// Whether the inspection of today is missed.
pub(in super::super) fn skips_inspection(shop: &mut Shop, turn: &Turn) -> bool {
    let skips = safety_office_away(turn);
    shop.troubles.inspection_missed |= skips;
    skips
}

/// The inspection after the missed one tells the gap.
pub(in super::super) fn after_inspection(shop: &mut Shop, turn: &Turn, event: EventNo) {
    if turn.site == Site::South && std::mem::take(&mut shop.troubles.inspection_missed) {
        let title = "The weekly look at the central area is missed between the years";
        let must = vec![Must::Finding { rule: "waste.inspection_gap", event }];
        shop.troubles.plant("missed_inspection", title, turn, must);
    }
}

/// The facility finds a container lighter than shipped: found, asked, settled (row 61).
pub(in super::super) fn light_drum(
    shop: &mut Shop,
    turn: &mut Turn,
    shipment: &Shipment,
    delivered: EventNo,
) {
    let (site, ehs) = (turn.site, team(turn.site).ehs);
    let subject = format!("shipment/{}", shipment.id);
    let expected = shipment.weighed_g[0];
    let data = json!({
        "kind": "quantity",
        "container": shipment.drums[0].id,
        "expected": kg(site, expected),
        "found": kg(site, expected - shipment.short_g),
    });
    shop.pass(turn, 15, 30);
    let event = shop.note(turn, ehs, "discrepancy.found", subject.clone(), data);
    shop.troubles.owe(site, days_after(turn.day, 9), move |shop, turn| {
        let data = json!({
            "entry": Template::value_hole(event),
            "how": "facility_scale_out_of_calibration",
            "with": waste::FACILITY_SOUTH,
        });
        shop.note(turn, ehs, "discrepancy.settled", subject, data);
    });
    let title = "The facility finds a drum lighter than it was shipped";
    let must = vec![
        Must::Finding { rule: "waste.weight_disagrees", event: delivered },
        Must::Entry { name: "discrepancy.settled" },
    ];
    shop.troubles.plant("weight_mismatch", title, turn, must);
}

/// The signed copy never comes: asked for on day 46, reported on day 71 (row 60).
pub(in super::super) fn missing_receipt(shop: &mut Shop, turn: &mut Turn, shipment: &str) {
    let (site, ehs) = (turn.site, team(turn.site).ehs);
    let subject = format!("shipment/{shipment}");
    let asked = subject.clone();
    shop.troubles.owe(site, days_after(turn.day, 46), move |shop, turn| {
        let data = json!({ "asked": waste::TRANSPORTER_SOUTH, "answer": "no_trace_yet" });
        shop.note(turn, ehs, "shipment.queried", asked, data);
    });
    shop.troubles.owe(site, days_after(turn.day, 71), move |shop, turn| {
        let data = json!({ "to": "STATE-AGENCY", "reference": "EX-2026-07" });
        shop.note(turn, ehs, "exception.reported", subject, data);
    });
    let title = "A signed copy never comes back and is reported eleven days too late";
    let must =
        vec![Must::ReceiptOverdue { shipment: shipment.to_owned(), on: days_after(turn.day, 65) }];
    shop.troubles.plant("missing_receipt", title, turn, must);
}

/// Bad lots come in on the way to the month ends, and are scrapped on the last shift.
pub(in super::super) fn closes_month(shop: &mut Shop, turn: &mut Turn) {
    for (month, target_g, category, id, title) in MONTH_ENDS {
        if turn.day.month() != month {
            continue;
        }
        let comes = turn.shift == Shift::Early
            && turn.day.weekday() == Weekday::Tuesday
            && (8..15).contains(&turn.day.day());
        if comes {
            super::powder::bad_lot(shop, turn);
        }
        let last = std::iter::successors(turn.day.tomorrow().ok(), |d| d.tomorrow().ok())
            .take_while(|d| d.month() == month)
            .all(|d| !turn.site.works_on(d));
        if last && turn.shift == Shift::Late && super::powder::scrap_up_to(shop, turn, target_g) {
            let first = date(turn.day.year(), month, 1);
            let must = vec![Must::Category { month: first, category, grams: target_g }];
            shop.troubles.plant(id, title, turn, must);
        }
    }
}
