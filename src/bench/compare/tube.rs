//! One tube made ready for comparison.

use super::stats::median;
use crate::bench::Examination;
use crate::gases::{GasReport, Verdict};
use crate::signal::Readings;
use crate::{AxisKind, Error, Measured, Result};

/// A line may carry this share of another's light at most, so that its height is its own.
const ALONE_SHARE: f64 = 0.1;
/// Distance in line widths from which two lines are apart.
const ALONE_FWHM: f64 = 1.5;

/// Lines of a gas that decide whether another tube shows it: a few, so that no single one does.
const MOST_OWN_LINES: usize = 5;

/// A line that can be held against another tube's.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Place with the common shift of its axis taken off, nm.
    pub nm: f64,
    /// Its standard uncertainty, nm.
    pub u_nm: f64,
    /// Logarithm of its light: height times width.
    pub ln: f64,
    /// Standard uncertainty of that.
    pub u_ln: f64,
    /// Gas that it is taken for, and whether by a neutral atom or molecule; `None` for one that nobody claims.
    pub gas: Option<(String, bool)>,
    /// Distance to the nearest other line that is not much fainter, nm.
    pub room_nm: f64,
}

/// A tube as it enters a comparison.
#[derive(Debug)]
pub struct Tube<'a> {
    /// What it is called.
    pub name: &'a str,
    /// Its examination.
    pub found: &'a Examination,
    /// Its gases.
    pub gases: &'a GasReport,
    /// Lines whose height is known, ascending.
    pub lines: Vec<Line>,
    /// Heights at places that are told.
    pub readings: Readings<'a>,
    /// Standard uncertainty of the axis after the common shift, nm.
    pub axis_u_nm: f64,
}

impl<'a> Tube<'a> {
    /// # Errors
    /// [`Error::Refused`] for a recording whose gases were not looked for, as on an axis in pixels.
    pub fn new(name: &'a str, found: &'a Examination) -> Result<Self> {
        let nm = found.spectrum.axis().kind() == AxisKind::Nm;
        let Some(gases) = found.gases.as_ref().filter(|_| nm) else {
            return Err(Error::refused(
                format!("comparison of {name}"),
                "its axis counts pixels, so that no line has a wavelength",
                "make a profile with `glowtell calibrate LAMP` and give it with --profile",
            ));
        };
        let shift = gases.shift_nm;
        let peaks = &found.peaks.peaks;
        let lines = peaks
            .iter()
            .enumerate()
            .filter_map(|(i, p)| {
                let h = p.height.filter(|h| h.value > 0.0 && h.u > 0.0)?;
                let area = p.area.filter(|a| a.value > 0.0)?;
                let claimed = gases.assignments.iter().find(|a| a.peak == i)?;
                if gases.ghosts.iter().any(|g| g.peak == i) {
                    return None;
                }
                let room_nm = peaks
                    .iter()
                    .enumerate()
                    .filter(|(k, q)| *k != i && q.height_or(f64::INFINITY) > ALONE_SHARE * h.value)
                    .map(|(_, q)| (q.centre.value - p.centre.value).abs())
                    .fold(f64::INFINITY, f64::min);
                let gas = claimed.candidates.first().and_then(|(species, _)| {
                    let s = gases.species.iter().find(|s| s.species == *species)?;
                    Some((s.gas.clone(), !species.ends_with(" II")))
                });
                Some(Line {
                    nm: p.centre.value + shift.value,
                    u_nm: p.centre.u,
                    ln: area.value.ln(),
                    // The height is what is measured best; the width is the instrument's.
                    u_ln: h.u / h.value,
                    gas,
                    room_nm,
                })
            })
            .collect();
        let readings = Readings::new(&found.spectrum, &found.peaks);
        Ok(Tube { name, found, gases, lines, readings, axis_u_nm: shift.u.min(gases.axis_u_nm) })
    }

