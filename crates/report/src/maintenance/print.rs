//! The printed form.

use shopfloor::equipment::Punctuality;

use super::{MaintenanceReport, tables};
use crate::disposal::{
    Desk, Key, Print, PrintError, Words, both_forms, entry_runs, log_head, mono, render_at, rows,
    site_and_period,
};
use crate::json;
use crate::pdf::{Block, Column, Document, Level, Table, Text};

/// Prints the report with its machine-readable form and its tables attached.
///
/// # Errors
/// [`PrintError`].
pub fn to_pdf(report: &MaintenanceReport, print: &Print<'_>) -> Result<Vec<u8>, PrintError> {
    render_at(&document(report, print)?, print, &report.at)
}

/// The document of the report, before it is set in type.
///
/// # Errors
/// [`PrintError::Data`].
pub fn document(report: &MaintenanceReport, print: &Print<'_>) -> Result<Document, PrintError> {
    let desk = Desk { words: Words(print.language), print };
    let words = desk.words;
    let mut blocks = vec![Block::KeyValues(desk.figures(report))];
    for (heading, table) in [
        (Key::HeadingWork, desk.work(report)),
        (Key::HeadingDeferrals, desk.deferrals(report)),
        (Key::HeadingParts, desk.parts(report)),
        (Key::HeadingDeviations, desk.deviations(report)),
        (Key::HeadingUpkeepFindings, desk.upkeep_findings(report)),
    ] {
        desk.heading(Level::One, heading, &mut blocks);
        blocks.push(Block::Table(table));
    }
    desk.signatures(&report.signatures, &mut blocks);
    desk.cautions(&report.cautions, &mut blocks);
    desk.signature_block(Key::SignatureMeaning, &mut blocks);
    desk.check(&report.head, &mut blocks);
    let descriptions = [words.of(Key::AttachmentJson), words.of(Key::AttachmentCsv)];
    let (data, table) = (json::to_bytes(report)?, tables::to_csv(report));
    let mut attachments = both_forms("maintenance", descriptions, data, table);
    attachments.extend(print.evidence.iter().cloned());
    Ok(Document {
        title: words.of(Key::UpkeepTitle).into(),
        subtitle: site_and_period(words, &report.site, report.from, report.to),
        language: print.language,
        subject: words.of(Key::UpkeepSubject).into(),
        log: log_head(&report.head),
        blocks,
        attachments,
    })
}

fn some<T: ToString>(value: Option<T>) -> Text {
    Text::plain(value.map(|v| v.to_string()).unwrap_or_default())
}

fn label<T: ToString>(value: Option<T>) -> Text {
    mono(value.map(|v| v.to_string()).unwrap_or_default())
}

fn table(columns: Vec<Column>, cells: impl IntoIterator<Item = Vec<Text>>) -> Table {
    Table { caption: Text::default(), columns, rows: rows(cells), row_headings: true }
}

