//! Which wavelength falls on which pixel: a polynomial or the grating equation.

use crate::{Error, Result};
use serde::{Deserialize, Serialize};

/// Law of the true wavelength along the pixels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dispersion {
    /// A polynomial in the pixel number.
    Polynomial(Polynomial),
    /// A plane grating before a flat detector.
    Grating(Grating),
}

impl Default for Dispersion {
    fn default() -> Self {
        Dispersion::Grating(Grating::default())
    }
}

/// `λ(p) = first + a·p + b·p² + c·p³` with the pixel number `p` from 0; nm (air).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Polynomial {
    /// Wavelength of the middle of pixel 0, nm.
    pub first_nm: f64,
    /// Dispersion `a` at pixel 0, nm per pixel; negative where the red end comes first.
    pub nm_per_px: f64,
    /// Curvature `b`, nm per pixel².
    pub nm_per_px2: f64,
    /// Change of curvature `c`, nm per pixel³.
    pub nm_per_px3: f64,
}

impl Default for Polynomial {
    /// 300 to about 1100 nm on 3648 pixels, coarser by a few per cent at the blue end.
    fn default() -> Self {
        Polynomial { first_nm: 300.0, nm_per_px: 0.226, nm_per_px2: -1.7e-6, nm_per_px3: 0.0 }
    }
}

/// A plane reflection grating in first order with fixed mirrors and a flat detector.
///
/// With `G` grooves per nm, the incoming ray at `α` and the ray that meets the middle of the
/// detector at `β = α + K` (`K` the included angle, both from the grating's normal):
///
/// `λ = (sin α + sin(β + δ)) / G`,  `tan δ = x cos τ / (f + x sin τ)`
///
/// where `x` is the distance from the middle of the detector, `f` the focal length and `τ` the
/// tilt of the detector. `α` follows from the wavelength in the middle:
/// `sin α + sin β = 2 sin φ cos(K/2)` with `φ = α + K/2`.
///
/// Source: the grating equation as in any optics textbook (for instance M. Born, E. Wolf,
/// Principles of Optics, 8.6); the layout is common practice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Grating {
    /// Groove density, 1/mm.
    pub grooves_per_mm: f64,
    /// Angle `K` between the incoming ray and the ray to the middle of the detector, degrees.
    pub included_angle_deg: f64,
    /// Focal length of the mirror before the detector, mm.
    pub focal_length_mm: f64,
    /// Distance of neighbouring pixels, µm.
    pub pixel_pitch_um: f64,
    /// Wavelength that meets the middle of the detector, nm.
    pub centre_nm: f64,
    /// Tilt `τ` of the detector, degrees.
    pub detector_tilt_deg: f64,
    /// True where the red end comes first.
    pub red_first: bool,
}

impl Default for Grating {
    /// A bench of the cheapest sort, 300 to 1100 nm on a 3648-pixel line sensor of 29 mm.
    fn default() -> Self {
        Grating {
            grooves_per_mm: 600.0,
            included_angle_deg: 24.0,
            focal_length_mm: 53.0,
            pixel_pitch_um: 8.0,
            centre_nm: 722.0,
            detector_tilt_deg: 3.0,
            red_first: false,
        }
    }
}

const DEG: f64 = std::f64::consts::PI / 180.0;
/// Nanometres in a millimetre.
const NM_PER_MM: f64 = 1e6;
/// Millimetres in a micrometre.
const MM_PER_UM: f64 = 1e-3;

impl Grating {
    /// Sine of the angle `φ` between the grating's normal and the bisector of the two rays.
    fn sin_phi(&self) -> f64 {
        self.grooves_per_mm / NM_PER_MM * self.centre_nm
            / (2.0 * libm::cos(self.included_angle_deg * DEG / 2.0))
    }

    fn wavelength_nm(&self, p: f64, pixels: usize) -> f64 {
        let half = self.included_angle_deg * DEG / 2.0;
        let phi = libm::asin(self.sin_phi());
        let tilt = self.detector_tilt_deg * DEG;
        let from_middle = p - (pixels as f64 - 1.0) / 2.0;
        let x_mm = self.pixel_pitch_um * MM_PER_UM * from_middle;
        let x_mm = if self.red_first { -x_mm } else { x_mm };
        let delta =
            libm::atan2(x_mm * libm::cos(tilt), self.focal_length_mm + x_mm * libm::sin(tilt));
        (libm::sin(phi - half) + libm::sin(phi + half + delta)) / self.grooves_per_mm * NM_PER_MM
    }
}

