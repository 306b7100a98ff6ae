//! Waste: the month and its category, containers, shipments, duties with a last day, and the values
//! of law and practice behind them.

use std::collections::BTreeSet;

use actix_web::{HttpRequest, HttpResponse, web};
use jiff::tz::TimeZone;
use report::pdf::Language;
use serde::Deserialize;
use shopfloor::State;
use shopfloor::calendar::add_months;
use shopfloor::common::Day;
use shopfloor::ids::{Label, Subject};
use shopfloor::waste::category::{self, Month, MonthView};
use shopfloor::waste::clocks::{self, Clock, ClockState};
use shopfloor::waste::discrepancy::WeightTest;
use shopfloor::waste::events::{ReactivityGroup, Separation};
use shopfloor::waste::law::{Law, RuleUsed};
use shopfloor::waste::view::{self, ContainerView, CustodyStep, ShipmentView};
use shopfloor::waste::{Kg, SiteWaste, compatibility, notices};

use super::entry::{timeline, with_amendments};
use super::lists::{ROWS_MAX, blocks};
use super::parts::{self, Bar, Block, BlocksPage, Cell, Table, facts};
use super::then::{About, Asked, Order, View};
use super::visit::{self, Fault, Shown, Visit};
use super::words::Words;
use crate::log::Log;
use crate::reports::{self, Still};

/// Months shown before this one.
const MONTHS_BEFORE: i32 = 11;

fn label(text: &str) -> Result<Label, Fault> {
    Label::new(text).map_err(|_| Fault::NotFound)
}

fn kg(words: &'static Words, kg: Kg) -> String {
    words.number(&kg.to_string())
}

fn kg_cell(words: &'static Words, mass: Option<Kg>) -> Cell {
    Cell::Number(mass.map_or_else(|| "–".to_owned(), |mass| kg(words, mass)))
}

/// The months and their categories, containers and shipments.
pub(crate) async fn waste(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "waste", async |visit| {
        let words = visit.words;
        // Working these out takes long: on a copy, so that the writer does not wait.
        let state = visit.recorder.log.state();
        let mut out = vec![Block::Words(words.t("waste.decide").to_owned())];
        let kinds = ["container_start", "area_inspection", "shipment_offer", "stream"];
        let mut doing = super::record::links(visit, &kinds, None);
        doing.push(("/retention".to_owned(), words.t("retention.title").to_owned()));
        out.push(Block::Doing(doing));
        for site in visit.sites(&state) {
            months(visit, &state, &site, &mut out);
        }
        for site in visit.sites(&state) {
            apart(visit, &state, &site, &mut out);
        }
        out.push(Block::Table(container_list(visit, &state)));
        out.push(Block::Table(shipment_list(visit, &state)));
        blocks(visit, "waste", state.as_of, out)
    })
    .await
}

/// This month against the next limit, what changes if it is passed, and the months before.
fn months(visit: &Visit, state: &State, site: &Label, out: &mut Vec<Block>) {
    let words = visit.words;
    let law = Law::of(state.record.site(site));
    let today = law.days.day(visit.now.as_millisecond());
    let from = Month::of(Day(add_months(today.0, -MONTHS_BEFORE))).first();
    let past = category::month_views(state, site, from, today, visit.now);
    let this = category::month(state, site, Month::of(today), visit.now);
    if past.is_empty() && this.entries.is_empty() {
        return;
    }
    out.push(Block::Heading(words.n("waste.month", site)));
    out.push(month_head(visit, &this));
    if let Some(forecast) = this.forecast.as_ref().filter(|_| this.warn) {
        let text = words
            .t("waste.tips")
            .replace("{kg}", &kg(words, forecast.non_acute_kg))
            .replace("{category}", &words.code("generator", forecast.category.as_str()));
        out.push(Block::Words(text));
        let rows = this.changes.iter().map(|c| {
            let phrases = [&c.topic, &c.now, &c.then].map(|text| phrase(words, text));
            phrases.into_iter().chain([c.section.clone()]).map(Cell::Text).collect()
        });
        let columns = ["what", "as_it_is", "as_it_would_be", "source"];
        out.push(Block::Table(Table::new(words, "waste.changes", &columns).with(rows)));
    }
    let rows = past.iter().rev().map(|m| month_row(words, m));
    let columns = [
        "month",
        "non_acute",
        "acute",
        "spill_residue",
        "not_hazardous",
        "undetermined",
        "category",
        "entries",
    ];
    out.push(Block::Table(Table::new(words, "waste.months", &columns).with(rows)));
}

/// What changes, in the language of the page; days keep their number.
fn phrase(words: &'static Words, text: &str) -> String {
    match text.strip_suffix(" days").filter(|number| number.parse::<u32>().is_ok()) {
        Some(number) => words.n("clock.days", number),
        None => words.code("consequence", text),
    }
}

