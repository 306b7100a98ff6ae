//! The logs of other sites that are followed: how each stands, and what presses anywhere.

use actix_web::http::header::ContentType;
use actix_web::{HttpRequest, HttpResponse, web};
use chain::proof::TlogProof;
use shopfloor::equipment::{DueQuery, DueState};
use shopfloor::finding::Level;
use shopfloor::waste::clocks::{Clock, ClockState};

use super::lists::ROWS_MAX;
use super::parts::{Block, BlocksPage, Cell, Table};
use super::today;
use super::visit::{self, Fault, Visit};
use crate::api::logs::{FollowedView, duties, kept_entry, proof, standing};
use crate::following::Followed;

/// Rows of each table of what presses; the API lists the rest.
const PRESSING_MAX: usize = 50;

/// The page.
pub(crate) async fn logs(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "logs", async |visit| {
        demand_every_site(visit)?;
        let words = visit.words;
        let all = visit.recorder.following.logs();
        let mut blocks = Vec::new();
        let own = &visit.recorder.log;
        let told: Vec<FollowedView> = all.iter().map(|log| standing(log, own, visit.now)).collect();
        for view in &told {
            if let Some(entry) = view.disputed_by {
                let notice = words.t("logs.disputed_notice");
                let notice = notice.replace("{log}", view.log.as_str());
                blocks.push(Block::Notice(notice.replace("{entry}", &entry.to_string())));
            }
        }
        let columns = [
            "log",
            "kept_entries",
            "newest_entry",
            "standing",
            "tasks_due",
            "due_soon",
            "late_duties",
            "open_findings",
            "containers",
            "kept_here",
        ];
        let rows = all.iter().zip(&told).map(|(log, view)| row(visit, log, view));
        blocks.push(Block::Table(Table::new(words, "logs.all", &columns).with(rows)));
        blocks.push(Block::Table(due(visit, all)));
        blocks.push(Block::Table(clocks(visit, all)));
        blocks.push(Block::Table(findings(visit, all)));
        let top = visit.top(words.t("nav.logs"), None);
        visit.page(&BlocksPage { top, lead: words.t("lead.logs").to_owned(), blocks })
    })
    .await
}

fn demand_every_site(visit: &Visit) -> Result<(), Fault> {
    if visit.who.sites.is_none() { Ok(()) } else { Err(Fault::Forbidden) }
}

fn row(visit: &Visit, log: &Followed, view: &FollowedView) -> Vec<Cell> {
    let words = visit.words;
    let number = |count: usize| Cell::Number(count.to_string());
    let standing = match (&view.disputed_by, &view.trouble, &view.looked_at) {
        (Some(_), ..) => Cell::Strong(words.t("logs.disputed").to_owned()),
        (None, Some(trouble), _) => Cell::Strong(trouble.clone()),
        (None, None, None) => Cell::Text(words.t("logs.not_looked").to_owned()),
        (None, None, Some(_)) if view.behind > 0 => Cell::Text(words.n("logs.behind", view.behind)),
        (None, None, Some(_)) => Cell::Text(words.t("logs.agrees").to_owned()),
    };
    let kept = view.kept.as_ref().map_or(0, |kept| kept.size);
    vec![
        Cell::Link { href: log.url().to_owned(), text: view.log.to_string() },
        Cell::Number(kept.to_string()),
        // To the minute: `2026-03-05T14:07:00.000Z`.
        Cell::maybe(
            view.newest_entry_at
                .as_ref()
                .and_then(|at| at.get(..16))
                .map(|at| at.replace('T', " ")),
        ),
        standing,
        number(view.due),
        number(view.due_soon),
        number(view.late_duties),
        number(view.open_findings),
        number(view.containers),
        Cell::Entries(view.kept_by.into_iter().chain(view.disputed_by).collect()),
    ]
}

/// Links to entries of another log, as they are kept here.
fn entries(log: &Followed, seqs: &[u64]) -> Cell {
    let (shown, _) = Cell::shown(seqs);
    let link = |seq: &u64| (format!("/sites/{}/entries/{seq}", log.name()), seq.to_string());
    Cell::Links(shown.iter().map(link).collect())
}

/// A thing at its own site, where its page is.
fn there(log: &Followed, path: &str, text: String) -> Cell {
    Cell::Link { href: format!("{}{path}", log.url()), text }
}

