//! Check values of the reference figures, through real events. Each names its section.

use shopfloor::powder::AsOf;
use shopfloor::powder::figures::mean_builds;

use crate::shop::{Shop, agrees, d, label, place, shares};

#[test]
fn c4_a_blend_is_resolved_to_its_source_lots() {
    // computations.md C4, "Lots": fresh A 12 kg + used 18 kg with {A 0.3, B 0.7}.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "40");
    shop.receive("2026-03-01T08:00:00Z", "B", "40");
    let used = [("lot_container/A", "5.4"), ("lot_container/B", "12.6")];
    shop.blend("2026-03-02T08:00:00Z", "U", "bin/U", &used);
    let parts = [("lot_container/A", "12"), ("bin/U", "18")];
    shop.blend("2026-03-03T08:00:00Z", "M", "lot_container/M", &parts);
    assert_eq!(shop.fractions("bin/U"), [], "all of it went into the blend");
    assert_eq!(shop.fractions("lot_container/M"), shares(&[("A", "0.58"), ("B", "0.42")]));
    assert_eq!(shop.held("lot_container/M"), d("30"));
}

#[test]
fn c23_unknown_passes_through_every_blend() {
    // computations.md C23: M1 = 0.4 A + 0.6 UNKNOWN; M2 = 0.5 M1 + 0.5 B.
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "40");
    shop.receive("2026-03-01T08:00:00Z", "B", "40");
    // Nobody recorded what came into this bin: the book overdraws, and says so.
    let parts = [("lot_container/A", "4"), ("bin/OLD", "6")];
    shop.blend("2026-03-02T08:00:00Z", "M1", "lot_container/M1", &parts);
    let parts = [("lot_container/M1", "10"), ("lot_container/B", "10")];
    shop.blend("2026-03-03T08:00:00Z", "M2", "lot_container/M2", &parts);
    let expected = shares(&[("A", "0.2"), ("B", "0.5"), ("UNKNOWN", "0.3")]);
    assert_eq!(shop.fractions("lot_container/M2"), expected);
    let view = shop.powder().place(&place("lot_container/M2"), AsOf::Now).unwrap();
    assert_eq!(view.makeup.unwrap().coverage, d("0.7"));
}

/// One pot: `cycles` cycles in which the whole pot goes through a build without loss and is then
/// refreshed with the share `fresh_kg` of 100 kg.
fn pot(fresh_kg: u32, cycles: u32) -> Shop {
    let mut shop = Shop::default();
    let used_kg = (100 - fresh_kg).to_string();
    shop.receive("2026-01-01T00:00:00Z", "A", "100000");
    shop.transfer("2026-01-01T01:00:00Z", "lot_container/A", "hopper/P-01.main", "100");
    for n in 0..cycles {
        let day =
            jiff::civil::date(2026, 1, 2).saturating_add(jiff::Span::new().days(i64::from(n)));
        let build = format!("B{n}");
        shop.build(&day.to_string(), &build, ("100", "0", "100"), "20", "bin/UB");
        // What is not used again leaves the pot; the rest is topped up with fresh powder.
        let fresh = fresh_kg.to_string();
        shop.transfer(&format!("{day}T22:30:00Z"), "bin/UB", "hopper/P-01.main", &used_kg);
        shop.transfer(&format!("{day}T22:40:00Z"), "bin/UB", "sample/S", &fresh);
        shop.transfer(&format!("{day}T22:50:00Z"), "lot_container/A", "hopper/P-01.main", &fresh);
    }
    shop
}

#[test]
fn c5_generations_of_repeated_blending() {
    // computations.md C5, table: mean after 1, 2, 3, 5 cycles.
    let rows = [
        (50, ["0.5", "0.75", "0.875", "0.96875"]),
        (30, ["0.7", "1.19", "1.533", "1.94117"]),
        (20, ["0.8", "1.44", "1.952", "2.68928"]),
    ];
    for (fresh, means) in rows {
        for (mean, cycles) in means.iter().zip([1, 2, 3, 5]) {
            let shop = pot(fresh, cycles);
            let view = shop.powder().place(&place("hopper/P-01.main"), AsOf::Now).unwrap();
            let age = view.makeup.unwrap().age;
            agrees(age.mean_builds, mean);
            // Closed form and ledger are the same thing.
            let ratio = d(&fresh.to_string()) / d("100");
            let closed = mean_builds(ratio, cycles).unwrap();
            assert_eq!(age.mean_builds.round_dp(10), closed.round_dp(10), "{fresh} % {cycles}");
        }
    }
}

#[test]
fn c5_shares_by_age_after_many_cycles() {
    // computations.md C5, table: share that went through at least 5 builds, and the highest age
    // whose share is above 1 %.
    let rows = [(50, "0.03125", 6), (30, "0.16807", 12), (20, "0.32768", 20)];
    for (fresh, share, highest) in rows {
        let shop = pot(fresh, 60);
        let view = shop.powder().place(&place("hopper/P-01.main"), AsOf::Now).unwrap();
        let age = view.makeup.unwrap().age;
        let five = age.by_builds.iter().find(|c| c.builds == 5).unwrap();
        agrees(five.fraction_at_least, share);
        assert_eq!(age.highest_builds_above_one_percent, Some(highest), "{fresh} %");
        // Mean share of age exactly k: r (1 - r)^k.
        let ratio = d(&fresh.to_string()) / d("100");
        agrees(age.by_builds[0].fraction, &ratio.to_string());
        agrees(age.by_builds[1].fraction, &(ratio * (d("1") - ratio)).to_string());
    }
}

