//! Who visits a page, in which language, with which right; and what is shown when it cannot be.
//!
//! A session is a cookie that holds a token of the same kind as the API takes. It is sent to pages
//! only: the API itself never looks at cookies, so no other site can make a browser use it.

use std::sync::Arc;

use actix_web::cookie::{Cookie, SameSite};
use actix_web::http::StatusCode;
use actix_web::http::header::{
    ACCEPT_LANGUAGE, AUTHORIZATION, CACHE_CONTROL, HOST, HeaderMap, HeaderValue, LOCATION, ORIGIN,
};
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chain::entry::Via;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use shopfloor::ids::Label;
use shopfloor::people::events::Role;
use shopfloor::{State, record::SiteConfig};

use super::PAGES;
use super::words::Words;
use crate::app::Recorder;
use crate::authn::Identity;
use crate::problem::{Kind, Problem};

/// Name of the session cookie; over TLS with the prefix that makes browsers insist on its safety.
const SESSION: &str = "pulverlog-session";
const SESSION_TLS: &str = "__Host-pulverlog-session";
/// Name of the language cookie.
pub(crate) const LANGUAGE: &str = "pulverlog-language";

/// A page and who may open it.
#[derive(Debug)]
pub(crate) struct Page {
    /// Address.
    pub(crate) path: &'static str,
    /// Key of its name in the message table `nav`.
    pub(crate) name: &'static str,
    /// Who may open it.
    pub(crate) roles: &'static [Role],
    /// Whether it tells of people, of what they were exposed to, or of waste: every reading is noted.
    pub(crate) noted: bool,
}

/// Why a page cannot be shown.
#[derive(Debug)]
pub(crate) enum Fault {
    /// Nobody is signed in.
    SignIn,
    /// Another site sent the form.
    Foreign,
    /// The role has no right.
    Forbidden,
    /// No such thing, or nothing this person may see.
    NotFound,
    /// What the API would say.
    Problem(Problem),
}

impl From<Problem> for Fault {
    fn from(problem: Problem) -> Self {
        match problem.kind {
            Kind::NotFound => Self::NotFound,
            Kind::Forbidden | Kind::ForbiddenSite | Kind::PersonLeft => Self::Forbidden,
            Kind::Unauthenticated => Self::SignIn,
            _ => Self::Problem(problem),
        }
    }
}

impl From<crate::log::LogError> for Fault {
    fn from(error: crate::log::LogError) -> Self {
        Problem::from(error).into()
    }
}

/// What a handler of a page returns.
pub(crate) type Shown = Result<HttpResponse, Fault>;

/// A link in the head of a page.
pub(crate) struct NavItem {
    pub(crate) path: &'static str,
    pub(crate) text: &'static str,
    pub(crate) here: bool,
}

/// What every page shows around its content.
pub(crate) struct Top {
    pub(crate) words: &'static Words,
    pub(crate) assets: String,
    pub(crate) title: String,
    pub(crate) nav: Vec<NavItem>,
    pub(crate) person: Option<String>,
    /// Whether the person has a PIN here that can be changed.
    pub(crate) has_pin: bool,
    pub(crate) roles: String,
    pub(crate) languages: Vec<(&'static str, &'static str)>,
    pub(crate) path: String,
    pub(crate) as_of: Option<u64>,
}

impl Top {
    /// A text.
    pub(crate) fn t(&self, key: &str) -> &'static str {
        self.words.t(key)
    }
}

/// A visit by somebody who is signed in.
pub(crate) struct Visit {
    pub(crate) recorder: web::Data<Recorder>,
    pub(crate) who: Arc<Identity>,
    pub(crate) words: &'static Words,
    pub(crate) now: Timestamp,
    path: String,
    opened: &'static Page,
    /// Whether the page offers to record: an earlier state is looked at, nothing is done to it.
    acts: bool,
}

