//! The decision of a witness on one request (C2SP tlog-witness, "add-checkpoint").

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use chain::Digest;
use chain::checkpoint::{Checkpoint, cosign};
use chain::merkle::verify_consistency;
use chain::note::{Ed25519Signer, Note, VerifierKey};

use crate::memory::{Memory, MemoryError};

/// Most lines of a consistency proof in a request (tlog-witness, "add-checkpoint").
pub const PROOF_LINES_MAX: usize = 63;

/// The answer to a request, with the status the specification gives it.
#[derive(Debug, PartialEq, Eq)]
pub enum Answer {
    /// 200: our signature lines.
    Cosigned(String),
    /// 400: the request cannot be read, or its old size is beyond its checkpoint.
    Malformed(&'static str),
    /// 403: not signed by the log.
    NotSigned,
    /// 404: a log we do not know.
    UnknownLog,
    /// 409: the old size is not what we cosigned last, which is this.
    OtherSize(u64),
    /// 409: same size, other root: a second history.
    OtherRoot(u64),
    /// 422: the proof does not show that the new tree extends the old one.
    BadProof,
}

/// A witness: its key, the logs it knows and what it cosigned of them.
#[derive(Debug)]
pub struct Desk {
    signer: Ed25519Signer,
    logs: BTreeMap<String, Vec<VerifierKey>>,
    /// One request at a time: comparing with what was cosigned and remembering the new checkpoint
    /// is one step, or two racing requests could roll a log back.
    memory: Mutex<Memory>,
}

struct Request {
    old_size: u64,
    proof: Vec<Digest>,
    note: Note,
    checkpoint: Checkpoint,
}

fn read_request(body: &[u8]) -> Result<Request, &'static str> {
    let text = std::str::from_utf8(body).map_err(|_| "the request is not UTF-8")?;
    let (head, note) =
        text.split_once("\n\n").ok_or("there is no empty line before the checkpoint")?;
    let mut lines = head.split('\n');
    let old_size = lines
        .next()
        .and_then(|line| line.strip_prefix("old "))
        .filter(|n| n.bytes().all(|b| b.is_ascii_digit()) && (*n == "0" || !n.starts_with('0')))
        .and_then(|n| n.parse().ok())
        .ok_or("the first line is not `old` and a size")?;
    let proof = lines
        .map(|line| Digest::from_base64(line).map_err(|_| "a proof line is not a base64 hash"))
        .collect::<Result<Vec<_>, _>>()?;
    if proof.len() > PROOF_LINES_MAX {
        return Err("the proof has more than 63 lines");
    }
    let note = Note::parse(note.as_bytes()).map_err(|_| "the checkpoint is not a signed note")?;
    let checkpoint =
        Checkpoint::parse_text(&note.text).map_err(|_| "the note is not a checkpoint")?;
    Ok(Request { old_size, proof, note, checkpoint })
}

impl Desk {
    /// A witness with its key, the logs it knows by origin, and its memory.
    pub fn new(
        signer: Ed25519Signer,
        logs: BTreeMap<String, Vec<VerifierKey>>,
        memory: Memory,
    ) -> Self {
        Self { signer, logs, memory: Mutex::new(memory) }
    }

    /// Our verification key.
    pub fn key(&self) -> &VerifierKey {
        self.signer.verifier()
    }

    /// The logs we know.
    pub fn origins(&self) -> impl Iterator<Item = &str> {
        self.logs.keys().map(String::as_str)
    }

    /// The note we cosigned last of a log, by the name of [`Memory::name`].
    pub fn note(&self, name: &str) -> Result<Option<Vec<u8>>, MemoryError> {
        let memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        match self.origins().find(|origin| Memory::name(origin) == name) {
            Some(origin) => memory.note(origin),
            None => Ok(None),
        }
    }

    /// Judges a request and, if all is well, remembers and cosigns. `now_s` is in seconds since
    /// 1970. An error means that nothing was signed.
    pub fn add_checkpoint(&self, body: &[u8], now_s: u64) -> Result<Answer, MemoryError> {
        let request = match read_request(body) {
            Ok(request) => request,
            Err(why) => return Ok(Answer::Malformed(why)),
        };
        let Request { old_size, proof, mut note, checkpoint } = request;
        let Some(keys) = self.logs.get(&checkpoint.origin) else { return Ok(Answer::UnknownLog) };
        // Any trusted key will do: during a rotation the log signs with both.
        if !keys.iter().any(|key| note.verify([key]).is_ok()) {
            return Ok(Answer::NotSigned);
        }
        if old_size > checkpoint.size {
            return Ok(Answer::Malformed("the old size is beyond the checkpoint"));
        }
        let memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        let known = memory.latest(&checkpoint.origin)?;
        let (known_size, known_root) =
            known.map_or((0, Digest::of(b"")), |known| (known.size, known.root));
        if old_size != known_size {
            return Ok(Answer::OtherSize(known_size));
        }
        if old_size == checkpoint.size && known_root != checkpoint.root {
            memory.keep_evidence(&checkpoint.origin, &note, &checkpoint)?;
            return Ok(Answer::OtherRoot(known_size));
        }
        let extends = if old_size == 0 || old_size == checkpoint.size {
            proof.is_empty()
        } else {
            verify_consistency(old_size, checkpoint.size, &known_root, &checkpoint.root, &proof)
                .is_ok()
        };
        if !extends {
            memory.keep_evidence(&checkpoint.origin, &note, &checkpoint)?;
            return Ok(Answer::BadProof);
        }
        let line = cosign(&note.text, now_s, &self.signer);
        let answer = line.to_string();
        note.signatures.push(line);
        memory.keep(&checkpoint.origin, note.to_string().as_bytes())?;
        Ok(Answer::Cosigned(answer))
    }
}
