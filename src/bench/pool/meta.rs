//! Results of several instruments as one, and shares with their uncertainty.

use super::exact::ExactSum;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ChiSquared, ContinuousCDF};

/// Standard deviations of a 95 % interval.
const K95: f64 = 1.959_963_984_540_054;

/// Sums from which a random-effects mean follows.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct MetaSums {
    n: u64,
    w: ExactSum,
    wy: ExactSum,
    wyy: ExactSum,
    ww: ExactSum,
}

/// A mean of values that differ by more than their uncertainties say.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Meta {
    /// Values with an uncertainty.
    pub values: u64,
    /// Mean.
    pub mean: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Ends of its 95 % interval.
    pub interval: [f64; 2],
    /// Standard deviation between values beyond their uncertainties, τ.
    pub between: f64,
    /// Weighted sum of squares about the mean without that, Q.
    pub q: f64,
    /// Probability of a larger Q where there is none.
    pub p: f64,
    /// Share of the spread that is beyond the uncertainties, I² (J. Higgins and S. Thompson, Stat. Med. 21
    /// (2002) 1539).
    pub i_squared: f64,
}

impl MetaSums {
    /// Adds a value with its standard uncertainty; without a usable one it does not enter.
    pub fn add(&mut self, y: f64, u: f64) {
        if !(y.is_finite() && u.is_finite() && u > 0.0) {
            return;
        }
        let w = 1.0 / (u * u);
        self.n += 1;
        self.w.add(w);
        self.wy.add(w * y);
        self.wyy.add(w * y * y);
        self.ww.add(w * w);
    }

    /// The mean by R. DerSimonian and N. Laird, Control. Clin. Trials 7 (1986) 177. Their second step needs
    /// the values again: `again` gives them, in any order. `None` for fewer than two.
    pub fn mean(&self, again: impl Iterator<Item = (f64, f64)>) -> Option<Meta> {
        if self.n < 2 {
            return None;
        }
        let (w, wy, wyy, ww) = (self.w.value(), self.wy.value(), self.wyy.value(), self.ww.value());
        let freedom = (self.n - 1) as f64;
        let q = (wyy - wy * wy / w).max(0.0);
        let between2 = ((q - freedom) / (w - ww / w)).max(0.0);
        let (mut sum, mut sum_y) = (ExactSum::default(), ExactSum::default());
        for (y, u) in again.filter(|(y, u)| y.is_finite() && u.is_finite() && *u > 0.0) {
            let w = 1.0 / (u * u + between2);
            sum.add(w);
            sum_y.add(w * y);
        }
        let (sum, sum_y) = (sum.value(), sum_y.value());
        let (mean, u) = (sum_y / sum, (1.0 / sum).sqrt());
        Some(Meta {
            values: self.n,
            mean,
            u,
            interval: [mean - K95 * u, mean + K95 * u],
            between: between2.sqrt(),
            q,
            p: ChiSquared::new(freedom).map_or(1.0, |c| c.sf(q)),
            i_squared: if q > 0.0 { ((q - freedom) / q).max(0.0) } else { 0.0 },
        })
    }
}

/// Ends of the 95 % interval of a share (E. Wilson, J. Am. Stat. Assoc. 22 (1927) 209); `None` of nothing.
pub fn wilson(part: u64, of: u64) -> Option<[f64; 2]> {
    if of == 0 {
        return None;
    }
    let (n, p, z2) = (of as f64, part as f64 / of as f64, K95 * K95);
    let middle = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = K95 / (1.0 + z2 / n) * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt();
    Some([(middle - half).max(0.0), (middle + half).min(1.0)])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Thirteen trials of a vaccine (G. Colditz et al., J. Am. Med. Assoc. 271 (1994) 698), logarithms of the
    /// risk ratio. By the method of DerSimonian and Laird τ² = 0.3088, mean −0.7141 with standard error
    /// 0.1787, Q = 152.233, I² = 92.12 % (published with several statistics packages; computed once more apart
    /// from this code in Python 3).
    #[test]
    fn the_published_trials() {
        let trials: [[f64; 4]; 13] = [
            [4.0, 119.0, 11.0, 128.0],
            [6.0, 300.0, 29.0, 274.0],
            [3.0, 228.0, 11.0, 209.0],
            [62.0, 13536.0, 248.0, 12619.0],
            [33.0, 5036.0, 47.0, 5761.0],
            [180.0, 1361.0, 372.0, 1079.0],
            [8.0, 2537.0, 10.0, 619.0],
            [505.0, 87886.0, 499.0, 87892.0],
            [29.0, 7470.0, 45.0, 7232.0],
            [17.0, 1699.0, 65.0, 1600.0],
            [186.0, 50448.0, 141.0, 27197.0],
            [5.0, 2493.0, 3.0, 2338.0],
            [27.0, 16886.0, 29.0, 17825.0],
        ];
        let values = trials.map(|[a, b, c, d]| {
            let v: f64 = 1.0 / a - 1.0 / (a + b) + 1.0 / c - 1.0 / (c + d);
            ((a / (a + b) / (c / (c + d))).ln(), v.sqrt())
        });
        let mut s = MetaSums::default();
        values.iter().for_each(|(y, u)| s.add(*y, *u));
        let m = s.mean(values.iter().copied()).unwrap();
        for (got, published, digits) in [
            (m.between * m.between, 0.3088, 5e-5),
            (m.mean, -0.7141, 5e-5),
            (m.u, 0.1787, 5e-5),
            (m.q, 152.233, 5e-4),
            (100.0 * m.i_squared, 92.12, 5e-3),
        ] {
            assert!((got - published).abs() < digits, "{got} {published}");
        }
        assert!(m.p < 1e-20);
    }

    /// Wilson's interval for 10 of 50: 0.1124 to 0.3304 (R. Newcombe, Stat. Med. 17 (1998) 857 gives 81 of 263:
    /// 0.2553 to 0.3662 and 15 of 148: 0.0624 to 0.1605, his Table I).
    #[test]
    fn shares_as_published() {
        for (part, of, low, high) in [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605)] {
            let [a, b] = wilson(part, of).unwrap();
            assert!((a - low).abs() < 5e-5 && (b - high).abs() < 5e-5, "{a} {b}");
        }
        assert_eq!(wilson(0, 0), None);
        let [a, b] = wilson(0, 20).unwrap();
        assert!(a == 0.0 && (b - 0.1611).abs() < 5e-4, "{b}");
    }
}
