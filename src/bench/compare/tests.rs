use super::*;
use crate::bench::{Settings, examine};
use crate::import::{ImportSettings, read_file};
use crate::reference::Tables;
use crate::simulate::{FactoryError, Glow, Instrument, Response, Scene, record};
use std::path::PathBuf;

fn found(instrument: &Instrument, scene: &Scene, seed: u64) -> Examination {
    let tables = Tables::bundled().unwrap();
    let s = record(instrument, scene, &tables, seed).unwrap();
    examine(s, None, &tables, &Settings::default()).unwrap()
}

fn tube(glow: &[(&str, f64)], kt_ev: f64, exposure: f64, offset_nm: f64, seed: u64) -> Examination {
    let instrument = Instrument {
        factory_error: FactoryError { offset_nm, tilt_nm: 0.0, curvature_nm: 0.0 },
        ..Instrument::default()
    };
    let glow = glow.iter().map(|(s, h)| Glow { kt_ev, ..Glow::new(*s, *h) }).collect();
    let scene =
        Scene { exposure_electrons: exposure, tube_seed: Some(3), glow, ..Scene::default() };
    found(&instrument, &scene, seed)
}

fn verdict(a: &Examination, b: &Examination) -> (PairVerdict, Vec<String>, Pair) {
    let c = compare_tubes(&[("a", a), ("b", b)]).unwrap();
    let p = c.pairs[0].clone();
    (p.verdict, p.differences.iter().map(|d| d.gas.clone()).collect(), p)
}

const NEON: [(&str, f64); 2] = [("Ne I", 1.0), ("Ar I", 0.2)];

#[test]
fn one_lamp_on_two_days_is_the_same() {
    let monday = tube(&NEON, 0.8, 2e5, 0.4, 1);
    // Other exposure, an axis that has drifted by 0.3 nm, a warmer day.
    let friday = tube(&NEON, 0.88, 0.9e5, 0.1, 2);
    let (v, _, p) = verdict(&monday, &friday);
    assert_eq!(v, PairVerdict::SameFill, "{:?}", p.open);
    assert!(p.ratios.lines > 20 && p.ratios.gases[0].gas == "Ar", "{:?}", p.ratios);
    let d = p.distance.unwrap();
    assert!(d.share < 0.2 && d.by_noise < d.share, "{d:?}");
}

#[test]
fn more_of_a_gas_and_another_gas_differ() {
    let plain = tube(&NEON, 0.8, 2e5, 0.0, 1);
    let argon = tube(&[("Ne I", 0.3), ("Ar I", 1.0)], 0.8, 2e5, 0.0, 2);
    let (v, gases, p) = verdict(&plain, &argon);
    assert_eq!((v, gases), (PairVerdict::Differs, vec!["Ar".to_string()]), "{:?}", p.open);
    // Sixteen times the argon beside neon.
    let r = &p.ratios.gases[0];
    assert!((r.ln_ratio.abs() - (1.0f64 / 0.3 / 0.2).ln()).abs() < 2.5 * r.u.max(0.1), "{r:?}");
    let helium = tube(&[("Ne I", 1.0), ("Ar I", 0.2), ("He I", 0.8)], 0.8, 2e5, 0.0, 3);
    let (v, gases, p) = verdict(&plain, &helium);
    assert_eq!((v, gases), (PairVerdict::Differs, vec!["He".to_string()]), "{:?}", p.open);
}

#[test]
fn another_response_is_no_other_filling() {
    let a = tube(&NEON, 0.8, 2e5, 0.0, 1);
    let instrument = Instrument {
        response: Response::Points(vec![(300.0, 0.1), (550.0, 0.3), (700.0, 0.7), (1100.0, 1.0)]),
        ..Instrument::default()
    };
    let glow = NEON.iter().map(|(s, h)| Glow::new(*s, *h)).collect();
    let scene = Scene { tube_seed: Some(3), glow, ..Scene::default() };
    let (v, gases, _) = verdict(&a, &found(&instrument, &scene, 9));
    assert!(v != PairVerdict::Differs, "{gases:?}");
}

#[test]
fn too_little_light_is_not_the_same() {
    let a = tube(&NEON, 0.8, 2e5, 0.0, 1);
    let faint = tube(&NEON, 0.8, 1.2e3, 0.0, 2);
    let (v, _, p) = verdict(&a, &faint);
    assert_eq!(v, PairVerdict::CannotTell, "{p:?}");
    assert!(!p.open.is_empty());
}

#[test]
fn one_recording_or_pixels_cannot_be_compared() {
    let a = tube(&NEON, 0.8, 2e5, 0.0, 1);
    assert!(compare_tubes(&[("a", &a)]).unwrap_err().to_string().contains("two"));
    let plain = Examination { gases: None, ..a.clone() };
    let e = compare_tubes(&[("a", &a), ("b", &plain)]).unwrap_err().to_string();
    assert!(e.contains("comparison of b") && e.contains("pixels"), "{e}");
}

/// Measured spectra with an axis of their own (INDEX.csv beside them tells what each is): arcs of neon on two
/// stretches, and argon and krypton, which are not neon.
#[test]
fn measured_tubes_of_one_gas_do_not_differ_and_others_do() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/real-spectra");
    if !folder.is_dir() {
        println!("skipped: {} is not there", folder.display());
        return;
    }
    let tables = Tables::bundled().unwrap();
    let read = |name: &str| {
        let s = read_file(&folder.join(name), &ImportSettings::default()).unwrap();
        examine(s, None, &tables, &Settings::default()).unwrap()
    };
    let neon = ["ne-arc-400.csv", "ne-arc-red.csv", "ne-teaching-clipped.csv"].map(read);
    for (i, k) in [(0, 1), (0, 2), (1, 2)] {
        let (v, gases, p) = verdict(&neon[i], &neon[k]);
        println!("neon {i} {k}: {v:?} {gases:?} {:?}", p.open);
        assert!(v != PairVerdict::Differs, "{i} {k} {:?}", p.differences);
    }
    let helium = read("he-teaching-clipped.csv");
    let (v, gases, p) = verdict(&helium, &neon[2]);
    assert_eq!(v, PairVerdict::Differs, "{:?}", p.open);
    assert!(gases.contains(&"He".into()) && gases.contains(&"Ne".into()), "{gases:?}");
}
