//! Webhooks against receivers that take, refuse, redirect, go away and come back.

use std::io::{BufRead as _, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt as _;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use ed25519_dalek::{Signature, VerifyingKey};
use ledger::sim::SimClock;
use recorder::config::{Config, SubscriptionConfig};
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use shopfloor::people::events::Role;
use tokio::sync::mpsc;

use crate::bench::{Bench, NOON_MS, reading};

/// Longest time a test waits for what must come; a slow machine needs a part of it.
const PATIENCE: Duration = Duration::from_secs(60);

/// A request as a receiver sees it.
#[derive(Debug, Clone)]
struct Request {
    path: String,
    headers: Vec<(String, String)>,
    body: Vec<u8>,
}

impl Request {
    fn read(stream: &mut impl Read) -> Option<Self> {
        let mut reader = BufReader::new(stream);
        let mut line = String::new();
        reader.read_line(&mut line).ok()?;
        let path = line.strip_prefix("POST ")?.split(' ').next()?.to_owned();
        let mut headers = Vec::new();
        loop {
            let mut line = String::new();
            reader.read_line(&mut line).ok()?;
            let Some((name, value)) = line.trim_end().split_once(": ") else { break };
            headers.push((name.to_ascii_lowercase(), value.to_owned()));
        }
        let mut request = Self { path, headers, body: Vec::new() };
        request.body = vec![0; request.header("content-length").parse().ok()?];
        reader.read_exact(&mut request.body).ok()?;
        Some(request)
    }

    fn header(&self, name: &str) -> &str {
        self.headers.iter().find(|(n, _)| n == name).map_or("", |(_, value)| value)
    }

    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap()
    }

    fn seq(&self) -> u64 {
        self.json()["seq"].as_u64().unwrap()
    }

    /// RFC 9421 section 3.2, written apart from the code that signs.
    fn is_signed_by(&self, keys: &Value) -> bool {
        let digest = STANDARD.encode(Sha256::digest(&self.body));
        if self.header("content-digest") != format!("sha-256=:{digest}:") {
            return false;
        }
        let Some(input) = self.header("signature-input").strip_prefix("pulverlog=") else {
            return false;
        };
        let (path, query) = self.path.split_once('?').unwrap_or((&self.path, ""));
        let list = &input[1..input.find(')').unwrap()];
        let mut base = String::new();
        for name in list.split(' ').map(|quoted| quoted.trim_matches('"')) {
            let value = match name {
                "@method" => "POST".to_owned(),
                "@authority" => self.header("host").to_owned(),
                "@path" => path.to_owned(),
                "@query" => format!("?{query}"),
                name => self.header(name).to_owned(),
            };
            base.push_str(&format!("\"{name}\": {value}\n"));
        }
        base.push_str(&format!("\"@signature-params\": {input}"));
        let parameter = |name: &str| {
            let rest = input.split_once(&format!(";{name}=\"")).unwrap().1;
            rest.split('"').next().unwrap()
        };
        assert_eq!((parameter("alg"), parameter("tag")), ("ed25519", "pulverlog-webhook"));
        let known = keys["keys"].as_array().unwrap().iter();
        let Some(key) = known.into_iter().find(|key| key["kid"] == parameter("keyid")) else {
            return false;
        };
        let x = URL_SAFE_NO_PAD.decode(key["x"].as_str().unwrap()).unwrap();
        let key = VerifyingKey::from_bytes(&x.try_into().unwrap()).unwrap();
        let signature = self.header("signature").trim_start_matches("pulverlog=:");
        let signature = STANDARD.decode(signature.trim_end_matches(':')).unwrap();
        let signature = Signature::from_slice(&signature).unwrap();
        key.verify_strict(base.as_bytes(), &signature).is_ok()
    }
}

/// What a receiver answers: status and further header lines.
type Answers = Box<dyn FnMut(&Request) -> &'static str + Send>;

/// A receiver on loopback.
struct Receiver {
    address: SocketAddr,
    answers: Arc<Mutex<Answers>>,
    came: mpsc::UnboundedReceiver<Request>,
}

fn takes() -> Answers {
    Box::new(|_| "204 No Content")
}

impl Receiver {
    fn open(answers: Answers) -> Self {
        Self::on(TcpListener::bind("127.0.0.1:0").unwrap(), answers, None)
    }

