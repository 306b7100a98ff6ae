//! What is open, due, kept, corrected and found.

use super::super::words::Key;
use super::super::{CorrectionLine, DisposalReport, OpenItem};
use super::{Desk, entry_runs, mono, rows};
use crate::pdf::{Block, Column, Level, Table, Text};

impl Desk<'_> {
    pub(super) fn to_do(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.open_items(report, blocks);
        self.clocks(report, blocks);
        self.retention(report, blocks);
        self.corrections(report, blocks);
        self.findings(report, blocks);
        self.signatures(&report.signatures, blocks);
    }

    fn open_items(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingOpen, blocks);
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Kind), 22),
                Column::new(self.t(Key::About), 18),
                Column::new(self.t(Key::Detail), 44),
                Column::new(self.t(Key::EntriesBelow), 14),
            ],
            rows: rows(report.open_items.iter().map(|item| {
                vec![
                    self.words.open(item.kind).into(),
                    mono(item.subject.to_string()),
                    self.facts(item),
                    entry_runs(&item.entries),
                ]
            })),
            row_headings: false,
        }));
    }

    fn facts(&self, item: &OpenItem) -> Text {
        let facts: Vec<String> = item
            .facts
            .iter()
            .map(|f| format!("{} {}", self.words.fact(f.name), self.person(&f.value)))
            .collect();
        Text::plain(facts.join(", "))
    }

    fn clocks(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingClocks, blocks);
        let lines = report.clocks.iter().map(|clock| {
            let mut what = self.words.clock(clock.kind).to_owned();
            for note in &clock.notes {
                what.push_str(&format!("; {}", self.words.note(*note)));
            }
            let rule = clock.rules.last().map(|r| self.rule(r)).unwrap_or_default();
            let section = clock.rules.last().map(|r| r.section.as_str()).unwrap_or("");
            vec![
                mono(clock.subject.to_string()),
                what.into(),
                Text::plain(format!("{}\n", clock.start))
                    .and(Text::bold(clock.last_day.to_string())),
                self.words.standing(clock).into(),
                Text::plain(format!("{section}\n{rule}")),
                entry_runs(&clock.entries),
            ]
        });
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::About), 17),
                Column::new(self.t(Key::MustHappen), 19),
                Column::new(self.t(Key::StartLastDay), 14),
                Column::new(self.t(Key::Standing), 13),
                Column::new(self.t(Key::Rule), 31),
                Column::new(self.t(Key::EntriesBelow), 9),
            ],
            rows: rows(lines),
            row_headings: true,
        }));
        blocks.push(Block::SmallPrint(self.t(Key::ClocksNote).into()));
    }

    fn retention(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingRetention, blocks);
        if report.rules.legal_hold {
            blocks.push(Block::Paragraph(Text::bold(self.t(Key::LegalHold))));
        }
        let lines = report.retention.iter().map(|r| {
            let until = match r.keep_until {
                Some(day) => day.to_string(),
                None => self.t(Key::StillOpen).to_owned(),
            };
            vec![
                mono(r.subject.to_string()),
                self.words.record(r.record).into(),
                self.day(r.from),
                until.into(),
                Text::plain(format!("{}, {}", r.rule.section, self.rule(&r.rule))),
                entry_runs(&r.entries),
            ]
        });
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::About), 17),
                Column::new(self.t(Key::Record), 16),
                Column::new(self.t(Key::From), 11),
                Column::new(self.t(Key::KeepUntil), 13),
                Column::new(self.t(Key::Rule), 30),
                Column::new(self.t(Key::EntriesBelow), 10),
            ],
            rows: rows(lines),
            row_headings: true,
        }));
    }

    fn corrections(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingCorrections, blocks);
        blocks.push(Block::paragraph(self.t(Key::CorrectionsNote)));
        let lines = report.corrections.iter().flat_map(|c| self.correction(c));
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::figures(self.t(Key::Entry), 8),
                Column::new(self.t(Key::What), 21),
                Column::new(self.t(Key::Original), 26),
                Column::new(self.t(Key::Corrected), 20),
                Column::new(self.t(Key::Reason), 15),
                Column::new(self.t(Key::ApprovedBy), 12),
            ],
            rows: rows(lines),
            row_headings: true,
        }));
    }

    /// One row for each member that changed; one row for a void, with all it took away.
    fn correction(&self, line: &CorrectionLine) -> Vec<Vec<Text>> {
        let row = |what: Text, original: Text, now: Text| {
            vec![
                Text::plain(line.entry.to_string()),
                what,
                original,
                now,
                Text::plain(format!("{}: {}", line.by_entry, line.reason)),
                self.person(&line.approver).into(),
            ]
        };
        let value = |text: &Option<String>| match text {
            Some(text) => mono(unquoted(text)),
            None => Text::plain("-"),
        };
        if line.void {
            let all: Vec<String> = line
                .changed
                .iter()
                .map(|m| {
                    let text = m.original.as_deref().map(unquoted).unwrap_or_default();
                    format!("{} {text}", m.pointer)
                })
                .collect();
            let void = Text::bold(self.t(Key::Void));
            return vec![row(mono(&line.event), mono(all.join("\n")), void)];
        }
        line.changed
            .iter()
            .map(|m| {
                let what = mono(format!("{}\n{}", line.event, m.pointer));
                row(what, value(&m.original), value(&m.corrected))
            })
            .collect()
    }

    fn findings(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingFindings, blocks);
        let lines = report.findings.iter().map(|f| {
            let settled = f.settled_by.map(|seq| seq.to_string()).unwrap_or_default();
            vec![
                mono(&f.id),
                Text::plain(f.day.to_string()),
                mono(f.subject.to_string()),
                mono(&f.rule).and("\n").and(ticked(&f.detail)),
                self.words.level(f.level).into(),
                Text::plain(settled),
                entry_runs(&f.entries),
            ]
        });
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new("Nr", 9),
                Column::new(self.t(Key::Day), 12),
                Column::new(self.t(Key::About), 16),
                Column::new(self.t(Key::Found), 37),
                Column::new(self.t(Key::FindingLevel), 12),
                Column::new(self.t(Key::SettledBy), 9),
                Column::new(self.t(Key::EntriesBelow), 11),
            ],
            rows: rows(lines),
            row_headings: true,
        }));
    }
}

/// JSON text of a string without its quotes; other values as they are.
fn unquoted(text: &str) -> String {
    serde_json::from_str::<String>(text).unwrap_or_else(|_| text.to_owned())
}

/// Words in backticks in fixed width, the rest as it stands.
fn ticked(text: &str) -> Text {
    text.split('`').enumerate().fold(Text::default(), |whole, (i, part)| {
        whole.and(if i % 2 == 1 { mono(part) } else { Text::plain(part) })
    })
}
