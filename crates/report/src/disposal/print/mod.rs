//! The printed forms: the report, the custody sheet of a shipment, the label of a container.

mod containers;
mod end;
mod label;
mod overview;
mod sheet;
mod shipments;
mod todo;

use jiff::Timestamp;
use shopfloor::cautions;
use shopfloor::common::Day;
use shopfloor::ids::Label;
use shopfloor::waste::Kg;
use shopfloor::waste::law::RuleUsed;

use super::words::{Key, Words};
use super::{CautionLine, DisposalReport, Head, tables};
use crate::json::{self, JsonError};
use crate::pdf::{
    Attachment, Block, Document, Language, Level, LogHead, Paper, PdfError, PdfSettings,
    Relationship, Row, Text, render,
};

pub use label::{ContainerLabel, container_label, label_document, label_to_pdf};
pub use sheet::{CustodySheet, custody_sheet, sheet_document, sheet_to_pdf};

/// Characters of the root shown at the foot of every page.
const ROOT_SHORT: usize = 16;
/// Runs of entry numbers shown in a cell; the attached files hold them all.
const RUNS_MAX: usize = 8;

/// Looks up the name of a person by pseudonym.
pub type Names<'a> = dyn Fn(&str) -> Option<String> + 'a;

/// How to print.
#[derive(Clone)]
pub struct Print<'a> {
    /// Language of the printed words. What was recorded is printed as it stands.
    pub language: Language,
    /// Paper size.
    pub paper: Paper,
    /// Name of a person by pseudonym, for readers who may see names; without it, or where it
    /// knows none, the pseudonym is printed.
    pub names: Option<&'a Names<'a>>,
    /// The evidence to carry inside ([`super::evidence`]).
    pub evidence: Option<Attachment>,
}

impl Default for Print<'_> {
    fn default() -> Self {
        Self { language: Language::English, paper: Paper::A4, names: None, evidence: None }
    }
}

/// Why a printed form could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// The machine-readable form could not be written.
    #[error("the data of the report could not be written")]
    Data(#[from] JsonError),
    /// The document could not be set.
    #[error("the document could not be printed")]
    Pdf(#[from] PdfError),
    /// The report does not say when it was made.
    #[error("`{at}` is no instant: compile the report again")]
    Instant {
        /// What stands there.
        at: String,
    },
}

/// Prints the report with its machine-readable form and its tables attached.
pub fn to_pdf(report: &DisposalReport, print: &Print<'_>) -> Result<Vec<u8>, PrintError> {
    render_at(&document(report, print)?, print, &report.at)
}

/// The document of the report, before it is set in type.
pub fn document(report: &DisposalReport, print: &Print<'_>) -> Result<Document, PrintError> {
    let words = Words(print.language);
    let desk = Desk { words, print };
    let mut blocks = Vec::new();
    desk.overview(report, &mut blocks);
    desk.containers(report, &mut blocks);
    desk.shipments(report, &mut blocks);
    desk.to_do(report, &mut blocks);
    desk.end(report, &mut blocks);
    let descriptions = [words.of(Key::AttachmentJson), words.of(Key::AttachmentCsv)];
    let (data, table) = (json::to_bytes(report)?, tables::to_csv(report));
    let mut attachments = both_forms("disposal", descriptions, data, table);
    attachments.extend(print.evidence.iter().cloned());
    Ok(Document {
        title: words.of(Key::Title).into(),
        subtitle: site_and_period(words, &report.site, report.from, report.to),
        language: print.language,
        subject: words.of(Key::Subject).into(),
        log: log_head(&report.head),
        blocks,
        attachments,
    })
}

/// Site and period of a report as one line.
pub(crate) fn site_and_period(words: Words, site: &Label, from: Day, to: Day) -> String {
    format!("{} {site} · {from} {} {to}", words.of(Key::Site), words.of(Key::PeriodTo))
}

/// The two machine-readable forms of a report, to be carried inside the printed one.
pub(crate) fn both_forms(
    name: &str,
    [data_is, table_is]: [&str; 2],
    data: Vec<u8>,
    table: Vec<u8>,
) -> Vec<Attachment> {
    vec![
        Attachment {
            name: format!("{name}.json"),
            mime: "application/json".into(),
            relationship: Relationship::Data,
            description: data_is.into(),
            bytes: data,
        },
        Attachment {
            name: format!("{name}.csv"),
            mime: "text/csv".into(),
            relationship: Relationship::Alternative,
            description: table_is.into(),
            bytes: table,
        },
    ]
}

pub(crate) fn render_at(
    document: &Document,
    print: &Print<'_>,
    at: &str,
) -> Result<Vec<u8>, PrintError> {
    let created: Timestamp = at.parse().map_err(|_| PrintError::Instant { at: at.to_owned() })?;
    Ok(render(document, &PdfSettings::new(print.paper, created))?)
}

pub(crate) fn log_head(head: &Head) -> LogHead {
    LogHead {
        origin: head.origin.clone(),
        size: head.size,
        root_short: head.root.chars().take(ROOT_SHORT).collect(),
    }
}

/// Builds the blocks of a document.
pub(crate) struct Desk<'a> {
    pub(crate) words: Words,
    pub(crate) print: &'a Print<'a>,
}

