//! Who is asking: bearer tokens (RFC 6750), verified against the issuer's keys.
//!
//! A token is accepted if its key belongs to an issuer we trust, its algorithm is the key's one
//! algorithm, and every claim fits. Why a token was refused is counted and logged, never told.
//!
//! Deliberately absent: no address in a token is ever followed (`jku`, `x5u`), no key in it is ever
//! used (`jwk`, `x5c`), no symmetric algorithm exists here.

pub(crate) mod badges;
mod cache;
pub mod credentials;
mod json;
mod keys;
pub mod local;
pub mod pins;
mod sessions;
mod token;

use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, PoisonError, RwLock};

use actix_web::http::header::{AUTHORIZATION, HeaderMap};
use ledger::seams::Clock;

use crate::config::{AuthConfig, Config};
use crate::limits::{JWKS_AGE_MAX, JWKS_BYTES_MAX, JWKS_FETCH_GAP, JWKS_TIME_MAX};
use cache::{TokenCache, fingerprint};
use credentials::Credentials;
use sessions::Sessions;
use token::Parts;

pub use keys::{KeySet, KeySetError};
pub use token::{Identity, Rejection};

/// Keys that could not be had.
#[derive(Debug, thiserror::Error)]
pub enum AuthnError {
    /// The file cannot be read.
    #[error("the key set `{name}` cannot be read")]
    File {
        /// The file.
        name: String,
        /// The cause.
        #[source]
        source: std::io::Error,
    },
    /// The address cannot be asked.
    #[error("the key set at `{url}` cannot be fetched: {what}")]
    Fetch {
        /// The address, from the configuration.
        url: String,
        /// What went wrong.
        what: String,
    },
    /// What came is no key set.
    #[error("the key set `{name}` cannot be used")]
    KeySet {
        /// File or address.
        name: String,
        /// The cause.
        #[source]
        source: KeySetError,
    },
    /// The local issuer's key.
    #[error("the local issuer's key cannot be used")]
    Local(#[source] crate::secret::SecretError),
    /// Nobody could ever sign in.
    #[error(
        "no issuer is configured: set `auth.jwks_file` or `auth.jwks_url`, or `auth.local_issuer` for development"
    )]
    NoIssuer,
}

/// Where an issuer's keys come from.
#[derive(Debug, Clone)]
enum Source {
    File(PathBuf),
    Url {
        client: reqwest::Client,
        url: String,
    },
    /// Known at start and never fetched again.
    Fixed,
}

/// An issuer we trust.
struct Issuer {
    name: String,
    source: Source,
    keys: RwLock<Arc<KeySet>>,
    /// When the keys were last asked for, ms since 1970. Held while asking: one at a time.
    asked_at_ms: tokio::sync::Mutex<i64>,
}

/// Verifies tokens.
pub struct Authenticator {
    config: AuthConfig,
    issuers: Vec<Issuer>,
    cache: TokenCache,
    /// Makes the tokens of badges, where they are accepted.
    badges: Option<badges::BadgeIssuer>,
    credentials: Arc<Credentials>,
    sessions: Sessions,
    clock: Arc<dyn Clock>,
    /// The latest time that was seen, ms since 1970.
    latest_ms: AtomicI64,
}

impl std::fmt::Debug for Authenticator {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_list().entries(self.issuers.iter().map(|issuer| &issuer.name)).finish()
    }
}

impl Authenticator {
    /// Builds an authenticator and gets the keys of every configured issuer once.
    ///
    /// # Errors
    /// [`AuthnError`]: a service that could verify no token does not start.
    pub async fn new(config: &Config, clock: Arc<dyn Clock>) -> Result<Self, AuthnError> {
        let now_ms = clock.now_ms();
        let auth = &config.auth;
        let mut issuers = Vec::new();
        if let Some(source) = configured_source(auth)? {
            let keys = source.fetch().await?;
            issuers.push(Issuer::new(auth.issuer.clone(), source, keys, now_ms));
        }
        if auth.local_issuer {
            let keys = local::public_keys(&config.keys_dir()).map_err(AuthnError::Local)?;
            issuers.push(Issuer::new(local::ISSUER.to_owned(), Source::Fixed, keys, now_ms));
        }
        if issuers.is_empty() {
            return Err(AuthnError::NoIssuer);
        }
        Ok(Self {
            config: auth.clone(),
            issuers,
            cache: TokenCache::default(),
            badges: None,
            credentials: Arc::new(Credentials::of(config)),
            sessions: Sessions::default(),
            clock,
            latest_ms: AtomicI64::new(now_ms),
        })
    }

