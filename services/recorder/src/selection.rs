//! Which entries somebody wants and may see: what the feed lists and what a webhook sends.

use std::collections::BTreeSet;
use std::sync::Arc;

use chain::canon::{self, Limits, Value};
use chain::entry::EntryView;
use shopfloor::catalogue::TYPE_PREFIX;
use shopfloor::ids::Label;

use crate::authn::Identity;
use crate::limits::{FEED_LOOK_MAX, SCAN_BYTES};
use crate::log::{Log, LogError};
use crate::problem::echo;

/// A choice of entries. Without a filter: everything that the identity may see.
#[derive(Debug, Clone)]
pub struct Selection {
    who: Arc<Identity>,
    /// With their prefix; empty: every type.
    types: BTreeSet<String>,
    subject: Option<About>,
    site: Option<Label>,
}

/// Which subjects.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum About {
    /// This one.
    Exactly(String),
    /// Those that begin like this, such as `equipment/` or `lot/PA-`.
    BeginningWith(String),
}

/// An entry that was chosen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chosen {
    /// Its number.
    pub seq: u64,
    /// Its bytes.
    pub line: Vec<u8>,
}

/// What was found in a stretch of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The entries, in order.
    pub items: Vec<Chosen>,
    /// First entry not looked at.
    pub end: u64,
}

/// The `type` of an event from its name, with or without the prefix.
///
/// # Errors
/// In words, if there is no such type.
pub fn event_type(text: &str) -> Result<String, String> {
    let name = text.strip_prefix(TYPE_PREFIX).unwrap_or(text);
    shopfloor::catalogue::kind_of(name)
        .map(|kind| format!("{TYPE_PREFIX}{}", kind.name))
        .ok_or_else(|| format!("`{}` is no event type", echo(text)))
}

impl Selection {
    /// Everything that somebody may see.
    pub fn of(who: Arc<Identity>) -> Self {
        Self { who, types: BTreeSet::new(), subject: None, site: None }
    }

    /// Only these types, as [`event_type`] gives them; none: every type.
    #[must_use]
    pub fn of_types(mut self, types: impl IntoIterator<Item = String>) -> Self {
        self.types = types.into_iter().collect();
        self
    }

    /// Only what is about these subjects.
    #[must_use]
    pub fn about(mut self, subject: Option<About>) -> Self {
        self.subject = subject;
        self
    }

    /// Only what is of this site.
    #[must_use]
    pub fn of_site(mut self, site: Option<Label>) -> Self {
        self.site = site;
        self
    }

    /// When the right to see it ends, in seconds since 1970.
    pub fn expires_s(&self) -> i64 {
        self.who.expires_s
    }

    /// Whether an event, in its canonical bytes, is chosen.
    pub fn wants(&self, event: &[u8]) -> bool {
        let Ok(members) = canon::members(event, Limits::ENTRY) else { return false };
        let text = |name: &str| {
            let (_, value) = members.iter().find(|(member, _)| *member == name)?;
            match canon::check(value) {
                Ok(Value::String(text)) => Some(text),
                _ => None,
            }
        };
        let of_type = || text("type").is_some_and(|type_| self.types.contains(&type_));
        if !self.types.is_empty() && !of_type() {
            return false;
        }
        if let Some(wanted) = &self.subject
            && !text("subject").is_some_and(|subject| wanted.fits(&subject))
        {
            return false;
        }
        let site = text("site").and_then(|site| Label::new(&site).ok());
        (self.site.is_none() || site == self.site) && self.who.may_see(site.as_ref())
    }

    /// Looks for at most `limit` entries from `from` on and below `size`, and at no more than
    /// [`FEED_LOOK_MAX`] of them: a rare filter over a long log must not hold a thread.
    ///
    /// # Errors
    /// [`LogError::Failed`] if the log cannot be read.
    pub fn find(&self, log: &Log, from: u64, size: u64, limit: usize) -> Result<Found, LogError> {
        let stop = size.min(from.saturating_add(FEED_LOOK_MAX));
        let mut found = Found { items: Vec::new(), end: from.min(size) };
        while found.end < stop && found.items.len() < limit {
            let chunk = log.scan(found.end, SCAN_BYTES)?;
            if chunk.is_empty() {
                break;
            }
            for (seq, line) in chunk.iter() {
                if seq >= stop || found.items.len() >= limit {
                    break;
                }
                found.end = seq + 1;
                let entry = EntryView::parse(line)
                    .map_err(|error| LogError::Failed(format!("entry {seq}: {error}")))?;
                if self.wants(entry.event) {
                    found.items.push(Chosen { seq, line: line.to_vec() });
                }
            }
        }
        Ok(found)
    }
}

impl About {
    fn fits(&self, subject: &str) -> bool {
        match self {
            Self::Exactly(wanted) => subject == wanted,
            Self::BeginningWith(prefix) => subject.starts_with(prefix.as_str()),
        }
    }
}

#[cfg(test)]
mod tests {
    use chain::entry::Via;
    use shopfloor::people::events::Role;

    use super::*;

    fn selection(sites: Option<&[&str]>) -> Selection {
        let sites = sites.map(|all| all.iter().map(|site| Label::new(site).unwrap()).collect());
        let (roles, expires_s) = (vec![Role::Service], i64::MAX);
        let (subject, via) = ("svc_mes".to_owned(), Via::Oidc);
        let (signed_in_s, acr) = (None, None);
        let who = Identity { subject, via, roles, sites, expires_s, signed_in_s, acr };
        Selection::of(Arc::new(who))
    }

    #[test]
    fn every_filter_narrows_and_none_widens_what_may_be_seen() {
        let event = |site: &str| {
            format!(
                r#"{{"site":"{site}","subject":"lot/PA-0417","type":"pulverlog.lot.released"}}"#
            )
        };
        let types = ["lot.released"].map(|name| event_type(name).unwrap());
        let other = ["pulverlog.lot.held"].map(|name| event_type(name).unwrap());
        let beginning = |text: &str| Some(About::BeginningWith(text.to_owned()));
        let exactly = |text: &str| Some(About::Exactly(text.to_owned()));
        let site = |name: &str| Some(Label::new(name).unwrap());
        let all = selection(None);
        for (chosen, expected) in [
            (all.clone(), true),
            (all.clone().of_types(types.clone()), true),
            (all.clone().of_types(other), false),
            (all.clone().about(exactly("lot/PA-0417")), true),
            (all.clone().about(exactly("lot/PA-0")), false),
            (all.clone().about(beginning("lot/PA-0")), true),
            (all.clone().about(beginning("equipment/")), false),
            (all.clone().of_site(site("north")), true),
            (all.clone().of_site(site("south")), false),
            (selection(Some(&["north"])).of_types(types), true),
            (selection(Some(&["south"])).of_site(site("north")), false),
        ] {
            assert_eq!(chosen.wants(event("north").as_bytes()), expected, "{chosen:?}");
        }
        let nowhere = br#"{"type":"pulverlog.log.opened"}"#;
        assert!(all.wants(nowhere), "a token for every site sees the log's own events");
        assert!(!selection(Some(&["north"])).wants(nowhere));
        assert!(event_type("lot.eaten").unwrap_err().contains("`lot.eaten`"));
    }
}
