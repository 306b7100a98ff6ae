//! The program: reads arguments, builds the real clock and randomness, runs a command.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use clap::{Parser, Subcommand};
use ledger::seams::{Clock, OsRandom};
use recorder::cli::{
    Seams, backup, badge, carry_over, check, check_config, close, export, keys, moving, rebuild,
    restore, serve, token,
};
use recorder::config::{Config, ConfigError};
use recorder::demo;
use recorder::telemetry::Telemetry;

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
    /// Read the configuration, say everything that is wrong with it and its files, and print it as it
    /// takes effect; exits with 0 for usable, 1 for not usable, 2 if it could not be read.
    CheckConfig(check_config::CheckConfigArgs),
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
    /// Tell what stands at the end of a closed log again in the log that continues it: settings, people,
    /// machines and what is due, powder, containers. Both services must be stopped. Exits with 0 if
    /// what stands is the same in both, 1 if not, and names every difference.
    CarryOver(carry_over::CarryOverArgs),
    /// Copy the data directory, also while the service runs, and check the copy.
    Backup(backup::BackupArgs),
    /// Check a backup where it lies; exits with 0 for sound, 1 for broken, 2 if it could not be checked.
    VerifyBackup(backup::VerifyArgs),
    /// Practise restoring: copy a backup into a new directory, open and read it as a service would, and
    /// take the copy away again.
    RestoreDrill(backup::DrillArgs),
    /// Make a data directory again from a backup or from a copy, check all of it, and say how far it
    /// goes.
    Restore(restore::RestoreArgs),
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
    let args = Args::parse();
    let seams = Seams { clock: Arc::new(SystemClock), random: || Box::new(OsRandom) };
    if let Command::CheckConfig(check) = &args.command {
        return check_config::run(args.config.as_deref(), check, &seams);
    }
    let started = configured(&args).map_err(anyhow::Error::from);
    let started = started.and_then(|config| {
        Telemetry::start(&config.logs, &config.traces, &config.log.origin).map(|t| (config, t))
    });
    let (config, telemetry) = match started {
        Ok(started) => started,
        Err(error) => {
            // There is no program log yet.
            let _ = writeln!(std::io::stderr(), "{error:#}");
            return ExitCode::FAILURE;
        }
    };
    let code = run(args.command, config, &seams).unwrap_or_else(|error| {
        tracing::error!("{error:#}");
        ExitCode::FAILURE
    });
    telemetry.end();
    code
}

/// The configuration, with what the command line says otherwise.
fn configured(args: &Args) -> Result<Config, ConfigError> {
    let mut config = Config::load(args.config.as_deref())?;
    if let Some(store) = &args.store {
        config.log.store.clone_from(store);
        config.check()?;
    }
    Ok(config)
}

fn run(command: Command, config: Config, seams: &Seams) -> anyhow::Result<ExitCode> {
    match command {
        Command::CheckConfig(_) => Ok(()),
        Command::Demo(args) => {
            actix_web::rt::System::new().block_on(demo::run(config, seams, args))
        }
        Command::Serve(args) => {
            actix_web::rt::System::new().block_on(serve::run(config, seams, args))
        }
        Command::Check(args) => return Ok(check::run(&config, &args)),
        Command::Export(args) => export::run(&config, &args),
        Command::Rebuild => rebuild::run(&config, seams),
        Command::Keys => keys::run(&config, seams),
        Command::Close(args) => {
            actix_web::rt::System::new().block_on(close::run(&config, seams, &args))
        }
        Command::CarryOver(args) => {
            let carried = carry_over::run(&config, seams, &args);
            return actix_web::rt::System::new().block_on(carried);
        }
        Command::Backup(args) => backup::backup(&config, &args),
        Command::VerifyBackup(args) => return Ok(backup::verify(&config, &args)),
        Command::RestoreDrill(args) => backup::drill(&config, seams, &args),
        Command::Restore(args) => restore::run(&config, &args),
        Command::Move(args) => moving::run(&config, seams, &args),
        Command::Openapi => {
            let text = recorder::openapi::to_text(&recorder::openapi::document());
            Ok(std::io::stdout().write_all(text.as_bytes())?)
        }
        Command::Token(args) => token::run(&config, &args, seams),
        Command::Badge(args) => badge::run(&config, &args, seams),
    }
    .map(|()| ExitCode::SUCCESS)
}