    /// The time by which tokens are judged. It never runs backwards while the process lives: a token
    /// that was over stays over when somebody sets the clock back.
    pub(crate) fn now_ms(&self) -> i64 {
        let now_ms = self.clock.now_ms();
        self.latest_ms.fetch_max(now_ms, Ordering::Relaxed).max(now_ms)
    }

    /// Who sent a request with these headers.
    ///
    /// # Errors
    /// [`Rejection`]; for the metrics, not for the client.
    pub async fn authenticate(&self, headers: &HeaderMap) -> Result<Arc<Identity>, Rejection> {
        let token = bearer(headers)?;
        let now_ms = self.now_ms();
        for issuer in &self.issuers {
            if issuer.is_due(now_ms, JWKS_AGE_MAX.as_millis()).await {
                self.refresh(issuer, now_ms).await;
            }
        }
        let print = fingerprint(token);
        let identity = match self.cache.get(&print, now_ms) {
            Some(identity) => identity,
            None => {
                let identity = Arc::new(self.verify(token, now_ms).await?);
                self.cache.put(print, Arc::clone(&identity), now_ms);
                identity
            }
        };
        // One `stat` for a badge; a file that changed is read anew.
        let mark_of = |person: &str| self.credentials.mark_of(person);
        if self.sessions.stands(&print, &identity, mark_of) {
            Ok(identity)
        } else {
            Err(Rejection::Ended)
        }
    }

    async fn verify(&self, token: &str, now_ms: i64) -> Result<Identity, Rejection> {
        let parts = Parts::read(token, &self.config.token_type)?;
        let (issuer, keys) = self.key_of(&parts, now_ms).await.ok_or(Rejection::UnknownKey)?;
        parts.verify(&keys, &self.config, &issuer.name, self.now_ms())
    }

    /// The badges and PINs of this recorder.
    pub fn credentials(&self) -> &Credentials {
        &self.credentials
    }

    /// Ends the session behind a token: the token is worth nothing from now on.
    pub(crate) fn end_session(&self, token: &str, identity: &Identity) {
        let now_s = self.now_ms().div_euclid(1_000);
        self.sessions.end(fingerprint(token), identity, now_s);
    }

    /// The issuer that owns the token's key. An unknown key id makes us look for new keys once,
    /// and at most once in [`JWKS_FETCH_GAP`] whatever strangers send.
    async fn key_of(&self, parts: &Parts<'_>, now_ms: i64) -> Option<(&Issuer, Arc<KeySet>)> {
        let owner = || {
            self.issuers
                .iter()
                .map(|issuer| (issuer, issuer.keys()))
                .find(|(_, keys)| parts.is_known_to(keys))
        };
        if let Some(found) = owner() {
            return Some(found);
        }
        for issuer in &self.issuers {
            if issuer.is_due(now_ms, JWKS_FETCH_GAP.as_millis()).await {
                self.refresh(issuer, now_ms).await;
            }
        }
        owner()
    }

    /// Asks an issuer for its keys. If that fails the old ones stay: an issuer that is down must
    /// not stop the shop.
    async fn refresh(&self, issuer: &Issuer, now_ms: i64) {
        // Whoever finds somebody else asking goes on with the keys there are.
        let Ok(mut asked_at_ms) = issuer.asked_at_ms.try_lock() else { return };
        *asked_at_ms = now_ms;
        match issuer.source.fetch().await {
            Ok(keys) => {
                *issuer.keys.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(keys);
                // A token of a withdrawn key must not live on in the cache.
                self.cache.clear();
            }
            Err(error) => {
                tracing::warn!(issuer = issuer.name, "old keys are kept: {}", causes(&error));
            }
        }
    }
}

