//! The form of a kind of work, filled in as far as the record knows.

use std::collections::BTreeSet;

use askama::Template;
use jiff::tz::TimeZone;
use shopfloor::State;
use shopfloor::cautions;
use shopfloor::equipment::events::{EquipmentKind, PartKind};
use shopfloor::equipment::{DueQuery, DueTask, MachineView};
use shopfloor::finding::Finding;
use shopfloor::ids::{Label, PlaceKind, SubjectKind};
use shopfloor::powder::AsOf;
use shopfloor::waste::container::{ContainerState, Holder};
use shopfloor::waste::events::AreaKind;

use super::compose::{Answers, Mistake, answer, in_row, several};
use super::kinds::{self, Field, Input, Kind, Suggest};
use crate::api::wire::FindingView;
use crate::pages::powder::language;
use crate::pages::visit::{Top, Visit};
use crate::pages::words::Words;

/// Most suggestions of one list.
const SUGGESTED_MAX: usize = 60;
/// Why an event may be late. Common practice, no source.
const LATE_REASONS: &[&str] =
    &["network_down", "busy_with_work", "found_later", "taken_from_paper"];

/// A choice.
pub(super) struct Choice {
    pub(super) value: String,
    pub(super) text: String,
    pub(super) chosen: bool,
    /// Of a unit: between which numbers a value in it is usual.
    pub(super) usual: Option<(&'static str, &'static str)>,
}

/// A caution as shown.
pub(super) struct CautionLine {
    title: &'static str,
    text: &'static str,
    source: &'static str,
}

/// A step to answer with yes or no.
pub(super) struct CheckLine {
    name: String,
    text: String,
    yes: bool,
    no: bool,
    wrong: Option<&'static str>,
}

/// The last reading of a meter, for the hint and the check in the browser.
pub(super) struct Last {
    meter: String,
    value: String,
    unit: String,
    at_ms: i64,
    words: String,
}

/// A question as shown.
pub(super) struct Line {
    name: String,
    id: String,
    label: String,
    /// Which piece of the template draws it.
    shape: &'static str,
    value: String,
    need: bool,
    wrong: Option<&'static str>,
    choices: Vec<Choice>,
    units: Vec<Choice>,
    suggestions: Vec<Choice>,
    lasts: Vec<Last>,
    /// Rows of questions, and what their columns are called.
    rows: Vec<Vec<Line>>,
    columns: Vec<&'static str>,
    /// Whether a scanned label is taken with its kind, as places are named.
    with_kind: bool,
}

/// A stop, with what would override it.
pub(super) struct Stopped {
    findings: Vec<FindingView>,
    reasons: Vec<Choice>,
    wrong: Option<super::Unsigned>,
}

impl Stopped {
    pub(super) fn new(visit: &Visit, findings: &[Finding], wrong: Option<super::Unsigned>) -> Self {
        let reasons = super::OVERRIDES.iter().map(|code| choice(visit, "override", code, ""));
        Self {
            findings: findings.iter().map(|f| super::told_finding(visit.words, f)).collect(),
            reasons: reasons.collect(),
            wrong,
        }
    }
}

#[derive(Template)]
#[template(path = "form.html")]
pub(super) struct FormPage {
    top: Top,
    kind: &'static str,
    title: &'static str,
    subject: String,
    subject_name: String,
    subject_wrong: Option<&'static str>,
    subjects: Vec<Choice>,
    about: &'static str,
    /// Sites to choose from, where the thing does not tell its own.
    sites: Vec<Choice>,
    site_wrong: Option<&'static str>,
    cautions: Vec<CautionLine>,
    defer: &'static str,
    checks: Vec<CheckLine>,
    lines: Vec<Line>,
    /// Answers that travel unseen.
    hidden: Vec<(String, String)>,
    late_reasons: Vec<Choice>,
    done_at: String,
    time_wrong: Option<&'static str>,
    stopped: Option<Stopped>,
    mistakes: usize,
    second: bool,
    pub(super) refusal: Option<String>,
}

fn choice(visit: &Visit, table: &str, code: &str, chosen: &str) -> Choice {
    let text = visit.words.code(table, code);
    Choice { value: code.to_owned(), text, chosen: code == chosen, usual: None }
}

