//! What can be recorded about waste: streams, containers, custody, shipments, certificates.

use crate::common::{Check, Day, Evidence, Outcome};
use crate::forms::{record, words};
use crate::ids::{Code, FileDigest, FreeText, Label, PersonId, Place, Reason, Title};
use crate::quantity::{AnyQuantity, Distance, Mass, Volume};

words! {
    /// What the generator decided about a stream. The software never decides it.
    pub enum Determination {
        /// Hazardous under the named jurisdiction.
        Hazardous = "hazardous",
        /// Acutely hazardous (US: P-listed and a few F codes).
        AcuteHazardous = "acute_hazardous",
        /// Not hazardous under the named jurisdiction.
        NonHazardous = "non_hazardous",
    }
}

words! {
    /// What a determination rests on.
    pub enum DeterminationBasis {
        /// Knowledge of the process and material.
        Knowledge = "knowledge",
        /// A laboratory test.
        Test = "test",
        /// The safety data sheet.
        SafetyDataSheet = "safety_data_sheet",
    }
}

record! {
    /// Codes a person assigned to a stream.
    pub struct WasteCodes {
        /// US waste codes, for example `D001`.
        [rcra]: Vec<Label>,
        /// European list-of-waste code with its asterisk where it has one, for example `12 01 05`.
        [list_of_waste]: ListOfWasteCode,
        /// Hazard properties, for example `HP3`.
        [hp]: Vec<Label>,
    }
}

/// A code of the European List of Waste, `NN NN NN` with `*` where the entry has one.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct ListOfWasteCode(String);

impl ListOfWasteCode {
    /// The code as recorded.
    pub fn as_str(&self) -> &str {
        &self.0
    }
    /// Whether the form is right (waste-rules.md section 9, code format).
    pub fn new(text: &str) -> Result<Self, String> {
        let bytes = text.strip_suffix('*').unwrap_or(text).as_bytes();
        let formed = bytes.len() == 8
            && bytes.iter().enumerate().all(|(i, b)| match i {
                2 | 5 => *b == b' ',
                _ => b.is_ascii_digit(),
            });
        if formed {
            Ok(Self(text.to_owned()))
        } else {
            Err(format!("`{text}` is no list-of-waste code: write `12 01 05` or `15 02 02*`"))
        }
    }
}
impl<'de> serde::Deserialize<'de> for ListOfWasteCode {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        Self::new(&String::deserialize(d)?).map_err(serde::de::Error::custom)
    }
}
impl schemars::JsonSchema for ListOfWasteCode {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "ListOfWasteCode".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^[0-9]{2} [0-9]{2} [0-9]{2}\\*?$" })
    }
}

record! {
    /// Transport data of a stream, as determined by a qualified person.
    pub struct TransportData {
        /// UN or NA number, for example `UN1396`.
        number: Label,
        /// Class, for example `4.3`.
        class: Label,
        /// Packing group.
        [packing_group]: Label,
    }
}

words! {
    /// What a waste must be kept apart for. A person assigns the groups of a stream or of a thing,
    /// from its safety data sheet or test; the software assigns none. Named after the groups of
    /// 40 CFR 264 Appendix V.
    pub enum ReactivityGroup {
        /// Alkalis: caustics, alkaline cleaners, lime (group 1-A).
        Alkali = "alkali",
        /// Acids: etching and pickling liquors, battery acid (group 1-B).
        Acid = "acid",
        /// Reactive metals as powder or dust, metal hydrides (group 2-A).
        ReactiveMetal = "reactive_metal",
        /// Alcohols (groups 3-A and 4-A).
        Alcohol = "alcohol",
        /// Water and what is wet with it (group 3-A).
        Water = "water",
        /// What reacts with water (group 3-B).
        WaterReactive = "water_reactive",
        /// Aldehydes, halogenated, nitrated and unsaturated hydrocarbons, reactive solvents
        /// (group 4-A).
        ReactiveOrganic = "reactive_organic",
        /// Spent cyanide and sulfide solutions (group 5-A).
        CyanideOrSulfide = "cyanide_or_sulfide",
        /// Strong oxidizers: nitrates, peroxides, chlorates (group 6-A).
        Oxidizer = "oxidizer",
        /// Other flammable and combustible waste (group 6-B).
        Combustible = "combustible",
    }
}

words! {
    /// What separates a container from others of its area.
    pub enum Separation {
        /// Enough distance, as the shop has laid down.
        Distance = "distance",
        /// A dike.
        Dike = "dike",
        /// A berm.
        Berm = "berm",
        /// A wall.
        Wall = "wall",
        /// Another device, such as a cabinet or a spill pallet of its own.
        OtherDevice = "other_device",
    }
}

record! {
    /// A person determined what a waste stream is.
    pub struct StreamDetermined {
        /// Material the waste comes from.
        material: Label,
        /// Plain description.
        description: Title,
        /// The decision.
        determination: Determination,
        /// Codes assigned.
        codes: WasteCodes,
        /// Transport data.
        [transport]: TransportData,
        /// Who decided.
        decided_by: PersonId,
        /// On what basis.
        basis: DeterminationBasis,
        /// Under which rules, for example `us`, `eu`, `uk_eng`.
        jurisdiction: Code,
        /// Digest of the data it rests on.
        [document]: FileDigest,
        /// What it must be kept apart for, as the person determined.
        [reactivity]: Vec<ReactivityGroup>,
    }
}

