//! `recorder carry-over`: the opening balances of a log that continues another.
//!
//! What stands at the end of the closed log is told again as ordinary events of the next one
//! ([`shopfloor::opening`]). Each has the origin of the closed log in its `source` and the entry that it
//! repeats or rests on in its `id`; entry 0 of the next log holds the final checkpoint that this entry
//! lies under. The events follow from the closed log alone: after an interruption the command is run
//! again and records what is missing.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{Context as _, bail};
use chain::canon;
use chain::checkpoint::Checkpoint;
use chain::entry::{Actor, Entry, Via};
use chain::note::Note;
use jiff::Timestamp;
use ledger::LedgerError;
use shopfloor::ids::PersonId;
use shopfloor::opening::{Difference, End, Opening, differences, opening, summary};
use shopfloor::{Event, Fact, Finding};

use super::Seams;
use super::serve::{self, ServeArgs};
use crate::config::Config;
use crate::log::{Handling, Log, Outcome, ReadEvent, Signed, Submission};
use crate::secret;

/// Events that are handed to the writer at once.
const BATCH: usize = 32;

/// From where, and who says so.
#[derive(Debug, Clone, clap::Args)]
pub struct CarryOverArgs {
    /// Configuration of the closed log. `--config` names that of the next one.
    #[arg(long, value_name = "FILE")]
    pub from: PathBuf,
    /// The system that records the events, by pseudonym. The people who did the work then stay its
    /// operators.
    #[arg(long, default_value = "svc_carry_over")]
    pub by: String,
    /// Where the next log is not begun yet: begin it, citing this final checkpoint of the closed one.
    #[arg(long, value_name = "FILE")]
    pub continues: Option<PathBuf>,
    /// Record nothing: print each event, one JSON object a line, and what would be different. Needs no
    /// next log.
    #[arg(long)]
    pub dry_run: bool,
}

/// The closed log and what stands in it.
struct Closed {
    log: Log,
    end: Arc<Signed>,
    at: Timestamp,
    opening: Opening,
}

