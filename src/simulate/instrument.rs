//! The instrument on paper.

use super::dispersion::Dispersion;
use crate::{AxisKind, Error, Result};
use serde::{Deserialize, Serialize};

/// Most pixels of a line sensor that is accepted.
const MOST_PIXELS: usize = 65_536;
/// Shortest wavelength a pixel may have, nm (end of the vacuum ultraviolet that air lets pass).
const LOWEST_NM: f64 = 150.0;
/// Longest wavelength a pixel may have, nm.
const HIGHEST_NM: f64 = 3000.0;

/// An array spectrometer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Instrument {
    /// Name for titles.
    pub name: String,
    /// Number of pixels.
    pub pixels: usize,
    /// Axis of its exports: pixel numbers, or the factory's nm values.
    pub axis: AxisKind,
    /// True wavelength along the pixels.
    pub dispersion: Dispersion,
    /// What the factory's nm values say too much.
    pub factory_error: FactoryError,
    /// Image of a single wavelength.
    pub line_shape: LineShape,
    /// Electrons of one unit of light, by wavelength (largest 1).
    pub response: Response,
    /// Interference in the sensor's cover, on top of the response.
    pub fringes: Option<Fringes>,
    /// Share of all detected light that is spread evenly over all pixels, 0 to 1.
    pub stray_share: f64,
    /// Share of the light at λ that is seen at 2λ as well, 0 to 1.
    pub second_order_share: f64,
    /// Light of longer waves has no second-order image (order-sorting filter), nm.
    pub second_order_below_nm: f64,
    /// Sensor and converter.
    pub detector: Detector,
}

impl Default for Instrument {
    /// A very cheap spectrometer, 300 to 1100 nm on 3648 pixels; plausible numbers of this sort of
    /// instrument, not those of a certain one.
    fn default() -> Self {
        Instrument {
            name: "array spectrometer, 300 to 1100 nm".into(),
            pixels: 3648,
            axis: AxisKind::Nm,
            dispersion: Dispersion::default(),
            factory_error: FactoryError::default(),
            line_shape: LineShape::default(),
            response: Response::Silicon,
            fringes: None,
            stray_share: 0.01,
            second_order_share: 0.01,
            second_order_below_nm: 550.0,
            detector: Detector::default(),
        }
    }
}

/// Error of the factory's axis, exported minus true, nm:
/// `offset + tilt·u + curvature·u²`, where `u` runs from −1 at the first to +1 at the last pixel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct FactoryError {
    /// Error in the middle, nm.
    pub offset_nm: f64,
    /// Further error at the last pixel (its opposite at the first), nm.
    pub tilt_nm: f64,
    /// Further error at both ends, nm.
    pub curvature_nm: f64,
}

impl Default for FactoryError {
    fn default() -> Self {
        FactoryError { offset_nm: 0.8, tilt_nm: -0.5, curvature_nm: 0.7 }
    }
}

impl FactoryError {
    /// Exported minus true wavelength at the place `u` (−1 first, +1 last pixel), nm.
    pub fn at(&self, u: f64) -> f64 {
        self.offset_nm + u * (self.tilt_nm + u * self.curvature_nm)
    }
}

/// Image of a single wavelength: `(1 − η)·Gaussian + η·Lorentzian`, both of the same FWHM and of
/// area 1 (the usual pseudo-Voigt shape), then summed over the width of each pixel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct LineShape {
    /// FWHM at the shortest wavelength of the detector, nm; linear in between.
    pub fwhm_short_nm: f64,
    /// FWHM at the longest wavelength of the detector, nm.
    pub fwhm_long_nm: f64,
    /// Share `η` of the light in the Lorentzian wings, 0 to 1.
    pub lorentz_share: f64,
}

impl Default for LineShape {
    fn default() -> Self {
        LineShape { fwhm_short_nm: 1.4, fwhm_long_nm: 1.8, lorentz_share: 0.1 }
    }
}

