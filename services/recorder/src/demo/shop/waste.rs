//! Waste from the first bag to the certificate: containers, moves, shipments.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::json;

use super::calendar::Site;
use super::cast::{Who, step_g, team};
use super::floor::{MachineId, Shop, Turn, checks, kg, scale_of};
use super::metal::LINES;
use super::script::EventNo;

/// A waste stream of the shop.
#[derive(Debug)]
pub(super) struct Stream {
    pub(super) id: &'static str,
    pub(super) site: Site,
    pub(super) container_type: &'static str,
    pub(super) capacity_l: &'static str,
    pub(super) tare_g: i64,
    /// Closed when it holds so much.
    pub(super) full_g: i64,
    pub(super) hazards: &'static [&'static str],
}

/// Registration numbers in the form of an EPA id, with a State that does not exist.
pub(super) const TRANSPORTER_SOUTH: &str = "XXD000000017";
/// The facility that takes the waste of `south`.
pub(super) const FACILITY_SOUTH: &str = "XXD000000025";

/// Every stream.
pub(super) const STREAMS: [Stream; 6] = [
    Stream {
        id: "PA12-POWDER",
        site: Site::North,
        container_type: "DF",
        capacity_l: "200",
        tare_g: 8_400,
        full_g: 74_000,
        hazards: &["combustible_dust"],
    },
    Stream {
        id: "PA12-SOLIDS",
        site: Site::North,
        container_type: "DF",
        capacity_l: "120",
        tare_g: 5_200,
        full_g: 26_000,
        hazards: &["combustible_dust"],
    },
    metal_stream("TI-POWDER", 90_000),
    metal_stream("TI-SOLIDS", 40_000),
    metal_stream("AL-POWDER", 90_000),
    metal_stream("AL-SOLIDS", 40_000),
];

const fn metal_stream(id: &'static str, full_g: i64) -> Stream {
    Stream {
        id,
        site: Site::South,
        container_type: "DM",
        capacity_l: "110",
        tare_g: 11_650,
        full_g,
        hazards: &["flammable_solid", "reactive_metal"],
    }
}

/// A container that fills.
#[derive(Debug, Clone)]
pub(super) struct Drum {
    pub(super) id: String,
    pub(super) stream: &'static str,
    /// What the record says went in, grams.
    pub(super) booked_g: i64,
    /// Who started it and answers for it until it is handed over.
    pub(super) keeper: Who,
}

/// A shipment on its way.
#[derive(Debug, Clone)]
pub(super) struct Shipment {
    pub(super) id: String,
    pub(super) site: Site,
    pub(super) drums: Vec<Drum>,
    pub(super) weighed_g: Vec<i64>,
    pub(super) deliver_on: Option<Date>,
    pub(super) certify_on: Option<Date>,
    /// Whether the facility refuses the last container.
    pub(super) refuses: bool,
    /// Grams by which the facility finds the first container lighter.
    pub(super) short_g: i64,
}

/// The waste yard.
#[derive(Debug, Default)]
pub(super) struct Yard {
    /// Containers that fill, by stream.
    pub(super) open: BTreeMap<&'static str, Drum>,
    /// Closed containers in the central area, with what the scale said.
    pub(super) central: BTreeMap<Site, Vec<(Drum, i64)>>,
    pub(super) under_way: Vec<Shipment>,
    /// Hazardous waste recorded at `south`, by month, grams.
    pub(super) hazardous_g: BTreeMap<i8, i64>,
    pub(super) last_pickup: BTreeMap<Site, Date>,
    shipped: BTreeMap<Site, u32>,
    last_inspected: BTreeMap<Site, Date>,
}

/// What goes wrong with a shipment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ShipmentTrouble {
    /// The facility finds less.
    Light,
    /// The signed copy never comes.
    NoReceipt,
    /// One container is refused.
    Refused,
}

pub(super) fn stream(id: &str) -> &'static Stream {
    STREAMS.iter().find(|s| s.id == id).expect("a stream of the yard")
}

pub(super) fn satellite(site: Site) -> &'static str {
    match site {
        Site::North => "sat-polymer",
        Site::South => "sat-metal",
    }
}

