//! Hostile and odd clients below the level of JSON: request smuggling, panics, TLS.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;
use std::time::Duration;

use actix_web::middleware::from_fn;
use actix_web::{App, HttpResponse, test, web};
use recorder::config::TlsConfig;
use recorder::http::gate;

use crate::bench::{Bench, reading};

/// Sends bytes and reads until the other side closes or is silent.
fn exchange(address: &str, request: &[u8]) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_millis(1_500))).unwrap();
    stream.write_all(request).unwrap();
    let mut answer = Vec::new();
    let mut buffer = [0; 4_096];
    while let Ok(count) = stream.read(&mut buffer) {
        if count == 0 {
            break;
        }
        answer.extend_from_slice(&buffer[..count]);
    }
    String::from_utf8_lossy(&answer).into_owned()
}

/// security-tests.md H9: what a proxy and we could cut into requests differently.
#[actix_web::test]
async fn ambiguous_lengths_are_refused_and_nothing_is_served_from_leftovers() {
    let bench = Bench::start().await;
    let address = bench.base.strip_prefix("http://").unwrap().to_owned();
    let head = bench.head();
    let event = reading("smuggled", "1").to_string();
    let inner = format!(
        "POST /v1/events HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {}\r\ncontent-type: \
         application/cloudevents+json\r\ncontent-length: {}\r\n\r\n{event}",
        bench.mes(),
        event.len()
    );
    let with = |headers: &str, body: &str| {
        format!("POST /v1/events HTTP/1.1\r\nhost: x\r\n{headers}\r\n\r\n{body}")
    };
    for (name, request) in [
        ("length twice", with("content-length: 0\r\ncontent-length: 5", &inner)),
        ("length negative", with("content-length: -1", &inner)),
        ("length with a sign", with("content-length: +5", &inner)),
        (
            "length and chunks",
            with("content-length: 4\r\ntransfer-encoding: chunked", &format!("0\r\n\r\n{inner}")),
        ),
        ("bad chunk size", with("transfer-encoding: chunked", &format!("zz\r\n{inner}"))),
        (
            "chunk size too large",
            with("transfer-encoding: chunked", &format!("fffffffffffffffff\r\n{inner}")),
        ),
        ("unknown transfer encoding", with("transfer-encoding: xchunked", &inner)),
        ("line feed in a name", with("content-\nlength: 5", &inner)),
        ("not HTTP", "\x16\x03\x01\x02\x00\x01\x00\x01\x7c\x03\x03".to_owned()),
    ] {
        let address = address.clone();
        let bytes = request.into_bytes();
        let answer = web::block(move || exchange(&address, &bytes)).await.unwrap();
        assert!(!answer.contains(" 201 "), "{name}: {answer}");
        assert_eq!(bench.head(), head, "{name}: something was written");
    }
    bench.stop().await;
}