/// Electrons of one unit of light, by wavelength; the largest value is about 1.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Response {
    /// The same everywhere.
    Flat,
    /// A bare silicon line sensor behind a grating: falls to a twentieth at 300 nm and at 1100 nm.
    #[default]
    Silicon,
    /// Through these points (`[nm, value]`, ascending), smooth in between, constant beyond.
    Points(Vec<(f64, f64)>),
}

/// Interference in the cover of the sensor: the response is multiplied by
/// `1 + amplitude · cos(4π·n·d/λ)`, the two-beam fringes of a plate of optical thickness `n·d`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Fringes {
    /// Relative amplitude, 0 to 1.
    pub amplitude: f64,
    /// Refractive index times thickness, µm.
    pub optical_thickness_um: f64,
}

/// A pixel that always shows too much.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct HotPixel {
    /// Its number from 0.
    pub pixel: usize,
    /// What it adds, counts.
    pub counts: f64,
}

/// Sensor and converter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Detector {
    /// Electrons for each count.
    pub gain_e_per_count: f64,
    /// Read noise of one exposure, electrons.
    pub read_noise_e: f64,
    /// Reading without light at the first pixel, counts.
    pub dark_counts: f64,
    /// Further reading without light at the last pixel (linear in between), counts.
    pub dark_slope_counts: f64,
    /// Reading at which the converter ends, counts.
    pub full_scale_counts: f64,
    /// Relative unevenness of the pixels (standard deviation).
    pub pixel_unevenness: f64,
    /// Seed of that unevenness: it belongs to the sensor, not to the recording.
    pub pattern_seed: u64,
    /// Pixels that show too much.
    pub hot_pixels: Vec<HotPixel>,
    /// True where the software takes the smooth dark reading off before it exports.
    pub dark_subtracted: bool,
}

impl Default for Detector {
    fn default() -> Self {
        Detector {
            gain_e_per_count: 1.5,
            read_noise_e: 18.0,
            dark_counts: 1200.0,
            dark_slope_counts: 30.0,
            full_scale_counts: 65_535.0,
            pixel_unevenness: 0.005,
            pattern_seed: 1,
            hot_pixels: Vec::new(),
            dark_subtracted: false,
        }
    }
}

/// Middle of the silicon-like response's rise in the ultraviolet, nm.
const SILICON_RISE_NM: f64 = 405.0;
/// Width of that rise, nm.
const SILICON_RISE_WIDTH_NM: f64 = 34.0;
/// Middle of its fall towards the band edge, nm.
const SILICON_FALL_NM: f64 = 880.0;
/// Width of that fall, nm.
const SILICON_FALL_WIDTH_NM: f64 = 75.0;
/// Brings its maximum (near 585 nm) to 1.
const SILICON_SCALE: f64 = 1.027;

/// `1 / (1 + exp(−(x − middle)/width))`.
pub(super) fn logistic(x: f64, middle: f64, width: f64) -> f64 {
    1.0 / (1.0 + libm::exp(-(x - middle) / width))
}

impl Response {
    /// Relative response at `nm`, not negative.
    pub fn at(&self, nm: f64) -> f64 {
        match self {
            Response::Flat => 1.0,
            // Product of two logistic steps: invented, but with the rise and fall that bare
            // silicon behind a grating has; common practice, no published source.
            Response::Silicon => {
                SILICON_SCALE
                    * logistic(nm, SILICON_RISE_NM, SILICON_RISE_WIDTH_NM)
                    * logistic(nm, SILICON_FALL_NM, -SILICON_FALL_WIDTH_NM)
            }
            Response::Points(points) => through_points(points, nm),
        }
    }

