//! Rules about waste, each with its source. What breaks them is told, never refused.

use super::Kg;
use super::container::{Container, CustodyEvent};
use super::events::*;
use super::facts::{Addition, Effect, effects};
use crate::State;
use crate::catalogue::Event;
use crate::fact::Fact;
use crate::finding::{Confidence, Judge, Level, Rule};
use crate::ids::Label;

macro_rules! rules {
    ($($name:ident = $id:literal, $level:ident, $title:literal, $source:literal, $confidence:ident;)+) => {
        $(pub(super) const $name: Rule = Rule {
            id: $id, level: Level::$level, title: $title, source: $source,
            confidence: Confidence::$confidence,
        };)+
        /// Every rule of this subject.
        pub const RULES: &[Rule] = &[$($name),+];
    };
}

rules! {
    UNKNOWN_CONTAINER = "waste.unknown_container", Stop,
        "Waste goes into a container that was started with stream, tare and place",
        "job-map gate 54; 40 CFR 262.17(a)(5)(i)", Secondary;
    OPENED_TWICE = "waste.container_opened_twice", Stop,
        "A container label is used once",
        "definition: one label, one container", Definition;
    UNKNOWN_STREAM = "waste.unknown_stream", Stop,
        "A container takes a stream that a person determined",
        "40 CFR 262.11", Secondary;
    TARE_MISSING = "waste.tare_missing", Stop,
        "A container is started with the mass of the empty container",
        "common practice, no source; job-map gate 54", CommonPractice;
    MASS_NOT_POSITIVE = "waste.mass_not_positive", Stop,
        "A mass that goes into a container is greater than zero",
        "definition", Definition;
    ADDED_TO_CLOSED = "waste.added_to_closed", Stop,
        "Nothing is added to a container that was closed for good",
        "40 CFR 262.16(b)(2)(iii), closed except when adding", Seen;
    ADDED_AFTER_SHIPPED = "waste.added_after_shipped", Stop,
        "Nothing is added to a container that left the site",
        "computations C9 (d)", Definition;
    ITEM_TWICE = "waste.item_in_two_containers", Stop,
        "Each bag, filter or sieve goes into exactly one container, once",
        "computations C9 (e)", Definition;
    CUSTODY_GAP = "waste.custody_gap", Stop,
        "Whoever gives a container is its holder",
        "computations C9 (b); job-map gate 57", Definition;
    GIVER_IS_RECEIVER = "waste.giver_is_receiver", Stop,
        "A container passes between two different people",
        "computations C9 (b); job-map gate 57", Definition;
    MOVED_FROM_ELSEWHERE = "waste.moved_from_elsewhere", Warn,
        "A container is moved from where it stands",
        "definition: last place told", Definition;
    ON_TWO_SHIPMENTS = "waste.on_two_shipments", Stop,
        "A container is on exactly one shipment document",
        "job-map gate 59; computations C9 (a)", Definition;
    SHIPPED_UNCLOSED = "waste.shipped_unclosed", Stop,
        "A container is closed before it is offered",
        "40 CFR 262.16(b)(2)(iii), 262.30 packaging", Memory;
    SHIPPED_UNWEIGHED = "waste.shipped_unweighed", Warn,
        "A container is weighed before it is offered",
        "EPA form 8700-22, item 11 total quantity", Seen;
    SHIPPED_EMPTY = "waste.shipment_empty", Stop,
        "A shipment names at least one container",
        "EPA form 8700-22, item 10", Seen;
    OFFERED_TWICE = "waste.shipment_offered_twice", Stop,
        "A shipment is offered once",
        "definition: one label, one shipment", Definition;
    UNKNOWN_SHIPMENT = "waste.unknown_shipment", Stop,
        "A shipment is offered before it is accepted, received or certified",
        "40 CFR 262.23(a), order of signatures", Seen;
    CHAIN_ORDER = "waste.transporter_order", Stop,
        "Transporters sign in order, and no date goes back",
        "40 CFR 262.23, 263.20, order of custody", Memory;
    DELIVERED_UNKNOWN = "waste.delivered_unknown_container", Warn,
        "The facility receives what was shipped",
        "40 CFR 264.72(a)", Seen;
    EXTENSION_TOO_LONG = "waste.extension_too_long", Stop,
        "An extension of the accumulation time is at most 30 days",
        "40 CFR 262.16(d), 262.17(b)", Secondary;
    SUM_AND_WEIGHING = "waste.sum_and_weighing_differ", Warn,
        "What was put in adds up to gross minus tare, within the uncertainty of weighing",
        "computations C9 (c)", Definition;
    VACUUM_ON = "waste.vacuum_on", Stop,
        "The vacuum cleaner is off and unplugged while its bag is changed",
        "29 CFR 1910.147", Memory;
    BAG_NOT_TIED = "waste.bag_not_tied", Stop,
        "A bag is tied before it is lifted out",
        "common practice, no source", CommonPractice;
    INSPECTION_FAILED = "waste.inspection_failed", Warn,
        "Containers in an accumulation area are sound, closed and legible",
        "40 CFR 262.16(b)(2)(iv)", Secondary;
}

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(state: &State, fact: &Fact, judge: &mut Judge<'_>) {
    for effect in effects(fact) {
        if let Effect::Added(container, addition) = effect {
            added(state, fact, &container, &addition, judge);
        }
    }
    let Ok(subject) = Label::new(fact.subject.id()) else { return };
    match &fact.event {
        Event::ContainerOpened(e) => opened(state, fact, &subject, e, judge),
        Event::ContainerMoved(e) => moved(state, fact, &subject, e, judge),
        Event::ShipmentOffered(e) => offered(state, fact, &subject, e, judge),
        Event::BagChanged(e) => bag(e, judge),
        _ => {}
    }
}

