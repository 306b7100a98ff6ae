//! The writer's work, step by step, in one thread: known or new, judged, sealed, committed, applied.
//!
//! The core knows no threads, no real clock, no real randomness: all of that comes in as arguments,
//! so that a simulator can drive it under a seed.
//!
//! # Why applying comes after the commit point and what that means inside a batch
//! The state is applied only after `append` returned, under the write lock, so readers can never see
//! an effect that a power cut may take back. The price: a submission whose answer depends on the
//! state (strict handling, or an event about an earlier entry) must not share a batch with entries
//! before it that are not applied yet. Such a submission closes the open batch first. People at a
//! terminal post like that, at their own pace; machines post leniently, and those share batches.

#[cfg(test)]
mod tests;

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use chain::entry::{Actor, ClientSignature, Draft, EntryError, EntryView, Link, Sealed, leaf_hash};
use jiff::Timestamp;
use shopfloor::{Envelope, Event, Fact, Finding, Refusal};

use crate::engine::recovery::{Stop, Tip};
use crate::engine::{Engine, Line, Store};
use crate::error::{LedgerError, Result};
use crate::index::{Fresh, Index, Row, row_of};
use crate::limits::{
    BATCH_BYTES_MAX, BATCH_ENTRIES_MAX, KEYS_AHEAD_MAX, SCAN_BYTES_MAX, TURNS_MAX,
};
use crate::seams::{Clock, Random};
use crate::shop::Shop;
use crate::submission::{Handling, Key, Outcome, ReadEvent, Receipt, Submission};
use crate::tree::read_entry;

/// Salts taken from the source of randomness at once.
const SALTS_AT_ONCE: usize = 64;
type Salt = [u8; chain::limits::SALT_BYTES];

/// Why a submission got no answer about its event. Cloneable, because one failed commit answers
/// many.
pub type Failure = Arc<LedgerError>;

/// What the core is made of.
pub struct Parts {
    /// Where entries go.
    pub engine: Box<dyn Engine>,
    /// Where keys are looked up.
    pub index: Arc<dyn Index>,
    /// Name of the log.
    pub origin: Arc<str>,
    /// The newest end of the log, as opening found it.
    pub tip: Tip,
    /// Tells the time.
    pub clock: Arc<dyn Clock>,
    /// Makes salts.
    pub random: Box<dyn Random>,
}

/// The one owner of the log's end.
pub struct Core {
    engine: Box<dyn Engine>,
    store: Arc<dyn Store>,
    index: Arc<dyn Index>,
    origin: Arc<str>,
    clock: Arc<dyn Clock>,
    random: Box<dyn Random>,
    salts: Vec<Salt>,
    shop: Arc<RwLock<Shop>>,
    recent: RecentKeys,
    /// Set once somebody takes from it.
    fresh: Option<Arc<Fresh>>,
    tip: Tip,
    committed: Arc<Mutex<Tip>>,
    /// How far the clock stands behind the newest entry, in ms; 0 when it does not.
    clock_behind_ms: i64,
}

impl std::fmt::Debug for Core {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Core").field("origin", &self.origin).field("tip", &self.tip).finish()
    }
}

/// Keys of entries the index has not taken in yet (P7: the same key gives one event, always).
#[derive(Debug, Default)]
struct RecentKeys {
    /// All entries from this one on are here; all before it, the index has taken in.
    from: u64,
    seqs: HashMap<Key, u64>,
    order: VecDeque<(u64, Key)>,
}

impl RecentKeys {
    fn add(&mut self, key: Key, seq: u64) {
        self.seqs.entry(key).or_insert(seq);
        self.order.push_back((seq, key));
    }

    /// Forgets what the index knows by now.
    fn drop_before(&mut self, cursor: u64) {
        self.from = self.from.max(cursor);
        while self.order.front().is_some_and(|(seq, _)| *seq < cursor) {
            if let Some((_, key)) = self.order.pop_front() {
                self.seqs.remove(&key);
            }
        }
    }
}

/// Entries sealed and not yet committed, with whom to tell.
#[derive(Debug)]
struct OpenBatch {
    tip: Tip,
    sealed: Vec<Sealed>,
    bytes: usize,
    facts: Vec<Fact>,
    keys: HashMap<Key, usize>,
    rows: Vec<Row>,
    waiting: Vec<Waiting>,
}

