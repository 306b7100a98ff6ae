//! The issuer behind badges: after badge and PIN were checked, the pages hold a token of it, the
//! same kind as any other. Its key lives in memory alone and is new at each start: a restart ends
//! every badge session, and no file lets anybody be somebody.

use ed25519_dalek::SigningKey;
use ledger::seams::Random;
use shopfloor::ids::Label;
use shopfloor::people::events::Role;

use super::local::{Claims, LocalIssuer};
use super::{Authenticator, Issuer, KeySet, Source};

/// The `iss` of its tokens; the log then knows the person by badge.
pub(crate) const ISSUER: &str = "urn:pulverlog:badges";

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
        self.badges = Some(issuer);
        self
    }

    /// A token for a person whose badge and PIN were checked; `None` if badges are not accepted.
    pub(crate) fn badge_token(
        &self,
        person: &str,
        roles: &[Role],
        sites: Option<&[Label]>,
        issued_at_s: i64,
        lifetime_s: i64,
    ) -> Option<String> {
        let sites: Option<Vec<&str>> = sites.map(|all| all.iter().map(Label::as_str).collect());
        let claims = Claims {
            subject: person,
            audience: &self.config.audience,
            roles,
            sites: sites.as_deref(),
            issued_at_s,
            lifetime_s,
        };
        Some(self.badges.as_ref()?.mint_as(ISSUER, &claims, &self.config))
    }
}
