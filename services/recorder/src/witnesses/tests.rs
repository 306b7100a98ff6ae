//! Our log against witnesses that sign, refuse, answer nonsense, answer slowly or not at all.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};

use chain::checkpoint::cosign;
use chain::note::{Ed25519Signer, Note};
use ledger::Pace;
use ledger::seams::OsRandom;
use ledger::sim::SimClock;

use super::*;
use crate::config::WitnessConfig;
use crate::log::{LogParts, Places};

const NOON_MS: i64 = 1_772_712_000_000;
const NOON_S: u64 = 1_772_712_000;

/// How the stub answers a request, given the line and the body of the request.
type Answers = Box<dyn Fn(&str, &str) -> Option<String> + Send>;

fn answer(status: &str, body: &str) -> Option<String> {
    let head = format!("HTTP/1.1 {status}\r\nConnection: close\r\nContent-Length: {}", body.len());
    Some(format!("{head}\r\n\r\n{body}"))
}

fn witness_key() -> Ed25519Signer {
    Ed25519Signer::witness("witness.example.net/w1", &[2; 32]).unwrap()
}

fn cosigned(body: &str, signer: &Ed25519Signer, at_s: u64) -> String {
    let note = Note::parse(body.split_once("\n\n").unwrap().1.as_bytes()).unwrap();
    cosign(&note.text, at_s, signer).to_string()
}

/// A stub on loopback that answers one request a connection, until the test ends.
fn stub(answers: Answers) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        // Connections without an answer are held open: the client's time limit must end them.
        let mut held: Vec<TcpStream> = Vec::new();
        for stream in listener.incoming() {
            let mut reader = BufReader::new(stream.unwrap());
            let (mut line, mut length) = (String::new(), 0);
            reader.read_line(&mut line).unwrap();
            loop {
                let mut header = String::new();
                reader.read_line(&mut header).unwrap();
                if let Some(value) = header.to_ascii_lowercase().strip_prefix("content-length: ") {
                    length = value.trim().parse().unwrap();
                }
                if header.trim().is_empty() {
                    break;
                }
            }
            let mut body = vec![0; length];
            reader.read_exact(&mut body).unwrap();
            let mut stream = reader.into_inner();
            match answers(line.trim(), &String::from_utf8(body).unwrap()) {
                Some(answer) => {
                    let _ = stream.write_all(answer.as_bytes());
                }
                None => held.push(stream),
            }
        }
    });
    url
}

struct Bench {
    log: Log,
    clock: SimClock,
    witnesses: Witnesses,
    _dir: tempfile::TempDir,
}

fn bench(answers: Answers, change: impl FnOnce(&mut Config)) -> Bench {
    let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
    let dir = tempfile::tempdir().unwrap();
    let mut config = Config::default();
    config.log.data_dir = dir.path().join("data");
    config.log.allow_tmpfs = true;
    config.witnessing.answer_ms_max = 300;
    let key = witness_key().verifier().to_string();
    config.witnesses.push(WitnessConfig { url: stub(answers), key });
    change(&mut config);
    config.check().unwrap();
    let clock = SimClock::new(NOON_MS);
    let parts = LogParts {
        places: Places::of(&config).expect("places"),
        signer: Arc::new(Ed25519Signer::new(&config.log.origin, &[1; 32]).unwrap()),
        clock: Arc::new(clock.clone()),
        random: || Box::new(OsRandom),
        pace: Pace::default(),
    };
    Log::create(&parts, None).unwrap();
    let log = Log::open(&parts).unwrap();
    let metrics = Metrics::new().unwrap();
    let witnesses = Witnesses::of(&config, log.clone(), Arc::new(clock.clone()), &metrics).unwrap();
    Bench { log, clock, witnesses, _dir: dir }
}

impl Bench {
    /// An entry of no other meaning, and a published checkpoint that covers it.
    async fn grow(&self) {
        use shopfloor::Event;
        use shopfloor::record::events::AccessRefused;
        let refused = AccessRefused { operation: "readEntry".into(), roles: Vec::new(), who: None };
        self.log.record_own(&Event::AccessRefused(refused), None).await.unwrap();
        self.log.publish().await.unwrap();
    }

    fn anchors(&self) -> Vec<u64> {
        let chunk = self.log.scan(0, 1 << 20).unwrap();
        let is_anchor =
            |line: &[u8]| String::from_utf8_lossy(line).contains("\"pulverlog.anchor.kept\"");
        chunk.iter().filter(|(_, line)| is_anchor(line)).map(|(seq, _)| seq).collect()
    }

    fn trouble(&self) -> Option<Trouble> {
        self.witnesses.standings()[0].trouble.clone()
    }
}

