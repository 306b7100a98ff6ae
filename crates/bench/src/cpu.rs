//! Processor time by thread, from `schedstat` (proc(5)): what a rate comes from, and what it could
//! be at most on this machine.

use std::collections::BTreeMap;

/// What each thread of this process has used so far, in ns.
#[derive(Debug, Clone, Default)]
pub(crate) struct Cpu(BTreeMap<String, (String, u64)>);

/// Microseconds of processor time by the name of the thread.
pub(crate) type ByThread = BTreeMap<String, f64>;

impl Cpu {
    /// As of now.
    pub(crate) fn now() -> Self {
        let read = |task: &std::path::Path| {
            let name = std::fs::read_to_string(task.join("comm")).ok()?;
            let used = std::fs::read_to_string(task.join("schedstat")).ok()?;
            Some((name.trim().to_owned(), used.split(' ').next()?.parse().ok()?))
        };
        let tasks = std::fs::read_dir("/proc/self/task").into_iter().flatten().flatten();
        let used = |task: std::fs::DirEntry| {
            Some((task.file_name().to_string_lossy().into_owned(), read(&task.path())?))
        };
        Self(tasks.filter_map(used).collect())
    }

    /// What was used since, in microseconds. A thread that ended meanwhile is not seen.
    pub(crate) fn since(&self) -> ByThread {
        let mut by_thread = ByThread::new();
        for (task, (name, used)) in Self::now().0 {
            let before = self.0.get(&task).map_or(0, |(_, used)| *used);
            // The main thread has the name of the program; the clients of every cell run on it.
            let name = if name == "bench" { "clients".to_owned() } else { name };
            *by_thread.entry(name).or_default() += used.saturating_sub(before) as f64 / 1e3;
        }
        by_thread.retain(|_, us| *us >= 1.0);
        by_thread
    }
}

/// The shares in words, the largest first, with the rate these processors allow at most.
pub(crate) fn explain(us_per_event: &ByThread, cores: f64) -> String {
    let all: f64 = us_per_event.values().sum();
    let mut shares: Vec<(&String, &f64)> = us_per_event.iter().collect();
    shares.sort_by(|a, b| b.1.total_cmp(a.1));
    let shown: Vec<String> = shares
        .iter()
        .filter(|(_, us)| **us >= all / 100.0)
        .map(|(name, us)| format!("{name} {us:.2}"))
        .collect();
    format!(
        "{}; {all:.2} in all, so {cores:.0} cores reach {:.0} events/s at most",
        shown.join(", "),
        cores * 1e6 / all
    )
}
