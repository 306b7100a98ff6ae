//! The event catalogue: every kind of event, what it is about, who may record it, which cautions
//! belong to the work, and how its `data` is read.
//!
//! One table makes the enum, the decoder and the schemas, so that a new kind of event fails to
//! compile until every exhaustive `match` on [`Event`] handles it.

use chain::canon::Value;
use schemars::SchemaGenerator;
use serde::de::DeserializeOwned;

use crate::equipment::events::*;
use crate::ids::SubjectKind;
use crate::people::events::*;
use crate::powder::events::*;
use crate::record::events::*;
use crate::waste::events::*;

/// Prefix of every event type of this catalogue.
pub const TYPE_PREFIX: &str = "pulverlog.";

/// Who originates an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// People and machines of the shop: `site`, `time` and `subject` are required.
    Shop,
    /// A decision about entries or settings: `time` is required, `site` may be left out.
    Office,
    /// The log itself; never accepted from outside.
    Log,
}

/// One row of the catalogue.
#[derive(Debug, Clone, Copy)]
pub struct EventKind {
    /// Name without prefix, for example `cleaning.done`.
    pub name: &'static str,
    /// One sentence for people.
    pub summary: &'static str,
    /// Kinds the subject may be; empty means any.
    pub subjects: &'static [SubjectKind],
    /// Who originates it.
    pub origin: Origin,
    /// Roles that may record it (a `service` names the person in `operator`).
    pub roles: &'static [Role],
    /// Ids of the cautions that belong to the work.
    pub cautions: &'static [&'static str],
}

/// Why the `data` of an event could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{detail}")]
pub struct DataError {
    /// JSON pointer into the event, for example `/data/residue/mass/unit`.
    pub pointer: String,
    /// What is wrong and what is wanted.
    pub detail: String,
}

fn decode<T: DeserializeOwned>(data: &Value) -> Result<T, DataError> {
    if let Some(place) = find_null(data) {
        return Err(DataError {
            pointer: format!("/data{place}"),
            detail: "`null` is no value here: leave the member out".into(),
        });
    }
    let bytes = chain::canon::to_bytes(data);
    if let Ok(read) = serde_json::from_slice(&bytes) {
        return Ok(read);
    }
    // Again, keeping track of the place: that costs as much as the reading and is needed for faults only.
    let mut json = serde_json::Deserializer::from_slice(&bytes);
    serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let pointer = format!("/data{}", pointer(error.path()));
        DataError { pointer, detail: plain_words(&error.into_inner().to_string()) }
    })
}

/// JSON pointer (RFC 6901) of a place that was reached in reading. Names of members need no escape: the
/// profile of JSON has no `/` and no `~` in them.
pub fn pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .filter_map(|segment| match segment {
            Segment::Seq { index } => Some(format!("/{index}")),
            Segment::Map { key } => Some(format!("/{key}")),
            Segment::Enum { .. } | Segment::Unknown => None,
        })
        .collect()
}

/// The parser adds ` at line 1 column N`, which means nothing to whoever sent the event.
fn plain_words(message: &str) -> String {
    message.split(" at line ").next().unwrap_or(message).to_owned()
}

/// JSON pointer of the first `null`.
fn find_null(value: &Value) -> Option<String> {
    match value {
        Value::Null => Some(String::new()),
        Value::Bool(_) | Value::Int(_) | Value::String(_) => None,
        Value::Array(items) => items
            .iter()
            .enumerate()
            .find_map(|(i, item)| find_null(item).map(|place| format!("/{i}{place}"))),
        Value::Object(members) => members
            .iter()
            .find_map(|(name, member)| find_null(member).map(|place| format!("/{name}{place}"))),
    }
}

