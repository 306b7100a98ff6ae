//! Life of a lot, told from its own entries, up to any moment.

use serde_json::json;
use shopfloor::powder::{AsOf, LotStatus};

use crate::shop::{Shop, at, d, kg, label, place};

const NOW: &str = "2026-06-01T00:00:00Z";

fn status(shop: &Shop, lot: &str) -> LotStatus {
    shop.powder().lot(&label(lot), AsOf::Now, at(NOW)).unwrap().status
}

fn test_data(result: &str) -> serde_json::Value {
    let pc = |v: &str| json!({ "value": v, "unit": "%" });
    json!({ "test": "moisture", "measured": pc("0.14"), "limit": { "at_most": pc("0.25") },
        "result": result })
}

fn decide(decision: &str, people: &[&str]) -> serde_json::Value {
    json!({ "decision": decision, "reason": "torn_sieve", "decided_by": people })
}

#[test]
fn a_lot_from_receipt_to_scrap() {
    let mut shop = Shop::default();
    let received = shop.receive("2026-03-01T08:00:00Z", "A", "20");
    assert_eq!(status(&shop, "A"), LotStatus::Received);
    let tested = shop.note("2026-03-02T08:00:00Z", "lot.tested", "lot/A", test_data("pass"));
    assert_eq!(status(&shop, "A"), LotStatus::Tested);
    let released = shop.release("2026-03-03T08:00:00Z", "A");
    assert_eq!(status(&shop, "A"), LotStatus::Released);
    let opened = shop.load("2026-03-04T08:00:00Z", "lot_container/A", "hopper/P-01.main", "5");
    let held = shop.note("2026-03-05T08:00:00Z", "lot.held", "lot/A", json!({ "reason": "damp" }));
    assert_eq!(status(&shop, "A"), LotStatus::Held);
    let scrapped = shop.note(
        "2026-03-06T08:00:00Z",
        "lot.disposed_of",
        "lot/A",
        decide("scrap", &["op_q1", "op_q2"]),
    );
    let view = shop.powder().lot(&label("A"), AsOf::Now, at(NOW)).unwrap();
    assert_eq!(view.status, LotStatus::Scrapped);
    assert_eq!(view.entries, [received, tested, released, held, scrapped]);
    assert_eq!((view.released_by, view.holds[0].ended_by), (Some(released), Some(scrapped)));
    assert_eq!(view.opened.as_ref().unwrap().entry, opened);
    // 4 March 08:00 to 1 June 00:00 UTC: 88 days and 16 hours.
    assert_eq!(view.opened.unwrap().hours.base(), d("2128"));
    assert_eq!(view.containers[0].held.digits(), "15");
    // As of the release, in order of work, nothing of what follows is known.
    let then = shop.powder().lot(&label("A"), AsOf::Entry(released), at(NOW)).unwrap();
    assert_eq!((then.status, then.opened), (LotStatus::Released, None));
}

#[test]
fn a_late_test_counts_from_when_it_was_made() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "20");
    shop.release("2026-03-03T08:00:00Z", "A");
    // Recorded last, done on the second.
    shop.note("2026-03-02T08:00:00Z", "lot.tested", "lot/A", test_data("fail"));
    let on = |time: &str| {
        let time = AsOf::Time(at(time));
        shop.powder().lot(&label("A"), time, at(NOW)).unwrap().status
    };
    assert_eq!(on("2026-03-01T12:00:00Z"), LotStatus::Received);
    assert_eq!(on("2026-03-02T12:00:00Z"), LotStatus::Quarantined);
    assert_eq!(on("2026-03-03T12:00:00Z"), LotStatus::Released);
}

#[test]
fn one_person_does_not_end_a_hold() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "20");
    shop.release("2026-03-02T08:00:00Z", "A");
    shop.note("2026-03-03T08:00:00Z", "lot.held", "lot/A", json!({ "reason": "damp" }));
    let same = decide("use_as_is", &["op_q1", "op_q1"]);
    let (_, findings) = shop.tell("2026-03-04T08:00:00Z", "lot.disposed_of", "lot/A", same);
    assert!(findings.iter().any(|f| f.rule == "powder.decided_by_one"));
    assert_eq!(status(&shop, "A"), LotStatus::Held);
    let two = decide("use_as_is", &["op_q1", "op_q2"]);
    shop.note("2026-03-05T08:00:00Z", "lot.disposed_of", "lot/A", two);
    assert_eq!(status(&shop, "A"), LotStatus::Released);
}

#[test]
fn rework_keeps_the_hold_until_the_lot_is_released_again() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "20");
    shop.release("2026-03-02T08:00:00Z", "A");
    shop.note("2026-03-03T08:00:00Z", "lot.held", "lot/A", json!({ "reason": "damp" }));
    let two = decide("rework", &["op_q1", "op_q2"]);
    shop.note("2026-03-04T08:00:00Z", "lot.disposed_of", "lot/A", two);
    assert_eq!(status(&shop, "A"), LotStatus::Held);
    shop.release("2026-03-06T08:00:00Z", "A");
    assert_eq!(status(&shop, "A"), LotStatus::Released);
}