impl Dispersion {
    /// True wavelength at the (fractional) pixel `p` of `pixels`, nm (air); whole numbers are the
    /// middles of pixels.
    pub fn wavelength_nm(&self, p: f64, pixels: usize) -> f64 {
        match self {
            Dispersion::Polynomial(d) => {
                d.first_nm + p * (d.nm_per_px + p * (d.nm_per_px2 + p * d.nm_per_px3))
            }
            Dispersion::Grating(g) => g.wavelength_nm(p, pixels),
        }
    }

    /// Wavelengths of the `pixels + 1` edges of the pixels, nm, in the order of the pixels.
    pub(super) fn edges_nm(&self, pixels: usize) -> Vec<f64> {
        (0..=pixels).map(|i| self.wavelength_nm(i as f64 - 0.5, pixels)).collect()
    }

    /// # Errors
    /// [`Error::Usage`] where the wavelengths do not run one way within `lowest` to `highest` nm.
    pub(super) fn check(&self, pixels: usize, lowest: f64, highest: f64) -> Result<()> {
        if let Dispersion::Grating(g) = self {
            let positive = [g.grooves_per_mm, g.focal_length_mm, g.pixel_pitch_um, g.centre_nm];
            if !(positive.iter().all(|v| v.is_finite() && *v > 0.0) && g.sin_phi() < 1.0) {
                return Err(Error::usage(
                    "the grating cannot send the middle wavelength to the detector",
                    "give positive sizes and fewer grooves per mm or a shorter middle wavelength",
                ));
            }
        }
        let edges = self.edges_nm(pixels);
        let up = edges.windows(2).all(|w| w[1] > w[0]);
        let down = edges.windows(2).all(|w| w[1] < w[0]);
        if !(up || down) {
            return Err(Error::usage(
                "the wavelength turns round along the pixels",
                "give a dispersion that rises or falls all along the detector",
            ));
        }
        if edges.iter().any(|nm| !(lowest..=highest).contains(nm)) {
            return Err(Error::usage(
                format!(
                    "the pixels run from {:.0} to {:.0} nm",
                    edges.first().copied().unwrap_or_default(),
                    edges.last().copied().unwrap_or_default()
                ),
                format!("keep them within {lowest} to {highest} nm"),
            ));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linear dispersion of a grating bench, dλ/dx = cos β / (G f): the derivative of the grating
    /// equation (any optics textbook), here with the detector square to the middle ray.
    #[test]
    fn dispersion_in_the_middle_follows_the_grating_equation() {
        let g = Grating { detector_tilt_deg: 0.0, ..Grating::default() };
        let n = 3649; // odd, so that the middle is a pixel
        let at = |p: f64| Dispersion::Grating(g.clone()).wavelength_nm(p, n);
        assert!((at(1824.0) - g.centre_nm).abs() < 1e-9);
        let half = 12.0f64.to_radians();
        let phi = (600e-6 * 722.0 / (2.0 * half.cos())).asin();
        let expected = (phi + half).cos() / 600e-6 / 53.0 * 0.008;
        let found = (at(1825.0) - at(1823.0)) / 2.0;
        assert!((found / expected - 1.0).abs() < 1e-7, "{found} {expected}");
    }

    #[test]
    fn a_grating_turned_round_mirrors_the_axis() {
        let g = Grating::default();
        let r = Grating { red_first: true, ..g.clone() };
        for p in [0.0, 100.0, 3647.0] {
            let a = Dispersion::Grating(g.clone()).wavelength_nm(p, 3648);
            let b = Dispersion::Grating(r.clone()).wavelength_nm(3647.0 - p, 3648);
            assert!((a - b).abs() < 1e-9);
        }
    }

    #[test]
    fn an_axis_that_turns_round_is_refused() {
        let p = Polynomial { nm_per_px2: -1e-3, ..Polynomial::default() };
        assert!(Dispersion::Polynomial(p).check(3648, 100.0, 3000.0).is_err());
        let g = Grating { grooves_per_mm: 6000.0, ..Grating::default() };
        assert!(Dispersion::Grating(g).check(3648, 100.0, 3000.0).is_err());
    }
}
