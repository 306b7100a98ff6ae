//! One token, checked strictly (RFC 7515, RFC 7519, RFC 8725, RFC 9068).
//!
//! The crate `jsonwebtoken` verifies signatures. Everything around them is checked here, because
//! its defaults are lenient where a log must not be: it fixes no media type, tolerates a minute of
//! clock skew, ignores `nbf` and keeps the last of two claims with one name.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD as BASE64URL;
use chain::entry::{Actor, Via};
use serde_json::{Map, Value};
use shopfloor::ids::{Label, PersonId};
use shopfloor::people::events::Role;

use super::json;
use super::keys::{KeySet, algorithm_name};
use crate::config::AuthConfig;
use crate::limits::{TOKEN_BYTES_MAX, TOKEN_LEEWAY_S};

/// Why a token was not accepted. Told to the program log and the metrics, never to the client.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Rejection {
    /// No `Authorization` header, several, or not `Bearer` and a token.
    NoToken,
    /// Not three parts of base64url, or too long.
    Shape,
    /// A header that is no JSON object, or lacks or misstates a member.
    Header,
    /// Not the media type of an access token.
    Type,
    /// Extensions that must be understood, or compression.
    Critical,
    /// No such key.
    UnknownKey,
    /// Not the key's algorithm.
    Algorithm,
    /// The signature does not verify.
    Signature,
    /// Claims that are no JSON object, or of a wrong form.
    Claims,
    /// Another issuer.
    Issuer,
    /// For another service.
    Audience,
    /// Past its time.
    Expired,
    /// Before its time, or issued in the future.
    NotYet,
    /// Its session was ended: signed out, or the badge or PIN changed.
    Ended,
}

impl Rejection {
    /// The word in the metrics.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::NoToken => "no_token",
            Self::Shape => "shape",
            Self::Header => "header",
            Self::Type => "type",
            Self::Critical => "critical",
            Self::UnknownKey => "unknown_key",
            Self::Algorithm => "algorithm",
            Self::Signature => "signature",
            Self::Claims => "claims",
            Self::Issuer => "issuer",
            Self::Audience => "audience",
            Self::Expired => "expired",
            Self::NotYet => "not_yet",
            Self::Ended => "ended",
        }
    }
}

/// Who a token says is asking, after everything was checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    /// `op_...` or `svc_...`.
    pub subject: String,
    /// How the subject was authenticated.
    pub via: Via,
    /// Roles, those we know.
    pub roles: Vec<Role>,
    /// Sites; `None`: all.
    pub sites: Option<Vec<Label>>,
    /// Seconds since 1970 after which the token is worth nothing.
    pub expires_s: i64,
    /// When the subject last signed in, in seconds since 1970, as far as the token tells:
    /// `auth_time` (RFC 9068 section 2.2.1), else `iat`.
    pub signed_in_s: Option<i64>,
    /// Class of the authentication (`acr`), as far as the token tells.
    pub acr: Option<String>,
}

impl Identity {
    /// The actor for an entry. `operator` is the person a service posts for.
    pub fn actor(&self, operator: Option<&PersonId>) -> Actor {
        Actor {
            id: self.subject.clone(),
            via: self.via,
            on_behalf_of: operator.map(|person| person.as_str().to_owned()),
        }
    }

    /// Whether the subject is a system.
    pub fn is_service(&self) -> bool {
        self.subject.starts_with("svc_")
    }

    /// Whether the token is for this site.
    pub fn may_see(&self, site: Option<&Label>) -> bool {
        match (&self.sites, site) {
            (None, _) => true,
            (Some(_), None) => false,
            (Some(sites), Some(site)) => sites.contains(site),
        }
    }
}

/// What must be checked before a key is looked for.
pub(crate) struct Parts<'t> {
    kid: String,
    alg: String,
    message: &'t str,
    signature: &'t str,
    claims: Vec<u8>,
}

impl<'t> Parts<'t> {
    /// Takes the token apart and checks its header.
    pub(crate) fn read(token: &'t str, token_type: &str) -> Result<Self, Rejection> {
        if token.len() > TOKEN_BYTES_MAX {
            return Err(Rejection::Shape);
        }
        let (message, signature) = token.rsplit_once('.').ok_or(Rejection::Shape)?;
        let (header, claims) = message.split_once('.').ok_or(Rejection::Shape)?;
        // Base64url without padding, and of two spellings only the canonical one.
        let decode = |part: &str| BASE64URL.decode(part).map_err(|_| Rejection::Shape);
        if decode(signature)?.is_empty() {
            return Err(Rejection::Shape);
        }
        let (header, claims) = (decode(header)?, decode(claims)?);
        let header = json::object(&header).ok_or(Rejection::Header)?;
        // `crit` names extensions we would have to understand; we understand none. `b64` and
        // `zip` change what is signed.
        if ["crit", "b64", "zip"].iter().any(|name| header.contains_key(*name)) {
            return Err(Rejection::Critical);
        }
        let text = |name: &str| header.get(name).and_then(Value::as_str);
        let typ = text("typ").ok_or(Rejection::Type)?;
        let short = typ.strip_prefix("application/").unwrap_or(typ);
        if !short.eq_ignore_ascii_case(token_type) {
            return Err(Rejection::Type);
        }
        Ok(Self {
            kid: text("kid").ok_or(Rejection::Header)?.to_owned(),
            alg: text("alg").ok_or(Rejection::Header)?.to_owned(),
            message,
            signature,
            claims,
        })
    }

