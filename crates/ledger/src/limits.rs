//! Every limit of the ledger, with its unit and its reason.

/// Size of a pre-allocated segment, in bytes: about 32,000 entries of 512 bytes. Large enough that
/// changing the segment is rare, small enough to be read whole at start and checked in parallel.
pub const SEGMENT_BYTES: u64 = 16 << 20;

/// Smallest segment size that may be configured, in bytes: a few dozen entries, for small places and
/// for tests. A segment grows if a batch is larger.
pub const SEGMENT_BYTES_MIN: u64 = 16 << 10;

/// Largest segment size that may be configured, in bytes: offsets inside a segment are `u32`, and
/// the last segment is held in memory at start.
pub const SEGMENT_BYTES_MAX: u64 = 256 << 20;

/// Most entries in one commit. Beyond about a thousand the sync is already paid for many times over
/// and waiting clients only wait longer.
pub const BATCH_ENTRIES_MAX: usize = 1_024;

/// Most bytes of entries in one commit. Must hold one largest entry.
pub const BATCH_BYTES_MAX: usize = 4 << 20;

/// Submissions waiting for the writer. When it is full the answer is "busy, try again". Room for 64
/// clients with a hundred events each, twice over; their bytes are bounded apart.
pub const QUEUE_SUBMISSIONS_MAX: usize = 16_384;

/// Bytes of events waiting for the writer. Two largest batches and what gathers meanwhile.
pub const QUEUE_BYTES_MAX: usize = 16 << 20;

/// Bytes a background scrub reads at a time.
pub const SCRUB_STEP_BYTES: usize = 256 << 10;

/// Rest between two full scrubs of the log, in ms: a day.
pub const SCRUB_REST_MS: i64 = 24 * 3_600_000;

/// Every how many entries of a segment an offset is kept in memory: 4 bytes per 16 entries is
/// 0.25 bytes per entry, and a read skips at most 15 entries.
pub const OFFSET_EVERY: u64 = 16;

/// Bytes one scan reads at most, unless a single entry is longer.
pub const SCAN_BYTES_MAX: usize = 1 << 20;

/// Entries since the last signed watermark after which a new one is due.
pub const WATERMARK_ENTRIES: u64 = 1_000;

/// Age of the oldest entry not covered by a watermark after which a new one is due, in ms.
pub const WATERMARK_AGE_MS: i64 = 1_000;

/// Age of the newest published checkpoint after which a new one is published if the log grew, in
/// ms. Published checkpoints are kept for ever: one a minute is half a million files in a year.
pub const PUBLISH_AGE_MS: i64 = 60_000;

/// Entries that may be newer than the index cursor, their keys being held in memory. About 100
/// bytes each; beyond it the writer is "busy" until the index has caught up.
pub const KEYS_AHEAD_MAX: usize = 262_144;

/// Page cache of the index, in bytes (its own default is 1 GiB).
pub const INDEX_CACHE_BYTES: u64 = 16 << 20;

/// Entries the index takes in one transaction.
pub const INDEX_STEP_BYTES: usize = 1 << 20;

/// How long the writer looks for the next request before it sleeps, in microseconds: as long as a
/// client that waits needs to send its next event.
pub const LINGER_US: u64 = 50;

/// Entries after which a new snapshot of the state is due, unless the last one took so long that more
/// would slow down the rest: a start replays about so much, in about a second.
pub const SNAPSHOT_ENTRIES: u64 = 100_000;

/// Bytes of replaced pieces of a state that a snapshot leaves where they are, besides as many as count.
pub const SNAPSHOT_GARBAGE_BYTES: u64 = 64 << 20;

/// Bytes of entries in one object of the tail of a copy, unless a single chunk is longer.
pub const COPY_PIECE_BYTES: usize = 4 << 20;

/// Published checkpoints a copier ships before it looks for new entries again.
pub const COPY_CHECKPOINTS_AT_ONCE: usize = 64;

/// The newest published checkpoints that a copier looks at again, because they may gain cosignatures.
pub const COPY_CHECKPOINTS_LOOKED_AT: usize = 8;

/// How often a copier looks for news that nobody told it of, in ms.
pub const COPY_LOOK_MS: u64 = 1_000;

/// Waits after a copy failed: the first, which doubles, and the longest, in ms.
pub const COPY_RETRY_MS: (u64, u64) = (500, 30_000);

/// Time the last entries have to reach a copy when the service stops, in ms.
pub const COPY_STOP_MS: u64 = 10_000;

/// Largest record of the people store, in bytes.
pub const PERSON_BYTES_MAX: u64 = 65_536;

/// How often a process that shares its log looks whether others appended, in ms. Under load it
/// learns that anyway, when it loses a race.
pub const FOLLOW_MS: u64 = 100;

/// Turns at the end of a shared log after which submissions are "busy". With the first lost race the
/// process gets the next turn; only a batch that does not fit in one turn needs another.
pub const TURNS_MAX: usize = 8;

/// What the client is told to wait when the queue is full, in seconds.
pub const RETRY_AFTER_S: u64 = 1;

const _: () = {
    assert!(BATCH_BYTES_MAX > chain::limits::ENTRY_BYTES_MAX + 64);
    assert!(SEGMENT_BYTES_MIN <= SEGMENT_BYTES && SEGMENT_BYTES <= SEGMENT_BYTES_MAX);
    assert!(SEGMENT_BYTES_MAX + (BATCH_BYTES_MAX as u64) < u32::MAX as u64);
    assert!(SEGMENT_BYTES >= 2 * BATCH_BYTES_MAX as u64);
    assert!(QUEUE_SUBMISSIONS_MAX >= 2 * BATCH_ENTRIES_MAX, "the next batch fills while one syncs");
    assert!(QUEUE_BYTES_MAX >= 2 * BATCH_BYTES_MAX);
    assert!(KEYS_AHEAD_MAX >= 4 * BATCH_ENTRIES_MAX);
};
