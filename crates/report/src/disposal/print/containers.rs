//! The list of containers.

use super::super::tables::codes;
use super::super::words::Key;
use super::super::{ContainerLine, DisposalReport};
use super::{Desk, Scale, entry_runs, mono, rows};
use crate::pdf::{Block, Column, Level, Row, Table, Text};

impl Desk<'_> {
    pub(super) fn containers(&self, report: &DisposalReport, blocks: &mut Vec<Block>) {
        self.heading(Level::One, Key::HeadingContainers, blocks);
        let scale = Scale::of(report.containers.iter().map(|c| c.net_kg));
        let received = Scale::of(report.containers.iter().filter_map(|c| c.received_kg));
        let line = |c: &ContainerLine| {
            let mut marks = String::new();
            if c.counted {
                marks.push('*');
            }
            if !c.weighed {
                marks.push('S');
            }
            if c.agrees == Some(false) {
                marks.push('D');
            }
            let document = c.document.as_deref().unwrap_or("");
            let shipment = c.shipment.as_ref().map(|s| s.as_str()).unwrap_or("");
            let joined = if shipment.is_empty() { "" } else { "\n" };
            let days: Vec<String> = [c.opened, c.closed, c.left]
                .into_iter()
                .map(|day| day.map_or_else(|| "-".to_owned(), |d| d.to_string()))
                .collect();
            let state = if c.method.is_empty() {
                Text::plain(self.words.state(c.state))
            } else {
                Text::plain(format!("{}\n", self.words.state(c.state))).and(mono(&c.method))
            };
            vec![
                mono(c.container.as_str()),
                mono(c.stream.as_ref().map(|s| s.to_string()).unwrap_or_default())
                    .and("\n")
                    .and(mono(codes(c.codes.as_ref()))),
                Text::plain(days.join("\n")),
                scale.text(c.net_kg),
                Text::plain(marks),
                received.some(c.received_kg),
                mono(shipment).and(joined).and(mono(document)),
                state,
                entry_runs(&c.entries),
            ]
        };
        let mut rows = rows(report.containers.iter().map(line));
        let mut total = vec![Text::default(); 9];
        total[0] = self.t(Key::Total).into();
        total[3] = scale.text(report.shipped_kg);
        total[4] = "*".into();
        rows.push(Row::total(total));
        blocks.push(Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Container), 12),
                Column::new(self.t(Key::Stream), 16),
                Column::new(self.t(Key::Days), 13),
                Column::figures(self.t(Key::NetKg), 9),
                Column::new("", 4),
                Column::figures(self.t(Key::ReceivedKg), 11),
                Column::new(self.t(Key::ShipmentDocument), 15),
                Column::new(self.t(Key::StateMethod), 12),
                Column::new(self.t(Key::EntriesBelow), 14),
            ],
            rows,
            row_headings: true,
        }));
        blocks.push(Block::SmallPrint(self.t(Key::ContainersNote).into()));
    }
}
