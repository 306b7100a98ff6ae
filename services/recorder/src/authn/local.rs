//! The local issuer: tokens for development, demonstrations and tests, made with a key that lies
//! beside the log. It is an issuer like any other, under a name that no identity provider has, and
//! it is trusted only if `auth.local_issuer` says so.

use std::path::{Path, PathBuf};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use ed25519_dalek::{Signer as _, SigningKey};
use ledger::seams::Random;
use serde_json::json;
use sha2::{Digest as _, Sha256};
use shopfloor::people::events::Role;

use super::KeySet;
use crate::config::AuthConfig;
use crate::secret::{self, SecretError};

/// The `iss` of its tokens.
pub const ISSUER: &str = "urn:pulverlog:local-issuer";

/// Signs tokens with the key in a key directory.
pub struct LocalIssuer {
    key: SigningKey,
    kid: String,
}

/// What a token is to say.
#[derive(Debug, Clone)]
pub struct Claims<'a> {
    /// `op_...` or `svc_...`.
    pub subject: &'a str,
    /// Audience: `auth.audience` of the service.
    pub audience: &'a str,
    /// Roles.
    pub roles: &'a [Role],
    /// Sites; `None`: all.
    pub sites: Option<&'a [&'a str]>,
    /// Now, seconds since 1970.
    pub issued_at_s: i64,
    /// How long it is good, in seconds.
    pub lifetime_s: i64,
}

impl LocalIssuer {
    /// The file of the key in a key directory.
    pub fn file(keys_dir: &Path) -> PathBuf {
        keys_dir.join("issuer.key")
    }

    /// Reads the key, or makes one if there is none.
    ///
    /// # Errors
    /// [`SecretError`].
    pub fn open_or_create(keys_dir: &Path, random: &mut dyn Random) -> Result<Self, SecretError> {
        let path = Self::file(keys_dir);
        if secret::is_there(&path)? {
            Self::open(keys_dir)
        } else {
            Ok(Self::new(secret::create(&path, random)?))
        }
    }

    /// Reads the key.
    ///
    /// # Errors
    /// [`SecretError`].
    pub fn open(keys_dir: &Path) -> Result<Self, SecretError> {
        Ok(Self::new(secret::read(&Self::file(keys_dir))?))
    }

    /// An issuer with a key of your own.
    pub fn new(key: SigningKey) -> Self {
        // RFC 7638 with the members of RFC 8037 section 2, in lexicographic order.
        let x = BASE64URL.encode(key.verifying_key().as_bytes());
        let thumbprint = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#);
        let kid = BASE64URL.encode(Sha256::digest(thumbprint.as_bytes()));
        Self { key, kid }
    }

    /// Its key set.
    pub fn jwks(&self) -> serde_json::Value {
        let x = BASE64URL.encode(self.key.verifying_key().as_bytes());
        json!({ "keys": [{
            "alg": "EdDSA", "crv": "Ed25519", "kid": self.kid, "kty": "OKP", "use": "sig", "x": x,
        }] })
    }

    /// Makes a token.
    pub fn mint(&self, claims: &Claims<'_>) -> String {
        self.mint_as(ISSUER, claims, &AuthConfig::default(), None)
    }

    /// Makes a token of the issuer with this name, with the claims called as configured, and with a
    /// number that no other token of the issuer has (`jti`, RFC 7519 section 4.1.7).
    pub(super) fn mint_as(
        &self,
        issuer: &str,
        claims: &Claims<'_>,
        config: &AuthConfig,
        number: Option<u64>,
    ) -> String {
        let roles: Vec<&str> = claims.roles.iter().map(|role| role.as_str()).collect();
        let mut body = json!({
            "iss": issuer,
            "sub": claims.subject,
            "aud": claims.audience,
            "iat": claims.issued_at_s,
            "exp": claims.issued_at_s.saturating_add(claims.lifetime_s),
        });
        if let Some(number) = number {
            body["jti"] = json!(number.to_string());
        }
        body[&config.roles_claim] = json!(roles);
        if let Some(sites) = claims.sites {
            body[&config.sites_claim] = json!(sites);
        }
        let header = json!({ "alg": "EdDSA", "kid": self.kid, "typ": config.token_type });
        self.sign(&header, &body)
    }

    /// Signs any header and claims, also ones that no service should accept.
    pub fn sign(&self, header: &serde_json::Value, claims: &serde_json::Value) -> String {
        let part = |value: &serde_json::Value| BASE64URL.encode(value.to_string());
        let message = format!("{}.{}", part(header), part(claims));
        let signature = self.key.sign(message.as_bytes()).to_bytes();
        format!("{message}.{}", BASE64URL.encode(signature))
    }
}

/// The public keys of the issuer in a key directory.
pub(super) fn public_keys(keys_dir: &Path) -> Result<KeySet, SecretError> {
    let jwks = LocalIssuer::open(keys_dir)?.jwks().to_string();
    KeySet::parse(jwks.as_bytes())
        .map_err(|_| SecretError::Form { name: LocalIssuer::file(keys_dir).display().to_string() })
}