/// Carries over, compares, and prints both.
///
/// # Errors
/// If the log to carry over from is not closed, the next one does not continue it, or an event cannot be
/// recorded.
pub async fn run(config: &Config, seams: &Seams, args: &CarryOverArgs) -> anyhow::Result<ExitCode> {
    if !args.by.starts_with("svc_") {
        bail!(
            "`--by {}` is no system (`svc_..`): a person would seem to have done all the work",
            args.by
        );
    }
    let closed = Closed::open(&args.from, seams).await?;
    let now = Timestamp::from_millisecond(seams.clock.now_ms())?;
    let origin = closed.log.origin().to_owned();
    let mut out = std::io::stdout().lock();
    let (next, findings) = if args.dry_run {
        for carried in &closed.opening.events {
            writeln!(out, "{}", carried.to_json(&origin))?;
        }
        let by = actor(&args.by, None);
        let played = closed.opening.play(&origin, &by, now);
        let (state, findings) = played.context("an event would be refused")?;
        (summary(&state, now), findings)
    } else {
        let log = next_log(config, seams, args, &closed)?;
        let findings = record(&log, &closed, &args.by).await?;
        let next = log.ask(|state| summary(state, now));
        log.publish().await?;
        log.close().context("the log was not closed in good order; the next start mends it")?;
        (next, findings)
    };
    let stood = closed.log.ask(|state| summary(state, now));
    let differences = differences(&stood, &next);
    print(&mut out, &closed, &findings, (stood.len(), &differences))?;
    let all_carried = differences.iter().all(Difference::cannot_be_carried);
    closed.log.close()?;
    Ok(if all_carried { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Who the entry says was authenticated.
fn actor(by: &str, operator: Option<&PersonId>) -> Actor {
    let on_behalf_of = operator.map(|person| person.as_str().to_owned());
    Actor { id: by.to_owned(), via: Via::Service, on_behalf_of }
}

impl Closed {
    async fn open(file: &Path, seams: &Seams) -> anyhow::Result<Self> {
        let name = file.display();
        let config = Config::load(Some(file)).with_context(|| format!("cannot read `{name}`"))?;
        if !secret::is_there(&serve::log_key_file(&config))? {
            bail!(
                "`{}` holds no key of a log: does `{name}` name it?",
                config.keys_dir().display()
            );
        }
        let (parts, _) = serve::parts(&config, seams)?;
        let log = Log::open(&parts).with_context(|| format!("the log of `{name}`"))?;
        let Some(closed_by) = log.ask(|state| state.record.closed_by()) else {
            bail!("the log of `{name}` is not closed: `recorder --config {name} close` ends it");
        };
        let at = fact(&log, closed_by)?.recorded_at;
        let end = log.publish().await?;
        let read = |seq| fact(&log, seq);
        let opening = log.ask(|state| opening(state, End { at }, read))?;
        Ok(Self { log, end, at, opening })
    }
}

fn fact(log: &Log, seq: u64) -> anyhow::Result<Fact> {
    let line = log.entry(seq)?.with_context(|| format!("entry {seq} is not there"))?;
    let entry = Entry::parse(&line).with_context(|| format!("entry {seq} cannot be read"))?;
    Fact::from_entry(&entry).with_context(|| format!("entry {seq} cannot be read"))
}

/// Opens the next log, or begins it; it must cite the end of the closed one.
fn next_log(
    config: &Config,
    seams: &Seams,
    args: &CarryOverArgs,
    closed: &Closed,
) -> anyhow::Result<Log> {
    let (parts, _) = serve::parts(config, seams)?;
    let log = match Log::open(&parts) {
        Err(LedgerError::NoLog { name, .. }) => {
            let continues = args.continues.clone();
            if continues.is_none() {
                bail!(
                    "`{name}` holds no log: `--continues FILE` begins it and cites the final \
                     checkpoint that `recorder close` printed"
                );
            }
            serve::open_log(config, seams, &ServeArgs { create: true, continues })?
        }
        opened => opened?,
    };
    let cited = match fact(&log, 0)?.event {
        Event::LogOpened(opened) => opened.continues,
        _ => None,
    };
    let cited =
        cited.context("the next log cites no log before it: entry 0 does or nothing does")?;
    let text = Note::parse(cited.as_bytes())?.text;
    let cited = Checkpoint::parse_text(&text)?;
    let end = &closed.end;
    if (cited.origin.as_str(), cited.size, cited.root) != (closed.log.origin(), end.size, end.root)
    {
        bail!(
            "the next log continues `{}` with {} entries; `{}` ends with {} and root {}",
            cited.origin,
            cited.size,
            closed.log.origin(),
            end.size,
            end.root
        );
    }
    Ok(log)
}

/// Records what is not recorded yet, in order. Returns what was found, also the times before.
async fn record(log: &Log, closed: &Closed, by: &str) -> anyhow::Result<Vec<Finding>> {
    let (events, origin) = (&closed.opening.events, closed.log.origin());
    let (mut found, mut recorded, mut known) = (Vec::new(), 0, 0);
    for batch in events.chunks(BATCH) {
        let submissions = batch.iter().map(|carried| {
            let value = canon::parse(carried.to_json(origin).to_string().as_bytes())?;
            let read = ReadEvent::read(&value)?;
            let actor = actor(by, carried.operator.as_ref());
            Submission::new(actor, read, None, Handling::default())
                .map_err(|problem| anyhow::anyhow!("entry {}: {problem}", carried.entry))
        });
        let submissions = submissions.collect::<anyhow::Result<Vec<_>>>()?;
        let outcomes = log.submit(submissions, Handling::default()).await?;
        for (carried, outcome) in batch.iter().zip(outcomes) {
            match outcome {
                Outcome::Recorded(_, findings) => {
                    recorded += 1;
                    found.extend(findings);
                }
                Outcome::Known(_, findings) => {
                    known += 1;
                    found.extend(findings);
                }
                Outcome::Refused(refusal) => {
                    bail!("what entry {} says is refused: {refusal}", carried.entry);
                }
                Outcome::IdReused(Some(seq)) => bail!(
                    "entry {seq} of the next log has the id `{}.{}` of an opening balance and says \
                     something else: was it carried over by another version?",
                    carried.entry,
                    carried.number
                ),
                outcome => bail!("entry {} was not carried over: {outcome:?}", carried.entry),
            }
        }
        tracing::info!(recorded, known, of = events.len(), "carried over");
    }
    Ok(found)
}

/// What was carried, what was found, what cannot be carried, and every difference.
fn print(
    out: &mut impl std::io::Write,
    closed: &Closed,
    findings: &[Finding],
    (compared, differences): (usize, &[Difference]),
) -> std::io::Result<()> {
    let (log, opening) = (&closed.log, &closed.opening);
    let (origin, at) = (log.origin(), closed.at);
    writeln!(out, "{origin}: {} entries, closed at {at}", closed.end.size)?;
    let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
    for carried in &opening.events {
        *kinds.entry(carried.event.kind().name).or_default() += 1;
    }
    writeln!(out, "{} events of the opening:", opening.events.len())?;
    for (name, count) in kinds {
        writeln!(out, "  {count:>6} {name}")?;
    }
    let mut rules: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for finding in findings {
        *rules.entry((finding.level.as_str(), &finding.rule)).or_default() += 1;
    }
    if !rules.is_empty() {
        writeln!(out, "what they contradict in the next log:")?;
    }
    for ((level, rule), count) in rules {
        writeln!(out, "  {count:>6} {level} {rule}")?;
    }
    writeln!(out, "not carried over:")?;
    for left in &opening.left {
        writeln!(out, "  {left}")?;
    }
    let (lost, wrong): (Vec<_>, Vec<_>) =
        differences.iter().partition(|difference| difference.cannot_be_carried());
    let same = compared.saturating_sub(lost.len());
    writeln!(
        out,
        "{compared} things compared; of {same} that can be carried {} differ",
        wrong.len()
    )?;
    for difference in wrong.iter().chain(&lost) {
        writeln!(out, "  {difference}")?;
    }
    Ok(())
}
