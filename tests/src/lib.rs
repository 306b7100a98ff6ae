//! System tests drive the shipped programs the way people do. This library starts and stops them.

pub mod broker;
pub mod mount;
pub mod programs;
pub mod receipts;
pub mod recorder;
pub mod relay;
pub mod witness;
