//! Photon energies, and which cathode they may free electrons from through which glass.

use super::emission::{Emission, Shape};
use super::mercury::{Mercury, RESONANCE_NM};
use crate::Measured;
use crate::reference::constants::HC_EV_NM;
use crate::reference::{LightTables, to_vacuum_nm};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Most that the state of a practical surface moves its work function, eV.
pub const SURFACE_EV: f64 = 0.5;
/// Emissions below this share of the light are not listed with their energy.
const LEAST_SHARE: f64 = 0.02;
/// Air takes shorter light before it reaches anything, nm: the ozone line of mercury at 185 nm is
/// about the last to pass (common practice, no published source).
const AIR_PASSES_FROM_NM: f64 = 185.0;
/// Probability from which a mercury lamp is recognised, so that its resonance line is expected.
const MERCURY_FROM: f64 = 0.9;
/// Said beside the table of cathodes.
pub const SURFACE_MATTERS: &str = "surface condition matters: oxide, adsorbed gas and dirt move a \
     work function by up to 0.5 eV, glass of the same kind differs by 10 nm and more, and the \
     thresholds are those of cold, clean metal";

/// Energy of the photons of one wavelength.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PhotonEnergy {
    /// `peak`, `short edge` or `long edge` (half maximum), `line`.
    pub what: String,
    /// Wavelength, nm (air).
    pub nm: f64,
    /// Photon energy, eV.
    pub ev: Measured,
}

/// Whether light frees electrons.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
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
    /// The recorded light is not enough, but shorter light, of which the recording shows nothing,
    /// might be.
    CannotTell,
}

impl Reach {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Reach::Enough => "enough",
            Reach::Depends => "depends",
            Reach::TooLittle => "too little",
            Reach::Blocked => "blocked",
            Reach::CannotTell => "cannot be told",
        }
    }
}

/// One cathode material before the recorded light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CathodeReach {
    /// The material.
    pub material: String,
    /// Work function, lowest and highest value, eV.
    pub work_function_ev: [f64; 2],
    /// Threshold wavelengths that belong to them, longest first, nm (vacuum).
    pub threshold_nm: [f64; 2],
    /// Without any glass, then through each envelope in the order of the tables.
    pub through: Vec<(String, Reach)>,
    /// What mercury's resonance line at 253.65 nm would do, in the same order: for a mercury lamp
    /// in a recording that begins above it; else empty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub expected_254: Vec<(String, Reach)>,
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
        if !e.rises_to_end {
            out.push(energy(if e.shape == Shape::Line { "line" } else { "peak" }, e.peak_nm));
        }
        if let Some(nm) = e.half_maximum_nm[1] {
            out.push(energy("long edge", edge(nm)));
        }
    }
    out
}

/// What may be freed by light that fills `stretches` (nm) where a cathode of work functions
/// `lowest` to `highest` (eV) stands behind a glass that passes surely from `clear` and possibly
/// from `opaque` on (nm).
fn reach_of(
    stretches: &[[f64; 2]],
    [lowest, highest]: [f64; 2],
    [opaque, clear]: [f64; 2],
) -> Reach {
    // Shortest wavelength behind something that passes from `edge` on.
    let shortest = |edge: f64| {
        stretches
            .iter()
            .filter(|s| s[1] >= edge)
            .map(|s| s[0].max(edge))
            .fold(f64::INFINITY, f64::min)
    };
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
}

/// What the recorded light may free from each cathode, bare and through each glass. Of light below
/// `from_nm`, where the recording begins, nothing is known.
pub(super) fn cathodes(
    emissions: &[Emission],
    mercury: &Mercury,
    from_nm: f64,
    tables: &LightTables,
) -> Vec<CathodeReach> {
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
    let reach = |work: [f64; 2], glass: [f64; 2]| {
        let by_seen = reach_of(&stretches, work, glass);
        // Shorter light that would pass the glass, if there is such.
        let unseen = glass[0].max(AIR_PASSES_FROM_NM);
        let may_be_more = unseen < from_nm && photon_energy_ev(unseen) > work[0] - SURFACE_EV;
        match by_seen {
            Reach::TooLittle | Reach::Blocked if may_be_more => Reach::CannotTell,
            r => r,
        }
    };
    let lamp = mercury.probability >= MERCURY_FROM && from_nm > RESONANCE_NM;
    let no_glass = ("no glass".to_string(), [0.0; 2]);
    let glasses = tables
        .glasses()
        .iter()
        .map(|g| (g.material.clone(), [g.opaque_below_nm, g.clear_above_nm]));
    let envelopes: Vec<(String, [f64; 2])> = [no_glass].into_iter().chain(glasses).collect();
    tables
        .cathodes()
        .iter()
        .map(|c| {
            let work = [c.lowest_ev, c.highest_ev];
            let all = |f: &dyn Fn([f64; 2]) -> Reach| -> Vec<(String, Reach)> {
                envelopes.iter().map(|(name, glass)| (name.clone(), f(*glass))).collect()
            };
            CathodeReach {
                material: c.material.clone(),
                work_function_ev: work,
                threshold_nm: [threshold_nm(c.lowest_ev), threshold_nm(c.highest_ev)],
                through: all(&|glass| reach(work, glass)),
                expected_254: match lamp {
                    true => all(&|glass| reach_of(&[[RESONANCE_NM; 2]], work, glass)),
                    false => Vec::new(),
                },
                source: c.source.clone(),
            }
        })
        .collect()
}
