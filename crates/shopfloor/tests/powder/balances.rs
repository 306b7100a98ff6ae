//! Mass balances through real events.

use serde_json::json;
use shopfloor::powder::AsOf;

use crate::shop::{Shop, kg, place};

#[test]
fn c6_a_place_between_two_counts() {
    // computations.md C6: 60.00 + 20.00 - (55.40 + 18.10 + 2.90 + 3.00) = 0.60 kg; e = 0.02 kg.
    let mut shop = Shop::default();
    shop.scale("2026-03-01T00:00:00Z", "W-1");
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    let weighed = |from: &str, into: &str, mass: &str| json!({ "from": from, "into": into, "mass": kg(mass), "scale": "W-1" });
    let count = |mass: &str| json!({ "place": "bin/UB", "mass": kg(mass), "scale": "W-1" });
    let moved = "powder.moved";
    let a = "lot_container/A";
    shop.note("2026-03-01T09:00:00Z", moved, "equipment/P-01", weighed(a, "bin/UB", "60"));
    let first = shop.note("2026-03-01T10:00:00Z", "stock.counted", "site/north", count("60.00"));
    let moves = [
        shop.note("2026-03-02T09:00:00Z", moved, "equipment/P-01", weighed(a, "bin/UB", "20.00")),
        shop.note(
            "2026-03-02T10:00:00Z",
            moved,
            "equipment/P-01",
            weighed("bin/UB", "parts/B1", "18.10"),
        ),
        shop.note(
            "2026-03-02T11:00:00Z",
            moved,
            "equipment/P-01",
            weighed("bin/UB", "oversize/O", "2.90"),
        ),
        shop.note(
            "2026-03-02T12:00:00Z",
            moved,
            "equipment/P-01",
            weighed("bin/UB", "vacuum_bag/V", "3.00"),
        ),
    ];
    let last = shop.note("2026-03-03T10:00:00Z", "stock.counted", "site/north", count("55.40"));

    let balances = shop.powder().place_balances(&place("bin/UB"), AsOf::Now).unwrap();
    assert_eq!(balances.len(), 2, "one to each count, nothing since");
    let balance = &balances[1];
    assert_eq!(balance.unaccounted.digits(), "0.6");
    assert_eq!(
        balance.expanded_uncertainty.as_ref().unwrap().base().round_dp(6).to_string(),
        "0.122202"
    );
    assert_eq!(balance.normalised_error.unwrap().round_dp(5).to_string(), "4.90990");
    assert_eq!((balance.closed, balance.weighings_unstated), (Some(false), 0));
    // A span error of 0.05 % of the common scale: 0.0005 x 0.60 = 0.0003 kg.
    assert_eq!((balance.scales.len(), balance.scales[0].net.digits()), (1, "0.6"));
    let expected: Vec<u64> = [first].into_iter().chain(moves).chain([last]).collect();
    assert_eq!(balance.entries, expected);
}

fn north() -> shopfloor::ids::Label {
    crate::shop::label("north")
}

/// A move that was weighed on the common scale W-1.
fn weigh(shop: &mut Shop, time: &str, from: &str, into: &str, mass: &str) -> u64 {
    let data = json!({ "from": from, "into": into, "mass": kg(mass), "scale": "W-1" });
    shop.note(time, "powder.moved", "equipment/P-01", data)
}

fn count(shop: &mut Shop, time: &str, of: &str, mass: &str) -> u64 {
    let data = json!({ "place": of, "mass": kg(mass), "scale": "W-1" });
    shop.note(time, "stock.counted", "site/north", data)
}

#[test]
fn c9_a_drum_against_what_was_put_in() {
    // computations.md C9: bags 3.00 + 2.50 + 4.10 = 9.60; gross 19.40 - tare 9.80 = 9.60: closed.
    let mut shop = Shop::default();
    shop.scale("2026-03-01T00:00:00Z", "W-1");
    let opened = json!({ "stream": "ST-1", "tare": kg("9.80"), "area": "satellite",
        "location": "SA-1" });
    shop.note("2026-03-01T08:00:00Z", "container.opened", "container/D-1", opened);
    for (hour, mass) in [("09", "3.00"), ("10", "2.50"), ("11", "4.10")] {
        let data = json!({ "what": "vacuum_bag", "mass": kg(mass), "scale": "W-1" });
        let time = format!("2026-03-01T{hour}:00:00Z");
        shop.note(&time, "waste.added", "container/D-1", data);
    }
    let weighed = json!({ "gross": kg("19.40"), "scale": "W-1" });
    shop.note("2026-03-02T08:00:00Z", "container.weighed", "container/D-1", weighed);
    let balances = shop.powder().place_balances(&place("waste/D-1"), AsOf::Now).unwrap();
    assert_eq!(balances.len(), 1);
    assert_eq!((balances[0].unaccounted.digits(), balances[0].closed), ("0", Some(true)));
    // Three bags, gross and tare: five weighings.
    assert_eq!((balances[0].weighings, balances[0].weighings_unstated), (5, 0));
}

