//! Check values of the waste law, one row each with its section. WV numbers and sections:
//! waste-rules.md section 11; C numbers: computations.md.

mod waste_support;

use jiff::civil::date;
use rust_decimal::Decimal;
use shopfloor::common::Day;
use shopfloor::ids::Code;
use shopfloor::quantity::{Distance, Mass, Volume};
use shopfloor::record::SiteConfig;
use shopfloor::waste::Kg;
use shopfloor::waste::category::{self, Amounts, Category};
use shopfloor::waste::clocks::{self, ClockKind, ClockState};
use shopfloor::waste::formats::{self, Form};
use shopfloor::waste::law::Law;
use shopfloor::waste::{discrepancy, episodic};
use waste_support::Shop;

fn d(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn day(text: &str) -> Day {
    Day(text.parse().unwrap())
}

fn config(jurisdiction: &str) -> SiteConfig {
    SiteConfig { jurisdiction: Some(Code::new(jurisdiction).unwrap()), ..SiteConfig::default() }
}

fn strict(jurisdiction: &str) -> SiteConfig {
    let mut config = config(jurisdiction);
    config.parameters.insert(Code::new("shop_day_count_strict").unwrap(), "1".into());
    config
}

fn category_of(acute: &str, non_acute: &str, residue: &str) -> Category {
    let amounts = Amounts {
        acute_kg: Kg(d(acute)),
        non_acute_kg: Kg(d(non_acute)),
        spill_residue_kg: Kg(d(residue)),
        ..Amounts::default()
    };
    category::category(&amounts, &Law::of(&config("us")), day("2026-06-30")).unwrap().0
}

#[test]
fn generator_categories_of_a_month() {
    use Category::{Large, Small, VerySmall};
    // (check value, acute, non-acute, spill residue in kg, category, section)
    let rows = [
        ("WV-01", "0", "100.000", "0", VerySmall, "40 CFR 260.10"),
        ("WV-02", "0", "100.001", "0", Small, "40 CFR 260.10, no rounding"),
        ("WV-03", "0", "999.999", "0", Small, "40 CFR 260.10"),
        ("WV-04", "0", "1000.000", "0", Large, "40 CFR 260.10"),
        ("WV-05", "1.000", "50", "0", VerySmall, "40 CFR 260.10"),
        ("WV-06", "1.001", "0", "0", Large, "40 CFR 260.10"),
        ("WV-07", "0.5", "500", "0", Small, "40 CFR 262.13(b), the stricter applies to both"),
        ("WV-08", "0", "10", "100", VerySmall, "40 CFR 260.10"),
        ("WV-08, above", "0", "10", "100.001", Large, "40 CFR 260.10"),
        ("WV-11", "0", "0", "0", VerySmall, "40 CFR 262.13, a month without waste"),
        ("WV-11, part", "0", "99", "0", VerySmall, "40 CFR 262.13, not scaled up"),
    ];
    for (id, acute, non_acute, residue, expected, section) in rows {
        assert_eq!(category_of(acute, non_acute, residue), expected, "{id} ({section})");
    }
}

#[test]
fn pounds_convert_by_definition_and_are_not_rounded() {
    // WV-09 (40 CFR 260.10; 1 lb = 0.45359237 kg).
    let rows = [("2204.6", "999.990", Category::Small), ("2205", "1000.171", Category::Large)];
    for (pounds, kg, expected) in rows {
        let mass = Mass::new(pounds, "[lb_av]").unwrap().base();
        assert_eq!(mass.round_dp(3), d(kg), "WV-09: {pounds} lb");
        assert_eq!(category_of("0", &mass.to_string(), "0"), expected, "WV-09: {pounds} lb");
    }
}

/// Days are counted from the start day: (check value, value, start, last day, last day when the
/// start day counts as day 1, section).
#[test]
fn time_limits_across_months_years_and_leap_days() {
    let rows = [
        (
            "WV-14",
            "us.satellite.excess_days",
            "2026-05-07",
            "2026-05-10",
            "2026-05-09",
            "262.15(a)(6), the weekend counts",
        ),
        (
            "WV-15",
            "us.satellite.excess_days",
            "2028-02-27",
            "2028-03-01",
            "2028-02-29",
            "262.15(a)(6), 29 February counts",
        ),
        (
            "WV-16",
            "us.accumulation.lqg_days",
            "2026-01-01",
            "2026-04-01",
            "2026-03-31",
            "262.17(a)",
        ),
        (
            "WV-17",
            "us.accumulation.lqg_days",
            "2027-01-15",
            "2027-04-15",
            "2027-04-14",
            "262.17(a)",
        ),
        (
            "WV-17",
            "us.accumulation.lqg_days",
            "2028-01-15",
            "2028-04-14",
            "2028-04-13",
            "262.17(a), leap year",
        ),
        (
            "WV-18",
            "us.accumulation.lqg_days",
            "2028-02-29",
            "2028-05-29",
            "2028-05-28",
            "262.17(a)",
        ),
        (
            "WV-21",
            "us.accumulation.sqg_days",
            "2027-09-01",
            "2028-02-28",
            "2028-02-27",
            "262.16(b)",
        ),
        (
            "WV-28",
            "us.exception.lqg.contact_days",
            "2026-01-10",
            "2026-02-24",
            "2026-02-23",
            "262.42(a) new",
        ),
        (
            "WV-28",
            "us.exception.lqg.report_days",
            "2026-01-10",
            "2026-03-11",
            "2026-03-10",
            "262.42(a) new",
        ),
        (
            "WV-29",
            "us.exception.sqg.report_days",
            "2026-01-10",
            "2026-03-11",
            "2026-03-10",
            "262.42(b)",
        ),
        (
            "old text",
            "us.exception.lqg.contact_days",
            "2025-01-21",
            "2025-02-25",
            "2025-02-24",
            "262.42(a)(1) before 89 FR 60692: 35 days",
        ),
        (
            "old text",
            "us.exception.lqg.report_days",
            "2025-01-21",
            "2025-03-07",
            "2025-03-06",
            "262.42(a)(2) before 89 FR 60692: 45 days",
        ),
        (
            "new text",
            "us.exception.lqg.report_days",
            "2025-01-22",
            "2025-03-23",
            "2025-03-22",
            "262.42(a)(2) as revised: 60 days",
        ),
        (
            "WV-33",
            "us.discrepancy.settle_days",
            "2026-06-15",
            "2026-06-30",
            "2026-06-29",
            "264.72(c), default 15",
        ),
        (
            "C20",
            "us.accumulation.lqg_days",
            "2026-09-03",
            "2026-12-02",
            "2026-12-01",
            "computations.md C20",
        ),
        (
            "C20",
            "us.accumulation.sqg_days",
            "2026-09-03",
            "2027-03-02",
            "2027-03-01",
            "computations.md C20",
        ),
        (
            "C20",
            "us.exception.lqg.contact_days",
            "2026-11-01",
            "2026-12-16",
            "2026-12-15",
            "computations.md C20",
        ),
        (
            "C20",
            "us.exception.lqg.report_days",
            "2026-11-01",
            "2026-12-31",
            "2026-12-30",
            "computations.md C20",
        ),
    ];
    let (usual, strict) = (config("us"), strict("us"));
    for (id, value, start, last, last_strict, section) in rows {
        for (config, expected) in [(&usual, last), (&strict, last_strict)] {
            let law = Law::of(config);
            let limit = law.find(value, day(start)).unwrap();
            assert_eq!(law.last_day(day(start), &limit), day(expected), "{id} {value} ({section})");
        }
    }
}

#[test]
fn an_unconfirmed_value_is_a_parameter_the_site_may_set() {
    // WV-33 (264.72(c)): new value 20 not confirmed: 2026-07-05 only when the site sets it.
    let mut config = config("us");
    let law = Law::of(&config);
    let limit = law.find("us.discrepancy.settle_days", day("2026-06-15")).unwrap();
    assert!(limit.rule.unconfirmed());
    config.parameters.insert(Code::new("us_discrepancy_settle_days").unwrap(), "20".into());
    let law = Law::of(&config);
    let limit = law.find("us.discrepancy.settle_days", day("2026-06-15")).unwrap();
    assert_eq!(law.last_day(day("2026-06-15"), &limit), day("2026-07-05"));
    assert_eq!(limit.rule.site_instead_of.as_deref(), Some("15"));
}

#[test]
fn the_longer_limit_needs_two_hundred_miles() {
    // (check value, distance, unit, days, section)
    let rows = [
        ("WV-22", "199.9", "[mi_i]", 180, "262.16(c)"),
        ("200 mi", "200", "[mi_i]", 270, "262.16(c), 200 miles or more"),
        ("WV-23", "322", "km", 270, "262.16(c), 200.08 mi"),
        ("WV-23", "321", "km", 180, "262.16(c), 199.46 mi"),
    ];
    let config = config("us");
    let law = Law::of(&config);
    for (id, digits, unit, days, section) in rows {
        let km = Distance::new(digits, unit).unwrap().base();
        let (limit, _) =
            clocks::small_limit(&law, km, day("2026-03-01"), "us.accumulation.sqg").unwrap();
        assert_eq!(limit.value, Decimal::from(days), "{id} ({section})");
    }
    // WV-22: 2026-03-01 + 180 days.
    let near = law.find("us.accumulation.sqg_days", day("2026-03-01")).unwrap();
    assert_eq!(law.last_day(day("2026-03-01"), &near), day("2026-08-28"));
}

#[test]
fn quantities_on_site_have_their_boundary_in_the_rule() {
    // (check value, value, kg, reached, section)
    let rows = [
        ("WV-25", "us.accumulation.sqg_site_kg", "6000.0", false, "262.16(b)(1)"),
        ("WV-25", "us.accumulation.sqg_site_kg", "6000.1", true, "262.16(b)(1)"),
        ("WV-26", "us.accumulation.vsqg_kg", "999.9", false, "262.14(a)(4)"),
        ("WV-26", "us.accumulation.vsqg_kg", "1000.0", true, "262.14(a)(4)"),
        ("acute", "us.accumulation.vsqg_acute_kg", "1", false, "262.14(a)(3)"),
        ("acute", "us.accumulation.vsqg_acute_kg", "1.001", true, "262.14(a)(3)"),
    ];
    let config = config("us");
    let law = Law::of(&config);
    for (id, value, kg, reached, section) in rows {
        let limit = law.find(value, day("2026-03-10")).unwrap();
        assert_eq!(limit.reached_by(d(kg)), reached, "{id} {kg} kg ({section})");
    }
    // WV-26: the clock of 180 days from 2026-03-10.
    let limit = law.find("us.accumulation.vsqg_days", day("2026-03-10")).unwrap();
    assert_eq!(law.last_day(day("2026-03-10"), &limit), day("2026-09-06"));
}

#[test]
fn legal_tests_of_received_shipments() {
    let config = config("us");
    let law = Law::of(&config);
    let on = day("2026-06-15");
    // WV-31 (264.72(b)): bulk, 1,000 kg on the manifest.
    for (received, significant) in
        [("1100", false), ("1100.1", true), ("900", false), ("899.9", true)]
    {
        let test = discrepancy::weights(&law, Kg(d("1000")), Kg(d(received)), 1, true, on);
        assert_eq!(test.significant, Some(significant), "WV-31: {received} kg");
    }
    // WV-32 (264.72(b)): batch, 12 drums, 11 received, same total weight.
    let pieces = discrepancy::pieces(&law, 12, 11, on);
    assert_eq!(pieces.significant, Some(true), "WV-32");
    let same = discrepancy::weights(&law, Kg(d("1000")), Kg(d("1000")), 12, false, on);
    assert_eq!(same.significant, None, "WV-32: weight is not the legal test of a batch");
    // C7: 41.32 +- 0.10 and 41.05 +- 0.20; pieces 4 and 3.
    let test = discrepancy::weights(&law, Kg(d("41.32")), Kg(d("41.05")), 1, true, on);
    assert_eq!((test.e_n.as_str(), test.agree), ("1.20748", false), "C7");
    assert_eq!((test.percent.as_str(), test.significant), ("0.653437", Some(false)), "C7");
    assert_eq!(discrepancy::pieces(&law, 4, 3, on).significant, Some(true), "C7");
}

#[test]
fn forms_of_numbers_and_codes() {
    let form = |form: Form| match form {
        Form::Good => "good",
        Form::Unusual(_) => "unusual",
        Form::Bad(_) => "bad",
    };
    // WV-34 (262.21(f)(2)).
    for (number, expected) in [
        ("012345678ABC", "good"),
        ("12345678ABC", "bad"),
        ("0123456789AB", "bad"),
        ("012345678AB1", "bad"),
        ("012345678abc", "bad"),
    ] {
        assert_eq!(form(formats::manifest_number(number)), expected, "WV-34: {number}");
    }
    // EPA ID: length is certain, the rest only usual (waste-rules.md section 6, formats).
    for (id, expected) in
        [("VAD000000001", "good"), ("VAX000000001", "unusual"), ("VAD00000001", "bad")]
    {
        assert_eq!(form(formats::epa_id(id)), expected, "{id}");
    }
    // WV-47 (UK consignment code since 2016-04-01).
    for (code, expected) in [
        ("ACMEMF/00A17", "good"),
        ("ACMEMF/00A17B", "good"),
        ("ACME-F/00A17", "bad"),
        ("ACMEMF/00A1", "bad"),
        ("ACMEMF/00A171", "bad"),
        ("ACMEM/00A17", "bad"),
    ] {
        assert_eq!(form(formats::consignment_code(code)), expected, "WV-47: {code}");
    }
    // WV-42 (2000/532/EC): no such entry; asterisk missing.
    for (code, expected) in [
        ("12 01 05", "good"),
        ("12 01 05*", "bad"),
        ("15 02 02*", "good"),
        ("15 02 02", "bad"),
        ("20 01 99", "unusual"),
    ] {
        assert_eq!(form(formats::list_of_waste(code)), expected, "WV-42: {code}");
    }
    // WV-45 (2008/98/EC Annex I).
    for (code, expected) in
        [("D10", "good"), ("R4", "good"), ("H040", "good"), ("D11", "bad"), ("X1", "unusual")]
    {
        assert_eq!(form(formats::method(code)), expected, "WV-45: {code}");
    }
}

#[test]
fn codes_that_contradict_each_other_are_told_to_the_person() {
    // WV-43 (2000/532/EC): 15 02 03 with HP3: the mirror entry is required.
    // WV-35 (form 8700-22, item 13): seven codes on a line.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-01-05 08:00 op_e1 stream.determined stream/A material=PA12 description=filters determination=hazardous codes.list_of_waste=~15_02_03 codes.hp=[HP3] decided_by=op_e1 basis=test jurisdiction=us
! waste.codes_contradict
2026-01-05 08:01 op_e1 stream.determined stream/B material=Ti64 description=dust determination=hazardous codes.list_of_waste=~12_01_04 codes.hp=[HP3] decided_by=op_e1 basis=test jurisdiction=us
! waste.codes_contradict
2026-01-05 08:02 op_e1 stream.determined stream/C material=PA12 description=dust determination=hazardous codes.rcra=[D001,D002,D003,D004,D005,D006,D007] decided_by=op_e1 basis=test jurisdiction=us
! waste.too_many_codes
2026-01-05 08:03 op_e1 stream.determined stream/D material=PA12 description=dust determination=hazardous codes.list_of_waste=~12_01_05* decided_by=op_e1 basis=test jurisdiction=us
! waste.code_form
2026-01-05 08:04 op_e1 stream.determined stream/E material=Be description=powder determination=hazardous codes.rcra=[P015] decided_by=op_e1 basis=knowledge jurisdiction=us
! waste.codes_contradict
2026-01-05 08:05 op_e1 stream.determined stream/F material=PA12 description=filters determination=hazardous codes.list_of_waste=~15_02_02* codes.hp=[HP3] decided_by=op_e1 basis=test jurisdiction=eu
! waste.jurisdiction_differs
");
}

#[test]
fn a_limit_value_of_the_toxicity_test_is_reached_at_the_value() {
    // WV-48 (261.24): chromium.
    let config = config("us");
    let law = Law::of(&config);
    let codes =
        |result: &str| episodic::toxicity_codes(&law, "chromium", d(result), day("2026-06-01"));
    assert_eq!(codes("5.0"), ["D007"]);
    assert!(codes("4.99").is_empty());
}

#[test]
fn episodic_events_are_planned_and_few() {
    let config = config("us");
    let law = Law::of(&config);
    // WV-39 (262.232): notify 30 days before, conclude within 60 days.
    let plan = episodic::plan(&law, day("2026-03-02")).unwrap();
    assert_eq!(plan.notify_by, day("2026-01-31"));
    assert_eq!(plan.conclude_by, day("2026-05-01"));
    // WV-40 (262.232(a)(1)): a second one in a year without a petition is refused.
    let allowed = |had, petition| episodic::allowed(&law, day("2026-09-01"), had, petition);
    assert_eq!(allowed(0, false), Some(true));
    assert_eq!(allowed(1, false), Some(false));
    assert_eq!(allowed(1, true), Some(true));
    assert_eq!(allowed(2, true), Some(false));
}

#[test]
fn records_are_kept_from_the_day_the_law_names() {
    let rows = [
        ("WV-36", "us", "us.retention.manifest_years", "2026-02-10", "2029-02-10", "262.40(a)"),
        (
            "WV-37",
            "us",
            "us.retention.report_years",
            "2026-03-01",
            "2029-03-01",
            "262.40(b), from the due date",
        ),
        ("WV-44", "eu", "eu.retention.producer_years", "2026-05-04", "2029-05-04", "Art. 35(2)"),
        (
            "WV-44",
            "eu",
            "eu.retention.transporter_months",
            "2026-05-04",
            "2027-05-04",
            "Art. 35(2)",
        ),
        ("leap day", "us", "us.retention.manifest_years", "2028-02-29", "2031-03-01", "Dates"),
    ];
    for (id, jurisdiction, value, from, until, section) in rows {
        let config = config(jurisdiction);
        let law = Law::of(&config);
        let period = law.find(value, day(from)).unwrap();
        assert_eq!(law.keep_until(day(from), &period), day(until), "{id} ({section})");
    }
}

#[test]
fn returns_and_reports_fall_due_on_fixed_days() {
    // WV-46 (SI 2005/894 reg. 53(4)).
    let uk = config("uk_eng");
    let law = Law::of(&uk);
    for (received, due) in [
        ("2026-01-01", "2026-04-30"),
        ("2026-03-31", "2026-04-30"),
        ("2026-04-01", "2026-07-31"),
        ("2026-09-30", "2026-10-31"),
        ("2026-11-30", "2027-01-31"),
    ] {
        let limit = law.find("uk.consignee.return_months", day(received)).unwrap();
        assert_eq!(clocks::return_due(day(received), &limit), day(due), "WV-46: {received}");
    }
    // WV-37, WV-38 (262.41): odd years only, 1 March of the next.
    let us = config("us");
    let law = Law::of(&us);
    for (year, due) in [(2025, Some("2026-03-01")), (2026, None), (2027, Some("2028-03-01"))] {
        let found = clocks::biennial_due(&law, year).map(|(due, _)| due);
        assert_eq!(found, due.map(day), "WV-38: {year}");
    }
}

#[test]
fn a_satellite_drum_counts_by_volume_there_and_by_mass_in_the_month() {
    // WV-12 (262.15(a), 260.10): 55 gal of titanium alloy powder at 2.5 kg/L is 520.49 kg.
    let litres = Volume::new("55", "[gal_us]").unwrap().base();
    let kg = litres * d("2.5");
    assert_eq!(kg.round_dp(2), d("520.49"));
    let fill = |shop: &mut Shop, mass: &str| {
        shop.parameter("bulk_density_ti64", "2.5");
        shop.play(&format!("
2026-05-04 08:00 op_e1 stream.determined stream/TI material=Ti64 description=alloy_powder determination=hazardous codes.rcra=[D003] decided_by=op_e1 basis=test jurisdiction=us
2026-05-04 09:00 op_t1 container.opened container/D-1 stream=TI tare=9.80kg area=satellite location=SAA-1 capacity=55gal
2026-05-04 09:30 op_t1 waste.added container/D-1 what=powder mass=300kg
2026-05-07 10:00 op_t1 waste.added container/D-1 what=powder mass={mass}kg
"));
    };
    let mut shop = Shop::new("us", "America/New_York");
    fill(&mut shop, "220.4891");
    let month = category::Month::of(day("2026-05-07"));
    let view = category::month(&shop.state, &shop.label(), month, shop.noon("2026-05-31"));
    assert_eq!(view.category, Some(Category::Small), "WV-12");
    let clocks = clocks::clocks(&shop.state, &shop.label(), shop.noon("2026-05-07"));
    assert!(!clocks.iter().any(|c| c.kind == ClockKind::SatelliteExcess), "WV-12, WV-13");

    // WV-13 (262.15(a)(6)): exactly 55.0 gal is not exceeded; any more starts the 3 days of WV-14.
    let exact = (kg - d("300")).normalize().to_string();
    let mut shop = Shop::new("us", "America/New_York");
    fill(&mut shop, &exact);
    let at = shop.noon("2026-05-08");
    let clocks = clocks::clocks(&shop.state, &shop.label(), at);
    assert!(!clocks.iter().any(|c| c.kind == ClockKind::SatelliteExcess), "WV-13");
    shop.play("2026-05-07 11:00 op_t1 waste.added container/D-1 what=powder mass=0.001kg");
    let clocks = clocks::clocks(&shop.state, &shop.label(), at);
    let clock = clocks.iter().find(|c| c.kind == ClockKind::SatelliteExcess).expect("WV-14");
    assert_eq!((clock.start, clock.last_day), (day("2026-05-07"), day("2026-05-10")), "WV-14");
    // Moved to the central area, the excess is gone.
    shop.play("2026-05-08 11:00 op_t1 container.moved container/D-1 from.area=satellite from.location=SAA-1 to.area=central to.location=CAA-1 giver=op_t1 receiver=op_e1");
    let clocks = clocks::clocks(&shop.state, &shop.label(), at);
    assert!(!clocks.iter().any(|c| c.kind == ClockKind::SatelliteExcess));
}

#[test]
fn a_month_is_the_months_of_the_site_calendar() {
    // WV-10 (262.13): 120 kg in two entries on 31 January, one late in the local evening when it
    // is February already in UTC.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-01-05 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-01-05 09:00 op_t1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2026-01-31 09:00 op_t1 waste.added container/D-1 what=powder mass=60kg
2026-01-31 22:30 op_t1 waste.added container/D-1 what=powder mass=60kg
");
    let months = category::month_views(
        &shop.state,
        &shop.label(),
        day("2026-01-01"),
        day("2026-12-31"),
        shop.noon("2026-03-01"),
    );
    let categories: Vec<_> = months.iter().map(|m| (m.month.to_string(), m.category)).collect();
    assert_eq!(categories, [("2026-01".to_owned(), Some(Category::Small))], "WV-10");
}

#[test]
fn the_forecast_warns_before_the_month_tips() {
    // C21: 86 kg by the 20th of a 30-day month: margin 14 kg, forecast 129 kg, warn.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-06-01 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-06-01 09:00 op_t1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2026-06-04 09:00 op_t1 waste.added container/D-1 what=powder mass=50kg
2026-06-20 09:00 op_t1 waste.added container/D-1 what=powder mass=36kg
");
    let month = category::Month::of(day("2026-06-20"));
    let view = category::month(&shop.state, &shop.label(), month, shop.noon("2026-06-20"));
    let forecast = view.forecast.unwrap();
    assert_eq!(view.margin_kg, Some(Kg(d("14"))), "C21");
    assert_eq!((forecast.non_acute_kg, forecast.category), (Kg(d("129")), Category::Small), "C21");
    assert!(view.warn, "C21");
    assert!(view.changes.iter().any(|c| c.then == "180 days"), "{:?}", view.changes);
    // Once the month is over there is nothing to forecast.
    let view = category::month(&shop.state, &shop.label(), month, shop.noon("2026-07-01"));
    assert_eq!((view.category, view.forecast), (Some(Category::VerySmall), None));
}

/// A shop whose month makes it a small or large generator, with one drum that has left.
fn shipped(zone: &str, kg: &str) -> Shop {
    let mut shop = Shop::new("us", zone);
    shop.play(&format!("
2026-01-02 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-01-02 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1 capacity=55gal
2026-01-02 10:00 op_e1 waste.added container/D-1 what=powder mass={kg}kg
2026-01-02 11:00 op_e1 container.closed container/D-1 checks=[]
2026-01-10 08:00 op_e1 shipment.offered shipment/S-1 document.kind=manifest document.number=012345678ABC containers=[D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1
! waste.shipped_unweighed
2026-01-10 09:00 op_e1 shipment.accepted shipment/S-1 transporter=TR-1 leg=1 day=2026-01-10
"));
    shop
}

fn kinds(shop: &Shop, on: &str) -> Vec<(ClockKind, Day, ClockState)> {
    clocks::clocks(&shop.state, &shop.label(), shop.noon(on))
        .into_iter()
        .filter(|c| c.subject.to_string() == "shipment/S-1")
        .map(|c| (c.kind, c.last_day, c.state))
        .collect()
}

#[test]
fn the_receipt_is_waited_for_by_category() {
    use ClockKind::{AskForCopy, ExceptionReport};
    use ClockState::{Due, DueSoon, Overdue, WithinLimit};
    // WV-28 (262.42(a)): large: contact by 2026-02-24, report by 2026-03-11, electronic.
    let large = shipped("America/New_York", "1200");
    assert_eq!(
        kinds(&large, "2026-01-20"),
        [
            (AskForCopy, day("2026-02-24"), WithinLimit),
            (ExceptionReport, day("2026-03-11"), WithinLimit)
        ],
        "WV-28"
    );
    let all = clocks::clocks(&large.state, &large.label(), large.noon("2026-01-20"));
    let report = all.iter().find(|c| c.kind == ExceptionReport).unwrap();
    assert!(report.notes.contains(&clocks::ClockNote::Electronic), "WV-28");
    assert!(report.unconfirmed, "section 13 no. 3");
    // WV-29 (262.42(b)): small: no contact step.
    let small = shipped("America/New_York", "200");
    assert_eq!(
        kinds(&small, "2026-03-01"),
        [(ExceptionReport, day("2026-03-11"), DueSoon)],
        "WV-29"
    );
    // WV-30 (262.42): the copy on day 60 exactly ends the duty; on day 61 it is overdue.
    assert_eq!(kinds(&small, "2026-03-11"), [(ExceptionReport, day("2026-03-11"), Due)]);
    assert_eq!(kinds(&small, "2026-03-12"), [(ExceptionReport, day("2026-03-11"), Overdue)]);
    let mut small = small;
    small.play("2026-03-11 17:00 op_e1 shipment.delivered shipment/S-1 facility=FA-1 received=[D-1=200kg] pieces=1 day=2026-01-12 signed_copy=<digest>");
    assert!(!kinds(&small, "2026-03-12").iter().any(|(k, ..)| *k == ExceptionReport), "WV-30");
}

#[test]
fn accumulation_clocks_of_drums() {
    let open = |kg: &str, start: &str, distance: Option<&str>| {
        let mut shop = Shop::new("us", "America/New_York");
        if let Some(km) = distance {
            shop.parameter("shop_facility_distance_km", km);
        }
        shop.play(&format!("
{start} 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
{start} 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1 capacity=55gal
{start} 10:00 op_e1 waste.added container/D-1 what=powder mass={kg}kg
"));
        shop
    };
    let last = |shop: &Shop, on: &str| {
        clocks::clocks(&shop.state, &shop.label(), shop.noon(on))
            .into_iter()
            .find(|c| c.kind == ClockKind::Accumulation)
            .map(|c| c.last_day)
    };
    // (check value, kg, start, distance, last day, section)
    let rows = [
        ("WV-16", "1500", "2026-01-01", None, Some("2026-04-01"), "262.17(a)"),
        ("WV-24", "1500", "2026-01-01", Some("804.672"), Some("2026-04-01"), "262.17, 500 mi"),
        ("WV-21", "500", "2027-09-01", None, Some("2028-02-28"), "262.16(b)"),
        ("WV-22", "500", "2026-03-01", Some("321.7078"), Some("2026-08-28"), "262.16(b), 199.9 mi"),
        ("WV-23", "500", "2026-03-01", Some("322"), Some("2026-11-26"), "262.16(c)"),
        ("WV-23", "500", "2026-03-01", Some("321"), Some("2026-08-28"), "262.16(c)"),
        ("very small", "50", "2026-03-01", None, None, "262.14, no limit in days"),
    ];
    for (id, kg, start, distance, expected, section) in rows {
        let shop = open(kg, start, distance);
        assert_eq!(last(&shop, start), expected.map(day), "{id} ({section})");
    }
    // WV-19 (262.17(b)): a granted extension of 30 days; WV-20: 45 days are refused.
    let mut shop = open("1500", "2026-01-01", None);
    shop.play("2026-03-20 09:00 op_e1 accumulation.extended container/D-1 days=45 granted_by=agency reference=X-1\n! waste.extension_too_long");
    assert_eq!(last(&shop, "2026-03-20"), Some(day("2026-04-01")), "WV-20");
    shop.play("2026-03-21 09:00 op_e1 accumulation.extended container/D-1 days=30 granted_by=agency reference=X-2");
    assert_eq!(last(&shop, "2026-03-21"), Some(day("2026-05-01")), "WV-19");
}

#[test]
fn a_very_small_generator_gets_a_clock_at_a_quantity() {
    // WV-26 (262.14(a)(4)): 1,000.0 kg on site on 2026-03-10, gathered by 99.9 kg a month.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2025-05-01 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2025-05-01 09:00 op_e1 container.opened container/D-1 stream=A tare=90kg area=central location=CAA-1 capacity=1000L
");
    let mut month = date(2025, 5, 10);
    for _ in 0..10 {
        shop.play(&format!(
            "{month} 10:00 op_e1 waste.added container/D-1 what=powder mass=99.9kg"
        ));
        month = month.checked_add(jiff::Span::new().months(1)).unwrap();
    }
    let quantity = |shop: &Shop| {
        clocks::clocks(&shop.state, &shop.label(), shop.noon("2026-03-10"))
            .into_iter()
            .find(|c| c.kind == ClockKind::SiteQuantity)
    };
    assert!(quantity(&shop).is_none(), "999.0 kg");
    shop.play("2026-03-10 10:00 op_e1 waste.added container/D-1 what=powder mass=0.9kg");
    assert!(quantity(&shop).is_none(), "WV-26: 999.9 kg");
    shop.play("2026-03-10 11:00 op_e1 waste.added container/D-1 what=powder mass=0.1kg");
    let clock = quantity(&shop).expect("WV-26: 1,000.0 kg");
    assert_eq!((clock.start, clock.last_day), (day("2026-03-10"), day("2026-09-06")), "WV-26");
}

#[test]
fn weekly_means_at_most_seven_days() {
    // WV-27 (262.17(a)(1)(v)): inspections on 1, 8 and 16 June 2026.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-05-30 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-05-30 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2026-05-30 10:00 op_e1 waste.added container/D-1 what=powder mass=20.00kg
2026-06-01 08:00 op_e1 area.inspected area/CAA-1 area=central containers=[D-1] leaks=false closed=true labels_readable=true result=pass
2026-06-08 17:00 op_e1 area.inspected area/CAA-1 area=central containers=[D-1] leaks=false closed=true labels_readable=true result=pass
2026-06-16 08:00 op_e1 area.inspected area/CAA-1 area=central containers=[D-1] leaks=false closed=true labels_readable=true result=pass
! waste.inspection_gap
");
}

#[test]
fn signatures_of_a_shipment_go_forward() {
    // WV-41 (262.23, 263.20): the transporter dated before the generator; legs out of order.
    let mut shop = Shop::new("us", "America/New_York");
    shop.play("
2026-01-02 08:00 op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
2026-01-02 09:00 op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
2026-01-02 10:00 op_e1 waste.added container/D-1 what=powder mass=20.00kg
2026-01-02 11:00 op_e1 container.closed container/D-1 checks=[]
2026-01-02 11:05 op_e1 container.weighed container/D-1 gross=29.80kg scale=SC-1
2026-01-10 08:00 op_e1 shipment.offered shipment/S-1 document.kind=manifest document.number=012345678ABC containers=[D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1
2026-01-10 09:00 op_e1 shipment.accepted shipment/S-1 transporter=TR-1 leg=1 day=2026-01-09
! waste.transporter_order
2026-01-10 10:00 op_e1 shipment.accepted shipment/S-1 transporter=TR-2 leg=3 day=2026-01-10
! waste.transporter_order
2026-01-11 10:00 op_e1 shipment.delivered shipment/S-1 facility=FA-1 received=[D-1=20.00kg] pieces=1 day=2026-01-08
! waste.transporter_order
");
}

/// A clock starts and ends with days of the site's own calendar: (zone, local time of the first
/// waste, the same instant in UTC, last day of the 90 days of 40 CFR 262.17(a), what it shows).
#[test]
fn a_clock_runs_on_the_days_of_the_site() {
    let rows = [
        (
            "America/New_York",
            "2026-01-01 23:59",
            "2026-01-02T04:59:00Z",
            "2026-04-01",
            "WV-16, late",
        ),
        (
            "Pacific/Auckland",
            "2026-01-01 00:01",
            "2025-12-31T11:01:00Z",
            "2026-04-01",
            "WV-16, early",
        ),
        ("Pacific/Kiritimati", "2026-01-01 00:00", "2025-12-31T10:00:00Z", "2026-04-01", "UTC+14"),
        ("Pacific/Pago_Pago", "2026-01-01 23:00", "2026-01-02T10:00:00Z", "2026-04-01", "UTC-11"),
        (
            "Asia/Kathmandu",
            "2027-12-01 00:10",
            "2027-11-30T18:25:00Z",
            "2028-02-29",
            "to a leap day",
        ),
        ("Europe/Berlin", "2028-02-29 23:30", "2028-02-29T22:30:00Z", "2028-05-29", "WV-18"),
        (
            "America/New_York",
            "2026-03-08 01:30",
            "2026-03-08T06:30:00Z",
            "2026-06-06",
            "clock put on",
        ),
        (
            "Europe/Berlin",
            "2026-10-25 23:30",
            "2026-10-25T22:30:00Z",
            "2027-01-23",
            "clock put back",
        ),
        ("America/Havana", "2027-03-14 01:00", "2027-03-14T05:00:00Z", "2027-06-12", "no midnight"),
        ("UTC", "2099-12-15 12:00", "2099-12-15T12:00:00Z", "2100-03-15", "2100 has no leap day"),
    ];
    for (zone, first, instant, last, what) in rows {
        let mut shop = Shop::new("us", zone);
        let (start, minute) = first.split_once(' ').unwrap();
        assert_eq!(shop.local(start, minute), instant.parse().unwrap(), "{what}");
        shop.play(&format!("
{start} {minute} op_e1 stream.determined stream/A material=PA12 description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us
{start} {minute} op_e1 container.opened container/D-1 stream=A tare=9.80kg area=central location=CAA-1
{start} {minute} op_e1 waste.added container/D-1 what=powder mass=1500kg
"));
        let clock = |at: jiff::Timestamp| {
            let all = clocks::clocks(&shop.state, &shop.label(), at);
            all.into_iter().find(|c| c.kind == ClockKind::Accumulation).expect("a clock")
        };
        let told = clock(shop.noon(start));
        assert_eq!((told.start, told.last_day), (day(start), day(last)), "{zone}: {what}");
        // In time until the last local minute of the last day, late from the next minute on.
        let end = shop.local(last, "23:59");
        assert_eq!(clock(end).state, ClockState::Due, "{zone}: {what}");
        let after = end + jiff::SignedDuration::from_mins(1);
        assert_eq!(clock(after).state, ClockState::Overdue, "{zone}: {what}");
    }
}

/// waste-rules.md section 11 has 48 check values: each must be asserted by name in these files.
#[test]
fn every_check_value_has_its_row() {
    let files = [
        include_str!("waste_law.rs"),
        include_str!("waste_places.rs"),
        include_str!("waste_scenarios.rs"),
    ];
    let mut rows = 0;
    for number in 1..=48 {
        let id = format!("\"WV-{number:02}");
        let told = format!("// WV-{number:02}");
        let named = |file: &&str| file.matches(&id).count() + file.matches(&told).count();
        let count: usize = files.iter().map(named).sum();
        assert!(count > 0, "WV-{number:02} has no row");
        rows += count;
    }
    println!("waste-rules.md section 11: 48 of 48 check values in {rows} rows");
}
