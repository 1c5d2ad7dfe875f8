//! Everything that a user may hand in by mistake.

use crate::place::{Place, Ran, assert_refused};
use std::io::Write;

/// A recording of `n` points from `first` nm on, with the count that `count` gives.
fn recording(n: usize, first: f64, count: impl Fn(usize) -> String) -> String {
    let mut text = String::from("wavelength,counts\n");
    for i in 0..n {
        text += &format!("{:.2},{}\n", first + 0.5 * i as f64, count(i));
    }
    text
}

/// Every command that reads recordings refuses this one, naming it, and writes nothing.
#[track_caller]
fn all_commands_refuse(name: &str, content: impl AsRef<[u8]>) {
    let p = Place::new();
    p.write(name, content);
    for args in [
        &["peaks", name, "--csv", "out.csv", "--svg", "out.svg"][..],
        &["gases", name, "--svg", "out.svg"],
        &["gases", name, "--json"],
        &["calibrate", name, "--out", "out.toml", "--svg", "out.svg"],
    ] {
        let ran = p.refuse(args, &[name]);
        assert_eq!(ran.out, "", "{args:?}");
    }
}

#[test]
fn an_empty_file() {
    all_commands_refuse("empty.csv", "");
}

#[test]
fn one_column() {
    let text: String = (0..500).map(|i| format!("{}\n", 100 + i % 7)).collect();
    // One column is a recording on a pixel axis, which bears lines but here shows none that could
    // be a lamp, and no gases without a profile.
    let p = Place::new();
    p.write("one.csv", text);
    p.refuse(&["gases", "one.csv"], &["one.csv"]);
    p.refuse(&["calibrate", "one.csv", "--out", "out.toml"], &["one.csv"]);
}

#[test]
fn text_only() {
    let text = "Dear club,\nthe tubes are in the drawer.\n".repeat(60);
    all_commands_refuse("letter.csv", text);
}

#[test]
fn wavelengths_that_jump_back_and_forth() {
    let mut text = String::from("nm,counts\n");
    for i in 0..800_usize {
        // 389 and 800 have no common factor: every place is visited once, in no order.
        text += &format!("{},{}\n", 300 + (i * 389) % 800, 100 + i % 7);
    }
    all_commands_refuse("jumps.csv", text);
}

#[test]
fn duplicate_wavelengths() {
    let mut text = String::from("nm,counts\n");
    for i in 0..800 {
        text += &format!("{},{}\n", 300 + (i / 40) * 40, 100 + i % 7);
    }
    all_commands_refuse("twice.csv", text);
}

#[test]
fn all_zero_counts() {
    all_commands_refuse("zero.csv", recording(800, 300.0, |_| "0".into()));
}

#[test]
fn all_at_the_end_of_the_scale() {
    all_commands_refuse("full.csv", recording(800, 300.0, |_| "65535".into()));
}

#[test]
fn every_count_not_a_number() {
    all_commands_refuse("nan.csv", recording(800, 300.0, |_| "NaN".into()));
}

#[test]
fn a_picture_with_another_name() {
    // Signature and header of a PNG, then bytes of all kinds.
    let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\x02\0\0\0\x01\0\x08\x02\0\0\0".to_vec();
    bytes.extend((0..40_000_u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8));
    all_commands_refuse("photo.csv", bytes);
}

#[test]
fn a_file_that_is_not_there() {
    let p = Place::new();
    for command in ["peaks", "gases", "calibrate", "run", "simulate"] {
        let mut args = vec![command, "no-such-file.csv"];
        if command == "simulate" {
            args.extend(["--out", "made"]);
        }
        p.refuse(&args, &["no-such-file.csv"]);
    }
    p.refuse(&["peaks", "."], &["."]);
}

