//! What is kept apart: incompatible wastes do not go into one container, and containers of them do
//! not stand side by side (40 CFR 264.177 and 265.177; for generators 262.15(a)(3), 262.16(b)(2)(v),
//! 262.17(a)(1)(vii), these from memory).
//!
//! A person assigns the groups of a stream, or of one thing that goes in. The pairs are data
//! (`law/tables/incompatible.tsv`) with source and confidence for each. They are examples: that no
//! pair is found does not mean that two wastes go together.
//!
//! Not seen here: an unwashed container that held something else before (40 CFR 264.177(b)), as each
//! label stands for one filling.

use std::collections::BTreeSet;
use std::rc::Rc;
use std::sync::OnceLock;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::container::Container;
use super::events::ReactivityGroup;
use super::law::tables;
use super::{SiteWaste, Waste};
use crate::State;
use crate::finding::Confidence;
use crate::forms::words;
use crate::ids::Label;

words! {
    /// What may happen when two wastes meet.
    pub enum Danger {
        /// Heat; violent reaction.
        HeatOrViolentReaction = "heat_or_violent_reaction",
        /// Fire or explosion; hydrogen, which burns.
        FireExplosionOrHydrogen = "fire_explosion_or_hydrogen",
        /// Fire, explosion or heat; flammable or toxic gases.
        FireExplosionHeatOrGases = "fire_explosion_heat_or_gases",
        /// Fire, explosion or violent reaction.
        FireExplosionOrViolentReaction = "fire_explosion_or_violent_reaction",
        /// Toxic hydrogen cyanide or hydrogen sulfide.
        ToxicGas = "toxic_gas",
    }
}

/// Two groups that are kept apart.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
pub struct Pair {
    /// One group.
    pub a: ReactivityGroup,
    /// The other.
    pub b: ReactivityGroup,
    /// What may happen when they meet.
    pub danger: Danger,
    /// Section: the list and its groups.
    pub section: String,
    /// How sure it is.
    pub confidence: Confidence,
    /// Where it was seen.
    pub source: String,
    /// Conventions and open points.
    #[serde(skip_serializing_if = "String::is_empty", default)]
    pub note: String,
}

/// Every pair, as the table has them.
pub fn pairs() -> &'static [Pair] {
    static PAIRS: OnceLock<Vec<Pair>> = OnceLock::new();
    // The table is part of the program and a test reads every row.
    PAIRS.get_or_init(|| {
        tables::incompatible().rows().map(|r| read(&r).expect("a built-in row")).collect()
    })
}

fn read(row: &tables::Row<'_>) -> Option<Pair> {
    let group =
        |column| ReactivityGroup::ALL.iter().copied().find(|g| g.as_str() == row.get(column));
    let danger = Danger::ALL.iter().copied().find(|d| d.as_str() == row.get("consequence"))?;
    let source = row.get("source");
    Some(Pair {
        a: group("a")?,
        b: group("b")?,
        danger,
        section: format!("40 CFR 264 Appendix V, groups {}", row.get("groups")),
        confidence: match row.get("confidence") {
            "seen" => Confidence::Seen,
            "2nd" => Confidence::Secondary,
            "mem" => Confidence::Memory,
            _ => return None,
        },
        source: tables::source(source).unwrap_or_else(|| source.to_owned()),
        note: row.get("note").to_owned(),
    })
}

/// The pairs that keep two wastes apart; empty: none that the table knows.
pub fn between(a: &[ReactivityGroup], b: &[ReactivityGroup]) -> Vec<&'static Pair> {
    let meets = |p: &&Pair| {
        (a.contains(&p.a) && b.contains(&p.b)) || (a.contains(&p.b) && b.contains(&p.a))
    };
    pairs().iter().filter(meets).collect()
}

/// The groups that the table keeps apart from any of these, each once.
pub fn kept_from(groups: &[ReactivityGroup]) -> Vec<ReactivityGroup> {
    let others: BTreeSet<ReactivityGroup> = pairs()
        .iter()
        .flat_map(|p| [(p.a, p.b), (p.b, p.a)])
        .filter(|(own, _)| groups.contains(own))
        .map(|(_, other)| other)
        .collect();
    others.into_iter().collect()
}

/// A container beside which another must not stand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Beside {
    /// It.
    pub container: Label,
    /// Entry that tells where it stands.
    pub entry: u64,
    /// Why.
    pub pairs: Vec<&'static Pair>,
}

/// The containers that one container should not stand beside where it stands, with nothing between
/// them, as last told.
pub fn found_beside(state: &State, id: &Label, at: Timestamp) -> Vec<Beside> {
    let (waste, at_ms) = (&state.waste, at.as_millisecond());
    let standing = waste.container(id).filter(|c| c.stands(at_ms));
    let Some(container) = standing.filter(|c| c.separation(at_ms).is_none()) else {
        return Vec::new();
    };
    let (Some(site), Some(area)) = (container.site(), container.area(at_ms)) else {
        return Vec::new();
    };
    let groups = container.stream().map_or(&[][..], |s| of_stream(waste, s, at_ms));
    beside(waste, site, &area.location, id, groups, at_ms)
}

/// The groups of a stream at an instant, as a person determined.
pub(super) fn of_stream<'a>(waste: &'a Waste, stream: &Label, at_ms: i64) -> &'a [ReactivityGroup] {
    waste.determination(stream, at_ms).map_or(&[], |m| &m.value.fact.reactivity)
}

