//! The benchmark: ours beside rivals on one disk, in interleaved rounds.
//!
//! `cargo xtask bench` runs it. Method: durability is never weakened on any side; the order of the
//! contestants is rotated each round; ratios are computed round by round; after each cell what was
//! acknowledged is compared with what is stored; strace proves that each contestant syncs once a
//! commit. Absolute figures depend on the machine, ratios of one run count.

// Without the rivals what only they need stands idle.
#![cfg_attr(not(feature = "rivals"), allow(dead_code, unused_mut))]

mod cpu;
mod event;
mod http;
mod measure;
mod ours;
#[cfg(feature = "rivals")]
mod postgres;
mod proof;
mod raw;
mod reading;
mod report;
mod rounds;
#[cfg(feature = "rivals")]
mod sqlite;
mod stages;
mod system;

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use anyhow::Result;
use clap::{Parser, Subcommand};

/// As the recorder has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Measures the log beside rivals.
#[derive(Debug, Parser)]
#[command(name = "bench", max_term_width = 100)]
struct Args {
    #[command(subcommand)]
    work: Option<Work>,
    #[command(flatten)]
    run: Run,
}

/// A run.
#[derive(Debug, Clone, clap::Args)]
struct Run {
    /// Where everything is written; must lie on the disk that is measured.
    #[arg(long, global = true)]
    dir: Option<PathBuf>,
    /// Rounds; the method asks for at least 7.
    #[arg(long, default_value_t = 7)]
    rounds: usize,
    /// Seconds measured in each cell.
    #[arg(long, default_value_t = 2.5)]
    seconds: f64,
    /// Entries of the log that is read (M7 to M12).
    #[arg(long, default_value_t = 1_000_000)]
    entries: u64,
    /// Only cells of these metrics, for example `M1,M4`.
    #[arg(long, value_delimiter = ',')]
    only: Vec<String>,
    /// Write the report here as `bench.json` and `bench.csv`.
    #[arg(long)]
    out: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum Work {
    /// Makes commits; run under strace by the proof of honesty.
    #[command(hide = true)]
    Probe {
        /// Who commits.
        contestant: proof::Contestant,
        /// How often.
        commits: u64,
    },
    /// Opens the log and prints the bytes it holds in memory.
    #[command(hide = true)]
    Hold {
        /// How much of it.
        what: reading::Holding,
    },
}

fn main() -> ExitCode {
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    match work(Args::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn work(args: Args) -> Result<()> {
    let dir = match &args.run.dir {
        Some(dir) => dir.clone(),
        None => std::env::temp_dir(),
    };
    match args.work {
        Some(Work::Probe { contestant, commits }) => proof::run(contestant, &dir, commits),
        Some(Work::Hold { what }) => reading::hold(&dir, what),
        None => {
            let place = tempfile::Builder::new().prefix("bench-").tempdir_in(&dir)?;
            actix_web::rt::System::new().block_on(measure_all(&args.run, place.path()))
        }
    }
}

async fn measure_all(run: &Run, dir: &std::path::Path) -> Result<()> {
    let wanted = |metric: &str| run.only.is_empty() || run.only.iter().any(|only| only == metric);
    let mut report = report::Report::begin(dir, run.rounds, run.seconds);
    report.print_machine();
    let time = Duration::from_secs_f64(run.seconds);
    rounds::run(dir, run.rounds, time, &wanted, &mut report).await?;
    if ["M7", "M8", "M9", "M10", "M11", "M12"].into_iter().any(wanted) {
        let log = dir.join("log");
        std::fs::create_dir(&log)?;
        report.figures.extend(reading::run(&log, run.entries, run.rounds.min(5)).await?);
    }
    report.print_figures();
    if let Some(out) = &run.out {
        report.write(out)?;
    }
    Ok(())
}
