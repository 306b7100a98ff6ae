//! Answers computations line by line, so that independent libraries can be held against them.
//!
//! Reads one JSON object a line, `{"computation": "rate.wilson", "inputs": {..}}`, and writes one
//! JSON value a line, in the same order. Every answer is that of the shop floor's own functions;
//! nothing is computed here. `tests/crosscheck` drives it. Exit code 1 and a message name the line
//! that cannot be answered.

mod equipment;
mod powder;
mod waste;

use std::io::{BufRead, Write};
use std::process::ExitCode;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// What a module answers: name of the computation, and the function that takes its inputs.
pub(crate) type Computation = (&'static str, fn(Value) -> Result<Value, String>);

/// One line of input.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    computation: String,
    inputs: Value,
}

/// Reads the inputs of a computation into its own form.
pub(crate) fn inputs<T: DeserializeOwned>(inputs: Value) -> Result<T, String> {
    serde_json::from_value(inputs).map_err(|e| e.to_string())
}

fn answer(line: &str) -> Result<Value, String> {
    let case: Case = serde_json::from_str(line).map_err(|e| e.to_string())?;
    let modules = [equipment::COMPUTATIONS, powder::COMPUTATIONS, waste::COMPUTATIONS];
    let known = modules.into_iter().flatten().find(|(name, _)| *name == case.computation);
    let (name, compute) =
        known.ok_or_else(|| format!("`{}` is no computation", case.computation))?;
    compute(case.inputs).map_err(|e| format!("`{name}`: {e}"))
}

fn main() -> ExitCode {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for (number, line) in std::io::stdin().lock().lines().enumerate() {
        let answered = line.map_err(|e| e.to_string()).and_then(|line| answer(&line));
        let written =
            answered.and_then(|value| writeln!(out, "{value}").map_err(|e| e.to_string()));
        if let Err(why) = written {
            eprintln!("line {}: {why}", number + 1);
            return ExitCode::FAILURE;
        }
    }
    ExitCode::SUCCESS
}
