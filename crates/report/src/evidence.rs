//! The evidence a printed report carries inside: the entries it rests on, each with a proof that
//! it stands in the log at the head the report names.
//!
//! An excerpt bundle in one archive, so that a reader who holds nothing but the PDF can check that
//! the entries were recorded as printed. Membership is what it proves; that nothing was left out
//! only the whole log can show, and whoever holds it makes the same bytes again.

use std::collections::BTreeSet;
use std::io::{Cursor, Write as _};

use chain::bundle::{self, Bundle, BundleError, BundleKind, ReadMe};
use chain::digest::Digest;
use chain::keys::Keys;
use chain::merkle::{self, HashSource, ProveError};
use chain::note::VerifierKey;
use chain::policy::Policy;
use chain::proof::TlogProof;
use zip::result::ZipError;
use zip::write::{SimpleFileOptions, ZipWriter};
use zip::{CompressionMethod, DateTime};

use crate::disposal::{Head, Key, Words};
use crate::pdf::{Attachment, Language, Relationship};

/// Most entries whose evidence a report carries. A proof takes about 1.5 KiB, so that the archive
/// stays below 10 MiB; a report that rests on more says where the whole evidence is to be had.
pub const EVIDENCE_ENTRIES_MAX: usize = 4_096;

/// Name of the archive inside the PDF.
pub const EVIDENCE_NAME: &str = "evidence.zip";

/// Why no evidence could be made.
#[derive(Debug, thiserror::Error)]
pub enum EvidenceError<E> {
    /// An entry the report rests on is not there.
    #[error("entry `{seq}` is not in the log the report was made from")]
    NoEntry {
        /// Which.
        seq: u64,
    },
    /// The root printed in the report.
    #[error("root `{root}` of the report is no digest")]
    Root {
        /// What stands there.
        root: String,
    },
    /// A proof could not be made.
    #[error("entry `{seq}` cannot be proved")]
    Proof {
        /// Which.
        seq: u64,
        /// The cause.
        #[source]
        cause: ProveError<E>,
    },
    /// A file of the bundle.
    #[error("the bundle cannot hold its files")]
    Bundle(#[from] BundleError),
    /// The archive.
    #[error("the archive cannot be written")]
    Archive(#[from] ZipError),
}

/// The evidence of a report as a file to carry inside; `None` when no checkpoint was signed, or the
/// report rests on no entry or on more than [`EVIDENCE_ENTRIES_MAX`].
///
/// `head` and `rests_on` are the report's, `key` is the log's, `entry` gives the bytes of an entry,
/// `tree` the hashes of the tree over the entries of the report's head. The same log, report and
/// language give the same bytes.
///
/// # Errors
/// [`EvidenceError`].
pub fn evidence<S: HashSource + ?Sized>(
    head: &Head,
    rests_on: &BTreeSet<u64>,
    language: Language,
    key: &VerifierKey,
    entry: impl Fn(u64) -> Option<Vec<u8>>,
    tree: &S,
) -> Result<Option<Attachment>, EvidenceError<S::Error>> {
    if head.checkpoint.is_empty() || rests_on.is_empty() || rests_on.len() > EVIDENCE_ENTRIES_MAX {
        return Ok(None);
    }
    let mut files = Bundle::new();
    let mut lines = Vec::new();
    for seq in rests_on.iter().copied() {
        lines.extend(entry(seq).ok_or(EvidenceError::NoEntry { seq })?);
        lines.push(b'\n');
        let path = merkle::prove_inclusion(tree, seq, head.size)
            .map_err(|cause| EvidenceError::Proof { seq, cause })?;
        let proof =
            TlogProof { extra: None, index: seq, path, checkpoint: head.checkpoint.clone() };
        files.insert(&bundle::proof_name(seq), proof.to_string().into_bytes())?;
    }
    let keys = Keys::of_log(key.clone()).to_string().into_bytes();
    // Cosignatures stand in the checkpoint; which of them count is for whoever checks to say.
    let policy = Policy::default().to_string().into_bytes();
    let read_me = ReadMe {
        kind: BundleKind::Excerpt,
        origin: &head.origin,
        entries: rests_on.len() as u64,
        checkpoint_size: head.size,
        root: Digest::from_base64(&head.root)
            .map_err(|_| EvidenceError::Root { root: head.root.clone() })?,
        keys: &keys,
        policy: &policy,
    };
    files.insert(bundle::READ_ME, read_me.text().into_bytes())?;
    files.insert(bundle::KEYS, keys)?;
    files.insert(bundle::POLICY, policy)?;
    files.insert(bundle::ENTRIES, lines)?;
    Ok(Some(Attachment {
        name: EVIDENCE_NAME.into(),
        mime: "application/zip".into(),
        relationship: Relationship::Source,
        description: Words(language).of(Key::AttachmentEvidence).into(),
        bytes: archive(&files)?,
    }))
}

/// The files as they are: the PDF compresses what it carries. Without times, so that the same files
/// give the same bytes.
fn archive(files: &Bundle) -> Result<Vec<u8>, ZipError> {
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Stored)
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644);
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in files.iter() {
        zip.start_file(name, options)?;
        zip.write_all(content)?;
    }
    Ok(zip.finish()?.into_inner())
}
