//! What is looked up is what a look at everything finds; and how much is looked at.

use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use jiff::Timestamp;
use proptest::prelude::*;
use rust_decimal::Decimal;

use super::category::Class;
use super::clocks::ClockKind;
use super::container::{Container, ContainerState};
use super::quantity_on_site::{on_site_stretch, satellite_excesses};
use super::{SiteWaste, Waste};
use crate::common::Day;
use crate::ids::Label;
use crate::pieces::Pieces;
use crate::pieces::tests::{InMemory, in_memory, kept_and_read};
use crate::{Event, Fact, State};

#[path = "../../tests/waste_support/mod.rs"]
mod waste_support;
use waste_support::{Shop, label};

thread_local! {
    /// How many containers were looked at, in this thread.
    pub(super) static LOOKS: Cell<usize> = const { Cell::new(0) };
}

/// How many containers a question looks at.
fn looks<T>(ask: impl FnOnce() -> T) -> usize {
    let before = LOOKS.get();
    ask();
    LOOKS.get() - before
}

/// One random event of a small shop in a year, contradictions included.
fn any_line() -> impl Strategy<Value = String> {
    let time = (1..13u8, 1..29u8, 6..20u8, 0..60u8);
    let things = ((1..6u8).prop_map(|n| format!("D-{n}")), (1..4u8).prop_map(|n| format!("S-{n}")));
    let kg = prop_oneof![3 => 1..900u32, 1 => 10_000..250_000u32];
    (0..21u8, time, things, kg, 1..4u8).prop_map(
        |(what, (month, day, hour, minute), (drum, shipment), hundredths, n)| {
            let on = format!("2026-{month:02}-{day:02}");
            let at = format!("{on} {hour:02}:{minute:02}");
            let kg = format!("{}.{:02}kg", hundredths / 100, hundredths % 100);
            let (stream, other) = if n == 1 { ("A", "reactive_metal") } else { ("B", "acid") };
            let kind = ["hazardous", "non_hazardous", "acute_hazardous"][usize::from(n - 1)];
            match what {
                0 => format!("{at} op_e1 stream.determined stream/{stream} material=M{n} description=dust determination={kind} codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us reactivity=[{other}]"),
                1 | 2 => format!("{at} op_t1 container.opened container/{drum} stream={stream} tare=9.80kg area=satellite location=SAA-1 capacity={n}00gal"),
                3 | 4 => format!("{at} op_t1 container.opened container/{drum} stream={stream} tare=9.80kg area=central location=CAA-1"),
                5 | 6 => format!("{at} op_t1 waste.added container/{drum} what=powder mass={kg}"),
                7 => format!("{at} op_t1 waste.added container/{drum} what=spill_residue mass={kg}"),
                8 => format!("{at} op_t1 waste.added container/{drum} what=vacuum_bag mass={kg} item=B-{n}"),
                9 => format!("{at} op_t1 container.closed container/{drum} checks=[]"),
                10 => format!("{at} op_t1 container.weighed container/{drum} gross=1{kg} scale=SC-1"),
                11 => format!("{at} op_t1 container.moved container/{drum} from.area=satellite from.location=SAA-1 to.area=central to.location=CAA-1 giver=op_t{n} receiver=op_e1"),
                12 => format!("{at} op_e1 area.inspected area/CAA-1 area=central containers=[{drum}] leaks=false closed=true labels_readable=true result=pass"),
                13 => format!("{at} op_e1 shipment.offered shipment/{shipment} document.kind=manifest document.number=01234567{n}ABC containers=[{drum},D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1"),
                14 => format!("{at} op_e1 shipment.accepted shipment/{shipment} transporter=TR-{n} leg={n} day={on}"),
                15 => format!("{at} op_e1 shipment.delivered shipment/{shipment} facility=FA-1 received=[{drum}={kg}] pieces={n} day={on} signed_copy=<digest>"),
                16 => format!("{at} op_e1 shipment.rejected shipment/{shipment} containers=[{drum}] reason=torn course=returned day={on}"),
                17 => format!("{at} op_e1 shipment.delivered shipment/{shipment} facility=FA-1 received=[{drum}={kg}] pieces={n} day={on}"),
                18 => format!("{at} op_e1 discrepancy.found shipment/{shipment} kind=quantity expected={kg} found=1kg"),
                19 => format!("{at} op_e1 discrepancy.settled shipment/{shipment} entry={n} how=agreed with=FA-1"),
                _ => format!("{at} op_e1 disposal.certified shipment/{shipment} certificate=C-{n} method=D10 mass={kg}"),
            }
        },
    )
}

