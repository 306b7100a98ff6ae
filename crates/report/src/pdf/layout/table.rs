//! Tables.

use std::rc::Rc;

use super::super::PdfError;
use super::super::model::{Align, Column, Row, RowKind, Table, Text};
use super::super::structure::{NodeId, Role};
use super::super::text::{Line, points, units};
use super::blocks::{Cell, Setting};
use super::{Builder, CELL, Draw, HAIR, Head, Item, Owner, STRONG, baseline};

/// Space between a cell's text and its sides, and above and below it. The outer columns stand flush
/// with the text.
const PAD: f32 = 4.0;
const PAD_TOP: f32 = 2.0;
const PAD_BOTTOM: f32 = 2.5;
/// Narrowest column.
const COLUMN_MIN: f32 = 24.0;

/// The columns of a table set to a width: left edge of the text and its width.
struct Grid {
    columns: Vec<(f32, f32)>,
    width: f32,
}

impl Builder<'_> {
    pub(super) fn table(&mut self, table: &Table) -> Result<(), PdfError> {
        self.check(table)?;
        let grid = self.grid(table);
        let node = self.structure.top(Role::Table);
        let caption = self.caption(node, table);
        let head = self.head(node, table, &grid, caption);
        let body = self.structure.within(node, Role::TableBody);
        if table.rows.is_empty() {
            self.no_rows(body, table, &grid, head);
            return Ok(());
        }
        let last = table.rows.len() - 1;
        for (n, row) in table.rows.iter().enumerate() {
            let total_follows =
                table.rows.get(n + 1).is_some_and(|next| next.kind == RowKind::Total);
            let cells = self.cells(body, table, row, &grid);
            let setting = Setting {
                below: if n == last { 10.0 } else { 0.0 },
                pad_top: PAD_TOP,
                pad_bottom: PAD_BOTTOM,
                keeps_next: total_follows,
                head: head.clone(),
                rules_over: match row.kind {
                    RowKind::Body => Vec::new(),
                    RowKind::Total => vec![[0.0, grid.width, STRONG]],
                },
                rules_under: vec![[0.0, grid.width, if n == last { STRONG } else { HAIR }]],
                ..Setting::default()
            };
            self.row(&cells, &setting);
        }
        Ok(())
    }

    fn check(&self, table: &Table) -> Result<(), PdfError> {
        let columns = table.columns.len();
        let columns_max = (self.frame.text_width() / COLUMN_MIN) as usize;
        if columns == 0 || columns > columns_max {
            return Err(PdfError::Columns { columns, columns_max });
        }
        match table.rows.iter().position(|row| row.cells.len() != columns) {
            None => Ok(()),
            Some(row) => {
                let cells = table.rows[row].cells.len();
                Err(PdfError::RowCells { row, cells, columns })
            }
        }
    }

    /// Divides the width: by weight, but no column gets less than its longest word needs.
    fn grid(&mut self, table: &Table) -> Grid {
        let width = self.frame.text_width();
        let needs: Vec<f32> = table
            .columns
            .iter()
            .enumerate()
            .map(|(n, column)| {
                let words = self.longest_word(column, n, &table.rows);
                (points(words, CELL.size) + 2.0 * PAD + 0.1).clamp(COLUMN_MIN, 0.5 * width)
            })
            .collect();
        let weights: Vec<f32> =
            table.columns.iter().map(|column| f32::from(column.weight.max(1))).collect();
        let mut x = -PAD;
        let columns = shares(width + 2.0 * PAD, &needs, &weights)
            .into_iter()
            .map(|share| {
                let column = (x + PAD, share - 2.0 * PAD);
                x += share;
                column
            })
            .collect();
        Grid { columns, width }
    }

    fn longest_word(&mut self, column: &Column, n: usize, rows: &[Row]) -> i32 {
        let heading = self.setter.flow(&column.heading, true).longest_word();
        match column.align {
            Align::Start => heading,
            Align::End => rows
                .iter()
                .map(|row| {
                    let bold = row.kind == RowKind::Total;
                    self.setter.flow(&row.cells[n], bold).longest_word()
                })
                .fold(heading, i32::max),
        }
    }

    /// The caption; its words are returned for the further parts.
    fn caption(&mut self, table_node: NodeId, table: &Table) -> Option<Rc<Line>> {
        if table.caption.is_empty() {
            return None;
        }
        let node = self.structure.within(table_node, Role::Caption);
        let cell = self.line_cell(node, CELL, &table.caption, true);
        let setting =
            Setting { above: 10.0, pad_bottom: 2.0, keeps_next: true, ..Setting::default() };
        self.row(&[cell], &setting);
        let again =
            format!("{} {}", table.caption.characters(), self.document.language.continued());
        let limit = units(self.frame.text_width(), CELL.size);
        Some(Rc::new(self.setter.elided(&again, limit)))
    }

    /// The heading row, and what is repeated of it on further pages.
    fn head(
        &mut self,
        table_node: NodeId,
        table: &Table,
        grid: &Grid,
        caption: Option<Rc<Line>>,
    ) -> Option<Rc<Head>> {
        let head = self.structure.within(table_node, Role::TableHead);
        let row = self.structure.within(head, Role::TableRow);
        let mut cells: Vec<Cell> = Vec::new();
        for (column, (x, width)) in table.columns.iter().zip(&grid.columns) {
            let node = self.structure.within(row, Role::ColumnHeading);
            let mut cell = self.cell(node, *x, *width, CELL, &column.heading, true);
            cell.align = column.align;
            cells.push(cell);
        }
        let count = cells.iter().map(|cell| cell.lines.len()).max().unwrap_or(1);
        cells.iter_mut().for_each(|cell| cell.skip = count - cell.lines.len());
        let setting = Setting {
            above: if caption.is_some() { 0.0 } else { 10.0 },
            pad_top: PAD_TOP,
            pad_bottom: PAD_BOTTOM,
            keeps_next: true,
            rules_over: vec![[0.0, grid.width, STRONG]],
            rules_under: vec![[0.0, grid.width, STRONG]],
            ..Setting::default()
        };
        self.row(&cells, &setting);
        repeated(&cells, caption, grid.width, count, self.frame.text_height()).map(Rc::new)
    }

    fn cells(&mut self, body: NodeId, table: &Table, row: &Row, grid: &Grid) -> Vec<Cell> {
        let tr = self.structure.within(body, Role::TableRow);
        let bold = row.kind == RowKind::Total;
        let mut cells = Vec::with_capacity(row.cells.len());
        for (n, (text, (x, width))) in row.cells.iter().zip(&grid.columns).enumerate() {
            let role = if n == 0 && table.row_headings {
                Role::RowHeading
            } else {
                Role::Cell { columns: 1 }
            };
            let node = self.structure.within(tr, role);
            let mut cell = self.cell(node, *x, *width, CELL, text, bold);
            cell.align = table.columns[n].align;
            cells.push(cell);
        }
        cells
    }

    fn no_rows(&mut self, body: NodeId, table: &Table, grid: &Grid, head: Option<Rc<Head>>) {
        let tr = self.structure.within(body, Role::TableRow);
        let columns = table.columns.len() as u32;
        let node = self.structure.within(tr, Role::Cell { columns });
        let text: Text = self.document.language.none().into();
        let cell = self.cell(node, 0.0, grid.width, CELL, &text, false);
        let setting = Setting {
            below: 10.0,
            pad_top: PAD_TOP,
            pad_bottom: PAD_BOTTOM,
            head,
            rules_under: vec![[0.0, grid.width, STRONG]],
            ..Setting::default()
        };
        self.row(&[cell], &setting);
    }
}

