//! What a person could and may do at a point in time.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::events::{Role, SigningPolicy};
use super::{OfPerson, People};
use crate::catalogue::Event;
use crate::common::{Day, Interval, Outcome};
use crate::equipment::{DayNumber, date_of, day_number, local_day};
use crate::fact::Fact;
use crate::ids::{Code, Label, PersonId};

/// Site parameter: `1` when nobody does dusty work without a valid fit test.
pub const FIT_TEST_REQUIRED: &str = "fit_test_required";

/// A point in the record: facts at or before it count.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    pub(crate) time_ms: i64,
    pub(crate) seq: u64,
    pub(crate) day: DayNumber,
}

impl Point {
    /// Just before a fact.
    pub(crate) fn before(fact: &Fact) -> Self {
        let time_ms = fact.time.ms();
        Self { time_ms, seq: fact.seq, day: local_day(time_ms, fact.time.offset_s) }
    }

    /// Whether a fact at (`time_ms`, `seq`) lies before.
    pub(crate) fn after(self, time_ms: i64, seq: u64) -> bool {
        (time_ms, seq) < (self.time_ms, self.seq)
    }
}

/// Whether a person may do a task.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum Authority {
    /// Granted and in date.
    Valid {
        /// Entry of the grant.
        entry: u64,
        /// Last valid day.
        valid_to: Day,
    },
    /// Granted, but its last day is past.
    Expired {
        /// Entry of the grant.
        entry: u64,
        /// Last valid day.
        valid_to: Day,
    },
    /// Taken back.
    Withdrawn {
        /// Entry of the withdrawal.
        entry: u64,
    },
    /// Never granted.
    None,
}

/// A fit test in date, or the newest one that is not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct FitTest {
    pub(crate) seq: u64,
    pub(crate) model: Label,
    pub(crate) size: Label,
    pub(crate) result: Outcome,
    pub(crate) valid_to: Day,
}

/// Last valid day of a fit test: a year, or less when the record says so (29 CFR 1910.134(f)(2):
/// at least yearly).
pub(crate) fn fit_test_valid_to(tested_on: DayNumber, stated: Option<Day>) -> Day {
    // `P1Y` is a constant of the right form; should it ever not be, the test day itself counts.
    let year = Interval::new("P1Y").map_or(date_of(tested_on), |y| y.after(date_of(tested_on)));
    stated.filter(|d| d.0 < year).unwrap_or(Day(year))
}

impl People {
    fn facts_before(
        &self,
        person: &PersonId,
        point: Point,
    ) -> impl DoubleEndedIterator<Item = (u64, i64, i32, &OfPerson)> {
        let facts = self.persons.get(person).into_iter().flat_map(|t| t.iter());
        let facts = facts.filter(move |m| point.after(m.time_ms, m.seq));
        facts.map(|m| (m.seq, m.time_ms, m.value.offset_s, &m.value.what))
    }

    /// Whether the log had enrolled anybody before a point: from then on people are expected.
    pub(crate) fn keeps_people(&self, point: Point) -> bool {
        self.enrolments.iter().next().is_some_and(|m| point.after(m.time_ms, m.seq))
    }

    /// Roles of a person at a point, with the enrolment that gave them.
    pub(crate) fn roles(&self, person: &PersonId, point: Point) -> Option<(u64, &[Role])> {
        self.facts_before(person, point).rev().find_map(|(seq, _, _, what)| match what {
            OfPerson::Enrolled { roles } => Some((seq, roles.as_slice())),
            OfPerson::Left { .. }
            | OfPerson::Granted { .. }
            | OfPerson::Withdrawn { .. }
            | OfPerson::FitTested(_)
            | OfPerson::Acknowledged(_)
            | OfPerson::Trained { .. }
            | OfPerson::Erased { .. } => None,
        })
    }

    /// Last day of a person who left and was not enrolled again: entry and day.
    pub(crate) fn left(&self, person: &PersonId, point: Point) -> Option<(u64, Day)> {
        let mut left = None;
        for (seq, _, _, what) in self.facts_before(person, point) {
            match what {
                OfPerson::Left { last_day } => left = Some((seq, *last_day)),
                OfPerson::Enrolled { .. } => left = None,
                OfPerson::Granted { .. }
                | OfPerson::Withdrawn { .. }
                | OfPerson::FitTested(_)
                | OfPerson::Acknowledged(_)
                | OfPerson::Trained { .. }
                | OfPerson::Erased { .. } => {}
            }
        }
        left
    }