/// Who waits for which entry of the open batch.
#[derive(Debug)]
struct Waiting {
    /// Index of the submission.
    submission: usize,
    /// Index of the entry in the batch.
    entry: usize,
    answer: Answer,
}

#[derive(Debug)]
enum Answer {
    Recorded,
    Known,
    Stopped(Vec<Finding>),
}

impl OpenBatch {
    fn new(tip: Tip) -> Self {
        Self {
            tip,
            sealed: Vec::new(),
            bytes: 0,
            facts: Vec::new(),
            keys: HashMap::new(),
            rows: Vec::new(),
            waiting: Vec::new(),
        }
    }

    /// The fact an event becomes as the next entry of this batch. Time never runs backwards.
    fn fact(&self, envelope: Envelope, event: Event, actor: &Actor, now_ms: i64) -> Result<Fact> {
        let seq = self.tip.count;
        let recorded_at_ms = now_ms.max(self.tip.recorded_at_ms);
        let recorded_at = Timestamp::from_millisecond(recorded_at_ms).map_err(|_| {
            let source = EntryError::Time(chain::time::TimeError::Range(recorded_at_ms));
            LedgerError::Entry { seq, source }
        })?;
        Ok(Fact::new(envelope, event, actor, seq, recorded_at))
    }

    fn is_full(&self) -> bool {
        self.sealed.len() >= BATCH_ENTRIES_MAX
            || self.bytes + chain::limits::ENTRY_BYTES_MAX > BATCH_BYTES_MAX
    }
}

/// What the log knows about a key already.
enum Earlier {
    Unknown,
    Same(Receipt),
    Other(u64),
}

type Answers = Vec<Option<Result<Outcome, Failure>>>;

impl Core {
    /// A core over an opened engine. Applies and indexes nothing yet: see
    /// [`catch_up`](Self::catch_up).
    #[must_use]
    pub fn new(parts: Parts, shop: Shop) -> Self {
        let committed = Arc::new(Mutex::new(parts.tip));
        Self::with_committed(parts, shop, committed)
    }

    /// As [`new`](Self::new), telling a notary that exists already what was committed.
    #[must_use]
    pub fn with_committed(parts: Parts, shop: Shop, committed: Arc<Mutex<Tip>>) -> Self {
        let store = parts.engine.store();
        Self {
            store,
            engine: parts.engine,
            index: parts.index,
            origin: parts.origin,
            clock: parts.clock,
            random: parts.random,
            salts: Vec::with_capacity(SALTS_AT_ONCE),
            shop: Arc::new(RwLock::new(shop)),
            recent: RecentKeys::default(),
            fresh: None,
            tip: parts.tip,
            committed,
            clock_behind_ms: 0,
        }
    }

    /// Replays what state and keys have not seen. Must be done before the first submission, or an
    /// event sent again could be recorded twice (P7).
    ///
    /// # Errors
    /// If the log cannot be read.
    pub fn catch_up(&mut self) -> Result<()> {
        {
            let mut shop = self.shop.write().unwrap_or_else(PoisonError::into_inner);
            shop.catch_up(&*self.store, self.tip.count)?;
        }
        let mut from = self.index.cursor().count;
        self.recent.from = from;
        while from < self.tip.count {
            let chunk = self.store.scan(from, SCAN_BYTES_MAX)?;
            if chunk.is_empty() {
                break;
            }
            for (seq, line) in chunk.iter() {
                let entry =
                    EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
                self.recent.add(row_of(&entry)?.key, seq);
            }
            from = chunk.end();
        }
        Ok(())
    }

    /// The state, shared with readers. It shows committed entries only.
    #[must_use]
    pub fn shop(&self) -> Arc<RwLock<Shop>> {
        Arc::clone(&self.shop)
    }

    /// What is committed from now on, for an index to take. Whoever asks must go on taking.
    #[must_use]
    pub fn fresh(&mut self) -> Arc<Fresh> {
        Arc::clone(self.fresh.get_or_insert_default())
    }

