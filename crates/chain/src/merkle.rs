//! The Merkle tree of RFC 6962 section 2.1 (the same in RFC 9162 section 2.1) over SHA-256.
//!
//! A leaf hash is `SHA-256(0x00 || entry)`, a node `SHA-256(0x01 || left || right)`. The tree over
//! n leaves splits at the largest power of two below n; every left part is therefore complete, and
//! a node is named by its level (leaves are level 0) and its index within the level.

use sha2::{Digest as _, Sha256};

use crate::digest::Digest;
use crate::limits::{CONSISTENCY_PROOF_HASHES_MAX, INCLUSION_PROOF_HASHES_MAX};

/// `L(entry)`: the leaf hash, `SHA-256(0x00 || entry)`.
pub fn leaf_hash(entry: &[u8]) -> Digest {
    let hash = Sha256::new_with_prefix([0]).chain_update(entry);
    Digest::from_bytes(hash.finalize().into())
}

/// The hash of an inner node, `SHA-256(0x01 || left || right)`.
pub fn node_hash(left: &Digest, right: &Digest) -> Digest {
    let mut input = [1; 65];
    input[1..33].copy_from_slice(left.as_bytes());
    input[33..].copy_from_slice(right.as_bytes());
    Digest::of(&input)
}

/// The root of the tree without leaves: SHA-256 of nothing.
pub fn empty_root() -> Digest {
    Digest::of(b"")
}

/// The root over `leaves` (leaf hashes, not entries), computed from scratch.
pub fn root_of(leaves: &[Digest]) -> Digest {
    let mut frontier = Frontier::new();
    for leaf in leaves {
        frontier.push(*leaf);
    }
    frontier.root()
}

/// The right edge of a growing tree: the roots of its complete parts, largest first, one for each
/// bit set in the size. It is all that is needed to append and to know the root: O(log n).
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Frontier {
    size: u64,
    parts: Vec<Digest>,
}

impl Clone for Frontier {
    fn clone(&self) -> Self {
        Self { size: self.size, parts: self.parts.clone() }
    }

    /// Keeps the memory: the verifier copies its tree at every entry.
    fn clone_from(&mut self, other: &Self) {
        self.size = other.size;
        self.parts.clone_from(&other.parts);
    }
}

/// The parts do not fit the size.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a tree of `{size}` leaves has `{}` complete parts, not `{parts}`", size.count_ones())]
pub struct FrontierError {
    /// The number of leaves stated.
    pub size: u64,
    /// The number of parts given.
    pub parts: usize,
}

impl Frontier {
    /// The tree without leaves.
    pub const fn new() -> Self {
        Self { size: 0, parts: Vec::new() }
    }

    /// A tree of `size` leaves from what [`Frontier::parts`] returned for it.
    ///
    /// # Errors
    /// [`FrontierError`] if there is not one part for each bit set in `size`. Whether the hashes
    /// are the right ones shows only when the root is compared.
    pub fn from_parts(size: u64, parts: Vec<Digest>) -> Result<Self, FrontierError> {
        if size.count_ones() as usize != parts.len() {
            return Err(FrontierError { size, parts: parts.len() });
        }
        Ok(Self { size, parts })
    }

    /// The roots of the complete parts, largest part first.
    pub fn parts(&self) -> &[Digest] {
        &self.parts
    }

    /// The number of leaves.
    pub const fn size(&self) -> u64 {
        self.size
    }

    /// Appends a leaf hash.
    pub fn push(&mut self, leaf: Digest) {
        let mut hash = leaf;
        // Each trailing 1 bit of the size is a complete part as large as the one just finished.
        for _ in 0..self.size.trailing_ones() {
            let left = self.parts.pop().expect("one part for each bit set");
            hash = node_hash(&left, &hash);
        }
        self.parts.push(hash);
        self.size += 1;
    }

    /// The root: RFC 6962's MTH of all leaves pushed.
    pub fn root(&self) -> Digest {
        let mut parts = self.parts.iter().rev();
        let Some(smallest) = parts.next() else { return empty_root() };
        parts.fold(*smallest, |right, left| node_hash(left, &right))
    }
}

/// Where the hashes of complete subtrees come from: memory, tiles, a server.
pub trait HashSource {
    /// Why a hash could not be had.
    type Error;

    /// The root of the complete subtree over the leaves `index << level .. (index + 1) << level`.
    /// It is asked only for subtrees that lie within the tree.
    ///
    /// # Errors
    /// Whatever keeps the source from answering.
    fn hash(&self, level: u8, index: u64) -> Result<Digest, Self::Error>;
}

