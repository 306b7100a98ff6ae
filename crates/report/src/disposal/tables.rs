//! The report as one CSV file: sections one below the other, each with its heading row.
//!
//! A section begins with an empty record and a record of one cell, `section: <name>`.

use shopfloor::waste::events::WasteCodes;

use super::DisposalReport;
use crate::csv::Csv;
use crate::signatures;

/// Writes the report as CSV (RFC 4180, UTF-8).
pub fn to_csv(report: &DisposalReport) -> Vec<u8> {
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
    summary(report, &mut csv);
    balance(report, &mut csv);
    months(report, &mut csv);
    containers(report, &mut csv);
    custody(report, &mut csv);
    shipments(report, &mut csv);
    steps(report, &mut csv);
    weights(report, &mut csv);
    open_items(report, &mut csv);
    clocks(report, &mut csv);
    corrections(report, &mut csv);
    findings(report, &mut csv);
    signatures::to_csv(&report.signatures, &mut csv);
    rules(report, &mut csv);
    csv.into_bytes()
}

fn summary(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "summary",
        &[
            "stream",
            "material",
            "determination",
            "codes",
            "method",
            "containers",
            "shipped_kg",
            "received_kg",
            "entries",
        ],
    );
    for line in &report.summary {
        csv.record([
            line.stream.clone(),
            text(line.material.as_ref()),
            text(line.determination),
            codes(line.codes.as_ref()),
            line.method.clone(),
            line.containers.to_string(),
            line.shipped_kg.0.to_string(),
            line.received_kg.0.to_string(),
            entries(&line.entries),
        ]);
    }
}

fn balance(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "balance",
        &[
            "stream",
            "opening_kg",
            "generated_kg",
            "returned_kg",
            "shipped_kg",
            "closing_kg",
            "difference_kg",
            "uncertainty_kg",
            "closed",
            "entries",
        ],
    );
    for line in &report.balance {
        csv.record([
            line.stream.clone(),
            line.opening_kg.0.to_string(),
            line.generated_kg.0.to_string(),
            line.returned_kg.0.to_string(),
            line.shipped_kg.0.to_string(),
            line.closing_kg.0.to_string(),
            line.difference_kg.0.to_string(),
            line.uncertainty_kg.0.to_string(),
            line.closed.to_string(),
            entries(&line.entries),
        ]);
    }
}

fn months(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "months",
        &[
            "month",
            "non_acute_kg",
            "acute_kg",
            "spill_residue_kg",
            "non_hazardous_kg",
            "undetermined_kg",
            "category",
            "entries",
        ],
    );
    for month in &report.months {
        csv.record([
            month.month.to_string(),
            month.amounts.non_acute_kg.0.to_string(),
            month.amounts.acute_kg.0.to_string(),
            month.amounts.spill_residue_kg.0.to_string(),
            month.amounts.non_hazardous_kg.0.to_string(),
            month.amounts.undetermined_kg.0.to_string(),
            text(month.category),
            entries(&month.entries),
        ]);
    }
}

fn containers(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "containers",
        &[
            "container",
            "stream",
            "codes",
            "type",
            "opened",
            "closed",
            "left",
            "net_kg",
            "weighed",
            "added_kg",
            "agrees",
            "received_kg",
            "shipment",
            "document",
            "method",
            "state",
            "counted",
            "entries",
        ],
    );
    for line in &report.containers {
        csv.record([
            line.container.to_string(),
            text(line.stream.as_ref()),
            codes(line.codes.as_ref()),
            text(line.container_type.as_ref()),
            text(line.opened),
            text(line.closed),
            text(line.left),
            line.net_kg.0.to_string(),
            line.weighed.to_string(),
            line.added_kg.0.to_string(),
            text(line.agrees),
            text(line.received_kg.map(|kg| kg.0)),
            text(line.shipment.as_ref()),
            line.document.clone().unwrap_or_default(),
            line.method.clone(),
            line.state.to_string(),
            line.counted.to_string(),
            entries(&line.entries),
        ]);
    }
}

