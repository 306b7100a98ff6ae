//! When waste stood in an area, and how long nobody inspected it.

use std::rc::Rc;

use super::container::{Container, CustodyEvent};
use super::events::AreaKind;
use super::facts::ContainerFact;
use crate::ids::Label;

/// A stretch of time, ms since 1970 UTC: from, and until (open: `i64::MAX`).
pub(super) type Span = (i64, i64);

/// When a container with waste in it stood in a central area, as last told.
fn stood(container: &Container<'_>, area: &Label) -> Vec<Span> {
    let Some(first_waste) = container.additions().next().map(|a| a.moment.time_ms) else {
        return Vec::new();
    };
    let mut steps: Vec<(i64, u64, bool)> = container
        .life()
        .filter_map(|m| match &m.value.fact {
            ContainerFact::Opened(e) => {
                Some((m.time_ms, m.seq, e.area == AreaKind::Central && &e.location == area))
            }
            ContainerFact::Moved(e) => {
                Some((m.time_ms, m.seq, e.to.area == AreaKind::Central && &e.to.location == area))
            }
            ContainerFact::Closed(_)
            | ContainerFact::Weighed(_)
            | ContainerFact::Labelled(_)
            | ContainerFact::Extended(_) => None,
        })
        .collect();
    if !steps.iter().any(|(_, _, here)| *here) {
        return Vec::new();
    }
    steps.extend(
        container
            .custody()
            .iter()
            .filter(|h| h.event == CustodyEvent::Accepted)
            .map(|h| (h.from_ms, h.seq, false)),
    );
    steps.sort_unstable();
    let mut spans = Vec::new();
    let mut since = None;
    for (ms, _, here) in steps {
        match (since, here) {
            (None, true) => since = Some(ms),
            (Some(from), false) => {
                spans.push((from, ms));
                since = None;
            }
            (Some(_), true) | (None, false) => {}
        }
    }
    spans.extend(since.map(|from| (from, i64::MAX)));
    spans.retain(|(_, until)| *until > first_waste);
    for span in &mut spans {
        span.0 = span.0.max(first_waste);
    }
    spans
}

/// When any of these containers that `counts` stood in a central area of their site, merged. As far
/// as they are all that were there in a stretch of time, what lies in that stretch is right.
pub(super) fn occupied(
    containers: &[Rc<Container<'_>>],
    area: &Label,
    counts: impl Fn(&Container<'_>) -> bool,
) -> Vec<Span> {
    let mut spans: Vec<Span> =
        containers.iter().filter(|c| counts(c)).flat_map(|c| stood(c, area)).collect();
    spans.sort_unstable();
    let mut merged: Vec<Span> = Vec::new();
    for (from, until) in spans {
        match merged.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(until),
            Some(_) | None => merged.push((from, until)),
        }
    }
    merged
}

/// The longest stretch between two instants in which an area was occupied.
pub(super) fn longest_between(occupied: &[Span], from: i64, until: i64) -> Option<Span> {
    occupied
        .iter()
        .map(|(a, b)| ((*a).max(from), (*b).min(until)))
        .filter(|(a, b)| a < b)
        .max_by_key(|(a, b)| b - a)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_time_in_which_waste_stood_there_counts() {
        let occupied = [(10, 20), (40, 100)];
        let rows = [
            ((0, 15), Some((10, 15))),
            ((20, 40), None),
            ((12, 60), Some((40, 60))),
            ((12, 45), Some((12, 20))),
        ];
        for ((from, until), expected) in rows {
            assert_eq!(longest_between(&occupied, from, until), expected, "{from} to {until}");
        }
    }
}
