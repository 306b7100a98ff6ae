//! What the demo prints: counts, rates, findings, troubles, verdict, and where everything lies.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

use chain::verify::Verdict;
use shopfloor::finding;

use super::Result;

/// Prints the summary and tells whether nothing is missing.
pub(super) fn print(result: &Result, dir: &Path) -> anyhow::Result<bool> {
    let mut out = std::io::stdout().lock();
    let all_there = write(result, dir, &mut out)?;
    out.flush()?;
    Ok(all_there)
}

fn write(result: &Result, dir: &Path, out: &mut impl Write) -> anyhow::Result<bool> {
    let counts = counts(result, out)?;
    findings(result, out)?;
    let troubles = troubles(result, out)?;
    let report = report(result, out)?;
    let verdict = verdict(result, out)?;
    writeln!(out, "\nFiles in {}", dir.display())?;
    Ok(counts && troubles && report && verdict)
}

/// Events sent and what became of them. All acknowledged entries must be in the log.
fn counts(result: &Result, out: &mut impl Write) -> anyhow::Result<bool> {
    let performance = &result.performance;
    let played = &performance.played;
    let sent = result.script.events();
    let seconds = performance.took.as_secs_f64();
    writeln!(out, "A year at Brackwater Works (invented): {sent} events in {seconds:.1} s")?;
    writeln!(
        out,
        "  {:.0} events/s over HTTP in {} requests",
        sent as f64 / seconds.max(0.001),
        performance.requests
    )?;
    for (word, count) in played.counts() {
        writeln!(out, "  {count:>7} {word}")?;
    }
    let mut recorded: Vec<u64> = played.recorded().collect();
    let acknowledged = recorded.len();
    recorded.sort_unstable();
    recorded.dedup();
    let lost = recorded.iter().filter(|seq| **seq >= result.refolded.entries()).count();
    let own = result.refolded.entries().saturating_sub(recorded.len() as u64);
    writeln!(
        out,
        "  {acknowledged:>7} acknowledged, {lost} lost, {own} entries by the log itself"
    )?;
    let surprises: Vec<_> = played.surprises(&result.script).collect();
    for (no, expect, answer) in surprises.iter().take(10) {
        writeln!(out, "  event {} should have been {expect:?}: {answer:?}", no.0)?;
    }
    Ok(lost == 0 && acknowledged == recorded.len() && surprises.is_empty())
}

fn findings(result: &Result, out: &mut impl Write) -> anyhow::Result<()> {
    let mut by_rule: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for found in result.refolded.state.findings.iter() {
        let row = by_rule.entry(&found.rule).or_default();
        row.0 += 1;
        row.1 += usize::from(found.settled_by.is_some());
    }
    writeln!(out, "\nFindings by rule: number, settled, level, rule")?;
    for (rule, (count, settled)) in by_rule {
        let level = finding::rule(rule).map_or("", |r| r.level.as_str());
        writeln!(out, "  {count:>5} {settled:>5}  {level:<5} {rule}")?;
    }
    Ok(())
}

fn troubles(result: &Result, out: &mut impl Write) -> anyhow::Result<bool> {
    writeln!(out, "\nTroubles planted, and what came of each")?;
    for trouble in &result.script.troubles {
        writeln!(out, "  {} {}: {}", trouble.site, trouble.id, trouble.title)?;
        for outcome in result.outcomes.iter().filter(|o| o.trouble == trouble.id) {
            let mark = if outcome.ok { "found  " } else { "MISSING" };
            writeln!(out, "      {mark} {}: {}", outcome.wanted, outcome.found)?;
        }
    }
    let planted: Vec<&str> = result.script.troubles.iter().map(|t| t.id).collect();
    let names = super::shop::trouble_names();
    let never: Vec<&&str> = names.iter().filter(|name| !planted.contains(name)).collect();
    for name in &never {
        writeln!(out, "  {name}: found no moment in this year (another seed may)")?;
    }
    let found = result.outcomes.iter().filter(|o| o.ok).count();
    writeln!(
        out,
        "  {} of {} troubles planted, {found} of {} outcomes found",
        planted.len(),
        names.len(),
        result.outcomes.len()
    )?;
    Ok(never.is_empty() && found == result.outcomes.len())
}

fn report(result: &Result, out: &mut impl Write) -> anyhow::Result<bool> {
    let (report, seq) = (&result.issued.report, result.issued.seq);
    writeln!(
        out,
        "\nDisposal report of `{}`, {} to {}, issued in entry {seq}",
        report.site, report.from, report.to
    )?;
    for line in &report.summary {
        writeln!(
            out,
            "  {:<12} {:>3} containers, shipped {:>12}, received {:>12}, {}",
            line.stream,
            line.containers,
            line.shipped_kg.to_string(),
            line.received_kg.to_string(),
            if line.method.is_empty() { "not certified" } else { &line.method }
        )?;
    }
    writeln!(out, "  shipped in all: {}", report.shipped_kg)?;
    let recorded = result.refolded.state.record.reports().iter().any(|issued| issued.seq == seq);
    Ok(!report.summary.is_empty() && recorded)
}

fn verdict(result: &Result, out: &mut impl Write) -> anyhow::Result<bool> {
    match &result.evidence.verdict {
        Verdict::Sound(summary) => {
            writeln!(
                out,
                "\nVerdict on the evidence: sound. {} entries, root {}, signed by {}",
                summary.entries, summary.root, summary.log_key
            )?;
            Ok(summary.entries == result.refolded.entries())
        }
        Verdict::Broken(fault) => {
            writeln!(out, "\nVerdict on the evidence: BROKEN. {fault}")?;
            Ok(false)
        }
    }
}

/// Tells a visitor where everything lies.
pub(super) fn invite(
    base: &str,
    token: &str,
    badges: &[(String, &str, String)],
    pin: &str,
    dir: &Path,
) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "\nServing until stopped (ctrl-c)")?;
    writeln!(out, "  page             {base}/")?;
    writeln!(out, "  API description  {base}/docs/")?;
    writeln!(out, "  report, evidence {}", dir.display())?;
    writeln!(out, "  badges to sign in with, all with PIN {pin}:")?;
    for (badge, role, person) in badges {
        writeln!(out, "    {badge}  {role:<10}  {person}")?;
    }
    writeln!(out, "  an auditor's token, good for 30 days:\n{token}")?;
    writeln!(out, "  for example:\ncurl -H 'Authorization: Bearer {token}' {base}/v1/findings")?;
    out.flush()?;
    Ok(())
}
