//! Copies under faults: a vault that is away, full, dies after it kept something, or holds what is not
//! ours; a disk here that rotted; and logs made again from copies.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use chain::Digest;
use chain::copy::{self, Name};
use chain::tile::Tile;
use tokio::sync::watch;

use super::{Copier, CopyError, CopyReader, Folder, Put, Source, Vault, VaultError, restore};
use crate::disk::Disk;
use crate::engine::mem::MemEngine;
use crate::engine::recovery::{StopCause, Tip};
use crate::engine::{Chunk, Engine, Store};
use crate::error::Result;
use crate::notary::{Anchors, Notary, Signed};
use crate::sim::{SimClock, SimDisk};
use crate::testing::{ORIGIN, START_MS, Sealer, append, options, remark, seams, signer};
use crate::{IndexPlace, LedgerError, Outcome, create, open};

/// What goes wrong at the vault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mood {
    Well,
    Away,
    Full,
    /// Keeps the next object and does not say so: the answer is lost.
    LosesAnswer,
    /// Knows no conditions and replaces what is there.
    Replaces,
}

/// A vault in memory, shared between copiers that come and go.
#[derive(Debug, Clone)]
struct Shelf(Arc<Mutex<Held>>);

/// What a shelf holds.
#[derive(Debug)]
struct Held {
    objects: BTreeMap<String, Vec<u8>>,
    mood: Mood,
}

impl Shelf {
    fn new() -> Self {
        let held = Held { objects: BTreeMap::new(), mood: Mood::Well };
        Self(Arc::new(Mutex::new(held)))
    }

    fn mood(&self, mood: Mood) {
        self.0.lock().unwrap().mood = mood;
    }

    fn objects(&self) -> BTreeMap<String, Vec<u8>> {
        self.0.lock().unwrap().objects.clone()
    }

    fn set(&self, name: &str, bytes: &[u8]) {
        self.0.lock().unwrap().objects.insert(name.to_owned(), bytes.to_vec());
    }

    fn names(&self, folder: &str) -> Vec<String> {
        self.objects().into_keys().filter(|name| name.starts_with(folder)).collect()
    }
}

impl Vault for Shelf {
    fn put_new(&self, name: &str, bytes: &[u8]) -> Result<Put, VaultError> {
        let mut shelf = self.0.lock().unwrap();
        let mood = shelf.mood;
        if mood == Mood::Away {
            return Err(VaultError::Away("nobody there".to_owned()));
        }
        if shelf.objects.contains_key(name) && mood != Mood::Replaces {
            return Ok(Put::WasThere);
        }
        if mood == Mood::Full {
            return Err(VaultError::Full);
        }
        shelf.objects.insert(name.to_owned(), bytes.to_vec());
        if mood == Mood::LosesAnswer {
            shelf.mood = Mood::Well;
            return Err(VaultError::Away("the answer was lost".to_owned()));
        }
        Ok(Put::Kept)
    }

    fn get(&self, name: &str) -> Result<Option<Vec<u8>>, VaultError> {
        Ok(self.0.lock().unwrap().objects.get(name).cloned())
    }

    fn list(&self, folder: &str, after: &str) -> Result<Vec<String>, VaultError> {
        let mut names = self.names(folder);
        names.retain(|name| name.as_str() > after);
        Ok(names)
    }
}

/// A log without its service: entries are appended and signed when a test says so.
struct Bench {
    engine: MemEngine,
    notary: Notary,
    sealer: Sealer,
    source: Source,
    publish: watch::Sender<Option<Arc<Signed>>>,
}

impl Bench {
    fn new(seed: u64) -> Self {
        let engine = MemEngine::new();
        let committed = Arc::new(Mutex::new(Tip::genesis()));
        let store = engine.store();
        let notary = Notary::open(store.clone(), signer(1), committed.clone(), &Anchors::default());
        let (publish, published) = watch::channel(None);
        let source = Source { store, committed, signed: Arc::default(), published };
        let notary = notary.expect("readable").expect("sound");
        Self { engine, notary, sealer: Sealer::new(seed), source, publish }
    }