    /// Whether the set knows the key.
    pub(crate) fn is_known_to(&self, keys: &KeySet) -> bool {
        keys.get(&self.kid).is_some()
    }

    /// Checks signature and claims.
    pub(crate) fn verify(
        &self,
        keys: &KeySet,
        config: &AuthConfig,
        issuer: &str,
        now_ms: i64,
    ) -> Result<Identity, Rejection> {
        let key = keys.get(&self.kid).ok_or(Rejection::UnknownKey)?;
        if self.alg != algorithm_name(key.algorithm) {
            return Err(Rejection::Algorithm);
        }
        let genuine = jsonwebtoken::crypto::verify(
            self.signature,
            self.message.as_bytes(),
            &key.key,
            key.algorithm,
        );
        if !matches!(genuine, Ok(true)) {
            return Err(Rejection::Signature);
        }
        let claims = json::object(&self.claims).ok_or(Rejection::Claims)?;
        check_claims(&claims, config, issuer, now_ms.div_euclid(1_000))
    }
}

fn check_claims(
    claims: &Map<String, Value>,
    config: &AuthConfig,
    issuer: &str,
    now_s: i64,
) -> Result<Identity, Rejection> {
    if claims.get("iss").and_then(Value::as_str) != Some(issuer) {
        return Err(Rejection::Issuer);
    }
    let for_us = match claims.get("aud") {
        Some(Value::String(audience)) => *audience == config.audience,
        Some(Value::Array(all)) => {
            all.iter().all(Value::is_string) && all.iter().any(|a| *a == config.audience.as_str())
        }
        _ => false,
    };
    if !for_us {
        return Err(Rejection::Audience);
    }
    let expires_s = time(claims, "exp")?.ok_or(Rejection::Claims)?;
    if now_s >= expires_s.saturating_add(TOKEN_LEEWAY_S) {
        return Err(Rejection::Expired);
    }
    for name in ["nbf", "iat", "auth_time"] {
        if time(claims, name)?.is_some_and(|at| at.saturating_sub(TOKEN_LEEWAY_S) > now_s) {
            return Err(Rejection::NotYet);
        }
    }
    let subject = claims.get("sub").and_then(Value::as_str).ok_or(Rejection::Claims)?;
    let via = match (PersonId::new(subject), issuer) {
        (Ok(_), super::badges::ISSUER) => Via::Badge,
        (Ok(_), _) => Via::Oidc,
        (Err(_), _) => Via::Service,
    };
    let identity = Identity {
        subject: subject.to_owned(),
        via,
        roles: roles(claims.get(&config.roles_claim))?,
        sites: sites(claims.get(&config.sites_claim))?,
        expires_s,
        signed_in_s: time(claims, "auth_time")?.or(time(claims, "iat")?),
        acr: match claims.get("acr") {
            None => None,
            Some(acr) => Some(acr.as_str().ok_or(Rejection::Claims)?.to_owned()),
        },
    };
    let is_system = subject.starts_with("svc_");
    if (via == Via::Service && !is_system) || identity.actor(None).validate().is_err() {
        return Err(Rejection::Claims);
    }
    Ok(identity)
}

/// A NumericDate. Fractions are allowed by RFC 7519 but nobody needs them, and two readers may
/// round them differently.
fn time(claims: &Map<String, Value>, name: &str) -> Result<Option<i64>, Rejection> {
    match claims.get(name) {
        None => Ok(None),
        Some(value) => match value.as_i64() {
            Some(seconds) if (0..=chain::limits::INTEGER_ABS_MAX).contains(&seconds) => {
                Ok(Some(seconds))
            }
            Some(_) | None => Err(Rejection::Claims),
        },
    }
}

/// The roles we know; others belong to other services of the same issuer.
fn roles(claim: Option<&Value>) -> Result<Vec<Role>, Rejection> {
    let words = strings(claim)?.unwrap_or_default();
    Ok(Role::ALL.iter().copied().filter(|role| words.contains(&role.as_str())).collect())
}

fn sites(claim: Option<&Value>) -> Result<Option<Vec<Label>>, Rejection> {
    let Some(words) = strings(claim)? else { return Ok(None) };
    let labels: Result<Vec<Label>, _> = words.into_iter().map(Label::new).collect();
    labels.map(Some).map_err(|_| Rejection::Claims)
}

fn strings(claim: Option<&Value>) -> Result<Option<Vec<&str>>, Rejection> {
    match claim {
        None => Ok(None),
        Some(Value::Array(items)) => items
            .iter()
            .map(|item| item.as_str().ok_or(Rejection::Claims))
            .collect::<Result<_, _>>()
            .map(Some),
        Some(_) => Err(Rejection::Claims),
    }
}
