//! A scenario to read: on Friday a torn sieve is found. Which parts did its powder reach, what is
//! still here, and what must be put on hold? Every answer names entries of the log.
//!
//! Brackwater Works, site `north`. The week: sieve SV-7 is seen whole on Thursday 5 March at 17:00
//! and found torn on Thursday 12 March at 09:00 (the times of computations.md C8).

use serde_json::json;
use shopfloor::powder::AsOf;
use shopfloor::powder::genealogy::{Page, Target};
use shopfloor::powder::impact::{ImpactQuestion, Suspect, WindowStart};

use crate::shop::{Shop, d, kg, label, place};

/// Entries of the story, by what happened.
struct Week {
    shop: Shop,
    seen_whole: u64,
    found_torn: u64,
    sieved: [u64; 4],
    m7: u64,
    m9: u64,
    draw: [u64; 2],
}

fn inspection(shop: &mut Shop, time: &str, result: &str) -> u64 {
    shop.note(
        time,
        "inspection.done",
        "equipment/S-02",
        json!({ "target": "main", "result": result, "serial": "SV-7" }),
    )
}

fn week() -> Week {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "FRESH", "200");
    shop.release("2026-03-01T09:00:00Z", "FRESH");
    shop.receive("2026-03-01T08:00:00Z", "USED", "200");
    shop.release("2026-03-01T09:00:00Z", "USED");
    shop.note(
        "2026-03-02T08:00:00Z",
        "part.fitted",
        "equipment/S-02",
        json!({ "position": "main", "in": { "serial": "SV-7",
            "spec": { "aperture": { "value": "150", "unit": "um" }, "spec_id": "ISO-3310-1" } } }),
    );
    // Four passes into four bins: the first before the sieve was last seen whole.
    let from = "lot_container/USED";
    let b20 = shop.sieve("2026-03-05T15:00:00Z", "SV-7", (from, "bin/B20"), "10", "0.1");
    let seen_whole = inspection(&mut shop, "2026-03-05T17:00:00Z", "pass");
    let b21 = shop.sieve("2026-03-06T10:00:00Z", "SV-7", (from, "bin/B21"), "10", "0.1");
    let b22 = shop.sieve("2026-03-09T10:00:00Z", "SV-7", (from, "bin/B22"), "10", "0.1");
    // M7 = 0.4 B21 + 0.6 fresh; M9 = 0.5 M7 + 0.3 B22 + 0.2 fresh.
    let m7_parts = [("bin/B21", "4"), ("lot_container/FRESH", "6")];
    let m7 = shop.blend("2026-03-09T12:00:00Z", "M7", "lot_container/M7", &m7_parts);
    let m9_parts = [("lot_container/M7", "5"), ("bin/B22", "3"), ("lot_container/FRESH", "2")];
    let m9 = shop.blend("2026-03-10T12:00:00Z", "M9", "lot_container/M9", &m9_parts);
    // One build from M9 is done, one from the clean bin B20, one runs on what is left of M7.
    let hopper = "hopper/P-01.main";
    shop.load("2026-03-10T13:00:00Z", "lot_container/M9", hopper, "8");
    let [_, reached, _] = shop.build("2026-03-10", "BN-1", ("8", "1", "6.9"), "14", "bin/UN");
    shop.load("2026-03-11T07:00:00Z", "bin/B20", hopper, "8");
    let [_, clean, _] = shop.build("2026-03-11", "BN-2", ("8", "1", "6.9"), "14", "bin/UN2");
    shop.load("2026-03-12T07:00:00Z", "lot_container/M7", "hopper/P-02.main", "5");
    shop.note(
        "2026-03-12T07:30:00Z",
        "build.started",
        "build/BN-3",
        json!({ "printer": "P-02", "hopper": "hopper/P-02.main" }),
    );
    let b23 = shop.sieve("2026-03-12T08:00:00Z", "SV-7", (from, "bin/B23"), "10", "0.1");
    let found_torn = inspection(&mut shop, "2026-03-12T09:00:00Z", "fail");
    Week {
        shop,
        seen_whole,
        found_torn,
        sieved: [b20, b21, b22, b23],
        m7,
        m9,
        draw: [reached, clean],
    }
}

fn torn() -> ImpactQuestion {
    ImpactQuestion { suspect: Suspect::Sieve(label("SV-7")), found: None, clock_uncertainty_ms: 0 }
}

#[test]
fn which_passes_are_suspect() {
    let week = week();
    let impact = week.shop.powder().impact(&torn(), AsOf::Now).unwrap();
    assert_eq!(impact.window_start, WindowStart::LastPass);
    assert_eq!(impact.good_entry, Some(week.seen_whole));
    assert_eq!(impact.failed_entry, Some(week.found_torn));
    let uses: Vec<u64> = impact.uses.iter().map(|u| u.entry).collect();
    assert_eq!(uses, week.sieved[1..], "B21, B22 and B23, but not B20");
    assert_eq!(impact.uses[0].into, [place("bin/B21")]);
    assert_eq!(impact.uses[0].mass.digits(), "10");
}

