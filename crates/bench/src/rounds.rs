//! Interleaved rounds: every contestant of every metric once a round, the order rotated.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context as _, Result};

use crate::event::Events;
use crate::http::{Behind, MANY, Service};
use crate::measure::{
    Batches as _, LARGE_BATCH, Sample, batches, grouped, guard, one_after_the_other,
};
use crate::ours;
use crate::proof;
use crate::raw::{HashedOnly, Raw};
use crate::reading::{Goal, figure};
use crate::report::Report;

/// Who is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Who {
    /// The whole ledger with its threads, as the service runs it.
    Ours,
    /// Its core, called directly.
    OursCore,
    /// The raw file.
    Raw,
    /// The raw file behind the group commit.
    RawGrouped,
    /// The hash alone.
    Hashed,
    /// The same server that answers without a log.
    NoLog,
    #[cfg(feature = "rivals")]
    Sqlite,
    #[cfg(feature = "rivals")]
    SqliteGrouped,
    #[cfg(feature = "rivals")]
    PgPlain,
    #[cfg(feature = "rivals")]
    PgChained,
    #[cfg(feature = "rivals")]
    PgGrouped,
}

impl Who {
    /// Name in the table.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Ours => "pulverlog",
            Self::OursCore => "pulverlog, core alone",
            Self::Raw => "raw append + sync",
            Self::RawGrouped => "raw append + sync, group commit",
            Self::Hashed => "SHA-256 of the entries alone, one core",
            Self::NoLog => "same server, no log",
            #[cfg(feature = "rivals")]
            Self::Sqlite => "SQLite",
            #[cfg(feature = "rivals")]
            Self::SqliteGrouped => "SQLite, group commit in Rust",
            #[cfg(feature = "rivals")]
            Self::PgPlain => "PostgreSQL, unchained",
            #[cfg(feature = "rivals")]
            Self::PgChained => "PostgreSQL, chained rows",
            #[cfg(feature = "rivals")]
            Self::PgGrouped => "PostgreSQL, chain and group commit in Rust",
        }
    }
}

/// One cell of the table: a metric, a contestant, and the goal for ours against it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cell {
    pub(crate) metric: &'static str,
    pub(crate) who: Who,
    /// Least ratio of ours to this contestant.
    pub(crate) goal: Option<f64>,
}

const fn cell(metric: &'static str, who: Who, goal: Option<f64>) -> Cell {
    Cell { metric, who, goal }
}

/// What each metric is.
pub(crate) const METRICS: [(&str, &str); 5] = [
    ("M1", "1 client, 1 event a commit, direct"),
    ("M2", "64 clients, each waits for its durable answer, direct"),
    ("M3", "batches of 1,024, direct"),
    ("M4", "HTTP, single events, 64 connections, durable 201"),
    ("M5", "HTTP, 100 events a request, 64 connections"),
];

/// Every cell, with the goals of the performance reference.
pub(crate) fn cells() -> Vec<Cell> {
    use Who::{Hashed, NoLog, Ours, OursCore, Raw, RawGrouped};
    let mut cells = vec![
        cell("M1", Ours, None),
        cell("M1", OursCore, None),
        cell("M1", Raw, Some(0.85)),
        cell("M2", Ours, None),
        cell("M2", RawGrouped, Some(0.25)),
        cell("M3", Ours, None),
        cell("M3", OursCore, None),
        cell("M3", Raw, Some(0.25)),
        cell("M3", Hashed, Some(0.8)),
        cell("M4", Ours, None),
        cell("M4", NoLog, Some(0.6)),
        cell("M5", Ours, None),
        cell("M5", NoLog, Some(0.5)),
    ];
    #[cfg(feature = "rivals")]
    {
        use Who::{PgChained, PgGrouped, PgPlain, Sqlite, SqliteGrouped};
        cells.extend([
            cell("M1", Sqlite, Some(1.1)),
            cell("M1", PgPlain, None),
            cell("M1", PgChained, Some(4.0)),
            cell("M2", Sqlite, Some(20.0)),
            cell("M2", SqliteGrouped, None),
            cell("M2", PgPlain, Some(8.0)),
            cell("M2", PgChained, Some(100.0)),
            cell("M2", PgGrouped, None),
            cell("M3", Sqlite, Some(3.0)),
            cell("M3", PgGrouped, Some(10.0)),
            cell("M4", SqliteGrouped, Some(5.0)),
            cell("M4", PgGrouped, Some(3.0)),
            cell("M5", SqliteGrouped, Some(3.0)),
            cell("M5", PgGrouped, Some(8.0)),
        ]);
        cells.sort_by_key(|cell| cell.metric);
    }
    cells
}

