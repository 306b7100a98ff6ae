//! Signing in and out.

use actix_web::cookie::Cookie;
use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use serde::Deserialize;

use super::visit::{self, Fault, Top};
use super::words::Words;
use crate::app::Recorder;
use crate::authn::credentials::{Admitted, Denied};
use crate::http::address;
use crate::problem::Problem;

/// How long a badge opens the pages, in seconds. A terminal is shared: whoever walks away is
/// signed out before the next one's break is over.
const BADGE_SESSION_S: i64 = 30 * 60;

#[derive(Template)]
#[template(path = "signin.html")]
struct SignInPage {
    top: Top,
    next: String,
    badges: bool,
    wrong: Option<&'static str>,
}

/// Where to go on to.
#[derive(Debug, Deserialize)]
pub(crate) struct Next {
    next: Option<String>,
}

/// What the form sends.
#[derive(Deserialize)]
pub(crate) struct SignIn {
    next: Option<String>,
    #[serde(default)]
    badge: String,
    #[serde(default)]
    pin: String,
    #[serde(default)]
    token: String,
}

/// The form.
pub(crate) async fn form(request: HttpRequest, query: web::Query<Next>) -> HttpResponse {
    answer(&request, query.next.as_deref(), None)
}

fn answer(request: &HttpRequest, next: Option<&str>, wrong: Option<&'static str>) -> HttpResponse {
    let words = visit::words_of(request);
    let badges =
        visit::recorder_of(request).is_ok_and(|recorder| recorder.authn.credentials().are_there());
    let page = SignInPage {
        top: visit::top_outside(request, words.t("signin.title")),
        next: visit::local_path(next).to_owned(),
        badges,
        wrong,
    };
    let status = if wrong.is_some() { StatusCode::FORBIDDEN } else { StatusCode::OK };
    visit::rendered(status, &page).unwrap_or_else(|fault| visit::refused(request, &fault))
}

#[derive(Template)]
#[template(path = "offline.html")]
struct OfflinePage {
    top: Top,
}

/// What a browser keeps to show when the network is down. It holds nothing of the shop.
pub(crate) async fn offline(request: HttpRequest) -> HttpResponse {
    let top = visit::top_outside(&request, visit::words_of(&request).t("offline.title"));
    visit::rendered(StatusCode::OK, &OfflinePage { top })
        .unwrap_or_else(|fault| visit::refused(&request, &fault))
}

/// Takes the form.
pub(crate) async fn enter(request: HttpRequest, form: web::Form<SignIn>) -> HttpResponse {
    match try_enter(&request, &form).await {
        Ok(Ok(response)) => response,
        Ok(Err(wrong)) => answer(&request, form.next.as_deref(), Some(wrong)),
        Err(fault) => visit::refused(&request, &fault),
    }
}

async fn try_enter(
    request: &HttpRequest,
    form: &SignIn,
) -> Result<Result<HttpResponse, &'static str>, Fault> {
    visit::demand_own(request)?;
    let recorder = visit::recorder_of(request)?;
    let words = visit::words_of(request);
    let token = if form.token.trim().is_empty() {
        match check_badge(&recorder, request, &form.badge, &form.pin).await? {
            Ok(admitted) => badge_token(&recorder, &admitted).ok_or(Fault::Forbidden)?,
            Err(denied) => return Ok(Err(told(words, denied))),
        }
    } else {
        form.token.trim().to_owned()
    };
    let Some(who) = visit::identity_of(&recorder, &token).await else {
        note_failure(&recorder, request)?;
        return Ok(Err(words.t("signin.wrong_token")));
    };
    tracing::info!(subject = who.subject, via = ?who.via, "somebody signed in");
    let left_s = who.expires_s - recorder.clock.now_ms().div_euclid(1_000);
    // Whoever may not see the first page begins with the first one they may see.
    let mine = |page: &&super::Page| {
        !page.path.is_empty() && who.roles.iter().any(|r| page.roles.contains(r))
    };
    let first = super::PAGES.iter().find(mine).map_or("/", |page| page.path);
    let next = match visit::local_path(form.next.as_deref()) {
        "/" => first,
        next => next,
    };
    let mut response = visit::see(next);
    let cookie = visit::session_cookie(request, &token, left_s);
    // The only way to fail is a cookie that cannot be a header; a token is base64.
    let _ = response.add_cookie(&cookie);
    Ok(Ok(response))
}

