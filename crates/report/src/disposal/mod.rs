//! The disposal report of a site and period.

mod compile;
mod corrections;
mod open_items;
pub(crate) mod print;
pub(crate) mod tables;
pub(crate) mod words;

use std::collections::BTreeSet;

use chain::Digest;
use chain::checkpoint::split_cosignature;
use chain::entry::Entry;
use chain::note::Note;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use shopfloor::Fact;
use shopfloor::catalogue::Event;
use shopfloor::common::Day;
use shopfloor::finding::{Finding, Level};
use shopfloor::ids::{Code, Label, Subject};
use shopfloor::waste::Kg;
use shopfloor::waste::balance::BalanceLine;
use shopfloor::waste::category::MonthView;
use shopfloor::waste::clocks::Clock;
use shopfloor::waste::container::ContainerState;
use shopfloor::waste::events::{Determination, WasteCodes};
use shopfloor::waste::law::RuleUsed;
use shopfloor::waste::retention::Retention;
use shopfloor::waste::view::{CustodyStep, ShipmentView};

use crate::signatures::SignatureLine;

pub use compile::compile;
pub use print::{
    ContainerLabel, CustodySheet, Names, Print, PrintError, container_label, custody_sheet,
    document, label_document, label_to_pdf, sheet_document, sheet_to_pdf, to_pdf,
};
pub use tables::to_csv;
pub use words::{caution, closing_words};

// Shared with the other reports.
pub(crate) use compile::caution_lines;
pub(crate) use print::{
    Desk, both_forms, entry_runs, log_head, mono, render_at, rows, site_and_period,
};
pub(crate) use tables::{entries as entry_list, section, text};
pub(crate) use words::{Key, Words};

/// Version of the machine-readable form.
pub const FORM_VERSION: u16 = 1;

/// Where the log stood when the report was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Head {
    /// Origin of the log.
    pub origin: String,
    /// Number of entries.
    pub size: u64,
    /// Root of the tree over them, base64.
    pub root: String,
    /// Key that signed the checkpoint, as printed in notes (name and key id).
    pub key_id: String,
    /// The signed checkpoint, verbatim; empty when none was signed yet.
    pub checkpoint: String,
    /// Who cosigned it before the report was made.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub cosigned: Vec<Cosigned>,
    /// The newest checkpoint cosigned by others that these entries keep.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub anchor: Option<KeptAnchor>,
    /// Entries that nothing outside the log covered when the report was made: whoever holds its key
    /// could still rewrite them.
    pub uncovered_entries: u64,
}

/// Somebody who remembers a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cosigned {
    /// Name and id of the key.
    pub by: String,
    /// When, by their clock, UTC.
    pub at: String,
}

/// A checkpoint cosigned by others, kept in the log.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptAnchor {
    /// Entry that keeps it.
    pub entry: u64,
    /// Entries it covers.
    pub size: u64,
    /// Who cosigned it.
    pub cosigned: Vec<Cosigned>,
}

/// How to compile a report.
#[derive(Debug, Clone)]
pub struct Options {
    /// Instant as of which clocks are read and states told.
    pub at: Timestamp,
}

