//! What is read: verification, restart, rebuild, size on disk, memory, proofs, questions
//! (M7 to M12). One log is built once and everything is measured on it.

use std::io::Read as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, ensure};
use chain::Digest;
use chain::entry::leaf_hash;
use chain::keys::Keys;
use chain::merkle::{node_hash, prove_consistency, prove_inclusion};
use chain::verify::{CheckpointFile, Evidence, Verdict, verify_ndjson};
use ledger::engine::Store;
use ledger::index::Index as _;
use ledger::{Ledger, LedgerError, Pace, Shop, audit, tree};

use crate::event::Events;
use crate::http::Service;
use crate::measure::{LARGE_BATCH, Sample};
use crate::ours::{Place, signer};
use crate::system::{drop_cache, median, resident_bytes, tree_bytes};

/// A figure: what, value, unit, goal in words.
#[derive(Debug, Clone)]
pub(crate) struct Figure {
    pub(crate) metric: &'static str,
    pub(crate) what: String,
    pub(crate) value: f64,
    pub(crate) unit: &'static str,
    pub(crate) goal: Goal,
}

/// What a figure is held against.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Goal {
    /// It is told, and held against nothing.
    None,
    AtMost(f64),
    AtLeast(f64),
}

impl Goal {
    /// Whether the goal is met; `None` if there is none.
    pub(crate) fn is_met(self, value: f64) -> Option<bool> {
        match self {
            Self::None => None,
            Self::AtMost(most) => Some(value <= most),
            Self::AtLeast(least) => Some(value >= least),
        }
    }
}

impl std::fmt::Display for Goal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::None => Ok(()),
            Self::AtMost(most) => write!(f, "<= {most:.4}"),
            Self::AtLeast(least) => write!(f, ">= {least:.4}"),
        }
    }
}

pub(crate) fn figure(
    metric: &'static str,
    what: impl Into<String>,
    value: f64,
    unit: &'static str,
    goal: Goal,
) -> Figure {
    Figure { metric, what: what.into(), value, unit, goal }
}

/// Does something and returns how long it took, in seconds.
fn timed<T>(work: impl FnOnce() -> Result<T>) -> Result<(T, f64)> {
    let begun = Instant::now();
    let done = work()?;
    Ok((done, begun.elapsed().as_secs_f64()))
}

/// Builds a log of so many entries as the service would, stopped in good order.
async fn build(dir: &Path, entries: u64) -> Result<(Place, f64)> {
    let place = Place::create(dir)?;
    let ledger = Ledger::start(place.open()?, Pace::default())?;
    let begun = Instant::now();
    let mut events = Events::new("build");
    let mut count = 1;
    let mut batch = vec![events.registration()];
    while count < entries {
        let mut busy = false;
        for answer in ledger.submit(batch).await? {
            match answer {
                Ok(_) => count += 1,
                Err(failure) if matches!(*failure, LedgerError::Busy) => busy = true,
                Err(failure) => anyhow::bail!("{failure}"),
            }
        }
        if busy {
            // The index is behind: others are sent a little later.
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let next = usize::try_from(entries - count)?.min(LARGE_BATCH);
        batch = (0..next).map(|_| events.submission()).collect();
    }
    ledger.close()?;
    Ok((place, begun.elapsed().as_secs_f64()))
}

/// Everything about a log of this many entries.
pub(crate) async fn run(dir: &Path, entries: u64, rounds: usize) -> Result<Vec<Figure>> {
    let (place, seconds) = build(dir, entries).await?;
    let mut figures = vec![figure(
        "-",
        format!("a log of {entries} entries built through the whole ledger, index and all"),
        entries as f64 / seconds,
        "entries/s",
        Goal::None,
    )];
    figures.extend(sizes(&place, entries)?);
    figures.extend(verification(&place, entries, rounds)?);
    figures.extend(restart(&place, entries)?);
    figures.extend(proofs(&place, entries)?);
    figures.extend(memory(dir, entries)?);
    figures.extend(questions(dir, entries).await?);
    Ok(figures)
}

/// M9: bytes on disk beyond the entries.
fn sizes(place: &Place, entries: u64) -> Result<Vec<Figure>> {
    let of = |folder: &Path| -> Result<u64> { tree_bytes(folder) };
    let log = &place.files.log_dir;
    let (mut entry_bytes, mut at, mut line_bytes) = (0, 0, 0);
    {
        let opened = place.open()?;
        while at < entries {
            let chunk = opened.store.scan(at, 1 << 20)?;
            for (_, line) in chunk.iter() {
                entry_bytes += line.len() as u64;
                line_bytes += line.len() as u64 + 1;
            }
            at = chunk.end();
        }
        opened_and_closed(opened)?;
    }
    let tiles = of(&log.join("tile"))?;
    let index = of(&place.index)?;
    let per = |bytes: u64| bytes as f64 / entries as f64;
    let segments = of(&log.join("entries"))?;
    // The zeros behind the lines of the active segment are room, not overhead.
    let zeros = zeros_at_end(&log.join("entries"))?;
    ensure!(segments >= line_bytes, "segments hold the lines");
    let over = segments - zeros - entry_bytes + tiles;
    Ok(vec![
        figure("M9", "mean entry", per(entry_bytes), "B", Goal::None),
        figure(
            "M9",
            "segments and tiles beyond the entries",
            per(over),
            "B/event",
            Goal::AtMost(75.0),
        ),
        figure("M9", "index and snapshots, apart", per(index), "B/event", Goal::None),
    ])
}

fn zeros_at_end(entries: &Path) -> Result<u64> {
    let mut zeros = 0;
    for entry in std::fs::read_dir(entries)? {
        let bytes = std::fs::read(entry?.path())?;
        let end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
        zeros += (bytes.len() - end) as u64;
    }
    Ok(zeros)
}

fn opened_and_closed(mut opened: ledger::Opened) -> Result<()> {
    opened.core.close()?;
    Ok(())
}

/// Bytes of every entry, one a line.
fn lines(store: &dyn Store, entries: u64) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    audit::export_entries(store, entries, &mut bytes)?;
    Ok(bytes)
}

