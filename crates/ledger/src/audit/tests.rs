//! Every flipped bit, every cut, every file moved about (F14, F15, F16 of the fault catalogue).

use std::sync::Arc;

use chain::Digest;
use chain::keys::Keys;
use chain::verify::Verdict;

use super::*;
use crate::engine::files::Outcome as Opening;
use crate::engine::recovery::StopCause;
use crate::sim::{SimClock, SimDisk};
use crate::testing::{START_MS, options, remark, seams, signer};
use crate::{Opened, create};

const SEGMENT: u64 = 2048;

struct Log {
    disk: SimDisk,
    clock: SimClock,
    files: FilesOptions,
    /// Every entry that was acknowledged.
    entries: Vec<Vec<u8>>,
}

fn keys() -> Keys {
    Keys::of_log(signer(1).vkey().parse().expect("a key"))
}

impl Log {
    /// Batches of these sizes; `covered`: whether a watermark covers the last of them.
    fn new(batches: &[usize], covered: bool) -> Self {
        let disk = SimDisk::new(1);
        let mut log = Self {
            disk,
            clock: SimClock::new(START_MS),
            files: options(SEGMENT),
            entries: Vec::new(),
        };
        create(log.seams(), &log.files, None).expect("created");
        let mut opened = log.open().expect("opened");
        let mut next = 0;
        for (at, size) in batches.iter().enumerate() {
            let batch = (next..next + size).map(|id| remark(&format!("r{id}"), "x")).collect();
            next += size;
            for answer in opened.core.process(batch) {
                answer.expect("recorded");
            }
            if covered || at + 2 < batches.len() {
                opened.notary.as_mut().expect("signs").cover().expect("covered");
            }
        }
        log.entries = entries(&opened);
        drop(opened);
        log
    }

    fn seams(&self) -> Seams {
        let disk: Arc<dyn Disk> = Arc::new(self.disk.clone());
        seams(&disk, &self.clock, 3)
    }

    fn open(&self) -> Result<Opened> {
        open(self.seams(), &self.files, &IndexPlace::Memory)
    }

    fn check(&self) -> CheckReport {
        check(&self.disk, &self.files, keys(), None).expect("checked")
    }

    fn fork(&self) -> Self {
        Self {
            disk: self.disk.fork(9),
            clock: self.clock.clone(),
            files: self.files.clone(),
            entries: self.entries.clone(),
        }
    }

    fn segments(&self) -> Vec<(String, Vec<u8>)> {
        let files = self.disk.files().into_iter();
        files.filter(|(path, _)| path.starts_with("/data/log/entries/")).collect()
    }