    fn record(&mut self, entries: usize) {
        for batch in self.sealer.batch(entries, 40).chunks(1_000) {
            append(&mut self.engine, batch).expect("appended");
        }
        *self.source.committed.lock().unwrap() = self.sealer.tip;
    }

    fn sign(&mut self) {
        let signed = self.notary.cover().expect("signed").clone();
        *self.source.signed.lock().unwrap() = Some(signed);
    }

    fn publish(&mut self) {
        let signed = self.notary.publish().expect("published").clone();
        *self.source.signed.lock().unwrap() = Some(signed.clone());
        self.publish.send_replace(Some(Arc::new(signed)));
    }

    fn copier(&self, shelf: &Shelf) -> Result<Copier, CopyError> {
        let key = signer(1).vkey().parse().expect("a key");
        Copier::begin(Box::new(shelf.clone()), self.source.clone(), key)
    }

    fn lines(&self) -> Vec<Vec<u8>> {
        crate::testing::all_entries(&self.engine, 1 << 20)
    }
}

fn to_end(copier: &mut Copier) -> Result<(), CopyError> {
    while copier.step()? {}
    Ok(())
}

fn copied_lines(shelf: &Shelf) -> Vec<Vec<u8>> {
    let reader = CopyReader::open(shelf, None).expect("readable");
    let mut lines = Vec::new();
    let each = |seq: u64, line: &[u8]| -> Result<(), CopyError> {
        assert_eq!(seq, lines.len() as u64);
        lines.push(line.to_vec());
        Ok(())
    };
    reader.each_entry(reader.entries, each).expect("readable");
    lines
}

#[test]
fn a_copy_holds_every_entry_whatever_the_copier_went_through() {
    let (mut bench, shelf) = (Bench::new(1), Shelf::new());
    for (round, entries) in [3, 5_000, 1, 4_000, 700, 2].into_iter().enumerate() {
        bench.record(entries);
        if round % 2 == 0 {
            bench.publish();
        } else {
            bench.sign();
        }
        // Another copier for every object, as if the service were killed after each; every second
        // time without hearing that the object was kept.
        loop {
            if round % 2 == 1 {
                shelf.mood(Mood::LosesAnswer);
            }
            let mut copier = match bench.copier(&shelf) {
                Ok(copier) => copier,
                Err(CopyError::Vault(VaultError::Away(_))) => continue,
                Err(other) => panic!("{other}"),
            };
            match copier.step() {
                Ok(true) | Err(CopyError::Vault(VaultError::Away(_))) => {}
                Ok(false) => break,
                Err(other) => panic!("{other}"),
            }
        }
        shelf.mood(Mood::Well);
        assert!(copied_lines(&shelf) == bench.lines(), "after round {round}");
    }
    assert_eq!(shelf.names(copy::ENTRIES).len(), 2, "9,706 entries are two segments and a tail");
    assert_eq!(shelf.names(copy::CHECKPOINTS).len(), 3);
    let tile: Tile = "tile/0/031".parse().expect("a tile");
    let kept = bench.source.store.tile(tile).expect("readable");
    assert!(kept.is_some() && shelf.objects().get("tile/0/031") == kept.as_ref());
    let reader = CopyReader::open(&shelf, None).expect("readable");
    assert_eq!(reader.signed.as_ref().map(|signed| signed.size), Some(9_706));
    for name in shelf.objects().keys() {
        assert!(Name::parse(name).is_some(), "{name}");
    }
}