    /// Last day of a person who left and was not enrolled again, once that day is over everywhere:
    /// the zone that comes last is 12 hours behind UTC.
    pub fn gone(&self, person: &PersonId, now: Timestamp) -> Option<Day> {
        const LAST_ZONE_S: i32 = -12 * 3600;
        let time_ms = now.as_millisecond();
        let day = local_day(time_ms, LAST_ZONE_S);
        let (_, last_day) = self.left(person, Point { time_ms, seq: u64::MAX, day })?;
        (crate::equipment::day_number(last_day.0) < day).then_some(last_day)
    }

    /// Whether a person has acknowledged this version of the policy on electronic signatures, in person;
    /// before a point, or at all.
    pub(crate) fn acknowledged(
        &self,
        person: &PersonId,
        policy: &SigningPolicy,
        before: Option<Point>,
    ) -> bool {
        self.persons.get(person).is_some_and(|facts| {
            facts.iter().any(|m| {
                before.is_none_or(|point| point.after(m.time_ms, m.seq))
                    && m.value.person.as_ref() == Some(person)
                    && matches!(&m.value.what, OfPerson::Acknowledged(known) if known == policy)
            })
        })
    }

    /// Whether anybody was authorised for a task before a point: from then on the task needs it.
    pub(crate) fn is_authorised_task(&self, task: &Code, point: Point) -> bool {
        let first = self.granted_tasks.get(task).and_then(|t| t.iter().next());
        first.is_some_and(|m| point.after(m.time_ms, m.seq))
    }

    /// Whether a person may do a task at a point: the longest grant since the last withdrawal.
    pub(crate) fn authority(&self, person: &PersonId, task: &Code, point: Point) -> Authority {
        let mut authority = Authority::None;
        for (seq, _, _, what) in self.facts_before(person, point) {
            match what {
                OfPerson::Granted { task: granted, valid_to } if granted == task => {
                    let longer = match &authority {
                        Authority::Valid { valid_to: known, .. } => valid_to >= known,
                        Authority::Expired { .. } | Authority::Withdrawn { .. } => true,
                        Authority::None => true,
                    };
                    if longer {
                        authority = Authority::Valid { entry: seq, valid_to: *valid_to };
                    }
                }
                OfPerson::Withdrawn { task: taken, .. } if taken == task => {
                    authority = Authority::Withdrawn { entry: seq };
                }
                OfPerson::Granted { .. }
                | OfPerson::Withdrawn { .. }
                | OfPerson::Enrolled { .. }
                | OfPerson::Left { .. }
                | OfPerson::FitTested(_)
                | OfPerson::Acknowledged(_)
                | OfPerson::Trained { .. }
                | OfPerson::Erased { .. } => {}
            }
        }
        match authority {
            Authority::Valid { entry, valid_to } if day_number(valid_to.0) < point.day => {
                Authority::Expired { entry, valid_to }
            }
            Authority::Valid { .. }
            | Authority::Expired { .. }
            | Authority::Withdrawn { .. }
            | Authority::None => authority,
        }
    }

    /// The newest fit test of each model and size before a point.
    pub(crate) fn fit_tests(&self, person: &PersonId, point: Point) -> Vec<FitTest> {
        let mut newest: Vec<FitTest> = Vec::new();
        for (seq, time_ms, offset_s, what) in self.facts_before(person, point) {
            if let OfPerson::FitTested(test) = what {
                newest.retain(|t| t.model != test.model || t.size != test.size);
                newest.push(FitTest {
                    seq,
                    model: test.model.clone(),
                    size: test.size.clone(),
                    result: test.result,
                    valid_to: fit_test_valid_to(local_day(time_ms, offset_s), test.valid_to),
                });
            }
        }
        newest
    }
}

impl FitTest {
    /// Whether it lets the person do dusty work on a day.
    pub(crate) fn is_valid_on(&self, day: DayNumber) -> bool {
        self.result == Outcome::Pass && day_number(self.valid_to.0) >= day
    }
}

