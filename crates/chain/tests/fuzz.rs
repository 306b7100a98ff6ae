//! Hostile bytes for every reader of the format: canonical JSON, entries, notes, checkpoints, proofs,
//! policies, keys. Inputs are made from good ones (and from the published vectors, where they are) by
//! seeded changes: bits, bytes, pieces that are repeated, moved, cut out or taken from another input.
//!
//! Each reader must take or refuse every input without a panic, and what it takes must obey a law:
//! it reads back as it is written, a library that is not ours agrees, nothing is trusted that was not
//! signed. `cargo xtask fuzz INPUTS [SEED]` runs as many as wanted, optimised; a failing input is printed.

mod common;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use chain::canon::{self, Limits, Value};
use chain::checkpoint::Checkpoint;
use chain::entry::{Ending, Entry, EntryView, leaf_hash};
use chain::keys::Keys;
use chain::merkle::prove_inclusion;
use chain::note::Note;
use chain::policy::Policy;
use chain::proof::TlogProof;
use common::SmallLog;

/// Inputs for each reader, where nobody asks for more.
const INPUTS: u64 = 20_000;

fn env(name: &str, or: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(or)
}

/// SplitMix64 (Steele, Lea, Flood 2014): the same seed gives the same inputs.
struct Seeded(u64);

impl Seeded {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, bound: usize) -> usize {
        usize::try_from(self.next() % bound.max(1) as u64).expect("below a usize")
    }

    fn one_of<'a, T: ?Sized>(&mut self, all: &[&'a T]) -> &'a T {
        all[self.below(all.len())]
    }
}

/// What readers have tripped over: limits of numbers, ends of strings, escapes, marks of the formats.
const TOKENS: &[&[u8]] = &[
    b"{",
    b"}",
    b"[",
    b"]",
    b"[[[[[[[[[[[[[[[[",
    b"\"",
    b"\\",
    b"\\u0000",
    b"\\ud83d",
    b"\\uD83D\\uDE02",
    b":",
    b",",
    b"null",
    b"true",
    b"-0",
    b"-",
    b"0",
    b"01",
    b"1.0",
    b"1e3",
    b"9007199254740991",
    b"9007199254740992",
    b"-9007199254740993",
    b"18446744073709551616",
    b"\n",
    b"\n\n",
    b"\r\n",
    b"\t",
    b" ",
    b"\x00",
    b"\x7f",
    b"\xff",
    b"\xef\xbb\xbf",
    b"\xe2\x80\xa8",
    b"\xc0\xaf",
    b"\xed\xa0\x80",
    "\u{2014} ".as_bytes(),
    b"=",
    b"==",
    b"+",
    b"/",
    b"index ",
    b"extra ",
    b"origin",
    b"\"v\":1",
    b"\"seq\":",
    b"\"sig\":{",
    b"witness ",
    b"group ",
    b"quorum ",
    b"log ",
];

/// An input: one of the good ones, changed a few times.
fn input(seeded: &mut Seeded, good: &[Vec<u8>]) -> Vec<u8> {
    let mut bytes = good[seeded.below(good.len())].clone();
    for _ in 0..=seeded.below(5) {
        let at = seeded.below(bytes.len() + 1);
        let most = 1 << seeded.below(8);
        let len = seeded.below(most).min(bytes.len() - at);
        let range = at..at + len;
        match seeded.below(9) {
            0 => bytes.get_mut(at).into_iter().for_each(|byte| *byte ^= 1 << seeded.below(8)),
            1 => bytes.get_mut(at).into_iter().for_each(|byte| *byte = seeded.next() as u8),
            2 => _ = bytes.splice(at..at, seeded.one_of(TOKENS).to_vec()),
            3 => _ = bytes.splice(range, seeded.one_of(TOKENS).to_vec()),
            4 => _ = bytes.drain(range),
            5 => bytes.truncate(at),
            6 => {
                let piece = bytes[range].repeat(1 + seeded.below(3));
                bytes.splice(at..at, piece);
            }
            7 => {
                let piece = bytes.drain(range).collect::<Vec<_>>();
                let to = seeded.below(bytes.len() + 1);
                bytes.splice(to..to, piece);
            }
            _ => {
                let other = &good[seeded.below(good.len())];
                let from = seeded.below(other.len() + 1);
                let to = from + seeded.below(other.len() - from + 1);
                bytes.splice(range, other[from..to].to_vec());
            }
        }
    }
    bytes
}