fn due(visit: &Visit, all: &[Followed]) -> Table {
    let words = visit.words;
    let query =
        || DueQuery { down_to: DueState::DueSoon, limit: PRESSING_MAX, ..Default::default() };
    let mut tasks = Vec::new();
    for log in all {
        let due = log.view().ask(|state| state.equipment.due(&state.record, &query(), visit.now));
        tasks.extend(due.tasks.into_iter().map(|task| (log, task)));
    }
    tasks.sort_by_key(|(_, task)| (task.state, std::cmp::Reverse(task.percent)));
    let rows = tasks.into_iter().take(PRESSING_MAX).map(|(log, task)| {
        let line = today::line(visit, &task);
        let path = format!("/equipment/{}", task.machine);
        vec![
            Cell::Text(log.name().to_string()),
            there(log, &path, task.machine.to_string()),
            Cell::Text(line.what),
            Cell::Bar(line.bar),
            Cell::Text(line.when),
            entries(log, &task.entries),
        ]
    });
    let columns = ["log", "machine", "task", "used", "when", "entries"];
    Table::new(words, "logs.due", &columns).with(rows)
}

fn clocks(visit: &Visit, all: &[Followed]) -> Table {
    let words = visit.words;
    let mut found: Vec<(&Followed, shopfloor::ids::Label, Clock)> = Vec::new();
    for log in all {
        let of_log = log.view().ask(|state| duties(state, visit.now).collect::<Vec<_>>());
        found.extend(of_log.into_iter().map(|(site, clock)| (log, site, clock)));
    }
    found.sort_by_key(|(_, _, clock)| clock.margin_days);
    let rows = found.into_iter().take(PRESSING_MAX).map(|(log, site, clock)| {
        let left = match clock.margin_days {
            days if days < 0 => words.n("clock.late", -days),
            days => words.n("clock.left", days),
        };
        let standing = format!("{} · {left}", words.code("clock_state", clock.state.as_str()));
        vec![
            Cell::Text(log.name().to_string()),
            Cell::Text(site.to_string()),
            Cell::Text(words.code("clock", clock.kind.as_str())),
            Cell::Text(clock.subject.to_string()),
            Cell::Text(words.day(clock.last_day)),
            match clock.state {
                ClockState::Overdue => Cell::Strong(standing),
                _ => Cell::Text(standing),
            },
            entries(log, &clock.entries),
        ]
    });
    let columns = ["log", "site", "what", "subject", "last_day", "standing", "entries"];
    Table::new(words, "logs.clocks", &columns).with(rows)
}

fn findings(visit: &Visit, all: &[Followed]) -> Table {
    let words = visit.words;
    let mut found = Vec::new();
    for log in all {
        let open = log.view().ask(|state| {
            let open = state
                .findings
                .iter()
                .filter(|finding| finding.settled_by.is_none() && finding.level >= Level::Warn);
            open.cloned().collect::<Vec<_>>()
        });
        found.extend(open.into_iter().map(|finding| (log, finding)));
    }
    found.sort_by_key(|(_, finding)| std::cmp::Reverse(finding.time_ms));
    let rows = found.into_iter().take(PRESSING_MAX.min(ROWS_MAX)).map(|(log, finding)| {
        vec![
            Cell::Text(log.name().to_string()),
            Cell::Text(words.code("level", finding.level.as_str())),
            Cell::Text(words.rule(&finding.rule)),
            Cell::English(finding.detail.replace('`', "")),
            Cell::Text(finding.subject.to_string()),
            entries(log, &finding.entries),
        ]
    });
    let columns = ["log", "weight", "rule", "detail", "subject", "entries"];
    Table::new(words, "logs.findings", &columns).with(rows)
}

/// An entry of a followed log, byte for byte.
pub(crate) async fn entry(request: HttpRequest, path: web::Path<(String, u64)>) -> HttpResponse {
    visit::show(&request, "logs", async |visit| {
        demand_every_site(visit)?;
        let (log, seq) = path.into_inner();
        let (line, ..) = kept_entry(&visit.recorder, &log, seq)?;
        Ok(HttpResponse::Ok().content_type(ContentType::json()).body(line))
    })
    .await
}

/// The proof of an entry of a followed log.
pub(crate) async fn entry_proof(
    request: HttpRequest,
    path: web::Path<(String, u64)>,
) -> HttpResponse {
    visit::show(&request, "logs", async |visit| {
        demand_every_site(visit)?;
        let (log, seq) = path.into_inner();
        let proof: TlogProof = proof(&visit.recorder, &log, seq).await?;
        Ok(HttpResponse::Ok().content_type(ContentType::plaintext()).body(proof.to_string()))
    })
    .await
}
