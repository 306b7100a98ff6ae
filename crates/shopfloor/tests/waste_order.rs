//! Whatever the order in which facts arrive, and whatever was taken back since: the same answers.

mod waste_support;

use proptest::prelude::*;
use shopfloor::common::Day;
use shopfloor::fact::Fact;
use shopfloor::waste::category;
use shopfloor::waste::{clocks, view};
use shopfloor::{Event, State};
use waste_support::{Shop, is_shop_event};

/// One random event of a small shop, contradictions included, as a line of the script language.
fn any_line() -> impl Strategy<Value = String> {
    let drum = (1..4u8).prop_map(|n| format!("D-{n}"));
    let time = (1..29u8, 6..20u8, 0..60u8);
    let shipment = (1..3u8).prop_map(|n| format!("S-{n}"));
    (0..14u8, time, drum, shipment, 1..900u32, 1..4u8).prop_map(
        |(what, (day, hour, minute), drum, shipment, grams, n)| {
            let at = format!("2026-06-{day:02} {hour:02}:{minute:02}");
            let kg = format!("{}.{:02}kg", grams / 100, grams % 100);
            match what {
                0 => format!("{at} op_e1 stream.determined stream/A material=PA12 description=dust determination={} codes.rcra=[D001] decided_by=op_e1 basis=test jurisdiction=us", ["hazardous", "non_hazardous", "acute_hazardous"][usize::from(n - 1)]),
                1 => format!("{at} op_t1 container.opened container/{drum} stream=A tare=9.80kg area=satellite location=SAA-{n} capacity=55gal"),
                2 => format!("{at} op_t1 container.opened container/{drum} stream=A tare=9.80kg area=central location=CAA-{n}"),
                3 | 4 => format!("{at} op_t1 waste.added container/{drum} what=powder mass={kg}"),
                5 => format!("{at} op_t1 waste.added container/{drum} what=vacuum_bag mass={kg} item=B-{n}"),
                6 => format!("{at} op_t1 bag.changed equipment/V-1 bag.id=B-{n} bag.gross=5.00kg bag.tare=0.20kg bag.tied_before_lifting=true into={drum} off_and_unplugged=true"),
                7 => format!("{at} op_t1 container.closed container/{drum} checks=[]"),
                8 => format!("{at} op_t1 container.weighed container/{drum} gross=1{kg} scale=SC-1"),
                9 => format!("{at} op_t1 container.moved container/{drum} from.area=satellite from.location=SAA-{n} to.area=central to.location=CAA-1 giver=op_t{n} receiver=op_e1"),
                10 => format!("{at} op_e1 shipment.offered shipment/{shipment} document.kind=manifest document.number=01234567{n}ABC containers=[{drum},D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1"),
                11 => format!("{at} op_e1 shipment.accepted shipment/{shipment} transporter=TR-{n} leg={n} day=2026-06-{day:02}"),
                12 => format!("{at} op_e1 shipment.delivered shipment/{shipment} facility=FA-1 received=[{drum}={kg}] pieces={n} day=2026-06-{day:02}"),
                _ => format!("{at} op_e1 shipment.rejected shipment/{shipment} containers=[{drum}] reason=torn course=returned day=2026-06-{day:02}"),
            }
        },
    )
}

fn facts(lines: &[String]) -> (Shop, Vec<Fact>) {
    let mut shop = Shop::new("us", "America/New_York");
    for line in lines {
        shop.tell(line);
    }
    let facts = shop.facts.iter().filter(|f| is_shop_event(&f.event)).cloned().collect();
    (shop, facts)
}

