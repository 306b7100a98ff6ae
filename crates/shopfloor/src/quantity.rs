//! Measured quantities: the digits as read off the instrument and a UCUM unit.
//!
//! A quantity is recorded as `{"value":"12.340","unit":"kg"}`. The digits are evidence (their
//! resolution says how well it was read) and are kept; arithmetic is done in exact decimals in
//! one base unit per dimension. Units: UCUM, the Unified Code for Units of Measure, case
//! sensitive codes.

use std::fmt;
use std::marker::PhantomData;

use rust_decimal::Decimal;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, de};

/// Most digits before the point that a value may have.
pub const INTEGER_DIGITS_MAX: usize = 12;
/// Most digits after the point that a value may have.
pub const FRACTION_DIGITS_MAX: usize = 9;

/// A physical dimension: which units are accepted and what they are in the base unit.
pub trait Dimension: Clone + fmt::Debug + PartialEq + Eq {
    /// Name used in messages and in the schema.
    const NAME: &'static str;
    /// Accepted UCUM codes, each with its exact factor to the base unit (first row: the base).
    /// The factor is a pair (mantissa, scale): mantissa x 10^-scale.
    const UNITS: &'static [UnitRow];
}

/// UCUM code and exact factor to the base unit, as mantissa and scale.
pub type UnitRow = (&'static str, i64, u32);

macro_rules! dimension {
    ($(#[$doc:meta])* $name:ident, $text:literal, [$(($unit:literal, $mantissa:literal, $scale:literal)),+ $(,)?]) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq)]
        pub struct $name;
        impl Dimension for $name {
            const NAME: &'static str = $text;
            const UNITS: &'static [UnitRow] = &[$(($unit, $mantissa, $scale)),+];
        }
    };
}

dimension!(
    /// Mass. Base kg. The pound is 0.45359237 kg by definition.
    MassDimension, "mass",
    [("kg", 1, 0), ("g", 1, 3), ("mg", 1, 6), ("t", 1000, 0), ("[lb_av]", 45359237, 8)]
);
dimension!(
    /// Duration of work or running time. Base h.
    DurationDimension, "duration", [("h", 1, 0)]
);
dimension!(
    /// Duration in minutes. Base min.
    MinutesDimension, "duration in minutes", [("min", 1, 0), ("h", 60, 0)]
);
dimension!(
    /// Small length: apertures, layers. Base um.
    ApertureDimension, "length", [("um", 1, 0), ("mm", 1000, 0)]
);
dimension!(
    /// Distance by road. Base km. The mile is 1.609344 km by definition.
    DistanceDimension, "distance", [("km", 1, 0), ("[mi_i]", 1609344, 6)]
);
dimension!(
    /// Floor or surface. Base m2.
    AreaDimension, "area", [("m2", 1, 0)]
);
dimension!(
    /// Height of a room. Base m.
    HeightDimension, "height", [("m", 1, 0)]
);
dimension!(
    /// Mass in a volume of powder. Base kg/m3.
    DensityDimension, "density", [("kg/m3", 1, 0), ("g/cm3", 1000, 0)]
);
dimension!(
    /// Mass of dust in a volume of air. Base mg/m3.
    ConcentrationDimension, "concentration", [("mg/m3", 1, 0)]
);
dimension!(
    /// Volume of a container. Base L. The US gallon is 3.785411784 L by definition.
    VolumeDimension, "volume", [("L", 1, 0), ("[gal_us]", 3785411784, 9)]
);

/// A quantity of one dimension, with its digits as they were read.
#[derive(Clone, PartialEq, Eq)]
pub struct Measured<D: Dimension> {
    digits: Box<str>,
    unit: &'static str,
    base: Decimal,
    dimension: PhantomData<D>,
}

/// Mass in kg, g, mg, t or lb.
pub type Mass = Measured<MassDimension>;
/// Running time in h.
pub type Hours = Measured<DurationDimension>;
/// Duration in min or h.
pub type Minutes = Measured<MinutesDimension>;
/// Aperture or layer depth in um or mm.
pub type Aperture = Measured<ApertureDimension>;
/// Distance in km or miles.
pub type Distance = Measured<DistanceDimension>;
/// Area in m2.
pub type Area = Measured<AreaDimension>;
/// Height in m.
pub type Height = Measured<HeightDimension>;
/// Density in kg/m3 or g/cm3.
pub type Density = Measured<DensityDimension>;
/// Dust in air in mg/m3.
pub type Concentration = Measured<ConcentrationDimension>;
/// Volume in L or US gallons.
pub type Volume = Measured<VolumeDimension>;

impl<D: Dimension> Measured<D> {
    /// Reads digits and a unit. The message of an error names what is wanted.
    pub fn new(digits: &str, unit: &str) -> Result<Self, String> {
        Self::of(digits, decimal(digits)?, unit_of::<D>(unit)?)
    }

    fn of(digits: &str, value: Decimal, (unit, mantissa, scale): UnitRow) -> Result<Self, String> {
        let base = value
            .checked_mul(Decimal::new(mantissa, scale))
            .ok_or_else(|| format!("`{digits} {unit}` is too large to convert"))?;
        Ok(Self { digits: digits.into(), unit, base, dimension: PhantomData })
    }

    /// A quantity from an exact decimal in the base unit (computed values, not readings).
    pub fn from_base(base: Decimal) -> Self {
        Self { digits: base.to_string().into(), unit: D::UNITS[0].0, base, dimension: PhantomData }
    }

    /// Value in the base unit of the dimension (kg, h, min, um, km, L).
    pub fn base(&self) -> Decimal {
        self.base
    }
    /// Digits as read off the instrument.
    pub fn digits(&self) -> &str {
        &self.digits
    }
    /// UCUM code as recorded.
    pub fn unit(&self) -> &'static str {
        self.unit
    }
}

fn unit_of<D: Dimension>(unit: &str) -> Result<UnitRow, String> {
    D::UNITS.iter().find(|(code, ..)| *code == unit).copied().ok_or_else(|| {
        let codes: Vec<String> = D::UNITS.iter().map(|(code, ..)| format!("`{code}`")).collect();
        format!("`{unit}` is no unit of {}: use {}", D::NAME, codes.join(", "))
    })
}

impl<D: Dimension> fmt::Display for Measured<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.digits, self.unit)
    }
}

