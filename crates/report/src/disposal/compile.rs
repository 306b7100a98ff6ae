//! From the folds to the report.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::ids::{Label, SubjectKind};
use shopfloor::waste::Kg;
use shopfloor::waste::container::{Container, CustodyEvent};
use shopfloor::waste::view::{self, LocalDays};

use super::{
    ChangedMember, ContainerLine, CorrectionLine, DisposalReport, FORM_VERSION, FindingLine, Head,
    Options, SummaryLine,
};

/// Compiles the disposal report of `site` for the days `from` to `to`, both included.
pub fn compile(
    state: &State,
    site: &Label,
    from: Day,
    to: Day,
    head: Head,
    options: &Options,
) -> DisposalReport {
    let config = state.record.site(site);
    let scope = Scope { state, site, from, to, options, days: LocalDays::of(config) };
    let containers: Vec<ContainerLine> = state
        .waste
        .containers()
        .filter(|c| c.site() == Some(site))
        .filter_map(|c| scope.container(&c))
        .collect();
    let shipments: BTreeSet<&Label> =
        containers.iter().filter_map(|c| c.shipment.as_ref()).collect();
    let shipments: Vec<_> =
        shipments.into_iter().filter_map(|id| view::shipment(state, id)).collect();
    let summary = scope.summary(&containers);
    let mut entries: BTreeSet<u64> = containers.iter().flat_map(|c| c.entries.clone()).collect();
    entries.extend(shipments.iter().flat_map(|s| s.entries.clone()));
    DisposalReport {
        report: "disposal".into(),
        version: FORM_VERSION,
        site: site.clone(),
        time_zone: config.time_zone.clone(),
        jurisdiction: config.jurisdiction.clone(),
        from,
        to,
        at: options.at.to_string(),
        head,
        shipped_kg: summary.iter().map(|line| line.shipped_kg).sum(),
        summary,
        containers,
        shipments,
        corrections: corrections(state, &entries),
        findings: scope.findings(),
    }
}

struct Scope<'a> {
    state: &'a State,
    site: &'a Label,
    from: Day,
    to: Day,
    options: &'a Options,
    days: LocalDays,
}

impl Scope<'_> {
    fn holds(&self, day: Day) -> bool {
        self.from <= day && day <= self.to
    }

    /// A container belongs to the report when it stood on the site on a day of the period, or
    /// something was told of it for one.
    fn container(&self, container: &Container<'_>) -> Option<ContainerLine> {
        let view = view::container(self.state, container.id, self.options.at)?;
        let custody = container.custody();
        let touched = container
            .life()
            .map(|m| m.time_ms)
            .chain(container.additions().map(|a| a.moment.time_ms))
            .chain(custody.iter().map(|h| h.from_ms))
            .any(|ms| self.holds(self.days.day(ms)));
        let began = view.opened.or(view.first_waste)?;
        let stood = began <= self.to && view.left.is_none_or(|day| day >= self.from);
        if !touched && !stood {
            return None;
        }
        let left = custody
            .iter()
            .rfind(|h| h.event == CustodyEvent::Accepted)
            .filter(|_| view.left.is_some());
        let shipment = left.and_then(|h| h.shipment.clone()).or(view.shipment);
        let handle = shipment.as_ref().and_then(|id| self.state.waste.shipment(id));
        let net_at = handle.and_then(|s| s.offered()).map_or(i64::MAX, |(m, _)| m.time_ms);
        let method = handle.map(|s| methods(s.certificates().map(|(_, c)| &c.method)));
        let mut entries: BTreeSet<u64> = view.entries.into_iter().collect();
        entries.extend(handle.and_then(|s| s.offered()).map(|(m, _)| m.seq));
        Some(ContainerLine {
            container: view.container,
            stream: view.stream,
            codes: view.codes,
            container_type: view.container_type,
            opened: view.opened,
            closed: view.closed,
            left: view.left,
            net_kg: container.content_kg(net_at),
            weighed: container.weighed(net_at).is_some(),
            added_kg: view.added_kg,
            received_kg: handle.and_then(|s| s.received(container.id)).map(|r| r.mass_kg),
            document: handle
                .and_then(|s| s.offered())
                .map(|(_, o)| o.document.number.as_str().to_owned()),
            shipment,
            method: method.unwrap_or_default(),
            state: view.state,
            counted: view.left.is_some_and(|day| self.holds(day)),
            custody: view.custody,
            entries: entries.into_iter().collect(),
        })
    }

    /// Groups the counted containers by stream and method.
    fn summary(&self, containers: &[ContainerLine]) -> Vec<SummaryLine> {
        let mut groups: BTreeMap<(String, String), Vec<&ContainerLine>> = BTreeMap::new();
        for line in containers.iter().filter(|c| c.counted) {
            let stream = line.stream.as_ref().map_or("unknown", |s| s.as_str()).to_owned();
            groups.entry((stream, line.method.clone())).or_default().push(line);
        }
        groups
            .into_iter()
            .map(|((stream, method), lines)| {
                let determined = lines
                    .iter()
                    .find_map(|l| l.stream.as_ref())
                    .and_then(|s| self.state.waste.determination(s, i64::MAX));
                let fact = determined.map(|m| &m.value.fact);
                let mut entries: BTreeSet<u64> =
                    lines.iter().flat_map(|l| l.entries.iter().copied()).collect();
                entries.extend(determined.map(|m| m.seq));
                SummaryLine {
                    stream,
                    material: fact.map(|f| f.material.clone()),
                    determination: fact.map(|f| f.determination),
                    codes: fact.map(|f| f.codes.clone()),
                    method,
                    containers: lines.len() as u64,
                    shipped_kg: lines.iter().map(|l| l.net_kg).sum(),
                    received_kg: lines.iter().filter_map(|l| l.received_kg).sum::<Kg>(),
                    container_labels: lines.iter().map(|l| l.container.clone()).collect(),
                    entries: entries.into_iter().collect(),
                }
            })
            .collect()
    }

    fn findings(&self) -> Vec<FindingLine> {
        self.state
            .findings
            .iter()
            .filter(|f| f.site.as_ref() == Some(self.site))
            .filter(|f| f.rule.starts_with("waste.") || about_waste(f.subject.kind))
            .map(|f| (self.days.day(f.time_ms), f))
            .filter(|(day, _)| self.holds(*day))
            .map(|(day, f)| FindingLine {
                id: f.id.clone(),
                rule: f.rule.clone(),
                source: shopfloor::finding::rule(&f.rule).map_or("", |r| r.source).to_owned(),
                level: f.level,
                day,
                subject: f.subject.clone(),
                detail: f.detail.clone(),
                settled_by: f.settled_by,
                entries: f.entries.clone(),
            })
            .collect()
    }
}