#[test]
fn which_blends_and_builds_it_reached_and_with_which_fraction() {
    let week = week();
    let reach = week.shop.powder().impact(&torn(), AsOf::Now).unwrap().reach;
    // computations.md C8: f(M7) = 0.40, f(M9) = 0.5 x 0.40 + 0.3 = 0.50.
    let lots: Vec<_> = reach.lots.iter().map(|l| (l.lot.as_str(), l.fraction, l.entry)).collect();
    assert_eq!(lots, [("M7", d("0.4"), week.m7), ("M9", d("0.5"), week.m9)]);
    // BN-1 drew M9; BN-2 drew clean powder, in a hopper that was empty; BN-3 runs on M7.
    let builds: Vec<_> =
        reach.builds.iter().map(|b| (b.build.as_str(), b.fraction, b.running)).collect();
    assert_eq!(builds, [("BN-1", d("0.5"), false), ("BN-3", d("0.4"), true)]);
    assert_eq!(reach.builds[0].entry, week.draw[0]);
    assert!(reach.builds.iter().all(|b| b.entry != week.draw[1]));
    assert_eq!(reach.builds[0].parts.digits(), "1");
}

#[test]
fn where_the_suspect_powder_is_now_adds_up_to_what_was_sieved() {
    let week = week();
    let reach = week.shop.powder().impact(&torn(), AsOf::Now).unwrap().reach;
    let total: rust_decimal::Decimal = reach.where_now.iter().map(|k| k.traced.base()).sum();
    assert_eq!(total.round_dp(6), d("30"), "three passes of 10 kg: {:?}", reach.where_now);
    let parts = reach.where_now.iter().find(|k| k.kind == "parts").unwrap();
    assert_eq!(parts.traced.base().round_dp(9), d("0.5"), "half of the parts of BN-1");
}

#[test]
fn one_hold_of_the_named_places_covers_everything() {
    let mut week = week();
    let impact = week.shop.powder().impact(&torn(), AsOf::Now).unwrap();
    let names: Vec<String> = impact.reach.to_hold.iter().map(ToString::to_string).collect();
    for expected in ["bin/B23", "bin/B22", "bin/B21", "bin/UN", "hopper/P-02.main", "parts/BN-1"] {
        assert!(names.iter().any(|n| n == expected), "{expected} in {names:?}");
    }
    assert!(!names.iter().any(|n| n == "bin/B20" || n == "bin/UN2"), "{names:?}");

    // One signed action holds them all; asked again, nothing is left to hold.
    let scope = json!({ "reason": "torn_sieve", "scope": names });
    let hold = week.shop.note("2026-03-12T10:00:00Z", "lot.held", "lot/M7", scope);
    let again = week.shop.powder().impact(&torn(), AsOf::Now).unwrap();
    assert_eq!((again.reach.to_hold.len(), again.reach.to_hold_total), (0, 0));
    // What the unpacked build did not give back is missing; nobody can hold it.
    let missing = |p: &&shopfloor::powder::genealogy::ReachedPlace| !p.on_hold;
    let free: Vec<String> =
        again.reach.places.iter().filter(missing).map(|p| p.place.to_string()).collect();
    assert_eq!(free, ["build/BN-1"]);

    // Whoever uses it all the same is told, by the entry of the hold.
    let load = |from: &str| {
        json!({ "from": from, "into": "hopper/P-03.main", "mass": kg("1"),
            "checks": [{ "check": "bonded", "ok": true }] })
    };
    let time = "2026-03-12T11:00:00Z";
    let (_, findings) = week.shop.tell(time, "powder.loaded", "equipment/P-03", load("bin/B23"));
    let finding = findings.iter().find(|f| f.rule == "powder.on_hold").unwrap();
    assert!(finding.entries.contains(&hold), "{finding:?}");
    // The hold follows the powder: what was loaded is on hold in the hopper too.
    let view = week.shop.powder().place(&place("hopper/P-03.main"), AsOf::Now).unwrap();
    assert_eq!((view.holds[0].entry, view.holds[0].fraction), (hold, d("1")));
    // Clean powder is free.
    let rules = week.shop.rules(time, "powder.loaded", "equipment/P-03", load("bin/UN2"));
    assert!(!rules.contains(&"powder.on_hold".to_owned()), "{rules:?}");
}

#[test]
fn the_parts_lead_back_to_the_passes() {
    let week = week();
    let target = Target::Place(place("parts/BN-1"));
    let back = week.shop.powder().trace_back(&target, AsOf::Now, &Page::default()).unwrap();
    let entries: Vec<u64> = back.edges.iter().map(|e| e.entry).collect();
    for pass in [week.sieved[1], week.sieved[2], week.m7, week.m9, week.draw[0]] {
        assert!(entries.contains(&pass), "entry {pass} in {entries:?}");
    }
    assert!(!entries.contains(&week.sieved[3]), "B23 is in no part");
    let through = |entry| back.edges.iter().find(|e| e.entry == entry).unwrap();
    assert_eq!(through(week.sieved[1]).fraction, d("0.2"), "0.5 M7 x 0.4 B21");
    assert_eq!(through(week.sieved[2]).fraction, d("0.3"));
    assert_eq!(back.next, None);
}