    fn check(&self) -> Result<()> {
        if let Response::Points(p) = self {
            let sound = p.iter().all(|(nm, v)| nm.is_finite() && v.is_finite() && *v >= 0.0)
                && p.windows(2).all(|w| w[1].0 > w[0].0);
            if p.is_empty() || !sound {
                return Err(Error::usage(
                    "the points of the response are not usable",
                    "give at least one [nm, value] pair, ascending in nm, no value below 0",
                ));
            }
        }
        Ok(())
    }
}

/// Cubic Hermite interpolation with the slopes of the chords over both neighbours.
fn through_points(points: &[(f64, f64)], nm: f64) -> f64 {
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return 1.0;
    };
    if nm <= first.0 {
        return first.1;
    }
    if nm >= last.0 {
        return last.1;
    }
    let i = points.partition_point(|p| p.0 <= nm) - 1;
    let slope = |j: usize| {
        let (a, b) = (points[j.saturating_sub(1)], points[(j + 1).min(points.len() - 1)]);
        (b.1 - a.1) / (b.0 - a.0)
    };
    let (p, q) = (points[i], points[i + 1]);
    let h = q.0 - p.0;
    let t = (nm - p.0) / h;
    let s = 1.0 - t;
    let value = s * s * (1.0 + 2.0 * t) * p.1
        + t * t * (1.0 + 2.0 * s) * q.1
        + h * t * s * (s * slope(i) - t * slope(i + 1));
    value.max(0.0)
}

impl Instrument {
    /// Electrons for one unit of light at `nm`, before exposure: response and fringes.
    pub fn response_at(&self, nm: f64) -> f64 {
        let fringes = self.fringes.as_ref().map_or(1.0, |f| {
            let phase = 4.0 * std::f64::consts::PI * f.optical_thickness_um * 1000.0 / nm;
            1.0 + f.amplitude * libm::cos(phase)
        });
        self.response.at(nm) * fringes
    }

    /// Shortest and longest wavelength of the detector's outer edges, nm.
    pub fn range_nm(&self) -> (f64, f64) {
        let a = self.dispersion.wavelength_nm(-0.5, self.pixels);
        let b = self.dispersion.wavelength_nm(self.pixels as f64 - 0.5, self.pixels);
        (a.min(b), a.max(b))
    }

    /// FWHM of the image of a single wavelength at `nm`, nm: linear between the two ends of the
    /// detector, constant beyond them.
    pub fn fwhm_nm(&self, nm: f64) -> f64 {
        let (a, b) = self.range_nm();
        let t = ((nm - a) / (b - a)).clamp(0.0, 1.0);
        self.line_shape.fwhm_short_nm
            + t * (self.line_shape.fwhm_long_nm - self.line_shape.fwhm_short_nm)
    }