/// Hash work alone, on all cores: a leaf and a node for each entry.
fn hash_limit(lines: &[&[u8]], threads: usize) -> u64 {
    std::thread::scope(|scope| {
        let workers: Vec<_> = lines
            .chunks(lines.len().div_ceil(threads))
            .map(|part| {
                scope.spawn(move || {
                    let mut last = Digest::of(b"");
                    for line in part {
                        last = node_hash(&last, &leaf_hash(line));
                    }
                    u64::from(last.as_bytes()[0])
                })
            })
            .collect();
        workers.into_iter().map(|worker| worker.join().unwrap_or(0)).sum()
    })
}

/// M7: bytes against the signed root; then everything an auditor checks.
fn verification(place: &Place, entries: u64, rounds: usize) -> Result<Vec<Figure>> {
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let opened = place.open()?;
    let file = lines(&*opened.store, entries)?;
    let signed = opened
        .notary
        .as_ref()
        .and_then(ledger::notary::Notary::watermark)
        .context("the log is signed")?
        .clone();
    opened_and_closed(opened)?;
    let split: Vec<&[u8]> =
        file.strip_suffix(b"\n").unwrap_or(&file).split(|byte| *byte == b'\n').collect();
    let (mut limit, mut bytes, mut full) = (Vec::new(), Vec::new(), Vec::new());
    let mut read = Vec::new();
    for _ in 0..rounds {
        limit.push(timed(|| Ok(hash_limit(&split, threads)))?.1);
        drop_cache(&place.files.log_dir)?;
        read.push(timed(|| read_only(&place.files.log_dir.join("entries"), threads))?.1);
        drop_cache(&place.files.log_dir)?;
        let (found, seconds) = timed(|| {
            Ok(audit::compare_bytes(&ledger::disk::OsDisk, &place.files, &signed, threads)?)
        })?;
        ensure!(found.is_none(), "{found:?}");
        bytes.push(seconds);
        let evidence = Evidence {
            keys: Keys::of_log(signer().verifier().clone()),
            policy: None,
            checkpoints: vec![CheckpointFile {
                name: "signed".to_owned(),
                note: signed.note.clone().into_bytes(),
                outside: true,
            }],
            receipts: Vec::new(),
        };
        let (verdict, seconds) = timed(|| Ok(verify_ndjson(evidence, &file, threads)?))?;
        ensure!(matches!(verdict, Verdict::Sound(_)), "{verdict}");
        full.push(seconds);
    }
    let [limit, read, bytes, full] = [limit, read, bytes, full].map(median);
    let cores = threads as f64;
    let rate = |seconds: f64| entries as f64 / seconds / cores;
    Ok(vec![
        figure(
            "M7",
            "limit: one leaf and one node hash an entry",
            rate(limit),
            "entries/s/core",
            Goal::None,
        ),
        figure(
            "M7",
            "bytes against the signed root, cold cache",
            rate(bytes),
            "entries/s/core",
            Goal::AtLeast(900_000.0),
        ),
        figure("M7", "as a part of the limit", limit / bytes, "x", Goal::AtLeast(0.85)),
        figure(
            "M7",
            "the same files only read, cold cache: what the disk allows",
            rate(read),
            "entries/s/core",
            Goal::None,
        ),
        figure(
            "M7",
            "bytes against the signed root, as a part of that",
            read / bytes,
            "x",
            Goal::None,
        ),
        figure(
            "M7",
            "everything an auditor checks (JSON, links, times, tree), in memory",
            rate(full),
            "entries/s/core",
            Goal::None,
        ),
        figure("M7", "as a part of the limit", limit / full, "x", Goal::None),
    ])
}

