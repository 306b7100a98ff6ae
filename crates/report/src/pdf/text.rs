//! From text to lines: shaping, measuring and breaking.
//!
//! Widths are sums of integer font units and the same numbers place the glyphs on the page, so what
//! was measured is what is drawn. Lines break after spaces, hyphens, dashes, slashes and marks; a
//! word that no line holds (a hash, a long compound) breaks between any two clusters, without a
//! hyphen, because an added character could be read as part of it.

use std::collections::HashMap;
use std::rc::Rc;

use harfrust::{
    Direction, Feature, ShapeOptions, ShapePlan, ShapePlanKey, Shaper, Tag, UnicodeBuffer,
};
use unicode_bidi::{BidiInfo, Level, LevelRun};

use super::fonts::{self, Piece, UNITS_PER_EM, face_font};
use super::model::{Face, Text};

/// Longest stretch shaped at once, in bytes: bounds the cost of hostile text.
const STRETCH_BYTES_MAX: usize = 512;
/// More characters than this in one cluster (stacked accents) are printed as marks, so that a line
/// cannot grow into its neighbours.
const CLUSTER_CHARS_MAX: usize = 8;
/// Stretches up to this many bytes are remembered, as words come again.
const REMEMBERED_BYTES_MAX: usize = 24;
/// Number of remembered stretches.
const REMEMBERED_MAX: usize = 50_000;

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

/// A line as it is drawn, left to right.
#[derive(Debug, Default)]
pub(super) struct Line {
    pub(super) stretches: Vec<Stretch>,
    /// Width without the space at its end, in font units.
    width: i32,
}

