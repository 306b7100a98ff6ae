//! System tests: the shipped programs, driven from outside.

mod copies;
mod database;
mod faults;
mod formats;
mod kill;
mod one_year;
mod relay;
mod snapshot;
mod trust;
