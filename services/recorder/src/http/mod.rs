//! What every request passes before and after its handler.

pub mod address;
pub mod body;
pub mod gate;
pub mod prefer;
pub mod rates;