pub(super) fn central(site: Site) -> &'static str {
    match site {
        Site::North => "central-north",
        Site::South => "central-south",
    }
}

/// Starts a container (job map row 54).
pub(super) fn open(shop: &mut Shop, turn: &mut Turn, stream_id: &'static str) {
    let stream = stream(stream_id);
    let id = shop.label("D");
    let data = json!({
        "stream": stream_id,
        "tare": kg(turn.site, stream.tare_g),
        "area": "satellite",
        "location": satellite(turn.site),
        "container_type": stream.container_type,
        "capacity": { "value": stream.capacity_l, "unit": "L" },
    });
    let who = turn.hand();
    shop.note(turn, who, "container.opened", format!("container/{id}"), data);
    let mut words =
        vec![if turn.site == Site::South { "hazardous_waste" } else { "polymer_waste" }];
    words.push("keep_closed");
    let data = json!({
        "words": words,
        "hazards": stream.hazards,
        "start": turn.day.to_string(),
    });
    shop.pass(turn, 1, 3);
    shop.note(turn, who, "container.labelled", format!("container/{id}"), data);
    shop.yard.open.insert(stream_id, Drum { id, stream: stream_id, booked_g: 0, keeper: who });
}

/// The container of a stream that takes waste now.
pub(super) fn drum(shop: &mut Shop, turn: &mut Turn, stream_id: &'static str) -> String {
    let full = shop.yard.open.get(stream_id).is_none_or(|d| d.booked_g > stream(stream_id).full_g);
    if full {
        if let Some(drum) = shop.yard.open.remove(stream_id) {
            close(shop, turn, drum);
        }
        open(shop, turn, stream_id);
    }
    shop.yard.open[stream_id].id.clone()
}

pub(super) fn book(shop: &mut Shop, turn: &Turn, stream_id: &'static str, shown_g: i64) {
    if let Some(drum) = shop.yard.open.get_mut(stream_id) {
        drum.booked_g += shown_g;
    }
    if turn.site == Site::South {
        *shop.yard.hazardous_g.entry(turn.day.month()).or_default() += shown_g;
    }
}

/// Powder of a place becomes waste.
pub(super) fn add_powder(
    shop: &mut Shop,
    turn: &mut Turn,
    stream_id: &'static str,
    from: &str,
    what: &str,
    about_g: i64,
) -> EventNo {
    let id = drum(shop, turn, stream_id);
    let shown = shop.carry(turn.site, from, &format!("waste/{id}"), about_g);
    book(shop, turn, stream_id, shown);
    let who = turn.hand();
    let data = json!({
        "from": from,
        "what": what,
        "mass": kg(turn.site, shown),
        "scale": scale_of(turn.site),
        "checks": checks(&["earthed", "mask_worn", "container_closed_after"]),
    });
    shop.note(turn, who, "waste.added", format!("container/{id}"), data)
}

/// Wipes, gloves and masks.
pub(super) fn wipes(
    shop: &mut Shop,
    turn: &mut Turn,
    stream_id: &'static str,
    low_g: i64,
    high_g: i64,
) -> EventNo {
    shop.pass(turn, 2, 5);
    let id = drum(shop, turn, stream_id);
    let about = shop.rng.range(low_g, high_g);
    let shown =
        shop.carry(turn.site, "supplier/consumables", &format!("waste/{id}"), about.max(40));
    book(shop, turn, stream_id, shown);
    let who = turn.hand();
    let data = json!({
        "what": "wipes",
        "mass": kg(turn.site, shown),
        "pieces": shop.rng.range(3, 12),
        "scale": scale_of(turn.site),
        "checks": checks(&["container_closed_after"]),
    });
    shop.note(turn, who, "waste.added", format!("container/{id}"), data)
}

/// A used part (filter, sieve) that came out with the entry `from`.
pub(super) fn part(
    shop: &mut Shop,
    turn: &mut Turn,
    stream_id: &'static str,
    what: &str,
    serial: &str,
    from: EventNo,
    about_g: i64,
) -> EventNo {
    let id = drum(shop, turn, stream_id);
    let shown = shop.carry(turn.site, "supplier/spares", &format!("waste/{id}"), about_g);
    book(shop, turn, stream_id, shown);
    let who = turn.hand();
    let data = json!({
        "entry": super::script::Template::value_hole(from),
        "what": what,
        "mass": kg(turn.site, shown),
        "pieces": 1,
        "item": serial,
        "scale": scale_of(turn.site),
        "checks": checks(&["bagged", "mask_worn", "container_closed_after"]),
    });
    shop.note(turn, who, "waste.added", format!("container/{id}"), data)
}