#[test]
fn a_blend_inherits_the_earliest_day_of_use() {
    let mut shop = Shop::default();
    let lot = |id: &str, expires: &str| {
        json!({ "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X", "expires": expires,
            "containers": [{ "id": id, "gross": kg("10.5"), "tare": kg("0.5") }] })
    };
    shop.note("2026-03-01T08:00:00Z", "lot.received", "lot/A", lot("A", "2027-05-01"));
    let b = shop.note("2026-03-01T08:00:00Z", "lot.received", "lot/B", lot("B", "2026-12-31"));
    let parts = [("lot_container/A", "5"), ("lot_container/B", "1")];
    shop.blend("2026-03-02T08:00:00Z", "M", "lot_container/M", &parts);
    let parts = [("lot_container/M", "3"), ("lot_container/A", "3")];
    shop.blend("2026-03-03T08:00:00Z", "N", "lot_container/N", &parts);
    let view = shop.powder().lot(&label("N"), AsOf::Now, at(NOW)).unwrap();
    assert_eq!(view.expires.unwrap().to_string(), "2026-12-31");
    assert_eq!(view.expires_by, Some(b));
}

#[test]
fn a_recipe_may_say_otherwise() {
    let mut shop = Shop::default();
    let lot = json!({ "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X",
        "expires": "2027-05-01",
        "containers": [{ "id": "A", "gross": kg("10.5"), "tare": kg("0.5") }] });
    let received = shop.note("2026-03-01T08:00:00Z", "lot.received", "lot/A", lot);
    let recipe = json!({ "material": "PA12", "blend_usable_for": "P3M" });
    let set = shop.note("2026-03-01T09:00:00Z", "recipe.set", "recipe/R-1", recipe);
    let mut data = crate::shop::blend_data("lot_container/M", &[("lot_container/A", "5")]);
    data["recipe"] = json!("R-1");
    shop.note("2026-03-02T08:00:00Z", "powder.blended", "lot/M", data);
    // A blend of that blend for no recipe inherits what its lots have: M's own day is the earliest.
    let parts = [("lot_container/M", "3"), ("lot_container/A", "3")];
    shop.blend("2026-03-03T08:00:00Z", "N", "lot_container/N", &parts);
    for lot in ["M", "N"] {
        let view = shop.powder().lot(&label(lot), AsOf::Now, at(NOW)).unwrap();
        assert_eq!(view.expires.unwrap().to_string(), "2026-06-02", "{lot}");
        assert_eq!(view.expires_by, Some(set), "not of entry {received}");
    }
}

#[test]
fn a_blend_may_be_used_when_everything_in_it_was_released() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "20");
    shop.receive("2026-03-01T08:00:00Z", "B", "20");
    shop.release("2026-03-02T08:00:00Z", "A");
    let parts = [("lot_container/A", "5"), ("lot_container/B", "5")];
    shop.blend("2026-03-03T08:00:00Z", "M", "lot_container/M", &parts);
    let view = |shop: &Shop| shop.powder().lot(&label("M"), AsOf::Now, at(NOW)).unwrap();
    assert_eq!(view(&shop).unreleased, [label("B")]);
    assert!(!view(&shop).released_by_components);
    let load = json!({ "from": "lot_container/M", "into": "hopper/P-01.main", "mass": kg("1"),
        "checks": [{ "check": "bonded", "ok": true }] });
    let time = "2026-03-05T08:00:00Z";
    let rules = shop.rules(time, "powder.loaded", "equipment/P-01", load.clone());
    assert_eq!(rules, ["powder.lot_not_released"]);
    // Released later: from then on the blend may be used.
    shop.release("2026-03-04T08:00:00Z", "B");
    assert!(view(&shop).released_by_components);
    assert_eq!(shop.rules(time, "powder.loaded", "equipment/P-01", load), [""; 0]);
}

#[test]
fn every_place_is_listed_with_what_it_holds() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "20");
    shop.transfer("2026-03-02T08:00:00Z", "lot_container/A", "sample/L-1", "0.25");
    let places = shop.powder().places();
    let shown: Vec<_> =
        places.iter().map(|(p, m)| (p.to_string(), m.digits().to_owned())).collect();
    let expected =
        [("supplier/SUP-A", "-20"), ("lot_container/A", "19.75"), ("sample/L-1", "0.25")];
    assert_eq!(shown, expected.map(|(p, m)| (p.to_owned(), m.to_owned())));
    assert_eq!(shop.powder().lots(), [label("A")]);
    assert!(shop.powder().place(&place("bin/X"), AsOf::Now).is_err());
}