/// security-tests.md H13, H14: odd addresses lead to operations or nowhere, never to a file, and what a
/// proxy would add changes nobody's identity.
#[actix_web::test]
async fn odd_addresses_lead_nowhere_and_headers_of_proxies_change_nobody() {
    let bench = Bench::start().await;
    let address = bench.base.strip_prefix("http://").unwrap().to_owned();
    let lead = bench.token("op_lead", &[shopfloor::people::events::Role::Technician], None);
    let ask = async |target: String, token: String, more: &'static str| {
        let address = address.clone();
        let request = format!(
            "GET {target} HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {token}\r\n{more}connection: \
             close\r\n\r\n"
        );
        web::block(move || exchange(&address, request.as_bytes())).await.unwrap()
    };
    for target in [
        "/v1/entries/0%00".to_owned(),
        "/v1/%2e%2e/%2e%2e/%2e%2e/etc/passwd".to_owned(),
        "/v1/../../../etc/passwd".to_owned(),
        "/assets/..%2f..%2f..%2fetc%2fpasswd".to_owned(),
        "/docs/../../Cargo.toml".to_owned(),
        "//v1/entries/0".to_owned(),
        "/v1/entries/0;a=b".to_owned(),
        "/v1/entries/0/".to_owned(),
        "file:///etc/passwd".to_owned(),
        format!("/v1/{}", "a".repeat(60_000)),
    ] {
        let answer = ask(target.clone(), lead.clone(), "").await;
        let (name, status) = (target.chars().take(40).collect::<String>(), answer.get(9..12));
        assert!(
            answer.is_empty() || status.is_some_and(|s| s.starts_with('4')),
            "{name}: {answer}"
        );
        assert!(!answer.contains("root:") && !answer.contains("[workspace]"), "{name}");
    }
    // The whole address in the request line (RFC 9112 section 3.2.2): the same operation, the same right.
    let absolute = ask("http://other.example/v1/cautions".to_owned(), lead.clone(), "").await;
    assert_eq!(absolute.get(9..12), Some("200"), "{absolute}");
    let nobody = ask("http://other.example/v1/cautions".to_owned(), "x".to_owned(), "").await;
    assert_eq!(nobody.get(9..12), Some("401"), "{nobody}");

    let claims = "x-forwarded-for: 127.0.0.1\r\nforwarded: for=127.0.0.1;proto=https\r\nx-user-id: \
                  op_admin\r\nx-forwarded-user: op_admin\r\nx-forwarded-proto: https\r\n\
                  x-http-method-override: POST\r\nx-original-url: /metrics\r\n";
    let refused = ask("/metrics".to_owned(), lead.clone(), claims).await;
    assert_eq!(refused.get(9..12), Some("403"), "{refused}");
    let nobody = ask("/v1/cautions".to_owned(), "x".to_owned(), claims).await;
    assert_eq!(nobody.get(9..12), Some("401"), "{nobody}");
    let same = ask("/v1/cautions".to_owned(), lead, claims).await;
    assert_eq!(same.get(9..12), Some("200"), "{same}");
    bench.stop().await;
}

#[actix_web::test]
async fn a_body_that_ends_early_and_a_client_that_goes_away_write_nothing() {
    let bench = Bench::start().await;
    let address = bench.base.strip_prefix("http://").unwrap().to_owned();
    let head = bench.head();
    let event = reading("cut", "1").to_string();
    let request = format!(
        "POST /v1/events HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {}\r\ncontent-type: \
         application/cloudevents+json\r\ncontent-length: {}\r\n\r\n{event}",
        bench.mes(),
        event.len() + 10
    );
    web::block(move || {
        let mut stream = TcpStream::connect(address).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        stream.shutdown(std::net::Shutdown::Both).unwrap();
    })
    .await
    .unwrap();
    assert_eq!(bench.record(&bench.mes(), &reading("after", "1")).await.status, 201);
    assert_eq!(bench.recorder.log.size(), head.0 + 1, "only the event behind it");
    bench.stop().await;
}

/// RFC 9110 section 10.1.1: a client that asks first is told to go on, or the final answer, before it has
/// sent a byte of its body.
#[actix_web::test]
async fn a_client_that_expects_to_be_told_to_go_on_is_answered_before_its_body() {
    let bench = Bench::start().await;
    let address = bench.base.strip_prefix("http://").unwrap().to_owned();
    let event = reading("expected", "1").to_string();
    let head = |token: &str, length: usize| {
        format!(
            "POST /v1/events HTTP/1.1\r\nhost: x\r\nauthorization: Bearer {token}\r\ncontent-type: \
             application/cloudevents+json\r\nexpect: 100-continue\r\nconnection: close\r\n\
             content-length: {length}\r\n\r\n"
        )
    };
    let (to, good) = (address.clone(), head(&bench.mes(), event.len()));
    let (first, last) = web::block(move || {
        let mut stream = TcpStream::connect(to).unwrap();
        stream.write_all(good.as_bytes()).unwrap();
        let mut first = Vec::new();
        while !first.ends_with(b"\r\n\r\n") {
            let mut byte = [0];
            stream.read_exact(&mut byte).unwrap();
            first.push(byte[0]);
        }
        stream.write_all(event.as_bytes()).unwrap();
        let mut last = String::new();
        stream.read_to_string(&mut last).unwrap();
        (String::from_utf8(first).unwrap(), last)
    })
    .await
    .unwrap();
    assert!(first.starts_with("HTTP/1.1 100 "), "{first}");
    assert!(last.starts_with("HTTP/1.1 201 "), "{last}");

    let size = bench.recorder.log.size();
    for (name, request, status) in [
        ("a token that is none", head("x", 10), " 401 "),
        ("a body that would be too large", head(&bench.mes(), 1 << 30), " 413 "),
    ] {
        let to = address.clone();
        let answer = web::block(move || exchange(&to, request.as_bytes())).await.unwrap();
        assert!(answer.contains(status), "{name}: {answer}");
    }
    assert_eq!(bench.recorder.log.size(), size);
    bench.stop().await;
}

