//! Where the programs under test lie.

use std::path::PathBuf;
use std::process::{Command, Output};

/// The workspace folder.
pub fn workspace() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// A program built for the system tests: from `$PULVERLOG_TEST_PROGRAMS`, else the release folder
/// beside the one this test runs from.
///
/// # Panics
/// When it is not there, saying how to build it.
pub fn program(name: &str) -> PathBuf {
    let folder = match std::env::var_os("PULVERLOG_TEST_PROGRAMS") {
        Some(folder) => PathBuf::from(folder),
        None => {
            let test = std::env::current_exe().expect("this test's own path");
            test.ancestors().nth(3).expect("a target folder").join("release")
        }
    };
    let path = folder.join(name);
    assert!(
        path.is_file(),
        "`{}` is not built: cargo build --release -p recorder -p auditor -p witness -p relay",
        path.display()
    );
    path
}

/// Runs a command to its end and returns what it printed.
///
/// # Panics
/// When it cannot be started.
pub fn run(command: &mut Command) -> Output {
    command.output().unwrap_or_else(|e| panic!("could not start {command:?}: {e}"))
}

/// What a command printed, for messages.
pub fn printed(output: &Output) -> String {
    format!(
        "{}\n{}{}",
        output.status,
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    )
}
