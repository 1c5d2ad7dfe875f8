//! Whether an axis can be trusted: a lamp is recorded, and what the axis says of its lines is held
//! against what they are.
//!
//! The lamp is solved on the axis under judgement ([`calibrate`]), which gives the correction that
//! would mend it, with covariance. The error of the axis is judged minus true, so the correction
//! with the opposite sign.

mod decide;
mod drift;
mod repeats;
mod series;
mod sheet;
#[cfg(test)]
mod tests;

pub use decide::{Claim, Stretch, Support, Tolerance};
pub use drift::{Check, Drift, Reading};
pub use repeats::{LineScatter, Repeatability};
pub use series::ErrorSeries;
pub use sheet::{InstrumentSheet, Resolution, SecondOrder, Top, WidthPoint};

use super::{CalibrateSettings, Profile, calibrate};
use crate::reference::Tables;
use crate::signal::{PeakSettings, find_peaks};
use crate::{AxisKind, Error, Measured, Result, Spectrum};
use decide::Ground;
use serde::{Deserialize, Serialize};

/// Points of the error curve that are kept for drawing.
const CURVE_POINTS: usize = 241;

/// Choices for [`verify`].
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct VerifySettings {
    /// Largest error that the axis may have, nm; `None`: no question asked.
    pub within_nm: Option<f64>,
    /// Stretch of the axis that the question is about, nm; `None`: between the outermost lines.
    pub over_nm: Option<[f64; 2]>,
    /// How the lamp is solved.
    pub calibrate: CalibrateSettings,
}

/// The error of the axis at one line of the lamp.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineError {
    /// Name of the lamp feature.
    pub feature: String,
    /// Tabulated wavelength, nm (air).
    pub wavelength_nm: f64,
    /// Where the axis has it, nm.
    pub read_nm: f64,
    /// Read minus tabulated, nm.
    pub error_nm: Measured,
}

/// An axis, judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verification {
    /// Name of the recording.
    pub lamp: String,
    /// SHA-256 of its file, if it came from one.
    pub lamp_sha256: Option<String>,
    /// Instrument whose profile was judged; nothing where it was the file's own nm axis.
    pub profile: Option<String>,
    /// Ends of the judged axis, nm.
    pub range_nm: [f64; 2],
    /// Outermost lines on the judged axis, nm.
    pub anchored_nm: [f64; 2],
    /// The lines that carry the judgement, ascending.
    pub lines: Vec<LineError>,
    /// Offset, tilt and curvature of the error.
    pub error: ErrorSeries,
    /// Root mean square of the lines' errors, nm.
    pub rms_nm: f64,
    /// Line with the largest error.
    pub worst: LineError,
    /// The error along the axis: place on the judged axis (nm), and the error there.
    pub curve: Vec<(f64, Measured)>,
    /// The axis in stretches.
    pub stretches: Vec<Stretch>,
    /// The tolerance, where one was asked about.
    pub tolerance: Option<Tolerance>,
    /// Movement since the profile was made, and since the last check that it keeps.
    pub drift: Vec<Drift>,
    /// Scatter over repeated recordings.
    pub repeatability: Option<Repeatability>,
    /// The instrument as this recording shows it.
    pub sheet: InstrumentSheet,
    /// The correction of the judged axis, as a profile for recordings on that axis.
    pub correction: Profile,
    /// What was done and what to beware of, one sentence each.
    pub notes: Vec<String>,
}

impl Verification {
    /// This verification as an entry of the profile that was judged.
    pub fn as_check(&self, dated: Option<String>) -> Check {
        Check {
            dated,
            lamp_sha256: self.lamp_sha256.clone(),
            offset_nm: self.error.offset_nm.value,
            offset_u_nm: self.error.offset_nm.u,
            tilt_nm_per_100nm: self.error.tilt_nm_per_100nm.value,
            worst_nm: self.worst.error_nm.value,
            lines: self
                .lines
                .iter()
                .map(|l| Reading { feature: l.feature.clone(), read_nm: l.read_nm })
                .collect(),
        }
    }
}

