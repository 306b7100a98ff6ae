//! A small log of the invented Brackwater Works, made the way the ledger makes one.

// Each test program uses its own part of this module.
#![allow(dead_code, unreachable_pub)]

use chain::Digest;
use chain::checkpoint::{Checkpoint, cosign};
use chain::entry::{Actor, ClientSignature, Draft, EntryView, Head, Link, Via};
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
        for seq in 0..=count {
            if sizes.contains(&seq) {
                let note = log.sign(&head, 1_767_225_700 + seq);
                log.checkpoints.push((format!("checkpoints/{seq}.note"), note.to_string()));
            }
            if seq < count {
                let (actor, event, signed) = log.event(seq);
                let signature = ClientSignature::sign(ORIGIN, event.as_bytes(), &log.client);
                log.append(&mut head, &actor, &event, signed.then_some(&signature));
            }
        }
        log
    }

    /// The end of the log after its first `count` entries.
    pub fn head(&self, count: usize) -> Head {
        let mut head = Head::empty();
        for (entry, leaf) in self.entries[..count].iter().zip(&self.leaves) {
            let entry = EntryView::parse(entry).unwrap();
            head.advance(entry.seq, entry.prev, entry.recorded_at_ms, *leaf).unwrap();
        }
        head
    }

    /// Appends an event as the ledger does.
    pub fn append(
        &mut self,
        head: &mut Head,
        actor: &Actor,
        event: &str,
        signature: Option<&ClientSignature>,
    ) {
        let seq = head.size();
        let link = Link {
            seq,
            prev: head.prev(),
            recorded_at_ms: 1_767_225_600_000 + 61_003 * seq as i64,
            salt: [0x11_u8.wrapping_add(seq as u8); 16],
        };
        let draft = Draft::new(actor, event.as_bytes()).unwrap();
        let sealed = draft.seal(link.clone(), signature).unwrap();
        head.advance(seq, link.prev, link.recorded_at_ms, sealed.leaf).unwrap();
        self.entries.push(sealed.bytes);
        self.leaves.push(sealed.leaf);
    }

    /// Throws away everything from entry `seq` on and records the same again with another word in
    /// entry `seq`: what somebody with the disk of the server can do.
    pub fn rewrite_from(&mut self, seq: usize) {
        let count = self.entries.len();
        let mut head = self.head(seq);
        self.entries.truncate(seq);
        self.leaves.truncate(seq);
        for seq in seq as u64..count as u64 {
            let (actor, event, _) = self.event(seq);
            let event = event.replace("S-02", "S-03").replace("12.340", "11.340");
            self.append(&mut head, &actor, &event, None);
        }
    }

    /// Who records what as entry `seq`, and whether a client signs it.
    pub fn event(&self, seq: u64) -> (Actor, String, bool) {
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

    /// A cosigned checkpoint for a head.
    pub fn sign(&self, head: &Head, cosigned_at_s: u64) -> Note {
        let checkpoint = Checkpoint {
            origin: ORIGIN.into(),
            size: head.size(),
            root: head.root(),
            extensions: vec![],
        };
        let text = checkpoint.to_text();
        let mut note = Note::sign(&text, &self.log);
        note.signatures.push(cosign(&text, cosigned_at_s, &self.witness));
        note
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
