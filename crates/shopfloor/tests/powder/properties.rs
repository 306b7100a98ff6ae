//! Properties that hold for every history of a small shop, whatever happens in it.
//!
//! A history is a list of steps on few lots and places, so that powders meet, bins are overdrawn
//! and used powder comes back; a naive model in binary floats says independently what is where.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde_json::{Value, json};
use shopfloor::powder::genealogy::{Page, Target};
use shopfloor::powder::views::PlaceView;
use shopfloor::powder::{AsOf, LotStatus, Powder};
use shopfloor::{Fact, State};

use crate::shop::{Shop, blend_data, d, fact, kg, label, min, place, um};

const LOTS: [&str; 3] = ["A", "B", "C"];
const PLACES: [&str; 8] = [
    "lot_container/A",
    "lot_container/B",
    "lot_container/C",
    "bin/1",
    "bin/2",
    "hopper/P-01.main",
    "oversize/O",
    "vacuum_bag/V",
];

#[derive(Debug, Clone)]
enum Step {
    Move { from: usize, into: usize, grams: u32 },
    Sieve { from: usize, into: usize, grams: u32, oversize: u32 },
    Blend { into: usize, parts: Vec<(usize, u32)> },
    Build { grams: u32, parts: u32, recovered: u32, into: usize },
    Bag { net: u32 },
    Spill { from: usize, grams: u32 },
}

fn step() -> impl Strategy<Value = Step> {
    let at = || 0..PLACES.len();
    let grams = || 1_u32..9000;
    prop_oneof![
        4 => (at(), at(), grams()).prop_map(|(from, into, grams)| Step::Move { from, into, grams }),
        2 => (at(), at(), grams(), 0_u32..300)
            .prop_map(|(from, into, grams, oversize)| Step::Sieve { from, into, grams, oversize }),
        2 => (at(), prop::collection::vec((at(), grams()), 1..4))
            .prop_map(|(into, parts)| Step::Blend { into, parts }),
        3 => (grams(), 0_u32..2000, 1_u32..9000, at())
            .prop_map(|(grams, parts, recovered, into)| Step::Build { grams, parts, recovered, into }),
        1 => (1_u32..3000).prop_map(|net| Step::Bag { net }),
        1 => (at(), grams()).prop_map(|(from, grams)| Step::Spill { from, grams }),
    ]
}

fn history() -> impl Strategy<Value = Vec<Step>> {
    prop::collection::vec(step(), 1..30)
}

fn grams(g: u32) -> Value {
    kg(&Decimal::new(i64::from(g), 3).to_string())
}

/// The facts of a history, in order of work.
fn facts(steps: &[Step]) -> Vec<Fact> {
    let mut told: Vec<(String, String, Value)> = Vec::new();
    for lot in LOTS {
        let containers = json!([{ "id": lot, "gross": kg("12.5"), "tare": kg("0.5") }]);
        told.push((
            "lot.received".into(),
            format!("lot/{lot}"),
            json!({ "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X",
                "containers": containers }),
        ));
    }
    for (n, step) in steps.iter().enumerate() {
        match step {
            Step::Move { from, into, grams: g } => told.push((
                "powder.moved".into(),
                "equipment/P-01".into(),
                json!({ "from": PLACES[*from], "into": PLACES[*into], "mass": grams(*g) }),
            )),
            Step::Sieve { from, into, grams: g, oversize } => told.push((
                "powder.sieved".into(),
                "equipment/S-02".into(),
                json!({ "sieve": "SV-7", "aperture": um("150"), "from": PLACES[*from],
                    "through": { "mass": grams(*g), "into": PLACES[*into] },
                    "oversize": { "mass": grams(*oversize), "into": "oversize/O" },
                    "duration": min("10") }),
            )),
            Step::Blend { into, parts } => {
                let parts: Vec<(&str, String)> = parts
                    .iter()
                    .map(|(from, g)| (PLACES[*from], Decimal::new(i64::from(*g), 3).to_string()))
                    .collect();
                let parts: Vec<(&str, &str)> =
                    parts.iter().map(|(from, g)| (*from, g.as_str())).collect();
                let lot = format!("lot/M{n}");
                told.push(("powder.blended".into(), lot, blend_data(PLACES[*into], &parts)));
            }
            Step::Build { grams: g, parts, recovered, into } => {
                let build = format!("build/B{n}");
                told.push((
                    "build.started".into(),
                    build.clone(),
                    json!({ "printer": "P-01", "hopper": "hopper/P-01.main" }),
                ));
                told.push((
                    "build.finished".into(),
                    build.clone(),
                    json!({ "mass_used": grams(*g), "parts_mass": grams(*parts),
                        "hours_at_temperature": { "value": "10", "unit": "h" } }),
                ));
                told.push((
                    "powder.recovered".into(),
                    build,
                    json!({ "into": PLACES[*into], "mass": grams(*recovered) }),
                ));
            }
            Step::Bag { net } => told.push((
                "bag.changed".into(),
                "equipment/V-1".into(),
                json!({ "bag": { "id": "V", "gross": grams(net + 100), "tare": grams(100),
                    "tied_before_lifting": true }, "into": "D-1", "off_and_unplugged": true }),
            )),
            Step::Spill { from, grams: g } => told.push((
                "incident.reported".into(),
                format!("incident/I{n}"),
                json!({ "kind": "spill", "room": "R1", "from": PLACES[*from], "mass": grams(*g),
                    "somebody_hurt": false }),
            )),
        }
    }
    let start = crate::shop::at("2026-03-01T08:00:00Z");
    (0..)
        .zip(told)
        .map(|(seq, (name, subject, data))| {
            let time = start + jiff::SignedDuration::from_mins(i64::try_from(seq).unwrap());
            fact(seq, &time.to_string(), &name, &subject, &data)
        })
        .collect()
}