#[test]
fn c5_thermal_hours_are_carried_by_mass() {
    // computations.md C5, "Thermal": r = 0.3, h = 20, 24, 16 h: H = 14, 26.6, 29.82 h.
    let mut shop = Shop::default();
    shop.receive("2026-01-01T00:00:00Z", "A", "1000");
    shop.transfer("2026-01-01T01:00:00Z", "lot_container/A", "hopper/P-01.main", "10");
    let rows =
        [("2026-01-02", "20", "14"), ("2026-01-03", "24", "26.6"), ("2026-01-04", "16", "29.82")];
    for (i, (day, hours, expected)) in rows.into_iter().enumerate() {
        shop.build(day, &format!("B{i}"), ("10", "0", "10"), hours, "bin/UB");
        shop.transfer(&format!("{day}T22:30:00Z"), "bin/UB", "hopper/P-01.main", "7");
        shop.transfer(&format!("{day}T22:40:00Z"), "bin/UB", "sample/S", "3");
        shop.transfer(&format!("{day}T22:50:00Z"), "lot_container/A", "hopper/P-01.main", "3");
        let view = shop.powder().place(&place("hopper/P-01.main"), AsOf::Now).unwrap();
        agrees(view.makeup.unwrap().age.mean_hours_at_temperature, expected);
    }
}

#[test]
fn a_build_takes_its_powder_as_it_was_drawn() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "20");
    shop.load("2026-03-02T07:00:00Z", "lot_container/A", "hopper/P-01.main", "20");
    let [started, finished, recovered] =
        shop.build("2026-03-02", "B1", ("18.5", "2.1", "16.2"), "14", "bin/UB");
    let view = shop.powder().build(&label("B1"), AsOf::Now).unwrap();
    assert_eq!(view.entries, [started, finished, recovered]);
    assert_eq!(view.unaccounted.digits(), "0.2");
    assert_eq!(view.makeup.unwrap().lots[0].mass.digits(), "18.5");
    assert_eq!(shop.held("hopper/P-01.main"), d("1.5"));
    // Recovered powder has aged by one build and is not sieved.
    let used = shop.powder().place(&place("bin/UB"), AsOf::Now).unwrap().makeup.unwrap();
    assert_eq!((used.age.mean_builds, used.unsieved_fraction), (d("1"), d("1")));
    assert_eq!(used.fresh_fraction, d("0"));
    // As of the start nothing had been drawn yet: the question shows the hopper.
    let before = shop.powder().build(&label("B1"), AsOf::Entry(started)).unwrap();
    assert_eq!((before.finished, before.drawn.digits()), (None, "0"));
    assert_eq!(before.makeup.unwrap().lots[0].mass.digits(), "20");
}

#[test]
fn c4_the_refresh_of_a_blend_is_held_against_its_recipe_by_the_named_rule() {
    // computations.md C4: F = 12, U = 18, u = 0.03 each: r = 0.4, u_r = 0.00072111; at a minimum
    // of 0.4000 `simple` accepts and `guarded` refuses.
    let view = |rule: &str| {
        let mut shop = Shop::default();
        // e = 0.02 kg: at 12 and 18 kg the limit of error in service is 0.04 kg, u = 0.04/sqrt(3).
        shop.scale("2026-03-01T00:00:00Z", "W-1");
        shop.receive("2026-03-01T08:00:00Z", "A", "40");
        shop.receive("2026-03-01T08:00:00Z", "B", "40");
        shop.load("2026-03-01T09:00:00Z", "lot_container/B", "hopper/P-01.main", "40");
        shop.build("2026-03-02", "B1", ("40", "0", "40"), "12", "bin/U");
        let recipe = serde_json::json!({ "material": "PA12", "fresh_percent_min": 40,
            "decision_rule": rule });
        let set = shop.note("2026-03-03T08:00:00Z", "recipe.set", "recipe/R-1", recipe);
        let parts = [("lot_container/A", "12"), ("bin/U", "18")];
        let mut data = crate::shop::blend_data("lot_container/M", &parts);
        data["recipe"] = serde_json::json!("R-1");
        data["scale"] = serde_json::json!("W-1");
        shop.note("2026-03-04T08:00:00Z", "powder.blended", "lot/M", data);
        let now = crate::shop::at("2026-06-01T00:00:00Z");
        let lot = shop.powder().lot(&label("M"), AsOf::Now, now).unwrap();
        let refresh = lot.refresh.unwrap();
        assert_eq!(refresh.recipe_entry, Some(set));
        refresh
    };
    let simple = view("simple");
    assert_eq!((simple.ratio, simple.accepted), (d("0.4"), Some(true)));
    assert_eq!(simple.components[1].fresh_fraction, d("0"));
    // u = 0.04/sqrt(3) instead of 0.03 each: u_r scales with it.
    let scaled = d("0.00144222") * (d("0.04") / d("1.7320508075689") / d("0.03"));
    let found = simple.expanded_uncertainty.unwrap();
    assert_eq!(found.round_dp(7), scaled.round_dp(7));
    assert_eq!(view("guarded").accepted, Some(false));
}
