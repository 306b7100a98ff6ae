//! Tokens: the list J1 to J17 of the security tests, each row with what is expected.
//! Base rule: 401, one code, the same body for all, nothing written.

use std::io::Read as _;
use std::time::Duration;

use aws_lc_rs::rsa::KeySize;
use aws_lc_rs::signature::{ECDSA_P256_SHA256_FIXED_SIGNING, EcdsaKeyPair};
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE, URL_SAFE_NO_PAD as B64};
use ed25519_dalek::{Signer as _, SigningKey};
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{Algorithm, EncodingKey, crypto};
use recorder::limits::{TOKEN_BYTES_MAX, TOKEN_LEEWAY_S};
use serde_json::{Value, json};

use crate::bench::{Bench, NOON_MS};

const ISSUER: &str = "https://id.brackwater.example";
const NOW_S: i64 = NOON_MS / 1_000;

/// An issuer with one key of each kind.
struct Issuer {
    ed: SigningKey,
    ec: EncodingKey,
    rsa: EncodingKey,
}

impl Issuer {
    fn new() -> Self {
        let _ = crypto::aws_lc::DEFAULT_PROVIDER.install_default();
        let random = aws_lc_rs::rand::SystemRandom::new();
        let ec = EcdsaKeyPair::generate_pkcs8(&ECDSA_P256_SHA256_FIXED_SIGNING, &random).unwrap();
        let rsa = aws_lc_rs::rsa::KeyPair::generate(KeySize::Rsa2048).unwrap();
        let rsa = aws_lc_rs::encoding::AsDer::<aws_lc_rs::encoding::Pkcs8V1Der<'_>>::as_der(&rsa)
            .unwrap();
        Self {
            ed: SigningKey::from_bytes(&[3; 32]),
            ec: EncodingKey::from_ec_der(ec.as_ref()),
            // PKCS #8 is PKCS #1 behind 26 bytes that say "RSA".
            rsa: EncodingKey::from_rsa_der(&rsa.as_ref()[26..]),
        }
    }

    fn jwk(&self, kid: &str) -> Value {
        let mut jwk = match kid {
            "ed" => json!({
                "kty": "OKP", "crv": "Ed25519", "alg": "EdDSA",
                "x": B64.encode(self.ed.verifying_key().as_bytes()),
            }),
            "ec" => {
                serde_json::to_value(Jwk::from_encoding_key(&self.ec, Algorithm::ES256).unwrap())
                    .unwrap()
            }
            "rsa" => {
                serde_json::to_value(Jwk::from_encoding_key(&self.rsa, Algorithm::RS256).unwrap())
                    .unwrap()
            }
            other => panic!("no key `{other}`"),
        };
        jwk["kid"] = json!(kid);
        jwk["use"] = json!("sig");
        jwk
    }

    fn jwks(&self) -> Value {
        let keys = ["ed", "ec", "rsa"].map(|kid| self.jwk(kid));
        json!({ "keys": keys })
    }

    fn sign(&self, kid: &str, message: &str) -> String {
        match kid {
            "ec" => crypto::sign(message.as_bytes(), &self.ec, Algorithm::ES256).unwrap(),
            "rsa" => crypto::sign(message.as_bytes(), &self.rsa, Algorithm::RS256).unwrap(),
            _ => B64.encode(self.ed.sign(message.as_bytes()).to_bytes()),
        }
    }

    /// A token of these texts, signed with the Ed25519 key whatever they say.
    fn raw(&self, header: &str, claims: &str) -> String {
        let message = format!("{}.{}", B64.encode(header), B64.encode(claims));
        format!("{message}.{}", self.sign("ed", &message))
    }

    fn token(&self, kid: &str, header: &Value, claims: &Value) -> String {
        let message =
            format!("{}.{}", B64.encode(header.to_string()), B64.encode(claims.to_string()));
        format!("{message}.{}", self.sign(kid, &message))
    }

    fn good(&self) -> String {
        self.token("ed", &header("ed", "EdDSA"), &claims())
    }
}

fn header(kid: &str, alg: &str) -> Value {
    json!({ "alg": alg, "kid": kid, "typ": "at+jwt" })
}