/// Reads every file of a folder and looks at nothing, with two threads a processor.
fn read_only(folder: &Path, threads: usize) -> Result<()> {
    let files: Vec<_> = std::fs::read_dir(folder)?.collect::<Result<_, _>>()?;
    let next = AtomicUsize::new(0);
    let read_some = || -> Result<()> {
        let mut piece = vec![0; 512 << 10];
        while let Some(file) = files.get(next.fetch_add(1, Ordering::Relaxed)) {
            let mut file = std::fs::File::open(file.path())?;
            while file.read(&mut piece)? > 0 {}
        }
        Ok(())
    };
    std::thread::scope(|scope| {
        let readers: Vec<_> = (0..2 * threads).map(|_| scope.spawn(read_some)).collect();
        let ended =
            readers.into_iter().map(|reader| reader.join().expect("reading does not panic"));
        ended.collect()
    })
}

/// M8: start from snapshot and tail; all folds from the first entry.
fn restart(place: &Place, entries: u64) -> Result<Vec<Figure>> {
    drop_cache(&place.files.log_dir)?;
    let (opened, start) = timed(|| place.open())?;
    let store = std::sync::Arc::clone(&opened.store);
    let (shop, refold) = timed(|| {
        let mut shop = Shop::new();
        shop.catch_up(&*store, entries)?;
        Ok(shop)
    })?;
    ensure!(shop.as_of() == entries, "all entries are folded");
    opened_and_closed(opened)?;
    // The same again in parts, each by itself.
    let ((engine, _, notary), log) = timed(|| place.open_log())?;
    let store = ledger::engine::Engine::store(&engine);
    let (index, index_opened) = timed(|| place.open_index(&*store))?;
    let version = shopfloor::state::FOLD_VERSION;
    let (snapshot_bytes, snapshot_read) = timed(|| {
        let Some(mut read) = index.snapshot("shop", version)? else { return Ok(0) };
        Ok(std::io::copy(&mut read.state, &mut std::io::sink())?)
    })?;
    drop((engine, notary, index));
    let mib = snapshot_bytes as f64 / f64::from(1 << 20);
    Ok(vec![
        figure(
            "M8",
            format!("restart with a snapshot at {entries} entries"),
            start,
            "s",
            Goal::AtMost(2.0),
        ),
        figure("M8", "of it: segments and tree", log, "s", Goal::None),
        figure("M8", "of it: index", index_opened, "s", Goal::None),
        figure(
            "M8",
            format!("of it: snapshot of the folds found and read, {mib:.1} MiB"),
            snapshot_read,
            "s",
            Goal::None,
        ),
        figure(
            "M8",
            "of it: folds made of the snapshot, entries behind it applied",
            start - log - index_opened - snapshot_read,
            "s",
            Goal::None,
        ),
        figure(
            "M8",
            "all folds from the first entry",
            entries as f64 / refold,
            "entries/s",
            Goal::AtLeast(1_000_000.0),
        ),
    ])
}