    /// Checks that all values make sense.
    ///
    /// # Errors
    /// [`Error::Usage`] with the first value that does not.
    pub fn check(&self) -> Result<()> {
        if !(2..=MOST_PIXELS).contains(&self.pixels) {
            return Err(Error::usage(
                format!("an instrument with {} pixels", self.pixels),
                format!("give 2 to {MOST_PIXELS} pixels"),
            ));
        }
        self.dispersion.check(self.pixels, LOWEST_NM, HIGHEST_NM)?;
        self.response.check()?;
        let d = &self.detector;
        for (what, value) in [
            ("fwhm-short-nm", self.line_shape.fwhm_short_nm),
            ("fwhm-long-nm", self.line_shape.fwhm_long_nm),
            ("gain-e-per-count", d.gain_e_per_count),
            ("full-scale-counts", d.full_scale_counts),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(Error::usage(format!("{what} is {value}"), "give a number above 0"));
            }
        }
        for (what, value) in [
            ("lorentz-share", self.line_shape.lorentz_share),
            ("stray-share", self.stray_share),
            ("second-order-share", self.second_order_share),
            ("pixel-unevenness", d.pixel_unevenness),
            ("fringes: amplitude", self.fringes.as_ref().map_or(0.0, |f| f.amplitude)),
        ] {
            if !(0.0..=1.0).contains(&value) {
                return Err(Error::usage(format!("{what} is {value}"), "give a share from 0 to 1"));
            }
        }
        let e = &self.factory_error;
        let numbers = [d.dark_counts, d.dark_slope_counts, self.second_order_below_nm];
        let errors = [e.offset_nm, e.tilt_nm, e.curvature_nm];
        if !(numbers.iter().chain(&errors).all(|v| v.is_finite())
            && d.read_noise_e.is_finite()
            && d.read_noise_e >= 0.0)
        {
            return Err(Error::usage(
                "dark reading, read noise, factory error or second-order limit is not usable",
                "give finite numbers, and a read noise of at least 0",
            ));
        }
        if let Some(h) = d.hot_pixels.iter().find(|h| h.pixel >= self.pixels) {
            return Err(Error::usage(
                format!("hot pixel {} of {} pixels", h.pixel, self.pixels),
                "count pixels from 0",
            ));
        }
        let axis = super::factory_axis(self);
        if !(axis.windows(2).all(|w| w[1] > w[0]) || axis.windows(2).all(|w| w[1] < w[0])) {
            return Err(Error::usage(
                "the factory's axis turns round along the pixels",
                "give a smaller factory error",
            ));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_is_usable_and_covers_its_label() {
        let i = Instrument::default();
        i.check().unwrap();
        let (a, b) = i.range_nm();
        assert!((a - 300.0).abs() < 12.0 && (b - 1100.0).abs() < 12.0, "{a} {b}");
    }

    #[test]
    fn the_silicon_curve_peaks_at_one_and_rolls_off() {
        let r = Response::Silicon;
        let top = (300..=1100).map(|nm| r.at(f64::from(nm))).fold(0.0, f64::max);
        assert!((top - 1.0).abs() < 0.01, "{top}");
        assert!((0.02..0.08).contains(&r.at(300.0)), "{}", r.at(300.0));
        assert!((0.02..0.08).contains(&r.at(1100.0)), "{}", r.at(1100.0));
    }

    #[test]
    fn points_are_met_and_held_beyond_the_ends() {
        let r = Response::Points(vec![(300.0, 0.1), (500.0, 1.0), (900.0, 0.4)]);
        for (nm, v) in [(250.0, 0.1), (300.0, 0.1), (500.0, 1.0), (900.0, 0.4), (1200.0, 0.4)] {
            assert!((r.at(nm) - v).abs() < 1e-12);
        }
    }

    #[test]
    fn senseless_instruments_are_refused() {
        let good = Instrument::default;
        let cases: Vec<Instrument> = vec![
            Instrument { pixels: 1, ..good() },
            Instrument { stray_share: 1.5, ..good() },
            Instrument { response: Response::Points(vec![(500.0, 1.0), (400.0, 1.0)]), ..good() },
            Instrument { response: Response::Points(vec![]), ..good() },
            Instrument {
                line_shape: LineShape { fwhm_short_nm: 0.0, ..LineShape::default() },
                ..good()
            },
            Instrument {
                detector: Detector { gain_e_per_count: f64::NAN, ..Detector::default() },
                ..good()
            },
            Instrument {
                factory_error: FactoryError { curvature_nm: 5000.0, ..FactoryError::default() },
                ..good()
            },
        ];
        for i in cases {
            let e = i.check().unwrap_err().to_string();
            assert!(e.contains(';'), "what and remedy: {e}");
        }
    }

    #[test]
    fn an_instrument_survives_toml_and_unknown_fields_do_not() {
        let i = Instrument::default();
        let text = toml::to_string(&i).unwrap();
        assert_eq!(toml::from_str::<Instrument>(&text).unwrap(), i);
        assert!(toml::from_str::<Instrument>("pixel = 3").is_err());
        assert!(toml::from_str::<Instrument>("[dispersion.grating]\nfocal-mm = 3").is_err());
    }
}
