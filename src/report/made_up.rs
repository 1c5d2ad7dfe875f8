//! Made-up values for the tests of the reports: neon-like and invented, no measurement.

use crate::calibrate::{
    Anchor, AxisModel, CalibrateSettings, Claim, Drift, ErrorSeries, InstrumentSheet, Lamp,
    LampUsed, LeftOut, LineError, LineScatter, Profile, Repeatability, Resolution, SecondOrder,
    Stretch, Support, Tolerance, Top, Verification, WidthPoint,
};
use crate::gases::*;
use crate::signal::{LineWidth, Peak, PeakList, Saturation};
use crate::{Axis, AxisKind, Measured, Spectrum};

/// Wavelengths in nm (air) and invented heights; wavelengths as in the NIST Atomic Spectra
/// Database, Ne I, value from memory.
pub const NEON: [(f64, f64); 14] = [
    (585.25, 14000.0),
    (588.19, 5200.0),
    (594.48, 6100.0),
    (603.00, 2300.0),
    (607.43, 5900.0),
    (614.31, 9800.0),
    (621.73, 3100.0),
    (626.65, 6900.0),
    (633.44, 6400.0),
    (640.22, 16000.0),
    (650.65, 9000.0),
    (659.90, 3800.0),
    (692.95, 4100.0),
    (703.24, 9900.0),
];

/// One peak.
pub fn peak(centre: f64, height: f64, fwhm: f64) -> Peak {
    Peak {
        centre: Measured::new(centre, 0.02),
        height: Some(Measured::new(height, 30.0 + 0.01 * height)),
        fwhm: Measured::new(fwhm, 0.03 * fwhm),
        area: Some(Measured::new(1.064_467 * height * fwhm, 0.02 * height * fwhm)),
        significance: height / 30.0,
        group: 0,
        group_size: 1,
        clipped: false,
        line_like: true,
        share_of_level: 1.0,
    }
}

/// A recording that is the sum of Gaussians, a slope and a ripple instead of noise.
pub fn recording(kind: AxisKind, low: f64, high: f64, n: usize, lines: &[(f64, f64)]) -> Spectrum {
    let fwhm = (high - low) / 500.0;
    let x: Vec<f64> = (0..n).map(|i| low + (high - low) * i as f64 / (n - 1) as f64).collect();
    let counts = x
        .iter()
        .enumerate()
        .map(|(i, x)| {
            let tube: f64 = lines
                .iter()
                .map(|(c, h)| h * (-4.0 * 2f64.ln() * ((x - c) / fwhm).powi(2)).exp())
                .sum();
            let ripple = 25.0 * ((i * 7919 % 101) as f64 / 50.0 - 1.0);
            900.0 + 0.2 * (x - low) + ripple + tube
        })
        .collect();
    let mut s = Spectrum::new(Axis::new(kind, x).unwrap(), counts).unwrap();
    s.provenance.name = "made-up tube".into();
    s
}

/// The list of peaks that belongs to [`recording`].
pub fn list(s: &Spectrum, lines: &[(f64, f64)]) -> PeakList {
    let (low, high) = s.axis().range();
    let fwhm = (high - low) / 500.0;
    PeakList {
        axis: s.axis().kind(),
        peaks: lines.iter().map(|(c, h)| peak(*c, *h, fwhm)).collect(),
        line_width: Some(LineWidth::constant(fwhm, 0.02)),
        baseline: s.x().iter().map(|x| 900.0 + 0.2 * (x - low)).collect(),
        sigma: vec![15.0; s.len()],
        threshold: vec![75.0; s.len()],
        threshold_sigma: 5.0,
        structure: 1.0,
        saturation: None,
        lorentzian_share: 0.0,
        shape_mismatch: 0.0,
        notes: vec![],
    }
}

fn gas(name: &str, verdict: Verdict, probability: f64, species: &[&str], share: f64) -> GasVerdict {
    let limit = (verdict == Verdict::NotSeen).then_some(Limit {
        read_share: 1.0,
        line_nm: 667.73,
        relative_to_strongest: 0.0083,
        counts: 130.0,
    });
    GasVerdict {
        gas: name.into(),
        verdict,
        probability,
        species: species.iter().map(|s| s.to_string()).collect(),
        share,
        limit,
        reason: format!("{name} is {} in this made-up report", verdict.word()),
    }
}