words! {
    /// Where a container stands while it fills.
    pub enum AreaKind {
        /// At or near the point of generation.
        Satellite = "satellite",
        /// The central accumulation area.
        Central = "central",
    }
}

record! {
    /// A waste container was started.
    pub struct ContainerOpened {
        /// Stream it takes.
        stream: Label,
        /// Mass of the empty container.
        tare: Mass,
        /// Kind of area.
        area: AreaKind,
        /// Area by label.
        location: Label,
        /// Container type, for example `DM` (metal drum).
        [container_type]: Label,
        /// Capacity.
        [capacity]: Volume,
        /// What separates it from incompatible waste in its area.
        [separated_by]: Separation,
    }
}

words! {
    /// What kind of thing went into a waste container.
    pub enum WasteItem {
        /// A bag or canister of a vacuum cleaner.
        VacuumBag = "vacuum_bag",
        /// A used filter.
        Filter = "filter",
        /// A used sieve.
        Sieve = "sieve",
        /// Wipes, gloves, masks.
        Wipes = "wipes",
        /// Sweepings.
        Sweepings = "sweepings",
        /// Oversize from sieving.
        Oversize = "oversize",
        /// Powder.
        Powder = "powder",
        /// A used part that is neither filter nor sieve.
        UsedPart = "used_part",
        /// What was taken up after a spill of acutely hazardous waste (residue, soil, debris):
        /// counted apart (40 CFR 260.10).
        SpillResidue = "spill_residue",
    }
}

record! {
    /// Something was put into a waste container.
    pub struct WasteAdded {
        /// Powder place the mass came from, when it is one (bag, oversize, bin).
        [from]: Place,
        /// Entry that tells how it arose (a part swap, a cleaning).
        [entry]: u64,
        /// What it is.
        what: WasteItem,
        /// Net mass.
        mass: Mass,
        /// Number of pieces.
        [pieces]: u32,
        /// Label of the bag, filter or sieve.
        [item]: Label,
        /// Scale it was weighed on.
        [scale]: Label,
        /// Steps: `earthed`, `mask_worn`, `container_closed_after`.
        [checks]: Vec<Check>,
        /// What this thing must be kept apart for, where it differs from the stream (wipes wet with
        /// alcohol), as the person judges.
        [reactivity]: Vec<ReactivityGroup>,
    }
}

record! {
    /// A bag that was taken out of a vacuum cleaner.
    pub struct Bag {
        /// Label of the bag; its content is the place `vacuum_bag/<id>`.
        id: Label,
        /// Mass with bag.
        gross: Mass,
        /// Mass of an empty bag.
        tare: Mass,
        /// Whether it was tied before it was lifted out.
        tied_before_lifting: bool,
    }
}

record! {
    /// The bag of a vacuum cleaner was changed.
    pub struct BagChanged {
        /// The bag that came out.
        bag: Bag,
        /// Label of the bag that went in.
        [new_bag]: Label,
        /// Waste container it went into, when it went straight there.
        [into]: Label,
        /// Whether the vacuum was off and unplugged.
        off_and_unplugged: bool,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

record! {
    /// A container was closed for good.
    pub struct ContainerClosed {
        /// Lid tight, seal on.
        [checks]: Vec<Check>,
    }
}

record! {
    /// A container was weighed.
    pub struct ContainerWeighed {
        /// Mass with container.
        gross: Mass,
        /// Scale.
        scale: Label,
    }
}

record! {
    /// A container was marked.
    pub struct ContainerLabelled {
        /// The words on it, by code, for example `hazardous_waste`.
        words: Vec<Code>,
        /// Hazards shown.
        hazards: Vec<Code>,
        /// Start date shown.
        [start]: Day,
    }
}

record! {
    /// Where a container stands.
    pub struct AreaRef {
        /// Kind of area.
        area: AreaKind,
        /// Area by label.
        location: Label,
    }
}

record! {
    /// A container changed place and hands.
    pub struct ContainerMoved {
        /// From where.
        from: AreaRef,
        /// To where.
        to: AreaRef,
        /// Who gave it.
        giver: PersonId,
        /// Who took it.
        receiver: PersonId,
        /// What separates it from incompatible waste where it stands now.
        [separated_by]: Separation,
    }
}

record! {
    /// An accumulation area was inspected.
    pub struct AreaInspected {
        /// Kind of area.
        area: AreaKind,
        /// Containers that stood there.
        containers: Vec<Label>,
        /// Whether anything leaked.
        leaks: bool,
        /// Whether all containers were closed.
        closed: bool,
        /// Whether all marks could be read.
        labels_readable: bool,
        /// In order or not.
        result: Outcome,
    }
}

record! {
    /// More time to accumulate was granted by the authority.
    pub struct AccumulationExtended {
        /// Days granted.
        days: u16,
        /// By whom.
        granted_by: Label,
        /// Their reference.
        reference: Label,
    }
}

words! {
    /// What kind of document goes with a shipment.
    pub enum DocumentKind {
        /// US hazardous waste manifest.
        Manifest = "manifest",
        /// UK consignment note.
        ConsignmentNote = "consignment_note",
        /// Identification document of an EU member state.
        IdentificationDocument = "identification_document",
        /// Any other transport document.
        TransportDocument = "transport_document",
    }
}

record! {
    /// The document that goes with a shipment.
    pub struct ShipmentDocument {
        /// Its kind.
        kind: DocumentKind,
        /// Its number.
        number: DocumentNumber,
    }
}

/// A document number: letters, digits, space, `/`, `.`, `-`, 3 to 40 characters.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct DocumentNumber(String);

impl DocumentNumber {
    /// The number as written.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}
impl<'de> serde::Deserialize<'de> for DocumentNumber {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        let formed = (3..=40).contains(&text.len())
            && text.trim() == text
            && text
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || matches!(b, b' ' | b'/' | b'.' | b'-'));
        if formed {
            Ok(Self(text))
        } else {
            Err(serde::de::Error::custom(
                "a document number is 3 to 40 letters, digits, spaces or `/ . -`",
            ))
        }
    }
}
impl schemars::JsonSchema for DocumentNumber {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "DocumentNumber".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^[A-Za-z0-9/.-][A-Za-z0-9 /.-]{1,38}[A-Za-z0-9/.-]$" })
    }
}

