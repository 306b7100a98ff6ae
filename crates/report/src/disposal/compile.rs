//! From the folds to the report.

use std::collections::{BTreeMap, BTreeSet};

use shopfloor::State;
use shopfloor::cautions::{CAUTIONS, Caution};
use shopfloor::common::Day;
use shopfloor::ids::{Label, SubjectKind};
use shopfloor::waste::category::MonthView;
use shopfloor::waste::clocks::Clock;
use shopfloor::waste::container::{Container, CustodyEvent};
use shopfloor::waste::law::{Law, RuleUsed};
use shopfloor::waste::notices;
use shopfloor::waste::retention::{RecordKind, Retention};
use shopfloor::waste::view::{self, ShipmentView};
use shopfloor::waste::{Kg, Shipment, SiteWaste};

use super::corrections::corrections;
use super::open_items::open_items;
use super::{
    CautionLine, ContainerLine, DisposalReport, FORM_VERSION, FindingLine, Head, Options,
    RuleSetLine, RulesUsed, SummaryLine,
};
use crate::signatures::SignatureLine;

/// What a signature under the report says.
const SIGNATURE_MEANING: &str = "I have read this report and compared it with the record. To the \
     best of my knowledge it is complete for the site and period named.";

/// Cautions that belong to handling waste powder.
pub(super) const CAUTION_IDS: [&str; 6] = [
    "hazardous_waste",
    "combustible_dust",
    "ignition_and_earthing",
    "breathing_protection",
    "reactive_metal",
    "lifting",
];

/// Compiles the disposal report of `site` for the days `from` to `to`, both included.
///
/// Pure: the same state, days, head and options give the same report.
pub fn compile(
    state: &State,
    site: &Label,
    from: Day,
    to: Day,
    head: Head,
    options: &Options,
) -> DisposalReport {
    let config = state.record.site(site);
    let waste = SiteWaste::of(state, site);
    let period_ms = (waste.law.days.start_ms(from), waste.law.days.end_ms(to));
    let scope = Scope { state, site, to, period_ms, options, waste: &waste, law: &waste.law };
    let containers: Vec<ContainerLine> =
        waste.containers(from, to).iter().filter_map(|c| scope.container(c)).collect();
    let shipments = scope.shipments(&containers);
    let summary = scope.summary(&containers);
    let balance = waste.balance(from, to);
    let months = waste.month_views(from, to, options.at);
    let clocks = waste.clocks(options.at);
    let retention = scope.retention(&shipments, &containers);
    let entries = sorted(
        (containers.iter().flat_map(|c| &c.entries))
            .chain(shipments.iter().flat_map(|s| &s.entries))
            .chain(summary.iter().flat_map(|s| &s.entries))
            .chain(months.iter().flat_map(|m| &m.entries))
            .copied(),
    );
    let signatures =
        SignatureLine::of_entries(&state.record, &config.tz(), entries.iter().copied());
    let open_items = open_items(state, site, &containers, &shipments, &clocks);
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
        shipped_containers: summary.iter().map(|line| line.containers).sum(),
        rules: scope.rules(&months, &shipments, &clocks, &retention),
        corrections: corrections(state, &entries, scope.amended_in_period()),
        findings: scope.findings(),
        signatures,
        cautions: scope.cautions(),
        signature_meaning: SIGNATURE_MEANING.into(),
        summary,
        balance,
        months,
        containers,
        shipments,
        open_items,
        clocks,
        retention,
    }
}

struct Scope<'a> {
    state: &'a State,
    site: &'a Label,
    to: Day,
    /// First and last millisecond of the period.
    period_ms: (i64, i64),
    options: &'a Options,
    waste: &'a SiteWaste<'a>,
    law: &'a Law<'a>,
}

