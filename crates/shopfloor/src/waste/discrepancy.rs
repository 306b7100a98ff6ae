//! Two weights of one drum (computations.md C7): the legal test and the metrological one ask
//! different things, so both are shown.

use jiff::civil::Date;
use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::events::{DiscrepancyKind, ShipmentDelivered, ShipmentOffered};
use super::law::{Law, Limit, RuleUsed, RuleValue, values};
use super::{Kg, Shipment, Waste};
use crate::common::Day;
use crate::ids::Label;
use crate::powder::figures::sqrt;

/// Legal limit of the difference between two weights of bulk waste.
const BULK_PERCENT: &str = "us.discrepancy.bulk_percent";
/// Expanded uncertainties of one net mass, shipper's and facility's.
const UNCERTAINTIES: [&str; 2] = ["shop.weighing_u_kg", "shop.received_u_kg"];

/// Shipped against received.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WeightTest {
    /// Net mass as shipped, in kg.
    pub shipped_kg: Kg,
    /// Net mass as received, in kg.
    pub received_kg: Kg,
    /// Received minus shipped, in kg.
    pub difference_kg: Kg,
    /// Size of the difference in percent of what was shipped, to six decimals.
    pub percent: String,
    /// Whether the difference is above the legal limit for bulk waste. `None`: no such rule
    /// binds the site, or the waste is not bulk and the test is not asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub significant: Option<bool>,
    /// Difference over its expanded uncertainty (E_n, k = 2), to five decimals.
    pub e_n: String,
    /// Whether the two weights agree within their uncertainties (|E_n| <= 1).
    pub agree: bool,
    /// Values used.
    pub rules: Vec<RuleUsed>,
}

/// Pieces shipped against pieces received.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PiecesTest {
    /// Pieces shipped.
    pub shipped: u32,
    /// Pieces received.
    pub received: u32,
    /// Whether the difference is a discrepancy: any is. `None`: no such rule binds the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub significant: Option<bool>,
    /// Values used.
    pub rules: Vec<RuleUsed>,
}

/// Compares two weights of `drums` containers together. `bulk` says whether the legal weight
/// test is asked.
pub fn weights(
    law: &Law<'_>,
    shipped: Kg,
    received: Kg,
    drums: u32,
    bulk: bool,
    on: Day,
) -> WeightTest {
    let difference = received - shipped;
    let percent = ratio(difference.abs().0 * Decimal::ONE_HUNDRED, shipped.0, 6);
    let significant = above_limit(law, shipped, received, on).filter(|_| bulk);
    let uncertainty = UNCERTAINTIES
        .map(|id| law.practice(id))
        .map(|u| u * u * Decimal::from(drums))
        .iter()
        .sum::<Decimal>();
    let squared = difference.0 * difference.0;
    let ids = bulk.then_some(BULK_PERCENT).into_iter().chain(UNCERTAINTIES);
    let rules = ids.filter_map(|id| law.find(id, on)).map(|applied| applied.rule).collect();
    WeightTest {
        shipped_kg: shipped,
        received_kg: received,
        difference_kg: difference,
        percent,
        significant,
        e_n: ratio(difference.abs().0, sqrt(uncertainty), 5),
        agree: squared <= uncertainty,
        rules,
    }
}

/// The legal test of a weight of bulk waste.
fn above_limit(law: &Law<'_>, shipped: Kg, received: Kg, on: Day) -> Option<bool> {
    let limit = law.limit(BULK_PERCENT, on)?;
    // Compared without dividing: |d| x 100 against limit x shipped.
    let scaled = Limit { value: limit.value * shipped.0, ..limit };
    Some(scaled.reached_by((received - shipped).abs().0 * Decimal::ONE_HUNDRED))
}

/// Compares piece counts.
pub fn pieces(law: &Law<'_>, shipped: u32, received: u32, on: Day) -> PiecesTest {
    let limit = law.find("us.discrepancy.batch_pieces", on);
    let difference = Decimal::from(shipped.abs_diff(received));
    PiecesTest {
        shipped,
        received,
        significant: limit.as_ref().map(|l| l.reached_by(difference)),
        rules: limit.into_iter().map(|l| l.rule).collect(),
    }
}

/// Whether a weighing and the sum of `additions` weighings agree (computations.md C9 (c)):
/// d^2 <= U^2 (n + 1), with the site's expanded uncertainty U of one net mass.
pub fn sum_agrees(law: &Law<'_>, difference: Kg, additions: usize) -> bool {
    let u = law.practice("shop.weighing_u_kg");
    let n = Decimal::from(u64::try_from(additions).unwrap_or(u64::MAX)) + Decimal::ONE;
    difference.0 * difference.0 <= u * u * n
}

