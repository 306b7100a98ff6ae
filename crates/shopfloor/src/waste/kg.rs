//! An exact mass in kilograms, as computed (recorded masses keep their own digits and unit).

use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Sub};

use rust_decimal::Decimal;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Serialize};

/// Kilograms, exact. Written as a decimal string such as `"41.320"`; sums keep the most decimals
/// of their terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Kg(pub Decimal);

impl Kg {
    /// Nothing.
    pub const ZERO: Kg = Kg(Decimal::ZERO);

    /// Distance from zero.
    #[must_use]
    pub fn abs(self) -> Kg {
        Kg(self.0.abs())
    }
}

impl Default for Kg {
    fn default() -> Self {
        Kg::ZERO
    }
}
impl fmt::Display for Kg {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} kg", self.0)
    }
}
impl Add for Kg {
    type Output = Kg;
    fn add(self, other: Kg) -> Kg {
        Kg(self.0.saturating_add(other.0))
    }
}
impl Sub for Kg {
    type Output = Kg;
    fn sub(self, other: Kg) -> Kg {
        Kg(self.0.saturating_sub(other.0))
    }
}
impl AddAssign for Kg {
    fn add_assign(&mut self, other: Kg) {
        *self = *self + other;
    }
}
impl Sum for Kg {
    fn sum<I: Iterator<Item = Kg>>(terms: I) -> Kg {
        terms.fold(Kg::ZERO, Add::add)
    }
}
impl JsonSchema for Kg {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Kilograms".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": "^-?[0-9]+(\\.[0-9]+)?$",
            "description": "mass in kilograms, exact decimal digits"
        })
    }
}
