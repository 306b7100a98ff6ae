//! What is looked up of waste, so that an answer costs what it finds and not what the log holds.
//!
//! All of it follows from what was told: a snapshot leaves it out, and it is built when one is read.
//! Whatever changes what was told of a container or a shipment, in order, late or taken back, has the
//! place of that one thing in here derived again; nothing in here depends on the order of arrival.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rust_decimal::Decimal;

use super::container::{Container, CustodyEvent};
use super::discrepancy::{self, Bulk};
use super::facts::{Addition, ShipmentFact};
use super::shipment::Shipment;
use super::stays::{Id, Stay, Stays};
use super::{Kept, Waste, document_key};
use crate::ids::Label;
use crate::timeline::Timeline;

/// A place in the order of work: time in ms since 1970 UTC, and entry.
pub(super) type Place = (i64, u64);

/// What was put in: its place in the order of work, and the container, which holds the rest.
type PutIn = (i64, u64, Option<Id>);

/// The indexes of the fold.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Index {
    containers: BTreeMap<Id, Standing>,
    shipments: BTreeMap<Label, Papers>,
    sites: BTreeMap<Label, OfSite>,
    /// What was told without a site.
    nowhere: OfSite,
    /// The containers a thing that can go in only once went into, by thing and place.
    items: BTreeSet<(String, i64, u64, Option<Id>)>,
    /// Things that were told more than once. Next to none, so that honest waste costs no search.
    told_twice: BTreeSet<String>,
    /// The containers that an entry put mass into.
    filled: BTreeSet<(u64, Option<Id>)>,
    /// The shipments a container was offered on.
    pub(super) offers: BTreeMap<Label, Timeline<Label>>,
    /// The shipments a document number goes with.
    pub(super) documents: BTreeMap<String, Timeline<Label>>,
}

/// The indexes of one site.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct OfSite {
    pub(super) stays: Stays,
    /// When containers left for good, by stream, and how many at that instant; `None`: they have not.
    pub(super) left: BTreeMap<Label, BTreeMap<Option<i64>, u32>>,
    /// What was put into containers, whatever site those are of.
    arose: BTreeSet<PutIn>,
    /// Every shipment.
    pub(super) shipments: BTreeSet<Label>,
    /// Shipments whose papers may miss something, whatever rules bind the site.
    pub(super) incomplete: BTreeSet<Label>,
    /// Shipments of which the weights of something bulky may differ, unless somebody told so, by the
    /// capacity of the largest container in litres; [`Decimal::MAX`]: bulky by its type.
    pub(super) bulky: BTreeSet<(Decimal, Label)>,
    /// Entries that were corrected or voided.
    pub(super) superseded: BTreeSet<Place>,
}

/// What the index holds of one container.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Standing {
    site: Option<Label>,
    stream: Option<Label>,
    stay: Stay,
    left_ms: Option<i64>,
}

/// What the index holds of one shipment.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
struct Papers {
    site: Option<Label>,
    incomplete: bool,
    bulky: Option<Decimal>,
}

impl Standing {
    fn of(container: &Container<'_>) -> Self {
        let (stay, left_ms) = stay(container);
        let (site, stream) = (container.site().cloned(), container.stream().cloned());
        Self { site, stream, stay, left_ms }
    }
}

/// From when until when a container can matter, and when it left, if it has not come back.
///
/// After the end of a stay it is not on site, nothing was told of it, and none of its mass counts on
/// site. What contradicts itself (it was opened again after it had left; mass was put in while it was
/// away) has no end.
fn stay(container: &Container<'_>) -> (Stay, Option<i64>) {
    let told = container.told_between();
    let (first, last) = told.unwrap_or_default();
    if !container.was_offered() {
        // Only a shipment takes it away.
        return (Stay { from_ms: first, until_ms: None }, None);
    }
    let custody = container.custody();
    let (mut here, mut away, mut contradicted) = (false, None, false);
    for holding in custody {
        match holding.event {
            CustodyEvent::Opened => here = true,
            CustodyEvent::Accepted => {
                here = false;
                away = away.or(Some(holding.from_ms));
            }
            CustodyEvent::Moved => {
                here = true;
                if let Some(since) = away.take() {
                    contradicted |= container.took_in(since, holding.from_ms);
                }
            }
            CustodyEvent::Delivered
            | CustodyEvent::SentBack
            | CustodyEvent::Forwarded
            | CustodyEvent::Certified => {}
        }
    }
    contradicted |= away.is_some_and(|since| container.took_in(since, i64::MAX));
    let left_ms = container.left().map(|(ms, _)| ms);
    let ended = left_ms.is_some() && !here && !contradicted;
    let of_custody = (custody.first().map(|h| h.from_ms), custody.last().map(|h| h.from_ms));
    let stay = Stay {
        from_ms: of_custody.0.map_or(first, |ms| ms.min(first)),
        until_ms: ended.then(|| of_custody.1.map_or(last, |ms| ms.max(last))),
    };
    (stay, left_ms)
}

