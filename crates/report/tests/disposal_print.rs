//! The printed report, read back by independent tools: text against data, attachments against
//! bytes, the file against its standard.

#[path = "pdf/tools.rs"]
#[allow(dead_code, reason = "this file uses a part of it")]
mod tools;
#[path = "../../shopfloor/tests/waste_support/mod.rs"]
mod waste_support;

use report::disposal::{self, DisposalReport, Head, Options, Print};
use report::pdf::{Conformance, Language, Paper, PdfSettings, render};
use shopfloor::common::Day;
use tools::{Pdf, there};
use waste_support::Shop;

const CAME_BACK: &str =
    include_str!("../../shopfloor/tests/waste_scenarios/drum_that_came_back.txt");

fn compiled() -> DisposalReport {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(CAME_BACK);
    let head = Head {
        origin: "records.brackwater.example/north/2026".into(),
        size: shop.facts.len() as u64,
        root: "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=".into(),
        key_id: "records.brackwater.example/north/2026+a1b2c3d4".into(),
        checkpoint: String::new(),
    };
    let day = |text: &str| Day(text.parse().unwrap());
    let options = Options { at: shop.noon("2026-05-01") };
    disposal::compile(
        &shop.state,
        &shop.label(),
        day("2026-01-01"),
        day("2026-12-31"),
        head,
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

#[test]
fn the_pages_also_conform_to_the_older_standard() {
    // PDF/A-1b is what a general validator knows; the same pages without attachments.
    let report = compiled();
    let mut document = disposal::document(&report, &Print::default()).unwrap();
    document.attachments.clear();
    let settings = PdfSettings {
        conformance: Conformance::A1b,
        ..PdfSettings::new(Paper::Letter, report.at.parse().unwrap())
    };
    let bytes = render(&document, &settings).unwrap();
    assert!(bytes.starts_with(b"%PDF-1.4"));
}
