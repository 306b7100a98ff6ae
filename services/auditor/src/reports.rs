//! Reports worked out again: the same prefix of the log, the same code, the same bytes.

use std::convert::Infallible;

use chain::Digest;
use chain::checkpoint::Checkpoint;
use chain::entry::leaf_hash;
use chain::keys::Keys;
use chain::limits::TILE_WIDTH;
use chain::merkle::root_of;
use chain::note::VerifierKey;
use chain::tile::{Tile, TileKind, TileSource};
use jiff::Timestamp;
use report::disposal::{Head, Options, Print};
use report::evidence::evidence;
use report::kinds::Heading;
use report::pdf::Language;
use report::{About, Report};
use shopfloor::catalogue::Event;
use shopfloor::record::events::ReportIssued;
use shopfloor::{Fact, State};

use crate::replay::{Against, Difference};

const TILE: usize = TILE_WIDTH as usize;
/// Languages a report may be printed in.
const LANGUAGES: [Language; 2] = [Language::English, Language::German];

/// A report that came with the entries.
#[derive(Debug)]
pub struct ReportFile<'a> {
    /// Name of the machine-readable form in the bundle.
    pub name: &'a str,
    /// The machine-readable form.
    pub json: &'a [u8],
    /// The table for spreadsheets, if it is there.
    pub csv: Option<&'a [u8]>,
    /// The printed form, if it is there.
    pub pdf: Option<&'a [u8]>,
    /// What the machine-readable form says of itself.
    pub heading: Heading,
}

/// What became of a report when it was worked out again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportCheck {
    /// Name of the machine-readable form in the bundle.
    pub name: String,
    /// Entries it rests on.
    pub as_of: u64,
    /// SHA-256 of the machine-readable form.
    pub digest: Digest,
    /// Entry that records that exactly this was issued.
    pub issued_in: Option<u64>,
    /// What was compared.
    pub compared: Compared,
}

/// How far a report could be compared.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Compared {
    /// Byte for byte the same: the machine-readable form, and table and print if they were there.
    Same,
    /// Not the same.
    Differs,
    /// It rests on more entries than there are here.
    Beyond,
}

/// The log up to some entry, and what follows from it.
pub(crate) struct Prefix<'a> {
    pub(crate) size: u64,
    pub(crate) root: &'a Digest,
    /// When the last of its entries was recorded, ms since 1970.
    pub(crate) recorded_at_ms: i64,
    pub(crate) state: &'a State,
    /// Every entry there is, those behind the prefix too.
    pub(crate) entries: &'a [&'a [u8]],
}

impl Prefix<'_> {
    fn entry(&self, seq: u64) -> Option<&[u8]> {
        self.entries.get(usize::try_from(seq).ok()?).copied()
    }

    /// The newest entry that keeps an anchor, as stored.
    fn anchor(&self) -> Option<&[u8]> {
        self.state.record.last_anchor().and_then(|seq| self.entry(seq))
    }

    /// Hashes of the tree over the prefix.
    fn tree(&self) -> TileSource<impl Fn(Tile) -> Result<Vec<u8>, Infallible> + use<>> {
        let size = usize::try_from(self.size).unwrap_or(usize::MAX);
        let leaves = self.entries.iter().take(size).map(|line| leaf_hash(line)).collect();
        let mut levels: Vec<Vec<Digest>> = vec![leaves];
        while let Some(below) = levels.last().filter(|below| below.len() >= TILE) {
            let full = below.chunks_exact(TILE).map(root_of).collect();
            levels.push(full);
        }
        TileSource::new(self.size, move |tile: Tile| {
            let TileKind::Hashes(level) = tile.kind else { return Ok(Vec::new()) };
            let hashes = levels.get(usize::from(level)).into_iter().flatten();
            let first = usize::try_from(tile.first()).unwrap_or(usize::MAX);
            let hashes = hashes.skip(first).take(usize::from(tile.width));
            Ok(hashes.flat_map(|hash| *hash.as_bytes()).collect())
        })
    }
}

struct Examined<'a> {
    file: &'a ReportFile<'a>,
    digest: Digest,
    issued_in: Option<u64>,
    differences: Option<Vec<Difference>>,
}

/// The reports while the entries go by.
pub(crate) struct Reports<'a> {
    files: Vec<Examined<'a>>,
    issued: Vec<(u64, ReportIssued)>,
}

