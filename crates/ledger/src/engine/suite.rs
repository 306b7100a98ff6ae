//! One test suite for every engine: the contract of [`Engine`](super::Engine) as behaviour.

use std::sync::Arc;

use chain::Digest;
use chain::tile::{Tile, TileKind};

use super::mem::MemEngine;
use super::{Engine, Line};
use crate::disk::{FileSystemPolicy, OsDisk};
use crate::engine::files::FilesOptions;
use crate::error::LedgerError;
use crate::sim::SimDisk;
use crate::testing::{Bed, FilesBed, Sealer, all_entries, append, bytes_of, options};

/// Hands the names of all tests to another macro.
macro_rules! every_test {
    ($then:ident $($bed:expr)?) => {
        $then! { $($bed)?;
            what_was_appended_is_read_back_byte_for_byte
            entries_survive_a_clean_and_an_unclean_restart
            a_batch_for_another_count_is_refused_and_changes_nothing
            lines_that_cannot_be_lines_are_refused
            bytes_that_changed_since_they_were_hashed_are_refused
            the_largest_entry_is_kept
            an_empty_batch_is_no_batch
            nothing_is_appended_after_closing
            readers_see_what_is_committed_and_no_more
            notes_are_kept_and_checkpoints_never_change_their_text
            tiles_are_kept
        }
    };
}

macro_rules! as_tests {
    ($bed:expr; $($test:ident)*) => {
        $(
            #[test]
            fn $test() {
                super::$test(&mut $bed);
            }
        )*
    };
}

macro_rules! as_list {
    (; $($test:ident)*) => {
        const EVERY_TEST: &[(&str, fn(&mut dyn Bed))] = &[$((stringify!($test), $test)),*];
    };
}

/// Gives an engine every test.
macro_rules! engine_suite {
    ($name:ident, $bed:expr) => {
        mod $name {
            use super::*;

            every_test! { as_tests $bed }
        }
    };
}

every_test! { as_list }
engine_suite!(mem, MemBed::default());
engine_suite!(
    files_on_a_simulated_disk,
    FilesBed { disk: Arc::new(SimDisk::new(1)), options: options(4096) }
);
engine_suite!(files_on_the_real_disk, OsBed::new().bed);
mod postgres {
    use super::*;
    use crate::engine::postgres::bed::PgBed;

    #[test]
    fn the_suite_on_a_real_server() {
        if !cluster::is_installed("the engine suite on PostgreSQL") {
            return;
        }
        let server = cluster::Server::start("suite", "").expect("a server");
        for (at, (name, test)) in EVERY_TEST.iter().enumerate() {
            eprintln!("{name}");
            test(&mut PgBed::new(&server, &format!("suite_{at}")));
        }
    }
}

#[derive(Debug, Default)]
struct MemBed(Option<MemEngine>);

impl Bed for MemBed {
    fn create(&mut self) -> Box<dyn Engine> {
        let engine = MemEngine::new();
        self.0 = Some(engine.reopen());
        Box::new(engine)
    }

    fn reopen(&mut self) -> Box<dyn Engine> {
        Box::new(self.0.as_ref().expect("created").reopen())
    }
}

struct OsBed {
    bed: FilesBed,
    _dir: tempfile::TempDir,
}

impl OsBed {
    fn new() -> Self {
        let dir = tempfile::tempdir().expect("a temporary directory");
        let options = FilesOptions {
            segment_bytes: 8192,
            file_systems: FileSystemPolicy::TestsOnly,
            ..FilesOptions::under(dir.path())
        };
        Self { bed: FilesBed { disk: Arc::new(OsDisk), options }, _dir: dir }
    }
}

fn what_was_appended_is_read_back_byte_for_byte(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let mut sealer = Sealer::new(7);
    let batches: Vec<_> = [1, 3, 20, 1, 2, 40].iter().map(|n| sealer.batch(*n, 17 * n)).collect();
    for batch in &batches {
        append(&mut *engine, batch).expect("appended");
    }
    let expected = bytes_of(&batches);
    for bytes_max in [1, 100, 700, 5_000, 1 << 20] {
        assert_eq!(all_entries(&*engine, bytes_max), expected, "in chunks of {bytes_max}");
    }
    let store = engine.store();
    for (seq, bytes) in (0..).zip(&expected) {
        assert_eq!(store.read(seq).expect("read").as_ref(), Some(bytes));
    }
    assert_eq!(store.read(expected.len() as u64).expect("read"), None);
    assert!(store.scan(u64::MAX, 10).expect("scan").is_empty());
}

fn entries_survive_a_clean_and_an_unclean_restart(bed: &mut dyn Bed) {
    let mut sealer = Sealer::new(8);
    let mut engine = bed.create();
    let mut expected = Vec::new();
    for round in 0..6 {
        for entries in [1, 12, 5] {
            let batch = vec![sealer.batch(entries, 100)];
            append(&mut *engine, &batch[0]).expect("appended");
            expected.extend(bytes_of(&batch));
        }
        if round % 2 == 0 {
            engine.close().expect("closed");
        }
        drop(engine);
        engine = bed.reopen();
        assert_eq!(all_entries(&*engine, 1000), expected, "after restart {round}");
    }
}

