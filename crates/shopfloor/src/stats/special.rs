//! The special functions behind the quantiles: log gamma, the incomplete gamma and beta integrals,
//! and their inverses by bisection.

use std::f64::consts::PI;

/// Steps of a bisection: enough to reach the last bit of any bracket used here.
const BISECTIONS: usize = 200;
/// Terms of a series or continued fraction before it is given up as not converging.
const TERMS_MAX: usize = 10_000;

/// Root of an increasing function in `low..high`.
pub(crate) fn bisect(mut low: f64, mut high: f64, below: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..BISECTIONS {
        let middle = low + (high - low) / 2.0;
        if below(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low + (high - low) / 2.0
}

/// ln Γ(x) for x > 0: Stirling's series with Bernoulli numbers, after the recurrence
/// Γ(x+1) = xΓ(x) has moved x to 10 or above (DLMF 5.11.1 and 5.5.1).
pub(crate) fn ln_gamma(x: f64) -> f64 {
    let mut shift = 0.0;
    let mut x = x;
    while x < 10.0 {
        shift += x.ln();
        x += 1.0;
    }
    // B(2k)/(2k(2k-1)) for k = 1 to 6.
    const SERIES: [f64; 6] =
        [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0, -691.0 / 360_360.0];
    let inverse_square = 1.0 / (x * x);
    let tail = SERIES.iter().rev().fold(0.0, |sum, term| sum * inverse_square + term) / x;
    (x - 0.5) * x.ln() - x + 0.5 * (2.0 * PI).ln() + tail - shift
}

/// Regularised lower incomplete gamma function P(a, x): series below a + 1, continued fraction
/// above (DLMF 8.7.1 and 8.9.2).
pub(crate) fn gamma_p(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let front = (a * x.ln() - x - ln_gamma(a)).exp();
    if x < a + 1.0 {
        let (mut term, mut sum) = (1.0 / a, 1.0 / a);
        for n in 1..TERMS_MAX {
            term *= x / (a + n as f64);
            sum += term;
            if term < sum * f64::EPSILON {
                break;
            }
        }
        front * sum
    } else {
        1.0 - front
            * lentz(1.0 / (x + 1.0 - a), x + 1.0 - a, |n| {
                let n = n as f64;
                (-n * (n - a), x + 2.0 * n + 1.0 - a)
            })
    }
}

/// Regularised incomplete beta function I_x(a, b) by its continued fraction (DLMF 8.17.22).
pub(crate) fn beta_i(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - beta_i(b, a, 1.0 - x);
    }
    let ln_front = a * x.ln() + b * (1.0 - x).ln() + ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b);
    let fraction = lentz(1.0, 1.0, |n| {
        let half = (n / 2) as f64;
        let numerator = if n % 2 == 0 {
            half * (b - half) * x / ((a + 2.0 * half - 1.0) * (a + 2.0 * half))
        } else {
            -(a + half) * (a + b + half) * x / ((a + 2.0 * half) * (a + 2.0 * half + 1.0))
        };
        (numerator, 1.0)
    });
    ln_front.exp() * fraction / a
}

/// Value of 1/(b0 + a1/(b1 + a2/(b2 + ..))) by the modified Lentz method; `first` is 1/b0 and
/// `step(n)` gives a_n and b_n from n = 1 on.
fn lentz(first: f64, b0: f64, step: impl Fn(usize) -> (f64, f64)) -> f64 {
    const TINY: f64 = 1e-300;
    let (mut value, mut c, mut d) = (first, 1.0 / TINY, 1.0 / b0);
    for n in 1..TERMS_MAX {
        let (a, b) = step(n);
        let guard = |v: f64| if v.abs() < TINY { TINY } else { v };
        d = 1.0 / guard(b + a * d);
        c = guard(b + a / c);
        let change = c * d;
        value *= change;
        if (change - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    value
}

/// Quantile of the chi-square distribution: the x with P(degrees/2, x/2) = p.
pub(crate) fn chi_square_quantile(p: f64, degrees: f64) -> f64 {
    let mut high = degrees.max(1.0);
    while gamma_p(degrees / 2.0, high / 2.0) < p && high < 1e12 {
        high *= 2.0;
    }
    bisect(0.0, high, |x| gamma_p(degrees / 2.0, x / 2.0) < p)
}

/// Quantile of the beta distribution.
pub(crate) fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    bisect(0.0, 1.0, |x| beta_i(a, b, x) < p)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values by arithmetic: factorials, exponentials and polynomials.
    #[test]
    fn the_functions_meet_their_closed_forms() {
        let near = |found: f64, expected: f64, what: &str| {
            let error = (found - expected).abs() / expected.abs().max(1e-300);
            assert!(error < 1e-12, "{what}: {found} against {expected}");
        };
        near(ln_gamma(0.5), PI.sqrt().ln(), "ln gamma(1/2) = ln sqrt(pi)");
        near(ln_gamma(6.0), 120f64.ln(), "ln 5!");
        near(ln_gamma(171.0), (1..=170).map(|n| f64::from(n).ln()).sum(), "ln 170!");
        near(gamma_p(1.0, 2.5), 1.0 - (-2.5f64).exp(), "P(1, x) = 1 - exp(-x)");
        near(gamma_p(3.0, 7.0), 1.0 - (-7.0f64).exp() * (1.0 + 7.0 + 24.5), "P(3, x)");
        near(gamma_p(3.0, 0.5), 1.0 - (-0.5f64).exp() * (1.0 + 0.5 + 0.125), "P(3, x) series");
        near(beta_i(2.0, 2.0, 0.3), 3.0 * 0.09 - 2.0 * 0.027, "I(2, 2) = 3x^2 - 2x^3");
        near(beta_i(1.0, 5.0, 0.2), 1.0 - 0.8f64.powi(5), "I(1, b) = 1 - (1-x)^b");
        near(beta_i(5.0, 1.0, 0.9), 0.9f64.powi(5), "I(a, 1) = x^a");
        near(chi_square_quantile(0.95, 2.0), -2.0 * 0.05f64.ln(), "chi-square, 2 degrees");
        near(beta_quantile(0.5, 1.0, 3.0), 1.0 - 0.5f64.cbrt(), "beta(1, 3) median");
    }
}