/// The reports among the files of a bundle: each `*.json` that is one of any kind, with the `.csv`
/// and `.pdf` of the same name beside it.
pub fn find<'a>(bundle: &'a chain::bundle::Bundle) -> Vec<ReportFile<'a>> {
    let found = |(name, json): (&'a str, &'a [u8])| {
        let stem = name.strip_suffix(".json")?;
        let heading = Heading::read(json)?;
        let beside = |suffix: &str| bundle.get(&format!("{stem}{suffix}"));
        Some(ReportFile { name, json, csv: beside(".csv"), pdf: beside(".pdf"), heading })
    };
    bundle.iter().filter_map(found).collect()
}

impl<'a> Reports<'a> {
    pub(crate) fn new(files: &'a [ReportFile<'a>]) -> Self {
        let examined = |file: &'a ReportFile<'a>| {
            let digest = Digest::of(file.json);
            Examined { file, digest, issued_in: None, differences: None }
        };
        Self { files: files.iter().map(examined).collect(), issued: Vec::new() }
    }

    /// Sizes at which reports were made.
    pub(crate) fn sizes(&self) -> impl Iterator<Item = u64> {
        self.files.iter().map(|examined| examined.file.heading.head.size)
    }

    pub(crate) fn entry(&mut self, fact: &Fact) {
        if let Event::ReportIssued(issued) = &fact.event {
            self.issued.push((fact.seq, issued.clone()));
        }
    }

    /// Works out again the reports that rest on exactly these entries.
    pub(crate) fn compile(&mut self, prefix: &Prefix<'_>, against: &Against<'_>) {
        for examined in self.files.iter_mut() {
            if examined.file.heading.head.size == prefix.size {
                examined.differences = Some(compare(examined.file, prefix, against));
            }
        }
    }

    /// What was found, and the entries that tell of reports which are not here.
    pub(crate) fn finish(
        mut self,
        differences: &mut Vec<Difference>,
    ) -> (Vec<ReportCheck>, Vec<u64>) {
        let mut absent = Vec::new();
        for (seq, issued) in &self.issued {
            let digest = issued.digest.as_str();
            match self.files.iter_mut().find(|e| e.digest.to_string() == digest) {
                Some(examined) => {
                    examined.issued_in.get_or_insert(*seq);
                    differences.extend(compare_issue(examined.file, *seq, issued));
                    differences.extend(compare_print(examined.file, *seq, issued));
                }
                None => absent.push(*seq),
            }
        }
        let told = |examined: Examined<'_>| {
            let compared = match &examined.differences {
                None => Compared::Beyond,
                Some(found) if found.is_empty() => Compared::Same,
                Some(_) => Compared::Differs,
            };
            differences.extend(examined.differences.into_iter().flatten());
            ReportCheck {
                name: examined.file.name.to_owned(),
                as_of: examined.file.heading.head.size,
                digest: examined.digest,
                issued_in: examined.issued_in,
                compared,
            }
        };
        (self.files.into_iter().map(told).collect(), absent)
    }
}

fn difference(about: String, recorded: impl ToString, computed: impl ToString) -> Difference {
    Difference { seq: None, about, recorded: recorded.to_string(), computed: computed.to_string() }
}

fn compare(file: &ReportFile<'_>, prefix: &Prefix<'_>, against: &Against<'_>) -> Vec<Difference> {
    let given = &file.heading;
    let about = |what: &str| format!("{what} of `{}`", file.name);
    // Clocks are read at the newest entry: nobody chooses the moment at which nothing is overdue.
    let Ok(at) = Timestamp::from_millisecond(prefix.recorded_at_ms) else {
        return vec![difference(about("instant"), &given.at, "a time out of range")];
    };
    let head = match head(given, prefix, against) {
        Ok(head) => head,
        Err(why) => return vec![difference(about("checkpoint"), &given.head.checkpoint, why)],
    };
    let again = match Report::compile(prefix.state, &given.about, head, &Options { at }) {
        Ok(again) => again,
        Err(error) => return vec![difference(about("subject"), given.about.file_name(), error)],
    };
    let mut found = Vec::new();
    match again.to_json() {
        Ok(bytes) if bytes == file.json => {}
        Ok(bytes) => {
            let (recorded, computed) = first_difference(file.json, &bytes);
            found.push(difference(about("content"), recorded, computed));
        }
        Err(error) => found.push(difference(about("content"), "a report", error)),
    }
    if let Some(csv) = file.csv {
        let table = again.to_csv();
        if table != csv {
            let (recorded, computed) = first_difference(csv, &table);
            found.push(difference(about("table"), recorded, computed));
        }
    }
    if let Some(pdf) = file.pdf.filter(|_| found.is_empty())
        && !is_print(&again, prefix, against, pdf)
    {
        let expected = "what this program prints from the same report, in any of its languages";
        found.push(difference(about("print"), format!("SHA-256 {}", Digest::of(pdf)), expected));
    }
    found
}

