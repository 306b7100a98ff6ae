//! The index may be deleted, damaged, foreign or ahead: the log opens all the same, and what the
//! index answers stays true.

use std::io::{Read as _, Write};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::Duration;

use shopfloor::pieces::Pieces;

use super::disk::{Db, Tree};
use super::fault::Fault;
use super::runs::Runs;
use super::{DiskIndex, Index, MemIndex, SnapshotOf, follow};
use crate::disk::{Dir, Disk as _};
use crate::engine::mem::MemEngine;
use crate::engine::{Engine, Store};
use crate::error::LedgerError;
use crate::sim::SimDisk;
use crate::submission::Key;
use crate::testing::{Sealer, append};

const ORIGIN: &str = "records.example.org/north/2026";

fn log(entries: usize, seed: u64) -> Arc<dyn Store> {
    let mut engine = MemEngine::new();
    let batch = Sealer::new(seed).batch(entries, 20);
    append(&mut engine, &batch).expect("appended");
    engine.store()
}

fn open(dir: &Path, store: &dyn Store) -> (DiskIndex, Option<String>) {
    let opened = DiskIndex::open(dir, ORIGIN.into(), store).expect("always opens");
    while follow(&opened.0, store).expect("follows") > 0 {}
    opened.0.settle();
    opened
}

/// What must be answered about a log of [`Sealer`] entries.
fn answers_rightly(index: &dyn Index, count: u64) {
    assert_eq!(index.cursor().count, count);
    for seq in 0..count {
        let found =
            index.seq_of(&Key::new("/test", &format!("ev-{seq}")), count).expect("answered");
        assert_eq!(found, Some(seq));
    }
    let unknown =
        index.seq_of(&Key::new("/test", &format!("ev-{count}")), count).expect("answered");
    assert_eq!(unknown, None);
    let ahead = index.seq_of(&Key::new("/test", "ev-0"), count + 1);
    assert!(ahead.is_err(), "it cannot tell about entries it has not taken in");
    let all: Vec<u64> = (0..count).collect();
    for from in 0..=count {
        let found = index.by_subject("", from, 1_000).expect("answered");
        assert_eq!(found, all[usize::try_from(from).expect("small")..]);
    }
    assert_eq!(index.by_subject("", 3, 4).expect("answered"), [3, 4, 5, 6]);
    assert_eq!(index.by_subject("", 0, 0).expect("answered"), [0_u64; 0]);
    assert_eq!(index.by_subject("equipment/S-02", 0, 9).expect("answered"), [0_u64; 0]);
}

#[test]
fn both_indexes_answer_alike_and_the_one_on_disk_after_a_restart_too() {
    let store = log(40, 1);
    let mem = MemIndex::new();
    while follow(&mem, &*store).expect("follows") > 0 {}
    answers_rightly(&mem, 40);
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let (index, why) = open(&at, &*store);
    assert_eq!(why, None);
    answers_rightly(&index, 40);
    index.flush().expect("flushed");
    drop(index);
    let (index, why) = DiskIndex::open(&at, ORIGIN.into(), &*store).expect("opens");
    assert_eq!(why, None);
    answers_rightly(&index, 40);
}

#[test]
fn entries_taken_in_by_ones_and_by_many_are_found_alike() {
    let dir = tempfile::tempdir().expect("a directory");
    let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
    let store = engine.store();
    let (index, _) = open(&dir.path().join("index"), &*store);
    for entries in [1, 1, 7, 1, 20] {
        append(&mut engine, &sealer.batch(entries, 20)).expect("appended");
        while follow(&index, &*store).expect("follows") > 0 {}
    }
    answers_rightly(&index, 30);
}

/// One entry a take makes every kind of run: a log is opened again at every stage.
#[test]
fn entries_are_found_through_runs_and_runs_of_runs() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
    let store = engine.store();
    for count in 1..=40 {
        append(&mut engine, &sealer.batch(1, 20)).expect("appended");
        let (index, why) = open(&at, &*store);
        assert_eq!(why, None);
        if count >= 7 {
            answers_rightly(&index, count);
        }
    }
    // 27 entries, 9 entries, 3 entries, and one that waits.
    let levels: Vec<u8> = run_files(&at).iter().map(|run| run.as_bytes()[4] - b'0').collect();
    assert_eq!(levels, [0, 1, 2], "what was merged is gone");
}

