//! The witness against the status table of C2SP tlog-witness, "add-checkpoint", and against what
//! it must never do: sign two histories of one log.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use chain::Digest;
use chain::checkpoint::{Checkpoint, SignedCheckpoint};
use chain::merkle::{Frontier, leaf_hash};
use chain::note::{Ed25519Signer, VerifierKey};
use witness::{Answer, Desk, Memory, MemoryError};

const ORIGIN: &str = "records.brackwater.example/north/2026";
const OTHER: &str = "records.brackwater.example/south/2026";

fn log_key(origin: &str, seed: u8) -> Ed25519Signer {
    Ed25519Signer::new(origin, &[seed; 32]).expect("a key")
}

fn witness_key() -> Ed25519Signer {
    Ed25519Signer::witness("witness.example.org/w1", &[9; 32]).expect("a key")
}

fn desk(folder: &Path) -> Desk {
    let logs = [log_key(ORIGIN, 1), log_key(OTHER, 2)]
        .map(|k| (k.verifier().name().to_owned(), vec![k.verifier().clone()]));
    Desk::new(witness_key(), BTreeMap::from(logs), Memory::open(folder).expect("a memory"))
}

/// Leaf `i` of a history; another history differs from leaf 2 on.
fn leaf(history: u8, i: u64) -> Digest {
    leaf_hash(format!("{} {i}", if i < 2 { 0 } else { history }).as_bytes())
}

fn leaves(history: u8, size: u64) -> Vec<Digest> {
    (0..size).map(|i| leaf(history, i)).collect()
}

fn root(history: u8, size: u64) -> Digest {
    let mut tree = Frontier::new();
    for leaf in leaves(history, size) {
        tree.push(leaf);
    }
    tree.root()
}

/// Proof of RFC 6962 section 2.1.2, straight from its recursive definition.
fn consistency(leaves: &[Digest], old: usize, whole: bool) -> Vec<Digest> {
    if old == leaves.len() {
        return if whole { Vec::new() } else { vec![chain::merkle::root_of(leaves)] };
    }
    let split = leaves.len().next_power_of_two() / 2;
    let (left, right) = leaves.split_at(split);
    if old <= split {
        let mut proof = consistency(left, old, whole);
        proof.push(chain::merkle::root_of(right));
        proof
    } else {
        let mut proof = consistency(right, old - split, false);
        proof.push(chain::merkle::root_of(left));
        proof
    }
}

fn note(origin: &str, seed: u8, history: u8, size: u64) -> String {
    let checkpoint = Checkpoint {
        origin: origin.into(),
        size,
        root: root(history, size),
        extensions: Vec::new(),
    };
    checkpoint.sign(&log_key(origin, seed))
}

fn request(old: u64, history: u8, new: u64) -> String {
    let proof = if old == 0 || old >= new {
        Vec::new()
    } else {
        consistency(&leaves(history, new), old as usize, true)
    };
    let lines: String = proof.iter().map(|d| format!("{}\n", d.to_base64())).collect();
    format!("old {old}\n{lines}\n{}", note(ORIGIN, 1, history, new))
}

#[test]
fn each_status_of_the_table() {
    let folder = tempfile::tempdir().unwrap();
    let desk = desk(folder.path());
    let ask = |body: &str| desk.add_checkpoint(body.as_bytes(), 1_770_000_000).unwrap();

    assert!(matches!(ask(&request(0, 1, 5)), Answer::Cosigned(_)), "first checkpoint of a log");
    let cases: Vec<(&str, String, Answer)> = vec![
        (
            "404 unknown log",
            format!("old 0\n\n{}", note("elsewhere.example/x", 3, 1, 5)),
            Answer::UnknownLog,
        ),
        ("403 foreign key", format!("old 5\n\n{}", note(ORIGIN, 7, 1, 6)), Answer::NotSigned),
        (
            "400 old size beyond the checkpoint",
            format!("old 9\n\n{}", note(ORIGIN, 1, 1, 5)),
            Answer::Malformed("the old size is beyond the checkpoint"),
        ),
        ("409 old size is not ours", request(4, 1, 8), Answer::OtherSize(5)),
        ("409 old size zero asks for ours", request(0, 1, 8), Answer::OtherSize(5)),
        ("409 same size, other root", request(5, 2, 5), Answer::OtherRoot(5)),
        ("422 the proof is of another history", request(5, 2, 8), Answer::BadProof),
        ("422 no proof", format!("old 5\n\n{}", note(ORIGIN, 1, 1, 8)), Answer::BadProof),
        (
            "400 no empty line",
            "old 5\n".into(),
            Answer::Malformed("there is no empty line before the checkpoint"),
        ),
        (
            "400 leading zero",
            request(5, 1, 8).replacen("old 5", "old 05", 1),
            Answer::Malformed("the first line is not `old` and a size"),
        ),
        (
            "400 not base64",
            format!("old 5\nxyz\n\n{}", note(ORIGIN, 1, 1, 8)),
            Answer::Malformed("a proof line is not a base64 hash"),
        ),
        (
            "400 more than 63 proof lines",
            format!(
                "old 5\n{}\n{}",
                format!("{}\n", root(1, 1).to_base64()).repeat(64),
                note(ORIGIN, 1, 1, 8)
            ),
            Answer::Malformed("the proof has more than 63 lines"),
        ),
    ];
    for (case, body, expected) in cases {
        assert_eq!(ask(&body), expected, "{case}");
    }
    // None of them moved the witness, and a proper request still succeeds.
    assert!(matches!(ask(&request(5, 1, 5)), Answer::Cosigned(_)), "the same again");
    assert!(matches!(ask(&request(5, 1, 8)), Answer::Cosigned(_)), "a longer tree");
    assert_eq!(ask(&request(5, 1, 8)), Answer::OtherSize(8));
}