#[test]
fn a_vault_that_was_away_or_full_gets_everything_in_order_afterwards() {
    let (mut bench, shelf) = (Bench::new(2), Shelf::new());
    bench.record(10);
    bench.publish();
    let mut copier = bench.copier(&shelf).expect("begun");
    to_end(&mut copier).expect("copied");
    for (mood, expected) in
        [(Mood::Away, VaultError::Away("nobody there".to_owned())), (Mood::Full, VaultError::Full)]
    {
        shelf.mood(mood);
        bench.record(20);
        bench.sign();
        let before = shelf.objects();
        match copier.step() {
            Err(CopyError::Vault(error)) => assert_eq!(error, expected),
            other => panic!("{other:?}"),
        }
        assert_eq!(shelf.objects(), before);
        shelf.mood(Mood::Well);
        to_end(&mut copier).expect("caught up");
        assert!(copied_lines(&shelf) == bench.lines());
    }
}

#[test]
fn what_is_there_with_other_bytes_is_an_alarm_and_stays() {
    let (mut bench, shelf) = (Bench::new(3), Shelf::new());
    bench.record(10);
    bench.publish();
    let name = "tail/00000000000000000000-00000000000000000010.ndjson";
    let mut copier = bench.copier(&shelf).expect("begun");
    shelf.set(name, b"something else\n");
    assert!(matches!(copier.step(), Err(CopyError::OtherBytes { name: found }) if found == name));
    assert_eq!(shelf.objects()[name], b"something else\n");
    // Nor does the next start take it for what its name says.
    let again = bench.copier(&shelf).map(drop);
    assert!(matches!(again, Err(CopyError::OtherBytes { name: found }) if found == name));
    // The same with a segment.
    let (mut long, there) = (Bench::new(8), Shelf::new());
    long.record(5_000);
    long.sign();
    let mut copier = long.copier(&there).expect("begun");
    let segment = "entries/00000000000000000000-00000000000000004096.ndjson";
    there.set(segment, b"something else\n");
    for stopped in [copier.step().map(drop), long.copier(&there).map(drop)] {
        assert!(matches!(stopped, Err(CopyError::OtherBytes { name }) if name == segment));
    }

    // A store that would replace it is found out before anything is shipped.
    let loose = Shelf::new();
    loose.mood(Mood::Replaces);
    let begun = bench.copier(&loose).map(drop);
    assert!(matches!(begun, Err(CopyError::Vault(VaultError::Failed(_)))), "{begun:?}");

    // The copy of another log.
    let other = Bench::new(4);
    let key = chain::note::Ed25519Signer::new(ORIGIN, &[9; 32]).expect("a signer");
    let key = key.verifier().clone();
    let begun = Copier::begin(Box::new(shelf), other.source.clone(), key);
    assert!(matches!(begun, Err(CopyError::OtherLog(_))), "{begun:?}");
}

#[test]
fn a_copy_that_knows_more_than_the_log_stops_the_copying() {
    let shelf = Shelf::new();
    let mut long = Bench::new(5);
    long.record(30);
    long.sign();
    to_end(&mut long.copier(&shelf).expect("begun")).expect("copied");
    // An older state of the same log that was put back: the copy has this log's own signature on more.
    let mut old = Bench::new(5);
    old.record(20);
    old.sign();
    assert!(matches!(old.copier(&shelf), Err(CopyError::Contradicted { size: 30 })));
    // And one that went on from there in another way.
    let mut fork = Bench::new(6);
    fork.record(40);
    fork.sign();
    assert!(matches!(fork.copier(&shelf), Err(CopyError::Contradicted { size: 30 })));
    // Without a signature it is the word of the copy alone.
    let shelf = Shelf::new();
    let mut unsigned = Bench::new(5);
    unsigned.record(30);
    to_end(&mut unsigned.copier(&shelf).expect("begun")).expect("copied");
    assert!(matches!(old.copier(&shelf), Err(CopyError::Ahead { here: 20, there: 30 })));
}

/// A store in which one byte of one entry rotted.
#[derive(Debug)]
struct Rotten(Arc<dyn Store>, u64);

impl Store for Rotten {
    fn count(&self) -> u64 {
        self.0.count()
    }

