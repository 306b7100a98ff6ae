//! Each shipment: its steps, weights on both sides, who held its containers.

use std::collections::BTreeMap;

use shopfloor::ids::Label;
use shopfloor::waste::container::CustodyEvent;
use shopfloor::waste::discrepancy::WeightTest;
use shopfloor::waste::view::{CustodyStep, ShipmentView};

use super::super::open_items::shown;
use super::super::words::Key;
use super::super::{ContainerLine, DisposalReport};
use super::{Desk, Scale, mono, rows};
use crate::pdf::{Block, Column, Level, Table, Text};

impl Desk<'_> {
    pub(super) fn shipments(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingShipments, blocks);
        if report.shipments.is_empty() {
            blocks.push(Block::paragraph(self.print_none()));
        }
        let containers: BTreeMap<&Label, &ContainerLine> =
            report.containers.iter().map(|line| (&line.container, line)).collect();
        for shipment in &report.shipments {
            self.shipment(shipment, &containers, blocks);
        }
        self.discrepancies(report, blocks);
    }

    fn print_none(&self) -> &'static str {
        match self.words.0 {
            crate::pdf::Language::English => "none",
            crate::pdf::Language::German => "keine",
        }
    }

    fn shipment(
        &self,
        shipment: &ShipmentView,
        containers: &BTreeMap<&Label, &ContainerLine>,
        blocks: &mut Vec<Block>,
    ) {
        let title = Text::plain(format!("{} ", self.t(Key::Shipment)))
            .and(mono(shipment.shipment.as_str()));
        blocks.push(Block::heading(Level::Two, title));
        blocks.push(Block::KeyValues(self.shipment_facts(shipment)));
        blocks.push(self.steps(shipment));
        if !shipment.containers.is_empty() {
            blocks.push(self.weights(shipment));
        }
        let held: Vec<(&str, &[CustodyStep])> = shipment
            .containers
            .iter()
            .filter_map(|c| containers.get(&c.container))
            .map(|line| (line.container.as_str(), line.custody.as_slice()))
            .collect();
        if !held.is_empty() {
            blocks.push(self.custody(&held));
        }
    }

    pub(super) fn shipment_facts(&self, shipment: &ShipmentView) -> Vec<(Text, Text)> {
        let document = shipment.document.as_ref().map_or_else(Text::default, |d| {
            Text::plain(format!("{} ", self.words.document(d.kind))).and(mono(d.number.as_str()))
        });
        let legs: Vec<String> = shipment
            .legs
            .iter()
            .map(|l| format!("{}: {}, {}", l.leg, l.transporter, l.day))
            .collect();
        let facility = shipment.facility.as_ref().map(|f| f.to_string()).unwrap_or_default();
        let received = shipment.received.map(|d| format!(", {d}")).unwrap_or_default();
        let copy = match &shipment.signed_copy {
            Some(digest) => mono(format!("SHA-256 {digest}")),
            None => Text::bold(self.t(Key::Missing)),
        };
        let shipped = shipment.containers.len();
        let counted = shipment.pieces_received.map(|n| n.to_string()).unwrap_or("-".into());
        vec![
            (self.t(Key::Document).into(), document),
            (self.t(Key::Transporters).into(), legs.join("\n").into()),
            (self.t(Key::Facility).into(), format!("{facility}{received}").into()),
            (
                format!("{} ({})", self.t(Key::Pieces), self.t(Key::PiecesShippedReceived)).into(),
                format!("{shipped}, {counted}").into(),
            ),
            (self.t(Key::SignedCopy).into(), copy),
        ]
    }

    fn steps(&self, shipment: &ShipmentView) -> Block {
        Block::Table(Table {
            caption: self.t(Key::Steps).into(),
            columns: vec![
                Column::new(self.t(Key::When), 19),
                Column::new(self.t(Key::What), 15),
                Column::new(self.t(Key::Who), 14),
                Column::new(self.t(Key::Detail), 40),
                Column::figures(self.t(Key::Entry), 8),
            ],
            rows: rows(shipment.timeline.iter().map(|step| {
                let day = step.day.map(|d| format!("\n({d})")).unwrap_or_default();
                vec![
                    Text::plain(format!("{}{day}", minute(&step.time))),
                    self.words.step(step.event).into(),
                    self.person(&step.who).into(),
                    step.detail.clone().into(),
                    Text::plain(step.entry.to_string()),
                ]
            })),
            row_headings: false,
        })
    }

    /// Shipped against received: the legal test and the metrological one (C7).
    fn weights(&self, shipment: &ShipmentView) -> Block {
        let masses = shipment.containers.iter().flat_map(|c| [c.shipped_kg, c.received_kg]);
        let scale = Scale::of(masses.flatten());
        let tested = |test: Option<&WeightTest>| match test {
            None => [Text::default(), Text::default(), Text::default(), Text::default()],
            Some(t) => [
                Text::plain(t.percent.clone()),
                Text::plain(t.e_n.clone()),
                Text::plain(self.legal(t.significant)),
                self.words.yes(t.agree).into(),
            ],
        };
        let mut lines: Vec<Vec<Text>> = shipment
            .containers
            .iter()
            .map(|c| {
                let test = shipment.tests.containers.iter().find(|t| t.container == c.container);
                let received = if c.refused && c.received_kg.is_none() {
                    self.t(Key::Refused).into()
                } else {
                    scale.some(c.received_kg)
                };
                let mut cells =
                    vec![mono(c.container.as_str()), scale.some(c.shipped_kg), received];
                cells.extend(tested(test.map(|t| &t.test)));
                cells
            })
            .collect();
        if let Some(total) = shipment.tests.total.as_ref().filter(|_| lines.len() > 1) {
            let mut cells = vec![
                self.t(Key::AllContainers).into(),
                scale.text(total.shipped_kg),
                scale.text(total.received_kg),
            ];
            cells.extend(tested(Some(total)));
            lines.push(cells);
        }
        Block::Table(Table {
            caption: self.t(Key::Weights).into(),
            columns: vec![
                Column::new(self.t(Key::Container), 14),
                Column::figures(self.t(Key::ShippedKg), 11),
                Column::figures(self.t(Key::ReceivedKg), 13),
                Column::figures(self.t(Key::Percent), 12),
                Column::figures(self.t(Key::EnScore), 10),
                Column::new(self.t(Key::LegalTest), 14),
                Column::new(self.t(Key::ScaleTest), 11),
            ],
            rows: rows(lines),
            row_headings: true,
        })
    }

    fn legal(&self, significant: Option<bool>) -> &'static str {
        match significant {
            None => self.t(Key::NotAsked),
            Some(true) => self.t(Key::Significant),
            Some(false) => self.t(Key::NotSignificant),
        }
    }

    /// Who held the containers, from first to last.
    pub(super) fn custody(&self, held: &[(&str, &[CustodyStep])]) -> Block {
        let sides = |step: &CustodyStep| {
            if step.gap {
                self.t(Key::Gap)
            } else {
                match step.both_signed {
                    Some(true) => self.t(Key::Yes),
                    Some(false) => self.t(Key::OneSide),
                    None => "",
                }
            }
        };
        // What one entry did to several containers alike (a transporter took them all) is one line.
        type Alike<'a> = (u64, CustodyEvent, &'a str, Option<&'a str>, bool, Option<bool>);
        let mut at: BTreeMap<Alike<'_>, usize> = BTreeMap::new();
        let mut merged: Vec<(&CustodyStep, Vec<&str>)> = Vec::new();
        for (container, steps) in held {
            for step in *steps {
                let until = step.until.as_deref();
                let key =
                    (step.entry, step.event, &*step.holder, until, step.gap, step.both_signed);
                let line = *at.entry(key).or_insert_with(|| {
                    merged.push((step, Vec::new()));
                    merged.len() - 1
                });
                merged[line].1.push(container);
            }
        }
        // In order of local time, as printed.
        merged.sort_by_key(|(step, _)| (step.from.get(..19), step.entry));
        let lines = merged.into_iter().map(|(step, containers)| {
            let all = containers.len() > 1 && containers.len() == held.len();
            let container = match all {
                true => self.t(Key::AllContainers).into(),
                false => mono(containers.join(", ")),
            };
            [container]
                .into_iter()
                .chain([
                    self.custody_event(step),
                    self.person(&step.holder).into(),
                    Text::plain(minute(&step.from)),
                    Text::plain(step.until.as_deref().map(minute).unwrap_or_default()),
                    sides(step).into(),
                    Text::plain(step.entry.to_string()),
                ])
                .collect()
        });
        Block::Table(Table {
            caption: self.t(Key::Custody).into(),
            columns: vec![
                Column::new(self.t(Key::Container), 12),
                Column::new(self.t(Key::What), 17),
                Column::new(self.t(Key::Holder), 18),
                Column::new(self.t(Key::Since), 18),
                Column::new(self.t(Key::Until), 18),
                Column::new(self.t(Key::Sides), 11),
                Column::figures(self.t(Key::Entry), 8),
            ],
            rows: rows(lines),
            row_headings: true,
        })
    }

    /// What began a holding, with the shipment it belongs to.
    fn custody_event(&self, step: &CustodyStep) -> Text {
        let event = Text::plain(self.words.custody(step.event));
        match &step.shipment {
            Some(shipment) => event.and(" ").and(mono(shipment.as_str())),
            None => event,
        }
    }

    fn discrepancies(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::Two, Key::HeadingDiscrepancies, blocks);
        let lines = report.shipments.iter().flat_map(|s| {
            s.discrepancies.iter().map(move |d| {
                let settled = match (&d.settled_by, &d.settled_how) {
                    (Some(entry), how) => {
                        Text::plain(format!("{entry}: {}", how.as_deref().unwrap_or("")))
                    }
                    (None, _) => Text::bold(self.t(Key::NotSettled)),
                };
                vec![
                    mono(s.shipment.as_str()),
                    Text::plain(d.kind.to_string()),
                    mono(d.container.as_ref().map(|c| c.to_string()).unwrap_or_default()),
                    Text::plain(shown(&d.expected)),
                    Text::plain(shown(&d.found)),
                    settled,
                    Text::plain(d.entry.to_string()),
                ]
            })
        });
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Shipment), 12),
                Column::new(self.t(Key::Kind), 10),
                Column::new(self.t(Key::Container), 12),
                Column::new(self.t(Key::Expected), 12),
                Column::new(self.t(Key::Found), 12),
                Column::new(self.t(Key::Settled), 24),
                Column::figures(self.t(Key::Entry), 8),
            ],
            rows: rows(lines),
            row_headings: true,
        }));
    }
}

/// `2026-03-05T14:07:00+01:00` as `2026-03-05 14:07`: days and minutes are enough on paper, and
/// the time zone stands at the head of the report.
pub(super) fn minute(stamp: &str) -> String {
    stamp.get(..16).unwrap_or(stamp).replace('T', " ")
}