/// The bag or canister of a vacuum cleaner is changed; it goes straight into the container.
pub(super) fn change_bag(
    shop: &mut Shop,
    turn: &mut Turn,
    vacuum: MachineId,
    stream_id: &'static str,
) -> EventNo {
    let id = drum(shop, turn, stream_id);
    change_bag_told(shop, turn, vacuum, stream_id, &id)
}

/// The same, telling a container into which it went.
pub(super) fn change_bag_told(
    shop: &mut Shop,
    turn: &mut Turn,
    vacuum: MachineId,
    stream_id: &'static str,
    told: &str,
) -> EventNo {
    let id = drum(shop, turn, stream_id);
    let line = LINES.iter().position(|l| l.vacuum == vacuum);
    let (prefix, tare) = line.map_or(("VB", 180), |i| (LINES[i].bag_prefix, 95));
    let next = shop.label(prefix);
    let bag = match line {
        Some(i) => std::mem::replace(&mut shop.metal.canister[i], next.clone()),
        None => std::mem::replace(&mut shop.polymer.vacuum_bag, next.clone()),
    };
    let place = format!("vacuum_bag/{bag}");
    let shown = shop.stock.weigh(&place, step_g(turn.site));
    let truth = shop.stock.truth(&place);
    shop.stock.shift(&place, &format!("waste/{id}"), truth, shown);
    book(shop, turn, stream_id, shown);
    let who = turn.hand();
    let data = json!({
        "bag": {
            "id": bag,
            "gross": kg(turn.site, shown + tare),
            "tare": kg(turn.site, tare),
            "tied_before_lifting": true,
        },
        "new_bag": next,
        "into": told,
        "off_and_unplugged": true,
        "scale": scale_of(turn.site),
    });
    shop.note(turn, who, "bag.changed", format!("equipment/{vacuum}"), data)
}

/// Closes, weighs and moves a container to the central area (rows 54 and 57).
pub(super) fn close(shop: &mut Shop, turn: &mut Turn, drum: Drum) {
    let subject = format!("container/{}", drum.id);
    let who = turn.hand();
    shop.pass(turn, 2, 4);
    let data = json!({ "checks": checks(&["lid_tight", "seal_on"]) });
    shop.note(turn, who, "container.closed", subject.clone(), data);
    shop.pass(turn, 2, 5);
    let place = format!("waste/{}", drum.id);
    let net = shop.stock.weigh(&place, step_g(turn.site));
    let tare = stream(drum.stream).tare_g;
    let data = json!({ "gross": kg(turn.site, net + tare), "scale": scale_of(turn.site) });
    shop.note(turn, who, "container.weighed", subject.clone(), data);
    let ehs = team(turn.site).ehs;
    shop.pass(turn, 5, 12);
    let data = json!({
        "from": { "area": "satellite", "location": satellite(turn.site) },
        "to": { "area": "central", "location": central(turn.site) },
        "giver": drum.keeper.id(),
        "receiver": ehs.id(),
    });
    shop.note(turn, ehs, "container.moved", subject.clone(), data);
    if turn.site == Site::South {
        // The period of a container from a satellite area begins when it arrives in the central
        // area: it is dated again (waste-rules.md section 2, RCRA Online 14703).
        shop.pass(turn, 1, 3);
        let data = json!({
            "words": ["hazardous_waste", "keep_closed"],
            "hazards": stream(drum.stream).hazards,
            "start": turn.day.to_string(),
        });
        shop.note(turn, ehs, "container.labelled", subject, data);
    }
    shop.yard.central.entry(turn.site).or_default().push((drum, net));
}

