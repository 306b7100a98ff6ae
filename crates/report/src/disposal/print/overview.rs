//! The opening of the report: what it rests on, what was shipped, balance, months.

use rust_decimal::Decimal;
use shopfloor::waste::Kg;
use shopfloor::waste::category::{Category, MonthView};
use shopfloor::waste::formats::method_text;

use super::super::tables::codes;
use super::super::words::Key;
use super::super::{DisposalReport, Head, SummaryLine};
use super::{Desk, Scale, entry_runs, mono, rows};
use crate::pdf::{Bar, BarLimit, Block, Column, Level, Row, Table, Text};

impl Desk<'_> {
    pub(super) fn overview(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        blocks.push(Block::KeyValues(self.foundation(report)));
        blocks.push(Block::paragraph(self.t(Key::Intro)));
        self.summary(report, blocks);
        self.balance(report, blocks);
        self.months(report, blocks);
    }

    fn foundation(&self, report: &DisposalReport) -> Vec<(Text, Text)> {
        let period = format!(
            "{} {} {} ({}, {})",
            report.from,
            self.t(Key::PeriodTo),
            report.to,
            self.t(Key::LocalDays),
            report.time_zone
        );
        let sets: Vec<String> = report
            .rules
            .sets
            .iter()
            .map(|s| format!("{} ({} {})", s.title, self.t(Key::StateOfRules), s.state))
            .collect();
        let checkpoint = if report.head.checkpoint.is_empty() {
            self.t(Key::CheckpointNone)
        } else {
            self.t(Key::CheckpointInQr)
        };
        let mut rules = sets.join("\n");
        if report.jurisdiction.is_none() {
            rules = format!("{}\n{rules}", self.t(Key::NoRules));
        }
        vec![
            (self.t(Key::Site).into(), report.site.to_string().into()),
            (self.t(Key::Period).into(), period.into()),
            (self.t(Key::MadeAsOf).into(), report.at.clone().into()),
            (self.t(Key::Rules).into(), rules.into()),
            (self.t(Key::Log).into(), mono(&report.head.origin)),
            (self.t(Key::Entries).into(), report.head.size.to_string().into()),
            (self.t(Key::Root).into(), mono(&report.head.root)),
            (self.t(Key::KeyOfLog).into(), mono(&report.head.key_id)),
            (self.t(Key::Checkpoint).into(), checkpoint.into()),
            (self.t(Key::CosignedBy).into(), self.cosigned(&report.head).into()),
            (self.t(Key::Uncovered).into(), self.uncovered(&report.head).into()),
        ]
    }

    /// Who remembers the checkpoint, and since when.
    pub(super) fn cosigned(&self, head: &Head) -> String {
        if head.cosigned.is_empty() {
            return self.t(Key::CosignedByNobody).to_owned();
        }
        let lines = head.cosigned.iter().map(|c| format!("{}, {}", c.by, c.at));
        lines.collect::<Vec<_>>().join("\n")
    }

    /// Window D: what whoever holds the log's key could still rewrite.
    pub(crate) fn uncovered(&self, head: &Head) -> String {
        let entries = head.uncovered_entries;
        match &head.anchor {
            _ if entries == 0 => self.t(Key::UncoveredNone).to_owned(),
            None => format!("{entries}: {}", self.t(Key::UncoveredAll)),
            Some(anchor) => {
                let at = anchor.cosigned.first().map_or("", |c| c.at.as_str());
                let since = self.t(Key::UncoveredSince);
                format!("{entries}: {since} {at} ({} {})", self.t(Key::Entry), anchor.entry)
            }
        }
    }

    fn summary(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingSummary, blocks);
        let lines = &report.summary;
        let scale = Scale::of(
            lines.iter().flat_map(|l| [l.shipped_kg, l.received_kg]).chain([report.shipped_kg]),
        );
        let line = |l: &SummaryLine| {
            let determined = l.determination.map(|d| self.words.determination(d)).unwrap_or("");
            let material = l.material.as_ref().map(|m| m.to_string()).unwrap_or_default();
            vec![
                mono(&l.stream),
                Text::plain(material),
                Text::plain(determined).and("\n").and(mono(codes(l.codes.as_ref()))),
                if l.method.is_empty() {
                    self.t(Key::NotCertified).into()
                } else {
                    mono(&l.method)
                },
                Text::plain(l.containers.to_string()),
                scale.text(l.shipped_kg),
                scale.text(l.received_kg),
                entry_runs(&l.entries),
            ]
        };
        let mut rows = rows(lines.iter().map(line));
        let received: Kg = lines.iter().map(|l| l.received_kg).sum();
        rows.push(Row::total(vec![
            self.t(Key::Total).into(),
            Text::default(),
            Text::default(),
            Text::default(),
            Text::plain(report.shipped_containers.to_string()),
            scale.text(report.shipped_kg),
            scale.text(received),
            Text::default(),
        ]));
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Stream), 16),
                Column::new(self.t(Key::Material), 10),
                Column::new(self.t(Key::Determined), 17),
                Column::new(self.t(Key::Method), 12),
                Column::figures(self.t(Key::Containers), 8),
                Column::figures(self.t(Key::ShippedKg), 10),
                Column::figures(self.t(Key::ReceivedKg), 10),
                Column::new(self.t(Key::EntriesBelow), 16),
            ],
            rows,
            row_headings: true,
        }));
        let mut methods: Vec<&str> = lines.iter().flat_map(|l| l.method.split(" + ")).collect();
        methods.sort_unstable();
        methods.dedup();
        let meanings: Vec<String> = methods
            .into_iter()
            .filter_map(|code| method_text(code).map(|text| format!("{code}: {text}")))
            .collect();
        if !meanings.is_empty() {
            let text = format!("{}: {}.", self.t(Key::MethodMeanings), meanings.join(" · "));
            blocks.push(Block::SmallPrint(text.into()));
        }
    }

    fn balance(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingBalance, blocks);
        let scale = Scale::of(report.balance.iter().flat_map(|l| {
            [l.opening_kg, l.generated_kg, l.returned_kg, l.shipped_kg, l.closing_kg]
        }));
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Stream), 16),
                Column::figures(self.t(Key::Opening), 10),
                Column::figures(self.t(Key::Arose), 10),
                Column::figures(self.t(Key::Returned), 10),
                Column::figures(self.t(Key::ShippedKg), 11),
                Column::figures(self.t(Key::Closing), 10),
                Column::figures(self.t(Key::Difference), 11),
                Column::figures(self.t(Key::Uncertainty), 10),
                Column::new(self.t(Key::Closed), 10),
            ],
            rows: rows(report.balance.iter().map(|l| {
                vec![
                    mono(&l.stream),
                    scale.text(l.opening_kg),
                    scale.text(l.generated_kg),
                    scale.text(l.returned_kg),
                    scale.text(l.shipped_kg),
                    scale.text(l.closing_kg),
                    scale.text(l.difference_kg),
                    Text::plain(l.uncertainty_kg.0.to_string()),
                    self.words.yes(l.closed).into(),
                ]
            })),
            row_headings: true,
        }));
        blocks.push(Block::SmallPrint(self.t(Key::BalanceNote).into()));
    }

    fn months(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingMonths, blocks);
        let scale = Scale::of(report.months.iter().flat_map(|m| {
            let a = &m.amounts;
            [a.acute_kg, a.non_acute_kg, a.spill_residue_kg, a.non_hazardous_kg, a.undetermined_kg]
        }));
        if let Some(bar) = self.highest_month(&report.months) {
            blocks.push(Block::Bar(bar));
        }
        let category = |m: &MonthView| match (m.category, m.category_with_undetermined) {
            (Some(c), Some(other)) => {
                format!("{} ({})", self.words.category(c), self.words.category(other))
            }
            (Some(c), None) => self.words.category(c).to_owned(),
            (None, _) => String::new(),
        };
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Month), 10),
                Column::figures(self.t(Key::NonAcute), 11),
                Column::figures(self.t(Key::Acute), 9),
                Column::figures(self.t(Key::Residue), 11),
                Column::figures(self.t(Key::NonHazardous), 12),
                Column::figures(self.t(Key::Undetermined), 12),
                Column::new(self.t(Key::Category), 12),
                Column::new(self.t(Key::EntriesBelow), 18),
            ],
            rows: rows(report.months.iter().map(|m| {
                vec![
                    Text::plain(m.month.to_string()),
                    scale.text(m.amounts.non_acute_kg),
                    scale.text(m.amounts.acute_kg),
                    scale.text(m.amounts.spill_residue_kg),
                    scale.text(m.amounts.non_hazardous_kg),
                    scale.text(m.amounts.undetermined_kg),
                    category(m).into(),
                    entry_runs(&m.entries),
                ]
            })),
            row_headings: true,
        }));
    }

    /// The month with the most hazardous waste against the next limit of its category.
    fn highest_month(&self, months: &[MonthView]) -> Option<Bar> {
        let month = months.iter().max_by_key(|m| (m.amounts.non_acute_kg, m.month))?;
        let category = month.category?;
        let id = match category {
            Category::VerySmall => "us.category.sqg_kg",
            Category::Small | Category::Large => "us.category.lqg_kg",
        };
        let rule = month.rules.iter().find(|r| r.id == id)?;
        let limit: Decimal = rule.value.parse().ok()?;
        let grams =
            |kg: Decimal| u64::try_from((kg * Decimal::ONE_THOUSAND).trunc().mantissa()).ok();
        let shown = month.amounts.non_acute_kg.0.normalize();
        Some(Bar {
            label: format!("{} {}", self.t(Key::HighestMonth), month.month).into(),
            figure: format!("{shown} kg {} {limit} kg", self.t(Key::OfLimit)).into(),
            value: grams(month.amounts.non_acute_kg.0)?,
            scale: grams(limit)?,
            limit: Some(BarLimit {
                label: format!("{} {limit} kg ({})", self.t(Key::Limit), rule.section).into(),
                value: grams(limit)?,
            }),
        })
    }
}