fn claims() -> Value {
    json!({
        "iss": ISSUER, "sub": "op_k7", "aud": "pulverlog", "iat": NOW_S, "nbf": NOW_S,
        "exp": NOW_S + 600, "roles": ["lead", "some-other-service"],
    })
}

fn with(mut value: Value, name: &str, member: Value) -> Value {
    value[name] = member;
    value
}

fn without(mut value: Value, name: &str) -> Value {
    value.as_object_mut().unwrap().remove(name);
    value
}

async fn bench(issuer: &Issuer) -> Bench {
    let dir = std::sync::Arc::new(tempfile::tempdir().unwrap());
    let file = dir.path().join("jwks.json");
    std::fs::write(&file, issuer.jwks().to_string()).unwrap();
    Bench::start_in(dir, ledger::sim::SimClock::new(NOON_MS), |config| {
        config.auth.issuer = ISSUER.into();
        config.auth.jwks_file = Some(file);
    })
    .await
}

/// Status of a question with this token.
async fn status(bench: &Bench, token: &str) -> u16 {
    bench.get("/v1/cautions", token).await.status
}

/// Every token that must be refused, with its row of the list.
fn refused(i: &Issuer) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    let (h, c) = (header("ed", "EdDSA"), claims());
    let good = i.good();
    let parts: Vec<&str> = good.split('.').collect();
    let [head, body, sig] = parts[..] else { panic!("three parts") };

    // J1: no algorithm, no signature, other numbers of parts.
    for alg in ["none", "None", "NONE", "nOnE"] {
        rows.push(("J1 alg none, signed", i.token("ed", &header("ed", alg), &c)));
        let unsigned = format!("{}.{body}.", B64.encode(header("ed", alg).to_string()));
        rows.push(("J1 alg none, unsigned", unsigned));
    }
    rows.push(("J1 alg missing", i.token("ed", &without(h.clone(), "alg"), &c)));
    rows.push(("J1 empty signature", format!("{head}.{body}.")));
    rows.push(("J1 no signature", format!("{head}.{body}")));
    rows.push(("J1 four parts", format!("{head}.{body}.{sig}.{sig}")));
    rows.push(("J1 only dots", "..".into()));

    // J2: a shared secret made of the public key, and algorithms of other keys.
    let jwk = i.jwk("ed").to_string();
    let point = i.ed.verifying_key().to_bytes();
    for (name, secret) in
        [("J2 HS256 with the JWK", jwk.as_bytes()), ("J2 HS256 with the point", &point[..])]
    {
        let message = format!("{}.{body}", B64.encode(header("ed", "HS256").to_string()));
        let key = EncodingKey::from_secret(secret);
        let mac = crypto::sign(message.as_bytes(), &key, Algorithm::HS256).unwrap();
        rows.push((name, format!("{message}.{mac}")));
    }
    rows.push(("J2 algorithm of another key", i.token("ed", &header("ed", "ES256"), &c)));
    rows.push(("J2 key of another algorithm", i.token("ec", &header("ed", "ES256"), &c)));
    rows.push(("J2 right family, wrong size", i.token("rsa", &header("rsa", "RS512"), &c)));

    // J3: key ids.
    rows.push(("J3 kid missing", i.token("ed", &without(h.clone(), "kid"), &c)));
    for (name, kid) in [
        ("J3 kid unknown", json!("other")),
        ("J3 kid empty", json!("")),
        ("J3 kid a path", json!("../../dev/null")),
        ("J3 kid SQL", json!("ed' OR '1'='1")),
        ("J3 kid with NUL", json!("ed\0")),
        ("J3 kid a number", json!(1)),
        ("J3 kid of 64 KiB", json!("k".repeat(65_536))),
    ] {
        rows.push((name, i.token("ed", &with(h.clone(), "kid", kid), &c)));
    }
    rows.push((
        "J3 kid twice",
        i.raw(r#"{"alg":"EdDSA","kid":"ed","kid":"ed","typ":"at+jwt"}"#, &c.to_string()),
    ));

    // J4: a stranger's key inside the token is not believed. (That it is not fetched: below.)
    let stranger = SigningKey::from_bytes(&[9; 32]);
    let own = json!({ "kty": "OKP", "crv": "Ed25519", "x": B64.encode(stranger.verifying_key().as_bytes()) });
    let message = format!("{}.{body}", B64.encode(with(h.clone(), "jwk", own).to_string()));
    rows.push((
        "J4 jwk",
        format!("{message}.{}", B64.encode(stranger.sign(message.as_bytes()).to_bytes())),
    ));

    // J5: extensions.
    for (name, member, value) in [
        ("J5 crit", "crit", json!(["exp"])),
        ("J5 crit empty", "crit", json!([])),
        ("J5 b64", "b64", json!(false)),
        ("J5 zip", "zip", json!("DEF")),
    ] {
        rows.push((name, i.token("ed", &with(h.clone(), member, value), &c)));
    }

    // J6: times.
    for (name, claim, value) in [
        ("J6 exp past", "exp", json!(NOW_S - TOKEN_LEEWAY_S)),
        ("J6 exp a string", "exp", json!("9999999999")),
        ("J6 exp negative", "exp", json!(-1)),
        ("J6 exp fractional", "exp", json!(9_999_999_999.5)),
        ("J6 exp 2^63", "exp", json!(9_223_372_036_854_775_808_u64)),
        ("J6 exp null", "exp", Value::Null),
        ("J6 nbf in the future", "nbf", json!(NOW_S + TOKEN_LEEWAY_S + 1)),
        ("J6 iat in the future", "iat", json!(NOW_S + TOKEN_LEEWAY_S + 1)),
        ("sign-in in the future", "auth_time", json!(NOW_S + TOKEN_LEEWAY_S + 1)),
        ("J6 nbf a string", "nbf", json!("0")),
    ] {
        rows.push((name, i.token("ed", &h, &with(c.clone(), claim, value))));
    }
    rows.push(("J6 exp missing", i.token("ed", &h, &without(c.clone(), "exp"))));
    let odd = c.to_string();
    let exp = format!("\"exp\":{}", NOW_S + 600);
    rows.push(("J6 exp 1e400", i.raw(&h.to_string(), &odd.replace(&exp, "\"exp\":1e400"))));
    rows.push(("J6 exp NaN", i.raw(&h.to_string(), &odd.replace(&exp, "\"exp\":NaN"))));

    // J7: audience, issuer, type.
    for (name, claim, value) in [
        ("J7 aud other", "aud", json!("other")),
        ("J7 aud empty", "aud", json!("")),
        ("J7 aud a list without us", "aud", json!(["a", "b"])),
        ("J7 aud an empty list", "aud", json!([])),
        ("J7 aud a list with a number", "aud", json!(["pulverlog", 1])),
        ("J7 iss wrong", "iss", json!("https://id.other.example")),
        ("J7 iss with a slash", "iss", json!(format!("{ISSUER}/"))),
        ("J7 iss of the local issuer", "iss", json!("urn:pulverlog:local-issuer")),
        ("J7 sub a name", "sub", json!("Jane Doe")),
        ("J7 sub the log", "sub", json!("sys")),
        ("J7 roles a string", "roles", json!("lead")),
        ("J7 sites with an odd name", "sites", json!(["a b"])),
    ] {
        rows.push((name, i.token("ed", &h, &with(c.clone(), claim, value))));
    }
    for claim in ["aud", "iss", "sub"] {
        rows.push(("J7 claim missing", i.token("ed", &h, &without(c.clone(), claim))));
    }
    for typ in [json!("JWT"), json!("id+jwt"), json!(""), json!(7)] {
        rows.push(("J7 typ wrong", i.token("ed", &with(h.clone(), "typ", typ), &c)));
    }
    rows.push(("J7 typ missing", i.token("ed", &without(h.clone(), "typ"), &c)));

    // J8: names twice, claims that are no object.
    let twice = odd.replacen('{', "{\"sub\":\"op_k7\",", 1);
    rows.push(("J8 claim twice", i.raw(&h.to_string(), &twice)));
    rows.push((
        "J8 header name twice",
        i.raw(&h.to_string().replacen('{', "{\"alg\":\"EdDSA\",", 1), &odd),
    ));
    for claims in ["[]", "\"x\"", "null", "", "{"] {
        rows.push(("J8 claims no object", i.raw(&h.to_string(), claims)));
    }

    // J9: encrypted, nested, detached.
    rows.push(("J9 five parts", format!("{head}.{body}.{sig}.{sig}.{sig}")));
    rows.push(("J9 nested", i.raw(&with(h.clone(), "cty", json!("JWT")).to_string(), &good)));
    rows.push(("J9 detached", format!("{head}..{sig}")));

    // J10: signatures.
    let ec = i.token("ec", &header("ec", "ES256"), &c);
    let (ec_message, ec_sig) = ec.rsplit_once('.').unwrap();
    let raw = B64.decode(ec_sig).unwrap();
    rows.push(("J10 r = s = 0", format!("{ec_message}.{}", B64.encode([0; 64]))));
    rows.push(("J10 DER", format!("{ec_message}.{}", B64.encode(der(&raw)))));
    rows.push(("J10 wrong length", format!("{ec_message}.{}", B64.encode(&raw[..63]))));
    let mut shifted = B64.decode(sig).unwrap();
    add_group_order(&mut shifted[32..]);
    rows.push(("J10 Ed25519 with S + L", format!("{head}.{body}.{}", B64.encode(shifted))));
    rows.push(("J10 another's signature", format!("{head}.{body}.{}", i.sign("ed", "x.y"))));

    // J11: base64url.
    for (name, other) in [
        ("J11 padding", URL_SAFE.encode(B64.decode(sig).unwrap())),
        ("J11 white space", format!("{} {}", &sig[..10], &sig[10..])),
        ("J11 line feed inside", format!("{}\n{}", &sig[..10], &sig[10..])),
        ("J11 non-canonical last bits", non_canonical(sig)),
        ("J11 non-ASCII", format!("{sig}ä")),
    ] {
        rows.push((name, format!("{head}.{body}.{other}")));
    }
    let standard = STANDARD.encode([0xfb_u8; 48]);
    rows.push(("J11 + and /", format!("{head}.{body}.{standard}")));

    // J12: too long.
    let long = with(c.clone(), "pad", json!("x".repeat(TOKEN_BYTES_MAX)));
    rows.push(("J12 too long", i.token("ed", &h, &long)));
    rows.push(("J12 1 MiB", i.token("ed", &h, &with(c, "pad", json!("x".repeat(1 << 20))))));
    rows
}

