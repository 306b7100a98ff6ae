//! Powder: lots, double entry, genealogy, impact, balances.

mod balances;
mod check_values;
mod shop;
