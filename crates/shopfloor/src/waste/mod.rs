//! Waste: streams, containers, custody, shipments, clocks.
//!
//! The fold keeps what was told, sorted by the time of the work, and indexes that follow from it
//! (`index.rs`), so that an answer looks at what it is about and not at every container; everything
//! else (state of a container, custody, clocks, categories) is derived when it is asked for. An
//! answer therefore never depends on the order in which entries arrived, and a correction simply
//! takes the old fact out and puts the new one in.
//!
//! Deliberately absent: the class of a waste. A person determines it (`stream.determined`); this
//! module only counts, dates and compares.

mod areas;
mod as_of;
pub mod balance;
pub mod category;
pub mod clocks;
pub mod compatibility;
pub mod container;
pub mod discrepancy;
pub mod episodic;
pub mod events;
pub mod facts;
pub mod formats;
mod index;
mod judge;
mod kg;
pub mod law;
pub mod notices;
pub(crate) mod opening;
pub mod quantity_on_site;
pub mod retention;
pub mod rules;
pub mod shipment;
mod site;
mod stays;
#[cfg(test)]
mod tests;
pub mod view;

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::catalogue::Event;
use crate::fact::Fact;
use crate::ids::Label;
use crate::keyed::Keyed;
use crate::pieces::{Content, Page, apart};
use crate::timeline::{Moment, Timeline};
use events::{AreaInspected, ShipmentDocument, StreamDetermined};
use facts::{Addition, ContainerFact, Effect, ShipmentFact, Told, effects};
use index::Index;

pub use container::Container;
pub use kg::Kg;
pub use shipment::Shipment;
pub use site::SiteWaste;

/// What is kept of one container.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct ContainerFacts {
    /// Its life, additions apart (few facts).
    pub(crate) life: Timeline<Told<ContainerFact>>,
    /// What went in (possibly many).
    pub(crate) additions: Timeline<Told<Addition>>,
}

impl Content for ContainerFacts {}

/// What an entry said before it was corrected or voided.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Superseded {
    /// Site of the entry.
    pub site: Option<Label>,
    /// When the work was done, ms since 1970 UTC.
    pub time_ms: i64,
    /// Its earlier contents, oldest first.
    pub contents: Vec<Event>,
}

impl Content for Superseded {}

/// What was told of one thing, in order of the work.
type Tellings<T> = Timeline<Told<T>>;

/// What was told, sorted by the time of the work.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Kept {
    streams: Keyed<Label, Tellings<StreamDetermined>>,
    /// A container of which nothing is left told was never there.
    containers: Keyed<Label, Page<ContainerFacts>>,
    shipments: Keyed<Label, Page<Tellings<ShipmentFact>>>,
    /// Inspections by site, then area.
    areas: BTreeMap<Label, Keyed<Label, Page<Tellings<AreaInspected>>>>,
    /// What entries said before they were corrected or voided.
    superseded: Keyed<u64, Superseded>,
}

/// The fold of this subject. A copy shares what it holds, however much that is.
#[derive(Debug, Clone, Default)]
pub struct Waste {
    kept: Kept,
    index: Index,
}

/// Two are equal when the same was told: the index follows from that.
impl PartialEq for Waste {
    fn eq(&self, other: &Self) -> bool {
        self.kept == other.kept
    }
}

impl Eq for Waste {}

/// Digests are over what was told.
impl Serialize for Waste {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match apart(serializer.is_human_readable()) {
            Some(_) => (&self.kept, &self.index).serialize(serializer),
            None => self.kept.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Waste {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if apart(deserializer.is_human_readable()).is_some() {
            let (kept, index) = Deserialize::deserialize(deserializer)?;
            return Ok(Self { kept, index });
        }
        Kept::deserialize(deserializer).map(Self::from)
    }
}

impl Waste {
    /// Folds a fact in; facts of other subjects are passed over.
    pub(crate) fn apply(&mut self, fact: &Fact) {
        for effect in effects(fact) {
            self.put(fact, effect);
        }
    }

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, fact: &Fact) {
        let effects = effects(fact);
        if !effects.is_empty() {
            let earlier = self.kept.superseded.or_insert_with(&fact.seq, || Superseded {
                site: fact.site.clone(),
                time_ms: fact.time.ms(),
                contents: Vec::new(),
            });
            earlier.contents.push(fact.event.clone());
            let (site, time_ms) = (earlier.site.as_ref(), earlier.time_ms);
            self.index.superseded(site, (time_ms, fact.seq));
        }
        for effect in effects {
            self.take(fact, effect);
        }
    }