    /// The newest committed end, shared with the notary.
    #[must_use]
    pub fn committed(&self) -> Arc<Mutex<Tip>> {
        Arc::clone(&self.committed)
    }

    /// The reading half of the engine.
    #[must_use]
    pub fn store(&self) -> Arc<dyn Store> {
        Arc::clone(&self.store)
    }

    /// The newest end of the log.
    #[must_use]
    pub fn tip(&self) -> Tip {
        self.tip
    }

    /// How far the clock stands behind the newest entry, in ms; 0 when it does not. A clock that
    /// was set back never reorders entries (P9), it only makes them carry the last time again.
    #[must_use]
    pub fn clock_behind_ms(&self) -> i64 {
        self.clock_behind_ms
    }

    /// Puts something around the engine, such as a stop-watch.
    pub(crate) fn wrap_engine(self, wrap: impl FnOnce(Box<dyn Engine>) -> Box<dyn Engine>) -> Self {
        Self { engine: wrap(self.engine), ..self }
    }

    /// Turns the log read-only.
    pub fn stop(&mut self, reason: Stop) {
        self.engine.stop(reason);
    }

    /// Leaves the mark of a clean stop.
    ///
    /// # Errors
    /// As [`Engine::close`].
    pub fn close(&mut self) -> Result<()> {
        self.engine.close()
    }

    /// Takes in what other processes appended; returns whether that was anything.
    ///
    /// # Errors
    /// If the log cannot be read, or is not any more what it was. What was taken in by then stays, and
    /// the next call goes on.
    pub fn follow(&mut self) -> Result<bool> {
        self.engine.follow()?;
        self.take_in()
    }

    /// Applies entries of others that the engine shows already.
    fn take_in(&mut self) -> Result<bool> {
        let (before, count) = (self.tip, self.engine.count());
        while self.tip.count < count {
            let chunk = self.store.scan(self.tip.count, SCAN_BYTES_MAX)?;
            let mut shop = self.shop.write().unwrap_or_else(PoisonError::into_inner);
            for (seq, line) in chunk.iter() {
                let entry =
                    EntryView::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
                if entry.seq != self.tip.count || entry.prev != self.tip.leaf {
                    let (name, what) =
                        ("entries".to_owned(), "it does not follow the entry before");
                    return Err(LedgerError::Damaged { seq, name, offset: 0, what: what.into() });
                }
                shop.apply_stored(seq, line, &*self.store)?;
                self.recent.add(row_of(&entry)?.key, seq);
                let recorded_at_ms = entry.recorded_at_ms;
                self.tip = Tip { count: seq + 1, leaf: leaf_hash(line), recorded_at_ms };
            }
        }
        if self.tip != before {
            self.recent.drop_before(self.index.cursor().count.min(self.tip.count));
            *self.committed.lock().unwrap_or_else(PoisonError::into_inner) = self.tip;
        }
        Ok(self.tip != before)
    }

    /// Records submissions, in order, and answers each. When this returns, everything it calls
    /// recorded is durable.
    ///
    /// Where other processes append to the log too, what loses a race against them is judged and
    /// sealed again on what they recorded, so that the same key gives one event whoever was asked (P7).
    pub fn process(&mut self, submissions: Vec<Submission>) -> Vec<Result<Outcome, Failure>> {
        if !self.engine.is_shared() {
            return self.process_here(submissions);
        }
        let mut answers: Answers = submissions.iter().map(|_| None).collect();
        // A judgement needs what others recorded up to now; for the rest the race is enough.
        let needs_state = submissions.iter().any(Submission::needs_state);
        let mut current = if needs_state { self.follow() } else { self.take_in() };
        let mut left: Vec<(usize, Submission)> = submissions.into_iter().enumerate().collect();
        for _ in 0..TURNS_MAX {
            if let Err(error) = current {
                let failure = Arc::new(error);
                for (index, _) in left.drain(..) {
                    answers[index] = Some(Err(Arc::clone(&failure)));
                }
                break;
            }
            let round = self.process_here(left.iter().map(|(_, event)| event.clone()).collect());
            let mut behind = false;
            let mut lost = Vec::new();
            for (waiting, answer) in left.drain(..).zip(round) {
                let is_lost = match &answer {
                    Err(failure) => matches!(**failure, LedgerError::Behind { .. }),
                    // Judged on a state that lacked what lost the race.
                    Ok(Outcome::Refused(_)) => behind,
                    Ok(_) => false,
                };
                behind |= is_lost;
                if is_lost {
                    lost.push(waiting);
                } else {
                    answers[waiting.0] = Some(answer);
                }
            }
            left = lost;
            if left.is_empty() {
                break;
            }
            current = self.engine.take_turn().and_then(|_| self.take_in());
        }
        self.engine.end_turn();
        let busy = || Err(Arc::new(LedgerError::Busy));
        answers.into_iter().map(|answer| answer.unwrap_or_else(busy)).collect()
    }

