//! Lists: machines, planning, findings, powder, people.

use actix_web::{HttpRequest, HttpResponse, web};
use jiff::tz::TimeZone;
use serde::Deserialize;
use shopfloor::State;
use shopfloor::equipment::{DueQuery, DueState};
use shopfloor::finding::{self, Finding, Level};
use shopfloor::people::events::Role;
use shopfloor::people::{ActionState, DeviationState, PersonView, Validity};
use shopfloor::powder::AsOf;

use super::parts::{Block, BlocksPage, Cell, Table, place_href};
use super::record::links;
use super::things::due_table;
use super::visit::{self, Shown, Visit};

/// Most rows of a list; the newest or most urgent are shown and the rest is counted.
pub(super) const ROWS_MAX: usize = 200;

pub(super) fn blocks(visit: &Visit, name: &str, as_of: u64, blocks: Vec<Block>) -> Shown {
    let words = visit.words;
    let top = visit.top(words.t(&format!("nav.{name}")), Some(as_of));
    visit.page(&BlocksPage { top, lead: words.t(&format!("lead.{name}")).to_owned(), blocks })
}

/// Every machine.
pub(crate) async fn equipment(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "equipment", async |visit| {
        let words = visit.words;
        let (rows, as_of) = visit.recorder.log.ask(|state| {
            let machines = state.equipment.machines().filter_map(|id| state.equipment.machine(id));
            let rows = machines
                .filter(|m| m.registered_by.is_some() && visit.may_see(m.site.as_ref()))
                .map(|m| {
                    let query = DueQuery {
                        machine: Some(m.machine.clone()),
                        limit: 1,
                        ..DueQuery::default()
                    };
                    let due = state.equipment.due(&state.record, &query, visit.now);
                    let next = due.tasks.first().map(|t| super::today::line(visit, t));
                    let standing = match (m.retired_by, m.locks.first()) {
                        (Some(_), _) => Cell::Strong(words.t("machine.retired").to_owned()),
                        (None, Some(lock)) => Cell::Strong(words.n("machine.locked", &lock.lock)),
                        (None, None) => Cell::Text(words.t("machine.in_use").to_owned()),
                    };
                    let (task, bar, when) = match next {
                        Some(line) => {
                            (Cell::Text(line.what), Cell::Bar(line.bar), Cell::Text(line.when))
                        }
                        None => (
                            Cell::maybe(None::<String>),
                            Cell::Text(String::new()),
                            Cell::Text(String::new()),
                        ),
                    };
                    vec![
                        Cell::Link {
                            href: format!("/equipment/{}", m.machine),
                            text: m.machine.to_string(),
                        },
                        Cell::maybe(m.title.as_ref()),
                        Cell::maybe(m.site.as_ref()),
                        standing,
                        task,
                        bar,
                        when,
                    ]
                });
            (rows.collect::<Vec<_>>(), state.as_of)
        });
        let table = Table::new(
            words,
            "list.equipment",
            &["machine", "title", "site", "standing", "next_task", "used", "when"],
        )
        .with(rows);
        let labels = ("/labels".to_owned(), words.t("labels.title").to_owned());
        blocks(visit, "equipment", as_of, vec![Block::Table(table), Block::Doing(vec![labels])])
    })
    .await
}

/// The week ahead: every task by urgency, deferrals, parts.
pub(crate) async fn planning(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "planning", async |visit| {
        let words = visit.words;
        let (list, as_of) = visit.recorder.log.ask(|state| {
            let sites = visit.sites(state).into_iter();
            let list: Vec<_> = sites
                .map(|site| {
                    let query = DueQuery {
                        site: Some(site.clone()),
                        machine: None,
                        down_to: DueState::WithinLimit,
                        limit: ROWS_MAX,
                    };
                    (site, state.equipment.due(&state.record, &query, visit.now))
                })
                .collect();
            (list, state.as_of)
        });
        let mut out = Vec::new();
        for (site, due) in list {
            out.push(Block::Heading(site.to_string()));
            let told = [
                words.n("today.due", due.due),
                words.n("today.due_soon", due.due_soon),
                words.n("today.within", due.within_limit),
                words.n("today.no_reading", due.no_reading_yet),
            ];
            out.push(Block::Words(told.join(" · ")));
            let mut table = due_table(visit, &due.tasks);
            table.columns.insert(0, words.t("column.machine").to_owned());
            for (row, task) in table.rows.iter_mut().zip(&due.tasks) {
                row.insert(
                    0,
                    Cell::Link {
                        href: format!("/equipment/{}", task.machine),
                        text: task.machine.to_string(),
                    },
                );
            }
            out.push(Block::Table(table));
        }
        blocks(visit, "planning", as_of, out)
    })
    .await
}

