//! System tests: the shipped programs, driven from outside.

mod database;
mod faults;
mod kill;
mod one_year;
mod relay;
mod trust;