/// Subjects that come often, seldom and once, in rows and parts that end anywhere.
#[test]
fn every_subject_has_its_entries_from_any_place_on() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let store = log(0, 1);
    let (index, _) = open(&at, &*store);
    let mem = MemIndex::new();
    let subject = |seq: u64| match seq {
        seq if seq % 7 == 0 => String::new(),
        seq if seq % 11 == 0 => format!("lot/L-{seq}"),
        seq if seq % 5 == 0 => "equipment/P-1".to_owned(),
        seq if seq % 3 == 0 => "equipment/P-10".to_owned(),
        _ => "equipment/P-1\u{e9}".to_owned(),
    };
    let mut tip = index.cursor();
    for take in 0..60_u64 {
        let seqs = tip.count..tip.count + 1 + take % 4;
        let rows: Vec<super::Row> = seqs
            .map(|seq| {
                let key = Key::new("/test", &format!("ev-{seq}"));
                super::Row { seq, key, subject: subject(seq) }
            })
            .collect();
        tip.count += rows.len() as u64;
        index.take(&rows, tip).expect("taken");
        mem.take(&rows, tip).expect("taken");
    }
    index.settle();
    let count = tip.count;
    for subject in (0..count).map(subject).chain(["equipment/".into(), "zzz".into()]) {
        for from in 0..=count {
            for max in [1, 3, 1_000] {
                let found = index.by_subject(&subject, from, max).expect("answered");
                let expected = mem.by_subject(&subject, from, max).expect("answered");
                assert_eq!(found, expected, "`{subject}` from {from}, at most {max}");
            }
        }
    }
}

#[test]
fn an_entry_keeps_its_key_when_runs_that_know_it_twice_are_merged() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let store = log(0, 1);
    let (index, _) = open(&at, &*store);
    let mut tip = index.cursor();
    // Every key comes again with each run of three.
    for seq in 0..27 {
        let key = Key::new("/test", &format!("ev-{}", seq % 3));
        tip.count = seq + 1;
        index.take(&[super::Row { seq, key, subject: String::new() }], tip).expect("taken");
    }
    index.settle();
    assert_eq!(run_files(&at), ["run-2-00000000000000000000"], "what was merged is gone at once");
    for seq in 0..3 {
        let key = Key::new("/test", &format!("ev-{seq}"));
        assert_eq!(index.seq_of(&key, 27).expect("answered"), Some(seq));
    }
    assert_eq!(index.by_subject("", 0, 99).expect("answered").len(), 27, "each has its subject");
}

#[test]
fn what_a_crash_left_of_a_run_is_removed() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let store = log(8, 1);
    let (index, _) = open(&at, &*store);
    // Half a run that had no head yet, and one that was merged.
    for stray in ["run-1-00000000000000000000", "run-0-00000000000000000003"] {
        std::fs::write(at.join(stray), b"half a run").expect("written");
    }
    std::fs::write(at.join("shop.snapshot"), b"another file").expect("written");
    let runs = run_files(&at).len();
    drop(index);
    let (index, why) = open(&at, &*store);
    assert_eq!(why, None);
    answers_rightly(&index, 8);
    assert_eq!(run_files(&at).len(), runs - 2);
    assert!(at.join("shop.snapshot").try_exists().expect("looked"));
    // One in the way of the next: the entries are written over it.
    drop(index);
    std::fs::write(at.join("run-0-00000000000000000008"), b"half a run").expect("written");
    let (index, why) = open(&at, &*log(20, 1));
    assert_eq!(why, None);
    answers_rightly(&index, 20);
}

