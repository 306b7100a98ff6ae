//! The genealogy as layers of boxes: what a picture shows, and what it puts together.

use shopfloor::powder::AsOf;
use shopfloor::powder::genealogy::Target;
use shopfloor::powder::lineage::{BoxKind, Direction, Lineage, LineageQuestion};

use crate::shop::{Shop, d, label, place};

fn ask(shop: &Shop, of: Target, direction: Direction, boxes: usize, layers: usize) -> Lineage {
    let question = LineageQuestion { of, direction, as_of: AsOf::Now, boxes, layers, skip: 0 };
    shop.powder().lineage(&question).unwrap()
}

/// Names and fractions of the boxes, layer by layer.
fn layers(lineage: &Lineage) -> Vec<Vec<String>> {
    (0..lineage.layers)
        .map(|layer| {
            let here = lineage.boxes.iter().filter(|b| b.layer == layer);
            here.map(|b| format!("{} {}", b.name, b.fraction)).collect()
        })
        .collect()
}

/// 12 kg of A and 18 kg of {A 0.3, B 0.7} in a blend M that a build drew whole.
fn shop() -> Shop {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "40");
    shop.receive("2026-03-01T08:00:00Z", "B", "40");
    let used = [("lot_container/A", "5.4"), ("lot_container/B", "12.6")];
    shop.blend("2026-03-02T08:00:00Z", "U", "bin/U", &used);
    let parts = [("lot_container/A", "12"), ("bin/U", "18")];
    shop.blend("2026-03-03T08:00:00Z", "M", "lot_container/M", &parts);
    shop.load("2026-03-04T08:00:00Z", "lot_container/M", "hopper/P-01.main", "30");
    shop.build("2026-03-05", "B1", ("30", "3", "26"), "12", "bin/U");
    shop
}

#[test]
fn back_from_parts_to_the_lots_time_runs_from_left_to_right() {
    let shop = shop();
    let lineage = ask(&shop, Target::Place(place("parts/B1")), Direction::Back, 50, 12);
    let expected: [&[&str]; 8] = [
        &["lot/B 0.42"],
        &["lot/A 0.58", "lot_container/B 0.42"],
        &["lot_container/A 0.58"],
        &["bin/U 0.6"],
        &["lot_container/M 1"],
        &["hopper/P-01.main 1"],
        &["build/B1 1"],
        &["parts/B1 1"],
    ];
    // C4: A 0.58, B 0.42. The lots stand right before the first place they went into.
    let found = layers(&lineage);
    let names: Vec<&String> = found.iter().flatten().collect();
    let wanted: Vec<&&str> = expected.iter().flat_map(|l| l.iter()).collect();
    assert_eq!(names.len(), wanted.len(), "{found:#?}");
    for name in wanted {
        assert!(names.iter().any(|n| n == name), "{name} in {found:#?}");
    }
    for line in &lineage.lines {
        let (from, into) = (&lineage.boxes[line.from], &lineage.boxes[line.into]);
        assert!(from.layer < into.layer, "{from:?} {into:?}");
        assert!(!line.entries.is_empty(), "every move leads to its entry: {line:?}");
    }
    let parts = lineage.boxes.iter().find(|b| b.asked).unwrap();
    assert_eq!((parts.name.as_str(), parts.mass.digits()), ("parts/B1", "3"));
    assert_eq!((lineage.next_skip, lineage.layers), (None, lineage.layers_total));
    let blend = lineage.boxes.iter().find(|b| b.name == "lot_container/M").unwrap();
    assert_eq!(blend.lots, [label("M")]);
}

#[test]
fn a_place_that_powder_comes_back_to_is_drawn_again() {
    let mut shop = shop();
    // Used powder of B1 lies in bin/U, which fed the blend before: round once more.
    shop.load("2026-03-06T08:00:00Z", "bin/U", "hopper/P-01.main", "20");
    shop.build("2026-03-07", "B2", ("20", "2", "17"), "12", "bin/U");
    let lineage = ask(&shop, Target::Place(place("parts/B2")), Direction::Back, 50, 20);
    let bins: Vec<usize> =
        lineage.boxes.iter().filter(|b| b.name == "bin/U").map(|b| b.layer).collect();
    assert_eq!(bins.len(), 2, "{:#?}", layers(&lineage));
    assert!(bins[0] < bins[1]);
    assert_eq!(lineage.places_total, 10, "two lots and eight places, each once");
    for line in &lineage.lines {
        assert!(lineage.boxes[line.from].layer < lineage.boxes[line.into].layer);
    }
}

#[test]
fn what_does_not_fit_is_put_together_and_said() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "1000");
    for n in 0..40 {
        let time = format!("2026-03-02T08:{n:02}:00Z");
        let mass = (n + 1).to_string();
        shop.transfer(&time, "lot_container/A", &format!("bin/{n}"), &mass);
    }
    let all = ask(&shop, Target::Lot(label("A")), Direction::Forward, 500, 12);
    assert_eq!((all.boxes.len(), all.places_total), (42, 42), "everything fits");
    let few = ask(&shop, Target::Lot(label("A")), Direction::Forward, 12, 12);
    let rest = few.boxes.iter().find(|b| b.kind == BoxKind::Rest).unwrap();
    assert_eq!((few.boxes.len(), rest.places), (13, 30), "12 boxes, and one for 30 bins");
    // Bins 1 to 30 kg are the smaller ones: 465 kg; nothing is lost from sight.
    assert_eq!(rest.mass.digits(), "465");
    let shown: rust_decimal::Decimal =
        few.boxes.iter().filter(|b| b.layer == 2).map(|b| b.mass.base()).sum();
    assert_eq!(shown, d("820"), "1 + 2 + ... + 40");
    let line = few.lines.iter().find(|l| few.boxes[l.into].kind == BoxKind::Rest).unwrap();
    assert_eq!((line.entries_total, line.mass.digits()), (30, "465"));
}

#[test]
fn a_long_story_is_shown_a_page_at_a_time() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    let mut before = "lot_container/A".to_owned();
    for n in 0..10 {
        let next = format!("bin/{n}");
        shop.transfer(&format!("2026-03-02T08:{n:02}:00Z"), &before, &next, "10");
        before = next;
    }
    let of = Target::Place(place(&before));
    let page = |skip| {
        let question = LineageQuestion {
            of: of.clone(),
            direction: Direction::Back,
            as_of: AsOf::Now,
            boxes: 50,
            layers: 5,
            skip,
        };
        shop.powder().lineage(&question).unwrap()
    };
    let last = page(0);
    assert_eq!((last.layers_total, last.next_skip), (12, Some(5)));
    assert_eq!(layers(&last)[0], [" 1"], "one box for everything earlier");
    assert_eq!((last.boxes[0].kind, last.boxes[0].places), (BoxKind::Earlier, 7));
    assert_eq!(layers(&last)[5], ["bin/9 1"]);
    let middle = page(5);
    let ends: Vec<BoxKind> = [0, middle.boxes.len() - 1].map(|i| middle.boxes[i].kind).into();
    assert_eq!(ends, [BoxKind::Earlier, BoxKind::Later]);
    let first = page(10);
    assert_eq!(layers(&first)[..2], [vec!["lot/A 1"], vec!["lot_container/A 1"]]);
    assert_eq!(first.next_skip, None);
}