    /// [`process`](Self::process), if the log has exactly `only_at` entries; else every answer is
    /// [`Behind`](LedgerError::Behind) and nothing is written.
    pub fn process_at(
        &mut self,
        submissions: Vec<Submission>,
        only_at: Option<u64>,
    ) -> Vec<Result<Outcome, Failure>> {
        let Some(only_at) = only_at else { return self.process(submissions) };
        if let Err(error) = self.take_in() {
            let failure = Arc::new(error);
            return submissions.iter().map(|_| Err(Arc::clone(&failure))).collect();
        }
        if self.tip.count != only_at {
            let failure = Arc::new(LedgerError::Behind { count: self.tip.count });
            return submissions.iter().map(|_| Err(Arc::clone(&failure))).collect();
        }
        let answers = self.process_here(submissions);
        let lost = |answer: &Result<Outcome, Failure>| {
            answer.as_ref().is_err_and(|failure| matches!(**failure, LedgerError::Behind { .. }))
        };
        // Whoever asks again is judged on what is there by then.
        if answers.iter().any(lost)
            && let Err(error) = self.follow()
        {
            tracing::warn!(%error, "what others recorded was not taken in");
        }
        answers
    }

    /// Whether other processes append to the log too.
    #[must_use]
    pub fn is_shared(&self) -> bool {
        self.engine.is_shared()
    }

    /// [`process`](Self::process), once, on what this process knows.
    fn process_here(&mut self, submissions: Vec<Submission>) -> Vec<Result<Outcome, Failure>> {
        self.recent.drop_before(self.index.cursor().count.min(self.tip.count));
        let now_ms = self.clock.now_ms();
        self.clock_behind_ms = (self.tip.recorded_at_ms - now_ms).max(0);
        let mut answers: Answers = submissions.iter().map(|_| None).collect();
        let mut batch = OpenBatch::new(self.tip);
        for (index, submission) in submissions.into_iter().enumerate() {
            let must_be_current = submission.needs_state() && !batch.sealed.is_empty();
            if must_be_current || batch.is_full() {
                batch = self.commit(batch, &mut answers);
            }
            if let Some(answer) = self.consider(index, submission, now_ms, &mut batch).transpose() {
                answers[index] = Some(answer.map_err(Arc::new));
            }
        }
        self.commit(batch, &mut answers);
        let unanswered = || {
            let since = "a submission was left without an answer".to_owned();
            Err(Arc::new(LedgerError::Poisoned { since }))
        };
        answers.into_iter().map(|answer| answer.unwrap_or_else(unanswered)).collect()
    }