/// One deed of the life of a lot.
fn life_of_lot(kind: u8) -> (&'static str, Value) {
    let containers = json!([{ "id": "C", "gross": kg("12.5"), "tare": kg("0.5") }]);
    let received = |seals: bool| {
        json!({ "material": "PA12", "supplier": "SUP-A", "supplier_lot": "X",
            "containers": containers, "seals_whole": seals,
            "certificate": { "number": "C-1", "digest": "ab".repeat(32) } })
    };
    let decided = |decision: &str| json!({ "decision": decision, "decided_by": ["op_q1", "op_q2"], "reason": "moisture" });
    let tested = |result: &str| {
        json!({ "test": "moisture", "result": result,
            "measured": { "value": "0.1", "unit": "%" },
            "limit": { "at_most": { "value": "0.2", "unit": "%" } } })
    };
    match kind {
        0 | 1 => ("lot.received", received(true)),
        2 => ("lot.received", received(false)),
        3 => ("lot.tested", tested("pass")),
        4 => ("lot.tested", tested("fail")),
        5 => ("lot.released", json!({ "meaning": "released" })),
        6 => ("lot.held", json!({ "reason": "moisture" })),
        7 => ("lot.disposed_of", decided("use_as_is")),
        _ => ("lot.disposed_of", decided("scrap")),
    }
}

fn told<'a>(facts: impl IntoIterator<Item = &'a Fact>) -> Powder {
    let mut state = State::default();
    for fact in facts {
        state.apply(fact, None);
    }
    state.powder
}

/// Everything the account answers about places.
fn views(powder: &Powder) -> BTreeMap<String, PlaceView> {
    powder
        .places()
        .into_iter()
        .filter_map(|(p, _)| Some((p.to_string(), powder.place(&p, AsOf::Now).ok()?)))
        .collect()
}

/// The naive model: mass in kg by place and by (lot or UNKNOWN, builds gone through).
#[derive(Default)]
struct Naive {
    places: BTreeMap<String, BTreeMap<(String, u32), f64>>,
}

