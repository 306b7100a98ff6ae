//! Life of parts with censoring: what share survives, how they wear, and when replacing them early
//! pays (computations.md C15).
//!
//! A part that was taken out sound, or that still runs, has not failed: leaving it out would make
//! lives look shorter than they are.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use schemars::JsonSchema;
use serde::Serialize;

use super::special::{bisect, chi_square_quantile, gamma_p, ln_gamma};
use super::theil_sen::Z_95;

/// Age of one part in hours, and whether it ended in a failure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Life {
    /// Hours carried.
    pub hours: f64,
    /// True: failed. False: taken out sound, or still in use.
    pub failed: bool,
}

/// One step of the survival curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Survival {
    /// Age at which parts failed.
    pub hours: f64,
    /// Parts at risk just before.
    pub at_risk: usize,
    /// Failures at this age.
    pub failures: usize,
    /// Share that survives beyond it.
    pub share: f64,
}

/// Kaplan-Meier curve; at a tie failures come before censorings.
pub fn kaplan_meier(lives: &[Life]) -> Vec<Survival> {
    let mut lives: Vec<Life> = lives.iter().copied().filter(|l| l.hours.is_finite()).collect();
    lives.sort_by(|a, b| a.hours.total_cmp(&b.hours));
    let (mut share, mut at_risk) = (1.0, lives.len());
    let mut curve = Vec::new();
    for same_age in lives.chunk_by(|a, b| a.hours == b.hours) {
        let failures = same_age.iter().filter(|l| l.failed).count();
        if failures > 0 {
            share *= 1.0 - failures as f64 / at_risk as f64;
            curve.push(Survival { hours: same_age[0].hours, at_risk, failures, share });
        }
        at_risk -= same_age.len();
    }
    curve
}

/// A Weibull distribution fitted by maximum likelihood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weibull {
    /// β: below 1 early failures, 1 chance, above 1 wear.
    pub shape: f64,
    /// η in hours: the age by which 63.2 % have failed.
    pub scale: f64,
    /// Failures it rests on.
    pub failures: usize,
    /// Log-likelihood.
    pub log_likelihood: f64,
    /// 95 % interval of the shape by the observed information, on the log scale.
    pub shape_band: (f64, f64),
    /// 95 % interval of the scale, likewise.
    pub scale_band: (f64, f64),
}

/// Fits a Weibull distribution. `None` with fewer than two failures at different ages, or when the
/// likelihood has no maximum (every failure at the highest age).
pub fn weibull(lives: &[Life]) -> Option<Weibull> {
    let lives: Vec<Life> =
        lives.iter().copied().filter(|l| l.hours.is_finite() && l.hours > 0.0).collect();
    let failed: Vec<f64> = lives.iter().filter(|l| l.failed).map(|l| l.hours.ln()).collect();
    let longest = lives.iter().map(|l| l.hours).fold(0.0, f64::max);
    let first = *failed.first()?;
    if failed.iter().all(|ln| *ln == first) {
        return None;
    }
    let d = failed.len() as f64;
    let mean_ln = failed.iter().sum::<f64>() / d;
    // Ages relative to the longest, so that no power overflows.
    let score = |shape: f64| {
        let (mut sum, mut weighted) = (0.0, 0.0);
        for life in &lives {
            let power = (shape * (life.hours / longest).ln()).exp();
            sum += power;
            weighted += power * life.hours.ln();
        }
        weighted / sum - 1.0 / shape - mean_ln
    };
    let (low, high) = (1e-3, 1e3);
    if score(high) <= 0.0 {
        return None;
    }
    let shape = bisect(low, high, |shape| score(shape) < 0.0);
    let sum: f64 = lives.iter().map(|l| (shape * (l.hours / longest).ln()).exp()).sum();
    let scale = longest * (sum / d).powf(1.0 / shape);
    let (shape_band, scale_band) = bands(&lives, shape, scale)?;
    let log_likelihood = log_likelihood(&lives, shape, scale);
    Some(Weibull { shape, scale, failures: failed.len(), log_likelihood, shape_band, scale_band })
}