/// A report for peaks of which every seventh belongs to nobody and every eleventh is a ghost.
pub fn report(list: &PeakList) -> GasReport {
    let lines_for: Vec<LineEvidence> = list
        .peaks
        .iter()
        .enumerate()
        .map(|(i, p)| LineEvidence {
            wavelength_nm: p.centre.value,
            peak: Some(i),
            offset_nm: Some(0.01),
            expected: 1000.0,
            observed: p.height_or(0.0),
            decibans: 12.0 - i as f64 * 0.1,
            shared_with: vec![],
        })
        .collect();
    let ghost = |i: usize| i % 11 == 10;
    let nobody = |i: usize| i % 7 == 6;
    let light = list
        .peaks
        .iter()
        .map(|p| ModelLine { at_nm: p.centre.value, height: 0.8 * p.height_or(0.0) })
        .collect();
    GasReport {
        shift_nm: Measured::new(-0.052, 0.031),
        fwhm_nm: 1.4,
        axis_u_nm: 0.21,
        gases: vec![
            gas("Ne", Verdict::Seen, 1.0, &["Ne I"], 0.87),
            gas("Hg", Verdict::Likely, 0.93, &["Hg I"], 0.06),
            gas("H", Verdict::Undecided, 0.41, &["H I"], 0.004),
            gas("Ar", Verdict::NotSeen, 0.004, &["Ar I", "Ar II"], 0.0),
            gas("He", Verdict::NotSeen, 0.0, &["He I"], 0.0),
            gas("Xe", Verdict::OutOfReach, 0.2, &["Xe I"], 0.0),
        ],
        species: vec![SpeciesVerdict {
            species: "Ne I".into(),
            gas: "Ne".into(),
            verdict: Verdict::Seen,
            probability: 1.0,
            decibans: 210.0,
            lines_for,
            lines_missing: vec![],
            share: 0.87,
            limit: None,
            reason: "nine of its ten strongest lines are there".into(),
            light,
            clues: Clues::default(),
        }],
        assignments: (0..list.peaks.len())
            .map(|i| Assignment {
                peak: i,
                candidates: vec![("Ne I".into(), list.peaks[i].centre.value)],
                label: (!ghost(i) && !nobody(i))
                    .then(|| format!("Ne I {:.2}", list.peaks[i].centre.value)),
            })
            .collect(),
        ghosts: (0..list.peaks.len())
            .filter(|i| ghost(*i))
            .map(|i| Ghost { peak: i, what: "second order of Hg I 365.02".into() })
            .collect(),
        unexplained: 0.021,
        chance: None,
        notes: vec!["the axis has been moved by a common shift".into()],
        settings: GasSettings::default(),
    }
}

/// A clipped variant: the strongest line at the end of the range.
pub fn clipped(list: &mut PeakList) {
    if let Some(p) = list.peaks.iter_mut().max_by(|a, b| a.significance.total_cmp(&b.significance))
    {
        p.clipped = true;
        p.height = None;
        p.area = None;
        list.saturation = Some(Saturation { level: 16000.0, points: 5, given: false });
    }
}

/// A profile with five mercury anchors; wavelengths as in the NIST Atomic Spectra Database, Hg I,
/// value from memory; residuals invented.
pub fn profile() -> Profile {
    let anchors = [404.66, 435.83, 546.07, 576.96, 579.07]
        .iter()
        .enumerate()
        .map(|(i, nm)| Anchor {
            feature: format!("Hg {nm:.2}"),
            wavelength_nm: *nm,
            at: (nm - 300.0) / 0.4,
            u_nm: 0.02 + 0.01 * i as f64,
            residual_nm: 0.03 * if i % 2 == 0 { 1.0 } else { -0.7 },
        })
        .collect();
    Profile {
        format: Profile::FORMAT.into(),
        format_version: Profile::FORMAT_VERSION,
        program_version: "0.0.0".into(),
        instrument: "club spectrometer".into(),
        points: 1500,
        own_axis: AxisKind::Pixel,
        own_range: [0.0, 1499.0],
        lamps: vec![LampUsed {
            lamp: Lamp::Fluorescent,
            recording: "lamp.csv".into(),
            sha256: Some("0".repeat(64)),
        }],
        anchored_nm: [404.66, 579.07],
        rms_nm: 0.027,
        extra_scatter_nm: 0.01,
        degrees_of_freedom: 2,
        line_width_nm: Some(LineWidth { value: 1.4, slope: 0.001, at: 500.0, u: 0.05 }),
        axis_model: AxisModel {
            domain: [0.0, 1499.0],
            correction: false,
            coefficients: vec![599.8, 299.8, -1.2],
            covariance: vec![
                vec![4e-2, 5.5e-2, 2.4e-2],
                vec![5.5e-2, 8e-2, 3.6e-2],
                vec![2.4e-2, 3.6e-2, 1.7e-2],
            ],
        },
        settings: CalibrateSettings::default(),
        notes: vec!["546.07 was fitted together with the terbium group".into()],
        models: vec![],
        anchors,
        left_out: vec![LeftOut {
            feature: "Eu 611.6".into(),
            wavelength_nm: 611.6,
            reason: "a phosphor peak, differs from lamp to lamp".into(),
        }],
        checks: Vec::new(),
    }
}

