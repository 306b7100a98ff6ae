//! The one file that knows the ledger: what the recorder wants of a log, in the recorder's words.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chain::canon::{self, Object, Value};
use chain::checkpoint::Checkpoint;
use chain::entry::{Actor, ClientSignature, Draft, Head, Link};
use chain::note::{Ed25519Signer, Signer as _};
use chain::{Digest, merkle};
use jiff::Timestamp;
use ledger::seams::{Clock, Random};
use shopfloor::catalogue::EventKind;
use shopfloor::{Envelope, Event, Fact, Finding, Refusal, State};

use crate::limits::RETRY_BUSY_S;
use crate::problem::{Kind, Problem};

/// An event that was read, checked and prepared, ready for the writer.
#[derive(Clone)]
pub struct Submission {
    /// Who sends it.
    pub actor: Actor,
    /// Attributes.
    pub envelope: Envelope,
    /// Content.
    pub event: Event,
    /// Canonical bytes.
    pub bytes: Vec<u8>,
    /// Everything of the entry that does not depend on its place.
    pub draft: Draft,
    /// The client's signature.
    pub signature: Option<ClientSignature>,
}

/// How events are to be handled.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Handling {
    /// Findings that stop refuse the event.
    pub strict: bool,
    /// All events or none.
    pub whole: bool,
    /// Judge only.
    pub dry_run: bool,
}

/// Proof that an entry is recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt {
    /// Number of the entry.
    pub seq: u64,
    /// Its leaf hash.
    pub leaf: Digest,
    /// The leaf hash of the entry before.
    pub prev: Digest,
    /// When it was recorded, ms since 1970.
    pub recorded_at_ms: i64,
}

/// What became of one event.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Recorded now.
    Recorded(Receipt, Vec<Finding>),
    /// Recorded before, with the same bytes.
    Known(Receipt, Vec<Finding>),
    /// `source` and `id` belong to another event.
    IdReused(u64),
    /// Would be recorded.
    Tried {
        /// Entries it was judged on.
        as_of: u64,
        /// Whether strict handling would stop it.
        would_stop: bool,
        /// What it contradicts.
        findings: Vec<Finding>,
    },
    /// Stopped by strict handling; these findings did it.
    Stopped(Vec<Finding>),
    /// Cannot be read or attributed.
    Refused(Refusal),
    /// Nothing wrong with it, but the batch is recorded as a whole.
    NotTried,
}

/// Why the log did not answer. Nothing was written unless it says so.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum LogError {
    /// The queue is full.
    #[error("the queue of the writer is full")]
    Busy,
    /// No room on the disk.
    #[error("the disk of the log is full")]
    Full,
    /// The writer stopped.
    #[error("the log takes no entries: {0}")]
    Stopped(String),
    /// No answer in time; the events may or may not be recorded.
    #[error("the writer did not answer in time")]
    Unanswered,
    /// The log cannot be read.
    #[error("the log cannot be read: {0}")]
    Read(String),
}

struct Core {
    head: Head,
    entries: Vec<Vec<u8>>,
    leaves: Vec<Digest>,
    facts: Vec<Fact>,
    keys: std::collections::HashMap<(String, String), (u64, Digest)>,
    state: State,
    random: Box<dyn Random>,
}

/// A log that is open.
#[derive(Clone)]
pub struct Log(Arc<Inner>);

struct Inner {
    core: Mutex<Core>,
    clock: Arc<dyn Clock>,
    signer: Ed25519Signer,
    grown: tokio::sync::watch::Sender<u64>,
}

impl Log {
    /// A log in memory. (The files of the ledger take its place.)
    pub fn in_memory(
        signer: Ed25519Signer,
        clock: Arc<dyn Clock>,
        random: Box<dyn Random>,
    ) -> Self {
        let core = Core {
            head: Head::empty(),
            entries: vec![],
            leaves: vec![],
            facts: vec![],
            keys: Default::default(),
            state: State::default(),
            random,
        };
        let log = Self(Arc::new(Inner {
            core: Mutex::new(core),
            clock,
            signer,
            grown: tokio::sync::watch::channel(0).0,
        }));
        let opened = shopfloor::record::events::LogOpened {
            origin: log.origin().to_owned(),
            key: log.0.signer.vkey(),
            schema: 1,
            continues: None,
        };
        let event = log.own_event(&Event::LogOpened(opened), "opened");
        if let Ok(submission) = Submission::read(&Actor::system(), &event) {
            let _ = log.lock().take(&submission, Handling::default(), log.0.clock.now_ms());
            log.0.grown.send_replace(log.size());
        }
        log
    }

