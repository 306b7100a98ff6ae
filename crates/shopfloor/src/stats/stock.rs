//! How many spares to keep (computations.md C19).

use super::special::ln_gamma;

/// Demand beyond which the Poisson rule for slow movers is not meant.
pub const DEMAND_MAX: f64 = 1000.0;

/// A stock level and the chance that demand stays within it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StockLevel {
    /// Pieces.
    pub pieces: u32,
    /// P(demand <= pieces).
    pub service: f64,
}

/// Smallest stock that covers the demand of one lead time with probability `service`, when the
/// demand is Poisson with mean `demand`. `None` when an argument is out of range.
pub fn spares(demand: f64, service: f64) -> Option<StockLevel> {
    let in_range = (0.0..=DEMAND_MAX).contains(&demand) && (0.0..1.0).contains(&service);
    if !in_range {
        return None;
    }
    let mut reached = 0.0;
    for pieces in 0u32.. {
        let k = f64::from(pieces);
        // 0 * ln 0 counts as 0: without demand the first term is 1.
        let power = if pieces == 0 { 0.0 } else { k * demand.ln() };
        reached += (power - demand - ln_gamma(k + 1.0)).exp();
        if reached >= service {
            return Some(StockLevel { pieces, service: reached.min(1.0) });
        }
        if k > 10.0 * DEMAND_MAX {
            break;
        }
    }
    None
}

/// Reorder point from `used` pieces in a window of days: pieces that cover the demand of a lead
/// time with at least `service_percent`, and the chance they give in percent. `None` without a
/// window, or when the demand is no slow mover's.
pub fn reorder(
    used: u32,
    window_days: u32,
    lead_time_days: u32,
    service_percent: u8,
) -> Option<(u32, String)> {
    if window_days == 0 {
        return None;
    }
    let demand = f64::from(used) * f64::from(lead_time_days) / f64::from(window_days);
    let level = spares(demand, f64::from(service_percent) / 100.0)?;
    Some((level.pieces, format!("{:.1}", level.service * 100.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::close;

    #[test]
    fn spares_for_a_slow_mover() {
        // computations.md C19; computed there with SciPy, `stats.poisson.ppf(.95, 2.4)`.
        let level = spares(2.4, 0.95).unwrap();
        assert_eq!(level.pieces, 5);
        close(level.service, 0.964327, "service at 5");
        let below = spares(2.4, 0.9).unwrap();
        assert_eq!(below.pieces, 4);
        close(below.service, 0.904131, "service at 4");
        assert_eq!(spares(0.0, 0.95).unwrap().pieces, 0, "no demand, no stock");
        assert_eq!(spares(-1.0, 0.95), None);
        assert_eq!(spares(2.4, 1.0), None, "certainty has no stock");
        // 12 pieces in 150 days, 30 days lead time: demand 2.4.
        assert_eq!(reorder(12, 150, 30, 95), Some((5, "96.4".to_owned())));
        assert_eq!(reorder(12, 0, 30, 95), None);
    }
}
