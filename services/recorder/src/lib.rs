//! The recorder: the log's HTTP surface, and the program around it.
//!
//! Everything that needs a clock, randomness or keys gets it as an argument, so that the whole
//! service can run in one process of a test. `main` builds the real ones.

pub mod api;
pub mod app;
pub mod authn;
pub mod authz;
pub mod cli;
pub mod condition;
pub mod config;
pub mod copies;
pub mod demo;
pub mod following;
pub mod http;
pub mod limits;
pub mod log;
pub mod metrics;
pub mod openapi;
pub mod pages;
pub mod problem;
mod refusals;
pub mod reports;
pub mod secret;
pub mod selection;
pub mod storage;
pub mod telemetry;
pub mod tls;
pub mod webhooks;
pub mod witnesses;
