//! Every limit of the HTTP surface in one place, with its unit and its reason.
//!
//! What an operator may set differently lives in [`config`](crate::config) and has its default
//! here; what is part of the interface's promise is fixed here.

use std::time::Duration;

use chain::limits::EVENT_BYTES_MAX;

/// Largest body of a single event, in bytes, after decompression. White space and needless escapes
/// do not reach the log, so a sender may use a little more than the canonical form allows.
pub const EVENT_BODY_BYTES_MAX: usize = 2 * EVENT_BYTES_MAX;

/// Most events in a batch. A batch goes to the writer in one piece and should fit in one commit.
pub const BATCH_EVENTS_MAX: usize = 256;

/// Largest body of a batch, in bytes, after decompression.
pub const BATCH_BODY_BYTES_MAX: usize = 1 << 20;

/// Largest body of anything else, in bytes.
pub const OTHER_BODY_BYTES_MAX: usize = 64 << 10;

/// Longest free text that may be deposited, in characters.
pub const TEXT_CHARS_MAX: usize = 4_000;

/// Longest name of a person, in characters.
pub const NAME_CHARS_MAX: usize = 200;

/// Most entries in an excerpt: whoever needs more needs the full bundle.
pub const EXCERPT_ENTRIES_MAX: usize = 1_024;

/// Time in which a body must have arrived whole. A slow sender holds a connection, not memory.
pub const BODY_TIME_MAX: Duration = Duration::from_secs(20);

/// Time in which the request head must have arrived.
pub const HEAD_TIME_MAX: Duration = Duration::from_secs(10);

/// Time an idle connection is kept.
pub const KEEP_ALIVE: Duration = Duration::from_secs(65);

/// Time in which the writer must have answered; after it the client is told to ask again with the
/// same id. The event may be recorded all the same.
pub const WRITER_TIME_MAX: Duration = Duration::from_secs(30);

/// Time in which what another recorder of a shared log recorded must have been taken in.
pub const FOLLOW_TIME_MAX: Duration = Duration::from_secs(10);

/// Times a batch that is recorded as a whole is tried again because another process recorded between
/// its trial and its record.
pub const TRIALS_MAX: usize = 16;

/// Time that running requests get when the service stops.
pub const STOP_TIME_MAX: Duration = Duration::from_secs(20);

/// Longest bearer token, in bytes: generous for RS256 with many claims.
pub const TOKEN_BYTES_MAX: usize = 8 << 10;

/// Tolerance for clocks that differ, on `exp`, `nbf` and `iat`, in seconds.
pub const TOKEN_LEEWAY_S: i64 = 5;

/// Most verified tokens remembered. About 500 bytes each.
pub const TOKEN_CACHE_MAX: usize = 4_096;

/// Most badge sessions at once, and most tokens remembered that were signed out. About 200 bytes each; a
/// badge session lasts half an hour.
pub const SESSIONS_MAX: usize = 4_096;

/// Most keys taken from one key set.
pub const JWKS_KEYS_MAX: usize = 32;

/// Largest key set, in bytes.
pub const JWKS_BYTES_MAX: usize = 256 << 10;

/// Age at which a key set is fetched again; also the longest time a withdrawn key lives on.
pub const JWKS_AGE_MAX: Duration = Duration::from_secs(600);

/// Least time between two fetches of a key set, whatever key ids the tokens name: tokens of
/// strangers must not make us knock at the issuer's door.
pub const JWKS_FETCH_GAP: Duration = Duration::from_secs(30);

/// Time a key set has to arrive.
pub const JWKS_TIME_MAX: Duration = Duration::from_secs(5);

/// Most refused requests that are recorded as entries in a minute, over all clients; the rest is
/// counted only. The log must not grow at the will of those who have no right to write.
pub const REFUSALS_RECORDED_PER_MINUTE: u32 = 30;

/// Least time between two recorded refusals of one client and one operation.
pub const REFUSAL_REPEAT_GAP: Duration = Duration::from_secs(600);

/// Most clients whose rates are remembered before idle ones are forgotten.
pub const RATE_CLIENTS_MAX: usize = 10_000;

/// Entries on a page of the feed: default and most.
pub const FEED_PAGE_DEFAULT: usize = 100;
/// Most entries on a page of the feed.
pub const FEED_PAGE_MAX: usize = 1_000;

/// Entries looked at for one page of a filtered feed before it is returned short, so that a rare
/// filter over a long log cannot hold a thread.
pub const FEED_LOOK_MAX: u64 = 20_000;