/// Judges the axis of a lamp's recording: its own nm axis, or that of a profile. `repeats` are
/// further recordings of the same lamp.
///
/// # Errors
/// [`Error::Refused`] where the recording has a pixel axis and no profile is given, where the
/// profile belongs to another instrument, where the lamp's pattern is not there, or where the
/// repeats have another axis; [`Error::Usage`] for a tolerance that makes no sense.
pub fn verify(
    lamp: &Spectrum,
    repeats: &[Spectrum],
    profile: Option<&Profile>,
    tables: &Tables,
    settings: &VerifySettings,
) -> Result<Verification> {
    check(settings)?;
    let name = lamp.provenance.name.clone();
    let judged = match profile {
        Some(p) => p.apply(lamp)?,
        None if lamp.axis().kind() == AxisKind::Pixel => {
            return Err(Error::refused(
                format!("verification with {name}"),
                "its axis is in pixels, so that there are no wavelengths to judge",
                "set the axis with `glowtell calibrate` and give the profile with --profile",
            ));
        }
        None => lamp.clone(),
    };
    let peaks = find_peaks(&judged, &PeakSettings::default())?;
    let solve = CalibrateSettings {
        instrument: profile.map_or(&settings.calibrate.instrument, |p| &p.instrument).clone(),
        ..settings.calibrate.clone()
    };
    let correction = calibrate(&judged, &peaks, tables, &solve).map_err(|e| match e {
        Error::Refused { why, remedy, .. } => {
            Error::refused(format!("verification with {name}"), why, remedy)
        }
        other => other,
    })?;
    let lines = line_errors(&correction);
    let worst = lines
        .iter()
        .max_by(|a, b| a.error_nm.value.abs().total_cmp(&b.error_nm.value.abs()))
        .cloned()
        .ok_or_else(|| {
            Error::refused(
                format!("verification with {name}"),
                "no line of the lamp carries it",
                "record the lamp longer",
            )
        })?;
    let places: Vec<f64> = lines.iter().map(|l| l.read_nm).collect();
    let (lo, hi) = judged.axis().range();
    let anchored = [
        places.iter().copied().fold(f64::INFINITY, f64::min),
        places.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    ];
    let errors: Vec<(f64, Measured)> = lines.iter().map(|l| (l.read_nm, l.error_nm)).collect();
    let error = series::fit(&errors, anchored, correction.extra_scatter_nm <= 0.0)?;
    // Judged minus true.
    let error_at = |x: f64| {
        let m = correction.wavelength(x);
        Measured::new(x - m.value, m.u)
    };
    let ground = Ground { range: [lo, hi], anchored, lines: &places, error: &error_at };
    let rms =
        (lines.iter().map(|l| l.error_nm.value.powi(2)).sum::<f64>() / lines.len() as f64).sqrt();
    let repeatability = if repeats.is_empty() {
        None
    } else {
        Some(compare(lamp, &judged, &peaks, repeats, profile, &lines)?)
    };
    Ok(Verification {
        lamp: name,
        lamp_sha256: lamp.provenance.sha256.clone(),
        profile: profile.map(|p| p.instrument.clone()),
        range_nm: [lo, hi],
        anchored_nm: anchored,
        error,
        rms_nm: rms,
        worst,
        curve: (0..CURVE_POINTS)
            .map(|i| lo + (hi - lo) * i as f64 / (CURVE_POINTS - 1) as f64)
            .map(|x| (x, error_at(x)))
            .collect(),
        stretches: ground.stretches(),
        tolerance: settings.within_nm.map(|t| ground.decide(t, settings.over_nm)),
        drift: profile.map(|p| drifts(p, &lines, &peaks)).unwrap_or_default(),
        repeatability,
        sheet: sheet::sheet(&judged, &peaks, &correction, tables),
        notes: notes(lamp, repeats, profile, &correction),
        lines,
        correction,
    })
}

/// The axis as it should be, as a profile for recordings as they come from the instrument: the
/// correction of an nm axis, or, where a profile was judged, a new one from this lamp.
///
/// # Errors
/// Those of [`calibrate`], where a profile was judged.
pub fn mend(
    lamp: &Spectrum,
    profile: Option<&Profile>,
    verification: &Verification,
    tables: &Tables,
    settings: &VerifySettings,
) -> Result<Profile> {
    let Some(judged) = profile else { return Ok(verification.correction.clone()) };
    let peaks = find_peaks(lamp, &PeakSettings::default())?;
    let solve =
        CalibrateSettings { instrument: judged.instrument.clone(), ..settings.calibrate.clone() };
    calibrate(lamp, &peaks, tables, &solve)
}

