//! Judging events without recording them: dry runs, and batches recorded as a whole.

use std::collections::HashMap;

use chain::entry::{Entry, EntryView, leaf_hash};
use jiff::Timestamp;
use ledger::{Key, Receipt};
use shopfloor::{Fact, Finding, State};

use super::{Handling, Log, LogError, Outcome, Submission};

/// Nothing stands against recording.
pub(super) struct AllWell;

/// Events judged one after the other, each on a copy of the state that the ones before changed.
struct Trial<'l> {
    log: &'l Log,
    state: State,
    now: Timestamp,
    handling: Handling,
    /// Facts of this trial, which are not in the log.
    facts: Vec<Fact>,
    /// Keys of this trial, with the index of their submission.
    keys: HashMap<Key, usize>,
}

/// Judges events in their order on a copy of the state. Nothing is recorded.
pub(super) fn run(
    log: &Log,
    state: State,
    submissions: &[Submission],
    handling: Handling,
) -> Result<Vec<Outcome>, LogError> {
    let now = Timestamp::from_millisecond(log.0.clock.now_ms())
        .map_err(|error| LogError::Failed(error.to_string()))?;
    let (facts, keys) = (Vec::new(), HashMap::new());
    let mut trial = Trial { log, state, now, handling, facts, keys };
    (0..submissions.len()).map(|index| trial.judge(submissions, index)).collect()
}

impl Trial<'_> {
    fn judge(&mut self, all: &[Submission], index: usize) -> Result<Outcome, LogError> {
        let submission = &all[index];
        let (read, actor) = (submission.0.read(), submission.0.actor());
        let key = Key::new(&read.envelope().source, &read.envelope().id);
        if let Some(&earlier) = self.keys.get(&key) {
            let same = all[earlier].bytes() == submission.bytes();
            return Ok(if same { self.tried(vec![], false) } else { Outcome::IdReused(None) });
        }
        if let Some(outcome) = self.known(&key, submission)? {
            return Ok(outcome);
        }
        self.keys.insert(key, index);
        let fact = Fact::new(
            read.envelope().clone(),
            read.event().clone(),
            actor,
            self.state.as_of,
            self.now,
        );
        let original = self.original(&fact)?;
        let findings = match self.state.judge(&fact, original.as_ref()) {
            Ok(findings) => findings,
            Err(refusal) => return Ok(Outcome::Refused(refusal)),
        };
        let stops: Vec<Finding> = self.state.stops(&fact, &findings).into_iter().cloned().collect();
        if self.handling.strict && !self.handling.dry_run && !stops.is_empty() {
            return Ok(Outcome::Stopped { findings: stops, refused_in: 0 });
        }
        let outcome = self.tried(findings, !stops.is_empty());
        self.state.apply(&fact, original.as_ref());
        self.facts.push(fact);
        Ok(outcome)
    }

    fn tried(&self, findings: Vec<Finding>, would_stop: bool) -> Outcome {
        Outcome::Tried { as_of: self.state.as_of, would_stop, findings }
    }

    /// What the log knows about a key already.
    fn known(&self, key: &Key, submission: &Submission) -> Result<Option<Outcome>, LogError> {
        let index = self.log.0.ledger.index();
        let Some(seq) = index.seq_of(key, index.cursor().count)? else { return Ok(None) };
        let Some(line) = self.log.entry(seq)? else { return Ok(None) };
        let entry = EntryView::parse(&line).map_err(|error| LogError::Failed(error.to_string()))?;
        if entry.event != submission.bytes() {
            return Ok(Some(Outcome::IdReused(Some(seq))));
        }
        let receipt = Receipt {
            origin: self.log.origin().into(),
            seq,
            leaf: leaf_hash(&line),
            prev: entry.prev,
            recorded_at_ms: entry.recorded_at_ms,
        };
        Ok(Some(Outcome::Known(receipt, self.state.findings.of_entry(seq).to_vec())))
    }

    /// The earlier fact this one is about, as it counts now.
    fn original(&self, fact: &Fact) -> Result<Option<Fact>, LogError> {
        let Some(seq) = fact.about_entry().filter(|seq| *seq < fact.seq) else { return Ok(None) };
        let earlier = match self.facts.iter().find(|fact| fact.seq == seq) {
            Some(fact) => Some(fact.clone()),
            None => match self.log.entry(seq)? {
                Some(line) => {
                    let entry =
                        Entry::parse(&line).map_err(|error| LogError::Failed(error.to_string()))?;
                    Fact::from_entry(&entry).ok()
                }
                None => None,
            },
        };
        Ok(earlier.and_then(|fact| self.state.record.effective(fact)))
    }
}

/// What is answered for a batch that is not recorded: its faults, and [`Outcome::NotTried`] for the
/// rest.
///
/// # Errors
/// [`AllWell`] if there is no fault.
pub(super) fn refusal(outcomes: Vec<Outcome>) -> Result<Vec<Outcome>, AllWell> {
    let is_fault = |outcome: &Outcome| match outcome {
        Outcome::IdReused(_) | Outcome::Stopped { .. } | Outcome::Refused(_) => true,
        Outcome::Recorded(..) | Outcome::Known(..) | Outcome::Tried { .. } | Outcome::NotTried => {
            false
        }
    };
    if !outcomes.iter().any(is_fault) {
        return Err(AllWell);
    }
    let told = |outcome: Outcome| match outcome {
        Outcome::Tried { .. } => Outcome::NotTried,
        other => other,
    };
    Ok(outcomes.into_iter().map(told).collect())
}

/// Records that strict handling stopped events of a batch, as the writer does for single ones.
pub(super) async fn record_attempts(
    log: &Log,
    submissions: &[Submission],
    mut outcomes: Vec<Outcome>,
) -> Result<Vec<Outcome>, LogError> {
    for (submission, outcome) in submissions.iter().zip(&mut outcomes) {
        if let Outcome::Stopped { findings, refused_in } = outcome {
            let attempt = attempt(submission, findings)?;
            *refused_in = log.record_prepared(attempt).await?.seq;
        }
    }
    Ok(outcomes)
}

fn attempt(submission: &Submission, findings: &[Finding]) -> Result<ledger::Submission, LogError> {
    let (read, actor) = (submission.0.read(), submission.0.actor());
    ledger::Submission::stopped_attempt(actor, read.envelope(), read.bytes(), findings)
        .map_err(|error| LogError::Failed(error.to_string()))
}