#[test]
fn a_cosignature_verifies_and_carries_the_time() {
    let folder = tempfile::tempdir().unwrap();
    let desk = desk(folder.path());
    let Answer::Cosigned(lines) =
        desk.add_checkpoint(request(0, 1, 5).as_bytes(), 1_770_000_123).unwrap()
    else {
        panic!("not cosigned")
    };
    let keys: Vec<VerifierKey> = vec![log_key(ORIGIN, 1).verifier().clone(), desk.key().clone()];
    let whole = format!("{}{lines}", note(ORIGIN, 1, 1, 5));
    let signed: SignedCheckpoint = Checkpoint::open(whole.as_bytes(), &keys).unwrap();
    assert_eq!(signed.cosignatures[0].timestamp_s, 1_770_000_123);
    // What is remembered is that very note, for monitors to read.
    assert_eq!(desk.note(&Memory::name(ORIGIN)).unwrap().unwrap(), whole.as_bytes());
}

#[test]
fn two_racing_checkpoints_never_roll_a_log_back() {
    let folder = tempfile::tempdir().unwrap();
    let desk = Arc::new(desk(folder.path()));
    assert!(matches!(
        desk.add_checkpoint(request(0, 1, 4).as_bytes(), 1).unwrap(),
        Answer::Cosigned(_)
    ));
    for round in 0..50 {
        let old = 4 + round * 2;
        let answers: Vec<Answer> = std::thread::scope(|scope| {
            let runs = [old + 1, old + 2].map(|new| {
                let desk = Arc::clone(&desk);
                scope
                    .spawn(move || desk.add_checkpoint(request(old, 1, new).as_bytes(), 1).unwrap())
            });
            runs.map(|run| run.join().unwrap()).into()
        });
        let cosigned = answers.iter().filter(|a| matches!(a, Answer::Cosigned(_))).count();
        assert_eq!(cosigned, 1, "exactly one wins: {answers:?}");
        // Bring the log to the size the next round begins with.
        if matches!(answers[0], Answer::Cosigned(_)) {
            let next = desk.add_checkpoint(request(old + 1, 1, old + 2).as_bytes(), 1).unwrap();
            assert!(matches!(next, Answer::Cosigned(_)));
        }
    }
}

#[test]
fn a_restarted_witness_remembers_and_a_split_view_is_kept_as_evidence() {
    let folder = tempfile::tempdir().unwrap();
    let first = desk(folder.path());
    assert!(matches!(
        first.add_checkpoint(request(0, 1, 6).as_bytes(), 1).unwrap(),
        Answer::Cosigned(_)
    ));
    drop(first);
    let again = desk(folder.path());
    assert_eq!(again.add_checkpoint(request(0, 2, 6).as_bytes(), 2).unwrap(), Answer::OtherSize(6));
    assert_eq!(again.add_checkpoint(request(6, 2, 6).as_bytes(), 2).unwrap(), Answer::OtherRoot(6));
    let refused: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|f| f.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(".refused"))
        .collect();
    assert_eq!(refused.len(), 1, "{refused:?}");
    let kept = std::fs::read(folder.path().join(&refused[0])).unwrap();
    let keys = [log_key(ORIGIN, 1).verifier().clone()];
    let signed =
        Checkpoint::open(&kept, &keys).expect("the log's own signature on the second history");
    assert_eq!(signed.checkpoint.root, root(2, 6));
}

#[test]
fn a_damaged_memory_or_a_second_witness_signs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let one = desk(folder.path());
    assert!(matches!(
        one.add_checkpoint(request(0, 1, 6).as_bytes(), 1).unwrap(),
        Answer::Cosigned(_)
    ));
    assert!(matches!(Memory::open(folder.path()), Err(MemoryError::InUse(_))));
    let path = folder.path().join(format!("{}.note", Memory::name(ORIGIN)));
    std::fs::write(&path, b"").unwrap();
    assert!(matches!(
        one.add_checkpoint(request(0, 2, 7).as_bytes(), 1),
        Err(MemoryError::Note { .. })
    ));
}

#[actix_web::test]
async fn http_speaks_the_table() {
    use actix_web::{App, test, web};
    let folder = tempfile::tempdir().unwrap();
    let clock: witness::server::ClockS = Arc::new(|| 1_770_000_000);
    let app = test::init_service(
        App::new()
            .app_data(web::Data::new(desk(folder.path())))
            .app_data(web::Data::new(clock))
            .configure(witness::server::routes),
    )
    .await;
    let cases = [
        (request(0, 1, 5), 200, "text/plain; charset=utf-8"),
        (request(0, 1, 8), 409, "text/x.tlog.size"),
        (request(5, 2, 8), 422, "text/plain; charset=utf-8"),
        ("old x\n\n".into(), 400, "text/plain; charset=utf-8"),
    ];
    for (body, status, content_type) in cases {
        let request =
            test::TestRequest::post().uri("/add-checkpoint").set_payload(body).to_request();
        let response = test::call_service(&app, request).await;
        assert_eq!(response.status().as_u16(), status);
        assert_eq!(response.headers().get("content-type").unwrap(), content_type);
    }
    let about = test::TestRequest::get().uri("/").to_request();
    let text = test::call_and_read_body(&app, about).await;
    assert!(String::from_utf8_lossy(&text).contains(ORIGIN));
}
