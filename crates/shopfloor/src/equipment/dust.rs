//! Dust layers: from which depth and area on a layer counts as a hazard (computations.md C11).
//!
//! A decision aid: a warning should come well below the criterion, and the site's own assessment
//! and the authority having jurisdiction decide.

use rust_decimal::Decimal;
use schemars::JsonSchema;
use serde::Serialize;

use super::Equipment;
use super::events::DustSurveyed;
use crate::ids::Label;

/// kg/m3 in one lb/ft3, 0.45359237/0.028316846592 by definition, to the digits of the source.
const LB_FT3: (i64, u32) = (16_018_463, 6);
/// 1/32 in, the criterion of dense dusts, in mm.
const DENSE_MM: (i64, u32) = (79_375, 5);
/// Largest single area, 1000 ft2 in m2.
const SINGLE_AREA_M2: (i64, u32) = (9_290_304, 5);

fn d((mantissa, scale): (i64, u32)) -> Decimal {
    Decimal::new(mantissa, scale)
}

/// Depth criterion in mm for a bulk density in kg/m3: 1/32 in x 75/BD[lb/ft3] below 75 lb/ft3,
/// else 1/32 in; without a density the stricter 1/32 in (OSHA memo of 21 Apr 2015 quoting
/// NFPA 654 (2013); trade-values.md B4).
pub fn layer_criterion_mm(bulk_density_kg_m3: Option<Decimal>) -> Decimal {
    let dense = d(DENSE_MM);
    let Some(density) = bulk_density_kg_m3.filter(|rho| *rho > Decimal::ZERO) else { return dense };
    let light = density.checked_div(d(LB_FT3)).filter(|bd| *bd < Decimal::from(75));
    light
        .and_then(|bd| (dense * Decimal::from(75)).checked_div(bd))
        .map_or(dense, |criterion| criterion.max(dense))
}

/// How the layers of a room stand against the criterion. Decimal digits, units in the names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DustAssessment {
    /// Depth from which on a layer counts.
    pub criterion_mm: String,
    /// Area deeper than the criterion that is deemed a hazard: 5 % of the footprint.
    pub area_limit_m2: String,
    /// Volume of dust that is deemed a hazard.
    pub volume_limit_m3: String,
    /// The same as mass.
    pub mass_limit_kg: String,
    /// Area found deeper than the criterion.
    pub area_over_m2: String,
    /// Volume of all layers.
    pub volume_m3: String,
    /// Mean concentration if all of it were stirred up in the room.
    pub cloud_g_m3: String,
    /// Whether a condition of the criterion is met.
    pub over: bool,
    /// Which ones, in words.
    pub reasons: Vec<String>,
    /// Where the criterion comes from.
    pub source: String,
}

/// One survey of a room.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct DustSurveyView {
    /// Entry.
    pub entry: u64,
    /// When it was done, ms since 1970 UTC.
    pub time_ms: i64,
    /// Site.
    pub site: Option<Label>,
    /// Room.
    pub room: Label,
    /// What it comes to; none when a size of the room is not positive.
    pub assessment: Option<DustAssessment>,
}

/// Digits after the point of shown results.
const SHOWN_DIGITS: u32 = 6;

fn shown(value: Decimal) -> String {
    value.round_dp(SHOWN_DIGITS).normalize().to_string()
}

/// Holds the layers of a room against the criterion. `None` when a size of the room is not
/// positive or too large to compute with.
pub fn assess(room: &DustSurveyed) -> Option<DustAssessment> {
    let (footprint, height) = (room.footprint.base(), room.height.base());
    let density = room.bulk_density.base();
    if footprint <= Decimal::ZERO || height <= Decimal::ZERO || density <= Decimal::ZERO {
        return None;
    }
    let criterion_mm = layer_criterion_mm(Some(density));
    let area_limit = footprint.checked_mul(Decimal::new(5, 2))?;
    let volume = |depth_mm: Decimal, area: Decimal| {
        depth_mm.checked_mul(area)?.checked_div(Decimal::ONE_THOUSAND)
    };
    let volume_limit = volume(criterion_mm, area_limit)?;
    let single_volume = volume(criterion_mm, d(SINGLE_AREA_M2))?;
    let (mut area_over, mut total, mut reasons) = (Decimal::ZERO, Decimal::ZERO, Vec::new());
    for layer in &room.layers {
        let (depth_mm, area) = (layer.depth.base() / Decimal::ONE_THOUSAND, layer.area.base());
        let layer_volume = volume(depth_mm, area)?;
        total = total.checked_add(layer_volume)?;
        if depth_mm > criterion_mm {
            area_over = area_over.checked_add(area)?;
            if area > d(SINGLE_AREA_M2) {
                reasons.push("one area over the criterion exceeds 92.9 m2".to_owned());
            }
        }
        if layer_volume > single_volume {
            reasons.push("one volume exceeds the criterion over 92.9 m2".to_owned());
        }
    }
    if area_over > area_limit {
        reasons.insert(0, "the area over the criterion exceeds 5 % of the footprint".to_owned());
    }
    if total > volume_limit {
        reasons.push("the volume exceeds the criterion over 5 % of the footprint".to_owned());
    }
    let room_m3 = footprint.checked_mul(height)?;
    let grams = total.checked_mul(density)?.checked_mul(Decimal::ONE_THOUSAND)?;
    Some(DustAssessment {
        criterion_mm: shown(criterion_mm),
        area_limit_m2: shown(area_limit),
        volume_limit_m3: shown(volume_limit),
        mass_limit_kg: shown(volume_limit.checked_mul(density)?),
        area_over_m2: shown(area_over),
        volume_m3: shown(total),
        cloud_g_m3: shown(grams.checked_div(room_m3)?),
        over: !reasons.is_empty(),
        reasons,
        source: "OSHA memo of 21 Apr 2015 quoting NFPA 654 (2013); formula from memory, confirm \
                 before relying on it"
            .to_owned(),
    })
}

