//! Pages: heads and feet, tables across pages, margins, columns, the QR code.

use report::pdf::{
    Align, Block, Column, Document, Language, Level, Orientation, Paper, Qr, Row, Table, Text,
};

use super::sample::{self, containers, document, full, note, settings};
use super::tools::{Pdf, letters, there};

/// Margins of the engine, in points; a word may reach into them by its side bearing.
const LEFT: f64 = 25.0 * 72.0 / 25.4 - 0.5;
const RIGHT: f64 = 18.0 * 72.0 / 25.4 - 0.5;
const BOTTOM: f64 = 23.0 * 72.0 / 25.4 - 1.5;

#[test]
fn every_page_says_which_report_which_log_and_which_page_it_is() {
    if !there(&["pdftotext"]) {
        return;
    }
    let pages = Pdf::of(&full(), &settings(Paper::A4)).pages();
    assert!(pages.len() > 5);
    for (n, page) in pages.iter().enumerate() {
        let lines: Vec<&str> = page.lines().collect();
        assert!(lines[0].starts_with("Disposal report"), "page {n}: {}", lines[0]);
        assert!(page.contains("Brackwater Works, site north"));
        let log = format!(
            "Log log.brackwater.example/north · 48211 entries · root {}",
            &sample::ROOT[..16]
        );
        assert!(page.contains(&log), "page {n}");
        assert!(page.contains(&format!("Page {} of {}", n + 1, pages.len())), "page {n}");
    }
}

#[test]
fn german_documents_speak_german() {
    if !there(&["pdftotext"]) {
        return;
    }
    let mut german = document(
        "Entsorgungsbericht für Metallpulverabfälle",
        vec![
            Block::heading(Level::One, "Übersicht"),
            Block::Caution(vec!["Feine Metallpulver können brennen und explodieren.".into()]),
            Block::Table(containers(60)),
            Block::Table(Table { rows: Vec::new(), ..containers(0) }),
            Block::Signatures(vec![Default::default()]),
        ],
    );
    german.language = Language::German;
    let text = Pdf::of(&german, &settings(Paper::A4)).pages().concat();
    for word in [
        "Vorsicht",
        "Seite 1 von ",
        "Containers (Fortsetzung)",
        "keine",
        "Datum",
        "Unterschrift",
        "48211 Einträge",
        "für Metallpulverabfälle",
        "Übersicht",
    ] {
        assert!(text.contains(word), "{word}");
    }
}

#[test]
fn a_table_repeats_its_heading_row_and_never_divides_a_row() {
    if !there(&["pdftotext"]) {
        return;
    }
    let table = containers(140);
    let printed = document("Annex", vec![Block::Table(table.clone())]);
    let pages = Pdf::of(&printed, &settings(Paper::A4)).pages();
    assert!(pages.len() > 4);
    let mut rows = table.rows.iter().peekable();
    for (n, page) in pages.iter().enumerate() {
        assert!(page.contains("Entry hash"), "page {n} has no heading row");
        assert_eq!(page.contains("Containers (continued)"), n > 0, "page {n}");
        let page = letters(page);
        let mut printed = 0;
        // Every cell of a row stands on the page where its first cell stands.
        while let Some(row) = rows.next_if(|row| page.contains(&row.cells[0].characters())) {
            let line: String = row.cells.iter().map(|cell| letters(&cell.characters())).collect();
            assert!(page.contains(&line), "page {n}: {line}");
            printed += 1;
        }
        assert!(printed > 0, "page {n}");
    }
    assert!(rows.next().is_none(), "all rows are printed");
}

