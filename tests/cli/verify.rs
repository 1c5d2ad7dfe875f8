//! An axis judged by a lamp, as it is typed: answers, exit codes, what is kept, what is refused.

use crate::place::{Place, demo};
use std::path::Path;

const LAMP: &str = "demo-spectra/lamp.csv";
const PROFILE: &str = "club.profile.toml";

fn bench() -> Place {
    let p = Place::new();
    demo(&p);
    p
}

fn calibrated() -> Place {
    let p = bench();
    p.answer(&["calibrate", LAMP, "--out", PROFILE, "--instrument", "club spectrometer"]);
    p
}

fn json(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e} in {text:.300}"))
}

/// The factory's error in the recipe: offset 1.1, tilt -0.6, curvature 0.7 nm over 2048 pixels,
/// so between 1.0 and 2.4 nm everywhere.
#[test]
fn the_demo_lamp_tells_its_factory_error() {
    let p = bench();
    let ran = p.answer(&["verify", LAMP]);
    for part in ["read minus true", "offset (mean)", "good to", "What would mend", "line width"] {
        assert!(ran.out.contains(part), "{part}: {}", ran.out);
    }
    for line in ran.out.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
    let v = &json(&p.answer(&["verify", LAMP, "--json"]).out)["verification"];
    let offset = v["error"]["offset_nm"]["value"].as_f64().unwrap();
    assert!((1.0..1.4).contains(&offset), "{offset}");
    let tilt = v["error"]["tilt_nm_per_100nm"]["value"].as_f64().unwrap();
    assert!(tilt < 0.0, "{tilt}");
    // Same bytes twice.
    let again = p.answer(&["verify", LAMP, "--json"]).out;
    assert_eq!(again, p.answer(&["verify", LAMP, "--json"]).out);
}

#[test]
fn a_tolerance_sets_the_exit_code() {
    let p = bench();
    let holds = p.run(&["verify", LAMP, "--within", "3"]);
    assert_eq!(holds.code, Some(0), "{}", holds.err);
    assert!(holds.out.contains(": holds;"), "{}", holds.out);
    let broken = p.run(&["verify", LAMP, "--within", "0.5"]);
    assert_eq!((broken.code, broken.err.as_str()), (Some(1), ""));
    assert!(broken.out.contains(": does not hold;"), "{}", broken.out);
    let nothing = p.run(&["verify", LAMP, "--within", "9", "--over", "310..370"]);
    assert_eq!(nothing.code, Some(1));
    assert!(nothing.out.contains(": cannot be tested here;"), "{}", nothing.out);
    let json = json(&p.run(&["verify", LAMP, "--within", "0.5", "--json"]).out);
    assert_eq!(json["verification"]["tolerance"]["claim"], "does not hold");
}

#[test]
fn a_profile_is_judged_and_keeps_its_checks() {
    let p = calibrated();
    let before = p.read(PROFILE);
    let judged = ["verify", LAMP, "--profile", PROFILE, "--within", "0.5"];
    let first = p.answer(&judged);
    let flat: String = first.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("The axis of the profile of club spectrometer"), "{flat}");
    assert!(flat.contains("since the profile was made") && flat.contains("no movement shows"));
    assert!(flat.contains("the recording that the profile was made from"), "{flat}");
    assert_eq!(p.read(PROFILE), before, "a profile changes only with --keep");
    p.answer(&["verify", LAMP, "--profile", PROFILE, "--keep", "--dated", "2024-05-01"]);
    let kept = p.read(PROFILE);
    assert!(kept.contains("[[checks]]") && kept.contains("2024-05-01"), "{kept}");
    let next = p.answer(&judged);
    let flat: String = next.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("since the last kept check, 2024-05-01: 0"), "{flat}");
    // A profile with checks is a profile.
    p.answer(&["gases", "demo-spectra/tube-a1.csv", "--profile", PROFILE, "--quiet"]);
    p.answer(&["verify", LAMP, "--profile", PROFILE, "--keep"]);
    assert_eq!(p.read(PROFILE).matches("[[checks]]").count(), 2);
}

#[test]
fn the_correction_is_a_profile_that_mends_the_axis() {
    let p = bench();
    p.answer(&["verify", LAMP, "--out", "mended.toml", "--svg", "sheet.svg"]);
    let svg = p.read("sheet.svg");
    assert!(svg.starts_with("<svg") && svg.contains("read minus true"), "{svg:.200}");
    let v = &json(&p.answer(&["verify", LAMP, "--profile", "mended.toml", "--json"]).out)["verification"];
    let offset = v["error"]["offset_nm"]["value"].as_f64().unwrap();
    assert!(offset.abs() < 0.05, "{offset}");
    p.answer(&["gases", "demo-spectra/tube-a1.csv", "--profile", "mended.toml", "--quiet"]);
    p.answer(&["verify", LAMP, "--profile", "mended.toml", "--out", "new.toml"]);
    assert!(p.read("new.toml").contains("glowtell-profile"));
}

