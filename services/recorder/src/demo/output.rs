//! The files of `demo --once DIR`: report, evidence.

use std::path::Path;

use anyhow::Context as _;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use jiff::Timestamp;
use jiff::civil::date;
use report::disposal::{self, DisposalReport, Head, Print};
use shopfloor::common::Day;
use shopfloor::ids::Label;

use super::Result;
use super::evidence::{Evidence, Refolded};

/// Site of the report: the one with hazardous waste.
const SITE: &str = "south";

/// Writes everything into a directory.
pub(super) fn write(result: &Result, dir: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(dir).with_context(|| format!("`{}` cannot be made", dir.display()))?;
    result.evidence.write(&dir.join("evidence"), &dir.join("evidence.zip"))?;
    let files = [
        ("report.json", report::json::to_bytes(&result.report)?),
        ("report.csv", disposal::to_csv(&result.report)),
        ("report.pdf", disposal::to_pdf(&result.report, &Print::default())?),
    ];
    for (name, bytes) in files {
        let path = dir.join(name);
        std::fs::write(&path, bytes)
            .with_context(|| format!("`{}` cannot be written", path.display()))?;
    }
    Ok(())
}

/// The disposal report of the year, compiled from the evidence alone.
pub(super) fn report(
    evidence: &Evidence,
    refolded: &Refolded,
    at: Timestamp,
) -> anyhow::Result<DisposalReport> {
    let log_key = match &evidence.verdict {
        chain::verify::Verdict::Sound(summary) => summary.log_key.clone(),
        chain::verify::Verdict::Broken(_) => String::new(),
    };
    let head = Head {
        origin: evidence.checkpoint.origin.clone(),
        size: evidence.checkpoint.size,
        root: BASE64.encode(evidence.checkpoint.root.as_bytes()),
        key_id: log_key,
        checkpoint: evidence.note.clone(),
    };
    let options = disposal::Options { at };
    let (from, to) = (Day(date(2025, 11, 1)), Day(date(2026, 10, 31)));
    let site = Label::new(SITE)?;
    Ok(disposal::compile(&refolded.state, &site, from, to, head, &options))
}