    fn on(listener: TcpListener, answers: Answers, tls: Option<Arc<rustls::ServerConfig>>) -> Self {
        let address = listener.local_addr().unwrap();
        let answers = Arc::new(Mutex::new(answers));
        let (tell, came) = mpsc::unbounded_channel();
        let shared = Arc::clone(&answers);
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let Ok(mut stream) = stream else { break };
                let answer = |request: &Request| {
                    let status = (shared.lock().unwrap())(request);
                    // Whoever looks after the answer must find the request.
                    let _ = tell.send(request.clone());
                    format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\nconnection: close\r\n\r\n")
                };
                match &tls {
                    None => serve(&mut stream, answer),
                    Some(config) => {
                        let connection = rustls::ServerConnection::new(config.clone()).unwrap();
                        serve(&mut rustls::StreamOwned::new(connection, stream), answer);
                    }
                }
            }
        });
        Self { address, answers, came }
    }

    fn url(&self) -> String {
        format!("http://{}/hooks?key=7", self.address)
    }

    fn answer(&self, answers: Answers) {
        *self.answers.lock().unwrap() = answers;
    }

    async fn next(&mut self) -> Request {
        let next = tokio::time::timeout(PATIENCE, self.came.recv()).await;
        next.expect("a request must come").unwrap()
    }

    async fn seqs(&mut self, count: usize) -> Vec<u64> {
        let mut seqs = Vec::new();
        while seqs.len() < count {
            seqs.push(self.next().await.seq());
        }
        seqs
    }
}

fn serve(stream: &mut (impl Read + Write), answer: impl Fn(&Request) -> String) {
    if let Some(request) = Request::read(stream) {
        let _ = stream.write_all(answer(&request).as_bytes());
        let _ = stream.flush();
    }
}

/// One subscription, with waits short enough for a test.
fn hook(config: &mut Config, url: &str) {
    config.webhooks.allow.push("127.0.0.0/8".into());
    config.webhooks.first_wait_ms = 5;
    config.webhooks.longest_wait_s = 1;
    config.webhooks.subscriptions.push(SubscriptionConfig {
        name: "mes".into(),
        url: url.into(),
        ..SubscriptionConfig::default()
    });
}

async fn bench(url: &str, change: impl FnOnce(&mut Config)) -> Bench {
    Bench::start_with(|config| {
        hook(config, url);
        change(config);
    })
    .await
}

async fn record(bench: &Bench, id: &str) -> u64 {
    let answer = bench.record(&bench.mes(), &reading(id, "1")).await;
    assert_eq!(answer.status, 201, "{}", answer.json());
    answer.json()["seq"].as_u64().unwrap()
}

fn admin(bench: &Bench) -> String {
    bench.token("op_v5", &[Role::Admin], None)
}

async fn standing(bench: &Bench) -> Value {
    bench.get("/v1/webhooks", &admin(bench)).await.json()["items"][0].clone()
}