/// A shop in which the lines were told in this order, whenever the work was done, and some of them
/// were voided or, of what was put in, corrected.
fn told(lines: &[String], amend: &[(usize, bool)]) -> Shop {
    let mut shop = Shop::new("us", "America/New_York");
    tell(&mut shop, lines, amend);
    shop
}

/// Tells more, and amends any of what was told.
fn tell(shop: &mut Shop, lines: &[String], amend: &[(usize, bool)]) {
    lines.iter().for_each(|line| _ = shop.tell(line));
    let amends =
        |fact: &Fact| matches!(fact.event, Event::EntryCorrected(_) | Event::EntryVoided(_));
    let entries = shop.facts.iter().skip(1).filter(|fact| !amends(fact));
    let entries: Vec<Fact> = entries.cloned().collect();
    let voids = shop.facts.iter().filter(|fact| matches!(fact.event, Event::EntryVoided(_)));
    let mut voided: BTreeSet<u64> = voids.filter_map(Fact::about_entry).collect();
    for (number, void) in amend {
        let Some(fact) = entries.get(*number) else { continue };
        if voided.contains(&fact.seq) {
            continue;
        }
        let (at, subject) = (shop.noon("2026-12-30"), format!("entry/{}", fact.seq));
        match (&fact.event, void) {
            (Event::WasteAdded(added), false) => {
                let mut added = added.clone();
                added.mass = crate::quantity::Mass::new("7.77", "kg").unwrap();
                let data =
                    serde_json::json!({ "reason": "mis_read", "approver": "op_q1", "data": added });
                shop.record(at, at, "op_e1", "entry.corrected", &subject, data);
            }
            (_, _) => {
                voided.insert(fact.seq);
                let data = serde_json::json!({ "reason": "mistaken", "approver": "op_q1" });
                shop.record(at, at, "op_e1", "entry.voided", &subject, data);
            }
        }
    }
}

/// The same record with an index that names everything.
fn looked_through(state: &State) -> State {
    let mut state = state.clone();
    state.waste.index.name_everything();
    state
}

/// Whether a container stood on its site between two instants or something was told of it.
fn concerned(c: &Container<'_>, from_ms: i64, to_ms: i64) -> bool {
    let told = c.life().map(|m| m.time_ms).chain(c.additions().map(|a| a.moment.time_ms));
    let mut moments: Vec<i64> = told.collect();
    let began = moments.iter().min().copied();
    let stood = began.is_some_and(|ms| ms <= to_ms) && c.left().is_none_or(|(ms, _)| ms >= from_ms);
    moments.extend(c.custody().iter().map(|h| h.from_ms));
    stood || moments.into_iter().any(|ms| from_ms <= ms && ms <= to_ms)
}

/// What is asked of a site at an instant and of the three months before it.
fn answers(state: &State, now: Timestamp) -> serde_json::Value {
    let site = label("north");
    let waste = SiteWaste::of(state, &site);
    let now_ms = now.as_millisecond();
    let (from_ms, to) = (now_ms - 90 * 86_400_000, waste.law.days.day(now_ms));
    let from = waste.law.days.day(from_ms);
    let (first, last) = (waste.law.days.start_ms(from), waste.law.days.end_ms(to));
    let found = waste.containers(from, to);
    let found: Vec<&Label> =
        found.iter().filter(|c| concerned(c, first, last)).map(|c| c.id).collect();
    let here = state.waste.since(now_ms);
    let here: Vec<&Label> =
        here.filter(|c| c.state(now).0 == ContainerState::OnSite).map(|c| c.id).collect();
    let standing =
        |area| state.waste.standing(&site, &label(area), now_ms).cloned().collect::<Vec<_>>();
    serde_json::json!({
        "found": found,
        "here": here,
        "standing": [standing("CAA-1"), standing("SAA-1")],
        "balance": waste.balance(from, to),
        "months": waste.month_views(from, to, now),
        "clocks": waste.clocks(now),
        "retention": waste.retention(now),
        "apart": waste.kept_apart(now),
        "stand": state.waste.standing_containers(now),
    })
}

