//! Signed notes, keys, checkpoints, cosignatures and proof files.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use chain::Digest;
use chain::checkpoint::{Checkpoint, CheckpointError, split_cosignature};
use chain::entry::leaf_hash;
use chain::note::{Ed25519Signer, KeyKind, Note, NoteError, VerifierKey};
use chain::proof::TlogProof;

use crate::{read_json, text, texts, vectors};

/// golang.org/x/mod sumdb/note: opening.
#[test]
fn opening_notes() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("go-sumdb-note.json"));
    let (mut accepted, mut refused) = (0, 0);
    for case in set["open"].as_array().unwrap() {
        let message = match case["msg"].as_str() {
            Some(text) => text.as_bytes().to_vec(),
            None => hex::decode(text(case, "msg_hex")).unwrap(),
        };
        let known: Vec<VerifierKey> =
            texts(case, "known").iter().map(|key| key.parse().unwrap()).collect();
        let result = Note::parse(&message).and_then(|note| {
            let signed = note.verify(&known)?;
            assert_eq!(note.to_string().as_bytes(), message, "a note is written as it was read");
            Ok(signed.iter().map(|key| key.name().to_owned()).collect::<Vec<_>>())
        });
        let description = text(case, "desc");
        if case["ok"].as_bool().unwrap() {
            assert_eq!(result.unwrap(), texts(case, "verified"), "{description}");
            accepted += 1;
        } else {
            let error = result.unwrap_err();
            let expected = match text(case, "error") {
                "note has no verifiable signatures" => error == NoteError::NotSigned,
                "malformed note" => {
                    !matches!(error, NoteError::NotSigned | NoteError::BadSignature { .. })
                }
                other => other == format!("invalid signature for key {}", bad_key(&error)),
            };
            assert!(expected, "{description}: {error}");
            refused += 1;
        }
    }
    eprintln!("signed notes: {accepted} opened, {refused} refused");
    assert_eq!(accepted + refused, 13);
}

fn bad_key(error: &NoteError) -> &str {
    match error {
        NoteError::BadSignature { key } => key,
        other => panic!("{other}"),
    }
}

/// golang.org/x/mod sumdb/note: keys and signing.
#[test]
fn keys_and_signing() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("go-sumdb-note.json"));
    let good = texts(&set, "vkeys");
    for vkey in &good {
        assert_eq!(vkey.parse::<VerifierKey>().unwrap().to_string(), **vkey);
    }
    for vkey in texts(&set, "bad_vkeys") {
        assert!(vkey.parse::<VerifierKey>().is_err(), "{vkey}");
    }
    let key = good[0];
    let mut mangled = 0;
    for (start, end) in (0..key.len()).flat_map(|a| (a..=key.len()).map(move |b| (a, b))) {
        assert!(end - start == key.len() || key[start..end].parse::<VerifierKey>().is_err());
        mangled += 1;
    }
    for place in 0..key.len() {
        let mut bytes = key.as_bytes().to_vec();
        bytes[place] += 1;
        let text = String::from_utf8(bytes).unwrap();
        assert!(text.parse::<VerifierKey>().is_err(), "{text}");
        mangled += 1;
    }
    // The private key is `PRIVATE+KEY+name+id+base64(0x01 || seed)`.
    let private: Vec<&str> = text(&set, "skey").splitn(5, '+').collect();
    let seed = BASE64.decode(private[4]).unwrap();
    let signer = Ed25519Signer::new(private[2], seed[1..].try_into().unwrap()).unwrap();
    assert_eq!(Note::sign(text(&set, "text"), &signer).to_string(), text(&set, "signed"));
    eprintln!("keys: {} good, {mangled} mangled ones refused, 1 note signed", good.len());
}