fn category_cell(words: &'static Words, month: &MonthView) -> Cell {
    let Some(counted) = month.category else { return Cell::maybe(None::<String>) };
    let text = words.code("generator", counted.as_str());
    match month.category_with_undetermined {
        Some(other) => {
            let other = words.code("generator", other.as_str());
            Cell::Strong(format!("{text}; {}", words.n("waste.if_hazardous", other)))
        }
        None => Cell::Text(text),
    }
}

fn month_row(words: &'static Words, month: &MonthView) -> Vec<Cell> {
    let amounts = &month.amounts;
    let mass = |mass: Kg| kg_cell(words, Some(mass));
    vec![
        Cell::Text(words.month(month.month)),
        mass(amounts.non_acute_kg),
        mass(amounts.acute_kg),
        mass(amounts.spill_residue_kg),
        mass(amounts.non_hazardous_kg),
        mass(amounts.undetermined_kg),
        category_cell(words, month),
        Cell::Entries(month.entries.clone()),
    ]
}

fn month_head(visit: &Visit, month: &MonthView) -> Block {
    let words = visit.words;
    let counted = month.amounts.non_acute_kg;
    let category = match month.category {
        Some(_) => category_cell(words, month),
        None => Cell::Text(words.t("waste.no_category").to_owned()),
    };
    let mut rows = vec![
        ("month", Cell::Text(words.month(month.month))),
        ("category", category),
        ("non_acute", Cell::Text(kg(words, counted))),
    ];
    if let Some(margin) = month.margin_kg {
        let limit = counted + margin;
        let percent = (counted.0 * rust_decimal::Decimal::ONE_HUNDRED)
            .checked_div(limit.0)
            .and_then(|percent| u32::try_from(percent.trunc()).ok())
            .unwrap_or(0);
        let bar = Bar { percent, words: format!("{percent} %"), over: month.warn };
        rows.push(("used", Cell::Bar(bar)));
        let left = words
            .t("waste.left")
            .replace("{kg}", &kg(words, margin))
            .replace("{limit}", &kg(words, limit));
        rows.push(("margin", Cell::Text(left)));
    }
    if let Some(forecast) = &month.forecast {
        let text = words
            .t("waste.forecast")
            .replace("{kg}", &kg(words, forecast.non_acute_kg))
            .replace("{category}", &words.code("generator", forecast.category.as_str()));
        rows.push(("forecast", if month.warn { Cell::Strong(text) } else { Cell::Text(text) }));
    }
    if !month.entries.is_empty() {
        rows.push(("rests_on", Cell::Entries(month.entries.clone())));
    }
    facts(words, rows)
}

/// Streams of a site that are kept apart, and what stands together all the same.
fn apart(visit: &Visit, state: &State, site: &Label, out: &mut Vec<Block>) {
    let words = visit.words;
    let found = SiteWaste::of(state, site).kept_apart(visit.now);
    if found.is_empty() {
        return;
    }
    let rows = found.iter().map(|pair| {
        let dangers: BTreeSet<&str> = pair.pairs.iter().map(|p| p.danger.as_str()).collect();
        let dangers: Vec<String> = dangers.iter().map(|d| words.code("danger", d)).collect();
        let standing: Vec<&str> = pair.standing.iter().map(Label::as_str).collect();
        vec![
            Cell::Text(pair.a.to_string()),
            Cell::Text(pair.b.to_string()),
            Cell::Text(dangers.join("; ")),
            match standing.is_empty() {
                true => Cell::Text(words.t("apart.none").to_owned()),
                false => Cell::Strong(standing.join(", ")),
            },
            Cell::Entries(pair.entries.clone()),
        ]
    });
    let columns = ["stream", "kept_from", "danger", "together", "entries"];
    out.push(Block::Heading(words.n("apart.title", site)));
    out.push(Block::Table(Table::new(words, "apart.streams", &columns).with(rows)));
}

/// The pairs of groups that are kept apart, with what they rest on.
fn pair_table(words: &'static Words) -> Table {
    let rows = compatibility::pairs().iter().map(|pair| {
        let sure = words.code("sureness", pair.confidence.as_str());
        let note = if pair.note.is_empty() { String::new() } else { format!(" – {}", pair.note) };
        vec![
            Cell::Text(words.code("reactivity", pair.a.as_str())),
            Cell::Text(words.code("reactivity", pair.b.as_str())),
            Cell::Text(words.code("danger", pair.danger.as_str())),
            Cell::Long(format!("{} [{}]{note}", pair.section, pair.source)),
            Cell::Text(sure),
        ]
    });
    let columns = ["group", "kept_from", "danger", "source", "sureness"];
    Table::new(words, "apart.pairs", &columns).with(rows)
}