/// The heading row as it stands on further pages, under the caption with the word "continued".
/// `None` if it would take a third of the page: then it is not repeated.
fn repeated(
    cells: &[Cell],
    caption: Option<Rc<Line>>,
    width: f32,
    count: usize,
    page: f32,
) -> Option<Head> {
    let mut items: Vec<Item> = Vec::new();
    let mut y = 0.0;
    if let Some(line) = caption {
        let draw = Draw::Text { x: 0.0, baseline: baseline(CELL, 0), size: CELL.size, line };
        items.push(Item { owner: Owner::Repeated, draws: vec![draw] });
        y = CELL.leading + 2.0;
    }
    let bottom = y + PAD_TOP + count as f32 * CELL.leading + PAD_BOTTOM;
    if bottom > page / 3.0 {
        return None;
    }
    let mut draws = vec![Draw::Rule { x: 0.0, y, width, weight: STRONG }];
    for cell in cells {
        draws.extend(cell.item(&(0..count), y + PAD_TOP).into_iter().flat_map(|item| item.draws));
    }
    draws.push(Draw::Rule { x: 0.0, y: bottom, width, weight: STRONG });
    items.push(Item { owner: Owner::Repeated, draws });
    Some(Head { height: bottom, items: items.into() })
}

/// Divides `width` by weight among columns that each need a least width. If they need more than
/// there is, the neediest give way and the others keep what they need.
fn shares(width: f32, needs: &[f32], weights: &[f32]) -> Vec<f32> {
    if needs.iter().sum::<f32>() >= width {
        let most = most(width, needs);
        return needs.iter().map(|need| need.min(most)).collect();
    }
    let mut held = vec![false; needs.len()];
    loop {
        let free = |n: &usize| !held[*n];
        let taken: f32 = (0..needs.len()).filter(|n| held[*n]).map(|n| needs[n]).sum();
        let weight: f32 = (0..needs.len()).filter(free).map(|n| weights[n]).sum();
        let share = |n: usize| (width - taken) * weights[n] / weight;
        match (0..needs.len()).filter(free).find(|n| share(*n) < needs[*n]) {
            Some(n) => held[n] = true,
            None => {
                return (0..needs.len())
                    .map(|n| if held[n] { needs[n] } else { share(n) })
                    .collect();
            }
        }
    }
}

/// The width that none may exceed so that all fit.
fn most(width: f32, needs: &[f32]) -> f32 {
    let mut rising = needs.to_vec();
    rising.sort_by(f32::total_cmp);
    let mut left = width;
    for (n, need) in rising.iter().enumerate() {
        let share = left / (needs.len() - n) as f32;
        if *need > share {
            return share;
        }
        left -= need;
    }
    f32::MAX
}

#[cfg(test)]
mod tests {
    use super::shares;

    #[test]
    fn columns_share_by_weight_but_keep_what_they_need() {
        let check = |width: f32, needs: &[f32], weights: &[f32], expected: &[f32]| {
            assert_eq!(shares(width, needs, weights), expected);
        };
        check(100.0, &[10.0, 10.0], &[1.0, 3.0], &[25.0, 75.0]);
        check(100.0, &[40.0, 10.0], &[1.0, 3.0], &[40.0, 60.0]);
        check(100.0, &[40.0, 30.0, 10.0], &[1.0, 1.0, 8.0], &[40.0, 30.0, 30.0]);
        // More is needed than there is: the neediest give way.
        check(100.0, &[150.0, 30.0], &[1.0, 1.0], &[70.0, 30.0]);
        check(100.0, &[90.0, 20.0, 80.0], &[1.0, 9.0, 1.0], &[40.0, 20.0, 40.0]);
        check(100.0, &[60.0, 40.0], &[1.0, 9.0], &[60.0, 40.0]);
    }
}
