//! The clock of the demo: the shop's time while the year is played, real time afterwards.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use jiff::Timestamp;
use ledger::seams::Clock;

/// Stands in [`ShopClock::shop_ms`] once real time counts.
const REAL: i64 = i64::MIN;

/// Tells the shop's time until [`live`](Self::live) is called. The log of the demo gets it as its
/// clock, so that lateness, tokens and checkpoints come out as they would have in that year.
pub struct ShopClock {
    shop_ms: AtomicI64,
    real: Arc<dyn Clock>,
}

impl ShopClock {
    /// A clock that stands at `begins`.
    pub fn new(begins: Timestamp, real: Arc<dyn Clock>) -> Self {
        Self { shop_ms: AtomicI64::new(begins.as_millisecond()), real }
    }

    /// Goes forward to `at`; never back.
    pub fn reach(&self, at: Timestamp) {
        self.shop_ms.fetch_max(at.as_millisecond(), Ordering::SeqCst);
    }

    /// From now on real time counts.
    pub fn live(&self) {
        self.shop_ms.store(REAL, Ordering::SeqCst);
    }
}

impl Clock for ShopClock {
    fn now_ms(&self) -> i64 {
        match self.shop_ms.load(Ordering::SeqCst) {
            REAL => self.real.now_ms(),
            shop_ms => shop_ms,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Stopped(i64);
    impl Clock for Stopped {
        fn now_ms(&self) -> i64 {
            self.0
        }
    }

    #[test]
    fn shop_time_only_goes_forward_and_ends_in_real_time() {
        let at = |s| Timestamp::from_second(s).unwrap();
        let clock = ShopClock::new(at(100), Arc::new(Stopped(7)));
        clock.reach(at(130));
        clock.reach(at(120));
        assert_eq!(clock.now_ms(), 130_000);
        clock.live();
        assert_eq!(clock.now_ms(), 7);
    }
}
