//! Seeded pseudo-random numbers: SplitMix64 (Steele, Lea, Flood 2014, "Fast splittable
//! pseudorandom number generators", OOPSLA). Not for secrets: it only makes a shop repeatable.

/// A stream of pseudo-random numbers that the seed alone determines.
#[derive(Debug, Clone)]
pub(super) struct Rng(u64);

impl Rng {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(super) fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A whole number from `low` to `high`, both included.
    pub(super) fn range(&mut self, low: i64, high: i64) -> i64 {
        assert!(low <= high, "an empty range: {low} to {high}");
        let width = u64::try_from(high - low).expect("a range below 2^63") + 1;
        // The bias of the remainder is below 2^-40 for the widths used here.
        low + i64::try_from(self.next_u64() % width).expect("a remainder below 2^63")
    }

    /// True in `percent` of cases.
    pub(super) fn chance(&mut self, percent: i64) -> bool {
        self.range(1, 100) <= percent
    }

    /// One of the items.
    pub(super) fn pick<'a, T>(&mut self, items: &'a [T]) -> &'a T {
        let last = i64::try_from(items.len()).expect("a short list") - 1;
        &items[usize::try_from(self.range(0, last)).expect("an index")]
    }

    /// Bytes, for salts of commitments and digests of invented files.
    pub(super) fn bytes<const N: usize>(&mut self) -> [u8; N] {
        let mut out = [0; N];
        for chunk in out.chunks_mut(8) {
            let bytes = self.next_u64().to_le_bytes();
            chunk.copy_from_slice(&bytes[..chunk.len()]);
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_sequence_comes_out() {
        // First outputs of SplitMix64 for seed 1234567, as listed with the reference C code
        // (prng.di.unimi.it/splitmix64.c; test values from memory).
        let mut rng = Rng::new(1_234_567);
        assert_eq!(rng.next_u64(), 6_457_827_717_110_365_317);
        assert_eq!(rng.next_u64(), 3_203_168_211_198_807_973);
    }

    #[test]
    fn a_range_holds_both_ends() {
        let mut rng = Rng::new(7);
        let drawn: std::collections::BTreeSet<i64> = (0..200).map(|_| rng.range(-1, 1)).collect();
        assert_eq!(drawn.into_iter().collect::<Vec<_>>(), [-1, 0, 1]);
    }
}
