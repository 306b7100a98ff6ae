//! How long records must be kept, and whether a legal hold lies on them.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SiteWaste;
use super::clocks::{self, days_between, subject};
use super::law::{Law, RuleUsed};
use super::shipment::Shipment;
use crate::State;
use crate::common::Day;
use crate::forms::words;
use crate::ids::{Label, Subject, SubjectKind};

words! {
    /// Which record is kept.
    pub enum RecordKind {
        /// The copy of the shipping document, signed by the facility or still waited for.
        ShippingDocument = "shipping_document",
        /// The report of a missing signed copy.
        ExceptionReport = "exception_report",
        /// The determination of a stream and what it rests on.
        Determination = "determination",
        /// The entry in the chronological register.
        RegisterEntry = "register_entry",
        /// The biennial report.
        BiennialReport = "biennial_report",
    }
}

/// One record and how long it is kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Retention {
    /// Which record.
    pub record: RecordKind,
    /// What it is about.
    pub subject: Subject,
    /// Day from which it is counted; absent while that day has not come (waste of the stream is
    /// still on site).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Day>,
    /// Last day on which it must still be there, at least.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub keep_until: Option<Day>,
    /// Whether a legal hold lies on the records of the site: it may not be deleted even then.
    pub held: bool,
    /// Whether it may be deleted now.
    pub deletable: bool,
    /// Value used.
    pub rule: RuleUsed,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// Retention of the records of a site as of `now`, in order of subject.
pub fn retention(state: &State, site: &Label, now: Timestamp) -> Vec<Retention> {
    SiteWaste::of(state, site).retention(now)
}

/// See [`SiteWaste::retention`].
pub(super) fn records<'a>(
    site: &SiteWaste<'a>,
    shipments: impl Iterator<Item = Shipment<'a>>,
    now: Timestamp,
) -> Vec<Retention> {
    let today = site.law.days.day(now.as_millisecond());
    let archive = Archive { site, law: &site.law, today };
    let mut records = Vec::new();
    shipments.for_each(|shipment| archive.shipment(&shipment, &mut records));
    archive.determinations(&mut records);
    archive.reports(now, &mut records);
    records.sort_by(|a, b| (&a.subject, a.record, a.from).cmp(&(&b.subject, b.record, b.from)));
    records
}

struct Archive<'s, 'a> {
    site: &'s SiteWaste<'a>,
    law: &'s Law<'a>,
    today: Day,
}

impl Archive<'_, '_> {
    fn record(
        &self,
        record: RecordKind,
        subject: Subject,
        from: Option<Day>,
        ids: &[&str],
        entries: Vec<u64>,
    ) -> Option<Retention> {
        let on = from.unwrap_or(self.today);
        let period = ids.iter().find_map(|id| self.law.find(id, on))?;
        let keep_until = from.map(|from| self.law.keep_until(from, &period));
        let held = self.law.hold();
        Some(Retention {
            record,
            subject,
            from,
            keep_until,
            held,
            deletable: !held && keep_until.is_some_and(|last| last < self.today),
            rule: period.rule,
            entries,
        })
    }

    fn shipment(&self, shipment: &Shipment<'_>, out: &mut Vec<Retention>) {
        let Some(first) = shipment.first_leg() else { return };
        let Some(about) = subject(SubjectKind::Shipment, shipment.id) else { return };
        let accepted = first.accepted.day;
        let mut entries = vec![first.seq];
        entries.extend(shipment.signed_copy().map(|(m, _)| m.seq));
        entries.sort_unstable();
        let ids = ["us.retention.manifest_years"];
        let kind = RecordKind::ShippingDocument;
        out.extend(self.record(kind, about.clone(), Some(accepted), &ids, entries));
        // The register counts from the entry: the day the log recorded the handover.
        let ids = ["eu.retention.producer_years", "uk.retention.producer_years"];
        let kind = RecordKind::RegisterEntry;
        let entered = self.law.days.day(first.time_ms).max(accepted);
        out.extend(self.record(kind, about.clone(), Some(entered), &ids, vec![first.seq]));
        for (m, _) in shipment.exceptions() {
            let due = ["us.exception.lqg.report_days", "us.exception.sqg.report_days"]
                .iter()
                .filter_map(|id| self.law.find(id, accepted))
                .map(|limit| self.law.last_day(accepted, &limit))
                .max();
            let ids = ["us.retention.report_years"];
            let kind = RecordKind::ExceptionReport;
            out.extend(self.record(kind, about.clone(), due, &ids, vec![m.seq]));
        }
    }

    /// A determination is kept from the day waste of the stream last left the site.
    fn determinations(&self, out: &mut Vec<Retention>) {
        for (stream, last) in self.site.streams_left() {
            let Some(versions) = self.site.state.waste.stream(stream) else { continue };
            let last = last.map(|ms| self.law.days.day(ms));
            let Some(about) = subject(SubjectKind::Stream, stream) else { continue };
            let entries = versions.iter().map(|m| m.seq).collect();
            let ids = ["us.retention.determination_years"];
            out.extend(self.record(RecordKind::Determination, about, last, &ids, entries));
        }
    }

    /// Biennial reports from their due date.
    fn reports(&self, now: Timestamp, out: &mut Vec<Retention>) {
        for clock in clocks::biennial_reports(self.site, now) {
            let ids = ["us.retention.report_years"];
            let (kind, due) = (RecordKind::BiennialReport, Some(clock.last_day));
            out.extend(self.record(kind, clock.subject, due, &ids, clock.entries));
        }
    }
}

/// Days until a record may be deleted; `None` while that day is open.
pub fn days_left(record: &Retention, today: Day) -> Option<i32> {
    record.keep_until.map(|last| days_between(today, last))
}
