//! The label of a container: words, hazards and a code to scan, in black and white.

use serde::{Deserialize, Serialize};
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::ids::{Code, Label};
use shopfloor::waste::events::{Determination, WasteCodes};
use shopfloor::waste::facts::ContainerFact;
use shopfloor::waste::law::Law;

use super::super::tables::codes;
use super::super::words::{Key, Words};
use super::super::{Head, Options};
use super::{Desk, Print, PrintError, log_head, mono, render_at};
use crate::pdf::{Block, Document, Qr, Text};

/// What stands on the label of a container: plain data.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ContainerLabel {
    /// `container_label`.
    pub report: String,
    /// The container.
    pub container: Label,
    /// Site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<Label>,
    /// Stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stream: Option<Label>,
    /// Description of the stream.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// What the generator determined; absent while nobody did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub determination: Option<Determination>,
    /// Codes as determined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub codes: Option<WasteCodes>,
    /// Hazards as last marked.
    pub hazards: Vec<Code>,
    /// Day the accumulation clock started.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start: Option<Day>,
    /// Mass of the empty container, as read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tare: Option<String>,
    /// Instant as of which it was made, UTC.
    pub at: String,
    /// Where the log stood.
    pub head: Head,
    /// Entries it rests on, ascending.
    pub entries: Vec<u64>,
}

/// Compiles the label of a container; `None` when it was never opened.
pub fn container_label(
    state: &State,
    container: &Label,
    head: Head,
    options: &Options,
) -> Option<ContainerLabel> {
    let container = state.waste.container(container)?;
    let (opening, opened) = container.opened()?;
    let config = container.site().map(|s| state.record.site(s).clone()).unwrap_or_default();
    let law = Law::of(&config);
    let determined = state.waste.determination(&opened.stream, options.at.as_millisecond());
    let marked = container.life().rev().find_map(|m| match &m.value.fact {
        ContainerFact::Labelled(e) => Some((m.seq, e)),
        ContainerFact::Opened(_)
        | ContainerFact::Closed(_)
        | ContainerFact::Weighed(_)
        | ContainerFact::Moved(_)
        | ContainerFact::Extended(_) => None,
    });
    let mut entries = vec![opening.seq];
    entries.extend(determined.map(|m| m.seq));
    entries.extend(marked.map(|(seq, _)| seq));
    entries.sort_unstable();
    Some(ContainerLabel {
        report: "container_label".into(),
        container: container.id.clone(),
        site: container.site().cloned(),
        stream: Some(opened.stream.clone()),
        description: determined.map(|m| m.value.fact.description.to_string()),
        determination: determined.map(|m| m.value.fact.determination),
        codes: determined.map(|m| m.value.fact.codes.clone()),
        hazards: marked.map(|(_, e)| e.hazards.clone()).unwrap_or_default(),
        start: container.clock_start().map(|(ms, _)| law.days.day(ms)),
        tare: Some(opened.tare.to_string()),
        at: options.at.to_string(),
        head,
        entries,
    })
}

/// Prints the label. The code holds `container/<label>`, which is what the pages scan.
pub fn label_to_pdf(label: &ContainerLabel, print: &Print<'_>) -> Result<Vec<u8>, PrintError> {
    render_at(&label_document(label, print), print, &label.at)
}

/// The document of the label, before it is set in type.
pub fn label_document(label: &ContainerLabel, print: &Print<'_>) -> Document {
    let desk = Desk { words: Words(print.language), print };
    let words = desk.words;
    let heading = match label.determination {
        Some(Determination::Hazardous | Determination::AcuteHazardous) => Key::HazardousWaste,
        Some(Determination::NonHazardous) => Key::Waste,
        None => Key::NotDeterminedYet,
    };
    let hazards: Vec<String> = label.hazards.iter().map(|h| h.as_str().replace('_', " ")).collect();
    let text = |value: Option<String>| Text::plain(value.unwrap_or_default());
    let mut blocks = vec![Block::KeyValues(vec![
        (words.of(Key::Container).into(), mono(label.container.as_str())),
        (words.of(Key::Site).into(), text(label.site.as_ref().map(Label::to_string))),
        (words.of(Key::Stream).into(), text(label.stream.as_ref().map(Label::to_string))),
        (words.of(Key::What).into(), text(label.description.clone())),
        (words.of(Key::Codes).into(), mono(codes(label.codes.as_ref()))),
        (words.of(Key::Hazards).into(), Text::bold(hazards.join(", "))),
        (words.of(Key::AccumulationStart).into(), desk.day(label.start)),
        (words.of(Key::Tare).into(), text(label.tare.clone())),
    ])];
    let subject = format!("container/{}", label.container);
    let mut qr = Qr::new(subject.clone(), words.of(Key::LabelQrAlt), vec![mono(subject)]);
    qr.module_um = 2 * Qr::MODULE_UM;
    blocks.push(Block::Qr(qr));
    blocks.push(desk.caution(&["hazardous_waste", "combustible_dust"]));
    blocks.push(Block::SmallPrint(words.of(Key::LabelNote).into()));
    Document {
        title: words.of(heading).into(),
        subtitle: format!("{} {}", words.of(Key::Container), label.container),
        language: print.language,
        subject: words.of(Key::LabelSubject).into(),
        log: log_head(&label.head),
        blocks,
        attachments: Vec::new(),
    }
}
