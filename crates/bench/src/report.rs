//! The report: machine, proof of honesty, rounds, ratios; as tables, JSON and CSV.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use anyhow::Result;
use serde_json::json;

use crate::cpu::{ByThread, explain};
use crate::measure::Sample;
use crate::proof::Counts;
use crate::reading::Figure;
use crate::rounds::{Cell, METRICS, Who};
use crate::stages::Stage;
use crate::system::median;

/// One cell in one round.
#[derive(Debug)]
struct Row {
    round: usize,
    metric: &'static str,
    who: Who,
    /// Load average before.
    load: f64,
    rate: f64,
    p50_us: f64,
    p99_us: f64,
    cpu_us: ByThread,
}

/// Everything a run came to.
#[derive(Debug)]
pub(crate) struct Report {
    machine: Vec<(&'static str, String)>,
    pub(crate) versions: Vec<(&'static str, String)>,
    pub(crate) syncs: Vec<(&'static str, Counts)>,
    rows: Vec<Row>,
    pub(crate) stages: Vec<Stage>,
    pub(crate) figures: Vec<Figure>,
}

fn said(program: &str, words: &[&str]) -> String {
    let output = Command::new(program).args(words).output();
    output.map_or_else(
        |_| "unknown".to_owned(),
        |output| String::from_utf8_lossy(&output.stdout).trim().to_owned(),
    )
}

/// Whether a goal is met, in words.
fn verdict(met: Option<bool>) -> &'static str {
    match met {
        Some(true) => "met",
        Some(false) => "NOT MET",
        None => "",
    }
}

fn line_of(file: &str, start: &str) -> String {
    let text = std::fs::read_to_string(file).unwrap_or_default();
    let line = text.lines().find(|line| line.starts_with(start)).unwrap_or("unknown");
    line.rsplit(':').next().unwrap_or_default().trim().to_owned()
}

impl Report {
    pub(crate) fn begin(dir: &Path, rounds: usize, seconds: f64) -> Self {
        let place = dir.display().to_string();
        let machine = vec![
            ("commit", said("git", &["rev-parse", "HEAD"])),
            ("compiler", said("rustc", &["--version"])),
            (
                "profile",
                if cfg!(debug_assertions) { "dev: figures mean nothing" } else { "release" }
                    .to_owned(),
            ),
            ("kernel", said("uname", &["-r"])),
            ("processor", line_of("/proc/cpuinfo", "model name")),
            ("cores", std::thread::available_parallelism().map_or(0, usize::from).to_string()),
            ("file system", said("findmnt", &["-n", "-o", "SOURCE,FSTYPE,OPTIONS", "-T", &place])),
            (
                "write cache",
                said(
                    "sh",
                    &[
                        "-c",
                        "cat /sys/dev/block/$(mountpoint -d \"$(findmnt -n -o TARGET -T \"$0\")\")/queue/write_cache",
                        &place,
                    ],
                ),
            ),
            ("rounds", rounds.to_string()),
            ("seconds a cell", seconds.to_string()),
        ];
        let (versions, syncs, rows) = (Vec::new(), Vec::new(), Vec::new());
        Self { machine, versions, syncs, rows, stages: Vec::new(), figures: Vec::new() }
    }

    /// The load average of the last minute.
    pub(crate) fn load(&self) -> f64 {
        let text = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
        text.split(' ').next().and_then(|load| load.parse().ok()).unwrap_or(f64::NAN)
    }

    pub(crate) fn add(&mut self, round: usize, cell: Cell, load: f64, mut sample: Sample) {
        self.rows.push(Row {
            round,
            metric: cell.metric,
            who: cell.who,
            load,
            rate: sample.rate(),
            p50_us: sample.percentile(50),
            p99_us: sample.percentile(99),
            cpu_us: sample.cpu_per_event(),
        });
    }

    fn rows_of(&self, metric: &str, who: Who) -> impl Iterator<Item = &Row> {
        self.rows.iter().filter(move |row| row.metric == metric && row.who == who)
    }

    /// The median rate over the rounds.
    pub(crate) fn median_rate(&self, metric: &str, who: Who) -> Option<f64> {
        let rates: Vec<f64> = self.rows_of(metric, who).map(|row| row.rate).collect();
        (!rates.is_empty()).then(|| median(rates))
    }

    /// The median over the rounds of the 50th or 99th percentile.
    pub(crate) fn median_percentile(&self, metric: &str, who: Who, percent: u8) -> f64 {
        let of = |row: &Row| if percent == 50 { row.p50_us } else { row.p99_us };
        median(self.rows_of(metric, who).map(of).collect())
    }

    /// Ours to this contestant, round by round.
    fn ratios(&self, ours: Who, cell: &Cell) -> Vec<f64> {
        let mine: Vec<&Row> = self.rows_of(cell.metric, ours).collect();
        self.rows_of(cell.metric, cell.who)
            .filter_map(|row| {
                let mine = mine.iter().find(|mine| mine.round == row.round)?;
                Some(mine.rate / row.rate)
            })
            .collect()
    }

    /// The median ratio of ours to this contestant, and whether it is what is wanted.
    fn ratio(&self, cell: &Cell) -> Option<(f64, Option<bool>)> {
        let ratios = self.ratios(Who::Ours, cell);
        if cell.who == Who::Ours || ratios.is_empty() {
            return None;
        }
        let ratio = median(ratios);
        Some((ratio, cell.goal.map(|goal| ratio >= goal)))
    }

    /// Median processor time of each thread, in microseconds an event.
    fn cpu(&self, metric: &str, who: Who) -> ByThread {
        let mut shares: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for row in self.rows_of(metric, who) {
            for (thread, us) in &row.cpu_us {
                shares.entry(thread.clone()).or_default().push(*us);
            }
        }
        shares.into_iter().map(|(thread, us)| (thread, median(us))).collect()
    }

    pub(crate) fn print_machine(&self) {
        for (what, value) in &self.machine {
            println!("{what:<16} {value}");
        }
    }

    pub(crate) fn print_syncs(&self) {
        println!("\nsyncs of {} commits of one event, counted by strace:", crate::proof::COMMITS);
        for (who, counts) in &self.syncs {
            let counts: Vec<String> =
                counts.iter().map(|(call, count)| format!("{call} {count}")).collect();
            println!("  {who:<44} {}", counts.join(", "));
        }
    }

    pub(crate) fn print_rounds(&self, cells: &[Cell]) {
        for (what, version) in &self.versions {
            println!("{what:<16} {version}");
        }
        for (metric, what) in METRICS {
            let cells: Vec<&Cell> = cells.iter().filter(|cell| cell.metric == metric).collect();
            if cells.is_empty() {
                continue;
            }
            println!("\n{metric}  {what}");
            println!(
                "  {:<44} {:>10} {:>10} {:>10} {:>8} {:>8}  {:>8} {:>7}",
                "", "events/s", "min", "max", "p50 us", "p99 us", "ours is", "goal"
            );
            for cell in &cells {
                let rates: Vec<f64> = self.rows_of(metric, cell.who).map(|row| row.rate).collect();
                let least = rates.iter().copied().fold(f64::INFINITY, f64::min);
                let most = rates.iter().copied().fold(0.0, f64::max);
                let ratio = self.ratio(cell);
                let shown = ratio.map_or(String::new(), |(ratio, _)| format!("{ratio:.2}x"));
                let goal = cell.goal.map_or(String::new(), |goal| format!(">= {goal}"));
                println!(
                    "  {:<44} {:>10.0} {least:>10.0} {most:>10.0} {:>8.0} {:>8.0}  {shown:>8} {goal:>7} {}",
                    cell.who.name(),
                    median(rates),
                    self.median_percentile(metric, cell.who, 50),
                    self.median_percentile(metric, cell.who, 99),
                    verdict(ratio.and_then(|(_, met)| met)),
                );
            }
            self.print_reason(metric, &cells);
        }
        self.print_stages();
    }

    /// Why the rates are what they are: processor time by thread, and what a single commit waits for.
    fn print_reason(&self, metric: &str, cells: &[&Cell]) {
        let cores = std::thread::available_parallelism().map_or(1, usize::from) as f64;
        for cell in cells {
            if matches!(cell.who, Who::Ours | Who::OursCore | Who::NoLog) {
                let cpu = self.cpu(metric, cell.who);
                // The core alone runs in one thread.
                let cores = if cell.who == Who::OursCore { 1.0 } else { cores };
                println!("  us an event, {}: {}", cell.who.name(), explain(&cpu, cores));
            }
        }
        if metric == "M1" {
            let p50 = |who| self.median_percentile(metric, who, 50);
            let (ours, core, raw) = (p50(Who::Ours), p50(Who::OursCore), p50(Who::Raw));
            println!(
                "  p50 of one commit, us: write and sync (raw) {raw:.0}, the core besides {:.0}, from \
                 client to writer and back {:.0}",
                core - raw,
                ours - core
            );
        }
    }

    /// The stages of the direct path.
    fn print_stages(&self) {
        let mut batch = 0;
        for stage in &self.stages {
            if batch != stage.batch {
                batch = stage.batch;
                println!("\nstages in one thread, commits of {batch}, us an event");
            }
            println!("  {:<64} {:>8.2}", stage.what, stage.us);
        }
    }

    pub(crate) fn print_figures(&self) {
        println!();
        for figure in &self.figures {
            let Figure { metric, what, value, unit, goal } = figure;
            let (goal, met) = (goal.to_string(), verdict(goal.is_met(*value)));
            println!("{metric:<4} {what:<72} {value:>14.2} {unit:<16} {goal:<14} {met}");
        }
    }

    /// Writes `bench.json` and `bench.csv`.
    pub(crate) fn write(&self, out: &Path) -> Result<()> {
        let cells = crate::rounds::cells();
        std::fs::create_dir_all(out)?;
        let rows: Vec<_> = self
            .rows
            .iter()
            .map(|row| {
                json!({
                    "round": row.round, "metric": row.metric, "contestant": row.who.name(),
                    "load_before": row.load, "events_per_s": row.rate,
                    "p50_us": row.p50_us, "p99_us": row.p99_us,
                    "processor_us_an_event": row.cpu_us,
                })
            })
            .collect();
        let figures: Vec<_> = self
            .figures
            .iter()
            .map(|f| json!({ "metric": f.metric, "what": f.what, "value": f.value, "unit": f.unit, "goal": f.goal.to_string(), "met": f.goal.is_met(f.value) }))
            .collect();
        let ratios: Vec<_> = cells
            .iter()
            .filter_map(|cell| {
                let (ratio, met) = self.ratio(cell)?;
                Some(json!({
                    "metric": cell.metric, "against": cell.who.name(), "ratio": ratio,
                    "goal": cell.goal, "met": met,
                }))
            })
            .collect();
        let stages: Vec<_> = self
            .stages
            .iter()
            .map(|s| json!({ "batch": s.batch, "what": s.what, "us_an_event": s.us }))
            .collect();
        let report = json!({
            "machine": self.machine.iter().map(|(k, v)| json!({ "what": k, "value": v })).collect::<Vec<_>>(),
            "versions": self.versions.iter().map(|(k, v)| json!({ "what": k, "value": v })).collect::<Vec<_>>(),
            "syncs": self.syncs.iter().map(|(who, counts)| json!({ "contestant": who, "calls": counts })).collect::<Vec<_>>(),
            "ratios": ratios,
            "stages": stages,
            "rounds": rows,
            "figures": figures,
        });
        std::fs::write(out.join("bench.json"), serde_json::to_vec_pretty(&report)?)?;
        let mut csv = "round,metric,contestant,load_before,events_per_s,p50_us,p99_us\n".to_owned();
        for row in &self.rows {
            let Row { round, metric, who, load, rate, p50_us, p99_us, cpu_us: _ } = row;
            let name = who.name();
            csv.push_str(&format!(
                "{round},{metric},\"{name}\",{load},{rate:.1},{p50_us},{p99_us}\n"
            ));
        }
        std::fs::write(out.join("bench.csv"), csv)?;
        Ok(())
    }
}
