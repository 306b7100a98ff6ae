//! Rules about people, each with its source.

use std::collections::BTreeMap;

use super::events::{DeviationClosed, Role};
use super::standing::{Authority, FIT_TEST_REQUIRED, Point, activity_of, is_dusty};
use super::{Facts, OfAction, OfDeviation, OfHandover, OfPerson, Trace};
use crate::State;
use crate::catalogue::Origin;
use crate::fact::Fact;
use crate::finding::{Confidence, Judge, Level, Rule};
use crate::ids::{Code, Label, PersonId};

const UNKNOWN_PERSON: Rule = Rule {
    id: "people.unknown_person",
    level: Level::Warn,
    title: "Work is recorded for a person who is enrolled",
    source: "PIC/S PI 041-1, attributable",
    confidence: Confidence::Memory,
};
const LEFT: Rule = Rule {
    id: "people.left",
    level: Level::Stop,
    title: "A person who left records no more work",
    source: "21 CFR 11.10(d), access limited to authorised individuals",
    confidence: Confidence::Memory,
};
const ROLE_NOT_HELD: Rule = Rule {
    id: "people.role_not_held",
    level: Level::Warn,
    title: "Work is recorded by a person who holds a role for it",
    source: "21 CFR 11.10(g), authority checks",
    confidence: Confidence::Memory,
};
const NOT_AUTHORISED: Rule = Rule {
    id: "people.not_authorised",
    level: Level::Stop,
    title: "A task that needs an authorisation is done by a person whose authorisation is in date",
    source: "job practice; 21 CFR 11.10(g), authority checks",
    confidence: Confidence::CommonPractice,
};
const NO_FIT_TEST: Rule = Rule {
    id: "people.no_fit_test",
    level: Level::Stop,
    title: "Dusty work is done with a mask whose fit test is in date",
    source: "29 CFR 1910.134(f)(2): before first use and at least yearly",
    confidence: Confidence::Seen,
};
const SELF_AUTHORISED: Rule = Rule {
    id: "people.self_authorised",
    level: Level::Stop,
    title: "Nobody grants an authorisation to oneself",
    source: "OWASP ASVS 5.0, 2.3.5 multi-user approval",
    confidence: Confidence::Seen,
};
const NOT_OPENED: Rule = Rule {
    id: "people.not_opened",
    level: Level::Warn,
    title: "What is closed, checked or accepted was opened or given before",
    source: "definition: a record refers to what is known",
    confidence: Confidence::Definition,
};
const CLOSED_BY_OPENER: Rule = Rule {
    id: "people.deviation_closed_by_opener",
    level: Level::Stop,
    title: "A deviation is closed by another person than the one who opened it",
    source: "OWASP ASVS 5.0, 2.3.5 multi-user approval",
    confidence: Confidence::Seen,
};
const APPROVED_BY_CLOSER: Rule = Rule {
    id: "people.closure_self_approved",
    level: Level::Stop,
    title: "A closure is approved by another person than the one who closes",
    source: "OWASP ASVS 5.0, 2.3.5 multi-user approval",
    confidence: Confidence::Seen,
};
const CLOSED_WITH_OPEN_ACTIONS: Rule = Rule {
    id: "people.deviation_closed_with_open_actions",
    level: Level::Warn,
    title: "A deviation is closed when the effect of its actions was checked",
    source: "ISO 9001:2015, 10.2.1 d",
    confidence: Confidence::Memory,
};
const CHECKED_BY_OWNER: Rule = Rule {
    id: "people.action_checked_by_owner",
    level: Level::Warn,
    title: "The effect of an action is checked by another person than its owner",
    source: "common practice, no source",
    confidence: Confidence::CommonPractice,
};
const ACCEPTED_BY_GIVER: Rule = Rule {
    id: "people.handover_accepted_by_giver",
    level: Level::Stop,
    title: "A handover is accepted by another person than the one who gave it",
    source: "common practice, no source",
    confidence: Confidence::CommonPractice,
};
const IGNITION_SOURCES_ON: Rule = Rule {
    id: "people.ignition_sources_on",
    level: Level::Warn,
    title: "Ignition sources are switched off when powder is spilled",
    source: "common practice, no source",
    confidence: Confidence::CommonPractice,
};

/// Every rule about people.
pub const RULES: &[Rule] = &[
    UNKNOWN_PERSON,
    LEFT,
    ROLE_NOT_HELD,
    NOT_AUTHORISED,
    NO_FIT_TEST,
    SELF_AUTHORISED,
    NOT_OPENED,
    CLOSED_BY_OPENER,
    APPROVED_BY_CLOSER,
    CLOSED_WITH_OPEN_ACTIONS,
    CHECKED_BY_OWNER,
    ACCEPTED_BY_GIVER,
    IGNITION_SOURCES_ON,
];

