//! The maintenance report of a site and period: what was done, what was late, what is open, and who
//! stands for it.

mod compile;
mod print;
mod tables;

use std::collections::BTreeSet;

use serde::Serialize;
use shopfloor::common::Day;
use shopfloor::equipment::{DeferralLine, PartChange, UpkeepLine};
use shopfloor::ids::Label;
use shopfloor::people::DeviationView;
use shopfloor::stats::proportion::RateView;

use crate::disposal::{CautionLine, FindingLine, Head};
use crate::signatures::SignatureLine;

pub use compile::compile;
pub use print::{document, to_pdf};
pub use tables::to_csv;

/// Version of the machine-readable form.
pub const FORM_VERSION: u16 = 1;

/// A deviation that was opened, open or closed in the period.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DeviationLine {
    /// The deviation as it stands.
    #[serde(flatten)]
    pub deviation: DeviationView,
    /// Local day it was opened.
    pub opened_on: Option<Day>,
    /// Local day it was closed.
    pub closed_on: Option<Day>,
    /// Rules of weight `stop` that its entries overrode.
    pub overridden: Vec<String>,
}

/// The maintenance report: plain data from which every form is written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MaintenanceReport {
    /// `maintenance`.
    pub report: String,
    /// [`FORM_VERSION`].
    pub version: u16,
    /// The site.
    pub site: Label,
    /// Its time zone; every day in the report is a day of its calendar.
    pub time_zone: String,
    /// First day.
    pub from: Day,
    /// Last day.
    pub to: Day,
    /// Instant as of which states are told, UTC.
    pub at: String,
    /// Where the log stood.
    pub head: Head,
    /// Tasks done on time.
    pub on_time: u64,
    /// Tasks done late.
    pub late: u64,
    /// Tasks that fell due and are open.
    pub open: u64,
    /// Share done on time with its 95 % interval; none: no tasks due.
    pub rate: Option<RateView>,
    /// Every task that fell due or was done, by machine and day.
    pub work: Vec<UpkeepLine>,
    /// Decisions to do a task later.
    pub deferrals: Vec<DeferralLine>,
    /// Parts that were changed.
    pub parts: Vec<PartChange>,
    /// Deviations that were open on a day of the period.
    pub deviations: Vec<DeviationLine>,
    /// Findings about machines and people: those of the period, and earlier ones that are open.
    pub findings: Vec<FindingLine>,
    /// Signatures of the entries above.
    pub signatures: Vec<SignatureLine>,
    /// Cautions.
    pub cautions: Vec<CautionLine>,
    /// What a signature under this report says.
    pub signature_meaning: String,
}

impl MaintenanceReport {
    /// Every entry something in the report rests on, ascending.
    pub fn rests_on(&self) -> BTreeSet<u64> {
        let lists = (self.work.iter().map(|l| &l.entries))
            .chain(self.deviations.iter().map(|l| &l.deviation.entries))
            .chain(self.findings.iter().map(|l| &l.entries));
        let mut all: BTreeSet<u64> = lists.flatten().copied().collect();
        all.extend(self.deferrals.iter().map(|l| l.entry));
        all.extend(self.parts.iter().map(|l| l.entry));
        all.extend(self.findings.iter().filter_map(|f| f.settled_by));
        all.extend(SignatureLine::rest_on(&self.signatures));
        all
    }
}