/// The facts of lines, to be judged.
fn facts(lines: &[String]) -> Vec<Fact> {
    let mut shop = Shop::new("us", "America/New_York");
    let first = shop.facts.len();
    lines.iter().for_each(|line| _ = shop.tell(line));
    let facts = shop.facts.drain(first..);
    facts.map(|fact| Fact { seq: fact.seq + 1_000, ..fact }).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// Late entries, corrections and voids included: what the index names is enough for every answer
    /// and every judgement, and it is what would be built of the record as it stands.
    #[test]
    fn answers_are_those_of_a_look_at_everything(
        lines in prop::collection::vec(any_line(), 1..60),
        amend in prop::collection::vec((0..60usize, any::<bool>()), 0..8),
        judged in prop::collection::vec(any_line(), 0..12),
        days in prop::collection::vec((1..13u8, 1..29u8), 1..4),
    ) {
        let shop = told(&lines, &amend);
        let state = &shop.state;
        let snapshot = serde_json::to_vec(&state.waste).unwrap();
        let read: Waste = serde_json::from_slice(&snapshot).unwrap();
        prop_assert_eq!(&read.index, &state.waste.index);
        let plain = looked_through(state);
        for (month, day) in days {
            let now = shop.noon(&format!("2026-{month:02}-{day:02}"));
            prop_assert_eq!(answers(state, now), answers(&plain, now));
        }
        for fact in facts(&judged) {
            prop_assert_eq!(state.judge(&fact, None), plain.judge(&fact, None), "{:?}", fact.event);
        }
    }

    /// What arose, and when the streams left, without a look at the containers.
    #[test]
    fn sums_are_those_of_all_that_was_put_in(
        lines in prop::collection::vec(any_line(), 1..60),
        amend in prop::collection::vec((0..60usize, any::<bool>()), 0..8),
    ) {
        let shop = told(&lines, &amend);
        let (waste, site, now) = (&shop.state.waste, shop.label(), shop.noon("2026-12-30"));
        let of_site = SiteWaste::of(&shop.state, &site);
        let (mut kg, mut entries) = (super::Kg::ZERO, BTreeSet::new());
        let mut left: BTreeMap<&Label, Option<i64>> = BTreeMap::new();
        for container in waste.containers() {
            for added in container.additions().filter(|added| added.told_before.is_none()) {
                kg += added.addition().mass_kg;
                entries.insert(added.moment.seq);
            }
            let gone = container.left().map(|(ms, _)| ms);
            let Some(stream) = container.stream() else { continue };
            let last = left.entry(stream).or_insert(Some(i64::MIN));
            *last = last.zip(gone).map(|(a, b)| a.max(b));
        }
        let day = |text: &str| Day(text.parse().unwrap());
        let months = of_site.month_views(day("1970-01-01"), day("9998-12-31"), now);
        let told: BTreeSet<u64> = months.iter().flat_map(|m| m.entries.clone()).collect();
        let sums = months.iter().map(|m| &m.amounts).map(|a| {
            a.acute_kg + a.non_acute_kg + a.spill_residue_kg + a.non_hazardous_kg + a.undetermined_kg
        });
        prop_assert_eq!(sums.sum::<super::Kg>(), kg);
        prop_assert_eq!(told, entries);
        prop_assert_eq!(of_site.streams_left().collect::<BTreeMap<_, _>>(), left);
    }

    /// What runs is told of a part of the record as of all of it, or not at all.
    #[test]
    fn a_look_back_tells_what_all_tell(
        lines in prop::collection::vec(any_line(), 1..60),
        amend in prop::collection::vec((0..60usize, any::<bool>()), 0..8),
        days in prop::collection::vec((1..13u8, 1..29u8), 1..4),
    ) {
        let shop = told(&lines, &amend);
        let (state, site) = (&shop.state, shop.label());
        let waste = SiteWaste::of(state, &site);
        let all = waste.since(i64::MIN);
        let hazardous = [Class::Acute, Class::NonAcute, Class::Residue, Class::Undetermined];
        let above = |kg: i64| move |sum: Decimal| sum > Decimal::from(kg);
        let excesses = satellite_excesses(state, &all, i64::MIN, &waste.law);
        for (month, day) in days {
            let at = shop.noon(&format!("2026-{month:02}-{day:02}")).as_millisecond();
            let some: Vec<Rc<Container<'_>>> = waste.since(at);
            for kg in [0, 1, 100, 1_000] {
                let stretch = |of: &[Rc<Container<'_>>], from_ms| {
                    on_site_stretch(state, of, from_ms, &hazardous, above(kg))
                };
                let exact = stretch(&all, i64::MIN);
                prop_assert!(exact.is_some());
                if let Some(told) = stretch(&some, at) {
                    prop_assert_eq!(Some(told), exact.clone());
                }
                prop_assert_eq!(waste.look_back(at, stretch), exact);
            }
            let excess = |of: &[Rc<Container<'_>>], from_ms| {
                satellite_excesses(state, of, from_ms, &waste.law)
            };
            if let Some(told) = excess(&some, at) {
                prop_assert_eq!(Some(told), excesses.clone());
            }
            prop_assert_eq!(waste.look_back(at, excess), excesses.clone());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// What a snapshot holds in pieces is what was told and what is looked up of it, and goes on like
    /// what was never stored: by what is told next or late, and what is corrected or voided.
    #[test]
    fn waste_read_from_pieces_goes_on_as_if_it_had_not_been_stored(
        lines in prop::collection::vec(any_line(), 1..60),
        amend in prop::collection::vec((0..60usize, any::<bool>()), 0..8),
        more in prop::collection::vec(any_line(), 1..30),
        amend_more in prop::collection::vec((0..90usize, any::<bool>()), 0..8),
    ) {
        let (mut shop, mut stored) = (told(&lines, &amend), told(&lines, &amend));
        let pieces = in_memory();
        let (root, read) = kept_and_read(&pieces, &stored.state.waste);
        prop_assert_eq!(kept_and_read(&pieces, &read).0, root, "nothing is written again");
        prop_assert_eq!(&read, &shop.state.waste);
        prop_assert_eq!(&read.index, &shop.state.waste.index);
        stored.state.waste = kept_and_read(&pieces, &read).1;
        tell(&mut shop, &more, &amend_more);
        tell(&mut stored, &more, &amend_more);
        let (plain, state) = (&shop.state, &stored.state);
        prop_assert_eq!(state, plain);
        prop_assert_eq!(&state.waste.index, &plain.waste.index);
        prop_assert_eq!(&state.waste.index, &Waste::from(plain.waste.kept.clone()).index);
        prop_assert_eq!(state.digests().unwrap(), plain.digests().unwrap());
        let (_, read) = kept_and_read(&pieces, &state.waste);
        prop_assert_eq!(&read.index, &plain.waste.index);
        let read = State { waste: read, ..plain.clone() };
        let now = shop.noon("2026-08-15");
        prop_assert_eq!(answers(&read, now), answers(plain, now));
    }
}

/// What contradicts itself has no end: it counts, and is found, long after it left.
#[test]
fn what_contradicts_itself_is_not_lost_sight_of() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.tell("2026-01-01 06:00 op_e1 stream.determined stream/A material=A description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us");
    for drum in ["D-FILLED", "D-OPENED", "D-GONE"] {
        shop.tell(&format!("2026-01-05 08:00 op_t1 container.opened container/{drum} stream=A tare=9.80kg area=central location=CAA-1"));
        shop.tell(&format!(
            "2026-01-06 08:00 op_t1 waste.added container/{drum} what=powder mass=10.00kg"
        ));
    }
    shop.tell("2026-01-08 08:00 op_e1 shipment.offered shipment/S-1 document.kind=manifest document.number=012345678ABC containers=[D-FILLED,D-OPENED,D-GONE] transporter=TR-1 facility=FA-1 offered_by=op_e1");
    shop.tell("2026-01-08 09:00 op_e1 shipment.accepted shipment/S-1 transporter=TR-1 leg=1 day=2026-01-08");
    shop.tell("2026-01-09 08:00 op_t1 waste.added container/D-FILLED what=powder mass=150.00kg");
    shop.tell("2026-01-09 08:00 op_t1 container.opened container/D-OPENED stream=A tare=9.80kg area=central location=CAA-2");
    let (state, site, now) = (&shop.state, shop.label(), shop.noon("2026-12-01"));
    let found: Vec<&str> = state.waste.since(now.as_millisecond()).map(|c| c.id.as_str()).collect();
    assert_eq!(found, ["D-FILLED", "D-OPENED"]);
    assert_eq!(answers(state, now), answers(&looked_through(state), now));
    let area = label("CAA-2");
    let standing = state.waste.standing(&site, &area, now.as_millisecond());
    assert_eq!(standing.map(Label::as_str).collect::<Vec<_>>(), ["D-OPENED"]);
    let stretch = SiteWaste::of(state, &site).look_back(now.as_millisecond(), |of, from_ms| {
        let above = |kg| kg > Decimal::ONE_HUNDRED;
        on_site_stretch(state, of, from_ms, &[Class::NonAcute], above)
    });
    assert_eq!(stretch.flatten().unwrap().began, 10, "the entry that put in the 150 kg");
}

/// Papers are complete and half of what was shipped arrived: told of bulk packaging (40 CFR
/// 264.72(b)), for as long as nobody records it.
#[test]
fn a_difference_of_bulk_waste_that_nobody_recorded_is_looked_for() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.tell("2026-01-01 06:00 op_e1 stream.determined stream/A material=A description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us");
    for (n, capacity) in [(1, 250), (2, 55)] {
        let drum = format!("D-{n}");
        shop.tell(&format!("2026-01-05 08:00 op_t1 container.opened container/{drum} stream=A tare=9.80kg area=central location=CAA-1 capacity={capacity}gal"));
        shop.tell(&format!(
            "2026-01-06 08:00 op_t1 waste.added container/{drum} what=powder mass=100.00kg"
        ));
        shop.tell(&format!("2026-01-08 08:00 op_e1 shipment.offered shipment/S-{n} document.kind=manifest document.number=01234567{n}ABC containers=[{drum}] transporter=TR-1 facility=FA-1 offered_by=op_e1"));
        shop.tell(&format!("2026-01-08 09:00 op_e1 shipment.accepted shipment/S-{n} transporter=TR-1 leg=1 day=2026-01-08"));
        shop.tell(&format!("2026-01-09 09:00 op_e1 shipment.delivered shipment/S-{n} facility=FA-1 received=[{drum}=50.00kg] pieces=1 day=2026-01-09 signed_copy=<digest>"));
        shop.tell(&format!("2026-01-12 09:00 op_e1 disposal.certified shipment/S-{n} certificate=C-{n} method=D10 mass=50.00kg"));
    }
    let told = |shop: &Shop| -> Vec<String> {
        let site = shop.label();
        let clocks = SiteWaste::of(&shop.state, &site).clocks(shop.noon("2026-12-01"));
        let clocks = clocks.into_iter().filter(|clock| clock.kind == ClockKind::Discrepancy);
        clocks.map(|clock| clock.subject.to_string()).collect()
    };
    assert_eq!(told(&shop), ["shipment/S-1"], "a drum of 55 gal is no bulk packaging");
    shop.tell("2026-12-01 08:00 op_e1 discrepancy.found shipment/S-1 kind=quantity expected=100.00kg found=50.00kg =found");
    shop.tell("2026-12-01 09:00 op_e1 discrepancy.settled shipment/S-1 entry=@found how=recount with=FA-1");
    assert_eq!(told(&shop), Vec::<String>::new(), "somebody saw to it");
}

