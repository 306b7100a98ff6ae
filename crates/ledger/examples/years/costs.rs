//! What a log of some size costs: to open, to ask, to prove, to check; and how that grows.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;
use std::time::Instant;

use anyhow::{Context as _, Result, ensure};
use chain::keys::Keys;
use chain::merkle::{prove_consistency, prove_inclusion};
use jiff::{Timestamp, ToSpan as _};
use ledger::disk::OsDisk;
use ledger::seams::Clock as _;
use ledger::{Key, audit, tree};
use report::disposal::{self, Options};
use shopfloor::State;
use shopfloor::common::Day;
use shopfloor::equipment::DueQuery;
use shopfloor::ids::Label;

use crate::shop::{SITE, printer};
use crate::system::{drop_cache, median, resident_bytes, tree_bytes};
use crate::{ORIGIN, Place, ShopClock, signer};

/// Questions of each kind.
const QUESTIONS: u64 = 500;

/// Figures by what they tell, each at sizes of the log.
#[derive(Debug, Default)]
pub(super) struct Costs(Vec<(String, &'static str, BTreeMap<u64, f64>)>);

/// Units a figure may have.
const UNITS: &[&str] =
    &["us/entry", "entries/s", "s", "us", "MiB", "B/entry", "lines", "us/line", "findings"];

impl Costs {
    pub(super) fn add(&mut self, size: u64, what: &str, value: f64, unit: &'static str) {
        match self.0.iter_mut().find(|(known, _, _)| known == what) {
            Some((_, _, values)) => _ = values.insert(size, value),
            None => self.0.push((what.to_owned(), unit, BTreeMap::from([(size, value)]))),
        }
    }

    pub(super) fn extend(&mut self, other: Self) {
        for (what, unit, values) in other.0 {
            values.into_iter().for_each(|(size, value)| self.add(size, &what, value, unit));
        }
    }

    /// Takes in what [`to_csv`](Self::to_csv) wrote in another process.
    pub(super) fn read(&mut self, size: u64, csv: &str) -> Result<()> {
        for line in csv.lines().skip(1) {
            let mut fields = line.rsplitn(4, ';');
            let mut field = || fields.next().context("four fields");
            let (value, _size, unit, what) = (field()?.parse()?, field()?, field()?, field()?);
            let unit = UNITS.iter().find(|known| **known == unit).context("a unit")?;
            self.add(size, what, value, unit);
        }
        Ok(())
    }

    pub(super) fn to_csv(&self) -> String {
        let mut csv = "what;unit;entries;value\n".to_owned();
        for (what, unit, values) in &self.0 {
            for (size, value) in values {
                csv += &format!("{what};{unit};{size};{value}\n");
            }
        }
        csv
    }

    /// The table over all sizes, with the exponent of each growth: the slope of log(cost) over
    /// log(entries) by least squares. 0 does not grow, 1 grows as the log does.
    pub(super) fn grown(&self) -> String {
        let sizes: Vec<u64> = self
            .0
            .first()
            .map(|(_, _, values)| values.keys().copied().collect())
            .unwrap_or_default();
        let head: Vec<String> = sizes.iter().map(u64::to_string).collect();
        let mut table = format!(
            "| cost | {} | exponent |\n|---|{}---|\n",
            head.join(" | "),
            "---:|".repeat(sizes.len())
        );
        for (what, unit, values) in &self.0 {
            let shown =
                sizes.iter().map(|size| values.get(size).map_or_else(String::new, |v| plain(*v)));
            let shown: Vec<String> = shown.collect();
            let exponent = exponent(values).map_or_else(String::new, |slope| format!("{slope:.2}"));
            table += &format!("| {what}, {unit} | {} | {exponent} |\n", shown.join(" | "));
        }
        table
    }
}

impl fmt::Display for Costs {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (what, unit, values) in &self.0 {
            for value in values.values() {
                writeln!(f, "  {what:<58} {:>12} {unit}", plain(*value))?;
            }
        }
        Ok(())
    }
}

/// Three digits that count.
fn plain(value: f64) -> String {
    let digits = 2 - value.abs().max(1e-6).log10().floor() as i32;
    format!("{value:.*}", usize::try_from(digits).unwrap_or(0))
}

/// `None` for fewer than two sizes, or where something is zero.
fn exponent(values: &BTreeMap<u64, f64>) -> Option<f64> {
    let points: Vec<(f64, f64)> =
        values.iter().filter(|(_, v)| **v > 0.0).map(|(n, v)| ((*n as f64).ln(), v.ln())).collect();
    let count = points.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / count;
    let (x, y) = (mean(|p| p.0), mean(|p| p.1));
    let spread: f64 = points.iter().map(|p| (p.0 - x).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - x) * (p.1 - y)).sum::<f64>() / spread;
    (points.len() >= 2).then_some(slope)
}

