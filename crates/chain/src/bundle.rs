//! Evidence bundles: the files an auditor takes away, and their check.
//!
//! A bundle is a map of names to bytes; packing it into an archive is the business of others.
//! A full bundle holds every entry and proves order and completeness up to its newest checkpoint.
//! An excerpt holds single entries, each with a proof, and proves that these are in the log.

use std::collections::BTreeMap;

use crate::digest::Digest;
use crate::keys::{Keys, KeysError};
use crate::limits::{BUNDLE_FILES_MAX, BUNDLE_NAME_BYTES_MAX};
use crate::policy::{Policy, PolicyError};
use crate::proof::{TlogProof, TlogProofError};
use crate::verify::{
    self, CannotCheck, CheckpointFile, Evidence, ExcerptEntry, ExcerptSummary, Fault, Receipt,
    Verdict,
};

/// The entries, one a line.
pub const ENTRIES: &str = "entries.ndjson";
/// The verification keys.
pub const KEYS: &str = "keys.txt";
/// The witness policy.
pub const POLICY: &str = "policy.txt";
/// What is proved and how to check it.
pub const READ_ME: &str = "READ-ME-FIRST.txt";

const CHECKPOINTS: (&str, &str) = ("checkpoints/", ".note");
const PROOFS: (&str, &str) = ("proofs/", ".tlog-proof");

/// The name of the checkpoint of a size.
pub fn checkpoint_name(size: u64) -> String {
    format!("{}{size}{}", CHECKPOINTS.0, CHECKPOINTS.1)
}

/// The name of the proof for an entry.
pub fn proof_name(seq: u64) -> String {
    format!("{}{seq}{}", PROOFS.0, PROOFS.1)
}

/// What a bundle can prove.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BundleKind {
    /// All entries: order and completeness.
    Full,
    /// Some entries: membership only.
    Excerpt,
}

/// The files of a bundle by name. Every name was found harmless.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Bundle {
    files: BTreeMap<String, Vec<u8>>,
}