/// Mass shipped, by stream and by method of treatment.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SummaryLine {
    /// Stream; `unknown` when the container names none.
    pub stream: String,
    /// Material of the stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub material: Option<Label>,
    /// What the generator determined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub determination: Option<Determination>,
    /// Codes as determined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub codes: Option<WasteCodes>,
    /// Method codes of the certificates, joined by ` + `; empty when not certified.
    pub method: String,
    /// How many containers.
    pub containers: u64,
    /// Sum of their net masses as shipped, in kg.
    pub shipped_kg: Kg,
    /// Sum of what the facilities found, in kg, of the containers they weighed.
    pub received_kg: Kg,
    /// Labels of the containers, ascending.
    pub container_labels: Vec<Label>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// One container in the list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ContainerLine {
    /// Its label.
    pub container: Label,
    /// Stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<Label>,
    /// Codes as determined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub codes: Option<WasteCodes>,
    /// Container type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub container_type: Option<Label>,
    /// Day it was opened.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened: Option<Day>,
    /// Day it was closed for good.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closed: Option<Day>,
    /// Day it left the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left: Option<Day>,
    /// Net mass in kg: as shipped, or as it stands.
    pub net_kg: Kg,
    /// Whether that is a weighing; otherwise it is the sum of what was put in.
    pub weighed: bool,
    /// Sum of what was put in, in kg.
    pub added_kg: Kg,
    /// Whether weighing and sum agree within the uncertainty of weighing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub agrees: Option<bool>,
    /// What the facility found, in kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub received_kg: Option<Kg>,
    /// Shipment it left on, or was last offered on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shipment: Option<Label>,
    /// Document number of that shipment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub document: Option<String>,
    /// Method codes of its certificates, joined by ` + `; empty when not certified.
    pub method: String,
    /// Where it was in its life when the report was made.
    pub state: ContainerState,
    /// Whether it left the site within the period and so counts in the summary.
    pub counted: bool,
    /// Who held it, from first to last.
    pub custody: Vec<CustodyStep>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// One member that a correction changed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangedMember {
    /// JSON pointer into the data of the event.
    pub pointer: String,
    /// What was recorded, as JSON text; absent when the member was not there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub original: Option<String>,
    /// What counts now, as JSON text; absent when the member is gone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrected: Option<String>,
}

/// One entry that was corrected or voided.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CorrectionLine {
    /// The entry.
    pub entry: u64,
    /// Its kind of event.
    pub event: String,
    /// Entry of the correction.
    pub by_entry: u64,
    /// Who approved, by pseudonym.
    pub approver: String,
    /// Why: a code, or a note that the words are kept outside the log.
    pub reason: String,
    /// Whether the entry was declared void.
    pub void: bool,
    /// What changed.
    pub changed: Vec<ChangedMember>,
}

/// One finding about waste in the period.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingLine {
    /// Stable id.
    pub id: String,
    /// Rule.
    pub rule: String,
    /// Source of the rule.
    pub source: String,
    /// Weight.
    pub level: Level,
    /// Local day of the work.
    pub day: Day,
    /// What it is about.
    pub subject: Subject,
    /// What was found.
    pub detail: String,
    /// Entry that settled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled_by: Option<u64>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

impl FindingLine {
    /// A finding with the local day of the work.
    pub(crate) fn of(finding: &Finding, day: Day) -> Self {
        Self {
            id: finding.id.clone(),
            rule: finding.rule.clone(),
            source: shopfloor::finding::rule(&finding.rule).map_or("", |r| r.source).to_owned(),
            level: finding.level,
            day,
            subject: finding.subject.clone(),
            detail: finding.detail.clone(),
            settled_by: finding.settled_by,
            entries: finding.entries.clone(),
        }
    }
}

/// What somebody still has to see to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OpenKind {
    /// A duty whose last day has passed.
    OverdueClock,
    /// A shipment without a signed copy.
    NoSignedCopy,
    /// A shipment that was received and not certified.
    NoCertificate,
    /// Certificates that do not cover what was received.
    UncertifiedMass,
    /// A discrepancy that nobody settled.
    UnsettledDiscrepancy,
    /// A significant difference that nobody recorded as a discrepancy.
    UnrecordedDiscrepancy,
    /// A move on site that only one side stands for.
    OneSidedTransfer,
    /// A holding whose giver was not the holder.
    CustodyGap,
    /// Waste of a stream that nobody determined.
    UndeterminedStream,
    /// A container whose weighing and additions differ.
    SumAndWeighing,
}

impl OpenKind {
    /// The word as recorded.
    pub fn as_str(self) -> &'static str {
        match self {
            OpenKind::OverdueClock => "overdue_clock",
            OpenKind::NoSignedCopy => "no_signed_copy",
            OpenKind::NoCertificate => "no_certificate",
            OpenKind::UncertifiedMass => "uncertified_mass",
            OpenKind::UnsettledDiscrepancy => "unsettled_discrepancy",
            OpenKind::UnrecordedDiscrepancy => "unrecorded_discrepancy",
            OpenKind::OneSidedTransfer => "one_sided_transfer",
            OpenKind::CustodyGap => "custody_gap",
            OpenKind::UndeterminedStream => "undetermined_stream",
            OpenKind::SumAndWeighing => "sum_and_weighing",
        }
    }
}

