//! Measures the powder account at a size far beyond a shop: a million moves over 20,000 lots.
//!
//! `cargo run --release -p shopfloor --example powder_scale [lots]` prints what was measured; every
//! 50 moves need one lot. Nothing is written. The history is synthetic: blend, load, build,
//! recover, sieve, with all used powder of a printer in one bin, so that old lots reach everything.

use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use shopfloor::fact::WorkTime;
use shopfloor::ids::{Code, FileDigest, Label, PersonId, Place, Reason, Subject};
use shopfloor::powder::AsOf;
use shopfloor::powder::events::*;
use shopfloor::powder::genealogy::{Page, Target};
use shopfloor::powder::impact::{ImpactQuestion, Suspect};
use shopfloor::quantity::{Aperture, Hours, Mass, Minutes};
use shopfloor::{Event, Fact, Performer, State};

const PRINTERS: usize = 40;
const CYCLES_PER_LOT: usize = 5;

fn label(text: &str) -> Label {
    Label::new(text).expect("a label")
}
fn place(text: &str) -> Place {
    text.parse().expect("a place")
}
fn check(name: &str) -> shopfloor::common::Check {
    shopfloor::common::Check { check: Code::new(name).expect("a code"), ok: true }
}
fn kg(text: &str) -> Mass {
    Mass::new(text, "kg").expect("a mass")
}

/// Facts in order of work, spread over one year.
struct History {
    facts: Vec<Fact>,
    now: Timestamp,
    step: SignedDuration,
}

impl History {
    fn note(&mut self, site: &str, subject: &str, event: Event) {
        self.now += self.step;
        self.facts.push(Fact {
            seq: self.facts.len() as u64,
            time: WorkTime { at: self.now, offset_s: 0 },
            recorded_at: self.now,
            site: Some(label(site)),
            subject: subject.parse::<Subject>().expect("a subject"),
            performer: Performer::Person(PersonId::new("op_k7").expect("a person")),
            late_reason: None,
            event,
        });
    }

    fn lot(&mut self, site: &str, lot: &str) {
        let container = LotContainer { id: label(lot), gross: kg("30.5"), tare: kg("0.5") };
        let received = LotReceived {
            material: label("PA12"),
            supplier: label("SUP-A"),
            supplier_lot: label("X"),
            containers: vec![container],
            certificate: Some(Certificate {
                number: label("C-1"),
                digest: FileDigest::new(&"ab".repeat(32)).expect("a digest"),
            }),
            expires: None,
            seals_whole: Some(true),
            scale: Some(label("W-1")),
        };
        self.note(site, &format!("lot/{lot}"), Event::LotReceived(received));
        let meaning = shopfloor::common::SignatureMeaning::Released;
        self.note(site, &format!("lot/{lot}"), Event::LotReleased(LotReleased { meaning }));
    }

    /// One cycle of a printer: ten moves.
    fn cycle(&mut self, site: &str, n: usize, lot: &str) {
        let printer = format!("P-{:02}", n % PRINTERS);
        let scale = Some(label("W-1"));
        let hopper = place(&format!("hopper/{printer}.main"));
        let (unsieved, sieved) = (format!("bin/UN-{printer}"), format!("bin/US-{printer}"));
        let blend = format!("BL-{n}");
        let container = place(&format!("lot_container/{blend}"));
        let component = |from: &str, mass: &str, order| BlendComponent {
            from: place(from),
            mass: kg(mass),
            order,
        };
        let components =
            vec![component(&sieved, "14", 1), component(&format!("lot_container/{lot}"), "5.9", 2)];
        let blended = PowderBlended {
            into: container.clone(),
            components,
            blender: label("B-01"),
            duration: Minutes::new("20", "min").expect("minutes"),
            recipe: None,
            scale: scale.clone(),
        };
        self.note(site, &format!("lot/{blend}"), Event::PowderBlended(blended));
        let moved = |from: Place, into: Place, mass: &str| PowderMoved {
            from,
            into,
            mass: kg(mass),
            reason: None,
            scale: scale.clone(),
        };
        let sample = moved(container.clone(), place(&format!("sample/L-{}", n % 50)), "0.05");
        self.note(site, &format!("lot/{blend}"), Event::PowderMoved(sample));
        let loaded = PowderLoaded {
            from: container,
            into: hopper.clone(),
            mass: kg("19.8"),
            scale: scale.clone(),
            checks: vec![check("bonded"), check("seal_removed_whole")],
            evidence: vec![],
        };
        self.note(site, &format!("equipment/{printer}"), Event::PowderLoaded(loaded));
        let build = format!("build/BN-{n}");
        let started = BuildStarted { printer: label(&printer), hopper, recipe: None };
        self.note(site, &build, Event::BuildStarted(started));
        let finished = BuildFinished {
            mass_used: kg("19.7"),
            parts_mass: kg("2.1"),
            hours_at_temperature: Hours::new("14", "h").expect("hours"),
            parts: None,
            scale: scale.clone(),
            hopper_scale: scale.clone(),
        };
        self.note(site, &build, Event::BuildFinished(finished));
        let recovered =
            PowderRecovered { into: place(&unsieved), mass: kg("17.4"), scale: scale.clone() };
        self.note(site, &build, Event::PowderRecovered(recovered));
        let into = |mass: &str, to: &str| MassInto { mass: kg(mass), into: place(to) };
        let passed = PowderSieved {
            sieve: label(&format!("SV-{}-{}", printer, n / (PRINTERS * 50))),
            aperture: Aperture::new("150", "um").expect("an aperture"),
            spec_id: Some(label("ISO-3310-1")),
            from: place(&unsieved),
            through: into("17.1", &sieved),
            oversize: into("0.2", "oversize/OV-1"),
            duration: Minutes::new("30", "min").expect("minutes"),
            scale: scale.clone(),
        };
        self.note(site, "equipment/S-02", Event::PowderSieved(passed));
        let surplus = moved(place(&sieved), place(&format!("waste/D-{}", n / 50)), "3.0");
        self.note(site, "equipment/S-02", Event::PowderMoved(surplus));
    }
}

