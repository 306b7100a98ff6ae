//! Where the time of an ingested event goes: prepared (read, checked, decoded), recorded (looked up,
//! sealed, hashed, appended with one sync a batch, folded), taken in by the index on disk.
//!
//! `cargo run --release -p ledger --example ingest [EVENTS] [BATCH] [DIR]`
//!
//! Figures are microseconds an event, one stage after the other in one thread, so that they add up
//! to what a machine has to do; in service the stages overlap.

use std::error::Error;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use chain::Digest;
use chain::entry::{Actor, Via};
use chain::note::Ed25519Signer;
use ledger::disk::{FileSystemPolicy, OsDisk};
use ledger::engine::files::FilesOptions;
use ledger::index::{DiskIndex, follow};
use ledger::seams::{Clock, OsRandom};
use ledger::{Handling, IndexPlace, Outcome, Seams, Submission, create, open};

/// As the recorder has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const ORIGIN: &str = "records.brackwater.example/north/2026";

/// The clock of the machine.
struct SystemClock;

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "a measurement runs in real time")]
    fn now_ms(&self) -> i64 {
        jiff::Timestamp::now().as_millisecond()
    }
}

fn seams() -> Result<Seams, Box<dyn Error>> {
    Ok(Seams {
        disk: Arc::new(OsDisk),
        clock: Arc::new(SystemClock),
        random: Box::new(OsRandom),
        signer: Arc::new(Ed25519Signer::new(ORIGIN, &[1; 32])?),
    })
}

/// A remark about one of 16 machines, of about 512 bytes as an entry.
fn event(number: u64) -> Vec<u8> {
    let commitment = Digest::of(&number.to_be_bytes()).to_base64();
    let machine = number % 16;
    format!(
        r#"{{"data":{{"text":{{"c":"{commitment}"}}}},"id":"ingest-{number:032}","operator":"op_k7","site":"north","source":"/mes","specversion":"1.0","subject":"equipment/S-{machine:02}","time":"2026-02-01T07:00:00Z","type":"pulverlog.note.added"}}"#
    )
    .into_bytes()
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let mut number = |or: u64| arguments.next().map_or(Ok(or), |text| text.parse::<u64>());
    let (events, batch) = (number(200_000)?, number(1_024)?);
    let within = arguments.next().map_or_else(std::env::temp_dir, PathBuf::from);
    let dir = tempfile::Builder::new().prefix("pulverlog-ingest-").tempdir_in(within)?;
    let mut files = FilesOptions::under(dir.path());
    files.file_systems = FileSystemPolicy::TestsOnly;
    create(seams()?, &files, None)?;
    let mut opened = open(seams()?, &files, &IndexPlace::Memory)?;
    let (index, _) = DiskIndex::open(&dir.path().join("index"), ORIGIN.into(), &*opened.store)?;

    let [mut made, mut prepared, mut recorded, mut indexed] = [Duration::ZERO; 4];
    let mut next = 0;
    while next < events {
        let until = (next + batch).min(events);
        let start = Instant::now();
        let bytes: Vec<Vec<u8>> = (next..until).map(event).collect();
        made += start.elapsed();

        let start = Instant::now();
        let mut submissions = Vec::with_capacity(bytes.len());
        for bytes in bytes {
            let on_behalf_of = Some("op_k7".to_owned());
            let actor = Actor { id: "svc_mes".to_owned(), via: Via::Service, on_behalf_of };
            submissions.push(Submission::prepare(actor, &bytes, Handling::Lenient, None)?);
        }
        prepared += start.elapsed();

        let start = Instant::now();
        for answer in opened.core.process(submissions) {
            if !matches!(answer?, Outcome::Recorded { .. }) {
                return Err("an event of the measurement was not recorded".into());
            }
        }
        recorded += start.elapsed();
        while follow(&*opened.index, &*opened.store)? > 0 {}

        let start = Instant::now();
        while follow(&index, &*opened.store)? > 0 {}
        indexed += start.elapsed();
        next = until;
    }
    println!("{events} events in batches of {batch}, microseconds an event:");
    let us = |time: Duration| time.as_secs_f64() * 1e6 / events as f64;
    println!("  made by the measurement {:.2}", us(made));
    println!("  prepared                {:.2}", us(prepared));
    println!("  recorded                {:.2}", us(recorded));
    println!("  taken in by the index   {:.2}", us(indexed));
    opened.core.close()?;
    Ok(())
}