/// Places of a long row, the same in every run: a multiplicative walk.
fn places(below: u64) -> impl Iterator<Item = u64> {
    let mut walk = 12_345_u64;
    (0..QUESTIONS).map(move |_| {
        walk = walk.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (walk >> 33) % below
    })
}

/// The middle of how long each of some questions took, in us.
fn asked<T>(below: u64, mut question: impl FnMut(u64) -> Result<T>) -> Result<f64> {
    let mut times = Vec::new();
    for place in places(below) {
        let begun = Instant::now();
        let answer = question(place)?;
        times.push(begun.elapsed().as_secs_f64() * 1e6);
        drop(answer);
    }
    Ok(median(times))
}

/// Everything about the log at this place.
pub(super) fn measure(place: &Place, clock: &ShopClock) -> Result<Costs> {
    let mut costs = Costs::default();
    drop_cache(&place.files.log_dir)?;
    drop_cache(&place.index)?;
    let begun = Instant::now();
    let mut opened = place.open(clock)?;
    let start_s = begun.elapsed().as_secs_f64();
    let size = opened.report.count;
    let mut add = |what: &str, value: f64, unit| costs.add(size, what, value, unit);
    add("started, from the snapshot of the stop before", start_s, "s");
    let resident_mib = || Ok::<_, anyhow::Error>(resident_bytes()? as f64 / f64::from(1 << 20));
    add("memory of the process then", resident_mib()?, "MiB");

    let index = Arc::clone(&opened.index);
    let begun = Instant::now();
    let new = index.seq_of(&Key::new("/years", "never"), size)?;
    ensure!(new.is_none(), "`{new:?}` has a key nobody used");
    add("the first look whether an event is new", begun.elapsed().as_secs_f64(), "s");
    add(
        "a later one",
        asked(size, |n| Ok(index.seq_of(&Key::new("/years", &format!("never-{n}")), size)?))?,
        "us",
    );
    add("memory after them", resident_mib()?, "MiB");

    let store = Arc::clone(&opened.store);
    let tiles = Arc::default();
    let hashes = || tree::hashes(&*store, size, Arc::clone(&tiles));
    add("inclusion proof", asked(size, |seq| Ok(prove_inclusion(&hashes(), seq, size)?))?, "us");
    add(
        "consistency proof",
        asked(size - 1, |from| Ok(prove_consistency(&hashes(), from + 1, size)?))?,
        "us",
    );
    add("an entry read", asked(size, |seq| Ok(store.read(seq)?))?, "us");
    let newest = |n: u64| {
        let subject = format!("equipment/{}", printer(n));
        let found = index.by_subject(&subject, size.saturating_sub(50_000), 50)?;
        ensure!(!found.is_empty(), "`{subject}` has entries");
        Ok(())
    };
    add("entries about a printer, 50 of the newest", asked(10, newest)?, "us");

    {
        let shop = opened.core.shop();
        let shop = shop.read().map_err(|_| anyhow::anyhow!("the state is broken"))?;
        questions(shop.state(), size, clock.now_ms(), &mut add)?;
    }
    add("memory after all these questions", resident_mib()?, "MiB");
    let signed = opened.notary.as_ref().and_then(ledger::notary::Notary::watermark).cloned();
    opened.core.close()?;
    drop((opened, store, index));

    let signed = signed.context("the log is signed")?;
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    drop_cache(&place.files.log_dir)?;
    let (begun, used) = (Instant::now(), processor_s()?);
    let wrong = audit::compare_bytes(&OsDisk, &place.files, &signed, threads)?;
    ensure!(wrong.is_none(), "{wrong:?}");
    add("every byte compared with the signed root", begun.elapsed().as_secs_f64(), "s");
    let per_entry = |used: f64| Ok::<_, anyhow::Error>((processor_s()? - used) * 1e6 / size as f64);
    add("  processor time of it", per_entry(used)?, "us/entry");
    let (begun, used) = (Instant::now(), processor_s()?);
    let found =
        audit::check(&OsDisk, &place.files, Keys::of_log(signer().verifier().clone()), None)?;
    ensure!(found.is_sound(), "the log is not sound: {found:?}");
    add("everything checked that an auditor checks", begun.elapsed().as_secs_f64(), "s");
    add("  processor time of that", per_entry(used)?, "us/entry");

    let on_disk = |folder| Ok::<_, anyhow::Error>(tree_bytes(folder)? as f64 / size as f64);
    add("log on disk, with tiles", on_disk(&place.files.log_dir)?, "B/entry");
    add("index and snapshot on disk", on_disk(&place.index)?, "B/entry");
    Ok(costs)
}

