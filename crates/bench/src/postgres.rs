//! Rival: PostgreSQL, `synchronous_commit=on`, `wal_sync_method=fdatasync`, over a Unix socket:
//! unchained, chained through a locked head row, and with chain and batch made by the application.

use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use anyhow::{Context as _, Result, bail, ensure};
use chain::Digest;
use tokio::runtime::Handle;
use tokio_postgres::{Client, NoTls};

use crate::event::{Events, Record};
use crate::measure::{Batches, Sample, guard, side_by_side};
use crate::sqlite::chained;

/// What is set in `postgresql.conf`. Durability is as by default, and said aloud.
const SETTINGS: &str = "
listen_addresses = ''
fsync = on
full_page_writes = on
synchronous_commit = on
wal_sync_method = fdatasync
max_connections = 100
shared_buffers = 256MB
max_wal_size = 8GB
checkpoint_timeout = 1h
autovacuum = off
";

const TABLES: &str = "
CREATE TABLE plain(seq bigserial PRIMARY KEY, key text NOT NULL UNIQUE, payload bytea NOT NULL);
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

const EMPTY: &str = "TRUNCATE plain, events; UPDATE head SET seq = 0, hash = sha256(''::bytea);
                     CHECKPOINT";

/// A server of our own.
#[derive(Debug)]
pub(crate) struct Server {
    socket: PathBuf,
    child: Child,
}

/// Where the programs of PostgreSQL lie.
fn programs() -> Result<PathBuf> {
    let mut found: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .context("PostgreSQL is not installed (Debian: postgresql-15)")?
        .filter_map(|version| Some(version.ok()?.path().join("bin")))
        .filter(|bin| bin.join("initdb").is_file())
        .collect();
    found.sort();
    found.pop().context("PostgreSQL has no `initdb`")
}

fn is_root() -> bool {
    std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0)
}

/// Root may not run it: then it runs as the user `postgres`.
fn as_its_user(program: &Path) -> Command {
    if is_root() {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=postgres", "--regid=postgres", "--clear-groups"]).arg(program);
        command
    } else {
        Command::new(program)
    }
}

impl Server {
    /// Sets up and starts a server in `dir`; with `strace`, its calls are counted into that file.
    pub(crate) fn start(dir: &Path, strace: Option<&Path>) -> Result<Self> {
        let bin = programs()?;
        let data = dir.join("postgres");
        std::fs::create_dir_all(&data)?;
        std::fs::set_permissions(dir, std::fs::Permissions::from_mode(0o755))?;
        if is_root() {
            let chown = Command::new("chown").args(["postgres:postgres"]).arg(&data).status()?;
            ensure!(chown.success(), "there is no user `postgres`");
        }
        let made = as_its_user(&bin.join("initdb"))
            .args(["-A", "trust", "-U", "bench", "-E", "UTF8", "--locale=C", "-D"])
            .arg(&data)
            .output()?;
        ensure!(made.status.success(), "initdb: {}", String::from_utf8_lossy(&made.stderr));
        let config = data.join("postgresql.conf");
        let text = std::fs::read_to_string(&config)?;
        let socket = format!("unix_socket_directories = '{}'\n", data.display());
        std::fs::write(&config, format!("{text}{SETTINGS}{socket}"))?;
        let mut command = as_its_user(&bin.join("postgres"));
        if let Some(out) = strace {
            command = crate::proof::counted(&command, out);
        }
        let child = command
            .arg("-D")
            .arg(&data)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .context("postgres does not start")?;
        Ok(Self { socket: data, child })
    }

    async fn connect_once(&self) -> Result<Client> {
        let config = format!("host={} user=bench dbname=postgres", self.socket.display());
        let (client, connection) = tokio_postgres::connect(&config, NoTls).await?;
        tokio::spawn(connection);
        Ok(client)
    }

    /// A connection; waits until the server takes any.
    pub(crate) async fn connect(&self) -> Result<Client> {
        for _ in 0..200 {
            match self.connect_once().await {
                Ok(client) => return Ok(client),
                Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
            }
        }
        bail!("PostgreSQL takes no connections")
    }

    /// Makes the tables.
    pub(crate) async fn prepare(&self) -> Result<String> {
        let client = self.connect().await?;
        client.batch_execute(TABLES).await?;
        Ok(client.query_one("SHOW server_version", &[]).await?.get(0))
    }

