//! From blocks to pages: every block becomes pieces that are never divided, and the pieces are
//! stacked on pages. Nothing here knows the PDF format.
//!
//! Lengths are points (1/72 in); y grows downwards.

mod blocks;
mod figures;
mod pages;
mod table;

use std::rc::Rc;

pub(super) use pages::{Bookmark, Page, Placed};

use super::model::{Document, Orientation, Paper};
use super::structure::{NodeId, Structure};
use super::text::{Line, Setter};
use super::{PdfError, PdfSettings};

/// One millimetre in points.
const MM: f32 = 72.0 / 25.4;

/// A type size with the distance of its base lines.
#[derive(Clone, Copy)]
pub(super) struct Type {
    pub(super) size: f32,
    leading: f32,
}

const TITLE: Type = Type { size: 18.0, leading: 23.0 };
const HEADING_1: Type = Type { size: 13.5, leading: 18.0 };
const HEADING_2: Type = Type { size: 11.0, leading: 15.0 };
const HEADING_3: Type = Type { size: 9.5, leading: 13.5 };
const BODY: Type = Type { size: 9.5, leading: 13.5 };
const CELL: Type = Type { size: 8.5, leading: 11.5 };
const SMALL: Type = Type { size: 7.5, leading: 10.5 };
/// Type of the head and foot of a page.
pub(super) const RUNNING: Type = Type { size: 7.5, leading: 10.0 };

/// Weights of rules: hairlines between rows, and the stronger ones that begin and end a thing.
pub(super) const HAIR: f32 = 0.3;
/// See [`HAIR`].
pub(super) const STRONG: f32 = 0.85;

/// Longest alternative text and heading kept in the structure, in characters.
const PLAIN_CHARS_MAX: usize = 2_000;

/// The measures of one page.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Frame {
    pub(super) width: f32,
    pub(super) height: f32,
    pub(super) left: f32,
    pub(super) right: f32,
    pub(super) top: f32,
    pub(super) bottom: f32,
}

impl Frame {
    fn of(paper: Paper, orientation: Orientation) -> Self {
        let (short, long) = match paper {
            Paper::A4 => (210.0 * MM, 297.0 * MM),
            Paper::Letter => (612.0, 792.0),
        };
        let (width, height) = match orientation {
            Orientation::Portrait => (short, long),
            Orientation::Landscape => (long, short),
        };
        // 25 mm at the left leaves room for filing holes.
        Self {
            width,
            height,
            left: 25.0 * MM,
            right: width - 18.0 * MM,
            top: 26.0 * MM,
            bottom: height - 23.0 * MM,
        }
    }

    fn text_width(&self) -> f32 {
        self.right - self.left
    }

    fn text_height(&self) -> f32 {
        self.bottom - self.top
    }
}

/// Something to draw; coordinates within its piece, from the left margin and the top of the piece.
#[derive(Clone, Debug)]
pub(super) enum Draw {
    /// A line of text.
    Text { x: f32, baseline: f32, size: f32, line: Rc<Line> },
    /// A horizontal rule.
    Rule { x: f32, y: f32, width: f32, weight: f32 },
    /// A frame of rules around a rectangle.
    Frame { x: f32, y: f32, width: f32, height: f32, weight: f32 },
    /// Black rectangles, as one shape: x, y, width, height.
    Fill { rectangles: Vec<[f32; 4]> },
}

/// Who owns what is drawn.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Owner {
    /// Content of an element.
    Element(NodeId),
    /// A figure, whose place is noted with the element: x, y, width, height within the piece.
    Figure(NodeId, [f32; 4]),
    /// Rules and frames: nothing that says anything.
    Layout,
    /// Repeated matter, such as the heading row on a further page.
    Repeated,
}

/// What one owner draws in a piece.
#[derive(Clone, Debug)]
pub(super) struct Item {
    pub(super) owner: Owner,
    pub(super) draws: Vec<Draw>,
}

/// Matter that is never divided between pages.
#[derive(Debug, Default)]
struct Piece {
    height: f32,
    /// Space wanted above and below; between two pieces the larger counts, at the top of a page
    /// none.
    above: f32,
    below: f32,
    /// Whether the next piece should start on the same page.
    keeps_next: bool,
    items: Vec<Item>,
    /// Repeated above this piece if it is the first on its page.
    head: Option<Rc<Head>>,
    bookmark: Option<Bookmark>,
}

/// Matter repeated on each page that the pieces it heads reach.
#[derive(Debug)]
struct Head {
    height: f32,
    items: Rc<[Item]>,
}

/// A step of the flow through the pages.
#[derive(Debug)]
enum Step {
    Piece(Piece),
    /// A new page with this frame. Breaks at the top of an empty page only change its frame.
    NewPage(Frame),
}

/// A document laid out: its pages, and the tree of elements their content belongs to.
pub(super) struct Layout {
    pub(super) pages: Vec<Page>,
    pub(super) structure: Structure,
    pub(super) setter: Setter,
}

/// Lays out a document.
pub(super) fn lay_out(document: &Document, settings: &PdfSettings) -> Result<Layout, PdfError> {
    let frame = Frame::of(settings.paper, settings.orientation);
    let mut builder = Builder {
        document,
        paper: settings.paper,
        frame,
        setter: Setter::new(),
        structure: Structure::default(),
        steps: vec![Step::NewPage(frame)],
        heading: None,
    };
    builder.title();
    for block in &document.blocks {
        builder.block(block)?;
    }
    let pages = pages::paginate(builder.steps);
    Ok(Layout { pages, structure: builder.structure, setter: builder.setter })
}

/// Turns blocks into steps.
struct Builder<'a> {
    document: &'a Document,
    paper: Paper,
    /// Frame of the pages that the next block will be on.
    frame: Frame,
    setter: Setter,
    structure: Structure,
    steps: Vec<Step>,
    /// The heading last seen.
    heading: Option<super::model::Level>,
}

/// Base line of the n-th line in a stack of lines.
fn baseline(kind: Type, n: usize) -> f32 {
    use super::fonts::{ASCENT, DESCENT, UNITS_PER_EM};
    let em = UNITS_PER_EM as f32;
    let (ascent, descent) = (ASCENT as f32 / em * kind.size, DESCENT as f32 / em * kind.size);
    n as f32 * kind.leading + (kind.leading - ascent - descent) / 2.0 + ascent
}