/// A raw ECDSA signature as DER: SEQUENCE of two INTEGERs.
fn der(raw: &[u8]) -> Vec<u8> {
    let integer = |bytes: &[u8]| {
        let pad = usize::from(bytes[0] & 0x80 != 0);
        let length = u8::try_from(bytes.len() + pad).unwrap();
        [&[0x02, length][..], &[0][..pad], bytes].concat()
    };
    let body = [integer(&raw[..32]), integer(&raw[32..])].concat();
    [&[0x30, u8::try_from(body.len()).unwrap()][..], &body].concat()
}

/// Adds the order of the group (RFC 8032 section 5.1) to a little-endian scalar.
fn add_group_order(scalar: &mut [u8]) {
    let order =
        hex::decode("edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010").unwrap();
    let mut carry = 0;
    for (byte, add) in scalar.iter_mut().zip(order) {
        let sum = u16::from(*byte) + u16::from(add) + carry;
        *byte = sum.to_le_bytes()[0];
        carry = sum >> 8;
    }
}

/// The same bytes with unused bits set in the last character.
fn non_canonical(text: &str) -> String {
    const ALPHABET: &[u8] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";
    let (start, last) = text.split_at(text.len() - 1);
    let place = ALPHABET.iter().position(|c| *c == last.as_bytes()[0]).unwrap();
    format!("{start}{}", char::from(ALPHABET[place | 1]))
}

