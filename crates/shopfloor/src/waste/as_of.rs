//! Containers and shipments as the record told of them at an earlier number of entries.

use std::collections::BTreeSet;

use super::facts::{Addition, Effect, ShipmentFact, effects};
use super::{ContainerFacts, Kept, Waste};
use crate::fact::Fact;
use crate::ids::Label;
use crate::pieces::Page;
use crate::state::State;
use crate::timeline::{Moment, Timeline};

impl State {
    /// A container, alone, as the record told of it when the log held `known` entries: later entries
    /// are left out, and of entries that were corrected or voided later stands what stood then. The
    /// answer knows the settings, the streams, the shipments the container went on and the signatures
    /// of then, so that [`super::view::container`] can be asked of it; other containers are missing.
    ///
    /// The work is that of the container's own facts and of all corrections, however long the log is.
    pub fn container_as_of(&self, id: &Label, known: u64) -> State {
        self.waste_as_of(&BTreeSet::from([id.clone()]), BTreeSet::new(), known)
    }

    /// A shipment with its containers, alone, as the record told of them when the log held `known`
    /// entries; as [`State::container_as_of`], for [`super::view::shipment`].
    pub fn shipment_as_of(&self, id: &Label, known: u64) -> State {
        let mut containers = BTreeSet::new();
        let told = self.waste.kept.shipments.get(id).into_iter().flat_map(|told| told.iter());
        for fact in told.map(|moment| &moment.value.fact) {
            offered(fact, &mut containers);
        }
        for fact in self.amended_then(known) {
            for effect in effects(&fact) {
                if let Effect::Shipment(shipment, fact) = &effect
                    && shipment == id
                {
                    offered(fact, &mut containers);
                }
            }
        }
        self.waste_as_of(&containers, BTreeSet::from([id.clone()]), known)
    }

    /// Entries that were amended since they were recorded, as they counted then.
    fn amended_then(&self, known: u64) -> Vec<Fact> {
        let amended = self.record.amended().map(|(seq, _)| seq).take_while(|seq| *seq < known);
        amended.filter_map(|seq| self.record.amended_as_of(seq, known)).collect()
    }

    fn waste_as_of(
        &self,
        containers: &BTreeSet<Label>,
        mut shipments: BTreeSet<Label>,
        known: u64,
    ) -> State {
        let stands = |seq: u64| seq < known && self.record.amendments(seq).is_empty();
        let amended: Vec<(Fact, Effect)> = self
            .amended_then(known)
            .into_iter()
            .flat_map(|fact| effects(&fact).into_iter().map(move |e| (fact.clone(), e)))
            .collect();
        for container in containers {
            shipments.extend(self.waste.offers_of(container).map(|offer| offer.value.clone()));
        }
        for (_, effect) in &amended {
            if let Effect::Shipment(shipment, fact) = effect {
                let mut on_it = BTreeSet::new();
                offered(fact, &mut on_it);
                if !on_it.is_disjoint(containers) {
                    shipments.insert(shipment.clone());
                }
            }
        }
        let mut then = self.waste.standing_then(containers, &shipments, &stands);
        // Additions are compared with those that tell of the same thing or cite the same entry,
        // whichever container they name.
        let of_these = amended.iter().filter_map(|(_, effect)| match effect {
            Effect::Added(id, addition) if containers.contains(id) => Some(addition),
            _ => None,
        });
        let standing = then.kept.containers.values().flat_map(|facts| facts.additions.iter());
        let compared: Vec<&Addition> =
            standing.map(|moment| &moment.value.fact).chain(of_these).collect();
        let items: BTreeSet<String> = compared.iter().filter_map(|a| a.item.clone()).collect();
        let cites: BTreeSet<u64> = compared.iter().filter_map(|a| a.cites).collect();
        then.index.compare_with(&self.waste.index, &items, &cites, &stands);
        for (fact, effect) in amended {
            let wanted = match &effect {
                Effect::Stream(..) => true,
                Effect::Container(id, _) => containers.contains(id),
                Effect::Added(id, addition) => {
                    let same = addition.item.as_ref().is_some_and(|item| items.contains(item));
                    containers.contains(id) || same || cites.contains(&fact.seq)
                }
                Effect::Shipment(id, _) => shipments.contains(id),
                Effect::Inspected(..) => false,
            };
            if wanted {
                then.put(&fact, effect);
            }
        }
        let entries = then.entries_told();
        let record = self.record.of_entries_as_of(&entries, known);
        State { as_of: known, record, waste: then, ..State::default() }
    }
}

/// Containers that an offer names.
fn offered(fact: &ShipmentFact, containers: &mut BTreeSet<Label>) {
    if let ShipmentFact::Offered(offer) = fact {
        containers.extend(offer.containers.iter().cloned());
    }
}

fn kept<T: Clone>(from: &Timeline<T>, stands: &impl Fn(u64) -> bool) -> Option<Timeline<T>> {
    let kept = from.filtered(|moment: &Moment<T>| stands(moment.seq));
    (!kept.is_empty()).then_some(kept)
}

impl Waste {
    /// What stands of these containers and shipments, and of every stream.
    fn standing_then(
        &self,
        containers: &BTreeSet<Label>,
        shipments: &BTreeSet<Label>,
        stands: &impl Fn(u64) -> bool,
    ) -> Waste {
        let mut then = Kept::default();
        for (stream, told) in self.kept.streams.iter() {
            if let Some(told) = kept(told, stands) {
                then.streams.insert(stream, told);
            }
        }
        let all = &self.kept;
        for (id, facts) in containers.iter().filter_map(|id| all.containers.get_key_value(id)) {
            let life = kept(&facts.life, stands).unwrap_or_default();
            let additions = kept(&facts.additions, stands).unwrap_or_default();
            if !life.is_empty() || !additions.is_empty() {
                then.containers.insert(id, Page::new(ContainerFacts { life, additions }));
            }
        }
        for (id, told) in shipments.iter().filter_map(|id| all.shipments.get_key_value(id)) {
            if let Some(told) = kept(told, stands) {
                then.shipments.insert(id, Page::new(told));
            }
        }
        then.into()
    }

    /// Entries that tell something of the containers and shipments in here.
    fn entries_told(&self) -> BTreeSet<u64> {
        let told = self.kept.shipments.values().flat_map(|told| told.iter()).map(|told| told.seq);
        let containers = self.containers().flat_map(|container| container.entries());
        told.chain(containers).collect()
    }
}