    async fn empty(&self) -> Result<Client> {
        let client = self.connect().await?;
        client.batch_execute(EMPTY).await?;
        Ok(client)
    }

    /// Each event by itself, `clients` at once.
    pub(crate) async fn single(
        &self,
        is_chained: bool,
        clients: usize,
        time: Duration,
    ) -> Result<Sample> {
        let control = self.empty().await?;
        let statement = if is_chained {
            "SELECT append($1, $2)"
        } else {
            "INSERT INTO plain(key, payload) VALUES($1, $2)"
        };
        let mut connections = Vec::new();
        for _ in 0..clients {
            let client = self.connect().await?;
            let statement = client.prepare(statement).await?;
            connections.push(std::sync::Arc::new((client, statement)));
        }
        let sample = side_by_side(clients, time, |number| {
            let mut events = Events::new(format!("p{number}"));
            let connection = std::sync::Arc::clone(&connections[number]);
            move || {
                let record = events.record();
                let connection = std::sync::Arc::clone(&connection);
                async move {
                    let (client, statement) = &*connection;
                    client.execute(statement, &[&record.key, &record.payload]).await?;
                    Ok(1)
                }
            }
        })
        .await?;
        drop(connections);
        let stored = if is_chained {
            verify(&control).await?
        } else {
            let row = control.query_one("SELECT count(*) FROM plain", &[]).await?;
            u64::try_from(row.get::<_, i64>(0))?
        };
        guard(stored, &sample)?;
        Ok(sample)
    }

    /// Chain and batches made by the application.
    pub(crate) async fn batches(&self) -> Result<PgBatches> {
        let client = self.empty().await?;
        let insert = client
            .prepare(
                "INSERT INTO events SELECT * FROM
                 unnest($1::bigint[], $2::text[], $3::bytea[], $4::bytea[])",
            )
            .await?;
        let runtime = Handle::current();
        Ok(PgBatches { client, insert, runtime, next: 0, prev: Digest::of(b"") })
    }

    /// Ends it in good order.
    pub(crate) fn stop(mut self) -> Result<()> {
        let pid = std::fs::read_to_string(self.socket.join("postmaster.pid"))?;
        let pid = pid.lines().next().context("no process number")?;
        // SIGINT: fast shutdown.
        Command::new("kill").args(["-INT", pid]).status()?;
        self.child.wait()?;
        Ok(())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Application batching.
pub(crate) struct PgBatches {
    client: Client,
    insert: tokio_postgres::Statement,
    runtime: Handle,
    next: i64,
    prev: Digest,
}

impl Batches for PgBatches {
    fn commit(&mut self, records: &[Record]) -> Result<()> {
        let mut prev = self.prev;
        let mut hashes = Vec::with_capacity(records.len());
        for record in records {
            prev = chained(&prev, &record.payload);
            hashes.push(prev.as_bytes().to_vec());
        }
        let end = self.next + i64::try_from(records.len())?;
        let seqs: Vec<i64> = (self.next..end).collect();
        let keys: Vec<&str> = records.iter().map(|record| record.key.as_str()).collect();
        let payloads: Vec<&[u8]> = records.iter().map(|record| &record.payload[..]).collect();
        self.runtime
            .block_on(self.client.execute(&self.insert, &[&seqs, &keys, &payloads, &hashes]))?;
        (self.next, self.prev) = (end, prev);
        Ok(())
    }

    fn verify(&mut self) -> Result<u64> {
        self.runtime.block_on(verify(&self.client))
    }
}

/// Reads all rows in order and checks the chain.
pub(crate) async fn verify(client: &Client) -> Result<u64> {
    const PAGE: i64 = 10_000;
    let page = "SELECT payload, hash FROM events WHERE seq >= $1 AND seq < $2 ORDER BY seq";
    let (mut count, mut prev) = (0_i64, Digest::of(b""));
    loop {
        let rows = client.query(page, &[&count, &(count + PAGE)]).await?;
        if rows.is_empty() {
            return Ok(u64::try_from(count)?);
        }
        for row in rows {
            prev = chained(&prev, row.get::<_, &[u8]>(0));
            ensure!(row.get::<_, &[u8]>(1) == prev.as_bytes(), "row {count} is not chained");
            count += 1;
        }
    }
}
