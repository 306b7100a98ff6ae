//! The Merkle tree against values of others and against an independent reading of RFC 6962.

use std::sync::Arc;

use chain::Digest;
use chain::entry::leaf_hash;
use chain::merkle::{
    Frontier, HashSource, ProofError, ProveError, node_hash, prove_consistency, prove_inclusion,
    root_of, verify_consistency, verify_inclusion,
};
use chain::tile::{
    Tile, TileCache, TileError, TileKind, TileSource, TileSourceError, append_to_bundle,
};

/// The reference tree of the Certificate Transparency project (github.com/transparency-dev/merkle,
/// commit 417fb0c, testonly/constants.go): eight leaves and the roots over the first 0 to 8.
const LEAVES_HEX: [&str; 8] = [
    "",
    "00",
    "10",
    "2021",
    "3031",
    "40414243",
    "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
];
const ROOTS: [&str; 9] = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
];

/// Sizes tried in full: past a full tile, with every shape of right edge.
const SIZE_MAX: u64 = 300;

/// The definitions of RFC 6962 section 2.1, word for word and without any cleverness.
mod rfc6962 {
    use super::Digest;

    fn k(n: usize) -> usize {
        let mut k = 1;
        while k * 2 < n {
            k *= 2;
        }
        k
    }

    /// MTH(D[n])
    pub(super) fn head(leaves: &[Digest]) -> Digest {
        match leaves {
            [] => Digest::of(b""),
            [leaf] => *leaf,
            _ => {
                let (left, right) = leaves.split_at(k(leaves.len()));
                Digest::of(&[&[1][..], head(left).as_ref(), head(right).as_ref()].concat())
            }
        }
    }

    /// PATH(m, D[n])
    pub(super) fn path(m: usize, leaves: &[Digest]) -> Vec<Digest> {
        if leaves.len() == 1 {
            return Vec::new();
        }
        let (left, right) = leaves.split_at(k(leaves.len()));
        let (mut path, sibling) = if m < left.len() {
            (path(m, left), head(right))
        } else {
            (path(m - left.len(), right), head(left))
        };
        path.push(sibling);
        path
    }

    /// SUBPROOF(m, D[n], b); PROOF(m, D[n]) = SUBPROOF(m, D[n], true)
    pub(super) fn subproof(m: usize, leaves: &[Digest], whole: bool) -> Vec<Digest> {
        if m == leaves.len() {
            return if whole { Vec::new() } else { vec![head(leaves)] };
        }
        let (left, right) = leaves.split_at(k(leaves.len()));
        let (mut proof, sibling) = if m <= left.len() {
            (subproof(m, left, whole), head(right))
        } else {
            (subproof(m - left.len(), right, false), head(left))
        };
        proof.push(sibling);
        proof
    }
}

fn leaves(count: u64) -> Vec<Digest> {
    (0..count).map(|i| leaf_hash(&i.to_be_bytes())).collect()
}

fn flipped(digest: &Digest, bit: usize) -> Digest {
    let mut bytes = *digest.as_bytes();
    bytes[bit / 8 % 32] ^= 1 << (bit % 8);
    Digest::from_bytes(bytes)
}

#[test]
fn the_reference_tree() {
    let leaves: Vec<Digest> =
        LEAVES_HEX.iter().map(|hex| leaf_hash(&hex::decode(hex).unwrap())).collect();
    for (size, root) in ROOTS.iter().enumerate() {
        assert_eq!(root_of(&leaves[..size]).to_string(), *root);
    }
    // Same source: a leaf of some text.
    assert_eq!(
        leaf_hash(b"L123456").to_string(),
        "395aa064aa4c29f7010acfe3f25db9485bbd4b91897b6ad7ad547639252b4d56"
    );
}

