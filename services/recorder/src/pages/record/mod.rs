//! Guided recording: cautions first, then steps one by one, then readings; strict handling, and an
//! override that two people stand for.

pub(crate) mod compose;
mod form;
mod kinds;

use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use chain::canon;
use serde::Deserialize;
use serde_json::{Value, json};
use shopfloor::State;
use shopfloor::equipment::DueTask;
use shopfloor::equipment::events::{PartKind, TaskAction};
use shopfloor::finding::Finding;
use shopfloor::ids::{Label, PersonId};

use self::compose::Mistake;
pub(crate) use self::compose::{Answers, answer};
use self::form::{FormPage, Stopped};
use self::kinds::{KINDS, Kind};
use super::signin;
use super::visit::{self, Fault, Shown, Top, Visit};
use super::words::Words;
use crate::api::wire::FindingView;
use crate::app::Recorder;
use crate::authn::Identity;
use crate::authz;
use crate::log::{Handling, Outcome, ReadEvent, Submission};
use crate::problem::Problem;

/// Header of requests by our own script, which wants the answer as data.
const BY_SCRIPT: &str = "x-pulverlog-script";
/// Reasons for which a stop may be overridden. Common practice, no source.
pub(crate) const OVERRIDES: &[&str] =
    &["work_was_done_before", "record_is_behind", "rule_does_not_fit", "approved_by_lead"];

#[derive(Template)]
#[template(path = "choose.html")]
struct ChoosePage {
    top: Top,
    /// Headings, and under each the kinds of work.
    groups: Vec<(&'static str, Vec<KindLine>)>,
    subject: String,
    waiting: bool,
}

/// A kind of work as offered: address, name, and what is asked.
type KindLine = (&'static str, &'static str, &'static str);

/// What a form is about.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct About {
    /// Label of the machine or container.
    subject: Option<String>,
    /// Planned task.
    task: Option<String>,
}

/// What can be recorded.
pub(crate) async fn choose(request: HttpRequest, query: web::Query<About>) -> HttpResponse {
    visit::show(&request, "record", async |visit| choice(visit, query.subject.as_deref(), false))
        .await
}

/// What waits in this browser to be sent.
pub(crate) async fn waiting(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "record", async |visit| choice(visit, None, true)).await
}

fn choice(visit: &Visit, subject: Option<&str>, waiting: bool) -> Shown {
    let words = visit.words;
    let mine = KINDS.iter().filter(|kind| visit.may_record(kind.event));
    let mut groups: Vec<(&'static str, Vec<KindLine>)> = Vec::new();
    for kind in mine {
        let text = words.t(&format!("kind.{}", kind.id));
        let line = (kind.id, text, words.t(&format!("kind_about.{}", kind.id)));
        let heading = words.t(&format!("kind_group.{}", kind.group));
        match groups.iter_mut().find(|(known, _)| *known == heading) {
            Some((_, lines)) => lines.push(line),
            None => groups.push((heading, vec![line])),
        }
    }
    let title = words.t(if waiting { "queue.title" } else { "record.title" });
    let subject = subject.map(|s| format!("?subject={}", visit::encoded(s))).unwrap_or_default();
    visit.page(&ChoosePage { top: visit.top(title, None), groups, subject, waiting })
}

/// Links to the forms of some kinds of work, for those who may record them; about a thing, if one is
/// given.
pub(crate) fn links(visit: &Visit, kinds: &[&str], subject: Option<&str>) -> Vec<(String, String)> {
    let query = subject.map(|s| format!("?subject={}", visit::encoded(s))).unwrap_or_default();
    let known = kinds.iter().filter_map(|id| kinds::kind(id));
    let mine = known.filter(|kind| visit.may_record(kind.event));
    mine.map(|kind| {
        let href = format!("/record/{}{query}", kind.id);
        (href, visit.words.t(&format!("kind.{}", kind.id)).to_owned())
    })
    .collect()
}

/// The address that records a task of a plan, for those who may.
pub(crate) fn href_of_task(visit: &Visit, task: &DueTask) -> Option<String> {
    let event = match task.action {
        TaskAction::Clean => "cleaning.done",
        TaskAction::Replace => "part.swapped",
        TaskAction::Inspect => "inspection.done",
        TaskAction::Check => "check.done",
    };
    let query = format!("subject={}&task={}", task.machine, task.task);
    visit.may_record(event).then(|| format!("/record/for?{query}"))
}

/// Finds the form of a planned task.
pub(crate) async fn for_task(request: HttpRequest, query: web::Query<About>) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let (Some(subject), Some(task)) = (&query.subject, &query.task) else {
            return Err(Fault::NotFound);
        };
        let kind = visit.recorder.log.ask(|state| {
            let task = form::task(visit, state, subject, task)?;
            Some(kind_of_task(state, &task))
        });
        let kind = kind.ok_or(Fault::NotFound)?;
        let query = format!("subject={}&task={}", visit::encoded(subject), visit::encoded(task));
        Ok(visit::see(format!("/record/{kind}?{query}")))
    })
    .await
}

