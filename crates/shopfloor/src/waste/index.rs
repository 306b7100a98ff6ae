//! What is looked up of waste, so that an answer costs what it finds and not what the log holds.
//!
//! All of it follows from what was told. A snapshot whose pieces lie apart holds it in pages, so that
//! a start builds nothing; any other leaves it out, and it is built when one is read. Whatever changes
//! what was told of a container or a shipment, in order, late or taken back, has the place of that one
//! thing in here derived again; nothing in here depends on the order of arrival.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use super::container::{Container, CustodyEvent};
use super::discrepancy::{self, Bulk};
use super::events::ShipmentOffered;
use super::facts::{Addition, ShipmentFact};
use super::shipment::Shipment;
use super::stays::{Stay, Stays};
use super::{Kept, Waste, document_key, left_without};
use crate::ids::Label;
use crate::keyed::Keyed;
use crate::pieces::Content;
use crate::sorted::Sorted;
use crate::timeline::Timeline;

/// A place in the order of work: time in ms since 1970 UTC, and entry.
pub(super) type Place = (i64, u64);

/// A telling of a thing that can go in only once: the thing, its place, the container.
type Telling = (String, Place, Label);

/// What was put in: its place in the order of work, and the container, which holds the rest.
type PutIn = (Place, Label);

/// The indexes of the fold.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Index {
    containers: Keyed<Label, Standing>,
    shipments: Keyed<Label, Papers>,
    sites: BTreeMap<Label, OfSite>,
    /// What was told without a site.
    nowhere: OfSite,
    /// The containers a thing that can go in only once went into, by thing and place.
    items: Sorted<Telling>,
    /// Things that were told more than once. Next to none, so that honest waste costs no search.
    told_twice: Sorted<String>,
    /// The containers that an entry put mass into.
    filled: Sorted<(u64, Label)>,
    /// The shipments a container was offered on.
    pub(super) offers: Keyed<Label, Timeline<Label>>,
    /// The shipments a document number goes with.
    pub(super) documents: Keyed<String, Timeline<Label>>,
}

/// The indexes of one site.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct OfSite {
    pub(super) stays: Stays,
    /// When containers left for good, by stream, and how many at that instant; `None`: they have not.
    pub(super) left: BTreeMap<Label, Keyed<Option<i64>, u32>>,
    /// What was put into containers, whatever site those are of.
    arose: Sorted<PutIn>,
    /// Every shipment.
    pub(super) shipments: Sorted<Label>,
    /// Shipments whose papers may miss something, whatever rules bind the site.
    pub(super) incomplete: Sorted<Label>,
    /// Shipments of which the weights of something bulky may differ, unless somebody told so, by the
    /// capacity of the largest container in litres; [`Decimal::MAX`]: bulky by its type.
    pub(super) bulky: Sorted<(Decimal, Label)>,
    /// Entries that were corrected or voided.
    pub(super) superseded: Sorted<Place>,
}

impl OfSite {
    /// Whether nothing is held. Incomplete and bulky shipments are among the shipments.
    fn is_empty(&self) -> bool {
        self.arose.is_empty()
            && self.stays.is_empty()
            && self.left.is_empty()
            && self.shipments.is_empty()
            && self.superseded.is_empty()
    }
}

/// What the index holds of one container.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Standing {
    site: Option<Label>,
    stream: Option<Label>,
    stay: Stay,
    left_ms: Option<i64>,
}

impl Content for Standing {}

/// What the index holds of one shipment.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Papers {
    site: Option<Label>,
    incomplete: bool,
    bulky: Option<Decimal>,
}