fn check(settings: &VerifySettings) -> Result<()> {
    if let Some(t) = settings.within_nm
        && !(t.is_finite() && t > 0.0)
    {
        return Err(Error::usage(
            format!("an axis cannot be asked to keep within {t} nm"),
            "give a positive number of nm",
        ));
    }
    match settings.over_nm {
        Some([a, b]) if !(a.is_finite() && b.is_finite() && a < b) => Err(Error::usage(
            format!("a stretch cannot run from {a} to {b} nm"),
            "give the lower end first",
        )),
        _ => Ok(()),
    }
}

/// The anchors of the correction as errors of the axis that it corrects.
fn line_errors(correction: &Profile) -> Vec<LineError> {
    correction
        .anchors
        .iter()
        .map(|a| LineError {
            feature: a.feature.clone(),
            wavelength_nm: a.wavelength_nm,
            read_nm: a.at,
            error_nm: Measured::new(a.at - a.wavelength_nm, a.u_nm),
        })
        .collect()
}

fn drifts(profile: &Profile, lines: &[LineError], peaks: &crate::signal::PeakList) -> Vec<Drift> {
    let now: Vec<drift::Now> = lines
        .iter()
        .map(|l| drift::Now {
            feature: &l.feature,
            read_nm: l.read_nm,
            noise_u_nm: sheet::peak_at(peaks, l.read_nm).map_or(l.error_nm.u, |p| p.centre.u),
            u_nm: l.error_nm.u,
        })
        .collect();
    let made: Vec<Reading> = profile
        .anchors
        .iter()
        .map(|a| Reading { feature: a.feature.clone(), read_nm: profile.wavelength(a.at).value })
        .collect();
    let mut out = vec![drift::since("the profile was made".into(), &now, &made)];
    if let Some(last) = profile.checks.last() {
        let when = match &last.dated {
            Some(day) => format!("the last kept check, {day}"),
            None => format!("the last kept check (number {})", profile.checks.len()),
        };
        out.push(drift::since(when, &now, &last.lines));
    }
    out
}

fn compare(
    lamp: &Spectrum,
    judged: &Spectrum,
    peaks: &crate::signal::PeakList,
    repeats: &[Spectrum],
    profile: Option<&Profile>,
    lines: &[LineError],
) -> Result<Repeatability> {
    let mut lists = Vec::with_capacity(repeats.len());
    for r in repeats {
        repeats::same_axis(lamp, r)?;
        let on = match profile {
            Some(p) => p.apply(r)?,
            None => r.clone(),
        };
        lists.push(find_peaks(&on, &PeakSettings::default())?);
    }
    let all: Vec<&crate::signal::PeakList> = std::iter::once(peaks).chain(&lists).collect();
    let (a, b) = judged.axis().range();
    let usual = peaks.line_width.map_or(0.01 * (b - a), |w| w.value);
    let places: Vec<repeats::Place> = lines
        .iter()
        .map(|l| repeats::Place {
            feature: &l.feature,
            nm: l.read_nm,
            u_nm: l.error_nm.u,
            fwhm_nm: peaks.line_width.map_or(usual, |w| w.fwhm(l.read_nm)),
        })
        .collect();
    repeats::repeatability(&places, &all)
}

fn notes(
    lamp: &Spectrum,
    repeats: &[Spectrum],
    profile: Option<&Profile>,
    correction: &Profile,
) -> Vec<String> {
    let mut out = Vec::new();
    let mut files: Vec<&String> =
        std::iter::once(lamp).chain(repeats).filter_map(|s| s.provenance.sha256.as_ref()).collect();
    let all = files.len();
    files.sort();
    files.dedup();
    if files.len() < all {
        out.push(
            "some of the recordings are the same file: their scatter is not that of the instrument"
                .into(),
        );
    }
    if let Some(p) = profile {
        let own = &lamp.provenance.sha256;
        if own.is_some() && p.lamps.iter().any(|l| l.sha256 == *own) {
            out.push(
                "this is the recording that the profile was made from: what is seen here is how \
                 well the axis fits it, not whether the axis is still right"
                    .into(),
            );
        }
        out.push(
            "what pulls a lamp's line in every recording (a blend, phosphor beside it) is in the \
             profile and in this check alike and does not show"
                .into(),
        );
    }
    out.extend(correction.notes.iter().cloned());
    out
}
