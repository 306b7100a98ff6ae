//! Paper anchors: a checkpoint read back from a printed report, typed in or scanned.
//!
//! Whoever holds the sheet holds an outside checkpoint. Typing is forgiven what typing does to a
//! text: line ends, spaces at the ends of lines, empty lines, and a hyphen for the dash before a
//! signature. The three lines of the checkpoint are enough to compare with entries; the signature
//! lines show who stands for them.

use chain::Digest;
use chain::bundle::{self, Bundle};
use chain::checkpoint::{Checkpoint, CheckpointError, split_cosignature};
use chain::entry::leaf_hash;
use chain::keys::Keys;
use chain::merkle::Frontier;
use chain::note::{Note, NoteError, VerifierKey};

/// A text that is no anchor.
#[derive(Debug, thiserror::Error)]
pub enum PaperError {
    /// Not text.
    #[error("an anchor is a text")]
    Text,
    /// The checkpoint lines.
    #[error("the first three lines are not a checkpoint")]
    Checkpoint(#[source] CheckpointError),
    /// The signature lines.
    #[error("the signature lines cannot be read")]
    Signatures(#[source] NoteError),
}

/// One signature line and what is known of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signature {
    /// Name and key id.
    pub label: String,
    /// When a witness says to have cosigned, seconds since 1970.
    pub cosigned_s: Option<u64>,
    /// Whether it verifies; `None` if the key is not known.
    pub valid: Option<bool>,
}

/// A paper anchor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Anchor {
    /// What it says.
    pub checkpoint: Checkpoint,
    /// Who stands for it; empty if the signature lines were not typed in.
    pub signatures: Vec<Signature>,
    /// The note as it was signed; `None` without signature lines.
    pub note: Option<String>,
}

/// Whether a log has what an anchor was made of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Contained {
    /// The first entries are those the anchor was made of.
    Yes,
    /// The log has another name.
    OtherLog(String),
    /// There are fewer entries here.
    Shorter {
        /// How many.
        entries: u64,
    },
    /// The entries have another root.
    OtherRoot(Digest),
}

impl Anchor {
    /// Reads an anchor. `keys` are those whose signatures are checked.
    ///
    /// # Errors
    /// [`PaperError`].
    pub fn read(bytes: &[u8], keys: &[VerifierKey]) -> Result<Self, PaperError> {
        let text = std::str::from_utf8(bytes).map_err(|_| PaperError::Text)?;
        let lines = text.trim_start_matches('\u{feff}').lines().map(str::trim_end);
        let lines = lines.filter(|line| !line.is_empty());
        let (mut body, mut signed) = (String::new(), String::new());
        for line in lines {
            match signature_line(line) {
                Some(rest) => signed.push_str(&format!("\u{2014} {rest}\n")),
                None => body.push_str(&format!("{line}\n")),
            }
        }
        let checkpoint = Checkpoint::parse_text(&body).map_err(PaperError::Checkpoint)?;
        if signed.is_empty() {
            return Ok(Self { checkpoint, signatures: Vec::new(), note: None });
        }
        let text = format!("{body}\n{signed}");
        let note = Note::parse(text.as_bytes()).map_err(PaperError::Signatures)?;
        let signatures = (0..note.signatures.len()).map(|at| told(&note, at, keys)).collect();
        Ok(Self { checkpoint, signatures, note: Some(text) })
    }

    /// Whether a known key's signature does not verify: a typing error, or a forgery.
    #[must_use]
    pub fn is_spoilt(&self) -> bool {
        self.signatures.iter().any(|signature| signature.valid == Some(false))
    }

    /// Whether the entries of a full bundle are those this was made of. Their signatures are not
    /// looked at: an audit does that.
    #[must_use]
    pub fn is_in(&self, files: &Bundle, keys: &Keys) -> Contained {
        if keys.origin() != self.checkpoint.origin {
            return Contained::OtherLog(keys.origin().to_owned());
        }
        let mut tree = Frontier::new();
        for line in crate::lines(files.get(bundle::ENTRIES).unwrap_or_default()) {
            if tree.size() == self.checkpoint.size {
                break;
            }
            tree.push(leaf_hash(line));
        }
        if tree.size() < self.checkpoint.size {
            return Contained::Shorter { entries: tree.size() };
        }
        match tree.root() {
            root if root == self.checkpoint.root => Contained::Yes,
            other => Contained::OtherRoot(other),
        }
    }
}

