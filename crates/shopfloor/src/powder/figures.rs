//! Figures of the powder room as pure functions: refresh, ageing in closed form, economics,
//! moisture, apertures, weighing. Decimals throughout; each states its source.

use rust_decimal::Decimal;

use super::events::DecisionRule;

/// Square root, cut after as many digits as 128 bits allow (at least 14).
pub(crate) fn sqrt(value: Decimal) -> Decimal {
    if value <= Decimal::ZERO {
        return Decimal::ZERO;
    }
    let value = value.normalize();
    let (mut digits, mut scale) = (value.mantissa().unsigned_abs(), value.scale());
    if !scale.is_multiple_of(2) {
        (digits, scale) = (digits * 10, scale + 1);
    }
    while let Some(more) = digits.checked_mul(100) {
        if scale + 2 > 48 {
            break;
        }
        (digits, scale) = (more, scale + 2);
    }
    // The root has at most 20 digits and fits.
    let root = i128::try_from(digits.isqrt()).unwrap_or(i128::MAX);
    Decimal::from_i128_with_scale(root, scale / 2).normalize()
}

/// Coverage factor of every expanded uncertainty here (JCGM 100:2008, 6.2; about 95 %).
pub const COVERAGE_FACTOR: Decimal = Decimal::TWO;

/// Maximum permissible error in service of a class III scale with verification interval `e_kg` at
/// a load, in kg: twice 0.5 e up to 500 e, 1 e up to 2000 e, 1.5 e above.
///
/// Source: OIML R 76-1 Table 6; factor 2 in service, clause 3.5.2 (from memory). The table ends at
/// 10 000 e; loads above keep 1.5 e. `None` when `e_kg` is not positive.
pub fn scale_error_in_service_kg(e_kg: Decimal, load_kg: Decimal) -> Option<Decimal> {
    if e_kg <= Decimal::ZERO {
        return None;
    }
    let intervals = load_kg.abs() / e_kg;
    let half_intervals = if intervals <= Decimal::from(500) {
        1
    } else if intervals <= Decimal::from(2000) {
        2
    } else {
        3
    };
    Some(e_kg * Decimal::from(half_intervals))
}

/// Combined standard uncertainty of a sum of independent weighings with the given limits of error
/// (rectangular): sqrt(sum of (a^2 / 3)).
///
/// Source: JCGM 100:2008, 4.3.7 and 5.1.2 (from memory).
pub fn combined_uncertainty_kg(limits_of_error_kg: &[Decimal]) -> Decimal {
    sqrt(limits_of_error_kg.iter().map(|a| a * a).sum::<Decimal>() / Decimal::from(3))
}

/// Mass of a component of a blend as weighed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Component {
    /// Mass in kg.
    pub mass_kg: Decimal,
    /// Share of it that is fresh (never in a build), 0 to 1.
    pub fresh: Decimal,
    /// Standard uncertainty of the mass in kg; `None` when none was stated.
    pub u_kg: Option<Decimal>,
}

/// Refresh ratio achieved (C4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Refresh {
    /// Share of fresh powder in the blend, 0 to 1.
    pub ratio: Decimal,
    /// Standard uncertainty; `None` when a component states none.
    pub u: Option<Decimal>,
}

impl Refresh {
    /// Whether the ratio meets a recipe's minimum by a decision rule: `simple` when r >= minimum,
    /// `guarded` when r - U >= minimum (k = 2). `None`: guarded, and no uncertainty was stated.
    ///
    /// Source: Eurachem/CITAC 2021, guard bands; computations.md C4.
    pub fn meets(&self, minimum: Decimal, rule: DecisionRule) -> Option<bool> {
        match rule {
            DecisionRule::Simple => Some(self.ratio >= minimum),
            DecisionRule::Guarded => Some(self.ratio - self.u? * COVERAGE_FACTOR >= minimum),
        }
    }
}

