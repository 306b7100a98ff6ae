//! Independent readers of PDF files: poppler's and qpdf's command-line tools.
//!
//! Where `CI=true` a missing tool is a failure; elsewhere the test says loudly that it was skipped.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use report::pdf::{Document, PdfSettings, render};

/// Whether the tools are there. Call first in a test that needs them.
pub(crate) fn there(names: &[&str]) -> bool {
    let missing: Vec<&&str> =
        names.iter().filter(|name| Command::new(name).arg("--version").output().is_err()).collect();
    if missing.is_empty() {
        return true;
    }
    let ci = std::env::var("CI").is_ok_and(|value| value == "true");
    assert!(!ci, "missing tools {missing:?}: install poppler-utils and qpdf");
    eprintln!("SKIPPED, missing tools {missing:?}: install poppler-utils and qpdf");
    false
}

/// A rendered document in a file.
pub(crate) struct Pdf {
    folder: tempfile::TempDir,
}

impl Pdf {
    pub(crate) fn of(document: &Document, settings: &PdfSettings) -> Self {
        Self::bytes(&render(document, settings).unwrap())
    }

    pub(crate) fn bytes(bytes: &[u8]) -> Self {
        let pdf = Self { folder: tempfile::tempdir().unwrap() };
        std::fs::write(pdf.path(), bytes).unwrap();
        pdf
    }

    pub(crate) fn path(&self) -> PathBuf {
        self.folder.path().join("document.pdf")
    }

    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Runs a tool on the file: `before` and `after` are its other arguments.
    pub(crate) fn run(&self, tool: &str, before: &[&str], after: &[&str]) -> Output {
        Command::new(tool)
            .args(before)
            .arg(self.path())
            .args(after)
            .current_dir(self.folder())
            .output()
            .unwrap()
    }

    /// What a tool prints; it must succeed.
    pub(crate) fn says(&self, tool: &str, before: &[&str], after: &[&str]) -> String {
        let output = self.run(tool, before, after);
        assert!(output.status.success(), "{tool}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    /// The text of each page, in the order of the content.
    pub(crate) fn pages(&self) -> Vec<String> {
        let text = self.says("pdftotext", &["-raw", "-enc", "UTF-8"], &["-"]);
        let mut pages: Vec<String> = text.split('\u{c}').map(str::to_owned).collect();
        assert_eq!(pages.pop().as_deref(), Some(""), "every page ends with a form feed");
        pages
    }

    /// The text of the whole file without any white space.
    pub(crate) fn letters(&self) -> String {
        letters(&self.pages().concat())
    }

    /// The words of each page with their boxes.
    pub(crate) fn words(&self) -> Vec<BoxedPage> {
        let html = self.says("pdftotext", &["-bbox"], &["-"]);
        let mut pages: Vec<BoxedPage> = Vec::new();
        for line in html.lines().map(str::trim) {
            if line.starts_with("<page ") {
                let (width, height) = (number(line, "width"), number(line, "height"));
                pages.push(BoxedPage { width, height, words: Vec::new() });
            } else if line.starts_with("<word ") {
                let text = line.split_once('>').unwrap().1.trim_end_matches("</word>");
                pages.last_mut().unwrap().words.push(Word {
                    left: number(line, "xMin"),
                    right: number(line, "xMax"),
                    top: number(line, "yMin"),
                    bottom: number(line, "yMax"),
                    text: text.to_owned(),
                });
            }
        }
        pages
    }
}

/// A page and where its words stand; points from the top left corner.
pub(crate) struct BoxedPage {
    pub(crate) width: f64,
    pub(crate) height: f64,
    pub(crate) words: Vec<Word>,
}

/// A word and its box.
pub(crate) struct Word {
    pub(crate) left: f64,
    pub(crate) right: f64,
    pub(crate) top: f64,
    pub(crate) bottom: f64,
    pub(crate) text: String,
}

/// A text without white space.
pub(crate) fn letters(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

fn number(line: &str, name: &str) -> f64 {
    let rest = line.split_once(&format!("{name}=\"")).unwrap().1;
    rest.split_once('"').unwrap().0.parse().unwrap()
}

/// What a validator of other people finds wrong with a PDF/A-1b file (Apache PDFBox preflight,
/// Debian package `libpdfbox2-java` with `libactivation-java` and `libjaxb-api-java`); `None` where
/// it is not installed. No validator of PDF/A-3 is to be had from the package registries, so the
/// same pages are checked without attachments.
pub(crate) fn preflight(bytes: &[u8]) -> Option<Vec<String>> {
    let jars = [
        "preflight",
        "xmpbox",
        "pdfbox2",
        "fontbox2",
        "commons-logging",
        "javax.activation",
        "jaxb-api",
    ]
    .map(|jar| format!("/usr/share/java/{jar}.jar"));
    if jars.iter().any(|jar| !Path::new(jar).try_exists().unwrap_or(false)) {
        eprintln!(
            "SKIPPED: PDF/A-1b preflight: install libpdfbox2-java libactivation-java libjaxb-api-java"
        );
        return None;
    }
    let pdf = Pdf::bytes(bytes);
    let output = Command::new("java")
        .args(["-cp", &jars.join(":"), "org.apache.pdfbox.preflight.Validator_A1b"])
        .arg(pdf.path())
        .output()
        .unwrap();
    let (said, errors) = (output.stdout, output.stderr);
    let said = String::from_utf8(said).unwrap() + &String::from_utf8(errors).unwrap();
    assert!(said.contains("PDF/A-1b file"), "no verdict: {said}");
    let faults = said
        .lines()
        .filter(|line| line.starts_with(|c: char| c.is_ascii_digit()))
        // It does not follow the indirect reference of an outline entry's destination, which
        // ISO 32000-1, 7.3.10 allows for any value.
        .filter(|line| !line.contains("can't convert to Destination COSObject"));
    Some(faults.map(str::to_owned).collect())
}
