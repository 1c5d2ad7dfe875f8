//! Whether a calibration is right.

use crate::draw::Draw;
use glowtell::calibrate::{CalibrateSettings, Lamp, calibrate};
use glowtell::reference::Tables;
use glowtell::signal::{PeakSettings, find_peaks};
use glowtell::simulate::{record, truth_axis};
use glowtell::{AxisKind, Spectrum};

/// Root mean square error in line widths up to which an axis is right.
const RIGHT_FWHM: f64 = 0.5;

/// Error of an anchor in line widths from which it is told.
const ASTRAY_FWHM: f64 = 0.3;

/// What is known beforehand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// Pixels, and which lamp it is.
    Named,
    /// Pixels only.
    Auto,
    /// A factory axis, and which lamp it is.
    Factory,
    /// Pixels, and a lamp named that it is not.
    Misnamed,
}

/// What came of it.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// An axis.
    Axis {
        /// Root mean square error between the outermost anchors, line widths.
        rms_fwhm: f64,
        /// Share of the points between the outermost anchors within twice the uncertainty.
        inside: f64,
        /// The same of the points beyond them; `None` where there are none.
        outside: Option<f64>,
        /// Number of anchors.
        anchors: usize,
        /// Anchors that stand elsewhere than they should.
        astray: String,
        /// Which lamp it was taken for.
        lamp: String,
    },
    /// No axis, for this reason.
    Refused(String),
}

/// One calibration of one instrument.
#[derive(Debug, Clone)]
pub struct Outcome {
    pub seed: u64,
    pub lamp: &'static str,
    pub fwhm_nm: f64,
    pub way: Way,
    pub verdict: Verdict,
    /// Signal-to-noise ratio, nm per pixel, range and clipping, for the list of failures.
    pub facts: String,
}

impl Outcome {
    pub fn solved(&self) -> bool {
        matches!(self.verdict, Verdict::Axis { rms_fwhm, .. } if rms_fwhm <= RIGHT_FWHM)
    }

    /// An axis that is none.
    pub fn wrong(&self) -> bool {
        !self.solved() && !matches!(self.verdict, Verdict::Refused(_))
    }
}

/// Calibrates the instrument in each of the ways, or in the first alone.
pub fn judge(draw: &Draw, tables: &Tables, named_only: bool) -> Vec<Outcome> {
    let (lo, hi) = draw.instrument.range_nm();
    let facts = format!(
        "S/N {:.0}, {:.3} nm/px, {lo:.0}-{hi:.0} nm{}",
        draw.snr,
        (hi - lo) / draw.instrument.pixels as f64,
        if draw.clipped { ", clipped" } else { "" }
    );
    [Way::Named, Way::Auto, Way::Factory, Way::Misnamed]
        .into_iter()
        .filter(|way| !named_only || *way == Way::Named)
        .filter(|way| !matches!(way, Way::Auto | Way::Misnamed) || draw.auto)
        .map(|way| Outcome {
            seed: draw.seed,
            lamp: draw.lamp,
            fwhm_nm: draw.fwhm_nm,
            way,
            verdict: verdict(draw, way, tables),
            facts: facts.clone(),
        })
        .collect()
}

fn verdict(draw: &Draw, way: Way, tables: &Tables) -> Verdict {
    let axis = if way == Way::Factory { AxisKind::Nm } else { AxisKind::Pixel };
    let instrument = draw.with_axis(axis);
    let spectrum = record(&instrument, &draw.scene, tables, draw.seed).unwrap();
    let mut truth = truth_axis(&instrument);
    if axis == AxisKind::Nm && truth.first() > truth.last() {
        truth.reverse();
    }
    let named = match (way, draw.lamp) {
        (Way::Misnamed, "Ne") => "Kr",
        (Way::Misnamed, _) => "Ne",
        (_, lamp) => lamp,
    };
    let settings = CalibrateSettings {
        lamp: (way != Way::Auto).then(|| Lamp::named(named, tables).unwrap()),
        ..CalibrateSettings::default()
    };
    let peaks = match find_peaks(&spectrum, &PeakSettings::default()) {
        Ok(p) => p,
        Err(e) => return Verdict::Refused(e.to_string()),
    };
    match calibrate(&spectrum, &peaks, tables, &settings) {
        Ok(profile) => against(&spectrum, &truth, draw.fwhm_nm, &profile),
        Err(e) => Verdict::Refused(e.to_string()),
    }
}

fn against(
    spectrum: &Spectrum,
    truth: &[f64],
    fwhm_nm: f64,
    profile: &glowtell::calibrate::Profile,
) -> Verdict {
    let (first, last) = profile
        .anchors
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(x.at), b.max(x.at)));
    // Squared errors, points within twice the uncertainty, points: inside and outside.
    let mut sums = [(0.0, 0.0, 0.0); 2];
    for (x, truth) in spectrum.x().iter().zip(truth) {
        let m = profile.wavelength(*x);
        let error = m.value - truth;
        let s = &mut sums[usize::from(*x < first || *x > last)];
        s.0 += error * error;
        s.1 += f64::from(u8::from(error.abs() <= 2.0 * m.u));
        s.2 += 1.0;
    }
    let [inside, outside] = sums;
    Verdict::Axis {
        rms_fwhm: (inside.0 / inside.2).sqrt() / fwhm_nm,
        inside: inside.1 / inside.2,
        outside: (outside.2 > 0.0).then_some(outside.1 / outside.2),
        anchors: profile.anchors.len(),
        astray: profile
            .anchors
            .iter()
            .filter_map(|a| {
                // Truth at the place of the anchor, straight between two points.
                let x = spectrum.x();
                let k = x.partition_point(|v| *v <= a.at).clamp(1, x.len() - 1);
                let part = (a.at - x[k - 1]) / (x[k] - x[k - 1]);
                let error = a.wavelength_nm - truth[k - 1] - part * (truth[k] - truth[k - 1]);
                (error.abs() > ASTRAY_FWHM * fwhm_nm)
                    .then(|| format!("{} ({error:+.2} nm, u {:.2})", a.feature, a.u_nm))
            })
            .collect::<Vec<_>>()
            .join(", "),
        lamp: profile.lamps.iter().map(|l| l.lamp.to_string()).collect::<Vec<_>>().join(" "),
    }
}
