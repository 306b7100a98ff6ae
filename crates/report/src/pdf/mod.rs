//! Documents for print and archive: tagged PDF/A with the data inside.
//!
//! A report builds a [`Document`] out of blocks; [`render`] sets it and writes the file. The file
//! conforms to PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1) as far as the PDF library can
//! check, and it checks both at once:
//!
//! - every font is embedded, colours are device-independent, and files are attached with media
//!   type, description and relationship;
//! - headings, paragraphs, lists, tables with their heading cells and figures with their
//!   alternative texts are tagged in reading order; heads, feet, rules and repeated heading rows
//!   are artifacts; language and title are set; the headings make the outline.
//!
//! Three promises hold for any text whatever:
//!
//! - **It is inert.** No text is markup. What is invisible, reorders its neighbours or is in none of
//!   the faces is printed as a mark, `[U+202E]`, and never dropped.
//! - **It fits.** Words, hashes and cells of any length wrap; a row taller than a page is divided.
//! - **The same input gives the same bytes**, on every run: the date is passed in and the
//!   identifiers of the file are digests of its content.
//!
//! Not done here: hyphenation, justified text, footnotes, links, images, colours.

mod draw;
mod fonts;
mod layout;
mod model;
mod structure;
mod text;
mod words;

use jiff::Timestamp;

pub use model::{
    Align, Attachment, Bar, BarLimit, Block, Column, Document, Face, Language, Level, LogHead,
    Orientation, Paper, Qr, Relationship, Row, RowKind, Run, Signatory, Table, Text,
};

/// How to print a document.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PdfSettings {
    /// Paper size.
    pub paper: Paper,
    /// How the paper is turned at the start; [`Block::NewPage`] may turn it.
    pub orientation: Orientation,
    /// Date of creation to write into the file, kept to the second, in UTC.
    pub created: Timestamp,
    /// The standards to conform to.
    pub conformance: Conformance,
}

impl PdfSettings {
    /// Portrait, PDF/A-3a and PDF/UA-1.
    pub fn new(paper: Paper, created: Timestamp) -> Self {
        let (orientation, conformance) = (Orientation::Portrait, Conformance::A3aUa1);
        Self { paper, orientation, created, conformance }
    }
}

/// Standards that a file conforms to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Conformance {
    /// PDF/A-3a (ISO 19005-3) and PDF/UA-1 (ISO 14289-1) in PDF 1.7: what reports are issued as.
    A3aUa1,
    /// PDF/A-1b (ISO 19005-1), without attachments: for checking the same pages with a validator
    /// that knows no later part.
    A1b,
}

/// Why a document could not be printed. The text of a document is never the reason.
#[derive(Debug, thiserror::Error)]
pub enum PdfError {
    /// A document without a title has no name to be announced by.
    #[error("the document has no title; give it one")]
    NoTitle,
    /// Heading levels go down one at a time (PDF/UA-1, 7.4.2).
    #[error("heading `{title}` has level {level} after level {before}; do not skip a level")]
    HeadingSkipsLevel {
        /// Its words.
        title: String,
        /// Its level.
        level: u16,
        /// The level before it; 0 at the start of the document.
        before: u16,
    },
    /// A table has no column, or more than the width can hold.
    #[error("a table has {columns} columns; between 1 and {columns_max} fit the page")]
    Columns {
        /// Its columns.
        columns: usize,
        /// How many would fit.
        columns_max: usize,
    },
    /// A row does not have one cell a column.
    #[error("row {row} of a table has {cells} cells for {columns} columns")]
    RowCells {
        /// The row, counted from 0.
        row: usize,
        /// Its cells.
        cells: usize,
        /// Columns of the table.
        columns: usize,
    },
    /// More bytes than a QR code holds.
    #[error("a QR code cannot hold {bytes} bytes; shorten the payload")]
    QrPayload {
        /// Bytes asked for.
        bytes: usize,
        /// What the encoder said.
        source: qrcode::types::QrError,
    },
    /// A QR code that does not fit the page.
    #[error(
        "a QR code of {modules} modules of {module_um} um does not fit the page; use smaller modules"
    )]
    QrSize {
        /// Modules along a side, without the quiet zone.
        modules: usize,
        /// Side of a module in micrometres.
        module_um: u32,
    },
    /// PDF/UA-1 wants every figure described.
    #[error("a QR code has no alternative text; say what it is and holds")]
    QrAlt,
    /// PDF/A-1 forbids attachments.
    #[error("PDF/A-1b carries no attachments; render without them")]
    AttachmentsForbidden,
    /// A name that a reader's file system could take amiss.
    #[error("attachment name `{name}` is not 1 to 100 ASCII letters, digits, `.`, `-` or `_`")]
    AttachmentName {
        /// The name.
        name: String,
    },
    /// Two attachments of one name.
    #[error("attachment `{name}` is there twice; rename one")]
    AttachmentTwice {
        /// The name.
        name: String,
    },
    /// Not a media type.
    #[error("attachment `{name}` has `{mime}` as its media type, which is none")]
    AttachmentType {
        /// The name.
        name: String,
        /// The alleged type.
        mime: String,
    },
    /// PDF/UA-1 wants every attachment described.
    #[error("attachment `{name}` has no description; say what it is")]
    AttachmentDescription {
        /// The name.
        name: String,
    },
    /// The library refused to write the file: a defect of this module, not of the document.
    #[error("the document breaks its standard: {findings}")]
    Refused {
        /// What was found.
        findings: String,
        /// What the library said.
        source: krilla::error::KrillaError,
    },
}

/// Prints a document: sets it in type and writes it as a PDF file. Pure and deterministic; takes
/// milliseconds a page, so keep it off threads that must answer at once.
///
/// # Errors
/// See [`PdfError`]; no text, however odd, is one.
pub fn render(document: &Document, settings: &PdfSettings) -> Result<Vec<u8>, PdfError> {
    if document.title.trim().is_empty() {
        return Err(PdfError::NoTitle);
    }
    if settings.conformance == Conformance::A1b && !document.attachments.is_empty() {
        return Err(PdfError::AttachmentsForbidden);
    }
    let layout = layout::lay_out(document, settings)?;
    draw::write(document, settings, layout)
}