/// Longest a feed request waits for something new, in seconds.
pub const FEED_WAIT_S_MAX: u64 = 30;

/// Most requests that wait for news at once (long polls and event streams).
pub const FEED_WAITERS_MAX: usize = 256;

/// Most reports and evidence bundles that are made at once: each may hold a copy of the state or a
/// thread for as long as the client takes.
pub const EXPORTS_MAX: usize = 4;

/// Most checkpoints in an evidence bundle, the newest ones: one a minute is half a million in a year.
pub const EVIDENCE_CHECKPOINTS_MAX: usize = 1_024;

/// Bytes read from the log in one go when many entries are wanted.
pub const SCAN_BYTES: usize = 256 << 10;

/// Seconds a client is asked to wait when the queue is full.
pub const RETRY_BUSY_S: u32 = 1;

/// Seconds a client is asked to wait when too many wait for news.
pub const RETRY_WAITING_S: u32 = 10;

/// Most witnesses: a checkpoint has room for 64 signature lines, and readers add some.
pub const WITNESSES_MAX: usize = 32;

/// Largest answer of a witness, in bytes: a few signature lines, or a note.
pub const WITNESS_ANSWER_BYTES_MAX: usize = 64 << 10;

/// Time after which witnesses that did not cosign the newest checkpoint are asked again.
pub const WITNESS_RETRY: Duration = Duration::from_secs(30);

/// Most checkpoints looked through at start for the newest that is cosigned.
pub const WITNESS_LOOK_BACK_MAX: usize = 2_000;

/// Most logs that are followed: the state of each is held in memory.
pub const FOLLOWED_MAX: usize = 200;

/// Entries of a followed log that are fetched at once.
pub const FOLLOW_PAGE: usize = 250;

/// Looks in a row at which a followed log must contradict what was kept before that is recorded. An
/// old answer from some cache on the way is no contradiction.
pub const LOOKS_BEFORE_DISPUTE: u32 = 3;

/// Most webhook subscriptions: each has a task, a file and series of its own.
pub const WEBHOOKS_MAX: usize = 64;

/// Most attempts that may be configured for a delivery.
pub const WEBHOOK_ATTEMPTS_MAX: u32 = 100;

/// Longest time a receiver can ask to be left alone.
pub const WEBHOOK_RETRY_AFTER_MAX: Duration = Duration::from_secs(24 * 3_600);

/// Most dead letters of a subscription. When the list is full the subscription is suspended: nothing
/// is dropped without a word.
pub const WEBHOOK_DEAD_LETTERS_MAX: usize = 1_000;

/// Largest file of a subscription, in bytes: a full list of dead letters has about 200 each.
pub const WEBHOOK_STATE_BYTES_MAX: u64 = 4 << 20;

/// Entries a subscription takes out of the log at once.
pub const WEBHOOK_LOOK: usize = 64;

/// Time after which a subscription that could not read the log tries again.
pub const WEBHOOK_LOOK_RETRY: Duration = Duration::from_secs(30);

/// Deliveries in a row between two writes of the cursor: so many are sent twice after a crash.
pub const WEBHOOK_KEPT_EACH: u64 = 32;

/// Entries nobody wanted between two writes of the cursor: so many are looked at twice after a crash.
pub const WEBHOOK_SKIPPED_KEPT_EACH: u64 = 10_000;

/// Most destinations of copies: each has a thread and series of its own.
pub const COPIES_MAX: usize = 8;

/// Time the destinations have at start to say how far they are before clients may record.
pub const COPY_FIRST_LOOK: Duration = Duration::from_secs(5);

/// Time object storage has for an answer.
pub const COPY_ANSWER_TIME: Duration = Duration::from_secs(20);

/// Time a connection to object storage has to be made.
pub const COPY_CONNECT_TIME: Duration = Duration::from_secs(5);

/// Most days an object can be locked: a hundred years.
pub const COPY_LOCK_DAYS_MAX: u32 = 36_500;

const _: () = {
    assert!(BATCH_BODY_BYTES_MAX >= EVENT_BODY_BYTES_MAX);
    assert!(FEED_PAGE_DEFAULT <= FEED_PAGE_MAX);
    assert!(FOLLOW_PAGE <= FEED_PAGE_MAX);
    assert!(TOKEN_LEEWAY_S < 60, "more would keep withdrawn tokens alive");
};
