//! What tells most keys that are not in a run from those that are.

use crate::submission::Key;

/// Blocks of 512 bits; a key belongs to one and sets six bits of it. 10 bits a key say "not here" of 99 in
/// 100 keys that are not there.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Sieve(Vec<[u64; 8]>);

/// Bytes of a block.
const BLOCK_BYTES: usize = 64;

impl Sieve {
    /// Room for so many keys.
    pub(super) fn for_keys(keys: u64) -> Self {
        let keys = usize::try_from(keys).unwrap_or(usize::MAX / 10);
        Self(vec![[0; 8]; keys * 10 / 512 + 1])
    }

    /// Block of a key, and its bits there as word and mask. Keys are hashes: their own bytes do.
    fn place(&self, key: &Key) -> (usize, [(usize, u64); 6]) {
        let (high, low) = key.halves();
        let block = (u128::from(high) * self.0.len() as u128) >> 64;
        let bit = |n: usize| {
            let bit = low >> (9 * n) & 511;
            (usize::try_from(bit / 64).unwrap_or(0), 1 << (bit % 64))
        };
        (usize::try_from(block).unwrap_or(0), std::array::from_fn(bit))
    }

    pub(super) fn add(&mut self, key: &Key) {
        let (block, bits) = self.place(key);
        bits.iter().for_each(|(word, mask)| self.0[block][*word] |= mask);
    }

    /// Whether the key may be among those that were added; if not, it is certainly not.
    pub(super) fn lets_through(&self, key: &Key) -> bool {
        let (block, bits) = self.place(key);
        bits.iter().all(|(word, mask)| self.0[block][*word] & mask != 0)
    }

    /// Its length as bytes.
    pub(super) fn len_bytes(&self) -> usize {
        self.0.len() * BLOCK_BYTES
    }

    pub(super) fn write(&self, out: &mut Vec<u8>) {
        self.0.iter().flatten().for_each(|word| out.extend_from_slice(&word.to_le_bytes()));
    }

    /// `None` if these are not whole blocks, or none.
    pub(super) fn parse(bytes: &[u8]) -> Option<Self> {
        let (blocks, []) = bytes.as_chunks::<BLOCK_BYTES>() else { return None };
        let word = |block: &[u8; BLOCK_BYTES], at: usize| {
            u64::from_le_bytes(std::array::from_fn(|byte| block[8 * at + byte]))
        };
        let blocks: Vec<[u64; 8]> =
            blocks.iter().map(|block| std::array::from_fn(|at| word(block, at))).collect();
        (!blocks.is_empty()).then_some(Self(blocks))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(number: usize) -> Key {
        Key::new("/test", &number.to_string())
    }

    /// What a sieve says of keys it never saw: too many "perhaps here" and every new event reads.
    #[test]
    fn a_sieve_lets_every_key_through_and_few_others() {
        let mut sieve = Sieve::for_keys(20_000);
        (0..20_000).for_each(|number| sieve.add(&key(number)));
        assert!((0..20_000).all(|number| sieve.lets_through(&key(number))));
        let others = (20_000..40_000).filter(|number| sieve.lets_through(&key(*number))).count();
        assert!(others < 600, "{others} of 20,000 other keys passed");
        let mut bytes = Vec::new();
        sieve.write(&mut bytes);
        assert_eq!(bytes.len(), sieve.len_bytes());
        assert_eq!(Sieve::parse(&bytes), Some(sieve));
    }
}