impl Scope<'_> {
    fn holds(&self, ms: i64) -> bool {
        let (from, to) = self.period_ms;
        from <= ms && ms <= to
    }

    fn day(&self, ms: i64) -> Day {
        self.law.days.day(ms)
    }

    /// A container belongs to the report when it stood on the site on a day of the period, or
    /// something was told of it for one.
    fn container(&self, container: &Container<'_>) -> Option<ContainerLine> {
        let holdings = container.custody();
        let mut moments: Vec<i64> = container.life().map(|m| m.time_ms).collect();
        moments.extend(container.additions().map(|a| a.moment.time_ms));
        let began = *moments.iter().min()?;
        let left_ms = container.left().map(|(ms, _)| ms);
        let left = left_ms.map(|ms| self.day(ms));
        let (from, to) = self.period_ms;
        let stood = began <= to && left_ms.is_none_or(|ms| ms >= from);
        moments.extend(holdings.iter().map(|h| h.from_ms));
        let touched = moments.into_iter().any(|ms| self.holds(ms));
        if !touched && !stood {
            return None;
        }
        let shipment = left
            .and_then(|_| holdings.iter().rfind(|h| h.event == CustodyEvent::Accepted))
            .and_then(|h| h.shipment.clone())
            .or_else(|| self.state.waste.offers_of(container.id).last().map(|m| m.value.clone()));
        let handle = shipment.as_ref().and_then(|id| self.state.waste.shipment(id));
        let offer = handle.and_then(|s| s.offered());
        // As shipped; for what stands on site, as it stands.
        let net_at = left.and(offer).map_or(i64::MAX, |(m, _)| m.time_ms);
        let opened = container.opened();
        let determined =
            opened.and_then(|(m, e)| self.state.waste.determination(&e.stream, m.time_ms));
        let entries = sorted(
            (container.entries().into_iter())
                .chain(holdings.iter().map(|h| h.seq))
                .chain(offer.map(|(m, _)| m.seq))
                .chain(determined.map(|m| m.seq)),
        );
        Some(ContainerLine {
            container: container.id.clone(),
            stream: container.stream().cloned(),
            codes: determined.map(|m| m.value.fact.codes.clone()),
            container_type: opened.and_then(|(_, e)| e.container_type.clone()),
            opened: opened.map(|(m, _)| self.day(m.time_ms)),
            closed: container.closed(i64::MAX).map(|m| self.day(m.time_ms)),
            left,
            net_kg: container.content_kg(net_at),
            weighed: container.weighed(net_at).is_some(),
            added_kg: container.added_kg(net_at),
            agrees: container.sum_agrees(self.law, net_at),
            received_kg: handle.and_then(|s| s.received(container.id)).map(|r| r.mass_kg),
            document: offer.map(|(_, o)| o.document.number.as_str().to_owned()),
            shipment,
            method: handle.map(|s| methods(&s)).unwrap_or_default(),
            state: container.state(self.options.at).0,
            counted: left_ms.is_some_and(|ms| self.holds(ms)),
            custody: view::custody(self.state, container, &self.law.days),
            entries,
        })
    }

    /// Every shipment on which one of the containers was offered.
    fn shipments(&self, containers: &[ContainerLine]) -> Vec<ShipmentView> {
        let ids: BTreeSet<&Label> = containers
            .iter()
            .flat_map(|c| self.state.waste.offers_of(&c.container).map(|m| &m.value))
            .collect();
        ids.into_iter().filter_map(|id| view::shipment(self.state, id)).collect()
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
            .map(|((stream, method), lines)| self.summary_line(stream, method, &lines))
            .collect()
    }

    fn summary_line(
        &self,
        stream: String,
        method: String,
        lines: &[&ContainerLine],
    ) -> SummaryLine {
        let determined = Label::new(&stream)
            .ok()
            .and_then(|s| self.state.waste.determination(&s, self.law.days.end_ms(self.to)));
        let fact = determined.map(|m| &m.value.fact);
        let of_lines = lines.iter().flat_map(|l| l.entries.iter().copied());
        let entries = sorted(of_lines.chain(determined.map(|m| m.seq)));
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
            entries,
        }
    }

    /// Retention of the shipments and streams in the report.
    fn retention(
        &self,
        shipments: &[ShipmentView],
        containers: &[ContainerLine],
    ) -> Vec<Retention> {
        let streams: BTreeSet<&str> =
            containers.iter().filter_map(|c| c.stream.as_ref()).map(Label::as_str).collect();
        self.waste
            .retention_of(shipments.iter().map(|s| &s.shipment), self.options.at)
            .into_iter()
            .filter(|r| match r.record {
                RecordKind::ShippingDocument
                | RecordKind::ExceptionReport
                | RecordKind::RegisterEntry => true,
                RecordKind::Determination => streams.contains(r.subject.id()),
                RecordKind::BiennialReport => true,
            })
            .collect()
    }

    /// Every value that something in the report rests on.
    fn rules(
        &self,
        months: &[MonthView],
        shipments: &[ShipmentView],
        clocks: &[Clock],
        retention: &[Retention],
    ) -> RulesUsed {
        let mut values: BTreeSet<RuleUsed> = BTreeSet::new();
        values.extend(months.iter().flat_map(|m| m.rules.iter().cloned()));
        values.extend(clocks.iter().flat_map(|c| c.rules.iter().cloned()));
        values.extend(retention.iter().map(|r| r.rule.clone()));
        for tests in shipments.iter().map(|s| &s.tests) {
            values.extend(tests.weights().flat_map(|(_, t)| t.rules.iter().cloned()));
            values.extend(tests.pieces.iter().flat_map(|p| p.rules.iter().cloned()));
        }
        let unconfirmed: BTreeSet<String> =
            values.iter().filter(|v| v.unconfirmed()).map(RuleUsed::version).collect();
        let set = |s: &shopfloor::waste::law::RuleSet| RuleSetLine {
            id: s.id.clone(),
            title: s.title.clone(),
            state: s.state,
        };
        RulesUsed {
            sets: self.law.sets().into_iter().map(set).collect(),
            values: values.into_iter().collect(),
            unconfirmed: unconfirmed.into_iter().collect(),
            strict_day_count: self.law.strict(),
            legal_hold: self.law.hold(),
        }
    }

    /// The entries that told of waste of this site in the period and were corrected or voided.
    fn amended_in_period(&self) -> impl Iterator<Item = u64> {
        let (from, to) = self.period_ms;
        self.state.waste.superseded_between(self.site, from, to)
    }

    fn findings(&self) -> Vec<FindingLine> {
        self.state
            .findings
            .about(self.period_ms.0, self.period_ms.1)
            .filter(|f| f.site.as_ref() == Some(self.site))
            .filter(|f| f.rule.starts_with("waste.") || about_waste(f.subject.kind))
            .map(|f| FindingLine::of(f, self.day(f.time_ms)))
            .collect()
    }

    fn cautions(&self) -> Vec<CautionLine> {
        let notices = notices::for_site(self.law).map(|n| CautionLine {
            id: n.id.into(),
            title: String::new(),
            text: n.text.into(),
            source: n.hook.into(),
        });
        caution_lines(&CAUTION_IDS).into_iter().chain(notices).collect()
    }
}

/// Cautions of the catalogue, in its order.
pub(crate) fn caution_lines(ids: &[&str]) -> Vec<CautionLine> {
    let cautions = CAUTIONS.iter().filter(|c| ids.contains(&c.id));
    let line = |c: &Caution| CautionLine {
        id: c.id.into(),
        title: c.title.into(),
        text: c.full_text(),
        source: c.source.into(),
    };
    cautions.map(line).collect()
}

/// Entry numbers in order, each once.
fn sorted(entries: impl Iterator<Item = u64>) -> Vec<u64> {
    let mut entries: Vec<u64> = entries.collect();
    entries.sort_unstable();
    entries.dedup();
    entries
}

fn about_waste(kind: SubjectKind) -> bool {
    matches!(
        kind,
        SubjectKind::Stream | SubjectKind::Container | SubjectKind::Shipment | SubjectKind::Area
    )
}

/// Method codes of a shipment's certificates, each once, joined by ` + `.
fn methods(shipment: &Shipment<'_>) -> String {
    let codes: BTreeSet<&str> = shipment.certificates().map(|(_, c)| c.method.as_str()).collect();
    codes.into_iter().collect::<Vec<_>>().join(" + ")
}
