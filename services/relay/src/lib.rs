//! Store and forward for the shop floor: takes CloudEvents from machines over HTTP and MQTT, keeps them
//! on disk before it says so, and sends them on to the recorder in order until each is recorded.
//!
//! Delivery is at least once; the recorder knows an event by `source` and `id` and records it once.
//! Together that is exactly once in the log.

use std::sync::Arc;

pub mod answer;
pub mod clients;
pub mod config;
pub mod courier;
pub mod door;
pub mod intake;
pub mod limits;
pub mod line;
pub mod local;
pub mod metrics;
pub mod mqtt;
pub mod parcel;
pub mod problem;
pub mod refused;
pub mod service;
pub mod spool;
pub mod tls;
pub mod upstream;
pub mod wire;

/// Tells ms since 1970; only `main` builds the real one.
pub type Clock = Arc<dyn Fn() -> i64 + Send + Sync>;
