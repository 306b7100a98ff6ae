//! Subscriptions as they are configured: who is told of what, where.

use std::collections::BTreeSet;
use std::sync::Arc;

use chain::entry::Via;
use reqwest::Url;
use shopfloor::ids::Label;
use shopfloor::people::events::Role;

use super::allow::{Allow, literal};
use crate::authn::Identity;
use crate::config::{ConfigError, SubscriptionConfig, WebhooksConfig};
use crate::limits::{WEBHOOK_ATTEMPTS_MAX, WEBHOOKS_MAX};
use crate::selection::{About, Selection, event_type};

/// A subscription.
#[derive(Debug, Clone)]
pub struct Subscription {
    /// Its name: of its file, its metrics and its address in the API.
    pub name: Label,
    /// Where entries are sent.
    pub url: Url,
    /// Site whose entries are sent; `None`: every site.
    pub site: Option<Label>,
    /// Types that are sent, with prefix; empty: every type.
    pub types: Vec<String>,
    /// How the subject begins.
    pub subject: Option<String>,
    /// Whether a new subscription begins with entry 0 instead of the next one.
    pub from_beginning: bool,
    pub(super) selection: Selection,
}

impl Subscription {
    /// The address without its query, which may hold a secret of the receiver.
    pub fn shown_url(&self) -> String {
        let mut url = self.url.clone();
        url.set_query(None);
        url.into()
    }
}

fn wrong<T>(name: &'static str, what: impl Into<String>) -> Result<T, ConfigError> {
    Err(ConfigError::Value { name, what: what.into() })
}

/// Reads what is configured.
///
/// # Errors
/// [`ConfigError::Value`].
pub(super) fn read(config: &WebhooksConfig) -> Result<(Allow, Vec<Subscription>), ConfigError> {
    let allow = Allow::parse(&config.allow).or_else(|entry| {
        let what = "is neither a host name nor an address nor a network such as `10.20.0.0/16`";
        wrong("webhooks.allow", format!("holds `{entry}`, which {what}"))
    })?;
    if !(1..=WEBHOOK_ATTEMPTS_MAX).contains(&config.attempts_max) {
        return wrong("webhooks.attempts_max", format!("is 1 to {WEBHOOK_ATTEMPTS_MAX}"));
    }
    if !(1..=60_000).contains(&config.first_wait_ms) {
        return wrong("webhooks.first_wait_ms", "is 1 to 60000");
    }
    if !(1..=86_400).contains(&config.longest_wait_s) {
        return wrong("webhooks.longest_wait_s", "is 1 to 86400");
    }
    if !(10..=60_000).contains(&config.answer_ms_max) {
        return wrong("webhooks.answer_ms_max", "is 10 to 60000");
    }
    if config.subscriptions.len() > WEBHOOKS_MAX {
        return wrong("webhooks.subscriptions", format!("are more than {WEBHOOKS_MAX}"));
    }
    let mut names = BTreeSet::new();
    let mut subscriptions = Vec::new();
    for subscription in &config.subscriptions {
        let read = subscription_of(subscription, &allow)?;
        if !names.insert(read.name.clone()) {
            return wrong("webhooks.subscriptions.name", "stands there twice");
        }
        subscriptions.push(read);
    }
    Ok((allow, subscriptions))
}

fn subscription_of(
    config: &SubscriptionConfig,
    allow: &Allow,
) -> Result<Subscription, ConfigError> {
    let label = |name, text: &str| {
        Label::new(text).or_else(|error| wrong(name, format!("cannot be used: {error}")))
    };
    let name = label("webhooks.subscriptions.name", &config.name)?;
    if config.name.starts_with('.') {
        return wrong("webhooks.subscriptions.name", "begins with a dot: it names a file");
    }
    let site = config.site.as_deref().map(|site| label("webhooks.subscriptions.site", site));
    let site = site.transpose()?;
    let types = config.types.iter().map(|text| event_type(text));
    let types: Vec<String> = types
        .collect::<Result<_, _>>()
        .or_else(|what| wrong("webhooks.subscriptions.types", format!("cannot be used: {what}")))?;
    let url = url(&config.url, allow)?;
    // The rights of a token of role `service` for that site: what such a token sees in the feed is
    // what is sent, by the same code.
    let who = Identity {
        subject: format!("svc_webhook_{name}"),
        via: Via::Oidc,
        roles: vec![Role::Service],
        sites: site.clone().map(|site| vec![site]),
        expires_s: i64::MAX,
        signed_in_s: None,
        acr: None,
    };
    let selection = Selection::of(Arc::new(who))
        .of_types(types.iter().cloned())
        .about(config.subject.clone().map(About::BeginningWith));
    Ok(Subscription {
        name,
        url,
        site,
        types,
        subject: config.subject.clone(),
        from_beginning: config.from_beginning,
        selection,
    })
}

