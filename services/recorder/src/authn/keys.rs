//! The issuer's keys (RFC 7517), each bound to exactly one algorithm.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use jsonwebtoken::{Algorithm, DecodingKey};
use serde_json::{Map, Value};

use super::json;
use crate::limits::JWKS_KEYS_MAX;

/// A key set that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum KeySetError {
    /// Not a JSON object with an array `keys`.
    #[error("a key set is a JSON object with an array `keys`")]
    Shape,
    /// Too many keys.
    #[error("the key set has more than {JWKS_KEYS_MAX} keys")]
    TooMany,
    /// Two keys of one name: which one is meant cannot be told.
    #[error("key id `{0}` occurs twice in the key set")]
    DuplicateKid(String),
    /// Nothing in it can verify a token.
    #[error("the key set has no usable key: {0}")]
    NoKey(String),
}

/// A key and the one algorithm it is used with (RFC 8725 section 3.1).
#[derive(Clone)]
pub(crate) struct IssuerKey {
    pub(crate) algorithm: Algorithm,
    pub(crate) key: DecodingKey,
}

/// The keys by their ids.
#[derive(Clone, Default)]
pub struct KeySet(BTreeMap<String, IssuerKey>);

impl std::fmt::Debug for KeySet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_set().entries(self.0.keys()).finish()
    }
}

impl KeySet {
    /// Reads a key set. Keys of other kinds and uses are left out with a warning: an issuer may
    /// publish more than we need. Symmetric keys never count.
    ///
    /// # Errors
    /// [`KeySetError`].
    pub fn parse(bytes: &[u8]) -> Result<Self, KeySetError> {
        let mut set = json::object(bytes).ok_or(KeySetError::Shape)?;
        let Some(Value::Array(keys)) = set.remove("keys") else { return Err(KeySetError::Shape) };
        if keys.len() > JWKS_KEYS_MAX {
            return Err(KeySetError::TooMany);
        }
        let mut usable = BTreeMap::new();
        let mut left_out = Vec::new();
        for key in keys {
            let Value::Object(jwk) = key else { return Err(KeySetError::Shape) };
            let kid = jwk.get("kid").and_then(Value::as_str).unwrap_or_default().to_owned();
            match read_key(&jwk) {
                Ok(key) => {
                    if usable.insert(kid.clone(), key).is_some() {
                        return Err(KeySetError::DuplicateKid(kid));
                    }
                }
                Err(why) => left_out.push(format!("`{}` {why}", crate::problem::echo(&kid))),
            }
        }
        if usable.is_empty() {
            let why = if left_out.is_empty() { "it is empty".into() } else { left_out.join(", ") };
            return Err(KeySetError::NoKey(why));
        }
        for why in left_out {
            tracing::warn!("a key of the issuer is not used: {why}");
        }
        Ok(Self(usable))
    }

    pub(crate) fn get(&self, kid: &str) -> Option<&IssuerKey> {
        self.0.get(kid)
    }
}

/// A key we can use: `kid`, not for encryption, Ed25519, P-256 or RSA of at least 2048 bits.
fn read_key(jwk: &Map<String, Value>) -> Result<IssuerKey, &'static str> {
    let text = |name: &str| jwk.get(name).and_then(Value::as_str);
    if text("kid").is_none_or(|kid| kid.is_empty() || kid.len() > 256) {
        return Err("has no `kid` of 1 to 256 bytes");
    }
    if text("use").is_some_and(|usage| usage != "sig") {
        return Err("is not for signatures");
    }
    let component = |name: &str| text(name).ok_or("lacks a component");
    let bytes = |name: &str| {
        BASE64URL.decode(component(name)?).map_err(|_| "has a component that is not base64url")
    };
    let (algorithm, key) = match (text("kty"), text("crv")) {
        (Some("OKP"), Some("Ed25519")) => {
            let point: [u8; 32] = bytes("x")?.try_into().map_err(|_| "is no Ed25519 point")?;
            // Refuses weak keys and second spellings, as for every other key of this project.
            chain::note::VerifierKey::new("issuer", chain::note::KeyKind::Ed25519, &point)
                .map_err(|_| "is a weak or odd Ed25519 point")?;
            (Algorithm::EdDSA, DecodingKey::from_ed_components(component("x")?))
        }
        (Some("EC"), Some("P-256")) => {
            if bytes("x")?.len() != 32 || bytes("y")?.len() != 32 {
                return Err("is no P-256 point");
            }
            (Algorithm::ES256, DecodingKey::from_ec_components(component("x")?, component("y")?))
        }
        (Some("RSA"), _) => {
            let modulus = bytes("n")?;
            let significant = modulus.iter().skip_while(|b| **b == 0).count();
            if significant < 256 {
                return Err("is an RSA key of fewer than 2048 bits");
            }
            (Algorithm::RS256, DecodingKey::from_rsa_components(component("n")?, component("e")?))
        }
        _ => return Err("is of a kind that is not accepted"),
    };
    let name = algorithm_name(algorithm);
    if text("alg").is_some_and(|alg| alg != name) {
        return Err("is for an algorithm that is not accepted");
    }
    Ok(IssuerKey { algorithm, key: key.map_err(|_| "cannot be read")? })
}

/// The name of an accepted algorithm in a token's header.
pub(crate) fn algorithm_name(algorithm: Algorithm) -> &'static str {
    match algorithm {
        Algorithm::EdDSA => "EdDSA",
        Algorithm::ES256 => "ES256",
        Algorithm::RS256 => "RS256",
        _ => "",
    }
}
