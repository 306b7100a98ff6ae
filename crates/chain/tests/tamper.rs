//! Every way to tamper with a small log, tried in full: the verdict is broken and names the entry.

mod common;

use std::ops::Range;

use chain::verify::{Fault, FaultKind, Verdict, Verifier};
use common::SmallLog;

/// Checkpoints in different places: at the end only, at every size, in the middle.
const SHAPES: [(u64, &[u64]); 5] =
    [(1, &[1]), (2, &[2]), (7, &[7]), (7, &[0, 1, 2, 3, 4, 5, 6, 7]), (8, &[3, 8])];

/// A log, its file, and a check that has read the checkpoints already.
struct Case {
    log: SmallLog,
    file: Vec<u8>,
    verifier: Verifier,
}

impl Case {
    fn new(count: u64, sizes: &[u64]) -> Self {
        let log = SmallLog::new(count, sizes);
        let verifier = Verifier::new(log.evidence()).unwrap();
        Self { file: SmallLog::file(&log.entries), log, verifier }
    }

    fn check(&self, file: &[u8]) -> Verdict {
        let mut verifier = self.verifier.clone();
        let _ = verifier.push_file(file, 1);
        verifier.finish()
    }

    fn fault(&self, file: &[u8]) -> Fault {
        match self.check(file) {
            Verdict::Broken(fault) => fault,
            Verdict::Sound(summary) => panic!("{summary}"),
        }
    }

    /// The verdict on a log of other lines.
    fn fault_of(&self, lines: &[Vec<u8>]) -> (u64, FaultKind) {
        let fault = self.fault(&SmallLog::file(lines));
        (fault.seq, fault.kind)
    }

    /// The bytes of each line, line feed included.
    fn lines(&self) -> Vec<Range<usize>> {
        let mut start = 0;
        let ends = (1..=self.file.len()).filter(|end| self.file[end - 1] == b'\n');
        ends.map(|end| std::mem::replace(&mut start, end)..end).collect()
    }
}

#[test]
fn an_untouched_log_is_sound() {
    for (count, sizes) in SHAPES {
        let case = Case::new(count, sizes);
        match case.check(&case.file) {
            Verdict::Sound(summary) => {
                assert_eq!(summary.entries, count);
                assert_eq!(summary.root, chain::merkle::root_of(&case.log.leaves));
                assert_eq!(summary.checkpoint_size, count);
                assert_eq!(summary.not_covered_outside(), 0);
                assert_eq!(summary.unsigned, count - (count + 1) / 3);
            }
            Verdict::Broken(fault) => panic!("{fault}"),
        }
    }
}

#[test]
fn every_bit_flipped() {
    let mut cases = 0;
    for (count, sizes) in SHAPES {
        let case = Case::new(count, sizes);
        for (seq, range) in case.lines().into_iter().enumerate() {
            for (place, bit) in range.flat_map(|place| (0..8).map(move |bit| (place, bit))) {
                let mut changed = case.file.clone();
                changed[place] ^= 1 << bit;
                let fault = case.fault(&changed);
                assert_eq!(fault.seq, seq as u64, "bit {bit} of byte {place}: {fault}");
                assert_eq!(fault.among.is_some(), fault.kind == FaultKind::Root, "{fault}");
                cases += 1;
            }
        }
    }
    eprintln!("{cases} flipped bits, each named");
}

#[test]
fn every_line_deleted() {
    for (count, sizes) in SHAPES {
        let case = Case::new(count, sizes);
        for seq in 0..count {
            let mut lines = case.log.entries.clone();
            lines.remove(seq as usize);
            let kind = if seq + 1 < count { FaultKind::Seq } else { FaultKind::TailCut };
            assert_eq!(case.fault_of(&lines), (seq, kind));
        }
    }
}

#[test]
fn every_two_lines_swapped() {
    for (count, sizes) in SHAPES {
        let case = Case::new(count, sizes);
        for (first, second) in (0..count).flat_map(|a| (a + 1..count).map(move |b| (a, b))) {
            let mut lines = case.log.entries.clone();
            lines.swap(first as usize, second as usize);
            assert_eq!(case.fault_of(&lines), (first, FaultKind::Seq));
        }
    }
}

#[test]
fn every_line_doubled_in_every_later_place() {
    for (count, sizes) in SHAPES {
        let case = Case::new(count, sizes);
        for (seq, place) in (0..count).flat_map(|a| (a + 1..=count).map(move |b| (a, b))) {
            let mut lines = case.log.entries.clone();
            lines.insert(place as usize, lines[seq as usize].clone());
            assert_eq!(case.fault_of(&lines), (place, FaultKind::Seq));
        }
    }
}

#[test]
fn the_file_cut_at_every_byte() {
    for (count, sizes) in SHAPES {
        let case = Case::new(count, sizes);
        for length in 0..case.file.len() {
            let file = &case.file[..length];
            let seq = file.iter().filter(|byte| **byte == b'\n').count() as u64;
            let whole = file.is_empty() || file.ends_with(b"\n");
            let kind = if whole { FaultKind::TailCut } else { FaultKind::LineFeed };
            let fault = case.fault(file);
            assert_eq!((fault.seq, fault.kind), (seq, kind), "cut at {length}: {fault}");
        }
    }
}