fn questions(
    state: &State,
    size: u64,
    now_ms: i64,
    add: &mut impl FnMut(&str, f64, &'static str),
) -> Result<()> {
    let now = Timestamp::from_millisecond(now_ms)?;
    let id = |n: u64| Label::new(&printer(n % 10)).context("a label");
    let equipment = &state.equipment;
    add(
        "state of a printer",
        asked(10, |n| equipment.machine(&id(n)?).context("a machine"))?,
        "us",
    );
    let query = DueQuery::default();
    add(
        "what is due on every machine, 100 listed",
        asked(1, |_| Ok(equipment.due(&state.record, &query, now)))?,
        "us",
    );
    let earlier = |known: u64| -> Result<_> {
        let then = equipment.machine_as_of(&state.record, &id(known)?, known.max(size / 100));
        Ok(then.due(&state.record.settings_as_of(known), &query, now))
    };
    add("what was due on a printer as of an earlier entry", asked(size, earlier)?, "us");
    add("findings", state.findings.len() as f64, "findings");

    let today = now.to_zoned_datetime(jiff::tz::TimeZone::UTC).date();
    let site = Label::new(SITE)?;
    for (what, first) in [("30 days", 30.days()), ("365 days", 365.days())] {
        let from = today.checked_sub(first)?;
        let head =
            disposal::Head::new(ORIGIN, size, chain::Digest::of(b""), String::new(), "", None);
        let begun = Instant::now();
        let report = disposal::compile(
            state,
            &site,
            Day(from),
            Day(today.checked_sub(1.days())?),
            head,
            &Options { at: now },
        );
        let bytes = report::json::to_bytes(&report)?;
        let (seconds, lines) = (begun.elapsed().as_secs_f64(), report.containers.len() as f64);
        add(&format!("waste report of the last {what}"), seconds, "s");
        add(&format!("  containers in it ({what})"), lines, "lines");
        add(&format!("  for each of them ({what})"), seconds * 1e6 / lines.max(1.0), "us/line");
        drop(bytes);
    }
    Ok(())
}

/// Processor time of this process so far in s, threads that ended included (proc(5), 100 ticks a
/// second).
fn processor_s() -> Result<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or("").split_whitespace().collect();
    let ticks = |at: usize| fields.get(at).and_then(|field| field.parse().ok()).context("ticks");
    let (user, system): (f64, f64) = (ticks(11)?, ticks(12)?);
    Ok((user + system) / 100.0)
}
