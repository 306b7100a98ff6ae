//! What is drawn: QR codes and bars.

use qrcode::{Color, EcLevel, QrCode};

use super::super::model::{Align, Bar, Qr, Text};
use super::super::structure::Role;
use super::super::text::{Flow, Line, units};
use super::super::{PdfError, fonts};
use super::blocks::{Cell, Setting};
use super::{Builder, CELL, Draw, HAIR, Item, MM, Owner, PLAIN_CHARS_MAX, Piece, SMALL, Step};

/// White modules that a QR code needs around it (ISO/IEC 18004).
const QUIET_MODULES: usize = 4;

impl Builder<'_> {
    pub(super) fn qr(&mut self, qr: &Qr) -> Result<(), PdfError> {
        let code = self.code(qr)?;
        let module = module(qr);
        // The quiet zone hangs into the margin, so that the code stands flush with the text.
        let space = (QUIET_MODULES as f32 * module).max(8.0);
        let side = code.width() as f32 * module;
        let rectangles = module_runs(&code)
            .into_iter()
            .map(|run| run.map(|modules| modules as f32 * module))
            .map(|[x, y, length]| [x, y, length, module])
            .collect();
        let alt = fonts::plain_line(&qr.alt, PLAIN_CHARS_MAX);
        let node = self.structure.top(Role::Figure { alt });
        let owner = Owner::Figure(node, [0.0, 0.0, side, side]);
        let figure = Item { owner, draws: vec![Draw::Fill { rectangles }] };
        self.beside(qr, side, space, figure);
        Ok(())
    }

    fn code(&self, qr: &Qr) -> Result<QrCode, PdfError> {
        if qr.alt.trim().is_empty() {
            return Err(PdfError::QrAlt);
        }
        let code = QrCode::with_error_correction_level(&qr.payload, EcLevel::M)
            .map_err(|source| PdfError::QrPayload { bytes: qr.payload.len(), source })?;
        let side = (code.width() + 2 * QUIET_MODULES) as f32 * module(qr);
        if qr.module_um == 0 || side > self.frame.text_width().min(self.frame.text_height()) {
            let (modules, module_um) = (code.width(), qr.module_um);
            return Err(PdfError::QrSize { modules, module_um });
        }
        Ok(code)
    }

    /// The piece of a code of a side length with its paragraphs at the right; under it, if that
    /// leaves them less than a third of the width or they are taller than a page.
    fn beside(&mut self, qr: &Qr, side: f32, space: f32, figure: Item) {
        const GAP: f32 = 5.0;
        let (left, width) = (side + space, self.frame.text_width());
        let room = width - left;
        let limit = units(room.max(1.0), CELL.size);
        let flows: Vec<Flow> = qr.beside.iter().map(|text| self.setter.flow(text, false)).collect();
        let lines: Vec<Vec<Line>> = flows.iter().map(|flow| flow.lines(limit)).collect();
        let count: usize = lines.iter().map(Vec::len).sum();
        let tall = count as f32 * CELL.leading + GAP * lines.len() as f32;
        let mut piece = Piece {
            height: side,
            above: space,
            below: space,
            items: vec![figure],
            ..Piece::default()
        };
        if room < width / 3.0 || tall > self.frame.text_height() {
            piece.keeps_next = !qr.beside.is_empty();
            self.steps.push(Step::Piece(piece));
            for text in &qr.beside {
                let setting = Setting { above: 4.0, below: 4.0, ..Setting::default() };
                self.paragraph(text, CELL, setting);
            }
            return;
        }
        let mut y = 0.0;
        for lines in lines {
            let node = self.structure.top(Role::Paragraph);
            let count = lines.len();
            let cell = Cell::new(node, left, room, CELL, lines);
            piece.items.extend(cell.item(&(0..count), y));
            y += count as f32 * CELL.leading + GAP;
        }
        piece.height = side.max(y);
        self.steps.push(Step::Piece(piece));
    }

    pub(super) fn bar(&mut self, bar: &Bar) {
        const THICK: f32 = 9.0;
        const TICK: f32 = 3.0;
        let width = self.frame.text_width();
        let limit = bar.limit.as_ref();
        let scale = bar.scale.max(bar.value).max(limit.map_or(0, |limit| limit.value)).max(1);
        let at = |value: u64| (value as f64 / scale as f64) as f32 * width;

        let label = self.structure.top(Role::Paragraph);
        let figure = self.structure.top(Role::Paragraph);
        let (left, right) = (0.55 * width, 0.42 * width);
        let label = self.cell(label, 0.0, left, CELL, &bar.label, false);
        let mut figure = self.cell(figure, width - right, right, CELL, &bar.figure, false);
        figure.align = Align::End;
        let setting =
            Setting { above: 8.0, pad_bottom: TICK, keeps_next: true, ..Setting::default() };
        self.row(&[label, figure], &setting);

        let alt = self.document.language.bar(
            &bar.label.characters(),
            &bar.figure.characters(),
            limit.map(|limit| limit.label.characters()).as_deref(),
        );
        let alt = fonts::plain_line(&alt, PLAIN_CHARS_MAX);
        let node = self.structure.top(Role::Figure { alt });
        let mut draws = vec![
            Draw::Frame { x: 0.0, y: 0.0, width, height: THICK, weight: HAIR },
            Draw::Fill { rectangles: vec![[0.0, 2.0, at(bar.value), THICK - 4.0]] },
        ];
        if let Some(limit) = limit {
            let x = (at(limit.value) - 0.75).max(0.0);
            draws.push(Draw::Fill { rectangles: vec![[x, -TICK, 1.5, THICK + 2.0 * TICK]] });
        }
        let owner = Owner::Figure(node, [0.0, -TICK, width, THICK + 2.0 * TICK]);
        self.steps.push(Step::Piece(Piece {
            height: THICK,
            below: if limit.is_some() { TICK } else { 8.0 },
            keeps_next: limit.is_some(),
            items: vec![Item { owner, draws }],
            ..Piece::default()
        }));
        if let Some(limit) = limit {
            self.limit_label(&limit.label, at(limit.value), width);
        }
    }

    /// The words of a limit, on the side of its tick that has more room.
    fn limit_label(&mut self, label: &Text, tick: f32, width: f32) {
        let node = self.structure.top(Role::Paragraph);
        let (x, room, align) = if tick > width / 2.0 {
            (0.0, tick, Align::End)
        } else {
            (tick, width - tick, Align::Start)
        };
        let mut cell = self.cell(node, x, room, SMALL, label, false);
        cell.align = align;
        let setting = Setting { above: 3.0, below: 8.0, ..Setting::default() };
        self.row(&[cell], &setting);
    }
}

/// Side of a module in points.
fn module(qr: &Qr) -> f32 {
    qr.module_um as f32 / 1000.0 * MM
}

/// The dark modules of a code as horizontal runs: x, y, length.
fn module_runs(code: &QrCode) -> Vec<[usize; 3]> {
    let width = code.width();
    let mut runs: Vec<[usize; 3]> = Vec::new();
    for (n, color) in code.to_colors().into_iter().enumerate() {
        let (x, y) = (n % width, n / width);
        match (color, runs.last_mut()) {
            (Color::Light, _) => {}
            (Color::Dark, Some([from, row, length])) if *row == y && *from + *length == x => {
                *length += 1;
            }
            (Color::Dark, _) => runs.push([x, y, 1]),
        }
    }
    runs
}