#[test]
fn the_frontier_has_the_root_of_every_size_and_can_be_put_away() {
    let leaves = leaves(SIZE_MAX);
    let mut frontier = Frontier::new();
    for size in 0..SIZE_MAX {
        assert_eq!(frontier.root(), rfc6962::head(&leaves[..size as usize]));
        assert_eq!(frontier.size(), size);
        let parts = frontier.parts().to_vec();
        assert!(parts.len() <= 9, "one part for each bit of the size");
        assert_eq!(Frontier::from_parts(size, parts.clone()).as_ref(), Ok(&frontier));
        assert!(Frontier::from_parts(size, [&parts[..], &leaves[..1]].concat()).is_err());
        frontier.push(leaves[size as usize]);
    }
}

#[test]
fn every_inclusion_proof() {
    let leaves = leaves(SIZE_MAX);
    let mut count = 0;
    for size in (0..=40).chain([63, 64, 65, 127, 128, 129, 255, 256, 257, SIZE_MAX]) {
        let tree = &leaves[..size as usize];
        let root = root_of(tree);
        for index in 0..size {
            let proof = prove_inclusion(tree, index, size).unwrap();
            assert_eq!(proof, rfc6962::path(index as usize, tree));
            let leaf = &tree[index as usize];
            let verify = |leaf: &Digest, index, proof: &[Digest], root: &Digest| {
                verify_inclusion(leaf, index, size, proof, root)
            };
            assert_eq!(verify(leaf, index, &proof, &root), Ok(()));

            let bit = (index * 37 + size * 11) as usize % 256;
            assert_eq!(verify(&flipped(leaf, bit), index, &proof, &root), Err(ProofError::Root));
            assert_eq!(verify(leaf, index, &proof, &flipped(&root, bit)), Err(ProofError::Root));
            for place in 0..proof.len() {
                let mut other = proof.clone();
                other[place] = flipped(&proof[place], bit);
                assert_eq!(verify(leaf, index, &other, &root), Err(ProofError::Root));
                other.remove(place);
                assert_eq!(verify(leaf, index, &other, &root), Err(ProofError::Length));
                other = proof.clone();
                other.insert(place, root);
                assert_eq!(verify(leaf, index, &other, &root), Err(ProofError::Length));
            }
            // The proof of an entry proves nothing about its neighbour's place.
            if size > 1 {
                assert!(verify(leaf, index ^ 1, &proof, &root).is_err());
            }
            count += 1;
        }
        let refused = verify_inclusion(&root, size, size, &[], &root);
        assert_eq!(refused, Err(ProofError::NoSuchLeaf));
        let refused = prove_inclusion(tree, size, size);
        assert_eq!(refused, Err(ProveError::NoSuchLeaf { index: size, size }));
    }
    eprintln!("{count} inclusion proofs");
}

#[test]
fn every_consistency_proof() {
    let leaves = leaves(SIZE_MAX);
    let mut count = 0;
    for new in (1..=40).chain([63, 64, 65, 127, 128, 129, 255, 256, 257, SIZE_MAX]) {
        let tree = &leaves[..new as usize];
        let new_root = root_of(tree);
        for old in 1..=new {
            let old_root = root_of(&tree[..old as usize]);
            let proof = prove_consistency(tree, old, new).unwrap();
            assert_eq!(proof, rfc6962::subproof(old as usize, tree, true));
            let verify = |old_root: &Digest, new_root: &Digest, proof: &[Digest]| {
                verify_consistency(old, new, old_root, new_root, proof)
            };
            assert_eq!(verify(&old_root, &new_root, &proof), Ok(()));

            let bit = (old * 37 + new * 11) as usize % 256;
            assert!(verify(&flipped(&old_root, bit), &new_root, &proof).is_err());
            assert!(verify(&old_root, &flipped(&new_root, bit), &proof).is_err());
            for place in 0..proof.len() {
                let mut other = proof.clone();
                other[place] = flipped(&proof[place], bit);
                assert!(verify(&old_root, &new_root, &other).is_err());
                other.remove(place);
                assert!(verify(&old_root, &new_root, &other).is_err());
                other = proof.clone();
                other.insert(place, old_root);
                assert!(verify(&old_root, &new_root, &other).is_err());
            }
            count += 1;
        }
    }
    let (old, new) = (&root_of(&leaves[..3]), &root_of(&leaves[..5]));
    assert_eq!(verify_consistency(0, 5, old, new, &[]), Err(ProofError::EmptyTree));
    assert_eq!(verify_consistency(5, 3, new, old, &[]), Err(ProofError::SizesReversed));
    assert_eq!(verify_consistency(3, 3, old, old, &[*old]), Err(ProofError::Length));
    assert_eq!(verify_consistency(3, 3, old, new, &[]), Err(ProofError::Root));
    let refused = ProveError::Sizes { old: 0, new: 5 };
    assert_eq!(prove_consistency(&leaves[..], 0, 5), Err(refused));
    eprintln!("{count} consistency proofs");
}

