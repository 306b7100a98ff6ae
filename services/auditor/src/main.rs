//! `auditor check` and `auditor note`: exit 0 sound, 1 broken, 2 could not check.

use std::io::Read as _;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use auditor::paper::{Anchor, Contained};
use auditor::{Trusted, show};
use chain::bundle::{self, Bundle};
use chain::keys::Keys;
use chain::note::VerifierKey;
use clap::{Args, Parser, Subcommand};
use serde_json::json;

/// Checks a pulverlog without trusting whoever keeps it.
#[derive(Parser)]
#[command(version, about, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Check evidence: a folder, a zip file or the address of a recorder.
    ///
    /// Exit code 0: sound. 1: broken; the first fault in the documented order is named. 2: could
    /// not check.
    Check(CheckArguments),
    /// Read a paper anchor: the signed note from a printed report, typed in or scanned.
    ///
    /// Exit code 0: well formed, and in the log if one is given. 1: a signature does not verify, or
    /// the log is not the one it was made of. 2: no anchor, or the log cannot be read.
    Note(NoteArguments),
}

#[derive(Args)]
struct CheckArguments {
    /// Folder, zip file, or address such as https://recorder.example.org
    source: String,
    /// Print one JSON object instead of text.
    #[arg(long)]
    json: bool,
    /// Keys to believe, instead of the bundle's keys.txt.
    #[arg(long, value_name = "FILE")]
    keys: Option<PathBuf>,
    /// Witness policy, instead of the bundle's policy.txt.
    #[arg(long, value_name = "FILE")]
    policy: Option<PathBuf>,
    /// A checkpoint kept outside: from an earlier audit, a printed report or a witness.
    /// May be given more than once.
    #[arg(long, value_name = "FILE")]
    checkpoint: Vec<PathBuf>,
    /// Receipts that clients kept, one JSON object a line. May be given more than once.
    #[arg(long, value_name = "FILE")]
    receipts: Vec<PathBuf>,
    /// Evidence of the log that this one continues. May be given more than once, newest first.
    #[arg(long, value_name = "SOURCE")]
    before: Vec<String>,
    /// Evidence of the log that continues this one. May be given more than once, oldest first. Its key
    /// must have been enrolled here by two people, so your key of this log is enough.
    #[arg(long, value_name = "SOURCE")]
    next: Vec<String>,
    /// File that holds the access token for an address.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

#[derive(Args)]
struct NoteArguments {
    /// File with the note, or `-` for standard input.
    file: PathBuf,
    /// Evidence to look for it in: a folder or a zip file.
    #[arg(long = "in", value_name = "SOURCE")]
    source: Option<String>,
    /// Keys to believe; otherwise those of the evidence.
    #[arg(long, value_name = "FILE")]
    keys: Option<PathBuf>,
    /// Print one JSON object instead of text.
    #[arg(long)]
    json: bool,
}

/// What was found, ready to be printed.
struct Found {
    text: String,
    json: serde_json::Value,
    sound: bool,
}

fn main() -> ExitCode {
    // The TLS code takes whichever crypto provider was installed first; there is only this one.
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    let (json, result) = match Arguments::parse().command {
        Command::Check(arguments) => (arguments.json, check(arguments)),
        Command::Note(arguments) => (arguments.json, note(&arguments)),
    };
    match result {
        Ok(found) => {
            if json {
                println!("{}", found.json);
            } else {
                print!("{}", found.text);
            }
            if found.sound { ExitCode::SUCCESS } else { ExitCode::from(1) }
        }
        Err(error) => {
            if json {
                let why = format!("{error:#}");
                println!("{}", json!({ "verdict": "could not check", "why": why }));
            } else {
                eprintln!("could not check: {error:#}");
            }
            ExitCode::from(2)
        }
    }
}

fn check(arguments: CheckArguments) -> anyhow::Result<Found> {
    let CheckArguments {
        source, keys, policy, checkpoint, receipts, before, next, token_file, ..
    } = arguments;
    let trusted = Trusted { keys, policy, checkpoints: checkpoint, receipts };
    let token = token_file
        .map(|path| {
            std::fs::read_to_string(&path)
                .with_context(|| format!("could not read `{}`", path.display()))
        })
        .transpose()?;
    let files = auditor::open(&source, token.as_deref().map(str::trim))?;
    let others = |sources: &[String]| -> Result<Vec<Bundle>, auditor::SourceError> {
        sources.iter().map(|source| auditor::open(source, None)).collect()
    };
    let (before, next) = (others(&before)?, others(&next)?);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let mut audit = auditor::audit(&files, &trusted, &before, threads)?;
    auditor::follow(&mut audit, &files, &trusted, &next, threads)?;
    let (text, json) = (show::text(&audit), show::as_json(&audit));
    Ok(Found { text, json, sound: audit.is_sound() })
}

fn note(arguments: &NoteArguments) -> anyhow::Result<Found> {
    let files = arguments.source.as_ref().map(|source| auditor::open(source, None)).transpose()?;
    let own = arguments.keys.as_ref().map(|path| {
        std::fs::read(path).with_context(|| format!("could not read `{}`", path.display()))
    });
    let keys = match (own.transpose()?, &files) {
        (Some(own), _) => Some(own),
        (None, Some(files)) => {
            Some(files.get(bundle::KEYS).context("the evidence has no keys.txt")?.to_vec())
        }
        (None, None) => None,
    };
    let keys = keys.map(|bytes| Keys::parse(&bytes)).transpose()?;
    let known: Vec<VerifierKey> = keys
        .iter()
        .flat_map(|keys| std::iter::once(&keys.log).chain(&keys.witnesses))
        .cloned()
        .collect();
    let anchor = Anchor::read(&read(&arguments.file)?, &known)?;
    let contained = files.zip(keys).map(|(files, keys)| anchor.is_in(&files, &keys));
    let found = contained.as_ref();
    let sound = !anchor.is_spoilt() && found.is_none_or(|contained| *contained == Contained::Yes);
    let (text, json) = (show::anchor_text(&anchor, found), show::anchor_json(&anchor, found));
    Ok(Found { text, json, sound })
}

fn read(file: &std::path::Path) -> anyhow::Result<Vec<u8>> {
    /// Longer than any note.
    const BYTES_MAX: u64 = 1 << 20;
    let mut bytes = Vec::new();
    if file.as_os_str() == "-" {
        std::io::stdin().take(BYTES_MAX).read_to_end(&mut bytes)?;
    } else {
        let context = || format!("could not read `{}`", file.display());
        let file = std::fs::File::open(file).with_context(context)?;
        file.take(BYTES_MAX).read_to_end(&mut bytes).with_context(context)?;
    }
    Ok(bytes)
}
