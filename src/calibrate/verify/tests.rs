//! Simulated lamps whose factory error is known, and measured ones whose bias others have told.

use super::*;
use crate::Axis;
use crate::import::{ImportSettings, read_file};
use crate::simulate::{
    Dispersion, FactoryError, Glass, Instrument, Lamp, LineShape, Polynomial, Scene, record,
};
use std::path::Path;
use std::sync::OnceLock;

fn tables() -> &'static Tables {
    static TABLES: OnceLock<Tables> = OnceLock::new();
    TABLES.get_or_init(|| Tables::bundled().unwrap())
}

fn instrument(offset: f64, tilt: f64, curvature: f64) -> Instrument {
    Instrument {
        pixels: 2048,
        dispersion: straight(340.0),
        factory_error: FactoryError { offset_nm: offset, tilt_nm: tilt, curvature_nm: curvature },
        line_shape: LineShape { fwhm_short_nm: 1.1, fwhm_long_nm: 1.5, lorentz_share: 0.05 },
        ..Instrument::default()
    }
}

fn straight(first_nm: f64) -> Dispersion {
    Dispersion::Polynomial(Polynomial {
        first_nm,
        nm_per_px: 0.28,
        nm_per_px2: 0.0,
        nm_per_px3: 0.0,
    })
}

fn scene(argon: f64) -> Scene {
    Scene {
        exposure_electrons: 2e5,
        lamp: vec![Lamp { argon, ..Lamp::default() }],
        glass: Some(Glass { cut_nm: 310.0, width_nm: 6.0 }),
        ..Scene::default()
    }
}

fn judge(i: &Instrument, argon: f64, seed: u64, settings: &VerifySettings) -> Verification {
    let lamp = record(i, &scene(argon), tables(), seed).unwrap();
    verify(&lamp, &[], None, tables(), settings).unwrap()
}

/// The factory's error at a true wavelength, nm.
fn truth(i: &Instrument, nm: f64) -> f64 {
    let last = (i.pixels - 1) as f64;
    i.factory_error.at(2.0 * ((nm - 340.0) / 0.28) / last - 1.0)
}

/// Mean of the truth over the anchored range, and its mean slope in nm per 100 nm: integrals over
/// 2001 places.
fn truth_series(i: &Instrument, [a, b]: [f64; 2]) -> (f64, f64) {
    let n = 2001;
    let (mut mean, mut slope) = (0.0, 0.0);
    for k in 0..n {
        let t = 2.0 * (k as f64 + 0.5) / n as f64 - 1.0;
        let e = truth(i, 0.5 * (a + b) + 0.5 * (b - a) * t);
        mean += e / n as f64;
        slope += 3.0 * t * e / n as f64;
    }
    (mean, slope / (0.5 * (b - a)) * 100.0)
}

#[test]
fn known_errors_come_back_within_two_u() {
    let cases = [(0.8, 0.0, 0.0), (-1.5, 0.6, 0.0), (2.1, -0.8, 0.5), (0.0, 0.0, 0.0)];
    let (mut within, mut all) = (0, 0);
    for (c, (offset, tilt, curvature)) in cases.into_iter().enumerate() {
        let i = instrument(offset, tilt, curvature);
        for (argon, seed) in [(0.0, 1), (0.4, 2), (0.0, 3), (0.4, 4)] {
            let v = judge(&i, argon, 10 * c as u64 + seed, &VerifySettings::default());
            let (mean, slope) = truth_series(&i, v.anchored_nm);
            for (got, truth) in [(v.error.offset_nm, mean), (v.error.tilt_nm_per_100nm, slope)] {
                let z = (got.value - truth) / got.u;
                // No single result may be far out; of all, at most one in ten beyond two u.
                assert!(z.abs() < 3.5, "case {c}, argon {argon}: {got:?} is not {truth}");
                all += 1;
                within += usize::from(z.abs() <= 2.0);
            }
            // The curve as well, wherever lines carry it.
            for (x, e) in
                v.curve.iter().filter(|(x, _)| (v.anchored_nm[0]..=v.anchored_nm[1]).contains(x))
            {
                let off = e.value - truth(&i, x - e.value);
                assert!(off.abs() < 4.0 * e.u, "case {c}: {off} at {x}, u {}", e.u);
            }
        }
    }
    assert!(10 * within >= 9 * all, "{within} of {all} within two u");
}

