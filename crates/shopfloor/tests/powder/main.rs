//! Powder: lots, double entry, genealogy, impact, balances.

mod balances;
mod check_values;
mod decisions;
mod lineage;
mod lots;
mod properties;
mod rules;
mod shop;
mod torn_sieve;
mod waste_moves;
