//! Zero-acceptance sampling plans (C10) and a draw that anyone can repeat.

use std::collections::BTreeSet;

use chain::Digest;
use rust_decimal::Decimal;

/// Smallest share of bad items a plan is made for.
pub const SHARE_BAD_MIN: Decimal = Decimal::from_parts(1, 0, 0, false, 5);

/// Sample size for a large population so that a share `bad` of bad items is seen with risk of at
/// most `risk` of missing it: the smallest n with (1 - bad)^n <= risk.
///
/// Source: binomial law. `None` unless 0.00001 <= bad < 1 and 0 < risk < 1.
pub fn sample_size_large(bad: Decimal, risk: Decimal) -> Option<u32> {
    let one = Decimal::ONE;
    if bad < SHARE_BAD_MIN || bad >= one || risk <= Decimal::ZERO || risk >= one {
        return None;
    }
    let (mut n, mut missed) = (0, one);
    while missed > risk {
        missed *= one - bad;
        n += 1;
    }
    Some(n)
}

/// Sample size out of `items` items of which `bad` are bad: the smallest n whose probability to
/// find none, C(N - D, n) / C(N, n), is at most `risk`; with that probability.
///
/// Source: hypergeometric law. `None` unless 0 < bad <= items and 0 < risk < 1.
pub fn sample_size(items: u32, bad: u32, risk: Decimal) -> Option<(u32, Decimal)> {
    if bad == 0 || bad > items || risk <= Decimal::ZERO || risk >= Decimal::ONE {
        return None;
    }
    let (mut n, mut missed) = (0, Decimal::ONE);
    while missed > risk {
        // One more item, drawn from those not drawn yet, is good with (N - D - n) / (N - n).
        let good = items.saturating_sub(bad).saturating_sub(n);
        missed = missed * Decimal::from(good) / Decimal::from(items - n);
        n += 1;
    }
    Some((n, missed))
}

/// Draws `size` of the items: those whose SHA-256 over the seed, a line feed and the item is the
/// smallest. The seed is published before the draw, for example the head digest of the log, so
/// that nobody can choose and everybody can repeat the choice. Doubles count once; order of the
/// items does not matter. Ascending by item.
pub fn draw(seed: &str, items: &[String], size: usize) -> Vec<String> {
    let mut ranked: Vec<([u8; 32], &String)> = items
        .iter()
        .collect::<BTreeSet<_>>()
        .into_iter()
        .map(|item| (*Digest::of(format!("{seed}\n{item}").as_bytes()).as_bytes(), item))
        .collect();
    ranked.sort_unstable();
    let drawn: BTreeSet<&String> = ranked.into_iter().take(size).map(|(_, item)| item).collect();
    drawn.into_iter().cloned().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    #[test]
    fn c10_sample_sizes() {
        // computations.md C10; computed there with SciPy.
        let risk = d("0.05");
        assert_eq!(sample_size_large(d("0.05"), risk), Some(59));
        assert_eq!(sample_size_large(d("0.01"), risk), Some(299));
        let (n, missed) = sample_size(40, 2, risk).unwrap();
        assert_eq!((n, missed.round_dp(7)), (31, d("0.0461538")));
        let (n, missed) = sample_size(200, 4, risk).unwrap();
        assert_eq!((n, missed.round_dp(7)), (105, d("0.0492162")));
        // One fewer would not do.
        assert_eq!(sample_size(40, 2, d("0.0576924")).unwrap().0, 30);
        assert_eq!(sample_size(40, 2, d("0.0576923")).unwrap().0, 31);
        // All bad: one look is enough. Out of range: no plan.
        assert_eq!(sample_size(5, 5, risk), Some((1, Decimal::ZERO)));
        assert_eq!(sample_size(5, 0, risk), None);
        assert_eq!(sample_size_large(Decimal::ZERO, risk), None);
    }

    #[test]
    fn a_draw_can_be_repeated_and_depends_on_the_seed() {
        let drums: Vec<String> = (100..140).map(|n| format!("D-{n}")).collect();
        let first = draw("head-of-monday", &drums, 31);
        assert_eq!(first.len(), 31);
        let mut backwards = drums.clone();
        backwards.reverse();
        backwards.push("D-100".into());
        assert_eq!(draw("head-of-monday", &backwards, 31), first);
        assert_ne!(draw("head-of-tuesday", &drums, 31), first);
        assert_eq!(draw("x", &drums, 99).len(), 40, "not more than there are");
    }
}
