//! What is kept apart: the pairs of 40 CFR 264 Appendix V, one container (264.177(a)), side by side
//! (264.177(c)). Groups are what a person determined; the software assigns none.

mod waste_support;

use shopfloor::finding::Confidence;
use shopfloor::waste::SiteWaste;
use shopfloor::waste::compatibility::{Danger, between, found_beside, pairs};
use shopfloor::waste::events::{ReactivityGroup as G, Separation};
use shopfloor::waste::view;
use waste_support::Shop;

#[test]
fn the_list_of_examples() {
    use Confidence::{Memory, Secondary, Seen};
    use Danger as D;
    // Groups of 40 CFR 264 Appendix V; both orders.
    let rows = [
        (G::Alkali, G::Acid, "1-A, 1-B", Some((D::HeatOrViolentReaction, Seen))),
        (G::ReactiveMetal, G::Acid, "2-A, 2-B", Some((D::FireExplosionOrHydrogen, Secondary))),
        (G::ReactiveMetal, G::Alkali, "2-A, 2-B", Some((D::FireExplosionOrHydrogen, Secondary))),
        (G::Water, G::WaterReactive, "3-A, 3-B", Some((D::FireExplosionHeatOrGases, Secondary))),
        (G::Water, G::ReactiveMetal, "3-A, 3-B", Some((D::FireExplosionHeatOrGases, Secondary))),
        (
            G::Alcohol,
            G::ReactiveMetal,
            "4-A, 4-B",
            Some((D::FireExplosionOrViolentReaction, Secondary)),
        ),
        (
            G::ReactiveOrganic,
            G::ReactiveMetal,
            "4-A, 4-B",
            Some((D::FireExplosionOrViolentReaction, Secondary)),
        ),
        (G::CyanideOrSulfide, G::Acid, "5-A, 5-B", Some((D::ToxicGas, Secondary))),
        (
            G::Oxidizer,
            G::ReactiveMetal,
            "6-A, 6-B",
            Some((D::FireExplosionOrViolentReaction, Memory)),
        ),
        (
            G::Oxidizer,
            G::Combustible,
            "6-A, 6-B",
            Some((D::FireExplosionOrViolentReaction, Memory)),
        ),
        (G::ReactiveMetal, G::ReactiveMetal, "", None),
        (G::Combustible, G::ReactiveMetal, "", None),
        (G::Water, G::Alcohol, "", None),
    ];
    for (a, b, groups, expected) in rows {
        for found in [between(&[a], &[b]), between(&[b], &[a])] {
            let told = found.first().map(|p| (p.danger, p.confidence));
            assert_eq!(told, expected, "{a} and {b}");
            assert!(found.iter().all(|p| p.section.ends_with(groups)), "{found:?}");
        }
    }
    assert_eq!(pairs().len(), 20);
    assert!(between(&[], &[G::Acid]).is_empty(), "without a person's groups nothing is said");
}

const STREAMS: &str = "
2026-01-05 08:00 op_e1 stream.determined stream/AL material=AL10 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us reactivity=[reactive_metal]
2026-01-05 08:00 op_e1 stream.determined stream/ETCH material=ACID description=pickle determination=hazardous codes.rcra=[D002] decided_by=op_e1 basis=test jurisdiction=us reactivity=[acid]
2026-01-05 08:00 op_e1 stream.determined stream/PA material=PA12 description=dust determination=non_hazardous codes.list_of_waste=~12_01_05 decided_by=op_e1 basis=test jurisdiction=us
2026-01-05 09:00 op_e1 container.opened container/AL-1 stream=AL tare=9.80kg area=central location=CAA-1
";

fn shop() -> Shop {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(STREAMS);
    shop
}

