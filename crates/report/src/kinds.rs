//! Every kind of report behind one door.
//!
//! What a report is about ([`About`]) decides its kind; compiling, writing, issuing and working it
//! out again then go one way, whoever asks. A new kind is a variant of [`About`] and of [`Report`]:
//! the compiler lists the rest.

use std::collections::BTreeSet;

use serde::Deserialize;
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::ids::{Code, FileDigest, Label, NameError};
use shopfloor::record::events::ReportIssued;

use crate::disposal::{self, DisposalReport, Head, Options, Print, PrintError};
use crate::json::{self, JsonError};
use crate::lot::{self, LotError, LotReport};
use crate::maintenance::{self, MaintenanceReport};

/// A site and days.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Period {
    /// The site.
    pub site: Label,
    /// First day.
    pub from: Day,
    /// Last day.
    pub to: Day,
}

/// What a report is about.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum About {
    /// What became of the waste of a site.
    Disposal(Period),
    /// What was done on its machines.
    Maintenance(Period),
    /// The life of a powder lot.
    Lot(Label),
}

const DISPOSAL: &str = "disposal";
const MAINTENANCE: &str = "maintenance";
const LOT: &str = "lot";

impl About {
    /// Kinds that are about a site and a period, as recorded.
    pub const OF_A_PERIOD: &'static [&'static str] = &[DISPOSAL, MAINTENANCE];

    /// The kind as recorded: the word in the report itself and in `report.issued`.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Disposal(_) => DISPOSAL,
            Self::Maintenance(_) => MAINTENANCE,
            Self::Lot(_) => LOT,
        }
    }

    /// A report of this kind about a site and a period; `None` if the kind is not one of
    /// [`About::OF_A_PERIOD`].
    pub fn period(kind: &str, period: Period) -> Option<Self> {
        match kind {
            DISPOSAL => Some(Self::Disposal(period)),
            MAINTENANCE => Some(Self::Maintenance(period)),
            _ => None,
        }
    }

    /// Name of its files, without suffix.
    pub fn file_name(&self) -> String {
        let kind = self.kind();
        match self {
            Self::Disposal(Period { site, from, to })
            | Self::Maintenance(Period { site, from, to }) => format!("{kind}-{site}-{from}-{to}"),
            Self::Lot(lot) => format!("{kind}-{lot}"),
        }
    }

    /// What the log tells when it is issued.
    ///
    /// # Errors
    /// [`NameError`] if the kind is no code, which a test would show.
    pub fn issued(
        &self,
        as_of: u64,
        digest: FileDigest,
        pdf_digest: Option<FileDigest>,
    ) -> Result<ReportIssued, NameError> {
        let (period, lot) = match self {
            Self::Disposal(period) | Self::Maintenance(period) => (Some(period), None),
            Self::Lot(lot) => (None, Some(lot.clone())),
        };
        Ok(ReportIssued {
            report: Code::new(self.kind())?,
            site: period.map(|period| period.site.clone()),
            from: period.map(|period| period.from),
            to: period.map(|period| period.to),
            lot,
            as_of,
            digest,
            pdf_digest,
        })
    }

    /// What an entry says was issued; `None` if this program knows no such report.
    pub fn told(issued: &ReportIssued) -> Option<Self> {
        let ReportIssued { report, site, from, to, lot, .. } = issued.clone();
        Self::read(report.as_str(), site, from, to, lot)
    }

    fn read(
        kind: &str,
        site: Option<Label>,
        from: Option<Day>,
        to: Option<Day>,
        lot: Option<Label>,
    ) -> Option<Self> {
        if kind == LOT {
            return lot.map(Self::Lot);
        }
        Self::period(kind, Period { site: site?, from: from?, to: to? })
    }
}

/// What a report says of itself: enough to compile it again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heading {
    /// What it is about.
    pub about: About,
    /// Instant as of which clocks were read, UTC.
    pub at: String,
    /// Where the log stood.
    pub head: Head,
}

impl Heading {
    /// Reads the machine-readable form; `None` if it is no report that this program knows.
    pub fn read(json: &[u8]) -> Option<Self> {
        /// A lot report nests its lot among what is known of it.
        #[derive(Deserialize)]
        struct OfLot {
            lot: Label,
        }
        #[derive(Deserialize)]
        struct Members {
            report: String,
            site: Option<Label>,
            from: Option<Day>,
            to: Option<Day>,
            lot: Option<OfLot>,
            at: String,
            head: Head,
        }
        let Members { report, site, from, to, lot, at, head } =
            serde_json::from_slice(json).ok()?;
        let about = About::read(&report, site, from, to, lot.map(|of| of.lot))?;
        Some(Self { about, at, head })
    }
}

