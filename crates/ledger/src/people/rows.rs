//! The records as rows beside a log in a database.

use super::{Kind, Records, damaged};
use crate::engine::postgres::{Link, PgOptions, Purpose, row_bytes};
use crate::error::{LedgerError, Result};
use crate::limits::PERSON_BYTES_MAX;

/// Records in the table `pulverlog_people`.
#[derive(Debug)]
pub(super) struct Rows(Link);

impl Rows {
    pub(super) fn open(options: &PgOptions) -> Result<Self> {
        let link = Link::new(options, Purpose::Record)?;
        let this = Self(link);
        this.list(Kind::Persons)?;
        Ok(this)
    }
}

impl Records for Rows {
    fn get(&self, kind: Kind, name: &str) -> Result<Option<Vec<u8>>> {
        let sql = "SELECT bytes FROM pulverlog_people WHERE kind = $1 AND name = $2";
        let bytes = self.0.ask(sql, (kind.as_str().to_owned(), name.to_owned()), |rows| {
            rows.first().map(|row| row_bytes(row, 0)).transpose()
        })?;
        match bytes {
            Some(bytes) if bytes.len() as u64 > PERSON_BYTES_MAX => Err(damaged(name)),
            bytes => Ok(bytes),
        }
    }

    fn put(&self, kind: Kind, name: &str, bytes: &[u8]) -> Result<()> {
        let sql = "INSERT INTO pulverlog_people(kind, name, bytes) VALUES($1, $2, $3)
                   ON CONFLICT(kind, name) DO UPDATE SET bytes = excluded.bytes";
        self.0.change(sql, (kind.as_str().to_owned(), name.to_owned(), bytes.to_vec())).map(drop)
    }

    fn list(&self, kind: Kind) -> Result<Vec<String>> {
        let sql = "SELECT name FROM pulverlog_people WHERE kind = $1 ORDER BY name";
        self.0.ask(sql, (kind.as_str().to_owned(),), |rows| {
            let name = |row: &tokio_postgres::Row| {
                row.try_get(0).map_err(|error| LedgerError::Database { what: error.to_string() })
            };
            rows.iter().map(name).collect()
        })
    }

    fn wipe(&self, kind: Kind, name: &str) -> Result<bool> {
        let sql = "DELETE FROM pulverlog_people WHERE kind = $1 AND name = $2";
        Ok(self.0.change(sql, (kind.as_str().to_owned(), name.to_owned()))? > 0)
    }
}
