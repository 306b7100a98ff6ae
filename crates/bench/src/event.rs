//! The events everybody records: the same bytes, from the same seed, for ours and for rivals.

use chain::Digest;
use ledger::{Handling, Submission};

use crate::ours::actor;

/// Bytes of a stored, hashed entry. What is around the event is part of it.
pub(crate) const ENTRY_BYTES: usize = 512;

/// Events of one run never repeat: each contestant refuses a key it has seen.
#[derive(Debug, Clone)]
pub(crate) struct Events {
    run: String,
    /// When the work was done: now, as work is recorded; what comes late raises a finding each.
    time: String,
    next: u64,
}

impl Events {
    pub(crate) fn new(run: impl Into<String>) -> Self {
        let now = chain::time::format_ms(edge::now_ms()).expect("a time of this age");
        Self { run: run.into(), time: format!("{}Z", &now[..19]), next: 0 }
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
        let time = &self.time;
        format!(
            r#"{{"data":{{"text":{{"c":"{commitment}"}}}},"id":"{key}","operator":"op_k7","site":"north","source":"/m","specversion":"1.0","subject":"equipment/S-02","time":"{time}","type":"pulverlog.note.added"}}"#
        )
    }

    /// The event that registers the machine of all others.
    pub(crate) fn registration(&mut self) -> Submission {
        let (key, time) = (self.key(), &self.time);
        let event = format!(
            r#"{{"data":{{"kind":"sieving_station","label":"Sieve","room":"powder_room"}},"id":"{key}","operator":"op_k7","site":"north","source":"/m","specversion":"1.0","subject":"equipment/S-02","time":"{time}","type":"pulverlog.equipment.registered"}}"#
        );
        Submission::prepare(actor(), event.as_bytes(), Handling::Lenient, None)
            .expect("a registration is acceptable")
    }

    /// The next event ready for our writer.
    pub(crate) fn submission(&mut self) -> Submission {
        let event = self.canonical();
        Submission::prepare(actor(), event.as_bytes(), Handling::Lenient, None)
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