    fn lock(&self) -> MutexGuard<'_, Core> {
        self.0.core.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Name of the log.
    pub fn origin(&self) -> &str {
        self.0.signer.name()
    }

    /// Verification key of the log.
    pub fn vkey(&self) -> String {
        self.0.signer.vkey()
    }

    /// Entries that are durable.
    pub fn size(&self) -> u64 {
        self.lock().head.size()
    }

    /// Waits until the log has more than `size` entries.
    pub async fn grown(&self, size: u64) {
        let mut news = self.0.grown.subscribe();
        let _ = news.wait_for(|now| *now > size).await;
    }

    /// Has events recorded, in their order.
    ///
    /// # Errors
    /// [`LogError`]; for all events together.
    pub async fn submit(
        &self,
        submissions: Vec<Submission>,
        handling: Handling,
    ) -> Result<Vec<Outcome>, LogError> {
        let now_ms = self.0.clock.now_ms();
        let mut core = self.lock();
        let outcomes = submissions.iter().map(|s| core.take(s, handling, now_ms)).collect();
        self.0.grown.send_replace(core.head.size());
        Ok(outcomes)
    }

    fn own_event(&self, event: &Event, id: &str) -> Value {
        let data = canon::parse(event.data().to_string().as_bytes()).unwrap_or(Value::Null);
        Value::Object(Object::from_iter([
            ("specversion", Value::from("1.0")),
            ("id", Value::from(id)),
            ("source", Value::from(self.origin())),
            (
                "type",
                Value::from(format!("{}{}", shopfloor::catalogue::TYPE_PREFIX, event.kind().name)),
            ),
            ("subject", Value::from(format!("log/{}", self.origin()))),
            ("data", data),
        ]))
    }

    /// Has an event of the log itself recorded. `actor` is whose request led to it.
    ///
    /// # Errors
    /// [`LogError`].
    pub async fn record_own(&self, actor: Actor, event: &Event) -> Result<(), LogError> {
        let id = format!("{}-{}", event.kind().name, self.size());
        let event = self.own_event(event, &id);
        let submission = Submission::read(&actor, &event)
            .map_err(|refusal| LogError::Read(refusal.to_string()))?;
        self.submit(vec![submission], Handling::default()).await.map(|_| ())
    }

    /// The bytes of an entry.
    ///
    /// # Errors
    /// [`LogError::Read`].
    pub fn entry(&self, seq: u64) -> Result<Option<Vec<u8>>, LogError> {
        Ok(usize::try_from(seq).ok().and_then(|seq| self.lock().entries.get(seq).cloned()))
    }

    /// The newest signed checkpoint.
    ///
    /// # Errors
    /// [`LogError::Read`].
    pub fn checkpoint(&self) -> Result<String, LogError> {
        let core = self.lock();
        let checkpoint = Checkpoint {
            origin: self.origin().to_owned(),
            size: core.head.size(),
            root: core.head.root(),
            extensions: vec![],
        };
        Ok(checkpoint.sign(&self.0.signer))
    }

    /// Whether the log takes entries.
    ///
    /// # Errors
    /// [`LogError::Stopped`].
    pub fn is_writing(&self) -> Result<(), LogError> {
        Ok(())
    }

    /// Checks that a client's signature of an event is by an enrolled key.
    ///
    /// # Errors
    /// [`Kind::UnknownKey`], [`Kind::BadSignature`].
    pub fn check_signature(
        &self,
        signature: &ClientSignature,
        _event: &[u8],
    ) -> Result<(), Problem> {
        let detail = format!("key `{}` is not enrolled", crate::problem::echo(&signature.by));
        Err(Problem::new(Kind::UnknownKey, detail))
    }

    /// Asks the state something.
    pub fn ask<T>(&self, question: impl FnOnce(&State) -> T) -> T {
        question(&self.lock().state)
    }
}