/// A tree as a store keeps it: every hash tile a growing log writes, by path.
struct Store {
    tiles: std::collections::BTreeMap<String, Vec<u8>>,
    reads: std::cell::Cell<usize>,
}

impl Store {
    fn grow(&mut self, leaves: &[Digest], old: u64, new: u64) {
        for tile in Tile::changed_hashes(old, new) {
            let bytes = tile.hash_bytes(&leaves[..new as usize]).unwrap();
            self.tiles.insert(tile.to_string(), bytes);
        }
    }

    fn read(&self, tile: Tile) -> Result<Vec<u8>, String> {
        self.reads.set(self.reads.get() + 1);
        self.tiles.get(&tile.to_string()).cloned().ok_or_else(|| format!("no {tile}"))
    }
}

#[test]
fn proofs_from_tiles_read_few_tiles() {
    let size = 70_000;
    let leaves = leaves(size);
    let mut store = Store { tiles: Default::default(), reads: Default::default() };
    let mut old = 0;
    for new in [1, 255, 256, 257, 5_000, 65_535, 65_536, size] {
        store.grow(&leaves, old, new);
        old = new;
        let root = root_of(&leaves[..new as usize]);
        for index in [0, new / 3, new - 1] {
            store.reads.set(0);
            let source = TileSource::new(new, |tile| store.read(tile));
            let proof = prove_inclusion(&source, index, new).unwrap();
            let leaf = &leaves[index as usize];
            assert_eq!(verify_inclusion(leaf, index, new, &proof, &root), Ok(()));
            assert!(store.reads.get() <= 6, "{} tiles of 3 levels", store.reads.get());
        }
    }
    let source = TileSource::new(size, |tile| store.read(tile));
    let root = root_of(&leaves);
    for old in [1, 256, 257, 4_097, 65_536, 69_999] {
        let proof = prove_consistency(&source, old, size).unwrap();
        let old_root = root_of(&leaves[..old as usize]);
        assert_eq!(verify_consistency(old, size, &old_root, &root, &proof), Ok(()));
    }
    assert!(matches!(source.hash(0, size), Err(TileSourceError::Outside { .. })));
    assert!(matches!(source.hash(17, 0), Err(TileSourceError::Outside { .. })));
    assert_eq!(source.hash(16, 0), Ok(root_of(&leaves[..65_536])));

    let torn = TileSource::new(size, |tile| store.read(tile).map(|bytes| bytes[1..].to_vec()));
    assert!(matches!(torn.hash(0, 0), Err(TileSourceError::Damaged { .. })));
    let missing = TileSource::new(size + 1, |tile| store.read(tile));
    assert!(matches!(missing.hash(0, size), Err(TileSourceError::Read { .. })));

    // Proofs of one log share what they read; a tile that has grown since is another tile.
    let (cache, before) = (Arc::<TileCache>::default(), 5_000);
    let before_root = root_of(&leaves[..5_000]);
    let prove = |index, size| {
        let source = TileSource::sharing(size, |tile| store.read(tile), Arc::clone(&cache));
        let proof = prove_inclusion(&source, index, size).unwrap();
        let root = if size == before { &before_root } else { &root };
        let leaf = &leaves[index as usize];
        assert_eq!(verify_inclusion(leaf, index, size, &proof, root), Ok(()));
    };
    let reads = |index, size| {
        store.reads.set(0);
        prove(index, size);
        store.reads.get()
    };
    assert_eq!(reads(3, size), 4);
    assert_eq!(reads(4, size), 0);
    assert_eq!(reads(300, size), 1, "another tile of leaves");
    assert_eq!(reads(3, before), 2, "narrower tiles at the right edge");
    cache.clear();
    assert_eq!(reads(3, size), 4);
    for index in (0..size).step_by(256) {
        prove(index, size);
    }
    assert!(reads(65_000, size) <= 2, "what is used often stays");
}

