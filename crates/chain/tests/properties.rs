//! Properties that hold for every input, tried on random ones.

use chain::canon::{self, CanonErrorKind, Limits, Object, Value};
use chain::checkpoint::{Checkpoint, cosign};
use chain::entry::{
    Actor, ClientSignature, Draft, Entry, EntryView, Head, Link, Via, genesis_prev, leaf_hash,
};
use chain::limits::{ENTRY_BYTES_MAX, EVENT_BYTES_MAX, INTEGER_ABS_MAX, SEQ_MAX};
use chain::merkle::{self, Frontier};
use chain::note::{Ed25519Signer, KeyKind, Note, VerifierKey};
use chain::proof::TlogProof;
use chain::time::{TIME_MS_MAX, format_ms, parse_ms};
use chain::{Digest, tile::Tile};
use proptest::collection::{btree_map, vec};
use proptest::prelude::*;

/// Any value of the profile that fits into an event.
fn value() -> impl Strategy<Value = Value> {
    let scalar = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::Bool),
        (-INTEGER_ABS_MAX..=INTEGER_ABS_MAX).prop_map(Value::Int),
        any::<String>().prop_map(Value::String),
        "[ -~\u{0}-\u{1f}\"\\\\/é€😂\u{2028}]{0,12}".prop_map(Value::String),
    ];
    scalar.prop_recursive(4, 40, 6, |inner| {
        prop_oneof![
            vec(inner.clone(), 0..6).prop_map(Value::Array),
            btree_map("[a-z0-9_]{1,40}", inner, 0..6)
                .prop_map(|members| Value::Object(members.into_iter().collect())),
        ]
    })
}

fn event() -> impl Strategy<Value = Vec<u8>> {
    btree_map("[a-z0-9_]{1,20}", value(), 0..6).prop_map(|members| {
        canon::to_bytes(&Value::Object(members.into_iter().collect::<Object>()))
    })
}

fn digest() -> impl Strategy<Value = Digest> {
    any::<[u8; 32]>().prop_map(Digest::from_bytes)
}

