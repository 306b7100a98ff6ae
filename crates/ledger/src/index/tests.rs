//! The index may be deleted, damaged, foreign or ahead: the log opens all the same, and what the
//! index answers stays true.

use std::io::{Read as _, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use shopfloor::pieces::Pieces;

use super::{DiskIndex, Index, MemIndex, SnapshotOf, follow};
use crate::engine::mem::MemEngine;
use crate::engine::{Engine, Store};
use crate::error::LedgerError;
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
fn keys_are_found_through_runs_and_runs_of_runs() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
    let store = engine.store();
    let mut levels = Vec::new();
    for count in 1..=40 {
        append(&mut engine, &sealer.batch(1, 20)).expect("appended");
        let (index, why) = open(&at, &*store);
        assert_eq!(why, None);
        if count >= 7 {
            answers_rightly(&index, count);
        }
        levels = rows(&index, b"h").iter().map(|row| row[1]).collect();
    }
    levels.sort_unstable();
    assert_eq!(levels, [0, 1, 2], "27 entries, 9 entries, 3 entries, and one that waits");
}

#[test]
fn an_entry_keeps_its_key_when_runs_that_know_it_twice_are_merged() {
    let dir = tempfile::tempdir().expect("a directory");
    let store = log(0, 1);
    let (index, _) = open(&dir.path().join("index"), &*store);
    let mut tip = index.cursor();
    // Every key comes again with each run of three.
    for seq in 0..27 {
        let key = Key::new("/test", &format!("ev-{}", seq % 3));
        tip.count = seq + 1;
        index.take(&[super::Row { seq, key, subject: String::new() }], tip).expect("taken");
    }
    for seq in 0..3 {
        let key = Key::new("/test", &format!("ev-{seq}"));
        assert_eq!(index.seq_of(&key, 27).expect("answered"), Some(seq));
    }
}

#[test]
fn what_a_crash_left_of_a_run_is_removed() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let store = log(8, 1);
    let (index, _) = open(&at, &*store);
    let tree = index.kept.read().expect("lock").db.clone().expect("open").tree;
    let name = |kind: u8| [&[kind, 1][..], &0_u64.to_be_bytes()].concat();
    tree.insert(name(b'g'), b"").expect("written");
    tree.insert([&name(b'r')[..], &[0, 0, 0, 0, 0]].concat(), b"half a run").expect("written");
    tree.insert([b"t", &0_u64.to_be_bytes()[..]].concat(), b"in a run since").expect("written");
    drop((tree, index));
    let (index, why) = open(&at, &*store);
    assert_eq!(why, None);
    answers_rightly(&index, 8);
    assert_eq!(rows(&index, b"g"), [[0_u8; 0]; 0]);
    assert_eq!(rows(&index, &name(b'r')), [[0_u8; 0]; 0]);
    assert_eq!(rows(&index, b"t"), [[0_u8; 0]; 0], "all eight are in a run");
}

/// A key that cannot be looked up must never make a recorded event look new.
#[test]
fn a_run_that_lost_a_part_is_never_asked_again() {
    let dir = tempfile::tempdir().expect("a directory");
    let at = dir.path().join("index");
    let store = log(9, 1);
    let look = |index: &DiskIndex| {
        (0..9).try_for_each(|seq| {
            index.seq_of(&Key::new("/test", &format!("ev-{seq}")), 9).map(|found| {
                assert_eq!(found, Some(seq));
            })
        })
    };
    let (index, _) = open(&at, &*store);
    look(&index).expect("all there");
    let tree = index.kept.read().expect("lock").db.clone().expect("open").tree;
    let part = rows(&index, b"r").swap_remove(1);
    tree.remove(part).expect("removed");
    drop(tree);
    let error = look(&index).expect_err("a part is gone").to_string();
    assert!(error.contains("the run of level `0` at `0` is gone"), "{error}");
    assert_eq!(index.cursor().count, 0, "it is built anew");
    while follow(&index, &*store).expect("follows") > 0 {}
    answers_rightly(&index, 9);
    // Its takes or its runs may be what is missing when it is opened.
    for prefix in [b"t", b"h"] {
        let tree = index.kept.read().expect("lock").db.clone().expect("open").tree;
        for row in rows(&index, prefix) {
            tree.remove(row).expect("removed");
        }
    }
    drop(index);
    let (index, why) = open(&at, &*store);
    assert!(why.is_some_and(|why| why.contains("it has the keys of `0` entries, not of `9`")));
    answers_rightly(&index, 9);
}

/// Keys of the rows of one kind.
fn rows(index: &DiskIndex, prefix: &[u8]) -> Vec<Vec<u8>> {
    let tree = index.kept.read().expect("lock").db.clone().expect("open").tree;
    tree.scan_prefix(prefix).keys().map(|row| row.expect("read").to_vec()).collect()
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
    // A half-written snapshot makes sled refuse whole data (dependencies, "sled 0.34.7").
    let half_snapshot = |at: &Path| {
        std::fs::write(at.join("snap.FFFFFFFFFFFFFF00.generating"), [0x17; 37]).expect("written");
    };
    let garbage_db = |at: &Path| std::fs::write(at.join("db"), [0xa5; 100_000]).expect("written");
    let garbage_conf = |at: &Path| std::fs::write(at.join("conf"), b"nonsense").expect("written");
    let no_dir = |at: &Path| {
        std::fs::remove_dir_all(at).expect("removed");
        std::fs::write(at, b"a file where a directory should be").expect("written");
    };
    // Some garbage sled takes for a torn tail, or overlooks: then there is nothing to move aside,
    // at most more to take in. What the index answers must be right either way.
    type Damage<'a> = &'a dyn Fn(&Path);
    let cases: [(&str, Damage<'_>, bool); 4] = [
        ("half-written snapshot", &half_snapshot, true),
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
        let aside = dir.path().join("index.bad-30").try_exists().expect("looked");
        assert_eq!(why.is_some(), aside, "{what}: {why:?}");
    }
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