impl Desk<'_> {
    pub(crate) fn t(&self, key: Key) -> &'static str {
        self.words.of(key)
    }

    pub(crate) fn heading(&self, level: Level, key: Key, blocks: &mut Vec<Block>) {
        blocks.push(Block::heading(level, self.t(key)));
    }

    /// A person's name where it may be shown, else what stands there.
    pub(crate) fn person(&self, text: &str) -> String {
        let name = self.print.names.filter(|_| text.starts_with("op_"));
        name.and_then(|names| names(text)).unwrap_or_else(|| text.to_owned())
    }

    /// A framed caution out of the catalogue, in the language of the document.
    fn caution(&self, ids: &[&str]) -> Block {
        let lines = ids.iter().filter_map(|id| cautions::find(id)).map(|c| CautionLine {
            id: c.id.into(),
            title: c.title.into(),
            text: c.text.into(),
            source: c.source.into(),
        });
        let paragraphs = lines.map(|line| {
            let (title, text) = self.words.caution(&line);
            Text::bold(format!("{title}. ")).and(text.to_owned())
        });
        Block::Caution(paragraphs.chain([Text::bold(self.words.defer())]).collect())
    }

    fn day(&self, day: Option<Day>) -> Text {
        Text::plain(day.map(|d| d.to_string()).unwrap_or_default())
    }

    /// The value of a rule with its version; `~` marks an unconfirmed one.
    fn rule(&self, rule: &RuleUsed) -> String {
        let mark = if rule.unconfirmed() { " ~" } else { "" };
        format!("{}{mark}", rule.version())
    }
}

/// Entry numbers in one cell: runs `12-15`, cut to what fits a cell.
pub(crate) fn entry_runs(entries: &[u64]) -> Text {
    let text = tables::entries(entries);
    let runs: Vec<&str> = text.split(' ').collect();
    if runs.len() <= RUNS_MAX {
        return Text::mono(text);
    }
    let shown = runs[..RUNS_MAX - 1].join(" ");
    Text::mono(format!("{shown} … ({})", entries.len()))
}

/// Formats masses with the same number of decimals, so that they line up.
struct Scale(u32);

impl Scale {
    /// As many decimals as the finest of the masses has, at least two.
    fn of(masses: impl IntoIterator<Item = Kg>) -> Self {
        Self(masses.into_iter().map(|kg| kg.0.scale()).max().unwrap_or(0).max(2))
    }

    fn text(&self, kg: Kg) -> Text {
        let mut shown = kg.0;
        shown.rescale(self.0);
        Text::plain(shown.to_string())
    }

    fn some(&self, kg: Option<Kg>) -> Text {
        kg.map_or_else(Text::default, |kg| self.text(kg))
    }
}

pub(crate) fn rows(cells: impl IntoIterator<Item = Vec<Text>>) -> Vec<Row> {
    cells.into_iter().map(Row::body).collect()
}

pub(crate) fn mono(text: impl Into<String>) -> Text {
    Text::mono(text)
}
