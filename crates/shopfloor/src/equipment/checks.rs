//! Checks with measured values: limits that are published, scales, and series of checks.

use rust_decimal::Decimal;

use super::dust::layer_criterion_mm;
use super::events::{CheckDone, CheckKind, ScaleData};
use crate::finding::Confidence;
use crate::ids::Code;
use crate::quantity::{AnyQuantity, Limit};
use crate::record::SiteConfig;

/// Site parameter: highest resistance to earth in ohms, instead of the published one.
pub const EARTHING_LIMIT_OHM: &str = "earthing_limit_ohm";
/// Site parameter: bulk density in kg/m3 of the dust in the room (the lot's own certificate).
pub const DUST_BULK_DENSITY: &str = "dust_bulk_density_kg_m3";

/// Resistance that drains charge, in ohms (NFPA 77, by a secondary source; trade-values.md B4).
const EARTHING_OHM: i64 = 1_000_000;

/// The decimal value of a site parameter.
pub(crate) fn parameter(config: &SiteConfig, id: &str) -> Option<Decimal> {
    let id = Code::new(id).ok()?;
    config.parameters.get(&id).and_then(|value| crate::quantity::decimal(value).ok())
}

/// A limit from a publication, in the base unit of the check.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Published {
    pub(crate) at_least: Option<Decimal>,
    pub(crate) at_most: Option<Decimal>,
    pub(crate) unit: &'static str,
    pub(crate) source: &'static str,
    pub(crate) confidence: Confidence,
}

impl Published {
    /// Whether a value lies within; `None` when the units do not compare.
    pub(crate) fn holds(&self, measured: &AnyQuantity) -> Option<bool> {
        let value = measured.base();
        (measured.base_unit() == self.unit).then(|| {
            self.at_least.is_none_or(|low| value >= low)
                && self.at_most.is_none_or(|high| value <= high)
        })
    }

    /// Whether it asks for more than `limit` does.
    pub(crate) fn stricter_than(&self, limit: &Limit) -> bool {
        let comparable = |bound: &AnyQuantity| bound.base_unit() == self.unit;
        let high = match (&limit.at_most, self.at_most) {
            (Some(bound), Some(high)) => comparable(bound) && bound.base() > high,
            (None, Some(_)) => true,
            (Some(_) | None, None) => false,
        };
        let low = match (&limit.at_least, self.at_least) {
            (Some(bound), Some(low)) => comparable(bound) && bound.base() < low,
            (None, Some(_)) => true,
            (Some(_) | None, None) => false,
        };
        high || low
    }
}

impl std::fmt::Display for Published {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (low, high) =
            (self.at_least.map(|v| v.normalize()), self.at_most.map(|v| v.normalize()));
        match (low, high) {
            (Some(low), Some(high)) => write!(f, "{low} to {high} {}", self.unit),
            (Some(low), None) => write!(f, "at least {low} {}", self.unit),
            (None, Some(high)) => write!(f, "at most {high} {}", self.unit),
            (None, None) => f.write_str("open"),
        }
    }
}

/// The published limit of a check, where there is one that applies to every site. A site's own
/// parameter takes its place.
pub(crate) fn published(
    form: &CheckDone,
    scale: Option<&ScaleData>,
    config: &SiteConfig,
) -> Option<Published> {
    match form.check {
        CheckKind::Earthing => Some(Published {
            at_least: None,
            at_most: Some(
                parameter(config, EARTHING_LIMIT_OHM).unwrap_or(Decimal::from(EARTHING_OHM)),
            ),
            unit: "Ohm",
            source: "NFPA 77: resistance to earth that drains charge",
            confidence: Confidence::Secondary,
        }),
        CheckKind::DustLayer => Some(Published {
            at_least: None,
            at_most: layer_criterion_mm(parameter(config, DUST_BULK_DENSITY))
                .checked_mul(Decimal::ONE_THOUSAND),
            unit: "um",
            source: "OSHA memo of 21 Apr 2015 quoting NFPA 654 (2013): layer depth criterion",
            confidence: Confidence::Memory,
        }),
        CheckKind::Scale => {
            let reference = form.reference.as_ref().filter(|r| r.base_unit() == "kg")?;
            let error = mpe_in_service_kg(reference.base(), scale?.interval.base())?;
            Some(Published {
                at_least: Some(reference.base() - error),
                at_most: Some(reference.base() + error),
                unit: "kg",
                source: "OIML R 76-1 Table 6, twice in service (class III)",
                confidence: Confidence::Secondary,
            })
        }
        CheckKind::Leak
        | CheckKind::PressureDrop
        | CheckKind::Airflow
        | CheckKind::Oxygen
        | CheckKind::Other => None,
    }
}

/// Largest error in service of a class III scale at a load, in kg: twice the limit at
/// verification, which is 0.5 e up to 500 e, 1 e up to 2000 e and 1.5 e above (OIML R 76-1 Table 6
/// and factor 2 in service; computations.md C6, C16). `None` when e is not positive.
pub fn mpe_in_service_kg(load_kg: Decimal, e_kg: Decimal) -> Option<Decimal> {
    if e_kg <= Decimal::ZERO {
        return None;
    }
    let load = load_kg.abs();
    let up_to = |intervals: i64| load <= e_kg.saturating_mul(Decimal::from(intervals));
    let tenths = if up_to(500) {
        10
    } else if up_to(2000) {
        20
    } else {
        30
    };
    e_kg.checked_mul(Decimal::new(tenths, 1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    #[test]
    fn largest_error_of_a_scale_in_service() {
        // computations.md C6: e = 0.02 kg; each upper bound included (OIML R 76-1 Table 6).
        let cases = [
            ("60", "0.06"),
            ("20", "0.04"),
            ("55.4", "0.06"),
            ("18.1", "0.04"),
            ("2.9", "0.02"),
            ("3.0", "0.02"),
            ("10", "0.02"),
            ("10.02", "0.04"),
            ("40", "0.04"),
            ("40.02", "0.06"),
        ];
        for (load, expected) in cases {
            assert_eq!(mpe_in_service_kg(d(load), d("0.02")), Some(d(expected)), "{load} kg");
        }
        assert_eq!(mpe_in_service_kg(d("1"), d("0")), None);
    }
}