/// Whether certificates cover what a facility received in `drums` containers: it weighed each at
/// receipt and once more for the certificate.
pub fn certificates_agree(law: &Law<'_>, difference: Kg, drums: usize) -> bool {
    let u = law.practice("shop.received_u_kg");
    let n = Decimal::from(u64::try_from(drums).unwrap_or(u64::MAX)) * Decimal::TWO;
    difference.0 * difference.0 <= u * u * n
}

/// Everything compared of one shipment.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ShipmentTests {
    /// All containers that were weighed on both sides, together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub total: Option<WeightTest>,
    /// Each of them.
    pub containers: Vec<ContainerTest>,
    /// Piece counts. Refused containers may be counted among the pieces or not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pieces: Option<PiecesTest>,
}

/// The weights of one container.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ContainerTest {
    /// Which.
    pub container: Label,
    /// Shipped against received.
    #[serde(flatten)]
    pub test: WeightTest,
}

impl ShipmentTests {
    /// Every weight test with what it is about; the total only when there are several containers.
    pub fn weights(&self) -> impl Iterator<Item = (String, &WeightTest)> {
        let total = self.total.iter().filter(|_| self.containers.len() > 1);
        let each = self.containers.iter().map(|c| (format!("`{}`", c.container), &c.test));
        each.chain(total.map(|t| ("all containers".to_owned(), t)))
    }

    /// Whether a legal test finds a significant difference.
    pub fn significant(&self) -> bool {
        let weight = |t: &WeightTest| t.significant == Some(true);
        self.total.as_ref().is_some_and(weight)
            || self.containers.iter().any(|c| weight(&c.test))
            || self.pieces.as_ref().is_some_and(|p| p.significant == Some(true))
    }
}

/// Runs the tests on the last delivery told of a shipment.
pub fn of_shipment(waste: &Waste, shipment: &Shipment<'_>, law: &Law<'_>) -> ShipmentTests {
    match shipment.deliveries().last() {
        Some((_, delivered)) => of_delivery(waste, shipment, delivered, law),
        None => ShipmentTests::default(),
    }
}

/// Whether a legal test of the last delivery finds a significant difference: what
/// [`ShipmentTests::significant`] says, without working out the metrological tests.
pub fn significant(waste: &Waste, shipment: &Shipment<'_>, law: &Law<'_>) -> bool {
    let last = shipment.deliveries().last();
    last.and_then(|(_, delivered)| Compared::of(waste, shipment, delivered, law))
        .is_some_and(|compared| compared.significant(law))
}

/// What a delivery is compared by.
struct Compared<'a> {
    on: Day,
    /// Each container that was weighed on both sides: shipped, received, bulk or not.
    containers: Vec<(&'a Label, Kg, Kg, bool)>,
    /// Pieces shipped and pieces received.
    pieces: (u32, u32),
}

/// Runs the tests on a delivery; what it does not tell of a container, an earlier one does.
pub(super) fn of_delivery(
    waste: &Waste,
    shipment: &Shipment<'_>,
    delivered: &ShipmentDelivered,
    law: &Law<'_>,
) -> ShipmentTests {
    Compared::of(waste, shipment, delivered, law)
        .map(|compared| compared.tests(law))
        .unwrap_or_default()
}

impl<'a> Compared<'a> {
    fn of(
        waste: &Waste,
        shipment: &Shipment<'a>,
        delivered: &ShipmentDelivered,
        law: &Law<'_>,
    ) -> Option<Self> {
        let (_, offered) = shipment.offered()?;
        let on = delivered.day;
        let mut containers = Vec::with_capacity(offered.containers.len());
        for label in &offered.containers {
            let here = delivered.received.iter().rfind(|r| &r.container == label);
            let here = here.map(|r| Kg(r.mass.base()));
            let received = here.or_else(|| shipment.received(label).map(|r| r.mass_kg));
            if let (Some(shipped), Some(received)) = (shipment.shipped_kg(label), received) {
                containers.push((label, shipped, received, is_bulk(waste, law, label, on)));
            }
        }
        Some(Self { on, containers, pieces: pieces_told(shipment, offered, delivered) })
    }

    /// Everything weighed on both sides: shipped, received, number of containers, any of them bulk.
    fn sums(&self) -> (Kg, Kg, u32, bool) {
        let none = (Kg::ZERO, Kg::ZERO, 0, false);
        self.containers.iter().fold(none, |sums, (_, shipped, received, bulk)| {
            (sums.0 + *shipped, sums.1 + *received, sums.2 + 1, sums.3 || *bulk)
        })
    }

