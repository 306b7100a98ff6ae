//! Exact masses and shares. No float, no decimal that could round on the way: the books close to
//! the last recorded digit on every machine.

use rust_decimal::Decimal;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use crate::quantity::Mass;

/// Decimals of a mass as shown: micro-grams.
const SHOWN_DIGITS: u32 = 9;

/// A mass in whole units of 10^-17 kg.
///
/// 17 decimals hold every recordable mass exactly: nine digits after the point times the eight of
/// the pound (0.45359237 kg). The largest recordable mass is 10^15 kg = 10^32 units; a million of
/// them still fit (1.7 x 10^38), and sums stop there instead of wrapping.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(crate) struct Kg(i128);

impl Kg {
    pub(crate) const ZERO: Kg = Kg(0);
    /// Decimals of a unit.
    const SCALE: u32 = 17;

    /// Exact for every recordable mass; digits beyond the 17th are cut.
    pub(crate) fn of_decimal(kg: Decimal) -> Self {
        let (mantissa, scale) = (kg.mantissa(), kg.scale());
        if scale <= Self::SCALE {
            Self(mantissa.saturating_mul(10_i128.pow(Self::SCALE - scale)))
        } else {
            Self(mantissa / 10_i128.pow(scale - Self::SCALE))
        }
    }

    pub(crate) fn of(mass: &Mass) -> Self {
        Self::of_decimal(mass.base())
    }

    /// As a decimal in kg without trailing zeros. Beyond 28 digits the last ones are cut.
    pub(crate) fn decimal(self) -> Decimal {
        let (mut digits, mut scale) = (self.0, Self::SCALE);
        loop {
            let short = Decimal::try_from_i128_with_scale(digits, scale).ok();
            match short {
                Some(value) => return value.normalize(),
                None if scale == 0 => return if digits < 0 { Decimal::MIN } else { Decimal::MAX },
                None => (digits, scale) = (digits / 10, scale - 1),
            }
        }
    }

    /// As shown: kg, to the micro-gram (nine decimals, half away from zero).
    pub(crate) fn shown(self) -> Mass {
        Mass::from_base(
            self.decimal()
                .round_dp_with_strategy(
                    SHOWN_DIGITS,
                    rust_decimal::RoundingStrategy::MidpointAwayFromZero,
                )
                .normalize(),
        )
    }

    pub(crate) fn is_positive(self) -> bool {
        self.0 > 0
    }
    pub(crate) fn is_negative(self) -> bool {
        self.0 < 0
    }
    pub(crate) fn abs(self) -> Self {
        Self(self.0.saturating_abs())
    }

    /// The mass times a small whole number.
    pub(crate) fn times_whole(self, factor: i32) -> Self {
        Self(self.0.saturating_mul(i128::from(factor)))
    }

    /// This share of the mass, cut to whole units.
    pub(crate) fn times(self, share: Share) -> Self {
        // Split so that no product leaves 128 bits: share < 2^63 + 1, low part < 2^63.
        let (sign, units) = (self.0.signum(), self.0.unsigned_abs());
        let share = u128::from(share.0);
        let (high, low) = (units >> Share::BITS, units & (u128::from(Share::ONE.0) - 1));
        let taken = high.saturating_mul(share).saturating_add((low * share) >> Share::BITS);
        Self(sign.saturating_mul(i128::try_from(taken).unwrap_or(i128::MAX)))
    }
}

impl std::ops::Add for Kg {
    type Output = Kg;
    fn add(self, other: Kg) -> Kg {
        Kg(self.0.saturating_add(other.0))
    }
}
impl std::ops::Sub for Kg {
    type Output = Kg;
    fn sub(self, other: Kg) -> Kg {
        Kg(self.0.saturating_sub(other.0))
    }
}
impl std::ops::Neg for Kg {
    type Output = Kg;
    fn neg(self) -> Kg {
        Kg(self.0.saturating_neg())
    }
}
impl std::ops::AddAssign for Kg {
    fn add_assign(&mut self, other: Kg) {
        *self = *self + other;
    }
}
impl std::iter::Sum for Kg {
    fn sum<I: Iterator<Item = Kg>>(iter: I) -> Kg {
        iter.fold(Kg::ZERO, |a, b| a + b)
    }
}

/// As a decimal; in binary forms exact, as the upper and the lower half of the number of units.
impl Serialize for Kg {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        if s.is_human_readable() {
            return s.collect_str(&self.decimal());
        }
        #[expect(clippy::cast_possible_truncation, reason = "the halves are what is wanted")]
        let halves = ((self.0 >> 64) as i64, self.0.cast_unsigned() as u64);
        halves.serialize(s)
    }
}
impl<'de> Deserialize<'de> for Kg {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        if d.is_human_readable() {
            let text = <std::borrow::Cow<'_, str>>::deserialize(d)?;
            return text.parse().map(Kg::of_decimal).map_err(de::Error::custom);
        }
        let (upper, lower) = <(i64, u64)>::deserialize(d)?;
        Ok(Kg(i128::from(upper) << 64 | i128::from(lower)))
    }
}

/// A share of a whole, 0 to 1, in whole units of 2^-63.
///
/// Every split gives the rest to the other part, so shares of one content always sum to exactly
/// one. Each split errs by less than 2^-63; a content that a million mixings went into is off by
/// less than 2 x 10^-13, below the twelve decimals shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default, Serialize, Deserialize)]
pub(crate) struct Share(u64);

