//! Whatever happens to the files: a start finds a state that was kept, whole, or none at all.

use std::collections::BTreeSet;
use std::io::{self, ErrorKind};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::*;
use crate::disk::{Disk as _, OsDisk};
use crate::error::LedgerError;
use crate::sim::{Fault, FaultKind, Op, Seeded, SimDisk};

const VERSION: u16 = 7;
const SLACK: u64 = 2_000;

/// A fold whose state is pages and nothing else.
#[derive(Debug, Default)]
struct Book(Vec<Page>);

#[derive(Debug)]
struct Page {
    /// `None` while it lies in the pieces only.
    text: Option<Vec<u8>>,
    lies: Option<Lies>,
}

#[derive(Debug)]
struct Lies {
    pieces: Arc<dyn Pieces>,
    at: u64,
    len: usize,
    digest: Digest,
}

impl Lies {
    const BYTES: usize = 8 + 8 + Digest::LEN;
}

impl Page {
    fn text(&self) -> Vec<u8> {
        match (&self.text, &self.lies) {
            (Some(text), _) => text.clone(),
            (None, Some(Lies { pieces, at, len, digest })) => {
                let text = pieces.read(*at, *len).expect("still there");
                assert_eq!(Digest::of(&text), *digest, "a piece at {at} is another");
                text
            }
            (None, None) => panic!("a page is nowhere"),
        }
    }
}

impl Book {
    fn of(pages: usize) -> Self {
        let mut book = Self::default();
        (0..pages).for_each(|page| book.set(page, 0));
        book
    }

    /// Gives a page another text.
    fn set(&mut self, page: usize, edition: u64) {
        let text = format!("page {page}, edition {edition}. ").into_bytes().repeat(10);
        let page_of_text = Page { text: Some(text), lies: None };
        match self.0.get_mut(page) {
            Some(page) => *page = page_of_text,
            None => self.0.push(page_of_text),
        }
    }

    fn texts(&self) -> Vec<Vec<u8>> {
        self.0.iter().map(Page::text).collect()
    }

    /// Writes it, and keeps in memory only what does not lie in pieces.
    fn write(&mut self, pieces: &Arc<dyn Pieces>, to: &mut dyn Write) -> Result<()> {
        for page in &mut self.0 {
            if !page.lies.as_ref().is_some_and(|lies| Arc::ptr_eq(&lies.pieces, pieces)) {
                let text = page.text();
                let at = pieces.append(&text).doing("append to", "pieces")?;
                let pieces = Arc::clone(pieces);
                let (len, digest) = (text.len(), Digest::of(&text));
                *page = Page { text: None, lies: Some(Lies { pieces, at, len, digest }) };
            }
            let lies = page.lies.as_ref().expect("just put there");
            let of = [&lies.at.to_be_bytes()[..], &lies.len.to_be_bytes(), lies.digest.as_bytes()];
            to.write_all(&of.concat()).doing("write", "root")?;
        }
        Ok(())
    }

    fn read(mut read: StateRead) -> Self {
        let mut root = Vec::new();
        read.state.read_to_end(&mut root).expect("readable");
        let page = |of: &[u8]| {
            let number = |at| u64::from_be_bytes(of[at..at + 8].try_into().expect("eight"));
            let digest = Digest::from_bytes(of[16..].try_into().expect("a digest"));
            let len = usize::try_from(number(8)).expect("small");
            let lies = Lies { pieces: Arc::clone(&read.pieces), at: number(0), len, digest };
            Page { text: None, lies: Some(lies) }
        };
        Self(root.chunks(Lies::BYTES).map(page).collect())
    }
}

fn tip(count: u64) -> Tip {
    Tip { count, leaf: Digest::of(&count.to_be_bytes()), recorded_at_ms: 5 }
}

fn snapshots(disk: &SimDisk) -> Snapshots {
    let dir = disk.create_dir_all(Path::new("/state")).expect("created");
    Snapshots::with(dir, "shop", SLACK, || panic!("the process ended"))
}

fn store(snapshots: &mut Snapshots, count: u64, book: &mut Book) -> Result<()> {
    snapshots.store((VERSION, tip(count)), &mut |pieces, to| book.write(pieces, to))
}

/// What a start finds: as of how many entries, and every page of it.
fn found(snapshots: &mut Snapshots) -> Option<(u64, Vec<Vec<u8>>)> {
    let read = snapshots.read(VERSION).expect("readable")?;
    assert_eq!(read.tip, tip(read.tip.count));
    Some((read.tip.count, Book::read(read).texts()))
}

