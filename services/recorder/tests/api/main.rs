//! The HTTP surface, tested over real sockets against a real log in a directory of its own.

mod bad_input;
mod badges;
mod bench;
mod description;
mod equipment;
mod examples;
mod hostile;
mod logs;
mod matrix;
mod powder;
mod privacy;
mod reading;
mod sending;
mod taking;
mod tokens;
mod waste;
mod webhooks;