fn container_list(visit: &Visit, state: &State) -> Table {
    let words = visit.words;
    let seen = state.waste.containers().filter(|c| visit.may_see(c.site()));
    let newest = seen.rev().take(ROWS_MAX);
    let rows = newest.filter_map(|c| view::container(state, c.id, visit.now)).map(|c| {
        vec![
            Cell::Link {
                href: format!("/containers/{}", c.container),
                text: c.container.to_string(),
            },
            Cell::maybe(c.stream.as_ref()),
            Cell::Text(words.code("container_state", c.state.as_str())),
            Cell::maybe(c.location.as_ref()),
            Cell::maybe(c.holder.as_ref()),
            kg_cell(words, c.net_kg.or(Some(c.added_kg))),
            Cell::maybe(c.clock_start.map(|d| words.day(d))),
            Cell::Entries(c.entries.clone()),
        ]
    });
    let columns =
        ["container", "stream", "standing", "area", "holder", "net", "clock_start", "entries"];
    Table::new(words, "list.containers", &columns).with(rows)
}

fn shipment_list(visit: &Visit, state: &State) -> Table {
    let words = visit.words;
    let seen = state.waste.shipments().filter(|s| visit.may_see(s.site()));
    let newest = seen.rev().take(ROWS_MAX);
    let rows = newest.filter_map(|s| view::shipment(state, s.id)).map(|s| {
        vec![
            Cell::Link { href: format!("/shipments/{}", s.shipment), text: s.shipment.to_string() },
            Cell::maybe(s.offered.map(|d| words.day(d))),
            Cell::maybe(s.facility.as_ref()),
            kg_cell(words, Some(s.shipped_kg)),
            kg_cell(words, s.received_kg),
            Cell::Number(s.certificates.len().to_string()),
            Cell::Entries(s.entries.clone()),
        ]
    });
    let columns =
        ["shipment", "offered", "facility", "shipped", "received", "certificates", "entries"];
    Table::new(words, "list.shipments", &columns).with(rows)
}

// --- duties and the values behind them -----------------------------------------------------------

/// Duties with a last day.
pub(crate) async fn clock_list(request: HttpRequest) -> HttpResponse {
    visit::show(&request, "clocks", async |visit| {
        let words = visit.words;
        let state = visit.recorder.log.state();
        let mut out = vec![Block::Doing(vec![
            ("/rules".to_owned(), words.t("clock.rules").to_owned()),
            ("/retention".to_owned(), words.t("retention.title").to_owned()),
        ])];
        for site in visit.sites(&state) {
            let clocks = clocks::clocks(&state, &site, visit.now);
            out.push(Block::Heading(site.to_string()));
            out.push(Block::Table(clock_table(visit, clocks.iter().take(ROWS_MAX))));
            if clocks.len() > ROWS_MAX {
                out.push(Block::Words(words.n("clock.more", clocks.len() - ROWS_MAX)));
            }
        }
        blocks(visit, "clocks", state.as_of, out)
    })
    .await
}

fn clock_table<'a>(visit: &Visit, clocks: impl Iterator<Item = &'a Clock>) -> Table {
    let columns =
        ["what", "subject", "used", "started", "last_day", "standing", "source", "entries"];
    let rows = clocks.map(|clock| clock_row(visit, clock));
    Table::new(visit.words, "list.clocks", &columns).with(rows)
}

fn clock_row(visit: &Visit, clock: &Clock) -> Vec<Cell> {
    let words = visit.words;
    let whole = clocks::days_between(clock.start, clock.last_day).max(1);
    let used = whole - clock.margin_days;
    let percent = u32::try_from((used.max(0) * 100) / whole).unwrap_or(0);
    let over = clock.state == ClockState::Overdue;
    let standing = words.code("clock_state", clock.state.as_str());
    let left = match clock.margin_days {
        days if days < 0 => words.n("clock.late", -days),
        days => words.n("clock.left", days),
    };
    let mut told: Vec<String> = clock.rules.iter().map(|rule| stands(words, rule)).collect();
    told.dedup();
    told.extend(clock.notes.iter().map(|note| words.code("clock_note", note.as_str())));
    if clock.unconfirmed {
        told.push(words.t("clock.unconfirmed").to_owned());
    }
    let standing = format!("{standing} · {left}");
    vec![
        Cell::Text(words.code("clock", clock.kind.as_str())),
        Cell::subject(&clock.subject),
        Cell::Bar(Bar { percent, words: format!("{percent} %"), over }),
        Cell::Text(words.day(clock.start)),
        Cell::Text(words.day(clock.last_day)),
        if over { Cell::Strong(standing) } else { Cell::Text(standing) },
        Cell::Long(told.join("; ")),
        Cell::Entries(clock.entries.clone()),
    ]
}

