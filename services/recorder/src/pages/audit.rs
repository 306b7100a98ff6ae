//! For auditors: where the log stands, what was signed, what nobody outside has seen yet; and a
//! check of a bundle that runs in the browser, by code of its own, without the server's word.

use actix_web::{HttpRequest, HttpResponse};
use askama::Template;

use super::parts::{Block, Cell, Table, facts};
use super::visit::{self, Shown, Top, Visit};

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
    let checkpoint = published.map(|p| p.note.to_string()).unwrap_or_default();
    let page = AuditPage {
        top: visit.top(words.t("nav.audit"), Some(as_of)),
        lead: words.t("lead.audit").to_owned(),
        blocks,
        checkpoint,
    };
    visit.page(&page)
}