#[test]
fn a_count_without_scale_data_is_not_decided() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "10");
    shop.transfer("2026-03-01T09:00:00Z", "lot_container/A", "bin/1", "5");
    count(&mut shop, "2026-03-02T09:00:00Z", "bin/1", "4.5");
    let balance = shop.powder().place_balances(&place("bin/1"), AsOf::Now).unwrap().remove(0);
    assert_eq!((balance.unaccounted.digits(), balance.closed), ("0.5", None));
    assert_eq!((balance.weighings, balance.weighings_unstated), (0, 2));
    assert_eq!(balance.expanded_uncertainty, None);
}

#[test]
fn a_steady_leak_shows_in_the_cumulative_sum() {
    // computations.md C6, rules: each build hides what the sum over builds shows.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    shop.load("2026-03-01T09:00:00Z", "lot_container/A", "hopper/P-01.main", "100");
    for day in 2..7 {
        let date = format!("2026-03-0{day}");
        shop.build(&date, &format!("B{day}"), ("10", "1", "8.98"), "14", "bin/UB");
    }
    let (from, to) =
        (crate::shop::at("2026-03-01T00:00:00Z"), crate::shop::at("2026-03-09T00:00:00Z"));
    let builds = shop.powder().build_balances(None, from, to);
    let found: Vec<_> =
        builds.iter().map(|(_, b)| (b.unaccounted.digits(), b.cumulative.digits())).collect();
    let expected =
        [("0.02", "0.02"), ("0.02", "0.04"), ("0.02", "0.06"), ("0.02", "0.08"), ("0.02", "0.1")];
    assert_eq!(found, expected);
    let other = crate::shop::label("P-02");
    assert_eq!(shop.powder().build_balances(Some(&other), from, to).len(), 0);
    let one = shop.powder().build_balance(&crate::shop::label("B2"), AsOf::Now).unwrap();
    assert_eq!(one.unaccounted.digits(), "0.02");
}

#[test]
fn a_build_not_unpacked_yet_misses_nothing() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    shop.load("2026-03-01T09:00:00Z", "lot_container/A", "hopper/P-01.main", "100");
    let [_, finished, _] = shop.build("2026-03-02", "B1", ("10", "1", "8.9"), "14", "bin/UB");
    let build = crate::shop::label("B1");
    let cooling = shop.powder().build_balance(&build, AsOf::Entry(finished)).unwrap();
    assert_eq!(cooling.unaccounted.digits(), "0");
    let unpacked = shop.powder().build_balance(&build, AsOf::Now).unwrap();
    assert_eq!(unpacked.unaccounted.digits(), "0.1");
    // More back than went in is a surplus, not hidden.
    shop.note(
        "2026-03-03T08:00:00Z",
        "powder.recovered",
        "build/B1",
        json!({ "into": "bin/UB", "mass": kg("0.3") }),
    );
    let surplus = shop.powder().build_balance(&build, AsOf::Now).unwrap();
    assert_eq!((surplus.unaccounted.digits(), surplus.from_unknown.digits()), ("-0.2", "0.2"));
}

#[test]
fn a_lot_is_followed_to_the_last_gram() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    shop.load("2026-03-01T09:00:00Z", "lot_container/A", "hopper/P-01.main", "40");
    shop.build("2026-03-02", "B1", ("30", "3", "26.8"), "14", "bin/UB");
    shop.transfer("2026-03-03T08:00:00Z", "bin/UB", "waste/D-1", "1.5");
    let balance = shop.powder().lot_balance(&crate::shop::label("A"), AsOf::Now).unwrap();
    let terms: Vec<_> =
        balance.terms.iter().map(|t| (t.term.as_str(), t.mass.digits().to_owned())).collect();
    let expected = [
        ("received", "100"),
        ("parts", "3"),
        ("waste", "1.5"),
        ("in_containers", "60"),
        ("in_hoppers", "10"),
        ("in_bins", "25.3"),
    ];
    assert_eq!(terms, expected.map(|(t, m)| (t, m.to_owned())));
    assert_eq!(balance.unaccounted.digits(), "0.2", "what the build did not give back");
}

