//! Acknowledging the written policy that makes people answer for what they sign, once, before the first
//! signature (21 CFR 11.10(j)). Whoever does it shows badge and PIN here, so that a second person can do it
//! at the terminal where she or he is to sign, whoever is signed in there.

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use serde::Deserialize;
use serde_json::json;
use shopfloor::ids::{Label, PersonId};
use shopfloor::people::events::SigningPolicy;

use super::record::{self, Answers, answer, compose};
use super::signin;
use super::visit::{self, Fault, Shown, Top, Visit};
use crate::authn::Identity;

#[derive(Template)]
#[template(path = "signing_policy.html")]
struct PolicyPage {
    top: Top,
    site: String,
    /// What is to be acknowledged; `None`: the site has no policy.
    policy: Option<SigningPolicy>,
    /// Who has just acknowledged it.
    done_by: Option<String>,
    wrong: Option<String>,
}

/// Of which site.
#[derive(Debug, Deserialize)]
pub(crate) struct About {
    site: Option<String>,
}

/// The policy and the form.
pub(crate) async fn form(request: HttpRequest, query: web::Query<About>) -> HttpResponse {
    visit::show(&request, "signing_policy", async |visit| {
        let site = site(visit, query.site.as_deref())?;
        page(visit, &site, None, None)
    })
    .await
}

/// The site that is named, else the first of this person.
fn site(visit: &Visit, named: Option<&str>) -> Result<Label, Fault> {
    let site = match named {
        Some(named) => Some(Label::new(named).map_err(|_| Fault::NotFound)?),
        None => visit.recorder.log.ask(|state| visit.sites(state).first().cloned()),
    };
    site.filter(|site| visit.may_see(Some(site))).ok_or(Fault::NotFound)
}

fn page(visit: &Visit, site: &Label, done_by: Option<String>, wrong: Option<String>) -> Shown {
    let status = if wrong.is_some() { StatusCode::FORBIDDEN } else { StatusCode::OK };
    let (policy, as_of) = visit
        .recorder
        .log
        .ask(|state| (state.record.site(site).signing_policy.clone(), state.as_of));
    let top = visit.top(visit.words.t("policy.title"), Some(as_of));
    let site = site.to_string();
    visit::rendered(status, &PolicyPage { top, site, policy, done_by, wrong })
}

/// Records that a person has read the policy and answers for what she or he signs.
pub(crate) async fn acknowledge(request: HttpRequest, answers: web::Form<Answers>) -> HttpResponse {
    visit::show(&request, "signing_policy", async |visit| {
        let words = visit.words;
        let site = site(visit, answer(&answers, "site"))?;
        let standing =
            visit.recorder.log.ask(|state| state.record.site(&site).signing_policy.clone());
        let policy = standing.ok_or(Fault::NotFound)?;
        if answer(&answers, "read") != Some(policy.version.as_str()) {
            return page(visit, &site, None, Some(words.t("policy.not_ticked").to_owned()));
        }
        let (badge, pin) = (answer(&answers, "badge"), answers.get("pin"));
        let (badge, pin) = (badge.unwrap_or_default(), pin.map_or("", String::as_str));
        let who = match signin::check_badge(&visit.recorder, &request, badge, pin).await? {
            Ok(admitted) => admitted.identity(visit.now.as_second()),
            Err(denied) => {
                return page(visit, &site, None, Some(signin::told(words, denied).to_owned()));
            }
        };
        visit.recorder.demand_still_here(&who)?;
        let person = PersonId::new(&who.subject).map_err(|_| Fault::Forbidden)?;
        let due =
            visit.recorder.log.ask(|state| state.signing_policy_due(&person, Some(&site)).cloned());
        if due.is_some() {
            keep(visit, &who, &site, &policy).await?;
        }
        page(visit, &site, Some(who.subject.clone()), None)
    })
    .await
}

async fn keep(
    visit: &Visit,
    who: &Identity,
    site: &Label,
    policy: &SigningPolicy,
) -> Result<(), Fault> {
    let zone = visit.recorder.log.ask(|state| visit.zone(state, Some(site)));
    let now = compose::time(&Answers::new(), &zone, visit.now).unwrap_or_default();
    let event = compose::beside(
        &format!(
            "signing-policy-{}-{:.16}-{}",
            policy.version,
            policy.document.as_str(),
            who.subject
        ),
        "signing_policy.acknowledged",
        &format!("person/{}", who.subject),
        Some(site),
        &now,
        &json!({ "policy": policy }),
    );
    record::once(&visit.recorder, who, &event).await
}