/// Every answer about waste that the facts support, as text.
fn answers(shop: &Shop, state: &State) -> String {
    let now = shop.noon("2026-06-29");
    let (from, to) = ("2026-01-01".parse().unwrap(), "2026-12-31".parse().unwrap());
    let containers: Vec<_> =
        state.waste.containers().map(|c| view::container(state, c.id, now)).collect();
    let shipments: Vec<_> = state.waste.shipments().map(|s| view::shipment(state, s.id)).collect();
    let clocks = clocks::clocks(state, &shop.label(), now);
    let months = category::month_views(state, &shop.label(), Day(from), Day(to), now);
    serde_json::to_string_pretty(&serde_json::json!([containers, shipments, clocks, months]))
        .unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn arrival_order_does_not_matter(
        (lines, order) in prop::collection::vec(any_line(), 1..40)
            .prop_flat_map(|lines| {
                let order: Vec<usize> = (0..lines.len()).collect();
                (Just(lines), Just(order).prop_shuffle())
            })
    ) {
        let (shop, facts) = facts(&lines);
        let mut late = Shop::new("us", "America/New_York").state;
        for i in order {
            late.apply(&facts[i], None);
        }
        prop_assert_eq!(&late.waste, &shop.state.waste);
        prop_assert_eq!(answers(&shop, &late), answers(&shop, &shop.state));
    }

    #[test]
    fn what_is_voided_was_never_told(
        lines in prop::collection::vec(any_line(), 1..30),
        void in prop::collection::vec(any::<bool>(), 30)
    ) {
        let (mut shop, facts) = facts(&lines);
        let mut kept = Shop::new("us", "America/New_York").state;
        for (fact, void) in facts.iter().zip(&void) {
            if *void {
                let line = format!("2026-06-29 08:00 op_e1 entry.voided entry/{} reason=mistaken approver=op_q1", fact.seq);
                shop.tell(&line);
            } else {
                kept.apply(fact, None);
            }
        }
        prop_assert_eq!(answers(&shop, &kept), answers(&shop, &shop.state));
    }

    #[test]
    fn a_corrected_mass_counts_as_if_told_so_at_first(
        lines in prop::collection::vec(any_line(), 1..30),
    ) {
        let (mut shop, facts) = facts(&lines);
        let mut right = Shop::new("us", "America/New_York").state;
        for fact in &facts {
            let mut fact = fact.clone();
            if let Event::WasteAdded(added) = &mut fact.event {
                added.mass = shopfloor::quantity::Mass::new("7.77", "kg").unwrap();
                let data = serde_json::to_value(&*added).unwrap();
                let at = shop.noon("2026-06-29");
                let correction = serde_json::json!({ "reason": "mis_read", "approver": "op_q1", "data": data });
                let subject = format!("entry/{}", fact.seq);
                shop.record(at, at, "op_e1", "entry.corrected", &subject, correction);
            }
            right.apply(&fact, None);
        }
        prop_assert_eq!(answers(&shop, &right), answers(&shop, &shop.state));
    }

    /// What the record told of a container or shipment at an earlier size of the log is told from
    /// today's state as it was told then: late entries, corrections and signatures since then do not
    /// show.
    #[test]
    fn an_earlier_answer_can_be_given_again(
        lines in prop::collection::vec(any_line(), 1..40),
        amend in prop::collection::vec((0..40usize, 0..3u8), 0..8),
        earlier in 0.0..1.0f64,
    ) {
        let (mut shop, facts) = facts(&lines);
        for (number, how) in amend {
            let Some(fact) = facts.get(number) else { continue };
            let subject = format!("entry/{}", fact.seq);
            let (at, voided) = (shop.noon("2026-06-29"), shop.state.record.amendments(fact.seq).last().is_some_and(|a| a.event.is_none()));
            match (how, &fact.event) {
                (0, _) => shop.record(at, at, "op_e1", "entry.signed", &subject, serde_json::json!({ "meaning": "verified" })),
                (_, _) if voided => continue,
                (1, Event::WasteAdded(added)) => {
                    let mut added = added.clone();
                    added.mass = shopfloor::quantity::Mass::new("7.77", "kg").unwrap();
                    let data = serde_json::json!({ "reason": "mis_read", "approver": "op_q1", "data": added });
                    shop.record(at, at, "op_e1", "entry.corrected", &subject, data)
                }
                (_, _) => shop.record(at, at, "op_e1", "entry.voided", &subject, serde_json::json!({ "reason": "mistaken", "approver": "op_q1" })),
            };
        }
        let known = (earlier * shop.facts.len() as f64) as usize;
        let mut then = State::default();
        for fact in &shop.facts[..known] {
            let about = fact.about_entry().and_then(|seq| shop.facts.iter().find(|f| f.seq == seq));
            let about = about.cloned().and_then(|fact| then.record.effective(fact));
            then.apply(fact, about.as_ref());
        }
        let (known, now) = (then.as_of, shop.noon("2026-06-29"));
        for id in shop.state.waste.containers().map(|c| c.id) {
            let told = shop.state.container_as_of(id, known);
            prop_assert_eq!(view::container(&told, id, now), view::container(&then, id, now));
        }
        for id in shop.state.waste.shipments().map(|s| s.id) {
            let told = shop.state.shipment_as_of(id, known);
            prop_assert_eq!(view::shipment(&told, id), view::shipment(&then, id));
        }
    }

    #[test]
    fn a_snapshot_reads_back_the_same(lines in prop::collection::vec(any_line(), 1..30)) {
        let (shop, _) = facts(&lines);
        let bytes = serde_json::to_vec(&shop.state.waste).unwrap();
        let back: shopfloor::waste::Waste = serde_json::from_slice(&bytes).unwrap();
        prop_assert_eq!(&back, &shop.state.waste);
    }
}