    fn put(&mut self, fact: &Fact, effect: Effect) {
        let (ms, seq) = (fact.time.ms(), fact.seq);
        match effect {
            Effect::Stream(stream, e) => {
                self.kept.streams.or_default(&stream).insert(ms, seq, told(fact, e));
            }
            Effect::Container(id, e) => {
                let facts = self.kept.containers.or_default(&id);
                facts.change().life.insert(ms, seq, told(fact, e));
                self.derive_told(&id);
            }
            Effect::Added(id, addition) => {
                self.index.put(&id, fact.site.as_ref(), (ms, seq), &addition, true);
                let facts = self.kept.containers.or_default(&id);
                facts.change().additions.insert(ms, seq, told(fact, addition));
                self.derive_filled(&id, ms);
            }
            Effect::Shipment(id, e) => {
                if let ShipmentFact::Offered(offered) = &e {
                    self.index.offer(&id, (ms, seq), offered);
                }
                self.kept.shipments.or_default(&id).change().insert(ms, seq, told(fact, e));
                self.derive_shipped(&id, &self.offered_on(&id));
            }
            Effect::Inspected(area, e) => {
                if let Some(site) = &fact.site {
                    let areas = self.kept.areas.entry(site.clone()).or_default();
                    areas.or_default(&area).change().insert(ms, seq, told(fact, e));
                }
            }
        }
    }

    fn take(&mut self, fact: &Fact, effect: Effect) {
        let at = (fact.time.ms(), fact.seq);
        match effect {
            Effect::Stream(stream, _) => {
                self.kept.streams.retain(&stream, |told| left_without(told, at));
            }
            Effect::Container(id, _) => {
                self.kept.containers.retain(&id, |facts| {
                    left_without(&mut facts.change().life, at) || !facts.additions.is_empty()
                });
                self.derive_told(&id);
            }
            Effect::Added(id, addition) => {
                self.index.put(&id, fact.site.as_ref(), at, &addition, false);
                self.kept.containers.retain(&id, |facts| {
                    left_without(&mut facts.change().additions, at) || !facts.life.is_empty()
                });
                self.derive_container(&id);
            }
            Effect::Shipment(id, e) => {
                // Those of the fact that goes are among them.
                let on_it = self.offered_on(&id);
                if let ShipmentFact::Offered(offered) = &e {
                    self.index.withdraw(at, offered);
                }
                self.kept.shipments.retain(&id, |told| left_without(told.change(), at));
                self.derive_shipped(&id, &on_it);
            }
            Effect::Inspected(area, _) => {
                if let Some(site) = &fact.site
                    && let Some(areas) = self.kept.areas.get_mut(site)
                {
                    areas.retain(&area, |told| left_without(told.change(), at));
                    if areas.is_empty() {
                        self.kept.areas.remove(site);
                    }
                }
            }
        }
    }

    /// After something was told of a container or taken back: it, and the shipments it went on, which
    /// are compared by its size.
    fn derive_told(&mut self, id: &Label) {
        self.derive_container(id);
        let shipments: BTreeSet<Label> = self.offers_of(id).map(|m| m.value.clone()).collect();
        shipments.iter().for_each(|shipment| self.derive_shipment(shipment));
    }

    /// After something was told of a shipment or taken back: it, and the containers on it.
    fn derive_shipped(&mut self, id: &Label, containers: &BTreeSet<Label>) {
        containers.iter().for_each(|container| self.derive_container(container));
        self.derive_shipment(id);
    }

    /// Streams with their determinations, oldest first.
    pub fn streams(&self) -> impl Iterator<Item = (&Label, &Timeline<Told<StreamDetermined>>)> {
        self.kept.streams.iter()
    }