impl Naive {
    fn held(&self, at: &str) -> f64 {
        self.places.get(at).map_or(0.0, |c| c.values().sum())
    }
    fn put(&mut self, into: &str, what: (String, u32), mass: f64) {
        *self.places.entry(into.into()).or_default().entry(what).or_default() += mass;
    }
    fn take(&mut self, from: &str, into: &str, mass: f64) {
        if from == into || mass == 0.0 {
            return;
        }
        let missing = mass - self.held(from);
        if missing > 1e-9 {
            self.put(from, ("UNKNOWN".into(), 0), missing);
        }
        let held = self.held(from);
        let aged = u32::from(from.starts_with("build/"));
        let content = self.places.entry(from.into()).or_default();
        let mut moved = Vec::new();
        for (what, there) in content.iter_mut() {
            let part = *there / held * mass;
            *there -= part;
            moved.push(((what.0.clone(), what.1 + aged), part));
        }
        if held - mass < 1e-9 {
            content.clear();
        }
        for (what, part) in moved {
            self.put(into, what, part);
        }
    }
    fn of(steps: &[Step]) -> Naive {
        let mut model = Naive::default();
        let kg = |g: u32| f64::from(g) / 1000.0;
        for lot in LOTS {
            model.put(&format!("lot_container/{lot}"), (lot.into(), 0), 12.0);
        }
        for (n, step) in steps.iter().enumerate() {
            match step {
                Step::Move { from, into, grams } => {
                    model.take(PLACES[*from], PLACES[*into], kg(*grams));
                }
                Step::Sieve { from, into, grams, oversize } => {
                    model.take(PLACES[*from], PLACES[*into], kg(*grams));
                    model.take(PLACES[*from], "oversize/O", kg(*oversize));
                }
                Step::Blend { into, parts } => {
                    for (from, grams) in parts {
                        model.take(PLACES[*from], PLACES[*into], kg(*grams));
                    }
                }
                Step::Build { grams, parts, recovered, into } => {
                    let build = format!("build/B{n}");
                    model.take("hopper/P-01.main", &build, kg(*grams));
                    model.take(&build, &format!("parts/B{n}"), kg(*parts));
                    model.take(&build, PLACES[*into], kg(*recovered));
                }
                Step::Bag { net } => {
                    let untold = kg(*net) - model.held("vacuum_bag/V");
                    if untold > 0.0 {
                        model.put("vacuum_bag/V", ("UNKNOWN".into(), 0), untold);
                    }
                    model.take("vacuum_bag/V", "waste/D-1", kg(*net));
                }
                Step::Spill { from, grams } => {
                    model.take(PLACES[*from], &format!("loss/I{n}"), kg(*grams));
                }
            }
        }
        model
    }
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-6
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    /// Every event conserves the mass over all places.
    #[test]
    fn mass_is_conserved_by_every_event(steps in history()) {
        let mut state = State::default();
        for fact in facts(&steps) {
            state.apply(&fact, None);
            let powder = &state.powder;
            let total: Decimal = powder.places().iter().map(|(p, _)| powder.held_kg(p)).sum();
            prop_assert_eq!(total, powder.from_unknown_kg(), "after entry {}", fact.seq);
        }
    }

    /// Fractions of every place sum to exactly one, ages of the known powder to its coverage.
    #[test]
    fn compositions_sum_to_one(steps in history()) {
        let powder = told(&facts(&steps));
        for (name, view) in views(&powder) {
            prop_assert!(!view.held.base().is_sign_negative() || name.starts_with("supplier/"));
            let Some(makeup) = view.makeup else { continue };
            let sum: Decimal = makeup.lots.iter().map(|l| l.fraction).sum();
            prop_assert_eq!(sum + makeup.unknown_fraction, Decimal::ONE, "{}", name);
            let ages: Decimal = makeup.age.by_builds.iter().map(|c| c.fraction).sum();
            prop_assert!((ages - makeup.coverage).abs() < d("0.0000000001"), "{}", name);
        }
    }

    /// The account agrees with the naive model: held mass, lots, ages.
    #[test]
    fn the_account_agrees_with_a_naive_model(steps in history()) {
        let powder = told(&facts(&steps));
        let model = Naive::of(&steps);
        for (name, view) in views(&powder) {
            if name.starts_with("supplier/") {
                continue;
            }
            let held = view.held.base().to_f64().unwrap();
            prop_assert!(near(held, model.held(&name)), "{name}: {held} {}", model.held(&name));
            let Some(makeup) = view.makeup else { continue };
            let content = &model.places[&name];
            let of = |lot: &str| -> f64 {
                content.iter().filter(|((l, _), _)| l == lot).map(|(_, m)| m).sum()
            };
            for lot in &makeup.lots {
                let found = lot.fraction.to_f64().unwrap() * held;
                prop_assert!(near(found, of(lot.lot.as_str())), "{name} {}", lot.lot);
            }
            let unknown = makeup.unknown_fraction.to_f64().unwrap() * held;
            prop_assert!(near(unknown, of("UNKNOWN")), "{name} UNKNOWN");
            let known: f64 = content.iter().filter(|(k, _)| k.0 != "UNKNOWN").map(|(_, m)| m).sum();
            let aged: f64 = content
                .iter()
                .filter(|(k, _)| k.0 != "UNKNOWN")
                .map(|(k, m)| f64::from(k.1) * m)
                .sum();
            if known > 1e-3 {
                let mean = makeup.age.mean_builds.to_f64().unwrap();
                prop_assert!((mean - aged / known).abs() < 1e-4, "{name}: {mean} {}", aged / known);
                // Every build ran 10 hours.
                let hours = makeup.age.mean_hours_at_temperature.to_f64().unwrap();
                prop_assert!((hours - 10.0 * mean).abs() < 1e-4, "{name}: {hours} h");
            }
        }
    }

