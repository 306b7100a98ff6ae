//! How much waste lies on a site, and in a satellite area, and since when it is too much.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;

use super::Kg;
use super::category::{Class, class};
use super::container::{Container, CustodyEvent};
use super::events::AreaKind;
use super::facts::ContainerFact;
use super::law::Law;
use crate::State;
use crate::common::Day;
use crate::ids::Label;

/// Litres of one US gallon, by definition.
const LITRES_PER_GALLON: Decimal = Decimal::from_parts(3_785_411_784, 0, 0, false, 9);

/// A stretch of time in which a quantity was reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// When it began, ms since 1970 UTC.
    pub began_ms: i64,
    /// Entry that began it.
    pub began: u64,
    /// When it ended; `None`: it has not.
    pub ended_ms: Option<i64>,
    /// The quantity when it began.
    pub quantity: Decimal,
    /// Container that brought it about, where it is one.
    pub container: Option<Label>,
}

/// A change of mass on site.
struct Change {
    time_ms: i64,
    seq: u64,
    class: Class,
    kg: Kg,
}

/// Mass on site by class, as a series of changes: what was put in counts from then on; what left
/// with a container is taken off when the first transporter accepts it, and put back when a
/// refused container is taken over on site again.
fn changes(state: &State, containers: &[Container<'_>]) -> Vec<Change> {
    let mut changes = Vec::new();
    for container in containers {
        let mut held: Vec<(Class, Kg, i64)> = Vec::new();
        for added in container.additions().filter(|a| a.told_before.is_none()) {
            let (time_ms, addition) = (added.moment.time_ms, added.addition());
            let class = class(&state.waste, container.id, addition.what, time_ms);
            held.push((class, addition.mass_kg, time_ms));
            let (seq, kg) = (added.moment.seq, addition.mass_kg);
            changes.push(Change { time_ms, seq, class, kg });
        }
        let mut away = false;
        for holding in container.custody() {
            let sign = match holding.event {
                CustodyEvent::Accepted if !away => -1,
                CustodyEvent::Moved if away => 1,
                CustodyEvent::Opened
                | CustodyEvent::Moved
                | CustodyEvent::Accepted
                | CustodyEvent::Delivered
                | CustodyEvent::SentBack
                | CustodyEvent::Forwarded
                | CustodyEvent::Certified => continue,
            };
            away = sign < 0;
            for (class, kg, _) in held.iter().filter(|(_, _, ms)| *ms <= holding.from_ms) {
                let kg = Kg(kg.0 * Decimal::from(sign));
                let (time_ms, seq) = (holding.from_ms, holding.seq);
                changes.push(Change { time_ms, seq, class: *class, kg });
            }
        }
    }
    changes.sort_by_key(|c| (c.time_ms, c.seq));
    changes
}

/// The stretches in which the mass of some classes in the containers of a site reached a limit.
pub fn on_site_stretches(
    state: &State,
    containers: &[Container<'_>],
    classes: &[Class],
    reached: impl Fn(Decimal) -> bool,
) -> Vec<Stretch> {
    let mut stretches: Vec<Stretch> = Vec::new();
    let mut total = Kg::ZERO;
    let changes = changes(state, containers);
    let mut at = 0;
    while at < changes.len() {
        // Changes of one instant and entry belong together.
        let key = (changes[at].time_ms, changes[at].seq);
        while at < changes.len() && (changes[at].time_ms, changes[at].seq) == key {
            if classes.contains(&changes[at].class) {
                total += changes[at].kg;
            }
            at += 1;
        }
        let open = stretches.last().is_some_and(|s| s.ended_ms.is_none());
        match (reached(total.0), open) {
            (true, false) => stretches.push(Stretch {
                began_ms: key.0,
                began: key.1,
                ended_ms: None,
                quantity: total.0,
                container: None,
            }),
            (false, true) => {
                if let Some(last) = stretches.last_mut() {
                    last.ended_ms = Some(key.0);
                }
            }
            (true, true) | (false, false) => {}
        }
    }
    stretches
}

/// What a satellite area holds more than it may.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excess {
    /// The area.
    pub area: Label,
    /// Whether it is the limit of acute waste (a mass in kg) or of the rest (a volume in L).
    pub acute: bool,
    /// When and with which container it began.
    pub stretch: Stretch,
}

/// Every excess of every satellite area in which containers of a site stood (40 CFR 262.15(a)). The limit of non-acute
/// waste is a volume: mass over bulk density where the site has set one
/// (`bulk_density_<material>`, kg/L), else the capacity of a closed container; an open one of
/// unknown density counts as more than nothing.
pub fn satellite_excesses(
    state: &State,
    containers: &[Container<'_>],
    law: &Law<'_>,
) -> Vec<Excess> {
    let containers: Vec<&Container<'_>> =
        containers.iter().filter(|c| was_in_satellite_area(c)).collect();
    let mut happenings: Vec<(i64, u64, usize, Happening<'_>)> = Vec::new();
    for (i, container) in containers.iter().enumerate() {
        collect(state, container, |time_ms, seq, what| happenings.push((time_ms, seq, i, what)));
    }
    happenings.sort_by_key(|(time_ms, seq, i, _)| (*time_ms, *seq, *i));
    let mut held: Vec<Held> = containers.iter().map(|_| Held::default()).collect();
    let mut areas: BTreeMap<&Label, BTreeSet<usize>> = BTreeMap::new();
    let mut found: Vec<Excess> = Vec::new();
    for (time_ms, seq, i, what) in happenings {
        let mut touched: Vec<&Label> = held[i].area.into_iter().collect();
        match what {
            Happening::Enters(area) => {
                areas.entry(area).or_default().insert(i);
                held[i].area = Some(area);
                touched.push(area);
            }
            Happening::Leaves => {
                if let Some(area) = held[i].area.take() {
                    areas.entry(area).or_default().remove(&i);
                }
            }
            Happening::Closes => held[i].closed = true,
            Happening::Takes(Class::Acute | Class::Residue, mass) => held[i].acute_kg += mass,
            Happening::Takes(Class::NonAcute | Class::Undetermined, mass) => {
                held[i].other_kg += mass;
            }
            Happening::Takes(Class::NonHazardous, _) => {}
        }
        for area in touched {
            let present = areas.get(area).into_iter().flatten();
            let sum = AreaSum::of(present.map(|i| held[*i].sum(state, law, containers[*i])));
            for acute in [false, true] {
                let above = sum.above(law, law.days.day(time_ms), acute);
                note(&mut found, area, acute, above, (time_ms, seq, containers[i].id));
            }
        }
    }
    found
}

/// Opens or ends a stretch of an area.
fn note(
    found: &mut Vec<Excess>,
    area: &Label,
    acute: bool,
    above: Option<Decimal>,
    (time_ms, seq, container): (i64, u64, &Label),
) {
    let open = found
        .iter_mut()
        .find(|e| &e.area == area && e.acute == acute && e.stretch.ended_ms.is_none());
    match (above, open) {
        (Some(quantity), None) => found.push(Excess {
            area: area.clone(),
            acute,
            stretch: Stretch {
                began_ms: time_ms,
                began: seq,
                ended_ms: None,
                quantity,
                container: Some(container.clone()),
            },
        }),
        (None, Some(open)) => open.stretch.ended_ms = Some(time_ms),
        (Some(_), Some(_)) | (None, None) => {}
    }
}

fn was_in_satellite_area(container: &Container<'_>) -> bool {
    container.life().any(|m| match &m.value.fact {
        ContainerFact::Opened(e) => e.area == AreaKind::Satellite,
        ContainerFact::Moved(e) => e.to.area == AreaKind::Satellite,
        ContainerFact::Closed(_)
        | ContainerFact::Weighed(_)
        | ContainerFact::Labelled(_)
        | ContainerFact::Extended(_) => false,
    })
}

/// What matters to a satellite area in the life of a container.
enum Happening<'a> {
    Enters(&'a Label),
    Leaves,
    Closes,
    Takes(Class, Kg),
}

fn collect<'a>(
    state: &State,
    container: &Container<'a>,
    mut push: impl FnMut(i64, u64, Happening<'a>),
) {
    for m in container.life() {
        let place = match &m.value.fact {
            ContainerFact::Opened(e) => Some((e.area, &e.location)),
            ContainerFact::Moved(e) => Some((e.to.area, &e.to.location)),
            ContainerFact::Closed(_) => {
                push(m.time_ms, m.seq, Happening::Closes);
                None
            }
            ContainerFact::Weighed(_) | ContainerFact::Labelled(_) | ContainerFact::Extended(_) => {
                None
            }
        };
        if let Some((kind, location)) = place {
            push(m.time_ms, m.seq, Happening::Leaves);
            if kind == AreaKind::Satellite {
                push(m.time_ms, m.seq, Happening::Enters(location));
            }
        }
    }
    for holding in container.custody() {
        if holding.event == CustodyEvent::Accepted {
            push(holding.from_ms, holding.seq, Happening::Leaves);
        }
    }
    for added in container.additions().filter(|a| a.told_before.is_none()) {
        let (time_ms, addition) = (added.moment.time_ms, added.addition());
        let class = class(&state.waste, container.id, addition.what, time_ms);
        push(time_ms, added.moment.seq, Happening::Takes(class, addition.mass_kg));
    }
}

/// One container during the sweep.
#[derive(Default)]
struct Held<'a> {
    area: Option<&'a Label>,
    closed: bool,
    acute_kg: Kg,
    other_kg: Kg,
}

impl Held<'_> {
    fn sum(&self, state: &State, law: &Law<'_>, container: &Container<'_>) -> AreaSum {
        let none = self.other_kg <= Kg::ZERO;
        let litres = if none { Some(Decimal::ZERO) } else { self.litres(state, law, container) };
        AreaSum {
            litres: litres.unwrap_or_default(),
            more: litres.is_none(),
            acute_kg: self.acute_kg,
        }
    }

    fn litres(&self, state: &State, law: &Law<'_>, container: &Container<'_>) -> Option<Decimal> {
        let density = container
            .stream()
            .and_then(|s| state.waste.determination(s, i64::MAX))
            .and_then(|m| bulk_density(law, &m.value.fact.material));
        let by_density = density.and_then(|density| self.other_kg.0.checked_div(density));
        let full = || container.opened()?.1.capacity.as_ref().map(|c| c.base());
        by_density.or_else(|| full().filter(|_| self.closed))
    }
}

/// What stands in a satellite area.
#[derive(Default)]
struct AreaSum {
    litres: Decimal,
    /// Whether an open container of unknown density adds an unknown volume.
    more: bool,
    acute_kg: Kg,
}

impl AreaSum {
    fn of(parts: impl Iterator<Item = AreaSum>) -> AreaSum {
        parts.fold(AreaSum::default(), |sum, part| AreaSum {
            litres: sum.litres + part.litres,
            more: sum.more || part.more,
            acute_kg: sum.acute_kg + part.acute_kg,
        })
    }

    /// The quantity, when it is above the limit.
    fn above(&self, law: &Law<'_>, on: Day, acute: bool) -> Option<Decimal> {
        if acute {
            let limit = law.limit("us.satellite.acute_kg", on)?;
            return limit.reached_by(self.acute_kg.0).then_some(self.acute_kg.0);
        }
        let litres = law.limit("us.satellite.volume_gal", on)?.value * LITRES_PER_GALLON;
        let full_and_more = self.litres >= litres && self.more;
        (self.litres > litres || full_and_more).then_some(self.litres)
    }
}

/// Bulk density of a material in kg/L, when the site has set one.
pub fn bulk_density(law: &Law<'_>, material: &Label) -> Option<Decimal> {
    let name: String = material
        .as_str()
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' })
        .collect();
    law.parameter(&format!("bulk_density_{name}")).map(|(_, density)| density)
}