/// Refresh ratio r = F / (F + U) of a blend with its uncertainty. Components that are fresh in
/// part count by their share: r = sum(m_i f_i) / M and u_r = sqrt(sum((f_i - r)^2 u_i^2)) / M,
/// which is the two-component form of C4 for f = 1 and f = 0.
///
/// Source: JCGM 100:2008, 5.1.2 eq. 10 (from memory). `None` when the total is not positive.
pub fn refresh(components: &[Component]) -> Option<Refresh> {
    let total: Decimal = components.iter().map(|c| c.mass_kg).sum();
    if total <= Decimal::ZERO {
        return None;
    }
    let ratio = components.iter().map(|c| c.mass_kg * c.fresh).sum::<Decimal>() / total;
    let squares = components.iter().map(|c| {
        let term = (c.fresh - ratio) * c.u_kg?;
        Some(term * term)
    });
    let squares: Option<Decimal> = squares.sum();
    Some(Refresh { ratio, u: squares.map(|s| sqrt(s) / total) })
}

/// Fresh powder needed so that `used_kg` of used powder reaches a refresh ratio: F = U r / (1 - r)
/// (C4). `None` unless the ratio is below 1.
pub fn fresh_needed_kg(used_kg: Decimal, ratio: Decimal) -> Option<Decimal> {
    (ratio < Decimal::ONE).then(|| used_kg * ratio / (Decimal::ONE - ratio))
}

/// Mean age after `cycles` cycles of refreshing with the same ratio, in builds, in closed form:
/// g_n = ((1 - r) / r) (1 - (1 - r)^n) (C5; derived from the recurrence). `None` unless
/// 0 < r <= 1.
pub fn mean_builds(ratio: Decimal, cycles: u32) -> Option<Decimal> {
    if ratio <= Decimal::ZERO || ratio > Decimal::ONE {
        return None;
    }
    let used = Decimal::ONE - ratio;
    let power = (0..cycles).fold(Decimal::ONE, |p, _| p * used);
    Some(used / ratio * (Decimal::ONE - power))
}

/// Refresh economics in steady state (C13).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Economics {
    /// Fresh powder per build, kg.
    pub fresh_kg: Decimal,
    /// Aged powder left over per build, kg; negative when the stock of used powder shrinks.
    pub surplus_kg: Decimal,
    /// Waste per build, kg (surplus and losses).
    pub waste_kg: Decimal,
    /// Waste per kg of parts.
    pub waste_per_kg_parts: Option<Decimal>,
    /// Cost of the fresh powder.
    pub fresh_cost: Decimal,
    /// Refresh ratio at which nothing is left over: p + l.
    pub self_sustaining: Decimal,
}

/// Economics of a refresh ratio: mass loaded in kg, share that becomes parts, share lost
/// (oversize, vacuum), refresh ratio, price of fresh powder per kg.
///
/// Source: mass balance, derived (C13).
pub fn economics(
    loaded_kg: Decimal,
    parts: Decimal,
    lost: Decimal,
    ratio: Decimal,
    price_per_kg: Decimal,
) -> Economics {
    let fresh_kg = ratio * loaded_kg;
    Economics {
        fresh_kg,
        surplus_kg: (ratio - parts - lost) * loaded_kg,
        waste_kg: (ratio - parts) * loaded_kg,
        waste_per_kg_parts: (!parts.is_zero()).then(|| (ratio - parts) / parts),
        fresh_cost: price_per_kg * fresh_kg,
        self_sustaining: parts + lost,
    }
}

/// Moisture on wet basis in percent: (wet - dry) / wet (C17; ISO 15512, from memory). `None`
/// unless the wet mass is positive.
pub fn moisture_percent(wet_g: Decimal, dry_g: Decimal) -> Option<Decimal> {
    (wet_g > Decimal::ZERO).then(|| (wet_g - dry_g) / wet_g * Decimal::ONE_HUNDRED)
}

/// Net mass corrected for a span error found at an as-found calibration (C16), for showing both:
/// the original stays as recorded. `None` when the span error is -1 or less.
pub fn span_corrected_kg(indicated_kg: Decimal, span_error: Decimal) -> Option<Decimal> {
    let factor = Decimal::ONE + span_error;
    (factor > Decimal::ZERO).then(|| indicated_kg / factor)
}

/// Tolerances of a sieve aperture (C18): one row of [`APERTURES`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ApertureTolerance {
    /// Specification id.
    pub spec: &'static str,
    /// Nominal aperture, um.
    pub nominal_um: u32,
    /// Tolerance of the mean opening Y, in tenths of um.
    pub mean_tenths_um: u32,
    /// Largest excess of a single opening X, um.
    pub excess_um: u32,
}

