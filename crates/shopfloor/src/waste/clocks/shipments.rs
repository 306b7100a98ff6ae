//! Clocks of shipments: the signed copy, discrepancies, the certificate.

use std::collections::BTreeSet;

use rust_decimal::Decimal;

use super::{Clock, ClockKind, ClockNote, Desk, Draft, subject};
use crate::calendar::add_months;
use crate::common::Day;
use crate::ids::SubjectKind;
use crate::waste::category::{self, Category, Month};
use crate::waste::container::Container;
use crate::waste::discrepancy;
use crate::waste::events::Determination;
use crate::waste::law::{Applied, RuleUsed};
use crate::waste::shipment::Shipment;

impl Desk<'_, '_> {
    pub(super) fn shipments(&self, out: &mut Vec<Clock>) {
        for shipment in self.site.open_shipments() {
            self.missing_copy(out, &shipment);
            self.discrepancies(out, &shipment);
            self.certificate(out, &shipment);
        }
    }

    /// The category that governs a shipment: the strictest of its containers and of the month in
    /// which it left. `None`: nothing on it counts as hazardous.
    fn shipment_category(&self, shipment: &Shipment<'_>, accepted: Day) -> Option<Category> {
        let (_, offered) = shipment.offered()?;
        let hazardous: Vec<Container<'_>> = offered
            .containers
            .iter()
            .filter_map(|label| self.state.waste.container(label))
            .filter(|c| self.determination(c) != Some(Determination::NonHazardous))
            .collect();
        let containers =
            hazardous.iter().filter_map(|c| category::of_container(self.site, c)).max()?;
        let month = Month::of(accepted);
        let totals = self.site.month(month);
        let of_month = category::category(&totals.amounts, self.law, month.last())?.0;
        Some(containers.max(of_month))
    }

    fn missing_copy(&self, out: &mut Vec<Clock>, shipment: &Shipment<'_>) {
        let Some(first) = shipment.first_leg() else { return };
        if first.time_ms > self.now.as_millisecond() || shipment.signed_copy().is_some() {
            return;
        }
        let start = first.accepted.day;
        let category = self.shipment_category(shipment, start);
        let mut draft = |kind: ClockKind, id: &str, notes: Vec<ClockNote>| {
            let Some(limit) = self.law.find(id, start) else { return };
            let Some(subject) = subject(SubjectKind::Shipment, shipment.id) else { return };
            out.push(self.clock(Draft {
                kind,
                subject,
                start,
                last_day: self.law.last_day(start, &limit),
                category,
                rules: vec![limit.rule],
                notes,
                entries: vec![first.seq],
            }));
        };
        let asked = shipment.queries().next().is_some();
        let reported = shipment.exceptions().next().is_some();
        let electronic = self
            .law
            .find("us.exception.electronic", self.today)
            .filter(|e| e.value == Decimal::ONE)
            .map(|_| ClockNote::Electronic);
        let electronic: Vec<ClockNote> = electronic.into_iter().collect();
        match category {
            Some(Category::Large) => {
                if !asked {
                    draft(ClockKind::AskForCopy, "us.exception.lqg.contact_days", vec![]);
                }
                if !reported {
                    let id = "us.exception.lqg.report_days";
                    draft(ClockKind::ExceptionReport, id, electronic);
                }
            }
            Some(Category::Small) => {
                if !reported {
                    let id = "us.exception.sqg.report_days";
                    draft(ClockKind::ExceptionReport, id, electronic);
                }
            }
            Some(Category::VerySmall) | None => {
                if !asked {
                    draft(ClockKind::AskForCopy, "shop.signed_copy_days", vec![]);
                }
            }
        }
    }

    fn discrepancies(&self, out: &mut Vec<Clock>, shipment: &Shipment<'_>) {
        let Some((received, delivered)) = shipment.deliveries().next() else { return };
        let start = delivered.day;
        let settled: BTreeSet<u64> = shipment.settlements().map(|(_, s)| s.entry).collect();
        let mut found: Vec<(u64, Vec<ClockNote>)> = shipment
            .discrepancies()
            .filter(|(m, _)| !settled.contains(&m.seq))
            .map(|(m, _)| (m.seq, vec![]))
            .collect();
        if !discrepancy::recorded(shipment)
            && discrepancy::significant(&self.state.waste, shipment, self.law)
        {
            found.push((received.seq, vec![ClockNote::NotRecorded]));
        }
        let Some(limit) = self.law.find("us.discrepancy.settle_days", start) else { return };
        for (seq, notes) in found {
            let Some(subject) = subject(SubjectKind::Shipment, shipment.id) else { return };
            out.push(self.clock(Draft {
                kind: ClockKind::Discrepancy,
                subject,
                start,
                last_day: self.law.last_day(start, &limit),
                category: None,
                rules: vec![limit.rule.clone()],
                notes,
                entries: vec![seq, received.seq],
            }));
        }
    }

    /// A shipment that was received and not certified, unless everything was refused.
    fn certificate(&self, out: &mut Vec<Clock>, shipment: &Shipment<'_>) {
        let Some((received, delivered)) = shipment.deliveries().next() else { return };
        let kept = shipment.deliveries().any(|(_, d)| !d.received.is_empty());
        if shipment.certificates().next().is_some() || !kept {
            return;
        }
        let Some(about) = subject(SubjectKind::Shipment, shipment.id) else { return };
        let receipt = delivered.day;
        let mut push = |kind, start: Day, last_day: Day, rule: RuleUsed| {
            out.push(self.clock(Draft {
                kind,
                subject: about.clone(),
                start,
                last_day,
                category: None,
                rules: vec![rule],
                notes: vec![],
                entries: vec![received.seq],
            }));
        };
        if let Some(limit) = self.law.find("shop.certificate_days", receipt) {
            let last_day = self.law.last_day(receipt, &limit);
            push(ClockKind::Certificate, receipt, last_day, limit.rule);
        }
        if let Some(limit) = self.law.find("uk.consignee.return_months", receipt) {
            let last_day = return_due(receipt, &limit);
            push(ClockKind::ConsigneeReturn, receipt, last_day, limit.rule);
        }
    }
}

/// The due date of a quarterly return: the last day of the month N after the quarter.
pub fn return_due(received: Day, limit: &Applied) -> Day {
    let month = i32::from(received.0.month());
    let quarter_end = (month + 2) / 3 * 3;
    let first = received.0.first_of_month();
    Day(add_months(first, quarter_end - month + limit.whole()).last_of_month())
}
