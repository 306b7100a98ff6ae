//! What a printed document is made of, in the words of the reports: no fonts, coordinates or pages.

/// The natural language of the document. It is announced to screen readers and chooses the few
/// words that the engine itself prints ("Page 3 of 12", "Caution", "continued").
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Language {
    /// English, tag `en`.
    English,
    /// German, tag `de`.
    German,
}

/// The face a run of text is printed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Face {
    /// The upright sans serif of running text.
    Regular,
    /// Its bold.
    Bold,
    /// Fixed width, for hashes, keys, identifiers and document numbers.
    Mono,
}

/// A stretch of text in one face.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Run {
    /// The characters. `\n` starts a new line; a tab is printed as one space.
    pub text: String,
    /// The face asked for. In headings and total rows [`Face::Regular`] is printed bold.
    pub face: Face,
}

/// Text of one or more runs. Nothing in it is markup: every character is printed as it stands, or
/// as a visible `[U+XXXX]` mark if it is invisible, reorders its neighbours, or no face has it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Text(pub Vec<Run>);

impl Text {
    /// Text in the face of running text.
    pub fn plain(text: impl Into<String>) -> Self {
        Self::of(Face::Regular, text)
    }

    /// Bold text.
    pub fn bold(text: impl Into<String>) -> Self {
        Self::of(Face::Bold, text)
    }

    /// Fixed-width text.
    pub fn mono(text: impl Into<String>) -> Self {
        Self::of(Face::Mono, text)
    }

    /// This text with `more` behind it; no space is added.
    #[must_use]
    pub fn and(mut self, more: impl Into<Text>) -> Self {
        self.0.extend(more.into().0);
        self
    }

    /// Whether there is nothing to print.
    pub fn is_empty(&self) -> bool {
        self.0.iter().all(|run| run.text.is_empty())
    }

    /// The characters of all runs, without their faces.
    pub fn characters(&self) -> String {
        self.0.iter().map(|run| run.text.as_str()).collect()
    }

    fn of(face: Face, text: impl Into<String>) -> Self {
        Self(vec![Run { text: text.into(), face }])
    }
}

impl From<&str> for Text {
    fn from(text: &str) -> Self {
        Self::plain(text)
    }
}

impl From<String> for Text {
    fn from(text: String) -> Self {
        Self::plain(text)
    }
}

/// Where the log stood when the document was made; printed at the foot of every page.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct LogHead {
    /// Origin of the log, as in its checkpoints.
    pub origin: String,
    /// Number of entries.
    pub size: u64,
    /// The first characters of the root hash: enough to compare at a glance. The whole root belongs
    /// into the document itself.
    pub root_short: String,
}

/// A document to print: see [`render`](super::render).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Document {
    /// The title: large on the first page, small at the head of every page, and in the metadata.
    pub title: String,
    /// A line under the title (site, period); may be empty.
    pub subtitle: String,
    /// Language of the text.
    pub language: Language,
    /// One sentence on what the document is, for the metadata; may be empty.
    pub subject: String,
    /// Printed at the foot of every page.
    pub log: LogHead,
    /// The content, in reading order.
    pub blocks: Vec<Block>,
    /// Files carried inside the document.
    pub attachments: Vec<Attachment>,
}

/// Depth of a heading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// A part of the document.
    One,
    /// A section of a part.
    Two,
    /// A section of a section.
    Three,
}

impl Level {
    /// 1, 2 or 3.
    pub fn number(self) -> u16 {
        match self {
            Level::One => 1,
            Level::Two => 2,
            Level::Three => 3,
        }
    }
}

/// One building block of a document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Block {
    /// A heading; also an entry of the outline. A level may not be skipped on the way down.
    Heading {
        /// Its depth.
        level: Level,
        /// Its words.
        text: Text,
    },
    /// A paragraph of running text.
    Paragraph(Text),
    /// A paragraph in small type: notes, sources, terms.
    SmallPrint(Text),
    /// Labels and their values, one pair a line.
    KeyValues(Vec<(Text, Text)>),
    /// A table.
    Table(Table),
    /// A framed caution of one or more paragraphs, headed by the word itself.
    Caution(Vec<Text>),
    /// A QR code.
    Qr(Qr),
    /// Room for signatures, or the record of electronic ones.
    Signatures(Vec<Signatory>),
    /// A measured bar.
    Bar(Bar),
    /// What follows starts on a new page.
    NewPage {
        /// Turn the paper from here on; `None` leaves it as it is.
        orientation: Option<Orientation>,
    },
}

impl Block {
    /// A heading.
    pub fn heading(level: Level, text: impl Into<Text>) -> Self {
        Self::Heading { level, text: text.into() }
    }

    /// A paragraph.
    pub fn paragraph(text: impl Into<Text>) -> Self {
        Self::Paragraph(text.into())
    }
}

