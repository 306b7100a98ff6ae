//! Reports: compiled from the folds as plain data, then written as canonical JSON, CSV and PDF.
//!
//! Pure: no clock, no files, no network. The same state, period and log head give the same bytes.
//!
//! * [`disposal`] compiles the disposal report of a site and period, a custody sheet of a shipment
//!   and the label of a container;
//! * [`maintenance`] compiles the maintenance report of a site and period;
//! * [`lot`] compiles the powder report of a lot, from its birth certificate to its last gram;
//! * [`kinds`] puts these behind one door, so that every kind is issued and checked alike;
//! * [`signatures`] are those of the entries a report rests on;
//! * [`evidence`] is what a printed report carries to be checked by;
//! * [`lineage`] draws where powder came from and where it went;
//! * [`json`] writes plain data as canonical JSON;
//! * [`csv`] writes tables for spreadsheets, with formula cells defused;
//! * [`pdf`] sets documents for print and archive.

pub mod csv;
pub mod disposal;
pub mod evidence;
pub mod json;
pub mod kinds;
pub mod lineage;
pub mod lot;
pub mod maintenance;
pub mod pdf;
pub mod signatures;
mod texts;

pub use kinds::{About, Period, Report};
