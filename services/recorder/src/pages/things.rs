//! One thing a page: machine, powder lot, place, build. State first, then
//! figures with the entries they rest on, then the timeline.

use actix_web::{HttpRequest, HttpResponse, web};
use jiff::tz::TimeZone;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;
use shopfloor::State;
use shopfloor::common::Outcome;
use shopfloor::equipment::events::PartKind;
use shopfloor::equipment::{DueQuery, DueTask, MachineView, MeterView, PositionView};
use shopfloor::ids::{Label, Place};
use shopfloor::powder::AsOf;
use shopfloor::powder::RefreshView;
use shopfloor::powder::genealogy::{Page, Target, TraceForward};
use shopfloor::powder::lineage::Direction;
use shopfloor::powder::views::{LotView, Makeup};
use shopfloor::quantity::Mass;

use super::balances;
use super::entry::{about, timeline, with_amendments};
use super::parts::{Bar, Block, BlocksPage, Cell, LineChart, Table, facts};
use super::then::{About, Asked, Order, Then, View};
use super::visit::{self, Fault, Shown, Visit};
use super::words::Words;

fn label(text: &str) -> Result<Label, Fault> {
    Label::new(text).map_err(|_| Fault::NotFound)
}

pub(crate) fn mass(visit: &Visit, mass: &Mass) -> String {
    format!("{} {}", visit.words.number(mass.digits()), mass.unit())
}

/// One machine.
pub(crate) async fn machine(
    request: HttpRequest,
    id: web::Path<String>,
    asked: web::Query<Asked>,
) -> HttpResponse {
    visit::show(&request, "equipment", async |visit| {
        let id = label(&id)?;
        let found = visit.recorder.log.ask(|state| {
            let site = state.equipment.machine(&id)?.site;
            Some((visit.zone(state, site.as_ref()), site))
        });
        let (zone, site) = found.ok_or(Fault::NotFound)?;
        super::today::seen(visit, site.as_ref(), ())?;
        let entries = about(visit, &format!("equipment/{id}"))?;
        let path = format!("/equipment/{id}");
        let about = About { path: &path, entries: &entries, zone: &zone, order: Order::Record };
        if let Some(go) = about.go(&asked) {
            return go;
        }
        machine_page(visit, &id, &about, &about.read(visit, &asked)?)
    })
    .await
}

/// What was to be done to a machine, and how it stood.
type Standing = (MachineView, Vec<DueTask>);

/// How a machine stands, or stood.
fn standing(visit: &Visit, state: &State, id: &Label, then: Option<&Then>) -> Option<Standing> {
    let query = DueQuery { machine: Some(id.clone()), ..DueQuery::default() };
    match then {
        None => {
            let due = state.equipment.due(&state.record, &query, visit.now).tasks;
            Some((state.equipment.machine(id)?, due))
        }
        Some(then) => {
            let equipment = state.equipment.machine_as_of(&state.record, id, then.known);
            let settings = state.record.settings_as_of(then.known);
            Some((equipment.machine(id)?, equipment.due(&settings, &query, then.at).tasks))
        }
    }
}

fn machine_page(now: &Visit, id: &Label, about: &About<'_>, view: &View) -> Shown {
    let words = now.words;
    let then = view.then.as_ref();
    let earlier = then.map(|then| now.at(then.at));
    let visit = earlier.as_ref().unwrap_or(now);
    let (found, as_of) = visit.recorder.log.ask(|state| {
        let as_of = then.map_or(state.as_of, |then| then.known);
        (standing(visit, state, id, then), as_of)
    });
    let mut blocks = vec![about.panel(words, view)];
    let mut title = id.to_string();
    let mut lead = String::new();
    if let Some((machine, due)) = &found {
        title = machine.title.as_ref().map_or(title, |t| format!("{id} · {t}"));
        let kind =
            machine.kind.map_or_else(String::new, |k| words.code("equipment_kind", k.as_str()));
        let room = machine.room.as_ref().map(|r| format!(" · {r}")).unwrap_or_default();
        lead = format!("{kind}{room}");
        machine_blocks(visit, machine, due, about.zone, &mut blocks);
    } else {
        blocks.push(Block::Words(words.t("then.nothing").to_owned()));
    }
    blocks.push(Block::Table(timeline(visit, about.entries, about.zone, then)?));
    visit.page(&BlocksPage { top: visit.top(title, Some(as_of)), lead, blocks })
}

