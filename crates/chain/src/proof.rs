//! Proof files (C2SP tlog-proof): one file that shows an entry to be in a log, checked offline.

use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;

use crate::checkpoint::{Checkpoint, CheckpointError, SignedCheckpoint, parse_decimal};
use crate::digest::Digest;
use crate::limits::{INCLUSION_PROOF_HASHES_MAX, NOTE_BYTES_MAX, PROOF_EXTRA_BYTES_MAX};
use crate::merkle::{self, ProofError};
use crate::note::VerifierKey;
use crate::policy::Policy;

const HEADER: &str = "c2sp.org/tlog-proof@v1";

/// Longest proof file in bytes: the lines before the checkpoint, and the checkpoint.
const PROOF_BYTES_MAX: usize =
    128 + PROOF_EXTRA_BYTES_MAX / 3 * 4 + 4 + INCLUSION_PROOF_HASHES_MAX * 45 + NOTE_BYTES_MAX;

/// The content of a proof file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlogProof {
    /// Further data with a meaning of its own; it is not authenticated, and we write none.
    pub extra: Option<Vec<u8>>,
    /// The index of the entry, which is its sequence number.
    pub index: u64,
    /// The inclusion proof, from the leaf's sibling up.
    pub path: Vec<Digest>,
    /// The checkpoint, a signed note, verbatim.
    pub checkpoint: String,
}

/// A file that is not a proof, or a proof that does not prove it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TlogProofError {
    /// Longer than any proof.
    #[error("the proof file is longer than any proof")]
    TooLong,
    /// Not UTF-8.
    #[error("a proof file is UTF-8 text")]
    Text,
    /// The first line is not the header.
    #[error("a proof file begins with the line `{HEADER}`")]
    Header,
    /// The extra line is not base64, or too long.
    #[error("the extra data of a proof is base64")]
    Extra,
    /// No index line, or its number is not plain.
    #[error("a proof file has a line `index` and a decimal number without leading zeros")]
    Index,
    /// A line of the proof that is not the base64 of 32 bytes, or too many of them.
    #[error("the proof lines are at most {INCLUSION_PROOF_HASHES_MAX} hashes in base64")]
    Path,
    /// No blank line and checkpoint behind the proof.
    #[error("a proof file ends in a blank line and a checkpoint")]
    NoCheckpoint,
    /// The checkpoint is not signed as it should be.
    #[error("the checkpoint of the proof cannot be trusted")]
    Checkpoint(#[source] CheckpointError),
    /// The checkpoint lacks the cosignatures the policy asks for.
    #[error("the checkpoint of the proof lacks cosignatures that the policy asks for")]
    Quorum,
    /// The entry is not in the tree of the checkpoint at this place.
    #[error("the entry is not proved to be entry `{index}` of the log")]
    Inclusion {
        /// The index stated.
        index: u64,
        /// What is wrong.
        #[source]
        cause: ProofError,
    },
}

impl TlogProof {
    /// Reads a proof file. The checkpoint in it is not looked into.
    ///
    /// # Errors
    /// [`TlogProofError`]: `TooLong`, `Text`, `Header`, `Extra`, `Index`, `Path`, `NoCheckpoint`.
    pub fn parse(bytes: &[u8]) -> Result<Self, TlogProofError> {
        if bytes.len() > PROOF_BYTES_MAX {
            return Err(TlogProofError::TooLong);
        }
        let text = std::str::from_utf8(bytes).map_err(|_| TlogProofError::Text)?;
        let (head, checkpoint) = text.split_once("\n\n").ok_or(TlogProofError::NoCheckpoint)?;
        let mut lines = head.split('\n').peekable();
        if lines.next() != Some(HEADER) {
            return Err(TlogProofError::Header);
        }
        let mut extra = None;
        if let Some(data) = lines.peek().and_then(|line| line.strip_prefix("extra ")) {
            let data = BASE64.decode(data).map_err(|_| TlogProofError::Extra)?;
            if data.len() > PROOF_EXTRA_BYTES_MAX {
                return Err(TlogProofError::Extra);
            }
            extra = Some(data);
            lines.next();
        }
        let index = lines
            .next()
            .and_then(|line| line.strip_prefix("index "))
            .and_then(parse_decimal)
            .ok_or(TlogProofError::Index)?;
        let path: Vec<Digest> = lines
            .take(INCLUSION_PROOF_HASHES_MAX + 1)
            .map(|line| Digest::from_base64(line).map_err(|_| TlogProofError::Path))
            .collect::<Result<_, _>>()?;
        if path.len() > INCLUSION_PROOF_HASHES_MAX {
            return Err(TlogProofError::Path);
        }
        if checkpoint.is_empty() {
            return Err(TlogProofError::NoCheckpoint);
        }
        Ok(Self { extra, index, path, checkpoint: checkpoint.to_owned() })
    }

    /// Verifies that the entry with this leaf hash is entry [`TlogProof::index`] of a log whose
    /// key is among `keys`, and, if a policy is given, that the policy's witnesses have cosigned.
    /// Cosignatures of witnesses in `keys` or in the policy are verified. Returns the checkpoint.
    ///
    /// # Errors
    /// [`TlogProofError`], the first that applies of `Checkpoint`, `Quorum`, `Inclusion`.
    pub fn verify(
        &self,
        leaf: &Digest,
        keys: &[VerifierKey],
        policy: Option<&Policy>,
    ) -> Result<SignedCheckpoint, TlogProofError> {
        let witnesses = policy.into_iter().flat_map(|policy| &policy.witnesses);
        let keys: Vec<VerifierKey> =
            keys.iter().chain(witnesses.map(|witness| &witness.key)).cloned().collect();
        let signed = Checkpoint::open(self.checkpoint.as_bytes(), &keys)
            .map_err(TlogProofError::Checkpoint)?;
        if policy.is_some_and(|policy| !policy.is_met(|key| signed.is_cosigned_by(key))) {
            return Err(TlogProofError::Quorum);
        }
        let Checkpoint { size, root, .. } = &signed.checkpoint;
        merkle::verify_inclusion(leaf, self.index, *size, &self.path, root)
            .map_err(|cause| TlogProofError::Inclusion { index: self.index, cause })?;
        Ok(signed)
    }
}

impl fmt::Display for TlogProof {
    /// The file.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{HEADER}")?;
        if let Some(extra) = &self.extra {
            writeln!(f, "extra {}", BASE64.encode(extra))?;
        }
        writeln!(f, "index {}", self.index)?;
        for hash in &self.path {
            writeln!(f, "{}", hash.to_base64())?;
        }
        write!(f, "\n{}", self.checkpoint)
    }
}
