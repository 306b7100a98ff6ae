//! The three faces, and text made printable: which face has a character, and the visible mark of a
//! character that none may print.

use std::sync::OnceLock;

use harfrust::{FontRef, ShaperData};
use skrifa::MetadataProvider;
use skrifa::charmap::Charmap;

use super::model::{Face, Run};

/// Font units per em. The same in all three faces, so that widths add up as integers.
pub(super) const UNITS_PER_EM: i32 = 2048;

/// Height of the letters above and below the base line, in font units, for placing a line in its
/// leading (`hhea` of the regular face, rounded).
pub(super) const ASCENT: i32 = 1901;
/// See [`ASCENT`].
pub(super) const DESCENT: i32 = 483;

const FACES: [Face; 3] = [Face::Regular, Face::Bold, Face::Mono];

/// One vendored face, parsed once for the life of the process.
pub(super) struct FaceFont {
    pub(super) bytes: &'static [u8],
    pub(super) font: FontRef<'static>,
    pub(super) shaper: ShaperData,
    charmap: Charmap<'static>,
}

/// The vendored face.
pub(super) fn face_font(face: Face) -> &'static FaceFont {
    static FONTS: OnceLock<[FaceFont; 3]> = OnceLock::new();
    &FONTS.get_or_init(|| FACES.map(FaceFont::load))[index(face)]
}

/// The part of the type size that a face is set at, as a fraction. The fixed-width face is broad
/// beside the narrow sans serif; eight ninths suit it, and ninths divide its advance (1,233 units).
pub(super) fn scale(face: Face) -> (i32, i32) {
    match face {
        Face::Regular | Face::Bold => (1, 1),
        Face::Mono => (8, 9),
    }
}

/// Position of a face in arrays by face.
pub(super) fn index(face: Face) -> usize {
    match face {
        Face::Regular => 0,
        Face::Bold => 1,
        Face::Mono => 2,
    }
}

impl FaceFont {
    fn load(face: Face) -> Self {
        let bytes: &'static [u8] = match face {
            Face::Regular => include_bytes!("../../fonts/DejaVuSansCondensed.ttf"),
            Face::Bold => include_bytes!("../../fonts/DejaVuSansCondensed-Bold.ttf"),
            Face::Mono => include_bytes!("../../fonts/DejaVuSansMono.ttf"),
        };
        let font = FontRef::new(bytes).expect("the font is vendored and a test parses it");
        Self { bytes, shaper: ShaperData::new(&font), charmap: font.charmap(), font }
    }

    fn has(&self, c: char) -> bool {
        self.charmap.map(c).is_some_and(|glyph| glyph.to_u32() != 0)
    }
}

/// A stretch of printable text in one face.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Piece {
    pub(super) face: Face,
    pub(super) text: String,
    /// Whether `text` is the visible mark of one unprintable character.
    pub(super) mark: bool,
}

/// The lines of a text (it is divided at line feeds), each as pieces that can be printed as they
/// are. With `bold`, what asks for the regular face is printed bold.
pub(super) fn printable(runs: &[Run], bold: bool) -> Vec<Vec<Piece>> {
    let mut lines = vec![Vec::new()];
    for run in runs {
        let wanted = match run.face {
            Face::Regular if bold => Face::Bold,
            face => face,
        };
        if run.text.bytes().all(|b| (b' '..=b'~').contains(&b)) {
            // Most text by far: one line that every face has.
            extend(lines.last_mut().expect("never empty"), wanted, &run.text);
            continue;
        }
        let mut characters = run.text.chars().peekable();
        while let Some(c) = characters.next() {
            match c {
                '\r' if characters.peek() == Some(&'\n') => {}
                '\n' | '\u{2028}' | '\u{2029}' => lines.push(Vec::new()),
                _ => push(lines.last_mut().expect("never empty"), wanted, c),
            }
        }
    }
    lines
}

/// Adds printable text of one face to a line.
fn extend(line: &mut Vec<Piece>, face: Face, text: &str) {
    match line.last_mut() {
        _ if text.is_empty() => {}
        Some(last) if last.face == face && !last.mark => last.text.push_str(text),
        _ => line.push(Piece { face, text: text.to_owned(), mark: false }),
    }
}

fn push(line: &mut Vec<Piece>, wanted: Face, c: char) {
    let c = if c == '\t' { ' ' } else { c };
    match face_for(wanted, c) {
        Some(face) => extend(line, face, c.encode_utf8(&mut [0; 4])),
        None => line.push(Piece { face: wanted, text: mark(c), mark: true }),
    }
}

