//! What light sources emit, and what their labels are worth.

use crate::place::{Place, assert_refused, demo};
use serde_json::Value;

const PROFILE: &str = "club.profile.toml";

fn bench() -> Place {
    let p = Place::new();
    demo(&p);
    p.answer(&["calibrate", "demo-spectra/lamp.csv", "--out", PROFILE, "--quiet"]);
    p
}

fn source(p: &Place, file: &str, more: &[&str]) -> crate::place::Ran {
    let file = format!("demo-spectra/{file}");
    p.run(&[&["source", file.as_str(), "--profile", PROFILE], more].concat())
}

#[test]
fn a_false_label_ends_with_one_and_a_true_one_with_zero() {
    let p = bench();
    let ran = source(&p, "nail-lamp.csv", &["--claim", "365"]);
    assert_eq!((ran.code, ran.err.as_str()), (Some(1), ""), "{}", ran.out);
    assert!(ran.out.contains("does not hold") && ran.out.contains("light-emitting diode"));
    let ran = source(&p, "nail-lamp.csv", &["--claim", "395-405"]);
    assert_eq!(ran.code, Some(0), "{}", ran.out);
    assert!(ran.out.contains("holds"), "{}", ran.out);
    // True, and much of it is visible.
    let ran = source(&p, "banknote-checker.csv", &["--claim", "365", "--claim", "UV"]);
    assert_eq!(ran.code, Some(0), "{}", ran.out);
    assert!(ran.out.contains("sold as ultraviolet") && ran.out.contains("is visible"));
    assert!(ran.out.contains("ultraviolet fluorescent lamp"), "{}", ran.out);
    // One that fails among others.
    let ran = source(&p, "nail-lamp.csv", &["--claim", "395", "--claim", "254", "--claim", "red"]);
    assert_eq!(ran.code, Some(1), "{}", ran.out);
}

#[test]
fn what_this_instrument_cannot_see_is_neither_affirmed_nor_denied() {
    let p = bench();
    let ran = source(&p, "steriliser.csv", &["--claim", "254±2", "--claim", "UV-C"]);
    assert_eq!(ran.code, Some(0), "{}{}", ran.out, ran.err);
    for part in [
        "cannot be tested here",
        "companions",
        "435.8",
        "cannot clear a lamp of UV-C",
        "low-pressure mercury lamp",
        "all of it (100 to 280 nm)",
        "closed, opaque",
    ] {
        let flat = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(part), "{part} not in {}", ran.out);
    }
    assert!(!ran.out.contains(" holds"), "{}", ran.out);
}