fn machine_blocks(
    visit: &Visit,
    machine: &MachineView,
    due: &[DueTask],
    zone: &TimeZone,
    blocks: &mut Vec<Block>,
) {
    let words = visit.words;
    blocks.push(machine_head(visit, machine));
    let doing = machine_doing(visit, machine);
    blocks.extend(Block::doing(doing));
    blocks.push(Block::Table(due_table(visit, due)));
    blocks.push(Block::Table(positions(visit, machine)));
    for meter in &machine.meters {
        meter_blocks(visit, meter, due, zone, blocks);
    }
    let rows = machine.results.iter().map(|r| {
        let result = words.code("result", r.result.as_str());
        let result =
            if r.result == Outcome::Fail { Cell::Strong(result) } else { Cell::Text(result) };
        let what = words.code("target", &r.what);
        vec![
            Cell::Text(what),
            result,
            Cell::maybe(r.measured.as_ref()),
            Cell::Text(words.moment(r.time_ms, zone)),
            Cell::Entries(vec![r.entry]),
        ]
    });
    blocks.push(Block::Table(
        Table::new(words, "machine.results", &["what", "result", "measured", "done", "entry"])
            .with(rows),
    ));
}

fn machine_head(visit: &Visit, machine: &MachineView) -> Block {
    let words = visit.words;
    let locks: Vec<String> = machine.locks.iter().map(|l| l.lock.to_string()).collect();
    let standing = match (machine.retired_by, locks.is_empty()) {
        (Some(_), _) => Cell::Strong(words.t("machine.retired").to_owned()),
        (None, false) => Cell::Strong(words.n("machine.locked", locks.join(", "))),
        (None, true) => Cell::Text(words.t("machine.in_use").to_owned()),
    };
    let mut rest: Vec<u64> = machine
        .registered_by
        .into_iter()
        .chain(machine.plan_by)
        .chain(machine.retired_by)
        .collect();
    rest.extend(machine.locks.iter().map(|l| l.entry));
    rest.sort_unstable();
    facts(
        words,
        vec![
            ("standing", standing),
            ("site", Cell::maybe(machine.site.as_ref())),
            ("rests_on", Cell::Entries(rest)),
        ],
    )
}

fn machine_doing(visit: &Visit, machine: &MachineView) -> Vec<(String, String)> {
    let words = visit.words;
    let mut doing = Vec::new();
    if visit.may_record("meter.read") {
        doing.push((
            format!("/record/meter?subject={}", machine.machine),
            words.t("kind.meter").to_owned(),
        ));
        doing.push((
            format!("/record?subject={}", machine.machine),
            words.t("record.title").to_owned(),
        ));
    }
    doing
}

/// Tasks of a plan with their bars.
pub(crate) fn due_table(visit: &Visit, due: &[DueTask]) -> Table {
    let words = visit.words;
    let rows = due.iter().map(|task| {
        let line = super::today::line(visit, task);
        let last = task.last_done.as_ref().map(|l| words.day(l.day));
        let what = match line.record {
            Some(href) => Cell::Link { href, text: line.what },
            None => Cell::Text(line.what),
        };
        let source = plan_source(words, &task.source_in_words);
        vec![
            what,
            Cell::Bar(line.bar),
            Cell::Text(line.when),
            Cell::maybe(last),
            Cell::Text(source),
            Cell::Entries(task.entries.clone()),
        ]
    });
    Table::new(words, "machine.due", &["task", "used", "when", "last_done", "source", "entries"])
        .with(rows)
}

/// Where a planned task comes from: its basis in the language of the page, a citation as it is.
fn plan_source(words: &'static Words, told: &str) -> String {
    match told.split_once(": ") {
        Some((basis, citation)) => format!("{}: {citation}", words.phrase("plan_basis", basis)),
        None => words.phrase("plan_basis", told),
    }
}

