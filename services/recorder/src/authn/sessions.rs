//! Sessions that ended before their tokens did. A token says itself until when it is good; these tables
//! take it back earlier: when somebody signs out, changes the PIN, or is given another badge (OWASP ASVS
//! 5.0, 7.4.1 and 7.4.3).
//!
//! They live in memory. The key behind badge tokens does too, so that a restart ends all of those; a token
//! of an identity provider that was signed out at the pages is good again after a restart, until its end.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Mutex, MutexGuard, PoisonError};

use chain::entry::Via;

use super::cache::Fingerprint;
use super::token::Identity;
use crate::limits::SESSIONS_MAX;

/// A session that a badge opened.
#[derive(Debug)]
struct Opened {
    person: String,
    /// Mark of the badge and PIN it was opened with.
    mark: String,
    until_s: i64,
}

/// The tables.
#[derive(Debug, Default)]
pub(crate) struct Sessions {
    /// Badge tokens that are good.
    opened: Mutex<HashMap<Fingerprint, Opened>>,
    /// Other tokens that are not, and until when they would be.
    ended: Mutex<HashMap<Fingerprint, i64>>,
}

impl Sessions {
    /// A badge opened a session.
    pub(crate) fn open(
        &self,
        token: Fingerprint,
        person: &str,
        mark: String,
        until_s: i64,
        now_s: i64,
    ) {
        let mut opened = lock(&self.opened);
        make_room(&mut opened, now_s, |session| session.until_s);
        opened.insert(token, Opened { person: person.to_owned(), mark, until_s });
    }

    /// Somebody signed out.
    pub(crate) fn end(&self, token: Fingerprint, identity: &Identity, now_s: i64) {
        if identity.via == Via::Badge {
            lock(&self.opened).remove(&token);
            return;
        }
        let mut ended = lock(&self.ended);
        make_room(&mut ended, now_s, |until_s| *until_s);
        ended.insert(token, identity.expires_s);
    }

    /// Whether a token that is good by itself still opens anything. `mark_of` tells the mark of a
    /// person's badge and PIN as of now.
    pub(crate) fn stands(
        &self,
        token: &Fingerprint,
        identity: &Identity,
        mark_of: impl FnOnce(&str) -> Option<String>,
    ) -> bool {
        if identity.via != Via::Badge {
            return !lock(&self.ended).contains_key(token);
        }
        let mut opened = lock(&self.opened);
        let Some(session) = opened.get(token) else { return false };
        let stands = mark_of(&session.person).is_some_and(|mark| mark == session.mark);
        if !stands {
            opened.remove(token);
        }
        stands
    }
}

fn lock<T>(table: &Mutex<T>) -> MutexGuard<'_, T> {
    table.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Drops what is over; when that is not enough, what ends first.
fn make_room<K: Copy + Eq + Hash, V>(
    table: &mut HashMap<K, V>,
    now_s: i64,
    until_s: impl Fn(&V) -> i64,
) {
    if table.len() < SESSIONS_MAX {
        return;
    }
    let over = now_s.saturating_sub(crate::limits::TOKEN_LEEWAY_S);
    table.retain(|_, value| until_s(value) > over);
    if table.len() >= SESSIONS_MAX
        && let Some(first) = table.iter().min_by_key(|(_, v)| until_s(v)).map(|(token, _)| *token)
    {
        table.remove(&first);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn identity(via: Via, expires_s: i64) -> Identity {
        let subject = "op_a".to_owned();
        Identity {
            subject,
            via,
            roles: vec![],
            sites: None,
            expires_s,
            signed_in_s: None,
            acr: None,
        }
    }

    fn mark(mark: &str) -> impl Fn(&str) -> Option<String> + '_ {
        move |_| Some(mark.to_owned())
    }

    #[test]
    fn a_badge_session_stands_until_it_ends_or_the_badge_or_pin_changes() {
        let (sessions, who) = (Sessions::default(), identity(Via::Badge, 100));
        assert!(!sessions.stands(&[1; 32], &who, mark("m")), "never opened here");
        for token in [[1; 32], [2; 32], [3; 32]] {
            sessions.open(token, "op_a", "m".to_owned(), 100, 0);
        }
        assert!(sessions.stands(&[1; 32], &who, mark("m")));
        sessions.end([1; 32], &who, 0);
        assert!(!sessions.stands(&[1; 32], &who, mark("m")), "signed out");
        assert!(!sessions.stands(&[2; 32], &who, mark("n")), "another PIN");
        assert!(!sessions.stands(&[2; 32], &who, mark("m")), "and it does not come back");
        assert!(!sessions.stands(&[3; 32], &who, |_| None), "no badge any more");
    }

    #[test]
    fn a_token_of_a_provider_is_good_until_it_is_signed_out() {
        let (sessions, who) = (Sessions::default(), identity(Via::Oidc, 100));
        assert!(sessions.stands(&[1; 32], &who, |_| None));
        sessions.end([1; 32], &who, 0);
        assert!(!sessions.stands(&[1; 32], &who, |_| None));
    }

    #[test]
    fn the_tables_are_bounded_and_what_ends_first_goes_first() {
        let sessions = Sessions::default();
        let token = |n: usize| {
            let mut token = [0; 32];
            token[..8].copy_from_slice(&n.to_le_bytes());
            token
        };
        for n in 0..=SESSIONS_MAX {
            let until_s = 1_000 + i64::try_from(n).unwrap();
            sessions.open(token(n), "op_a", "m".to_owned(), until_s, 0);
        }
        let who = identity(Via::Badge, 2_000);
        assert!(!sessions.stands(&token(0), &who, mark("m")));
        assert!(sessions.stands(&token(SESSIONS_MAX), &who, mark("m")));
        assert_eq!(lock(&sessions.opened).len(), SESSIONS_MAX);
    }
}
