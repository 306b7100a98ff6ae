//! Measures the answers about machines at a size far beyond a shop: 10,000 machines with ten tasks
//! each, and ten million entries.
//!
//! `cargo run --release -p shopfloor --example equipment_scale [entries] [machines]` prints what was
//! measured; ten million entries need about 6 GB of memory. Nothing is written. The history is
//! synthetic: every machine is read three times a day, cleaned after some readings, checked now and
//! then; one reading in a hundred is corrected later.

use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use shopfloor::common::{Interval, Outcome};
use shopfloor::equipment::events::*;
use shopfloor::equipment::{DueQuery, DueState};
use shopfloor::fact::WorkTime;
use shopfloor::ids::{Code, Label, PersonId, Reason, Subject, Title};
use shopfloor::quantity::{AnyQuantity, Limit};
use shopfloor::record::events::EntryCorrected;
use shopfloor::{Event, Fact, Performer, State};

/// Tasks of each machine.
const TASKS: usize = 10;
/// Questions asked of each kind.
const QUESTIONS: usize = 2000;
/// One reading in so many is corrected.
const CORRECTED_EVERY: u64 = 100;

fn label(text: &str) -> Label {
    Label::new(text).expect("a label")
}
fn code(text: &str) -> Code {
    Code::new(text).expect("a code")
}

/// Facts, one after the other, applied as they come.
struct History {
    state: State,
    seq: u64,
    start: Timestamp,
    machines: usize,
    performer: Performer,
    site: Label,
}

impl History {
    fn machine(n: usize) -> String {
        format!("M-{n:05}")
    }

    fn apply(
        &mut self,
        subject: Subject,
        at: Timestamp,
        event: Event,
        original: Option<&Fact>,
    ) -> Fact {
        let fact = Fact {
            seq: self.seq,
            time: WorkTime { at, offset_s: 3600 },
            recorded_at: at,
            site: Some(self.site.clone()),
            subject,
            performer: self.performer.clone(),
            late_reason: None,
            event,
        };
        self.state.apply(&fact, original);
        self.seq += 1;
        fact
    }

    fn of_machine(&mut self, n: usize, at: Timestamp, event: Event) -> Fact {
        let subject = format!("equipment/{}", Self::machine(n)).parse().expect("a subject");
        self.apply(subject, at, event, None)
    }

    fn register(&mut self, n: usize) {
        let registered = EquipmentRegistered {
            kind: EquipmentKind::SievingStation,
            label: Title::new("Sieving station").expect("a title"),
            room: label("R-12"),
            meters: vec![Meter { id: label("run"), unit: MeterUnit::Hours, rolls_over_at: None }],
            positions: vec![Position { id: label("sieve"), part_kind: PartKind::Sieve }],
            scale: None,
        };
        self.of_machine(n, self.start, Event::EquipmentRegistered(registered));
        let task = |t: usize| PlannedTask {
            task: code(&format!("task_{t}")),
            action: if t == 0 { TaskAction::Check } else { TaskAction::Clean },
            target: label(&format!("point-{t}")),
            every: (t < 8).then(|| MeterInterval {
                meter: label("run"),
                quantity: MeterValue::new(&format!("{}", 20 + 15 * t), "h").expect("hours"),
            }),
            calendar: (t >= 7).then(|| Interval::new("P1M").expect("an interval")),
            warn_percent: Percent(90),
            also_does: Vec::new(),
            cautions: Vec::new(),
            source: PlanSource { basis: PlanBasis::CommonPractice, citation: None },
        };
        let plan = PlanSet { tasks: (0..TASKS).map(task).collect() };
        self.of_machine(n, self.start, Event::PlanSet(plan));
    }

