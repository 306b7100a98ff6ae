//! The commands of the program.

pub mod backup;
pub mod badge;
pub mod carry_over;
pub mod check;
pub mod check_config;
pub mod close;
pub mod disk;
pub mod export;
pub mod keys;
pub mod moving;
pub mod rebuild;
pub mod restore;
pub mod serve;
pub mod token;

use std::sync::Arc;

use ledger::seams::{Clock, Random};

/// What `main` builds and nobody else does.
pub struct Seams {
    /// Tells the time.
    pub clock: Arc<dyn Clock>,
    /// Makes sources of random bytes.
    pub random: fn() -> Box<dyn Random>,
}
