//! What each event tells about machines, and what the fold keeps of it: the recorded form, who
//! told it and on which local day. Photos stay with their entry.

use serde::{Deserialize, Serialize};

use super::events::*;
use crate::catalogue::Event;
use crate::common::Outcome;
use crate::fact::Fact;
use crate::forms::words;
use crate::ids::{Code, Label, PersonId, SubjectKind};

/// One fact of a machine's life.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Told {
    pub(crate) person: Option<PersonId>,
    pub(crate) offset_s: i32,
    pub(crate) what: What,
}

impl Told {
    /// What `fact` tells, with who told it.
    pub(crate) fn by(fact: &Fact, what: What) -> Self {
        let person = fact.performer.person().cloned();
        Self { person, offset_s: fact.time.offset_s, what }
    }
}

/// Its content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum What {
    Registered {
        site: Option<Label>,
        form: Box<EquipmentRegistered>,
    },
    Retired(Box<EquipmentRetired>),
    PlanSet(Box<PlanSet>),
    Read {
        meter: Label,
        reading: MeterValue,
    },
    MeterReplaced(Box<MeterReplaced>),
    Cleaned(Box<CleaningDone>),
    Swapped(Box<PartSwapped>),
    Fitted(Box<PartFitted>),
    Removed(Box<PartRemoved>),
    Inspected(Box<InspectionDone>),
    Checked(Box<CheckDone>),
    Isolated(Box<EquipmentIsolated>),
    Returned(Box<EquipmentReturned>),
    Deferred(Box<TaskDeferred>),
    /// The bag of a vacuum cleaner was changed.
    BagChanged,
}

impl What {
    /// The reading it brings.
    pub(crate) fn reading(&self) -> Option<(&Label, &MeterValue)> {
        let along = match self {
            What::Read { meter, reading } => return Some((meter, reading)),
            What::MeterReplaced(form) => return Some((&form.meter, &form.last_old)),
            What::Cleaned(form) => &form.reading,
            What::Swapped(form) => &form.reading,
            What::Fitted(form) => &form.reading,
            What::Removed(form) => &form.reading,
            What::Inspected(form) => &form.reading,
            What::Checked(form) => &form.reading,
            What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::Deferred(_)
            | What::BagChanged => return None,
        };
        along.as_ref().map(|r| (&r.meter, &r.value))
    }