impl Desk<'_> {
    fn figures(&self, report: &MaintenanceReport) -> Vec<(Text, Text)> {
        let rate = match &report.rate {
            None => self.t(Key::NothingDue).to_owned(),
            Some(rate) => format!(
                "{} % ({} {} {}); {} {} {} {} %",
                rate.percent,
                rate.hits,
                self.t(Key::Of),
                rate.of,
                self.t(Key::Interval),
                rate.low_percent,
                self.t(Key::PeriodTo),
                rate.high_percent
            ),
        };
        vec![
            (self.t(Key::DoneOnTime).into(), report.on_time.to_string().into()),
            (self.t(Key::DoneLate).into(), report.late.to_string().into()),
            (self.t(Key::FellDueOpen).into(), report.open.to_string().into()),
            (self.t(Key::OnTimeShare).into(), rate.into()),
            (self.t(Key::TimeZone).into(), report.time_zone.clone().into()),
            (self.t(Key::AsOf).into(), report.at.clone().into()),
            (self.t(Key::Uncovered).into(), self.uncovered(&report.head).into()),
        ]
    }

    fn punctuality(&self, punctuality: Punctuality) -> Text {
        match punctuality {
            Punctuality::OnTime => self.t(Key::OnTime).into(),
            Punctuality::Late => Text::bold(self.t(Key::Late)),
            Punctuality::Open => Text::bold(self.t(Key::Open)),
        }
    }

    fn by(&self, person: Option<impl ToString>) -> Text {
        Text::plain(person.map(|p| self.person(&p.to_string())).unwrap_or_default())
    }

    fn work(&self, report: &MaintenanceReport) -> Table {
        let columns = vec![
            Column::new(self.t(Key::Machine), 12),
            Column::new(self.t(Key::Task), 22),
            Column::new(self.t(Key::Standing), 10),
            Column::new(self.t(Key::DueOn), 12),
            Column::new(self.t(Key::DoneOn), 12),
            Column::new(self.t(Key::By), 14),
            Column::new(self.t(Key::Entries), 18),
        ];
        table(
            columns,
            report.work.iter().map(|line| {
                vec![
                    mono(line.machine.as_str()),
                    mono(line.task.as_str()),
                    self.punctuality(line.punctuality),
                    some(line.due_on),
                    some(line.done_on),
                    self.by(line.person.as_ref()),
                    entry_runs(&line.entries),
                ]
            }),
        )
    }

    fn deferrals(&self, report: &MaintenanceReport) -> Table {
        let columns = vec![
            Column::new(self.t(Key::Machine), 12),
            Column::new(self.t(Key::Task), 22),
            Column::new(self.t(Key::Day), 12),
            Column::new(self.t(Key::Until), 18),
            Column::new(self.t(Key::Reason), 16),
            Column::new(self.t(Key::ApprovedBy), 14),
            Column::new(self.t(Key::Entries), 8),
        ];
        table(
            columns,
            report.deferrals.iter().map(|line| {
                let until = [line.until_day.map(|d| d.to_string()), line.until_reading.clone()];
                let until: Vec<String> = until.into_iter().flatten().collect();
                vec![
                    mono(line.machine.as_str()),
                    mono(line.task.as_str()),
                    some(Some(line.day)),
                    until.join("; ").into(),
                    line.reason.clone().into(),
                    self.by(Some(&line.approved_by)),
                    entry_runs(&[line.entry]),
                ]
            }),
        )
    }

    fn parts(&self, report: &MaintenanceReport) -> Table {
        let columns = vec![
            Column::new(self.t(Key::Machine), 11),
            Column::new(self.t(Key::Position), 17),
            Column::new(self.t(Key::Day), 15),
            Column::new(self.t(Key::TakenOut), 12),
            Column::new(self.t(Key::Condition), 9),
            Column::figures(self.t(Key::HoursCarried), 10),
            Column::new(self.t(Key::PutInPart), 12),
            Column::new(self.t(Key::By), 13),
            Column::new(self.t(Key::Entries), 10),
        ];
        table(
            columns,
            report.parts.iter().map(|line| {
                vec![
                    mono(line.machine.as_str()),
                    mono(line.position.as_str()),
                    some(Some(line.day)),
                    label(line.out.as_ref()),
                    some(line.condition),
                    some(line.hours.as_ref()),
                    label(line.fitted.as_ref()),
                    self.by(line.person.as_ref()),
                    entry_runs(&[line.entry]),
                ]
            }),
        )
    }

    fn deviations(&self, report: &MaintenanceReport) -> Table {
        let columns = vec![
            Column::new(self.t(Key::Deviation), 12),
            Column::new(self.t(Key::Standing), 8),
            Column::new(self.t(Key::Since), 12),
            Column::new(self.t(Key::Until), 12),
            Column::new(self.t(Key::WhatHappened), 18),
            Column::new(self.t(Key::Overridden), 36),
            Column::new(self.t(Key::Entries), 10),
        ];
        table(
            columns,
            report.deviations.iter().map(|line| {
                let deviation = &line.deviation;
                vec![
                    mono(deviation.deviation.as_str()),
                    some(Some(deviation.state)),
                    some(line.opened_on),
                    some(line.closed_on),
                    some(deviation.what.as_ref()),
                    mono(line.overridden.join("\n")),
                    entry_runs(&deviation.entries),
                ]
            }),
        )
    }

    fn upkeep_findings(&self, report: &MaintenanceReport) -> Table {
        let columns = vec![
            Column::new(self.t(Key::Day), 12),
            Column::new(self.t(Key::About), 16),
            Column::new(self.t(Key::FindingLevel), 10),
            Column::new(self.t(Key::Found), 40),
            Column::new(self.t(Key::SettledBy), 10),
            Column::new(self.t(Key::Entries), 12),
        ];
        table(
            columns,
            report.findings.iter().map(|line| {
                let settled = match line.settled_by {
                    Some(entry) => mono(entry.to_string()),
                    None => Text::bold(self.t(Key::Open)),
                };
                vec![
                    some(Some(line.day)),
                    mono(line.subject.to_string()),
                    self.words.level(line.level).into(),
                    Text::plain(format!("{}\n", line.detail)).and(mono(line.rule.as_str())),
                    settled,
                    entry_runs(&line.entries),
                ]
            }),
        )
    }
}