/// Specification id of ISO 3310-1 in recipes and sieve records.
pub const ISO_3310_1: &str = "ISO-3310-1";
/// Specification id of ASTM E11 in recipes and sieve records.
pub const ASTM_E11: &str = "ASTM-E11";

const fn iso(nominal_um: u32, mean_tenths_um: u32, excess_um: u32) -> ApertureTolerance {
    ApertureTolerance { spec: ISO_3310_1, nominal_um, mean_tenths_um, excess_um }
}
const fn e11(nominal_um: u32, mean_tenths_um: u32, excess_um: u32) -> ApertureTolerance {
    ApertureTolerance { spec: ASTM_E11, nominal_um, mean_tenths_um, excess_um }
}

/// Tolerances of wire-cloth test sieves, ISO 3310-1:2016 and ASTM E11-17, 45 to 250 um.
/// Seen in a secondary source (data tables of an open library that cites both); confirm against
/// bought copies. Industrial cloth has no row: its tolerance comes from the order.
pub const APERTURES: &[ApertureTolerance] = &[
    iso(45, 28, 20),
    iso(63, 34, 24),
    iso(75, 37, 26),
    iso(106, 47, 31),
    iso(125, 52, 34),
    iso(140, 57, 37),
    iso(150, 60, 38),
    iso(160, 63, 40),
    iso(180, 68, 43),
    iso(200, 74, 45),
    iso(212, 78, 47),
    iso(250, 89, 52),
    e11(45, 31, 22),
    e11(63, 37, 26),
    e11(75, 41, 29),
    e11(106, 52, 35),
    e11(125, 58, 38),
    e11(150, 66, 43),
    e11(180, 76, 47),
    e11(212, 87, 52),
    e11(250, 99, 58),
];

