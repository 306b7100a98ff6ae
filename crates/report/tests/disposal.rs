//! The disposal report: totals that are sums of listed entries, corrections in plain sight, the
//! same bytes for the same log.

#[path = "../../shopfloor/tests/waste_support/mod.rs"]
mod waste_support;

use std::collections::BTreeSet;

use report::disposal::{self, DisposalReport, Head, OpenKind, Options, Print};
use report::pdf::Language;
use shopfloor::common::Day;
use shopfloor::waste::Kg;
use shopfloor::waste::container::ContainerState;
use waste_support::Shop;

const QUIET: &str = include_str!("../../shopfloor/tests/waste_scenarios/quiet_year.txt");
const TIPS: &str = include_str!("../../shopfloor/tests/waste_scenarios/month_that_tips.txt");
const CAME_BACK: &str =
    include_str!("../../shopfloor/tests/waste_scenarios/drum_that_came_back.txt");
const NEVER_CAME: &str =
    include_str!("../../shopfloor/tests/waste_scenarios/receipt_that_never_came.txt");
const STORIES: [(&str, &str); 4] = [
    ("quiet_year", QUIET),
    ("month_that_tips", TIPS),
    ("drum_that_came_back", CAME_BACK),
    ("receipt_that_never_came", NEVER_CAME),
];

/// What goes wrong beside: a mis-read mass, a drum told by mistake, a discrepancy, an open drum.
const TROUBLES: &str = "
2026-02-10 09:00 op_q1 entry.corrected entry/@bag reason=mis_read approver=op_e1 data.what=vacuum_bag data.mass=2.40kg data.item=B-2
2026-05-04 09:00 op_t1 container.opened container/D-8 =mistaken stream=PA-DUST tare=9.80kg area=central location=CAA-2
2026-05-04 09:10 op_q1 entry.voided entry/@mistaken reason=mistaken approver=op_e1
2026-06-05 09:00 op_t2 container.opened container/D-9 stream=PA-DUST tare=9.80kg area=satellite location=SAA-1
2026-06-05 09:10 op_t2 waste.added container/D-9 what=wipes mass=0.50kg
2026-06-06 09:00 op_t1 container.moved container/D-9 from.area=satellite from.location=SAA-1 to.area=central to.location=CAA-1 giver=op_t1 receiver=op_e1
! waste.custody_gap
2026-03-24 09:00 op_e1 discrepancy.found shipment/S-1 kind=type expected=1pc found=0pc
";

fn head(shop: &Shop) -> Head {
    Head::new(
        "records.brackwater.example/north/2026",
        shop.facts.len() as u64,
        chain::Digest::of(b""),
        "records.brackwater.example/north/2026+a1b2c3d4".into(),
        "",
        None,
    )
}

fn day(text: &str) -> Day {
    Day(text.parse().unwrap())
}

fn shop(script: &str) -> Shop {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(script);
    shop
}

fn troubled() -> Shop {
    let script = QUIET.replace("mass=2.50kg item=B-2", "mass=2.50kg item=B-2 =bag");
    let mut shop = shop(&script);
    shop.play(TROUBLES);
    shop
}

fn compile(shop: &Shop, from: &str, to: &str, at: &str) -> DisposalReport {
    let options = Options { at: shop.noon(at) };
    disposal::compile(&shop.state, &shop.label(), day(from), day(to), head(shop), &options)
}

fn year(shop: &Shop) -> DisposalReport {
    compile(shop, "2026-01-01", "2026-12-31", "2027-01-04")
}

/// For people: `PULVERLOG_PAGES=dir` keeps the printed stories to look at.
fn keep(name: &str, bytes: &[u8]) {
    if let Ok(dir) = std::env::var("PULVERLOG_PAGES") {
        std::fs::write(std::path::Path::new(&dir).join(name), bytes).unwrap();
    }
}

#[test]
fn totals_are_sums_of_listed_containers() {
    for (name, script) in STORIES.into_iter().chain([("troubled", "")]) {
        let shop = if script.is_empty() { troubled() } else { shop(script) };
        let report = year(&shop);
        let counted: Vec<_> = report.containers.iter().filter(|c| c.counted).collect();
        let sum: Kg = counted.iter().map(|c| c.net_kg).sum();
        assert_eq!(report.shipped_kg, sum, "{name}");
        assert_eq!(report.shipped_containers, counted.len() as u64, "{name}");
        // Every line of the summary is the sum of the containers it names, each named once.
        let mut named = BTreeSet::new();
        for line in &report.summary {
            let of: Vec<_> =
                counted.iter().filter(|c| line.container_labels.contains(&c.container)).collect();
            assert_eq!(line.shipped_kg, of.iter().map(|c| c.net_kg).sum(), "{name}");
            assert_eq!(line.containers, of.len() as u64, "{name}");
            for container in &line.container_labels {
                assert!(named.insert(container.clone()), "{name}: {container} twice");
            }
        }
        // And every figure leads to entries that exist.
        let mut entries: Vec<&Vec<u64>> = Vec::new();
        entries.extend(report.summary.iter().map(|l| &l.entries));
        entries.extend(report.balance.iter().map(|l| &l.entries));
        entries.extend(report.months.iter().map(|l| &l.entries));
        entries.extend(report.containers.iter().map(|l| &l.entries));
        entries.extend(report.shipments.iter().map(|l| &l.entries));
        entries.extend(report.open_items.iter().map(|l| &l.entries));
        entries.extend(report.findings.iter().map(|l| &l.entries));
        for list in entries {
            assert!(!list.is_empty(), "{name}");
            assert!(list.iter().all(|seq| *seq < report.head.size), "{name}");
            assert!(list.is_sorted_by(|a, b| a < b), "{name}: {list:?}");
        }
    }
}

