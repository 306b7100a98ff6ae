//! What is due: every planned task of every machine, how far it is from its limits, and when it
//! will reach them.

use std::cmp::Reverse;
use std::collections::BTreeSet;
use std::sync::LazyLock;

use jiff::Timestamp;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use super::events::{MeterUnit, PlanBasis, PlanSource, PlannedTask, TaskAction};
use super::machine::{Derived, Plan, Registration};
use super::meter::{DayNumber, MeterTrack, date_of, day_number};
use super::plan::{Cycle, DueState, MeterLimit, StartKind, TaskTrack};
use super::ranking::MostUrgent;
use super::workdays::WorkingDays;
use super::{Equipment, Machine};
use crate::common::{Day, Outcome};
use crate::forms::words;
use crate::ids::{Code, Label, PersonId, Title};
use crate::record::{Record, SiteConfig};
use crate::stats::forecast::{Reach, reach};

/// Readings a forecast needs (computations.md C2).
pub const FORECAST_READINGS_MIN: usize = 4;

/// Which tasks are asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DueQuery {
    /// One site, or all.
    pub site: Option<Label>,
    /// One machine, or all.
    pub machine: Option<Label>,
    /// The least urgent state to list; counts cover every state.
    pub down_to: DueState,
    /// At most so many tasks, the most urgent ones.
    pub limit: usize,
}

impl Default for DueQuery {
    fn default() -> Self {
        Self { site: None, machine: None, down_to: DueState::WithinLimit, limit: 100 }
    }
}

/// The due list, most urgent first: by state, then by share of the limit used.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DueList {
    /// Tasks at a limit.
    pub due: usize,
    /// Tasks near a limit.
    pub due_soon: usize,
    /// Tasks whose meter was never read.
    pub no_reading_yet: usize,
    /// Tasks below every limit.
    pub within_limit: usize,
    /// The tasks asked for.
    pub tasks: Vec<DueTask>,
}

impl DueList {
    /// Takes the tasks of other machines in: the counts add up, and at most `limit` tasks stay, the
    /// most urgent ones.
    pub fn add(&mut self, other: DueList, limit: usize) {
        self.due += other.due;
        self.due_soon += other.due_soon;
        self.no_reading_yet += other.no_reading_yet;
        self.within_limit += other.within_limit;
        self.tasks.extend(other.tasks);
        self.tasks.sort_by_key(|task| (task.state, Reverse(task.percent)));
        self.tasks.truncate(limit);
    }
}

/// An amount of meter use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Amount {
    /// Decimal digits.
    pub value: String,
    /// `h` or `1`.
    pub unit: MeterUnit,
}

impl Amount {
    pub(crate) fn new(value: Decimal, unit: MeterUnit) -> Self {
        Self { value: value.to_string(), unit }
    }
}

impl std::fmt::Display for Amount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.unit {
            MeterUnit::Hours => write!(f, "{} h", self.value),
            MeterUnit::Count => write!(f, "{} cycles", self.value),
        }
    }
}

/// How a task stands against its limit by meter.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ByMeter {
    /// Which meter.
    pub meter: Label,
    /// Used since the cycle began; none while the meter was not read.
    pub used: Option<Amount>,
    /// The limit to work to.
    pub limit: Option<Amount>,
    /// Limit minus used; negative when over the limit.
    pub remaining: Option<Amount>,
    /// Entry of the last accepted reading.
    pub read_by: Option<u64>,
    /// Its local day.
    pub read_on: Option<Day>,
}

/// How a task stands against its limit by calendar.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ByDay {
    /// Day on which it is due.
    pub due_on: Day,
    /// Days until then; 0 on the day, negative when past.
    pub days_left: i32,
}

/// What the running cycle counts from.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CountsFrom {
    /// Done, or first planned.
    pub what: StartKind,
    /// Entry that tells it.
    pub entry: u64,
    /// Local day.
    pub day: Day,
}

/// When a task was last done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LastDone {
    /// Entry that tells it.
    pub entry: u64,
    /// Local day.
    pub day: Day,
    /// Who did it.
    pub person: Option<PersonId>,
    /// Result of an inspection or check.
    pub result: Option<Outcome>,
    /// The other task whose doing also did this one.
    pub through: Option<Code>,
}

/// A signed decision to do the task later.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Deferred {
    /// Entry of the decision.
    pub entry: u64,
    /// Who approved it.
    pub approved_by: PersonId,
    /// Why, as a code or `in words (kept outside the log)`.
    pub reason: String,
    /// New last day.
    pub until: Option<Day>,
    /// The plan's own limits, which still count for being on time.
    pub original_due_on: Option<Day>,
}