/// A bundle that cannot be checked.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BundleError {
    /// A name that could lead out of the bundle or confuse a reader.
    #[error("`{name}` is no name for a file of a bundle")]
    Name {
        /// The name, cut to a length fit for a message.
        name: String,
    },
    /// A name that is there already.
    #[error("`{name}` is in the bundle twice")]
    Duplicate {
        /// The name.
        name: String,
    },
    /// More files than any bundle has.
    #[error("the bundle has more than {BUNDLE_FILES_MAX} files")]
    TooManyFiles,
    /// A file that must be there.
    #[error("the bundle has no file `{name}`")]
    Missing {
        /// Its name.
        name: String,
    },
    /// The keys cannot be read.
    #[error("`{KEYS}` cannot be read")]
    Keys(#[source] KeysError),
    /// The policy cannot be read.
    #[error("`{POLICY}` cannot be read")]
    Policy(#[source] PolicyError),
    /// A proof cannot be read.
    #[error("`{name}` cannot be read")]
    Proof {
        /// Its name.
        name: String,
        /// What is wrong.
        #[source]
        cause: TlogProofError,
    },
    /// A proof that is for another entry than its name says.
    #[error("`{name}` is the proof for entry `{index}`")]
    ProofName {
        /// Its name.
        name: String,
        /// The index in it.
        index: u64,
    },
    /// An excerpt whose proofs are not one for each line of its entries, in order.
    #[error("the excerpt has {entries} entries and {proofs} proofs; each entry needs its own")]
    Unpaired {
        /// Lines of `entries.ndjson`.
        entries: usize,
        /// Proof files.
        proofs: usize,
    },
    /// The log cannot be checked.
    #[error("the log cannot be checked")]
    CannotCheck(#[source] CannotCheck),
}

/// The result of checking a bundle.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BundleVerdict {
    /// A full bundle and what was found.
    Full(Verdict),
    /// A sound excerpt.
    SoundExcerpt(ExcerptSummary),
    /// An excerpt and its first fault.
    BrokenExcerpt(Fault),
}

/// What the verifier brings along instead of believing the bundle, and in addition to it.
#[derive(Clone, Debug, Default)]
pub struct OwnEvidence {
    /// Keys in place of the bundle's.
    pub keys: Option<Keys>,
    /// A policy in place of the bundle's.
    pub policy: Option<Policy>,
    /// Checkpoints kept from elsewhere; mark them `outside`.
    pub checkpoints: Vec<CheckpointFile>,
    /// Receipts of clients.
    pub receipts: Vec<Receipt>,
}

impl Bundle {
    /// A bundle without files.
    pub const fn new() -> Self {
        Self { files: BTreeMap::new() }
    }

    /// Adds a file.
    ///
    /// # Errors
    /// [`BundleError::Name`], [`BundleError::Duplicate`], [`BundleError::TooManyFiles`].
    pub fn insert(&mut self, name: &str, content: Vec<u8>) -> Result<(), BundleError> {
        if !is_harmless(name) {
            return Err(BundleError::Name { name: name.chars().take(80).collect() });
        }
        if self.files.contains_key(name) {
            return Err(BundleError::Duplicate { name: name.to_owned() });
        }
        if self.files.len() >= BUNDLE_FILES_MAX {
            return Err(BundleError::TooManyFiles);
        }
        self.files.insert(name.to_owned(), content);
        Ok(())
    }

    /// The content of a file.
    pub fn get(&self, name: &str) -> Option<&[u8]> {
        self.files.get(name).map(Vec::as_slice)
    }

    /// All files in order of their names.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &[u8])> {
        self.files.iter().map(|(name, content)| (name.as_str(), content.as_slice()))
    }

    /// An excerpt is a bundle with proofs.
    pub fn kind(&self) -> BundleKind {
        if self.among(PROOFS).next().is_some() { BundleKind::Excerpt } else { BundleKind::Full }
    }

    /// Checks the bundle: reads its keys, policy, checkpoints or proofs and verifies its entries.
    /// `own` replaces or adds to what the bundle says of itself; lines are read on `threads`
    /// threads. The bundle's other files are not looked at.
    ///
    /// # Errors
    /// [`BundleError`] if the check cannot be made.
    pub fn check(&self, own: OwnEvidence, threads: usize) -> Result<BundleVerdict, BundleError> {
        let keys = match own.keys {
            Some(keys) => keys,
            None => Keys::parse(self.need(KEYS)?).map_err(BundleError::Keys)?,
        };
        let policy = match own.policy {
            Some(policy) => policy,
            None => Policy::parse(self.need(POLICY)?).map_err(BundleError::Policy)?,
        };
        let entries = self.need(ENTRIES)?;
        if self.kind() == BundleKind::Excerpt {
            return self.check_excerpt(&keys, &policy, entries);
        }
        let own_checkpoints = own.checkpoints.into_iter();
        let checkpoints = self
            .among(CHECKPOINTS)
            .map(|(name, _, note)| CheckpointFile {
                name: name.to_owned(),
                note: note.to_vec(),
                outside: false,
            })
            .chain(own_checkpoints)
            .collect();
        let evidence = Evidence { keys, policy: Some(policy), checkpoints, receipts: own.receipts };
        let verdict = verify::verify_ndjson(evidence, entries, threads);
        verdict.map(BundleVerdict::Full).map_err(BundleError::CannotCheck)
    }

    fn check_excerpt(
        &self,
        keys: &Keys,
        policy: &Policy,
        entries: &[u8],
    ) -> Result<BundleVerdict, BundleError> {
        let mut proofs = BTreeMap::new();
        for (name, seq, bytes) in self.among(PROOFS) {
            let proof = TlogProof::parse(bytes)
                .map_err(|cause| BundleError::Proof { name: name.to_owned(), cause })?;
            if seq != proof.index.to_string() {
                return Err(BundleError::ProofName { name: name.to_owned(), index: proof.index });
            }
            proofs.insert(proof.index, proof);
        }
        let lines: Vec<&[u8]> = entries.split_inclusive(|byte| *byte == b'\n').collect();
        if lines.len() != proofs.len() {
            return Err(BundleError::Unpaired { entries: lines.len(), proofs: proofs.len() });
        }
        let whole = lines.iter().filter_map(|line| line.strip_suffix(b"\n"));
        let pairs = whole.zip(proofs.values()).map(|(entry, proof)| ExcerptEntry { entry, proof });
        let summary = match verify::verify_excerpt(keys, Some(policy), pairs) {
            Ok(summary) => summary,
            Err(fault) => return Ok(BundleVerdict::BrokenExcerpt(fault)),
        };
        match (lines.last(), proofs.keys().next_back()) {
            (Some(rest), Some(seq)) if !rest.ends_with(b"\n") => {
                Ok(BundleVerdict::BrokenExcerpt(Fault::cut_line(*seq, rest)))
            }
            _ => Ok(BundleVerdict::SoundExcerpt(summary)),
        }
    }

    fn need(&self, name: &str) -> Result<&[u8], BundleError> {
        self.get(name).ok_or_else(|| BundleError::Missing { name: name.to_owned() })
    }

    /// The files with this prefix and suffix: name, what stands between, content.
    fn among(
        &self,
        (prefix, suffix): (&'static str, &'static str),
    ) -> impl Iterator<Item = (&str, &str, &[u8])> {
        self.iter().filter_map(move |(name, content)| {
            Some((name, name.strip_prefix(prefix)?.strip_suffix(suffix)?, content))
        })
    }
}