fn kind_of_task(state: &State, task: &DueTask) -> &'static str {
    match task.action {
        TaskAction::Clean => "cleaning",
        TaskAction::Inspect => "inspection",
        TaskAction::Check => "check",
        TaskAction::Replace if task.target.as_str() == shopfloor::equipment::BAG_TARGET => "bag",
        TaskAction::Replace => {
            let machine = state.equipment.machine(&task.machine);
            let positions = machine.map(|m| m.positions).unwrap_or_default();
            let part = positions.into_iter().find(|p| p.position == task.target);
            match part.and_then(|p| p.part_kind) {
                Some(PartKind::Sieve) => "sieve_change",
                Some(PartKind::HepaFilter | PartKind::PreFilter) => "filter_change",
                Some(
                    PartKind::Gasket
                    | PartKind::Recoater
                    | PartKind::OxygenSensor
                    | PartKind::Window
                    | PartKind::Hose
                    | PartKind::Other,
                )
                | None => "part_change",
            }
        }
    }
}

/// The form of a kind of work.
pub(crate) async fn form(
    request: HttpRequest,
    kind: web::Path<String>,
    query: web::Query<About>,
) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let kind = own_kind(visit, &kind)?;
        let mut answers = Answers::new();
        for (name, value) in [("subject", &query.subject), ("task", &query.task)] {
            if let Some(value) = value {
                answers.insert(name.to_owned(), value.clone());
            }
        }
        let id = uuid::Uuid::new_v4().to_string();
        answers.insert("id".to_owned(), id);
        let page = visit.recorder.log.ask(|state| {
            form::prefill(visit, state, kind, &mut answers);
            FormPage::new(visit, state, kind, &answers, &[], None)
        });
        visit.page(&page)
    })
    .await
}

fn own_kind(visit: &Visit, id: &str) -> Result<&'static Kind, Fault> {
    let kind = kinds::kind(id).ok_or(Fault::NotFound)?;
    if visit.may_record(kind.event) { Ok(kind) } else { Err(Fault::Forbidden) }
}

/// Takes the answers.
pub(crate) async fn record(
    request: HttpRequest,
    kind: web::Path<String>,
    answers: web::Form<Answers>,
) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let kind = own_kind(visit, &kind)?;
        let by_script = request.headers().contains_key(BY_SCRIPT);
        // A form that waited in the browser is recorded by the person who filled it in, or not.
        if answer(&answers, "person").is_some_and(|person| person != visit.who.subject) {
            return Ok(told(StatusCode::CONFLICT, &json!({ "state": "other_person" })));
        }
        let result = take(visit, &request, kind, &answers).await?;
        respond(visit, kind, &answers, result, by_script)
    })
    .await
}

/// What became of a form.
pub(crate) enum Taken {
    /// It is this entry, now or before.
    Recorded(u64),
    /// Strict handling stopped it.
    Stopped(Vec<Finding>),
    /// Answers that cannot be used.
    Mistakes(Vec<Mistake>),
    /// The log cannot read or attribute it.
    Refused(String),
    /// The second person of an override did not sign.
    NotSigned(Vec<Finding>, Unsigned),
}

/// Why a second person's signature is not taken.
#[derive(Debug, Clone)]
pub(crate) struct Unsigned {
    /// In words.
    pub(crate) why: String,
    /// Where the person acknowledges the policy on signatures, if that is what is missing.
    pub(crate) policy: Option<String>,
}

impl From<&'static str> for Unsigned {
    fn from(why: &'static str) -> Self {
        Self { why: why.to_owned(), policy: None }
    }
}

fn told(status: StatusCode, body: &Value) -> HttpResponse {
    HttpResponse::build(status).json(body)
}