#[test]
fn json_csv_drawing_and_electrodes() {
    let p = bench();
    let more = ["--claim", "365", "--csv", "s.csv", "--svg", "s.svg", "--electrodes"];
    let ran = source(&p, "banknote-checker.csv", &more);
    assert_eq!(ran.code, Some(0), "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("stainless steel") && ran.out.contains("surface condition matters"));
    for line in ran.out.lines() {
        assert!(line.chars().count() <= 100, "{line}");
    }
    let csv = p.read("s.csv");
    for part in ["kind,", "emission,", "region,UV-A", "claim,365,holds", "weighted,actinic S"] {
        assert!(csv.contains(part), "{part} not in {csv}");
    }
    let svg = p.read("s.svg");
    for part in ["UV-A", "visible", "claim 365: holds", "class=\"region\"", "<desc>"] {
        assert!(svg.contains(part), "{part} not in the drawing");
    }
    let ran = source(&p, "nail-lamp.csv", &["--claim", "365", "--json"]);
    assert_eq!(ran.code, Some(1));
    let record: Value = serde_json::from_str(&ran.out).unwrap();
    let s = &record["source"];
    assert_eq!(s["kind"]["kind"], "led");
    assert_eq!(s["claims"][0]["outcome"], "does-not-hold");
    assert_eq!(s["regions"][0]["unseen"], "all of it (100 to 280 nm)");
    // Truth: 396.5 nm; the response of a bare array pulls it up by half a nanometre.
    let peak = s["emissions"][0]["peak_nm"]["value"].as_f64().unwrap();
    assert!((peak - 397.0).abs() < 0.5, "{peak}");
    assert!(record["cautions"].as_array().unwrap().iter().any(|c| c["topic"] == "ultraviolet"));
}

#[test]
fn sources_side_by_side_and_bad_input() {
    let p = bench();
    let two = ["demo-spectra/nail-lamp.csv", "demo-spectra/banknote-checker.csv"];
    let ran = p.answer(&["source", two[0], two[1], "--profile", PROFILE, "--compare"]);
    assert!(ran.out.contains("Light over that of nail-lamp"), "{}", ran.out);
    p.refuse(&["source", two[0], "--claim", "very blue"], &["very blue", "UV-C"]);
    p.refuse(&["source", two[0], "--claim", "365,5"], &["decimal point"]);
    p.refuse(&["source", two[0], two[1], "--svg", "x.svg"], &["--svg"]);
    p.refuse(&["source", two[0], "--write-response", "r.csv"], &["colour-temperature"]);
    p.refuse(
        &["source", two[0], "--write-response", "r.csv", "--colour-temperature", "9000"],
        &["9000 K", "3500"],
    );
    p.write(
        "pixels.csv",
        "pixel,counts\n".to_string()
            + &(0..200).map(|i| format!("{i},{}\n", i % 7)).collect::<String>(),
    );
    let ran = p.run(&["source", "pixels.csv"]);
    assert_refused(&ran, &["source"], &["pixels", "profile"]);
    // A file that fails does not stop the others.
    let ran = p.run(&["source", "none.csv", two[0]]);
    assert_eq!(ran.code, Some(2));
    assert!(ran.out.contains("light-emitting diode") && ran.err.contains("none.csv"));
}

#[test]
fn a_response_curve_is_made_and_used() {
    let p = bench();
    // A lamp of 2856 K seen by an instrument whose response falls to the red.
    let planck = |nm: f64| (1000.0 / nm).powi(5) / (1.438_777e7 / (nm * 2856.0)).exp_m1();
    let rows: String = (0..1400)
        .map(|i| {
            let nm = 300.0 + 0.5 * f64::from(i);
            let ripple = f64::from(i * 7919 % 13);
            // Nothing below 350 nm: its glass.
            let light = if nm < 350.0 { 0.0 } else { 3e7 * planck(nm) * (1.2 - nm / 1100.0) };
            let counts = light + 100.0 + ripple;
            format!("{nm},{counts:.0}\n")
        })
        .collect();
    p.write("halogen.csv", format!("wavelength_nm,counts\n{rows}"));
    let made =
        ["source", "halogen.csv", "--colour-temperature", "2856", "--write-response", "r.csv"];
    let ran = p.answer(&made);
    assert!(ran.out.contains("no use below 380 nm"), "{}", ran.out);
    let ran = p.answer(&["source", "halogen.csv", "--response", "r.csv"]);
    assert!(ran.out.contains("incandescent lamp"), "{}", ran.out);
    assert!(ran.out.contains("correlated colour temperature 28"), "{}", ran.out);
}

#[test]
fn a_sheet_reports_its_labels_and_ends_with_zero() {
    let p = bench();
    let ran = p.answer(&["run", "demo-spectra/drawer.toml", "--out", "out"]);
    for part in ["does not hold", "cannot be tested here", "holds", "Light over that of nail lamp"]
    {
        assert!(ran.out.contains(part), "{part} not in {}", ran.out);
    }
    let summary: Value = serde_json::from_str(&p.read("out/summary.json")).unwrap();
    let of = |name: &str| {
        let rows = summary.as_array().unwrap();
        rows.iter().find(|r| r["item"] == name).unwrap().clone()
    };
    assert_eq!(of("nail lamp")["claims"][0], "365: does not hold");
    assert_eq!(of("banknote checker")["claims"][0], "365: holds");
    assert_eq!(of("fish-tank steriliser")["claims"][0], "254±2: cannot be tested here");
    assert_eq!(of("A1")["source"], "");
    assert!(p.read("out/sources.csv").contains("nail lamp,claim,365,does not hold"));
    assert!(p.read("out/comparison.csv").contains("banknote checker,nail lamp,UV-A"));
    assert!(p.read("out/nail-lamp.svg").contains("claim 365: does not hold"));
    p.write("bad.toml", "[[light]]\nname = \"x\"\nfile = \"x.csv\"\nclaim = \"sunny\"\n");
    p.refuse(&["run", "bad.toml"], &["bad.toml", "line 1", "sunny"]);
}
