//! What can be recorded about powder: lots, moves between places, sieving, blending, builds.

use crate::common::{Check, Day, Evidence, Outcome, SignatureMeaning};
use crate::forms::{record, words};
use crate::ids::{Code, FileDigest, Label, PersonId, Place, Reason};
use crate::quantity::{AnyQuantity, Aperture, Hours, Limit, Mass, Minutes};

record! {
    /// One container of a delivery.
    pub struct LotContainer {
        /// Id of the container; it becomes the place `lot_container/<id>`.
        id: Label,
        /// Mass with container.
        gross: Mass,
        /// Mass of the empty container.
        tare: Mass,
    }
}

record! {
    /// The supplier's certificate.
    pub struct Certificate {
        /// Its number.
        number: Label,
        /// SHA-256 of the file.
        digest: FileDigest,
    }
}

record! {
    /// A lot of powder came in.
    pub struct LotReceived {
        /// Material by the shop's label, for example `PA12`.
        material: Label,
        /// Supplier by the shop's label.
        supplier: Label,
        /// The supplier's own lot number.
        supplier_lot: Label,
        /// What came.
        containers: Vec<LotContainer>,
        /// Its certificate, when it came along.
        [certificate]: Certificate,
        /// Last day of use.
        [expires]: Day,
        /// Whether all seals were whole.
        [seals_whole]: bool,
        /// Scale the containers were weighed on.
        [scale]: Label,
    }
}

record! {
    /// A test of a lot.
    pub struct LotTested {
        /// Which test, for example `moisture`, `melt_flow`.
        test: Code,
        /// What was found.
        measured: AnyQuantity,
        /// The specification.
        limit: Limit,
        /// In order or not.
        result: Outcome,
        /// Instrument.
        [instrument]: Label,
    }
}

record! {
    /// A lot may be used from now on. The signer is the person who records it.
    pub struct LotReleased {
        /// Meaning of the signature.
        meaning: SignatureMeaning,
    }
}

record! {
    /// Places of a lot must not be used until decided.
    pub struct LotHeld {
        /// Why.
        reason: Reason,
        /// Which places; none given means the whole lot.
        [scope]: Vec<Place>,
        /// Entries that show why, for example the inspection that found a sieve torn.
        [entries]: Vec<u64>,
    }
}

words! {
    /// What is done with a held lot.
    pub enum LotDecision {
        /// Use it without limit.
        UseAsIs = "use_as_is",
        /// Sieve or dry it again, then use it.
        Rework = "rework",
        /// Use it for less demanding parts only.
        Downgrade = "downgrade",
        /// Waste.
        Scrap = "scrap",
    }
}

record! {
    /// A held lot, or some of the places of its hold, was decided on by two people.
    pub struct LotDisposedOf {
        /// The decision.
        decision: LotDecision,
        /// Which places of the hold; none given means everything of the lot that is on hold.
        [scope]: Vec<Place>,
        /// Why.
        reason: Reason,
        /// The two people, who must differ.
        decided_by: Vec<PersonId>,
    }
}

record! {
    /// Powder was filled from a container into a hopper.
    pub struct PowderLoaded {
        /// Where it came from.
        from: Place,
        /// Where it went.
        into: Place,
        /// How much.
        mass: Mass,
        /// Scale it was weighed on.
        [scale]: Label,
        /// Steps: `seal_removed_whole`, `area_vacuumed_first`, `bonded`, `mask_worn`.
        [checks]: Vec<Check>,
        /// Photos.
        [evidence]: Vec<Evidence>,
    }
}

record! {
    /// Mass that went somewhere.
    pub struct MassInto {
        /// How much.
        mass: Mass,
        /// Where.
        into: Place,
    }
}

