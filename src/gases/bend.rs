//! What a factory's axis still lacks after its shift and tilt: a smooth curve through the lines of what is
//! surely there, so that all else is looked for where it is and not within the scatter of a whole axis.

use super::evidence::{Scene, Showing, weigh};
use super::pattern::Pattern;
use nalgebra::{SMatrix, SVector};

/// Terms of the curve: Legendre polynomials up to the third order over the range of the peaks.
const TERMS: usize = 4;
/// Prior standard deviation of each over that of a factory axis: shift and tilt have been taken out but
/// for a rest, and the higher the order the less of it (common practice, no published source).
const PRIOR: [f64; TERMS] = [0.25, 0.25, 0.3, 0.15];
/// Nats from which a species' lines carry the curve.
const SURE_NATS: f64 = 10.0;
/// Nats from which a line of such a species does.
const LINE_NATS: f64 = 1.0;
/// A peak is such a line's where others explain less than this share of it.
const OWN_SHARE: f64 = 0.3;
/// Fewest lines of a curve: one more than it has terms.
const FEWEST: usize = TERMS + 1;
/// Uncertainty of a line's place beside that of its peak and its feature, in line widths: unresolved
/// neighbours (as in `shift.rs`).
const PLACE_FWHM: f64 = 0.05;
/// Degrees of freedom of Student's law that the distances follow: some lines are taken for others (K.
/// Lange, R. Little and J. Taylor, J. Am. Stat. Assoc. 84 (1989) 881).
const STUDENT_DOF: f64 = 4.0;
/// Rounds of reweighting.
const ROUNDS: usize = 8;
/// Median of the absolute value to standard deviation, normal law.
const MAD_TO_SD: f64 = 1.4826;

type Row = SVector<f64, TERMS>;

/// A smooth correction of the axis that comes on top of the common one.
#[derive(Debug, Clone, PartialEq)]
pub struct Bend {
    /// Axis range, nm.
    range: (f64, f64),
    coefficients: Row,
    covariance: SMatrix<f64, TERMS, TERMS>,
    /// Scatter of the lines about it beyond their own uncertainty, nm.
    scatter_nm: f64,
}

/// A line of what is surely there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Anchor {
    /// Place on the corrected axis, nm.
    pub nm: f64,
    /// Tabulated place less that, nm.
    pub off_nm: f64,
    /// Standard uncertainty of that distance without the axis, nm.
    pub u_nm: f64,
}

fn row((from, to): (f64, f64), nm: f64) -> Row {
    // Beyond the range the curve goes on straight and no further.
    let t = (2.0 * (nm - from) / (to - from).max(1.0) - 1.0).clamp(-1.0, 1.0);
    Row::new(1.0, t, 0.5 * (3.0 * t * t - 1.0), 0.5 * t * (5.0 * t * t - 3.0))
}

impl Bend {
    /// Fits the curve; `None` with too few lines. `axis_u_nm` is the standard uncertainty of the axis as
    /// it came.
    pub fn fit(anchors: &[Anchor], range: (f64, f64), axis_u_nm: f64) -> Option<Bend> {
        if anchors.len() < FEWEST {
            return None;
        }
        let rows: Vec<Row> = anchors.iter().map(|a| row(range, a.nm)).collect();
        let prior = PRIOR.map(|p| (p * axis_u_nm).powi(-2));
        let mut z: Vec<f64> = anchors.iter().map(|a| a.off_nm / a.u_nm).collect();
        let mut c = Row::zeros();
        let mut covariance = SMatrix::zeros();
        for _ in 0..ROUNDS {
            let mut m = SMatrix::<f64, TERMS, TERMS>::from_diagonal(&Row::from(prior));
            let mut v = Row::zeros();
            for ((r, a), z) in rows.iter().zip(anchors).zip(&z) {
                let w = (1.0 + 1.0 / STUDENT_DOF) / (a.u_nm * a.u_nm * (1.0 + z * z / STUDENT_DOF));
                m += w * r * r.transpose();
                v += w * a.off_nm * r;
            }
            covariance = m.cholesky()?.inverse();
            c = covariance * v;
            for ((z, r), a) in z.iter_mut().zip(&rows).zip(anchors) {
                *z = (a.off_nm - r.dot(&c)) / a.u_nm;
            }
        }
        let median = |mut v: Vec<f64>| crate::signal::median(&mut v);
        let rest =
            MAD_TO_SD * median(z.iter().zip(anchors).map(|(z, a)| (z * a.u_nm).abs()).collect());
        let own = median(anchors.iter().map(|a| a.u_nm).collect());
        // Lines that scatter more than they should carry less.
        covariance *= (rest / own).powi(2).max(1.0);
        let scatter_nm = (rest * rest - own * own).max(0.0).sqrt();
        Some(Bend { range, coefficients: c, covariance, scatter_nm })
    }