#[test]
fn a_tolerance_gets_all_three_answers() {
    let i = instrument(0.8, 0.0, 0.0);
    let ask = |within: f64, over: Option<[f64; 2]>| {
        let s = VerifySettings { within_nm: Some(within), over_nm: over, ..Default::default() };
        judge(&i, 0.4, 5, &s).tolerance.unwrap()
    };
    assert_eq!(ask(1.5, None).claim, Claim::Holds);
    assert_eq!(ask(0.4, None).claim, Claim::DoesNotHold);
    let open = ask(0.8, None);
    assert_eq!(open.claim, Claim::CannotBeTested);
    assert!(open.needed_u_nm.is_some() && open.reason.contains("would"), "{open:?}");
    assert_eq!(ask(1.5, Some([350.0, 1200.0])).claim, Claim::CannotBeTested);
    let bad = VerifySettings { within_nm: Some(-1.0), ..Default::default() };
    let lamp = record(&i, &scene(0.0), tables(), 1).unwrap();
    assert!(verify(&lamp, &[], None, tables(), &bad).is_err());
}

/// A profile from one lamp recording on pixels, judged by another after the grating has moved.
#[test]
fn drift_is_recovered_and_rest_is_rest() {
    let built = Instrument { axis: AxisKind::Pixel, ..instrument(0.0, 0.0, 0.0) };
    let first = record(&built, &scene(0.4), tables(), 7).unwrap();
    let peaks = find_peaks(&first, &PeakSettings::default()).unwrap();
    let profile = calibrate(&first, &peaks, tables(), &CalibrateSettings::default()).unwrap();
    for (moved, seed) in [(0.0, 8), (0.0, 9), (0.35, 10), (-0.6, 11)] {
        // Pixels see longer waves: a line stands at a lower pixel and is read too short.
        let now = Instrument { dispersion: straight(340.0 + moved), ..built.clone() };
        let lamp = record(&now, &scene(0.4), tables(), seed).unwrap();
        let v = verify(&lamp, &[], Some(&profile), tables(), &VerifySettings::default()).unwrap();
        let d = &v.drift[0];
        let shift = d.shift_nm.unwrap();
        let off = shift.value + moved;
        assert!(off.abs() < d.k.unwrap() * shift.u + 0.005, "moved {moved}: {d:?}");
        assert_eq!(d.significant, Some(moved != 0.0), "moved {moved}: {d:?}");
        // A kept check is what the next one is measured from.
        let mut kept = profile.clone();
        kept.checks.push(v.as_check(Some("2024-05-01".into())));
        let text = kept.to_text().unwrap();
        let kept = Profile::from_text(&text, Path::new("kept.toml")).unwrap();
        let again = verify(&lamp, &[], Some(&kept), tables(), &VerifySettings::default()).unwrap();
        assert_eq!(again.drift.len(), 2);
        assert!(again.drift[1].since.contains("2024-05-01"));
        assert!(again.drift[1].shift_nm.unwrap().value.abs() < 1e-9);
        assert_eq!(again.drift[1].significant, Some(false));
    }
}

#[test]
fn repeats_show_movement_and_scatter() {
    let built = Instrument { axis: AxisKind::Pixel, ..instrument(0.0, 0.0, 0.0) };
    let first = record(&built, &scene(0.4), tables(), 7).unwrap();
    let peaks = find_peaks(&first, &PeakSettings::default()).unwrap();
    let profile = calibrate(&first, &peaks, tables(), &CalibrateSettings::default()).unwrap();
    let moved = [0.02, 0.04, 0.06];
    let repeats: Vec<Spectrum> = moved
        .iter()
        .enumerate()
        .map(|(k, m)| {
            let now = Instrument { dispersion: straight(340.0 - m), ..built.clone() };
            record(&now, &scene(0.4), tables(), 20 + k as u64).unwrap()
        })
        .collect();
    let s = VerifySettings::default();
    let v = verify(&first, &repeats, Some(&profile), tables(), &s).unwrap();
    let r = v.repeatability.unwrap();
    assert_eq!(r.recordings, 4);
    for (got, wanted) in r.shifts_nm.iter().zip([-0.03, -0.01, 0.01, 0.03]) {
        assert!((got - wanted).abs() < 0.01, "{:?}", r.shifts_nm);
    }
    // Faint and merged lines scatter by some hundredths of a nm; the bright ones carry the movement.
    assert!(r.scatter_nm.unwrap() < 0.08, "{r:?}");
    let other = Spectrum::new(Axis::pixels(2000), vec![0.0; 2000]).unwrap();
    assert!(verify(&first, &[other], Some(&profile), tables(), &s).unwrap_err().is_refusal());
}

