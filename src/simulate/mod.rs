//! A tube or lamp seen through a described instrument: demo data, tests, calibration of
//! confidence.
//!
//! [`Scene`] says what light there is, [`Instrument`] what it is seen through, and [`record`]
//! makes the recording that would result. Nothing here knows how recordings are evaluated, so
//! that it can serve as judge of those rooms.
//!
//! **One unit of light.** A line of strength 1 sends [`Scene::exposure_electrons`] electrons into
//! all its pixels together where the response is 1. Humps and lines are given by their whole
//! light, continua by their light in each nm.
//!
//! **Same bytes everywhere.** Random numbers come from ChaCha8 with a seed; all functions beyond
//! the four operations and the square root come from `libm`, not from the machine, and texts are
//! rounded to fixed decimals.

mod chance;
mod dispersion;
mod draw;
mod export;
mod instrument;
mod lamp;
mod light;
pub mod recipe;
mod scene;

pub use dispersion::{Dispersion, Grating, Polynomial};
pub use export::{Habit, Header, Separator, export_text};
pub use instrument::{Detector, FactoryError, Fringes, HotPixel, Instrument, LineShape, Response};
pub use scene::{Continuum, Glass, Glow, Hump, Lamp, Scene, SingleLine, Weights};

use crate::reference::Tables;
use crate::{Axis, AxisKind, Result, Spectrum};

/// Wavelength of the middle of each pixel as it truly is, nm (air), in the order of the pixels
/// (descending where the instrument is built the other way round).
pub fn truth_axis(instrument: &Instrument) -> Vec<f64> {
    (0..instrument.pixels)
        .map(|p| instrument.dispersion.wavelength_nm(p as f64, instrument.pixels))
        .collect()
}

/// Wavelength that the instrument's software believes each pixel to have, nm, in the order of the
/// pixels: [`truth_axis`] plus [`FactoryError`].
pub fn factory_axis(instrument: &Instrument) -> Vec<f64> {
    let last = instrument.pixels.saturating_sub(1).max(1) as f64;
    truth_axis(instrument)
        .iter()
        .enumerate()
        .map(|(p, nm)| nm + instrument.factory_error.at(2.0 * p as f64 / last - 1.0))
        .collect()
}

/// The recording of a scene.
///
/// The axis is the one that the instrument exports ([`Instrument::axis`]): pixel numbers, or the
/// factory's nm values with their error. Points are never flagged as saturated: finding that out
/// is the reader's work. Same arguments, same recording.
///
/// # Errors
/// [`crate::Error::Usage`] where the instrument or the scene has a value that makes no sense, or
/// names a species that the tables do not hold (with the names that come near).
pub fn record(
    instrument: &Instrument,
    scene: &Scene,
    tables: &Tables,
    seed: u64,
) -> Result<Spectrum> {
    record_from(instrument, scene, tables.species(), tables.lamp(), seed)
}

/// [`record`] with the tables' parts as slices.
fn record_from(
    instrument: &Instrument,
    scene: &Scene,
    species: &[crate::reference::Species],
    lamp: &[crate::reference::LampFeature],
    seed: u64,
) -> Result<Spectrum> {
    instrument.check()?;
    scene.check()?;
    let light = light::gather(instrument, scene, species, lamp, scene.tube_seed.unwrap_or(seed))?;
    let electrons = draw::electrons(instrument, scene, &light);
    let counts = draw::counts(instrument, scene.averages, &electrons, seed);
    let mut spectrum = match instrument.axis {
        AxisKind::Pixel => Spectrum::new(Axis::pixels(instrument.pixels), counts)?,
        AxisKind::Nm => {
            let (mut nm, mut counts) = (factory_axis(instrument), counts);
            let reversed = nm.first() > nm.last();
            if reversed {
                nm.reverse();
                counts.reverse();
            }
            let mut s = Spectrum::new(Axis::new(AxisKind::Nm, nm)?, counts)?;
            s.provenance.reversed = reversed;
            s
        }
    };
    spectrum.provenance.name = "simulated recording".into();
    spectrum.provenance.notes.push(format!("simulated with seed {seed}, not measured"));
    Ok(spectrum)
}

#[cfg(test)]
mod tests;