    /// Answers a submission at once, or puts it into the batch (`None`).
    fn consider(
        &mut self,
        index: usize,
        submission: Submission,
        now_ms: i64,
        batch: &mut OpenBatch,
    ) -> Result<Option<Outcome>> {
        let needs_state = submission.needs_state();
        let Submission { draft, read, actor, handling, signature, key, subject } = submission;
        let ReadEvent { bytes, envelope, event } = read;
        if let Some(&entry) = batch.keys.get(&key) {
            let seq = self.tip.count + entry as u64;
            if !sealed_event_is(&batch.sealed[entry], &bytes) {
                return Ok(Some(Outcome::Conflict { seq }));
            }
            batch.waiting.push(Waiting { submission: index, entry, answer: Answer::Known });
            return Ok(None);
        }
        match self.earlier(&key, &bytes)? {
            Earlier::Same(receipt) => return Ok(Some(Outcome::Known { receipt })),
            Earlier::Other(seq) => return Ok(Some(Outcome::Conflict { seq })),
            Earlier::Unknown => {}
        }
        if self.recent.order.len() + batch.sealed.len() >= KEYS_AHEAD_MAX {
            return Err(LedgerError::Busy);
        }
        let stopped = needs_state.then(|| envelope.clone());
        let fact = batch.fact(envelope, event, &actor, now_ms)?;
        if let Some(stopped) = stopped {
            match self.judge(&fact, handling)? {
                Err(refusal) => return Ok(Some(Outcome::Refused(refusal))),
                Ok(stopping) if stopping.is_empty() => {}
                Ok(stopping) => {
                    let attempt =
                        Submission::stopped_attempt(&actor, &stopped, &bytes, &stopping).map_err(
                            |source| LedgerError::OwnEvent { name: "attempt.refused", source },
                        )?;
                    return self.refuse(index, attempt, stopping, now_ms, batch);
                }
            }
        }
        let entry = self.seal(&draft, signature.as_ref(), (key, subject), fact, batch)?;
        batch.waiting.push(Waiting { submission: index, entry, answer: Answer::Recorded });
        Ok(None)
    }

    /// The findings that stop a fact; none if nothing does.
    fn judge(
        &self,
        fact: &Fact,
        handling: Handling,
    ) -> Result<std::result::Result<Vec<Finding>, Refusal>> {
        let shop = self.shop.read().unwrap_or_else(PoisonError::into_inner);
        Ok(shop.judge(fact, &*self.store)?.map(|findings| match handling {
            Handling::Lenient => Vec::new(),
            Handling::Strict => shop.stops(fact, &findings),
        }))
    }

    /// Records that strict handling stopped an event. The same attempt is recorded once.
    fn refuse(
        &mut self,
        index: usize,
        attempt: Submission,
        findings: Vec<Finding>,
        now_ms: i64,
        batch: &mut OpenBatch,
    ) -> Result<Option<Outcome>> {
        let key = attempt.key;
        if let Some(seq) = self.seq_of(&key)? {
            return Ok(Some(Outcome::Stopped { findings, refused_in: seq }));
        }
        let fact = batch.fact(attempt.read.envelope, attempt.read.event, &attempt.actor, now_ms)?;
        let entry = self.seal(&attempt.draft, None, (key, attempt.subject), fact, batch)?;
        batch.waiting.push(Waiting { submission: index, entry, answer: Answer::Stopped(findings) });
        Ok(None)
    }

    /// A salt that was not used before. They are got many at a time: one call to the system for each
    /// would cost as much as hashing the entry.
    fn salt(&mut self) -> Salt {
        if self.salts.is_empty() {
            let mut bytes = [0; SALTS_AT_ONCE * chain::limits::SALT_BYTES];
            self.random.fill(&mut bytes);
            self.salts.extend_from_slice(bytes.as_chunks().0);
        }
        self.salts.pop().expect("filled above")
    }

    fn seal(
        &mut self,
        draft: &Draft,
        signature: Option<&ClientSignature>,
        (key, subject): (Key, String),
        fact: Fact,
        batch: &mut OpenBatch,
    ) -> Result<usize> {
        let salt = self.salt();
        let seq = batch.tip.count;
        let recorded_at_ms = fact.recorded_at.as_millisecond();
        let link = Link { seq, prev: batch.tip.leaf, recorded_at_ms, salt };
        let sealed =
            draft.seal(link, signature).map_err(|source| LedgerError::Entry { seq, source })?;
        batch.tip = Tip { count: seq + 1, leaf: sealed.leaf, recorded_at_ms };
        batch.bytes += sealed.bytes.len() + 1;
        let entry = batch.sealed.len();
        batch.sealed.push(sealed);
        batch.facts.push(fact);
        batch.keys.insert(key, entry);
        batch.rows.push(Row { seq, key, subject });
        Ok(entry)
    }

