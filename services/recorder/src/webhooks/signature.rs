//! HTTP Message Signatures (RFC 9421) with Ed25519 and content digests (RFC 9530), as far as a sender
//! needs them: a fixed list of components, one signature.
//!
//! The crates for it bring several curves, RSA or parsers for what is never received here; signing
//! is the signature base of section 2.5 and one call of the key.

use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD as BASE64, URL_SAFE_NO_PAD as BASE64_URL};
use chain::Digest;
use ed25519_dalek::{Signer as _, SigningKey};
use reqwest::Url;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Label of our signature in `Signature-Input` and `Signature`.
pub const LABEL: &str = "pulverlog";
/// What the signature is for (RFC 9421 section 2.3, parameter `tag`).
pub const TAG: &str = "pulverlog-webhook";

/// A public key of the service (RFC 7517, RFC 8037 section 2).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Jwk")]
pub struct Jwk {
    /// `OKP`.
    pub kty: String,
    /// `Ed25519`.
    pub crv: String,
    /// The public key, base64url.
    pub x: String,
    /// Its thumbprint (RFC 7638): what `keyid` of a signature names.
    pub kid: String,
    /// `sig`.
    #[serde(rename = "use")]
    pub use_: String,
    /// `EdDSA`.
    pub alg: String,
}

/// Signs what is sent.
pub(super) struct Signer {
    key: SigningKey,
    keyid: String,
}

/// What is signed besides the body's digest.
pub(super) struct Message<'m> {
    /// Where it goes, by POST.
    pub(super) url: &'m Url,
    pub(super) content_type: &'m str,
    pub(super) content_digest: &'m str,
}

/// Values of the two header fields.
pub(super) struct Fields {
    pub(super) signature_input: String,
    pub(super) signature: String,
}

/// `Content-Digest` of a body (RFC 9530 section 2).
pub(super) fn content_digest(body: &[u8]) -> String {
    format!("sha-256=:{}:", Digest::of(body).to_base64())
}

/// The signature base (RFC 9421 section 2.5).
fn base(components: &[(&str, String)], parameters: &str) -> String {
    let lines = components.iter().map(|(name, value)| format!("\"{name}\": {value}\n"));
    let parameters = format!("\"@signature-params\": {}{parameters}", list(components));
    lines.chain([parameters]).collect()
}

fn list(components: &[(&str, String)]) -> String {
    let names: Vec<String> = components.iter().map(|(name, _)| format!("\"{name}\"")).collect();
    format!("({})", names.join(" "))
}

/// The host with its port unless it is the scheme's own (RFC 9421 section 2.2.3).
fn authority(url: &Url) -> String {
    let host = url.host_str().unwrap_or_default();
    url.port().map_or_else(|| host.to_owned(), |port| format!("{host}:{port}"))
}

impl Signer {
    pub(super) fn new(key: SigningKey) -> Self {
        let x = BASE64_URL.encode(key.verifying_key().as_bytes());
        // RFC 7638 section 3 with the members of RFC 8037 appendix A.3.
        let members = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#);
        let keyid = BASE64_URL.encode(Digest::of(members.as_bytes()).as_bytes());
        Self { key, keyid }
    }

    /// The public key.
    pub(super) fn jwk(&self) -> Jwk {
        Jwk {
            kty: "OKP".to_owned(),
            crv: "Ed25519".to_owned(),
            x: BASE64_URL.encode(self.key.verifying_key().as_bytes()),
            kid: self.keyid.clone(),
            use_: "sig".to_owned(),
            alg: "EdDSA".to_owned(),
        }
    }

