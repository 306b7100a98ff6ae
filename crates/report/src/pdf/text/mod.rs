//! From text to lines: shaping, measuring and breaking.
//!
//! Widths are sums of integer font units and the same numbers place the glyphs on the page, so what
//! was measured is what is drawn. Lines break after spaces, hyphens, dashes, slashes and marks; a
//! word that no line holds (a hash, a long compound) breaks between any two clusters, without a
//! hyphen, because an added character could be read as part of it.

mod lines;
mod shape;

use std::borrow::Cow;
use std::collections::HashMap;
use std::rc::Rc;

use harfrust::{Feature, ShapePlan, Shaper, Tag, UnicodeBuffer};
use unicode_bidi::{BidiInfo, Level, LevelRun};

use super::fonts::{self, Piece, UNITS_PER_EM, face_font};
use super::model::{Face, Text};

pub(super) use lines::Line;

/// Longest stretch shaped at once, in bytes: bounds the cost of hostile text.
const STRETCH_BYTES_MAX: usize = 512;

/// Longest text considered for one line, in characters.
const ELIDED_CHARS_MAX: usize = 400;

/// A positioned glyph; lengths in units of its own font, before [`fonts::scale`].
#[derive(Clone, Copy, Debug)]
pub(super) struct Glyph {
    pub(super) id: u32,
    pub(super) advance: i32,
    pub(super) x_offset: i32,
    pub(super) y_offset: i32,
    /// First byte of its cluster in the text of the stretch.
    pub(super) start: u32,
    /// End of its cluster.
    pub(super) end: u32,
}

/// A shaped stretch of text: one face, one direction.
#[derive(Debug)]
pub(super) struct Shaped {
    pub(super) text: String,
    /// Left to right as drawn.
    pub(super) glyphs: Vec<Glyph>,
    pub(super) rtl: bool,
    pub(super) face: Face,
    /// Sum of the advances, scaled.
    pub(super) advance: i32,
    /// Part of `advance` that is trailing space.
    trailing: i32,
}

/// A shaped stretch in its place in the text.
#[derive(Clone, Debug)]
pub(super) struct Stretch {
    pub(super) shaped: Rc<Shaped>,
    level: Level,
    /// Whether a line may end behind it.
    breaks: bool,
}

impl Stretch {
    /// Width without the space at its end, in font units.
    fn ink(&self) -> i32 {
        self.shaped.advance - self.shaped.trailing
    }

    fn is_space(&self) -> bool {
        self.ink() == 0
    }
}

/// Text shaped and ready to be set to any width: its forced lines, each in logical order.
#[derive(Clone, Debug, Default)]
pub(super) struct Flow(Vec<Vec<Stretch>>);

/// Units of a font as units of the common scale.
fn scaled(units: i32, face: Face) -> i32 {
    let (part, of) = fonts::scale(face);
    units * part / of
}

/// Font units to points at a type size.
pub(super) fn points(units: i32, size: f32) -> f32 {
    units as f32 * size / UNITS_PER_EM as f32
}

/// Points to whole font units at a type size, rounded down.
pub(super) fn units(points: f32, size: f32) -> i32 {
    (points * UNITS_PER_EM as f32 / size) as i32
}

/// Shapes text; keeps what it learnt for the length of one document.
pub(super) struct Setter {
    shapers: [Shaper<'static>; 3],
    plans: Vec<(Face, ShapePlan)>,
    features: [Feature; 2],
    /// Stretches shaped before, by face and direction.
    words: [[HashMap<Box<str>, Rc<Shaped>>; 2]; 3],
    buffer: Option<UnicodeBuffer>,
}

impl Setter {
    pub(super) fn new() -> Self {
        let shaper = |face| {
            let font = face_font(face);
            font.shaper.shaper(&font.font).build()
        };
        Self {
            shapers: [shaper(Face::Regular), shaper(Face::Bold), shaper(Face::Mono)],
            plans: Vec::new(),
            // One glyph a letter: text copied out of the document, and long words broken anywhere,
            // stay whole. Ligatures that a script requires are not touched by this.
            features: [
                Feature::new(Tag::new(b"liga"), 0, ..),
                Feature::new(Tag::new(b"clig"), 0, ..),
            ],
            words: Default::default(),
            buffer: None,
        }
    }

    /// Shapes a text. With `bold`, what asks for the regular face is set bold.
    pub(super) fn flow(&mut self, text: &Text, bold: bool) -> Flow {
        let lines = fonts::printable(&text.0, bold);
        Flow(lines.iter().map(|pieces| self.stretches(pieces)).collect())
    }

    /// One line of `text`, cut with an ellipsis if it is wider than `limit` font units.
    pub(super) fn elided(&mut self, text: &str, limit: i32) -> Line {
        let text = fonts::plain_line(text, ELIDED_CHARS_MAX);
        let whole = self.one_line(&text);
        if whole.width <= limit {
            return whole;
        }
        let ends: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
        let mut cut = |n: usize| self.one_line(&format!("{}…", text[..ends[n]].trim_end()));
        let (mut fits, mut wide) = (0, ends.len());
        while fits + 1 < wide {
            let middle = fits.midpoint(wide);
            if cut(middle).width <= limit { fits = middle } else { wide = middle }
        }
        cut(fits)
    }

