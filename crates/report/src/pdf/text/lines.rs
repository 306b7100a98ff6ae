//! Filling lines.

use std::rc::Rc;

use unicode_bidi::{BidiInfo, Level};

use super::super::model::Face;
use super::{Flow, Stretch, points};

/// A line as it is drawn, left to right.
#[derive(Debug, Default)]
pub(in crate::pdf) struct Line {
    pub(in crate::pdf) stretches: Vec<Stretch>,
    /// Width without the space at its end, in font units.
    pub(super) width: i32,
}

impl Line {
    /// Width in points at a type size, without the space at the end.
    pub(in crate::pdf) fn width(&self, size: f32) -> f32 {
        points(self.width, size)
    }
}

impl Flow {
    /// Width of the widest part that a line should not break, in font units.
    pub(in crate::pdf) fn longest_word(&self) -> i32 {
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
    pub(in crate::pdf) fn unbroken(&self) -> i32 {
        let width = |line: &Vec<Stretch>| line.iter().map(|s| s.shaped.advance).sum::<i32>();
        self.0.iter().map(width).max().unwrap_or(0)
    }

    /// Sets the text to lines no wider than `limit` font units; at least one line.
    pub(in crate::pdf) fn lines(&self, limit: i32) -> Vec<Line> {
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
    pub(super) fn arranged(mut stretches: Vec<Stretch>) -> Self {
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

#[cfg(test)]
mod tests {
    use super::super::super::model::Text;
    use super::super::{Setter, units};
    use super::Line;

    fn text_of(line: &Line) -> String {
        line.stretches.iter().map(|stretch| stretch.shaped.text.as_str()).collect()
    }

    /// Sets a text to lines as wide as `measure`, at 10 points.
    fn set(text: &Text, measure: &str) -> Vec<String> {
        let mut setter = Setter::new();
        let limit = setter.flow(&measure.into(), false).unbroken();
        let lines = setter.flow(text, false).lines(limit);
        for line in &lines {
            assert!(units(line.width(10.0), 10.0) <= limit, "`{}` is too wide", text_of(line));
        }
        lines.iter().map(text_of).collect()
    }

    #[test]
    fn lines_break_where_a_reader_expects_it() {
        let check = |text: &str, measure: &str, expected: &[&str]| {
            assert_eq!(set(&text.into(), measure), expected, "{text}");
        };
        check("one two three", "one two", &["one two ", "three"]);
        check("one\ntwo", "one two", &["one", "two"]);
        check("one   two", "one", &["one ", "two"]);
        check("well-known thing", "known-", &["well-", "known ", "thing"]);
        check("on 2026-01-05 at", "2026-01-05", &["on ", "2026-01-05 ", "at"]);
        check("north/lots/17", "north/lots", &["north/", "lots/17"]);
        check("-5 kg", "-55", &["-5 ", "kg"]);
        check("5\u{a0}kg of it", "5\u{a0}kg", &["5\u{a0}kg ", "of it"]);
        check("漢字", "[U+6F22]M", &["[U+6F22]", "[U+5B57]"]);
        check("", "one", &[""]);
    }

    #[test]
    fn a_word_that_no_line_holds_breaks_without_a_hyphen() {
        assert_eq!(set(&"see aaaaaaaaaa".into(), "aaaa"), ["see ", "aaaa", "aaaa", "aa"]);
        // Even parts for what is compared by eye.
        let hash = Text::mono("0123456789abcdef");
        assert_eq!(set(&hash, "0123456789"), ["01234567", "89abcdef"]);
        // A line narrower than a letter still gets one.
        let narrow = Setter::new().flow(&"mm".into(), false).lines(1);
        assert_eq!(narrow.iter().map(text_of).collect::<Vec<_>>(), ["m", "m"]);
    }

    #[test]
    fn runs_of_several_faces_make_one_word() {
        let text = Text::plain("a semi").and(Text::bold("bold")).and("word");
        assert_eq!(set(&text, "semiboldword "), ["a ", "semiboldword"]);
    }

    #[test]
    fn right_to_left_words_are_drawn_in_visual_order() {
        let mut setter = Setter::new();
        let lines = setter.flow(&"see \u{5d0}\u{5d1} \u{5d2} 12 end".into(), false).lines(i32::MAX);
        assert_eq!(text_of(&lines[0]), "see 12 \u{5d2} \u{5d0}\u{5d1} end");
        let hebrew =
            &lines[0].stretches.iter().find(|s| s.shaped.text == "\u{5d0}\u{5d1}").unwrap();
        let starts: Vec<u32> = hebrew.shaped.glyphs.iter().map(|glyph| glyph.start).collect();
        assert_eq!(starts, [2, 0], "glyphs run against the text");
    }
}
