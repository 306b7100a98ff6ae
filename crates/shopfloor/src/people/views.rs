//! Answers about people, deviations, actions, handovers and incidents.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use super::events::{ActionOpened, IncidentKind, Role, Severity, SigningPolicy};
use super::standing::{Authority, Point};
use super::{By, Facts, OfAction, OfDeviation, OfHandover, OfPerson, People};
use crate::common::{Day, Outcome};
use crate::equipment::{config_of, day_number};
use crate::forms::words;
use crate::ids::{Code, FreeText, Label, PersonId, Subject};
use crate::quantity::Mass;
use crate::record::Record;
use crate::timeline::Moment;

/// Who recorded something, when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Recorded {
    /// Entry.
    pub entry: u64,
    /// Who did it.
    pub person: Option<PersonId>,
    /// When it was done, ms since 1970 UTC.
    pub time_ms: i64,
}

impl Recorded {
    fn of<T>(moment: &Moment<By<T>>) -> Self {
        Self { entry: moment.seq, person: moment.value.person.clone(), time_ms: moment.time_ms }
    }
}

words! {
    /// Whether something with a last day counts.
    pub enum Validity {
        /// In date.
        Valid = "valid",
        /// Its last day is past.
        Expired = "expired",
        /// Taken back.
        Withdrawn = "withdrawn",
        /// It was failed.
        Failed = "failed",
    }
}

/// An authorisation as it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct AuthorisationView {
    /// Which task.
    pub task: Code,
    /// Whether it counts.
    pub validity: Validity,
    /// Last valid day; none when it was withdrawn.
    pub valid_to: Option<Day>,
    /// Entry that says so.
    pub entry: u64,
}

/// A fit test as it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct FitTestView {
    /// Model of the mask.
    pub model: Label,
    /// Size.
    pub size: Label,
    /// Whether it counts.
    pub validity: Validity,
    /// Last day it counts (at most a year after the test, 29 CFR 1910.134(f)(2)).
    pub valid_to: Day,
    /// Entry of the test.
    pub entry: u64,
}

/// A training as it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TrainingView {
    /// On what.
    pub topic: Code,
    /// Whether it counts.
    pub validity: Validity,
    /// Last valid day, when it has one.
    pub valid_to: Option<Day>,
    /// Entry.
    pub entry: u64,
}

/// A policy on electronic signatures that a person acknowledged.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct AcknowledgementView {
    /// Which version.
    pub policy: SigningPolicy,
    /// When, ms since 1970 UTC.
    pub time_ms: i64,
    /// Entry.
    pub entry: u64,
}

/// A person by pseudonym, as they stand on a day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PersonView {
    /// Pseudonym.
    pub person: PersonId,
    /// What the person may do by enrolment.
    pub roles: Vec<Role>,
    /// Entry of the newest enrolment.
    pub enrolled_by: Option<u64>,
    /// Last day, for a person who left.
    pub last_day: Option<Day>,
    /// Authorisations.
    pub authorisations: Vec<AuthorisationView>,
    /// Fit tests, the newest of each model and size.
    pub fit_tests: Vec<FitTestView>,
    /// Trainings, the newest of each topic.
    pub trainings: Vec<TrainingView>,
    /// Policies on electronic signatures the person acknowledged, in person, oldest first
    /// (21 CFR 11.10(j)).
    pub signing_policies: Vec<AcknowledgementView>,
    /// Entry by which the identity was erased.
    pub erased_by: Option<u64>,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

words! {
    /// How a deviation stands.
    pub enum DeviationState {
        /// Not closed.
        Open = "open",
        /// Closed.
        Closed = "closed",
    }
}

/// A deviation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DeviationView {
    /// Its label.
    pub deviation: Label,
    /// Site.
    pub site: Option<Label>,
    /// How it stands.
    pub state: DeviationState,
    /// How grave.
    pub severity: Option<Severity>,
    /// What it is about.
    pub about: Vec<Subject>,
    /// Entries that show it.
    pub shown_by: Vec<u64>,
    /// What happened, as a code or `in words (kept outside the log)`.
    pub what: Option<String>,
    /// What was done at once.
    pub immediate_action: Option<String>,
    /// Who opened it.
    pub opened: Option<Recorded>,
    /// Who closed it.
    pub closed: Option<Recorded>,
    /// The cause that was found.
    pub cause: Option<String>,
    /// Who approved the closure.
    pub approved_by: Option<PersonId>,
    /// Its actions.
    pub actions: Vec<Label>,
    /// Days it has been open, or was.
    pub days_open: Option<i32>,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