fn a_batch_for_another_count_is_refused_and_changes_nothing(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let mut sealer = Sealer::new(9);
    let batch = sealer.batch(2, 10);
    let lines: Vec<_> =
        batch.iter().map(|sealed| Line { bytes: &sealed.bytes, leaf: sealed.leaf }).collect();
    for wrong in [1, 2, u64::MAX] {
        let refused = engine.append(wrong, &lines);
        assert!(matches!(refused, Err(LedgerError::CountMismatch { found: 0, .. })), "{refused:?}");
    }
    assert_eq!(engine.count(), 0);
    append(&mut *engine, &batch).expect("the engine still works");
    assert!(engine.append(0, &lines).is_err());
    assert_eq!(all_entries(&*engine, 1), bytes_of(&[batch]));
}

fn lines_that_cannot_be_lines_are_refused(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let good = Sealer::new(10).entry(0);
    let long = vec![b'x'; 65_536];
    for bad in [&b""[..], b"a\nb", b"a\n", b"#1 0123456789abcdef", b"\0", &long] {
        let bad = Line { bytes: bad, leaf: chain::entry::leaf_hash(bad) };
        let refused = engine.append(0, &[Line { bytes: &good.bytes, leaf: good.leaf }, bad]);
        assert!(matches!(refused, Err(LedgerError::NotALine { index: 1 })), "{refused:?}");
    }
    assert_eq!(engine.count(), 0);
    append(&mut *engine, &[good]).expect("the engine still works");
}

fn bytes_that_changed_since_they_were_hashed_are_refused(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let good = Sealer::new(11).entry(5);
    let wrong = Line { bytes: &good.bytes, leaf: Digest::of(b"something else") };
    let refused = engine.append(0, &[wrong]);
    assert!(matches!(refused, Err(LedgerError::ChangedInMemory { seq: 0 })), "{refused:?}");
    assert!(engine.store().scan(0, 1).expect("scan").is_empty());
}

fn the_largest_entry_is_kept(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let mut sealer = Sealer::new(12);
    let batches = vec![sealer.batch(1, 61_000), sealer.batch(2, 60_000), sealer.batch(1, 0)];
    for batch in &batches {
        append(&mut *engine, batch).expect("appended");
    }
    drop(engine);
    let engine = bed.reopen();
    assert_eq!(all_entries(&*engine, 1), bytes_of(&batches));
}

fn an_empty_batch_is_no_batch(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    engine.append(0, &[]).expect("nothing to do");
    assert_eq!(engine.count(), 0);
    drop(engine);
    assert_eq!(bed.reopen().count(), 0);
}

fn nothing_is_appended_after_closing(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let mut sealer = Sealer::new(13);
    let first = sealer.batch(1, 0);
    append(&mut *engine, &first).expect("appended");
    engine.close().expect("closed");
    assert!(append(&mut *engine, &sealer.batch(1, 0)).is_err());
    assert_eq!(all_entries(&*engine, 1), bytes_of(&[first]));
}

fn readers_see_what_is_committed_and_no_more(bed: &mut dyn Bed) {
    let mut engine = bed.create();
    let store = engine.store();
    assert_eq!(store.count(), 0);
    let mut sealer = Sealer::new(14);
    for round in 1..=30 {
        append(&mut *engine, &sealer.batch(1, 200)).expect("appended");
        assert_eq!(store.count(), round);
        assert!(store.read(round - 1).expect("read").is_some());
        assert!(store.read(round).expect("read").is_none());
    }
}

fn notes_are_kept_and_checkpoints_never_change_their_text(bed: &mut dyn Bed) {
    let engine = bed.create();
    let store = engine.store();
    assert_eq!(store.watermark().expect("read"), None);
    assert_eq!(store.checkpoint(5).expect("read"), None);
    store.store_watermark(b"one\n\nsig\n").expect("stored");
    store.store_watermark(b"two\n\nsig\n").expect("stored");
    store.store_checkpoint(12, b"log\n12\n\nsig\n").expect("stored");
    store.store_checkpoint(5, b"log\n5\n\nsig\n").expect("stored");
    store.store_checkpoint(5, b"log\n5\n\nsig\n").expect("again");
    store.store_checkpoint(5, b"log\n5\n\nsig\nwitness\n").expect("more signatures");
    assert!(store.store_checkpoint(5, b"fork\n5\n\nsig\n").is_err(), "another text");
    drop((store, engine));
    let store = bed.reopen().store();
    assert_eq!(store.watermark().expect("read").as_deref(), Some(&b"two\n\nsig\n"[..]));
    let kept = store.checkpoint(5).expect("read");
    assert_eq!(kept.as_deref(), Some(&b"log\n5\n\nsig\nwitness\n"[..]));
    assert_eq!(store.checkpoint_sizes().expect("listed"), [5, 12]);
}

fn tiles_are_kept(bed: &mut dyn Bed) {
    let engine = bed.create();
    let store = engine.store();
    let tile = |level, index| Tile { kind: TileKind::Hashes(level), index, width: 256 };
    let tiles: Vec<_> = [(0, 0), (0, 999), (0, 1_234_567), (1, 0)]
        .into_iter()
        .enumerate()
        .map(|(fill, (level, index))| (tile(level, index), vec![fill as u8; 8192]))
        .collect();
    store.store_tiles(&tiles).expect("stored");
    drop((store, engine));
    let store = bed.reopen().store();
    for (tile, bytes) in &tiles {
        assert_eq!(store.tile(*tile).expect("read").as_ref(), Some(bytes), "{tile}");
    }
    assert_eq!(store.tile(tile(0, 1)).expect("read"), None);
    assert_eq!(store.tile(tile(2, 0)).expect("read"), None);
}