/// The planned task of a machine, if this person may see it.
pub(super) fn task(visit: &Visit, state: &State, machine: &str, task: &str) -> Option<DueTask> {
    let machine = Label::new(machine).ok()?;
    let query = DueQuery { machine: Some(machine), ..DueQuery::default() };
    let tasks = state.equipment.due(&state.record, &query, visit.now).tasks;
    tasks.into_iter().find(|t| t.task.as_str() == task && visit.may_see(t.site.as_ref()))
}

/// The machine a form is about, if it is about one.
fn machine(state: &State, kind: &Kind, answers: &Answers) -> Option<MachineView> {
    if kind.about != SubjectKind::Equipment {
        return None;
    }
    state.equipment.machine(&Label::new(answer(answers, "subject")?).ok()?)
}

/// The site of the thing a form is about, as far as the record knows it.
fn site_told(state: &State, kind: &Kind, answers: &Answers) -> Option<Label> {
    let label = Label::new(answer(answers, "subject")?).ok()?;
    match kind.about {
        SubjectKind::Equipment => state.equipment.machine(&label)?.site,
        SubjectKind::Container => state.waste.container(&label)?.site().cloned(),
        SubjectKind::Shipment => state.waste.shipment(&label)?.site().cloned(),
        SubjectKind::Build => {
            let build = state.powder.build(&label, AsOf::Now).ok()?;
            state.equipment.machine(&build.printer?)?.site
        }
        SubjectKind::Lot
        | SubjectKind::Stream
        | SubjectKind::Area
        | SubjectKind::Person
        | SubjectKind::Deviation
        | SubjectKind::Action
        | SubjectKind::Handover
        | SubjectKind::Incident
        | SubjectKind::Recipe
        | SubjectKind::Site
        | SubjectKind::Entry
        | SubjectKind::Log => None,
    }
}

/// The site of the thing a form is about; of a thing the record does not know, the one that was
/// chosen, else the person's only site.
pub(super) fn site(visit: &Visit, state: &State, kind: &Kind, answers: &Answers) -> Option<Label> {
    let sites = visit.sites(state);
    let named = |name: &str| Label::new(answer(answers, name)?).ok().filter(|s| sites.contains(s));
    if kind.about == SubjectKind::Site {
        return named("subject");
    }
    match site_told(state, kind, answers) {
        Some(site) => visit.may_see(Some(&site)).then_some(site),
        None => named("site").or_else(|| match &sites[..] {
            [only] => Some(only.clone()),
            _ => None,
        }),
    }
}

/// Whether a person has to say at which site the thing is.
pub(super) fn asks_site(visit: &Visit, state: &State, kind: &Kind, answers: &Answers) -> bool {
    let tells = matches!(kind.about, SubjectKind::Site | SubjectKind::Equipment);
    !tells && site_told(state, kind, answers).is_none() && visit.sites(state).len() > 1
}

/// Answers what the record knows already: position, meter and target of the task, what is fitted
/// there and its specification, the sieve in use.
pub(super) fn prefill(visit: &Visit, state: &State, kind: &Kind, answers: &mut Answers) {
    let zone = visit.zone(state, site(visit, state, kind, answers).as_ref());
    let today = visit.now.to_zoned_datetime(zone.clone());
    let mut put = |name: &str, value: String| {
        answers.entry(name.to_owned()).or_insert(value);
    };
    if let Some(prefix) = kind.begins {
        put("subject", format!("{prefix}-{}", today.strftime("%Y%m%d-%H%M%S")));
    }
    let days_of_work = kind.fields().filter(|field| field.path == "day");
    for field in days_of_work {
        put(field.path, today.date().to_string());
    }
    for (name, value) in known_waste(visit, state, kind, answers) {
        answers.entry(name).or_insert(value);
    }
    prefill_machine(visit, state, kind, answers);
}

