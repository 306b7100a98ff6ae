//! Every limit of the relay in one place, with its unit and its reason. What belongs to the recorder's
//! interface has the recorder's value: whoever keeps to its description keeps to ours.

use std::time::Duration;

use chain::limits::EVENT_BYTES_MAX;

/// Largest body of a single event, in bytes, after decompression (recorder: the same).
pub const EVENT_BODY_BYTES_MAX: usize = 2 * EVENT_BYTES_MAX;

/// Largest body of a batch, in bytes, after decompression; and of what is sent on in one request
/// (recorder: the same).
pub const BATCH_BODY_BYTES_MAX: usize = 1 << 20;

/// Most events in a batch, taken or sent on (recorder: the same).
pub const BATCH_EVENTS_MAX: usize = 256;

/// Longest header value that is kept with an event (`Prefer`, signature), in bytes.
pub const KEPT_HEADER_BYTES_MAX: usize = 1_024;

/// Largest payload of a frame of the spool: a batch that is recorded as a whole, and its head.
pub const FRAME_BYTES_MAX: usize = BATCH_BODY_BYTES_MAX + (16 << 10);

/// Size at which a segment of the spool is closed, in bytes. What is delivered is deleted segment by
/// segment, and the newest one is copied at start.
pub const SEGMENT_BYTES: u64 = 4 << 20;

/// Segments a small spool has at least, if it is full: a delivered one can be deleted while the next
/// is written.
pub const SEGMENTS_MIN: u64 = 8;

/// Least bound of the spool, in bytes: a few of the largest frames.
pub const SPOOL_BYTES_MIN: u64 = 4 << 20;

/// Time in which a body must have arrived whole.
pub const BODY_TIME_MAX: Duration = Duration::from_secs(20);

/// Time in which the request head must have arrived.
pub const HEAD_TIME_MAX: Duration = Duration::from_secs(10);

/// Connections at once, over all workers.
pub const CONNECTIONS_MAX: usize = 512;

/// Seconds a client is asked to wait when the spool is full.
pub const RETRY_FULL_S: u32 = 10;

/// First pause after a failed delivery; doubled with each further failure.
pub const PAUSE_MIN: Duration = Duration::from_millis(500);

/// Longest pause that the recorder may ask for with `Retry-After`: a wrong clock on its side must
/// not stop the line for a day.
pub const RETRY_AFTER_MAX: Duration = Duration::from_secs(3_600);

/// Time the recorder has for its whole answer. It promises to answer or to say so within 30 s.
pub const ANSWER_TIME_MAX: Duration = Duration::from_secs(60);

/// Time a connection to the recorder may take.
pub const CONNECT_TIME_MAX: Duration = Duration::from_secs(10);

/// Largest answer of the recorder, in bytes: a batch in which every event has findings.
pub const ANSWER_BYTES_MAX: u64 = 16 << 20;

/// Messages the broker may send before one is acknowledged: with them the memory of the MQTT side is
/// bounded (MQTT 5.0, section 3.1.2.11.3), and one sync of the spool serves many.
pub const MQTT_RECEIVE_MAX: u16 = 64;

/// Messages kept before nothing more is read from the broker: brokers were seen that send more than the
/// receive maximum when a session goes on.
pub const MQTT_QUEUE_MAX: usize = 1_024;

/// Bytes of them.
pub const MQTT_QUEUE_BYTES_MAX: usize = 16 << 20;

/// Pause while nothing is read.
pub const MQTT_FULL_PAUSE: Duration = Duration::from_millis(20);

/// Pause before a message that found no room is tried again, and between two connections.
pub const MQTT_PAUSE: Duration = Duration::from_secs(1);

/// How long the broker keeps our subscriptions and messages while we are away, in seconds: a week.
pub const MQTT_SESSION_S: u32 = 7 * 24 * 3_600;

/// Longest token of the recorder, in bytes.
pub const TOKEN_BYTES_MAX: usize = 8 << 10;

const _: () = {
    assert!(BATCH_BODY_BYTES_MAX >= EVENT_BODY_BYTES_MAX);
    assert!(FRAME_BYTES_MAX > BATCH_BODY_BYTES_MAX + 2 * KEPT_HEADER_BYTES_MAX);
    assert!(SPOOL_BYTES_MIN - SPOOL_BYTES_MIN / SEGMENTS_MIN > 2 * FRAME_BYTES_MAX as u64);
};
