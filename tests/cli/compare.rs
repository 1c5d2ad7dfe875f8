//! Tubes against each other.

use super::place::{Place, demo};
use serde_json::Value;

#[test]
fn a_drawer_is_compared_drawn_and_listed() {
    let place = Place::new();
    demo(&place);
    let sheet = "demo-spectra/drawer.toml";
    let ran = place.answer(&["compare", "--sheet", sheet, "--svg", "c.svg", "--csv", "c.csv"]);
    // What is true of these stands in demo-spectra/recipe.toml: A5 and A10 show neon alone, A8 has let air in.
    assert!(ran.out.contains("A8 stands out: N2") || ran.out.contains("≠ differs"), "{}", ran.out);
    assert!(ran.out.contains("high voltage"));
    let rows = place.read("c.csv");
    assert_eq!(rows.lines().count(), 1 + 45, "ten tubes have 45 pairs");
    let row = |a: &str, b: &str| {
        rows.lines().find(|r| r.starts_with(&format!("{a},{b},"))).unwrap().to_string()
    };
    assert!(row("A5", "A10").contains("same fill"), "{}", row("A5", "A10"));
    assert!(row("A1", "A8").contains("differs,N2"), "{}", row("A1", "A8"));
    assert!(place.read("c.svg").contains("class=\"matrix\""));
    let json: Value =
        serde_json::from_str(&place.answer(&["compare", "--sheet", sheet, "--json"]).out).unwrap();
    assert_eq!(json["format"], "glowtell-comparison");
    assert_eq!(json["comparison"]["pairs"].as_array().unwrap().len(), 45);
    assert_eq!(json["inputs"].as_array().unwrap().len(), 10);
}

#[test]
fn what_cannot_be_compared_is_said() {
    let place = Place::new();
    demo(&place);
    let a1 = "demo-spectra/tube-a1.csv";
    place.refuse(&["compare", a1], &["two recordings"]);
    place.refuse(&["compare", a1, a1], &["named twice"]);
    place.refuse(&["compare", a1, "nothing.csv"], &["nothing.csv"]);
    place.refuse(&["compare", a1, "demo-spectra/tube-a2.csv", "--svg", a1], &["overwritten"]);
    let sheet = "demo-spectra/drawer.toml";
    place.refuse(&["compare", a1, "--sheet", sheet], &["not both"]);
    place.write("px1.csv", pixels(1.0));
    place.write("px2.csv", pixels(2.0));
    place.refuse(&["compare", "px1.csv", "px2.csv"], &["pixels", "--profile"]);
}

/// A recording on a pixel axis.
fn pixels(scale: f64) -> String {
    let line = |x: f64, c: f64| (-(x - c).powi(2) / 4.0).exp();
    (0..400)
        .map(|i| {
            let x = f64::from(i);
            let counts = 100.0 + scale * 900.0 * (line(x, 90.0) + line(x, 250.0)) + (x * 7.3).sin();
            format!("{i},{counts:.3}\n")
        })
        .collect()
}