    /// Forward from a lot and back from a place tell the same.
    #[test]
    fn forward_and_back_are_inverse(steps in history()) {
        let powder = told(&facts(&steps));
        let views = views(&powder);
        for lot in LOTS {
            let target = Target::Lot(label(lot));
            let forward =
                powder.trace_forward(&target, AsOf::Now, AsOf::Now, &Page::default()).unwrap();
            let reached: BTreeMap<String, Decimal> =
                forward.reach.places.iter().map(|p| (p.place.to_string(), p.fraction)).collect();
            let back: BTreeMap<String, Decimal> = views
                .iter()
                .filter_map(|(name, view)| {
                    let lots = &view.makeup.as_ref()?.lots;
                    Some((name.clone(), lots.iter().find(|l| l.lot.as_str() == lot)?.fraction))
                })
                .collect();
            let names = |m: &BTreeMap<String, Decimal>| m.keys().cloned().collect::<Vec<_>>();
            prop_assert_eq!(names(&reached), names(&back));
            for (name, fraction) in &reached {
                prop_assert!((fraction - back[name]).abs() <= d("0.00000000001"), "{}", name);
            }
            let total: Decimal = forward.reach.where_now.iter().map(|k| k.traced.base()).sum();
            prop_assert!((total - d("12")).abs() < d("0.000001"), "all of {} is somewhere", lot);
        }
    }

    /// The answer does not depend on the order in which the facts were recorded.
    #[test]
    fn arrival_order_does_not_matter(
        (facts, arrival) in history().prop_map(|s| facts(&s)).prop_flat_map(|facts| {
            (Just(facts.clone()), Just(facts).prop_shuffle())
        })
    ) {
        let (ordered, shuffled) = (told(&facts), told(&arrival));
        prop_assert_eq!(&ordered, &shuffled);
        prop_assert_eq!(views(&ordered), views(&shuffled));
        prop_assert_eq!(
            serde_json::to_string(&ordered).unwrap(),
            serde_json::to_string(&shuffled).unwrap()
        );
    }

    /// A corrected weighing gives what would be if it had been right at once, and changes only
    /// what depends on it.
    #[test]
    fn a_correction_changes_what_depends_on_it_and_nothing_else(
        steps in history(), which in any::<prop::sample::Index>(), right in 1_u32..9000
    ) {
        let moves: Vec<usize> = (0..steps.len())
            .filter(|i| matches!(steps[*i], Step::Move { .. }))
            .collect();
        prop_assume!(!moves.is_empty());
        let at = moves[which.index(moves.len())];
        let mut corrected = steps.clone();
        let Step::Move { from, into, grams: g } = &mut corrected[at] else { unreachable!() };
        *g = right;
        let data = json!({ "from": PLACES[*from], "into": PLACES[*into], "mass": grams(right) });

        let wrong = facts(&steps);
        let original = wrong.iter().find(|f| wrong_is(f, &steps, at)).unwrap().clone();
        let mut shop = Shop::default();
        for fact in &wrong {
            shop.state.apply(fact, None);
        }
        let before = views(shop.powder());
        shop.facts = wrong.clone();
        shop.note("2026-04-01T08:00:00Z", "entry.corrected", &format!("entry/{}", original.seq),
            json!({ "reason": "mis_read", "approver": "op_q1", "data": data }));

        let after = views(shop.powder());
        prop_assert_eq!(&after, &views(&told(&facts(&corrected))), "as if right at once");
        let dependent = dependents(&wrong, original.seq);
        for (name, view) in &after {
            if !dependent.contains(name) {
                prop_assert_eq!(Some(view), before.get(name), "{} does not depend on it", name);
            }
        }
    }

