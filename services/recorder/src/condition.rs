//! What is wrong with the service, in words an operator can look up: each condition has a code, a
//! consequence and a section in `deploy/OPERATIONS.md`.

use ledger::{Health, NotWriting};

use crate::app::Recorder;
use crate::problem::Problem;
use crate::storage::Measured;

/// A certificate that ends sooner is told of, in seconds: 21 days (common practice, no source).
pub const CERTIFICATE_ENDS_S: i64 = 21 * 86_400;
/// A clock further behind the newest entry than this is told of, in ms.
pub const CLOCK_BEHIND_MS: i64 = 5_000;
/// An index further behind than this is told of, in entries: more than it takes in within a second.
pub const INDEX_BEHIND: u64 = 10_000;

/// Something that stands in the way of the service, or will.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Condition {
    /// A write, a sync or a signature failed; nothing is written until the next start.
    WriterStopped,
    /// Opening found damage or a contradiction.
    ReadOnly,
    /// The log was closed for good.
    LogClosed,
    /// No room on the disk.
    DiskFull,
    /// The database that holds the log does not answer.
    DatabaseAway,
    /// A witness showed that the log was longer, or had another history.
    Contradicted,
    /// Witnesses must cover the log and do not.
    ClientsBarred,
    /// Receipts wait for a copy that does not go on.
    NotCopied,
    /// Soon no room on the disk.
    DiskNearlyFull,
    /// The background reading found entries that changed.
    DamageFound,
    /// The index does not follow.
    IndexBehind,
    /// The clock stands behind the newest entry.
    ClockBehind,
    /// No witness has covered the log for longer than it should be.
    WitnessOverdue,
    /// A copy for which no receipt waits does not go on.
    CopyBehind,
    /// A certificate ends soon or has ended.
    CertificateEnds,
}

impl Condition {
    /// All of them.
    pub const ALL: [Self; 15] = [
        Self::WriterStopped,
        Self::ReadOnly,
        Self::LogClosed,
        Self::DiskFull,
        Self::DatabaseAway,
        Self::Contradicted,
        Self::ClientsBarred,
        Self::NotCopied,
        Self::DiskNearlyFull,
        Self::DamageFound,
        Self::IndexBehind,
        Self::ClockBehind,
        Self::WitnessOverdue,
        Self::CopyBehind,
        Self::CertificateEnds,
    ];

    /// Its code.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::WriterStopped => "writer-stopped",
            Self::ReadOnly => "read-only",
            Self::LogClosed => "log-closed",
            Self::DiskFull => "disk-full",
            Self::DatabaseAway => "database-away",
            Self::Contradicted => "contradicted",
            Self::ClientsBarred => "clients-barred",
            Self::NotCopied => "not-copied",
            Self::DiskNearlyFull => "disk-nearly-full",
            Self::DamageFound => "damage-found",
            Self::IndexBehind => "index-behind",
            Self::ClockBehind => "clock-behind",
            Self::WitnessOverdue => "witness-overdue",
            Self::CopyBehind => "copy-behind",
            Self::CertificateEnds => "certificate-ends",
        }
    }

    /// What it is, for everybody: nothing of the shop, no path, no name.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::WriterStopped => {
                "a write or a signature failed; nothing is written until a restart"
            }
            Self::ReadOnly => {
                "the log was opened for reading only: it is damaged or contradicts itself"
            }
            Self::LogClosed => "the log was closed for good",
            Self::DiskFull => "the disk of the log is full",
            Self::DatabaseAway => "the database that holds the log does not answer",
            Self::Contradicted => {
                "a witness remembers more of this log, or something else: was an old copy put back?"
            }
            Self::ClientsBarred => "clients may not record: the log's witnesses do not cover it",
            Self::NotCopied => "receipts wait for a copy of the log that does not go on",
            Self::DiskNearlyFull => "the disk of the log will be full soon",
            Self::DamageFound => "entries on the disk are not what was signed",
            Self::IndexBehind => "the index does not follow; answers are slower",
            Self::ClockBehind => "the clock stands behind the newest entry",
            Self::WitnessOverdue => "no witness has covered the newest entries for too long",
            Self::CopyBehind => "a copy of the log does not go on",
            Self::CertificateEnds => "the certificate of the service ends soon or has ended",
        }
    }

    /// Whether clients cannot record because of it.
    #[must_use]
    pub fn blocks(self) -> bool {
        match self {
            Self::WriterStopped
            | Self::ReadOnly
            | Self::LogClosed
            | Self::DiskFull
            | Self::DatabaseAway
            | Self::Contradicted
            | Self::ClientsBarred
            | Self::NotCopied => true,
            Self::DiskNearlyFull
            | Self::DamageFound
            | Self::IndexBehind
            | Self::ClockBehind
            | Self::WitnessOverdue
            | Self::CopyBehind
            | Self::CertificateEnds => false,
        }
    }
}

