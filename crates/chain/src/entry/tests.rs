use super::*;
use crate::checkpoint::Checkpoint;
use crate::note::{Ed25519Signer, Signer as _};

#[test]
fn a_sealed_entry_reads_back() {
    let actor =
        Actor { id: "svc_mes".into(), via: Via::Service, on_behalf_of: Some("op_ana".into()) };
    let event = br#"{"data":{"mass":{"unit":"kg","value":"12.340"}},"id":"1"}"#;
    let draft = Draft::new(&actor, event).unwrap();
    let link = Link { seq: 0, prev: genesis_prev(), recorded_at_ms: 1, salt: [7; 16] };
    let client = Ed25519Signer::new("mes.example.org/north", &[1; 32]).unwrap();
    let sig = ClientSignature::sign("log.example.org/north", event, &client);
    for sig in [None, Some(&sig)] {
        let sealed = draft.seal(link.clone(), sig).unwrap();
        assert_eq!(sealed.leaf, leaf_hash(&sealed.bytes));
        let entry = Entry::parse(&sealed.bytes).unwrap();
        assert_eq!(entry.actor, actor);
        assert_eq!(entry.event, canon::check(event).unwrap());
        assert_eq!((entry.seq, entry.prev, entry.recorded_at_ms), (0, link.prev, 1));
        assert_eq!(entry.sig.as_ref(), sig);
    }
    assert!(sig.verify(client.verifier(), "log.example.org/north", event));
    assert!(!sig.verify(client.verifier(), "log.example.org/south", event));
}

#[test]
fn a_checkpoint_opens_with_the_log_key() {
    let log = Ed25519Signer::new("log.example.org/north", &[2; 32]).unwrap();
    let checkpoint = Checkpoint {
        origin: log.name().to_owned(),
        size: 0,
        root: genesis_prev(),
        extensions: vec![],
    };
    let note = checkpoint.sign(&log);
    let opened = Checkpoint::open(note.as_bytes(), &[log.vkey().parse().unwrap()]).unwrap();
    assert_eq!(opened.checkpoint, checkpoint);
}