/// `90 days, 40 CFR 262.17(a)`: what a value says and where it stands.
pub(super) fn stands(words: &'static Words, rule: &RuleUsed) -> String {
    let unit = words.code("unit", &rule.unit);
    let mut text = format!("{} {unit}, {}", words.number(&rule.value), rule.section);
    if let Some(instead) = &rule.site_instead_of {
        text.push_str(&format!(" ({})", words.n("rule.instead_of", instead)));
    }
    if let Some(refused) = &rule.site_refused {
        text.push_str(&format!(" ({})", words.n("rule.refused", refused)));
    }
    text
}

/// As of which day values are wanted.
#[derive(Debug, Deserialize)]
pub(crate) struct On {
    on: Option<String>,
}

/// The values of law and practice that bind the sites.
pub(crate) async fn rules(request: HttpRequest, query: web::Query<On>) -> HttpResponse {
    visit::show(&request, "clocks", async |visit| {
        let words = visit.words;
        let state = visit.recorder.log.state();
        let asked = query.on.as_deref().filter(|text| !text.is_empty());
        let asked = asked.map(|text| text.parse().map(Day).map_err(|_| Fault::NotFound));
        let asked = asked.transpose()?;
        let mut out = vec![Block::Words(words.t("rule.how").to_owned())];
        for site in visit.sites(&state) {
            let law = Law::of(state.record.site(&site));
            let on = asked.unwrap_or_else(|| law.days.day(visit.now.as_millisecond()));
            out.push(Block::Heading(format!("{site} · {}", words.day(on))));
            for set in law.sets() {
                let text = words.t("rule.set").replace("{title}", &set.title);
                out.push(Block::Words(text.replace("{day}", &words.day(set.state))));
            }
            let rows = law.in_force(on).into_iter().map(|rule| rule_row(words, &rule));
            let columns = ["value_name", "value", "source", "in_force", "sureness", "parameter"];
            out.push(Block::Table(Table::new(words, "rule.values", &columns).with(rows)));
            for notice in notices::for_site(&law) {
                out.push(Block::Words(format!("{} [{}]", notice.text, notice.hook)));
            }
        }
        out.push(Block::Heading(words.t("apart.groups").to_owned()));
        out.push(Block::Words(words.t("apart.how").to_owned()));
        out.push(Block::Table(pair_table(words)));
        let top = visit.top(words.t("rule.title"), Some(state.as_of));
        let lead = words.t("lead.rules").to_owned();
        visit.page(&BlocksPage { top, lead, blocks: out })
    })
    .await
}

fn rule_row(words: &'static Words, rule: &RuleUsed) -> Vec<Cell> {
    let mut value = format!("{} {}", words.number(&rule.value), words.code("unit", &rule.unit));
    if let Some(instead) = &rule.site_instead_of {
        value.push_str(&format!(" ({})", words.n("rule.instead_of", instead)));
    }
    if let Some(refused) = &rule.site_refused {
        value.push_str(&format!(" ({})", words.n("rule.refused", refused)));
    }
    let mut source = rule.section.clone();
    if !rule.source.is_empty() {
        source.push_str(&format!(" [{}]", rule.source));
    }
    if !rule.note.is_empty() {
        source.push_str(&format!(" – {}", rule.note));
    }
    let day = |day: Option<Day>| day.map_or_else(|| "…".to_owned(), |day| words.day(day));
    let in_force = match (rule.from, rule.until) {
        (None, None) => "–".to_owned(),
        (from, until) => format!("{} – {}", day(from), day(until)),
    };
    let sure = words.code("sureness", rule.confidence.as_str());
    let sure = if rule.unconfirmed() {
        Cell::Strong(format!("{sure}; {}", words.t("clock.unconfirmed")))
    } else {
        Cell::Text(sure)
    };
    vec![
        Cell::Text(rule.id.clone()),
        Cell::Text(value),
        Cell::Long(source),
        Cell::Text(in_force),
        sure,
        Cell::Text(rule.parameter()),
    ]
}

/// The open duties about one thing, where there are any.
fn duties(visit: &Visit, site: Option<&Label>, subject: &str, out: &mut Vec<Block>) {
    let Some((site, subject)) = site.zip(subject.parse::<Subject>().ok()) else { return };
    let state = visit.recorder.log.state();
    let clocks = clocks::clocks(&state, site, visit.now);
    let mut about = clocks.iter().filter(|clock| clock.subject == subject).peekable();
    if about.peek().is_some() {
        out.push(Block::Table(clock_table(visit, about)));
    }
}

// --- one container -------------------------------------------------------------------------------