    /// Appends the open batch: one write, one sync. Then, and only then, applies it and answers.
    /// Returns the next, empty batch.
    fn commit(&mut self, batch: OpenBatch, answers: &mut Answers) -> OpenBatch {
        if batch.sealed.is_empty() {
            return OpenBatch::new(self.tip);
        }
        let lines: Vec<Line<'_>> = batch
            .sealed
            .iter()
            .map(|sealed| Line { bytes: &sealed.bytes, leaf: sealed.leaf })
            .collect();
        // COMMIT POINT. Before it everything may be retried, after it nothing may be lost.
        if let Err(error) = self.engine.append(self.tip.count, &lines) {
            let failure = Arc::new(error);
            for waiting in batch.waiting {
                answers[waiting.submission] = Some(Err(Arc::clone(&failure)));
            }
            return OpenBatch::new(self.tip);
        }
        let before = self.tip;
        self.tip = batch.tip;
        batch.rows.iter().for_each(|row| self.recent.add(row.key, row.seq));
        if let Some(fresh) = &self.fresh {
            fresh.add(batch.rows, self.tip);
        }
        let findings = self.apply(&batch.facts);
        *self.committed.lock().unwrap_or_else(PoisonError::into_inner) = self.tip;

        let receipts = self.receipts(before, &batch.sealed, &batch.facts);
        for waiting in batch.waiting {
            let receipt = receipts[waiting.entry].clone();
            answers[waiting.submission] = Some(Ok(match waiting.answer {
                Answer::Recorded => {
                    Outcome::Recorded { receipt, findings: findings[waiting.entry].clone() }
                }
                Answer::Known => Outcome::Known { receipt },
                Answer::Stopped(findings) => Outcome::Stopped { findings, refused_in: receipt.seq },
            }));
        }
        OpenBatch::new(self.tip)
    }

    /// Applies committed facts, all under one lock.
    fn apply(&self, facts: &[Fact]) -> Vec<Vec<Finding>> {
        let mut shop = self.shop.write().unwrap_or_else(PoisonError::into_inner);
        let apply = |fact: &Fact| match shop.apply(fact, &*self.store) {
            Ok(findings) => findings,
            Err(error) => {
                // The entry stands; only the state of this process lacks it. A restart replays.
                tracing::error!(seq = fact.seq, %error, "a committed entry could not be applied");
                Vec::new()
            }
        };
        facts.iter().map(apply).collect()
    }

    fn receipts(&self, before: Tip, sealed: &[Sealed], facts: &[Fact]) -> Vec<Receipt> {
        let mut prev = before.leaf;
        let receipt = |(sealed, fact): (&Sealed, &Fact)| Receipt {
            origin: Arc::clone(&self.origin),
            seq: fact.seq,
            leaf: sealed.leaf,
            prev: std::mem::replace(&mut prev, sealed.leaf),
            recorded_at_ms: fact.recorded_at.as_millisecond(),
        };
        sealed.iter().zip(facts).map(receipt).collect()
    }

    fn seq_of(&self, key: &Key) -> Result<Option<u64>> {
        match self.recent.seqs.get(key) {
            Some(seq) => Ok(Some(*seq)),
            // The index is being built anew: it cannot tell yet whether the key is new.
            None if self.index.cursor().count < self.recent.from => Err(LedgerError::Busy),
            None => self.index.seq_of(key, self.recent.from),
        }
    }

    fn earlier(&self, key: &Key, event: &[u8]) -> Result<Earlier> {
        let Some(seq) = self.seq_of(key)? else { return Ok(Earlier::Unknown) };
        let damaged = |what: &str| LedgerError::Index { what: format!("entry `{seq}` {what}") };
        let line = read_entry(&*self.store, seq)?.ok_or_else(|| damaged("is not in the log"))?;
        let entry = EntryView::parse(&line).map_err(|source| LedgerError::Entry { seq, source })?;
        if entry.event == event {
            return Ok(Earlier::Same(Receipt {
                origin: Arc::clone(&self.origin),
                seq,
                leaf: leaf_hash(&line),
                prev: entry.prev,
                recorded_at_ms: entry.recorded_at_ms,
            }));
        }
        if row_of(&entry)?.key != *key {
            return Err(damaged("has not the key the index says"));
        }
        Ok(Earlier::Other(seq))
    }
}

fn sealed_event_is(sealed: &Sealed, event: &[u8]) -> bool {
    EntryView::parse(&sealed.bytes).is_ok_and(|entry| entry.event == event)
}
