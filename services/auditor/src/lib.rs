//! Checks a log without trusting whoever keeps it: evidence in, verdict out.
//!
//! Offline by design: no database, no async runtime, no server code. The first half is
//! [`chain::bundle`], which checks entries, links, tree and signatures; the second half replays the
//! entries and compares what the log says of itself with what follows ([`replay`]).

mod bracket;
pub mod client_keys;
pub mod paper;
pub mod replay;
pub mod reports;
pub mod show;
pub mod source;

use std::path::{Path, PathBuf};

use chain::Digest;
use chain::bundle::{self, Bundle, BundleError, BundleKind, BundleVerdict, OwnEvidence};
use chain::checkpoint::Checkpoint;
use chain::entry::EntryView;
use chain::keys::Keys;
use chain::note::{Note, VerifierKey};
use chain::policy::{Policy, PolicyLog};
use chain::verify::{CheckpointFile, Receipt, Summary, Verdict};

use shopfloor::record::events::KeyUse;
use shopfloor::record::keys::EnrolledKey;

use paper::{Anchor, Contained};

pub use bracket::CLOCKS_DIFFER_MS_MAX;
pub use replay::{Difference, Replay};
pub use source::SourceError;

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
    /// Receipts of clients, one JSON object a line, as the recorder gave them.
    pub receipts: Vec<PathBuf>,
}

/// Why an audit could not be made. None of these says that the log is broken.
#[derive(Debug, thiserror::Error)]
pub enum AuditError {
    /// The evidence could not be read.
    #[error("could not read the evidence")]
    Source(#[from] SourceError),
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
    /// A file of the auditor's own that does not hold what it should.
    #[error("`{path}` is not what was asked for: {detail}")]
    OwnContent {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        detail: String,
    },
    /// The list of keys.
    #[error("the keys cannot be used")]
    Keys(#[source] chain::keys::KeysError),
    /// The policy.
    #[error("the policy cannot be used")]
    Policy(#[source] chain::policy::PolicyError),
    /// The bundle, or the check of the log in it.
    #[error("the evidence cannot be checked")]
    Bundle(#[from] BundleError),
    /// An excerpt where a whole log is needed.
    #[error("an excerpt cannot be followed to an earlier log: give the full bundle")]
    NotFull,
    /// An earlier log was given, but entry 0 cites none.
    #[error("`{origin}` does not say that it continues another log")]
    ContinuesNothing {
        /// The log.
        origin: String,
    },
}

/// The result of an audit.
#[derive(Debug, Clone)]
pub struct Audit {
    /// Name of the log.
    pub origin: String,
    /// Verdict on the entries.
    pub verdict: BundleVerdict,
    /// Replay of the entries; only made of a sound full bundle.
    pub replay: Option<Replay>,
    /// What no outside checkpoint covers; only known of a sound full bundle.
    pub window: Option<Window>,
    /// Where the keys came from; the verdict is only as good as they are.
    pub keys_from: KeysFrom,
    /// SHA-256 of the list of keys, to compare with the one printed on a report.
    pub keys_digest: Digest,
    /// SHA-256 of the policy; `None` if there was none, so that no witness was asked for.
    pub policy_digest: Option<Digest>,
    /// The logs this one continues, newest first, as far as they were given.
    pub before: Vec<Audit>,
    /// The logs that continue this one, oldest first, as far as they were given.
    pub next: Vec<Audit>,
    /// Where this log and the one before or after it do not fit together.
    pub succession: Vec<Difference>,
}

/// Where the keys came from that a log was checked with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeysFrom {
    /// With the evidence itself.
    Bundle,
    /// The auditor brought them along.
    Auditor,
    /// The log's key was enrolled in the log before it, by two people.
    LogBefore,
}

impl Audit {
    /// Whether nothing is wrong: neither with the entries, nor with what the log says of itself,
    /// nor with the logs before it.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        let entries = match &self.verdict {
            BundleVerdict::Full(Verdict::Sound(_)) | BundleVerdict::SoundExcerpt(_) => true,
            BundleVerdict::Full(Verdict::Broken(_)) | BundleVerdict::BrokenExcerpt(_) => false,
        };
        let others = self.before.iter().chain(&self.next);
        entries && self.differences().next().is_none() && others.into_iter().all(Audit::is_sound)
    }

    /// What does not follow, of this log alone.
    pub fn differences(&self) -> impl Iterator<Item = &Difference> {
        self.replay.iter().flat_map(|replay| &replay.differences).chain(&self.succession)
    }

    fn summary(&self) -> Option<&Summary> {
        match &self.verdict {
            BundleVerdict::Full(Verdict::Sound(summary)) => Some(summary),
            _ => None,
        }
    }
}

/// The entries that no outside checkpoint covers: whoever holds the log's key could still rewrite
/// them (window D).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Window {
    /// How many.
    pub entries: u64,
    /// When the last covered entry was recorded, ms since 1970; `None` if none is covered.
    pub since_ms: Option<i64>,
    /// When the newest entry was recorded, ms since 1970.
    pub newest_ms: Option<i64>,
}

