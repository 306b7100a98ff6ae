//! Reports: those that were issued, to download as they were issued; and, for those who may, the
//! form that shows a report before it is issued and issues it. An authority sees here what was
//! issued for its sites, and nothing else.

use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use jiff::ToSpan as _;
use report::About;
use serde::Deserialize;
use shopfloor::common::Day;
use shopfloor::ids::Label;
use shopfloor::people::events::Role;
use shopfloor::record::IssuedReport;

use super::parts::{self, Block, BlocksPage, Cell, Form, Select, Table, facts};
use super::visit::{self, Fault, Shown, Top, Visit};
use super::words::Words;
use crate::api::excerpt::{Line, as_data, lines, proved};
use crate::api::reports::{as_issued, compiled, form, issue, language, of_period};
use crate::authz;
use crate::reports::Form as ReportForm;

#[derive(Template)]
#[template(path = "reports.html")]
struct ReportsPage {
    top: Top,
    lead: String,
    blocks: Vec<Block>,
    /// Kinds of report to choose from, with their names, and whether it is chosen.
    kinds: Vec<(&'static str, String, bool)>,
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
    kind: String,
    /// Of a report about a lot.
    #[serde(default)]
    lot: String,
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

/// Operations of the API that compile and issue a kind of report.
fn operations(kind: &str) -> Option<(&'static str, &'static str)> {
    match kind {
        "lot" => Some(("compileLotReport", "issueLotReport")),
        "disposal" => Some(("compileDisposalReport", "issueDisposalReport")),
        "maintenance" => Some(("compileMaintenanceReport", "issueMaintenanceReport")),
        _ => None,
    }
}

fn may(visit: &Visit, operation: &str) -> bool {
    authz::Operation::by_id(operation).is_some_and(|known| known.allows(&visit.who.roles))
}

fn page(visit: &Visit, order: &Order, wrong: Option<String>) -> Shown {
    let words = visit.words;
    let inside = visit.who.roles.iter().any(|role| *role != Role::Authority);
    let compiles = may(visit, "compileDisposalReport");
    let (rows, sites, zone, as_of) = visit.recorder.log.ask(|state| {
        let mine = |issued: &&IssuedReport| visit.may_see(issued.report.site.as_ref());
        let rows = state.record.reports().iter().rev().filter(mine);
        let rows: Vec<_> = rows.map(|issued| row(visit, issued, inside)).collect();
        let sites = if compiles { visit.sites(state) } else { Vec::new() };
        let sites: Vec<String> = sites.iter().map(ToString::to_string).collect();
        (rows, sites, visit.zone(state, None), state.as_of)
    });
    let columns = ["report", "subject", "period", "as_of", "files", "evidence", "digest", "entry"];
    let table = Table::new(words, "list.reports", &columns).with(rows);
    // Last month is what is asked for on most days.
    let today = visit.now.to_zoned_datetime(zone).date();
    let first = today.first_of_month().saturating_sub(1.month());
    let or = |given: &str, day: jiff::civil::Date| {
        if given.is_empty() { Day(day).to_string() } else { given.to_owned() }
    };
    let kinds = About::OF_A_PERIOD.iter();
    let kinds = kinds.map(|kind| (*kind, words.code("report", kind), *kind == order.kind));
    visit.page(&ReportsPage {
        top: visit.top(words.t("nav.reports"), Some(as_of)),
        lead: words.t("lead.reports").to_owned(),
        blocks: vec![Block::Table(table)],
        kinds: kinds.collect(),
        sites,
        from: or(&order.from, first),
        to: or(&order.to, first.last_of_month()),
        may_issue: may(visit, "issueDisposalReport"),
        wrong,
    })
}

fn row(visit: &Visit, issued: &IssuedReport, inside: bool) -> Vec<Cell> {
    let (words, report) = (visit.words, &issued.report);
    let file = |form: &ReportForm| {
        let href = format!("/reports/{}?format={}", report.digest, form.as_str());
        (href, form.as_str().to_uppercase())
    };
    let forms = [ReportForm::Pdf, ReportForm::Csv, ReportForm::Json];
    let period = report.from.zip(report.to);
    let period = period.map(|(from, to)| format!("{} – {}", words.day(from), words.day(to)));
    vec![
        Cell::Text(words.code("report", report.report.as_str())),
        match &report.lot {
            Some(lot) if inside => {
                Cell::Link { href: format!("/lots/{lot}"), text: lot.to_string() }
            }
            lot => Cell::maybe(report.site.as_ref().or(lot.as_ref())),
        },
        Cell::maybe(period),
        Cell::Number(report.as_of.to_string()),
        Cell::Links(forms.iter().map(file).collect()),
        Cell::Link {
            href: format!("/reports/{}/evidence", report.digest),
            text: words.t("evidence.link").to_owned(),
        },
        Cell::Long(report.digest.to_string()),
        if inside { Cell::Entries(vec![issued.seq]) } else { Cell::Text(issued.seq.to_string()) },
    ]
}

/// What an order is about; what is wrong with it, to be said on the page, is the inner error.
fn about(visit: &Visit, order: &Order) -> Result<Result<About, String>, Fault> {
    if order.kind == "lot" {
        // Powder crosses sites: the report of a lot is for those who may see every one.
        if visit.who.sites.is_some() {
            return Err(Fault::Forbidden);
        }
        return Label::new(&order.lot).map(|lot| Ok(About::Lot(lot))).map_err(|_| Fault::NotFound);
    }
    match of_period(&visit.who, &order.site, &order.from, &order.to) {
        Ok(period) => About::period(&order.kind, period).map(Ok).ok_or(Fault::NotFound),
        Err(problem) => Ok(Err(problem.detail.to_string())),
    }
}

/// A report as it would be issued now.
pub(crate) async fn look(request: HttpRequest, order: web::Query<Order>) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        if !may(visit, operations(&order.kind).ok_or(Fault::NotFound)?.0) {
            return Err(Fault::Forbidden);
        }
        let about = match about(visit, &order)? {
            Ok(about) => about,
            Err(wrong) => return page(visit, &order, Some(wrong)),
        };
        let (form, language) = (form(order.format.as_deref())?, language(order.lang.as_deref())?);
        Ok(compiled(&visit.recorder, about, form, language, false).await?)
    })
    .await
}