/// A key that cannot be looked up must never make a recorded event look new, and no list of entries may
/// come back short.
#[test]
fn a_run_that_is_not_what_was_written_is_never_asked_again() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let store = log(9, 1);
    let look = |index: &DiskIndex| {
        for seq in 0..9 {
            let found = index.seq_of(&Key::new("/test", &format!("ev-{seq}")), 9)?;
            assert_eq!(found, Some(seq));
        }
        let all = index.by_subject("", 0, 99)?;
        assert_eq!(all, (0..9).collect::<Vec<u64>>());
        Ok::<(), LedgerError>(())
    };
    drop(open(&at, &*store));
    let run = at.join(run_files(&at).pop().expect("nine entries make a run"));
    let len = std::fs::metadata(&run).expect("there").len();
    for byte in 0..len {
        let mut damaged = std::fs::read(&run).expect("read");
        damaged[usize::try_from(byte).expect("small")] ^= 1;
        std::fs::write(&run, &damaged).expect("written");
        let (index, why) = open(&at, &*store);
        assert_eq!(why, None, "byte {byte} is not looked at yet");
        let error = look(&index).expect_err("damaged").to_string();
        assert!(error.contains("is damaged"), "byte {byte}: {error}");
        assert_eq!(index.cursor().count, 0, "it is built anew");
        while follow(&index, &*store).expect("follows") > 0 {}
        look(&index).expect("all there");
        for aside in std::fs::read_dir(dir.path()).expect("listed") {
            let aside = aside.expect("listed").path();
            if aside != at {
                std::fs::remove_dir_all(aside).expect("removed");
            }
        }
    }
    for (what, damage) in [("is gone", None), ("is cut", Some(len - 1))] {
        match damage {
            Some(len) => std::fs::OpenOptions::new()
                .write(true)
                .open(&run)
                .and_then(|file| file.set_len(len))
                .expect("cut"),
            None => std::fs::remove_file(&run).expect("removed"),
        }
        let (index, why) = open(&at, &*store);
        assert!(why.is_some_and(|why| why.contains("`run-")), "one that {what}");
        look(&index).expect("all there");
    }
}

/// What the tree lost of the young or of the heads is noticed when it opens.
#[test]
fn an_index_that_does_not_know_all_it_took_in_is_built_anew() {
    for (prefix, expected) in
        [(b't', "it knows `9` entries, not `10`"), (b'h', "what it knew of entry `0` is missing")]
    {
        let dir = tempfile::tempdir().expect("a directory");
        let at = dir.path().join("index");
        let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
        let store = engine.store();
        let (index, _) = open(&at, &*store);
        for _ in 0..10 {
            append(&mut engine, &sealer.batch(1, 20)).expect("appended");
            while follow(&index, &*store).expect("follows") > 0 {}
        }
        index.settle();
        let tree = match &index.held.write().tree {
            Tree::Open(Db { tree, .. }) => tree.clone(),
            Tree::Closed | Tree::GivenUp => panic!("it is open"),
        };
        for row in tree.scan_prefix([prefix]).keys() {
            tree.remove(row.expect("read")).expect("removed");
        }
        drop((tree, index));
        let (index, why) = open(&at, &*store);
        assert!(why.as_ref().is_some_and(|why| why.contains(expected)), "{why:?}");
        answers_rightly(&index, 10);
    }
}

/// Names of the runs in a directory, sorted.
fn run_files(at: &Path) -> Vec<String> {
    let files = std::fs::read_dir(at).expect("listed");
    let names = files.map(|file| file.expect("listed").file_name().into_string().expect("a name"));
    let mut runs: Vec<String> = names.filter(|name| name.starts_with("run-")).collect();
    runs.sort_unstable();
    runs
}

#[test]
fn the_first_entry_with_a_key_is_the_one_that_counts() {
    let store = log(3, 1);
    let dir = tempfile::tempdir().expect("a directory");
    let (disk, _) = open(&dir.path().join("index"), &*store);
    let mem = MemIndex::new();
    while follow(&mem, &*store).expect("follows") > 0 {}
    for index in [&disk as &dyn Index, &mem] {
        let mut tip = index.cursor();
        let row =
            super::Row { seq: 3, key: Key::new("/test", "ev-1"), subject: "lot/x".to_owned() };
        tip.count = 4;
        index.take(&[row], tip).expect("taken");
        assert_eq!(index.seq_of(&Key::new("/test", "ev-1"), 4).expect("answered"), Some(1));
        assert_eq!(index.by_subject("lot/x", 0, 9).expect("answered"), [3]);
    }
}