    fn tests(&self, law: &Law<'_>) -> ShipmentTests {
        let containers = self
            .containers
            .iter()
            .map(|&(label, shipped, received, bulk)| ContainerTest {
                container: label.clone(),
                test: weights(law, shipped, received, 1, bulk, self.on),
            })
            .collect();
        let (shipped, received, drums, bulk) = self.sums();
        let total = (drums > 0).then(|| weights(law, shipped, received, drums, bulk, self.on));
        let pieces = Some(pieces(law, self.pieces.0, self.pieces.1, self.on));
        ShipmentTests { total, containers, pieces }
    }

    fn significant(&self, law: &Law<'_>) -> bool {
        let above = |shipped, received| above_limit(law, shipped, received, self.on) == Some(true);
        let (shipped, received, _, bulk) = self.sums();
        let (sent, counted) = self.pieces;
        (bulk && above(shipped, received))
            || self.containers.iter().any(|&(_, s, r, bulk)| bulk && above(s, r))
            || pieces(law, sent, counted, self.on).significant == Some(true)
    }
}

/// Pieces shipped and pieces received.
fn pieces_told(
    shipment: &Shipment<'_>,
    offered: &ShipmentOffered,
    delivered: &ShipmentDelivered,
) -> (u32, u32) {
    let shipped = u32::try_from(offered.containers.len()).unwrap_or(u32::MAX);
    // A facility may or may not count what it refused among the pieces: either reading fits.
    let refused: usize = shipment.rejections().map(|(_, r)| r.containers.len()).sum();
    let refused = u32::try_from(refused).unwrap_or(u32::MAX);
    let with_refused = delivered.pieces.saturating_add(refused);
    let received = if with_refused == shipped { shipped } else { delivered.pieces };
    (shipped, received)
}

/// Whether the last delivery of a shipment brought another number of pieces than were shipped.
pub(super) fn pieces_differ(shipment: &Shipment<'_>) -> bool {
    let told = shipment.offered().zip(shipment.deliveries().last());
    told.is_some_and(|((_, offered), (_, delivered))| {
        let (shipped, received) = pieces_told(shipment, offered, delivered);
        shipped != received
    })
}

/// Whether somebody told that quantity or pieces of a shipment differ.
pub(super) fn recorded(shipment: &Shipment<'_>) -> bool {
    let counts = |kind| matches!(kind, DiscrepancyKind::Quantity | DiscrepancyKind::Pieces);
    shipment.discrepancies().any(|(_, d)| counts(d.kind))
}

/// Size above which a packaging is bulk.
const BULK_CAPACITY: &str = "us.bulk.capacity_gal";
const LITRES_PER_GALLON: Decimal = Decimal::from_parts(3_785_411_784, 0, 0, false, 9);

/// What may make a container bulk packaging.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Bulk {
    /// Its capacity in litres, if that is enough.
    Capacity(Decimal),
    /// Its type.
    Type,
}

pub(super) fn bulk(waste: &Waste, container: &Label) -> Option<Bulk> {
    let (_, opened) = waste.container(container)?.opened()?;
    let by_type = |t: &Label| matches!(t.as_str(), "DT" | "HG" | "TC" | "TP" | "TT");
    if opened.container_type.as_ref().is_some_and(by_type) {
        return Some(Bulk::Type);
    }
    opened.capacity.as_ref().map(|capacity| Bulk::Capacity(capacity.base()))
}

/// The capacity in litres below which no packaging is bulk by its size under the rules of a site, on
/// whatever day; `None` where no rule compares bulk waste.
pub(super) fn least_bulk_litres(law: &Law<'_>) -> Option<Decimal> {
    let some_day = |v: &RuleValue| v.from.or(v.until).unwrap_or(Day(Date::constant(2026, 1, 1)));
    let versions = values().filter(|v| v.id == BULK_CAPACITY);
    let limits = versions.filter_map(|v| law.limit(BULK_CAPACITY, some_day(v)));
    limits.map(|limit| limit.value * LITRES_PER_GALLON).min()
}

/// Bulk packaging: by type (tank, dump, hopper), or by capacity above 119 US gal (49 CFR 171.8).
fn is_bulk(waste: &Waste, law: &Law<'_>, container: &Label, on: Day) -> bool {
    match bulk(waste, container) {
        Some(Bulk::Type) => true,
        Some(Bulk::Capacity(litres)) => law.limit(BULK_CAPACITY, on).is_some_and(|limit| {
            Limit { value: limit.value * LITRES_PER_GALLON, ..limit }.reached_by(litres)
        }),
        None => false,
    }
}

/// Quotient, rounded for display only.
fn ratio(part: Decimal, whole: Decimal, decimals: u32) -> String {
    match part.checked_div(whole) {
        Some(quotient) => {
            let mut shown = quotient.round_dp(decimals);
            shown.rescale(decimals);
            shown.to_string()
        }
        None => "not defined".into(),
    }
}