fn custody(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "custody",
        &[
            "container",
            "event",
            "holder",
            "giver",
            "from",
            "until",
            "gap",
            "both_signed",
            "shipment",
            "entry",
        ],
    );
    for (container, step) in
        report.containers.iter().flat_map(|c| c.custody.iter().map(move |s| (&c.container, s)))
    {
        csv.record([
            container.to_string(),
            step.event.to_string(),
            step.holder.clone(),
            step.giver.clone().unwrap_or_default(),
            step.from.clone(),
            step.until.clone().unwrap_or_default(),
            step.gap.to_string(),
            text(step.both_signed),
            text(step.shipment.as_ref()),
            step.entry.to_string(),
        ]);
    }
}

fn shipments(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "shipments",
        &[
            "shipment",
            "document_kind",
            "document",
            "offered",
            "facility",
            "received",
            "signed_copy",
            "containers",
            "pieces_received",
            "shipped_kg",
            "received_kg",
            "certificates",
            "entries",
        ],
    );
    for line in &report.shipments {
        let certificates: Vec<String> = line
            .certificates
            .iter()
            .map(|c| format!("{} {} {}", c.certificate, c.method, c.mass_kg))
            .collect();
        csv.record([
            line.shipment.to_string(),
            text(line.document.as_ref().map(|d| d.kind)),
            line.document.as_ref().map(|d| d.number.as_str().to_owned()).unwrap_or_default(),
            text(line.offered),
            text(line.facility.as_ref()),
            text(line.received),
            text(line.signed_copy.as_ref()),
            line.containers.len().to_string(),
            text(line.pieces_received),
            line.shipped_kg.0.to_string(),
            text(line.received_kg.map(|kg| kg.0)),
            certificates.join("; "),
            entries(&line.entries),
        ]);
    }
}

fn steps(report: &DisposalReport, csv: &mut Csv) {
    section(csv, "shipment_steps", &["shipment", "event", "time", "day", "who", "detail", "entry"]);
    for (shipment, step) in
        report.shipments.iter().flat_map(|s| s.timeline.iter().map(move |t| (&s.shipment, t)))
    {
        csv.record([
            shipment.to_string(),
            step.event.to_string(),
            step.time.clone(),
            text(step.day),
            step.who.clone(),
            step.detail.clone(),
            step.entry.to_string(),
        ]);
    }
}

fn weights(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "weights",
        &[
            "shipment",
            "what",
            "shipped_kg",
            "received_kg",
            "difference_kg",
            "percent",
            "e_n",
            "agree",
            "significant",
        ],
    );
    for shipment in &report.shipments {
        for (what, test) in shipment.tests.weights() {
            csv.record([
                shipment.shipment.to_string(),
                what.replace('`', ""),
                test.shipped_kg.0.to_string(),
                test.received_kg.0.to_string(),
                test.difference_kg.0.to_string(),
                test.percent.clone(),
                test.e_n.clone(),
                test.agree.to_string(),
                text(test.significant),
            ]);
        }
    }
}

fn open_items(report: &DisposalReport, csv: &mut Csv) {
    section(csv, "open_items", &["kind", "about", "facts", "entries"]);
    for item in &report.open_items {
        let facts: Vec<String> =
            item.facts.iter().map(|f| format!("{}={}", f.name.as_str(), f.value)).collect();
        csv.record([
            item.kind.as_str().to_owned(),
            item.subject.to_string(),
            facts.join("; "),
            entries(&item.entries),
        ]);
    }
}