fn url(text: &str, allow: &Allow) -> Result<Url, ConfigError> {
    const NAME: &str = "webhooks.subscriptions.url";
    let Ok(url) = text.parse::<Url>() else {
        return wrong(NAME, "is no address such as `https://mes.example.org/hooks`");
    };
    let host = url.host_str().unwrap_or_default();
    if !url.username().is_empty() || url.password().is_some() || url.fragment().is_some() {
        return wrong(NAME, "is an address without user or fragment");
    }
    let here = literal(host).is_some_and(|address| address.to_canonical().is_loopback());
    match url.scheme() {
        "https" => {}
        "http" if here => {}
        _ => return wrong(NAME, "is not `https`; without TLS only loopback addresses are called"),
    }
    if !allow.names(host) {
        let what = format!("goes to `{host}`, which does not stand in `webhooks.allow`");
        return wrong(NAME, what);
    }
    Ok(url)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn config(change: impl FnOnce(&mut SubscriptionConfig)) -> WebhooksConfig {
        let mut subscription = SubscriptionConfig {
            name: "mes".into(),
            url: "https://mes.example.org/hooks?key=7".into(),
            ..SubscriptionConfig::default()
        };
        change(&mut subscription);
        let allow = vec!["mes.example.org".into(), "127.0.0.0/8".into()];
        WebhooksConfig { allow, subscriptions: vec![subscription], ..WebhooksConfig::default() }
    }

    #[test]
    fn a_query_is_not_shown_and_types_may_be_short() {
        let (_, read) = read(&config(|s| s.types = vec!["lot.released".into()])).unwrap();
        assert_eq!(read[0].shown_url(), "https://mes.example.org/hooks");
        assert_eq!(read[0].types, ["pulverlog.lot.released"]);
    }

    #[test]
    fn targets_that_are_not_listed_or_not_safe_are_named() {
        let check = |expected: &str, config: &WebhooksConfig| {
            let error = read(config).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
        };
        let url = |text: &str| {
            let text = text.to_owned();
            config(move |s| s.url = text)
        };
        for text in ["http://mes.example.org/", "ftp://mes.example.org/", "file:///etc/passwd"] {
            check("is not `https`", &url(text));
        }
        for text in [
            "https://other.example.org/",
            "https://mes.example.org.evil.example/",
            "https://10.0.0.1/",
            "https://[::1]/",
            // Other ways to write an address (WHATWG URL, section 3.5).
            "https://0x0a000001/",
            "https://167772161/",
        ] {
            check("does not stand in `webhooks.allow`", &url(text));
        }
        check("without user", &url("https://a:b@mes.example.org/"));
        check("is no address", &url("mes.example.org"));
        assert!(read(&url("http://127.0.0.1:9/")).is_ok());
        check("types", &config(|s| s.types = vec!["lot.eaten".into()]));
        check("site", &config(|s| s.site = Some("a b".into())));
        check("name", &config(|s| s.name = "a/b".into()));
        let twice = config(|_| {}).subscriptions[0].clone();
        let mut two = config(|_| {});
        two.subscriptions.push(twice);
        check("twice", &two);
        check("webhooks.allow", &WebhooksConfig { allow: vec!["*".into()], ..config(|_| {}) });
        check("attempts_max", &WebhooksConfig { attempts_max: 0, ..config(|_| {}) });
    }
}
