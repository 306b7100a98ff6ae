//! Small logs made in the test, with a log key and a witness whose seeds are known.

use base64::Engine as _;
use chain::Digest;
use chain::bundle::{self, Bundle};
use chain::canon;
use chain::checkpoint::{Checkpoint, cosign};
use chain::entry::{Actor, ClientSignature, Draft, Entry, Head, Link, Via};
use chain::keys::Keys;
use chain::merkle;
use chain::note::{Ed25519Signer, VerifierKey};
use chain::policy::Policy;
use chain::proof::TlogProof;
use serde_json::{Value, json};
use shopfloor::{Fact, State};

/// 2026-03-01T08:00:00Z.
pub(crate) const START_MS: i64 = 1_772_352_000_000;
pub(crate) const MINUTE_MS: i64 = 60_000;

/// The neutral element of the curve, canonically encoded: a point of order 1.
pub(crate) const IDENTITY_POINT: [u8; 32] = {
    let mut point = [0; 32];
    point[0] = 1;
    point
};

/// A key text with the right key id over any 32 bytes, which a library would refuse to write.
pub(crate) fn vkey_of_point(name: &str, kind: u8, point: &[u8; 32]) -> String {
    let data = [&[kind][..], point].concat();
    let id = Digest::of(&[name.as_bytes(), b"\n", &data].concat()).to_string();
    format!("{name}+{}+{}", &id[..8], base64::engine::general_purpose::STANDARD.encode(data))
}

pub(crate) struct Log {
    signer: Ed25519Signer,
    witness: Ed25519Signer,
    head: Head,
    lines: Vec<Vec<u8>>,
    leaves: Vec<Digest>,
    /// The log's clock.
    pub(crate) now_ms: i64,
}

impl Log {
    pub(crate) fn open(name: &str, continues: Option<&str>) -> Self {
        let origin = format!("records.brackwater.example/{name}");
        let mut log = Self {
            // Each log has a key of its own.
            signer: Ed25519Signer::new(&origin, Digest::of(origin.as_bytes()).as_bytes()).unwrap(),
            witness: Ed25519Signer::witness("witness.example.net/w1", &[2; 32]).unwrap(),
            head: Head::empty(),
            lines: Vec::new(),
            leaves: Vec::new(),
            now_ms: START_MS,
        };
        let mut data = json!({ "origin": origin, "key": log.key().to_string(), "schema": 1 });
        if let Some(note) = continues {
            data["continues"] = note.into();
        }
        log.own("log.opened", data);
        log
    }

    pub(crate) fn origin(&self) -> &str {
        self.key().name()
    }

    pub(crate) fn key(&self) -> &VerifierKey {
        self.signer.verifier()
    }

    pub(crate) fn size(&self) -> u64 {
        self.head.size()
    }

    pub(crate) fn root(&self) -> Digest {
        self.head.root()
    }

    fn push(&mut self, actor: &Actor, event: &Value, sign: Option<&Ed25519Signer>) {
        let event = canon::to_bytes(&canon::parse(event.to_string().as_bytes()).unwrap());
        let signature = sign.map(|key| ClientSignature::sign(self.origin(), &event, key));
        self.seal(actor, &event, signature.as_ref());
    }

    fn seal(&mut self, actor: &Actor, event: &[u8], signature: Option<&ClientSignature>) {
        let (seq, prev) = (self.head.size(), self.head.prev());
        let salt = [u8::try_from(seq).unwrap(); 16];
        let link = Link { seq, prev, recorded_at_ms: self.now_ms, salt };
        let sealed = Draft::new(actor, event).unwrap().seal(link, signature).unwrap();
        self.head.advance(seq, prev, self.now_ms, sealed.leaf).unwrap();
        self.lines.push(sealed.bytes);
        self.leaves.push(sealed.leaf);
    }

    fn event(&self, name: &str, subject: &str, data: Value) -> Value {
        json!({
            "specversion": "1.0", "id": format!("e{}", self.size()), "source": "/test",
            "type": format!("pulverlog.{name}"), "subject": subject, "data": data,
        })
    }

    /// An event of the log itself.
    pub(crate) fn own(&mut self, name: &str, data: Value) {
        let event = self.event(name, "log/self", data);
        self.push(&Actor::system(), &event, None);
    }

    /// An event by the person `op_first`.
    pub(crate) fn office(&mut self, name: &str, data: Value) {
        let mut event = self.event(name, "log/self", data);
        event["time"] = "2026-03-01T08:00:00Z".into();
        let actor = Actor { id: "op_first".into(), via: Via::Oidc, on_behalf_of: None };
        self.push(&actor, &event, None);
    }

    /// A person approves an entry.
    pub(crate) fn approve(&mut self, person: &str, seq: u64) {
        let mut event =
            self.event("entry.signed", &format!("entry/{seq}"), json!({ "meaning": "approved" }));
        event["time"] = "2026-03-01T08:00:00Z".into();
        let actor = Actor { id: person.into(), via: Via::Oidc, on_behalf_of: None };
        self.push(&actor, &event, None);
    }

