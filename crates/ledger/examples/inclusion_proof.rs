//! What an inclusion proof costs the server, and how long it is: a log of so many entries is written
//! with the files engine, its tiles are kept and its head is signed as in service, and then proofs
//! of entries taken at random are made.
//!
//! `cargo run --release -p ledger --example inclusion_proof [ENTRIES] [PROOFS] [DIR]`
//!
//! Ten million entries take about 3.5 GB below `DIR` (default: the directory for temporary files) and
//! some minutes; the folder is deleted at the end.

use std::error::Error;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use chain::checkpoint::cosign;
use chain::entry::{Actor, Draft, Link, Via};
use chain::merkle::{self, HashSource as _};
use chain::note::Ed25519Signer;
use chain::proof::TlogProof;
use chain::tile::TileCache;
use ledger::disk::{FileSystemPolicy, OsDisk};
use ledger::engine::files::{FilesOptions, LockedFiles};
use ledger::engine::recovery::Tip;
use ledger::engine::{Engine, Line};
use ledger::notary::{Anchors, Notary, Signed};
use ledger::tree;

const ORIGIN: &str = "records.brackwater.example/north/2026";
/// Entries in one commit.
const BATCH: u64 = 1_024;
/// Server time of the first entry, ms since 1970.
const START_MS: i64 = 1_767_225_600_000;

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let mut number = |or: u64| arguments.next().map_or(Ok(or), |text| text.parse::<u64>());
    let (entries, proofs) = (number(10_000_000)?, number(100_000)?);
    let within = arguments.next().map_or_else(std::env::temp_dir, PathBuf::from);
    let dir = tempfile::Builder::new().prefix("pulverlog-proofs-").tempdir_in(within)?;
    let mut options = FilesOptions::under(dir.path());
    options.file_systems = FileSystemPolicy::TestsOnly;
    let (mut engine, recovered) = LockedFiles::create(&OsDisk, options)?.open(None)?;

    let start = Instant::now();
    let tip = write(&mut engine, recovered.tip, entries)?;
    println!("{entries} entries written in {:.0?}", start.elapsed());
    let (store, committed) = (engine.store(), Arc::new(Mutex::new(tip)));
    let signer = Arc::new(Ed25519Signer::new(ORIGIN, &[1; 32])?);
    let start = Instant::now();
    let mut notary = Notary::open(Arc::clone(&store), signer, committed, &Anchors::default())?
        .map_err(|stop| format!("{stop:?}"))?;
    let Signed { size, root, note } = notary.publish()?.clone();
    println!("read back, tiles kept and head signed in {:.0?}", start.elapsed());
    let witness = Ed25519Signer::witness("witness.example.net/w1", &[2; 32])?;
    let text = note.split("\n\n").next().map(|text| format!("{text}\n")).unwrap_or_default();
    let note = format!("{note}{}", cosign(&text, 1_800_000_000, &witness));

    let seen = Arc::<TileCache>::default();
    // The lowest bits of a xorshift generator (Marsaglia 2003) are good enough to pick entries.
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let (mut took, mut touched) = (Vec::new(), std::collections::HashSet::new());
    let (mut again, mut new) = (Vec::new(), Vec::new());
    let mut longest = (0, 0);
    for _ in 0..proofs {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let index = state % size;
        let start = Instant::now();
        let source = tree::hashes(&*store, size, Arc::clone(&seen));
        let path = merkle::prove_inclusion(&source, index, size)?;
        let leaf = source.hash(0, index)?;
        merkle::verify_inclusion(&leaf, index, size, &path, &root)?;
        let hashes = path.len() * 45;
        let file = TlogProof { extra: None, index, path, checkpoint: note.clone() }.to_string();
        let time = start.elapsed();
        took.push(time);
        let of_it = if touched.insert(index / 256) { &mut new } else { &mut again };
        of_it.push(time);
        longest = longest.max((file.len(), hashes));
    }
    let first = took[0];
    took.sort_unstable();
    let at = |permille: usize| took[(took.len() - 1) * permille / 1000];
    let mean = took.iter().sum::<Duration>() / u32::try_from(took.len())?;
    println!("{proofs} proofs of entries at random, each made, checked and written:");
    println!(
        "median {:.1?}, mean {mean:.1?}, 99 % {:.1?}, first {first:.1?}, most {:.1?}",
        at(500),
        at(990),
        at(1000)
    );
    for (which, times) in [("first from its tile", &mut new), ("later", &mut again)] {
        times.sort_unstable();
        if let Some(median) = times.get(times.len() / 2) {
            println!("{} of them the {which}: median {median:.1?}", times.len());
        }
    }
    println!(
        "longest: {} bytes, {} of them the path, {} the checkpoint with one cosignature",
        longest.0,
        longest.1,
        note.len()
    );
    Ok(())
}

/// Fills the log with meter readings.
fn write(engine: &mut dyn Engine, mut tip: Tip, entries: u64) -> Result<Tip, Box<dyn Error>> {
    let actor = Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: None };
    while tip.count < entries {
        let (first, mut sealed) = (tip.count, Vec::new());
        while tip.count < entries && sealed.len() < BATCH as usize {
            let seq = tip.count;
            let event = format!(
                "{{\"data\":{{\"meter\":\"run\",\"reading\":{{\"unit\":\"h\",\"value\":\"{seq}.5\"}}}},\
                 \"id\":\"{seq}\",\"site\":\"north\",\"source\":\"/mes/line-1\",\
                 \"specversion\":\"1.0\",\"subject\":\"equipment/S-02\",\
                 \"time\":\"2026-03-05T14:07:00+01:00\",\"type\":\"pulverlog.meter.read\"}}"
            );
            let mut salt = [0; 16];
            salt[..8].copy_from_slice(&seq.to_le_bytes());
            let recorded_at_ms = START_MS + i64::try_from(seq)?;
            let link = Link { seq, prev: tip.leaf, recorded_at_ms, salt };
            let entry = Draft::new(&actor, event.as_bytes())?.seal(link, None)?;
            tip = Tip { count: seq + 1, leaf: entry.leaf, recorded_at_ms };
            sealed.push(entry);
        }
        let lines: Vec<Line<'_>> =
            sealed.iter().map(|e| Line { bytes: &e.bytes, leaf: e.leaf }).collect();
        engine.append(first, &lines)?;
    }
    Ok(tip)
}