#[test]
fn a_folder_that_cannot_be_written_to() {
    let p = Place::new();
    p.write("plain", "kept");
    p.write("ok.csv", recording(800, 300.0, |i| (100 + (i * 31) % 17).to_string()));
    p.write("bench.toml", "[[tube]]\nname = \"a\"\nfile = \"ok.csv\"\n");
    p.refuse(&["peaks", "ok.csv", "--csv", "plain/out.csv"], &["plain/out.csv"]);
    p.refuse(&["peaks", "ok.csv", "--svg", "plain/out.svg"], &["plain/out.svg"]);
    p.refuse(&["gases", "ok.csv", "--svg", "plain/out.svg"], &["plain/out.svg"]);
    p.refuse(&["calibrate", "ok.csv", "--out", "plain/p.toml"], &["plain/p.toml"]);
    p.refuse(&["run", "bench.toml", "--out", "plain"], &["plain"]);
    p.refuse(&["run", "bench.toml", "--out", "plain/out"], &["plain/out"]);
    assert_eq!(p.read("plain"), "kept");
}

#[test]
fn an_output_that_would_replace_an_input() {
    let p = Place::new();
    let text = recording(800, 300.0, |i| (100 + (i * 31) % 17).to_string());
    p.write("ok.csv", &text);
    p.refuse(&["peaks", "ok.csv", "--csv", "./ok.csv"], &["ok.csv", "overwritten"]);
    p.refuse(&["calibrate", "ok.csv", "--out", "ok.csv"], &["ok.csv", "overwritten"]);
    assert_eq!(p.read("ok.csv"), text);
}

#[test]
fn a_sheet_with_a_typo() {
    let p = Place::new();
    p.write("ok.csv", recording(800, 300.0, |i| (100 + (i * 31) % 17).to_string()));
    p.write("bench.toml", "[[tube]]\nname = \"a\"\nfile = \"ok.csv\"\nexposure = 20\n");
    let args = ["run", "bench.toml", "--out", "out"];
    p.refuse(&args, &["bench.toml, line 4", "`exposure`", "`exposure-ms`"]);
    p.write("bench.toml", "[[tube]\nname = \"a\"\n");
    p.refuse(&args, &["bench.toml, line 1"]);
    p.write("bench.toml", b"[[tube]]\nname = \"\xff\"\n");
    p.refuse(&args, &["bench.toml, line 2", "UTF-8"]);
}

#[test]
fn a_sheet_whose_items_are_not_there_names_each() {
    let p = Place::new();
    p.write(
        "bench.toml",
        "[[tube]]\nname = \"a\"\nfile = \"gone-1.csv\"\n\
         [[light]]\nname = \"b\"\nfile = \"gone-2.csv\"\n",
    );
    let ran = p.run(&["run", "bench.toml", "--out", "out"]);
    assert_eq!(ran.code, Some(2), "{}", ran.err);
    assert!(ran.err.contains("gone-1.csv") && ran.err.contains("gone-2.csv"), "{}", ran.err);
    assert!(ran.err.lines().all(|l| l.starts_with("glowtell: ")), "{}", ran.err);
}

#[test]
fn ten_million_lines_are_settled_in_bounded_memory() {
    const LINES: u32 = 10_000_000;
    let p = Place::new();
    let file = std::fs::File::create(p.path().join("long.csv")).unwrap();
    let mut w = std::io::BufWriter::with_capacity(1 << 20, file);
    // Blocks of a thousand lines under one prefix: writing has to be quick.
    let ends: Vec<String> = (0..1000).map(|i| format!("{i:03},7\n")).collect();
    for thousand in 1..=LINES / 1000 {
        let front = thousand.to_string();
        for end in &ends {
            w.write_all(front.as_bytes()).unwrap();
            w.write_all(end.as_bytes()).unwrap();
        }
    }
    w.flush().unwrap();
    drop(w);
    let args = ["peaks", "long.csv"];
    #[cfg(unix)]
    let ran: Ran = {
        // Address space of 1 GiB, in units of 1024 bytes.
        let script = "ulimit -v 1048576; exec \"$0\" \"$@\"";
        let mut c = assert_cmd::Command::new("sh");
        c.args(["-c", script, env!("CARGO_BIN_EXE_glowtell")]).args(args);
        c.current_dir(p.path()).timeout(std::time::Duration::from_secs(60));
        c.output().unwrap().into()
    };
    #[cfg(not(unix))]
    let ran: Ran = p.run(&args);
    assert_refused(&ran, &args, &["long.csv"]);
}

