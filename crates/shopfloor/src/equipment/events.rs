//! What can be recorded about machines, their meters, parts, plans and checks.

use crate::common::{Check, Day, Evidence, Interval, Outcome};
use crate::forms::{record, words};
use crate::ids::{Code, Label, PersonId, Place, Reason, Title};
use crate::quantity::{
    AnyQuantity, Aperture, Area, Concentration, Density, Height, Hours, Limit, Mass, Minutes,
};

words! {
    /// What a machine or device is.
    pub enum EquipmentKind {
        /// Powder-bed printer.
        Printer = "printer",
        /// Sieving station.
        SievingStation = "sieving_station",
        /// Blender or mixer.
        Blender = "blender",
        /// Vacuum cleaner.
        Vacuum = "vacuum",
        /// Scale.
        Scale = "scale",
        /// Extraction (local exhaust ventilation).
        Extraction = "extraction",
        /// Storage for powder or waste.
        Storage = "storage",
        /// Anything else.
        Other = "other",
    }
}

words! {
    /// What kind of part sits in a position.
    pub enum PartKind {
        /// Sieve or screen.
        Sieve = "sieve",
        /// High-efficiency particulate filter.
        HepaFilter = "hepa_filter",
        /// Pre-filter.
        PreFilter = "pre_filter",
        /// Gasket or seal.
        Gasket = "gasket",
        /// Recoater blade or roller.
        Recoater = "recoater",
        /// Oxygen sensor.
        OxygenSensor = "oxygen_sensor",
        /// Window or lens.
        Window = "window",
        /// Hose.
        Hose = "hose",
        /// Anything else.
        Other = "other",
    }
}

words! {
    /// What a meter counts.
    pub enum MeterUnit {
        /// Hours.
        Hours = "h",
        /// Cycles or builds.
        Count = "1",
    }
}

record! {
    /// A meter on a machine.
    pub struct Meter {
        /// Id of the meter, unique on the machine.
        id: Label,
        /// What it counts.
        unit: MeterUnit,
        /// Value at which it starts again from zero.
        [rolls_over_at]: Hours,
    }
}

record! {
    /// A place on a machine that holds an exchangeable part.
    pub struct Position {
        /// Id of the position, unique on the machine.
        id: Label,
        /// What belongs there.
        part_kind: PartKind,
    }
}

record! {
    /// Metrological data of a scale (OIML R 76-1).
    pub struct ScaleData {
        /// Verification scale interval e.
        interval: Mass,
        /// Maximum capacity.
        capacity: Mass,
    }
}

record! {
    /// A machine is known from now on.
    pub struct EquipmentRegistered {
        /// What it is.
        kind: EquipmentKind,
        /// Short display name.
        label: Title,
        /// Room it stands in.
        room: Label,
        /// Its meters.
        [meters]: Vec<Meter>,
        /// Positions of exchangeable parts.
        [positions]: Vec<Position>,
        /// For a scale: its metrological data.
        [scale]: ScaleData,
    }
}

record! {
    /// A machine is no longer used.
    pub struct EquipmentRetired {
        /// Why.
        reason: Reason,
    }
}

words! {
    /// What a planned task does.
    pub enum TaskAction {
        /// Clean.
        Clean = "clean",
        /// Replace a part.
        Replace = "replace",
        /// Look at and judge.
        Inspect = "inspect",
        /// Measure or test.
        Check = "check",
    }
}

words! {
    /// Where an interval comes from.
    pub enum PlanBasis {
        /// The machine's own manual.
        Manual = "manual",
        /// A published rule or standard, cited.
        Published = "published",
        /// The site's own experience.
        Site = "site",
        /// Common practice of the trade, no source.
        CommonPractice = "common_practice",
    }
}

record! {
    /// Where an interval comes from, shown wherever the task is shown.
    pub struct PlanSource {
        /// Kind of source.
        basis: PlanBasis,
        /// Title and section, where there is one.
        [citation]: Title,
    }
}

record! {
    /// A limit in meter units.
    pub struct MeterInterval {
        /// Which meter counts.
        meter: Label,
        /// How much of it.
        quantity: MeterValue,
    }
}

/// A value of a meter: hours, or a count written with unit `1`.
pub type MeterValue = AnyQuantity;

record! {
    /// A reading taken while doing the work.
    pub struct MeterReading {
        /// Which meter.
        meter: Label,
        /// What it showed.
        value: MeterValue,
    }
}

record! {
    /// One task of a maintenance plan. Due when the first of its limits is reached.
    pub struct PlannedTask {
        /// Name of the task, unique in the plan.
        task: Code,
        /// What is to be done.
        action: TaskAction,
        /// A position of the machine, or the machine part the task is about.
        target: Label,
        /// Limit by meter.
        [every]: MeterInterval,
        /// Limit by calendar.
        [calendar]: Interval,
        /// Share of a limit at which the task is shown as due soon, in percent.
        warn_percent: Percent,
        /// Tasks that doing this one also does (a replaced sieve is a clean sieve).
        [also_does]: Vec<Code>,
        /// Cautions to show before the work, by id of the caution catalogue.
        [cautions]: Vec<Code>,
        /// Where the interval comes from.
        source: PlanSource,
    }
}