/// The language of a request: the cookie, else what the browser asks for.
pub(crate) fn words_of(request: &HttpRequest) -> &'static Words {
    let chosen = request.cookie(LANGUAGE).and_then(|cookie| Words::of(cookie.value()));
    let header = || {
        let header = request.headers().get(ACCEPT_LANGUAGE)?.to_str().ok()?;
        Some(Words::accepted(header))
    };
    chosen.or_else(header).unwrap_or_else(Words::english)
}

fn is_tls(request: &HttpRequest) -> bool {
    request.connection_info().scheme() == "https"
}

fn session_name(request: &HttpRequest) -> &'static str {
    if is_tls(request) { SESSION_TLS } else { SESSION }
}

/// The cookie of a new session; an empty token ends it.
pub(crate) fn session_cookie(
    request: &HttpRequest,
    token: &str,
    max_age_s: i64,
) -> Cookie<'static> {
    Cookie::build(session_name(request), token.to_owned())
        .path("/")
        .http_only(true)
        .secure(is_tls(request))
        .same_site(SameSite::Strict)
        .max_age(actix_web::cookie::time::Duration::seconds(max_age_s))
        .finish()
}

/// The recorder behind a request. It is registered when the application is built.
pub(crate) fn recorder_of(request: &HttpRequest) -> Result<web::Data<Recorder>, Fault> {
    let missing =
        || Fault::Problem(Problem::new(Kind::Internal, "the application has no recorder"));
    request.app_data::<web::Data<Recorder>>().cloned().ok_or_else(missing)
}

/// The token that a browser brings.
pub(crate) fn token_of(request: &HttpRequest) -> Option<String> {
    request.cookie(session_name(request)).map(|cookie| cookie.value().to_owned())
}

/// Who a token says is there.
pub(crate) async fn identity_of(recorder: &Recorder, token: &str) -> Option<Arc<Identity>> {
    let mut headers = HeaderMap::new();
    headers.insert(AUTHORIZATION, HeaderValue::from_str(&format!("Bearer {token}")).ok()?);
    recorder.authn.authenticate(&headers).await.ok()
}

/// Refuses a form that another site sent. Browsers say where a form comes from; one that does not
/// say is not let in.
pub(crate) fn demand_own(request: &HttpRequest) -> Result<(), Fault> {
    let header = |name: &str| request.headers().get(name).and_then(|value| value.to_str().ok());
    let own = match (header("sec-fetch-site"), header(ORIGIN.as_str())) {
        (Some(site), _) => site == "same-origin",
        (None, Some(origin)) => {
            let host = header(HOST.as_str()).unwrap_or_default();
            origin.split_once("://").is_some_and(|(_, from)| !host.is_empty() && from == host)
        }
        (None, None) => false,
    };
    if own { Ok(()) } else { Err(Fault::Foreign) }
}

