//! What makes the file fit for archives and screen readers, checked by other programs.

use report::pdf::{Block, Conformance, Level, Paper, Text, render};

use super::sample::{containers, document, full, settings};
use super::tools::{Pdf, preflight, there};

#[test]
fn the_file_is_sound_and_carries_its_fonts() {
    if !there(&["qpdf", "pdffonts"]) {
        return;
    }
    let pdf = Pdf::of(&full(), &settings(Paper::A4));
    let check = pdf.says("qpdf", &["--check"], &[]);
    assert!(check.contains("No syntax or stream encoding errors found"), "{check}");
    let fonts = pdf.says("pdffonts", &[], &[]);
    let fonts: Vec<Vec<&str>> =
        fonts.lines().skip(2).map(|line| line.split_whitespace().collect()).collect();
    assert_eq!(fonts.len(), 3);
    for font in fonts {
        // embedded, subset, with a map to Unicode
        assert_eq!(font[4..7], ["yes", "yes", "yes"], "{font:?}");
    }
}

#[test]
fn attachments_come_out_as_they_went_in() {
    if !there(&["pdfdetach", "qpdf"]) {
        return;
    }
    let document = full();
    let pdf = Pdf::of(&document, &settings(Paper::A4));
    let list = pdf.says("pdfdetach", &["-list"], &[]);
    assert!(list.starts_with("2 embedded files"), "{list}");
    pdf.says("pdfdetach", &["-saveall"], &[]);
    for attachment in &document.attachments {
        let saved = std::fs::read(pdf.folder().join(&attachment.name)).unwrap();
        assert_eq!(saved, attachment.bytes, "{}", attachment.name);
    }
    let json = pdf.says("qpdf", &["--json=2", "--json-key=qpdf"], &[]);
    for fact in [
        r#""/AFRelationship": "/Data""#,
        r#""/AFRelationship": "/Source""#,
        r#""/Subtype": "/application/json""#,
        r#""/Desc": "u:The figures of this report, machine-readable""#,
    ] {
        assert!(json.contains(fact), "{fact}");
    }
}

#[test]
fn the_metadata_claim_the_standards_title_language_and_date() {
    let bytes = render(&full(), &settings(Paper::A4)).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    for fact in [
        "<pdfaid:part>3</pdfaid:part>",
        "<pdfaid:conformance>A</pdfaid:conformance>",
        "<pdfuaid:part>1</pdfuaid:part>",
        "<xmp:CreateDate>2026-04-07T06:30:00+00:00</xmp:CreateDate>",
        "Disposal report</rdf:li>",
        "/Lang(en)",
        "/DisplayDocTitle true",
        "/Marked true",
        "/OutputIntents",
    ] {
        assert!(text.contains(fact), "{fact}");
    }
}

#[test]
fn the_structure_is_what_the_blocks_say() {
    if !there(&["pdfinfo"]) {
        return;
    }
    let pdf = Pdf::of(&full(), &settings(Paper::A4));
    let tree = pdf.says("pdfinfo", &["-struct-text"], &[]);
    let count = |kind: &str| {
        tree.lines().filter(|line| line.trim_start().split([' ', ':']).next() == Some(kind)).count()
    };
    assert_eq!((count("H1"), count("H2"), count("H3")), (5, 2, 1));
    assert_eq!(count("Table"), 4);
    // One for each heading row, row and total, and the row that says "none".
    let rows = (1 + 4) + (1 + 1) + (1 + 75) + (1 + 8);
    assert_eq!(count("TR"), rows);
    // Column headings, and the first cell of each row of the three tables that ask for it.
    assert_eq!(count("TH"), (5 + 2 + 6 + 6) + 4 + 75 + 8);
    // Three cells of the total are empty; they are there all the same.
    assert_eq!(count("TD"), 4 * 4 + 1 + 75 * 5 + 8 * 5);
    assert_eq!((count("L"), count("LI"), count("Lbl"), count("LBody")), (1, 5, 5, 5));
    assert_eq!(count("Figure"), 3);
    assert!(tree.contains("/Scope /Column") && tree.contains("/Scope /Row"));
    // Heads, feet and repeated rows are no content.
    assert!(!tree.contains("Page 1 of") && !tree.contains("(continued)"));
}

#[test]
fn figures_have_alternative_texts() {
    if !there(&["qpdf"]) {
        return;
    }
    let json = Pdf::of(&full(), &settings(Paper::A4)).says("qpdf", &["--json=2"], &[]);
    for alt in [
        "u:QR code with the signed note of the log: origin, size, root hash and signatures",
        "u:A bar drawn to scale for January 2026, non-acute: 61.250 kg, limit 100 kg a month (40 CFR \
         260.10).",
    ] {
        assert!(json.contains(&format!("\"/Alt\": \"{alt}\"")), "{alt}");
    }
}

#[test]
fn the_outline_follows_the_headings() {
    if !there(&["qpdf"]) {
        return;
    }
    let json = Pdf::of(&full(), &settings(Paper::A4)).says("qpdf", &["--json=2"], &[]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    fn titles(entries: &serde_json::Value, depth: usize, into: &mut Vec<String>) {
        for entry in entries.as_array().unwrap() {
            let title = entry["title"].as_str().unwrap();
            let page = entry["destpageposfrom1"].as_u64().unwrap();
            into.push(format!("{}{title} @{page}", "-".repeat(depth)));
            titles(&entry["kids"], depth + 1, into);
        }
    }
    let mut found = Vec::new();
    titles(&json["outlines"], 0, &mut found);
    assert_eq!(
        found,
        [
            "1 What this report rests on @1",
            "-1.1 Generator category @1",
            "2 Masses @1",
            "-2.1 Exceptions and open items @2",
            "--2.1.1 How they are found @2",
            "3 Containers @2",
            "4 Custody @6",
            "5 Anchor and signatures @7",
        ]
    );
}

#[test]
fn a_document_without_headings_or_rows_still_conforms() {
    let bare = document("Bare", vec![]);
    render(&bare, &settings(Paper::A4)).unwrap();
    let empty = document(
        "Empty things",
        vec![
            Block::paragraph(""),
            Block::KeyValues(vec![]),
            Block::KeyValues(vec![("".into(), "".into())]),
            Block::Caution(vec![]),
            Block::Table(containers(0)),
            Block::Signatures(vec![]),
            Block::SmallPrint(Text::default()),
            Block::heading(Level::One, ""),
        ],
    );
    render(&empty, &settings(Paper::A4)).unwrap();
}

#[test]
fn an_independent_validator_finds_the_same_pages_valid_pdf_a_1b() {
    let mut settings = settings(Paper::A4);
    settings.conformance = Conformance::A1b;
    let mut pages = full();
    pages.attachments.clear();
    let bytes = render(&pages, &settings).unwrap();
    let Some(faults) = preflight(&bytes) else { return };
    assert_eq!(faults, Vec::<String>::new());

    // The check can fail: a claim of another part in the metadata is found.
    let claim = b"<pdfaid:part>1</pdfaid:part>";
    let at = bytes.windows(claim.len()).position(|window| window == claim).unwrap();
    let mut false_claim = bytes;
    false_claim[at + "<pdfaid:part>".len()] = b'7';
    assert!(preflight(&false_claim).is_some_and(|faults| !faults.is_empty()));
}
