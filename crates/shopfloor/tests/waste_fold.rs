//! What the waste fold keeps: sums, custody, state, corrections; whatever the order of arrival.

mod waste_support;

use shopfloor::waste::Kg;
use shopfloor::waste::container::ContainerState;
use shopfloor::waste::view;
use waste_support::{Shop, label};

const DRUM: &str = "
2026-06-01 08:00 op_e1 stream.determined stream/PA-DUST material=PA12 description=polymer determination=non_hazardous codes.list_of_waste=~12_01_05 decided_by=op_e1 basis=knowledge jurisdiction=us
2026-06-01 09:00 op_t1 container.opened container/D-1 stream=PA-DUST tare=9.80kg area=satellite location=SAA-1 container_type=DM capacity=55gal
2026-06-01 10:00 op_t1 waste.added container/D-1 what=vacuum_bag mass=3.00kg item=B-1
2026-06-02 10:00 op_t1 waste.added container/D-1 what=vacuum_bag mass=2.50kg item=B-2
2026-06-03 10:00 op_t1 waste.added container/D-1 what=filter mass=4.10kg item=HF-7
2026-06-03 11:00 op_t1 container.closed container/D-1 checks=[]
2026-06-03 11:05 op_t1 container.weighed container/D-1 gross=19.40kg scale=SC-1
2026-06-04 08:00 op_t1 container.moved container/D-1 from.area=satellite from.location=SAA-1 to.area=central to.location=CAA-1 giver=op_t1 receiver=op_e1
2026-06-10 08:00 op_e1 shipment.offered shipment/S-1 document.kind=manifest document.number=012345678ABC containers=[D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1
2026-06-10 09:00 op_e1 shipment.accepted shipment/S-1 transporter=TR-1 leg=1 day=2026-06-10
2026-06-12 09:00 op_e1 shipment.delivered shipment/S-1 facility=FA-1 received=[D-1=9.60kg] pieces=1 day=2026-06-12 signed_copy=<digest>
2026-06-20 09:00 op_e1 disposal.certified shipment/S-1 certificate=C-1 method=D10 mass=9.60kg
";

#[test]
fn a_drum_from_the_first_bag_to_the_certificate() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(DRUM);
    // computations.md C9: bags 3.00 + 2.50 + 4.10 = 9.60; 19.40 - 9.80 = 9.60: closed.
    let view = view::container(&shop.state, &label("D-1"), shop.noon("2026-07-01")).unwrap();
    assert_eq!(view.added_kg.to_string(), "9.60 kg");
    assert_eq!(view.net_kg.unwrap().to_string(), "9.60 kg");
    assert_eq!(view.state, ContainerState::Disposed);
    let holders: Vec<&str> = view.custody.iter().map(|c| c.holder.as_str()).collect();
    assert_eq!(holders, ["op_t1", "op_e1", "transporter/TR-1", "facility/FA-1", "facility/FA-1"]);
    assert!(view.custody.iter().all(|c| !c.gap));
    // One holder at any time: each holding ends where the next begins (C9 (a)).
    for pair in view.custody.windows(2) {
        assert_eq!(pair[0].until.as_ref(), Some(&pair[1].from));
    }
}

#[test]
fn states_follow_the_days() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(DRUM);
    let days = [
        ("2026-06-02", ContainerState::OnSite),
        ("2026-06-11", ContainerState::InTransit),
        ("2026-06-15", ContainerState::Received),
        ("2026-06-25", ContainerState::Disposed),
    ];
    let container = shop.state.waste.container(&label("D-1")).unwrap();
    for (day, state) in days {
        assert_eq!(container.state(shop.noon(day)).0, state, "{day}");
    }
}

#[test]
fn a_correction_changes_the_sum_and_keeps_what_was_said() {
    let mut shop = Shop::new("us", "America/New_York");
    shop.play(DRUM);
    shop.play(
        "2026-06-21 09:00 op_t1 entry.corrected entry/4 reason=mis_read approver=op_e1 data.what=vacuum_bag data.mass=2.40kg data.item=B-2",
    );
    let container = shop.state.waste.container(&label("D-1")).unwrap();
    assert_eq!(container.added_kg(i64::MAX), Kg("9.50".parse().unwrap()));
    let said = shop.state.waste.superseded(4);
    assert_eq!(said.len(), 1);
    assert_eq!(said[0].data()["mass"]["value"], "2.50");
}