/// Whether a sieve with this measured mean opening and largest opening meets its specification:
/// |mean - w| <= Y and largest <= w + X (C18). `None` when the specification has no row for the
/// aperture, so that the tolerance has to come from the order.
pub fn aperture_accepted(
    spec: &str,
    nominal_um: Decimal,
    mean_um: Decimal,
    largest_um: Decimal,
) -> Option<bool> {
    let row =
        APERTURES.iter().find(|r| r.spec == spec && Decimal::from(r.nominal_um) == nominal_um)?;
    let y = Decimal::new(i64::from(row.mean_tenths_um), 1);
    let x = Decimal::from(row.excess_um);
    Some((mean_um - nominal_um).abs() <= y && largest_um <= nominal_um + x)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn d(text: &str) -> Decimal {
        text.parse().unwrap()
    }
    /// Agrees with all digits shown in the check value.
    fn agrees(found: Decimal, shown: &str) {
        let shown_value = d(shown);
        assert_eq!(found.round_dp(shown_value.scale()), shown_value, "{found} is not {shown}");
    }

    #[test]
    fn roots_are_right_to_many_digits() {
        agrees(sqrt(Decimal::TWO), "1.4142135623731");
        agrees(sqrt(d("0.000000000004")), "0.000002");
        agrees(sqrt(d("152399025")), "12345");
        assert_eq!(sqrt(Decimal::ZERO), Decimal::ZERO);
    }

    #[test]
    fn c4_refresh_ratio_with_uncertainty() {
        // computations.md C4; computed there with `uncertainties`.
        let part = |m, fresh| Component { mass_kg: d(m), fresh, u_kg: Some(d("0.03")) };
        let found = refresh(&[part("12", Decimal::ONE), part("18", Decimal::ZERO)]).unwrap();
        agrees(found.ratio, "0.400000");
        agrees(found.u.unwrap(), "0.000721110");
        agrees(found.u.unwrap() * COVERAGE_FACTOR, "0.00144222");
        // The decision rule is part of the question: at 0.4000 `simple` accepts, `guarded` refuses.
        assert_eq!(found.meets(d("0.4"), DecisionRule::Simple), Some(true));
        assert_eq!(found.meets(d("0.4"), DecisionRule::Guarded), Some(false));
        assert_eq!(found.meets(d("0.398"), DecisionRule::Guarded), Some(true));
        agrees(fresh_needed_kg(d("18"), d("0.30")).unwrap(), "7.714286");
        assert_eq!(refresh(&[]), None);
    }

    #[test]
    fn c5_closed_form() {
        // computations.md C5, table.
        let rows = [
            ("0.5", ["0.5", "0.75", "0.875", "0.96875", "1"]),
            ("0.3", ["0.7", "1.19", "1.533", "1.94117", "2.333333"]),
            ("0.2", ["0.8", "1.44", "1.952", "2.68928", "4.000000"]),
        ];
        for (ratio, values) in rows {
            // The last column is the limit: 200 cycles are as good as endless.
            for (expected, cycles) in values.iter().zip([1, 2, 3, 5, 200]) {
                agrees(mean_builds(d(ratio), cycles).unwrap(), expected);
            }
        }
        assert_eq!(mean_builds(Decimal::ZERO, 3), None);
    }

    #[test]
    fn c6_scale_limits_and_combined_uncertainty() {
        // computations.md C6: e = 0.02 kg.
        let e = d("0.02");
        let loads = ["60", "20", "55.4", "18.1", "2.9", "3.0"];
        let limits: Vec<Decimal> =
            loads.iter().map(|l| scale_error_in_service_kg(e, d(l)).unwrap()).collect();
        let expected = ["0.06", "0.04", "0.06", "0.04", "0.02", "0.02"];
        assert_eq!(limits, expected.map(d));
        agrees(combined_uncertainty_kg(&limits), "0.0611010");
        agrees(combined_uncertainty_kg(&limits) * COVERAGE_FACTOR, "0.122202");
        // B6: each upper bound is included.
        let at = |load| scale_error_in_service_kg(e, d(load)).unwrap();
        assert_eq!((at("10.00"), at("10.01")), (d("0.02"), d("0.04")));
        assert_eq!((at("40.00"), at("40.01")), (d("0.04"), d("0.06")));
        assert_eq!(scale_error_in_service_kg(Decimal::ZERO, e), None);
    }

    #[test]
    fn c13_economics() {
        // computations.md C13: M = 30, p = 0.10, l = 0.03, 100 per kg.
        let rows = [
            ("0.5", "15", "11.1", "12.0", "4.0", "1500"),
            ("0.3", "9", "5.1", "6.0", "2.0", "900"),
            ("0.2", "6", "2.1", "3.0", "1.0", "600"),
            ("0.13", "3.9", "0", "0.9", "0.3", "390"),
        ];
        for (r, fresh, surplus, waste, per_part, cost) in rows {
            let found = economics(d("30"), d("0.10"), d("0.03"), d(r), d("100"));
            assert_eq!(found.fresh_kg, d(fresh), "{r}");
            assert_eq!(found.surplus_kg, d(surplus), "{r}");
            assert_eq!(found.waste_kg, d(waste), "{r}");
            assert_eq!(found.waste_per_kg_parts, Some(d(per_part)), "{r}");
            assert_eq!(found.fresh_cost, d(cost), "{r}");
            assert_eq!(found.self_sustaining, d("0.13"));
        }
        let denser = economics(d("30"), d("0.20"), d("0.03"), d("0.5"), d("100"));
        assert_eq!(denser.waste_per_kg_parts, Some(d("1.5")));
    }

    #[test]
    fn c16_and_c17_arithmetic() {
        agrees(span_corrected_kg(d("18.10"), d("0.003")).unwrap(), "18.0459");
        assert_eq!(moisture_percent(d("25.000"), d("24.965")), Some(d("0.14")));
    }

    #[test]
    fn c18_the_answer_depends_on_the_specification() {
        let ask = |spec, mean, largest| aperture_accepted(spec, d("150"), d(mean), d(largest));
        assert_eq!(ask(ISO_3310_1, "144.0", "188"), Some(true));
        assert_eq!(ask(ISO_3310_1, "156.0", "188"), Some(true));
        assert_eq!(ask(ISO_3310_1, "156.3", "188"), Some(false));
        assert_eq!(ask(ASTM_E11, "156.3", "193"), Some(true));
        assert_eq!(ask(ISO_3310_1, "150", "188.1"), Some(false));
        // B2: 140 um exists only in the ISO list; industrial cloth has no row at all.
        assert_eq!(aperture_accepted(ASTM_E11, d("140"), d("140"), d("140")), None);
        assert_eq!(aperture_accepted("PO-4711", d("150"), d("150"), d("150")), None);
    }
}
