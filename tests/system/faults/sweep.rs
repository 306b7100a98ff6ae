//! Each call of the recorder that touches its data directory is made to fail, and to be the last
//! one, under strace: once with EIO, once with ENOSPC, from there on for ever with EIO, interrupted
//! (EINTR), and killed.
//!
//! `when=` counts per call and per thread; the log is written by one thread. A sample is tried, the
//! same in every run; `PULVERLOG_FAULTS=all` tries every one, any other number that many.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

use tests::receipts::Receipts;
use tests::recorder::Place;

use super::{SMALL_SEGMENTS, is_whole_again};

/// Faults tried in each of the two sweeps, unless told otherwise.
const SAMPLE: usize = 150;
/// Chooses the sample.
const SEED: u64 = 2026;
/// Entries of the prepared log: a few more fill the first hash tile, and a segment.
const PREPARED: usize = 246;
/// Tried at once; each waits mostly.
const AT_ONCE: usize = 2;

#[test]
fn a_log_in_use_survives_every_failing_call() {
    let shop = Shop::with_a_log();
    sweep("a log in use, left without a clean stop", &shop, &["serve"]);
}

#[test]
fn the_creation_of_a_log_survives_every_failing_call() {
    let shop = Shop::without_a_log();
    sweep("a log that is created", &shop, &["serve", "--create"]);
}

/// A data directory that is copied for each fault.
struct Shop {
    folder: tempfile::TempDir,
    token: String,
    receipts: Receipts,
}

impl Shop {
    fn without_a_log() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let token = Place::with_log(folder.path(), SMALL_SEGMENTS).token("svc_mes", &["service"]);
        Self { folder, token, receipts: Receipts::default() }
    }

    /// Killed in the middle of its work.
    fn with_a_log() -> Self {
        let mut shop = Self::without_a_log();
        let running = Place::with_log(shop.folder.path(), SMALL_SEGMENTS).start();
        let api = running.client(&shop.token);
        for batch in ids("prepared", PREPARED).chunks(41) {
            shop.receipts.send_batch(&api, batch);
        }
        running.kill();
        assert_eq!(shop.receipts.acknowledged(), PREPARED);
        shop
    }

    fn copy(&self) -> (tempfile::TempDir, Place) {
        let folder = tempfile::tempdir().expect("a folder");
        copy_tree(&self.folder.path().join("data"), &folder.path().join("data"));
        let place = Place::with_log(folder.path(), SMALL_SEGMENTS);
        (folder, place)
    }
}

fn ids(of: &str, count: usize) -> Vec<String> {
    (0..count).map(|number| format!("{of}-{number}")).collect()
}

fn copy_tree(from: &Path, to: &Path) {
    let status = Command::new("cp").arg("-a").arg(from).arg(to).status().expect("`cp` runs");
    assert!(status.success(), "`{}` is not copied", from.display());
}

/// What a run does that may be faulted: starts, takes a batch and single events, stops.
fn work(place: &Place, command: &mut Command, token: &str, receipts: &mut Receipts) {
    let Ok(running) = place.try_start(command) else { return };
    let api = running.client(token);
    receipts.send_batch(&api, &ids("batch", 20));
    for id in ids("single", 4) {
        receipts.send(&api, &id);
    }
    running.stop_if_running();
}

/// One fault.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Fault {
    call: String,
    kind: Kind,
    /// The how-manyeth call of a thread.
    when: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    Once(&'static str),
    FromThereOn(&'static str),
    Killed,
}

const KINDS: [Kind; 5] = [
    Kind::Once("EIO"),
    Kind::Once("ENOSPC"),
    Kind::Once("EINTR"),
    Kind::FromThereOn("EIO"),
    Kind::Killed,
];

impl fmt::Display for Fault {
    /// As strace has it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { call, kind, when } = self;
        match kind {
            Kind::Once(error) => write!(f, "{call}:error={error}:when={when}"),
            Kind::FromThereOn(error) => write!(f, "{call}:error={error}:when={when}+"),
            Kind::Killed => write!(f, "{call}:signal=KILL:when={when}"),
        }
    }
}

/// A command of the recorder as the child of this process, followed by a strace that looks at calls
/// on these paths only.
fn traced(command: &Command, paths: &BTreeSet<PathBuf>, options: &[&str]) -> Command {
    let mut strace = Command::new("strace");
    strace.args(["-D", "-f", "-qq", "--seccomp-bpf"]).args(options);
    for path in paths {
        strace.arg("-P").arg(path);
    }
    strace.arg(command.get_program()).args(command.get_args());
    for (name, value) in command.get_envs() {
        strace.env(name, value.unwrap_or_default());
    }
    strace
}

/// Every file and directory of a tree, with the names files have while they are written.
fn paths_of(tree: &Path) -> BTreeSet<PathBuf> {
    let mut found = BTreeSet::from([tree.to_owned()]);
    for entry in std::fs::read_dir(tree).expect("a directory") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            found.extend(paths_of(&path));
        } else {
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            found.insert(path.with_file_name(format!("{name}.tmp")));
            found.insert(path);
        }
    }
    found
}

