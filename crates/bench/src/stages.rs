//! Where the time of an event goes: every stage of the direct path after the other in one thread, so
//! that the figures add up to what a processor has to do. This is the reason beside a goal.

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use chain::canon;
use chain::entry::Entry;
use ledger::core::{Core, Parts};
use ledger::engine::recovery::Stop;
use ledger::engine::{Engine, Line, Store};
use ledger::index::{MemIndex, follow};
use ledger::seams::OsRandom;
use ledger::{Handling, Outcome, ReadEvent, Shop, Submission};
use shopfloor::{Fact, State};

use crate::event::Events;
use crate::measure::LARGE_BATCH;
use crate::ours::{ORIGIN, Place, SystemClock, actor};

/// Events in each batch size, after the same number that warm up.
const SINGLE_EVENTS: u64 = 1_000;
const BATCHED_EVENTS: u64 = 100 * LARGE_BATCH as u64;

/// A stage and its microseconds an event.
#[derive(Debug, Clone)]
pub(crate) struct Stage {
    /// Events in a commit.
    pub(crate) batch: usize,
    pub(crate) what: &'static str,
    pub(crate) us: f64,
}

/// An engine with a stop-watch round its append.
#[derive(Debug)]
struct Timed<E> {
    engine: E,
    spent: Arc<Mutex<Duration>>,
}

impl<E: Engine> Engine for Timed<E> {
    fn count(&self) -> u64 {
        self.engine.count()
    }
    fn append(&mut self, expected_count: u64, lines: &[Line<'_>]) -> ledger::Result<()> {
        let begun = Instant::now();
        let done = self.engine.append(expected_count, lines);
        *self.spent.lock().unwrap_or_else(PoisonError::into_inner) += begun.elapsed();
        done
    }
    fn store(&self) -> Arc<dyn Store> {
        self.engine.store()
    }
    fn stop(&mut self, reason: Stop) {
        self.engine.stop(reason);
    }
    fn close(&mut self) -> ledger::Result<()> {
        self.engine.close()
    }
    fn retire(&mut self, to: &str) -> ledger::Result<bool> {
        self.engine.retire(to)
    }
}

/// Does something and adds the time it took.
fn timed<T>(spent: &mut Duration, work: impl FnOnce() -> T) -> T {
    let begun = Instant::now();
    let done = work();
    *spent += begun.elapsed();
    done
}

/// All stages, for single events and for large batches.
pub(crate) fn run(dir: &Path) -> Result<Vec<Stage>> {
    let mut stages = Vec::new();
    for (batch, events) in [(1, SINGLE_EVENTS), (LARGE_BATCH, BATCHED_EVENTS)] {
        let place = tempfile::tempdir_in(dir)?;
        stages.extend(measure(place.path(), batch, events)?);
    }
    Ok(stages)
}

fn measure(dir: &Path, batch: usize, events: u64) -> Result<Vec<Stage>> {
    let place = Place::create(dir)?;
    let (engine, committed, mut notary) = place.open_log()?;
    let tip = *committed.lock().unwrap_or_else(PoisonError::into_inner);
    let store = engine.store();
    let disk_index = place.open_index(&*store)?;
    let index = Arc::new(MemIndex::new());
    while follow(&*index, &*store)? > 0 {}
    let appended = Arc::new(Mutex::new(Duration::ZERO));
    let parts = Parts {
        engine: Box::new(Timed { engine, spent: Arc::clone(&appended) }),
        index: Arc::clone(&index) as _,
        origin: ORIGIN.into(),
        tip,
        clock: Arc::new(SystemClock),
        random: Box::new(OsRandom),
    };
    let mut core = Core::with_committed(parts, Shop::new(), committed);
    core.catch_up()?;

    let mut source = Events::new("stages");
    let [mut read, mut drafted, mut processed, mut indexed, mut signed] = [Duration::ZERO; 5];
    let mut done = 0;
    while done < 2 * events {
        if done == events {
            // What came before warmed up.
            [read, drafted, processed, indexed, signed] = [Duration::ZERO; 5];
            *appended.lock().unwrap_or_else(PoisonError::into_inner) = Duration::ZERO;
        }
        let texts: Vec<String> = (0..batch).map(|_| source.canonical()).collect();
        let events: Vec<ReadEvent> = timed(&mut read, || {
            let read = |text: &String| {
                let value = canon::parse(text.as_bytes())?;
                ReadEvent::read(&value).map_err(anyhow::Error::from)
            };
            texts.iter().map(read).collect::<Result<_>>()
        })?;
        let submissions: Vec<Submission> = timed(&mut drafted, || {
            let draft = |event| Submission::new(actor(), event, Handling::Lenient, None);
            events.into_iter().map(draft).collect::<std::result::Result<_, _>>()
        })?;
        for answer in timed(&mut processed, || core.process(submissions)) {
            let recorded = matches!(answer, Ok(Outcome::Recorded { .. }));
            ensure!(recorded, "an event of the measurement was not recorded");
        }
        while follow(&*index, &*store)? > 0 {}
        done += batch as u64;
        // As in service, where neither index nor notary runs for every commit.
        if done.is_multiple_of(SINGLE_EVENTS.min(LARGE_BATCH as u64)) {
            timed(&mut indexed, || -> ledger::Result<()> {
                while follow(&disk_index, &*store)? > 0 {}
                Ok(())
            })?;
            timed(&mut signed, || notary.cover().map(drop))?;
        }
    }
    core.close()?;
    drop(core);
    let appended = *appended.lock().unwrap_or_else(PoisonError::into_inner);
    let folded = fold(&*store, store.count() - events)?;
    let us = |time: Duration| time.as_secs_f64() * 1e6 / events as f64;
    let stage = |what, us| Stage { batch, what, us };
    Ok(vec![
        stage("strict JSON read, attributes and data decoded", us(read)),
        stage("canonical form checked again, beginning of the entry hashed", us(drafted)),
        stage(
            "known or new, sealed, hashed, answered",
            us(processed.saturating_sub(appended).saturating_sub(folded)),
        ),
        stage("judged and folded", us(folded)),
        stage("hashed again, written, synced", us(appended)),
        stage("taken in by the index (beside)", us(indexed)),
        stage("read back, hashed, signed by the notary (beside)", us(signed)),
    ])
}

/// The folds alone, over the entries from one on.
fn fold(store: &dyn Store, from: u64) -> Result<Duration> {
    let mut facts = Vec::new();
    let mut at = 0;
    while at < store.count() {
        let chunk = store.scan(at, 1 << 20)?;
        for (seq, line) in chunk.iter() {
            let entry = Entry::parse(line).with_context(|| format!("entry `{seq}`"))?;
            facts.push(Fact::from_entry(&entry)?);
        }
        at = chunk.end();
    }
    let mut state = State::default();
    let (before, measured) = facts.split_at(usize::try_from(from)?);
    before.iter().for_each(|fact| drop(state.apply(fact, None)));
    let mut spent = Duration::ZERO;
    timed(&mut spent, || measured.iter().for_each(|fact| drop(state.apply(fact, None))));
    Ok(spent)
}