words! {
    /// How an action stands.
    pub enum ActionState {
        /// Not checked, and its day is not past.
        Open = "open",
        /// Not checked, and its day is past.
        Overdue = "overdue",
        /// Checked: it worked.
        Effective = "effective",
        /// Checked: it did not work.
        NotEffective = "not_effective",
    }
}

/// A corrective or preventive action.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ActionView {
    /// Its label.
    pub action: Label,
    /// Site.
    pub site: Option<Label>,
    /// How it stands.
    pub state: ActionState,
    /// Deviation it answers.
    pub deviation: Option<Label>,
    /// What is to be done.
    pub what: Option<String>,
    /// Who does it.
    pub owner: Option<PersonId>,
    /// Until when.
    pub due: Option<Day>,
    /// Days past that day, when not checked; negative while it lies ahead.
    pub days_over: Option<i32>,
    /// Who opened it.
    pub opened: Option<Recorded>,
    /// Who checked it.
    pub checked: Option<Recorded>,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

words! {
    /// How a handover stands.
    pub enum HandoverState {
        /// Given, and accepted by nobody.
        Unaccepted = "unaccepted",
        /// Accepted.
        Accepted = "accepted",
        /// Accepted, with questions to some items.
        Queried = "queried",
        /// Accepted by somebody, but never given on record.
        NotGiven = "not_given",
    }
}

/// One thing left open at a handover.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct OpenItemView {
    /// What it is about.
    pub about: Subject,
    /// What is open.
    pub what: String,
    /// Whether the next shift queried it.
    pub queried: bool,
}

/// A shift handover.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct HandoverView {
    /// Its label.
    pub handover: Label,
    /// Site.
    pub site: Option<Label>,
    /// Shift.
    pub shift: Option<Label>,
    /// How it stands.
    pub state: HandoverState,
    /// Who gave it.
    pub given: Option<Recorded>,
    /// Who accepted it.
    pub accepted: Option<Recorded>,
    /// What is open.
    pub open: Vec<OpenItemView>,
    /// Whole hours since it was given, while nobody accepted it.
    pub waiting_h: Option<i64>,
    /// Entries it rests on.
    pub entries: Vec<u64>,
}

/// An incident.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct IncidentView {
    /// Its label.
    pub incident: Label,
    /// Site.
    pub site: Option<Label>,
    /// Kind.
    pub kind: IncidentKind,
    /// Room.
    pub room: Label,
    /// Estimated mass.
    pub mass: Option<Mass>,
    /// Whether ignition sources were switched off.
    pub ignition_sources_off: Option<bool>,
    /// Whether somebody was hurt.
    pub somebody_hurt: bool,
    /// What was done at once.
    pub immediate_action: Option<String>,
    /// Who reported it.
    pub reported: Recorded,
    /// Entries it rests on: every report of this label.
    pub entries: Vec<u64>,
}

/// A remark to a thing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct RemarkView {
    /// Who wrote it.
    pub recorded: Recorded,
    /// Commitment to the words.
    pub text: FreeText,
    /// Entry it belongs to.
    pub about_entry: Option<u64>,
}

/// The newest fact of a list that `pick` takes something out of.
fn newest<'a, T, V>(
    facts: &'a Facts<T>,
    pick: impl Fn(&'a T) -> Option<V>,
) -> Option<(&'a Moment<By<T>>, V)> {
    facts.iter().rev().find_map(|m| Some((m, pick(&m.value.what)?)))
}

fn entries<T>(facts: &Facts<T>) -> Vec<u64> {
    let mut entries: Vec<u64> = facts.iter().map(|m| m.seq).collect();
    entries.sort_unstable();
    entries
}

fn site_of<T>(facts: &Facts<T>) -> Option<&Label> {
    facts.iter().find_map(|m| m.value.site.as_ref())
}

impl People {
    /// Everybody who was ever enrolled, by pseudonym.
    pub fn people(&self) -> impl Iterator<Item = &PersonId> {
        self.persons.keys()
    }

