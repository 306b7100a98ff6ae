//! What our log is measured against: events as rows of one table, each with a key that is taken once.
//!
//! Plain rows, and rows that are chained: there one function locks the head row, hashes its hash and the
//! payload, inserts, and moves the head. That is how a tamper-evident table is commonly made, and each
//! row is a commit of its own that waits for the one before it.

use anyhow::{Context as _, Result, ensure};
use tokio_postgres::{Client, NoTls, Statement};

use crate::Server;

/// Which rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rows {
    /// A number, a key, a payload.
    Plain,
    /// Besides, the hash over the hash of the row before and the payload.
    Chained,
}

const TABLES: &str = "
CREATE TABLE plain(seq bigserial PRIMARY KEY, key text NOT NULL UNIQUE, payload bytea NOT NULL);
CREATE TABLE head(id int PRIMARY KEY, seq bigint NOT NULL, hash bytea NOT NULL);
INSERT INTO head VALUES(1, 0, sha256(''::bytea));
CREATE TABLE chained(seq bigint PRIMARY KEY, key text NOT NULL UNIQUE, payload bytea NOT NULL,
                     hash bytea NOT NULL);
CREATE FUNCTION append(k text, p bytea) RETURNS bigint LANGUAGE plpgsql AS $$
DECLARE h head%ROWTYPE; n bytea;
BEGIN
  SELECT * INTO h FROM head WHERE id = 1 FOR UPDATE;
  n := sha256(h.hash || p);
  INSERT INTO chained VALUES(h.seq, k, p, n);
  UPDATE head SET seq = h.seq + 1, hash = n WHERE id = 1;
  RETURN h.seq;
END $$;
";

/// No rows, and nothing left over that would be written to disk during a measurement.
const EMPTY: &str = "
TRUNCATE plain, chained;
UPDATE head SET seq = 0, hash = sha256(''::bytea);
CHECKPOINT";

/// Every row by its place, with the hash it must have.
const CHECK_CHAINED: &str = "
SELECT count(*), coalesce(bool_and(
    seq = place AND hash = sha256(coalesce(prev, sha256(''::bytea)) || payload)), true)
FROM (SELECT seq, payload, hash, lag(hash) OVER by_seq AS prev, row_number() OVER by_seq - 1 AS place
      FROM chained WINDOW by_seq AS (ORDER BY seq)) AS row";

/// Makes the tables.
///
/// # Errors
/// What the server says.
pub fn make(server: &Server, database: &str) -> Result<()> {
    server.create_database(database)?;
    server.sql(database, TABLES).map(drop)
}

/// A connection to a database, driven by the runtime this is called in.
///
/// # Errors
/// If there is none to be had.
pub async fn connect(server: &Server, database: &str) -> Result<Client> {
    let (client, connection) =
        tokio_postgres::connect(&server.socket_address(database), NoTls).await?;
    tokio::spawn(connection);
    Ok(client)
}

/// Empties the tables.
///
/// # Errors
/// What the server says.
pub async fn empty(client: &Client) -> Result<()> {
    Ok(client.batch_execute(EMPTY).await?)
}

/// How many rows there are; checks the chain over all of them.
///
/// # Errors
/// If it is broken.
pub async fn count(client: &Client, rows: Rows) -> Result<u64> {
    let sql = match rows {
        Rows::Plain => "SELECT count(*), true FROM plain",
        Rows::Chained => CHECK_CHAINED,
    };
    let row = client.query_one(sql, &[]).await?;
    let (count, is_chained): (i64, bool) = (row.try_get(0)?, row.try_get(1)?);
    ensure!(is_chained, "the rows are not chained");
    u64::try_from(count).context("a number of rows")
}

/// Somebody who sends rows, each a commit of its own, over a connection of its own.
pub struct Writer {
    client: Client,
    append: Statement,
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer").finish_non_exhaustive()
    }
}

impl Writer {
    /// Connects and prepares the statement.
    ///
    /// # Errors
    /// What the server says.
    pub async fn connect(server: &Server, database: &str, rows: Rows) -> Result<Self> {
        let client = connect(server, database).await?;
        let append = client
            .prepare(match rows {
                Rows::Plain => "INSERT INTO plain(key, payload) VALUES($1, $2)",
                Rows::Chained => "SELECT append($1, $2)",
            })
            .await?;
        Ok(Self { client, append })
    }

    /// Appends a row; it is durable when this returns.
    ///
    /// # Errors
    /// What the server says.
    pub async fn append(&self, key: &str, payload: &[u8]) -> Result<()> {
        self.client.execute(&self.append, &[&key, &payload]).await?;
        Ok(())
    }
}