/// The part in a position; a sieve leads to its passes.
fn part_cell(position: &PositionView) -> Cell {
    match (&position.serial, position.part_kind) {
        (Some(serial), Some(PartKind::Sieve)) => {
            Cell::Link { href: format!("/sieves/{serial}"), text: serial.to_string() }
        }
        (serial, _) => Cell::maybe(serial.as_ref()),
    }
}

fn positions(visit: &Visit, machine: &MachineView) -> Table {
    let words = visit.words;
    let rows = machine.positions.iter().map(|p| {
        let kind =
            p.part_kind.map_or_else(|| "–".to_owned(), |k| words.code("part_kind", k.as_str()));
        let spec = p.spec.as_ref().and_then(|s| {
            let aperture = s
                .aperture
                .as_ref()
                .map(|a| format!("{} {}", words.number(a.digits()), words.code("unit", a.unit())));
            aperture.or_else(|| s.filter_class.as_ref().map(ToString::to_string))
        });
        let carried: Vec<String> = p
            .carried
            .iter()
            .map(|c| {
                format!(
                    "{} {}",
                    words.number(&c.amount.value),
                    words.code("unit", c.amount.unit.as_str())
                )
            })
            .collect();
        vec![
            Cell::Text(words.code("target", p.position.as_str())),
            Cell::Text(kind),
            part_cell(p),
            Cell::maybe(spec),
            Cell::maybe(p.fitted_on.map(|d| words.day(d))),
            Cell::Text(carried.join(", ")),
            Cell::Entries(p.fitted_by.into_iter().collect()),
        ]
    });
    Table::new(
        words,
        "machine.parts",
        &["position", "part", "serial", "spec", "fitted", "carried", "entry"],
    )
    .with(rows)
}

/// Days shown in a table beside a chart.
const DAYS_SHOWN: usize = 14;

fn meter_blocks(
    visit: &Visit,
    meter: &MeterView,
    due: &[DueTask],
    zone: &TimeZone,
    blocks: &mut Vec<Block>,
) {
    let words = visit.words;
    let unit = words.code("unit", meter.unit.as_str());
    let name = words.code("meter", meter.meter.as_str());
    let title = words.t("machine.meter").replace("{meter}", &name);
    if let Some(svg) = meter_chart(visit, meter, due, &title, &unit) {
        blocks.push(Block::Drawing { title: title.clone(), svg });
    }
    let rows = meter.days.iter().rev().take(DAYS_SHOWN).map(|d| {
        vec![
            Cell::Text(words.day(d.day)),
            Cell::Number(format!("{} {unit}", words.number(&d.counted.value))),
            Cell::Entries(vec![d.entry]),
        ]
    });
    let mut table = Table::new(words, "machine.readings", &["day", "counted", "entry"]).with(rows);
    table.caption = format!("{title}: {}", table.caption);
    blocks.push(Block::Table(table));
    if !meter.held.is_empty() {
        let rows = meter.held.iter().map(|h| {
            vec![
                Cell::Text(words.moment(h.time_ms, zone)),
                Cell::Text(words.number(&h.shown)),
                Cell::Text(words.code("held", h.why.as_str())),
                Cell::Entries(h.against.into_iter().chain([h.entry]).collect()),
            ]
        });
        blocks.push(Block::Table(
            Table::new(words, "machine.held", &["done", "shown", "why", "entries"]).with(rows),
        ));
    }
}

/// Days drawn in a chart.
const DAYS_DRAWN: usize = 120;