/// Leaf hashes in memory; each answer hashes the subtree anew.
impl HashSource for [Digest] {
    type Error = std::convert::Infallible;

    /// # Panics
    /// If the subtree does not lie within the slice.
    fn hash(&self, level: u8, index: u64) -> Result<Digest, Self::Error> {
        let place = |index: u64| usize::try_from(index << level).expect("a place in memory");
        Ok(root_of(&self[place(index)..place(index + 1)]))
    }
}

/// No proof can be made for these numbers, or the source of hashes failed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProveError<E> {
    /// The leaf does not lie within the tree.
    #[error("leaf `{index}` is not in a tree of `{size}` leaves")]
    NoSuchLeaf {
        /// The leaf asked for.
        index: u64,
        /// The size of the tree.
        size: u64,
    },
    /// The older tree is empty or larger than the newer one.
    #[error(
        "a consistency proof leads from a size above 0 to one as large or larger, not from `{old}` to `{new}`"
    )]
    Sizes {
        /// The smaller size.
        old: u64,
        /// The larger size.
        new: u64,
    },
    /// A hash could not be had.
    #[error("a hash of the tree could not be read")]
    Source(#[source] E),
}

/// The inclusion proof of leaf `index` in the tree of `size` leaves (RFC 6962 section 2.1.1),
/// from the leaf's sibling up. Asks for O(log n) hashes.
///
/// # Errors
/// [`ProveError::NoSuchLeaf`] unless `index < size`; [`ProveError::Source`].
pub fn prove_inclusion<S: HashSource + ?Sized>(
    source: &S,
    index: u64,
    size: u64,
) -> Result<Vec<Digest>, ProveError<S::Error>> {
    if index >= size {
        return Err(ProveError::NoSuchLeaf { index, size });
    }
    let mut path = Vec::new();
    let (mut start, mut end) = (0, size);
    // Walk down from the root to the leaf, noting each sibling.
    while end - start > 1 {
        let middle = start + split(end - start);
        if index < middle {
            path.push(range_root(source, middle, end)?);
            end = middle;
        } else {
            path.push(range_root(source, start, middle)?);
            start = middle;
        }
    }
    path.reverse();
    Ok(path)
}

/// The consistency proof from the tree of `old` leaves to the tree of `new` leaves (RFC 6962
/// section 2.1.2); empty if the sizes are equal. Asks for O(log n) hashes.
///
/// # Errors
/// [`ProveError::Sizes`] unless `0 < old <= new`; [`ProveError::Source`].
pub fn prove_consistency<S: HashSource + ?Sized>(
    source: &S,
    old: u64,
    new: u64,
) -> Result<Vec<Digest>, ProveError<S::Error>> {
    if old == 0 || old > new {
        return Err(ProveError::Sizes { old, new });
    }
    let mut proof = Vec::new();
    let (mut start, mut end) = (0, new);
    // Walk down until the node covers exactly the old tree's right edge.
    while end > old {
        let middle = start + split(end - start);
        if old <= middle {
            proof.push(range_root(source, middle, end)?);
            end = middle;
        } else {
            proof.push(range_root(source, start, middle)?);
            start = middle;
        }
    }
    // The verifier knows the old root; it needs this node only if it is not the whole old tree.
    if start > 0 {
        proof.push(range_root(source, start, end)?);
    }
    proof.reverse();
    Ok(proof)
}

/// The largest power of two below `n`, for n > 1: where the tree over n leaves splits.
fn split(n: u64) -> u64 {
    1 << (63 - (n - 1).leading_zeros())
}

/// The root over the leaves `start..end`, which are a node of the tree: `start` is a multiple of
/// the power of two at or above their number.
fn range_root<S: HashSource + ?Sized>(
    source: &S,
    start: u64,
    end: u64,
) -> Result<Digest, ProveError<S::Error>> {
    let mut parts = Vec::new();
    let mut at = start;
    while at < end {
        // The largest complete subtree that fits into what is left.
        let level = 63 - (end - at).leading_zeros();
        let part = source.hash(level as u8, at >> level).map_err(ProveError::Source)?;
        parts.push(part);
        at += 1 << level;
    }
    let smallest = parts.pop().expect("a range holds a leaf");
    Ok(parts.iter().rev().fold(smallest, |right, left| node_hash(left, &right)))
}

