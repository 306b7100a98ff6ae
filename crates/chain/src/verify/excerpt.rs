//! The check of an excerpt: single entries, each with a proof that it is in the log.

use super::examine::{Clients, SignatureState};
use super::{Fault, FaultKind, entry_fault};
use crate::keys::Keys;
use crate::note::VerifierKey;
use crate::policy::Policy;
use crate::proof::{TlogProof, TlogProofError};

/// An entry of an excerpt and its proof.
#[derive(Clone, Copy, Debug)]
pub struct ExcerptEntry<'a> {
    /// The entry bytes.
    pub entry: &'a [u8],
    /// The proof.
    pub proof: &'a TlogProof,
}

/// What a sound excerpt shows: these entries are in the log. It shows nothing about entries that
/// were left out, and nothing about order beyond the sequence numbers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExcerptSummary {
    /// The number of entries.
    pub entries: u64,
    /// The size of the largest checkpoint among the proofs.
    pub checkpoint_size: u64,
    /// Entries whose proof rests on a checkpoint without any cosignature by a known witness.
    pub not_covered_outside: u64,
    /// Entries without a client signature.
    pub unsigned: u64,
    /// Entries with a client signature by a key that is not known; it was not checked.
    pub signed_unknown: u64,
}

/// Checks an excerpt, entry by entry; the first fault ends it. For each entry, in this order:
/// [`FaultKind::Canonical`], [`FaultKind::Version`], [`FaultKind::Form`], [`FaultKind::Seq`] (the
/// proof is for this sequence number), [`FaultKind::ClientSignature`],
/// [`FaultKind::CheckpointSignature`], [`FaultKind::Quorum`], [`FaultKind::Proof`]. An entry that
/// cannot be read is named by the index its proof states.
///
/// # Errors
/// The first [`Fault`].
pub fn verify_excerpt<'a>(
    keys: &Keys,
    policy: Option<&Policy>,
    entries: impl IntoIterator<Item = ExcerptEntry<'a>>,
) -> Result<ExcerptSummary, Fault> {
    let clients = Clients::new(keys);
    let trusted: Vec<VerifierKey> =
        std::iter::once(&keys.log).chain(&keys.witnesses).cloned().collect();
    let mut summary = ExcerptSummary {
        entries: 0,
        checkpoint_size: 0,
        not_covered_outside: 0,
        unsigned: 0,
        signed_unknown: 0,
    };
    for ExcerptEntry { entry, proof } in entries {
        let seq = proof.index;
        let examined = clients.examine(entry);
        let facts = examined.facts.map_err(|error| entry_fault(seq, &error))?;
        if facts.seq != seq {
            return Err(Fault::new(facts.seq, FaultKind::Seq, facts.seq, seq));
        }
        match facts.signature {
            SignatureState::Absent => summary.unsigned += 1,
            SignatureState::UnknownKey => summary.signed_unknown += 1,
            SignatureState::Valid(_) => {}
            SignatureState::Bad(key) => return Err(Fault::bad_signature(seq, &key)),
        }
        let signed = proof.verify(&examined.leaf, &trusted, policy).map_err(|error| {
            let kind = match &error {
                TlogProofError::Checkpoint(_) => FaultKind::CheckpointSignature,
                TlogProofError::Quorum => FaultKind::Quorum,
                _ => FaultKind::Proof,
            };
            Fault::new(seq, kind, "a proof that the entry is in the log", with_cause(&error))
        })?;
        summary.entries += 1;
        summary.checkpoint_size = summary.checkpoint_size.max(signed.checkpoint.size);
        summary.not_covered_outside += u64::from(signed.cosignatures.is_empty());
    }
    Ok(summary)
}

fn with_cause(error: &TlogProofError) -> String {
    match std::error::Error::source(error) {
        Some(cause) => format!("{error}: {cause}"),
        None => error.to_string(),
    }
}