impl Line {
    /// Width in points at a type size, without the space at the end.
    pub(super) fn width(&self, size: f32) -> f32 {
        points(self.width, size)
    }
}

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
    words: HashMap<(Face, bool, Box<str>), Rc<Shaped>>,
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
            words: HashMap::new(),
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
        let text = fonts::plain_line(text, 400);
        let whole = self.one_line(&text);
        if whole.width <= limit {
            return whole;
        }
        let mut kept: Vec<char> = text.chars().collect();
        while kept.pop().is_some() {
            let cut: String = kept.iter().collect();
            let line = self.one_line(&format!("{}…", cut.trim_end()));
            if line.width <= limit {
                return line;
            }
        }
        self.one_line("…")
    }

    fn one_line(&mut self, text: &str) -> Line {
        let mut flow = self.flow(&Text::plain(text), false);
        Line::arranged(flow.0.pop().unwrap_or_default())
    }

    /// The stretches of one forced line.
    fn stretches(&mut self, pieces: &[Piece]) -> Vec<Stretch> {
        let text: String = pieces.iter().map(|piece| piece.text.as_str()).collect();
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

    fn shaped(&mut self, face: Face, rtl: bool, text: &str) -> Rc<Shaped> {
        if text.len() > REMEMBERED_BYTES_MAX {
            return Rc::new(self.shape(face, rtl, text));
        }
        let key = (face, rtl, Box::from(text));
        if let Some(known) = self.words.get(&key) {
            return Rc::clone(known);
        }
        let shaped = Rc::new(self.shape(face, rtl, text));
        if self.words.len() < REMEMBERED_MAX {
            self.words.insert(key, Rc::clone(&shaped));
        }
        shaped
    }

    /// Shapes a stretch. What turns out to be unprintable only here (a cluster without a glyph, or
    /// overloaded with accents) is replaced by marks and shaped again.
    fn shape(&mut self, face: Face, rtl: bool, text: &str) -> Shaped {
        let shaped = self.shape_once(face, rtl, text);
        match mended(&shaped) {
            None => shaped,
            Some(mended) => self.shape_once(face, rtl, &mended),
        }
    }

    fn shape_once(&mut self, face: Face, rtl: bool, text: &str) -> Shaped {
        let mut buffer = self.buffer.take().unwrap_or_default();
        buffer.push_str(text);
        buffer.guess_segment_properties();
        buffer.set_direction(if rtl { Direction::RightToLeft } else { Direction::LeftToRight });
        let shaper = &self.shapers[fonts::index(face)];
        let key =
            ShapePlanKey::new(Some(buffer.script()), buffer.direction()).features(&self.features);
        let known = self.plans.iter().position(|(of, plan)| *of == face && key.matches(plan));
        let at = known.unwrap_or_else(|| {
            let (direction, script) = (buffer.direction(), Some(buffer.script()));
            let plan = ShapePlan::new(shaper, direction, script, None, &self.features);
            self.plans.push((face, plan));
            self.plans.len() - 1
        });
        let options = ShapeOptions::new().plan(Some(&self.plans[at].1)).features(&self.features);
        let output = shaper.shape(buffer, options);
        let starts: Vec<u32> = output.glyph_infos().iter().map(|info| info.cluster).collect();
        let ends = cluster_ends(&starts, text.len());
        let glyphs: Vec<Glyph> = output
            .glyph_infos()
            .iter()
            .zip(output.glyph_positions())
            .zip(ends)
            .map(|((info, position), end)| Glyph {
                id: info.glyph_id,
                advance: position.x_advance,
                x_offset: position.x_offset,
                y_offset: position.y_offset,
                start: info.cluster,
                end,
            })
            .collect();
        self.buffer = Some(output.clear());
        Shaped::new(text.to_owned(), glyphs, rtl, face)
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

impl Flow {
    /// Width of the widest part that a line should not break, in font units.
    pub(super) fn longest_word(&self) -> i32 {
        let mut longest = 0;
        for stretches in &self.0 {
            let mut word = 0;
            for stretch in stretches {
                longest = longest.max(word + stretch.ink());
                word = if stretch.breaks { 0 } else { word + stretch.shaped.advance };
            }
        }
        longest
    }

    /// Width of its longest forced line if nothing else breaks it, in font units.
    pub(super) fn unbroken(&self) -> i32 {
        let width = |line: &Vec<Stretch>| line.iter().map(|s| s.shaped.advance).sum::<i32>();
        self.0.iter().map(width).max().unwrap_or(0)
    }

    /// Sets the text to lines no wider than `limit` font units; at least one line.
    pub(super) fn lines(&self, limit: i32) -> Vec<Line> {
        let mut lines = Vec::new();
        for stretches in &self.0 {
            let mut filler = Filler { limit, lines: &mut lines, line: Vec::new(), advance: 0 };
            for word in stretches.split_inclusive(|stretch| stretch.breaks) {
                filler.word(word);
            }
            filler.end_line();
        }
        if lines.is_empty() {
            lines.push(Line::default());
        }
        lines
    }
}

/// Fills lines, greedily.
struct Filler<'a> {
    limit: i32,
    lines: &'a mut Vec<Line>,
    line: Vec<Stretch>,
    /// Width of `line` with its spaces.
    advance: i32,
}

impl Filler<'_> {
    fn word(&mut self, word: &[Stretch]) {
        let Some((last, before)) = word.split_last() else { return };
        let ink = before.iter().map(|s| s.shaped.advance).sum::<i32>() + last.ink();
        if self.advance + ink > self.limit && self.advance > 0 {
            if ink == 0 {
                return; // spaces at a line's end: the one that is there is enough
            }
            self.end_line();
        }
        for stretch in word {
            if self.advance + stretch.ink() <= self.limit {
                self.push(stretch.clone());
            } else {
                self.broken(stretch);
            }
        }
    }

    /// Breaks a stretch wherever the line is full; a fixed-width one into lines of even length, as
    /// hashes are compared by eye.
    fn broken(&mut self, stretch: &Stretch) {
        let shaped = &stretch.shaped;
        let clusters = shaped.clusters();
        let even = match shaped.face {
            Face::Regular | Face::Bold => self.limit,
            Face::Mono => even_room(shaped.advance, clusters.len(), self.limit),
        };
        let mut from = 0;
        while from < clusters.len() {
            let room = even.min(self.limit - self.advance);
            let mut width = 0;
            let mut to = from;
            while to < clusters.len() && width + clusters[to].2 <= room {
                width += clusters[to].2;
                to += 1;
            }
            if to == from && self.advance > 0 {
                self.end_line();
                continue;
            }
            to = to.max(from + 1); // a line narrower than a letter still gets one
            let (first, last) = (&clusters[from], &clusters[to - 1]);
            let glyphs = first.1.start.min(last.1.start)..first.1.end.max(last.1.end);
            let part = shaped.part(first.0.start..last.0.end, glyphs);
            self.push(Stretch { shaped: Rc::new(part), ..stretch.clone() });
            from = to;
            if from < clusters.len() {
                self.end_line();
            }
        }
    }

    fn push(&mut self, stretch: Stretch) {
        self.advance += stretch.shaped.advance;
        self.line.push(stretch);
    }

    fn end_line(&mut self) {
        self.advance = 0;
        self.lines.push(Line::arranged(std::mem::take(&mut self.line)));
    }
}