impl Papers {
    fn of(waste: &Waste, shipment: &Shipment<'_>) -> Self {
        let copy_missing = shipment.first_leg().is_some() && shipment.signed_copy().is_none();
        let received = shipment.deliveries().next().is_some();
        let uncertified = shipment.certificates().next().is_none();
        let settled: BTreeSet<u64> = shipment.settlements().map(|(_, s)| s.entry).collect();
        let unsettled = shipment.discrepancies().any(|(m, _)| !settled.contains(&m.seq));
        let untold = received && !discrepancy::recorded(shipment);
        let pieces_differ = untold && discrepancy::pieces_differ(shipment);
        let bulky = || {
            let offered = shipment.offers().flat_map(|(_, offer)| &offer.containers);
            offered.filter_map(|id| discrepancy::bulk(waste, id)).max().map(|bulk| match bulk {
                Bulk::Capacity(litres) => litres,
                Bulk::Type => Decimal::MAX,
            })
        };
        Self {
            site: shipment.site().cloned(),
            incomplete: copy_missing || (received && (uncertified || unsettled || pieces_differ)),
            bulky: untold.then(bulky).flatten(),
        }
    }
}

/// Puts something into a set or takes it out.
fn set<T: Ord>(of: &mut BTreeSet<T>, what: T, is_in: bool) {
    if is_in {
        of.insert(what);
    } else {
        of.remove(&what);
    }
}

impl Index {
    pub(super) fn site(&self, site: Option<&Label>) -> Option<&OfSite> {
        match site {
            Some(site) => self.sites.get(site),
            None => Some(&self.nowhere),
        }
    }

    /// Every site, and what was told without one.
    pub(super) fn everywhere(&self) -> impl Iterator<Item = &OfSite> {
        self.sites.values().chain([&self.nowhere])
    }

    /// Changes what is held of a site; of a site without anything, nothing is held.
    fn of_site(&mut self, site: Option<&Label>, change: impl FnOnce(&mut OfSite)) {
        let Some(site) = site else { return change(&mut self.nowhere) };
        if let Some(held) = self.sites.get_mut(site) {
            change(held);
            if *held == OfSite::default() {
                self.sites.remove(site);
            }
        } else {
            let mut held = OfSite::default();
            change(&mut held);
            if held != OfSite::default() {
                self.sites.insert(site.clone(), held);
            }
        }
    }

    /// The label of a container, shared with the rest of the index once something is held of it.
    fn id(&self, container: &Label) -> Id {
        let held = self.containers.get_key_value(container);
        held.map_or_else(|| Arc::new(container.clone()), |(id, _)| Id::clone(id))
    }

    /// Notes what an entry put into a container, or takes that out again where it does not stand any
    /// more.
    pub(super) fn put(
        &mut self,
        container: &Label,
        site: Option<&Label>,
        (ms, seq): Place,
        addition: &Addition,
        stands: bool,
    ) {
        let id = self.id(container);
        if let Some(item) = &addition.item {
            set(&mut self.items, (item.clone(), ms, seq, Some(Id::clone(&id))), stands);
            self.count(item);
        }
        if site.is_some() {
            let arose = (ms, seq, Some(Id::clone(&id)));
            self.of_site(site, |held| set(&mut held.arose, arose, stands));
        }
        set(&mut self.filled, (seq, Some(id)), stands);
    }

    fn count(&mut self, item: &str) {
        if self.tellings(item).nth(1).is_some() {
            self.told_twice.insert(item.to_owned());
        } else {
            self.told_twice.remove(item);
        }
    }

    fn tellings(&self, item: &str) -> impl Iterator<Item = (Place, &Label)> {
        let from = (item.to_owned(), i64::MIN, 0, None);
        let told = self.items.range(from.clone()..).take_while(move |told| told.0 == from.0);
        told.filter_map(|(_, ms, seq, id)| Some(((*ms, *seq), id.as_deref()?)))
    }

