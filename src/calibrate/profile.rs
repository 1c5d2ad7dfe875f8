//! What is known of one instrument, kept on disk.

use super::{CalibrateSettings, Check, Lamp, ModelShare};
use crate::signal::LineWidth;
use crate::{AxisKind, Error, Measured, Result, Spectrum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Wavelength as a function of the instrument's own axis: a series of Chebyshev polynomials on
/// `domain`, added to the axis itself where that is in nm already.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct AxisModel {
    /// Stretch of the instrument's axis that is mapped to −1 … 1.
    pub domain: [f64; 2],
    /// True where the series is a correction that is added to an nm axis.
    pub correction: bool,
    /// Coefficients of T0, T1, … in nm.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients, nm².
    pub covariance: Vec<Vec<f64>>,
}

/// One lamp line that carries the fit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Anchor {
    /// Name of the lamp feature.
    pub feature: String,
    /// Tabulated wavelength, nm (air).
    pub wavelength_nm: f64,
    /// Place on the instrument's own axis.
    pub at: f64,
    /// Standard uncertainty of that place in nm, as used in the fit.
    pub u_nm: f64,
    /// Fitted minus tabulated wavelength, nm.
    pub residual_nm: f64,
}

/// A lamp line that was seen or expected and not used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct LeftOut {
    /// Name of the lamp feature.
    pub feature: String,
    /// Tabulated wavelength, nm (air).
    pub wavelength_nm: f64,
    /// Why.
    pub reason: String,
}

/// A lamp that an axis was set by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct LampUsed {
    /// Which lamp it is.
    #[schemars(with = "String")]
    pub lamp: Lamp,
    /// Name of the recording.
    pub recording: String,
    /// SHA-256 of its file, if it came from one.
    pub sha256: Option<String>,
}

/// An instrument's profile: its axis, line width and how they were found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Profile {
    /// Always [`Profile::FORMAT`].
    pub format: String,
    /// Version of the profile's layout, [`Profile::FORMAT_VERSION`].
    pub format_version: u32,
    /// Version of the program that wrote it.
    pub program_version: String,
    /// Name of the instrument.
    pub instrument: String,
    /// Number of points of its recordings.
    pub points: usize,
    /// What its own axis is.
    pub own_axis: AxisKind,
    /// First and last value of its own axis.
    pub own_range: [f64; 2],
    /// Wavelengths between which lamp lines carry the axis, nm (air).
    pub anchored_nm: [f64; 2],
    /// Root mean square of the anchors' residuals, nm.
    pub rms_nm: f64,
    /// Scatter of the anchors beyond their own uncertainty, nm.
    pub extra_scatter_nm: f64,
    /// Degrees of freedom of the fit.
    pub degrees_of_freedom: usize,
    /// Width of an unresolved line in nm along the calibrated axis.
    pub line_width_nm: Option<LineWidth>,
    /// The axis.
    pub axis_model: AxisModel,
    /// Settings of the run that made it.
    pub settings: CalibrateSettings,
    /// What was done and what to beware of, one sentence each.
    pub notes: Vec<String>,
    /// Models of the axis that were weighed, the most probable first.
    #[serde(default)]
    pub models: Vec<ModelShare>,
    /// The lamps it was set by.
    pub lamps: Vec<LampUsed>,
    /// Lines that carry the fit, ascending.
    pub anchors: Vec<Anchor>,
    /// Lines that do not, with the reason.
    pub left_out: Vec<LeftOut>,
    /// Later verifications that were kept, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<Check>,
}

impl AxisModel {
    /// Values of the Chebyshev polynomials at `x`.
    pub(super) fn basis(&self, x: f64) -> Vec<f64> {
        let t = (2.0 * x - self.domain[0] - self.domain[1]) / (self.domain[1] - self.domain[0]);
        let n = self.coefficients.len();
        let mut b = Vec::with_capacity(n);
        for k in 0..n {
            b.push(match k {
                0 => 1.0,
                1 => t,
                _ => 2.0 * t * b[k - 1] - b[k - 2],
            });
        }
        b
    }

    /// Wavelength with standard uncertainty (nm) at `x` of the instrument's own axis.
    pub fn wavelength(&self, x: f64) -> Measured {
        let b = self.basis(x);
        let base = if self.correction { x } else { 0.0 };
        let value = base + b.iter().zip(&self.coefficients).map(|(b, c)| b * c).sum::<f64>();
        let mut v = 0.0;
        for (i, row) in self.covariance.iter().enumerate() {
            for (j, c) in row.iter().enumerate() {
                v += b[i] * c * b[j];
            }
        }
        Measured::new(value, v.max(0.0).sqrt())
    }
}

