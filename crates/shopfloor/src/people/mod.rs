//! People by pseudonym, what they may do, and what was found wrong: authorisations, fit tests,
//! training, deviations, actions, handovers, incidents.
//!
//! Authority is looked up at the time of the work, not at the time of recording or asking. The
//! fold keeps facts in order of work and answers from them; nothing derived is stored.

pub mod events;
mod opening;
pub mod rules;
mod standing;
mod views;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub(crate) use standing::Point;
pub use standing::{Authority, FIT_TEST_REQUIRED, activities};
pub use views::*;

use crate::catalogue::Event;
use crate::common::Day;
use crate::fact::Fact;
use crate::ids::{Code, FreeText, Label, PersonId, Reason};
use crate::packed::Packed;
use crate::timeline::Timeline;
use events::*;

/// A fact with who recorded it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct By<T> {
    pub(crate) person: Option<PersonId>,
    pub(crate) site: Option<Label>,
    pub(crate) offset_s: i32,
    pub(crate) what: T,
}

/// A fact about a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum OfPerson {
    Enrolled {
        roles: Vec<Role>,
    },
    Left {
        last_day: Day,
    },
    Granted {
        task: Code,
        valid_to: Day,
    },
    Withdrawn {
        task: Code,
        reason: Reason,
    },
    FitTested(FitTestDone),
    Trained {
        topic: Code,
        valid_to: Option<Day>,
    },
    /// The log erased what it knew of the person.
    Erased {
        reason: Reason,
    },
    Acknowledged(SigningPolicy),
}

/// A fact about a deviation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum OfDeviation {
    Opened(DeviationOpened),
    Closed(DeviationClosed),
}

/// A fact about an action.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum OfAction {
    Opened(ActionOpened),
    Checked { effective: bool },
}

/// A fact about a handover.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum OfHandover {
    Given(HandoverGiven),
    Accepted(HandoverAccepted),
}

/// A remark.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Remark {
    pub(crate) text: FreeText,
    pub(crate) entry: Option<u64>,
}

type Facts<T> = Timeline<By<T>>;

/// The fold of this subject.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct People {
    persons: BTreeMap<PersonId, Facts<OfPerson>>,
    /// When anybody was enrolled.
    enrolments: Timeline<()>,
    /// When a task was authorised for anybody, by task.
    granted_tasks: BTreeMap<Code, Timeline<()>>,
    deviations: BTreeMap<Label, Facts<OfDeviation>>,
    actions: BTreeMap<Label, Facts<OfAction>>,
    handovers: BTreeMap<Label, Facts<OfHandover>>,
    incidents: BTreeMap<Label, Facts<IncidentReported>>,
    /// By the subject as written, `kind/id`.
    remarks: BTreeMap<String, Packed<By<Remark>>>,
}

/// What an event tells about people.
enum Trace {
    Person(OfPerson),
    Deviation(OfDeviation),
    Action(OfAction),
    Handover(OfHandover),
    Incident(Box<IncidentReported>),
    Remark(Remark),
    Nothing,
}

impl Trace {
    fn of(event: &Event) -> Trace {
        match event {
            Event::PersonEnrolled(e) => {
                Trace::Person(OfPerson::Enrolled { roles: e.roles.clone() })
            }
            Event::PersonLeft(e) => Trace::Person(OfPerson::Left { last_day: e.last_day }),
            Event::AuthorisationGranted(e) => {
                Trace::Person(OfPerson::Granted { task: e.task.clone(), valid_to: e.valid_to })
            }
            Event::AuthorisationWithdrawn(e) => Trace::Person(OfPerson::Withdrawn {
                task: e.task.clone(),
                reason: e.reason.clone(),
            }),
            Event::FitTestDone(e) => Trace::Person(OfPerson::FitTested(e.clone())),
            Event::TrainingDone(e) => {
                Trace::Person(OfPerson::Trained { topic: e.topic.clone(), valid_to: e.valid_to })
            }
            Event::SigningPolicyAcknowledged(e) => {
                Trace::Person(OfPerson::Acknowledged(e.policy.clone()))
            }
            Event::DataErased(e) => Trace::Person(OfPerson::Erased { reason: e.reason.clone() }),
            Event::DeviationOpened(e) => Trace::Deviation(OfDeviation::Opened(e.clone())),
            Event::DeviationClosed(e) => Trace::Deviation(OfDeviation::Closed(e.clone())),
            Event::ActionOpened(e) => Trace::Action(OfAction::Opened(e.clone())),
            Event::ActionChecked(e) => Trace::Action(OfAction::Checked { effective: e.effective }),
            Event::HandoverGiven(e) => Trace::Handover(OfHandover::Given(e.clone())),
            Event::HandoverAccepted(e) => Trace::Handover(OfHandover::Accepted(e.clone())),
            Event::IncidentReported(e) => Trace::Incident(Box::new(e.clone())),
            Event::NoteAdded(e) => Trace::Remark(Remark { text: e.text.clone(), entry: e.entry }),
            Event::EquipmentRegistered(_)
            | Event::EquipmentRetired(_)
            | Event::PlanSet(_)
            | Event::MeterRead(_)
            | Event::MeterReplaced(_)
            | Event::CleaningDone(_)
            | Event::PartSwapped(_)
            | Event::PartFitted(_)
            | Event::PartRemoved(_)
            | Event::PartReceived(_)
            | Event::InspectionDone(_)
            | Event::CheckDone(_)
            | Event::EquipmentIsolated(_)
            | Event::EquipmentReturned(_)
            | Event::TaskDeferred(_)
            | Event::DustSurveyed(_)
            | Event::ExposureMeasured(_)
            | Event::LotReceived(_)
            | Event::LotTested(_)
            | Event::LotReleased(_)
            | Event::LotHeld(_)
            | Event::LotDisposedOf(_)
            | Event::PowderLoaded(_)
            | Event::PowderSieved(_)
            | Event::PowderBlended(_)
            | Event::PowderMoved(_)
            | Event::BuildStarted(_)
            | Event::BuildFinished(_)
            | Event::PowderRecovered(_)
            | Event::StockCounted(_)
            | Event::RecipeSet(_)
            | Event::StreamDetermined(_)
            | Event::ContainerOpened(_)
            | Event::WasteAdded(_)
            | Event::BagChanged(_)
            | Event::ContainerClosed(_)
            | Event::ContainerWeighed(_)
            | Event::ContainerLabelled(_)
            | Event::ContainerMoved(_)
            | Event::AreaInspected(_)
            | Event::AccumulationExtended(_)
            | Event::ShipmentOffered(_)
            | Event::ShipmentAccepted(_)
            | Event::ShipmentDelivered(_)
            | Event::ShipmentRejected(_)
            | Event::ShipmentQueried(_)
            | Event::DiscrepancyFound(_)
            | Event::DiscrepancySettled(_)
            | Event::ExceptionReported(_)
            | Event::DisposalCertified(_)
            | Event::EntrySigned(_)
            | Event::EntryCorrected(_)
            | Event::EntryVoided(_)
            | Event::ConfigChanged(_)
            | Event::KeyEnrolled(_)
            | Event::KeyRevoked(_)
            | Event::LogOpened(_)
            | Event::AnchorKept(_)
            | Event::LogFollowed(_)
            | Event::LogDisputed(_)
            | Event::ReportIssued(_)
            | Event::FoldDigested(_)
            | Event::AttemptRefused(_)
            | Event::AccessRefused(_)
            | Event::LogClosed(_) => Trace::Nothing,
        }
    }
}

