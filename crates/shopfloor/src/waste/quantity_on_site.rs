//! How much waste lies on a site, and in a satellite area, and since when it is too much.

use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

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

/// A stretch of time, not ended, in which a quantity is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stretch {
    /// When it began, ms since 1970 UTC.
    pub began_ms: i64,
    /// Entry that began it.
    pub began: u64,
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
fn changes(state: &State, containers: &[Rc<Container<'_>>]) -> Vec<Change> {
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

/// Where something that runs began.
enum Began {
    /// Before the instant from which on the containers are complete.
    Before,
    /// Then.
    At(Stretch),
}

/// The stretch that has not ended in which the mass of some classes in the containers of a site
/// reaches a limit, told by those there were since `from_ms`; `None`: it began before, or then.
pub(super) fn on_site_stretch(
    state: &State,
    containers: &[Rc<Container<'_>>],
    from_ms: i64,
    classes: &[Class],
    reached: impl Fn(Decimal) -> bool,
) -> Option<Option<Stretch>> {
    let changes = changes(state, containers);
    let counts = |change: &&Change| classes.contains(&change.class);
    // Of what was gone by then nothing counts any more: the sum at `from_ms` is right.
    let later = changes.partition_point(|c| c.time_ms < from_ms);
    let mut total: Kg = changes[..later].iter().filter(counts).map(|c| c.kg).sum();
    let ran = from_ms > i64::MIN && reached(total.0);
    let mut running = ran.then_some(Began::Before);
    // Changes of one instant and entry belong together.
    for together in changes[later..].chunk_by(|a, b| (a.time_ms, a.seq) == (b.time_ms, b.seq)) {
        total += together.iter().filter(counts).map(|c| c.kg).sum::<Kg>();
        match (reached(total.0), &running) {
            (true, None) => {
                running = Some(Began::At(Stretch {
                    began_ms: together[0].time_ms,
                    began: together[0].seq,
                    quantity: total.0,
                    container: None,
                }));
            }
            (false, Some(_)) => running = None,
            (true, Some(_)) | (false, None) => {}
        }
    }
    match running {
        Some(Began::Before) => None,
        Some(Began::At(stretch)) => Some(Some(stretch)),
        None => Some(None),
    }
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

/// Every excess that has not ended of every satellite area in which containers of a site stood
/// (40 CFR 262.15(a)), told by those there were since `from_ms`; `None`: one began before, or an area
/// that holds something was last changed before. The limit of non-acute
/// waste is a volume: mass over bulk density where the site has set one
/// (`bulk_density_<material>`, kg/L), else the capacity of a closed container; an open one of
/// unknown density counts as more than nothing.
pub(super) fn satellite_excesses(
    state: &State,
    containers: &[Rc<Container<'_>>],
    from_ms: i64,
    law: &Law<'_>,
) -> Option<Vec<Excess>> {
    let containers: Vec<&Container<'_>> =
        containers.iter().map(Rc::as_ref).filter(|c| was_in_satellite_area(c)).collect();
    let mut happenings: Vec<(i64, u64, usize, Happening<'_>)> = Vec::new();
    for (i, container) in containers.iter().enumerate() {
        collect(state, container, |time_ms, seq, what| happenings.push((time_ms, seq, i, what)));
    }
    happenings.sort_by_key(|(time_ms, seq, i, _)| (*time_ms, *seq, *i));
    let mut held: Vec<Held> = containers.iter().map(|_| Held::default()).collect();
    let mut areas: BTreeMap<&Label, BTreeSet<usize>> = BTreeMap::new();
    // The excess of an area as of the last change of it since `from_ms`.
    let mut told: BTreeMap<(&Label, bool), Option<Began>> = BTreeMap::new();
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
        if time_ms < from_ms {
            // Others may have stood there then.
            continue;
        }
        for area in touched {
            let present = areas.get(area).into_iter().flatten();
            let sum = AreaSum::of(present.map(|i| held[*i].sum(state, law, containers[*i])));
            for acute in [false, true] {
                let above = sum.above(law, law.days.day(time_ms), acute);
                let begins = |quantity| {
                    let container = Some(containers[i].id.clone());
                    Began::At(Stretch { began_ms: time_ms, began: seq, quantity, container })
                };
                let known = told.remove(&(area, acute));
                let now = match (above, known) {
                    (None, _) => None,
                    (Some(_), Some(Some(began))) => Some(began),
                    (Some(quantity), Some(None)) => Some(begins(quantity)),
                    // How it was before its first change in here, nobody knows.
                    (Some(_), None) if from_ms > i64::MIN => Some(Began::Before),
                    (Some(quantity), None) => Some(begins(quantity)),
                };
                told.insert((area, acute), now);
            }
        }
    }
    let unknown = |area: &&Label| !told.contains_key(&(*area, false));
    let mut holding = areas.iter().filter(|(_, inside)| !inside.is_empty()).map(|(area, _)| area);
    if from_ms > i64::MIN && holding.any(unknown) {
        return None;
    }
    let mut found = Vec::new();
    for ((area, acute), began) in told {
        match began {
            Some(Began::Before) => return None,
            Some(Began::At(stretch)) => found.push(Excess { area: area.clone(), acute, stretch }),
            None => {}
        }
    }
    found.sort_by_key(|excess| (excess.stretch.began_ms, excess.stretch.began));
    Some(found)
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
