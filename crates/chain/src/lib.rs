//! The record itself: entries, links, tree, checkpoints, proofs and their check.
//!
//! This crate is what an auditor reads. It knows no powder, no files, no network, no clock and no
//! randomness: bytes come in, bytes or verdicts go out, and time, salt and keys are arguments.
//! `FORMAT.md` beside it describes every byte; a test recomputes that document's example.
//!
//! - [`canon`]: canonical JSON, the only spelling an entry may have
//! - [`entry`]: entries, how they are sealed, linked and read
//! - [`merkle`], [`tile`]: the tree over the entries, its proofs, and how it is stored
//! - [`note`], [`checkpoint`], [`proof`]: what is signed, by whom, and what follows from it
//! - [`keys`], [`policy`]: whom a verifier believes
//! - [`verify`]: the whole check, with one verdict
//! - [`bundle`]: the files an auditor takes away; [`copy`]: the files of a copy kept elsewhere
//! - [`limits`]: every limit with its reason
//!
//! # Invariants
//!
//! - The stored bytes are the hashed bytes. Nothing is ever written again in another spelling.
//! - The live writer, recovery and the auditor use the same reader ([`entry::EntryView`]) and the
//!   same link check ([`entry::Head`]).
//! - Every size is bounded before memory is taken for it, and every loop by the size of its input.
//! - There is no floating-point number, no hash map and no global state in this crate.

pub mod bundle;
pub mod canon;
pub mod checkpoint;
pub mod copy;
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