/// Names under which work may be authorised, beside the tasks of a plan and the name of the event
/// itself with `_` for `.`: our own vocabulary of activities.
pub mod activities {
    /// Changing a sieve.
    pub const SIEVE_CHANGE: &str = "sieve_change";
    /// Changing a filter.
    pub const FILTER_CHANGE: &str = "filter_change";
    /// Changing any other part.
    pub const PART_CHANGE: &str = "part_change";
    /// Cleaning a machine.
    pub const CLEANING: &str = "cleaning";
    /// Inspecting and checking.
    pub const CHECKING: &str = "checking";
    /// Isolating a machine and giving it back.
    pub const ISOLATION: &str = "isolation";
    /// Receiving, filling, blending, moving and recovering powder.
    pub const POWDER_HANDLING: &str = "powder_handling";
    /// Sieving powder.
    pub const SIEVING: &str = "sieving";
    /// Running a build.
    pub const BUILD: &str = "build";
    /// Handling waste on site.
    pub const WASTE_HANDLING: &str = "waste_handling";
    /// Shipping waste.
    pub const WASTE_SHIPPING: &str = "waste_shipping";
}

/// What kind of activity an event is; `kind` is the part kind of the position it names.
pub(crate) fn activity_of(
    event: &Event,
    kind: Option<crate::equipment::events::PartKind>,
) -> Option<&'static str> {
    use crate::equipment::events::PartKind;
    match event {
        Event::PartSwapped(_) | Event::PartFitted(_) | Event::PartRemoved(_) => match kind {
            Some(PartKind::Sieve) => Some(activities::SIEVE_CHANGE),
            Some(PartKind::HepaFilter | PartKind::PreFilter) => Some(activities::FILTER_CHANGE),
            Some(
                PartKind::Gasket
                | PartKind::Recoater
                | PartKind::OxygenSensor
                | PartKind::Window
                | PartKind::Hose
                | PartKind::Other,
            )
            | None => Some(activities::PART_CHANGE),
        },
        Event::CleaningDone(_) => Some(activities::CLEANING),
        Event::InspectionDone(_) | Event::CheckDone(_) => Some(activities::CHECKING),
        Event::EquipmentIsolated(_) | Event::EquipmentReturned(_) => Some(activities::ISOLATION),
        Event::LotReceived(_)
        | Event::PowderLoaded(_)
        | Event::PowderBlended(_)
        | Event::PowderMoved(_)
        | Event::PowderRecovered(_)
        | Event::StockCounted(_) => Some(activities::POWDER_HANDLING),
        Event::PowderSieved(_) => Some(activities::SIEVING),
        Event::BuildStarted(_) | Event::BuildFinished(_) => Some(activities::BUILD),
        Event::ContainerOpened(_)
        | Event::WasteAdded(_)
        | Event::BagChanged(_)
        | Event::ContainerClosed(_)
        | Event::ContainerWeighed(_)
        | Event::ContainerLabelled(_)
        | Event::ContainerMoved(_)
        | Event::AreaInspected(_) => Some(activities::WASTE_HANDLING),
        Event::ShipmentOffered(_)
        | Event::ShipmentAccepted(_)
        | Event::ShipmentDelivered(_)
        | Event::ShipmentRejected(_)
        | Event::ShipmentQueried(_)
        | Event::DiscrepancyFound(_)
        | Event::DiscrepancySettled(_)
        | Event::ExceptionReported(_)
        | Event::DisposalCertified(_)
        | Event::AccumulationExtended(_) => Some(activities::WASTE_SHIPPING),
        Event::EquipmentRegistered(_)
        | Event::EquipmentRetired(_)
        | Event::PlanSet(_)
        | Event::MeterRead(_)
        | Event::MeterReplaced(_)
        | Event::PartReceived(_)
        | Event::TaskDeferred(_)
        | Event::DustSurveyed(_)
        | Event::ExposureMeasured(_)
        | Event::LotTested(_)
        | Event::LotReleased(_)
        | Event::LotHeld(_)
        | Event::LotDisposedOf(_)
        | Event::RecipeSet(_)
        | Event::StreamDetermined(_)
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
        | Event::LogClosed(_) => None,
    }
}

/// Whether the work raises dust, so that the person wears a fitted mask.
pub(crate) fn is_dusty(event: &Event) -> bool {
    let activity = activity_of(event, None);
    let handles_dust = [
        activities::CLEANING,
        activities::PART_CHANGE,
        activities::POWDER_HANDLING,
        activities::SIEVING,
    ];
    let by_activity = activity.is_some_and(|a| handles_dust.contains(&a))
        && !matches!(event, Event::LotReceived(_) | Event::StockCounted(_));
    by_activity || matches!(event, Event::WasteAdded(_) | Event::BagChanged(_))
}