/// A shop that fills and ships three drums a month, with one on site at the end of 2026.
fn shop_since(year: i16) -> Shop {
    let mut shop = Shop::new("us", "America/New_York");
    for (stream, group) in [("AL", "reactive_metal"), ("ETCH", "acid")] {
        shop.tell(&format!("{year}-01-01 06:00 op_e1 stream.determined stream/{stream} material={stream} description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us reactivity=[{group}]"));
    }
    for (year, month) in (year..=2026).flat_map(|year| (1..=12).map(move |month| (year, month))) {
        let on = |day: u8| format!("{year}-{month:02}-{day:02}");
        let drums: Vec<String> = (1..4).map(|n| format!("D-{year}{month:02}{n}")).collect();
        for drum in &drums {
            shop.tell(&format!("{} 08:00 op_t1 container.opened container/{drum} stream=AL tare=9.80kg area=satellite location=SAA-1 capacity=55gal", on(1)));
            shop.tell(&format!(
                "{} 08:00 op_t1 waste.added container/{drum} what=powder mass=20.00kg",
                on(2)
            ));
            shop.tell(&format!("{} 08:00 op_t1 container.moved container/{drum} from.area=satellite from.location=SAA-1 to.area=central to.location=CAA-1 giver=op_t1 receiver=op_e1", on(18)));
            shop.tell(&format!(
                "{} 08:00 op_t1 container.closed container/{drum} checks=[]",
                on(20)
            ));
            shop.tell(&format!(
                "{} 09:00 op_t1 container.weighed container/{drum} gross=29.80kg scale=SC-1",
                on(20)
            ));
        }
        let (all, shipment) = (drums.join(","), format!("S-{year}{month:02}"));
        shop.tell(&format!("{} 08:00 op_e1 area.inspected area/CAA-1 area=central containers=[{all}] leaks=false closed=true labels_readable=true result=pass", on(22)));
        shop.tell(&format!("{} 08:00 op_e1 shipment.offered shipment/{shipment} document.kind=manifest document.number={year}{month:02}123ABC containers=[{all}] transporter=TR-1 facility=FA-1 offered_by=op_e1", on(24)));
        shop.tell(&format!(
            "{} 09:00 op_e1 shipment.accepted shipment/{shipment} transporter=TR-1 leg=1 day={}",
            on(24),
            on(24)
        ));
        let received: Vec<String> = drums.iter().map(|drum| format!("{drum}=20.00kg")).collect();
        shop.tell(&format!("{} 09:00 op_e1 shipment.delivered shipment/{shipment} facility=FA-1 received=[{}] pieces=3 day={} signed_copy=<digest>", on(26), received.join(","), on(26)));
        shop.tell(&format!("{} 09:00 op_e1 disposal.certified shipment/{shipment} certificate=C-{year}{month:02} method=D10 mass=60.00kg", on(27)));
    }
    shop.tell("2026-12-28 08:00 op_t1 container.opened container/D-LAST stream=AL tare=9.80kg area=central location=CAA-1 capacity=55gal");
    shop.tell("2026-12-28 09:00 op_t1 waste.added container/D-LAST what=powder mass=2.00kg");
    shop
}

