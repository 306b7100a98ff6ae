//! The disposal report: totals that are sums of listed entries, corrections in plain sight, the
//! same bytes for the same log.

#[path = "../../shopfloor/tests/waste_support/mod.rs"]
mod waste_support;

use report::disposal::{self, Head, Options};
use shopfloor::common::Day;
use shopfloor::waste::Kg;
use waste_support::Shop;

const YEAR: &str = include_str!("../../shopfloor/tests/waste_scenarios/quiet_year.txt");

fn head(shop: &Shop) -> Head {
    Head {
        origin: "records.brackwater.example/north/2026".into(),
        size: shop.facts.len() as u64,
        root: "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=".into(),
        key_id: "records.brackwater.example/north/2026+a1b2c3d4".into(),
        checkpoint: String::new(),
    }
}

fn day(text: &str) -> Day {
    Day(text.parse().unwrap())
}

#[test]
fn totals_are_sums_of_listed_containers() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(YEAR);
    let options = Options { at: shop.noon("2027-01-15") };
    let report = disposal::compile(
        &shop.state,
        &shop.label(),
        day("2026-01-01"),
        day("2026-12-31"),
        head(&shop),
        &options,
    );
    let counted: Kg = report.containers.iter().filter(|c| c.counted).map(|c| c.net_kg).sum();
    assert!(counted > Kg::ZERO);
    assert_eq!(report.shipped_kg, counted);
    let bytes = report::json::to_bytes(&report).unwrap();
    assert_eq!(bytes, report::json::to_bytes(&report).unwrap());
    let csv = String::from_utf8(disposal::to_csv(&report)).unwrap();
    assert!(csv.contains("D-1"), "{csv}");
}