fn names(disk: &SimDisk) -> Vec<String> {
    let name = |path: String| path.rsplit('/').next().unwrap_or_default().to_owned();
    disk.files().into_keys().map(name).collect()
}

fn len_of(disk: &SimDisk, name: &str) -> usize {
    disk.files()[&format!("/state/{name}")].len()
}

#[test]
fn a_page_is_written_once_however_many_snapshots_and_starts_there_are() {
    let disk = SimDisk::new(1);
    let mut here = snapshots(&disk);
    assert!(found(&mut here).is_none());
    let mut book = Book::of(40);
    store(&mut here, 0, &mut book).expect("stored");
    for count in 1..10 {
        let before = len_of(&disk, "shop.pieces-1");
        book.set(3, count);
        store(&mut here, count, &mut book).expect("stored");
        assert_eq!(len_of(&disk, "shop.pieces-1") - before, book.0[3].text().len());
        if count % 3 == 0 {
            let texts = book.texts();
            disk.power_cycle();
            here = snapshots(&disk);
            book = Book::read(here.read(VERSION).expect("readable").expect("there"));
            assert_eq!(book.texts(), texts);
        }
    }
    assert_eq!(names(&disk), ["shop", "shop.pieces-1"]);
}

#[test]
fn replaced_pages_leave_the_disk_and_whoever_reads_them_goes_on() {
    let disk = SimDisk::new(1);
    let mut here = snapshots(&disk);
    let mut book = Book::of(10);
    store(&mut here, 0, &mut book).expect("stored");
    let begun = len_of(&disk, "shop.pieces-1");
    let first = Book::read(here.read(VERSION).expect("readable").expect("there"));
    let first_texts = first.texts();
    for count in 1..100 {
        book.set(usize::try_from(count % 3).expect("small"), count);
        store(&mut here, count, &mut book).expect("stored");
        let [root, pieces] = &names(&disk)[..] else { panic!("{:?}", names(&disk)) };
        assert_eq!(root, "shop");
        let most = 2 * begun + usize::try_from(SLACK).expect("small") + 1_000;
        assert!(len_of(&disk, pieces) < most, "{pieces} at {count}");
    }
    assert_ne!(names(&disk), ["shop", "shop.pieces-1"]);
    assert_eq!(first.texts(), first_texts, "from a file that has no name any more");
    let texts = book.texts();
    disk.power_cycle();
    assert_eq!(found(&mut snapshots(&disk)), Some((99, texts)));
}

#[test]
fn the_same_on_the_file_system_of_this_machine() {
    let at = tempfile::tempdir().expect("a directory");
    let open = || {
        let dir = OsDisk.open_dir(at.path()).expect("opened");
        Snapshots::with(dir, "shop", SLACK, || panic!("the process ended"))
    };
    let mut here = open();
    let mut book = Book::of(10);
    store(&mut here, 0, &mut book).expect("stored");
    let first = Book::read(here.read(VERSION).expect("readable").expect("there"));
    let first_texts = first.texts();
    for count in 1..50 {
        book.set(4, count);
        store(&mut here, count, &mut book).expect("stored");
        if count % 7 == 0 {
            here = open();
            book = Book::read(here.read(VERSION).expect("readable").expect("there"));
        }
    }
    assert!(!at.path().join("shop.pieces-1").try_exists().expect("looked"));
    assert_eq!(std::fs::read_dir(at.path()).expect("listed").count(), 2);
    assert_eq!(first.texts(), first_texts, "from a file that has no name any more");
    assert_eq!(found(&mut open()), Some((49, book.texts())));
}

/// Eight snapshots, among them one that begins the next pieces file, with a start in between.
fn eight_snapshots(disk: &SimDisk, kept: &mut Option<u64>) -> Result<()> {
    let dir = disk.create_dir_all(Path::new("/state")).doing("create", "state")?;
    let open = || Snapshots::with(Arc::clone(&dir), "shop", SLACK, || panic!("the process ended"));
    let mut here = open();
    let mut book = Book::of(6);
    for count in 0..8 {
        if count == 5 {
            here = open();
            let read = here.read(VERSION).doing("read", "root")?;
            book = Book::read(read.expect("kept before"));
        }
        (0..3).for_each(|page| book.set(page, count));
        store(&mut here, count, &mut book)?;
        *kept = Some(count);
    }
    Ok(())
}