fn about_waste(kind: SubjectKind) -> bool {
    matches!(
        kind,
        SubjectKind::Stream | SubjectKind::Container | SubjectKind::Shipment | SubjectKind::Area
    )
}

fn methods<'a>(codes: impl Iterator<Item = &'a Label>) -> String {
    let codes: BTreeSet<&str> = codes.map(Label::as_str).collect();
    codes.into_iter().collect::<Vec<_>>().join(" + ")
}

/// The corrections and voids of `entries`, each with what it changed.
fn corrections(state: &State, entries: &BTreeSet<u64>) -> Vec<CorrectionLine> {
    let mut lines = Vec::new();
    // A voided entry is in no fold any more and so in no list of entries: what the fold keeps of
    // earlier contents leads to it.
    for (seq, amendments) in state.record.amended() {
        let contents = state.waste.superseded(seq);
        if contents.is_empty() && !entries.contains(&seq) {
            continue;
        }
        for (i, amendment) in amendments.iter().enumerate() {
            let Some(original) = contents.get(i) else { continue };
            let corrected = amendment.event.as_ref().map(|e| e.data());
            lines.push(CorrectionLine {
                entry: seq,
                event: original.kind().name.to_owned(),
                by_entry: amendment.by,
                approver: amendment.approver.to_string(),
                reason: amendment.reason.to_string(),
                void: amendment.event.is_none(),
                changed: changes(&original.data(), corrected.as_ref()),
            });
        }
    }
    lines
}

/// Members that differ, by JSON pointer.
fn changes(original: &Value, corrected: Option<&Value>) -> Vec<ChangedMember> {
    let (mut old, mut new) = (BTreeMap::new(), BTreeMap::new());
    leaves(original, "", &mut old);
    if let Some(corrected) = corrected {
        leaves(corrected, "", &mut new);
    }
    let pointers: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    pointers
        .into_iter()
        .filter(|p| old.get(*p) != new.get(*p))
        .map(|p| ChangedMember {
            pointer: p.clone(),
            original: old.get(p).cloned(),
            corrected: new.get(p).cloned(),
        })
        .collect()
}

fn leaves(value: &Value, pointer: &str, out: &mut BTreeMap<String, String>) {
    match value {
        Value::Object(members) => {
            for (name, member) in members {
                leaves(member, &format!("{pointer}/{name}"), out);
            }
        }
        Value::Array(items) => {
            for (i, item) in items.iter().enumerate() {
                leaves(item, &format!("{pointer}/{i}"), out);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {
            out.insert(pointer.to_owned(), value.to_string());
        }
    }
}