fn meter_chart(
    visit: &Visit,
    meter: &MeterView,
    due: &[DueTask],
    title: &str,
    unit: &str,
) -> Option<String> {
    let words = visit.words;
    let number =
        |day: jiff::civil::Date| (day - jiff::civil::Date::constant(1970, 1, 1)).get_days();
    let from = meter.days.len().saturating_sub(DAYS_DRAWN);
    let days = &meter.days[from..];
    let points: Vec<(i32, f64)> = days
        .iter()
        .filter_map(|d| Some((number(d.day.0), d.counted.value.parse().ok()?)))
        .collect();
    if points.len() < 2 {
        return None;
    }
    // The task on this meter that is due next: its limit, as a reading, and its forecast.
    let left = |t: &&DueTask| {
        let by_meter = t.by_meter.as_ref().filter(|m| m.meter == meter.meter)?;
        Some(!by_meter.remaining.as_ref()?.value.starts_with('-'))
    };
    let task = due.iter().find(|t| left(t) == Some(true));
    let task = task.or_else(|| due.iter().find(|t| left(t).is_some()));
    let last = points.last()?.1;
    let limit = task.and_then(|t| {
        let left: f64 = t.by_meter.as_ref()?.remaining.as_ref()?.value.parse().ok()?;
        Some(last + left)
    });
    let band = task.and_then(|t| {
        let f = &t.forecast;
        let (early, expected) = (f.earliest?, f.expected?);
        Some((number(early.0), number(expected.0), number(f.latest.unwrap_or(expected).0)))
    });
    let with_unit = |value: &str| format!("{} {unit}", words.number(value));
    let low = days.first()?;
    let last_shown = &days.last()?.counted.value;
    let high = match limit {
        Some(limit) if limit > last => format!("{limit:.1}"),
        Some(_) | None => last_shown.clone(),
    };
    LineChart {
        title,
        limit,
        limit_label: task.map_or_else(String::new, |t| super::today::line(visit, t).what),
        band,
        first: words.day(low.day),
        last: words.day(days.last()?.day),
        low: with_unit(&low.counted.value),
        high: with_unit(&high),
        points,
    }
    .svg()
}

/// One lot of powder.
pub(crate) async fn lot(
    request: HttpRequest,
    id: web::Path<String>,
    asked: web::Query<Asked>,
) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let id = label(&id)?;
        let found = visit.recorder.log.ask(|state| {
            let lot = state.powder.lot(&id, AsOf::Now, visit.now).ok()?;
            Some((lot, moves(state, &id, AsOf::Now), visit.zone(state, None)))
        });
        let (lot, moves, zone) = found.ok_or(Fault::NotFound)?;
        visible(visit, &lot.entries)?;
        let moves = moves.iter().flat_map(|answer| answer.edges.iter().map(|edge| edge.entry));
        let more: Vec<u64> = lot.entries.iter().copied().chain(moves).collect();
        let told = merged(about(visit, &format!("lot/{id}"))?, &more);
        let entries = with_amendments(visit, told);
        let path = format!("/lots/{id}");
        let about = About { path: &path, entries: &entries, zone: &zone, order: Order::Work };
        if let Some(go) = about.go(&asked) {
            return go;
        }
        lot_page(visit, &id, &about, &about.read(visit, &asked)?)
    })
    .await
}

/// The first moves of a lot's powder, wherever it went.
fn moves(state: &State, lot: &Label, until: AsOf) -> Option<TraceForward> {
    let page = Page { limit: Some(80), after: None };
    state.powder.trace_forward(&Target::Lot(lot.clone()), until, until, &page).ok()
}

/// Numbers of entries, ascending, each once.
fn merged(mut entries: Vec<u64>, more: &[u64]) -> Vec<u64> {
    entries.extend(more);
    entries.sort_unstable();
    entries.dedup();
    entries
}

/// Up to where questions about powder look.
fn bound(state: &State, then: Option<&Then>) -> AsOf {
    then.map_or(AsOf::Now, |then| then.of_powder(|at| state.powder.has(at)))
}