/// What the record knows of the container, area or shipment that a form is about.
fn known_waste(
    visit: &Visit,
    state: &State,
    kind: &Kind,
    answers: &Answers,
) -> Vec<(String, String)> {
    let mut known = Vec::new();
    let mut put = |name: &str, value: &str| known.push((name.to_owned(), value.to_owned()));
    let Some(label) = answer(answers, "subject").and_then(|text| Label::new(text).ok()) else {
        return known;
    };
    match kind.event {
        "container.moved" => {
            let container = state.waste.container(&label).filter(|c| visit.may_see(c.site()));
            let Some(container) = container else { return known };
            if let Some(at) = container.area(visit.now.as_millisecond()) {
                put("from.area", at.area.as_str());
                put("from.location", at.location.as_str());
            }
            if let Some(Holder::Person(person)) = container.custody().last().map(|h| &h.holder) {
                put("giver", person.as_str());
            }
        }
        "area.inspected" => {
            for (number, id) in standing_in(visit, state, &label).into_iter().enumerate() {
                put(&format!("containers.{number}"), id.as_str());
            }
        }
        "shipment.accepted" | "shipment.delivered" => {
            let shipment = state.waste.shipment(&label).filter(|s| visit.may_see(s.site()));
            let Some((shipment, (_, offer))) =
                shipment.and_then(|shipment| Some((shipment, shipment.offered()?)))
            else {
                return known;
            };
            put("transporter", offer.transporter.as_str());
            put("leg", &(shipment.legs().count() + 1).to_string());
            put("facility", offer.facility.as_str());
            put("pieces", &offer.containers.len().to_string());
            for (row, container) in offer.containers.iter().enumerate() {
                put(&in_row("received", row, "container"), container.as_str());
            }
        }
        _ => {}
    }
    known
}

/// Waste containers that stand in an area, as far as this person may see them.
fn standing_in(visit: &Visit, state: &State, area: &Label) -> Vec<Label> {
    let at_ms = visit.now.as_millisecond();
    let here = state.waste.since(at_ms).filter(|c| {
        visit.may_see(c.site())
            && c.state(visit.now).0 == ContainerState::OnSite
            && c.area(at_ms).is_some_and(|at| &at.location == area)
    });
    here.map(|c| c.id.clone()).collect()
}

/// What the record knows of the machine that a form is about.
fn prefill_machine(visit: &Visit, state: &State, kind: &Kind, answers: &mut Answers) {
    let Some(machine) = machine(state, kind, answers) else { return };
    if !visit.may_see(machine.site.as_ref()) {
        return;
    }
    let named = answer(answers, "task").map(str::to_owned);
    let task = named.and_then(|name| task(visit, state, machine.machine.as_str(), &name));
    let mut put = |name: &str, value: &str| {
        answers.entry(name.to_owned()).or_insert_with(|| value.to_owned());
    };
    let asks = |path: &str| kind.fields().any(|field| field.path == path);
    let position = position(kind, &machine, task.as_ref());
    if let Some(position) = position {
        put("position", position.position.as_str());
        if let Some(serial) = &position.serial {
            for name in ["out.serial", "sieve"] {
                put(name, serial.as_str());
            }
        }
        if let Some(spec) = &position.spec {
            for name in ["in.spec.aperture", "aperture"] {
                if let Some(aperture) = &spec.aperture {
                    put(name, aperture.digits());
                    put(&format!("{name}.unit"), aperture.unit());
                }
            }
            if let Some(id) = &spec.spec_id {
                put("in.spec.spec_id", id.as_str());
            }
            if let Some(class) = &spec.filter_class {
                put("in.spec.filter_class", class.as_str());
            }
        }
    }
    if let Some(task) = task.as_ref().filter(|_| asks("target")) {
        put("target", task.target.as_str());
    }
    let counted = task.as_ref().and_then(|t| t.by_meter.as_ref()).map(|m| m.meter.clone());
    let only = || match &machine.meters[..] {
        [only] => Some(only.meter.clone()),
        _ => None,
    };
    if let Some(meter) = counted.or_else(only) {
        put("reading.meter", meter.as_str());
    }
}

/// The position a form is about: the task's, else the only one of the kind of part.
fn position<'m>(
    kind: &Kind,
    machine: &'m MachineView,
    task: Option<&DueTask>,
) -> Option<&'m shopfloor::equipment::PositionView> {
    if let Some(task) = task {
        return machine.positions.iter().find(|p| p.position == task.target);
    }
    let mut fitting = machine.positions.iter().filter(|p| {
        matches!(
            (kind.id, p.part_kind),
            ("sieve_change" | "sieving", Some(PartKind::Sieve))
                | ("filter_change", Some(PartKind::HepaFilter | PartKind::PreFilter))
        )
    });
    match (fitting.next(), fitting.next()) {
        (Some(only), None) => Some(only),
        _ => None,
    }
}

