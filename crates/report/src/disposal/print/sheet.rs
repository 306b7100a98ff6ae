//! The custody sheet of one shipment: goes with the papers, or to whoever asks who held a drum.

use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::ids::Label;
use shopfloor::waste::law::Law;
use shopfloor::waste::view::{self, CustodyStep, ShipmentView};

use super::super::words::{Key, Words};
use super::super::{Head, Options};
use super::{Desk, Print, PrintError, Scale, log_head, mono, render_at, rows};
use crate::json;
use crate::pdf::{
    Attachment, Block, Column, Document, Level, Relationship, Signatory, Table, Text,
};

/// Who held the containers of one shipment: plain data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CustodySheet {
    /// `custody_sheet`.
    pub report: String,
    /// The shipment.
    pub shipment: ShipmentView,
    /// Its containers, each with every holding.
    pub containers: Vec<HeldContainer>,
    /// Time zone of the local times.
    pub time_zone: String,
    /// Instant as of which it was made, UTC.
    pub at: String,
    /// Where the log stood.
    pub head: Head,
}

/// One container on a custody sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeldContainer {
    /// Which.
    pub container: Label,
    /// Its stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<Label>,
    /// Container type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub container_type: Option<Label>,
    /// Every holding, from first to last.
    pub custody: Vec<CustodyStep>,
}

/// Compiles the custody sheet of a shipment; `None` when nothing was told of it.
pub fn custody_sheet(
    state: &State,
    shipment: &Label,
    head: Head,
    options: &Options,
) -> Option<CustodySheet> {
    let view = view::shipment(state, shipment)?;
    let config = view.site.as_ref().map(|s| state.record.site(s).clone()).unwrap_or_default();
    let law = Law::of(&config);
    let containers = view
        .containers
        .iter()
        .filter_map(|c| state.waste.container(&c.container))
        .map(|c| HeldContainer {
            container: c.id.clone(),
            stream: c.stream().cloned(),
            container_type: c.opened().and_then(|(_, e)| e.container_type.clone()),
            custody: view::custody(state, &c, &law.days),
        })
        .collect();
    Some(CustodySheet {
        report: "custody_sheet".into(),
        shipment: view,
        containers,
        time_zone: config.time_zone.clone(),
        at: options.at.to_string(),
        head,
    })
}

/// Prints a custody sheet with its data attached.
pub fn sheet_to_pdf(sheet: &CustodySheet, print: &Print<'_>) -> Result<Vec<u8>, PrintError> {
    render_at(&sheet_document(sheet, print)?, print, &sheet.at)
}

/// The document of a custody sheet, before it is set in type.
pub fn sheet_document(sheet: &CustodySheet, print: &Print<'_>) -> Result<Document, PrintError> {
    let desk = Desk { words: Words(print.language), print };
    let words = desk.words;
    let mut blocks = vec![Block::KeyValues(desk.shipment_facts(&sheet.shipment))];
    desk.heading(Level::One, Key::HeadingContainers, &mut blocks);
    blocks.push(desk.loaded(sheet));
    desk.heading(Level::One, Key::Custody, &mut blocks);
    let held: Vec<(&str, &[CustodyStep])> =
        sheet.containers.iter().map(|c| (c.container.as_str(), c.custody.as_slice())).collect();
    blocks.push(desk.custody(&held));
    desk.heading(Level::One, Key::SheetSign, &mut blocks);
    let sign = |key: Key| Signatory { meaning: words.of(key).into(), ..Signatory::default() };
    let legs = sheet.shipment.legs.len().max(1);
    let mut signatories = vec![sign(Key::GivenBy)];
    signatories.extend((0..legs).map(|_| sign(Key::TakenBy)));
    signatories.push(sign(Key::ReceivedBy));
    blocks.push(Block::Signatures(signatories));
    blocks.push(desk.caution(&["hazardous_waste", "lifting", "reactive_metal"]));
    Ok(Document {
        title: words.of(Key::SheetTitle).into(),
        subtitle: format!("{} {}", words.of(Key::Shipment), sheet.shipment.shipment),
        language: print.language,
        subject: words.of(Key::SheetSubject).into(),
        log: log_head(&sheet.head),
        blocks,
        attachments: vec![Attachment {
            name: "custody.json".into(),
            mime: "application/json".into(),
            relationship: Relationship::Data,
            description: words.of(Key::AttachmentJson).into(),
            bytes: json::to_bytes(sheet)?,
        }],
    })
}

impl Desk<'_> {
    fn loaded(&self, sheet: &CustodySheet) -> Block {
        let shipped = &sheet.shipment.containers;
        let scale = Scale::of(shipped.iter().filter_map(|c| c.shipped_kg));
        Block::Table(Table {
            caption: Text::default(),
            columns: vec![
                Column::new(self.t(Key::Container), 18),
                Column::new(self.t(Key::Stream), 24),
                Column::new(self.t(Key::Kind), 10),
                Column::figures(self.t(Key::NetKg), 12),
            ],
            rows: rows(sheet.containers.iter().map(|c| {
                let mass = shipped.iter().find(|s| s.container == c.container);
                let text = |l: &Option<Label>| mono(l.as_ref().map_or("", |l| l.as_str()));
                vec![
                    mono(c.container.as_str()),
                    text(&c.stream),
                    text(&c.container_type),
                    scale.some(mass.and_then(|m| m.shipped_kg)),
                ]
            })),
            row_headings: true,
        })
    }
}
