//! Tests in number, and spreads that a few odd values do not move.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Standard deviation of a normal distribution over its median absolute deviation: 1/Φ⁻¹(3/4)
/// (F. Hampel, J. Am. Stat. Assoc. 69 (1974) 383).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// p-values adjusted so that all of those that stay below α together are wrong with a probability of α at
/// most, whatever hangs together among them (S. Holm, Scand. J. Stat. 6 (1979) 65). Same order as given.
pub fn holm(p: &[f64]) -> Vec<f64> {
    let n = p.len();
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut out = vec![1.0; n];
    let mut worst: f64 = 0.0;
    for (rank, i) in order.into_iter().enumerate() {
        worst = worst.max((n - rank) as f64 * p[i]).min(1.0);
        out[i] = worst;
    }
    out
}

/// Median; not a number for none.
pub fn median(values: &[f64]) -> f64 {
    let mut v = values.to_vec();
    v.sort_by(f64::total_cmp);
    match v.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => v[n / 2],
        n => 0.5 * (v[n / 2 - 1] + v[n / 2]),
    }
}

/// Median, and the standard deviation that a normal distribution of the same median absolute deviation has.
pub fn robust(values: &[f64]) -> (f64, f64) {
    let m = median(values);
    let off: Vec<f64> = values.iter().map(|v| (v - m).abs()).collect();
    (m, MAD_TO_SIGMA * median(&off))
}

/// Probability of a larger value than `t` under Student's distribution; 1 where there is no freedom.
pub fn student_above(t: f64, freedom: f64) -> f64 {
    match StudentsT::new(0.0, 1.0, freedom) {
        Ok(d) if t.is_finite() => d.sf(t),
        _ => 1.0,
    }
}

/// Value that Student's distribution passes with probability `p`.
pub fn student_quantile(p: f64, freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::INFINITY, |d| d.inverse_cdf(1.0 - p))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The 15 p-values of Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289, section 4.1, where
    /// procedures that hold the family-wise rate at 0.05 reject three. Adjusted values by hand:
    /// 15 · 0.0001, 14 · 0.0004, 13 · 0.0019, 12 · 0.0095.
    #[test]
    fn holm_on_a_published_list() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
            0.5719, 0.6528, 0.7590, 1.0,
        ];
        let a = holm(&p);
        for (k, expected) in [0.0015, 0.0056, 0.0247, 0.114].into_iter().enumerate() {
            assert!((a[k] - expected).abs() < 1e-12, "{k} {}", a[k]);
        }
        assert_eq!(a.iter().filter(|p| **p < 0.05).count(), 3);
        let reversed: Vec<f64> = p.iter().rev().copied().collect();
        assert_eq!(holm(&reversed), a.into_iter().rev().collect::<Vec<_>>());
    }

    /// Student's distribution: 2.228 for ten degrees of freedom and 2.5 % above (any table).
    #[test]
    fn spreads_and_tails() {
        assert!((student_above(2.228, 10.0) - 0.025).abs() < 1e-4);
        assert!((student_quantile(0.025, 10.0) - 2.228).abs() < 1e-3);
        assert_eq!((median(&[3.0, 1.0, 2.0]), median(&[4.0, 1.0])), (2.0, 2.5));
        let (m, s) = robust(&[1.0, 2.0, 3.0, 4.0, 100.0]);
        assert_eq!((m, s), (3.0, MAD_TO_SIGMA));
    }
}
