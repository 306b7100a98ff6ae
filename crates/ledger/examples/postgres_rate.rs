//! How many events a second 64 clients get recorded in PostgreSQL: our engine, whose writer commits
//! what waits as one batch, against a table whose rows are chained one by one through a locked head
//! row. Both in one server with the settings of the package, in turns, so that both meet the same
//! machine.
//!
//! ```text
//! cargo run --release -p ledger --example postgres_rate [ROUNDS] [SECONDS]
//! ```

use std::error::Error;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use chain::entry::{Actor, Via};
use chain::note::Ed25519Signer;
use cluster::{Server, USER};
use ledger::disk::OsDisk;
use ledger::engine::postgres::PgOptions;
use ledger::seams::{Clock, OsRandom};
use ledger::{Handling, IndexPlace, Ledger, LogPlace, Pace, Seams, Submission, create, open};
use tokio_postgres::NoTls;

const CLIENTS: usize = 64;

/// A row at a time, chained through the head row.
const RIVAL: &str = "
CREATE TABLE head(id int PRIMARY KEY, seq bigint NOT NULL, hash bytea NOT NULL);
INSERT INTO head VALUES(1, 0, sha256(''::bytea));
CREATE TABLE events(seq bigint PRIMARY KEY, key text NOT NULL UNIQUE, payload bytea NOT NULL,
                    hash bytea NOT NULL);
CREATE FUNCTION append(k text, p bytea) RETURNS bigint LANGUAGE plpgsql AS $$
DECLARE h head%ROWTYPE; n bytea;
BEGIN
  SELECT * INTO h FROM head WHERE id = 1 FOR UPDATE;
  n := sha256(h.hash || p);
  INSERT INTO events VALUES(h.seq, k, p, n);
  UPDATE head SET seq = h.seq + 1, hash = n WHERE id = 1;
  RETURN h.seq;
END $$;
";

#[derive(Debug)]
struct SystemClock;

impl Clock for SystemClock {
    #[allow(clippy::disallowed_methods, reason = "a program tells the real time")]
    fn now_ms(&self) -> i64 {
        let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
        since.map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(0))
    }
}

fn seams() -> Result<Seams, Box<dyn Error>> {
    Ok(Seams {
        disk: Arc::new(OsDisk),
        clock: Arc::new(SystemClock),
        random: Box::new(OsRandom),
        signer: Arc::new(Ed25519Signer::new("records.example.org/rate", &[7; 32])?),
    })
}

fn event(id: &str) -> String {
    format!(
        r#"{{"data":{{"meter":"run","reading":{{"unit":"h","value":"12.5"}}}},"id":"{id}","operator":"op_k7","site":"north","source":"/mes","specversion":"1.0","subject":"equipment/S-02","time":"2026-03-05T13:07:00Z","type":"pulverlog.meter.read"}}"#
    )
}

fn submission(id: &str) -> Submission {
    let actor =
        Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: Some("op_k7".into()) };
    Submission::prepare(actor, event(id).as_bytes(), Handling::Lenient, None).expect("an event")
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let mut words = std::env::args().skip(1);
    let rounds: usize = words.next().map_or(Ok(4), |word| word.parse())?;
    let time = Duration::from_secs(words.next().map_or(Ok(5), |word| word.parse())?);
    let settings = format!("max_connections = {}", 2 * CLIENTS);
    let server = Server::start("rate", &settings)?;
    for name in ["ours", "rival"] {
        server.create_database(name)?;
    }
    server.sql("rival", RIVAL)?;
    let head = tempfile::tempdir()?;
    let options = PgOptions::parse(&server.socket_address("ours"), None, head.path())?;
    let place = LogPlace::Postgres(options);
    create(seams()?, &place, None)?;
    let ledger =
        Arc::new(Ledger::start(open(seams()?, &place, &IndexPlace::Memory)?, Pace::default())?);
    let mut rivals = Vec::new();
    for _ in 0..CLIENTS {
        let address = server.socket_address("rival");
        let (client, connection) = tokio_postgres::connect(&address, NoTls).await?;
        tokio::spawn(connection);
        let append = client.prepare("SELECT append($1, $2)").await?;
        rivals.push(Arc::new((client, append)));
    }
    println!("{CLIENTS} clients, {} s each, user `{USER}`, over the socket", time.as_secs());
    let mut ratios = Vec::new();
    for round in 0..rounds {
        let rival = rate(time, |number| {
            let rival = Arc::clone(&rivals[number]);
            move |at: u64| {
                let rival = Arc::clone(&rival);
                async move {
                    let id = format!("r{round}c{number}n{at}");
                    let payload = event(&id).into_bytes();
                    rival.0.execute(&rival.1, &[&id, &payload]).await.is_ok()
                }
            }
        })
        .await;
        let ours = rate(time, |number| {
            let ledger = Arc::clone(&ledger);
            move |at: u64| {
                let ledger = Arc::clone(&ledger);
                async move {
                    let event = submission(&format!("r{round}c{number}n{at}"));
                    let answers = ledger.submit(vec![event]).await;
                    answers.is_ok_and(|answers| answers.iter().all(Result::is_ok))
                }
            }
        })
        .await;
        println!("rival {rival:8.0}/s   ours {ours:8.0}/s   {:.1} times", ours / rival);
        ratios.push(ours / rival);
    }
    ratios.sort_by(f64::total_cmp);
    println!("median: {:.1} times", ratios[ratios.len() / 2]);
    Ok(())
}

/// Events a second that all clients together get acknowledged.
async fn rate<W, F>(time: Duration, client: impl Fn(usize) -> W) -> f64
where
    W: Fn(u64) -> F + Send + 'static,
    F: Future<Output = bool> + Send + 'static,
{
    let done = Arc::new(AtomicU64::new(0));
    let begun = Instant::now();
    let clients: Vec<_> = (0..CLIENTS)
        .map(|number| {
            let (work, done) = (client(number), Arc::clone(&done));
            tokio::spawn(async move {
                let mut at = 0;
                while begun.elapsed() < time {
                    if work(at).await {
                        done.fetch_add(1, Ordering::Relaxed);
                    }
                    at += 1;
                }
            })
        })
        .collect();
    for client in clients {
        let _ = client.await;
    }
    // Rates are for people to read; nothing is decided by them.
    #[allow(clippy::cast_precision_loss, reason = "far below 2^52")]
    let events = done.load(Ordering::Relaxed) as f64;
    events / begun.elapsed().as_secs_f64()
}