fn lot_page(now: &Visit, id: &Label, about: &About<'_>, view: &View) -> Shown {
    let words = now.words;
    let then = view.then.as_ref();
    let earlier = then.map(|then| now.at(then.at));
    let visit = earlier.as_ref().unwrap_or(now);
    let zone = about.zone;
    let (asked, as_of) = visit.recorder.log.ask(|state| {
        let until = bound(state, then);
        let found = state.powder.lot(id, until, visit.now).ok();
        let found = found.map(|lot| {
            (lot, moves(state, id, until), state.powder.lot_balance(id, until).ok(), until)
        });
        (found, state.as_of)
    });
    let mut blocks = vec![about.panel(words, view)];
    let Some((lot, forward, balance, until)) = asked else {
        blocks.push(Block::Words(words.t("then.nothing").to_owned()));
        blocks.push(Block::Table(timeline(visit, about.entries, zone, then)?));
        let top = visit.top(words.n("lot.title", id), Some(as_of));
        return visit.page(&BlocksPage { top, lead: String::new(), blocks });
    };
    blocks.push(lot_head(visit, &lot));
    if visit.acts() {
        blocks.push(Block::Doing(lot_doing(visit, id)));
    }
    if let Some(forward) = &forward {
        for direction in [Direction::Back, Direction::Forward] {
            let of = format!("lot/{id}");
            let mut question = super::powder::question(&of, direction).read()?;
            question.as_of = until;
            let drawn = visit.recorder.log.ask(|state| state.powder.lineage(&question).ok());
            if let Some(lineage) = drawn.filter(|lineage| lineage.boxes.len() > 1) {
                let title = words.t(&format!("trace.{direction}")).replace("{n}", &of);
                let svg = super::powder::picture(visit, &lineage);
                blocks.push(Block::Drawing { title, svg });
            }
        }
        let rows = forward.edges.iter().map(|e| {
            vec![
                Cell::Text(words.moment(e.time_ms, zone)),
                Cell::Text(words.code("move", e.kind.as_str())),
                place_cell(&e.from),
                place_cell(&e.into),
                Cell::Number(mass(visit, &e.mass)),
                Cell::Number(mass(visit, &e.traced)),
                Cell::Entries(vec![e.entry]),
            ]
        });
        blocks.push(Block::Table(
            Table::new(
                words,
                "lot.moves",
                &["done", "move", "from", "into", "mass", "of_this_lot", "entry"],
            )
            .with(rows),
        ));
    }
    if let Some(makeup) = &lot.makeup {
        blocks.push(Block::Table(makeup_table(visit, makeup)));
    }
    if let Some(refresh) = &lot.refresh {
        refresh_blocks(visit, refresh, &mut blocks);
    }
    let rows = lot.tests.iter().map(|t| {
        vec![
            Cell::Text(words.code("test", t.test.as_str())),
            Cell::Text(words.code("result", t.result.as_str())),
            Cell::Entries(vec![t.entry]),
        ]
    });
    blocks.push(Block::Table(
        Table::new(words, "lot.tests", &["test", "result", "entry"]).with(rows),
    ));
    blocks.push(Block::Table(holds_table(visit, &lot)));
    if let Some(balance) = &balance {
        blocks.extend(balances::of_one(visit, balance));
    }
    blocks.push(Block::Table(timeline(visit, about.entries, zone, then)?));
    if visit.acts() {
        blocks.extend(super::reports::issue_of_lot(visit, id));
    }
    let lead = lot.material.as_ref().map(ToString::to_string).unwrap_or_default();
    visit.page(&BlocksPage { top: visit.top(words.n("lot.title", id), Some(as_of)), lead, blocks })
}

/// What can be done with a lot: follow it, ask what it reached, take its report away.
fn lot_doing(visit: &Visit, id: &Label) -> Vec<(String, String)> {
    let words = visit.words;
    let of = format!("lot/{id}");
    let mut doing = vec![
        (super::powder::address(&of, Direction::Back, 0), words.t("trace.go_back").to_owned()),
        (
            super::powder::address(&of, Direction::Forward, 0),
            words.t("trace.go_forward").to_owned(),
        ),
        (format!("/impact?suspect={of}"), words.t("impact.go").to_owned()),
    ];
    doing.extend(super::record::links(
        visit,
        &["lot_test", "lot_release", "transfer"],
        Some(id.as_str()),
    ));
    let office = super::OFFICE.iter().any(|role| visit.who.roles.contains(role));
    if office && visit.who.sites.is_none() {
        let forms = crate::reports::Form::ALL.iter().map(|form| {
            let name = form.as_str();
            (format!("/lots/{id}/report.{name}"), words.n("lot.report", name.to_uppercase()))
        });
        doing.extend(forms);
    }
    doing
}

pub(crate) fn place_cell(text: &str) -> Cell {
    match text.parse::<Place>() {
        Ok(place) => Cell::place(&place),
        Err(_) => Cell::Strong(text.to_owned()),
    }
}