fn history(lots: usize) -> Vec<Fact> {
    let facts = lots * (2 + CYCLES_PER_LOT * 8);
    let year_ms = 364_i64 * 24 * 3_600_000;
    let mut history = History {
        facts: Vec::with_capacity(facts + 2),
        now: "2026-01-01T00:00:00Z".parse().expect("a time"),
        step: SignedDuration::from_millis(year_ms / i64::try_from(facts).expect("fits")),
    };
    let scale: shopfloor::equipment::events::EquipmentRegistered = serde_json::from_value(
        serde_json::json!({ "kind": "scale", "label": "Scale", "room": "R1",
            "scale": { "interval": { "value": "0.02", "unit": "kg" },
                "capacity": { "value": "150", "unit": "kg" } } }),
    )
    .expect("a scale");
    history.note("north", "equipment/W-1", Event::EquipmentRegistered(scale));
    // Used, sieved powder to begin with, so that the bins are not overdrawn.
    history.lot("north", "START");
    for printer in 0..PRINTERS {
        let bin = place(&format!("bin/US-P-{printer:02}"));
        let moved = PowderMoved {
            from: place("lot_container/START"),
            into: bin,
            mass: kg("100"),
            reason: None,
            scale: Some(label("W-1")),
        };
        history.note("north", "equipment/S-02", Event::PowderMoved(moved));
    }
    for n in 0..lots {
        let site = if n % 2 == 0 { "north" } else { "south" };
        let lot = format!("PA-{n:05}");
        history.lot(site, &lot);
        for c in 0..CYCLES_PER_LOT {
            history.cycle(site, n * CYCLES_PER_LOT + c, &lot);
        }
    }
    history.facts
}

/// The best of five runs, so that other work on the machine shows as little as possible.
fn best<T>(mut work: impl FnMut() -> T) -> Duration {
    let runs = (0..5).map(|_| time(&mut work).1);
    runs.min().expect("five runs")
}

/// Processor time of this process so far, in seconds (100 ticks a second).
fn processor_s() -> Option<f64> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let fields: Vec<&str> = stat.rsplit(')').next()?.split_whitespace().collect();
    Some((fields.get(11)?.parse::<f64>().ok()? + fields.get(12)?.parse::<f64>().ok()?) / 100.0)
}

fn time<T>(work: impl FnOnce() -> T) -> (T, Duration) {
    let start = Instant::now();
    let result = work();
    (result, start.elapsed())
}

/// p50, p99 and greatest of some runs.
fn report(what: &str, mut runs: Vec<Duration>) {
    runs.sort_unstable();
    let at = |p: usize| runs[(runs.len() * p / 100).min(runs.len() - 1)];
    println!(
        "{what}: p50 {:.1?}, p99 {:.1?}, max {:.1?} ({} runs)",
        at(50),
        at(99),
        runs[runs.len() - 1],
        runs.len()
    );
}

fn resident_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmRSS:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