fn clocks(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "clocks",
        &[
            "kind",
            "about",
            "start",
            "last_day",
            "margin_days",
            "state",
            "category",
            "rules",
            "unconfirmed",
            "notes",
            "entries",
        ],
    );
    for clock in &report.clocks {
        let rules: Vec<String> = clock.rules.iter().map(|r| r.version()).collect();
        let notes: Vec<&str> = clock.notes.iter().map(|n| n.as_str()).collect();
        csv.record([
            clock.kind.to_string(),
            clock.subject.to_string(),
            clock.start.to_string(),
            clock.last_day.to_string(),
            clock.margin_days.to_string(),
            clock.state.to_string(),
            text(clock.category),
            rules.join("; "),
            clock.unconfirmed.to_string(),
            notes.join("; "),
            entries(&clock.entries),
        ]);
    }
}

fn corrections(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "corrections",
        &[
            "entry",
            "event",
            "by_entry",
            "approver",
            "reason",
            "void",
            "member",
            "original",
            "corrected",
        ],
    );
    for line in &report.corrections {
        for member in &line.changed {
            csv.record([
                line.entry.to_string(),
                line.event.clone(),
                line.by_entry.to_string(),
                line.approver.clone(),
                line.reason.clone(),
                line.void.to_string(),
                member.pointer.clone(),
                member.original.clone().unwrap_or_default(),
                member.corrected.clone().unwrap_or_default(),
            ]);
        }
    }
}

fn findings(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "findings",
        &["id", "rule", "source", "level", "day", "about", "detail", "settled_by", "entries"],
    );
    for line in &report.findings {
        csv.record([
            line.id.clone(),
            line.rule.clone(),
            line.source.clone(),
            line.level.to_string(),
            line.day.to_string(),
            line.subject.to_string(),
            line.detail.clone(),
            text(line.settled_by),
            entries(&line.entries),
        ]);
    }
}

fn rules(report: &DisposalReport, csv: &mut Csv) {
    section(
        csv,
        "rules",
        &[
            "id",
            "jurisdiction",
            "value",
            "unit",
            "from",
            "until",
            "section",
            "source",
            "confidence",
            "status",
            "site_instead_of",
            "site_refused",
            "note",
        ],
    );
    for rule in &report.rules.values {
        csv.record([
            rule.id.clone(),
            rule.jurisdiction.clone(),
            rule.value.clone(),
            rule.unit.clone(),
            text(rule.from),
            text(rule.until),
            rule.section.clone(),
            rule.source.clone(),
            rule.confidence.to_string(),
            rule.status.to_string(),
            rule.site_instead_of.clone().unwrap_or_default(),
            rule.site_refused.clone().unwrap_or_default(),
            rule.note.clone(),
        ]);
    }
}

pub(crate) fn section(csv: &mut Csv, name: &str, columns: &[&str]) {
    csv.record([""]);
    csv.record([format!("section: {name}")]);
    csv.record(columns);
}

pub(crate) fn text<T: ToString>(value: Option<T>) -> String {
    value.map(|v| v.to_string()).unwrap_or_default()
}

/// Codes in one cell.
pub(super) fn codes(codes: Option<&WasteCodes>) -> String {
    let Some(codes) = codes else { return String::new() };
    let mut all: Vec<&str> = codes.rcra.iter().map(|c| c.as_str()).collect();
    all.extend(codes.list_of_waste.iter().map(|c| c.as_str()));
    all.extend(codes.hp.iter().map(|c| c.as_str()));
    all.join("; ")
}

/// Entry numbers in one cell, runs written as `a-b`.
pub(crate) fn entries(entries: &[u64]) -> String {
    let mut runs: Vec<(u64, u64)> = Vec::new();
    for &entry in entries {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == entry => *last = entry,
            Some(_) | None => runs.push((entry, entry)),
        }
    }
    let words: Vec<String> = runs
        .into_iter()
        .map(|(a, b)| if a == b { a.to_string() } else { format!("{a}-{b}") })
        .collect();
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_entries_are_written_short() {
        let cases: [(&[u64], &str); 4] =
            [(&[], ""), (&[7], "7"), (&[1, 2, 3, 9], "1-3 9"), (&[4, 6, 8], "4 6 8")];
        for (list, written) in cases {
            assert_eq!(entries(list), written);
        }
    }
}
