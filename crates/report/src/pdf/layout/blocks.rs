//! The pieces of every kind of block but the table.

use std::rc::Rc;

use super::super::model::{Align, Block, Level, Signatory, Text};
use super::super::structure::{NodeId, Role};
use super::super::text::{Line, points, units};
use super::super::{PdfError, fonts};
use super::{
    BODY, Bookmark, Builder, CELL, Draw, Frame, HAIR, HEADING_1, HEADING_2, HEADING_3, Head, Item,
    Owner, PLAIN_CHARS_MAX, Piece, SMALL, STRONG, Step, TITLE, Type, baseline,
};

/// Longest entry of the outline, in characters; what is printed is never cut.
const OUTLINE_CHARS_MAX: usize = 200;

/// A column of lines side by side with others.
pub(super) struct Cell {
    pub(super) owner: Owner,
    pub(super) x: f32,
    pub(super) width: f32,
    pub(super) align: Align,
    pub(super) kind: Type,
    pub(super) lines: Vec<Rc<Line>>,
    /// Number of lines left free above.
    pub(super) skip: usize,
}

impl Cell {
    pub(super) fn new(node: NodeId, x: f32, width: f32, kind: Type, lines: Vec<Line>) -> Self {
        let lines = lines.into_iter().map(Rc::new).collect();
        Self { owner: Owner::Element(node), x, width, align: Align::Start, kind, lines, skip: 0 }
    }

    fn height_lines(&self) -> usize {
        self.skip + self.lines.len()
    }

    /// Those of its lines that fall into a part of the row, as an item.
    pub(super) fn item(&self, part: &std::ops::Range<usize>, top: f32) -> Option<Item> {
        let draws: Vec<Draw> = part
            .clone()
            .filter_map(|n| {
                let line = self.lines.get(n.checked_sub(self.skip)?)?;
                let slack = self.width - line.width(self.kind.size);
                let shift = match self.align {
                    Align::Start => 0.0,
                    Align::End => slack,
                };
                Some(Draw::Text {
                    x: self.x + shift,
                    baseline: top + baseline(self.kind, n - part.start),
                    size: self.kind.size,
                    line: Rc::clone(line),
                })
            })
            .collect();
        (!draws.is_empty()).then_some(Item { owner: self.owner, draws })
    }
}

/// How a row of cells is set.
#[derive(Default)]
pub(super) struct Setting {
    pub(super) above: f32,
    pub(super) below: f32,
    pub(super) pad_top: f32,
    pub(super) pad_bottom: f32,
    pub(super) keeps_next: bool,
    pub(super) head: Option<Rc<Head>>,
    /// Rules under and over the row: x, width, weight.
    pub(super) rules_under: Vec<[f32; 3]>,
    pub(super) rules_over: Vec<[f32; 3]>,
}

