//! What a printed document must be, as other programs see it.

mod archive;
mod hostile;
mod identity;
mod pages;
mod refusals;
mod sample;
mod tools;