/// One waste container.
pub(crate) async fn container(
    request: HttpRequest,
    id: web::Path<String>,
    asked: web::Query<Asked>,
) -> HttpResponse {
    visit::show(&request, "waste", async |visit| {
        let id = label(&id)?;
        let found = visit.recorder.log.ask(|state| {
            let container = view::container(state, &id, visit.now)?;
            let zone = visit.zone(state, container.site.as_ref());
            Some((container, zone, state.as_of))
        });
        let (container, zone, as_of) = found.ok_or(Fault::NotFound)?;
        super::today::seen(visit, container.site.as_ref(), ())?;
        let path = format!("/containers/{id}");
        let entries = &with_amendments(visit, container.entries.clone());
        let about = About { path: &path, entries, zone: &zone, order: Order::Record };
        if let Some(go) = about.go(&asked) {
            return go;
        }
        let asked = about.read(visit, &asked)?;
        let Some(then) = &asked.then else {
            return container_page(visit, &about, &asked, &id, Some(&container), as_of);
        };
        let visit = &visit.at(then.at);
        let (state, known) =
            (visit.recorder.log.ask(|s| s.container_as_of(&id, then.known)), then.known);
        let stood = view::container(&state, &id, then.at);
        container_page(visit, &about, &asked, &id, stood.as_ref(), known)
    })
    .await
}

fn container_page(
    visit: &Visit,
    about: &About<'_>,
    asked: &View,
    id: &Label,
    container: Option<&ContainerView>,
    as_of: u64,
) -> Shown {
    let words = visit.words;
    let mut blocks = vec![about.panel(words, asked)];
    let mut lead = String::new();
    match container {
        Some(container) => {
            let stream = container.stream.as_ref().map(|s| words.n("container.stream", s));
            lead = stream.unwrap_or_default();
            container_blocks(visit, container, about.zone, &mut blocks);
        }
        None => blocks.push(Block::Words(words.t("then.nothing").to_owned())),
    }
    let then = asked.then.as_ref();
    blocks.push(Block::Table(timeline(visit, about.entries, about.zone, then)?));
    let top = visit.top(words.n("container.title", id), Some(as_of));
    visit.page(&BlocksPage { top, lead, blocks })
}

fn container_blocks(
    visit: &Visit,
    container: &ContainerView,
    zone: &TimeZone,
    blocks: &mut Vec<Block>,
) {
    let words = visit.words;
    let id = &container.container;
    blocks.push(container_head(visit, container));
    if visit.acts() {
        // What can be done with it as it stands.
        let kinds: &[&str] = match (container.left.is_some(), container.closed.is_some()) {
            (true, _) => &[],
            (false, true) => &["weighing", "container_move", "marking"],
            (false, false) => &["waste", "weighing", "closing", "container_move", "marking"],
        };
        let mut links = super::record::links(visit, kinds, Some(id.as_str()));
        links.push((format!("/containers/{id}/label.pdf"), words.t("container.print").to_owned()));
        blocks.push(Block::Doing(links));
        too_near(visit, id, blocks);
        duties(visit, container.site.as_ref(), &format!("container/{id}"), blocks);
    }
    custody(visit, &container.custody, zone, blocks);
    let rows = container.additions.iter().rev().map(|a| {
        let told = match a.told_before {
            Some(before) => Cell::Strong(words.n("container.told_before", before)),
            None => Cell::Text(String::new()),
        };
        vec![
            Cell::Text(words.moment(ms(&a.time), zone)),
            Cell::Text(words.code("waste_item", a.what.as_str())),
            kg_cell(words, Some(a.mass_kg)),
            a.from.as_ref().map_or_else(|| Cell::maybe(a.item.as_ref()), Cell::place),
            Cell::maybe(a.by.as_ref()),
            told,
            Cell::Entries(vec![a.entry]),
        ]
    });
    let columns = ["done", "what", "mass", "from", "person", "told", "entry"];
    blocks.push(Block::Table(Table::new(words, "container.additions", &columns).with(rows)));
}

/// Groups of waste in words.
fn groups(words: &'static Words, groups: &[ReactivityGroup]) -> Cell {
    let told: Vec<String> = groups.iter().map(|g| words.code("reactivity", g.as_str())).collect();
    Cell::maybe((!told.is_empty()).then(|| told.join("; ")))
}

/// What a container should not stand beside where it stands.
fn too_near(visit: &Visit, id: &Label, blocks: &mut Vec<Block>) {
    let words = visit.words;
    let found = compatibility::found_beside(&visit.recorder.log.state(), id, visit.now);
    if found.is_empty() {
        return;
    }
    let rows = found.iter().map(|beside| {
        let dangers: BTreeSet<&str> = beside.pairs.iter().map(|p| p.danger.as_str()).collect();
        let dangers: Vec<String> = dangers.iter().map(|d| words.code("danger", d)).collect();
        let container = &beside.container;
        vec![
            Cell::Link { href: format!("/containers/{container}"), text: container.to_string() },
            Cell::Strong(dangers.join("; ")),
            Cell::Entries(vec![beside.entry]),
        ]
    });
    let columns = ["container", "danger", "entry"];
    blocks.push(Block::Table(Table::new(words, "apart.too_near", &columns).with(rows)));
}

