//! From counts to emission lines: noise, saturation, baseline, detection and fits.

mod baseline;
#[cfg(test)]
mod bound;
mod filter;
mod find;
pub mod fit;
pub mod lm;
mod noise;
mod reading;
mod spikes;
mod width;

pub use filter::{Filtered, matched};
pub(crate) use find::median;
pub use find::{MAX_LINE_WIDTH_NM, MIN_POINTS, find_peaks};
pub use noise::{Noise, RELATIVE_FLOOR, estimate as noise_of, flag_saturation};

use crate::{AxisKind, Measured};
pub(crate) use reading::REACH_FWHM;
pub use reading::Readings;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Width of an unresolved line along the axis: `fwhm(x) = value + slope · (x − at)`, in axis
/// units.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineWidth {
    /// FWHM at `at`, axis units.
    pub value: f64,
    /// Change of FWHM per axis unit.
    pub slope: f64,
    /// Place where `value` holds, axis units.
    pub at: f64,
    /// Standard uncertainty of `value`, axis units.
    pub u: f64,
}

impl LineWidth {
    /// The same width everywhere.
    pub fn constant(value: f64, u: f64) -> Self {
        LineWidth { value, slope: 0.0, at: 0.0, u }
    }

    /// FWHM at `x` in axis units; never less than a tenth of the central value.
    pub fn fwhm(&self, x: f64) -> f64 {
        (self.value + self.slope * (x - self.at)).max(0.1 * self.value)
    }
}

/// Choices for [`find_peaks`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct PeakSettings {
    /// Known width of an unresolved line in axis units; `None`: estimated from the data.
    pub line_width: Option<LineWidth>,
    /// Expected number of noise peaks that are taken for a line, per recording.
    pub false_peaks: f64,
    /// Full-scale reading if known; `None`: found from flat tops.
    pub full_scale: Option<f64>,
}

impl Default for PeakSettings {
    fn default() -> Self {
        PeakSettings { line_width: None, false_peaks: 0.05, full_scale: None }
    }
}

/// Most that a ripple of a band rises out of it, as a share of the level of its tops: fringes of a
/// fifth to both sides rise by a third (common practice, no published source).
pub(crate) const MOST_RIPPLE: f64 = 0.35;

/// One emission line (or a hump that is broader than a line).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Peak {
    /// Place of the maximum in axis units.
    pub centre: Measured,
    /// Height above the baseline in the unit of the counts; `None` for a clipped line.
    pub height: Option<Measured>,
    /// Full width at half maximum, axis units.
    pub fwhm: Measured,
    /// Area above the baseline, unit of the counts times axis unit; `None` for a clipped line.
    pub area: Option<Measured>,
    /// Height over the local standard uncertainty of the matched filter's output.
    pub significance: f64,
    /// Peaks with the same number were fitted together.
    pub group: usize,
    /// How many peaks were fitted together with this one, itself included.
    pub group_size: usize,
    /// True where the recording was at its end: place from the flanks, no height.
    pub clipped: bool,
    /// True where the width is that of an unresolved line, within its uncertainty.
    pub line_like: bool,
    /// Height over that of its top above the darkest part of the recording's baseline: 1 where it
    /// stands on nothing, little for a ripple on a band.
    pub share_of_level: f64,
}

impl Peak {
    /// True where it cannot be a ripple of what it stands on: reflections within optics and
    /// detector modulate a band by up to a fifth to both sides (common practice, no published
    /// source), a third from valley to top.
    pub fn stands_out(&self) -> bool {
        self.share_of_level > MOST_RIPPLE
    }

    /// Height, or for a clipped line the least it can have been (`floor`).
    pub fn height_or(&self, floor: f64) -> f64 {
        self.height.map_or(floor, |h| h.value)
    }
}

/// Saturation as found or told.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Saturation {
    /// Reading from which points count as clipped, unit of the counts.
    pub level: f64,
    /// Number of points flagged.
    pub points: usize,
    /// True where the level was given, false where it was found from flat tops.
    pub given: bool,
}

/// All that [`find_peaks`] found out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PeakList {
    /// What the axis values are.
    pub axis: AxisKind,
    /// Peaks, ascending along the axis.
    pub peaks: Vec<Peak>,
    /// Width of an unresolved line, given or estimated; `None` where no line-like peak exists.
    pub line_width: Option<LineWidth>,
    /// Baseline at each point, unit of the counts.
    pub baseline: Vec<f64>,
    /// Standard uncertainty of each point, unit of the counts.
    pub sigma: Vec<f64>,
    /// Height at each point from which a line would have been detected, unit of the counts.
    pub threshold: Vec<f64>,
    /// Height of that threshold over its standard uncertainty.
    pub threshold_sigma: f64,
    /// Smooth scatter beyond photon and read noise in the line-free parts, as a multiple of
    /// `sigma` (1 where there is none).
    pub structure: f64,
    /// Saturation, if any.
    pub saturation: Option<Saturation>,
    /// Share of the Lorentzian in the line shape (pseudo-Voigt), 0 to 1.
    pub lorentzian_share: f64,
    /// Departure of the lines from that shape as a share of their height.
    pub shape_mismatch: f64,
    /// What was estimated or left out, one sentence each.
    pub notes: Vec<String>,
}

impl PeakList {
    /// What is odd about the width of a peak that is not an unresolved line's, in a word.
    pub(crate) fn odd_width(&self, p: &Peak) -> Option<&'static str> {
        let narrow = self.line_width.is_some_and(|w| p.fwhm.value < w.fwhm(p.centre.value));
        (!p.line_like).then_some(if narrow { "narrow" } else { "broad" })
    }
}
