//! House chores: `cargo xtask tidy`.

use std::process::ExitCode;

fn main() -> ExitCode {
    let chore = std::env::args().nth(1).unwrap_or_default();
    let result = match chore.as_str() {
        "tidy" => xtask::workspace_root().and_then(|root| xtask::tidy::check(&root)),
        other => Err(anyhow::anyhow!("`{other}` is no chore: use `tidy`")),
    };
    match result {
        Ok(faults) if faults.is_empty() => ExitCode::SUCCESS,
        Ok(faults) => {
            for fault in faults {
                eprintln!("{fault}");
            }
            ExitCode::FAILURE
        }
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}
