//! Signatures of the entries a report rests on: each stands with the record it signs, with meaning,
//! person and time (21 CFR 11.50), in every form of the report.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use shopfloor::common::{Day, SignatureMeaning};
use shopfloor::ids::PersonId;
use shopfloor::record::Record;
use shopfloor::record::events::SignatureOf;

use crate::csv::Csv;
use crate::disposal::{Desk, Key, entry_runs, rows, section};
use crate::pdf::{Block, Column, Level, Signatory, Table, Text};

/// A signature of an entry of a report that still counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SignatureLine {
    /// The signed entry.
    pub of_entry: u64,
    /// Who signed.
    pub person: PersonId,
    /// What it means.
    pub meaning: SignatureMeaning,
    /// Local day.
    pub day: Day,
    /// When the log recorded it, local time of the site (21 CFR 11.50(a)(2)).
    pub at: String,
    /// Entry of the signature.
    pub entry: u64,
}

impl SignatureLine {
    /// The signatures of some entries that still count, in order of the entries; times on the clock of
    /// `tz`.
    pub(crate) fn of_entries(
        record: &Record,
        tz: &TimeZone,
        entries: impl IntoIterator<Item = u64>,
    ) -> Vec<Self> {
        let signed = entries.into_iter().flat_map(|of| record.signatures(of).map(move |s| (of, s)));
        let line = |(of_entry, signature): (u64, &SignatureOf)| {
            let at = Timestamp::from_millisecond(signature.time_ms).ok()?;
            let at = at.to_zoned_datetime(tz.clone());
            Some(Self {
                of_entry,
                person: signature.person.clone(),
                meaning: signature.meaning,
                day: Day(at.date()),
                at: at.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string(),
                entry: signature.seq,
            })
        };
        signed.filter_map(line).collect()
    }

    /// The signed entries and those of the signatures.
    pub(crate) fn rest_on(lines: &[Self]) -> impl Iterator<Item = u64> {
        lines.iter().flat_map(|line| [line.of_entry, line.entry])
    }
}

/// The section of the CSV form.
pub(crate) fn to_csv(lines: &[SignatureLine], csv: &mut Csv) {
    section(csv, "signatures", &["of_entry", "person", "meaning", "day", "at", "entry"]);
    for line in lines {
        csv.record([
            line.of_entry.to_string(),
            line.person.to_string(),
            line.meaning.to_string(),
            line.day.to_string(),
            line.at.clone(),
            line.entry.to_string(),
        ]);
    }
}

impl Desk<'_> {
    /// The section of the printed form.
    pub(crate) fn signatures(&self, lines: &[SignatureLine], blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingSigned, blocks);
        let columns = vec![
            Column::figures(self.t(Key::SignedEntry), 14),
            Column::new(self.t(Key::Meaning), 18),
            Column::new(self.t(Key::By), 22),
            Column::new(self.t(Key::Day), 26),
            Column::new(self.t(Key::Entries), 10),
        ];
        let cells = lines.iter().map(|line| {
            vec![
                line.of_entry.to_string().into(),
                line.meaning.to_string().into(),
                self.person(line.person.as_str()).into(),
                line.at.clone().into(),
                entry_runs(&[line.entry]),
            ]
        });
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns,
            rows: rows(cells),
            row_headings: true,
        }));
    }

    /// Room for a signature under the report, with what it says.
    pub(crate) fn signature_block(&self, meaning: Key, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingSignature, blocks);
        let meaning = self.t(meaning).into();
        blocks.push(Block::Signatures(vec![Signatory { meaning, ..Signatory::default() }]));
    }
}