    /// After something was done to the disk: the log refuses, stops, cuts and says so, or shows
    /// exactly what was acknowledged. What it shows of acknowledged entries is never changed, or the
    /// check says which entry is.
    fn is_honest(&self, what: &str) -> Met {
        let report = check(&self.disk, &self.files, keys(), None);
        let opened = match self.open() {
            Ok(opened) => opened,
            Err(error) => {
                assert!(!error.to_string().is_empty());
                return Met::Refused;
            }
        };
        let shown = shown(&opened);
        let whole = shown == self.entries;
        match &opened.report.opening {
            Opening::Clean | Opening::Rewritten { .. } => {
                let sound = report.as_ref().is_ok_and(CheckReport::is_sound);
                let prefix = shown == self.entries[..shown.len().min(self.entries.len())];
                assert!(prefix || !sound, "{what}: changed, opened and called sound");
                match (sound, whole) {
                    (true, true) => Met::Whole,
                    (true, false) => Met::Shortened,
                    (false, _) => Met::FoundByCheck,
                }
            }
            Opening::Cut(_) => {
                assert_eq!(shown, self.entries[..shown.len()], "{what}: cut, never changed");
                if whole { Met::Mended } else { Met::Cut }
            }
            Opening::Stopped(stop) => {
                assert!(!report.is_ok_and(|report| report.is_sound()), "{what}: {stop}");
                Met::Stopped
            }
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Met {
    /// As if nothing had happened.
    Whole,
    /// All entries are there; what was cut stood behind them, and the report says so.
    Mended,
    /// Whole batches no watermark covers are gone: on one machine nobody can tell (receipts can).
    Shortened,
    /// Entries no watermark covers were cut, and the report says so.
    Cut,
    /// Reading only.
    Stopped,
    Refused,
    /// Opens, for the place lies deep in a sealed segment; the check names it.
    FoundByCheck,
}

/// Entries up to the first that cannot be read.
fn shown(opened: &Opened) -> Vec<Vec<u8>> {
    (0..opened.store.count()).map_while(|seq| opened.store.read(seq).ok().flatten()).collect()
}

fn entries(opened: &Opened) -> Vec<Vec<u8>> {
    let all = shown(opened);
    assert_eq!(all.len() as u64, opened.store.count());
    all
}

#[test]
fn a_sound_log_is_called_sound() {
    for covered in [true, false] {
        let log = Log::new(&[2, 3, 1, 2], covered);
        let report = log.check();
        assert!(report.is_sound(), "{report:?}");
        assert_eq!(report.entries, 9);
        let Ok(Verdict::Sound(summary)) = report.verdict else { panic!("sound") };
        assert_eq!(summary.entries, 9);
        assert_eq!(summary.outside_size == 9, covered, "the head store vouches for it");
        let before = log.disk.files();
        log.check();
        assert_eq!(log.disk.files(), before, "a check changes nothing");
    }
}

#[test]
fn f14_no_flipped_bit_goes_unnoticed() {
    for covered in [true, false] {
        let log = Log::new(&[2, 1, 2], covered);
        let mut met = std::collections::BTreeMap::new();
        for (path, bytes) in log.segments() {
            let end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
            // A few zeros behind the end stand for all of them.
            let places = 0..(end + 8).min(bytes.len());
            for (at, bit) in places.flat_map(|at| (0..8).map(move |bit| (at, 1 << bit))) {
                let fork = log.fork();
                let mut changed = bytes.clone();
                changed[at] ^= bit;
                fork.disk.tamper(&path, Some(&changed));
                let what = format!("bit {bit:#x} of byte {at} of {path}");
                let how = fork.is_honest(&what);
                assert!(!matches!(how, Met::Whole | Met::Shortened), "{what}: {how:?}");
                assert!(!(covered && how == Met::Cut), "{what}: cut although covered");
                *met.entry(format!("{how:?}")).or_insert(0) += 1;
            }
        }
        assert!(met.contains_key("Stopped"), "{met:?}");
        println!("every bit flipped (covered by a watermark: {covered}): {met:?}, 0 unnoticed");
    }
}

#[test]
fn f15_no_cut_at_any_byte_goes_unnoticed() {
    for covered in [true, false] {
        let log = Log::new(&[2, 1, 2], covered);
        let segments = log.segments();
        let mut cuts = 0;
        for (path, bytes) in &segments {
            let end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
            for at in 0..end {
                cuts += 1;
                let fork = log.fork();
                fork.disk.tamper(path, Some(&bytes[..at]));
                let what = format!("{path} cut at {at}");
                let how = fork.is_honest(&what);
                assert!(!matches!(how, Met::Whole | Met::FoundByCheck), "{what}: {how:?}");
                if covered {
                    assert!(!matches!(how, Met::Cut | Met::Shortened), "{what}: {how:?}");
                }
            }
        }
        println!("cut at {cuts} bytes (covered by a watermark: {covered}), 0 unnoticed");
    }
}

#[test]
fn f15_files_deleted_swapped_doubled_and_renamed() {
    let log = Log::new(&[5, 5, 5, 1], true);
    let segments = log.segments();
    assert!(segments.len() >= 4, "{}", segments.len());
    for (at, (path, bytes)) in segments.iter().enumerate() {
        let other = &segments[(at + 1) % segments.len()];
        let fork = log.fork();
        fork.disk.tamper(path, None);
        assert_eq!(fork.is_honest("deleted"), Met::Stopped, "{path}");

        let fork = log.fork();
        fork.disk.tamper(path, Some(&other.1));
        fork.disk.tamper(&other.0, Some(bytes));
        assert_eq!(fork.is_honest("swapped"), Met::Stopped, "{path}");

        let fork = log.fork();
        fork.disk.tamper(&path.replace("00.log", "99.log").replace("/0000", "/0001"), Some(bytes));
        assert!(matches!(fork.is_honest("doubled"), Met::Stopped | Met::Refused), "{path}");

        let fork = log.fork();
        fork.disk.tamper(path, None);
        fork.disk.tamper(&path.replace("/0000", "/0001"), Some(bytes));
        assert!(matches!(fork.is_honest("renamed"), Met::Stopped | Met::Refused), "{path}");
    }
}

#[test]
fn f14_rot_inside_a_sealed_segment_is_named_by_check_and_scrub() {
    let log = Log::new(&[5, 5, 5, 5, 1], true);
    let opened = log.open().expect("opened");
    let target = opened.notary.as_ref().and_then(|n| n.watermark()).expect("signed").clone();
    drop(opened);
    let scrub_all = |log: &Log| {
        let opened = log.open().expect("opened");
        let mut scrub = Scrub::of(target.clone());
        loop {
            match scrub.step(&*opened.store, 700).expect("readable") {
                Scrubbed::Going { done, of } => assert!(done < of),
                end @ (Scrubbed::Sound { .. } | Scrubbed::Damaged(_)) => return end,
            }
        }
    };
    assert_eq!(scrub_all(&log), Scrubbed::Sound { size: 22 });

    // A digit of the salt of entry 3: still a canonical entry, so only hashes can tell.
    let line = &log.entries[3];
    let holds = |(_, bytes): &&(String, Vec<u8>)| memchr::memmem::find(bytes, line).is_some();
    let segments = log.segments();
    let (path, bytes) = segments.iter().find(holds).expect("in a sealed segment");
    let start = memchr::memmem::find(bytes, line).expect("in this segment");
    let salt = memchr::memmem::find(line, b"\"salt\":\"").expect("a salt") + 8;
    let mut changed = bytes.clone();
    changed[start + salt] = if changed[start + salt] == b'0' { b'1' } else { b'0' };
    let fork = log.fork();
    fork.disk.tamper(path, Some(&changed));
    let report = fork.check();
    assert!(!report.is_sound());
    let damage = report.damage.expect("named");
    assert_eq!(
        (damage.seq, damage.cause.as_str()),
        (4, "an entry does not link to the one before it")
    );
    let opened = fork.open().expect("opens for reading or writing");
    drop(opened);
    let Scrubbed::Damaged(stop) = scrub_all(&fork) else { panic!("found") };
    assert_eq!(stop.seq, 4, "the first link that does not hold");
}

#[test]
fn bytes_are_compared_with_a_signed_root_whatever_the_segments_and_blocks() {
    // More than a block of 256 entries, in many segments, ending inside, at and behind a block.
    for last in [7, 8, 9] {
        let log = Log::new(&[3, 200, 40, 4, last, 1], true);
        let opened = log.open().expect("opened");
        let signed = opened.notary.as_ref().and_then(|n| n.watermark()).expect("signed").clone();
        drop(opened);
        assert_eq!(signed.size, log.entries.len() as u64);
        for threads in [0, 1, 3] {
            let found = compare_bytes(&log.disk, &log.files, &signed, threads).expect("compared");
            assert_eq!(found, None);
        }
        let wrong = Signed { root: Digest::of(b"another"), ..signed.clone() };
        let found = compare_bytes(&log.disk, &log.files, &wrong, 2).expect("compared");
        assert_eq!(found.map(|stop| stop.cause), Some(StopCause::OtherHistory));
        let segments = log.segments();
        for (path, bytes) in segments.iter().step_by(7) {
            let line = memchr::memchr(b'\n', bytes).expect("an entry");
            for at in [10, line / 2, line] {
                let fork = log.fork();
                let mut changed = bytes.clone();
                changed[at] ^= 1;
                fork.disk.tamper(path, Some(&changed));
                let found = compare_bytes(&fork.disk, &fork.files, &signed, 2).expect("compared");
                assert!(found.is_some(), "bit 0 of byte {at} of {path}");
            }
        }
    }
}

#[test]
fn wrong_tiles_are_named_and_built_again() {
    let mut log = Log::new(&[300], true);
    let tile = "/data/log/tile/0/000";
    let right = log.disk.files()[tile].clone();
    assert_eq!(log.check().tiles, 1);
    let mut wrong = right.clone();
    wrong[5] ^= 1;
    for content in [Some(&wrong[..]), Some(&right[..100]), None] {
        log.disk.tamper(tile, content);
        let report = log.check();
        assert!(report.is_sound(), "tiles are derived");
        assert_eq!(report.tiles, 0);
        assert_eq!(report.wrong_tiles.len(), usize::from(content == Some(&wrong[..])));
        // Opening compares with the watermark, notices, and builds them again.
        let opened = log.open().expect("opened");
        assert_eq!(opened.report.stop(), None);
        drop(opened);
        assert_eq!(log.disk.files()[tile], right);
    }
    log.disk.tamper(tile, None);
    rebuild(log.seams(), &log.files, &IndexPlace::Memory).expect("built again");
    assert_eq!(log.disk.files()[tile], right);
    log.entries.clear();
}

#[test]
fn an_export_is_what_an_auditor_checks() {
    let log = Log::new(&[2, 3], true);
    let mut opened = log.open().expect("opened");
    let dir = tempfile::tempdir().expect("a directory");
    opened.notary.as_mut().expect("signs").publish().expect("published");
    opened.core.process(vec![remark("later", "x")]).remove(0).expect("recorded");
    let keys_txt = format!("{}\n", signer(1).vkey());
    let at = dir.path().join("evidence");
    let policy = format!("log {}\nquorum none\n", signer(1).vkey());
    let size = export(&*opened.store, &keys_txt, &policy, &at).expect("exported");
    assert_eq!(size, 6, "up to the newest published checkpoint");

    let entries = std::fs::read(at.join("entries.ndjson")).expect("there");
    let lines: Vec<&[u8]> =
        entries.strip_suffix(b"\n").expect("ended").split(|b| *b == b'\n').collect();
    assert_eq!(lines, log.entries);
    let mut bundle = bundle::Bundle::new();
    bundle.insert(bundle::ENTRIES, entries).expect("named");
    bundle.insert(bundle::KEYS, std::fs::read(at.join("keys.txt")).expect("there")).expect("named");
    bundle
        .insert(bundle::POLICY, std::fs::read(at.join("policy.txt")).expect("there"))
        .expect("named");
    for size in [1, 6] {
        let name = bundle::checkpoint_name(size);
        bundle.insert(&name, std::fs::read(at.join(&name)).expect("there")).expect("named");
    }
    let verdict = bundle.check(bundle::OwnEvidence::default(), 1).expect("checkable");
    let bundle::BundleVerdict::Full(Verdict::Sound(summary)) = verdict else {
        panic!("{verdict:?}")
    };
    assert_eq!(summary.entries, 6);
    assert!(export(&*opened.store, &keys_txt, &policy, &at).is_err(), "never over another bundle");
}

#[test]
fn the_index_directory_can_be_deleted_and_built_again() {
    let log = Log::new(&[2, 3], true);
    let dir = tempfile::tempdir().expect("a directory");
    let place = IndexPlace::Dir(dir.path().join("index"));
    let report = rebuild(log.seams(), &log.files, &place).expect("built");
    assert_eq!(report.count, 6);
    let opened = open(log.seams(), &log.files, &place).expect("opened");
    assert_eq!(opened.report.index, crate::IndexReport::Followed { entries: 0 });
    assert_eq!(opened.report.opening, Opening::Clean);
    assert_eq!(opened.core.shop().read().expect("lock").as_of(), 6, "from the snapshot");
    assert_eq!(opened.index.by_subject("equipment/S-02", 0, 9).expect("answered"), [1, 2, 3, 4, 5]);
}
