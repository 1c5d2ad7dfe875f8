//! What a light source emits: its lines, bands and continua, their shares of the spectrum, what sort
//! of source it is, and what its label is worth ([`measure()`]); and the band of a broad emitter such
//! as a light-emitting diode ([`band`]).
//!
//! Terms after the CIE (International Lighting Vocabulary, CIE S 017; CIE 127; definitions from
//! memory): the peak wavelength is that of the maximum of the spectral distribution, the centroid
//! is ∫λS dλ / ∫S dλ, and the width is the distance between the two half-maximum crossings.

mod claim;
mod compare;
mod corrected;
mod curve;
mod doubts;
mod emission;
mod energy;
mod hazard;
mod judge;
mod kind;
mod measure;
mod mercury;
mod net;
mod region;
mod response;
mod smooth;
mod thermal;

pub use claim::{Claim, USUAL_TOLERANCE_NM};
pub use compare::{Compared, Comparison, INVERSE_SQUARE, Ratio, compare};
pub use corrected::LEAST_RESPONSE;
pub use emission::{Emission, Shape};
pub use energy::{
    CathodeReach, PhotonEnergy, Reach, SURFACE_EV, SURFACE_MATTERS, photon_energy_ev, threshold_nm,
};
pub use hazard::{Hazard, RELATIVE_ONLY, STRAY_BEWARE};
pub use judge::{ClaimResult, Outcome};
pub use kind::{KindReport, SourceKind};
pub use measure::{
    FACTORY_AXIS_U_NM, ResponseKnown, SourceReport, SourceSettings, check_claims, measure,
};
pub use mercury::{Companion, Mercury, mercury_in};
pub use region::{Region, RegionShare};
pub use response::{COLOUR_TEMPERATURES_K, LAMP_FROM_NM, Response, lamp_response_u};
pub use thermal::{Colour, Thermal, planck};

use crate::{AxisKind, Error, Measured, Result, Spectrum};
use curve::Curve;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Fewest usable points from which a band is measured.
const LEAST_POINTS: usize = 20;

/// The band of a source, in CIE terms. Wavelengths are in nm on the recording's own axis; where
/// that axis was calibrated, its uncertainty is contained in those of the places.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Band {
    /// Peak wavelength: highest point of the lightly smoothed curve, nm.
    pub highest_nm: Measured,
    /// Maximum of a low polynomial through the top of the band, nm; for a symmetric band more
    /// precise than the highest point. `None` where the top has too few points, no maximum, or is
    /// clipped.
    pub fitted_nm: Option<Measured>,
    /// Centroid over the band between `limits_nm`, nm.
    pub centroid_nm: Measured,
    /// Full width at half maximum, nm; `None` where a half-maximum crossing is not on the
    /// recording or the top is clipped.
    pub fwhm_nm: Option<Measured>,
    /// Half-maximum crossings below and above the peak, nm.
    pub half_maximum_nm: [Option<Measured>; 2],
    /// Height above the baseline, unit of the counts; a lower bound where `clipped`.
    pub height: Measured,
    /// Level on which the band stands, unit of the counts.
    pub baseline: Measured,
    /// Where the band ends (2 % of its height, the scatter, or the end of the recording), nm.
    pub limits_nm: [f64; 2],
    /// True where saturated points lie at the top.
    pub clipped: bool,
    /// Standard uncertainty of the axis at the peak, nm, where the axis was calibrated.
    pub axis_u_nm: Option<f64>,
    /// What was left out and what to beware of, one sentence each.
    pub notes: Vec<String>,
}

/// Measures the band that holds the highest point of a recording.
///
/// Points that stand alone above their neighbours (hot pixels) do not count, and the curve is
/// smoothed just so far that scatter does not choose the highest point.
///
/// # Errors
/// [`Error::Refused`] where the axis is in pixels, where fewer than 20 points are usable, or
/// where nothing stands out of the scatter.
///
/// ```
/// use glowtell::{Axis, AxisKind, Spectrum, source};
/// let nm: Vec<f64> = (0..200).map(|i| 330.0 + 0.4 * f64::from(i)).collect();
/// let led = |x: &f64| 900.0 * (-((x - 367.0) / 6.0).powi(2)).exp();
/// let counts = nm.iter().map(led).collect();
/// let spectrum = Spectrum::new(Axis::new(AxisKind::Nm, nm)?, counts)?;
/// let band = source::band(&spectrum)?;
/// assert!((band.highest_nm.value - 367.0).abs() < 0.01);
/// # Ok::<(), glowtell::Error>(())
/// ```
pub fn band(spectrum: &Spectrum) -> Result<Band> {
    let name = match spectrum.provenance.name.as_str() {
        "" => "the recording",
        name => name,
    };
    let refused = |why: String, remedy: String| {
        Error::refused(format!("measuring the band of {name}"), why, remedy)
    };
    if spectrum.axis().kind() != AxisKind::Nm {
        return Err(refused(
            "the axis is in pixels".into(),
            "calibrate the instrument and give its profile".into(),
        ));
    }
    let (curve, lone) = Curve::new(spectrum, |_| false);
    if curve.len() < LEAST_POINTS {
        return Err(refused(
            format!("{} usable points are too few", curve.len()),
            format!("record at least {LEAST_POINTS} points"),
        ));
    }
    let Some(mut band) = curve.measure() else {
        return Err(refused(
            "nothing stands clearly above the scatter".into(),
            "record longer or closer to the source".into(),
        ));
    };
    if lone > 0 {
        band.notes.push(format!(
            "points that stand alone above their neighbours, taken for hot pixels: {lone} (a line \
             that is narrower than two points looks the same)"
        ));
    }
    if let Some(u) = spectrum.axis_u_at(band.highest_nm.value) {
        band.axis_u_nm = Some(u);
        let places = [Some(&mut band.highest_nm), band.fitted_nm.as_mut()];
        for place in places.into_iter().flatten().chain([&mut band.centroid_nm]) {
            place.u = place.u.hypot(u);
        }
    }
    let width = band.fwhm_nm.map_or(0.0, |w| w.value);
    let pull = if width <= PULLED_NM { response_pull_nm(width) } else { 0.0 };
    if pull > band.highest_nm.u {
        band.notes.push(format!(
            "the detector's response is not corrected: where it doubles within \
             {RESPONSE_DOUBLES_NM} nm, as silicon does near 400 nm, a band this wide peaks some \
             {pull:.1} nm too far to that side, which the uncertainties do not cover"
        ));
    }
    Ok(band)
}

/// Distance in nm within which the response of bare silicon doubles at the violet end (common
/// practice, no published source).
const RESPONSE_DOUBLES_NM: f64 = 40.0;

/// Broadest band that the estimate of the pull means anything for, nm: over more, the response does
/// not go on doubling.
const PULLED_NM: f64 = 60.0;

/// How far the response pulls the peak of a Gaussian band of the given FWHM, nm: a response
/// exp(kλ) moves it by k σ² exactly (completing the square), here with k = ln 2 over
/// [`RESPONSE_DOUBLES_NM`].
fn response_pull_nm(fwhm_nm: f64) -> f64 {
    let sigma2 = fwhm_nm * fwhm_nm / (8.0 * std::f64::consts::LN_2);
    sigma2 * std::f64::consts::LN_2 / RESPONSE_DOUBLES_NM
}

#[cfg(test)]
mod measure_tests;
#[cfg(test)]
mod tests;
