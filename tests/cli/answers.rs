//! The demo drawer, answered.

use crate::place::{Place, Ran, demo};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Read;
use std::process::{Command, Stdio};

/// Nothing that goes to a pipe is wider or holds control characters.
const WIDEST: usize = 100;

const PROFILE: &str = "club.profile.toml";

/// A place with the demo drawer and the profile that its lamp gives.
fn bench() -> Place {
    let p = Place::new();
    demo(&p);
    p.answer(&["calibrate", "demo-spectra/lamp.csv", "--out", PROFILE, "--quiet"]);
    p
}

#[track_caller]
fn assert_plain(ran: &Ran) {
    for line in ran.out.lines() {
        let columns = line.chars().count();
        assert!(columns <= WIDEST, "{columns} columns: {line}");
    }
    assert!(!ran.out.contains('\u{1b}'), "{}", ran.out);
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e} in {text:.300}"))
}

/// Names of the gases of a record with this verdict.
fn gases(record: &Value, verdict: &str) -> Vec<String> {
    let list = record["summary"][verdict].as_array().unwrap();
    list.iter().map(|v| v.as_str().unwrap().to_string()).collect()
}

#[test]
fn help_of_every_command() {
    let p = Place::new();
    assert_plain(&p.answer(&["--help"]));
    assert!(p.answer(&["--version"]).out.starts_with("glowtell "));
    for command in ["run", "calibrate", "verify", "peaks", "gases", "source", "lines", "simulate"] {
        let long = p.answer(&[command, "--help"]);
        assert_plain(&long);
        assert!(long.out.contains("Example"), "{}", long.out);
        p.answer(&["help", command]);
        p.answer(&[command, "-h"]);
    }
}

#[test]
fn lines_of_the_tables() {
    let p = Place::new();
    for args in [
        &["lines"][..],
        &["lines", "Ne I"],
        &["lines", "N2"],
        &["lines", "--near", "546.1"],
        &["lines", "Ar", "Kr", "--near", "811.4", "--within", "0.5"],
        &["lines", "--near", "190.0", "--within", "0.001"],
    ] {
        let ran = p.answer(args);
        assert_plain(&ran);
        assert!(!ran.out.is_empty(), "{args:?}");
    }
    // Hg I 546.075, NIST Atomic Spectra Database.
    assert!(p.answer(&["lines", "Hg I", "--near", "546"]).out.contains("546.07"));
    let near = p.answer(&["lines", "Ar", "Kr", "--near", "811.4", "--json"]).out;
    let species: Vec<String> =
        near.lines().map(|l| json(l)["species"].as_str().unwrap().into()).collect();
    assert!(species.contains(&"Ar I".to_string()) && species.contains(&"Kr I".to_string()));
    assert!(species.iter().all(|s| s.starts_with("Ar") || s.starts_with("Kr")), "{species:?}");
}

