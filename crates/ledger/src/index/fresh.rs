//! Rows on their way from the writer to the index.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::{Index, Row, follow};
use crate::engine::Store;
use crate::engine::recovery::Tip;
use crate::error::Result;

/// Most rows given to the index at once.
const ROWS_AT_ONCE: usize = 4_096;

/// Rows of entries that were just committed, so that the index need not read and parse again what the
/// writer had in its hands. What is lost here is no loss: the index reads the log instead. The writer
/// is busy before too many gather (`limits::KEYS_AHEAD_MAX`).
#[derive(Debug, Default)]
pub struct Fresh(Mutex<VecDeque<Committed>>);

/// The rows of one commit, and the end of the log behind it.
#[derive(Debug)]
struct Committed {
    rows: Vec<Row>,
    tip: Tip,
}

impl Fresh {
    fn queue(&self) -> MutexGuard<'_, VecDeque<Committed>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds the rows of a commit.
    pub(crate) fn add(&self, rows: Vec<Row>, tip: Tip) {
        self.queue().push_back(Committed { rows, tip });
    }

    /// The rows from entry `from` on, if they are here, with the end of the log behind them.
    fn next(&self, from: u64) -> Option<(Vec<Row>, Tip)> {
        let mut queue = self.queue();
        while queue.front().is_some_and(|committed| committed.tip.count <= from) {
            queue.pop_front();
        }
        let starts = |committed: &Committed, at: u64| {
            committed.rows.first().is_some_and(|row| row.seq <= at && at < committed.tip.count)
        };
        let Committed { mut rows, mut tip } =
            queue.front().is_some_and(|first| starts(first, from)).then(|| queue.pop_front())??;
        // The index may have read the beginning of this commit from the log.
        rows.retain(|row| row.seq >= from);
        while rows.len() < ROWS_AT_ONCE
            && queue.front().is_some_and(|next| starts(next, tip.count))
            && let Some(next) = queue.pop_front()
        {
            rows.extend(next.rows);
            tip = next.tip;
        }
        Some((rows, tip))
    }

    /// As [`follow`], with what is here and only else from the log.
    ///
    /// # Errors
    /// As [`follow`].
    pub fn follow(&self, index: &dyn Index, store: &dyn Store) -> Result<usize> {
        match self.next(index.cursor().count) {
            Some((rows, tip)) => {
                index.take(&rows, tip)?;
                Ok(rows.len())
            }
            None => follow(index, store),
        }
    }
}

#[cfg(test)]
mod tests {
    use chain::Digest;

    use super::*;
    use crate::engine::Engine as _;
    use crate::engine::mem::MemEngine;
    use crate::index::{MemIndex, rows_of};
    use crate::submission::Key;
    use crate::testing::{Sealer, append};

    /// Whatever reaches the index by hand and whatever is missing there, it has each entry once.
    #[test]
    fn the_index_takes_what_it_is_handed_and_reads_what_it_is_not() {
        // Which of eight commits of three entries are handed over, as bits.
        for handed in 0..256_u32 {
            let (mut engine, mut sealer) = (MemEngine::new(), Sealer::new(1));
            let (store, index, fresh) = (engine.store(), MemIndex::new(), Fresh::default());
            let mut end = Tip::genesis();
            for commit in 0..8 {
                append(&mut engine, &sealer.batch(3, 20)).expect("appended");
                let chunk = store.scan(end.count, 1 << 20).expect("read");
                let (rows, tip) = rows_of(&chunk, end).expect("rows");
                end = tip;
                if handed >> commit & 1 == 1 {
                    fresh.add(rows, tip);
                }
                if commit == 3 {
                    while fresh.follow(&index, &*store).expect("follows") > 0 {}
                }
            }
            while fresh.follow(&index, &*store).expect("follows") > 0 {}
            assert_eq!(index.cursor(), end, "{handed:08b}");
            for seq in 0..24 {
                let found = index.seq_of(&Key::new("/test", &format!("ev-{seq}")), 24);
                assert_eq!(found.expect("answered"), Some(seq), "{handed:08b}");
            }
            assert_eq!(index.by_subject("", 0, 100).expect("answered").len(), 24);
        }
    }

    #[test]
    fn rows_the_index_has_read_itself_are_dropped() {
        let row = |seq| Row { seq, key: Key::new("/m", &seq.to_string()), subject: String::new() };
        let tip = |count| Tip { count, leaf: Digest::of(b"x"), recorded_at_ms: 0 };
        let fresh = Fresh::default();
        fresh.add((0..3).map(row).collect(), tip(3));
        fresh.add((3..6).map(row).collect(), tip(6));
        fresh.add((8..9).map(row).collect(), tip(9));
        let seqs = |found: Option<(Vec<Row>, Tip)>| {
            found.map(|(rows, tip)| (rows.iter().map(|r| r.seq).collect::<Vec<_>>(), tip.count))
        };
        assert_eq!(seqs(fresh.next(4)), Some((vec![4, 5], 6)));
        assert_eq!(seqs(fresh.next(6)), None, "6 and 7 are in the log alone");
        assert_eq!(seqs(fresh.next(8)), Some((vec![8], 9)));
        assert_eq!(seqs(fresh.next(9)), None);
    }
}