impl Window {
    fn of(summary: &Summary, entries: &[&[u8]]) -> Self {
        let recorded_ms = |size: u64| {
            let line = entries.get(usize::try_from(size.checked_sub(1)?).ok()?)?;
            EntryView::parse(line).ok().map(|entry| entry.recorded_at_ms)
        };
        Self {
            entries: summary.not_covered_outside(),
            since_ms: recorded_ms(summary.outside_size.min(summary.entries)),
            newest_ms: recorded_ms(summary.entries),
        }
    }
}

/// Reads evidence from a folder, a zip file, or an address that begins with `http`.
///
/// # Errors
/// [`SourceError`].
pub fn open(source: &str, token: Option<&str>) -> Result<Bundle, SourceError> {
    if source.starts_with("http://") || source.starts_with("https://") {
        return source::fetch(source, token);
    }
    let path = Path::new(source);
    let kind = std::fs::metadata(path)
        .map_err(|cause| SourceError::Read { path: path.to_owned(), cause })?;
    if kind.is_dir() { source::read_folder(path) } else { source::read_zip(path) }
}

/// Audits a bundle on `threads` threads, then the bundles of the logs `before` it, newest first.
///
/// # Errors
/// [`AuditError`].
pub fn audit(
    files: &Bundle,
    trusted: &Trusted,
    before: &[Bundle],
    threads: usize,
) -> Result<Audit, AuditError> {
    let own = trusted.read()?;
    let from = if own.keys.is_some() { KeysFrom::Auditor } else { KeysFrom::Bundle };
    let mut audit = audit_one(files, own, from, threads)?;
    if !before.is_empty() && files.kind() == BundleKind::Excerpt {
        return Err(AuditError::NotFull);
    }
    let mut continues = continues(&audit);
    let mut origin = audit.origin.clone();
    for files in before {
        if !audit.is_sound() {
            break;
        }
        let note = continues.ok_or(AuditError::ContinuesNothing { origin: origin.clone() })?;
        let name = format!("entry 0 of {origin}");
        // What the later log cites was fixed before the earlier one could be rewritten.
        let cited = CheckpointFile { name, note: note.clone().into_bytes(), outside: true };
        let own = OwnEvidence { checkpoints: vec![cited], ..OwnEvidence::default() };
        let mut earlier = audit_one(files, own, KeysFrom::Bundle, threads)?;
        earlier.succession = went_on(&earlier, &note).into_iter().collect();
        continues = self::continues(&earlier);
        origin = earlier.origin.clone();
        audit.before.push(earlier);
    }
    Ok(audit)
}

fn continues(audit: &Audit) -> Option<String> {
    audit.replay.as_ref().and_then(|replay| replay.continues.clone())
}

/// A log that has more entries than the next one knows of was not closed.
fn went_on(earlier: &Audit, note: &str) -> Option<Difference> {
    let entries = earlier.summary()?.entries;
    let cited = Note::parse(note.as_bytes()).ok()?;
    let cited = Checkpoint::parse_text(&cited.text).ok()?.size;
    (cited < entries).then(|| Difference {
        seq: Some(cited),
        about: "end of the log".to_owned(),
        recorded: format!("the log that continues it cites {cited} entries"),
        computed: format!("it has {entries}"),
    })
}

