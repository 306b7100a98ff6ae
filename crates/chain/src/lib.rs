//! The record itself: entries, links, tree, checkpoints, proofs and their check.
//!
//! This crate is what an auditor reads. It knows no powder, no files, no network, no clock and no
//! randomness: bytes come in, bytes or verdicts go out, and time, salt and keys are arguments.
//! `FORMAT.md` beside it describes every byte; a test recomputes that document's example.
//!
//! - [`canon`]: canonical JSON, the only spelling an entry may have
//! - [`entry`]: entries, how they are sealed and linked
//! - [`merkle`]: the tree over the entries
//! - [`note`], [`checkpoint`]: what is signed and by whom
//! - [`limits`]: every limit with its reason

pub mod canon;
pub mod checkpoint;
pub mod digest;
pub mod entry;
pub mod keys;
pub mod limits;
pub mod merkle;
pub mod note;
pub mod policy;
pub mod proof;
pub mod tile;
pub mod time;
pub mod verify;

pub use digest::Digest;
