//! How many events a second 64 clients get recorded in PostgreSQL, each waiting for its durable answer:
//! our log, whose writer commits together what waits, beside a table whose rows are chained one by one
//! through a locked head row (`cluster::rows`).
//!
//! ```text
//! cargo run --release -p ledger --example postgres_rate -- [ROUNDS] [SECONDS] [DIR]
//! ```
//!
//! One server with the durability of the defaults, spoken to over its socket; both store as many bytes an
//! event, refuse a key they have, and begin each round empty. Rounds are interleaved, each begins with the
//! other one of the two, and the ratio is that of a round. After each the chain of both is checked, and
//! that as many are stored as were acknowledged. Absolute figures depend on the machine, and a machine
//! that does other work, which the load before each round tells, gives ratios of its own.

use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use chain::Digest;
use chain::entry::{Actor, Via};
use chain::note::Ed25519Signer;
use cluster::rows::{self, Rows, Writer};
use cluster::{MEASURED, Server, Setup};
use ledger::disk::OsDisk;
use ledger::engine::postgres::PgOptions;
use ledger::seams::{Clock, OsRandom};
use ledger::{
    Handling, IndexPlace, Ledger, LogPlace, Outcome, Pace, Seams, Submission, create, open,
};

/// As the recorder has it.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const CLIENTS: usize = 64;
/// Bytes of a stored entry, and of a payload of the rival.
const ENTRY_BYTES: usize = 512;
/// Time before measuring begins.
const WARM_UP: Duration = Duration::from_secs(1);

type Failure = Box<dyn Error + Send + Sync>;

/// The clock of the machine.
#[derive(Debug)]
struct SystemClock;

impl Clock for SystemClock {
    #[expect(clippy::disallowed_methods, reason = "a measurement runs in real time")]
    fn now_ms(&self) -> i64 {
        jiff::Timestamp::now().as_millisecond()
    }
}

fn seams() -> Result<Seams, Failure> {
    Ok(Seams {
        disk: Arc::new(OsDisk),
        clock: Arc::new(SystemClock),
        random: Box::new(OsRandom),
        signer: Arc::new(Ed25519Signer::new("records.example.org/rate", &[7; 32])?),
    })
}

/// The key of a client's event; as long as makes its entry `ENTRY_BYTES` long.
fn key(client: usize, number: u64) -> String {
    format!("c{client:_<26}{number:010}")
}

/// A remark about a machine, made now: what is reported late raises findings.
fn event(key: &str) -> Vec<u8> {
    let commitment = Digest::of(key.as_bytes()).to_base64();
    let time = chain::time::format_ms(SystemClock.now_ms()).expect("a time of this age");
    let second = &time[..19];
    format!(
        r#"{{"data":{{"text":{{"c":"{commitment}"}}}},"id":"{key}","operator":"op_k7","site":"north","source":"/mes","specversion":"1.0","subject":"equipment/S-02","time":"{second}Z","type":"pulverlog.note.added"}}"#
    )
    .into_bytes()
}

fn submission(event: &[u8]) -> Result<Submission, Failure> {
    let on_behalf_of = Some("op_k7".to_owned());
    let actor = Actor { id: "svc_mes".to_owned(), via: Via::Service, on_behalf_of };
    Ok(Submission::prepare(actor, event, Handling::Lenient, None)?)
}

/// What came of one of the two in one round.
struct Cell {
    /// Events a second.
    rate: f64,
    /// Events acknowledged in all, with those of the warm-up.
    acknowledged: u64,
}

/// Flushes of the server's journal since it was started, as far as its processes have told.
fn flushes(server: &Server) -> Result<u64, Failure> {
    Ok(server.sql("postgres", "SELECT wal_sync FROM pg_stat_wal")?.parse()?)
}

/// The machine's load average of the last minute.
fn load() -> String {
    let text = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
    text.split(' ').next().unwrap_or("-").to_owned()
}

/// Lets all clients work, each sending its next event when it has the answer to the last one.
async fn measured<W, F>(time: Duration, client: impl Fn(usize) -> W) -> Result<Cell, Failure>
where
    W: Fn(u64) -> F + Send + 'static,
    F: Future<Output = Result<(), Failure>> + Send + 'static,
{
    let counted = Arc::new(AtomicU64::new(0));
    let begun = Instant::now();
    let clients: Vec<_> = (0..CLIENTS)
        .map(|number| {
            let (work, counted) = (client(number), Arc::clone(&counted));
            tokio::spawn(async move {
                let mut done = 0;
                while begun.elapsed() < WARM_UP + time {
                    work(done).await?;
                    done += 1;
                    if begun.elapsed() >= WARM_UP {
                        counted.fetch_add(1, Ordering::Relaxed);
                    }
                }
                Ok::<u64, Failure>(done)
            })
        })
        .collect();
    let mut acknowledged = 0;
    for client in clients {
        acknowledged += client.await??;
    }
    let seconds = begun.elapsed().saturating_sub(WARM_UP).as_secs_f64();
    Ok(Cell { rate: counted.load(Ordering::Relaxed) as f64 / seconds, acknowledged })
}

/// What was acknowledged is what is stored.
fn guard(stored: u64, acknowledged: u64) -> Result<(), Failure> {
    if stored == acknowledged {
        return Ok(());
    }
    Err(format!("`{acknowledged}` events were acknowledged and `{stored}` are stored").into())
}

