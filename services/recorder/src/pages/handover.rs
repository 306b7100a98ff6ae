//! Shift handover: what is open at a site is offered line by line, the next shift reads it and
//! accepts it, or names what it does not accept.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use serde_json::json;
use shopfloor::State;
use shopfloor::equipment::DueState;
use shopfloor::ids::{Label, Subject, SubjectKind};
use shopfloor::people::HandoverState;

use super::parts::subject_href;
use super::record::{self, Answers, answer};
use super::visit::{self, Fault, Shown, Top, Visit};

/// Shifts that are offered. Common practice, no source.
const SHIFTS: &[&str] = &["early", "late", "night"];
/// Most tasks that are offered.
const TASKS_MAX: usize = 40;

/// An item that is open, or was told to be.
struct Item {
    /// `kind/id`.
    about: String,
    href: Option<String>,
    /// Code of what is open.
    what: String,
    text: String,
}

#[derive(Template)]
#[template(path = "handover.html")]
struct HandoverPage {
    top: Top,
    lead: String,
    /// The handover that is read; `None` while a new one is written.
    reading: Option<String>,
    /// Whether it may be accepted by this person.
    open: bool,
    items: Vec<Item>,
    sites: Vec<String>,
    shifts: Vec<(&'static str, String)>,
    id: String,
    wrong: Option<String>,
}

/// What is open, to be handed over.
pub(crate) async fn form(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "record", async |visit| blank(visit, None)).await
}

fn blank(visit: &Visit, wrong: Option<String>) -> Shown {
    let words = visit.words;
    let page = visit.recorder.log.ask(|state| HandoverPage {
        top: visit.top(words.t("handover.give"), Some(state.as_of)),
        lead: words.t("handover.give_lead").to_owned(),
        reading: None,
        open: false,
        items: open_items(visit, state),
        sites: visit.sites(state).iter().map(ToString::to_string).collect(),
        shifts: SHIFTS.iter().map(|s| (*s, words.code("shift", s))).collect(),
        id: uuid::Uuid::new_v4().to_string(),
        wrong,
    });
    visit.page(&page)
}

/// What the record knows to be open: tasks that are due, locks, powder that must not be used.
fn open_items(visit: &Visit, state: &State) -> Vec<Item> {
    let item = |kind: SubjectKind, id: &Label, what: &str, text: String| {
        let subject = Subject::new(kind, id.as_str()).ok()?;
        let (about, href) = (subject.to_string(), subject_href(&subject));
        Some(Item { about, href, what: what.to_owned(), text })
    };
    let label = |text: &str| Label::new(text).ok();
    let due = super::today::due(visit, state, DueState::Due, TASKS_MAX).0.into_iter();
    let tasks = due.filter_map(|task| {
        let text = format!("{} · {}", task.what, task.when);
        item(SubjectKind::Equipment, &label(&task.machine)?, "task_due", text)
    });
    let seen = |machine: &Label| {
        let view = state.equipment.machine(machine);
        view.is_some_and(|m| visit.may_see(m.site.as_ref()))
    };
    let locks = state.equipment.open_locks().into_iter().filter(|(machine, _)| seen(machine));
    let locks = locks.filter_map(|(machine, lock)| {
        let text = visit.words.n("today.lock", &lock.lock);
        item(SubjectKind::Equipment, &machine, "locked_out", text)
    });
    let holds = super::today::kept_back(state).into_iter();
    let holds = holds.filter_map(|(lot, status)| {
        let text = visit.words.code("lot_status", status.as_str());
        item(SubjectKind::Lot, &lot, "powder_on_hold", text)
    });
    tasks.chain(locks).chain(holds).collect()
}