/// Raises what `fact` contradicts, judged on the state before it.
pub(crate) fn judge(state: &State, fact: &Fact, judge: &mut Judge<'_>) {
    let point = Point::before(fact);
    if let Some(person) = fact.performer.person() {
        standing(state, fact, person, point, judge);
    }
    two_people(state, fact, point, judge);
}

/// Who did the work: enrolled, still here, in a role, authorised, with a mask that fits.
fn standing(state: &State, fact: &Fact, person: &PersonId, point: Point, judge: &mut Judge<'_>) {
    let people = &state.people;
    let kind = fact.event.kind();
    // The first enrolments are made by somebody who cannot be enrolled yet.
    if !people.keeps_people(point) || kind.origin == Origin::Log {
        return;
    }
    let Some((enrolled, roles)) = people.roles(person, point) else {
        judge.raise(&UNKNOWN_PERSON, [], format!("`{person}` is not enrolled"));
        return;
    };
    if let Some((seq, last_day)) = people.left(person, point)
        && crate::equipment::day_number(last_day.0) < point.day
    {
        judge.raise(&LEFT, [seq], format!("the last day of `{person}` was {last_day}"));
    }
    // A service posts in its own right; the person it posts for did the work.
    let holds = roles.iter().any(|r| *r != Role::Service && kind.roles.contains(r));
    if !holds {
        let held: Vec<&str> = roles.iter().map(|r| r.as_str()).collect();
        let held = if held.is_empty() { "none".to_owned() } else { held.join(", ") };
        let detail = format!("`{person}` holds {held}; `{}` needs another role", kind.name);
        judge.raise(&ROLE_NOT_HELD, [enrolled], detail);
    }
    authorised(state, fact, person, point, judge);
    fit_tested(state, fact, person, point, judge);
}

/// Names under which the work of a fact may be authorised: planned tasks, activity, event.
fn names_of_work(state: &State, fact: &Fact) -> Vec<Code> {
    let (mut names, part_kind) = state.equipment.work_names(fact);
    let activity = activity_of(&fact.event, part_kind).map(str::to_owned);
    let event = fact.event.kind().name.replace('.', "_");
    names.extend(activity.into_iter().chain([event]).filter_map(|n| Code::new(&n).ok()));
    names
}

fn authorised(state: &State, fact: &Fact, person: &PersonId, point: Point, judge: &mut Judge<'_>) {
    for task in names_of_work(state, fact) {
        if !state.people.is_authorised_task(&task, point) {
            continue;
        }
        match state.people.authority(person, &task, point) {
            Authority::Valid { .. } => {}
            Authority::Expired { entry, valid_to } => {
                let detail = format!("`{person}` was authorised for `{task}` until {valid_to}");
                judge.raise(&NOT_AUTHORISED, [entry], detail);
            }
            Authority::Withdrawn { entry } => {
                let detail = format!("the authorisation of `{person}` for `{task}` was withdrawn");
                judge.raise(&NOT_AUTHORISED, [entry], detail);
            }
            Authority::None => {
                let detail = format!("`{person}` was never authorised for `{task}`");
                judge.raise(&NOT_AUTHORISED, [], detail);
            }
        }
    }
}

fn fit_tested(state: &State, fact: &Fact, person: &PersonId, point: Point, judge: &mut Judge<'_>) {
    if !is_dusty(&fact.event) {
        return;
    }
    let tests = state.people.fit_tests(person, point);
    let required = || {
        let config = crate::equipment::config_of(&state.record, fact.site.as_ref());
        crate::equipment::parameter(config, FIT_TEST_REQUIRED)
            .is_some_and(|v| v == rust_decimal::Decimal::ONE)
    };
    if tests.iter().any(|t| t.is_valid_on(point.day)) || (tests.is_empty() && !required()) {
        return;
    }
    let newest = tests.iter().max_by_key(|t| t.valid_to);
    let detail = match newest {
        Some(test) => format!(
            "the newest fit test of `{person}` ({}, `{}`) counted until {}",
            test.result, test.model, test.valid_to
        ),
        None => format!("`{person}` has no fit test on record"),
    };
    judge.raise(&NO_FIT_TEST, newest.map(|t| t.seq), detail);
}

