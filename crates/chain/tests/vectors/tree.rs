//! The Merkle tree, its proofs and its tiles.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use chain::Digest;
use chain::checkpoint::Checkpoint;
use chain::entry::leaf_hash;
use chain::merkle::{self, node_hash};
use chain::note::VerifierKey;
use chain::tile::{Tile, TileKind, TileSource};
use serde_json::Value as Json;

use crate::{files, read_json, text, texts, vectors};

fn hashes(json: &Json) -> Vec<Option<Digest>> {
    let hashes = json.as_array().map(Vec::as_slice).unwrap_or_default();
    hashes.iter().map(|hash| Digest::from_base64(hash.as_str().unwrap()).ok()).collect()
}

fn cases(folder: &Path) -> Vec<(PathBuf, Json)> {
    let (dirs, files): (Vec<_>, Vec<_>) = files(folder).into_iter().partition(|path| path.is_dir());
    let inner = dirs.iter().flat_map(|dir| cases(dir));
    files.iter().map(|path| (path.clone(), read_json(path))).chain(inner).collect()
}

/// transparency-dev/merkle: proofs that must and must not verify. A proof with a hash that is not 32
/// bytes long cannot even be written as one of ours: refused. So is a leaf hash.
/// The set uses some roots of other lengths as mere names; a digest of the name stands in for them.
#[test]
fn merkle_proofs() {
    let Some(folder) = vectors("merkle-rfc6962") else { return };
    let digest = |json: &Json| -> Option<Digest> {
        let text = json.as_str()?;
        Digest::from_base64(text)
            .ok()
            .or_else(|| Some(Digest::of(format!("name {text}").as_bytes())))
    };
    let mut accepted = BTreeMap::new();
    for set in ["inclusion", "consistency"] {
        for (path, case) in cases(&folder.join(set)) {
            let number = |name: &str| case[name].as_u64();
            let verdict = (|| {
                let proof: Vec<Digest> =
                    hashes(&case["proof"]).into_iter().collect::<Option<_>>()?;
                let result = if set == "inclusion" {
                    merkle::verify_inclusion(
                        &Digest::from_base64(case["leafHash"].as_str()?).ok()?,
                        number("leafIdx")?,
                        number("treeSize")?,
                        &proof,
                        &digest(&case["root"])?,
                    )
                } else {
                    merkle::verify_consistency(
                        number("size1")?,
                        number("size2")?,
                        &digest(&case["root1"])?,
                        &digest(&case["root2"])?,
                        &proof,
                    )
                };
                result.ok()
            })();
            assert_eq!(verdict.is_none(), case["wantErr"].as_bool().unwrap(), "{}", path.display());
            *accepted.entry((set, verdict.is_some())).or_insert(0) += 1;
        }
    }
    eprintln!("merkle proofs, (set, verifies): {accepted:?}");
    let expected = [
        (("inclusion", true), 6),
        (("inclusion", false), 92),
        (("consistency", true), 6),
        (("consistency", false), 92),
    ];
    assert_eq!(accepted, expected.into());
}

/// RFC 6962 reference tree as transcribed; `tests/merkle.rs` has the same values typed in.
#[test]
fn merkle_reference_tree() {
    let Some(folder) = vectors("merkle-rfc6962") else { return };
    let tree = read_json(&folder.join("reference-tree-8-leaves.json"));
    let list = |name: &str| texts(&tree, name);
    let leaves: Vec<Digest> =
        list("leaf_inputs_hex").iter().map(|hex| leaf_hash(&hex::decode(hex).unwrap())).collect();
    let hex = |digests: &[Digest]| digests.iter().map(Digest::to_string).collect::<Vec<_>>();
    assert_eq!(hex(&leaves), list("leaf_hashes"));
    let mut level = leaves.clone();
    for name in ["level1", "level2", "level3"] {
        level = level.chunks(2).map(|pair| node_hash(&pair[0], &pair[1])).collect();
        assert_eq!(hex(&level), list(name));
    }
    let roots: Vec<Digest> = (0..=8).map(|size| merkle::root_of(&leaves[..size])).collect();
    assert_eq!(hex(&roots), list("root_by_size"));
    for case in tree["hasher"].as_array().unwrap() {
        let hash = match text(case, "op") {
            "empty_root" => merkle::empty_root(),
            "leaf" => leaf_hash(text(case, "in_ascii").as_bytes()),
            // The inputs of this case are four bytes long, no digests: the rule is written out.
            "node" => Digest::of(
                format!("\u{1}{}{}", text(case, "left_ascii"), text(case, "right_ascii"))
                    .as_bytes(),
            ),
            other => panic!("{other}"),
        };
        assert_eq!(hash.to_string(), text(case, "want"));
    }
}

