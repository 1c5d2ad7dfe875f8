//! Setting the wavelength axis by a lamp whose lines are known.

mod fit;
mod pattern;
mod profile;
mod search;
mod solve;
mod verify;

pub use fit::{AxisFit, Point, fit as fit_axis};
pub use profile::{Anchor, AxisModel, LeftOut, Profile};
pub use solve::calibrate;
pub use verify::{
    Check, Claim, Drift, ErrorSeries, InstrumentSheet, LineError, LineScatter, Reading,
    Repeatability, Resolution, SecondOrder, Stretch, Support, Tolerance, Top, Verification,
    VerifySettings, WidthPoint, mend, verify,
};

use serde::{Deserialize, Serialize};

/// What lamp the pattern belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Lamp {
    /// Mercury lines with the peaks of rare-earth phosphors.
    Fluorescent,
    /// Mercury lines without phosphor.
    Mercury,
}

/// Choices for [`calibrate`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct CalibrateSettings {
    /// Largest error of an nm axis that is looked for, nm.
    pub search_nm: f64,
    /// Name of the instrument, for the profile.
    pub instrument: String,
}

impl Default for CalibrateSettings {
    fn default() -> Self {
        CalibrateSettings { search_nm: 6.0, instrument: "unnamed spectrometer".into() }
    }
}
