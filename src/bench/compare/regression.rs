//! Logarithms of ratios as a smooth part, a step for each gas, and scatter between lines.

use super::stats::{student_above, student_quantile};
use nalgebra::{DMatrix, DVector};

/// Rounds of halving for the scatter: to a millionth of where it began.
const ROUNDS: usize = 60;
/// Scatter beyond which ratios say nothing: a factor of e³ between lines of one gas.
const MOST_SCATTER: f64 = 3.0;

/// Degrees of freedom from which on Student's distribution is the normal one.
const MOST_FREEDOM: f64 = 1e6;

/// A fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// Coefficients, in the order of the columns.
    pub beta: Vec<f64>,
    /// Standard uncertainty of each.
    pub u: Vec<f64>,
    /// Standard deviation of the scatter beyond the stated uncertainties.
    pub scatter: f64,
    /// Degrees of freedom.
    pub freedom: f64,
}

impl Fitted {
    /// Two-sided probability of a coefficient so far from zero by chance, where what it stands for varies by
    /// itself with a standard deviation of `spread`; degrees of freedom as JCGM 100:2008, G.4, has them for the
    /// two together.
    pub fn p_beyond(&self, k: usize, spread: f64) -> f64 {
        let (own, all) = (self.u[k].powi(2), self.u[k].powi(2) + spread * spread);
        let freedom = self.freedom * (all / own).powi(2);
        2.0 * student_above(self.beta[k].abs() / all.sqrt(), freedom.min(MOST_FREEDOM))
    }

    /// How far from zero a coefficient may be, with one-sided probability `p` of more.
    pub fn at_most(&self, k: usize, p: f64) -> f64 {
        self.beta[k].abs() + student_quantile(p, self.freedom) * self.u[k]
    }
}

