//! Changing one's own PIN. Whoever does it shows badge and PIN again: a session that somebody left open
//! must not lock its owner out (OWASP ASVS 5.0, 6.2.2 and 6.2.3).

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chain::entry::Via;
use serde::Deserialize;

use super::signin;
use super::visit::{self, Fault, Shown, Top, Visit};
use crate::authn::credentials::{CredentialsError, Denied, NotChanged};
use crate::authn::pins::Guessable;
use crate::problem::Problem;

#[derive(Template)]
#[template(path = "pin.html")]
struct PinPage {
    top: Top,
    rules: String,
    changed: bool,
    wrong: Option<String>,
}

/// Whether it was done.
#[derive(Debug, Deserialize)]
pub(crate) struct Done {
    changed: Option<String>,
}

/// What the form sends. No `Debug`: a PIN is printed nowhere.
#[derive(Deserialize)]
pub(crate) struct Change {
    #[serde(default)]
    badge: String,
    #[serde(default)]
    pin: String,
    #[serde(default)]
    new: String,
    #[serde(default)]
    again: String,
}

/// The form.
pub(crate) async fn form(request: HttpRequest, query: web::Query<Done>) -> HttpResponse {
    visit::show(&request, "pin", async |visit| {
        demand_badge(visit)?;
        page(visit, query.changed.is_some(), None)
    })
    .await
}

/// Only who signed in with a badge has a PIN here.
fn demand_badge(visit: &Visit) -> Result<(), Fault> {
    if visit.who.via == Via::Badge { Ok(()) } else { Err(Fault::NotFound) }
}

fn page(visit: &Visit, changed: bool, wrong: Option<String>) -> Shown {
    let status = if wrong.is_some() { StatusCode::FORBIDDEN } else { StatusCode::OK };
    let least = visit.recorder.config.auth.pin_chars_min;
    visit::rendered(
        status,
        &PinPage {
            top: visit.top(visit.words.t("pin.title"), None),
            rules: visit.words.n("pin.rules", least),
            changed,
            wrong,
        },
    )
}

/// Changes the PIN. Every session that was opened with the old one is over; here another one begins.
pub(crate) async fn change(request: HttpRequest, form: web::Form<Change>) -> HttpResponse {
    visit::show(&request, "pin", async |visit| {
        demand_badge(visit)?;
        let words = visit.words;
        if form.new != form.again {
            return page(visit, false, Some(words.t("pin.differ").to_owned()));
        }
        let (recorder, now_ms) = (visit.recorder.clone(), visit.recorder.clock.now_ms());
        let (person, form) = (visit.who.subject.clone(), form.into_inner());
        let changed = web::block(move || {
            recorder.authn.credentials().change_pin(
                &person,
                form.badge.trim(),
                (&form.pin, &form.new),
                now_ms,
                &mut *(recorder.random)(),
            )
        });
        let failed = |error: &CredentialsError| Fault::Problem(Problem::internal(error));
        let changed = changed
            .await
            .map_err(|error| Fault::Problem(Problem::internal(&error)))?
            .map_err(|error| failed(&error))?;
        let why = match changed {
            Ok(admitted) => {
                tracing::info!(subject = visit.who.subject, "a PIN was changed");
                let token =
                    signin::badge_token(&visit.recorder, &admitted).ok_or(Fault::Forbidden)?;
                let mut response = visit::see("/pin?changed=yes");
                let _ = response.add_cookie(&signin::badge_cookie(&request, &token));
                return Ok(response);
            }
            Err(why) => why,
        };
        if let NotChanged::Denied(_) | NotChanged::Other = why {
            signin::note_failure(&visit.recorder, &request)?;
        }
        let told = match why {
            // Somebody else's badge is told like a wrong one: what it opens is nobody's business.
            NotChanged::Denied(Denied::Wrong) | NotChanged::Other => {
                signin::told(words, Denied::Wrong).to_owned()
            }
            NotChanged::Denied(denied) => signin::told(words, denied).to_owned(),
            NotChanged::Same => words.t("pin.same").to_owned(),
            NotChanged::Guessable(why) => match why {
                Guessable::Short(least) => words.n(why.key(), least),
                Guessable::Long
                | Guessable::Repeated
                | Guessable::Sequence
                | Guessable::Date
                | Guessable::Badge
                | Guessable::Word => words.t(why.key()).to_owned(),
            },
        };
        page(visit, false, Some(told))
    })
    .await
}
