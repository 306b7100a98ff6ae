//! A finding is settled by what puts it right: a correction, also of another entry; a deviation that
//! is closed. When that is taken back, the finding is open again.

mod equipment_shop;

use equipment_shop::*;
use serde_json::{Value, json};

const STATION: &str = "equipment/S-02";

fn shown(value: &str) -> Value {
    json!({ "meter": "run", "reading": h(value) })
}

/// A station whose meter is read each morning of March 2026, so many hours a day later.
fn read_daily(values: &[&str]) -> (Shop, Vec<u64>) {
    let mut shop = Shop::default();
    shop.post("2026-03-01T06:00:00Z", "equipment.registered", STATION, sieving_station());
    let read = |(day, value): (usize, &&str)| {
        let time = format!("2026-03-{:02}T06:00:00Z", day + 1);
        shop.post(&time, "meter.read", STATION, shown(value))
    };
    let entries = values.iter().enumerate().map(read).collect();
    (shop, entries)
}

/// Which entry settled each finding that `seq` raised.
fn settled(shop: &Shop, seq: u64) -> Vec<(&str, Option<u64>)> {
    shop.findings(seq).iter().map(|f| (f.rule.as_str(), f.settled_by)).collect()
}

const NOW: &str = "2026-04-01T06:00:00Z";
const BACKWARDS: &str = "equipment.meter_backwards";

/// 128 h was read for 118 h: it could be true, so it counts, and the right readings after it are
/// held. Correcting the one settles the findings of the others.
#[test]
fn a_correction_settles_the_findings_of_the_readings_it_lets_count() {
    let (mut shop, read) = read_daily(&["100", "109", "128", "122", "126", "135"]);
    assert_eq!(settled(&shop, read[2]), [], "the mis-read looks right");
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, None)]);
    assert_eq!(settled(&shop, read[4]), [(BACKWARDS, None)]);
    assert_eq!(settled(&shop, read[5]), [], "above the mis-read again");

    let corrected = shop.correct(NOW, read[2], shown("118"));
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, Some(corrected))]);
    assert_eq!(settled(&shop, read[4]), [(BACKWARDS, Some(corrected))]);

    // The correction was wrong in turn: 124 h lets only the last reading count.
    let wrong = shop.correct(NOW, read[2], shown("124"));
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, None)], "held again, so open again");
    assert_eq!(settled(&shop, read[4]), [(BACKWARDS, Some(corrected))]);
    assert_eq!(
        settled(&shop, wrong),
        [("equipment.meter_disagrees_with_later", None)],
        "and the correction is told what it does"
    );
    let right = shop.correct(NOW, read[2], shown("118"));
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, Some(right))]);
    let told_wrong = ("equipment.meter_disagrees_with_later", Some(right));
    assert_eq!(settled(&shop, wrong), [told_wrong], "so does what the wrong correction told");
}

/// A meter was replaced and nobody told: the low readings after it are held until the replacement
/// is entered late.
#[test]
fn a_late_replacement_settles_the_findings_of_the_readings_after_it() {
    let (mut shop, read) = read_daily(&["100", "109", "4", "12"]);
    assert_eq!(settled(&shop, read[2]), [(BACKWARDS, None)]);
    let swap = json!({
        "meter": "run", "last_old": h("112"), "first_new": h("0"), "reason": "broken",
    });
    let late = shop.post("2026-03-02T12:00:00Z", "meter.replaced", STATION, swap);
    assert_eq!(settled(&shop, read[2]), [(BACKWARDS, Some(late))]);
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, Some(late))]);
    let machine = shop.state.equipment.machine(&label("S-02")).unwrap();
    assert_eq!(machine.meters[0].counted.as_ref().unwrap().to_string(), "124 h");
}

/// A late reading that makes a later one impossible is told so; correcting either settles it.
#[test]
fn a_disagreement_is_settled_from_either_end() {
    for correct_late in [true, false] {
        let (mut shop, read) = read_daily(&["100", "109"]);
        let late = shop.post("2026-03-01T18:00:00Z", "meter.read", STATION, shown("111"));
        let disagrees = "equipment.meter_disagrees_with_later";
        assert_eq!(settled(&shop, late), [(disagrees, None)]);
        let by = match correct_late {
            true => shop.correct(NOW, late, shown("106")),
            false => shop.correct(NOW, read[1], shown("119")),
        };
        assert_eq!(settled(&shop, late), [(disagrees, Some(by))], "{correct_late}");
    }
}

/// A deviation names the entries that show it. Closing it settles their findings; what changes the
/// deviation changes that.
#[test]
fn a_closed_deviation_settles_what_it_rests_on() {
    let (mut shop, read) = read_daily(&["100", "109", "104", "103"]);
    let about = |entries: &[u64]| {
        json!({
            "about": ["equipment/S-02"], "entries": entries, "what": "mis_read", "severity": "minor",
        })
    };
    let close = || json!({ "cause": "display_dim", "approved_by": "op_lead1" });
    let deviation = "deviation/DV-1";
    let opened = shop.post(NOW, "deviation.opened", deviation, about(&[read[2]]));
    assert_eq!(settled(&shop, read[2]), [(BACKWARDS, None)], "an open one settles nothing");

    let closed = shop.post("2026-04-02T06:00:00Z", "deviation.closed", deviation, close());
    assert_eq!(settled(&shop, read[2]), [(BACKWARDS, Some(closed))]);
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, None)], "it does not name this one");

    shop.correct("2026-04-03T06:00:00Z", opened, about(&[read[3]]));
    assert_eq!(settled(&shop, read[2]), [(BACKWARDS, None)]);
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, Some(closed))]);

    shop.void("2026-04-04T06:00:00Z", closed);
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, None)], "it is open again");

    let again = shop.post("2026-04-05T06:00:00Z", "deviation.closed", deviation, close());
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, Some(again))]);
    shop.post("2026-04-06T06:00:00Z", "deviation.opened", deviation, about(&[read[2]]));
    assert_eq!(settled(&shop, read[3]), [(BACKWARDS, None)], "opened anew");
}
