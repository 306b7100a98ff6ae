//! Waste events as double entry: every kilogram that goes into a bag or drum comes from a place,
//! or visibly from `UNKNOWN`.

use serde_json::{Value, json};
use shopfloor::powder::AsOf;
use shopfloor::powder::genealogy::{Page, Target};

use crate::shop::{Shop, d, kg, place, shares};

/// A shop with 10 kg of lot A in bin/1.
fn shop() -> Shop {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "10");
    shop.transfer("2026-03-01T09:00:00Z", "lot_container/A", "bin/1", "10");
    shop
}

const NOON: &str = "2026-03-02T12:00:00Z";
const LATER: &str = "2026-03-02T13:00:00Z";

fn residue(from: Option<&str>, into: &str, mass: &str) -> Value {
    let mut residue = json!({ "mass": kg(mass), "into": into });
    if let Some(from) = from {
        residue["from"] = json!(from);
    }
    json!({ "target": "main", "method": "vacuum", "residue": residue })
}

fn waste(mass: &str, from: Option<&str>, entry: Option<u64>) -> Value {
    let mut data = json!({ "what": "powder", "mass": kg(mass) });
    if let Some(from) = from {
        data["from"] = json!(from);
    }
    if let Some(entry) = entry {
        data["entry"] = json!(entry);
    }
    data
}

fn bag(gross: &str, into: Option<&str>) -> Value {
    let mut data = json!({ "bag": { "id": "V", "gross": kg(gross), "tare": kg("0.1"),
        "tied_before_lifting": true }, "off_and_unplugged": true });
    if let Some(into) = into {
        data["into"] = json!(into);
    }
    data
}

/// Kinds of the moves that made up what a place holds, latest first.
fn kinds(shop: &Shop, of: &str) -> Vec<&'static str> {
    let target = Target::Place(place(of));
    let back = shop.powder().trace_back(&target, AsOf::Now, &Page::default()).unwrap();
    back.edges.iter().map(|e| e.kind.as_str()).collect()
}

#[test]
fn residue_of_a_known_place_keeps_its_lots() {
    let mut shop = shop();
    let data = residue(Some("bin/1"), "vacuum_bag/V", "0.4");
    shop.note(NOON, "cleaning.done", "equipment/S-02", data);
    assert_eq!((shop.held("bin/1"), shop.held("vacuum_bag/V")), (d("9.6"), d("0.4")));
    assert_eq!(shop.fractions("vacuum_bag/V"), shares(&[("A", "1")]));
}

#[test]
fn residue_of_no_known_place_is_unknown() {
    let mut shop = shop();
    let data = residue(None, "vacuum_bag/V", "0.4");
    shop.note(NOON, "cleaning.done", "equipment/S-02", data);
    assert_eq!(shop.fractions("vacuum_bag/V"), shares(&[("UNKNOWN", "1")]));
    assert_eq!(shop.held("bin/1"), d("10"));
}

#[test]
fn a_bag_holds_what_is_told_and_the_rest_is_unknown() {
    let mut shop = shop();
    let data = residue(Some("bin/1"), "vacuum_bag/V", "0.5");
    shop.note(NOON, "cleaning.done", "equipment/S-02", data);
    // The bag weighs 2 kg net: 1.5 kg nobody told of.
    shop.note(LATER, "bag.changed", "equipment/V-1", bag("2.1", None));
    assert_eq!(shop.held("vacuum_bag/V"), d("2"));
    assert_eq!(shop.fractions("vacuum_bag/V"), shares(&[("A", "0.25"), ("UNKNOWN", "0.75")]));
    assert_eq!(kinds(&shop, "vacuum_bag/V")[0], "vacuumed");
}

#[test]
fn a_bag_that_went_straight_into_a_drum() {
    let mut shop = shop();
    let data = residue(Some("bin/1"), "vacuum_bag/V", "0.5");
    shop.note(NOON, "cleaning.done", "equipment/S-02", data);
    shop.note(LATER, "bag.changed", "equipment/V-1", bag("2.1", Some("D-1")));
    assert_eq!((shop.held("vacuum_bag/V"), shop.held("waste/D-1")), (d("0"), d("2")));
    assert_eq!(shop.fractions("waste/D-1"), shares(&[("A", "0.25"), ("UNKNOWN", "0.75")]));
    // A bag lighter than the book leaves the difference standing, it is not forced.
    let data = residue(Some("bin/1"), "vacuum_bag/V", "1");
    shop.note("2026-03-03T12:00:00Z", "cleaning.done", "equipment/S-02", data);
    shop.note("2026-03-03T13:00:00Z", "bag.changed", "equipment/V-1", bag("1.0", Some("D-1")));
    assert_eq!((shop.held("vacuum_bag/V"), shop.held("waste/D-1")), (d("0.1"), d("2.9")));
}

