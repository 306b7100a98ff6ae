//! The disposal report of a site and period.

mod compile;
mod tables;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use shopfloor::common::Day;
use shopfloor::finding::Level;
use shopfloor::ids::{Code, Label, Subject};
use shopfloor::waste::Kg;
use shopfloor::waste::container::ContainerState;
use shopfloor::waste::events::{Determination, WasteCodes};
use shopfloor::waste::view::{CustodyStep, ShipmentView};

pub use compile::compile;
pub use tables::to_csv;

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
    /// Where it is in its life.
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
    /// Containers that stood on the site or moved in the period.
    pub containers: Vec<ContainerLine>,
    /// Shipments of these containers.
    pub shipments: Vec<ShipmentView>,
    /// Corrections and voids of entries the report rests on.
    pub corrections: Vec<CorrectionLine>,
    /// Findings about waste in the period.
    pub findings: Vec<FindingLine>,
}