    /// A person as they stand at `now`, on the local day of the site that enrolled them.
    pub fn person(&self, record: &Record, id: &PersonId, now: Timestamp) -> Option<PersonView> {
        let facts = self.persons.get(id)?;
        let day = day_number(config_of(record, site_of(facts)).day(now));
        let point = Point { time_ms: i64::MAX, seq: u64::MAX, day };
        let roles = self.roles(id, point);
        let fit_tests = self.fit_tests(id, point).into_iter().map(|test| FitTestView {
            validity: match (test.result, test.is_valid_on(day)) {
                (Outcome::Fail, _) => Validity::Failed,
                (Outcome::Pass, true) => Validity::Valid,
                (Outcome::Pass, false) => Validity::Expired,
            },
            model: test.model,
            size: test.size,
            valid_to: test.valid_to,
            entry: test.seq,
        });
        Some(PersonView {
            person: id.clone(),
            roles: roles.map_or_else(Vec::new, |(_, roles)| roles.to_vec()),
            enrolled_by: roles.map(|(seq, _)| seq),
            last_day: self.left(id, point).map(|(_, day)| day),
            authorisations: self.authorisations(id, facts, point),
            fit_tests: fit_tests.collect(),
            trainings: trainings(facts, point),
            signing_policies: acknowledgements(id, facts),
            erased_by: newest(facts, |what| match what {
                OfPerson::Erased { .. } => Some(()),
                OfPerson::Enrolled { .. }
                | OfPerson::Left { .. }
                | OfPerson::Granted { .. }
                | OfPerson::Withdrawn { .. }
                | OfPerson::FitTested(_)
                | OfPerson::Acknowledged(_)
                | OfPerson::Trained { .. } => None,
            })
            .map(|(m, ())| m.seq),
            entries: entries(facts),
        })
    }

    fn authorisations(
        &self,
        id: &PersonId,
        facts: &Facts<OfPerson>,
        point: Point,
    ) -> Vec<AuthorisationView> {
        let mut tasks: Vec<&Code> = facts
            .iter()
            .filter_map(|m| match &m.value.what {
                OfPerson::Granted { task, .. } | OfPerson::Withdrawn { task, .. } => Some(task),
                OfPerson::Enrolled { .. }
                | OfPerson::Left { .. }
                | OfPerson::FitTested(_)
                | OfPerson::Acknowledged(_)
                | OfPerson::Trained { .. }
                | OfPerson::Erased { .. } => None,
            })
            .collect();
        tasks.sort_unstable();
        tasks.dedup();
        let view = |task: &Code| {
            let (validity, entry, valid_to) = match self.authority(id, task, point) {
                Authority::Valid { entry, valid_to } => (Validity::Valid, entry, Some(valid_to)),
                Authority::Expired { entry, valid_to } => {
                    (Validity::Expired, entry, Some(valid_to))
                }
                Authority::Withdrawn { entry } => (Validity::Withdrawn, entry, None),
                Authority::None => return None,
            };
            Some(AuthorisationView { task: task.clone(), validity, valid_to, entry })
        };
        tasks.into_iter().filter_map(view).collect()
    }

    /// Every deviation, oldest label first.
    pub fn deviations(&self, record: &Record, now: Timestamp) -> Vec<DeviationView> {
        let ids = self.deviations.keys();
        ids.filter_map(|id| self.deviation(record, id, now)).collect()
    }

    /// One deviation.
    pub fn deviation(&self, record: &Record, id: &Label, now: Timestamp) -> Option<DeviationView> {
        let facts = self.deviations.get(id)?;
        let opened = newest(facts, |what| match what {
            OfDeviation::Opened(form) => Some(form),
            OfDeviation::Closed(_) => None,
        });
        // The newest fact decides: a deviation may be opened again.
        let closed = facts.last().and_then(|m| match &m.value.what {
            OfDeviation::Closed(form) => Some((m, form)),
            OfDeviation::Opened(_) => None,
        });
        let until_ms = closed.map_or(now.as_millisecond(), |(m, _)| m.time_ms);
        let config = config_of(record, site_of(facts));
        let day = |ms| Timestamp::from_millisecond(ms).ok().map(|t| day_number(config.day(t)));
        let form = opened.map(|(_, form)| form);
        let mut entries = entries(facts);
        let actions: Vec<Label> = self.actions_of(id).map(|(action, _)| action.clone()).collect();
        entries.extend(self.actions_of(id).map(|(_, seq)| seq));
        entries.sort_unstable();
        Some(DeviationView {
            deviation: id.clone(),
            site: site_of(facts).cloned(),
            state: if closed.is_some() { DeviationState::Closed } else { DeviationState::Open },
            severity: form.map(|f| f.severity),
            about: form.map_or_else(Vec::new, |f| f.about.clone()),
            shown_by: form.map_or_else(Vec::new, |f| f.entries.clone()),
            what: form.map(|f| f.what.to_string()),
            immediate_action: form
                .and_then(|f| f.immediate_action.as_ref())
                .map(ToString::to_string),
            opened: opened.map(|(m, _)| Recorded::of(m)),
            closed: closed.map(|(m, _)| Recorded::of(m)),
            cause: closed.map(|(_, form)| form.cause.to_string()),
            approved_by: closed.map(|(_, form)| form.approved_by.clone()),
            actions,
            days_open: opened.and_then(|(m, _)| Some(day(until_ms)? - day(m.time_ms)?)),
            entries,
        })
    }