/// The face that prints `c`: the wanted one if it has it, else another, else none.
fn face_for(wanted: Face, c: char) -> Option<Face> {
    if c.is_ascii() && !c.is_ascii_control() {
        return Some(wanted);
    }
    if deceives(c) {
        return None;
    }
    let order = match wanted {
        Face::Regular => [Face::Regular, Face::Mono, Face::Bold],
        Face::Bold => [Face::Bold, Face::Regular, Face::Mono],
        Face::Mono => [Face::Mono, Face::Regular, Face::Bold],
    };
    order.into_iter().find(|face| face_font(*face).has(c))
}

/// The visible mark of a character that cannot be printed: its code point.
pub(super) fn mark(c: char) -> String {
    format!("[U+{:04X}]", u32::from(c))
}

/// Text for places that need no font (metadata, alternative texts, outline): one line, what is
/// invisible or reorders its neighbours shown as a mark, cut after `limit` characters.
pub(super) fn plain_line(text: &str, limit: usize) -> String {
    let mut line = String::new();
    for (n, c) in text.chars().enumerate() {
        if n == limit {
            line.push('…');
            break;
        }
        match c {
            '\n' | '\t' => line.push(' '),
            c if deceives(c) => line.push_str(&mark(c)),
            c => line.push(c),
        }
    }
    line
}

/// Whether a character prints nothing, changes how its neighbours print, or means something only by
/// private agreement: controls, `Default_Ignorable_Code_Point` (Unicode 16,
/// DerivedCoreProperties.txt), interlinear annotation, private use and noncharacters. In a record
/// that people sign, such a character must be seen.
fn deceives(c: char) -> bool {
    let code = u32::from(c);
    c.is_control()
        || matches!(code,
            0x00AD | 0x034F | 0x061C | 0x115F..=0x1160 | 0x17B4..=0x17B5 | 0x180B..=0x180F
            | 0x200B..=0x200F | 0x2028..=0x202E | 0x2060..=0x206F | 0x3164 | 0xFE00..=0xFE0F
            | 0xFEFF | 0xFFA0 | 0xFFF0..=0xFFFB | 0x1BCA0..=0x1BCA3 | 0x1D173..=0x1D17A
            | 0xE0000..=0xE0FFF)
        || matches!(code, 0xE000..=0xF8FF | 0xF_0000..=0x10_FFFF)
        || matches!(code, 0xFDD0..=0xFDEF)
        || code & 0xFFFE == 0xFFFE
}

#[cfg(test)]
mod tests {
    use super::*;
    use skrifa::instance::{LocationRef, Size};

    #[test]
    fn the_vendored_faces_share_their_em_and_have_latin_greek_cyrillic_and_units() {
        for face in FACES {
            let font = face_font(face);
            let metrics = font.font.metrics(Size::unscaled(), LocationRef::default());
            assert_eq!(i32::from(metrics.units_per_em), UNITS_PER_EM);
            for c in "ÄÖÜäöüßéñłőşžΩµжЯ–—…«»„“‚‘€°±×²³≤≥→\u{a0}".chars()
            {
                assert!(font.has(c), "{face:?} lacks {c:?}");
            }
        }
        let metrics =
            face_font(Face::Regular).font.metrics(Size::unscaled(), LocationRef::default());
        assert_eq!((metrics.ascent as i32, -metrics.descent as i32), (ASCENT, DESCENT));
    }

    #[test]
    fn what_no_face_has_becomes_a_mark_and_nothing_is_dropped() {
        let check = |text: &str, expected: &str| {
            let runs = [Run { text: text.into(), face: Face::Mono }];
            let lines: Vec<String> = printable(&runs, false)
                .into_iter()
                .map(|line| line.into_iter().map(|piece| piece.text).collect())
                .collect();
            assert_eq!(lines.join("|"), expected);
        };
        check("a\tb", "a b");
        check("a\r\nb\nc\u{2028}d", "a|b|c|d");
        check("a\rb\0", "a[U+000D]b[U+0000]");
        check("漢🏭", "[U+6F22][U+1F3ED]");
        check("\u{202e}evil\u{ad}", "[U+202E]evil[U+00AD]");
        check("\u{e000}\u{ffff}\u{10ffff}", "[U+E000][U+FFFF][U+10FFFF]");
        check("Ω ж ← שלום", "Ω ж ← שלום");
    }

    #[test]
    fn a_face_that_lacks_a_character_borrows_it() {
        let hebrew = "\u{5d0}";
        let runs = [Run { text: format!("a{hebrew}"), face: Face::Mono }];
        let line = &printable(&runs, false)[0];
        assert_eq!(line[0].face, Face::Mono);
        assert_eq!((line[1].face, line[1].text.as_str()), (Face::Regular, hebrew));
    }
}