/// Columns of findings.
pub(crate) const FINDING_COLUMNS: &[&str] =
    &["weight", "rule", "detail", "subject", "done", "source", "settled", "entries"];

/// A finding as a row.
pub(crate) fn finding_row(visit: &Visit, f: &Finding, zone: &TimeZone) -> Vec<Cell> {
    let words = visit.words;
    let weight = words.code("level", f.level.as_str());
    vec![
        if f.level == Level::Stop { Cell::Strong(weight) } else { Cell::Text(weight) },
        Cell::Text(words.rule(&f.rule)),
        Cell::English(f.detail.replace('`', "")),
        Cell::subject(&f.subject),
        Cell::Text(words.moment(f.time_ms, zone)),
        Cell::English(finding::rule(&f.rule).map_or("", |rule| rule.source).to_owned()),
        match f.settled_by {
            Some(by) => Cell::Entries(vec![by]),
            None => Cell::Text(words.t("finding.open").to_owned()),
        },
        Cell::Entries(f.entries.clone()),
    ]
}

/// Which findings.
#[derive(Debug, Deserialize)]
pub(crate) struct Which {
    all: Option<String>,
}

/// Findings and deviations.
pub(crate) async fn findings(request: HttpRequest, query: web::Query<Which>) -> HttpResponse {
    visit::show(&request, "findings", async |visit| {
        let words = visit.words;
        let all = query.all.is_some();
        let (out, as_of) = visit.recorder.log.ask(|state| {
            let zone = visit.zone(state, None);
            let mut found: Vec<&Finding> = state
                .findings
                .iter()
                .filter(|f| visit.may_see(f.site.as_ref()))
                .filter(|f| all || (f.settled_by.is_none() && f.level != Level::Note))
                .collect();
            found.reverse();
            let total = found.len();
            let rows = found.into_iter().take(ROWS_MAX).map(|f| finding_row(visit, f, &zone));
            let table = Table::new(words, "list.findings", FINDING_COLUMNS).with(rows);
            let mut out = vec![
                Block::Words(words.n("finding.total", total)),
                deviations(visit, state),
                actions(visit, state),
                Block::Table(table),
            ];
            let kinds = ["deviation", "deviation_end", "action", "action_check"];
            let mut doing = links(visit, &kinds, None);
            if !all {
                doing.push(("/findings?all=1".to_owned(), words.t("finding.all").to_owned()));
            }
            out.extend(Block::doing(doing));
            (out, state.as_of)
        });
        blocks(visit, "findings", as_of, out)
    })
    .await
}

fn deviations(visit: &Visit, state: &State) -> Block {
    let words = visit.words;
    let deviations = state.people.deviations(&state.record, visit.now).into_iter();
    let rows = deviations.filter(|d| visit.may_see(d.site.as_ref())).take(ROWS_MAX).map(|d| {
        let standing = words.code("deviation_state", d.state.as_str());
        let about = d.about.first().map_or_else(|| Cell::maybe(None::<String>), Cell::subject);
        vec![
            Cell::Text(d.deviation.to_string()),
            if d.state == DeviationState::Open {
                Cell::Strong(standing)
            } else {
                Cell::Text(standing)
            },
            Cell::maybe(d.severity.map(|s| words.code("severity", s.as_str()))),
            about,
            Cell::maybe(d.what.map(|w| words.code("override", &w))),
            Cell::maybe(d.days_open),
            Cell::Entries(d.entries),
        ]
    });
    Block::Table(
        Table::new(
            words,
            "list.deviations",
            &["deviation", "standing", "severity", "subject", "what", "days_open", "entries"],
        )
        .with(rows),
    )
}

fn actions(visit: &Visit, state: &State) -> Block {
    let words = visit.words;
    let actions = state.people.actions(&state.record, visit.now).into_iter();
    let rows = actions.filter(|a| visit.may_see(a.site.as_ref())).take(ROWS_MAX).map(|a| {
        let standing = words.code("action_state", a.state.as_str());
        vec![
            Cell::Text(a.action.to_string()),
            if a.state == ActionState::Overdue {
                Cell::Strong(standing)
            } else {
                Cell::Text(standing)
            },
            Cell::maybe(a.owner.as_ref()),
            Cell::maybe(a.due.map(|d| words.day(d))),
            Cell::Entries(a.entries),
        ]
    });
    Block::Table(
        Table::new(words, "list.actions", &["action", "standing", "owner", "due", "entries"])
            .with(rows),
    )
}