/// Two months of a site: opening stock, deliveries, parts, waste, a leak and a count in March.
fn two_months() -> Shop {
    let mut shop = Shop::default();
    shop.scale("2026-02-01T00:00:00Z", "W-1");
    shop.note(
        "2026-02-01T08:00:00Z",
        "lot.received",
        "lot/A",
        json!({ "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X", "scale": "W-1",
            "containers": [{ "id": "A", "gross": kg("101"), "tare": kg("1") }] }),
    );
    weigh(&mut shop, "2026-02-02T08:00:00Z", "lot_container/A", "bin/1", "40");
    weigh(&mut shop, "2026-02-03T08:00:00Z", "bin/1", "sample/L-1", "0.5");
    weigh(&mut shop, "2026-03-03T08:00:00Z", "bin/1", "waste/D-1", "2");
    count(&mut shop, "2026-03-10T08:00:00Z", "bin/1", "37.2");
    weigh(&mut shop, "2026-03-20T08:00:00Z", "bin/1", "waste/D-1", "1");
    shop
}

#[test]
fn a_site_by_months() {
    let shop = two_months();
    let bounds = ["2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"];
    let months = shop.powder().site_balances(&north(), &bounds.map(crate::shop::at));
    let terms = |i: usize| -> Vec<(&str, String)> {
        let terms = months[i].terms.iter();
        terms.map(|t| (t.term.as_str(), t.mass.digits().to_owned())).collect()
    };
    let list = |pairs: &[(&'static str, &str)]| -> Vec<(&str, String)> {
        pairs.iter().map(|(t, m)| (*t, (*m).to_owned())).collect()
    };
    assert_eq!(terms(0), list(&[("received", "100"), ("closing", "99.5"), ("samples", "0.5")]));
    assert_eq!((months[0].unaccounted.digits(), months[0].closed), ("0", None));
    // 99.5 before; 3 kg to waste; counted 37.2 where the book said 37.5: 0.3 kg are missing.
    assert_eq!(terms(1), list(&[("opening", "99.5"), ("closing", "96.2"), ("waste", "3")]));
    assert_eq!(months[1].unaccounted.digits(), "0.3");
    assert_eq!(months[1].cumulative.digits(), "0.3");
    // D rests on what went into the bin (40, once), the sample, the first waste and the count:
    // limits 0.04, 0.02, 0.02, 0.04 kg; U = 2 sqrt((0.0016 + 0.0004 + 0.0004 + 0.0016) / 3).
    // The waste after the count leaves stock and estimate alike and cancels.
    assert_eq!((months[1].weighings, months[1].weighings_unstated), (4, 0));
    let u = months[1].expanded_uncertainty.as_ref().unwrap().base();
    crate::shop::agrees(u, "0.0730297");
    assert_eq!(months[1].closed, Some(false));
}

#[test]
fn the_year_is_the_sum_of_its_months() {
    let shop = two_months();
    let at = crate::shop::at;
    let bounds = ["2026-02-01T00:00:00Z", "2026-03-01T00:00:00Z", "2026-04-01T00:00:00Z"];
    let months = shop.powder().site_balances(&north(), &bounds.map(at));
    let whole = shop.powder().site_balance(&north(), at(bounds[0]), at(bounds[2]));
    assert_eq!(whole.unaccounted.base(), months.iter().map(|m| m.unaccounted.base()).sum());
    assert_eq!(whole.unaccounted.base(), months[1].cumulative.base());
}

#[test]
fn vacuumed_dust_makes_up_for_what_a_build_lost() {
    // Half a kilogram was never recovered from the build; the vacuum bag is that much heavier.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    shop.load("2026-03-01T09:00:00Z", "lot_container/A", "hopper/P-01.main", "40");
    shop.build("2026-03-02", "B1", ("30", "3", "26.5"), "14", "bin/UB");
    let at = crate::shop::at;
    let month = |shop: &Shop| {
        let (from, to) = (at("2026-03-01T00:00:00Z"), at("2026-04-01T00:00:00Z"));
        shop.powder().site_balance(&north(), from, to).unaccounted.digits().to_owned()
    };
    assert_eq!(month(&shop), "0.5");
    let bag = json!({ "bag": { "id": "V", "gross": kg("0.6"), "tare": kg("0.1"),
        "tied_before_lifting": true }, "off_and_unplugged": true });
    shop.note("2026-03-03T08:00:00Z", "bag.changed", "equipment/V-1", bag);
    assert_eq!(month(&shop), "0");
    // A used filter in the drum is no powder and changes nothing.
    let filter = json!({ "what": "filter", "mass": kg("4") });
    shop.note("2026-03-04T08:00:00Z", "waste.added", "container/D-1", filter);
    assert_eq!(month(&shop), "0");
}

#[test]
fn sieve_yield_over_its_uses() {
    // C22's series: 0.1 of 10.1 kg stayed on top; 10 kg in 30 minutes.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    let used =
        shop.sieve("2026-03-02T08:00:00Z", "SV-7", ("lot_container/A", "bin/1"), "10", "0.1");
    let uses = shop.powder().sieve_uses(&crate::shop::label("SV-7"), AsOf::Now).unwrap();
    assert_eq!(uses.len(), 1);
    assert_eq!(uses[0].entry, used);
    crate::shop::agrees(uses[0].oversize_percent.unwrap(), "0.990099");
    crate::shop::agrees(uses[0].kg_per_min.unwrap(), "0.333333");
    assert!(shop.powder().unsieved(AsOf::Now).unwrap().is_empty(), "fresh powder needs no sieve");
    shop.load("2026-03-03T07:00:00Z", "bin/1", "hopper/P-01.main", "9");
    let [_, _, recovered] = shop.build("2026-03-03", "B1", ("8", "1", "6.9"), "14", "bin/UB");
    let unsieved = shop.powder().unsieved(AsOf::Now).unwrap();
    assert_eq!((unsieved.len(), unsieved[0].entry), (1, recovered));
    assert_eq!(unsieved[0].place, place("bin/UB"));
}

#[test]
fn a_count_after_a_weighed_cleaning_can_be_judged() {
    // The residue that a cleaning took out of the bin names its scale, so the count is decided.
    let count_after = |scale: Option<&str>| {
        let mut shop = Shop::default();
        shop.scale("2026-03-01T00:00:00Z", "W-1");
        shop.receive("2026-03-01T08:00:00Z", "A", "100");
        weigh(&mut shop, "2026-03-01T09:00:00Z", "lot_container/A", "bin/1", "10");
        let mut residue = json!({ "mass": kg("0.4"), "from": "bin/1", "into": "vacuum_bag/V" });
        if let Some(scale) = scale {
            residue["scale"] = json!(scale);
        }
        let data = json!({ "target": "main", "method": "vacuum", "residue": residue });
        shop.note("2026-03-02T08:00:00Z", "cleaning.done", "equipment/S-02", data);
        let data = json!({ "place": "bin/1", "mass": kg("9.5"), "scale": "W-1" });
        let (_, told) = shop.tell("2026-03-03T08:00:00Z", "stock.counted", "site/north", data);
        crate::shop::powder_rules(&told)
    };
    assert_eq!(count_after(None), ["powder.count_undecided"]);
    assert_eq!(count_after(Some("W-1")), ["powder.count_differs"]);
}

#[test]
fn c13_what_a_month_cost_and_how_much_waste_a_kilogram_of_parts_made() {
    // computations.md C13, M = 30, p = 0.10, l = 0.03, r = 0.5: fresh 15 kg, surplus 11.1 kg,
    // waste 12 kg, 4.0 kg waste per kg of parts, 1500 at a price of 100 per kg; r* = 0.13.
    let mut shop = Shop::default();
    shop.receive("2026-02-01T08:00:00Z", "A", "100");
    shop.load("2026-02-02T08:00:00Z", "lot_container/A", "hopper/P-01.main", "15");
    shop.build("2026-02-03", "B0", ("15", "0", "15"), "12", "bin/UB");
    // The month: half fresh, half once used.
    shop.load("2026-03-02T08:00:00Z", "lot_container/A", "hopper/P-01.main", "15");
    shop.load("2026-03-02T09:00:00Z", "bin/UB", "hopper/P-01.main", "15");
    let finished = shop.build("2026-03-03", "B1", ("30", "3", "27"), "12", "bin/UB")[1];
    shop.sieve("2026-03-04T08:00:00Z", "SV-7", ("bin/UB", "bin/SV"), "26.1", "0.9");
    let waste =
        |from: &str, mass: &str| json!({ "what": "powder", "mass": kg(mass), "from": from });
    shop.note(
        "2026-03-05T08:00:00Z",
        "waste.added",
        "container/D-1",
        waste("oversize/OV-1", "0.9"),
    );
    shop.note("2026-03-05T09:00:00Z", "waste.added", "container/D-1", waste("bin/SV", "11.1"));
    let month = |day| crate::shop::at(day);
    let price = Some(crate::shop::d("100"));
    let (from, to) = (month("2026-03-01T00:00:00Z"), month("2026-04-01T00:00:00Z"));
    let economy = shop.powder().economy(&north(), from, to, price);
    let kg = |mass: &shopfloor::quantity::Mass| mass.digits().to_owned();
    assert_eq!([kg(&economy.drawn), kg(&economy.fresh), kg(&economy.parts)], ["30", "15", "3"]);
    assert_eq!([kg(&economy.lost), kg(&economy.waste)], ["0.9", "12"]);
    let number = |value: Option<rust_decimal::Decimal>| value.unwrap().to_string();
    assert_eq!(number(economy.refresh), "0.5");
    assert_eq!(number(economy.self_sustaining), "0.13");
    assert_eq!(kg(economy.surplus.as_ref().unwrap()), "11.1");
    assert_eq!(kg(economy.waste_expected.as_ref().unwrap()), "12");
    assert_eq!(number(economy.waste_per_kg_parts), "4");
    assert_eq!(number(economy.waste_per_kg_parts_expected), "4");
    assert_eq!(kg(economy.waste_above_expected.as_ref().unwrap()), "0", "every discard is told");
    assert_eq!(number(economy.fresh_cost), "1500");
    assert_eq!(economy.entries, [finished]);
    // A month in which nothing was built has no ratios.
    let idle = shop.powder().economy(&north(), to, month("2026-05-01T00:00:00Z"), price);
    assert_eq!((idle.refresh, idle.waste_per_kg_parts), (None, None));
}

#[test]
fn c22_a_sieve_whose_oversize_leaves_the_limits_of_its_first_passes() {
    // Series of computations.md C22, repeated up to twenty passes: limits from the first twenty.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "9000");
    let fit = json!({ "position": "main", "in": { "serial": "SV-7", "spec": {} } });
    let fitted = shop.note("2026-03-02T08:00:00Z", "part.fitted", "equipment/S-02", fit);
    let mut pass = |day: u32, oversize: &str| {
        let time = format!("2026-03-{:02}T08:00:00Z", day + 2);
        let through = (crate::shop::d("100") - crate::shop::d(oversize)).to_string();
        let data = json!({
            "sieve": "SV-7", "aperture": { "value": "150", "unit": "um" },
            "from": "lot_container/A", "through": { "mass": kg(&through), "into": "bin/1" },
            "oversize": { "mass": kg(oversize), "into": "oversize/OV-1" },
            "duration": { "value": "30", "unit": "min" },
        });
        shop.tell(&time, "powder.sieved", "equipment/S-02", data)
    };
    let baseline: Vec<u64> = (1..)
        .zip(["2.1", "2.4", "1.9", "2.3", "2.2", "2.1", "2.4", "1.9"].into_iter().cycle().take(20))
        .map(|(day, oversize)| pass(day, oversize).0)
        .collect();
    let (_, inside) = pass(21, "2.9");
    let (torn, outside) = pass(22, "9.0");
    let told = |findings: &[shopfloor::Finding]| {
        findings.iter().filter(|f| f.rule == "powder.sieve_trend").count()
    };
    assert_eq!(told(&inside), 0);
    assert_eq!(told(&outside), 2, "oversize above, rate below: {outside:?}");
    let serial = crate::shop::label("SV-7");
    let trend = shop.powder().sieve_trend(&serial, AsOf::Now).unwrap();
    assert_eq!((trend.fitted_by, trend.uses_total), (Some(fitted), 22));
    assert_eq!(trend.baseline, baseline);
    // Mean 2.165; mean moving range 6/19, s = that times sqrt(pi)/2 = 0.279861; Student's t of
    // 11.495 degrees that leaves 0.0027 outside, times sqrt(1 + 1/20): 3.89921.
    let limits = trend.oversize_percent.unwrap();
    assert_eq!(limits.mean.to_string(), "2.165");
    assert_eq!(limits.high.round_dp(4).to_string(), "3.2562");
    let alarms: Vec<(u64, bool)> = trend.alarms.iter().map(|a| (a.entry, a.above)).collect();
    assert!(alarms.contains(&(torn, true)) && alarms.contains(&(torn, false)), "{alarms:?}");
}