impl<D: Dimension> fmt::Debug for Measured<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// Exact decimal of a digit string in the recorded form: no plus sign, no exponent, no bare point,
/// no leading zeros, at most 12 digits before and 9 after the point, no `-0`.
pub fn decimal(digits: &str) -> Result<Decimal, String> {
    let refused = || {
        format!(
            "`{}` is no quantity value: write digits such as `12.340`, without exponent, at most \
             {INTEGER_DIGITS_MAX} before and {FRACTION_DIGITS_MAX} after the point",
            digits.chars().take(40).collect::<String>()
        )
    };
    let unsigned = digits.strip_prefix('-').unwrap_or(digits);
    let (whole, fraction) = match unsigned.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (unsigned, None),
    };
    let all_digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let whole_ok = all_digits(whole)
        && whole.len() <= INTEGER_DIGITS_MAX
        && (whole.len() == 1 || !whole.starts_with('0'));
    let fraction_ok = fraction.is_none_or(|f| all_digits(f) && f.len() <= FRACTION_DIGITS_MAX);
    if !whole_ok || !fraction_ok {
        return Err(refused());
    }
    let value: Decimal = digits.parse().map_err(|_| refused())?;
    if value.is_zero() && digits.starts_with('-') { Err(refused()) } else { Ok(value) }
}

#[derive(Serialize)]
struct Wire<'a> {
    unit: &'a str,
    value: &'a str,
}

/// A quantity on its way in. Each member is checked by its own type, so that an error is one at that
/// member and not of the whole quantity.
#[derive(Deserialize)]
#[serde(deny_unknown_fields, bound(deserialize = "U: Deserialize<'de>"))]
struct Sent<'a, U> {
    unit: U,
    #[serde(borrow)]
    value: Digits<'a>,
}

#[derive(Deserialize)]
#[serde(transparent)]
struct Text<'a>(#[serde(borrow)] std::borrow::Cow<'a, str>);

struct Digits<'a> {
    text: Text<'a>,
    value: Decimal,
}

impl<'de: 'a, 'a> Deserialize<'de> for Digits<'a> {
    fn deserialize<De: Deserializer<'de>>(d: De) -> Result<Self, De::Error> {
        let text = Text::deserialize(d)?;
        let value = decimal(&text.0).map_err(de::Error::custom)?;
        Ok(Self { text, value })
    }
}

/// A unit of a dimension.
struct Unit<D>(UnitRow, PhantomData<D>);

impl<'de, D: Dimension> Deserialize<'de> for Unit<D> {
    fn deserialize<De: Deserializer<'de>>(d: De) -> Result<Self, De::Error> {
        let row = unit_of::<D>(&Text::deserialize(d)?.0).map_err(de::Error::custom)?;
        Ok(Self(row, PhantomData))
    }
}

