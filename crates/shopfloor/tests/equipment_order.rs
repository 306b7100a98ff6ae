//! The answers about machines and people do not depend on the order in which facts arrived, on
//! corrections and voids in between, or on snapshots: they are those of the effective facts folded
//! in order of the work. What was told at an earlier time can be told again.

mod equipment_shop;

use equipment_shop::*;
use proptest::prelude::*;
use serde_json::{Value, json};
use shopfloor::common::Day;
use shopfloor::equipment::{DueQuery, Equipment, LifeQuery, StockQuery, events::PartKind};
use shopfloor::ids::Label;
use shopfloor::record::Record;
use shopfloor::{Fact, State};

/// What may happen, with numbers that choose the details.
#[derive(Debug, Clone, Copy)]
struct Deed {
    kind: usize,
    /// Which machine, lot, person.
    which: usize,
    /// When, in steps of half an hour from 2 March 2026: many deeds share a moment.
    step: i64,
    amount: u32,
    flag: bool,
}

const KINDS: usize = 22;

const MACHINES: [&str; 2] = ["S-02", "W-01"];
const PEOPLE: [&str; 3] = ["op_t7", "op_t8", "op_lead1"];

/// Event name, subject and data of a deed.
fn told(deed: Deed) -> (&'static str, String, Value) {
    let Deed { kind, which, amount, flag, .. } = deed;
    let machine = format!("equipment/{}", MACHINES[which % MACHINES.len()]);
    let person = format!("person/{}", PEOPLE[which % PEOPLE.len()]);
    let hours = h(&format!("{}.{}", 100 + amount % 60, amount % 10));
    let along = json!({ "meter": "run", "value": hours });
    let serial = format!("SV-{}", amount % 4);
    let other = format!("SV-{}", (amount + 1) % 4);
    let position = ["main-sieve", "exhaust"][usize::from(flag)];
    let condition = ["sound", "worn", "failed"][amount as usize % 3];
    let out = json!({ "serial": serial, "reason": "interval_reached", "condition": condition });
    let result = if flag { "pass" } else { "fail" };
    match kind % KINDS {
        0 => ("equipment.registered", machine, sieving_station()),
        1 => ("plan.set", machine, plan(amount)),
        2..=4 => ("meter.read", machine, json!({ "meter": "run", "reading": hours })),
        5 => {
            let data = json!({
                "meter": "run", "last_old": hours, "first_new": h("3.0"), "reason": "broken",
            });
            ("meter.replaced", machine, data)
        }
        6 => {
            let mut data = json!({ "target": "main-sieve", "method": "vacuum", "reading": along });
            if flag {
                data["task"] = json!("clean_sieve");
            }
            ("cleaning.done", machine, data)
        }
        7 => {
            let data = json!({
                "position": position, "out": out, "in": sieve(&other), "reading": along,
            });
            ("part.swapped", machine, data)
        }
        8 => ("part.fitted", machine, json!({ "position": position, "in": sieve(&serial) })),
        9 => ("part.removed", machine, json!({ "position": position, "out": out })),
        10 => ("inspection.done", machine, json!({ "target": position, "result": result })),
        11 => {
            let data = json!({
                "check": if flag { "scale" } else { "leak" },
                "measured": { "value": "20.02", "unit": "kg" },
                "reference": { "value": "20.00", "unit": "kg" },
                "limit": { "at_most": { "value": "20.04", "unit": "kg" } }, "result": result,
            });
            ("check.done", machine, data)
        }
        12 => {
            let lock = format!("LK-{}", amount % 2);
            ("equipment.isolated", machine, json!({ "lock": lock, "energy_checked": true }))
        }
        13 => {
            let data = json!({
                "lock": format!("LK-{}", amount % 2),
                "tests": [{ "check": "leak", "ok": flag }], "released_by": "op_lead1",
            });
            ("equipment.returned", machine, data)
        }
        14 => {
            let data = json!({
                "task": "clean_sieve", "reason": "no_spare", "approved_by": "op_lead2",
                "until_reading": { "meter": "run", "value": h(&format!("{}", 140 + amount % 40)) },
            });
            ("task.deferred", machine, data)
        }
        15 => {
            let part = json!({ "part_kind": "sieve", "part": sieve(&serial), "bin": "B-1" });
            ("part.received", "site/north".into(), part)
        }
        16 => {
            let data = json!({ "gross": { "value": "19.40", "unit": "kg" }, "scale": "W-01" });
            ("container.weighed", "container/D-118".into(), data)
        }
        17 => {
            let data = json!({ "task": "cleaning", "valid_to": format!("2026-03-{:02}", 1 + amount % 28) });
            ("authorisation.granted", person, data)
        }
        18 => {
            let data = json!({ "about": ["equipment/S-02"], "what": "torn", "severity": "minor" });
            ("deviation.opened", format!("deviation/DV-{}", amount % 2), data)
        }
        19 => {
            let data = json!({
                "room": "R-12", "footprint": { "value": "200", "unit": "m2" },
                "height": { "value": "3", "unit": "m" },
                "bulk_density": { "value": format!("{}", 1 + amount), "unit": "kg/m3" },
            });
            ("dust.surveyed", "site/north".into(), data)
        }
        20 => {
            let sample = json!({
                "concentration": { "value": format!("{}", amount), "unit": "mg/m3" },
                "duration": { "value": "8", "unit": "h" }, "assumed": flag,
            });
            let data = json!({ "room": "R-12", "fraction": "respirable", "samples": [sample] });
            ("exposure.measured", person, data)
        }
        _ => {
            let data = json!({ "cause": "worn", "approved_by": "op_lead1" });
            ("deviation.closed", format!("deviation/DV-{}", amount % 2), data)
        }
    }
}