impl Core {
    fn take(&mut self, submission: &Submission, handling: Handling, now_ms: i64) -> Outcome {
        let key = (submission.envelope.source.clone(), submission.envelope.id.clone());
        let digest = Digest::of(&submission.bytes);
        if let Some((seq, before)) = self.keys.get(&key).copied() {
            if before != digest {
                return Outcome::IdReused(seq);
            }
            let at = usize::try_from(seq).unwrap_or(0);
            let receipt = Receipt {
                seq,
                leaf: self.leaves[at],
                prev: if at == 0 { chain::entry::genesis_prev() } else { self.leaves[at - 1] },
                recorded_at_ms: self.facts[at].recorded_at.as_millisecond(),
            };
            return Outcome::Known(receipt, self.state.findings.of_entry(seq).to_vec());
        }
        let seq = self.head.size();
        let recorded_at_ms = now_ms.max(self.head.recorded_at_ms());
        let recorded_at = Timestamp::from_millisecond(recorded_at_ms).unwrap_or_default();
        let fact = Fact::new(
            submission.envelope.clone(),
            submission.event.clone(),
            &submission.actor,
            seq,
            recorded_at,
        );
        let original = fact
            .about_entry()
            .and_then(|seq| self.facts.get(usize::try_from(seq).ok()?).cloned())
            .and_then(|fact| self.state.record.effective(fact));
        let findings = match self.state.judge(&fact, original.as_ref()) {
            Ok(findings) => findings,
            Err(refusal) => return Outcome::Refused(refusal),
        };
        let stops: Vec<Finding> = self.state.stops(&fact, &findings).into_iter().cloned().collect();
        if handling.dry_run {
            return Outcome::Tried { as_of: seq, would_stop: !stops.is_empty(), findings };
        }
        if handling.strict && !stops.is_empty() {
            return Outcome::Stopped(stops);
        }
        let mut salt = [0; 16];
        self.random.fill(&mut salt);
        let prev = self.head.prev();
        let link = Link { seq, prev, recorded_at_ms, salt };
        let Ok(sealed) = submission.draft.seal(link, submission.signature.as_ref()) else {
            return Outcome::NotTried;
        };
        if self.head.advance(seq, prev, recorded_at_ms, sealed.leaf).is_err() {
            return Outcome::NotTried;
        }
        let findings = self.state.apply(&fact, original.as_ref());
        self.entries.push(sealed.bytes);
        self.leaves.push(sealed.leaf);
        self.facts.push(fact);
        self.keys.insert(key, (seq, digest));
        debug_assert_eq!(merkle::root_of(&self.leaves[..1]), self.leaves[0]);
        Outcome::Recorded(Receipt { seq, leaf: sealed.leaf, prev, recorded_at_ms }, findings)
    }
}

impl Submission {
    /// An event that was read, ready for the writer.
    ///
    /// # Errors
    /// [`Kind::InvalidValue`] if the actor is not well formed.
    pub fn new(
        actor: Actor,
        bytes: Vec<u8>,
        envelope: Envelope,
        event: Event,
        signature: Option<ClientSignature>,
        _handling: Handling,
    ) -> Result<Self, Problem> {
        let draft = Draft::new(&actor, &bytes)
            .map_err(|error| Problem::new(Kind::InvalidValue, error.to_string()))?;
        Ok(Self { actor, envelope, event, bytes, draft, signature })
    }

    fn read(actor: &Actor, event: &Value) -> Result<Self, Problem> {
        let (envelope, content) = Envelope::read(event)?;
        let bytes = canon::to_bytes(event);
        Self::new(actor.clone(), bytes, envelope, content, None, Handling::default())
    }

    /// The row of the catalogue.
    pub fn kind(&self) -> &'static EventKind {
        self.event.kind()
    }
}

impl From<LogError> for Problem {
    fn from(error: LogError) -> Self {
        let kind = match &error {
            LogError::Busy => Kind::Busy,
            LogError::Full => Kind::StorageFull,
            LogError::Stopped(_) => Kind::WriterStopped,
            LogError::Unanswered => Kind::Unanswered,
            LogError::Read(_) => return Problem::internal(&error),
        };
        Problem::new(kind, kind.row().when).retry_after(RETRY_BUSY_S)
    }
}