#[test]
fn waste_comes_from_its_place_its_entry_or_nowhere() {
    let mut shop = shop();
    shop.note(NOON, "waste.added", "container/D-1", waste("1", Some("bin/1"), None));
    assert_eq!((shop.held("bin/1"), shop.held("waste/D-1")), (d("9"), d("1")));

    // The entry put it into a bag: from there.
    let data = residue(Some("bin/1"), "vacuum_bag/V", "0.5");
    let cleaned = shop.note(NOON, "cleaning.done", "equipment/S-02", data);
    shop.note(LATER, "waste.added", "container/D-2", waste("0.5", None, Some(cleaned)));
    assert_eq!((shop.held("vacuum_bag/V"), shop.held("waste/D-2")), (d("0"), d("0.5")));
    assert_eq!(shop.fractions("waste/D-2"), shares(&[("A", "1")]));

    // The entry put it into this very drum: it is there already.
    let data = residue(Some("bin/1"), "waste/D-3", "0.25");
    let cleaned = shop.note(NOON, "cleaning.done", "equipment/S-02", data);
    shop.note(LATER, "waste.added", "container/D-3", waste("0.25", None, Some(cleaned)));
    assert_eq!(shop.held("waste/D-3"), d("0.25"));

    // Neither: nobody knows.
    shop.note(LATER, "waste.added", "container/D-4", waste("3", None, None));
    assert_eq!(shop.fractions("waste/D-4"), shares(&[("UNKNOWN", "1")]));
}

#[test]
fn a_used_filter_is_mass_of_unknown_source_and_counts_once() {
    let mut shop = shop();
    let swap = json!({
        "position": "hepa",
        "out": { "serial": "HF-1", "reason": "hours", "condition": "worn", "mass": kg("4.2"),
            "container": "D-1" },
        "in": { "serial": "HF-2", "spec": { "filter_class": "H13" } },
    });
    let swapped = shop.note(NOON, "part.swapped", "equipment/S-02", swap);
    let mut data = waste("4.2", None, Some(swapped));
    data["what"] = json!("filter");
    shop.note(LATER, "waste.added", "container/D-1", data);
    assert_eq!(shop.held("waste/D-1"), d("4.2"));
    assert_eq!(kinds(&shop, "waste/D-1"), ["used_part"]);
}

#[test]
fn a_spill_goes_to_loss() {
    let mut shop = shop();
    let spill = json!({ "kind": "spill", "room": "R1", "from": "bin/1", "mass": kg("0.75"),
        "somebody_hurt": false });
    shop.note(NOON, "incident.reported", "incident/I-1", spill);
    assert_eq!((shop.held("bin/1"), shop.held("loss/I-1")), (d("9.25"), d("0.75")));
}

#[test]
fn a_build_that_nobody_started_drew_from_nowhere_known() {
    let mut shop = shop();
    let end = json!({ "mass_used": kg("5"), "parts_mass": kg("1"),
        "hours_at_temperature": { "value": "10", "unit": "h" } });
    shop.note(NOON, "build.finished", "build/B1", end);
    assert_eq!(shop.fractions("parts/B1"), shares(&[("UNKNOWN", "1")]));
    // The start comes late: the draw is booked from its hopper at once.
    shop.transfer("2026-03-01T10:00:00Z", "bin/1", "hopper/P-01.main", "6");
    let start = json!({ "printer": "P-01", "hopper": "hopper/P-01.main" });
    shop.note("2026-03-01T11:00:00Z", "build.started", "build/B1", start);
    assert_eq!(shop.fractions("parts/B1"), shares(&[("A", "1")]));
    assert_eq!(shop.held("hopper/P-01.main"), d("1"));
}