#[test]
fn containers_of_incompatible_waste_do_not_stand_side_by_side() {
    // 264.177(c): separated, or a dike, berm, wall or other device between them.
    let rows = [
        ("stream=ETCH tare=1kg area=central location=CAA-1", true),
        ("stream=ETCH tare=1kg area=central location=CAA-2", false),
        ("stream=ETCH tare=1kg area=central location=CAA-1 separated_by=berm", false),
        ("stream=PA tare=1kg area=central location=CAA-1", false),
        ("stream=AL tare=1kg area=central location=CAA-1", false),
    ];
    for (opened, told) in rows {
        let line = format!("2026-01-06 09:00 op_e1 container.opened container/N-1 {opened}");
        let expected = if told { "! waste.incompatible_beside" } else { "" };
        shop().play(&format!("{line}\n{expected}"));
    }
    // The one that stands there can be the one that is walled off.
    let mut walled = shop();
    walled.play("
2026-01-06 08:00 op_e1 container.moved container/AL-1 from.area=central from.location=CAA-1 to.area=central to.location=CAA-1 giver=op_e1 receiver=op_t1 separated_by=wall
2026-01-06 09:00 op_e1 container.opened container/N-1 stream=ETCH tare=1kg area=central location=CAA-1
");
}

#[test]
fn a_move_brings_them_together_and_another_takes_them_apart() {
    let mut shop = shop();
    shop.play("
2026-01-06 09:00 op_e1 container.opened container/N-1 stream=ETCH tare=1kg area=central location=CAA-2
2026-01-07 09:00 op_e1 container.moved container/N-1 from.area=central from.location=CAA-2 to.area=central to.location=CAA-1 giver=op_e1 receiver=op_t1
! waste.incompatible_beside
");
    let site = shop.label();
    let apart = |shop: &Shop, day: &str| {
        SiteWaste::of(&shop.state, &site).kept_apart(shop.noon(day)).pop().unwrap()
    };
    let found = apart(&shop, "2026-01-08");
    assert_eq!((found.a.as_str(), found.b.as_str()), ("AL", "ETCH"));
    let standing: Vec<&str> = found.standing.iter().map(|c| c.as_str()).collect();
    assert_eq!(standing, ["AL-1", "N-1"]);
    // The settings of the site are the first entry: determinations 1 and 2, the drum 4, the move.
    assert_eq!(found.entries.len(), 4, "{found:?}");
    shop.play("
2026-01-09 09:00 op_e1 container.moved container/N-1 from.area=central from.location=CAA-1 to.area=central to.location=CAA-2 giver=op_t1 receiver=op_e1
");
    assert!(apart(&shop, "2026-01-10").standing.is_empty());
}

#[test]
fn a_determination_that_comes_later_tells_what_stands_together() {
    let mut shop = shop();
    shop.play("
2026-01-06 09:00 op_e1 container.opened container/P-1 stream=PA tare=1kg area=central location=CAA-1
2026-01-07 09:00 op_e1 stream.determined stream/PA material=PA12 description=wet_dust determination=non_hazardous codes.list_of_waste=~12_01_05 decided_by=op_e1 basis=test jurisdiction=us reactivity=[water]
! waste.incompatible_standing
");
}

#[test]
fn incompatible_waste_does_not_go_into_one_container() {
    // 264.177(a).
    let rows = [
        ("what=wipes mass=0.20kg", false),
        ("what=wipes mass=0.20kg reactivity=[alcohol]", true),
        ("what=wipes mass=0.20kg reactivity=[combustible]", false),
        ("what=sweepings mass=0.20kg reactivity=[water,combustible]", true),
    ];
    for (added, told) in rows {
        let line = format!("2026-01-06 09:00 op_e1 waste.added container/AL-1 {added}");
        let expected = if told { "! waste.incompatible_together" } else { "" };
        shop().play(&format!("{line}\n{expected}"));
    }
    // What was told of a thing in the container counts for what comes after it.
    let mut shop = shop();
    shop.play(
        "
2026-01-06 08:00 op_e1 container.opened container/P-1 stream=PA tare=1kg area=central location=CAA-2
2026-01-06 09:00 op_e1 waste.added container/P-1 what=wipes mass=0.20kg reactivity=[oxidizer]
2026-01-06 10:00 op_e1 waste.added container/P-1 what=wipes mass=0.20kg reactivity=[alcohol]
! waste.incompatible_together
",
    );
}

#[test]
fn a_container_says_what_is_kept_out_of_it_and_what_stands_too_near() {
    let mut shop = shop();
    shop.play("
2026-01-06 09:00 op_e1 container.opened container/N-1 stream=ETCH tare=1kg area=central location=CAA-1 separated_by=wall
2026-01-06 10:00 op_e1 waste.added container/N-1 what=wipes mass=0.20kg reactivity=[water]
! waste.incompatible_together
2026-01-07 09:00 op_e1 container.opened container/N-2 stream=ETCH tare=1kg area=central location=CAA-1
! waste.incompatible_beside
");
    let noon = shop.noon("2026-01-08");
    let id = waste_support::label;
    let walled = view::container(&shop.state, &id("N-1"), noon).unwrap();
    assert_eq!(walled.reactivity, [G::Acid, G::Water], "of the stream, and of the wipes in it");
    assert_eq!(walled.separated_by, Some(Separation::Wall));
    let aluminium = view::container(&shop.state, &id("AL-1"), noon).unwrap();
    assert!(
        aluminium.kept_from.contains(&G::Acid) && !aluminium.kept_from.contains(&G::Combustible)
    );
    let near = |of: &str| -> Vec<String> {
        let found = found_beside(&shop.state, &id(of), noon).into_iter();
        found.map(|b| b.container.to_string()).collect()
    };
    assert_eq!(near("AL-1"), ["N-2"], "a wall stands between it and N-1");
    assert_eq!(near("N-1"), [""; 0]);
}
