//! How far lamp lines have moved on the same axis between two occasions.

use super::series::{K, quantile};
use crate::Measured;
use serde::{Deserialize, Serialize};

/// Fewest common lines from which a tilt is told.
const TILT_LINES: usize = 4;

/// Where a lamp line was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Reading {
    /// Name of the lamp feature.
    pub feature: String,
    /// Where it was read, nm on the profile's axis.
    pub read_nm: f64,
}

/// An earlier verification, kept in a profile.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Check {
    /// Day that the user gave, `YYYY-MM-DD`; nothing where none was given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dated: Option<String>,
    /// SHA-256 of the lamp's file, if it came from one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lamp_sha256: Option<String>,
    /// Mean error of the axis between the outermost lines, nm.
    pub offset_nm: f64,
    /// Its standard uncertainty, nm.
    pub offset_u_nm: f64,
    /// Change of the error along the axis, nm per 100 nm.
    pub tilt_nm_per_100nm: f64,
    /// Largest error of a line, nm.
    pub worst_nm: f64,
    /// The lines.
    pub lines: Vec<Reading>,
}

/// A common movement of lamp lines since an earlier occasion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    /// Since when, in words.
    pub since: String,
    /// Lines that both occasions have.
    pub lines: usize,
    /// Common movement (now minus then) with its standard uncertainty, nm; nothing where fewer
    /// than two lines are common.
    pub shift_nm: Option<Measured>,
    /// Change of the movement along the axis, nm per 100 nm.
    pub tilt_nm_per_100nm: Option<Measured>,
    /// Factor of the uncertainty beyond which a movement counts: 2, more for few lines (Student's
    /// t at 95.45 %).
    pub k: Option<f64>,
    /// True where the shift exceeds `k` times its uncertainty.
    pub significant: Option<bool>,
}

/// A line as it is read now.
#[derive(Debug, Clone, Copy)]
pub struct Now<'a> {
    /// Name of the lamp feature.
    pub feature: &'a str,
    /// Where it is read, nm.
    pub read_nm: f64,
    /// Standard uncertainty of the fitted place from the recording's noise, nm.
    pub noise_u_nm: f64,
    /// Standard uncertainty with all that may pull a line, nm: the weight.
    pub u_nm: f64,
}

/// The common movement since `then`. What pulls a line in one recording of a lamp pulls it in the
/// next as well, so the scatter of the lines' movements carries the uncertainty (type A, GUM 4.2),
/// and never less than the noise of both fits.
pub fn since(occasion: String, now: &[Now<'_>], then: &[Reading]) -> Drift {
    let pairs: Vec<(f64, f64, Now)> = now
        .iter()
        .filter_map(|n| {
            let t = then.iter().find(|t| t.feature == n.feature)?;
            Some((n.read_nm, n.read_nm - t.read_nm, *n))
        })
        .collect();
    let n = pairs.len();
    let mut out = Drift {
        since: occasion,
        lines: n,
        shift_nm: None,
        tilt_nm_per_100nm: None,
        k: None,
        significant: None,
    };
    if n < 2 {
        return out;
    }
    let w: Vec<f64> = pairs.iter().map(|p| p.2.u_nm.max(1e-4).powi(-2)).collect();
    let sum: f64 = w.iter().sum();
    let mean = |f: &dyn Fn(usize) -> f64| (0..n).map(|i| w[i] * f(i)).sum::<f64>() / sum;
    let shift = mean(&|i| pairs[i].1);
    let centre = mean(&|i| pairs[i].0);
    // Both fits carry the noise of the present one.
    let noise2 = 2.0 * (0..n).map(|i| (w[i] / sum * pairs[i].2.noise_u_nm).powi(2)).sum::<f64>();
    let spread = mean(&|i| (pairs[i].1 - shift).powi(2)) / (n - 1) as f64;
    let k = quantile((n - 1) as f64);
    let u = spread.max(noise2).sqrt();
    out.shift_nm = Some(Measured::new(shift, u));
    out.k = Some(k);
    out.significant = Some(shift.abs() > k * u);
    if n >= TILT_LINES {
        let sxx = mean(&|i| (pairs[i].0 - centre).powi(2));
        if sxx > 0.0 {
            let b = mean(&|i| (pairs[i].0 - centre) * pairs[i].1) / sxx;
            let left = mean(&|i| (pairs[i].1 - shift - b * (pairs[i].0 - centre)).powi(2));
            let dof = (n - 2) as f64;
            let ub = ((left / dof).max(noise2) / sxx).sqrt() * quantile(dof) / K;
            out.tilt_nm_per_100nm = Some(Measured::new(100.0 * b, 100.0 * ub));
            // The scatter about the line, not that about the mean, is what is not understood.
            let u = (left / dof).max(noise2).sqrt();
            let k = quantile(dof);
            out.shift_nm = Some(Measured::new(shift, u));
            out.k = Some(k);
            out.significant = Some(shift.abs() > k * u);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLACES: [(&str, f64); 5] =
        [("a", 404.7), ("b", 435.8), ("c", 546.1), ("d", 577.0), ("e", 579.1)];

    fn moved(by: impl Fn(f64) -> f64) -> Drift {
        let then: Vec<Reading> =
            PLACES.iter().map(|(f, nm)| Reading { feature: f.to_string(), read_nm: *nm }).collect();
        let now: Vec<Now> = PLACES
            .iter()
            .map(|(f, nm)| Now { feature: f, read_nm: nm + by(*nm), noise_u_nm: 0.005, u_nm: 0.03 })
            .collect();
        since("then".into(), &now, &then)
    }

    #[test]
    fn a_movement_is_found_and_rest_is_not_taken_for_one() {
        let d = moved(|nm| 0.3 + 0.1 * (nm - 508.5) / 100.0);
        assert!((d.shift_nm.unwrap().value - 0.3).abs() < 0.02, "{d:?}");
        // Per nm as read now, which is a thousandth more than it was.
        assert!((d.tilt_nm_per_100nm.unwrap().value - 0.1).abs() < 1e-3);
        assert_eq!(d.significant, Some(true));
        let d = moved(|nm| 0.004 * (nm * 17.0).sin());
        assert_eq!(d.significant, Some(false), "{d:?}");
        assert!(d.k.unwrap() > 3.0);
    }

    #[test]
    fn one_line_says_nothing() {
        let then = [Reading { feature: "a".into(), read_nm: 404.7 }];
        let now = [Now { feature: "a", read_nm: 405.0, noise_u_nm: 0.01, u_nm: 0.03 }];
        let d = since("then".into(), &now, &then);
        assert_eq!((d.lines, d.significant), (1, None));
    }
}
