//! Fakes for the seams: a disk, a clock and a source of random bytes that obey one seed.
//!
//! For tests and the simulator only. The same seed gives the same calls, the same faults and the
//! same bytes, so a failing seed replays exactly.

mod disk;

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

pub use disk::{Fault, FaultKind, Op, SimDisk};

use crate::seams::{Clock, Random};

/// A small deterministic generator (SplitMix64: Steele, Lea, Flood, "Fast splittable pseudorandom
/// number generators", OOPSLA 2014). Never for keys or real salts.
#[derive(Debug, Clone)]
pub struct Seeded(u64);

impl Seeded {
    /// A generator for `seed`.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `bound`; 0 if `bound` is 0.
    pub fn below(&mut self, bound: u64) -> u64 {
        if bound == 0 { 0 } else { self.next_u64() % bound }
    }

    /// True in `percent` of 100 cases.
    pub fn percent(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }
}

impl Random for Seeded {
    fn fill(&mut self, bytes: &mut [u8]) {
        for chunk in bytes.chunks_mut(8) {
            let word = self.next_u64().to_le_bytes();
            chunk.copy_from_slice(&word[..chunk.len()]);
        }
    }
}

/// A clock set by hand, in milliseconds since 1970. Clones share the time.
#[derive(Debug, Clone)]
pub struct SimClock(Arc<AtomicI64>);

impl SimClock {
    /// A clock that stands at `now_ms`.
    #[must_use]
    pub fn new(now_ms: i64) -> Self {
        Self(Arc::new(AtomicI64::new(now_ms)))
    }

    /// Moves the clock, backwards too.
    pub fn jump(&self, by_ms: i64) {
        self.0.fetch_add(by_ms, Ordering::Relaxed);
    }
}

impl Clock for SimClock {
    fn now_ms(&self) -> i64 {
        self.0.load(Ordering::Relaxed)
    }
}