words! {
    /// What can be said about the day on which a limit by meter will be reached.
    pub enum Outlook {
        /// A day with a band.
        Expected = "expected",
        /// It is reached.
        DueNow = "due now",
        /// Fewer than four readings since the cycle began.
        NotEnoughData = "not enough data",
        /// The meter hardly moves.
        NotMoving = "not moving",
        /// The task has no limit by meter.
        NoMeter = "no meter",
    }
}

/// Forecast by the robust slope of the readings since the cycle began, on the axis of the site's
/// working days (computations.md C2). Counted from the last reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Forecast {
    /// What can be said.
    pub outlook: Outlook,
    /// Working day on which the limit is reached.
    pub expected: Option<Day>,
    /// Early end of the 95 % band.
    pub earliest: Option<Day>,
    /// Late end of the band; none: open.
    pub latest: Option<Day>,
    /// Use per working day, rounded to two digits after the point.
    pub per_working_day: Option<String>,
    /// Days with a reading it rests on.
    pub readings: usize,
}

impl Forecast {
    /// When a limit will be reached that lies `remaining` above the last of `points` (working day,
    /// value).
    pub(crate) fn of(
        points: &[(i32, Decimal)],
        remaining: Decimal,
        last: DayNumber,
        calendar: &WorkingDays,
    ) -> Self {
        if points.len() < FORECAST_READINGS_MIN {
            return Forecast::only(Outlook::NotEnoughData, points.len());
        }
        let Some(Reach { expected, earliest, latest, rate }) = reach(points, remaining) else {
            return Forecast::only(Outlook::NotMoving, points.len());
        };
        let on = |ahead: i32| day_of(calendar.day(calendar.count(last) + ahead));
        Forecast {
            outlook: Outlook::Expected,
            expected: Some(on(expected)),
            earliest: Some(on(earliest)),
            latest: latest.map(on),
            per_working_day: Some(rate),
            readings: points.len(),
        }
    }

    pub(crate) fn only(outlook: Outlook, readings: usize) -> Self {
        Self {
            outlook,
            expected: None,
            earliest: None,
            latest: None,
            per_working_day: None,
            readings,
        }
    }
}

/// One task of the due list.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DueTask {
    /// Machine.
    pub machine: Label,
    /// Its display name.
    pub title: Option<Title>,
    /// Room it stands in.
    pub room: Option<Label>,
    /// Site.
    pub site: Option<Label>,
    /// Name of the task in the plan.
    pub task: Code,
    /// What is to be done.
    pub action: TaskAction,
    /// To what.
    pub target: Label,
    /// How it stands.
    pub state: DueState,
    /// The same in words, for example `92 % of limit, 4.1 h left`.
    pub in_words: String,
    /// Share of the most advanced limit, in whole percent rounded down.
    pub percent: u32,
    /// By meter.
    pub by_meter: Option<ByMeter>,
    /// By calendar.
    pub by_day: Option<ByDay>,
    /// Entry of a failed check that asks for the work.
    pub failed_check: Option<u64>,
    /// What the cycle counts from.
    pub counts_from: CountsFrom,
    /// When it was last done.
    pub last_done: Option<LastDone>,
    /// Day since which it is due by its original limits, deferred or not.
    pub due_since: Option<Day>,
    /// A decision to do it later.
    pub deferred: Option<Deferred>,
    /// When the limit by meter will be reached.
    pub forecast: Forecast,
    /// The earlier of the forecast day and the calendar day.
    pub next_on: Option<Day>,
    /// Ids of the cautions to show before the work.
    pub cautions: Vec<String>,
    /// Where the interval comes from.
    pub source: PlanSource,
    /// The same in words.
    pub source_in_words: String,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

/// Local days of the sites at one instant, each worked out once.
struct Days<'a> {
    record: &'a Record,
    now: Timestamp,
    known: Vec<(Option<&'a Label>, DayNumber)>,
}

impl<'a> Days<'a> {
    fn of(&mut self, site: Option<&'a Label>) -> DayNumber {
        if let Some((_, day)) = self.known.iter().find(|(s, _)| *s == site) {
            return *day;
        }
        let day = day_number(config_of(self.record, site).day(self.now));
        self.known.push((site, day));
        day
    }
}

