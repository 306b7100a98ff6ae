//! The program: reads arguments, builds the real clock and randomness, runs a command.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use ledger::seams::{Clock, OsRandom};
use recorder::cli::{
    Seams, backup, badge, check, close, export, keys, moving, rebuild, serve, token,
};
use recorder::config::Config;
use recorder::demo;

/// A recorder makes and drops many small values, and its index copies nodes: with the allocator of the
/// C library that is a third to a half of the work (`cargo run --release -p ledger --example ingest`).
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// pulverlog: an append-only record for people who look after powder-bed printers.
#[derive(Parser)]
#[command(name = "recorder", version, about, max_term_width = 100)]
struct Args {
    /// Configuration file (TOML). Environment variables PULVERLOG_<SECTION>__<NAME> come after it.
    #[arg(long, short, env = "PULVERLOG_CONFIG", global = true)]
    config: Option<PathBuf>,
    /// Address of the database that holds the log (`postgres://..`), in place of `log.store` of the
    /// configuration. Its password comes from `log.store_password_file` or PGPASSWORD.
    #[arg(long, global = true, value_name = "ADDRESS")]
    store: Option<String>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Play a year of an invented shop into a new log and serve it, or check it and exit.
    Demo(demo::DemoArgs),
    /// Serve the log over HTTP.
    Serve(serve::ServeArgs),
    /// Check the log on disk; exits with 0 for sound, 1 for broken, 2 if it could not be checked.
    Check(check::CheckArgs),
    /// Write an evidence bundle from the disk into a directory.
    Export(export::ExportArgs),
    /// Build index and snapshots anew; the service must be stopped.
    Rebuild,
    /// Print the log's verification key; make the key if there is none.
    Keys,
    /// End the log for good and print its final checkpoint; the service must be stopped. A log keeps
    /// its key for life: to change the key, close the log and begin the next one (see `serve
    /// --continues`).
    Close(close::CloseArgs),
    /// Copy the data directory, also while the service runs, and check the copy.
    Backup(backup::BackupArgs),
    /// Copy a backup into an empty data directory and check it.
    Restore(backup::RestoreArgs),
    /// Move the log, with checkpoints and people store, from the data directory into a database or back.
    Move(moving::MoveArgs),
    /// Print the API description (OpenAPI 3.1).
    Openapi,
    /// Print a token of the local issuer, for development and tests.
    Token(token::TokenArgs),
    /// Enrol a badge and PIN, read from standard input.
    Badge(badge::BadgeArgs),
}

/// The clock of the machine.
struct SystemClock;

impl Clock for SystemClock {
    fn now_ms(&self) -> i64 {
        edge::now_ms()
    }
}

fn main() -> ExitCode {
    // One provider for everything that speaks TLS; it must be there before anything asks for it.
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("PULVERLOG_LOG")
                .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info,actix_server=warn")),
        )
        .init();
    match run(Args::parse()) {
        Ok(code) => code,
        Err(error) => {
            tracing::error!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run(args: Args) -> anyhow::Result<ExitCode> {
    let mut config = Config::load(args.config.as_deref())?;
    if let Some(store) = args.store {
        config.log.store = store;
        config.check()?;
    }
    let seams = Seams { clock: Arc::new(SystemClock), random: || Box::new(OsRandom) };
    match args.command {
        Command::Demo(args) => {
            actix_web::rt::System::new().block_on(demo::run(config, &seams, args))
        }
        Command::Serve(args) => {
            actix_web::rt::System::new().block_on(serve::run(config, &seams, args))
        }
        Command::Check(args) => return Ok(check::run(&config, &args)),
        Command::Export(args) => export::run(&config, &args),
        Command::Rebuild => rebuild::run(&config, &seams),
        Command::Keys => keys::run(&config, &seams),
        Command::Close(args) => {
            actix_web::rt::System::new().block_on(close::run(&config, &seams, &args))
        }
        Command::Backup(args) => backup::backup(&config, &args),
        Command::Restore(args) => backup::restore(&config, &args),
        Command::Move(args) => moving::run(&config, &seams, &args),
        Command::Openapi => {
            let text = recorder::openapi::to_text(&recorder::openapi::document());
            Ok(std::io::Write::write_all(&mut std::io::stdout(), text.as_bytes())?)
        }
        Command::Token(args) => token::run(&config, &args, &seams),
        Command::Badge(args) => badge::run(&config, &args, &seams),
    }
    .map(|()| ExitCode::SUCCESS)
}
