//! Tokens already verified, so that a busy sender costs one hash instead of one signature check.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};

use sha2::{Digest as _, Sha256};

use super::token::Identity;
use crate::limits::{TOKEN_CACHE_MAX, TOKEN_LEEWAY_S};

/// SHA-256 of the whole token: two tokens that differ in one byte are two tokens.
pub(crate) type Fingerprint = [u8; 32];

/// The fingerprint of a token.
pub(crate) fn fingerprint(token: &str) -> Fingerprint {
    Sha256::digest(token.as_bytes()).into()
}

/// Verified tokens, at most [`TOKEN_CACHE_MAX`] of them, none beyond its end.
#[derive(Debug, Default)]
pub(crate) struct TokenCache(Mutex<HashMap<Fingerprint, Arc<Identity>>>);

impl TokenCache {
    /// The identity behind a verified token that has not expired.
    pub(crate) fn get(&self, token: &Fingerprint, now_ms: i64) -> Option<Arc<Identity>> {
        let mut known = self.lock();
        let identity = known.get(token)?;
        if is_over(identity, now_ms) {
            known.remove(token);
            return None;
        }
        Some(Arc::clone(identity))
    }

    /// Remembers a verified token. When there is no room the expired ones go; if there is still
    /// none, all go: verifying again costs little, and a full cache is no reason to grow.
    pub(crate) fn put(&self, token: Fingerprint, identity: Arc<Identity>, now_ms: i64) {
        let mut known = self.lock();
        if known.len() >= TOKEN_CACHE_MAX {
            known.retain(|_, identity| !is_over(identity, now_ms));
        }
        if known.len() >= TOKEN_CACHE_MAX {
            known.clear();
        }
        known.insert(token, identity);
    }

    /// Forgets everything; called when the issuer's keys changed.
    pub(crate) fn clear(&self) {
        self.lock().clear();
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, HashMap<Fingerprint, Arc<Identity>>> {
        self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

fn is_over(identity: &Identity, now_ms: i64) -> bool {
    now_ms.div_euclid(1_000) >= identity.expires_s.saturating_add(TOKEN_LEEWAY_S)
}

#[cfg(test)]
mod tests {
    use super::*;
    use chain::entry::Via;

    fn identity(expires_s: i64) -> Arc<Identity> {
        let subject = "op_a".to_owned();
        Arc::new(Identity {
            subject,
            via: Via::Oidc,
            roles: vec![],
            sites: None,
            expires_s,
            signed_in_s: None,
            acr: None,
        })
    }

    #[test]
    fn a_token_is_known_until_its_end_and_not_after() {
        // security-tests.md J15.
        let cache = TokenCache::default();
        let token = fingerprint("a.b.c");
        cache.put(token, identity(100), 0);
        let end_ms = (100 + TOKEN_LEEWAY_S) * 1_000;
        assert!(cache.get(&token, end_ms - 1).is_some());
        assert!(cache.get(&token, end_ms).is_none());
        assert!(cache.get(&token, 0).is_none(), "an expired token is forgotten");
        assert!(cache.get(&fingerprint("a.b.d"), 0).is_none());
    }

    #[test]
    fn the_cache_is_bounded() {
        let cache = TokenCache::default();
        for n in 0..3 * TOKEN_CACHE_MAX {
            cache.put(fingerprint(&n.to_string()), identity(100), 0);
            assert!(cache.lock().len() <= TOKEN_CACHE_MAX);
        }
    }
}