/// How often a run without fault makes each call, in the thread that makes it most.
fn calls_of(shop: &Shop, start: &[&str]) -> (BTreeMap<String, usize>, BTreeSet<PathBuf>) {
    // A first run tells which files there will be, a second one which calls they see.
    let (_folder, place) = shop.copy();
    work(&place, &mut place.command(start), &shop.token, &mut Receipts::default());
    let mut names: BTreeSet<PathBuf> = paths_of(&place.data())
        .into_iter()
        .map(|path| path.strip_prefix(place.data()).expect("in the data directory").to_owned())
        .collect();
    names.insert("log/entries/spare.tmp".into());
    names.insert("log/creating".into());

    let (folder, place) = shop.copy();
    let out = folder.path().join("calls");
    let paths = names.iter().map(|name| place.data().join(name)).collect();
    let mut command = traced(&place.command(start), &paths, &["-o", &out.to_string_lossy()]);
    let mut receipts = Receipts::default();
    work(&place, &mut command, &shop.token, &mut receipts);
    assert_eq!(receipts.acknowledged(), 24, "a run without fault");
    let mut counts: BTreeMap<(String, String), usize> = BTreeMap::new();
    for line in std::fs::read_to_string(&out).expect("the calls").lines() {
        let Some((thread, call)) = line.split_once(' ') else { continue };
        if let Some((call, _)) = call.trim_start().split_once('(')
            && call.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
        {
            *counts.entry((call.to_owned(), thread.to_owned())).or_default() += 1;
        }
    }
    let mut most: BTreeMap<String, usize> = BTreeMap::new();
    for ((call, _), count) in counts {
        let known = most.entry(call).or_default();
        *known = count.max(*known);
    }
    (most, names)
}

/// Every fault, or a sample in which each call meets each kind of fault.
fn chosen(calls: &BTreeMap<String, usize>) -> (Vec<Fault>, usize) {
    let mut all: Vec<Fault> = Vec::new();
    for (call, count) in calls {
        for kind in KINDS {
            all.extend((1..=*count).map(|when| Fault { call: call.clone(), kind, when }));
        }
    }
    let of = all.len();
    let wanted = match std::env::var("PULVERLOG_FAULTS").as_deref() {
        Ok("all") => of,
        Ok(number) => number.parse().expect("PULVERLOG_FAULTS is `all` or a number"),
        Err(_) => SAMPLE,
    };
    let mut state = SEED;
    let mut random = |bound: usize| {
        // SplitMix64, as in the simulator.
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        usize::try_from((z ^ (z >> 31)) % bound as u64).expect("below a usize")
    };
    let mut sample = Vec::new();
    while sample.len() < wanted && !all.is_empty() {
        sample.push(all.swap_remove(random(all.len())));
    }
    (sample, of)
}

fn sweep(what: &str, shop: &Shop, start: &[&str]) {
    let (calls, names) = calls_of(shop, start);
    let (faults, of) = chosen(&calls);
    let tried = faults.len();
    let queue = Mutex::new(faults);
    let (acknowledged, failed) = (Mutex::new(0), Mutex::new(Vec::new()));
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                loop {
                    let Some(fault) = queue.lock().expect("no panic").pop() else { return };
                    let tried = std::panic::catch_unwind(|| meet(shop, start, &names, &fault));
                    match tried {
                        Ok(kept) => *acknowledged.lock().expect("no panic") += kept,
                        Err(_) => failed.lock().expect("no panic").push(fault.to_string()),
                    }
                }
            });
        }
    });
    let failed = failed.into_inner().expect("no panic");
    println!(
        "{what}: calls {calls:?}\n{tried} of {of} faults tried (seed {SEED}; PULVERLOG_FAULTS=all \
         tries all), {} events acknowledged in faulted runs; acknowledged events lost, \
         silent corruptions, starts refused afterwards: {}",
        acknowledged.into_inner().expect("no panic"),
        failed.len(),
    );
    assert!(failed.is_empty(), "{failed:#?}");
}

/// Lets one fault strike; returns how many events were acknowledged in the run it struck.
fn meet(shop: &Shop, start: &[&str], names: &BTreeSet<PathBuf>, fault: &Fault) -> usize {
    let (_folder, place) = shop.copy();
    let paths = names.iter().map(|name| place.data().join(name)).collect();
    let (trace, inject) = (format!("trace={}", fault.call), format!("inject={fault}"));
    let options = ["-o", "/dev/null", "-e", &trace, "-e", &inject];
    let mut receipts = shop.receipts.clone();
    let mut command = traced(&place.command(start), &paths, &options);
    work(&place, &mut command, &shop.token, &mut receipts);
    let acknowledged = receipts.acknowledged() - shop.receipts.acknowledged();
    is_whole_again(&place, start, &shop.token, &mut receipts);
    acknowledged
}