/// What stands behind the dash of a signature line, however the dash was typed.
fn signature_line(line: &str) -> Option<&str> {
    let rest = line.trim_start().trim_start_matches(['\u{2014}', '\u{2013}', '-']);
    (rest.len() < line.len()).then(|| rest.strip_prefix(' ')).flatten().map(str::trim_start)
}

fn told(note: &Note, at: usize, keys: &[VerifierKey]) -> Signature {
    let line = &note.signatures[at];
    let label = line.label();
    let cosigned_s = split_cosignature(&line.signature).map(|(at, _)| at);
    let alone = Note { text: note.text.clone(), signatures: vec![line.clone()] };
    let valid = keys.iter().find(|key| line.is_by(key)).map(|key| match cosigned_s {
        None => alone.verify([key]).is_ok(),
        Some(at) => split_cosignature(&line.signature).is_some_and(|(_, signature)| {
            key.verify(&chain::checkpoint::cosignature_message(at, &note.text), signature)
        }),
    });
    Signature { label, cosigned_s, valid }
}

#[cfg(test)]
mod tests {
    use chain::note::Ed25519Signer;

    use super::*;

    fn signed() -> (String, Vec<VerifierKey>) {
        let log = Ed25519Signer::new("records.example.org/a/2026", &[1; 32]).unwrap();
        let witness = Ed25519Signer::witness("witness.example.net/w1", &[2; 32]).unwrap();
        let root = Digest::of(b"root");
        let checkpoint =
            Checkpoint { origin: log.verifier().name().into(), size: 12, root, extensions: vec![] };
        let note = checkpoint.sign(&log);
        let line = chain::checkpoint::cosign(&checkpoint.to_text(), 1_767_258_060, &witness);
        (format!("{note}{line}"), vec![log.verifier().clone(), witness.verifier().clone()])
    }

    #[test]
    fn typing_is_forgiven_what_typing_does() {
        let (note, keys) = signed();
        let typed = [
            note.clone(),
            note.replace('\n', "\r\n"),
            note.replace('\u{2014}', "-"),
            note.replace('\u{2014}', "--"),
            note.replace("\n\n", "\n"),
            note.replace('\n', "  \n\n"),
            format!("\u{feff}\n{}", note.trim_end()),
        ];
        for text in typed {
            let anchor = Anchor::read(text.as_bytes(), &keys).unwrap();
            assert_eq!(anchor.note.as_deref(), Some(note.as_str()), "{text:?}");
            let valid: Vec<_> = anchor.signatures.iter().map(|s| s.valid).collect();
            assert_eq!(valid, [Some(true), Some(true)]);
            assert_eq!(anchor.signatures[1].cosigned_s, Some(1_767_258_060));
        }
    }

    #[test]
    fn a_wrong_letter_is_seen_and_unknown_keys_are_not_judged() {
        let (note, keys) = signed();
        let spoilt = Anchor::read(note.replace("\n12\n", "\n13\n").as_bytes(), &keys).unwrap();
        assert!(spoilt.is_spoilt());
        let unknown = Anchor::read(note.as_bytes(), &[]).unwrap();
        assert!(!unknown.is_spoilt() && unknown.signatures.iter().all(|s| s.valid.is_none()));
        let three: String = note.split_inclusive('\n').take(3).collect();
        assert_eq!(Anchor::read(three.as_bytes(), &keys).unwrap().note, None);
        for bad in ["", "a\n", "records.example.org/a\n12\n", "records.example.org/a\n012\nAA\n"] {
            assert!(matches!(Anchor::read(bad.as_bytes(), &keys), Err(PaperError::Checkpoint(_))));
        }
    }
}
