//! The simulation's own account of powder: what truly lies where, beside what the scales said.
//!
//! True masses are in grams and only move; nothing is made or lost except at the edges (supplier,
//! loss). What is recorded is what a scale with a resolution showed, so the recorded account closes
//! only within its uncertainty, as in a real shop.

use std::collections::BTreeMap;

use super::rng::Rng;

/// A scale's resolution in grams.
pub(super) type Resolution = i64;

/// The account.
#[derive(Debug, Default)]
pub(super) struct Stock {
    truth_g: BTreeMap<String, i64>,
    book_g: BTreeMap<String, i64>,
}

impl Stock {
    /// What truly lies in a place, grams.
    pub(super) fn truth(&self, place: &str) -> i64 {
        self.truth_g.get(place).copied().unwrap_or(0)
    }

    /// What the record says lies in a place, grams.
    pub(super) fn book(&self, place: &str) -> i64 {
        self.book_g.get(place).copied().unwrap_or(0)
    }

    /// Moves about `about_g` and returns what the scale showed, grams (a multiple of the
    /// resolution). The true mass differs from it by at most half a step.
    pub(super) fn carry(
        &mut self,
        rng: &mut Rng,
        from: &str,
        into: &str,
        about_g: i64,
        step_g: Resolution,
    ) -> i64 {
        let shown = (about_g / step_g) * step_g;
        let truth = shown + rng.range(-step_g / 2, step_g / 2);
        self.shift(from, into, truth, shown);
        shown
    }

    /// Moves a true mass that the record tells differently (0: not at all).
    pub(super) fn shift(&mut self, from: &str, into: &str, truth_g: i64, shown_g: i64) {
        for (place, sign) in [(from, -1), (into, 1)] {
            *self.truth_g.entry(place.to_owned()).or_default() += sign * truth_g;
            *self.book_g.entry(place.to_owned()).or_default() += sign * shown_g;
        }
    }

    /// What a scale shows of all that lies in a place.
    pub(super) fn weigh(&self, place: &str, step_g: Resolution) -> i64 {
        round(self.truth(place), step_g)
    }

    /// Sum over all places, edges included: always zero.
    pub(super) fn total_g(&self) -> i64 {
        self.truth_g.values().sum()
    }

    /// Places whose content is negative although they are no edge, with truth and book in grams.
    #[cfg(test)]
    pub(super) fn overdrawn(&self) -> impl Iterator<Item = (&str, i64, i64)> {
        self.truth_g
            .iter()
            .filter(|(place, _)| !place.starts_with("supplier/"))
            .map(|(place, truth)| (place.as_str(), *truth, self.book(place)))
            .filter(|(_, truth, book)| *truth < 0 || *book < 0)
    }
}

/// Rounds to the nearest multiple of the resolution.
pub(super) fn round(grams: i64, step_g: Resolution) -> i64 {
    (grams + step_g / 2).div_euclid(step_g) * step_g
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moving_conserves_mass_and_records_multiples_of_the_resolution() {
        let (mut stock, mut rng) = (Stock::default(), Rng::new(3));
        stock.shift("supplier/x", "bin/a", 50_000, 50_000);
        for _ in 0..20 {
            let shown = stock.carry(&mut rng, "bin/a", "bin/b", 2_013, 20);
            assert_eq!(shown, 2_000);
        }
        assert_eq!(stock.total_g(), 0);
        assert_eq!(stock.book("bin/a"), 10_000);
        assert!((stock.truth("bin/a") - 10_000).abs() <= 200);
        assert_eq!(stock.overdrawn().count(), 0);
        assert_eq!((round(1_234, 20), round(-5, 20)), (1_240, 0));
    }
}