/// Issues a report.
pub(crate) async fn order(request: HttpRequest, order: web::Form<Order>) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        if !may(visit, operations(&order.kind).ok_or(Fault::NotFound)?.1) {
            return Err(Fault::Forbidden);
        }
        let about = match about(visit, &order)? {
            Ok(about) => about,
            Err(wrong) => return page(visit, &order, Some(wrong)),
        };
        issue(&visit.recorder, &visit.who, about, language(order.lang.as_deref())?).await?;
        Ok(visit::see("/reports"))
    })
    .await
}

/// The form that issues the report of a lot, for those who may.
pub(super) fn issue_of_lot(visit: &Visit, lot: &Label) -> Option<Block> {
    if visit.who.sites.is_some() || !may(visit, "issueLotReport") {
        return None;
    }
    let words = visit.words;
    let mut form = Form::post("/reports", words.t("lot.issue"));
    form.title = words.t("lot.issue_title").to_owned();
    form.lead = words.t("lot.issue_lead").to_owned();
    form.hidden = vec![("kind".into(), "lot".into()), ("lot".into(), lot.to_string())];
    let options = Words::languages().map(|(lang, name)| (lang.to_owned(), name.to_owned()));
    let mut options: Vec<(String, String)> = options.collect();
    // The language of the page is offered first.
    options.sort_by_key(|(lang, _)| lang != words.lang);
    let label = words.t("reports.language").to_owned();
    form.selects.push(Select { name: "lang", label, options });
    Some(Block::Form(form))
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

/// Most lines of a report that are listed; every other one is proved by its pointer.
const LINES_MAX: usize = 200;

/// Which line of a report.
#[derive(Debug, Deserialize)]
pub(crate) struct OfLine {
    #[serde(default)]
    line: String,
}

/// The evidence of an issued report: its lines, the proof of each, and how to check them.
pub(crate) async fn evidence(request: HttpRequest, digest: web::Path<String>) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        let (seq, report, json) = as_data(&visit.recorder, &visit.who, &digest).await?;
        let words = visit.words;
        let inside = visit.who.roles.iter().any(|role| *role != Role::Authority);
        let entries = |entries: Vec<u64>| {
            if inside { Cell::Entries(entries) } else { Cell::Text(numbers(&entries)) }
        };
        let file = |form: &ReportForm| {
            let href = format!("/reports/{}?format={}", report.digest, form.as_str());
            (href, form.as_str().to_uppercase())
        };
        let head = facts(
            words,
            vec![
                ("subject", Cell::maybe(report.site.as_ref().or(report.lot.as_ref()))),
                ("as_of", Cell::Text(report.as_of.to_string())),
                ("entry", entries(vec![seq])),
                ("digest", Cell::Text(report.digest.to_string())),
                ("pdf_digest", Cell::maybe(report.pdf_digest.as_ref())),
                (
                    "files",
                    Cell::Links(
                        [ReportForm::Pdf, ReportForm::Csv, ReportForm::Json]
                            .iter()
                            .map(file)
                            .collect(),
                    ),
                ),
            ],
        );
        let lines = lines(&json);
        let address = |line: &Line| {
            format!("/reports/{}/excerpt?line={}", report.digest, visit::encoded(&line.pointer))
        };
        let rows = lines.iter().take(LINES_MAX).map(|line| {
            vec![
                Cell::Text(line.pointer.clone()),
                Cell::Text(line.told.clone()),
                entries(line.entries.iter().copied().collect()),
                Cell::Link { href: address(line), text: words.t("evidence.take").to_owned() },
            ]
        });
        let columns = ["line", "begins_with", "entries", "evidence"];
        let mut table = Table::new(words, "evidence.lines", &columns).with(rows);
        table.caption = format!("{} ({})", table.caption, lines.len());
        let by_pointer = parts::Form::get(
            format!("/reports/{}/excerpt", report.digest),
            words.t("evidence.take"),
        );
        let by_pointer = parts::Form {
            title: words.t("evidence.other").to_owned(),
            texts: vec![("line".to_owned(), words.t("column.line").to_owned(), String::new())],
            ..by_pointer
        };
        let steps = ["files", "digest", "browser", "script", "key"];
        let steps = steps.map(|step| words.t(&format!("evidence.step_{step}")).to_owned());
        let mut blocks = vec![
            head,
            Block::Heading(words.t("evidence.how").to_owned()),
            Block::Steps(steps.to_vec()),
            Block::Doing(vec![(
                "/audit#verify-bundle".to_owned(),
                words.t("audit.verify").to_owned(),
            )]),
            Block::Words(words.t("evidence.proves").to_owned()),
            Block::Table(table),
        ];
        if lines.len() > LINES_MAX {
            blocks.push(Block::Form(by_pointer));
        }
        let kind = words.code("report", report.report.as_str());
        let as_of = visit.recorder.log.ask(|state| state.as_of);
        let top = visit.top(words.n("evidence.title", kind), Some(as_of));
        let lead = report.from.zip(report.to);
        let lead = lead.map(|(from, to)| format!("{} – {}", words.day(from), words.day(to)));
        visit.page(&BlocksPage { top, lead: lead.unwrap_or_default(), blocks })
    })
    .await
}

/// Numbers of entries for somebody who may not open them: the first ones.
fn numbers(entries: &[u64]) -> String {
    const SHOWN: usize = 6;
    let more = if entries.len() > SHOWN { " …" } else { "" };
    let shown = entries.iter().take(SHOWN).map(ToString::to_string);
    format!("{}{more}", shown.collect::<Vec<_>>().join(", "))
}

/// The proof of one line of an issued report.
pub(crate) async fn excerpt(
    request: HttpRequest,
    digest: web::Path<String>,
    query: web::Query<OfLine>,
) -> HttpResponse {
    visit::show(&request, "reports", async |visit| {
        Ok(proved(&visit.recorder, &visit.who, &digest, &query.line).await?)
    })
    .await
}
