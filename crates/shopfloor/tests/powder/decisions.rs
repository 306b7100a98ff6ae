//! Holds and decisions until a scope is empty; findings that are over when their cause is.

use serde_json::{Value, json};
use shopfloor::powder::AsOf;
use shopfloor::powder::events::LotDecision;
use shopfloor::powder::impact::{Impact, ImpactQuestion, Suspect};

use crate::shop::{Shop, at, kg, label};

fn decide(decision: &str, scope: &[&str], people: &[&str]) -> Value {
    json!({ "decision": decision, "reason": "torn_sieve", "decided_by": people, "scope": scope })
}

fn load(from: &str) -> Value {
    json!({ "from": from, "into": "hopper/P-03.main", "mass": kg("1"),
        "checks": [{ "check": "bonded", "ok": true }] })
}

/// Sieve SV-7 was fitted, passed 10 kg into each of three bins, and is found torn.
fn torn() -> Shop {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "USED", "200");
    shop.release("2026-03-01T09:00:00Z", "USED");
    let fit = json!({ "position": "main", "in": { "serial": "SV-7", "spec": {} } });
    shop.note("2026-03-02T08:00:00Z", "part.fitted", "equipment/S-02", fit);
    for bin in ["bin/1", "bin/2", "bin/3"] {
        shop.sieve("2026-03-03T08:00:00Z", "SV-7", ("lot_container/USED", bin), "10", "0.1");
    }
    let fail = json!({ "target": "main", "result": "fail", "serial": "SV-7" });
    shop.note("2026-03-04T08:00:00Z", "inspection.done", "equipment/S-02", fail);
    shop
}

fn impact(shop: &Shop) -> Impact {
    let suspect = Suspect::Sieve(label("SV-7"));
    let question = ImpactQuestion { suspect, found: None, clock_uncertainty_ms: 0 };
    shop.powder().impact(&question, AsOf::Now).unwrap()
}

/// Left to hold, waiting for a decision, decided; whether nothing is left.
fn scope(shop: &Shop) -> (usize, usize, usize, bool) {
    let impact = impact(shop);
    let reach = impact.reach;
    (reach.to_hold_total, reach.on_hold_total, reach.decided_total, impact.settled)
}

#[test]
fn one_action_holds_a_scope_and_two_people_empty_it_place_by_place() {
    let mut shop = torn();
    let found = impact(&shop);
    assert_eq!(found.hold_under, Some(label("USED")));
    assert_eq!(scope(&shop), (3, 0, 0, false));

    let places: Vec<String> = found.reach.to_hold.iter().map(ToString::to_string).collect();
    let data = json!({ "reason": "torn_sieve", "scope": places, "entries": [found.failed_entry] });
    let hold = shop.note("2026-03-04T09:00:00Z", "lot.held", "lot/USED", data);
    assert_eq!(scope(&shop), (0, 3, 0, false));

    // One person alone ends nothing.
    let one = decide("use_as_is", &["bin/1"], &["op_q1"]);
    let (_, told) = shop.tell("2026-03-05T08:00:00Z", "lot.disposed_of", "lot/USED", one);
    assert!(told.iter().any(|f| f.rule == "powder.decided_by_one"), "{told:?}");
    assert_eq!(scope(&shop), (0, 3, 0, false));

    let two = ["op_q1", "op_l1"];
    let mut dispose = |time: &str, decision: &str, bin: &str| {
        shop.note(time, "lot.disposed_of", "lot/USED", decide(decision, &[bin], &two))
    };
    let used = dispose("2026-03-05T09:00:00Z", "use_as_is", "bin/1");
    let scrapped = dispose("2026-03-05T10:00:00Z", "scrap", "bin/2");
    let rework = dispose("2026-03-05T11:00:00Z", "rework", "bin/3");
    assert_eq!(scope(&shop), (0, 1, 2, false), "bin/3 waits for its release");
    let released = shop.release("2026-03-06T08:00:00Z", "USED");
    assert_eq!(scope(&shop), (0, 0, 3, true), "the scope is empty");

    let view = shop.powder().lot(&label("USED"), AsOf::Now, at("2026-06-01T00:00:00Z")).unwrap();
    let held = &view.holds[0];
    assert_eq!((held.entry, held.rework_by, held.ended_by), (hold, Some(rework), Some(released)));
    let decided: Vec<_> = held.decided.iter().map(|p| (p.decision, p.entry)).collect();
    let mut expected = vec![
        (LotDecision::UseAsIs, used),
        (LotDecision::Scrap, scrapped),
        (LotDecision::Rework, released),
    ];
    let order: Vec<_> = held.decided.iter().map(|p| p.place.clone().unwrap()).collect();
    expected.sort_by_key(|(_, entry)| decided.iter().position(|(_, e)| e == entry));
    assert_eq!(decided, expected, "{order:?}");

    // What was scrapped stays scrap, wherever it goes; the rest of the lot is free.
    let now = "2026-03-07T08:00:00Z";
    let rules = |from: &str| shop.rules(now, "powder.loaded", "equipment/P-03", load(from));
    assert!(rules("bin/2").contains(&"powder.lot_scrapped".to_owned()));
    for free in ["bin/1", "lot_container/USED"] {
        let rules = rules(free);
        assert!(!rules.iter().any(|r| r == "powder.lot_scrapped" || r == "powder.on_hold"));
    }
}