async fn rival(server: &Server, database: &str, time: Duration) -> Result<Cell, Failure> {
    rows::make(server, database)?;
    let mut writers = Vec::new();
    for _ in 0..CLIENTS {
        writers.push(Arc::new(Writer::connect(server, database, Rows::Chained).await?));
    }
    let cell = measured(time, |client| {
        let writer = Arc::clone(&writers[client]);
        move |number| {
            let writer = Arc::clone(&writer);
            async move {
                let key = key(client, number);
                let mut payload = event(&key);
                payload.resize(ENTRY_BYTES, b' ');
                Ok(writer.append(&key, &payload).await?)
            }
        }
    })
    .await?;
    drop(writers);
    let control = rows::connect(server, database).await?;
    guard(rows::count(&control, Rows::Chained).await?, cell.acknowledged)?;
    Ok(cell)
}

async fn ours(
    server: &Server,
    database: &str,
    head: &Path,
    time: Duration,
) -> Result<Cell, Failure> {
    server.create_database(database)?;
    let options = PgOptions::parse(&server.socket_address(database), None, head)?;
    let place = LogPlace::Postgres(options);
    create(seams()?, &place, None)?;
    let ledger =
        Arc::new(Ledger::start(open(seams()?, &place, &IndexPlace::Memory)?, Pace::default())?);
    let cell = measured(time, |client| {
        let ledger = Arc::clone(&ledger);
        move |number| {
            let ledger = Arc::clone(&ledger);
            async move {
                let event = submission(&event(&key(client, number)))?;
                for answer in ledger.submit(vec![event]).await? {
                    if !matches!(answer?, Outcome::Recorded { .. }) {
                        return Err("an event was not recorded".into());
                    }
                }
                Ok(())
            }
        }
    })
    .await?;
    // Reads everything back and signs it.
    let signed = ledger.publish().await?;
    guard(signed.size - 1, cell.acknowledged)?;
    let last = ledger.store().read(cell.acknowledged)?.unwrap_or_default();
    if last.len().abs_diff(ENTRY_BYTES) > 8 {
        return Err(format!("an entry has `{}` bytes", last.len()).into());
    }
    Arc::into_inner(ledger).ok_or("the log is still in use")?.close()?;
    Ok(cell)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

#[tokio::main]
async fn main() -> Result<(), Failure> {
    let mut words = std::env::args().skip(1);
    let rounds: usize = words.next().map_or(Ok(7), |word| word.parse())?;
    let time = Duration::from_secs(words.next().map_or(Ok(10), |word| word.parse())?);
    let within = words.next().map_or_else(std::env::temp_dir, PathBuf::from);
    let setup = Setup { settings: MEASURED, within: Some(&within), ..Setup::default() };
    let server = Server::set_up("rate", &setup)?;
    let version = server.sql("postgres", "SHOW server_version")?;
    let durable = server.sql("postgres", "SHOW synchronous_commit")?;
    let head = tempfile::tempdir()?;
    println!(
        "{CLIENTS} clients, {ENTRY_BYTES} bytes an event, {} s each; PostgreSQL {version}, \
         synchronous_commit {durable}, {}",
        time.as_secs(),
        if cfg!(debug_assertions) { "dev build: figures mean nothing" } else { "release build" },
    );
    println!(
        "{:>6} {:>6} {:>16} {:>8} {:>16} {:>8} {:>8}",
        "round", "load", "chained rows /s", "a flush", "pulverlog /s", "a flush", "ratio"
    );
    let (mut theirs, mut own, mut ratios) = (Vec::new(), Vec::new(), Vec::new());
    for round in 0..rounds {
        let load = load();
        let [mut rates, mut shared] = [[0.0; 2]; 2];
        for turn in 0..2 {
            let who = (round + turn) % 2;
            let database = format!("round_{round}_{who}");
            let before = flushes(&server)?;
            let cell = if who == 0 {
                rival(&server, &database, time).await?
            } else {
                ours(&server, &database, &head.path().join(&database), time).await?
            };
            // Ends its sessions, which tell then what they did, and leaves the next one an empty server.
            server.sql("postgres", &format!("DROP DATABASE {database} WITH (FORCE)"))?;
            server.sql("postgres", "CHECKPOINT")?;
            let flushed = flushes(&server)?.saturating_sub(before).max(1);
            rates[who] = cell.rate;
            shared[who] = cell.acknowledged as f64 / flushed as f64;
        }
        let ratio = rates[1] / rates[0];
        println!(
            "{:>6} {load:>6} {:>16.0} {:>8.1} {:>16.0} {:>8.1} {ratio:>8.1}",
            round + 1,
            rates[0],
            shared[0],
            rates[1],
            shared[1],
        );
        theirs.push(rates[0]);
        own.push(rates[1]);
        ratios.push(ratio);
    }
    let line = |what: &str, of: fn(Vec<f64>) -> f64| {
        let [theirs, own, ratio] = [&theirs, &own, &ratios].map(|values| of(values.clone()));
        println!("{what:>6} {:>6} {theirs:>16.0} {:>8} {own:>16.0} {:>8} {ratio:>8.1}", "", "", "");
    };
    line("median", median);
    line("min", |values| values.into_iter().fold(f64::INFINITY, f64::min));
    line("max", |values| values.into_iter().fold(0.0, f64::max));
    println!("load after the last round: {}", load());
    server.stop()?;
    Ok(())
}
