//! For auditors: where the log stands, what was signed, what nobody outside has seen yet; and a
//! check of a bundle that runs in the browser, by code of its own, without the server's word.

use actix_web::{HttpRequest, HttpResponse};
use askama::Template;
use shopfloor::record::keys::{EnrolledKey, TwoPeople};

use super::parts::{Block, Cell, Table, facts};
use super::visit::{self, Shown, Top, Visit};
use crate::authz;
use crate::copies::Lag;

/// Most checkpoints shown, newest first.
const CHECKPOINTS_MAX: usize = 12;

#[derive(Template)]
#[template(path = "audit.html")]
struct AuditPage {
    top: Top,
    lead: String,
    blocks: Vec<Block>,
    checkpoint: String,
}

/// The page.
pub(crate) async fn audit(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "audit", async |visit| page(visit)).await
}

/// Copies away from this machine: how far they are, and what of the log would be lost with it.
fn copies(visit: &Visit, lags: Vec<Lag>) -> Table {
    let words = visit.words;
    let columns = ["copy", "copied", "signed_to", "behind", "receipts", "stands"];
    let row = |lag: Lag| {
        let behind = words
            .t("audit.window")
            .replace("{entries}", &lag.behind.to_string())
            .replace("{hours}", &(lag.behind_s / 3600).to_string())
            .replace("{minutes}", &(lag.behind_s / 60 % 60).to_string());
        let copied = lag.standing.copied.map_or("–".to_owned(), |copied| copied.to_string());
        let wait = if lag.acknowledge { "wait" } else { "do_not_wait" };
        let stands = if lag.standing.trouble.is_some() { "held_up" } else { "goes_on" };
        vec![
            Cell::Text(lag.name),
            Cell::Number(copied),
            Cell::Number(lag.standing.signed.to_string()),
            Cell::Text(behind),
            Cell::Text(words.code("copy", wait)),
            Cell::Strong(words.code("copy", stands)),
        ]
    };
    Table::new(words, "audit.copies", &columns).with(lags.into_iter().map(row))
}

/// Keys of terminals and systems: who asked, who confirmed, what is suspect.
fn keys(visit: &Visit) -> Table {
    let words = visit.words;
    let columns =
        ["owner", "key", "stands", "enrolled_in", "approved_in", "revoked_in", "suspect_from"];
    let table = Table::new(words, "audit.keys", &columns);
    let row = |key: &EnrolledKey| {
        let stands = match &key.revoked {
            Some(_) => "revoked",
            None if key.is_in_force() => "in_force",
            None => "not_approved",
        };
        let by = |people: &TwoPeople| {
            let by = people.by.as_ref().map_or("–", |by| by.as_str());
            Cell::Links(vec![(format!("/entries/{}", people.seq), format!("{} {by}", people.seq))])
        };
        let approved = |people: &TwoPeople| match people.approved_in {
            Some(seq) => {
                let text = format!("{seq} {}", people.approver);
                Cell::Links(vec![(format!("/entries/{seq}"), text)])
            }
            None => Cell::Strong(words.n("audit.waits_for", &people.approver)),
        };
        let revoked = key.revoked.as_ref();
        vec![
            Cell::Text(key.owner.to_string()),
            // Name and key id; the whole key stands in the entry that enrolled it.
            Cell::Text(key.key.rsplit_once('+').map_or(&*key.key, |(label, _)| label).to_owned()),
            Cell::Strong(words.code("key_state", stands)),
            by(&key.enrolled),
            approved(&key.enrolled),
            revoked.map_or(Cell::Text("–".to_owned()), |revoked| by(&revoked.people)),
            Cell::maybe(revoked.map(|revoked| revoked.suspect_from)),
        ]
    };
    let state_keys = visit.recorder.log.ask(|state| state.record.keys().to_vec());
    table.with(state_keys.iter().map(row))
}

/// When the disk of the log is full, as far as that can be told.
fn disk_full(visit: &Visit) -> String {
    let words = visit.words;
    let recorder = &visit.recorder;
    let measured = recorder.storage.measure(&recorder.log, recorder.clock.now_ms());
    let Some(forecast) = measured.ok().and_then(|measured| measured.forecast) else {
        return words.t("audit.disk_unknown").to_owned();
    };
    match forecast.full_in_s {
        None => words.t("audit.disk_still").to_owned(),
        Some(s) => words
            .t("audit.disk_full")
            .replace("{days}", &(s / 86_400).to_string())
            .replace("{kib}", &(forecast.bytes_per_day / 1_024).to_string()),
    }
}

fn page(visit: &Visit) -> Shown {
    let words = visit.words;
    let log = &visit.recorder.log;
    let published = log.published();
    let witnesses = &visit.recorder.witnesses;
    let as_of = log.ask(|state| state.as_of);
    let size = published.as_ref().map_or(0, |p| p.size);
    let root = log.root(as_of).map(|root| root.to_base64()).unwrap_or_default();
    // Window D: what a holder of the log's key could still rewrite unseen, in entries and time.
    let window = witnesses.window()?;
    let anchored = match witnesses.anchor_entry() {
        Some(seq) => Cell::Entries(vec![seq]),
        None => Cell::Strong(words.t("audit.no_anchor").to_owned()),
    };
    let witnessed = match witnesses.covered() {
        Some(covered) => Cell::Text(covered.size.to_string()),
        None => Cell::Strong(words.t("audit.no_anchor").to_owned()),
    };
    let window = words
        .t("audit.window")
        .replace("{entries}", &window.entries.to_string())
        .replace("{hours}", &(window.age_s / 3600).to_string())
        .replace("{minutes}", &(window.age_s / 60 % 60).to_string());
    let mut blocks = vec![facts(
        words,
        vec![
            ("origin", Cell::Text(log.origin().to_owned())),
            ("entries_in_all", Cell::Text(as_of.to_string())),
            ("root", Cell::Text(root)),
            ("signed_up_to", Cell::Text(size.to_string())),
            ("witnessed_up_to", witnessed),
            ("last_anchor", anchored),
            ("window", Cell::Strong(window)),
            ("disk_full", Cell::Text(disk_full(visit))),
            ("key", Cell::Text(log.key().to_string())),
        ],
    )];
    let sizes = log.checkpoint_sizes().unwrap_or_default();
    let rows = sizes.iter().rev().take(CHECKPOINTS_MAX).filter_map(|size| {
        let note = log.checkpoint(*size).ok().flatten()?;
        let text = String::from_utf8(note).ok()?;
        let root = text.lines().nth(2).unwrap_or_default().to_owned();
        let signatures = text.lines().filter(|line| line.starts_with('\u{2014}')).count();
        Some(vec![
            Cell::Number(size.to_string()),
            Cell::Text(root),
            Cell::Number(signatures.to_string()),
        ])
    });
    blocks.push(Block::Table(
        Table::new(words, "audit.checkpoints", &["size", "root", "signatures"]).with(rows),
    ));
    let lags = visit.recorder.copies.lags()?;
    if !lags.is_empty() {
        blocks.push(Block::Table(copies(visit, lags)));
    }
    if authz::Operation::by_id("listKeys").is_some_and(|known| known.allows(&visit.who.roles)) {
        blocks.push(Block::Table(keys(visit)));
    }
    let checkpoint = published.map(|p| p.note.to_string()).unwrap_or_default();
    let page = AuditPage {
        top: visit.top(words.t("nav.audit"), Some(as_of)),
        lead: words.t("lead.audit").to_owned(),
        blocks,
        checkpoint,
    };
    visit.page(&page)
}
