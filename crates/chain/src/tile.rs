//! Tiles (C2SP tlog-tiles): how tree and entries are cut into files that never change once full.
//!
//! A hash tile holds up to 256 consecutive hashes of one level in eight: level 0 tiles hold leaf
//! hashes, each hash of a level 1 tile is the root over a full level 0 tile, and so on. An entry
//! bundle holds the entries behind a level 0 tile.

use std::collections::HashMap;
use std::fmt;
use std::str::FromStr;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use crate::checkpoint::parse_decimal;
use crate::digest::Digest;
use crate::limits::{
    ENTRY_BYTES_MAX, SUMMITS_CACHED_MAX, TILE_HEIGHT, TILE_WIDTH, TILES_CACHED_MAX,
};
use crate::merkle::{self, HashSource};

/// What a tile holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TileKind {
    /// Hashes of this level, 0 to 63.
    Hashes(u8),
    /// Entries.
    Entries,
}

/// The coordinates of a tile: what, where, how wide.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Tile {
    /// What it holds.
    pub kind: TileKind,
    /// Its index within the level.
    pub index: u64,
    /// How many hashes or entries it holds, 1 to 256; 256 is a full tile.
    pub width: u16,
}

/// A path or bytes that are not a tile.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TileError {
    /// Not a path of the form `tile/<L>/<N>[.p/<W>]` or `tile/entries/<N>[.p/<W>]`.
    #[error("`{0}` is not the path of a tile")]
    Path(String),
    /// A hash tile whose length is not 32 times its width.
    #[error("tile `{tile}` has {bytes} bytes, not {expected}", expected = usize::from(tile.width) * Digest::LEN)]
    HashLength {
        /// The tile.
        tile: Tile,
        /// Its length in bytes.
        bytes: usize,
    },
    /// An entry bundle that does not hold exactly as many entries as it should.
    #[error("entry bundle `{tile}` does not hold exactly {width} entries", width = tile.width)]
    Bundle {
        /// The tile.
        tile: Tile,
    },
    /// An entry too long for its length prefix.
    #[error("an entry of {bytes} bytes is too long for a bundle")]
    EntryTooLong {
        /// Its length in bytes.
        bytes: usize,
    },
}

impl TileKind {
    /// The number of these hashes (or entries) in a tree of `size` leaves.
    const fn count(self, size: u64) -> u64 {
        match self {
            Self::Entries => size,
            Self::Hashes(level) => {
                let shift = level as u32 * TILE_HEIGHT as u32;
                if shift < u64::BITS { size >> shift } else { 0 }
            }
        }
    }
}

impl Tile {
    /// The tile `index` of a kind in a tree of `size` leaves, as wide as it then is; `None` if it
    /// is empty or not there.
    pub fn in_tree(kind: TileKind, index: u64, size: u64) -> Option<Self> {
        let before = index.checked_mul(u64::from(TILE_WIDTH))?;
        let width = kind.count(size).checked_sub(before)?.min(u64::from(TILE_WIDTH));
        (width > 0).then_some(Self { kind, index, width: width as u16 })
    }

    /// The tiles of a kind that a tree gains or changes as it grows from `old` to `new` leaves.
    pub fn changed(kind: TileKind, old: u64, new: u64) -> impl Iterator<Item = Self> {
        let (from, to) = (kind.count(old), kind.count(new));
        let first = from / u64::from(TILE_WIDTH);
        let end = if to > from { to.div_ceil(u64::from(TILE_WIDTH)) } else { first };
        (first..end).filter_map(move |index| Self::in_tree(kind, index, new))
    }

    /// Every hash tile that a tree gains or changes as it grows from `old` to `new` leaves, level
    /// by level.
    pub fn changed_hashes(old: u64, new: u64) -> impl Iterator<Item = Self> {
        let levels = u64::BITS.div_ceil(u32::from(TILE_HEIGHT)) as u8;
        (0..levels).flat_map(move |level| Self::changed(TileKind::Hashes(level), old, new))
    }

    /// Whether the tile is full and will never change again.
    pub const fn is_full(&self) -> bool {
        self.width == TILE_WIDTH
    }

    /// The index of the first hash (or entry) within its level.
    pub const fn first(&self) -> u64 {
        self.index * TILE_WIDTH as u64
    }

    /// The bytes of a hash tile: its hashes one after the other.
    ///
    /// # Errors
    /// What `source` gives.
    ///
    /// # Panics
    /// If this is an entry bundle.
    pub fn hash_bytes<S: HashSource + ?Sized>(&self, source: &S) -> Result<Vec<u8>, S::Error> {
        let TileKind::Hashes(level) = self.kind else { panic!("`{self}` holds no hashes") };
        let mut bytes = Vec::with_capacity(usize::from(self.width) * Digest::LEN);
        for i in 0..u64::from(self.width) {
            let hash = source.hash(level * TILE_HEIGHT, self.first() + i)?;
            bytes.extend_from_slice(hash.as_bytes());
        }
        Ok(bytes)
    }