fn texts_after(count: u64) -> Vec<Vec<u8>> {
    let mut book = Book::of(6);
    (0..3).for_each(|page| book.set(page, count));
    book.texts()
}

#[test]
fn after_a_power_cut_at_any_step_the_last_snapshot_is_there_or_the_one_under_way() {
    let mut numbers = BTreeSet::new();
    for seed in 0..6 {
        for step in 0.. {
            let disk = SimDisk::new(1_000 * seed + step);
            disk.cut_power_at(step);
            let mut kept = None;
            let done = eight_snapshots(&disk, &mut kept).is_ok();
            disk.power_cycle();
            let mut here = snapshots(&disk);
            let after = found(&mut here);
            match (&after, kept) {
                (None, None) => {}
                (Some((count, texts)), _) => {
                    assert!(kept.is_none_or(|kept| [kept, kept + 1].contains(count)), "{step}");
                    assert_eq!(*texts, texts_after(*count), "{step}");
                }
                (None, Some(kept)) => panic!("step {step}: the snapshot at {kept} is gone"),
            }
            numbers.extend(names(&disk));
            // And it goes on from there.
            let mut book = Book::of(6);
            store(&mut here, 20, &mut book).expect("stored");
            disk.power_cycle();
            assert_eq!(found(&mut snapshots(&disk)), Some((20, book_texts(6))), "{step}");
            assert!(names(&disk).len() == 2, "{step}: {:?}", names(&disk));
            if done {
                break;
            }
        }
    }
    assert!(numbers.contains("shop.pieces-2"), "a new file was begun on the way: {numbers:?}");
}

fn book_texts(pages: usize) -> Vec<Vec<u8>> {
    Book::of(pages).texts()
}

#[test]
fn what_is_damaged_is_no_snapshot_and_the_next_one_is_whole() {
    let disk = SimDisk::new(1);
    let mut book = Book::of(5);
    store(&mut snapshots(&disk), 3, &mut book).expect("stored");
    let whole = |name: &str| disk.files()[&format!("/state/{name}")].clone();
    let (root, pieces) = (whole("shop"), whole("shop.pieces-1"));
    let flipped = |at: usize| {
        let mut root = root.clone();
        root[at] ^= 1;
        Some(root)
    };
    let mut cases: Vec<(String, &str, Option<Vec<u8>>)> = vec![
        ("no root".into(), "shop", None),
        ("an empty root".into(), "shop", Some(Vec::new())),
        ("no pieces".into(), "shop.pieces-1", None),
        ("no bytes of pieces".into(), "shop.pieces-1", Some(Vec::new())),
        ("short pieces".into(), "shop.pieces-1", Some(pieces[..pieces.len() - 1].to_vec())),
    ];
    for at in 0..root.len() {
        cases.push((format!("byte {at} is another"), "shop", flipped(at)));
        cases.push((format!("cut at {at}"), "shop", Some(root[..at].to_vec())));
    }
    for (what, name, content) in cases {
        let disk = disk.fork(2);
        disk.tamper(&format!("/state/{name}"), content.as_deref());
        let mut here = snapshots(&disk);
        assert_eq!(found(&mut here), None, "{what}");
        store(&mut here, 9, &mut Book::of(4)).expect("stored");
        assert_eq!(found(&mut snapshots(&disk)), Some((9, book_texts(4))), "{what}");
        assert_eq!(names(&disk).len(), 2, "{what}: {:?}", names(&disk));
    }
    let other = snapshots(&disk).read(VERSION + 1).expect("readable");
    assert!(other.is_none(), "a version that is not the one of the fold");
    assert!(found(&mut snapshots(&disk)).is_some(), "which changed nothing");
}

