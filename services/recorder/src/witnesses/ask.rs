//! The request to one witness and what its answer means.

use chain::Digest;
use chain::checkpoint::Checkpoint;
use chain::note::{Note, SignatureLine};
use futures_util::future::join_all;

use super::{Witness, Witnesses, locked};
use crate::limits::WITNESS_ANSWER_BYTES_MAX;
use crate::log::Signed;

/// Why a witness did not cosign.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No answer in time.
    #[error("it could not be reached")]
    Unreachable,
    /// A status other than 200 and 409: an unknown log (404), a key it does not trust (403), a proof
    /// it does not accept (422), a fault of its own.
    #[error("it refused with status {0}")]
    Refused(u16),
    /// 200 without a valid cosignature by its key.
    #[error("its answer holds no valid cosignature by its key")]
    Unusable,
    /// 409: it says that it cosigned a larger checkpoint than there is.
    #[error("it says that it cosigned {0} entries already, more than there are")]
    Ahead(u64),
    /// 409 with the same size: it says that it cosigned another root.
    #[error("it says that it cosigned another root for this size")]
    OtherRoot,
}

impl Trouble {
    /// A word from a closed set, for counters.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Unreachable => "unreachable",
            Self::Refused(_) => "refused",
            Self::Unusable => "unusable",
            Self::Ahead(_) => "ahead",
            Self::OtherRoot => "other_root",
        }
    }
}

/// An answer of a witness: status and body.
struct Reply {
    status: u16,
    body: Vec<u8>,
}

impl Witnesses {
    /// Asks all witnesses at once; returns the cosignatures that verify.
    pub(super) async fn ask_all(&self, signed: &Signed) -> Vec<SignatureLine> {
        let asked = self.0.witnesses.iter().map(|witness| self.ask(witness, signed));
        let answers = join_all(asked).await;
        let mut lines = Vec::new();
        for (at, answer) in answers.into_iter().enumerate() {
            let mut known = locked(&self.0.known);
            let standing = &mut known.standings[at];
            let code = answer.as_ref().map_or_else(Trouble::code, |_| "cosigned");
            let label = standing.label.as_str();
            self.0.metrics.witness_answers.with_label_values(&[label, code]).inc();
            match answer {
                Ok((line, at_s)) => {
                    let gauge = self.0.metrics.witness_size.with_label_values(&[label]);
                    gauge.set(i64::try_from(signed.size).unwrap_or(i64::MAX));
                    (standing.size, standing.at_s) = (signed.size, Some(at_s));
                    standing.trouble = None;
                    lines.push(line);
                }
                Err(trouble) => {
                    if standing.trouble.as_ref() != Some(&trouble) {
                        tracing::warn!(witness = standing.label, %trouble, "no cosignature");
                    }
                    standing.trouble = Some(trouble);
                }
            }
        }
        lines
    }

    /// Asks one witness; a second time if it tells which size it remembers.
    async fn ask(
        &self,
        witness: &Witness,
        signed: &Signed,
    ) -> Result<(SignatureLine, u64), Trouble> {
        let label = witness.key.label();
        let known = |known: &super::Known| {
            known.standings.iter().find(|s| s.label == label).map_or(0, |standing| standing.size)
        };
        let mut old = known(&locked(&self.0.known)).min(signed.size);
        let mut reply = self.add_checkpoint(witness, old, signed).await?;
        if reply.status == 409
            && let Some(size) = remembered(&reply.body).filter(|size| *size != old)
        {
            if size > signed.size {
                self.is_contradicted(witness).await;
                return Err(Trouble::Ahead(size));
            }
            old = size;
            reply = self.add_checkpoint(witness, old, signed).await?;
        }
        match reply.status {
            200 => cosignature(witness, signed, &reply.body).ok_or(Trouble::Unusable),
            409 if remembered(&reply.body) == Some(signed.size) => {
                self.is_contradicted(witness).await;
                Err(Trouble::OtherRoot)
            }
            status => {
                if status == 422 {
                    self.is_contradicted(witness).await;
                }
                Err(Trouble::Refused(status))
            }
        }
    }