/// What a person is told who was not let in.
pub(crate) fn told(words: &'static Words, denied: Denied) -> &'static str {
    match denied {
        Denied::Wrong => words.t("signin.wrong_badge"),
        Denied::Locked => words.t("signin.locked"),
    }
}

pub(crate) fn note_failure(recorder: &Recorder, request: &HttpRequest) -> Result<(), Fault> {
    tracing::info!("a sign-in was refused");
    let peer = request.peer_addr().map(|address| address.ip());
    let proxies = &recorder.config.listen.proxies;
    if let Some(address) = address::client(peer, request.headers(), proxies) {
        recorder.rates.take_failure(address)?;
    }
    Ok(())
}

/// Who holds a badge and knows its PIN, which counts as it was typed. Failures count against the badge and the address.
pub(crate) async fn check_badge(
    recorder: &web::Data<Recorder>,
    request: &HttpRequest,
    badge: &str,
    pin: &str,
) -> Result<Result<Admitted, Denied>, Fault> {
    let (badge, pin) = (badge.trim().to_owned(), pin.to_owned());
    let (shared, now_ms) = (recorder.clone(), recorder.clock.now_ms());
    let checked = web::block(move || shared.authn.credentials().check(&badge, &pin, now_ms)).await;
    match checked {
        Ok(Ok(Err(denied))) => {
            note_failure(recorder, request)?;
            Ok(Err(denied))
        }
        Ok(Ok(Ok(admitted))) => Ok(Ok(admitted)),
        Ok(Err(error)) => Err(Fault::Problem(Problem::internal(&error))),
        Err(error) => Err(Fault::Problem(Problem::internal(&error))),
    }
}

/// Opens a session for whoever showed badge and PIN; returns its token.
pub(crate) fn badge_token(recorder: &Recorder, admitted: &Admitted) -> Option<String> {
    let now_s = recorder.clock.now_ms().div_euclid(1_000);
    recorder.authn.open_badge_session(admitted, now_s, BADGE_SESSION_S)
}

/// The cookie of a session that a badge opens.
pub(crate) fn badge_cookie(request: &HttpRequest, token: &str) -> Cookie<'static> {
    visit::session_cookie(request, token, BADGE_SESSION_S)
}

/// Ends the session: the cookie is taken away, and its token opens nothing any more, wherever it is.
pub(crate) async fn leave(request: HttpRequest) -> HttpResponse {
    if let Err(fault) = visit::demand_own(&request) {
        return visit::refused(&request, &fault);
    }
    if let (Ok(recorder), Some(token)) = (visit::recorder_of(&request), visit::token_of(&request))
        && let Some(who) = visit::identity_of(&recorder, &token).await
    {
        recorder.authn.end_session(&token, &who);
        tracing::info!(subject = who.subject, "somebody signed out");
    }
    let mut response = visit::see("/sign-in");
    let _ = response.add_cookie(&visit::session_cookie(&request, "", 0));
    response
}

/// Which language.
#[derive(Debug, Deserialize)]
pub(crate) struct Language {
    to: String,
    back: Option<String>,
}

/// Changes the language.
pub(crate) async fn language(query: web::Query<Language>) -> HttpResponse {
    let mut response = visit::see(visit::local_path(query.back.as_deref()));
    if let Some(words) = Words::of(&query.to) {
        let cookie = actix_web::cookie::Cookie::build(visit::LANGUAGE, words.lang)
            .path("/")
            .http_only(true)
            .same_site(actix_web::cookie::SameSite::Lax)
            .max_age(actix_web::cookie::time::Duration::days(365))
            .finish();
        let _ = response.add_cookie(&cookie);
    }
    response
}