#[test]
fn an_index_that_does_not_fit_is_moved_aside_and_built_anew() {
    let (short, long, other) = (log(10, 1), log(25, 1), log(25, 2));
    for (what, made_from, used_for, expected) in [
        ("ahead of the log", &long, &short, "it is ahead of the log"),
        ("made from other entries", &other, &long, "it was made from other entries"),
    ] {
        let dir = tempfile::tempdir().expect("a directory");
        let at = dir.path().join("index");
        drop(open(&at, &**made_from));
        let (index, why) = open(&at, &**used_for);
        assert!(why.as_ref().is_some_and(|why| why.contains(expected)), "{what}: {why:?}");
        answers_rightly(&index, used_for.count());
        let aside = dir.path().join(format!("index.bad-{}", used_for.count()));
        assert!(aside.is_dir(), "{what}: the old one is kept aside");
    }
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    drop(open(&at, &*long));
    let (index, why) = DiskIndex::open(&at, "records.example.org/south/2026".into(), &*long)
        .expect("always opens");
    assert!(why.is_some_and(|why| why.contains("of another log")));
    assert_eq!(index.cursor().count, 0);
}

#[test]
fn an_index_that_lags_takes_in_what_is_missing() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    drop(open(&at, &*log(10, 1)));
    let (index, why) = open(&at, &*log(25, 1));
    assert_eq!(why, None);
    answers_rightly(&index, 25);
}

#[test]
fn an_index_that_cannot_be_opened_is_moved_aside_and_built_anew() {
    let store = log(30, 1);
    let garbage_db = |at: &Path| std::fs::write(at.join("db"), [0xa5; 100_000]).expect("written");
    let garbage_conf = |at: &Path| std::fs::write(at.join("conf"), b"nonsense").expect("written");
    let no_dir = |at: &Path| {
        std::fs::remove_dir_all(at).expect("removed");
        std::fs::write(at, b"a file where a directory should be").expect("written");
    };
    // Some garbage sled takes for a torn tail, or overlooks: then there is nothing to move aside,
    // at most more to take in. What the index answers must be right either way.
    type Damage<'a> = &'a dyn Fn(&Path);
    let cases: [(&str, Damage<'_>, bool); 3] = [
        ("garbage in the data", &garbage_db, false),
        ("garbage in the settings", &garbage_conf, false),
        ("a file in its place", &no_dir, true),
    ];
    for (what, damage, refused_by_sled) in cases {
        let dir = tempfile::tempdir().expect("a directory");
        let at = dir.path().join("index");
        let (index, _) = open(&at, &*store);
        index.flush().expect("flushed");
        drop(index);
        damage(&at);
        let (index, why) = open(&at, &*store);
        answers_rightly(&index, 30);
        assert!(why.is_some() || !refused_by_sled, "{what}");
        assert_eq!(why.is_some(), is_moved_aside(&at), "{what}: {why:?}");
    }
}

/// It would make sled refuse whole data (dependencies, "sled 0.34.7").
#[test]
fn a_half_written_page_table_costs_no_index() {
    let store = log(30, 1);
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    drop(open(&at, &*store));
    std::fs::write(at.join("snap.FFFFFFFFFFFFFF00.generating"), [0x17; 37]).expect("written");
    let (index, why) = DiskIndex::open(&at, ORIGIN.into(), &*store).expect("opens");
    assert_eq!(why, None);
    answers_rightly(&index, 30);
}

/// Whether an index was moved aside next to where it lies.
fn is_moved_aside(at: &Path) -> bool {
    let files = std::fs::read_dir(at.parent().expect("a directory")).expect("listed");
    files.map(|file| file.expect("listed").path()).any(|file| file != at)
}

#[test]
fn a_run_that_cannot_be_written_is_written_later() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
    let store = engine.store();
    let (index, _) = open(&at, &*store);
    // A directory where its file should be is no room for it.
    let in_the_way = at.join("run-0-00000000000000000000");
    std::fs::create_dir(&in_the_way).expect("made");
    let mut refused = 0;
    for count in 1..=10 {
        append(&mut engine, &sealer.batch(1, 20)).expect("appended");
        while let Err(error) = follow(&index, &*store) {
            assert!(error.to_string().contains("run-0-00000000000000000000"), "{error}");
            refused += 1;
        }
        if count >= 7 {
            answers_rightly(&index, count);
        }
    }
    assert!((2..8).contains(&refused), "tried now and then: {refused} times");
    std::fs::remove_dir(&in_the_way).expect("removed");
    for _ in 0..3 {
        append(&mut engine, &sealer.batch(1, 20)).expect("appended");
        while follow(&index, &*store).expect("follows") > 0 {}
    }
    assert_ne!(run_files(&at), [""; 0]);
    answers_rightly(&index, 13);
    drop(index);
    let (index, why) = open(&at, &*store);
    assert_eq!(why, None);
    answers_rightly(&index, 13);
    assert!(!is_moved_aside(&at));
}