impl FormPage {
    pub(super) fn new(
        visit: &Visit,
        state: &State,
        kind: &'static Kind,
        answers: &Answers,
        mistakes: &[Mistake],
        stopped: Option<Stopped>,
    ) -> Self {
        let words = visit.words;
        let machine = machine(state, kind, answers).filter(|m| visit.may_see(m.site.as_ref()));
        let zone = visit.zone(state, machine.as_ref().and_then(|m| m.site.as_ref()));
        let wrong = |name: &str| {
            let mistake = mistakes.iter().find(|m| m.field == name)?;
            Some(words.t(&format!("mistake.{}", mistake.what)))
        };
        let drawer = Drawer {
            visit,
            state,
            kind,
            answers,
            machine: machine.as_ref(),
            zone: &zone,
            wrong: &wrong,
        };
        let task = answer(answers, "task")
            .and_then(|t| task(visit, state, answer(answers, "subject")?, t));
        let title = words.t(&format!("kind.{}", kind.id));
        let about = words.t(&format!("form.about_{}", kind.about.as_str()));
        let asked = asks_site(visit, state, kind, answers);
        let sites = if asked { visit.sites(state) } else { Vec::new() };
        let given = answer(answers, "site").unwrap_or_default();
        Self {
            top: visit.top(title, Some(state.as_of)),
            kind: kind.id,
            title,
            subject: answer(answers, "subject").unwrap_or_default().to_owned(),
            subject_name: machine
                .as_ref()
                .and_then(|m| m.title.as_ref())
                .map(ToString::to_string)
                .unwrap_or_default(),
            subject_wrong: wrong("subject"),
            subjects: drawer.subjects(kind),
            about,
            sites: sites
                .iter()
                .map(|site| Choice {
                    chosen: site.as_str() == given,
                    ..suggestion(site.as_str(), site.as_str())
                })
                .collect(),
            site_wrong: wrong("site"),
            cautions: cautions_of(words, kind, task.as_ref()),
            defer: report::disposal::closing_words(language(words)),
            checks: kind.checks.iter().map(|code| drawer.check(code)).collect(),
            lines: kind
                .fields()
                .filter(|field| field.input != Input::Me)
                .map(|field| drawer.line(field))
                .collect(),
            hidden: hidden(visit, answers),
            late_reasons: LATE_REASONS
                .iter()
                .map(|code| {
                    choice(visit, "late", code, answer(answers, "latereason").unwrap_or(""))
                })
                .collect(),
            done_at: answer(answers, "done_at").unwrap_or_default().to_owned(),
            time_wrong: wrong("done_at"),
            stopped,
            mistakes: mistakes.len(),
            second: kind.second,
            refusal: None,
        }
    }
}

fn hidden(visit: &Visit, answers: &Answers) -> Vec<(String, String)> {
    let mut hidden = vec![("person".to_owned(), visit.who.subject.clone())];
    for name in ["id", "task", "at"] {
        let value = answer(answers, name).unwrap_or_default();
        hidden.push((name.to_owned(), value.to_owned()));
    }
    hidden
}

/// Cautions of the kind of event and of the planned task, each once, in order of the catalogue.
fn cautions_of(words: &Words, kind: &Kind, task: Option<&DueTask>) -> Vec<CautionLine> {
    let of_kind = kind.catalogue().map_or(&[][..], |row| row.cautions);
    let of_task: Vec<&str> =
        task.map_or_else(Vec::new, |t| t.cautions.iter().map(String::as_str).collect());
    let wanted =
        cautions::CAUTIONS.iter().filter(|c| of_kind.contains(&c.id) || of_task.contains(&c.id));
    wanted
        .map(|c| {
            let (title, text) = report::disposal::caution(language(words), c);
            CautionLine { title, text, source: c.source }
        })
        .collect()
}

struct Drawer<'a> {
    visit: &'a Visit,
    state: &'a State,
    kind: &'static Kind,
    answers: &'a Answers,
    machine: Option<&'a MachineView>,
    zone: &'a TimeZone,
    wrong: &'a dyn Fn(&str) -> Option<&'static str>,
}