/// Whether these are the bytes that the report gives in print, in any language, with the evidence it
/// carries.
fn is_print(report: &Report, prefix: &Prefix<'_>, against: &Against<'_>, pdf: &[u8]) -> bool {
    let (key, tree) = (&against.keys.log, prefix.tree());
    let (head, rests_on) = (report.head(), report.rests_on());
    let entry = |seq| prefix.entry(seq).map(<[u8]>::to_vec);
    LANGUAGES.iter().any(|&language| {
        let carried = evidence(head, &rests_on, language, key, entry, &tree);
        carried.is_ok_and(|evidence| {
            let print = Print { language, evidence, ..Print::default() };
            report.to_pdf(&print).is_ok_and(|again| again == pdf)
        })
    })
}

/// Where the log stood, from what is believed here; only the signatures on the checkpoint are taken
/// from the report, after they were verified.
fn head(given: &Heading, prefix: &Prefix<'_>, against: &Against<'_>) -> Result<Head, String> {
    let (note, root) = (&given.head.checkpoint, prefix.root);
    if !note.is_empty() {
        let trusted: Vec<VerifierKey> =
            std::iter::once(&against.keys.log).chain(against.witnesses).cloned().collect();
        let signed = Checkpoint::open(note.as_bytes(), &trusted).map_err(|e| e.to_string())?;
        let Checkpoint { size, root: signed_root, .. } = &signed.checkpoint;
        if (*size, signed_root) != (given.head.size, root) {
            return Err(format!("the entries have size {} and root {root}", given.head.size));
        }
    }
    let Keys { log, .. } = against.keys;
    Ok(Head::new(log.name(), prefix.size, *root, log.label(), note, prefix.anchor()))
}

/// Whether the entry tells of the report that bears its digest: kind, subject and prefix.
fn compare_issue(file: &ReportFile<'_>, seq: u64, issued: &ReportIssued) -> Option<Difference> {
    let Heading { about, head, .. } = &file.heading;
    let told = About::told(issued);
    if told.as_ref() == Some(about) && issued.as_of == head.size {
        return None;
    }
    let words = |about: Option<&About>, entries: u64| {
        let about = about.map_or_else(|| "no report this program knows".into(), About::file_name);
        format!("{about} as of {entries} entries")
    };
    Some(Difference {
        seq: Some(seq),
        about: format!("issue of `{}`", file.name),
        recorded: words(told.as_ref(), issued.as_of),
        computed: words(Some(about), head.size),
    })
}

fn compare_print(file: &ReportFile<'_>, seq: u64, issued: &ReportIssued) -> Option<Difference> {
    let recorded = issued.pdf_digest.as_ref()?;
    let computed = Digest::of(file.pdf?).to_string();
    (recorded.as_str() != computed).then(|| Difference {
        seq: Some(seq),
        about: format!("print of `{}`", file.name),
        recorded: recorded.to_string(),
        computed,
    })
}

/// Both texts around the first byte in which they differ.
fn first_difference(a: &[u8], b: &[u8]) -> (String, String) {
    const BEFORE: usize = 40;
    const AFTER: usize = 40;
    let at = a.iter().zip(b).take_while(|(a, b)| a == b).count();
    let around = |bytes: &[u8]| {
        let from = at.saturating_sub(BEFORE).min(bytes.len());
        let to = (at + AFTER).min(bytes.len());
        format!("byte {at}: ..{}..", String::from_utf8_lossy(&bytes[from..to]).escape_debug())
    };
    (around(a), around(b))
}