/// A thing is seen by whoever may see one of its entries.
pub(crate) fn visible(visit: &Visit, entries: &[u64]) -> Result<(), Fault> {
    match entries.first() {
        Some(first) => super::entry::fact(visit, *first)?.map(|_| ()).ok_or(Fault::NotFound),
        None => Ok(()),
    }
}

fn lot_head(visit: &Visit, lot: &LotView) -> Block {
    let words = visit.words;
    let standing = words.code("lot_status", lot.status.as_str());
    let open_hold = lot.holds.iter().find(|h| h.ended_by.is_none());
    let standing = if open_hold.is_some() { Cell::Strong(standing) } else { Cell::Text(standing) };
    let containers: Vec<String> = lot
        .containers
        .iter()
        .map(|c| format!("{}: {}", c.place.id(), mass(visit, &c.held)))
        .collect();
    let opened = lot.opened.as_ref().map(|o| format!("{} h", words.number(o.hours.digits())));
    let digest = lot.certificate.as_ref().map(|c| &c.digest);
    let unreleased: Vec<String> = lot.unreleased.iter().map(ToString::to_string).collect();
    let unreleased = match unreleased.is_empty() {
        true => Cell::Text(words.t("lot.all_released").to_owned()),
        false => Cell::Strong(unreleased.join(", ")),
    };
    facts(
        words,
        vec![
            ("standing", standing),
            ("made", Cell::Text(mass(visit, &lot.made))),
            ("held", Cell::Text(containers.join(" · "))),
            ("supplier", Cell::maybe(lot.supplier.as_ref())),
            ("supplier_lot", Cell::maybe(lot.supplier_lot.as_ref())),
            ("certificate", Cell::maybe(lot.certificate.as_ref().map(|c| &c.number))),
            ("digest", Cell::maybe(digest)),
            ("unreleased", unreleased),
            ("expires", Cell::maybe(lot.expires.map(|d| words.day(d)))),
            ("open_for", Cell::maybe(opened)),
            ("rests_on", Cell::Entries(lot.entries.clone())),
        ],
    )
}

/// The share of fresh powder in a blend against its recipe, with the rule that decides.
fn refresh_blocks(visit: &Visit, refresh: &RefreshView, blocks: &mut Vec<Block>) {
    let words = visit.words;
    let mut share = percent(words, &refresh.ratio);
    if let Some(u) = &refresh.expanded_uncertainty {
        share.push_str(&format!(" ± {} (k = 2)", percent(words, u)));
    }
    let verdict = match (refresh.minimum, refresh.accepted) {
        (None, _) => Cell::Text(words.t("refresh.no_limit").to_owned()),
        (Some(_), Some(true)) => Cell::Text(words.t("refresh.met").to_owned()),
        (Some(_), Some(false)) => Cell::Strong(words.t("refresh.not_met").to_owned()),
        (Some(_), None) => Cell::Strong(words.t("refresh.undecided").to_owned()),
    };
    let rule = refresh.decision_rule.map(|rule| words.code("decision_rule", rule.as_str()));
    let minimum = refresh.minimum.as_ref().map(|least| percent(words, least));
    blocks.push(Block::Heading(words.t("refresh.title").to_owned()));
    blocks.push(facts(
        words,
        vec![
            ("fresh_share", Cell::Text(share)),
            ("minimum", Cell::maybe(minimum)),
            ("decision_rule", Cell::maybe(rule)),
            ("standing", verdict),
            ("recipe", Cell::maybe(refresh.recipe.as_ref())),
            ("rests_on", Cell::Entries(refresh.recipe_entry.into_iter().collect())),
        ],
    ));
    let rows = refresh.components.iter().map(|part| {
        let uncertainty = part.standard_uncertainty.as_ref();
        vec![
            Cell::place(&part.from),
            Cell::Number(mass(visit, &part.mass)),
            Cell::Number(uncertainty.map_or_else(|| "–".to_owned(), |u| mass(visit, u))),
            Cell::Number(percent(words, &part.fresh_fraction)),
        ]
    });
    let columns = ["from", "mass", "standard_uncertainty", "fresh_share"];
    blocks.push(Block::Table(Table::new(words, "refresh.parts", &columns).with(rows)));
}

