//! Exposure to dust over a shift: the time-weighted average against limits of the same fraction
//! (computations.md C12).

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use super::Equipment;
use super::events::{AirLimit, AirSample, DustFraction, ExposureMeasured};
use crate::finding::Confidence;
use crate::ids::{Label, PersonId, Subject, SubjectKind};
use crate::quantity::Density;

/// Reference length of the average, in minutes (29 CFR 1910.1000(d)(1)(i)).
const SHIFT_MIN: i64 = 8 * 60;
const MINUTES_PER_H: i64 = 60;

/// Digits after the point of a shown average.
const AVERAGE_DIGITS: u32 = 6;

/// A published limit: thousandths of mg/m3, or thousandths of mg/m3 for each g/cm3 of the material.
struct Published {
    fraction: DustFraction,
    limit: i64,
    by_density: bool,
    source: &'static str,
    confidence: Confidence,
}

/// Limits to compare with (trade-values.md B5). Which of them binds is for the site to know.
const PUBLISHED: &[Published] = &[
    Published {
        fraction: DustFraction::Respirable,
        limit: 5000,
        by_density: false,
        source: "29 CFR 1910.1000 Table Z-3, inert or nuisance dust",
        confidence: Confidence::Seen,
    },
    Published {
        fraction: DustFraction::Respirable,
        limit: 500,
        by_density: true,
        source: "TRGS 900, respirable dust",
        confidence: Confidence::Secondary,
    },
    Published {
        fraction: DustFraction::Inhalable,
        limit: 10_000,
        by_density: false,
        source: "TRGS 900, inhalable dust",
        confidence: Confidence::Secondary,
    },
];

/// The average against one limit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ExposureAgainst {
    /// The limit, decimal digits.
    pub limit_mg_m3: String,
    /// Where it comes from.
    pub source: String,
    /// How sure that is; none: a limit the site recorded.
    pub confidence: Option<Confidence>,
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

/// One measured shift.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ExposureView {
    /// Entry.
    pub entry: u64,
    /// When the shift ended, ms since 1970 UTC.
    pub time_ms: i64,
    /// Site.
    pub site: Option<Label>,
    /// Who wore the sampler; none: it stood in the room.
    pub worn_by: Option<PersonId>,
    /// Room.
    pub room: Label,
    /// What it comes to; none when the figures are too large to compute with.
    pub exposure: Option<Exposure>,
}

/// Time-weighted average over eight hours, sum of C x T divided by 8, against the limits of the site
/// and the published ones. `None` when a value is negative or too large to compute with.
pub fn exposure(form: &ExposureMeasured) -> Option<Exposure> {
    let (mut dose, mut measured, mut assumed) = (Decimal::ZERO, Decimal::ZERO, Decimal::ZERO);
    for AirSample { concentration, duration, assumed: guessed } in &form.samples {
        let (concentration, minutes) = (concentration.base(), duration.base());
        if concentration < Decimal::ZERO || minutes < Decimal::ZERO {
            return None;
        }
        dose = dose.checked_add(concentration.checked_mul(minutes)?)?;
        let time = if *guessed { &mut assumed } else { &mut measured };
        *time = time.checked_add(minutes)?;
    }
    let average = dose / Decimal::from(SHIFT_MIN);
    let mut against: Vec<ExposureAgainst> =
        form.limits.iter().map(|limit| by_site(limit, form.fraction, average)).collect();
    let published = PUBLISHED.iter().filter(|p| p.fraction == form.fraction);
    against.extend(published.filter_map(|p| p.against(form.density.as_ref(), average)));
    let hours = |minutes: Decimal| (minutes / Decimal::from(MINUTES_PER_H)).round_dp(2);
    Some(Exposure {
        average_mg_m3: average.round_dp(AVERAGE_DIGITS).normalize().to_string(),
        fraction: form.fraction,
        measured_h: hours(measured).normalize().to_string(),
        assumed_h: hours(assumed).normalize().to_string(),
        against,
    })
}

