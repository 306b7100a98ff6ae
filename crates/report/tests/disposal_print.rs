//! The printed report, read back by independent tools: text against data, attachments against
//! bytes, the file against its standard.

#[path = "pdf/tools.rs"]
#[allow(dead_code, reason = "this file uses a part of it")]
mod tools;
#[path = "../../shopfloor/tests/waste_support/mod.rs"]
mod waste_support;

use report::disposal::{self, DisposalReport, Head, Options, Print};
use report::pdf::{Conformance, Document, Language, Paper, PdfSettings, render};
use shopfloor::common::Day;
use tools::{Pdf, preflight, there};
use waste_support::Shop;

const CAME_BACK: &str =
    include_str!("../../shopfloor/tests/waste_scenarios/drum_that_came_back.txt");

fn shop() -> Shop {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(CAME_BACK);
    shop
}

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

fn compiled() -> DisposalReport {
    let shop = shop();
    let day = |text: &str| Day(text.parse().unwrap());
    let options = Options { at: shop.noon("2026-05-01") };
    disposal::compile(
        &shop.state,
        &shop.label(),
        day("2026-01-01"),
        day("2026-12-31"),
        head(&shop),
        &options,
    )
}

/// Text without white space: lines break where the page wants.
fn letters(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

#[test]
fn what_the_data_says_is_printed() {
    if !there(&["pdftotext"]) {
        return;
    }
    let report = compiled();
    for language in [Language::English, Language::German] {
        let print = Print { language, ..Print::default() };
        let printed = Pdf::bytes(&disposal::to_pdf(&report, &print).unwrap()).letters();
        let has = |text: &str| {
            assert!(printed.contains(&letters(text)), "{language:?}: `{text}` is not printed");
        };
        for line in &report.summary {
            has(&line.stream);
            has(&line.shipped_kg.0.to_string());
        }
        for container in &report.containers {
            has(container.container.as_str());
            has(&container.net_kg.0.to_string());
            for step in &container.custody {
                has(&step.holder);
            }
        }
        for shipment in &report.shipments {
            has(shipment.document.as_ref().unwrap().number.as_str());
            for (_, test) in shipment.tests.weights() {
                has(&test.e_n);
                has(&test.percent);
            }
        }
        for clock in &report.clocks {
            has(&clock.last_day.to_string());
        }
        for rule in &report.rules.values {
            has(&rule.version());
        }
        has(&report.head.root);
        has(&report.head.size.to_string());
    }
}

#[test]
fn the_data_is_carried_inside_byte_for_byte() {
    if !there(&["pdfdetach", "qpdf"]) {
        return;
    }
    let report = compiled();
    let pdf = Pdf::bytes(&disposal::to_pdf(&report, &Print::default()).unwrap());
    pdf.says("qpdf", &["--check"], &[]);
    pdf.says("pdfdetach", &["-saveall", "-o", "."], &[]);
    let inside = |name: &str| std::fs::read(pdf.folder().join(name)).unwrap();
    assert_eq!(inside("disposal.json"), report::json::to_bytes(&report).unwrap());
    assert_eq!(inside("disposal.csv"), disposal::to_csv(&report));
    let back: DisposalReport = serde_json::from_slice(&inside("disposal.json")).unwrap();
    assert_eq!(back, report);
}

/// Every printed form in both languages, as pages alone.
fn printed() -> Vec<(String, Document)> {
    let shop = shop();
    let (report, options) = (compiled(), Options { at: shop.noon("2026-04-10") });
    let id = waste_support::label;
    let sheet = disposal::custody_sheet(&shop.state, &id("S-1"), head(&shop), &options).unwrap();
    let label = disposal::container_label(&shop.state, &id("D-1"), head(&shop), &options).unwrap();
    let mut all = Vec::new();
    for language in [Language::English, Language::German] {
        let print = Print { language, ..Print::default() };
        all.extend([
            (format!("report {language:?}"), disposal::document(&report, &print).unwrap()),
            (format!("sheet {language:?}"), disposal::sheet_document(&sheet, &print).unwrap()),
            (format!("label {language:?}"), disposal::label_document(&label, &print)),
        ]);
    }
    all
}

#[test]
fn an_independent_validator_finds_every_printed_form_valid_pdf_a_1b() {
    for (name, mut document) in printed() {
        document.attachments.clear();
        let settings = PdfSettings {
            conformance: Conformance::A1b,
            ..PdfSettings::new(Paper::Letter, "2026-05-01T16:00:00Z".parse().unwrap())
        };
        let bytes = render(&document, &settings).unwrap();
        assert!(bytes.starts_with(b"%PDF-1.4"), "{name}");
        let Some(faults) = preflight(&bytes) else { return };
        assert_eq!(faults, Vec::<String>::new(), "{name}");
    }
}

#[test]
fn what_a_sheet_and_a_label_say_is_printed() {
    if !there(&["pdftotext"]) {
        return;
    }
    let shop = shop();
    let options = Options { at: shop.noon("2026-04-10") };
    let id = waste_support::label;
    let sheet = disposal::custody_sheet(&shop.state, &id("S-1"), head(&shop), &options).unwrap();
    let label = disposal::container_label(&shop.state, &id("D-1"), head(&shop), &options).unwrap();
    for (language, hazardous) in
        [(Language::English, "HAZARDOUS WASTE"), (Language::German, "GEFÄHRLICHER ABFALL")]
    {
        let print = Print { language, ..Print::default() };
        let text = Pdf::bytes(&disposal::sheet_to_pdf(&sheet, &print).unwrap()).letters();
        let mut wanted = vec![sheet.shipment.document.as_ref().unwrap().number.as_str().to_owned()];
        for held in &sheet.containers {
            wanted.push(held.container.to_string());
            wanted.extend(held.custody.iter().map(|step| step.holder.clone()));
        }
        for text_of in &wanted {
            assert!(text.contains(&letters(text_of)), "{language:?}: sheet without `{text_of}`");
        }
        let text = Pdf::bytes(&disposal::label_to_pdf(&label, &print).unwrap()).letters();
        for text_of in [hazardous, "D-1", "PA-DUST", "D001", "9.80", "2026-03-06"] {
            assert!(text.contains(&letters(text_of)), "{language:?}: label without `{text_of}`");
        }
    }
}
