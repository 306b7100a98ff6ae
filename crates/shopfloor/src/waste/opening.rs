//! What stands of waste at the end of a log: streams, containers on site and under way, shipments
//! whose papers are not complete.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::container::{Container, ContainerState};
use super::events::WasteAdded;
use super::facts::{Addition, ShipmentFact};
use super::{Shipment, Waste};
use crate::ids::Label;
use crate::opening::{Again, Summary, Wanted, want};
use crate::quantity::Mass;

/// One thing that lies in a container that stands.
pub(crate) struct Content {
    /// Entry that put it in.
    pub(crate) entry: u64,
    pub(crate) container: Label,
    pub(crate) added: WasteAdded,
}

impl Waste {
    /// Shipments of which something is not certified yet. Looks at all of the log: asked once, when it
    /// is closed.
    fn open_shipments(&self, at: Timestamp) -> Vec<Shipment<'_>> {
        let open = |shipment: &Shipment<'_>| {
            let mut offered = shipment.offers().flat_map(|(_, offer)| &offer.containers);
            offered.any(|id| {
                let container = self.container(id);
                container.is_none_or(|c| c.state(at).0 != ContainerState::Disposed)
            })
        };
        self.shipments().filter(open).collect()
    }

    /// Containers on site, and those of open shipments.
    pub(crate) fn standing_containers(&self, at: Timestamp) -> BTreeSet<Label> {
        let on_site = self
            .since(at.as_millisecond())
            .filter(|c| matches!(c.state(at).0, ContainerState::OnSite | ContainerState::Returned));
        let mut standing: BTreeSet<Label> = on_site.map(|c| c.id.clone()).collect();
        for shipment in self.open_shipments(at) {
            let offered = shipment.offers().flat_map(|(_, offer)| &offer.containers);
            standing.extend(offered.cloned());
        }
        standing
    }

    /// Entries that what stands rests on, what went into containers apart.
    pub(crate) fn stands(&self, at: Timestamp, wanted: &mut Wanted) {
        for m in self.kept.streams.values().flat_map(|versions| versions.iter()) {
            want(wanted, m.seq, Again::Event);
        }
        for id in self.standing_containers(at) {
            for m in self.container(&id).iter().flat_map(Container::life) {
                want(wanted, m.seq, Again::Event);
            }
        }
        for shipment in self.open_shipments(at) {
            let settled: BTreeSet<u64> = shipment.settlements().map(|(_, s)| s.entry).collect();
            for m in shipment.facts() {
                match &m.value.fact {
                    // It names an entry by number; what is settled needs no telling.
                    ShipmentFact::Settled(_) => {}
                    ShipmentFact::Discrepancy(_) if settled.contains(&m.seq) => {}
                    _ => want(wanted, m.seq, Again::Event),
                }
            }
        }
        for m in self.kept.areas.values().flat_map(|areas| areas.values()).filter_map(|t| t.last())
        {
            want(wanted, m.seq, Again::Event);
        }
    }

    /// What lies in the containers that stand, each thing once.
    pub(crate) fn contents(&self, at: Timestamp) -> Vec<Content> {
        let mut contents = Vec::new();
        for id in self.standing_containers(at) {
            let Some(container) = self.container(&id) else { continue };
            for added in container.additions().filter(|added| added.told_before.is_none()) {
                contents.push(Content {
                    entry: added.moment.seq,
                    container: id.clone(),
                    added: told(added.addition()),
                });
            }
        }
        contents
    }

    /// What stands, by name of the thing.
    pub(crate) fn stand_as(&self, at: Timestamp, summary: &mut Summary) {
        let at_ms = at.as_millisecond();
        for (stream, versions) in self.streams() {
            if let Some(last) = versions.last() {
                let told = &last.value.fact;
                let words = format!("{} under `{}`", told.determination, told.jurisdiction);
                summary.insert(format!("stream `{stream}`"), words);
            }
        }
        for id in self.standing_containers(at) {
            let Some(container) = self.container(&id) else { continue };
            let area = container.area(at_ms);
            let area = area.map_or_else(String::new, |a| format!(" in `{}`", a.location));
            let since = container.clock_start().map_or(0, |(ms, _)| ms);
            let closed = if container.closed(at_ms).is_some() { ", closed" } else { "" };
            let words = format!(
                "{}{area}{closed}, clock from {since} ms, {} things",
                container.state(at).0,
                container.additions().filter(|added| added.told_before.is_none()).count(),
            );
            summary.insert(format!("container `{id}`"), words);
            let net = container.content_kg(at_ms).0.normalize();
            summary.insert(format!("content of container `{id}`"), format!("{net} kg"));
        }
        for shipment in self.open_shipments(at) {
            let settled: BTreeSet<u64> = shipment.settlements().map(|(_, s)| s.entry).collect();
            let facts = shipment.facts().filter(|m| match &m.value.fact {
                ShipmentFact::Settled(_) => false,
                ShipmentFact::Discrepancy(_) => !settled.contains(&m.seq),
                _ => true,
            });
            summary
                .insert(format!("shipment `{}`", shipment.id), format!("{} steps", facts.count()));
        }
    }
}

/// As an event of its own, whatever put it in.
fn told(addition: &Addition) -> WasteAdded {
    let item = addition.item.as_deref().and_then(|item| item.split_once('/'));
    WasteAdded {
        from: None,
        entry: None,
        what: addition.what,
        mass: Mass::from_base(addition.mass_kg.0.normalize()),
        pieces: addition.pieces,
        item: item.and_then(|(_, id)| Label::new(id).ok()),
        scale: None,
        checks: Vec::new(),
        reactivity: addition.reactivity.clone(),
    }
}
