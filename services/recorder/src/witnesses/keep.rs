//! Keeping cosignatures: with the checkpoint, and once in a while in the log itself.

use chain::note::{Note, SignatureLine};
use shopfloor::Event;
use shopfloor::record::events::AnchorKept;

use super::{Witnesses, locked};
use crate::log::Signed;

impl Witnesses {
    /// Keeps cosignatures of a checkpoint; returns it with them.
    pub(super) async fn keep(&self, signed: &Signed, lines: Vec<SignatureLine>) -> Option<Signed> {
        let mut note = Note::parse(signed.note.as_bytes()).ok()?;
        for line in lines {
            // A witness that signs again replaces what it signed before.
            note.signatures.retain(|old| (&old.name, old.key_id) != (&line.name, line.key_id));
            note.signatures.push(line);
        }
        let signed = Signed { note: note.to_string(), ..signed.clone() };
        let opened = self.open(signed.note.as_bytes())?;
        let (log, kept) = (self.0.log.clone(), signed.clone());
        let stored = tokio::task::spawn_blocking(move || log.keep_cosigned(kept)).await;
        if let Ok(Err(error)) = stored {
            tracing::error!(%error, "cosignatures could not be kept");
            return None;
        }
        if let Some(covered) = self.covered_by(&opened) {
            locked(&self.0.known).take(covered);
            if self.anchor_is_due(signed.size) {
                self.keep_in_log(signed.note.clone()).await;
            }
        }
        Some(signed)
    }

    /// An anchor goes into the log when it covers something besides the entry of the anchor before
    /// it, and not too often: it must not feed itself.
    fn anchor_is_due(&self, size: u64) -> bool {
        let Some((seq, at_ms)) = locked(&self.0.known).anchor else { return true };
        let gap_ms = i64::from(self.0.rule.anchor_gap_s) * 1000;
        size > seq + 1 && self.0.clock.now_ms().saturating_sub(at_ms) >= gap_ms
    }

    async fn keep_in_log(&self, note: String) {
        let event = Event::AnchorKept(AnchorKept { note });
        match self.0.log.record_own(&event, None).await {
            Ok(receipt) => {
                locked(&self.0.known).anchor = Some((receipt.seq, receipt.recorded_at_ms));
            }
            Err(error) => tracing::warn!(%error, "an anchor could not be recorded"),
        }
    }
}