/// Every hold of a lot and what was decided, part by part.
fn holds_table(visit: &Visit, lot: &LotView) -> Table {
    let words = visit.words;
    let place = |place: Option<&Place>| match place {
        Some(place) => Cell::place(place),
        None => Cell::Text(words.t("lot.whole").to_owned()),
    };
    let rows = lot.holds.iter().flat_map(|hold| {
        let decided = hold.decided.iter().map(|part| {
            let decision = Cell::Text(words.code("decision", part.decision.as_str()));
            vec![place(part.place.as_ref()), decision, Cell::Entries(vec![hold.entry, part.entry])]
        });
        let whole = (hold.scope.is_empty() && hold.ended_by.is_none()).then_some(None);
        let open = hold.open.iter().map(Some).chain(whole).map(|at| {
            let open = Cell::Strong(words.t("impact.on_hold").to_owned());
            vec![place(at), open, Cell::Entries(vec![hold.entry])]
        });
        decided.chain(open).collect::<Vec<_>>()
    });
    Table::new(words, "lot.holds", &["place", "standing", "entries"]).with(rows)
}

/// A fraction in percent.
pub(crate) fn percent(words: &'static Words, fraction: &Decimal) -> String {
    let value = (fraction * Decimal::ONE_HUNDRED).round_dp(2).normalize();
    format!("{} %", words.number(&value.to_string()))
}

fn makeup_table(visit: &Visit, makeup: &Makeup) -> Table {
    let words = visit.words;
    let percent = |fraction: &Decimal| percent(words, fraction);
    let bar = |fraction: &Decimal| {
        Cell::Bar(Bar {
            percent: (fraction * Decimal::ONE_HUNDRED).to_u32().unwrap_or(0),
            words: percent(fraction),
            over: false,
        })
    };
    let mut rows: Vec<Vec<Cell>> = makeup
        .lots
        .iter()
        .map(|l| {
            vec![
                Cell::Link { href: format!("/lots/{}", l.lot), text: l.lot.to_string() },
                bar(&l.fraction),
                Cell::Number(mass(visit, &l.mass)),
            ]
        })
        .collect();
    if !makeup.unknown_fraction.is_zero() {
        rows.push(vec![
            Cell::Strong(words.t("powder.unknown").to_owned()),
            bar(&makeup.unknown_fraction),
            Cell::Text(String::new()),
        ]);
    }
    let mut table = Table::new(words, "powder.makeup", &["lot", "share", "mass"]).with(rows);
    let told = words
        .t("powder.age")
        .replace("{fresh}", &percent(&makeup.fresh_fraction))
        .replace("{unsieved}", &percent(&makeup.unsieved_fraction))
        .replace(
            "{builds}",
            &words.number(&makeup.age.mean_builds.round_dp(2).normalize().to_string()),
        )
        .replace(
            "{hours}",
            &words
                .number(&makeup.age.mean_hours_at_temperature.round_dp(1).normalize().to_string()),
        );
    table.caption = format!("{} – {told}", table.caption);
    table
}

/// One place that holds powder.
pub(crate) async fn place(
    request: HttpRequest,
    path: web::Path<(String, String)>,
    asked: web::Query<Asked>,
) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let place: Place = format!("{}/{}", path.0, path.1).parse().map_err(|_| Fault::NotFound)?;
        let found = visit.recorder.log.ask(|state| {
            let view = state.powder.place(&place, AsOf::Now).ok()?;
            Some((view, visit.zone(state, None)))
        });
        let (view, zone) = found.ok_or(Fault::NotFound)?;
        visible(visit, &view.entries)?;
        let entries = with_amendments(visit, view.entries);
        let path = format!("/powder/{place}");
        let about = About { path: &path, entries: &entries, zone: &zone, order: Order::Work };
        if let Some(go) = about.go(&asked) {
            return go;
        }
        place_page(visit, &place, &about, &about.read(visit, &asked)?)
    })
    .await
}

