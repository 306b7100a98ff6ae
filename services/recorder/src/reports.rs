//! Reports: compiled from the folds as of a signed head, and kept as issued.
//!
//! What was issued is kept byte for byte beside the log, named by its digest; the log records the
//! digest. The files are trusted for nothing: each is compared with its digest when it is read, and
//! the machine-readable form can be worked out again from the entries.

use std::fs;
use std::io::{self, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use chain::Digest;
use chain::entry::EntryView;
use chain::tile::TileSourceError;
use jiff::Timestamp;
use ledger::LedgerError;
use report::disposal::{self, Head, Names, Options, Print};
use report::evidence::{EvidenceError, evidence};
use report::pdf::Language;
use report::{About, Report};
use shopfloor::State;
use shopfloor::ids::{FileDigest, Label, NameError};
use shopfloor::record::events::ReportIssued;

use crate::log::{Log, LogError, Signed};

/// A report that cannot be made or kept.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The log did not answer.
    #[error(transparent)]
    Log(#[from] LogError),
    /// What is told of it has no form of the record.
    #[error("the report cannot be told of")]
    Name(#[from] NameError),
    /// The machine-readable form cannot be written.
    #[error("the data of the report cannot be written")]
    Data(#[from] report::json::JsonError),
    /// The record does not know the lot.
    #[error(transparent)]
    Lot(#[from] report::lot::LotError),
    /// The printed form cannot be made.
    #[error("the report cannot be printed")]
    Print(#[from] disposal::PrintError),
    /// The evidence to carry inside cannot be made.
    #[error("the evidence of the report cannot be made")]
    Evidence(#[from] EvidenceError<TileSourceError<LedgerError>>),
    /// The file system said no.
    #[error("could not {doing} `{name}`")]
    Io {
        /// What was tried.
        doing: &'static str,
        /// File or directory.
        name: String,
        /// The cause.
        #[source]
        source: io::Error,
    },
    /// A file is not what was issued.
    #[error("`{name}` is not the report that was issued")]
    Changed {
        /// The file.
        name: String,
    },
}

/// A form of a report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Canonical JSON.
    Json,
    /// A table for spreadsheets.
    Csv,
    /// For print and archive.
    Pdf,
}

impl Form {
    /// Every form.
    pub const ALL: &'static [Self] = &[Self::Json, Self::Csv, Self::Pdf];

    /// The word in addresses, which is the suffix of the file too.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Json => "json",
            Self::Csv => "csv",
            Self::Pdf => "pdf",
        }
    }

    /// The media type.
    pub const fn media_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv; charset=utf-8",
            Self::Pdf => "application/pdf",
        }
    }
}

/// The log at one moment: signed head, state and the time of its newest entry.
#[derive(Debug)]
pub struct Still {
    /// The checkpoint over all entries.
    pub signed: std::sync::Arc<Signed>,
    /// The state after the last of them.
    pub state: State,
}

impl Still {
    /// Where the log stood, and the moment as of which clocks are read: that of the newest entry, so
    /// that the same head gives the same bytes whenever it is asked for.
    fn moment(&self, log: &Log) -> Result<(Head, Options), ReportError> {
        let size = self.signed.size;
        let failed = |what: String| ReportError::Log(LogError::Failed(what));
        let newest = size.checked_sub(1).map(|seq| log.entry(seq)).transpose()?.flatten();
        let at_ms = match newest {
            Some(line) => {
                EntryView::parse(&line).map_err(|error| failed(error.to_string()))?.recorded_at_ms
            }
            None => 0,
        };
        let at = Timestamp::from_millisecond(at_ms).map_err(|error| failed(error.to_string()))?;
        let Signed { root, note, .. } = &*self.signed;
        let anchor = self.state.record.last_anchor().map(|seq| log.entry(seq));
        let anchor = anchor.transpose()?.flatten();
        let head = Head::new(log.origin(), size, *root, log.key().label(), note, anchor.as_deref());
        Ok((head, Options { at }))
    }
}

/// Compiles a report.
///
/// # Errors
/// [`ReportError::Log`], [`ReportError::Lot`].
pub fn compile(log: &Log, still: &Still, about: &About) -> Result<Report, ReportError> {
    let (head, options) = still.moment(log)?;
    Ok(Report::compile(&still.state, about, head, &options)?)
}

/// Writes a report of this log in a form. The printed one carries its evidence, and the names that
/// `names` knows.
///
/// # Errors
/// [`ReportError::Data`], [`ReportError::Print`], [`ReportError::Evidence`].
pub fn write(
    log: &Log,
    report: &Report,
    form: Form,
    language: Language,
    names: Option<&Names<'_>>,
) -> Result<Vec<u8>, ReportError> {
    match form {
        Form::Json => Ok(report.to_json()?),
        Form::Csv => Ok(report.to_csv()),
        Form::Pdf => {
            // What cannot be read is missing, which the caller is told.
            let entry = |seq| log.entry(seq).ok().flatten();
            let (head, rests_on) = (report.head(), report.rests_on());
            let hashes = log.hashes(head.size);
            let evidence = evidence(head, &rests_on, language, log.key(), entry, &hashes)?;
            let print = Print { language, names, evidence, ..Print::default() };
            Ok(report.to_pdf(&print)?)
        }
    }
}

/// Compiles a report and keeps it in every form; the answer is what the log is to tell of it.
///
/// # Errors
/// Those of [`compile`], [`write`] and [`ReportStore::keep`].
pub fn keep(
    log: &Log,
    store: &ReportStore,
    still: &Still,
    about: &About,
    language: Language,
) -> Result<ReportIssued, ReportError> {
    let report = compile(log, still, about)?;
    let write = |form| write(log, &report, form, language, None);
    let (json, pdf) = (write(Form::Json)?, write(Form::Pdf)?);
    let digest = |bytes: &[u8]| FileDigest::new(&Digest::of(bytes).to_string());
    let issued = about.issued(still.signed.size, digest(&json)?, Some(digest(&pdf)?))?;
    store.keep(&issued.digest, Form::Pdf, &pdf)?;
    store.keep(&issued.digest, Form::Csv, &write(Form::Csv)?)?;
    store.keep(&issued.digest, Form::Json, &json)?;
    Ok(issued)
}

/// The label of a container to print; `None` if it was never opened.
///
/// # Errors
/// [`ReportError::Log`], [`ReportError::Print`].
pub fn label(
    log: &Log,
    still: &Still,
    container: &Label,
    language: Language,
) -> Result<Option<Vec<u8>>, ReportError> {
    let (head, options) = still.moment(log)?;
    let label = disposal::container_label(&still.state, container, head, &options);
    let print = Print { language, ..Print::default() };
    Ok(label.map(|label| disposal::label_to_pdf(&label, &print)).transpose()?)
}

/// The custody sheet of a shipment to print; `None` if nothing was told of it.
///
/// # Errors
/// [`ReportError::Log`], [`ReportError::Print`].
pub fn custody_sheet(
    log: &Log,
    still: &Still,
    shipment: &Label,
    language: Language,
) -> Result<Option<Vec<u8>>, ReportError> {
    let (head, options) = still.moment(log)?;
    let sheet = disposal::custody_sheet(&still.state, shipment, head, &options);
    let print = Print { language, ..Print::default() };
    Ok(sheet.map(|sheet| disposal::sheet_to_pdf(&sheet, &print)).transpose()?)
}

/// Name of a form of an issued report in an evidence bundle; `seq` is the entry that tells of it.
pub fn bundle_name(issued: &ReportIssued, seq: u64, form: Form) -> String {
    format!("reports/{}-{seq}.{}", issued.report, form.as_str())
}

/// Reports as they were issued.
#[derive(Debug)]
pub struct ReportStore {
    dir: PathBuf,
}

fn doing<'a>(doing: &'static str, path: &'a Path) -> impl FnOnce(io::Error) -> ReportError + 'a {
    move |source| ReportError::Io { doing, name: path.display().to_string(), source }
}

impl ReportStore {
    /// Opens the store below a data directory, creating it if there is none (mode 0700).
    ///
    /// # Errors
    /// [`ReportError::Io`].
    pub fn open(data_dir: &Path) -> Result<Self, ReportError> {
        let store = Self::beside(data_dir);
        fs::DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(&store.dir)
            .map_err(doing("create", &store.dir))?;
        Ok(store)
    }

    /// The store below a data directory, to read from, whether it is there or not.
    pub fn beside(data_dir: &Path) -> Self {
        Self { dir: data_dir.join("reports") }
    }

    /// Keeps one form of a report durably. `digest` is that of its machine-readable form, under
    /// which all forms are kept.
    ///
    /// # Errors
    /// [`ReportError::Io`].
    pub fn keep(&self, digest: &FileDigest, form: Form, bytes: &[u8]) -> Result<(), ReportError> {
        let path = self.path(digest, form);
        let temp = path.with_extension(format!("{}.tmp", form.as_str()));
        let write = || {
            let mut options = fs::OpenOptions::new();
            let mut file =
                options.write(true).create(true).truncate(true).mode(0o600).open(&temp)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            fs::rename(&temp, &path)?;
            fs::File::open(&self.dir)?.sync_all()
        };
        write().map_err(doing("keep", &path))
    }

    /// Reads a form that was kept; `None` if it is not there. With `wanted` its bytes must have
    /// that digest.
    ///
    /// # Errors
    /// [`ReportError::Io`], [`ReportError::Changed`].
    pub fn get(
        &self,
        digest: &FileDigest,
        form: Form,
        wanted: Option<&FileDigest>,
    ) -> Result<Option<Vec<u8>>, ReportError> {
        let path = self.path(digest, form);
        let bytes = match fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(doing("read", &path)(error)),
        };
        if wanted.is_some_and(|wanted| Digest::of(&bytes).to_string() != wanted.as_str()) {
            return Err(ReportError::Changed { name: path.display().to_string() });
        }
        Ok(Some(bytes))
    }

    fn path(&self, digest: &FileDigest, form: Form) -> PathBuf {
        self.dir.join(format!("{digest}.{}", form.as_str()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_that_was_changed_is_not_passed_off_as_the_one_issued() {
        let dir = tempfile::tempdir().unwrap();
        let store = ReportStore::open(dir.path()).unwrap();
        let digest = FileDigest::new(&Digest::of(b"{}").to_string()).unwrap();
        store.keep(&digest, Form::Json, b"{}").unwrap();
        let read = || store.get(&digest, Form::Json, Some(&digest));
        assert_eq!(read().unwrap().as_deref(), Some(&b"{}"[..]));
        assert!(store.get(&digest, Form::Pdf, None).unwrap().is_none());
        fs::write(store.path(&digest, Form::Json), b"[]").unwrap();
        assert!(matches!(read(), Err(ReportError::Changed { .. })));
    }
}