fn respond(
    visit: &Visit,
    kind: &'static Kind,
    answers: &Answers,
    taken: Taken,
    by_script: bool,
) -> Shown {
    if let Taken::Recorded(seq) = taken {
        let go = format!("/record/done/{seq}?kind={}", kind.id);
        return Ok(if by_script {
            told(StatusCode::OK, &json!({ "state": "recorded", "seq": seq, "go": go }))
        } else {
            visit::see(go)
        });
    }
    if by_script {
        let (status, state) = match taken {
            Taken::Stopped(_) | Taken::NotSigned(..) => (StatusCode::CONFLICT, "stopped"),
            Taken::Mistakes(_) | Taken::Refused(_) | Taken::Recorded(_) => {
                (StatusCode::UNPROCESSABLE_ENTITY, "mistakes")
            }
        };
        return Ok(told(status, &json!({ "state": state })));
    }
    let (mistakes, stopped, refusal) = match taken {
        Taken::Mistakes(mistakes) => (mistakes, None, None),
        Taken::Refused(detail) => (Vec::new(), None, Some(detail)),
        Taken::Stopped(findings) => (Vec::new(), Some(Stopped::new(visit, &findings, None)), None),
        Taken::NotSigned(findings, why) => {
            (Vec::new(), Some(Stopped::new(visit, &findings, Some(why))), None)
        }
        Taken::Recorded(_) => (Vec::new(), None, None),
    };
    let page = visit.recorder.log.ask(|state| {
        let mut page = FormPage::new(visit, state, kind, answers, &mistakes, stopped);
        page.refusal = refusal;
        page
    });
    visit::rendered(StatusCode::UNPROCESSABLE_ENTITY, &page)
}

/// Composes the event, records it strictly or, with a reason and a second person, all the same.
async fn take(
    visit: &Visit,
    request: &HttpRequest,
    kind: &'static Kind,
    answers: &Answers,
) -> Result<Taken, Fault> {
    let composed = visit.recorder.log.ask(|state| {
        let site = form::site(visit, state, kind, answers);
        let Some(site) = site else {
            let asks = form::asks_site(visit, state, kind, answers);
            let (field, what) = if asks { ("site", "need") } else { ("subject", "unknown") };
            return Err(vec![Mistake { field: field.into(), what }]);
        };
        let zone = visit.zone(state, Some(&site));
        Ok((compose::event(kind, answers, &site, &zone, visit.now)?, site))
    });
    let (event, site) = match composed {
        Ok(composed) => composed,
        Err(mistakes) => return Ok(Taken::Mistakes(mistakes)),
    };
    let strict = Handling { strict: true, ..Handling::default() };
    let reason = answer(answers, "override").filter(|reason| OVERRIDES.contains(reason));
    let Some(reason) = reason else {
        return taken(submit(&visit.recorder, &visit.who, &event, strict).await);
    };
    // Nobody overrides alone: the second person stands for it before anything is written.
    let tried = Handling { dry_run: true, ..Handling::default() };
    let findings = match submit(&visit.recorder, &visit.who, &event, tried).await? {
        Outcome::Tried { findings, .. } => findings,
        other => return taken(Ok(other)),
    };
    let second = match second(visit, request, answers, Some(&site)).await? {
        Ok(second) => second,
        Err(why) => return Ok(Taken::NotSigned(findings, why)),
    };
    match taken(submit(&visit.recorder, &visit.who, &event, Handling::default()).await)? {
        Taken::Recorded(seq) => {
            let time = event["time"].as_str().unwrap_or_default();
            let subject = event["subject"].as_str().unwrap_or_default();
            deviate(visit, seq, reason, subject, &site, time).await?;
            sign(visit, &second, seq, time).await?;
            Ok(Taken::Recorded(seq))
        }
        other => Ok(other),
    }
}

pub(crate) fn taken(outcome: Result<Outcome, Fault>) -> Result<Taken, Fault> {
    Ok(match outcome {
        Ok(Outcome::Recorded(receipt, _) | Outcome::Known(receipt, _)) => {
            Taken::Recorded(receipt.seq)
        }
        // Sent twice by a browser without scripts: the first one counts.
        Ok(Outcome::IdReused(Some(seq))) => Taken::Recorded(seq),
        Ok(Outcome::Stopped { findings, .. }) => Taken::Stopped(findings),
        Ok(Outcome::Refused(refusal)) => Taken::Refused(refusal.detail),
        Ok(Outcome::IdReused(None) | Outcome::NotTried | Outcome::Tried { .. }) => {
            return Err(Fault::Problem(Problem::new(
                crate::problem::Kind::Unanswered,
                "the log gave no receipt: send the form again",
            )));
        }
        Err(Fault::Problem(problem)) if problem.kind.status().is_client_error() => {
            Taken::Refused(match problem.pointer {
                Some(pointer) => format!("{pointer}: {}", problem.detail),
                None => problem.detail,
            })
        }
        Err(fault) => return Err(fault),
    })
}