#[test]
fn a_reader_who_has_seen_enough_is_no_failure() {
    let p = Place::new();
    let mut child = Command::new(env!("CARGO_BIN_EXE_glowtell"))
        .args(["lines", "--near", "600", "--within", "400", "--json"])
        .current_dir(p.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let mut err = String::new();
    child.stderr.take().unwrap().read_to_string(&mut err).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{err}");
    assert_eq!(err, "");
}

#[test]
fn a_lamp_gives_a_profile() {
    let p = Place::new();
    demo(&p);
    let ran = p.answer(&["calibrate", "demo-spectra/lamp.csv", "--svg", "residuals.svg"]);
    assert_plain(&ran);
    assert!(ran.out.contains("lamp.profile.toml"), "{}", ran.out);
    assert!(p.read("lamp.profile.toml").contains("glowtell-profile"));
    assert!(p.read("residuals.svg").starts_with("<svg"));
    let text = p.read("lamp.profile.toml");
    let ran = p.answer(&["calibrate", "demo-spectra/lamp.csv", "--json", "--instrument", "x"]);
    assert_eq!(json(&ran.out)["instrument"], "x");
    assert_eq!(text.replace("unnamed spectrometer", "x"), p.read("lamp.profile.toml"));
}

#[test]
fn peaks_as_table_csv_json_and_drawing() {
    let p = bench();
    let file = "demo-spectra/tube-a1.csv";
    let with = |more: &[&str]| {
        let args = [&["peaks", file, "--profile", PROFILE], more].concat();
        p.answer(&args)
    };
    let ran = with(&["--csv", "peaks.csv", "--svg", "light.svg"]);
    assert_plain(&ran);
    with(&["--svg", "dark.svg", "--theme", "dark"]);
    assert_ne!(p.read("light.svg"), p.read("dark.svg"));
    let record = json(&with(&["--json"]).out);
    assert_eq!(record["format"], "glowtell-record");
    let peaks = record["peaks"]["list"].as_array().unwrap();
    assert_eq!(p.read("peaks.csv").lines().count(), peaks.len() + 1);
    // Ne I 703.241, NIST Atomic Spectra Database: the strongest isolated line of the tube.
    let near = peaks.iter().filter_map(|p| p["centre"]["value"].as_f64());
    let nearest = near.map(|nm| (nm - 703.241).abs()).fold(f64::INFINITY, f64::min);
    assert!(nearest < 0.5, "{nearest}");
    assert!(with(&["--quiet"]).out.len() < ran.out.len());
}

/// Strong lines of Ne I between 585 and 704 nm, air; NIST Atomic Spectra Database.
const NEON_NM: [f64; 21] = [
    585.249, 588.190, 594.483, 602.999, 607.434, 609.616, 614.306, 616.359, 621.728, 626.650,
    630.479, 633.443, 638.299, 640.225, 650.653, 653.288, 659.895, 667.828, 671.704, 692.947,
    703.241,
];

#[test]
fn lines_that_stand_close_are_found_nearly_all() {
    let p = bench();
    for tube in ["a1", "a10"] {
        let file = format!("demo-spectra/tube-{tube}.csv");
        let record = json(&p.answer(&["peaks", &file, "--profile", PROFILE, "--json"]).out);
        let peaks = record["peaks"]["list"].as_array().unwrap();
        let at: Vec<f64> = peaks.iter().filter_map(|p| p["centre"]["value"].as_f64()).collect();
        let found = NEON_NM.iter().filter(|nm| at.iter().any(|p| (p - **nm).abs() < 0.3)).count();
        // 638.3 and 640.2 are a blend of lines 1.2 widths apart and may be taken for one.
        assert!(found >= NEON_NM.len() - 2, "{tube}: {found} of {} in {at:?}", NEON_NM.len());
    }
}

#[test]
fn gases_of_a_neon_tube() {
    let p = bench();
    let args = ["gases", "demo-spectra/tube-a10.csv", "--profile", PROFILE];
    let ran = p.answer(&args);
    assert_plain(&ran);
    assert!(ran.out.contains("Cautions"));
    let row = ran.out.lines().find(|l| l.starts_with("Ne ")).unwrap();
    assert!(row.contains("seen"), "{row}");
    let quiet = p.answer(&[&args[..], &["--quiet"]].concat()).out;
    assert!(!quiet.contains("Cautions") && !quiet.contains("Notes"), "{quiet}");
    let record = json(&p.answer(&[&args[..], &["--json", "--svg", "a.svg"]].concat()).out);
    assert_eq!(gases(&record, "seen"), ["Ne"]);
    assert_eq!(record["input"]["points"], 2048);
    assert!(p.read("a.svg").contains("Ne I"));
    let asked = [&args[..], &["--ask", "he, Ne", "--json"]].concat();
    let record = json(&p.answer(&asked).out);
    assert_eq!(record["gases"]["gases"].as_array().unwrap().len(), 2);
}

#[test]
fn several_files_are_answered_one_after_the_other() {
    let p = bench();
    let files = ["demo-spectra/tube-a1.csv", "demo-spectra/tube-a3.txt"];
    let args = [&["gases"][..], &files, &["--profile", PROFILE]].concat();
    let ran = p.answer(&args);
    assert_plain(&ran);
    for file in files {
        assert!(ran.out.lines().any(|l| l == file), "{}", ran.out);
    }
    assert_eq!(ran.out.matches("Cautions").count(), 1);
    let both = p.answer(&[&args[..], &["--json"]].concat()).out;
    let records: Vec<Value> =
        serde_json::Deserializer::from_str(&both).into_iter().map(Result::unwrap).collect();
    assert_eq!(records.len(), 2);
}

#[test]
fn a_profile_of_another_instrument_is_refused() {
    let p = bench();
    let whole = p.read("demo-spectra/tube-a1.csv");
    let half: Vec<&str> = whole.lines().take(1000).collect();
    p.write("half.csv", half.join("\n"));
    for command in ["gases", "peaks"] {
        p.refuse(&[command, "half.csv", "--profile", PROFILE], &["half", "2048 points", "999"]);
    }
}

/// Everything that a run left, by name.
fn contents(p: &Place, folder: &str) -> BTreeMap<String, String> {
    let prefix = format!("{folder}/");
    let names = p.files().into_iter().filter_map(|f| Some(f.strip_prefix(&prefix)?.to_string()));
    names.filter(|n| !n.is_empty()).map(|n| (n.clone(), p.read(&format!("{prefix}{n}")))).collect()
}

#[test]
fn the_whole_drawer() {
    let p = Place::new();
    demo(&p);
    let first = p.answer(&["run", "demo-spectra/drawer.toml", "--out", "one"]);
    assert_plain(&first);
    let second = p.answer(&["run", "demo-spectra/drawer.toml", "--out", "two"]);
    assert_eq!(first.out.replace(" one\n", " two\n"), second.out);
    let (one, two) = (contents(&p, "one"), contents(&p, "two"));
    assert!(one == two, "two runs differ");
    for name in [
        "instrument.profile.toml",
        "calibration.svg",
        "lamp.svg",
        "summary.csv",
        "verdicts.csv",
        "summary.json",
        "a1.svg",
        "a1.json",
        "a10.json",
        "nail-lamp.svg",
        "fish-tank-steriliser.json",
    ] {
        assert!(one.contains_key(name), "no {name} in {:?}", one.keys());
    }
    for (name, text) in &one {
        match name.rsplit_once('.').unwrap().1 {
            "json" => assert!(!json(text).is_null(), "{name}"),
            "svg" => assert!(text.starts_with("<svg") && text.trim_end().ends_with("</svg>")),
            _ => assert!(!text.is_empty(), "{name}"),
        }
    }
    assert_eq!(json(&one["summary.json"]).as_array().unwrap().len(), 13);
    assert_eq!(json(&one["a1.json"])["known"]["supply-voltage-v"], "160");
    // What is true of these stands in demo-spectra/recipe.toml; none may be named wrongly.
    assert_eq!(gases(&json(&one["a10.json"]), "seen"), ["Ne"]);
    assert!(gases(&json(&one["a7.json"]), "seen").contains(&"Hg".to_string()));
    assert!(gases(&json(&one["a3.json"]), "seen").contains(&"Ar".to_string()));
}

#[test]
fn a_recipe_makes_the_demo_drawer() {
    let p = Place::new();
    demo(&p);
    p.answer(&["simulate", "demo-spectra/recipe.toml", "--out", "made"]);
    let made = contents(&p, "made");
    assert!(made.len() > 10, "{:?}", made.keys());
    for (name, text) in made {
        assert!(text == p.read(&format!("demo-spectra/{name}")), "{name} differs");
    }
}

#[test]
fn a_lamp_that_is_no_lamp_leaves_the_factory_axis_and_says_so() {
    let p = Place::new();
    demo(&p);
    let sheet =
        "[instrument]\nlamp = \"tube-a6.csv\"\n[[tube]]\nname = \"a\"\nfile = \"tube-a1.csv\"\n";
    p.write("demo-spectra/sheet.toml", sheet);
    let ran = p.run(&["run", "demo-spectra/sheet.toml", "--out", "out"]);
    assert_eq!(ran.code, Some(2), "{}", ran.err);
    assert_eq!(ran.err.lines().count(), 1, "{}", ran.err);
    assert!(ran.err.starts_with("glowtell: the lamp could not set the axis: "), "{}", ran.err);
    assert!(p.files().contains(&"out/a.svg".to_string()), "{:?}", p.files());
    assert!(ran.out.contains("keep their own"), "{}", ran.out);
}

/// A blue sign tube holds mercury, whose ultraviolet no label tells of.
#[test]
fn a_bench_of_tubes_alone_warns_of_the_ultraviolet_that_they_show() {
    let place = Place::new();
    demo(&place);
    place.write("s.toml", "[[tube]]\nname = \"A7\"\nfile = \"demo-spectra/tube-a7.csv\"\n");
    let out = place.answer(&["run", "s.toml", "--out", "out"]).out;
    assert!(out.contains("ultraviolet: ") && out.contains("high voltage: "), "{out}");
}

/// The share that chance accounts for is told where it is asked for: (D + 1) over 40 copies and the names.
#[test]
fn chance_is_told_where_it_is_asked_for() {
    let p = bench();
    let ask = ["gases", "demo-spectra/tube-a1.csv", "--profile", PROFILE];
    assert!(!p.answer(&ask).out.contains("displaced copies"));
    let told = p.answer(&[&ask[..], &["--chance"]].concat());
    assert_plain(&told);
    assert!(told.out.contains("displaced copies"), "{}", told.out);
    let record = json(&p.answer(&[&ask[..], &["--chance", "--json"]].concat()).out);
    let chance = &record["gases"]["chance"];
    let number = |name: &str| chance[name].as_f64().unwrap_or_else(|| panic!("{chance}"));
    assert!(number("named") >= 1.0 && number("copies") > 1000.0);
    let share = (number("reached") + 1.0) / (40.0 * number("named"));
    assert!((number("share") - share).abs() < 1e-12, "{chance}");
}
