//! What somebody who follows another log can count on, on simulated disks.

use std::path::Path;
use std::sync::Arc;

use chain::Digest;
use chain::merkle::prove_consistency;
use chain::note::VerifierKey;
use chain::tile::TileCache;

use super::{Comparison, Mirror, NotTaken};
use crate::disk::Disk;
use crate::error::LedgerError;
use crate::notary::Signed;
use crate::sim::{SimClock, SimDisk};
use crate::testing::{START_MS, options, remark, seams, signer};
use crate::{IndexPlace, Opened, create, open};
use shopfloor::record::events::Contradiction;

const SEGMENT: u64 = 8192;

/// A log on a simulated disk that somebody follows.
struct Site(Opened);

impl Site {
    fn new(seed: u64) -> Self {
        let disk: Arc<dyn Disk> = Arc::new(SimDisk::new(seed));
        let clock = SimClock::new(START_MS);
        create(seams(&disk, &clock, seed), &options(SEGMENT), None).expect("created");
        let seams = seams(&disk, &clock, seed + 1);
        Self(open(seams, &options(SEGMENT), &IndexPlace::Memory).expect("opened"))
    }

    /// Records remarks and publishes a checkpoint over all of them.
    fn publish(&mut self, ids: std::ops::Range<u64>) -> Signed {
        let remarks = ids.map(|id| remark(&format!("r{id}"), "filter looks worn")).collect();
        for answer in self.0.core.process(remarks) {
            answer.expect("recorded");
        }
        self.0.notary.as_mut().expect("it writes").publish().expect("published").clone()
    }

    fn lines(&self, from: u64, to: u64) -> Vec<Vec<u8>> {
        (from..to).map(|seq| self.0.store.read(seq).expect("read").expect("there")).collect()
    }

    fn proof(&self, from: u64, to: u64) -> Vec<Digest> {
        let source = crate::tree::hashes(&*self.0.store, to, Arc::new(TileCache::default()));
        prove_consistency(&source, from, to).expect("a proof")
    }
}

fn key() -> VerifierKey {
    signer(1).vkey().parse().expect("a key")
}

fn mirror_on(disk: &SimDisk) -> Result<Mirror, LedgerError> {
    Mirror::open(Arc::new(disk.clone()), options(SEGMENT), Path::new("/data/state"), key())
}

fn take(mirror: &mut Mirror, site: &Site, to: u64, shown: &Signed) -> Result<(), NotTaken> {
    let lines = site.lines(mirror.count(), to);
    let lines: Vec<&[u8]> = lines.iter().map(Vec::as_slice).collect();
    mirror.take(&lines, shown, &site.proof(to, shown.size))
}

#[test]
fn a_mirror_holds_the_other_log_byte_for_byte_and_answers_from_it() {
    let mut site = Site::new(7);
    let shown = site.publish(0..600);
    let disk = SimDisk::new(8);
    let mut mirror = mirror_on(&disk).expect("begun");
    assert_eq!(mirror.compare(&shown).expect("compared"), Comparison::Longer);
    // In pages, each proven to lie under the checkpoint before it is kept.
    for to in [100, 257, 600, shown.size] {
        take(&mut mirror, &site, to, &shown).expect("taken");
    }
    assert_eq!(mirror.compare(&shown).expect("compared"), Comparison::Same);
    let view = mirror.view();
    assert_eq!(view.kept(), Some(shown.clone()));
    assert_eq!(view.ask(|state| state.as_of), shown.size);
    let copied: Vec<_> = (0..shown.size).map(|seq| view.store().read(seq).expect("read")).collect();
    let there: Vec<_> = site.lines(0, shown.size).into_iter().map(Some).collect();
    assert_eq!(copied, there);

    // It goes on where it was, after a stop in good order and after none.
    mirror.close().expect("closed");
    let later = site.publish(600..700);
    let mut mirror = mirror_on(&disk).expect("opened");
    assert_eq!(mirror.count(), shown.size);
    take(&mut mirror, &site, later.size, &later).expect("taken");
    drop(mirror);
    let mirror = mirror_on(&disk).expect("opened after a crash");
    assert_eq!(mirror.view().kept(), Some(later.clone()));
    assert_eq!(mirror.view().ask(|state| state.as_of), later.size);
}

#[test]
fn the_mirror_is_a_log_that_opens_as_a_copy() {
    let mut site = Site::new(7);
    let shown = site.publish(0..50);
    let disk = SimDisk::new(8);
    let mut mirror = mirror_on(&disk).expect("begun");
    take(&mut mirror, &site, shown.size, &shown).expect("taken");
    mirror.close().expect("closed");
    let (disk, clock) = (Arc::new(disk) as Arc<dyn Disk>, SimClock::new(START_MS));
    let opened = open(seams(&disk, &clock, 3), &options(SEGMENT), &IndexPlace::Memory);
    let opened = opened.expect("opened with the key of the site");
    assert_eq!((opened.report.count, opened.report.stop()), (shown.size, None));
}