fn opened(state: &State, fact: &Fact, id: &Label, e: &ContainerOpened, judge: &mut Judge<'_>) {
    if let Some((earlier, _)) = state.waste.container(id).and_then(|c| c.opened()) {
        judge.raise(&OPENED_TWICE, [earlier.seq], format!("`{id}` was opened already"));
    }
    if state.waste.determination(&e.stream, fact.time.ms()).is_none() {
        judge.raise(&UNKNOWN_STREAM, [], format!("stream `{}` was never determined", e.stream));
    }
    if e.tare.base() <= rust_decimal::Decimal::ZERO {
        judge.raise(&TARE_MISSING, [], format!("tare `{}` of `{id}`", e.tare));
    }
}

fn added(state: &State, fact: &Fact, id: &Label, addition: &Addition, judge: &mut Judge<'_>) {
    let at = fact.time.ms();
    if addition.mass_kg <= Kg::ZERO {
        judge.raise(&MASS_NOT_POSITIVE, [], format!("{} into `{id}`", addition.mass_kg));
    }
    if let Some((seq, container)) = state.waste.told_before(at, fact.seq, addition) {
        let what = addition.item.as_deref().unwrap_or("the waste of the cited entry");
        judge.raise(&ITEM_TWICE, [seq], format!("`{what}` went into `{container}` already"));
    }
    let Some(container) = state.waste.container(id).filter(|c| c.opened().is_some()) else {
        judge.raise(&UNKNOWN_CONTAINER, [], format!("`{id}` was never opened"));
        return;
    };
    if let Some(closed) = container.closed(at) {
        judge.raise(&ADDED_TO_CLOSED, [closed.seq], format!("`{id}` was closed"));
    }
    if let Some(seq) = off_site(&container, at) {
        judge.raise(&ADDED_AFTER_SHIPPED, [seq], format!("`{id}` had left the site"));
    }
}

/// The entry by which a container was away from the site at an instant.
fn off_site(container: &Container<'_>, at_ms: i64) -> Option<u64> {
    let custody = container.custody();
    let last = custody.iter().rfind(|h| h.from_ms <= at_ms)?;
    match last.event {
        CustodyEvent::Opened | CustodyEvent::Moved => None,
        CustodyEvent::Accepted
        | CustodyEvent::Delivered
        | CustodyEvent::SentBack
        | CustodyEvent::Forwarded
        | CustodyEvent::Certified => Some(last.seq),
    }
}

fn moved(state: &State, fact: &Fact, id: &Label, e: &ContainerMoved, judge: &mut Judge<'_>) {
    if e.giver == e.receiver {
        judge.raise(&GIVER_IS_RECEIVER, [], format!("`{}` gives `{id}` to itself", e.giver));
    }
    let Some(container) = state.waste.container(id).filter(|c| c.opened().is_some()) else {
        judge.raise(&UNKNOWN_CONTAINER, [], format!("`{id}` was never opened"));
        return;
    };
    let at = fact.time.ms();
    let custody = container.custody();
    if let Some(last) = custody.iter().rfind(|h| h.from_ms <= at) {
        let giver = super::container::Holder::Person(e.giver.clone());
        if last.holder != giver && last.event != CustodyEvent::SentBack {
            let detail = format!("`{giver}` gives `{id}`, but `{}` holds it", last.holder);
            judge.raise(&CUSTODY_GAP, [last.seq], detail);
        }
    }
}

fn offered(state: &State, fact: &Fact, id: &Label, e: &ShipmentOffered, judge: &mut Judge<'_>) {
    let at = fact.time.ms();
    if let Some((earlier, _)) = state.waste.shipment(id).and_then(|s| s.offered()) {
        judge.raise(&OFFERED_TWICE, [earlier.seq], format!("`{id}` was offered already"));
    }
    if e.containers.is_empty() {
        judge.raise(&SHIPPED_EMPTY, [], format!("`{id}` names no container"));
    }
    for label in &e.containers {
        let other = state.waste.offers_of(label).find(|offer| {
            let shipment = state.waste.shipment(&offer.value);
            &offer.value != id && !shipment.is_some_and(|s| s.refused(label, at))
        });
        if let Some(other) = other {
            let detail = format!("`{label}` is on shipment `{}` already", other.value);
            judge.raise(&ON_TWO_SHIPMENTS, [other.seq], detail);
        }
        let Some(container) = state.waste.container(label).filter(|c| c.opened().is_some()) else {
            judge.raise(&UNKNOWN_CONTAINER, [], format!("`{label}` was never opened"));
            continue;
        };
        if container.closed(at).is_none() {
            judge.raise(&SHIPPED_UNCLOSED, [], format!("`{label}` was not closed"));
        }
        if container.weighed(at).is_none() {
            judge.raise(&SHIPPED_UNWEIGHED, [], format!("`{label}` was not weighed"));
        }
    }
}

fn bag(e: &BagChanged, judge: &mut Judge<'_>) {
    let id = &e.bag.id;
    if !e.off_and_unplugged {
        judge.raise(&VACUUM_ON, [], format!("bag `{id}` was changed with the vacuum ready to run"));
    }
    if !e.bag.tied_before_lifting {
        judge.raise(&BAG_NOT_TIED, [], format!("bag `{id}` was lifted open"));
    }
    if e.bag.tare.base() <= rust_decimal::Decimal::ZERO {
        judge.raise(&TARE_MISSING, [], format!("tare `{}` of bag `{id}`", e.bag.tare));
    }
}
