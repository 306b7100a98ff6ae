//! Age of powder, carried per mass (C5, job-map.md row 35): builds gone through and hours at bed
//! temperature, with the real masses of every blend.

use std::collections::BTreeMap;

use rust_decimal::Decimal;

use super::amount::{Kg, Share};
use super::archive::Archive;
use super::books::{Books, MoveId, Origin};
use super::kept::Deed;

/// Powder of this age or more is counted in one class.
pub(crate) const BUILDS_MAX: usize = 63;

/// Ages of the powder in one content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Ages {
    /// Share of the content that went through exactly `index` builds (the last: or more).
    pub(crate) by_builds: Vec<Share>,
    /// Share whose age nobody knows.
    pub(crate) unknown: Share,
    /// Mean number of builds of the known powder, 12 decimals.
    pub(crate) mean_builds: Decimal,
    /// Mean hours at bed temperature of the known powder, 12 decimals.
    pub(crate) mean_hours: Decimal,
}

/// Hours at bed temperature of a build.
fn hours_of(all: &Archive, finish: Option<usize>) -> Kg {
    match finish.map(|i| &all[i].deed) {
        // The fixed-point form serves hours as well: exact to 17 decimals.
        Some(Deed::BuildFinished(d)) => Kg::of_decimal(d.hours_at_temperature.base()),
        Some(_) | None => Kg::ZERO,
    }
}

/// Walks back from a content, keeping apart how many builds each part has gone through since.
pub(crate) fn of_content(books: &Books, all: &Archive, content: MoveId) -> Ages {
    let mut waiting = BTreeMap::from([(content, vec![Share::ONE])]);
    let mut ages = Ages {
        by_builds: Vec::new(),
        unknown: Share::ZERO,
        mean_builds: Decimal::ZERO,
        mean_hours: Decimal::ZERO,
    };
    let (mut builds, mut hours) = (Kg::ZERO, Kg::ZERO);
    let one_build = Kg::of_decimal(Decimal::ONE);
    while let Some((id, whole)) = waiting.pop_last() {
        let (link, moved) = (books.links()[id as usize], books.moves()[id as usize]);
        let mut portion: Vec<Share> = whole.iter().map(|w| link.inflow.of(*w)).collect();
        if let Some(before) = link.before() {
            let rest = whole.iter().zip(&portion).map(|(w, p)| w.minus(*p));
            add(waiting.entry(before).or_default(), rest);
        }
        let known = match link.origin() {
            Origin::Lot(_) => Share::ONE,
            Origin::Unknown => Share::ZERO,
            Origin::Content(origin) => books.mark(origin).known,
        };
        if moved.aged {
            let part: Share = portion.iter().fold(Share::ZERO, |a, b| a.plus(*b));
            let part = known.of(part);
            builds += one_build.times(part);
            hours += hours_of(all, moved.finish()).times(part);
            portion.insert(0, Share::ZERO);
            if let Some(over) = portion.get(BUILDS_MAX + 1).copied() {
                portion[BUILDS_MAX] = portion[BUILDS_MAX].plus(over);
                portion.truncate(BUILDS_MAX + 1);
            }
        }
        match link.origin() {
            Origin::Lot(_) => add(&mut ages.by_builds, portion.into_iter()),
            Origin::Unknown => ages.unknown = portion.iter().fold(ages.unknown, |a, b| a.plus(*b)),
            Origin::Content(origin) => {
                add(waiting.entry(origin).or_default(), portion.into_iter());
            }
        }
    }
    let known = ages.unknown.rest().decimal();
    if !known.is_zero() {
        ages.mean_builds = (builds.decimal() / known).round_dp(Share::DIGITS).normalize();
        ages.mean_hours = (hours.decimal() / known).round_dp(Share::DIGITS).normalize();
    }
    ages
}

fn add(sum: &mut Vec<Share>, parts: impl Iterator<Item = Share>) {
    for (i, part) in parts.enumerate() {
        match sum.get_mut(i) {
            Some(there) => *there = there.plus(part),
            None => sum.push(part),
        }
    }
}

impl Ages {
    /// Share of the content that went through at least `builds` builds.
    pub(crate) fn at_least(&self, builds: usize) -> Share {
        self.by_builds.iter().skip(builds).fold(Share::ZERO, |a, b| a.plus(*b))
    }

    /// Highest age of which more than 1 % of the content is at least: the tail never ends, so the
    /// highest age alone would mislead.
    pub(crate) fn highest_above_one_percent(&self) -> Option<usize> {
        let (one, hundred) = (Decimal::ONE, Decimal::ONE_HUNDRED);
        let limit = Share::ratio(Kg::of_decimal(one), Kg::of_decimal(hundred));
        (0..self.by_builds.len()).rev().find(|builds| self.at_least(*builds) > limit)
    }
}
