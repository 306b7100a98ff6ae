//! The PostgreSQL engine: entries as rows, the end of the log as one row that is changed by
//! compare-and-swap. Several recorders may serve one log.
//!
//! ```text
//! pulverlog_head          one row: how many entries, leaf of the last one, state
//! pulverlog_entries       seq, bytes
//! pulverlog_watermark     the last signed checkpoint; pulverlog_checkpoints: the published ones
//! pulverlog_tiles         full hash tiles
//! pulverlog_people        what may be erased (see `people`)
//! pulverlog_fence         a row that is changed to find out that commits are acknowledged
//! <head>/watermark-of-database   this process's own copy of the last signed checkpoint it knew of
//! ```
//!
//! One statement moves the head from what this process knows to what it adds, and inserts the entries
//! only if it did: the database serialises the statements of all recorders on that row, so there is
//! one history, whoever writes. Its acknowledgement is the commit point.
//!
//! # A commit whose outcome is unknown
//! When the connection breaks before the answer, the same statement is sent again over a new session.
//! If the first one came through, or still waits for its standby, the second one waits for it and
//! then finds the head moved: the rows in those places tell whether they are ours (salts are random,
//! nobody else's are equal). If it never came through, the second one does the work. Should no answer
//! come in time either, nothing is acknowledged: whatever became of the batch, the next one is built
//! on what the head says then, and a client that sends again finds its event or records it.
//!
//! # A database that went back
//! Failing over to a standby that is not synchronous, or putting back a backup, takes acknowledged
//! entries away. A process that knew of them notices (its own count and leaf; after a restart its copy
//! of the watermark) and writes no more.

#[cfg(test)]
pub(crate) mod bed;
mod link;
mod schema;
mod store;
#[cfg(test)]
mod tests;
mod url;

use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use chain::Digest;
use chain::entry::{EntryView, genesis_prev, leaf_hash};
use tokio_postgres::Row;

pub use url::{PgOptions, is_database};

pub(crate) use self::link::{Link, Purpose};
use self::link::{Session, Value, Ways};
use self::schema::{FORM, TABLES};
use self::store::{PgStore, WATERMARK, read_copy, seq_i64};
use super::recovery::{Stop, StopCause, Tip};
use super::{Engine, Line, Store, is_line};
use crate::disk::Disk;
use crate::error::{Doing as _, LedgerError, Result};
use crate::seams::Random;

/// How long the outcome of one commit is found out before nothing is acknowledged.
const RESOLVE_MAX: Duration = Duration::from_secs(6);
/// Rest between two attempts to find it out.
const RESOLVE_REST: Duration = Duration::from_millis(350);

const OPEN: &str = "open";
const CREATING: &str = "creating ";

/// The end of the log as the database has it.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Head {
    entries: u64,
    leaf: Digest,
    state: String,
}

fn row_i64(row: &Row, at: usize) -> Result<i64> {
    row.try_get(at).map_err(|error| link::told(&error))
}

pub(crate) fn row_bytes(row: &Row, at: usize) -> Result<Vec<u8>> {
    row.try_get(at).map_err(|error| link::told(&error))
}

fn head_of(rows: &[Row]) -> Result<Option<Head>> {
    let Some(row) = rows.first() else { return Ok(None) };
    let leaf = row_bytes(row, 1)?;
    let leaf: [u8; 32] = leaf.try_into().map_err(|_| LedgerError::Foreign {
        name: "pulverlog_head".to_owned(),
        what: "holds no leaf hash: put the database back from its backup".to_owned(),
    })?;
    let state: String = row.try_get(2).map_err(|error| link::told(&error))?;
    let form: i32 = row.try_get(3).map_err(|error| link::told(&error))?;
    if form != FORM {
        return Err(LedgerError::Foreign {
            name: "pulverlog_head".to_owned(),
            what: format!("has tables of form `{form}`; this program knows form {FORM}"),
        });
    }
    Ok(Some(Head {
        entries: row_i64(row, 0)?.unsigned_abs(),
        leaf: Digest::from_bytes(leaf),
        state,
    }))
}

