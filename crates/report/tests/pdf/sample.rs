//! A document with every block in it, from an invented shop.

use report::pdf::{
    Attachment, Bar, BarLimit, Block, Column, Document, Language, Level, LogHead, Orientation,
    Paper, PdfSettings, Qr, Relationship, Row, Signatory, Table, Text,
};

/// Root hash of an invented log.
pub(crate) const ROOT: &str = "c3a7f1d20e9b4c55d6e8a90147f2b36c8e1d05af79b2c4d6e8f0123456789abc";

/// A note of the usual size: three header lines, a log signature and two cosignatures.
pub(crate) fn note() -> String {
    format!(
        "log.brackwater.example/north\n48211\nw6fx0g6bTFXW6KkBR/KzbI4dBa95ssTW6PASNFZ4mrw=\n\n\
         — log.brackwater.example/north {}\n— witness.rivermouth.example {}\n— witness.hill.example {}\n",
        "Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=",
        "pLD1VuUJ1Jr8eKkHmYzcgPy7vkQ0IwnV3r6n0rLmJv0AAAAAZqcNAbrJ3uWfQKuvpNcYzR6cQ0nYQdT1yB3xvZp7Qw==",
        "kXw0jGf6o6cB1mC1n5yPZ0Y8b4yqK0X0AAAAAGanDQHq8m3W7t2VgkQF2n2y0Q7mWc9o5z1rT4uX6s8Lh3pEDA==",
    )
}

/// Settings with a fixed date.
pub(crate) fn settings(paper: Paper) -> PdfSettings {
    PdfSettings::new(paper, "2026-04-07T06:30:00Z".parse().unwrap())
}

/// An empty document to put blocks into.
pub(crate) fn document(title: &str, blocks: Vec<Block>) -> Document {
    Document {
        title: title.into(),
        subtitle: "Brackwater Works, site north · January to March 2026".into(),
        language: Language::English,
        subject: "Containers, shipments and masses of hazardous waste of one site and quarter"
            .into(),
        log: LogHead {
            origin: "log.brackwater.example/north".into(),
            size: 48_211,
            root_short: ROOT[..16].into(),
        },
        blocks,
        attachments: Vec::new(),
    }
}

/// The data of the report, as an attachment.
pub(crate) fn data() -> Attachment {
    Attachment {
        name: "report.json".into(),
        mime: "application/json".into(),
        relationship: Relationship::Data,
        description: "The figures of this report, machine-readable".into(),
        bytes: br#"{"site":"north","period":"2026-Q1"}"#.to_vec(),
    }
}

/// A table of containers with `rows` rows.
pub(crate) fn containers(rows: usize) -> Table {
    let streams = ["Ti-6Al-4V, Kondensat und Filterkuchen", "AlSi10Mg oversize", "316L sweepings"];
    Table {
        caption: Text::plain("Containers"),
        columns: vec![
            Column::new("Container", 12),
            Column::new("Stream", 22),
            Column::new("Started", 11),
            Column::figures("Net mass kg", 8),
            Column::new("Document", 13),
            Column::new("Entry hash", 24),
        ],
        rows: (0..rows)
            .map(|n| {
                Row::body(vec![
                    Text::mono(format!("DR-{:04}", 17 + n)),
                    Text::plain(streams[n % streams.len()]),
                    Text::plain(format!("2026-{:02}-{:02}", 1 + n % 3, 1 + n % 28)),
                    Text::plain(format!("{}.{:03}", 3 + n * 7 % 190, n * 37 % 1000)),
                    Text::mono(format!("BW{:09}", 120_044 + n)),
                    Text::mono(&hash(n)[..40]),
                ])
            })
            .collect(),
        row_headings: true,
    }
}

/// A hexadecimal string that looks like a hash.
fn hash(n: usize) -> String {
    let mut state = n as u64 + 1;
    (0..4)
        .map(|_| {
            state =
                state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963);
            format!("{state:016x}")
        })
        .collect()
}

/// Every block at least once, over several pages.
pub(crate) fn full() -> Document {
    let mut blocks = opening();
    blocks.extend(middle());
    blocks.extend(closing());
    let mut document = document("Disposal report", blocks);
    document.attachments = vec![
        data(),
        Attachment {
            name: "evidence.zip".into(),
            mime: "application/zip".into(),
            relationship: Relationship::Source,
            description: "Evidence bundle: entries, proofs and keys".into(),
            bytes: vec![0x50, 0x4b, 0x05, 0x06, 0, 1, 2, 3],
        },
    ];
    document
}