fn container_head(visit: &Visit, container: &ContainerView) -> Block {
    let words = visit.words;
    let mass = |mass: Option<Kg>| Cell::maybe(mass.map(|mass| kg(words, mass)));
    let day = |day: Option<Day>| Cell::maybe(day.map(|day| words.day(day)));
    let codes = container.codes.as_ref().map(|codes| {
        let list = codes.list_of_waste.iter().map(|c| c.as_str().to_owned());
        let others = codes.rcra.iter().chain(&codes.hp).map(ToString::to_string);
        others.chain(list).collect::<Vec<_>>().join(", ")
    });
    let area = container.location.as_ref().map(|location| match container.area {
        Some(area) => format!("{location} ({})", words.code("area", area.as_str())),
        None => location.to_string(),
    });
    // Both figures and what the scales say to them, so that nobody has to subtract.
    let agrees = match container.agrees {
        Some(true) => Cell::Text(words.t("container.agrees").to_owned()),
        Some(false) => Cell::Strong(words.t("container.differs").to_owned()),
        None => Cell::Text(words.t("container.not_weighed").to_owned()),
    };
    let separation = |by: Separation| words.code("separation", by.as_str());
    let shipment = match &container.shipment {
        Some(s) => Cell::Link { href: format!("/shipments/{s}"), text: s.to_string() },
        None => Cell::maybe(None::<String>),
    };
    facts(
        words,
        vec![
            ("standing", Cell::Text(words.code("container_state", container.state.as_str()))),
            ("holder", Cell::maybe(container.holder.as_ref())),
            ("area", Cell::maybe(area)),
            ("codes", Cell::maybe(codes)),
            ("reactivity", groups(words, &container.reactivity)),
            ("kept_from", groups(words, &container.kept_from)),
            ("separated_by", Cell::maybe(container.separated_by.map(separation))),
            ("added", mass(Some(container.added_kg))),
            ("gross", mass(container.gross_kg)),
            ("tare", mass(container.tare_kg)),
            ("net", mass(container.net_kg)),
            ("scales", agrees),
            ("opened", day(container.opened)),
            ("first_waste", day(container.first_waste)),
            ("clock_start", day(container.clock_start)),
            ("closed", day(container.closed)),
            ("left", day(container.left)),
            ("shipment", shipment),
            ("rests_on", Cell::Entries(container.entries.clone())),
        ],
    )
}

/// An RFC 3339 time in milliseconds.
fn ms(stamp: &str) -> i64 {
    stamp.parse::<jiff::Timestamp>().map_or(0, jiff::Timestamp::as_millisecond)
}

fn custody(visit: &Visit, steps: &[CustodyStep], zone: &TimeZone, blocks: &mut Vec<Block>) {
    let words = visit.words;
    let stretches: Vec<(String, i64)> = steps
        .iter()
        .map(|s| {
            let until = s.until.as_deref().map_or(visit.now.as_millisecond(), ms);
            (s.holder.clone(), (until - ms(&s.from)) / 60_000)
        })
        .collect();
    let title = words.t("container.custody").to_owned();
    if let Some(svg) = parts::strip(&title, &stretches).filter(|_| !steps.is_empty()) {
        blocks.push(Block::Drawing { title: title.clone(), svg });
    }
    let rows = steps.iter().enumerate().map(|(number, s)| {
        let told = match (s.gap, s.both_signed) {
            (true, _) => Cell::Strong(words.t("container.gap").to_owned()),
            (false, Some(false)) => Cell::Strong(words.t("container.one_signed").to_owned()),
            (false, Some(true)) => Cell::Text(words.t("container.both_signed").to_owned()),
            (false, None) => Cell::Text(String::new()),
        };
        vec![
            Cell::Number((number + 1).to_string()),
            Cell::Text(s.holder.clone()),
            Cell::Text(words.code("custody", s.event.as_str())),
            Cell::Text(words.moment(ms(&s.from), zone)),
            told,
            Cell::Entries(vec![s.entry]),
        ]
    });
    let columns = ["number", "holder", "how", "since", "told", "entry"];
    blocks.push(Block::Table(Table::new(words, "container.custody", &columns).with(rows)));
}

/// The label of a container, to print.
pub(crate) async fn print_label(request: HttpRequest, id: web::Path<String>) -> HttpResponse {
    visit::show(&request, "waste", async |visit| {
        let id = label(&id)?;
        let site = visit.recorder.log.ask(|state| {
            let container = state.waste.container(&id)?;
            Some(container.site().cloned())
        });
        print(visit, site, format!("label-{id}"), move |log, still, language| {
            reports::label(log, still, &id, language)
        })
        .await
    })
    .await
}

/// The custody sheet of a shipment, to print.
pub(crate) async fn print_custody(request: HttpRequest, id: web::Path<String>) -> HttpResponse {
    visit::show(&request, "waste", async |visit| {
        let id = label(&id)?;
        let site = visit.recorder.log.ask(|state| {
            let shipment = state.waste.shipment(&id)?;
            Some(shipment.site().cloned())
        });
        print(visit, site, format!("custody-{id}"), move |log, still, language| {
            reports::custody_sheet(log, still, &id, language)
        })
        .await
    })
    .await
}