#[test]
fn a_shipped_drum_is_told_apart_from_one_on_site() {
    let mut shop = shop();
    let document = json!({ "kind": "transport_document", "number": "T-100" });
    shop.note(NOON, "waste.added", "container/D-1", waste("1", Some("bin/1"), None));
    shop.note(NOON, "waste.added", "container/D-2", waste("2", Some("bin/1"), None));
    let offered = json!({ "document": document, "containers": ["D-1"], "transporter": "TR-1",
        "facility": "FA-1", "offered_by": "op_e1" });
    shop.note(LATER, "shipment.offered", "shipment/SH-1", offered);
    let reach = |shop: &Shop| {
        let lot = Target::Lot(crate::shop::label("A"));
        let page = Page::default();
        shop.powder().trace_forward(&lot, AsOf::Now, AsOf::Now, &page).unwrap().reach
    };
    assert_eq!(reach(&shop).shipped.digits(), "0", "offered is not gone");
    let accepted = json!({ "transporter": "TR-1", "leg": 1, "day": "2026-03-03" });
    shop.note("2026-03-03T08:00:00Z", "shipment.accepted", "shipment/SH-1", accepted);
    let gone = reach(&shop);
    assert_eq!(gone.shipped.digits(), "1");
    let shown: Vec<_> = gone.places.iter().map(|p| (p.place.to_string(), p.shipped)).collect();
    assert!(shown.contains(&("waste/D-1".into(), true)), "{shown:?}");
    assert!(shown.contains(&("waste/D-2".into(), false)), "{shown:?}");
    let back = json!({ "containers": ["D-1"], "reason": "not_accepted", "course": "returned",
        "day": "2026-03-04" });
    shop.note("2026-03-04T08:00:00Z", "shipment.rejected", "shipment/SH-1", back);
    assert_eq!(reach(&shop).shipped.digits(), "0", "it came back");
}

#[test]
fn a_bag_or_part_told_twice_is_in_the_drum_once_in_both_accounts() {
    let swap = || {
        json!({ "position": "hepa", "in": { "serial": "HF-2", "spec": { "filter_class": "H13" } },
            "out": { "serial": "HF-1", "reason": "hours", "condition": "worn", "mass": kg("4.2"),
                "container": "D-1" } })
    };
    let thrown = |what: &str, item: &str, mass: &str| {
        let mut data = waste(mass, None, None);
        data["what"] = json!(what);
        data["item"] = json!(item);
        data
    };
    type Told<'a> = (&'a str, &'a str, Value);
    let bag = || ("bag.changed", "equipment/V-1", bag("2.1", Some("D-1")));
    let bag_by_hand = || ("waste.added", "container/D-1", thrown("vacuum_bag", "V", "2"));
    let from_the_bag = || ("waste.added", "container/D-1", waste("2", Some("vacuum_bag/V"), None));
    let part = || ("part.swapped", "equipment/S-02", swap());
    let part_by_hand = || ("waste.added", "container/D-1", thrown("filter", "HF-1", "4.2"));
    let cases: [(Told<'_>, Told<'_>, &str); 5] = [
        (bag(), bag_by_hand(), "2"),
        (bag(), from_the_bag(), "2"),
        (bag_by_hand(), bag(), "2"),
        (part(), part_by_hand(), "4.2"),
        (part_by_hand(), part(), "4.2"),
    ];
    for (first, second, expected) in cases {
        let mut shop = shop();
        let label = format!("{} then {}", first.0, second.0);
        let opened = json!({ "stream": "ST-1", "tare": kg("9.80"), "area": "satellite",
            "location": "SA-1" });
        shop.note("2026-03-02T08:00:00Z", "container.opened", "container/D-1", opened);
        shop.note(NOON, first.0, first.1, first.2);
        shop.note(LATER, second.0, second.1, second.2);
        assert_eq!(shop.held("waste/D-1"), d(expected), "powder account: {label}");
        let drum = shop.state.waste.container(&crate::shop::label("D-1")).unwrap();
        assert_eq!(drum.added_kg(i64::MAX).0, d(expected), "waste account: {label}");
    }
}

#[test]
fn an_entry_named_in_another_drum_leaves_no_kilogram_behind() {
    // What went into D-1 is told to have gone into D-2: it is in one of them, never in both.
    let mut shop = shop();
    let cleaned = shop.note(
        NOON,
        "cleaning.done",
        "equipment/S-02",
        residue(Some("bin/1"), "waste/D-1", "0.25"),
    );
    shop.note(LATER, "waste.added", "container/D-2", waste("0.25", None, Some(cleaned)));
    assert_eq!((shop.held("waste/D-1"), shop.held("waste/D-2")), (d("0"), d("0.25")));
}
