//! Doing something for a while, and what came of it.

use std::future::Future;
use std::time::{Duration, Instant};

use anyhow::{Result, ensure};
use tokio::sync::{mpsc, oneshot};

use crate::cpu::{ByThread, Cpu};
use crate::event::{Events, Record};

/// Clients that wait for their answer each, where many are measured.
pub(crate) const CLIENTS: usize = 64;
/// Events in a large batch.
pub(crate) const LARGE_BATCH: usize = 1_024;
/// Time before measuring begins.
const WARM_UP: Duration = Duration::from_millis(300);

/// What came of one cell in one round.
#[derive(Debug, Clone, Default)]
pub(crate) struct Sample {
    /// Events acknowledged while measured.
    pub(crate) events: u64,
    /// Seconds measured.
    pub(crate) seconds: f64,
    /// Times from sending to acknowledgement, in microseconds.
    pub(crate) latencies_us: Vec<u32>,
    /// Events acknowledged in all, with those of the warm-up.
    pub(crate) acknowledged: u64,
    /// Microseconds of processor time by thread, the warm-up included, of this process.
    pub(crate) cpu_us: ByThread,
}

impl Sample {
    pub(crate) fn rate(&self) -> f64 {
        self.events as f64 / self.seconds.max(1e-9)
    }

    /// Processor time of each thread, in microseconds an event.
    pub(crate) fn cpu_per_event(&self) -> ByThread {
        let events = self.acknowledged.max(1) as f64;
        self.cpu_us.iter().map(|(thread, us)| (thread.clone(), us / events)).collect()
    }

    /// A percentile of the latencies, in microseconds.
    pub(crate) fn percentile(&mut self, percent: usize) -> f64 {
        self.latencies_us.sort_unstable();
        let last = self.latencies_us.len().saturating_sub(1);
        self.latencies_us.get(last * percent / 100).copied().map_or(f64::NAN, f64::from)
    }

    fn add(&mut self, other: Self) {
        self.events += other.events;
        self.seconds = self.seconds.max(other.seconds);
        self.latencies_us.extend(other.latencies_us);
        self.acknowledged += other.acknowledged;
    }
}

/// Takes time: warm-up first, then for as long as wanted.
struct Watch {
    begun: Instant,
    time: Duration,
    sample: Sample,
}

impl Watch {
    fn new(time: Duration) -> Self {
        Self { begun: Instant::now(), time, sample: Sample::default() }
    }

    fn goes_on(&mut self) -> bool {
        let elapsed = self.begun.elapsed();
        self.sample.seconds = elapsed.saturating_sub(WARM_UP).as_secs_f64();
        elapsed < WARM_UP + self.time
    }

    fn note(&mut self, sent: Instant, events: u64) {
        self.sample.acknowledged += events;
        if self.begun.elapsed() >= WARM_UP {
            self.sample.events += events;
            self.sample
                .latencies_us
                .push(u32::try_from(sent.elapsed().as_micros()).unwrap_or(u32::MAX));
        }
    }
}

/// One client, one call after the other; a call returns how many events it had acknowledged.
pub(crate) fn one_after_the_other(
    time: Duration,
    mut call: impl FnMut() -> Result<u64>,
) -> Result<Sample> {
    let cpu = Cpu::now();
    let mut watch = Watch::new(time);
    while watch.goes_on() {
        let sent = Instant::now();
        let events = call()?;
        watch.note(sent, events);
    }
    Ok(Sample { cpu_us: cpu.since(), ..watch.sample })
}

/// Many clients side by side, each waiting for its answer; `client` makes one client's call.
pub(crate) async fn side_by_side<F, C>(
    clients: usize,
    time: Duration,
    mut client: impl FnMut(usize) -> C,
) -> Result<Sample>
where
    C: FnMut() -> F + Send + 'static,
    F: Future<Output = Result<u64>> + Send,
{
    let cpu = Cpu::now();
    let tasks: Vec<_> = (0..clients)
        .map(|number| {
            let mut call = client(number);
            tokio::spawn(async move {
                let mut watch = Watch::new(time);
                while watch.goes_on() {
                    let sent = Instant::now();
                    let events = call().await?;
                    watch.note(sent, events);
                }
                anyhow::Ok(watch.sample)
            })
        })
        .collect();
    let mut all = Sample::default();
    for task in tasks {
        all.add(task.await??);
    }
    all.cpu_us = cpu.since();
    Ok(all)
}