/// Gives the shift over.
pub(crate) async fn give(request: HttpRequest, answers: web::Form<Answers>) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let (Some(site), Some(shift), Some(id)) =
            (answer(&answers, "site"), answer(&answers, "shift"), answer(&answers, "id"))
        else {
            return blank(visit, Some(visit.words.t("mistake.need").to_owned()));
        };
        let site = Label::new(site).map_err(|_| Fault::NotFound)?;
        super::today::seen(visit, Some(&site), ())?;
        let zone = visit.recorder.log.ask(|state| visit.zone(state, Some(&site)));
        let day = visit.now.to_zoned_datetime(zone).date();
        let open: Vec<_> = answers
            .iter()
            .filter_map(|(name, what)| Some((name.strip_prefix("open.")?, what)))
            .map(|(about, what)| json!({ "about": about, "what": what }))
            .collect();
        let data = json!({ "shift": format!("{day}-{shift}"), "open": open });
        // Named after site, day and shift: a second one for the same shift adds to the same.
        let subject = format!("handover/{site}-{day}-{shift}");
        said(visit, id, "handover.given", &subject, &site, &data).await?;
        Ok(visit::see("/"))
    })
    .await
}

/// One handover.
pub(crate) async fn read(request: HttpRequest, id: web::Path<String>) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let words = visit.words;
        let id = Label::new(&id).map_err(|_| Fault::NotFound)?;
        let asked = visit.recorder.log.ask(|state| {
            let view = state.people.handover(&id, visit.now)?;
            Some((view, visit.zone(state, None), state.as_of))
        });
        let (view, zone, as_of) = asked.ok_or(Fault::NotFound)?;
        super::today::seen(visit, view.site.as_ref(), ())?;
        let told = |who: &shopfloor::people::Recorded| {
            let when = words.moment(who.time_ms, &zone);
            who.person.as_ref().map_or_else(|| when.clone(), |by| format!("{by} · {when}"))
        };
        let given = view.given.as_ref().map(told).unwrap_or_default();
        let lead = match &view.accepted {
            Some(by) => format!("{given} → {}", told(by)),
            None => given,
        };
        let items = view.open.iter().map(|item| Item {
            about: item.about.to_string(),
            href: subject_href(&item.about),
            what: String::new(),
            text: words.code("open", &item.what),
        });
        let mine = view.given.as_ref().and_then(|g| g.person.as_ref());
        visit.page(&HandoverPage {
            top: visit.top(words.n("handover.title", &view.handover), Some(as_of)),
            lead,
            reading: Some(view.handover.to_string()),
            open: view.state == HandoverState::Unaccepted
                && mine.is_none_or(|by| by.as_str() != visit.who.subject),
            items: items.collect(),
            sites: Vec::new(),
            shifts: Vec::new(),
            id: uuid::Uuid::new_v4().to_string(),
            wrong: None,
        })
    })
    .await
}

/// Accepts a handover, but for what is queried.
pub(crate) async fn accept(
    request: HttpRequest,
    handover: web::Path<String>,
    answers: web::Form<Answers>,
) -> HttpResponse {
    visit::show(&request, "record", async |visit| {
        let handover = Label::new(&handover).map_err(|_| Fault::NotFound)?;
        let site =
            visit.recorder.log.ask(|state| Some(state.people.handover(&handover, visit.now)?.site));
        let site = site.ok_or(Fault::NotFound)?.ok_or(Fault::NotFound)?;
        super::today::seen(visit, Some(&site), ())?;
        let id = answer(&answers, "id").ok_or(Fault::NotFound)?;
        let mut queried: Vec<&str> =
            answers.keys().filter_map(|name| name.strip_prefix("query.")).collect();
        queried.sort_unstable();
        let subject = format!("handover/{handover}");
        said(visit, id, "handover.accepted", &subject, &site, &json!({ "queried": queried }))
            .await?;
        Ok(visit::see("/"))
    })
    .await
}

/// Records an event about a handover.
async fn said(
    visit: &Visit,
    id: &str,
    name: &str,
    subject: &str,
    site: &Label,
    data: &serde_json::Value,
) -> Result<(), Fault> {
    let event = record::event_now(visit, id, name, subject, site, data);
    record::once(&visit.recorder, &visit.who, &event).await
}
