//! `witness serve --config FILE`, `witness check-config --config FILE` and `witness keygen --name NAME --out FILE`.

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{Context, Result};
use chain::note::Ed25519Signer;
use clap::{Parser, Subcommand};
use witness::{Config, Desk, Memory, server};

/// Cosigns checkpoints of logs, each only if it extends the one cosigned before.
#[derive(Parser)]
#[command(version, about)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Run the witness.
    Serve {
        /// Its configuration file.
        #[arg(long, value_name = "FILE")]
        config: PathBuf,
    },
    /// Say everything that is wrong with the configuration and its files; exits with 0 for usable, 1
    /// for not usable, 2 if it could not be read.
    CheckConfig {
        /// The configuration file.
        #[arg(long, value_name = "FILE")]
        config: PathBuf,
    },
    /// Make a key: the seed goes to a new file with mode 0600, the verification key is printed.
    Keygen {
        /// Name of the witness, a schema-less URL.
        #[arg(long)]
        name: String,
        /// File to create.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
}

fn main() -> ExitCode {
    tracing_subscriber::fmt().with_writer(std::io::stderr).init();
    let result = match Arguments::parse().command {
        Command::CheckConfig { config } => return check_config(&config),
        Command::Serve { config } => serve(&config),
        Command::Keygen { name, out } => keygen(&name, &out),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn serve(path: &Path) -> Result<()> {
    let config = Config::read(path)?;
    let desk = Desk::new(config.signer()?, config.log_keys()?, Memory::open(&config.memory)?);
    println!("key {}", desk.key());
    actix_web::rt::System::new().block_on(server::serve(desk, Arc::new(now_s), config.listen))
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

fn now_s() -> u64 {
    u64::try_from(edge::now_ms() / 1_000).unwrap_or_default()
}

fn keygen(name: &str, out: &Path) -> Result<()> {
    use std::io::Write;
    use std::os::unix::fs::OpenOptionsExt;
    let mut seed = [0; 32];
    let flags = rustix::rand::GetRandomFlags::empty();
    let got = rustix::io::retry_on_intr(|| rustix::rand::getrandom(&mut seed, flags))?;
    anyhow::ensure!(got == seed.len(), "the operating system gave too few random bytes");
    let signer = Ed25519Signer::witness(name, &seed)?;
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(out)
        .with_context(|| format!("could not create `{}`", out.display()))?;
    writeln!(file, "{}", hex::encode(seed))?;
    file.sync_all()?;
    println!("{}", signer.verifier());
    Ok(())
}
