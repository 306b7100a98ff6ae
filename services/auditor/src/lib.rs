//! Checks a log without trusting whoever keeps it: evidence in, verdict out.
//!
//! Offline by design: no database, no async runtime, no server code. The first half is
//! [`chain::verify`]; the second replays the entries ([`refold`]).

pub mod refold;
pub mod source;

use std::path::{Path, PathBuf};

use chain::keys::Keys;
use chain::policy::Policy;
use chain::verify::{CannotCheck, CheckpointFile, Evidence, Verdict, verify_ndjson};

pub use refold::{Difference, Refold, refold};
pub use source::{Files, SourceError};

/// What the auditor was given besides the evidence.
#[derive(Debug, Clone, Default)]
pub struct Trusted {
    /// `keys.txt` from a way the log's operator could not change. Otherwise that of the bundle is
    /// taken, and the audit says so.
    pub keys: Option<PathBuf>,
    /// `policy.txt`, likewise.
    pub policy: Option<PathBuf>,
    /// Checkpoints kept from earlier audits, printed reports or witnesses.
    pub checkpoints: Vec<PathBuf>,
}

/// Why an audit could not be made. None of these says that the log is broken.
#[derive(Debug, thiserror::Error)]
pub enum AuditError {
    /// The evidence could not be read.
    #[error("could not read the evidence")]
    Source(#[from] SourceError),
    /// A file that must be there is not.
    #[error("the evidence holds no `{0}`")]
    Missing(&'static str),
    /// No keys at all.
    #[error("no keys: give the log's key with `--keys`; it must not come from the log itself")]
    NoKeys,
    /// A file of the auditor's own.
    #[error("could not read `{path}`")]
    Own {
        /// Which.
        path: PathBuf,
        /// Why.
        #[source]
        cause: std::io::Error,
    },
    /// The list of keys.
    #[error("the keys cannot be used")]
    Keys(#[source] chain::keys::KeysError),
    /// The policy.
    #[error("the policy cannot be used")]
    Policy(#[source] chain::policy::PolicyError),
    /// The check itself.
    #[error("the evidence cannot be checked")]
    Check(#[from] CannotCheck),
}

/// The result of an audit.
#[derive(Debug, Clone)]
pub struct Audit {
    /// Verdict on the entries.
    pub verdict: Verdict,
    /// Replay of the entries; only made of a sound log.
    pub refold: Option<Refold>,
    /// Whether the keys came with the evidence, so that the verdict is only as good as they are.
    pub keys_from_bundle: bool,
    /// SHA-256 of the list of keys, to compare with the one printed on a report.
    pub keys_digest: chain::Digest,
}

impl Audit {
    /// Whether nothing is wrong: neither with the entries nor with what the log says of itself.
    pub fn is_sound(&self) -> bool {
        let replay_agrees = self.refold.as_ref().is_none_or(|r| r.difference.is_none());
        matches!(self.verdict, Verdict::Sound(_)) && replay_agrees
    }
}

/// Reads evidence from a folder, a zip file, or an address that begins with `http`.
pub fn open(source: &str, token: Option<&str>) -> Result<Files, SourceError> {
    if source.starts_with("http://") || source.starts_with("https://") {
        return source::fetch(source, token);
    }
    let path = Path::new(source);
    let kind = std::fs::metadata(path)
        .map_err(|cause| SourceError::Read { path: path.to_owned(), cause })?;
    if kind.is_dir() { source::read_folder(path) } else { source::read_zip(path) }
}

/// Audits a bundle on `threads` threads.
pub fn audit(files: &Files, trusted: &Trusted, threads: usize) -> Result<Audit, AuditError> {
    let own = |path: &PathBuf| {
        std::fs::read(path).map_err(|cause| AuditError::Own { path: path.clone(), cause })
    };
    let own_keys = trusted.keys.as_ref().map(own).transpose()?;
    let keys_bytes =
        own_keys.as_ref().or_else(|| files.get("keys.txt")).ok_or(AuditError::NoKeys)?;
    let keys = Keys::parse(keys_bytes).map_err(AuditError::Keys)?;
    let own_policy = trusted.policy.as_ref().map(own).transpose()?;
    let policy = own_policy
        .as_ref()
        .or_else(|| files.get("policy.txt"))
        .map(|bytes| Policy::parse(bytes).map_err(AuditError::Policy))
        .transpose()?;
    let mut checkpoints: Vec<CheckpointFile> = files
        .iter()
        .filter(|(name, _)| name.starts_with("checkpoints/") && name.ends_with(".note"))
        .map(|(name, note)| CheckpointFile {
            name: name.clone(),
            note: note.clone(),
            outside: false,
        })
        .collect();
    for path in &trusted.checkpoints {
        let (name, note) = (path.display().to_string(), own(path)?);
        checkpoints.push(CheckpointFile { name, note, outside: true });
    }
    let entries = files.get("entries.ndjson").ok_or(AuditError::Missing("entries.ndjson"))?;
    let evidence = Evidence { keys, policy, checkpoints, receipts: Vec::new() };
    let verdict = verify_ndjson(evidence, entries, threads)?;
    let refold = match verdict {
        Verdict::Sound(_) => Some(refold(&lines(entries)).0),
        Verdict::Broken(_) => None,
    };
    Ok(Audit {
        verdict,
        refold,
        keys_from_bundle: own_keys.is_none(),
        keys_digest: chain::Digest::of(keys_bytes),
    })
}

/// The lines of an `entries.ndjson` that was found sound.
pub fn lines(entries: &[u8]) -> Vec<&[u8]> {
    entries.split(|b| *b == b'\n').filter(|line| !line.is_empty()).collect()
}