/// A printed form of something of a site, in the language of the page.
async fn print(
    visit: &Visit,
    site: Option<Option<Label>>,
    name: String,
    make: impl FnOnce(&Log, &Still, Language) -> Result<Option<Vec<u8>>, reports::ReportError>
    + Send
    + 'static,
) -> Shown {
    super::today::seen(visit, site.ok_or(Fault::NotFound)?.as_ref(), ())?;
    let language = super::powder::language(visit.words);
    let work = move |log: &Log, still: &Still| make(log, still, language);
    let pdf = visit.recorder.from_still(work).await?;
    let disposition = format!("inline; filename=\"{name}.pdf\"");
    Ok(HttpResponse::Ok()
        .content_type("application/pdf")
        .insert_header(("content-disposition", disposition))
        .body(pdf.ok_or(Fault::NotFound)?))
}

// --- one shipment --------------------------------------------------------------------------------

/// One shipment.
pub(crate) async fn shipment(
    request: HttpRequest,
    id: web::Path<String>,
    asked: web::Query<Asked>,
) -> HttpResponse {
    visit::show(&request, "waste", async |visit| {
        let id = label(&id)?;
        let found = visit.recorder.log.ask(|state| {
            let shipment = view::shipment(state, &id)?;
            let zone = visit.zone(state, shipment.site.as_ref());
            Some((shipment, zone, state.as_of))
        });
        let (shipment, zone, as_of) = found.ok_or(Fault::NotFound)?;
        super::today::seen(visit, shipment.site.as_ref(), ())?;
        let path = format!("/shipments/{id}");
        let entries = &with_amendments(visit, shipment.entries.clone());
        let about = About { path: &path, entries, zone: &zone, order: Order::Record };
        if let Some(go) = about.go(&asked) {
            return go;
        }
        let asked = about.read(visit, &asked)?;
        let Some(then) = &asked.then else {
            return shipment_page(visit, &about, &asked, &id, Some(&shipment), as_of);
        };
        let stood = visit.recorder.log.ask(|s| s.shipment_as_of(&id, then.known));
        let stood = view::shipment(&stood, &id);
        let visit = &visit.at(then.at);
        shipment_page(visit, &about, &asked, &id, stood.as_ref(), then.known)
    })
    .await
}

fn shipment_page(
    visit: &Visit,
    about: &About<'_>,
    asked: &View,
    id: &Label,
    shipment: Option<&ShipmentView>,
    as_of: u64,
) -> Shown {
    let words = visit.words;
    let mut blocks = vec![about.panel(words, asked)];
    match shipment {
        Some(shipment) => {
            blocks.push(shipment_head(words, shipment));
            if visit.acts() {
                let kinds: &[&str] = if shipment.received.is_some() {
                    &["certificate", "discrepancy", "settlement"]
                } else {
                    &["shipment_accept", "shipment_receipt", "shipment_refusal", "copy_query"]
                };
                let mut links = super::record::links(visit, kinds, Some(id.as_str()));
                let print = format!("/shipments/{id}/custody.pdf");
                links.push((print, words.t("shipment.print").to_owned()));
                blocks.push(Block::Doing(links));
                let subject = format!("shipment/{id}");
                duties(visit, shipment.site.as_ref(), &subject, &mut blocks);
            }
            blocks.push(Block::Table(shipped_containers(words, shipment)));
            compared(words, shipment, &mut blocks);
            blocks.extend([legs(words, shipment), certificates(words, shipment)].map(Block::Table));
        }
        None => blocks.push(Block::Words(words.t("then.nothing").to_owned())),
    }
    let then = asked.then.as_ref();
    blocks.push(Block::Table(timeline(visit, about.entries, about.zone, then)?));
    visit.page(&BlocksPage {
        top: visit.top(words.n("shipment.title", id), Some(as_of)),
        lead: String::new(),
        blocks,
    })
}

fn shipment_head(words: &'static Words, shipment: &ShipmentView) -> Block {
    let mass = |mass: Option<Kg>| Cell::maybe(mass.map(|mass| kg(words, mass)));
    let document = shipment
        .document
        .as_ref()
        .map(|d| format!("{} {}", words.code("document", d.kind.as_str()), d.number.as_str()));
    facts(
        words,
        vec![
            ("document", Cell::maybe(document)),
            ("offered", Cell::maybe(shipment.offered.map(|d| words.day(d)))),
            ("facility", Cell::maybe(shipment.facility.as_ref())),
            ("received_on", Cell::maybe(shipment.received.map(|d| words.day(d)))),
            ("signed_copy", Cell::maybe(shipment.signed_copy.as_ref())),
            ("shipped", mass(Some(shipment.shipped_kg))),
            ("received", mass(shipment.received_kg)),
            ("pieces", Cell::maybe(shipment.pieces_received)),
            ("rests_on", Cell::Entries(shipment.entries.clone())),
        ],
    )
}