/// Records an event for somebody, by the same path as the API.
pub(crate) async fn submit(
    recorder: &Recorder,
    who: &Identity,
    event: &Value,
    handling: Handling,
) -> Result<Outcome, Fault> {
    let value = canon::parse(event.to_string().as_bytes()).map_err(Problem::from)?;
    let read = ReadEvent::read(&value).map_err(Problem::from)?;
    let kind = read.event().kind();
    authz::may_record(who, read.envelope(), kind)?;
    let now_s = recorder.now().as_second();
    authz::may_sign(who, kind, &recorder.config.auth, now_s)?;
    let submission = Submission::new(who.actor(None), read, None, handling)?;
    let mut outcomes = recorder.log.submit(vec![submission], handling).await?;
    outcomes.pop().ok_or_else(|| {
        Fault::Problem(Problem::new(crate::problem::Kind::Unanswered, "the log did not answer"))
    })
}

/// An event of this moment that no form asks for.
pub(crate) fn event_now(
    visit: &Visit,
    id: &str,
    name: &str,
    subject: &str,
    site: &Label,
    data: &Value,
) -> Value {
    let zone = visit.recorder.log.ask(|state| visit.zone(state, Some(site)));
    let now = compose::time(&Answers::new(), &zone, visit.now).unwrap_or_default();
    compose::beside(id, name, subject, Some(site), &now, data)
}

/// The second person, who has just shown badge and PIN: somebody else, still here, and bound by the
/// policy on signatures of the site.
pub(crate) async fn second(
    visit: &Visit,
    request: &HttpRequest,
    answers: &Answers,
    site: Option<&Label>,
) -> Result<Result<Identity, Unsigned>, Fault> {
    let badge = answer(answers, "second.badge").unwrap_or_default();
    // As it was typed.
    let pin = answers.get("second.pin").map_or("", String::as_str);
    let words = visit.words;
    let second = match signin::check_badge(&visit.recorder, request, badge, pin).await? {
        Ok(admitted) => admitted.identity(visit.now.as_second()),
        Err(denied) => return Ok(Err(signin::told(words, denied).into())),
    };
    if second.subject == visit.who.subject {
        return Ok(Err(words.t("sign.same_person").into()));
    }
    visit.recorder.demand_still_here(&second)?;
    let person = PersonId::new(&second.subject).map_err(|_| Fault::Forbidden)?;
    let due = visit.recorder.log.ask(|state| state.signing_policy_due(&person, site).cloned());
    Ok(match due {
        None => Ok(second),
        Some(policy) => {
            let why = words.n("sign.policy_first", &policy.version);
            let site = site.map(|site| format!("?site={site}")).unwrap_or_default();
            Err(Unsigned { why, policy: Some(format!("/signing-policy{site}")) })
        }
    })
}

/// Has an entry signed by the second person.
pub(crate) async fn sign(visit: &Visit, who: &Identity, seq: u64, time: &str) -> Result<(), Fault> {
    let id = format!("sign-{seq}-{}", who.subject);
    let subject = format!("entry/{seq}");
    let event = compose::beside(
        &id,
        "entry.signed",
        &subject,
        None,
        time,
        &json!({ "meaning": "verified" }),
    );
    // Signed before: once is enough.
    once(&visit.recorder, who, &event).await
}

/// Records an event that no rule should stop, unless it was recorded before.
pub(crate) async fn once(recorder: &Recorder, who: &Identity, event: &Value) -> Result<(), Fault> {
    match submit(recorder, who, event, Handling::default()).await? {
        Outcome::Recorded(..) | Outcome::Known(..) | Outcome::IdReused(Some(_)) => Ok(()),
        Outcome::Refused(refusal) => Err(Fault::Problem(refusal.into())),
        Outcome::IdReused(None)
        | Outcome::Tried { .. }
        | Outcome::Stopped { .. }
        | Outcome::NotTried => Err(Fault::Problem(Problem::new(
            crate::problem::Kind::Unanswered,
            "the log gave no receipt: send the form again",
        ))),
    }
}

