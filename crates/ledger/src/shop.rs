//! The shop's state as the ledger keeps it: one fold, one way in.
//!
//! Live work, start-up and rebuild apply entries through [`Shop::apply`] alone, so the same prefix of
//! the log gives the same state.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use chain::entry::{Entry, leaf_hash};
use serde::{Deserialize, Serialize};
use shopfloor::pieces::{self, Pieces};
use shopfloor::{Fact, Finding, Refusal, State};

use crate::engine::Store;
use crate::engine::recovery::Tip;
use crate::error::{LedgerError, Result};
use crate::index::{Index, SnapshotOf};
use crate::limits::SCAN_BYTES_MAX;
use crate::snapshot::StateRead;

/// The folds over a prefix of the log. A copy shares most of it.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Shop {
    state: State,
    skipped: u64,
}

impl Shop {
    /// The state of an empty log.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// The folds. `state.as_of` tells of how many entries.
    #[must_use]
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Entries applied.
    #[must_use]
    pub fn as_of(&self) -> u64 {
        self.state.as_of
    }

    /// Entries that stand in the log but that no fold of this version could take in. They are
    /// sound as entries; a newer version may read them.
    #[must_use]
    pub fn skipped(&self) -> u64 {
        self.skipped
    }

    /// Judges a fact that is not recorded yet.
    ///
    /// # Errors
    /// Outer: the log cannot be read. Inner: the fact cannot be attributed.
    pub(crate) fn judge(
        &self,
        fact: &Fact,
        store: &dyn Store,
    ) -> Result<std::result::Result<Vec<Finding>, Refusal>> {
        let original = self.original(fact, store)?;
        let judged = catch_unwind(AssertUnwindSafe(|| self.state.judge(fact, original.as_ref())));
        Ok(judged.unwrap_or_else(|_| {
            let detail = "a rule failed on this event: report it as a fault of the software";
            Err(Refusal::new("rule-failed", "", detail))
        }))
    }

    /// The findings that stop a fact under strict handling.
    pub(crate) fn stops(&self, fact: &Fact, findings: &[Finding]) -> Vec<Finding> {
        self.state.stops(fact, findings).into_iter().cloned().collect()
    }

    /// Applies a recorded fact and returns the findings it raised.
    ///
    /// A fold that panics must not make the log unreadable for ever: the entry counts as skipped,
    /// here and in every replay, and the health of the service shows it.
    ///
    /// # Errors
    /// If the log cannot be read.
    pub(crate) fn apply(&mut self, fact: &Fact, store: &dyn Store) -> Result<Vec<Finding>> {
        let original = self.original(fact, store)?;
        let state = &mut self.state;
        let applied = catch_unwind(AssertUnwindSafe(|| state.apply(fact, original.as_ref())));
        Ok(applied.unwrap_or_else(|_| {
            self.skip(fact.seq);
            Vec::new()
        }))
    }

    /// Applies a stored entry.
    ///
    /// # Errors
    /// If the entry is damaged or the log cannot be read.
    pub(crate) fn apply_stored(&mut self, seq: u64, line: &[u8], store: &dyn Store) -> Result<()> {
        let entry = Entry::parse(line).map_err(|source| LedgerError::Entry { seq, source })?;
        match Fact::from_entry(&entry) {
            Ok(fact) => self.apply(&fact, store).map(drop),
            Err(_) => {
                self.skip(seq);
                Ok(())
            }
        }
    }

    fn skip(&mut self, seq: u64) {
        tracing::error!(seq, "no fold could take this entry in");
        self.skipped += 1;
        self.state.as_of = seq + 1;
    }

    /// Applies all entries from where the state is up to `count`.
    ///
    /// # Errors
    /// If the log cannot be read.
    pub fn catch_up(&mut self, store: &dyn Store, count: u64) -> Result<()> {
        while self.as_of() < count {
            let chunk = store.scan(self.as_of(), SCAN_BYTES_MAX)?;
            if chunk.is_empty() {
                break;
            }
            for (seq, line) in chunk.iter().take_while(|(seq, _)| *seq < count) {
                self.apply_stored(seq, line, store)?;
            }
        }
        Ok(())
    }

    /// The earlier fact this one is about, as it counts now.
    fn original(&self, fact: &Fact, store: &dyn Store) -> Result<Option<Fact>> {
        let Some(seq) = fact.about_entry().filter(|seq| *seq < fact.seq) else { return Ok(None) };
        let Some(line) = store.read(seq)? else { return Ok(None) };
        let entry = Entry::parse(&line).map_err(|source| LedgerError::Entry { seq, source })?;
        Ok(Fact::from_entry(&entry).ok().and_then(|fact| self.state.record.effective(fact)))
    }
}

/// Name under which the whole state is kept in the index.
pub(crate) const FOLD: &str = "shop";
/// Version of the kept form: that of the folds.
pub(crate) const FOLD_VERSION: u16 = shopfloor::state::FOLD_VERSION;

impl Shop {
    /// Writes MessagePack, in which packed facts stay packed; pages of it as pieces.
    pub(crate) fn write(&self, pieces: &Arc<dyn Pieces>, mut to: &mut dyn io::Write) -> Result<()> {
        let written = pieces::with(pieces, || rmp_serde::encode::write_named(&mut to, self));
        written.map_err(|error| LedgerError::Index {
            what: format!("a snapshot of the state could not be written: {error}"),
        })
    }
}

/// Keeps a snapshot of the state, which must be as of `tip`.
///
/// # Errors
/// If it cannot be written.
pub(crate) fn keep(index: &dyn Index, shop: &Shop, tip: Tip) -> Result<()> {
    let of = SnapshotOf { fold: FOLD.to_owned(), version: FOLD_VERSION, tip };
    index.store_snapshot(&of, &mut |pieces, to| shop.write(pieces, to))
}

/// The state from the newest snapshot of an index.
pub(crate) fn restore(index: &dyn Index, store: &dyn Store, count: u64) -> Shop {
    restore_from(index.snapshot(FOLD, FOLD_VERSION).ok().flatten(), store, count)
}

/// The state from a snapshot that fits the log, or that of an empty log: a snapshot that does not fit
/// is as good as none.
pub(crate) fn restore_from(snapshot: Option<StateRead>, store: &dyn Store, count: u64) -> Shop {
    let fits = |tip: &Tip| {
        let line = tip.count.checked_sub(1).and_then(|last| store.read(last).ok()?);
        tip.count <= count && line.is_some_and(|line| leaf_hash(&line) == tip.leaf)
    };
    let restored = snapshot.filter(|read| fits(&read.tip)).and_then(|read| {
        let StateRead { tip, pieces, state } = read;
        let shop: Shop = pieces::with(&pieces, || rmp_serde::from_read(state)).ok()?;
        (shop.as_of() == tip.count).then_some(shop)
    });
    restored.unwrap_or_default()
}
