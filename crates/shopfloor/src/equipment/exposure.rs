//! Exposure to dust over a shift: the time-weighted average against limits of the same fraction
//! (computations.md C12).

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use crate::forms::words;

words! {
    /// Which dust was sampled. Limits compare only with the same fraction.
    pub enum DustFraction {
        /// What reaches the lung's gas exchange region.
        Respirable = "respirable",
        /// What enters nose and mouth.
        Inhalable = "inhalable",
    }
}

/// Reference length of the average, in hours (29 CFR 1910.1000(d)(1)(i)).
const SHIFT_H: i64 = 8;

/// Concentration over a part of the shift.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExposureSample {
    /// Concentration in mg/m3.
    pub concentration_mg_m3: Decimal,
    /// Time in hours.
    pub hours: Decimal,
    /// False: measured. True: assumed for unmeasured time.
    pub assumed: bool,
}

/// A limit to compare with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ExposureLimit {
    /// Limit in mg/m3, already converted by density where the rule asks for it.
    pub limit_mg_m3: Decimal,
    /// Fraction it holds for.
    pub fraction: DustFraction,
    /// Title and section.
    pub source: String,
    /// How it was converted, for example `0.5 x density 1.01 g/cm3`.
    pub conversion: Option<String>,
}

/// The average against one limit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ExposureAgainst {
    /// The limit, decimal digits.
    pub limit_mg_m3: String,
    /// Where it comes from.
    pub source: String,
    /// How it was converted.
    pub conversion: Option<String>,
    /// Share of the limit in percent, two digits after the point; none when the limit holds for
    /// another fraction.
    pub percent: Option<String>,
    /// Whether the average is at most the limit; none when they do not compare.
    pub within: Option<bool>,
}

/// A time-weighted average and what it is held against.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Exposure {
    /// Average over eight hours, decimal digits.
    pub average_mg_m3: String,
    /// Fraction that was sampled.
    pub fraction: DustFraction,
    /// Hours that were measured.
    pub measured_h: String,
    /// Hours whose concentration was assumed.
    pub assumed_h: String,
    /// Against each limit.
    pub against: Vec<ExposureAgainst>,
}

/// Time-weighted average over eight hours: sum of C x T, divided by 8. `None` when a value is
/// negative or too large to compute with.
pub fn exposure(
    fraction: DustFraction,
    samples: &[ExposureSample],
    limits: &[ExposureLimit],
) -> Option<Exposure> {
    let (mut dose, mut measured, mut assumed) = (Decimal::ZERO, Decimal::ZERO, Decimal::ZERO);
    for sample in samples {
        if sample.concentration_mg_m3 < Decimal::ZERO || sample.hours < Decimal::ZERO {
            return None;
        }
        dose = dose.checked_add(sample.concentration_mg_m3.checked_mul(sample.hours)?)?;
        let time = if sample.assumed { &mut assumed } else { &mut measured };
        *time = time.checked_add(sample.hours)?;
    }
    let average = dose / Decimal::from(SHIFT_H);
    let against = limits.iter().map(|limit| {
        let comparable = limit.fraction == fraction && limit.limit_mg_m3 > Decimal::ZERO;
        let percent = comparable
            .then(|| average.checked_mul(Decimal::ONE_HUNDRED)?.checked_div(limit.limit_mg_m3))
            .flatten();
        ExposureAgainst {
            limit_mg_m3: limit.limit_mg_m3.to_string(),
            source: limit.source.clone(),
            conversion: limit.conversion.clone(),
            percent: percent.map(|p| p.round_dp(2).to_string()),
            within: comparable.then_some(average <= limit.limit_mg_m3),
        }
    });
    Some(Exposure {
        average_mg_m3: average.normalize().to_string(),
        fraction,
        measured_h: measured.to_string(),
        assumed_h: assumed.to_string(),
        against: against.collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unconverted_limit_hides_the_problem() {
        // computations.md C12; limits trade-values.md B5.
        let n = |text: &str| -> Decimal { text.parse().unwrap() };
        let sample = |c: &str, t: &str, assumed| ExposureSample {
            concentration_mg_m3: n(c),
            hours: n(t),
            assumed,
        };
        let samples =
            [sample("0.8", "2", false), sample("0.3", "5", false), sample("0", "1", true)];
        let limit = |value: &str, fraction, source: &str| ExposureLimit {
            limit_mg_m3: n(value),
            fraction,
            source: source.to_owned(),
            conversion: None,
        };
        use DustFraction::{Inhalable, Respirable};
        let limits = [
            limit("5", Respirable, "29 CFR 1910.1000 Table Z-3"),
            limit("0.505", Respirable, "TRGS 900, 0.5 x density 1.01"),
            limit("1.25", Respirable, "TRGS 900, not converted"),
            limit("10", Inhalable, "TRGS 900"),
        ];
        let found = exposure(Respirable, &samples, &limits).unwrap();
        assert_eq!(found.average_mg_m3, "0.3875");
        let percent: Vec<_> = found.against.iter().map(|a| a.percent.as_deref()).collect();
        assert_eq!(percent, [Some("7.75"), Some("76.73"), Some("31.00"), None]);
        assert_eq!((found.measured_h.as_str(), found.assumed_h.as_str()), ("7", "1"));
        assert_eq!(exposure(Respirable, &[sample("-1", "1", false)], &[]), None);
    }
}