/// A proof that does not prove what it should.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    /// The leaf does not lie within the tree.
    #[error("the leaf is not in the tree: its index is not below the tree's size")]
    NoSuchLeaf,
    /// The older tree is empty. Every tree extends it, so there is nothing to prove; a caller that
    /// may hold an empty tree decides so itself.
    #[error("an empty tree needs no consistency proof")]
    EmptyTree,
    /// The older tree is larger than the newer one.
    #[error("the older tree is larger than the newer one")]
    SizesReversed,
    /// Too few or too many hashes for these sizes.
    #[error("the proof has the wrong number of hashes")]
    Length,
    /// The proof does not lead to the root of the older tree.
    #[error("the proof does not lead to the older root")]
    OldRoot,
    /// The proof does not lead to the root of the tree (of the newer tree).
    #[error("the proof does not lead to the root")]
    Root,
}

/// Checks that `leaf` is leaf `index` of the tree of `size` leaves with this `root` (RFC 9162
/// section 2.1.3.2).
///
/// # Errors
/// [`ProofError`]; the first that applies of `NoSuchLeaf`, `Length`, `Root`.
pub fn verify_inclusion(
    leaf: &Digest,
    index: u64,
    size: u64,
    proof: &[Digest],
    root: &Digest,
) -> Result<(), ProofError> {
    if index >= size {
        return Err(ProofError::NoSuchLeaf);
    }
    if proof.len() > INCLUSION_PROOF_HASHES_MAX + 1 {
        return Err(ProofError::Length);
    }
    // Place of the current node and of the last node in the current level.
    let (mut place, mut last) = (index, size - 1);
    let mut hash = *leaf;
    for sibling in proof {
        if last == 0 {
            return Err(ProofError::Length);
        }
        if place & 1 == 1 || place == last {
            hash = node_hash(sibling, &hash);
            // A last node without a sibling rises unchanged until it is a right child.
            while place & 1 == 0 && place != 0 {
                place >>= 1;
                last >>= 1;
            }
        } else {
            hash = node_hash(&hash, sibling);
        }
        place >>= 1;
        last >>= 1;
    }
    if last != 0 {
        return Err(ProofError::Length);
    }
    if hash == *root { Ok(()) } else { Err(ProofError::Root) }
}

/// Checks that the tree of `new` leaves extends the tree of `old` leaves (RFC 9162 section
/// 2.1.4.2): the first `old` leaves of both are the same.
///
/// # Errors
/// [`ProofError`]; the first that applies of `EmptyTree`, `SizesReversed`, `Length`, `OldRoot`,
/// `Root`.
pub fn verify_consistency(
    old: u64,
    new: u64,
    old_root: &Digest,
    new_root: &Digest,
    proof: &[Digest],
) -> Result<(), ProofError> {
    if old == 0 {
        return Err(ProofError::EmptyTree);
    }
    if old > new {
        return Err(ProofError::SizesReversed);
    }
    if old == new {
        let same = if old_root == new_root { Ok(()) } else { Err(ProofError::Root) };
        return if proof.is_empty() { same } else { Err(ProofError::Length) };
    }
    if proof.len() > CONSISTENCY_PROOF_HASHES_MAX {
        return Err(ProofError::Length);
    }
    // Step 2: an old tree that is complete is itself the first node of the proof.
    let mut hashes = proof.iter();
    let first = if old.is_power_of_two() { Some(old_root) } else { hashes.next() };
    let first = *first.ok_or(ProofError::Length)?;
    let (mut place, mut last) = (old - 1, new - 1);
    let risen = place.trailing_ones();
    place >>= risen;
    last >>= risen;
    let (mut old_hash, mut new_hash) = (first, first);
    for sibling in hashes {
        if last == 0 {
            return Err(ProofError::Length);
        }
        if place & 1 == 1 || place == last {
            old_hash = node_hash(sibling, &old_hash);
            new_hash = node_hash(sibling, &new_hash);
            while place & 1 == 0 && place != 0 {
                place >>= 1;
                last >>= 1;
            }
        } else {
            new_hash = node_hash(&new_hash, sibling);
        }
        place >>= 1;
        last >>= 1;
    }
    match (last, old_hash == *old_root, new_hash == *new_root) {
        (1.., _, _) => Err(ProofError::Length),
        (0, false, _) => Err(ProofError::OldRoot),
        (0, true, false) => Err(ProofError::Root),
        (0, true, true) => Ok(()),
    }
}