fn place_page(now: &Visit, place: &Place, about: &About<'_>, view: &View) -> Shown {
    let words = now.words;
    let then = view.then.as_ref();
    let earlier = then.map(|then| now.at(then.at));
    let visit = earlier.as_ref().unwrap_or(now);
    let (found, stretches, as_of) = visit.recorder.log.ask(|state| {
        let until = bound(state, then);
        let stretches = state.powder.place_balances(place, until).unwrap_or_default();
        (state.powder.place(place, until).ok(), stretches, state.as_of)
    });
    let mut blocks = vec![about.panel(words, view)];
    if let Some(found) = &found {
        let materials: Vec<String> = found.materials.iter().map(ToString::to_string).collect();
        blocks.push(facts(
            words,
            vec![
                ("held", Cell::Text(mass(visit, &found.held))),
                ("material", Cell::Text(materials.join(", "))),
                (
                    "lot",
                    found.lot.as_ref().map_or_else(
                        || Cell::maybe(None::<String>),
                        |l| Cell::Link { href: format!("/lots/{l}"), text: l.to_string() },
                    ),
                ),
                ("rests_on", Cell::Entries(found.entries.iter().rev().copied().collect())),
            ],
        ));
        if let Some(makeup) = &found.makeup {
            blocks.push(Block::Table(makeup_table(visit, makeup)));
        }
        let rows = found.holds.iter().map(|h| {
            vec![
                Cell::Link { href: format!("/lots/{}", h.lot), text: h.lot.to_string() },
                Cell::Entries(vec![h.entry]),
            ]
        });
        blocks.push(Block::Table(Table::new(words, "powder.holds", &["lot", "entry"]).with(rows)));
        // The stretch that no count has closed yet says nothing; the newest closed one does.
        if let Some(balance) = stretches.iter().rfind(|b| b.to_ms.is_some()) {
            blocks.extend(balances::of_one(visit, balance));
        }
    } else {
        blocks.push(Block::Words(words.t("then.nothing").to_owned()));
    }
    blocks.push(Block::Table(timeline(visit, about.entries, about.zone, then)?));
    visit.page(&BlocksPage {
        top: visit.top(place.to_string(), Some(as_of)),
        lead: words.code("place_kind", place.kind.as_str()),
        blocks,
    })
}

/// One build.
pub(crate) async fn build(request: HttpRequest, id: web::Path<String>) -> HttpResponse {
    visit::show(&request, "powder", async |visit| {
        let id = label(&id)?;
        let asked = visit.recorder.log.ask(|state| {
            let build = state.powder.build(&id, AsOf::Now).ok()?;
            let balance = state.powder.build_balance(&id, AsOf::Now).ok();
            Some((build, balance, visit.zone(state, None), state.as_of))
        });
        let (build, balance, zone, as_of) = asked.ok_or(Fault::NotFound)?;
        visible(visit, &build.entries)?;
        let words = visit.words;
        let mut blocks = vec![facts(
            words,
            vec![
                (
                    "printer",
                    build.printer.as_ref().map_or_else(
                        || Cell::maybe(None::<String>),
                        |p| Cell::Link { href: format!("/equipment/{p}"), text: p.to_string() },
                    ),
                ),
                ("drawn", Cell::Text(mass(visit, &build.drawn))),
                ("parts_mass", Cell::Text(mass(visit, &build.parts))),
                ("recovered", Cell::Text(mass(visit, &build.recovered))),
                ("unaccounted", Cell::Text(mass(visit, &build.unaccounted))),
                ("rests_on", Cell::Entries(build.entries.clone())),
            ],
        )];
        let doing = super::record::links(visit, &["build_end", "recovery"], Some(id.as_str()));
        blocks.extend(Block::doing(doing));
        if let Some(makeup) = &build.makeup {
            blocks.push(Block::Table(makeup_table(visit, makeup)));
        }
        if let Some(balance) = &balance {
            blocks.extend(balances::of_one(visit, balance));
        }
        blocks.push(Block::Table(timeline(visit, &build.entries, &zone, None)?));
        visit.page(&BlocksPage {
            top: visit.top(words.n("lot.build", &id), Some(as_of)),
            lead: String::new(),
            blocks,
        })
    })
    .await
}
