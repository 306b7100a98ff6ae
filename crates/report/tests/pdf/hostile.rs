//! Text of any kind is printed, inert and complete, and never a reason to fail.

use proptest::prelude::*;
use report::pdf::{
    Attachment, Bar, BarLimit, Block, Column, Face, Level, Paper, Qr, Relationship, Row, RowKind,
    Run, Signatory, Table, Text, render,
};

use super::sample::{document, settings};
use super::tools::{Pdf, there};

#[test]
fn what_cannot_be_printed_is_marked_and_markup_is_only_text() {
    if !there(&["pdftotext"]) {
        return;
    }
    let check = |text: &str, expected: &str| {
        let printed = document("T", vec![Block::paragraph(text)]);
        let pages = Pdf::of(&printed, &settings(Paper::A4)).pages();
        assert!(pages[0].contains(expected), "{expected:?} is not in {:?}", pages[0]);
    };
    check("<script>alert(1)</script>&amp;", "<script>alert(1)</script>&amp;");
    check("(a\\)(b) %PDF-1.7 endstream endobj", "(a\\)(b) %PDF-1.7 endstream endobj");
    check("paid \u{202e}001\u{202c} kg", "paid [U+202E]001[U+202C] kg");
    check("zero\u{200b}width\u{feff}", "zero[U+200B]width[U+FEFF]");
    check("bell\u{7} nul\0", "bell[U+0007] nul[U+0000]");
    check("漢字 🏭 \u{e000}", "[U+6F22][U+5B57] [U+1F3ED] [U+E000]");
    check(&format!("a{}b", "\u{301}".repeat(9)), "[U+0301][U+0301]b");
    check("Ångström Čeština Ελληνικά Русский ½ ≤ → ✓", "Ångström Čeština Ελληνικά Русский ½ ≤ → ✓");
}

#[test]
fn marks_are_printed_in_heads_outlines_and_metadata_too() {
    if !there(&["qpdf"]) {
        return;
    }
    let mut odd = document(
        "T\u{202e}itle\0 (un\\balanced endobj",
        vec![Block::heading(Level::One, "H\u{200b}\u{1}")],
    );
    odd.subject = "S\u{b}".into();
    let pdf = Pdf::of(&odd, &settings(Paper::A4));
    let json = pdf.says("qpdf", &["--json=2"], &[]);
    pdf.says("qpdf", &["--check"], &[]);
    for fact in
        ["u:T[U+202E]itle[U+0000] (un\\\\balanced endobj", "u:H[U+200B][U+0001]", "u:S[U+000B]"]
    {
        assert!(json.contains(fact), "{fact}");
    }
}

/// Characters that a careless printer stumbles over.
fn nasty() -> impl Strategy<Value = String> {
    let part = prop_oneof![
        4 => "[ -~]{0,12}",
        2 => "\\PC{0,12}",
        2 => any::<String>(),
        1 => "[אבגדהוז ]{1,10}",
        1 => "[ابتثجحخ]{1,10}",
        1 => "[a\u{300}\u{301}\u{302}\u{5b0}\u{64b}]{1,40}",
        1 => "[\u{0}-\u{1f}\u{7f}-\u{9f}]{1,6}",
        1 => "[\u{200b}-\u{200f}\u{202a}-\u{202e}\u{2066}-\u{2069}\u{feff}]{1,6}",
        1 => "[😀🏭👩‍🔬🇪🇺️]{1,6}",
        1 => "[ກ-ໝߊ-߿ⴰ-ⵯ]{1,8}",
        1 => " {1,300}",
        1 => Just("x".repeat(4_000)),
        1 => Just("wort ".repeat(800)),
        1 => Just("\n".repeat(200)),
    ];
    prop::collection::vec(part, 0..4).prop_map(|parts| parts.concat())
}

fn text() -> impl Strategy<Value = Text> {
    let face = prop_oneof![Just(Face::Regular), Just(Face::Bold), Just(Face::Mono)];
    let run = (nasty(), face).prop_map(|(text, face)| Run { text, face });
    prop::collection::vec(run, 0..3).prop_map(Text)
}