    async fn add_checkpoint(
        &self,
        witness: &Witness,
        old: u64,
        signed: &Signed,
    ) -> Result<Reply, Trouble> {
        let proof = if old == 0 || old == signed.size {
            Vec::new()
        } else {
            let (log, size) = (self.0.log.clone(), signed.size);
            let proof = tokio::task::spawn_blocking(move || log.consistency(old, size)).await;
            // The log itself cannot be read: the witness is not to blame, but there is no asking.
            proof.map_err(|_| Trouble::Unreachable)?.map_err(|_| Trouble::Unreachable)?
        };
        let lines = proof.iter().map(Digest::to_base64).map(|line| format!("{line}\n"));
        let body = format!("old {old}\n{}\n{}", lines.collect::<String>(), signed.note);
        let request = self.0.http.post(format!("{}/add-checkpoint", witness.url)).body(body);
        fetch(request).await
    }

    /// Asks a witness to show what it remembers. If that bears the log's own signature and is not
    /// the beginning of this log, somebody has another history under the same key.
    async fn is_contradicted(&self, witness: &Witness) {
        // The reading side of our own witness; another kind of witness may have none.
        let name = Digest::of(self.0.log.origin().as_bytes());
        let request = self.0.http.get(format!("{}/latest/{name}", witness.url));
        let Ok(Reply { status: 200, body }) = fetch(request).await else { return };
        let Ok(shown) = Checkpoint::open(&body, std::slice::from_ref(self.0.log.key())) else {
            return;
        };
        let Checkpoint { size, root, .. } = shown.checkpoint;
        // Another recorder of this log may have shown it what this one has not taken in yet.
        if !self.0.log.follows_to(size).await {
            return;
        }
        let here = self.0.log.size();
        let why = if size > here {
            format!(
                "witness `{}` shows a checkpoint of {size} entries with this log's signature, and \
                 here are {here}: was an old copy put back?",
                witness.key.label()
            )
        } else if self.0.log.root(size).is_ok_and(|own| own != root) {
            format!(
                "witness `{}` shows another root of {size} entries with this log's signature: \
                 somebody else signs with its key",
                witness.key.label()
            )
        } else {
            return;
        };
        locked(&self.0.known).contradiction.get_or_insert(why);
    }
}

/// Sends a request and reads the answer, up to a limit.
async fn fetch(request: reqwest::RequestBuilder) -> Result<Reply, Trouble> {
    let mut response = request.send().await.map_err(|_| Trouble::Unreachable)?;
    let status = response.status().as_u16();
    let mut body = Vec::new();
    while let Some(chunk) = response.chunk().await.map_err(|_| Trouble::Unreachable)? {
        if body.len() + chunk.len() > WITNESS_ANSWER_BYTES_MAX {
            return Err(Trouble::Unusable);
        }
        body.extend_from_slice(&chunk);
    }
    Ok(Reply { status, body })
}

/// The size in a 409 answer (media type `text/x.tlog.size`).
fn remembered(body: &[u8]) -> Option<u64> {
    std::str::from_utf8(body).ok()?.strip_suffix('\n')?.parse().ok()
}

/// The cosignature by this witness in its answer, if it is one of this checkpoint, and its time.
fn cosignature(witness: &Witness, signed: &Signed, answer: &[u8]) -> Option<(SignatureLine, u64)> {
    let lines = std::str::from_utf8(answer).ok()?;
    let text = Note::parse(signed.note.as_bytes()).ok()?.text;
    let note = Note::parse(format!("{text}\n{lines}").as_bytes()).ok()?;
    let line = note.signatures.into_iter().find(|line| line.is_by(&witness.key))?;
    let (at_s, signature) = chain::checkpoint::split_cosignature(&line.signature)?;
    let message = chain::checkpoint::cosignature_message(at_s, &text);
    witness.key.verify(&message, signature).then_some((line, at_s))
}
