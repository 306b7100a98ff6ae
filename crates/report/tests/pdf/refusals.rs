//! What is refused, and in which words.

use report::pdf::{
    Attachment, Block, Column, Conformance, Document, Level, Paper, Qr, Row, Table, Text, render,
};

use super::sample::{data, document, settings};

fn check(document: Document, expected: &str) {
    let refused = render(&document, &settings(Paper::A4)).map(|bytes| bytes.len());
    assert_eq!(refused.unwrap_err().to_string(), expected);
}

#[test]
fn blocks() {
    check(document(" ", vec![]), "the document has no title; give it one");
    let heading = |level, text: &str| Block::heading(level, text);
    check(
        document("T", vec![heading(Level::Two, "Deep")]),
        "heading `Deep` has level 2 after level 0; do not skip a level",
    );
    check(
        document("T", vec![heading(Level::One, "A"), heading(Level::Three, "B")]),
        "heading `B` has level 3 after level 1; do not skip a level",
    );
    let table = |columns: usize, cells: usize| {
        Block::Table(Table {
            columns: vec![Column::new("c", 1); columns],
            rows: vec![Row::body(vec![Text::default(); cells])],
            ..Table::default()
        })
    };
    check(document("T", vec![table(0, 0)]), "a table has 0 columns; between 1 and 19 fit the page");
    check(
        document("T", vec![table(20, 20)]),
        "a table has 20 columns; between 1 and 19 fit the page",
    );
    check(document("T", vec![table(3, 2)]), "row 0 of a table has 2 cells for 3 columns");
}

#[test]
fn codes() {
    let qr = |bytes: usize, module_um: u32| {
        Block::Qr(Qr { module_um, ..Qr::new(vec![b'x'; bytes], "alt", vec![]) })
    };
    check(
        document("T", vec![qr(2_332, 500)]),
        "a QR code cannot hold 2332 bytes; shorten the payload",
    );
    check(
        document("T", vec![qr(10, 10_000)]),
        "a QR code of 21 modules of 10000 um does not fit the page; use smaller modules",
    );
    check(
        document("T", vec![qr(10, 0)]),
        "a QR code of 21 modules of 0 um does not fit the page; use smaller modules",
    );
    check(
        document("T", vec![Block::Qr(Qr::new("x", " ", vec![]))]),
        "a QR code has no alternative text; say what it is and holds",
    );
    assert!(render(&document("T", vec![qr(2_331, 500)]), &settings(Paper::A4)).is_ok());
}

#[test]
fn attachments() {
    let with = |attachments: Vec<Attachment>| {
        let mut document = document("T", vec![]);
        document.attachments = attachments;
        document
    };
    for name in ["", "../x.json", "a b", "ü.json", ".hidden", "a\0b", &"n".repeat(101)] {
        let shown = name.replace('\0', "[U+0000]");
        check(
            with(vec![Attachment { name: name.into(), ..data() }]),
            &format!(
                "attachment name `{shown}` is not 1 to 100 ASCII letters, digits, `.`, `-` or `_`"
            ),
        );
    }
    check(with(vec![data(), data()]), "attachment `report.json` is there twice; rename one");
    check(
        with(vec![Attachment { mime: "json".into(), ..data() }]),
        "attachment `report.json` has `json` as its media type, which is none",
    );
    check(
        with(vec![Attachment { description: " ".into(), ..data() }]),
        "attachment `report.json` has no description; say what it is",
    );
    let mut oldest = settings(Paper::A4);
    oldest.conformance = Conformance::A1b;
    assert_eq!(
        render(&with(vec![data()]), &oldest).unwrap_err().to_string(),
        "PDF/A-1b carries no attachments; render without them"
    );
}