    /// Where a thing that can go in only once was first told to go in.
    pub(super) fn first_told(&self, item: &str) -> Option<(Place, &Label)> {
        self.tellings(item).next()
    }

    /// Whether a thing that can go in only once was told more than once.
    pub(super) fn told_twice(&self, item: &str) -> bool {
        !self.told_twice.is_empty() && self.told_twice.contains(item)
    }

    /// A container that an entry put mass into.
    pub(super) fn filled_by(&self, seq: u64) -> Option<&Label> {
        let (by, id) = self.filled.range((seq, None)..).next()?;
        id.as_deref().filter(|_| *by == seq)
    }

    /// Where mass arose at a site between two instants, both included, in order of work.
    pub(super) fn arose(
        &self,
        site: &Label,
        from_ms: i64,
        to_ms: i64,
    ) -> impl DoubleEndedIterator<Item = (Place, &Label)> {
        let held = self.sites.get(site).filter(|_| from_ms <= to_ms);
        let after = to_ms.saturating_add(1);
        let found = held.map(|held| held.arose.range((from_ms, 0, None)..(after, 0, None)));
        found.into_iter().flatten().filter_map(|(ms, seq, id)| Some(((*ms, *seq), id.as_deref()?)))
    }

    /// Notes that an entry said something else before.
    pub(super) fn superseded(&mut self, site: Option<&Label>, place: Place) {
        self.of_site(site, |held| _ = held.superseded.insert(place));
    }

    fn stand(&mut self, container: &Label, standing: Option<Standing>) {
        let id = self.id(container);
        let before = self.containers.get(container);
        if before == standing.as_ref() {
            return;
        }
        if let Some(before) = self.containers.remove(container) {
            self.of_site(before.site.as_ref(), |held| {
                held.stays.remove(&id, before.stay);
                if let Some(stream) = &before.stream
                    && let Some(left) = held.left.get_mut(stream)
                {
                    if let Some(count) = left.get_mut(&before.left_ms) {
                        *count -= 1;
                    }
                    left.retain(|_, count| *count > 0);
                    if left.is_empty() {
                        held.left.remove(stream);
                    }
                }
            });
        }
        if let Some(standing) = standing {
            self.of_site(standing.site.as_ref(), |held| {
                held.stays.insert(&id, standing.stay);
                if let Some(stream) = &standing.stream {
                    let left = match held.left.get_mut(stream) {
                        Some(left) => left,
                        None => held.left.entry(stream.clone()).or_default(),
                    };
                    *left.entry(standing.left_ms).or_default() += 1;
                }
            });
            self.containers.insert(id, standing);
        }
    }

    fn paper(&mut self, shipment: &Label, papers: Option<Papers>) {
        if self.shipments.get(shipment) == papers.as_ref() {
            return;
        }
        if let Some(before) = self.shipments.remove(shipment) {
            self.of_site(before.site.as_ref(), |held| {
                held.shipments.remove(shipment);
                held.incomplete.remove(shipment);
                if let Some(litres) = before.bulky {
                    held.bulky.remove(&(litres, shipment.clone()));
                }
            });
        }
        if let Some(papers) = papers {
            self.of_site(papers.site.as_ref(), |held| {
                held.shipments.insert(shipment.clone());
                if papers.incomplete {
                    held.incomplete.insert(shipment.clone());
                }
                held.bulky.extend(papers.bulky.map(|litres| (litres, shipment.clone())));
            });
            self.shipments.insert(shipment.clone(), papers);
        }
    }

    /// Takes over where else things were told to go in, and what entries put where, as far as they
    /// stand: what a part of the record is compared with.
    pub(super) fn compare_with(
        &mut self,
        all: &Index,
        items: &BTreeSet<String>,
        cites: &BTreeSet<u64>,
        stands: &impl Fn(u64) -> bool,
    ) {
        for item in items {
            let told = all.tellings(item).filter(|((_, seq), _)| stands(*seq));
            for ((ms, seq), container) in told {
                let id = self.id(container);
                self.items.insert((item.clone(), ms, seq, Some(id)));
            }
            self.count(item);
        }
        for seq in cites.iter().filter(|seq| stands(**seq)) {
            self.filled.extend(all.filled_by(*seq).map(|id| (*seq, Some(self.id(id)))));
        }
    }
}

