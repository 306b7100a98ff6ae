//! Troubles of machines: meters, filters, scales, plans.

use jiff::civil::{Date, date};
use serde_json::json;

use super::super::cast::team;
use super::super::floor::{MachineId, Shop, Turn, kg, shown};
use super::super::script::{EventNo, Template};
use super::{Must, days_after};

/// From this day the filter of S-02 is forgotten, until it has run far past its limit.
const FORGOTTEN_FROM: Date = date(2026, 2, 1);
/// Tenths of an hour after which somebody notices; the limit is 1,000.
const NOTICED_AT: i64 = 1_350;
/// The filter of S-01 is put off once and then never replaced in this year.
const PUT_OFF_FROM: Date = date(2026, 5, 18);

/// Whether the shop forgets a task that is due.
pub(in super::super) fn neglected(shop: &Shop, machine: MachineId, task: &str, day: Date) -> bool {
    match (machine, task) {
        ("S-01", "hepa_replace") => day >= PUT_OFF_FROM,
        ("S-02", "hepa_replace") => {
            let since = shop.meter("S-02", "sift") - shop.served[&("S-02", "hepa_replace")];
            let noticed = shop.troubles.filter_replaced_at > 0 || since >= NOTICED_AT;
            day >= FORGOTTEN_FROM && !noticed
        }
        _ => false,
    }
}

/// A part was replaced: was it the forgotten filter?
pub(in super::super) fn after_replacement(
    shop: &mut Shop,
    turn: &Turn,
    machine: MachineId,
    task: &str,
    since: i64,
    event: EventNo,
) {
    if (machine, task) != ("S-02", "hepa_replace") || since < NOTICED_AT {
        return;
    }
    shop.troubles.filter_replaced_at = shop.meter(machine, "sift");
    let title = "A filter is replaced 35 hours after its limit of 100";
    let must = vec![Must::Finding { rule: "equipment.done_late", event }];
    shop.troubles.plant("overdue_filter", title, turn, must);
}

pub(super) fn misread_meter(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let (who, lead) = (turn.hand(), team(turn.site).lead);
    let true_tenths = shop.meter("S-02", "sift");
    let told = |tenths| json!({ "meter": "sift", "reading": shown("sift", tenths) });
    // 63 hours more than the station can have run since yesterday.
    let wrong =
        shop.note(turn, who, "meter.read", "equipment/S-02".into(), told(true_tenths + 630));
    shop.pass(turn, 20, 40);
    let data = json!({
        "reason": "mis_read",
        "approver": lead.id(),
        "data": told(true_tenths),
    });
    shop.note(turn, who, "entry.corrected", Template::subject_hole(wrong), data);
    Some(vec![
        Must::Finding { rule: "equipment.meter_faster_than_time", event: wrong },
        Must::Settled { event: wrong },
        Must::Amended { event: wrong },
    ])
}

pub(super) fn deferral(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let team = team(turn.site);
    let since = shop.meter("S-01", "sift") - shop.served[&("S-01", "hepa_replace")];
    if since < 940 {
        return None;
    }
    let until = shop.meter("S-01", "sift") + 260;
    let data = json!({
        "task": "hepa_replace",
        "reason": "spare_part_late",
        "until_reading": { "meter": "sift", "value": shown("sift", until) },
        "approved_by": team.quality.id(),
    });
    shop.note(turn, team.lead, "task.deferred", "equipment/S-01".into(), data);
    // The original limit stays and counts: with the spare part still missing at the end of the
    // year the task is overdue.
    Some(vec![Must::Overdue { machine: "S-01", task: "hepa_replace" }])
}

pub(super) fn scale_failed(shop: &mut Shop, turn: &mut Turn) -> Option<Vec<Must>> {
    let (site, who, team) = (turn.site, turn.hand(), team(turn.site));
    let check = |shown_g: i64, result: &str| {
        json!({
            "task": "scale_check",
            "check": "scale",
            "target": "pan",
            "measured": kg(site, shown_g),
            "reference": kg(site, 20_000),
            "limit": { "at_least": kg(site, 19_960), "at_most": kg(site, 20_040) },
            "result": result,
            "instrument": "RW-20",
        })
    };
    // computations.md C16: 20 kg at e = 0.02 kg, 20.06 kg shown: +0.06 > 0.04, fail.
    let subject = "equipment/W-01".to_owned();
    let event = shop.note(turn, who, "check.done", subject.clone(), check(20_060, "fail"));
    shop.pass(turn, 5, 10);
    let deviation = shop.label("DV");
    let data = json!({
        "about": ["equipment/W-01"],
        "entries": [Template::value_hole(event)],
        "what": "scale_out_of_limit",
        "severity": "major",
        "immediate_action": "levelled_again",
    });
    shop.note(turn, who, "deviation.opened", format!("deviation/{deviation}"), data);
    shop.pass(turn, 10, 15);
    shop.note(turn, who, "check.done", subject, check(20_000, "pass"));
    shop.troubles.owe(site, days_after(turn.day, 9), move |shop, turn| {
        let data = json!({ "cause": "pan_moved_while_cleaning", "approved_by": team.lead.id() });
        let subject = format!("deviation/{deviation}");
        shop.note(turn, team.quality, "deviation.closed", subject, data);
    });
    Some(vec![Must::Finding { rule: "equipment.check_failed", event }])
}
