//! Non-linear least squares after Levenberg and Marquardt, with the covariance.

/// What is fitted: residuals, already divided by their standard uncertainties, as a function of
/// the parameters.
pub trait Problem {
    /// Number of residuals.
    fn residuals(&self) -> usize;
    /// Fills `r` with the weighted residuals (model minus data) and, where given, `jacobian`
    /// (row-major, residuals × parameters) with their derivatives.
    fn evaluate(&self, p: &[f64], r: &mut [f64], jacobian: Option<&mut [f64]>);
}

/// Outcome of a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Parameters at the minimum.
    pub parameters: Vec<f64>,
    /// Covariance for residuals of unit variance, row-major; `None` where the parameters are not
    /// determined by the data.
    pub covariance: Option<Vec<f64>>,
    /// Sum of the squared weighted residuals.
    pub chi2: f64,
    /// True where the steps have become small, false where the rounds ran out.
    pub converged: bool,
}

/// Rounds after which a fit gives up.
pub const MAX_ROUNDS: usize = 500;
/// First damping, relative to the curvature (Marquardt 1963 suggests 0.01).
const FIRST_DAMPING: f64 = 1e-3;
/// A relative step below this ends the fit: some hundred times the rounding of a double.
const STEP_TOLERANCE: f64 = 1e-13;
/// A fit ends when two accepted rounds in a row gain less than this share of chi-square.
const GAIN_TOLERANCE: f64 = 1e-15;

/// Minimises the sum of squares from `start`; ends when a step is relatively smaller than
/// `step_tolerance`.
///
/// Source: D. W. Marquardt, J. SIAM 11 (1963) 431; damping scaled by the diagonal of the normal
/// matrix (J. J. Moré, Lecture Notes in Mathematics 630 (1978) 105, keeps its running maximum, as
/// here).
pub fn minimise(problem: &impl Problem, start: &[f64], rounds: usize) -> Fit {
    minimise_to(problem, start, rounds, STEP_TOLERANCE)
}

/// [`minimise`] with a chosen relative step at which it ends.
pub fn minimise_to(
    problem: &impl Problem,
    start: &[f64],
    rounds: usize,
    step_tolerance: f64,
) -> Fit {
    let (m, n) = (problem.residuals(), start.len());
    let mut p = start.to_vec();
    let mut r = vec![0.0; m];
    let mut trial_r = vec![0.0; m];
    let mut jac = vec![0.0; m * n];
    let mut trial_jac = vec![0.0; m * n];
    let mut a = vec![0.0; n * n];
    let mut g = vec![0.0; n];
    let mut scale = vec![0.0f64; n];
    let mut damping = FIRST_DAMPING;
    let mut work = vec![0.0; n * n];
    let mut step = vec![0.0; n];
    let mut trial = vec![0.0; n];
    problem.evaluate(&p, &mut r, Some(&mut jac));
    let mut chi2: f64 = r.iter().map(|v| v * v).sum();
    let mut converged = false;
    let mut small_gains = 0;
    normal(&jac, &r, n, &mut a, &mut g);
    for _ in 0..rounds {
        for i in 0..n {
            scale[i] = scale[i].max(a[i * n + i]);
        }
        work.copy_from_slice(&a);
        for i in 0..n {
            work[i * n + i] += damping * scale[i].max(f64::MIN_POSITIVE);
        }
        if !cholesky(&mut work, n) {
            damping *= 10.0;
            if damping > 1e20 {
                break;
            }
            continue;
        }
        for i in 0..n {
            step[i] = -g[i];
        }
        solve(&work, n, &mut step);
        for i in 0..n {
            trial[i] = p[i] + step[i];
        }
        let relative = step
            .iter()
            .zip(&p)
            .map(|(s, p)| s.abs() / (p.abs() + step_tolerance))
            .fold(0.0, f64::max);
        // What the straight-line model expects this step to gain.
        let expected_gain: f64 =
            (0..n).map(|i| step[i] * (damping * scale[i] * step[i] - g[i])).sum();
        // With the derivatives: nearly every step is taken, and then they come almost free.
        problem.evaluate(&trial, &mut trial_r, Some(&mut trial_jac));
        let trial_chi2: f64 = trial_r.iter().map(|v| v * v).sum();
        if trial_chi2.is_finite() && trial_chi2 <= chi2 {
            let gain = (chi2 - trial_chi2) / chi2.max(f64::MIN_POSITIVE);
            std::mem::swap(&mut p, &mut trial);
            std::mem::swap(&mut r, &mut trial_r);
            std::mem::swap(&mut jac, &mut trial_jac);
            chi2 = trial_chi2;
            normal(&jac, &r, n, &mut a, &mut g);
            damping = (damping * 0.1).max(1e-15);
            small_gains = if gain < GAIN_TOLERANCE { small_gains + 1 } else { 0 };
            if relative < step_tolerance || small_gains >= 2 || chi2 == 0.0 {
                converged = true;
                break;
            }
        } else {
            // Refused with next to nothing to gain: rounding decides here, and smaller steps, to
            // which more damping leads, gain even less.
            if relative < step_tolerance || expected_gain <= GAIN_TOLERANCE * chi2 {
                converged = true;
                break;
            }
            damping *= 10.0;
            if damping > 1e20 {
                break;
            }
        }
    }
    Fit { parameters: p, covariance: inverse(&a, n), chi2, converged }
}