record! {
    /// Powder went over a sieve.
    pub struct PowderSieved {
        /// Serial of the sieve in use.
        sieve: Label,
        /// Its nominal aperture.
        aperture: Aperture,
        /// Specification of the aperture (ISO 3310-1, ASTM E11, an order).
        [spec_id]: Label,
        /// Where the powder came from.
        from: Place,
        /// What passed.
        through: MassInto,
        /// What stayed on top.
        oversize: MassInto,
        /// How long it ran.
        duration: Minutes,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

record! {
    /// One component of a blend, in the order it went in.
    pub struct BlendComponent {
        /// Where it came from.
        from: Place,
        /// How much.
        mass: Mass,
        /// 1 for the first that went in.
        order: u16,
    }
}

record! {
    /// Powders were blended into a new lot (the subject).
    pub struct PowderBlended {
        /// Where the blend lies now.
        into: Place,
        /// What went in.
        components: Vec<BlendComponent>,
        /// Blender.
        blender: Label,
        /// How long it ran.
        duration: Minutes,
        /// Recipe the blend is meant for.
        [recipe]: Label,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

record! {
    /// A build began.
    pub struct BuildStarted {
        /// Printer.
        printer: Label,
        /// Hopper it draws from.
        hopper: Place,
        /// Recipe.
        [recipe]: Label,
    }
}

record! {
    /// A build ended.
    pub struct BuildFinished {
        /// Powder drawn from the hopper.
        mass_used: Mass,
        /// Mass of the parts taken out.
        parts_mass: Mass,
        /// Hours the powder was at bed temperature.
        hours_at_temperature: Hours,
        /// How many parts.
        [parts]: u32,
        /// Scale the parts were weighed on.
        [scale]: Label,
        /// Scale the hopper was weighed on before and after, when `mass_used` was weighed.
        [hopper_scale]: Label,
    }
}

record! {
    /// Used powder was taken out of a build.
    pub struct PowderRecovered {
        /// Where it went.
        into: Place,
        /// How much.
        mass: Mass,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

record! {
    /// Powder was moved between places without being changed.
    pub struct PowderMoved {
        /// Where it came from.
        from: Place,
        /// Where it went.
        into: Place,
        /// How much.
        mass: Mass,
        /// Why, for a move to loss or sample.
        [reason]: Reason,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

record! {
    /// What lies in a place was weighed.
    pub struct StockCounted {
        /// Which place.
        place: Place,
        /// What was found, net.
        mass: Mass,
        /// Scale it was weighed on.
        [scale]: Label,
    }
}

words! {
    /// How a measured value is held against a recipe limit (Eurachem/CITAC 2021).
    pub enum DecisionRule {
        /// Accept when the value meets the limit.
        Simple = "simple",
        /// Accept when the value meets the limit by its expanded uncertainty.
        Guarded = "guarded",
    }
}

/// A number of builds from 1 to 63: the ages that are kept apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct OldAfter(pub u8);

impl<'de> serde::Deserialize<'de> for OldAfter {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let value = u8::deserialize(d)?;
        if (1..=63).contains(&value) {
            Ok(Self(value))
        } else {
            Err(serde::de::Error::custom("powder is old after 1 to 63 builds"))
        }
    }
}
impl schemars::JsonSchema for OldAfter {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "OldAfter".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "integer", "minimum": 1, "maximum": 63 })
    }
}

record! {
    /// A limit of the share of old powder.
    pub struct AgedLimit {
        /// Powder that went through this many builds or more is old.
        builds: OldAfter,
        /// Largest share of old powder, in percent.
        percent_max: crate::equipment::events::Percent,
    }
}

record! {
    /// The process parameters that rules compare with.
    pub struct RecipeSet {
        /// Material.
        material: Label,
        /// Least share of fresh powder in a blend, in percent.
        [fresh_percent_min]: crate::equipment::events::Percent,
        /// How shares are held against their limits.
        [decision_rule]: DecisionRule,
        /// How much of the powder of a build may be old.
        [aged]: AgedLimit,
        /// Most hours at bed temperature that the powder of a build may have behind it, as the mean
        /// over its mass.
        [mean_hours_max]: Hours,
        /// Sieve aperture to use.
        [aperture]: Aperture,
        /// Specification of the aperture.
        [spec_id]: Label,
        /// How long a blend made for the recipe may be used, from the day (UTC) it was blended.
        /// Without it a blend inherits the earliest last day of its lots.
        [blend_usable_for]: crate::common::Interval,
    }
}
