//! The log on disk: entries in, receipts out, nothing lost.
//!
//! One writer appends in batches; everybody else reads what is durable. What is kept on disk falls
//! into three classes: the entries are **the truth**; the watermark is **trusted** (whoever owns it
//! can hide a cut tail); index, tiles and snapshots are **derived** and may be deleted at any time.
//!
//! - [`engine`]: where bytes are kept, behind one contract
//! - [`disk`]: the file-system calls that takes; [`sim`] fakes them
//! - [`seams`]: clock and randomness

pub mod disk;
pub mod engine;
mod error;
pub mod limits;
pub mod seams;
pub mod sim;
#[cfg(test)]
mod testing;

pub use error::{LedgerError, Result};