const READ_HEAD: &str = "SELECT entries, leaf, state, form FROM pulverlog_head WHERE id = 1";
const LOCK_HEAD: &str =
    "SELECT entries, leaf, state, form FROM pulverlog_head WHERE id = 1 FOR UPDATE";
/// Moves the head and inserts the entries, or does neither.
const APPEND: &str = "
    WITH moved AS (
        UPDATE pulverlog_head SET entries = $1, leaf = $2
        WHERE id = 1 AND entries = $3 AND leaf = $4 AND state = $5 RETURNING id)
    INSERT INTO pulverlog_entries(seq, bytes)
    SELECT seq, bytes FROM unnest($6, $7) AS new(seq, bytes) WHERE EXISTS (SELECT id FROM moved)";

/// A log in a database that is connected and not yet opened.
#[derive(Debug)]
pub struct ConnectedPg {
    store: Arc<PgStore>,
    head: Head,
    copy: Option<Vec<u8>>,
}

impl ConnectedPg {
    /// Makes the tables of a new log. Until [`Unfinished::finish`] nothing was promised to anybody;
    /// creating again then begins anew.
    ///
    /// # Errors
    /// [`LedgerError::Exists`] if there is a log; [`LedgerError::Foreign`] if the database does not
    /// keep what it acknowledges; [`LedgerError::Away`].
    pub fn create(disk: &dyn Disk, options: &PgOptions, random: &mut dyn Random) -> Result<Self> {
        let head_name = options.head_dir.display().to_string();
        let local = disk.create_dir_all(&options.head_dir).doing("create", &head_name)?;
        let link = Link::new(options, Purpose::Record)?;
        link.write(|ways| async move {
            let session = ways.session(&ways.writing).await?;
            session.run(TABLES).await
        })?;
        if read_copy(&*local)?.is_some() {
            let begun = link.ask(READ_HEAD, (), head_of)?;
            if !begun.is_some_and(|head| head.state.starts_with(CREATING)) {
                // It was signed over a log that is not in this database, or not any more.
                return Err(LedgerError::Exists { name: head_name });
            }
            local.remove(WATERMARK).and_then(|()| local.sync()).doing("remove", WATERMARK)?;
        }
        let mut token = [0; 16];
        random.fill(&mut token);
        let state = format!("{CREATING}{}", hex::encode(token));
        let (claim, name) = (state.clone(), options.name().to_owned());
        link.write(|ways| async move {
            let session = ways.session(&ways.writing).await?;
            let empty = genesis_prev().as_bytes().to_vec();
            let claimed = session
                .execute(
                    "INSERT INTO pulverlog_head(id, entries, leaf, state, form) \
                     VALUES(1, 0, $1, $2, $3) ON CONFLICT(id) DO UPDATE \
                     SET entries = 0, leaf = excluded.leaf, state = excluded.state \
                     WHERE pulverlog_head.state LIKE 'creating %'",
                    &[(&empty, Vec::<u8>::TYPE), (&claim, String::TYPE), (&FORM, i32::TYPE)],
                )
                .await?;
            if claimed != 1 {
                return Err(LedgerError::Exists { name });
            }
            // What an unfinished creation left.
            session
                .run(
                    "DELETE FROM pulverlog_entries; DELETE FROM pulverlog_watermark; \
                     DELETE FROM pulverlog_checkpoints; DELETE FROM pulverlog_tiles; \
                     DELETE FROM pulverlog_people",
                )
                .await
        })?;
        let head = Head { entries: 0, leaf: genesis_prev(), state };
        Ok(Self { store: Arc::new(PgStore::new(link, Some(local))), head, copy: None })
    }

    /// Connects to an existing log, to record.
    ///
    /// # Errors
    /// [`LedgerError::NoLog`], and as [`create`](Self::create).
    pub fn existing(disk: &dyn Disk, options: &PgOptions) -> Result<Self> {
        Self::existing_for(disk, options, None)
    }

