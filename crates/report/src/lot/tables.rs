//! The report as one CSV file: sections one below the other, each with its heading row, like the
//! disposal report.

use super::LotReport;
use crate::csv::Csv;
use crate::disposal::tables::{entries, section, text};
use crate::signatures;

/// Writes the report as CSV (RFC 4180, UTF-8). Times are UTC, masses kg.
pub fn to_csv(report: &LotReport) -> Vec<u8> {
    let mut csv = Csv::new();
    csv.record([
        "report",
        "version",
        "lot",
        "site",
        "time_zone",
        "at",
        "origin",
        "entries",
        "root",
    ]);
    csv.record([
        report.report.clone(),
        report.version.to_string(),
        report.lot.lot.to_string(),
        text(report.site.as_ref()),
        report.time_zone.clone(),
        report.at.clone(),
        report.head.origin.clone(),
        report.head.size.to_string(),
        report.head.root.clone(),
    ]);
    birth(report, &mut csv);
    life(report, &mut csv);
    makeup(report, &mut csv);
    moves(report, &mut csv);
    reach(report, &mut csv);
    balance(report, &mut csv);
    ends(report, &mut csv);
    signatures::to_csv(&report.signatures, &mut csv);
    csv.into_bytes()
}

/// Milliseconds as RFC 3339 in UTC.
pub(super) fn utc(ms: i64) -> String {
    jiff::Timestamp::from_millisecond(ms).map(|at| at.to_string()).unwrap_or_default()
}

fn birth(report: &LotReport, csv: &mut Csv) {
    let lot = &report.lot;
    let columns = [
        "status",
        "material",
        "supplier",
        "supplier_lot",
        "certificate",
        "certificate_sha256",
        "seals_whole",
        "made_at",
        "made_kg",
        "expires",
        "expires_by",
        "entries",
    ];
    section(csv, "lot", &columns);
    csv.record([
        lot.status.to_string(),
        text(lot.material.as_ref()),
        text(lot.supplier.as_ref()),
        text(lot.supplier_lot.as_ref()),
        text(lot.certificate.as_ref().map(|c| &c.number)),
        lot.certificate.as_ref().map(|c| c.digest.to_string()).unwrap_or_default(),
        text(lot.seals_whole),
        utc(lot.made_ms),
        lot.made.base().to_string(),
        text(lot.expires),
        text(lot.expires_by),
        entries(&lot.entries),
    ]);
    section(csv, "containers", &["container", "gross_kg", "tare_kg", "net_kg", "entries"]);
    for c in &report.containers {
        csv.record([
            c.id.to_string(),
            c.gross.base().to_string(),
            c.tare.base().to_string(),
            c.net.base().to_string(),
            c.entry.to_string(),
        ]);
    }
}

fn life(report: &LotReport, csv: &mut Csv) {
    section(csv, "tests", &["test", "result", "entries"]);
    for t in &report.lot.tests {
        csv.record([t.test.to_string(), t.result.to_string(), t.entry.to_string()]);
    }
    section(csv, "holds", &["place", "decision", "decided_by", "hold"]);
    for hold in &report.lot.holds {
        for part in &hold.decided {
            csv.record([
                text(part.place.as_ref()),
                part.decision.to_string(),
                part.entry.to_string(),
                hold.entry.to_string(),
            ]);
        }
        for place in &hold.open {
            csv.record([place.to_string(), String::new(), String::new(), hold.entry.to_string()]);
        }
        if hold.scope.is_empty() && hold.ended_by.is_none() {
            csv.record(["", "", "", &hold.entry.to_string()]);
        }
    }
}

fn makeup(report: &LotReport, csv: &mut Csv) {
    section(csv, "makeup", &["lot", "fraction", "mass_kg"]);
    if let Some(makeup) = &report.lot.makeup {
        for share in &makeup.lots {
            csv.record([
                share.lot.to_string(),
                share.fraction.to_string(),
                share.mass.base().to_string(),
            ]);
        }
        let unknown = makeup.unknown_fraction;
        csv.record(["UNKNOWN".to_owned(), unknown.to_string(), String::new()]);
    }
    section(csv, "refresh", &["from", "mass_kg", "fresh_fraction", "u_kg"]);
    for part in report.lot.refresh.iter().flat_map(|r| &r.components) {
        csv.record([
            part.from.to_string(),
            part.mass.base().to_string(),
            part.fresh_fraction.to_string(),
            part.standard_uncertainty.as_ref().map(|u| u.base().to_string()).unwrap_or_default(),
        ]);
    }
}