/// Whether a name can be unpacked anywhere without surprise: letters, digits, `.`, `_`, `-`, parts
/// divided by single slashes, no part that begins with a dot.
fn is_harmless(name: &str) -> bool {
    let fits = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-');
    name.len() <= BUNDLE_NAME_BYTES_MAX
        && name
            .split('/')
            .all(|part| !part.is_empty() && !part.starts_with('.') && part.bytes().all(fits))
}

/// What `READ-ME-FIRST.txt` is written from.
#[derive(Clone, Debug)]
pub struct ReadMe<'a> {
    /// Full or excerpt.
    pub kind: BundleKind,
    /// The name of the log.
    pub origin: &'a str,
    /// The number of entries in the bundle.
    pub entries: u64,
    /// The size of its newest checkpoint.
    pub checkpoint_size: u64,
    /// The root of its newest checkpoint.
    pub root: Digest,
    /// The content of its `keys.txt`.
    pub keys: &'a [u8],
    /// The content of its `policy.txt`.
    pub policy: &'a [u8],
}

impl ReadMe<'_> {
    /// The text, the same for the same bundle.
    pub fn text(&self) -> String {
        let Self { origin, entries, checkpoint_size, root, .. } = self;
        let (title, proved, not_proved) = match self.kind {
            BundleKind::Full => ("EVIDENCE BUNDLE", FULL_PROVED, FULL_NOT_PROVED),
            BundleKind::Excerpt => ("EXCERPT", EXCERPT_PROVED, EXCERPT_NOT_PROVED),
        };
        let (keys, policy) = (Digest::of(self.keys), Digest::of(self.policy));
        let how = match self.kind {
            BundleKind::Full => FULL_CHECK,
            BundleKind::Excerpt => EXCERPT_CHECK,
        };
        format!(
            "{title} of the log {origin}\n\n\
             {entries} entries. Newest checkpoint: {checkpoint_size} entries, root\n\
             {root}\n\n\
             WHAT IS PROVED\n{proved}\n\
             WHAT IS NOT PROVED\n{not_proved}{NEVER_PROVED}\n\
             WHAT YOU MUST COMPARE FIRST\n{COMPARE}\
             SHA-256 of keys.txt:   {keys}\n\
             SHA-256 of policy.txt: {policy}\n\n\
             HOW TO CHECK\n{CHECK}{how}\n\
             The format is described in FORMAT.md of the source code, completely enough to write\n\
             a program of your own.\n"
        )
    }
}

const FULL_PROVED: &str = "\
If the check says sound: no entry before the newest checkpoint was changed, dropped, added or
put in another order since that checkpoint was signed, and none is missing.
";
const FULL_NOT_PROVED: &str = "\
- Entries behind the newest checkpoint are linked to each other, but nobody has signed for them.
- Entries that no witness and no copy kept elsewhere covers could have been rewritten by whoever
  holds the key of the log. The check says how many these are.
";
const EXCERPT_PROVED: &str = "\
If the check says sound: each entry in entries.ndjson is in the log, at its sequence number,
exactly as it stands here.
";
const EXCERPT_NOT_PROVED: &str = "\
- Nothing is proved about entries that are not in this excerpt: it may leave out what matters.
  Completeness can only be shown by a full bundle.
";
const NEVER_PROVED: &str = "\
- Whether what was recorded is true, and whether everything that happened was recorded, no
  cryptography can say. Compare with scales, counters, bag numbers, people.
- Entries without a client signature rest on the word of the server that recorded them.
";
const COMPARE: &str = "\
keys.txt and policy.txt decide what the check believes, and they came with this bundle. Compare
them with copies obtained on another way: a printed report, an earlier audit, the witness.
";
const CHECK: &str = "\
1. With the auditor program, offline:
     auditor check DIRECTORY
   It ends with 0 if sound, 1 if broken, 2 if it could not check.
";
const FULL_CHECK: &str = "\
2. With the small program in Python, which shares no code with the first (tests/python of the
   source code):
     python3 verify_log.py DIRECTORY
3. By hand, any entry, here the first (sed -n 2p for the second and so on):
     (printf '\\0'; sed -n 1p entries.ndjson | tr -d '\\n') | sha256sum
   What is printed must be the value of \"prev\" in the next line.
";
const EXCERPT_CHECK: &str = "\
2. With the small program in Python, which shares no code with the first (tests/python of the
   source code). A line of a report, from the report in its JSON form, this excerpt as a zip file
   and the keys, or a single entry from the entry, its proof and the keys:
     python3 verify_entry.py REPORT.json EXCERPT.zip keys.txt
     python3 verify_entry.py ENTRY.json proofs/SEQ.tlog-proof keys.txt
   That the line follows from its entries is shown by repeating the work, with a full bundle.
3. By hand, the hash of an entry, here the first:
     (printf '\\0'; sed -n 1p entries.ndjson | tr -d '\\n') | sha256sum
   FORMAT.md section 9 says how the proof leads from it to the root in the checkpoint.
";