/// A judged axis that reads 0.8 nm too much, on the lines of [`profile`]; all numbers invented.
pub fn verification() -> Verification {
    let p = profile();
    let lines: Vec<LineError> = p
        .anchors
        .iter()
        .map(|a| LineError {
            feature: a.feature.clone(),
            wavelength_nm: a.wavelength_nm,
            read_nm: a.wavelength_nm + 0.8 + a.residual_nm,
            error_nm: Measured::new(0.8 + a.residual_nm, a.u_nm),
        })
        .collect();
    let stretch = |from_nm: f64, to_nm: f64, lines: usize, support: Support, u: f64| Stretch {
        from_nm,
        to_nm,
        lines,
        support,
        worst_at_nm: to_nm,
        error_nm: Measured::new(0.8, u),
        good_to_nm: 0.8 + 2.0 * u,
    };
    let ghost = |of_nm: f64, ratio: Option<Measured>, limit: Option<f64>, remark: &str| {
        SecondOrder { of_nm, at_nm: 2.0 * of_nm, ratio, limit, remark: remark.into() }
    };
    Verification {
        lamp: "bench lamp".into(),
        lamp_sha256: Some("1".repeat(64)),
        profile: Some(p.instrument.clone()),
        range_nm: [300.0, 900.0],
        anchored_nm: [405.5, 579.9],
        error: ErrorSeries {
            centre_nm: 492.7,
            half_nm: 87.2,
            offset_nm: Measured::new(0.8, 0.02),
            tilt_nm_per_100nm: Measured::new(-0.05, 0.03),
            curvature_nm_per_100nm2: Measured::new(0.01, 0.04),
            left_rms_nm: 0.02,
        },
        rms_nm: 0.81,
        worst: lines[4].clone(),
        curve: (0..241)
            .map(|i| 300.0 + 2.5 * f64::from(i))
            .map(|x| (x, Measured::new(0.8, 0.02 + ((x - 490.0) / 400.0).powi(4))))
            .collect(),
        stretches: vec![
            stretch(300.0, 405.5, 0, Support::Beyond, 0.3),
            stretch(405.5, 450.0, 2, Support::Lines, 0.03),
            stretch(450.0, 500.0, 0, Support::Between, 0.05),
            stretch(500.0, 579.9, 3, Support::Lines, 0.03),
            stretch(579.9, 900.0, 0, Support::Beyond, 1.3),
        ],
        tolerance: Some(Tolerance {
            within_nm: 0.5,
            over_nm: [405.5, 579.9],
            claim: Claim::DoesNotHold,
            at_nm: Some(405.5),
            error_nm: Some(Measured::new(0.8, 0.03)),
            needed_u_nm: None,
            reason: "at 405.50 nm the error is +0.80 ± 0.03 nm".into(),
        }),
        drift: vec![Drift {
            since: "the profile was made".into(),
            lines: 5,
            shift_nm: Some(Measured::new(0.79, 0.02)),
            tilt_nm_per_100nm: Some(Measured::new(0.01, 0.02)),
            k: Some(2.9),
            significant: Some(true),
        }],
        repeatability: Some(Repeatability {
            recordings: 3,
            lines: lines
                .iter()
                .map(|l| LineScatter {
                    feature: l.feature.clone(),
                    mean_nm: l.read_nm,
                    sd_nm: 0.012,
                    spread_nm: 0.025,
                })
                .collect(),
            sd_nm: 0.012,
            dof: 10,
            shifts_nm: vec![-0.01, 0.0, 0.01],
            shift_sd_nm: 0.01,
            shift_spread_nm: 0.02,
            scatter_nm: Some(0.007),
            scatter_dof: 8,
        }),
        sheet: InstrumentSheet {
            resolution: Some(Resolution {
                lines: [(404.66, 1.3), (435.83, 1.35), (546.07, 1.5)]
                    .iter()
                    .map(|(nm, w)| WidthPoint {
                        feature: format!("Hg {nm:.2}"),
                        wavelength_nm: *nm,
                        fwhm_nm: Measured::new(*w, 0.03),
                    })
                    .collect(),
                at_nm: 462.19,
                fwhm_nm: Measured::new(1.383, 0.02),
                slope_nm_per_100nm: Some(Measured::new(0.14, 0.03)),
            }),
            noise: Some(16.0),
            noise_point_to_point: Some(15.0),
            free_points: 700,
            span: Some(15_000.0),
            top: Top::HighestPoint,
            dynamic_range: Some(940.0),
            stray_light_below: Some(0.064),
            second_order: vec![
                ghost(365.0158, None, None, "the line itself is not seen"),
                ghost(404.6565, None, Some(0.012), ""),
                ghost(435.8335, Some(Measured::new(0.021, 0.002)), None, ""),
            ],
        },
        correction: p,
        notes: vec!["made up".into()],
        lines,
    }
}