    /// As [`existing`](Self::existing), also if the log was moved on to this very place.
    pub(crate) fn existing_for(
        disk: &dyn Disk,
        options: &PgOptions,
        moving_to: Option<&str>,
    ) -> Result<Self> {
        let head_name = options.head_dir.display().to_string();
        let local = disk.create_dir_all(&options.head_dir).doing("create", &head_name)?;
        let copy = read_copy(&*local)?;
        let link = Link::new(options, Purpose::Record)?;
        let head = existing_head(&link, moving_to)?;
        let store = PgStore::new(link, Some(local));
        Ok(Self { store: Arc::new(store), head, copy })
    }

    /// Connects to an existing log to look at it, beside those who record.
    ///
    /// # Errors
    /// [`LedgerError::NoLog`], [`LedgerError::Away`].
    pub fn look(options: &PgOptions) -> Result<Arc<dyn Store>> {
        let link = Link::new(options, Purpose::Look)?;
        let head = match existing_head(&link, None) {
            Err(LedgerError::Moved { to }) => existing_head(&link, Some(&to))?,
            other => other?,
        };
        let store = PgStore::new(link, None);
        store.count.store(head.entries, Ordering::Release);
        Ok(Arc::new(store))
    }

    /// The watermark in the database, to be verified by the caller.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn watermark(&self) -> Result<Option<Vec<u8>>> {
        self.store.watermark()
    }

    /// This process's own copy of the last watermark it knew of, to be verified by the caller.
    #[must_use]
    pub fn copy(&self) -> Option<&[u8]> {
        self.copy.as_deref()
    }

    /// The newest checkpoint that left a process, to be verified by the caller.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn newest_checkpoint(&self) -> Result<Option<Vec<u8>>> {
        let sql = "SELECT note FROM pulverlog_checkpoints ORDER BY size DESC LIMIT 1";
        self.store.link.ask(sql, (), |rows| rows.first().map(|row| row_bytes(row, 0)).transpose())
    }

    /// What finishes the creation of this log.
    #[must_use]
    pub fn unfinished(&self) -> Unfinished {
        Unfinished { store: Arc::clone(&self.store), state: self.head.state.clone() }
    }

    /// Opens the log. `signed_size` is the largest size that a verified checkpoint covers, or `None`
    /// if there is no watermark that can be read.
    ///
    /// # Errors
    /// If the end of the log cannot be read.
    pub fn open(self, signed_size: Option<u64>) -> Result<(PgEngine, Tip, Option<Stop>)> {
        let Head { entries, leaf, state } = self.head;
        let table = |cause| Stop { cause, seq: entries, name: "pulverlog_head".into(), offset: 0 };
        let mut stop = match signed_size {
            None if entries > 0 => Some(table(StopCause::NoWatermark)),
            Some(size) if size > entries => Some(table(StopCause::Shorter)),
            Some(_) | None => None,
        };
        self.store.count.store(entries, Ordering::Release);
        *self.store.seen.lock().unwrap_or_else(std::sync::PoisonError::into_inner) =
            self.store.watermark()?;
        let mut tip = Tip { count: entries, leaf, recorded_at_ms: 0 };
        if let Some(last) = entries.checked_sub(1) {
            let line = self.store.read(last)?.unwrap_or_default();
            match EntryView::parse(&line) {
                Ok(entry) if leaf_hash(&line) == leaf => tip.recorded_at_ms = entry.recorded_at_ms,
                // The head and the entries changed together or not at all.
                Ok(_) | Err(_) => {
                    stop.get_or_insert(Stop {
                        cause: StopCause::Damaged,
                        seq: last,
                        name: "pulverlog_entries".to_owned(),
                        offset: 0,
                    });
                }
            }
        }
        let engine = PgEngine {
            store: self.store,
            leaf,
            state,
            lost: false,
            turn: false,
            closed: false,
            stop: stop.clone(),
            poison: None,
        };
        Ok((engine, tip, stop))
    }
}

/// A log whose creation is under way.
#[derive(Debug)]
pub struct Unfinished {
    store: Arc<PgStore>,
    state: String,
}