impl FactName {
    /// The word as recorded.
    pub fn as_str(self) -> &'static str {
        match self {
            FactName::LastDay => "last_day",
            FactName::DaysLate => "days_late",
            FactName::Rule => "rule",
            FactName::Day => "day",
            FactName::Transporter => "transporter",
            FactName::Kind => "kind",
            FactName::Expected => "expected",
            FactName::Found => "found",
            FactName::Shipped => "shipped",
            FactName::Received => "received",
            FactName::Certified => "certified",
            FactName::Giver => "giver",
            FactName::Receiver => "receiver",
            FactName::Stream => "stream",
            FactName::Weighed => "weighed",
            FactName::PutIn => "put_in",
        }
    }
}

/// A figure or name that belongs to an open item.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct NamedFact {
    /// What it is.
    pub name: FactName,
    /// The value as text: a day, a mass with unit, a label or a pseudonym.
    pub value: String,
}

/// What a [`NamedFact`] tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FactName {
    /// Last day of a duty.
    LastDay,
    /// Days by which it is late.
    DaysLate,
    /// Value of a rule, with its version.
    Rule,
    /// Day.
    Day,
    /// Transporter.
    Transporter,
    /// Kind of discrepancy.
    Kind,
    /// What was expected.
    Expected,
    /// What was found.
    Found,
    /// What was shipped.
    Shipped,
    /// What was received.
    Received,
    /// What was certified.
    Certified,
    /// Who gave.
    Giver,
    /// Who took.
    Receiver,
    /// Stream.
    Stream,
    /// What was weighed.
    Weighed,
    /// What was put in.
    PutIn,
}

/// One open item.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct OpenItem {
    /// What it is.
    pub kind: OpenKind,
    /// What it is about.
    pub subject: Subject,
    /// Figures and names that belong to it.
    pub facts: Vec<NamedFact>,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// A rule set that binds the site.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RuleSetLine {
    /// Its id.
    pub id: String,
    /// What it covers.
    pub title: String,
    /// Day as of which it was put together.
    pub state: Day,
}

/// The rules the report rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RulesUsed {
    /// Rule sets that bind the site.
    pub sets: Vec<RuleSetLine>,
    /// Every value used in this report, in the version used.
    pub values: Vec<RuleUsed>,
    /// Names of those that are not confirmed.
    pub unconfirmed: Vec<String>,
    /// Whether days are counted with the start day as day 1.
    pub strict_day_count: bool,
    /// Whether a legal hold lies on the records of the site.
    pub legal_hold: bool,
}

/// A caution or notice that belongs to the report.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CautionLine {
    /// Stable id.
    pub id: String,
    /// Heading; empty for a notice about the law.
    pub title: String,
    /// The text.
    pub text: String,
    /// Where it comes from.
    pub source: String,
}

/// The disposal report: plain data from which every form is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct DisposalReport {
    /// `disposal`.
    pub report: String,
    /// [`FORM_VERSION`].
    pub version: u16,
    /// The site.
    pub site: Label,
    /// Its time zone; every day in the report is a day of its calendar.
    pub time_zone: String,
    /// Rules the site falls under.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub jurisdiction: Option<Code>,
    /// First day.
    pub from: Day,
    /// Last day.
    pub to: Day,
    /// Instant as of which clocks are read and states told, UTC.
    pub at: String,
    /// Where the log stood.
    pub head: Head,
    /// Mass shipped by stream and treatment.
    pub summary: Vec<SummaryLine>,
    /// Sum of the summary, in kg.
    pub shipped_kg: Kg,
    /// How many containers were shipped: the sum of the summary.
    pub shipped_containers: u64,
    /// What was there, arose, left and is there, by stream.
    pub balance: Vec<BalanceLine>,
    /// What arose month by month, with the generator category where rules make one.
    pub months: Vec<MonthView>,
    /// Containers that stood on the site or moved in the period.
    pub containers: Vec<ContainerLine>,
    /// Shipments of these containers.
    pub shipments: Vec<ShipmentView>,
    /// What somebody still has to see to.
    pub open_items: Vec<OpenItem>,
    /// Every open duty of the site.
    pub clocks: Vec<Clock>,
    /// How long the records of these shipments and streams are kept.
    pub retention: Vec<Retention>,
    /// Corrections and voids of entries the report rests on.
    pub corrections: Vec<CorrectionLine>,
    /// Findings about waste in the period.
    pub findings: Vec<FindingLine>,
    /// Signatures of entries the report rests on, those that still count.
    pub signatures: Vec<SignatureLine>,
    /// Rules used.
    pub rules: RulesUsed,
    /// Cautions and notices.
    pub cautions: Vec<CautionLine>,
    /// What a signature under this report says.
    pub signature_meaning: String,
}