macro_rules! catalogue {
    ($($(#[doc = $doc:literal])* $variant:ident = $name:literal, about $subjects:expr, by $roles:expr, from $origin:ident, cautions $cautions:expr;)+) => {
        /// An event's content, decoded.
        #[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
        #[serde(tag = "type", content = "data")]
        pub enum Event { $($(#[doc = $doc])* #[serde(rename = $name)] $variant($variant)),+ }

        impl Event {
            /// Reads `data` for the event named `name` (without prefix). `None`: no such event.
            pub fn decode(name: &str, data: &Value) -> Option<Result<Event, DataError>> {
                match name { $($name => Some(decode::<$variant>(data).map(Event::$variant)),)+ _ => None }
            }
            /// The row of the catalogue.
            pub fn kind(&self) -> &'static EventKind {
                match self { $(Event::$variant(_) => {
                    const KIND: EventKind = EventKind {
                        name: $name, summary: concat!($($doc),*), subjects: $subjects,
                        origin: Origin::$origin, roles: $roles, cautions: $cautions,
                    };
                    &KIND
                }),+ }
            }
            /// The `data` member as JSON.
            pub fn data(&self) -> serde_json::Value {
                match self { $(Event::$variant(data) => serde_json::to_value(data)
                    .unwrap_or(serde_json::Value::Null)),+ }
            }
        }

        /// Every kind of event, in the order of the catalogue.
        pub const CATALOGUE: &[EventKind] = &[$(EventKind {
            name: $name, summary: concat!($($doc),*), subjects: $subjects,
            origin: Origin::$origin, roles: $roles, cautions: $cautions,
        }),+];

        /// JSON Schema (2020-12) of the `data` of each kind, by name; shared definitions go into
        /// the generator.
        pub fn data_schemas(generator: &mut SchemaGenerator) -> Vec<(&'static str, schemars::Schema)> {
            vec![$(($name, generator.subschema_for::<$variant>())),+]
        }
    };
}

use Role::{Admin, Ehs, Lead, Quality, Service, Technician};
use SubjectKind as On;

/// Work on the floor.
const FLOOR: &[Role] = &[Technician, Lead, Service];
/// Work on the floor, or by the safety officer.
const FLOOR_EHS: &[Role] = &[Technician, Lead, Ehs, Service];
/// Decisions about equipment and plans.
const LEADS: &[Role] = &[Lead, Service];
/// Custody of waste beyond the satellite area.
const WASTE: &[Role] = &[Ehs, Lead, Service];
/// Anybody who takes part in the work.
const EVERYONE: &[Role] = &[Technician, Lead, Quality, Ehs, Service];

const DUST: &[&str] = &["combustible_dust", "ignition_and_earthing", "breathing_protection"];
const DUST_LIFT: &[&str] =
    &["combustible_dust", "ignition_and_earthing", "breathing_protection", "lifting"];
const DUST_REACTIVE: &[&str] =
    &["combustible_dust", "ignition_and_earthing", "breathing_protection", "reactive_metal"];
const OPENING: &[&str] = &[
    "isolation",
    "combustible_dust",
    "ignition_and_earthing",
    "breathing_protection",
    "hot_powder",
];
const WASTE_CARE: &[&str] = &[
    "hazardous_waste",
    "combustible_dust",
    "ignition_and_earthing",
    "breathing_protection",
    "reactive_metal",
    "lifting",
];

catalogue! {
    /// A machine or device is known from now on.
    EquipmentRegistered = "equipment.registered", about &[On::Equipment], by &[Lead, Admin, Service], from Shop, cautions &[];
    /// A machine or device is no longer used.
    EquipmentRetired = "equipment.retired", about &[On::Equipment], by &[Lead, Admin, Service], from Shop, cautions &[];
    /// The maintenance plan of a machine was set.
    PlanSet = "plan.set", about &[On::Equipment], by LEADS, from Shop, cautions &[];
    /// A meter was read.
    MeterRead = "meter.read", about &[On::Equipment], by FLOOR, from Shop, cautions &[];
    /// A meter was replaced or reset.
    MeterReplaced = "meter.replaced", about &[On::Equipment], by LEADS, from Shop, cautions &[];
    /// Something was cleaned.
    CleaningDone = "cleaning.done", about &[On::Equipment], by FLOOR, from Shop, cautions OPENING;
    /// A part was exchanged.
    PartSwapped = "part.swapped", about &[On::Equipment], by FLOOR, from Shop, cautions OPENING;
    /// A part was put in.
    PartFitted = "part.fitted", about &[On::Equipment], by FLOOR, from Shop, cautions OPENING;
    /// A part was taken out.
    PartRemoved = "part.removed", about &[On::Equipment], by FLOOR, from Shop, cautions OPENING;
    /// A spare part came into stores.
    PartReceived = "part.received", about &[On::Site], by FLOOR, from Shop, cautions &[];
    /// Something was inspected.
    InspectionDone = "inspection.done", about &[On::Equipment], by EVERYONE, from Shop, cautions DUST;
    /// Something was measured against a limit.
    CheckDone = "check.done", about &[On::Equipment], by EVERYONE, from Shop, cautions DUST;
    /// The dust that lies in a room was measured.
    DustSurveyed = "dust.surveyed", about &[On::Site], by FLOOR_EHS, from Shop, cautions DUST;
    /// The dust that somebody breathed was measured.
    ExposureMeasured = "exposure.measured", about &[On::Site, On::Person], by &[Ehs, Service], from Shop, cautions &["breathing_protection"];
    /// A machine was isolated from energy.
    EquipmentIsolated = "equipment.isolated", about &[On::Equipment], by FLOOR, from Shop, cautions &["isolation"];
    /// A machine was returned to use.
    EquipmentReturned = "equipment.returned", about &[On::Equipment], by LEADS, from Shop, cautions &["isolation"];
    /// A due task was put off by a signed decision.
    TaskDeferred = "task.deferred", about &[On::Equipment], by &[Lead], from Shop, cautions &[];

    /// A lot of powder came in.
    LotReceived = "lot.received", about &[On::Lot], by EVERYONE, from Shop, cautions DUST_LIFT;
    /// A lot was tested.
    LotTested = "lot.tested", about &[On::Lot], by &[Quality, Service], from Shop, cautions &[];
    /// A lot was released for use.
    LotReleased = "lot.released", about &[On::Lot], by &[Quality], from Shop, cautions &[];
    /// A lot or some of its places was put on hold.
    LotHeld = "lot.held", about &[On::Lot], by &[Quality, Lead, Service], from Shop, cautions &[];
    /// A held lot was decided on by two people.
    LotDisposedOf = "lot.disposed_of", about &[On::Lot], by &[Quality], from Shop, cautions &[];
    /// Powder was filled into a hopper.
    PowderLoaded = "powder.loaded", about &[On::Equipment], by FLOOR, from Shop, cautions DUST_LIFT;
    /// Powder was sieved.
    PowderSieved = "powder.sieved", about &[On::Equipment], by FLOOR, from Shop, cautions DUST;
    /// Powders were blended into a new lot.
    PowderBlended = "powder.blended", about &[On::Lot], by FLOOR, from Shop, cautions DUST_LIFT;
    /// Powder was moved between places.
    PowderMoved = "powder.moved", about &[On::Lot, On::Equipment, On::Build], by EVERYONE, from Shop, cautions DUST_LIFT;
    /// A build began.
    BuildStarted = "build.started", about &[On::Build], by FLOOR, from Shop, cautions DUST_REACTIVE;
    /// A build ended.
    BuildFinished = "build.finished", about &[On::Build], by FLOOR, from Shop, cautions OPENING;
    /// Used powder was recovered from a build.
    PowderRecovered = "powder.recovered", about &[On::Build], by FLOOR, from Shop, cautions OPENING;
    /// The powder in a place was weighed.
    StockCounted = "stock.counted", about &[On::Site], by EVERYONE, from Shop, cautions DUST_LIFT;
    /// A recipe was set.
    RecipeSet = "recipe.set", about &[On::Recipe], by &[Lead, Quality], from Shop, cautions &[];

    /// A person determined what a waste stream is.
    StreamDetermined = "stream.determined", about &[On::Stream], by &[Ehs], from Shop, cautions &["hazardous_waste"];
    /// A waste container was started.
    ContainerOpened = "container.opened", about &[On::Container], by FLOOR_EHS, from Shop, cautions WASTE_CARE;
    /// Waste was put into a container.
    WasteAdded = "waste.added", about &[On::Container], by FLOOR_EHS, from Shop, cautions WASTE_CARE;
    /// The bag of a vacuum cleaner was changed.
    BagChanged = "bag.changed", about &[On::Equipment], by FLOOR_EHS, from Shop, cautions DUST_LIFT;
    /// A container was closed for good.
    ContainerClosed = "container.closed", about &[On::Container], by FLOOR_EHS, from Shop, cautions WASTE_CARE;
    /// A container was weighed.
    ContainerWeighed = "container.weighed", about &[On::Container], by FLOOR_EHS, from Shop, cautions WASTE_CARE;
    /// A container was marked.
    ContainerLabelled = "container.labelled", about &[On::Container], by FLOOR_EHS, from Shop, cautions WASTE_CARE;
    /// A container changed place and hands.
    ContainerMoved = "container.moved", about &[On::Container], by FLOOR_EHS, from Shop, cautions WASTE_CARE;
    /// An accumulation area was inspected.
    AreaInspected = "area.inspected", about &[On::Area], by WASTE, from Shop, cautions WASTE_CARE;
    /// More time to accumulate was granted.
    AccumulationExtended = "accumulation.extended", about &[On::Container], by &[Ehs], from Shop, cautions &[];
    /// A shipment was offered to a transporter.
    ShipmentOffered = "shipment.offered", about &[On::Shipment], by &[Ehs, Service], from Shop, cautions WASTE_CARE;
    /// A transporter accepted a shipment.
    ShipmentAccepted = "shipment.accepted", about &[On::Shipment], by &[Ehs, Service], from Shop, cautions WASTE_CARE;
    /// The facility received a shipment.
    ShipmentDelivered = "shipment.delivered", about &[On::Shipment], by &[Ehs, Service], from Shop, cautions &[];
    /// The facility refused containers.
    ShipmentRejected = "shipment.rejected", about &[On::Shipment], by &[Ehs, Service], from Shop, cautions WASTE_CARE;
    /// A missing signed copy was asked for.
    ShipmentQueried = "shipment.queried", about &[On::Shipment], by &[Ehs], from Shop, cautions &[];
    /// A discrepancy between shipped and received was found.
    DiscrepancyFound = "discrepancy.found", about &[On::Shipment], by &[Ehs, Service], from Shop, cautions &[];
    /// A discrepancy was settled.
    DiscrepancySettled = "discrepancy.settled", about &[On::Shipment], by &[Ehs], from Shop, cautions &[];
    /// A missing signed copy was reported to the authority.
    ExceptionReported = "exception.reported", about &[On::Shipment], by &[Ehs], from Shop, cautions &[];
    /// The facility certified the disposal.
    DisposalCertified = "disposal.certified", about &[On::Shipment], by &[Ehs, Service], from Shop, cautions &[];

    /// A person was enrolled by pseudonym.
    PersonEnrolled = "person.enrolled", about &[On::Person], by &[Admin, Lead], from Shop, cautions &[];
    /// A person left.
    PersonLeft = "person.left", about &[On::Person], by &[Admin, Lead], from Shop, cautions &[];
    /// A person was authorised for a task.
    AuthorisationGranted = "authorisation.granted", about &[On::Person], by &[Lead, Ehs], from Shop, cautions &[];
    /// An authorisation was withdrawn.
    AuthorisationWithdrawn = "authorisation.withdrawn", about &[On::Person], by &[Lead, Ehs], from Shop, cautions &[];
    /// A breathing mask was fit-tested.
    FitTestDone = "fit_test.done", about &[On::Person], by &[Ehs], from Shop, cautions &["breathing_protection"];
    /// A person was trained.
    TrainingDone = "training.done", about &[On::Person], by &[Lead, Ehs, Quality], from Shop, cautions &[];
    /// A person acknowledged the written policy on electronic signatures.
    SigningPolicyAcknowledged = "signing_policy.acknowledged", about &[On::Person], by &[Technician, Lead, Quality, Ehs], from Office, cautions &[];
    /// A deviation was opened.
    DeviationOpened = "deviation.opened", about &[On::Deviation], by EVERYONE, from Shop, cautions &[];
    /// A deviation was closed.
    DeviationClosed = "deviation.closed", about &[On::Deviation], by &[Quality], from Shop, cautions &[];
    /// An action was started.
    ActionOpened = "action.opened", about &[On::Action], by &[Quality, Lead, Ehs], from Shop, cautions &[];
    /// The effect of an action was checked.
    ActionChecked = "action.checked", about &[On::Action], by &[Quality], from Shop, cautions &[];
    /// A shift was handed over.
    HandoverGiven = "handover.given", about &[On::Handover], by FLOOR, from Shop, cautions &[];
    /// A handover was accepted.
    HandoverAccepted = "handover.accepted", about &[On::Handover], by FLOOR, from Shop, cautions &[];
    /// An incident was reported.
    IncidentReported = "incident.reported", about &[On::Incident], by EVERYONE, from Shop, cautions DUST_REACTIVE;
    /// A remark was added.
    NoteAdded = "note.added", about &[], by EVERYONE, from Shop, cautions &[];

    /// A person signed an entry.
    EntrySigned = "entry.signed", about &[On::Entry], by &[Technician, Lead, Quality, Ehs], from Office, cautions &[];
    /// The content of an entry was corrected.
    EntryCorrected = "entry.corrected", about &[On::Entry], by &[Technician, Lead, Quality, Ehs], from Office, cautions &[];
    /// An entry was declared void.
    EntryVoided = "entry.voided", about &[On::Entry], by &[Lead, Quality, Ehs], from Office, cautions &[];
    /// Configuration of a site changed.
    ConfigChanged = "config.changed", about &[On::Site], by &[Admin, Lead], from Office, cautions &[];
    /// A key was enrolled.
    KeyEnrolled = "key.enrolled", about &[On::Log], by &[Admin], from Office, cautions &[];
    /// A key was revoked.
    KeyRevoked = "key.revoked", about &[On::Log], by &[Admin], from Office, cautions &[];

    /// The log was opened.
    LogOpened = "log.opened", about &[On::Log], by &[], from Log, cautions &[];
    /// A cosigned checkpoint was kept.
    AnchorKept = "anchor.kept", about &[On::Log], by &[], from Log, cautions &[];
    /// A checkpoint of a followed log was kept.
    LogFollowed = "log.followed", about &[On::Log], by &[], from Log, cautions &[];
    /// A followed log contradicts what was kept of it.
    LogDisputed = "log.disputed", about &[On::Log], by &[], from Log, cautions &[];
    /// A report was issued.
    ReportIssued = "report.issued", about &[On::Log], by &[], from Log, cautions &[];
    /// The state of a fold was digested.
    FoldDigested = "fold.digested", about &[On::Log], by &[], from Log, cautions &[];
    /// Personal data was erased.
    DataErased = "data.erased", about &[On::Person], by &[], from Log, cautions &[];
    /// A command was stopped by a rule.
    AttemptRefused = "attempt.refused", about &[], by &[], from Log, cautions &[];
    /// A request was refused for want of a right.
    AccessRefused = "access.refused", about &[On::Log], by &[], from Log, cautions &[];
    /// The log was closed.
    LogClosed = "log.closed", about &[On::Log], by &[], from Log, cautions &[];
}

/// The row of the catalogue for a name without prefix.
pub fn kind_of(name: &str) -> Option<&'static EventKind> {
    CATALOGUE.iter().find(|kind| kind.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_caution_of_the_catalogue_exists() {
        for kind in CATALOGUE {
            for id in kind.cautions {
                assert!(crate::cautions::find(id).is_some(), "{}: {id}", kind.name);
            }
            assert!(!kind.summary.trim().is_empty(), "{}", kind.name);
            assert_eq!(kind.roles.is_empty(), kind.origin == Origin::Log, "{}", kind.name);
        }
    }

    #[test]
    fn a_wrong_member_is_named_by_a_pointer() {
        let check = |data: &str, pointer: &str, word: &str| {
            let value = chain::canon::parse(data.as_bytes()).unwrap();
            let error = Event::decode("cleaning.done", &value).unwrap().unwrap_err();
            assert_eq!(error.pointer, pointer, "{data}: {error}");
            assert!(error.detail.contains(word), "{data}: {error}");
        };
        check(r#"{"method":"vacuum"}"#, "/data", "missing field `target`");
        check(r#"{"target":"main","method":"blow_down"}"#, "/data/method", "unknown variant");
        check(
            r#"{"target":"main","method":"brush","colour":"red"}"#,
            "/data/colour",
            "unknown field `colour`",
        );
        check(
            r#"{"target":"main","method":"brush","residue":{"mass":{"value":"1","unit":"L"},"into":"waste/D-1"}}"#,
            "/data/residue/mass/unit",
            "`L` is no unit of mass",
        );
        check(r#"{"target":"main","method":null}"#, "/data/method", "leave the member out");
    }
}