    /// The hashes of a hash tile.
    ///
    /// # Errors
    /// [`TileError::HashLength`].
    pub fn hashes(&self, bytes: &[u8]) -> Result<Vec<Digest>, TileError> {
        let (hashes, rest) = bytes.as_chunks::<{ Digest::LEN }>();
        if hashes.len() != usize::from(self.width) || !rest.is_empty() {
            return Err(TileError::HashLength { tile: *self, bytes: bytes.len() });
        }
        Ok(hashes.iter().map(|hash| Digest::from_bytes(*hash)).collect())
    }

    /// The entries of an entry bundle.
    ///
    /// # Errors
    /// [`TileError::Bundle`].
    pub fn entries<'a>(&self, bytes: &'a [u8]) -> Result<Vec<&'a [u8]>, TileError> {
        let mut entries = Vec::with_capacity(usize::from(self.width));
        let mut rest = bytes;
        while let Some((length, after)) = rest.split_first_chunk::<2>() {
            let length = usize::from(u16::from_be_bytes(*length));
            let (entry, after) =
                after.split_at_checked(length).ok_or(TileError::Bundle { tile: *self })?;
            entries.push(entry);
            rest = after;
        }
        if entries.len() != usize::from(self.width) || !rest.is_empty() {
            return Err(TileError::Bundle { tile: *self });
        }
        Ok(entries)
    }
}

/// Appends an entry to the bytes of an entry bundle: its length, big-endian in 16 bits, then the
/// entry.
///
/// # Errors
/// [`TileError::EntryTooLong`] above [`ENTRY_BYTES_MAX`].
pub fn append_to_bundle(bundle: &mut Vec<u8>, entry: &[u8]) -> Result<(), TileError> {
    let too_long = TileError::EntryTooLong { bytes: entry.len() };
    if entry.len() > ENTRY_BYTES_MAX {
        return Err(too_long);
    }
    let length = u16::try_from(entry.len()).map_err(|_| too_long)?;
    bundle.extend_from_slice(&length.to_be_bytes());
    bundle.extend_from_slice(entry);
    Ok(())
}

impl fmt::Display for Tile {
    /// The path: `tile/0/x001/234`, `tile/entries/000.p/5`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.kind {
            TileKind::Hashes(level) => write!(f, "tile/{level}/")?,
            TileKind::Entries => f.write_str("tile/entries/")?,
        }
        let mut groups = vec![self.index % 1_000];
        let mut rest = self.index / 1_000;
        while rest > 0 {
            groups.push(rest % 1_000);
            rest /= 1_000;
        }
        for group in groups[1..].iter().rev() {
            write!(f, "x{group:03}/")?;
        }
        write!(f, "{:03}", groups[0])?;
        if self.is_full() { Ok(()) } else { write!(f, ".p/{}", self.width) }
    }
}

impl FromStr for Tile {
    type Err = TileError;

    /// Reads exactly what `Display` writes.
    fn from_str(path: &str) -> Result<Self, TileError> {
        let tile = read_path(path).filter(|tile| tile.to_string() == path);
        tile.ok_or_else(|| TileError::Path(path.chars().take(120).collect()))
    }
}

/// A generous reading of a path; the caller compares it with the one spelling.
fn read_path(path: &str) -> Option<Tile> {
    let (kind, rest) = path.strip_prefix("tile/")?.split_once('/')?;
    let kind = match kind {
        "entries" => TileKind::Entries,
        level => TileKind::Hashes(level.parse().ok().filter(|level| *level <= 63)?),
    };
    let (index, width) = match rest.split_once(".p/") {
        Some((index, width)) => {
            let width = parse_decimal(width).and_then(|width| u16::try_from(width).ok());
            (index, width.filter(|width| (1..TILE_WIDTH).contains(width))?)
        }
        None => (rest, TILE_WIDTH),
    };
    let mut number: u64 = 0;
    for group in index.split('/') {
        let digits = group.strip_prefix('x').unwrap_or(group);
        if digits.len() != 3 || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
        number = number.checked_mul(1_000)?.checked_add(digits.parse().ok()?)?;
    }
    Some(Tile { kind, index: number, width })
}