    /// Signs a message. `nonce` is 16 bytes that were never used before.
    pub(super) fn sign(&self, message: &Message<'_>, created_s: i64, nonce: &[u8; 16]) -> Fields {
        let components = [
            ("@method", "POST".to_owned()),
            ("@authority", authority(message.url)),
            ("@path", message.url.path().to_owned()),
            // Always there, `?` when there is no query (RFC 9421 section 2.2.7).
            ("@query", format!("?{}", message.url.query().unwrap_or_default())),
            ("content-type", message.content_type.to_owned()),
            ("content-digest", message.content_digest.to_owned()),
        ];
        let parameters = format!(
            ";created={created_s};keyid=\"{}\";alg=\"ed25519\";nonce=\"{}\";tag=\"{TAG}\"",
            self.keyid,
            BASE64_URL.encode(nonce),
        );
        let signature = self.key.sign(base(&components, &parameters).as_bytes());
        Fields {
            signature_input: format!("{LABEL}={}{parameters}", list(&components)),
            signature: format!("{LABEL}=:{}:", BASE64.encode(signature.to_bytes())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(base64url: &str) -> SigningKey {
        SigningKey::from_bytes(&BASE64_URL.decode(base64url).unwrap().try_into().unwrap())
    }

    /// RFC 9421 appendix B.1.4 (key) and B.2.6 (message, base, signature).
    #[test]
    fn the_signature_of_the_standards_example_is_reached() {
        let key = key("n4Ni-HpISpVObnQMW0wOhCKROaIKqKtW_2ZYb2p9KcU");
        assert_eq!(Signer::new(key.clone()).jwk().x, "JrQLj5P_89iXES9-vFgrIy29clF9CC_oPPsw3c5D0bs");
        let components = [
            ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
            ("@method", "POST"),
            ("@path", "/foo"),
            ("@authority", "example.com"),
            ("content-type", "application/json"),
            ("content-length", "18"),
        ]
        .map(|(name, value)| (name, value.to_owned()));
        let base = base(&components, ";created=1618884473;keyid=\"test-key-ed25519\"");
        let expected = "\"date\": Tue, 20 Apr 2021 02:07:55 GMT\n\"@method\": POST\n\"@path\": /foo\n\
            \"@authority\": example.com\n\"content-type\": application/json\n\"content-length\": 18\n\
            \"@signature-params\": (\"date\" \"@method\" \"@path\" \"@authority\" \"content-type\" \
            \"content-length\");created=1618884473;keyid=\"test-key-ed25519\"";
        assert_eq!(base, expected);
        assert_eq!(
            BASE64.encode(key.sign(base.as_bytes()).to_bytes()),
            "wqcAqbmYJ2ji2glfAMaRy4gruYYnx2nEFN2HN6jrnDnQCK1u02Gb04v9EDgwUPiu4A0w6vuQv5lIp5WPpBKRCw=="
        );
    }

    /// RFC 9421 appendix B.2 (the example request); the field is of RFC 9530 section 2.
    #[test]
    fn the_digest_of_the_standards_example_is_reached() {
        assert_eq!(
            content_digest(b"{\"hello\": \"world\"}"),
            "sha-256=:X48E9qOokqqrvdts8nOJRJN3OWDUoyWxBf7kbu9DBPE=:"
        );
    }

    /// RFC 8037 appendix A.2 (key) and A.3 (thumbprint).
    #[test]
    fn a_key_is_named_by_its_thumbprint() {
        let signer = Signer::new(key("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"));
        assert_eq!(signer.jwk().x, "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo");
        assert_eq!(signer.keyid, "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k");
    }

    #[test]
    fn everything_that_matters_of_a_request_is_signed() {
        let signer = Signer::new(SigningKey::from_bytes(&[7; 32]));
        let sign = |url: &str, type_: &str, body: &[u8], at: i64, nonce: u8| {
            let (url, digest) = (url.parse().unwrap(), content_digest(body));
            let message = Message { url: &url, content_type: type_, content_digest: &digest };
            signer.sign(&message, at, &[nonce; 16]).signature
        };
        let url = "https://mes.example.org/hooks";
        let signed = sign(url, "application/json", b"{}", 1, 1);
        assert_eq!(
            sign("https://mes.example.org:443/hooks", "application/json", b"{}", 1, 1),
            signed
        );
        for (what, other) in [
            ("host", sign("https://other.example.org/hooks", "application/json", b"{}", 1, 1)),
            ("port", sign("https://mes.example.org:444/hooks", "application/json", b"{}", 1, 1)),
            ("path", sign("https://mes.example.org/other", "application/json", b"{}", 1, 1)),
            ("query", sign("https://mes.example.org/hooks?a", "application/json", b"{}", 1, 1)),
            ("type", sign(url, "text/plain", b"{}", 1, 1)),
            ("body", sign(url, "application/json", b"[]", 1, 1)),
            ("time", sign(url, "application/json", b"{}", 2, 1)),
            ("nonce", sign(url, "application/json", b"{}", 1, 2)),
        ] {
            assert_ne!(other, signed, "{what}");
        }
    }
}