fn log_likelihood(lives: &[Life], shape: f64, scale: f64) -> f64 {
    lives
        .iter()
        .map(|life| {
            let x = (life.hours / scale).ln();
            let hazard =
                if life.failed { shape.ln() - scale.ln() + (shape - 1.0) * x } else { 0.0 };
            hazard - (shape * x).exp()
        })
        .sum()
}

/// Intervals from the observed information in (ln β, ln η), inverted by hand.
fn bands(lives: &[Life], shape: f64, scale: f64) -> Option<((f64, f64), (f64, f64))> {
    // With x = ln(t/η) and w = exp(βx), the second derivatives of the log-likelihood are, in ln β:
    // Σ_failed βx - Σ w(βx + β²x²); in ln η: -β² Σ w; mixed: -βd + Σ w(β + β²x).
    let (mut shape_shape, mut scale_scale, mut mixed) = (0.0, 0.0, 0.0);
    for life in lives {
        let bx = shape * (life.hours / scale).ln();
        let w = bx.exp();
        shape_shape -= w * (bx + bx * bx);
        scale_scale -= shape * shape * w;
        mixed += w * shape * (1.0 + bx);
        if life.failed {
            shape_shape += bx;
            mixed -= shape;
        }
    }
    let determinant = shape_shape * scale_scale - mixed * mixed;
    if determinant.is_nan() || determinant <= 0.0 {
        return None;
    }
    let around = |value: f64, variance: f64| {
        let factor = (Z_95 * variance.sqrt()).exp();
        (value / factor, value * factor)
    };
    Some((around(shape, -scale_scale / determinant), around(scale, -shape_shape / determinant)))
}

/// When replacing a part early pays, and what it saves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgeReplacement {
    /// Age at which to replace, in hours.
    pub hours: f64,
    /// Cost per hour at that age, in units of the cost of a planned replacement.
    pub cost_rate: f64,
    /// Cost per hour when parts run to failure.
    pub cost_rate_run_to_failure: f64,
}

impl Weibull {
    /// Mean life in hours.
    pub fn mean(&self) -> f64 {
        self.scale * ln_gamma(1.0 + 1.0 / self.shape).exp()
    }

    /// Standard deviation of the life in hours.
    pub fn standard_deviation(&self) -> f64 {
        let second = ln_gamma(1.0 + 2.0 / self.shape).exp();
        let first = ln_gamma(1.0 + 1.0 / self.shape).exp();
        self.scale * (second - first * first).max(0.0).sqrt()
    }

    /// Share that survives `hours`.
    pub fn survival(&self, hours: f64) -> f64 {
        (-(hours / self.scale).powf(self.shape)).exp()
    }

    /// Age by which `share` of the parts have failed: 0.1 gives the B10 life.
    pub fn age_at(&self, share: f64) -> f64 {
        self.scale * (-(1.0 - share).ln()).powf(1.0 / self.shape)
    }

    /// ∫₀ᵗ R(x) dx, in closed form by the incomplete gamma function.
    fn mean_until(&self, hours: f64) -> f64 {
        self.mean() * gamma_p(1.0 / self.shape, (hours / self.scale).powf(self.shape))
    }

