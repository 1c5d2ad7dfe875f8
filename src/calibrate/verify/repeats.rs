//! Repeated recordings of one lamp: how far its lines scatter, and how far they move together.
//!
//! Place of line `i` in recording `j`: `line_i + shift_j + scatter_ij`. The means over lines and
//! recordings (those over lines weighted) separate the three (two-way layout without repetition, M. G. Kendall and A. Stuart,
//! The Advanced Theory of Statistics, vol. 3).

use crate::signal::PeakList;
use crate::{Error, Result, Spectrum};
use serde::{Deserialize, Serialize};

/// A peak of another recording within this many line widths is the same line.
const SAME_LINE_FWHM: f64 = 0.8;
/// Axes are the same where no point differs by more than this share of a step.
const SAME_AXIS_STEPS: f64 = 0.01;
/// No line weighs more than one known to this, nm.
const LEAST_U_NM: f64 = 1e-4;

/// Scatter of one line's place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineScatter {
    /// Name of the lamp feature.
    pub feature: String,
    /// Mean place, nm on the judged axis.
    pub mean_nm: f64,
    /// Standard deviation of its place over the recordings, nm.
    pub sd_nm: f64,
    /// Largest minus smallest place, nm.
    pub spread_nm: f64,
}

/// What repeated recordings show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Repeatability {
    /// Number of recordings.
    pub recordings: usize,
    /// Lines that all recordings have.
    pub lines: Vec<LineScatter>,
    /// Standard deviation of a line's place, pooled over the lines, common movement included, nm.
    pub sd_nm: f64,
    /// Degrees of freedom of `sd_nm`.
    pub dof: usize,
    /// Common movement of each recording from the mean of all, nm, in the order given.
    pub shifts_nm: Vec<f64>,
    /// Standard deviation of the common movements, nm.
    pub shift_sd_nm: f64,
    /// Largest minus smallest common movement, nm.
    pub shift_spread_nm: f64,
    /// Standard deviation of a line's place once the common movement is taken off, nm; nothing
    /// where there is only one line.
    pub scatter_nm: Option<f64>,
    /// Degrees of freedom of `scatter_nm`.
    pub scatter_dof: usize,
}

/// Refuses recordings that cannot be of the same instrument and setting.
///
/// # Errors
/// [`Error::Refused`] where an axis differs from the first.
pub fn same_axis(first: &Spectrum, other: &Spectrum) -> Result<()> {
    let differs = first.axis().kind() != other.axis().kind()
        || first.len() != other.len()
        || (0..first.len())
            .any(|i| (first.x()[i] - other.x()[i]).abs() > SAME_AXIS_STEPS * first.axis().step(i));
    if differs {
        return Err(Error::refused(
            format!("repeatability of {}", first.provenance.name),
            format!("{} has another axis", other.provenance.name),
            "give repeats of one lamp with one instrument and one export setting",
        ));
    }
    Ok(())
}

/// A line of the first recording.
#[derive(Debug, Clone, Copy)]
pub struct Place<'a> {
    /// Name of the lamp feature.
    pub feature: &'a str,
    /// Place, nm.
    pub nm: f64,
    /// Standard uncertainty of the place, nm: its weight in the common movement.
    pub u_nm: f64,
    /// Width of a line there, nm.
    pub fwhm_nm: f64,
}