/// Runs the handler of a page for whoever is signed in, if the page is for them.
pub(crate) async fn show(
    request: &HttpRequest,
    name: &'static str,
    handler: impl AsyncFnOnce(&Visit) -> Shown,
) -> HttpResponse {
    let answer = match begin(request, name).await {
        Ok(visit) => {
            let shown = handler(&visit).await;
            if shown.is_ok() && visit.opened.noted {
                visit.recorder.note_reading(&visit.who, visit.opened.name, request.path());
            }
            shown
        }
        Err(fault) => Err(fault),
    };
    let mut response = answer.unwrap_or_else(|fault| refused(request, &fault));
    // Pages hold the shop's data: nobody keeps a copy. What a handler sets it sets on purpose.
    if !response.headers().contains_key(CACHE_CONTROL) {
        response.headers_mut().insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    response
}

async fn begin(request: &HttpRequest, name: &'static str) -> Result<Visit, Fault> {
    let recorder = recorder_of(request)?;
    if request.method() != actix_web::http::Method::GET {
        demand_own(request)?;
    }
    let token = token_of(request).ok_or(Fault::SignIn)?;
    let who = identity_of(&recorder, &token).await.ok_or(Fault::SignIn)?;
    recorder.rates.take(&who.subject)?;
    recorder.demand_still_here(&who)?;
    let page = PAGES.iter().find(|page| page.name == name).ok_or(Fault::NotFound)?;
    let now = Timestamp::from_millisecond(recorder.clock.now_ms()).unwrap_or_default();
    if !who.roles.iter().any(|role| page.roles.contains(role)) {
        recorder.note_refusal(&who, page.name);
        return Err(Fault::Forbidden);
    }
    let words = words_of(request);
    Ok(Visit { recorder, who, words, now, path: path_of(request), opened: page, acts: true })
}

fn path_of(request: &HttpRequest) -> String {
    request.uri().path_and_query().map_or_else(|| "/".to_owned(), ToString::to_string)
}

impl Visit {
    /// What stands around the content.
    pub(crate) fn top(&self, title: impl Into<String>, as_of: Option<u64>) -> Top {
        let mine = |page: &&Page| self.who.roles.iter().any(|role| page.roles.contains(role));
        // Where no other log is followed, and for whoever may see one site, there is nothing to show.
        let follows = !self.recorder.following.is_empty() && self.who.sites.is_none();
        let shown = |page: &&Page| !page.path.is_empty() && (follows || page.name != "logs");
        let nav = PAGES.iter().filter(shown).filter(mine).map(|page| NavItem {
            path: page.path,
            text: self.words.t(&format!("nav.{}", page.name)),
            here: page.path == self.opened.path,
        });
        let roles: Vec<String> =
            self.who.roles.iter().map(|role| self.words.code("role", role.as_str())).collect();
        Top {
            title: title.into(),
            nav: nav.collect(),
            person: Some(self.who.subject.clone()),
            has_pin: self.who.via == Via::Badge,
            roles: roles.join(", "),
            as_of,
            ..bare(self.words, self.path.clone())
        }
    }

    /// The same visit to how something stood earlier: clocks stand at that time, and nothing is
    /// offered to be done.
    pub(crate) fn at(&self, now: Timestamp) -> Self {
        Self {
            recorder: self.recorder.clone(),
            who: Arc::clone(&self.who),
            words: self.words,
            now,
            path: self.path.clone(),
            opened: self.opened,
            acts: false,
        }
    }

    /// Whether the page offers to do something.
    pub(crate) fn acts(&self) -> bool {
        self.acts
    }

    /// A page.
    pub(crate) fn page(&self, template: &impl Template) -> Shown {
        rendered(StatusCode::OK, template)
    }

    /// Whether something of this site may be shown.
    pub(crate) fn may_see(&self, site: Option<&Label>) -> bool {
        self.who.may_see(site)
    }

    /// The sites of this person: those of the token, else every site the log knows.
    pub(crate) fn sites(&self, state: &State) -> Vec<Label> {
        match &self.who.sites {
            Some(sites) => sites.clone(),
            None => state.record.sites().map(|(site, _)| site.clone()).collect(),
        }
    }

    /// The settings of a site; those of the person's first site where none is named.
    pub(crate) fn settings(&self, state: &State, site: Option<&Label>) -> SiteConfig {
        let first = || self.sites(state).first().cloned();
        match site.cloned().or_else(first) {
            Some(site) => state.record.site(&site).clone(),
            None => SiteConfig::default(),
        }
    }

    /// Time zone of a site.
    pub(crate) fn zone(&self, state: &State, site: Option<&Label>) -> TimeZone {
        self.settings(state, site).tz()
    }

    /// Whether the person may record this kind of event.
    pub(crate) fn may_record(&self, event: &str) -> bool {
        let kind = shopfloor::catalogue::kind_of(event);
        self.acts
            && kind.is_some_and(|kind| self.who.roles.iter().any(|role| kind.roles.contains(role)))
    }
}

fn bare(words: &'static Words, path: String) -> Top {
    Top {
        words,
        assets: super::assets::root(),
        title: String::new(),
        nav: Vec::new(),
        person: None,
        has_pin: false,
        roles: String::new(),
        languages: Words::languages().collect(),
        path,
        as_of: None,
    }
}

/// What stands around a page for somebody who is not signed in.
pub(crate) fn top_outside(request: &HttpRequest, title: impl Into<String>) -> Top {
    Top { title: title.into(), ..bare(words_of(request), path_of(request)) }
}

/// A template as an answer.
pub(crate) fn rendered(status: StatusCode, template: &impl Template) -> Shown {
    match template.render() {
        Ok(text) => {
            Ok(HttpResponse::build(status).content_type("text/html; charset=utf-8").body(text))
        }
        Err(error) => Err(Fault::Problem(Problem::internal(&error))),
    }
}

/// Goes to another page after a form.
pub(crate) fn see(path: impl AsRef<str>) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((LOCATION, path.as_ref())).finish()
}

