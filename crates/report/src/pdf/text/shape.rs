//! Shaping: from characters to glyphs, one stretch at a time.

use std::rc::Rc;

use harfrust::{Direction, ShapeOptions, ShapePlan, ShapePlanKey};

use super::super::fonts;
use super::super::model::Face;
use super::{Glyph, Setter, Shaped};

/// More characters than this in one cluster (stacked accents) are printed as marks, so that a line
/// cannot grow into its neighbours.
const CLUSTER_CHARS_MAX: usize = 8;
/// Stretches up to this many bytes are remembered, as words come again.
const REMEMBERED_BYTES_MAX: usize = 24;
/// Number of remembered stretches of one face and direction.
const REMEMBERED_MAX: usize = 50_000;

impl Setter {
    pub(super) fn shaped(&mut self, face: Face, rtl: bool, text: &str) -> Rc<Shaped> {
        if text.len() > REMEMBERED_BYTES_MAX {
            return Rc::new(self.shape(face, rtl, text));
        }
        let (face_at, direction) = (fonts::index(face), usize::from(rtl));
        if let Some(known) = self.words[face_at][direction].get(text) {
            return Rc::clone(known);
        }
        let shaped = Rc::new(self.shape(face, rtl, text));
        let known = &mut self.words[face_at][direction];
        if known.len() < REMEMBERED_MAX {
            known.insert(Box::from(text), Rc::clone(&shaped));
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