#[actix_web::test]
async fn what_is_cosigned_is_kept_with_the_checkpoint_and_once_an_hour_in_the_log() {
    let bench = bench(
        Box::new(|_, body| answer("200 OK", &cosigned(body, &witness_key(), NOON_S))),
        |_| {},
    );
    assert_eq!(bench.witnesses.window().unwrap().entries, 1);
    bench.witnesses.round().await;
    assert_eq!(bench.witnesses.covered().map(|c| (c.size, c.at_s)), Some((1, NOON_S)));
    assert_eq!(bench.anchors(), [1]);
    // The stored note, the one that is served, and the proofs that carry it are cosigned.
    let served = bench.log.published().unwrap();
    assert_eq!(bench.log.checkpoint(1).unwrap().unwrap(), served.note.as_bytes());
    assert_eq!(bench.witnesses.open(served.note.as_bytes()).unwrap().cosignatures.len(), 1);

    // A checkpoint that covers nothing new but the anchor feeds no further anchor, however late.
    bench.clock.jump(2 * 3_600_000);
    bench.log.publish().await.unwrap();
    bench.witnesses.round().await;
    assert_eq!((bench.anchors(), bench.witnesses.window().unwrap().entries), (vec![1], 0));

    // Within the hour after an anchor there is no other one; after it there is.
    bench.grow().await;
    bench.witnesses.round().await;
    assert_eq!(bench.anchors(), [1, 3]);
    bench.clock.jump(3_599_000);
    bench.grow().await;
    bench.witnesses.round().await;
    assert_eq!(bench.anchors(), [1, 3]);
    bench.clock.jump(1_000);
    bench.grow().await;
    bench.witnesses.round().await;
    assert_eq!(bench.anchors(), [1, 3, 6]);
}

#[actix_web::test]
async fn a_witness_that_remembers_a_size_is_given_the_proof_from_there() {
    let asked = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&asked);
    let bench = bench(
        Box::new(move |_, body| {
            let old = body.lines().next().unwrap().to_owned();
            let proof = body.split_once("\n\n").unwrap().0.lines().count() - 1;
            seen.lock().unwrap().push((old.clone(), proof));
            match old.as_str() {
                "old 0" => answer("409 Conflict", "1\n"),
                _ => answer("200 OK", &cosigned(body, &witness_key(), NOON_S)),
            }
        }),
        |_| {},
    );
    bench.grow().await;
    bench.witnesses.round().await;
    // RFC 6962 section 2.1.2: the proof from 1 to 2 entries is the second leaf.
    assert_eq!(*asked.lock().unwrap(), [("old 0".to_owned(), 0), ("old 1".to_owned(), 1)]);
    assert_eq!(bench.witnesses.covered().map(|covered| covered.size), Some(2));
}

#[actix_web::test]
async fn no_answer_of_a_witness_stops_the_log_by_its_word_alone() {
    let other = Ed25519Signer::witness("witness.example.net/w1", &[7; 32]).unwrap();
    let cases: Vec<(&str, Answers, Trouble)> = vec![
        ("403", Box::new(|_, _| answer("403 Forbidden", "")), Trouble::Refused(403)),
        ("404", Box::new(|_, _| answer("404 Not Found", "")), Trouble::Refused(404)),
        ("422", Box::new(|_, _| answer("422 Unprocessable", "")), Trouble::Refused(422)),
        ("500", Box::new(|_, _| answer("500 Fault", "")), Trouble::Refused(500)),
        (
            "redirect",
            Box::new(|_, _| answer("307 Temporary Redirect\r\nLocation: http://127.0.0.1:1/", "")),
            Trouble::Refused(307),
        ),
        ("never", Box::new(|_, _| None), Trouble::Unreachable),
        ("hangs up", Box::new(|_, _| Some(String::new())), Trouble::Unreachable),
        ("empty", Box::new(|_, _| answer("200 OK", "")), Trouble::Unusable),
        ("endless", Box::new(|_, _| answer("200 OK", &"x".repeat(1 << 20))), Trouble::Unusable),
        (
            "foreign key",
            Box::new(move |_, body| answer("200 OK", &cosigned(body, &other, NOON_S))),
            Trouble::Unusable,
        ),
        (
            "replayed",
            Box::new(|_, body| {
                // A true cosignature, of another checkpoint.
                let other =
                    body.replace("records.localhost/log\n1\n", "records.localhost/log\n7\n");
                answer("200 OK", &cosigned(&other, &witness_key(), NOON_S))
            }),
            Trouble::Unusable,
        ),
        ("ahead", Box::new(|_, _| answer("409 Conflict", "99\n")), Trouble::Ahead(99)),
        ("other root", Box::new(|_, _| answer("409 Conflict", "1\n")), Trouble::OtherRoot),
    ];
    for (case, answers, trouble) in cases {
        let bench = bench(answers, |_| {});
        bench.witnesses.round().await;
        assert_eq!(bench.trouble(), Some(trouble), "{case}");
        assert_eq!(bench.witnesses.covered(), None, "{case}");
        assert_eq!(bench.anchors(), [0; 0], "{case}");
        assert_eq!(bench.log.is_writing(), Ok(()), "{case}");
    }
}