impl Drawer<'_> {
    fn given(&self, name: &str) -> &str {
        answer(self.answers, name).unwrap_or("")
    }

    fn check(&self, code: &str) -> CheckLine {
        let name = format!("check.{code}");
        let given = self.given(&name);
        CheckLine {
            text: self.visit.words.code("check", code),
            yes: given == "yes",
            no: given == "no",
            wrong: (self.wrong)(&name),
            name,
        }
    }

    fn line(&self, field: &Field) -> Line {
        let label = kinds::label(self.visit.words, self.kind, field.path);
        self.line_as(field, field.path, label.to_owned())
    }

    /// The question of a field whose answer is called `name`.
    fn line_as(&self, field: &Field, name: &str, label: String) -> Line {
        let words = self.visit.words;
        let units = |units: &[&str]| -> Vec<Choice> {
            let given = self.given(&format!("{name}.unit")).to_owned();
            units.iter().map(|unit| choice(self.visit, "unit", unit, &given)).collect()
        };
        let mut line = Line {
            name: name.to_owned(),
            id: format!("f-{}", name.replace('.', "_")),
            label,
            shape: "text",
            value: self.given(name).to_owned(),
            need: field.need,
            wrong: (self.wrong)(name),
            choices: Vec::new(),
            units: Vec::new(),
            suggestions: Vec::new(),
            lasts: Vec::new(),
            rows: Vec::new(),
            columns: Vec::new(),
            with_kind: matches!(field.input, Input::Place(_)),
        };
        match field.input {
            Input::Label(suggest) | Input::Place(suggest) => {
                line.suggestions = self.suggest(suggest)
            }
            Input::Word(codes) => {
                let table = match field.path {
                    "what" => "waste_item",
                    "check" => "check_kind",
                    "out.reason" => "reason",
                    other => other.rsplit('.').next().unwrap_or(other),
                };
                line.shape = "words";
                line.choices =
                    codes.iter().map(|code| choice(self.visit, table, code, &line.value)).collect();
            }
            Input::Choice(table, codes) => {
                line.shape = "words";
                line.choices =
                    codes.iter().map(|code| choice(self.visit, table, code, &line.value)).collect();
            }
            Input::Ticks(table, codes) => {
                line.shape = "ticks";
                let ticked = several(self.answers, name);
                let choices = codes.iter().map(|code| choice(self.visit, table, code, ""));
                line.choices = with_ticks(choices, &ticked);
            }
            Input::Many(suggest) => {
                line.shape = "many";
                let ticked = several(self.answers, name);
                let named = self.suggest(suggest).into_iter().map(|c| {
                    let more = if c.text.is_empty() { "" } else { " · " };
                    Choice { text: format!("{}{more}{}", c.value, c.text), ..c }
                });
                line.choices = with_ticks(named, &ticked);
                let others = ticked
                    .iter()
                    .filter(|text| !line.choices.iter().any(|choice| &choice.value == *text));
                line.value = others.cloned().collect::<Vec<_>>().join(" ");
            }
            Input::Day => line.shape = "day",
            Input::Count => line.shape = "count",
            Input::Digest => line.shape = "files",
            Input::Me | Input::RowNumber => {}
            Input::Quantity(codes) => {
                line.shape = "quantity";
                line.units = units(codes);
            }
            Input::Size(usuals) => {
                line.shape = "quantity";
                let codes: Vec<&str> = usuals.iter().map(|usual| usual.unit).collect();
                line.units = units(&codes);
                for (unit, usual) in line.units.iter_mut().zip(usuals) {
                    unit.usual = Some((usual.least, usual.most));
                }
            }
            Input::Rows(count, columns) => {
                line.shape = "rows";
                let title = |column: &Field| {
                    kinds::label(words, self.kind, &format!("{}.{}", field.path, column.path))
                };
                let columns = || columns.iter().filter(|c| c.input != Input::RowNumber);
                line.columns = columns().map(title).collect();
                line.rows = (0..count)
                    .map(|row| {
                        let cells = columns().map(|column| {
                            let name = in_row(field.path, row, column.path);
                            let label = format!("{} {}: {}", line.label, row + 1, title(column));
                            Line { need: false, ..self.line_as(column, &name, label) }
                        });
                        cells.collect()
                    })
                    .collect();
            }
            Input::Wearer => {}
            Input::YesNo => line.shape = "yes_no",
            Input::Files => line.shape = "files",
            Input::Limit => {
                line.shape = "limit";
                let side = self.given("limit.side").to_owned();
                line.choices = ["at_most", "at_least"]
                    .iter()
                    .map(|c| choice(self.visit, "limit", c, &side))
                    .collect();
            }
            Input::Reading => {
                line.shape = "reading";
                line.wrong = line.wrong.or_else(|| (self.wrong)("reading.meter"));
                self.reading(&mut line);
            }
        }
        line
    }

    fn reading(&self, line: &mut Line) {
        let words = self.visit.words;
        let given = self.given("reading.meter").to_owned();
        for meter in self.machine.map_or(&[][..], |m| &m.meters) {
            line.choices.push(choice(self.visit, "meter", meter.meter.as_str(), &given));
            let Some(last) = &meter.last else { continue };
            let unit = words.code("unit", meter.unit.as_str());
            let shown = format!("{} {unit}", words.number(&last.shown.value));
            let when = words.moment(last.time_ms, self.zone);
            line.lasts.push(Last {
                meter: meter.meter.to_string(),
                value: last.shown.value.clone(),
                unit: meter.unit.as_str().to_owned(),
                at_ms: last.time_ms,
                words: words.t("form.last").replace("{value}", &shown).replace("{when}", &when),
            });
        }
    }

    /// Things the form may be about.
    fn subjects(&self, kind: &Kind) -> Vec<Choice> {
        let state = self.state;
        match kind.about {
            SubjectKind::Container => return self.containers(),
            SubjectKind::Site => {
                let sites = self.visit.sites(state);
                return sites.iter().map(|site| suggestion(site.as_str(), "")).collect();
            }
            SubjectKind::Lot => {
                let newest = state.powder.lots().into_iter().rev().take(SUGGESTED_MAX);
                return newest.map(|lot| suggestion(lot.as_str(), "")).collect();
            }
            SubjectKind::Build => {
                let builds = state.powder.places().into_iter();
                let running = builds
                    .filter(|(place, mass)| {
                        place.kind == PlaceKind::Build && !mass.base().is_zero()
                    })
                    .take(SUGGESTED_MAX);
                return running.map(|(place, _)| suggestion(place.id(), "")).collect();
            }
            SubjectKind::Shipment => return self.shipments(),
            SubjectKind::Area => return self.suggest(Suggest::Areas),
            SubjectKind::Stream => return self.suggest(Suggest::Streams),
            SubjectKind::Person => return self.suggest(Suggest::People),
            SubjectKind::Deviation => {
                let all = state.people.deviations(&state.record, self.visit.now).into_iter();
                let open = all.filter(|d| self.visit.may_see(d.site.as_ref()));
                let newest = open.rev().take(SUGGESTED_MAX);
                return newest.map(|d| suggestion(d.deviation.as_str(), "")).collect();
            }
            SubjectKind::Action => {
                let all = state.people.actions(&state.record, self.visit.now).into_iter();
                let open = all.filter(|a| self.visit.may_see(a.site.as_ref()));
                let newest = open.rev().take(SUGGESTED_MAX);
                return newest.map(|a| suggestion(a.action.as_str(), "")).collect();
            }
            SubjectKind::Incident
            | SubjectKind::Handover
            | SubjectKind::Recipe
            | SubjectKind::Entry
            | SubjectKind::Log => return Vec::new(),
            SubjectKind::Equipment => {}
        }
        let machines = state.equipment.machines().filter_map(|id| state.equipment.machine(id));
        let fits = |m: &MachineView| {
            let of_kind = m
                .kind
                .is_some_and(|k| kind.machines.is_empty() || kind.machines.contains(&k.as_str()));
            of_kind && m.retired_by.is_none() && self.visit.may_see(m.site.as_ref())
        };
        machines
            .filter(fits)
            .take(SUGGESTED_MAX)
            .map(|m| {
                let text = m.title.map(|t| t.to_string()).unwrap_or_default();
                suggestion(m.machine.as_str(), &text)
            })
            .collect()
    }

    fn containers(&self) -> Vec<Choice> {
        let open = self.state.waste.since(self.visit.now.as_millisecond()).filter(|c| {
            c.state(self.visit.now).0 == ContainerState::OnSite
                && c.closed(i64::MAX).is_none()
                && self.visit.may_see(c.site())
        });
        open.take(SUGGESTED_MAX)
            .map(|c| suggestion(c.id.as_str(), c.stream().map_or("", Label::as_str)))
            .collect()
    }

    fn shipments(&self) -> Vec<Choice> {
        let seen = self.state.waste.shipments().filter(|s| self.visit.may_see(s.site()));
        seen.rev().take(SUGGESTED_MAX).map(|s| suggestion(s.id.as_str(), "")).collect()
    }

    /// Machines of a kind.
    fn of_kind(&self, kind: EquipmentKind) -> Vec<Choice> {
        let fitting = self.machines().filter(|m| m.kind == Some(kind) && m.retired_by.is_none());
        let fitting = fitting.take(SUGGESTED_MAX);
        fitting
            .map(|m| suggestion(m.machine.as_str(), m.title.as_ref().map_or("", |t| t.as_str())))
            .collect()
    }

    /// Waste containers of the shipment that the form is about.
    fn shipped(&self) -> Vec<Choice> {
        let shipment = Label::new(self.given("subject")).ok();
        let shipment = shipment.and_then(|id| self.state.waste.shipment(&id)?.offered());
        let containers = shipment.map_or(&[][..], |(_, offer)| &offer.containers);
        containers.iter().map(|id| suggestion(id.as_str(), "")).collect()
    }

    /// Closed waste containers that stand on site.
    fn to_ship(&self) -> Vec<Choice> {
        let closed = self.state.waste.since(self.visit.now.as_millisecond()).filter(|c| {
            c.state(self.visit.now).0 == ContainerState::OnSite
                && c.closed(i64::MAX).is_some()
                && self.visit.may_see(c.site())
        });
        closed
            .take(SUGGESTED_MAX)
            .map(|c| suggestion(c.id.as_str(), c.stream().map_or("", Label::as_str)))
            .collect()
    }

    /// Where waste containers stand.
    fn areas(&self) -> Vec<Choice> {
        let at_ms = self.visit.now.as_millisecond();
        let seen = self.state.waste.containers().filter(|c| self.visit.may_see(c.site()));
        let areas: BTreeSet<(Label, AreaKind)> =
            seen.filter_map(|c| c.area(at_ms)).map(|at| (at.location, at.area)).collect();
        let told = |kind: AreaKind| self.visit.words.code("area", kind.as_str());
        areas.iter().map(|(at, kind)| suggestion(at.as_str(), &told(*kind))).collect()
    }

    fn suggest(&self, what: Suggest) -> Vec<Choice> {
        let positions = || self.machine.map_or(&[][..], |m| &m.positions).iter();
        match what {
            Suggest::Nothing => Vec::new(),
            Suggest::Positions => positions()
                .map(|p| {
                    let kind = p.part_kind.map_or("", |k| k.as_str());
                    suggestion(p.position.as_str(), &self.visit.words.code("part_kind", kind))
                })
                .collect(),
            Suggest::Targets => self.targets(),
            Suggest::Fitted => positions()
                .filter_map(|p| Some(suggestion(p.serial.as_ref()?.as_str(), p.position.as_str())))
                .collect(),
            Suggest::Scales => self.scales(),
            Suggest::Containers => self.containers(),
            Suggest::Lots => self.places(&[PlaceKind::LotContainer]),
            Suggest::Vessels => self.places(&[
                PlaceKind::Hopper,
                PlaceKind::Bin,
                PlaceKind::LotContainer,
                PlaceKind::VacuumBag,
                PlaceKind::Oversize,
            ]),
            Suggest::Locks => {
                let locks = self.machine.map_or(&[][..], |m| &m.locks).iter();
                locks.map(|l| suggestion(l.lock.as_str(), "")).collect()
            }
            Suggest::Rooms => {
                let rooms: BTreeSet<Label> = self.machines().filter_map(|m| m.room).collect();
                rooms.iter().map(|room| suggestion(room.as_str(), "")).collect()
            }
            Suggest::Printers => self.of_kind(EquipmentKind::Printer),
            Suggest::Blenders => self.of_kind(EquipmentKind::Blender),
            Suggest::Meters => {
                let meters = self.machine.map_or(&[][..], |m| &m.meters).iter();
                meters.map(|m| suggestion(m.meter.as_str(), "")).collect()
            }
            Suggest::Tasks => {
                let Some(machine) = self.machine else { return Vec::new() };
                let id = Some(machine.machine.clone());
                let query = DueQuery { machine: id, ..DueQuery::default() };
                let due = self.state.equipment.due(&self.state.record, &query, self.visit.now);
                let named = |t: &DueTask| {
                    suggestion(t.task.as_str(), &self.visit.words.code("task", t.task.as_str()))
                };
                due.tasks.iter().map(named).collect()
            }
            Suggest::Streams => {
                self.state.waste.streams().map(|(id, _)| suggestion(id.as_str(), "")).collect()
            }
            Suggest::Areas => self.areas(),
            Suggest::InArea => {
                let area = Label::new(self.given("subject"));
                let here = area.map(|area| standing_in(self.visit, self.state, &area));
                here.unwrap_or_default().iter().map(|id| suggestion(id.as_str(), "")).collect()
            }
            Suggest::ToShip => self.to_ship(),
            Suggest::Shipped => self.shipped(),
            Suggest::People => {
                let people = self.state.people.people().take(SUGGESTED_MAX);
                people.map(|id| suggestion(id.as_str(), "")).collect()
            }
            Suggest::Sieved => self.places(&[PlaceKind::Bin, PlaceKind::Oversize]),
        }
    }

    /// Machines this person may see.
    fn machines(&self) -> impl Iterator<Item = MachineView> {
        let equipment = &self.state.equipment;
        let all = equipment.machines().filter_map(|id| equipment.machine(id));
        all.filter(|machine| self.visit.may_see(machine.site.as_ref()))
    }

    fn targets(&self) -> Vec<Choice> {
        let Some(machine) = self.machine else { return Vec::new() };
        let query = DueQuery { machine: Some(machine.machine.clone()), ..DueQuery::default() };
        let due = self.state.equipment.due(&self.state.record, &query, self.visit.now);
        let mut targets: Vec<String> = due.tasks.iter().map(|t| t.target.to_string()).collect();
        targets.extend(machine.positions.iter().map(|p| p.position.to_string()));
        targets.sort_unstable();
        targets.dedup();
        targets.into_iter().map(|t| suggestion(&t, &self.visit.words.code("target", &t))).collect()
    }

    fn scales(&self) -> Vec<Choice> {
        let equipment = &self.state.equipment;
        let machines = equipment.machines().filter_map(|id| equipment.machine(id));
        machines
            .filter(|m| m.kind == Some(EquipmentKind::Scale) && self.visit.may_see(m.site.as_ref()))
            .take(SUGGESTED_MAX)
            .map(|m| suggestion(m.machine.as_str(), m.title.as_ref().map_or("", |t| t.as_str())))
            .collect()
    }

    /// Places of these kinds that hold something, or hold nothing now and stand on the machine.
    fn places(&self, kinds: &[PlaceKind]) -> Vec<Choice> {
        let mine = self.machine.map(|m| format!("{}.", m.machine));
        let of_machine = |id: &str| mine.as_deref().is_some_and(|prefix| id.starts_with(prefix));
        let places = self.state.powder.places().into_iter();
        places
            .filter(|(place, _)| kinds.contains(&place.kind))
            .filter(|(place, mass)| !mass.base().is_zero() || of_machine(place.id()))
            .take(SUGGESTED_MAX)
            .map(|(place, mass)| {
                let mass = format!("{} {}", self.visit.words.number(mass.digits()), mass.unit());
                suggestion(&place.to_string(), &mass)
            })
            .collect()
    }
}

/// Choices of which some are ticked.
fn with_ticks(choices: impl Iterator<Item = Choice>, ticked: &[String]) -> Vec<Choice> {
    choices.map(|c| Choice { chosen: ticked.contains(&c.value), ..c }).collect()
}

fn suggestion(value: &str, text: &str) -> Choice {
    Choice { value: value.to_owned(), text: text.to_owned(), chosen: false, usual: None }
}