#[actix_web::test]
async fn what_is_no_good_token_is_refused_and_the_reason_not_told() {
    let issuer = Issuer::new();
    let bench = bench(&issuer).await;
    let head = bench.head();
    let rows = refused(&issuer);
    assert!(rows.len() >= 80, "{} rows", rows.len());
    let mut bodies = std::collections::BTreeSet::new();
    for (name, token) in rows {
        // Some cannot even stand in a header; the client then does not send them.
        let Ok(value) =
            reqwest::header::HeaderValue::from_bytes(format!("Bearer {token}").as_bytes())
        else {
            continue;
        };
        let request = bench.request("GET", "/v1/cautions").header("authorization", value);
        let response = request.send().await.unwrap();
        let answer = crate::bench::Answer::of(response).await;
        if token.len() > 100_000 {
            // The head of the request is over its limit before anybody looks at the token.
            assert!(matches!(answer.status, 400 | 401 | 431), "{name}: {}", answer.status);
            continue;
        }
        assert_eq!(answer.status, 401, "{name}: {}", String::from_utf8_lossy(&answer.body));
        assert_eq!(answer.header("www-authenticate"), Some("Bearer"), "{name}");
        let mut body = answer.json();
        body.as_object_mut().unwrap().remove("instance");
        bodies.insert(body.to_string());
    }
    assert_eq!(bodies.len(), 1, "one body for all: {bodies:#?}");
    assert_eq!(bench.head(), head, "whoever is not signed in never makes the log grow");
    bench.stop().await;
}

