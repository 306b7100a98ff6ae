//! Rival: SQLite, bundled, write-ahead log, `synchronous=FULL`, a chain column, a unique key.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Result, ensure};
use chain::Digest;
use rusqlite::{Connection, params};
use tokio::sync::Mutex;

use crate::event::{Events, Record};
use crate::measure::{Batches, CLIENTS, Sample, guard, side_by_side};

/// The database.
#[derive(Debug)]
pub(crate) struct Sqlite {
    db: Connection,
    next: i64,
    prev: Digest,
}

/// Hash of a record, chained.
pub(crate) fn chained(prev: &Digest, payload: &[u8]) -> Digest {
    Digest::of(&[prev.as_bytes(), payload].concat())
}

impl Sqlite {
    /// Version of the library.
    pub(crate) fn version() -> &'static str {
        rusqlite::version()
    }

    pub(crate) fn create(dir: &Path) -> Result<Self> {
        let db = Connection::open(dir.join("rival.sqlite"))?;
        // No forced checkpoint inside a round: that is its best case.
        db.execute_batch(
            "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA wal_autocheckpoint=0;
             CREATE TABLE events(seq INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE,
                                 payload BLOB NOT NULL, hash BLOB NOT NULL);",
        )?;
        Ok(Self { db, next: 0, prev: Digest::of(b"") })
    }
}

impl Batches for Sqlite {
    fn commit(&mut self, records: &[Record]) -> Result<()> {
        let transaction = self.db.transaction()?;
        let (mut seq, mut prev) = (self.next, self.prev);
        {
            let mut insert = transaction.prepare_cached("INSERT INTO events VALUES(?,?,?,?)")?;
            for record in records {
                prev = chained(&prev, &record.payload);
                insert.execute(params![seq, record.key, record.payload, prev.as_bytes()])?;
                seq += 1;
            }
        }
        transaction.commit()?;
        (self.next, self.prev) = (seq, prev);
        Ok(())
    }

    fn verify(&mut self) -> Result<u64> {
        let mut select = self.db.prepare("SELECT payload, hash FROM events ORDER BY seq")?;
        let mut rows = select.query([])?;
        let (mut count, mut prev) = (0, Digest::of(b""));
        while let Some(row) = rows.next()? {
            prev = chained(&prev, row.get_ref(0)?.as_blob()?);
            ensure!(row.get_ref(1)?.as_blob()? == prev.as_bytes(), "row {count} is not chained");
            count += 1;
        }
        Ok(count)
    }
}

/// 64 clients without batching in the application: each waits for the one connection and commits by
/// itself, as writers of one SQLite file do.
pub(crate) async fn one_by_one(store: Sqlite, time: Duration) -> Result<Sample> {
    let store = Arc::new(Mutex::new(store));
    let sample = side_by_side(CLIENTS, time, |number| {
        let mut events = Events::new(format!("lite-{number}"));
        let store = Arc::clone(&store);
        move || {
            let (record, store) = (events.record(), Arc::clone(&store));
            async move {
                // Held while it commits: the work blocks its thread, as the library does.
                store.lock().await.commit(&[record])?;
                Ok(1)
            }
        }
    })
    .await?;
    guard(store.lock().await.verify()?, &sample)?;
    Ok(sample)
}
