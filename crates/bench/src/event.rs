//! The events everybody records: the same bytes, from the same seed, for ours and for rivals.

use chain::Digest;
use chain::entry::{Actor, Via};
use ledger::{Handling, Submission};

/// Bytes of a stored, hashed entry. What is around the event is part of it.
pub(crate) const ENTRY_BYTES: usize = 512;

/// Events of one run never repeat: each contestant refuses a key it has seen.
#[derive(Debug, Clone)]
pub(crate) struct Events {
    run: String,
    next: u64,
}

impl Events {
    pub(crate) fn new(run: impl Into<String>) -> Self {
        Self { run: run.into(), next: 0 }
    }

    /// The key of the next event.
    pub(crate) fn key(&mut self) -> String {
        self.next += 1;
        // Padded, so that a whole entry has 512 bytes.
        format!("{:_<24}{:012}", self.run, self.next)
    }

    /// Canonical bytes of the next event.
    pub(crate) fn canonical(&mut self) -> String {
        let key = self.key();
        let commitment = Digest::of(key.as_bytes()).to_base64();
        format!(
            r#"{{"data":{{"text":{{"c":"{commitment}"}}}},"id":"{key}","operator":"op_k7","site":"north","source":"/m","specversion":"1.0","subject":"equipment/S-02","time":"2026-02-01T07:00:00Z","type":"pulverlog.note.added"}}"#
        )
    }

    /// The next event ready for our writer.
    pub(crate) fn submission(&mut self) -> Submission {
        let actor = Actor {
            id: "svc_mes".to_owned(),
            via: Via::Service,
            on_behalf_of: Some("op_k7".to_owned()),
        };
        let event = self.canonical();
        Submission::prepare(actor, event.as_bytes(), Handling::Lenient, None)
            .expect("the events of the benchmark are acceptable")
    }

    /// The next event as a rival stores it: its key, and as many bytes as our entry has.
    pub(crate) fn record(&mut self) -> Record {
        let mut payload = self.canonical().into_bytes();
        payload.resize(ENTRY_BYTES, b' ');
        let key = format!("{:_<24}{:012}", self.run, self.next);
        Record { key, payload }
    }
}

/// An event as a rival stores it.
#[derive(Debug, Clone)]
pub(crate) struct Record {
    pub(crate) key: String,
    pub(crate) payload: Vec<u8>,
}