/// Lots, and what lies where.
pub(crate) async fn powder(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let words = visit.words;
        let (lots, places, as_of) = visit.recorder.log.ask(|state| {
            let newest = state.powder.lots().into_iter().rev().take(ROWS_MAX);
            let lots: Vec<_> = newest
                .filter_map(|lot| state.powder.lot(&lot, AsOf::Now, visit.now).ok())
                .collect();
            (lots, state.powder.places(), state.as_of)
        });
        let kg = |mass: &shopfloor::quantity::Mass| {
            Cell::Number(format!("{} {}", words.number(mass.digits()), mass.unit()))
        };
        let rows = lots.iter().map(|lot| {
            vec![
                Cell::Link { href: format!("/lots/{}", lot.lot), text: lot.lot.to_string() },
                Cell::maybe(lot.material.as_ref()),
                Cell::Text(words.code("lot_status", lot.status.as_str())),
                kg(&lot.made),
                Cell::maybe(lot.expires.map(|d| words.day(d))),
                Cell::Entries(lot.entries.clone()),
            ]
        });
        let lots = Table::new(
            words,
            "list.lots",
            &["lot", "material", "standing", "made", "expires", "entries"],
        )
        .with(rows);
        let held = places
            .iter()
            .filter(|(place, mass)| !mass.base().is_zero() && place_href(place).is_some());
        let rows = held.take(ROWS_MAX).map(|(place, mass)| {
            vec![
                Cell::place(place),
                Cell::Text(words.code("place_kind", place.kind.as_str())),
                kg(mass),
            ]
        });
        let places = Table::new(words, "list.places", &["place", "kind", "held"]).with(rows);
        let mut doing = links(visit, &["lot_in", "blend", "count"], None);
        doing.push(("/impact".to_owned(), words.t("impact.title").to_owned()));
        doing.push(("/powder/balances".to_owned(), words.t("balance.title").to_owned()));
        if visit.who.sites.is_none() {
            doing.push(("/samples".to_owned(), words.t("sample.title").to_owned()));
        }
        let doing = Block::Doing(doing);
        blocks(visit, "powder", as_of, vec![doing, Block::Table(places), Block::Table(lots)])
    })
    .await
}

/// People by pseudonym, and what they may do.
pub(crate) async fn people(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "people", async |visit| {
        let words = visit.words;
        let (people, as_of) = visit.recorder.log.ask(|state| {
            let people = state
                .people
                .people()
                .filter_map(|id| state.people.person(&state.record, id, visit.now));
            (people.collect::<Vec<_>>(), state.as_of)
        });
        let rows = people.iter().take(ROWS_MAX).map(|person| person_row(visit, person));
        let table = Table::new(
            words,
            "list.people",
            &["person", "roles", "authorised", "mask", "training", "policy", "last_day", "entries"],
        )
        .with(rows);
        let kinds = ["authorisation", "training", "fit_test", "leaving"];
        let doing = Block::doing(links(visit, &kinds, None));
        let out = doing.into_iter().chain([Block::Table(table)]).collect();
        blocks(visit, "people", as_of, out)
    })
    .await
}

fn person_row(visit: &Visit, person: &PersonView) -> Vec<Cell> {
    let words = visit.words;
    let roles: Vec<String> =
        person.roles.iter().map(|r: &Role| words.code("role", r.as_str())).collect();
    let told = |what: String, validity: Validity, until: Option<shopfloor::common::Day>| {
        let until = until.map(|d| words.day(d)).unwrap_or_default();
        match validity {
            Validity::Valid => format!("{what} {until}"),
            other => format!("{what} {}", words.code("validity", other.as_str())),
        }
    };
    let authorised: Vec<String> = person
        .authorisations
        .iter()
        .map(|a| told(words.code("task", a.task.as_str()), a.validity, a.valid_to))
        .collect();
    let masks: Vec<String> = person
        .fit_tests
        .iter()
        .map(|f| told(format!("{} {}", f.model, f.size), f.validity, Some(f.valid_to)))
        .collect();
    let trainings: Vec<String> = person
        .trainings
        .iter()
        .map(|t| told(words.code("topic", t.topic.as_str()), t.validity, t.valid_to))
        .collect();
    let policies: Vec<String> =
        person.signing_policies.iter().map(|p| p.policy.version.to_string()).collect();
    vec![
        Cell::Text(person.person.to_string()),
        Cell::Text(roles.join(", ")),
        Cell::Text(authorised.join("; ")),
        Cell::Text(masks.join("; ")),
        Cell::Text(trainings.join("; ")),
        Cell::Text(policies.join("; ")),
        Cell::maybe(person.last_day.map(|d| words.day(d))),
        Cell::Entries(person.entries.clone()),
    ]
}