#[test]
fn the_sheet_tells_the_simulated_instrument() {
    let mut i = instrument(0.3, 0.0, 0.0);
    i.second_order_share = 0.02;
    i.detector.dark_subtracted = true;
    let v = judge(&i, 0.4, 31, &VerifySettings::default());
    let r = v.sheet.resolution.unwrap();
    for nm in [450.0, 600.0, 800.0] {
        let off = r.at(nm) - i.fwhm_nm(nm);
        assert!(off.abs() < 0.12, "{nm}: {off}, {r:?}");
    }
    // Read noise 18 e at 1.5 e a count; phosphor and stray light add to it.
    let noise = v.sheet.noise_point_to_point.unwrap();
    assert!((12.0..60.0).contains(&noise), "{noise}");
    assert!(v.sheet.dynamic_range.unwrap() > 100.0);
    assert!(v.sheet.stray_light_below.unwrap() < 0.2);
    let blue = &v.sheet.second_order[2];
    let seen = blue.ratio.map(|m| m.value).or(blue.limit).unwrap();
    assert!(seen < 0.1, "{blue:?}");
}

#[test]
fn what_cannot_be_judged_is_refused() {
    let i = instrument(0.0, 0.0, 0.0);
    let pixels = Instrument { axis: AxisKind::Pixel, ..i.clone() };
    let lamp = record(&pixels, &scene(0.0), tables(), 1).unwrap();
    let s = VerifySettings::default();
    let e = verify(&lamp, &[], None, tables(), &s).unwrap_err();
    assert!(e.is_refusal() && e.to_string().contains("glowtell calibrate"), "{e}");
    let dark = Scene { lamp: Vec::new(), ..scene(0.0) };
    let e = verify(&record(&i, &dark, tables(), 1).unwrap(), &[], None, tables(), &s).unwrap_err();
    assert!(e.is_refusal() && e.to_string().starts_with("verification with"), "{e}");
}

/// Measured lamps whose bias those who collected them have told (INDEX.csv, `axis_bias_nm`).
#[test]
fn measured_lamps_agree_with_their_told_bias() {
    /// How well the told bias is known itself, nm: a mean over a few lines.
    const TOLD_NM: f64 = 0.15;
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/real-spectra");
    let Ok(index) = std::fs::read_to_string(root.join("INDEX.csv")) else {
        println!("skipped: no folder of measured spectra beside the repository");
        return;
    };
    let names = [
        "cfl-warm-15w.csv",
        "tube-fluorescent-865.csv",
        "tube-fluorescent-coarse.csv",
        "germicidal-lamp.csv",
    ];
    let mut answered = 0;
    for name in names {
        let row = index.lines().find(|l| l.starts_with(name)).unwrap();
        // Quoted cells stand behind the one that is wanted.
        let told: f64 = row.split(',').nth(5).unwrap().parse().unwrap();
        let lamp = read_file(&root.join(name), &ImportSettings::default()).unwrap();
        match verify(&lamp, &[], None, tables(), &VerifySettings::default()) {
            Ok(v) => {
                let o = v.error.offset_nm;
                println!("{name}: {:+.3} ± {:.3} nm, told {told:+.2}", o.value, o.u);
                assert!((o.value - told).abs() < 2.0 * o.u + TOLD_NM, "{name}: {o:?}, told {told}");
                answered += 1;
            }
            Err(e) => {
                println!("{name}: {e}");
                assert!(e.is_refusal(), "{name}: {e}");
            }
        }
    }
    assert!(answered >= 2, "only {answered} answered");
}