/// As after a write of sled for which there was no room: what it had not written yet is gone.
#[test]
fn an_index_that_had_no_room_answers_and_is_opened_again_where_it_was() {
    let dir = tempfile::tempdir().expect("a directory");
    let (at, before) = (dir.path().join("index"), dir.path().join("before"));
    let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
    let store = engine.store();
    append(&mut engine, &sealer.batch(5, 20)).expect("appended");
    drop(open(&at, &*store));
    let sled_files = || {
        let files = std::fs::read_dir(&at).expect("listed").map(|file| file.expect("listed"));
        files.map(|file| file.file_name()).filter(|name| name != "blobs")
    };
    std::fs::create_dir(&before).expect("made");
    for name in sled_files() {
        std::fs::copy(at.join(&name), before.join(&name)).expect("copied");
    }
    let (index, _) = open(&at, &*store);
    for _ in 0..6 {
        append(&mut engine, &sealer.batch(1, 20)).expect("appended");
        while follow(&index, &*store).expect("follows") > 0 {}
    }
    index.settle();

    drop(index.held.write().let_go_after(&Fault::Passing("no room".to_owned())));
    answers_rightly(&index, 11);
    for name in sled_files().filter(|name| !name.to_string_lossy().starts_with("run-")) {
        std::fs::remove_file(at.join(name)).expect("removed");
    }
    for file in std::fs::read_dir(&before).expect("listed") {
        let file = file.expect("listed");
        std::fs::rename(file.path(), at.join(file.file_name())).expect("put back");
    }
    std::fs::remove_dir(&before).expect("removed");
    append(&mut engine, &sealer.batch(1, 20)).expect("appended");
    let error = follow(&index, &*store).expect_err("it knows less").to_string();
    assert!(error.contains("it goes on at entry `5`, not at `11`"), "{error}");
    let ahead = index.seq_of(&Key::new("/test", "ev-0"), 11);
    assert!(ahead.is_err(), "it cannot tell about entries it has to take in again");
    while follow(&index, &*store).expect("follows") > 0 {}
    index.settle();
    answers_rightly(&index, 12);
    assert!(!is_moved_aside(&at), "nothing was wrong with it");
}

fn rows_of_three(from: u64) -> Vec<super::Row> {
    let row = |seq| super::Row {
        seq,
        key: Key::new("/test", &format!("ev-{seq}")),
        subject: format!("lot/L-{}", seq % 2),
    };
    (from..from + 3).map(row).collect()
}

/// Takes three entries in and makes a run of them.
fn run_of_three(runs: &mut Runs, dir: &dyn Dir, from: u64) {
    runs.taken(&rows_of_three(from));
    let due = runs.young_due(from + 3).expect("three are enough");
    let done = due.write(dir, &AtomicBool::new(false)).expect("written");
    let place = runs.place_of(&done).expect("behind the others");
    runs.replace(place, done);
}

