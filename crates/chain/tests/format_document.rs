//! The worked example of FORMAT.md, recomputed byte by byte.
//!
//! `PULVERLOG_UPDATE=1 cargo test -p chain --test format_document` rewrites the example after a
//! deliberate change of the document; record format v1 itself never changes.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

use chain::checkpoint::{Checkpoint, cosign};
use chain::entry::{Actor, ClientSignature, Draft, Entry, Head, Link, Via, leaf_hash};
use chain::keys::Keys;
use chain::merkle::{self, node_hash};
use chain::note::{Ed25519Signer, Note, Signer as _};
use chain::policy::Policy;
use chain::proof::TlogProof;
use chain::verify::{CheckpointFile, Evidence, Verdict, verify_ndjson};
use chain::{Digest, canon};

const BEGIN: &str = "<!-- example -->\n";
const END: &str = "<!-- end of example -->\n";
const ORIGIN: &str = "records.example.org/brackwater/2026";

const LOG_SEED: [u8; 32] = [1; 32];
const WITNESS_SEED: [u8; 32] = [2; 32];
const CLIENT_SEED: [u8; 32] = [3; 32];
const COSIGNED_AT_S: u64 = 1_767_258_060;

fn document() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("FORMAT.md");
    std::fs::read_to_string(path).unwrap()
}

/// The code blocks of the example by their headings.
fn blocks(document: &str) -> BTreeMap<String, String> {
    let example = document.split(BEGIN).nth(1).unwrap().split(END).next().unwrap();
    let mut blocks = BTreeMap::new();
    for part in example.split("**").skip(1).collect::<Vec<_>>().chunks(2) {
        let [heading, body] = part else { panic!("a heading without a block") };
        let body = body.split("```text\n").nth(1).unwrap().split("```\n").next().unwrap();
        blocks.insert(heading.trim_end_matches('.').to_owned(), body.to_owned());
    }
    blocks
}

/// The example as it must stand in the document, made from seeds and events alone.
fn render() -> String {
    let log = Ed25519Signer::new(ORIGIN, &LOG_SEED).unwrap();
    let witness = Ed25519Signer::witness("witness.example.net/w1", &WITNESS_SEED).unwrap();
    let client = Ed25519Signer::new("mes.example.org/north", &CLIENT_SEED).unwrap();
    let keys = Keys {
        log: log.verifier().clone(),
        witnesses: vec![witness.verifier().clone()],
        clients: vec![client.verifier().clone()],
    };
    let service =
        Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: Some("op_7qk2".into()) };
    let person = Actor { id: "op_7qk2".into(), via: Via::Badge, on_behalf_of: None };
    let opened = format!(
        r#"{{"data":{{"key":"{}","origin":"{ORIGIN}","schema":1}},"id":"open","source":"/log","specversion":"1.0","type":"pulverlog.log.opened"}}"#,
        log.vkey()
    );
    let loaded = r#"{"data":{"from":"PA-0417-02","into":"S-02/hopper","mass":{"unit":"kg","value":"12.340"}},"id":"4711","source":"/mes/north","specversion":"1.0","time":"2026-01-01T09:58:00+01:00","type":"pulverlog.powder.loaded"}"#;
    let cleaned = r#"{"data":{"checks":["vacuumed","lens wiped"],"remark":"residue \"grey\", 50 µm\n"},"id":"4712","source":"/terminal/2","specversion":"1.0","time":"2026-01-01T09:59:30+01:00","type":"pulverlog.cleaning.done"}"#;
    let events = [
        (Actor::system(), opened.as_str(), 1_767_258_000_000, false),
        (service, loaded, 1_767_258_001_500, true),
        (person, cleaned, 1_767_258_001_500, false),
    ];
    let (mut head, mut entries, mut leaves) = (Head::empty(), Vec::new(), Vec::new());
    for (seq, (actor, event, recorded_at_ms, signed)) in events.into_iter().enumerate() {
        let draft = Draft::new(&actor, event.as_bytes()).unwrap();
        let seq = seq as u64;
        let link = Link { seq, prev: head.prev(), recorded_at_ms, salt: [0xa0 + seq as u8; 16] };
        let signature = ClientSignature::sign(ORIGIN, event.as_bytes(), &client);
        let prev = link.prev;
        let sealed = draft.seal(link, signed.then_some(&signature)).unwrap();
        head.advance(seq, prev, recorded_at_ms, sealed.leaf).unwrap();
        entries.push(String::from_utf8(sealed.bytes).unwrap());
        leaves.push(sealed.leaf);
    }
    let checkpoint =
        Checkpoint { origin: ORIGIN.into(), size: 3, root: head.root(), extensions: vec![] };
    let text = checkpoint.to_text();
    let mut note = Note::sign(&text, &log);
    note.signatures.push(cosign(&text, COSIGNED_AT_S, &witness));
    let proof = TlogProof {
        extra: None,
        index: 1,
        path: merkle::prove_inclusion(&leaves[..], 1, 3).unwrap(),
        checkpoint: note.to_string(),
    };
    let policy = format!("log {}\nwitness w1 {}\nquorum w1\n", log.vkey(), witness.vkey());

    let mut out = String::new();
    let mut block = |heading: &str, body: &str| {
        writeln!(out, "\n**{heading}.**\n\n```text\n{body}```").unwrap();
    };
    let seed = |seed: [u8; 32]| hex::encode(seed);
    block(
        "Seeds (RFC 8032 private keys) of log, witness, client, in hex",
        &format!("{}\n{}\n{}\n", seed(LOG_SEED), seed(WITNESS_SEED), seed(CLIENT_SEED)),
    );
    block("keys.txt", &keys.to_string());
    block("policy.txt", &policy);
    block("entries.ndjson", &format!("{}\n", entries.join("\n")));
    let lines = |digests: &[Digest]| digests.iter().map(|d| format!("{d}\n")).collect::<String>();
    block("L(0), L(1), L(2)", &lines(&leaves));
    let inner = node_hash(&leaves[0], &leaves[1]);
    let roots = [merkle::empty_root(), leaves[0], inner, node_hash(&inner, &leaves[2])];
    block("R(0), R(1), R(2), R(3)", &lines(&roots));
    block("checkpoints/3.note, cosigned at 1767258060", &note.to_string());
    block("proofs/1.tlog-proof", &proof.to_string());
    out.push('\n');
    out
}