fn plan(amount: u32) -> Value {
    let mut replace = by_hours("replace_sieve", "replace", "main-sieve", "30");
    replace["also_does"] = json!(["clean_sieve"]);
    let clean = by_hours("clean_sieve", "clean", "main-sieve", &format!("{}", 5 + amount % 20));
    json!({ "tasks": [clean, replace, by_calendar("weekly", "inspect", "main-sieve", "P1W")] })
}

fn time_of(step: i64) -> String {
    let start: jiff::Timestamp = "2026-03-02T06:00:00Z".parse().unwrap();
    (start + jiff::SignedDuration::from_mins(30 * step)).to_string()
}

fn deeds() -> impl Strategy<Value = Vec<Deed>> {
    let deed = (0..KINDS, 0..6usize, 0..900i64, 0..600u32, any::<bool>())
        .prop_map(|(kind, which, step, amount, flag)| Deed { kind, which, step, amount, flag });
    proptest::collection::vec(deed, 1..60)
}

/// What is done to an earlier entry: nothing, a correction by other numbers, or a void.
fn amendments() -> impl Strategy<Value = Vec<(usize, Option<u32>)>> {
    proptest::collection::vec((0..60usize, proptest::option::weighted(0.7, 0..600u32)), 0..15)
}

/// Records the deeds in the order given, with amendments after every few; gives the shop and the
/// effective facts.
fn record(deeds: &[Deed], amend: &[(usize, Option<u32>)], snapshot_at: usize) -> (Shop, Vec<Fact>) {
    let mut shop = Shop::default();
    let mut amend = amend.iter();
    for (n, deed) in deeds.iter().enumerate() {
        let (kind, subject, data) = told(*deed);
        shop.post_as(PEOPLE[deed.which % PEOPLE.len()], &time_of(deed.step), kind, &subject, data);
        if n % 3 == 2
            && let Some((target, change)) = amend.next()
        {
            amend_one(&mut shop, deeds, target % (n + 1), *change);
        }
        if n == snapshot_at {
            let kept = serde_json::to_vec(&shop.state).unwrap();
            shop.state = serde_json::from_slice(&kept).unwrap();
        }
    }
    let effective = shop.recorded.iter().filter(|f| f.about_entry().is_none()).cloned();
    let effective: Vec<Fact> =
        effective.filter_map(|fact| shop.state.record.effective(fact)).collect();
    (shop, effective)
}