/// Normal matrix JᵀJ and gradient Jᵀr.
fn normal(jac: &[f64], r: &[f64], n: usize, a: &mut [f64], g: &mut [f64]) {
    a.fill(0.0);
    g.fill(0.0);
    for (row, r) in jac.chunks_exact(n).zip(r) {
        for i in 0..n {
            let v = row[i];
            if v == 0.0 {
                continue;
            }
            g[i] += v * r;
            for (aij, w) in a[i * n..i * n + i + 1].iter_mut().zip(row) {
                *aij += v * w;
            }
        }
    }
    for i in 0..n {
        for j in 0..i {
            a[j * n + i] = a[i * n + j];
        }
    }
}

/// Cholesky factor in the lower triangle, in place; false where the matrix is not positive
/// definite. Matrices here have a few to some forty rows: the call into a general library costs
/// more than the work (`cargo bench`, `peaks`).
fn cholesky(a: &mut [f64], n: usize) -> bool {
    for i in 0..n {
        for j in 0..=i {
            let mut s = a[i * n + j];
            for k in 0..j {
                s -= a[i * n + k] * a[j * n + k];
            }
            if i == j {
                // The NaN of a failed model must count as failure as well.
                if s.is_nan() || s <= 0.0 {
                    return false;
                }
                a[i * n + i] = s.sqrt();
            } else {
                a[i * n + j] = s / a[j * n + j];
            }
        }
    }
    true
}

/// Solves L Lᵀ x = b in place.
fn solve(l: &[f64], n: usize, b: &mut [f64]) {
    for i in 0..n {
        let mut s = b[i];
        for k in 0..i {
            s -= l[i * n + k] * b[k];
        }
        b[i] = s / l[i * n + i];
    }
    for i in (0..n).rev() {
        let mut s = b[i];
        for k in i + 1..n {
            s -= l[k * n + i] * b[k];
        }
        b[i] = s / l[i * n + i];
    }
}