/// A whole percentage from 1 to 100.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct Percent(pub u8);

impl<'de> serde::Deserialize<'de> for Percent {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let value = u8::deserialize(d)?;
        if (1..=100).contains(&value) {
            Ok(Self(value))
        } else {
            Err(serde::de::Error::custom("a percentage is a whole number from 1 to 100"))
        }
    }
}
impl schemars::JsonSchema for Percent {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Percent".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "integer", "minimum": 1, "maximum": 100 })
    }
}

record! {
    /// The plan of a machine, replacing the one before. Counts go on; only limits change.
    pub struct PlanSet {
        /// The tasks.
        tasks: Vec<PlannedTask>,
    }
}

record! {
    /// A meter was read.
    pub struct MeterRead {
        /// Which meter.
        meter: Label,
        /// What it showed.
        reading: MeterValue,
        /// Photo of the display.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// A meter was replaced or reset.
    pub struct MeterReplaced {
        /// Which meter.
        meter: Label,
        /// Last reading of the old one.
        last_old: MeterValue,
        /// First reading of the new one.
        first_new: MeterValue,
        /// Why.
        reason: Reason,
    }
}

words! {
    /// How something was cleaned. Blowing down is not on the list: it raises a dust cloud
    /// (trade-values.md B4, cleaning method).
    pub enum CleaningMethod {
        /// With a vacuum cleaner.
        Vacuum = "vacuum",
        /// With a brush.
        Brush = "brush",
        /// With a wipe.
        Wipe = "wipe",
        /// Another way.
        Other = "other",
    }
}

record! {
    /// What came off while cleaning, and where it went.
    pub struct Residue {
        /// Mass that came off.
        mass: Mass,
        /// Where it came from, when it was powder of a known place.
        [from]: Place,
        /// Where it went (vacuum bag, waste container, bin).
        into: Place,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

record! {
    /// A target was cleaned.
    pub struct CleaningDone {
        /// The planned task this does, if it is one.
        [task]: Code,
        /// What was cleaned.
        target: Label,
        /// How.
        method: CleaningMethod,
        /// Meter reading at the time.
        [reading]: MeterReading,
        /// What came off.
        [residue]: Residue,
        /// Steps, one by one.
        [checks]: Vec<Check>,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

words! {
    /// State of a part that was taken out.
    pub enum PartCondition {
        /// Sound: it could have gone on.
        Sound = "sound",
        /// Worn or at the end of its interval.
        Worn = "worn",
        /// Torn, broken or failed.
        Failed = "failed",
    }
}

record! {
    /// The part that was taken out.
    pub struct PartOut {
        /// Its serial.
        serial: Label,
        /// Why it came out.
        reason: Reason,
        /// In what state.
        condition: PartCondition,
        /// Mass of the used part as waste.
        [mass]: Mass,
        /// Waste container it went into.
        [container]: Label,
    }
}

record! {
    /// What a part is specified to be.
    pub struct PartSpec {
        /// Sieve: nominal aperture.
        [aperture]: Aperture,
        /// Sieve: the specification that gives its tolerances (ISO 3310-1, ASTM E11, an order).
        [spec_id]: Label,
        /// Filter: class (EN 1822, ISO 29463).
        [filter_class]: Label,
    }
}

record! {
    /// The part that was put in.
    pub struct PartIn {
        /// Its serial.
        serial: Label,
        /// Production lot of the part.
        [lot]: Label,
        /// What it is specified to be.
        spec: PartSpec,
        /// Digest of its certificate.
        [certificate]: crate::ids::FileDigest,
        /// Day after which it must not be used.
        [use_before]: Day,
    }
}

record! {
    /// A part was exchanged for another.
    pub struct PartSwapped {
        /// The planned task this does, if it is one.
        [task]: Code,
        /// Where.
        position: Label,
        /// What came out.
        out: PartOut,
        /// What went in (`in` in the record).
        #[serde(rename = "in")]
        fitted: PartIn,
        /// Steps, one by one (airflow arrow matches, gasket seated, area vacuumed).
        [checks]: Vec<Check>,
        /// Meter reading at the time.
        [reading]: MeterReading,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// A part was put into an empty position.
    pub struct PartFitted {
        /// Where.
        position: Label,
        /// What went in (`in` in the record).
        #[serde(rename = "in")]
        fitted: PartIn,
        /// Steps, one by one.
        [checks]: Vec<Check>,
        /// Meter reading at the time.
        [reading]: MeterReading,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// A part was taken out and nothing put in.
    pub struct PartRemoved {
        /// Where.
        position: Label,
        /// What came out.
        out: PartOut,
        /// Meter reading at the time.
        [reading]: MeterReading,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// A spare part came into stores. It is in stock until it is fitted or its last day is past.
    pub struct PartReceived {
        /// What it is.
        part_kind: PartKind,
        /// The part itself, as it will be fitted.
        part: PartIn,
        /// Bin or shelf it lies in.
        [bin]: Label,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// Something was looked at and judged.
    pub struct InspectionDone {
        /// The planned task this does, if it is one.
        [task]: Code,
        /// What was looked at.
        target: Label,
        /// In order or not.
        result: Outcome,
        /// What was seen, by code.
        [observations]: Vec<Code>,
        /// Serial of the inspected part, where there is one.
        [serial]: Label,
        /// Meter reading at the time.
        [reading]: MeterReading,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

words! {
    /// What kind of measurement a check is.
    pub enum CheckKind {
        /// Resistance to earth or bond.
        Earthing = "earthing",
        /// Scale with a reference weight.
        Scale = "scale",
        /// Leak test of a filter or seal.
        Leak = "leak",
        /// Pressure drop over a filter.
        PressureDrop = "pressure_drop",
        /// Depth of a dust layer.
        DustLayer = "dust_layer",
        /// Air flow of an extraction.
        Airflow = "airflow",
        /// Oxygen sensor or inert gas.
        Oxygen = "oxygen",
        /// Anything else with a number.
        Other = "other",
    }
}

record! {
    /// Something was measured against a limit.
    pub struct CheckDone {
        /// The planned task this does, if it is one.
        [task]: Code,
        /// What kind of check.
        check: CheckKind,
        /// Which part or point.
        [target]: Label,
        /// What the instrument showed.
        measured: AnyQuantity,
        /// For a scale check: the value of the reference weight.
        [reference]: AnyQuantity,
        /// The limit it was compared with.
        limit: Limit,
        /// In order or not, as the person judged it.
        result: Outcome,
        /// Instrument or reference weight, by label.
        [instrument]: Label,
        /// Meter reading at the time.
        [reading]: MeterReading,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// A machine was isolated from energy before work inside.
    pub struct EquipmentIsolated {
        /// Label of the lock.
        lock: Label,
        /// Whether zero energy was checked.
        energy_checked: bool,
        /// Permit, where one is needed.
        [permit]: Label,
    }
}

record! {
    /// A machine was given back to use.
    pub struct EquipmentReturned {
        /// Label of the lock that was taken off.
        [lock]: Label,
        /// Tests after the work (function, earthing, leak).
        tests: Vec<Check>,
        /// Who released it.
        released_by: PersonId,
    }
}

record! {
    /// A due task was put off by a signed decision. The original date stays and counts.
    pub struct TaskDeferred {
        /// Which task of the plan.
        task: Code,
        /// Why.
        reason: Reason,
        /// New limit of the meter, as a reading.
        [until_reading]: MeterReading,
        /// New last day.
        [until_day]: Day,
        /// Who approved it.
        approved_by: PersonId,
    }
}

record! {
    /// A layer of dust on a surface.
    pub struct LayerFound {
        /// How deep.
        depth: Aperture,
        /// Over which area.
        area: Area,
    }
}

record! {
    /// The dust that lies in a room was measured.
    pub struct DustSurveyed {
        /// Which room.
        room: Label,
        /// Footprint, beams, ducts and other high surfaces included.
        footprint: Area,
        /// Height of the room.
        height: Height,
        /// Bulk density of the dust, by the lot's own certificate.
        bulk_density: Density,
        /// Layers that were found; none: no layer.
        [layers]: Vec<LayerFound>,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

words! {
    /// Which dust was sampled. Limits compare only with the same fraction.
    pub enum DustFraction {
        /// What reaches the lung's gas exchange region.
        Respirable = "respirable",
        /// What enters nose and mouth.
        Inhalable = "inhalable",
    }
}

record! {
    /// The air over a part of a shift.
    pub struct AirSample {
        /// Dust in the air.
        concentration: Concentration,
        /// For how long.
        duration: Minutes,
        /// True: not measured but assumed.
        assumed: bool,
    }
}

record! {
    /// A limit for dust in the air that a site works to.
    pub struct AirLimit {
        /// Average over eight hours.
        limit: Concentration,
        /// Fraction it holds for.
        fraction: DustFraction,
        /// Title and section.
        source: Title,
        /// How it was converted, for example `0.5 x density 1.01 g/cm3`.
        [conversion]: Title,
    }
}

record! {
    /// The dust that somebody breathed over a shift was measured.
    pub struct ExposureMeasured {
        /// Where.
        room: Label,
        /// Which dust was sampled.
        fraction: DustFraction,
        /// The shift in parts, unmeasured time included with what is assumed for it.
        samples: Vec<AirSample>,
        /// Limits the site works to.
        [limits]: Vec<AirLimit>,
        /// Density of the material itself, for limits that are converted by it.
        [density]: Density,
        /// Laboratory report.
        [evidence]: Vec<Evidence>,
    }
}
