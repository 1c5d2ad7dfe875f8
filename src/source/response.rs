//! The instrument's response: what of the light at each wavelength it turns into counts.

use super::net::Net;
use super::smooth::{LocalFit, window};
use super::thermal::planck;
use crate::reference::constants::{BOLTZMANN_EV_PER_K, HC_EV_NM};
use crate::signal::PeakList;
use crate::{AxisKind, Error, Mask, Measured, Result, Spectrum};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Shortest wavelength at which an incandescent lamp tells the response, nm: below, it gives so
/// little light that the array's own stray light is more.
pub const LAMP_FROM_NM: f64 = 380.0;
/// Share of the highest count below which stray light decides, not the lamp.
const LEAST_COUNTS: f64 = 0.01;
/// Counts of a lamp that are used stand this many standard uncertainties above the dark level.
const LEAST_SIGMAS: f64 = 20.0;
/// Shortest stretch that makes a curve, nm.
const LEAST_SPAN_NM: f64 = 100.0;
/// Half of the stretch over which the curve is smoothed, nm.
const SMOOTH_NM: f64 = 6.0;
/// Relative standard uncertainty by the lamp's not being a black body: colour temperature fits the
/// visible part within a few per cent (common practice, no published source; no table of the
/// emissivity of tungsten is used).
const NOT_BLACK: f64 = 0.03;
/// The same for each 100 nm beyond [`NOT_BLACK_FROM_NM`], where tungsten gives less than the black
/// body of its colour temperature.
const NOT_BLACK_PER_100_NM: f64 = 0.04;
/// Where that begins, nm.
const NOT_BLACK_FROM_NM: f64 = 750.0;
/// Colour temperatures that are accepted, K: from a glowing wire to a photoflood lamp.
pub const COLOUR_TEMPERATURES_K: [f64; 2] = [1500.0, 3500.0];

/// A response curve; its largest value is 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Response {
    /// Places, nm (air), ascending.
    pub nm: Vec<f64>,
    /// Relative response at each.
    pub values: Vec<f64>,
    /// Where it is from, in words.
    pub origin: String,
    /// What to beware of, one sentence each.
    pub notes: Vec<String>,
}

impl Response {
    /// A curve from a table that was read like a recording: wavelength in nm, relative response.
    ///
    /// # Errors
    /// [`Error::Refused`] where the axis is in pixels, with fewer than two usable points, and where
    /// a value is below 0 or none is above it.
    pub fn from_table(table: &Spectrum) -> Result<Self> {
        let name = match &table.provenance.path {
            Some(p) => p.display().to_string(),
            None => table.provenance.name.clone(),
        };
        let refused = |why: String| {
            Error::refused(
                format!("the response curve {name}"),
                why,
                "give a table of wavelength in nm and relative response",
            )
        };
        if table.axis().kind() != AxisKind::Nm {
            return Err(refused("its axis is in pixels".into()));
        }
        let good = |i: &usize| !table.mask()[*i].has(Mask::DEAD);
        let kept: Vec<usize> = (0..table.len()).filter(good).collect();
        let nm: Vec<f64> = kept.iter().map(|i| table.x()[*i]).collect();
        let raw: Vec<f64> = kept.iter().map(|i| table.counts()[*i]).collect();
        if let Some(i) = raw.iter().position(|v| *v < 0.0) {
            return Err(refused(format!("it is negative ({}) at {} nm", raw[i], nm[i])));
        }
        let most = raw.iter().copied().fold(0.0, f64::max);
        if nm.len() < 2 || most <= 0.0 {
            return Err(refused("it has fewer than two points, or nothing but zeros".into()));
        }
        let values = raw.iter().map(|v| v / most).collect();
        Ok(Response { nm, values, origin: format!("from {name}"), notes: Vec::new() })
    }