/// A tile that could not be had.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TileSourceError<E> {
    /// The reader failed.
    #[error("tile `{tile}` could not be read")]
    Read {
        /// The tile.
        tile: Tile,
        /// Why.
        #[source]
        cause: E,
    },
    /// The reader gave something that is not this tile.
    #[error("tile `{tile}` is damaged")]
    Damaged {
        /// The tile.
        tile: Tile,
        /// What is wrong.
        #[source]
        cause: TileError,
    },
    /// A hash outside the tree was asked for.
    #[error("node `{index}` of level `{level}` is not in a tree of `{size}` leaves")]
    Outside {
        /// The level of the tree.
        level: u8,
        /// The index within the level.
        index: u64,
        /// The size of the tree.
        size: u64,
    },
}

/// Levels from the hashes of a tile up to the nodes that are kept longest.
const SUMMIT_HEIGHT: u8 = 5;
/// Hashes of a tile under one summit.
const SUMMIT_WIDTH: usize = 1 << SUMMIT_HEIGHT;
/// Summits of a full tile.
const SUMMITS: usize = TILE_WIDTH as usize / SUMMIT_WIDTH;

/// The nodes over every 32 hashes of a full tile. Who has them makes a proof from the tile with some
/// 40 hashes instead of 255, and they are a byte for each hash of the tile.
type Summits = [Digest; SUMMITS];

/// A hash tile with the nodes over its hashes, each made when it is first needed.
#[derive(Debug)]
struct TileNodes {
    hashes: Vec<Digest>,
    /// For every 32 hashes the complete nodes over them, by height from 1 on.
    slopes: Vec<OnceLock<Vec<Vec<Digest>>>>,
    /// By height from that of the summits on; each level holds its complete nodes.
    peak: Vec<Vec<Digest>>,
}

/// The complete nodes over some nodes, level by level, these excluded.
fn levels_over(nodes: &[Digest]) -> Vec<Vec<Digest>> {
    let mut levels: Vec<Vec<Digest>> = Vec::new();
    loop {
        let below = levels.last().map_or(nodes, Vec::as_slice);
        if below.len() < 2 {
            return levels;
        }
        let (pairs, _) = below.as_chunks::<2>();
        levels.push(pairs.iter().map(|[left, right]| merkle::node_hash(left, right)).collect());
    }
}

impl TileNodes {
    /// The nodes over the hashes of a tile; `known` are its summits, if somebody kept them.
    fn over(hashes: Vec<Digest>, known: Option<&Summits>) -> Self {
        let count = hashes.len().div_ceil(SUMMIT_WIDTH);
        let slopes = (0..count).map(|_| OnceLock::new()).collect();
        let mut nodes = Self { hashes, slopes, peak: Vec::new() };
        let summits = match known {
            Some(known) => known.to_vec(),
            None => (0..nodes.hashes.len() / SUMMIT_WIDTH)
                .filter_map(|at| nodes.slope(at)?.last()?.first().copied())
                .collect(),
        };
        let above = levels_over(&summits);
        nodes.peak = std::iter::once(summits).chain(above).collect();
        nodes
    }

    fn slope(&self, at: usize) -> Option<&[Vec<Digest>]> {
        let under = self.hashes.chunks(SUMMIT_WIDTH).nth(at)?;
        Some(self.slopes.get(at)?.get_or_init(|| levels_over(under)))
    }

    /// The node `index` of those `height` levels over the tile's own hashes; `None` if it is not
    /// complete.
    fn node(&self, height: u8, index: usize) -> Option<Digest> {
        if let Some(over) = height.checked_sub(SUMMIT_HEIGHT) {
            return self.peak.get(usize::from(over))?.get(index).copied();
        }
        let Some(level) = usize::from(height).checked_sub(1) else {
            return self.hashes.get(index).copied();
        };
        let width = SUMMIT_WIDTH >> height;
        self.slope(index / width)?.get(level)?.get(index % width).copied()
    }

    /// The summits, if the tile is full.
    fn summits(&self) -> Option<Summits> {
        self.peak.first()?.as_slice().try_into().ok()
    }
}

/// Tiles that were read lately, for [`TileSource`]s of one log to share, and the summits of many
/// more. A tile of a given width never changes, so nothing in it is ever stale; it only goes out of
/// use.
#[derive(Debug)]
pub struct TileCache(Mutex<Kept>);

#[derive(Debug)]
struct Kept {
    tiles: Generations<Arc<TileNodes>>,
    summits: Generations<Box<Summits>>,
}

/// What was used since a moment, and what was used before it: when the first are many, they become
/// the second and those are forgotten.
#[derive(Debug)]
struct Generations<T> {
    most: usize,
    young: HashMap<Tile, T>,
    old: HashMap<Tile, T>,
}

impl Default for TileCache {
    fn default() -> Self {
        let tiles = Generations::of(TILES_CACHED_MAX);
        Self(Mutex::new(Kept { tiles, summits: Generations::of(SUMMITS_CACHED_MAX) }))
    }
}

impl TileCache {
    fn get(&self, tile: &Tile) -> Option<Arc<TileNodes>> {
        self.locked().tiles.get(tile)
    }