    fn one_line(&mut self, text: &str) -> Line {
        let mut flow = self.flow(&Text::plain(text), false);
        Line::arranged(flow.0.pop().unwrap_or_default())
    }

    /// The stretches of one forced line.
    fn stretches(&mut self, pieces: &[Piece]) -> Vec<Stretch> {
        let text: Cow<'_, str> = match pieces {
            [only] => only.text.as_str().into(),
            _ => pieces.iter().map(|piece| piece.text.as_str()).collect(),
        };
        let levels = levels(&text);
        let mixed = levels.len() > 1 || levels.iter().any(|run| run.1.is_rtl());
        let mut stretches = Vec::new();
        let mut offset = 0;
        for piece in pieces {
            let end = offset + piece.text.len();
            for (range, level) in &levels {
                let (from, to) = (range.start.max(offset), range.end.min(end));
                if from >= to {
                    continue;
                }
                self.cut(piece, &text[from..to], *level, mixed, &mut stretches);
            }
            offset = end;
        }
        stretches
    }

    /// Cuts text of one face and level where lines may break, and shapes the parts.
    fn cut(
        &mut self,
        piece: &Piece,
        text: &str,
        level: Level,
        lone_spaces: bool,
        stretches: &mut Vec<Stretch>,
    ) {
        let mut start = 0;
        let mut characters = text.char_indices().peekable();
        while let Some((at, c)) = characters.next() {
            let end = at + c.len_utf8();
            let next = characters.peek().map(|(_, next)| *next);
            let breaks = if piece.mark { next.is_none() } else { breaks_after(c, next) };
            let ends = breaks
                || next.is_none()
                || end - start >= STRETCH_BYTES_MAX
                || (lone_spaces && (c == ' ' || next == Some(' ')));
            if ends {
                let shaped = self.shaped(piece.face, level.is_rtl(), &text[start..end]);
                stretches.push(Stretch { shaped, level, breaks });
                start = end;
            }
        }
    }
}

impl Shaped {
    fn new(text: String, glyphs: Vec<Glyph>, rtl: bool, face: Face) -> Self {
        let word = text.trim_end_matches(is_space).len() as u32;
        let width = |from: u32| {
            let kept = glyphs.iter().filter(|glyph| glyph.start >= from);
            scaled(kept.map(|glyph| glyph.advance).sum(), face)
        };
        let (advance, trailing) = (width(0), width(word));
        Self { text, glyphs, rtl, face, advance, trailing }
    }

    /// Its clusters in logical order: bytes of the text, glyphs, width.
    fn clusters(&self) -> Vec<(std::ops::Range<usize>, std::ops::Range<usize>, i32)> {
        let mut clusters: Vec<(std::ops::Range<usize>, std::ops::Range<usize>, i32)> = Vec::new();
        for (n, glyph) in self.glyphs.iter().enumerate() {
            let bytes = glyph.start as usize..glyph.end as usize;
            let advance = scaled(glyph.advance, self.face);
            match clusters.last_mut() {
                Some(last) if last.0 == bytes => {
                    last.1.end = n + 1;
                    last.2 += advance;
                }
                _ => clusters.push((bytes, n..n + 1, advance)),
            }
        }
        if self.rtl {
            clusters.reverse();
        }
        clusters
    }

    /// The part of it that the given clusters make, as a stretch of its own.
    fn part(&self, bytes: std::ops::Range<usize>, glyphs: std::ops::Range<usize>) -> Self {
        let shift = bytes.start as u32;
        let glyphs = self.glyphs[glyphs]
            .iter()
            .map(|g| Glyph { start: g.start - shift, end: g.end - shift, ..*g })
            .collect();
        Self::new(self.text[bytes].to_owned(), glyphs, self.rtl, self.face)
    }
}

/// The directional levels of a line of left-to-right base direction.
fn levels(text: &str) -> Vec<(LevelRun, Level)> {
    if text.chars().all(|c| c < '\u{0590}') {
        return vec![(0..text.len(), Level::ltr())];
    }
    let bidi = BidiInfo::new(text, Some(Level::ltr()));
    let mut runs: Vec<(LevelRun, Level)> = Vec::new();
    for (at, _) in text.char_indices() {
        let level = bidi.levels[at];
        match runs.last_mut() {
            Some(last) if last.1 == level => {}
            Some(last) => {
                last.0.end = at;
                runs.push((at..text.len(), level));
            }
            None => runs.push((0..text.len(), level)),
        }
    }
    runs
}

/// Whether a line may end after `c` before `next` (`None`: end of the stretch of one face, where
/// only a space or slash decides).
fn breaks_after(c: char, next: Option<char>) -> bool {
    match c {
        ' ' | '\u{2000}'..='\u{2006}' | '\u{2008}'..='\u{200A}' | '\u{205F}' => true,
        '/' | '\u{2013}' | '\u{2014}' => next != Some(' '),
        '-' | '\u{2010}' => next.is_some_and(char::is_alphabetic),
        _ => false,
    }
}

fn is_space(c: char) -> bool {
    breaks_after(c, None) && c.is_whitespace()
}
