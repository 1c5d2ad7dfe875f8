//! Recordings from format to format, frames, exposures, and a sheet for a folder.

use crate::place::{Place, demo};
use std::collections::BTreeMap;

#[test]
fn a_recording_goes_round_the_formats() {
    let p = Place::new();
    demo(&p);
    let ran = p.answer(&["convert", "demo-spectra/tube-a3.txt", "--out", "a3.jdx"]);
    assert!(ran.out.contains("written: a3.jdx (2048 points)"), "{}", ran.out);
    p.answer(&["convert", "a3.jdx", "--out", "a3.fits"]);
    p.answer(&["convert", "a3.fits", "--out", "a3.csv"]);
    let first = p.answer(&["peaks", "demo-spectra/tube-a3.txt", "--quiet"]).out;
    for file in ["a3.jdx", "a3.fits", "a3.csv"] {
        assert_eq!(p.answer(&["peaks", file, "--quiet"]).out, first, "{file}");
    }
    p.refuse(&["convert", "a3.jdx", "--out", "a3.xls"], &["ending", "fits"]);
    p.refuse(&["convert", "a3.jdx", "--out", "a3.jdx"], &["overwritten"]);
    p.refuse(&["convert", "a3.jdx", "a3.csv", "--out", "b.csv"], &["--join"]);
    p.refuse(&["lines", "--dark", "a3.csv"], &["--dark", "means nothing"]);
    let repeats = ["1", "2", "3"].map(|k| format!("demo-spectra/tube-a5-{k}.csv"));
    let mut args = vec!["convert"];
    args.extend(repeats.iter().map(String::as_str));
    args.extend(["--join", "repeats", "--out", "a5.fits"]);
    let ran = p.answer(&args);
    assert!(ran.out.contains("mean of 3 recordings"), "{}", ran.out);
}

#[test]
fn peaks_of_an_exchange_file_are_listed() {
    let p = Place::new();
    p.write(
        "peaks.jdx",
        "##TITLE= p\n##XUNITS= NANOMETERS\n##PEAK TABLE= (XY..XY)\n546.07,100 435.83,80\n##END=\n",
    );
    p.refuse(&["peaks", "peaks.jdx"], &["table of peaks", "--peaks"]);
    p.answer(&["convert", "peaks.jdx", "--peaks", "--out", "peaks.csv"]);
    assert_eq!(p.read("peaks.csv"), "place,height\n546.07,100\n435.83,80\n");
}

/// A recording of a few lines on a dark level with a pattern.
fn text(share: f64, ms: u32) -> String {
    let mut out = format!("Integration time (ms): {ms}\nWavelength (nm),Intensity\n");
    for i in 0..1200u32 {
        let nm = 400.0 + 0.3 * f64::from(i);
        let lines: f64 = [(450.0, 9000.0), (520.0, 5000.0), (600.0, 12000.0), (700.0, 7000.0)]
            .iter()
            .map(|(c, h)| h * (-0.5 * ((nm - c) / 0.6f64).powi(2)).exp())
            .sum();
        let pattern = f64::from(i * 7919 % 97);
        let scatter = f64::from(i.wrapping_mul(2_654_435_761) >> 16 & 15) / 4.0;
        out += &format!("{nm:.3},{:.2}\n", 800.0 + pattern + share * lines + scatter);
    }
    out
}

#[test]
fn a_dark_on_the_command_line_and_on_a_sheet() {
    let p = Place::new();
    p.write("tube.csv", text(1.0, 100));
    p.write("dark.csv", text(0.0, 100));
    p.write("long.csv", text(0.0, 400));
    p.write("lit.csv", text(0.2, 100));
    let ran = p.answer(&["peaks", "tube.csv", "--dark", "dark.csv"]);
    assert!(ran.out.contains("A dark was subtracted (dark)"), "{}", ran.out);
    p.refuse(&["peaks", "tube.csv", "--dark", "long.csv"], &["400 ms", "100 ms"]);
    p.refuse(&["peaks", "tube.csv", "--dark", "lit.csv"], &["lit.csv", "holds light"]);
    p.write(
        "bench.toml",
        "[instrument]\ndark = \"dark.csv\"\n[[tube]]\nname = \"one\"\nfile = \"tube.csv\"\n",
    );
    p.answer(&["run", "bench.toml", "--out", "results"]);
    assert!(p.read("results/one.json").contains("A dark was subtracted"));
}

