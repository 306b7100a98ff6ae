//! Our log read by somebody else's code: the crate `ct-merkle`, which was written from RFC 6962 for
//! other logs, builds the same roots from the entries and accepts the proofs that the recorder gives.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use chain::proof::TlogProof;
use ct_merkle::mem_backed_tree::MemoryBackedTree;
use ct_merkle::{ConsistencyProof, InclusionProof, RootHash};
use serde_json::{Value, json};
use sha2::Sha256;
use tests::recorder::{Client, Place, event};

/// Rounds of growing and asking.
const ROUNDS: usize = 24;

type Tree = MemoryBackedTree<Sha256, Vec<u8>>;

fn bytes(value: &Value) -> [u8; 32] {
    let bytes = BASE64.decode(value.as_str().expect("base64")).expect("base64");
    bytes.try_into().expect("32 bytes")
}

/// What the log says of its sizes, and what the other implementation says.
struct Reader {
    api: Client,
    tree: Tree,
    roots: Vec<RootHash<Sha256>>,
    /// Leaf hashes hold 16 random bytes each, so they are as good as dice.
    dice: Vec<[u8; 32]>,
}

impl Reader {
    fn get(&self, path: &str) -> Vec<u8> {
        let answer = self.api.get(path).expect("an answer");
        assert_eq!(answer.status, 200, "{path}: {}", answer.text());
        answer.body
    }

    /// Takes in the entries up to `size`.
    fn read_to(&mut self, size: usize) {
        for seq in self.roots.len() - 1..size {
            let entry = self.get(&format!("/v1/entries/{seq}"));
            self.dice.push(*chain::entry::leaf_hash(&entry).as_bytes());
            self.tree.push(entry);
            self.roots.push(self.tree.root());
        }
    }

    fn roll(&self, round: usize, below: usize) -> usize {
        let die = self.dice[self.dice.len() - 1 - round % self.dice.len()];
        usize::from(u16::from_le_bytes([die[round % 16], die[16 + round % 16]])) % below
    }

    fn included(&self, seq: usize) -> usize {
        let proof =
            TlogProof::parse(&self.get(&format!("/v1/entries/{seq}/proof"))).expect("a proof");
        let size: usize = proof.checkpoint.lines().nth(1).expect("a size").parse().expect("a size");
        let path: Vec<_> = proof.path.iter().map(|hash| (*hash.as_bytes()).into()).collect();
        let path = InclusionProof::<Sha256>::from_digests(&path);
        let root = &self.roots[size];
        let entry = &self.tree.items()[seq];
        root.verify_inclusion(entry, seq as u64, &path).expect("included");
        if size > 1 {
            let other = &self.tree.items()[(seq + 1) % size];
            root.verify_inclusion(other, seq as u64, &path).expect_err("another entry");
        }
        size
    }

    fn consistent(&self, from: usize, to: usize) {
        let answer = self.get(&format!("/v1/proofs/consistency?from={from}&to={to}"));
        let answer: Value = serde_json::from_slice(&answer).expect("a proof");
        let (old, new) = (&self.roots[from], &self.roots[to]);
        assert_eq!(bytes(&answer["from_root"])[..], old.as_bytes()[..], "root of {from}");
        assert_eq!(bytes(&answer["to_root"])[..], new.as_bytes()[..], "root of {to}");
        let hashes: Vec<_> =
            answer["hashes"].as_array().expect("hashes").iter().map(|h| bytes(h).into()).collect();
        let proof = ConsistencyProof::<Sha256>::from_digests(&hashes);
        new.verify_consistency(old, &proof).expect("consistent");
        if from > 1 && from < to {
            let other = RootHash::new(*self.roots[from - 1].as_bytes(), from as u64);
            new.verify_consistency(&other, &proof).expect_err("another root");
        }
    }
}

#[test]
fn another_implementation_builds_our_roots_and_accepts_our_proofs() {
    let folder = tempfile::tempdir().expect("a folder");
    let place = Place::new(folder.path());
    let running = place.start();
    let mes = running.client(&place.token("svc_mes", &["service"]));
    let api = running.client(&place.token("op_auditor", &["auditor"]));
    let tree = Tree::new();
    let roots = vec![tree.root()];
    let mut reader = Reader { api, tree, roots, dice: Vec::new() };
    reader.read_to(1);
    let (mut sizes, mut proofs) = (Vec::new(), 0);
    for round in 0..ROUNDS {
        let more = 1 + reader.roll(round, 40);
        let events: Vec<Value> = (0..more)
            .map(|n| {
                let data = json!({ "meter": "run", "reading": { "value": "1.0", "unit": "h" } });
                let id = format!("{round}-{n}");
                event(&id, "meter.read", "equipment/S-02", "2026-03-05T14:07:00+01:00", data)
            })
            .collect();
        let batch = Value::from(events).to_string();
        let media = "application/cloudevents-batch+json";
        let answer = mes.post("/v1/events", media, &[], batch.as_bytes()).expect("an answer");
        assert_eq!(answer.status, 200, "{}", answer.text());
        let grown = reader.roots.len() - 1 + more;
        reader.read_to(grown);
        // The newest entry has no checkpoint yet, so its proof makes one of this size.
        let size = reader.included(grown - 1);
        reader.included(reader.roll(round, size));
        for from in [1, 1 + reader.roll(round + 5, size), size] {
            reader.consistent(from, size);
        }
        if let Some(before) = sizes.last() {
            reader.consistent(*before, size);
            proofs += 1;
        }
        proofs += 5;
        sizes.push(size);
    }
    println!("ct-merkle: {proofs} proofs of a log at the sizes {sizes:?}");
    assert!(sizes.last() > Some(&256), "more than one tile");
    assert!(running.stop().success());
}