/// Asks until the subscription is as wanted.
async fn until(bench: &Bench, wanted: impl Fn(&Value) -> bool) -> Value {
    let ask = async {
        loop {
            let now = standing(bench).await;
            if wanted(&now) {
                return now;
            }
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(PATIENCE, ask).await.expect("the subscription must get there")
}

async fn post(bench: &Bench, path: &str) -> Value {
    let answer = bench.post(path, &admin(bench), &[], "").await;
    assert_eq!(answer.status, 200, "{}", answer.json());
    answer.json()
}

#[actix_web::test]
async fn a_receiver_gets_what_it_wants_signed_and_in_order() {
    let mut receiver = Receiver::open(takes());
    let bench = bench(&receiver.url(), |config| {
        let one = &mut config.webhooks.subscriptions[0];
        one.site = Some("north".into());
        one.types = vec!["meter.read".into()];
        one.subject = Some("equipment/S-0".into());
    })
    .await;
    let mut elsewhere = reading("south", "1");
    elsewhere["site"] = json!("south");
    let mut other = reading("other", "1");
    other["subject"] = json!("equipment/P-01");
    let first = record(&bench, "a").await;
    for event in [elsewhere, other] {
        assert_eq!(bench.record(&bench.mes(), &event).await.status, 201);
    }
    let last = record(&bench, "b").await;
    let keys = bench.get("/.well-known/jwks.json", "").await.json();
    for seq in [first, last] {
        let request = receiver.next().await;
        assert_eq!(request.path, "/hooks?key=7");
        let delivery = request.json();
        assert_eq!(delivery["log"], "records.brackwater.example/test");
        assert_eq!(delivery["seq"], seq);
        // Byte for byte what the feed shows to a service of the site.
        let token = bench.token("svc_line", &[Role::Service], Some(&["north"]));
        let entry = bench.get(&format!("/v1/entries/{seq}"), &token).await;
        let text = String::from_utf8(entry.body.clone()).unwrap();
        assert!(String::from_utf8(request.body.clone()).unwrap().contains(&text));
        assert_eq!(delivery["leaf"], chain::entry::leaf_hash(&entry.body).to_string());

        assert!(request.is_signed_by(&keys), "{request:?}");
        let changed = |change: &dyn Fn(&mut Request)| {
            let mut request = request.clone();
            change(&mut request);
            request.is_signed_by(&keys)
        };
        let set = |request: &mut Request, name: &str, change: &dyn Fn(&str) -> String| {
            let field = request.headers.iter_mut().find(|(n, _)| n == name).unwrap();
            field.1 = change(&field.1);
        };
        assert!(!changed(&|r| r.body[9] ^= 1), "another body");
        assert!(!changed(&|r| r.path = "/other?key=7".into()), "another path");
        assert!(!changed(&|r| r.path = "/hooks?key=8".into()), "another query");
        assert!(!changed(&|r| set(r, "host", &|_| "other.example".into())), "another host");
        assert!(!changed(&|r| set(r, "content-type", &|_| "text/plain".into())), "another type");
        assert!(
            !changed(&|r| set(r, "signature-input", &|i| i.replace("created=1", "created=2"))),
            "another time"
        );
        assert!(
            !changed(&|r| {
                // A whole other body with its right digest.
                r.body = b"{}".to_vec();
                let digest = STANDARD.encode(Sha256::digest(b"{}"));
                set(r, "content-digest", &|_| format!("sha-256=:{digest}:"));
            }),
            "another body with its digest"
        );
    }
    let now = until(&bench, |now| now["behind"] == 0).await;
    assert_eq!(now["url"], format!("http://{}/hooks", receiver.address), "no query is shown");
    assert_eq!((&now["dead_letters"], now.get("waiting")), (&json!(0), None));
    let attempts = "pulverlog_webhook_attempts_total{outcome=\"delivered\",subscription=\"mes\"}";
    assert_eq!(bench.counter(attempts), 2);
    bench.stop().await;
}

#[actix_web::test]
async fn a_restart_loses_nothing_and_keeps_the_order() {
    let mut receiver = Receiver::open(takes());
    let url = receiver.url();
    let bench = bench(&url, |_| {}).await;
    let taken = record(&bench, "a").await;
    assert_eq!(receiver.seqs(1).await, [taken]);
    receiver.answer(Box::new(|_| "500 Internal Server Error"));
    let mut missing = Vec::new();
    for id in ["b", "c", "d"] {
        missing.push(record(&bench, id).await);
    }
    until(&bench, |now| now["waiting"]["seq"] == missing[0]).await;
    let dir = bench.stop().await;
    while receiver.came.try_recv().is_ok() {}
    receiver.answer(takes());
    let bench = Bench::start_in(dir, SimClock::new(NOON_MS), |config| hook(config, &url)).await;
    missing.push(record(&bench, "e").await);
    assert_eq!(receiver.seqs(4).await, missing, "from the first that was not taken, once each");
    bench.stop().await;
}

#[actix_web::test]
async fn what_was_recorded_while_the_receiver_was_away_comes_when_it_is_back() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    drop(listener);
    let bench = bench(&format!("http://{address}/hooks"), |_| {}).await;
    let mut sent = Vec::new();
    for id in ["a", "b", "c"] {
        sent.push(record(&bench, id).await);
    }
    let now = until(&bench, |now| now["waiting"]["attempts"].as_u64() >= Some(3)).await;
    assert_eq!(now["waiting"]["trouble"], "the receiver could not be reached");
    let mut receiver = Receiver::on(TcpListener::bind(address).unwrap(), takes(), None);
    assert_eq!(receiver.seqs(3).await, sent);
    bench.stop().await;
}

#[actix_web::test]
async fn what_is_given_up_is_seen_sent_again_and_holds_nobody_up() {
    let bad = Arc::new(Mutex::new(0));
    let seen = Arc::clone(&bad);
    let mut receiver = Receiver::open(Box::new(move |request| match request.seq() {
        seq if seq == *seen.lock().unwrap() => "422 Unprocessable Content",
        _ => "200 OK",
    }));
    let url = receiver.url();
    let bench = bench(&url, |config| config.webhooks.attempts_max = 3).await;
    *bad.lock().unwrap() = bench.recorder.log.size();
    let (dead, next) = (record(&bench, "a").await, record(&bench, "b").await);
    assert_eq!(receiver.seqs(4).await, [dead, dead, dead, next]);
    until(&bench, |now| now["behind"] == 0).await;
    let letters = bench.get("/v1/webhooks/mes/dead-letters", &admin(&bench)).await.json();
    let expected = json!([{
        "seq": dead, "attempts": 3, "at": "2026-03-05T12:00:00.000Z",
        "trouble": "the receiver answered with status 422",
    }]);
    assert_eq!(letters["items"], expected);

    // It is still there after a restart, and one more attempt is one more attempt.
    let dir = bench.stop().await;
    let bench = Bench::start_in(dir, SimClock::new(NOON_MS), |config| hook(config, &url)).await;
    let retry = format!("/v1/webhooks/mes/dead-letters/{dead}/retry");
    let again = post(&bench, &retry).await;
    assert_eq!(
        (&again["delivered"], &again["dead_letter"]["attempts"]),
        (&json!(false), &json!(4))
    );
    assert_eq!(receiver.seqs(1).await, [dead]);
    let metrics = bench.get("/metrics", &admin(&bench)).await.body;
    let metrics = String::from_utf8(metrics).unwrap();
    assert!(
        metrics.contains("pulverlog_webhook_dead_letters{subscription=\"mes\"} 1"),
        "{metrics}"
    );

    receiver.answer(takes());
    assert_eq!(post(&bench, &retry).await, json!({ "delivered": true }));
    assert_eq!(receiver.seqs(1).await, [dead]);
    let letters = bench.get("/v1/webhooks/mes/dead-letters", &admin(&bench)).await.json();
    assert_eq!(letters["items"], json!([]));
    let gone = bench.post(&retry, &admin(&bench), &[], "").await;
    assert_eq!((gone.status, gone.code().as_str()), (404, "not-found"));
    bench.stop().await;
}

#[actix_web::test]
async fn a_receiver_that_is_gone_is_left_alone_until_somebody_resumes() {
    let mut receiver = Receiver::open(Box::new(|_| "410 Gone"));
    let url = receiver.url();
    let bench = bench(&url, |_| {}).await;
    let (first, second) = (record(&bench, "a").await, record(&bench, "b").await);
    assert_eq!(receiver.seqs(1).await, [first]);
    let now = until(&bench, |now| now.get("suspended").is_some()).await;
    assert!(now["suspended"].as_str().unwrap().contains("410"), "{now}");
    let dir = bench.stop().await;
    let bench = Bench::start_in(dir, SimClock::new(NOON_MS), |config| hook(config, &url)).await;
    let now = standing(&bench).await;
    assert!(now["suspended"].as_str().unwrap().contains("410"), "it stays so: {now}");
    let third = record(&bench, "c").await;
    assert!(receiver.came.try_recv().is_err(), "nobody knocks");
    receiver.answer(takes());
    let now = post(&bench, "/v1/webhooks/mes/resume").await;
    assert_eq!(now.get("suspended"), None);
    assert_eq!(receiver.seqs(3).await, [first, second, third], "nothing is left out");
    bench.stop().await;
}

/// A door at which nobody must knock.
struct Trap(TcpListener);

impl Trap {
    fn set() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        listener.set_nonblocking(true).unwrap();
        Self(listener)
    }

    fn port(&self) -> u16 {
        self.0.local_addr().unwrap().port()
    }

    fn caught(&self) -> Option<(TcpStream, SocketAddr)> {
        self.0.accept().ok()
    }
}

