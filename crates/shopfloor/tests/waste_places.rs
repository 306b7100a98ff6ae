//! The same drum under other rules: England, the Union, a strict count, a stricter site.

mod waste_support;

use shopfloor::common::Day;
use shopfloor::waste::clocks::{self, Clock, ClockKind, ClockState};
use shopfloor::waste::law::Law;
use shopfloor::waste::{notices, retention};
use waste_support::Shop;

fn day(text: &str) -> Day {
    Day(text.parse().unwrap())
}

/// A drum that was begun in January and left in March under a document of the place.
fn drum(jurisdiction: &str, zone: &str, document: &str) -> Shop {
    let mut shop = Shop::new(jurisdiction, zone);
    shop.play(&format!("
2026-01-05 08:00 op_e1 stream.determined stream/FILTERS material=PA12 description=filters determination=hazardous codes.list_of_waste=~15_02_02* codes.hp=[HP3] decided_by=op_e1 basis=test jurisdiction={jurisdiction}
2026-01-05 09:00 op_e1 container.opened container/D-1 stream=FILTERS tare=9.80kg area=central location=L-1 capacity=200L
2026-01-05 10:00 op_e1 waste.added container/D-1 what=filter mass=12.00kg item=HF-1
2026-03-30 08:00 op_e1 container.closed container/D-1 checks=[lid_tight+]
2026-03-30 08:05 op_e1 container.weighed container/D-1 gross=21.80kg scale=SC-1
2026-03-30 09:00 op_e1 shipment.offered shipment/S-1 {document} containers=[D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1
2026-03-30 10:00 op_e1 shipment.accepted shipment/S-1 transporter=TR-1 leg=1 day=2026-03-30
2026-03-31 10:00 op_e1 shipment.delivered shipment/S-1 facility=FA-1 received=[D-1=12.05kg] pieces=1 day=2026-03-31 signed_copy=<digest>
"));
    shop
}

fn find(shop: &Shop, kind: ClockKind, on: &str) -> Option<Clock> {
    clocks::clocks(&shop.state, &shop.label(), shop.noon(on)).into_iter().find(|c| c.kind == kind)
}

#[test]
fn in_england_the_producer_waits_for_the_quarterly_return() {
    let document = "document.kind=consignment_note document.number=BRACKW/00A17";
    let shop = drum("uk_eng", "Europe/London", document);
    // WV-46 (SI 2005/894 reg. 53(4)): received 2026-03-31, return due 2026-04-30.
    let clock = find(&shop, ClockKind::ConsigneeReturn, "2026-04-10").unwrap();
    assert_eq!((clock.last_day, clock.state), (day("2026-04-30"), ClockState::WithinLimit));
    assert_eq!(clock.rules[0].section, "SI 2005/894 reg. 53(4)");
    // No rule of the United States is asked.
    let all = clocks::clocks(&shop.state, &shop.label(), shop.noon("2026-04-10"));
    assert!(all.iter().flat_map(|c| &c.rules).all(|r| r.jurisdiction != "US"), "{all:#?}");
    // Register: three years at the premises.
    let kept = retention::retention(&shop.state, &shop.label(), shop.noon("2026-04-10"));
    let entry = kept.iter().find(|r| r.record == retention::RecordKind::RegisterEntry).unwrap();
    assert_eq!(entry.keep_until, Some(day("2029-03-30")));
}

#[test]
fn in_the_union_storage_before_disposal_lasts_less_than_a_year() {
    let mut shop = Shop::new("eu", "Europe/Berlin");
    shop.play("
2026-01-05 08:00 op_e1 stream.determined stream/FILTERS material=PA12 description=filters determination=hazardous codes.list_of_waste=~15_02_02* codes.hp=[HP3] decided_by=op_e1 basis=test jurisdiction=eu
2026-01-05 09:00 op_e1 container.opened container/D-1 stream=FILTERS tare=9.80kg area=central location=L-1 capacity=200L
2026-01-05 10:00 op_e1 waste.added container/D-1 what=filter mass=12.00kg item=HF-1
");
    // 1999/31/EC Art. 2(g): less than one year, so the last day is the day before the birthday.
    let clock = find(&shop, ClockKind::Accumulation, "2026-02-01").unwrap();
    assert_eq!(clock.last_day, day("2027-01-04"));
    assert!(clock.unconfirmed && clock.category.is_none());
    // The list of waste is that of the date of the waste event (Delegated Decision 2025/934).
    let law = Law::of(shop.state.record.site(&shop.label()));
    let list = |on: &str| {
        let rules = law.in_force(day(on));
        rules.into_iter().find(|r| r.id == "eu.low.decision").unwrap().value
    };
    assert!(list("2026-11-08").contains("842 codes, 408 with asterisk"));
    assert!(list("2026-11-09").contains("2025/934"));
}

#[test]
fn notices_are_those_of_the_place() {
    let shop = Shop::new("eu_de", "Europe/Berlin");
    let law = Law::of(shop.state.record.site(&shop.label()));
    let ids: Vec<&str> = notices::for_site(&law).map(|n| n.id).collect();
    assert!(ids.contains(&"mirror_entries") && !ids.contains(&"federal_only"), "{ids:?}");
}

#[test]
fn a_site_counts_strictly_and_sets_a_shorter_limit() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-01-01 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-01-01 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2026-01-01 10:00 op_e1 waste.added container/D-1 what=powder mass=1500kg
");
    let last = |shop: &Shop| find(shop, ClockKind::Accumulation, "2026-01-02").unwrap();
    assert_eq!(last(&shop).last_day, day("2026-04-01"));
    shop.parameter("shop_day_count_strict", "1");
    assert_eq!(last(&shop).last_day, day("2026-03-31"));
    assert!(last(&shop).strict_count);
    shop.parameter("us_accumulation_lqg_days", "75");
    let clock = last(&shop);
    assert_eq!(clock.last_day, day("2026-03-16"));
    assert_eq!(clock.rules.last().unwrap().site_instead_of.as_deref(), Some("90"));
    // A laxer value than a confirmed one is told and not used.
    shop.parameter("us_accumulation_lqg_days", "120");
    let clock = last(&shop);
    assert_eq!(clock.last_day, day("2026-03-31"));
    assert_eq!(clock.rules.last().unwrap().site_refused.as_deref(), Some("120"));
}

#[test]
fn a_site_that_manages_itself_as_large_has_its_clocks() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-01-01 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-01-01 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2026-01-01 10:00 op_e1 waste.added container/D-1 what=powder mass=5kg
");
    assert!(find(&shop, ClockKind::Accumulation, "2026-01-02").is_none());
    shop.parameter("shop_category_floor", "3");
    let clock = find(&shop, ClockKind::Accumulation, "2026-01-02").unwrap();
    assert_eq!(clock.last_day, day("2026-04-01"));
}

#[test]
fn a_large_year_is_reported_in_the_even_year() {
    // WV-38 (262.41): large only in August 2027.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2027-01-04 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2027-01-04 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2027-01-04 10:00 op_e1 waste.added container/D-1 what=powder mass=50kg
2027-08-02 10:00 op_e1 waste.added container/D-1 what=powder mass=1000kg
");
    let clock = find(&shop, ClockKind::BiennialReport, "2028-01-10").unwrap();
    assert_eq!((clock.last_day, clock.state), (day("2028-03-01"), ClockState::WithinLimit));
}