/// Corrects or voids the entry of a deed, unless it is void already.
fn amend_one(shop: &mut Shop, deeds: &[Deed], target: usize, change: Option<u32>) {
    let own: Vec<u64> =
        shop.recorded.iter().filter(|f| f.about_entry().is_none()).map(|f| f.seq).collect();
    let seq = own[target];
    if shop.state.record.amendments(seq).last().is_some_and(|a| a.event.is_none()) {
        return;
    }
    let time = "2026-04-01T06:00:00Z";
    match change {
        Some(amount) => {
            let (_, _, data) = told(Deed { amount, ..deeds[target] });
            shop.correct(time, seq, data);
        }
        None => {
            shop.void(time, seq);
        }
    }
}

/// Every question about one machine, answered.
fn of_machine(equipment: &Equipment, record: &Record, id: &Label) -> Value {
    let now = at("2026-03-20T12:00:00Z");
    json!({
        "machine": equipment.machine(id), "ready": equipment.readiness(record, id, now),
        "history": equipment.history(id, None, None), "scale": equipment.scale(id, 0),
        "pressure": equipment.pressure_trends(record, id),
        "uses": equipment.uses(id, None, None).iter().map(|(seq, _)| *seq).collect::<Vec<_>>(),
    })
}

/// Every question there is, answered.
fn answers(state: &State) -> Value {
    let now = at("2026-03-20T12:00:00Z");
    let today: Day = serde_json::from_value(json!("2026-03-20")).unwrap();
    let from: Day = serde_json::from_value(json!("2026-03-02")).unwrap();
    let (equipment, people, record) = (&state.equipment, &state.people, &state.record);
    let lives =
        LifeQuery { part_kind: PartKind::Sieve, site: None, cost_ratio: None, midpoint: true };
    let stock = StockQuery {
        part_kind: PartKind::Sieve,
        window_days: 30,
        lead_time_days: 10,
        service_percent: 95,
    };
    let machines: Vec<Value> =
        equipment.machines().map(|id| of_machine(equipment, record, id)).collect();
    let parts: Vec<_> = equipment.serials().map(|s| equipment.part(s, today)).collect();
    json!({
        "due": equipment.due(record, &DueQuery::default(), now),
        "machines": machines, "parts": parts,
        "lives": equipment.part_lives(&lives), "stock": equipment.stock(&stock, today),
        "upkeep": equipment.upkeep(None, from, today),
        "deferrals": equipment.deferrals(None, from, today),
        "part_changes": equipment.part_changes(None, from, today),
        "dust": equipment.dust_surveys(), "exposures": equipment.exposures(),
        "people": people.people().map(|p| people.person(record, p, now)).collect::<Vec<_>>(),
        "deviations": people.deviations(record, now),
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn arrival_corrections_and_snapshots_change_no_answer(
        deeds in deeds(), amend in amendments(), snapshot_at in 0..60usize,
    ) {
        let (shop, mut effective) = record(&deeds, &amend, snapshot_at);
        effective.sort_by_key(|fact| (fact.time.ms(), fact.seq));
        let mut refolded = State::default();
        for fact in &effective {
            refolded.apply(fact, None);
        }
        prop_assert_eq!(answers(&shop.state), answers(&refolded));
        prop_assert_eq!(&shop.state.equipment, &refolded.equipment);
        prop_assert_eq!(&shop.state.people, &refolded.people);
    }
    /// What the record told of a machine at an earlier size of the log is told from today's state as
    /// it was told then: late entries, corrections and new settings since then do not show.
    #[test]
    fn an_earlier_answer_can_be_given_again(
        deeds in deeds(), amend in amendments(), earlier in 0.0..1.0f64,
    ) {
        let (mut shop, _) = record(&deeds, &amend, usize::MAX);
        for holiday in ["2026-03-18", "2026-03-19"] {
            let config = json!({ "holidays": [holiday], "reason": "shutdown" });
            shop.post("2026-04-01T07:00:00Z", "config.changed", "site/north", config);
        }
        let known = (earlier * shop.recorded.len() as f64) as usize;
        let mut then = Shop::default();
        for fact in &shop.recorded[..known] {
            then.record(fact.clone());
        }
        let (today, known) = (&shop.state, known as u64);
        let settings = today.record.settings_as_of(known);
        for id in MACHINES.map(label) {
            let machine = today.equipment.machine_as_of(&today.record, &id, known);
            prop_assert_eq!(
                of_machine(&machine, &settings, &id),
                of_machine(&then.state.equipment, &then.state.record, &id)
            );
        }
    }
}