impl Content for Papers {}

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
fn set<T: Content + Ord>(of: &mut Sorted<T>, what: T, is_in: bool) {
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
            if held.is_empty() {
                self.sites.remove(site);
            }
        } else {
            let mut held = OfSite::default();
            change(&mut held);
            if !held.is_empty() {
                self.sites.insert(site.clone(), held);
            }
        }
    }

    /// Notes what an entry put into a container, or takes that out again where it does not stand any
    /// more.
    pub(super) fn put(
        &mut self,
        container: &Label,
        site: Option<&Label>,
        place: Place,
        addition: &Addition,
        stands: bool,
    ) {
        if let Some(item) = &addition.item {
            set(&mut self.items, (item.clone(), place, container.clone()), stands);
            self.count(item);
        }
        if site.is_some() {
            self.of_site(site, |held| set(&mut held.arose, (place, container.clone()), stands));
        }
        set(&mut self.filled, (place.1, container.clone()), stands);
    }

    fn count(&mut self, item: &str) {
        if self.tellings(item).nth(1).is_some() {
            self.told_twice.insert(item.to_owned());
        } else {
            self.told_twice.remove(&item.to_owned());
        }
    }

    fn tellings(&self, item: &str) -> impl Iterator<Item = (Place, &Label)> {
        let told = self.items.range(|(other, ..)| &**other < item, |(other, ..)| &**other <= item);
        told.map(|(_, place, id)| (*place, id))
    }

    /// Where a thing that can go in only once was first told to go in.
    pub(super) fn first_told(&self, item: &str) -> Option<(Place, &Label)> {
        self.tellings(item).next()
    }

    /// Whether a thing that can go in only once was told more than once.
    pub(super) fn told_twice(&self, item: &str) -> bool {
        !self.told_twice.is_empty() && self.told_twice.contains(&item.to_owned())
    }

    /// A container that an entry put mass into.
    pub(super) fn filled_by(&self, seq: u64) -> Option<&Label> {
        let (by, id) = self.filled.first(|(by, _)| *by < seq)?;
        (*by == seq).then_some(id)
    }

    /// Where mass arose at a site between two instants, both included, in order of work.
    pub(super) fn arose(
        &self,
        site: &Label,
        from_ms: i64,
        to_ms: i64,
    ) -> impl DoubleEndedIterator<Item = (Place, &Label)> {
        let held = self.sites.get(site).filter(|_| from_ms <= to_ms);
        let found = held.map(|held| {
            held.arose.range(|((ms, _), _)| *ms < from_ms, |((ms, _), _)| *ms <= to_ms)
        });
        found.into_iter().flatten().map(|(place, id)| (*place, id))
    }

    /// Notes that an entry said something else before.
    pub(super) fn superseded(&mut self, site: Option<&Label>, place: Place) {
        self.of_site(site, |held| _ = held.superseded.insert(place));
    }

    fn stand(&mut self, container: &Label, standing: Option<Standing>) {
        let before = self.containers.get(container);
        if before == standing.as_ref() {
            return;
        }
        if let Some(before) = before.cloned() {
            self.of_site(before.site.as_ref(), |held| {
                held.stays.remove(container, before.stay);
                if let Some(stream) = &before.stream
                    && let Some(left) = held.left.get_mut(stream)
                {
                    left.retain(&before.left_ms, |count| {
                        *count -= 1;
                        *count > 0
                    });
                    if left.is_empty() {
                        held.left.remove(stream);
                    }
                }
            });
        }
        let Some(standing) = standing else { return self.containers.remove(container) };
        self.of_site(standing.site.as_ref(), |held| {
            held.stays.insert(container, standing.stay);
            if let Some(stream) = &standing.stream {
                let left = match held.left.get_mut(stream) {
                    Some(left) => left,
                    None => held.left.entry(stream.clone()).or_default(),
                };
                *left.or_insert_with(&standing.left_ms, || 0) += 1;
            }
        });
        self.containers.insert(container, standing);
    }

    fn paper(&mut self, shipment: &Label, papers: Option<Papers>) {
        let before = self.shipments.get(shipment);
        if before == papers.as_ref() {
            return;
        }
        if let Some(before) = before.cloned() {
            self.of_site(before.site.as_ref(), |held| {
                held.shipments.remove(shipment);
                held.incomplete.remove(shipment);
                if let Some(litres) = before.bulky {
                    held.bulky.remove(&(litres, shipment.clone()));
                }
            });
        }
        let Some(papers) = papers else { return self.shipments.remove(shipment) };
        self.of_site(papers.site.as_ref(), |held| {
            held.shipments.insert(shipment.clone());
            if papers.incomplete {
                held.incomplete.insert(shipment.clone());
            }
            if let Some(litres) = papers.bulky {
                held.bulky.insert((litres, shipment.clone()));
            }
        });
        self.shipments.insert(shipment, papers);
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
            for (place, container) in told {
                self.items.insert((item.clone(), place, container.clone()));
            }
            self.count(item);
        }
        for seq in cites.iter().filter(|seq| stands(**seq)) {
            if let Some(container) = all.filled_by(*seq) {
                self.filled.insert((*seq, container.clone()));
            }
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
        for (id, told) in kept.shipments.iter() {
            for moment in told.iter() {
                if let ShipmentFact::Offered(offered) = &moment.value.fact {
                    index.offer(id, (moment.time_ms, moment.seq), offered);
                }
            }
        }
        index.additions(&kept);
        for (seq, superseded) in kept.superseded.iter() {
            index.superseded(superseded.site.as_ref(), (superseded.time_ms, *seq));
        }
        let mut waste = Self { kept, index };
        let containers: Vec<Label> =
            waste.kept.containers.iter().map(|(id, _)| id.clone()).collect();
        let shipments: Vec<Label> = waste.kept.shipments.iter().map(|(id, _)| id.clone()).collect();
        containers.iter().for_each(|id| waste.derive_container(id));
        shipments.iter().for_each(|id| waste.derive_shipment(id));
        waste
    }
}