/// transparency-dev/tessera: a log of sizes 0 to 15, every checkpoint, tile, bundle, root and proof.
#[test]
fn a_log_of_another_implementation() {
    let Some(folder) = vectors("tessera-log") else { return };
    let log = folder.join("log");
    // The key stands in SOURCE.md of the set.
    let key: VerifierKey =
        "example.com/log/testdata+33d7b496+AeHTu4Q3hEIMHNqc6fASMsq3rKNx280NI+oO5xCFkkSx"
            .parse()
            .unwrap();
    let mut roots = Vec::new();
    let (mut inclusions, mut consistencies) = (0, 0);
    for size in 0..=15_u64 {
        let note = std::fs::read(log.join(format!("checkpoint.{size}"))).unwrap();
        let head = Checkpoint::open(&note, std::slice::from_ref(&key)).unwrap().checkpoint;
        assert_eq!(head.size, size);
        roots.push(head.root);
        let read = |tile: Tile| std::fs::read(log.join(tile.to_string()));
        let Some(tile) = Tile::in_tree(TileKind::Hashes(0), 0, size) else {
            assert_eq!(head.root, merkle::empty_root());
            continue;
        };
        let leaves = tile.hashes(&read(tile).unwrap()).unwrap();
        assert_eq!(merkle::root_of(&leaves), head.root);
        let bundle = Tile::in_tree(TileKind::Entries, 0, size).unwrap();
        let bytes = read(bundle).unwrap();
        let entries = bundle.entries(&bytes).unwrap();
        assert_eq!(entries.into_iter().map(leaf_hash).collect::<Vec<_>>(), leaves);

        let source = TileSource::new(size, read);
        for index in 0..size {
            let proof = merkle::prove_inclusion(&source, index, size).unwrap();
            let leaf = &leaves[index as usize];
            merkle::verify_inclusion(leaf, index, size, &proof, &head.root).unwrap();
            inclusions += 1;
        }
        for old in 1..=size {
            let proof = merkle::prove_consistency(&source, old, size).unwrap();
            let old_root = &roots[old as usize];
            merkle::verify_consistency(old, size, old_root, &head.root, &proof).unwrap();
            consistencies += 1;
        }
    }
    eprintln!(
        "tessera log: 16 checkpoints, 15 tiles, 15 bundles, {inclusions} inclusion and \
         {consistencies} consistency proofs"
    );
}

/// golang.org/x/mod sumdb/tlog paths, without the tile height that C2SP fixes, and the numbers of
/// C2SP tlog-tiles.
#[test]
fn tile_paths() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("tile-paths.json"));
    let mut count = 0;
    for row in set["go"].as_array().unwrap() {
        // `tile/H/L/N` becomes `tile/L/N`, and the level `data` becomes `entries`.
        let mut parts: Vec<&str> = row[0].as_str().unwrap().split('/').collect();
        parts.remove(1);
        if parts[1] == "data" {
            parts[1] = "entries";
        }
        let tile = parts.join("/").parse::<Tile>().ok();
        let expected = row[1].as_object().map(|tile| {
            let level = tile["L"].as_i64().unwrap();
            let partial = row[0].as_str().unwrap().contains(".p/");
            Tile {
                kind: u8::try_from(level).map_or(TileKind::Entries, TileKind::Hashes),
                index: tile["N"].as_u64().unwrap(),
                width: if partial { tile["W"].as_u64().unwrap() as u16 } else { 256 },
            }
        });
        assert_eq!(tile, expected, "{row}");
        count += 1;
    }
    for row in set["c2sp"].as_array().unwrap() {
        if let Some(n) = row["n"].as_u64() {
            let tile = Tile { kind: TileKind::Hashes(0), index: n, width: 256 };
            assert_eq!(tile.to_string(), format!("tile/0/{}", text(row, "path")));
        } else {
            let size = row["tree_size"].as_u64().unwrap();
            let tiles: Vec<Tile> = Tile::changed_hashes(0, size).collect();
            let of = |level: u8| tiles.iter().filter(move |t| t.kind == TileKind::Hashes(level));
            let full = |level: u8| of(level).filter(|tile| tile.is_full()).count() as u64;
            assert_eq!(full(0), row["full_level0"].as_u64().unwrap());
            assert_eq!(full(1), row["full_level1"].as_u64().unwrap_or(0));
            for (level, width) in row["partial"].as_object().unwrap() {
                let partial: Vec<_> = of(level.parse().unwrap()).filter(|t| !t.is_full()).collect();
                assert_eq!(partial.len(), 1);
                assert_eq!(u64::from(partial[0].width), width.as_u64().unwrap());
            }
            let partial = tiles.iter().filter(|tile| !tile.is_full()).count();
            assert_eq!(partial, row["partial"].as_object().unwrap().len());
        }
        count += 1;
    }
    eprintln!("tile paths: {count} rows");
}