    fn reading(&self, hours: &str) -> Value {
        let data = json!({ "meter": "run", "reading": { "value": hours, "unit": "h" } });
        let mut event = self.event("meter.read", "equipment/S-02", data);
        event["time"] = "2026-03-01T08:00:00Z".into();
        event["site"] = "north".into();
        event
    }

    /// An event about a thing of site `north` by the person `op_first`.
    pub(crate) fn work(&mut self, name: &str, subject: &str, data: Value) {
        self.work_at("2026-02-02T08:00:00Z", name, subject, data);
    }

    /// Likewise, done at some time.
    pub(crate) fn work_at(&mut self, time: &str, name: &str, subject: &str, data: Value) {
        let mut event = self.event(name, subject, data);
        event["time"] = time.into();
        event["site"] = "north".into();
        let actor = Actor { id: "op_first".into(), via: Via::Oidc, on_behalf_of: None };
        self.push(&actor, &event, None);
    }

    /// The bytes of an entry.
    pub(crate) fn line(&self, seq: u64) -> Option<Vec<u8>> {
        self.lines.get(usize::try_from(seq).unwrap()).cloned()
    }

    /// The hashes of the tree.
    pub(crate) fn leaves(&self) -> &[Digest] {
        &self.leaves
    }

    pub(crate) fn read_meter(&mut self, hours: &str) {
        let event = self.reading(hours);
        self.push(&service(), &event, None);
    }

    pub(crate) fn read_meter_signed(&mut self, hours: &str, key: &Ed25519Signer) {
        let event = self.reading(hours);
        self.push(&service(), &event, Some(key));
    }

    /// Lets the last entry claim to be signed by `key`, with the signature it has.
    pub(crate) fn forge_last_signature_for(&mut self, key: &Ed25519Signer) {
        let entry = Entry::parse(self.lines.last().unwrap()).unwrap();
        let mut signature = entry.sig.unwrap();
        signature.by = key.verifier().label();
        let lines = std::mem::take(&mut self.lines);
        (self.head, self.leaves) = (Head::empty(), Vec::new());
        for line in &lines[..lines.len() - 1] {
            let entry = Entry::parse(line).unwrap();
            let leaf = chain::entry::leaf_hash(line);
            self.head.advance(entry.seq, entry.prev, entry.recorded_at_ms, leaf).unwrap();
            self.lines.push(line.clone());
            self.leaves.push(leaf);
        }
        self.seal(&entry.actor, &canon::to_bytes(&entry.event), Some(&signature));
    }

    /// A checkpoint over everything; cosigned by the witness at this time, in seconds since 1970.
    pub(crate) fn checkpoint(&self, cosigned_s: Option<u64>) -> String {
        let (origin, size, root) = (self.origin().to_owned(), self.size(), self.root());
        let checkpoint = Checkpoint { origin, size, root, extensions: Vec::new() };
        let note = checkpoint.sign(&self.signer);
        let line = cosigned_s.map(|at| cosign(&checkpoint.to_text(), at, &self.witness));
        format!("{note}{}", line.map_or_else(String::new, |line| line.to_string()))
    }

    fn papers(&self) -> Bundle {
        let mut keys = Keys::of_log(self.key().clone());
        keys.witnesses.push(self.witness.verifier().clone());
        let mut files = Bundle::new();
        files.insert(bundle::KEYS, keys.to_string().into_bytes()).unwrap();
        files.insert(bundle::POLICY, Policy::default().to_string().into_bytes()).unwrap();
        files
    }

    /// A full bundle with these checkpoints.
    pub(crate) fn bundle(&self, notes: &[&String]) -> Bundle {
        let mut files = self.papers();
        for note in notes {
            let size = note.lines().nth(1).unwrap().parse().unwrap();
            files.insert(&bundle::checkpoint_name(size), note.as_bytes().to_vec()).unwrap();
        }
        let lines: Vec<u8> = self.lines.iter().flat_map(|l| [&l[..], b"\n"].concat()).collect();
        files.insert(bundle::ENTRIES, lines).unwrap();
        files
    }

    /// An excerpt of these entries.
    pub(crate) fn excerpt(&self, seqs: &[u64]) -> Bundle {
        let mut files = self.papers();
        let mut entries = Vec::new();
        for &seq in seqs {
            let line = &self.lines[usize::try_from(seq).unwrap()];
            entries.extend([&line[..], b"\n"].concat());
            let path = merkle::prove_inclusion(&self.leaves[..], seq, self.size()).unwrap();
            let checkpoint = self.checkpoint(None);
            let proof = TlogProof { extra: None, index: seq, path, checkpoint };
            files.insert(&bundle::proof_name(seq), proof.to_string().into_bytes()).unwrap();
        }
        files.insert(bundle::ENTRIES, entries).unwrap();
        files
    }

    /// The folds over everything.
    pub(crate) fn state(&self) -> State {
        let mut state = State::default();
        for line in &self.lines {
            let fact = Fact::from_entry(&Entry::parse(line).unwrap()).unwrap();
            state.apply(&fact, None);
        }
        state
    }
}

fn service() -> Actor {
    Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: None }
}
