//! Statistics over recorded figures: the only place of this crate where binary floats are allowed.
//!
//! Results never enter a fold's state or the log; they are shown rounded, beside the readings they
//! rest on.