#[test]
fn a_balance_closes_or_says_by_how_much_it_does_not() {
    // computations.md C9, site: generated - shipped - on hand = 0 within U.
    let report = year(&shop(QUIET));
    let line = &report.balance[0];
    let figures =
        [line.opening_kg, line.generated_kg, line.shipped_kg, line.closing_kg, line.difference_kg];
    assert_eq!(
        figures.map(|kg| kg.0.normalize().to_string()),
        ["0", "42.1", "38.37", "3.75", "-0.02"]
    );
    assert!(line.closed);
    // A quarter in which nothing but the first drum happened.
    let report = compile(&shop(QUIET), "2026-01-01", "2026-03-31", "2026-04-01");
    let line = &report.balance[0];
    assert_eq!((line.generated_kg, line.shipped_kg), (line.shipped_kg, line.generated_kg));
    assert_eq!(line.closing_kg, Kg::ZERO);
    // A drum that came back is put on the account again.
    let report = year(&shop(CAME_BACK));
    let line = &report.balance[0];
    assert_eq!(line.returned_kg.to_string(), "110.00 kg");
    assert_eq!(line.closing_kg, Kg::ZERO);
    assert!(line.closed, "{line:?}");
}

#[test]
fn a_quiet_year_has_nothing_open() {
    let report = year(&shop(QUIET));
    assert!(report.open_items.is_empty(), "{:#?}", report.open_items);
    // Findings of other subjects (the scale was never registered) are told too.
    assert!(!report.findings.iter().any(|f| f.rule.starts_with("waste.")));
    assert!(report.corrections.is_empty());
    let states: Vec<_> = report.containers.iter().map(|c| c.state).collect();
    use ContainerState::{Disposed, OnSite};
    assert_eq!(states, [Disposed, Disposed, OnSite]);
    assert_eq!(report.summary.len(), 1);
    assert_eq!(report.summary[0].method, "H040");
}

#[test]
fn corrections_show_what_was_said_and_what_counts() {
    let report = year(&troubled());
    let by_event: Vec<(&str, bool)> =
        report.corrections.iter().map(|c| (c.event.as_str(), c.void)).collect();
    assert_eq!(by_event, [("waste.added", false), ("container.opened", true)]);
    let mass = &report.corrections[0].changed;
    assert_eq!(mass.len(), 1);
    assert_eq!(mass[0].pointer, "/mass/value");
    assert_eq!(mass[0].original.as_deref(), Some("\"2.50\""));
    assert_eq!(mass[0].corrected.as_deref(), Some("\"2.40\""));
    // The corrected mass counts: the drum's sum is 9.50 kg, its weighing still 9.60 kg.
    let drum = report.containers.iter().find(|c| c.container.as_str() == "D-1").unwrap();
    assert_eq!(
        (drum.net_kg.to_string(), drum.added_kg.to_string()),
        ("9.60 kg".into(), "9.50 kg".into())
    );
    // The drum that was told by mistake is in no list.
    assert!(!report.containers.iter().any(|c| c.container.as_str() == "D-8"));
}

