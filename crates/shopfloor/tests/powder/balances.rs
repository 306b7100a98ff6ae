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
