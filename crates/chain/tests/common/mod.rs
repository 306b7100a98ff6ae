//! A small log of the invented Brackwater Works, made the way the ledger makes one.

// Each test program uses its own part of this module.
#![allow(dead_code, unreachable_pub)]

use chain::Digest;
use chain::checkpoint::{Checkpoint, cosign};
use chain::entry::{Actor, ClientSignature, Draft, Head, Link, Via};
use chain::keys::Keys;
use chain::note::{Ed25519Signer, Note, Signer as _};
use chain::policy::{Member, Policy, PolicyLog, PolicyWitness};
use chain::verify::{CheckpointFile, Evidence};

pub const ORIGIN: &str = "records.example.org/brackwater/north/2026";

/// A log with everything that is checked against it.
pub struct SmallLog {
    pub log: Ed25519Signer,
    pub witness: Ed25519Signer,
    pub client: Ed25519Signer,
    pub entries: Vec<Vec<u8>>,
    pub leaves: Vec<Digest>,
    pub checkpoints: Vec<(String, String)>,
}

impl SmallLog {
    /// `count` entries and a cosigned checkpoint at each of `sizes`.
    pub fn new(count: u64, sizes: &[u64]) -> Self {
        let mut log = Self {
            log: Ed25519Signer::new(ORIGIN, &[1; 32]).unwrap(),
            witness: Ed25519Signer::witness("witness.example.net/w1", &[2; 32]).unwrap(),
            client: Ed25519Signer::new("mes.example.org/north", &[3; 32]).unwrap(),
            entries: Vec::new(),
            leaves: Vec::new(),
            checkpoints: Vec::new(),
        };
        let mut head = Head::empty();
        for seq in 0..count {
            if sizes.contains(&seq) {
                log.sign(&head);
            }
            log.append(&mut head);
        }
        if sizes.contains(&count) {
            log.sign(&head);
        }
        log
    }

    fn append(&mut self, head: &mut Head) {
        let seq = head.size();
        let (actor, event, signed) = self.event(seq);
        let draft = Draft::new(&actor, event.as_bytes()).unwrap();
        let link = Link {
            seq,
            prev: head.prev(),
            recorded_at_ms: 1_767_225_600_000 + 61_003 * seq as i64,
            salt: [0x11 + seq as u8; 16],
        };
        let signature = ClientSignature::sign(ORIGIN, event.as_bytes(), &self.client);
        let sealed = draft.seal(link.clone(), signed.then_some(&signature)).unwrap();
        head.advance(seq, link.prev, link.recorded_at_ms, sealed.leaf).unwrap();
        self.entries.push(sealed.bytes);
        self.leaves.push(sealed.leaf);
    }

    fn event(&self, seq: u64) -> (Actor, String, bool) {
        let source = "\"source\":\"/brackwater/north\",\"specversion\":\"1.0\"";
        if seq == 0 {
            let data = format!(r#"{{"key":"{}","origin":"{ORIGIN}","schema":1}}"#, self.log.vkey());
            let event =
                format!(r#"{{"data":{data},"id":"open",{source},"type":"pulverlog.log.opened"}}"#);
            return (Actor::system(), event, false);
        }
        let id = format!("north-{seq:04}");
        if seq % 3 == 1 {
            let data = r#"{"mass":{"unit":"kg","value":"12.340"},"remark":"50 µm, \"fine\""}"#;
            let actor = Actor {
                id: "svc_mes".into(),
                via: Via::Service,
                on_behalf_of: Some("op_k3f9".into()),
            };
            let kind = "pulverlog.powder.loaded";
            return (
                actor,
                format!(r#"{{"data":{data},"id":"{id}",{source},"type":"{kind}"}}"#),
                true,
            );
        }
        let data = r#"{"checks":[true,null,-7],"target":"S-02"}"#;
        let actor = Actor { id: "op_k3f9".into(), via: Via::Badge, on_behalf_of: None };
        let kind = "pulverlog.cleaning.done";
        (actor, format!(r#"{{"data":{data},"id":"{id}",{source},"type":"{kind}"}}"#), false)
    }

    fn sign(&mut self, head: &Head) {
        let checkpoint = Checkpoint {
            origin: ORIGIN.into(),
            size: head.size(),
            root: head.root(),
            extensions: vec![],
        };
        let text = checkpoint.to_text();
        let mut note = Note::sign(&text, &self.log);
        note.signatures.push(cosign(&text, 1_767_225_700 + head.size(), &self.witness));
        self.checkpoints.push((format!("{:08}.note", head.size()), note.to_string()));
    }

    pub fn keys(&self) -> Keys {
        Keys {
            log: self.log.verifier().clone(),
            witnesses: vec![self.witness.verifier().clone()],
            clients: vec![self.client.verifier().clone()],
        }
    }

    pub fn policy(&self) -> Policy {
        Policy {
            logs: vec![PolicyLog { key: self.log.verifier().clone(), url: None }],
            witnesses: vec![PolicyWitness {
                name: "w1".into(),
                key: self.witness.verifier().clone(),
                url: None,
            }],
            groups: vec![],
            quorum: Some(Member::Witness(0)),
        }
    }

    pub fn evidence(&self) -> Evidence {
        let file = |(name, note): &(String, String)| CheckpointFile {
            name: name.clone(),
            note: note.clone().into_bytes(),
            outside: false,
        };
        Evidence {
            keys: self.keys(),
            policy: Some(self.policy()),
            checkpoints: self.checkpoints.iter().map(file).collect(),
            receipts: vec![],
        }
    }

    /// The `entries.ndjson` of these entries.
    pub fn file(entries: &[Vec<u8>]) -> Vec<u8> {
        entries.iter().flat_map(|entry| [entry, &b"\n"[..]].concat()).collect()
    }
}
