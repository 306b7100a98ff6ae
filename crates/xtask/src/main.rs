//! House chores: `cargo xtask tidy`, `cargo xtask advisories`, `cargo xtask api`, `cargo xtask bench`,
//! `cargo xtask fuzz`.

use std::process::{Command, ExitCode};

use anyhow::{Context as _, Result, bail, ensure};

fn main() -> ExitCode {
    let mut words = std::env::args().skip(1);
    let chore = words.next().unwrap_or_default();
    let result = match chore.as_str() {
        "tidy" => tidy(),
        "advisories" => xtask::workspace_root().and_then(|root| xtask::advisories::check(&root)),
        "api" => api(words),
        "bench" => bench(words),
        "fuzz" => fuzz(words),
        other => Err(anyhow::anyhow!(
            "`{other}` is no chore: use `tidy`, `advisories`, `api`, `bench` or `fuzz`"
        )),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

fn tidy() -> Result<()> {
    let faults = xtask::tidy::check(&xtask::workspace_root()?)?;
    ensure!(faults.is_empty(), "{}", faults.join("\n"));
    Ok(())
}

/// The API description against the newest released one, or its release.
fn api(mut words: impl Iterator<Item = String>) -> Result<()> {
    let root = xtask::workspace_root()?;
    let (word, option) = (words.next().unwrap_or_default(), words.next());
    match (word.as_str(), option.as_deref()) {
        ("check", None) => {
            let breaks = xtask::api::check(&root)?;
            ensure!(breaks.is_empty(), "{}", breaks.join("\n"));
            Ok(())
        }
        ("release", option @ (None | Some("--replace"))) => {
            let file = xtask::api::release(&root, option.is_some())?;
            println!("{}", file.display());
            Ok(())
        }
        _ => bail!("use `api check`, `api release` or `api release --replace`"),
    }
}

/// The benchmark with its rivals, optimised; further words go to it.
fn bench(words: impl Iterator<Item = String>) -> Result<()> {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let status = Command::new(cargo)
        .args(["run", "--release", "--locked", "--package", "bench", "--features", "rivals", "--"])
        .args(words)
        .current_dir(xtask::workspace_root()?)
        // Without it the bundled SQLite calls `fsync` where others call `fdatasync`, and loses by a
        // flag of the compiler.
        .env("LIBSQLITE3_FLAGS", "-DHAVE_FDATASYNC=1")
        .status()
        .context("cargo does not run")?;
    ensure!(status.success(), "the benchmark failed: {status}");
    Ok(())
}

/// The readers of everything that comes from outside, with so many hostile inputs each: optimised,
/// from a seed, so that a failing input is found again.
fn fuzz(mut words: impl Iterator<Item = String>) -> Result<()> {
    let inputs = words.next().unwrap_or_else(|| "1000000".to_owned());
    let seed = words.next().unwrap_or_else(|| "1".to_owned());
    for number in [&inputs, &seed] {
        number
            .parse::<u64>()
            .with_context(|| format!("`{number}` is no number: use `fuzz INPUTS [SEED]`"))?;
    }
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    for (package, tests) in [
        ("chain", &["--test", "fuzz"][..]),
        ("ledger", &["--lib", "no_change_of_a_segment_is_taken_for_what_was_written"][..]),
    ] {
        let status = Command::new(&cargo)
            .args(["test", "--release", "--locked", "--package", package])
            .args(tests)
            .args(["--", "--nocapture"])
            .current_dir(xtask::workspace_root()?)
            .env("PULVERLOG_FUZZ", &inputs)
            .env("PULVERLOG_FUZZ_SEED", &seed)
            .status()
            .context("cargo does not run")?;
        ensure!(status.success(), "a reader failed on an input that is printed above: {status}");
    }
    Ok(())
}