impl Equipment {
    /// Surveys of dust, in order of work.
    pub fn dust_surveys(&self) -> Vec<DustSurveyView> {
        let view = |m: &crate::timeline::Moment<super::InRoom<DustSurveyed>>| DustSurveyView {
            entry: m.seq,
            time_ms: m.time_ms,
            site: m.value.site.clone(),
            room: m.value.form.room.clone(),
            assessment: assess(&m.value.form),
        };
        self.dust_surveys.iter().map(view).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::equipment::events::LayerFound;
    use crate::quantity::{Aperture, Area, Density, Height};

    fn n(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn rounded(text: &str, digits: u32) -> String {
        n(text).round_dp(digits).to_string()
    }

    fn room(layers: &[(&str, &str)]) -> DustSurveyed {
        let layer = |(depth, area): &(&str, &str)| LayerFound {
            depth: Aperture::new(depth, "mm").unwrap(),
            area: Area::new(area, "m2").unwrap(),
        };
        DustSurveyed {
            room: Label::new("R-12").unwrap(),
            footprint: Area::new("200", "m2").unwrap(),
            height: Height::new("3", "m").unwrap(),
            bulk_density: Density::new("450", "kg/m3").unwrap(),
            layers: layers.iter().map(layer).collect(),
            evidence: Vec::new(),
        }
    }

    #[test]
    fn the_criterion_of_a_light_powder() {
        // computations.md C11: density 450 kg/m3, footprint 200 m2, height 3 m.
        let found = assess(&room(&[])).unwrap();
        assert_eq!(rounded(&found.criterion_mm, 5), "2.11911");
        assert_eq!(found.area_limit_m2, "10");
        assert_eq!(rounded(&found.volume_limit_m3, 6), "0.021191");
        assert_eq!(rounded(&found.mass_limit_kg, 5), "9.53599");
        assert!(!found.over);
        let dense = layer_criterion_mm(Some(n("1202")));
        assert_eq!(dense, n("0.79375"), "1/32 in from 75 lb/ft3 on");
        assert_eq!(layer_criterion_mm(None), dense, "without a density the stricter one");
    }

    #[test]
    fn layers_over_the_criterion_are_named() {
        // (layers as (mm, m2), reason); area limit 10 m2, volume limit 0.0211911 m3.
        let area = "the area over the criterion exceeds 5 % of the footprint";
        let volume = "the volume exceeds the criterion over 5 % of the footprint";
        let check = |layers: &[(&str, &str)], reasons: &[&str]| {
            assert_eq!(assess(&room(layers)).unwrap().reasons, reasons, "{layers:?}");
        };
        check(&[("2.1", "10")], &[]);
        check(&[("2.2", "10.1")], &[area, volume]);
        check(&[("0.2", "200")], &[volume]);
        check(&[("5", "1"), ("2", "2")], &[]);
        let footprint = Area::new("4000", "m2").unwrap();
        let hall = DustSurveyed { footprint, ..room(&[("2.2", "93")]) };
        let reasons = assess(&hall).unwrap().reasons;
        assert!(reasons[0].contains("92.9 m2"), "{reasons:?}");
    }

    #[test]
    fn a_thin_layer_makes_a_thick_cloud() {
        // computations.md C11: the whole floor at the criterion 317.866 g/m3, 5 % of it 15.8933,
        // and 0.2 mm on the whole floor reach the lower explosion limit of 30 g/m3 (B3).
        let cloud = |depth: &str, area: &str| assess(&room(&[(depth, area)])).unwrap().cloud_g_m3;
        let criterion = layer_criterion_mm(Some(n("450"))).round_dp(9).to_string();
        assert_eq!(rounded(&cloud(&criterion, "200"), 3), "317.866");
        assert_eq!(rounded(&cloud(&criterion, "10"), 4), "15.8933");
        assert_eq!(cloud("0.2", "200"), "30");
    }
}
