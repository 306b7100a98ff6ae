//! `relay serve`, `relay check-config`, `relay status`, `relay refused`, `relay token`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Result;
use clap::{Parser, Subcommand};
use relay::config::Config;
use relay::{local, service};

/// Takes events from machines, keeps them on disk, and sends them on to the recorder until each is
/// recorded.
#[derive(Parser)]
#[command(name = "relay", version, about, max_term_width = 100)]
struct Arguments {
    /// Configuration file (TOML). Environment variables RELAY_<SECTION>__<NAME> come after it.
    #[arg(long, short, env = "RELAY_CONFIG", global = true, default_value = "relay.toml")]
    config: PathBuf,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Run the relay.
    Serve,
    /// Say everything that is wrong with the configuration and its files; exits with 0 for usable, 1
    /// for not usable, 2 if it could not be read.
    CheckConfig,
    /// Print what the running relay is doing, as JSON; exits with 1 if it is blocked.
    Status,
    /// What the recorder refused for good.
    #[command(subcommand)]
    Refused(RefusedCommand),
    /// Make a token for a client: prints it once, and the lines for the clients file.
    Token {
        /// Name of the client.
        name: String,
    },
}

#[derive(Subcommand)]
enum RefusedCommand {
    /// List the entries: id, when, from whom, what, and why.
    List {
        /// Everything, as JSON.
        #[arg(long)]
        json: bool,
    },
    /// Send entries again, after the cause was mended.
    Resend {
        /// Ids of the list.
        #[arg(required_unless_present = "all")]
        ids: Vec<String>,
        /// Every entry that was an event.
        #[arg(long, conflicts_with_all = ["ids", "corrected"])]
        all: bool,
        /// Send this event instead: the mended one, as a JSON object in a file. The refused one is
        /// kept.
        #[arg(long, value_name = "FILE")]
        corrected: Option<PathBuf>,
    },
}

fn main() -> ExitCode {
    // One provider for everything that speaks TLS; it must be there before anything asks for it.
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("RELAY_LOG")
                .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info,actix_server=warn")),
        )
        .init();
    match run(Arguments::parse()) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: Arguments) -> Result<ExitCode> {
    let data_dir = |config: &Path| Config::read(config).map(|config| config.data_dir);
    match arguments.command {
        Command::Serve => {
            let config = Config::read(&arguments.config)?;
            let seams = service::Seams { clock: Arc::new(edge::now_ms), random };
            actix_web::rt::System::new().block_on(service::run(config, seams))?;
        }
        Command::CheckConfig => return Ok(check_config(&arguments.config)),
        Command::Status => {
            let status = local::Relay::find(&data_dir(&arguments.config)?)?.status()?;
            println!("{status:#}");
            if status["delivery"]["state"] == "blocked" || status["spool"]["broken"] == true {
                return Ok(ExitCode::FAILURE);
            }
        }
        Command::Refused(RefusedCommand::List { json }) => {
            let items = local::Relay::find(&data_dir(&arguments.config)?)?.refused()?;
            if json {
                println!("{items:#}");
            } else {
                print!("{}", local::table(&items));
            }
        }
        Command::Refused(RefusedCommand::Resend { ids, all, corrected }) => {
            let relay = local::Relay::find(&data_dir(&arguments.config)?)?;
            let ids = if all { local::resendable(&relay.refused()?) } else { ids };
            anyhow::ensure!(
                corrected.is_none() || ids.len() == 1,
                "`--corrected` is for one entry"
            );
            let body = corrected.map(std::fs::read).transpose()?.unwrap_or_default();
            for id in ids {
                relay.resend(&id, &body)?;
                println!("{id} is on its way");
            }
        }
        Command::Token { name } => print!("{}", local::new_token(&name, random)?),
    }
    Ok(ExitCode::SUCCESS)
}

fn check_config(path: &Path) -> ExitCode {
    let config = match Config::read(path) {
        Ok(config) => config,
        Err(error) => {
            println!("problem: {error:#}");
            return ExitCode::from(2);
        }
    };
    let problems = config.problems();
    for problem in &problems {
        println!("problem: {problem}");
    }
    if problems.is_empty() {
        println!("usable");
        return ExitCode::SUCCESS;
    }
    ExitCode::FAILURE
}

fn random(bytes: &mut [u8]) -> Result<()> {
    let flags = rustix::rand::GetRandomFlags::empty();
    let got = rustix::io::retry_on_intr(|| rustix::rand::getrandom(&mut *bytes, flags))?;
    anyhow::ensure!(got == bytes.len(), "the operating system gave too few random bytes");
    Ok(())
}