/// Tries a law on so many inputs; returns how many of them the reader took.
fn fuzz(reader: &str, good: &[Vec<u8>], law: impl Fn(&[u8]) -> bool) {
    let (inputs, seed) = (env("PULVERLOG_FUZZ", INPUTS), env("PULVERLOG_FUZZ_SEED", 1));
    for bytes in good {
        assert!(law(bytes), "a good input is taken: {}", String::from_utf8_lossy(bytes));
    }
    let mut seeded = Seeded(seed);
    let mut taken = 0;
    for number in 0..inputs {
        let bytes = input(&mut seeded, good);
        match catch_unwind(AssertUnwindSafe(|| law(&bytes))) {
            Ok(took) => taken += u64::from(took),
            Err(panic) => {
                eprintln!(
                    "{reader}: input `{number}` of seed `{seed}`, {} bytes: {}",
                    bytes.len(),
                    bytes.escape_ascii()
                );
                std::panic::resume_unwind(panic);
            }
        }
    }
    println!("{reader}: {inputs} inputs of seed {seed}, {taken} taken, the others refused");
}

/// Texts of the published vectors, if they are here (see DEVELOPERS.md, "Tests").
fn published(folder: &str, fits: impl Fn(&[u8]) -> bool) -> Vec<Vec<u8>> {
    let shared = std::env::var("PULVERLOG_SHARED")
        .unwrap_or_else(|_| concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared").to_owned());
    fn files(dir: &Path, out: &mut Vec<Vec<u8>>) {
        for entry in std::fs::read_dir(dir).into_iter().flatten().flatten() {
            let path = entry.path();
            match path.is_dir() {
                true => files(&path, out),
                false => out.extend(std::fs::read(&path).ok().filter(|bytes| bytes.len() < 4_096)),
            }
        }
    }
    let mut all = Vec::new();
    files(&Path::new(&shared).join("vectors").join(folder), &mut all);
    all.retain(|bytes| fits(bytes));
    all.sort();
    println!("{folder}: {} published vectors among the good inputs", all.len());
    all
}

fn log() -> SmallLog {
    SmallLog::new(9, &[3, 9])
}

fn events_and_entries() -> Vec<Vec<u8>> {
    let mut good = log().entries;
    good.extend([
        br#"{"a":[{},[],[[]],{"b":{"c":{"d":null}}}],"t":true,"z":-9007199254740991}"#.to_vec(),
        "{\"s\":\"\\\"\\\\\\b\\f\\n\\r\\t\\u0001é€😂\u{2028}\"}".as_bytes().to_vec(),
        b"[0,1,-1,12345678,null,false]".to_vec(),
    ]);
    good
}

/// What is taken is one value: it is written in one way, that way is canonical, and another library
/// reads the same.
#[test]
fn canonical_json() {
    let mut good = events_and_entries();
    good.extend(published("json-test-suite", |bytes| canon::parse(bytes).is_ok()));
    fuzz("canonical JSON", &good, |bytes| {
        let parsed = canon::parse(bytes);
        let canonical = parsed.as_ref().is_ok_and(|value| canon::to_bytes(value) == bytes);
        let checked = canon::check(bytes);
        assert_eq!(checked.is_ok(), canonical, "only the canonical text is canonical");
        let is_object = matches!(checked, Ok(Value::Object(_)));
        assert_eq!(canon::members(bytes, Limits::ENTRY).is_ok(), is_object);
        let Ok(value) = parsed else { return false };
        let written = canon::to_bytes(&value);
        // Another spelling can be shorter than the canonical one, never the other way round by much.
        let limits = Limits { max_bytes: usize::MAX, ..Limits::ENTRY };
        assert_eq!(canon::check_with(&written, limits).as_ref(), Ok(&value));
        let theirs: serde_json::Value = serde_json::from_slice(bytes).expect("JSON it is");
        let ours: serde_json::Value = serde_json::from_slice(&written).expect("JSON");
        assert_eq!(theirs, ours, "another library reads the same value");
        true
    });
}

/// All ways to read an entry agree, and an entry that is taken is canonical.
#[test]
fn entries() {
    fuzz("entry", &log().entries, |bytes| {
        let (view, entry) = (EntryView::parse(bytes), Entry::parse(bytes));
        match (&view, &entry) {
            (Ok(view), Ok(entry)) => {
                assert!(canon::check(bytes).is_ok(), "an entry is canonical");
                assert_eq!((view.seq, view.prev, view.salt), (entry.seq, entry.prev, entry.salt));
                assert_eq!(view.event, canon::to_bytes(&entry.event));
                assert!(entry.actor.validate().is_ok());
                let EntryView { seq, prev, recorded_at_ms, .. } = *view;
                assert_eq!(Ending::read(bytes), Some(Ending { seq, prev, recorded_at_ms }));
            }
            (Err(one), Err(other)) => assert_eq!(one, other),
            _ => panic!("one reader takes what the other refuses: {view:?}, {entry:?}"),
        }
        view.is_ok()
    });
}

/// A note is what it is written as; a checkpoint is opened only with the text that was signed.
#[test]
fn notes_and_checkpoints() {
    let log = log();
    let good: Vec<Vec<u8>> =
        log.checkpoints.iter().map(|(_, note)| note.clone().into_bytes()).collect();
    let signed: Vec<Checkpoint> = good
        .iter()
        .map(|note| Checkpoint::parse_text(&Note::parse(note).unwrap().text).unwrap())
        .collect();
    let known = [log.log.verifier().clone(), log.witness.verifier().clone()];
    fuzz("note", &good, |bytes| {
        let Ok(note) = Note::parse(bytes) else {
            assert!(Checkpoint::open(bytes, &known).is_err());
            return false;
        };
        assert_eq!(note.to_string().as_bytes(), bytes, "a note has one spelling");
        if let Ok(checkpoint) = Checkpoint::parse_text(&note.text) {
            assert_eq!(checkpoint.to_text(), note.text);
        }
        if let Ok(opened) = Checkpoint::open(bytes, &known) {
            assert!(signed.contains(&opened.checkpoint), "never signed: {opened:?}");
        }
        true
    });
}

/// A proof file is what it is written as, and proves an entry only at its place in a signed tree.
#[test]
fn proofs() {
    let log = log();
    let (_, note) = &log.checkpoints[1];
    let proof = |seq: usize| TlogProof {
        extra: (seq == 4).then(|| b"more".to_vec()),
        index: seq as u64,
        path: prove_inclusion(&log.leaves[..], seq as u64, 9).unwrap(),
        checkpoint: note.clone(),
    };
    let good: Vec<Vec<u8>> = (0..9).map(|seq| proof(seq).to_string().into_bytes()).collect();
    let keys = [log.log.verifier().clone()];
    fuzz("proof", &good, |bytes| {
        let Ok(parsed) = TlogProof::parse(bytes) else { return false };
        assert_eq!(TlogProof::parse(parsed.to_string().as_bytes()).as_ref(), Ok(&parsed));
        for (seq, leaf) in log.leaves.iter().enumerate() {
            if parsed.verify(leaf, &keys, None).is_ok() {
                let TlogProof { index, path, .. } = proof(seq);
                assert_eq!((parsed.index, &parsed.path), (index, &path), "one proof for one place");
            }
        }
        let stranger = leaf_hash(b"{\"never\":\"recorded\"}");
        assert!(parsed.verify(&stranger, &keys, None).is_err());
        true
    });
}

/// What an auditor believes is read the same again.
#[test]
fn policies_and_keys() {
    let log = log();
    let policies = [log.policy().to_string().into_bytes()];
    fuzz("policy", &policies, |bytes| {
        let Ok(policy) = Policy::parse(bytes) else { return false };
        assert_eq!(Policy::parse(policy.to_string().as_bytes()).as_ref(), Ok(&policy));
        true
    });
    fuzz("keys", &[log.keys().to_string().into_bytes()], |bytes| {
        let Ok(keys) = Keys::parse(bytes) else { return false };
        assert_eq!(Keys::parse(keys.to_string().as_bytes()).as_ref(), Ok(&keys));
        true
    });
}
