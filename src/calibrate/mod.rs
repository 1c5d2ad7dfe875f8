//! Setting the wavelength axis by a lamp whose lines are known.

mod anchors;
#[cfg(test)]
mod axis_tests;
mod bayes;
#[cfg(test)]
mod certified;
mod climb;
mod ends;
mod fit;
mod grating;
mod images;
mod lamp;
mod marks;
mod merge;
mod models;
mod octaves;
mod pattern;
mod poll;
mod profile;
mod recognise;
mod rival;
mod score;
mod search;
mod series;
mod solve;
mod unblend;
mod verify;
mod weigh;
mod width;

pub use fit::{AxisFit, Point, fit as fit_axis};
pub use grating::BenchFacts;
pub use lamp::Lamp;
pub use models::{ModelShare, fit_models, fit_models_knowing};
pub use profile::{Anchor, AxisModel, LampUsed, LeftOut, Profile};
pub use solve::{LampRecording, calibrate, calibrate_together};
pub use verify::{
    Check, Claim, Drift, ErrorSeries, InstrumentSheet, LineError, LineScatter, Reading,
    Repeatability, Resolution, SecondOrder, Stretch, Support, Tolerance, Top, Verification,
    VerifySettings, WidthPoint, mend, verify,
};

use serde::{Deserialize, Serialize};

/// Choices for [`calibrate`] and [`calibrate_together`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct CalibrateSettings {
    /// Which lamp it is; `None`: whichever of the usual lamps ([`Lamp::usual`]) is recognised,
    /// with the gases that stand beside it.
    pub lamp: Option<Lamp>,
    /// Largest error of an nm axis that is looked for, nm.
    pub search_nm: f64,
    /// Where the axis begins and ends, nm, in either order, where that is roughly known.
    pub about_nm: Option<[f64; 2]>,
    /// What is known of the instrument's optics; makes the axis surer beyond the lamp's lines.
    pub optics: BenchFacts,
    /// Name of the instrument, for the profile.
    pub instrument: String,
}

impl Default for CalibrateSettings {
    fn default() -> Self {
        CalibrateSettings {
            lamp: Some(Lamp::Fluorescent),
            search_nm: 6.0,
            about_nm: None,
            optics: BenchFacts::default(),
            instrument: "unnamed spectrometer".into(),
        }
    }
}