/// Random-effects regression: `y` with standard uncertainties `u` on the rows of `x`, where each `y` has a
/// further scatter of its own, found from the data (R. Paule and J. Mandel, J. Res. Natl. Bur. Stand. 87
/// (1982) 377, carried over to regression), with Student's distribution and no smaller uncertainty than the
/// fit shows (G. Knapp and J. Hartung, Stat. Med. 22 (2003) 2693). `None` without a degree of freedom, or
/// where the columns cannot be told apart.
pub fn fit(y: &[f64], u: &[f64], x: &[Vec<f64>]) -> Option<Fitted> {
    let (n, p) = (y.len(), x.first()?.len());
    if n <= p {
        return None;
    }
    let freedom = (n - p) as f64;
    let design = DMatrix::from_fn(n, p, |i, k| x[i][k]);
    let solve = |scatter: f64| -> Option<(DVector<f64>, DMatrix<f64>, f64)> {
        let w: Vec<f64> = u.iter().map(|u| 1.0 / (u * u + scatter * scatter)).collect();
        let weighted = DMatrix::from_fn(n, p, |i, k| w[i] * x[i][k]);
        let inverse = (design.transpose() * &weighted).try_inverse()?;
        let beta = &inverse * (weighted.transpose() * DVector::from_column_slice(y));
        let left = DVector::from_column_slice(y) - &design * &beta;
        let q = (0..n).map(|i| w[i] * left[i] * left[i]).sum();
        Some((beta, inverse, q))
    };
    let mut scatter = 0.0;
    let (mut beta, mut inverse, mut q) = solve(0.0)?;
    if q > freedom {
        let (mut low, mut high) = (0.0, MOST_SCATTER);
        for _ in 0..ROUNDS {
            let middle = 0.5 * (low + high);
            if solve(middle)?.2 > freedom {
                low = middle;
            } else {
                high = middle;
            }
        }
        scatter = high;
        (beta, inverse, q) = solve(high)?;
    }
    let factor = (q / freedom).max(1.0).sqrt();
    let u = (0..p).map(|k| factor * inverse[(k, k)].max(0.0).sqrt()).collect();
    Some(Fitted { beta: beta.iter().copied().collect(), u, scatter, freedom })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand::rngs::ChaCha8Rng;
    use rand_distr::{Distribution, Normal};

    /// Thirteen trials of a vaccine (G. Colditz et al., J. Am. Med. Assoc. 271 (1994) 698): cases and others
    /// among the vaccinated and the rest, and the latitude.
    const TRIALS: [(f64, f64, f64, f64, f64); 13] = [
        (4.0, 119.0, 11.0, 128.0, 44.0),
        (6.0, 300.0, 29.0, 274.0, 55.0),
        (3.0, 228.0, 11.0, 209.0, 42.0),
        (62.0, 13536.0, 248.0, 12619.0, 52.0),
        (33.0, 5036.0, 47.0, 5761.0, 13.0),
        (180.0, 1361.0, 372.0, 1079.0, 44.0),
        (8.0, 2537.0, 10.0, 619.0, 19.0),
        (505.0, 87886.0, 499.0, 87892.0, 13.0),
        (29.0, 7470.0, 45.0, 7232.0, 27.0),
        (17.0, 1699.0, 65.0, 1600.0, 42.0),
        (186.0, 50448.0, 141.0, 27197.0, 18.0),
        (5.0, 2493.0, 3.0, 2338.0, 33.0),
        (27.0, 16886.0, 29.0, 17825.0, 33.0),
    ];

    fn trials() -> (Vec<f64>, Vec<f64>) {
        TRIALS
            .iter()
            .map(|(a, b, c, d, _)| {
                let y = (a / (a + b) / (c / (c + d))).ln();
                let v: f64 = 1.0 / a - 1.0 / (a + b) + 1.0 / c - 1.0 / (c + d);
                (y, v.sqrt())
            })
            .unzip()
    }

    /// Without a column beside the mean: τ² = 0.3181 and mean −0.7150 by the method of Paule and Mandel
    /// (values from memory of the documentation of a statistics package, checked by solving Q(τ²) = 12
    /// apart from this code).
    #[test]
    fn published_trials_have_the_known_heterogeneity() {
        let (y, u) = trials();
        let f = fit(&y, &u, &vec![vec![1.0]; 13]).unwrap();
        let w: Vec<f64> = u.iter().map(|u| 1.0 / (u * u + f.scatter * f.scatter)).collect();
        let mean = w.iter().zip(&y).map(|(w, y)| w * y).sum::<f64>() / w.iter().sum::<f64>();
        let q: f64 = w.iter().zip(&y).map(|(w, y)| w * (y - mean).powi(2)).sum();
        assert!((q - 12.0).abs() < 1e-6 && (mean - f.beta[0]).abs() < 1e-12, "{q} {mean}");
        assert!((f.scatter.powi(2) - 0.3181).abs() < 2e-4, "{}", f.scatter.powi(2));
        assert!((f.beta[0] + 0.7150).abs() < 2e-4, "{}", f.beta[0]);
    }

    /// Two groups of lines with a step of 0.5 between them and a scatter of 0.2: the step is found within
    /// its stated uncertainty as often as that says.
    #[test]
    fn steps_are_as_uncertain_as_is_said() {
        let mut dice = ChaCha8Rng::seed_from_u64(5);
        let scatter = Normal::new(0.0, 0.2).unwrap();
        let (mut inside, rounds) = (0, 400);
        for _ in 0..rounds {
            let x: Vec<Vec<f64>> =
                (0..20).map(|i| vec![1.0, i as f64 / 20.0, f64::from(i % 3 == 0)]).collect();
            let y: Vec<f64> = x
                .iter()
                .map(|r| 0.3 - 0.4 * r[1] + 0.5 * r[2] + scatter.sample(&mut dice))
                .collect();
            let f = fit(&y, &[0.05; 20], &x).unwrap();
            let reach = student_quantile(0.025, f.freedom) * f.u[2];
            inside += usize::from((f.beta[2] - 0.5).abs() < reach);
        }
        let share = inside as f64 / rounds as f64;
        assert!((0.92..=0.98).contains(&share), "{share}");
    }

    #[test]
    fn columns_that_are_alike_give_nothing() {
        assert_eq!(fit(&[1.0, 2.0, 3.0], &[0.1; 3], &vec![vec![1.0, 1.0]; 3]), None);
        assert_eq!(fit(&[1.0], &[0.1], &[vec![1.0]]), None);
    }
}