#[test]
fn the_example_stands_as_computed() {
    let document = document();
    let (before, rest) = document.split_once(BEGIN).unwrap();
    let (example, after) = rest.split_once(END).unwrap();
    let computed = render();
    if std::env::var_os("PULVERLOG_UPDATE").is_some() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("FORMAT.md");
        std::fs::write(path, format!("{before}{BEGIN}{computed}{END}{after}")).unwrap();
        return;
    }
    assert_eq!(example, computed);
}

/// The other direction: what a reader finds in the document holds together.
#[test]
fn the_example_holds_together() {
    let blocks = blocks(&document());
    let block = |name: &str| {
        let found = blocks.iter().find(|(heading, _)| heading.starts_with(name));
        found.unwrap_or_else(|| panic!("no block `{name}`")).1.as_str()
    };
    let digests = |name: &str| -> Vec<Digest> {
        block(name).lines().map(|line| line.parse().unwrap()).collect()
    };
    let entries: Vec<&str> = block("entries.ndjson").lines().collect();
    let (leaves, roots) = (digests("L(0)"), digests("R(0)"));
    let mut prev = Digest::of(b"");
    for (seq, line) in entries.iter().enumerate() {
        let entry = Entry::parse(line.as_bytes()).unwrap();
        assert_eq!((entry.seq, entry.prev), (seq as u64, prev));
        assert_eq!(leaf_hash(line.as_bytes()), leaves[seq]);
        assert_eq!(Digest::of(&[b"\0", line.as_bytes()].concat()), leaves[seq]);
        assert_eq!(canon::to_bytes(&canon::parse(line.as_bytes()).unwrap()), line.as_bytes());
        prev = leaves[seq];
    }
    for (size, root) in roots.iter().enumerate() {
        assert_eq!(merkle::root_of(&leaves[..size]), *root);
    }
    let keys = Keys::parse(block("keys.txt").as_bytes()).unwrap();
    let seeds: Vec<[u8; 32]> =
        block("Seeds").lines().map(|line| hex::decode(line).unwrap().try_into().unwrap()).collect();
    let public = |seed| *Ed25519Signer::new("x", seed).unwrap().verifier().public();
    let printed = [&keys.log, &keys.witnesses[0], &keys.clients[0]].map(|key| *key.public());
    assert_eq!([&seeds[0], &seeds[1], &seeds[2]].map(public), printed);

    let proof = TlogProof::parse(block("proofs/1").as_bytes()).unwrap();
    let policy = Policy::parse(block("policy.txt").as_bytes()).unwrap();
    let signed = proof.verify(&leaves[1], std::slice::from_ref(&keys.log), Some(&policy)).unwrap();
    assert_eq!(signed.cosignatures[0].timestamp_s, COSIGNED_AT_S);
    assert_eq!(proof.checkpoint, block("checkpoints/3.note"));

    let evidence = Evidence {
        keys,
        policy: Some(policy),
        checkpoints: vec![CheckpointFile {
            name: "3.note".into(),
            note: block("checkpoints/3.note").as_bytes().to_vec(),
            outside: false,
        }],
        receipts: vec![],
    };
    match verify_ndjson(evidence, block("entries.ndjson").as_bytes(), 2).unwrap() {
        Verdict::Sound(summary) => {
            assert_eq!((summary.entries, summary.root), (3, roots[3]));
            assert_eq!((summary.unsigned, summary.not_covered_outside()), (2, 0));
        }
        Verdict::Broken(fault) => panic!("{fault}"),
    }
}