fn opening() -> Vec<Block> {
    vec![
        Block::heading(Level::One, "1 What this report rests on"),
        Block::paragraph(
            Text::plain("This report was compiled from the entries of the log ")
                .and(Text::mono("log.brackwater.example/north"))
                .and(Text::plain(" up to number 48,210. Every figure leads to entries; "))
                .and(Text::bold("corrected figures are marked"))
                .and(Text::plain(
                    " and the first statement stays readable. The same entries and the same rule set \
                     give the same report to the byte, and anybody who holds the attached evidence \
                     can compile it again.",
                )),
        ),
        Block::KeyValues(vec![
            ("Site".into(), "north".into()),
            ("Period".into(), "2026-01-01 to 2026-03-31, local time".into()),
            ("Rule set".into(), "us-federal 2025-12-01, with two site limits".into()),
            ("Root hash".into(), Text::mono(ROOT)),
            (
                "Outside anchor".into(),
                "witness.rivermouth.example 2026-04-06 21:14:09 UTC; witness.hill.example 2026-04-06 \
                 21:14:11 UTC"
                    .into(),
            ),
        ]),
        Block::Caution(vec![
            "Fine metal powders can burn and explode, and wet ones can set hydrogen free. Follow the \
             manual of the machine, the safety data sheet and local codes; let licensed people do \
             licensed work."
                .into(),
            "The stream determinations in this report are those of the shop. The software does not \
             determine waste classes."
                .into(),
        ]),
        Block::heading(Level::Two, "1.1 Generator category"),
        Block::Bar(Bar {
            label: "January 2026, non-acute".into(),
            figure: "61.250 kg".into(),
            value: 61_250,
            scale: 120_000,
            limit: Some(BarLimit {
                label: "limit 100 kg a month (40 CFR 260.10)".into(),
                value: 100_000,
            }),
        }),
        Block::Bar(Bar {
            label: "February 2026, non-acute".into(),
            figure: "104.750 kg".into(),
            value: 104_750,
            scale: 120_000,
            limit: Some(BarLimit { label: "limit 100 kg a month".into(), value: 100_000 }),
        }),
        Block::SmallPrint("Masses are net, as weighed, without rounding.".into()),
    ]
}

fn middle() -> Vec<Block> {
    let mut streams = Table {
        caption: Text::plain("Summary by stream and treatment"),
        columns: vec![
            Column::new("Stream", 34),
            Column::new("Code", 8),
            Column::new("Treatment", 22),
            Column::figures("Containers", 10),
            Column::figures("Net mass kg", 12),
        ],
        rows: vec![],
        row_headings: true,
    };
    for (stream, code, treatment, containers, mass) in [
        (
            "Titanfeinstaub aus der Umlufttrocknungsfilteranlage",
            "D001",
            "incineration",
            "4",
            "81.250",
        ),
        ("AlSi10Mg condensate, wetted", "D003", "chemical treatment", "11", "1204.075"),
        ("Wipes and gloves", "-", "landfill after solidification", "2", "9.300"),
    ] {
        streams
            .rows
            .push(Row::body([stream, code, treatment, containers, mass].map(Text::from).to_vec()));
    }
    streams.rows.push(Row::total(["Total", "", "", "17", "1294.625"].map(Text::from).to_vec()));
    let exceptions = Table {
        caption: Text::plain("Exceptions"),
        columns: vec![Column::new("Shipment", 1), Column::new("What is missing", 3)],
        rows: Vec::new(),
        row_headings: false,
    };
    vec![
        Block::heading(Level::One, "2 Masses"),
        Block::Table(streams),
        Block::heading(Level::Two, "2.1 Exceptions and open items"),
        Block::Table(exceptions),
        Block::heading(Level::Three, "2.1.1 How they are found"),
        Block::paragraph(
            "Each shipment has clocks; a clock that ran out without its event is listed.",
        ),
        Block::heading(Level::One, "3 Containers"),
        Block::Table(containers(75)),
    ]
}

fn closing() -> Vec<Block> {
    vec![
        Block::NewPage { orientation: Some(Orientation::Landscape) },
        Block::heading(Level::One, "4 Custody"),
        Block::Table(containers(8)),
        Block::NewPage { orientation: Some(Orientation::Portrait) },
        Block::heading(Level::One, "5 Anchor and signatures"),
        Block::Qr(Qr::new(
            note(),
            "QR code with the signed note of the log: origin, size, root hash and signatures",
            vec![
                Text::bold("Paper anchor"),
                "Scan this code with a hand scanner into a text file, or photograph it. It is the \
                 signed note of the log at the time of this report. Whoever keeps this page can show \
                 later that the log has not been rewritten."
                    .into(),
                Text::plain("Root ").and(Text::mono(ROOT)),
            ],
        )),
        Block::Signatures(vec![
            Signatory {
                meaning: "Checked against the weighing records".into(),
                name: "op_kestrel".into(),
                date: "2026-04-07 06:12 UTC".into(),
                signature: "signed electronically, entry 48207".into(),
            },
            Signatory { meaning: "Released to the authority".into(), ..Signatory::default() },
        ]),
        Block::SmallPrint(
            "Hostile text stays text: <script>alert(1)</script> \u{202e}reversed\u{202c} 漢字 🏭 \
             שלום עולם العربية a\u{301}\u{302}."
                .into(),
        ),
    ]
}