    /// The entry that closed a deviation, and the entries that show it; `None` while it is open.
    pub(crate) fn closed_deviation(&self, id: &str) -> Option<(u64, Vec<u64>)> {
        let facts = self.deviations.get(&Label::new(id).ok()?)?;
        let closed_by = match facts.last()? {
            m if matches!(m.value.what, OfDeviation::Closed(_)) => m.seq,
            _ => return None,
        };
        let shown_by = facts.iter().flat_map(|m| match &m.value.what {
            OfDeviation::Opened(form) => form.entries.as_slice(),
            OfDeviation::Closed(_) => &[],
        });
        Some((closed_by, shown_by.copied().collect()))
    }

    /// Actions that answer a deviation, with the entry that opened each.
    fn actions_of<'a>(&'a self, deviation: &'a Label) -> impl Iterator<Item = (&'a Label, u64)> {
        self.actions.iter().filter_map(move |(id, facts)| {
            let (moment, form) = newest(facts, opened_action)?;
            (form.deviation.as_ref() == Some(deviation)).then_some((id, moment.seq))
        })
    }

    /// Actions of a deviation that were not checked before a point, with the entry that opened
    /// each.
    pub(crate) fn unchecked_actions(&self, deviation: &Label, point: Point) -> Vec<(Label, u64)> {
        let unchecked = self.actions_of(deviation).filter(|(id, _)| {
            let facts = self.actions.get(*id).into_iter().flat_map(|t| t.iter());
            let mut before = facts.filter(|m| point.after(m.time_ms, m.seq));
            before.next_back().is_some_and(|m| opened_action(&m.value.what).is_some())
        });
        unchecked.map(|(id, seq)| (id.clone(), seq)).collect()
    }

    /// Every action; an overdue one says so.
    pub fn actions(&self, record: &Record, now: Timestamp) -> Vec<ActionView> {
        self.actions.keys().filter_map(|id| self.action(record, id, now)).collect()
    }

    /// One action.
    pub fn action(&self, record: &Record, id: &Label, now: Timestamp) -> Option<ActionView> {
        let facts = self.actions.get(id)?;
        let opened = newest(facts, opened_action);
        let checked = facts.last().and_then(|m| match &m.value.what {
            OfAction::Checked { effective } => Some((m, *effective)),
            OfAction::Opened(_) => None,
        });
        let due = opened.map(|(_, form)| form.due);
        let today = day_number(config_of(record, site_of(facts)).day(now));
        let days_over = due.map(|due| today - day_number(due.0));
        let state = match checked {
            Some((_, true)) => ActionState::Effective,
            Some((_, false)) => ActionState::NotEffective,
            None if days_over.is_some_and(|days| days > 0) => ActionState::Overdue,
            None => ActionState::Open,
        };
        Some(ActionView {
            action: id.clone(),
            site: site_of(facts).cloned(),
            state,
            deviation: opened.and_then(|(_, form)| form.deviation.clone()),
            what: opened.map(|(_, form)| form.what.to_string()),
            owner: opened.map(|(_, form)| form.owner.clone()),
            due,
            days_over: days_over.filter(|_| checked.is_none()),
            opened: opened.map(|(m, _)| Recorded::of(m)),
            checked: checked.map(|(m, _)| Recorded::of(m)),
            entries: entries(facts),
        })
    }

    /// Every handover.
    pub fn handovers(&self, now: Timestamp) -> Vec<HandoverView> {
        self.handovers.keys().filter_map(|id| self.handover(id, now)).collect()
    }

    /// Handovers that nobody accepted, the one that waits longest first.
    pub fn unaccepted_handovers(&self, now: Timestamp) -> Vec<HandoverView> {
        let mut waiting = self.handovers(now);
        waiting.retain(|h| h.state == HandoverState::Unaccepted);
        waiting.sort_by_key(|h| std::cmp::Reverse(h.waiting_h));
        waiting
    }

    /// One handover.
    pub fn handover(&self, id: &Label, now: Timestamp) -> Option<HandoverView> {
        let facts = self.handovers.get(id)?;
        let given = newest(facts, |what| match what {
            OfHandover::Given(form) => Some(form),
            OfHandover::Accepted(_) => None,
        });
        let accepted = facts.last().and_then(|m| match &m.value.what {
            OfHandover::Accepted(form) => Some((m, form)),
            OfHandover::Given(_) => None,
        });
        let queried = accepted.map_or(&[][..], |(_, form)| form.queried.as_slice());
        let state = match (given.is_some(), accepted.is_some()) {
            (true, false) => HandoverState::Unaccepted,
            (true, true) if queried.is_empty() => HandoverState::Accepted,
            (true, true) => HandoverState::Queried,
            (false, _) => HandoverState::NotGiven,
        };
        let items = given.into_iter().flat_map(|(_, form)| &form.open).map(|item| OpenItemView {
            about: item.about.clone(),
            what: item.what.to_string(),
            queried: queried.contains(&item.about),
        });
        let waiting_ms = given.map(|(m, _)| now.as_millisecond() - m.time_ms);
        Some(HandoverView {
            handover: id.clone(),
            site: site_of(facts).cloned(),
            shift: given.map(|(_, form)| form.shift.clone()),
            state,
            given: given.map(|(m, _)| Recorded::of(m)),
            accepted: accepted.map(|(m, _)| Recorded::of(m)),
            open: items.collect(),
            waiting_h: waiting_ms
                .filter(|_| state == HandoverState::Unaccepted)
                .map(|ms| ms.div_euclid(3_600_000)),
            entries: entries(facts),
        })
    }

    /// Every incident, as last reported.
    pub fn incidents(&self) -> Vec<IncidentView> {
        let views = self.incidents.iter().filter_map(|(id, facts)| {
            let last = facts.last()?;
            let form = &last.value.what;
            Some(IncidentView {
                incident: id.clone(),
                site: last.value.site.clone(),
                kind: form.kind,
                room: form.room.clone(),
                mass: form.mass.clone(),
                ignition_sources_off: form.ignition_sources_off,
                somebody_hurt: form.somebody_hurt,
                immediate_action: form.immediate_action.as_ref().map(ToString::to_string),
                reported: Recorded::of(last),
                entries: entries(facts),
            })
        });
        views.collect()
    }

    /// Remarks to a subject, in order of time.
    pub fn remarks(&self, subject: &Subject) -> Vec<RemarkView> {
        let facts = self.remarks.get(&subject.to_string()).into_iter().flat_map(|t| t.iter());
        facts
            .map(|m| RemarkView {
                recorded: Recorded::of(&m),
                text: m.value.what.text.clone(),
                about_entry: m.value.what.entry,
            })
            .collect()
    }
}

