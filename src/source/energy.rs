//! Photon energies, and which cathode they may free electrons from through which glass.

use super::emission::{Emission, Shape};
use crate::Measured;
use crate::reference::constants::HC_EV_NM;
use crate::reference::{LightTables, to_vacuum_nm};
use serde::{Deserialize, Serialize};

/// Most that the state of a practical surface moves its work function, eV.
pub const SURFACE_EV: f64 = 0.5;
/// Emissions below this share of the light are not listed with their energy.
const LEAST_SHARE: f64 = 0.02;
/// Said beside the table of cathodes.
pub const SURFACE_MATTERS: &str = "surface condition matters: oxide, adsorbed gas and dirt move a \
     work function by up to 0.5 eV, glass of the same kind differs by 10 nm and more, and the \
     thresholds are those of cold, clean metal";

/// Energy of the photons of one wavelength.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PhotonEnergy {
    /// `peak`, `short edge` or `long edge` (half maximum), `line`.
    pub what: String,
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Photon energy, eV.
    pub ev: Measured,
}

/// Whether light frees electrons.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reach {
    /// The photons have more energy than the highest work function in the tables.
    Enough,
    /// It depends on surface and piece of glass.
    Depends,
    /// They have less than the lowest, by more than a surface makes up for.
    TooLittle,
    /// Nothing of the light passes that glass.
    Blocked,
}

impl Reach {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Reach::Enough => "enough",
            Reach::Depends => "depends",
            Reach::TooLittle => "too little",
            Reach::Blocked => "blocked",
        }
    }
}

/// One cathode material before the recorded light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CathodeReach {
    /// The material.
    pub material: String,
    /// Work function, lowest and highest value, eV.
    pub work_function_ev: [f64; 2],
    /// Threshold wavelengths that belong to them, longest first, nm (vacuum).
    pub threshold_nm: [f64; 2],
    /// Without any glass, then through each envelope in the order of the tables.
    pub through: Vec<(String, Reach)>,
    /// Where the work function is from.
    pub source: String,
}

/// Energy in eV of the photons at a wavelength in nm as axes have it (air above 200 nm).
pub fn photon_energy_ev(nm: f64) -> f64 {
    HC_EV_NM / to_vacuum_nm(nm)
}

/// Threshold wavelength in nm (vacuum) of a work function in eV.
pub fn threshold_nm(work_function_ev: f64) -> f64 {
    HC_EV_NM / work_function_ev
}

/// Energies of peaks and edges of the stronger emissions.
pub(super) fn energies(emissions: &[Emission]) -> Vec<PhotonEnergy> {
    let energy = |what: &str, m: Measured| {
        let ev = photon_energy_ev(m.value);
        PhotonEnergy { what: what.into(), nm: m.value, ev: Measured::new(ev, ev * m.u / m.value) }
    };
    let mut out = Vec::new();
    for e in emissions.iter().filter(|e| !e.ghost && e.share >= LEAST_SHARE) {
        let edge = |nm: f64| Measured::new(nm, e.peak_nm.u);
        if let Some(nm) = e.half_maximum_nm[0] {
            out.push(energy("short edge", edge(nm)));
        }
        out.push(energy(if e.shape == Shape::Line { "line" } else { "peak" }, e.peak_nm));
        if let Some(nm) = e.half_maximum_nm[1] {
            out.push(energy("long edge", edge(nm)));
        }
    }
    out
}

/// What the recorded light may free from each cathode, bare and through each glass.
pub(super) fn cathodes(emissions: &[Emission], tables: &LightTables) -> Vec<CathodeReach> {
    // Stretches that hold light: a line its own place, a band its half-maximum edges.
    let stretches: Vec<[f64; 2]> = emissions
        .iter()
        .filter(|e| !e.ghost && e.share >= LEAST_SHARE)
        .map(|e| match e.shape {
            Shape::Line => [e.peak_nm.value; 2],
            _ => [
                e.half_maximum_nm[0].unwrap_or(e.limits_nm[0]),
                e.half_maximum_nm[1].unwrap_or(e.limits_nm[1]),
            ],
        })
        .collect();
    // Shortest wavelength behind something that passes from `edge` on.
    let shortest = |edge: f64| {
        stretches
            .iter()
            .filter(|s| s[1] >= edge)
            .map(|s| s[0].max(edge))
            .fold(f64::INFINITY, f64::min)
    };
    let reach = |lowest: f64, highest: f64, clear: f64, opaque: f64| {
        let (sure, possible) = (shortest(clear), shortest(opaque));
        if possible.is_infinite() {
            Reach::Blocked
        } else if sure.is_finite() && photon_energy_ev(sure) > highest {
            Reach::Enough
        } else if photon_energy_ev(possible) > lowest - SURFACE_EV {
            Reach::Depends
        } else {
            Reach::TooLittle
        }
    };
    tables
        .cathodes()
        .iter()
        .map(|c| {
            let mut through =
                vec![("no glass".to_string(), reach(c.lowest_ev, c.highest_ev, 0.0, 0.0))];
            through.extend(tables.glasses().iter().map(|g| {
                let r = reach(c.lowest_ev, c.highest_ev, g.clear_above_nm, g.opaque_below_nm);
                (g.material.clone(), r)
            }));
            CathodeReach {
                material: c.material.clone(),
                work_function_ev: [c.lowest_ev, c.highest_ev],
                threshold_nm: [threshold_nm(c.lowest_ev), threshold_nm(c.highest_ev)],
                through,
                source: c.source.clone(),
            }
        })
        .collect()
}