impl Index {
    /// Notes which shipment an offer's document and containers go with.
    pub(super) fn offer(&mut self, shipment: &Label, (ms, seq): Place, offered: &ShipmentOffered) {
        let document = document_key(&offered.document);
        self.documents.or_default(&document).insert(ms, seq, shipment.clone());
        for container in &offered.containers {
            self.offers.or_default(container).insert(ms, seq, shipment.clone());
        }
    }

    /// Takes that out again.
    pub(super) fn withdraw(&mut self, at: Place, offered: &ShipmentOffered) {
        self.documents.retain(&document_key(&offered.document), |told| left_without(told, at));
        for container in &offered.containers {
            self.offers.retain(container, |told| left_without(told, at));
        }
    }

    /// Everything that was put in, of all containers at once: sorted first, so that pages fill up.
    fn additions(&mut self, kept: &Kept) {
        let mut items: Vec<Telling> = Vec::new();
        let mut filled = Vec::new();
        let mut arose: BTreeMap<&Label, Vec<PutIn>> = BTreeMap::new();
        for (id, facts) in kept.containers.iter() {
            for moment in facts.additions.iter() {
                let (place, told) = ((moment.time_ms, moment.seq), &moment.value);
                if let Some(item) = &told.fact.item {
                    items.push((item.clone(), place, id.clone()));
                }
                if let Some(site) = &told.site {
                    arose.entry(site).or_default().push((place, id.clone()));
                }
                filled.push((place.1, id.clone()));
            }
        }
        items.sort_unstable();
        items.dedup();
        for pair in items.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
            self.told_twice.insert(pair[0].0.clone());
        }
        self.items = items.into_iter().collect();
        filled.sort_unstable();
        self.filled = filled.into_iter().collect();
        for (site, mut put_in) in arose {
            put_in.sort_unstable();
            self.of_site(Some(site), |held| held.arose = put_in.into_iter().collect());
        }
    }
}

#[cfg(test)]
impl Index {
    /// Names everything for every question: then an answer is that of a look at everything.
    pub(super) fn name_everything(&mut self) {
        let ids: Vec<Label> = self.containers.iter().map(|(id, _)| id.clone()).collect();
        for id in &ids {
            let standing = self.containers.get(id).cloned();
            let stay = Stay { from_ms: i64::MIN, until_ms: None };
            self.stand(id, standing.map(|standing| Standing { stay, ..standing }));
        }
        self.sites.values_mut().for_each(|held| held.incomplete = held.shipments.clone());
    }
}