impl Profile {
    /// Mark in the first line of every profile file.
    pub const FORMAT: &'static str = "glowtell-profile";
    /// Version of the layout.
    pub const FORMAT_VERSION: u32 = 2;

    /// Wavelength with standard uncertainty (nm, air) at `x` of the instrument's own axis.
    pub fn wavelength(&self, x: f64) -> Measured {
        self.axis_model.wavelength(x)
    }

    /// The recording on the calibrated axis.
    ///
    /// # Errors
    /// [`Error::Refused`] where the recording cannot be of the same instrument (number of points,
    /// kind or range of the axis).
    pub fn apply(&self, spectrum: &Spectrum) -> Result<Spectrum> {
        let what = format!("profile of {} on {}", self.instrument, spectrum.provenance.name);
        let remedy = "use recordings of one instrument with one export setting";
        if spectrum.axis().kind() != self.own_axis {
            return Err(Error::refused(
                what,
                format!(
                    "the profile starts from {}, the recording has {}",
                    axis_words(self.own_axis),
                    axis_words(spectrum.axis().kind())
                ),
                remedy,
            ));
        }
        if spectrum.len() != self.points {
            return Err(Error::refused(
                what,
                format!("the profile is for {} points, not {}", self.points, spectrum.len()),
                remedy,
            ));
        }
        let (lo, hi) = spectrum.axis().range();
        let step = (self.own_range[1] - self.own_range[0]) / self.points.max(1) as f64;
        if (lo - self.own_range[0]).abs() > step || (hi - self.own_range[1]).abs() > step {
            return Err(Error::refused(
                what,
                format!(
                    "the profile is for an axis from {} to {}, the recording's runs from {lo} to {hi}",
                    self.own_range[0], self.own_range[1]
                ),
                remedy,
            ));
        }
        let m: Vec<Measured> = spectrum.x().iter().map(|x| self.wavelength(*x)).collect();
        let mut out = spectrum.on_axis(
            AxisKind::Nm,
            m.iter().map(|m| m.value).collect(),
            m.iter().map(|m| m.u).collect(),
        )?;
        out.provenance.notes.push(format!(
            "axis set by the profile of {} ({} anchors, {:.1} to {:.1} nm)",
            self.instrument,
            self.anchors.len(),
            self.anchored_nm[0],
            self.anchored_nm[1]
        ));
        Ok(out)
    }

    /// The profile as text (TOML).
    ///
    /// # Errors
    /// [`Error::Usage`] where a number cannot be written (not finite).
    pub fn to_text(&self) -> Result<String> {
        toml::to_string(self).map_err(|e| {
            Error::usage(format!("the profile cannot be written: {e}"), "calibrate again")
        })
    }

    /// A profile from its text; `path` is for messages.
    ///
    /// # Errors
    /// [`Error::Input`] where the text is no profile of this version.
    pub fn from_text(text: &str, path: &Path) -> Result<Self> {
        let p: Profile = toml::from_str(text).map_err(|e| {
            let line = e.span().map(|s| text[..s.start.min(text.len())].matches('\n').count() + 1);
            Error::input(
                path,
                line,
                format!("is no instrument profile ({})", e.message()),
                "make one with `glowtell calibrate LAMP --out FILE`",
            )
        })?;
        if p.format != Self::FORMAT || p.format_version != Self::FORMAT_VERSION {
            return Err(Error::input(
                path,
                None,
                format!("is of format {} version {}", p.format, p.format_version),
                format!(
                    "this program reads {} version {}: calibrate again",
                    Self::FORMAT,
                    Self::FORMAT_VERSION
                ),
            ));
        }
        let n = p.axis_model.coefficients.len();
        let square = p.axis_model.covariance.len() == n
            && p.axis_model.covariance.iter().all(|r| r.len() == n);
        if n == 0 || !square || p.axis_model.domain[0] >= p.axis_model.domain[1] {
            return Err(Error::input(
                path,
                None,
                "holds an axis whose parts do not fit together",
                "calibrate again",
            ));
        }
        Ok(p)
    }

    /// Reads a profile file.
    ///
    /// # Errors
    /// [`Error::Read`], and those of [`Profile::from_text`].
    pub fn load(path: &Path) -> Result<Self> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| Error::Read { path: path.into(), source })?;
        Self::from_text(&text, path)
    }
}

fn axis_words(kind: AxisKind) -> &'static str {
    match kind {
        AxisKind::Pixel => "pixel numbers",
        AxisKind::Nm => "an axis in nm",
    }
}
