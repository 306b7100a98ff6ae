//! Stacks pieces on pages.

use std::rc::Rc;

use super::super::model::Level;
use super::{Frame, Item, Piece, Step};

/// A place that the outline points to.
#[derive(Clone, Debug)]
pub(in crate::pdf) struct Bookmark {
    pub(in crate::pdf) level: Level,
    pub(in crate::pdf) title: String,
}

/// A page with its content in reading order.
#[derive(Debug)]
pub(in crate::pdf) struct Page {
    pub(in crate::pdf) frame: Frame,
    pub(in crate::pdf) placed: Vec<Placed>,
    /// Outline entries with their distance from the top edge.
    pub(in crate::pdf) bookmarks: Vec<(f32, Bookmark)>,
}

/// The content of a piece at its place.
#[derive(Debug)]
pub(in crate::pdf) struct Placed {
    /// Distance of the piece from the top edge of the paper.
    pub(in crate::pdf) y: f32,
    pub(in crate::pdf) items: Rc<[Item]>,
}

/// Stacks the steps on as many pages as they need; at least one.
pub(super) fn paginate(steps: Vec<Step>) -> Vec<Page> {
    let needs = needs(&steps);
    let mut stack = Stack { pages: Vec::new(), y: 0.0, below: 0.0, started: false };
    for (step, need) in steps.into_iter().zip(needs) {
        match step {
            Step::NewPage(frame) => stack.turn_to(frame),
            Step::Piece(piece) => stack.place(piece, need),
        }
    }
    stack.pages
}

/// For each step the height that must be free below its top: its own, and that of the pieces it
/// wants to be followed by.
fn needs(steps: &[Step]) -> Vec<f32> {
    let mut needs = vec![0.0; steps.len()];
    for at in (0..steps.len()).rev() {
        let Step::Piece(piece) = &steps[at] else { continue };
        needs[at] = piece.height;
        if let Some(Step::Piece(next)) = steps.get(at + 1)
            && piece.keeps_next
        {
            needs[at] += piece.below.max(next.above) + needs[at + 1];
        }
    }
    needs
}

struct Stack {
    pages: Vec<Page>,
    /// Where the next piece may start.
    y: f32,
    /// Space that the last piece wants below it.
    below: f32,
    /// Whether the page holds a piece.
    started: bool,
}

impl Stack {
    fn turn_to(&mut self, frame: Frame) {
        if !self.started {
            self.pages.pop();
        }
        self.pages.push(Page { frame, placed: Vec::new(), bookmarks: Vec::new() });
        self.y = frame.top;
        self.below = 0.0;
        self.started = false;
    }

    fn place(&mut self, piece: Piece, need: f32) {
        let frame = self.page().frame;
        let gap = if self.started { self.below.max(piece.above) } else { 0.0 };
        // A chain taller than a page is not worth moving.
        let need = if need > frame.text_height() { piece.height } else { need };
        if self.started && self.y + gap + need > frame.bottom {
            self.turn_to(frame);
            if let Some(head) = &piece.head {
                let (y, items) = (self.y, Rc::clone(&head.items));
                self.page().placed.push(Placed { y, items });
                self.y += head.height;
            }
        } else {
            self.y += gap;
        }
        let y = self.y;
        let page = self.page();
        page.placed.push(Placed { y, items: piece.items.into() });
        page.bookmarks.extend(piece.bookmark.map(|bookmark| (y, bookmark)));
        self.y += piece.height;
        self.below = piece.below;
        self.started = true;
    }

    fn page(&mut self) -> &mut Page {
        self.pages.last_mut().expect("the first step opens a page")
    }
}