/// Compares the places of the lines over all recordings, the first among them.
///
/// # Errors
/// [`Error::Refused`] where no line is in all recordings.
pub fn repeatability(lines: &[Place<'_>], peaks: &[&PeakList]) -> Result<Repeatability> {
    let m = peaks.len();
    let find = |list: &PeakList, nm: f64, fwhm: f64| {
        let off = |x: f64| (x - nm).abs();
        let centres = list.peaks.iter().map(|p| p.centre.value);
        centres
            .filter(|x| off(*x) <= SAME_LINE_FWHM * fwhm)
            .min_by(|a, b| off(*a).total_cmp(&off(*b)))
    };
    let rows: Vec<(&Place, Vec<f64>)> = lines
        .iter()
        .filter_map(|p| {
            let found: Option<Vec<f64>> = peaks.iter().map(|l| find(l, p.nm, p.fwhm_nm)).collect();
            Some((p, found?))
        })
        .collect();
    if rows.is_empty() || m < 2 {
        return Err(Error::refused(
            "repeatability",
            "no line of the lamp is in all the recordings",
            "give recordings of one lamp, close up and not clipped",
        ));
    }
    let n = rows.len();
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let spread = |v: &[f64]| {
        v.iter().copied().fold(f64::NEG_INFINITY, f64::max)
            - v.iter().copied().fold(f64::INFINITY, f64::min)
    };
    let squares = |v: &[f64]| {
        let c = mean(v);
        v.iter().map(|x| (x - c).powi(2)).sum::<f64>()
    };
    let out: Vec<LineScatter> = rows
        .iter()
        .map(|(p, v)| LineScatter {
            feature: p.feature.to_string(),
            mean_nm: mean(v),
            sd_nm: (squares(v) / (m - 1) as f64).sqrt(),
            spread_nm: spread(v),
        })
        .collect();
    let dof = n * (m - 1);
    let total: f64 = rows.iter().map(|(_, v)| squares(v)).sum();
    let weight = |p: &Place| p.u_nm.max(LEAST_U_NM).powi(-2);
    let weights: f64 = rows.iter().map(|(p, _)| weight(p)).sum();
    let shifts: Vec<f64> = (0..m)
        .map(|j| rows.iter().map(|(p, v)| weight(p) * (v[j] - mean(v))).sum::<f64>() / weights)
        .collect();
    let common = squares(&shifts);
    let scatter_dof = (n - 1) * (m - 1);
    let rest: f64 = rows
        .iter()
        .flat_map(|(_, v)| v.iter().zip(&shifts).map(|(x, s)| (x - mean(v) - s).powi(2)))
        .sum();
    Ok(Repeatability {
        recordings: m,
        lines: out,
        sd_nm: (total / dof as f64).sqrt(),
        dof,
        shift_sd_nm: (common / (m - 1) as f64).sqrt(),
        shift_spread_nm: spread(&shifts),
        shifts_nm: shifts,
        scatter_nm: (scatter_dof > 0).then(|| (rest / scatter_dof as f64).sqrt()),
        scatter_dof,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::AxisKind;
    use crate::report::made_up::{list, recording};

    /// Three lines in four recordings with known movements and known scatter; the sums of squares
    /// below were worked out by hand.
    #[test]
    fn movement_and_scatter_are_told_apart() {
        let places = [
            [500.00, 600.00, 700.00],
            [500.12, 600.08, 700.10],
            [500.20, 600.20, 700.20],
            [500.28, 600.32, 700.30],
        ];
        let lists: Vec<PeakList> = places
            .iter()
            .map(|p| {
                let lines: Vec<(f64, f64)> = p.iter().map(|c| (*c, 1000.0)).collect();
                list(&recording(AxisKind::Nm, 400.0, 900.0, 500, &lines), &lines)
            })
            .collect();
        let all: Vec<&PeakList> = lists.iter().collect();
        let line = |feature, nm| Place { feature, nm, u_nm: 0.02, fwhm_nm: 1.0 };
        let lines = [line("a", 500.0), line("b", 600.0), line("c", 700.0), line("d", 800.0)];
        let r = repeatability(&lines, &all).unwrap();
        assert_eq!((r.recordings, r.lines.len(), r.dof, r.scatter_dof), (4, 3, 9, 6));
        // Movements −0.15, −0.05, 0.05, 0.15: their squares sum to 0.05.
        for (got, wanted) in r.shifts_nm.iter().zip([-0.15, -0.05, 0.05, 0.15]) {
            assert!((got - wanted).abs() < 1e-9, "{:?}", r.shifts_nm);
        }
        assert!((r.shift_sd_nm - (0.05f64 / 3.0).sqrt()).abs() < 1e-9);
        assert!((r.shift_spread_nm - 0.3).abs() < 1e-9);
        // What is left: four times 0.02², sum 0.0016.
        assert!((r.scatter_nm.unwrap() - (0.0016f64 / 6.0).sqrt()).abs() < 1e-9);
        assert!((r.sd_nm - ((0.15 + 0.0016) / 9.0f64).sqrt()).abs() < 1e-9);
        assert!((r.lines[2].spread_nm - 0.3).abs() < 1e-9);
        assert!(repeatability(&lines[3..], &all).is_err());
    }
}