    /// What is stored is read back, from a snapshot and from the form that is digested.
    #[test]
    fn an_account_survives_storage(steps in history()) {
        let powder = told(&facts(&steps));
        let listed: Powder = serde_json::from_value(serde_json::to_value(&powder).unwrap()).unwrap();
        prop_assert_eq!(views(&listed), views(&powder));
        let snapshot = rmp_serde::to_vec_named(&powder).unwrap();
        let back: Powder = rmp_serde::from_slice(&snapshot).unwrap();
        prop_assert_eq!(views(&back), views(&powder));
    }

    /// Which lots must not be used is told without a look at the others: it is what a look at each
    /// tells, in whatever order it was recorded and whatever was taken back.
    #[test]
    fn lots_kept_back_are_those_on_hold_or_in_quarantine(
        deeds in prop::collection::vec((0..3_usize, 0..9_u8), 1..40),
        order in any::<prop::sample::Index>(),
        voided in prop::collection::vec(any::<prop::sample::Index>(), 0..6),
    ) {
        let start = crate::shop::at("2026-03-01T08:00:00Z");
        let mut facts: Vec<Fact> = deeds.iter().zip(0..).map(|((lot, kind), n)| {
            let (name, data) = life_of_lot(*kind);
            let time = start + jiff::SignedDuration::from_mins(n);
            fact(n.unsigned_abs(), &time.to_string(), name, &format!("lot/{}", LOTS[*lot]), &data)
        }).collect();
        let late = order.index(facts.len());
        facts.rotate_left(late);
        let mut shop = Shop::default();
        for fact in &facts {
            shop.state.apply(fact, None);
        }
        let mut gone: Vec<u64> = voided.iter().map(|which| facts[which.index(facts.len())].seq).collect();
        gone.sort_unstable();
        gone.dedup();
        shop.facts = facts.clone();
        shop.facts.sort_by_key(|fact| fact.seq);
        for seq in gone {
            let void = json!({ "reason": "mis_read", "approver": "op_q1" });
            shop.note("2026-04-01T08:00:00Z", "entry.voided", &format!("entry/{seq}"), void);
        }
        let powder = shop.powder();
        let now = crate::shop::at("2026-05-01T08:00:00Z");
        let mut looked_at = BTreeMap::new();
        for lot in powder.lots() {
            let status = powder.lot(&lot, AsOf::Now, now).unwrap().status;
            if matches!(status, LotStatus::Held | LotStatus::Quarantined) {
                looked_at.insert(lot, status);
            }
        }
        let told: BTreeMap<_, _> = powder.kept_back().map(|(lot, s)| (lot.clone(), s)).collect();
        prop_assert_eq!(told, looked_at);
    }
}

/// Whether a fact is the one of step `at`.
fn wrong_is(fact: &Fact, steps: &[Step], at: usize) -> bool {
    let told = |s: &Step| if matches!(s, Step::Build { .. }) { 3 } else { 1 };
    let before: usize = steps[..at].iter().map(told).sum();
    fact.seq as usize == LOTS.len() + before
}

/// Places that a move can have changed: its own, and whatever took from a changed place later.
/// What an event takes and fills is read off its JSON: every place it names.
fn dependents(facts: &[Fact], seq: u64) -> BTreeSet<String> {
    let mut changed = BTreeSet::new();
    let mut hopper = BTreeMap::new();
    for fact in facts {
        let data = fact.event.data();
        let subject = fact.subject.to_string();
        let mut named = BTreeSet::new();
        collect_places(&data, &mut named);
        match fact.event.kind().name {
            "build.started" => {
                hopper.insert(subject.clone(), data["hopper"].as_str().unwrap().to_owned());
                continue;
            }
            "build.finished" => {
                named.insert(hopper[&subject].clone());
                named.insert(subject.replace("build/", "parts/"));
                named.insert(subject.clone());
            }
            "powder.recovered" => {
                named.insert(subject.clone());
            }
            "bag.changed" => {
                named.extend(["vacuum_bag/V".to_owned(), "waste/D-1".to_owned()]);
            }
            "incident.reported" => {
                named.insert(subject.replace("incident/", "loss/"));
            }
            _ => {}
        }
        if fact.seq == seq || (fact.seq > seq && !named.is_disjoint(&changed)) {
            changed.extend(named);
        }
    }
    changed
}