#[test]
fn repeats_of_one_lamp() {
    let p = bench();
    std::fs::copy(p.path().join(LAMP), p.path().join("again.csv")).unwrap();
    let ran = p.answer(&["verify", LAMP, "--repeats", "again.csv"]);
    assert!(ran.out.contains("Repeatability") && ran.out.contains("type A"), "{}", ran.out);
    assert!(ran.out.contains("are the same file"), "{}", ran.out);
    p.write("short.csv", "nm,counts\n400,1\n401,2\n402,1\n403,2\n404,1\n405,2\n");
    p.refuse(&["verify", LAMP, "--repeats", "short.csv"], &["short"]);
}

#[test]
fn what_is_no_lamp_is_refused() {
    let p = bench();
    for name in ["nail-lamp.csv", "tube-a1.csv"] {
        let file = format!("demo-spectra/{name}");
        p.refuse(&["verify", &file], &["verification with", "refused"]);
    }
    let noise = |i: usize| 100 + (i * 7919) % 23;
    let mut dark = String::from("nm,counts\n");
    let mut day = dark.clone();
    let mut pixels = String::from("pixel,counts\n");
    for i in 0..1200 {
        let nm = 350.0 + 0.4 * i as f64;
        let hump = 9000.0 * (-((nm - 560.0) / 130.0f64).powi(2)).exp();
        dark += &format!("{nm:.2},{}\n", noise(i));
        day += &format!("{nm:.2},{}\n", noise(i) + hump as usize);
        pixels += &format!("{i},{}\n", noise(i));
    }
    p.write("dark.csv", dark);
    p.write("day.csv", day);
    p.write("pixels.csv", pixels);
    p.refuse(&["verify", "dark.csv"], &["verification with dark", "refused"]);
    p.refuse(&["verify", "day.csv", "--within", "1"], &["verification with day", "refused"]);
    p.refuse(&["verify", "pixels.csv"], &["pixels", "glowtell calibrate", "--profile"]);
    p.refuse(&["verify", "gone.csv"], &["gone.csv"]);
    p.refuse(&["verify", LAMP, "--repeats", "gone.csv"], &["gone.csv"]);
    p.refuse(&["verify", LAMP, "--profile", "gone.toml"], &["gone.toml"]);
}

#[test]
fn mistakes_in_typing() {
    let p = calibrated();
    p.refuse(&["verify"], &["<FILE>"]);
    p.refuse(&["verify", LAMP, "--within", "-1"], &["-1"]);
    p.refuse(&["verify", LAMP, "--over", "400..700"], &["--within"]);
    p.refuse(&["verify", LAMP, "--within", "1", "--over", "700..400"], &["700..400"]);
    p.refuse(&["verify", LAMP, "--keep"], &["--keep", "--profile"]);
    p.refuse(&["verify", LAMP, "--profile", PROFILE, "--dated", "2024-05-01"], &["--keep"]);
    let args = ["verify", LAMP, "--profile", PROFILE, "--keep", "--dated", "2024-02-30"];
    p.refuse(&args, &["2024-02-30"]);
    p.refuse(&["verify", LAMP, "--out", LAMP], &["overwritten"]);
    p.refuse(&["verify", LAMP, "--profile", PROFILE, "--out", PROFILE], &["overwritten"]);
}

/// Measured recordings that are no lamp; skipped where the folder is missing.
#[test]
fn measured_light_that_is_no_lamp() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/real-spectra");
    if !folder.is_dir() {
        println!("skipped: no folder of measured spectra beside the repository");
        return;
    }
    let p = Place::new();
    for name in ["daylight.csv", "dark-frame.csv", "uv-led-395.csv", "white-led.csv"] {
        let file = folder.join(name);
        p.refuse(&["verify", file.to_str().unwrap()], &["refused"]);
    }
}

/// Sodium D2 stands at 588.995 nm in air and 589.158 nm in vacuum (NIST; Ciddor 1996).
#[test]
fn wavelengths_in_vacuum() {
    let p = bench();
    let air = p.answer(&["lines", "Na", "--near", "588.995", "--within", "0.05"]).out;
    assert!(air.contains("nm (air)") && air.contains("588.99"), "{air}");
    let args = ["lines", "Na", "--near", "589.158", "--within", "0.05", "--vacuum"];
    let vacuum = p.answer(&args).out;
    assert!(vacuum.contains("nm (vacuum)") && vacuum.contains("589.158"), "{vacuum}");
    assert!(!vacuum.contains("(air)"), "{vacuum}");
    p.refuse(&["lines", "Na", "--vacuum", "--json"], &["--vacuum"]);
    let args = ["peaks", LAMP, "--vacuum", "--csv", "v.csv"];
    assert!(p.answer(&args).out.contains("centre, nm (vacuum)"));
    p.answer(&["peaks", LAMP, "--csv", "a.csv"]);
    let first = |name: &str| -> f64 {
        let text = p.read(name);
        text.lines().nth(1).unwrap().split(',').nth(1).unwrap().parse().unwrap()
    };
    assert!(p.read("v.csv").contains("centre_nm_vacuum"));
    let (a, v) = (first("a.csv"), first("v.csv"));
    assert!((2.7e-4..3.0e-4).contains(&(v / a - 1.0)), "{a} {v}");
    p.refuse(&["peaks", LAMP, "--vacuum", "--json"], &["--vacuum"]);
}