#[actix_web::test]
async fn a_witness_that_shows_our_own_signature_on_another_history_stops_the_log() {
    // The log's key is [1; 32]; somebody signed other entries with it, or more of them.
    for (size, what) in [(9, "old copy"), (1, "somebody else signs")] {
        let log = Ed25519Signer::new("records.localhost/log", &[1; 32]).unwrap();
        let (origin, root) = ("records.localhost/log".to_owned(), chain::Digest::of(b"other"));
        let shown = Checkpoint { origin, size, root, extensions: Vec::new() }.sign(&log);
        let bench = bench(
            Box::new(move |line, _| match line.split(' ').next() {
                Some("GET") => answer("200 OK", &shown),
                _ => answer("409 Conflict", &format!("{size}\n")),
            }),
            |_| {},
        );
        bench.witnesses.round().await;
        let refused = bench.log.is_writing().unwrap_err().to_string();
        assert!(refused.contains(what), "{refused}");
        // It stays so, whatever the witness says later.
        bench.witnesses.round().await;
        assert!(bench.log.is_writing().is_err());
    }
}

#[actix_web::test]
async fn a_log_that_fails_closed_records_nothing_beyond_its_limit() {
    let away = Arc::new(AtomicBool::new(true));
    let is_away = Arc::clone(&away);
    let bench = bench(
        Box::new(move |_, body| match is_away.load(Ordering::SeqCst) {
            true => answer("503 Away", ""),
            false => answer("200 OK", &cosigned(body, &witness_key(), NOON_S)),
        }),
        |config| config.witnessing.fail_open = false,
    );
    bench.witnesses.round().await;
    assert_eq!(bench.log.is_writing(), Ok(()));
    bench.clock.jump(3_601_000);
    bench.witnesses.round().await;
    let refused = bench.log.is_writing().unwrap_err().to_string();
    assert!(refused.contains("no witness covers the last 3601 s"), "{refused}");
    away.store(false, Ordering::SeqCst);
    bench.witnesses.round().await;
    assert_eq!(bench.log.is_writing(), Ok(()));
}

#[actix_web::test]
async fn clients_wait_for_the_first_answers() {
    let bench = bench(Box::new(|_, _| None), |_| {});
    let (stop, stopping) = watch::channel(false);
    let started = bench.witnesses.start(stopping);
    let refused = async {
        tokio::task::yield_now().await;
        bench.log.is_writing().unwrap_err().to_string()
    };
    let ((), refused) = tokio::join!(started, refused);
    assert!(refused.contains("asked first"), "{refused}");
    assert_eq!(bench.log.is_writing(), Ok(()));
    stop.send_replace(true);
    bench.witnesses.join().await;
}

#[actix_web::test]
async fn what_was_kept_is_found_again_after_a_start() {
    let bench = bench(
        Box::new(|_, body| answer("200 OK", &cosigned(body, &witness_key(), NOON_S))),
        |_| {},
    );
    bench.witnesses.round().await;
    let before = (bench.witnesses.covered(), bench.witnesses.anchor_entry());
    bench.grow().await;
    *locked(&bench.witnesses.0.known) = Known::default();
    bench.witnesses.look_back().unwrap();
    assert_eq!((bench.witnesses.covered(), bench.witnesses.anchor_entry()), before);
    assert_eq!(before.1, Some(1));
}

#[actix_web::test]
async fn the_policy_is_one_that_its_own_checkpoints_meet() {
    let bench = bench(
        Box::new(|_, body| answer("200 OK", &cosigned(body, &witness_key(), NOON_S))),
        |_| {},
    );
    let policy = Policy::parse(bench.witnesses.policy().to_string().as_bytes()).unwrap();
    let met = |bench: &Bench| {
        let opened = bench.witnesses.open(bench.log.published().unwrap().note.as_bytes()).unwrap();
        policy.is_met(|key| opened.is_cosigned_by(key))
    };
    assert!(!met(&bench));
    bench.witnesses.round().await;
    assert!(met(&bench));
}