    fn scan(&self, from: u64, bytes_max: usize) -> Result<Chunk> {
        let chunk = self.0.scan(from, bytes_max)?;
        let mut out = Chunk::new(chunk.first());
        for (seq, line) in chunk.iter() {
            let mut line = line.to_vec();
            if seq == self.1 {
                let at = memchr::memmem::find(&line, b"xxxx").expect("the padding");
                line[at] = b'y';
            }
            out.push(&line);
        }
        Ok(out)
    }

    fn watermark(&self) -> Result<Option<Vec<u8>>> {
        self.0.watermark()
    }

    fn store_watermark(&self, note: &[u8]) -> Result<()> {
        self.0.store_watermark(note)
    }

    fn checkpoint(&self, size: u64) -> Result<Option<Vec<u8>>> {
        self.0.checkpoint(size)
    }

    fn checkpoint_sizes(&self) -> Result<Vec<u64>> {
        self.0.checkpoint_sizes()
    }

    fn store_checkpoint(&self, size: u64, note: &[u8]) -> Result<()> {
        self.0.store_checkpoint(size, note)
    }

    fn tile(&self, tile: Tile) -> Result<Option<Vec<u8>>> {
        self.0.tile(tile)
    }

    fn store_tiles(&self, tiles: &[(Tile, Vec<u8>)]) -> Result<()> {
        self.0.store_tiles(tiles)
    }
}

#[test]
fn bytes_that_rotted_here_are_not_shipped() {
    for (entries, rotten) in [(10, 4), (10, 9), (5_000, 17), (5_000, 4_095)] {
        let (mut bench, shelf) = (Bench::new(7), Shelf::new());
        bench.record(entries);
        bench.sign();
        let mut copier = {
            let store: Arc<dyn Store> = Arc::new(Rotten(bench.source.store.clone(), rotten));
            let source = Source { store, ..bench.source.clone() };
            let key = signer(1).vkey().parse().expect("a key");
            Copier::begin(Box::new(shelf.clone()), source, key).expect("begun")
        };
        let stopped = to_end(&mut copier);
        assert!(matches!(stopped, Err(CopyError::Rotten { .. })), "{rotten}: {stopped:?}");
        assert_eq!(shelf.names(""), ["keys.txt"], "{rotten}");
    }
}

/// A log on a simulated disk, copied to its end, with the notes that decide what may be done with what
/// is made from the copy.
fn copied_log(shelf: &Shelf) -> (Digest, Signed) {
    let disk: Arc<dyn Disk> = Arc::new(SimDisk::new(1));
    let clock = SimClock::new(START_MS);
    create(seams(&disk, &clock, 0), &options(64 << 10), None).expect("created");
    let opened = open(seams(&disk, &clock, 1), &options(64 << 10), &IndexPlace::Memory);
    let mut opened = opened.expect("opened");
    let events = (0..50).map(|n| remark(&format!("e{n}"), "x")).collect();
    assert!(opened.core.process(events).iter().all(Result::is_ok));
    let mut notary = opened.notary.take().expect("writable");
    let published = notary.publish().expect("published").clone();
    let source = Source {
        store: opened.store.clone(),
        committed: opened.core.committed(),
        signed: Arc::new(Mutex::new(Some(published.clone()))),
        published: watch::channel(Some(Arc::new(published))).1,
    };
    let key = signer(1).vkey().parse().expect("a key");
    let mut copier = Copier::begin(Box::new(shelf.clone()), source, key).expect("begun");
    to_end(&mut copier).expect("copied");
    let leaf = opened.core.tip().leaf;
    // It went on, and somebody saw it; then the machine was lost.
    opened.core.process(vec![remark("seen-elsewhere", "x")]);
    (leaf, notary.publish().expect("published").clone())
}

