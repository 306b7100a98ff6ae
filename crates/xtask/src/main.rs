//! House chores: `cargo xtask tidy`, `cargo xtask bench`.

use std::process::{Command, ExitCode};

use anyhow::{Context as _, Result, ensure};

fn main() -> ExitCode {
    let mut words = std::env::args().skip(1);
    let chore = words.next().unwrap_or_default();
    let result = match chore.as_str() {
        "tidy" => tidy(),
        "bench" => bench(words),
        other => Err(anyhow::anyhow!("`{other}` is no chore: use `tidy` or `bench`")),
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