    /// The age at which planned replacement is cheapest (Barlow and Proschan, age replacement),
    /// when a failure costs `cost_ratio` times a planned replacement. `None` when parts do not
    /// wear (shape at most 1) or a failure costs no more: then no interval is useful, inspect.
    pub fn age_replacement(&self, cost_ratio: f64) -> Option<AgeReplacement> {
        if self.shape <= 1.0 || cost_ratio.is_nan() || cost_ratio <= 1.0 {
            return None;
        }
        // The cost rate is least where hazard(t) ∫₀ᵗR + R(t) = c/(c-1); the left side rises from 1.
        let wanted = cost_ratio / (cost_ratio - 1.0);
        let rising = |t: f64| {
            let hazard = self.shape / self.scale * (t / self.scale).powf(self.shape - 1.0);
            hazard * self.mean_until(t) + self.survival(t)
        };
        let mut high = self.scale;
        while rising(high) < wanted {
            high *= 2.0;
            if high > self.scale * 1e6 {
                return None;
            }
        }
        let hours = bisect(0.0, high, |t| rising(t) < wanted);
        let survival = self.survival(hours);
        let cost = survival + cost_ratio * (1.0 - survival);
        Some(AgeReplacement {
            hours,
            cost_rate: cost / self.mean_until(hours),
            cost_rate_run_to_failure: cost_ratio / self.mean(),
        })
    }
}

/// Mean life between failures from `failures` in `hours` of use: a 95 % interval; without a
/// failure only a one-sided lower bound.
pub fn mean_life(failures: u32, hours: f64) -> (f64, Option<f64>) {
    let n = f64::from(failures);
    if failures == 0 {
        return (hours / -(0.05f64.ln()), None);
    }
    let low = 2.0 * hours / chi_square_quantile(0.975, 2.0 * n + 2.0);
    let high = 2.0 * hours / chi_square_quantile(0.025, 2.0 * n);
    (low, Some(high))
}

/// Failures below which a fit is marked as resting on few.
pub const FEW_FAILURES: usize = 10;

/// One step of a survival curve, as shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SurvivalStep {
    /// Age in hours.
    pub hours: String,
    /// Parts at risk just before.
    pub at_risk: usize,
    /// Failures at this age.
    pub failures: usize,
    /// Share that survives beyond it, in percent.
    pub survive_percent: String,
}

/// A Weibull fit, as shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct WeibullView {
    /// Shape: above 1 the parts wear.
    pub shape: String,
    /// 95 % interval of the shape.
    pub shape_low: String,
    /// Its upper end.
    pub shape_high: String,
    /// Age in hours by which 63.2 % have failed.
    pub scale_h: String,
    /// 95 % interval of the scale.
    pub scale_low_h: String,
    /// Its upper end.
    pub scale_high_h: String,
    /// Mean life in hours.
    pub mean_h: String,
    /// Age in hours by which 10 % have failed.
    pub ten_percent_h: String,
}

/// A suggested interval, as shown.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct SuggestedInterval {
    /// Cost of a failure in units of a planned replacement.
    pub cost_ratio: String,
    /// Age in hours at which to replace.
    pub replace_at_h: String,
    /// What this saves against running to failure, in percent of the cost.
    pub saves_percent: String,
}

/// What the lives of parts say, and how sure it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LifeSummary {
    /// Parts counted.
    pub parts: usize,
    /// Failures among them.
    pub failures: usize,
    /// Hours carried by all of them.
    pub hours: String,
    /// Kaplan-Meier curve.
    pub survival: Vec<SurvivalStep>,
    /// Mean hours between failures: lower end of the 95 % interval, one-sided without a failure.
    pub mean_between_failures_low_h: Option<String>,
    /// Upper end.
    pub mean_between_failures_high_h: Option<String>,
    /// Weibull fit.
    pub weibull: Option<WeibullView>,
    /// The interval that costs least, when a cost ratio was given and one is useful.
    pub suggested: Option<SuggestedInterval>,
    /// What to keep in mind, in words.
    pub remarks: Vec<String>,
}