#[test]
fn a_start_removes_what_no_root_refers_to() {
    let disk = SimDisk::new(1);
    let mut book = Book::of(5);
    store(&mut snapshots(&disk), 3, &mut book).expect("stored");
    let whole = disk.files()["/state/shop.pieces-1"].clone();
    disk.tamper(
        "/state/shop.pieces-1",
        Some(&[&whole[..], b"of a snapshot that was cut off"].concat()),
    );
    for stray in ["shop.pieces-0", "shop.pieces-2", "shop.tmp"] {
        disk.tamper(&format!("/state/{stray}"), Some(b"of another time"));
    }
    disk.tamper("/state/other.pieces-2", Some(b"of another fold"));
    let mut here = snapshots(&disk);
    let mut book = Book::read(here.read(VERSION).expect("readable").expect("there"));
    assert_eq!(names(&disk), ["other.pieces-2", "shop", "shop.pieces-1"]);
    assert_eq!(disk.files()["/state/shop.pieces-1"], whole);
    book.set(2, 8);
    let texts = book.texts();
    store(&mut here, 4, &mut book).expect("stored");
    disk.power_cycle();
    assert_eq!(found(&mut snapshots(&disk)), Some((4, texts)));
}

#[test]
fn a_snapshot_that_fails_half_way_leaves_the_one_before() {
    type Break<'a> = &'a dyn Fn(&SimDisk);
    let failures: [(&str, Break<'_>); 6] = [
        ("the fold", &|_| {}),
        ("a full disk", &|disk| disk.set_capacity(Some(disk.used() + 100))),
        ("writing pieces", &|disk| fail(disk, Op::Write, ".pieces-")),
        ("syncing pieces", &|disk| fail(disk, Op::Sync, ".pieces-")),
        ("syncing the root", &|disk| fail(disk, Op::Sync, ".tmp")),
        ("renaming the root", &|disk| fail(disk, Op::Rename, "shop")),
    ];
    for seed in 0..20 {
        for (what, break_it) in failures {
            let disk = SimDisk::new(seed);
            let mut here = snapshots(&disk);
            let mut book = Book::of(6);
            store(&mut here, 1, &mut book).expect("stored");
            let before = book.texts();
            book.set(2, 5);
            book.set(4, 5);
            break_it(&disk);
            let failed = here.store((VERSION, tip(2)), &mut |pieces, to| {
                book.write(pieces, to)?;
                let why = "it cannot be written".to_owned();
                if what == "the fold" { Err(LedgerError::Index { what: why }) } else { Ok(()) }
            });
            assert!(failed.is_err(), "{what}");
            disk.heal();
            disk.set_capacity(None);
            let later = disk.fork(seed);
            later.power_cycle();
            assert_eq!(
                found(&mut snapshots(&later)),
                Some((1, before)),
                "{what}, then a power cut"
            );

            let now = book.texts();
            store(&mut here, 3, &mut book).expect("stored");
            assert_eq!(book.texts(), now, "{what}");
            disk.power_cycle();
            assert_eq!(found(&mut snapshots(&disk)), Some((3, now)), "{what}, and once more");
            assert_eq!(names(&disk).len(), 2, "{what}: {:?}", names(&disk));
        }
    }
}

fn fail(disk: &SimDisk, op: Op, path_part: &'static str) {
    let kind = FaultKind::Error(ErrorKind::Other);
    disk.plan(Fault { op, path_part, skip: 0, sticky: false, kind });
}

/// Changes, snapshots, faults, kills and power cuts in any order.
#[test]
fn whatever_comes_a_start_finds_one_of_the_states_since_the_last_that_was_kept() {
    let (mut kept_ones, mut failed_ones) = (0, 0);
    for seed in 0..300 {
        let mut rng = Seeded::new(seed);
        let disk = SimDisk::new(seed);
        let mut here = snapshots(&disk);
        let mut book = Book::of(8);
        // What a start may find: nothing at first.
        let mut candidates: Vec<Option<(u64, Vec<Vec<u8>>)>> = vec![None];
        for count in 1..60 {
            for _ in 0..rng.below(4) {
                book.set(usize::try_from(rng.below(9)).expect("small").min(book.0.len()), count);
            }
            let texts = book.texts();
            match rng.below(12) {
                0 => {
                    let op = [Op::Write, Op::Sync, Op::SyncDir, Op::Create, Op::Rename, Op::Remove];
                    let op = op[usize::try_from(rng.below(6)).expect("small")];
                    fail(
                        &disk,
                        op,
                        ["shop", ".pieces-", ".tmp"][usize::try_from(rng.below(3)).expect("small")],
                    );
                }
                1 => disk.cut_power_at(disk.calls() + rng.below(12)),
                _ => {}
            }
            match store(&mut here, count, &mut book) {
                Ok(()) => {
                    kept_ones += 1;
                    candidates = vec![Some((count, texts.clone()))];
                }
                Err(_) => {
                    failed_ones += 1;
                    candidates.push(Some((count, texts.clone())));
                }
            }
            disk.heal();
            match (disk.is_down(), rng.below(10)) {
                (true, _) | (false, 0) => disk.power_cycle(),
                (false, 1) => disk.kill_process(),
                (false, _) => {
                    assert_eq!(book.texts(), texts, "seed {seed}, at {count}");
                    continue;
                }
            }
            here = snapshots(&disk);
            let read = here.read(VERSION).expect("readable");
            let as_of = read.as_ref().map(|read| read.tip.count);
            book = read.map_or_else(|| Book::of(8), Book::read);
            let after = as_of.map(|as_of| (as_of, book.texts()));
            assert!(candidates.contains(&after), "seed {seed}, at {count}: {as_of:?}");
            candidates = vec![after];
        }
        let there = names(&disk);
        assert!(there.len() <= 4, "seed {seed}: {there:?}");
    }
    assert!(kept_ones > 1_000 && failed_ones > 300, "{kept_ones} kept, {failed_ones} failed");
}

#[test]
fn a_lost_piece_ends_the_process_and_the_next_start_finds_no_snapshot() {
    let disk = SimDisk::new(1);
    let mut here = snapshots(&disk);
    store(&mut here, 1, &mut Book::of(3)).expect("stored");
    let read = here.read(VERSION).expect("readable").expect("there");
    let ended = catch_unwind(AssertUnwindSafe(|| read.pieces.lost("its digest is another")));
    let why = ended.expect_err("ended");
    assert_eq!(why.downcast_ref::<&str>(), Some(&"the process ended"));
    disk.power_cycle();
    assert_eq!(names(&disk), ["shop.pieces-1"], "that is durable");
    let mut here = snapshots(&disk);
    assert_eq!(found(&mut here), None);
    store(&mut here, 2, &mut Book::of(2)).expect("stored");
    assert_eq!(found(&mut here), Some((2, book_texts(2))));
    assert_eq!(names(&disk), ["shop", "shop.pieces-2"]);
}

#[test]
fn a_lost_piece_ends_the_process_also_if_the_root_cannot_be_removed() {
    let disk = SimDisk::new(1);
    let mut here = snapshots(&disk);
    store(&mut here, 1, &mut Book::of(3)).expect("stored");
    let read = here.read(VERSION).expect("readable").expect("there");
    fail(&disk, Op::Remove, "shop");
    let ended = catch_unwind(AssertUnwindSafe(|| read.pieces.lost("its digest is another")));
    assert!(ended.is_err());
}

#[test]
fn bytes_are_read_as_they_were_appended_wherever_they_are_meanwhile() {
    let disk = SimDisk::new(1);
    let mut here = snapshots(&disk);
    let (mut all, mut places) = (Vec::new(), Vec::new());
    let mut rng = Seeded::new(3);
    here.store((VERSION, tip(1)), &mut |pieces, _| {
        for len in [0, 1, 100, 262_143, 262_144, 262_145, 5, 700_000, 1, 262_144, 9, 300] {
            let mut bytes = vec![0; len];
            crate::seams::Random::fill(&mut rng, &mut bytes);
            let at = pieces.append(&bytes).expect("appended");
            assert_eq!(at, all.len() as u64);
            assert_eq!(pieces.read(at, len).expect("just appended"), bytes);
            all.extend_from_slice(&bytes);
            places.push((at, len));
        }
        // Across what is written and what is not yet.
        let from = all.len() - 1_000_000;
        assert_eq!(pieces.read(from as u64, 1_000_000).expect("there"), all[from..]);
        let too_far = pieces.read(all.len() as u64 - 1, 2).expect_err("not there");
        assert_eq!(too_far.kind(), ErrorKind::UnexpectedEof);
        assert!(pieces.read(u64::MAX, 2).is_err());
        Ok(())
    })
    .expect("stored");
    disk.power_cycle();
    let read = snapshots(&disk).read(VERSION).expect("readable").expect("there");
    for (at, len) in places {
        let place = usize::try_from(at).expect("small");
        assert_eq!(read.pieces.read(at, len).expect("there"), all[place..place + len]);
    }
    disk.tamper("/state/shop.pieces-1", Some(&all[..1_000]));
    let cut: io::Error = read.pieces.read(900, 101).expect_err("cut off");
    assert_eq!(cut.kind(), ErrorKind::UnexpectedEof);
}