#[test]
fn a_log_made_from_a_copy_goes_on_only_where_nobody_saw_more() {
    let shelf = Shelf::new();
    let (leaf, later) = copied_log(&shelf);
    let reader = CopyReader::open(&shelf, Some(signer(1).vkey().parse().expect("a key")));
    let reader = reader.expect("a copy of this log");
    let last = reader.signed.clone().expect("a signed checkpoint");
    assert_eq!((reader.entries, last.size), (51, 51));
    for (watermark, expected) in [
        (None, Some(StopCause::NoWatermark)),
        (Some(&later), Some(StopCause::Shorter)),
        (Some(&last), None),
    ] {
        let disk: Arc<dyn Disk> = Arc::new(SimDisk::new(2));
        let files = options(64 << 10);
        let note = watermark.map(|signed| signed.note.as_bytes());
        let restored = restore(&reader, 51, &*disk, &files, note).expect("restored");
        assert_eq!((restored.entries, restored.checkpoints), (51, 2));
        let clock = SimClock::new(START_MS);
        let mut opened =
            open(seams(&disk, &clock, 3), &files, &IndexPlace::Memory).expect("opened");
        assert_eq!(opened.core.tip().leaf, leaf);
        assert_eq!(opened.report.stop().map(|stop| stop.cause), expected);
        let answer = opened.core.process(vec![remark("e7", "x"), remark("new", "x")]);
        match expected {
            None => {
                // What was recorded before is known, what is new is recorded.
                assert!(matches!(&answer[0], Ok(Outcome::Known { receipt }) if receipt.seq == 8));
                assert!(
                    matches!(&answer[1], Ok(Outcome::Recorded { receipt, .. }) if receipt.seq == 51)
                );
            }
            Some(_) => {
                let error = answer[1].as_ref().expect_err("read-only");
                assert!(matches!(**error, LedgerError::ReadOnly { .. }), "{error}");
            }
        }
    }
    // A copy that rotted is not made into a log.
    let name = shelf.names(copy::TAIL).remove(0);
    let mut bytes = shelf.objects()[&name].clone();
    bytes[300] ^= 1;
    shelf.set(&name, &bytes);
    let disk = SimDisk::new(3);
    let refused = restore(&reader, 51, &disk, &options(64 << 10), None);
    // Entry 0 still links to nothing before it, but is not what was signed.
    assert!(matches!(refused, Err(CopyError::Contradicted { size: 1 })), "{refused:?}");
}

#[test]
fn a_folder_keeps_an_object_once_and_is_never_made() {
    let dir = tempfile::tempdir().expect("a folder");
    let root = dir.path().join("copy");
    assert!(matches!(Folder::open(&root, None), Err(VaultError::Failed(_))), "not mounted");
    std::fs::create_dir(&root).expect("made");
    let same = Folder::open(&root, Some(dir.path())).expect_err("the same disk");
    assert!(same.to_string().contains("lies on the disk of the log"), "{same}");

    let folder = Folder::open(&root, None).expect("a folder");
    assert_eq!(folder.put_new("tile/0/x001/234", b"one"), Ok(Put::Kept));
    assert_eq!(folder.put_new("tile/0/x001/234", b"two"), Ok(Put::WasThere));
    assert_eq!(folder.get("tile/0/x001/234"), Ok(Some(b"one".to_vec())));
    assert_eq!(folder.get("tile/0/000"), Ok(None));
    for name in ["tail/2", "tail/1", "tail/3"] {
        folder.put_new(name, b"x").expect("kept");
    }
    assert_eq!(folder.list("tail/", "tail/1"), Ok(vec!["tail/2".to_owned(), "tail/3".to_owned()]));
    assert_eq!(folder.list("entries/", ""), Ok(vec![]));
    let left: Vec<_> = std::fs::read_dir(root.join("tail")).expect("listed").collect();
    assert_eq!(left.len(), 3, "nothing half written stays");

    std::fs::remove_dir_all(&root).expect("unmounted");
    assert!(matches!(folder.put_new("tail/4", b"x"), Err(VaultError::Away(_))));
    assert!(matches!(folder.list("tail/", ""), Err(VaultError::Away(_))));
    assert!(!root.try_exists().expect("asked"));
}