fn by_site(limit: &AirLimit, fraction: DustFraction, average: Decimal) -> ExposureAgainst {
    let bound = limit.limit.base();
    let comparable = limit.fraction == fraction && bound > Decimal::ZERO;
    ExposureAgainst {
        limit_mg_m3: limit.limit.digits().to_owned(),
        source: limit.source.to_string(),
        confidence: None,
        conversion: limit.conversion.as_ref().map(ToString::to_string),
        percent: comparable.then(|| percent(average, bound)).flatten(),
        within: comparable.then_some(average <= bound),
    }
}

/// Share of a limit in percent.
fn percent(average: Decimal, bound: Decimal) -> Option<String> {
    let share = average.checked_mul(Decimal::ONE_HUNDRED)?.checked_div(bound)?;
    Some(share.round_dp(2).to_string())
}

impl Published {
    /// The average against this limit; `None` when it is to be converted by a density that is not
    /// known.
    fn against(&self, density: Option<&Density>, average: Decimal) -> Option<ExposureAgainst> {
        let limit = Decimal::new(self.limit, 3);
        let (bound, conversion) = if self.by_density {
            let density = density?.base().checked_div(Decimal::ONE_THOUSAND)?;
            let words = format!("{} x density {} g/cm3", limit.normalize(), density.normalize());
            (limit.checked_mul(density)?, Some(words))
        } else {
            (limit, None)
        };
        Some(ExposureAgainst {
            limit_mg_m3: bound.normalize().to_string(),
            source: self.source.to_owned(),
            confidence: Some(self.confidence),
            conversion,
            percent: percent(average, bound),
            within: Some(average <= bound),
        })
    }
}

impl Equipment {
    /// Shifts whose air was measured, in order of work.
    pub fn exposures(&self) -> Vec<ExposureView> {
        let view = |m: &crate::timeline::Moment<super::InRoom<ExposureMeasured>>| ExposureView {
            entry: m.seq,
            time_ms: m.time_ms,
            site: m.value.site.clone(),
            worn_by: worn_by(&m.value.subject),
            room: m.value.form.room.clone(),
            exposure: exposure(&m.value.form),
        };
        self.exposures.iter().map(view).collect()
    }
}

fn worn_by(subject: &Subject) -> Option<PersonId> {
    (subject.kind == SubjectKind::Person).then(|| PersonId::new(subject.id()).ok())?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unconverted_limit_hides_the_problem() {
        // computations.md C12; limits trade-values.md B5. Density of PA12 1.01 g/cm3.
        let limit = |value: &str, fraction: &str| {
            serde_json::json!({
                "limit": { "value": value, "unit": "mg/m3" }, "fraction": fraction,
                "source": "limit of the site",
            })
        };
        let sample = |value: &str, hours: &str, assumed: bool| {
            serde_json::json!({
                "concentration": { "value": value, "unit": "mg/m3" },
                "duration": { "value": hours, "unit": "h" }, "assumed": assumed,
            })
        };
        let form = |samples: serde_json::Value| -> ExposureMeasured {
            serde_json::from_value(serde_json::json!({
                "room": "R-12", "fraction": "respirable", "samples": samples,
                "limits": [limit("1.25", "respirable"), limit("10", "inhalable")],
                "density": { "value": "1.01", "unit": "g/cm3" },
            }))
            .unwrap()
        };
        let shift = [sample("0.8", "2", false), sample("0.3", "5", false), sample("0", "1", true)];
        let found = exposure(&form(shift.into())).unwrap();
        assert_eq!(found.average_mg_m3, "0.3875");
        let against: Vec<_> = found
            .against
            .iter()
            .map(|a| (a.limit_mg_m3.as_str(), a.percent.as_deref(), a.within))
            .collect();
        assert_eq!(
            against,
            [
                ("1.25", Some("31.00"), Some(true)),
                ("10", None, None),
                ("5", Some("7.75"), Some(true)),
                ("0.505", Some("76.73"), Some(true)),
            ]
        );
        assert_eq!(found.against[3].conversion.as_deref(), Some("0.5 x density 1.01 g/cm3"));
        assert_eq!((found.measured_h.as_str(), found.assumed_h.as_str()), ("7", "1"));
        assert_eq!(exposure(&form([sample("-1", "1", false)].into())), None);
    }
}