#[actix_web::test]
async fn good_tokens_of_every_kind_are_accepted() {
    let issuer = Issuer::new();
    let bench = bench(&issuer).await;
    let (h, c) = (header("ed", "EdDSA"), claims());
    let check = async |name: &str, token: String| {
        assert_eq!(status(&bench, &token).await, 200, "{name}");
    };
    check("EdDSA", issuer.good()).await;
    check("ES256", issuer.token("ec", &header("ec", "ES256"), &c)).await;
    check("RS256", issuer.token("rsa", &header("rsa", "RS256"), &c)).await;
    // J7: a list of audiences with us, the long form of the type (RFC 9068 section 4).
    check(
        "aud a list with us",
        issuer.token("ed", &h, &with(c.clone(), "aud", json!(["a", "pulverlog"]))),
    )
    .await;
    check(
        "typ in full",
        issuer.token("ed", &with(h.clone(), "typ", json!("application/AT+jwt")), &c),
    )
    .await;
    // J8: claims of others are nobody's business.
    check(
        "unknown claims",
        issuer.token("ed", &h, &with(c.clone(), "colour", json!({"a": [1.5]}))),
    )
    .await;
    // J6: both sides of the leeway.
    check(
        "exp within the leeway",
        issuer.token("ed", &h, &with(c.clone(), "exp", json!(NOW_S - TOKEN_LEEWAY_S + 1))),
    )
    .await;
    check(
        "nbf within the leeway",
        issuer.token("ed", &h, &with(c.clone(), "nbf", json!(NOW_S + TOKEN_LEEWAY_S))),
    )
    .await;
    // J10: RFC 7518 asks for no low s, and half of all honest signatures have a high one.
    let ec = issuer.token("ec", &header("ec", "ES256"), &c);
    let (message, signature) = ec.rsplit_once('.').unwrap();
    let mirrored = mirror_s(&B64.decode(signature).unwrap());
    check("the other s", format!("{message}.{}", B64.encode(mirrored))).await;
    bench.stop().await;
}

/// The second valid signature with s replaced by n - s (order of P-256: FIPS 186-4, D.1.2.3).
fn mirror_s(raw: &[u8]) -> Vec<u8> {
    let order =
        hex::decode("ffffffff00000000ffffffffffffffffbce6faada7179e84f3b9cac2fc632551").unwrap();
    let mut mirrored = raw.to_vec();
    let mut borrow = 0_i16;
    for at in (0..32).rev() {
        let difference = i16::from(order[at]) - i16::from(raw[32 + at]) - borrow;
        borrow = i16::from(difference < 0);
        mirrored[32 + at] = u8::try_from(difference.rem_euclid(256)).unwrap();
    }
    mirrored
}