fn moves(report: &LotReport, csv: &mut Csv) {
    let columns =
        ["time", "move", "from", "into", "mass_kg", "of_this_lot_kg", "fraction", "entries"];
    section(csv, "moves", &columns);
    for m in &report.moves {
        csv.record([
            utc(m.time_ms),
            m.kind.to_string(),
            m.from.clone(),
            m.into.clone(),
            m.mass.base().to_string(),
            m.traced.base().to_string(),
            m.fraction.to_string(),
            m.entry.to_string(),
        ]);
    }
    section(csv, "small_moves", &["below_kg", "moves", "of_this_lot_kg"]);
    let small = &report.small_moves;
    csv.record([
        small.below_kg.to_string(),
        small.moves.to_string(),
        small.traced.base().to_string(),
    ]);
}

fn reach(report: &LotReport, csv: &mut Csv) {
    section(csv, "builds", &["build", "fraction", "parts_kg", "running", "entries"]);
    for b in &report.reach.builds {
        csv.record([
            b.build.to_string(),
            b.fraction.to_string(),
            b.parts.base().to_string(),
            b.running.to_string(),
            b.entry.to_string(),
        ]);
    }
    section(csv, "blends", &["lot", "fraction", "entries"]);
    for l in &report.reach.lots {
        csv.record([l.lot.to_string(), l.fraction.to_string(), l.entry.to_string()]);
    }
    let columns = [
        "place",
        "held_kg",
        "of_this_lot_kg",
        "fraction",
        "on_hold",
        "shipment",
        "shipped",
        "entries",
    ];
    section(csv, "places", &columns);
    for p in &report.reach.places {
        csv.record([
            p.place.to_string(),
            p.held.base().to_string(),
            p.traced.base().to_string(),
            p.fraction.to_string(),
            p.on_hold.to_string(),
            text(p.shipment.as_ref()),
            p.shipped.to_string(),
            p.entry.to_string(),
        ]);
    }
}

fn balance(report: &LotReport, csv: &mut Csv) {
    section(csv, "balance", &["term", "side", "mass_kg", "entries"]);
    let balance = &report.balance;
    let rests_on = entries(&balance.entries);
    for term in &balance.terms {
        let side = if term.comes_in { "in" } else { "out" };
        let cells = [term.term.to_string(), side.into(), term.mass.base().to_string()];
        csv.record(cells.into_iter().chain([rests_on.clone()]));
    }
    let d = balance.unaccounted.base().to_string();
    csv.record(["unaccounted".to_owned(), String::new(), d, rests_on]);
    let u = balance.expanded_uncertainty.as_ref();
    let u = u.map(|u| u.base().to_string()).unwrap_or_default();
    csv.record(["expanded_uncertainty_k2".to_owned(), String::new(), u, String::new()]);
    csv.record(["closed".to_owned(), String::new(), text(balance.closed), String::new()]);
}

fn ends(report: &LotReport, csv: &mut Csv) {
    section(csv, "corrections", &["entry", "by_entry", "approver", "reason", "void"]);
    for a in &report.amended {
        csv.record([
            a.entry.to_string(),
            a.by_entry.to_string(),
            a.approver.clone(),
            a.reason.clone(),
            a.void.to_string(),
        ]);
    }
    let columns =
        ["id", "rule", "source", "level", "day", "about", "detail", "settled_by", "entries"];
    section(csv, "findings", &columns);
    for f in &report.findings {
        csv.record([
            f.id.clone(),
            f.rule.clone(),
            f.source.clone(),
            f.level.to_string(),
            f.day.to_string(),
            f.subject.to_string(),
            f.detail.clone(),
            text(f.settled_by),
            entries(&f.entries),
        ]);
    }
}