/// What happens to a merge while others go on.
#[test]
fn a_merge_lets_others_go_on_and_is_given_up_without_a_trace() {
    let disk = SimDisk::new(1);
    let dir = disk.create_dir_all(Path::new("index")).expect("made");
    let go_on = AtomicBool::new(false);
    let merged_file = |dir: &dyn Dir| dir.stat("run-1-00000000000000000000").expect("looked");
    let mut runs = Runs::default();
    for from in [0, 3] {
        run_of_three(&mut runs, &*dir, from);
        assert!(runs.merge_due().is_none(), "three are merged");
    }
    run_of_three(&mut runs, &*dir, 6);
    let merge = || runs.merge_due().expect("due");

    // The process stops.
    let stopped = merge().write(&*dir, &AtomicBool::new(true)).expect_err("stopped");
    assert_eq!(stopped, Fault::Stopped);
    assert_eq!(merged_file(&*dir), None);
    // There is too little room: seen before, and noticed while it is written.
    disk.set_capacity(Some(disk.used() + disk.used()));
    let no_room = merge().has_room(&*dir).expect_err("no room for twice as much");
    assert!(no_room.what().contains("needs"), "{no_room:?}");
    disk.set_capacity(Some(disk.used() + 100));
    let no_room = merge().write(&*dir, &go_on).expect_err("no room");
    assert!(matches!(no_room, Fault::Passing(_)), "{no_room:?}");
    assert_eq!(merged_file(&*dir), None, "the room it took is free again");
    disk.set_capacity(Some(disk.used() * 4));
    merge().has_room(&*dir).expect("room");

    // More is taken in meanwhile.
    let done = merge().write(&*dir, &go_on).expect("written");
    run_of_three(&mut runs, &*dir, 9);
    let place = runs.place_of(&done).expect("its runs are there");
    assert_eq!(place, 0..3);
    runs.replace(place, done);
    assert!(runs.merge_due().is_none(), "one of nine entries and one of three");
    for seq in 0..12 {
        let found = runs.seq_of(&Key::new("/test", &format!("ev-{seq}"))).expect("answered");
        assert_eq!(found, Some(seq));
    }
    let even = runs.by_subject("lot/L-0", 0, 99).expect("answered");
    assert_eq!(even, [0, 2, 4, 6, 8, 10]);
}

/// While a merge is under way the index may be built anew: what comes of it then counts no more.
#[test]
fn a_merge_of_runs_that_are_gone_has_no_place() {
    let dir = SimDisk::new(1).create_dir_all(Path::new("index")).expect("made");
    let mut runs = Runs::default();
    [0, 3, 6].into_iter().for_each(|from| run_of_three(&mut runs, &*dir, from));
    let merge = runs.merge_due().expect("due");
    let done = merge.write(&*dir, &AtomicBool::new(false)).expect("written");
    assert_eq!(runs.place_of(&done), Some(0..3));
    assert_eq!(Runs::default().place_of(&done), None);
    // The same entries in other runs, those of an index that was built anew in another directory.
    let other_dir = SimDisk::new(1).create_dir_all(Path::new("index")).expect("made");
    let mut anew = Runs::default();
    [0, 3, 6].into_iter().for_each(|from| run_of_three(&mut anew, &*other_dir, from));
    assert_eq!(anew.place_of(&done), None);

    // Nor has a run of the young that were written before.
    let mut runs = Runs::default();
    runs.taken(&rows_of_three(0));
    let due = || runs.young_due(3).expect("three are enough");
    let [once, twice] = [due(), due()].map(|due| due.write(&*dir, &AtomicBool::new(false)));
    let (once, twice) = (once.expect("written"), twice.expect("written"));
    let place = runs.place_of(&once).expect("it is the first");
    runs.replace(place, once);
    assert_eq!(runs.place_of(&twice), None);
}