/// J4: addresses in a token are never asked. J12: tokens elsewhere are not looked for.
#[actix_web::test]
async fn a_token_leads_nowhere_and_is_found_in_one_place_only() {
    let issuer = Issuer::new();
    let bench = bench(&issuer).await;
    let trap = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    trap.set_nonblocking(true).unwrap();
    let url = format!("http://{}/keys", trap.local_addr().unwrap());
    for member in ["jku", "x5u"] {
        for kid in ["ed", "unknown"] {
            let header = with(header(kid, "EdDSA"), member, json!(url));
            let token = issuer.token("ed", &header, &claims());
            assert_eq!(
                status(&bench, &token).await,
                if kid == "ed" { 200 } else { 401 },
                "{member} {kid}"
            );
        }
    }
    assert!(trap.accept().is_err(), "nobody came to the address in the token");

    let good = issuer.good();
    let ask = async |values: &[String], path: &str| {
        let mut request = bench.request("GET", path);
        for value in values {
            request = request.header("authorization", value);
        }
        request.send().await.unwrap().status().as_u16()
    };
    let bearer = format!("Bearer {good}");
    assert_eq!(ask(std::slice::from_ref(&bearer), "/v1/cautions").await, 200);
    assert_eq!(ask(&[bearer.clone(), bearer], "/v1/cautions").await, 401, "two headers");
    for scheme in ["bearer", "BEARER", "Basic", "Token", ""] {
        assert_eq!(ask(&[format!("{scheme} {good}")], "/v1/cautions").await, 401, "{scheme}");
    }
    assert_eq!(ask(&[format!("Bearer  {good}")], "/v1/cautions").await, 401, "two spaces");
    assert_eq!(ask(&[format!("Bearer {good},{good}")], "/v1/cautions").await, 401, "two tokens");
    assert_eq!(ask(&[], &format!("/v1/cautions?access_token={good}")).await, 401, "in the query");
    let form = bench
        .request("POST", "/v1/texts")
        .header("content-type", "application/x-www-form-urlencoded");
    let form = form.body(format!("access_token={good}")).send().await.unwrap();
    assert_eq!(form.status().as_u16(), 401, "in the body");
    bench.stop().await;
}

