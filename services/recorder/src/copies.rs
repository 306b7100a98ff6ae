//! Copies of the log away from this machine: where they go, how they stand, and receipts that wait for
//! them.
//!
//! What is copied and how it is checked is the ledger's business ([`ledger::copies`]); here is where
//! it goes. With `acknowledge_after_copy` an answer that tells a client of an entry is given only when
//! the entry stands at that destination too, within a bounded wait. If it does not answer in time, the
//! client gets `not-copied` (503): the entry is recorded here and is shipped as soon as the
//! destination answers; sent again with the same id, the event gets the receipt it would have got,
//! once the copy stands.

mod bucket;

use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use ledger::copies::{Courier, Folder, OpenVault, Standing, Vault, VaultError};
use ledger::seams::Clock;

use crate::config::{Config, ConfigError, CopiesConfig, CopyConfig};
use crate::limits::{COPIES_MAX, COPY_FIRST_LOOK};
use crate::log::{Log, LogError, SecondPlace};
use crate::metrics::Metrics;

use bucket::Bucket;

/// The copies of a log that are kept up to date.
#[derive(Clone)]
pub struct Copies(Arc<Inner>);

struct Inner {
    places: Vec<SecondPlace>,
    couriers: Couriers,
    log: Log,
    clock: Arc<dyn Clock>,
    metrics: Metrics,
}

/// The threads that copy. Whoever holds them does not hold the log.
#[derive(Debug, Clone)]
pub struct Couriers(Arc<Mutex<Vec<Courier>>>);

impl Couriers {
    /// Ships what is left, as far as that goes in the time allowed, and stops. After the log was
    /// closed, so that its last checkpoint is copied too.
    pub fn stop(&self) {
        let mut couriers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for courier in couriers.drain(..) {
            courier.stop();
        }
    }
}

impl std::fmt::Debug for Copies {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Copies").field("places", &self.0.places).finish_non_exhaustive()
    }
}

/// How a copy stands against the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Lag {
    /// Its name in the configuration.
    pub name: String,
    /// Whether receipts wait for it.
    pub acknowledge: bool,
    /// What it told.
    pub standing: Standing,
    /// Entries it does not have; all of them while it was not reached.
    pub behind: u64,
    /// When the first of them was recorded, ms since 1970.
    pub since_ms: Option<i64>,
    /// How long ago that is, in seconds.
    pub behind_s: u64,
}

/// Values of a section `[copies]` that make no sense.
///
/// # Errors
/// [`ConfigError::Value`].
pub fn check(config: &CopiesConfig) -> Result<(), ConfigError> {
    let wrong = |name, what: &str| Err(ConfigError::Value { name, what: what.to_owned() });
    if config.to.len() > COPIES_MAX {
        return wrong("copies.to", "holds more than 8 destinations");
    }
    if config.interval_ms > 3_600_000 {
        return wrong("copies.interval_ms", "is at most 3600000 (an hour)");
    }
    if !(100..=60_000).contains(&config.acknowledge_ms_max) {
        return wrong("copies.acknowledge_ms_max", "is 100 to 60000");
    }
    for (at, to) in config.to.iter().enumerate() {
        let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_');
        if to.name.is_empty() || to.name.len() > 32 || !to.name.bytes().all(plain) {
            return wrong("copies.to.name", "is 1 to 32 letters, digits, `-` and `_`");
        }
        if config.to[..at].iter().any(|other| other.name == to.name) {
            return wrong("copies.to.name", "stands there twice");
        }
        match (&to.folder, &to.bucket) {
            (Some(_), None) => {
                let of_bucket = to.endpoint.is_some() || to.credentials_file.is_some();
                if of_bucket || to.lock_days.is_some() {
                    return wrong(
                        "copies.to.folder",
                        "has no `endpoint`, `credentials_file` or `lock_days`: those are of a bucket",
                    );
                }
            }
            (None, Some(_)) => bucket::check(to)?,
            _ => return wrong("copies.to", "has either a `folder` or a `bucket`"),
        }
    }
    Ok(())
}

/// Opens a destination. The log's own directory tells whether a folder lies on another disk.
///
/// # Errors
/// [`VaultError`].
pub fn open(to: &CopyConfig, data_dir: &Path, now_ms: i64) -> Result<Box<dyn Vault>, VaultError> {
    if let Some(folder) = &to.folder {
        let apart_from = (!to.same_disk).then_some(data_dir);
        return Ok(Box::new(Folder::open(folder, apart_from)?));
    }
    Ok(Box::new(Bucket::open(to, now_ms)?))
}