impl Unfinished {
    /// Declares the creation of the log finished: from now on it exists.
    ///
    /// # Errors
    /// [`LedgerError::Exists`] if another process began to create it meanwhile.
    pub fn finish(self) -> Result<()> {
        let sql = "UPDATE pulverlog_head SET state = 'open' WHERE id = 1 AND state = $1";
        let finished = self.store.link.change(sql, (self.state,))?;
        let name = || self.store.link.name().to_owned();
        if finished == 1 { Ok(()) } else { Err(LedgerError::Exists { name: name() }) }
    }
}

fn existing_head(link: &Link, moving_to: Option<&str>) -> Result<Head> {
    let no_log = |what| LedgerError::NoLog { name: link.name().to_owned(), what };
    let head = match link.ask(READ_HEAD, (), head_of) {
        // No tables: no log. (A missing right reads differently, and is told as it is.)
        Err(LedgerError::Database { what }) if what.contains("does not exist") => None,
        other => other?,
    };
    let head = head.ok_or_else(|| no_log("create one first, or check the address"))?;
    match head.state.split(' ').next() {
        Some(OPEN) => Ok(head),
        Some("creating") => Err(no_log("its creation was not finished: create or move it again")),
        Some("moved") if moving_to == Some(moved_to(&head.state).as_str()) => Ok(head),
        Some("moved") => Err(LedgerError::Moved { to: moved_to(&head.state) }),
        _ => Err(no_log("its state is none this program knows")),
    }
}

fn moved_to(state: &str) -> String {
    state.strip_prefix("moved ").unwrap_or("another place").to_owned()
}

impl PgStore {
    fn new(link: Link, head: Option<Arc<dyn crate::disk::Dir>>) -> Self {
        Self { link, count: AtomicU64::new(0), head, seen: Mutex::new(None) }
    }
}

/// The writing half; see [`Engine`].
#[derive(Debug)]
pub struct PgEngine {
    store: Arc<PgStore>,
    /// Leaf of the last entry this process has taken in.
    leaf: Digest,
    /// What `state` must be for an append to count.
    state: String,
    /// An append found that others appended; nothing goes until that was taken in.
    lost: bool,
    /// The head row is held in an open transaction.
    turn: bool,
    closed: bool,
    stop: Option<Stop>,
    poison: Option<String>,
}

/// A batch as it is sent.
#[derive(Debug)]
struct Batch {
    /// Entries before it.
    first: i64,
    prev: Vec<u8>,
    end: i64,
    leaf: Vec<u8>,
    state: String,
    seqs: Vec<i64>,
    bytes: Vec<Vec<u8>>,
}

/// What became of a batch.
enum Fate {
    Stands,
    /// The head is not what the batch was built on.
    Lost(Option<Head>),
}

impl Batch {
    async fn send(&self, session: &Session) -> Result<u64> {
        let params: [link::Param<'_>; 7] = [
            (&self.end, i64::TYPE),
            (&self.leaf, Vec::<u8>::TYPE),
            (&self.first, i64::TYPE),
            (&self.prev, Vec::<u8>::TYPE),
            (&self.state, String::TYPE),
            (&self.seqs, Vec::<i64>::TYPE),
            (&self.bytes, Vec::<Vec<u8>>::TYPE),
        ];
        session.execute_prepared(APPEND, &params).await
    }

    /// One attempt; `false` if the head was another one.
    async fn attempt(&self, ways: &Ways, turn: bool) -> Result<bool> {
        let session = ways.session(&ways.writing).await?;
        let work = async {
            let rows = self.send(&session).await?;
            if turn {
                // COMMIT POINT, when it holds the row already.
                session.run(if rows > 0 { "COMMIT" } else { "ROLLBACK" }).await?;
            }
            Ok(rows > 0)
        };
        let done = session.commits(work).await;
        ways.keep(&ways.writing, &session, done).await
    }