fn causes(error: &(dyn std::error::Error + 'static)) -> String {
    let all = std::iter::successors(Some(error), |error| error.source());
    all.map(ToString::to_string).collect::<Vec<_>>().join(": ")
}

impl Issuer {
    fn new(name: String, source: Source, keys: KeySet, now_ms: i64) -> Self {
        let keys = RwLock::new(Arc::new(keys));
        Self { name, source, keys, asked_at_ms: tokio::sync::Mutex::new(now_ms) }
    }

    fn keys(&self) -> Arc<KeySet> {
        Arc::clone(&self.keys.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Whether the last question lies this far back. A clock set back counts as far back, too.
    async fn is_due(&self, now_ms: i64, gap_ms: u128) -> bool {
        if matches!(self.source, Source::Fixed) {
            return false;
        }
        match self.asked_at_ms.try_lock() {
            Ok(asked_at_ms) => u128::from(now_ms.abs_diff(*asked_at_ms)) >= gap_ms,
            Err(_) => false,
        }
    }
}

/// Reads or fetches the keys of the configured issuer, and forgets them: for those who ask whether that
/// can be done.
///
/// # Errors
/// [`AuthnError`].
pub async fn issuer_keys(auth: &AuthConfig) -> Result<(), AuthnError> {
    match configured_source(auth)? {
        Some(source) => source.fetch().await.map(drop),
        None => Ok(()),
    }
}

fn configured_source(auth: &AuthConfig) -> Result<Option<Source>, AuthnError> {
    if let Some(file) = &auth.jwks_file {
        return Ok(Some(Source::File(file.clone())));
    }
    let Some(url) = auth.jwks_url.clone() else { return Ok(None) };
    let client = reqwest::Client::builder()
        .timeout(JWKS_TIME_MAX)
        // The address is the operator's word; a redirect would be somebody else's.
        .redirect(reqwest::redirect::Policy::none())
        .build()
        .map_err(|error| AuthnError::Fetch { url: url.clone(), what: error.to_string() })?;
    Ok(Some(Source::Url { client, url }))
}

impl Source {
    async fn fetch(&self) -> Result<KeySet, AuthnError> {
        let (name, bytes) = match self {
            Self::Fixed => return Ok(KeySet::default()),
            Self::File(path) => {
                let name = path.display().to_string();
                let bytes = std::fs::read(path)
                    .map_err(|source| AuthnError::File { name: name.clone(), source })?;
                (name, bytes)
            }
            Self::Url { client, url } => {
                let failed = |what: String| AuthnError::Fetch { url: url.clone(), what };
                let bytes = get(client, url).await.map_err(failed)?;
                (url.clone(), bytes)
            }
        };
        KeySet::parse(&bytes).map_err(|source| AuthnError::KeySet { name, source })
    }
}

async fn get(client: &reqwest::Client, url: &str) -> Result<Vec<u8>, String> {
    let mut answer = client.get(url).send().await.map_err(|error| error.to_string())?;
    if answer.status() != reqwest::StatusCode::OK {
        return Err(format!("status {}", answer.status().as_u16()));
    }
    let mut bytes = Vec::new();
    while let Some(chunk) = answer.chunk().await.map_err(|error| error.to_string())? {
        bytes.extend_from_slice(&chunk);
        if bytes.len() > JWKS_BYTES_MAX {
            return Err(format!("more than {JWKS_BYTES_MAX} bytes"));
        }
    }
    Ok(bytes)
}

/// The token of the one `Authorization` header. Tokens elsewhere (query, body) are not looked for.
fn bearer(headers: &HeaderMap) -> Result<&str, Rejection> {
    let mut all = headers.get_all(AUTHORIZATION);
    let (Some(value), None) = (all.next(), all.next()) else { return Err(Rejection::NoToken) };
    let token = value
        .to_str()
        .ok()
        .and_then(|value| value.strip_prefix("Bearer "))
        .ok_or(Rejection::NoToken)?;
    if token.is_empty() || token.contains([' ', ',', '\t']) {
        return Err(Rejection::NoToken);
    }
    Ok(token)
}