fn collect_places(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::String(text) if PLACES.contains(&text.as_str()) => {
            found.insert(text.clone());
        }
        Value::Array(items) => items.iter().for_each(|v| collect_places(v, found)),
        Value::Object(members) => members.values().for_each(|v| collect_places(v, found)),
        _ => {}
    }
}

#[test]
fn a_place_reaches_itself_and_what_was_taken_from_it_since() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    shop.transfer("2026-03-02T08:00:00Z", "lot_container/A", "bin/1", "10");
    let earlier = shop.transfer("2026-03-02T09:00:00Z", "bin/1", "bin/2", "4");
    let later = shop.transfer("2026-03-02T10:00:00Z", "bin/1", "bin/3", "1");
    let target = Target::Place(place("bin/1"));
    let ask = |from| {
        let page = Page::default();
        let found = shop.powder().trace_forward(&target, from, AsOf::Now, &page).unwrap();
        let places = found.reach.places.iter();
        let held = places.map(|p| (p.place.to_string(), p.traced.digits().to_owned()));
        (held.collect::<Vec<_>>(), found.edges.iter().map(|e| e.entry).collect::<Vec<_>>())
    };
    let held = |pairs: &[(&str, &str)]| -> Vec<(String, String)> {
        pairs.iter().map(|(p, m)| ((*p).to_owned(), (*m).to_owned())).collect()
    };
    // What lay in it after the first transfer: without what had left before.
    let expected = (held(&[("bin/1", "5"), ("bin/3", "1")]), vec![later]);
    assert_eq!(ask(AsOf::Entry(earlier)), expected);
    assert_eq!(ask(AsOf::Now), (held(&[("bin/1", "5")]), vec![]));
}

