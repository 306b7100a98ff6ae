//! How fast a log is verified, beside how fast its bytes can be hashed at all.
//!
//! `cargo run --release -p chain --example verify_speed [ENTRIES] [SIGNED_PERCENT]`

use std::time::Instant;

use chain::Digest;
use chain::checkpoint::Checkpoint;
use chain::entry::{Actor, ClientSignature, Draft, Head, Link, Via};
use chain::keys::Keys;
use chain::note::{Ed25519Signer, Signer as _};
use chain::verify::{CheckpointFile, Evidence, Verdict, verify_ndjson};

const ORIGIN: &str = "records.example.org/brackwater/2026";

fn main() {
    let mut arguments = std::env::args().skip(1).map(|text| text.parse::<u64>());
    let count = arguments.next().map_or(100_000, |n| n.expect("a number of entries"));
    let signed = arguments.next().map_or(0, |n| n.expect("a percentage"));
    let log = Ed25519Signer::new(ORIGIN, &[1; 32]).expect("a good name");
    let client = Ed25519Signer::new("mes.example.org/north", &[2; 32]).expect("a good name");

    let start = Instant::now();
    let (file, head) = write_log(&log, &client, count, signed);
    report("write", start, count, file.len());

    let start = Instant::now();
    let lines: Vec<&[u8]> = file.split(|byte| *byte == b'\n').collect();
    let sum = lines.iter().fold(0_u8, |sum, line| sum ^ Digest::of(line).as_bytes()[0]);
    report(&format!("hash every line ({sum:02x})"), start, count, file.len());

    let checkpoint =
        Checkpoint { origin: ORIGIN.into(), size: count, root: head.root(), extensions: vec![] };
    let evidence = Evidence {
        keys: Keys {
            clients: vec![client.verifier().clone()],
            ..Keys::of_log(log.verifier().clone())
        },
        policy: None,
        checkpoints: vec![CheckpointFile {
            name: "newest".into(),
            note: checkpoint.sign(&log).into_bytes(),
            outside: false,
        }],
        receipts: vec![],
    };
    for threads in [1, 2] {
        let start = Instant::now();
        match verify_ndjson(evidence.clone(), &file, threads) {
            Ok(Verdict::Sound(_)) => {
                report(&format!("verify, {threads} threads"), start, count, file.len())
            }
            Ok(Verdict::Broken(fault)) => panic!("{fault}"),
            Err(error) => panic!("{error}"),
        }
    }
}

fn write_log(
    log: &Ed25519Signer,
    client: &Ed25519Signer,
    count: u64,
    signed: u64,
) -> (Vec<u8>, Head) {
    let opened = format!(
        r#"{{"data":{{"key":"{}","origin":"{ORIGIN}","schema":1}},"id":"0","source":"/log","specversion":"1.0","type":"pulverlog.log.opened"}}"#,
        log.vkey()
    );
    let person = Actor { id: "op_7qk2".into(), via: Via::Badge, on_behalf_of: None };
    let (mut file, mut head) = (Vec::new(), Head::empty());
    for seq in 0..count {
        let event = format!(
            r#"{{"data":{{"from":"PA-0417-{seq:06}","into":"S-02/hopper","mass":{{"unit":"kg","value":"12.340"}}}},"id":"{seq}","source":"/mes/north","specversion":"1.0","subject":"equipment/S-02","time":"2026-01-01T09:58:00+01:00","type":"pulverlog.powder.loaded"}}"#
        );
        let (actor, event) =
            if seq == 0 { (Actor::system(), &opened) } else { (person.clone(), &event) };
        let draft = Draft::new(&actor, event.as_bytes()).expect("a good event");
        let signature = (seq > 0 && seq % 100 < signed)
            .then(|| ClientSignature::sign(ORIGIN, event.as_bytes(), client));
        let (prev, recorded_at_ms) = (head.prev(), 1_767_258_000_000 + seq as i64);
        let link = Link { seq, prev, recorded_at_ms, salt: [7; 16] };
        let sealed = draft.seal(link, signature.as_ref()).expect("a good place");
        head.advance(seq, prev, recorded_at_ms, sealed.leaf).expect("the next entry");
        file.extend_from_slice(&sealed.bytes);
        file.push(b'\n');
    }
    (file, head)
}

fn report(what: &str, start: Instant, entries: u64, bytes: usize) {
    let seconds = start.elapsed().as_secs_f64();
    let (rate, megabytes) = (entries as f64 / seconds, bytes as f64 / seconds / 1e6);
    println!("{what:30} {seconds:7.3} s {rate:12.0} entries/s {megabytes:8.1} MB/s");
}
