//! How long the records of waste are kept, from which rule, and whether a legal hold lies on them.

use actix_web::{HttpRequest, HttpResponse};
use shopfloor::waste::SiteWaste;
use shopfloor::waste::retention::Retention;

use super::lists::ROWS_MAX;
use super::parts::{Block, BlocksPage, Cell, Table};
use super::visit::{self, Visit};
use super::waste::stands;

/// The page.
pub(crate) async fn retention(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "waste", async |visit| {
        let words = visit.words;
        // Working these out takes long: on a copy, so that the writer does not wait.
        let state = visit.recorder.log.state();
        let mut blocks = Vec::new();
        for site in visit.sites(&state) {
            let waste = SiteWaste::of(&state, &site);
            let mut records = waste.retention(visit.now);
            blocks.push(Block::Heading(site.to_string()));
            if waste.law.hold() {
                blocks.push(Block::Notice(words.t("retention.hold").to_owned()));
            }
            let total = records.len();
            // What may go first comes first, then what is kept without a day.
            records.sort_by_key(|r| (r.keep_until.is_none(), r.keep_until, r.subject.clone()));
            let rows = records.iter().take(ROWS_MAX).map(|record| row(visit, record));
            let columns =
                ["record", "subject", "from", "keep_until", "standing", "source", "entries"];
            let table = Table::new(words, "retention.records", &columns);
            blocks.push(Block::Table(table.with(rows)));
            if total > ROWS_MAX {
                blocks.push(Block::Words(words.n("retention.more", total - ROWS_MAX)));
            }
        }
        let top = visit.top(words.t("retention.title"), Some(state.as_of));
        visit.page(&BlocksPage { top, lead: words.t("retention.lead").to_owned(), blocks })
    })
    .await
}

fn row(visit: &Visit, record: &Retention) -> Vec<Cell> {
    let words = visit.words;
    let standing = match (record.held, record.deletable) {
        (true, _) => Cell::Strong(words.t("retention.held").to_owned()),
        (false, true) => Cell::Text(words.t("retention.may_go").to_owned()),
        (false, false) => Cell::Text(words.t("retention.kept").to_owned()),
    };
    let day = |day: Option<shopfloor::common::Day>| match day {
        Some(day) => Cell::Text(words.day(day)),
        None => Cell::Text(words.t("retention.not_yet").to_owned()),
    };
    vec![
        Cell::Text(words.code("record_kind", record.record.as_str())),
        Cell::subject(&record.subject),
        day(record.from),
        day(record.keep_until),
        standing,
        Cell::Long(stands(words, &record.rule)),
        Cell::Entries(record.entries.clone()),
    ]
}
