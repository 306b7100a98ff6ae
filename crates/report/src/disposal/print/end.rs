//! Rules used, cautions, signature, and how to check the report.

use shopfloor::waste::law::RuleUsed;

use super::super::words::Key;
use super::super::{CautionLine, DisposalReport, Head};
use super::{Desk, mono, rows};
use crate::pdf::{Block, Column, Level, Qr, Table, Text};

/// Most bytes that a code which is easy to read holds; a longer checkpoint is cut to its lines.
const QR_BYTES_MAX: usize = 900;

impl Desk<'_> {
    pub(super) fn end(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.rules(report, blocks);
        self.cautions(&report.cautions, blocks);
        self.signature_block(Key::SignatureMeaning, blocks);
        self.check(&report.head, blocks);
    }

    fn rules(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingRules, blocks);
        let count =
            if report.rules.strict_day_count { Key::DayCountStrict } else { Key::DayCountUsual };
        blocks.push(Block::KeyValues(vec![(self.t(Key::DayCount).into(), self.t(count).into())]));
        let value = |r: &RuleUsed| {
            let mut text = format!("{} {}", r.value, r.unit);
            if let Some(built_in) = &r.site_instead_of {
                text.push_str(&format!(" ({} {built_in})", self.t(Key::OwnValue)));
            }
            if let Some(refused) = &r.site_refused {
                text.push_str(&format!(" ({} {refused})", self.t(Key::RefusedValue)));
            }
            text
        };
        let sure = |r: &RuleUsed| {
            let sure = Text::plain(self.words.sureness(r.confidence));
            if r.unconfirmed() {
                sure.and(", ").and(Text::bold(self.t(Key::Unconfirmed)))
            } else {
                sure
            }
        };
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Version), 28),
                Column::new(self.t(Key::Value), 12),
                Column::new(self.t(Key::Section), 44),
                Column::new(self.t(Key::Sureness), 16),
            ],
            rows: rows(
                report
                    .rules
                    .values
                    .iter()
                    .map(|r| vec![mono(r.version()), value(r).into(), section(r), sure(r)]),
            ),
            row_headings: true,
        }));
    }

    pub(crate) fn cautions(&self, cautions: &[CautionLine], blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingCautions, blocks);
        let (work, law): (Vec<_>, Vec<_>) = cautions.iter().partition(|c| !c.title.is_empty());
        let paragraphs = work.into_iter().map(|c| {
            let (title, text) = self.words.caution(c);
            Text::bold(format!("{title}. ")).and(format!("{text} [{}]", c.source))
        });
        let closing = Text::bold(self.words.defer());
        blocks.push(Block::Caution(paragraphs.chain([closing]).collect()));
        for notice in law {
            let (_, text) = self.words.caution(notice);
            blocks.push(Block::SmallPrint(format!("{text} [{}]", notice.source).into()));
        }
    }

    pub(crate) fn check(&self, head: &Head, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingCheck, blocks);
        blocks.push(Block::paragraph(self.t(Key::Check1)));
        blocks.push(Block::paragraph(self.t(Key::Check2)));
        let carried = self.print.evidence.is_some();
        let where_it_is = if carried { Key::CheckCarried } else { Key::CheckElsewhere };
        blocks.push(Block::paragraph(self.t(where_it_is)));
        blocks.push(self.anchor(head));
    }

    /// The checkpoint as a code, with its lines beside it.
    fn anchor(&self, head: &Head) -> Block {
        let mut payload = head.anchor_text();
        if payload.len() > QR_BYTES_MAX {
            payload = format!("{}\n{}\n{}\n", head.origin, head.size, head.root);
        }
        let beside = vec![
            mono(&head.origin),
            Text::plain(format!("{}: {}", self.t(Key::Entries), head.size)),
            Text::plain(format!("{}: ", self.t(Key::Root))).and(mono(&head.root)),
            Text::plain(format!("{}: ", self.t(Key::KeyOfLog))).and(mono(&head.key_id)),
            Text::plain(format!("{}: {}", self.t(Key::CosignedBy), self.cosigned(head))),
        ];
        Block::Qr(Qr::new(payload.into_bytes(), self.t(Key::QrAlt), beside))
    }
}

/// Where a value stands, with the source it was seen in and what is open about it.
fn section(rule: &RuleUsed) -> Text {
    let mut text = rule.section.clone();
    if !rule.source.is_empty() {
        text.push_str(&format!(" [{}]", rule.source));
    }
    if !rule.note.is_empty() {
        text.push_str(&format!("\n{}", rule.note));
    }
    Text::plain(text)
}
