//! Waste: streams, containers, custody, shipments, clocks.
//!
//! The fold keeps what was told, sorted by the time of the work, and a few indexes; everything
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
pub mod view;

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::catalogue::Event;
use crate::common::Day;
use crate::fact::Fact;
use crate::ids::Label;
use crate::timeline::{Moment, Timeline};
use events::{AreaInspected, ShipmentDocument, StreamDetermined};
use facts::{Addition, ContainerFact, Effect, ShipmentFact, Told, effects};

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

/// Waste that arose: what was put where.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Generated {
    /// The container.
    pub(crate) container: Label,
    /// What went in.
    pub(crate) addition: Addition,
}

/// The fold of this subject.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Waste {
    streams: BTreeMap<Label, Timeline<Told<StreamDetermined>>>,
    containers: BTreeMap<Label, ContainerFacts>,
    shipments: BTreeMap<Label, Timeline<Told<ShipmentFact>>>,
    /// Inspections by site, then area.
    areas: BTreeMap<Label, BTreeMap<Label, Timeline<Told<AreaInspected>>>>,
    /// Index: the containers a thing that can go in only once went into.
    items: BTreeMap<String, Timeline<Label>>,
    /// Index: those of them that were told more than once. Next to none, so that honest waste costs
    /// no search.
    told_twice: BTreeSet<String>,
    /// Index: the shipments a container was offered on.
    offers: BTreeMap<Label, Timeline<Label>>,
    /// What was put into containers, by site and UTC day.
    generated: BTreeMap<Label, BTreeMap<Day, Timeline<Generated>>>,
    /// Index: the shipments a document number goes with.
    documents: BTreeMap<String, Timeline<Label>>,
    /// Index: containers that an entry put mass into.
    filled_by: BTreeMap<u64, Vec<Label>>,
    /// What entries said before they were corrected or voided.
    superseded: BTreeMap<u64, Superseded>,
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
            let earlier = self.superseded.entry(fact.seq).or_insert_with(|| Superseded {
                site: fact.site.clone(),
                time_ms: fact.time.ms(),
                contents: Vec::new(),
            });
            earlier.contents.push(fact.event.clone());
        }
        for effect in effects {
            self.take(fact, effect);
        }
    }

    fn put(&mut self, fact: &Fact, effect: Effect) {
        let (ms, seq) = (fact.time.ms(), fact.seq);
        match effect {
            Effect::Stream(stream, e) => {
                self.streams.entry(stream).or_default().insert(ms, seq, told(fact, e));
            }
            Effect::Container(id, e) => {
                self.containers.entry(id).or_default().life.insert(ms, seq, told(fact, e));
            }
            Effect::Added(id, addition) => {
                if let Some(item) = &addition.item {
                    let told = self.items.entry(item.clone()).or_default();
                    told.insert(ms, seq, id.clone());
                    if told.len() > 1 {
                        self.told_twice.insert(item.clone());
                    }
                }
                if let (Some(site), Some(day)) = (&fact.site, utc_day(ms)) {
                    let days = self.generated.entry(site.clone()).or_default();
                    let generated = Generated { container: id.clone(), addition: addition.clone() };
                    days.entry(day).or_default().insert(ms, seq, generated);
                }
                self.filled_by.entry(seq).or_default().push(id.clone());
                let facts = self.containers.entry(id).or_default();
                facts.additions.insert(ms, seq, told(fact, addition));
            }
            Effect::Shipment(id, e) => {
                if let ShipmentFact::Offered(offered) = &e {
                    let document = self.documents.entry(document_key(&offered.document));
                    document.or_default().insert(ms, seq, id.clone());
                    for container in &offered.containers {
                        let offers = self.offers.entry(container.clone()).or_default();
                        offers.insert(ms, seq, id.clone());
                    }
                }
                self.shipments.entry(id).or_default().insert(ms, seq, told(fact, e));
            }
            Effect::Inspected(area, e) => {
                if let Some(site) = &fact.site {
                    let areas = self.areas.entry(site.clone()).or_default();
                    areas.entry(area).or_default().insert(ms, seq, told(fact, e));
                }
            }
        }
    }

    fn take(&mut self, fact: &Fact, effect: Effect) {
        let at = (fact.time.ms(), fact.seq);
        match effect {
            Effect::Stream(stream, _) => remove(&mut self.streams, &stream, at),
            Effect::Container(id, _) => {
                if let Some(facts) = self.containers.get_mut(&id) {
                    facts.life.remove(at.0, at.1);
                    self.forget_empty(&id);
                }
            }
            Effect::Added(id, addition) => {
                if let Some(item) = &addition.item {
                    remove(&mut self.items, item, at);
                    if self.items.get(item).is_none_or(|told| told.len() < 2) {
                        self.told_twice.remove(item);
                    }
                }
                if let (Some(site), Some(day)) = (&fact.site, utc_day(fact.time.ms()))
                    && let Some(days) = self.generated.get_mut(site)
                {
                    remove(days, &day, at);
                    if days.is_empty() {
                        self.generated.remove(site);
                    }
                }
                self.filled_by.remove(&fact.seq);
                if let Some(facts) = self.containers.get_mut(&id) {
                    facts.additions.remove(at.0, at.1);
                    self.forget_empty(&id);
                }
            }
            Effect::Shipment(id, e) => {
                if let ShipmentFact::Offered(offered) = &e {
                    remove(&mut self.documents, &document_key(&offered.document), at);
                    for container in &offered.containers {
                        remove(&mut self.offers, container, at);
                    }
                }
                remove(&mut self.shipments, &id, at);
            }
            Effect::Inspected(area, _) => {
                if let Some(site) = &fact.site
                    && let Some(areas) = self.areas.get_mut(site)
                {
                    remove(areas, &area, at);
                    if areas.is_empty() {
                        self.areas.remove(site);
                    }
                }
            }
        }
    }

    /// A container of which nothing is left told was never there.
    fn forget_empty(&mut self, id: &Label) {
        let empty = |f: &ContainerFacts| f.life.is_empty() && f.additions.is_empty();
        if self.containers.get(id).is_some_and(empty) {
            self.containers.remove(id);
        }
    }

    /// Streams with their determinations, oldest first.
    pub fn streams(&self) -> impl Iterator<Item = (&Label, &Timeline<Told<StreamDetermined>>)> {
        self.streams.iter()
    }

    /// The determinations of one stream, oldest first.
    pub fn stream(&self, stream: &Label) -> Option<&Timeline<Told<StreamDetermined>>> {
        self.streams.get(stream)
    }

    /// The determination of a stream in force at an instant; before the first one, the first
    /// (waste is determined when it arises; a determination told later still is the only one).
    pub fn determination(
        &self,
        stream: &Label,
        at_ms: i64,
    ) -> Option<&Moment<Told<StreamDetermined>>> {
        let versions = self.streams.get(stream)?;
        versions.iter().rfind(|m| m.time_ms <= at_ms).or_else(|| versions.iter().next())
    }

    /// All containers that anything was told of.
    pub fn containers(&self) -> impl Iterator<Item = Container<'_>> {
        self.containers.iter().map(|(id, facts)| Container::new(self, id, facts))
    }

    /// The containers of one site.
    pub(crate) fn of_site(&self, site: &Label) -> Vec<Container<'_>> {
        self.containers().filter(|c| c.site() == Some(site)).collect()
    }

    /// One container.
    pub fn container(&self, id: &Label) -> Option<Container<'_>> {
        self.containers.get_key_value(id).map(|(id, facts)| Container::new(self, id, facts))
    }

    /// All shipments.
    pub fn shipments(&self) -> impl Iterator<Item = Shipment<'_>> {
        self.shipments.iter().map(|(id, facts)| Shipment::new(self, id, facts))
    }

    /// One shipment.
    pub fn shipment(&self, id: &Label) -> Option<Shipment<'_>> {
        self.shipments.get_key_value(id).map(|(id, facts)| Shipment::new(self, id, facts))
    }

    /// Inspections of the areas of a site, oldest first.
    pub fn inspections(
        &self,
        site: &Label,
    ) -> impl Iterator<Item = (&Label, &Timeline<Told<AreaInspected>>)> {
        self.areas.get(site).into_iter().flatten()
    }

    /// Inspections of one area, oldest first.
    pub(crate) fn inspections_of(
        &self,
        site: &Label,
        area: &Label,
    ) -> Option<&Timeline<Told<AreaInspected>>> {
        self.areas.get(site)?.get(area)
    }

    /// Containers that stand in an area of a site at an instant, as last told.
    pub fn standing(&self, site: &Label, area: &Label, at_ms: i64) -> impl Iterator<Item = &Label> {
        self.containers().filter(move |c| c.stands_in(site, area, at_ms)).map(|c| c.id)
    }

    /// Shipments that a document goes with, with the entries that say so.
    pub(crate) fn document_offers(
        &self,
        document: &ShipmentDocument,
    ) -> impl Iterator<Item = (&Label, u64)> {
        let offers = self.documents.get(&document_key(document));
        offers.into_iter().flat_map(|t| t.iter()).map(|m| (&m.value, m.seq))
    }

    /// Earlier contents of an entry that was corrected or voided, oldest first.
    pub fn superseded(&self, seq: u64) -> &[Event] {
        self.superseded.get(&seq).map_or(&[], |s| s.contents.as_slice())
    }

    /// The same with site and time of the work; `None` when the entry was never amended.
    pub fn superseded_of(&self, seq: u64) -> Option<&Superseded> {
        self.superseded.get(&seq)
    }

    /// The shipments a container was offered on, oldest offer first.
    pub fn offers_of(&self, container: &Label) -> impl Iterator<Item = &Moment<Label>> {
        self.offers.get(container).into_iter().flat_map(|t| t.iter())
    }

    /// What was put into containers of a site between two UTC days, both included.
    pub(crate) fn generated(
        &self,
        site: &Label,
        from: Day,
        to: Day,
    ) -> impl Iterator<Item = &Moment<Generated>> {
        let days = self.generated.get(site).into_iter();
        days.flat_map(move |days| days.range(from..=to)).flat_map(|(_, t)| t.iter())
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
        let again = |item: &String| !self.told_twice.is_empty() && self.told_twice.contains(item);
        let same = addition.item.as_ref().filter(|item| again(item));
        same.and_then(|_| self.same_item(time_ms, seq, addition))
            .or_else(|| self.cited(seq, addition))
    }

    fn same_item(&self, time_ms: i64, seq: u64, addition: &Addition) -> Option<(u64, &Label)> {
        let first = self.items.get(addition.item.as_ref()?)?.iter().next()?;
        let earlier = (first.time_ms, first.seq) < (time_ms, seq);
        earlier.then_some((first.seq, &first.value))
    }

    fn cited(&self, seq: u64, addition: &Addition) -> Option<(u64, &Label)> {
        let cited = addition.cites.filter(|cited| *cited != seq)?;
        self.filled_by.get(&cited)?.first().map(|container| (cited, container))
    }
}

fn document_key(document: &ShipmentDocument) -> String {
    format!("{}/{}", document.kind, document.number.as_str())
}

fn told<T>(fact: &Fact, what: T) -> Told<T> {
    Told { site: fact.site.clone(), by: fact.performer.person().cloned(), fact: what }
}

/// Takes what was told at a place in the order of work (ms, entry) out of one timeline, and the timeline too once it is empty.
fn remove<K: Ord, T>(map: &mut BTreeMap<K, Timeline<T>>, key: &K, at: (i64, u64)) {
    if let Some(timeline) = map.get_mut(key) {
        timeline.remove(at.0, at.1);
        if timeline.is_empty() {
            map.remove(key);
        }
    }
}

/// The UTC day of an instant; `None` outside the calendar.
pub(crate) fn utc_day(ms: i64) -> Option<Day> {
    let at = jiff::Timestamp::from_millisecond(ms).ok()?;
    Some(Day(at.to_zoned_datetime(jiff::tz::TimeZone::UTC).date()))
}