/// A table. Its heading row is repeated on every page it reaches; a row is divided between pages
/// only if it is taller than a page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// Printed above the table and, with the word "continued", above its further parts; may be empty.
    pub caption: Text,
    /// The columns, left to right.
    pub columns: Vec<Column>,
    /// The rows. A table without rows prints one that says "none".
    pub rows: Vec<Row>,
    /// Whether the first cell of a row names the row (announced as its heading).
    pub row_headings: bool,
}

/// A column of a [`Table`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Column {
    /// The heading.
    pub heading: Text,
    /// Share of the width, relative to the other columns. A column never gets less than the longest
    /// word of its heading needs, nor, if aligned at the end, the longest word of its cells.
    pub weight: u16,
    /// Where its cells are set.
    pub align: Align,
}

impl Column {
    /// A column set from the left.
    pub fn new(heading: impl Into<Text>, weight: u16) -> Self {
        Self { heading: heading.into(), weight, align: Align::Start }
    }

    /// A column set to the right, for numbers. Digits of one decimal place line up if all its
    /// figures show the same number of decimals.
    pub fn figures(heading: impl Into<Text>, weight: u16) -> Self {
        Self { heading: heading.into(), weight, align: Align::End }
    }
}

/// Side to which the lines of a cell are set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Align {
    /// From the left.
    Start,
    /// To the right.
    End,
}

/// A row of a [`Table`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// One cell a column.
    pub cells: Vec<Text>,
    /// What the row is.
    pub kind: RowKind,
}

impl Row {
    /// An ordinary row.
    pub fn body(cells: Vec<Text>) -> Self {
        Self { cells, kind: RowKind::Body }
    }

    /// A row of totals.
    pub fn total(cells: Vec<Text>) -> Self {
        Self { cells, kind: RowKind::Total }
    }
}

/// What a row of a table is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum RowKind {
    /// An ordinary row.
    Body,
    /// A sum of rows above: bold, with a stronger rule over it, on the page of the row before.
    Total,
}

/// A QR code, error correction level M (ISO/IEC 18004), drawn as squares with the quiet zone of
/// four modules that the standard asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Qr {
    /// The bytes to encode, at most 2,331.
    pub payload: Vec<u8>,
    /// What the code is and holds, for who cannot see it; must not be empty.
    pub alt: String,
    /// Paragraphs printed beside the code, or under it if it is wide.
    pub beside: Vec<Text>,
    /// Side of one module in micrometres. [`Qr::MODULE_UM`] suits hand scanners (common practice,
    /// no source). A code wider than the text is refused.
    pub module_um: u32,
}

impl Qr {
    /// Half a millimetre a module.
    pub const MODULE_UM: u32 = 500;

    /// A code of the usual size.
    pub fn new(payload: impl Into<Vec<u8>>, alt: impl Into<String>, beside: Vec<Text>) -> Self {
        Self { payload: payload.into(), alt: alt.into(), beside, module_um: Self::MODULE_UM }
    }
}

/// One signature. What is empty becomes a line to write on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Signatory {
    /// What the signature means ("checked against the weighing records").
    pub meaning: Text,
    /// Who signs.
    pub name: Text,
    /// When.
    pub date: Text,
    /// For an electronic signature: what stands in place of the pen stroke (entry, key).
    pub signature: Text,
}

/// A horizontal bar to scale, with its figure in words above it: it never speaks by colour or
/// length alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bar {
    /// What is measured.
    pub label: Text,
    /// The value as text, with unit ("61.2 kg of 100 kg").
    pub figure: Text,
    /// The value, in any unit.
    pub value: u64,
    /// Full length, in the same unit. The scale grows to hold a larger value or limit.
    pub scale: u64,
    /// A limit to mark.
    pub limit: Option<BarLimit>,
}

/// A marked limit on a [`Bar`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BarLimit {
    /// The limit as text, with unit and rule ("limit 100 kg").
    pub label: Text,
    /// The limit, in the unit of the bar.
    pub value: u64,
}

/// How an attached file relates to the document (PDF/A-3, `AFRelationship`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Relationship {
    /// The document was made from it.
    Source,
    /// Data behind what is printed.
    Data,
    /// The same content in another form.
    Alternative,
    /// Further matter.
    Supplement,
}

/// A file carried inside the document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Attachment {
    /// File name: 1 to 100 ASCII letters, digits, `.`, `-`, `_`, not starting with a dot; unique.
    pub name: String,
    /// Media type, such as `application/json`.
    pub mime: String,
    /// How it relates to the document.
    pub relationship: Relationship,
    /// One sentence for the reader; must not be empty.
    pub description: String,
    /// The bytes, embedded as they are.
    pub bytes: Vec<u8>,
}

/// Paper sizes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Paper {
    /// 210 mm x 297 mm (ISO 216).
    A4,
    /// 8.5 in x 11 in.
    Letter,
}

/// How the paper is turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Orientation {
    /// Short edge on top.
    Portrait,
    /// Long edge on top.
    Landscape,
}
