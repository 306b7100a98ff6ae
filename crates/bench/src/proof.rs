//! Proof of honesty: the calls of each contestant are counted by strace in a short run that is not
//! timed. One client, so many commits, so many syncs.

use std::path::Path;
use std::process::Command;

use anyhow::{Context as _, Result, ensure};

use crate::event::{Events, Record};
use crate::measure::Batches;
use crate::ours;
use crate::raw::Raw;

/// Commits of one event made under strace.
pub(crate) const COMMITS: u64 = 200;
/// The calls that make bytes durable.
const CALLS: &str = "trace=fsync,fdatasync,sync_file_range,msync";

/// A strace that counts the calls of the command behind it, also those of its children.
pub(crate) fn counting(out: &Path) -> Vec<String> {
    let out = out.display().to_string();
    ["strace", "-f", "-c", "-e", CALLS, "-o", &out].map(str::to_owned).into()
}

/// A contestant that is probed in a process of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Contestant {
    /// The core, called directly.
    Ours,
    /// The raw file.
    Raw,
    /// SQLite.
    #[cfg(feature = "rivals")]
    Sqlite,
}

/// Makes the commits. This runs in a child process under strace.
pub(crate) fn run(contestant: Contestant, dir: &Path, commits: u64) -> Result<()> {
    let commit_all = |store: &mut dyn Batches| -> Result<()> {
        let mut events = Events::new("proof");
        (0..commits).try_for_each(|_| store.commit(&[events.record()] as &[Record]))
    };
    match contestant {
        Contestant::Ours => ours::some(dir, commits),
        Contestant::Raw => commit_all(&mut Raw::create(dir)?),
        #[cfg(feature = "rivals")]
        Contestant::Sqlite => commit_all(&mut crate::sqlite::Sqlite::create(dir)?),
    }
}

/// Syncs by call, as strace counted them.
pub(crate) type Counts = Vec<(String, u64)>;

/// Reads the summary strace wrote.
pub(crate) fn read(out: &Path) -> Result<Counts> {
    let text = std::fs::read_to_string(out).context("strace wrote nothing")?;
    let rows = text.lines().filter_map(|line| {
        let fields: Vec<&str> = line.split_whitespace().collect();
        let call = *fields.last()?;
        let is_call = CALLS["trace=".len()..].split(',').any(|name| name == call);
        is_call.then(|| Some((call.to_owned(), fields.get(3)?.parse().ok()?)))?
    });
    Ok(rows.collect())
}

/// Probes a contestant: syncs with `COMMITS` commits less those with none.
pub(crate) fn probe(contestant: &str, dir: &Path) -> Result<Counts> {
    let counts = |commits: u64| -> Result<Counts> {
        let place = tempfile::tempdir_in(dir)?;
        let out = place.path().join("calls");
        let strace = counting(&out);
        let mut command = Command::new(&strace[0]);
        command.args(&strace[1..]).arg(std::env::current_exe()?);
        command.args(["probe", contestant, &commits.to_string(), "--dir"]).arg(place.path());
        let output = command.output().context("strace is not installed")?;
        ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        read(&out)
    };
    let (with, without) = (counts(COMMITS)?, counts(0)?);
    Ok(difference(with, &without))
}

/// What the second count lacks of the first.
pub(crate) fn difference(with: Counts, without: &Counts) -> Counts {
    let before = |call: &str| without.iter().find(|(name, _)| name == call).map_or(0, |row| row.1);
    with.into_iter()
        .map(|(call, count)| (call.clone(), count.saturating_sub(before(&call))))
        .filter(|(_, count)| *count > 0)
        .collect()
}
