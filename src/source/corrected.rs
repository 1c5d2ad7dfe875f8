//! A recording divided by the instrument's response.

use super::Response;
use crate::signal::{PeakList, PeakSettings, find_peaks};
use crate::{AxisKind, Error, Mask, Result, Spectrum};

/// Response, over the best one, from which on a recording is divided by it. Below, what is divided is
/// mostly the instrument's own stray light: cheap arrays have some per cent of it (common practice, no
/// published source).
pub const LEAST_RESPONSE: f64 = 0.05;

impl Response {
    /// The recording as an instrument would have it that answers equally to all wavelengths: counts over
    /// response, the best of which is 1. Points where the response is not known or below
    /// [`LEAST_RESPONSE`] keep their counts and are flagged [`Mask::OUTSIDE`]; clipped points are flagged
    /// [`Mask::SATURATED`], since they are not flat any more. Uncertainties are those of the recording,
    /// or what its noise shows, divided likewise: those of the curve itself are not in them.
    ///
    /// # Errors
    /// [`Error::Refused`] for an axis in pixels, and where the curve covers less than two points of the
    /// recording; those of [`find_peaks`].
    pub fn correct(&self, s: &Spectrum) -> Result<Spectrum> {
        let refused = |why: String, remedy: &str| {
            Error::refused(
                format!("correction of {} for the response", s.provenance.name),
                why,
                remedy,
            )
        };
        if s.axis().kind() != AxisKind::Nm {
            return Err(refused(
                "its axis counts pixels, and the curve is over nm".into(),
                "give a --profile as well",
            ));
        }
        let found = find_peaks(s, &PeakSettings::default())?;
        let at: Vec<Option<f64>> =
            s.x().iter().map(|x| self.at(*x).filter(|r| *r >= LEAST_RESPONSE)).collect();
        let known: Vec<f64> =
            s.x().iter().zip(&at).filter(|(_, r)| r.is_some()).map(|(x, _)| *x).collect();
        let (Some(from), Some(to), true) = (known.first(), known.last(), known.len() > 1) else {
            return Err(refused(
                format!("{} knows no response in its range", self.origin),
                "give the curve of the same instrument",
            ));
        };
        let divide = |v: &[f64]| v.iter().zip(&at).map(|(v, r)| v / r.unwrap_or(1.0)).collect();
        let mut out = Spectrum::new(s.axis().clone(), divide(s.counts()))?
            .with_sigma(divide(s.sigma().unwrap_or(&found.sigma)))?;
        if let Some(u) = s.axis_u() {
            out = out.with_axis_u(u.to_vec())?;
        }
        for (i, m) in s.mask().iter().enumerate() {
            out.flag(i, *m);
            if at[i].is_none() {
                out.flag(i, Mask::OUTSIDE);
            }
            if is_clipped(&found, s.counts()[i]) {
                out.flag(i, Mask::SATURATED);
            }
        }
        out.unit = format!("{} / response", s.unit);
        out.provenance = s.provenance.clone();
        out.provenance.notes.push(format!(
            "Divided by the response ({}) from {from:.0} to {to:.0} nm; what is beyond is left out. The \
             curve's own uncertainty is not in the uncertainties.",
            self.origin
        ));
        out.provenance.notes.extend(self.notes.iter().cloned());
        Ok(out)
    }
}

/// Whether a reading stands at the upper end of the scale.
fn is_clipped(found: &PeakList, counts: f64) -> bool {
    found.saturation.is_some_and(|s| counts >= s.level)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Axis;
    use crate::signal::find_peaks;

    fn response(nm: f64) -> f64 {
        (1.1 - (nm - 400.0) / 545.0).clamp(0.01, 1.0)
    }

    /// Two lines of the same light through a response that falls tenfold; the first is clipped at 4000.
    fn recording() -> (Spectrum, Response) {
        let x: Vec<f64> = (0..1200).map(|i| 400.0 + 0.5 * f64::from(i)).collect();
        let line = |x: f64, c: f64, h: f64| h * (-(x - c).powi(2) / 2.0).exp();
        let counts: Vec<f64> = x
            .iter()
            .enumerate()
            .map(|(i, x)| {
                let light = line(*x, 450.0, 9000.0)
                    + line(*x, 600.0, 2000.0)
                    + line(*x, 850.0, 2000.0)
                    + line(*x, 985.0, 2000.0);
                let noise = 3.0 * (1.7 * i as f64).sin() + 2.0 * (2.9 * i as f64).cos();
                (light * response(*x) + noise).min(4000.0)
            })
            .collect();
        let s = Spectrum::new(Axis::new(AxisKind::Nm, x.clone()).unwrap(), counts).unwrap();
        let values = x.iter().map(|x| response(*x)).collect();
        (s, Response { nm: x, values, origin: "made up".into(), notes: Vec::new() })
    }

    #[test]
    fn lines_of_the_same_light_become_equally_high() {
        let (s, r) = recording();
        let before = find_peaks(&s, &PeakSettings::default()).unwrap();
        let c = r.correct(&s).unwrap();
        let after = find_peaks(&c, &PeakSettings::default()).unwrap();
        let height = |l: &PeakList, nm: f64| {
            let p = l.peaks.iter().find(|p| (p.centre.value - nm).abs() < 0.5)?;
            p.height.map(|h| h.value)
        };
        let ratio = height(&before, 600.0).unwrap() / height(&before, 850.0).unwrap();
        assert!((ratio - response(600.0) / response(850.0)).abs() < 0.05, "{ratio}");
        let ratio = height(&after, 600.0).unwrap() / height(&after, 850.0).unwrap();
        assert!((ratio - 1.0).abs() < 0.02, "{ratio}");
        assert_eq!(height(&after, 450.0), None, "a clipped line has no height");
        assert_eq!(height(&after, 985.0), None, "the response is below a twentieth there");
        assert!(c.mask().iter().any(|m| m.has(Mask::OUTSIDE)) && c.unit.contains("response"));
    }

    #[test]
    fn noise_grows_as_the_counts_do() {
        let (s, r) = recording();
        let c = r.correct(&s).unwrap();
        let u = c.sigma().unwrap();
        let at = |nm: f64| c.axis().index_of(nm).round() as usize;
        let ratio = u[at(900.0)] / u[at(700.0)];
        let expected = r.at(700.0).unwrap() / r.at(900.0).unwrap();
        assert!((ratio / expected - 1.0).abs() < 0.1, "{ratio} {expected}");
    }

    #[test]
    fn pixels_and_a_curve_of_elsewhere_are_refused() {
        let (s, r) = recording();
        let px = Spectrum::new(Axis::pixels(s.len()), s.counts().to_vec()).unwrap();
        assert!(r.correct(&px).unwrap_err().to_string().contains("pixels"));
        let far = Response { nm: vec![200.0, 300.0], values: vec![1.0, 1.0], ..r };
        assert!(far.correct(&s).unwrap_err().to_string().contains("knows no response"));
    }
}