fn opened_action(what: &OfAction) -> Option<&ActionOpened> {
    match what {
        OfAction::Opened(form) => Some(form),
        OfAction::Checked { .. } => None,
    }
}

/// What somebody else acknowledged in the person's name binds nobody and is left out.
fn acknowledgements(id: &PersonId, facts: &Facts<OfPerson>) -> Vec<AcknowledgementView> {
    facts
        .iter()
        .filter(|m| m.value.person.as_ref() == Some(id))
        .filter_map(|m| {
            let OfPerson::Acknowledged(policy) = &m.value.what else { return None };
            let (policy, time_ms, entry) = (policy.clone(), m.time_ms, m.seq);
            Some(AcknowledgementView { policy, time_ms, entry })
        })
        .collect()
}

/// The newest training of each topic.
fn trainings(facts: &Facts<OfPerson>, point: Point) -> Vec<TrainingView> {
    let mut views: Vec<TrainingView> = Vec::new();
    for moment in facts.iter() {
        if let OfPerson::Trained { topic, valid_to } = &moment.value.what {
            let valid = valid_to.is_none_or(|d| day_number(d.0) >= point.day);
            views.retain(|v| v.topic != *topic);
            views.push(TrainingView {
                topic: topic.clone(),
                validity: if valid { Validity::Valid } else { Validity::Expired },
                valid_to: *valid_to,
                entry: moment.seq,
            });
        }
    }
    views
}