/// What a report of the last 30 days asks of that shop.
fn report(shop: &Shop) {
    let (site, now) = (shop.label(), shop.noon("2026-12-30"));
    let (from, to) = ("2026-12-01".parse().unwrap(), "2026-12-30".parse().unwrap());
    let waste = SiteWaste::of(&shop.state, &site);
    let containers = waste.containers(Day(from), Day(to));
    assert_eq!(containers.len(), 4, "those of December and the last");
    assert_eq!(waste.balance(Day(from), Day(to)).len(), 1);
    assert_eq!(waste.month_views(Day(from), Day(to), now).len(), 1);
    assert!(!waste.clocks(now).is_empty(), "a drum on site must leave");
    let shipment = label("S-202612");
    assert!(waste.retention_of([&shipment], now).len() > 1);
    waste.kept_apart(now);
}

/// Work, not time: how many containers a report of a month, and a judgement, look at.
#[test]
fn the_years_before_are_not_looked_at() {
    let asked = |shop: &Shop| {
        let (state, now) = (&shop.state, shop.noon("2026-12-30"));
        let report = looks(|| report(shop));
        let lines = [
            "2026-12-30 08:00 op_e1 area.inspected area/CAA-1 area=central containers=[D-LAST] leaks=false closed=true labels_readable=true result=pass",
            "2026-12-30 08:00 op_t1 container.opened container/D-NEW stream=ETCH tare=9.80kg area=central location=CAA-1 capacity=55gal",
            "2026-12-30 08:00 op_e1 stream.determined stream/AL material=AL description=dust determination=hazardous codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us reactivity=[reactive_metal]",
            "2026-12-30 08:00 op_t1 waste.added container/D-LAST what=powder mass=2.00kg",
            // Told a year late.
            "2025-12-19 08:00 op_t1 container.opened container/D-OLD stream=ETCH tare=9.80kg area=central location=CAA-1 capacity=55gal",
            "2025-12-23 08:00 op_e1 area.inspected area/CAA-1 area=central containers=[] leaks=false closed=true labels_readable=true result=pass",
        ];
        let judged: Vec<usize> = facts(&lines.map(String::from))
            .iter()
            .map(|fact| looks(|| state.judge(fact, None).unwrap()))
            .collect();
        let here = looks(|| assert_eq!(state.waste.since(now.as_millisecond()).count(), 1));
        (report, judged, here)
    };
    let (short, long) = (asked(&shop_since(2025)), asked(&shop_since(2020)));
    assert_eq!(long, short, "seven years cost what two do");
    assert!(long.0 < 60, "{} looks for a report of four containers", long.0);
    assert!(long.1.iter().all(|looks| *looks < 10), "{:?} looks for a judgement", long.1);
    assert_eq!(long.2, 1, "looks for what stands");
}