/// What runs beside all rounds.
struct Rivals {
    #[cfg(feature = "rivals")]
    postgres: crate::postgres::Server,
}

/// All rounds; what they come to goes into the report.
pub(crate) async fn run(
    dir: &Path,
    rounds: usize,
    time: Duration,
    wanted: &dyn Fn(&str) -> bool,
    report: &mut Report,
) -> Result<()> {
    let mut cells = cells();
    cells.retain(|cell| wanted(cell.metric));
    if cells.is_empty() {
        return Ok(());
    }
    honesty(dir, report).await?;
    let rivals = Rivals {
        #[cfg(feature = "rivals")]
        postgres: {
            let server = crate::postgres::Server::start(dir, None)?;
            report.versions.push(("PostgreSQL", server.version()?));
            report.versions.push(("SQLite", crate::sqlite::Sqlite::version().to_owned()));
            server
        },
    };
    for round in 0..rounds {
        for at in 0..cells.len() {
            let cell = cells[(at + round) % cells.len()];
            let place = tempfile::tempdir_in(dir)?;
            let load = report.load();
            let sample = measure(cell, place.path(), time, &rivals)
                .await
                .with_context(|| format!("{} {}", cell.metric, cell.who.name()))?;
            report.add(round, cell, load, sample);
        }
        eprintln!("round {} of {rounds} done", round + 1);
    }
    report.stages = crate::stages::run(dir).context("the stages")?;
    report.print_rounds(&cells);
    if wanted("M6") {
        steady(dir, report, time).await?;
    }
    #[cfg(feature = "rivals")]
    rivals.postgres.stop()?;
    Ok(())
}

/// M6: latency at half the rate M4 reached.
async fn steady(dir: &Path, report: &mut Report, time: Duration) -> Result<()> {
    let Some(rate) = report.median_rate("M4", Who::Ours) else { return Ok(()) };
    let place = tempfile::tempdir_in(dir)?;
    let service = Arc::new(Service::start(place.path(), None).await?);
    let mut sample = service.steady(rate / 2.0, time * 2).await?;
    Arc::into_inner(service).context("still in use")?.stop().await?;
    let sync = |percent| report.median_percentile("M1", Who::Raw, percent);
    let (p50, p99) = (sample.percentile(50), sample.percentile(99));
    let (sync_50, sync_99) = (sync(50), sync(99));
    let what = |percentile: &str| {
        format!("{percentile} of the answer at {:.0} events/s (half of M4)", rate / 2.0)
    };
    report.figures.extend([
        figure("M6", what("p50"), p50, "us", Goal::AtMost(3.0 * sync_50)),
        figure("M6", what("p99"), p99, "us", Goal::AtMost(3.0 * sync_99 + 1_000.0)),
        figure("M6", "one sync, p50 (raw, M1)", sync_50, "us", Goal::None),
        figure("M6", "one sync, p99 (raw, M1)", sync_99, "us", Goal::None),
    ]);
    Ok(())
}

/// Counts the syncs of every contestant in an untimed run.
async fn honesty(dir: &Path, report: &mut Report) -> Result<()> {
    for (name, who) in [
        ("ours", "pulverlog, core alone"),
        ("raw", "raw append + sync"),
        #[cfg(feature = "rivals")]
        ("sqlite", "SQLite"),
    ] {
        report.syncs.push((who, proof::probe(name, dir)?));
    }
    #[cfg(feature = "rivals")]
    report.syncs.push(("PostgreSQL, chained rows", postgres_syncs(dir).await?));
    report.print_syncs();
    Ok(())
}

#[cfg(feature = "rivals")]
async fn postgres_syncs(dir: &Path) -> Result<proof::Counts> {
    let mut counts = Vec::new();
    for commits in [proof::COMMITS, 0] {
        let out = dir.join("calls");
        let server = crate::postgres::Server::start(dir, Some(&out))?;
        server.some(commits).await?;
        server.stop()?;
        counts.push(proof::read(&out)?);
    }
    let without = counts.pop().unwrap_or_default();
    Ok(proof::difference(counts.pop().unwrap_or_default(), &without))
}