/// A store that takes batches, each durable when `commit` returns.
pub(crate) trait Batches: Send + 'static {
    /// Chains and stores the records, one durable commit.
    fn commit(&mut self, records: &[Record]) -> Result<()>;
    /// How many are stored; checks the chain over all of them.
    fn verify(&mut self) -> Result<u64>;
}

/// The same group commit for every rival that has none of its own: a thread that commits together
/// what waits, at most 1,024 at once.
#[derive(Debug, Clone)]
pub(crate) struct GroupCommit {
    queue: mpsc::UnboundedSender<(Vec<Record>, oneshot::Sender<bool>)>,
}

impl GroupCommit {
    /// Starts the thread; joining it gives the store back.
    pub(crate) fn start<S: Batches>(mut store: S) -> (Self, std::thread::JoinHandle<S>) {
        let (queue, mut waiting) =
            mpsc::unbounded_channel::<(Vec<Record>, oneshot::Sender<bool>)>();
        let thread = std::thread::spawn(move || {
            while let Some((mut records, reply)) = waiting.blocking_recv() {
                let mut replies = vec![reply];
                while records.len() < LARGE_BATCH
                    && let Ok((more, reply)) = waiting.try_recv()
                {
                    records.extend(more);
                    replies.push(reply);
                }
                let done = store.commit(&records);
                if let Err(error) = &done {
                    eprintln!("a rival failed: {error:#}");
                }
                for reply in replies {
                    let _ = reply.send(done.is_ok());
                }
            }
            store
        });
        (Self { queue }, thread)
    }

    /// Stores records together with what others send meanwhile.
    pub(crate) async fn commit(&self, records: Vec<Record>) -> Result<()> {
        let (reply, answer) = oneshot::channel();
        self.queue.send((records, reply)).map_err(|_| anyhow::anyhow!("the store is gone"))?;
        ensure!(answer.await?, "the store failed");
        Ok(())
    }
}

/// One client, batches of `size`.
pub(crate) fn batches<S: Batches>(
    store: &mut S,
    run: &str,
    size: usize,
    time: Duration,
) -> Result<Sample> {
    let mut events = Events::new(run);
    let sample = one_after_the_other(time, || {
        let records: Vec<Record> = (0..size).map(|_| events.record()).collect();
        store.commit(&records)?;
        Ok(size as u64)
    })?;
    guard(store.verify()?, &sample)?;
    Ok(sample)
}

/// 64 clients over the group commit above.
pub(crate) async fn grouped<S: Batches>(store: S, run: &str, time: Duration) -> Result<Sample> {
    let (group, thread) = GroupCommit::start(store);
    let sample = side_by_side(CLIENTS, time, |number| {
        let mut events = Events::new(format!("{run}-{number}"));
        let group = group.clone();
        move || {
            let (record, group) = (events.record(), group.clone());
            async move { group.commit(vec![record]).await.map(|()| 1) }
        }
    })
    .await?;
    drop(group);
    guard(verified(thread).await?, &sample)?;
    Ok(sample)
}

/// Waits for the thread of a group commit and verifies its store, off the thread of the clients.
pub(crate) async fn verified<S: Batches>(thread: std::thread::JoinHandle<S>) -> Result<u64> {
    let verify = move || -> Result<u64> {
        thread.join().map_err(|_| anyhow::anyhow!("the store panicked"))?.verify()
    };
    tokio::task::spawn_blocking(verify).await?
}

/// What was acknowledged is what is stored.
pub(crate) fn guard(stored: u64, sample: &Sample) -> Result<()> {
    let told = sample.acknowledged;
    ensure!(stored == told, "`{told}` events were acknowledged and `{stored}` are stored");
    Ok(())
}