impl Copies {
    /// Starts to copy to every destination that is configured. Receipts wait from now on.
    ///
    /// # Errors
    /// [`LogError::Failed`] if a thread cannot be started.
    pub fn start(
        config: &Config,
        log: &Log,
        clock: &Arc<dyn Clock>,
        metrics: &Metrics,
    ) -> Result<Self, LogError> {
        let mut places = Vec::new();
        let mut couriers = Vec::new();
        for to in &config.copies.to {
            let interval = match to.acknowledge_after_copy {
                true => Duration::ZERO,
                false => Duration::from_millis(u64::from(config.copies.interval_ms)),
            };
            let (what, data_dir) = (to.clone(), config.log.data_dir.clone());
            let now = Arc::clone(clock);
            let open: OpenVault = Box::new(move || open(&what, &data_dir, now.now_ms()));
            let courier = log.start_courier(&to.name, open, interval)?;
            places.push(SecondPlace {
                name: to.name.clone(),
                acknowledge: to.acknowledge_after_copy,
                standing: courier.standing(),
            });
            couriers.push(courier);
        }
        let wait = Duration::from_millis(u64::from(config.copies.acknowledge_ms_max));
        log.wait_for(places.clone(), wait);
        let couriers = Couriers(Arc::new(Mutex::new(couriers)));
        let (log, clock, metrics) = (log.clone(), Arc::clone(clock), metrics.clone());
        Ok(Self(Arc::new(Inner { places, couriers, log, clock, metrics })))
    }

    /// Waits a moment until every destination told how it stands, so that a log that was put back to
    /// an older state is not written to before its copies were asked.
    pub async fn first_look(&self) {
        let looked = async {
            for place in &self.0.places {
                let mut standing = place.standing.clone();
                // Its thread cannot end before it was told to.
                let _ = standing.wait_for(|s| s.copied.is_some() || s.trouble.is_some()).await;
            }
        };
        // Whoever does not answer cannot keep the log from being used.
        let _ = tokio::time::timeout(COPY_FIRST_LOOK, looked).await;
    }

    /// How every copy stands.
    ///
    /// # Errors
    /// [`LogError::Failed`] if the log cannot be read.
    pub fn lags(&self) -> Result<Vec<Lag>, LogError> {
        let size = self.0.log.size();
        let now_ms = self.0.clock.now_ms();
        let lag = |place: &SecondPlace| {
            let standing = place.standing.borrow().clone();
            let copied = standing.copied.unwrap_or(0);
            let behind = size.saturating_sub(copied);
            let since_ms = match behind {
                0 => None,
                _ => self.0.log.recorded_at_ms(copied)?,
            };
            let age_ms = since_ms.map_or(0, |since| now_ms.saturating_sub(since));
            let behind_s = age_ms.max(0).unsigned_abs() / 1000;
            let (name, acknowledge) = (place.name.clone(), place.acknowledge);
            Ok(Lag { name, acknowledge, standing, behind, since_ms, behind_s })
        };
        self.0.places.iter().map(lag).collect()
    }

    /// Sets the metrics.
    pub fn measure(&self) {
        let Ok(lags) = self.lags() else { return };
        let metrics = &self.0.metrics;
        let number = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
        for lag in lags {
            let name = [lag.name.as_str()];
            metrics.copy_behind.with_label_values(&name).set(number(lag.behind));
            metrics.copy_behind_s.with_label_values(&name).set(number(lag.behind_s));
            metrics.copy_signed.with_label_values(&name).set(number(lag.standing.signed));
            let trouble = i64::from(lag.standing.trouble.is_some());
            metrics.copy_trouble.with_label_values(&name).set(trouble);
        }
    }

    /// The threads that copy.
    pub fn couriers(&self) -> Couriers {
        self.0.couriers.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn senseless_destinations_are_named() {
        let folder =
            CopyConfig { name: "nas".into(), folder: Some("/c".into()), ..Default::default() };
        let bucket = CopyConfig {
            name: "store".into(),
            bucket: Some("s3://copies/north/2026".into()),
            region: "eu-test-1".into(),
            credentials_file: Some("/etc/k".into()),
            ..Default::default()
        };
        let check = |to: Vec<CopyConfig>| check(&CopiesConfig { to, ..Default::default() });
        check(vec![folder.clone(), bucket.clone()]).unwrap();
        let names = |to: Vec<CopyConfig>, name: &str| {
            let error = check(to).unwrap_err().to_string();
            assert!(error.contains(name), "{error}");
        };
        names(vec![folder.clone(), folder.clone()], "twice");
        names(vec![CopyConfig { name: "a b".into(), ..folder.clone() }], "copies.to.name");
        names(vec![CopyConfig { folder: None, ..folder.clone() }], "copies.to");
        names(vec![CopyConfig { lock_days: Some(3), ..folder }], "lock_days");
        let of = |change: &dyn Fn(&mut CopyConfig)| {
            let mut to = bucket.clone();
            change(&mut to);
            vec![to]
        };
        names(of(&|to| to.bucket = Some("copies".into())), "copies.to.bucket");
        names(of(&|to| to.bucket = Some("s3://copies/a//b".into())), "copies.to.bucket");
        names(of(&|to| to.endpoint = Some("http://10.0.0.9:9000".into())), "copies.to.endpoint");
        names(of(&|to| to.credentials_file = None), "copies.to.credentials_file");
        names(of(&|to| to.lock_days = Some(0)), "copies.to.lock_days");
        names(of(&|to| to.lock_mode = "loose".into()), "copies.to.lock_mode");
    }
}