    /// Whether exactly these entries stand in these places.
    async fn stands(&self, ways: &Ways) -> Result<bool> {
        let sql = "SELECT bytes FROM pulverlog_entries WHERE seq >= $1 AND seq < $2 ORDER BY seq";
        let params: [link::Param<'_>; 2] = [(&self.first, i64::TYPE), (&self.end, i64::TYPE)];
        let rows = ways.rows(&ways.writing, sql, &params).await?;
        let found = rows.iter().map(|row| row_bytes(row, 0)).collect::<Result<Vec<_>>>()?;
        Ok(found == self.bytes)
    }

    /// Sends it until it is known what became of it, or time is up.
    async fn settle(&self, ways: &Ways, mut turn: bool) -> Result<Fate> {
        let begun = Instant::now();
        let mut unknown = false;
        loop {
            let outcome = self.attempt(ways, std::mem::take(&mut turn)).await;
            let outcome = match outcome {
                Ok(true) => return Ok(Fate::Stands),
                Ok(false) if !unknown => Ok(false),
                Ok(false) => self.stands(ways).await,
                Err(error) => Err(error),
            };
            match outcome {
                // The session that shows it began with a commit of its own: it stands everywhere.
                Ok(true) => return Ok(Fate::Stands),
                Ok(false) => {
                    let head = ways.rows(&ways.writing, READ_HEAD, &[]).await;
                    return Ok(Fate::Lost(head.and_then(|rows| head_of(&rows)).unwrap_or(None)));
                }
                Err(error) if error.is_passing() && begun.elapsed() < RESOLVE_MAX => {
                    tracing::warn!(%error, entries = self.seqs.len(), "a commit has no answer yet");
                    unknown = true;
                    tokio::time::sleep(RESOLVE_REST).await;
                }
                Err(error) => return Err(error),
            }
        }
    }
}

impl PgEngine {
    fn count(&self) -> u64 {
        self.store.count.load(Ordering::Acquire)
    }

    fn check(&self) -> Result<()> {
        if let Some(reason) = &self.stop {
            return Err(LedgerError::ReadOnly { reason: reason.clone() });
        }
        if let Some(since) = &self.poison {
            return Err(LedgerError::Poisoned { since: since.clone() });
        }
        if self.closed {
            return Err(LedgerError::Poisoned { since: "the log was closed".to_owned() });
        }
        Ok(())
    }

    fn batch(&self, lines: &[Line<'_>]) -> Result<Batch> {
        let first = self.count();
        let bytes: Vec<Vec<u8>> = lines.iter().map(|line| line.bytes.to_vec()).collect();
        for ((seq, copy), line) in (first..).zip(&bytes).zip(lines) {
            if leaf_hash(copy) != line.leaf {
                return Err(LedgerError::ChangedInMemory { seq });
            }
        }
        let end = first + lines.len() as u64;
        let leaf = lines.last().map_or(self.leaf, |line| line.leaf);
        Ok(Batch {
            first: seq_i64(first)?,
            prev: self.leaf.as_bytes().to_vec(),
            end: seq_i64(end)?,
            leaf: leaf.as_bytes().to_vec(),
            state: self.state.clone(),
            seqs: (seq_i64(first)?..seq_i64(end)?).collect(),
            bytes,
        })
    }

    /// Stops the writer of this process for good.
    fn poison(&mut self, since: String) -> LedgerError {
        tracing::error!(%since, count = self.count(), "the writer of the log stopped");
        self.poison = Some(since.clone());
        LedgerError::Poisoned { since }
    }

    /// Takes note of the head as the database has it: shows readers what others appended, or finds
    /// that this is not the log it was.
    fn take_note(&mut self, head: Option<Head>) -> Result<u64> {
        let count = self.count();
        let Some(head) = head else {
            return Err(self.poison("the database holds no log any more".to_owned()));
        };
        if head.state != self.state {
            return Err(match head.state.split(' ').next() {
                Some("moved") => self.poison(format!("the log moved to {}", moved_to(&head.state))),
                _ => self.poison("the log was begun anew by another process".to_owned()),
            });
        }
        let went_back = head.entries < count;
        let is_other = head.entries == count && head.leaf != self.leaf;
        if went_back || is_other || (head.entries > count && !self.still_has_our_end()?) {
            return Err(self.poison(format!(
                "the database went back to an earlier state: this process knows of {count} entries \
                 that were acknowledged, the database has {} or others. Was a standby promoted that \
                 was not synchronous, or a backup put back? See `recorder check`",
                head.entries
            )));
        }
        self.leaf = head.leaf;
        self.lost = false;
        self.store.count.store(head.entries, Ordering::Release);
        Ok(head.entries)
    }

    fn still_has_our_end(&self) -> Result<bool> {
        let Some(last) = self.count().checked_sub(1) else { return Ok(true) };
        Ok(self.store.read(last)?.is_some_and(|line| leaf_hash(&line) == self.leaf))
    }
}

impl Engine for PgEngine {
    fn count(&self) -> u64 {
        PgEngine::count(self)
    }