impl Equipment {
    /// The due list at `now`: by the readings and work recorded so far, on the local day of each
    /// machine's site. Machines that are retired or were never registered are left out.
    ///
    /// What does not depend on `now` is kept up to date by the fold; only the tasks that are
    /// listed are worked out in full.
    pub fn due(&self, record: &Record, query: &DueQuery, now: Timestamp) -> DueList {
        let mut days = Days { record, now, known: Vec::new() };
        let mut counts = [0usize; 4];
        let mut most_urgent = MostUrgent::new(query.limit);
        let mut machines: Vec<(&Label, &Machine, DayNumber)> = Vec::new();
        for (id, machine) in self.selected(query) {
            let (Some(registration), Some(plan), None) =
                (&machine.now.registration, &machine.now.plan, machine.now.retired_by)
            else {
                continue;
            };
            if query.site.is_some() && registration.site != query.site {
                continue;
            }
            let day = days.of(registration.site.as_ref());
            let place = u32::try_from(machines.len()).unwrap_or(u32::MAX);
            for (number, gauge) in (0u32..).zip(&plan.gauges) {
                let (state, points) = gauge.on(day);
                counts[state as usize] += 1;
                if state <= query.down_to {
                    most_urgent.offer((state, Reverse(points), place, number));
                }
            }
            machines.push((id, machine, day));
        }
        let found = most_urgent.sorted();
        let tasks = found
            .into_iter()
            .filter_map(|(_, _, place, number)| {
                let (id, machine, day) = *machines.get(place as usize)?;
                machine.due_task(id, number as usize, day, record)
            })
            .collect();
        let [due, due_soon, no_reading_yet, within_limit] = counts;
        DueList { due, due_soon, no_reading_yet, within_limit, tasks }
    }

    fn selected<'a>(
        &'a self,
        query: &'a DueQuery,
    ) -> Box<dyn Iterator<Item = (&'a Label, &'a Machine)> + 'a> {
        match &query.machine {
            Some(id) => Box::new(self.machines.get_key_value(id).into_iter()),
            None => Box::new(self.machines.iter()),
        }
    }
}

impl Machine {
    /// One task of the plan in full, on a local day of the machine's site.
    fn due_task(
        &self,
        id: &Label,
        number: usize,
        day: DayNumber,
        record: &Record,
    ) -> Option<DueTask> {
        let (plan, registration) = (self.now.plan.as_ref()?, self.now.registration.as_ref()?);
        let task = plan.tasks.get(number)?;
        let track = self.now.tasks.get(&task.task)?;
        let cycle = track.cycle.as_ref()?;
        let config = config_of(record, registration.site.as_ref());
        let (state, points) = plan.gauges.get(number)?.on(day);
        let (limit, due_day) = cycle.working(task);
        let by_meter = limit.as_ref().map(|l| by_meter(l, &self.now));
        let by_day = due_day.map(|due| ByDay { due_on: day_of(due), days_left: due - day });
        let failed_check = self.now.failed_check(plan, task);
        let forecast = limit
            .as_ref()
            .map_or(Forecast::only(Outlook::NoMeter, 0), |l| forecast(l, cycle, &self.now, config));
        let next_on = [forecast.expected, by_day.as_ref().map(|d| d.due_on)];
        Some(DueTask {
            machine: id.clone(),
            title: Some(registration.form.label.clone()),
            room: Some(registration.form.room.clone()),
            site: registration.site.clone(),
            task: task.task.clone(),
            action: task.action,
            target: task.target.clone(),
            state,
            in_words: in_words(points, by_meter.as_ref(), by_day.as_ref(), failed_check),
            percent: points / 100,
            entries: entries(plan, registration, track, by_meter.as_ref(), failed_check),
            by_meter,
            by_day,
            failed_check,
            counts_from: CountsFrom {
                what: cycle.start.kind,
                entry: cycle.start.seq,
                day: day_of(cycle.start.day),
            },
            last_done: track.last.as_ref().map(|done| LastDone {
                entry: done.seq,
                day: day_of(done.day),
                person: done.person.clone(),
                result: done.result,
                through: done.through.clone(),
            }),
            due_since: cycle.fell_due_by(Some(task), day).map(day_of),
            deferred: deferred(cycle, task),
            forecast,
            next_on: next_on.into_iter().flatten().min(),
            cautions: cautions(task),
            source: task.source.clone(),
            source_in_words: source_in_words(&task.source),
        })
    }
}

/// Settings of a site; the defaults for a fact that names none.
pub(crate) fn config_of<'r>(record: &'r Record, site: Option<&Label>) -> &'r SiteConfig {
    static UNSET: LazyLock<SiteConfig> = LazyLock::new(SiteConfig::default);
    site.map_or(&UNSET, |site| record.site(site))
}

pub(crate) fn day_of(day: DayNumber) -> Day {
    Day(date_of(day))
}

fn by_meter(limit: &MeterLimit<'_>, now: &Derived) -> ByMeter {
    let track = now.meters.get(limit.meter);
    let unit = track.and_then(|t| t.unit).unwrap_or(MeterUnit::Hours);
    let amount = |value: Decimal| Amount::new(value, unit);
    let used = track.and_then(MeterTrack::usage).zip(limit.base).map(|(now, base)| now - base);
    let last = track.and_then(|t| t.last.as_ref());
    ByMeter {
        meter: limit.meter.clone(),
        used: used.map(amount),
        limit: limit.span.map(amount),
        remaining: used.zip(limit.span).map(|(used, span)| amount(span - used)),
        read_by: last.map(|r| r.seq),
        read_on: last.map(|r| day_of(r.day)),
    }
}

