//! The files of `demo --once DIR`: report, evidence.

use std::path::Path;

use anyhow::Context as _;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use jiff::civil::date;
use report::disposal::{self, DisposalReport, Head};
use shopfloor::common::Day;
use shopfloor::ids::Label;

use super::Result;

/// Site of the report: the one with hazardous waste.
const SITE: &str = "south";

/// Writes everything into a directory.
pub(super) fn write(result: &Result, dir: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(dir).with_context(|| format!("`{}` cannot be made", dir.display()))?;
    result.evidence.write(&dir.join("evidence"), &dir.join("evidence.zip"))?;
    let report = report(result)?;
    std::fs::write(dir.join("report.json"), report::json::to_bytes(&report)?)?;
    std::fs::write(dir.join("report.csv"), disposal::to_csv(&report))?;
    Ok(())
}

/// The disposal report of the year.
pub(super) fn report(result: &Result) -> anyhow::Result<DisposalReport> {
    let evidence = &result.evidence;
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
    let options = disposal::Options { at: result.script.ends };
    let (from, to) = (Day(date(2025, 11, 1)), Day(date(2026, 10, 31)));
    let site = Label::new(SITE)?;
    Ok(disposal::compile(&result.refolded.state, &site, from, to, head, &options))
}