fn shipped_containers(words: &'static Words, shipment: &ShipmentView) -> Table {
    let rows = shipment.containers.iter().map(|c| {
        let told = if c.refused {
            Cell::Strong(words.t("shipment.refused").to_owned())
        } else if c.weighed {
            Cell::Text(String::new())
        } else {
            Cell::Text(words.t("shipment.not_weighed").to_owned())
        };
        vec![
            Cell::Link {
                href: format!("/containers/{}", c.container),
                text: c.container.to_string(),
            },
            kg_cell(words, c.shipped_kg),
            kg_cell(words, c.received_kg),
            told,
        ]
    });
    Table::new(words, "shipment.containers", &["container", "shipped", "received", "told"])
        .with(rows)
}

/// The two tests of each weight, the pieces, and what was recorded of differences.
fn compared(words: &'static Words, shipment: &ShipmentView, blocks: &mut Vec<Block>) {
    let verdict = |significant: Option<bool>| match significant {
        Some(true) => Cell::Strong(words.t("shipment.significant").to_owned()),
        Some(false) => Cell::Text(words.t("shipment.not_significant").to_owned()),
        None => Cell::Text(words.t("shipment.not_asked").to_owned()),
    };
    let agree = |test: &WeightTest| {
        if test.agree {
            Cell::Text(words.t("shipment.agree").to_owned())
        } else {
            Cell::Strong(words.t("shipment.disagree").to_owned())
        }
    };
    let weights = shipment.tests.weights().map(|(what, test)| {
        vec![
            Cell::Text(if what.starts_with('`') {
                what.trim_matches('`').to_owned()
            } else {
                words.t("shipment.all").to_owned()
            }),
            kg_cell(words, Some(test.difference_kg)),
            Cell::Number(format!("{} %", words.number(&test.percent))),
            verdict(test.significant),
            Cell::Number(words.number(&test.e_n)),
            agree(test),
        ]
    });
    let pieces = shipment.tests.pieces.iter().map(|p| {
        vec![
            Cell::Text(words.t("shipment.pieces").to_owned()),
            Cell::Number(format!("{} / {}", p.shipped, p.received)),
            Cell::Number(String::new()),
            verdict(p.significant),
            Cell::Number(String::new()),
            Cell::Text(String::new()),
        ]
    });
    let columns = ["what", "difference", "percent", "legal_test", "e_n", "scales"];
    let rows: Vec<Vec<Cell>> = weights.chain(pieces).collect();
    blocks.push(Block::Table(Table::new(words, "shipment.tests", &columns).with(rows)));
    blocks.push(Block::Words(words.t("shipment.two_tests").to_owned()));
    let rows = shipment.discrepancies.iter().map(|d| {
        let quantity = |q: &shopfloor::quantity::AnyQuantity| words.number(&q.to_string());
        let settled = match d.settled_by {
            Some(seq) => Cell::Entries(vec![seq]),
            None => Cell::Strong(words.t("finding.open").to_owned()),
        };
        vec![
            Cell::Text(words.code("discrepancy", d.kind.as_str())),
            Cell::maybe(d.container.as_ref()),
            Cell::Number(quantity(&d.expected)),
            Cell::Number(quantity(&d.found)),
            Cell::maybe(d.settled_how.as_ref()),
            settled,
            Cell::Entries(vec![d.entry]),
        ]
    });
    let columns = ["what", "container", "wanted", "found", "how", "settled", "entry"];
    let rows: Vec<Vec<Cell>> = rows.collect();
    if !rows.is_empty() {
        blocks.push(Block::Table(Table::new(words, "shipment.discrepancies", &columns).with(rows)));
    }
}

fn legs(words: &'static Words, shipment: &ShipmentView) -> Table {
    let rows = shipment.legs.iter().map(|l| {
        vec![
            Cell::Number(l.leg.to_string()),
            Cell::Text(l.transporter.to_string()),
            Cell::Text(words.day(l.day)),
            Cell::Entries(vec![l.entry]),
        ]
    });
    Table::new(words, "shipment.legs", &["number", "transporter", "day", "entry"]).with(rows)
}

fn certificates(words: &'static Words, shipment: &ShipmentView) -> Table {
    let rows = shipment.certificates.iter().map(|c| {
        vec![
            Cell::Text(c.certificate.to_string()),
            Cell::Text(c.method.to_string()),
            kg_cell(words, Some(c.mass_kg)),
            Cell::Text(words.day(c.day)),
            Cell::Entries(vec![c.entry]),
        ]
    });
    let columns = ["certificate", "method", "mass", "day", "entry"];
    Table::new(words, "shipment.certificates", &columns).with(rows)
}