    /// Correction at a place of the corrected axis, nm.
    pub fn at(&self, nm: f64) -> f64 {
        row(self.range, nm).dot(&self.coefficients)
    }

    /// Standard uncertainty of a place after it, nm.
    pub fn u(&self, nm: f64) -> f64 {
        let r = row(self.range, nm);
        (r.transpose() * self.covariance * r)[(0, 0)].max(0.0).sqrt().hypot(self.scatter_nm)
    }
}

/// The lines of the species that are surely there; `own_u_nm` has the uncertainty of each peak's place
/// without the axis.
pub fn anchors(
    patterns: &[Pattern],
    taken: &[bool],
    met: &[Vec<Showing>],
    explained: &[Vec<f64>],
    scene: &Scene,
    own_u_nm: &[f64],
) -> Vec<Anchor> {
    let mut out = Vec::new();
    for (k, p) in patterns.iter().enumerate().filter(|(k, _)| taken[*k]) {
        let others: Vec<f64> = (0..scene.peaks.len())
            .map(|i| (0..explained.len()).filter(|o| *o != k).map(|o| explained[o][i]).sum())
            .collect();
        let e = weigh(&p.features, met[k].clone(), scene, &others);
        if e.nats < SURE_NATS {
            continue;
        }
        for ((f, w), nats) in p.features.iter().zip(&e.showing).zip(&e.each) {
            let Showing::Peak { index, .. } = w else { continue };
            let q = &scene.peaks[*index];
            if *nats < LINE_NATS || others[*index] > OWN_SHARE * q.height {
                continue;
            }
            let place = PLACE_FWHM * scene.width.fwhm(f.nm);
            let u_nm = own_u_nm[*index].hypot(f.u_nm).hypot(place);
            out.push(Anchor { nm: q.nm, off_nm: f.nm - q.nm, u_nm });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of thirty lines on a curve of the second and third order two belong to others: the curve comes
    /// out, and is uncertain beside its lines only.
    #[test]
    fn a_curve_comes_out_beside_two_wrong_lines() {
        let range = (400.0, 900.0);
        let curve = |nm: f64| {
            let t = (nm - 650.0) / 250.0;
            0.1 + 0.25 * t * t - 0.05 * t * t * t
        };
        let anchors: Vec<Anchor> = (0..30)
            .map(|k| {
                let nm = 500.0 + 10.0 * f64::from(k);
                let wrong = if k % 12 == 5 { 0.4 } else { 0.0 };
                Anchor { nm, off_nm: curve(nm) + wrong, u_nm: 0.02 }
            })
            .collect();
        let b = Bend::fit(&anchors, range, 0.75).unwrap();
        for nm in [500.0, 600.0, 700.0, 790.0] {
            assert!((b.at(nm) - curve(nm)).abs() < 0.02, "{nm}: {} {}", b.at(nm), curve(nm));
            assert!(b.u(nm) < 0.03, "{nm}: {}", b.u(nm));
        }
        assert!(b.u(405.0) > 3.0 * b.u(600.0), "{} {}", b.u(405.0), b.u(600.0));
        assert!((b.at(405.0) - curve(405.0)).abs() < 2.0 * b.u(405.0));
        assert!(Bend::fit(&anchors[..FEWEST - 1], range, 0.75).is_none());
    }
}
