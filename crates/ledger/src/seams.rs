//! What the ledger takes from outside as arguments: time and randomness. Only `main` builds the
//! real clock; tests and the simulator pass fakes from [`sim`](crate::sim).

/// Tells the time of the server.
pub trait Clock: Send + Sync {
    /// Milliseconds since 1970-01-01T00:00:00Z. May jump in both directions; the ledger never lets
    /// `recorded_at` run backwards.
    fn now_ms(&self) -> i64;
}

/// Gives random bytes.
pub trait Random: Send {
    /// Fills `bytes`. The real one must not be guessable: salts make leaf hashes hiding.
    fn fill(&mut self, bytes: &mut [u8]);
}

/// Random bytes of the operating system (`getrandom(2)`).
#[derive(Debug, Clone, Copy, Default)]
pub struct OsRandom;

impl Random for OsRandom {
    /// # Panics
    /// If the system has no randomness to give: an entry without a secret salt must not be written.
    fn fill(&mut self, bytes: &mut [u8]) {
        let mut rest = bytes;
        while !rest.is_empty() {
            let flags = rustix::rand::GetRandomFlags::empty();
            let got = rustix::io::retry_on_intr(|| rustix::rand::getrandom(&mut *rest, flags))
                .expect("the operating system gives random bytes");
            rest = &mut rest[got..];
        }
    }
}