    fn append(&mut self, expected_count: u64, lines: &[Line<'_>]) -> Result<()> {
        self.check()?;
        let found = PgEngine::count(self);
        if expected_count != found {
            return Err(LedgerError::CountMismatch { expected: expected_count, found });
        }
        if let Some(index) = lines.iter().position(|line| !is_line(line.bytes)) {
            return Err(LedgerError::NotALine { index });
        }
        let batch = self.batch(lines)?;
        if lines.is_empty() {
            return Ok(());
        }
        if self.lost {
            return Err(LedgerError::Behind { count: found });
        }
        let turn = std::mem::take(&mut self.turn);
        let leaf = lines.last().map_or(self.leaf, |line| line.leaf);
        let end = found + lines.len() as u64;
        // COMMIT POINT.
        let fate = self.store.link.write(|ways| async move { batch.settle(&ways, turn).await })?;
        match fate {
            Fate::Stands => {
                self.leaf = leaf;
                self.store.count.store(end, Ordering::Release);
                Ok(())
            }
            Fate::Lost(head) => {
                self.lost = true;
                Err(LedgerError::Behind { count: head.map_or(found, |head| head.entries) })
            }
        }
    }

    fn store(&self) -> Arc<dyn Store> {
        Arc::<PgStore>::clone(&self.store)
    }

    fn stop(&mut self, reason: Stop) {
        self.stop = Some(reason);
    }

    fn close(&mut self) -> Result<()> {
        self.end_turn();
        self.closed = true;
        Ok(())
    }

    fn retire(&mut self, to: &str) -> Result<bool> {
        if self.state != OPEN {
            return Ok(self.state == format!("moved {to}"));
        }
        let sql = "UPDATE pulverlog_head SET state = $1
                   WHERE id = 1 AND entries = $2 AND leaf = $3 AND state = 'open'";
        let count = seq_i64(PgEngine::count(self))?;
        let params = (format!("moved {to}"), count, self.leaf.as_bytes().to_vec());
        Ok(self.store.link.change(sql, params)? == 1)
    }

    fn is_shared(&self) -> bool {
        true
    }

    fn follow(&mut self) -> Result<u64> {
        self.check()?;
        if self.turn {
            return Ok(PgEngine::count(self));
        }
        let head = self.store.link.ask(READ_HEAD, (), head_of)?;
        self.take_note(head)
    }

    fn take_turn(&mut self) -> Result<u64> {
        self.check()?;
        self.end_turn();
        let head = self.store.link.write(|ways| async move {
            let session = ways.session(&ways.writing).await?;
            let held = async {
                session.run("BEGIN").await?;
                head_of(&session.rows(LOCK_HEAD, &[]).await?)
            };
            let held = held.await;
            ways.keep(&ways.writing, &session, held).await
        })?;
        self.turn = true;
        let noted = self.take_note(head);
        if noted.is_err() {
            self.end_turn();
        }
        noted
    }

    fn end_turn(&mut self) {
        if std::mem::take(&mut self.turn) {
            let ended = self.store.link.write(|ways| async move {
                let session = ways.session(&ways.writing).await?;
                let done = session.run("ROLLBACK").await;
                ways.keep(&ways.writing, &session, done).await
            });
            if let Err(error) = ended {
                // The server takes the turn back by itself.
                tracing::warn!(%error, "a turn at the end of the log was not given back");
            }
        }
    }
}
