//! The log on disk: entries in, receipts out, nothing lost.
//!
//! One writer appends in batches; everybody else reads what is durable. What is kept on disk falls
//! into three classes: the entries are **the truth**; the watermark is **trusted** (whoever owns it
//! can hide a cut tail); index, tiles and snapshots are **derived** and may be deleted at any time.
//!
//! - [`engine`]: where bytes are kept, behind one contract
//! - [`copies`]: the log kept elsewhere too, and made again from there
//! - [`disk`]: the file-system calls that takes; [`sim`] fakes them
//! - [`seams`]: clock and randomness

pub mod audit;
pub mod copies;
pub mod core;
pub mod disk;
pub mod engine;
mod error;
pub mod index;
mod ledger;
pub mod limits;
pub mod mirror;
pub mod moving;
pub mod notary;
mod opening;
pub mod people;
pub mod seams;
mod shop;
pub mod sim;
mod snapshot;
mod submission;
#[cfg(test)]
mod testing;
pub mod tree;

pub use error::{LedgerError, Result};
pub use ledger::{Answer, Health, Ledger, NotWriting, Pace, ScrubReport, Timings, Turn, Watcher};
pub use opening::{
    IndexPlace, IndexReport, LogPlace, OpenReport, Opened, SCHEMA_VERSION, Seams, adopt_watermark,
    create, open,
};
pub use shop::Shop;
pub use submission::{
    Handling, Key, LOG_SOURCE, LOG_SUBJECT, Outcome, ReadEvent, Receipt, Submission, Unacceptable,
};
