//! Sums and medians that come out the same whatever the order.

use std::collections::BTreeMap;

/// A sum of floating-point numbers without rounding on the way: mantissas are added as whole numbers, by
/// exponent, so that order and splitting change nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ExactSum(BTreeMap<i16, i128>);

impl ExactSum {
    /// Adds a finite number; others are passed over.
    pub fn add(&mut self, x: f64) {
        if !x.is_finite() || x == 0.0 {
            return;
        }
        let bits = x.to_bits();
        let exponent = ((bits >> 52) & 0x7ff) as i16;
        let fraction = (bits & ((1 << 52) - 1)) as i128;
        // Numbers below the smallest normal one have no leading one.
        let (mantissa, exponent) =
            if exponent == 0 { (fraction, 1) } else { (fraction | (1 << 52), exponent) };
        *self.0.entry(exponent).or_default() += if x < 0.0 { -mantissa } else { mantissa };
    }

    /// The sum, rounded from the largest part down.
    pub fn value(&self) -> f64 {
        let part = |(e, m): (&i16, &i128)| *m as f64 * 2f64.powi(i32::from(*e) - 1075);
        self.0.iter().rev().map(part).sum()
    }
}

/// Bits of the mantissa that a value keeps in a [`Histogram`]: a part in 500,000.
const KEPT_BITS: u32 = 18;

/// The value to [`KEPT_BITS`] bits.
fn rounded(x: f64) -> f64 {
    let dropped = 52 - KEPT_BITS;
    let bits = x.to_bits() + (1 << (dropped - 1));
    // Adding zero turns −0 into 0.
    f64::from_bits(bits & !((1 << dropped) - 1)) + 0.0
}

/// How often each value came, to five digits and a half: its size is bounded by what values there are, not by how
/// many came.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Histogram(BTreeMap<i64, u64>);

/// A number whose order is that of the values.
fn key(x: f64) -> i64 {
    let bits = x.to_bits() as i64;
    bits ^ (((bits >> 63) as u64) >> 1) as i64
}

/// The reverse of [`key`].
fn value(key: i64) -> f64 {
    f64::from_bits((key ^ (((key >> 63) as u64) >> 1) as i64) as u64)
}

impl Histogram {
    /// Adds a finite value; others are passed over.
    pub fn add(&mut self, x: f64) {
        if x.is_finite() {
            *self.0.entry(key(rounded(x))).or_default() += 1;
        }
    }

    /// How many values.
    pub fn count(&self) -> u64 {
        self.0.values().sum()
    }

    /// All values and how often each came, ascending.
    fn all(&self) -> impl Iterator<Item = (f64, u64)> + '_ {
        self.0.iter().map(|(k, n)| (value(*k), *n))
    }

    /// Median; not a number for none.
    pub fn median(&self) -> f64 {
        weighted_median(self.all().collect())
    }

    /// Median absolute deviation from the median.
    pub fn mad(&self) -> f64 {
        let m = self.median();
        weighted_median(self.all().map(|(v, n)| ((v - m).abs(), n)).collect())
    }
}

/// Median of values with how often each came.
fn weighted_median(mut all: Vec<(f64, u64)>) -> f64 {
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    let n: u64 = all.iter().map(|v| v.1).sum();
    if n == 0 {
        return f64::NAN;
    }
    let nth = |wanted: u64| {
        let mut before = 0;
        all.iter()
            .find(|(_, n)| {
                before += n;
                before > wanted
            })
            .map_or(f64::NAN, |v| v.0)
    };
    if n % 2 == 1 { nth(n / 2) } else { 0.5 * (nth(n / 2 - 1) + nth(n / 2)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn sums_keep_what_rounding_would_lose() {
        let mut s = ExactSum::default();
        for x in [1e16, 1.0, -1e16, 1e-300, f64::NAN, 5e-324] {
            s.add(x);
        }
        assert_eq!(s.value(), 1.0);
    }

    #[test]
    fn medians_are_those_of_the_list() {
        let mut h = Histogram::default();
        for x in [3.0, -1.0, 2.0, 2.0, 100.0, f64::NAN] {
            h.add(x);
        }
        assert_eq!((h.count(), h.median(), h.mad()), (5, 2.0, 1.0));
        h.add(4.0);
        assert_eq!(h.median(), 2.5);
    }

    proptest! {
        #[test]
        fn order_changes_nothing(mut v in prop::collection::vec(-1e9f64..1e9, 1..60)) {
            let sums = |v: &[f64]| {
                let (mut s, mut h) = (ExactSum::default(), Histogram::default());
                v.iter().for_each(|x| { s.add(*x); h.add(*x); });
                (s.value().to_bits(), h.median().to_bits(), h.mad().to_bits())
            };
            let before = sums(&v);
            v.reverse();
            prop_assert_eq!(before, sums(&v));
            v.sort_by(f64::total_cmp);
            prop_assert_eq!(before, sums(&v));
            let plain: f64 = v.iter().sum();
            prop_assert!((f64::from_bits(before.0) - plain).abs() <= 1e-6 * v.iter().map(|x| x.abs()).sum::<f64>());
        }
    }
}