#[test]
fn a_row_taller_than_a_page_is_divided_and_complete() {
    if !there(&["pdftotext"]) {
        return;
    }
    let long: String = (0..2_500).map(|n| format!("w{n} ")).collect();
    let row = Row::body(vec!["before".into(), long.as_str().into()]);
    let table = Table {
        columns: vec![Column::new("Key", 1), Column::new("Value", 3)],
        rows: vec![row, Row::body(vec!["after".into(), "x".into()])],
        ..Table::default()
    };
    let printed = document("Annex", vec![Block::Table(table)]);
    let pages = Pdf::of(&printed, &settings(Paper::A4)).pages();
    assert!(pages.len() > 2);
    assert!(pages.iter().all(|page| page.contains("Key")));
    // Take head, heading row and foot of each page away: the rest is the cell.
    let body: String = pages
        .iter()
        .map(|page| {
            let start = page.find("Value").unwrap() + "Value".len();
            let end = page.find("Log log.").unwrap();
            letters(&page[start..end])
        })
        .collect();
    assert_eq!(body, format!("before{}afterx", letters(&long)));
}

#[test]
fn everything_put_in_is_printed_in_order() {
    if !there(&["pdftotext"]) {
        return;
    }
    let document = full();
    let text = Pdf::of(&document, &settings(Paper::Letter)).letters();
    let mut at = 0;
    for wanted in words(&document) {
        // Right-to-left words come out in visual order or not, as the reader likes.
        if wanted.chars().any(|c| c > '\u{590}' && c < '\u{2000}') {
            continue;
        }
        let found = text[at..].find(&letters(&wanted));
        at += found.unwrap_or_else(|| panic!("`{wanted}` is missing behind {at}"));
    }
}

/// The texts of a document, in order.
fn words(document: &Document) -> Vec<String> {
    let mut words = vec![document.title.clone(), document.subtitle.clone()];
    for block in &document.blocks {
        let texts: Vec<&Text> = match block {
            Block::Heading { text, .. } | Block::Paragraph(text) | Block::SmallPrint(text) => {
                vec![text]
            }
            Block::KeyValues(pairs) => pairs.iter().flat_map(|(key, value)| [key, value]).collect(),
            Block::Table(table) => std::iter::once(&table.caption)
                .chain(table.columns.iter().map(|column| &column.heading))
                .chain(table.rows.iter().flat_map(|row| &row.cells))
                .collect(),
            Block::Caution(paragraphs) => paragraphs.iter().collect(),
            Block::Qr(qr) => qr.beside.iter().collect(),
            Block::Signatures(signatories) => signatories
                .iter()
                .flat_map(|s| [&s.meaning, &s.name, &s.date, &s.signature])
                .collect(),
            Block::Bar(bar) => {
                let limit = bar.limit.as_ref().map(|limit| &limit.label);
                [&bar.label, &bar.figure].into_iter().chain(limit).collect()
            }
            Block::NewPage { .. } => vec![],
        };
        words.extend(texts.into_iter().map(Text::characters));
    }
    words
}

#[test]
fn nothing_stands_outside_the_margins() {
    if !there(&["pdftotext"]) {
        return;
    }
    let compound =
        "Donaudampfschifffahrtselektrizitätenhauptbetriebswerkbauunterbeamtengesellschaft";
    let mut wide = full();
    wide.title = [compound; 4].join(" ");
    wide.log.origin = "a-very-long-origin/".repeat(20);
    wide.blocks.push(Block::paragraph(compound.repeat(5)));
    wide.blocks.push(Block::paragraph(Text::mono("0123456789abcdef".repeat(40))));
    wide.blocks.push(Block::KeyValues(vec![(compound.into(), compound.repeat(3).into())]));
    for paper in [Paper::A4, Paper::Letter] {
        for (n, page) in Pdf::of(&wide, &settings(paper)).words().iter().enumerate() {
            assert!(!page.words.is_empty());
            for word in &page.words {
                let inside = word.left > LEFT && word.right < page.width - RIGHT;
                assert!(inside, "page {n}: `{}` at {}..{}", word.text, word.left, word.right);
                // Between the text and the foot of the page is a blank band.
                let blank = page.height - BOTTOM..page.height - BOTTOM + 10.0;
                let clear = word.top > 0.0 && word.bottom < page.height;
                assert!(clear && !blank.contains(&word.bottom), "page {n}: `{}`", word.text);
            }
        }
    }
}