record! {
    /// A shipment was made up and offered to a transporter.
    pub struct ShipmentOffered {
        /// Its document.
        document: ShipmentDocument,
        /// Containers on it.
        containers: Vec<Label>,
        /// Transporter, by the shop's label or its registration number.
        transporter: Label,
        /// Facility it is meant for.
        facility: Label,
        /// Distance to the facility.
        [distance]: Distance,
        /// Who offered it.
        offered_by: PersonId,
    }
}

record! {
    /// A transporter took a shipment over.
    pub struct ShipmentAccepted {
        /// Transporter that took it.
        transporter: Label,
        /// 1 for the first transporter, 2 for the next.
        leg: u8,
        /// Name of the person who signed for the transporter, committed.
        [signed_by]: FreeText,
        /// Day of the signature.
        day: Day,
    }
}

record! {
    /// What a facility found of one container.
    pub struct ReceivedContainer {
        /// Which.
        container: Label,
        /// Net mass found.
        mass: Mass,
    }
}

record! {
    /// The facility received a shipment.
    pub struct ShipmentDelivered {
        /// Facility.
        facility: Label,
        /// What it found.
        received: Vec<ReceivedContainer>,
        /// Number of pieces counted.
        pieces: u32,
        /// Day of receipt.
        day: Day,
        /// Digest of the signed copy.
        [signed_copy]: FileDigest,
    }
}

words! {
    /// What becomes of what a facility refused.
    pub enum RejectionCourse {
        /// Back to the generator.
        Returned = "returned",
        /// On to another facility.
        Forwarded = "forwarded",
    }
}

record! {
    /// The facility refused containers.
    pub struct ShipmentRejected {
        /// Which containers.
        containers: Vec<Label>,
        /// Why.
        reason: Reason,
        /// What becomes of them.
        course: RejectionCourse,
        /// The other facility.
        [facility]: Label,
        /// Day of the refusal.
        day: Day,
    }
}

words! {
    /// What does not agree.
    pub enum DiscrepancyKind {
        /// Weight.
        Quantity = "quantity",
        /// Number of pieces.
        Pieces = "pieces",
        /// Kind of waste.
        Type = "type",
        /// Residue left in a container.
        Residue = "residue",
    }
}

record! {
    /// What was received is not what was shipped.
    pub struct DiscrepancyFound {
        /// What does not agree.
        kind: DiscrepancyKind,
        /// Which container, when it is one.
        [container]: Label,
        /// What was expected.
        expected: AnyQuantity,
        /// What was found.
        found: AnyQuantity,
    }
}

record! {
    /// A discrepancy was settled.
    pub struct DiscrepancySettled {
        /// Entry of the discrepancy.
        entry: u64,
        /// How.
        how: Reason,
        /// With whom, by label.
        with: Label,
    }
}

record! {
    /// Transporter or facility was asked for a missing signed copy.
    pub struct ShipmentQueried {
        /// Who was asked, by label.
        asked: Label,
        /// What came of it.
        answer: Reason,
    }
}

record! {
    /// A missing signed copy was reported to the authority.
    pub struct ExceptionReported {
        /// To whom, by label.
        to: Label,
        /// Their reference.
        [reference]: Label,
    }
}

record! {
    /// The facility certified the disposal or recovery.
    pub struct DisposalCertified {
        /// Number of the certificate.
        certificate: Label,
        /// Method code: `D1` to `D15`, `R1` to `R13`, or a US `H` code.
        method: Label,
        /// Mass it covers.
        mass: Mass,
        /// Digest of the certificate.
        [document]: FileDigest,
        /// Copies and photos.
        [evidence]: Vec<Evidence>,
    }
}
