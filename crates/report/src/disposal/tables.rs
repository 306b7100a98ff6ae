//! The report as one CSV file: sections one below the other, each with its heading row.

use shopfloor::waste::events::WasteCodes;

use super::DisposalReport;
use crate::csv::Csv;

/// Writes the report as CSV.
pub fn to_csv(report: &DisposalReport) -> Vec<u8> {
    let mut csv = Csv::new();
    csv.record(["report", "site", "from", "to", "as_of_entries", "root"]);
    csv.record([
        report.report.as_str(),
        report.site.as_str(),
        &report.from.to_string(),
        &report.to.to_string(),
        &report.head.size.to_string(),
        &report.head.root,
    ]);
    summary(report, &mut csv);
    containers(report, &mut csv);
    csv.into_bytes()
}

fn summary(report: &DisposalReport, csv: &mut Csv) {
    section(csv, "summary");
    csv.record([
        "stream",
        "material",
        "determination",
        "codes",
        "method",
        "containers",
        "shipped_kg",
        "received_kg",
        "entries",
    ]);
    for line in &report.summary {
        csv.record([
            line.stream.clone(),
            line.material.as_ref().map(|m| m.to_string()).unwrap_or_default(),
            line.determination.map(|d| d.to_string()).unwrap_or_default(),
            codes(line.codes.as_ref()),
            line.method.clone(),
            line.containers.to_string(),
            line.shipped_kg.0.to_string(),
            line.received_kg.0.to_string(),
            entries(&line.entries),
        ]);
    }
}

fn containers(report: &DisposalReport, csv: &mut Csv) {
    section(csv, "containers");
    csv.record([
        "container",
        "stream",
        "codes",
        "opened",
        "closed",
        "left",
        "net_kg",
        "weighed",
        "added_kg",
        "received_kg",
        "shipment",
        "document",
        "method",
        "state",
        "counted",
        "entries",
    ]);
    for line in &report.containers {
        csv.record([
            line.container.to_string(),
            text(line.stream.as_ref()),
            codes(line.codes.as_ref()),
            text(line.opened),
            text(line.closed),
            text(line.left),
            line.net_kg.0.to_string(),
            line.weighed.to_string(),
            line.added_kg.0.to_string(),
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

fn section(csv: &mut Csv, name: &str) {
    csv.record([""]);
    csv.record([format!("section: {name}")]);
}

fn text<T: ToString>(value: Option<T>) -> String {
    value.map(|v| v.to_string()).unwrap_or_default()
}

/// Codes in one cell, separated by spaces.
pub(super) fn codes(codes: Option<&WasteCodes>) -> String {
    let Some(codes) = codes else { return String::new() };
    let mut all: Vec<&str> = codes.rcra.iter().map(|c| c.as_str()).collect();
    all.extend(codes.list_of_waste.iter().map(|c| c.as_str()));
    all.extend(codes.hp.iter().map(|c| c.as_str()));
    all.join("; ")
}

/// Entry numbers in one cell, runs written as `a-b`.
pub(super) fn entries(entries: &[u64]) -> String {
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
