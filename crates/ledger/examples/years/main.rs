//! Years of a shop in one log, and how each cost grows with it (DEVELOPERS.md, "Growth").
//!
//! `cargo run --release -p ledger --example years [SIZES] [PRINTERS] [DIR]`, for example
//! `100000,1000000,7300000`: a year of 100 printers, 5.4 GB of disk.
//!
//! One log is filled by [`shop::Shop`], with the clock of the shop in place of that of the machine.
//! Whenever it reached one of the sizes it is closed in good order, the page cache of its files is
//! dropped, and a process of its own opens it, asks it, and checks it. What is told of appending is
//! processor time of the ledger's own threads, so that other work on the machine shows little.
//! The log is made in `DIR` (else the folder for temporary files) and removed afterwards.

mod costs;
#[path = "../../../bench/src/cpu.rs"]
#[allow(dead_code, reason = "the benchmark says more of it")]
mod cpu;
mod shop;
#[path = "../../../bench/src/system.rs"]
mod system;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail, ensure};
use chain::note::Ed25519Signer;
use ledger::disk::{FileSystemPolicy, OsDisk};
use ledger::engine::files::FilesOptions;
use ledger::seams::{Clock, OsRandom};
use ledger::{IndexPlace, Ledger, LedgerError, Opened, Pace, Seams, Submission, create, open};

use tokio::runtime::Runtime;

use costs::Costs;
use cpu::{ByThread, Cpu};
use shop::{PER_DAY, Shop};

/// As the recorder has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

pub(crate) const ORIGIN: &str = "records.brackwater.example/north/years";
/// Entries of one call.
const BATCH: u64 = 1_024;

pub(crate) fn signer() -> Ed25519Signer {
    Ed25519Signer::new(ORIGIN, &[7; 32]).expect("the origin can name a key")
}

/// Where the log lies.
pub(crate) struct Place {
    pub(crate) files: FilesOptions,
    pub(crate) index: PathBuf,
}

impl Place {
    fn under(dir: &Path) -> Self {
        let mut files = FilesOptions::under(dir);
        files.file_systems = FileSystemPolicy::TestsOnly;
        Self { files, index: dir.join("index") }
    }

    pub(crate) fn open(&self, clock: &ShopClock) -> Result<Opened> {
        Ok(open(seams(clock), &self.files, &IndexPlace::Dir(self.index.clone()))?)
    }
}

fn seams(clock: &ShopClock) -> Seams {
    Seams {
        disk: Arc::new(OsDisk),
        clock: Arc::new(clock.clone()),
        random: Box::new(OsRandom),
        signer: Arc::new(signer()),
    }
}

/// The shop's clock: it stands where the last entry was told.
#[derive(Debug, Clone, Default)]
pub(crate) struct ShopClock(Arc<AtomicI64>);

impl Clock for ShopClock {
    fn now_ms(&self) -> i64 {
        self.0.load(Ordering::Relaxed)
    }
}

/// Processor time of the ledger's own threads (all but the one that makes the events), in us.
fn ledger_us(since: &Cpu) -> ByThread {
    let mut used = since.since();
    used.retain(|thread, _| thread.starts_with("ledger"));
    used
}

/// What appending cost on the way from the size before.
struct Appended {
    /// Processor time of each of the ledger's threads an entry, in us.
    us: ByThread,
    /// Entries a second, events made and read included.
    rate: f64,
    /// Closing in good order, with a last snapshot, in s.
    close_s: f64,
}