/// Opens the deviation that an override leads to.
async fn deviate(
    visit: &Visit,
    seq: u64,
    reason: &str,
    subject: &str,
    site: &Label,
    time: &str,
) -> Result<(), Fault> {
    let data = json!({
        "about": [subject], "entries": [seq], "what": reason, "severity": "major",
    });
    let subject = format!("deviation/DV-{seq}");
    let event = compose::beside(
        &format!("deviation-{seq}"),
        "deviation.opened",
        &subject,
        Some(site),
        time,
        &data,
    );
    submit(&visit.recorder, &visit.who, &event, Handling::default()).await?;
    Ok(())
}

#[derive(Template)]
#[template(path = "done.html")]
struct DonePage {
    top: Top,
    seq: u64,
    what: String,
    subject: String,
    subject_href: Option<String>,
    findings: Vec<FindingView>,
    deviation: Option<String>,
    sign: bool,
    /// Who, with which meaning, when (21 CFR 11.50).
    signatures: Vec<(String, String, String)>,
    wrong: Option<Unsigned>,
    kind: String,
}

/// A finding as a page tells it.
pub(super) fn told_finding(words: &Words, finding: &Finding) -> FindingView {
    FindingView { title: words.rule(&finding.rule), ..FindingView::from(finding) }
}

/// What a receipt page is asked for.
#[derive(Debug, Deserialize)]
pub(crate) struct Done {
    kind: Option<String>,
}

/// The receipt, and the second signature where one is wanted.
pub(crate) async fn done(
    request: HttpRequest,
    seq: web::Path<u64>,
    query: web::Query<Done>,
) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        done_page(visit, *seq, query.kind.as_deref(), None)
    })
    .await
}

fn done_page(visit: &Visit, seq: u64, kind: Option<&str>, wrong: Option<Unsigned>) -> Shown {
    let fact = super::entry::fact(visit, seq)?.ok_or(Fault::NotFound)?;
    let kind = kind.and_then(kinds::kind);
    let words = visit.words;
    let page = visit.recorder.log.ask(|state| {
        let zone = visit.zone(state, fact.site.as_ref());
        let signatures: Vec<(String, String, String)> = state
            .record
            .signatures(seq)
            .map(|s| {
                let meaning = words.code("meaning", s.meaning.as_str());
                (s.person.to_string(), meaning, words.moment(s.time_ms, &zone))
            })
            .collect();
        let name = fact.event.kind().name;
        let deviation = Label::new(&format!("DV-{seq}")).ok();
        let deviation =
            deviation.filter(|id| state.people.deviation(&state.record, id, visit.now).is_some());
        DonePage {
            top: visit.top(words.t("done.title"), Some(state.as_of)),
            seq,
            what: kind.map_or_else(
                || words.code("event", name),
                |k| words.t(&format!("kind.{}", k.id)).to_owned(),
            ),
            subject: fact.subject.to_string(),
            subject_href: super::parts::subject_href(&fact.subject),
            findings: state.findings.of_entry(seq).iter().map(|f| told_finding(words, f)).collect(),
            deviation: deviation.map(|d| d.to_string()),
            sign: kind.is_some_and(|k| k.second) && signatures.is_empty(),
            signatures,
            wrong,
            kind: kind.map_or_else(String::new, |k| k.id.to_owned()),
        }
    });
    let status = if page.wrong.is_some() { StatusCode::FORBIDDEN } else { StatusCode::OK };
    visit::rendered(status, &page)
}

/// Takes the second signature.
pub(crate) async fn second_signature(
    request: HttpRequest,
    seq: web::Path<u64>,
    answers: web::Form<Answers>,
) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let kind = answer(&answers, "kind");
        let fact = super::entry::fact(visit, *seq)?.ok_or(Fault::NotFound)?;
        let second = match second(visit, &request, &answers, fact.site.as_ref()).await? {
            Ok(second) => second,
            Err(why) => return done_page(visit, *seq, kind, Some(why)),
        };
        let zone = visit.recorder.log.ask(|state| visit.zone(state, None));
        let now = compose::time(&Answers::new(), &zone, visit.now).unwrap_or_default();
        sign(visit, &second, *seq, &now).await?;
        let query = kind.map(|kind| format!("?kind={}", visit::encoded(kind))).unwrap_or_default();
        Ok(visit::see(format!("/record/done/{seq}{query}")))
    })
    .await
}