impl DisposalReport {
    /// The three lines of the checkpoint this report rests on, or the whole signed checkpoint
    /// when there is one: what the QR code holds, to be compared with what witnesses keep.
    pub fn anchor_text(&self) -> String {
        self.head.anchor_text()
    }

    /// Every entry something in the report rests on, ascending.
    pub fn rests_on(&self) -> BTreeSet<u64> {
        let mut all: BTreeSet<u64> = BTreeSet::new();
        let lists = (self.summary.iter().map(|l| &l.entries))
            .chain(self.balance.iter().map(|l| &l.entries))
            .chain(self.months.iter().map(|l| &l.entries))
            .chain(self.containers.iter().map(|l| &l.entries))
            .chain(self.shipments.iter().map(|l| &l.entries))
            .chain(self.open_items.iter().map(|l| &l.entries))
            .chain(self.clocks.iter().map(|l| &l.entries))
            .chain(self.retention.iter().map(|l| &l.entries))
            .chain(self.findings.iter().map(|l| &l.entries));
        all.extend(lists.flatten());
        all.extend(self.corrections.iter().flat_map(|c| [c.entry, c.by_entry]));
        all.extend(self.findings.iter().filter_map(|f| f.settled_by));
        all.extend(SignatureLine::rest_on(&self.signatures));
        all
    }
}

impl Head {
    /// Where a log stood: a checkpoint of its key `key_id` over `size` entries, or only its lines
    /// while none was signed; `anchor` is the newest entry among them that keeps a cosigned one, as
    /// stored. Signatures are read and not verified: an audit does that.
    pub fn new(
        origin: &str,
        size: u64,
        root: Digest,
        key_id: String,
        checkpoint: &str,
        anchor: Option<&[u8]>,
    ) -> Self {
        let cosigned = cosigned(checkpoint);
        let anchor = anchor.and_then(KeptAnchor::read);
        let covered = match (&cosigned[..], &anchor) {
            ([], None) => 0,
            ([], Some(anchor)) => anchor.size.min(size),
            ([..], _) => size,
        };
        Self {
            origin: origin.to_owned(),
            size,
            root: root.to_base64(),
            key_id,
            checkpoint: checkpoint.to_owned(),
            cosigned,
            anchor,
            uncovered_entries: size - covered,
        }
    }

    /// The signed checkpoint, or its three lines while there is none.
    pub fn anchor_text(&self) -> String {
        if self.checkpoint.is_empty() {
            format!("{}\n{}\n{}\n", self.origin, self.size, self.root)
        } else {
            self.checkpoint.clone()
        }
    }
}

impl KeptAnchor {
    fn read(line: &[u8]) -> Option<Self> {
        let entry = Entry::parse(line).ok()?;
        let Event::AnchorKept(kept) = Fact::from_entry(&entry).ok()?.event else { return None };
        let size = kept.note.lines().nth(1)?.parse().ok()?;
        Some(Self { entry: entry.seq, size, cosigned: cosigned(&kept.note) })
    }
}

/// The cosignatures of a note, told apart by their form (C2SP tlog-cosignature).
fn cosigned(note: &str) -> Vec<Cosigned> {
    let lines = Note::parse(note.as_bytes()).map(|note| note.signatures).unwrap_or_default();
    let told = lines.iter().filter_map(|line| {
        let (at_s, _) = split_cosignature(&line.signature)?;
        let at = Timestamp::from_second(i64::try_from(at_s).ok()?).ok()?.to_string();
        Some(Cosigned { by: line.label(), at })
    });
    told.collect()
}
