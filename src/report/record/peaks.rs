//! Peaks and points in a record.

use super::finite;
use crate::signal::{LineWidth, Peak, PeakList};
use crate::{AxisKind, Mask, Measured, Spectrum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A number with its standard uncertainty (k = 1), in the unit of the field.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasuredRecord {
    /// Best estimate.
    pub value: Option<f64>,
    /// Standard uncertainty.
    pub u: Option<f64>,
}

impl From<Measured> for MeasuredRecord {
    fn from(m: Measured) -> Self {
        MeasuredRecord { value: finite(m.value), u: finite(m.u) }
    }
}

/// Width of an unresolved line: `fwhm(x) = value + slope · (x − at)`, axis units.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineWidthRecord {
    /// FWHM at `at`.
    pub value: Option<f64>,
    /// Standard uncertainty of `value`.
    pub u: Option<f64>,
    /// Change of FWHM per axis unit.
    pub slope: Option<f64>,
    /// Where `value` holds.
    pub at: Option<f64>,
}

impl From<&LineWidth> for LineWidthRecord {
    fn from(l: &LineWidth) -> Self {
        LineWidthRecord {
            value: finite(l.value),
            u: finite(l.u),
            slope: finite(l.slope),
            at: finite(l.at),
        }
    }
}

/// All peaks of a recording. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PeaksRecord {
    /// Unit of places and widths: `nm` (air) or `pixel`.
    pub axis: AxisKind,
    /// Width of an unresolved line.
    pub line_width: Option<LineWidthRecord>,
    /// Smooth scatter beyond photon and read noise, as a multiple of the noise (1: none).
    pub structure: Option<f64>,
    /// Reading from which points count as clipped, unit of the counts.
    pub saturation_level: Option<f64>,
    /// Number of clipped points.
    pub saturated_points: usize,
    /// Peaks, ascending along the axis; `assignments` and `ghosts` count from 0 in this list.
    pub list: Vec<PeakRecord>,
    /// What was estimated or left out, one sentence each.
    pub notes: Vec<String>,
}

/// One peak. The list may grow.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PeakRecord {
    /// Place of the maximum, axis units.
    pub centre: MeasuredRecord,
    /// Height above the baseline, unit of the counts; `null` for a clipped line.
    pub height: Option<MeasuredRecord>,
    /// Full width at half maximum, axis units.
    pub fwhm: MeasuredRecord,
    /// Area above the baseline, unit of the counts times axis unit; `null` for a clipped line.
    pub area: Option<MeasuredRecord>,
    /// Height over the local noise of the matched filter.
    pub significance: Option<f64>,
    /// Peaks with the same number were fitted together.
    pub group: usize,
    /// How many were fitted together, itself included.
    pub group_size: usize,
    /// At the end of the recording's range.
    pub clipped: bool,
    /// As narrow as an unresolved line.
    pub line_like: bool,
}

impl From<&Peak> for PeakRecord {
    fn from(p: &Peak) -> Self {
        PeakRecord {
            centre: p.centre.into(),
            height: p.height.map(Into::into),
            fwhm: p.fwhm.into(),
            area: p.area.map(Into::into),
            significance: finite(p.significance),
            group: p.group,
            group_size: p.group_size,
            clipped: p.clipped,
            line_like: p.line_like,
        }
    }
}

impl From<&PeakList> for PeaksRecord {
    fn from(l: &PeakList) -> Self {
        PeaksRecord {
            axis: l.axis,
            line_width: l.line_width.as_ref().map(Into::into),
            structure: finite(l.structure),
            saturation_level: l.saturation.and_then(|s| finite(s.level)),
            saturated_points: l.saturation.map_or(0, |s| s.points),
            list: l.peaks.iter().map(Into::into).collect(),
            notes: l.notes.clone(),
        }
    }
}

/// The recording point by point. The list may grow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PointsRecord {
    /// Axis values, ascending: nm (air) or pixels.
    pub x: Vec<f64>,
    /// Counts; `null` where nothing was recorded.
    pub counts: Vec<Option<f64>>,
    /// Baseline, unit of the counts.
    pub baseline: Vec<Option<f64>>,
    /// Standard uncertainty, unit of the counts.
    pub sigma: Vec<Option<f64>>,
}

impl PointsRecord {
    /// The points of a recording with what [`PeakList`] knows of each.
    pub fn new(s: &Spectrum, l: &PeakList) -> Self {
        let all = |v: &[f64]| v.iter().map(|x| finite(*x)).collect();
        PointsRecord {
            x: s.x().to_vec(),
            counts: s
                .counts()
                .iter()
                .zip(s.mask())
                .map(|(c, m)| if m.has(Mask::DEAD) { None } else { finite(*c) })
                .collect(),
            baseline: all(&l.baseline),
            sigma: all(&l.sigma),
        }
    }
}