/// Closes what has begun to fill and brings it to the central area, ahead of a pickup.
pub(super) fn clear_satellite(shop: &mut Shop, turn: &mut Turn) {
    let site = turn.site;
    for stream in STREAMS.iter().filter(|s| s.site == site) {
        let begun = shop.yard.open.get(stream.id).is_some_and(|drum| drum.booked_g > 1_000);
        if let (true, Some(drum)) = (begun, shop.yard.open.remove(stream.id)) {
            close(shop, turn, drum);
        }
    }
}

/// Whether the central area must be inspected today, because on the next working day more than
/// seven days would have passed.
pub(super) fn inspection_is_due(shop: &Shop, turn: &Turn) -> bool {
    let next = std::iter::successors(turn.day.tomorrow().ok(), |day| day.tomorrow().ok())
        .find(|day| turn.site.works_on(*day));
    let last = shop.yard.last_inspected.get(&turn.site);
    last.zip(next).is_none_or(|(last, next)| (next - *last).get_days() > 7)
}

/// Weekly inspection of the central area (job map row 56).
pub(super) fn inspect(shop: &mut Shop, turn: &mut Turn) {
    let standing: Vec<String> = shop
        .yard
        .central
        .get(&turn.site)
        .into_iter()
        .flatten()
        .map(|(drum, _)| drum.id.clone())
        .collect();
    shop.pass(turn, 5, 10);
    let data = json!({
        "area": "central",
        "containers": standing,
        "leaks": false,
        "closed": true,
        "labels_readable": true,
        "result": "pass",
    });
    let ehs = team(turn.site).ehs;
    let no = shop.note(turn, ehs, "area.inspected", format!("area/{}", central(turn.site)), data);
    shop.yard.last_inspected.insert(turn.site, turn.day);
    super::troubles::after_inspection(shop, turn, no);
}

/// Makes up a shipment of all that stands in the central area (job map row 59).
pub(super) fn ship(shop: &mut Shop, turn: &mut Turn) {
    let ehs = team(turn.site).ehs;
    let taken = shop.yard.central.remove(&turn.site).unwrap_or_default();
    if taken.is_empty() {
        return;
    }
    let (drums, weighed): (Vec<Drum>, Vec<i64>) = taken.into_iter().unzip();
    let id = shop.label("SH");
    let subject = format!("shipment/{id}");
    let serial = shop.rng.range(100_000_000, 999_999_999);
    let (kind, number, transporter, facility, distance) = match turn.site {
        Site::North => (
            "transport_document",
            format!("TD {serial}"),
            "TRANS-N",
            "FAC-N",
            json!({ "value": "64", "unit": "km" }),
        ),
        Site::South => (
            "manifest",
            format!("{serial}BWX"),
            TRANSPORTER_SOUTH,
            FACILITY_SOUTH,
            json!({ "value": "212", "unit": "[mi_i]" }),
        ),
    };
    shop.pass(turn, 10, 20);
    let ids: Vec<&str> = drums.iter().map(|d| d.id.as_str()).collect();
    let data = json!({
        "document": { "kind": kind, "number": number },
        "containers": ids,
        "transporter": transporter,
        "facility": facility,
        "distance": distance,
        "offered_by": ehs.id(),
    });
    shop.note(turn, ehs, "shipment.offered", subject.clone(), data);
    shop.pass(turn, 15, 40);
    let signed_by = shop.desk.words("driver's name as printed on the document");
    let data = json!({
        "transporter": transporter,
        "leg": 1,
        "signed_by": signed_by,
        "day": turn.day.to_string(),
    });
    shop.note(turn, ehs, "shipment.accepted", subject, data);
    let trouble = trouble_of(shop, turn.site);
    let in_days = |rng: &mut super::rng::Rng, low, high| {
        turn.day.saturating_add(jiff::Span::new().days(rng.range(low, high)))
    };
    let deliver_on = in_days(&mut shop.rng, 1, 4);
    let certify_on = in_days(&mut shop.rng, 18, 34);
    let no_receipt = trouble == Some(ShipmentTrouble::NoReceipt);
    if no_receipt {
        super::troubles::missing_receipt(shop, turn, &id);
    }
    // 14 % of the first container: more than the 10 % of 40 CFR 264.72(b).
    let light = trouble == Some(ShipmentTrouble::Light);
    let short_g =
        if light { super::stock::round(weighed[0] * 14 / 100, step_g(turn.site)) } else { 0 };
    shop.yard.under_way.push(Shipment {
        id,
        site: turn.site,
        drums,
        weighed_g: weighed,
        deliver_on: (!no_receipt).then_some(deliver_on),
        certify_on: (!no_receipt).then_some(certify_on),
        short_g,
        refuses: trouble == Some(ShipmentTrouble::Refused),
    });
    shop.yard.last_pickup.insert(turn.site, turn.day);
}