/// ASVS 16.5.4: the last-resort handler.
#[actix_web::test]
async fn a_panic_is_a_problem_and_the_writer_goes_on() {
    async fn boom() -> HttpResponse {
        panic!("on purpose")
    }
    let bench = Bench::start().await;
    let app = test::init_service(
        App::new()
            .app_data(bench.recorder.clone())
            .route("/boom", web::get().to(boom))
            .wrap(from_fn(gate::pass)),
    )
    .await;
    let request = test::TestRequest::get().uri("/boom").to_request();
    let error = test::try_call_service(&app, request).await.unwrap_err();
    let response = error.error_response();
    assert_eq!(response.status().as_u16(), 500);
    assert_eq!(response.headers().get("content-type").unwrap(), "application/problem+json");
    assert_eq!(bench.counter("pulverlog_panics_total"), 1);
    assert_eq!(bench.record(&bench.mes(), &reading("after", "1")).await.status, 201);
    drop(app);
    bench.stop().await;
}

/// A certificate for localhost and what signed it.
pub(crate) struct Paper {
    pub(crate) authority: String,
    pub(crate) certificate: String,
    pub(crate) key: String,
}

pub(crate) fn paper() -> Paper {
    let mut params = rcgen::CertificateParams::new(vec![]).unwrap();
    params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
    let authority_key = rcgen::KeyPair::generate().unwrap();
    let authority = params.self_signed(&authority_key).unwrap();
    let issuer = rcgen::Issuer::from_params(&params, &authority_key);
    let key = rcgen::KeyPair::generate().unwrap();
    let names = vec!["localhost".to_owned()];
    let certificate =
        rcgen::CertificateParams::new(names).unwrap().signed_by(&key, &issuer).unwrap();
    Paper { authority: authority.pem(), certificate: certificate.pem(), key: key.serialize_pem() }
}

#[actix_web::test]
async fn tls_is_offered_and_client_certificates_are_demanded_where_configured() {
    use std::os::unix::fs::PermissionsExt as _;
    let (server, clients) = (paper(), paper());
    let papers = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = papers.path().join(name);
        std::fs::write(&path, text).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        path
    };
    let tls = TlsConfig {
        certificate_file: file("chain.pem", &server.certificate),
        key_file: file("key.pem", &server.key),
        client_authorities_file: None,
    };
    let ask = async |bench: &Bench, client: reqwest::Client| {
        let port = bench.base.rsplit(':').next().unwrap();
        client.get(format!("https://localhost:{port}/healthz")).send().await
    };
    let trusting = || {
        let root = reqwest::Certificate::from_pem(server.authority.as_bytes()).unwrap();
        reqwest::Client::builder().tls_certs_only([root])
    };
    let bench = Bench::start_with(|config| config.listen.tls = Some(tls.clone())).await;
    let answer = ask(&bench, trusting().build().unwrap()).await.unwrap();
    assert_eq!(answer.status().as_u16(), 200);
    assert!(answer.headers().contains_key("strict-transport-security"));
    assert!(ask(&bench, reqwest::Client::new()).await.is_err(), "who does not know the authority");
    bench.stop().await;

    let authorities = file("clients.pem", &clients.authority);
    let strict = TlsConfig { client_authorities_file: Some(authorities), ..tls.clone() };
    let bench = Bench::start_with(|config| config.listen.tls = Some(strict)).await;
    assert!(ask(&bench, trusting().build().unwrap()).await.is_err(), "without a certificate");
    let identity = format!("{}{}", clients.certificate, clients.key);
    let identity = reqwest::Identity::from_pem(identity.as_bytes()).unwrap();
    let known = trusting().identity(identity).build().unwrap();
    assert_eq!(ask(&bench, known).await.unwrap().status().as_u16(), 200);
    bench.stop().await;

    std::fs::set_permissions(&tls.key_file, std::fs::Permissions::from_mode(0o644)).unwrap();
    assert!(recorder::tls::server_config(&tls).is_err(), "a key that everybody may read");
}