#[derive(Template)]
#[template(path = "fault.html")]
struct FaultPage {
    top: Top,
    what: String,
    detail: String,
}

/// What is shown instead of a page.
pub(crate) fn refused(request: &HttpRequest, fault: &Fault) -> HttpResponse {
    let words = words_of(request);
    let (status, what, detail) = match fault {
        Fault::SignIn => {
            let next = path_of(request);
            let back = request.method() == actix_web::http::Method::GET && next != "/";
            let query = if back { format!("?next={}", encoded(&next)) } else { String::new() };
            return see(format!("/sign-in{query}"));
        }
        Fault::Foreign => (StatusCode::FORBIDDEN, words.t("fault.foreign"), String::new()),
        Fault::Forbidden => (StatusCode::FORBIDDEN, words.t("fault.forbidden"), String::new()),
        Fault::NotFound => (StatusCode::NOT_FOUND, words.t("fault.not_found"), String::new()),
        Fault::Problem(problem) => {
            (problem.kind.status(), words.t("fault.problem"), problem.detail.to_string())
        }
    };
    let top = top_outside(request, words.t("fault.title"));
    let page = FaultPage { top, what: what.to_owned(), detail };
    rendered(status, &page).unwrap_or_else(|_| HttpResponse::build(status).finish())
}

/// Percent-encodes a value of a query (RFC 3986 unreserved characters stand as they are).
pub(crate) fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' => {
                out.push(char::from(byte));
            }
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
    out
}

/// An address on this site to go on to; anything else becomes the first page.
pub(crate) fn local_path(next: Option<&str>) -> &str {
    // One slash and no second one or backslash: browsers read those as another host.
    let own = |next: &&str| {
        next.starts_with('/')
            && !next[1..].starts_with(['/', '\\'])
            && next.bytes().all(|b| b.is_ascii_graphic())
    };
    next.filter(own).unwrap_or("/")
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn only_own_addresses_are_gone_on_to() {
        for (next, path) in [
            ("/equipment/S-02?x=1", "/equipment/S-02?x=1"),
            ("//evil.example", "/"),
            ("/\\evil.example", "/"),
            ("https://evil.example", "/"),
            ("/a\r\nSet-Cookie: x", "/"),
        ] {
            assert_eq!(local_path(Some(next)), path, "{next}");
        }
    }

    #[test]
    fn forms_of_other_sites_are_not_taken() {
        let check = |headers: &[(&'static str, &'static str)], own: bool| {
            let mut request = TestRequest::post();
            for header in headers {
                request = request.insert_header(*header);
            }
            assert_eq!(demand_own(&request.to_http_request()).is_ok(), own, "{headers:?}");
        };
        check(&[("sec-fetch-site", "same-origin")], true);
        check(
            &[("sec-fetch-site", "cross-site"), ("host", "a:1"), ("origin", "http://a:1")],
            false,
        );
        check(&[("sec-fetch-site", "same-site")], false);
        check(&[("sec-fetch-site", "none")], false);
        check(&[("host", "a:1"), ("origin", "http://a:1")], true);
        check(&[("host", "a:1"), ("origin", "http://b:1")], false);
        check(&[("host", "a:1"), ("origin", "null")], false);
        check(&[("host", "a:1")], false);
        check(&[], false);
    }
}
