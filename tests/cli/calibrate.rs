//! An axis set by lamps of all kinds, as it is typed. The lamps are simulated as the test runs, so
//! that the true wavelength of every pixel is known.

use crate::place::{Place, demo};
use glowtell::AxisKind;
use glowtell::calibrate::Profile;
use glowtell::reference::Tables;
use glowtell::simulate::{
    Continuum, Dispersion, Glow, Grating, Habit, Hump, Instrument, Lamp, LineShape, Scene,
    SingleLine, export_text, factory_axis, record, truth_axis,
};
use serde_json::Value;
use std::collections::BTreeMap;

/// Largest error within the anchored range, in stated standard uncertainties: of some hundred
/// independent places in these tests, hardly one lies as far off.
const FARTHEST_U: f64 = 4.0;

/// A small bench, 300 to 1100 nm on 2048 pixels.
fn instrument(axis: AxisKind) -> Instrument {
    Instrument {
        pixels: 2048,
        axis,
        dispersion: Dispersion::Grating(Grating {
            grooves_per_mm: 600.0,
            included_angle_deg: 24.0,
            focal_length_mm: 52.6,
            pixel_pitch_um: 14.0,
            centre_nm: 726.0,
            detector_tilt_deg: 3.0,
            red_first: false,
        }),
        line_shape: LineShape { fwhm_short_nm: 1.2, fwhm_long_nm: 1.6, ..LineShape::default() },
        ..Instrument::default()
    }
}

fn glow(species: &[(&str, f64)]) -> Scene {
    let glow = species.iter().map(|(name, strength)| Glow::new(*name, *strength)).collect();
    Scene { exposure_electrons: 1.5e5, averages: 4, glow, ..Scene::default() }
}

fn fluorescent() -> Scene {
    let lamp = vec![Lamp::default()];
    Scene { exposure_electrons: 1.5e5, averages: 4, lamp, ..Scene::default() }
}

/// Writes what `instrument` exports of `scene`.
fn expose(p: &Place, name: &str, instrument: &Instrument, scene: &Scene) {
    let s = record(instrument, scene, &Tables::bundled().unwrap(), 7).unwrap();
    p.write(name, export_text(&s, &Habit::default(), "", &[]).unwrap());
}

/// Error over stated uncertainty within the anchored range, at worst.
fn worst(p: &Place, profile: &str, instrument: &Instrument) -> f64 {
    let profile = Profile::load(&p.path().join(profile)).unwrap();
    let own = match instrument.axis {
        AxisKind::Nm => factory_axis(instrument),
        AxisKind::Pixel => (0..instrument.pixels).map(|i| i as f64).collect(),
    };
    let [from, to] = profile.anchored_nm;
    let mut worst = 0.0_f64;
    let mut within = 0;
    for (x, truth) in own.iter().zip(truth_axis(instrument)) {
        if (from..=to).contains(&truth) {
            let m = profile.wavelength(*x);
            worst = worst.max((m.value - truth).abs() / m.u);
            within += 1;
        }
    }
    assert!(within > 100, "{within} points between {from} and {to} nm");
    worst
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e} in {text:.300}"))
}

/// Text without line breaks.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn any_lamp_by_name_and_by_itself() {
    let lamps: [(&str, &str, Scene); 4] = [
        ("neon", "Ne", glow(&[("Ne I", 1.0)])),
        ("argon", "Ar", glow(&[("Ar I", 1.0)])),
        ("helium", "He", glow(&[("He I", 1.0)])),
        ("mercury+argon", "Hg+Ar", glow(&[("Hg I", 1.0), ("Ar I", 0.5)])),
    ];
    for axis in [AxisKind::Nm, AxisKind::Pixel] {
        let bench = instrument(axis);
        for (name, symbol, scene) in &lamps {
            let p = Place::new();
            expose(&p, "lamp.csv", &bench, scene);
            let args = ["calibrate", "lamp.csv", "--out", "named.toml", "--lamp", name, "--json"];
            let told = json(&p.answer(&args).out);
            assert_eq!(told["lamps"][0]["lamp"], **symbol, "{axis:?} {name}");
            assert!(worst(&p, "named.toml", &bench) < FARTHEST_U, "{axis:?} {name}");
            let args = ["calibrate", "lamp.csv", "--out", "auto.toml", "--lamp", "auto", "--json"];
            let found = json(&p.answer(&args).out);
            assert_eq!(found["lamps"][0]["lamp"], **symbol, "{axis:?} {name}");
            assert!(worst(&p, "auto.toml", &bench) < FARTHEST_U, "{axis:?} {name} by itself");
        }
    }
}