#[test]
fn a_decision_about_what_is_not_on_hold_is_told() {
    let mut shop = torn();
    let data = json!({ "reason": "torn_sieve", "scope": ["bin/1"] });
    shop.note("2026-03-04T09:00:00Z", "lot.held", "lot/USED", data);
    let decision = decide("use_as_is", &["bin/1", "bin/2"], &["op_q1", "op_l1"]);
    let (_, told) = shop.tell("2026-03-05T08:00:00Z", "lot.disposed_of", "lot/USED", decision);
    let told: Vec<&str> = told.iter().map(|f| f.detail.as_str()).collect();
    assert_eq!(told, ["`bin/2` is not on hold with lot `USED`"]);
}

#[test]
fn a_decision_from_before_the_failure_does_not_count() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "USED", "200");
    shop.note("2026-03-01T09:00:00Z", "lot.held", "lot/USED", json!({ "reason": "damp" }));
    let free = decide("use_as_is", &[], &["op_q1", "op_l1"]);
    shop.note("2026-03-01T10:00:00Z", "lot.disposed_of", "lot/USED", free);
    shop.sieve("2026-03-03T08:00:00Z", "SV-7", ("lot_container/USED", "bin/1"), "10", "0");
    let fail = json!({ "target": "main", "result": "fail", "serial": "SV-7" });
    shop.note("2026-03-04T08:00:00Z", "inspection.done", "equipment/S-02", fail);
    assert_eq!(scope(&shop), (1, 0, 0, false), "dampness was decided on, not the tear");
}

fn open_rules(shop: &Shop) -> Vec<(String, u64)> {
    let open = shop.state.findings.iter().filter(|f| f.settled_by.is_none());
    let watched = |rule: &str| rule.starts_with("powder.") && rule != "powder.bond_not_shown";
    open.filter(|f| watched(&f.rule)).map(|f| (f.rule.clone(), f.seq)).collect()
}

fn settled_by(shop: &Shop, rule: &str) -> Option<u64> {
    let found = shop.state.findings.iter().find(|f| f.rule == rule).expect("it was raised");
    found.settled_by
}

fn correct(shop: &mut Shop, entry: u64, data: Value) -> u64 {
    let data = json!({ "reason": "mis_read", "approver": "op_q1", "data": data });
    shop.note("2026-03-20T08:00:00Z", "entry.corrected", &format!("entry/{entry}"), data)
}

#[test]
fn an_overdrawn_place_is_told_until_the_weighing_before_it_is_corrected() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    let moved =
        |mass: &str| json!({ "from": "lot_container/A", "into": "bin/1", "mass": kg(mass) });
    let wrong = shop.note("2026-03-02T08:00:00Z", "powder.moved", "equipment/P-01", moved("1"));
    let drawn = shop.transfer("2026-03-03T08:00:00Z", "bin/1", "bin/2", "8");
    assert_eq!(open_rules(&shop), [("powder.place_overdrawn".to_owned(), drawn)]);
    // A correction that does not help leaves it open.
    correct(&mut shop, wrong, moved("2"));
    assert_eq!(open_rules(&shop).len(), 1);
    let right = correct(&mut shop, wrong, moved("10"));
    assert_eq!(open_rules(&shop), []);
    // Taken back, it holds again; put right once more, it is over once more.
    let worse = correct(&mut shop, wrong, moved("3"));
    assert_eq!(open_rules(&shop).len(), 1, "{worse} is worse than {right}");
    let right = correct(&mut shop, wrong, moved("9"));
    assert_eq!(settled_by(&shop, "powder.place_overdrawn"), Some(right));
}

#[test]
fn an_overdrawn_place_is_over_when_the_missing_load_is_recorded_late() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    shop.transfer("2026-03-03T08:00:00Z", "bin/1", "bin/2", "8");
    assert_eq!(open_rules(&shop).len(), 1);
    let late = shop.transfer("2026-03-02T08:00:00Z", "lot_container/A", "bin/1", "8");
    assert_eq!(settled_by(&shop, "powder.place_overdrawn"), Some(late));
}

#[test]
fn a_count_that_differed_is_over_when_the_wrong_weighing_is_corrected() {
    let mut shop = Shop::default();
    shop.scale("2026-03-01T00:00:00Z", "W-1");
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    let moved = |mass: &str| json!({ "from": "lot_container/A", "into": "bin/1", "mass": kg(mass), "scale": "W-1" });
    let wrong = shop.note("2026-03-02T08:00:00Z", "powder.moved", "equipment/P-01", moved("12"));
    let count = json!({ "place": "bin/1", "mass": kg("21"), "scale": "W-1" });
    let counted = shop.note("2026-03-03T08:00:00Z", "stock.counted", "site/north", count);
    assert_eq!(open_rules(&shop), [("powder.count_differs".to_owned(), counted)]);
    let right = correct(&mut shop, wrong, moved("21"));
    assert_eq!(settled_by(&shop, "powder.count_differs"), Some(right));
}