    /// Makes the curve from a recording of an incandescent lamp of the given colour temperature in
    /// K: counts above the dark level over Planck's law.
    ///
    /// No use below [`LAMP_FROM_NM`]. The emissivity of tungsten is not modelled: the colour
    /// temperature takes care of it in the visible, to a few per cent, and in the near infrared the
    /// curve comes out too low by some 10 %.
    ///
    /// # Errors
    /// [`Error::Usage`] for a temperature no such lamp has; [`Error::Refused`] where the axis is in
    /// pixels, the recording is clipped, or too little of it stands above the dark level.
    pub fn from_lamp(
        lamp: &Spectrum,
        peaks: &PeakList,
        colour_temperature_k: Measured,
    ) -> Result<Self> {
        let t = colour_temperature_k.value;
        let [low, high] = COLOUR_TEMPERATURES_K;
        if !(low..=high).contains(&t) {
            return Err(Error::usage(
                format!("a colour temperature of {t} K is none of an incandescent lamp"),
                format!("give one from {low} to {high} K"),
            ));
        }
        let refused = |why: &str, remedy: &str| {
            Error::refused(format!("a response curve from {}", lamp.provenance.name), why, remedy)
        };
        if lamp.axis().kind() != AxisKind::Nm {
            return Err(refused("its axis is in pixels", "give the instrument's --profile"));
        }
        let few =
            || refused("too little of it stands above the dark level", "record longer or closer");
        let net = Net::new(lamp, peaks).ok_or_else(few)?;
        if net.clipped > 0 || peaks.saturation.is_some() {
            return Err(refused("it is clipped", "record it with a shorter exposure"));
        }
        let highest = net.highest();
        let mut nm = Vec::new();
        let mut raw = Vec::new();
        for i in 0..net.x.len() {
            let (from, to) = window(&net.x, i, SMOOTH_NM, 2);
            let (x, y) = (&net.x[from..to], &net.smooth[from..to]);
            let Some(fit) = LocalFit::new(x, y, net.x[i], 2) else { continue };
            let noise = net.level_u[i].max(net.sigma[i] / (x.len() as f64).sqrt());
            let enough = (LEAST_COUNTS * highest).max(LEAST_SIGMAS * noise);
            if net.x[i] >= LAMP_FROM_NM && fit.value() > enough {
                nm.push(net.x[i]);
                raw.push(fit.value() / planck(net.x[i], t));
            }
        }
        let most = raw.iter().copied().fold(0.0, f64::max);
        let span = nm.last().zip(nm.first()).map_or(0.0, |(b, a)| b - a);
        if nm.len() < super::LEAST_POINTS
            || span < LEAST_SPAN_NM
            || !(most > 0.0 && most.is_finite())
        {
            return Err(few());
        }
        let mut notes = vec![format!(
            "no use below {LAMP_FROM_NM} nm: an incandescent lamp gives too little light there, so \
             ultraviolet stays uncorrected; the emissivity of tungsten is not modelled"
        )];
        if !net.dark_seen {
            notes.push(
                "no part of the lamp's recording is dark: its dark level was guessed from its \
                 lowest light"
                    .into(),
            );
        }
        if net.range()[1] > NOT_BLACK_FROM_NM {
            notes.push(format!(
                "beyond {NOT_BLACK_FROM_NM} nm the curve is uncertain by 4 % for each 100 nm"
            ));
        }
        Ok(Response {
            nm,
            values: raw.iter().map(|v| v / most).collect(),
            origin: format!(
                "made from {}, taken for a black body of {t:.0} K",
                lamp.provenance.name
            ),
            notes,
        })
    }

    /// Response at a wavelength in nm, linear between the points; `None` beyond them.
    pub fn at(&self, nm: f64) -> Option<f64> {
        let k = self.nm.partition_point(|x| *x <= nm);
        match (k.checked_sub(1).and_then(|i| self.nm.get(i)), self.nm.get(k)) {
            (Some(a), Some(b)) => {
                let t = (nm - a) / (b - a);
                Some(self.values[k - 1] + t * (self.values[k] - self.values[k - 1]))
            }
            (Some(a), None) if *a == nm => self.values.last().copied(),
            _ => None,
        }
    }
}

/// Relative standard uncertainty of a response made from a lamp, at a wavelength in nm, beside
/// that at the wavelength `from_nm`, for a colour temperature with its uncertainty:
/// `c₂/T² · |1/λ − 1/λ₀| · u(T)` by Wien's form of Planck's law, and the lamp's not being black.
pub fn lamp_response_u(nm: f64, from_nm: f64, colour_temperature_k: Measured) -> f64 {
    let c2 = HC_EV_NM / BOLTZMANN_EV_PER_K;
    let t = colour_temperature_k.value;
    let by_t = c2 / (t * t) * (1.0 / nm - 1.0 / from_nm).abs() * colour_temperature_k.u;
    let beyond = (nm - NOT_BLACK_FROM_NM).max(0.0) / 100.0;
    by_t.hypot(NOT_BLACK).hypot(NOT_BLACK_PER_100_NM * beyond)
}