impl Share {
    const BITS: u32 = 63;
    /// Decimals shown.
    pub(crate) const DIGITS: u32 = 12;
    pub(crate) const ZERO: Share = Share(0);
    pub(crate) const ONE: Share = Share(1 << Self::BITS);

    /// `part / whole`, cut. The part lies between zero and the whole, and the whole is positive.
    pub(crate) fn ratio(part: Kg, whole: Kg) -> Self {
        debug_assert!(part.0 >= 0 && whole.0 > 0 && part.0 <= whole.0);
        let whole = whole.0.unsigned_abs().max(1);
        let mut rest = part.0.max(0).unsigned_abs();
        if rest >= whole {
            return Self::ONE;
        }
        if rest.leading_zeros() > Self::BITS {
            // One division is enough; the quotient is below 2^63 because rest < whole.
            let quotient = (rest << Self::BITS) / whole;
            return Self(u64::try_from(quotient).unwrap_or(u64::MAX));
        }
        // Long division, bit by bit: rest and whole are below 2^127, so doubling never overflows.
        let mut quotient = 0_u64;
        for _ in 0..Self::BITS {
            rest <<= 1;
            quotient <<= 1;
            if rest >= whole {
                rest -= whole;
                quotient |= 1;
            }
        }
        Self(quotient)
    }

    /// This share of that share, cut.
    #[inline]
    pub(crate) fn of(self, whole: Share) -> Share {
        let product = u128::from(self.0) * u128::from(whole.0);
        // Both are at most 2^63, so the result is too.
        #[expect(clippy::cast_possible_truncation, reason = "at most 2^63")]
        Share((product >> Self::BITS) as u64)
    }

    /// What two contents have in common after `inflow` makes up this share of the mix.
    #[inline]
    pub(crate) fn mix(self, before: Share, inflow: Share) -> Share {
        if before == inflow {
            return before;
        }
        Share((before.0 - self.of(before).0 + self.of(inflow).0).min(Self::ONE.0))
    }

    #[inline]
    pub(crate) fn is_zero(self) -> bool {
        self.0 == 0
    }
    #[inline]
    pub(crate) fn plus(self, other: Share) -> Share {
        Share((self.0 + other.0).min(Self::ONE.0))
    }
    #[inline]
    pub(crate) fn minus(self, other: Share) -> Share {
        Share(self.0.saturating_sub(other.0))
    }
    pub(crate) fn rest(self) -> Share {
        Self::ONE.minus(self)
    }

    /// As a decimal with twelve digits after the point, rounded half up, without trailing zeros.
    pub(crate) fn decimal(self) -> Decimal {
        Decimal::from_i128_with_scale(self.scaled(), Self::DIGITS).normalize()
    }

    /// The share in units of 10^-12, rounded half up.
    fn scaled(self) -> i128 {
        let product = i128::from(self.0) * 10_i128.pow(Self::DIGITS);
        (product + (1 << (Self::BITS - 1))) >> Self::BITS
    }

    /// Shares of one content as decimals that still sum to exactly what they summed to: rounded
    /// to twelve digits, the rounding difference given to the largest.
    pub(crate) fn decimals(shares: &[Share]) -> Vec<Decimal> {
        let mut scaled: Vec<i128> = shares.iter().map(|s| s.scaled()).collect();
        let whole = shares.iter().fold(Share::ZERO, |a, b| a.plus(*b)).scaled();
        let off = whole - scaled.iter().sum::<i128>();
        if let Some(largest) = scaled.iter_mut().max() {
            *largest += off;
        }
        let decimal = |s| Decimal::from_i128_with_scale(s, Self::DIGITS).normalize();
        scaled.into_iter().map(decimal).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kg(text: &str) -> Kg {
        Kg::of_decimal(text.parse().unwrap())
    }

    #[test]
    fn masses_are_exact_to_the_last_recorded_digit() {
        let pound = Mass::new("0.000000001", "[lb_av]").unwrap();
        assert_eq!(Kg::of(&pound).decimal().to_string(), "0.00000000045359237");
        let sum: Kg = (0..10).map(|_| kg("0.1")).sum();
        assert_eq!(sum, kg("1"), "0.1 ten times is one, which a binary float misses");
        let largest = Mass::new("999999999999.999999999", "t").unwrap();
        assert!(Kg::of(&largest).decimal() > Decimal::from(999_999_999_999_999_i64));
    }

    #[test]
    fn a_ratio_is_cut_at_the_63rd_bit_for_any_size() {
        for whole in ["3", "0.000000003", "300000000000000"] {
            let part = Kg(kg(whole).0 / 3);
            let share = Share::ratio(part, Kg(part.0 * 3));
            assert_eq!(share.0, (1_u64 << 63) / 3, "{whole}");
        }
        assert_eq!(Share::ratio(kg("2"), kg("2")), Share::ONE);
        assert_eq!(Share::ratio(Kg::ZERO, kg("2")), Share::ZERO);
    }

    #[test]
    fn a_share_of_a_mass_never_overflows() {
        let huge = kg("999999999999999");
        assert_eq!(huge.times(Share::ONE), huge);
        let half = Share::ratio(kg("1"), kg("2"));
        assert_eq!(kg("5").times(half), kg("2.5"));
        assert_eq!((-kg("5")).times(half), kg("-2.5"));
    }

    #[test]
    fn shown_shares_sum_to_one() {
        let third = Share::ratio(kg("1"), kg("3"));
        let rest = third.rest();
        let parts = [third, third, rest.minus(third)];
        let shown = Share::decimals(&parts);
        assert_eq!(shown.iter().sum::<Decimal>(), Decimal::ONE, "{shown:?}");
    }
}