#[test]
fn a_trace_is_paged_without_gaps_or_doubles() {
    let mut shop = Shop::default();
    shop.receive("2026-03-01T08:00:00Z", "A", "100");
    for n in 0..25 {
        let time = format!("2026-03-02T08:{n:02}:00Z");
        let (from, into) =
            if n % 2 == 0 { ("lot_container/A", "bin/1") } else { ("bin/1", "bin/2") };
        shop.transfer(&time, from, into, "1.5");
    }
    let powder = shop.powder();
    let target = Target::Place(place("bin/2"));
    let all =
        powder.trace_back(&target, AsOf::Now, &Page { limit: Some(500), after: None }).unwrap();
    let (mut paged, mut after) = (Vec::new(), None);
    loop {
        let page = powder
            .trace_back(&target, AsOf::Now, &Page { limit: Some(7), after: after.clone() })
            .unwrap();
        assert_eq!(page.edges_total, all.edges.len());
        assert!(page.edges.len() <= 7);
        paged.extend(page.edges);
        after = page.next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!(paged, all.edges);
    let forward = |page: &Page| {
        powder.trace_forward(&Target::Lot(label("A")), AsOf::Now, AsOf::Now, page).unwrap()
    };
    let first = forward(&Page { limit: Some(20), after: None });
    let second = forward(&Page { limit: Some(20), after: first.next.clone() });
    assert_eq!((first.edges.len(), second.edges.len(), second.next), (20, 6, None));
    let bad = Page { limit: None, after: Some("7.99".into()) };
    assert!(powder.trace_back(&target, AsOf::Now, &bad).is_err());
}

/// Rules whose findings end when what they were raised for is put right elsewhere.
const ACCOUNT_RULES: [&str; 4] = [
    "powder.place_overdrawn",
    "powder.recovered_more_than_used",
    "powder.count_differs",
    "powder.count_undecided",
];

/// Those of them that an entry broke and that are open.
fn account(state: &State, seq: u64) -> BTreeSet<&str> {
    let open = state.findings.of_entry(seq).iter().filter(|f| f.settled_by.is_none());
    open.map(|f| f.rule.as_str()).filter(|r| ACCOUNT_RULES.contains(r)).collect()
}

/// One day's work on two bins, and what happens to it afterwards.
#[derive(Debug, Clone)]
struct Deed {
    /// Moves this much from the lot to bin 1 (0), from bin 1 to bin 2 (1), or counts bin 1 (2).
    kind: u8,
    grams: u32,
    /// Entered after all others.
    late: bool,
    /// Corrected to these masses, one after the other; 0: declared void.
    amended: Vec<u32>,
}

fn deed() -> impl Strategy<Value = Deed> {
    let amended = prop_oneof![
        3 => Just(Vec::new()),
        1 => prop::collection::vec(prop_oneof![1 => Just(0), 3 => 1_u32..6000], 1..3),
    ];
    (0..3_u8, 1_u32..6000, prop::bool::weighted(0.2), amended)
        .prop_map(|(kind, grams, late, amended)| Deed { kind, grams, late, amended })
}

fn deed_data(kind: u8, mass: u32) -> (&'static str, &'static str, Value) {
    let moved = |from, into| json!({ "from": from, "into": into, "mass": grams(mass) });
    match kind {
        0 => ("powder.moved", "equipment/P-01", moved("lot_container/A", "bin/1")),
        1 => ("powder.moved", "equipment/P-01", moved("bin/1", "bin/2")),
        _ => ("stock.counted", "site/north", json!({ "place": "bin/1", "mass": grams(mass) })),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    /// However corrections, voids and late entries came, a finding of the account is open exactly
    /// when the account would raise it had everything been right and in order from the beginning.
    #[test]
    fn open_findings_of_the_account_are_those_of_the_right_record_from_zero(
        deeds in prop::collection::vec(deed(), 1..14)
    ) {
        let mut shop = Shop::default();
        shop.receive("2026-03-01T08:00:00Z", "A", "12");
        // A reading has nothing to do with powder, and neither has its correction.
        let station = "equipment/S-02";
        let shown = |value: &str| json!({ "meter": "run", "reading": { "value": value, "unit": "h" } });
        let read = shop.note("2026-03-01T09:00:00Z", "meter.read", station, shown("100"));
        let time = |n: usize| format!("2026-03-{:02}T08:00:00Z", n + 2);
        let mut entries = BTreeMap::new();
        let (late, in_time): (Vec<_>, Vec<_>) = deeds.iter().enumerate().partition(|(_, d)| d.late);
        for (n, deed) in in_time.into_iter().chain(late) {
            let (name, subject, data) = deed_data(deed.kind, deed.grams);
            entries.insert(n, shop.note(&time(n), name, subject, data));
        }
        for (n, deed) in deeds.iter().enumerate() {
            let about = format!("entry/{}", entries[&n]);
            for mass in &deed.amended {
                let approved = json!({ "reason": "mis_read", "approver": "op_q1" });
                match mass {
                    0 => {
                        shop.note("2026-04-01T08:00:00Z", "entry.voided", &about, approved);
                        break;
                    }
                    mass => {
                        let mut data = approved;
                        data["data"] = deed_data(deed.kind, *mass).2;
                        shop.note("2026-04-01T08:00:00Z", "entry.corrected", &about, data);
                    }
                }
            }
        }
        let correction = json!({ "reason": "mis_read", "approver": "op_q1", "data": shown("99") });
        shop.note("2026-04-02T08:00:00Z", "entry.corrected", &format!("entry/{read}"), correction);

        let mut right: Vec<Fact> = shop.facts.iter()
            .filter(|f| f.about_entry().is_none())
            .filter_map(|f| shop.state.record.effective(f.clone()))
            .collect();
        right.sort_by_key(|f| (f.time.ms(), f.seq));
        let mut from_zero = State::default();
        right.iter().for_each(|fact| _ = from_zero.apply(fact, None));
        // A snapshot in between changes nothing: it holds no index.
        let stored = serde_json::to_string(&shop.state).unwrap();
        prop_assert_eq!(&serde_json::from_str::<State>(&stored).unwrap(), &shop.state);

        for (n, deed) in deeds.iter().enumerate().filter(|(_, d)| d.amended.is_empty()) {
            let seq = entries[&n];
            let raised: BTreeSet<&str> =
                shop.state.findings.of_entry(seq).iter().map(|f| f.rule.as_str()).collect();
            let holds = account(&from_zero, seq);
            let expected: BTreeSet<&str> = holds.intersection(&raised).copied().collect();
            prop_assert_eq!(account(&shop.state, seq), expected, "{:?}", deed);
        }
    }
}