impl Waste {
    /// Has the place of a container in the index derived again.
    pub(super) fn derive_container(&mut self, id: &Label) {
        let standing = self.container(id).map(|container| Standing::of(&container));
        self.index.stand(id, standing);
    }

    /// The same after something was put into it. Where that changes nothing, which is true of nearly
    /// all that is put in, next to nothing is done.
    pub(super) fn derive_filled(&mut self, id: &Label, ms: i64) {
        let same = self.container(id).is_some_and(|container| {
            let sited = container.opened().is_some_and(|(opening, _)| opening.value.site.is_some());
            let known = self.index.containers.get(id).is_some_and(|s| s.stay.from_ms <= ms);
            sited && known && !container.was_offered()
        });
        if !same {
            self.derive_container(id);
        }
    }

    /// Has the place of a shipment in the index derived again.
    pub(super) fn derive_shipment(&mut self, id: &Label) {
        let papers = self.shipment(id).map(|shipment| Papers::of(self, &shipment));
        self.index.paper(id, papers);
    }

    /// The containers that were ever offered on a shipment.
    pub(super) fn offered_on(&self, id: &Label) -> BTreeSet<Label> {
        let offers = self.shipment(id).into_iter().flat_map(|shipment| {
            shipment.offers().flat_map(|(_, offer)| offer.containers.clone()).collect::<Vec<_>>()
        });
        offers.collect()
    }
}

impl From<Kept> for Waste {
    fn from(kept: Kept) -> Self {
        let mut index = Index::default();
        for (id, told) in &kept.shipments {
            for moment in told.iter() {
                if let ShipmentFact::Offered(offered) = &moment.value.fact {
                    let at = (moment.time_ms, moment.seq);
                    let document = index.documents.entry(document_key(&offered.document));
                    document.or_default().insert(at.0, at.1, id.clone());
                    for container in &offered.containers {
                        let offers = index.offers.entry(container.clone()).or_default();
                        offers.insert(at.0, at.1, id.clone());
                    }
                }
            }
        }
        index.additions(&kept);
        for (seq, superseded) in &kept.superseded {
            index.superseded(superseded.site.as_ref(), (superseded.time_ms, *seq));
        }
        let mut waste = Self { kept, index };
        let containers: Vec<Label> = waste.kept.containers.keys().cloned().collect();
        let shipments: Vec<Label> = waste.kept.shipments.keys().cloned().collect();
        containers.iter().for_each(|id| waste.derive_container(id));
        shipments.iter().for_each(|id| waste.derive_shipment(id));
        waste
    }
}

impl Index {
    /// Everything that was put in, of all containers at once: sorted, then built, which takes less
    /// time and less room than one by one.
    fn additions(&mut self, kept: &Kept) {
        let mut items = Vec::new();
        let mut filled = Vec::new();
        let mut arose: BTreeMap<&Label, Vec<PutIn>> = BTreeMap::new();
        for (container, facts) in &kept.containers {
            let id = Arc::new(container.clone());
            // Its place follows; so that the label is shared.
            self.containers.insert(Id::clone(&id), Standing::default());
            self.nowhere.stays.insert(&id, Stay::default());
            for moment in facts.additions.iter() {
                let (ms, seq, told) = (moment.time_ms, moment.seq, &moment.value);
                let id = || Some(Id::clone(&id));
                if let Some(item) = &told.fact.item {
                    items.push((item.clone(), ms, seq, id()));
                }
                if let Some(site) = &told.site {
                    arose.entry(site).or_default().push((ms, seq, id()));
                }
                filled.push((seq, id()));
            }
        }
        items.sort_unstable();
        items.dedup();
        for pair in items.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
            self.told_twice.insert(pair[0].0.clone());
        }
        self.items = items.into_iter().collect();
        self.filled = filled.into_iter().collect();
        for (site, arose) in arose {
            self.of_site(Some(site), |held| held.arose = arose.into_iter().collect());
        }
    }
}

#[cfg(test)]
impl Index {
    /// Names everything for every question: then an answer is that of a look at everything.
    pub(super) fn name_everything(&mut self) {
        for (id, standing) in &mut self.containers {
            let held = match &standing.site {
                Some(site) => self.sites.entry(site.clone()).or_default(),
                None => &mut self.nowhere,
            };
            held.stays.remove(id, standing.stay);
            standing.stay = Stay { from_ms: i64::MIN, until_ms: None };
            held.stays.insert(id, standing.stay);
        }
        self.sites.values_mut().for_each(|held| held.incomplete = held.shipments.clone());
    }
}