#[actix_web::test]
async fn a_redirect_is_not_followed() {
    let trap = Trap::set();
    let to = format!("307 Temporary Redirect\r\nlocation: http://127.0.0.1:{}/", trap.port());
    let to: &'static str = to.leak();
    let mut receiver = Receiver::open(Box::new(move |_| to));
    let bench = bench(&receiver.url(), |config| config.webhooks.attempts_max = 1).await;
    let seq = record(&bench, "a").await;
    assert_eq!(receiver.seqs(1).await, [seq]);
    until(&bench, |now| now["dead_letters"] == 1).await;
    let letters = bench.get("/v1/webhooks/mes/dead-letters", &admin(&bench)).await.json();
    let trouble = letters["items"][0]["trouble"].as_str().unwrap();
    assert_eq!(trouble, "the receiver answered with status 307; redirects are not followed");
    assert!(trap.caught().is_none(), "nobody came to the address in the answer");
    bench.stop().await;
}

#[actix_web::test]
async fn a_listed_name_that_leads_inside_is_not_called() {
    let trap = Trap::set();
    let url = format!("https://localhost:{}/hooks", trap.port());
    let bench = Bench::start_with(|config| {
        hook(config, &url);
        // The name is listed, the network it leads to is not.
        config.webhooks.allow = vec!["localhost".into()];
        config.webhooks.attempts_max = 1;
    })
    .await;
    record(&bench, "a").await;
    until(&bench, |now| now["dead_letters"] == 1).await;
    let letters = bench.get("/v1/webhooks/mes/dead-letters", &admin(&bench)).await.json();
    let trouble = letters["items"][0]["trouble"].as_str().unwrap();
    assert!(trouble.contains("is inside and does not stand in `webhooks.allow`"), "{trouble}");
    assert!(trap.caught().is_none(), "no connection was made");
    bench.stop().await;
}

