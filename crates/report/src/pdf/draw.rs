//! From pages to the bytes of the file. The only part, with the tags, that speaks PDF.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use krilla::SerializeSettings;
use krilla::color::luma;
use krilla::configure::{Accessibility, Archival, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::embed::{AssociationKind, EmbeddedFile, MimeType};
use krilla::error::KrillaError;
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::{DateTime, Metadata};
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::Fill;
use krilla::surface::{Location, Surface};
use krilla::tagging::{Artifact, ArtifactType, BBox, ContentTag, SpanTag};
use krilla::text::{Font, Glyph as PdfGlyph, GlyphId};

use super::fonts::{self, UNITS_PER_EM, face_font};
use super::layout::{Bookmark, Draw, Frame, HAIR, Item, Layout, Owner, Page, Placed, RUNNING};
use super::model::{Attachment, Document, Face, Level, Relationship};
use super::structure::Structure;
use super::text::{Glyph, Line, Setter, points, units};
use super::{Conformance, PdfError, PdfSettings};

/// Longest title, subject and description in the metadata, in characters.
const METADATA_CHARS_MAX: usize = 1_000;
/// Distance of the head and foot of a page from the text, to their base lines.
const HEAD_GAP: f32 = 20.0;
const FOOT_GAP: f32 = 24.0;

/// Writes the pages as a file.
pub(super) fn write(
    document: &Document,
    settings: &PdfSettings,
    layout: Layout,
) -> Result<Vec<u8>, PdfError> {
    let Layout { pages, mut structure, mut setter } = layout;
    let mut pdf = krilla::Document::new_with(serialize_settings(settings.conformance));
    let fonts = [Face::Regular, Face::Bold, Face::Mono].map(|face| {
        Font::new(face_font(face).bytes.into(), 0)
            .expect("the font is vendored and a test parses it")
    });
    for (n, page) in pages.iter().enumerate() {
        let size = PageSettings::from_wh(page.frame.width, page.frame.height)
            .expect("paper sizes are positive");
        let mut sheet = pdf.start_page_with(size);
        let mut pen =
            Pen { surface: sheet.surface(), fonts: &fonts, structure: &mut structure, page: n };
        pen.surface.set_fill(Some(Fill { paint: luma::Color::black().into(), ..Fill::default() }));
        pen.head(document, &mut setter, page.frame);
        pen.content(page);
        pen.foot(document, &mut setter, page.frame, pages.len());
        drop(pen);
        sheet.finish();
    }
    pdf.set_outline(outline(&document.title, &pages));
    pdf.set_tag_tree(structure.into_tree(document.language));
    pdf.set_metadata(metadata(document, settings.created));
    for attachment in &document.attachments {
        pdf.embed_file(embedded(attachment, settings.created)?)
            .ok_or_else(|| PdfError::AttachmentTwice { name: attachment.name.clone() })?;
    }
    pdf.finish().map_err(refused)
}

fn serialize_settings(conformance: Conformance) -> SerializeSettings {
    let builder = ConfigurationBuilder::new();
    let builder = match conformance {
        Conformance::A3aUa1 => builder
            .with_archival_validator(Archival::A3_A)
            .with_accessibility_validator(Accessibility::UA1),
        Conformance::A1b => builder.with_archival_validator(Archival::A1_B),
    };
    SerializeSettings {
        configuration: builder.finish().expect("both standards allow a common PDF version"),
        enable_tagging: true,
        ..SerializeSettings::default()
    }
}

fn refused(error: KrillaError) -> PdfError {
    let findings = match &error {
        KrillaError::Validation(findings) => findings
            .iter()
            .map(|(finding, _)| format!("{finding:?}"))
            .collect::<Vec<_>>()
            .join("; "),
        other => other.to_string(),
    };
    PdfError::Refused { findings, source: error }
}

fn metadata(document: &Document, created: Timestamp) -> Metadata {
    Metadata::new()
        .title(fonts::plain_line(&document.title, METADATA_CHARS_MAX))
        .description(fonts::plain_line(&document.subject, METADATA_CHARS_MAX))
        .language(document.language.tag().to_owned())
        .creator("pulverlog".to_owned())
        .creation_date(date_time(created))
}

/// The time in UTC, to the second. Years before 0 become 0.
fn date_time(time: Timestamp) -> DateTime {
    let utc = TimeZone::UTC.to_datetime(time);
    let small = |value: i8| u8::try_from(value).unwrap_or(0);
    DateTime::new(u16::try_from(utc.year()).unwrap_or(0))
        .month(small(utc.month()))
        .day(small(utc.day()))
        .hour(small(utc.hour()))
        .minute(small(utc.minute()))
        .second(small(utc.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0)
}

fn embedded(attachment: &Attachment, created: Timestamp) -> Result<EmbeddedFile, PdfError> {
    let Attachment { name, mime, relationship, description, bytes } = attachment;
    let letters = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
    if !(1..=100).contains(&name.len()) || name.starts_with('.') || !name.chars().all(letters) {
        return Err(PdfError::AttachmentName { name: fonts::plain_line(name, 200) });
    }
    let mime_type = MimeType::new(mime).ok_or_else(|| PdfError::AttachmentType {
        name: name.clone(),
        mime: fonts::plain_line(mime, 200),
    })?;
    if description.trim().is_empty() {
        return Err(PdfError::AttachmentDescription { name: name.clone() });
    }
    Ok(EmbeddedFile {
        path: name.clone(),
        mime_type: Some(mime_type),
        description: Some(fonts::plain_line(description, METADATA_CHARS_MAX)),
        association_kind: match relationship {
            Relationship::Source => AssociationKind::Source,
            Relationship::Data => AssociationKind::Data,
            Relationship::Alternative => AssociationKind::Alternative,
            Relationship::Supplement => AssociationKind::Supplement,
        },
        data: bytes.clone().into(),
        modification_date: Some(date_time(created)),
        compress: None,
        location: None,
    })
}

/// The outline: the headings by their levels; the title alone if there are none.
fn outline(title: &str, pages: &[Page]) -> Outline {
    let mut outline = Outline::new();
    let mut open: Vec<(Level, OutlineNode)> = Vec::new();
    for (n, page) in pages.iter().enumerate() {
        for (y, Bookmark { level, title }) in &page.bookmarks {
            close(&mut open, &mut outline, Some(*level));
            let place = XyzDestination::new(n, Point::from_xy(page.frame.left, *y));
            open.push((*level, OutlineNode::new(title.clone(), place).with_open(true)));
        }
    }
    if open.is_empty() {
        let place = XyzDestination::new(0, Point::from_xy(0.0, 0.0));
        outline.push_child(OutlineNode::new(fonts::plain_line(title, 200), place));
    }
    close(&mut open, &mut outline, None);
    outline
}

/// Closes the open entries that an entry of `level` does not belong under; all, if `None`.
fn close(open: &mut Vec<(Level, OutlineNode)>, outline: &mut Outline, level: Option<Level>) {
    while open.last().is_some_and(|(last, _)| level.is_none_or(|level| *last >= level)) {
        let Some((_, node)) = open.pop() else { return };
        match open.last_mut() {
            Some((_, parent)) => parent.push_child(node),
            None => outline.push_child(node),
        }
    }
}

/// Draws one page.
struct Pen<'a, 'b> {
    surface: Surface<'a>,
    fonts: &'b [Font; 3],
    structure: &'b mut Structure,
    page: usize,
}

impl Pen<'_, '_> {
    fn head(&mut self, document: &Document, setter: &mut Setter, frame: Frame) {
        let width = frame.right - frame.left;
        let limit = units(width * 0.48, RUNNING.size);
        let left = setter.elided(&document.title, limit);
        let right = setter.elided(&document.subtitle, limit);
        let y = frame.top - HEAD_GAP;
        self.running(ArtifactType::Header, frame, y, y + 5.0, [left, right]);
    }

    fn foot(&mut self, document: &Document, setter: &mut Setter, frame: Frame, pages: usize) {
        let language = document.language;
        let width = units(frame.right - frame.left, RUNNING.size);
        let right = setter.elided(&language.page(self.page + 1, pages), width);
        let room = units(frame.right - frame.left - right.width(RUNNING.size) - 12.0, RUNNING.size);
        let left = setter.elided(&language.log_head(&document.log), room);
        let y = frame.bottom + FOOT_GAP;
        self.running(ArtifactType::Footer, frame, y, y - 10.5, [left, right]);
    }

    /// The head or foot of a page: two texts and a rule.
    fn running(&mut self, kind: ArtifactType, frame: Frame, y: f32, rule: f32, texts: [Line; 2]) {
        self.surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(kind)));
        let [left, right] = texts;
        self.text(frame.left, y, RUNNING.size, &left);
        self.text(frame.right - right.width(RUNNING.size), y, RUNNING.size, &right);
        self.fill(&[[frame.left, rule, frame.right - frame.left, HAIR]]);
        self.surface.end_tagged();
    }

    fn content(&mut self, page: &Page) {
        for Placed { y, items } in &page.placed {
            for item in items.iter() {
                self.item(item, page.frame.left, *y);
            }
        }
    }

    fn item(&mut self, item: &Item, left: f32, top: f32) {
        let artifact = |kind| ContentTag::Artifact(Artifact::with_kind(kind));
        let tag = match item.owner {
            Owner::Element(_) => ContentTag::Span(SpanTag::empty()),
            Owner::Figure(..) => ContentTag::Other,
            Owner::Layout => artifact(ArtifactType::Layout),
            Owner::Repeated => artifact(ArtifactType::PaginationOther),
        };
        let content = self.surface.start_tagged(tag);
        for draw in &item.draws {
            self.draw(draw, left, top);
        }
        self.surface.end_tagged();
        match item.owner {
            Owner::Element(node) => self.structure.fill(node, content, None),
            Owner::Figure(node, [x, y, width, height]) => {
                let bounds = Rect::from_xywh(left + x, top + y, width, height)
                    .map(|rect| BBox::new(self.page, rect));
                self.structure.fill(node, content, bounds);
            }
            Owner::Layout | Owner::Repeated => {}
        }
    }

    fn draw(&mut self, draw: &Draw, left: f32, top: f32) {
        match draw {
            Draw::Text { x, baseline, size, line } => {
                self.text(left + x, top + baseline, *size, line);
            }
            Draw::Rule { x, y, width, weight } => {
                self.fill(&[[left + x, top + y - weight / 2.0, *width, *weight]]);
            }
            Draw::Frame { x, y, width, height, weight } => {
                let (x, y) = (left + x, top + y);
                self.fill(&[
                    [x, y, *width, *weight],
                    [x, y + height - weight, *width, *weight],
                    [x, y + weight, *weight, height - 2.0 * weight],
                    [x + width - weight, y + weight, *weight, height - 2.0 * weight],
                ]);
            }
            Draw::Fill { rectangles } => {
                let moved: Vec<[f32; 4]> =
                    rectangles.iter().map(|[x, y, w, h]| [left + x, top + y, *w, *h]).collect();
                self.fill(&moved);
            }
        }
    }

    /// Fills rectangles as one shape. Empty ones are left out.
    fn fill(&mut self, rectangles: &[[f32; 4]]) {
        let mut path = PathBuilder::new();
        for [x, y, width, height] in rectangles.iter().filter(|[_, _, w, h]| *w > 0.0 && *h > 0.0) {
            if let Some(rect) = Rect::from_xywh(*x, *y, *width, *height) {
                path.push_rect(rect);
            }
        }
        if let Some(path) = path.finish() {
            self.surface.draw_path(&path);
        }
    }

    /// Draws a line: neighbouring stretches of one face together, so that the file holds lines and
    /// not words.
    fn text(&mut self, mut x: f32, y: f32, size: f32, line: &Line) {
        let mut stretches = line.stretches.iter().map(|stretch| &*stretch.shaped).peekable();
        while let Some(first) = stretches.next() {
            let (mut text, mut glyphs, mut advance) = (String::new(), Vec::new(), 0);
            let mut next = Some(first);
            while let Some(shaped) = next {
                let shift = text.len() as u32;
                text.push_str(&shaped.text);
                glyphs.extend(shaped.glyphs.iter().map(|glyph| {
                    let (start, end) = (glyph.start + shift, glyph.end + shift);
                    Positioned(Glyph { start, end, ..*glyph })
                }));
                advance += shaped.advance;
                next = stretches.next_if(|n| n.face == first.face && !n.rtl && !first.rtl);
            }
            let font = self.fonts[fonts::index(first.face)].clone();
            let (part, of) = fonts::scale(first.face);
            let font_size = size * part as f32 / of as f32;
            self.surface.draw_glyphs(Point::from_xy(x, y), &glyphs, font, &text, font_size, false);
            x += points(advance, size);
        }
    }
}

/// A glyph as krilla asks for it.
struct Positioned(Glyph);

impl PdfGlyph for Positioned {
    fn glyph_id(&self) -> GlyphId {
        GlyphId::new(self.0.id)
    }

    fn text_range(&self) -> std::ops::Range<usize> {
        self.0.start as usize..self.0.end as usize
    }

    fn x_advance(&self, size: f32) -> f32 {
        scaled(self.0.advance, size)
    }

    fn x_offset(&self, size: f32) -> f32 {
        scaled(self.0.x_offset, size)
    }

    fn y_offset(&self, size: f32) -> f32 {
        scaled(self.0.y_offset, size)
    }

    fn y_advance(&self, _size: f32) -> f32 {
        0.0
    }

    fn location(&self) -> Option<Location> {
        None
    }
}

fn scaled(units: i32, size: f32) -> f32 {
    units as f32 / UNITS_PER_EM as f32 * size
}