impl Builder<'_> {
    /// The title of the document.
    pub(super) fn title(&mut self) {
        let document = self.document;
        let node = self.structure.top(Role::Title);
        let setting = Setting { below: 2.0, keeps_next: true, ..Setting::default() };
        let cell = self.line_cell(node, TITLE, &document.title.as_str().into(), true);
        self.stack(&cell, &setting, None);
        if !document.subtitle.is_empty() {
            let setting = Setting { above: 2.0, below: 12.0, ..Setting::default() };
            self.paragraph(&document.subtitle.as_str().into(), BODY, setting);
        }
    }

    /// Adds the pieces of a block.
    pub(super) fn block(&mut self, block: &Block) -> Result<(), PdfError> {
        match block {
            Block::Heading { level, text } => self.heading(*level, text)?,
            Block::Paragraph(text) => {
                let setting = Setting { above: 6.0, below: 6.0, ..Setting::default() };
                self.paragraph(text, BODY, setting);
            }
            Block::SmallPrint(text) => {
                let setting = Setting { above: 5.0, below: 5.0, ..Setting::default() };
                self.paragraph(text, SMALL, setting);
            }
            Block::KeyValues(pairs) => self.key_values(pairs),
            Block::Table(table) => self.table(table)?,
            Block::Caution(paragraphs) => self.caution(paragraphs),
            Block::Qr(qr) => self.qr(qr)?,
            Block::Signatures(signatories) => signatories.iter().for_each(|s| self.signature(s)),
            Block::Bar(bar) => self.bar(bar),
            Block::NewPage { orientation } => {
                if let Some(orientation) = orientation {
                    self.frame = Frame::of(self.paper, *orientation);
                }
                self.steps.push(Step::NewPage(self.frame));
            }
        }
        Ok(())
    }

    fn heading(&mut self, level: Level, text: &Text) -> Result<(), PdfError> {
        // A heading without words would have no name for who listens.
        let dash = Text::plain("–");
        let text = if text.characters().trim().is_empty() { &dash } else { text };
        let title = fonts::plain_line(&text.characters(), PLAIN_CHARS_MAX);
        let before = self.heading.map_or(0, Level::number);
        if level.number() > before + 1 {
            return Err(PdfError::HeadingSkipsLevel { title, level: level.number(), before });
        }
        self.heading = Some(level);
        let (kind, above, below) = match level {
            Level::One => (HEADING_1, 22.0, 6.0),
            Level::Two => (HEADING_2, 16.0, 5.0),
            Level::Three => (HEADING_3, 12.0, 4.0),
        };
        let bookmark =
            Bookmark { level, title: fonts::plain_line(&text.characters(), OUTLINE_CHARS_MAX) };
        let node = self.structure.top(Role::Heading { level, title });
        let setting = Setting { above, below, keeps_next: true, ..Setting::default() };
        let cell = self.line_cell(node, kind, text, true);
        self.stack(&cell, &setting, Some(bookmark));
        Ok(())
    }

    pub(super) fn paragraph(&mut self, text: &Text, kind: Type, setting: Setting) {
        let node = self.structure.top(Role::Paragraph);
        let cell = self.line_cell(node, kind, text, false);
        self.stack(&cell, &setting, None);
    }

    /// Lines under each other: the first two and the last two stay together.
    fn stack(&mut self, cell: &Cell, setting: &Setting, bookmark: Option<Bookmark>) {
        let count = cell.lines.len();
        let mut from = 0;
        while from < count {
            let left = count - from;
            let to = match (from, left) {
                (_, ..=3) => count,
                (0, _) => 2,
                _ => from + 1,
            };
            self.steps.push(Step::Piece(Piece {
                height: (to - from) as f32 * cell.kind.leading,
                above: if from == 0 { setting.above } else { 0.0 },
                below: if to == count { setting.below } else { 0.0 },
                keeps_next: setting.keeps_next && to == count,
                items: cell.item(&(from..to), 0.0).into_iter().collect(),
                head: None,
                bookmark: bookmark.clone().filter(|_| from == 0),
            }));
            from = to;
        }
    }

    /// Cells side by side, in one piece; if they are taller than a page, in a piece a line.
    pub(super) fn row(&mut self, cells: &[Cell], setting: &Setting) {
        let leading = cells.first().map_or(BODY.leading, |cell| cell.kind.leading);
        let count = cells.iter().map(Cell::height_lines).max().unwrap_or(0).max(1);
        let head = setting.head.as_ref().map_or(0.0, |head| head.height);
        let height = count as f32 * leading + setting.pad_top + setting.pad_bottom;
        let whole = head + height <= self.frame.text_height();
        let mut from = 0;
        while from < count {
            let to = if whole { count } else { from + 1 };
            let piece = row_part(cells, setting, from..to, to == count, leading);
            self.steps.push(Step::Piece(piece));
            from = to;
        }
    }

    fn key_values(&mut self, pairs: &[(Text, Text)]) {
        let width = self.frame.text_width();
        let widths = pairs.iter().map(|(key, _)| self.setter.flow(key, false).unbroken());
        let widest = widths.max().unwrap_or(0);
        let gap = 12.0;
        let keys = (points(widest, BODY.size) + 1.0).clamp(0.18 * width, 0.4 * width);
        let values = width - keys - gap;
        let list = self.structure.top(Role::List);
        let last = pairs.len().saturating_sub(1);
        for (n, (key, value)) in pairs.iter().enumerate() {
            let item = self.structure.within(list, Role::ListItem);
            let label = self.structure.within(item, Role::Label);
            let body = self.structure.within(item, Role::ListBody);
            let cells = [
                self.cell(label, 0.0, keys, BODY, key, false),
                self.cell(body, keys + gap, values, BODY, value, false),
            ];
            let setting = Setting {
                above: if n == 0 { 8.0 } else { 0.0 },
                below: if n == last { 8.0 } else { 0.0 },
                pad_top: 1.5,
                pad_bottom: 2.0,
                keeps_next: n == 0 && last > 0,
                rules_under: vec![[0.0, width, HAIR]],
                ..Setting::default()
            };
            self.row(&cells, &setting);
        }
    }

    fn caution(&mut self, paragraphs: &[Text]) {
        const PAD: f32 = 8.0;
        const GAP: f32 = 3.5;
        let limit = units(self.frame.text_width() - 2.0 * PAD, BODY.size);
        let group = self.structure.top(Role::Group);
        // Line, its element, space above it.
        let mut lines: Vec<(Line, NodeId, f32)> = Vec::new();
        let word = self.document.language.caution().into();
        for (n, text) in std::iter::once(&word).chain(paragraphs).enumerate() {
            let node = self.structure.within(group, Role::Paragraph);
            let flow = self.setter.flow(text, n == 0);
            let gap = |at| if at == 0 && n > 0 { GAP } else { 0.0 };
            let numbered = flow.lines(limit).into_iter().enumerate();
            lines.extend(numbered.map(|(at, line)| (line, node, gap(at))));
        }
        let bottom = self.frame.text_height() - PAD;
        let mut items: Vec<Item> = Vec::new();
        let mut y = PAD;
        for (line, node, gap) in lines {
            if y + gap + BODY.leading > bottom {
                self.framed(std::mem::take(&mut items), y + PAD);
                y = PAD;
            }
            y += if items.is_empty() { 0.0 } else { gap };
            let (size, line) = (BODY.size, Rc::new(line));
            let draw = Draw::Text { x: PAD, baseline: y + baseline(BODY, 0), size, line };
            y += BODY.leading;
            match items.last_mut() {
                Some(item) if item.owner == Owner::Element(node) => item.draws.push(draw),
                _ => items.push(Item { owner: Owner::Element(node), draws: vec![draw] }),
            }
        }
        self.framed(items, y + PAD);
    }

    /// A piece in a frame.
    fn framed(&mut self, mut items: Vec<Item>, height: f32) {
        let width = self.frame.text_width();
        let frame = Draw::Frame { x: 0.0, y: 0.0, width, height, weight: STRONG };
        items.push(Item { owner: Owner::Layout, draws: vec![frame] });
        let (above, below) = (10.0, 10.0);
        self.steps.push(Step::Piece(Piece { height, above, below, items, ..Piece::default() }));
    }

    fn signature(&mut self, signatory: &Signatory) {
        let width = self.frame.text_width();
        let [name, date, signature] = self.document.language.signature();
        let group = self.structure.top(Role::Group);
        let meaning = self.structure.within(group, Role::Paragraph);
        let cell = self.line_cell(meaning, BODY, &signatory.meaning, true);
        let setting = Setting { above: 16.0, below: 0.0, keeps_next: true, ..Setting::default() };
        self.stack(&cell, &setting, None);
        let half = 0.6 * width;
        let first =
            [(name, &signatory.name, 0.0, half - 10.0), (date, &signatory.date, half, width)];
        let second = [(signature, &signatory.signature, 0.0, width)];
        self.fields(group, &first, true);
        self.fields(group, &second, false);
    }

    /// Labelled fields side by side, each with a line to write on: label, value, left, right.
    fn fields(&mut self, group: NodeId, fields: &[(&str, &Text, f32, f32)], keeps_next: bool) {
        const WRITING_ROOM: f32 = 12.0;
        let labels = self.document.language.signature();
        let widest = labels
            .into_iter()
            .map(|label| self.setter.flow(&label.into(), false).unbroken())
            .max()
            .unwrap_or(0);
        let gap = points(widest, CELL.size) + 8.0;
        let mut setting = Setting {
            pad_top: WRITING_ROOM,
            pad_bottom: 1.0,
            keeps_next,
            below: if keeps_next { 0.0 } else { 12.0 },
            ..Setting::default()
        };
        let mut cells = Vec::new();
        for (label, value, left, right) in fields {
            let node = self.structure.within(group, Role::Paragraph);
            cells.push(self.cell(node, *left, gap, CELL, &(*label).into(), false));
            let room = right - left - gap;
            if !value.is_empty() {
                cells.push(self.cell(node, left + gap, room, CELL, value, false));
            }
            setting.rules_under.push([left + gap, room, HAIR]);
        }
        self.row(&cells, &setting);
    }

    /// A cell with a text set to its width.
    pub(super) fn cell(
        &mut self,
        node: NodeId,
        x: f32,
        width: f32,
        kind: Type,
        text: &Text,
        bold: bool,
    ) -> Cell {
        let lines = self.setter.flow(text, bold).lines(units(width, kind.size));
        Cell::new(node, x, width, kind, lines)
    }

    /// A cell over the full width.
    pub(super) fn line_cell(&mut self, node: NodeId, kind: Type, text: &Text, bold: bool) -> Cell {
        self.cell(node, 0.0, self.frame.text_width(), kind, text, bold)
    }
}