/// J13: roles and sites are those of the token shown, J15: the cache ends with the token.
#[actix_web::test]
async fn a_token_is_worth_what_it_says_until_its_end() {
    let issuer = Issuer::new();
    let bench = bench(&issuer).await;
    let (h, c) = (header("ed", "EdDSA"), claims());
    let lead = issuer.good();
    let auditor = issuer.token("ed", &h, &with(c.clone(), "roles", json!(["auditor"])));
    let text = async |token: &str| {
        let headers = [("content-type", "application/json")];
        bench.post("/v1/texts", token, &headers, r#"{"text":"x"}"#).await.status
    };
    assert_eq!((text(&lead).await, text(&auditor).await), (201, 403), "one subject, two tokens");

    // The cache is keyed by the whole token: another signature of the same claims is no hit.
    assert_eq!(status(&bench, &lead).await, 200);
    let (message, _) = lead.rsplit_once('.').unwrap();
    assert_eq!(status(&bench, &format!("{message}.{}", B64.encode([1; 64]))).await, 401);

    let short = issuer.token("ed", &h, &with(c, "exp", json!(NOW_S + 10)));
    assert_eq!(status(&bench, &short).await, 200);
    bench.clock.jump((10 + TOKEN_LEEWAY_S) * 1_000 - 1);
    assert_eq!(status(&bench, &short).await, 200, "in the last millisecond");
    bench.clock.jump(1);
    assert_eq!(status(&bench, &short).await, 401, "known, and over");
    bench.stop().await;
}

/// J16: nothing here demands single use, so a token may be shown again; whoever replays a request of
/// another gets the first receipt and no second event. A token of another site stays one.
#[actix_web::test]
async fn a_token_shown_again_and_a_token_of_another_site_gain_nothing() {
    let issuer = Issuer::new();
    let bench = bench(&issuer).await;
    let h = header("ed", "EdDSA");
    let service = |sites: Value| {
        let claims = with(with(claims(), "sub", json!("svc_mes")), "roles", json!(["service"]));
        issuer.token("ed", &h, &with(with(claims, "jti", json!("once")), "sites", sites))
    };
    let (north, south) = (service(json!(["north"])), service(json!(["south"])));
    let event = crate::bench::reading("replayed", "1");
    let first = bench.record(&north, &event).await;
    assert_eq!(first.status, 201, "{}", first.json());
    let head = bench.head();
    let again = bench.record(&north, &event).await;
    assert_eq!((again.status, again.json()["seq"].clone()), (200, first.json()["seq"].clone()));
    assert_eq!(bench.head(), head, "a replay writes nothing");

    let elsewhere = bench.record(&south, &event).await;
    assert_eq!((elsewhere.status, elsewhere.code().as_str()), (403, "forbidden-site"));
    let entry = format!("/v1/entries/{}", first.json()["seq"]);
    assert_eq!(bench.get(&entry, &north).await.status, 200);
    assert_eq!(bench.get(&entry, &south).await.code(), "not-found");
    bench.stop().await;
}

/// J17: the clock set forward and back. What was over stays over; nothing is good beyond the leeway.
#[actix_web::test]
async fn a_clock_that_is_set_back_revives_no_token() {
    let issuer = Issuer::new();
    let bench = bench(&issuer).await;
    let (h, c) = (header("ed", "EdDSA"), claims());
    let day = issuer.token("ed", &h, &with(c.clone(), "exp", json!(NOW_S + 86_400)));
    let short = issuer.token("ed", &h, &with(c.clone(), "exp", json!(NOW_S + 60)));
    let unseen = issuer.token("ed", &h, &with(c, "exp", json!(NOW_S + 61)));
    assert_eq!(status(&bench, &short).await, 200);
    // Forward by an hour: both are over, the longer one is not.
    bench.clock.jump(3_600_000);
    assert_eq!((status(&bench, &short).await, status(&bench, &day).await), (401, 200));
    // And back, as somebody would who holds an old token: known or never seen, it is over.
    bench.clock.jump(-3_600_000);
    assert_eq!((status(&bench, &short).await, status(&bench, &unseen).await), (401, 401));
    assert_eq!(status(&bench, &day).await, 200);
    // Back behind the start: nothing is good before its time but by the leeway, and nobody is shut out.
    bench.clock.jump(-86_400_000);
    assert_eq!((status(&bench, &short).await, status(&bench, &day).await), (401, 200));
    bench.stop().await;
}

/// J14: rotation, and no storm of fetches.
#[actix_web::test]
async fn keys_are_rotated_and_strangers_cannot_make_us_knock() {
    let issuer = Issuer::new();
    let door = Door::open(issuer.jwks());
    let bench = Bench::start_with(|config| {
        config.auth.issuer = ISSUER.into();
        config.auth.jwks_url = Some(door.url.clone());
    })
    .await;
    assert_eq!(door.knocks(), 1, "the keys are fetched at the start");
    let claims = with(claims(), "exp", json!(NOW_S + 7_200));
    let old = issuer.token("ed", &header("ed", "EdDSA"), &claims);
    assert_eq!(status(&bench, &old).await, 200);

    // Tokens of unknown keys: one more knock at most until the gap is over.
    for n in 0..50 {
        let header = header(&format!("stranger-{n}"), "EdDSA");
        assert_eq!(status(&bench, &issuer.token("ed", &header, &claims)).await, 401);
    }
    assert_eq!(door.knocks(), 1, "within the gap nobody knocks again");

    // The issuer takes a new key and withdraws the old one.
    let next = Issuer { ed: SigningKey::from_bytes(&[4; 32]), ..Issuer::new() };
    let mut jwk = next.jwk("ed");
    jwk["kid"] = json!("ed-2");
    door.set(json!({ "keys": [jwk] }));
    bench.clock.jump(31_000);
    let fresh = next.token("ed", &header("ed-2", "EdDSA"), &claims);
    assert_eq!(status(&bench, &fresh).await, 200, "an unknown key id fetches the keys once");
    assert_eq!(door.knocks(), 2);
    assert_eq!(status(&bench, &old).await, 401, "the cache forgets tokens of withdrawn keys");

    // An issuer that is down stops nobody.
    door.close();
    bench.clock.jump(601_000);
    assert_eq!(status(&bench, &fresh).await, 200, "the last keys are kept");
    bench.stop().await;
}

/// An issuer's key set behind an address, which counts who asks.
struct Door {
    url: String,
    keys: std::sync::Arc<std::sync::Mutex<Option<String>>>,
    knocks: std::sync::Arc<std::sync::atomic::AtomicUsize>,
}

impl Door {
    fn open(keys: Value) -> Self {
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}/jwks.json", listener.local_addr().unwrap());
        let keys = std::sync::Arc::new(std::sync::Mutex::new(Some(keys.to_string())));
        let knocks = std::sync::Arc::new(std::sync::atomic::AtomicUsize::new(0));
        let (shared, counter) = (keys.clone(), knocks.clone());
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                use std::io::Write as _;
                let mut stream = stream.unwrap();
                stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
                let _ = stream.read(&mut [0; 4_096]);
                counter.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
                if let Some(keys) = &*shared.lock().unwrap() {
                    let _ = write!(
                        stream,
                        "HTTP/1.1 200 OK\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{keys}",
                        keys.len()
                    );
                }
            }
        });
        Self { url, keys, knocks }
    }

    fn knocks(&self) -> usize {
        self.knocks.load(std::sync::atomic::Ordering::SeqCst)
    }

    fn set(&self, keys: Value) {
        *self.keys.lock().unwrap() = Some(keys.to_string());
    }

    fn close(&self) {
        *self.keys.lock().unwrap() = None;
    }
}