#[test]
fn another_history_under_the_same_key_is_told_at_any_size() {
    let mut site = Site::new(7);
    let shown = site.publish(0..50);
    let disk = SimDisk::new(8);
    let mut mirror = mirror_on(&disk).expect("begun");
    take(&mut mirror, &site, shown.size, &shown).expect("taken");

    // The same key, other salts: another tree from entry 0 on.
    let mut other = Site::new(70);
    let shorter = other.publish(0..20);
    let told = mirror.compare(&shorter).expect("compared");
    assert_eq!(told, Comparison::Contradicts(Contradiction::OtherHistory, shorter.size));
    let same = other.publish(20..50);
    let told = mirror.compare(&same).expect("compared");
    assert_eq!(told, Comparison::Contradicts(Contradiction::OtherHistory, shown.size));
    let longer = other.publish(50..80);
    assert_eq!(mirror.compare(&longer).expect("compared"), Comparison::Longer);
    let refused = take(&mut mirror, &other, longer.size, &longer).expect_err("it does not link");
    assert!(matches!(refused, NotTaken::NotAsSigned { at, .. } if at == shown.size), "{refused}");
    assert_eq!(mirror.count(), shown.size, "nothing of it is kept");

    // And one that only became shorter: an old copy was put back.
    let mut before = Site::new(7);
    let old = before.publish(0..30);
    let told = mirror.compare(&old).expect("compared");
    assert_eq!(told, Comparison::Contradicts(Contradiction::Shortened, old.size));
}

#[test]
fn entries_that_are_not_under_the_checkpoint_are_not_kept() {
    let mut site = Site::new(7);
    let shown = site.publish(0..10);
    let disk = SimDisk::new(8);
    let mut mirror = mirror_on(&disk).expect("begun");
    let true_lines = site.lines(0, shown.size);

    // A change in the last entry breaks no link: only the signed root tells.
    let mut changed = true_lines.clone();
    let last = changed.last_mut().expect("a line");
    let digit = last.iter().rposition(u8::is_ascii_digit).expect("a digit");
    last[digit] = if last[digit] == b'1' { b'2' } else { b'1' };
    let mut left_out = true_lines.clone();
    left_out.remove(4);
    for lines in [&changed, &left_out] {
        let lines: Vec<&[u8]> = lines.iter().map(Vec::as_slice).collect();
        mirror.take(&lines, &shown, &[]).expect_err("not as signed");
        assert_eq!(mirror.count(), 0);
    }
    // A wrong proof keeps nothing either, and the true entries are still taken afterwards.
    let lines: Vec<&[u8]> = true_lines[..5].iter().map(Vec::as_slice).collect();
    mirror.take(&lines, &shown, &[Digest::of(b"x")]).expect_err("no proof");
    take(&mut mirror, &site, shown.size, &shown).expect("taken");
}

#[test]
fn a_log_of_another_name_is_refused_at_its_first_entry() {
    let mut site = Site::new(7);
    let shown = site.publish(0..3);
    let other = chain::note::Ed25519Signer::new("records.example.org/south/2026", &[1; 32]);
    let key = chain::note::Signer::vkey(&other.expect("a signer")).parse().expect("a key");
    let disk: Arc<dyn Disk> = Arc::new(SimDisk::new(8));
    let mut mirror =
        Mirror::open(disk, options(SEGMENT), Path::new("/data/state"), key).expect("begun");
    assert!(mirror.read(shown.note.as_bytes()).is_err(), "the note names another log");
    let refused = take(&mut mirror, &site, shown.size, &shown).expect_err("another log");
    assert!(matches!(refused, NotTaken::Failed(LedgerError::WrongKey { .. })), "{refused}");
}

#[test]
fn what_was_kept_and_is_damaged_is_never_begun_anew_silently() {
    let mut site = Site::new(7);
    let shown = site.publish(0..40);
    let disk = SimDisk::new(8);
    let mut mirror = mirror_on(&disk).expect("begun");
    take(&mut mirror, &site, shown.size, &shown).expect("taken");
    mirror.close().expect("closed");
    let watermark = options(SEGMENT).head_dir.join("watermark");
    disk.tamper(&watermark.display().to_string(), Some(b"no note"));
    let refused = mirror_on(&disk).expect_err("damaged");
    assert!(matches!(refused, LedgerError::Damaged { .. }), "{refused}");
}