/// More runs than are merged at once gather while a merge is under way.
#[test]
fn runs_that_gathered_are_merged_the_lowest_level_and_the_oldest_first() {
    let dir = SimDisk::new(1).create_dir_all(Path::new("index")).expect("made");
    let mut runs = Runs::default();
    (0..36).step_by(3).for_each(|from| run_of_three(&mut runs, &*dir, from));
    let mut merges = Vec::new();
    while let Some(merge) = runs.merge_due() {
        let done = merge.write(&*dir, &AtomicBool::new(false)).expect("written");
        merges.push((done.file(), done.unneeded().len()));
        let place = runs.place_of(&done).expect("its runs are there");
        runs.replace(place, done);
        for seq in 0..36 {
            let found = runs.seq_of(&Key::new("/test", &format!("ev-{seq}"))).expect("answered");
            assert_eq!(found, Some(seq), "after {merges:?}");
        }
    }
    let merges: Vec<(&str, usize)> = merges.iter().map(|(file, of)| (file.as_str(), *of)).collect();
    assert_eq!(
        merges,
        [
            ("run-1-00000000000000000000", 3),
            ("run-1-00000000000000000009", 3),
            ("run-1-00000000000000000018", 3),
            ("run-1-00000000000000000027", 3),
            ("run-2-00000000000000000000", 3),
        ]
    );
}

#[test]
fn an_index_in_use_is_waited_for_and_never_moved_aside() {
    let store = log(30, 1);
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    drop(open(&at, &*store));
    let holder = std::fs::File::open(at.join("db")).expect("there");
    holder.lock().expect("free, once what outlives a handle is done");

    let in_use = DiskIndex::open_within(&at, ORIGIN.into(), &*store, Duration::ZERO);
    let why = in_use.expect_err("in use").to_string();
    assert!(why.contains("another process holds"), "{why}");
    assert!(!dir.path().join("index.bad-30").try_exists().expect("looked"));

    let (index, why) = std::thread::scope(|threads| {
        let opening = threads.spawn(|| open(&at, &*store));
        drop(holder);
        opening.join().expect("opens")
    });
    assert_eq!(why, None);
    answers_rightly(&index, 30);
}

#[test]
fn a_deleted_index_loses_nothing() {
    let store = log(30, 1);
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    drop(open(&at, &*store));
    std::fs::remove_dir_all(&at).expect("removed");
    let (index, why) = open(&at, &*store);
    assert_eq!(why, None);
    answers_rightly(&index, 30);
}

#[test]
fn a_snapshot_comes_back_whole_or_not_at_all() {
    let store = log(3, 1);
    let dir = tempfile::tempdir().expect("a directory");
    let (index, _) = open(&dir.path().join("index"), &*store);
    let tip = index.cursor();
    let snapshot = |version| {
        index.snapshot("shop", version).expect("answered").map(|mut read| {
            let mut bytes = Vec::new();
            read.state.read_to_end(&mut bytes).expect("read");
            (read.tip, bytes)
        })
    };
    assert_eq!(snapshot(1), None);
    for (version, fill, len) in [(1, 7, 700_000), (1, 8, 10), (1, 9, 0), (2, 9, 3_000_000)] {
        let of = SnapshotOf { fold: "shop".to_owned(), version, tip };
        let state = vec![fill; len];
        let mut write = |_: &Arc<dyn Pieces>, to: &mut dyn Write| {
            state.chunks(70_000).for_each(|piece| to.write_all(piece).expect("written"));
            Ok(())
        };
        index.store_snapshot(&of, &mut write).expect("stored");
        assert_eq!(snapshot(version), Some((tip, state)));
    }
    assert_eq!(snapshot(1), None, "older versions are gone");
    let fails = index
        .store_snapshot(&SnapshotOf { fold: "shop".to_owned(), version: 2, tip }, &mut |_, _| {
            Err(LedgerError::Index { what: "no state".to_owned() })
        });
    assert!(fails.is_err());
    assert!(snapshot(2).is_some(), "the one before stays");

    let file = dir.path().join("index/shop.snapshot");
    let whole = std::fs::read(&file).expect("read");
    for at in [0, 1, 9, 20, 60, 81, 82, 5_000, whole.len() - 1] {
        let mut damaged = whole.clone();
        damaged[at] ^= 1;
        std::fs::write(&file, &damaged).expect("written");
        assert_eq!(snapshot(2), None, "byte {at} is another");
        std::fs::write(&file, &whole[..at]).expect("written");
        assert_eq!(snapshot(2), None, "cut at {at}");
    }
    std::fs::write(&file, &whole).expect("written");
    assert!(snapshot(2).is_some());
}