/// Hydrogen has four lines in range, of which only two are strong.
#[test]
fn a_lamp_of_few_lines_on_an_axis_in_nm() {
    let p = Place::new();
    let bench = instrument(AxisKind::Nm);
    expose(&p, "lamp.csv", &bench, &glow(&[("H I", 1.0)]));
    let args = ["calibrate", "lamp.csv", "--out", "p.toml", "--lamp", "hydrogen", "--json"];
    let told = json(&p.answer(&args).out);
    assert_eq!(told["lamps"][0]["lamp"], "H");
    assert!(worst(&p, "p.toml", &bench) < FARTHEST_U);
}

#[test]
fn two_lamps_reach_further_than_one() {
    let p = Place::new();
    let bench = instrument(AxisKind::Pixel);
    expose(&p, "tube.csv", &bench, &fluorescent());
    expose(&p, "neon.csv", &bench, &glow(&[("Ne I", 1.0)]));
    let reach = |files: &[&str], out: &str| -> Vec<f64> {
        let args = [&["calibrate"], files, &["--lamp", "auto", "--json", "--out", out]].concat();
        let profile = json(&p.answer(&args).out);
        profile["anchored-nm"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
    };
    let (tube, neon) = (reach(&["tube.csv"], "1.toml"), reach(&["neon.csv"], "2.toml"));
    let both = reach(&["tube.csv", "neon.csv"], "3.toml");
    assert!(both[0] <= tube[0] && both[0] < neon[0], "{both:?} {tube:?} {neon:?}");
    assert!(both[1] >= neon[1] && both[1] >= tube[1], "{both:?} {tube:?} {neon:?}");
    assert!(worst(&p, "3.toml", &bench) < FARTHEST_U);
    // In the near infrared, between the lines of one and beyond those of the other.
    let u = |profile: &str| {
        let profile = Profile::load(&p.path().join(profile)).unwrap();
        let truth = truth_axis(&bench);
        profile.wavelength(truth.iter().position(|nm| *nm > 800.0).unwrap() as f64).u
    };
    assert!(u("3.toml") < u("1.toml"), "{} {}", u("3.toml"), u("1.toml"));
    let args = ["calibrate", "tube.csv", "neon.csv", "--lamp", "auto", "--out", "3.toml"];
    let said = flat(&p.answer(&args).out);
    assert!(
        said.contains("fluorescent lamp in tube") && said.contains("neon lamp in neon"),
        "{said}"
    );
}

/// A bench without near infrared: the fluorescent lamp ends at its last mercury line.
#[test]
fn neon_takes_a_fluorescent_lamp_further_red() {
    let p = Place::new();
    let bench = Instrument {
        dispersion: Dispersion::Grating(Grating {
            grooves_per_mm: 600.0,
            included_angle_deg: 24.0,
            focal_length_mm: 80.0,
            pixel_pitch_um: 14.0,
            centre_nm: 620.0,
            detector_tilt_deg: 0.0,
            red_first: false,
        }),
        ..instrument(AxisKind::Nm)
    };
    expose(&p, "tube.csv", &bench, &fluorescent());
    expose(&p, "neon.csv", &bench, &glow(&[("Ne I", 1.0)]));
    let reach = |args: &[&str]| {
        let args = [&["calibrate", "tube.csv"], args, &["--out", "p.toml", "--json"]].concat();
        json(&p.answer(&args).out)["anchored-nm"][1].as_f64().unwrap()
    };
    let (one, two) = (reach(&[]), reach(&["neon.csv", "--lamp", "auto"]));
    assert!(two > one + 50.0, "{one} {two}");
    assert!(worst(&p, "p.toml", &bench) < FARTHEST_U);
}

#[test]
fn a_lamp_under_a_wrong_name() {
    let p = Place::new();
    let bench = instrument(AxisKind::Nm);
    expose(&p, "neon.csv", &bench, &glow(&[("Ne I", 1.0)]));
    expose(&p, "tube.csv", &bench, &fluorescent());
    let neon = ["refused", "neon lamp: give --lamp neon"];
    p.refuse(&["calibrate", "neon.csv", "--out", "p.toml"], &neon);
    p.refuse(&["calibrate", "neon.csv", "--lamp", "argon", "--out", "p.toml"], &neon);
    p.refuse(&["verify", "neon.csv"], &neon);
    let tube = ["refused", "fluorescent lamp: give --lamp fluorescent"];
    p.refuse(&["calibrate", "tube.csv", "--lamp", "krypton", "--out", "p.toml"], &tube);
    p.refuse(&["calibrate", "neon.csv", "--lamp", "sodum"], &["`sodum`", "auto", "Hg+Ar"]);
    p.refuse(&["calibrate", "neon.csv", "--lamp", ""], &["no lamp"]);
    // Where another recording sets the axis, it is said in the notes.
    let args = ["calibrate", "tube.csv", "neon.csv", "--out", "p.toml", "--json"];
    let notes = json(&p.answer(&args).out)["notes"].to_string();
    let used = json(&p.answer(&args).out)["lamps"].as_array().unwrap().len();
    assert!(used == 2 || notes.contains("give --lamp auto"), "{notes}");
}

#[test]
fn recordings_that_do_not_go_together() {
    let p = Place::new();
    let bench = instrument(AxisKind::Pixel);
    expose(&p, "tube.csv", &bench, &fluorescent());
    expose(&p, "short.csv", &Instrument { pixels: 1024, ..bench.clone() }, &fluorescent());
    expose(&p, "nm.csv", &instrument(AxisKind::Nm), &fluorescent());
    for other in ["short.csv", "nm.csv"] {
        let name = other.trim_end_matches(".csv");
        let args = ["calibrate", "tube.csv", other, "--out", "p.toml"];
        p.refuse(&args, &[name, "its axis is not that of tube", "one instrument"]);
    }
    p.refuse(&["calibrate", "tube.csv", "gone.csv", "--out", "p.toml"], &["gone.csv"]);
}

/// Two detectors in one file: the second begins 40 nm above where the first ends.
#[test]
fn an_axis_with_a_leap() {
    let p = Place::new();
    let s = record(&instrument(AxisKind::Nm), &fluorescent(), &Tables::bundled().unwrap(), 7);
    let s = s.unwrap();
    let mut text = String::from("nm,counts\n");
    for (nm, counts) in s.x().iter().zip(s.counts()) {
        if !(620.0..660.0).contains(nm) {
            text += &format!("{nm:.3},{counts:.1}\n");
        }
    }
    p.write("two.csv", text);
    p.refuse(
        &["calibrate", "two.csv", "--out", "p.toml"],
        &["leaps from 61", "to 66", "two detectors", "a recording of its own"],
    );
}

#[test]
fn what_is_no_lamp() {
    let line = |nm: f64| SingleLine { wavelength_nm: nm, strength: 1.0 };
    let hump = |centre_nm, fwhm_nm, strength| Hump { centre_nm, fwhm_nm, strength };
    let warm = |temperature_k| Scene {
        continuum: vec![Continuum { temperature_k, strength: 0.02 }],
        ..Scene::default()
    };
    let scenes: [(&str, Scene); 6] = [
        ("daylight", warm(5800.0)),
        ("incandescent", warm(2700.0)),
        ("dark", Scene { exposure_electrons: 0.0, ..Scene::default() }),
        ("led", Scene { hump: vec![hump(630.0, 18.0, 8.0)], ..Scene::default() }),
        (
            "white-led",
            Scene {
                hump: vec![hump(450.0, 22.0, 4.0), hump(560.0, 120.0, 12.0)],
                ..Scene::default()
            },
        ),
        ("two-lines", Scene { line: vec![line(435.833), line(546.075)], ..Scene::default() }),
    ];
    for axis in [AxisKind::Nm, AxisKind::Pixel] {
        let p = Place::new();
        for (name, scene) in &scenes {
            let file = format!("{name}.csv");
            expose(&p, &file, &instrument(axis), scene);
            let outs = ["--out", "p.toml", "--svg", "p.svg", "--write-corrected", "c.csv"];
            for lamp in ["fluorescent", "auto", "Ne"] {
                let args = [&["calibrate", &file, "--lamp", lamp], &outs[..]].concat();
                p.refuse(&args, &[&format!("calibration with {name}: refused, because")]);
            }
        }
    }
}

#[test]
fn a_range_that_is_far_off() {
    let p = Place::new();
    let bench = instrument(AxisKind::Pixel);
    expose(&p, "neon.csv", &bench, &glow(&[("Ne I", 1.0)]));
    let with =
        |about| ["calibrate", "neon.csv", "--lamp", "Ne", "--out", "p.toml", "--about", about];
    p.refuse(&with("900..1700"), &["refused", "both ends"]);
    p.refuse(&with("1100..300"), &["1100..300"]);
    p.refuse(&with("300"), &["300"]);
    // The truth is 300 to 1100 nm.
    p.answer(&with("320..1080"));
    assert!(worst(&p, "p.toml", &bench) < FARTHEST_U);
}

#[test]
fn the_corrected_recording_reads_back() {
    let p = Place::new();
    demo(&p);
    let lamp = "demo-spectra/lamp.csv";
    p.answer(&["calibrate", lamp, "--out", "p.toml", "--write-corrected", "lamp-nm.csv"]);
    let centres = |args: &[&str]| -> Vec<f64> {
        let record = json(&p.answer(&[&["peaks"], args, &["--json"]].concat()).out);
        let peaks = record["peaks"]["list"].as_array().unwrap();
        peaks.iter().map(|p| p["centre"]["value"].as_f64().unwrap()).collect()
    };
    let (file, profile) = (centres(&["lamp-nm.csv"]), centres(&[lamp, "--profile", "p.toml"]));
    // The green line, Hg I 546.075 nm (NIST Atomic Spectra Database).
    for list in [&file, &profile] {
        assert!(list.iter().any(|nm| (nm - 546.075).abs() < 0.1), "{list:?}");
    }
    assert!(file.len().abs_diff(profile.len()) <= 2, "{} {}", file.len(), profile.len());
    p.refuse(&["calibrate", lamp, "--out", "p.toml", "--write-corrected", lamp], &["overwritten"]);
    p.refuse(
        &["calibrate", lamp, "--out", "q.toml", "--write-corrected", "no/c.csv"],
        &["no/c.csv"],
    );
}

/// The demo bench's own facts (demo-spectra/recipe.toml) make its axis surer at the ends.
#[test]
fn facts_of_the_optics_narrow_the_axis() {
    let p = Place::new();
    let bench = instrument(AxisKind::Pixel);
    expose(&p, "neon.csv", &bench, &glow(&[("Ne I", 1.0)]));
    let end = |more: &[&str], out: &str| {
        let args = [&["calibrate", "neon.csv", "--lamp", "Ne", "--out", out], more].concat();
        p.answer(&args);
        Profile::load(&p.path().join(out)).unwrap().wavelength(0.0).u
    };
    let facts = ["--grooves", "600", "--included-angle", "24", "--detector-tilt", "3"];
    let (without, with) = (end(&[], "a.toml"), end(&facts, "b.toml"));
    assert!(with < without, "{with} {without}");
    assert!(worst(&p, "b.toml", &bench) < FARTHEST_U);
    p.refuse(&["calibrate", "neon.csv", "--grooves=-600"], &["-600"]);
}

#[test]
fn a_sheet_with_several_lamps() {
    let p = Place::new();
    let bench = instrument(AxisKind::Pixel);
    expose(&p, "tube.csv", &bench, &fluorescent());
    expose(&p, "neon.csv", &bench, &glow(&[("Ne I", 1.0)]));
    expose(&p, "a1.csv", &bench, &glow(&[("He I", 1.0)]));
    let sheet = |about: &str| {
        format!(
            "[instrument]\nlamp = [\"tube.csv\", \"neon.csv\"]\nlamp-is = \"auto\"\n{about}\n\
             [instrument.optics]\ngrooves-per-mm = 600\n[[tube]]\nname = \"A1\"\nfile = \"a1.csv\"\n"
        )
    };
    p.write("bench.toml", sheet("about-nm = [300, 1100]"));
    p.answer(&["run", "bench.toml", "--out", "out"]);
    let profile = Profile::load(&p.path().join("out/instrument.profile.toml")).unwrap();
    assert_eq!(profile.lamps.len(), 2);
    assert_eq!(profile.settings.about_nm, Some([300.0, 1100.0]));
    assert_eq!(profile.settings.optics.grooves_per_mm, Some(600.0));
    let files: BTreeMap<String, String> = ["lamp.svg", "lamp_2.svg", "calibration.svg"]
        .map(|n| (n.to_string(), p.read(&format!("out/{n}"))))
        .into();
    assert!(files["calibration.svg"].contains("Ne I 640.22"));
    let record = json(&p.read("out/a1.json"));
    assert_eq!(record["summary"]["seen"], serde_json::json!(["He"]));
    // A name that no table knows is refused before anything is written.
    p.write("bench.toml", sheet("").replace("auto", "sodum"));
    p.refuse(&["run", "bench.toml", "--out", "other"], &["lamp-is", "`sodum`"]);
    p.write("bench.toml", sheet("").replace("lamp-is", "lamp-ist"));
    p.refuse(&["run", "bench.toml", "--out", "other"], &["line 3", "`lamp-ist`", "`lamp-is`"]);
}