#[actix_web::test]
async fn what_the_receiver_asks_for_is_waited_for() {
    let mut receiver = Receiver::open(Box::new(|_| "429 Too Many Requests\r\nretry-after: 7200"));
    let bench = bench(&receiver.url(), |_| {}).await;
    let seq = record(&bench, "a").await;
    receiver.seqs(1).await;
    let now = until(&bench, |now| now.get("waiting").is_some()).await;
    let expected = json!({
        "seq": seq, "attempts": 1, "trouble": "the receiver answered with status 429",
        "next_at": "2026-03-05T14:00:00.000Z",
    });
    assert_eq!(now["waiting"], expected);
    // Whoever knows better need not wait.
    receiver.answer(takes());
    post(&bench, "/v1/webhooks/mes/resume").await;
    assert_eq!(receiver.seqs(1).await, [seq]);
    bench.stop().await;
}

#[actix_web::test]
async fn the_certificate_must_be_of_an_authority_that_is_trusted() {
    let paper = crate::hostile::paper();
    let dir = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let key_file = file("key.pem", &paper.key);
    std::fs::set_permissions(&key_file, std::fs::Permissions::from_mode(0o600)).unwrap();
    let tls = recorder::config::TlsConfig {
        certificate_file: file("chain.pem", &paper.certificate),
        key_file,
        client_authorities_file: None,
    };
    let authority = file("authority.pem", &paper.authority);
    for trusted in [false, true] {
        let _ = rustls::crypto::aws_lc_rs::default_provider().install_default();
        let offered = Arc::new(recorder::tls::server_config(&tls).unwrap());
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let mut receiver = Receiver::on(listener, takes(), Some(offered));
        let bench = Bench::start_with(|config| {
            hook(config, &format!("https://localhost:{}/hooks", receiver.address.port()));
            config.webhooks.allow.push("localhost".into());
            config.webhooks.attempts_max = 1;
            config.webhooks.authorities_file = trusted.then(|| authority.clone());
        })
        .await;
        let seq = record(&bench, "a").await;
        if trusted {
            assert_eq!(receiver.seqs(1).await, [seq]);
        } else {
            until(&bench, |now| now["dead_letters"] == 1).await;
            assert!(receiver.came.try_recv().is_err(), "nothing was said to a stranger");
        }
        bench.stop().await;
    }
}

#[actix_web::test]
async fn another_sites_administrator_sees_no_webhook_of_this_site() {
    let receiver = Receiver::open(takes());
    let bench = bench(&receiver.url(), |config| {
        config.webhooks.subscriptions[0].site = Some("north".into());
    })
    .await;
    let south = bench.token("op_v5", &[Role::Admin], Some(&["south"]));
    assert_eq!(bench.get("/v1/webhooks", &south).await.json()["items"], json!([]));
    for path in ["/v1/webhooks/mes/resume", "/v1/webhooks/mes/dead-letters/1/retry"] {
        assert_eq!(bench.post(path, &south, &[], "").await.status, 404, "{path}");
    }
    assert_eq!(bench.get("/v1/webhooks/mes/dead-letters", &south).await.status, 404);
    bench.stop().await;
}

#[actix_web::test]
async fn a_state_that_cannot_be_used_suspends_and_is_left_alone() {
    let mut receiver = Receiver::open(takes());
    let url = receiver.url();
    let bench = bench(&url, |_| {}).await;
    record(&bench, "a").await;
    receiver.seqs(1).await;
    let dir = bench.stop().await;
    let file = dir.path().join("data/webhooks/mes.json");
    std::fs::write(&file, "{").unwrap();
    let bench = Bench::start_in(dir, SimClock::new(NOON_MS), |config| hook(config, &url)).await;
    let now = standing(&bench).await;
    assert!(now["suspended"].as_str().unwrap().contains("its state cannot be read"), "{now}");
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "{");
    post(&bench, "/v1/webhooks/mes/resume").await;
    let seq = record(&bench, "b").await;
    assert_eq!(receiver.seqs(1).await, [seq], "it begins anew, with the next entry");
    bench.stop().await;
}