impl<D: Dimension> Serialize for Measured<D> {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        Wire { unit: self.unit, value: &self.digits }.serialize(s)
    }
}

impl<'de, D: Dimension> Deserialize<'de> for Measured<D> {
    fn deserialize<De: Deserializer<'de>>(d: De) -> Result<Self, De::Error> {
        let Sent { unit: Unit::<D>(row, _), value } = Sent::deserialize(d)?;
        Self::of(&value.text.0, value.value, row).map_err(de::Error::custom)
    }
}

/// Pattern of the digits, shared by every quantity schema.
const VALUE_PATTERN: &str = "^-?(0|[1-9][0-9]{0,11})(\\.[0-9]{1,9})?$";

fn quantity_schema(description: &str, codes: &[&str]) -> Schema {
    json_schema!({
        "type": "object",
        "description": description,
        "required": ["value", "unit"],
        "additionalProperties": false,
        "properties": {
            "value": { "type": "string", "pattern": VALUE_PATTERN, "description": "digits as read off the instrument" },
            "unit": { "type": "string", "enum": codes, "description": "UCUM unit code" }
        }
    })
}

impl<D: Dimension> JsonSchema for Measured<D> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        let words: String = D::NAME.split(' ').map(|w| w[..1].to_uppercase() + &w[1..]).collect();
        format!("{words}Quantity").into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let codes: Vec<&str> = D::UNITS.iter().map(|(code, ..)| *code).collect();
        quantity_schema(&format!("A {} as measured.", D::NAME), &codes)
    }
}

/// Units a check or test may be measured in, beyond the typed dimensions.
/// Each row: UCUM code, base code of its dimension, exact factor as (mantissa, scale).
pub const CHECK_UNITS: &[CheckUnitRow] = &[
    ("1", "1", 1, 0),
    ("%", "%", 1, 0),
    ("[ppm]", "[ppm]", 1, 0),
    ("Ohm", "Ohm", 1, 0),
    ("kOhm", "Ohm", 1000, 0),
    ("MOhm", "Ohm", 1_000_000, 0),
    ("Pa", "Pa", 1, 0),
    ("hPa", "Pa", 100, 0),
    ("kPa", "Pa", 1000, 0),
    ("mbar", "Pa", 100, 0),
    ("bar", "Pa", 100_000, 0),
    ("m3/h", "m3/h", 1, 0),
    ("mg/m3", "mg/m3", 1, 0),
    ("kg", "kg", 1, 0),
    ("g", "kg", 1, 3),
    ("um", "um", 1, 0),
    ("mm", "um", 1000, 0),
    ("Cel", "Cel", 1, 0),
    ("h", "h", 1, 0),
    ("min", "min", 1, 0),
    ("g/(10.min)", "g/(10.min)", 1, 0),
    ("cm3/(10.min)", "cm3/(10.min)", 1, 0),
    ("mL/g", "mL/g", 1, 0),
    ("kg/m3", "kg/m3", 1, 0),
];

/// UCUM code, base code of its dimension, exact factor as mantissa and scale.
pub type CheckUnitRow = (&'static str, &'static str, i64, u32);

/// A quantity of any dimension a check or laboratory test may report.
#[derive(Clone, PartialEq, Eq)]
pub struct AnyQuantity {
    digits: Box<str>,
    row: &'static CheckUnitRow,
    base: Decimal,
}

impl AnyQuantity {
    /// Reads digits and a unit out of [`CHECK_UNITS`].
    pub fn new(digits: &str, unit: &str) -> Result<Self, String> {
        Self::of(digits, decimal(digits)?, check_unit(unit)?)
    }

    fn of(digits: &str, value: Decimal, row: &'static CheckUnitRow) -> Result<Self, String> {
        let base = value
            .checked_mul(Decimal::new(row.2, row.3))
            .ok_or_else(|| format!("`{digits} {}` is too large to convert", row.0))?;
        Ok(Self { digits: digits.into(), row, base })
    }
    /// Value in the base unit ([`AnyQuantity::base_unit`]).
    pub fn base(&self) -> Decimal {
        self.base
    }
    /// UCUM code of the base unit; two quantities compare only when these agree.
    pub fn base_unit(&self) -> &'static str {
        self.row.1
    }
    /// UCUM code as recorded.
    pub fn unit(&self) -> &'static str {
        self.row.0
    }
    /// Digits as read.
    pub fn digits(&self) -> &str {
        &self.digits
    }
}