/// Gas and verdict by file, as `run` wrote them.
fn verdicts(p: &Place, folder: &str) -> BTreeMap<(String, String), String> {
    let text = p.read(&format!("{folder}/verdicts.csv"));
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head: Vec<String> = reader.headers().unwrap().iter().map(String::from).collect();
    let at = |n: &str| head.iter().position(|h| h == n).unwrap();
    let (file, gas, verdict) = (at("file"), at("gas"), at("verdict"));
    reader
        .records()
        .map(|r| r.unwrap())
        .map(|r| ((r[file].to_string(), r[gas].to_string()), r[verdict].to_string()))
        .collect()
}

#[test]
fn the_sheet_of_a_folder_gives_the_answers_of_the_one_written_by_hand() {
    let p = Place::new();
    demo(&p);
    p.answer(&["run", "demo-spectra/drawer.toml", "--out", "by-hand", "--quiet"]);
    let ran = p.answer(&["sheet", "demo-spectra"]);
    assert!(ran.out.contains("bench.toml"), "{}", ran.out);
    let sheet = p.read("demo-spectra/bench.toml");
    assert!(sheet.contains("lamp = \"lamp.csv\""), "{sheet}");
    p.answer(&["run", "demo-spectra/bench.toml", "--out", "by-itself", "--quiet"]);
    let (a, b) = (verdicts(&p, "by-hand"), verdicts(&p, "by-itself"));
    assert!(a.len() > 100);
    assert_eq!(a, b, "{sheet}");
    // A sheet that is there is not overwritten.
    p.refuse(&["sheet", "demo-spectra"], &["is there already"]);
}

#[test]
fn an_edited_sheet_is_replaced_only_where_that_is_asked() {
    let p = Place::new();
    p.write("tube.csv", text(1.0, 100));
    p.write("mine.toml", "# mine");
    p.refuse(
        &["sheet", ".", "--out", "mine.toml"],
        &["mine.toml", "is there already", "--replace"],
    );
    assert_eq!(p.read("mine.toml"), "# mine");
    p.answer(&["sheet", ".", "--out", "mine.toml", "--replace"]);
    assert!(p.read("mine.toml").contains("tube.csv"));
}

#[test]
fn what_is_not_alike_is_not_joined() {
    let p = Place::new();
    demo(&p);
    let d = |name: &str| format!("demo-spectra/{name}.csv");
    let (a1, a8, lamp) = (d("tube-a1"), d("tube-a8"), d("lamp"));
    let (a9, nail) = (d("tube-a9"), d("nail-lamp"));
    let joined = |how: &str, a: &str, b: &str| {
        ["convert", "--join", how, a, b, "--out", "j.csv"].map(String::from)
    };
    for (args, part) in [
        (joined("repeats", &a1, &a8), "is not a repeat of"),
        (joined("exposures", &a1, &lamp), "no one factor"),
    ] {
        let args: Vec<&str> = args.iter().map(String::as_str).collect();
        p.refuse(&args, &[part]);
    }
    p.refuse(&["peaks", &a9, "--dark", &a1], &["dark of", "holds light"]);
    p.refuse(&["peaks", &a1, "--dark", &nail], &["dark of"]);
    p.refuse(&["peaks", &a1, "--flat", &lamp], &["flat of", "narrow lines"]);
}

#[test]
fn a_folder_without_recordings_is_refused() {
    let p = Place::new();
    p.write("notes.txt", "hello");
    p.refuse(&["sheet", "."], &["recording"]);
}
