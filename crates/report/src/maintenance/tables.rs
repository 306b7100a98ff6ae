//! The report as one CSV file: sections one below the other, each with its heading row.

use super::MaintenanceReport;
use crate::csv::Csv;
use crate::disposal::{entry_list as entries, section, text};
use crate::signatures;

/// Writes the report as CSV (RFC 4180, UTF-8).
pub fn to_csv(report: &MaintenanceReport) -> Vec<u8> {
    let mut csv = Csv::new();
    csv.record([
        "report",
        "version",
        "site",
        "time_zone",
        "from",
        "to",
        "at",
        "origin",
        "entries",
        "root",
    ]);
    csv.record([
        report.report.clone(),
        report.version.to_string(),
        report.site.to_string(),
        report.time_zone.clone(),
        report.from.to_string(),
        report.to.to_string(),
        report.at.clone(),
        report.head.origin.clone(),
        report.head.size.to_string(),
        report.head.root.clone(),
    ]);
    rate(report, &mut csv);
    work(report, &mut csv);
    deferrals(report, &mut csv);
    parts(report, &mut csv);
    deviations(report, &mut csv);
    findings(report, &mut csv);
    signatures::to_csv(&report.signatures, &mut csv);
    csv.into_bytes()
}

fn rate(report: &MaintenanceReport, csv: &mut Csv) {
    let columns = ["on_time", "late", "open", "on_time_percent", "low_percent", "high_percent"];
    section(csv, "rate", &columns);
    let rate = report.rate.as_ref();
    csv.record([
        report.on_time.to_string(),
        report.late.to_string(),
        report.open.to_string(),
        text(rate.map(|r| &r.percent)),
        text(rate.map(|r| &r.low_percent)),
        text(rate.map(|r| &r.high_percent)),
    ]);
}

fn work(report: &MaintenanceReport, csv: &mut Csv) {
    let columns = [
        "machine",
        "task",
        "stands",
        "due_on",
        "done_on",
        "person",
        "result",
        "through",
        "deferred_by",
        "entries",
    ];
    section(csv, "work", &columns);
    for line in &report.work {
        csv.record([
            line.machine.to_string(),
            line.task.to_string(),
            line.punctuality.to_string(),
            text(line.due_on),
            text(line.done_on),
            text(line.person.as_ref()),
            text(line.result),
            text(line.through.as_ref()),
            text(line.deferred_by),
            entries(&line.entries),
        ]);
    }
}

fn deferrals(report: &MaintenanceReport, csv: &mut Csv) {
    let columns = [
        "machine",
        "task",
        "day",
        "reason",
        "until_day",
        "until_reading",
        "person",
        "approved_by",
        "entry",
    ];
    section(csv, "deferrals", &columns);
    for line in &report.deferrals {
        csv.record([
            line.machine.to_string(),
            line.task.to_string(),
            line.day.to_string(),
            line.reason.clone(),
            text(line.until_day),
            text(line.until_reading.as_ref()),
            text(line.person.as_ref()),
            line.approved_by.to_string(),
            line.entry.to_string(),
        ]);
    }
}

fn parts(report: &MaintenanceReport, csv: &mut Csv) {
    let columns = [
        "machine",
        "position",
        "part_kind",
        "out",
        "condition",
        "hours",
        "in",
        "day",
        "person",
        "entry",
    ];
    section(csv, "parts", &columns);
    for line in &report.parts {
        csv.record([
            line.machine.to_string(),
            line.position.to_string(),
            text(line.part_kind),
            text(line.out.as_ref()),
            text(line.condition),
            text(line.hours.as_ref().map(|h| &h.value)),
            text(line.fitted.as_ref()),
            line.day.to_string(),
            text(line.person.as_ref()),
            line.entry.to_string(),
        ]);
    }
}

fn deviations(report: &MaintenanceReport, csv: &mut Csv) {
    let columns = [
        "deviation",
        "state",
        "severity",
        "opened_on",
        "closed_on",
        "what",
        "overridden",
        "approved_by",
        "entries",
    ];
    section(csv, "deviations", &columns);
    for line in &report.deviations {
        let deviation = &line.deviation;
        csv.record([
            deviation.deviation.to_string(),
            deviation.state.to_string(),
            text(deviation.severity),
            text(line.opened_on),
            text(line.closed_on),
            text(deviation.what.as_ref()),
            line.overridden.join("; "),
            text(deviation.approved_by.as_ref()),
            entries(&deviation.entries),
        ]);
    }
}

fn findings(report: &MaintenanceReport, csv: &mut Csv) {
    let columns = ["id", "rule", "level", "day", "subject", "detail", "settled_by", "entries"];
    section(csv, "findings", &columns);
    for line in &report.findings {
        csv.record([
            line.id.clone(),
            line.rule.clone(),
            line.level.to_string(),
            line.day.to_string(),
            line.subject.to_string(),
            line.detail.clone(),
            text(line.settled_by),
            entries(&line.entries),
        ]);
    }
}
