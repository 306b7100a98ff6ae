//! What somebody with root on the server can do: read the log's key, rewrite entries, link them
//! again, sign whatever follows.

use std::path::Path;

use base64::Engine as _;
use chain::canon;
use chain::checkpoint::Checkpoint;
use chain::entry::{Actor, Draft, Entry, Head, Link, leaf_hash};
use chain::merkle::prove_consistency;
use chain::note::Ed25519Signer;
use serde_json::{Value, json};

/// A history and the key to sign it.
pub(super) struct Forger {
    signer: Ed25519Signer,
    pub(super) lines: Vec<Vec<u8>>,
}

/// The seed in a PKCS #8 PEM file of an Ed25519 key (RFC 8410 section 7: an octet string of 34
/// bytes that holds one of 32).
fn seed(pem: &str) -> [u8; 32] {
    let text: String = pem.lines().filter(|line| !line.starts_with("-----")).collect();
    let der = base64::engine::general_purpose::STANDARD.decode(text).expect("base64");
    let at = der.windows(4).position(|w| w == [0x04, 0x22, 0x04, 0x20]).expect("a private key") + 4;
    der[at..at + 32].try_into().expect("32 bytes")
}

impl Forger {
    /// Takes the log's key from its data directory.
    pub(super) fn new(data: &Path, origin: &str, entries: &[u8]) -> Self {
        let pem = std::fs::read_to_string(data.join("keys/log.key")).expect("the log's key");
        let signer = Ed25519Signer::new(origin, &seed(&pem)).expect("a key");
        let lines = entries.split(|b| *b == b'\n').filter(|line| !line.is_empty());
        Self { signer, lines: lines.map(<[u8]>::to_vec).collect() }
    }

    /// Changes every entry from `from` on and links them all again.
    pub(super) fn rewrite(&mut self, from: usize, change: impl Fn(&mut Entry)) {
        let old = self.lines.split_off(from);
        for line in old {
            let mut entry = Entry::parse(&line).expect("an entry");
            change(&mut entry);
            let event = canon::to_bytes(&entry.event);
            self.seal(&entry.actor, &event, entry.recorded_at_ms, entry.salt);
        }
    }

    /// Adds an event of the log itself.
    pub(super) fn own(&mut self, name: &str, data: Value, recorded_at_ms: i64) {
        let event = json!({
            "data": data, "id": format!("forged-{}", self.lines.len()), "source": "/log",
            "specversion": "1.0", "subject": "log/self", "type": format!("pulverlog.{name}"),
        });
        let event = canon::to_bytes(&canon::parse(event.to_string().as_bytes()).expect("an event"));
        self.seal(&Actor::system(), &event, recorded_at_ms, [7; 16]);
    }

    fn seal(&mut self, actor: &Actor, event: &[u8], recorded_at_ms: i64, salt: [u8; 16]) {
        let prev =
            self.lines.last().map_or_else(chain::entry::genesis_prev, |line| leaf_hash(line));
        let link = Link { seq: self.lines.len() as u64, prev, recorded_at_ms, salt };
        let sealed = Draft::new(actor, event).and_then(|draft| draft.seal(link, None));
        self.lines.push(sealed.expect("a forged entry").bytes);
    }

    /// When the last entry was recorded.
    pub(super) fn now_ms(&self) -> i64 {
        self.lines.last().map_or(0, |line| Entry::parse(line).expect("an entry").recorded_at_ms)
    }

    fn head(&self) -> Head {
        let mut head = Head::empty();
        for line in &self.lines {
            let entry = Entry::parse(line).expect("an entry");
            head.advance(entry.seq, entry.prev, entry.recorded_at_ms, leaf_hash(line))
                .expect("the forged history is linked");
        }
        head
    }

    /// A checkpoint over everything, properly signed.
    pub(super) fn checkpoint(&self) -> String {
        let (head, origin) = (self.head(), self.signer.verifier().name().to_owned());
        let (size, root) = (head.size(), head.root());
        Checkpoint { origin, size, root, extensions: Vec::new() }.sign(&self.signer)
    }

    /// The request with which a witness is asked to follow this history from `old` entries on.
    pub(super) fn request(&self, old: u64) -> String {
        let leaves: Vec<_> = self.lines.iter().map(|line| leaf_hash(line)).collect();
        let size = leaves.len() as u64;
        let proof = if old == 0 || old == size {
            Vec::new()
        } else {
            prove_consistency(&leaves[..], old, size).expect("a proof")
        };
        let proof: String = proof.iter().map(|hash| format!("{}\n", hash.to_base64())).collect();
        format!("old {old}\n{proof}\n{}", self.checkpoint())
    }

    /// `entries.ndjson`.
    pub(super) fn entries(&self) -> Vec<u8> {
        self.lines.iter().flat_map(|line| [&line[..], b"\n"].concat()).collect()
    }
}