#[test]
fn each_signature_stands_with_the_record_it_signs() {
    // Meaning, person and time, in every form (21 CFR 11.50).
    let shop = shop(QUIET);
    let report = year(&shop);
    let of = |seq: u64| shop.facts.iter().find(|f| f.seq == seq).unwrap().event.kind().name;
    let told: Vec<String> = report
        .signatures
        .iter()
        .map(|s| format!("{} {} {} {}", of(s.of_entry), s.person, s.meaning, s.at))
        .collect();
    assert_eq!(
        told,
        [
            "container.moved op_e1 verified 2026-03-16T11:12:00-04:00",
            "container.moved op_e1 verified 2026-09-07T11:12:00-04:00",
        ]
    );
    let csv = String::from_utf8(disposal::to_csv(&report)).unwrap();
    let (_, section) = csv.split_once("section: signatures\r\n").unwrap();
    let print = Print::default();
    let printed = format!("{:?}", disposal::document(&report, &print).unwrap().blocks);
    for line in &report.signatures {
        assert_eq!(of(line.entry), "entry.signed");
        assert!(report.rests_on().is_superset(&BTreeSet::from([line.of_entry, line.entry])));
        let row =
            format!("{},op_e1,verified,{},{},{}\r\n", line.of_entry, line.day, line.at, line.entry);
        assert!(section.contains(&row), "{section}");
        assert!(printed.contains(&line.at), "{}", line.at);
    }
    // A record that was corrected after it was signed appears unsigned.
    let mut corrected = self::shop(QUIET);
    corrected.play("
2026-03-17 09:00 op_q1 entry.corrected entry/@handed_over reason=mis_read approver=op_e1 data.from.area=central data.from.location=CAA-1 data.to.area=central data.to.location=CAA-2 data.giver=op_t1 data.receiver=op_e1
");
    let left = year(&corrected).signatures;
    assert_eq!(left, report.signatures[1..]);
}

#[test]
fn what_is_open_is_told() {
    let kinds = |report: &DisposalReport| -> BTreeSet<OpenKind> {
        report.open_items.iter().map(|item| item.kind).collect()
    };
    let troubled = kinds(&year(&troubled()));
    for kind in [OpenKind::OneSidedTransfer, OpenKind::CustodyGap, OpenKind::UnsettledDiscrepancy] {
        assert!(troubled.contains(&kind), "{kind:?}: {troubled:?}");
    }
    let script = NEVER_CAME.split("\n== asked").next().unwrap();
    let report = compile(&shop(script), "2026-01-01", "2026-12-31", "2026-05-20");
    let open = kinds(&report);
    assert!(open.contains(&OpenKind::NoSignedCopy) && open.contains(&OpenKind::OverdueClock));
    // Once it came, only the certificate is missing.
    let report = compile(&shop(NEVER_CAME), "2026-01-01", "2026-12-31", "2026-06-10");
    assert_eq!(kinds(&report), BTreeSet::from([OpenKind::NoCertificate]));
}

#[test]
fn the_same_log_gives_the_same_bytes() {
    for (name, script) in STORIES {
        let (first, second) = (shop(script), shop(script));
        let (a, b) = (year(&first), year(&second));
        let (json_a, json_b) =
            (report::json::to_bytes(&a).unwrap(), report::json::to_bytes(&b).unwrap());
        assert_eq!(json_a, json_b, "{name}");
        assert_eq!(disposal::to_csv(&a), disposal::to_csv(&b), "{name}");
        let print = Print::default();
        let pdf = disposal::to_pdf(&a, &print).unwrap();
        assert_eq!(pdf, disposal::to_pdf(&b, &print).unwrap(), "{name}");
        keep(&format!("{name}.pdf"), &pdf);
        // What is written can be read, and says the same again.
        let back: DisposalReport = serde_json::from_slice(&json_a).unwrap();
        assert_eq!(back, a, "{name}");
        assert_eq!(report::json::to_bytes(&back).unwrap(), json_a, "{name}");
    }
}

#[test]
fn it_prints_in_both_languages_with_and_without_names() {
    let report = year(&troubled());
    let names = |id: &str| (id == "op_e1").then(|| "E. Sample".to_owned());
    for (name, language) in
        [("troubled_en.pdf", Language::English), ("troubled_de.pdf", Language::German)]
    {
        let print = Print { language, names: Some(&names), ..Print::default() };
        keep(name, &disposal::to_pdf(&report, &print).unwrap());
        let document = format!("{:?}", disposal::document(&report, &print).unwrap().blocks);
        assert!(document.contains("E. Sample") && document.contains("op_t1"));
        let print = Print { language, ..Print::default() };
        let document = format!("{:?}", disposal::document(&report, &print).unwrap().blocks);
        assert!(!document.contains("E. Sample") && document.contains("op_e1"));
    }
}

#[test]
fn custody_sheets_and_labels_are_printed() {
    let shop = shop(CAME_BACK);
    let options = Options { at: shop.noon("2026-04-10") };
    let id = waste_support::label("S-1");
    let sheet = disposal::custody_sheet(&shop.state, &id, head(&shop), &options).unwrap();
    assert_eq!(sheet.containers.len(), 2);
    keep("custody_sheet.pdf", &disposal::sheet_to_pdf(&sheet, &Print::default()).unwrap());
    let drum = waste_support::label("D-1");
    let label = disposal::container_label(&shop.state, &drum, head(&shop), &options).unwrap();
    assert_eq!(label.start, Some(day("2026-03-06")));
    keep("label.pdf", &disposal::label_to_pdf(&label, &Print::default()).unwrap());
    assert!(
        disposal::container_label(
            &shop.state,
            &waste_support::label("D-99"),
            head(&shop),
            &options
        )
        .is_none()
    );
}