/// Follows a log that was audited to those that continue it, oldest first. The key of each must have
/// been enrolled by two people in the log before, and its entry 0 must cite the end of that log: so
/// whoever believes the key of the first log needs no other.
///
/// # Errors
/// [`AuditError`].
pub fn follow(
    audit: &mut Audit,
    files: &Bundle,
    trusted: &Trusted,
    next: &[Bundle],
    threads: usize,
) -> Result<(), AuditError> {
    let own = trusted.read()?;
    let mut here = (files, keys_of(files, &own)?);
    for files in next {
        let before = audit.next.last().unwrap_or(audit);
        if !before.is_sound() {
            break;
        }
        let claimed = keys_of(files, &OwnEvidence::default())?;
        let witnesses = match &own.keys {
            Some(keys) => keys.witnesses.clone(),
            None => claimed.witnesses.clone(),
        };
        let keys = Keys { witnesses, ..claimed };
        let policy = own.policy.clone().map(|policy| {
            let logs = vec![PolicyLog { key: keys.log.clone(), url: None }];
            Policy { logs, ..policy }
        });
        let evidence = OwnEvidence { keys: Some(keys.clone()), policy, ..OwnEvidence::default() };
        let mut later = audit_one(files, evidence, KeysFrom::LogBefore, threads)?;
        later.succession = successor(before, here.0, &here.1, &later, &keys.log);
        audit.next.push(later);
        here = (files, keys);
    }
    Ok(())
}

/// What keeps a log from being the one that continues `before`.
fn successor(
    before: &Audit,
    files: &Bundle,
    keys: &Keys,
    later: &Audit,
    key: &VerifierKey,
) -> Vec<Difference> {
    let difference = |about: &str, recorded: &str, computed: String| Difference {
        seq: None,
        about: about.to_owned(),
        recorded: recorded.to_owned(),
        computed,
    };
    let mut found = Vec::new();
    let replay = before.replay.iter();
    let mut enrolled = replay.clone().flat_map(|replay| &replay.keys).map(|story| &story.key);
    let counts =
        |k: &EnrolledKey| k.usage == KeyUse::Log && k.is_in_force() && k.key == key.to_string();
    if !enrolled.any(counts) {
        let computed =
            format!("no entry of `{}` that two people stand for enrols it", before.origin);
        found.push(difference("key of the log", &key.label(), computed));
    }
    if replay.clone().all(|replay| replay.closed_by.is_none()) {
        let recorded = format!("`{}` continues `{}`", later.origin, before.origin);
        found.push(difference("end of the log before", &recorded, "no entry closed it".to_owned()));
    }
    let Some(note) = continues(later) else {
        let computed = format!("it cites no checkpoint of `{}`", before.origin);
        found.push(difference("entry 0", "it continues another log", computed));
        return found;
    };
    let known = std::slice::from_ref(&keys.log);
    let cited = Anchor::read(note.as_bytes(), known);
    let signed = |anchor: &Anchor| anchor.signatures.iter().any(|line| line.valid == Some(true));
    match cited {
        Ok(anchor) if signed(&anchor) => match anchor.is_in(files, keys) {
            Contained::Yes => found.extend(went_on(before, &note)),
            other => {
                found.push(difference("entry 0", "the end of the log before", format!("{other:?}")))
            }
        },
        Ok(_) | Err(_) => {
            let computed = format!("no checkpoint signed by `{}`", keys.log.label());
            found.push(difference("entry 0", "the end of the log before", computed));
        }
    }
    found
}

/// The keys to believe about some evidence: the auditor's own, else its own.
fn keys_of(files: &Bundle, own: &OwnEvidence) -> Result<Keys, AuditError> {
    match &own.keys {
        Some(keys) => Ok(keys.clone()),
        None => Keys::parse(files.get(bundle::KEYS).ok_or(AuditError::NoKeys)?)
            .map_err(AuditError::Keys),
    }
}

