//! Points of an exchange file become a [`Spectrum`]: the same checks for every format.

use super::build::{MIN_POINTS, sha256};
use super::too_many_points;
use crate::reference::constants::HC_EV_NM;
use crate::reference::vacuum_to_air_nm;
use crate::{Axis, AxisKind, Error, Mask, Result, Spectrum};
use std::path::Path;

/// Wavelengths up to here are given in vacuum, nm (convention of the line tables).
const VACUUM_BELOW_NM: f64 = 200.0;

/// Speed of light in nm/s (exact, SI).
const LIGHT_NM_S: f64 = 299_792_458e9;
/// 1/cm times this is the reciprocal of nm.
const NM_PER_CM: f64 = 1e7;

/// What the numbers of an axis are in the file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Quantity {
    Pixel,
    /// Wavelength, medium not told; factor to nm.
    Length(f64),
    /// Wavelength in air; factor to nm.
    AirLength(f64),
    /// Wavelength in vacuum; factor to nm.
    VacuumLength(f64),
    /// Wavenumber in vacuum; factor to 1/cm.
    Wavenumber(f64),
    /// Frequency; factor to Hz.
    Frequency(f64),
    /// Photon energy; factor to eV.
    Energy(f64),
}

impl Quantity {
    /// Turns file values into those of an [`Axis`], with a sentence where anything was done or
    /// taken for granted. Standard uncertainties come along where the quantity is a length.
    pub fn convert(self, x: &mut [f64], u: &mut Vec<f64>, notes: &mut Vec<String>) -> AxisKind {
        let to_vacuum: (Box<dyn Fn(f64) -> f64>, &str) = match self {
            Quantity::Pixel => return AxisKind::Pixel,
            Quantity::Length(f) | Quantity::AirLength(f) => {
                x.iter_mut().chain(u.iter_mut()).for_each(|v| *v *= f);
                if self == Quantity::Length(f) {
                    notes.push(
                        "The file does not say whether its wavelengths are those in air or in \
                         vacuum: taken as in air."
                            .into(),
                    );
                } else if x.iter().any(|v| *v > 0.0 && *v < VACUUM_BELOW_NM) {
                    // Two scales on one axis would leap at 200 nm by more than many axes step.
                    notes.push(format!(
                        "The file's wavelengths are in air; below {VACUUM_BELOW_NM} nm they are taken as in \
                         vacuum, as those of the tables are (there the two differ by some 0.07 nm)."
                    ));
                }
                return AxisKind::Nm;
            }
            Quantity::VacuumLength(f) => {
                u.iter_mut().for_each(|v| *v *= f);
                (Box::new(move |v| v * f), "Wavelengths in vacuum were")
            }
            Quantity::Wavenumber(f) => {
                u.clear();
                (Box::new(move |v| NM_PER_CM / (v * f)), "Wavenumbers in 1/cm were")
            }
            Quantity::Frequency(f) => {
                u.clear();
                (Box::new(move |v| LIGHT_NM_S / (v * f)), "Frequencies were")
            }
            Quantity::Energy(f) => {
                u.clear();
                (Box::new(move |v| HC_EV_NM / (v * f)), "Photon energies were")
            }
        };
        for v in x.iter_mut() {
            let vacuum = (to_vacuum.0)(*v);
            let air = vacuum_to_air_nm(vacuum);
            *v = if vacuum.is_finite() && air >= VACUUM_BELOW_NM { air } else { vacuum };
        }
        notes.push(format!(
            "{} turned into wavelengths in standard air (in vacuum below {VACUUM_BELOW_NM} nm).",
            to_vacuum.1
        ));
        AxisKind::Nm
    }
}

/// What an exchange file holds, in file order.
pub(super) struct Points {
    pub x: Vec<f64>,
    /// Counts, NaN where there is none.
    pub y: Vec<f64>,
    /// Standard uncertainty of each count; empty without.
    pub sigma: Vec<f64>,
    /// Standard uncertainty of each axis value; empty without.
    pub axis_u: Vec<f64>,
    /// Flags of each point; empty without.
    pub mask: Vec<Mask>,
    pub quantity: Quantity,
    pub unit: Option<String>,
    pub metadata: Vec<(String, String)>,
    pub notes: Vec<String>,
}