/// Sums up lives given as (hours, failed). Figures are rounded for display only.
pub fn summary(lives: &[(Decimal, bool)], cost_ratio: Option<Decimal>) -> LifeSummary {
    let total: Decimal = lives.iter().map(|(hours, _)| *hours).sum();
    let known = lives
        .iter()
        .filter_map(|(hours, failed)| Some(Life { hours: hours.to_f64()?, failed: *failed }));
    let known: Vec<Life> = known.collect();
    let failures = known.iter().filter(|l| l.failed).count();
    let survival = kaplan_meier(&known).into_iter().map(|step| SurvivalStep {
        hours: format!("{:.1}", step.hours),
        at_risk: step.at_risk,
        failures: step.failures,
        survive_percent: format!("{:.1}", step.share * 100.0),
    });
    let hours = total.to_f64().filter(|h| *h > 0.0);
    let between = hours.map(|h| mean_life(u32::try_from(failures).unwrap_or(u32::MAX), h));
    let fit = weibull(&known);
    let ratio = cost_ratio.and_then(|r| r.to_f64());
    let interval = fit.zip(ratio).and_then(|(fit, ratio)| fit.age_replacement(ratio));
    LifeSummary {
        parts: lives.len(),
        failures,
        hours: total.to_string(),
        survival: survival.collect(),
        mean_between_failures_low_h: between.map(|(low, _)| format!("{low:.0}")),
        mean_between_failures_high_h: between.and_then(|(_, high)| high).map(|h| format!("{h:.0}")),
        weibull: fit.map(|fit| fit.view()),
        suggested: interval.zip(cost_ratio).map(|(found, ratio)| SuggestedInterval {
            cost_ratio: ratio.to_string(),
            replace_at_h: format!("{:.0}", found.hours),
            saves_percent: format!(
                "{:.0}",
                (1.0 - found.cost_rate / found.cost_rate_run_to_failure) * 100.0
            ),
        }),
        remarks: remarks(failures, fit.as_ref(), ratio),
    }
}

/// What to keep in mind about a small sample or a fit that shows no wear.
fn remarks(failures: usize, fit: Option<&Weibull>, cost_ratio: Option<f64>) -> Vec<String> {
    let mut remarks = Vec::new();
    if failures == 0 {
        remarks.push("no failure on record: only a lower bound can be given".to_owned());
    } else if failures < FEW_FAILURES {
        remarks.push(format!("{failures} failures say little: look at the intervals"));
    }
    match fit {
        None if failures > 0 => remarks.push("too few failures for a fit".to_owned()),
        None => {}
        Some(fit) if fit.shape <= 1.0 => {
            remarks.push("the parts show no wear: inspect instead of replacing early".to_owned());
        }
        Some(fit) if fit.shape_band.0 <= 1.0 => {
            remarks.push("wear is not proved: the interval of the shape takes in 1".to_owned());
        }
        Some(_) => {}
    }
    if cost_ratio.is_some_and(|ratio| ratio <= 1.0) {
        remarks.push("a failure costs no more than a planned replacement".to_owned());
    }
    remarks
}