    /// Round `round` of the day's work on every machine.
    fn round(&mut self, round: u64) {
        let at = self.start + SignedDuration::from_hours(8 * (round as i64 + 1));
        for n in 0..self.machines {
            let shown = MeterValue::new(&format!("{}.{}", round * 5, n % 10), "h").expect("hours");
            let reading = MeterReading { meter: label("run"), value: shown.clone() };
            let event = match round % 12 {
                3 | 9 => Event::CleaningDone(CleaningDone {
                    task: Some(code(&format!("task_{}", 1 + (round / 6) % 9))),
                    target: label(&format!("point-{}", 1 + (round / 6) % 9)),
                    method: CleaningMethod::Vacuum,
                    reading: Some(reading),
                    residue: None,
                    checks: Vec::new(),
                    evidence: Vec::new(),
                }),
                6 => Event::CheckDone(CheckDone {
                    task: Some(code("task_0")),
                    check: CheckKind::Earthing,
                    target: Some(label("point-0")),
                    measured: AnyQuantity::new("3.2", "Ohm").expect("ohms"),
                    reference: None,
                    limit: Limit { at_least: None, at_most: AnyQuantity::new("10", "Ohm").ok() },
                    result: Outcome::Pass,
                    instrument: None,
                    reading: Some(reading),
                    evidence: Vec::new(),
                }),
                _ => Event::MeterRead(MeterRead {
                    meter: label("run"),
                    reading: shown,
                    evidence: Vec::new(),
                }),
            };
            let fact = self.of_machine(n, at, event);
            if self.seq.is_multiple_of(CORRECTED_EVERY) {
                self.correct(&fact, at);
            }
        }
    }

    fn correct(&mut self, fact: &Fact, at: Timestamp) {
        let serde_json::Value::Object(data) = fact.event.data() else { return };
        let correction = EntryCorrected {
            reason: Reason::Code(code("mis_read")),
            approver: PersonId::new("op_lead1").expect("a person"),
            data,
        };
        let subject = format!("entry/{}", fact.seq).parse().expect("a subject");
        self.apply(subject, at, Event::EntryCorrected(correction), Some(fact));
    }
}

/// Median, 99th percentile and longest of the times.
fn told(what: &str, mut times: Vec<Duration>) {
    times.sort_unstable();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    println!(
        "{what}: {} questions, median {:.2} ms, p99 {:.2} ms, longest {:.2} ms",
        times.len(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
}

fn timed<T>(question: impl FnOnce() -> T) -> (Duration, T) {
    let begun = Instant::now();
    let answer = question();
    (begun.elapsed(), answer)
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let entries = arguments.next().unwrap_or(10_000_000);
    let machines = arguments.next().unwrap_or(10_000) as usize;
    let mut history = History {
        state: State::default(),
        seq: 0,
        start: "2020-01-06T06:00:00Z".parse().expect("a time"),
        machines,
        performer: Performer::Person(PersonId::new("op_k7").expect("a person")),
        site: label("north"),
    };
    let begun = Instant::now();
    (0..machines).for_each(|n| history.register(n));
    let mut round = 0;
    while history.seq < entries {
        history.round(round);
        round += 1;
    }
    let per_entry = begun.elapsed().as_secs_f64() * 1e6 / history.seq as f64;
    println!(
        "{} entries about {machines} machines with {TASKS} tasks each, folded at {per_entry:.1} us an entry; {} findings",
        history.seq,
        history.state.findings.len()
    );

    let (state, last) = (&history.state, history.seq);
    let now = history.start + SignedDuration::from_hours(8 * (round as i64 + 1));
    for limit in [50, 100] {
        let query = DueQuery { limit, down_to: DueState::WithinLimit, ..DueQuery::default() };
        let ask = |_| {
            let (time, list) = timed(|| state.equipment.due(&state.record, &query, now));
            assert_eq!(list.tasks.len(), limit);
            time
        };
        told(&format!("due list of every machine, {limit} listed"), (0..200).map(ask).collect());
    }

    // Machines and moments by a multiplicative walk, so that every run asks the same.
    let mut walk = 12_345u64;
    let mut draw = |below: u64| {
        walk = walk.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (walk >> 33) % below
    };
    let mut times = Vec::with_capacity(QUESTIONS);
    for _ in 0..QUESTIONS {
        let id = label(&History::machine(draw(machines as u64) as usize));
        let known = machines as u64 * 2 + 1 + draw(last - machines as u64 * 2);
        let query = DueQuery { machine: Some(id.clone()), ..DueQuery::default() };
        let (time, list) = timed(|| {
            let then = state.equipment.machine_as_of(&state.record, &id, known);
            then.due(&state.record.settings_as_of(known), &query, now)
        });
        assert_eq!(list.tasks.len(), TASKS);
        times.push(time);
    }
    told("what was due on one machine as of an earlier entry", times);
}
