//! The primitives: SHA-256 and Ed25519 as this crate uses them.

use chain::Digest;
use chain::note::{Ed25519Signer, KeyError, KeyKind, Signer as _, VerifierKey};

use crate::{read_json, text, vectors};

/// NIST CAVP, byte-oriented: short and long messages, and the Monte Carlo chain.
#[test]
fn sha_256() {
    let Some(folder) = vectors("nist-cavp-sha2") else { return };
    let mut count = 0;
    for file in ["SHA256ShortMsg.rsp", "SHA256LongMsg.rsp"] {
        let file = std::fs::read_to_string(folder.join(file)).unwrap();
        let field = |line: &str, name: &str| line.strip_prefix(name).map(str::to_owned);
        let (mut bits, mut message) = (0_usize, Vec::new());
        for line in file.lines() {
            if let Some(length) = field(line, "Len = ") {
                bits = length.parse().unwrap();
            } else if let Some(hex) = field(line, "Msg = ") {
                message = hex::decode(hex).unwrap();
                message.truncate(bits / 8);
            } else if let Some(digest) = field(line, "MD = ") {
                assert_eq!(Digest::of(&message).to_string(), digest);
                count += 1;
            }
        }
    }
    // SHAVS section 6.4: each of 1,000 messages is the last three digests.
    let file = std::fs::read_to_string(folder.join("SHA256Monte.rsp")).unwrap();
    let values = |name| file.lines().filter_map(move |line| line.strip_prefix(name));
    let mut seed: Digest = values("Seed = ").next().unwrap().parse().unwrap();
    let mut rounds = 0;
    for expected in values("MD = ") {
        let mut last = [seed; 3];
        for _ in 0..1_000 {
            let message: Vec<u8> = last.iter().flat_map(|d| *d.as_bytes()).collect();
            last = [last[1], last[2], Digest::of(&message)];
        }
        seed = last[2];
        assert_eq!(seed.to_string(), expected);
        rounds += 1;
    }
    eprintln!("SHA-256: {count} messages, {rounds} rounds of Monte Carlo");
    assert_eq!((count, rounds), (129, 100));
}

/// The 1,024 signatures of ed25519.cr.yp.to, four of which stand in RFC 8032 section 7.1.
#[test]
fn ed25519() {
    let Some(folder) = vectors("rfc8032-ed25519") else { return };
    let file = std::fs::read_to_string(folder.join("sign.input")).unwrap();
    let mut count = 0;
    for line in file.lines() {
        let fields: Vec<Vec<u8>> =
            line.split(':').take(4).map(|field| hex::decode(field).unwrap()).collect();
        let [secret, public, message, signed] = &fields[..] else { panic!("{line}") };
        let signer = Ed25519Signer::new("example", secret[..32].try_into().unwrap()).unwrap();
        assert_eq!(signer.verifier().public().as_slice(), public);
        let signature = signer.sign(message);
        assert_eq!(signature, signed[..64]);
        assert!(signer.verifier().verify(message, &signature));
        let mut other = message.clone();
        other.push(0);
        assert!(!signer.verifier().verify(&other, &signature));
        count += 1;
    }
    eprintln!("Ed25519: {count} signatures made and verified");
    assert_eq!(count, 1024);
}

/// C2SP/CCTV: 914 signatures on which verifiers differ. Strict verification takes 43 of them; all
/// of those are by keys that enrolment takes, and no key that enrolment takes adds another, so
/// what a lenient verifier may accept beyond that is by keys that never become trusted.
#[test]
fn odd_signatures() {
    let Some(folder) = vectors("ed25519-cctv") else { return };
    let cases = read_json(&folder.join("ed25519vectors.json"));
    let (mut strict, mut ours, mut keys_refused) = (0, 0, 0);
    for case in cases.as_array().unwrap() {
        let public: [u8; 32] = hex::decode(text(case, "key")).unwrap().try_into().unwrap();
        let signature: [u8; 64] = hex::decode(text(case, "sig")).unwrap().try_into().unwrap();
        let message = text(case, "msg").as_bytes();
        let accepted = ed25519_dalek::VerifyingKey::from_bytes(&public).is_ok_and(|key| {
            key.verify_strict(message, &ed25519_dalek::Signature::from_bytes(&signature)).is_ok()
        });
        strict += usize::from(accepted);
        match VerifierKey::new("example", KeyKind::Ed25519, &public) {
            Ok(key) => ours += usize::from(key.verify(message, &signature)),
            Err(KeyError::Weak | KeyError::Point) => keys_refused += 1,
            Err(other) => panic!("{other}"),
        }
    }
    eprintln!(
        "odd signatures: {strict} of 914 verify strictly, {ours} by keys that enrolment takes; {keys_refused} keys refused"
    );
    assert_eq!((cases.as_array().unwrap().len(), strict, ours), (914, 43, 43));
}