/// What the log and its disk say, from what was measured.
fn of_log(health: &Health, disk: Option<&Measured>) -> Vec<Condition> {
    let mut found = Vec::new();
    found.extend(health.not_writing_kind.map(|kind| match kind {
        NotWriting::Halted => Condition::WriterStopped,
        NotWriting::ReadOnly => Condition::ReadOnly,
        NotWriting::Full => Condition::DiskFull,
        NotWriting::Away => Condition::DatabaseAway,
    }));
    if disk.is_some_and(|disk| disk.nearly_full) {
        found.push(Condition::DiskNearlyFull);
    }
    if health.scrub.damage.is_some() {
        found.push(Condition::DamageFound);
    }
    let behind = health.count.saturating_sub(health.index_count);
    if health.index_error.is_some() || behind > INDEX_BEHIND {
        found.push(Condition::IndexBehind);
    }
    if health.clock_behind_ms > CLOCK_BEHIND_MS {
        found.push(Condition::ClockBehind);
    }
    found
}

/// Everything that stands, the worst first. Reads the disk: not for threads that serve requests.
///
/// # Errors
/// If the log cannot be read.
pub fn standing(recorder: &Recorder) -> Result<(Vec<Condition>, Option<Measured>), Problem> {
    let log = &recorder.log;
    let now_ms = recorder.clock.now_ms();
    // A disk that cannot be measured is no reason to say nothing of the rest.
    let disk = recorder.storage.measure(log, now_ms);
    if let Err(error) = &disk {
        tracing::warn!(%error, "the disk of the log cannot be measured");
    }
    let disk = disk.ok();
    let mut found = of_log(&log.health(), disk.as_ref());
    if log.ask(|state| state.record.closed_by()).is_some() {
        found.push(Condition::LogClosed);
    }
    if recorder.witnesses.are_contradicting() {
        found.push(Condition::Contradicted);
    } else if log.is_barred() {
        found.push(Condition::ClientsBarred);
    } else if recorder.witnesses.are_configured() {
        let limit_s = u64::from(recorder.config.witnessing.unwitnessed_s_max);
        if recorder.witnesses.window()?.age_s > limit_s {
            found.push(Condition::WitnessOverdue);
        }
    }
    let stands_still = recorder.copies.lags()?;
    let stands_still = stands_still.iter().filter(|lag| lag.standing.trouble.is_some());
    found.extend(stands_still.map(|lag| match lag.acknowledge {
        true => Condition::NotCopied,
        false => Condition::CopyBehind,
    }));
    if recorder.certificate_end_s.is_some_and(|end_s| end_s - now_ms / 1_000 < CERTIFICATE_ENDS_S) {
        found.push(Condition::CertificateEnds);
    }
    found.sort_unstable();
    found.dedup();
    Ok((found, disk))
}

#[cfg(test)]
mod tests {
    use super::*;
    use ledger::engine::files::Outcome as Opening;
    use ledger::{IndexReport, OpenReport, ScrubReport};

    fn health() -> Health {
        let report = OpenReport {
            origin: "records.brackwater.example/test".to_owned(),
            count: 5,
            opening: Opening::Clean,
            index: IndexReport::Followed { entries: 0 },
        };
        Health {
            count: 5,
            as_of: 5,
            watermark_size: 5,
            index_count: 5,
            index_error: None,
            skipped: 0,
            clock_behind_ms: 0,
            waiting: 0,
            not_writing: None,
            not_writing_kind: None,
            scrub: ScrubReport::default(),
            report,
        }
    }

    #[test]
    fn each_trouble_of_the_log_is_its_condition() {
        let of = |change: &dyn Fn(&mut Health)| {
            let mut health = health();
            change(&mut health);
            of_log(&health, None)
        };
        assert_eq!(of(&|_| {}), []);
        let halted = |h: &mut Health| h.not_writing_kind = Some(NotWriting::Halted);
        assert_eq!(of(&halted), [Condition::WriterStopped]);
        let damaged = |h: &mut Health| h.not_writing_kind = Some(NotWriting::ReadOnly);
        assert_eq!(of(&damaged), [Condition::ReadOnly]);
        assert_eq!(of(&|h| h.not_writing_kind = Some(NotWriting::Full)), [Condition::DiskFull]);
        let away = |h: &mut Health| h.not_writing_kind = Some(NotWriting::Away);
        assert_eq!(of(&away), [Condition::DatabaseAway]);
        assert_eq!(of(&|h| h.index_error = Some("x".into())), [Condition::IndexBehind]);
        assert_eq!(of(&|h| h.count = 5 + INDEX_BEHIND + 1), [Condition::IndexBehind]);
        assert_eq!(of(&|h| h.count = 5 + INDEX_BEHIND), []);
        assert_eq!(of(&|h| h.clock_behind_ms = CLOCK_BEHIND_MS + 1), [Condition::ClockBehind]);
        let disk = Measured { nearly_full: true, ..Measured::default() };
        assert_eq!(of_log(&health(), Some(&disk)), [Condition::DiskNearlyFull]);
    }

    #[test]
    fn every_condition_has_a_code_and_a_section_in_the_run_book() {
        let book = concat!(env!("CARGO_MANIFEST_DIR"), "/../../deploy/OPERATIONS.md");
        let book = std::fs::read_to_string(book).unwrap();
        let codes: std::collections::BTreeSet<_> =
            Condition::ALL.iter().map(|condition| condition.code()).collect();
        assert_eq!(codes.len(), Condition::ALL.len());
        for code in codes {
            assert!(book.contains(&format!("### `{code}`")), "`{code}` has no section");
        }
    }
}
