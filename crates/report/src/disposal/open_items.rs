//! What somebody still has to see to.

use shopfloor::State;
use shopfloor::ids::{Label, Subject, SubjectKind};
use shopfloor::quantity::AnyQuantity;
use shopfloor::waste::Kg;
use shopfloor::waste::clocks::{Clock, ClockState};
use shopfloor::waste::container::CustodyEvent;
use shopfloor::waste::discrepancy;
use shopfloor::waste::law::Law;
use shopfloor::waste::view::{CustodyStep, ShipmentView};

use super::{ContainerLine, FactName, NamedFact, OpenItem, OpenKind};

/// Open items of the containers, shipments and clocks of a report, by kind.
pub(super) fn open_items(
    state: &State,
    site: &Label,
    containers: &[ContainerLine],
    shipments: &[ShipmentView],
    clocks: &[Clock],
) -> Vec<OpenItem> {
    let law = Law::of(state.record.site(site));
    let mut items: Vec<OpenItem> = Vec::new();
    for clock in clocks.iter().filter(|c| c.state == ClockState::Overdue) {
        let rule = clock.rules.last().map(|r| r.version()).unwrap_or_default();
        items.push(OpenItem {
            kind: OpenKind::OverdueClock,
            subject: clock.subject.clone(),
            facts: facts([
                (FactName::LastDay, clock.last_day.to_string()),
                (FactName::DaysLate, clock.margin_days.abs().to_string()),
                (FactName::Rule, rule),
            ]),
            entries: clock.entries.clone(),
        });
    }
    for shipment in shipments {
        of_shipment(&law, shipment, &mut items);
    }
    for container in containers {
        of_container(state, container, &mut items);
    }
    items.sort_by(|a, b| (a.kind, &a.subject, &a.entries).cmp(&(b.kind, &b.subject, &b.entries)));
    items
}

fn facts<const N: usize>(list: [(FactName, String); N]) -> Vec<NamedFact> {
    list.into_iter().map(|(name, value)| NamedFact { name, value }).collect()
}

fn item(
    kind: OpenKind,
    on: SubjectKind,
    id: &Label,
    facts: Vec<NamedFact>,
    entries: Vec<u64>,
) -> Option<OpenItem> {
    let subject = Subject::new(on, id.as_str()).ok()?;
    Some(OpenItem { kind, subject, facts, entries })
}

/// A quantity as text; a count without the unit of numbers.
pub(super) fn shown(quantity: &AnyQuantity) -> String {
    match quantity.unit() {
        "1" => quantity.digits().to_owned(),
        _ => quantity.to_string(),
    }
}

fn of_shipment(law: &Law<'_>, shipment: &ShipmentView, items: &mut Vec<OpenItem>) {
    let on = SubjectKind::Shipment;
    let mut push = |kind, facts: Vec<NamedFact>, entries: Vec<u64>| {
        items.extend(item(kind, on, &shipment.shipment, facts, entries));
    };
    if let (Some(first), None) = (shipment.legs.first(), &shipment.signed_copy) {
        let told = facts([
            (FactName::Day, first.day.to_string()),
            (FactName::Transporter, first.transporter.to_string()),
        ]);
        let accepted = shipment.legs.iter().map(|leg| leg.entry).collect();
        push(OpenKind::NoSignedCopy, told, accepted);
    }
    for open in shipment.discrepancies.iter().filter(|d| d.settled_by.is_none()) {
        let told = facts([
            (FactName::Kind, open.kind.to_string()),
            (FactName::Expected, shown(&open.expected)),
            (FactName::Found, shown(&open.found)),
        ]);
        push(OpenKind::UnsettledDiscrepancy, told, vec![open.entry]);
    }
    if shipment.tests.significant() && shipment.discrepancies.is_empty() {
        let told = match (&shipment.tests.total, &shipment.tests.pieces) {
            (_, Some(p)) if p.significant == Some(true) => facts([
                (FactName::Shipped, p.shipped.to_string()),
                (FactName::Received, p.received.to_string()),
            ]),
            (Some(t), _) => facts([
                (FactName::Shipped, t.shipped_kg.to_string()),
                (FactName::Received, t.received_kg.to_string()),
            ]),
            (None, _) => Vec::new(),
        };
        push(OpenKind::UnrecordedDiscrepancy, told, shipment.entries.clone());
    }
    let Some(received) = shipment.received_kg else { return };
    let certified: Kg = shipment.certificates.iter().map(|c| c.mass_kg).sum();
    if shipment.certificates.is_empty() {
        let day = shipment.received.map(|d| d.to_string()).unwrap_or_default();
        let told = facts([(FactName::Day, day), (FactName::Received, received.to_string())]);
        push(OpenKind::NoCertificate, told, shipment.entries.clone());
        return;
    }
    let drums = shipment.containers.iter().filter(|c| c.received_kg.is_some()).count();
    if !discrepancy::certificates_agree(law, certified - received, drums) {
        let told = facts([
            (FactName::Received, received.to_string()),
            (FactName::Certified, certified.to_string()),
        ]);
        let entries = shipment.certificates.iter().map(|c| c.entry).collect();
        push(OpenKind::UncertifiedMass, told, entries);
    }
}

fn of_container(state: &State, line: &ContainerLine, items: &mut Vec<OpenItem>) {
    let on = SubjectKind::Container;
    let mut push = |kind, facts: Vec<NamedFact>, entries: Vec<u64>| {
        items.extend(item(kind, on, &line.container, facts, entries));
    };
    let transfer = |step: &CustodyStep| {
        facts([
            (FactName::Day, step.from.get(..10).unwrap_or_default().to_owned()),
            (FactName::Giver, step.giver.clone().unwrap_or_default()),
            (FactName::Receiver, step.holder.clone()),
        ])
    };
    for step in &line.custody {
        if step.event == CustodyEvent::Moved && step.both_signed == Some(false) {
            push(OpenKind::OneSidedTransfer, transfer(step), vec![step.entry]);
        }
        if step.gap {
            push(OpenKind::CustodyGap, transfer(step), vec![step.entry]);
        }
    }
    let determined =
        line.stream.as_ref().and_then(|s| state.waste.determination(s, i64::MAX)).is_some();
    if !determined {
        let told =
            line.stream.iter().map(|s| NamedFact { name: FactName::Stream, value: s.to_string() });
        push(OpenKind::UndeterminedStream, told.collect(), line.entries.clone());
    }
    if line.agrees == Some(false) {
        let told = facts([
            (FactName::Weighed, line.net_kg.to_string()),
            (FactName::PutIn, line.added_kg.to_string()),
        ]);
        push(OpenKind::SumAndWeighing, told, line.entries.clone());
    }
}