/// Keys that must not be used, and services that must not start.
#[actix_web::test]
async fn weak_and_symmetric_keys_are_never_used() {
    let issuer = Issuer::new();
    let set = |keys: Vec<Value>| json!({ "keys": keys }).to_string();
    let small_order = "AQAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA";
    for (name, bytes) in [
        ("no JSON", "x".to_owned()),
        ("no keys", "{}".to_owned()),
        ("empty", set(vec![])),
        ("symmetric", set(vec![json!({ "kty": "oct", "kid": "a", "k": "AAAA", "alg": "HS256" })])),
        (
            "small order",
            set(vec![json!({ "kty": "OKP", "crv": "Ed25519", "kid": "a", "x": small_order })]),
        ),
        (
            "RSA of 1024 bits",
            set(vec![json!({
                "kty": "RSA", "kid": "a", "n": B64.encode([0xff; 128]), "e": "AQAB",
            })]),
        ),
        ("for encryption", set(vec![with(issuer.jwk("ed"), "use", json!("enc"))])),
        ("another algorithm", set(vec![with(issuer.jwk("rsa"), "alg", json!("PS256"))])),
        ("another curve", set(vec![with(issuer.jwk("ec"), "crv", json!("P-384"))])),
        ("without kid", set(vec![without(issuer.jwk("ed"), "kid")])),
        ("kid twice", set(vec![issuer.jwk("ed"), issuer.jwk("ed")])),
        (
            "member twice",
            issuer.jwks().to_string().replacen("\"kid\":", "\"kid\":\"x\",\"kid\":", 1),
        ),
    ] {
        assert!(recorder::authn::KeySet::parse(bytes.as_bytes()).is_err(), "{name}");
    }
    let mixed = set(vec![json!({ "kty": "oct", "kid": "a", "k": "AAAA" }), issuer.jwk("ed")]);
    assert!(recorder::authn::KeySet::parse(mixed.as_bytes()).is_ok(), "others are left out");
    let nobody = recorder::config::Config::default();
    let clock = std::sync::Arc::new(ledger::sim::SimClock::new(NOON_MS));
    let started = recorder::authn::Authenticator::new(&nobody, clock).await;
    assert!(started.is_err(), "a service that could verify no token does not start");
}
