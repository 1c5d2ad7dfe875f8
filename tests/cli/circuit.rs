//! Voltages and currents from a sheet's circuit notes.

use super::place::{Place, Ran, demo};

const TUBE: &str = "\n[[tube]]\nname = \"T\"\nfile = \"demo-spectra/tube-a1.csv\"\nsupply-voltage-v = 420\n\
                    series-resistor-ohm = 4.7e6\n";

/// The program's answer to a bench sheet with these tables around one tube.
fn sheet(probe: &str, circuit: &str) -> (Place, Ran) {
    let place = Place::new();
    demo(&place);
    place.write("s.toml", format!("{probe}{TUBE}{circuit}"));
    let out = place.run(&["run", "s.toml", "--out", "out"]);
    (place, out)
}

#[test]
fn a_probe_and_a_reading_give_voltage_and_current() {
    let (place, out) = sheet(
        "[probe]\nfactor = 101\nfactor-accuracy-percent = 1\nmeter-resistance-ohm = 10e6\n\
         accuracy-percent = 0.5\n",
        "[tube.circuit]\nprobe-reading-v = 4\nsupply-accuracy-percent = 1\n\
         series-resistor-tolerance-percent = 5\nplateau-v = [350, 450]\n\
         responds-to-ultraviolet = \"no\"\n",
    );
    assert_eq!(out.code, Some(0), "{}", out.err);
    let record: serde_json::Value = serde_json::from_str(&place.read("out/t.json")).unwrap();
    let circuit = &record["circuit"];
    let close = |name: &str, value: f64, u: f64| {
        let q = &circuit[name];
        let (v, s) = (q["value"].as_f64().unwrap(), q["u"].as_f64().unwrap());
        assert!((v / value - 1.0).abs() < 1e-4 && (s / u - 1.0).abs() < 0.01, "{name}: {q}");
    };
    // By hand: 101 × 4 V; u = 404 √(1² + 0.5²)/(100 √3).
    close("tube_voltage_v", 404.0, 404.0 * 1.25f64.sqrt() / 100.0 / 3f64.sqrt());
    // (420 − 404)/4.7 MΩ less 404/1.01 GΩ is 3.004 µA; with some 5 V of doubt over 4.7 MΩ.
    assert!((circuit["current_a"]["value"].as_f64().unwrap() - 3.004e-6).abs() < 2e-9);
    assert_eq!(circuit["plateau"]["place"], "on");
    assert_eq!(circuit["responds_to_ultraviolet"], "no");
    let text = out.out;
    assert!(text.contains("404.0 ± 2.6 V"), "{text}");
    assert!(text.contains("no safety-rated high-voltage probe"), "{text}");
    assert!(place.read("out/report.html").contains("404.0 ± 2.6 V"));
}

#[test]
fn circuit_notes_that_cannot_be_are_refused() {
    let told = |probe: &str, circuit: &str, word: &str| {
        let (place, out) = sheet(probe, circuit);
        let text = out.err;
        assert_eq!(out.code, Some(2), "{text}");
        assert!(text.contains(word) && text.trim_end().lines().count() == 1, "{text}");
        assert!(!place.path().join("out").exists());
    };
    told("", "[tube.circuit]\nprobe-reading-v = 4\n", "does not tell the probe's factor");
    told("[probe]\ndirect-v = 9\n", "", "one of direct-v and through-probe-v");
    told("[probe]\ndirect-v = 9\nthrough-probe-v = 10\n", "", "not below direct-v");
    told("", "[tube.circuit]\nplateau-v = [450, 350]\n", "the lower first");
    told("", "[tube.circuit]\nplateau-slope-percent-per-100v = 5\n", "no plateau-v");
    told("", "[tube.circuit]\ndirect-reading-v = -4\n", "positive number");
    told("", "[tube.circuit]\nresponds-to-ultraviolet = \"maybe\"\n", "no bench sheet");
}
