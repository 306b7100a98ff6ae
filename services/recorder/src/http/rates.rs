//! How fast a client may ask, by token subject; and how often a stranger may fail, by address.

use std::net::IpAddr;
use std::num::NonZeroU32;

use governor::clock::{Clock as _, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};

use crate::config::LimitsConfig;
use crate::limits::RATE_CLIENTS_MAX;
use crate::problem::{Kind, Problem, Result};

/// Rates of all clients.
#[derive(Debug)]
pub struct Rates {
    clients: DefaultKeyedRateLimiter<String>,
    strangers: DefaultKeyedRateLimiter<IpAddr>,
    /// Monotonic; the wall clock has no say in rates.
    clock: DefaultClock,
}

impl Rates {
    /// Rates as configured.
    pub fn new(limits: &LimitsConfig) -> Self {
        let number = |n: u32| NonZeroU32::new(n).unwrap_or(NonZeroU32::MIN);
        let clients = Quota::per_second(number(limits.requests_per_s))
            .allow_burst(number(limits.requests_burst));
        let strangers = Quota::per_minute(number(limits.failed_sign_ins_per_minute));
        Self {
            clients: RateLimiter::keyed(clients),
            strangers: RateLimiter::keyed(strangers),
            clock: DefaultClock::default(),
        }
    }

    /// Takes one request of a client.
    ///
    /// # Errors
    /// [`Kind::RateLimited`].
    pub fn take(&self, subject: &str) -> Result<()> {
        if self.clients.len() > RATE_CLIENTS_MAX {
            self.clients.retain_recent();
        }
        self.clients.check_key(&subject.to_owned()).map_err(|early| self.wait(&early))
    }

    /// Takes one failed sign-in of an address.
    ///
    /// # Errors
    /// [`Kind::RateLimited`].
    pub fn take_failure(&self, address: IpAddr) -> Result<()> {
        if self.strangers.len() > RATE_CLIENTS_MAX {
            self.strangers.retain_recent();
        }
        self.strangers.check_key(&address).map_err(|early| self.wait(&early))
    }

    fn wait(&self, early: &governor::NotUntil<governor::clock::QuantaInstant>) -> Problem {
        let wait = early.wait_time_from(self.clock.now());
        let seconds = u32::try_from(wait.as_secs().saturating_add(1)).unwrap_or(u32::MAX);
        Problem::new(Kind::RateLimited, "this client asks faster than it may").retry_after(seconds)
    }
}
