//! Every rule about waste is broken once in a script, and nothing else is told then.

mod waste_support;

use std::collections::BTreeSet;

use shopfloor::waste::rules::RULES;
use waste_support::{Shop, blocks};

const CONTRADICTIONS: &str = include_str!("waste_scenarios/contradictions.txt");
const QUIET: &str = include_str!("waste_scenarios/quiet_year.txt");

const PRELUDE: &str = "
2026-06-01 08:00 op_e1 stream.determined stream/PA-DUST material=PA12 description=dust determination=hazardous codes.rcra=[D001] codes.list_of_waste=~12_01_05 decided_by=op_e1 basis=test jurisdiction=us
2026-06-01 09:00 op_t1 container.opened container/D-1 stream=PA-DUST tare=9.80kg area=central location=CAA-1 capacity=55gal
2026-06-01 10:00 op_t1 waste.added container/D-1 what=powder mass=10.00kg
";

#[test]
fn each_contradiction_raises_its_findings_and_no_others() {
    for (title, script) in blocks(CONTRADICTIONS) {
        println!("== {title}");
        Shop::new("us", "America/New_York").play(PRELUDE).play(script);
    }
}

#[test]
fn a_quiet_year_raises_nothing() {
    Shop::new("us", "America/New_York").play(QUIET);
}

#[test]
fn correcting_an_honest_entry_finds_nothing() {
    // A correction is judged against what stood without the entry that it corrects.
    Shop::new("us", "America/New_York").play("
2026-06-01 08:00 op_e1 stream.determined stream/PA-DUST material=PA12 description=dust determination=hazardous codes.rcra=[D001] codes.list_of_waste=~12_01_05 decided_by=op_e1 basis=test jurisdiction=us
2026-06-01 09:00 op_t1 container.opened container/D-1 =opened stream=PA-DUST tare=9.80kg area=central location=CAA-1
2026-06-01 10:00 op_t1 waste.added container/D-1 what=powder mass=10.00kg
2026-06-01 11:00 op_t1 container.closed container/D-1 checks=[]
2026-06-01 11:05 op_t1 container.weighed container/D-1 gross=19.80kg scale=SC-1
2026-06-01 11:10 op_t1 container.moved container/D-1 =moved from.area=central from.location=CAA-1 to.area=central to.location=CAA-1 giver=op_t1 receiver=op_e1
2026-06-01 12:00 op_e1 shipment.offered shipment/S-1 =offered document.kind=manifest document.number=012345678ABC containers=[D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1
2026-06-01 13:00 op_e1 shipment.accepted shipment/S-1 =accepted transporter=TR-1 leg=1 day=2026-06-01
2026-06-02 08:00 op_q1 entry.corrected entry/@opened reason=mis_read approver=op_e1 data.stream=PA-DUST data.tare=9.80kg data.area=central data.location=CAA-1 data.container_type=DM
2026-06-02 08:10 op_q1 entry.corrected entry/@moved reason=mis_read approver=op_e1 data.from.area=central data.from.location=CAA-1 data.to.area=central data.to.location=CAA-2 data.giver=op_t1 data.receiver=op_e1
2026-06-02 08:20 op_q1 entry.corrected entry/@offered reason=mis_read approver=op_e1 data.document.kind=manifest data.document.number=012345678ABC data.containers=[D-1] data.transporter=TR-1 data.facility=FA-2 data.offered_by=op_e1
2026-06-02 08:30 op_q1 entry.corrected entry/@accepted reason=mis_read approver=op_e1 data.transporter=TR-1 data.leg=1 data.day=2026-06-01
");
}

#[test]
fn a_german_site_writes_its_register_in_ten_days() {
    // NachwV section 24: 10 calendar days.
    let mut shop = Shop::new("eu_de", "Europe/Berlin");
    shop.play("
2026-06-01 08:00 op_e1 stream.determined stream/PA-DUST material=PA12 description=dust determination=hazardous codes.list_of_waste=~15_02_02* codes.hp=[HP3] decided_by=op_e1 basis=test jurisdiction=eu_de
2026-06-01 09:00 op_e1 container.opened container/D-1 stream=PA-DUST tare=9.80kg area=central location=L-1
2026-06-01 10:00 op_e1 waste.added container/D-1 what=powder mass=10.00kg
2026-06-01 11:00 op_e1 container.closed container/D-1 checks=[]
2026-06-01 11:05 op_e1 container.weighed container/D-1 gross=19.80kg scale=SC-1
2026-06-01 12:00 op_e1 shipment.offered shipment/S-1 document.kind=identification_document document.number=BS-2026-001 containers=[D-1] transporter=TR-1 facility=FA-1 offered_by=op_e1
");
    for (recorded, late) in [("2026-06-11", false), ("2026-06-12", true)] {
        let mut shop_then = Shop::new("eu_de", "Europe/Berlin");
        shop_then.state = shop.state.clone();
        shop_then.facts = shop.facts.clone();
        let (at, recorded_at) = (shop.local("2026-06-01", "13:00"), shop.noon(recorded));
        let data = serde_json::json!({ "transporter": "TR-1", "leg": 1, "day": "2026-06-01" });
        let findings =
            shop_then.record(at, recorded_at, "op_e1", "shipment.accepted", "shipment/S-1", data);
        let told = findings.iter().any(|f| f.rule == "waste.register_late");
        assert_eq!(told, late, "recorded on {recorded}");
    }
}

#[test]
fn every_rule_is_broken_somewhere() {
    let broken: BTreeSet<&str> =
        CONTRADICTIONS.lines().filter_map(|l| l.strip_prefix("! ")).collect();
    // Shown by tests of their own: the order of signatures (waste_law), the register (above).
    let elsewhere = ["waste.transporter_order", "waste.register_late"];
    let never: Vec<&str> = RULES
        .iter()
        .map(|rule| rule.id)
        .filter(|id| !broken.contains(id) && !elsewhere.contains(id))
        .collect();
    assert!(never.is_empty(), "no test breaks {never:?}");
    let unknown: Vec<&&str> =
        broken.iter().filter(|id| !RULES.iter().any(|rule| rule.id == **id)).collect();
    assert!(unknown.is_empty(), "no such rule {unknown:?}");
}