/// The examples of C2SP signed-note, tlog-checkpoint and tlog-cosignature, and a real tree head.
#[test]
fn c2sp_examples() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("c2sp-examples.json"));
    for example in set["examples"].as_array().unwrap() {
        if let Some(vkey) = example["vkey"].as_str() {
            let note = Note::parse(text(example, "note").as_bytes()).unwrap();
            assert_eq!(note.verify(&[vkey.parse().unwrap()]).unwrap().len(), 1);
        } else if let Some(size) = example["size"].as_u64() {
            let note = Note::parse(text(example, "note").as_bytes()).unwrap();
            let checkpoint = Checkpoint::parse_text(&note.text).unwrap();
            assert_eq!((checkpoint.size, &*checkpoint.origin), (size, text(example, "origin")));
        } else {
            let line = format!("text\n\n{}\n", text(example, "sig_line"));
            let line = &Note::parse(line.as_bytes()).unwrap().signatures[0];
            assert_eq!(hex::encode(line.key_id), text(example, "key_id_hex"));
            let (timestamp_s, _) = split_cosignature(&line.signature).unwrap();
            assert_eq!(timestamp_s, example["timestamp"].as_u64().unwrap());
        }
    }
    let set = read_json(&folder.join("go-tree-note.json"));
    let tree = Checkpoint::parse_text(text(&set, "tree_note")).unwrap();
    assert_eq!(tree.root, leaf_hash(text(&set, "leaf_ascii").as_bytes()));
    assert_eq!(tree.root.to_base64(), text(&set, "leaf_hash_b64"));
    assert_eq!(tree.to_text(), text(&set, "tree_note"));
    // There the key name is not the origin, which C2SP only recommends; ours always is.
    let real = &set["real_signed"];
    let (note, key) = (text(real, "note"), text(real, "vkey").parse::<VerifierKey>().unwrap());
    assert_eq!(Note::parse(note.as_bytes()).unwrap().verify([&key]).unwrap(), [&key]);
    let opened = Checkpoint::open(note.as_bytes(), &[key]);
    assert_eq!(opened, Err(CheckpointError::Note(NoteError::NotSigned)));
    eprintln!("C2SP examples: 3, tree notes: 2");
}

/// transparency-dev/formats log: checkpoints. That library takes roots of any length; we do not.
#[test]
fn parsing_checkpoints() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("checkpoint-parse.json"));
    let cases = set["cases"].as_array().unwrap();
    for case in cases {
        let error = Checkpoint::parse_text(text(case, "m")).unwrap_err();
        let expected = match text(case, "desc") {
            "valid" | "valid other" | "extension line" => CheckpointError::Root,
            "insufficient lines" | "missing newline on hash" => CheckpointError::Lines,
            "empty header" => CheckpointError::Origin,
            "size not number" | "size negative" | "size too large" => CheckpointError::Size,
            "hash not base64" => CheckpointError::Root,
            other => panic!("{other}"),
        };
        assert_eq!(error, expected, "{case}");
        // With a root of the right length the good ones are read.
        if case["ok"].as_bool().unwrap() {
            let root = Digest::of(b"").to_base64();
            let mut lines: Vec<&str> = text(case, "m").lines().collect();
            lines[2] = &root;
            let checkpoint = Checkpoint::parse_text(&(lines.join("\n") + "\n")).unwrap();
            assert_eq!(checkpoint.origin, text(case, "origin"));
            assert_eq!(checkpoint.size, case["size"].as_u64().unwrap());
            let rest = checkpoint.extensions.iter().map(|line| format!("{line}\n"));
            assert_eq!(rest.collect::<String>(), case["rest"].as_str().unwrap_or_default());
        }
    }
    eprintln!("checkpoints: {} texts", cases.len());
}

/// transparency-dev/formats note: time stamps of cosignatures and keys.
#[test]
fn cosignature_timestamps() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("cosignature-timestamps.json"));
    let mut count = 0;
    for case in set["timestamp"].as_array().unwrap() {
        let bytes = BASE64.decode(text(case, "b64")).ok();
        let found =
            bytes.and_then(|bytes| split_cosignature(bytes.get(4..)?).map(|(time, _)| time));
        assert_eq!(found, case["unix"].as_u64(), "{case}");
        count += 1;
    }
    for case in set["vkeys"].as_array().unwrap() {
        let key = text(case, "vkey").parse::<VerifierKey>();
        let kind = key.ok().map(|key| key.kind());
        let expected = case["type"].as_u64().map(|kind| match kind {
            1 => KeyKind::Ed25519,
            4 => KeyKind::CosignatureV1,
            other => panic!("{other}"),
        });
        assert_eq!(kind, expected, "{case}");
        count += 1;
    }
    eprintln!("cosignatures: {count} time stamps and keys");
}

/// transparency-dev/formats proof: proof files.
#[test]
fn proof_files() {
    let Some(folder) = vectors("signed-note") else { return };
    let set = read_json(&folder.join("tlog-proof-parse.json"));
    let bad = set["bad"].as_array().unwrap();
    for case in bad {
        assert!(TlogProof::parse(text(case, "m").as_bytes()).is_err(), "{case}");
    }
    let good = set["good"].as_array().unwrap();
    for case in good {
        let path: Vec<Digest> = texts(case, "hashes_sha256_of_ascii")
            .iter()
            .map(|text| Digest::of(text.as_bytes()))
            .collect();
        let proof = TlogProof {
            extra: case["extra"].as_str().map(|text| text.as_bytes().to_vec()),
            index: case["index"].as_u64().unwrap(),
            path,
            checkpoint: text(case, "checkpoint").to_owned(),
        };
        assert_eq!(TlogProof::parse(proof.to_string().as_bytes()), Ok(proof));
    }
    eprintln!("proof files: {} bad, {} good", bad.len(), good.len());
}