/// Records until the log holds `size` entries; what that cost, snapshots and merged runs of the index
/// included, which come ever more seldom.
fn append(
    place: &Place,
    clock: &ShopClock,
    shop: &mut Shop,
    size: u64,
    runtime: &Runtime,
) -> Result<Appended> {
    let opened = place.open(clock)?;
    let first = opened.report.count;
    let mut count = first;
    let ledger = Ledger::start(opened, Pace::default())?;
    let (cpu, begun) = (Cpu::now(), Instant::now());
    // The next batch is made while one is recorded.
    let (made, batches) = mpsc::sync_channel(1);
    std::thread::scope(|scope| -> Result<()> {
        scope.spawn(move || {
            let mut left = size - first;
            while left > 0 {
                let events = (0..left.min(BATCH)).map(|_| shop.next());
                let (batch, told_at_ms): (Vec<Submission>, Vec<i64>) = events.unzip();
                left -= batch.len() as u64;
                // Nobody takes it any more once recording failed.
                if made.send((batch, told_at_ms.last().copied())).is_err() {
                    break;
                }
            }
        });
        for (batch, told_at_ms) in batches {
            clock.0.store(told_at_ms.unwrap_or_default(), Ordering::Relaxed);
            count += runtime.block_on(record(&ledger, batch))?;
        }
        Ok(())
    })?;
    ensure!(count == size, "`{count}` of `{size}` entries were recorded");
    let entries = (count - first) as f64;
    let rate = entries / begun.elapsed().as_secs_f64();
    let us = ledger_us(&cpu).into_iter().map(|(thread, us)| (thread, us / entries)).collect();
    let begun = Instant::now();
    ledger.close()?;
    Ok(Appended { us, rate, close_s: begun.elapsed().as_secs_f64() })
}

/// Records a batch, however often the ledger asks to come again; how many entries it became.
async fn record(ledger: &Ledger, mut batch: Vec<Submission>) -> Result<u64> {
    let mut recorded = 0;
    while !batch.is_empty() {
        let sent = batch.clone();
        let mut again = Vec::new();
        for (answer, submission) in ledger.submit(batch).await?.into_iter().zip(sent) {
            match answer {
                Ok(_) => recorded += 1,
                Err(failure) if matches!(*failure, LedgerError::Busy) => again.push(submission),
                Err(failure) => bail!("{failure}"),
            }
        }
        if !again.is_empty() {
            // The index is behind: it is given a moment.
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        batch = again;
    }
    Ok(recorded)
}

/// Fills the log and prints the table.
fn years(dir: &Path, sizes: &[u64], printers: u64) -> Result<()> {
    let start = "2026-01-01T00:00:00Z".parse().context("a start")?;
    let mut shop = Shop::new(printers, start);
    let clock = ShopClock(Arc::new(AtomicI64::new(shop.now().as_millisecond())));
    let place = Place::under(dir);
    create(seams(&clock), &place.files, None)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build()?;
    let per_year = (printers * PER_DAY * 365) as f64;
    let mut table = Costs::default();
    for &size in sizes {
        let appended = append(&place, &clock, &mut shop, size, &runtime)?;
        let mut row = Costs::default();
        row.add(size, "appended, by the ledger's threads", appended.us.values().sum(), "us/entry");
        for (thread, us) in &appended.us {
            row.add(size, &format!("  by {thread}"), *us, "us/entry");
        }
        row.add(size, "appended, events made and read included", appended.rate, "entries/s");
        row.add(size, "closed, with a last snapshot", appended.close_s, "s");
        let mut child = Command::new(std::env::current_exe()?);
        child.stderr(std::process::Stdio::inherit());
        let answer = child.arg("weigh").arg(dir).arg(clock.now_ms().to_string()).output()?;
        ensure!(answer.status.success(), "{}", String::from_utf8_lossy(&answer.stderr));
        row.read(size, &String::from_utf8(answer.stdout)?)?;
        println!("{size} entries, {:.2} years:\n{row}", size as f64 / per_year);
        table.extend(row);
    }
    println!("{}", table.grown());
    Ok(())
}

fn main() -> Result<()> {
    let mut words = std::env::args().skip(1);
    let first = words.next().unwrap_or_else(|| "100000,1000000,7300000".to_owned());
    if first == "weigh" {
        let dir = words.next().context("a folder")?;
        let now_ms = words.next().context("a time")?.parse()?;
        let clock = ShopClock(Arc::new(AtomicI64::new(now_ms)));
        print!("{}", costs::measure(&Place::under(Path::new(&dir)), &clock)?.to_csv());
        return Ok(());
    }
    let sizes = first.split(',').map(str::parse).collect::<Result<Vec<u64>, _>>()?;
    ensure!(sizes.is_sorted(), "the sizes ascend");
    let printers = words.next().map_or(Ok(100), |text| text.parse())?;
    let within = words.next().map_or_else(std::env::temp_dir, PathBuf::from);
    let place = tempfile::Builder::new().prefix("years-").tempdir_in(within)?;
    years(&place.path().join("years"), &sizes, printers)
}
