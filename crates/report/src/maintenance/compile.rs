//! From the folds to the report.

use std::collections::BTreeSet;

use jiff::Timestamp;
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::finding::{Finding, Level};
use shopfloor::ids::{Label, SubjectKind};
use shopfloor::people::DeviationView;
use shopfloor::record::SiteConfig;

use super::{DeviationLine, FORM_VERSION, MaintenanceReport};
use crate::disposal::{FindingLine, Head, Options, caution_lines};
use crate::signatures::SignatureLine;

/// What a signature under the report says.
const SIGNATURE_MEANING: &str = "I have read this report and compared it with the record. To the \
     best of my knowledge it is complete for the site and period named.";

/// Cautions that belong to work on machines.
const CAUTION_IDS: [&str; 5] = [
    "isolation",
    "combustible_dust",
    "ignition_and_earthing",
    "breathing_protection",
    "hot_powder",
];

/// Compiles the maintenance report of `site` for the days `from` to `to`, both included.
///
/// Pure: the same state, days, head and options give the same report.
pub fn compile(
    state: &State,
    site: &Label,
    from: Day,
    to: Day,
    head: Head,
    options: &Options,
) -> MaintenanceReport {
    let config = state.record.site(site);
    let scope = Scope { state, site, from, to, at: options.at, config };
    let upkeep = state.equipment.upkeep(Some(site), from, to);
    let deferrals = state.equipment.deferrals(Some(site), from, to);
    let parts = state.equipment.part_changes(Some(site), from, to);
    let deviations = scope.deviations();
    let mut entries: BTreeSet<u64> =
        upkeep.lines.iter().flat_map(|l| &l.entries).copied().collect();
    entries.extend(deferrals.iter().map(|line| line.entry));
    entries.extend(parts.iter().map(|line| line.entry));
    entries.extend(deviations.iter().flat_map(|line| &line.deviation.entries));
    MaintenanceReport {
        report: "maintenance".into(),
        version: FORM_VERSION,
        site: site.clone(),
        time_zone: config.time_zone.clone(),
        from,
        to,
        at: options.at.to_string(),
        head,
        on_time: upkeep.on_time,
        late: upkeep.late,
        open: upkeep.open,
        rate: upkeep.rate,
        work: upkeep.lines,
        deferrals,
        parts,
        deviations,
        findings: scope.findings(),
        signatures: SignatureLine::of_entries(&state.record, &config.tz(), entries),
        cautions: caution_lines(&CAUTION_IDS),
        signature_meaning: SIGNATURE_MEANING.into(),
    }
}

struct Scope<'a> {
    state: &'a State,
    site: &'a Label,
    from: Day,
    to: Day,
    at: Timestamp,
    config: &'a SiteConfig,
}

impl Scope<'_> {
    fn day(&self, ms: i64) -> Option<Day> {
        Timestamp::from_millisecond(ms).ok().map(|at| Day(self.config.day(at)))
    }

    /// Deviations that were open on a day of the period.
    fn deviations(&self) -> Vec<DeviationLine> {
        let all = self.state.people.deviations(&self.state.record, self.at).into_iter();
        let here = all.filter(|deviation| deviation.site.as_ref() == Some(self.site));
        here.map(|deviation| DeviationLine {
            opened_on: deviation.opened.as_ref().and_then(|by| self.day(by.time_ms)),
            closed_on: deviation.closed.as_ref().and_then(|by| self.day(by.time_ms)),
            overridden: self.overridden(&deviation),
            deviation,
        })
        .filter(|line| {
            line.opened_on.is_none_or(|day| day <= self.to)
                && line.closed_on.is_none_or(|day| day >= self.from)
        })
        .collect()
    }

    fn overridden(&self, deviation: &DeviationView) -> Vec<String> {
        let shown = deviation.shown_by.iter().flat_map(|seq| self.state.findings.of_entry(*seq));
        let rules: BTreeSet<&String> =
            shown.filter(|f| f.level == Level::Stop).map(|f| &f.rule).collect();
        rules.into_iter().cloned().collect()
    }

    fn findings(&self) -> Vec<FindingLine> {
        let line = |finding: &Finding| {
            let day = self.day(finding.time_ms)?;
            let open = finding.settled_by.is_none();
            let counts = day <= self.to && (day >= self.from || open);
            counts.then(|| FindingLine::of(finding, day))
        };
        let all = self.state.findings.iter();
        let here = all.filter(|f| f.site.as_ref() == Some(self.site) && about_upkeep(f));
        here.filter_map(line).collect()
    }
}

/// Findings about machines, whatever raised them, and about who works on them.
fn about_upkeep(finding: &Finding) -> bool {
    finding.rule.starts_with("equipment.")
        || finding.subject.kind == SubjectKind::Equipment && !finding.rule.starts_with("powder.")
}