#[test]
fn tiles_of_a_growing_tree() {
    let paths = |old, new| -> Vec<String> {
        Tile::changed_hashes(old, new).map(|tile| tile.to_string()).collect()
    };
    assert_eq!(paths(0, 0), [""; 0]);
    assert_eq!(paths(0, 3), ["tile/0/000.p/3"]);
    assert_eq!(paths(3, 3), [""; 0]);
    assert_eq!(paths(255, 256), ["tile/0/000", "tile/1/000.p/1"]);
    assert_eq!(paths(256, 257), ["tile/0/001.p/1"]);
    // 65,792 = 257 * 256: tile 256 of level 0 gets full, tile 1 of level 1 its first hash.
    assert_eq!(paths(65_791, 65_792), ["tile/0/256", "tile/1/001.p/1"]);
    let bundles = |old, new| -> Vec<String> {
        Tile::changed(TileKind::Entries, old, new).map(|tile| tile.to_string()).collect()
    };
    assert_eq!(bundles(250, 513), ["tile/entries/000", "tile/entries/001", "tile/entries/002.p/1"]);
}

#[test]
fn a_tile_has_one_path() {
    let tile = |kind, index, width| Tile { kind, index, width };
    for (path, expected) in [
        ("tile/0/000", tile(TileKind::Hashes(0), 0, 256)),
        ("tile/63/x001/234.p/5", tile(TileKind::Hashes(63), 1_234, 5)),
        ("tile/entries/x123/x456/789.p/255", tile(TileKind::Entries, 123_456_789, 255)),
    ] {
        assert_eq!(path.parse(), Ok(expected));
        assert_eq!(expected.to_string(), path);
    }
    for bad in [
        "",
        "tile",
        "tile/0",
        "tile/0/",
        "tile/00/000",
        "tile/64/000",
        "tile/+1/000",
        "tile/data/000",
        "tile/0/0",
        "tile/0/0000",
        "tile/0/x000/000",
        "tile/0/x00/000",
        "tile/0/001/000",
        "tile/0/x001",
        "tile/0/x001/x000",
        "tile/0/000.p/0",
        "tile/0/000.p/256",
        "tile/0/000.p/05",
        "tile/0/000.p/",
        "tile/0/000.p/5/",
        "tile/0/00\u{0660}",
        "tile/0/x999/x999/x999/x999/x999/x999/999",
        "/tile/0/000",
        "tile/0/000 ",
    ] {
        assert_eq!(bad.parse::<Tile>(), Err(TileError::Path(bad.to_owned())));
    }
}

#[test]
fn entry_bundles() {
    let entries: [&[u8]; 3] = [b"one", b"", &[7; 65_535]];
    let mut bytes = Vec::new();
    for entry in entries {
        append_to_bundle(&mut bytes, entry).unwrap();
    }
    assert_eq!(&bytes[..7], b"\0\x03one\0\0");
    let tile = Tile::in_tree(TileKind::Entries, 0, 3).unwrap();
    assert_eq!(tile.entries(&bytes).unwrap(), entries);
    let wrong = Err(TileError::Bundle { tile });
    for length in [0, 1, 4, 7, bytes.len() - 1] {
        assert_eq!(tile.entries(&bytes[..length]), wrong);
    }
    assert_eq!(tile.entries(&[&bytes[..], b"\0\0"].concat()), wrong);
    let too_long = append_to_bundle(&mut bytes, &[0; 65_536]);
    assert_eq!(too_long, Err(TileError::EntryTooLong { bytes: 65_536 }));
    assert_eq!(node_hash(&Digest::of(b"a"), &Digest::of(b"b")), {
        let input = [&[1][..], Digest::of(b"a").as_ref(), Digest::of(b"b").as_ref()].concat();
        Digest::of(&input)
    });
}