impl Weibull {
    fn view(&self) -> WeibullView {
        WeibullView {
            shape: format!("{:.2}", self.shape),
            shape_low: format!("{:.2}", self.shape_band.0),
            shape_high: format!("{:.2}", self.shape_band.1),
            scale_h: format!("{:.1}", self.scale),
            scale_low_h: format!("{:.1}", self.scale_band.0),
            scale_high_h: format!("{:.1}", self.scale_band.1),
            mean_h: format!("{:.1}", self.mean()),
            ten_percent_h: format!("{:.1}", self.age_at(0.1)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::close;

    fn failed(hours: f64) -> Life {
        Life { hours, failed: true }
    }
    fn sound(hours: f64) -> Life {
        Life { hours, failed: false }
    }

    #[test]
    fn survival_counts_the_sound_ones() {
        // computations.md C15; computed there with lifelines, `KaplanMeierFitter`.
        let lives =
            [failed(220.), sound(310.), failed(400.), sound(480.), failed(520.), sound(600.)];
        let curve = kaplan_meier(&lives);
        let expected = [(220.0, 6, 0.833333), (400.0, 4, 0.625), (520.0, 2, 0.3125)];
        assert_eq!(curve.len(), expected.len());
        for (step, (hours, at_risk, share)) in curve.iter().zip(expected) {
            assert_eq!((step.hours, step.at_risk), (hours, at_risk));
            close(step.share, share, "survival");
        }
        let at_a_tie = kaplan_meier(&[failed(10.0), sound(10.0)]);
        assert_eq!((at_a_tie[0].at_risk, at_a_tie[0].share), (2, 0.5), "failures come first");
    }

    /// NIST/SEMATECH e-Handbook 8.4.1.3: ten failures, ten units censored at 500 h.
    fn nist() -> Vec<Life> {
        let failures = [54., 187., 216., 240., 244., 335., 361., 373., 375., 386.];
        failures.map(failed).into_iter().chain([sound(500.0); 10]).collect()
    }

    #[test]
    fn weibull_fit_of_the_handbook() {
        // computations.md C15; source of data and estimates as above, s.d. and log-likelihood
        // with the signs put right; computed there with lifelines, `WeibullFitter`.
        let fit = weibull(&nist()).unwrap();
        close(fit.scale, 606.528, "scale");
        close(fit.shape, 1.7208, "shape");
        close(fit.mean(), 540.737, "mean");
        close(fit.standard_deviation(), 323.806, "standard deviation");
        close(fit.log_likelihood, -75.135, "log-likelihood");
        assert_eq!(fit.failures, 10);
        // Bands: standard errors 0.502151 and 124.910637 computed with lifelines 0.30.3, put on
        // the log scale (se/value). The shape's band takes in 1: ten failures do not prove wear.
        close(fit.shape_band.0, 0.97127, "shape, low");
        close(fit.shape_band.1, 3.04875, "shape, high");
        close(fit.scale_band.0, 405.09, "scale, low");
        close(fit.scale_band.1, 908.13, "scale, high");
    }

    #[test]
    fn replacing_early_pays_when_parts_wear() {
        // computations.md C15; computed there with SciPy. t* to +-0.2 h: the minimum is flat.
        let fit = Weibull { scale: 606.528, shape: 1.7208, ..weibull(&nist()).unwrap() };
        for (ratio, hours, cost, run_to_failure) in [
            (3.0, 530.0, 0.0051486, 0.0055480),
            (5.0, 340.5, 0.0074850, 0.0092466),
            (10.0, 208.1, 0.0118081, 0.0184933),
        ] {
            let found = fit.age_replacement(ratio).unwrap();
            assert!((found.hours - hours).abs() <= 0.2, "{ratio}: {} h", found.hours);
            close(found.cost_rate, cost, "cost rate");
            close(found.cost_rate_run_to_failure, run_to_failure, "run to failure");
        }
        close(fit.age_at(0.1), 164.02, "B10");
        let chance = Weibull { shape: 1.0, ..fit };
        assert_eq!(chance.age_replacement(5.0), None, "no wear, no interval");
        assert_eq!(fit.age_replacement(1.0), None, "a failure costs no more");
    }

    #[test]
    fn mean_life_between_failures() {
        // computations.md C15; computed there with SciPy, `stats.chi2.ppf`.
        let (low, high) = mean_life(0, 3000.0);
        close(low, 1001.4, "no failure");
        assert_eq!(high, None);
        let (low, high) = mean_life(2, 3000.0);
        close(low, 415.24, "two failures, low");
        close(high.unwrap(), 12386.0, "two failures, high");
    }

    #[test]
    fn too_little_is_said_to_be_too_little() {
        assert_eq!(weibull(&[]), None);
        assert_eq!(weibull(&[failed(100.0), sound(200.0)]), None, "one failure");
        assert_eq!(weibull(&[failed(100.0), failed(100.0)]), None, "one age");
        assert!(weibull(&[failed(100.0), failed(120.0)]).is_some());
    }
}