/// Puts a fact into the list of a key, or takes it out and drops an empty list.
fn change<K: Ord, T>(lists: &mut BTreeMap<K, Timeline<T>>, key: K, fact: &Fact, put: Option<T>) {
    match put {
        Some(value) => {
            lists.entry(key).or_default().insert(fact.time.ms(), fact.seq, value);
        }
        None => {
            if let Some(list) = lists.get_mut(&key) {
                list.remove(fact.time.ms(), fact.seq);
                if list.is_empty() {
                    lists.remove(&key);
                }
            }
        }
    }
}

impl People {
    /// Folds a fact in; facts of other subjects are passed over.
    pub(crate) fn apply(&mut self, fact: &Fact) {
        self.change(fact, true);
    }

    /// Takes an effective fact back out (it was corrected or voided).
    pub(crate) fn retract(&mut self, fact: &Fact) {
        self.change(fact, false);
    }

    fn change(&mut self, fact: &Fact, put: bool) {
        fn by<T>(fact: &Fact, put: bool, what: T) -> Option<By<T>> {
            put.then(|| By {
                person: fact.performer.person().cloned(),
                site: fact.site.clone(),
                offset_s: fact.time.offset_s,
                what,
            })
        }
        let label = || Label::new(fact.subject.id()).ok();
        match Trace::of(&fact.event) {
            Trace::Person(what) => {
                let Ok(person) = PersonId::new(fact.subject.id()) else { return };
                match &what {
                    OfPerson::Granted { task, .. } => {
                        let lists = &mut self.granted_tasks;
                        change(lists, task.clone(), fact, put.then_some(()));
                    }
                    OfPerson::Enrolled { .. } if put => {
                        self.enrolments.insert(fact.time.ms(), fact.seq, ());
                    }
                    OfPerson::Enrolled { .. } => {
                        self.enrolments.remove(fact.time.ms(), fact.seq);
                    }
                    OfPerson::Left { .. }
                    | OfPerson::Withdrawn { .. }
                    | OfPerson::FitTested(_)
                    | OfPerson::Trained { .. }
                    | OfPerson::Acknowledged(_)
                    | OfPerson::Erased { .. } => {}
                }
                change(&mut self.persons, person, fact, by(fact, put, what));
            }
            Trace::Deviation(what) => {
                let Some(id) = label() else { return };
                change(&mut self.deviations, id, fact, by(fact, put, what));
            }
            Trace::Action(what) => {
                let Some(id) = label() else { return };
                change(&mut self.actions, id, fact, by(fact, put, what));
            }
            Trace::Handover(what) => {
                let Some(id) = label() else { return };
                change(&mut self.handovers, id, fact, by(fact, put, what));
            }
            Trace::Incident(what) => {
                let Some(id) = label() else { return };
                change(&mut self.incidents, id, fact, by(fact, put, *what));
            }
            Trace::Remark(what) => {
                let (subject, time_ms) = (fact.subject.to_string(), fact.time.ms());
                if let Some(told) = by(fact, put, what) {
                    self.remarks.entry(subject).or_default().insert(time_ms, fact.seq, told);
                } else if let Some(list) = self.remarks.get_mut(&subject) {
                    list.remove(time_ms, fact.seq);
                    if list.is_empty() {
                        self.remarks.remove(&subject);
                    }
                }
            }
            Trace::Nothing => {}
        }
    }
}