fn main() {
    let lots: usize = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(20_000);
    let facts = history(lots);
    println!("{} facts over {lots} lots; resident {:?} MiB before", facts.len(), resident_mib());
    let mut state = State::default();
    let (findings, took) = time(|| facts.iter().map(|f| state.apply(f, None).len()).sum::<usize>());
    println!("processor time {:?} s", processor_s());
    println!(
        "judged and folded in {took:.2?} ({:.1} us a fact), {findings} findings; resident {:?} MiB",
        took.as_secs_f64() * 1e6 / facts.len() as f64,
        resident_mib()
    );
    let powder = &state.powder;
    println!("{} moves", powder.move_count());
    let mut by_rule = std::collections::BTreeMap::<&str, usize>::new();
    for finding in state.findings.iter() {
        *by_rule.entry(&finding.rule).or_default() += 1;
    }
    println!("findings by rule: {by_rule:?}");
    println!("processor time {:?} s", processor_s());
    let now = AsOf::Now;
    let page = Page::default();

    let sample = |n: usize| (0..n).map(move |i| i * (lots - 1) / (n - 1).max(1));
    let runs = sample(200).map(|n| {
        let target = Target::Lot(label(&format!("PA-{n:05}")));
        best(|| powder.trace_forward(&target, now, now, &page).expect("a trace"))
    });
    report("forward trace of a lot", runs.collect());
    let runs = sample(200).map(|n| {
        let target = Target::Place(place(&format!("parts/BN-{}", n * CYCLES_PER_LOT)));
        best(|| powder.trace_back(&target, now, &page).expect("a trace"))
    });
    report("back trace of parts", runs.collect());
    let builds = lots * CYCLES_PER_LOT;
    let runs = (0..50).map(|n| {
        let printer = n % PRINTERS;
        let serial = format!("SV-P-{printer:02}-{}", n * (builds / (PRINTERS * 50)) / 50);
        let question = ImpactQuestion {
            suspect: Suspect::Sieve(label(&serial)),
            found: None,
            clock_uncertainty_ms: 60_000,
        };
        best(|| powder.impact(&question, now).expect("an answer"))
    });
    report("impact of a sieve (50 uses)", runs.collect());
    let runs = sample(50).map(|n| {
        let question = ImpactQuestion {
            suspect: Suspect::Lot(label(&format!("PA-{n:05}"))),
            found: None,
            clock_uncertainty_ms: 0,
        };
        best(|| powder.impact(&question, now).expect("an answer"))
    });
    report("impact of a lot", runs.collect());
    let (from, to) = ("2026-01-01T00:00:00Z", "2027-01-01T00:00:00Z");
    let at = |text: &str| text.parse::<Timestamp>().expect("a time");
    let (balance, took) = time(|| powder.site_balance(&label("north"), at(from), at(to)));
    println!(
        "site balance of the year: {took:.1?}; unaccounted {} over {} weighings",
        balance.unaccounted, balance.weighings
    );
    let months: Vec<Timestamp> =
        (1..=12).map(|m| at(&format!("2026-{m:02}-01T00:00:00Z"))).chain([at(to)]).collect();
    let (_, took) = time(|| powder.site_balances(&label("north"), &months));
    println!("site balances of twelve months: {took:.1?}; processor time {:?} s", processor_s());
    let runs = sample(100).map(|n| {
        let bin = place(&format!("bin/US-P-{:02}", n % PRINTERS));
        best(|| powder.place(&bin, now).expect("a place"))
    });
    report("view of a bin that everything went through", runs.collect());

    late(&mut state, &facts);
    held(&mut state, &facts);
    let (stored, took) = time(|| serde_json::to_vec(&state.powder).expect("stored"));
    println!("stored in {took:.2?}, {} MiB", stored.len() >> 20);
    let (back, took) =
        time(|| serde_json::from_slice::<shopfloor::powder::Powder>(&stored).expect("read"));
    println!("read back and folded in {took:.2?}, equal: {}", back == state.powder);
}

/// A late fact in the last day, in the middle and at the beginning of the year.
fn late(state: &mut State, facts: &[Fact]) {
    let times = [("a day ago", 364), ("half a year ago", 182), ("at the beginning", 1)];
    for (seq, (name, share)) in (facts.len() as u64..).zip(times) {
        let mut fact = facts.last().expect("a fact").clone();
        fact.seq = seq;
        fact.time.at = facts[0].time.at + SignedDuration::from_hours(24 * share);
        if share == 364 {
            fact.time.at = facts[facts.len() - 1].time.at - SignedDuration::from_hours(24);
        }
        let (_, took) = time(|| state.apply(&fact, None));
        println!("late fact {name}: {took:.2?}");
    }
}

/// What judging costs while a lot is on hold.
fn held(state: &mut State, facts: &[Fact]) {
    let mut fact = facts[facts.len() - 1].clone();
    fact.seq = facts.len() as u64 + 10;
    fact.time.at += SignedDuration::from_hours(1);
    fact.subject = "lot/PA-00000".parse().expect("a subject");
    let reason = Reason::Code(Code::new("damp").expect("a code"));
    fact.event = Event::LotHeld(LotHeld { reason, scope: vec![], entries: vec![] });
    state.apply(&fact, None);
    let load = facts.iter().rev().find(|f| matches!(f.event, Event::PowderLoaded(_)));
    let mut load = load.expect("a load").clone();
    load.seq = fact.seq + 1;
    load.time = fact.time;
    load.time.at += SignedDuration::from_secs(1);
    let runs = (0..20).map(|_| time(|| state.judge(&load, None).expect("judged")).1);
    report("judging a load while the oldest lot is on hold", runs.collect());
}
