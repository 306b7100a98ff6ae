//! The one way in: whatever comes over HTTP, over MQTT or out of the refused store goes through here
//! into the spool, and wakes the delivery.

use std::sync::Arc;

use crate::limits::RETRY_FULL_S;
use crate::line::Line;
use crate::metrics::Metrics;
use crate::parcel::Parcel;
use crate::problem::{Kind, Problem};
use crate::spool::{AppendError, Appended, Spool};

/// Takes parcels.
#[derive(Debug, Clone)]
pub struct Intake {
    /// Where they go.
    pub spool: Arc<Spool>,
    /// Whom it wakes.
    pub line: Arc<Line>,
    /// Where they are counted.
    pub metrics: Metrics,
}

impl Intake {
    /// Takes parcels, all or none. When this returns `Ok` they would survive a power cut. Blocks for a
    /// sync of the disk.
    ///
    /// # Errors
    /// [`Kind::SpoolFull`], [`Kind::StorageFull`], [`Kind::SpoolBroken`]: nothing was taken.
    pub fn take(&self, parcels: &[Parcel]) -> Result<Appended, Problem> {
        let count = |outcome, events: usize| {
            self.metrics.taken.with_label_values(&[outcome]).inc_by(events as u64);
        };
        match self.spool.append(parcels) {
            Ok(appended) => {
                count("new", appended.new);
                count("known", appended.known);
                self.line.work();
                Ok(appended)
            }
            Err(error) => {
                count("put_off", parcels.len());
                let kind = match error {
                    AppendError::Full => Kind::SpoolFull,
                    AppendError::NoRoom => Kind::StorageFull,
                    AppendError::Broken => Kind::SpoolBroken,
                };
                Err(Problem::new(kind, error.to_string()).retry_after(RETRY_FULL_S))
            }
        }
    }

    /// Counts events that were no events.
    pub fn refused(&self, events: usize) {
        self.metrics.taken.with_label_values(&["refused"]).inc_by(events as u64);
    }
}