    fn summits(&self, tile: &Tile) -> Option<Box<Summits>> {
        self.locked().summits.get(tile)
    }

    fn put(&self, tile: Tile, nodes: Arc<TileNodes>, were_known: bool) {
        let summits = if were_known { None } else { nodes.summits() };
        let mut kept = self.locked();
        kept.tiles.keep(tile, nodes);
        if let Some(summits) = summits {
            kept.summits.keep(tile, Box::new(summits));
        }
    }

    /// Forgets every tile, because one of them was found to be wrong.
    pub fn clear(&self) {
        let mut kept = self.locked();
        kept.tiles = Generations::of(TILES_CACHED_MAX);
        kept.summits = Generations::of(SUMMITS_CACHED_MAX);
    }

    fn locked(&self) -> MutexGuard<'_, Kept> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl<T: Clone> Generations<T> {
    fn of(most: usize) -> Self {
        Self { most, young: HashMap::new(), old: HashMap::new() }
    }

    fn get(&mut self, tile: &Tile) -> Option<T> {
        if let Some(value) = self.young.get(tile) {
            return Some(value.clone());
        }
        let value = self.old.remove(tile)?;
        self.keep(*tile, value.clone());
        Some(value)
    }

    fn keep(&mut self, tile: Tile, value: T) {
        if self.young.len() >= self.most / 2 {
            self.old = std::mem::take(&mut self.young);
        }
        self.young.insert(tile, value);
    }
}

/// The hashes of a tree of a given size, read from tiles, each tile once.
///
/// What it returns is only as true as the tiles: check the proof made from it against a root.
pub struct TileSource<F> {
    size: u64,
    read: F,
    seen: Arc<TileCache>,
}

impl<F> TileSource<F> {
    /// A tree of `size` leaves whose hash tiles `read` gives. `read` is asked for tiles exactly as
    /// wide as they are in that tree; a reader that holds a wider tile returns its beginning.
    pub fn new(size: u64, read: F) -> Self {
        Self::sharing(size, read, Arc::default())
    }

    /// The same with the tiles that other sources of this log read lately.
    pub const fn sharing(size: u64, read: F, seen: Arc<TileCache>) -> Self {
        Self { size, read, seen }
    }
}

impl<E, F: Fn(Tile) -> Result<Vec<u8>, E>> HashSource for TileSource<F> {
    type Error = TileSourceError<E>;

    fn hash(&self, level: u8, index: u64) -> Result<Digest, Self::Error> {
        let outside = || TileSourceError::Outside { level, index, size: self.size };
        // `1 << height` hashes of the tile level lie below the node.
        let (tile_level, height) = (level / TILE_HEIGHT, level % TILE_HEIGHT);
        let Some(first) = index.checked_mul(1 << height) else { return Err(outside()) };
        let (tile_index, within) =
            (first / u64::from(TILE_WIDTH), (first % u64::from(TILE_WIDTH)) as usize >> height);
        let kind = TileKind::Hashes(tile_level);
        let Some(tile) = Tile::in_tree(kind, tile_index, self.size) else { return Err(outside()) };
        if let Some(nodes) = self.seen.get(&tile) {
            return nodes.node(height, within).ok_or_else(outside);
        }
        let bytes = (self.read)(tile).map_err(|cause| TileSourceError::Read { tile, cause })?;
        let hashes =
            tile.hashes(&bytes).map_err(|cause| TileSourceError::Damaged { tile, cause })?;
        let known = self.seen.summits(&tile);
        let nodes = Arc::new(TileNodes::over(hashes, known.as_deref()));
        let hash = nodes.node(height, within).ok_or_else(outside);
        self.seen.put(tile, nodes, known.is_some());
        hash
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every node over the hashes of a tile is the root over what lies below it, whatever was kept.
    #[test]
    fn nodes_over_a_tile() {
        let all: Vec<Digest> = (0..256_u32).map(|i| Digest::of(&i.to_be_bytes())).collect();
        for width in [1, 31, 32, 33, 64, 95, 255, 256] {
            let hashes = all[..width].to_vec();
            let fresh = TileNodes::over(hashes.clone(), None);
            let known = fresh.summits();
            assert_eq!(known.is_some(), width == 256, "only a full tile has all its summits");
            let again = TileNodes::over(hashes, known.as_ref());
            for height in 0..=8_u8 {
                for index in 0..=width >> height {
                    let below = all[..width].chunks_exact(1 << height).nth(index);
                    let node = below.map(merkle::root_of);
                    assert_eq!(fresh.node(height, index), node, "{width} {height} {index}");
                    assert_eq!(again.node(height, index), node, "{width} {height} {index}");
                }
            }
        }
    }
}