/// Some lines of a row of cells.
fn row_part(
    cells: &[Cell],
    setting: &Setting,
    part: std::ops::Range<usize>,
    last: bool,
    leading: f32,
) -> Piece {
    let first = part.start == 0;
    let (pad_top, above) = if first { (setting.pad_top, setting.above) } else { (0.0, 0.0) };
    let (pad_bottom, below) = if last { (setting.pad_bottom, setting.below) } else { (0.0, 0.0) };
    let height = part.len() as f32 * leading + pad_top + pad_bottom;
    let mut items: Vec<Item> = cells.iter().filter_map(|cell| cell.item(&part, pad_top)).collect();
    let rules = |rules: &[[f32; 3]], y: f32, drawn: bool| -> Vec<Draw> {
        let rules = rules.iter().filter(|_| drawn);
        rules.map(|&[x, width, weight]| Draw::Rule { x, y, width, weight }).collect()
    };
    let mut draws = rules(&setting.rules_over, 0.0, first);
    draws.extend(rules(&setting.rules_under, height, last));
    if !draws.is_empty() {
        items.push(Item { owner: Owner::Layout, draws });
    }
    Piece {
        height,
        above,
        below,
        keeps_next: setting.keeps_next && last,
        items,
        head: setting.head.clone(),
        bookmark: None,
    }
}