#[test]
fn figures_line_up_at_the_right_of_their_column() {
    if !there(&["pdftotext"]) {
        return;
    }
    let figures = ["0.001", "7.250", "81.250", "1204.075", "99999.999"];
    let table = Table {
        columns: vec![Column::new("Stream", 3), Column::figures("kg", 1), Column::new("Note", 2)],
        rows: figures.map(|f| Row::body(["s", f, "n"].map(Text::from).to_vec())).to_vec(),
        ..Table::default()
    };
    assert_eq!(table.columns[1].align, Align::End);
    let printed = document("Masses", vec![Block::Table(table)]);
    let pages = Pdf::of(&printed, &settings(Paper::A4)).words();
    let ends: Vec<f64> = figures
        .iter()
        .map(|figure| pages[0].words.iter().find(|word| word.text == *figure).unwrap().right)
        .collect();
    for end in &ends {
        assert!((end - ends[0]).abs() < 0.02, "{ends:?}");
    }
}

#[test]
fn paper_sizes_and_turned_pages() {
    if !there(&["pdfinfo"]) {
        return;
    }
    let blocks = vec![
        Block::NewPage { orientation: Some(Orientation::Landscape) },
        Block::paragraph("wide"),
        Block::NewPage { orientation: Some(Orientation::Portrait) },
        Block::NewPage { orientation: None },
        Block::paragraph("upright"),
    ];
    for (paper, upright, turned) in [
        (Paper::A4, "595.276 x 841.89 pts", "841.89 x 595.276 pts"),
        (Paper::Letter, "612 x 792 pts", "792 x 612 pts"),
    ] {
        let pdf = Pdf::of(&document("Turned", blocks.clone()), &settings(paper));
        let info = pdf.says("pdfinfo", &["-f", "1", "-l", "9"], &[]);
        let sizes: Vec<&str> = info
            .lines()
            .filter(|line| line.starts_with("Page ") && line.contains(" size: "))
            .collect();
        // The title alone, the wide page, the upright one; two breaks in a row leave no empty page.
        assert_eq!(sizes.len(), 3, "{info}");
        for (size, expected) in sizes.iter().zip([upright, turned, upright]) {
            assert!(size.contains(expected), "{size}");
        }
    }
}

#[test]
fn the_qr_code_can_be_read_from_the_printed_page() {
    if !there(&["pdftoppm"]) {
        return;
    }
    let qr = Qr::new(note(), "the note of the log", vec!["beside".into()]);
    let printed = document("Anchor", vec![Block::Qr(qr)]);
    let pdf = Pdf::of(&printed, &settings(Paper::A4));
    pdf.says("pdftoppm", &["-gray", "-r", "300", "-W", "1300", "-H", "1300"], &["page"]);
    let (width, height, pixels) = gray(&std::fs::read(pdf.folder().join("page-1.pgm")).unwrap());
    let mut image =
        rqrr::PreparedImage::prepare_from_greyscale(width, height, |x, y| pixels[y * width + x]);
    let codes = image.detect_grids();
    assert_eq!(codes.len(), 1);
    assert_eq!(codes[0].decode().unwrap().1, note());
}

/// A binary PGM: width, height, one byte a pixel.
fn gray(pgm: &[u8]) -> (usize, usize, Vec<u8>) {
    let mut parts = pgm.splitn(4, |byte| *byte == b'\n' || *byte == b' ');
    let mut next = || parts.next().unwrap();
    assert_eq!(next(), b"P5");
    let number = |part: &[u8]| std::str::from_utf8(part).unwrap().parse::<usize>().unwrap();
    let (width, height) = (number(next()), number(next()));
    let pixels = next().strip_prefix(b"255\n").unwrap().to_vec();
    (width, height, pixels)
}
