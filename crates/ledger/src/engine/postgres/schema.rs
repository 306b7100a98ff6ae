//! The tables of a log, and what a database must say of itself before it may hold one.
//!
//! The SQL here and in the engine is that of plain tables: keys, arrays, `INSERT .. ON CONFLICT`, a
//! statement that changes one table and inserts into another, `SELECT .. FOR UPDATE`. No functions,
//! triggers, notifications or advisory locks, which databases that speak this protocol often lack.

use super::link::Session;
use crate::error::{LedgerError, Result};

/// One log a schema: `options=-c search_path=..` in the address chooses another one. `head.state` is
/// `open`, `creating <token>` while nothing was promised to anybody yet, or `moved <where>`.
pub(super) const TABLES: &str = "
CREATE TABLE IF NOT EXISTS pulverlog_head(
    id integer PRIMARY KEY, entries bigint NOT NULL, leaf bytea NOT NULL, state text NOT NULL,
    form integer NOT NULL);
CREATE TABLE IF NOT EXISTS pulverlog_entries(seq bigint PRIMARY KEY, bytes bytea NOT NULL);
CREATE TABLE IF NOT EXISTS pulverlog_watermark(id integer PRIMARY KEY, note bytea NOT NULL);
CREATE TABLE IF NOT EXISTS pulverlog_checkpoints(size bigint PRIMARY KEY, note bytea NOT NULL);
CREATE TABLE IF NOT EXISTS pulverlog_tiles(
    level integer NOT NULL, tile bigint NOT NULL, bytes bytea NOT NULL, PRIMARY KEY(level, tile));
CREATE TABLE IF NOT EXISTS pulverlog_people(
    kind text NOT NULL, name text NOT NULL, bytes bytea NOT NULL, PRIMARY KEY(kind, name));
CREATE TABLE IF NOT EXISTS pulverlog_fence(id integer PRIMARY KEY, passed bigint NOT NULL);
INSERT INTO pulverlog_fence(id, passed) VALUES(1, 0) ON CONFLICT DO NOTHING;
";

/// Version of the tables.
pub(super) const FORM: i32 = 1;

/// Settings without which an acknowledged commit may be gone after a crash, and their good values
/// (PostgreSQL 15 documentation, section 20.5 "Write Ahead Log").
const SETTINGS: [(&str, &[&str], &str); 3] = [
    ("fsync", &["on"], "is `on`: without it a crash of the machine can destroy the log"),
    (
        "full_page_writes",
        &["on"],
        "is `on`: without it a crash of the machine can leave pages that are half old and half new",
    ),
    (
        "synchronous_commit",
        &["on", "remote_apply"],
        "is `on` or `remote_apply`: with anything less a crash or a failover loses acknowledged events",
    ),
];

/// Refuses a database that does not keep what it acknowledges, as far as it says so itself.
pub(super) async fn keeps_its_word(session: &Session) -> Result<()> {
    let sql = "SELECT name, setting FROM pg_settings \
               WHERE name IN ('fsync', 'full_page_writes', 'synchronous_commit')";
    let rows = session.rows(sql, &[]).await?;
    for (name, good, what) in SETTINGS {
        let found = rows.iter().find_map(|row| {
            let named = row.try_get::<_, &str>(0).is_ok_and(|found| found == name);
            named.then(|| row.try_get::<_, &str>(1).unwrap_or_default().to_owned())
        });
        match found {
            Some(value) if good.contains(&value.as_str()) => {}
            Some(value) => {
                let what = format!("of the database is `{value}`; it {what}");
                return Err(LedgerError::Foreign { name: name.to_owned(), what });
            }
            // Another database that speaks this protocol: its operator must know.
            None => tracing::warn!(setting = name, "the database does not tell this setting"),
        }
    }
    Ok(())
}