fn check_unit(unit: &str) -> Result<&'static CheckUnitRow, String> {
    CHECK_UNITS.iter().find(|row| row.0 == unit).ok_or_else(|| {
        let codes: Vec<String> = CHECK_UNITS.iter().map(|r| format!("`{}`", r.0)).collect();
        format!("`{unit}` is no unit known here: use one of {}", codes.join(", "))
    })
}

/// A unit out of [`CHECK_UNITS`].
struct CheckUnit(&'static CheckUnitRow);

impl<'de> Deserialize<'de> for CheckUnit {
    fn deserialize<De: Deserializer<'de>>(d: De) -> Result<Self, De::Error> {
        check_unit(&Text::deserialize(d)?.0).map(Self).map_err(de::Error::custom)
    }
}

impl fmt::Display for AnyQuantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.digits, self.row.0)
    }
}
impl fmt::Debug for AnyQuantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
impl Serialize for AnyQuantity {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        Wire { unit: self.row.0, value: &self.digits }.serialize(s)
    }
}
impl<'de> Deserialize<'de> for AnyQuantity {
    fn deserialize<De: Deserializer<'de>>(d: De) -> Result<Self, De::Error> {
        let Sent { unit: CheckUnit(row), value } = Sent::deserialize(d)?;
        Self::of(&value.text.0, value.value, row).map_err(de::Error::custom)
    }
}
impl JsonSchema for AnyQuantity {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "CheckQuantity".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let codes: Vec<&str> = CHECK_UNITS.iter().map(|row| row.0).collect();
        quantity_schema("A measured value of a check or test.", &codes)
    }
}

/// A limit: one bound or both, each included.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Limit {
    /// Smallest accepted value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_least: Option<AnyQuantity>,
    /// Largest accepted value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_most: Option<AnyQuantity>,
}

impl Limit {
    /// Whether `measured` lies within the limit; `None` when the units cannot be compared or no
    /// bound is given.
    pub fn holds(&self, measured: &AnyQuantity) -> Option<bool> {
        let bounds = [self.at_least.as_ref(), self.at_most.as_ref()];
        if bounds.iter().all(Option::is_none)
            || bounds.iter().flatten().any(|b| b.base_unit() != measured.base_unit())
        {
            return None;
        }
        let low = self.at_least.as_ref().is_none_or(|b| measured.base() >= b.base());
        let high = self.at_most.as_ref().is_none_or(|b| measured.base() <= b.base());
        Some(low && high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_kept_and_arithmetic_is_exact() {
        let mass: Mass = serde_json::from_str(r#"{"value":"12.340","unit":"kg"}"#).unwrap();
        assert_eq!(mass.digits(), "12.340");
        assert_eq!(mass.base(), Decimal::new(12340, 3));
        assert_eq!(serde_json::to_string(&mass).unwrap(), r#"{"unit":"kg","value":"12.340"}"#);
    }

    #[test]
    fn conversions_are_by_definition() {
        // waste-rules.md, "Numbers": 1 lb = 0.45359237 kg, 1 mi = 1.609344 km,
        // 1 US gal = 3.785411784 L.
        assert_eq!(Mass::new("2204.6", "[lb_av]").unwrap().base().to_string(), "999.989738902");
        assert_eq!(
            Distance::new("200", "[mi_i]").unwrap().base().normalize().to_string(),
            "321.8688"
        );
        assert_eq!(
            Volume::new("55", "[gal_us]").unwrap().base().round_dp(3).to_string(),
            "208.198"
        );
    }

    #[test]
    fn odd_digit_strings_are_refused() {
        // security-tests.md H3.
        let thousand = "1".repeat(1000);
        for bad in ["1e3", "-0", "-0.0", ".5", "5.", "+1", "01", "", " 1", "1,5", "NaN", &thousand]
        {
            assert!(decimal(bad).is_err(), "{bad}");
        }
        for good in ["0", "0.000", "-1.5", "999999999999.999999999"] {
            assert!(decimal(good).is_ok(), "{good}");
        }
    }

    #[test]
    fn a_wrong_unit_names_the_right_ones() {
        let error = Mass::new("1", "L").unwrap_err();
        assert!(error.contains("`L` is no unit of mass") && error.contains("`kg`"), "{error}");
    }

    #[test]
    fn limits_compare_only_like_with_like() {
        let limit = Limit { at_least: None, at_most: Some(AnyQuantity::new("1", "MOhm").unwrap()) };
        assert_eq!(limit.holds(&AnyQuantity::new("1000", "kOhm").unwrap()), Some(true));
        assert_eq!(limit.holds(&AnyQuantity::new("1000001", "Ohm").unwrap()), Some(false));
        assert_eq!(limit.holds(&AnyQuantity::new("3", "Pa").unwrap()), None);
    }
}