impl Line {
    /// Puts the stretches of a line from logical order into the order they are drawn in (UAX #9,
    /// rules L1 and L2, by whole stretches).
    fn arranged(mut stretches: Vec<Stretch>) -> Self {
        for stretch in stretches.iter_mut().rev() {
            if !stretch.is_space() {
                break;
            }
            stretch.level = Level::ltr();
        }
        let advance: i32 = stretches.iter().map(|s| s.shaped.advance).sum();
        let mut trailing = 0;
        for stretch in stretches.iter().rev() {
            trailing += stretch.shaped.trailing;
            if !stretch.is_space() {
                break;
            }
        }
        if stretches.iter().any(|stretch| stretch.level != Level::ltr()) {
            let levels: Vec<Level> = stretches.iter().map(|stretch| stretch.level).collect();
            stretches = BidiInfo::reorder_visual(&levels)
                .into_iter()
                .map(|at| stretches[at].clone())
                .collect();
        }
        Self { stretches, width: advance - trailing }
    }
}

/// Width for each of the fewest lines that hold `count` clusters of like width, filled evenly.
fn even_room(advance: i32, count: usize, limit: i32) -> i32 {
    let cluster = advance / count.max(1) as i32;
    if cluster <= 0 || cluster > limit {
        return limit;
    }
    let fit = (limit / cluster) as usize;
    let lines = count.div_ceil(fit);
    cluster * count.div_ceil(lines) as i32
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

/// For each glyph the end of its cluster: the next larger start, or the end of the text.
fn cluster_ends(starts: &[u32], text_len: usize) -> Vec<u32> {
    let mut sorted = starts.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    let end_of = |start: &u32| {
        let at = sorted.partition_point(|other| other <= start);
        sorted.get(at).copied().unwrap_or(text_len as u32)
    };
    starts.iter().map(end_of).collect()
}

/// The text of a stretch with marks in place of what it cannot print, if there is such.
fn mended(shaped: &Shaped) -> Option<String> {
    let clusters = shaped.clusters();
    let bare = |glyphs: &std::ops::Range<usize>| {
        shaped.glyphs[glyphs.clone()].iter().any(|glyph| glyph.id == 0)
    };
    let overloaded = |text: &str| text.chars().nth(CLUSTER_CHARS_MAX).is_some();
    if !clusters
        .iter()
        .any(|(bytes, glyphs, _)| bare(glyphs) || overloaded(&shaped.text[bytes.clone()]))
    {
        return None;
    }
    let mut text = String::new();
    for (bytes, glyphs, _) in clusters {
        let cluster = &shaped.text[bytes];
        let kept = if bare(&glyphs) { 0 } else { CLUSTER_CHARS_MAX };
        text.extend(cluster.chars().take(kept));
        cluster.chars().skip(kept).for_each(|c| text.push_str(&fonts::mark(c)));
    }
    Some(text)
}