#[test]
fn a_broken_profile() {
    let p = Place::new();
    p.write("ok.csv", recording(800, 300.0, |i| (100 + (i * 31) % 17).to_string()));
    for (text, part) in [
        ("", "profile"),
        ("format = 7\n", "line 1"),
        ("format = \"glowtell-profile\"\nformat-version = 1\n", "profile"),
        ("\u{fffd}\u{0}", "profile"),
    ] {
        p.write("broken.toml", text);
        p.refuse(&["gases", "ok.csv", "--profile", "broken.toml"], &["broken.toml", part]);
        p.refuse(&["peaks", "ok.csv", "--profile", "broken.toml"], &["broken.toml", part]);
    }
    p.refuse(&["gases", "ok.csv", "--profile", "gone.toml"], &["gone.toml"]);
    p.refuse(&["gases", "ok.csv", "--profile", "ok.csv"], &["ok.csv"]);
}

#[test]
fn an_unknown_species() {
    let p = Place::new();
    p.write("ok.csv", recording(800, 300.0, |i| (100 + (i * 31) % 17).to_string()));
    p.refuse(&["gases", "ok.csv", "--ask", "He,Unobtainium"], &["`Unobtainium`", "He"]);
    p.refuse(&["lines", "Unobtainium"], &["`Unobtainium`"]);
    p.write("bench.toml", "[[tube]]\nname = \"a\"\nfile = \"ok.csv\"\n");
    p.refuse(&["run", "bench.toml", "--ask", "Xy", "--out", "out"], &["`Xy`"]);
}

#[test]
fn wrong_line_tables() {
    let p = Place::new();
    p.write("neon.csv", "this,is,no\nline,table,at all\n");
    p.refuse(&["lines", "--line-tables", "gone"], &["gone"]);
    p.refuse(&["lines", "--line-tables", "."], &["neon.csv"]);
}

#[test]
fn mistakes_in_typing() {
    let p = Place::new();
    p.refuse(&[], &["--help"]);
    p.refuse(&["gases"], &["FILE"]);
    p.refuse(&["gasses", "x"], &["gasses"]);
    p.refuse(&["gases", "x", "--aks", "He"], &["--aks"]);
    p.refuse(&["lines", "--near", "blue"], &["blue"]);
    p.refuse(&["lines", "--near", "-5"], &["-5"]);
    p.refuse(&["lines", "--within", "2"], &["--near"]);
    p.refuse(&["gases", "x", "--axis-u", "inf"], &["inf"]);
    p.refuse(&["lines", "--svg", "x.svg"], &["--svg"]);
    p.refuse(&["run", "x.toml", "--svg", "x.svg"], &["--svg"]);
    p.refuse(&["peaks", "a", "b", "--csv", "x.csv"], &["--csv"]);
    p.refuse(&["gases", "a", "b", "--svg", "x.svg"], &["--svg"]);
}

#[test]
fn a_bad_file_does_not_stop_the_good_ones() {
    let p = Place::new();
    let hump = |i: usize| {
        let line = 3000.0 * (-0.5 * ((i as f64 - 400.0) / 3.0).powi(2)).exp();
        format!("{}", 100 + (i * 31) % 17 + line as usize)
    };
    p.write("good.csv", recording(800, 300.0, hump));
    let args = ["peaks", "gone.csv", "good.csv", "--json"];
    let ran = p.run(&args);
    assert_refused(&ran, &args, &["gone.csv"]);
    let record: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    // The line stands at 300 + 0.5 * 400 nm.
    let centre = record["peaks"]["list"][0]["centre"]["value"].as_f64().unwrap();
    assert!((centre - 500.0).abs() < 0.1, "{centre}");
    let table = p.run(&["peaks", "gone.csv", "good.csv"]).out;
    assert!(table.starts_with("good.csv\n"), "{table}");
}
