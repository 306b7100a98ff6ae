//! Today: what is due at my machines, what is held or locked, which handover waits; and the field
//! that takes a scanned label and goes to the thing.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use jiff::Timestamp;
use serde::Deserialize;
use shopfloor::State;
use shopfloor::equipment::{DueQuery, DueState, DueTask};
use shopfloor::finding::Level;
use shopfloor::ids::{Label, Place, Subject, SubjectKind};
use shopfloor::powder::{AsOf, LotStatus};

use super::parts::{Bar, subject_href};
use super::record;
use super::visit::{self, Fault, Shown, Top, Visit};

/// Most tasks shown; the rest is counted.
const TASKS_MAX: usize = 12;
/// Most lines of each other list.
const LINES_MAX: usize = 8;

/// A task that is due or soon due.
pub(crate) struct TaskLine {
    pub(crate) machine: String,
    pub(crate) title: String,
    pub(crate) what: String,
    pub(crate) when: String,
    pub(crate) bar: Bar,
    pub(crate) record: Option<String>,
    pub(crate) entry: u64,
}

/// A line that leads somewhere.
struct Line {
    href: String,
    text: String,
    more: String,
}

#[derive(Template)]
#[template(path = "today.html")]
struct TodayPage {
    top: Top,
    date: String,
    tasks: Vec<TaskLine>,
    counts: String,
    /// What else there is to know, each under its heading.
    lists: Vec<(&'static str, Vec<Line>)>,
    not_found: Option<String>,
    may_record: bool,
}

/// What was scanned.
#[derive(Debug, Deserialize)]
pub(crate) struct Find {
    find: Option<String>,
}

/// The page.
pub(crate) async fn today(request: HttpRequest, query: web::Query<Find>) -> HttpResponse {
    visit::show(&request, "today", async |visit| {
        let not_found = match query.find.as_deref().map(str::trim).filter(|text| !text.is_empty()) {
            Some(text) => match visit.recorder.log.ask(|state| find(visit, state, text)) {
                Some(href) => return Ok(visit::see(href)),
                None => Some(text.chars().take(80).collect()),
            },
            None => None,
        };
        page(visit, not_found)
    })
    .await
}

/// Where a scanned label leads: a kind and a label, an entry number, or a label alone.
fn find(visit: &Visit, state: &State, text: &str) -> Option<String> {
    if let Ok(subject) = text.parse::<Subject>()
        && let Some(href) = subject_href(&subject)
    {
        return Some(href);
    }
    if let Ok(place) = text.parse::<Place>()
        && let Some(href) = super::parts::place_href(&place)
    {
        return Some(href);
    }
    if let Some(seq) = text.strip_prefix('#').and_then(|n| n.parse::<u64>().ok()) {
        return (seq < state.as_of).then(|| format!("/entries/{seq}"));
    }
    let label = Label::new(text).ok()?;
    let of = |kind| Subject::new(kind, label.as_str()).ok().and_then(|s| subject_href(&s));
    if let Some(machine) = state.equipment.machine(&label) {
        return visit.may_see(machine.site.as_ref()).then(|| of(SubjectKind::Equipment)).flatten();
    }
    if state.waste.container(&label).is_some() {
        return of(SubjectKind::Container);
    }
    if state.powder.lot(&label, AsOf::Now, visit.now).is_ok() {
        return of(SubjectKind::Lot);
    }
    if state.waste.shipment(&label).is_some() {
        return of(SubjectKind::Shipment);
    }
    if state.powder.build(&label, AsOf::Now).is_ok() {
        return of(SubjectKind::Build);
    }
    if let Some(machine) = state.equipment.machines_of_serial(&label).next() {
        return Some(format!("/equipment/{machine}"));
    }
    let places = ["lot_container", "hopper", "bin", "oversize", "vacuum_bag"];
    places.iter().find_map(|kind| {
        let place: Place = format!("{kind}/{label}").parse().ok()?;
        state.powder.place(&place, AsOf::Now).ok()?;
        super::parts::place_href(&place)
    })
}

fn page(visit: &Visit, not_found: Option<String>) -> Shown {
    let words = visit.words;
    let page = visit.recorder.log.ask(|state| {
        let due = due(visit, state, DueState::DueSoon, TASKS_MAX);
        TodayPage {
            top: visit.top(words.t("nav.today"), Some(state.as_of)),
            date: date(visit, state),
            counts: due.1,
            tasks: due.0,
            lists: vec![
                (words.t("today.title_locks"), locks(visit, state)),
                (words.t("today.title_holds"), holds(visit, state)),
                (words.t("today.title_handovers"), handovers(visit, state)),
                (words.t("today.title_stops"), stops(visit, state)),
            ],
            not_found,
            may_record: visit.may_record("handover.given"),
        }
    });
    visit.page(&page)
}

fn date(visit: &Visit, state: &State) -> String {
    visit.words.moment(visit.now.as_millisecond(), &visit.zone(state, None))
}

/// The due tasks of the sites this person may see, the most urgent first, and the counts in words.
pub(crate) fn due(
    visit: &Visit,
    state: &State,
    down_to: DueState,
    limit: usize,
) -> (Vec<TaskLine>, String) {
    let sites = visit.sites(state);
    let (mut tasks, mut counts) = (Vec::new(), [0; 3]);
    for site in sites {
        let query = DueQuery { site: Some(site), machine: None, down_to, limit };
        let list = state.equipment.due(&state.record, &query, visit.now);
        counts[0] += list.due;
        counts[1] += list.due_soon;
        counts[2] += list.within_limit + list.no_reading_yet;
        tasks.extend(list.tasks);
    }
    tasks.sort_by_key(|task| (task.state, std::cmp::Reverse(task.percent)));
    tasks.truncate(limit);
    let words = visit.words;
    let told = [
        words.n("today.due", counts[0]),
        words.n("today.due_soon", counts[1]),
        words.n("today.within", counts[2]),
    ];
    (tasks.iter().map(|task| line(visit, task)).collect(), told.join(" · "))
}

/// One task as it is shown.
pub(crate) fn line(visit: &Visit, task: &DueTask) -> TaskLine {
    let words = visit.words;
    let target = words.code("target", task.target.as_str());
    let what = format!("{} · {target}", words.code("action", task.action.as_str()));
    TaskLine {
        machine: task.machine.to_string(),
        title: task.title.as_ref().map(ToString::to_string).unwrap_or_default(),
        what,
        when: when(visit, task),
        bar: Bar {
            percent: task.percent,
            words: format!("{} %", task.percent),
            over: task.state == DueState::Due,
        },
        record: record::href_of_task(visit, task),
        entry: task.counts_from.entry,
    }
}

/// What is left, in hours and days.
fn when(visit: &Visit, task: &DueTask) -> String {
    let words = visit.words;
    let mut told = vec![words.code("due", task.state.as_str())];
    if task.failed_check.is_some() {
        told.push(words.t("today.failed_check").to_owned());
    }
    if let Some(remaining) = task.by_meter.as_ref().and_then(|m| m.remaining.as_ref()) {
        let over = remaining.value.starts_with('-');
        let value = words.number(remaining.value.trim_start_matches('-'));
        let unit = words.code("unit", remaining.unit.as_str());
        let key = if over { "today.over" } else { "today.left" };
        told.push(words.n(key, format!("{value} {unit}")));
    }
    if let Some(day) = &task.by_day {
        told.push(words.n("today.by", words.day(day.due_on)));
    } else if let Some(day) = task.next_on {
        told.push(words.n("today.expected", words.day(day)));
    }
    told.join(" · ")
}

fn locks(visit: &Visit, state: &State) -> Vec<Line> {
    let mine = |machine: &Label| {
        state.equipment.machine(machine).is_some_and(|m| visit.may_see(m.site.as_ref()))
    };
    let zone = visit.zone(state, None);
    let locks = state.equipment.open_locks().into_iter().filter(|(machine, _)| mine(machine));
    locks
        .take(LINES_MAX)
        .map(|(machine, lock)| Line {
            href: format!("/equipment/{machine}"),
            text: format!("{machine}: {}", visit.words.n("today.lock", &lock.lock)),
            more: format!(
                "{}{}",
                visit.words.n("today.since", visit.words.moment(lock.time_ms, &zone)),
                lock.by.map(|by| format!(" · {by}")).unwrap_or_default()
            ),
        })
        .collect()
}

/// Lots that must not be used now, the first few.
pub(crate) fn kept_back(state: &State) -> Vec<(Label, LotStatus)> {
    let lots = state.powder.kept_back().take(LINES_MAX);
    lots.map(|(lot, status)| (lot.clone(), status)).collect()
}

fn holds(visit: &Visit, state: &State) -> Vec<Line> {
    let lots = kept_back(state).into_iter();
    let views = lots.filter_map(|(lot, _)| state.powder.lot(&lot, AsOf::Now, visit.now).ok());
    views
        .map(|lot| Line {
            href: format!("/lots/{}", lot.lot),
            text: format!("{} · {}", lot.lot, visit.words.code("lot_status", lot.status.as_str())),
            more: lot.material.map(|m| m.to_string()).unwrap_or_default(),
        })
        .collect()
}

fn handovers(visit: &Visit, state: &State) -> Vec<Line> {
    let waiting = state.people.unaccepted_handovers(visit.now).into_iter();
    waiting
        .filter(|handover| visit.may_see(handover.site.as_ref()))
        .take(LINES_MAX)
        .map(|handover| Line {
            href: format!("/handover/{}", handover.handover),
            text: handover.shift.map_or_else(|| handover.handover.to_string(), |s| s.to_string()),
            more: visit.words.n("today.open_items", handover.open.len()),
        })
        .collect()
}

/// Findings that stop work and that nobody settled, newest first.
fn stops(visit: &Visit, state: &State) -> Vec<Line> {
    let since = visit.now - jiff::SignedDuration::from_hours(7 * 24);
    let recent = |time_ms: i64| Timestamp::from_millisecond(time_ms).is_ok_and(|at| at >= since);
    let mut found: Vec<_> = state
        .findings
        .iter()
        .filter(|f| f.level == Level::Stop && f.settled_by.is_none() && recent(f.time_ms))
        .filter(|f| visit.may_see(f.site.as_ref()))
        .collect();
    found.reverse();
    found
        .into_iter()
        .take(LINES_MAX)
        .map(|finding| Line {
            href: match finding.entries.last() {
                Some(entry) => format!("/entries/{entry}"),
                None => "/findings".to_owned(),
            },
            text: visit.words.rule(&finding.rule),
            more: finding.subject.to_string(),
        })
        .collect()
}

/// Refuses what this person may not see as if it were not there.
pub(crate) fn seen<T>(visit: &Visit, site: Option<&Label>, view: T) -> Result<T, Fault> {
    if visit.may_see(site) { Ok(view) } else { Err(Fault::NotFound) }
}