impl Points {
    pub fn new(x: Vec<f64>, y: Vec<f64>, quantity: Quantity) -> Self {
        Points {
            x,
            y,
            sigma: Vec::new(),
            axis_u: Vec::new(),
            mask: Vec::new(),
            quantity,
            unit: None,
            metadata: Vec::new(),
            notes: Vec::new(),
        }
    }

    /// Checks and turns round what has to be; `bytes` are those of the whole file.
    pub fn spectrum(mut self, bytes: &[u8], path: &Path, max_points: usize) -> Result<Spectrum> {
        let bad = |what: String, remedy: &str| Err(Error::input(path, None, what, remedy));
        let n = self.x.len();
        if n > max_points {
            let settings = super::ImportSettings { max_points, ..super::ImportSettings::default() };
            return Err(too_many_points(path, None, &settings));
        }
        if n < MIN_POINTS {
            return bad(
                format!("there are only {n} data points, and at least {MIN_POINTS} are needed"),
                "export the whole spectrum",
            );
        }
        let mut real = self.y.iter().filter(|c| c.is_finite());
        match real.next() {
            None => {
                return bad(
                    "no point has a count (all are blank or nan)".into(),
                    "export the spectrum again",
                );
            }
            Some(first) if real.all(|c| c == first) => {
                return bad(
                    format!("all counts are the same value, {first} (saturated, or no signal)"),
                    "record the spectrum again",
                );
            }
            Some(_) => {}
        }
        let mut notes = Vec::new();
        let kind = self.quantity.convert(&mut self.x, &mut self.axis_u, &mut notes);
        self.notes.append(&mut notes);
        if let Some(i) = self.x.iter().position(|v| !v.is_finite()) {
            return bad(
                format!("the axis value of point {} is no finite number", i + 1),
                "export the spectrum again",
            );
        }
        if kind == AxisKind::Nm
            && let Some(v) = self.x.iter().find(|v| **v <= 0.0)
        {
            return bad(
                format!("the axis is wavelength, but one of its values is {v} nm"),
                "cut off what is not wavelength",
            );
        }
        let reversed = self.x.last() < self.x.first();
        if reversed {
            self.x.reverse();
            self.y.reverse();
            self.sigma.reverse();
            self.axis_u.reverse();
            self.mask.reverse();
            self.notes.push("The axis ran from high to low and was turned round.".into());
        }
        if let Some(i) = self.x.windows(2).position(|w| w[1] <= w[0]) {
            return bad(
                format!(
                    "the axis does not go on from {} to {} ({} values)",
                    self.x[i],
                    self.x[i + 1],
                    n
                ),
                "export one spectrum with an axis that only rises or only falls",
            );
        }
        let dead = self.y.iter().filter(|c| !c.is_finite()).count();
        if dead > 0 {
            self.notes.push(format!("{dead} of {n} points have no count and are left out."));
        }
        let mut s = Spectrum::new(Axis::new(kind, self.x)?, self.y)?;
        let fits = |v: &Vec<f64>| v.len() == n && v.iter().all(|u| u.is_finite() && *u >= 0.0);
        if !self.sigma.is_empty() {
            match fits(&self.sigma) {
                true => s = s.with_sigma(self.sigma)?,
                false => self.notes.push(
                    "The uncertainties of the counts do not fit the points and were not used."
                        .into(),
                ),
            }
        }
        if !self.axis_u.is_empty() {
            match fits(&self.axis_u) {
                true => s = s.with_axis_u(self.axis_u)?,
                false => self.notes.push(
                    "The uncertainties of the axis do not fit the points and were not used.".into(),
                ),
            }
        }
        for (i, m) in self.mask.iter().enumerate().take(n) {
            s.flag(i, *m);
        }
        if let Some(unit) = self.unit {
            s.unit = unit;
        }
        let p = &mut s.provenance;
        p.name = path.file_stem().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        p.path = Some(path.to_path_buf());
        p.sha256 = Some(sha256(bytes));
        p.metadata = self.metadata;
        p.notes = self.notes;
        p.reversed = reversed;
        Ok(s)
    }
}

/// Digits of flags in exchange files: the sum of 1 saturated, 2 dead, 4 outside.
pub(crate) fn mask_of(digit: u32) -> Mask {
    let mut m = Mask::GOOD;
    for (bit, flag) in [(1, Mask::SATURATED), (2, Mask::DEAD), (4, Mask::OUTSIDE)] {
        if digit & bit != 0 {
            m.set(flag);
        }
    }
    m
}
