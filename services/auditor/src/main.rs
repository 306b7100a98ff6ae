//! `auditor check DIR|ZIP|URL`: exit 0 sound, 1 broken, 2 could not check.

use std::path::PathBuf;
use std::process::ExitCode;

use auditor::{Audit, AuditError, Trusted};
use chain::verify::Verdict;
use clap::{Parser, Subcommand};
use serde_json::json;

/// Checks a pulverlog without trusting whoever keeps it.
#[derive(Parser)]
#[command(version, about)]
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
    Check {
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
        /// File that holds the access token for an address.
        #[arg(long, value_name = "FILE")]
        token_file: Option<PathBuf>,
    },
}

fn main() -> ExitCode {
    // The TLS code takes whichever crypto provider was installed first; there is only this one.
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    let Command::Check { source, json, keys, policy, checkpoint, token_file } =
        Arguments::parse().command;
    let trusted = Trusted { keys, policy, checkpoints: checkpoint };
    let result = token_file
        .map(|path| std::fs::read_to_string(&path).map_err(|cause| AuditError::Own { path, cause }))
        .transpose()
        .and_then(|token| Ok(auditor::open(&source, token.as_deref().map(str::trim))?))
        .and_then(|files| {
            let threads = std::thread::available_parallelism().map_or(1, usize::from);
            auditor::audit(&files, &trusted, threads)
        });
    match result {
        Ok(audit) => {
            if json {
                println!("{}", as_json(&audit));
            } else {
                print_text(&audit);
            }
            if audit.is_sound() { ExitCode::SUCCESS } else { ExitCode::from(1) }
        }
        Err(error) => {
            let error = anyhow::Error::from(error);
            if json {
                println!(
                    "{}",
                    json!({ "verdict": "could not check", "why": format!("{error:#}") })
                );
            } else {
                eprintln!("could not check: {error:#}");
            }
            ExitCode::from(2)
        }
    }
}

fn print_text(audit: &Audit) {
    println!("{}", audit.verdict);
    if let Verdict::Sound(summary) = &audit.verdict {
        println!("log key {}", summary.log_key);
        println!(
            "witnesses: {}",
            if summary.witness_keys.is_empty() {
                "none".into()
            } else {
                summary.witness_keys.join(", ")
            }
        );
        println!(
            "not yet covered by any outside checkpoint: {} of {} entries",
            summary.not_covered_outside(),
            summary.entries
        );
        println!("without a client signature: {} entries", summary.unsigned);
    }
    let origin = if audit.keys_from_bundle {
        "came with the evidence: compare them with the log key you know"
    } else {
        "are your own"
    };
    println!("keys (SHA-256 {}) {origin}", audit.keys_digest);
    if let Some(refold) = &audit.refold {
        println!(
            "replay: {} findings, {} fold digests reached again, {} of another version",
            refold.findings, refold.digests_equal, refold.digests_of_another_version
        );
        if !refold.unreadable.is_empty() {
            println!(
                "replay: {} entries are of a kind this program does not know, first {}",
                refold.unreadable.len(),
                refold.unreadable[0]
            );
        }
        if let Some(d) = &refold.difference {
            println!(
                "broken at entry {}: {} was recorded as {}, but follows as {}",
                d.seq, d.about, d.recorded, d.computed
            );
        }
    }
}

fn as_json(audit: &Audit) -> serde_json::Value {
    let refold = audit.refold.as_ref().map(|r| {
        json!({
            "findings": r.findings,
            "fold_digests_equal": r.digests_equal,
            "fold_digests_of_another_version": r.digests_of_another_version,
            "unreadable": r.unreadable,
            "difference": r.difference.as_ref().map(|d| json!({
                "seq": d.seq, "about": d.about, "recorded": d.recorded, "computed": d.computed,
            })),
        })
    });
    let mut out = json!({
        "verdict": if audit.is_sound() { "sound" } else { "broken" },
        "keys_sha256": audit.keys_digest.to_string(),
        "keys_from_bundle": audit.keys_from_bundle,
        "replay": refold,
    });
    match &audit.verdict {
        Verdict::Sound(s) => {
            out["entries"] = json!(s.entries);
            out["root"] = json!(s.root.to_string());
            out["checkpoint_size"] = json!(s.checkpoint_size);
            out["not_covered_outside"] = json!(s.not_covered_outside());
            out["without_client_signature"] = json!(s.unsigned);
            out["signed_by_unknown_key"] = json!(s.signed_unknown);
            out["log_key"] = json!(s.log_key);
            out["witnesses"] = json!(s.witness_keys);
            out["clients"] = json!(s.client_keys);
        }
        Verdict::Broken(f) => {
            out["seq"] = json!(f.seq);
            out["fault"] = json!(f.kind.code());
            out["expected"] = json!(f.expected);
            out["found"] = json!(f.found);
            out["checkpoint"] = json!(f.checkpoint);
            out["among"] = json!(f.among.map(|(a, b)| [a, b]));
        }
    }
    out
}