fn deferred(cycle: &Cycle, task: &PlannedTask) -> Option<Deferred> {
    let deferral = cycle.deferral.as_ref()?;
    Some(Deferred {
        entry: deferral.seq,
        approved_by: deferral.approved_by.clone(),
        reason: deferral.reason.to_string(),
        until: deferral.until_day.map(day_of),
        original_due_on: cycle.original(task).1.map(day_of),
    })
}

/// Entries a task's state rests on: registration, plan, start of the cycle, last reading,
/// deferral, failed check.
fn entries(
    plan: &Plan,
    registration: &Registration,
    track: &TaskTrack,
    by_meter: Option<&ByMeter>,
    failed_check: Option<u64>,
) -> Vec<u64> {
    let cycle = track.cycle.as_ref();
    let mut entries = BTreeSet::from([plan.seq, registration.seq]);
    entries.extend(cycle.map(|c| c.start.seq));
    entries.extend(cycle.and_then(|c| c.deferral.as_ref()).map(|d| d.seq));
    entries.extend(by_meter.and_then(|m| m.read_by));
    entries.extend(failed_check);
    entries.into_iter().collect()
}

/// State in words and numbers.
fn in_words(
    points: u32,
    by_meter: Option<&ByMeter>,
    by_day: Option<&ByDay>,
    failed_check: Option<u64>,
) -> String {
    let mut parts = Vec::new();
    if let Some(entry) = failed_check {
        parts.push(format!("asked for by the failed check of entry {entry}"));
    }
    match by_meter.map(|m| (&m.remaining, &m.used)) {
        Some((Some(left), Some(_))) => parts.push(match left.value.strip_prefix('-') {
            Some(over) => {
                let over = Amount { value: over.to_owned(), unit: left.unit };
                format!("{over} over the limit")
            }
            None => format!("{left} left"),
        }),
        Some(_) => parts.push("meter not read yet".to_owned()),
        None => {}
    }
    if let Some(by_day) = by_day {
        parts.push(match by_day.days_left {
            0 => "due today".to_owned(),
            1.. => format!("due on {}, {} days left", by_day.due_on, by_day.days_left),
            _ => format!("due since {}, {} days", by_day.due_on, -by_day.days_left),
        });
    }
    if parts.is_empty() {
        return "no limit in the plan".to_owned();
    }
    format!("{} % of limit, {}", points / 100, parts.join("; "))
}

/// Cautions of the plan and of the kind of work, each once.
fn cautions(task: &PlannedTask) -> Vec<String> {
    let event = match task.action {
        TaskAction::Clean => "cleaning.done",
        TaskAction::Replace => "part.swapped",
        TaskAction::Inspect => "inspection.done",
        TaskAction::Check => "check.done",
    };
    let of_work = crate::catalogue::kind_of(event).map_or(&[][..], |kind| kind.cautions);
    let mut ids: Vec<String> = of_work.iter().map(|id| (*id).to_owned()).collect();
    for id in &task.cautions {
        if !ids.iter().any(|known| known == id.as_str()) {
            ids.push(id.as_str().to_owned());
        }
    }
    ids
}

fn source_in_words(source: &PlanSource) -> String {
    let basis = match source.basis {
        PlanBasis::Manual => "the machine's manual",
        PlanBasis::Published => "published",
        PlanBasis::Site => "the site's own experience",
        PlanBasis::CommonPractice => "common practice, no source",
    };
    match &source.citation {
        Some(citation) => format!("{basis}: {citation}"),
        None => basis.to_owned(),
    }
}

fn forecast(limit: &MeterLimit<'_>, cycle: &Cycle, now: &Derived, config: &SiteConfig) -> Forecast {
    let track = now.meters.get(limit.meter);
    let (Some(track), Some(base), Some(span)) = (track, limit.base, limit.span) else {
        return Forecast::only(Outlook::NotEnoughData, 0);
    };
    let Some(last) = track.days.back() else { return Forecast::only(Outlook::NotEnoughData, 0) };
    let days: Vec<_> = track.days.iter().filter(|d| d.day >= cycle.start.day).collect();
    let remaining = span - (last.usage - base);
    if remaining <= Decimal::ZERO {
        return Forecast::only(Outlook::DueNow, days.len());
    }
    let calendar = WorkingDays::of(config);
    let points: Vec<(i32, Decimal)> =
        days.iter().map(|d| (calendar.count(d.day), d.usage)).collect();
    Forecast::of(&points, remaining, last.day, &calendar)
}