    /// The position whose part it changes.
    pub(crate) fn position(&self) -> Option<&Label> {
        match self {
            What::Swapped(form) => Some(&form.position),
            What::Fitted(form) => Some(&form.position),
            What::Removed(form) => Some(&form.position),
            What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Read { .. }
            | What::MeterReplaced(_)
            | What::Cleaned(_)
            | What::Inspected(_)
            | What::Checked(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::Deferred(_)
            | What::BagChanged => None,
        }
    }

    /// The part it takes out.
    pub(crate) fn part_out(&self) -> Option<&PartOut> {
        match self {
            What::Swapped(form) => Some(&form.out),
            What::Removed(form) => Some(&form.out),
            What::Fitted(_)
            | What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Read { .. }
            | What::MeterReplaced(_)
            | What::Cleaned(_)
            | What::Inspected(_)
            | What::Checked(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::Deferred(_)
            | What::BagChanged => None,
        }
    }

    /// The part it puts in.
    pub(crate) fn part_in(&self) -> Option<&PartIn> {
        match self {
            What::Swapped(form) => Some(&form.fitted),
            What::Fitted(form) => Some(&form.fitted),
            What::Removed(_)
            | What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Read { .. }
            | What::MeterReplaced(_)
            | What::Cleaned(_)
            | What::Inspected(_)
            | What::Checked(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::Deferred(_)
            | What::BagChanged => None,
        }
    }

    /// Its result, when it is an inspection or check.
    pub(crate) fn result(&self) -> Option<Outcome> {
        match self {
            What::Inspected(form) => Some(form.result),
            What::Checked(form) => Some(form.result),
            What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Read { .. }
            | What::MeterReplaced(_)
            | What::Cleaned(_)
            | What::Swapped(_)
            | What::Fitted(_)
            | What::Removed(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::Deferred(_)
            | What::BagChanged => None,
        }
    }

    /// The work it is: action, target, and the task it names.
    pub(crate) fn work(&self) -> Option<(TaskAction, &str, Option<&Code>)> {
        match self {
            What::Cleaned(form) => {
                Some((TaskAction::Clean, form.target.as_str(), form.task.as_ref()))
            }
            What::Swapped(form) => {
                Some((TaskAction::Replace, form.position.as_str(), form.task.as_ref()))
            }
            What::Fitted(form) => Some((TaskAction::Replace, form.position.as_str(), None)),
            What::Inspected(form) => {
                Some((TaskAction::Inspect, form.target.as_str(), form.task.as_ref()))
            }
            What::Checked(form) => {
                // A check of the whole machine has its kind for a target.
                let target = form.target.as_ref().map_or(form.check.as_str(), Label::as_str);
                Some((TaskAction::Check, target, form.task.as_ref()))
            }
            What::BagChanged => Some((TaskAction::Replace, BAG_TARGET, None)),
            What::Registered { .. }
            | What::Retired(_)
            | What::PlanSet(_)
            | What::Read { .. }
            | What::MeterReplaced(_)
            | What::Removed(_)
            | What::Isolated(_)
            | What::Returned(_)
            | What::Deferred(_) => None,
        }
    }
}

/// Target of the plan that a changed vacuum bag replaces.
pub const BAG_TARGET: &str = "bag";

words! {
    /// How an event used a machine.
    pub enum UseKind {
        /// Powder ran through it, or it was filled.
        Work = "work",
        /// Something was weighed on it.
        Weighing = "weighing",
    }
}

/// What one event tells about machines and spare parts.
#[derive(Debug, Default)]
pub(crate) struct Trace<'a> {
    /// A fact of the life of the machine that is the subject.
    pub(crate) life: Option<What>,
    /// Machines it used.
    pub(crate) uses: Vec<(&'a str, UseKind)>,
    /// A spare part that came into stores.
    pub(crate) received: Option<&'a PartReceived>,
    /// What was measured in a room.
    pub(crate) room: Option<Survey<'a>>,
}

/// What was measured in a room.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Survey<'a> {
    /// The dust that lies in it.
    Dust(&'a DustSurveyed),
    /// The dust in its air.
    Air(&'a ExposureMeasured),
}

impl<'a> Trace<'a> {
    fn life(what: What) -> Self {
        Trace { life: Some(what), ..Trace::default() }
    }

    fn weighing(scale: Option<&'a Label>) -> Self {
        Trace::default().weighed(scale)
    }

    fn work(machine: &'a str) -> Self {
        Trace { uses: vec![(machine, UseKind::Work)], ..Trace::default() }
    }

    fn weighed(mut self, scale: Option<&'a Label>) -> Self {
        self.uses.extend(scale.map(|s| (s.as_str(), UseKind::Weighing)));
        self
    }

    /// What `fact` tells.
    pub(crate) fn of(fact: &'a Fact) -> Trace<'a> {
        let subject = fact.subject.id();
        match &fact.event {
            Event::EquipmentRegistered(e) => {
                Trace::life(What::Registered { site: fact.site.clone(), form: Box::new(e.clone()) })
            }
            Event::EquipmentRetired(e) => Trace::life(What::Retired(Box::new(e.clone()))),
            Event::PlanSet(e) => Trace::life(What::PlanSet(Box::new(e.clone()))),
            Event::MeterRead(e) => {
                Trace::life(What::Read { meter: e.meter.clone(), reading: e.reading.clone() })
            }
            Event::MeterReplaced(e) => Trace::life(What::MeterReplaced(Box::new(e.clone()))),
            Event::CleaningDone(e) => Trace::life(What::Cleaned(Box::new(CleaningDone {
                evidence: Vec::new(),
                ..e.clone()
            })))
            .weighed(e.residue.as_ref().and_then(|r| r.scale.as_ref())),
            Event::PartSwapped(e) => Trace::life(What::Swapped(Box::new(PartSwapped {
                evidence: Vec::new(),
                ..e.clone()
            }))),
            Event::PartFitted(e) => Trace::life(What::Fitted(Box::new(PartFitted {
                evidence: Vec::new(),
                ..e.clone()
            }))),
            Event::PartRemoved(e) => Trace::life(What::Removed(Box::new(PartRemoved {
                evidence: Vec::new(),
                ..e.clone()
            }))),
            Event::InspectionDone(e) => Trace::life(What::Inspected(Box::new(InspectionDone {
                evidence: Vec::new(),
                ..e.clone()
            }))),
            Event::CheckDone(e) => Trace::life(What::Checked(Box::new(CheckDone {
                evidence: Vec::new(),
                ..e.clone()
            }))),
            Event::EquipmentIsolated(e) => Trace::life(What::Isolated(Box::new(e.clone()))),
            Event::EquipmentReturned(e) => Trace::life(What::Returned(Box::new(e.clone()))),
            Event::TaskDeferred(e) => Trace::life(What::Deferred(Box::new(e.clone()))),
            Event::BagChanged(e) => Trace::life(What::BagChanged).weighed(e.scale.as_ref()),
            Event::PartReceived(e) => Trace { received: Some(e), ..Trace::default() },
            Event::DustSurveyed(e) => Trace { room: Some(Survey::Dust(e)), ..Trace::default() },
            Event::ExposureMeasured(e) => Trace { room: Some(Survey::Air(e)), ..Trace::default() },

            Event::PowderLoaded(e) => Trace::work(subject).weighed(e.scale.as_ref()),
            Event::PowderSieved(e) => Trace::work(subject).weighed(e.scale.as_ref()),
            Event::PowderBlended(e) => Trace::work(e.blender.as_str()).weighed(e.scale.as_ref()),
            Event::BuildStarted(e) => Trace::work(e.printer.as_str()),
            Event::BuildFinished(e) => Trace::weighing(e.scale.as_ref()),
            Event::PowderRecovered(e) => Trace::weighing(e.scale.as_ref()),
            Event::PowderMoved(e) => Trace::weighing(e.scale.as_ref()),
            Event::StockCounted(e) => Trace::weighing(e.scale.as_ref()),
            Event::WasteAdded(e) => Trace::weighing(e.scale.as_ref()),
            Event::ContainerWeighed(e) => Trace::weighing(Some(&e.scale)),

            Event::LotReceived(_)
            | Event::LotTested(_)
            | Event::LotReleased(_)
            | Event::LotHeld(_)
            | Event::LotDisposedOf(_)
            | Event::RecipeSet(_)
            | Event::StreamDetermined(_)
            | Event::ContainerOpened(_)
            | Event::ContainerClosed(_)
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
            | Event::PersonEnrolled(_)
            | Event::PersonLeft(_)
            | Event::AuthorisationGranted(_)
            | Event::AuthorisationWithdrawn(_)
            | Event::FitTestDone(_)
            | Event::TrainingDone(_)
            | Event::SigningPolicyAcknowledged(_)
            | Event::DeviationOpened(_)
            | Event::DeviationClosed(_)
            | Event::ActionOpened(_)
            | Event::ActionChecked(_)
            | Event::HandoverGiven(_)
            | Event::HandoverAccepted(_)
            | Event::IncidentReported(_)
            | Event::NoteAdded(_)
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
            | Event::DataErased(_)
            | Event::AttemptRefused(_)
            | Event::AccessRefused(_)
            | Event::LogClosed(_) => Trace::default(),
        }
    }
}

/// The machine a fact is about.
pub(crate) fn machine_of(fact: &Fact) -> Option<Label> {
    (fact.subject.kind == SubjectKind::Equipment).then(|| Label::new(fact.subject.id()).ok())?
}

/// Every machine that a fact tells of: the one it is about, and those it used.
pub(crate) fn machines_told_of(fact: &Fact) -> Vec<Label> {
    let trace = Trace::of(fact);
    let used = trace.uses.iter().filter_map(|(machine, _)| Label::new(machine).ok());
    machine_of(fact).filter(|_| trace.life.is_some()).into_iter().chain(used).collect()
}