/// A compiled report of any kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Report {
    /// See [`disposal`].
    Disposal(Box<DisposalReport>),
    /// See [`maintenance`].
    Maintenance(Box<MaintenanceReport>),
    /// See [`lot`].
    Lot(Box<LotReport>),
}

impl Report {
    /// Compiles a report. Pure: the same state, head and options give the same report.
    ///
    /// # Errors
    /// [`LotError`] if it is about a lot that the record does not know.
    pub fn compile(
        state: &State,
        about: &About,
        head: Head,
        options: &Options,
    ) -> Result<Self, LotError> {
        Ok(match about {
            About::Disposal(Period { site, from, to }) => {
                let report = disposal::compile(state, site, *from, *to, head, options);
                Self::Disposal(Box::new(report))
            }
            About::Maintenance(Period { site, from, to }) => {
                let report = maintenance::compile(state, site, *from, *to, head, options);
                Self::Maintenance(Box::new(report))
            }
            About::Lot(lot) => Self::Lot(Box::new(lot::compile(state, lot, head, options)?)),
        })
    }

    /// Where the log stood.
    pub fn head(&self) -> &Head {
        match self {
            Self::Disposal(report) => &report.head,
            Self::Maintenance(report) => &report.head,
            Self::Lot(report) => &report.head,
        }
    }

    /// Every entry something in the report rests on, ascending.
    pub fn rests_on(&self) -> BTreeSet<u64> {
        match self {
            Self::Disposal(report) => report.rests_on(),
            Self::Maintenance(report) => report.rests_on(),
            Self::Lot(report) => report.rests_on(),
        }
    }

    /// The machine-readable form: canonical JSON.
    ///
    /// # Errors
    /// [`JsonError`].
    pub fn to_json(&self) -> Result<Vec<u8>, JsonError> {
        match self {
            Self::Disposal(report) => json::to_bytes(report),
            Self::Maintenance(report) => json::to_bytes(report),
            Self::Lot(report) => json::to_bytes(report),
        }
    }

    /// The tables for spreadsheets.
    pub fn to_csv(&self) -> Vec<u8> {
        match self {
            Self::Disposal(report) => disposal::to_csv(report),
            Self::Maintenance(report) => maintenance::to_csv(report),
            Self::Lot(report) => lot::to_csv(report),
        }
    }

    /// The printed form, with the other two attached.
    ///
    /// # Errors
    /// [`PrintError`].
    pub fn to_pdf(&self, print: &Print<'_>) -> Result<Vec<u8>, PrintError> {
        match self {
            Self::Disposal(report) => disposal::to_pdf(report, print),
            Self::Maintenance(report) => maintenance::to_pdf(report, print),
            Self::Lot(report) => lot::to_pdf(report, print),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn label(text: &str) -> Label {
        Label::new(text).unwrap()
    }

    fn every_kind() -> Vec<About> {
        let day = |text: &str| Day(text.parse().unwrap());
        let period =
            Period { site: label("north"), from: day("2026-01-01"), to: day("2026-03-31") };
        let mut all: Vec<About> = About::OF_A_PERIOD
            .iter()
            .map(|kind| About::period(kind, period.clone()).unwrap())
            .collect();
        all.push(About::Lot(label("PA-0417")));
        all
    }

    #[test]
    fn what_was_issued_is_read_back_from_the_entry() {
        let digest = FileDigest::new(&chain::Digest::of(b"").to_string()).unwrap();
        for about in every_kind() {
            let issued = about.issued(7, digest.clone(), None).unwrap();
            assert_eq!(issued.report.as_str(), about.kind());
            assert_eq!(About::told(&issued), Some(about.clone()));
            let cut = ReportIssued { site: None, lot: None, ..issued };
            assert_eq!(About::told(&cut), None, "{about:?}");
        }
    }

    #[test]
    fn a_report_says_what_it_is_about() {
        let head = Head::new("a.example/b", 0, chain::Digest::of(b""), "k".into(), "", None);
        let options = Options { at: jiff::Timestamp::UNIX_EPOCH };
        let state = State::default();
        for about in every_kind() {
            let compiled = Report::compile(&state, &about, head.clone(), &options);
            if let About::Lot(_) = about {
                assert!(compiled.is_err(), "nobody told of the lot");
                continue;
            }
            let told = Heading::read(&compiled.unwrap().to_json().unwrap()).unwrap();
            assert_eq!((told.about, told.head), (about, head.clone()));
        }
        assert_eq!(Heading::read(br#"{"report":"weather","at":"","head":{}}"#), None);
    }
}
