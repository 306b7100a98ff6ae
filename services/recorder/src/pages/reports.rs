//! Reports: those that were issued, to download as they were issued; and, for those who may, the
//! form that shows a report before it is issued and issues it. An authority sees here what was
//! issued for its sites, and nothing else.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use jiff::ToSpan as _;
use serde::Deserialize;
use shopfloor::common::Day;
use shopfloor::people::events::Role;
use shopfloor::record::IssuedReport;

use super::parts::{Block, Cell, Table};
use super::visit::{self, Fault, Shown, Top, Visit};
use crate::api::reports::{as_issued, compiled, form, issue, language, scope};
use crate::authz;
use crate::reports::Form;

#[derive(Template)]
#[template(path = "reports.html")]
struct ReportsPage {
    top: Top,
    lead: String,
    blocks: Vec<Block>,
    /// Sites to choose from, for those who compile reports.
    sites: Vec<String>,
    from: String,
    to: String,
    may_issue: bool,
    /// What went wrong with the form.
    wrong: Option<String>,
}

/// Which report is looked at or issued.
#[derive(Debug, Clone, Default, Deserialize)]
pub(crate) struct Order {
    #[serde(default)]
    site: String,
    #[serde(default)]
    from: String,
    #[serde(default)]
    to: String,
    #[serde(default)]
    format: Option<String>,
    #[serde(default)]
    lang: Option<String>,
}

/// The page.
pub(crate) async fn reports(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "reports", async |visit| page(visit, &Order::default(), None)).await
}

fn may(visit: &Visit, operation: &str) -> bool {
    authz::Operation::by_id(operation).is_some_and(|known| known.allows(&visit.who.roles))
}

fn page(visit: &Visit, order: &Order, wrong: Option<String>) -> Shown {
    let words = visit.words;
    let inside = visit.who.roles.iter().any(|role| *role != Role::Authority);
    let compiles = may(visit, "compileDisposalReport");
    let (rows, sites, zone, as_of) = visit.recorder.log.ask(|state| {
        let mine = |issued: &&IssuedReport| visit.may_see(Some(&issued.report.site));
        let rows = state.record.reports().iter().rev().filter(mine);
        let rows: Vec<_> = rows.map(|issued| row(visit, issued, inside)).collect();
        let sites = if compiles { visit.sites(state) } else { Vec::new() };
        let sites: Vec<String> = sites.iter().map(ToString::to_string).collect();
        (rows, sites, visit.zone(state, None), state.as_of)
    });
    let columns = ["report", "site", "period", "as_of", "files", "digest", "entry"];
    let table = Table::new(words, "list.reports", &columns).with(rows);
    // Last month is what is asked for on most days.
    let today = visit.now.to_zoned_datetime(zone).date();
    let first = today.first_of_month().saturating_sub(1.month());
    let or = |given: &str, day: jiff::civil::Date| {
        if given.is_empty() { Day(day).to_string() } else { given.to_owned() }
    };
    visit.page(&ReportsPage {
        top: visit.top(words.t("nav.reports"), Some(as_of)),
        lead: words.t("lead.reports").to_owned(),
        blocks: vec![Block::Table(table)],
        sites,
        from: or(&order.from, first),
        to: or(&order.to, first.last_of_month()),
        may_issue: may(visit, "issueDisposalReport"),
        wrong,
    })
}

fn row(visit: &Visit, issued: &IssuedReport, inside: bool) -> Vec<Cell> {
    let (words, report) = (visit.words, &issued.report);
    let file = |form: &Form| {
        let href = format!("/reports/{}?format={}", report.digest, form.as_str());
        (href, form.as_str().to_uppercase())
    };
    let forms = [Form::Pdf, Form::Csv, Form::Json];
    vec![
        Cell::Text(words.code("report", report.report.as_str())),
        Cell::Text(report.site.to_string()),
        Cell::Text(format!("{} – {}", words.day(report.from), words.day(report.to))),
        Cell::Number(report.as_of.to_string()),
        Cell::Links(forms.iter().map(file).collect()),
        Cell::Text(report.digest.to_string()),
        if inside { Cell::Entries(vec![issued.seq]) } else { Cell::Text(issued.seq.to_string()) },
    ]
}

/// A report as it would be issued now.
pub(crate) async fn look(request: HttpRequest, order: web::Query<Order>) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        if !may(visit, "compileDisposalReport") {
            return Err(Fault::Forbidden);
        }
        let scope = match scope(&visit.who, &order.site, &order.from, &order.to) {
            Ok(scope) => scope,
            Err(problem) => return page(visit, &order, Some(problem.detail.to_string())),
        };
        let (form, language) = (form(order.format.as_deref())?, language(order.lang.as_deref())?);
        Ok(compiled(&visit.recorder, scope, form, language, false).await?)
    })
    .await
}

/// Issues a report.
pub(crate) async fn order(request: HttpRequest, order: web::Form<Order>) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        if !may(visit, "issueDisposalReport") {
            return Err(Fault::Forbidden);
        }
        let scope = match scope(&visit.who, &order.site, &order.from, &order.to) {
            Ok(scope) => scope,
            Err(problem) => return page(visit, &order, Some(problem.detail.to_string())),
        };
        issue(&visit.recorder, &visit.who, scope, language(order.lang.as_deref())?).await?;
        Ok(visit::see("/reports"))
    })
    .await
}

/// A report as it was issued, in one of its forms.
pub(crate) async fn file(
    request: HttpRequest,
    digest: web::Path<String>,
    order: web::Query<Order>,
) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        let form = form(order.format.as_deref())?;
        Ok(as_issued(&visit.recorder, &visit.who, &digest, form).await?)
    })
    .await
}