    /// Width of a line in the middle of what was recorded, nm.
    pub fn fwhm_nm(&self) -> f64 {
        let (a, b) = self.found.spectrum.axis().range();
        self.found.peaks.line_width.map_or(self.gases.fwhm_nm, |w| w.fwhm(0.5 * (a + b)))
    }

    /// Whether a line stands clear of its neighbours at a line width.
    pub fn is_alone(line: &Line, fwhm_nm: f64) -> bool {
        line.room_nm > ALONE_FWHM * fwhm_nm
    }

    /// Verdict and probability of a gas; `None` where it was not asked about.
    pub fn verdict(&self, gas: &str) -> Option<(Verdict, f64)> {
        self.gases.gases.iter().find(|g| g.gas == gas).map(|g| (g.verdict, g.probability))
    }

    /// Lines of a gas that are nobody else's, the strongest few: place, nm, and height.
    pub fn own_lines(&self, gas: &str) -> Vec<(f64, Measured)> {
        let of_gas = self.gases.species.iter().filter(|s| s.gas == gas);
        let mut lines: Vec<(f64, Measured)> = of_gas
            .flat_map(|s| &s.lines_for)
            .filter(|l| l.shared_with.is_empty())
            .filter_map(|l| {
                let p = &self.found.peaks.peaks[l.peak?];
                Some((p.centre.value + self.gases.shift_nm.value, p.height?))
            })
            .collect();
        lines.sort_by(|a, b| b.1.value.total_cmp(&a.1.value));
        lines.truncate(MOST_OWN_LINES);
        lines
    }

    /// Height that is read at a wavelength, whether a line was found there or not.
    pub fn reading(&self, nm: f64) -> Option<Measured> {
        let at = nm - self.gases.shift_nm.value;
        let fwhm = self.found.peaks.line_width.map_or(self.gases.fwhm_nm, |w| w.fwhm(at));
        self.readings.height(at, fwhm)
    }
}

/// Lines of two tubes that lie in the same place, as pairs of indices, and what is common to their distances
/// (second minus first), nm.
pub fn matched(a: &Tube<'_>, b: &Tube<'_>) -> (Vec<(usize, usize)>, f64) {
    /// Lines nearer than so many standard uncertainties are the same.
    const SAME_SIGMA: f64 = 3.0;
    /// … and no further apart than this share of the broader line.
    const SAME_FWHM: f64 = 0.5;
    let fwhm = a.fwhm_nm().max(b.fwhm_nm());
    let clear = |t: &Tube<'_>| -> Vec<usize> {
        (0..t.lines.len()).filter(|i| Tube::is_alone(&t.lines[*i], fwhm)).collect()
    };
    let (of_a, of_b) = (clear(a), clear(b));
    let mut shift = 0.0;
    let mut pairs = Vec::new();
    for round in 0..2 {
        pairs = of_a
            .iter()
            .filter_map(|i| {
                let here = &a.lines[*i];
                let off = |k: usize| (b.lines[k].nm - shift - here.nm).abs();
                let k = of_b.iter().copied().min_by(|p, q| off(*p).total_cmp(&off(*q)))?;
                let u = here.u_nm.hypot(b.lines[k].u_nm);
                let axes = if round == 0 { a.axis_u_nm.hypot(b.axis_u_nm) } else { 0.0 };
                let reach = (SAME_SIGMA * u.hypot(axes)).max(0.1 * fwhm).min(SAME_FWHM * fwhm);
                (off(k) < reach).then_some((*i, k))
            })
            .collect();
        // No line is taken twice: the nearer one keeps it.
        pairs.sort_by_key(|p: &(usize, usize)| p.1);
        pairs.dedup_by_key(|p| p.1);
        pairs.sort_unstable();
        let off: Vec<f64> = pairs.iter().map(|(i, k)| b.lines[*k].nm - a.lines[*i].nm).collect();
        if off.is_empty() {
            break;
        }
        shift = median(&off);
    }
    (pairs, shift)
}