fn table() -> impl Strategy<Value = Table> {
    (1_usize..8, 0_usize..6, any::<bool>(), text()).prop_flat_map(
        |(columns, rows, row_headings, caption)| {
            let column =
                (text(), any::<u16>(), any::<bool>()).prop_map(|(heading, weight, end)| {
                    if end {
                        Column::figures(heading, weight)
                    } else {
                        Column::new(heading, weight)
                    }
                });
            let row = (prop::collection::vec(text(), columns), any::<bool>()).prop_map(
                |(cells, total)| {
                    let kind = if total { RowKind::Total } else { RowKind::Body };
                    Row { cells, kind }
                },
            );
            (prop::collection::vec(column, columns), prop::collection::vec(row, rows)).prop_map(
                move |(columns, rows)| Table {
                    caption: caption.clone(),
                    columns,
                    rows,
                    row_headings,
                },
            )
        },
    )
}

fn block() -> impl Strategy<Value = Block> {
    prop_oneof![
        text().prop_map(|text| Block::Heading { level: Level::One, text }),
        text().prop_map(Block::Paragraph),
        text().prop_map(Block::SmallPrint),
        prop::collection::vec((text(), text()), 0..4).prop_map(Block::KeyValues),
        table().prop_map(Block::Table),
        prop::collection::vec(text(), 0..3).prop_map(Block::Caution),
        (prop::collection::vec(any::<u8>(), 0..900), nasty(), prop::collection::vec(text(), 0..3))
            .prop_map(|(payload, alt, beside)| Block::Qr(Qr::new(
                payload,
                format!("code {alt}"),
                beside
            ))),
        (text(), text(), text(), text()).prop_map(|(meaning, name, date, signature)| {
            Block::Signatures(vec![Signatory { meaning, name, date, signature }])
        }),
        (text(), text(), any::<[u64; 3]>(), text()).prop_map(|(label, figure, n, limit)| {
            let [value, scale, at] = n;
            let limit = Some(BarLimit { label: limit, value: at });
            Block::Bar(Bar { label, figure, value, scale, limit })
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// The library checks PDF/A-3a and PDF/UA-1 of all of these: no glyph missing, every figure
    /// described, every string within limits.
    #[test]
    fn any_text_in_any_block_is_printed(
        title in "[A-Za-z]{1,8}",
        odd in nasty(),
        blocks in prop::collection::vec(block(), 0..6),
    ) {
        let mut document = document(&(title + &odd), blocks);
        document.subtitle = odd.clone();
        document.subject = odd.clone();
        document.log.origin = odd.clone();
        document.log.root_short = odd.clone();
        document.attachments = vec![Attachment {
            name: "odd.txt".into(),
            mime: "text/plain".into(),
            relationship: Relationship::Supplement,
            description: format!("odd {odd}"),
            bytes: odd.into_bytes(),
        }];
        let printed = render(&document, &settings(Paper::A4));
        prop_assert!(printed.is_ok(), "{:?}", printed.err());
    }

    /// Every letter that goes in comes out, or its mark does, in order.
    #[test]
    fn nothing_is_dropped(letters in "[!-~äöüßéñΩж漢字🏭\u{0}\u{200b}\u{202e}\u{e000}]{1,400}") {
        if there(&["pdftotext"]) {
            let printed = document("T", vec![Block::paragraph(letters.as_str())]);
            let all = Pdf::of(&printed, &settings(Paper::A4)).letters();
            let expected: String = letters
                .chars()
                .map(|c| match c {
                    '漢' | '字' | '🏭' | '\u{0}' | '\u{200b}' | '\u{202e}' | '\u{e000}' => {
                        format!("[U+{:04X}]", u32::from(c))
                    }
                    c => c.to_string(),
                })
                .collect();
            prop_assert!(all.contains(&expected), "{expected} is not in {all}");
        }
    }
}
