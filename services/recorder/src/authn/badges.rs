//! The issuer behind badges: after badge and PIN were checked, the pages hold a token of it, the
//! same kind as any other. Its key lives in memory alone and is new at each start: a restart ends
//! every badge session, and no file lets anybody be somebody.

use std::sync::atomic::{AtomicU64, Ordering};

use chain::entry::Via;
use ed25519_dalek::SigningKey;
use ledger::seams::Random;
use shopfloor::ids::Label;

use super::cache::fingerprint;
use super::credentials::Admitted;
use super::local::{Claims, LocalIssuer};
use super::{Authenticator, Identity, Issuer, KeySet, Source};

/// The `iss` of its tokens; the log then knows the person by badge.
pub(crate) const ISSUER: &str = "urn:pulverlog:badges";

/// Makes the tokens.
pub(super) struct BadgeIssuer {
    issuer: LocalIssuer,
    /// How many were made: two sessions opened in one second are two tokens.
    made: AtomicU64,
}

impl Authenticator {
    /// Accepts tokens of badges from now on.
    #[must_use]
    pub fn with_badges(mut self, random: &mut dyn Random) -> Self {
        let mut seed = [0; 32];
        random.fill(&mut seed);
        let issuer = LocalIssuer::new(SigningKey::from_bytes(&seed));
        let keys = KeySet::parse(issuer.jwks().to_string().as_bytes()).unwrap_or_default();
        let now_ms = self.clock.now_ms();
        self.issuers.push(Issuer::new(ISSUER.to_owned(), Source::Fixed, keys, now_ms));
        self.badges = Some(BadgeIssuer { issuer, made: AtomicU64::new(0) });
        self
    }

    /// Opens a session for a person whose badge and PIN were checked; returns its token, or `None` if
    /// badges are not accepted.
    pub(crate) fn open_badge_session(
        &self,
        admitted: &Admitted,
        now_s: i64,
        lifetime_s: i64,
    ) -> Option<String> {
        let badges = self.badges.as_ref()?;
        let holder = &admitted.holder;
        let sites: Option<Vec<&str>> =
            holder.sites.as_ref().map(|all| all.iter().map(Label::as_str).collect());
        let claims = Claims {
            subject: holder.person.as_str(),
            audience: &self.config.audience,
            roles: &holder.roles,
            sites: sites.as_deref(),
            issued_at_s: now_s,
            lifetime_s,
        };
        let number = badges.made.fetch_add(1, Ordering::Relaxed);
        let token = badges.issuer.mint_as(ISSUER, &claims, &self.config, Some(number));
        let until_s = now_s.saturating_add(lifetime_s);
        let mark = admitted.mark.clone();
        self.sessions.open(fingerprint(&token), claims.subject, mark, until_s, now_s);
        Some(token)
    }
}

impl Admitted {
    /// Who has just shown badge and PIN, for one act: a signature.
    pub(crate) fn identity(&self, now_s: i64) -> Identity {
        let holder = self.holder.clone();
        Identity {
            subject: holder.person.as_str().to_owned(),
            via: Via::Badge,
            roles: holder.roles,
            sites: holder.sites,
            expires_s: now_s,
            signed_in_s: Some(now_s),
            acr: None,
        }
    }
}