    /// The determinations of one stream, oldest first.
    pub fn stream(&self, stream: &Label) -> Option<&Timeline<Told<StreamDetermined>>> {
        self.kept.streams.get(stream)
    }

    /// The determination of a stream in force at an instant; before the first one, the first
    /// (waste is determined when it arises; a determination told later still is the only one).
    pub fn determination(
        &self,
        stream: &Label,
        at_ms: i64,
    ) -> Option<&Moment<Told<StreamDetermined>>> {
        let versions = self.kept.streams.get(stream)?;
        versions.iter().rfind(|m| m.time_ms <= at_ms).or_else(|| versions.iter().next())
    }

    /// All containers that anything was told of, by label. For those of a time there is
    /// [`Waste::since`] or [`SiteWaste::containers`].
    pub fn containers(&self) -> impl DoubleEndedIterator<Item = Container<'_>> {
        self.kept.containers.iter().map(|(id, facts)| Container::new(self, id, facts))
    }

    /// The containers, of every site, whose stay had not ended before an instant, by label: all that
    /// stand then are among them, and those of which something is told later.
    pub fn since(&self, at_ms: i64) -> impl Iterator<Item = Container<'_>> {
        let found = self.index.everywhere().flat_map(|held| held.stays.between(at_ms, i64::MAX));
        self.handles(found.collect())
    }

    /// The containers of a site whose stay has a day between those of two instants, by label.
    pub(crate) fn between(
        &self,
        site: &Label,
        from_ms: i64,
        to_ms: i64,
    ) -> impl Iterator<Item = Container<'_>> {
        let held = self.index.site(Some(site));
        self.handles(held.map_or_else(Vec::new, |held| held.stays.between(from_ms, to_ms)))
    }

    fn handles<'a>(&'a self, mut found: Vec<&'a Label>) -> impl Iterator<Item = Container<'a>> {
        found.sort_unstable();
        found.into_iter().filter_map(|id| self.container(id))
    }

    /// One container.
    pub fn container(&self, id: &Label) -> Option<Container<'_>> {
        let told = self.kept.containers.get_key_value(id);
        told.map(|(id, facts)| Container::new(self, id, facts))
    }

    /// All shipments.
    pub fn shipments(&self) -> impl DoubleEndedIterator<Item = Shipment<'_>> {
        self.kept.shipments.iter().map(|(id, facts)| Shipment::new(self, id, facts))
    }

    /// One shipment.
    pub fn shipment(&self, id: &Label) -> Option<Shipment<'_>> {
        let told = self.kept.shipments.get_key_value(id);
        told.map(|(id, facts)| Shipment::new(self, id, facts))
    }

    /// Inspections of the areas of a site, oldest first.
    pub fn inspections(
        &self,
        site: &Label,
    ) -> impl Iterator<Item = (&Label, &Timeline<Told<AreaInspected>>)> {
        let areas = self.kept.areas.get(site).into_iter().flat_map(Keyed::iter);
        areas.map(|(area, told)| (area, &**told))
    }

    /// Inspections of one area, oldest first.
    pub(crate) fn inspections_of(
        &self,
        site: &Label,
        area: &Label,
    ) -> Option<&Timeline<Told<AreaInspected>>> {
        Some(self.kept.areas.get(site)?.get(area)?)
    }

    /// Containers that stand in an area of a site at an instant, as last told.
    pub fn standing(&self, site: &Label, area: &Label, at_ms: i64) -> impl Iterator<Item = &Label> {
        let there = self.between(site, at_ms, at_ms);
        there.filter(move |c| c.stands_in(site, area, at_ms)).map(|c| c.id)
    }

    /// Shipments that a document goes with, with the entries that say so.
    pub(crate) fn document_offers(
        &self,
        document: &ShipmentDocument,
    ) -> impl Iterator<Item = (&Label, u64)> {
        let offers = self.index.documents.get(&document_key(document));
        offers.into_iter().flat_map(|t| t.iter()).map(|m| (&m.value, m.seq))
    }

    /// Earlier contents of an entry that was corrected or voided, oldest first.
    pub fn superseded(&self, seq: u64) -> &[Event] {
        self.kept.superseded.get(&seq).map_or(&[], |s| s.contents.as_slice())
    }

    /// The same with site and time of the work; `None` when the entry was never amended.
    pub fn superseded_of(&self, seq: u64) -> Option<&Superseded> {
        self.kept.superseded.get(&seq)
    }

    /// The shipments a container was offered on, oldest offer first.
    pub fn offers_of(&self, container: &Label) -> impl Iterator<Item = &Moment<Label>> {
        self.index.offers.get(container).into_iter().flat_map(|t| t.iter())
    }

    /// Entries told of a site's waste that were corrected or voided, by the time of the work: those
    /// between two instants, both included.
    pub fn superseded_between(
        &self,
        site: &Label,
        from_ms: i64,
        to_ms: i64,
    ) -> impl Iterator<Item = u64> {
        let held = self.index.site(Some(site)).filter(|_| from_ms <= to_ms).into_iter();
        let places = held.flat_map(move |held| {
            held.superseded.range(|(ms, _)| *ms < from_ms, |(ms, _)| *ms <= to_ms)
        });
        places.map(|(_, seq)| *seq)
    }

    /// What was put into containers at a site between two instants, both included, with the
    /// container, in order of work.
    pub(crate) fn generated(
        &self,
        site: &Label,
        from_ms: i64,
        to_ms: i64,
    ) -> impl Iterator<Item = (&Label, &Moment<Told<Addition>>)> {
        self.index.arose(site, from_ms, to_ms).flat_map(|((ms, seq), container)| {
            let facts = self.kept.containers.get_key_value(container).into_iter();
            facts.flat_map(move |(id, facts)| {
                facts.additions.of_entry(ms, seq).iter().map(move |moment| (id, moment))
            })
        })
    }

    /// When waste first and last arose at a site, ms since 1970 UTC.
    pub(crate) fn generated_between(&self, site: &Label) -> Option<(i64, i64)> {
        let mut arose = self.index.arose(site, i64::MIN, i64::MAX);
        let ((first, _), _) = arose.next()?;
        Some((first, arose.next_back().map_or(first, |((last, _), _)| last)))
    }

    /// The entry that told the same waste before: the same bag or part, or the entry that
    /// `addition` cites, when that one had already put mass into a container.
    pub(crate) fn told_before(
        &self,
        time_ms: i64,
        seq: u64,
        addition: &Addition,
    ) -> Option<(u64, &Label)> {
        self.same_item(time_ms, seq, addition).or_else(|| self.cited(seq, addition))
    }

    /// The same for an addition that is in the fold: one that no other telling is like needs no
    /// search.
    pub(crate) fn repeats(
        &self,
        time_ms: i64,
        seq: u64,
        addition: &Addition,
    ) -> Option<(u64, &Label)> {
        let same = addition.item.as_ref().filter(|item| self.index.told_twice(item));
        same.and_then(|_| self.same_item(time_ms, seq, addition))
            .or_else(|| self.cited(seq, addition))
    }

    fn same_item(&self, time_ms: i64, seq: u64, addition: &Addition) -> Option<(u64, &Label)> {
        let (first, container) = self.index.first_told(addition.item.as_ref()?)?;
        (first < (time_ms, seq)).then_some((first.1, container))
    }

    fn cited(&self, seq: u64, addition: &Addition) -> Option<(u64, &Label)> {
        let cited = addition.cites.filter(|cited| *cited != seq)?;
        self.index.filled_by(cited).map(|container| (cited, container))
    }
}

fn document_key(document: &ShipmentDocument) -> String {
    format!("{}/{}", document.kind, document.number.as_str())
}

fn told<T>(fact: &Fact, what: T) -> Told<T> {
    Told { site: fact.site.clone(), by: fact.performer.person().cloned(), fact: what }
}

/// Takes what was told at a place in the order of work (ms, entry) out; whether something is left.
fn left_without<T>(told: &mut Timeline<T>, at: (i64, u64)) -> bool {
    told.remove(at.0, at.1);
    !told.is_empty()
}