/// What the next shipment of a site shall suffer: the second of `south` is weighed light, the
/// fifth (August, a month as small quantity generator) gets no receipt; of the sixth of `north` a
/// container comes back.
fn trouble_of(shop: &mut Shop, site: Site) -> Option<ShipmentTrouble> {
    let n = shop.yard.shipped.entry(site).or_default();
    *n += 1;
    match (site, *n) {
        (Site::South, 2) => Some(ShipmentTrouble::Light),
        (Site::South, 5) => Some(ShipmentTrouble::NoReceipt),
        (Site::North, 6) => Some(ShipmentTrouble::Refused),
        _ => None,
    }
}

/// Receipts and certificates that come in today (job map row 60).
pub(super) fn paperwork(shop: &mut Shop, turn: &mut Turn) {
    let ehs = team(turn.site).ehs;
    for n in 0..shop.yard.under_way.len() {
        let mut shipment = shop.yard.under_way[n].clone();
        if shipment.site != turn.site {
            continue;
        }
        let facility = if turn.site == Site::North { "FAC-N" } else { FACILITY_SOUTH };
        if shipment.deliver_on.is_some_and(|day| day <= turn.day) {
            shop.yard.under_way[n].deliver_on = None;
            shop.pass(turn, 4, 9);
            deliver(shop, turn, &mut shipment, facility);
            shop.yard.under_way[n].drums = shipment.drums.clone();
            shop.yard.under_way[n].weighed_g = shipment.weighed_g.clone();
        } else if shipment.deliver_on.is_none()
            && shipment.certify_on.is_some_and(|day| day <= turn.day)
        {
            shop.yard.under_way[n].certify_on = None;
            shop.pass(turn, 4, 9);
            let mass: i64 = received_g(&shipment).iter().sum();
            let (method, prefix) = match turn.site {
                Site::North => ("R1", "CN"),
                Site::South => ("H040", "CS"),
            };
            let data = json!({
                "certificate": shop.label(prefix),
                "method": method,
                "mass": kg(turn.site, mass),
                "document": shop.desk.digest(),
            });
            let subject = format!("shipment/{}", shipment.id);
            shop.note(turn, ehs, "disposal.certified", subject, data);
        }
    }
    shop.yard.under_way.retain(|s| s.deliver_on.is_some() || s.certify_on.is_some());
}

/// What the facility's scale says of each container.
fn received_g(shipment: &Shipment) -> Vec<i64> {
    let mut found = shipment.weighed_g.clone();
    if let Some(first) = found.first_mut() {
        *first = (*first - shipment.short_g).max(0);
    }
    found
}

fn deliver(shop: &mut Shop, turn: &mut Turn, shipment: &mut Shipment, facility: &str) {
    let ehs = team(turn.site).ehs;
    let subject = format!("shipment/{}", shipment.id);
    if shipment.refuses
        && let (Some(drum), Some(net)) = (shipment.drums.pop(), shipment.weighed_g.pop())
    {
        super::milestones::refuse_drum(shop, turn, &shipment.id, &drum);
        shop.yard.central.entry(turn.site).or_default().push((drum, net));
    }
    let received: Vec<_> = shipment
        .drums
        .iter()
        .zip(received_g(shipment))
        .map(|(drum, mass)| json!({ "container": drum.id, "mass": kg(turn.site, mass) }))
        .collect();
    let pieces = received.len();
    let data = json!({
        "facility": facility,
        "received": received,
        "pieces": pieces,
        "day": turn.day.to_string(),
        "signed_copy": shop.desk.digest(),
    });
    let delivered = shop.note(turn, ehs, "shipment.delivered", subject, data);
    if shipment.short_g > 0 {
        super::troubles::light_drum(shop, turn, shipment, delivered);
    }
}