/// Rules that need two people, and things that were never opened.
fn two_people(state: &State, fact: &Fact, point: Point, judge: &mut Judge<'_>) {
    let person = fact.performer.person();
    let id = fact.subject.id();
    match Trace::of(&fact.event) {
        Trace::Person(OfPerson::Granted { .. }) if person.is_some_and(|p| p.as_str() == id) => {
            judge.raise(&SELF_AUTHORISED, [], format!("`{id}` grants to oneself"));
        }
        Trace::Deviation(OfDeviation::Closed(closed)) => closes(state, fact, &closed, point, judge),
        Trace::Action(OfAction::Checked { .. }) => {
            let opened = newest(&state.people.actions, id, point, |what| match what {
                OfAction::Opened(action) => Some(action.owner.clone()),
                OfAction::Checked { .. } => None,
            });
            match opened {
                Some((seq, owner)) if Some(&owner) == person => {
                    let detail = format!("`{owner}` checks the own action `{id}`");
                    judge.raise(&CHECKED_BY_OWNER, [seq], detail);
                }
                Some(_) => {}
                None => judge.raise(&NOT_OPENED, [], format!("action `{id}` was never opened")),
            }
        }
        Trace::Handover(OfHandover::Accepted(_)) => {
            let given = newest_by(&state.people.handovers, id, point, |what| match what {
                OfHandover::Given(_) => true,
                OfHandover::Accepted(_) => false,
            });
            match given {
                Some((seq, giver)) if person.is_some() && giver == person => {
                    let detail = format!("handover `{id}` is accepted by who gave it");
                    judge.raise(&ACCEPTED_BY_GIVER, [seq], detail);
                }
                Some(_) => {}
                None => judge.raise(&NOT_OPENED, [], format!("handover `{id}` was never given")),
            }
        }
        Trace::Incident(incident) if incident.ignition_sources_off == Some(false) => {
            let detail = format!("`{}` in `{}`", incident.kind, incident.room);
            judge.raise(&IGNITION_SOURCES_ON, [], detail);
        }
        Trace::Person(_)
        | Trace::Deviation(_)
        | Trace::Action(_)
        | Trace::Handover(_)
        | Trace::Incident(_)
        | Trace::Remark(_)
        | Trace::Nothing => {}
    }
}

/// What `pick` finds in the newest fact about `id` before a point, with its entry.
fn newest<T, V>(
    lists: &BTreeMap<Label, Facts<T>>,
    id: &str,
    point: Point,
    pick: impl Fn(&T) -> Option<V>,
) -> Option<(u64, V)> {
    let facts = lists.get(&Label::new(id).ok()?)?.iter();
    let mut before = facts.rev().filter(|m| point.after(m.time_ms, m.seq));
    before.find_map(|m| Some((m.seq, pick(&m.value.what)?)))
}

/// Entry and recorder of the newest fact about `id` before a point that is `wanted`.
fn newest_by<'a, T>(
    lists: &'a BTreeMap<Label, Facts<T>>,
    id: &str,
    point: Point,
    wanted: impl Fn(&T) -> bool,
) -> Option<(u64, Option<&'a PersonId>)> {
    let facts = lists.get(&Label::new(id).ok()?)?.iter();
    let mut before = facts.rev().filter(|m| point.after(m.time_ms, m.seq));
    let found = before.find(|m| wanted(&m.value.what))?;
    Some((found.seq, found.value.person.as_ref()))
}

fn closes(
    state: &State,
    fact: &Fact,
    closed: &DeviationClosed,
    point: Point,
    judge: &mut Judge<'_>,
) {
    let person = fact.performer.person();
    let Ok(id) = Label::new(fact.subject.id()) else { return };
    let opened = newest_by(&state.people.deviations, id.as_str(), point, |what| match what {
        OfDeviation::Opened(_) => true,
        OfDeviation::Closed(_) => false,
    });
    match opened {
        Some((seq, opener)) if person.is_some() && opener == person => {
            let detail = format!("deviation `{id}` is closed by who opened it");
            judge.raise(&CLOSED_BY_OPENER, [seq], detail);
        }
        Some(_) => {}
        None => judge.raise(&NOT_OPENED, [], format!("deviation `{id}` was never opened")),
    }
    if person == Some(&closed.approved_by) {
        let detail = format!("the closure of `{id}` is approved by who closes");
        judge.raise(&APPROVED_BY_CLOSER, [], detail);
    }
    for (action, seq) in state.people.unchecked_actions(&id, point) {
        let detail = format!("action `{action}` of `{id}` was not checked");
        judge.raise(&CLOSED_WITH_OPEN_ACTIONS, [seq], detail);
    }
}