/// Inverse of a symmetric positive definite matrix, scaled to unit diagonal first; `None` where it
/// is singular.
fn inverse(a: &[f64], n: usize) -> Option<Vec<f64>> {
    let d: Vec<f64> = (0..n).map(|i| a[i * n + i].sqrt()).collect();
    if d.iter().any(|d| d.is_nan() || *d <= 0.0) {
        return None;
    }
    let mut l: Vec<f64> = (0..n * n).map(|k| a[k] / (d[k / n] * d[k % n])).collect();
    if !cholesky(&mut l, n) {
        return None;
    }
    let mut out = vec![0.0; n * n];
    let mut e = vec![0.0; n];
    for j in 0..n {
        e.fill(0.0);
        e[j] = 1.0;
        solve(&l, n, &mut e);
        for i in 0..n {
            out[i * n + j] = e[i] / (d[i] * d[j]);
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    #[test]
    fn inverse_agrees_with_nalgebra() {
        let n = 6;
        let m = DMatrix::from_fn(n + 3, n, |i, j| ((i * 7 + j * 13) % 11) as f64 - 4.0);
        let a = m.transpose() * &m;
        let flat: Vec<f64> = (0..n * n).map(|k| a[(k / n, k % n)]).collect();
        let ours = inverse(&flat, n).unwrap();
        let theirs = a.try_inverse().unwrap();
        for k in 0..n * n {
            assert!((ours[k] - theirs[(k / n, k % n)]).abs() < 1e-10);
        }
    }

    #[test]
    fn a_parameter_without_influence_has_no_covariance() {
        struct Idle;
        impl Problem for Idle {
            fn residuals(&self) -> usize {
                3
            }
            fn evaluate(&self, p: &[f64], r: &mut [f64], jac: Option<&mut [f64]>) {
                for (i, r) in r.iter_mut().enumerate() {
                    *r = p[0] - i as f64;
                }
                if let Some(j) = jac {
                    for row in j.chunks_exact_mut(2) {
                        row.copy_from_slice(&[1.0, 0.0]);
                    }
                }
            }
        }
        let fit = minimise(&Idle, &[5.0, 1.0], 50);
        assert!((fit.parameters[0] - 1.0).abs() < 1e-9);
        assert!(fit.covariance.is_none());
    }

    /// A problem given by a closure for the model and numerical derivatives.
    struct Curve<'a, F: Fn(&[f64], f64) -> f64> {
        x: &'a [f64],
        y: &'a [f64],
        f: F,
    }

    impl<F: Fn(&[f64], f64) -> f64> Problem for Curve<'_, F> {
        fn residuals(&self) -> usize {
            self.x.len()
        }
        fn evaluate(&self, p: &[f64], r: &mut [f64], jac: Option<&mut [f64]>) {
            for ((r, x), y) in r.iter_mut().zip(self.x).zip(self.y) {
                *r = (self.f)(p, *x) - y;
            }
            if let Some(j) = jac {
                let mut q = p.to_vec();
                for k in 0..p.len() {
                    let h = 1e-6 * p[k].abs().max(1e-9);
                    for (i, x) in self.x.iter().enumerate() {
                        q[k] = p[k] + h;
                        let up = (self.f)(&q, *x);
                        q[k] = p[k] - h;
                        j[i * p.len() + k] = (up - (self.f)(&q, *x)) / (2.0 * h);
                    }
                    q[k] = p[k];
                }
            }
        }
    }

    /// NIST StRD Eckerle4 (certified, public domain): one Gaussian on a wavelength axis.
    #[test]
    fn certified_gaussian_eckerle4_from_both_starts() {
        let y = [
            0.0001575, 0.0001699, 0.0002350, 0.0003102, 0.0004917, 0.0008710, 0.0017418, 0.0046400,
            0.0065895, 0.0097302, 0.0149002, 0.0237310, 0.0401683, 0.0712559, 0.1264458, 0.2073413,
            0.2902366, 0.3445623, 0.3698049, 0.3668534, 0.3106727, 0.2078154, 0.1164354, 0.0616764,
            0.0337200, 0.0194023, 0.0117831, 0.0074357, 0.0022732, 0.0008800, 0.0004579, 0.0002345,
            0.0001586, 0.0001143, 0.0000710,
        ];
        let mut x: Vec<f64> = (0..7).map(|i| 400.0 + 5.0 * i as f64).collect();
        x.extend((0..21).map(|i| 435.0 + 1.5 * i as f64));
        x.extend((0..7).map(|i| 470.0 + 5.0 * i as f64));
        assert_eq!(x.len(), y.len());
        let f = |p: &[f64], x: f64| p[0] / p[1] * (-0.5 * ((x - p[2]) / p[1]).powi(2)).exp();
        let certified = [1.5543827178, 4.0888321754, 451.54121844];
        let certified_sd = [0.015408051163, 0.046803020753, 0.046800518816];
        for start in [[1.0, 10.0, 500.0], [1.5, 5.0, 450.0]] {
            let fit = minimise(&Curve { x: &x, y: &y, f }, &start, MAX_ROUNDS);
            let s2 = fit.chi2 / 32.0;
            let c = fit.covariance.unwrap();
            for k in 0..3 {
                assert!((fit.parameters[k] / certified[k] - 1.0).abs() < 1e-8, "{start:?} {k}");
                let sd = (s2 * c[k * 4]).sqrt();
                assert!((sd / certified_sd[k] - 1.0).abs() < 1e-5, "{sd} {}", certified_sd[k]);
            }
        }
    }

    /// The yellow pair of mercury as an instrument of 0.9 nm shows it, one width for both lines on a
    /// sloping ground, made up. Parameters and standard uncertainties against scipy 1.17.1
    /// (numpy 2.4.6): `least_squares(method="lm", xtol=ftol=gtol=1e-15)` on the same points and
    /// weights, covariance `inv(J.T @ J)` with its own numerical Jacobian.
    #[test]
    fn a_blended_pair_as_a_numerical_library_fits_it() {
        let model = |p: &[f64], x: f64| {
            let line = |top: f64, at: f64| {
                top * (-4.0 * std::f64::consts::LN_2 * ((x - at) / p[4]).powi(2)).exp()
            };
            line(p[0], p[1]) + line(p[2], p[3]) + p[5] + p[6] * (x - 578.0)
        };
        let truth = [420.0, 576.96, 350.0, 579.07, 0.9, 30.0, -1.5];
        let place = |i: f64| 574.0 + 0.15 * i;
        let x: Vec<f64> = (0..60).map(f64::from).collect();
        let counts: Vec<f64> = (0..60)
            .map(|i| {
                let noise = f64::from((i * 7919) % 101 - 50) * 0.4;
                ((model(&truth, place(f64::from(i))) + noise) * 1e3).round() / 1e3
            })
            .collect();
        let sigma: Vec<f64> = counts.iter().map(|c| (100.0 + c.max(0.0)).sqrt()).collect();
        let y: Vec<f64> = counts.iter().zip(&sigma).map(|(c, s)| c / s).collect();
        let f = |p: &[f64], i: f64| model(p, place(i)) / sigma[i as usize];
        let fit = minimise(
            &Curve { x: &x, y: &y, f },
            &[300.0, 576.5, 300.0, 579.5, 1.3, 0.0, 0.0],
            MAX_ROUNDS,
        );
        let library = [
            (424.3624023032136, 11.52983886923837),
            (576.9611496647199, 0.01090824638229586),
            (352.2411060123038, 10.517348564582536),
            (579.0603538363986, 0.012390956101983023),
            (0.9038276084158164, 0.018520378952835346),
            (27.748634114322734, 2.0443635909474036),
            (-0.9044381922927235, 0.5925037562135197),
        ];
        let covariance = fit.covariance.unwrap();
        for (k, (value, sd)) in library.into_iter().enumerate() {
            let own = covariance[k * 8].sqrt();
            assert!((fit.parameters[k] - value).abs() < 1e-5 * sd, "{k}: {}", fit.parameters[k]);
            assert!((own / sd - 1.0).abs() < 1e-5, "{k}: {own}");
        }
        assert!((fit.chi2 - 49.02376594007462).abs() < 1e-9, "{}", fit.chi2);
    }

    /// NIST StRD Gauss1 to Gauss3 (certified, public domain): two blended Gaussians on an
    /// exponential baseline; read from the reference folder where it is there.
    #[test]
    fn certified_blends_gauss1_2_3_from_both_starts() {
        let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../shared/reference/standards/nist_strd");
        if !dir.is_dir() {
            println!("skipped: no reference folder with the certified sets");
            return;
        }
        for name in ["Gauss1", "Gauss2", "Gauss3"] {
            let text = std::fs::read_to_string(dir.join(format!("{name}.csv"))).unwrap();
            let json: serde_json::Value = serde_json::from_str(
                &std::fs::read_to_string(dir.join(format!("{name}.json"))).unwrap(),
            )
            .unwrap();
            let list = |k: &str| -> Vec<f64> {
                json[k].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
            };
            let head = text.lines().next().unwrap();
            let xcol = head.split(',').position(|h| h.trim().starts_with('x')).unwrap();
            let rows: Vec<Vec<f64>> = text
                .lines()
                .skip(1)
                .map(|l| l.split(',').map(|c| c.trim().parse().unwrap()).collect())
                .collect();
            let x: Vec<f64> = rows.iter().map(|r| r[xcol]).collect();
            let y: Vec<f64> = rows.iter().map(|r| r[1 - xcol]).collect();
            let f = |b: &[f64], x: f64| {
                b[0] * (-b[1] * x).exp()
                    + b[2] * (-(x - b[3]).powi(2) / b[4].powi(2)).exp()
                    + b[5] * (-(x - b[6]).powi(2) / b[7].powi(2)).exp()
            };
            let (certified, sd) = (list("certified"), list("certified_sd"));
            for start in [list("start1"), list("start2")] {
                let fit = minimise(&Curve { x: &x, y: &y, f }, &start, MAX_ROUNDS);
                let s2 = fit.chi2 / (x.len() - 8) as f64;
                let c = fit.covariance.unwrap();
                for k in 0..8 {
                    assert!((fit.parameters[k] / certified[k] - 1.0).abs() < 1e-6, "{name} {k}");
                    assert!(((s2 * c[k * 9]).sqrt() / sd[k] - 1.0).abs() < 1e-4, "{name} sd {k}");
                }
            }
        }
    }
}
