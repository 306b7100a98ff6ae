//! Rival: PostgreSQL, `synchronous_commit=on`, `wal_sync_method=fdatasync`, over a Unix socket:
//! unchained, chained through a locked head row, and with chain and batch made by the application.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use chain::Digest;
use cluster::rows::{self, Rows, Writer};
use cluster::{MEASURED, Setup};
use tokio::runtime::Handle;
use tokio_postgres::Client;

use crate::event::{Events, Record};
use crate::measure::{Batches, Sample, guard, side_by_side};
use crate::sqlite::chained;

const DATABASE: &str = "rows";

/// A server of our own with the rivals' tables.
#[derive(Debug)]
pub(crate) struct Server(cluster::Server);

impl Server {
    /// Sets up and starts a server in `dir`; with `strace`, its calls are counted into that file.
    pub(crate) fn start(dir: &Path, strace: Option<&Path>) -> Result<Self> {
        let run_by = strace.map(crate::proof::counting).unwrap_or_default();
        let setup =
            Setup { settings: MEASURED, within: Some(dir), run_by: &run_by, ..Setup::default() };
        let server = cluster::Server::set_up("rival", &setup)?;
        rows::make(&server, DATABASE)?;
        Ok(Self(server))
    }

    /// Its version.
    pub(crate) fn version(&self) -> Result<String> {
        self.0.sql(DATABASE, "SHOW server_version")
    }

    async fn empty(&self) -> Result<Client> {
        let client = rows::connect(&self.0, DATABASE).await?;
        rows::empty(&client).await?;
        Ok(client)
    }

    /// So many chained rows, and nothing else.
    pub(crate) async fn some(&self, count: u64) -> Result<()> {
        let writer = Writer::connect(&self.0, DATABASE, Rows::Chained).await?;
        let mut events = Events::new("proof");
        for _ in 0..count {
            let record = events.record();
            writer.append(&record.key, &record.payload).await?;
        }
        Ok(())
    }

    /// Each event by itself, `clients` at once.
    pub(crate) async fn single(
        &self,
        which: Rows,
        clients: usize,
        time: Duration,
    ) -> Result<Sample> {
        let control = self.empty().await?;
        let mut writers = Vec::new();
        for _ in 0..clients {
            writers.push(Arc::new(Writer::connect(&self.0, DATABASE, which).await?));
        }
        let sample = side_by_side(clients, time, |number| {
            let mut events = Events::new(format!("p{number}"));
            let writer = Arc::clone(&writers[number]);
            move || {
                let (record, writer) = (events.record(), Arc::clone(&writer));
                async move { writer.append(&record.key, &record.payload).await.map(|()| 1) }
            }
        })
        .await?;
        drop(writers);
        guard(rows::count(&control, which).await?, &sample)?;
        Ok(sample)
    }

    /// Chain and batches made by the application.
    pub(crate) async fn batches(&self) -> Result<PgBatches> {
        let client = self.empty().await?;
        let insert = client
            .prepare(
                "INSERT INTO chained SELECT * FROM
                 unnest($1::bigint[], $2::text[], $3::bytea[], $4::bytea[])",
            )
            .await?;
        let runtime = Handle::current();
        Ok(PgBatches { client, insert, runtime, next: 0, prev: Digest::of(b"") })
    }

    /// Ends it in good order.
    pub(crate) fn stop(self) -> Result<()> {
        self.0.stop()
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
        self.runtime.block_on(rows::count(&self.client, Rows::Chained))
    }
}