/// Pieces in memory, and how many were read.
#[derive(Debug, Default)]
struct Counted {
    pieces: InMemory,
    read: AtomicUsize,
}

impl Pieces for Counted {
    fn append(&self, bytes: &[u8]) -> std::io::Result<u64> {
        self.pieces.append(bytes)
    }

    fn read(&self, at: u64, len: usize) -> std::io::Result<Vec<u8>> {
        self.read.fetch_add(1, Ordering::Relaxed);
        self.pieces.read(at, len)
    }

    fn lost(&self, why: &str) -> ! {
        self.pieces.lost(why)
    }
}

/// Work, not time: how many pages a start, a report of a month and an addition open, and how much is
/// written after the addition, however many years there are.
#[test]
fn the_pages_of_the_years_before_stay_closed() {
    let opened = |mut shop: Shop| {
        let counted = Arc::new(Counted::default());
        let pieces: Arc<dyn Pieces> = Arc::<Counted>::clone(&counted);
        let start = |shop: &mut Shop| {
            shop.state.waste = kept_and_read(&pieces, &shop.state.waste).1;
            counted.read.swap(0, Ordering::Relaxed)
        };
        assert_eq!(start(&mut shop), 0, "a start opens nothing");
        report(&shop);
        let of_report = start(&mut shop);
        shop.tell("2026-12-30 08:00 op_t1 waste.added container/D-LAST what=vacuum_bag mass=2.00kg item=B-9");
        let of_addition = counted.read.load(Ordering::Relaxed);
        let written = counted.pieces.0.lock().unwrap().len();
        start(&mut shop);
        (of_report, of_addition, counted.pieces.0.lock().unwrap().len() - written)
    };
    let (short, long) = (opened(shop_since(2025)), opened(shop_since(2015)));
    for (report, addition, written) in [short, long] {
        assert!(report < 60, "{report} pages opened for a report: {short:?}, {long:?}");
        assert!(addition < 20, "{addition} pages opened for an addition: {short:?}, {long:?}");
        assert!(written < 4_000, "{written} bytes written after it: {short:?}, {long:?}");
    }
}