/// M11: proofs from tiles.
fn proofs(place: &Place, entries: u64) -> Result<Vec<Figure>> {
    const PROOFS: u64 = 1_000;
    let opened = place.open()?;
    let store = &*opened.store;
    let step = (entries / PROOFS).max(1);
    // Shared by all proofs, as in service.
    let tiles = Arc::default();
    let mut longest = 0;
    let mut prove_all = || {
        timed(|| {
            for seq in (0..entries).step_by(usize::try_from(step)?) {
                let hashes = tree::hashes(store, entries, Arc::clone(&tiles));
                longest = longest.max(prove_inclusion(&hashes, seq, entries)?.len());
            }
            Ok(())
        })
    };
    drop_cache(&place.files.log_dir)?;
    let (((), cold), ((), inclusion)) = (prove_all()?, prove_all()?);
    let ((), consistency) = timed(|| {
        for from in (1..entries).step_by(usize::try_from(step)?) {
            let path = prove_consistency(
                &tree::hashes(store, entries, Arc::clone(&tiles)),
                from,
                entries,
            )?;
            longest = longest.max(path.len());
        }
        Ok(())
    })?;
    opened_and_closed(opened)?;
    let count = entries.div_ceil(step) as f64;
    Ok(vec![
        figure(
            "M11",
            "first inclusion proof from a tile, which the disk has to give",
            cold / count * 1e6,
            "us",
            Goal::None,
        ),
        figure("M11", "inclusion proof", inclusion / count * 1e6, "us", Goal::AtMost(50.0)),
        figure("M11", "consistency proof", consistency / count * 1e6, "us", Goal::AtMost(50.0)),
        figure("M11", "longest proof", longest as f64 * 32.0, "B", Goal::AtMost(1_126.0)),
    ])
}

/// What a process holds in memory, measured in processes of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Holding {
    /// Engine, tree and index: the log without the folds.
    Log,
    /// The folds too.
    All,
}

/// Opens a log, reads through it, and prints what the process then holds. Runs in a child process.
pub(crate) fn hold(dir: &Path, what: Holding) -> Result<()> {
    let place = Place::under(dir);
    match what {
        Holding::All => {
            let opened = place.open()?;
            print_resident()?;
            opened_and_closed(opened)?;
        }
        Holding::Log => {
            let (engine, _, notary) = place.open_log()?;
            let store = ledger::engine::Engine::store(&engine);
            let index = place.open_index(&*store)?;
            let mut at = 0;
            while at < store.count() {
                at = store.scan(at, 1 << 20)?.end();
            }
            print_resident()?;
            drop((engine, notary, index));
        }
    }
    Ok(())
}

/// Prints what this process holds in memory, and how much of that is its own and not the program:
/// `VmRSS` and `RssAnon`, in bytes (proc(5)).
fn print_resident() -> Result<()> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:"));
    let kib: u64 =
        line.and_then(|line| line.split_whitespace().next()?.parse().ok()).context("RssAnon")?;
    println!("{} {}", resident_bytes()?, kib << 10);
    Ok(())
}

/// M10.
fn memory(dir: &Path, entries: u64) -> Result<Vec<Figure>> {
    let ask = |what: &str| -> Result<[f64; 2]> {
        let mut command = Command::new(std::env::current_exe()?);
        let output = command.args(["hold", what, "--dir"]).arg(dir).output()?;
        ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let text = String::from_utf8(output.stdout)?;
        let (all, own) = text.trim().split_once(' ').context("two figures")?;
        Ok([all.parse::<f64>()?, own.parse::<f64>()?].map(|bytes| bytes / f64::from(1 << 20)))
    };
    let limit = 64.0 + 2.0 * entries as f64 / f64::from(1 << 20);
    let [log, log_own] = ask("log")?;
    let [all, all_own] = ask("all")?;
    Ok(vec![
        figure(
            "M10",
            "resident, log core (engine, tree, index) after reading all",
            log,
            "MiB",
            Goal::AtMost(limit),
        ),
        figure("M10", "of it: its own, the rest is the program", log_own, "MiB", Goal::None),
        figure("M10", "resident, with all folds", all, "MiB", Goal::None),
        figure("M10", "of it: its own", all_own, "MiB", Goal::None),
    ])
}

/// M12: questions over HTTP at this size. The year's report is measured with waste in the log, by
/// the example `year_report_scale`.
async fn questions(dir: &Path, entries: u64) -> Result<Vec<Figure>> {
    crate::ours::keep_key(dir)?;
    let service = Service::start(dir, None).await?;
    let then = format!("/v1/equipment/S-02?as_of={}", entries / 2);
    let mut figures = Vec::new();
    for (what, path, goal) in [
        ("current state of a machine, p99", "/v1/equipment/S-02", Goal::AtMost(1_000.0)),
        ("its state at half the log, p99", &then, Goal::AtMost(10_000.0)),
        ("one entry, p99", "/v1/entries/1000", Goal::None),
        ("its proof, p99", "/v1/entries/1000/proof", Goal::None),
    ] {
        let (mut sample, bytes): (Sample, usize) = service.get(path, 300).await?;
        let what = format!("{what} ({bytes} B)");
        figures.push(figure("M12", what, sample.percentile(99), "us", goal));
    }
    service.stop().await?;
    Ok(figures)
}
