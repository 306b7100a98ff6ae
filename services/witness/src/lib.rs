//! A small independent witness: it cosigns the checkpoints of logs it knows, each only if it
//! extends the one it cosigned before (C2SP tlog-witness, tlog-cosignature).
//!
//! It is meant to run on somebody else's machine. It sees sizes and hashes, never entries.

pub mod config;
pub mod desk;
pub mod memory;
pub mod server;

pub use config::Config;
pub use desk::{Answer, Desk};
pub use memory::{Memory, MemoryError};