/// The containers in an area of a site that waste of these groups may not stand beside, unless
/// something separates them. The container itself is left out.
pub(super) fn beside(
    waste: &Waste,
    site: &Label,
    area: &Label,
    own: &Label,
    groups: &[ReactivityGroup],
    at_ms: i64,
) -> Vec<Beside> {
    // Streams are few: no container is looked at unless one conflicts, and then those that stand.
    let conflicts: Vec<(&Label, Vec<&'static Pair>)> = waste
        .streams()
        .map(|(stream, _)| (stream, between(groups, of_stream(waste, stream, at_ms))))
        .filter(|(_, pairs)| !pairs.is_empty())
        .collect();
    if conflicts.is_empty() {
        return Vec::new();
    }
    let of = |c: &Container<'_>| {
        let stream = c.stream()?;
        conflicts.iter().find(|(other, _)| *other == stream).map(|(_, pairs)| pairs.clone())
    };
    waste
        .between(site, at_ms, at_ms)
        .filter(|c| c.id != own)
        .filter_map(|c| of(&c).map(|pairs| (c, pairs)))
        .filter(|(c, _)| c.stands_in(site, area, at_ms) && c.separation(at_ms).is_none())
        .filter_map(|(c, pairs)| {
            let entry = c.placed(at_ms)?;
            Some(Beside { container: c.id.clone(), entry, pairs })
        })
        .collect()
}

/// The groups of what a container holds at an instant: its stream's, and those that were told of
/// single things in it, each with the entry that tells it.
pub(super) fn inside(
    waste: &Waste,
    container: &Container<'_>,
    at_ms: i64,
) -> Vec<(ReactivityGroup, u64)> {
    let determined = container.stream().and_then(|s| waste.determination(s, at_ms));
    let of_stream = determined
        .into_iter()
        .flat_map(|m| m.value.fact.reactivity.iter().map(|group| (*group, m.seq)));
    let of_things = container
        .additions()
        .filter(|a| a.moment.time_ms <= at_ms)
        .flat_map(|a| a.moment.value.fact.reactivity.iter().map(|g| (*g, a.moment.seq)));
    of_stream.chain(of_things).collect()
}

/// Two streams of a site that are kept apart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct StreamPair {
    /// One stream.
    pub a: Label,
    /// The other.
    pub b: Label,
    /// Why.
    pub pairs: Vec<Pair>,
    /// Containers of the two that stand in one area with nothing between them, as last told.
    pub standing: Vec<Label>,
    /// Entries it rests on, ascending: the determinations and what tells where the containers stand.
    pub entries: Vec<u64>,
}

/// The streams of a site's containers that are kept apart, as of an instant.
pub(super) fn streams(site: &SiteWaste<'_>, at_ms: i64) -> Vec<StreamPair> {
    let waste = &site.state.waste;
    let in_use: Vec<&Label> = site.streams_left().map(|(stream, _)| stream).collect();
    let here = site.between(at_ms, at_ms);
    let mut found = Vec::new();
    for (i, a) in in_use.iter().copied().enumerate() {
        for b in in_use[i + 1..].iter().copied() {
            let pairs = between(of_stream(waste, a, at_ms), of_stream(waste, b, at_ms));
            if !pairs.is_empty() {
                found.push(stream_pair(site, &here, [a, b], &pairs, at_ms));
            }
        }
    }
    found
}

fn stream_pair(
    site: &SiteWaste<'_>,
    here: &[Rc<Container<'_>>],
    [a, b]: [&Label; 2],
    pairs: &[&Pair],
    at_ms: i64,
) -> StreamPair {
    let stands = |stream: &Label| -> Vec<&Container<'_>> {
        let open = |c: &&Container<'_>| c.stands(at_ms) && c.separation(at_ms).is_none();
        let of_stream = here.iter().map(Rc::as_ref).filter(|c| c.stream() == Some(stream));
        of_stream.filter(open).collect()
    };
    let area = |c: &Container<'_>| c.area(at_ms).map(|area| area.location);
    let (of_a, of_b) = (stands(a), stands(b));
    let meets = |c: &Container<'_>, others: &[&Container<'_>]| {
        others.iter().any(|other| area(other).is_some() && area(other) == area(c))
    };
    let standing: Vec<&Container<'_>> = (of_a.iter().filter(|c| meets(c, &of_b)))
        .chain(of_b.iter().filter(|c| meets(c, &of_a)))
        .copied()
        .collect();
    let determined = |stream| site.state.waste.determination(stream, at_ms).map(|m| m.seq);
    let mut entries: Vec<u64> = (standing.iter().filter_map(|c| c.placed(at_ms)))
        .chain([a, b].into_iter().filter_map(determined))
        .collect();
    entries.sort_unstable();
    entries.dedup();
    StreamPair {
        a: a.clone(),
        b: b.clone(),
        pairs: pairs.iter().map(|p| (*p).clone()).collect(),
        standing: standing.into_iter().map(|c| c.id.clone()).collect(),
        entries,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_reads_and_no_pair_stands_twice() {
        let mut seen = BTreeSet::new();
        for row in tables::incompatible().rows() {
            let pair = read(&row).unwrap_or_else(|| panic!("{} {}", row.get("a"), row.get("b")));
            assert!(seen.insert((pair.a.min(pair.b), pair.a.max(pair.b))), "{pair:?} twice");
            assert!(!pair.source.is_empty(), "{pair:?}");
        }
        let told: BTreeSet<_> = pairs().iter().flat_map(|p| [p.a, p.b]).collect();
        assert_eq!(told.len(), ReactivityGroup::ALL.len(), "a group nothing is kept apart from");
    }
}
