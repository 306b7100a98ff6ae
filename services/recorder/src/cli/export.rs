//! `recorder export`: an evidence bundle as a directory, made from the disk without the service.

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufWriter, Write as _};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use chain::bundle::{self, BundleKind, ReadMe};
use chain::checkpoint::Checkpoint;
use chain::entry::Entry;
use shopfloor::record::IssuedReport;
use shopfloor::{Event, Fact, State};

use super::{check, disk};
use crate::config::Config;
use crate::log::client_keys;
use crate::reports::{Form, ReportStore, bundle_name};
use crate::witnesses;

/// Where the bundle goes.
#[derive(Debug, Clone, clap::Args)]
pub struct ExportArgs {
    /// Directory; must be new or empty.
    pub dir: PathBuf,
}

/// Writes a full bundle up to the newest checkpoint on disk.
///
/// # Errors
/// If the log cannot be read or the bundle not be written.
pub fn run(config: &Config, args: &ExportArgs) -> anyhow::Result<()> {
    let dir = &args.dir;
    if dir.try_exists()? && fs::read_dir(dir)?.next().is_some() {
        bail!("`{}` is not empty: a bundle is never mixed with other files", dir.display());
    }
    fs::create_dir_all(dir.join("checkpoints"))
        .with_context(|| format!("cannot make `{}`", dir.display()))?;
    let keys = check::own_keys(config)?;
    let mut newest: Option<Checkpoint> = None;
    let mut held = BTreeSet::new();
    for file in disk::checkpoints(config)? {
        let opened = Checkpoint::open(&file.note, std::slice::from_ref(&keys.log))
            .with_context(|| file.name.clone())?
            .checkpoint;
        // The watermark comes last and bears the log's signature alone: where a published checkpoint
        // of the same size lies, others may have cosigned that one.
        if held.insert(opened.size) {
            write(dir, &bundle::checkpoint_name(opened.size), &file.note)?;
        }
        if newest.as_ref().is_none_or(|newest| newest.size < opened.size) {
            newest = Some(opened);
        }
    }
    let newest = newest.context("the log has no signed checkpoint yet")?;
    let path = dir.join(bundle::ENTRIES);
    let mut out =
        BufWriter::new(fs::File::create(&path).with_context(|| path.display().to_string())?);
    let mut left = newest.size;
    let mut told = State::default();
    disk::each_entry(config, |line| {
        if left == 0 {
            return Ok(ControlFlow::Break(()));
        }
        left -= 1;
        if let Some(fact) = about_the_record(line) {
            told.apply(&fact, None);
        }
        out.write_all(line)?;
        out.write_all(b"\n")?;
        Ok(ControlFlow::Continue(()))
    })?;
    out.flush()?;
    let (policy, keys) = witnesses::papers(config, &keys.log, client_keys(&told.record));
    let (policy, keys) = (policy.to_string(), keys.to_string());
    let read_me = ReadMe {
        kind: BundleKind::Full,
        origin: &newest.origin,
        entries: newest.size - left,
        checkpoint_size: newest.size,
        root: newest.root,
        keys: keys.as_bytes(),
        policy: policy.as_bytes(),
    };
    reports(config, dir, &told)?;
    write(dir, bundle::KEYS, keys.as_bytes())?;
    write(dir, bundle::POLICY, policy.as_bytes())?;
    write(dir, bundle::READ_ME, read_me.text().as_bytes())?;
    if left > 0 {
        bail!(
            "{left} entries that were signed are not on the disk: the bundle will be found broken"
        );
    }
    writeln!(std::io::stdout(), "{} entries, root {}", newest.size, newest.root)?;
    Ok(())
}

/// What tells of client keys (their enrolment, their end, and the signature of a second person) and
/// of reports that were issued.
fn about_the_record(line: &[u8]) -> Option<Fact> {
    let fact = Fact::from_entry(&Entry::parse(line).ok()?).ok()?;
    let tells = matches!(
        fact.event,
        Event::KeyEnrolled(_)
            | Event::KeyRevoked(_)
            | Event::EntrySigned(_)
            | Event::ReportIssued(_)
    );
    tells.then_some(fact)
}

/// Copies the reports that were issued, as far as they lie beside the log. Whether they are what was
/// issued is for the audit to say.
fn reports(config: &Config, dir: &Path, told: &State) -> anyhow::Result<()> {
    let store = ReportStore::beside(&config.log.data_dir);
    for IssuedReport { seq, report } in told.record.reports() {
        for form in Form::ALL {
            let Some(bytes) = store.get(&report.digest, *form, None)? else { continue };
            fs::create_dir_all(dir.join("reports"))?;
            write(dir, &bundle_name(report, *seq, *form), &bytes)?;
        }
    }
    Ok(())
}

fn write(dir: &Path, name: &str, bytes: &[u8]) -> anyhow::Result<()> {
    let path = dir.join(name);
    fs::write(&path, bytes).with_context(|| format!("cannot write `{}`", path.display()))
}