/// The same value in another spelling: spaces, escapes, members the other way round.
fn respell(value: &Value, out: &mut String) {
    match value {
        Value::Array(items) => {
            out.push_str("[ ");
            for (i, item) in items.iter().enumerate() {
                out.push_str(if i > 0 { "\t,\n" } else { "" });
                respell(item, out);
            }
            out.push_str("\r]");
        }
        Value::Object(members) => {
            out.push_str("{\n");
            for (i, (name, member)) in members.iter().collect::<Vec<_>>().iter().rev().enumerate() {
                out.push_str(if i > 0 { " , " } else { "" });
                respell(&Value::from(*name), out);
                out.push_str(" : ");
                respell(member, out);
            }
            out.push_str(" }");
        }
        Value::String(text) => {
            out.push('"');
            for unit in text.encode_utf16() {
                out.push_str(&format!("\\u{unit:04X}"));
            }
            out.push('"');
        }
        Value::Null | Value::Bool(_) | Value::Int(_) => out.push_str(&value.to_string()),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_written_reads_back_and_is_canonical(value in value()) {
        let bytes = canon::to_bytes(&value);
        prop_assert_eq!(canon::parse(&bytes).unwrap(), value.clone());
        prop_assert_eq!(canon::check(&bytes).unwrap(), value);
        // A JSON library that is not ours sees the same text.
        let theirs: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
        prop_assert_eq!(serde_json::to_vec(&theirs).unwrap(), bytes);
    }

    #[test]
    fn every_spelling_has_the_same_canonical_bytes(value in value()) {
        let mut text = String::new();
        respell(&value, &mut text);
        let limits = Limits { max_bytes: usize::MAX, ..Limits::ENTRY };
        prop_assert_eq!(canon::parse_with(text.as_bytes(), limits), Ok(value));
    }

    /// `check` takes exactly what `to_bytes` gives back; nothing panics.
    #[test]
    fn checking_is_parsing_and_writing_the_same_bytes(value in value(), flips in vec((any::<prop::sample::Index>(), any::<u8>()), 1..4)) {
        let mut bytes = canon::to_bytes(&value);
        for (place, byte) in flips {
            let place = place.index(bytes.len());
            bytes[place] = byte;
        }
        let parsed = canon::parse(&bytes);
        let canonical = parsed.as_ref().is_ok_and(|value| canon::to_bytes(value) == bytes);
        let checked = canon::check(&bytes);
        prop_assert_eq!(checked.is_ok(), canonical);
        match (&parsed, &checked) {
            (Ok(value), Ok(same)) => prop_assert_eq!(value, same),
            (Ok(_), Err(error)) => prop_assert!(matches!(
                error.kind,
                CanonErrorKind::WhiteSpace | CanonErrorKind::MemberOrder | CanonErrorKind::NeedlessEscape
            )),
            (Err(error), _) => prop_assert!(error.offset <= bytes.len()),
        }
        // Taking an object apart agrees with building the tree.
        let is_object = matches!(checked, Ok(Value::Object(_)));
        prop_assert_eq!(canon::members(&bytes, Limits::ENTRY).is_ok(), is_object);
    }

    #[test]
    fn random_bytes_are_refused_or_read_but_never_panic(bytes in vec(any::<u8>(), 0..200)) {
        let _ = canon::parse(&bytes);
        let _ = Entry::parse(&bytes);
        let _ = Note::parse(&bytes);
        let _ = TlogProof::parse(&bytes);
        let text = String::from_utf8_lossy(&bytes);
        let _ = (text.parse::<Tile>(), text.parse::<VerifierKey>(), parse_ms(&text));
    }

    #[test]
    fn a_sealed_entry_reads_back(
        event in event(),
        seq in 0..=SEQ_MAX,
        prev in digest(),
        recorded_at_ms in 0..=TIME_MS_MAX,
        salt in any::<[u8; 16]>(),
        name in "[!-*,-~é]{1,30}",
        (id, via, on_behalf_of) in prop_oneof![
            Just(("sys".to_owned(), Via::System, None)),
            ("op_[A-Za-z0-9_-]{1,61}", prop_oneof![Just(Via::Oidc), Just(Via::Badge)])
                .prop_map(|(id, via)| (id, via, None)),
            ("svc_[A-Za-z0-9_-]{1,60}", proptest::option::of("op_[A-Za-z0-9_-]{1,61}"))
                .prop_map(|(id, person)| (id, Via::Service, person)),
        ],
        sign in any::<bool>(),
    ) {
        let actor = Actor { id, via, on_behalf_of };
        let draft = Draft::new(&actor, &event).unwrap();
        let client = Ed25519Signer::new(&name, &[5; 32]).unwrap();
        let signature = ClientSignature::sign("origin", &event, &client);
        let link = Link { seq, prev, recorded_at_ms, salt };
        let sealed = draft.seal(link, sign.then_some(&signature)).unwrap();
        prop_assert_eq!(sealed.leaf, leaf_hash(&sealed.bytes));
        prop_assert!(canon::check(&sealed.bytes).is_ok());
        let view = EntryView::parse(&sealed.bytes).unwrap();
        prop_assert_eq!(view.event, &event[..]);
        let entry = Entry::parse(&sealed.bytes).unwrap();
        let sig = sign.then_some(signature);
        let event = canon::check(&event).unwrap();
        prop_assert_eq!(entry, Entry { seq, prev, recorded_at_ms, salt, actor, event, sig });
    }

    #[test]
    fn proofs_hold_at_random_sizes_and_a_changed_bit_breaks_them(
        size in 1..3_000_u64,
        at in any::<prop::sample::Index>(),
        bit in 0..256_usize,
        place in any::<prop::sample::Index>(),
    ) {
        let leaves: Vec<Digest> = (0..size).map(|i| leaf_hash(&i.to_le_bytes())).collect();
        let root = merkle::root_of(&leaves);
        let mut frontier = Frontier::new();
        leaves.iter().for_each(|leaf| frontier.push(*leaf));
        prop_assert_eq!(frontier.root(), root);

        let index = at.index(leaves.len()) as u64;
        let leaf = leaves[index as usize];
        let mut path = merkle::prove_inclusion(&leaves[..], index, size).unwrap();
        prop_assert_eq!(merkle::verify_inclusion(&leaf, index, size, &path, &root), Ok(()));
        let old = index + 1;
        let old_root = merkle::root_of(&leaves[..old as usize]);
        let mut proof = merkle::prove_consistency(&leaves[..], old, size).unwrap();
        prop_assert_eq!(merkle::verify_consistency(old, size, &old_root, &root, &proof), Ok(()));

        let flip = |hashes: &mut Vec<Digest>| {
            let place = place.index(hashes.len());
            let mut bytes = *hashes[place].as_bytes();
            bytes[bit / 8] ^= 1 << (bit % 8);
            hashes[place] = Digest::from_bytes(bytes);
        };
        if !path.is_empty() {
            flip(&mut path);
            prop_assert!(merkle::verify_inclusion(&leaf, index, size, &path, &root).is_err());
        }
        if !proof.is_empty() {
            flip(&mut proof);
            prop_assert!(merkle::verify_consistency(old, size, &old_root, &root, &proof).is_err());
        }
    }

    #[test]
    fn checkpoints_notes_and_proofs_read_back(
        size in any::<u64>(),
        root in digest(),
        extensions in vec("[!-~]{1,20}", 0..3),
        index in any::<u64>(),
        path in vec(digest(), 0..=63),
        extra in proptest::option::of(vec(any::<u8>(), 0..50)),
        time_s in 0..1_u64 << 63,
        bit in any::<prop::sample::Index>(),
    ) {
        let log = Ed25519Signer::new("log.example.org/north", &[6; 32]).unwrap();
        let witness = Ed25519Signer::witness("witness.example.org", &[7; 32]).unwrap();
        let origin = "log.example.org/north".to_owned();
        let checkpoint = Checkpoint { origin, size, root, extensions };
        let text = checkpoint.to_text();
        prop_assert_eq!(Checkpoint::parse_text(&text).unwrap(), checkpoint.clone());
        let mut note = Note::sign(&text, &log);
        note.signatures.push(cosign(&text, time_s, &witness));
        let bytes = note.to_string().into_bytes();
        prop_assert_eq!(Note::parse(&bytes), Ok(note));
        let keys = [log.verifier().clone(), witness.verifier().clone()];
        let signed = Checkpoint::open(&bytes, &keys).unwrap();
        prop_assert_eq!(signed.cosignatures[0].timestamp_s, time_s);
        let proof = TlogProof { extra, index, path, checkpoint: String::from_utf8(bytes.clone()).unwrap() };
        prop_assert_eq!(TlogProof::parse(proof.to_string().as_bytes()), Ok(proof));

        // One changed bit anywhere: either the note no longer opens, or the changed line is one of
        // an unknown witness now; the log's statement is the same.
        let mut bytes = bytes;
        let place = bit.index(bytes.len() * 8);
        bytes[place / 8] ^= 1 << (place % 8);
        if let Ok(other) = Checkpoint::open(&bytes, &keys) {
            prop_assert_eq!(other.checkpoint, checkpoint);
            prop_assert!(other.cosignatures.is_empty());
        }
    }

    #[test]
    fn keys_read_back_and_other_text_is_no_key(seed in any::<[u8; 32]>(), name in "[!-*,-~]{1,40}", bit in any::<prop::sample::Index>()) {
        let key = Ed25519Signer::new(&name, &seed).unwrap().verifier().clone();
        let text = key.to_string();
        prop_assert_eq!(text.parse::<VerifierKey>().unwrap(), key.clone());
        prop_assert_eq!(key.kind(), KeyKind::Ed25519);
        let mut bytes = text.into_bytes();
        let place = bit.index(bytes.len() * 8);
        bytes[place / 8] ^= 1 << (place % 8);
        if let Ok(text) = String::from_utf8(bytes) {
            prop_assert!(text.parse::<VerifierKey>().is_err(), "{}", text);
        }
    }

    #[test]
    fn times_are_written_in_their_order(a in 0..=TIME_MS_MAX, b in 0..=TIME_MS_MAX) {
        let (text_a, text_b) = (format_ms(a).unwrap(), format_ms(b).unwrap());
        prop_assert_eq!(parse_ms(&text_a), Ok(a));
        prop_assert_eq!(a.cmp(&b), text_a.cmp(&text_b));
    }
}

/// The longest event, actor, signature and place that are accepted fit into an entry.
#[test]
fn the_largest_entry_can_be_written_and_read() {
    let event = |bytes: usize| format!("{{\"a\":\"{}\"}}", "x".repeat(bytes - 8)).into_bytes();
    let id = |prefix: &str| prefix.to_owned() + &"x".repeat(64 - prefix.len());
    let actor = Actor { id: id("svc_"), via: Via::Service, on_behalf_of: Some(id("op_")) };
    let name = "\"".repeat(255);
    let client = Ed25519Signer::new(&name, &[5; 32]).unwrap();
    let largest = event(EVENT_BYTES_MAX);
    let signature = ClientSignature::sign("origin", &largest, &client);
    let link =
        Link { seq: SEQ_MAX, prev: genesis_prev(), recorded_at_ms: TIME_MS_MAX, salt: [0xff; 16] };
    let draft = Draft::new(&actor, &largest).unwrap();
    let sealed = draft.seal(link.clone(), Some(&signature)).unwrap();
    assert!(sealed.bytes.len() <= ENTRY_BYTES_MAX);
    assert_eq!(Entry::parse(&sealed.bytes).unwrap().sig, Some(signature));
    assert!(Draft::new(&actor, &event(EVENT_BYTES_MAX + 1)).is_err());

    let deepest = br#"{"a":{"b":{"c":{"d":{"e":{"f":1}}}}}}"#;
    let sealed = Draft::new(&actor, deepest).unwrap().seal(link.clone(), None).unwrap();
    assert!(Entry::parse(&sealed.bytes).is_ok(), "an event may be 7 deep");
    let too_deep = br#"{"a":{"b":{"c":{"d":{"e":{"f":{}}}}}}}"#;
    assert!(Draft::new(&actor, [&b"{\"x\":"[..], too_deep, b"}"].concat().as_slice()).is_err());

    for link in [
        Link { seq: SEQ_MAX + 1, ..link.clone() },
        Link { recorded_at_ms: -1, ..link.clone() },
        Link { recorded_at_ms: TIME_MS_MAX + 1, ..link },
    ] {
        assert!(draft.seal(link, None).is_err());
    }
    for event in [&b"[]"[..], b"", b"{} ", b"{\"a\":1.0}", b"{\"b\":1,\"a\":1}"] {
        assert!(Draft::new(&actor, event).is_err());
    }
}

#[test]
fn a_head_can_be_put_away_and_taken_up_again() {
    let mut head = Head::empty();
    for seq in 0..50 {
        let draft = Draft::new(&Actor::system(), b"{}").unwrap();
        let (prev, recorded_at_ms) = (head.prev(), seq as i64);
        let sealed = draft.seal(Link { seq, prev, recorded_at_ms, salt: [1; 16] }, None).unwrap();
        head.advance(seq, prev, recorded_at_ms, sealed.leaf).unwrap();
        let (size, parts) = (head.size(), head.frontier().parts().to_vec());
        let frontier = Frontier::from_parts(size, parts).unwrap();
        let again = Head::from_parts(frontier, head.prev(), head.recorded_at_ms());
        assert_eq!(again, head);
        assert_eq!(again.root(), head.root());
    }
}