fn audit_one(
    files: &Bundle,
    mut own: OwnEvidence,
    keys_from: KeysFrom,
    threads: usize,
) -> Result<Audit, AuditError> {
    let keys = keys_of(files, &own)?;
    let policy = match (&own.policy, files.get(bundle::POLICY)) {
        (Some(policy), _) => Some(policy.clone()),
        (None, Some(bytes)) => Some(Policy::parse(bytes).map_err(AuditError::Policy)?),
        (None, None) => None,
    };
    own.keys = Some(keys.clone());
    // A policy that asks for nothing stands for none.
    own.policy = Some(policy.clone().unwrap_or_default());
    let own_notes: Vec<Vec<u8>> = own.checkpoints.iter().map(|file| file.note.clone()).collect();
    let verdict = files.check(own, threads)?;
    let mut audit = Audit {
        origin: keys.origin().to_owned(),
        verdict,
        replay: None,
        window: None,
        keys_from,
        keys_digest: digest_of(files, bundle::KEYS, keys_from == KeysFrom::Bundle, &keys),
        policy_digest: policy.as_ref().map(|policy| Digest::of(policy.to_string().as_bytes())),
        before: Vec::new(),
        next: Vec::new(),
        succession: Vec::new(),
    };
    let Some(summary) = audit.summary() else { return Ok(audit) };
    let entries = lines(files.get(bundle::ENTRIES).unwrap_or_default());
    audit.window = Some(Window::of(summary, &entries));
    let policy_witnesses = policy.iter().flat_map(|policy| &policy.witnesses).map(|w| &w.key);
    let witnesses: Vec<VerifierKey> =
        keys.witnesses.iter().chain(policy_witnesses).cloned().collect();
    let held = files.iter().filter(|(name, _)| is_checkpoint(name)).map(|(_, note)| note);
    let against = replay::Against {
        keys: &keys,
        witnesses: &witnesses,
        checkpoints: held.chain(own_notes.iter().map(Vec::as_slice)).collect(),
        reports: reports::find(files),
    };
    audit.replay = Some(replay::replay(&entries, &against));
    Ok(audit)
}

fn is_checkpoint(name: &str) -> bool {
    name.starts_with("checkpoints/") && name.ends_with(".note")
}

/// SHA-256 of the file if it is the bundle's, else of the list as this program writes it.
fn digest_of(files: &Bundle, name: &str, from_bundle: bool, keys: &Keys) -> Digest {
    match files.get(name).filter(|_| from_bundle) {
        Some(bytes) => Digest::of(bytes),
        None => Digest::of(keys.to_string().as_bytes()),
    }
}

/// The lines of an `entries.ndjson` that was found sound.
fn lines(entries: &[u8]) -> Vec<&[u8]> {
    entries.split(|b| *b == b'\n').filter(|line| !line.is_empty()).collect()
}

impl Trusted {
    fn read(&self) -> Result<OwnEvidence, AuditError> {
        let read = |path: &PathBuf| {
            std::fs::read(path).map_err(|cause| AuditError::Own { path: path.clone(), cause })
        };
        let keys = self.keys.as_ref().map(read).transpose()?;
        let policy = self.policy.as_ref().map(read).transpose()?;
        let checkpoints = self.checkpoints.iter().map(|path| {
            let (name, note) = (path.display().to_string(), read(path)?);
            Ok(CheckpointFile { name, note, outside: true })
        });
        let mut receipts = Vec::new();
        for path in &self.receipts {
            receipts.extend(read_receipts(path, &read(path)?)?);
        }
        Ok(OwnEvidence {
            keys: keys.map(|b| Keys::parse(&b).map_err(AuditError::Keys)).transpose()?,
            policy: policy.map(|b| Policy::parse(&b).map_err(AuditError::Policy)).transpose()?,
            checkpoints: checkpoints.collect::<Result<_, AuditError>>()?,
            receipts,
        })
    }
}

fn read_receipts(path: &Path, bytes: &[u8]) -> Result<Vec<Receipt>, AuditError> {
    let wrong = |detail: String| AuditError::OwnContent { path: path.to_owned(), detail };
    let mut receipts = Vec::new();
    for value in serde_json::Deserializer::from_slice(bytes).into_iter::<serde_json::Value>() {
        let value = value.map_err(|e| wrong(e.to_string()))?;
        let leaf = value["leaf"].as_str().and_then(|leaf| leaf.parse().ok());
        let receipt = value["seq"].as_u64().zip(leaf).map(|(seq, leaf)| Receipt { seq, leaf });
        receipts.push(receipt.ok_or_else(|| wrong("a receipt has `seq` and `leaf`".to_owned()))?);
    }
    Ok(receipts)
}