#[test]
fn the_answer_as_of_the_morning_knows_less() {
    let week = week();
    // As of the blend M7, in order of work: B22's pass is known, M9 is not.
    let impact = week.shop.powder().impact(&torn(), AsOf::Entry(week.m7)).unwrap();
    assert_eq!(impact.failed_entry, None, "nobody had found the tear");
    let lots: Vec<_> = impact.reach.lots.iter().map(|l| l.lot.as_str()).collect();
    assert_eq!(lots, ["M7"]);
}

#[test]
fn ties_and_clocks() {
    // computations.md C8: a tie at the pass is suspect, a use at the failure is not.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "USED", "200");
    let from = "lot_container/USED";
    inspection(&mut shop, "2026-03-05T17:00:00Z", "pass");
    let at_pass = shop.sieve("2026-03-05T17:00:00Z", "SV-7", (from, "bin/A"), "1", "0");
    let at_fail = shop.sieve("2026-03-12T09:00:00Z", "SV-7", (from, "bin/B"), "1", "0");
    inspection(&mut shop, "2026-03-12T09:00:00Z", "fail");
    let uses = |clock_uncertainty_ms| -> Vec<u64> {
        let question = ImpactQuestion { clock_uncertainty_ms, ..torn() };
        let impact = shop.powder().impact(&question, AsOf::Now).unwrap();
        impact.uses.iter().map(|u| u.entry).collect()
    };
    assert_eq!(uses(0), [at_pass]);
    assert_eq!(uses(1), [at_pass, at_fail], "clocks that differ by 1 ms");
}

#[test]
fn without_a_pass_the_window_begins_when_the_sieve_was_fitted() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "USED", "200");
    let from = "lot_container/USED";
    let fit = |serial: &str| json!({ "position": "main", "in": { "serial": serial, "spec": {} } });
    shop.sieve("2026-03-01T10:00:00Z", "SV-7", (from, "bin/A"), "1", "0");
    let fitted = shop.note("2026-03-02T08:00:00Z", "part.fitted", "equipment/S-02", fit("SV-7"));
    let used = shop.sieve("2026-03-03T10:00:00Z", "SV-7", (from, "bin/B"), "1", "0");
    // An inspection that names the position is about the sieve that sat there.
    let failed = shop.note(
        "2026-03-04T08:00:00Z",
        "inspection.done",
        "equipment/S-02",
        json!({ "target": "main", "result": "fail" }),
    );
    let impact = shop.powder().impact(&torn(), AsOf::Now).unwrap();
    assert_eq!(impact.window_start, WindowStart::Installation);
    assert_eq!((impact.good_entry, impact.failed_entry), (Some(fitted), Some(failed)));
    assert_eq!(impact.uses.iter().map(|u| u.entry).collect::<Vec<_>>(), [used]);
}

#[test]
fn weighings_on_a_failed_scale_are_suspect() {
    // C16: a failed check makes all weighings since the last pass suspect.
    let mut shop = Shop::default();
    shop.scale("2026-03-01T00:00:00Z", "W-1");
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    let check = |result: &str| {
        json!({ "check": "scale", "measured": kg("20.06"), "reference": kg("20"),
            "limit": { "at_most": kg("20.04") }, "result": result })
    };
    let weighed = |into: &str| json!({ "from": "lot_container/A", "into": into, "mass": kg("10"), "scale": "W-1" });
    let moved = "powder.moved";
    shop.note("2026-03-02T08:00:00Z", moved, "equipment/P-01", weighed("bin/A"));
    let pass = shop.note("2026-03-02T09:00:00Z", "check.done", "equipment/W-1", check("pass"));
    let used = shop.note("2026-03-02T10:00:00Z", moved, "equipment/P-01", weighed("bin/B"));
    let fail = shop.note("2026-03-03T09:00:00Z", "check.done", "equipment/W-1", check("fail"));
    shop.note("2026-03-03T10:00:00Z", moved, "equipment/P-01", weighed("bin/C"));
    let question = ImpactQuestion {
        suspect: Suspect::Scale(label("W-1")),
        found: Some(fail),
        clock_uncertainty_ms: 0,
    };
    let impact = shop.powder().impact(&question, AsOf::Now).unwrap();
    assert_eq!((impact.good_entry, impact.failed_entry), (Some(pass), Some(fail)));
    assert_eq!(impact.uses.iter().map(|u| u.entry).collect::<Vec<_>>(), [used]);
    assert_eq!(impact.reach.places.len(), 1);
}