#[cfg_attr(not(feature = "rivals"), expect(unused_variables, reason = "no rivals"))]
async fn measure(cell: Cell, dir: &Path, time: Duration, rivals: &Rivals) -> Result<Sample> {
    let name = cell.who.name();
    match (cell.metric, cell.who) {
        ("M1", Who::Ours) => ours::ledger(dir, ours::SINGLE, time).await,
        ("M2", Who::Ours) => ours::ledger(dir, ours::MANY, time).await,
        ("M3", Who::Ours) => ours::ledger(dir, ours::LARGE, time).await,
        ("M1", Who::OursCore) => ours::core(dir, 1, time),
        ("M3", Who::OursCore) => ours::core(dir, LARGE_BATCH, time),
        ("M1", Who::Raw) => batches(&mut Raw::create(dir)?, name, 1, time),
        ("M3", Who::Raw) => batches(&mut Raw::create(dir)?, name, LARGE_BATCH, time),
        ("M3", Who::Hashed) => {
            // The same batch again and again: making events is no part of this limit.
            let mut events = Events::new(name);
            let records: Vec<_> = (0..LARGE_BATCH).map(|_| events.record()).collect();
            let mut store = HashedOnly::default();
            let sample = one_after_the_other(time, || {
                store.commit(&records)?;
                Ok(records.len() as u64)
            })?;
            guard(store.verify()?, &sample)?;
            Ok(sample)
        }
        ("M2", Who::RawGrouped) => grouped(Raw::create(dir)?, "raw", time).await,
        ("M4", Who::Ours) => over_http(dir, None, 1, time).await,
        ("M5", Who::Ours) => over_http(dir, None, MANY, time).await,
        ("M4", Who::NoLog) => over_http(dir, Some(Behind::Nothing), 1, time).await,
        ("M5", Who::NoLog) => over_http(dir, Some(Behind::Nothing), MANY, time).await,
        #[cfg(feature = "rivals")]
        (metric, who) => against(metric, who, dir, time, &rivals.postgres).await,
        #[cfg(not(feature = "rivals"))]
        (metric, who) => anyhow::bail!("`{}` is not measured in {metric}", who.name()),
    }
}

/// Our server, with our log or with something else behind it.
async fn over_http(
    dir: &Path,
    behind: Option<Behind>,
    batch: usize,
    time: Duration,
) -> Result<Sample> {
    let is_ours = behind.is_none();
    let service = Arc::new(Service::start(dir, behind).await?);
    let sample = service.load(batch, time).await?;
    let stored = Arc::into_inner(service).context("still in use")?.stop().await?;
    if is_ours {
        guard(stored, &sample)?;
        guard(ours::Place::under(dir).check_as_served()?, &sample)?;
    }
    Ok(sample)
}

#[cfg(feature = "rivals")]
async fn against(
    metric: &str,
    who: Who,
    dir: &Path,
    time: Duration,
    postgres: &crate::postgres::Server,
) -> Result<Sample> {
    use cluster::rows::Rows;

    use crate::measure::{CLIENTS, GroupCommit};
    use crate::sqlite::Sqlite;
    match (metric, who) {
        ("M1", Who::Sqlite) => batches(&mut Sqlite::create(dir)?, "lite", 1, time),
        ("M3", Who::Sqlite) => batches(&mut Sqlite::create(dir)?, "lite", LARGE_BATCH, time),
        ("M2", Who::Sqlite) => crate::sqlite::one_by_one(Sqlite::create(dir)?, time).await,
        ("M2", Who::SqliteGrouped) => grouped(Sqlite::create(dir)?, "lite", time).await,
        ("M1", Who::PgPlain) => postgres.single(Rows::Plain, 1, time).await,
        ("M1", Who::PgChained) => postgres.single(Rows::Chained, 1, time).await,
        ("M2", Who::PgPlain) => postgres.single(Rows::Plain, CLIENTS, time).await,
        ("M2", Who::PgChained) => postgres.single(Rows::Chained, CLIENTS, time).await,
        ("M2", Who::PgGrouped) => grouped(postgres.batches().await?, "pg", time).await,
        ("M3", Who::PgGrouped) => {
            let mut store = postgres.batches().await?;
            let work = move || batches(&mut store, "pg", LARGE_BATCH, time);
            tokio::task::spawn_blocking(work).await?
        }
        ("M4" | "M5", Who::SqliteGrouped | Who::PgGrouped) => {
            let batch = if metric == "M4" { 1 } else { MANY };
            if who == Who::SqliteGrouped {
                let (group, thread) = GroupCommit::start(Sqlite::create(dir)?);
                behind(dir, group, thread, batch, time).await
            } else {
                let (group, thread) = GroupCommit::start(postgres.batches().await?);
                behind(dir, group, thread, batch, time).await
            }
        }
        (metric, who) => anyhow::bail!("`{}` is not measured in {metric}", who.name()),
    }
}

/// A rival behind the server.
#[cfg(feature = "rivals")]
async fn behind<S: crate::measure::Batches>(
    dir: &Path,
    group: crate::measure::GroupCommit,
    thread: std::thread::JoinHandle<S>,
    batch: usize,
    time: Duration,
) -> Result<Sample> {
    let sample = over_http(dir, Some(Behind::Rival(group)), batch, time).await?;
    guard(crate::measure::verified(thread).await?, &sample)?;
    Ok(sample)
}
